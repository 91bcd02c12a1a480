//! A boom drawn into a real take that has none: the take itself is then the truth under it.
//! The `ffmpeg` program reads the take and writes the other one, without loss.
#![allow(dead_code, reason = "each test file uses a part")]

use crate::little_show::{Clip, cut_json};
use crate::outside;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A real take, decoded to 8-bit 4:2:0.
pub struct RealTake {
    /// Its size.
    pub size: (usize, usize),
    /// Its rate, as the program that reads it says it.
    pub rate: String,
    /// Frames of Y', Cb and Cr, without padding.
    pub frames: Vec<Vec<u8>>,
}

/// A boom: a dark rod from beyond the upper edge, with a soft edge and a soft shadow beside it.
pub struct Boom {
    /// Frames it is in, end exclusive; it slides in and out within them.
    pub frames: (i64, i64),
    /// Its tip when it is in.
    pub tip: (f64, f64),
    /// Thickness of the rod.
    pub thick: f64,
}

/// Frames the boom needs to slide in, and out.
const SLIDE: f64 = 5.0;

/// The rod's code, and what its shadow leaves of the light.
const ROD: f64 = 40.0;
const SHADOW: f64 = 0.86;

impl RealTake {
    /// Reads a take below the reference footage; `None`, said loudly, where something is missing.
    pub fn read(below: &str) -> Option<RealTake> {
        let path = outside::shared(&format!("footage/{below}"))?;
        if !outside::has_program("ffmpeg") {
            return None;
        }
        let asked = ["-v", "error", "-select_streams", "v:0", "-of", "csv=p=0"];
        let shown = ["-show_entries", "stream=width,height,r_frame_rate"];
        let told = output("ffprobe", &[&asked[..], &shown[..]].concat(), &path, &[]);
        let told = String::from_utf8(told).expect("plain text");
        let words: Vec<&str> = told.trim().split(',').collect();
        let size = (words[0].parse().expect("a width"), words[1].parse().expect("a height"));
        Some(RealTake { size, rate: words[2].into(), frames: raw(&path, size) })
    }

    /// Returns one frame with the boom in it.
    pub fn with_boom(&self, boom: &Boom, frame: i64) -> Vec<u8> {
        let mut codes = self.frames[frame as usize].clone();
        let Some(tip) = boom.tip_at(frame) else { return codes };
        let (width, height) = self.size;
        let half = (width / 2, height / 2);
        let luma = width * height;
        for (start, (width, height), by) in
            [(0, self.size, 1.0), (luma, half, 2.0), (luma + half.0 * half.1, half, 2.0)]
        {
            let (rod, shadow) = if start == 0 { (ROD, SHADOW) } else { (128.0, 1.0) };
            for at in 0..width * height {
                let place = ((at % width) as f64 + 0.5, (at / width) as f64 + 0.5);
                let (x, y) = (place.0 * by, place.1 * by);
                let shade = boom.cover((x - 16.0, y - 5.0), tip, 4.0);
                let cover = boom.cover((x, y), tip, 1.2);
                let code = &mut codes[start + at];
                let lit = f64::from(*code) * (1.0 - shade * (1.0 - shadow));
                *code = (lit + cover * (rod - lit)).round().clamp(0.0, 255.0) as u8;
            }
        }
        codes
    }

    /// Writes the take with the boom in it.
    pub fn write(&self, boom: &Boom, path: &Path) {
        let size = format!("{}x{}", self.size.0, self.size.1);
        let mut ffmpeg = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s"])
            .args([&size, "-r", &self.rate, "-i", "-", "-c:v", "ffv1", "-g", "1"])
            .arg(path)
            .stdin(Stdio::piped())
            .spawn()
            .expect("ffmpeg was there a moment ago");
        let mut pipe = ffmpeg.stdin.take().expect("it is piped");
        for frame in 0..self.frames.len() as i64 {
            pipe.write_all(&self.with_boom(boom, frame)).expect("it reads");
        }
        drop(pipe);
        assert!(ffmpeg.wait().expect("it ends").success());
    }

    /// Luma of a frame.
    pub fn luma(&self, frame: i64) -> &[u8] {
        &self.frames[frame as usize][..self.size.0 * self.size.1]
    }
}

impl Boom {
    /// Where the tip is, if any of the boom is in: it slides in and out, and the hand that holds
    /// it is never quite at rest.
    fn tip_at(&self, frame: i64) -> Option<(f64, f64)> {
        let (first, end) = self.frames;
        let since = (frame + 1 - first).min(end - frame);
        let out = (1.0 - since as f64 / SLIDE).max(0.0) * (self.tip.1 + self.thick);
        let t = frame as f64;
        let tip = (self.tip.0 + 1.5 * (t / 9.0).sin(), self.tip.1 + (t / 13.0).cos() - out);
        (since > 0).then_some(tip)
    }

