//! One use: matched, its media opened, its clocks read, judged.

use super::elsewhere::Origin;
use super::names::{NameSource, shot_names};
use super::proofs::{Measured, picture_kind};
use super::sources::Sources;
use super::{Job, take_name};
use crate::corrections::Setting;
use crate::findings::{
    Basis, Claims, MatchSummary, MediaSummary, PictureKind, PlateSummary, TurningSummary,
    UseFinding, Verdict,
};
use crate::inspection::Series;
use crate::loops::{Choice, Course};
use crate::marks::short_take;
use crate::matching::{Matched, Matcher, UseClues};
use crate::measure::Mask;
use crate::measure::divider::Division;
use crate::media::{FieldOrder, Media, MediaInfo};
use crate::plate::FrameMap;
use crate::platelog::Record;
use crate::reach::{
    Clocks, Judgement, LoggedStart, Outcome, between, claims_of, judge, logged_start, read_clocks,
};
use crate::reason::{Code, Reason, Severity};
use crate::report::shots::{ShotRow, earlier_names};
use crate::settings::Turns;
use crate::time::{Counting, Frame, FrameRange, exact_text, floor};
use crate::timeline::{Cut, Speed, Use};
use crate::verdict::{Standing, decide};
use std::rc::Rc;

/// Everything a use was judged on.
#[derive(Debug, Clone)]
pub struct Subject {
    /// Its media, if opened.
    pub media: Option<Rc<Media>>,
    /// Its clocks, if they could be read.
    pub clocks: Option<Clocks>,
    /// The frame map of its plate in file frames of the media it comes from.
    pub map: Option<FrameMap>,
    /// Where its plate comes from.
    pub origin: Origin,
    /// The divider of its patch, if the pictures were measured.
    pub division: Option<Rc<Division>>,
    /// Pixels of the patch that no frame of the take shows, if that rules a plate out.
    pub never_free: Option<Rc<Mask>>,
    /// Whether its media are a proxy: what is rendered from them is for looking at only.
    pub proxy: bool,
    /// Records that fit best: one if matched, several if ambiguous.
    pub candidates: Vec<usize>,
    /// For each record that was considered and lost, what spoke against it.
    pub against: Vec<(usize, String)>,
    /// For each record that fits less well, what spoke for it.
    pub weaker: Vec<(usize, Vec<String>)>,
    /// What rendering its corrections needs to know of the take, if it needs any.
    pub setting: Option<Setting>,
    /// What was measured over need, for plots.
    pub series: Option<Series>,
    name: NameSource,
}

pub(super) struct Reviewer<'a> {
    pub job: &'a Job,
    pub cut: &'a Cut,
    pub records: &'a [Record],
    pub matcher: &'a Matcher<'a>,
    pub sources: Sources,
}

/// A use judged from claims, before any picture was looked at.
pub(super) struct Pending {
    pub standing: Standing,
    pub learnt: Learnt,
    /// What the pictures added.
    pub measured: Measured,
}

/// What was learnt about a use on the way to its verdict.
#[derive(Default, Clone)]
pub(super) struct Learnt {
    pub media: Option<Rc<Media>>,
    pub clocks: Option<Clocks>,
    pub claims: Claims,
    pub used: Option<FrameRange>,
    pub need: Option<FrameRange>,
    pub matched: Matched,
    /// Capture size, if the log notes it.
    pub capture: Option<[u32; 2]>,
    pub reasons: Vec<Reason>,
}

impl Pending {
    /// A use nobody asks about.
    pub fn left_out() -> Pending {
        let (learnt, measured) = (Learnt::default(), Measured::default());
        Pending { standing: Standing::Unlisted, learnt, measured }
    }
}

