//! A painted shot in colour: a set, a boom, an actor, light and a camera that change; and a
//! show of one cut and one log round it.
#![allow(dead_code, reason = "each test file uses a part")]

use crate::little_show::{Clip, cut_json};
use crate::outside;
use crate::scenes::Dice;
use platesmith::media::{Picture, open};
use platesmith::time::FrameRange;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

pub const WIDTH: usize = 480;
pub const HEIGHT: usize = 270;
pub const FRAMES: i64 = 110;
/// Head plate, and the boom.
pub const PLATE: (i64, i64) = (0, 36);
pub const BOOM: (i64, i64) = (44, 92);
/// Frames the cut uses.
const USED: (i64, i64) = (46, 90);
const BOX: (f64, f64, f64) = (150.0, 182.0, 84.0);

/// How dark a shadow is that goes through the patch: two codes of the wall, too little to be
/// taken for somebody.
const SHADOW: f64 = 0.022;

/// What the light does.
#[derive(Clone, Copy, PartialEq)]
pub enum Light {
    /// Nothing.
    Steady,
    /// A cloud: it falls by 9 %, to one side more, and gets bluer; black is lifted a little.
    Cloud,
    /// The same, and somebody's soft shadow that goes through the patch.
    CloudAndShadow,
    /// A lamp goes out between two frames.
    Step,
}

/// What the camera does.
#[derive(Clone, Copy, PartialEq)]
pub enum Camera {
    Still,
    /// Weave, and a creep of two pixels over the take.
    WeaveAndCreep,
}

/// The shot.
pub struct Painted {
    pub light: Light,
    pub camera: Camera,
    /// Of luma in codes; of colour three quarters of it.
    pub grain: f64,
    pub seed: u64,
}

impl Default for Painted {
    fn default() -> Painted {
        Painted { light: Light::Steady, camera: Camera::Still, grain: 1.6, seed: 7 }
    }
}

impl Painted {
    /// The frame the light steps in.
    pub fn step(&self) -> i64 {
        66
    }

    /// Shift of the picture, right and down.
    pub fn shift(&self, frame: i64) -> (f64, f64) {
        let t = frame as f64;
        match self.camera {
            Camera::Still => (0.0, 0.0),
            Camera::WeaveAndCreep => (
                0.3 * (t * 0.9).sin() + 0.25 * (t * 2.3).cos() + 2.0 * t / FRAMES as f64,
                0.3 * (t * 1.3).cos() + 0.2 * (t * 2.9).sin(),
            ),
        }
    }

    /// Red, green and blue of the light at a place.
    fn lit(&self, frame: i64, (x, y): (f64, f64)) -> [f64; 3] {
        match self.light {
            Light::Steady => [1.0; 3],
            Light::Step => [if frame < self.step() { 1.0 } else { 0.93 }; 3],
            Light::Cloud | Light::CloudAndShadow => {
                let t = ((frame - 20) as f64 / 50.0).clamp(0.0, 1.0);
                let fall = t * (0.09 + 0.05 * (x / WIDTH as f64 - 0.35));
                let dark = self.shadow(frame, (x, y));
                [1.15, 1.0, 0.8].map(|part| (1.0 - part * fall) * (1.0 - dark))
            }
        }
    }

    /// The part of the light a shadow takes that goes through the patch.
    fn shadow(&self, frame: i64, (x, y): (f64, f64)) -> f64 {
        if self.light != Light::CloudAndShadow {
            return 0.0;
        }
        let middle = 60.0 + 4.0 * (frame - BOOM.0) as f64;
        let far = ((x - middle) / 45.0).powi(2) + ((y - 50.0) / 60.0).powi(2);
        SHADOW * (-0.5 * far).exp()
    }

    /// Red, green and blue of the set, 0 to 1, coded by a power.
    fn set(x: f64, y: f64) -> [f64; 3] {
        let wave = |a: f64, b: f64, c: f64| (x * a + y * b + c).sin();
        let level = 0.45
            + 0.07 * wave(0.013, 0.011, 0.0)
            + 0.045 * wave(0.11, -0.07, 1.0)
            + 0.035 * wave(0.23, 0.19, 2.0)
            + 0.028 * wave(0.05, -0.31, 0.7)
            + 0.02 * wave(0.47, 0.11, 4.2);
        let picture = (0.12, 0.1, 0.25);
        // Soft edges, as a lens draws them: a hard one would jump by whole pixels.
        let edge = |at: f64| 0.5 * (1.0 + (at / 1.3).tanh());
        let hung = edge(x - 100.0) * edge(200.0 - x) * edge(y - 30.0) * edge(74.0 - y);
        [
            level * 1.08 - hung * picture.0,
            level - hung * picture.1,
            level * 0.8 - hung * picture.2 * 0.5,
        ]
    }

