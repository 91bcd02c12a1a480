//! The program on the sample show: every verdict against the table that was worked out from
//! the rules and the construction of the show, not from the program. How to renew that
//! table: see `examples/sample_show`.

mod little_show;
mod outside;

use little_show::run;
use std::collections::BTreeMap;
use std::path::PathBuf;

struct Show {
    cut: String,
    log: String,
    media: String,
    folder: PathBuf,
}

/// The sample show, if its media are rendered.
fn show() -> Option<Show> {
    let folder = outside::project().join("samples/quillhaven");
    let media = folder.join("media");
    let last = media.join("A001C001.mov");
    if !last.exists() {
        outside::not_rendered(&last);
        return None;
    }
    let text = |name: &str| folder.join(name).display().to_string();
    Some(Show { cut: text("cut.otio"), log: text("log.csv"), media: text("media"), folder })
}

/// One row of the expected table: clip name, verdicts and reason codes that must be said,
/// from the claims alone and from the pictures.
struct Expected {
    clip: String,
    claims: (String, Vec<String>),
    measured: (String, Vec<String>),
    corrections: Vec<String>,
}

fn expected(show: &Show) -> BTreeMap<String, Expected> {
    let table = std::fs::read_to_string(show.folder.join("expected/verdicts.csv")).expect("there");
    let mut rows = BTreeMap::new();
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let codes = |cell: &str| -> Vec<String> {
            cell.split('|').filter(|code| !code.is_empty()).map(String::from).collect()
        };
        let row = Expected {
            clip: cells[1].into(),
            claims: (cells[2].into(), codes(cells[3])),
            measured: (cells[4].into(), codes(cells[6])),
            corrections: codes(cells[5]),
        };
        rows.insert(cells[0].to_string(), row);
    }
    rows
}

fn codes(found: &serde_json::Value) -> Vec<&str> {
    let reasons = found["reasons"].as_array().expect("reasons").iter();
    reasons.filter_map(|reason| reason["code"].as_str()).collect()
}

#[test]
fn every_use_gets_the_verdict_that_its_claims_allow() {
    let Some(show) = show() else { return };
    let (code, out, err) = run(&["check", &show.cut, "--log", &show.log, "--no-picture", "--json"]);
    assert_eq!(code, 1, "some shots need a person, no file is at fault: {err}");
    let findings: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    let mut expected = expected(&show);
    for found in findings["uses"].as_array().expect("uses") {
        let pointer = found["pointer"].as_str().expect("a pointer");
        let wanted = expected.remove(pointer).unwrap_or_else(|| panic!("{pointer} is in no table"));
        assert_eq!(found["clip"], wanted.clip);
        let (verdict, reasons) = &wanted.claims;
        if reasons.iter().any(|code| code == "media-missing") {
            continue;
        }
        assert_eq!(found["verdict"], *verdict, "{}", wanted.clip);
        assert_eq!(found["basis"], "claim");
        let said = codes(found);
        for code in reasons {
            assert!(said.contains(&code.as_str()), "{}: {code} not in {said:?}", wanted.clip);
        }
    }
    assert!(expected.is_empty(), "uses that were not found: {:?}", expected.keys());
    for verdict in ["clear", "plate", "loop", "by-hand", "undecided", "unlisted", "covered"] {
        assert!(findings["totals"][verdict].as_u64() > Some(0), "the show holds no {verdict}");
    }
}

/// A look that is asked for in vain, as docs/limits.md says: the tip of the boom's own soft
/// shadow slides through, and is told as something that crosses the background.
const IN_VAIN: (&str, &str) = ("13-32-4", "background-moving");

/// A shot that is good as shot asks for a look only for reasons that the table lists.
fn only_expected_reasons(found: &serde_json::Value, wanted: &Expected) {
    for reason in found["reasons"].as_array().expect("reasons") {
        let code = reason["code"].as_str().expect("a code");
        let in_vain = (wanted.clip.as_str(), code) == IN_VAIN;
        let listed = in_vain || wanted.measured.1.iter().any(|listed| listed == code);
        assert!(listed || reason["severity"] == "note", "{}: {reason}", wanted.clip);
    }
}

