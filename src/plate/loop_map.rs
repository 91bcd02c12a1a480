//! Which frame of the source each plate frame is: runs of frames, forward and backward.

use crate::settings::Turns;
use crate::time::{FrameRange, Rate, exact_from_f64, whole};
use serde::{Deserialize, Serialize};

/// Longest map, in frames: a day at 60 a second. Ours; longer is a slip of the pen.
pub const LONGEST: u64 = 24 * 3600 * 60;

/// One run of source frames, both ends included: `first`, `first + step`, to `last`.
///
/// Written as `[first, last, step]`. `step` is never 0: a frame held for n frames is n
/// runs `[f, f, 1]`, so the runs alone, read in order, give the plate again. The step of
/// a lone frame only tells which way the plate was running.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "[i64; 3]", try_from = "[i64; 3]")]
pub struct Run {
    first: i64,
    last: i64,
    step: i64,
}

/// Why a map cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MapFault {
    /// The plate has no frame.
    #[error("the plate holds no frame")]
    EmptyPlate,
    /// Nothing is to be filled.
    #[error("no frame is asked for")]
    NoLength,
    /// More frames than a day has.
    #[error("{0} frames are asked for, more than a day at 60 a second ({LONGEST})")]
    TooLong(u64),
    /// An eased turn is rendered and has no map of whole frames.
    #[error("an eased turn is rendered from several frames; it has no map of whole frames")]
    Eased,
    /// A run does not go from its first to its last frame in whole steps.
    #[error("[{first}, {last}, {step}] is no run: its step does not lead from first to last")]
    Run {
        /// First frame as read.
        first: i64,
        /// Last frame as read.
        last: i64,
        /// Step as read.
        step: i64,
    },
    /// A frame outside the map.
    #[error("frame {frame} of a map of {len} frames")]
    Outside {
        /// The frame asked for.
        frame: u64,
        /// The length of the map.
        len: u64,
    },
}

impl Run {
    /// Makes the run `first`, `first + step`, to `last`.
    ///
    /// # Errors
    ///
    /// [`MapFault::Run`] if `step` is 0 or does not lead from `first` to `last`.
    pub fn new(first: i64, last: i64, step: i64) -> Result<Run, MapFault> {
        let fault = MapFault::Run { first, last, step };
        let Some(way) = last.checked_sub(first) else { return Err(fault) };
        let leads = step != 0 && way.checked_rem(step) == Some(0) && way.signum() * step >= 0;
        if leads { Ok(Run { first, last, step }) } else { Err(fault) }
    }

    /// Returns the first frame shown.
    pub fn first(self) -> i64 {
        self.first
    }

    /// Returns the last frame shown.
    pub fn last(self) -> i64 {
        self.last
    }

    /// Returns the distance from one frame to the next; negative when played backward.
    pub fn step(self) -> i64 {
        self.step
    }

    /// Returns the number of frames; at least 1.
    pub fn count(self) -> u64 {
        ((self.last - self.first) / self.step) as u64 + 1
    }

    /// Returns the frames in order.
    pub fn frames(self) -> impl DoubleEndedIterator<Item = i64> + ExactSizeIterator {
        let (first, step) = (self.first, self.step);
        (0..self.count() as usize).map(move |k| first + k as i64 * step)
    }
}

impl From<Run> for [i64; 3] {
    fn from(run: Run) -> Self {
        [run.first, run.last, run.step]
    }
}

impl TryFrom<[i64; 3]> for Run {
    type Error = MapFault;
    fn try_from([first, last, step]: [i64; 3]) -> Result<Run, MapFault> {
        Run::new(first, last, step)
    }
}

/// Which file frame of the source each frame of a plate is.
///
/// Written as its runs: `[[12, 59, 1], [58, 12, -1]]`. Never empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "Vec<Run>", try_from = "Vec<Run>")]
pub struct FrameMap {
    runs: Vec<Run>,
    /// Number of the first plate frame of each run.
    starts: Vec<u64>,
    len: u64,
}

impl From<FrameMap> for Vec<Run> {
    fn from(map: FrameMap) -> Self {
        map.runs
    }
}

impl TryFrom<Vec<Run>> for FrameMap {
    type Error = MapFault;
    fn try_from(runs: Vec<Run>) -> Result<FrameMap, MapFault> {
        FrameMap::from_runs(runs)
    }
}