impl Reviewer<'_> {
    /// Matches one use, opens its media, reads its clocks and judges it from claims.
    pub fn pending(&mut self, used: &Use, clues: &UseClues) -> Pending {
        let mut learnt = Learnt::default();
        let standing = self.standing(used, clues, &mut learnt);
        if learnt.clocks.is_none() {
            learnt.place_on_clip_clock(used, self.handles(), self.cut);
        }
        Pending { standing, learnt, measured: Measured::default() }
    }

    /// Makes a finding of what was learnt about a use.
    pub fn subject(&self, used: &Use, pending: Pending) -> (UseFinding, Subject) {
        let Pending { standing, learnt, mut measured } = pending;
        let interlaced = learnt.media.as_ref().is_some_and(|media| {
            matches!(media.info().field_order, FieldOrder::TopFirst | FieldOrder::BottomFirst)
        });
        let (affected, patched, outcome) = match &standing {
            Standing::Judged(judgement) => {
                (judgement.affected.clone(), judgement.patched.clone(), Some(judgement.outcome))
            }
            _ => (Vec::new(), Vec::new(), None),
        };
        let (verdict, reasons) = decide(standing, interlaced);
        let origin = std::mem::take(&mut measured.origin);
        let verdict = origin.verdict(verdict);
        let (plate, map) = match outcome.filter(|_| verdict.has_plate()) {
            Some(outcome) => self.plate(outcome, &learnt, &origin, measured.choice.as_ref()),
            None => (None, None),
        };
        // What needs a correction is not rendered as shot.
        let setting = measured.setting.take();
        let map = map.filter(|_| measured.corrections.is_empty() || setting.is_some());
        if let Some(choice) = measured.choice.as_ref().filter(|one| one.turns == Turns::Eased) {
            measured.corrections.push(("ease-turns", choice.visibility));
        }
        let name = name_source(used, &learnt);
        let mut finding = self.finding(used, &learnt, verdict, reasons, (affected, patched), plate);
        let series = measured.series.take();
        let division = measured.division.clone();
        let never_free = measured.never_free.clone();
        measured.add_to(&mut finding);
        let proxy = self.is_proxy(&learnt);
        let subject = Subject {
            media: learnt.media,
            clocks: learnt.clocks,
            map,
            origin,
            division,
            never_free,
            proxy,
            candidates: learnt.matched.candidates,
            against: learnt.matched.against,
            weaker: learnt.matched.weaker,
            setting,
            series,
            name,
        };
        (finding, subject)
    }

    fn is_proxy(&self, learnt: &Learnt) -> bool {
        let suffixes = &self.job.settings.proxy_suffixes;
        learnt.media.as_ref().is_some_and(|media| {
            let info = media.info();
            picture_kind(&info.name, suffixes, learnt.capture, info.width) == PictureKind::Proxy
        })
    }

    fn standing(&mut self, used: &Use, clues: &UseClues, learnt: &mut Learnt) -> Standing {
        if used.covered {
            return Standing::Covered;
        }
        learnt.matched = self.matcher.find(clues);
        // A record that only the clip's own times speak against may still be the right one:
        // the media tell whether these times are timecode at all.
        let all = self.job.settings.look_at_all;
        if learnt.matched.candidates.is_empty() && learnt.matched.against.is_empty() && !all {
            return Standing::Unlisted;
        }
        let mut stops = self.open(used, clues, learnt);
        if learnt.matched.candidates.is_empty() {
            learnt.media = learnt.media.take().filter(|_| all);
            if learnt.media.is_some() {
                self.sources.need_last();
                // Where the clocks cannot be read it stays among those not looked at.
                let _ = self.read_clocks(used, &Record::default(), learnt);
                let _ = self.place(used, learnt);
            }
            return Standing::Unlisted;
        }
        self.sources.need_last();
        if let Speed::Unknown(what) = &used.speed {
            let text = format!("The speed of this clip cannot be computed: {what}.");
            stops.push(Reason::new(Code::SpeedUnknown, Severity::Stop, text));
        }
        let record = match learnt.matched.record {
            Some(at) => &self.records[at],
            None => {
                stops.push(self.ambiguous(&learnt.matched));
                return Standing::Undecided(stops);
            }
        };
        if let Err(reason) = self.read_clocks(used, record, learnt) {
            stops.push(*reason);
        }
        let judgement = self.judged(used, learnt);
        stops.extend(missing_frames(learnt));
        match outside_of_noted_take(learnt) {
            Some(reason) if reason.severity == Severity::Stop => stops.push(reason),
            reason => learnt.reasons.extend(reason),
        }
        match judgement {
            Some(mut judgement) => {
                judgement.reasons.append(&mut learnt.reasons);
                judgement.reasons.extend(reframes(used));
                if stops.is_empty() {
                    return Standing::Judged(Box::new(judgement));
                }
                stops.append(&mut judgement.reasons);
                Standing::Undecided(stops)
            }
            None => Standing::Undecided(stops),
        }
    }

    fn read_clocks(
        &self,
        used: &Use,
        record: &Record,
        learnt: &mut Learnt,
    ) -> Result<(), Box<Reason>> {
        let info = learnt.media.as_ref().map(|media| media.info());
        let counting = counting(used, record, info);
        let settings = &self.job.settings;
        let logged = LoggedStart {
            start: logged_start(record, counting, settings),
            tolerance: record.tolerance.unwrap_or(settings.claim_tolerance_frames),
        };
        let (clocks, reasons) =
            read_clocks(used, info, counting, logged, &settings.timecode_trust)?;
        learnt.reasons.extend(reasons);
        let first = logged.start.or_else(|| available_start(used));
        let (claims, reasons) = claims_of(record, &clocks, first, settings);
        learnt.reasons.extend(reasons);
        learnt.claims = claims;
        learnt.capture = record.capture.map(|(width, height)| [width, height]);
        learnt.clocks = Some(clocks);
        Ok(())
    }

    /// Places used and need on the take clock.
    fn place(&self, used: &Use, learnt: &mut Learnt) -> Option<(FrameRange, FrameRange)> {
        let clocks = learnt.clocks.as_ref()?;
        let (head, tail) = self.handles();
        let in_use = clocks.take_range(used.media_span.as_ref()?);
        let need = clocks.take_range_of(used.need_in_clip(head, tail, self.cut.rate)?);
        learnt.used = Some(in_use);
        learnt.need = Some(need);
        Some((in_use, need))
    }

    fn judged(&self, used: &Use, learnt: &mut Learnt) -> Option<Judgement> {
        let (in_use, need) = self.place(used, learnt)?;
        let clocks = learnt.clocks.as_ref()?;
        let served = self.matcher.plate_takes_for(learnt.matched.record?);
        for at in served {
            let name = short_take(&take_name(&self.records[at]));
            learnt.claims.hints.push(format!("a plate in {name}"));
        }
        Some(judge(in_use, need, &learnt.claims, clocks, &self.job.settings))
    }

    fn ambiguous(&self, matched: &Matched) -> Reason {
        let places: Vec<&str> =
            matched.candidates.iter().map(|at| self.records[*at].place()).collect();
        let text = format!(
            "{} records describe this take equally well: {}.",
            places.len(),
            places.join("; ")
        );
        Reason::new(Code::AmbiguousRecord, Severity::Stop, text).measured(
            places.len() as f64,
            "records",
            None,
        )
    }

    fn handles(&self) -> (u32, u32) {
        (self.job.settings.handles_head, self.job.settings.handles_tail)
    }

    /// Lays the plate out over need.
    fn plate(
        &self,
        outcome: Outcome,
        learnt: &Learnt,
        origin: &Origin,
        choice: Option<&Choice>,
    ) -> (Option<PlateSummary>, Option<FrameMap>) {
        let (Outcome::Plate(range) | Outcome::Loop(range) | Outcome::Still(range)) = outcome else {
            return (None, None);
        };
        let (Some(need), Some(clocks)) = (learnt.need, &learnt.clocks) else {
            return (None, None);
        };
        let turns = match (outcome, self.job.settings.turns) {
            (Outcome::Loop(_), _) if choice.is_some() => {
                choice.map_or(Turns::Twice, |choice| choice.turns)
            }
            (Outcome::Loop(_), Turns::Once) => Turns::Once,
            (Outcome::Loop(_), _) => Turns::Twice,
            (_, turns) => turns,
        };
        let mut in_file = clocks.file_range(range);
        let mut range = range;
        let mut source = learnt.media.as_ref();
        if let Some((other, take)) = origin.source().zip(learnt.media.as_ref()) {
            in_file = in_file.map(|joined| other.own(take, joined));
            range = in_file.map_or(range, |own| other.clocks.from_file(own));
            source = Some(&other.media);
        }
        let map = in_file.and_then(|in_file| match outcome {
            Outcome::Loop(_) => match choice {
                Some(choice) => Some(choice.map.clone()),
                None => FrameMap::looped(in_file, need.count().0, turns).ok(),
            },
            // The middle one of the frames that are averaged stands for them all.
            Outcome::Still(_) if self.job.picture => {
                let middle = in_file.start.0 + (in_file.count().0 / 2) as i64;
                let middle = FrameRange::new(middle, middle + 1);
                FrameMap::looped(middle, need.count().0, Turns::Twice).ok()
            }
            Outcome::Plate(_) => {
                let first = in_file.start.0;
                let length = i64::try_from(need.count().0).unwrap_or(i64::MAX);
                FrameMap::straight(FrameRange::new(first, first.saturating_add(length))).ok()
            }
            _ => None,
        });
        let mut triples = map.as_ref().map(FrameMap::triples);
        let mut map = map;
        if let Some((plate, frames)) = origin.built().zip(clocks.file_frames) {
            range = clocks.from_file(plate.frames);
            // It is laid under these frames; they are not what is in it.
            let under = clocks.file_range(need).and_then(|need| held(need, frames));
            (map, triples) = (under, None);
        }
        let built = origin.built().is_some();
        let turns = if built { Turns::Once } else { turns };
        let summary = PlateSummary {
            render_id: None,
            source_file: source.map(|media| media.info().name.clone()),
            from_take: origin.source().and_then(|other| other.take.clone()),
            range_in_take: range,
            method: None,
            encode_reason: None,
            notes: Vec::new(),
            turns,
            passes: match (&map, choice) {
                _ if built => 1,
                (Some(map), Some(_)) => map.passes(),
                _ => passes(range.count().0, need.count().0, turns),
            },
            map: triples,
            eases: eases_of(map.as_ref(), choice),
            turning: choice.map(|choice| TurningSummary {
                visibility: (choice.visibility * 1e4).round() / 1e4,
                limit: choice.limit,
                at_rest: choice.at_rest,
                window: choice.window.map(|window| window as u64),
            }),
            grain: None,
            file: None,
            record_file: None,
        };
        (Some(summary), map)
    }

    fn finding(
        &self,
        used: &Use,
        learnt: &Learnt,
        verdict: Verdict,
        reasons: Vec<Reason>,
        (affected, patched): (Vec<FrameRange>, Vec<FrameRange>),
        plate: Option<PlateSummary>,
    ) -> UseFinding {
        let in_file = |range: Option<FrameRange>| learnt.clocks.as_ref()?.file_range(range?);
        UseFinding {
            shot: String::new(),
            clip: used.clip.clone(),
            pointer: used.pointer.clone(),
            range_in_cut: used.range_in_cut,
            speed: match &used.speed {
                Speed::Constant(speed) => Some(exact_text(speed)),
                Speed::Freeze => Some("0".into()),
                Speed::Unknown(_) => None,
            },
            take: learnt.matched.record.map(|at| take_name(&self.records[at])),
            matched: MatchSummary {
                clues: learnt.matched.clues.clone(),
                candidates: learnt.matched.candidates.len(),
            },
            media: learnt.media.as_ref().map(|media| summary(media.info())),
            picture: None,
            picture_map: None,
            take_rate: Some(learnt.clocks.as_ref().map_or(used.clip_rate, |clocks| clocks.rate)),
            used_in_take: learnt.used,
            need_in_take: learnt.need,
            affected_in_take: affected,
            patched_in_take: patched,
            used_in_file: in_file(learnt.used),
            need_in_file: in_file(learnt.need),
            claims: learnt.claims.clone(),
            verdict,
            corrections: if matches!(verdict, Verdict::Still | Verdict::Gather) {
                vec!["new-grain".into()]
            } else {
                Vec::new()
            },
            residuals: Vec::new(),
            basis: Basis::Claim,
            plate,
            divider: None,
            matte: None,
            never_free: None,
            temp_comp: None,
            review: None,
            reposition: None,
            reasons,
        }
    }
}

