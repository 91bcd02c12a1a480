//! The choice of turning points.

use super::eased::WINDOWS;
use super::visible::{Turning, Visible};
use super::{COPIED, EASED};
use crate::plate::{FrameMap, MapFault};
use crate::settings::Turns;
use crate::time::FrameRange;

/// What is the same to the eye: of turning points that show as little, those farther apart
/// are taken, since they come round less often. Ours.
const ALIKE: f64 = 1.05;

/// What an eased turn is told to show at most before a slower one is tried. Ours: of painted
/// leaves in grain up to .15 too little is told.
const SURE: f64 = EASED - 0.1;

/// How a plate is looped.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// Which frame of the source each plate frame is; of eased turns the frame before easing.
    pub map: FrameMap,
    /// How it turns; never [`Turns::Auto`].
    pub turns: Turns,
    /// Frames over which eased turns are smoothed.
    pub window: Option<usize>,
    /// What its worst turn shows against what nature does there.
    pub visibility: f64,
    /// What that turn may show.
    pub limit: f64,
    /// Whether nothing moves in the patch.
    pub at_rest: bool,
}

/// Turning points, frames of the plate counted from 0, and what the worse of them shows.
#[derive(Debug, Clone, Copy)]
struct Points {
    low: usize,
    high: usize,
    shows: f64,
}

/// Chooses how `plate` (file frames) fills `length` frames; `least` is the shortest span
/// between turns that cannot flash.
///
/// With [`Turns::Auto`] a patch at rest turns at the plate's ends, another where that shows
/// least: its turning frames twice if that is within [`COPIED`], else eased.
/// [`Turns::Once`] and [`Turns::Twice`] run through the whole plate.
///
/// # Errors
///
/// As [`FrameMap::looped`].
pub fn choose(
    plate: FrameRange,
    length: u64,
    least: u64,
    turns: Turns,
    visible: &Visible,
) -> Result<Choice, MapFault> {
    let last = (plate.count().0 as usize).min(visible.frames()).saturating_sub(1);
    let whole = |turning| {
        let points = Points { low: 0, high: last, shows: 0.0 };
        Points { shows: Turned::of(visible, turning).shows(points, length), ..points }
    };
    let best = |turning| best(&Turned::of(visible, turning), last, length, least);
    // The shortest window that surely does not show, or as little as any.
    let eased = || {
        let tried = WINDOWS.map(|window| (best(Turning::Eased(window)), window));
        let least = tried.iter().map(|(points, _)| points.shows).fold(f64::INFINITY, f64::min);
        let most = SURE.max(least * ALIKE);
        tried.into_iter().find(|(points, _)| points.shows <= most).unwrap_or(tried[0])
    };
    let mut window = None;
    let mut slow = || {
        let (points, over) = eased();
        window = Some(over);
        (points, Turns::Eased, EASED)
    };
    let (points, turns, limit) = match turns {
        Turns::Once => (whole(Turning::Once), Turns::Once, COPIED),
        Turns::Twice => (whole(Turning::Twice), Turns::Twice, COPIED),
        Turns::Eased => slow(),
        Turns::Auto if visible.at_rest() => (whole(Turning::Twice), Turns::Twice, COPIED),
        Turns::Auto => {
            let twice = best(Turning::Twice);
            match twice.shows <= COPIED {
                true => (twice, Turns::Twice, COPIED),
                false => slow(),
            }
        }
    };
    let first = plate.start.0;
    let span = FrameRange::new(first + points.low as i64, first + points.high as i64 + 1);
    let drawn = if turns == Turns::Once { Turns::Once } else { Turns::Twice };
    Ok(Choice {
        map: FrameMap::looped(span, length, drawn)?,
        turns,
        window,
        visibility: points.shows,
        limit,
        at_rest: visible.at_rest(),
    })
}

/// What a turn at each frame of the plate shows.
struct Turned {
    turning: Turning,
    /// Having run forward.
    high: Vec<f64>,
    /// Having run backward.
    low: Vec<f64>,
}

impl Turned {
    fn of(visible: &Visible, turning: Turning) -> Turned {
        let all = |high| (0..visible.frames()).map(|at| visible.turn(at, high, turning)).collect();
        Turned { turning, high: all(true), low: all(false) }
    }

    /// What the worse turn shows of those that are needed to fill the length.
    fn shows(&self, points: Points, length: u64) -> f64 {
        let span = (points.high - points.low + 1) as u64;
        let again = u64::from(self.turning == Turning::Once);
        let turns = length.saturating_sub(span).div_ceil((span - again).max(1));
        let shown = |of: &[f64], at: usize| of.get(at).copied().unwrap_or(f64::INFINITY);
        let high = if turns > 0 { shown(&self.high, points.high) } else { 0.0 };
        let low = if turns > 1 { shown(&self.low, points.low) } else { 0.0 };
        high.max(low)
    }
}

