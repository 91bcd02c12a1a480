//! What stands in one cell of a log: ranges, plates, takes served, polygons. Each reader
//! has its writer beside it, and the two undo each other.

use super::{PlateKind, PlateNote, Point, PointRange, Report, ServedTake, Serves, Unusable, Wrong};
use crate::error::shown;
use crate::time::Rate;

/// Longest piece of a cell quoted in a message.
pub(super) const QUOTED: usize = 60;

/// What was read of one item of a cell.
type Said<T> = Result<T, Wrong>;

/// Cuts a cell at a sign, but not inside quotation marks. Blank pieces are left out.
fn pieces(cell: &str, sign: char) -> Vec<&str> {
    cut(cell, sign).into_iter().map(str::trim).filter(|piece| !piece.is_empty()).collect()
}

/// Cuts text at a sign outside of quotation marks; a mark counts only where a word begins.
fn cut(text: &str, sign: char) -> Vec<&str> {
    let (mut parts, mut from, mut quoted, mut word_begins) = (Vec::new(), 0, false, true);
    for (at, letter) in text.char_indices() {
        if letter == '"' && (quoted || word_begins) {
            quoted = !quoted;
        } else if letter == sign && !quoted {
            parts.push(&text[from..at]);
            from = at + letter.len_utf8();
        }
        // After a closing mark a second one reopens the word: a doubled mark is one mark.
        word_begins =
            letter.is_whitespace() || matches!(letter, '|' | '/') || (letter == '"' && !quoted);
    }
    if quoted && text[from..].contains(sign) {
        // A mark that is never closed is a letter.
        let rest = &text[from..];
        parts.extend(rest.split(sign));
        return parts;
    }
    parts.push(&text[from..]);
    parts
}

/// Takes the marks off a quoted word; doubled marks inside are one.
fn unquoted(word: &str) -> String {
    match word.strip_prefix('"').and_then(|word| word.strip_suffix('"')) {
        Some(inside) => inside.replace("\"\"", "\""),
        None => word.to_string(),
    }
}

/// Puts marks around a word that holds a sign of the cell, or blanks.
fn quoted(word: &str) -> String {
    let plain = !word.is_empty()
        && !word.contains(|letter: char| letter.is_whitespace() || "\"|/-".contains(letter));
    if plain { word.to_string() } else { format!("\"{}\"", word.replace('"', "\"\"")) }
}

/// Tells whether a cell says in words that there is none.
pub(super) fn says_none(cell: &str) -> bool {
    ["no", "none"].iter().any(|word| cell.trim().eq_ignore_ascii_case(word))
}

fn is_dash(letter: char) -> bool {
    matches!(letter, '-' | '\u{2010}'..='\u{2015}' | '\u{2212}')
}

/// Reads `in-out` at the head of a text and returns what follows it.
fn leading_range(text: &str) -> Said<(PointRange, &str)> {
    let whole = text.trim();
    let stop = |letter: char| letter.is_whitespace() || is_dash(letter);
    let lone = || {
        Wrong::new(
            format!("\"{}\" is not a range", shown(whole, QUOTED)),
            "write in and out point with a hyphen between them: 10:12:08:00-10:14:02:00 or #12-#60",
        )
    };
    let (start, rest) = whole.split_at(whole.find(stop).ok_or_else(lone)?);
    let rest = rest.trim_start().strip_prefix(is_dash).ok_or_else(lone)?.trim_start();
    let (end, rest) = rest.split_at(rest.find(char::is_whitespace).unwrap_or(rest.len()));
    if start.is_empty() || end.is_empty() || end.starts_with(is_dash) {
        return Err(lone());
    }
    let start = point(start)?;
    let end = match (&start, end.parse()) {
        (Point::FileFrame(_), Ok(number)) => Point::FileFrame(number),
        _ => point(end)?,
    };
    Ok((PointRange { start, end }, rest.trim()))
}

/// Reads one point in time.
pub(super) fn point(text: &str) -> Said<Point> {
    Point::try_from(text.to_string()).map_err(|_| {
        let fault = format!("\"{}\" is not a file frame", shown(text, QUOTED));
        Wrong::new(fault, "write # and a whole number, counted from 0 at the file's first frame")
    })
}

