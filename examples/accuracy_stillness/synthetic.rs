//! Scenes whose truth is known: grain alone, tiles that sway, insects, focus.

use crate::scenes::{Dice, Kind, Scene, Truth, blur_by};
use platesmith::measure::sharpness::{Focus, Sharpness, SharpnessLimits};
use platesmith::measure::stillness::{Kind as Moves, Stillness, StillnessLimits};
use platesmith::measure::{Mask, Motion, Plane, PlateSum};
use platesmith::time::{Frame, FrameRange};
use std::io::{Read, Write};
use std::process::{Command, Stdio};

pub const KINDS: [Kind; 4] = [Kind::Busy, Kind::Sparse, Kind::Straight, Kind::Soft];
pub const PLATE: usize = 24;

/// Ten-bit codes as eight-bit ones.
pub fn work(size: (usize, usize), codes: &[u16]) -> Plane {
    let data = codes.iter().map(|code| f32::from(*code) * (255.0 / 1023.0)).collect();
    Plane { width: size.0, height: size.1, data }
}

pub fn plate_of<'a>(planes: impl Iterator<Item = &'a Plane>) -> PlateSum {
    let mut sum = PlateSum::new();
    for plane in planes {
        assert!(sum.add(plane.view().expect("a plane")));
    }
    sum
}

pub fn tile(size: (usize, usize), x: usize, y: usize) -> Mask {
    let mut mask = Mask::new(size.0, size.1);
    for row in y..(y + 64).min(size.1) {
        for column in x..(x + 64).min(size.0) {
            mask.set(column, row);
        }
    }
    mask
}

/// What was flagged of how many judgements.
#[derive(Default, Clone, Copy, Debug)]
pub struct Flags {
    pub tiles: u64,
    pub sways: u64,
    pub crossings: u64,
}

/// Grain alone: counts what is flagged in `frames` frames.
pub fn grain(kind: Kind, seed: u64, sigma: f32, frames: usize) -> Flags {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 31);
    let plate: Vec<Plane> =
        (0..PLATE).map(|_| work(size, &scene.exposed(&still, 1.0, sigma, &mut dice))).collect();
    let later = (0..frames).map(|_| work(size, &scene.exposed(&still, 1.0, sigma, &mut dice)));
    flags(&plate, later)
}

/// The same after a codec: x264 through ffmpeg's own program, decoded again.
pub fn coded_grain(kind: Kind, seed: u64, sigma: f32, frames: usize, crf: u32) -> Option<Flags> {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 31);
    let bytes: Vec<u8> = (0..PLATE + frames)
        .flat_map(|_| scene.exposed(&still, 1.0, sigma, &mut dice))
        .map(|code| (f32::from(code) * (255.0 / 1023.0)).round() as u8)
        .collect();
    let decoded = through_x264(size, &bytes, crf)?;
    let planes: Vec<Plane> = decoded
        .chunks_exact(size.0 * size.1)
        .map(|frame| Plane {
            width: size.0,
            height: size.1,
            data: frame.iter().map(|code| f32::from(*code)).collect(),
        })
        .collect();
    Some(flags(&planes[..PLATE], planes[PLATE..].iter().cloned()))
}

/// Encodes grey frames with x264 and decodes them; `None` without ffmpeg or its x264.
pub fn through_x264(size: (usize, usize), bytes: &[u8], crf: u32) -> Option<Vec<u8>> {
    let crf = crf.to_string();
    let coder = ["-c:v", "libx264", "-threads", "1", "-g", "48", "-crf", &crf];
    through(size, bytes, &coder, "yuv420p", "mkv")
}

/// Encodes and decodes grey frames; `None` without ffmpeg or this coder.
fn through(
    size: (usize, usize),
    bytes: &[u8],
    coder: &[&str],
    pixels: &str,
    kind: &str,
) -> Option<Vec<u8>> {
    let folder = tempfile::tempdir().ok()?;
    let file = folder.path().join("coded").with_extension(kind);
    let raster = format!("{}x{}", size.0, size.1);
    let mut encoder = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "rawvideo", "-pix_fmt", "gray", "-s", &raster, "-r", "24"])
        .args(["-i", "-", "-pix_fmt", pixels, "-color_range", "pc"])
        .args(["-vf", "scale=in_range=full:out_range=full"])
        .args(coder)
        .arg(&file)
        .stdin(Stdio::piped())
        .spawn()
        .ok()?;
    encoder.stdin.take()?.write_all(bytes).ok()?;
    if !encoder.wait().ok()?.success() {
        return None;
    }
    let mut decoder = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(&file)
        .args(["-vf", "extractplanes=y", "-f", "rawvideo", "-pix_fmt", "gray", "-"])
        .stdout(Stdio::piped())
        .spawn()
        .ok()?;
    let mut out = Vec::new();
    decoder.stdout.take()?.read_to_end(&mut out).ok()?;
    (decoder.wait().ok()?.success() && out.len() == bytes.len()).then_some(out)
}

