//! Looks at one take before any cut: can it be patched, or what has to be rolled?

mod noted;

pub use noted::SEEN;

use crate::error::Faults;
use crate::findings::MediaSummary;
use crate::inspection::{DividerSummary, Inspection, Point, SCHEMA, Series, TakeVerdict};
use crate::matching::{Matcher, UseClues};
use crate::measure::boom::Say;
use crate::measure::lockoff::Stand;
use crate::media::{Media, OpenOptions, Picture, Thumbnail, open_with};
use crate::platelog::{Record, asked_about, read_logs};
use crate::proof::{Asked, Looked, Shot, Weighed, longest_suffices, look, weigh};
use crate::reach::{Claims, Clocks, Outcome, claims_of};
use crate::reason::{Code, Reason, Severity};
use crate::report::plots::Limits;
use crate::report::take::{Shown, TakeLabels, TakePage, page};
use crate::review::Progress;
use crate::settings::Settings;
use crate::time::{Frame, FrameRange, Rate, union};
use std::path::{Path, PathBuf};

/// Width of the small pictures on the page.
const PICTURE_WIDTH: usize = 560;

/// What is to be inspected.
#[derive(Debug, Clone)]
pub struct InspectJob {
    /// The take: a media file, one of a sequence of image files, or their folder.
    pub take: PathBuf,
    /// Plate logs; may be none.
    pub logs: Vec<PathBuf>,
    /// Limits and choices.
    pub settings: Settings,
    /// Rate of an image sequence that does not say it.
    pub sequence_rate: Option<Rate>,
    /// Threads for reading pictures.
    pub threads: u32,
    /// Every how many frames are held against the plates; [`every_for`] their number if `None`.
    pub every: Option<u32>,
}

impl InspectJob {
    fn every_of(&self, frames: u64) -> u32 {
        self.every.unwrap_or_else(|| every_for(frames)).max(1)
    }
}

/// Frames of a take that are held against its plates, about: 40 seconds at 24. Ours: no take
/// is waited for longer than one of that length.
const HELD: u64 = 960;

/// Most frames from one that is looked at to the next. Ours: nothing that crosses a patch in a
/// sixth of a second was asked for.
const FARTHEST: u64 = 4;

/// Every how many frames of a take of `frames` are held against its plates unless the user
/// says otherwise.
pub fn every_for(frames: u64) -> u32 {
    frames.div_ceil(HELD).clamp(1, FARTHEST) as u32
}

/// A take that was inspected.
#[derive(Debug)]
pub struct Inspected {
    /// What was found.
    pub inspection: Inspection,
    /// How its frames are said.
    pub labels: TakeLabels,
    /// Seconds of plate that are asked for.
    pub ask_s: f64,
    limits: Limits,
    series: Series,
    pictures: Vec<Shown>,
}

impl Inspected {
    /// Returns the page to look at.
    pub fn page(&self) -> String {
        page(&TakePage {
            inspection: &self.inspection,
            series: &self.series,
            limits: self.limits,
            labels: self.labels,
            ask_s: self.ask_s,
            pictures: self.pictures.clone(),
        })
    }

    /// Returns the findings as JSON, with every frame's figures if asked for.
    pub fn as_json(&self, with_series: bool) -> serde_json::Value {
        let mut inspection = self.inspection.clone();
        inspection.series = with_series.then(|| self.series.clone());
        serde_json::to_value(&inspection).unwrap_or_default()
    }
}

/// Returns the takes at a path: the path itself, or every take in a folder, in order of
/// their names. A folder of one numbered run of image files is one take.
///
/// # Errors
///
/// A folder that cannot be read or holds no take.
pub fn takes_in(path: &Path) -> Result<Vec<PathBuf>, Faults> {
    if !path.is_dir() {
        return Ok(vec![path.to_path_buf()]);
    }
    let place = path.display().to_string();
    let entries = std::fs::read_dir(path)
        .map_err(|io| Faults::one(&place, "", format!("cannot be read: {io}"), "check the path"))?;
    let mut files: Vec<PathBuf> = Vec::new();
    let mut folders: Vec<PathBuf> = Vec::new();
    let mut images = 0;
    for entry in entries.flatten() {
        let entry = entry.path();
        let name = entry.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        if entry.is_dir() {
            folders.push(entry);
        } else if crate::media::image_run(&name).is_some() {
            images += 1;
        } else if is_media(&entry) {
            files.push(entry);
        }
    }
    if images > 1 && files.is_empty() {
        return Ok(vec![path.to_path_buf()]);
    }
    let holds_images = |folder: &PathBuf| {
        std::fs::read_dir(folder).is_ok_and(|inside| {
            let names =
                inside.flatten().map(|file| file.file_name().to_string_lossy().into_owned());
            names.filter(|name| crate::media::image_run(name).is_some()).take(2).count() == 2
        })
    };
    files.extend(folders.into_iter().filter(holds_images));
    files.sort();
    if files.is_empty() {
        let remedy = "name a media file, a folder of takes, or a folder of numbered image files";
        return Err(Faults::one(&place, "", "holds no take", remedy));
    }
    Ok(files)
}