impl Learnt {
    /// Gives uses that are not judged their frames on the clip clock all the same.
    fn place_on_clip_clock(&mut self, used: &Use, (head, tail): (u32, u32), cut: &Cut) {
        self.used = used.used_in_clip;
        self.need = used.need_in_clip(head, tail, cut.rate);
    }
}

/// Names every shot once all uses are known; `earlier` is an earlier list of shots.
pub(super) fn name_shots(findings: &mut [UseFinding], subjects: &[Subject], earlier: &[ShotRow]) {
    let kept = earlier_names(findings, earlier);
    let named = |(at, subject): (usize, &Subject)| NameSource {
        kept: kept.get(at).cloned().flatten(),
        ..subject.name.clone()
    };
    let sources: Vec<NameSource> = subjects.iter().enumerate().map(named).collect();
    for (finding, name) in findings.iter_mut().zip(shot_names(&sources)) {
        finding.shot = name;
    }
}

fn name_source(used: &Use, learnt: &Learnt) -> NameSource {
    let clip_clock = Clocks::without_media(used.clip_rate);
    let clocks = learnt.clocks.as_ref().unwrap_or(&clip_clock);
    NameSource {
        kept: None,
        given: used.shot_name.clone(),
        clip: used.clip.clone(),
        at: match learnt.need {
            Some(need) => clocks.label(need.start),
            None => format!("cut_{}", used.range_in_cut.start),
        },
    }
}

