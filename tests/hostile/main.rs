//! Logs that lie: chunks, sizes, rates and text no recorder would write. Nothing panics,
//! nothing hangs, and what is wrong is said.
//!
//! The corpus is written here: each file breaks one rule of EBU Tech 3285, ITU-R BS.2088, RIFF
//! (1991) or XML 1.0 and is named after it.

#[path = "../waves/mod.rs"]
mod waves;

use platesmith::platelog::{Record, read_log_bytes, read_logs, write_csv, write_json};
use platesmith::settings::Settings;
use proptest::prelude::*;
use waves::{Sound, chunk, ixml, sync_point};

fn read(bytes: &[u8]) -> (Vec<Record>, Vec<String>) {
    let (records, faults) = read_log_bytes(bytes, "T3.WAV", &Settings::default());
    (records, faults.iter().map(ToString::to_string).collect())
}

fn wave(chunks: &[Vec<u8>]) -> Vec<u8> {
    [b"RIFF\xFF\xFF\xFF\x7FWAVE".as_slice(), &chunks.concat()].concat()
}

/// A chunk that says another size than it has.
fn lying(id: &[u8; 4], size: u32, body: &[u8]) -> Vec<u8> {
    [id.as_slice(), &size.to_le_bytes(), body].concat()
}

fn with_ixml(fields: &str) -> Vec<u8> {
    Sound { ixml: ixml(fields), ..Sound::take("12", "3", "") }.bytes()
}

/// Changes bytes of a good file at the first place where `from` stands.
fn changed(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|part| part == from).expect("it is there");
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

/// The corpus: a name, the bytes, and a part of what has to be said; nothing if all is well.
fn corpus() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let good = Sound::take("12", "3", "").with_cues(&[(96_000, "PLATE", 48_000)]).bytes();
    let bext = chunk(b"bext", &[0; 602]);
    let format = chunk(b"fmt ", &[1, 0, 1, 0, 0x80, 0xBB, 0, 0, 0, 0, 0, 0, 1, 0, 8, 0]);
    let mut nested = vec![0; 8];
    for _ in 0..5_000 {
        nested = chunk(b"LIST", &[b"adtl".as_slice(), &nested].concat());
    }
    let entities = "<!DOCTYPE B [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;\">]>\
        <BWFXML><SCENE>12</SCENE><NOTE>&b;&b;&b;&b; head PL</NOTE></BWFXML>";
    let rate = |text: &str| changed(&good, b"25/1", text.as_bytes());
    let huge = [u64::MAX, 1 << 63, 1 << 63].iter().flat_map(|size| size.to_le_bytes());
    let huge = [huge.collect::<Vec<u8>>(), u32::MAX.to_le_bytes().to_vec()].concat();
    let long = [
        b"RF64\xFF\xFF\xFF\xFFWAVE".to_vec(),
        chunk(b"ds64", &huge),
        format.clone(),
        lying(b"data", u32::MAX, &[128; 64]),
    ];
    vec![
        ("good", good.clone(), ""),
        ("no_wave", b"RIFF\0\0\0\0AVI LIST".to_vec(), "is not a wave file"),
        ("head_alone", b"RF64\xFF\xFF".to_vec(), "is not a wave file"),
        ("no_chunk", wave(&[]), ""),
        (
            "chunk_of_four_gigabytes",
            wave(&[lying(b"bext", u32::MAX, &[0; 700])]),
            "chunk says it holds",
        ),
        ("bext_cut_short", wave(&[chunk(b"bext", &[0; 300])]), "ends before the time reference"),
        (
            "sizes_of_two_to_the_63",
            long.concat(),
            "the chunk says it holds 9223372036854775808 bytes",
        ),
        ("lists_in_lists", [good.clone(), nested].concat(), ""),
        ("garbage_behind", [good.clone(), vec![0xEE; 40]].concat(), "no chunk begins here"),
        ("zeros_behind", [good.clone(), vec![0; 400]].concat(), ""),
        (
            "ten_thousand_chunks",
            wave(&[chunk(b"JUNK", &[]).repeat(20_000)]),
            "more than 10000 chunks",
        ),
        ("no_samples_a_second", wave(&[bext, chunk(b"fmt ", &[0; 16])]), "0 samples a second"),
        ("rate_of_none", rate("0/0"), "\"0/0\" is not a timecode rate"),
        ("rate_of_words", rate("fast"), "\"fast\" is not a timecode rate"),
        ("rate_without_bound", rate("4294967295/1"), "is not a timecode rate"),
        ("drop_frame_at_25", changed(&good, b"NDF", b" DF"), "says drop-frame at 25"),
        (
            "start_in_another_age",
            Sound { since_midnight: u64::MAX, ..Sound::take("12", "3", "") }.bytes(),
            "is days away",
        ),
        ("entities", Sound { ixml: entities.into(), ..Sound::default() }.bytes(), ""),
        ("xml_that_stops", with_ixml("<NOTE>head"), "the XML stops inside"),
        (
            "xml_of_nothing",
            Sound { ixml: vec![b'<'; 999], ..Sound::default() }.bytes(),
            "the XML stops",
        ),
        ("sync_point_past_the_end", with_ixml(&sync_point("PLATE", u64::MAX, u64::MAX)), ""),
        ("control_characters", with_ixml("<SCENE>1\u{1b}[2J\u{202e}2</SCENE>"), ""),
        (
            "note_with_a_time_there_is_not",
            with_ixml("<NOTE>PL 10:00:00:00-10:00:05:00, PL 10:00:00:24-10:00:61:00</NOTE>"),
            "",
        ),
        ("cue_that_counts_wrong", changed(&good, b"cue \x1c\0\0\0\x01", b"cue \x1c\0\0\0\xFF"), ""),
    ]
}

