//! Holds the patched frames of a use against lock-off and plates, from claims alone.

use super::{Claims, Clocks};
use crate::reason::{Code, Reason, Severity};
use crate::settings::Settings;
use crate::time::{Frame, FrameRange, Rate, union};

/// What the claims say about a use that is listed, seen and can be computed.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// Used frames with boom, take clock.
    pub affected: Vec<FrameRange>,
    /// Frames the patch is on, take clock.
    pub patched: Vec<FrameRange>,
    /// What can be done.
    pub outcome: Outcome,
    /// Why, and what else is worth knowing.
    pub reasons: Vec<Reason>,
}

/// What can be done about the boom in a use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Nothing: no boom in used.
    NoBoom,
    /// A plate at least as long as need; take clock.
    Plate(FrameRange),
    /// A shorter plate, to be looped; take clock.
    Loop(FrameRange),
    /// Too few frames to loop; take clock.
    Still(FrameRange),
    /// No plate reaches the patched frames.
    NoPlate,
}

/// Judges one use; `used` and `need` are take ranges.
pub fn judge(
    used: FrameRange,
    need: FrameRange,
    claims: &Claims,
    clocks: &Clocks,
    settings: &Settings,
) -> Judgement {
    let affected = union(&claims.boom_within(used));
    let patched = grown_by_fade(&affected, claims, need, settings.fade_frames);
    let mut reasons = outside_of_patch(used, need, &patched, claims, clocks);
    if affected.is_empty() {
        reasons.extend(boom_near(used, claims, clocks));
        return Judgement { affected, patched, outcome: Outcome::NoBoom, reasons };
    }
    let shot = Shot { used, need, patched: &patched, claims, clocks, settings };
    let (outcome, found) = shot.plate();
    reasons.extend(found);
    Judgement { affected, patched, outcome, reasons }
}

/// Grows each affected run by the fade, within need. A boom that stays in frame past the
/// edge of used is followed into the handles first: they are there so that the cut may be
/// slipped, and a patch that ends inside them would show it.
fn grown_by_fade(
    affected: &[FrameRange],
    claims: &Claims,
    need: FrameRange,
    fade: u32,
) -> Vec<FrameRange> {
    let booms = union(&claims.boom_within(need));
    let fade = u64::from(fade);
    let whole_run = |run: &FrameRange| booms.iter().copied().find(|boom| boom.contains(*run));
    let grown: Vec<FrameRange> = affected
        .iter()
        .filter_map(|run| whole_run(run).unwrap_or(*run).grown(fade, fade).overlap(need))
        .collect();
    union(&grown)
}

/// Says which handle frames hold a boom that no patch takes out, and which are missing.
fn outside_of_patch(
    used: FrameRange,
    need: FrameRange,
    patched: &[FrameRange],
    claims: &Claims,
    clocks: &Clocks,
) -> Vec<Reason> {
    let mut reasons = Vec::new();
    for handle in need.without(&[used]) {
        for boom in claims.boom_within(handle) {
            for left in boom.without(patched) {
                let text = format!(
                    "The boom is in {} handle frames outside the used range, {}.",
                    left.count(),
                    between(clocks, left)
                );
                reasons.push(
                    Reason::new(Code::BoomInHandles, Severity::Attention, text)
                        .over(left)
                        .measured(left.count().0 as f64, "frames", Some(0.0)),
                );
            }
        }
        if let Some(take) = claims.take {
            for missing in handle.without(&[take]) {
                let text = if missing.start < take.start {
                    let first = clocks.label(take.start);
                    format!(
                        "The head handle lacks {}: the take begins at {first}.",
                        frames(missing)
                    )
                } else {
                    let end = clocks.label(take.end);
                    format!("The tail handle lacks {}: the take ends at {end}.", frames(missing))
                };
                reasons.push(
                    Reason::new(Code::HandlesShort, Severity::Attention, text)
                        .over(missing)
                        .measured(missing.count().0 as f64, "frames", Some(0.0)),
                );
            }
        }
    }
    reasons
}

/// A hand-noted boom span that ends within its own tolerance of the used frames.
fn boom_near(used: FrameRange, claims: &Claims, clocks: &Clocks) -> Option<Reason> {
    let near = used.grown(u64::from(claims.tolerance), u64::from(claims.tolerance));
    let span = claims.boom.iter().find(|span| span.overlap(near).is_some())?;
    let gap = if span.end <= used.start { used.start - span.end } else { span.start - used.end };
    let text = format!(
        "The noted boom span {} comes within {} frames of the used range; the note may be {} frames off.",
        between(clocks, *span),
        gap.0,
        claims.tolerance
    );
    Some(Reason::new(Code::BoomInHandles, Severity::Attention, text).over(*span).measured(
        gap.0 as f64,
        "frames",
        Some(f64::from(claims.tolerance)),
    ))
}

fn frames(range: FrameRange) -> String {
    let count = range.count();
    format!("{count} {}", if count.0 == 1 { "frame" } else { "frames" })
}

