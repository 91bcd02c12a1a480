//! Sound files as a plate log: real ones, ones written here, and both read by other programs.

use crate::outside;
use crate::waves;

use platesmith::platelog::{PlateKind, Point, Record, Report, read_log_bytes, read_logs};
use platesmith::settings::Settings;
use std::path::Path;
use std::process::Command;
use waves::{Sound, ixml, sync_point};

fn read(sound: &Sound, name: &str) -> Record {
    let (records, faults) = read_log_bytes(&sound.bytes(), name, &Settings::default());
    assert!(faults.is_empty(), "{faults:?}");
    let [record] = <[Record; 1]>::try_from(records).expect("one record");
    record
}

fn label(point: &Option<Point>) -> String {
    point.clone().map_or(String::new(), String::from)
}

/// Every plate: kind, range, tolerance.
fn plates(record: &Record) -> Vec<(Option<PlateKind>, String, Option<u32>)> {
    let range = |range: &Option<platesmith::platelog::PointRange>| {
        range.clone().map_or(String::new(), |range| {
            format!("{}-{}", String::from(range.start), String::from(range.end))
        })
    };
    record.plates.iter().map(|plate| (plate.kind, range(&plate.range), plate.tolerance)).collect()
}

#[test]
fn real_recordings_start_where_their_report_says() {
    // The sound report beside the files, and the list of timecodes in their README.
    let Some(folder) = outside::shared("footage/sound") else { return };
    for (name, rate, start, scene, take) in [
        ("A101_1.WAV", "24000/1001", "12:39:59:00", "A101", "1"),
        ("A101_4.WAV", "24000/1001", "12:40:15:00", "A101", "4"),
        ("Sr001-001-06_01.WAV", "25", "13:36:06:04", "001", "06"),
        ("Scene_1_2AG-T001_Tr1.WAV", "25", "22:40:10:00", "Scene_1_2AG", "001"),
    ] {
        let (records, faults) = read_logs(&[folder.join(name)], &Settings::default());
        assert!(faults.is_empty(), "{name}: {faults:?}");
        let record = &records[0];
        assert_eq!(label(&record.start), start, "{name}");
        assert_eq!(record.rate.map(|rate| rate.to_string()).as_deref(), Some(rate), "{name}");
        assert_eq!((record.scene.as_deref(), record.take.as_deref()), (Some(scene), Some(take)));
        assert!(!record.lists(), "{name} marks no plate");
    }
    let (records, faults) = read_logs(&[folder.join("umid.wav")], &Settings::default());
    assert_eq!((records.len(), faults.len()), (1, 0), "{faults:?}");
    assert_eq!(records[0].start, None, "no rate is known");
}

#[test]
fn a_whole_folder_is_read_and_its_report_agrees() {
    let Some(folder) = outside::shared("footage/sound") else { return };
    let (records, faults) = read_logs(&[folder], &Settings::default());
    assert!(faults.is_empty(), "{faults:?}");
    let of = |scene: &str, take: &str| {
        let same = |record: &&Record| {
            record.scene.as_deref() == Some(scene)
                && record.take.as_deref().map(platesmith::platelog::take_key)
                    == Some(platesmith::platelog::take_key(take))
        };
        records.iter().filter(same).collect::<Vec<_>>()
    };
    for (scene, take, start) in [("A101", "1", "12:39:59:00"), ("001", "6", "13:36:06:04")] {
        let found = of(scene, take);
        assert_eq!(found.len(), 1, "{scene} {take}");
        assert_eq!(label(&found[0].start), start);
        assert!(found[0].place().contains("sound_report.csv"), "{}", found[0].place());
        assert!(found[0].place().contains(".WAV"), "{}", found[0].place());
    }
    assert_eq!(label(&of("2C", "1")[0].start), "13:37:30:07", "from the report alone");
}

#[test]
fn marks_become_claims_with_the_tolerance_of_a_hand() {
    let head = Some(PlateKind::Head);
    let second = 48_000;
    let points = format!(
        "<SYNC_POINT_LIST>{}</SYNC_POINT_LIST>",
        sync_point("PLATE HEAD", 2 * second, 3 * second)
    );
    let wanted = [(head, "10:00:02:00-10:00:05:00".to_string(), Some(50))];
    assert_eq!(plates(&read(&Sound::take("12", "3", &points), "T3.WAV")), wanted);

    let cues = [(96_000, "PLATE HEAD in", 0), (240_000, "PLATE HEAD out", 0)];
    assert_eq!(plates(&read(&Sound::take("12", "3", "").with_cues(&cues), "T3.WAV")), wanted);

    let region = Sound::take("12", "3", "").with_cues(&[(96_000, "head PL", 144_000)]);
    assert_eq!(plates(&read(&region, "T3.WAV")), wanted);

    let numbered = [(96_000, "01", 0), (240_000, "02", 0)];
    let noted = Sound::take("12", "3", "<NOTE>head PL</NOTE>").with_cues(&numbered);
    let record = read(&noted, "T3.WAV");
    assert_eq!(plates(&record), wanted);
    let origin = record.origin.get("plates").map(|place| &**place);
    assert_eq!(origin, Some("T3.WAV, cue points in pairs"));

    let note = "<NOTE>PLATE HEAD 10:00:02:00-10:00:05:00</NOTE>";
    assert_eq!(plates(&read(&Sound::take("12", "3", note), "T3.WAV")), wanted);

    let take = read(&Sound::take("12", "3PL", ""), "T3.WAV");
    assert_eq!(plates(&take), [(None, "10:00:00:00-10:00:10:00".to_string(), Some(50))]);
    let wild = Sound::take("12", "3", "<NOTE>head PL</NOTE><TAKE_TYPE>WILD_TRACK</TAKE_TYPE>");
    assert_eq!(plates(&read(&wild, "T3.WAV")), [], "a wild track has no picture");
}

