//! A turnover in parts: planned once, rendered shot by shot wherever there is a machine, and
//! handed back when every shot is there.
//!
//! ```text
//!   OUT/.plan/plan.json         the command line, and the shots that have something to render
//!   OUT/.plan/measures/         what was measured, so that no part measures it again
//!   OUT/.plan/done/SHOT.json    what was rendered of a shot: each file, its size and SHA-256
//! ```
//!
//! The plan names places on machines. It is no part of a turnover and goes when that is handed
//! back; what is left is what a run in one piece leaves.

use super::renders::{render_uses, with_plates};
use super::{Job, Progress, Review, reviewed};
use crate::error::{BadInput, Faults, shown};
use crate::findings::UseFinding;
use crate::plate::hashed;
use crate::whole::{OWN_PARTS, put_whole};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// The folder of the plan in a turnover, hidden: it goes when the turnover is whole.
pub const PLAN: &str = ".plan";

/// The version of the layout of a plan.
const SCHEMA: &str = "platesmith.plan/1";

/// The version of the layout of what was rendered of a shot.
const DONE: &str = "platesmith.done/1";

/// The name a plan takes while it is removed: what a kill leaves of it is swept.
const LIFTED: &str = "plan.part";

/// One word of a command line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// A word of the program's own: an option, a number, a choice.
    Own(String),
    /// An option and the free text it takes, such as a timeline's name.
    Text(String, String),
    /// The path of a file, absolute.
    File(String),
    /// The path of a folder, absolute.
    Folder(String),
}

/// A turnover that was judged and is to be rendered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    schema: String,
    /// The cut's name.
    pub cut: String,
    /// The command line behind `turnover`, without `-o`.
    pub words: Vec<Word>,
    /// The shots that have something to render, in the order of the cut.
    pub shots: Vec<PlannedShot>,
}

/// A shot that has something to render.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedShot {
    /// The shot's name.
    pub shot: String,
    /// Which use of the cut it is, from 0.
    pub at: usize,
    /// Pointer of its clip in the cut.
    pub pointer: String,
    /// The uses that are measured together with it, for they show the same take; itself
    /// included.
    pub with: Vec<usize>,
}

/// What was rendered of a shot.
#[derive(Debug, Serialize, Deserialize)]
struct Done {
    schema: String,
    shot: String,
    files: Vec<DoneFile>,
}

/// A file that was rendered.
#[derive(Debug, Serialize, Deserialize)]
struct DoneFile {
    /// Path below the output folder, with slashes.
    file: String,
    bytes: u64,
    sha256: String,
}

/// Returns the folder a plan's measures are kept in.
pub fn planned_measures(out: &Path) -> PathBuf {
    out.join(PLAN).join("measures")
}

/// Makes the plan of a reviewed cut. `words` is the command line behind `turnover`.
pub fn plan_of(review: &Review, words: Vec<Word>) -> Plan {
    let path = |at: &usize| Some(review.subjects.get(*at)?.media.as_ref()?.path());
    let planned = |at: usize| PlannedShot {
        shot: review.findings.uses[at].shot.clone(),
        at,
        pointer: review.findings.uses[at].pointer.clone(),
        with: (0..review.subjects.len()).filter(|other| path(other) == path(&at)).collect(),
    };
    let shots = with_plates(review).into_iter().map(planned).collect();
    Plan { schema: SCHEMA.into(), cut: review.findings.cut.name.clone(), words, shots }
}

impl Plan {
    /// Writes the plan into an output folder, and forgets what was done of an earlier one.
    ///
    /// # Errors
    ///
    /// A folder that cannot be written.
    pub fn write(&self, out: &Path) -> Result<(), Faults> {
        let folder = out.join(PLAN);
        let fault = |io: std::io::Error| unwritten(&folder, &io);
        let bytes = serde_json::to_vec_pretty(self).map_err(|why| fault(why.into()))?;
        match std::fs::remove_dir_all(folder.join("done")) {
            Err(io) if io.kind() != std::io::ErrorKind::NotFound => return Err(fault(io)),
            _ => {}
        }
        std::fs::create_dir_all(folder.join("done")).map_err(fault)?;
        put_whole(&folder.join("plan.json"), &bytes).map_err(fault)
    }