/// The frames of need; past the media the first or last.
fn held(need: FrameRange, frames: u64) -> Option<FrameMap> {
    let last = i64::try_from(frames).ok()?.checked_sub(1).filter(|last| *last >= 0)?;
    FrameMap::from_frames((need.start.0..need.end.0).map(|frame| frame.clamp(0, last))).ok()
}

/// The runs of plate frames that ease a turn.
fn eases_of(map: Option<&FrameMap>, choice: Option<&Choice>) -> Vec<[i64; 2]> {
    let eased = map.zip(choice.and_then(|choice| choice.window));
    let course = eased.and_then(|(map, window)| Course::of(map, window).ok());
    course.map_or(Vec::new(), |course| course.eases())
}

/// How often a plate of `plate` frames is run through to fill `need`.
fn passes(plate: u64, need: u64, turns: Turns) -> u64 {
    if plate >= need || plate == 0 {
        return 1;
    }
    match turns {
        Turns::Once if plate > 1 => 1 + (need - plate).div_ceil(plate - 1),
        _ => need.div_ceil(plate),
    }
}

/// Names to look for in the media folders, strongest first.
/// How the labels of a take count: as the media say, else as the log notes them.
fn counting(used: &Use, record: &Record, media: Option<&MediaInfo>) -> Counting {
    match media {
        Some(info) => info
            .start
            .map_or(Counting::new(info.rate, record.notes_drop_frame()), |tag| tag.counting),
        None => Counting::new(used.clip_rate, record.notes_drop_frame()),
    }
}

