//! A use said in one line: the text and colour of its marker, the same on the timeline
//! and in every list.

use crate::findings::{TakeName, UseFinding, Verdict};
use crate::reason::Reason;

/// The longest marker text. Hosts show about this much of a marker's name; common
/// practice, no source.
const LONGEST: usize = 80;

/// A shot name longer than this loses its middle in a marker, so that verdict and figure
/// still fit. Ours.
const LONGEST_SHOT: usize = 40;

/// Returns the marker colour of a verdict, a name from the timeline standard's list, or
/// `None` where no marker is set.
///
/// The text always says the same: some hosts drop or change colours.
pub fn marker_colour(verdict: Verdict) -> Option<&'static str> {
    match verdict {
        Verdict::Plate => Some("GREEN"),
        Verdict::Loop => Some("BLUE"),
        Verdict::Borrow | Verdict::Still | Verdict::Gather => Some("PURPLE"),
        Verdict::Undecided => Some("YELLOW"),
        Verdict::ByHand => Some("RED"),
        Verdict::Clear | Verdict::Unlisted | Verdict::Covered => None,
    }
}

/// Writes the marker of a use: shot, verdict as shown, the decisive number.
///
/// One line of printable ASCII, at most 80 characters; other letters become `_`. What does
/// not fit is left out phrase by phrase, then word by word, from the end.
///
/// ```text
/// QR_010_0010 LOOPED PLATE 41 into 234 frames, 6 passes
/// QR_010_0030 BY HAND (VFX) camera moved 3.2 px, limit 0.5
/// ```
pub fn marker_text(found: &UseFinding) -> String {
    let shot = shortened_name(&ascii(&found.shot).replace(' ', "_"));
    let mut text = format!("{shot} {}", found.verdict.shown());
    for (at, phrase) in phrases(found).iter().enumerate() {
        let joint = if at == 0 { " " } else { ", " };
        let phrase = ascii(phrase);
        if text.len() + joint.len() + phrase.len() > LONGEST {
            if at == 0 {
                text = shortened(&format!("{text} {phrase}"), LONGEST);
            }
            break;
        }
        text.push_str(joint);
        text.push_str(&phrase);
    }
    text
}

/// Returns what decides a use in a few words, without shot and verdict; may be empty.
pub fn in_few_words(found: &UseFinding) -> String {
    phrases(found).join(", ")
}

/// What decides the use, the weightiest phrase first.
fn phrases(found: &UseFinding) -> Vec<String> {
    let need = found.need_in_take.map(|range| range.count().0);
    let plate = found.plate.as_ref().map(|plate| plate.range_in_take.count().0);
    match (found.verdict, plate, need) {
        (Verdict::Plate, Some(plate), Some(need)) => vec![format!("{plate} for {need} frames")],
        (Verdict::Loop, Some(plate), Some(need)) => {
            vec![format!("{plate} into {need} frames"), passes(found)]
        }
        (Verdict::Borrow, Some(plate), Some(need)) => {
            let mut phrases = vec![format!("{plate} for {need} frames")];
            let from = found.plate.as_ref().and_then(|plate| plate.from_take.as_ref());
            phrases.extend(from.map(short_take).map(|take| format!("from {take}")));
            phrases
        }
        (Verdict::Still, Some(plate), Some(need)) => {
            vec![format!("{plate} held over {need} frames")]
        }
        (Verdict::Gather, _, Some(need)) => vec![format!("for {need} frames")],
        (Verdict::ByHand | Verdict::Undecided, ..) => {
            found.decisive().map(reason_phrases).unwrap_or_default()
        }
        _ => Vec::new(),
    }
}

/// Says a reason in a few words: `camera moved 3.2 px, limit 0.5`.
pub fn reason_in_few_words(reason: &Reason) -> String {
    reason_phrases(reason).join(", ")
}

fn passes(found: &UseFinding) -> String {
    let passes = found.plate.as_ref().map_or(0, |plate| plate.passes);
    format!("{passes} {}", if passes == 1 { "pass" } else { "passes" })
}

