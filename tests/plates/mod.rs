//! Plates made for tests, and `ffprobe`'s reading of them.
#![allow(dead_code, reason = "each test file uses a part")]

use crate::pictures::{framemd5, opened};
use platesmith::media::{Media, StartTimecode};
use platesmith::plate::{FrameMap, PlateCodec, PlateJob, PlateMade, make_plate};
use platesmith::settings::Turns;
use platesmith::time::{Counting, FrameRange};
use std::path::Path;
use std::process::Command;

/// A job with the usual choices: the source's own start timecode, codec `auto`.
pub fn job<'a>(source: &'a Media, map: &'a FrameMap, out: &Path) -> PlateJob<'a> {
    PlateJob {
        source,
        map,
        out: out.to_path_buf(),
        reel: None,
        rate: None,
        start: source.info().start,
        first_number: 1001,
        codec: PlateCodec::Auto,
        threads: 2,
        still: false,
        retouch: None,
        recipe: None,
        receipts: None,
    }
}

/// A loop over part of a source.
pub fn looped(first: i64, end: i64, length: u64, turns: Turns) -> FrameMap {
    FrameMap::looped(FrameRange::new(first, end), length, turns).expect("a map")
}

/// Makes a plate, or fails the test with its faults.
pub fn made(job: &PlateJob<'_>) -> PlateMade {
    make_plate(job, &mut |_, _| {}).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Checks with `ffmpeg -f framemd5` that frame k of the plate decodes to the source frame
/// that the map names.
pub fn shows_the_map(source: &Path, plate: &PlateMade, map: &FrameMap) {
    let format = opened(source).info().pixel_format.clone();
    let text = |path: &Path| path.to_str().expect("UTF-8").to_owned();
    let from = framemd5(&["-i", &text(source)], &format);
    let to = framemd5(&["-i", &text(&plate.path)], &format);
    let expected: Vec<&String> = map.frames().map(|frame| &from[frame as usize]).collect();
    let distinct: std::collections::BTreeSet<&&String> = expected.iter().collect();
    assert!(distinct.len() as i64 >= map.span().count().0 as i64 - 1, "the fixture stands still");
    assert_eq!(to.len() as u64, map.len(), "{}: frames", plate.path.display());
    for (k, (found, wanted)) in to.iter().zip(expected).enumerate() {
        assert_eq!(found, wanted, "{}: frame {k}", plate.path.display());
    }
}

/// Asks `ffprobe` for entries; returns its `key=value` lines.
pub fn probed(path: &Path, entries: &str) -> Vec<String> {
    let run = Command::new("ffprobe")
        .args(["-v", "error", "-show_entries", entries, "-of", "default=nw=1"])
        .arg(path)
        .output()
        .expect("ffprobe comes with ffmpeg");
    String::from_utf8_lossy(&run.stdout).lines().map(str::to_owned).collect()
}

/// A start timecode from its label.
pub fn start(rate: platesmith::time::Rate, label: &str) -> StartTimecode {
    let counting = Counting::new(rate, label.contains(';'));
    StartTimecode { frame: counting.frame(label).expect("a label"), counting }
}
