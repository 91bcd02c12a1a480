//! Files put in place whole or not at all.

use crate::error::BadInput;
use crate::whole::put_whole;
use std::path::{Path, PathBuf};

/// Writes `bytes` as `name` in `folder`; a file that already holds them is left alone.
///
/// The bytes go to a temporary file in the same folder, are flushed to the disk, and only
/// then take the final name.
pub(super) fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, BadInput> {
    let path = folder.join(name);
    match put_whole(&path, bytes) {
        Ok(()) => Ok(path),
        Err(io) => {
            let fault = format!("cannot be written: {io}");
            Err(BadInput::new(
                name,
                "",
                fault,
                "check that the output folder has room and may be written",
            ))
        }
    }
}

/// Removes lists of an earlier run that this one does not have: a list of reels or a page
/// that no longer is would be taken for a part of the pull. What cannot be removed stays.
pub(super) fn remove_others(folder: &Path, is_ours: fn(&str) -> bool, kept: &[(String, Vec<u8>)]) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in entries {
        let name = entry.file_name();
        let Some(name) = name.to_str().filter(|name| is_ours(name)) else { continue };
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        if is_file && kept.iter().all(|(kept, _)| kept != name) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}