#[test]
fn pre_record_is_counted_and_names_come_from_the_description_where_there_is_no_ixml() {
    // Ten seconds before the button was pressed, as a real recorder writes them.
    let points = format!(
        "<PRE_RECORD_SAMPLECOUNT>480000</PRE_RECORD_SAMPLECOUNT><SYNC_POINT_LIST>{}{}</SYNC_POINT_LIST>",
        sync_point("REC-START", 480_000, 0).replace("MARKER_GENERIC", "PRE_RECORD_SAMPLECOUNT"),
        sync_point("plate tail", 576_000, 48_000)
    );
    let sound = Sound { samples: 960_000, ..Sound::take("12", "3", &points) };
    let wanted = [(Some(PlateKind::Tail), "10:00:12:00-10:00:13:00".to_string(), Some(50))];
    assert_eq!(plates(&read(&sound, "T3.WAV")), wanted);

    let described = Sound {
        since_midnight: 2_190_940_753,
        description: "sSPEED=023.976-ND\r\nsSCENE=12A\r\nsTAKE=03\r\nsNOTE=3s head PL\r\n".into(),
        ..Sound::default()
    };
    let record = read(&described, "T3.WAV");
    assert_eq!(label(&record.start), "12:39:59:00");
    assert_eq!((record.scene.as_deref(), record.plates[0].seconds), (Some("12A"), Some(3.0)));
}

#[test]
fn the_files_of_one_take_are_one_record_with_each_mark_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let family = "<FILE_SET><FAMILY_UID>F1</FAMILY_UID></FILE_SET>";
    for track in 1..=4 {
        let sound = Sound::take("12", "3", family).with_cues(&[(96_000, "PLATE", 144_000)]);
        let path = folder.path().join(format!("12T3_{track}.WAV"));
        std::fs::write(path, sound.bytes()).expect("written");
    }
    std::fs::write(folder.path().join("._12T3_1.WAV"), "a shadow").expect("written");
    std::fs::write(folder.path().join("notes.csv"), "lunch,soup\n1,2\n").expect("written");
    let (records, faults) = read_logs(&[folder.path().to_path_buf()], &Settings::default());
    assert!(faults.is_empty(), "{faults:?}");
    assert_eq!((records.len(), records[0].plates.len()), (1, 1));
    assert_eq!(records[0].report, Some(Report::Sound));
}

#[test]
fn a_mark_joins_the_records_of_every_camera_that_rolled() {
    let folder = tempfile::tempdir().expect("a folder");
    let log = "scene,take,camera,clip,rate,start,end\n\
               12,3,A,A001C003,25,09:59:58:00,10:01:00:00\n\
               12,3,B,B001C003,25,10:00:01:00,10:01:00:00\n\
               12,4,A,A001C004,25,11:00:00:00,11:01:00:00\n";
    let (log_path, sound_path) = (folder.path().join("log.csv"), folder.path().join("T3.WAV"));
    std::fs::write(&log_path, log).expect("written");
    let sound = Sound::take("12", "03", "").with_cues(&[(96_000, "PLATE HEAD", 144_000)]);
    std::fs::write(&sound_path, sound.bytes()).expect("written");
    let (records, faults) = read_logs(&[log_path, sound_path], &Settings::default());
    assert!(faults.is_empty(), "{faults:?}");
    let counts: Vec<usize> = records.iter().map(|record| record.plates.len()).collect();
    assert_eq!(counts, [1, 1, 0]);
    assert!(records.iter().all(|record| record.report.is_none() && record.roll.is_none()));
}

/// Files that other programs read, too.
fn written(folder: &Path) -> Vec<(std::path::PathBuf, Sound)> {
    let marks = [(96_000u32, "PLATE IN", 0), (240_000, "PLATE OUT", 0), (300_000, "PL", 4_800)];
    let mut files = Vec::new();
    for (name, form, bext, start) in [
        ("riff_v0.wav", b"RIFF", 0, 1_728_000_000u64),
        ("riff_v2.wav", b"RIFF", 2, 4_294_967_295),
        ("rf64_v1.wav", b"RF64", 1, 5_000_000_000),
        ("bw64_v2.wav", b"BW64", 2, 36_000 * 48_000),
    ] {
        let mut sound = Sound { bext: Some(bext), form: *form, ..Sound::take("12", "3", "") };
        sound.since_midnight = start;
        sound.description = "sSCENE=12\r\nsTAKE=3\r\n".into();
        let sound = sound.with_cues(&marks);
        let path = folder.join(name);
        std::fs::write(&path, sound.bytes()).expect("written");
        files.push((path, sound));
    }
    files
}

