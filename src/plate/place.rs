//! Files and folders that get their final name only when they are whole.

use super::copy::written;
use crate::error::BadInput;
use crate::whole::{claim, part};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// A file or folder being made under a temporary name beside its final place. It is
/// removed again if it is never placed.
pub(crate) struct Part {
    made: Made,
    target: PathBuf,
    name: String,
}

enum Made {
    File(tempfile::NamedTempFile),
    /// The folder, and the lock on it.
    Folder(tempfile::TempDir, Option<File>),
}

/// What was found where a finished file was to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Placed {
    /// Nothing; it is there now.
    New,
    /// The same bytes; they were left alone.
    Same,
    /// Other bytes; they were left alone.
    Other,
}

impl Part {
    /// Begins the file `folder/name`; `folder` is made if need be.
    pub(crate) fn file(folder: &Path, name: &str) -> Result<Part, BadInput> {
        std::fs::create_dir_all(folder).map_err(|io| written(name, &io.to_string()))?;
        let prefix = format!(".{name}.");
        let made = part(&prefix, 0o666).tempfile_in(folder);
        let made = made.map_err(|io| written(name, &io.to_string()))?;
        claim(made.as_file());
        Ok(Part { made: Made::File(made), target: folder.join(name), name: name.to_owned() })
    }

    /// Begins the folder `folder/name`.
    pub(crate) fn folder(folder: &Path, name: &str) -> Result<Part, BadInput> {
        std::fs::create_dir_all(folder).map_err(|io| written(name, &io.to_string()))?;
        let prefix = format!(".{name}.");
        let made = part(&prefix, 0o777).tempdir_in(folder);
        let made = made.map_err(|io| written(name, &io.to_string()))?;
        let lock = File::open(made.path()).ok();
        lock.iter().for_each(claim);
        Ok(Part {
            made: Made::Folder(made, lock),
            target: folder.join(name),
            name: name.to_owned(),
        })
    }

    /// Returns the temporary path.
    pub(crate) fn path(&self) -> &Path {
        match &self.made {
            Made::File(file) => file.path(),
            Made::Folder(folder, _) => folder.path(),
        }
    }

    /// Returns the final path.
    pub(crate) fn target(&self) -> &Path {
        &self.target
    }

    /// Returns the final name, for messages.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// Returns the open file; `None` for a folder.
    pub(crate) fn open_file(&self) -> Option<&File> {
        match &self.made {
            Made::File(file) => Some(file.as_file()),
            Made::Folder(..) => None,
        }
    }

    /// Gives the finished file the name of a version, or of the next one where other bytes
    /// stand under it. Returns where it is.
    pub(crate) fn place_version(
        mut self,
        stem: &str,
        ending: &str,
        version: u32,
    ) -> Result<(PathBuf, Placed), BadInput> {
        let folder = crate::whole::folder_of(&self.target).to_owned();
        for version in version..=version.saturating_add(1) {
            self.name = format!("{}.{ending}", super::versions::version_name(stem, version));
            self.target = folder.join(&self.name);
            let path = self.target.clone();
            if path.symlink_metadata().is_err() {
                return Ok((path, self.place()?));
            }
            let same = same_bytes(self.path(), &path);
            if same.map_err(|io| written(&self.name, &io.to_string()))? {
                return Ok((path, Placed::Same));
            }
        }
        Err(written(&self.name, "the next version's name is taken as well"))
    }

    /// Gives the finished file its final name, unless something is there already.
    pub(crate) fn place(self) -> Result<Placed, BadInput> {
        let fault = |io: std::io::Error| written(&self.name, &io.to_string());
        if self.target.symlink_metadata().is_ok() {
            let same = same_bytes(self.path(), &self.target).map_err(fault)?;
            return Ok(if same { Placed::Same } else { Placed::Other });
        }
        match self.made {
            Made::File(file) => {
                file.as_file().sync_all().map_err(fault)?;
                file.persist_noclobber(&self.target).map_err(|lost| fault(lost.error))?;
            }
            Made::Folder(folder, _lock) => {
                sync(folder.path()).map_err(fault)?;
                let path = folder.keep();
                if let Err(io) = std::fs::rename(&path, &self.target) {
                    let _ = std::fs::remove_dir_all(&path);
                    return Err(fault(io));
                }
            }
        }
        if let Some(folder) = self.target.parent() {
            sync(folder).map_err(fault)?;
        }
        Ok(Placed::New)
    }
}

/// Puts the entries of a folder on the disk.
fn sync(folder: &Path) -> std::io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Tells whether two files, or all files of two folders, have the same bytes.
fn same_bytes(a: &Path, b: &Path) -> std::io::Result<bool> {
    if !a.is_dir() {
        return same_file(a, b);
    }
    let (ours, theirs) = (names(a)?, if b.is_dir() { names(b)? } else { return Ok(false) });
    if ours != theirs {
        return Ok(false);
    }
    for name in ours {
        if !same_file(&a.join(&name), &b.join(&name))? {
            return Ok(false);
        }
    }
    Ok(true)
}

fn names(folder: &Path) -> std::io::Result<Vec<std::ffi::OsString>> {
    let mut names: Vec<_> = std::fs::read_dir(folder)?
        .map(|entry| Ok(entry?.file_name()))
        .collect::<std::io::Result<_>>()?;
    names.sort();
    Ok(names)
}

fn same_file(a: &Path, b: &Path) -> std::io::Result<bool> {
    let (mut a, mut b) = (File::open(a)?, File::open(b)?);
    let (like_a, like_b) = (a.metadata()?, b.metadata()?);
    if !like_b.is_file() || like_a.len() != like_b.len() {
        return Ok(false);
    }
    let (mut left, mut right) = (vec![0; 1 << 20], vec![0; 1 << 20]);
    let mut to_go = like_a.len();
    while to_go > 0 {
        let step = usize::try_from(to_go).unwrap_or(usize::MAX).min(left.len());
        a.read_exact(&mut left[..step])?;
        b.read_exact(&mut right[..step])?;
        if left[..step] != right[..step] {
            return Ok(false);
        }
        to_go -= step as u64;
    }
    Ok(true)
}

/// Returns the number of bytes in a file, or in all files of a folder.
pub(crate) fn bytes_in(path: &Path) -> u64 {
    let length = |path: &Path| path.metadata().map_or(0, |meta| meta.len());
    if !path.is_dir() {
        return length(path);
    }
    names(path).unwrap_or_default().iter().map(|name| length(&path.join(name))).sum()
}
