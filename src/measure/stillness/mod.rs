//! What moves in the background: foliage, traffic, water, screens, and what passes before it.
//!
//! Every tile of the plate is a small motion meter: frames less plate are projected on its
//! slopes (Lucas and Kanade 1981), light taken out, and the displacement found is followed
//! in time. Grain is as strong in fast as in slow displacement, motion is not; noise a codec
//! froze is slow too, but it shows as much along patterns that no motion makes. Both are
//! asked. Things that pass are looked for in means of small cells.

mod common;
mod crossing;
mod lens;
mod map;
mod spectrum;
mod swim;
mod window;

pub use crossing::CrossingLimits;
pub use map::{Activity, Kind, Moving, StillnessMap, Stretch};

use super::patterns::{Patterns, Sums};
use super::{Excluded, Mask, Motion, Plane, PlateSum, Spool};
use crate::settings::BackgroundLimits;
use crate::time::{Frame, FrameRange};
use crossing::Crossings;
use lens::Lens;
use spectrum::Cosines;
use std::io;
use std::sync::Arc;
use swim::Swim;
use window::{FEWEST, Told, WINDOW, Window};

/// What counts as motion.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct StillnessLimits {
    /// Standard normal score beyond which a tile moves. Ours: one false tile in five million
    /// for each of its tests.
    pub sure: f64,
    /// Smallest peak of a sway that is reported, in pixels of the work plane. Ours: half of
    /// what showed at all on the strongest edges tried.
    pub least_px: f32,
    /// How much noisier a tile may be than those around it before it counts as fast motion.
    /// Ours: grain depends on level, and levels differ between neighbours.
    pub uneven_noise: f64,
    /// Where a codec froze the noise, detail swims a little although nothing moves: a sway
    /// counts only if it changes the tile by this much, rms in codes of eight bits; a quarter
    /// more in a tile of 64 pixels, half in one of 32, twice in one of 16. Where a picture
    /// swims more all over, up to three times as much is asked. Ours.
    pub frozen_codes: f64,
    /// A tile must be able to show a sway of this size to be asked at all, and no larger one
    /// is told, in pixels. Ours: slopes say little beyond a few pixels.
    pub most_px: f64,
    /// How far the tiles may correct the motion of the whole picture, in pixels. Ours: beyond
    /// it they contradict it and are not believed.
    pub reach_px: f64,
    /// What is asked of things that pass.
    pub crossing: CrossingLimits,
}

impl Default for StillnessLimits {
    fn default() -> Self {
        Self {
            sure: 5.2,
            least_px: 0.02,
            uneven_noise: 1.6,
            frozen_codes: 1.0,
            most_px: 2.0,
            reach_px: 0.2,
            crossing: CrossingLimits::default(),
        }
    }
}

impl From<BackgroundLimits> for StillnessLimits {
    fn from(limits: BackgroundLimits) -> Self {
        let usual = Self::default();
        let crossing =
            CrossingLimits { least_codes: limits.passing_codes as f32, ..usual.crossing };
        Self {
            sure: limits.sure,
            least_px: limits.least_px as f32,
            frozen_codes: limits.frozen_codes,
            crossing,
            ..usual
        }
    }
}

impl StillnessLimits {
    fn is_sway(&self, told: &Told) -> bool {
        f64::from(told.z) > self.sure && told.px >= self.least_px
    }
}

/// Watches the background of a take, one frame after the other.
///
/// Memory does not grow with the take but for a few bytes a frame: what is found is kept in
/// a file without a name.
#[derive(Debug)]
pub struct Stillness {
    patterns: Arc<Patterns>,
    lenses: Vec<Lens>,
    limits: StillnessLimits,
    window: Window,
    cosines: Cosines,
    crossings: Crossings,
    swim: Swim,
    windows: Vec<(FrameRange, usize)>,
    passed: Vec<(Frame, usize)>,
    spool: Option<Spool>,
    seen: u64,
}

impl Stillness {
    /// Prepares a plate of the work plane; `None` before its second frame.
    pub fn new(
        plate: &PlateSum,
        excluded: Option<&Excluded>,
        limits: StillnessLimits,
    ) -> Option<Self> {
        Some(Self::against(Arc::new(Patterns::new(plate, excluded)?), limits))
    }

    /// Prepares with patterns that another measure uses as well.
    pub fn against(patterns: Arc<Patterns>, limits: StillnessLimits) -> Self {
        let lenses = lenses(&patterns);
        let series = 2 * lenses.len() + patterns.tiles().0 * patterns.tiles().1;
        Self {
            window: Window::new(series),
            cosines: Cosines::new(WINDOW),
            crossings: Crossings::new(&patterns, limits.crossing),
            swim: Swim::default(),
            patterns,
            lenses,
            limits,
            windows: Vec::new(),
            passed: Vec::new(),
            spool: None,
            seen: 0,
        }
    }

