//! `pulls.edl` held against `pulls.csv` and read by two readers that are not ours.

use super::invented::{every_verdict, extreme, hostile, many};
use super::outside;
use platesmith::findings::{Findings, Verdict};
use platesmith::report::{edl, html, lineup, pulls};
use platesmith::settings::EdlReels;
use platesmith::time::Rate;
use std::process::Command;

fn lists(findings: &Findings) -> Vec<(String, String)> {
    let files = edl::lists(findings).expect("writes");
    files
        .into_iter()
        .map(|(name, bytes)| (name, String::from_utf8(bytes).expect("ASCII")))
        .collect()
}

fn events(text: &str) -> Vec<&str> {
    text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit())).collect()
}

fn short(mut findings: Findings) -> Findings {
    findings.settings.edl = EdlReels::Strict;
    findings
}

/// The fields a reader from outside finds: reel, source in and out, record in and out.
fn read_outside(program: &str, text: &str) -> Option<Vec<Vec<String>>> {
    let Some(python) = outside::python() else {
        outside::skipped("no Python with the timeline format's own library: EDL not read outside");
        return None;
    };
    let file = tempfile::NamedTempFile::with_suffix(".edl").expect("room");
    std::fs::write(file.path(), text).expect("written");
    let out = Command::new(python).args(["-c", program]).arg(file.path()).output().expect("runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let rows = String::from_utf8(out.stdout).expect("text");
    Some(rows.lines().map(|row| row.split('\t').map(String::from).collect()).collect())
}

/// A general-purpose EDL reader from PyPI (pycmx). It checks columns: event, reel, channels,
/// transition, four timecodes.
const PYCMX: &str = "
import pycmx, sys
edl = pycmx.parse_cmx3600(open(sys.argv[1]))
for event in edl.events:
    for e in event.edits:
        print(e.source, e.source_in, e.source_out, e.record_in, e.record_out, e.clip_name or '', sep='\\t')
";

/// The timeline format's own EDL adapter, as a second reader. It reads rates by the caller.
const OTIO: &str = "
import opentimelineio as otio, sys
cut = otio.adapters.read_from_file(sys.argv[1], 'cmx_3600', rate=24)
for clip in cut.find_clips():
    r = clip.source_range
    print(clip.media_reference.name or clip.metadata['cmx_3600']['reel'], otio.opentime.to_timecode(r.start_time, 24), otio.opentime.to_timecode(r.end_time_exclusive(), 24), sep='\\t')
";

#[test]
fn an_event_line_of_eight_letters_has_76_columns() {
    // Columns as SMPTE ST 258M lists have them: event 1-3, reel 6-13, channel 15-18,
    // transition 21-24, timecodes from 30, 42, 54 and 66 on (from the reader's source).
    let files = lists(&short(every_verdict()));
    let (_, text) = files.iter().find(|(name, _)| name == "pulls.edl").expect("is there");
    assert!(!events(text).is_empty());
    for line in events(text) {
        assert_eq!(line.len(), 76, "{line}");
        for column in [29, 41, 53, 65] {
            assert_eq!(line.as_bytes()[column + 2], b':', "{line}");
        }
        assert_eq!(&line[14..15], "V");
        assert_eq!(&line[20..21], "C");
    }
}

#[test]
fn readers_from_outside_find_the_frames_of_the_csv() {
    for findings in [every_verdict(), short(every_verdict())] {
        let csv = String::from_utf8(pulls::bytes(&findings).expect("writes")).expect("text");
        let wanted: Vec<Vec<String>> =
            csv.lines().skip(1).map(|line| line.split(',').map(String::from).collect()).collect();
        let files = lists(&findings);
        let (_, text) = &files[0];
        for program in [PYCMX, OTIO] {
            let Some(read) = read_outside(program, text) else { return };
            assert_eq!(read.len(), wanted.len(), "{text}");
            for (read, wanted) in read.iter().zip(&wanted) {
                assert_eq!(read[1..3], wanted[6..8], "source in and out of {wanted:?}");
            }
        }
        let read = read_outside(PYCMX, text).expect("as before");
        for pair in read.windows(2) {
            assert_eq!(pair[0][4], pair[1][3], "the record side is one string");
        }
    }
}

#[test]
fn long_lists_are_parted_and_shots_stay_whole() {
    let files = lists(&many(1100));
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["pulls-001.edl", "pulls-002.edl", "pulls-003.edl"]);
    let all: usize = files.iter().map(|(_, text)| events(text).len()).sum();
    assert_eq!(all, 2200, "a BG and a CP for each");
    for (name, text) in &files {
        assert!(events(text).len() <= 999, "{name}");
        assert_eq!(events(text).len() % 2, 0, "{name}: a shot is torn apart");
    }
}