fn is_media(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    let known = ["mov", "mxf", "mp4", "mkv", "avi", "m4v", "y4m", "mts", "m2ts"];
    known.contains(&ending.to_ascii_lowercase().as_str())
}

/// Inspects one take.
///
/// # Errors
///
/// Media that cannot be opened or read.
pub fn inspect(job: &InspectJob, progress: &mut dyn Progress) -> Result<Inspected, Faults> {
    let options = OpenOptions {
        sequence_rate: job.sequence_rate,
        threads: job.threads,
        ..OpenOptions::default()
    };
    let media = open_with(&job.take, options)?;
    let (records, mut log_faults) = read_logs(&job.logs, &job.settings);
    let records = asked_about(records);
    let clocks = Clocks::of_media(media.info());
    let (claims, mut reasons) = claims(job, &media, &clocks, &records);
    let whole = FrameRange::new(0, i64::try_from(media.info().frames).unwrap_or(i64::MAX));
    let in_take = clocks.from_file(whole);
    let enough = |looked: &Looked| {
        let shot = shot(job, &claims, &clocks, in_take, &[]);
        longest_suffices(looked, &shot).unwrap_or(false)
    };
    let best = |looked: &Looked| {
        let shot = shot(job, &claims, &clocks, in_take, &[]);
        weigh(looked, &shot).ok().and_then(|weighed| weighed.gauge)
    };
    let (enough, best) = (Some(&enough as _), Some(&best as _));
    let asked = Asked { enough, best, ..asked(job, &media, &clocks, &claims, whole) };
    progress.stage(&format!("looking {}", media.info().name), media.info().frames);
    let looked = look(&asked, &mut |done| progress.at(done))?;
    let (weighed, left_out) = part_by_part(job, &looked, &claims, &clocks, in_take, &mut reasons)?;
    log_faults.extend(media.warnings().iter().cloned());
    let mut found =
        Finding { job, media: &media, clocks: &clocks, looked: &looked, weighed, left_out, whole };
    let inspection = found.inspection(reasons, log_faults);
    let pictures = found.pictures(&inspection)?;
    Ok(Inspected {
        labels: TakeLabels { start: media.info().start.map(|start| (start.frame, start.counting)) },
        ask_s: job.settings.plate_ask_s,
        limits: Limits::of(&job.settings),
        series: found.series(),
        pictures,
        inspection,
    })
}

/// Most rounds in which frames that cannot be patched are left out.
const ROUNDS: usize = 3;

/// Weighs a take, leaving out frames that rule a patch out: a cut need not use them. They
/// are named, and the rest is weighed again, as long as it is the larger part of the boom's
/// frames.
fn part_by_part(
    job: &InspectJob,
    looked: &Looked,
    claims: &Claims,
    clocks: &Clocks,
    in_take: FrameRange,
    reasons: &mut Vec<Reason>,
) -> Result<(Weighed, Vec<FrameRange>), Faults> {
    let weighed_without =
        |left_out: &[FrameRange]| weigh(looked, &shot(job, claims, clocks, in_take, left_out));
    let mut left_out: Vec<FrameRange> = Vec::new();
    let mut weighed = weighed_without(&left_out)?;
    for _ in 0..ROUNDS {
        let mut out = stopped_frames(&weighed, clocks);
        out.extend(&left_out);
        let out = union(&out);
        if out == left_out || 2 * shared(&out, &looked.boom) > shared(&looked.boom, &looked.boom) {
            break;
        }
        let ruled_out = weighed.judgement.reasons.iter();
        let ruled_out = ruled_out
            .filter(|reason| reason.severity == Severity::Stop && reason.range_in_take.is_some());
        reasons
            .extend(ruled_out.map(|reason| Reason { severity: Severity::Note, ..reason.clone() }));
        left_out = out;
        weighed = weighed_without(&left_out)?;
    }
    reasons.append(&mut weighed.judgement.reasons);
    Ok((weighed, left_out))
}