/// Reads the ranges of a cell.
pub(super) fn ranges(cell: &str) -> Vec<Said<PointRange>> {
    let one = |piece| match leading_range(piece)? {
        (range, "") => Ok(range),
        (_, rest) => Err(Wrong::new(
            format!("\"{}\" follows the range \"{}\"", shown(rest, QUOTED), shown(piece, QUOTED)),
            "put | between ranges, and notes into the remarks",
        )),
    };
    pieces(cell, '|').into_iter().map(one).collect()
}

/// Writes a range as it is read.
pub(super) fn range_text(range: &PointRange) -> String {
    let (start, end) = range.clone().into();
    format!("{}-{}", String::from(start), String::from(end))
}

/// Reads the plates of a cell: ranges, or `head 3s`, `tail NG`, `take A014C009 roll A014`.
pub(super) fn plates(cell: &str) -> Vec<Said<PlateNote>> {
    pieces(cell, '|').into_iter().map(plate).collect()
}

fn plate(piece: &str) -> Said<PlateNote> {
    let unread = || {
        Wrong::new(
            format!("\"{}\" is not a plate", shown(piece, QUOTED)),
            "write a range, head or tail with its length (head 3s), take with its clip \
             (take A014C009), NG for no good, or none",
        )
    };
    let words: Vec<&str> = cut(piece, ' ')
        .into_iter()
        .flat_map(outer_blanks)
        .filter(|word| !word.is_empty())
        .collect();
    let mut note = PlateNote::BARE;
    let mut times = String::new();
    let mut at = 0;
    while let Some(word) = words.get(at) {
        let next = words.get(at + 1).copied();
        let lower = word.to_lowercase();
        at += 1;
        match lower.as_str() {
            "head" if note.kind.is_none() => note.kind = Some(PlateKind::Head),
            "tail" if note.kind.is_none() => note.kind = Some(PlateKind::Tail),
            "take" if note.kind.is_none() => {
                note.kind = Some(PlateKind::Take);
                if let Some(clip) = next.filter(|word| names_a_clip(word)) {
                    note.clip = Some(unquoted(clip));
                    at += 1;
                }
            }
            "roll" if note.roll.is_none() => {
                note.roll = Some(unquoted(next.ok_or_else(unread)?));
                at += 1;
            }
            "ng" => note.good = false,
            _ if note.tolerance.is_none() && within(&lower).is_some() => {
                note.tolerance = within(&lower);
            }
            "ok" | "good" => note.good = true,
            "no" if next.is_some_and(|word| word.eq_ignore_ascii_case("good")) => {
                note.good = false;
                at += 1;
            }
            _ => match seconds(&lower, next) {
                Some((length, taken)) if note.seconds.is_none() => {
                    note.seconds = Some(length);
                    at += taken;
                }
                _ => {
                    times.push_str(word);
                    times.push(' ');
                }
            },
        }
    }
    if !times.is_empty() {
        if note.kind.is_some() && !times.contains(is_dash) {
            return Err(unread());
        }
        let (range, rest) = leading_range(&times).map_err(|_| unread())?;
        if !rest.is_empty() {
            return Err(unread());
        }
        note.range = Some(range);
    }
    Ok(note)
}

/// Cuts at any blank unless the word is quoted.
fn outer_blanks(word: &str) -> Vec<&str> {
    if word.starts_with('"') { vec![word] } else { word.split_whitespace().collect() }
}

/// Tells whether the word after `take` is a clip, not a length, range or judgement.
fn names_a_clip(word: &str) -> bool {
    let lower = word.to_lowercase();
    let sign = lower.starts_with('#') || lower.contains(':') || lower.starts_with(is_dash);
    (!sign || word.starts_with('"'))
        && within(&lower).is_none()
        && !["ng", "ok", "good", "no", "roll", "head", "tail", "take"].contains(&lower.as_str())
        && seconds(&lower, None).is_none()
}

