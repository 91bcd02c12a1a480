//! Plate frames as the take has them at each frame of need.

use super::blocks::components;
use super::choice::Errors;
use super::course::{Course, MOST_BRIDGED};
use super::fit::{Model, median};
use super::follow::{Averaging, Motions, left_over, moved};
use super::light::{Light, Role, black_of};
use super::reader::{Lit, PlateBlocks, Seen};
use super::reference::{PlateFrame, Reference};
use super::rest::{Line, Rest};
use super::ring::Ring;
use super::setting::Setting;
use super::spline::Spline;
use crate::error::Faults;
use crate::media::{Footage, Picture};
use crate::plate::{FrameMap, Retouch};
use crate::reason::Code;
use crate::time::{Frame, FrameRange};
use std::collections::BTreeMap;

/// Most plate frames the mean is made of. Ours: a tenth of the noise of one frame is left.
const MOST_AVERAGED: u64 = 96;

/// What is to be corrected.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// The take, and what the plate comes from if that lies elsewhere.
    pub media: Footage<'a>,
    /// Which of their frames each plate frame is.
    pub map: &'a FrameMap,
    /// The take frames the plate is laid under, file clock; as many as the map has.
    pub need: FrameRange,
    /// What was seen round the patch.
    pub setting: &'a Setting,
    /// Whether the plate takes on the light of the take.
    pub match_light: bool,
    /// Whether the plate moves with the camera.
    pub follow_motion: bool,
}

/// Why a correction is not given.
#[derive(Debug, Clone, PartialEq)]
pub struct Refused {
    /// What cannot be told, as a sentence without its full stop.
    pub why: String,
    /// What was the matter.
    pub code: Code,
    /// The frames concerned, file clock.
    pub frames: FrameRange,
}

/// The corrections of one plate.
#[derive(Debug)]
pub struct Corrected {
    map: FrameMap,
    first: i64,
    roles: Vec<Role>,
    ring: Ring,
    model: Model,
    errors: Option<[f64; Model::ALL.len()]>,
    lights: BTreeMap<i64, Light>,
    rests: BTreeMap<i64, Rest>,
    match_light: bool,
    followed: Option<Followed>,
}

/// What a plate needs to follow the camera.
#[derive(Debug)]
struct Followed {
    motions: Motions,
    means: Vec<Spline>,
}

