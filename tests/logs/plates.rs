//! Plate logs from outside: bad files with their exact messages, round trips, and the same
//! tables read by another program.

use crate::outside;

use platesmith::platelog::{
    Origins, PlateKind, PlateNote, Point, PointRange, Record, ServedTake, Serves, Unusable,
    read_log_bytes, read_logs, write_csv, write_json,
};
use platesmith::settings::{OutPoint, Settings};
use platesmith::time::Rate;
use proptest::prelude::*;
use std::path::PathBuf;

/// Reads a file of `tests/invalid` and gives every message as it is printed.
fn messages(name: &str) -> (Vec<Record>, String) {
    let path = outside::project().join("tests/invalid").join(name);
    let bytes = std::fs::read(path).expect("a file of this project");
    let (records, faults) = read_log_bytes(&bytes, name, &Settings::default());
    let lines = faults.iter().map(|fault| format!("error: {fault}\n  help: {}\n", fault.remedy));
    (records, lines.collect())
}

#[test]
fn bad_times_are_said_and_the_good_cells_kept() {
    let (records, said) = messages("log_times.csv");
    insta::assert_snapshot!(said, @r###"
error: log_times.csv, row 2, column "plates": "10:22:61:04" is not a timecode: seconds run 00-59
  help: correct the seconds, or delete the row if no plate was rolled
error: log_times.csv, row 3, column "plates": out point 10:17:20:00 is before in point 10:17:30:00
  help: exchange the two, or correct the out point
error: log_times.csv, row 3, column "boom": "#12" is not a range
  help: write in and out point with a hyphen between them: 10:12:08:00-10:14:02:00 or #12-#60
error: log_times.csv, row 4, column "end": end 10:20:00:00 is before start 10:30:00:00
  help: exchange the two, or correct the end
error: log_times.csv, row 4, column "plates": "heed 3s" is not a plate
  help: write a range, head or tail with its length (head 3s), take with its clip (take A014C009), NG for no good, or none
error: log_times.csv, row 4, column "boom": "10:19:00:25" is not a timecode: frames run 00-23
  help: correct the frames, or the rate
error: log_times.csv, row 5, column "plates": "09:32:50:00-09:32:58:00" lies outside the take, 10:31:00:00-10:33:00:00
  help: correct the hour or minute, or the take's start and end
error: log_times.csv, row 6, column "plates": in point and out point are both 10:35:10:00, which holds no frame
  help: write the frame after the last as out point, or set out = "inclusive" if the log notes the last good frame
"###);
    assert_eq!(records.len(), 5);
    assert!(records[0].no_boom && records[0].plates.is_empty());
    assert_eq!(records[1].plates.len(), 1, "the good plate of the cell stays");
    assert!(records[2].start.is_some() && records[2].end.is_none());
}

#[test]
fn labels_are_held_against_the_rate_or_against_any() {
    insta::assert_snapshot!(messages("log_rates.csv").1, @r###"
error: log_rates.csv, row 2, column "rate": "fast" is not a frame rate
  help: write frames a second: 24, 23.976 or 24000/1001
error: log_rates.csv, row 2, column "start": "10:12:61:00" is not a timecode: seconds run 00-59
  help: correct the seconds
error: log_rates.csv, row 3, column "start": "00:01:00;00" is not a timecode: drop-frame counting has no such label: the first 2 of each minute not divisible by ten are left out
  help: use the next label there is, 00:01:00;02
error: log_rates.csv, row 4, column "start": "10:00:00;00" is not a timecode: drop-frame timecode exists at 29.97 and 59.94 only, not at 25
  help: write a colon before the frames, or correct the rate
error: log_rates.csv, row 5, column "start": "10:00" is not a timecode: write it as HH:MM:SS:FF
  help: write HH:MM:SS:FF, or # and a file frame
"###);
}

#[test]
fn unknown_and_repeated_columns_are_said_and_the_rest_is_read() {
    let (records, said) = messages("log_columns.csv");
    insta::assert_snapshot!(said, @r###"
error: log_columns.csv, row 1, column "reel": "reel" is not a heading of a plate log
  help: rename it "roll" if that is meant, or delete the column
error: log_columns.csv, row 1, column "weather": "weather" is not a heading of a plate log
  help: delete the column, or name it as one of: id, scene, slate, take, camera, roll, clip, media, date, rate, start, end, lock_off, plates, serves, boom, region, capture, unusable, remarks, agreed_by, tolerance
error: log_columns.csv, row 1, column "Clip": the heading stands twice; the first column is read
  help: delete one of the two columns, or rename it
error: log_columns.csv, row 1, column "plate": "plate" is not a heading of a plate log
  help: rename it "plates" if that is meant, or delete the column
"###);
    assert_eq!(records[0].clip.as_deref(), Some("A014C007"));
}

#[test]
fn rows_that_describe_one_take_twice_are_said() {
    let (records, said) = messages("log_twice.csv");
    insta::assert_snapshot!(said, @r###"
error: log_twice.csv, rows 2 and 4: both describe A014C007 take 3, with different tails
  help: keep the row that agrees with the camera report
error: log_twice.csv, rows 5 and 6: both describe A014C008 take 4, with the same values
  help: delete one of the two
"###);
    assert_eq!(records.len(), 2);
}

#[test]
fn ragged_rows_are_said() {
    let (records, said) = messages("log_ragged.csv");
    insta::assert_snapshot!(said, @r###"
error: log_ragged.csv, row 4: a quotation mark opens a cell and is never closed
  help: close the quotation mark, or double it if it belongs to the text
error: log_ragged.csv, row 2: has 2 cells, but there are 3 headings
  help: look for a separator that is missing, or that should stand in quotation marks
error: log_ragged.csv, row 3: has 4 cells, but there are 3 headings
  help: look for a separator that is missing, or that should stand in quotation marks
"###);
    assert_eq!(records.len(), 4);
}

#[test]
fn cells_that_cannot_be_read_are_said_with_their_value() {
    insta::assert_snapshot!(messages("log_cells.csv").1, @r###"
error: log_cells.csv, row 2, column "lock_off": "10:12:08:00" is not a range
  help: write in and out point with a hyphen between them: 10:12:08:00-10:14:02:00 or #12-#60
error: log_cells.csv, row 2, column "serves": "12/3" is not a take that is served
  help: write scene/slate/take, leaving blank what is not known (12//3), or all
error: log_cells.csv, row 2, column "region": "0.1,0 0.3,0" is not a region
  help: write three or more corners as x,y in shares of width and height: 0.1,0 0.3,0 0.3,0.4
error: log_cells.csv, row 2, column "capture": "UHD" is not a raster
  help: write width and height in pixels: 3840x2160
error: log_cells.csv, row 2, column "unusable": "cloud" is not a range
  help: write in and out point with a hyphen between them: 10:12:08:00-10:14:02:00 or #12-#60
error: log_cells.csv, row 2, column "tolerance": "two" is not a number of frames
  help: write the tolerance in whole frames: 48
"###);
}

#[test]
fn files_that_are_no_log_are_said() {
    let names = ["no_headings", "no_known_column", "empty", "headings_only", "binary", "latin1"];
    let said: String = names.iter().map(|name| messages(&format!("log_{name}.csv")).1).collect();
    insta::assert_snapshot!(said, @r###"
error: log_no_headings.csv, row 1: no heading row: the first row holds "A014C007"
  help: put a row of headings first: scene, slate, take, camera, roll, clip, plates, lock_off, boom and so on
error: log_no_known_column.csv, row 1: no column is known: the first heading is "weather"
  help: name the columns scene, slate, take, camera, roll, clip, plates, lock_off, boom and so on
error: log_empty.csv: is empty
  help: export the log again, or leave the file out
error: log_headings_only.csv, row 1: has headings but no row stands below them
  help: export the log again, or leave the file out
error: log_binary.csv, byte 7: holds binary data, not text
  help: give the log as CSV or JSON
error: log_latin1.csv, byte 25: is not UTF-8 text: byte 0xE9
  help: save the file as UTF-8, and look at the letters with accents
"###);
}

#[test]
fn a_missing_file_and_an_empty_folder_are_faults_beside_a_good_log() {
    let folder = tempfile::tempdir().expect("a folder");
    let good = folder.path().join("good.csv");
    std::fs::write(&good, "clip\nA014C007\n").expect("written");
    let empty = folder.path().join("empty");
    std::fs::create_dir(&empty).expect("made");
    let paths = [folder.path().join("none.csv"), empty, good];
    let (records, faults) = read_logs(&paths, &Settings::default());
    assert_eq!(records.len(), 1);
    assert_eq!(records[0].place(), "good.csv, row 2");
    assert!(faults[1].fault.starts_with("cannot be read"), "{faults:?}");
    assert_eq!(faults[0].fault, "holds no sound file and no log");
}

#[test]
fn two_logs_of_one_take_become_one_record_and_disagreement_names_both_files() {
    let folder = tempfile::tempdir().expect("a folder");
    let camera = folder.path().join("camera.csv");
    let script = folder.path().join("script.json");
    std::fs::write(&camera, "clip,take,rate,start,capture\nA014C007,3,24,10:12:00:00,3840x2160\n")
        .expect("written");
    let json = r#"{"schema": "platesmith.platelog/1", "records": [
        {"clip": "A014C007", "take": "03", "start": "10:13:00:00", "agreed_by": "the first AD"}]}"#;
    std::fs::write(&script, json).expect("written");
    let (records, faults) = read_logs(&[camera.clone(), script.clone()], &Settings::default());
    assert_eq!(records.len(), 1);
    assert_eq!(records[0].origin.get("capture").map(|at| &**at), Some("camera.csv, row 2"));
    assert_eq!(
        records[0].origin.get("agreed_by").map(|at| &**at),
        Some("script.json, /records/0/agreed_by")
    );
    assert_eq!(records[0].start, Some(Point::Timecode("10:12:00:00".into())));
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(faults[0].file, camera.display().to_string());
    assert_eq!(faults[0].place, format!("row 2, and {}, /records/0", script.display()));
    assert_eq!(faults[0].fault, "both describe A014C007 take 3, with different start");
}

#[test]
fn out_points_of_a_log_that_notes_the_last_good_frame_may_equal_the_in_point() {
    let inclusive = Settings { out: OutPoint::Inclusive, ..Settings::default() };
    let log = b"clip,plates\nA1,#4-#4\n";
    assert!(read_log_bytes(log, "log.csv", &inclusive).1.is_empty());
    assert_eq!(read_log_bytes(log, "log.csv", &Settings::default()).1.len(), 1);
}

/// Tables that test readers: quotation marks, separators and line ends in cells, blank
/// rows, rows that end in every way.
const TABLES: [&str; 4] = [
    "scene,clip,remarks\r\n12,A1,\"a, b\"\r\n\r\n13,A2,\"line one\nline two\"\r\n14,A3,\"say \"\"cut\"\"\"",
    "scene,clip,remarks\n12,A1,a 6\" lens\n13,A2,\"x\"y\n14,A3,\"\"\n",
    "scene,clip,remarks\r12,A1,one\r13,A2,\"two\r\nlines\"\r",
    "scene,clip,remarks\n\"12\",\"A1\",\"é, \u{2013}\"\n,A2,\n",
];

#[test]
fn tables_read_as_another_reader_reads_them() {
    // Python's csv module, as the other implementation of RFC 4180.
    let Some(python) = outside::python() else { return };
    let program = "import csv, json, sys\n\
        with open(sys.argv[1], newline='', encoding='utf-8') as f:\n\
        \x20   rows = [r for r in csv.DictReader(f)]\n\
        print(json.dumps([[(r[k] or '').strip() for k in ('scene', 'clip', 'remarks')] for r in rows]))";
    let folder = tempfile::tempdir().expect("a folder");
    for (at, table) in TABLES.iter().enumerate() {
        let path: PathBuf = folder.path().join(format!("{at}.csv"));
        std::fs::write(&path, table).expect("written");
        let run = std::process::Command::new(&python).args(["-c", program]).arg(&path).output();
        let run = run.expect("python answered before");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        let theirs: Vec<[String; 3]> = serde_json::from_slice(&run.stdout).expect("JSON");
        let (records, faults) = read_logs(&[path], &Settings::default());
        assert!(faults.is_empty(), "{faults:?}");
        let text = |part: &Option<String>| part.clone().unwrap_or_default();
        let ours: Vec<[String; 3]> =
            records.iter().map(|r| [text(&r.scene), text(&r.clip), text(&r.remarks)]).collect();
        assert_eq!(ours, theirs, "table {at}");
    }
}

#[test]
fn our_json_has_only_what_the_schema_lists() {
    let path = outside::project().join("docs/platelog.schema.json");
    let schema: serde_json::Value =
        serde_json::from_slice(&std::fs::read(path).expect("the schema")).expect("JSON");
    let record = &schema["$defs"]["Record"];
    assert_eq!(record["additionalProperties"], false);
    let listed: Vec<&str> =
        record["properties"].as_object().expect("properties").keys().map(String::as_str).collect();
    let mut ours: Vec<&str> = platesmith::platelog::KEYS.to_vec();
    ours.push("origin");
    assert_eq!(listed, ours, "the schema lists the keys in the order they are written");
    assert_eq!(schema["properties"]["schema"]["const"], platesmith::platelog::SCHEMA);
}

fn word() -> impl Strategy<Value = String> {
    // Everything a person may type into a cell, signs of our own cells included.
    proptest::string::string_regex("[A-Za-z0-9 é|/\"',;:#=\\-\n]{1,12}")
        .expect("a pattern")
        .prop_map(|text| text.trim().to_string())
        .prop_filter("blank cells are absent", |text| !text.is_empty())
}

fn maybe() -> impl Strategy<Value = Option<String>> {
    proptest::option::of(word())
}

fn noted_range() -> impl Strategy<Value = PointRange> {
    let label = |minute: u8, second: u8, frame: u8| {
        Point::Timecode(format!("10:{minute:02}:{second:02}:{frame:02}"))
    };
    prop_oneof![
        (0i64..5000, 1i64..5000).prop_map(|(from, length)| (
            Point::FileFrame(from),
            Point::FileFrame(from + length)
        )
            .into()),
        (0u8..30, 0u8..60, 0u8..24).prop_map(move |(m, s, f)| (
            label(m, s, f),
            label(m + 20, s, f)
        )
            .into()),
    ]
}

fn plate() -> impl Strategy<Value = PlateNote> {
    let kind = prop_oneof![
        Just(None),
        Just(Some(PlateKind::Head)),
        Just(Some(PlateKind::Tail)),
        Just(Some(PlateKind::Take))
    ];
    let seconds = proptest::option::of((1u32..4000).prop_map(|tenths| f64::from(tenths) / 10.0));
    let rest = (any::<bool>(), proptest::option::of(0u32..200));
    (kind, proptest::option::of(noted_range()), seconds, maybe(), maybe(), rest).prop_map(
        |(kind, range, seconds, clip, roll, (good, tolerance))| {
            // Only a plate take has a clip and a roll of its own.
            let own = kind == Some(PlateKind::Take);
            let (clip, roll) = (clip.filter(|_| own), roll.filter(|_| own));
            PlateNote { kind, range, seconds, clip, roll, good, tolerance }
        },
    )
}

fn serves() -> impl Strategy<Value = Serves> {
    let take = (word(), maybe(), maybe()).prop_map(|(scene, slate, take)| ServedTake {
        scene: Some(scene),
        slate,
        take,
    });
    prop_oneof![
        Just(Serves::Itself),
        Just(Serves::All),
        proptest::collection::vec(take, 1..3).prop_map(Serves::Takes)
    ]
}

fn record() -> impl Strategy<Value = Record> {
    let names = (maybe(), maybe(), maybe(), maybe(), maybe(), maybe());
    let rate = proptest::option::of(prop_oneof![Just((24000, 1001)), Just((24, 1)), Just((25, 2))]);
    let lists = (
        proptest::collection::vec(noted_range(), 0..3),
        proptest::collection::vec(plate(), 0..3),
        proptest::collection::vec(noted_range(), 0..3),
        proptest::collection::vec((noted_range(), proptest::option::of(word())), 0..3),
    );
    let shares = proptest::collection::vec((0.0..=1.0f64, 0.0..=1.0f64), 3..6);
    let rest = (
        any::<bool>(),
        proptest::option::of(shares),
        proptest::option::of((1u32..9000, 1u32..9000)),
        proptest::option::of(0u32..500),
        maybe(),
        serves(),
    );
    (names, rate, lists, rest).prop_map(|(names, rate, lists, rest)| {
        let (lock_off, plates, boom, unusable) = lists;
        let (no_boom, region, capture, tolerance, remarks, serves) = rest;
        // 25/2 counts 13 labels a second: no room for the labels above.
        let labels = rate != Some((25, 2));
        let keep = |ranges: Vec<PointRange>| -> Vec<PointRange> {
            ranges
                .into_iter()
                .filter(|r| labels || matches!(r.start, Point::FileFrame(_)))
                .collect()
        };
        let keep_plates = plates.into_iter().map(|mut plate: PlateNote| {
            plate.range = plate.range.and_then(|range| keep(vec![range]).pop());
            plate
        });
        let unusable = unusable.into_iter().filter_map(|(range, why)| {
            let range = keep(vec![range]).pop()?;
            Some(Unusable { range, why: why.unwrap_or_default() })
        });
        Record {
            id: names.0,
            scene: names.1,
            slate: names.2,
            take: names.3,
            roll: names.4,
            agreed_by: names.5,
            rate: rate.and_then(|(num, den)| Rate::new(num, den)),
            lock_off: keep(lock_off),
            plates: keep_plates.collect(),
            no_boom: no_boom && boom.is_empty(),
            boom: keep(boom),
            unusable: unusable.collect(),
            region: region.unwrap_or_default().into_iter().map(|(x, y)| [x, y]).collect(),
            capture,
            tolerance,
            remarks,
            serves,
            ..Record::default()
        }
    })
}

fn bare(record: &Record) -> Record {
    Record { origin: Origins::default(), ..record.clone() }
}

proptest! {
    #[test]
    fn what_is_written_is_read_again(mut record in record()) {
        // A key of its own keeps it from being taken for a blank row.
        record.clip = Some("A014C007".into());
        let settings = Settings::default();
        let json = write_json(std::slice::from_ref(&record));
        let (read, faults) = read_log_bytes(json.as_bytes(), "log.json", &settings);
        prop_assert!(faults.is_empty(), "{faults:?}\n{json}");
        prop_assert_eq!(&bare(&read[0]), &bare(&record));
        prop_assert_eq!(&read_log_bytes(write_json(&read).as_bytes(), "b.json", &settings).0, &read);
        let csv = write_csv(&read);
        let (again, faults) = read_log_bytes(csv.as_bytes(), "log.csv", &settings);
        prop_assert!(faults.is_empty(), "{faults:?}\n{csv}");
        prop_assert_eq!(&bare(&again[0]), &bare(&record));
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let settings = Settings::default();
        read_log_bytes(&bytes, "log.csv", &settings);
        read_log_bytes(&bytes, "log.json", &settings);
    }

    #[test]
    fn no_cells_make_the_reader_panic(
        text in "(clip|rate|start|end|plates|serves|boom|unusable|region)(,(take|date|lock_off)){0,2}\n[0-9:;|#\"/., a-z\u{2013}\\-]{0,60}\n[0-9:;|#\"/., a-z\\-]{0,60}"
    ) {
        read_log_bytes(text.as_bytes(), "log.csv", &Settings::default());
    }

    #[test]
    fn no_json_makes_the_reader_panic(
        key in "(plates|boom|serves|region|capture|unusable|origin|start|rate|records)",
        value in "[\\[\\]{}\":,0-9a-z#\\-]{0,40}",
    ) {
        let text = format!("{{\"schema\":\"platesmith.platelog/1\",\"records\":[{{\"{key}\":{value}}}]}}");
        read_log_bytes(text.as_bytes(), "log.json", &Settings::default());
    }
}
