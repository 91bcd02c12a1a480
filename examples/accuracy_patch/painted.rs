//! Painted takes: a set, a boom that hangs in, grain drawn afresh for every frame. The same
//! frames without the boom are the truth.

use crate::scenes::Dice;
use platesmith::media::{Picture, open};
use platesmith::patch::{Fade, Matte, TempJob, make_temp};
use platesmith::plate::{FrameMap, PlateCodec, PlateJob};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const WIDTH: usize = 480;
const HEIGHT: usize = 270;
const FRAMES: i64 = 72;
/// The plate, and the boom.
const PLATE: (i64, i64) = (0, 20);
const BOOM: (i64, i64) = (24, 72);
/// Side of the squares whose means are the low frequencies, in pixels.
const SQUARE: usize = 16;
/// Where the matte is white: the boom and all round it.
const WHITE: (std::ops::Range<usize>, std::ops::Range<usize>) = (96..256, 0..128);

/// Grain of luma in codes, bits, pixel format, seed.
type Take = (f64, u32, &'static str, u64);

pub fn measured() {
    let takes: [Take; 5] = [
        (1.2, 8, "yuv420p", 1),
        (2.5, 8, "yuv420p", 2),
        (3.0, 10, "yuv422p10le", 3),
        (9.0, 10, "yuv422p10le", 4),
        (40.0, 12, "yuv444p12le", 5),
    ];
    for take in takes {
        let folder = tempfile::tempdir().expect("a folder");
        one(folder.path(), take);
    }
}

fn set(x: usize, y: usize, peak: f64) -> f64 {
    let (x, y) = (x as f64, y as f64);
    let wave = |a: f64, b: f64| (a * x + b * y).sin();
    let light = 0.45 + 0.1 * wave(0.013, 0.021) + 0.06 * wave(0.19, -0.11) + 0.04 * wave(0.7, 0.4);
    light * peak
}

/// The codes of one frame's luma, with the boom and without.
fn painted(frame: i64, (grain, bits, _, _): Take, dice: &mut Dice) -> [Vec<u16>; 2] {
    let peak = f64::from((1_u32 << bits) - 1);
    let (mut with, mut without) = (Vec::new(), Vec::new());
    for at in 0..WIDTH * HEIGHT {
        let (x, y) = (at % WIDTH, at / WIDTH);
        let noise = grain * dice.bell();
        let code = |light: f64| (light + noise).round().clamp(0.0, peak) as u16;
        let boom = (BOOM.0..BOOM.1).contains(&frame) && (160..192).contains(&x) && y < 90;
        without.push(code(set(x, y, peak)));
        with.push(if boom { code(0.2 * peak) } else { *without.last().expect("pushed") });
    }
    [with, without]
}

/// Codes the take without loss; returns the truth of every frame.
fn written(path: &Path, take: Take) -> Vec<Vec<u16>> {
    let size = format!("{WIDTH}x{HEIGHT}");
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", take.2, "-s", &size])
        .args(["-r", "24", "-i", "-", "-c:v", "ffv1", "-g", "1", "-timecode", "10:00:00:00"])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg runs");
    let mut pipe = ffmpeg.stdin.take().expect("it is piped");
    let mut dice = Dice::new(take.3);
    let chroma = match take.2 {
        "yuv420p" => WIDTH / 2 * (HEIGHT / 2) * 2,
        "yuv422p10le" => WIDTH * HEIGHT,
        _ => WIDTH * HEIGHT * 2,
    };
    let mut truths = Vec::new();
    for frame in 0..FRAMES {
        let [with, without] = painted(frame, take, &mut dice);
        let grey = std::iter::repeat_n(1_u16 << (take.1 - 1), chroma);
        let codes = with.into_iter().chain(grey);
        let bytes: Vec<u8> = match take.1 {
            8 => codes.map(|code| code as u8).collect(),
            _ => codes.flat_map(u16::to_le_bytes).collect(),
        };
        pipe.write_all(&bytes).expect("ffmpeg reads");
        truths.push(without);
    }
    drop(pipe);
    assert!(ffmpeg.wait().expect("it ends").success());
    truths
}

/// White over the boom and round it, with a feather of 24 pixels.
fn matte() -> Matte {
    let away = |at: usize, range: &std::ops::Range<usize>| {
        (range.start as f64 - at as f64).max(at as f64 - (range.end as f64 - 1.0)).max(0.0)
    };
    let code = |at: usize| {
        let away = away(at % WIDTH, &WHITE.0).max(away(at / WIDTH, &WHITE.1));
        ((1.0 - away / 24.0).max(0.0) * 65_535.0).round() as u16
    };
    Matte::from_codes(WIDTH, HEIGHT, (0..WIDTH * HEIGHT).map(code).collect()).expect("its size")
}

fn luma(picture: &Picture) -> Vec<f64> {
    let (mut all, mut row) = (Vec::new(), Vec::new());
    for y in 0..HEIGHT {
        assert!(picture.samples(0, y, 0..WIDTH, &mut row));
        all.extend(row.iter().map(|code| f64::from(*code)));
    }
    all
}

fn one(folder: &Path, take: Take) {
    let file = folder.join("take.mkv");
    let truths = written(&file, take);
    let media = open(&file).expect("the take");
    let need = FrameRange::new(BOOM.0, BOOM.1);
    let plate = FrameRange::new(PLATE.0, PLATE.1);
    let map = FrameMap::looped(plate, need.count().0, Turns::Twice).expect("a map");
    let job = PlateJob {
        source: &media,
        map: &map,
        out: folder.join("plate"),
        reel: None,
        start: None,
        rate: None,
        first_number: 1001,
        codec: PlateCodec::Auto,
        threads: 2,
        still: false,
        retouch: None,
        recipe: None,
        receipts: None,
    };
    let (matte, fade) = (matte(), Fade::new(vec![need], vec![need], 0));
    let temp = TempJob {
        take: &media,
        need_in_file: need,
        plate: &job,
        matte: &matte,
        fade: &fade,
        out: folder.join("temp"),
    };
    let made = make_temp(&temp, &mut |_, _| {}).expect("a temp comp");
    let comp = open(&made.path).expect("the temp comp");
    let mut frames = comp.frames(FrameRange::new(0, need.count().0 as i64)).expect("frames");
    let mut sums = Sums::default();
    while let Some(read) = frames.next_frame() {
        let (k, picture) = read.expect("a frame");
        sums.add(&luma(&picture), &truths[(need.start.0 + k.0) as usize], &matte, take.1);
    }
    sums.tell(take);
}

/// What is added up over the frames.
#[derive(Default)]
struct Sums {
    square: f64,
    count: f64,
    /// High-passed energy of comp and truth.
    grain: [f64; 2],
    /// Squared error of the means of squares, of comp and of the truth's own frame.
    low: [f64; 2],
    squares: f64,
    changed: f64,
}

impl Sums {
    fn add(&mut self, comp: &[f64], truth: &[u16], matte: &Matte, bits: u32) {
        let peak = f64::from((1_u32 << bits) - 1);
        for (at, (comp, truth)) in comp.iter().zip(truth).enumerate() {
            if matte.codes()[at] == 0 && *comp != f64::from(*truth) {
                self.changed += 1.0;
            }
        }
        let clean = |at: usize| set(at % WIDTH, at / WIDTH, peak);
        let of_truth = |at: usize| f64::from(truth[at]);
        for y in WHITE.1.clone() {
            for x in WHITE.0.clone() {
                let at = y * WIDTH + x;
                self.square += (comp[at] - of_truth(at)).powi(2);
                self.count += 1.0;
                // A second difference keeps grain and loses the set.
                let high = |of: &dyn Fn(usize) -> f64| {
                    let off = |at: usize| of(at) - clean(at);
                    (off(at) - (off(at - 1) + off(at + 1)) / 2.0).powi(2)
                };
                self.grain[0] += high(&|at| comp[at]);
                self.grain[1] += high(&of_truth);
            }
        }
        for y in WHITE.1.clone().step_by(SQUARE) {
            for x in WHITE.0.clone().step_by(SQUARE) {
                let mean = |of: &dyn Fn(usize) -> f64| {
                    let inside = (0..SQUARE * SQUARE)
                        .map(|n| (y + n / SQUARE) * WIDTH + x + n % SQUARE)
                        .map(|at| of(at) - clean(at));
                    (inside.sum::<f64>() / (SQUARE * SQUARE) as f64).powi(2)
                };
                self.low[0] += mean(&|at| comp[at]);
                self.low[1] += mean(&of_truth);
                self.squares += 1.0;
            }
        }
    }

    fn tell(&self, (grain, bits, format, _): Take) {
        let place = format!("painted, {format}, grain {grain}");
        // Rounding to codes adds a twelfth to the variance of each.
        let limit = 2.0 * (grain * grain + 1.0 / 12.0);
        let square = self.square / self.count / limit;
        crate::told("squared error against twice the grain's", square, (0.0, 1.05), &place);
        let ratio = (self.grain[0] / self.grain[1]).sqrt();
        crate::told("grain against the take's own", ratio, (0.97, 1.03), &place);
        let decibels = 10.0 * (self.low[0] / self.low[1]).log10();
        crate::told("low frequencies below the floor, dB", decibels.max(0.0), (0.0, 1.0), &place);
        crate::told("codes changed outside the matte", self.changed, (0.0, 0.0), &place);
        debug_assert!(bits <= 16 && self.squares > 0.0);
    }
}
