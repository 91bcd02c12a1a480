//! What makes media the same media: a hash of their content, not of their name or place.

use super::container::said;
use super::info::MediaKind;
use super::open::{Media, shown_name};
use crate::error::Faults;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::OnceLock;

/// Bytes hashed at head, middle and tail of a file.
const PROBE: u64 = 64 * 1024;

impl Media {
    /// Returns the content id: SHA-256, as 64 hexadecimal digits.
    ///
    /// Hashed are, for each file, its size and 64 KiB at head, middle and tail (of image
    /// files the head), and the packet sizes of a container. With `verify` all bytes are
    /// hashed, as they are of media that were opened to be verified. The two kinds of id never
    /// agree. Names and places are not hashed.
    ///
    /// # Errors
    ///
    /// A file that can no longer be read.
    pub fn content_id(&self, verify: bool) -> Result<String, Faults> {
        if !(verify || self.options.verify) {
            return self.hashed(false);
        }
        if let Some(known) = self.whole_id.get() {
            return Ok(known.clone());
        }
        let id = self.hashed(true)?;
        Ok(self.whole_id.get_or_init(|| id).clone())
    }

    fn hashed(&self, verify: bool) -> Result<String, Faults> {
        let mut hash = Sha256::new();
        hash.update(if verify { b"all bytes/1" } else { b"probe/1\0\0\0\0" });
        match &self.info.kind {
            MediaKind::Container(path) => {
                hash.update((self.sizes.len() as u64).to_le_bytes());
                for size in &self.sizes {
                    hash.update(size.to_le_bytes());
                }
                add_file(&mut hash, path, if verify { Part::All } else { Part::Probes })?;
            }
            MediaKind::Images { files, .. } => {
                hash.update((files.len() as u64).to_le_bytes());
                for path in files {
                    add_file(&mut hash, path, if verify { Part::All } else { Part::Head })?;
                }
            }
        }
        Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
    }
}

/// Returns an id of a finished file, or of all files of a folder: SHA-256, as 64 hexadecimal
/// digits. Hashed are names in the folder, sizes, and 64 KiB at head, middle and tail; with
/// `verify` all bytes. The two kinds of id never agree.
///
/// # Errors
///
/// A file that cannot be read.
pub fn file_id(path: &Path, verify: bool) -> std::io::Result<String> {
    let mut hash = Sha256::new();
    let part = if verify { Part::All } else { Part::Probes };
    hash.update(if verify { b"all bytes of file/1".as_slice() } else { b"file/1" });
    if path.is_dir() {
        let entries = std::fs::read_dir(path)?.collect::<std::io::Result<Vec<_>>>()?;
        let mut names: Vec<_> = entries.iter().map(std::fs::DirEntry::file_name).collect();
        names.sort();
        for name in names {
            hash.update(name.as_encoded_bytes());
            hash_file(&mut hash, &path.join(name), part)?;
        }
    } else {
        hash_file(&mut hash, path, part)?;
    }
    Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Returns the hash of the running program; `None` if it cannot read itself. What one build
/// has kept another one never takes for its own.
pub fn program_id() -> Option<&'static [u8; 32]> {
    static PROGRAM: OnceLock<Option<[u8; 32]>> = OnceLock::new();
    let read = || -> Option<[u8; 32]> {
        let bytes = std::fs::read(std::env::current_exe().ok()?).ok()?;
        Some(Sha256::digest(bytes).into())
    };
    PROGRAM.get_or_init(read).as_ref()
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Part {
    Head,
    Probes,
    All,
}

fn add_file(hash: &mut Sha256, path: &Path, part: Part) -> Result<(), Faults> {
    hash_file(hash, path, part)
        .map_err(|why| Faults::one(shown_name(path), "", said(&why), "check who may read it"))
}

fn hash_file(hash: &mut Sha256, path: &Path, part: Part) -> std::io::Result<()> {
    let mut file = File::open(path)?;
    let size = file.metadata()?.len();
    hash.update(size.to_le_bytes());
    let spans = match part {
        Part::All => vec![(0, size)],
        Part::Head => vec![(0, PROBE)],
        // A short file is covered whole; hashing a byte twice does no harm.
        Part::Probes => [0, (size / 2).saturating_sub(PROBE / 2), size.saturating_sub(PROBE)]
            .map(|start| (start, PROBE))
            .to_vec(),
    };
    let mut buffer = vec![0; PROBE as usize];
    for (start, length) in spans {
        file.seek(SeekFrom::Start(start))?;
        let mut span = (&mut file).take(length);
        loop {
            let count = span.read(&mut buffer)?;
            if count == 0 {
                break;
            }
            hash.update(&buffer[..count]);
        }
    }
    Ok(())
}
