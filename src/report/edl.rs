//! `pulls.edl`: the pulls as edit decision lists, for programs that read nothing newer.
//!
//! Event lines have the columns of SMPTE ST 258M (from a general-purpose reader, checked in
//! the tests; the comment lines are common practice, no source). Every source frame is listed
//! once at speed 1: readers disagree about speed lines, so a retime is a comment. The record
//! side is a string-out from 01:00:00:00, since a list has one track and shots may overlap;
//! where a shot sits in the cut is said in a comment.

use super::cells::{one_line, path_cell, rows, text_cell};
use super::clock::cut_label;
use super::elements::{Element, of_use};
use super::words::speed_words;
use crate::error::Faults;
use crate::findings::Findings;
use crate::marks::marker_colour;
use crate::settings::EdlReels;
use crate::time::{Counting, Frame, FrameRange, Rate};

/// Most events of one list: the number has three figures.
const MOST_EVENTS: usize = 999;
/// Longest reel name of an event line of 76 columns.
const SHORT_REEL: usize = 8;
/// Reel widths of longer event lines in use, which number their events with six figures.
const LONG_REELS: [usize; 2] = [32, 128];
/// Names that mean something else than a reel.
const RESERVED: [&str; 3] = ["AX", "BL", "BARS"];

/// Returns the lists with their file names: `pulls.edl` at the cut's rate (if nothing has
/// that, at the rate met first), `pulls_RATE.edl` and `pulls_RATE_drop.edl` for others. A list
/// of more than 999 events is parted: `pulls-001.edl`, `pulls-002.edl`. With short reel names
/// `pulls.reels.csv` says what each stands for.
///
/// Labels are source timecode, out points the frame after the last; files without timecode
/// count from 00:00:00:00. Sources at 100 frames a second or more have no such labels and are
/// in `pulls.csv` alone.
///
/// # Errors
///
/// Only if the map of reels cannot be written.
pub fn lists(findings: &Findings) -> Result<Vec<(String, Vec<u8>)>, Faults> {
    let mut reels = Reels { strict: findings.settings.edl == EdlReels::Strict, known: Vec::new() };
    let mut lists: Vec<List> = Vec::new();
    for (at, found) in findings.uses.iter().enumerate() {
        for element in of_use(findings, found) {
            let Some(event) = Event::of(findings, at, &element, &mut reels) else { continue };
            match lists.iter_mut().find(|list| list.counting == event.counting) {
                Some(list) => list.events.push(event),
                None => lists.push(List { counting: event.counting, events: vec![event] }),
            }
        }
    }
    let main = lists.iter().position(|list| list.counting.rate() == findings.cut.rate);
    let mut files = Vec::new();
    for (at, list) in lists.iter().enumerate() {
        let name = if at == main.unwrap_or(0) { "pulls".into() } else { list.name() };
        files.extend(list.files(&name, &one_line(&findings.cut.name)));
    }
    if lists.is_empty() {
        files.push(("pulls.edl".into(), header(&findings.cut.name, false).into_bytes()));
    }
    if reels.strict {
        files.push(("pulls.reels.csv".into(), reels.bytes()?));
    }
    Ok(files)
}

/// Tells whether a file name is one that [`lists`] gives.
pub(super) fn is_list(name: &str) -> bool {
    let Some(stem) = name.strip_suffix(".edl") else { return name == "pulls.reels.csv" };
    let Some(rest) = stem.strip_prefix("pulls") else { return false };
    let (rest, page) = rest.rsplit_once('-').unwrap_or((rest, "001"));
    let rate = rest.strip_prefix('_').map(|rate| rate.strip_suffix("_drop").unwrap_or(rate));
    let is_rate = |rate: &str| !rate.is_empty() && rate.parse::<f64>().is_ok();
    page.len() == 3
        && page.bytes().all(|figure| figure.is_ascii_digit())
        && (rest.is_empty() || rate.is_some_and(is_rate))
}

/// One list: all events that count alike.
struct List {
    counting: Counting,
    events: Vec<Event>,
}

impl List {
    fn name(&self) -> String {
        let drop = if self.counting.is_drop() { "_drop" } else { "" };
        format!("pulls_{}{drop}", decimals(self.counting.rate()))
    }

