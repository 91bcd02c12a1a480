//! What is given back, held against stored files, the documented keys, and hostile names.
//!
//! The stored files in `tests/report/expected/` are renewed with
//! `PLATESMITH_RENEW=1 cargo test --test report`; look at what changed before committing.

#[path = "report/browser.rs"]
mod browser;
#[path = "report/invented.rs"]
mod invented;
#[path = "report/lineup.rs"]
mod lineup;
#[path = "report/lists.rs"]
mod lists;
#[path = "report/seen.rs"]
mod seen;
mod outside;

use invented::{every_verdict, extreme, hostile, many};
use platesmith::findings::Findings;
use platesmith::marks::{marker_colour, marker_text};
use platesmith::report::{edl, html, json, markers, pulls, shots, table, write_all};
use std::collections::BTreeSet;
use std::path::Path;

/// Holds bytes against a stored file, or renews it.
fn expect(name: &str, bytes: &[u8]) {
    let path = outside::project().join("tests/report/expected").join(name);
    if std::env::var_os("PLATESMITH_RENEW").is_some() {
        std::fs::write(&path, bytes).expect("stored");
        return;
    }
    let stored = std::fs::read(&path).unwrap_or_default();
    let (stored, new) = (String::from_utf8_lossy(&stored), String::from_utf8_lossy(bytes));
    let differs = stored.lines().zip(new.lines()).position(|(a, b)| a != b);
    assert!(stored == new, "{name} differs from the stored file, first at line {differs:?}");
}

#[test]
fn every_output_is_as_stored() {
    let findings = every_verdict();
    expect("findings.json", &json::bytes(&findings));
    expect("report.html", html::page(&findings, &[]).as_bytes());
    expect("pulls.csv", &pulls::bytes(&findings).expect("writes"));
    for (name, bytes) in edl::lists(&findings).expect("writes") {
        expect(&name, &bytes);
    }
    expect("markers.tsv", &markers::bytes(&findings));
    expect("shots.csv", &shots::bytes(&findings, &[]).expect("writes"));
    let plain = anstream::adapter::strip_str(&table::table(&findings, 100)).to_string();
    expect("table.txt", plain.as_bytes());
}

/// Every key of an object and of all objects below it, as paths; lists add nothing.
fn keys(value: &serde_json::Value, path: &str, into: &mut BTreeSet<String>) {
    match value {
        serde_json::Value::Object(fields) => {
            for (key, value) in fields {
                let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                into.insert(path.clone());
                keys(value, &path, into);
            }
        }
        serde_json::Value::Array(items) => items.iter().for_each(|item| keys(item, path, into)),
        _ => {}
    }
}

fn written(findings: &Findings) -> serde_json::Value {
    serde_json::from_slice(&json::bytes(findings)).expect("is JSON")
}

/// The keys promised to those who read `findings.json`.
const PROMISED: &str = "schema cut cut.name cut.rate cut.frames cut.start_timecode settings totals \
    totals.uses totals.clear totals.plate totals.loop totals.borrow totals.still totals.gather \
    totals.by-hand totals.undecided totals.unlisted totals.covered uses uses.shot uses.clip \
    uses.pointer uses.range_in_cut uses.speed uses.take uses.take.scene uses.take.slate \
    uses.take.take uses.take.camera uses.take.roll uses.take.clip uses.match uses.match.clues \
    uses.match.candidates uses.media uses.media.file uses.media.rate uses.media.start_timecode \
    uses.media.width uses.media.height uses.media.encoding uses.picture uses.used_in_take \
    uses.need_in_take uses.affected_in_take uses.used_in_file uses.need_in_file uses.verdict \
    uses.corrections uses.basis uses.plate uses.plate.source_file uses.plate.from_take \
    uses.plate.range_in_take uses.plate.method uses.plate.turns uses.plate.passes uses.plate.map \
    uses.plate.eases uses.plate.file uses.matte uses.temp_comp uses.review uses.reposition \
    uses.reposition.scale uses.reposition.dx uses.reposition.dy uses.reasons uses.reasons.code \
    uses.reasons.severity uses.reasons.range_in_take uses.reasons.value uses.reasons.unit \
    uses.reasons.limit uses.reasons.text unused_records faults faults.file faults.place \
    faults.fault faults.remedy";

