//! Looks at a take: holds it against the plates the log claims, and where there are none, or
//! the pictures say otherwise, looks through the whole of it.

use super::camera::MOST_FOLLOWED_PX;
use super::kept::Shelf;
use crate::error::Faults;
use crate::measure::Mask;
use crate::measure::boom::Say;
use crate::measure::lockoff::{Stand, Steadiness};
use crate::measure::schedule::{Gauge, Kept, Survey, TRIED_EVERY, Wish, gauge, survey};
use crate::measure::transfer::Encoding;
use crate::media::{Footage, Media, Pictures};
use crate::settings::Settings;
use crate::time::{Frame, FrameRange, union};
use std::cmp::Reverse;

/// Most plates a take is held against: each costs as much as all measures of one.
const MOST_PLATES: usize = 3;

/// Frames plates are tried on before one of them is chosen, and the most from one to the next.
/// Ours: light and camera are told in each alone; what comes for less than a second decides
/// between no plates.
const TRIED: u64 = 120;
const FARTHEST_TRIED: u64 = 24;

/// Frames a boom is counted through although it was not seen: a pole that hangs still over
/// its own colour drops out for a frame or two.
const BRIDGED: i64 = 3;

/// How far beyond what a search found the boom may be, in pixels of the small plane: what
/// was too faint for it.
const AROUND: usize = 6;

/// Tiles with texture from which a picture that is not found again is another picture. Ours:
/// a tenth of the grid.
const TEXTURED: usize = 14;

/// Room round the region a log notes, as a share of width and height. Ours: a boom's shadow
/// falls within a sixteenth of the width, and regions are sketched by hand.
const ROOM: f64 = 0.15;

/// Tells which of the gauges of a look is the best.
pub type Best<'a> = dyn Fn(&Looked) -> Option<usize> + 'a;

/// What is claimed of a take, and what is to be known. Ranges are file frames.
pub struct Asked<'a> {
    /// The take.
    pub media: &'a Media,
    /// What the plates come from, if not from the take: they are then frames of [`Footage`].
    pub behind: Option<&'a dyn Pictures>,
    /// Plates the log claims.
    pub plates: Vec<FrameRange>,
    /// Where plates were marked by hand: where to look first if the whole take is looked
    /// through.
    pub near: Vec<FrameRange>,
    /// Boom spans the log claims.
    pub boom: Vec<FrameRange>,
    /// Frames that matter: the need of every use.
    pub frames: Vec<FrameRange>,
    /// Where the boom is if somebody noted it: corners, as shares of width and height.
    pub region: Option<Vec<[f64; 2]>>,
    /// Limits.
    pub settings: &'a Settings,
    /// Tells whether the take needs no other plate than it was held against. It is asked
    /// where the pictures alone have the plates: each costs as much as all measures of one.
    pub enough: Option<&'a dyn Fn(&Looked) -> bool>,
    /// Tells which of the gauges is the best, where the plates are tried on a few frames each
    /// and the take is then held against one of them.
    pub best: Option<&'a Best<'a>>,
    /// Every how many frames are held against the plates: 1 for all. Plates and booms are
    /// looked for in all of them.
    pub every: u32,
}

impl Asked<'_> {
    fn is_enough(&self, looked: &Looked) -> bool {
        looked.held == Held::All || self.enough.is_some_and(|enough| enough(looked))
    }
}

impl std::fmt::Debug for Asked<'_> {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Asked { plates, near, boom, frames, region, .. } = self;
        out.debug_struct("Asked")
            .field("media", &self.media.info().name)
            .field("claims", &(plates, near, boom))
            .field("frames", frames)
            .field("region", region)
            .finish_non_exhaustive()
    }
}

/// Against which of its plates a take was held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Held {
    /// All that are worth it.
    All,
    /// The longest, which was enough.
    Longest,
}

impl<'a> Asked<'a> {
    /// Returns take and plates on one clock.
    pub fn footage(&self) -> Footage<'a> {
        match self.behind {
            Some(behind) => Footage::with_behind(self.media, behind),
            None => self.media.into(),
        }
    }
}

