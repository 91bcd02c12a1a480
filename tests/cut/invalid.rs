//! Bad timelines and bundles, each with its message. Nothing here may panic.

use crate::cuts;

use cuts::*;
use platesmith::error::{BadInput, Faults};
use platesmith::timeline::{BundleKind, Cut, MediaPlace, ReadOptions, read_cut};
use proptest::prelude::*;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

fn open(path: &Path) -> Result<Cut, Faults> {
    read_cut(path, &ReadOptions::default())
}

fn invalid(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/invalid/timeline").join(name)
}

fn messages(faults: &[BadInput]) -> Vec<String> {
    faults.iter().map(ToString::to_string).collect()
}

fn refused(name: &str) -> String {
    let faults = open(&invalid(name)).expect_err(name);
    assert!(faults.0.iter().all(|fault| !fault.remedy.is_empty()));
    faults.to_string()
}

#[test]
fn files_that_are_no_timeline_are_refused_with_a_reason() {
    for (name, said) in [
        ("missing.otio", "there is no such file"),
        ("empty.otio", "line 1, column 1 (byte 0): the file is empty"),
        ("root_time.otio", "the root is a RationalTime.1, not a Timeline"),
        ("root_list.otio", "the root is a list without a timeline or a clip"),
        ("root_number.otio", "the root is a number, not a Timeline"),
        ("root_bare.otio", "the root is an object without OTIO_SCHEMA, not a Timeline"),
        ("root_bin.otio", "the root is a SerializableCollection.1 without a timeline or a clip"),
        ("no_tracks.otio", "the timeline has no tracks"),
    ] {
        let comma = if said.starts_with("line") { ", " } else { ": " };
        assert_eq!(refused(name), format!("{name}{comma}{said}"));
    }
    assert_eq!(
        refused("truncated.otio"),
        "truncated.otio, line 10, column 21 (byte 200): the file ends where a value must follow"
    );
    assert_eq!(
        refused("trailing.otio"),
        "trailing.otio, line 15, column 1 (byte 223): \"{}\" follows the end"
    );
    assert!(refused("not_zip.otioz").starts_with("not_zip.otioz: the bundle cannot be opened: "));
}

const NOTHING: &str =
    "; it counts as 0 frames long, so what follows on its track may lie later than shown";

#[test]
fn one_bad_clip_is_one_fault_and_the_others_are_read() {
    let first = "/tracks/children/0/children/0: clip \"A014C007\" has";
    for (name, said, next) in [
        (
            "clip_without_range.otio",
            format!("{first} no source_range, and its media no available_range{NOTHING}"),
            0,
        ),
        ("rate_zero.otio", format!("{first} source_range with duration of rate 0{NOTHING}"), 0),
        ("rate_zero_start.otio", format!("{first} source_range with start_time of rate 0"), 24),
        ("nan_value.otio", format!("{first} source_range with start_time of value NaN"), 24),
        ("negative_length.otio", format!("{first} a negative length of -10 frames{NOTHING}"), 0),
        ("half_a_range.otio", format!("{first} source_range with no duration{NOTHING}"), 0),
    ] {
        let cut = open(&invalid(name)).expect(name);
        assert_eq!(messages(&cut.faults), [format!("{name}, {said}")]);
        assert_eq!(cut.faults[0].remedy, "export the cut with source ranges, or relink the clip");
        let used: Vec<_> =
            cut.uses.iter().map(|used| (used.clip.as_str(), used.range_in_cut.start.0)).collect();
        assert_eq!(used, [("good", next)], "{name}");
    }
}

#[test]
fn all_faults_of_a_file_are_said_at_once() {
    let at = |place: &str| format!("/tracks/children/0/children/{place}");
    for (name, said) in [
        ("wrong_types.otio", vec![
            at("0: clip \"A014C007\" has source_range with no duration") + NOTHING,
            at("1: null where a clip should be") + NOTHING,
            at("2: a number where a clip should be") + NOTHING,
            at("3: an object without OTIO_SCHEMA where a clip should be") + NOTHING,
            at("5: gap \"\" has no source_range") + NOTHING,
            at("6: Vendor \"v\" has no source_range") + NOTHING,
        ]),
        ("broken_transition.otio", vec![
            at("1: transition \"t\" has a negative in_offset; it counts as none"),
            at("1: transition \"t\" has out_offset that cannot be read (out_offset without value); it counts as none"),
        ]),
        ("broken_available.otio", vec![at(
            "0: clip \"good\" has media whose available_range with duration of rate -24",
        )]),
        ("broken_nest.otio", vec![
            at("0: stack \"nest\" has source_range with duration of rate 0; it is shown untrimmed"),
            at("1: stack \"bare\" has no children"),
            at("2: track \"odd\" has an object where its children should be listed"),
        ]),
        ("broken_start.otio", vec![
            ": timeline \"reel\" has global_start_time of rate 0; the cut is taken to start at zero".into(),
        ]),
    ] {
        let cut = open(&invalid(name)).expect(name);
        let said: Vec<String> = said.iter().map(|said| {
            if said.starts_with(':') { format!("{name}{said}") } else { format!("{name}, {said}") }
        }).collect();
        assert_eq!(messages(&cut.faults), said);
        assert!(!cut.uses.is_empty());
    }
}

