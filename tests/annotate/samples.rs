//! The sample files of the timeline format's own project, with the uses our reader finds.

use super::cut::Walked;
use super::{PLATES, assert_same, options, outside, parse, stripped};
use platesmith::annotate::{Options, PlateClips, annotate};
use std::fs;
use std::path::{Path, PathBuf};

/// One sample as a plain file in a folder of its own.
pub struct Sample {
    pub name: String,
    pub bytes: Vec<u8>,
}

/// Returns all samples, those inside bundles too.
pub fn all() -> Vec<Sample> {
    let Some(folder) = outside::shared("otio/samples") else { return Vec::new() };
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).expect("samples").map(|entry| entry.expect("entry").path()).collect();
    paths.sort();
    paths.iter().filter_map(|path| sample(path)).collect()
}

fn sample(path: &Path) -> Option<Sample> {
    let name = path.file_name()?.to_string_lossy().into_owned();
    let bytes = match path.extension()?.to_str()? {
        "otio" => fs::read(path).ok()?,
        "otiod" => fs::read(path.join("content.otio")).ok()?,
        "otioz" => {
            let mut bundle = zip::ZipArchive::new(fs::File::open(path).ok()?).ok()?;
            let mut bytes = Vec::new();
            std::io::copy(&mut bundle.by_name("content.otio").ok()?, &mut bytes).ok()?;
            bytes
        }
        _ => return None,
    };
    Some(Sample { name: name.replace(".otioz", "_z.otio").replace(".otiod", "_d.otio"), bytes })
}

/// Annotates a file as our reader finds its uses; `None` if it holds no timeline or use.
pub fn annotated(folder: &Path, bytes: &[u8], options: &Options) -> Option<(Vec<u8>, Walked)> {
    let path = folder.join("read.otio");
    fs::write(&path, bytes).expect("written");
    let walked = Walked::read(&path).filter(|walked| !walked.uses.is_empty())?;
    let mut document = parse(bytes);
    let marked = walked.marked(PLATES);
    annotate(&mut document, &walked.timeline, walked.rate, &marked, options).expect("marks");
    Some((document.write(), walked))
}

#[test]
fn every_sample_comes_back_and_a_second_run_changes_nothing() {
    let folder = tempfile::tempdir().expect("folder");
    let samples = all();
    let mut seen = 0;
    for Sample { name, bytes } in &samples {
        for plates in [PlateClips::Disabled, PlateClips::Enabled, PlateClips::Below] {
            let options = Options { plates, ..options() };
            let Some((marked, _)) = annotated(folder.path(), bytes, &options) else { continue };
            seen += 1;
            assert_ne!(&marked, bytes, "{name}");
            assert_same(&stripped(&marked), bytes, name);
            let (again, _) = annotated(folder.path(), &marked, &options).expect("the same uses");
            assert_same(&again, &marked, name);
        }
    }
    assert!(samples.is_empty() || seen >= 15 * 3, "{seen} samples hold uses");
}