/// What was seen of a take.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub struct Looked {
    /// The take held against each of its plates.
    pub gauges: Vec<Gauge>,
    /// Frames with boom, as far as frames were looked at.
    pub boom: Vec<FrameRange>,
    /// Plates: as claimed, less frames with boom; or as found.
    pub plates: Vec<FrameRange>,
    /// Runs over which the camera stood; `None` where the picture cannot tell.
    pub lock_off: Option<Vec<FrameRange>>,
    /// What the camera did over the frames that were looked at, and how many source pixels
    /// each of its pixels is.
    pub camera: Option<(Steadiness, f64)>,
    /// What a search through the whole take came to; `None` if none was needed.
    pub search: Option<Say>,
    /// Frames that cannot be held against any plate: the camera is elsewhere.
    pub beyond: Vec<FrameRange>,
    /// Whether its plates are gaps between booms too short for a plate: they are good for a
    /// held frame.
    pub brief: bool,
    /// What the log says and the picture does not: in words, with the frames.
    pub disagreements: Vec<(String, FrameRange)>,
    /// Against which plates it was held.
    pub held: Held,
}

/// Looks at a take, unless the same was asked before and is kept. `tell` is given the number
/// of frames read so far.
///
/// # Errors
///
/// Frames that cannot be decoded; no room for what is kept in files.
pub fn look(asked: &Asked<'_>, tell: &mut dyn FnMut(u64)) -> Result<Looked, Faults> {
    let Some(shelf) = Shelf::of(asked, &encoding(asked)?)? else { return look_afresh(asked, tell) };
    if let Some(kept) = shelf.look(&asked.media.info().name).filter(|kept| asked.is_enough(kept)) {
        return Ok(kept);
    }
    let looked = look_afresh(asked, tell)?;
    shelf.keep(&looked);
    Ok(looked)
}

fn look_afresh(asked: &Asked<'_>, tell: &mut dyn FnMut(u64)) -> Result<Looked, Faults> {
    let whole = asked.footage().whole();
    let claimed: Vec<FrameRange> =
        union(&asked.plates).iter().filter_map(|plate| plate.overlap(whole)).collect();
    let frames: Vec<FrameRange> =
        union(&asked.frames).iter().filter_map(|run| run.overlap(whole)).collect();
    if claimed.is_empty() {
        let found = searched(asked, &frames, Vec::new(), tell)?;
        if !found.plates.is_empty() || asked.behind.is_some() {
            return Ok(found);
        }
        return Ok(between_booms(asked, &frames, tell)?.unwrap_or(found));
    }
    let area = noted_area(asked).map(area_mask);
    let plates = nearest(&claimed, &frames);
    let gauges = gauged(asked, &plates, &frames, area, (&mut Kept::default(), asked.every), tell)?;
    let boom = booms(&gauges);
    // A boom that is noted and not seen may hang in the plate itself.
    let noted = asked.boom.iter().flat_map(|boom| frames.iter().map(|run| run.overlap(*boom)));
    let noted: Vec<FrameRange> = noted.flatten().collect();
    let seen = |run: &FrameRange| boom.iter().any(|seen| seen.overlap(*run).is_some());
    if asked.behind.is_some() {
        return Ok(as_claimed(gauges, &claimed, &frames, boom));
    }
    let none_seen = !noted.is_empty() && !noted.iter().any(seen);
    let in_plate = claimed.iter().any(seen);
    if !none_seen && !in_plate && !gauges.iter().any(|gauge| gauge.suspect) {
        return Ok(as_claimed(gauges, &claimed, &frames, boom));
    }
    let found = searched(asked, &frames, Vec::new(), tell)?;
    let told = found.search == Some(Say::Booms);
    let both = |runs: &[FrameRange]| {
        claimed.iter().find_map(|plate| runs.iter().find_map(|run| run.overlap(*plate)))
    };
    let held = if told { both(&found.boom) } else { both(&boom) };
    let mut disagreements: Vec<(String, FrameRange)> = Vec::new();
    if let Some(shared) = held {
        let text = "The log claims a plate, and the picture shows the boom in it";
        disagreements.push((text.to_string(), shared));
    } else if let Some(run) = noted.first().filter(|_| none_seen && !told) {
        let text = "The log notes a boom, and the picture shows none";
        disagreements.push((text.to_string(), *run));
    }
    if told {
        return Ok(Looked { disagreements, ..found });
    }
    // What was noted and cannot be seen stays noted, and is said.
    let search = found.search.filter(|_| none_seen);
    Ok(Looked { search, disagreements, ..as_claimed(gauges, &claimed, &frames, boom) })
}