// ---- bundles ----

fn zip(entries: &[(&str, &[u8], bool)]) -> tempfile::NamedTempFile {
    let mut file = tempfile::Builder::new().suffix(".otioz").tempfile().expect("a file");
    let mut zip = zip::ZipWriter::new(file.as_file_mut());
    for (name, bytes, packed) in entries {
        let method =
            if *packed { zip::CompressionMethod::Deflated } else { zip::CompressionMethod::Stored };
        let options = zip::write::SimpleFileOptions::default().compression_method(method);
        zip.start_file(*name, options).expect("started");
        zip.write_all(bytes).expect("written");
    }
    zip.finish().expect("finished");
    file
}

fn small() -> Vec<u8> {
    let one = with(
        clip("one", 0, 24),
        "media_references",
        json!({"DEFAULT_MEDIA":
        {"OTIO_SCHEMA": "ExternalReference.1", "target_url": "media/one%20two.mov"}}),
    );
    timeline(vec![track(vec![one])]).to_string().into_bytes()
}

#[test]
fn a_zip_bundle_is_read_and_written_around_its_media() {
    let content = small();
    let media = b"these are frames".as_slice();
    let file = zip(&[
        ("version.txt", b"1.0.0", true),
        ("content.otio", &content, true),
        ("media/one two.mov", media, false),
    ]);
    let cut = open(file.path()).expect("a bundle");
    assert_eq!((cut.kind(), cut.uses.len()), (BundleKind::Zip, 1));
    let Some(MediaPlace::Packed { entry, offset: Some(offset), length: 16 }) =
        cut.bundle.resolve("media/one%20two.mov")
    else {
        panic!("the media are inside")
    };
    let bytes = std::fs::read(file.path()).expect("readable");
    assert_eq!(&bytes[offset as usize..][..16], media);
    let folder = tempfile::tempdir().expect("a folder");
    let path = cut.bundle.extract(&entry, &folder.path().join("media")).expect("extracted");
    assert_eq!(std::fs::read(path).expect("there"), media);
    for url in ["media/none.mov", "../one.mov", "https://example.com/a.mov"] {
        assert_eq!(cut.bundle.resolve(url), None, "{url}");
    }
    let target = folder.path().join("again.otioz");
    cut.bundle.write(&content, &target).expect("written");
    let first = std::fs::read(&target).expect("there");
    let again = open(&target).expect("a bundle");
    assert_eq!(again.document.write(), content);
    assert!(first.windows(media.len()).any(|window| window == media));
    cut.bundle.write(&content, &target).expect("written again");
    assert_eq!(std::fs::read(&target).expect("there"), first, "same input, same bytes");
}

#[test]
fn a_zip_bundle_that_leads_out_or_swells_is_refused() {
    let content = small();
    let name = |file: &tempfile::NamedTempFile| {
        file.path().file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    };
    let file = zip(&[
        ("content.otio", &content, true),
        ("../evil.mov", b"x", false),
        ("/abs", b"x", false),
    ]);
    let said = open(file.path()).expect_err("leads out").to_string();
    let bundle = name(&file);
    assert_eq!(
        said,
        format!(
            "{bundle}, ../evil.mov: a name that leads out of the bundle\n{bundle}, /abs: a name that leads out of the bundle"
        )
    );
    let file = zip(&[("other.otio", &content, true)]);
    let said = open(file.path()).expect_err("no content").to_string();
    assert_eq!(
        said,
        format!("{}: no content.otio inside, so this is not an .otioz bundle", name(&file))
    );
    let file = zip(&[("content.otio", &vec![b' '; 64 << 20], true)]);
    let said = open(file.path()).expect_err("swells").to_string();
    assert!(
        said.starts_with(&format!("{}, content.otio: the timeline would grow from ", name(&file))),
        "{said}"
    );
    let file = zip(&[("content.otio", b"{", true)]);
    let said = open(file.path()).expect_err("cut short").to_string();
    assert!(said.contains(", content.otio, line 1, column 2 (byte 1): the file ends"), "{said}");
}

