//! The main job on real pictures that may lie beside the project: camera files, trade
//! formats, shots with a boom. Copied plates are compared by `ffmpeg -f framemd5`, encoded
//! ones by PSNR of the luma that ffmpeg decodes; labels after SMPTE ST 12-1.

mod little_show;
mod outside;

use little_show::{Clip, cut_json, run};
use std::path::{Path, PathBuf};
use std::process::Command;

/// One shot over one real file.
struct Case {
    /// Below the footage folder.
    file: &'static str,
    /// Rate as a host writes it.
    rate: &'static str,
    /// Clip frame of file frame 0: its timecode as a count, or 0.
    zero: i64,
    /// File frames used: first, and how many.
    used: (i64, i64),
    /// Frames in the file.
    frames: i64,
    /// As the log notes it.
    plates: &'static str,
    /// As the log notes it.
    boom: &'static str,
    /// File frames of the plate that is to be chosen.
    plate: (i64, i64),
    /// Whether coded frames stand alone.
    copied: bool,
    /// Timecode of the plate: the take's at need's first frame.
    timecode: &'static str,
}

const HANDLES: i64 = 2;

/// Counts the frames of a non-drop label.
const fn count(base: i64, h: i64, m: i64, s: i64, f: i64) -> i64 {
    ((h * 60 + m) * 60 + s) * base + f
}

const CASES: [Case; 9] = [
    // 41 frames of plate against 218 of boom; 10 a second carries no timecode.
    Case {
        file: "boom/person_wall/take_boom.mkv",
        rate: "10.0",
        zero: 0,
        used: (41, 218),
        frames: 300,
        plates: "#0-#41|#259-#300",
        boom: "#41-#259",
        plate: (0, 41),
        copied: false,
        timecode: "",
    },
    Case {
        file: "boom/person_wall/take_boom_cam.mp4",
        rate: "10.0",
        zero: 0,
        used: (41, 218),
        frames: 300,
        plates: "#0-#41|#259-#300",
        boom: "#41-#259",
        plate: (0, 41),
        copied: false,
        timecode: "",
    },
    Case {
        file: "boom/signer_stable/take_boom_cam.mp4",
        rate: "30.0",
        zero: 0,
        used: (19, 51),
        frames: 89,
        plates: "tail #70-#89",
        boom: "#19-#70",
        plate: (70, 89),
        copied: false,
        timecode: "",
    },
    Case {
        file: "boom/tram_clouds/take_boom_cam.mp4",
        rate: "23.976",
        zero: 0,
        used: (27, 154),
        frames: 232,
        plates: "#0-#27|#181-#232",
        boom: "#27-#181",
        plate: (181, 232),
        copied: false,
        timecode: "",
    },
    // From 00:59:58;20 over the hour, where no label is dropped.
    Case {
        file: "formats/prores422hq_2997df.mov",
        rate: "29.97",
        zero: count(30, 0, 59, 58, 20) - 2 * (59 - 5),
        used: (14, 14),
        frames: 30,
        plates: "00:59:58;20-00:59:59;00",
        boom: "00:59:59;02-00:59:59;20",
        plate: (0, 10),
        copied: true,
        timecode: "00:59:59;02",
    },
    Case {
        file: "formats/prores_proxy_23976.mov",
        rate: "23.97602397602397",
        zero: count(24, 14, 3, 21, 7),
        used: (16, 24),
        frames: 48,
        plates: "14:03:21:07-14:03:21:19",
        boom: "14:03:21:19-14:03:23:07",
        plate: (0, 12),
        copied: true,
        timecode: "14:03:21:21",
    },
    Case {
        file: "formats/dnxhr_lb_23976.mxf",
        rate: "23.98",
        zero: count(24, 1, 2, 3, 4),
        used: (10, 10),
        frames: 24,
        plates: "01:02:03:04-01:02:03:12",
        boom: "01:02:03:12-01:02:04:04",
        plate: (0, 8),
        copied: true,
        timecode: "01:02:03:12",
    },
    // From 23:59:59:20 past midnight: take frames run on, labels wrap.
    Case {
        file: "formats/dnxhr_hqx_10bit_midnight.mov",
        rate: "23.976",
        zero: count(24, 23, 59, 59, 20),
        used: (7, 3),
        frames: 12,
        plates: "23:59:59:20-00:00:00:01",
        boom: "00:00:00:01-00:00:00:08",
        plate: (0, 5),
        copied: true,
        timecode: "00:00:00:01",
    },
    Case {
        file: "formats/h264_422_10bit_25.mov",
        rate: "25.0",
        zero: count(25, 10, 0, 0, 0),
        used: (12, 14),
        frames: 30,
        plates: "10:00:00:00-10:00:00:10",
        boom: "10:00:00:10-10:00:01:05",
        plate: (0, 10),
        copied: false,
        timecode: "10:00:00:10",
    },
];

