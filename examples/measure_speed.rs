//! Measures a file and says how fast: `measure_speed FILE [THREADS] [PLATE_IN PLATE_OUT]`.
//! With a plate (file frames) it is held against that; without one the take is looked
//! through first. `decode` as last argument only decodes, for comparison.

use platesmith::media::{OpenOptions, open_with};
use platesmith::proof::{Asked, look};
use platesmith::settings::Settings;
use platesmith::time::FrameRange;
use std::path::Path;
use std::time::Instant;

/// As the program itself has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<i64> = arguments.iter().skip(1).filter_map(|text| text.parse().ok()).collect();
    let Some(file) = arguments.first() else {
        eprintln!("usage: measure_speed FILE [THREADS] [PLATE_IN PLATE_OUT]");
        std::process::exit(2);
    };
    let threads = numbers.first().and_then(|n| u32::try_from(*n).ok()).unwrap_or(2);
    let plates = match numbers.get(1..3) {
        Some([start, end]) => vec![FrameRange::new(*start, *end)],
        _ => Vec::new(),
    };
    if let Err(faults) = measure(Path::new(file), threads, plates) {
        eprintln!("{faults}");
        std::process::exit(2);
    }
}

fn measure(
    file: &Path,
    threads: u32,
    plates: Vec<FrameRange>,
) -> Result<(), platesmith::error::Faults> {
    let begin = Instant::now();
    let media = open_with(file, OpenOptions { threads, ..OpenOptions::default() })?;
    let count = i64::try_from(media.info().frames).unwrap_or(i64::MAX);
    let settings = Settings::default();
    let asked = Asked {
        behind: None,
        media: &media,
        plates,
        boom: Vec::new(),
        frames: vec![FrameRange::new(0, count)],
        near: Vec::new(),
        region: None,
        settings: &settings,
        enough: None,
    };
    let looked = look(&asked, &mut |_| ())?;
    let all = begin.elapsed().as_secs_f64();
    println!(
        "{count} frames, {} plates, {} booms, {all:.3} s, {:.1} frames/s",
        looked.plates.len(),
        looked.boom.len(),
        count as f64 / all
    );
    Ok(())
}