/// A coder: name, arguments, pixels, container.
pub type Coder = (&'static str, &'static [&'static str], &'static str, &'static str);

/// What sharpness is watched through, besides pictures as they are.
pub const CODERS: [Coder; 5] = [
    ("x264 crf 18", &["-c:v", "libx264", "-threads", "1", "-crf", "18"], "yuv420p", "mkv"),
    (
        "x264 crf 24",
        &["-c:v", "libx264", "-threads", "1", "-g", "24", "-crf", "24"],
        "yuv420p",
        "mkv",
    ),
    (
        "x264 crf 30",
        &["-c:v", "libx264", "-threads", "1", "-g", "48", "-crf", "30"],
        "yuv420p",
        "mkv",
    ),
    ("ProRes proxy", &["-c:v", "prores_ks", "-profile:v", "0"], "yuv422p10le", "mov"),
    ("MJPEG", &["-c:v", "mjpeg", "-q:v", "6"], "yuvj420p", "mov"),
];

/// Frames of a pull: plate, then from `PULLED` on softer by a blur that grows over twelve.
pub const PULL_PLATE: i64 = 30;
pub const PULLED: i64 = 66;
pub const PULL_FRAMES: i64 = 102;
pub const PATCH: (usize, usize, usize, usize) = (192, 0, 512, 256);

/// Draws a shot whose focus is pulled by `blur` px, puts it through a coder, and shows it to
/// the measure. Something moves below the patch once the plate is over. `None` without the
/// coder.
pub fn pulled(kind: Kind, seed: u64, sigma: f32, blur: f64, coder: &Coder) -> Option<Sharpness> {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 55);
    let mut bytes = Vec::new();
    for t in 0..PULL_FRAMES {
        let mut frame = still.clone();
        let part = ((t - PULLED) as f64 / 12.0).clamp(0.0, 1.0);
        if part > 0.0 && blur > 0.0 {
            blur_by(&mut frame, size.0, size.1, blur * part);
        }
        if t >= PULL_PLATE {
            for row in 320..540 {
                let by = (3 * t as usize + row / 20) % 700;
                frame[row * size.0..(row + 1) * size.0].rotate_left(by);
            }
        }
        let codes = scene.exposed(&frame, 1.0, sigma, &mut dice);
        bytes.extend(
            codes.into_iter().map(|code| (f32::from(code) * (255.0 / 1023.0)).round() as u8),
        );
    }
    let decoded = through(size, &bytes, coder.1, coder.2, coder.3)?;
    let plane = |frame: &[u8]| Plane {
        width: size.0,
        height: size.1,
        data: frame.iter().map(|code| f32::from(*code)).collect(),
    };
    let planes: Vec<Plane> = decoded.chunks_exact(size.0 * size.1).map(plane).collect();
    let plate = plate_of(planes[..PULL_PLATE as usize].iter());
    let mut meter = Sharpness::new(&plate, None, SharpnessLimits::default()).expect("plate");
    for (t, plane) in (0_i64..).zip(&planes) {
        meter.see(Frame(t), plane, (1.0, 0.0), Motion::default(), None).expect("room");
    }
    Some(meter)
}

fn flags(plate: &[Plane], frames: impl Iterator<Item = Plane>) -> Flags {
    let mut still =
        Stillness::new(&plate_of(plate.iter()), None, StillnessLimits::default()).expect("plate");
    for (count, plane) in (0_i64..).zip(frames) {
        still.see(Frame(count), &plane, (1.0, 0.0), Motion::default(), None).expect("room");
    }
    let mut map = still.finish().expect("room");
    let (tiles, sways, crossings) = map.counts().expect("notes");
    Flags { tiles, sways, crossings }
}

/// How many of how many.
#[derive(Default, Clone, Copy, Debug)]
pub struct Rate {
    pub found: usize,
    pub of: usize,
}

impl Rate {
    pub fn add(&mut self, found: bool) {
        self.found += usize::from(found);
        self.of += 1;
    }

    pub fn join(&mut self, other: Rate) {
        self.found += other.found;
        self.of += other.of;
    }

    pub fn percent(&self) -> f64 {
        100.0 * self.found as f64 / self.of.max(1) as f64
    }
}

/// Tiles of 64 pixels that sway by `peak` px, one in nine, each its own way; 48 frames. Counts
/// those whose shift is predicted to be known to .02 px from slopes and grain, and of the
/// other tiles those that do not touch one.
pub fn sway(kind: Kind, seed: u64, sigma: f32, peak: f64) -> (Rate, Rate) {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 77);
    let turns: Vec<f64> = (0..4).map(|n| f64::from(n) * 0.785).collect();
    let moved = |turn: f64, by: f64| {
        scene.background(&Truth {
            shift_x: by * turn.cos(),
            shift_y: by * turn.sin(),
            ..Truth::default()
        })
    };
    let ends: Vec<[Vec<f32>; 2]> =
        turns.iter().map(|turn| [moved(*turn, peak), moved(*turn, -peak)]).collect();
    let places: Vec<(usize, usize, usize, f64, f64)> = (0..size.1 / 64)
        .flat_map(|y| (0..size.0 / 64).map(move |x| (x, y)))
        .filter(|(x, y)| x % 3 == 1 && y % 3 == 1)
        .map(|(x, y)| {
            // A gust to a slow swell: one to five turns in 48 frames.
            (
                x * 64,
                y * 64,
                dice.below(4),
                dice.between(1.0, 5.0),
                dice.between(0.0, std::f64::consts::TAU),
            )
        })
        .collect();
    let plate: Vec<Plane> =
        (0..PLATE).map(|_| work(size, &scene.exposed(&still, 1.0, sigma, &mut dice))).collect();
    let mut meter =
        Stillness::new(&plate_of(plate.iter()), None, StillnessLimits::default()).expect("plate");
    for t in 0..48 {
        let mut frame = still.clone();
        for (x, y, turn, turns, phase) in &places {
            let s = (std::f64::consts::TAU * turns * f64::from(t) / 48.0 + phase).sin() as f32;
            for row in *y..*y + 64 {
                for at in row * size.0 + x..row * size.0 + x + 64 {
                    let (ahead, back) = (ends[*turn][0][at], ends[*turn][1][at]);
                    // Exact at both ends and at rest; between them off by far below a code.
                    frame[at] +=
                        s * (ahead - back) / 2.0 + s * s * (ahead + back - 2.0 * still[at]) / 2.0;
                }
            }
        }
        let plane = work(size, &scene.exposed(&frame, 1.0, sigma, &mut dice));
        meter.see(Frame(t.into()), &plane, (1.0, 0.0), Motion::default(), None).expect("room");
    }
    let mut map = meter.finish().expect("room");
    let frames = [FrameRange::new(0, 48)];
    let (mut found, mut wrong) = (Rate::default(), Rate::default());
    for (x, y, turn, _, _) in &places {
        if predicted(&still, size, (*x, *y), turns[*turn], sigma) <= 0.02 {
            let told = map.within(&tile(size, *x, *y), &frames).expect("notes");
            found.add(told.worst_sway_px > 0.0);
        }
        let told = map.within(&tile(size, x - 64, *y), &frames).expect("notes");
        wrong.add(!told.moving.is_empty());
    }
    (found, wrong)
}

