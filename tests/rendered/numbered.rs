//! Plates of image files: the same files under new numbers, with a new timecode in their
//! headers and nothing else changed.

use crate::outside;
use crate::pictures;
use crate::plates;

use pictures::{ffmpeg, framemd5, opened};
use plates::{job, looped, made, start};
use platesmith::plate::{Method, make_plate};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;
use std::path::Path;

fn bytes(path: &Path) -> Vec<u8> {
    std::fs::read(path).expect("readable")
}

/// Makes a loop of the files, checks names, frames and timecode; returns the source files
/// and the copies in order.
fn looped_files(
    first: &Path,
    folder: &Path,
    extension: &str,
    carries: bool,
) -> Vec<(Vec<u8>, Vec<u8>)> {
    let media = opened(first);
    let count = media.info().frames as i64;
    let map = looped(1, count - 1, 20, Turns::Twice);
    let out = folder.join("SHOT_CP01_v001");
    let mut job = job(&media, &map, &out);
    job.start = Some(start(media.info().rate, "23:59:59:20"));
    let plate = made(&job);
    assert_eq!((plate.method, plate.path.as_path()), (Method::Copy, out.as_path()));
    assert!(plate.notes.is_empty(), "{:?}", plate.notes);
    let name = |number: u32| out.join(format!("SHOT_CP01_v001.{number}.{extension}"));
    assert!(name(1001).exists() && name(1020).exists() && !name(1021).exists());
    let again = opened(&name(1001));
    assert_eq!(again.info().frames, 20);
    if carries {
        assert_eq!(again.info().start, job.start);
    }
    let platesmith::media::MediaKind::Images { files, .. } = &media.info().kind else {
        panic!("image files")
    };
    let shown = |file: &Path| framemd5(&["-i", file.to_str().expect("UTF-8")], "gbrpf32le");
    let mut pairs = Vec::new();
    for (k, frame) in map.frames().enumerate() {
        let (from, to) = (&files[frame as usize], name(1001 + k as u32));
        if k % 7 == 0 {
            assert_eq!(shown(from), shown(&to), "file {k}");
        }
        pairs.push((bytes(from), bytes(&to)));
    }
    assert!(made(&job).kept, "the same files again");
    assert!(std::fs::read_dir(folder).expect("a folder").count() >= 1);
    pairs
}

/// Makes 8 image files with the `ffmpeg` program.
fn fixture(folder: &Path, extension: &str, format: &str) -> std::path::PathBuf {
    let pattern = folder.join(format!("take.%04d.{extension}"));
    let head = ["-f", "lavfi", "-i", "testsrc2=s=64x36:r=24", "-frames:v", "8", "-pix_fmt", format];
    let tail = ["-start_number", "86", pattern.to_str().expect("UTF-8")];
    assert!(ffmpeg(&[&head[..], &tail[..]].concat()));
    folder.join(format!("take.0086.{extension}"))
}

#[rstest::rstest]
#[case("png", "rgb48be")]
#[case("tif", "rgb48le")]
#[case("jpg", "yuvj422p")]
fn files_without_timecode_are_copied_to_the_byte(#[case] extension: &str, #[case] format: &str) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let first = fixture(folder.path(), extension, format);
    for (from, to) in looped_files(&first, folder.path(), extension, false) {
        assert!(from == to);
    }
}

#[test]
fn an_exr_gets_a_timecode_and_keeps_its_pixels() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let first = fixture(folder.path(), "exr", "gbrpf32le");
    for (from, to) in looped_files(&first, folder.path(), "exr", true) {
        // OpenEXR file layout: the attribute takes 30 bytes, pixel data stay as they were.
        assert_eq!(to.len(), from.len() + 30);
        assert_eq!(to[to.len() - 400..], from[from.len() - 400..]);
    }
}

/// Real pictures beside the project.
#[test]
fn real_dpx_files_change_in_their_headers_only() {
    let Some(first) = outside::shared("footage/stills/dpx10/psr63.0086400.dpx") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (k, (from, to)) in looped_files(&first, folder.path(), "dpx", true).into_iter().enumerate()
    {
        // These files have the generic header alone: the others are put behind it.
        assert_eq!(to.len(), from.len() + 384);
        assert!(from[1664..] == to[2048..] && from[784..1664] == to[784..1664]);
        // SMPTE ST 268: binary-coded decimal, hours first, in the byte order of the file.
        let labels = [[0x23, 0x59, 0x59, 0x20], [0x23, 0x59, 0x59, 0x21]];
        let later =
            [[0x23, 0x59, 0x59, 0x22], [0x23, 0x59, 0x59, 0x23], [0, 0, 0, 0], [0, 0, 0, 1]];
        if let Some(label) = labels.iter().chain(&later).nth(k) {
            let mut word = *label;
            if &to[..4] == b"XPDS" {
                word.reverse();
            }
            assert_eq!(to[1920..1924], word, "file {k}");
        }
    }
}

#[rstest::rstest]
#[case("footage/stills/exr/psr63.1001.exr")]
#[case("footage/stills/exr_offset_window/beachball.0001.exr")]
fn real_exr_files_keep_their_pixels(#[case] below: &str) {
    let Some(first) = outside::shared(below) else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (from, to) in looped_files(&first, folder.path(), "exr", true) {
        assert!(to.len() == from.len() || to.len() == from.len() + 30);
        assert_eq!(to[to.len() - 4096..], from[from.len() - 4096..]);
    }
}

#[test]
fn a_folder_with_other_files_is_never_touched() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let media = opened(&fixture(folder.path(), "png", "rgb24"));
    let map = platesmith::plate::FrameMap::straight(FrameRange::new(2, 5)).expect("a map");
    let out = folder.path().join("PLATE");
    std::fs::create_dir(&out).expect("a folder");
    std::fs::write(out.join("note.txt"), "mine").expect("written");
    let taken = make_plate(&job(&media, &map, &out), &mut |_, _| {}).expect_err("taken");
    assert_eq!(taken.to_string(), "PLATE: another file of this name is there, with other bytes");
    assert_eq!(std::fs::read_dir(&out).expect("a folder").count(), 1);
}