/// Reads `3s`, `2.5 s`, `2,5sec`; returns the length and how many words after it belong to it.
pub(super) fn seconds(word: &str, next: Option<&str>) -> Option<(f64, usize)> {
    let unit = |text: &str| matches!(text, "s" | "sec" | "secs" | "second" | "seconds");
    let digits = word.trim_end_matches(|letter: char| letter.is_alphabetic());
    let taken = match &word[digits.len()..] {
        "" => next.is_some_and(|next| unit(&next.to_lowercase())).then_some(1)?,
        text => unit(text).then_some(0)?,
    };
    let length: f64 = digits.replace(',', ".").parse().ok()?;
    (length.is_finite() && length > 0.0).then_some((length, taken))
}

/// Reads `+-48`: frames by which times marked by hand may be off.
fn within(word: &str) -> Option<u32> {
    word.strip_prefix("+-").or_else(|| word.strip_prefix('\u{b1}'))?.parse().ok()
}

/// Writes a plate as it is read.
pub(super) fn plate_text(plate: &PlateNote) -> String {
    let mut words = Vec::new();
    match plate.kind {
        Some(PlateKind::Head) => words.push("head".to_string()),
        Some(PlateKind::Tail) => words.push("tail".to_string()),
        Some(PlateKind::Take) => words.push("take".to_string()),
        None => {}
    }
    words.extend(plate.clip.as_deref().map(forced));
    if let Some(roll) = &plate.roll {
        words.push(format!("roll {}", forced(roll)));
    }
    words.extend(plate.seconds.map(|length| format!("{length}s")));
    words.extend(plate.range.as_ref().map(range_text));
    words.extend(plate.tolerance.map(|frames| format!("+-{frames}")));
    if !plate.good {
        words.push("NG".into());
    } else if words.is_empty() {
        words.push("good".into());
    }
    words.join(" ")
}

/// Quotes a name that would read as something else.
fn forced(name: &str) -> String {
    if names_a_clip(name) { quoted(name) } else { format!("\"{}\"", name.replace('"', "\"\"")) }
}

/// Reads `all`, or takes as `scene/slate/take`.
pub(super) fn serves(cell: &str) -> (Serves, Vec<Wrong>) {
    if cell.trim().eq_ignore_ascii_case("all") {
        return (Serves::All, Vec::new());
    }
    let (mut takes, mut wrong) = (Vec::new(), Vec::new());
    for piece in pieces(cell, '|') {
        let parts: Vec<Option<String>> = cut(piece, '/')
            .into_iter()
            .map(|part| Some(unquoted(part.trim())).filter(|part| !part.is_empty()))
            .collect();
        match <[Option<String>; 3]>::try_from(parts) {
            Ok([scene, slate, take]) if scene.is_some() || slate.is_some() || take.is_some() => {
                takes.push(ServedTake { scene, slate, take });
            }
            _ => wrong.push(Wrong::new(
                format!("\"{}\" is not a take that is served", shown(piece, QUOTED)),
                "write scene/slate/take, leaving blank what is not known (12//3), or all",
            )),
        }
    }
    (if takes.is_empty() { Serves::Itself } else { Serves::Takes(takes) }, wrong)
}

/// Writes the takes served as they are read.
pub(super) fn serves_text(serves: &Serves) -> String {
    let part = |part: &Option<String>| part.as_deref().map_or(String::new(), quoted);
    match serves {
        Serves::Itself => String::new(),
        Serves::All => "all".into(),
        Serves::Takes(takes) => {
            let one = |t: &ServedTake| [part(&t.scene), part(&t.slate), part(&t.take)].join("/");
            takes.iter().map(one).collect::<Vec<_>>().join(" | ")
        }
    }
}

/// Reads frames not to be used: a range, then the reason.
pub(super) fn unusable(cell: &str) -> Vec<Said<Unusable>> {
    let one =
        |piece| leading_range(piece).map(|(range, why)| Unusable { range, why: unquoted(why) });
    pieces(cell, '|').into_iter().map(one).collect()
}

/// Writes frames not to be used as they are read.
pub(super) fn unusable_text(unusable: &Unusable) -> String {
    let range = range_text(&unusable.range);
    let why = &unusable.why;
    if why.is_empty() {
        range
    } else if why.contains(['|', '"']) {
        format!("{range} \"{}\"", why.replace('"', "\"\""))
    } else {
        format!("{range} {why}")
    }
}