/// Returns `from-to` as labels, the second exclusive.
pub fn between(clocks: &Clocks, range: FrameRange) -> String {
    format!("{}-{}", clocks.label(range.start), clocks.label(range.end))
}

/// Returns how many plate frames a loop needs so that it cannot flash more than three
/// times a second: a level step comes round once in 2(N-1) frames (ITU-R BT.1702 and
/// WCAG 2.3.1 allow three flashes a second).
///
/// ```
/// # use platesmith::{reach::least_loop_frames, time::Rate};
/// let least = |n, d| least_loop_frames(Rate::new(n, d).unwrap());
/// assert_eq!((least(24000, 1001), least(25, 1), least(50, 1), least(60000, 1001)), (5, 6, 10, 11));
/// ```
pub fn least_loop_frames(rate: Rate) -> u64 {
    // 2(N-1) >= rate / 3, in whole numbers.
    1 + u64::from(rate.num()).div_ceil(6 * u64::from(rate.den()))
}

struct Shot<'a> {
    used: FrameRange,
    need: FrameRange,
    patched: &'a [FrameRange],
    claims: &'a Claims,
    clocks: &'a Clocks,
    settings: &'a Settings,
}

impl Shot<'_> {
    fn plate(&self) -> (Outcome, Vec<Reason>) {
        let mut reasons = self.unusable_in_patch();
        let Some(lock_off) = self.lock_off(&mut reasons) else {
            return (Outcome::NoPlate, reasons);
        };
        let pieces = self.pieces_within(lock_off, &mut reasons);
        let Some(plate) = self.best(&pieces) else {
            let (outcome, reason) = self.why_none(lock_off);
            reasons.push(reason);
            return (outcome, reasons);
        };
        if !self.claims.elsewhere {
            reasons.extend(self.far_in_time(plate));
        }
        (self.laid_out(plate, &mut reasons), reasons)
    }

    /// Returns the lock-off that holds every used patched frame; unknown lock-offs hold
    /// the whole take.
    fn lock_off(&self, reasons: &mut Vec<Reason>) -> Option<Option<FrameRange>> {
        if self.claims.lock_off.is_empty() {
            reasons.push(Reason::new(
                Code::LockOffUnproven,
                Severity::Note,
                match self.claims.seen {
                    true => "The pictures show no lock-off; the whole take is taken to be one.",
                    false => "No lock-off is noted; the whole take is taken to be one.",
                },
            ));
            return Some(None);
        }
        let patched = self.patched_in_take();
        let judged: Vec<FrameRange> =
            patched.iter().filter_map(|run| run.overlap(self.used)).collect();
        let holds =
            |lock: &&FrameRange, runs: &[FrameRange]| runs.iter().all(|run| lock.contains(*run));
        let lock_offs = union(&self.claims.lock_off);
        let best = lock_offs
            .iter()
            .filter(|lock| holds(lock, &judged))
            .max_by_key(|lock| holds(lock, &patched));
        let outside = |severity, within: &[FrameRange], runs: &[FrameRange]| {
            let left: Vec<FrameRange> = runs.iter().flat_map(|run| run.without(within)).collect();
            let first = left.first().copied().unwrap_or_default();
            let count: u64 = left.iter().map(|run| run.count().0).sum();
            let text = format!(
                "{count} patched frames lie outside the {} lock-off, from {}.",
                self.claims.word(),
                self.clocks.label(first.start)
            );
            Reason::new(Code::OutsideLockOff, severity, text).over(first).measured(
                count as f64,
                "frames",
                Some(0.0),
            )
        };
        let Some(lock) = best else {
            let widest = lock_offs.iter().copied().max_by_key(|lock| {
                judged
                    .iter()
                    .filter_map(|run| run.overlap(*lock))
                    .map(|run| run.count().0)
                    .sum::<u64>()
            });
            let within: Vec<FrameRange> = widest.into_iter().collect();
            reasons.push(outside(Severity::Stop, &within, &judged));
            return None;
        };
        if !holds(&lock, &patched) {
            reasons.push(outside(Severity::Attention, &[*lock], &patched));
        }
        Some(Some(*lock))
    }

    /// Returns the patched frames that were recorded: before the take begins and after it
    /// ends there is no camera that could have moved.
    fn patched_in_take(&self) -> Vec<FrameRange> {
        let Some(take) = self.claims.take else { return self.patched.to_vec() };
        self.patched.iter().filter_map(|run| run.overlap(take)).collect()
    }

    /// Returns the plate frames inside the lock-off, free of noted booms and unusable
    /// frames.
    fn pieces_within(
        &self,
        lock_off: Option<FrameRange>,
        reasons: &mut Vec<Reason>,
    ) -> Vec<FrameRange> {
        let mut pieces = Vec::new();
        for plate in &self.claims.plates {
            // What lies in another take is held against this one by its pictures.
            let lock_off = lock_off.filter(|_| !self.claims.elsewhere);
            let Some(inside) = lock_off.map_or(Some(*plate), |lock| plate.overlap(lock)) else {
                continue;
            };
            let inside = match self.claims.take.filter(|_| !self.claims.elsewhere) {
                Some(take) => match inside.overlap(take) {
                    Some(inside) => inside,
                    None => continue,
                },
                None => inside,
            };
            let free = inside.without(&self.claims.boom);
            let lost = inside.count().0 - free.iter().map(|run| run.count().0).sum::<u64>();
            if lost > 0 {
                let text = format!(
                    "The {word} plate {} and the {word} boom share {lost} frames; only the rest is used.",
                    between(self.clocks, *plate),
                    word = self.claims.word()
                );
                reasons.push(
                    Reason::new(Code::PlateShort, Severity::Attention, text).over(*plate).measured(
                        lost as f64,
                        "frames",
                        Some(0.0),
                    ),
                );
            }
            pieces.extend(free.iter().flat_map(|run| run.without(&self.claims.unusable)));
        }
        pieces
    }

    /// Long enough for need before all others, and of those the nearest; else the longest,
    /// and of equals the nearest.
    fn best(&self, pieces: &[FrameRange]) -> Option<FrameRange> {
        let need = self.need.count();
        pieces.iter().copied().max_by_key(|piece| {
            let long_enough = piece.count() >= need;
            let length = if long_enough { need } else { piece.count() };
            (
                long_enough,
                length,
                std::cmp::Reverse(self.distance(*piece)),
                std::cmp::Reverse(piece.start),
            )
        })
    }

    /// Frames from a plate to the farthest patched frame.
    fn distance(&self, plate: FrameRange) -> i64 {
        let gap = |frame: Frame| {
            if frame < plate.start { (plate.start - frame).0 } else { (frame - plate.end).0.max(0) }
        };
        self.patched.iter().map(|run| gap(run.start).max(gap(run.end))).max().unwrap_or(0)
    }

    fn far_in_time(&self, plate: FrameRange) -> Option<Reason> {
        let seconds = self.clocks.rate.seconds_f64(self.distance(plate));
        (seconds > self.settings.plate_far_s).then(|| {
            let text = format!(
                "The plate lies {seconds:.0} s from the farthest patched frame: light may have changed."
            );
            Reason::new(Code::PlateFarInTime, Severity::Attention, text).over(plate).measured(
                seconds,
                "s",
                Some(self.settings.plate_far_s),
            )
        })
    }

    fn laid_out(&self, plate: FrameRange, reasons: &mut Vec<Reason>) -> Outcome {
        let (have, need) = (plate.count().0, self.need.count().0);
        if have >= need {
            return Outcome::Plate(plate);
        }
        let least = least_loop_frames(self.clocks.rate);
        let (outcome, limit, text) = if have >= least {
            let text = format!("The plate has {have} frames for a need of {need}: it is looped.");
            (Outcome::Loop(plate), need, text)
        } else {
            let text = format!(
                "The plate has only {have} frames; a loop of fewer than {least} may flash."
            );
            (Outcome::Still(plate), least, text)
        };
        reasons.push(Reason::new(Code::PlateShort, Severity::Note, text).over(plate).measured(
            have as f64,
            "frames",
            Some(limit as f64),
        ));
        outcome
    }

    fn why_none(&self, lock_off: Option<FrameRange>) -> (Outcome, Reason) {
        let claims = self.claims;
        if let (Some(lock), Some(plate)) = (lock_off, claims.plates.first())
            && claims.plates.iter().all(|plate| plate.overlap(lock).is_none())
        {
            let text = format!(
                "The plate {} was rolled in another lock-off than the patched frames.",
                between(self.clocks, *plate)
            );
            return (
                Outcome::NoPlate,
                Reason::new(Code::OutsideLockOff, Severity::Stop, text).over(*plate),
            );
        }
        let text = if claims.plates.is_empty() && !claims.hints.is_empty() {
            format!(
                "The log notes {} but no frames of a plate in this take: only the pixels can prove one.",
                claims.hints.join(", ")
            )
        } else if claims.plates.is_empty() {
            match claims.seen {
                true => "The pictures show no plate in this take.".to_string(),
                false => "No plate is noted for this take.".to_string(),
            }
        } else {
            format!("No frame of the {} plates is free of boom and usable.", claims.word())
        };
        (Outcome::NoPlate, Reason::new(Code::NoPlate, Severity::Stop, text))
    }

    fn unusable_in_patch(&self) -> Vec<Reason> {
        let hit =
            |run: &FrameRange| self.claims.unusable.iter().filter_map(|no| no.overlap(*run)).next();
        self.patched
            .iter()
            .filter_map(hit)
            .map(|range| {
                let text = format!(
                    "The log marks {} as unusable, and the patch is on there.",
                    between(self.clocks, range)
                );
                Reason::new(Code::PlateNotAlike, Severity::Attention, text).over(range)
            })
            .collect()
    }
}