/// Keys written beside the promised ones.
const EXTRA: &str = "uses.picture_map uses.picture_map.map \
    uses.picture_map.map.scale uses.picture_map.map.offset uses.picture_map.likeness \
    uses.picture_map.error_px uses.take_rate uses.patched_in_take uses.claims uses.claims.take \
    uses.claims.lock_off uses.claims.plates uses.claims.boom uses.claims.unusable \
    uses.plate.encode_reason uses.plate.render_id uses.plate.notes uses.plate.record_file uses.plate.turning \
    uses.plate.turning.visibility uses.plate.turning.limit uses.plate.turning.at_rest \
    uses.plate.turning.window uses.plate.grain uses.plate.grain.averaged uses.plate.grain.level \
    uses.plate.grain.lag_1 uses.plate.grain.lag_2 unused_records.take \
    unused_records.origin unused_records.nearest uses.residuals uses.divider \
    uses.never_free uses.divider.polygon uses.divider.outlines uses.divider.clearance_px";

#[test]
fn findings_hold_the_promised_keys_and_no_unknown_ones() {
    let mut found = BTreeSet::new();
    keys(&written(&every_verdict()), "", &mut found);
    found.retain(|key| !key.starts_with("settings.") && !key.contains("plate.from_take."));
    found.retain(|key| !key.starts_with("unused_records.take."));
    let named = PROMISED.split_whitespace().chain(EXTRA.split_whitespace());
    let named: BTreeSet<String> = named.map(String::from).collect();
    assert_eq!(found, named);
}

#[test]
fn the_schema_describes_every_key_that_is_written() {
    let schema =
        std::fs::read(outside::project().join("docs/findings.schema.json")).expect("there");
    let schema: serde_json::Value = serde_json::from_slice(&schema).expect("is JSON");
    let mut described = BTreeSet::new();
    describe(&schema, &schema, "", &mut described);
    let mut found = BTreeSet::new();
    let mut findings = every_verdict();
    findings.settings.also(true, true);
    keys(&written(&findings), "", &mut found);
    assert_eq!(found, described);
}

/// Every property a schema describes, as paths.
fn describe(
    root: &serde_json::Value,
    at: &serde_json::Value,
    path: &str,
    into: &mut BTreeSet<String>,
) {
    if let Some(name) = at["$ref"].as_str().and_then(|to| to.strip_prefix("#/$defs/")) {
        describe(root, &root["$defs"][name], path, into);
    }
    for below in at["anyOf"].as_array().into_iter().flatten().chain(at.get("items")) {
        describe(root, below, path, into);
    }
    for (key, below) in at["properties"].as_object().into_iter().flatten() {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        into.insert(path.clone());
        describe(root, below, &path, into);
    }
}

/// Checked by the reference validator from PyPI (`jsonschema`), draft 2020-12.
#[test]
fn findings_satisfy_their_schema() {
    let Some(python) = outside::python_with("jsonschema") else { return };
    let folder = tempfile::tempdir().expect("made");
    let check = "import json,sys,jsonschema\n\
        schema=json.load(open(sys.argv[1],encoding='utf-8'))\n\
        jsonschema.Draft202012Validator.check_schema(schema)\n\
        for path in sys.argv[2:]:\n    \
        jsonschema.Draft202012Validator(schema).validate(json.load(open(path,encoding='utf-8')))\n";
    let schema = outside::project().join("docs/findings.schema.json");
    let run = |findings: &serde_json::Value| {
        let path = folder.path().join("findings.json");
        std::fs::write(&path, findings.to_string()).expect("written");
        let mut python = std::process::Command::new(&python);
        python.args(["-c", check]).arg(&schema).arg(path).output().expect("runs")
    };
    for findings in [every_verdict(), many(3), hostile(), extreme()] {
        let answer = run(&written(&findings));
        assert!(answer.status.success(), "{}", String::from_utf8_lossy(&answer.stderr));
    }
    for (pointer, wrong) in
        [("/uses/0/verdict", "maybe"), ("/cut/rate", "fast"), ("/uses/0/used_in_take", "1-2")]
    {
        let mut broken = written(&every_verdict());
        *broken.pointer_mut(pointer).expect("there") = wrong.into();
        assert!(!run(&broken).status.success(), "{pointer} may not be {wrong}");
    }
}