impl FrameMap {
    /// Makes a map from its runs.
    ///
    /// # Errors
    ///
    /// [`MapFault`] if there is no run, or more frames than [`LONGEST`].
    pub fn from_runs(runs: Vec<Run>) -> Result<FrameMap, MapFault> {
        let mut starts = Vec::with_capacity(runs.len());
        let mut len: u64 = 0;
        for run in &runs {
            starts.push(len);
            len = len.saturating_add(run.count());
        }
        match len {
            0 => Err(MapFault::NoLength),
            1..=LONGEST => Ok(FrameMap { runs, starts, len }),
            _ => Err(MapFault::TooLong(len)),
        }
    }

    /// Makes a map from every frame in order; neighbours that differ by one are joined.
    ///
    /// # Errors
    ///
    /// [`MapFault`] if there is no frame, or more than [`LONGEST`].
    pub fn from_frames(frames: impl IntoIterator<Item = i64>) -> Result<FrameMap, MapFault> {
        let mut runs: Vec<Run> = Vec::new();
        let mut len: u64 = 0;
        for frame in frames {
            len += 1;
            if len > LONGEST {
                return Err(MapFault::TooLong(len));
            }
            match runs.last_mut() {
                Some(run) if continues(*run, frame) => {
                    run.step = frame.saturating_sub(run.last);
                    run.last = frame;
                }
                // A lone frame keeps the way that led to it, so that a held frame is no turn.
                Some(run) => {
                    let way = (i128::from(frame) - i128::from(run.last)).signum() as i64;
                    let step = if way == 0 { run.step } else { way };
                    runs.push(Run { first: frame, last: frame, step });
                }
                None => runs.push(Run { first: frame, last: frame, step: 1 }),
            }
        }
        FrameMap::from_runs(runs)
    }

    /// Makes the map that plays a range once, forward.
    ///
    /// # Errors
    ///
    /// [`MapFault::EmptyPlate`], [`MapFault::TooLong`].
    pub fn straight(range: FrameRange) -> Result<FrameMap, MapFault> {
        if range.is_empty() {
            return Err(MapFault::EmptyPlate);
        }
        FrameMap::from_runs(vec![Run::new(range.start.0, range.end.0.saturating_sub(1), 1)?])
    }

    /// Makes the map that plays `plate` forward, backward, and so on, for `length` frames.
    ///
    /// With `once` the turning frame is shown once: the pattern repeats every
    /// `2 * (plate - 1)` frames. With `twice` it is shown twice: every `2 * plate`.
    /// `auto` is `twice`: without measures every turning point is as good as another.
    /// A plate of one frame is held.
    ///
    /// ```
    /// # use platesmith::plate::FrameMap;
    /// # use platesmith::settings::Turns;
    /// # use platesmith::time::FrameRange;
    /// let plate = FrameRange::new(12, 60);
    /// let map = FrameMap::looped(plate, 100, Turns::Once).unwrap();
    /// assert_eq!(map.triples(), [[12, 59, 1], [58, 12, -1], [13, 17, 1]]);
    /// ```
    ///
    /// # Errors
    ///
    /// [`MapFault`]: an empty plate, a length of 0 or past [`LONGEST`], eased turns.
    pub fn looped(plate: FrameRange, length: u64, turns: Turns) -> Result<FrameMap, MapFault> {
        let again = match turns {
            Turns::Auto | Turns::Twice => 0,
            Turns::Once => 1,
            Turns::Eased => return Err(MapFault::Eased),
        };
        if plate.is_empty() {
            return Err(MapFault::EmptyPlate);
        }
        if length == 0 || length > LONGEST {
            return Err(if length == 0 { MapFault::NoLength } else { MapFault::TooLong(length) });
        }
        let (low, high) = (plate.start.0, plate.end.0.saturating_sub(1));
        if low == high {
            let held = Run::new(low, low, 1)?;
            return FrameMap::from_runs(vec![held; length as usize]);
        }
        let mut runs = vec![cut_to(low, high, 1, length)?];
        let mut filled = runs[0].count();
        while filled < length {
            let run = if runs.len() % 2 == 1 {
                cut_to(high - again, low, -1, length - filled)?
            } else {
                cut_to(low + again, high, 1, length - filled)?
            };
            filled += run.count();
            runs.push(run);
        }
        FrameMap::from_runs(runs)
    }

    /// Returns the map of a retimed plate: one entry of `frames` for each record frame,
    /// each the number of a frame of this map.
    ///
    /// # Errors
    ///
    /// [`MapFault::Outside`] for an entry past this map's end; [`MapFault::NoLength`].
    pub fn composed(&self, frames: &[u64]) -> Result<FrameMap, MapFault> {
        let shown: Result<Vec<i64>, MapFault> = frames
            .iter()
            .map(|&k| self.frame_at(k).ok_or(MapFault::Outside { frame: k, len: self.len }))
            .collect();
        FrameMap::from_frames(shown?)
    }