    /// Reads the plan in an output folder.
    ///
    /// # Errors
    ///
    /// No plan, or a file that is none.
    pub fn read(out: &Path) -> Result<Plan, Faults> {
        let path = out.join(PLAN).join("plan.json");
        let wrong = |fault: String| {
            let remedy =
                "write a plan first: platesmith turnover CUT --log LOG --media DIR -o OUT --plan";
            Faults::one(path.display().to_string(), "", fault, remedy)
        };
        let bytes = std::fs::read(&path).map_err(|io| wrong(format!("cannot be read: {io}")))?;
        let plan: Plan =
            serde_json::from_slice(&bytes).map_err(|why| wrong(format!("is not a plan: {why}")))?;
        if plan.schema == SCHEMA {
            return Ok(plan);
        }
        Err(wrong(format!("is a plan of another kind, \"{}\"", shown(&plan.schema, 60))))
    }

    /// Tells whether an output folder holds a plan.
    pub fn is_in(out: &Path) -> bool {
        out.join(PLAN).join("plan.json").is_file()
    }

    /// Finds a shot by its name, or as `#N`: the N-th of the plan, counted from 1.
    ///
    /// # Errors
    ///
    /// A shot the plan does not have.
    pub fn shot(&self, asked: &str) -> Result<&PlannedShot, Faults> {
        let numbered = asked.strip_prefix('#').map(|number| {
            let at = number.parse::<usize>().ok()?.checked_sub(1)?;
            self.shots.get(at)
        });
        let found = match numbered {
            Some(found) => found,
            None => self.shots.iter().find(|one| one.shot == asked),
        };
        found.ok_or_else(|| {
            let fault = format!("no shot \"{}\" among the {} planned", shown(asked, 130), self.shots.len());
            let remedy = "name a shot of the plan as shots.csv and the table write it, or write the plan again";
            Faults::one("command line", "--only", fault, remedy)
        })
    }
}

/// Judges one shot of a plan and renders it. Returns the finding, with what was rendered.
///
/// # Errors
///
/// A cut that is no longer the one planned, and whatever keeps the shot from being rendered.
pub fn render_planned(
    job: &Job,
    planned: &PlannedShot,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<UseFinding, Faults> {
    let mut review = reviewed(job, Some(planned), progress)?;
    let is_same = review.findings.uses.get(planned.at).is_some_and(|found| {
        found.pointer == planned.pointer && with_plates(&review).contains(&planned.at)
    });
    if !is_same {
        return Err(no_longer(&planned.shot));
    }
    // Names are made over the whole cut; the plan has them.
    review.findings.uses[planned.at].shot.clone_from(&planned.shot);
    let before = review.findings.faults.len();
    render_uses(&mut review, job, out, &[planned.at], progress);
    let faults = review.findings.faults.split_off(before);
    let unpacked = review.unpacked.take();
    let finding = review.findings.uses.swap_remove(planned.at);
    drop(unpacked);
    if faults.is_empty() { Ok(finding) } else { Err(Faults(faults)) }
}

fn no_longer(shot: &str) -> Faults {
    Faults::one(
        shot,
        "",
        "cut, log or media are not those of the plan, or cannot be reached from here",
        "check that this machine sees them all; if they have changed, write the plan again",
    )
}

/// Notes what was rendered of a shot, so that it can be checked before it is handed back.
///
/// # Errors
///
/// A render that cannot be read again, or a plan that cannot be written.
pub fn note_outputs(finding: &UseFinding, out: &Path) -> Result<(), Faults> {
    let mut files = Vec::new();
    for file in rendered(finding) {
        files_below(&out.join(&file), &file, &mut files).map_err(|io| {
            Faults::one(&file, "", format!("cannot be read again: {io}"), "check the disk")
        })?;
    }
    let done = Done { schema: DONE.into(), shot: finding.shot.clone(), files };
    let target = place(out, &finding.shot);
    let write = || {
        let bytes = serde_json::to_vec_pretty(&done)?;
        put_whole(&target, &bytes)
    };
    write().map_err(|io| unwritten(&target, &io))
}

/// What a finding names as rendered, below the output folder.
fn rendered(finding: &UseFinding) -> Vec<String> {
    let plate = finding.plate.as_ref();
    let plates = plate.map(|plate| [plate.file.clone(), plate.record_file.clone()]);
    let patch = [finding.matte.clone(), finding.temp_comp.clone(), finding.review.clone()];
    plates.into_iter().flatten().chain(patch).flatten().collect()
}

/// Notes a file, or every file of a folder of images.
fn files_below(path: &Path, name: &str, files: &mut Vec<DoneFile>) -> std::io::Result<()> {
    if !path.is_dir() {
        let (bytes, sha256) = summed(path)?;
        files.push(DoneFile { file: name.into(), bytes, sha256 });
        return Ok(());
    }
    let mut names: Vec<_> = std::fs::read_dir(path)?
        .map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()))
        .collect::<std::io::Result<_>>()?;
    names.sort();
    names
        .iter()
        .try_for_each(|file| files_below(&path.join(file), &format!("{name}/{file}"), files))
}