#[test]
fn every_file_of_the_corpus_is_read_and_its_fault_is_said() {
    for (name, bytes, wanted) in corpus() {
        let (records, said) = read(&bytes);
        if wanted.is_empty() {
            assert_eq!(said, Vec::<String>::new(), "{name}");
        } else {
            assert!(said.iter().any(|text| text.contains(wanted)), "{name}: {said:?}");
        }
        assert!(said.iter().all(|text| !text.contains(char::is_control)), "{name}: {said:?}");
        // What was read can be written and read again.
        let settings = Settings::default();
        let json = write_json(&records);
        let (again, faults) = read_log_bytes(json.as_bytes(), "a.json", &settings);
        assert_eq!(faults, [], "{name}");
        assert_eq!(again, records, "{name}");
        let csv = write_csv(&records);
        if !records.is_empty() {
            let (back, faults) = read_log_bytes(csv.as_bytes(), "a.csv", &settings);
            assert_eq!(faults, [], "{name}\n{csv}");
            assert_eq!(write_csv(&back), csv, "{name}");
        }
    }
}

#[test]
fn a_folder_of_the_corpus_says_each_file_by_name_and_keeps_the_good_ones() {
    let folder = tempfile::tempdir().expect("a folder");
    let corpus = corpus();
    for (name, bytes, _) in &corpus {
        std::fs::write(folder.path().join(format!("{name}.WAV")), bytes).expect("written");
    }
    std::fs::write(folder.path().join("words.wav"), "not sound").expect("written");
    let (records, faults) = read_logs(&[folder.path().to_path_buf()], &Settings::default());
    assert!(records.iter().any(|record| record.place().contains("good.WAV")));
    for (name, _, wanted) in corpus.iter().filter(|(.., wanted)| !wanted.is_empty()) {
        let file = format!("{name}.WAV");
        let said = faults.iter().filter(|fault| fault.file.ends_with(&file));
        assert!(said.clone().any(|fault| fault.fault.contains(wanted)), "{name}: {faults:?}");
    }
    assert!(faults.iter().any(|fault| fault.file.ends_with("words.wav")));
    assert!(faults.iter().all(|fault| !fault.remedy.is_empty()));
}

#[test]
fn an_empty_folder_and_a_file_that_vanished_are_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let paths = [folder.path().to_path_buf(), folder.path().join("gone.wav")];
    let (records, faults) = read_logs(&paths, &Settings::default());
    assert_eq!((records.len(), faults.len()), (0, 2), "{faults:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn no_damage_to_a_sound_file_makes_the_reader_panic(
        places in proptest::collection::vec((0usize..4_000, any::<u8>()), 1..12),
        cut in 0usize..4_000,
        long in any::<bool>(),
    ) {
        let note = "<NOTE>head PL</NOTE>";
        let mut sound = Sound { samples: 900, ..Sound::take("12", "3", note) };
        if long {
            sound.form = *b"RF64";
        }
        let mut bytes = sound.with_cues(&[(96, "01", 0), (400, "02", 0), (8, "PL", 9)]).bytes();
        for (at, value) in places {
            let length = bytes.len();
            bytes[at % length] = value;
        }
        bytes.truncate(bytes.len() - cut % bytes.len());
        read(&bytes);
    }

    #[test]
    fn no_ixml_makes_the_reader_panic(text in "[<>/&;#!A-Z \"=\\[\\]a-f0-9\u{0}\u{e9}]{0,200}") {
        read(&Sound { samples: 9, ixml: text.into_bytes(), ..Sound::default() }.bytes());
    }

    #[test]
    fn no_chunk_makes_the_reader_panic(
        ids in proptest::collection::vec((0usize..8, any::<u32>(), proptest::collection::vec(any::<u8>(), 0..80)), 0..9)
    ) {
        let names = [b"data", b"bext", b"iXML", b"cue ", b"LIST", b"list", b"ds64", b"fmt "];
        let chunks = ids.iter().map(|(id, size, body)| lying(names[*id], *size, body));
        let bytes = wave(&chunks.collect::<Vec<_>>());
        read(&bytes);
        read(&changed(&bytes, b"RIFF", b"BW64"));
    }

    #[test]
    fn no_remark_and_no_report_makes_the_reader_panic(
        remark in "[a-zA-Z0-9 :;,.|/\u{2013}\\-+\"\u{e9}]{0,60}",
        rate in "[0-9./ NDF]{0,12}",
        start in "[0-9:;]{0,14}",
        length in "[0-9:;. s]{0,12}",
    ) {
        let text = format!(
            "Scene\tTake\tTape\tFrame Rate\tStart TC\tLength\tNotes\n12\t3PL\tS1\t{rate}\t{start}\t{length}\t{remark}\n"
        );
        let (records, _) = read(text.as_bytes());
        let csv = write_csv(&records);
        prop_assert_eq!(write_csv(&read_log_bytes(csv.as_bytes(), "a.csv", &Settings::default()).0), csv);
    }
}
