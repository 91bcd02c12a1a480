//! Plates that are decoded and encoded, because their coded frames cannot be copied.

use super::copy::written;
use super::image_copy::numbered;
use super::job::{Method, Outcome, PlateCodec, PlateJob, interlaced, settle, whole_label};
use super::place::Part;
use super::played::Played;
use crate::error::{BadInput, Faults};
use crate::media::{
    Coding, EncodeTarget, Encoder, FieldOrder, INTERLACED, Label, Media, Muxer, OpenOptions,
    PADDING, open_with, spliced, told_splices,
};
use std::path::Path;

/// Encodes a plate, reads it back and places it. `why` says why it is not copied.
pub(super) fn encoded(
    job: &PlateJob<'_>,
    why: String,
    (folder, name): (&Path, &str),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Outcome, Faults> {
    let info = job.source.info();
    if matches!(info.field_order, FieldOrder::TopFirst | FieldOrder::BottomFirst) {
        return Err(interlaced(info, INTERLACED).into());
    }
    let coding = coding_of(job);
    let target = EncodeTarget { coding, source: info, rate: job.rate(), threads: job.threads };
    let encoder = Encoder::new(&target).map_err(|why| written(name, &why))?;
    let mut notes = encoder.notes().to_vec();
    let part = match coding.container() {
        Some(container) => {
            let part = Part::file(folder, &format!("{name}.{}", container.extension()))?;
            let label = job.start.map(whole_label);
            let reel = job.reel.clone().unwrap_or_else(|| name.to_owned());
            let muxer = encoder
                .muxer(part.path(), container, job.rate(), (label, Some(reel)))
                .map_err(|fault| written(part.name(), &fault.to_string()))?;
            play(job, encoder, &mut Movie { muxer, padded: Vec::new() }, progress)?;
            part
        }
        None => {
            let part = Part::folder(folder, name)?;
            let mut files = Files { job, coding, folder: part.path(), name, note: None };
            play(job, encoder, &mut files, progress)?;
            notes.extend(files.note.take());
            part
        }
    };
    if let Some(file) = part.open_file() {
        file.sync_all().map_err(|io| written(part.name(), &io.to_string()))?;
    }
    read_back(job, coding, &part)?;
    Ok(settle(part, job.map.len(), Method::Encode, Some(why), notes)?)
}

/// Returns the coding that is asked for, or the nearest to the source.
fn coding_of(job: &PlateJob<'_>) -> Coding {
    match job.codec {
        PlateCodec::Auto => Coding::nearest(job.source.info()),
        PlateCodec::ProResHq => Coding::ProResHq,
        PlateCodec::ProRes4444 => Coding::ProRes4444,
        PlateCodec::DnxhrHqx => Coding::DnxhrHqx,
        PlateCodec::Ffv1 => Coding::Ffv1,
        PlateCodec::Dpx => Coding::Dpx,
        PlateCodec::Exr => Coding::Exr,
        PlateCodec::Png => Coding::Png,
        PlateCodec::Tiff => Coding::Tiff,
    }
}

/// Where coded frames go.
trait Sink {
    fn take(&mut self, k: u64, coded: &[u8]) -> Result<(), String>;
    fn end(&mut self) -> Result<(), String>;
}

struct Movie {
    muxer: Muxer,
    padded: Vec<u8>,
}

impl Sink for Movie {
    fn take(&mut self, k: u64, coded: &[u8]) -> Result<(), String> {
        self.padded.clear();
        self.padded.extend_from_slice(coded);
        self.padded.extend_from_slice(&[0; PADDING]);
        self.muxer.write(k, &self.padded).map_err(|fault| fault.to_string())
    }

    fn end(&mut self) -> Result<(), String> {
        self.muxer.finish().map_err(|fault| fault.to_string())
    }
}

struct Files<'a> {
    job: &'a PlateJob<'a>,
    coding: Coding,
    folder: &'a Path,
    name: &'a str,
    note: Option<String>,
}

