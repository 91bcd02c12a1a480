//! From proxies to full-size pulls, on a show made on the spot. Proxies are made by `ffmpeg`:
//! its scaler and its crop say where their pictures lie.

mod little_show;
mod outside;

use little_show::{LOG, cut_json, run, used_of_take};
use serde_json::Value;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

const SIZE: (usize, usize) = (640, 360);
const FRAMES: u32 = 200;

/// A random number from two (splitmix64, Steele et al. 2014).
fn hash(a: i64, b: i64) -> f64 {
    let mut word = (a as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
        ^ (b as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
    word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (word >> 11) as f64 / (1_u64 << 53) as f64
}

/// Smooth values between random knots.
fn knots(x: f64, y: f64) -> f64 {
    let soft = |t: f64| t * t * (3.0 - 2.0 * t);
    let (fx, fy) = (soft(x - x.floor()), soft(y - y.floor()));
    let knot = |dx: i64, dy: i64| hash(x.floor() as i64 + dx, y.floor() as i64 + dy);
    let row = |dy: i64| knot(0, dy) * (1.0 - fx) + knot(1, dy) * fx;
    row(0) * (1.0 - fy) + row(1) * fy
}

fn set() -> Vec<f64> {
    let octaves = [(71.0, 90.0), (29.0, 60.0), (11.0, 40.0), (5.0, 20.0)];
    let light = |x: usize, y: usize| {
        let of = |(size, by): &(f64, f64)| by * (knots(x as f64 / size, y as f64 / size) - 0.5);
        (120.0 + octaves.iter().map(of).sum::<f64>()).clamp(8.0, 235.0)
    };
    (0..SIZE.0 * SIZE.1).map(|at| light(at % SIZE.0, at / SIZE.0)).collect()
}

/// The take of the little show at full size: a boom slides in at frame 72 and out by 192. It is
/// encoded once for all tests.
fn make_original(path: &Path) {
    static MADE: OnceLock<Vec<u8>> = OnceLock::new();
    let bytes = MADE.get_or_init(|| {
        encode_original(path);
        std::fs::read(path).expect("just written")
    });
    std::fs::write(path, bytes).expect("room");
}

fn encode_original(path: &Path) {
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "rawvideo", "-pix_fmt", "gray", "-s"])
        .arg(format!("{}x{}", SIZE.0, SIZE.1))
        .args(["-r", "24", "-i", "-", "-c:v", "prores_ks", "-profile:v", "3"])
        .args(["-pix_fmt", "yuv422p10le", "-timecode", "10:00:00:00", "-y"])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg runs");
    let set = set();
    {
        let mut pipe = ffmpeg.stdin.take().expect("it is piped");
        for frame in 0..FRAMES {
            let sliding = |frames: u32| f64::from(frames.min(4)) / 4.0;
            let deep = match frame {
                72..192 => 120.0 * sliding((frame - 71).min(192 - frame)),
                _ => 0.0,
            };
            let pixel = |at: usize| {
                let (x, y) = (at % SIZE.0, at / SIZE.0);
                let boom = (240..288).contains(&x) && (y as f64) < deep;
                let grain = 6.0 * (hash(at as i64, i64::from(frame)) - 0.5);
                (set[at] - if boom { 60.0 } else { 0.0 } + grain).round().clamp(0.0, 255.0) as u8
            };
            let picture: Vec<u8> = (0..set.len()).map(pixel).collect();
            pipe.write_all(&picture).expect("ffmpeg reads");
        }
    }
    assert!(ffmpeg.wait().expect("it ends").success());
}

struct Show {
    folder: tempfile::TempDir,
    cut: PathBuf,
    log: PathBuf,
}

/// Makes the show: proxies by a filter of `ffmpeg`, in H.264; the original among the pulls.
fn show(filter: &str) -> Option<Show> {
    if !outside::has_program("ffmpeg") {
        return None;
    }
    let folder = tempfile::tempdir().expect("a folder for the test");
    let at = |name: &str| folder.path().join(name);
    for name in ["proxies", "pulls"] {
        std::fs::create_dir(at(name)).expect("made");
    }
    make_original(&at("pulls/A001C001.mov"));
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(at("pulls/A001C001.mov"))
        .args(["-vf", filter, "-c:v", "libx264", "-crf", "16", "-pix_fmt", "yuv420p"])
        .args(["-timecode", "10:00:00:00", "-threads", "2"])
        .arg(at("proxies/A001C001_proxy.mov"))
        .status();
    assert!(made.expect("ffmpeg runs").success());
    let mut clip = used_of_take();
    clip.url = "proxies/A001C001_proxy.mov".into();
    clip.name = "A001C001_proxy";
    let (cut, log) = (at("cut.otio"), at("log.csv"));
    std::fs::write(&cut, cut_json("little show", &[clip])).expect("written");
    std::fs::write(&log, LOG).expect("written");
    Some(Show { folder, cut, log })
}

