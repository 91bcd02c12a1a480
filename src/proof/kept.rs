//! What was seen of a take, kept from run to run: a recut does not measure it again.
//!
//! A look is found again by the content of the media, what was asked of it, the limits it was
//! measured with, and the program itself, to the byte: a program that measures otherwise never
//! reads what another kept. Verdicts are not kept; they are made afresh from it.

use super::look::{Asked, Looked};
use crate::error::Faults;
use crate::measure::transfer::Encoding;
use crate::media::program_id;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Most bytes kept in the folder; the oldest go first. Ours: some hundred takes.
const MOST_BYTES: u64 = 4 << 30;

/// Begins every kept file; changes with the way it is written.
const HEAD: &[u8; 16] = b"platesmith.look3";

/// A place for one look.
#[derive(Debug)]
pub(super) struct Shelf {
    path: PathBuf,
}

/// What a look depends on besides the content of the media.
#[derive(Serialize)]
struct Asking<'a> {
    plates: &'a [crate::time::FrameRange],
    near: &'a [crate::time::FrameRange],
    boom: &'a [crate::time::FrameRange],
    frames: &'a [crate::time::FrameRange],
    region: Option<&'a [[f64; 2]]>,
    encoding: String,
    picture: (u32, u32, &'a str, u64),
    fade_frames: u32,
    every: u32,
    limits: crate::settings::MeasureLimits,
}

impl Shelf {
    /// Finds the place for a look; `None` if looks are not kept.
    ///
    /// # Errors
    ///
    /// Media that can no longer be read.
    pub fn of(asked: &Asked<'_>, encoding: &Encoding) -> Result<Option<Shelf>, Faults> {
        let Some((folder, program)) = asked.settings.cache_folder().zip(program_id()) else {
            return Ok(None);
        };
        let info = asked.media.info();
        let asking = Asking {
            plates: &asked.plates,
            near: &asked.near,
            boom: &asked.boom,
            frames: &asked.frames,
            region: asked.region.as_deref(),
            encoding: format!("{encoding:?}"),
            picture: (info.width, info.height, &info.pixel_format, info.frames),
            fade_frames: asked.settings.fade_frames,
            every: asked.every,
            limits: asked.settings.measure_limits(),
        };
        let Ok(asking) = serde_json::to_vec(&asking) else { return Ok(None) };
        let mut hash = Sha256::new();
        hash.update(HEAD);
        hash.update(program);
        hash.update(asked.media.content_id(false)?);
        if let Some(behind) = asked.behind {
            hash.update(behind.id()?);
        }
        hash.update(asking);
        Ok(Some(Shelf { path: folder.join(format!("{}.look", digits(&hash.finalize()))) }))
    }

    /// Returns the look that is kept here; `None` if there is none, or if it is not whole.
    pub fn look(&self, name: &str) -> Option<Looked> {
        let bytes = std::fs::read(&self.path).ok()?;
        let rest = bytes.strip_prefix(HEAD.as_slice())?;
        let (sum, rest) = rest.split_at_checked(32)?;
        if Sha256::digest(rest).as_slice() != sum {
            return None;
        }
        let mut looked: Looked = postcard::from_bytes(rest).ok()?;
        looked.gauges.iter_mut().for_each(|gauge| gauge.name = name.to_string());
        Some(looked)
    }

    /// Keeps a look. What cannot be kept is measured again the next time.
    pub fn keep(&self, looked: &Looked) {
        let Some(folder) = self.path.parent() else { return };
        let written = || -> std::io::Result<()> {
            std::fs::create_dir_all(folder)?;
            let bytes = postcard::to_allocvec(looked).map_err(std::io::Error::other)?;
            let mut file = tempfile::NamedTempFile::new_in(folder)?;
            file.write_all(HEAD)?;
            file.write_all(&Sha256::digest(&bytes))?;
            file.write_all(&bytes)?;
            file.persist(&self.path)?;
            Ok(())
        };
        if written().is_ok() {
            make_room(folder, MOST_BYTES);
        }
    }
}

fn digits(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Deletes the looks kept longest until the others fit.
fn make_room(folder: &Path, most: u64) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    let is_look = |path: &Path| path.extension().is_some_and(|ending| ending == "look");
    let mut kept: Vec<(SystemTime, u64, PathBuf)> = entries
        .flatten()
        .filter(|entry| is_look(&entry.path()))
        .filter_map(|entry| {
            let about = entry.metadata().ok()?;
            Some((about.modified().ok()?, about.len(), entry.path()))
        })
        .collect();
    kept.sort();
    let mut bytes: u64 = kept.iter().map(|(_, size, _)| size).sum();
    for (_, size, path) in &kept[..kept.len().saturating_sub(1)] {
        if bytes <= most {
            break;
        }
        if std::fs::remove_file(path).is_ok() {
            bytes -= size;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_oldest_looks_go_first_and_the_newest_stays() {
        let folder = tempfile::tempdir().unwrap();
        for (age, name) in [(3, "a.look"), (1, "b.look"), (2, "c.look"), (9, "other.txt")] {
            let file = std::fs::File::create(folder.path().join(name)).unwrap();
            file.set_len(100).unwrap();
            let then = SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000 - age);
            file.set_modified(then).unwrap();
        }
        make_room(folder.path(), 250);
        let there = |name: &str| folder.path().join(name).exists();
        assert!(!there("a.look") && there("b.look") && there("c.look") && there("other.txt"));
        make_room(folder.path(), 0);
        assert!(there("b.look") && !there("c.look") && there("other.txt"));
    }
}