    /// How much of a place the rod covers, with an edge so many pixels soft.
    fn cover(&self, (x, y): (f64, f64), tip: (f64, f64), soft: f64) -> f64 {
        // The rod runs up and to the left of its tip, twice as far up as aside.
        let (dx, dy) = (x - tip.0, y - tip.1);
        let along = ((-dx - 2.0 * dy) / 5.0_f64.sqrt()).max(0.0);
        let foot = (-along / 5.0_f64.sqrt(), -2.0 * along / 5.0_f64.sqrt());
        let off = (dx - foot.0).hypot(dy - foot.1) - self.thick / 2.0;
        0.5 * (1.0 - (off / soft).tanh())
    }
}

/// One use of a take in a cut, and what was noted of the take.
pub struct Shot<'a> {
    /// Frames of the take, file clock, end exclusive.
    pub used: (i64, i64),
    /// As the log notes them.
    pub plates: &'a str,
    pub boom: &'a str,
}

/// A little show round one take.
pub struct Show {
    pub folder: tempfile::TempDir,
    /// Handle frames each side.
    handles: u32,
}

impl Show {
    /// Writes cut and log; the take is still to be put to [`Show::take`].
    pub fn of(rate: &str, frames: i64, shot: &Shot<'_>) -> Show {
        let folder = tempfile::tempdir().expect("a folder");
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir(at("media")).expect("a folder");
        let (over, under) = rate.split_once('/').expect("a fraction");
        let number = |text: &str| text.parse::<f64>().expect("a number");
        let clip = Clip {
            name: "A001C001",
            url: "media/A001C001.mkv".into(),
            rate: &format!("{:?}", number(over) / number(under)),
            start: shot.used.0,
            frames: shot.used.1 - shot.used.0,
            available: Some((0, frames)),
            speed: None,
            images: None,
            metadata: serde_json::json!({}),
        };
        std::fs::write(at("cut.otio"), cut_json("real take", &[clip])).expect("a cut");
        let log = format!("clip,plates,boom\nA001C001,{},{}\n", shot.plates, shot.boom);
        std::fs::write(at("log.csv"), log).expect("a log");
        Show { folder, handles: 0 }
    }

    /// Asks for handles; without it there are none.
    pub fn with_handles(self, handles: u32) -> Show {
        Show { handles, ..self }
    }

    /// Where the take goes.
    pub fn take(&self) -> PathBuf {
        self.folder.path().join("media/A001C001.mkv")
    }

    /// Checks the cut and returns its one use.
    pub fn checked(&self) -> serde_json::Value {
        let done = self.run("check", &["--json"]);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        let findings: serde_json::Value =
            serde_json::from_slice(&done.stdout).unwrap_or_else(|_| panic!("{said}"));
        assert_eq!(findings["faults"], serde_json::json!([]), "{said}");
        findings["uses"][0].clone()
    }

    /// Hands the cut back and returns its one use.
    pub fn turned_over(&self) -> serde_json::Value {
        let out = self.folder.path().join("out");
        let done = self.run("turnover", &["--quiet", "-o", &out.display().to_string()]);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        let text = std::fs::read_to_string(out.join("findings.json"));
        let findings: serde_json::Value =
            serde_json::from_str(&text.unwrap_or_else(|_| panic!("{said}"))).expect("JSON");
        assert_eq!(findings["faults"], serde_json::json!([]), "{said}");
        findings["uses"][0].clone()
    }

    fn run(&self, command: &str, more: &[&str]) -> std::process::Output {
        Command::new(env!("CARGO_BIN_EXE_platesmith"))
            .current_dir(self.folder.path())
            .args([command, "cut.otio", "--log", "log.csv", "--media", "media"])
            .args(["--handles", &self.handles.to_string()])
            .args(more)
            .output()
            .expect("it runs")
    }
}

/// Tells whether a reason of some severity names a code.
pub fn says(found: &serde_json::Value, code: &str, severity: &str) -> bool {
    let reasons = found["reasons"].as_array().expect("a list");
    reasons.iter().any(|one| one["code"] == code && one["severity"] == severity)
}

/// Every frame of a file, in 8-bit 4:2:0 without padding, as `ffmpeg` decodes it.
pub fn raw(path: &Path, (width, height): (usize, usize)) -> Vec<Vec<u8>> {
    let more = ["-map", "0:V:0", "-fps_mode", "passthrough", "-pix_fmt", "yuv420p"];
    let raw = ["-f", "rawvideo", "-"];
    let bytes = output("ffmpeg", &["-v", "error", "-i"], path, &[&more[..], &raw[..]].concat());
    bytes.chunks_exact(width * height * 3 / 2).map(<[u8]>::to_vec).collect()
}

fn output(program: &str, args: &[&str], file: &Path, more: &[&str]) -> Vec<u8> {
    let done = Command::new(program).args(args).arg(file).args(more).output().expect("it runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    done.stdout
}