    /// Parts the list where it grows too long; the elements of a shot stay together.
    fn files(&self, name: &str, title: &str) -> Vec<(String, Vec<u8>)> {
        let mut pages: Vec<Vec<&Event>> = vec![Vec::new()];
        for shot in self.events.chunk_by(|a, b| a.use_at == b.use_at) {
            if pages.last().is_none_or(|page| page.len() + shot.len() > MOST_EVENTS) {
                pages.push(Vec::new());
            }
            pages.last_mut().into_iter().for_each(|page| page.extend(shot));
        }
        let is_one = pages.len() == 1;
        let page = |(at, page): (usize, Vec<&Event>)| {
            let number = if is_one { String::new() } else { format!("-{:03}", at + 1) };
            (format!("{name}{number}.edl"), self.text(&page, title).into_bytes())
        };
        pages.into_iter().enumerate().map(page).collect()
    }

    fn text(&self, events: &[&Event], title: &str) -> String {
        let longest = events.iter().map(|event| event.reel.len()).max().unwrap_or(0);
        let width = LONG_REELS.iter().copied().find(|width| longest <= *width);
        let (reel, number) = match width {
            _ if longest <= SHORT_REEL => (SHORT_REEL, 3),
            width => (width.unwrap_or(LONG_REELS[1]), 6),
        };
        let hour = Frame(3600 * i64::from(self.counting.base()));
        let mut at = self.counting.frame("01:00:00:00").unwrap_or(hour);
        let mut text = header(title, self.counting.is_drop());
        for (index, event) in events.iter().enumerate() {
            let frames = i64::try_from(event.range.count().0).unwrap_or(i64::MAX);
            let end = Frame(at.0.saturating_add(frames));
            let label = |frame| self.counting.label(frame);
            let (from, to) = (label(event.range.start), label(event.range.end));
            text.push_str(&format!(
                "{:0number$}  {:<reel$} {:<4}  {:<4} {:3} {from} {to} {} {}\n",
                index + 1,
                event.reel,
                "V",
                "C",
                "",
                label(at),
                label(end),
            ));
            text.push_str(&event.comments(&label(at)));
            at = end;
        }
        text
    }
}

fn header(title: &str, drop: bool) -> String {
    let counting = if drop { "DROP FRAME" } else { "NON-DROP FRAME" };
    format!("TITLE: {}\nFCM: {counting}\n", ascii(&format!("{} pulls", title.trim()), ' '))
}

