//! Makes the plates of a reviewed cut and notes in the findings what was made.

use super::built::Woven;
use super::corrects::{InRecordTime, WhenNeeded, refuse};
use super::looping::{Renewed, Then};
use super::patches::MATTES;
use super::{Job, Progress, Review, Subject};
use crate::annotate::{LaidPlate, PlateMedia, first_take_frame_shown};
use crate::error::{BadInput, Faults};
use crate::findings::{Findings, UseFinding, Verdict};
use crate::media::StartTimecode;
use crate::patch::{Matte, MatteKind, make_matte};
use crate::plate::{
    FrameMap, PlateCodec, PlateJob, PlateMade, Retouch, kept_version, make_new_version,
    make_unless_taken, make_version,
};
use crate::reason::{Code, Reason, Severity};
use crate::time::{Counting, Exact, Frame, FrameRange, FrameShift, Rate, ceil, floor};
use crate::timeline::{Cut, Speed, Use};
use num_traits::One;
use std::path::{Path, PathBuf};

/// The folder of plates in a turnover.
pub const PLATES: &str = "plates";

/// The folder of everything that is rendered from proxies.
pub const PREVIEW: &str = "preview";

/// The folder of receipts, hidden: nobody but the next run reads them.
pub(super) const RECEIPTS: &str = ".receipts";

/// A temp comp, and its start and length in frames of the clip clock.
pub type TempMedia = (LaidPlate, (Exact, Exact));

/// What was rendered for a use, as timelines reference it.
#[derive(Debug, Clone, Default)]
pub struct Rendered {
    /// The plate that is laid into the cut.
    pub plate: Option<LaidPlate>,
    /// The temp comp that may take the place of the take's media.
    pub temp: Option<TempMedia>,
}

/// Makes every plate that was planned on media, and where the patch region is known its matte
/// and temp comp. Returns for each use what was rendered.
///
/// What cannot be made becomes a fault of the findings; all else is still made.
pub fn render_plates(
    review: &mut Review,
    job: &Job,
    out: &Path,
    progress: &mut dyn Progress,
) -> Vec<Rendered> {
    write_never_free(review, out);
    let laid = render_uses(review, job, out, &with_plates(review), progress);
    review.findings.totals = Findings::count(&review.findings.uses);
    laid
}

/// Returns the uses a plate was planned for, in order.
pub(super) fn with_plates(review: &Review) -> Vec<usize> {
    let has_map = |at: &usize| review.subjects.get(*at).is_some_and(|one| one.map.is_some());
    (0..review.subjects.len()).filter(has_map).collect()
}

/// Makes what was planned for some uses. Returns for every use of the cut what was rendered.
pub(super) fn render_uses(
    review: &mut Review,
    job: &Job,
    out: &Path,
    planned: &[usize],
    progress: &mut dyn Progress,
) -> Vec<Rendered> {
    let mut laid = vec![Rendered::default(); review.subjects.len()];
    let Some(codec) = PlateCodec::parse(&job.settings.plate_codec) else {
        review.findings.faults.push(unknown_codec(&job.settings.plate_codec));
        return laid;
    };
    for (number, at) in planned.iter().enumerate() {
        let shot = &review.findings.uses[*at].shot;
        let frames = review.subjects[*at].map.as_ref().map_or(0, FrameMap::len);
        progress.stage(&format!("plate {}/{} {shot}", number + 1, planned.len()), frames);
        let render = Render {
            subject: &review.subjects[*at],
            used: &review.cut.uses[*at],
            cut: &review.cut,
            job,
            codec,
            out,
        };
        let mut faults = Vec::new();
        match render.made(&mut review.findings.uses[*at], &mut faults, progress) {
            Ok(rendered) => laid[*at] = rendered,
            Err(faults) => {
                unreadable(&mut review.findings.uses[*at], &faults);
                review.findings.faults.extend(faults.0);
            }
        }
        review.findings.faults.extend(faults);
    }
    laid
}

