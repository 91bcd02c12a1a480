//! Measures a file and says how fast: `measure_speed FILE [THREADS] [PLATE_IN PLATE_OUT]`, and
//! with `every=N` in front of FILE where every Nth frame is held against the plates.
//! With a plate (file frames) it is held against that; without one the take is looked
//! through first. `decode` as last argument only decodes, for comparison.

use platesmith::media::{OpenOptions, open_with};
use platesmith::proof::{Asked, Looked, Shot, longest_suffices, look, weigh};
use platesmith::reach::{Claims, Clocks};
use platesmith::settings::Settings;
use platesmith::time::FrameRange;
use std::path::Path;
use std::time::Instant;

/// As the program itself has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let every = arguments.first().and_then(|first| first.strip_prefix("every=")?.parse().ok());
    if every.is_some() {
        arguments.remove(0);
    }
    let numbers: Vec<i64> = arguments.iter().skip(1).filter_map(|text| text.parse().ok()).collect();
    let Some(file) = arguments.first() else {
        eprintln!("usage: measure_speed [every=N] FILE [THREADS] [PLATE_IN PLATE_OUT]");
        std::process::exit(2);
    };
    let threads = numbers.first().and_then(|n| u32::try_from(*n).ok()).unwrap_or(2);
    let plates = match numbers.get(1..3) {
        Some([start, end]) => vec![FrameRange::new(*start, *end)],
        _ => Vec::new(),
    };
    if let Err(faults) = measure(Path::new(file), threads, plates, every.unwrap_or(1)) {
        eprintln!("{faults}");
        std::process::exit(2);
    }
}

fn measure(
    file: &Path,
    threads: u32,
    plates: Vec<FrameRange>,
    every: u32,
) -> Result<(), platesmith::error::Faults> {
    let begin = Instant::now();
    let media = open_with(file, OpenOptions { threads, ..OpenOptions::default() })?;
    let count = i64::try_from(media.info().frames).unwrap_or(i64::MAX);
    let settings = Settings::default();
    // As `inspect` asks: a take whose longest plate serves is held against no other.
    let clocks = Clocks::of_media(media.info());
    let claims = Claims { take: clocks.file_in_take(), ..Claims::default() };
    let used = clocks.from_file(FrameRange::new(0, count));
    let shot = Shot {
        used,
        need: used,
        claims: &claims,
        clocks: &clocks,
        settings: &settings,
        per_delivered: 1.0,
        left_out: &[],
    };
    let enough = |looked: &Looked| longest_suffices(looked, &shot).unwrap_or(false);
    let best = |looked: &Looked| weigh(looked, &shot).ok().and_then(|weighed| weighed.gauge);
    let asked = Asked {
        behind: None,
        media: &media,
        plates,
        boom: Vec::new(),
        frames: vec![FrameRange::new(0, count)],
        near: Vec::new(),
        region: None,
        settings: &settings,
        enough: Some(&enough),
        best: Some(&best),
        every,
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
