//! The texts of the sample show: they are what its generator writes, the timeline format's
//! own library accepts the cut, and log and truth agree with how the takes are made.

mod outside;

#[path = "../examples/sample_show/script/mod.rs"]
#[allow(dead_code, reason = "the pictures use the rest")]
mod script;

use script::cut::{Item, V1};
use script::takes;
use std::path::PathBuf;
use std::process::Command;

fn show(below: &str) -> PathBuf {
    outside::project().join("samples/quillhaven").join(below)
}

fn text(below: &str) -> String {
    let path = show(below);
    std::fs::read_to_string(&path).unwrap_or_else(|io| panic!("{}: {io}", path.display()))
}

const AGAIN: &str = "run: cargo run --example sample_show -- samples/quillhaven --text-only";

#[test]
fn the_texts_are_what_the_generator_writes() {
    let (cut, rows) = script::otio::cut();
    assert!(text("cut.otio") == cut, "cut.otio differs; {AGAIN}");
    assert!(text("log.csv") == script::log::log(), "log.csv differs; {AGAIN}");
    let report = script::sound_report::report();
    assert!(text("sound/report.csv") == report, "sound/report.csv differs; {AGAIN}");
    let locked = script::excerpt::locked();
    assert!(text("three_shots.otio") == locked, "three_shots.otio differs; {AGAIN}");
    let recut = script::excerpt::recut();
    assert!(text("three_shots_v2.otio") == recut, "three_shots_v2.otio differs; {AGAIN}");
    let shots = script::sound_report::shots();
    assert!(text("shots_to_come.csv") == shots, "shots_to_come.csv differs; {AGAIN}");
    let table = script::expected::table(&rows);
    assert!(text("expected/verdicts.csv") == table, "expected/verdicts.csv differs; {AGAIN}");
}

/// Source: OpenTimelineIO, the library that defines the format. What it writes after
/// reading our cut is our cut, byte for byte, and every pointer names its clip.
#[test]
fn the_formats_own_library_reads_and_writes_the_cut_unchanged() {
    let Some(python) = outside::python() else { return };
    let check = "
import csv, json, sys
import opentimelineio as otio
cut, verdicts = sys.argv[1:]
written = open(cut, encoding='utf-8').read()
timeline = otio.adapters.read_from_file(cut)
assert otio.adapters.write_to_string(timeline, 'otio_json') == written, 'bytes differ'
assert timeline.global_start_time.to_timecode() == '01:00:00:00'
for row in csv.DictReader(open(verdicts)):
    place = json.loads(written)
    for key in row['pointer'].split('/')[1:]:
        place = place[int(key)] if isinstance(place, list) else place[key]
    assert place['OTIO_SCHEMA'] == 'Clip.2' and place['name'] == row['clip'], row
uses = [c for t in timeline.video_tracks() for c in t.find_clips() if c.enabled]
assert len(uses) == len(list(csv.DictReader(open(verdicts)))), len(uses)
";
    let run = Command::new(python)
        .args(["-c", check])
        .args([show("cut.otio"), show("expected/verdicts.csv")])
        .output()
        .expect("python runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
}

#[test]
fn every_verdict_is_expected_somewhere() {
    let (_, rows) = script::otio::cut();
    for verdict in ["clear", "plate", "loop", "by-hand", "undecided", "unlisted", "covered"] {
        let claimed = rows.iter().any(|row| row.expected.claims == verdict);
        assert!(claimed, "no use is {verdict} by its log");
    }
    for verdict in platesmith::findings::Verdict::ALL {
        let measured = rows.iter().any(|row| row.expected.measured == verdict.word());
        assert!(measured, "no use is {} by its pictures", verdict.word());
    }
    for correction in ["follow-motion", "match-light", "ease-turns", "new-grain"] {
        assert!(rows.iter().any(|row| row.expected.corrections == correction), "{correction}");
    }
}

#[test]
fn the_cut_uses_only_frames_that_exist() {
    let shots = V1.iter().flat_map(|item| match item {
        Item::Shot(shot) | Item::Disabled(shot) => vec![*shot],
        Item::Nest(_, _, _, shots) => shots.to_vec(),
        Item::Gap(_) | Item::Dissolve(..) => Vec::new(),
    });
    let second = [script::cut::V2_FIRST, script::cut::V2_SECOND];
    for shot in shots.chain(second).filter(|shot| shot.media == script::cut::Media::File) {
        let take = takes::named(shot.clip).expect("a take of the show");
        let speed = match shot.speed {
            script::cut::Speed::Normal => 1.0,
            script::cut::Speed::Warp(scalar) => scalar.abs(),
            script::cut::Speed::Freeze => 0.0,
        };
        let end = shot.start + (shot.length as f64 * speed).ceil() as i64;
        assert!(end <= take.frames as i64, "{} ends at {end} of {}", shot.name, take.frames);
    }
}

#[test]
fn no_boom_is_in_frame_in_a_true_plate() {
    for take in takes::all() {
        let spans = take.boom.map_or(&[][..], |boom| boom.spans);
        for plate in take.plates {
            assert!(plate[0] < plate[1] && plate[1] <= take.frames, "{}", take.clip);
            let meets = spans.iter().any(|span| span[0] < plate[1] && plate[0] < span[1]);
            assert!(!meets, "{}: the boom is in its plate {plate:?}", take.clip);
        }
    }
}

/// Where the show has been rendered, `ffprobe` must find what the cut and the log say.
#[test]
fn rendered_files_have_the_rate_length_and_timecode_of_the_log() {
    if !outside::has_program("ffprobe") {
        return;
    }
    for take in takes::all().iter().filter(|take| take.codec != script::Codec::Dpx) {
        let file = show("media").join(take.file);
        if !file.exists() {
            outside::not_rendered(&file);
            return;
        }
        let run = Command::new("ffprobe")
            .args(["-v", "error", "-count_packets", "-select_streams", "v:0", "-of", "csv=p=0"])
            .args(["-show_entries", "stream=width,height,r_frame_rate,nb_read_packets"])
            .arg(&file)
            .output()
            .expect("ffprobe runs");
        let found = String::from_utf8_lossy(&run.stdout);
        let rate = format!("{}/{}", take.rate.0, take.rate.1);
        let wanted = format!("{},{},{rate},{}", take.width, take.height, take.frames);
        assert_eq!(found.trim(), wanted, "{}", take.file);
        let run = Command::new("ffprobe")
            .args(["-v", "error", "-of", "csv=p=0"])
            .args(["-show_entries", "stream_tags=timecode:format_tags=timecode"])
            .arg(&file)
            .output()
            .expect("ffprobe runs");
        let found = String::from_utf8_lossy(&run.stdout);
        assert!(found.lines().any(|line| line.trim() == take.start), "{}: {found}", take.file);
    }
}
