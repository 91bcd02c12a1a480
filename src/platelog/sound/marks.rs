//! What in a sound file says that a plate was rolled, strongest first: sync points whose
//! comment names a plate; cue points and regions labelled so; marks that are only numbered,
//! in pairs, with a note that names a plate; the note itself.
//!
//! All of it is a hand on a button or on a keyboard: a claim, never a bound.

use super::super::PlateNote;
use super::super::words::{self, kind_of};
use super::cues::Cue;
use super::ixml::SyncPoint;

/// Sync points that mark something else than what somebody saw.
const OTHER_POINTS: [&str; 4] =
    ["PRE_RECORD_SAMPLECOUNT", "SLATE_GENERIC", "HEAD_SLATE", "GROUP_OFFSET"];

/// One plate as it is marked.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// What it says but for its times.
    pub note: PlateNote,
    /// Its samples from the file's first, if two points or a length bound it.
    pub span: Option<(u64, u64)>,
    /// Where it was found, in words.
    pub found: &'static str,
}

/// One point on the recorder's clock.
struct Press {
    at: u64,
    length: u64,
    text: String,
}

/// Finds the marks of one file. `first` is the sample since midnight at its start; `note`
/// what somebody wrote about the take.
pub fn marks(
    points: &[SyncPoint],
    cues: &[Cue],
    first: u64,
    note: &str,
    plate_words: &[String],
) -> Vec<Mark> {
    let presses: Vec<Press> = points
        .iter()
        .filter(|point| !OTHER_POINTS.contains(&point.function.as_str()))
        .filter_map(|point| {
            let at = if point.absolute { point.at.checked_sub(first)? } else { point.at };
            Some(Press { at, length: point.length, text: point.comment.clone() })
        })
        .collect();
    let cue = |cue: &Cue| Press { at: cue.at, length: cue.length, text: cue.text.clone() };
    let cued: Vec<Press> = cues.iter().map(cue).collect();
    for (list, found) in [(&presses, "sync points"), (&cued, "cue points")] {
        let marks = labelled(list, plate_words, found);
        if !marks.is_empty() {
            return marks;
        }
    }
    let noted = words::plates_in(note, plate_words);
    if noted.iter().any(|note| note.good && note.range.is_none()) {
        for (list, found) in [(&presses, "sync points in pairs"), (&cued, "cue points in pairs")] {
            if let Some(marks) = numbered(list, &noted, found) {
                return marks;
            }
        }
    }
    noted.into_iter().map(|note| Mark { note, span: None, found: "note" }).collect()
}

/// Which edge of a plate a point marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Edge {
    In,
    Out,
}

/// What a label says.
struct Label {
    note: PlateNote,
    edge: Option<Edge>,
}