/// Standard deviation of a shift along a direction, from slopes and white grain.
fn predicted(
    still: &[f32],
    size: (usize, usize),
    (x, y): (usize, usize),
    turn: f64,
    sigma: f32,
) -> f64 {
    let mut sum = 0.0;
    for row in y..y + 64 {
        for column in x..x + 64 {
            let at = |dx: usize, dy: usize, back: bool| {
                let (c, r) = if back {
                    (column.saturating_sub(dx), row.saturating_sub(dy))
                } else {
                    ((column + dx).min(size.0 - 1), (row + dy).min(size.1 - 1))
                };
                f64::from(still[r * size.0 + c])
            };
            let across = (at(1, 0, false) - at(1, 0, true)) / 2.0;
            let down = (at(0, 1, false) - at(0, 1, true)) / 2.0;
            sum += (across * turn.cos() + down * turn.sin()).powi(2);
        }
    }
    f64::from(sigma) / sum.max(1e-9).sqrt()
}

/// Insects of 24 pixels, Weber contrast -.3 in codes or in light (power of 2.2), that fly
/// through the picture, one after the other. Counts those that are found near their path.
pub fn insects(kind: Kind, seed: u64, sigma: f32, in_light: bool, flights: usize) -> Rate {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 99);
    let plate: Vec<Plane> =
        (0..PLATE).map(|_| work(size, &scene.exposed(&still, 1.0, sigma, &mut dice))).collect();
    let mut meter =
        Stillness::new(&plate_of(plate.iter()), None, StillnessLimits::default()).expect("plate");
    let share = if in_light { 0.7_f64.powf(1.0 / 2.2) } else { 0.7 } as f32;
    let mut paths = Vec::new();
    let mut t = 0;
    for _ in 0..flights {
        let (speed, turn) = (dice.between(2.0, 14.0), dice.between(0.0, std::f64::consts::TAU));
        let frames = 5 + dice.below(6);
        let (x, y) = (dice.between(160.0, 800.0), dice.between(160.0, 380.0));
        let first = t;
        for n in 0..frames + 3 {
            let mut frame = still.clone();
            if n < frames {
                let go = speed * n as f64;
                draw_disc(&mut frame, size, (x + go * turn.cos(), y + go * turn.sin()), share);
            }
            let plane = work(size, &scene.exposed(&frame, 1.0, sigma, &mut dice));
            meter.see(Frame(t), &plane, (1.0, 0.0), Motion::default(), None).expect("room");
            t += 1;
        }
        paths.push((FrameRange::new(first, first + frames as i64), x, y, speed, turn, frames));
    }
    let mut map = meter.finish().expect("room");
    let mut found = Rate::default();
    for (range, x, y, speed, turn, frames) in paths {
        let mut region = Mask::new(size.0, size.1);
        for n in 0..frames {
            let go = speed * n as f64;
            region.set((x + go * turn.cos()) as usize, (y + go * turn.sin()) as usize);
        }
        let told = map.within(&region, &[range]).expect("notes");
        found.add(told.moving.iter().any(|m| matches!(m.kind, Moves::Crossing { .. })));
    }
    found
}

