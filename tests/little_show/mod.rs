//! A show of one shot, made on the spot: a ProRes take with timecode, a cut that uses two
//! seconds of it, and a log that notes a head plate and the boom.
#![allow(dead_code, reason = "each test file uses a part")]

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::{Mutex, PoisonError};

/// Frames of the take.
pub const FRAMES: u32 = 200;

/// The files of a little show.
pub struct LittleShow {
    /// Holds everything; removed at the end.
    pub folder: tempfile::TempDir,
    /// The cut.
    pub cut: PathBuf,
    /// The log.
    pub log: PathBuf,
    /// The media folder.
    pub media: PathBuf,
    /// Where a turnover goes.
    pub out: PathBuf,
}

/// A clip of a cut to be written.
pub struct Clip<'a> {
    /// Clip and media name.
    pub name: &'a str,
    /// Media URL.
    pub url: String,
    /// Rate as it is to stand in the file.
    pub rate: &'a str,
    /// First frame used, clip clock.
    pub start: i64,
    /// Frames used.
    pub frames: i64,
    /// Start and length of `available_range`, if it has one.
    pub available: Option<(i64, i64)>,
    /// Speed, if not 1.
    pub speed: Option<&'a str>,
    /// How numbered image files are named, if the media are some; `url` is their folder.
    pub images: Option<Images<'a>>,
    /// Metadata of the clip.
    pub metadata: serde_json::Value,
}

/// Names of numbered image files.
pub struct Images<'a> {
    /// What stands before the number.
    pub prefix: &'a str,
    /// What stands behind it.
    pub suffix: &'a str,
    /// Number of the first file.
    pub first: i64,
    /// Digits of a number.
    pub padding: u32,
}

/// Writes a cut of one video track.
pub fn cut_json(name: &str, clips: &[Clip<'_>]) -> String {
    let children: Vec<serde_json::Value> = clips
        .iter()
        .map(|clip| {
            let effects: Vec<serde_json::Value> = clip
                .speed
                .iter()
                .map(|speed| {
                    serde_json::json!({"OTIO_SCHEMA": "LinearTimeWarp.1", "metadata": {}, "name": "",
                        "effect_name": "LinearTimeWarp", "time_scalar": number(speed)})
                })
                .collect();
            serde_json::json!({
                "OTIO_SCHEMA": "Clip.2",
                "metadata": clip.metadata,
                "name": clip.name,
                "source_range": range(clip.rate, clip.start, clip.frames),
                "effects": effects,
                "markers": [],
                "enabled": true,
                "media_references": {"DEFAULT_MEDIA": reference(clip)},
                "active_media_reference_key": "DEFAULT_MEDIA",
            })
        })
        .collect();
    let timeline = serde_json::json!({
        "OTIO_SCHEMA": "Timeline.1",
        "metadata": {},
        "name": name,
        "global_start_time": null,
        "tracks": {
            "OTIO_SCHEMA": "Stack.1", "metadata": {}, "name": "tracks", "source_range": null,
            "effects": [], "markers": [], "enabled": true,
            "children": [{
                "OTIO_SCHEMA": "Track.1", "metadata": {}, "name": "V1", "source_range": null,
                "effects": [], "markers": [], "enabled": true, "kind": "Video",
                "children": children,
            }],
        },
    });
    format!("{timeline:#}")
}

fn range(rate: &str, start: i64, frames: i64) -> serde_json::Value {
    serde_json::json!({
        "OTIO_SCHEMA": "TimeRange.1",
        "duration": {"OTIO_SCHEMA": "RationalTime.1", "rate": number(rate), "value": frames as f64},
        "start_time": {"OTIO_SCHEMA": "RationalTime.1", "rate": number(rate), "value": start as f64},
    })
}

fn reference(clip: &Clip<'_>) -> serde_json::Value {
    let available = clip.available.map(|(start, frames)| range(clip.rate, start, frames));
    match &clip.images {
        None => serde_json::json!({
            "OTIO_SCHEMA": "ExternalReference.1",
            "metadata": {},
            "name": "",
            "available_range": available,
            "target_url": clip.url,
        }),
        Some(images) => serde_json::json!({
            "OTIO_SCHEMA": "ImageSequenceReference.1",
            "metadata": {},
            "name": "",
            "available_range": available,
            "target_url_base": clip.url,
            "name_prefix": images.prefix,
            "name_suffix": images.suffix,
            "start_frame": images.first,
            "frame_step": 1,
            "rate": number(clip.rate),
            "frame_zero_padding": images.padding,
            "missing_frame_policy": "error",
        }),
    }
}

fn number(text: &str) -> serde_json::Value {
    serde_json::from_str(text).expect("a number")
}

/// Makes the show, or says what is missing and returns `None`.
pub fn little_show() -> Option<LittleShow> {
    if !crate::outside::has_program("ffmpeg") {
        return None;
    }
    let folder = tempfile::tempdir().expect("a folder for the test");
    let media = folder.path().join("media");
    std::fs::create_dir(&media).expect("made");
    let take = media.join("A001C001.mov");
    make_take(&take, "10:00:00:00");
    let cut = folder.path().join("cut.otio");
    std::fs::write(&cut, cut_json("little show", &[used_of_take()])).expect("written");
    let log = folder.path().join("log.csv");
    std::fs::write(&log, LOG).expect("written");
    let out = folder.path().join("out");
    Some(LittleShow { cut, log, media, out, folder })
}

/// The log of the little show.
pub const LOG: &str = "scene,take,camera,roll,clip,rate,lock_off,plates,boom\n\
    12,3,A,A001,A001C001,24,10:00:00:00-10:00:08:08,10:00:00:00-10:00:01:16,10:00:03:00-10:00:08:00\n";

/// The one clip of its cut: 10:00:04:00 for two seconds.
pub fn used_of_take() -> Clip<'static> {
    Clip {
        name: "A001C001",
        url: "media/A001C001.mov".into(),
        rate: "24.0",
        start: 10 * 3600 * 24 + 96,
        frames: 48,
        available: Some((10 * 3600 * 24, i64::from(FRAMES))),
        speed: None,
        images: None,
        metadata: serde_json::json!({}),
    }
}

