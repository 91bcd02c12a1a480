//! `log` and `setcard`: the program itself, on logs of every kind.

use crate::outside;
use crate::waves;

use assert_cmd::Command;
use platesmith::platelog::{read_log_bytes, read_logs, write_csv, write_json};
use platesmith::settings::Settings;
use std::path::Path;
use waves::Sound;

fn program(arguments: &[&str], folder: &Path) -> (i32, String, String) {
    let run = Command::cargo_bin("platesmith")
        .expect("the program")
        .args(arguments)
        .current_dir(folder)
        .output()
        .expect("it runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (run.status.code().unwrap_or(-1), text(&run.stdout), text(&run.stderr))
}

/// A folder with a log of every kind about two takes.
fn logs() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let put = |name: &str, bytes: &[u8]| {
        std::fs::write(folder.path().join(name), bytes).expect("written");
    };
    put("camera.csv", b"CAMERA REPORT\r\rRoll;Clip;Scene;Take;Lens;Stop;FPS;TC In;TC Out;Remarks\rA001;C003;12;3;32;4;25;10:00:00:00;10:01:00:00;3s head PL, tail NG\rA001;C004;12;4;32;4;25;10:05:00:00;10:06:00:00;\r");
    put("columns.toml", b"[columns]\n\"Szene\" = \"scene\"\n\"Klappe\" = \"take\"\n\"Plate\" = \"plates\"\n\"Wetter\" = \"ignore\"\n");
    put("deutsch.csv", b"Szene\tKlappe\tWetter\tPlate\n12\t4\tSonne\thead 4s\n");
    std::fs::create_dir(folder.path().join("SOUND")).expect("made");
    let sound = Sound::take("12", "3", "").with_cues(&[(96_000, "PLATE TAIL", 48_000)]);
    put("SOUND/12T3.WAV", &sound.bytes());
    put("shots.csv", b"Scene;Setup;Cam;Length;FPS;Notes\n12;4;A;14;24;long boom\n12;5;B;90s;24;\n");
    folder
}

#[test]
fn logs_of_every_kind_become_one_and_come_back_the_same() {
    let folder = logs();
    let arguments =
        ["log", "camera.csv", "deutsch.csv", "SOUND", "--map", "columns.toml", "--to", "all.json"];
    let (code, out, err) = program(&arguments, folder.path());
    // The mixer marked a tail plate, and the camera report calls it no good.
    assert_eq!((code, out.as_str()), (2, ""), "{err}");
    assert!(err.contains("marks tails, and camera.csv, row 4"), "{err}");
    let at = |name: &str| folder.path().join(name);
    let (records, faults) = read_logs(&[at("all.json")], &Settings::default());
    assert_eq!((records.len(), faults.len()), (2, 0), "{faults:?}");
    assert_eq!(records[1].plates.len(), 1, "from the mapped columns");
    assert_eq!(program(&["log", "all.json", "--to", "all.csv"], folder.path()).0, 0);
    assert_eq!(program(&["log", "all.csv", "--to", "back.json"], folder.path()).0, 0);
    let bare = |name: &str| {
        let (records, faults) = read_logs(&[at(name)], &Settings::default());
        assert!(faults.is_empty(), "{faults:?}");
        write_csv(&records)
    };
    assert_eq!(bare("back.json"), bare("all.json"));
    // Origins have no column, and JSON keeps them.
    assert_eq!(program(&["log", "all.json", "--to", "again.json"], folder.path()).0, 0);
    let bytes = |name: &str| std::fs::read(at(name)).expect("there");
    assert_eq!(bytes("again.json"), bytes("all.json"));
    let (code, _, err) = program(&["log", "all.json", "--to", "all.csv"], folder.path());
    assert!(code == 2 && err.contains("the file exists"), "{err}");
    let (code, _, err) = program(&["log", "all.json", "--to", "all.xlsx"], folder.path());
    assert!(code == 2 && err.contains(".json or .csv"), "{err}");
}