/// The size of a file and the SHA-256 of all its bytes.
fn summed(path: &Path) -> std::io::Result<(u64, String)> {
    let mut hash = Sha256::new();
    let bytes = std::io::copy(&mut std::fs::File::open(path)?, &mut hash)?;
    Ok((bytes, hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()))
}

/// Where it is noted what was rendered of a shot. Names are hashed: they may differ in case
/// alone, and disks may not.
fn place(out: &Path, shot: &str) -> PathBuf {
    out.join(PLAN).join("done").join(format!("{}.json", &hashed(shot.as_bytes())[..32]))
}

/// Checks that every shot of a plan was rendered, and that every file is what was rendered, to
/// the last byte.
///
/// # Errors
///
/// Every shot that was not, every file that is missing or has changed.
pub fn check_outputs(plan: &Plan, out: &Path) -> Result<(), Faults> {
    let wrong: Vec<BadInput> =
        plan.shots.iter().flat_map(|planned| faults_of(planned, out)).collect();
    if wrong.is_empty() { Ok(()) } else { Err(Faults(wrong)) }
}

fn faults_of(planned: &PlannedShot, out: &Path) -> Vec<BadInput> {
    let shot = &planned.shot;
    let again = format!("run its task again: turnover ... --only {shot}");
    let done = std::fs::read(place(out, shot)).ok();
    let done = done.and_then(|bytes| serde_json::from_slice::<Done>(&bytes).ok());
    let Some(done) = done.filter(|done| done.schema == DONE && done.shot == *shot) else {
        return vec![BadInput::new(shot, "", "nothing says that it was rendered", again)];
    };
    let fault = |noted: &DoneFile| {
        let what = match summed(&out.join(&noted.file)) {
            Ok((bytes, sha256)) if bytes == noted.bytes && sha256 == noted.sha256 => return None,
            Ok((bytes, _)) if bytes != noted.bytes => {
                format!("{bytes} bytes, where {} were rendered", noted.bytes)
            }
            Ok(_) => "its bytes are not those that were rendered".into(),
            Err(io) => format!("cannot be read: {io}"),
        };
        let remedy = format!("delete it if it is there, then {again}");
        Some(BadInput::new(&noted.file, "", what, remedy))
    };
    done.files.iter().filter_map(fault).collect()
}

