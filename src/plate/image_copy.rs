//! Plates of image files, copied whole with only the timecode in their headers changed.

use super::copy::written;
use super::loop_map::FrameMap;
use crate::error::BadInput;
use crate::media::{Label, StartTimecode, differs_only_by, spliced, timecode_splices};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Returns the name of image file `number` of a plate: `NAME.1001.dpx`.
pub(super) fn numbered(name: &str, number: i64, extension: &str) -> String {
    format!("{name}.{number:04}.{extension}")
}

/// Copies the image files that `map` names into `folder`, which is empty and ours, and
/// reads each back.
///
/// Returns a note for the report if a header had no room for timecode.
///
/// # Errors
///
/// A file that cannot be read or written, or that does not read back as it was written.
pub(super) fn copy_images(
    files: &[PathBuf],
    map: &FrameMap,
    start: Option<StartTimecode>,
    (folder, name, first_number): (&Path, &str, u32),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Option<String>, BadInput> {
    let mut note = None;
    let (mut bytes, mut copy) = (Vec::new(), Vec::new());
    for (k, file_frame) in (0_u64..).zip(map.frames()) {
        let source =
            usize::try_from(file_frame).ok().and_then(|at| files.get(at)).ok_or_else(|| {
                let fault = format!("the sequence has {} files", files.len());
                BadInput::new(name, format!("frame {file_frame}"), fault, "shorten the range")
            })?;
        let shown = source.file_name().unwrap_or_default().to_string_lossy().into_owned();
        read_whole(source, &shown, &mut bytes)?;
        let splices = match start
            .map(|start| timecode_splices(&bytes, Label::of(start, k), start.counting.rate()))
        {
            Some(Ok(splices)) => splices,
            Some(Err(why)) => {
                note.get_or_insert(format!("{shown}: no timecode written: {why}"));
                Vec::new()
            }
            None => Vec::new(),
        };
        spliced(&bytes, &splices, &mut copy);
        let extension = source.extension().unwrap_or_default().to_string_lossy();
        let number = i64::from(first_number).saturating_add(i64::try_from(k).unwrap_or(i64::MAX));
        let target = numbered(name, number, &extension);
        let path = folder.join(&target);
        write_whole(&path, &copy).map_err(|io| written(&target, &io.to_string()))?;
        read_whole(&path, &target, &mut copy)?;
        if !differs_only_by(&bytes, &copy, &splices) {
            let fault = format!("reads back otherwise than {shown}, which it was copied from");
            return Err(BadInput::new(target, "", fault, "run it again; check the disk"));
        }
        progress(k + 1, map.len());
    }
    Ok(note)
}

fn read_whole(path: &Path, shown: &str, into: &mut Vec<u8>) -> Result<(), BadInput> {
    use std::io::Read;
    into.clear();
    std::fs::File::open(path).and_then(|mut file| file.read_to_end(into)).map(|_| ()).map_err(
        |io| {
            BadInput::new(
                shown,
                "",
                format!("cannot be read: {io}"),
                "copy the file again from its master",
            )
        },
    )
}

/// Writes a new file and puts it on the disk.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = std::fs::File::create_new(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}
