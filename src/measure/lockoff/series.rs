//! What the camera did over a take: stood, crept, wove, shook or was knocked.

use super::FrameMotion;
use super::solve::quantile;
use crate::settings::CameraLimits;
use crate::time::{Frame, FrameRange};

/// Limits for [`steadiness`], in pixels of the frames measured. Ours: nothing published
/// says when a static patch shows; a tenth of a delivery pixel is grain-sized.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyLimits {
    /// Displacement up to which two frames are of one lock-off.
    pub shift_px: f64,
    /// Frame-to-frame displacement, rms, up to which the picture counts as steady.
    pub vibration_px: f64,
    /// Frames over which slow and quick movement part: two seconds is usual.
    pub slow_frames: usize,
    /// Frames from one to the next: 1 where all were looked at.
    pub every: u32,
}

impl Default for SteadyLimits {
    fn default() -> Self {
        Self::from(CameraLimits::default())
    }
}

impl From<CameraLimits> for SteadyLimits {
    fn from(limits: CameraLimits) -> Self {
        let CameraLimits { shift_px, vibration_px, slow_frames } = limits;
        Self { shift_px, vibration_px, slow_frames: slow_frames.max(1) as usize, every: 1 }
    }
}

impl SteadyLimits {
    /// The same limits where every so many frames were looked at.
    #[must_use]
    pub fn paced(self, every: u32) -> Self {
        let every = every.max(1);
        let slow_frames = (self.slow_frames / every as usize).max(1);
        Self { slow_frames, every, ..self }
    }
}

/// What the camera did.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Stand {
    /// It stood still within the limits.
    Locked,
    /// It stands elsewhere at the end than at the start: creep, or a knock that stayed.
    Moved,
    /// It moves, but not from one place to another: weave, vibration, knocks that return.
    Unsteady,
    /// The background has too little texture. Holds the shift that could be ruled out, in
    /// pixels, if any could: beyond it the camera did not move.
    CannotTell(Option<f64>),
}

/// A sudden displacement.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Knock {
    /// The first frame displaced, file clock.
    pub frame: Frame,
    /// Its size in pixels.
    pub size_px: f64,
    /// Whether the camera stayed where it was pushed.
    pub stays: bool,
}

/// The movement of a camera over a take, told apart. All figures in pixels of the frames
/// measured, at the middle or the corner of the frame, whichever moves more; noise of the
/// measure is taken off.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Steadiness {
    /// The whole in a word.
    pub stand: Stand,
    /// Trend over the whole take (Theil-Sen), first to last frame, of the middle or a corner.
    pub creep_px: f64,
    /// From where it stood at first to where it stands at last, by the best path that never
    /// turns back.
    pub drift_px: f64,
    /// Movement about that path, rms, all of it.
    pub about_drift_px: f64,
    /// Farthest the slow path gets from where it began.
    pub slow_px: f64,
    /// Movement about the path that never turns back, slower than frame to frame, rms.
    pub weave_px: f64,
    /// Farthest single frame from that path.
    pub peak_px: f64,
    /// Frame-to-frame movement, rms.
    pub vibration_px: f64,
    /// Sudden displacements, in order.
    pub knocks: Vec<Knock>,
    /// Runs over which the camera does not move by more than the limit, in order, file
    /// clock. Frames that cannot be told are in none.
    pub lock_offs: Vec<FrameRange>,
}