impl Sink for Files<'_> {
    fn take(&mut self, k: u64, coded: &[u8]) -> Result<(), String> {
        let info = self.job.source.info();
        let label = self.job.start.map(|start| Label::of(start, k));
        let mut whole = Vec::new();
        match told_splices(coded, label, info) {
            Ok(splices) => spliced(coded, &splices, &mut whole),
            Err(why) => {
                self.note.get_or_insert(format!("no timecode written: {why}"));
                whole.extend_from_slice(coded);
            }
        }
        let number =
            i64::from(self.job.first_number).saturating_add(i64::try_from(k).unwrap_or(i64::MAX));
        let path = self.folder.join(numbered(self.name, number, self.coding.extension()));
        super::image_copy::write_whole(&path, &whole).map_err(|io| io.to_string())
    }

    fn end(&mut self) -> Result<(), String> {
        Ok(())
    }
}

/// Plays the map through the encoder into a sink.
fn play(
    job: &PlateJob<'_>,
    mut encoder: Encoder,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<(), Faults> {
    let info = job.source.info();
    let fault = |why: String| -> Faults {
        if why == INTERLACED {
            interlaced(info, INTERLACED).into()
        } else {
            written(&job.out.file_name().unwrap_or_default().to_string_lossy(), &why).into()
        }
    };
    let mut played = Played::new(job.source, job.map);
    let (mut coded, mut shown) = (0, 0);
    let mut each = |bytes: &[u8], sink: &mut dyn Sink| {
        coded += 1;
        sink.take(coded - 1, bytes)
    };
    for run in job.map.runs() {
        for file_frame in run.frames() {
            let backward = run.step() < 0;
            let changed = match job.retouch {
                Some(retouch) if played.is_once() => {
                    Some(retouch.retouch_own(shown, played.own_picture(file_frame, backward)?)?)
                }
                Some(retouch) => retouch.retouch(shown, played.picture(file_frame, backward)?)?,
                None => None,
            };
            let picture = match &changed {
                Some(changed) => changed,
                None => played.picture(file_frame, backward)?,
            };
            encoder.push(picture, &mut |bytes| each(bytes, sink)).map_err(fault)?;
            shown += 1;
            progress(shown, job.map.len());
        }
    }
    encoder.finish(&mut |bytes| each(bytes, sink)).map_err(fault)?;
    sink.end().map_err(fault)
}

/// Opens what was written afresh and holds it against what was asked for.
fn read_back(job: &PlateJob<'_>, coding: Coding, part: &Part) -> Result<(), Faults> {
    let asked = job.source.info();
    let options = OpenOptions { sequence_rate: Some(job.rate()), ..OpenOptions::default() };
    let made: Media = open_with(part.path(), options)?;
    let made = made.info();
    let wrong = |what: &str, found: String, wanted: String| -> Result<(), Faults> {
        if found == wanted {
            return Ok(());
        }
        let fault = format!("reads back with {what} {found}, not {wanted}");
        Err(BadInput::new(part.name(), "", fault, "choose another plate codec").into())
    };
    wrong("frames", made.frames.to_string(), job.map.len().to_string())?;
    wrong("rate", made.rate.to_string(), job.rate().to_string())?;
    let size = |info: &crate::media::MediaInfo| format!("{}x{}", info.width, info.height);
    wrong("size", size(made), size(asked))?;
    let slow = job.start.is_none_or(|start| start.counting.base() <= 30);
    let keeps_timecode = match coding {
        Coding::Png | Coding::Tiff => false,
        Coding::Exr => slow,
        _ => true,
    };
    if let (Some(start), true) = (job.start, keeps_timecode) {
        let found = made.start.map_or("none".into(), whole_label);
        let wanted = whole_label(start);
        // Past 30 a second DPX has no room for the drop-frame flag, only for the digits.
        let digits = |label: String| if slow { label } else { label.replace(';', ":") };
        wrong("timecode", digits(found), digits(wanted))?;
    }
    Ok(())
}