/// A plate of `plate` played forward and backward, turning frames twice, over `length`.
fn forward_backward(plate: (i64, i64), length: i64) -> Vec<usize> {
    let frames = plate.1 - plate.0;
    (0..length)
        .map(|k| {
            let (pass, at) = (k / frames, k % frames);
            (plate.0 + if pass % 2 == 0 { at } else { frames - 1 - at }) as usize
        })
        .collect()
}

struct Turned {
    folder: tempfile::TempDir,
    out: PathBuf,
    finding: serde_json::Value,
}

/// Runs a turnover of one case and returns its finding.
fn turned_over(case: &Case, source: &Path, media: &Path) -> Turned {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let clip = Clip {
        name: "shot",
        url: format!("file://{}", source.display()),
        rate: case.rate,
        start: case.zero + case.used.0,
        frames: case.used.1,
        available: Some((case.zero, case.frames)),
        speed: None,
        images: None,
        metadata: serde_json::json!({}),
    };
    let cut = folder.path().join("cut.otio");
    std::fs::write(&cut, cut_json("real pictures", &[clip])).expect("written");
    let log = folder.path().join("log.csv");
    let row = format!("clip,plates,boom\nshot,{},{}\n", case.plates, case.boom);
    std::fs::write(&log, row).expect("written");
    let out = folder.path().join("out");
    // What is rendered is asked here, not what the pictures say of the claims.
    let settings = folder.path().join("settings.toml");
    std::fs::write(&settings, "measure = false\n").expect("written");
    let text = |path: &Path| path.display().to_string();
    let args = [
        "turnover",
        &text(&cut),
        "--log",
        &text(&log),
        "--media",
        &text(media),
        "-o",
        &text(&out),
        "--handles",
        "2",
        "--quiet",
        "--settings",
        &text(&settings),
    ];
    let (code, _, err) = run(&args);
    assert_eq!(code, 0, "{}: {err}", case.file);
    let again = run(&args);
    assert_eq!(again.0, 0, "{}: {}", case.file, again.2);
    let versions = std::fs::read_dir(out.join("plates")).expect("plates").count();
    assert_eq!(versions, 1, "{}: the second run changed nothing", case.file);
    let bytes = std::fs::read(out.join("findings.json")).expect("written");
    let findings: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
    Turned { folder, out, finding: findings["uses"][0].clone() }
}

#[test]
fn every_real_file_gives_the_plate_its_claims_ask_for() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    for case in &CASES {
        let Some(media) = outside::shared("footage") else { return };
        let media = media.canonicalize().expect("there");
        let source = media.join(case.file);
        let before = state(&source);
        let turned = turned_over(case, &source, &media);
        assert!(state(&source) == before, "{} was touched", case.file);
        let found = &turned.finding;
        assert_eq!(found["verdict"], "loop", "{}", case.file);
        let need = case.used.1 + 2 * HANDLES;
        let first = case.used.0 - HANDLES;
        assert_eq!(
            found["need_in_file"],
            serde_json::json!([first, first + need]),
            "{}",
            case.file
        );
        let wanted = forward_backward(case.plate, need);
        assert_eq!(expanded(&found["plate"]["map"]), wanted, "{}", case.file);
        let method = if case.copied { "copy" } else { "encode" };
        assert_eq!(found["plate"]["method"], method, "{}: {}", case.file, found["plate"]);
        let plate = turned.out.join(found["plate"]["file"].as_str().expect("a file"));
        assert_eq!(timecode(&plate), case.timecode, "{}", case.file);
        if case.copied {
            let shown = checksums(&source);
            let wanted: Vec<&String> = wanted.iter().map(|at| &shown[*at]).collect();
            assert_eq!(checksums(&plate).iter().collect::<Vec<_>>(), wanted, "{}", case.file);
        } else {
            nearest_frames(case, &source, &plate, &wanted);
        }
        same_tags(case, &source, &plate);
        drop(turned.folder);
    }
}

fn state(file: &Path) -> (u64, Option<std::time::SystemTime>) {
    let about = std::fs::metadata(file).expect("there");
    (about.len(), about.modified().ok())
}

fn expanded(map: &serde_json::Value) -> Vec<usize> {
    let mut frames = Vec::new();
    for run in map.as_array().expect("runs") {
        let [first, last, step] = [0, 1, 2].map(|at| run[at].as_i64().expect("a number"));
        let count = (last - first) / step + 1;
        frames.extend((0..count).map(|k| (first + k * step) as usize));
    }
    frames
}