/// Tells from the frames of a take, in order, what the camera did. `half` is the distance
/// from the middle of the frame to its corner, in pixels x and y.
pub fn steadiness(frames: &[FrameMotion], half: (f64, f64), limits: &SteadyLimits) -> Steadiness {
    let told: Vec<&FrameMotion> = frames.iter().filter(|frame| frame.told).collect();
    if told.len() < 2 || told.len() * 2 <= frames.len() {
        return cannot_tell(frames);
    }
    let points = [(0.0, 0.0), half, (-half.0, half.1), (half.0, -half.1), (-half.0, -half.1)];
    let paths: Vec<Path> = points.iter().map(|point| Path::of(&told, *point)).collect();
    let parts: Vec<Parts> = paths.iter().map(|path| path.parts(limits)).collect();
    let most = |part: fn(&Parts) -> f64| parts.iter().map(part).fold(0.0, f64::max);
    let knocks = knocks(&told, &paths[0], limits);
    let stand = stand(&parts, &knocks, limits);
    if stand != Stand::Locked && !goes_as_one(&told) {
        return cannot_tell(&[]);
    }
    Steadiness {
        stand,
        creep_px: most(|parts| parts.creep),
        drift_px: most(|parts| parts.drift),
        about_drift_px: most(|parts| parts.about),
        slow_px: most(|parts| parts.slow),
        weave_px: most(|parts| parts.weave),
        peak_px: most(|parts| parts.peak),
        vibration_px: most(|parts| parts.vibration),
        knocks,
        lock_offs: lock_offs(frames, &told, &paths, limits),
    }
}

/// How many times farther than it wavers (rms) a camera must go to have moved. Weave also
/// ends elsewhere than it began: over 240 frames, weave that is forgotten within 20 frames
/// reaches 1.8 as a rule and 4 in one take of twenty (first-order autoregression, drawn 300
/// times); creep, settling and a knock that stays reach any number.
const DRIFT: f64 = 4.0;

/// Share of the tiles with texture that must go along in the usual frame before the camera is
/// said to move. Ours: everything at rest moves with a camera, while leaves and clouds that
/// fill less than half of a frame agree with each other as well.
const GOES_ALONG: f64 = 0.5;

/// Tells whether the picture goes as one in the usual frame.
fn goes_as_one(told: &[&FrameMotion]) -> bool {
    let share = |frame: &&FrameMotion| frame.tiles_used as f64 / frame.tiles_textured.max(1) as f64;
    median(&told.iter().map(share).collect::<Vec<f64>>()) >= GOES_ALONG
}

fn stand(parts: &[Parts], knocks: &[Knock], limits: &SteadyLimits) -> Stand {
    let most = |part: fn(&Parts) -> f64| parts.iter().map(part).fold(0.0, f64::max);
    let moved = most(|parts| parts.drift - parts.doubt) > limits.shift_px
        && most(|parts| parts.drift) > DRIFT * most(|parts| parts.about);
    let unsteady = |parts: &Parts| {
        parts.least_vibration > limits.vibration_px
            || parts.weave > limits.shift_px / 2.0
            || parts.slow - parts.doubt > limits.shift_px
    };
    if moved {
        Stand::Moved
    } else if parts.iter().any(unsteady) || !knocks.is_empty() {
        Stand::Unsteady
    } else {
        Stand::Locked
    }
}

fn cannot_tell(frames: &[FrameMotion]) -> Steadiness {
    let bounds: Option<Vec<f64>> = frames.iter().map(FrameMotion::bound_px).collect();
    let bound = bounds.filter(|all| !all.is_empty());
    Steadiness {
        stand: Stand::CannotTell(bound.map(|all| all.into_iter().fold(0.0, f64::max))),
        creep_px: 0.0,
        drift_px: 0.0,
        about_drift_px: 0.0,
        slow_px: 0.0,
        weave_px: 0.0,
        peak_px: 0.0,
        vibration_px: 0.0,
        knocks: Vec::new(),
        lock_offs: Vec::new(),
    }
}

/// The way of one point of the frame.
struct Path {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Standard error of the place in each frame, both axes together.
    error: Vec<f64>,
}

struct Parts {
    creep: f64,
    drift: f64,
    about: f64,
    slow: f64,
    weave: f64,
    peak: f64,
    vibration: f64,
    /// The same, at least: few frames tell little about a mean square.
    least_vibration: f64,
    /// By how much places that lie far apart in time may be wrong: three standard errors of
    /// one frame. What coding does to a tile lasts, so it does not average out.
    doubt: f64,
}