/// Elements without a closing tag: HTML Living Standard, 13.1.2 "void elements".
const VOID: [&str; 13] = [
    "area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track",
    "wbr",
];

/// Walks the tags of a page and fails on one that is not closed, or closed out of turn.
fn assert_balanced(page: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let end = rest.find('>').expect("every tag ends");
        let (tag, after) = (&rest[..end], &rest[end + 1..]);
        rest = after;
        let name = tag.trim_start_matches('/').split([' ', '\n']).next().expect("named");
        if tag.starts_with('!') || VOID.contains(&name) {
            continue;
        }
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "closed out of turn");
        } else {
            assert!(name.chars().all(|c| c.is_ascii_alphanumeric()), "a tag called {name:?}");
            open.push(name);
        }
        if name == "style" && !tag.starts_with('/') {
            rest = &rest[rest.find("</style>").expect("closed")..];
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

#[test]
fn the_page_is_well_formed_and_reaches_for_nothing() {
    for findings in [every_verdict(), many(2), hostile(), extreme()] {
        let page = html::page(&findings, &[]);
        assert_balanced(&page);
        for outside in
            ["http:", "https:", "@import", "<link", "javascript:alert", "href=\"javascript"]
        {
            assert!(!page.contains(outside), "the page holds {outside}");
        }
        let loaded = page.split("src=").skip(1);
        assert!(loaded.into_iter().all(|src| src.starts_with("\"data:image/jpeg;base64,")));
        assert_eq!(page.matches("<script").count(), 1, "a script that is not ours");
        let urls = page.split("url(").skip(1);
        assert!(urls.into_iter().all(|url| url.starts_with('#')), "a url that is no fragment");
        let ids: Vec<&str> =
            page.split(" id=\"").skip(1).filter_map(|id| id.split('"').next()).collect();
        let unique: BTreeSet<&&str> = ids.iter().collect();
        assert_eq!(unique.len(), ids.len(), "an id is there twice");
        let links = page.split("href=\"#").skip(1).filter_map(|link| link.split('"').next());
        for link in links {
            assert!(ids.contains(&link), "nothing has the id {link}");
        }
    }
}

/// Read by Python's own `html.parser`, which is no part of this project.
#[test]
fn a_reader_from_elsewhere_finds_the_same_page() {
    let Some(python) = outside::python_with("html.parser") else { return };
    let read = "import sys,html.parser as h\n\
        class P(h.HTMLParser):\n    \
        n=0;t='';on=False;lang=''\n    \
        def handle_starttag(s,tag,attrs):\n        \
        s.n+=tag=='article'; s.on=tag=='h1'; s.lang=dict(attrs).get('lang','') if tag=='html' else s.lang\n    \
        def handle_data(s,d):\n        \
        s.t+=d if s.on else ''\n    \
        def handle_endtag(s,tag):\n        \
        s.on=False\n\
        p=P();p.feed(sys.stdin.buffer.read().decode());print(p.n,p.lang,p.t)\n";
    let page = html::page(&hostile(), &[]);
    let mut child = std::process::Command::new(python)
        .args(["-c", read])
        .env("PYTHONIOENCODING", "utf-8")
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("starts");
    std::io::Write::write_all(&mut child.stdin.take().expect("piped"), page.as_bytes())
        .expect("read");
    let answer = child.wait_with_output().expect("ends");
    let answer = String::from_utf8_lossy(&answer.stdout);
    assert_eq!(answer.trim(), "6 en-GB <script>alert(1)</script>");
}

#[test]
fn no_control_character_reaches_any_output() {
    let findings = hostile();
    let lists = [
        html::page(&findings, &[]),
        String::from_utf8(markers::bytes(&findings)).expect("text"),
        String::from_utf8(pulls::bytes(&findings).expect("writes")).expect("text"),
        String::from_utf8(shots::bytes(&findings, &[]).expect("writes")).expect("text"),
        anstream::adapter::strip_str(&table::table(&findings, 80)).to_string(),
    ];
    for list in &lists {
        let wrong = list.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\t'));
        assert_eq!(wrong, None);
    }
    assert!(lists.iter().skip(1).take(3).all(|list| !list.contains("\n=") && !list.contains(",=")));
    assert!(lists[2].contains("\"'=HYPERLINK"), "{}", lists[2]);
}

#[test]
fn every_marker_is_one_line_of_ascii_and_every_row_has_five_cells() {
    for findings in [every_verdict(), hostile(), extreme()] {
        for found in &findings.uses {
            let text = marker_text(found);
            assert!(text.len() <= 80, "{text}");
            assert!(text.chars().all(|c| c == ' ' || c.is_ascii_graphic()), "{text}");
            assert!(text.contains(found.verdict.shown()), "{text}");
        }
        let list = String::from_utf8(markers::bytes(&findings)).expect("text");
        assert!(list.lines().all(|line| line.matches('\t').count() == 4));
        let marked = findings.uses.iter().filter(|f| marker_colour(f.verdict).is_some()).count();
        assert_eq!(list.lines().count(), marked + 1);
    }
}

#[test]
fn the_marker_holds_the_decisive_number() {
    let findings = every_verdict();
    let texts: Vec<String> = findings.uses.iter().take(9).map(marker_text).collect();
    assert_eq!(
        texts,
        [
            "QR_010_0010 LOOPED PLATE 41 into 234 frames, 6 passes",
            "QR_010_0020 PLATE 124 for 112 frames",
            "QR_010_0030 PLATE FROM ANOTHER TAKE 120 for 96 frames, from A014C011",
            "QR_010_0040 HELD FRAME 3 held over 64 frames",
            "QR_010_0050 BUILT PLATE for 76 frames",
            "QR_010_0060 BY HAND (VFX) camera moved 3.2 px, limit 0.5",
            "QR_010_0070 NEEDS A LOOK ambiguous record",
            "QR_010_0080 NO BOOM",
            "QR_010_0090 COVERED",
        ]
    );
}

/// The names are those of the timeline standard's own library (`MarkerColor`).
#[test]
fn marker_colours_are_names_of_the_standard() {
    let Some(python) = outside::python() else { return };
    let list = "import opentimelineio as o\n\
        print(' '.join(n for n in dir(o.schema.MarkerColor) if n.isupper()))";
    let answer = std::process::Command::new(python).args(["-c", list]).output().expect("runs");
    let names = String::from_utf8_lossy(&answer.stdout).to_string();
    for found in &every_verdict().uses {
        if let Some(colour) = marker_colour(found.verdict) {
            assert!(names.split_whitespace().any(|name| name == colour), "{colour}: {names}");
        }
    }
}

#[test]
fn the_table_keeps_to_its_width_and_counts_what_was_not_looked_at() {
    for width in [40, 60, 80, 100, 160] {
        let table =
            anstream::adapter::strip_str(&table::table(&every_verdict(), width)).to_string();
        if width >= 80 {
            let widest = table.lines().map(|line| line.chars().count()).max();
            assert!(widest <= Some(width), "{width}: {widest:?}\n{table}");
        }
        assert_eq!(table.lines().last(), Some("9 of 18 uses are in no log and were not looked at"));
        assert!(!table.contains("B007C001"), "unlisted uses are only counted");
    }
}

#[test]
fn a_page_of_five_hundred_shots_stays_small() {
    let page = html::page(&many(500), &[]);
    // Ours: 10 KB a shot, looped, is a page of 5 MB, which opens at once and can be mailed.
    assert!(page.len() < 500 * 10_000, "{} bytes", page.len());
}

#[test]
fn the_same_findings_give_the_same_bytes_and_touch_no_whole_file() {
    let folder = tempfile::tempdir().expect("made");
    let out = folder.path().join("deep/out");
    let written = write_all(&every_verdict(), &[], &out).expect("writes");
    assert_eq!(written.len(), 7);
    let times = |paths: &[std::path::PathBuf]| -> Vec<_> {
        paths.iter().map(|path| std::fs::metadata(path).and_then(|m| m.modified()).ok()).collect()
    };
    let before = times(&written);
    std::thread::sleep(std::time::Duration::from_millis(20));
    let again = write_all(&every_verdict(), &[], &out).expect("writes");
    assert_eq!(before, times(&again));
    let names: BTreeSet<_> = std::fs::read_dir(&out)
        .expect("there")
        .map(|entry| entry.expect("read").file_name().to_string_lossy().to_string())
        .collect();
    let seven = [
        "findings.json",
        "lineup.xlsx",
        "markers.tsv",
        "pulls.csv",
        "pulls.edl",
        "report.html",
        "shots.csv",
    ];
    assert_eq!(names, seven.map(String::from).into());
}

fn edit(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).expect("read");
    assert!(text.contains(from), "{text}");
    std::fs::write(path, text.replacen(from, to, 1)).expect("written");
}