    /// Returns the same map with every frame numbered `by` higher.
    ///
    /// # Errors
    ///
    /// Numbers past what can be counted.
    pub fn shifted(&self, by: i64) -> Result<FrameMap, MapFault> {
        let moved = |run: &Run| {
            let out = MapFault::Run { first: run.first, last: run.last, step: run.step };
            let ends = run.first.checked_add(by).zip(run.last.checked_add(by));
            let (first, last) = ends.ok_or(out)?;
            Run::new(first, last, run.step)
        };
        FrameMap::from_runs(self.runs.iter().map(moved).collect::<Result<_, _>>()?)
    }

    /// Returns the number of plate frames.
    #[allow(clippy::len_without_is_empty, reason = "a map is never empty")]
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Returns the file frame of plate frame `k`, and whether it is played backward there.
    pub fn played_at(&self, k: u64) -> Option<(i64, bool)> {
        let mut left = k;
        for run in &self.runs {
            if left < run.count() {
                let frame = run.frames().nth(usize::try_from(left).ok()?)?;
                return Some((frame, run.step() < 0));
            }
            left -= run.count();
        }
        None
    }

    /// Returns the source frame that plate frame `k` shows; `None` past the end.
    pub fn frame_at(&self, k: u64) -> Option<i64> {
        if k >= self.len {
            return None;
        }
        let at = self.starts.partition_point(|start| *start <= k).checked_sub(1)?;
        let run = self.runs.get(at)?;
        Some(run.first + (k - self.starts[at]) as i64 * run.step)
    }

    /// Returns every source frame in the order shown.
    pub fn frames(&self) -> impl Iterator<Item = i64> + '_ {
        self.runs.iter().flat_map(|run| run.frames())
    }

    /// Returns the runs in order.
    pub fn runs(&self) -> &[Run] {
        &self.runs
    }

    /// Returns the runs as they are written: `[first, last, step]`.
    pub fn triples(&self) -> Vec<[i64; 3]> {
        self.runs.iter().map(|run| (*run).into()).collect()
    }

    /// Returns how often the plate is run through, the last pass whole or not; a held
    /// frame counts once.
    pub fn passes(&self) -> u64 {
        self.sweeps().len() as u64
    }

    /// Returns the smallest range that holds every source frame of the map.
    pub fn span(&self) -> FrameRange {
        let ends = self.runs.iter().flat_map(|run| [run.first, run.last]);
        let (low, high) = ends.fold((i64::MAX, i64::MIN), |(a, b), f| (a.min(f), b.max(f)));
        FrameRange::new(low, high.saturating_add(1))
    }

    /// Tells whether the loop turns so fast that it may flash.
    ///
    /// A level difference between the ends of a loop returns once a period, which is two
    /// spans between turns: with a span of `guard_s` = 1/6 s that is three times a second,
    /// the limit of ITU-R BT.1702 and W3C WCAG 2.3.1. A span runs from one turning frame
    /// to the next; the second showing of a doubled one is not counted, to be on the safe
    /// side. The first and the last span have no turn at one end and do not repeat.
    pub fn flashes(&self, rate: Rate, guard_s: f64) -> bool {
        let Some(guard) = exact_from_f64(guard_s) else { return true };
        let sweeps = self.sweeps();
        let inner = sweeps.get(1..sweeps.len().saturating_sub(1)).unwrap_or_default();
        inner.iter().any(|sweep| {
            let frames = sweep.frames - u64::from(sweep.doubled);
            whole(frames as i64) / rate.exact() < guard
        })
    }

    /// Stretches between turns; frames held stay in the stretch they end.
    fn sweeps(&self) -> Vec<Sweep> {
        let mut sweeps: Vec<Sweep> = Vec::new();
        let mut heading = 0;
        let mut before: Option<Run> = None;
        for run in &self.runs {
            let way = match before {
                Some(held) if held == *run && run.first == run.last => heading,
                _ => run.step.signum(),
            };
            match sweeps.last_mut() {
                Some(last) if way == heading => last.frames += run.count(),
                _ => sweeps.push(Sweep {
                    frames: run.count(),
                    doubled: before.is_some_and(|before| before.last == run.first),
                }),
            }
            heading = way;
            before = Some(*run);
        }
        sweeps
    }
}

/// A stretch between two turns.
struct Sweep {
    frames: u64,
    /// It begins with the frame that the stretch before ended on.
    doubled: bool,
}

/// Tells whether a run goes on with `frame` without a change of step.
fn continues(run: Run, frame: i64) -> bool {
    let step = frame.checked_sub(run.last);
    match step {
        Some(1 | -1) => run.first == run.last || step == Some(run.step),
        _ => false,
    }
}