#[test]
fn a_table_is_shown_and_json_printed() {
    let folder = logs();
    let (code, out, err) = program(&["log", "camera.csv"], folder.path());
    assert_eq!((code, err.as_str()), (0, ""));
    assert!(out.contains("A001C003") && out.contains("head 3s | tail NG"), "{out}");
    assert!(out.ends_with("2 records, 1 with plate, boom or lock-off\n"), "{out}");
    let (code, out, _) = program(&["log", "SOUND", "--json"], folder.path());
    let log: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!((code, &log["records"][0]["start"]), (0, &serde_json::json!("10:00:00:00")));
    assert_eq!(log["records"][0]["report"], "sound");
    let (code, _, err) = program(&["log", "deutsch.csv", "--map", "none.toml"], folder.path());
    assert!(code == 2 && err.contains("check the path after --map"), "{err}");
}

#[test]
fn what_log_writes_is_valid_by_its_schema() {
    // A JSON Schema checker for Python, jsonschema.
    let Some(python) = outside::python_with("jsonschema") else { return };
    let folder = logs();
    let settings = Settings::default();
    let paths = [folder.path().join("camera.csv"), folder.path().join("SOUND")];
    let mut log = write_json(&read_logs(&paths, &settings).0);
    let more = b"clip,plates,tolerance,report,unusable,region,capture,serves,boom\n\
        A1,head 3s #4-#40 +-50|take A2 roll A1|#1-#9,4,script,#1-#2 cloud,\"0,0 1,0 1,1\",10x20,all,none\n";
    let more = write_json(&read_log_bytes(more, "more.csv", &settings).0);
    for text in [&mut log, &mut more.clone()] {
        std::fs::write(folder.path().join("log.json"), text.as_bytes()).expect("written");
        let program = "import json, sys, jsonschema\n\
            schema, log = [json.load(open(p)) for p in sys.argv[1:]]\n\
            jsonschema.Draft202012Validator.check_schema(schema)\n\
            jsonschema.Draft202012Validator(schema).validate(log)";
        let run = std::process::Command::new(&python)
            .args(["-c", program])
            .arg(outside::project().join("docs/platelog.schema.json"))
            .arg(folder.path().join("log.json"))
            .output()
            .expect("it runs");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    }
}

#[test]
fn a_card_is_printed_written_and_never_replaces_a_file() {
    let folder = logs();
    let (code, out, err) = program(&["setcard", "shots.csv"], folder.path());
    assert_eq!((code, err.as_str()), (0, ""));
    // 14 s and two handles of 8 frames at 24 are 14.7 s; 90 s and handles run seven times in 15.
    assert!(out.contains("14.7 s  15 s  15 s") && out.contains("7 x"), "{out}");
    let arguments = ["setcard", "shots.csv", "--language", "de", "-o", "card.html"];
    assert_eq!(program(&arguments, folder.path()).0, 0);
    let page = std::fs::read_to_string(folder.path().join("card.html")).expect("there");
    assert!(page.contains("lang=\"de\"") && page.contains("Plate hinten"));
    let (code, _, err) = program(&arguments, folder.path());
    assert!(code == 2 && err.contains("the file exists"), "{err}");
    let (code, _, err) = program(&["setcard", "--language", "none.toml"], folder.path());
    assert!(code == 2 && err.contains("translation file"), "{err}");
}

#[test]
fn a_card_prints_on_one_sheet() {
    // A browser's own print of the page, counted by the page objects of the PDF.
    if !outside::has_program_version("chromium") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let list: String = (1..=12).map(|at| format!("12,{at},A,{at}0,24\n")).collect();
    std::fs::write(folder.path().join("shots.csv"), format!("scene,slate,cam,length,fps\n{list}"))
        .expect("written");
    for (language, list) in [("en", None), ("de", Some("shots.csv"))] {
        let mut arguments = vec!["setcard", "--force", "--language", language, "-o", "card.html"];
        arguments.extend(list);
        assert_eq!(program(&arguments, folder.path()).0, 0);
        let run = std::process::Command::new("chromium")
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"])
            .args(["--no-first-run", "--no-pdf-header-footer", "--print-to-pdf=card.pdf"])
            .arg(format!("--user-data-dir={}", folder.path().join("browser").display()))
            .arg("card.html")
            .current_dir(folder.path())
            .output()
            .expect("it answered before");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        let pdf = std::fs::read(folder.path().join("card.pdf")).expect("printed");
        let pages = String::from_utf8_lossy(&pdf).matches("/Type /Page\n").count();
        assert_eq!(pages, 1, "{language}");
    }
}