/// The turning points that show least, at least a third of the plate apart.
fn best(turned: &Turned, last: usize, length: u64, least: u64) -> Points {
    let eased = if let Turning::Eased(window) = turned.turning { window } else { 2 };
    let apart = (last.div_ceil(3)).max(usize::try_from(least).unwrap_or(usize::MAX)).max(eased);
    let told = |points: Points| Points { shows: turned.shows(points, length), ..points };
    let pairs = (0..=last).flat_map(|low| {
        let from = low.saturating_add(apart).saturating_sub(1);
        (from..=last).map(move |high| Points { low, high, shows: 0.0 })
    });
    let mut found: Vec<Points> = pairs.map(told).collect();
    let whole = told(Points { low: 0, high: last, shows: 0.0 });
    let lowest = found.iter().map(|points| points.shows).fold(f64::INFINITY, f64::min);
    found.retain(|points| points.shows <= lowest * ALIKE);
    let longest = found.into_iter().max_by(|a, b| {
        let span = |points: &Points| points.high - points.low;
        span(a).cmp(&span(b)).then(b.low.cmp(&a.low))
    });
    longest.unwrap_or(whole)
}

#[cfg(test)]
mod tests {
    use super::super::{Area, Watch};
    use super::*;

    const SIZE: (usize, usize) = (160, 96);

    /// Waves moved by `place(t)` pixels, with even noise of half a code; watched.
    fn watched(frames: i64, noise: f32, place: impl Fn(f32) -> f32) -> (FrameRange, Visible) {
        let plate = FrameRange::new(100, 100 + frames);
        let (width, height) = (SIZE.0 as u32, SIZE.1 as u32);
        let mut watch = Watch::over(plate, &Area::of(None, width, height), width, height);
        let mut state = 7_u32;
        for t in 0..frames {
            let off = place(t as f32);
            let all = (0..SIZE.1).flat_map(|y| (0..SIZE.0).map(move |x| (x as f32, y as f32)));
            let luma = all.map(|(x, y)| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let even = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
                let x = x - off;
                100.0
                    + 20.0 * (x / 3.0 + y / 9.0).sin()
                    + 15.0 * (x / 5.0 - y / 4.0).sin()
                    + noise * even
            });
            watch.add(luma.collect());
        }
        (plate, watch.visible().unwrap())
    }

    #[test]
    fn a_sway_turns_where_it_stands_still() {
        let (plate, seen) = watched(60, 3.0, |t| 2.0 * (t / 24.0 * std::f32::consts::TAU).cos());
        let choice = choose(plate, 300, 5, Turns::Auto, &seen).unwrap();
        assert!(!choice.at_rest && choice.turns == Turns::Twice && choice.visibility <= 1.1);
        let span = choice.map.span();
        // It stands still every 12 frames; shown twice, half a frame beside that.
        for turn in [span.start.0 - 100, span.end.0 - 101] {
            assert!((turn + 1) % 12 <= 2, "{choice:?}");
        }
        assert!(span.count().0 >= 20 && choice.map.len() == 300);
        let plain = choose(plate, 300, 5, Turns::Twice, &seen).unwrap();
        assert_eq!(plain.map.span(), plate);
    }

    #[test]
    fn a_patch_at_rest_turns_at_its_ends() {
        let (plate, seen) = watched(40, 6.0, |_| 0.0);
        let choice = choose(plate, 100, 5, Turns::Auto, &seen).unwrap();
        assert!(choice.at_rest && choice.map.span() == plate, "{choice:?}");
        assert!(choice.visibility <= 1.1, "{choice:?}");
    }

    #[test]
    fn what_goes_one_way_is_eased() {
        // A drift that speeds up and slows down, but never stands.
        let course = |t: f32| 0.8 * t + 1.5 * (t / 20.0 * std::f32::consts::TAU).sin();
        let (plate, seen) = watched(60, 1.0, course);
        let choice = choose(plate, 200, 5, Turns::Auto, &seen).unwrap();
        assert_eq!(choice.turns, Turns::Eased, "{choice:?}");
        assert!(choice.map.span().count().0 >= 20);
        let once = choose(plate, 200, 5, Turns::Once, &seen).unwrap();
        let twice = choose(plate, 200, 5, Turns::Twice, &seen).unwrap();
        assert!(once.visibility > 1.8 * twice.visibility, "{once:?} {twice:?}");
        assert!(choice.visibility < twice.visibility);
    }

    #[test]
    fn too_few_frames_are_not_watched() {
        let plate = FrameRange::new(0, 4);
        let mut watch = Watch::over(plate, &Area::of(None, 64, 64), 64, 64);
        (0..4).for_each(|_| watch.add(vec![1.0; 64 * 64]));
        assert!(watch.visible().is_none());
    }
}