impl Corrected {
    /// Measures the light round the patch in every frame of plate and need. `tell` is given
    /// the number of frames done.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded; inside, what is refused and why.
    pub fn new(
        wish: &Wish<'_>,
        tell: &mut dyn FnMut(u64),
    ) -> Result<Result<Corrected, Refused>, Faults> {
        let followed = match wish.follow_motion.then(|| followed(wish)).transpose()? {
            Some(Err(refused)) => return Ok(Err(refused)),
            Some(Ok(followed)) => Some(followed),
            None => None,
        };
        let info = wish.media.info();
        let ring = Ring::new(wish.setting, (info.width as usize, info.height as usize));
        let span = wish.map.span();
        let (frames, roles) = plate_blocks(wish, &ring)?;
        let Some(reference) = Reference::of(&frames, roles.clone(), &ring) else {
            let why = "The samples of this picture cannot be reached".to_string();
            return Ok(Err(Refused { why, code: Code::MediaUnreadable, frames: span }));
        };
        let held = i64::try_from(info.frames).unwrap_or(i64::MAX);
        let need = wish.need.overlap(FrameRange::new(0, held)).unwrap_or(wish.need);
        let mut lit = Lit {
            setting: wish.setting,
            ring: &ring,
            reference: &reference,
            range: wish.media.whole(),
            lights: BTreeMap::new(),
            left: BTreeMap::new(),
            errors: Errors::default(),
            seen: wish.match_light.then(BTreeMap::new),
            tell,
        };
        for frame in &frames {
            lit.note(frame.frame, &frame.means, &frame.open);
        }
        let known: Vec<FrameRange> =
            frames.iter().map(|frame| FrameRange::new(frame.frame, frame.frame + 1)).collect();
        let mut wanted = span.without(&known);
        wanted.push(need);
        wish.media.read(&wanted, &mut [&mut lit])?;
        let of_plate = Errors::of_plate(&frames, &reference, &ring);
        let errors = of_plate.unwrap_or(std::mem::take(&mut lit.errors));
        let model = errors.best().unwrap_or(Model::GainAndOffset);
        let lights = std::mem::take(&mut lit.lights);
        let over = left_over(&lit.left, span, &wish.setting.shown);
        if let Some((frames, times)) = over.filter(|_| wish.follow_motion) {
            let why = format!(
                "The plate cannot follow the camera: moved to the take, {times:.1} times as much is left over as in the plate itself"
            );
            return Ok(Err(Refused { why, code: Code::UnsteadyPicture, frames }));
        }
        let signal = usual_signal(&reference);
        let at = Model::ALL.iter().position(|one| *one == model).unwrap_or(0);
        let mut course = Course::new(reference.main(), signal);
        for (frame, mut found) in lights {
            course.add(frame, found[at].take());
        }
        if let Some(frames) = course.gap(&wish.setting.shown).filter(|_| wish.match_light) {
            let why = format!(
                "The light cannot be told in {} frames, and is foretold over {MOST_BRIDGED} at most: too little of the background round the patch is seen",
                frames.count().0
            );
            return Ok(Err(Refused { why, code: Code::LightChanged, frames }));
        }
        let wanted = (span.start.0..span.end.0).chain(need.start.0..wish.need.end.0);
        let lights: BTreeMap<i64, Light> =
            wanted.filter_map(|frame| Some((frame, course.light(frame)?))).collect();
        let seen = lit.seen.take();
        let rests = seen.map(|seen| rests(&lights, &seen, &course, (&reference, &ring)));
        Ok(Ok(Corrected {
            map: wish.map.clone(),
            first: wish.need.start.0,
            roles,
            ring,
            model,
            errors: errors.means(),
            lights,
            rests: rests.unwrap_or_default(),
            match_light: wish.match_light,
            followed,
        }))
    }

    /// Returns the model all frames are matched by.
    pub fn model(&self) -> Model {
        self.model
    }

    /// Returns what each of [`Model::ALL`] left where the truth was known, in codes of eight
    /// bits.
    pub fn errors(&self) -> Option<[f64; Model::ALL.len()]> {
        self.errors
    }

    /// Returns gain and offset in the middle of the patch, in codes of eight bits, by which
    /// codes of a frame follow from those of the plate's mean above black.
    pub fn gain_and_offset(&self, frame: Frame) -> Option<(f64, f64)> {
        let main = super::reference::main_of(&self.roles);
        let light = self.lights.get(&frame.0)?;
        Some(light.gain_and_lift(main, super::ring::Place::default()))
    }