    /// Y', Cb, Cr in codes of a place, after Rec. ITU-R BT.709, without boom, actor, grain.
    fn codes(&self, frame: i64, x: f64, y: f64) -> [f64; 3] {
        let (dx, dy) = self.shift(frame);
        let set = Painted::set(x - dx, y - dy);
        let lit = self.lit(frame, (x, y));
        let clouded = matches!(self.light, Light::Cloud | Light::CloudAndShadow);
        let lift = if clouded {
            0.01 * (1.0 - lit[1] / (1.0 - self.shadow(frame, (x, y)))) / 0.09
        } else {
            0.0
        };
        let [r, g, b] = [0, 1, 2].map(|at: usize| set[at] * lit[at] + lift);
        let luma = 0.2126 * r + 0.7152 * g + 0.0722 * b;
        [
            16.0 + 219.0 * luma,
            128.0 + 224.0 * (b - luma) / 1.8556,
            128.0 + 224.0 * (r - luma) / 1.5748,
        ]
    }

    fn size(component: usize) -> (usize, usize, f64) {
        if component == 0 { (WIDTH, HEIGHT, 1.0) } else { (WIDTH / 2, HEIGHT / 2, 2.0) }
    }

    /// The codes a clean frame would have without grain.
    pub fn truth(&self, frame: i64, component: usize) -> Vec<f64> {
        let (width, height, by) = Painted::size(component);
        let place = |at: usize| (at as f64 + 0.5) * by - 0.5;
        (0..width * height)
            .map(|at| self.codes(frame, place(at % width), place(at / width))[component])
            .collect()
    }

    /// Whether a sample lies where the boom hangs.
    pub fn is_under_boom(&self, component: usize, at: usize) -> bool {
        let (width, _, by) = Painted::size(component);
        let (x, y) = ((at % width) as f64 * by, (at / width) as f64 * by);
        (BOX.0..BOX.1).contains(&x) && y < BOX.2
    }

    /// Grain that a plate frame brings along, light and rounding included.
    pub fn grain_after_light(&self, component: usize) -> f64 {
        let grain = if component == 0 { self.grain } else { 0.75 * self.grain };
        // Rounded once in the take, once in the plate (variance of a rounded code 1/12).
        (grain * grain + 2.0 / 12.0).sqrt()
    }

    fn paint(&self, frame: i64, dice: &mut Dice, out: &mut Vec<u8>) {
        let deep = (frame + 1 - BOOM.0).min(BOOM.1 - frame).clamp(0, 4) as f64 / 4.0;
        let actor = 370.0 + 14.0 * (frame as f64 / 7.0).sin();
        for component in 0..3 {
            let (width, _, by) = Painted::size(component);
            let grain = if component == 0 { self.grain } else { 0.75 * self.grain };
            for (at, clean) in self.truth(frame, component).into_iter().enumerate() {
                let (x, y) = ((at % width) as f64 * by, (at / width) as f64 * by);
                let mut code = clean;
                if (x - 166.0).abs() < 13.0 && y < (BOX.2 - 8.0) * deep {
                    code = [45.0, 128.0, 128.0][component];
                }
                if (x - actor).abs() < 34.0 && y > 110.0 {
                    code = [60.0 + 30.0 * ((x - actor) / 6.0 + y / 9.0).sin(), 120.0, 140.0]
                        [component];
                }
                out.push((code + grain * dice.bell()).round().clamp(0.0, 255.0) as u8);
            }
        }
    }

    /// Writes the take; false without the `ffmpeg` program.
    pub fn write(&self, path: &Path) -> bool {
        if !outside::has_program("ffmpeg") {
            return false;
        }
        let size = format!("{WIDTH}x{HEIGHT}");
        let mut ffmpeg = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s"])
            .args([&size, "-r", "24", "-i", "-", "-c:v", "ffv1", "-g", "1"])
            .args(["-color_range", "tv", "-timecode", "10:00:00:00"])
            .arg(path)
            .stdin(Stdio::piped())
            .spawn()
            .expect("ffmpeg was there a moment ago");
        let mut dice = Dice::new(self.seed);
        let mut pipe = ffmpeg.stdin.take().expect("it is piped");
        let mut bytes = Vec::new();
        for frame in 0..FRAMES {
            bytes.clear();
            self.paint(frame, &mut dice, &mut bytes);
            pipe.write_all(&bytes).expect("ffmpeg reads");
        }
        drop(pipe);
        ffmpeg.wait().expect("it ends").success()
    }
}

/// The shot in a cut, with a log.
pub struct Show {
    pub shot: Painted,
    folder: tempfile::TempDir,
}

