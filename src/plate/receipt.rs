//! Receipts: what a finished file was made of, so that it is not made again.
//!
//! ```text
//!   plates/SHOT_CP01_v001.mov            appears when it is whole
//!   .receipts/SHOT_CP01_v001.json        written after it: render id, program, file id
//! ```
//!
//! A run that was killed between the two makes the file again, finds the same bytes there and
//! leaves them alone.

use super::job::{Method, PlateCodec, PlateJob, PlateMade};
use crate::error::Faults;
use crate::media::{StartTimecode, file_id, program_id};
use crate::whole::put_whole;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// The version of the layout of a receipt.
const SCHEMA: &str = "platesmith.receipt/1";

/// Says what a finished file was made of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Receipt {
    schema: String,
    render_id: String,
    /// The program that made it, to the byte: another one may make it otherwise.
    program: String,
    file: String,
    file_id: String,
    method: Method,
    encode_reason: Option<String>,
    frames: u64,
    bytes: u64,
    notes: Vec<String>,
}

/// Everything that decides what is in a render besides the content of its media.
#[derive(Serialize)]
struct Recipe<'a> {
    map: Vec<[i64; 3]>,
    rate: String,
    start: Option<(i64, String)>,
    reel: &'a Option<String>,
    first_number: u32,
    codec: PlateCodec,
    threads: u32,
    still: bool,
    retouch: Option<&'a str>,
}

/// Returns the render id of a job: a hash of the content of its media, its map, its
/// corrections and how it is encoded, as 64 hexadecimal digits. `None` where nobody said what
/// its corrections rest on.
///
/// # Errors
///
/// Media that can no longer be read.
pub fn render_id(job: &PlateJob<'_>) -> Result<Option<String>, Faults> {
    if job.retouch.is_some() && job.recipe.is_none() {
        return Ok(None);
    }
    let start = |start: StartTimecode| (start.frame.0, start.counting.label(start.frame));
    let recipe = Recipe {
        map: job.map.triples(),
        rate: job.rate().to_string(),
        start: job.start.map(start),
        reel: &job.reel,
        first_number: job.first_number,
        codec: job.codec,
        threads: job.threads,
        still: job.still,
        retouch: job.recipe.as_deref(),
    };
    let Ok(recipe) = serde_json::to_vec(&recipe) else { return Ok(None) };
    let mut hash = Sha256::new();
    hash.update(b"render/1");
    hash.update(job.source.content_id(false)?);
    hash.update(recipe);
    Ok(Some(digits(&hash.finalize())))
}

/// Returns the hash of a text, for recipes that would be long.
pub fn hashed(bytes: &[u8]) -> String {
    digits(&Sha256::digest(bytes))
}

fn digits(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Returns what was made of this job under this name before, if it is still there, whole and
/// unchanged.
pub(super) fn kept(job: &PlateJob<'_>, folder: &Path, name: &str) -> Option<PlateMade> {
    let receipts = job.receipts.as_ref()?;
    let bytes = std::fs::read(place(receipts, name)).ok()?;
    let receipt: Receipt = serde_json::from_slice(&bytes).ok()?;
    let render_id = render_id(job).ok()??;
    let same = receipt.schema == SCHEMA
        && receipt.render_id == render_id
        && receipt.program == digits(program_id()?);
    // The receipt names a file of this folder, nothing else.
    let plain = Path::new(&receipt.file).file_name()?.to_str()? == receipt.file;
    if !same || !plain || !receipt.file.starts_with(name) {
        return None;
    }
    let path = folder.join(&receipt.file);
    (file_id(&path, job.source.verified()).ok()? == receipt.file_id).then_some(PlateMade {
        path,
        method: receipt.method,
        encode_reason: receipt.encode_reason,
        frames: receipt.frames,
        bytes: receipt.bytes,
        kept: true,
        notes: receipt.notes,
        render_id: Some(receipt.render_id),
    })
}

/// Writes the receipt of what was made. Without one it is made again the next time.
pub(super) fn note(job: &PlateJob<'_>, name: &str, made: &PlateMade) {
    let Some(receipts) = &job.receipts else { return };
    let (Some(render_id), Some(program)) = (&made.render_id, program_id()) else { return };
    let Some(file) = made.path.file_name().and_then(|file| file.to_str()) else { return };
    let Ok(file_id) = file_id(&made.path, job.source.verified()) else { return };
    let receipt = Receipt {
        schema: SCHEMA.into(),
        render_id: render_id.clone(),
        program: digits(program),
        file: file.to_owned(),
        file_id,
        method: made.method,
        encode_reason: made.encode_reason.clone(),
        frames: made.frames,
        bytes: made.bytes,
        notes: made.notes.clone(),
    };
    let Ok(mut bytes) = serde_json::to_vec_pretty(&receipt) else { return };
    bytes.push(b'\n');
    if std::fs::create_dir_all(receipts).is_ok() {
        let _ = put_whole(&place(receipts, name), &bytes);
    }
}

fn place(receipts: &Path, name: &str) -> PathBuf {
    receipts.join(format!("{name}.json"))
}
