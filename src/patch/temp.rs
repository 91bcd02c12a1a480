//! Temp comps: the take over need, with the plate laid over it where the patch is on.

use super::blend::{Comp, take_map};
use super::fade::Fade;
use super::matte::Matte;
use crate::error::Faults;
use crate::media::Media;
use crate::plate::{PlateCodec, PlateJob, PlateMade, hashed, make_version, render_id};
use crate::time::FrameRange;
use std::path::PathBuf;

/// One temp comp to be made.
#[derive(Debug)]
pub struct TempJob<'a> {
    /// The take.
    pub take: &'a Media,
    /// Need on the take's file clock; it may reach past the media.
    pub need_in_file: FrameRange,
    /// The plate as it was made: its source, map, changes, and timecode of need's first
    /// frame.
    pub plate: &'a PlateJob<'a>,
    /// The matte.
    pub matte: &'a Matte,
    /// How strongly the patch is on, on the take's file clock.
    pub fade: &'a Fade,
    /// Folder and name without version: `temp/SHOT_TEMP01`.
    pub out: PathBuf,
}

/// Makes a temp comp: length of need, the take's raster, rate and timecode, in the coding
/// nearest to the take's. Made anew it takes the next version, or is left alone if its bytes
/// would be the same.
///
/// Frames outside the patch are the take's own. It is read back and held against what was
/// asked for before it gets its name. Where need reaches past the media, the media's first or
/// last frame is held.
///
/// # Errors
///
/// As [`crate::plate::make_plate`]; a plate whose pictures are of another size or kind than
/// the take's.
pub fn make_temp(
    job: &TempJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<PlateMade, Faults> {
    let info = job.take.info();
    let Some(map) = take_map(job.need_in_file, info.frames) else {
        let fault = format!("no temp comp is made of frames {}", job.need_in_file);
        return Err(Faults::one(&info.name, "", fault, "check the range of this clip"));
    };
    let comp = Comp::new(job.plate, job.matte, job.fade, job.need_in_file.start);
    let whole = PlateJob {
        source: job.take,
        map: &map,
        out: job.out.clone(),
        reel: None,
        start: job.plate.start,
        rate: None,
        first_number: job.plate.first_number,
        codec: PlateCodec::Auto,
        threads: job.plate.threads,
        still: true,
        retouch: Some(&comp),
        recipe: recipe(job)?,
        receipts: job.plate.receipts.clone(),
    };
    make_version(&whole, progress)
}

/// Returns what a comp rests on besides the take: plate, matte and fade.
fn recipe(job: &TempJob<'_>) -> Result<Option<String>, Faults> {
    let codes: Vec<u8> = job.matte.codes().iter().flat_map(|code| code.to_le_bytes()).collect();
    let matte = hashed(&codes);
    let of = |plate: String| format!("plate {plate}, matte {matte}, fade {:?}", job.fade);
    Ok(render_id(job.plate)?.map(of))
}
