//! One sound file: its clock, its names and its marks.

use super::super::speed::{drops, speed};
use super::super::{Wrong, words};
use super::bext::Bext;
use super::cues;
use super::ixml::{self, Ixml};
use super::marks::{self, Mark};
use super::riff::{self, Wave, half, word};
use crate::error::shown;
use crate::time::{Counting, Frame, Rate};
use std::io::{Read, Seek};

/// Highest rate of samples that is believed: eight times 768 kHz; ours.
const HIGHEST: u32 = 6_144_000;
/// Days of samples since midnight from which a time reference is nonsense; ours.
const MOST_DAYS: i64 = 2;

/// Samples and the timecode they stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SoundClock {
    /// Samples a second.
    pub samples: u32,
    /// How the recorder's labels count.
    pub counting: Counting,
}

impl SoundClock {
    /// Returns the frame that a sample since midnight lies in: never the nearest one.
    ///
    /// Source: EBU Tech 3285: the time reference counts samples; SMPTE ST 12-1: so labels
    /// follow from whole frames, not from the time of day.
    pub fn frame(self, sample: u64) -> Frame {
        let rate = self.counting.rate();
        let frames = u128::from(sample) * u128::from(rate.num());
        let frames = frames / (u128::from(rate.den()) * u128::from(self.samples.max(1)));
        Frame(i64::try_from(frames).unwrap_or(i64::MAX))
    }

    /// Returns the first frame that begins at a sample or behind it.
    pub fn frame_behind(self, sample: u64) -> Frame {
        match sample.checked_sub(1) {
            Some(last) => Frame(self.frame(last).0.saturating_add(1)),
            None => Frame(0),
        }
    }
}

/// What one sound file says.
#[derive(Debug, Clone, Default)]
pub struct SoundFile {
    /// Scene or slate.
    pub scene: Option<String>,
    /// Take.
    pub take: Option<String>,
    /// Sound roll.
    pub roll: Option<String>,
    /// Date as written.
    pub date: Option<String>,
    /// Unique id of the file.
    pub uid: Option<String>,
    /// What joins the files of one take.
    pub family: Option<String>,
    /// What somebody wrote.
    pub note: Option<String>,
    /// Sound without picture.
    pub wild: bool,
    /// Its clock, if its rates are known.
    pub clock: Option<SoundClock>,
    /// Samples since midnight at its first, and the chunk that says so.
    pub first: Option<(u64, &'static str)>,
    /// How many samples it has.
    pub samples: Option<u64>,
    /// What was marked.
    pub marks: Vec<Mark>,
    /// The chunk its names come from.
    pub named_in: &'static str,
}

/// Reads a sound file; what is wrong with it comes beside what could be read.
///
/// # Errors
///
/// A file that is no wave file.
pub fn read(
    file: &mut (impl Read + Seek),
    stem: &str,
    plate_words: &[String],
) -> Result<(SoundFile, Vec<(String, Wrong)>), Wrong> {
    let mut wave = riff::walk(file)?;
    let mut faults = std::mem::take(&mut wave.faults);
    let bext = wave.bext.as_ref().and_then(|chunk| {
        let read = Bext::read(&chunk.bytes);
        if read.is_none() {
            let held = chunk.bytes.len();
            let fault = format!("holds {held} bytes and ends before the time reference");
            let remedy = "copy the file again from the recorder's card";
            faults.push((format!("bext chunk, byte {}", chunk.at), Wrong::new(fault, remedy)));
        }
        read
    });
    let ixml = wave.ixml.as_ref().map(|chunk| {
        let (ixml, wrong) = ixml::read(&chunk.bytes);
        faults.extend(wrong.map(|(at, wrong)| (format!("iXML chunk, byte {at}"), wrong)));
        ixml
    });
    let reading = Reading { wave: &wave, bext: bext.as_ref(), ixml: ixml.as_ref() };
    let mut sound = reading.names();
    sound.samples = reading.samples();
    sound.clock = reading.clock(&mut faults);
    sound.first = reading.first(sound.clock, &mut faults);
    let cues = cues::read(wave.cues.as_ref(), &wave.lists);
    let points = ixml.as_ref().map_or(&[][..], |ixml| &ixml.points);
    let note = sound.note.as_deref().unwrap_or_default();
    let first = sound.first.map_or(0, |(first, _)| first);
    sound.marks = marks::marks(points, &cues, first, note, plate_words);
    // A mark outside of the file is a slip of whatever wrote it.
    let samples = sound.samples.unwrap_or(u64::MAX);
    sound.marks.retain(|mark| mark.span.is_none_or(|(from, _)| from < samples));
    if sound.marks.is_empty()
        && let Some(mark) = plate_take(&sound, stem, plate_words)
    {
        sound.marks.push(mark);
    }
    Ok((sound, faults))
}

/// A take that is named as the plate of another is a plate from end to end.
fn plate_take(sound: &SoundFile, stem: &str, plate_words: &[String]) -> Option<Mark> {
    let names = [sound.take.as_deref(), sound.scene.as_deref(), Some(stem)];
    names.into_iter().flatten().find_map(|name| words::plate_of(name, plate_words))?;
    let note = words::plates_in("plate", &["plate".to_string()]).pop()?;
    Some(Mark { note, span: Some((0, sound.samples?)), found: "name of a plate take" })
}

struct Reading<'a> {
    wave: &'a Wave,
    bext: Option<&'a Bext>,
    ixml: Option<&'a Ixml>,
}