    fn relit(&self, picture: &Picture, own: Lighting<'_>, wanted: Lighting<'_>) -> Option<Picture> {
        let mut edited = picture.retouched()?;
        let count = components(picture).min(self.roles.len());
        let mut rows = Rows::default();
        for component in 0..count {
            let (width, height, shift) = picture.component_size(component);
            let scale = 255.0 / f64::from(picture.component_peak(component));
            let with_luma = matches!(self.roles[component], Role::Difference(_));
            for y in 0..height {
                rows.read(picture, component, y, (width, shift), with_luma)?;
                let pixel = |at: usize, shift: u32| (at as f64 + 0.5) * f64::from(1_u32 << shift);
                let down = pixel(y, shift.1);
                let line = |lighting: Lighting<'_>| {
                    let (_, rows_down) = Rest::place(&self.ring, 0.0, down);
                    lighting.rest.map(|rest| rest.line(component, rows_down))
                };
                let (own_line, wanted_line) = (line(own), line(wanted));
                for x in 0..width {
                    let place = self.ring.place(pixel(x, shift.0), down);
                    let luma = rows.luma.get(x).map_or(0.0, |luma| f64::from(*luma)) * scale;
                    let code = f64::from(rows.own[x]) * scale;
                    let (across, _) = Rest::place(&self.ring, pixel(x, shift.0), down);
                    let rest = |line: &Option<Line>| line.as_ref().map_or(0.0, |l| l.at(across));
                    let seen = (luma, code - rest(&own_line));
                    let lit = self.code(component, seen, place, (own.light, wanted.light))
                        + rest(&wanted_line);
                    rows.own[x] = (lit / scale) as f32;
                }
                if !edited.put(component, y, 0, &rows.own) {
                    return None;
                }
            }
        }
        Some(edited.into_picture())
    }

    /// The code of one sample in another light.
    fn code(
        &self,
        component: usize,
        (luma, code): (f64, f64),
        place: super::ring::Place,
        (own, wanted): (&Light, &Light),
    ) -> f64 {
        let roles = &self.roles;
        let of = |light: &Light| light.line(component, roles, place);
        let (from, to) = (of(own), of(wanted));
        let beside = match roles[component] {
            Role::Light(_) => 0.0,
            Role::Difference(_) => {
                let [gain, lift, _] = own.line(0, roles, place);
                (luma - black_of(roles) - lift) / positive(gain)
            }
        };
        let zero = roles[component].zero();
        let mean = (code - zero - from[1] - from[2] * beside) / positive(from[0]);
        zero + to[0] * mean + to[1] + to[2] * beside
    }
}

fn positive(gain: f64) -> f64 {
    if gain.abs() < 1e-3 { 1.0 } else { gain }
}

impl Retouch for Corrected {
    fn why(&self) -> String {
        match (self.match_light, self.followed.is_some()) {
            (true, true) => "its light is matched to the take, and it follows the camera",
            (false, true) => "it follows the camera",
            _ => "its light is matched to the take",
        }
        .to_string()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let shown = self.map.frame_at(k);
        let under = self.first.saturating_add(i64::try_from(k).unwrap_or(i64::MAX));
        let Some(shown) = shown else { return Ok(None) };
        let stuck = || {
            Faults::one(
                format!("plate frame {k}"),
                "",
                "its samples cannot be changed",
                "make memory free and run again",
            )
        };
        let own = self.lights.get(&shown);
        let moved = match &self.followed {
            Some(followed) => {
                let at = (&followed.motions.at(shown), &followed.motions.at(under));
                let gain = |component: usize, x: f64, y: f64| match own {
                    Some(light) => light.line(component, &self.roles, self.ring.place(x, y))[0],
                    None => 1.0,
                };
                Some(moved((picture, under), &followed.means, at, &gain).ok_or_else(stuck)?)
            }
            None => None,
        };
        let lit = |frame| {
            Some(Lighting { light: self.lights.get(&frame)?, rest: self.rests.get(&frame) })
        };
        let (Some(own), Some(wanted), true) = (lit(shown), lit(under), self.match_light) else {
            return Ok(moved);
        };
        if own.light.parts == wanted.light.parts && own.rest == wanted.rest {
            return Ok(moved);
        }
        let laid = moved.as_ref().unwrap_or(picture);
        self.relit(laid, own, wanted).map(Some).ok_or_else(stuck)
    }
}

/// All that is known of the light of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Lighting<'a> {
    light: &'a Light,
    rest: Option<&'a Rest>,
}

