//! Files that appear under their final name only when they are whole.

use std::fs::File;
use std::io::Write;
use std::path::Path;

/// Returns a maker of temporary files and folders for outputs: named as parts, and as
/// readable by others as any new file of the user (temporary files are private otherwise;
/// the umask still applies).
///
/// `mode` is the Unix mode before the umask: `0o666` for files, `0o777` for folders.
#[cfg_attr(not(unix), allow(unused_variables))]
pub fn part(prefix: &str, mode: u32) -> tempfile::Builder<'_, '_> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(prefix).suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(mode));
    }
    builder
}

/// Returns the folder a path lies in; the current one for a bare name.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Writes a file: filled under a temporary name in the same folder, flushed to the disk,
/// and only then given its own name.
///
/// # Errors
///
/// Whatever `fill`, the disk or the folder's rights refuse; nothing is left behind.
pub fn write_whole(
    target: &Path,
    fill: impl FnOnce(&mut File) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let mut out = part(".platesmith-", 0o666).tempfile_in(folder_of(target))?;
    fill(out.as_file_mut())?;
    out.as_file().sync_all()?;
    out.persist(target)?;
    Ok(())
}

/// Writes bytes as a whole file; a file that already holds them is left alone.
///
/// # Errors
///
/// As [`write_whole`].
pub fn put_whole(target: &Path, bytes: &[u8]) -> std::io::Result<()> {
    if std::fs::read(target).is_ok_and(|there| there == bytes) {
        return Ok(());
    }
    write_whole(target, |out| out.write_all(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_could_not_be_filled_leaves_the_old_one_and_no_part() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let target = folder.path().join("list.csv");
        put_whole(&target, b"old").expect("written");
        let failed = write_whole(&target, |out| {
            out.write_all(b"ne")?;
            Err(std::io::Error::other("the disk is full"))
        });
        assert!(failed.is_err());
        assert_eq!(std::fs::read(&target).expect("there"), b"old");
        assert_eq!(std::fs::read_dir(folder.path()).expect("there").count(), 1);
    }
}
