//! Files put in place whole or not at all.

use crate::error::BadInput;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Writes `bytes` as `name` in `folder`; a file that already holds them is left alone.
///
/// The bytes go to a temporary file in the same folder, are flushed to the disk, and only
/// then take the final name.
pub(super) fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, BadInput> {
    let path = folder.join(name);
    if std::fs::read(&path).is_ok_and(|there| there == bytes) {
        return Ok(path);
    }
    match put_whole(folder, &path, bytes) {
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

fn put_whole(folder: &Path, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".platesmith-").suffix(".part");
    readable_by_others(&mut builder);
    let mut part = builder.tempfile_in(folder)?;
    part.write_all(bytes)?;
    part.as_file().sync_all()?;
    part.persist(path).map(drop).map_err(|fault| fault.error)
}

/// Temporary files are private by default; what is handed over is as readable as any other
/// file of the user (the umask still applies).
#[cfg(unix)]
fn readable_by_others(builder: &mut tempfile::Builder) {
    use std::os::unix::fs::PermissionsExt;
    builder.permissions(std::fs::Permissions::from_mode(0o666));
}

#[cfg(not(unix))]
fn readable_by_others(_: &mut tempfile::Builder) {}
