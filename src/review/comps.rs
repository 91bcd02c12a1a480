//! Matte and temp comp of a use whose plate was made.

use super::renders::{folder_for, relative};
use super::{Job, Progress, Subject};
use crate::error::Faults;
use crate::findings::UseFinding;
use crate::measure::divider::alpha;
use crate::media::{FieldOrder, StartTimecode};
use crate::patch::{Comp, Matte, fades, write_matte};
use crate::plate::{FrameMap, PlateCodec, PlateJob, make_version};
use crate::time::FrameRange;
use std::path::Path;

/// The folders of mattes and of temp comps in a turnover.
const MATTES: &str = "mattes";
const TEMP: &str = "temp";

/// Makes matte and temp comp of a use and notes them in its finding. A use without a divider
/// that was measured has neither.
pub(super) fn lay(
    (subject, job, out): (&Subject, &Job, &Path),
    plate: &PlateJob<'_>,
    finding: &mut UseFinding,
    progress: &mut dyn Progress,
) -> Result<(), Faults> {
    let (Some(patch), Some(clocks)) = (&subject.patch, &subject.clocks) else { return Ok(()) };
    let Some(need) = finding.need_in_take.and_then(|need| clocks.file_range(need)) else {
        return Ok(());
    };
    if patch.division.region.is_empty() {
        return Ok(());
    }
    let info = plate.source.info();
    let size = (info.width as usize, info.height as usize);
    let feather = job.settings.divider.feather_px;
    let alpha = alpha(&patch.division, size.0, size.1, feather);
    let outlines = patch.division.region_on(size.0 as f64, size.1 as f64).outlines;
    let matte = Matte::new(size, outlines, feather, patch.division.clearance_px);
    let folder = out.join(folder_for(finding, MATTES));
    let made = write_matte(&folder, &format!("{}_MATTE01", finding.shot), &matte, &alpha)?;
    finding.matte = Some(relative(&made.picture, out));
    // Fields would have to be laid one by one, with a matte for each.
    if matches!(info.field_order, FieldOrder::TopFirst | FieldOrder::BottomFirst) {
        return Ok(());
    }
    let held = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    let Some(shown) = need.overlap(held) else { return Ok(()) };
    let from = shown.start - need.start;
    let straight = FrameMap::straight(shown).map_err(|fault| {
        Faults::one(&finding.shot, "temp comp", fault.to_string(), "check the use of this shot")
    })?;
    let faded = fades(&patch.patched, shown, job.settings.fade_frames);
    let from_plate = u64::try_from(from.0).unwrap_or(0);
    let comp = Comp::new(plate.source, plate.map, plate.retouch, (from_plate, faded), alpha);
    let start = plate.start.map(|start| StartTimecode { frame: start.frame + from, ..start });
    let temp = PlateJob {
        map: &straight,
        out: out.join(folder_for(finding, TEMP)).join(format!("{}_TEMP01", finding.shot)),
        start,
        codec: PlateCodec::Auto,
        retouch: Some(&comp),
        ..plate.clone()
    };
    progress.stage(&format!("temp comp {}", finding.shot), straight.len());
    let made = make_version(&temp, &mut |done, _| progress.at(done))?;
    finding.temp_comp = Some(relative(&made.path, out));
    Ok(())
}
