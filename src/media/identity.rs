//! What makes media the same media: a hash of their content, not of their name or place.

use super::container::said;
use super::info::MediaKind;
use super::open::{Media, shown_name};
use crate::error::Faults;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Bytes hashed at head, middle and tail of a file.
const PROBE: u64 = 64 * 1024;

impl Media {
    /// Returns the content id: SHA-256, as 64 hexadecimal digits.
    ///
    /// Hashed are, for each file, its size and 64 KiB at head, middle and tail (of image
    /// files the head), and the packet sizes of a container. With `verify` all bytes are
    /// hashed. The two kinds of id never agree. Names and places are not hashed.
    ///
    /// # Errors
    ///
    /// A file that can no longer be read.
    pub fn content_id(&self, verify: bool) -> Result<String, Faults> {
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
