//! Decodes every frame of a file to nothing and says how fast: `decode_speed FILE [THREADS]`.
//! `luma` as third argument also reads the luma of each frame.

use platesmith::media::{OpenOptions, open_with};
use platesmith::time::FrameRange;
use std::path::Path;
use std::time::Instant;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let Some(file) = arguments.get(1) else {
        eprintln!("usage: decode_speed FILE [THREADS] [luma]");
        std::process::exit(2);
    };
    let threads = arguments.get(2).and_then(|text| text.parse().ok()).unwrap_or(2);
    let with_luma = arguments.get(3).is_some_and(|text| text == "luma");
    if let Err(faults) = decode(Path::new(file), threads, with_luma) {
        eprintln!("{faults}");
        std::process::exit(2);
    }
}

fn decode(file: &Path, threads: u32, with_luma: bool) -> Result<(), platesmith::error::Faults> {
    let begin = Instant::now();
    let media = open_with(file, OpenOptions { threads, ..OpenOptions::default() })?;
    let opened = begin.elapsed().as_secs_f64();
    let count = i64::try_from(media.info().frames).unwrap_or(i64::MAX);
    let mut frames = media.frames(FrameRange::new(0, count))?;
    let mut luma = Vec::new();
    while let Some(next) = frames.next_frame() {
        let (_, picture) = next?;
        if with_luma {
            picture.luma_u16(&mut luma);
        }
    }
    let all = begin.elapsed().as_secs_f64();
    println!(
        "{count} frames, open {opened:.3} s, all {all:.3} s, {:.1} frames/s",
        count as f64 / all
    );
    Ok(())
}