#[test]
fn decisions_and_names_live_through_a_recut() {
    let folder = tempfile::tempdir().expect("made");
    let list = folder.path().join("shots.csv");
    write_all(&every_verdict(), &[], folder.path()).expect("writes");
    edit(&list, ",by-hand,,,", ",by-hand,plate it anyway,M. Invented,\"soft, dark\"");
    edit(&list, "QR_010_0010,", "QR_RENAMED,");
    let decided = std::fs::read(&list).expect("read");
    // As a review does, the findings take over the names of the earlier list.
    let renamed = |mut findings: Findings| {
        let names = shots::earlier_names(&findings.uses, &shots::read(&list).expect("reads"));
        for (found, name) in findings.uses.iter_mut().zip(names) {
            found.shot = name.unwrap_or(found.shot.clone());
        }
        findings
    };
    write_all(&renamed(every_verdict()), &[], folder.path()).expect("writes");
    assert_eq!(std::fs::read(&list).expect("read"), decided, "nothing changed, nothing is lost");

    // The shot moves to the front and loses ten frames at its head.
    let mut recut = every_verdict();
    let mut moved = recut.uses.remove(5);
    moved.pointer = "/tracks/children/0/children/99".into();
    let used = moved.used_in_take.expect("known");
    moved.used_in_take = Some((used.start.0 + 10, used.end.0).into());
    recut.uses.insert(0, moved);
    let mut recut = renamed(recut);
    write_all(&recut, &[], folder.path()).expect("writes");
    let rows = shots::read(&list).expect("reads");
    assert_eq!(rows[0].decision, "plate it anyway");
    assert_eq!(
        (rows[0].overruled_by.as_str(), rows[0].why.as_str()),
        ("M. Invented", "soft, dark")
    );
    assert!(rows.iter().any(|row| row.shot == "QR_RENAMED"));

    // The shot leaves the cut: its decision stays, without a place.
    recut.uses.remove(0);
    write_all(&recut, &[], folder.path()).expect("writes");
    let rows = shots::read(&list).expect("reads");
    let last = rows.last().expect("kept");
    assert_eq!((last.decision.as_str(), last.pointer.as_str()), ("plate it anyway", ""));
}