/// Writes for every use that no plate can be built for which pixels are in the way.
fn write_never_free(review: &mut Review, out: &Path) {
    for (subject, finding) in review.subjects.iter().zip(&mut review.findings.uses) {
        let Some(lost) = &subject.never_free else { continue };
        let folder = out.join(if subject.proxy { PREVIEW } else { MATTES });
        let (width, height) = (lost.width(), lost.height());
        let code = |at: usize| if lost.has(at % width, at / width) { u16::MAX } else { 0 };
        let codes = (0..width * height).map(code).collect();
        let Some(map) = Matte::from_codes(width, height, codes) else { continue };
        let path = folder.join(format!("{}_NEVERFREE01", finding.shot));
        let made = std::fs::create_dir_all(&folder)
            .map_err(|io| {
                BadInput::new(
                    folder.display().to_string(),
                    "",
                    io.to_string(),
                    "check the output folder",
                )
            })
            .and_then(|()| make_matte(&map, &path, MatteKind::Png));
        match made {
            Ok(made) => finding.never_free = Some(relative(&made.path, out)),
            Err(fault) => review.findings.faults.push(fault),
        }
    }
}

/// Where the fault lies in the media of a use, its verdict falls: a frame it needs cannot be
/// read.
fn unreadable(finding: &mut UseFinding, faults: &Faults) {
    let Some(media) = &finding.media else { return };
    let name = media.file.rsplit('/').next().unwrap_or_default();
    let of_media = |fault: &&BadInput| fault.file_name() == name;
    let Some(fault) = faults.0.iter().find(of_media) else { return };
    let place = if fault.place.is_empty() { String::new() } else { format!(", {}", fault.place) };
    let text = format!("{name}{place} cannot be read: {}.", fault.fault);
    finding.verdict = Verdict::Undecided;
    finding.corrections.clear();
    finding.plate = None;
    finding.reasons.insert(0, Reason::new(Code::MediaUnreadable, Severity::Stop, text));
}

fn unknown_codec(word: &str) -> BadInput {
    BadInput::new(
        "settings",
        "plate_codec",
        format!("\"{word}\" is no plate codec"),
        "choose auto, prores-hq, prores-4444, dnxhr-hqx, ffv1, dpx, exr, png or tiff",
    )
}

/// How a plate in record time ended.
enum Twin {
    Laid(Box<LaidPlate>),
    None,
    /// Another cut's twin stands under this version.
    Taken,
}

/// One use to be rendered.
pub(super) struct Render<'a> {
    pub subject: &'a Subject,
    pub used: &'a Use,
    cut: &'a Cut,
    pub job: &'a Job,
    codec: PlateCodec,
    pub out: &'a Path,
}

