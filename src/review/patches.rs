//! Makes the matte and the temp comp of a use whose plate was made.

use super::Progress;
use super::renders::{Render, TempMedia, embedded_start, files_of, name_of, relative};
use crate::annotate::{LaidPlate, PlateMedia};
use crate::error::{BadInput, Faults};
use crate::findings::UseFinding;
use crate::media::can_encode_viewing_copies;
use crate::patch::{Fade, Matte, MatteKind, TempJob, make_matte, make_temp};
use crate::plate::{PlateJob, PlateMade};
use crate::time::{FrameRange, FrameShift, union};
use crate::viewing::{ReviewJob, make_review};

/// The folder of mattes in a turnover.
pub(super) const MATTES: &str = "mattes";

/// The folder of temp comps in a turnover.
pub(super) const TEMP: &str = "temp";

/// The folder of review copies in a turnover.
pub(super) const REVIEW: &str = "review";

impl Render<'_> {
    /// Makes matte and temp comp, if the region of the patch is known. Returns the temp comp
    /// on the take clock of its embedded timecode.
    ///
    /// What cannot be made goes to `faults`; the plate stays.
    pub(super) fn patched(
        &self,
        finding: &mut UseFinding,
        plate: &PlateJob<'_>,
        made: &PlateMade,
        faults: &mut Vec<BadInput>,
        progress: &mut dyn Progress,
    ) -> Option<TempMedia> {
        match self.matte_and_temp(finding, plate, made, progress) {
            Ok(temp) => {
                if let Err(wrong) = self.review_copy(finding, plate, temp.as_ref(), progress) {
                    faults.extend(wrong.0);
                }
                temp
            }
            Err(wrong) => {
                faults.extend(wrong.0);
                None
            }
        }
    }

    fn matte_and_temp(
        &self,
        finding: &mut UseFinding,
        plate: &PlateJob<'_>,
        made: &PlateMade,
        progress: &mut dyn Progress,
    ) -> Result<Option<TempMedia>, Faults> {
        let (Some(division), Some(media), Some(clocks), Some(need)) = (
            &self.subject.division,
            &self.subject.media,
            &self.subject.clocks,
            finding.need_in_take,
        ) else {
            return Ok(None);
        };
        let (width, height) = (media.info().width as usize, media.info().height as usize);
        let Some(matte) = Matte::of(division, width, height) else { return Ok(None) };
        let out = self.folder(MATTES).join(format!("{}_MATTE01", finding.shot));
        let matte_made = make_matte(&matte, &out, kind_beside(made, plate))?;
        finding.matte = Some(relative(&matte_made.path, self.out));

        let Some(need_in_file) = clocks.file_range(need) else { return Ok(None) };
        let fade = self.fade(finding);
        progress.stage(&format!("temp comp {}", finding.shot), need.count().0);
        let temp_job = TempJob {
            take: media,
            need_in_file,
            plate,
            matte: &matte,
            fade: &fade,
            out: self.folder(TEMP).join(format!("{}_TEMP01", finding.shot)),
        };
        let temp = make_temp(&temp_job, &mut |done, _| progress.at(done))?;
        finding.temp_comp = Some(relative(&temp.path, self.out));
        if let Some(summary) = &mut finding.plate {
            let notes = temp.notes.iter().map(|note| format!("temp comp: {note}"));
            summary.notes.extend(notes.collect::<Vec<_>>());
        }
        let embedded = embedded_start(plate.start, need.start);
        let media = LaidPlate {
            name: name_of(&temp),
            media: files_of(&temp, plate.first_number),
            rate: clocks.rate,
            available: need.shifted(FrameShift(embedded - need.start.0)),
            first_shown: embedded,
        };
        let start = clocks.clip_time(need.start);
        let length = clocks.clip_time(need.end) - &start;
        Ok(Some((media, (start, length))))
    }

    /// Makes the review copy of a temp comp. Libraries that cannot make one are no fault.
    fn review_copy(
        &self,
        finding: &mut UseFinding,
        plate: &PlateJob<'_>,
        temp: Option<&TempMedia>,
        progress: &mut dyn Progress,
    ) -> Result<(), Faults> {
        let (Some(temp), Some(take), Some(clocks), Some(need), true) = (
            temp,
            &self.subject.media,
            &self.subject.clocks,
            finding.need_in_take,
            self.job.settings.review_copies,
        ) else {
            return Ok(());
        };
        let (Some(need_in_file), Some(pictures)) = (clocks.file_range(need), &finding.temp_comp)
        else {
            return Ok(());
        };
        if let Err(why) = can_encode_viewing_copies() {
            note(finding, why);
            return Ok(());
        }
        progress.stage(&format!("review copy {}", finding.shot), need.count().0);
        let pictures = self.out.join(pictures);
        let job = ReviewJob {
            pictures: &pictures,
            take,
            need_in_file,
            start: plate.start,
            name: &temp.0.name,
            out: self.folder(REVIEW).join(format!("{}_REVIEW01", finding.shot)),
            threads: self.job.settings.encoder_threads,
        };
        let made = make_review(&job, &mut |done, _| progress.at(done))?;
        finding.review = Some(relative(&made.path, self.out));
        made.notes.iter().for_each(|text| note(finding, text));
        Ok(())
    }

    /// The patch in time, on the file clock: full wherever the boom is known to be in.
    fn fade(&self, finding: &UseFinding) -> Fade {
        let in_file = |ranges: &[FrameRange]| -> Vec<FrameRange> {
            let clocks = self.subject.clocks.as_ref();
            let range = |range: &FrameRange| clocks.and_then(|clocks| clocks.file_range(*range));
            ranges.iter().filter_map(range).collect()
        };
        let patched = &finding.patched_in_take;
        let boom = patched.iter().flat_map(|run| finding.claims.boom_within(*run));
        let boom: Vec<FrameRange> = boom.chain(finding.affected_in_take.clone()).collect();
        Fade::new(in_file(patched), in_file(&union(&boom)), self.job.settings.fade_frames)
    }
}

/// Notes beside the plate what a review copy lacks.
fn note(finding: &mut UseFinding, text: &str) {
    if let Some(summary) = &mut finding.plate {
        summary.notes.push(format!("review copy: {text}"));
    }
}

/// Mattes beside EXR plates are EXR.
fn kind_beside(made: &PlateMade, plate: &PlateJob<'_>) -> MatteKind {
    match files_of(made, plate.first_number) {
        PlateMedia::Sequence { suffix, .. } if suffix.eq_ignore_ascii_case(".exr") => {
            MatteKind::Exr
        }
        _ => MatteKind::Png,
    }
}
