//! Picture fixtures made by the `ffmpeg` program, and its own reading of them to compare with.
#![allow(dead_code, reason = "each test file uses a part")]

use platesmith::media::{Media, Picture};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs `ffmpeg` and says whether it did what was asked.
pub fn ffmpeg(arguments: &[&str]) -> bool {
    let run = Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-nostdin", "-y"])
        .args(arguments)
        .output()
        .expect("ffmpeg was there a moment ago");
    if !run.status.success() {
        eprintln!("ffmpeg {arguments:?}: {}", String::from_utf8_lossy(&run.stderr));
    }
    run.status.success()
}

/// Decodes a whole file with `ffmpeg -f framemd5` in the given pixel format.
///
/// Line n is file frame n: the program shows what a player shows, so it honours edit lists
/// and leaves out undecodable leading pictures; `-fps_mode passthrough` neither doubles nor
/// drops a frame; one picture stream, one line a frame.
pub fn framemd5(input: &[&str], pixel_format: &str) -> Vec<String> {
    let run = Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-nostdin"])
        .args(input)
        .args(["-map", "0:V:0", "-fps_mode", "passthrough", "-pix_fmt", pixel_format])
        .args(["-f", "framemd5", "-"])
        .output()
        .expect("ffmpeg was there a moment ago");
    String::from_utf8_lossy(&run.stdout)
        .lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| line.rsplit(',').next())
        .map(|sum| sum.trim().to_string())
        .collect()
}

/// Returns the MD5 of a picture's planes, packed without padding, as framemd5 takes it.
pub fn picture_md5(picture: &Picture) -> String {
    md5(&packed(picture))
}

/// Returns a picture's planes, packed without padding.
pub fn packed(picture: &Picture) -> Vec<u8> {
    let mut bytes = Vec::new();
    for plane in 0..picture.planes() {
        for y in 0..picture.plane_height(plane) {
            bytes.extend_from_slice(picture.row(plane, y).expect("the row is there"));
        }
    }
    bytes
}

/// Opens media, or fails the test with its faults.
pub fn opened(path: &Path) -> Media {
    platesmith::media::open(path).unwrap_or_else(|faults| panic!("{}: {faults}", path.display()))
}

/// A path below a folder, as text.
pub fn at(folder: &Path, name: &str) -> String {
    folder.join(name).to_str().expect("UTF-8").to_string()
}

/// A path below a folder.
pub fn path(folder: &Path, name: &str) -> PathBuf {
    folder.join(name)
}

/// MD5 (RFC 1321): only for comparison with framemd5.
pub fn md5(bytes: &[u8]) -> String {
    const SHIFTS: [[u32; 4]; 4] =
        [[7, 12, 17, 22], [5, 9, 14, 20], [4, 11, 16, 23], [6, 10, 15, 21]];
    let mut state = [0x6745_2301_u32, 0xefcd_ab89, 0x98ba_dcfe, 0x1032_5476];
    let mut tail = bytes[bytes.len() / 64 * 64..].to_vec();
    tail.push(0x80);
    while tail.len() % 64 != 56 {
        tail.push(0);
    }
    tail.extend((bytes.len() as u64 * 8).to_le_bytes());
    let table: Vec<u32> =
        (1..=64).map(|n| (f64::from(n).sin().abs() * 4_294_967_296.0) as u32).collect();
    for block in bytes.chunks_exact(64).chain(tail.chunks_exact(64)) {
        let mut words = [0_u32; 16];
        for (word, four) in words.iter_mut().zip(block.chunks_exact(4)) {
            *word = u32::from_le_bytes([four[0], four[1], four[2], four[3]]);
        }
        let [mut a, mut b, mut c, mut d] = state;
        for i in 0..64 {
            let (mix, word) = match i / 16 {
                0 => ((b & c) | (!b & d), i),
                1 => ((d & b) | (!d & c), (5 * i + 1) % 16),
                2 => (b ^ c ^ d, (3 * i + 5) % 16),
                _ => (c ^ (b | !d), (7 * i) % 16),
            };
            let sum = a.wrapping_add(mix).wrapping_add(table[i]).wrapping_add(words[word]);
            (a, d, c) = (d, c, b);
            b = b.wrapping_add(sum.rotate_left(SHIFTS[i / 16][i % 4]));
        }
        for (total, part) in state.iter_mut().zip([a, b, c, d]) {
            *total = total.wrapping_add(part);
        }
    }
    state.iter().flat_map(|word| word.to_le_bytes()).map(|byte| format!("{byte:02x}")).collect()
}