/// Reads corners as `x,y` with blanks between them, in shares of width and height.
pub(super) fn region(cell: &str) -> Said<Vec<[f64; 2]>> {
    let corner = |pair: &str| {
        let (x, y) = pair.split_once(',')?;
        Some([x.trim().parse().ok()?, y.trim().parse().ok()?])
    };
    let corners: Option<Vec<[f64; 2]>> = cell.split_whitespace().map(corner).collect();
    corners.map_or_else(|| Err(no_region(cell)), |corners| checked_region(corners, cell))
}

/// Refuses polygons with fewer than three corners or corners outside the frame.
pub(super) fn checked_region(corners: Vec<[f64; 2]>, text: &str) -> Said<Vec<[f64; 2]>> {
    let inside = corners.iter().flatten().all(|share| (0.0..=1.0).contains(share));
    if corners.len() >= 3 && inside { Ok(corners) } else { Err(no_region(text)) }
}

fn no_region(text: &str) -> Wrong {
    Wrong::new(
        format!("\"{}\" is not a region", shown(text, QUOTED)),
        "write three or more corners as x,y in shares of width and height: 0.1,0 0.3,0 0.3,0.4",
    )
}

/// Writes a polygon as it is read.
pub(super) fn region_text(corners: &[[f64; 2]]) -> String {
    let corner = |[x, y]: &[f64; 2]| format!("{x},{y}");
    corners.iter().map(corner).collect::<Vec<_>>().join(" ")
}

/// Reads a raster such as `3840x2160`.
pub(super) fn capture(cell: &str) -> Said<(u32, u32)> {
    let sides = cell.split_once(['x', 'X', '\u{d7}', '*']);
    let side = |text: &str| text.trim().parse::<u32>().ok().filter(|side| *side > 0);
    sides.and_then(|(w, h)| Some((side(w)?, side(h)?))).ok_or_else(|| {
        Wrong::new(
            format!("\"{}\" is not a raster", shown(cell, QUOTED)),
            "write width and height in pixels: 3840x2160",
        )
    })
}

/// Reads a rate; `fps` after it and a decimal comma are allowed.
pub(super) fn rate(cell: &str) -> Said<Rate> {
    let lower = cell.trim().to_lowercase();
    let number = lower.strip_suffix("fps").or(lower.strip_suffix('p')).unwrap_or(&lower);
    Rate::parse(&number.replace(',', ".")).ok_or_else(|| {
        Wrong::new(
            format!("\"{}\" is not a frame rate", shown(cell, QUOTED)),
            "write frames a second: 24, 23.976 or 24000/1001",
        )
    })
}

/// Reads the kind of report a record comes from.
pub(super) fn report(cell: &str) -> Said<Report> {
    Report::parse(cell).ok_or_else(|| {
        Wrong::new(
            format!("\"{}\" is not a kind of report", shown(cell, QUOTED)),
            "write sound, camera or script, or leave it blank for a plate log",
        )
    })
}