    /// Prepares for frames that come `every` so many, not one by one: what passes is then
    /// followed from one to the next of them.
    #[must_use]
    pub fn paced(mut self, every: u32) -> Self {
        self.crossings.paced(every);
        self
    }

    /// Returns the patterns, for other measures of the same plate.
    pub fn patterns(&self) -> &Arc<Patterns> {
        &self.patterns
    }

    /// Looks at a frame of the work plane; frames come in order, and may have gaps.
    ///
    /// `light` is gain and offset against the plate in codes of eight bits, `motion` that of
    /// the whole picture in pixels of the work plane, `hidden` what covers the background: a
    /// tile it touches leaves the frame out. False if the frame is not of the plate's size.
    ///
    /// # Errors
    ///
    /// As the system says: no room for the notes.
    pub fn see(
        &mut self,
        frame: Frame,
        work: &Plane,
        light: (f32, f32),
        motion: Motion,
        hidden: Option<&Mask>,
    ) -> io::Result<bool> {
        let Some(sums) = self.patterns.project(work) else { return Ok(false) };
        self.see_sums(frame, &sums, light, motion, hidden)?;
        Ok(true)
    }

    /// Looks at a frame that was projected already.
    ///
    /// # Errors
    ///
    /// As the system says: no room for the notes.
    pub fn see_sums(
        &mut self,
        frame: Frame,
        sums: &Sums,
        light: (f32, f32),
        motion: Motion,
        hidden: Option<&Mask>,
    ) -> io::Result<()> {
        let hidden = hidden.map(|mask| self.patterns.touched(mask)).unwrap_or_default();
        if self
            .window
            .frames
            .last()
            .is_some_and(|last| frame.0 > last.0.saturating_add(WINDOW as i64 / 4))
        {
            self.judge_rest()?;
            self.window.clear();
            self.crossings.cut();
        }
        self.seen += 1;
        let row = self.window.row(frame);
        let (seen, noise) = row.split_at_mut(2 * self.lenses.len());
        for (lens, out) in self.lenses.iter().zip(seen.chunks_exact_mut(2)) {
            if let Some(told) = lens.look(sums, &hidden) {
                out.copy_from_slice(&told);
            }
        }
        let gain = f64::from(light.0);
        let motion = common::refined(&self.lenses, seen, gain, motion, self.limits.reach_px);
        for (lens, out) in self.lenses.iter().zip(seen.chunks_exact_mut(2)) {
            out[0] += lens.back(0, &motion, gain);
            out[1] += lens.back(1, &motion, gain);
        }
        for (tile, (told, out)) in sums.controls.iter().zip(noise).enumerate() {
            if hidden.get(tile) != Some(&true) {
                *out = *told;
            }
        }
        let passed = self.crossings.see(frame, &self.patterns, sums, light, &hidden);
        if !passed.is_empty() {
            let number = self.note(&map::packed_passed(&passed))?;
            self.passed.push((frame, number));
        }
        if self.window.is_full() {
            self.judge()?;
            self.window.advance();
        }
        Ok(())
    }

    fn note(&mut self, record: &[u8]) -> io::Result<usize> {
        if self.spool.is_none() {
            self.spool = Some(Spool::new()?);
        }
        self.spool.as_mut().map_or(Ok(0), |spool| spool.add(record))
    }

    fn judge(&mut self) -> io::Result<()> {
        let (Some(first), Some(last)) = (self.window.frames.first(), self.window.frames.last())
        else {
            return Ok(());
        };
        let range = FrameRange::new(first.0, last.0.saturating_add(1));
        let told = self.window.judge(
            &self.patterns,
            &self.lenses,
            &self.cosines,
            &self.limits,
            &mut self.swim,
        );
        let number = self.note(&map::packed(&told))?;
        self.windows.push((range, number));
        Ok(())
    }

    fn judge_rest(&mut self) -> io::Result<()> {
        let frames = self.window.frames.len();
        if frames > self.window.judged && frames >= FEWEST { self.judge() } else { Ok(()) }
    }

    /// Ends the take.
    ///
    /// # Errors
    ///
    /// As the system says: no room for the notes.
    pub fn finish(mut self) -> io::Result<StillnessMap> {
        self.judge_rest()?;
        Ok(StillnessMap {
            patterns: self.patterns,
            lenses: self.lenses,
            limits: self.limits,
            windows: self.windows,
            passed: self.passed,
            spool: self.spool,
            seen: self.seen,
        })
    }
}

/// Tiles of 16, 32 and 64 pixels that have slopes, the small ones first.
fn lenses(patterns: &Patterns) -> Vec<Lens> {
    let (across, down) = patterns.tiles();
    let mut lenses = Vec::new();
    for side in [1, 2, 4] {
        for y in (0..down).step_by(side) {
            for x in (0..across).step_by(side) {
                lenses.extend(Lens::new(patterns, x, y, side));
            }
        }
    }
    lenses
}