impl Path {
    fn of(told: &[&FrameMotion], (x, y): (f64, f64)) -> Path {
        let (xs, ys) = told.iter().map(|frame| frame.motion.at(x, y)).unzip();
        let error = |frame: &&FrameMotion| {
            let turned = frame.error.rotation.hypot(frame.error.scale) * x.hypot(y);
            frame.error.shift_px().hypot(turned)
        };
        Path { x: xs, y: ys, error: told.iter().map(error).collect() }
    }

    fn parts(&self, limits: &SteadyLimits) -> Parts {
        let axes = [&self.x, &self.y];
        let trends = axes.map(|axis| trend(axis));
        let creep = trends[0].0.hypot(trends[1].0) * (self.x.len() as f64 - 1.0);
        let slow = axes.map(|axis| slow_path(axis, limits.slow_frames));
        let start = (slow[0][0], slow[1][0]);
        let slow = slow[0].iter().zip(&slow[1]).map(|(x, y)| (x - start.0).hypot(y - start.1));
        let (rests, drift) = self.about_drift();
        let well = limits.shift_px / 2.0;
        let about = self.beyond_noise(rests.iter().map(|rest| rest * rest).enumerate(), well);
        // Half the mean square of the steps is the variance of what changes at every frame.
        let steps = (1..self.x.len()).map(|at| {
            let step = (self.x[at] - self.x[at - 1]).hypot(self.y[at] - self.y[at - 1]);
            (at, step * step / 2.0)
        });
        let quick = self.beyond_noise(steps.clone(), well);
        // Two standard errors of a mean square over both axes of so many steps.
        let sure = (1.0 - 2.0 / (self.x.len() as f64 - 1.0).sqrt()).max(0.0);
        let least = self.beyond_noise(steps.map(|(at, square)| (at, sure * square)), well);
        Parts {
            creep,
            drift,
            about: about.sqrt(),
            slow: slow.fold(0.0, f64::max),
            weave: (about - quick).max(0.0).sqrt(),
            peak: rests.iter().copied().fold(0.0, f64::max),
            vibration: quick.sqrt(),
            least_vibration: least.sqrt(),
            doubt: 3.0 * median(&self.error),
        }
    }

    /// Returns the mean of squares by frame less what the errors explain. Frames that are
    /// hardly known have less weight, as 1 over the variance of what they tell; those known
    /// to within half the limit all count alike, for a shaken frame is blurred and so less
    /// well known than a steady one.
    fn beyond_noise(&self, squares: impl Iterator<Item = (usize, f64)>, well: f64) -> f64 {
        let usual = median(&self.error).max(well).powi(2);
        let (mut sum, mut weights) = (0.0, 0.0);
        for (at, square) in squares {
            let noise = self.error[at].powi(2);
            let weight = (usual + 1e-12) / (usual + noise + 1e-12);
            sum += weight * weight * (square - noise);
            weights += weight * weight;
        }
        if weights > 0.0 { (sum / weights).max(0.0) } else { 0.0 }
    }

    /// Returns how far each frame lies from the path that never turns back, and how far that
    /// path leads. Its first and last twentieth are not heard: there it follows single frames.
    fn about_drift(&self) -> (Vec<f64>, f64) {
        let count = self.x.len();
        let edge = (count / 5).clamp(1, 50);
        let ends = |axis: &[f64]| median(&axis[count - edge..]) - median(&axis[..edge]);
        let (dx, dy) = (ends(&self.x), ends(&self.y));
        let length = dx.hypot(dy);
        let (dx, dy) = if length > 0.0 { (dx / length, dy / length) } else { (1.0, 0.0) };
        let along: Vec<f64> = self.x.iter().zip(&self.y).map(|(x, y)| x * dx + y * dy).collect();
        let across: Vec<f64> = self.x.iter().zip(&self.y).map(|(x, y)| y * dx - x * dy).collect();
        let (path, middle) = (rising(&along), median(&across));
        let rests = along.iter().zip(&path).zip(&across);
        let rests = rests.map(|((at, path), across)| (at - path).hypot(across - middle)).collect();
        let cut = count / 20;
        (rests, path[count - 1 - cut] - path[cut])
    }
}