/// The whole take as a use of it.
fn shot<'a>(
    job: &'a InspectJob,
    claims: &'a Claims,
    clocks: &'a Clocks,
    in_take: FrameRange,
    left_out: &'a [FrameRange],
) -> Shot<'a> {
    Shot {
        used: in_take,
        need: in_take,
        claims,
        clocks,
        settings: &job.settings,
        per_delivered: 1.0,
        left_out,
    }
}

/// Frames that are in both.
fn shared(some: &[FrameRange], others: &[FrameRange]) -> u64 {
    let both = some.iter().flat_map(|one| others.iter().filter_map(|other| other.overlap(*one)));
    both.map(|run| run.count().0).sum()
}

/// Frames that rule a static patch out: an actor in the patch, or a fault that would show.
fn stopped_frames(weighed: &Weighed, clocks: &Clocks) -> Vec<FrameRange> {
    let mut frames: Vec<FrameRange> =
        weighed.region.iter().flat_map(|region| region.inside_frames()).collect();
    let stops = weighed.judgement.reasons.iter().filter(|reason| {
        reason.severity == Severity::Stop
            && matches!(
                reason.code,
                Code::CameraMoved
                    | Code::UnsteadyPicture
                    | Code::LightChanged
                    | Code::FocusChanged
                    | Code::BackgroundMoving
            )
    });
    frames.extend(stops.filter_map(|reason| clocks.file_range(reason.range_in_take?)));
    frames
}

/// What a log claims of the take; nothing, if no record fits.
fn claims(
    job: &InspectJob,
    media: &Media,
    clocks: &Clocks,
    records: &[Record],
) -> (Claims, Vec<Reason>) {
    let bare = Claims { take: clocks.file_in_take(), ..Claims::default() };
    if records.is_empty() {
        return (bare, Vec::new());
    }
    let info = media.info();
    let clues = UseClues { label: info.name.clone(), ..UseClues::default() }.with_media(
        std::slice::from_ref(&info.name),
        info.reel.as_deref(),
        None,
        info.start.map(|start| (start.frame, info.rate)),
    );
    let clues = match clocks.file_in_take().filter(|_| info.start.is_some()) {
        Some(whole) => clues.with_range(whole, info.rate),
        None => clues,
    };
    let matched = Matcher::new(records, &job.settings).find(&clues);
    match matched.record {
        Some(at) => claims_of(&records[at], clocks, clocks.file_start, &job.settings),
        None if matched.candidates.len() > 1 => {
            let places: Vec<&str> =
                matched.candidates.iter().map(|at| records[*at].place()).collect();
            let text = format!("Several records describe this take: {}.", places.join("; "));
            (bare, vec![Reason::new(Code::AmbiguousRecord, Severity::Attention, text)])
        }
        None => {
            let text = "No record of the log describes this take: it is judged by its picture.";
            (bare, vec![Reason::new(Code::BoomWithoutLog, Severity::Note, text)])
        }
    }
}

fn asked<'a>(
    job: &'a InspectJob,
    media: &'a Media,
    clocks: &Clocks,
    claims: &Claims,
    whole: FrameRange,
) -> Asked<'a> {
    let in_file = |ranges: &[FrameRange]| -> Vec<FrameRange> {
        ranges.iter().filter_map(|range| clocks.file_range(*range)).collect()
    };
    let plates: Vec<FrameRange> =
        claims.plates.iter().flat_map(|plate| plate.without(&claims.unusable)).collect();
    Asked {
        behind: None,
        media,
        plates: in_file(&plates),
        near: in_file(&claims.near),
        boom: in_file(&claims.boom),
        frames: vec![whole],
        region: Some(claims.region.clone()).filter(|region| !region.is_empty()),
        settings: &job.settings,
        enough: None,
        best: None,
        every: job.every_of(media.info().frames),
    }
}

/// Everything that is told about a take.
struct Finding<'a> {
    job: &'a InspectJob,
    media: &'a Media,
    clocks: &'a Clocks,
    looked: &'a Looked,
    weighed: Weighed,
    /// Frames that rule a patch out.
    left_out: Vec<FrameRange>,
    whole: FrameRange,
}