fn available_start(used: &Use) -> Option<Frame> {
    let (start, _) = used.references.first()?.available.as_ref()?;
    Some(Frame(floor(start)))
}

/// Used frames that are not in the media at all.
fn missing_frames(learnt: &Learnt) -> Option<Reason> {
    let (clocks, used) = (learnt.clocks.as_ref()?, learnt.used?);
    let file = clocks.file_in_take()?;
    let missing = *used.without(&[file]).first()?;
    let text = format!(
        "{} used frames are not in the media: {}.",
        missing.count(),
        between(clocks, missing)
    );
    Some(Reason::new(Code::MediaMissing, Severity::Stop, text).over(missing).measured(
        missing.count().0 as f64,
        "frames",
        Some(0.0),
    ))
}

/// Used frames that the log does not count to the take, where no media tell better. None
/// of them in it: the clocks of cut and log have nothing to do with each other.
fn outside_of_noted_take(learnt: &Learnt) -> Option<Reason> {
    let (clocks, used, take) = (learnt.clocks.as_ref()?, learnt.used?, learnt.claims.take?);
    if clocks.file_start.is_some() {
        return None;
    }
    let left = used.without(&[take]);
    let first = *left.first()?;
    let frames: u64 = left.iter().map(|run| run.count().0).sum();
    let severity = if used.overlap(take).is_some() { Severity::Attention } else { Severity::Stop };
    let text = format!(
        "{frames} used frames are outside the take as the log notes it, {}.",
        between(clocks, take)
    );
    let reason = Reason::new(Code::StartTimecodeDisagrees, severity, text).over(first);
    Some(reason.measured(frames as f64, "frames", Some(0.0)))
}

fn reframes(used: &Use) -> Option<Reason> {
    if used.reframes.is_empty() {
        return None;
    }
    let text = format!(
        "The cut puts effects on this clip that may move the picture: {}. They are not read.",
        used.reframes.join(", ")
    );
    Some(Reason::new(Code::ReframeUnread, Severity::Note, text))
}

fn summary(info: &MediaInfo) -> MediaSummary {
    MediaSummary {
        file: info.name.clone(),
        rate: info.rate,
        start_timecode: info.start.map(|tag| tag.counting.label(tag.frame)),
        width: info.width,
        height: info.height,
        encoding: info.colour.transfer.clone().unwrap_or_else(|| "unknown".into()),
    }
}