/// Luma of one frame as 16-bit numbers, read by ffmpeg.
fn luma(file: &std::path::Path, frame: i64) -> Vec<u16> {
    let picked = format!("select=eq(n\\,{frame}),format=gray16le");
    let done = std::process::Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(["-vf", &picked, "-frames:v", "1", "-f", "rawvideo", "-"])
        .output()
        .expect("ffmpeg runs");
    assert!(done.status.success() && !done.stdout.is_empty(), "{file:?} {frame}");
    done.stdout.chunks_exact(2).map(|two| u16::from_le_bytes([two[0], two[1]])).collect()
}

/// Lossless takes: outside the matte the comp is the take, code for code; where the matte is
/// white and the patch is on in full it is the plate.
fn temp_comps_hold_take_and_plate(
    show: &Show,
    out: &std::path::Path,
    findings: &serde_json::Value,
) {
    let mut seen = 0;
    for found in findings["uses"].as_array().expect("uses") {
        let Some(temp) = found["temp_comp"].as_str() else { continue };
        let matte = out.join(found["matte"].as_str().expect("a comp has a matte"));
        assert!(matte.with_extension("json").exists() && out.join(temp).exists());
        let name = found["media"]["file"].as_str().expect("media");
        let take = std::path::Path::new(&show.media).join(name);
        let source = found["plate"]["source_file"].as_str().expect("a source");
        let source = std::path::Path::new(&show.media).join(source);
        if !temp.ends_with(".mkv") || !take.exists() {
            continue;
        }
        // A held frame is the mean of some, with grain of its own.
        if found["verdict"] == "still" {
            continue;
        }
        // A built plate has no map: its codes are those of no frame.
        let Some(map) = found["plate"]["map"].as_array() else { continue };
        let frames: Vec<i64> = map
            .iter()
            .flat_map(|run| {
                let [first, last, step] = [0, 1, 2].map(|at| run[at].as_i64().expect("a number"));
                (0..=(last - first) / step).map(move |at| first + at * step)
            })
            .collect();
        let need = found["need_in_file"][0].as_i64().expect("a frame");
        let middle = frames.len() as i64 / 2;
        let (below, above) = (luma(&take, need + middle), luma(&source, frames[middle as usize]));
        let comp = luma(&out.join(temp), middle);
        let alpha = luma(&matte, 0);
        assert_eq!(alpha.len(), comp.len());
        let mut counts = [0; 2];
        for (at, share) in alpha.iter().enumerate() {
            match *share {
                0 => {
                    assert_eq!(comp[at], below[at], "{temp} pixel {at}");
                    counts[0] += 1;
                }
                u16::MAX => {
                    assert_eq!(comp[at], above[at], "{temp} pixel {at}");
                    counts[1] += 1;
                }
                _ => {}
            }
        }
        assert!(counts.iter().all(|count| *count > 1_000), "{temp} {counts:?}");
        seen += 1;
    }
    assert!(seen > 0, "no lossless take of the show has a comp");
}