/// The code in words with its figure: `camera moved 3.2 px`, `limit 0.5`.
fn reason_phrases(reason: &Reason) -> Vec<String> {
    let words = reason.code.to_string().replace('-', " ");
    let unit = reason.unit.as_deref().unwrap_or_default();
    let unit = if unit == "percent" { "%" } else { unit };
    // "limit 0" says no more than that there is something at all.
    let limit = reason.limit.filter(|limit| *limit != 0.0);
    match (reason.value.and_then(figure), limit.and_then(figure), reason.range_in_take) {
        (Some(value), Some(limit), _) => {
            vec![format!("{words} {value} {unit}").trim_end().to_string(), format!("limit {limit}")]
        }
        (Some(value), None, _) => vec![format!("{words} {value} {unit}").trim_end().to_string()],
        (None, _, Some(range)) => vec![format!("{words} over {} frames", range.count())],
        _ => vec![words],
    }
}

/// Names a take in few characters: its camera clip, else scene, slate and take.
pub fn short_take(take: &TakeName) -> String {
    if let Some(clip) = &take.clip {
        return clip.clone();
    }
    let parts = [&take.scene, &take.slate, &take.take].into_iter().flatten();
    let name = parts.map(String::as_str).collect::<Vec<_>>().join("/");
    if name.is_empty() { take.roll.clone().unwrap_or_default() } else { name }
}

/// Writes a measured figure for people: three figures or so, no trailing zeros; `None` if
/// it is not finite.
///
/// ```
/// # use platesmith::marks::figure;
/// assert_eq!(figure(234.0).as_deref(), Some("234"));
/// assert_eq!(figure(3.2000000000000006).as_deref(), Some("3.2"));
/// assert_eq!(figure(0.0784).as_deref(), Some("0.078"));
/// assert_eq!(figure(f64::NAN), None);
/// ```
pub fn figure(value: f64) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    let decimals = match value.abs() {
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 1.0 => 2,
        size if size >= 0.01 => 3,
        _ => 6,
    };
    let text = format!("{value:.decimals$}");
    let text =
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    Some(if text == "-0" { "0".into() } else { text.into() })
}

/// Shortens a text to `limit` characters at the end of a word, without a dangling sign.
///
/// A first word longer than `limit` is the one thing that is cut inside.
pub fn shortened(text: &str, limit: usize) -> String {
    if text.chars().count() <= limit {
        return text.to_string();
    }
    let head: String = text.chars().take(limit + 1).collect();
    let kept = match head.rfind(char::is_whitespace) {
        Some(at) => head[..at].trim_end_matches([' ', ',', ';', ':', '(', '-']).to_string(),
        None => head.chars().take(limit).collect(),
    };
    if kept.is_empty() { head.chars().take(limit).collect() } else { kept }
}

/// Keeps both ends of a name: what tells two shots of one scene apart is the end.
fn shortened_name(name: &str) -> String {
    if name.len() <= LONGEST_SHOT {
        return name.to_string();
    }
    let end = LONGEST_SHOT / 2 - 1;
    format!("{}..{}", &name[..end], &name[name.len() - end..])
}

/// One line of printable ASCII: white space and control characters become one space, any
/// other letter `_`.
fn ascii(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            letter if letter.is_whitespace() || letter.is_control() => {
                if !line.is_empty() && !line.ends_with(' ') {
                    line.push(' ');
                }
            }
            letter if letter.is_ascii() => line.push(letter),
            _ => line.push('_'),
        }
    }
    line.trim_end().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_shortened_between_words() {
        assert_eq!(shortened("camera moved 3.2 px, limit", 21), "camera moved 3.2 px");
        assert_eq!(shortened("camera moved 3.2 px", 19), "camera moved 3.2 px");
        assert_eq!(shortened("camera moved", 9), "camera");
        assert_eq!(shortened("camera (moved)", 8), "camera");
        assert_eq!(shortened("incomprehensible", 5), "incom");
    }

    #[test]
    fn only_printable_ascii_is_left() {
        assert_eq!(ascii("a\tb\r\n c\u{0}d"), "a b c d");
        assert_eq!(ascii("Ö\u{202e}x"), "__x");
    }

    #[test]
    fn a_long_name_keeps_both_ends() {
        let name = shortened_name(&format!("{}_0010", "A".repeat(100)));
        assert_eq!(name.len(), LONGEST_SHOT);
        assert!(name.starts_with("AAAA") && name.ends_with("A_0010"));
    }
}
