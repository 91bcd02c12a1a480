//! What is given back to people and machines, drawn from the findings alone.

mod cells;
mod clock;
pub mod html;
pub mod json;
mod loupe;
pub mod markers;
pub mod noted;
pub mod pulls;
mod ruler;
mod scale;
pub mod setcard;
mod sheet;
pub mod shots;
mod style;
pub mod table;
pub mod take;
mod tape;
mod words;
mod write;

use crate::error::{BadInput, Faults};
use crate::findings::{Findings, Verdict};
use std::path::{Path, PathBuf};

/// Writes every report and list into the folder `out`, which is made if it is absent, and
/// returns their paths.
///
/// `findings.json`, `report.html`, `pulls.csv`, `markers.tsv` and `shots.csv`. Each appears
/// under its name only when whole; a file whose bytes would not change is not touched. What
/// people wrote into an earlier `shots.csv` is kept.
///
/// # Errors
///
/// Everything that could not be written, and every fault of an earlier `shots.csv` (which is
/// then left as it is). The other files are written all the same.
pub fn write_all(findings: &Findings, out: &Path) -> Result<Vec<PathBuf>, Faults> {
    std::fs::create_dir_all(out).map_err(|io| {
        let fault = format!("the output folder cannot be made: {io}");
        Faults::one(out.display().to_string(), "", fault, "check the path after -o")
    })?;
    let shots = shots::read(&out.join("shots.csv")).and_then(|old| shots::bytes(findings, &old));
    let files: [(&str, Result<Vec<u8>, Faults>); 5] = [
        ("findings.json", Ok(json::bytes(findings))),
        ("report.html", Ok(html::page(findings).into_bytes())),
        ("pulls.csv", pulls::bytes(findings)),
        ("markers.tsv", Ok(markers::bytes(findings))),
        ("shots.csv", shots),
    ];
    let mut written = Vec::new();
    let mut faults: Vec<BadInput> = Vec::new();
    for (name, bytes) in files {
        match bytes.and_then(|bytes| write::put(out, name, &bytes).map_err(Faults::from)) {
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
/// ```
pub fn looked_at(findings: &Findings) -> String {
    let uses = findings.uses.len();
    let count = |v: Verdict| findings.uses.iter().filter(|found| found.verdict == v).count();
    match (count(Verdict::Unlisted), uses) {
        (_, 0) => "the cut has no uses: 0 were not looked at".into(),
        (0, _) => format!("0 of {uses} uses are in no log: none was left out"),
        (1, 1) => "1 of 1 use is in no log and was not looked at".into(),
        (1, _) => format!("1 of {uses} uses is in no log and was not looked at"),
        (unlisted, _) => format!("{unlisted} of {uses} uses are in no log and were not looked at"),
    }
}