/// The take as the log has it, held against its plates.
fn as_claimed(
    gauges: Vec<Gauge>,
    claimed: &[FrameRange],
    frames: &[FrameRange],
    boom: Vec<FrameRange>,
) -> Looked {
    Looked {
        lock_off: lock_offs(&gauges, frames),
        camera: gauges.first().map(|gauge| (gauge.steadiness.clone(), 1.0)),
        beyond: beyond(&gauges),
        plates: claimed.iter().flat_map(|plate| plate.without(&boom)).collect(),
        boom,
        gauges,
        search: None,
        brief: false,
        disagreements: Vec::new(),
        held: Held::All,
    }
}

/// Fewest frames that are averaged to a held one. Ours: grain of fewer is not told from
/// detail.
const LEAST_HELD: u64 = 3;

/// The take held against what lies between two booms that are noted, where that is too short
/// to be a plate. `None` if there is nothing such, or if the pictures do not show the boom
/// where it is noted, and only there.
fn between_booms(
    asked: &Asked<'_>,
    frames: &[FrameRange],
    tell: &mut dyn FnMut(u64),
) -> Result<Option<Looked>, Faults> {
    let limits = &asked.settings.measure_limits().boom;
    let guard = u64::from(limits.guard_frames);
    let noted = union(&asked.boom);
    let grown: Vec<FrameRange> = noted.iter().map(|boom| boom.grown(guard, guard)).collect();
    let gaps = noted.windows(2).map(|two| FrameRange::new(two[0].end.0, two[1].start.0));
    let brief = |gap: &FrameRange| gap.count().0 < u64::from(limits.plate_frames);
    let free = gaps.filter(brief).flat_map(|gap| gap.without(&grown));
    let held: Vec<FrameRange> = free
        .filter_map(|gap| gap.overlap(asked.footage().whole()))
        .filter(|gap| gap.count().0 >= LEAST_HELD)
        .collect();
    if held.is_empty() {
        return Ok(None);
    }
    let plates = nearest(&held, frames);
    let area = noted_area(asked).map(area_mask);
    let gauges = gauged(asked, &plates, frames, area, (&mut Kept::default(), asked.every), tell)?;
    let boom = booms(&gauges);
    let count = |runs: &[FrameRange]| runs.iter().map(|run| run.count().0).sum::<u64>();
    let shared = |runs: &[FrameRange], other: &[FrameRange]| -> u64 {
        let all = runs.iter().flat_map(|run| other.iter().filter_map(|one| one.overlap(*run)));
        count(&all.collect::<Vec<_>>())
    };
    let in_frames = shared(&noted, frames);
    let seen = shared(&boom, &noted);
    let told = in_frames > 0 && 2 * seen >= in_frames && shared(&boom, &plates) == 0;
    let sound = told && !gauges.iter().any(|gauge| gauge.suspect);
    Ok(sound.then(|| Looked { brief: true, ..as_claimed(gauges, &plates, frames, boom) }))
}

/// The rectangle round the region a log notes, with room for a sketch that is not exact and
/// for the boom's shadow; `None` without one, or without area.
fn noted_area(asked: &Asked<'_>) -> Option<[f32; 4]> {
    let corners = asked.region.as_ref()?;
    let sound = corners.iter().flatten().all(|value| value.is_finite());
    let axis = |axis: usize| {
        let values = corners.iter().map(|corner| corner[axis]);
        (values.clone().fold(f64::INFINITY, f64::min), values.fold(f64::NEG_INFINITY, f64::max))
    };
    let ((left, right), (top, bottom)) = (axis(0), axis(1));
    let area = [left - ROOM, top - ROOM, right + ROOM, bottom + ROOM];
    (sound && left < right && top < bottom).then(|| area.map(|value| value.clamp(0.0, 1.0) as f32))
}

/// A rectangle of shares as a set.
fn area_mask([left, top, right, bottom]: [f32; 4]) -> Mask {
    const SIDE: usize = 256;
    let share = |at: usize| (at as f32 + 0.5) / SIDE as f32;
    let within = |at: usize, low: f32, high: f32| low <= share(at) && share(at) <= high;
    Mask::from_fn(SIDE, SIDE, |x, y| within(x, left, right) && within(y, top, bottom))
}