/// A disc of 24 pixels with a soft edge.
fn draw_disc(frame: &mut [f32], size: (usize, usize), (x, y): (f64, f64), share: f32) {
    let radius = (24.0 / std::f64::consts::PI).sqrt();
    for row in (y - 4.0) as usize..(y + 5.0) as usize {
        for column in (x - 4.0) as usize..(x + 5.0) as usize {
            let away = (column as f64 - x).hypot(row as f64 - y);
            let inside = (radius + 0.5 - away).clamp(0.0, 1.0) as f32;
            frame[row * size.0 + column] *= 1.0 - inside * (1.0 - share);
        }
    }
}

/// Focus: frames blurred by `blur` px and frames that are not, all under other light, grain
/// and shift. Returns tiles found, tiles wrongly found, and errors of the blur told.
pub fn focus(kind: Kind, seed: u64, sigma: f32, blur: f64) -> (Rate, Rate, Vec<f64>) {
    let size = (960, 540);
    let scene = Scene::new(size.0, size.1, kind, seed);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(seed + 55);
    let plate: Vec<Plane> =
        (0..PLATE).map(|_| work(size, &scene.exposed(&still, 1.0, sigma, &mut dice))).collect();
    let mut meter =
        Sharpness::new(&plate_of(plate.iter()), None, SharpnessLimits::default()).expect("plate");
    for t in 0..8_i64 {
        let truth = Truth {
            shift_x: dice.between(-0.3, 0.3),
            shift_y: dice.between(-0.3, 0.3),
            ..Truth::default()
        };
        let mut frame = scene.background(&truth);
        if t % 2 == 1 {
            blur_by(&mut frame, size.0, size.1, blur);
        }
        let gain = if t >= 4 { 0.85 } else { 1.0 };
        let grain = sigma * [1.0, 1.5][(t / 2 % 2) as usize];
        let plane = work(size, &scene.exposed(&frame, gain, grain, &mut dice));
        let motion = Motion { shift_x: truth.shift_x, shift_y: truth.shift_y, ..Motion::default() };
        meter.see(Frame(t), &plane, (gain, 0.0), motion, None).expect("room");
    }
    let (mut found, mut wrong, mut errors) = (Rate::default(), Rate::default(), Vec::new());
    for y in (0..size.1).step_by(64) {
        for x in (0..size.0).step_by(64) {
            let told: Vec<Focus> =
                meter.within(&tile(size, x, y), &[FrameRange::new(0, 8)]).expect("notes");
            for one in told {
                if one.frame.0 % 2 == 1 {
                    found.add(one.changed && one.squared_px > 0.0);
                    errors.push(one.squared_px - blur * blur);
                } else {
                    wrong.add(one.changed);
                    errors.push(one.squared_px);
                }
            }
        }
    }
    (found, wrong, errors)
}