impl Reading<'_> {
    fn said(&self, path: &str) -> Option<String> {
        self.ixml.and_then(|ixml| ixml.get(path)).map(String::from)
    }

    /// iXML goes before the description (iXML usage guidelines).
    fn either(&self, path: &str, key: &str) -> Option<String> {
        let described = || self.bext.and_then(|bext| bext.said(key)).map(String::from);
        self.said(path).or_else(described)
    }

    fn names(&self) -> SoundFile {
        let kinds = self.said("TAKE_TYPE").unwrap_or_default().to_ascii_uppercase();
        let date = self.bext.and_then(|bext| bext.date.clone());
        SoundFile {
            scene: self.either("SCENE", "SCENE"),
            take: self.either("TAKE", "TAKE"),
            roll: self.either("TAPE", "TAPE"),
            date: date.or_else(|| self.said("BEXT/BWF_ORIGINATION_DATE")),
            uid: self.said("FILE_UID"),
            family: self.said("FILE_SET/FAMILY_UID"),
            note: self.either("NOTE", "NOTE"),
            wild: kinds.split(',').any(|kind| kind.trim() == "WILD_TRACK")
                || self.ixml.is_some_and(|ixml| ixml.says_yes("WILD_TRACK")),
            named_in: if self.ixml.is_some() { "iXML chunk" } else { "bext chunk" },
            ..SoundFile::default()
        }
    }

    fn samples(&self) -> Option<u64> {
        let format = self.wave.format.as_ref()?;
        let block = half(&format.bytes, 12).filter(|block| *block > 0)?;
        Some(self.wave.samples? / u64::from(block))
    }

    fn sample_rate(&self) -> Option<u32> {
        let format = self.wave.format.as_ref()?;
        word(&format.bytes, 4)
    }

    fn clock(&self, faults: &mut Vec<(String, Wrong)>) -> Option<SoundClock> {
        let remedy = "correct it in the recorder's editor, or note the take's start in the log";
        let samples = self.sample_rate();
        if let Some(wrong) = samples.filter(|samples| !(1..=HIGHEST).contains(samples)) {
            let fault = format!("{wrong} samples a second is no rate of sound");
            faults.push(("fmt chunk".into(), Wrong::new(fault, remedy)));
            return None;
        }
        let (text, place) = self.rate_text()?;
        let Some((rate, flag)) = speed(&text) else {
            let fault = format!("\"{}\" is not a timecode rate", shown(&text, 40));
            faults.push((place.into(), Wrong::new(fault, remedy)));
            return None;
        };
        let drop = self.said("SPEED/TIMECODE_FLAG").and_then(|flag| drops(&flag)).or(flag);
        if drop == Some(true) && !rate.can_drop() {
            let fault = format!("says drop-frame at {rate}, which SMPTE ST 12-1 does not have");
            faults.push((place.into(), Wrong::new(fault, remedy)));
            return None;
        }
        let counting = Counting::new(rate, drop == Some(true));
        Some(SoundClock { samples: samples?, counting })
    }

    fn rate_text(&self) -> Option<(String, &'static str)> {
        let of_ixml = |path: &str| self.said(path).map(|text| (text, "iXML chunk"));
        let described = || self.bext.and_then(|bext| bext.said("SPEED")).map(String::from);
        of_ixml("SPEED/TIMECODE_RATE")
            .or_else(|| of_ixml("TIMECODE_RATE"))
            .or_else(|| described().map(|text| (text, "bext chunk")))
            .or_else(|| of_ixml("SPEED/CURRENT_SPEED"))
            .or_else(|| of_ixml("SPEED/MASTER_SPEED"))
    }

    /// Samples since midnight: `bext`, whose unit and rate a standard fixes, then iXML.
    fn first(
        &self,
        clock: Option<SoundClock>,
        faults: &mut Vec<(String, Wrong)>,
    ) -> Option<(u64, &'static str)> {
        let of_bext = self.bext.map(|bext| bext.time_reference);
        let of_ixml = self.ixml.and_then(|ixml| self.since_midnight(ixml));
        let first = match (of_bext, of_ixml) {
            (Some(0) | None, Some(sample)) => (sample, "iXML chunk"),
            (Some(sample), _) => (sample, "bext chunk"),
            (None, None) => return None,
        };
        let Some(clock) = clock else { return Some(first) };
        let remedy = "look at which one the recorder's own report has";
        let frame = clock.frame(first.0);
        if frame.0 >= MOST_DAYS.saturating_mul(clock.counting.frames_in_day()) {
            let fault = format!("a start {} samples after midnight is days away", first.0);
            faults.push((first.1.into(), Wrong::new(fault, remedy)));
            return None;
        }
        if let (Some(sample @ 1..), Some(other)) = (of_bext, of_ixml)
            && (frame.0.abs_diff(clock.frame(other).0) > 1)
        {
            let [a, b] = [sample, other].map(|sample| clock.counting.label(clock.frame(sample)));
            let fault = format!("bext says that the file starts at {a}, iXML {b}");
            faults.push(("bext and iXML chunk".into(), Wrong::new(fault, remedy)));
        }
        Some(first)
    }

    /// The iXML time stamp in samples of the file.
    fn since_midnight(&self, ixml: &Ixml) -> Option<u64> {
        let stamp = |name: &str| format!("SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{name}");
        let Some(sample) = ixml.halves(&stamp("HI"), &stamp("LO")) else {
            return ixml.halves("BEXT/BWF_TIME_REFERENCE_HIGH", "BEXT/BWF_TIME_REFERENCE_LOW");
        };
        let (own, stamped) = (self.sample_rate()?, ixml.number("SPEED/TIMESTAMP_SAMPLE_RATE"));
        let stamped = stamped.filter(|rate| (1..=u64::from(HIGHEST)).contains(rate));
        let scaled =
            u128::from(sample) * u128::from(own) / u128::from(stamped.unwrap_or(own.into()).max(1));
        u64::try_from(scaled).ok()
    }
}

