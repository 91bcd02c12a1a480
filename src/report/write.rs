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
