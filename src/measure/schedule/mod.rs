//! The only reader of pictures for measuring: plates first, then the rest; every frame is
//! decoded once and shown to all measures.
//!
//! [`gauge`] holds frames against plates that are known, [`survey`] looks through a whole
//! take for plates and booms nobody noted.

mod against;
mod belt;
mod frames;
mod kept;
mod luma;
mod masks;
mod pace;
mod parting;
mod placing;
mod plates;
mod standing;
mod survey;
mod texture;

use super::light::FrameLight;
use super::light::encoding::Tested;
use super::light::range::RangeMixUp;
use super::lockoff::{FrameMotion, Steadiness, SteadyLimits, TileBound};
use super::sharpness::Sharpness;
use super::stillness::StillnessMap;
use super::transfer::Encoding;
use super::{Mask, Plane, Scales};
use crate::error::Faults;
use crate::media::{Footage, FrameReader, Wanted};
use crate::settings::MeasureLimits;
use crate::time::{Frame, FrameRange, union};
use against::Against;
use belt::Belt;
use frames::GaugeReader;
pub use kept::Kept;
use luma::LumaSource;
pub use masks::{FrameMasks, MaskStore};
use pace::Pace;
pub use pace::TRIED_EVERY;
use plates::PlateReader;
use std::cell::RefCell;
use std::{io, thread};
use survey::no_room;
pub use survey::{Survey, survey};

/// What is to be measured of one take. Ranges are file frames.
#[derive(Debug)]
pub struct Wish<'a> {
    /// The take, and what its plates come from if that lies elsewhere.
    pub media: Footage<'a>,
    /// Plates to hold frames against, each on its own.
    pub plates: Vec<FrameRange>,
    /// Frames that matter, in any order.
    pub frames: Vec<FrameRange>,
    /// How its codes are meant.
    pub encoding: Encoding,
    /// Limits of the measures.
    pub limits: MeasureLimits,
    /// Where the boom can be, in a plane of any size, if that is known.
    pub area: Option<Mask>,
    /// Every how many frames are looked at: 1 for all. What lies between two of them is taken
    /// for hidden by what either shows, and lies as the nearer one does.
    pub every: u32,
}

/// One frame held against one plate.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub struct Row {
    /// The frame, file clock.
    pub frame: Frame,
    /// Where the picture lies.
    pub motion: Option<FrameMotion>,
    /// Its light, in luma (of red, green and blue media in all three).
    pub light: Option<FrameLight>,
    /// Its light in each colour, measured in some frames only.
    pub colour: Option<FrameLight>,
    /// Whether the boom or its shadow is in it.
    pub boom: bool,
}

/// Everything that was held against one plate.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub struct Gauge {
    /// The plate, file frames.
    pub plate: FrameRange,
    /// Sizes of the planes below.
    pub scales: Scales,
    /// Mean of the plate at working size, 8-bit codes.
    pub mean: Plane,
    /// Variance of the plate over time at working size, squared 8-bit codes; `None` for a
    /// plate of one frame.
    pub variance: Option<Plane>,
    /// What the camera did.
    pub steadiness: Steadiness,
    /// What single tiles show of the frames whose motion cannot be told: source pixels,
    /// errors in 8-bit codes.
    pub bounds: Vec<TileBound>,
    /// Every frame that matters, in order.
    pub rows: Vec<Row>,
    /// Boom and actors of every frame.
    pub masks: MaskStore,
    /// How many source pixels one pixel of the masks stands for, across and down: their
    /// outlines are drawn at working size.
    pub mask_scale: usize,
    /// Pixels that are not picture (mattes, burn-ins), at the size of the masks.
    pub excluded: Mask,
    /// Pixels in which something moves in the plate itself, at middle size.
    pub restless: Option<Mask>,
    /// Where things of some size move in the plate itself, at the size of the masks.
    pub walked: Option<Mask>,
    /// Where the plate sways round a place of rest, as leaves do, at middle size.
    pub swaying: Option<Mask>,
    /// Whether the boom seems to come or go within the plate itself.
    pub suspect: bool,
    /// What moves in the background.
    pub stillness: Option<RefCell<StillnessMap>>,
    /// Sharpness of every frame against the plate.
    pub sharpness: Option<RefCell<Sharpness>>,
    /// What the frames say of the encoding the file claims.
    pub encoding: Tested,
    /// The first frame whose range is not the plate's.
    pub range_mix_up: Option<(Frame, RangeMixUp)>,
    /// The file, as faults name it.
    pub name: String,
}

impl Gauge {
    /// Returns boom and actors of a frame; `None` if it was not looked at.
    ///
    /// # Errors
    ///
    /// They cannot be read back from their file.
    pub fn masks_of(&self, frame: Frame) -> Result<Option<FrameMasks>, Faults> {
        self.masks.of(frame).map_err(|io| {
            Faults::one(
                &self.name,
                format!("frame {frame}"),
                format!("what was measured cannot be read back: {io}"),
                "make room in the folder for temporary files and run again",
            )
        })
    }
}

