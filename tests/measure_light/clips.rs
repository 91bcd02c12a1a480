//! Real clips, whole and with their range converted by FFmpeg's own program.

use crate::outside;
use platesmith::measure::light::blocks::Codes;
use platesmith::measure::light::range::RangeMixUp;
use platesmith::measure::light::{FrameLight, Meter};
use platesmith::measure::transfer::Encoding;
use platesmith::media::{Media, Picture, open};
use platesmith::time::FrameRange;
use std::path::{Path, PathBuf};
use std::process::Command;

/// First frames of a clip that stand for a plate.
pub const PLATE: i64 = 8;

/// Clips of many levels, and whether their codes are of full range.
pub const MIXED: [(&str, bool); 4] = [
    ("footage/locked/signer_book.mkv", true),
    ("footage/locked/two_people_uncompressed.y4m", false),
    ("footage/moving/creeping_street.mp4", false),
    ("footage/boom/tram_clouds/clean.mkv", true),
];

/// Every moving picture of the material; empty, said loudly, if it is not there.
pub fn all() -> Vec<PathBuf> {
    let Some(root) = outside::shared("footage") else { return Vec::new() };
    let mut clips = Vec::new();
    for folder in [
        "locked",
        "moving",
        "formats",
        "boom/person_wall",
        "boom/signer_stable",
        "boom/tram_clouds",
    ] {
        let files = std::fs::read_dir(root.join(folder)).expect("a folder of clips");
        clips.extend(files.map(|file| file.expect("a file").path()));
    }
    let moving = ["mkv", "mp4", "mov", "mxf", "y4m"];
    clips.retain(|clip| clip.extension().is_some_and(|end| moving.iter().any(|one| end == *one)));
    clips.sort();
    clips
}

/// A clip that was opened, and what it says of its encoding.
struct Clip {
    media: Media,
    encoding: Encoding,
    frames: i64,
}

impl Clip {
    fn open(clip: &Path) -> Clip {
        let media = open(clip).expect("the clip opens");
        let info = media.info();
        let rgb = info.pixel_format.contains("bgr") || info.pixel_format.contains("rgb");
        let encoding = Encoding::claimed(&info.colour, &info.pixel_format, rgb);
        let frames = i64::try_from(info.frames).expect("not that long");
        Clip { media, encoding, frames }
    }

    fn each(&self, range: FrameRange, mut then: impl FnMut(&Picture)) {
        let mut frames = self.media.frames(range).expect("inside the clip");
        while let Some(next) = frames.next_frame() {
            then(&next.expect("decodes").1);
        }
    }
}

/// Measures every frame of a clip against a plate of it.
pub fn lights(
    clip: &Path,
    plate: (i64, i64),
    with_areas: impl FnOnce(Meter) -> Meter,
) -> (Meter, Vec<FrameLight>) {
    first_lights(clip, plate, i64::MAX, with_areas)
}

/// Measures the first frames of a clip against a plate of it.
pub fn first_lights(
    clip: &Path,
    plate: (i64, i64),
    most: i64,
    with_areas: impl FnOnce(Meter) -> Meter,
) -> (Meter, Vec<FrameLight>) {
    let clip = Clip::open(clip);
    let count = clip.frames.min(most);
    let mut codes = Codes::default();
    let mut meter = with_areas(Meter::new(clip.encoding));
    let plate = FrameRange::new(plate.0, plate.1.min(clip.frames));
    clip.each(plate, |picture| assert!(meter.add_plate_picture(picture, &mut codes)));
    let mut lights = Vec::new();
    clip.each(FrameRange::new(0, count), |picture| {
        lights.push(meter.measure_picture(picture, &mut codes).expect("luma"));
    });
    (meter, lights)
}

/// Returns the first frames of a clip with their range converted the other way; `None`, said loudly, without FFmpeg's program.
pub fn in_other_range(clip: &Path, is_full: bool) -> Option<tempfile::TempPath> {
    if !outside::has_program("ffmpeg") {
        return None;
    }
    let made = tempfile::Builder::new().suffix(".mkv").tempfile().expect("a temporary file");
    let (from, to) = if is_full { ("full", "limited") } else { ("limited", "full") };
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(clip)
        .args(["-frames:v", "16", "-vf"])
        .arg(format!("scale=in_range={from}:out_range={to},format=yuv420p"))
        .args(["-c:v", "ffv1"])
        .arg(made.path())
        .status()
        .expect("ffmpeg runs");
    assert!(run.success());
    Some(made.into_temp_path())
}

/// Measures the first frames of one file against those of another, both read as the first.
pub fn mix_up(plate: &Path, take: &Path) -> Option<(u64, RangeMixUp)> {
    let (plate, take) = (Clip::open(plate), Clip::open(take));
    let encoding = Encoding { curve: None, matrix: None, ..plate.encoding };
    let mut codes = Codes::default();
    let mut meter = Meter::new(encoding);
    plate.each(FrameRange::new(0, PLATE), |picture| {
        assert!(meter.add_plate_picture(picture, &mut codes));
    });
    take.each(FrameRange::new(0, PLATE + 1), |picture| {
        meter.measure_picture(picture, &mut codes);
    });
    meter.range_mix_up()
}
