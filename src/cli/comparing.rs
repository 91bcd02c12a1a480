//! `compare`: what a recut changes.

use super::args::Compare;
use super::choices::{MarkersChoice, PlatesChoice};
use super::diagnostic;
use super::turnover::{Said, deliver};
use crate::compare::{Change, Changed, Comparison, compare};
use crate::error::Faults;
use crate::review::{HandBack, Job, MERGED_LOG, earlier_findings};
use crate::settings::Settings;
use crate::whole::OWN_PARTS;
use std::path::Path;

/// Folders and files of a turnover that a later one goes on from.
const GOES_ON: [&str; 7] =
    ["plates", "mattes", "temp", "review", "preview", ".receipts", "shots.csv"];

/// Holds two cuts against each other, and with `-o` hands the new one back.
///
/// # Errors
///
/// A side that cannot be read; an update without a turnover to go on from.
pub fn run(args: &Compare) -> Result<u8, Faults> {
    let mut settings =
        args.settings.as_deref().map(Settings::read).transpose()?.unwrap_or_default();
    if let Some((head, tail)) = args.handles {
        (settings.handles_head, settings.handles_tail) = (head, tail);
    }
    let comparison = compare(&args.old, &args.new, &settings)?;
    if args.json {
        let text = serde_json::to_string_pretty(&comparison).unwrap_or_default();
        diagnostic::print(&text);
    } else if !args.quiet {
        diagnostic::print(&said(&comparison));
    }
    match &args.out {
        Some(out) => update(args, settings, out),
        None => Ok(comparison.exit_code()),
    }
}

/// Says what changed: totals, then every use that is not as it was.
fn said(comparison: &Comparison) -> String {
    let count = |change: &Change| comparison.totals.get(change.word()).copied().unwrap_or(0);
    let totals: Vec<String> = Change::ALL
        .iter()
        .filter(|change| count(change) > 0)
        .map(|change| format!("{} {}", count(change), change.shown()))
        .collect();
    let mut lines = vec![totals.join(", ")];
    let changed = comparison.uses.iter().filter(|one| one.change != Change::Unchanged);
    lines.extend(changed.map(line));
    let rendered = comparison.uses.iter().filter(|one| one.render_holds.is_some()).count();
    let hold = comparison.uses.iter().filter(|one| one.render_holds == Some(true)).count();
    if rendered > 0 {
        lines.push(format!("{hold} of {rendered} rendered plates still hold"));
    }
    lines.join("\n") + "\n"
}

fn line(one: &Changed) -> String {
    let mut parts = vec![format!("{}: {}", one.shot, one.change.shown())];
    let frames = |count: u64| if count == 1 { "1 frame".into() } else { format!("{count} frames") };
    let beyond = [(one.beyond_head, "before"), (one.beyond_tail, "after")];
    for (count, side) in beyond.into_iter().filter(|(count, _)| *count > 0) {
        parts.push(format!("{} {side} what was rendered", frames(count)));
    }
    if one.old.is_some() && one.new.is_some() {
        for (more, end) in [(one.head_frames, "head"), (one.tail_frames, "tail")] {
            match more {
                0 => {}
                more if more > 0 => {
                    parts.push(format!("{} more at the {end}", frames(more.unsigned_abs())))
                }
                less => parts.push(format!("{} fewer at the {end}", frames(less.unsigned_abs()))),
            }
        }
    }
    match (one.render_holds, one.change) {
        (Some(true), _) => parts.push("its plate holds".into()),
        (Some(false), Change::Gone) | (None, _) => {}
        (Some(false), _) => parts.push("its plate has to be rendered again".into()),
    }
    parts.join(", ")
}

/// Hands the new cut back, going on from the old turnover: what is whole is not rendered
/// again, shots keep their names, and what changed takes the next version.
fn update(args: &Compare, settings: Settings, out: &Path) -> Result<u8, Faults> {
    if !args.old.join("findings.json").is_file() {
        return Err(Faults::one(
            args.old.display().to_string(),
            "",
            "is no turnover, so there is nothing to bring up to date",
            "name the folder that turnover filled as OLD, or leave out -o",
        ));
    }
    let is_same = matches!((args.old.canonicalize(), out.canonicalize()), (Ok(a), Ok(b)) if a == b);
    if !is_same {
        for name in GOES_ON {
            copied(&args.old.join(name), &out.join(name))?;
        }
    }
    let earlier = earlier_findings(&args.old)?.settings;
    let mut job = Job {
        cut: args.new.clone(),
        logs: if args.log.is_empty() { vec![args.old.join(MERGED_LOG)] } else { args.log.clone() },
        media: args.media.clone(),
        pulls: None,
        picture: true,
        settings: if args.settings.is_some() { settings } else { earlier.clone() },
        cut_rate: None,
        timeline: None,
        threads: args.jobs,
        earlier: Some(out.join("shots.csv")),
    };
    if let Some((head, tail)) = args.handles {
        (job.settings.handles_head, job.settings.handles_tail) = (head, tail);
    }
    let asked = (args.verify || earlier.verify, args.all || earlier.look_at_all);
    job.settings.also(asked.0, asked.1);
    let options = HandBack {
        out: out.to_path_buf(),
        markers: MarkersChoice::Both.into(),
        plates: PlatesChoice::Disabled.into(),
        with_temp: false,
        zero_based: false,
        replace_cut: false,
        no_review: false,
        edl: None,
    };
    // The comparison is what was asked to be printed.
    deliver(&job, &options, Said { json: false, quiet: true })
}

/// Copies a file or a folder; what is there already stays.
fn copied(from: &Path, to: &Path) -> Result<(), Faults> {
    let fault = |io: std::io::Error| {
        let text = format!("cannot be copied: {io}");
        Faults::one(from.display().to_string(), "", text, "check that the output folder has room")
    };
    if from.is_dir() {
        std::fs::create_dir_all(to).map_err(fault)?;
        let mut names: Vec<_> = std::fs::read_dir(from).map_err(fault)?.flatten().collect();
        names.sort_by_key(|entry| entry.file_name());
        return names
            .iter()
            .try_for_each(|entry| copied(&entry.path(), &to.join(entry.file_name())));
    }
    if !from.is_file() || to.exists() {
        return Ok(());
    }
    let folder = to.parent().unwrap_or(to);
    std::fs::create_dir_all(folder).map_err(fault)?;
    let part = tempfile::Builder::new().prefix(OWN_PARTS).tempfile_in(folder).map_err(fault)?;
    std::fs::copy(from, part.path()).map_err(fault)?;
    part.persist(to).map_err(|failed| fault(failed.error))?;
    Ok(())
}