impl Render<'_> {
    fn made(
        &self,
        finding: &mut UseFinding,
        faults: &mut Vec<BadInput>,
        progress: &mut dyn Progress,
    ) -> Result<Rendered, Faults> {
        let (Some(media), Some(map), Some(clocks)) =
            (&self.subject.media, &self.subject.map, &self.subject.clocks)
        else {
            return Ok(Rendered::default());
        };
        let Some(need) = finding.need_in_take else { return Ok(Rendered::default()) };
        let folder = self.folder(PLATES);
        std::fs::create_dir_all(&folder).map_err(|io| {
            Faults::one(
                folder.display().to_string(),
                "",
                format!("cannot be made: {io}"),
                "check the output folder",
            )
        })?;
        let origin = &self.subject.origin;
        let source = origin.source().map_or(media, |other| &other.media);
        let joined = origin
            .joined(media, map)
            .map_err(|fault| map_fault(&finding.shot, &fault.to_string()))?;
        let renewed = match Renewed::of(self.subject, media, map, finding)? {
            Ok(renewed) => renewed,
            Err(refused) => {
                refuse(finding, &refused, clocks);
                return Ok(Rendered::default());
            }
        };
        let corrected = WhenNeeded::new(self.subject, origin.footage(media), &joined, finding);
        let lit = corrected.as_ref().map(|corrected| corrected as &dyn Retouch);
        let woven = origin.built().map(|plate| Woven { built: &plate.built, lit });
        let chain = renewed.as_ref().zip(corrected.as_ref());
        let chain = chain.map(|(first, second)| Then { first, second });
        let retouch: Option<&dyn Retouch> = match (&woven, &chain, &renewed) {
            (Some(woven), ..) => Some(woven),
            (_, Some(chain), _) => Some(chain),
            (_, _, Some(renewed)) => Some(renewed),
            _ => lit,
        };
        let division = self.subject.division.as_deref();
        let recipes: Vec<String> = woven
            .iter()
            .map(|woven| woven.built.recipe().to_string())
            .chain(renewed.iter().map(|renewed| renewed.recipe(finding, division)))
            .chain(corrected.as_ref().map(WhenNeeded::recipe))
            .collect();
        let stem = folder.join(format!("{}_CP01", finding.shot));
        let start = StartTimecode { frame: need.start, counting: clocks.counting };
        let plate_job = PlateJob {
            source,
            map,
            out: stem,
            reel: None,
            start: (clocks.has_timecode && clocks.rate.is_standard()).then_some(start),
            rate: None,
            first_number: self.job.settings.first_frame,
            codec: self.codec,
            threads: self.job.settings.encoder_threads,
            still: false,
            retouch,
            recipe: (!recipes.is_empty()).then(|| recipes.join("; ")),
            receipts: Some(self.out.join(RECEIPTS)),
        };
        if let Some(corrected) = corrected.as_ref().filter(|_| kept_version(&plate_job).is_none()) {
            progress.stage(&format!("correcting {}", finding.shot), need.count().0);
            if let Some(refused) = corrected.settle(progress)? {
                refuse(finding, &refused, clocks);
                return Ok(Rendered::default());
            }
        }
        let mut made = make_version(&plate_job, &mut |done, _| progress.at(done))?;
        note(finding, &made, self.out);
        // A use that begins off the whole frames of the cut touches one more of them than
        // it has frames of its own; without handles the plate ends before that one.
        let count = finding.range_in_cut.count().0;
        let first = first_take_frame_shown(finding, self.used, self.cut.rate).filter(|first| {
            let end = first.saturating_add_unsigned(count);
            self.is_frame_for_frame(clocks.rate) && need.contains(FrameRange::new(*first, end))
        });
        let laid = if let Some(first) = first {
            let embedded = embedded_start(plate_job.start, need.start);
            Some(LaidPlate {
                name: name_of(&made),
                media: files_of(&made, plate_job.first_number),
                rate: clocks.rate,
                available: need.shifted(FrameShift(embedded - need.start.0)),
                first_shown: first - need.start.0 + embedded,
            })
        } else {
            match self.record_twin(finding, &plate_job, &made, progress)? {
                Twin::Laid(plate) => Some(*plate),
                Twin::None => None,
                // The cut has moved under a plate that stays the same. Plate and twin go by
                // one version, so both take the next.
                Twin::Taken => {
                    made = make_new_version(&plate_job, &mut |done, _| progress.at(done))?;
                    note(finding, &made, self.out);
                    match self.record_twin(finding, &plate_job, &made, progress)? {
                        Twin::Laid(plate) => Some(*plate),
                        Twin::None | Twin::Taken => None,
                    }
                }
            }
        };
        let temp = self.patched(finding, &plate_job, &made, faults, progress);
        Ok(Rendered { plate: laid, temp })
    }

    /// Returns the folder for renders of a kind. Those from proxies lie apart, so that nobody
    /// takes them for finals.
    pub(super) fn folder(&self, kind: &str) -> PathBuf {
        self.out.join(if self.subject.proxy { PREVIEW } else { kind })
    }

    /// Tells whether one take frame stands for one cut frame: speed 1 and one count base.
    fn is_frame_for_frame(&self, rate: Rate) -> bool {
        let natural = matches!(&self.used.speed, Speed::Constant(speed) if *speed == Exact::one());
        let bases = [rate, self.used.clip_rate].map(Rate::nominal);
        natural && bases.iter().all(|base| *base == self.cut.rate.nominal())
    }

    /// Makes the plate in record time: one frame for each cut frame, transitions included,
    /// at the cut rate and with the cut's timecode.
    fn record_twin(
        &self,
        finding: &mut UseFinding,
        plate: &PlateJob<'_>,
        made: &PlateMade,
        progress: &mut dyn Progress,
    ) -> Result<Twin, Faults> {
        let (Some(need), Some(clocks)) = (finding.need_in_take, &self.subject.clocks) else {
            return Ok(Twin::None);
        };
        let rate = self.cut.rate;
        let visible = FrameRange::new(
            floor(&rate.frames_in(&self.used.visible.start)),
            ceil(&rate.frames_in(&self.used.visible.end)),
        );
        let last = need.count().0.saturating_sub(1) as i64;
        let shown: Option<Vec<u64>> = (visible.start.0..visible.end.0)
            .map(|frame| {
                let in_clip = self.used.media_frame_of_cut_frame(frame, rate)?;
                let in_need = (clocks.take_frame(in_clip) - need.start).0;
                Some(in_need.clamp(0, last) as u64)
            })
            .collect();
        let Some(shown) = shown else { return Ok(Twin::None) };
        let map = plate
            .map
            .composed(&shown)
            .map_err(|fault| map_fault(&finding.shot, &fault.to_string()))?;
        let start = self.cut.global_start.as_ref().map(|seconds| rate.frames_in(seconds));
        let cut_start = start.as_ref().map_or(0, floor);
        let first = Frame(cut_start.saturating_add(visible.start.0));
        let name = format!("{}_record", name_of(made));
        let retimed = plate.retouch.map(|retouch| InRecordTime { retouch, shown: &shown });
        let twin = PlateJob {
            retouch: retimed.as_ref().map(|retimed| retimed as &dyn Retouch),
            recipe: plate.recipe.as_ref().map(|recipe| format!("{recipe}, shown {shown:?}")),
            map: &map,
            out: self.folder(PLATES).join(&name),
            start: rate.is_standard().then_some(StartTimecode {
                frame: first,
                counting: Counting::new(rate, rate.can_drop()),
            }),
            rate: Some(rate),
            ..plate.clone()
        };
        progress.stage(&name, map.len());
        let made = make_unless_taken(&twin, &mut |done, _| progress.at(done))?;
        let Some(made) = made else { return Ok(Twin::Taken) };
        if let Some(summary) = &mut finding.plate {
            summary.record_file = Some(relative(&made.path, self.out));
        }
        let embedded = embedded_start(twin.start, first);
        let end = embedded.saturating_add_unsigned(visible.count().0);
        Ok(Twin::Laid(Box::new(LaidPlate {
            name,
            media: files_of(&made, plate.first_number),
            rate,
            available: FrameRange::new(embedded, end),
            first_shown: embedded + (self.used.range_in_cut.start.0 - visible.start.0),
        })))
    }
}