fn said(program: &str, args: &[&str], file: &Path, more: &[&str]) -> Vec<u8> {
    let done = Command::new(program).args(args).arg(file).args(more).output().expect("it runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    done.stdout
}

fn timecode(file: &Path) -> String {
    let asked =
        ["-v", "error", "-show_entries", "stream_tags=timecode", "-of", "default=nw=1:nk=1"];
    let text = String::from_utf8_lossy(&said("ffprobe", &asked, file, &[])).into_owned();
    text.lines().next().unwrap_or_default().to_string()
}

fn checksums(file: &Path) -> Vec<String> {
    let text =
        said("ffmpeg", &["-v", "error", "-i"], file, &["-map", "0:v", "-f", "framemd5", "-"]);
    String::from_utf8_lossy(&text)
        .lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| Some(line.rsplit_once(',')?.1.trim().to_string()))
        .collect()
}

/// Luma of every frame as ffmpeg decodes it, 8 bit.
fn luma(file: &Path) -> Vec<Vec<u8>> {
    let size = ["-v", "error", "-select_streams", "v", "-show_entries", "stream=width,height"];
    let more = ["-of", "csv=p=0"];
    let text = said("ffprobe", &[&size[..], &more[..]].concat(), file, &[]);
    let text = String::from_utf8_lossy(&text).into_owned();
    let sides: Vec<usize> = text.trim().split(',').filter_map(|side| side.parse().ok()).collect();
    let raw = ["-map", "0:v", "-vf", "extractplanes=y,format=gray", "-f", "rawvideo", "-"];
    let bytes = said("ffmpeg", &["-v", "error", "-i"], file, &raw);
    bytes.chunks_exact(sides[0] * sides[1]).map(<[u8]>::to_vec).collect()
}

fn psnr(a: &[u8], b: &[u8]) -> f64 {
    let square = |(a, b): (&u8, &u8)| f64::from(i32::from(*a) - i32::from(*b)).powi(2);
    let mse: f64 = a.iter().zip(b).map(square).sum::<f64>() / a.len() as f64;
    10.0 * (255.0_f64.powi(2) / mse.max(1e-9)).log10()
}

/// Every plate frame is nearest to the frame that the map names, and near it.
fn nearest_frames(case: &Case, source: &Path, plate: &Path, wanted: &[usize]) {
    let (source, plate) = (luma(source), luma(plate));
    assert_eq!(plate.len(), wanted.len(), "{}", case.file);
    for (k, (frame, at)) in plate.iter().zip(wanted).enumerate() {
        let own = psnr(frame, &source[*at]);
        assert!(own > 40.0, "{}, plate frame {k}: {own:.1} dB", case.file);
        for beside in [at.wrapping_sub(1), at + 1] {
            let Some(other) = source.get(beside).filter(|other| **other != source[*at]) else {
                continue;
            };
            // Frozen coded noise leaves neighbours alike; a difference below half a code
            // rms cannot be told after encoding.
            if psnr(other, &source[*at]) < 54.0 {
                assert!(own > psnr(frame, other), "{}, plate frame {k} shows {beside}", case.file);
            }
        }
    }
}

/// Colour tags that the source tells are told by the plate.
fn same_tags(case: &Case, source: &Path, plate: &Path) {
    let tags = |file: &Path| -> Vec<String> {
        let keys = "stream=width,height,color_range,color_space,color_transfer,color_primaries,\
            sample_aspect_ratio";
        let asked =
            ["-v", "error", "-select_streams", "v", "-show_entries", keys, "-of", "default=nw=1"];
        let text = said("ffprobe", &asked, file, &[]);
        String::from_utf8_lossy(&text).lines().map(String::from).collect()
    };
    let made = tags(plate);
    for tag in tags(source) {
        let told = !tag.ends_with("unknown") && !tag.ends_with("N/A");
        assert!(!told || made.contains(&tag), "{}: {tag} became {made:?}", case.file);
    }
}

#[test]
fn image_files_are_copied_with_only_their_numbers_changed() {
    for (folder, prefix, suffix, first, padding) in
        [("stills/dpx10", "psr63.", ".dpx", 86_400, 7), ("stills/exr", "psr63.", ".exr", 1001, 4)]
    {
        let Some(stills) = outside::shared(&format!("footage/{folder}")) else { return };
        if !outside::has_program("ffmpeg") {
            return;
        }
        let here = tempfile::tempdir().expect("a folder for the test");
        let out = here.path().join("loop");
        let text = |path: &Path| path.display().to_string();
        let args = [
            "loop",
            &text(&stills),
            "--plate",
            "#1-#7",
            "--length",
            "20",
            "-o",
            &text(&out),
            "--rate",
            "24",
        ];
        let (code, _, err) = run(&args);
        assert_eq!(code, 0, "{folder}: {err}");
        let sum = |folder: &Path, name: String| checksums(&folder.join(name)).remove(0);
        for (k, at) in forward_backward((1, 7), 20).into_iter().enumerate() {
            let made = sum(&out, format!("loop.{}{suffix}", 1001 + k));
            let number = first + at;
            assert_eq!(
                made,
                sum(&stills, format!("{prefix}{number:0padding$}{suffix}")),
                "{folder} {k}"
            );
        }
    }
}