/// Size of the take.
pub const SIZE: (usize, usize) = (320, 180);

/// Writes a small ProRes take with the boom where the log notes it: a still set with grain,
/// into which a bar slides from above at frame 72 and out again by frame 192.
///
/// Most tests of a program want the same take: it is encoded once for all of them.
pub fn make_take(path: &Path, timecode: &str) {
    static MADE: Mutex<BTreeMap<String, Vec<u8>>> = Mutex::new(BTreeMap::new());
    // A test that failed with the lock held has left the map as it was.
    let mut made = MADE.lock().unwrap_or_else(PoisonError::into_inner);
    match made.get(timecode) {
        Some(bytes) => std::fs::write(path, bytes).expect("room"),
        None => {
            encode_take(path, timecode);
            made.insert(timecode.into(), std::fs::read(path).expect("just written"));
        }
    }
}

fn encode_take(path: &Path, timecode: &str) {
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "rawvideo", "-pix_fmt", "gray", "-s"])
        .arg(format!("{}x{}", SIZE.0, SIZE.1))
        .args(["-r", "24", "-i", "-", "-c:v", "prores_ks", "-profile:v", "0"])
        .args(["-pix_fmt", "yuv422p10le", "-timecode", timecode, "-y"])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg runs");
    {
        let mut pipe = ffmpeg.stdin.take().expect("it is piped");
        let mut seed = 7_u64;
        let set = set();
        for frame in 0..FRAMES {
            pipe.write_all(&painted(&set, frame, &mut seed)).expect("ffmpeg reads");
        }
    }
    assert!(ffmpeg.wait().expect("it ends").success());
}

/// What stands still, row by row.
fn set() -> Vec<f64> {
    let light = |at: usize| {
        let (x, y) = ((at % SIZE.0) as f64, (at / SIZE.0) as f64);
        let wave = |a: f64, b: f64, phase: f64| (a * x + b * y + phase).sin();
        120.0
            + 24.0 * wave(0.05, 0.02, 0.3)
            + 14.0 * wave(-0.13, 0.09, 1.0)
            + 9.0 * wave(0.29, 0.21, 2.0)
    };
    (0..SIZE.0 * SIZE.1).map(light).collect()
}

/// Paints one frame.
fn painted(set: &[f64], frame: u32, seed: &mut u64) -> Vec<u8> {
    let sliding = |in_or_out: u32| f64::from(in_or_out.min(4)) / 4.0;
    let deep = match frame {
        72..192 => 60.0 * sliding((frame - 71).min(192 - frame)),
        _ => 0.0,
    };
    let mut out = Vec::with_capacity(SIZE.0 * SIZE.1);
    for y in 0..SIZE.1 {
        for x in 0..SIZE.0 {
            let boom = if (120..144).contains(&x) && (y as f64) < deep { -60.0 } else { 0.0 };
            // Three uniform numbers make a bell near enough (splitmix64, Steele et al. 2014).
            let grain: f64 = (0..3).map(|_| uniform(seed) - 0.5).sum::<f64>() * 4.0;
            out.push((set[y * SIZE.0 + x] + boom + grain).round().clamp(0.0, 255.0) as u8);
        }
    }
    out
}

fn uniform(seed: &mut u64) -> f64 {
    *seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut word = *seed;
    word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (word ^ (word >> 31)) as f64 / u64::MAX as f64
}

/// Runs the program.
pub fn platesmith(args: &[&std::ffi::OsStr]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_platesmith")).args(args).output().expect("the program runs")
}

/// Runs the program and returns its exit code, standard output and standard error.
pub fn run(args: &[&str]) -> (i32, String, String) {
    let args: Vec<&std::ffi::OsStr> = args.iter().map(std::ffi::OsStr::new).collect();
    let done = platesmith(&args);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (done.status.code().unwrap_or(-1), text(&done.stdout), text(&done.stderr))
}

impl LittleShow {
    /// Runs `check --json` with more arguments; returns code, findings and messages.
    pub fn check(&self, more: &[&str]) -> (i32, serde_json::Value, String) {
        let (cut, log, media) = self.paths();
        let mut args = vec!["check", &cut, "--log", &log, "--media", &media, "--json"];
        args.extend(more);
        let (code, out, err) = run(&args);
        (code, serde_json::from_str(&out).unwrap_or_default(), err)
    }

    /// Runs `turnover` into the output folder; returns code and messages.
    pub fn turnover(&self, more: &[&str]) -> (i32, String) {
        let (cut, log, media) = self.paths();
        let out = self.out.display().to_string();
        let mut args =
            vec!["turnover", &cut, "--log", &log, "--media", &media, "-o", &out, "--quiet"];
        args.extend(more);
        let (code, _, err) = run(&args);
        (code, err)
    }

    /// Reads what a turnover found.
    pub fn findings(&self) -> serde_json::Value {
        let bytes = std::fs::read(self.out.join("findings.json")).expect("findings.json is there");
        serde_json::from_slice(&bytes).expect("findings.json is JSON")
    }

    fn paths(&self) -> (String, String, String) {
        let text = |path: &Path| path.display().to_string();
        (text(&self.cut), text(&self.log), text(&self.media))
    }
}
