//! `setcard`: the card for the set.

use super::args::Setcard;
use super::{diagnostic, log_settings};
use crate::error::Faults;
use crate::platelog::read_shots;
use crate::report::setcard::{Card, language, page, text};
use crate::whole::put_whole;
use std::io::Read;

/// Largest shot list that is read, in bytes; ours.
const LARGEST: u64 = 16 << 20;

/// Prints the card as text, or writes it as a page or text.
///
/// # Errors
///
/// A translation or shot list that cannot be read; an output that exists or cannot be
/// written.
pub fn run(args: &Setcard) -> Result<u8, Faults> {
    let settings = log_settings(args.settings.as_deref(), args.map.as_deref())?;
    let words = language(args.language.as_deref())?;
    let mut settings = settings;
    if let Some((head, tail)) = args.handles {
        (settings.handles_head, settings.handles_tail) = (head, tail);
    }
    let (shots, faults) = match &args.shotlist {
        None => (Vec::new(), Vec::new()),
        Some(path) => {
            let name = path.display().to_string();
            let unread = |io: std::io::Error| {
                let fault = format!("cannot be read: {io}");
                Faults::one(&name, "", fault, "check the path of the shot list")
            };
            let mut bytes = Vec::new();
            let file = std::fs::File::open(path).map_err(unread)?;
            file.take(LARGEST).read_to_end(&mut bytes).map_err(unread)?;
            read_shots(&bytes, &name, &settings)
        }
    };
    diagnostic::print_faults(&faults);
    let card = Card { words: &words, shots: &shots, settings: &settings };
    match &args.out {
        None => diagnostic::print(&text(&card)),
        Some(out) => {
            let name = out.display().to_string();
            if out.exists() && !args.force {
                let remedy = "choose another file, or add --force to replace it";
                return Err(Faults::one(name, "", "the file exists", remedy));
            }
            let ending = out.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
            let card = match ending.to_ascii_lowercase().as_str() {
                "html" | "htm" => page(&card),
                "txt" => text(&card),
                _ => {
                    let fault = format!("a card is written as .html or .txt, not as \".{ending}\"");
                    return Err(Faults::one(
                        name,
                        "",
                        fault,
                        "name a file with one of these endings",
                    ));
                }
            };
            put_whole(out, card.as_bytes()).map_err(|io| {
                let remedy = "check the path after -o and the room on the disk";
                Faults::one(&name, "", format!("cannot be written: {io}"), remedy)
            })?;
        }
    }
    Ok(if faults.is_empty() { 0 } else { super::FAULT })
}
