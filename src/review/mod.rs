//! Runs the whole job over a cut; progress by callback, never prints.
//!
//! [`review`] judges every use; [`hand_back`] renders, annotates and writes.

mod borrow;
mod built;
mod corrects;
mod finish;
mod elsewhere;
mod hand_back;
mod looks;
mod looping;
mod names;
mod opening;
mod proofs;
mod renders;
mod patches;
mod plan;
mod sources;
mod subject;
mod unlisted;

pub use elsewhere::{BuiltPlate, Origin, PlateSource};
pub use finish::{Finish, MERGED_LOG, Pulls, earlier_findings, finish, stripped};
pub use hand_back::{HandBack, hand_back};
pub use names::{NameSource, shot_names};
pub use plan::{
    PLAN, Plan, PlannedShot, Word, check_outputs, lift, note_outputs, plan_of, planned_measures,
    render_planned,
};
pub use sources::{Source, Sources};
pub use subject::Subject;

use crate::error::Faults;
use crate::findings::{CutSummary, Findings, SCHEMA, TakeName, UnusedRecord, UseFinding, Verdict};
use crate::matching::{Matcher, NearestUses, RollOffset, UseClues};
use crate::platelog::{Record, asked_about, read_logs};
use crate::settings::Settings;
use crate::time::Rate;
use crate::timeline::{Cut, ReadOptions, read_cut};
use std::path::PathBuf;
use subject::{Pending, Reviewer};

/// What is to be reviewed.
#[derive(Debug, Clone)]
pub struct Job {
    /// The locked cut.
    pub cut: PathBuf,
    /// Plate logs.
    pub logs: Vec<PathBuf>,
    /// Media folders.
    pub media: Vec<PathBuf>,
    /// Whether the media folders hold full-size pulls, which take the place of what the cut
    /// names.
    pub pulls: Option<Pulls>,
    /// False: from claims alone, no picture is opened.
    pub picture: bool,
    /// Limits and choices.
    pub settings: Settings,
    /// Cut rate, where the timeline leaves it open or is wrong.
    pub cut_rate: Option<Rate>,
    /// Which timeline of a file with several.
    pub timeline: Option<String>,
    /// Threads for reading pictures.
    pub threads: u32,
    /// An earlier list of shots (`shots.csv`), whose names are kept; need not be there.
    pub earlier: Option<PathBuf>,
}

/// Is told how far a piece of work is.
pub trait Progress {
    /// Begins a stage of `total` steps.
    fn stage(&mut self, name: &str, total: u64);
    /// Tells that `done` steps of the stage are done.
    fn at(&mut self, done: u64);
}

/// A progress nobody looks at.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn stage(&mut self, _name: &str, _total: u64) {}
    fn at(&mut self, _done: u64) {}
}

/// A reviewed cut.
#[derive(Debug)]
pub struct Review {
    /// What was found; uses in the order of [`Cut::uses`].
    pub findings: Findings,
    /// The cut as read.
    pub cut: Cut,
    /// The records of all logs.
    pub records: Vec<Record>,
    /// What each use was judged on, in the order of the uses.
    pub subjects: Vec<Subject>,
    /// What to do about a log as a whole, in sentences.
    pub proposals: Vec<String>,
    /// Media taken out of a zip bundle; they go when this goes.
    pub unpacked: Option<tempfile::TempDir>,
}

/// Judges every use of a cut.
///
/// Faults in logs, media and single clips are part of the findings; the other uses are
/// still judged.
///
/// # Errors
///
/// Faults that leave nothing to judge: the cut cannot be read.
pub fn review(job: &Job, progress: &mut dyn Progress) -> Result<Review, Faults> {
    reviewed(job, None, progress)
}