/// Returns the rate a file's labels count at.
pub fn rate(sound: &SoundFile) -> Option<Rate> {
    sound.clock.map(|clock| clock.counting.rate())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock(num: u32, den: u32, samples: u32) -> SoundClock {
        let rate = Rate::new(num, den).expect("positive");
        SoundClock { samples, counting: Counting::new(rate, false) }
    }

    fn label(clock: SoundClock, sample: u64) -> String {
        clock.counting.label(clock.frame(sample))
    }

    #[test]
    fn samples_are_floored_to_frames_and_never_read_as_the_time_of_day() {
        // Real recordings beside their reports, and arithmetic: 10 h of labels at
        // 24000/1001 are 36,036 s.
        let film = clock(24000, 1001, 48000);
        assert_eq!(label(film, 2_190_940_753), "12:39:59:00");
        assert_eq!(label(film, 2_191_709_524), "12:40:15:00");
        assert_eq!(label(film, 1_729_728_000), "10:00:00:00");
        let pal = clock(25, 1, 48000);
        assert_eq!(label(pal, 2_350_375_830), "13:36:06:04");
        assert_eq!(label(pal, 2_354_414_956), "13:37:30:07");
        assert_eq!(label(clock(24000, 1001, 96000), 8_302_694_400), "00:00:00:00");
    }

    #[test]
    fn an_out_point_is_the_first_frame_without_the_last_sample() {
        let pal = clock(25, 1, 48000);
        assert_eq!(pal.frame_behind(1920), Frame(1));
        assert_eq!(pal.frame_behind(1921), Frame(2));
        assert_eq!(pal.frame_behind(0), Frame(0));
        assert_eq!(pal.frame(u64::MAX), Frame(9_607_679_205_057_058), "no overflow");
    }
}
