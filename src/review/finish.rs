//! From proxies to full-size pulls: the job of an earlier turnover, done again on them.

use super::{HandBack, Job, Progress, Review, hand_back, review};
use crate::annotate::strip;
use crate::error::{BadInput, Faults};
use crate::findings::{Findings, PictureKind, SCHEMA, UseFinding};
use crate::media::{Media, OpenOptions, open_with};
use crate::proof::full_size_map;
use crate::reason::{Code, Reason, Severity};
use crate::settings::Settings;
use crate::time::{Frame, FrameShift};
use crate::timeline::Bundle;
use crate::timeline::json::Document;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The log of a turnover, as all its logs together say.
pub const MERGED_LOG: &str = "platelog.json";

/// What is to be finished.
#[derive(Debug, Clone)]
pub struct Finish {
    /// The folder of the turnover that was made from proxies.
    pub turnover: PathBuf,
    /// Folders with full-size pulls.
    pub pulls: Vec<PathBuf>,
    /// Settings that go before those of the turnover.
    pub settings: Option<Settings>,
    /// True: all bytes tell media, also if they did not for the turnover.
    pub verify: bool,
    /// True: uses in no log are looked at, also if the turnover did not.
    pub look_at_all: bool,
    /// How it is handed back.
    pub options: HandBack,
    /// Threads for reading pictures.
    pub threads: u32,
}

/// Full-size media take the place of those the cut names.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pulls {
    /// Names by which pulls of a use may go besides those of its media, by its pointer.
    pub names: BTreeMap<String, Vec<String>>,
}

/// Measures and renders an earlier turnover again on full-size pulls, and fills a folder of
/// its own with it. Uses without a pull keep the verdict they have.
///
/// # Errors
///
/// A folder that holds no turnover, or an output folder that cannot be used.
pub fn finish(finish: &Finish, progress: &mut dyn Progress) -> Result<Review, Faults> {
    let folder = &finish.turnover;
    let earlier = earlier_findings(folder)?;
    let scratch = tempfile::tempdir()
        .map_err(|io| Faults::one("temporary folder", "", io.to_string(), "free some disk"))?;
    let cut = stripped(folder, scratch.path())?;
    let names = earlier.uses.iter().map(|found| (found.pointer.clone(), vec![found.shot.clone()]));
    let mut job = Job {
        cut,
        logs: vec![merged_log(folder)?],
        media: finish.pulls.clone(),
        pulls: Some(Pulls { names: names.collect() }),
        picture: true,
        settings: finish.settings.clone().unwrap_or_else(|| earlier.settings.clone()),
        cut_rate: Some(earlier.cut.rate),
        timeline: None,
        threads: finish.threads,
        earlier: Some(folder.join("shots.csv")),
    };
    let asked = &earlier.settings;
    let all = finish.look_at_all || asked.look_at_all;
    job.settings.also(finish.verify || asked.verify, all);
    finish.options.settle(&mut job.settings);
    finish.options.check(&job)?;
    let mut reviewed = review(&job, progress)?;
    carry_over(&mut reviewed, &earlier);
    compare(&mut reviewed, &earlier, folder, progress);
    hand_back(&mut reviewed, &job, &finish.options, progress)?;
    Ok(reviewed)
}

/// Reads what a turnover found from its folder.
///
/// # Errors
///
/// A folder that holds no turnover, or one of another layout.
pub fn earlier_findings(folder: &Path) -> Result<Findings, Faults> {
    let path = folder.join("findings.json");
    let fault = |place: &str, why: String| {
        let remedy = "name the folder that turnover filled, and hand back anew if it is damaged";
        Faults::one(path.display().to_string(), place, why, remedy)
    };
    let bytes = std::fs::read(&path).map_err(|io| fault("", format!("cannot be read: {io}")))?;
    let findings: Findings = serde_json::from_slice(&bytes).map_err(|wrong| {
        fault(&format!("line {}", wrong.line()), format!("is no turnover: {wrong}"))
    })?;
    if findings.schema != SCHEMA {
        return Err(fault("/schema", format!("\"{}\" is not {SCHEMA}", findings.schema)));
    }
    Ok(findings)
}

fn merged_log(folder: &Path) -> Result<PathBuf, Faults> {
    let path = folder.join(MERGED_LOG);
    if path.is_file() {
        return Ok(path);
    }
    let shown = path.display().to_string();
    Err(Faults::one(shown, "", "is not there", "hand the cut back once more with turnover"))
}

/// Writes the cut of a turnover without our marks into `scratch`, and returns its path.
///
/// # Errors
///
/// A folder without an annotated timeline, or one that cannot be read.
pub fn stripped(folder: &Path, scratch: &Path) -> Result<PathBuf, Faults> {
    let names = ["annotated.otio", "annotated.otioz", "annotated.otiod"];
    let Some(name) = names.into_iter().find(|name| folder.join(name).exists()) else {
        let shown = folder.join(names[0]).display().to_string();
        return Err(Faults::one(shown, "", "is not there", "name the folder that turnover filled"));
    };
    let (bundle, bytes) = Bundle::open(&folder.join(name))?;
    let mut document = Document::parse(name, bytes)?;
    strip(&mut document);
    let cut = scratch.join(name.replace("annotated", "cut"));
    bundle.write(&document.write(), &cut)?;
    Ok(cut)
}