/// Returns the rising values nearest to the given ones in least squares (pool adjacent
/// violators; Ayer et al. 1955).
fn rising(values: &[f64]) -> Vec<f64> {
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for value in values {
        let mut pool = (*value, 1_usize);
        while let Some((sum, count)) = pools.last().copied() {
            if sum / (count as f64) < pool.0 / pool.1 as f64 {
                break;
            }
            pools.pop();
            pool = (sum + pool.0, count + pool.1);
        }
        pools.push(pool);
    }
    pools.iter().flat_map(|(sum, count)| vec![sum / *count as f64; *count]).collect()
}

/// Returns slope a frame and start of a line through values, after Theil and Sen; on at
/// most 200 values spread over the take, each the median of its neighbours.
fn trend(values: &[f64]) -> (f64, f64) {
    let block = values.len().div_ceil(200);
    let points: Vec<(f64, f64)> = values
        .chunks(block)
        .enumerate()
        .map(|(at, chunk)| ((at * block) as f64 + (chunk.len() as f64 - 1.0) / 2.0, median(chunk)))
        .collect();
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (at, (x0, y0)) in points.iter().enumerate() {
        slopes.extend(points[at + 1..].iter().map(|(x1, y1)| (y1 - y0) / (x1 - x0)));
    }
    let slope = if slopes.is_empty() { 0.0 } else { median(&slopes) };
    let starts: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    (slope, median(&starts))
}

fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Returns the running median over about `frames` values, shorter at the ends.
fn slow_path(values: &[f64], frames: usize) -> Vec<f64> {
    let side = frames / 2;
    let last = values.len();
    (0..last)
        .map(|at| median(&values[at.saturating_sub(side)..(at + side + 1).min(last)]))
        .collect()
}

/// Finds sudden displacements of the middle of the frame: the medians of four frames before
/// and after differ (it stays), or one to three frames stand out from both (it returns).
///
/// What the camera does all the time is weave or vibration, not a knock: a knock is several
/// times farther than anything else within a second or so.
fn knocks(told: &[&FrameMotion], path: &Path, limits: &SteadyLimits) -> Vec<Knock> {
    const SIDE: usize = 4;
    let count = path.x.len();
    let noise = median(&path.error);
    let middle = |from: usize, to: usize| (median(&path.x[from..to]), median(&path.y[from..to]));
    let apart = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1);
    let place = |at: usize| (path.x[at], path.y[at]);
    let mut knocks: Vec<Knock> = Vec::new();
    let mut at = SIDE;
    while at + SIDE <= count {
        let before = middle(at - SIDE, at);
        let size = apart(place(at), before);
        let limit = limits.shift_px.max(6.0 * noise);
        if apart(place(at), place(at - 1)) > limit && size > limit {
            let around =
                at.saturating_sub(limits.slow_frames)..(at + limits.slow_frames).min(count);
            let wander = wander(path, around, at);
            if size > 6.0 * wander {
                let stays = stays(path, at, limits) > (size / 2.0).max(3.0 * wander);
                knocks.push(Knock { frame: told[at].frame, size_px: size, stays });
            }
            at += SIDE;
        } else {
            at += 1;
        }
    }
    knocks
}

/// Returns how far places four frames apart usually lie from each other near a frame, the
/// frames right at it left out: 75 in a hundred are nearer.
fn wander(path: &Path, around: std::ops::Range<usize>, at: usize) -> f64 {
    const SIDE: usize = 4;
    let far = |n: &usize| n + SIDE < at || *n > at + SIDE;
    let moved =
        |n: usize| (path.x[n] - path.x[n - SIDE]).hypot(path.y[n] - path.y[n - SIDE]) as f32;
    let first = around.start + SIDE;
    let mut all: Vec<f32> = (first..around.end).filter(far).map(moved).collect();
    f64::from(quantile(&mut all, 0.75))
}