/// Looks through the whole take, then holds it against the plates that were found.
fn searched(
    asked: &Asked<'_>,
    frames: &[FrameRange],
    disagreements: Vec<(String, FrameRange)>,
    tell: &mut dyn FnMut(u64),
) -> Result<Looked, Faults> {
    let Survey { found, lock_off, camera, mut kept } = survey(
        asked.media,
        &[asked.plates.as_slice(), &asked.near].concat(),
        noted_area(asked),
        &asked.settings.measure_limits(),
        tell,
    )?;
    let mut plates = nearest(&found.plates, frames);
    let patched: Vec<FrameRange> = near_boom(&found.booms, frames, asked.settings);
    let area = found.region.grown(AROUND);
    let mut looked = Looked {
        beyond: Vec::new(),
        gauges: Vec::new(),
        boom: found.booms,
        plates: found.plates,
        lock_off,
        camera,
        search: Some(found.say),
        brief: false,
        disagreements,
        held: Held::All,
    };
    let tried = plates.len() > 1 && is_worth_trying(&patched, asked.every);
    if let Some(best) = asked.best.filter(|_| tried) {
        let every = tried_every(&patched).max(asked.every);
        let area = Some(area.clone());
        looked.gauges = gauged(asked, &plates, &patched, area, (&mut kept, every), tell)?;
        looked.beyond = beyond(&looked.gauges);
        let chosen = best(&looked).and_then(|at| looked.gauges.get(at)).map(|gauge| gauge.plate);
        looked.gauges.clear();
        plates.retain(|plate| chosen.is_none_or(|chosen| chosen == *plate));
    }
    let longest = plates.iter().copied().max_by_key(|plate| (plate.count(), Reverse(plate.start)));
    if let (Some(longest), true, Some(_)) = (longest, plates.len() > 1, asked.enough) {
        let area = Some(area.clone());
        looked.gauges = gauged(asked, &[longest], &patched, area, (&mut kept, asked.every), tell)?;
        looked.beyond = beyond(&looked.gauges);
        looked.held = Held::Longest;
        if asked.is_enough(&looked) {
            return Ok(looked);
        }
        plates.retain(|plate| *plate != longest);
    }
    if !plates.is_empty() {
        let kept = (&mut kept, asked.every);
        looked.gauges.extend(gauged(asked, &plates, &patched, Some(area), kept, tell)?);
        looked.gauges.sort_by_key(|gauge| gauge.plate);
    }
    looked.beyond = beyond(&looked.gauges);
    looked.held = Held::All;
    Ok(looked)
}

/// Tells whether plates are tried on a few of these frames first: where one has to be held
/// against no more than twice as many anyway, trying costs more than it saves.
fn is_worth_trying(frames: &[FrameRange], every: u32) -> bool {
    every > 1 && counted(frames) / u64::from(every) >= 2 * TRIED
}

fn counted(frames: &[FrameRange]) -> u64 {
    frames.iter().map(|run| run.count().0).sum()
}

/// Every how many of these frames plates are tried on.
fn tried_every(frames: &[FrameRange]) -> u32 {
    (counted(frames) / TRIED).clamp(u64::from(TRIED_EVERY), FARTHEST_TRIED) as u32
}

/// Of frames that matter those a patch would lie on: the others need no plate.
fn near_boom(booms: &[FrameRange], frames: &[FrameRange], settings: &Settings) -> Vec<FrameRange> {
    let fade = u64::from(settings.fade_frames);
    let grown = booms.iter().map(|boom| boom.grown(fade, fade));
    let grown: Vec<FrameRange> = grown.collect();
    frames.iter().flat_map(|run| grown.iter().filter_map(|boom| boom.overlap(*run))).collect()
}

/// The plates worth holding a take against: the longest, and of equals the nearest.
fn nearest(plates: &[FrameRange], frames: &[FrameRange]) -> Vec<FrameRange> {
    let gap = |plate: &FrameRange| {
        let to = |run: &FrameRange| (run.start - plate.end).0.max((plate.start - run.end).0).max(0);
        frames.iter().map(to).min().unwrap_or(0)
    };
    let mut chosen = plates.to_vec();
    chosen.sort_by_key(|plate| (Reverse(plate.count()), gap(plate), plate.start));
    chosen.truncate(MOST_PLATES);
    chosen.sort();
    chosen
}

fn gauged(
    asked: &Asked<'_>,
    plates: &[FrameRange],
    frames: &[FrameRange],
    area: Option<Mask>,
    (kept, every): (&mut Kept, u32),
    tell: &mut dyn FnMut(u64),
) -> Result<Vec<Gauge>, Faults> {
    let wish = Wish {
        media: asked.footage(),
        plates: plates.to_vec(),
        frames: frames.to_vec(),
        encoding: encoding(asked)?,
        limits: asked.settings.measure_limits(),
        area,
        every: every.max(1),
    };
    gauge(&wish, kept, tell)
}