#[test]
fn a_folder_bundle_is_read_and_its_links_stay_inside() {
    let folder = tempfile::tempdir().expect("a folder");
    let bundle = folder.path().join("cut.otiod");
    std::fs::create_dir_all(bundle.join("media")).expect("made");
    let said = open(&bundle).expect_err("no content").to_string();
    assert_eq!(said, "cut.otiod: no content.otio inside, so this is not an .otiod bundle");
    std::fs::write(bundle.join("content.otio"), small()).expect("written");
    std::fs::write(bundle.join("media/one two.mov"), "frames").expect("written");
    let cut = open(&bundle).expect("a bundle");
    assert_eq!(cut.kind(), BundleKind::Folder);
    let place = cut.bundle.resolve("media/one%20two.mov");
    assert_eq!(place, Some(MediaPlace::File(bundle.join("media/one two.mov"))));
    assert_eq!(cut.bundle.resolve("../out.mov"), None);
    let target = folder.path().join("annotated.otiod");
    for _ in 0..2 {
        cut.bundle.write(b"{}", &target).expect("written");
        assert_eq!(std::fs::read(target.join("content.otio")).expect("there"), b"{}");
        assert_eq!(std::fs::read(target.join("media/one two.mov")).expect("there"), b"frames");
    }
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(folder.path(), bundle.join("media/out")).expect("linked");
        std::os::unix::fs::symlink("one two.mov", bundle.join("media/in.mov")).expect("linked");
        let said = open(&bundle).expect_err("leads out").to_string();
        assert_eq!(said, "cut.otiod, media/out: a link that leads out of the bundle or nowhere");
    }
}

#[test]
fn relative_urls_start_at_the_timeline() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cut.otio");
    std::fs::write(&path, small()).expect("written");
    let bundle = open(&path).expect("a cut").bundle;
    assert_eq!(
        bundle.resolve("../m/a.mov"),
        Some(MediaPlace::File(folder.path().join("../m/a.mov")))
    );
    assert_eq!(bundle.resolve("file:///m/a%20b.mov"), Some(MediaPlace::File("/m/a b.mov".into())));
}

// ---- hostile ----

/// A timeline with one of everything the walk looks at.
fn rich() -> String {
    let nest = with(stack(vec![track(vec![clip("n", 0, 30)])]), "source_range", range(2, 20, 25.0));
    let nest = with(nest, "effects", json!([warp(-2.0)]));
    let fast =
        with(clip("f", 86_400, 24), "effects", json!([warp(1.5), {"OTIO_SCHEMA": "Effect.1"}]));
    let top = track(vec![gap(3), clip("t", 0, 60)]);
    let list = with(track(vec![clip("e", 0, 9)]), "source_range", range(-86_400, 9, 24.0));
    timeline(vec![track(vec![fast, transition(3, 4), nest, clip("c", 5, 9)]), top, list])
        .to_string()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn spoilt_bytes_never_panic(at in any::<prop::sample::Index>(), put in any::<[u8; 3]>(), cut in 0usize..4) {
        let mut bytes = rich().into_bytes();
        let at = at.index(bytes.len() - 4);
        bytes.splice(at..at + cut, put);
        let _ = read_bytes(&bytes, &ReadOptions::default());
    }

    #[test]
    fn spoilt_values_never_panic(
        which in any::<prop::sample::Index>(),
        put in prop::sample::select(vec![
            "null", "NaN", "Infinity", "-1", "1e308", "1e-308", "0", "{}", "[]", "\"x\"", "true",
            "9223372036854775807", "-9223372036854775808", "5e-324", "0.1",
        ]),
    ) {
        let text = rich();
        let values: Vec<_> = text.match_indices(':').map(|(at, _)| at + 1).collect();
        let start = values[which.index(values.len())];
        let rest = &text[start..];
        let end = start + rest.find([',', '}']).unwrap_or(rest.len());
        // Where a container began, its rest makes the file no JSON: refused, not a crash.
        let spoilt = format!("{}{put}{}", &text[..start], &text[end..]);
        let cut = read_text(&spoilt);
        if let Ok(cut) = cut {
            for used in &cut.uses {
                let _ = used.need_in_clip(u32::MAX, u32::MAX, cut.rate);
                let _ = used.media_frame_of_cut_frame(i64::MAX, cut.rate);
                let _ = used.media_frame_of_cut_frame(used.range_in_cut.start.0, cut.rate);
            }
        }
    }
}