/// Returns the run from `first` towards `last`, at most `left` frames long.
fn cut_to(first: i64, last: i64, step: i64, left: u64) -> Result<Run, MapFault> {
    let reach = i64::try_from(left.saturating_sub(1)).unwrap_or(i64::MAX);
    let cut = first.saturating_add(step.saturating_mul(reach));
    Run::new(first, if step > 0 { cut.min(last) } else { cut.max(last) }, step)
}

/// Most runs that are written out in words.
const SPOKEN_RUNS: usize = 6;

impl std::fmt::Display for FrameMap {
    /// Writes the runs in words: `frames 12-59 forward, 58-12 backward, 13-17 forward`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("frames ")?;
        let mut said = 0;
        let mut at = 0;
        while at < self.runs.len() {
            if said == SPOKEN_RUNS {
                return write!(f, ", and so on for {} runs", self.runs.len());
            }
            let run = self.runs[at];
            let held = self.runs[at..].iter().take_while(|other| **other == run).count();
            if said > 0 {
                f.write_str(", ")?;
            }
            at += if run.first == run.last { held } else { 1 };
            said += 1;
            match (run.first == run.last, held, run.step) {
                (true, 1, _) => write!(f, "{}", run.first)?,
                (true, _, _) => write!(f, "{} held for {held} frames", run.first)?,
                (_, _, 1) => write!(f, "{}-{} forward", run.first, run.last)?,
                (_, _, -1) => write!(f, "{}-{} backward", run.first, run.last)?,
                (_, _, step) => write!(f, "{}-{} in steps of {step}", run.first, run.last)?,
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn looped(plate: i64, length: u64, turns: Turns) -> FrameMap {
        FrameMap::looped(FrameRange::new(0, plate), length, turns).expect("a map")
    }

    /// The trade's forward-reverse arithmetic in closed form.
    fn closed_form(k: i64, plate: i64, turns: Turns) -> i64 {
        match turns {
            _ if plate == 1 => 0,
            Turns::Once => {
                let at = k % (2 * (plate - 1));
                if at < plate { at } else { 2 * (plate - 1) - at }
            }
            _ => {
                let at = k % (2 * plate);
                if at < plate { at } else { 2 * plate - 1 - at }
            }
        }
    }

    #[test]
    fn two_seconds_fill_fourteen_in_seven_passes_or_eight() {
        // Common practice: 48 frames into 336 at 24; computed apart from this code.
        let twice = looped(48, 336, Turns::Twice);
        assert_eq!((twice.passes(), twice.len(), twice.frame_at(335)), (7, 336, Some(47)));
        let held = (1..336).filter(|k| twice.frame_at(*k) == twice.frame_at(*k - 1)).count();
        assert_eq!(held, 6);
        let once = looped(48, 336, Turns::Once);
        assert_eq!((once.passes(), once.len(), once.frame_at(335)), (8, 336, Some(41)));
        assert_eq!(looped(48, 352, Turns::Once).frame_at(351), Some(25));
        assert_eq!(looped(48, 336, Turns::Auto), twice);
    }

    #[test]
    fn a_plate_of_one_frame_is_held() {
        for turns in [Turns::Once, Turns::Twice] {
            let map = looped(1, 3, turns);
            assert_eq!(map.triples(), [[0, 0, 1]; 3]);
            assert_eq!((map.passes(), map.to_string()), (1, "frames 0 held for 3 frames".into()));
        }
    }

    #[test]
    fn spans_of_less_than_a_sixth_of_a_second_may_flash() {
        // ITU-R BT.1702, W3C WCAG 2.3.1: no more than three flashes a second. The lengths
        // were computed apart from this code: 5, 6, 10 and 11 frames are the least.
        for (num, den, least) in [
            (24, 1, 5),
            (24000, 1001, 5),
            (25, 1, 6),
            (30000, 1001, 6),
            (50, 1, 10),
            (60000, 1001, 11),
        ] {
            let rate = Rate::new(num, den).expect("a rate");
            for turns in [Turns::Once, Turns::Twice] {
                assert!(looped(least - 1, 100, turns).flashes(rate, 1.0 / 6.0), "{num}");
                assert!(!looped(least, 100, turns).flashes(rate, 1.0 / 6.0), "{num}");
            }
        }
        let film = Rate::new(24, 1).expect("a rate");
        assert!(!looped(2, 4, Turns::Twice).flashes(film, 1.0 / 6.0), "one turn repeats nothing");
        assert!(!looped(1, 100, Turns::Twice).flashes(film, 1.0 / 6.0), "held is held");
    }

    #[test]
    fn a_retimed_plate_joins_its_runs_again() {
        let map = looped(4, 12, Turns::Twice);
        let same: Vec<u64> = (0..12).collect();
        assert_eq!(map.composed(&same), Ok(map.clone()));
        let back: Vec<u64> = [7, 7, 6, 6, 5, 5].to_vec();
        assert_eq!(map.composed(&back).expect("a map").passes(), 1);
        let half: Vec<u64> = (0..12).map(|k| k / 2).collect();
        let slow: Vec<i64> = map.composed(&half).expect("a map").frames().collect();
        assert_eq!(slow, [0, 0, 1, 1, 2, 2, 3, 3, 3, 3, 2, 2]);
        assert_eq!(map.composed(&[12]), Err(MapFault::Outside { frame: 12, len: 12 }));
        assert_eq!(map.composed(&[]), Err(MapFault::NoLength));
    }

    #[test]
    fn what_is_no_map_is_refused() {
        let plate = FrameRange::new(0, 10);
        assert_eq!(FrameMap::looped(plate, 0, Turns::Once), Err(MapFault::NoLength));
        assert_eq!(
            FrameMap::looped(plate, u64::MAX, Turns::Once),
            Err(MapFault::TooLong(u64::MAX))
        );
        assert_eq!(
            FrameMap::looped(FrameRange::new(3, 3), 9, Turns::Once),
            Err(MapFault::EmptyPlate)
        );
        assert_eq!(FrameMap::looped(plate, 9, Turns::Eased), Err(MapFault::Eased));
        for run in ["[[0,5,0]]", "[[0,5,-1]]", "[[0,5,2]]", "[]", "[[0,9000000000,1]]"] {
            assert!(serde_json::from_str::<FrameMap>(run).is_err(), "{run}");
        }
        assert!(Run::new(i64::MIN, i64::MAX, 1).is_err());
        assert!(Run::new(i64::MIN, 0, -1).is_err());
    }

    #[test]
    fn runs_read_as_people_say_them() {
        let map = FrameMap::looped(FrameRange::new(12, 60), 100, Turns::Once).expect("a map");
        assert_eq!(map.to_string(), "frames 12-59 forward, 58-12 backward, 13-17 forward");
        assert_eq!(serde_json::to_string(&map).expect("json"), "[[12,59,1],[58,12,-1],[13,17,1]]");
        let long = looped(10, 100, Turns::Twice);
        assert!(
            long.to_string().ends_with("0-9 backward, and so on for 10 runs")
                || long.to_string().ends_with("9-0 backward, and so on for 10 runs")
        );
    }

    proptest! {
        #[test]
        fn a_loop_is_the_closed_form_and_its_json_rebuilds_it(
            start in -1000_i64..1000, plate in 1_i64..90, length in 1_u64..700, once: bool,
        ) {
            let turns = if once { Turns::Once } else { Turns::Twice };
            let range = FrameRange::new(start, start + plate);
            let map = FrameMap::looped(range, length, turns).expect("a map");
            let expected: Vec<i64> =
                (0..length as i64).map(|k| start + closed_form(k, plate, turns)).collect();
            prop_assert_eq!(map.frames().collect::<Vec<_>>(), expected.clone());
            let at: Vec<i64> = (0..length).filter_map(|k| map.frame_at(k)).collect();
            prop_assert_eq!(&at, &expected);
            prop_assert_eq!(map.frame_at(length), None);
            prop_assert!(expected.windows(2).all(|pair| (pair[1] - pair[0]).abs() <= 1));
            let json = serde_json::to_string(&map).expect("json");
            prop_assert_eq!(serde_json::from_str::<FrameMap>(&json).expect("a map"), map.clone());
            let again = FrameMap::from_frames(expected.iter().copied()).expect("a map");
            prop_assert_eq!(again.frames().collect::<Vec<_>>(), expected);
            if plate > 2 {
                let reach = if once { plate - 1 } else { plate } as u64;
                let first = plate as u64;
                let passes = if length <= first { 1 } else { 1 + (length - first).div_ceil(reach) };
                prop_assert_eq!(map.passes(), passes);
            }
        }

        #[test]
        fn any_list_of_frames_comes_back(frames in prop::collection::vec(-5_i64..5, 1..60)) {
            let map = FrameMap::from_frames(frames.iter().copied()).expect("a map");
            prop_assert_eq!(map.frames().collect::<Vec<_>>(), frames.clone());
            prop_assert_eq!(map.len(), frames.len() as u64);
            prop_assert!(frames.iter().all(|f| map.span().start.0 <= *f && *f < map.span().end.0));
        }
    }
}