impl Show {
    fn at(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    /// Runs the turnover on proxies, then `finish`; returns the use as each found it.
    fn finished(&self) -> (Value, Value) {
        let (cut, log) = (self.cut.display().to_string(), self.log.display().to_string());
        let (proxies, out) = (self.at("proxies"), self.at("out"));
        let (code, _, err) =
            run(&["turnover", &cut, "--log", &log, "--media", &proxies, "-o", &out, "--quiet"]);
        assert!(code < 2, "{err}");
        let (code, _, err) = self.finish("final", &[]);
        assert!(code < 2, "{err}");
        (self.only_use("out"), self.only_use("final"))
    }

    fn finish(&self, into: &str, more: &[&str]) -> (i32, String, String) {
        let (out, pulls, into) = (self.at("out"), self.at("pulls"), self.at(into));
        let args = ["finish", &out, "--media", &pulls, "-o", &into, "--quiet"];
        run(&[&args, more].concat())
    }

    fn only_use(&self, out: &str) -> Value {
        self.findings(out)["uses"][0].clone()
    }

    fn findings(&self, out: &str) -> Value {
        let bytes = std::fs::read(self.folder.path().join(out).join("findings.json"));
        serde_json::from_slice(&bytes.expect("there")).expect("JSON")
    }

    /// What was asked for beyond the usual.
    fn asked(&self, out: &str) -> Vec<&'static str> {
        let settings = &self.findings(out)["settings"];
        ["verify", "look_at_all"].into_iter().filter(|key| settings[key] == true).collect()
    }
}

/// The largest distance at a corner of the proxy between a map and the true one.
fn apart(map: &Value, (scale, offset): ([f64; 2], [f64; 2]), size: (f64, f64)) -> f64 {
    let off = |axis: usize, at: f64| {
        let of = |key: &str| map["map"][key][axis].as_f64().expect("a number");
        (of("scale") - scale[axis]) * at + of("offset") - offset[axis]
    };
    let corners = [(0.0, 0.0), (size.0, 0.0), (0.0, size.1), size];
    corners.iter().map(|(x, y)| off(0, *x).hypot(off(1, *y))).fold(0.0, f64::max)
}

#[test]
fn a_cropped_proxy_with_a_burn_in_is_finished_on_the_original() {
    let burn_in = "drawbox=x=180:y=140:w=60:h=10:color=white:t=fill";
    let filter = format!("crop=576:324:40:20,scale=288:162,{burn_in},eq=gamma=1.3:contrast=1.1");
    let Some(show) = show(&filter) else { return };
    let (before, after) = show.finished();
    assert_eq!((&before["picture"], &after["picture"]), (&"proxy".into(), &"original".into()));
    assert!(before["picture_map"].is_null());
    let file = before["plate"]["file"].as_str().expect("a plate");
    assert!(file.starts_with("preview/"), "{file}");
    let file = after["plate"]["file"].as_str().expect("a plate");
    assert!(file.starts_with("plates/"), "{after:#}");
    let found = apart(&after["picture_map"], ([2.0, 2.0], [40.0, 20.0]), (288.0, 162.0));
    assert!(found < 0.1, "{found} px: {:#}", after["picture_map"]);
    assert_eq!(after["media"]["width"], 640);
    assert_eq!(after["shot"], before["shot"]);
    for key in ["matte", "temp_comp"] {
        let file = after[key].as_str().unwrap_or_else(|| panic!("no {key}: {after:#}"));
        assert!(show.folder.path().join("final").join(file).exists());
    }
    // The cut comes back with marks, without any trace of the first turnover's plates.
    let annotated = std::fs::read_to_string(show.at("final/annotated.otio")).expect("there");
    assert!(!annotated.contains("preview/"), "{annotated}");
    // The same again gives the same.
    let (code, _, err) = show.finish("again", &[]);
    assert!(code < 2, "{err}");
    assert_eq!(show.only_use("again"), after);
}

#[test]
fn a_letterboxed_desqueezed_proxy_is_found_where_it_lies() {
    let Some(show) = show("scale=320:120,pad=320:180:0:30") else { return };
    let (_, after) = show.finished();
    let found = apart(&after["picture_map"], ([2.0, 3.0], [0.0, -90.0]), (320.0, 180.0));
    assert!(found < 0.1, "{found} px: {:#}", after["picture_map"]);
}

#[test]
fn a_pull_of_other_frames_is_said_and_a_missing_one_keeps_its_verdict() {
    let Some(show) = show("scale=320:180") else { return };
    let pull = show.folder.path().join("pulls/A001C001.mov");
    let turned = show.folder.path().join("turned.mov");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(&pull)
        .args(["-vf", "hflip", "-c:v", "prores_ks", "-timecode", "10:00:00:00"])
        .arg(&turned)
        .status();
    assert!(made.expect("ffmpeg runs").success());
    let kept = show.folder.path().join("kept.mov");
    std::fs::rename(&pull, &kept).expect("moved");
    std::fs::rename(&turned, &pull).expect("moved");
    let (before, after) = show.finished();
    let codes: Vec<&Value> =
        after["reasons"].as_array().expect("a list").iter().map(|one| &one["code"]).collect();
    assert!(codes.contains(&&Value::from("start-timecode-disagrees")), "{after:#}");
    assert!(after["picture_map"].is_null());
    std::fs::remove_file(&pull).expect("removed");
    let (code, _, err) = show.finish("none", &["--verify", "--all"]);
    assert!(code < 2, "{err}");
    let none = show.only_use("none");
    assert!(show.asked("final").is_empty());
    assert_eq!(show.asked("none"), ["verify", "look_at_all"]);
    assert_eq!((&none["verdict"], &none["picture"]), (&before["verdict"], &"proxy".into()));
    assert!(none["plate"]["file"].is_null() && none["matte"].is_null());
}

#[test]
fn a_folder_without_a_turnover_is_an_error() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name).display().to_string();
    std::fs::create_dir(at("pulls")).expect("made");
    let (code, _, err) = run(&["finish", &at(""), "--media", &at("pulls"), "-o", &at("final")]);
    assert_eq!(code, 2);
    assert!(err.contains("findings.json") && err.contains("turnover"), "{err}");
    assert!(!Path::new(&at("final")).exists());
}