fn map_fault(shot: &str, fault: &str) -> Faults {
    Faults::one(shot, "frame map", fault, "check the speed of this clip")
}

fn note(finding: &mut UseFinding, made: &PlateMade, out: &Path) {
    if let Some(summary) = &mut finding.plate {
        summary.method = Some(made.method);
        summary.encode_reason = made.encode_reason.clone();
        summary.notes = made.notes.clone();
        summary.render_id = made.render_id.clone();
        summary.file = Some(relative(&made.path, out));
    }
}

pub(super) fn relative(path: &Path, out: &Path) -> String {
    let below = path.strip_prefix(out).unwrap_or(path);
    below.components().map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

/// Returns what a reader of the plate takes for its first frame: its embedded timecode as a
/// count, which wraps at midnight as labels do, or zero where there is none.
pub(super) fn embedded_start(start: Option<StartTimecode>, first: Frame) -> i64 {
    start.map_or(0, |start| first.0.rem_euclid(start.counting.frames_in_day()))
}

/// Returns the name of a finished plate: its file name without ending.
pub(super) fn name_of(made: &PlateMade) -> String {
    let name = if made.path.is_dir() { made.path.file_name() } else { made.path.file_stem() };
    name.unwrap_or_default().to_string_lossy().into_owned()
}

/// Returns the files of a finished plate as the timeline references them.
pub(super) fn files_of(made: &PlateMade, first_number: u32) -> PlateMedia {
    let path = std::path::absolute(&made.path).unwrap_or_else(|_| made.path.clone());
    if !path.is_dir() {
        return PlateMedia::File(path);
    }
    let name = name_of(made);
    let suffix = std::fs::read_dir(&path)
        .ok()
        .and_then(|mut entries| entries.next()?.ok())
        .and_then(|entry| Some(format!(".{}", entry.path().extension()?.to_str()?)))
        .unwrap_or_default();
    PlateMedia::Sequence {
        folder: path,
        prefix: format!("{name}."),
        suffix,
        first: i64::from(first_number),
        padding: 4,
    }
}