/// Reads a tolerance in whole frames.
pub(super) fn tolerance(cell: &str) -> Said<u32> {
    let number = cell.trim().trim_end_matches("frames").trim_end_matches("frame");
    number.trim().parse().map_err(|_| {
        Wrong::new(
            format!("\"{}\" is not a number of frames", shown(cell, QUOTED)),
            "write the tolerance in whole frames: 48",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(start: &str, end: &str) -> PointRange {
        (Point::Timecode(start.into()), Point::Timecode(end.into())).into()
    }

    #[test]
    fn ranges_are_read_in_any_spacing_and_with_any_dash() {
        let wanted = label("10:12:08:00", "10:14:02:00");
        for cell in [
            "10:12:08:00-10:14:02:00",
            " 10:12:08:00 - 10:14:02:00 ",
            "10:12:08:00 \u{2013}10:14:02:00|",
            "| 10:12:08:00\u{2014} 10:14:02:00",
        ] {
            assert_eq!(ranges(cell), [Ok(wanted.clone())], "{cell}");
        }
        let frames = PointRange { start: Point::FileFrame(12), end: Point::FileFrame(60) };
        assert_eq!(ranges("#12-#60 | #12 - 60"), [Ok(frames.clone()), Ok(frames)]);
    }

    #[test]
    fn half_a_range_is_refused() {
        for cell in ["10:12:08:00", "10:12:08:00-", "-10:12:08:00", "a--b", "#x-#y", "1-2-3 4-5"] {
            assert!(ranges(cell).iter().any(Result::is_err), "{cell}");
        }
    }

    #[test]
    fn plates_are_read_as_they_are_called_on_set() {
        let none = PlateNote::BARE;
        let times = Some(label("10:12:08:00", "10:14:02:00"));
        let frames = PointRange { start: Point::FileFrame(0), end: Point::FileFrame(41) };
        let head = Some(PlateKind::Head);
        let tail = Some(PlateKind::Tail);
        let take = Some(PlateKind::Take);
        for (cell, wanted) in [
            ("head 3s", PlateNote { kind: head, seconds: Some(3.0), ..none.clone() }),
            ("HEAD 2,5 sec", PlateNote { kind: head, seconds: Some(2.5), ..none.clone() }),
            ("tail NG", PlateNote { kind: tail, good: false, ..none.clone() }),
            ("tail no good", PlateNote { kind: tail, good: false, ..none.clone() }),
            (
                "tail 10:12:08:00 - 10:14:02:00",
                PlateNote { kind: tail, range: times.clone(), ..none.clone() },
            ),
            ("head #0-#41", PlateNote { kind: head, range: Some(frames), ..none.clone() }),
            (
                "take A014C009",
                PlateNote { kind: take, clip: Some("A014C009".into()), ..none.clone() },
            ),
            (
                "take \"A 9\" roll A014 5s NG",
                PlateNote {
                    kind: take,
                    clip: Some("A 9".into()),
                    roll: Some("A014".into()),
                    seconds: Some(5.0),
                    good: false,
                    ..none.clone()
                },
            ),
            ("NG", PlateNote { good: false, ..none.clone() }),
            ("10:12:08:00-10:14:02:00 NG", PlateNote { range: times, good: false, ..none.clone() }),
        ] {
            assert_eq!(plates(cell), [Ok(wanted.clone())], "{cell}");
            assert_eq!(plates(&plate_text(&wanted)), [Ok(wanted)], "{cell} written and read");
        }
    }

    #[test]
    fn words_that_are_no_plate_are_refused() {
        for cell in ["heed 3s", "head tail", "3", "head -3s", "take A1 B2", "roll", "head 3m"] {
            assert!(plates(cell).iter().any(Result::is_err), "{cell}");
        }
    }

    #[test]
    fn takes_served_keep_what_is_not_known_blank() {
        let (read, wrong) = serves("12/4/3 | //5 | \"1/2\"//1");
        assert!(wrong.is_empty());
        let take = |scene: Option<&str>, slate: Option<&str>, take: Option<&str>| ServedTake {
            scene: scene.map(String::from),
            slate: slate.map(String::from),
            take: take.map(String::from),
        };
        let wanted = Serves::Takes(vec![
            take(Some("12"), Some("4"), Some("3")),
            take(None, None, Some("5")),
            take(Some("1/2"), None, Some("1")),
        ]);
        assert_eq!(read, wanted);
        assert_eq!(serves(&serves_text(&wanted)).0, wanted);
        assert_eq!(serves("ALL").0, Serves::All);
        assert_eq!(serves("12/3").1.len(), 1);
        assert_eq!(serves("//").1.len(), 1);
    }

    #[test]
    fn rasters_rates_and_corners_outside_all_sense_are_refused() {
        assert_eq!(capture("3840 \u{d7} 2160"), Ok((3840, 2160)));
        assert!(capture("0x2160").is_err() && capture("UHD").is_err());
        assert_eq!(rate("23,976 fps").map(|rate| rate.to_string()), Ok("24000/1001".into()));
        assert!(rate("fast").is_err() && rate("0").is_err());
        assert_eq!(region("0.1,0 0.3,0 0.3,0.4").map(|corners| corners.len()), Ok(3));
        for cell in ["0.1,0 0.3,0", "0,0 1,0 1,2", "0 0 1", "nan,0 0,0 0,1"] {
            assert!(region(cell).is_err(), "{cell}");
        }
    }
}