/// What the lights leave over, averaged over frames that share a light as lights are.
fn rests(
    lights: &BTreeMap<i64, Light>,
    seen: &BTreeMap<i64, Seen>,
    course: &Course,
    (reference, ring): (&Reference, &Ring),
) -> BTreeMap<i64, Rest> {
    let one = |(frame, light): (&i64, &Light)| {
        let (means, open) = seen.get(frame)?;
        Some((*frame, Rest::of((means, open), light, reference, ring)))
    };
    let single: BTreeMap<i64, Rest> = lights.iter().filter_map(one).collect();
    let averaged = |frame: &i64| {
        let near = course.near(*frame);
        let near: Vec<(&Rest, f64)> =
            near.iter().filter_map(|(at, weight)| Some((single.get(at)?, *weight))).collect();
        Some((*frame, Rest::blended(&near)?))
    };
    lights.keys().filter_map(averaged).collect()
}

/// One row of a component, and the luma beside it.
#[derive(Default)]
struct Rows {
    own: Vec<f32>,
    luma: Vec<f32>,
    part: Vec<f32>,
}

impl Rows {
    fn read(
        &mut self,
        picture: &Picture,
        component: usize,
        y: usize,
        (width, shift): (usize, (u32, u32)),
        with_luma: bool,
    ) -> Option<()> {
        if !picture.samples(component, y, 0..width, &mut self.own) {
            return None;
        }
        self.luma.clear();
        if !with_luma {
            return Some(());
        }
        self.luma.resize(width, 0.0);
        let (luma_width, luma_height, _) = picture.component_size(0);
        let rows = (y << shift.1)..((y + 1) << shift.1).min(luma_height);
        let share = 1.0 / (rows.len().max(1) as f32);
        for row in rows {
            if !picture.samples(0, row, 0..luma_width, &mut self.part) {
                return None;
            }
            let pixels = self.part.chunks(1 << shift.0);
            for (sum, pixels) in self.luma.iter_mut().zip(pixels) {
                *sum += share * pixels.iter().sum::<f32>() / pixels.len() as f32;
            }
        }
        Some(())
    }
}

/// Reads the blocks of plate frames, of very many only some.
fn plate_blocks(wish: &Wish<'_>, ring: &Ring) -> Result<(Vec<PlateFrame>, Vec<Role>), Faults> {
    let span = wish.map.span();
    let some = spread(span, MOST_AVERAGED);
    let mut reader =
        PlateBlocks { setting: wish.setting, ring, range: span, frames: Vec::new(), roles: None };
    wish.media.read(&some, &mut [&mut reader])?;
    Ok((reader.frames, reader.roles.unwrap_or_default()))
}

/// Most plate frames the mean that is moved is made of. Ours: a fiftieth of the grain's
/// variance is left in it.
const MOST_MOVED: u64 = 48;

/// Finds where plate and take lie, and makes the mean of the plate.
fn followed(wish: &Wish<'_>) -> Result<Result<Followed, Refused>, Faults> {
    let info = wish.media.info();
    let size = (f64::from(info.width), f64::from(info.height));
    let shown = wish.map.frames().zip(wish.need.start.0..);
    let motions = match Motions::of(wish.setting, shown, size) {
        Ok(motions) => motions,
        Err((frames, why)) => return Ok(Err(Refused { why, code: Code::UnsteadyPicture, frames })),
    };
    let span = wish.map.span();
    let mut averaging = Averaging { motions: &motions, range: span, sums: Vec::new(), frames: 0 };
    wish.media.read(&spread(span, MOST_MOVED), &mut [&mut averaging])?;
    let means = averaging.means();
    Ok(Ok(Followed { motions, means }))
}

/// Some frames of a range, evenly spread.
fn spread(range: FrameRange, most: u64) -> Vec<FrameRange> {
    let every = range.count().0.div_ceil(most).max(1) as usize;
    let frames = (range.start.0..range.end.0).step_by(every);
    frames.map(|frame| FrameRange::new(frame, frame + 1)).collect()
}

/// The middle signal of all blocks.
fn usual_signal(reference: &Reference) -> f64 {
    let main = reference.main();
    let zero = reference.roles.get(main).map_or(0.0, Role::zero);
    let mut signals: Vec<f64> =
        reference.means[main].iter().map(|mean| f64::from(*mean) - zero).collect();
    median(&mut signals).max(1.0)
}