/// Returns how far the camera stands after a frame from where it stood before, over up to as
/// many frames to each side as tell slow from quick.
fn stays(path: &Path, at: usize, limits: &SteadyLimits) -> f64 {
    let count = path.x.len();
    let (from, to) = (at.saturating_sub(limits.slow_frames), (at + limits.slow_frames).min(count));
    let level = |axis: &[f64]| {
        let after = (at + 4).min(to - 1);
        median(&axis[after..to]) - median(&axis[from..at])
    };
    level(&path.x).hypot(level(&path.y))
}

/// Cuts the take into the runs over which no point moves by more than the limit: a run ends
/// where the spread between its outermost frames would pass it. Single frames of noise are
/// taken off by a running median of five.
fn lock_offs(
    frames: &[FrameMotion],
    told: &[&FrameMotion],
    paths: &[Path],
    limits: &SteadyLimits,
) -> Vec<FrameRange> {
    let calm: Vec<[Vec<f64>; 2]> =
        paths.iter().map(|path| [slow_path(&path.x, 5), slow_path(&path.y, 5)]).collect();
    let mut runs = Vec::new();
    let mut first = 0;
    let mut box_of = Spread::new(paths.len());
    for (at, frame) in told.iter().enumerate() {
        let place = calm.iter().map(|[x, y]| (x[at], y[at]));
        let apart = |before: Frame| frame.frame.0 - before.0;
        let follows = at == first || apart(told[at - 1].frame) <= i64::from(limits.every);
        if !follows || !box_of.take(place.clone(), limits.shift_px) {
            runs.push(FrameRange::new(told[first].frame.0, told[at - 1].frame.0 + 1));
            first = at;
            box_of = Spread::new(paths.len());
            box_of.take(place, f64::MAX);
        }
    }
    if let (Some(start), Some(last)) = (told.get(first), told.last()) {
        runs.push(FrameRange::new(start.frame.0, last.frame.0 + 1));
    }
    let least = limits.slow_frames.min(frames.len()).min(12) as u64;
    runs.retain(|run| run.count().0 >= least);
    runs
}

/// How far each point has been seen to go.
struct Spread(Vec<[f64; 4]>);

impl Spread {
    fn new(points: usize) -> Self {
        Self(vec![[f64::MAX, f64::MIN, f64::MAX, f64::MIN]; points])
    }