#[test]
fn each_source_rate_has_a_list_of_its_own() {
    let mut findings = every_verdict();
    let ntsc = Rate::new(30000, 1001).expect("a rate");
    findings.uses[1].take_rate = Some(ntsc);
    findings.uses[1].media.iter_mut().for_each(|media| {
        media.rate = ntsc;
        media.start_timecode = Some("10:00:00;00".into());
    });
    let files = lists(&findings);
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["pulls.edl", "pulls_29.97_drop.edl"]);
    assert!(files[1].1.contains("FCM: DROP FRAME"));
    assert_eq!(events(&files[1].1).len(), 2);
}

#[test]
fn a_map_says_what_short_reels_stand_for() {
    let files = lists(&short(every_verdict()));
    let (_, map) = files.iter().find(|(name, _)| name == "pulls.reels.csv").expect("is there");
    let (_, text) = &files[0];
    for line in events(text) {
        let reel = line[5..13].trim();
        assert!(map.lines().any(|row| row.split(',').next() == Some(reel)), "{reel} in {map}");
    }
}

#[test]
fn hostile_names_stay_in_their_line() {
    for findings in [hostile(), extreme(), short(hostile())] {
        for (name, text) in lists(&findings) {
            assert!(text.is_ascii() || name.ends_with(".csv"), "{name}");
            for line in text.lines().filter(|_| name.ends_with(".edl")) {
                let known = ["TITLE:", "FCM:", "* FROM CLIP NAME:", "* LOC:", "* RETIME"];
                let is_event = line.starts_with(|c: char| c.is_ascii_digit());
                assert!(is_event || known.iter().any(|head| line.starts_with(head)), "{line}");
            }
        }
    }
}

/// Without rates nobody is told a price; with them the sums are those of the verdicts.
#[test]
fn costs_come_from_the_rates_given_and_from_nothing_else() {
    let mut findings = every_verdict();
    let page = |findings: &Findings| html::page(findings, &[]);
    findings.settings.rates.clear();
    assert!(!page(&findings).contains("At the rates given"));
    let without = sheet(&findings);
    assert!(!without.contains("cost"), "{without}");
    findings.settings.rates = [("loop".to_string(), 80.5), ("by-hand".into(), 900.0)].into();
    let of = |verdict| findings.uses.iter().filter(|found| found.verdict == verdict).count() as f64;
    let sum = of(Verdict::Loop) * 80.5 + of(Verdict::ByHand) * 900.0;
    assert!(sum > 900.0, "both are in the invented cut");
    assert!(page(&findings).contains(&format!("At the rates given: {sum:.2} EUR.")));
    let with = sheet(&findings);
    assert!(with.contains("cost, EUR") && with.contains(&format!("<v>{sum}</v>")), "{with}");
}

/// Texts and cells of `lineup.xlsx`, unpacked.
fn sheet(findings: &Findings) -> String {
    let bytes = lineup::bytes(findings, &[]).expect("written");
    let mut packed = zip::ZipArchive::new(std::io::Cursor::new(bytes)).expect("a zip file");
    let parts = ["xl/sharedStrings.xml", "xl/worksheets/sheet1.xml"];
    parts
        .map(|part| std::io::read_to_string(packed.by_name(part).expect("there")).expect("text"))
        .concat()
}
