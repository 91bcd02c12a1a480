//! `strip`: takes our marks out of a timeline.

use super::args::Strip;
use super::diagnostic;
use crate::annotate::strip;
use crate::error::Faults;
use crate::timeline::Bundle;
use crate::timeline::json::Document;

/// Writes the timeline without our marks and plate tracks.
///
/// # Errors
///
/// A timeline that cannot be read, or an output that exists or cannot be written.
pub fn run(args: &Strip) -> Result<u8, Faults> {
    let (bundle, bytes) = Bundle::open(&args.cut)?;
    let name = args.cut.display().to_string();
    let same = match (args.cut.canonicalize(), args.out.canonicalize()) {
        (Ok(cut), Ok(out)) => cut == out,
        _ => false,
    };
    if same || (args.out.exists() && !args.force) {
        let (fault, remedy) = if same {
            ("the output is the timeline itself", "choose another file")
        } else {
            ("the file exists", "choose another file, or add --force to replace it")
        };
        return Err(Faults::one(args.out.display().to_string(), "", fault, remedy));
    }
    let mut document = Document::parse(&name, bytes)?;
    let removed = strip(&mut document);
    bundle.write(&document.write(), &args.out)?;
    diagnostic::note(&match removed {
        0 => "There were no marks of ours in it.".to_string(),
        1 => "Took out 1 mark.".to_string(),
        many => format!("Took out {many} marks and tracks."),
    });
    Ok(0)
}