/// Leaves uses for which no pull came as they were found on the proxy.
fn carry_over(reviewed: &mut Review, earlier: &Findings) {
    let subjects = &reviewed.subjects;
    for (found, subject) in reviewed.findings.uses.iter_mut().zip(subjects) {
        let Some(before) = counterpart(found, earlier) else { continue };
        if subject.media.is_some() || before.media.is_none() {
            continue;
        }
        let shot = std::mem::take(&mut found.shot);
        *found = UseFinding { shot, matte: None, temp_comp: None, review: None, ..before.clone() };
        if let Some(plate) = &mut found.plate {
            (plate.file, plate.record_file, plate.render_id) = (None, None, None);
            (plate.method, plate.encode_reason) = (None, None);
            plate.notes.clear();
        }
    }
    reviewed.findings.totals = Findings::count(&reviewed.findings.uses);
}

fn counterpart<'a>(found: &UseFinding, earlier: &'a Findings) -> Option<&'a UseFinding> {
    let same = |before: &&UseFinding| {
        before.pointer == found.pointer && before.range_in_cut == found.range_in_cut
    };
    earlier.uses.iter().find(same)
}

/// Measures where each proxy lies in its full-size media.
fn compare(reviewed: &mut Review, earlier: &Findings, folder: &Path, progress: &mut dyn Progress) {
    let count = reviewed.findings.uses.len() as u64;
    progress.stage("holding pulls against proxies", count);
    for at in 0..reviewed.findings.uses.len() {
        progress.at(at as u64);
        let (found, subject) = (&reviewed.findings.uses[at], &reviewed.subjects[at]);
        let before =
            counterpart(found, earlier).filter(|before| before.picture == Some(PictureKind::Proxy));
        let (Some(media), Some(clocks), Some(before)) = (&subject.media, &subject.clocks, before)
        else {
            continue;
        };
        let into_file = |frame: Frame| {
            let start = clocks.file_start?;
            let in_file = frame.0.checked_sub(start.0)?;
            let held = i64::try_from(media.info().frames).unwrap_or(i64::MAX);
            (0..held).contains(&in_file).then_some(Frame(in_file))
        };
        let Some((proxy, pairs)) = preview(before, folder, into_file) else { continue };
        let measured = full_size_map(&proxy, media, &pairs);
        let shot = found.shot.clone();
        let found = &mut reviewed.findings.uses[at];
        match measured {
            Ok(Some(fitted)) => found.picture_map = Some(fitted),
            Ok(None) => found.reasons.insert(0, not_alike(&media.info().name)),
            Err(faults) => {
                let named = |fault: BadInput| BadInput {
                    place: format!("{shot}, {}", fault.place),
                    ..fault
                };
                reviewed.findings.faults.extend(faults.0.into_iter().map(named));
            }
        }
    }
}

fn not_alike(name: &str) -> Reason {
    let text = format!(
        "{name} does not show at these frames what the proxy showed: another take, another timecode, or a picture that is turned or mirrored."
    );
    Reason::new(Code::StartTimecodeDisagrees, Severity::Attention, text)
}

/// Opens what was rendered from the proxy of a use, with pairs of its frames and those of the
/// full-size media: the plate, else the temp comp.
fn preview(
    before: &UseFinding,
    folder: &Path,
    into_file: impl Fn(Frame) -> Option<Frame>,
) -> Option<(Media, Vec<(Frame, Frame)>)> {
    let open = |file: &str| open_with(&folder.join(file), OpenOptions::default()).ok();
    let need = before.need_in_take?;
    let plate = before.plate.as_ref().filter(|plate| plate.from_take.is_none());
    let of_plate = || {
        let plate = plate?;
        let proxy_start = FrameShift(need.start.0 - before.need_in_file?.start.0);
        let frames = plate.map.as_ref()?.iter().flat_map(|[first, last, step]| {
            let count = last.abs_diff(*first) / step.unsigned_abs().max(1) + 1;
            (0..count).map(move |k| first + k as i64 * step)
        });
        let pairs: Vec<(Frame, Frame)> = frames
            .enumerate()
            .filter_map(|(k, frame)| {
                Some((Frame(k as i64), into_file(Frame(frame) + proxy_start)?))
            })
            .collect();
        (!pairs.is_empty()).then_some((open(plate.file.as_ref()?)?, pairs))
    };
    let of_comp = || {
        let frames = (need.start.0..need.end.0).enumerate();
        let pairs =
            frames.filter_map(|(k, frame)| Some((Frame(k as i64), into_file(Frame(frame))?)));
        let pairs: Vec<(Frame, Frame)> = pairs.collect();
        (!pairs.is_empty()).then_some((open(before.temp_comp.as_ref()?)?, pairs))
    };
    of_plate().or_else(of_comp)
}
