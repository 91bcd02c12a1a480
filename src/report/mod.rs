//! What is given back to people and machines, drawn from the findings alone.

mod cells;
mod clock;
pub mod edl;
mod cost;
mod document;
mod elements;
pub mod html;
pub mod json;
pub mod lineup;
mod loupe;
pub mod markers;
pub mod noted;
mod opened;
mod picker;
pub mod plots;
pub mod pulls;
mod ruler;
mod scale;
pub mod setcard;
mod sheet;
pub mod shots;
pub mod still;
mod style;
pub mod table;
pub mod take;
mod tape;
mod words;
mod write;

use crate::error::{BadInput, Faults};
use crate::findings::{Findings, Verdict};
use std::path::{Path, PathBuf};
use still::Look;

/// Writes every report and list into the folder `out`, which is made if it is absent, and
/// returns their paths. `looks` holds what there is to see of each use, in their order; it may
/// be shorter.
///
/// `findings.json`, `report.html`, `lineup.xlsx`, `pulls.csv`, `pulls.edl`, `markers.tsv` and `shots.csv`. Each appears
/// under its name only when whole; a file whose bytes would not change is not touched. What
/// people wrote into an earlier `shots.csv` is kept.
///
/// # Errors
///
/// Everything that could not be written, and every fault of an earlier `shots.csv` (which is
/// then left as it is). The other files are written all the same.
pub fn write_all(findings: &Findings, looks: &[Look], out: &Path) -> Result<Vec<PathBuf>, Faults> {
    std::fs::create_dir_all(out).map_err(|io| {
        let fault = format!("the output folder cannot be made: {io}");
        Faults::one(out.display().to_string(), "", fault, "check the path after -o")
    })?;
    let shots = shots::read(&out.join("shots.csv")).and_then(|old| shots::bytes(findings, &old));
    let mut files: Vec<(String, Result<Vec<u8>, Faults>)> = vec![
        ("findings.json".into(), Ok(json::bytes(findings))),
        ("report.html".into(), Ok(html::page(findings, looks).into_bytes())),
        ("lineup.xlsx".into(), lineup::bytes(findings, looks)),
        ("pulls.csv".into(), pulls::bytes(findings)),
        ("markers.tsv".into(), Ok(markers::bytes(findings))),
        ("shots.csv".into(), shots),
    ];
    let mut written = Vec::new();
    let mut faults: Vec<BadInput> = Vec::new();
    match edl::lists(findings) {
        Ok(lists) => {
            write::remove_others(out, edl::is_list, &lists);
            files.extend(lists.into_iter().map(|(name, bytes)| (name, Ok(bytes))));
        }
        Err(Faults(new)) => faults.extend(new),
    }
    for (name, bytes) in &files {
        let put = |bytes: &Vec<u8>| write::put(out, name, bytes).map_err(Faults::from);
        match bytes.as_ref().map_err(Faults::clone).and_then(put) {
            Ok(path) => written.push(path),
            Err(Faults(new)) => faults.extend(new),
        }
    }
    if faults.is_empty() { Ok(written) } else { Err(Faults(faults)) }
}

/// Says how many uses were not looked at: the last line of every run.
///
/// ```text
/// 23 of 25 uses are in no log and were not looked at
/// 23 of 25 uses are in no log; no boom was seen in the 22 looked at; 1 could not be looked at
/// ```
pub fn looked_at(findings: &Findings) -> String {
    let uses = findings.uses.len();
    let unlisted = || findings.uses.iter().filter(|found| found.verdict == Verdict::Unlisted);
    let looked = unlisted().filter(|found| found.picture.is_some()).count();
    match (unlisted().count(), uses) {
        (_, 0) => "the cut has no uses: 0 were not looked at".into(),
        (0, _) => format!("0 of {uses} uses are in no log: none was left out"),
        (unlisted, _) if looked > 0 => {
            let are = if unlisted == 1 { "is" } else { "are" };
            let of_uses = if uses == 1 { "use" } else { "uses" };
            let left = match unlisted - looked {
                0 => String::new(),
                left => format!("; {left} could not be looked at"),
            };
            format!(
                "{unlisted} of {uses} {of_uses} {are} in no log; no boom was seen in the {looked} looked at{left}"
            )
        }
        (1, 1) => "1 of 1 use is in no log and was not looked at".into(),
        (1, _) => format!("1 of {uses} uses is in no log and was not looked at"),
        (unlisted, _) => format!("{unlisted} of {uses} uses are in no log and were not looked at"),
    }
}