/// Removes a plan whose turnover was handed back.
///
/// # Errors
///
/// A folder that cannot be changed.
pub fn lift(out: &Path) -> Result<(), Faults> {
    let folder = out.join(PLAN);
    // Renamed first: half a plan is none, and what a kill leaves is swept by the next run.
    let going = out.join(format!("{OWN_PARTS}{LIFTED}"));
    std::fs::rename(&folder, &going)
        .and_then(|()| std::fs::remove_dir_all(&going))
        .map_err(|io| unwritten(&folder, &io))
}

fn unwritten(path: &Path, io: &std::io::Error) -> Faults {
    let remedy = "check that the output folder has room and may be written";
    Faults::one(path.display().to_string(), "", format!("cannot be written: {io}"), remedy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(shots: &[&str]) -> Plan {
        let planned = |(at, shot): (usize, &&str)| PlannedShot {
            shot: shot.to_string(),
            at,
            pointer: format!("/{at}"),
            with: vec![at],
        };
        let shots = shots.iter().enumerate().map(planned).collect();
        Plan { schema: SCHEMA.into(), cut: "cut".into(), words: Vec::new(), shots }
    }

    #[test]
    fn a_shot_is_found_by_its_name_or_its_number() {
        let plan = plan(&["A_010", "2", "a_010"]);
        let at = |asked: &str| plan.shot(asked).ok().map(|one| one.at);
        assert_eq!(
            [at("a_010"), at("#1"), at("#3"), at("2")],
            [Some(2), Some(0), Some(2), Some(1)]
        );
        for asked in ["", "#", "#0", "#4", "#-1", "#99999999999999999999", "A_01"] {
            assert_eq!(at(asked), None, "{asked}");
        }
    }

    #[test]
    fn a_plan_is_read_as_written_and_forgets_what_was_done() {
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path();
        assert!(Plan::read(out).is_err() && !Plan::is_in(out));
        let mut plan = plan(&["A"]);
        plan.words = vec![Word::Own("--log".into()), Word::File("/l o'g\".csv".into())];
        plan.write(out).expect("written");
        std::fs::write(place(out, "A"), "{}").expect("written");
        plan.write(out).expect("written");
        assert_eq!(Plan::read(out).expect("read"), plan);
        assert!(!place(out, "A").exists());
        lift(out).expect("lifted");
        assert_eq!(std::fs::read_dir(out).expect("there").count(), 0);
    }

    #[test]
    fn every_output_that_is_not_as_rendered_is_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path();
        let plan = plan(&["A", "B"]);
        plan.write(out).expect("written");
        std::fs::create_dir_all(out.join("plates/A_CP01_v001")).expect("made");
        let file = |number: u32| out.join(format!("plates/A_CP01_v001/A.{number}.dpx"));
        (1001..1005)
            .for_each(|number| std::fs::write(file(number), vec![7; 5000]).expect("written"));
        let mut files = Vec::new();
        files_below(&out.join("plates/A_CP01_v001"), "plates/A_CP01_v001", &mut files)
            .expect("read");
        let done = Done { schema: DONE.into(), shot: "A".into(), files };
        put_whole(&place(out, "A"), &serde_json::to_vec(&done).expect("JSON")).expect("written");
        let faults = || check_outputs(&plan, out).expect_err("B was not rendered").0;
        assert_eq!(faults().len(), 1);
        std::fs::remove_file(file(1001)).expect("removed");
        std::fs::write(file(1002), vec![7; 4999]).expect("written");
        let mut changed = vec![7; 5000];
        changed[2500] = 8;
        std::fs::write(file(1003), changed).expect("written");
        let said: Vec<String> = faults().iter().map(BadInput::to_string).collect();
        assert_eq!(said.len(), 4, "{said:?}");
        assert!(said[1].contains("A.1002.dpx") && said[1].contains("4999 bytes, where 5000"));
        assert!(said[3].contains("B") && said[3].contains("nothing says"), "{said:?}");
    }
}