/// Reads a label; `None` if it does not name a plate.
fn label(text: &str, plate_words: &[String]) -> Option<Label> {
    if !words::names_plate(text, plate_words) {
        return None;
    }
    let lower = text.to_lowercase();
    let list: Vec<&str> =
        lower.split(|letter: char| !letter.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    let (mut edge, mut kind) = (None, None);
    for (at, word) in list.iter().enumerate() {
        // `boom out` speaks of the boom.
        let of_boom = at.checked_sub(1).and_then(|at| list.get(at)) == Some(&"boom");
        match *word {
            "in" | "start" | "begin" | "on" if !of_boom => edge = edge.or(Some(Edge::In)),
            "out" | "end" | "stop" | "off" if !of_boom => edge = edge.or(Some(Edge::Out)),
            word => kind = kind.or(kind_of(word)),
        }
    }
    let good = !list.iter().any(|word| ["ng", "bad"].contains(word));
    Some(Label { note: PlateNote { kind, good, ..PlateNote::BARE }, edge })
}

/// Marks whose own text names a plate: regions, and points in pairs.
fn labelled(presses: &[Press], plate_words: &[String], found: &'static str) -> Vec<Mark> {
    let mut named: Vec<(&Press, Label)> = presses
        .iter()
        .filter_map(|press| Some((press, label(&press.text, plate_words)?)))
        .collect();
    named.sort_by_key(|(press, _)| press.at);
    let alike = |a: &Label, b: &Label| {
        a.note.kind == b.note.kind || a.note.kind.is_none() || b.note.kind.is_none()
    };
    let mut marks = Vec::new();
    let mut at = 0;
    while let Some((press, label)) = named.get(at) {
        at += 1;
        if press.length > 0 {
            let span = Some((press.at, press.at.saturating_add(press.length)));
            marks.push(Mark { note: label.note.clone(), span, found });
            continue;
        }
        let closes = |(end, other): &&(&Press, Label)| {
            end.length == 0
                && end.at > press.at
                && alike(label, other)
                && match (label.edge, other.edge) {
                    (Some(Edge::In), edge) => edge != Some(Edge::In),
                    (None, edge) => edge != Some(Edge::In),
                    (Some(Edge::Out), _) => false,
                }
        };
        let span = named.get(at).filter(closes).map(|(end, other)| {
            at += 1;
            ((press.at, end.at), other.note.clone())
        });
        let mut note = label.note.clone();
        if let Some((_, other)) = &span {
            note.kind = note.kind.or(other.kind);
            note.good &= other.good;
        }
        marks.push(Mark { note, span: span.map(|(span, _)| span), found });
    }
    marks
}

/// Marks that are only numbered, read in pairs because the note names a plate.
fn numbered(presses: &[Press], noted: &[PlateNote], found: &'static str) -> Option<Vec<Mark>> {
    let says_nothing = |press: &&Press| {
        let text = press.text.to_lowercase();
        press.length == 0
            && text.split(|letter: char| !letter.is_alphanumeric()).all(|word| {
                ["mark", "marker", "cue", "m"].contains(&word)
                    || word.parse::<u32>().is_ok()
                    || word.is_empty()
            })
    };
    let mut points: Vec<u64> = presses.iter().filter(says_nothing).map(|press| press.at).collect();
    points.sort_unstable();
    points.dedup();
    if points.is_empty() || points.len() % 2 == 1 {
        return None;
    }
    let pairs: Vec<&[u64]> = points.chunks_exact(2).collect();
    // Which note belongs to which pair is known only if there are as many.
    let good: Vec<&PlateNote> = noted.iter().filter(|note| note.good).collect();
    let of = |at: usize| if good.len() == pairs.len() { good.get(at).copied() } else { None };
    let mark = |(at, pair): (usize, &&[u64])| Mark {
        note: of(at).cloned().unwrap_or(PlateNote::BARE),
        span: pair.first().copied().zip(pair.get(1).copied()),
        found,
    };
    Some(pairs.iter().enumerate().map(mark).collect())
}

/// Tells whether two marks are one: of one family, made at one moment.
pub fn same(a: &Mark, b: &Mark) -> bool {
    a.note == b.note && a.span == b.span
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::platelog::PlateKind;

    fn words() -> Vec<String> {
        ["PL", "PLT", "PLATE"].map(String::from).to_vec()
    }

    fn cue(at: u64, length: u64, text: &str) -> Cue {
        Cue { name: 0, at, length, text: text.into(), labelled: true }
    }

    /// Kind and samples.
    type Plate = (Option<PlateKind>, Option<(u64, u64)>);

    fn of_cues(cues: &[Cue], note: &str) -> Vec<Plate> {
        let marks = marks(&[], cues, 0, note, &words());
        marks.iter().map(|mark| (mark.note.kind, mark.span)).collect()
    }

    #[test]
    fn regions_and_pairs_of_cues_are_plates() {
        let head = Some(PlateKind::Head);
        assert_eq!(of_cues(&[cue(10, 90, "PLATE HEAD")], ""), [(head, Some((10, 100)))]);
        let pair = [cue(10, 0, "PLATE IN"), cue(100, 0, "PLATE OUT")];
        assert_eq!(of_cues(&pair, ""), [(None, Some((10, 100)))]);
        let pair = [cue(10, 0, "head PL"), cue(50, 0, "dog barks"), cue(100, 0, "head PL")];
        assert_eq!(of_cues(&pair, ""), [(head, Some((10, 100)))]);
        let lone = [cue(10, 0, "PLATE OUT"), cue(100, 0, "PLATE IN")];
        assert_eq!(of_cues(&lone, ""), [(None, None), (None, None)]);
        let boom = [cue(10, 0, "boom out PLATE HEAD in"), cue(100, 0, "PLATE HEAD out")];
        assert_eq!(of_cues(&boom, ""), [(head, Some((10, 100)))]);
    }

    #[test]
    fn numbered_marks_count_only_in_pairs_and_with_a_note() {
        let two = [cue(10, 0, "01"), cue(100, 0, "02")];
        assert_eq!(of_cues(&two, "head plate"), [(Some(PlateKind::Head), Some((10, 100)))]);
        assert_eq!(of_cues(&two, "good one"), []);
        let three = [cue(10, 0, "01"), cue(100, 0, "02"), cue(200, 0, "")];
        assert_eq!(of_cues(&three, "head plate"), [(Some(PlateKind::Head), None)]);
    }

    #[test]
    fn sync_points_go_before_cues_and_absolute_ones_count_from_midnight() {
        let point = |absolute, at, function: &str| SyncPoint {
            absolute,
            at,
            length: 50,
            function: function.into(),
            comment: "PLATE TAIL".into(),
        };
        let points = [point(true, 1_100, "MARKER_GENERIC"), point(false, 7, "HEAD_SLATE")];
        let found = marks(&points, &[cue(1, 5, "PLATE")], 1_000, "no plate", &words());
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].span, found[0].note.kind), (Some((100, 150)), Some(PlateKind::Tail)));
    }
}
