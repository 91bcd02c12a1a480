//! One review copy: what is asked for and what was made.

use super::burn_in::{Label, burn_in};
use crate::error::{BadInput, Faults};
use crate::media::{
    Media, MediaInfo, OpenOptions, Sound, StartTimecode, ViewingCopy, ViewingTarget, open_with,
};
use crate::plate::{Part, Placed, latest_version, version_name, whole_label, written};
use crate::time::{FrameRange, FrameShift, Rate};
use std::path::{Path, PathBuf};

/// One review copy to be made.
#[derive(Debug)]
pub struct ReviewJob<'a> {
    /// The temp comp: a file, or the folder of its images.
    pub pictures: &'a Path,
    /// The take, for its sound.
    pub take: &'a Media,
    /// The frames of the temp comp on the take's file clock; they may reach past the media.
    pub need_in_file: FrameRange,
    /// Timecode of the first frame; without one frame numbers of the take's file are shown.
    pub start: Option<StartTimecode>,
    /// What is burnt in beside the timecode.
    pub name: &'a str,
    /// Folder and name without version: `review/SHOT_REVIEW01`.
    pub out: PathBuf,
    /// Encoder threads.
    pub threads: u32,
}

/// A review copy that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReviewMade {
    /// The file.
    pub path: PathBuf,
    /// Whether the same bytes were there already and were left alone.
    pub kept: bool,
    /// What had to be assumed or left out, in sentences.
    pub notes: Vec<String>,
}

/// Makes a review copy of a temp comp: H.264 in MP4, no side longer than 1920, square pixels,
/// name and running timecode burnt in, and the take's sound in step to the sample. Where the
/// take has no frames of its own, or no sound, it is silent; a take without any has no track.
///
/// Made anew it takes the next version, or is left alone if its bytes would be the same. It
/// appears under its name only when it is whole and holds every frame.
///
/// # Errors
///
/// A temp comp or take that cannot be read, a copy that cannot be written.
pub fn make_review(
    job: &ReviewJob<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<ReviewMade, Faults> {
    let options = OpenOptions {
        sequence_rate: Some(job.take.info().rate),
        threads: job.threads,
        ..OpenOptions::default()
    };
    let pictures = open_with(job.pictures, options)?;
    let stem = job.out.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let folder = crate::whole::folder_of(&job.out);
    let version = latest_version(folder, &stem).max(1);
    let part = Part::file(folder, &format!("{}.mp4", version_name(&stem, version)))?;
    let mut notes = write(job, &pictures, &part, progress)?;
    read_back(&pictures, &part)?;
    notes.dedup();
    let (path, placed) = part.place_version(&stem, "mp4", version)?;
    Ok(ReviewMade { path, kept: placed == Placed::Same, notes })
}

fn write(
    job: &ReviewJob<'_>,
    pictures: &Media,
    part: &Part,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Vec<String>, Faults> {
    let info = pictures.info();
    let fault = |why: String| Faults::from(written(part.name(), &why));
    let mut notes = Vec::new();
    let mut sound = job.take.sound()?.filter(|sound| {
        let known = RATES.contains(&sound.rate());
        if !known {
            notes.push(format!("no sound: MP4 takes none of {} Hz", sound.rate()));
        }
        known
    });
    let target = ViewingTarget {
        source: info,
        rate: info.rate,
        timecode: job.start.map(whole_label),
        sound: sound.as_ref().map(|sound| (sound.rate(), sound.channels())),
        threads: job.threads,
    };
    let mut copy = ViewingCopy::create(part.path(), &target).map_err(fault)?;
    notes.extend_from_slice(copy.notes());
    let mut frames = pictures.frames(FrameRange::new(0, signed(info.frames)))?;
    let mut done = 0;
    while let Some(read) = frames.next_frame() {
        let (_, picture) = read?;
        let shift = FrameShift(signed(done));
        let file_frame = (job.need_in_file.start + shift).0;
        let at = job
            .start
            .map_or(format!("#{file_frame}"), |start| start.counting.label(start.frame + shift));
        let mut shown = copy.scaled(&picture).map_err(fault)?;
        burn_in(&mut shown, Label { name: job.name, at: &at });
        copy.push(shown.picture()).map_err(fault)?;
        if let Some(sound) = &mut sound {
            let heard = heard(sound, file_frame, job.take.info());
            copy.push_sound(&heard).map_err(fault)?;
        }
        done += 1;
        progress(done, info.frames);
    }
    copy.finish().map_err(fault)?;
    if let Some(file) = part.open_file() {
        file.sync_all().map_err(|io| fault(io.to_string()))?;
    }
    Ok(notes)
}

/// Sample rates of AAC (ISO/IEC 14496-3, table of sampling frequencies).
const RATES: [u32; 13] = [
    96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8_000,
    7_350,
];

/// Returns the sound of one frame; silence where the take holds no such frame.
fn heard(sound: &mut Sound, file_frame: i64, take: &MediaInfo) -> Vec<Vec<f32>> {
    let from = sample_at(file_frame, take.rate, sound.rate());
    let to = sample_at(file_frame.saturating_add(1), take.rate, sound.rate());
    let count = usize::try_from(to.saturating_sub(from)).unwrap_or(0);
    if (0..signed(take.frames)).contains(&file_frame) {
        sound.samples(from, count)
    } else {
        vec![vec![0.0; count]; sound.channels()]
    }
}

/// Returns the sample that is heard as a frame begins, to the nearest.
fn sample_at(frame: i64, rate: Rate, samples: u32) -> i64 {
    let num = i128::from(frame) * i128::from(samples) * i128::from(rate.den());
    let den = i128::from(rate.num()).max(1);
    i64::try_from((2 * num + den).div_euclid(2 * den)).unwrap_or(i64::MAX)
}

fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// Opens what was written afresh and counts its frames.
fn read_back(pictures: &Media, part: &Part) -> Result<(), Faults> {
    let made = open_with(part.path(), OpenOptions::default())?;
    let (found, wanted) = (made.info(), pictures.info());
    if (found.frames, found.rate) == (wanted.frames, wanted.rate) {
        return Ok(());
    }
    let fault = format!(
        "reads back with {} frames at {}, not {} at {}",
        found.frames, found.rate, wanted.frames, wanted.rate
    );
    Err(BadInput::new(part.name(), "", fault, "look at the temp comp itself").into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_of_frames_add_up() {
        // 8008 samples in 5 frames of 29.97 at 48 kHz (SMPTE ST 299-1, from memory).
        let rate = Rate::new(30_000, 1001).expect("a rate");
        let starts: Vec<i64> = (0..=5).map(|frame| sample_at(frame, rate, 48_000)).collect();
        assert_eq!(starts, [0, 1602, 3203, 4805, 6406, 8008]);
        assert_eq!(sample_at(-5, rate, 48_000), -8008);
        assert_eq!(sample_at(24, Rate::new(24, 1).expect("a rate"), 48_000), 48_000);
    }
}