#[test]
fn a_broken_list_of_shots_is_never_overwritten() {
    let folder = tempfile::tempdir().expect("made");
    let list = folder.path().join("shots.csv");
    std::fs::write(&list, "my notes\nnot a list\n").expect("written");
    let faults = write_all(&every_verdict(), &[], folder.path()).expect_err("must say so");
    assert_eq!(faults.0.len(), 2, "{faults}");
    assert_eq!(std::fs::read(&list).expect("read"), b"my notes\nnot a list\n");
    assert!(folder.path().join("report.html").exists(), "what could be written is there");
}

#[test]
fn nothing_panics_at_the_ends_of_numbers() {
    for findings in [extreme(), invented::gather(Vec::new(), Vec::new())] {
        assert_balanced(&html::page(&findings, &[]));
        let _ = table::table(&findings, 0);
        let _ = (json::bytes(&findings), markers::bytes(&findings));
        pulls::bytes(&findings).expect("writes");
        shots::bytes(&findings, &[]).expect("writes");
    }
}

#[test]
fn drop_frame_and_missing_timecode_are_labelled_as_they_are() {
    use platesmith::time::{Counting, FrameRange, Rate};
    let ntsc = Rate::new(30000, 1001).expect("positive");
    let mut findings = every_verdict();
    findings.uses.truncate(1);
    let found = &mut findings.uses[0];
    let start = Counting::new(ntsc, true).frame("09:59:59;00").expect("exists").0;
    found.take_rate = Some(ntsc);
    found.need_in_file = Some(FrameRange::new(1800, 1830));
    found.need_in_take = Some(FrameRange::new(start + 1800, start + 1830));
    if let Some(media) = &mut found.media {
        media.rate = ntsc;
        media.start_timecode = Some("09:59:59;00".into());
    }
    let list = |findings: &Findings| {
        let list = String::from_utf8(pulls::bytes(findings).expect("writes")).expect("text");
        list.lines().nth(1).expect("a row").to_string()
    };
    // SMPTE ST 12-1: from 09:59:59;00, 30 labels reach 10:00:00;00 (nothing is dropped on a
    // tenth minute), 1770 more 10:00:59;00.
    assert!(list(&findings).contains(",10:00:59;00,10:01:00;02,"), "{}", list(&findings));
    let found = &mut findings.uses[0];
    found.need_in_take = found.need_in_file;
    if let Some(media) = &mut found.media {
        media.start_timecode = None;
    }
    assert!(list(&findings).contains(",#1800,#1830,1800,1830,"), "{}", list(&findings));
}

/// Counts the boxes of one class on a page and the space they take, in drawing units.
fn boxes(page: &str, class: &str) -> (usize, f64) {
    let opening = format!("<rect class=\"{class}\"");
    let widths = page.split(&opening).skip(1).map(|rest| {
        let width = rest.split("width=\"").nth(1).and_then(|rest| rest.split('"').next());
        width.and_then(|width| width.parse::<f64>().ok()).expect("has a width")
    });
    widths.fold((0, 0.0), |(count, sum), width| (count + 1, sum + width))
}

#[test]
fn thousands_of_runs_are_all_drawn_in_few_boxes() {
    let mut findings = every_verdict();
    findings.uses.truncate(1);
    let found = &mut findings.uses[0];
    found.affected_in_take.clear();
    let start = found.claims.take.expect("known").start.0;
    found.claims.take = Some((start, start + 50_000).into());
    found.claims.boom = (0..5000).map(|at| (start + at * 10, start + at * 10 + 5).into()).collect();
    let (count, width) = boxes(&html::page(&findings, &[]), "boom");
    assert!(count < 500 && width > 900.0, "{count} boxes, {width} wide");
}
