//! One plate: what is asked for and what was made.

use super::copy::{copy_packets, written};
use super::image_copy::copy_images;
use super::loop_map::FrameMap;
use super::place::{Part, Placed, bytes_in};
use super::retouch::Retouch;
use crate::error::{BadInput, Faults};
use crate::media::{
    CodedVideo, FieldOrder, Media, MediaInfo, MediaKind, NoCopy, StartTimecode, Track,
};
use crate::time::Rate;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// How plate frames reach the plate file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Coded frames, unchanged.
    Copy,
    /// Decoded and encoded.
    Encode,
}

/// Codec of a plate that cannot be copied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[allow(missing_docs, reason = "the words of the settings")]
pub enum PlateCodec {
    /// The nearest to the source.
    #[default]
    Auto,
    ProResHq,
    ProRes4444,
    DnxhrHqx,
    Ffv1,
    Dpx,
    Exr,
    Png,
    Tiff,
}

impl PlateCodec {
    /// Reads the word used in settings: `prores-hq`.
    pub fn parse(word: &str) -> Option<PlateCodec> {
        Some(match word {
            "auto" => PlateCodec::Auto,
            "prores-hq" => PlateCodec::ProResHq,
            "prores-4444" => PlateCodec::ProRes4444,
            "dnxhr-hqx" => PlateCodec::DnxhrHqx,
            "ffv1" => PlateCodec::Ffv1,
            "dpx" => PlateCodec::Dpx,
            "exr" => PlateCodec::Exr,
            "png" => PlateCodec::Png,
            "tiff" => PlateCodec::Tiff,
            _ => return None,
        })
    }
}

/// One plate to be made.
#[derive(Debug, Clone)]
pub struct PlateJob<'a> {
    /// Where its frames come from.
    pub source: &'a Media,
    /// Which file frame of the source each plate frame is.
    pub map: &'a FrameMap,
    /// Folder and name without extension: `plates/SHOT_CP01_v001`.
    pub out: PathBuf,
    /// Reel name embedded in the file; the plate's name by default.
    pub reel: Option<String>,
    /// Timecode of the first plate frame.
    pub start: Option<StartTimecode>,
    /// Rate the plate plays at, where that is not the source's: one in record time plays at
    /// the cut's.
    pub rate: Option<Rate>,
    /// Number of the first plate frame in file sequences.
    pub first_number: u32,
    /// Codec if the plate cannot be copied.
    pub codec: PlateCodec,
    /// Encoder threads.
    pub threads: u32,
    /// Whether nothing moves in the patch, so that fields may run backward.
    pub still: bool,
    /// What is done to its frames, if they are not laid in as they are.
    pub retouch: Option<&'a dyn Retouch>,
    /// Everything that `retouch` rests on, in words or as a hash; `None` if that was not
    /// said: then the plate is made anew on every run.
    pub recipe: Option<String>,
    /// Folder of receipts, by which finished files are known again; `None`: none are kept.
    pub receipts: Option<PathBuf>,
}

impl PlateJob<'_> {
    /// Returns the rate the plate plays at.
    pub(super) fn rate(&self) -> Rate {
        self.rate.unwrap_or(self.source.info().rate)
    }
}

/// One plate that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlateMade {
    /// The file, or the folder of a file sequence.
    pub path: PathBuf,
    /// Copied or encoded.
    pub method: Method,
    /// Why it was encoded, if it was.
    pub encode_reason: Option<String>,
    /// Number of frames.
    pub frames: u64,
    /// Bytes in the file or files.
    pub bytes: u64,
    /// Whether the same bytes were there already and were left alone.
    pub kept: bool,
    /// What the file could not carry, in sentences.
    pub notes: Vec<String>,
    /// By what it can be told whether it would be made again just so; `None` if nobody can
    /// say.
    pub render_id: Option<String>,
}

/// How making a plate ended.
pub(super) enum Outcome {
    Made(PlateMade),
    /// Other bytes stand at this path.
    Taken(PathBuf),
}