impl Show {
    /// Writes everything; `None` without the `ffmpeg` program.
    pub fn made(shot: Painted) -> Option<Show> {
        let folder = tempfile::tempdir().expect("a folder");
        let media = folder.path().join("media");
        std::fs::create_dir(&media).expect("a folder");
        if !shot.write(&media.join("A001C001.mkv")) {
            return None;
        }
        let start = 36_000 * 24;
        let clip = Clip {
            name: "A001C001",
            url: "media/A001C001.mkv".into(),
            rate: "24.0",
            start: start + USED.0,
            frames: USED.1 - USED.0,
            available: Some((start, FRAMES)),
            speed: None,
            images: None,
            metadata: serde_json::json!({}),
        };
        std::fs::write(folder.path().join("cut.otio"), cut_json("cut", &[clip])).expect("a cut");
        let log = format!(
            "clip,plates,boom\nA001C001,#{}-#{},#{}-#{}\n",
            PLATE.0, PLATE.1, BOOM.0, BOOM.1
        );
        std::fs::write(folder.path().join("log.csv"), log).expect("a log");
        Some(Show { shot, folder })
    }

    /// Runs a turnover and returns its one use.
    pub fn turnover(&self) -> serde_json::Value {
        let at = |name: &str| self.folder.path().join(name);
        let done = Command::new(env!("CARGO_BIN_EXE_platesmith"))
            .arg("turnover")
            .arg(at("cut.otio"))
            .arg("--log")
            .arg(at("log.csv"))
            .arg("--media")
            .arg(at("media"))
            .arg("-o")
            .arg(at("out"))
            .output()
            .expect("it runs");
        let err = String::from_utf8_lossy(&done.stderr).into_owned();
        let text =
            std::fs::read_to_string(at("out/findings.json")).unwrap_or_else(|_| panic!("{err}"));
        let findings: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(findings["faults"], serde_json::json!([]), "{err}");
        findings["uses"][0].clone()
    }

    fn plate(&self, found: &serde_json::Value) -> std::path::PathBuf {
        self.folder.path().join("out").join(found["plate"]["file"].as_str().expect("a plate"))
    }

    pub fn plate_bytes(&self, found: &serde_json::Value) -> Vec<u8> {
        std::fs::read(self.plate(found)).expect("a file")
    }

    /// Every plate frame under the whole boom: which take frame it is laid under, and its
    /// codes.
    pub fn plate_frames(&self) -> Vec<(i64, [Vec<f32>; 3])> {
        let text = std::fs::read_to_string(self.folder.path().join("out/findings.json"));
        let findings: serde_json::Value =
            serde_json::from_str(&text.expect("there")).expect("JSON");
        let found = &findings["uses"][0];
        let first = found["need_in_file"][0].as_i64().expect("a frame");
        let media = open(&self.plate(found)).expect("a plate");
        let count = media.info().frames as i64;
        let mut frames = media.frames(FrameRange::new(0, count)).expect("frames");
        let mut all = Vec::new();
        while let Some(read) = frames.next_frame() {
            let (k, picture) = read.expect("a frame");
            let frame = first + k.0;
            if (BOOM.0 + 4..BOOM.1 - 4).contains(&frame) {
                all.push((frame, [0, 1, 2].map(|component| codes(&picture, component))));
            }
        }
        all
    }
}

impl Show {
    /// How far plate frames lie from the take, in pixels: root of the mean square of both
    /// axes, and the most. By least squares on the slopes of the truth in the upper left of
    /// the frame, boom and all round it: under the boom alone grain makes .015 px rms of
    /// nothing.
    pub fn misregistration(&self) -> (f64, f64) {
        let (mut squares, mut most, mut count) = (0.0, 0.0_f64, 0.0);
        for (frame, plate) in self.plate_frames() {
            let truth = self.shot.truth(frame, 0);
            let mut a = [0.0; 5];
            let near = |at: usize| (40..300).contains(&(at % WIDTH)) && at / WIDTH < 105;
            for at in (WIDTH..truth.len()).filter(|at| near(*at)) {
                let across = (truth[at + 1] - truth[at - 1]) / 2.0;
                let down = (truth[at + WIDTH] - truth[at - WIDTH]) / 2.0;
                let off = f64::from(plate[0][at]) - truth[at];
                let terms = [across * across, across * down, down * down, across * off, down * off];
                a.iter_mut().zip(terms).for_each(|(sum, term)| *sum += term);
            }
            let by = a[0] * a[2] - a[1] * a[1];
            let x = (a[3] * a[2] - a[4] * a[1]) / by;
            let y = (a[4] * a[0] - a[3] * a[1]) / by;
            (squares, count) = (squares + x * x + y * y, count + 1.0);
            most = most.max(x.hypot(y));
        }
        ((squares / count).sqrt(), most)
    }
}

fn codes(picture: &Picture, component: usize) -> Vec<f32> {
    let (width, height, _) = picture.component_size(component);
    let (mut all, mut row) = (Vec::new(), Vec::new());
    for y in 0..height {
        assert!(picture.samples(component, y, 0..width, &mut row));
        all.extend_from_slice(&row);
    }
    all
}