/// How the codes of the take are meant: as tagged, or as the settings say.
fn encoding(asked: &Asked<'_>) -> Result<Encoding, Faults> {
    let info = asked.media.info();
    let rgb = info.pixel_format.starts_with("rgb") || info.pixel_format.starts_with("gbr");
    let claimed = Encoding::claimed(&info.colour, &info.pixel_format, rgb);
    let word = asked.settings.media.word(asked.media.path(), info.reel.as_deref());
    Encoding::chosen(word, claimed).ok_or_else(|| {
        Faults::one(
            "settings",
            "media",
            format!("\"{word}\" is no encoding"),
            "write tag, unknown, or a curve as docs/settings.toml names them",
        )
    })
}

/// Frames in which any gauge shows the boom. Several plates have to agree where they all
/// tell: a plate that holds the boom itself shows its ghost everywhere else.
fn booms(gauges: &[Gauge]) -> Vec<FrameRange> {
    let mut votes: std::collections::BTreeMap<Frame, (usize, usize)> = Default::default();
    for row in gauges.iter().flat_map(|gauge| &gauge.rows) {
        let (seen, of) = votes.entry(row.frame).or_default();
        *seen += usize::from(row.boom);
        *of += 1;
    }
    let mut runs: Vec<FrameRange> = Vec::new();
    for (frame, (seen, of)) in votes {
        if 2 * seen < of.max(1) || seen == 0 {
            continue;
        }
        match runs.last_mut() {
            Some(run) if frame.0 - run.end.0 <= BRIDGED => run.end = Frame(frame.0 + 1),
            _ => runs.push(FrameRange::new(frame.0, frame.0 + 1)),
        }
    }
    runs
}

/// Frames in which no gauge finds its plate again: moved by more than can be followed, or
/// lost although there is texture to find.
fn beyond(gauges: &[Gauge]) -> Vec<FrameRange> {
    let mut lost: std::collections::BTreeMap<Frame, bool> = Default::default();
    for row in gauges.iter().flat_map(|gauge| &gauge.rows) {
        let Some(motion) = &row.motion else { continue };
        let far = motion.motion.shift_px() > MOST_FOLLOWED_PX;
        let gone = if motion.told { far } else { motion.tiles_textured >= TEXTURED };
        let all = lost.entry(row.frame).or_insert(true);
        *all &= gone;
    }
    let frames = lost.iter().filter(|(_, gone)| **gone);
    let frames = union(&frames.map(|(f, _)| FrameRange::new(f.0, f.0 + 1)).collect::<Vec<_>>());
    // A plate whose own frames are lost is a bad plate; that is no boom.
    let plates: Vec<FrameRange> = gauges.iter().map(|gauge| gauge.plate).collect();
    frames.iter().flat_map(|run| run.without(&plates)).collect()
}

/// Runs over which the camera stood, as the first plate that can tell has them. Frames that
/// were not looked at do not part a run.
fn lock_offs(gauges: &[Gauge], frames: &[FrameRange]) -> Option<Vec<FrameRange>> {
    let tells = |gauge: &&Gauge| !matches!(gauge.steadiness.stand, Stand::CannotTell(_));
    let gauge = gauges.iter().find(tells)?;
    let seen: Vec<FrameRange> = {
        let mut all: Vec<FrameRange> = gauges.iter().map(|gauge| gauge.plate).collect();
        all.extend(frames);
        union(&all)
    };
    if gauge.steadiness.stand != Stand::Moved {
        return Some(seen.iter().copied().reduce(crate::time::joined).into_iter().collect());
    }
    let mut runs: Vec<FrameRange> = Vec::new();
    for run in &gauge.steadiness.lock_offs {
        let unseen_between = |last: &FrameRange| {
            let between = FrameRange::new(last.end.0, run.start.0);
            !between.is_empty() && seen.iter().all(|seen| seen.overlap(between).is_none())
        };
        match runs.last_mut() {
            Some(last) if unseen_between(last) => last.end = run.end,
            _ => runs.push(*run),
        }
    }
    Some(runs)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plates_of_long_takes_alone_are_tried_first() {
        let take = |frames: i64| {
            [FrameRange::new(0, frames / 3), FrameRange::new(900, 900 + frames - frames / 3)]
        };
        assert!(!is_worth_trying(&take(2880), 1) && !is_worth_trying(&take(96), 2));
        assert!(is_worth_trying(&take(480), 2) && is_worth_trying(&take(2880), 3));
        assert_eq!(
            [96, 480, 1800, 2880, 9000].map(|frames| tried_every(&take(frames))),
            [12, 12, 15, 24, 24]
        );
    }
}