/// Judges the uses of `only`, or every use of a cut.
fn reviewed(
    job: &Job,
    only: Option<&PlannedShot>,
    progress: &mut dyn Progress,
) -> Result<Review, Faults> {
    let options = ReadOptions {
        cut_rate: job.cut_rate,
        timeline: job.timeline.clone(),
        reverse_anchor: job.settings.reverse_anchor,
    };
    let (cut, (records, log_faults)) = std::thread::scope(|hands| {
        // The two know nothing of each other, and each takes its time.
        let logs = hands.spawn(|| read_logs(&job.logs, &job.settings));
        let cut = read_cut(&job.cut, &options);
        (cut, logs.join().unwrap_or_else(|died| std::panic::resume_unwind(died)))
    });
    let cut = cut?;
    let records = asked_about(records);
    let mut faults = cut.faults.clone();
    faults.extend(log_faults);

    let clues: Vec<UseClues> = cut.uses.iter().map(UseClues::of).collect();
    let matcher = Matcher::new(&records, &job.settings);
    let offsets = matcher.roll_offsets(&clues);
    let matcher = matcher.with_offsets(&offsets);
    let (sources, folder_faults) = Sources::new(&job.media, &cut.bundle, job.threads);
    let sources = sources.verifying(job.settings.verify);
    let mut sources = match &job.pulls {
        Some(pulls) => sources.of_pulls(pulls.clone(), &job.settings.proxy_suffixes),
        None => sources,
    };
    faults.extend(folder_faults);
    sources.reserve(&cut.uses, &records);
    let mut reviewer = Reviewer { job, cut: &cut, records: &records, matcher: &matcher, sources };
    progress.stage("judging", cut.uses.len() as u64);
    let mut pending: Vec<Pending> = Vec::with_capacity(cut.uses.len());
    for (at, (used, clues)) in cut.uses.iter().zip(&clues).enumerate() {
        let asked = only.is_none_or(|only| only.with.contains(&at));
        pending.push(if asked { reviewer.pending(used, clues) } else { Pending::left_out() });
        progress.at(at as u64 + 1);
    }
    if job.picture && job.settings.measure {
        faults.extend(proofs::prove_all(job, &mut pending, progress));
        if job.settings.look_at_all {
            faults.extend(unlisted::look_at_unlisted(job, &mut pending, progress));
        }
        // Uses of one take share a look; plates from elsewhere are each one's own.
        let own = match only {
            Some(only) => pending.get_mut(only.at..=only.at).unwrap_or_default(),
            None => &mut pending,
        };
        reviewer.borrow_all(own, progress);
        if job.settings.build_plates {
            faults.extend(reviewer.gather_all(own, progress));
        }
    }
    let judged = cut.uses.iter().zip(pending).map(|(used, one)| reviewer.subject(used, one));
    let (mut uses, subjects): (Vec<UseFinding>, Vec<Subject>) = judged.unzip();
    faults.extend(reviewer.sources.faults());
    let unpacked = reviewer.sources.into_unpacked();
    let earlier = job.earlier.as_deref().map_or(Ok(Vec::new()), crate::report::shots::read);
    // Whoever writes the list again reports what is wrong with it.
    subject::name_shots(&mut uses, &subjects, &earlier.unwrap_or_default());

    let findings = Findings {
        schema: SCHEMA.into(),
        cut: CutSummary {
            name: cut.name.clone(),
            rate: cut.rate,
            frames: cut.frames,
            start_timecode: cut.start_timecode.clone(),
        },
        settings: job.settings.clone(),
        totals: Findings::count(&uses),
        unused_records: unused(&records, &uses, &subjects, &clues, &matcher),
        uses,
        faults,
    };
    let proposals = offsets.iter().map(proposal).collect();
    Ok(Review { findings, cut, records, subjects, proposals, unpacked })
}

/// Says that a log's clock ran off the camera's on a whole roll.
fn proposal(offset: &RollOffset) -> String {
    let shift = offset.frames.0;
    let way = if shift > 0 { "behind" } else { "ahead of" };
    format!(
        "Roll {}: on {} takes the log's timecode is {} frames {way} the media's. If its clock ran off, correct the log by that much.",
        offset.roll,
        offset.takes.len(),
        shift.unsigned_abs()
    )
}

/// Records no use was matched to, with the unlisted uses that come nearest.
fn unused(
    records: &[Record],
    uses: &[UseFinding],
    subjects: &[Subject],
    clues: &[UseClues],
    matcher: &Matcher<'_>,
) -> Vec<UnusedRecord> {
    let mut used = vec![false; records.len()];
    for at in subjects.iter().flat_map(|subject| &subject.candidates) {
        if !std::mem::replace(&mut used[*at], true) {
            // A take rolled only as a plate is used by the takes it serves.
            matcher.plate_takes_for(*at).into_iter().for_each(|plate| used[plate] = true);
        }
    }
    let unlisted: Vec<UseClues> = uses
        .iter()
        .zip(clues)
        .filter(|(finding, _)| finding.verdict == Verdict::Unlisted)
        .map(|(finding, clues)| UseClues { label: finding.shot.clone(), ..clues.clone() })
        .collect();
    let nearest = NearestUses::new(&unlisted, matcher);
    let left = (0..records.len()).filter(|at| !used[*at]);
    left.map(|at| UnusedRecord {
        take: take_name(&records[at]),
        origin: records[at].place().to_string(),
        nearest: nearest.of(at),
    })
    .collect()
}

fn take_name(record: &Record) -> TakeName {
    TakeName {
        scene: record.scene.clone(),
        slate: record.slate.clone(),
        take: record.take.clone(),
        camera: record.camera.clone(),
        roll: record.roll.clone(),
        clip: record.clip.clone(),
    }
}