#[test]
fn our_fixtures_are_what_ffprobe_takes_them_for() {
    if !outside::has_program("ffprobe") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (path, sound) in written(folder.path()) {
        // FFmpeg knows no BW64 before its version 7.
        if sound.form == *b"BW64" {
            continue;
        }
        let run = Command::new("ffprobe")
            .args(["-v", "error", "-of", "json", "-show_format", "-show_chapters"])
            .arg(&path)
            .output()
            .expect("ffprobe answered before");
        let said: serde_json::Value = serde_json::from_slice(&run.stdout).expect("JSON");
        let reference = said["format"]["tags"]["time_reference"].as_str().expect("a reference");
        assert_eq!(reference, sound.since_midnight.to_string(), "{}", path.display());
        let starts: Vec<&str> = said["chapters"]
            .as_array()
            .expect("chapters")
            .iter()
            .filter_map(|chapter| chapter["start_time"].as_str())
            .collect();
        assert_eq!(starts, ["2.000000", "5.000000", "6.250000"], "{}", path.display());
        let record = read(&sound, "T3.WAV");
        assert_eq!(record.plates.len(), 2, "a pair and a region");
    }
}

#[test]
fn a_general_reader_of_broadcast_wave_finds_what_we_find() {
    // wavinfo, a reader of broadcast wave files for Python. It reads regions shorter than
    // 65,536 samples alone.
    let Some(python) = outside::python_with("wavinfo") else { return };
    let program = "import json, sys, wavinfo\n\
        out = []\n\
        for path in sys.argv[1:]:\n\
        \x20   w = wavinfo.WavInfoReader(path)\n\
        \x20   out.append([w.bext.time_reference if w.bext else None,\n\
        \x20       w.ixml.scene if w.ixml else None, w.ixml.take if w.ixml else None,\n\
        \x20       sorted([c[1] for c in w.cues.each_cue()]) if w.cues else []])\n\
        print(json.dumps(out))";
    let folder = tempfile::tempdir().expect("a folder");
    let files = written(folder.path());
    let mut paths: Vec<std::path::PathBuf> = files.iter().map(|(path, _)| path.clone()).collect();
    let real = outside::shared("footage/sound");
    paths.extend(real.iter().flat_map(|folder| {
        ["A101_1.WAV", "A101_4.WAV", "Sr001-001-06_01.WAV", "Scene_1_2AG-T001_Tr1.WAV"]
            .map(|name| folder.join(name))
    }));
    let run = Command::new(python).args(["-c", program]).args(&paths).output().expect("it runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    type Theirs = (Option<u64>, Option<String>, Option<String>, Vec<u64>);
    let theirs: Vec<Theirs> = serde_json::from_slice(&run.stdout).expect("JSON");
    for (path, (reference, scene, take, cues)) in paths.iter().zip(theirs) {
        let (records, faults) = read_logs(std::slice::from_ref(path), &Settings::default());
        assert!(faults.is_empty(), "{faults:?}");
        let record = &records[0];
        assert_eq!((&record.scene, &record.take), (&scene, &take), "{}", path.display());
        // Whole frames from samples, by arithmetic on what the other reader found.
        let rate = record.rate.expect("a rate");
        let frames = u128::from(reference.expect("a reference")) * u128::from(rate.num())
            / (u128::from(rate.den()) * 48_000);
        let counting = platesmith::time::Counting::new(rate, false);
        let theirs = counting.label(platesmith::time::Frame(frames as i64));
        assert_eq!(label(&record.start), theirs, "{}", path.display());
        if path.starts_with(folder.path()) {
            assert_eq!(cues, [96_000, 240_000, 300_000], "{}", path.display());
        }
    }
}

#[test]
fn other_dress_of_ixml_changes_nothing() {
    let plain = ixml("<SCENE>12</SCENE><TAKE>3</TAKE><NOTE>head PL, caf\u{e9}</NOTE>");
    let text = String::from_utf8(plain.clone()).expect("text");
    let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let latin = text.replace("UTF-8", "ISO-8859-1").chars().map(|l| l as u8).collect::<Vec<u8>>();
    let padded = [plain.as_slice(), &[b' '; 333]].concat();
    let marked = [b"\xEF\xBB\xBF".as_slice(), &plain, &[0; 7]].concat();
    let wanted = read(&Sound { ixml: plain, ..Sound::default() }, "T3.WAV");
    assert_eq!(wanted.remarks.as_deref(), Some("head PL, caf\u{e9}"));
    for ixml in [[b"\xFF\xFE".as_slice(), &wide].concat(), wide, latin, padded, marked] {
        assert_eq!(read(&Sound { ixml, ..Sound::default() }, "T3.WAV"), wanted);
    }
}