/// Makes a plate: copied where its coded frames stand alone, else encoded.
///
/// `progress` is called with the frames done and the frames in all. The file appears under
/// its name only when it is whole, on the disk and proven. If the same bytes are there
/// already they are left alone.
///
/// # Errors
///
/// A source that cannot be read, a plate that cannot be written or does not read back as
/// it should, interlaced media that would have to run backward, or another file of that
/// name: it is never overwritten.
pub fn make_plate(
    job: &PlateJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<PlateMade, Faults> {
    match make(job, progress)? {
        Outcome::Made(made) => Ok(made),
        Outcome::Taken(path) => Err(Faults::one(
            shown(&path),
            "",
            "another file of this name is there, with other bytes",
            "choose another name, or move the file away; it is never overwritten",
        )),
    }
}

/// Makes a plate; `None` if other bytes stand under its name, which are left alone.
///
/// # Errors
///
/// As [`make_plate`], but for the name.
pub fn make_unless_taken(
    job: &PlateJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Option<PlateMade>, Faults> {
    let (folder, name) = split(&job.out)?;
    if let Some(made) = super::receipt::kept(job, &folder, &name) {
        return Ok(Some(made));
    }
    Ok(match make(job, progress)? {
        Outcome::Made(made) => {
            super::receipt::note(job, &name, &made);
            Some(made)
        }
        Outcome::Taken(_) => None,
    })
}

/// Returns the latest version of a plate if it is whole and was made of just this job, as
/// far as its receipt tells. `job.out` has no version, and `job.retouch` is not looked at.
pub fn kept_version(job: &PlateJob<'_>) -> Option<PlateMade> {
    let (folder, stem) = split(&job.out).ok()?;
    let latest = super::versions::latest_version(&folder, &stem);
    let name = super::versions::version_name(&stem, latest);
    super::receipt::kept(job, &folder, &name)
}

/// Makes the next version of a plate, or leaves the latest alone if its bytes would be the
/// same. `job.out` has no version: `plates/SHOT_CP01`. A latest version whose receipt says
/// that it was made of just this job is not made again.
///
/// # Errors
///
/// As [`make_plate`].
pub fn make_version(
    job: &PlateJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<PlateMade, Faults> {
    if let Some(made) = kept_version(job) {
        return Ok(made);
    }
    let (folder, stem) = split(&job.out)?;
    let latest = super::versions::latest_version(&folder, &stem);
    version_from(job, latest.max(1), progress)
}

/// Makes a version of a plate that is newer than every one there, even if its frames would
/// be the same: something that belongs to it has changed.
///
/// # Errors
///
/// As [`make_plate`].
pub fn make_new_version(
    job: &PlateJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<PlateMade, Faults> {
    let (folder, stem) = split(&job.out)?;
    let latest = super::versions::latest_version(&folder, &stem);
    version_from(job, latest.saturating_add(1), progress)
}

fn version_from(
    job: &PlateJob<'_>,
    first: u32,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<PlateMade, Faults> {
    let (folder, stem) = split(&job.out)?;
    for version in first..=first.saturating_add(1) {
        let name = super::versions::version_name(&stem, version);
        let named = PlateJob { out: folder.join(&name), ..job.clone() };
        // The name is in the bytes: it is the embedded reel.
        if let Outcome::Made(made) = make(&named, progress)? {
            super::receipt::note(job, &name, &made);
            return Ok(made);
        }
    }
    Err(written(&stem, "the next version's name is taken as well").into())
}

/// Tells whether a plate would be copied, and if not why, in plain words. Reads the coded
/// frames of the map.
///
/// # Errors
///
/// A source that cannot be read.
pub fn why_not_copied(media: &Media, map: &FrameMap) -> Result<Option<String>, Faults> {
    if matches!(media.info().kind, MediaKind::Images { .. }) {
        return Ok(None);
    }
    let looked = CodedVideo::open(media).and_then(|mut video| video.look_at(map.span()));
    match looked {
        Ok(()) => Ok(None),
        Err(NoCopy::Reason(why)) => Ok(Some(why)),
        Err(NoCopy::Fault(fault)) => Err(fault.into()),
    }
}

fn make(job: &PlateJob<'_>, progress: &mut dyn FnMut(u64, u64)) -> Result<Outcome, Faults> {
    let mut outcome = made(job, progress)?;
    if let Outcome::Made(made) = &mut outcome {
        made.render_id = super::receipt::render_id(job)?;
    }
    Ok(outcome)
}

fn made(job: &PlateJob<'_>, progress: &mut dyn FnMut(u64, u64)) -> Result<Outcome, Faults> {
    let info = job.source.info();
    check(job, info)?;
    let (folder, name) = split(&job.out)?;
    let why = match (&info.kind, job.retouch) {
        (_, Some(retouch)) => retouch.why(),
        (MediaKind::Images { files, .. }, None) => {
            return images(job, files, (&folder, &name), progress);
        }
        (MediaKind::Container(_), None) => match copied(job, (&folder, &name), progress) {
            Ok(outcome) => return Ok(outcome),
            Err(NoCopy::Fault(fault)) => return Err(fault.into()),
            Err(NoCopy::Reason(why)) => why,
        },
    };
    super::render::encoded(job, why, (&folder, &name), progress)
}

/// Refuses what no method can make.
fn check(job: &PlateJob<'_>, info: &MediaInfo) -> Result<(), Faults> {
    let (span, held) = (job.map.span(), i64::try_from(info.frames).unwrap_or(i64::MAX));
    if span.start.0 < 0 || span.end.0 > held {
        let fault = format!("the map asks for frames {}-{}", span.start.0, span.end.0 - 1);
        let remedy = format!("the file holds frames 0-{}; choose a plate inside it", held - 1);
        return Err(Faults::one(&info.name, "", fault, remedy));
    }
    let fields = matches!(info.field_order, FieldOrder::TopFirst | FieldOrder::BottomFirst);
    let backward = job.map.runs().iter().any(|run| run.step() < 0);
    if fields && backward && !job.still {
        return Err(interlaced(info, "a loop would play its fields in the wrong order").into());
    }
    Ok(())
}

/// Words the refusal of interlaced media.
pub(super) fn interlaced(info: &MediaInfo, why: &str) -> BadInput {
    BadInput::new(
        &info.name,
        "",
        format!("interlaced: {why}"),
        "use a plate as long as need, a held frame, or a progressive copy of the take",
    )
}

/// Copies coded frames.
fn copied(
    job: &PlateJob<'_>,
    (folder, name): (&Path, &str),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Outcome, NoCopy> {
    let mut video = CodedVideo::open(job.source)?;
    let label = job.start.map(whole_label);
    let reel = job.reel.clone().unwrap_or_else(|| name.to_owned());
    let track = video
        .track(label, Some(reel))
        .map(|track| Track { rate: job.rate(), ..track })
        .ok_or_else(|| NoCopy::Reason("its picture track cannot be described".into()))?;
    let part = Part::file(folder, &format!("{name}.{}", video.container().extension()))?;
    let open = part.open_file().ok_or_else(|| written(name, "it is a folder"))?;
    let at = (part.path(), open, part.name());
    copy_packets(&mut video, job.rate(), job.map, &track, at, progress)?;
    Ok(settle(part, job.map.len(), Method::Copy, None, Vec::new())?)
}

/// Copies image files.
fn images(
    job: &PlateJob<'_>,
    files: &[PathBuf],
    (folder, name): (&Path, &str),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Outcome, Faults> {
    let part = Part::folder(folder, name)?;
    let into = (part.path(), name, job.first_number);
    let note = copy_images(files, job.map, job.start, into, progress)?;
    Ok(settle(part, job.map.len(), Method::Copy, None, note.into_iter().collect())?)
}

/// Places a finished part and says what was made.
pub(super) fn settle(
    part: Part,
    frames: u64,
    method: Method,
    encode_reason: Option<String>,
    notes: Vec<String>,
) -> Result<Outcome, BadInput> {
    let path = part.target().to_owned();
    let kept = match part.place()? {
        Placed::New => false,
        Placed::Same => true,
        Placed::Other => return Ok(Outcome::Taken(path)),
    };
    let bytes = bytes_in(&path);
    let render_id = None;
    Ok(Outcome::Made(PlateMade {
        path,
        method,
        encode_reason,
        frames,
        bytes,
        kept,
        notes,
        render_id,
    }))
}

/// Returns the label that a container's timecode track counts on from.
///
/// A track counts one label a frame, so a start counted in pairs is written as the label
/// with as many frames a second as the rate: the take frame stays the same.
pub(crate) fn whole_label(start: StartTimecode) -> String {
    let counting = crate::time::Counting::new(start.counting.rate(), start.counting.is_drop());
    counting.label(start.frame)
}

/// Splits an output path into folder and name.
fn split(out: &Path) -> Result<(PathBuf, String), BadInput> {
    let name = out.file_name().map(|name| name.to_string_lossy().into_owned());
    let folder = out.parent().map(|folder| {
        if folder.as_os_str().is_empty() { PathBuf::from(".") } else { folder.to_owned() }
    });
    match (folder, name) {
        (Some(folder), Some(name)) => Ok((folder, name)),
        _ => Err(written(&out.display().to_string(), "it has no file name")),
    }
}

fn shown(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