/// Holds the frames of a take against its plates.
///
/// The plates are read first; then all frames, once, and every measure of every plate sees
/// them. Frames that are `kept` from a survey, and the plates' own, are not decoded again as
/// far as there is room for them. `tell` is given the number of frames read so far.
///
/// # Errors
///
/// Ranges outside the media, frames that cannot be decoded, no room for what is kept in
/// files.
pub fn gauge(
    wish: &Wish<'_>,
    kept: &mut Kept,
    tell: &mut dyn FnMut(u64),
) -> Result<Vec<Gauge>, Faults> {
    let info = wish.media.info();
    let gathered = RefCell::new(std::mem::take(kept));
    let every = wish.every;
    let mut all = wish.plates.clone();
    all.extend(&wish.frames);
    let all = union(&all);
    let pace = Pace::new(every, &all, &wish.plates);
    let new =
        |plate: &FrameRange| PlateReader::new(info, (*plate, &pace), wish.encoding, &gathered);
    let mut plates: Vec<PlateReader<'_>> = wish.plates.iter().map(new).collect();
    read_plates(wish, &mut plates, &gathered)?;
    let source = LumaSource::new(info);
    let (area, sizes) = (wish.area.as_ref(), (source.mid_size(), source.scales));
    let new = |plate| Against::new(plate, sizes, area, (&wish.limits, every));
    let against = plates.into_iter().map(new);
    let against: Vec<Against> =
        against.collect::<io::Result<_>>().map_err(|io| no_room(info, &io))?;
    *kept = gathered.take();
    let against = held(wish, (&all, &pace), against, kept, tell)?;
    let about = (info, source.half());
    let limits = SteadyLimits::from(wish.limits.camera).paced(every);
    let gauges = against.into_iter().map(|against| against.finish(about, &limits, &pace));
    gauges.collect::<io::Result<_>>().map_err(|io| no_room(info, &io))
}

/// Shows the frames of plates to their readers, those that are kept from there.
fn read_plates(
    wish: &Wish<'_>,
    plates: &mut [PlateReader<'_>],
    kept: &RefCell<Kept>,
) -> Result<(), Faults> {
    for run in union(&wish.plates) {
        let parts = {
            let wanted = |frame: Frame| {
                plates.iter().map(|plate| plate.wants(frame)).max().unwrap_or(Wanted::Nothing)
            };
            kept.borrow().parts(run, &wanted)
        };
        for (is_kept, part) in parts {
            if !is_kept {
                let mut readers: Vec<&mut dyn FrameReader> =
                    plates.iter_mut().map(|plate| plate as &mut dyn FrameReader).collect();
                wish.media.read(&[part], &mut readers)?;
                continue;
            }
            for frame in (part.start.0..part.end.0).map(Frame) {
                let mut plates =
                    plates.iter_mut().filter(|plate| plate.wants(frame) > Wanted::Nothing);
                plates.try_for_each(|plate| plate.see_kept(wish.media.info(), frame))?;
            }
        }
    }
    Ok(())
}

/// Shows all frames to the measures of each plate.
fn held(
    wish: &Wish<'_>,
    (all, pace): (&[FrameRange], &Pace),
    against: Vec<Against>,
    kept: &mut Kept,
    tell: &mut dyn FnMut(u64),
) -> Result<Vec<Against>, Faults> {
    let parts = |against: Against| {
        let Against { mean, variance, placing, parting, texture } = against;
        ((mean, variance), (placing, (parting, texture)))
    };
    let (planes, (placing, (parting, texture))): (Vec<_>, (Vec<_>, (Vec<_>, Vec<_>))) =
        against.into_iter().map(parts).unzip();
    let (placing, measured) = thread::scope(|hands| {
        let (belt, measured) = Belt::start(hands, parting, texture);
        let mut reader = GaugeReader::new(wish, (all, pace), placing, belt, tell);
        let read = read(wish, (all, pace), &mut reader, kept);
        let placing = reader.finish();
        // A measure that gave up says more than the reader who found it gone.
        let measured = measured.wait().map_err(|io| no_room(wish.media.info(), &io))?;
        read.map(|()| (placing, measured))
    })?;
    let measures = placing.into_iter().zip(measured.0.into_iter().zip(measured.1));
    let whole = |((mean, variance), (placing, (parting, texture)))| Against {
        mean,
        variance,
        placing,
        parting,
        texture,
    };
    Ok(planes.into_iter().zip(measures).map(whole).collect())
}

/// Reads all frames, those that are kept from there.
fn read(
    wish: &Wish<'_>,
    (all, pace): (&[FrameRange], &Pace),
    reader: &mut GaugeReader<'_>,
    kept: &mut Kept,
) -> Result<(), Faults> {
    let wanted = |frame: Frame| pace.wanted(frame);
    let parts = all.iter().flat_map(|run| kept.parts(*run, &wanted)).collect::<Vec<_>>();
    for (is_kept, part) in parts {
        if is_kept {
            let frames = (part.start.0..part.end.0).map(Frame);
            let mut frames = frames.filter(|frame| wanted(*frame) > Wanted::Nothing);
            frames.try_for_each(|frame| reader.see_kept(frame, kept))?;
        } else {
            wish.media.read(&[part], &mut [reader])?;
        }
    }
    Ok(())
}