/// A rate as people write it: `23.976`.
fn decimals(rate: Rate) -> String {
    let text = format!("{:.3}", rate.as_f64());
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// One element as an event.
struct Event {
    use_at: usize,
    counting: Counting,
    range: FrameRange,
    reel: String,
    clip: String,
    remark: String,
    retime: Option<String>,
}

impl Event {
    fn of(
        findings: &Findings,
        use_at: usize,
        element: &Element<'_>,
        reels: &mut Reels,
    ) -> Option<Event> {
        let found = element.found;
        let (counting, range) = labelled(element)?;
        let (head, tail) = element.handles;
        let handles = match element.name {
            "BG" => format!(" HANDLES {head}+{tail}"),
            _ => String::new(),
        };
        let cut = cut_label(&findings.cut, found.range_in_cut.start);
        let speed = found.speed.as_deref();
        Some(Event {
            use_at,
            counting,
            range,
            reel: reels.name(element),
            clip: ascii(element.clip, '?'),
            remark: ascii(
                &format!(
                    "{} {} {}{handles} CUT {cut}",
                    marker_colour(found.verdict).unwrap_or("WHITE"),
                    found.shot,
                    element.name
                ),
                '?',
            ),
            retime: Some(speed_words(speed)).filter(|_| speed != Some("1")),
        })
    }

    fn comments(&self, at: &str) -> String {
        let mut text = String::new();
        if !self.clip.trim().is_empty() {
            text.push_str(&format!("* FROM CLIP NAME: {}\n", self.clip));
        }
        text.push_str(&format!("* LOC: {at} {}\n", self.remark));
        if let Some(retime) = &self.retime {
            text.push_str(&format!("* RETIME IN THE CUT: {}\n", ascii(retime, '?')));
        }
        text
    }
}

/// How an element's frames are labelled, and the frames that are.
fn labelled(element: &Element<'_>) -> Option<(Counting, FrameRange)> {
    let rate = element.rate.filter(|rate| rate.nominal() < 100)?;
    Some(match element.clock.counting() {
        Some(counting) => (Counting::new(rate, counting.is_drop()), element.range),
        None => {
            let zero = element.clock.zero();
            let range = element.range;
            let from_file = FrameRange::new(
                range.start.0.saturating_sub(zero),
                range.end.0.saturating_sub(zero),
            );
            (Counting::new(rate, false), element.in_file.unwrap_or(from_file))
        }
    })
}

fn ascii(text: &str, other: char) -> String {
    let plain = |letter: char| if letter.is_ascii_graphic() { letter } else { other };
    text.chars().map(|letter| if letter == ' ' { ' ' } else { plain(letter) }).collect()
}

/// The reel names given so far.
struct Reels {
    strict: bool,
    known: Vec<Reel>,
}

/// A reel: its name in the lists, and what it stands for.
struct Reel {
    name: String,
    full: String,
    clip: String,
    roll: String,
    file: String,
}

impl Reels {
    /// Returns the reel of an element: the name of its media file without ending, else the
    /// camera's clip, else the roll. Files of digital cameras are found by it.
    fn name(&mut self, element: &Element<'_>) -> String {
        let full = full_name(element);
        if let Some(reel) = self.known.iter().find(|reel| reel.full == full) {
            return reel.name.clone();
        }
        let name = self.unique(&full);
        self.known.push(Reel {
            name: name.clone(),
            full,
            clip: element.clip.into(),
            roll: element.roll.into(),
            file: element.file.into(),
        });
        name
    }

    /// Makes a name fit and differ from all others.
    fn unique(&self, full: &str) -> String {
        let width = if self.strict { SHORT_REEL } else { LONG_REELS[1] };
        let letter = |letter: char| match letter {
            letter if letter.is_ascii_alphanumeric() || letter == '_' => letter,
            '-' | '.' if !self.strict => letter,
            _ => '_',
        };
        let mut plain: String = full.chars().map(letter).collect();
        if self.strict {
            plain.make_ascii_uppercase();
        }
        let is_free = |name: &str| {
            !RESERVED.contains(&name) && self.known.iter().all(|reel| reel.name != name)
        };
        let short: String = plain.chars().take(width).collect();
        if !short.is_empty() && is_free(&short) {
            return short;
        }
        let numbered = |number: u32| {
            let number = number.to_string();
            let stem: String = plain.chars().take(width.saturating_sub(number.len() + 1)).collect();
            format!("{stem}_{number}")
        };
        (2..).map(numbered).find(|name| is_free(name)).unwrap_or(short)
    }

    fn bytes(&self) -> Result<Vec<u8>, Faults> {
        let headings = ["reel", "full_name", "clip", "roll", "source_file"].map(String::from);
        let row = |reel: &Reel| {
            let file = path_cell(&reel.file);
            [
                text_cell(&reel.name),
                text_cell(&reel.full),
                text_cell(&reel.clip),
                text_cell(&reel.roll),
                file,
            ]
        };
        rows(b',', std::iter::once(headings).chain(self.known.iter().map(row)))
    }
}

fn full_name(element: &Element<'_>) -> String {
    let file = element.file.rsplit(['/', '\\']).next().unwrap_or_default();
    let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
    let candidates = [stem, element.clip, element.roll];
    let name = candidates.iter().find(|name| !name.trim().is_empty());
    one_line(name.map_or("AX", |name| name.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_lists_are_known_by_name_and_others_are_not() {
        for ours in ["pulls.edl", "pulls-002.edl", "pulls_23.976.edl", "pulls_29.97_drop-001.edl"] {
            assert!(is_list(ours), "{ours}");
        }
        for other in ["pulls_mine.edl", "pulls-2.edl", "pulls.csv", "my_pulls.edl", "pulls_.edl"] {
            assert!(!is_list(other), "{other}");
        }
    }

    #[test]
    fn rates_are_written_as_people_say_them() {
        let rate = |num, den| Rate::new(num, den).expect("a rate");
        assert_eq!(decimals(rate(24000, 1001)), "23.976");
        assert_eq!(decimals(rate(30000, 1001)), "29.97");
        assert_eq!(decimals(rate(50, 1)), "50");
    }

    #[test]
    fn short_reels_stay_apart() {
        let mut reels = Reels { strict: true, known: Vec::new() };
        for full in ["A014C007_251126", "a014c007_251127", "AX", "ä"] {
            let name = reels.unique(full);
            assert!(name.len() <= SHORT_REEL, "{name}");
            let text = String::new;
            reels.known.push(Reel {
                name,
                full: full.into(),
                clip: text(),
                roll: text(),
                file: text(),
            });
        }
        let names: Vec<&str> = reels.known.iter().map(|reel| reel.name.as_str()).collect();
        assert_eq!(names, ["A014C007", "A014C0_2", "AX_2", "_"]);
    }
}
