//! The light of a take, from the codes of its decoded pictures.
//!
//! Beside the light, a few frames of a take are asked whether its encoding and its range
//! are what they are said to be.

use super::blocks::{Blocks, Codes};
use super::coded::Choice;
use super::encoding::{EncodingTest, Tested};
use super::plate::{Plate, PlateMean};
use super::range::{self, RangeMixUp};
use super::{FrameLight, LightMeter};
use crate::measure::Mask;
use crate::measure::transfer::Encoding;
use crate::media::Picture;

/// Measures the light of frames against a plate: the plate's frames first, then all frames
/// in order.
///
/// ```no_run
/// # use platesmith::measure::{Mask, light::Meter, light::blocks::Codes, transfer::Encoding};
/// # fn of(plate: &[Codes], frames: &[Codes], encoding: Encoding, patch: &Mask) -> Option<()> {
/// let mut meter = Meter::new(encoding).with_mask(&patch.grown(64)).with_patch(patch);
/// plate.iter().for_each(|frame| assert!(meter.add_plate(frame)));
/// for frame in frames {
///     let light = meter.measure(frame);
///     let gain = light.main().map(|gain| gain.gain);
///     let codes = light.main_coded().map(|coded| (coded.gain, coded.offset));
/// }
/// # Some(())
/// # }
/// ```
#[derive(Debug, Clone)]
pub struct Meter {
    encoding: Encoding,
    plate: PlateMean,
    mask: Option<Mask>,
    patch: Option<Mask>,
    meter: Option<LightMeter>,
    frames: u64,
    depth: u32,
    encoding_test: Option<EncodingTest>,
    mix_ups: Vec<(u64, RangeMixUp)>,
    asked_for_range: u32,
}

/// Frames asked about the range. Ours: each takes as long as three ordinary measures.
const RANGE_FRAMES: u32 = 8;

/// Least error of an uncorrected patch that makes a frame worth asking, in codes of 8 bits.
/// Ours: a mix-up is off by 18.6 at one end of the levels, by .4 at the other, so by more than
/// this over most of them.
const LEAST_OFF: f64 = 2.0;

impl Meter {
    /// Begins with no plate.
    pub fn new(encoding: Encoding) -> Meter {
        Meter {
            encoding,
            plate: PlateMean::new(),
            mask: None,
            patch: None,
            meter: None,
            frames: 0,
            depth: 8,
            encoding_test: None,
            mix_ups: Vec::new(),
            asked_for_range: 0,
        }
    }

    /// Asks only blocks that lie wholly in a set of pixels. The set may be of a plane of any
    /// size that shows the whole picture.
    pub fn with_mask(mut self, pixels: &Mask) -> Meter {
        (self.mask, self.meter) = (Some(pixels.clone()), None);
        self
    }

    /// Names the pixels of the patch, in a plane of any size: gains as one number and what
    /// would be seen are for it, whether its background is in sight or not.
    pub fn with_patch(mut self, pixels: &Mask) -> Meter {
        (self.patch, self.meter) = (Some(pixels.clone()), None);
        self
    }

    /// Adds a frame of the plate; false, and nothing added, if it is unlike those before.
    pub fn add_plate(&mut self, codes: &Codes) -> bool {
        (self.meter, self.encoding_test) = (None, None);
        self.plate.add(&Blocks::of(codes, self.encoding.range))
    }

    /// As [`Meter::add_plate`] from a decoded picture, by way of `codes`, which are reused.
    pub fn add_plate_picture(&mut self, picture: &Picture, codes: &mut Codes) -> bool {
        codes.read(picture, &self.encoding) && self.add_plate(codes)
    }

    /// Measures one frame. Frames are given in order.
    pub fn measure(&mut self, codes: &Codes) -> FrameLight {
        self.measure_blocks(&Blocks::of(codes, self.encoding.range), codes.depth)
    }

    /// As [`Meter::measure`] from blocks in the meter's range, of codes of `depth` bits.
    pub fn measure_blocks(&mut self, blocks: &Blocks, depth: u32) -> FrameLight {
        self.depth = depth;
        self.frames += 1;
        match self.meter() {
            Some(meter) => {
                let light = meter.measure(blocks);
                self.ask(blocks, &light);
                light
            }
            None => FrameLight::without_plate(self.encoding.curve, blocks.channels.len()),
        }
    }

    /// Asks a frame about range and encoding.
    fn ask(&mut self, blocks: &Blocks, light: &FrameLight) {
        let Some(meter) = &self.meter else { return };
        if let (None, Some(curve)) = (&self.encoding_test, self.encoding.curve) {
            self.encoding_test = Some(EncodingTest::new(meter.plate().clone(), curve));
        }
        let off = |visible: super::Visible| visible.as_shot.most > LEAST_OFF;
        let worth = light.visible.is_none_or(off);
        if let (true, Some(test)) = (worth, &mut self.encoding_test) {
            test.add(blocks);
        }
        if worth && self.asked_for_range < RANGE_FRAMES {
            self.asked_for_range += 1;
            let range = self.encoding.range;
            let found = match light.main_coded() {
                Some(coded) => range::mix_up_of(coded),
                None => range::range_mix_up(meter.plate(), blocks, range, self.depth),
            };
            self.mix_ups.extend(found.map(|found| (self.frames - 1, found)));
        }
    }

    /// Returns what the frames so far say of the encoding that is claimed.
    pub fn encoding(&self) -> Tested {
        self.encoding_test.as_ref().map_or(Tested::CannotTell, EncodingTest::verdict)
    }

    /// Returns the first frame found, counted from 0, whose range differs from the plate's.
    /// Only the first few frames that differ visibly from the plate are asked; range does not
    /// change from frame to frame, so most of them have to agree.
    pub fn range_mix_up(&self) -> Option<(u64, RangeMixUp)> {
        let first = self.mix_ups.first()?;
        let alike = |(_, found): &&(u64, RangeMixUp)| found.same_way(first.1);
        let count = self.mix_ups.iter().filter(alike).count() as u32;
        (2 * count > self.asked_for_range).then_some(*first)
    }

    /// As [`Meter::measure`] from a decoded picture; `None` if it has neither colour nor luma
    /// that can be read.
    pub fn measure_picture(&mut self, picture: &Picture, codes: &mut Codes) -> Option<FrameLight> {
        codes.read(picture, &self.encoding).then(|| self.measure(codes))
    }

    /// Returns the mean of the plate so far; `None` before its first frame.
    pub fn plate(&mut self) -> Option<&Plate> {
        self.meter().map(|meter| meter.plate())
    }

    /// Returns the model of the codes and what each model left on frames of the plate.
    pub fn choice(&mut self) -> Option<Choice> {
        self.meter().map(LightMeter::choice)
    }

    fn meter(&mut self) -> Option<&mut LightMeter> {
        if self.meter.is_none() {
            let plate = self.plate.clone().finish()?;
            let mask = self.mask.as_ref().map(|pixels| plate.held(pixels, WHOLLY));
            let patch = self.patch.as_ref().map(|pixels| plate.held(pixels, IN_PART));
            let mut meter = LightMeter::new(plate, &self.encoding);
            if let Some(mask) = mask {
                meter = meter.with_mask(mask);
            }
            if let Some(patch) = patch {
                meter = meter.with_patch(patch);
            }
            self.meter = Some(meter);
        }
        self.meter.as_mut()
    }
}

/// Part of a block that must lie in the set of what is asked, and in the patch.
const WHOLLY: f64 = 1.0;
const IN_PART: f64 = 0.5;
