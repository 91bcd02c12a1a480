//! Files that appear under their final name only when they are whole.

use std::fs::File;
use std::io::Write;
use std::path::Path;

/// How parts of files begin that are written in one go.
pub const OWN_PARTS: &str = ".platesmith-";

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

/// Marks a part as being worked on, for as long as the file stays open.
///
/// Where the file system knows no locks nothing is marked, and nothing is swept either.
pub fn claim(part: &File) {
    let _ = part.try_lock();
}

/// Removes what runs that were killed have left in a folder: parts whose names begin with
/// `prefix`, that nobody works on.
pub fn sweep(folder: &Path, prefix: &str) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let Some(name) = name.to_str() else { continue };
        if !name.starts_with(prefix) || !name.ends_with(".part") {
            continue;
        }
        let path = entry.path();
        let Ok(open) = File::open(&path) else { continue };
        if open.try_lock().is_ok() {
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            // What cannot be removed only takes room.
            let _ = if is_folder {
                std::fs::remove_dir_all(&path)
            } else {
                std::fs::remove_file(&path)
            };
        }
    }
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
    let mut out = part(OWN_PARTS, 0o666).tempfile_in(folder_of(target))?;
    claim(out.as_file());
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
    fn parts_nobody_works_on_are_swept_and_nothing_else() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let at = |name: &str| folder.path().join(name);
        for name in [".A_v001.mov.x1.part", "A_v001.mov", ".hidden", "notes.part"] {
            std::fs::write(at(name), b"x").expect("written");
        }
        std::fs::create_dir(at(".B_v001.x2.part")).expect("made");
        std::fs::write(at(".B_v001.x2.part").join("B.1001.dpx"), b"x").expect("written");
        let live = part(".C.", 0o666).tempfile_in(folder.path()).expect("a part");
        claim(live.as_file());
        sweep(folder.path(), ".");
        let gone = [".A_v001.mov.x1.part", ".B_v001.x2.part"];
        assert!(gone.iter().all(|name| !at(name).exists()));
        assert!(["A_v001.mov", ".hidden", "notes.part"].iter().all(|name| at(name).exists()));
        assert!(live.path().exists());
    }

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