impl Finding<'_> {
    fn inspection(
        &mut self,
        mut reasons: Vec<Reason>,
        faults: Vec<crate::error::BadInput>,
    ) -> Inspection {
        self.without_what_a_cut_decides(&mut reasons);
        reasons.extend(self.camera());
        reasons.sort_by(|a, b| {
            (b.severity, a.code, a.range_in_take).cmp(&(a.severity, b.code, b.range_in_take))
        });
        let gravest = reasons.first().map_or(Severity::Note, |reason| reason.severity);
        let verdict = TakeVerdict::from(gravest);
        let info = self.media.info();
        let region = self.weighed.region.as_ref();
        Inspection {
            schema: SCHEMA,
            media: MediaSummary {
                file: info.name.clone(),
                rate: info.rate,
                start_timecode: info.start.map(|tag| tag.counting.label(tag.frame)),
                width: info.width,
                height: info.height,
                encoding: info.colour.transfer.clone().unwrap_or_else(|| "unknown".into()),
            },
            frames: info.frames,
            held_every: self.held_every(),
            lock_off: self.looked.lock_off.clone().unwrap_or_default(),
            plates: self.looked.plates.clone(),
            boom: self.looked.boom.clone(),
            patchable: self.patchable(),
            boom_region: region.map(|region| region.boom_outline()),
            divider: region.map(|region| region.summary()).filter(|d| !d.polygon.is_empty()),
            verdict,
            remedy: (verdict == TakeVerdict::Stop).then(|| self.remedy(&reasons)),
            reasons,
            series: None,
            faults,
        }
    }

    /// Every how many frames were held against the plates: of a take without any, none was.
    fn held_every(&self) -> u32 {
        let held = !self.looked.gauges.is_empty();
        if held { self.job.every_of(self.media.info().frames) } else { 1 }
    }

    /// A plate shorter than the whole take is the rule: how often it is looped the cut says.
    fn without_what_a_cut_decides(&self, reasons: &mut Vec<Reason>) {
        let plate = match self.weighed.judgement.outcome {
            Outcome::Plate(plate) | Outcome::Loop(plate) => Some(plate),
            _ => None,
        };
        reasons.retain(|reason| {
            let short = reason.code == Code::PlateShort && reason.severity == Severity::Note;
            let handles = matches!(reason.code, Code::HandlesShort | Code::BoomInHandles);
            !(handles || short && plate.is_some() && reason.range_in_take == plate)
        });
    }

    /// Frames that may be used: without boom, or with one that can be patched.
    fn patchable(&self) -> Vec<FrameRange> {
        let free = self.whole.without(&self.looked.boom);
        let blind = matches!(self.looked.search, Some(Say::CannotTell(_)));
        if blind {
            return Vec::new();
        }
        let limit = self.job.settings.visibility.attention;
        let mut all = free;
        let plate = matches!(
            self.weighed.judgement.outcome,
            Outcome::Plate(_) | Outcome::Loop(_) | Outcome::Still(_)
        );
        if let Some(region) = self.weighed.region.as_ref().filter(|_| plate) {
            let crossed = region.inside_frames();
            for boom in &self.looked.boom {
                let fine = |frame: i64| {
                    let shown = self.weighed.proof.shown.get(&Frame(frame)).copied();
                    // What a correction takes out does not keep frames from being used.
                    let corrected = !self.weighed.corrections.is_empty();
                    (corrected || shown.unwrap_or(0.0) <= limit)
                        && !crossed.iter().any(|run| run.holds(Frame(frame)))
                };
                all.extend(
                    (boom.start.0..boom.end.0)
                        .filter(|frame| fine(*frame))
                        .map(|frame| FrameRange::new(frame, frame + 1)),
                );
            }
        }
        union(&all).iter().flat_map(|run| run.without(&self.left_out)).collect()
    }

    /// What the camera did, where no patch asks for it.
    fn camera(&self) -> Option<Reason> {
        // Where there is a patch, its own reasons say what the camera did under it.
        if self.weighed.region.is_some() {
            return None;
        }
        let (found, scale) = self.looked.camera.as_ref()?;
        let px = |value: f64| value * scale;
        let limit = self.job.settings.camera.shift_px;
        let (code, severity, value, text) = match found.stand {
            Stand::Locked => return None,
            Stand::Moved => {
                let moved = px(found.slow_px.max(found.creep_px));
                let text = format!("The camera moved, by {moved:.2} px in all.");
                let nowhere = self.looked.lock_off.as_ref().is_some_and(Vec::is_empty);
                let severity = if nowhere { Severity::Stop } else { Severity::Attention };
                (Code::CameraMoved, severity, Some(moved), text)
            }
            Stand::Unsteady => {
                let off = px(found.peak_px);
                let text = format!("The picture is not steady: it strays by up to {off:.2} px.");
                (Code::UnsteadyPicture, Severity::Attention, Some(off), text)
            }
            Stand::CannotTell(bound) => {
                let text = match bound.map(px) {
                    Some(bound) => format!(
                        "The picture has too little texture at rest to prove the lock-off: the camera moved less than {bound:.2} px."
                    ),
                    None => "The picture has too little texture at rest to prove the lock-off."
                        .to_string(),
                };
                (Code::LockOffUnproven, Severity::Note, bound.map(px), text)
            }
        };
        let reason = Reason::new(code, severity, text);
        Some(match value {
            Some(value) => reason.measured(value, "px", Some(limit)),
            None => reason,
        })
    }

    /// What to do before the next set-up.
    fn remedy(&self, reasons: &[Reason]) -> String {
        let place = self.weighed.region.as_ref().map_or("picture", |region| region.in_words());
        let gravest = reasons.iter().find(|reason| reason.severity == Severity::Stop);
        match gravest.map(|reason| reason.code) {
            Some(Code::CameraMoved | Code::OutsideLockOff | Code::UnsteadyPicture) => {
                format!("lock the head off, then boom out, nobody in the {place}")
            }
            Some(Code::FocusChanged) => "boom out, focus where the action has it".into(),
            Some(Code::LightChanged) => "boom out, in the light of the action".into(),
            Some(Code::NoDivider) => {
                format!("boom higher and go again, actors clear of the {place}")
            }
            Some(Code::BackgroundMoving) => {
                format!("boom out, nothing moving in the {place}")
            }
            _ if self.weighed.region.is_none() => "boom out, nobody moves".into(),
            _ => format!("boom out, nobody in the {place}"),
        }
    }

    fn series(&self) -> Series {
        let frames = i64::try_from(self.media.info().frames).unwrap_or(i64::MAX);
        self.weighed.series(self.looked, FrameRange::new(0, frames))
    }

    /// The plate, the worst frame with the divider on it, and the matte.
    fn pictures(&self, inspection: &Inspection) -> Result<Vec<Shown>, Faults> {
        let outlines = self.outlines(inspection);
        let mut wanted: Vec<(Frame, String, bool)> = Vec::new();
        let gauge = self.weighed.gauge.and_then(|at| self.looked.gauges.get(at));
        let plate = gauge.map(|gauge| gauge.plate).or_else(|| inspection.plates.first().copied());
        if let Some(plate) = plate {
            let middle = Frame((plate.start.0 + plate.end.0) / 2);
            wanted.push((middle, format!("Plate, {}", self.label(middle)), false));
        }
        let shown = &self.weighed.proof.shown;
        let worst = shown.iter().max_by(|a, b| a.1.total_cmp(b.1)).map(|(frame, _)| *frame);
        let boom = inspection.boom.iter().max_by_key(|run| run.count());
        let most = boom.map(|run| Frame((run.start.0 + run.end.0) / 2));
        if let Some(frame) = worst.or(most) {
            let name = if worst.is_some() { "Worst frame" } else { "With the boom" };
            wanted.push((frame, format!("{name}, {}", self.label(frame)), true));
        }
        if wanted.is_empty() {
            wanted.push((Frame(0), format!("First frame, {}", self.label(Frame(0))), false));
        }
        let mut pictures = Vec::new();
        for (frame, caption, with_outlines) in wanted {
            let picture = self.thumbnail(frame)?;
            let outlines = if with_outlines { outlines.clone() } else { Vec::new() };
            pictures.push(Shown { caption, picture, outlines, matte: false });
        }
        if let Some(divider) = &inspection.divider {
            pictures.push(Shown {
                caption: "Patch region: white is taken from the plate".into(),
                picture: Thumbnail::default(),
                outlines: divider.outlines.iter().map(|o| (o.clone(), "o-matte")).collect(),
                matte: true,
            });
        }
        Ok(pictures)
    }

    fn outlines(&self, inspection: &Inspection) -> Vec<(Vec<Point>, &'static str)> {
        let mut outlines: Vec<(Vec<Point>, &'static str)> = Vec::new();
        outlines.extend(inspection.boom_region.iter().map(|o| (o.clone(), "o-boom")));
        let divider: Option<&DividerSummary> = inspection.divider.as_ref();
        let parts = divider.into_iter().flat_map(|divider| &divider.outlines);
        outlines.extend(parts.map(|outline| (outline.clone(), "o-divider")));
        outlines
    }

    fn label(&self, frame: Frame) -> String {
        let in_take = self.clocks.from_file(FrameRange::new(frame.0, frame.0 + 1));
        self.clocks.label(in_take.start)
    }

    fn thumbnail(&self, frame: Frame) -> Result<Thumbnail, Faults> {
        let small = |picture: &Picture| picture.thumbnail(PICTURE_WIDTH).unwrap_or_default();
        Ok(self.media.at(frame, &small)?.unwrap_or_default())
    }
}