    /// Takes in one frame unless a point would then have gone farther than the limit.
    fn take(&mut self, places: impl Iterator<Item = (f64, f64)>, limit: f64) -> bool {
        let grown: Vec<[f64; 4]> = self
            .0
            .iter()
            .zip(places)
            .map(|([x0, x1, y0, y1], (x, y))| [x0.min(x), x1.max(x), y0.min(y), y1.max(y)])
            .collect();
        let fits = grown.iter().all(|[x0, x1, y0, y1]| (x1 - x0).hypot(y1 - y0) <= limit);
        if fits {
            self.0 = grown;
        }
        fits
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Motion;

    /// Frames with a given path and a standard error of .002 px, with noise to fit.
    fn take(count: usize, place: impl Fn(usize) -> (f64, f64)) -> Vec<FrameMotion> {
        let noise = |at: usize| ((at * 7919 % 1000) as f64 / 1000.0 - 0.5) * 0.006;
        (0..count)
            .map(|at| {
                let (x, y) = place(at);
                FrameMotion {
                    frame: Frame(at as i64),
                    motion: Motion {
                        shift_x: x + noise(at),
                        shift_y: y + noise(at + 500),
                        ..Motion::default()
                    },
                    error: Motion { shift_x: 0.002, shift_y: 0.002, rotation: 1e-6, scale: 1e-6 },
                    corner_error_px: 0.003,
                    gain: 1.0,
                    offset: 0.0,
                    residual: 3.0,
                    scatter_px: 0.0,
                    tiles_used: 100,
                    tiles_textured: 120,
                    told: true,
                }
            })
            .collect()
    }

    fn told(frames: &[FrameMotion]) -> Steadiness {
        steadiness(frames, (960.0, 540.0), &SteadyLimits::default())
    }

    #[test]
    fn a_still_camera_is_one_lock_off() {
        let found = told(&take(300, |_| (0.0, 0.0)));
        assert_eq!(found.stand, Stand::Locked);
        assert_eq!(found.lock_offs, [FrameRange::new(0, 300)]);
        assert!(found.knocks.is_empty() && found.creep_px < 0.01 && found.vibration_px < 0.004);
    }

    #[test]
    fn slow_creep_is_a_move_though_no_step_shows_it() {
        let found = told(&take(300, |at| (at as f64 * 0.001, 0.0)));
        assert_eq!(found.stand, Stand::Moved);
        assert!((found.creep_px - 0.299).abs() < 0.01, "{found:?}");
        assert!(found.knocks.is_empty() && found.lock_offs.len() >= 3);
    }

    #[test]
    fn a_head_that_settles_has_moved_and_weave_that_ends_elsewhere_has_not() {
        let settles = told(&take(300, |at| (0.0, 0.8 * (1.0 - (-(at as f64) / 20.0).exp()))));
        assert_eq!(settles.stand, Stand::Moved);
        assert!((settles.drift_px - 0.5).abs() < 0.3, "{settles:?}");
        // Two and a quarter turns of slow weave.
        let weave = told(&take(300, |at| ((at as f64 / 21.0).sin() * 0.4, 0.0)));
        assert_eq!(weave.stand, Stand::Unsteady);
    }

    #[test]
    fn values_that_never_fall_are_the_nearest_ones() {
        assert_eq!(
            rising(&[1.0, 3.0, 2.0, 2.0, 5.0, 4.0]),
            [1.0, 7.0 / 3.0, 7.0 / 3.0, 7.0 / 3.0, 4.5, 4.5]
        );
        assert_eq!(rising(&[3.0, 2.0, 1.0]), [2.0; 3]);
        assert!(rising(&[]).is_empty());
    }

    #[test]
    fn one_frame_or_two_are_answered() {
        assert!(matches!(told(&take(1, |_| (0.0, 0.0))).stand, Stand::CannotTell(_)));
        assert_eq!(told(&take(2, |_| (0.0, 0.0))).stand, Stand::Locked);
    }

    #[test]
    fn weave_and_vibration_are_unsteady_and_told_apart() {
        let weave = told(&take(300, |at| ((at as f64 / 7.0).sin() * 0.3, 0.0)));
        assert_eq!(weave.stand, Stand::Unsteady);
        assert!((weave.weave_px - 0.21).abs() < 0.02 && weave.knocks.is_empty(), "{weave:?}");
        let shake = told(&take(300, |at| (0.0, if at % 2 == 0 { 0.1 } else { -0.1 })));
        assert_eq!(shake.stand, Stand::Unsteady);
        assert!(shake.vibration_px > 0.1 && shake.weave_px < 0.01, "{shake:?}");
    }

    #[test]
    fn a_knock_that_stays_parts_two_lock_offs_and_one_that_returns_does_not_move() {
        let pushed = told(&take(200, |at| (if at < 120 { 0.0 } else { 0.6 }, 0.0)));
        assert_eq!(pushed.stand, Stand::Moved);
        assert_eq!(pushed.knocks.len(), 1, "{pushed:?}");
        assert!(pushed.knocks[0].stays && pushed.knocks[0].frame == Frame(120));
        assert_eq!(pushed.lock_offs, [FrameRange::new(0, 120), FrameRange::new(120, 200)]);
        let hit = told(&take(200, |at| (if (90..92).contains(&at) { 0.8 } else { 0.0 }, 0.0)));
        assert_eq!(hit.stand, Stand::Unsteady);
        assert!(hit.knocks.len() == 1 && !hit.knocks[0].stays, "{hit:?}");
    }

    #[test]
    fn frames_without_texture_cannot_be_told() {
        let mut frames = take(50, |_| (0.01, 0.0));
        frames.iter_mut().for_each(|frame| frame.told = false);
        assert!(matches!(told(&frames).stand, Stand::CannotTell(Some(bound)) if bound < 0.05));
        assert!(told(&frames).lock_offs.is_empty());
        assert!(matches!(told(&[]).stand, Stand::CannotTell(None)));
    }
}