/// One turnover for all that is asked of it: every picture of the show is looked at.
#[test]
fn a_turnover_of_the_show_is_true_and_whole_and_the_library_opens_it() {
    let Some(show) = show() else { return };
    let folder = tempfile::tempdir().expect("a folder for the test");
    let out = folder.path().join("out");
    let target = out.display().to_string();
    let args = ["turnover", &show.cut, "--log", &show.log, "--media", &show.media, "-o", &target];
    // Review copies have tests of their own.
    let more = ["--with-temp", "--zero-based", "--no-review"];
    let (code, table, err) = run(&[args.as_slice(), &more].concat());
    assert_eq!(code, 1, "{err}");
    let readme = std::fs::read_to_string(outside::project().join("README.md")).expect("there");
    assert!(readme.contains(&format!("```text\n{}\n```", table.trim_end())), "{table}");
    let bytes = std::fs::read(out.join("findings.json")).expect("written");
    let findings: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
    let expected = expected(&show);
    let mut plates = 0;
    for found in findings["uses"].as_array().expect("uses") {
        let wanted = &expected[found["pointer"].as_str().expect("a pointer")];
        assert_eq!(found["verdict"], wanted.measured.0, "{}: {found:#}", wanted.clip);
        let corrections = found["corrections"].as_array().expect("a list");
        assert_eq!(*corrections, wanted.corrections, "{}", wanted.clip);
        if matches!(wanted.measured.0.as_str(), "clear" | "plate" | "loop")
            && wanted.corrections.is_empty()
        {
            only_expected_reasons(found, wanted);
        }
        let renders = matches!(
            found["verdict"].as_str(),
            Some("plate" | "loop" | "borrow" | "still" | "gather")
        );
        if !renders {
            assert!(found["plate"].is_null(), "{}", found["shot"]);
            continue;
        }
        if !found["corrections"].as_array().expect("a list").is_empty() {
            assert_eq!(found["plate"]["method"], "encode", "{} is as shot", found["shot"]);
            assert!(found["temp_comp"].is_string(), "{}", found["shot"]);
        }
        for key in ["file", "record_file"] {
            let Some(file) = found["plate"][key].as_str() else { continue };
            assert!(out.join(file).exists(), "{file}");
            plates += 1;
        }
        assert!(found["plate"]["file"].is_string(), "{} has no plate", found["shot"]);
    }
    assert!(plates >= 10, "{plates} plates");
    temp_comps_hold_take_and_plate(&show, &out, &findings);
    let Some(python) = outside::python() else { return };
    // The timeline format's own library as strict reader: one marker a shot that needs one,
    // plate clips that cover their uses.
    let script = "import sys, opentimelineio as o\n\
        t = o.adapters.read_from_file(sys.argv[1])\n\
        print(len(t.tracks.markers), sum('platesmith' in m.metadata for c in t.find_clips() for m in c.markers))\n\
        for track in t.tracks:\n\
        \x20   if 'platesmith' in track.metadata:\n\
        \x20       for clip in track.find_clips():\n\
        \x20           r = clip.range_in_parent()\n\
        \x20           print(clip.name, int(r.start_time.value), int(r.duration.value), clip.enabled)\n";
    let done = std::process::Command::new(&python)
        .args(["-c", script])
        .arg(out.join("annotated.otio"))
        .output()
        .expect("python runs");
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let marked = findings["uses"]
        .as_array()
        .expect("uses")
        .iter()
        .filter(|found| {
            !matches!(found["verdict"].as_str(), Some("clear" | "covered" | "unlisted"))
        })
        .count();
    let mut lines = said.lines();
    assert_eq!(lines.next(), Some(format!("{marked} {marked}").as_str()));
    let clips: Vec<&str> = lines.collect();
    for found in findings["uses"].as_array().expect("uses") {
        let Some(file) = found["plate"]["file"].as_str() else { continue };
        let record = found["plate"]["record_file"].as_str().unwrap_or(file);
        let name = record.trim_start_matches("plates/").split('.').next().unwrap_or_default();
        let [start, end] = [0, 1].map(|at| found["range_in_cut"][at].as_i64().expect("a frame"));
        let wanted = format!("{name} {start} {} False", end - start);
        assert!(clips.contains(&wanted.as_str()), "{wanted} not in {clips:#?}");
    }
    let names = ["annotated.otio", "annotated_zero.otio", "temp_cut.otio", "temp_cut_zero.otio"];
    let [marked, zero, temp, temp_zero] = names.map(|name| out.join(name));
    let [alone, swapped] = ["--zero", "--swapped"].map(PathBuf::from);
    let cut = &PathBuf::from(&show.cut);
    let lint = outside::project().join("tests/rules/lint.py");
    for words in [
        vec![&marked, &zero, &temp, &temp_zero],
        vec![&alone, cut, &marked, &zero],
        vec![&alone, cut, &temp, &temp_zero],
        vec![&swapped, cut, &temp],
    ] {
        let held = std::process::Command::new(&python).arg(&lint).args(words).output();
        let held = held.expect("python runs");
        assert!(held.status.success(), "{}", String::from_utf8_lossy(&held.stdout));
    }
}
