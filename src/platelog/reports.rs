//! Rows of reports: what recorders, camera assistants and script supervisors write anyway.

use super::entry::{Entry, Filling, Source};
use super::headings::{self, Column};
use super::speed::speed;
use super::words::{plate_of, plates_in, plates_of_column};
use super::{PlateNote, Point, PointRange, Report, Wrong, cells};
use crate::error::{BadInput, shown};
use crate::settings::Settings;
use crate::time::{Counting, Frame, FrameShift, Rate};
use std::borrow::Cow;

/// Words of reports from which on a table is one; a single one may be a slip in a log of ours.
const LEAST_WORDS: usize = 2;

/// How the columns of a report are read.
pub(super) struct Layout {
    columns: Vec<Option<Column>>,
    names: Vec<String>,
    kind: Report,
}

impl Layout {
    /// Returns the layout of a report; `None` if the headings are those of a plate log.
    /// `above` is what stands above the headings.
    pub fn of(headings: &[Cow<'_, str>], above: &str, settings: &Settings) -> Option<Layout> {
        let known: Vec<Option<headings::Known>> =
            headings.iter().map(|heading| headings::known(heading, settings)).collect();
        // `plate` may be a slip for our own `plates`.
        let counts =
            |known: &&headings::Known| known.foreign && known.column != Column::Key("plates");
        let foreign = known.iter().flatten().filter(counts).count();
        if foreign < LEAST_WORDS && settings.log_columns.is_empty() || foreign == 0 {
            return None;
        }
        let kind = kind(&known, &above.to_lowercase());
        let columns = known.iter().map(|known| known.map(|known| known.column)).collect();
        let names = headings.iter().map(|heading| shown(heading.trim(), cells::QUOTED)).collect();
        Some(Layout { columns, names, kind })
    }

    /// Returns the headings that are not known and may speak of plates: those of a report
    /// that do not are left out.
    pub fn unread<'a>(&self, headings: &'a [Cow<'_, str>]) -> Vec<&'a str> {
        let speaks = |heading: &str| {
            let lower = heading.to_lowercase();
            ["plate", "boom", "lock"].iter().any(|word| lower.contains(word))
        };
        let unknown = headings.iter().zip(&self.columns).filter(|(_, column)| column.is_none());
        unknown.map(|(heading, _)| heading.trim()).filter(|heading| speaks(heading)).collect()
    }
}

/// The kind of report that most of its words speak for.
fn kind(known: &[Option<headings::Known>], above: &str) -> Report {
    let kinds = [(Report::Sound, "sound"), (Report::Camera, "camera"), (Report::Script, "script")];
    let votes = |(kind, word): &(Report, &str)| {
        let spoken = known.iter().flatten().filter(|known| known.speaks_for == Some(*kind));
        spoken.count()
            + 3 * usize::from(above.contains(&format!("{word} report")))
            + 3 * usize::from(above.contains(&format!("{word} log")))
    };
    // The last of equals is the one whose rows name no device's clock: script.
    kinds.iter().max_by_key(|kind| votes(kind)).map_or(Report::Script, |(kind, _)| *kind)
}

/// What a row's cells say before they are put together.
struct Cells<'r> {
    layout: &'r Layout,
    cells: &'r [Cow<'r, str>],
}

impl Cells<'_> {
    /// Every cell of a column that is not blank, with the column's name.
    fn of(&self, column: Column) -> impl Iterator<Item = (&str, &str)> {
        let found = self.layout.columns.iter().enumerate();
        found.filter(move |(_, found)| **found == Some(column)).filter_map(|(at, _)| {
            let cell = self.cells.get(at)?.trim();
            Some((cell, self.layout.names.get(at)?.as_str())).filter(|_| !cell.is_empty())
        })
    }

    fn first(&self, key: &'static str) -> Option<(&str, &str)> {
        self.of(Column::Key(key)).next()
    }
}

/// Reads one row; what cannot be read is said and the rest kept.
pub(super) fn entry(
    (number, cells): (usize, &[Cow<'_, str>]),
    layout: &Layout,
    source: &Source<'_>,
    faults: &mut Vec<BadInput>,
) -> Entry {
    let place = format!("row {number}");
    let settings = source.settings;
    let row = Cells { layout, cells };
    let mut filling = Filling::new(source, &place, 12, faults);
    filling.came_from("report", &place);
    filling.record.report = Some(layout.kind);
    let named = |name: &str| format!("{place}, column \"{name}\"");
    let mut drop = false;
    if let Some((cell, name)) = row.first("rate") {
        filling.came_from("rate", &place);
        filling.settled("rate", |filling| {
            let said = speed(cell).ok_or_else(|| no_rate(cell));
            if let Some((rate, drops)) = filling.kept(&named(name), said) {
                filling.record.rate = Some(rate);
                drop = drops == Some(true) && rate.can_drop();
            }
        });
    }
    for key in ["start", "end"] {
        let Some((cell, name)) = row.first(key).filter(|(cell, _)| !is_blank_time(cell)) else {
            continue;
        };
        let label = if drop { as_drop(cell) } else { cell.to_string() };
        filling.came_from(key, &place);
        filling.settled(key, |filling| filling.bound(key, &named(name), &label));
    }
    length(&row, &mut filling, &place);
    for key in TEXTS {
        if let Some((cell, _)) = row.first(key) {
            filling.came_from(key, &place);
            filling.text(key, cell);
        }
    }
    let remarks: Vec<&str> = row.of(Column::Key("remarks")).map(|(cell, _)| cell).collect();
    if !remarks.is_empty() {
        filling.came_from("remarks", &place);
        filling.text("remarks", &remarks.join(" / "));
    }
    clip_of_roll(&mut filling);
    plates(&row, &remarks, &mut filling, &place, settings);
    others(&row, &mut filling, &place);
    filling.done()
}

/// Keys of plain text, without the remarks.
const TEXTS: [&str; 10] =
    ["id", "scene", "slate", "take", "camera", "roll", "clip", "media", "date", "agreed_by"];

fn no_rate(cell: &str) -> Wrong {
    Wrong::new(
        format!("\"{}\" is not a frame rate", shown(cell, cells::QUOTED)),
        "write frames a second: 24, 23.976 or 24000/1001",
    )
}

/// A time nobody filled in: dashes, or nothing but signs.
fn is_blank_time(cell: &str) -> bool {
    !cell.chars().any(|letter| letter.is_ascii_digit())
}

/// Writes a label as drop-frame where the report says so beside its rate.
fn as_drop(label: &str) -> String {
    match label.rsplit_once(':') {
        Some((second, frames)) if label.matches(':').count() == 3 => format!("{second};{frames}"),
        _ => label.to_string(),
    }
}

/// Sets the end of a take from its length, if nothing else does.
fn length(row: &Cells<'_>, filling: &mut Filling<'_, '_>, place: &str) {
    let Some((cell, _)) = row.of(Column::Length).next() else { return };
    if filling.record.end.is_some() {
        return;
    }
    let (Some(Point::Timecode(start)), Some(rate)) = (&filling.record.start, filling.record.rate)
    else {
        return;
    };
    let counting = Counting::new(rate, filling.record.notes_drop_frame());
    let (Ok(start), Some((length, exact))) = (counting.frame(start), frames(cell, rate)) else {
        return;
    };
    if length == 0 {
        return;
    }
    let end = counting.label(Frame(start.0) + FrameShift(length));
    filling.came_from("end", place);
    filling.record.end = Some(Point::Timecode(end));
    if !exact {
        filling.came_from("tolerance", place);
        filling.record.tolerance = Some(rate.nominal());
    }
}

/// Reads a length as frames: `00:00:05`, `00:00:05:12`, `1:20`, `12.5 s`; and whether it is
/// exact to a frame.
pub(super) fn frames(cell: &str, rate: Rate) -> Option<(i64, bool)> {
    let nominal = i64::from(rate.nominal());
    let fields: Vec<i64> = cell
        .trim()
        .split([':', ';'])
        .map(|field| field.trim().parse().ok().filter(|value| (0..=86_400).contains(value)))
        .collect::<Option<_>>()
        .unwrap_or_default();
    match fields.as_slice() {
        [h, m, s, f] => Some(((((h * 60) + m) * 60 + s) * nominal + f, true)),
        [h, m, s] => Some((((h * 60 + m) * 60 + s) * nominal, false)),
        [m, s] => Some(((m * 60 + s) * nominal, false)),
        [s] => Some((s * nominal, false)),
        _ => {
            let (seconds, _) = cells::seconds(&cell.to_lowercase().replace(' ', ""), None)
                .or_else(|| Some((cell.trim().parse().ok()?, 0)))?;
            let sensible = (0.0..86_400.0).contains(&seconds);
            sensible.then_some(((seconds * rate.as_f64()).round() as i64, false))
        }
    }
}

/// A camera report may split a clip's name: roll `A014` and clip `C007`.
fn clip_of_roll(filling: &mut Filling<'_, '_>) {
    let record = &mut filling.record;
    let (Some(roll), Some(clip)) = (&record.roll, &record.clip) else { return };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let short = clip.strip_prefix(['C', 'c']).is_some_and(digits) && clip.len() <= 5;
    let split = roll.len() >= 2
        && roll.starts_with(|letter: char| letter.is_ascii_alphabetic())
        && roll.get(1..).is_some_and(digits);
    if short && split && record.report == Some(Report::Camera) {
        record.clip = Some(format!("{roll}{clip}"));
    }
}

/// Plates: a column of their own, what the remarks say, a take named as a plate.
fn plates(
    row: &Cells<'_>,
    remarks: &[&str],
    filling: &mut Filling<'_, '_>,
    place: &str,
    settings: &Settings,
) {
    let words = &settings.plate_suffixes;
    let rate = filling.record.rate.map_or(25, Rate::nominal);
    let hand = (settings.mark_tolerance_s * f64::from(rate)).ceil().clamp(0.0, 1e6) as u32;
    let by_hand = |plate: PlateNote| PlateNote {
        tolerance: plate.range.as_ref().map(|_| hand).or(plate.tolerance),
        ..plate
    };
    let sound = filling.record.report == Some(Report::Sound);
    let mut said: Vec<(String, Result<PlateNote, Wrong>)> = Vec::new();
    for (cell, name) in row.of(Column::Key("plates")) {
        let at = format!("{place}, column \"{name}\"");
        match plates_of_column(cell, words) {
            Some(read) => said.extend(
                read.into_iter()
                    .map(|plate| (at.clone(), Ok(if sound { by_hand(plate) } else { plate }))),
            ),
            None => said.extend(cells::plates(cell).into_iter().map(|read| (at.clone(), read))),
        }
    }
    let noted = remarks.iter().flat_map(|remark| plates_in(remark, words));
    said.extend(noted.map(|plate| (place.to_string(), Ok(by_hand(plate)))));
    let record = &filling.record;
    let is_plate =
        |name: &Option<String>| name.as_deref().is_some_and(|name| plate_of(name, words).is_some());
    if said.is_empty()
        && (is_plate(&record.take) || is_plate(&record.scene) || is_plate(&record.clip))
    {
        let bounds = record.start.clone().zip(record.end.clone());
        let range = bounds.map(|(start, end)| PointRange { start, end });
        said.push((place.to_string(), Ok(by_hand(PlateNote { range, ..PlateNote::BARE }))));
    }
    if !said.is_empty() {
        filling.came_from("plates", place);
        filling.settled("plates", |filling| filling.plates(said));
    }
}

/// Columns of ours that a report may have, too.
fn others(row: &Cells<'_>, filling: &mut Filling<'_, '_>, place: &str) {
    let sound = filling.record.report == Some(Report::Sound);
    for key in ["lock_off", "boom", "capture"] {
        // In a report of sound a column named boom is a track.
        let Some((cell, name)) = row.first(key).filter(|_| !sound) else { continue };
        let at = format!("{place}, column \"{name}\"");
        match key {
            "capture" => {
                // Reports name formats as well: only a raster counts.
                if let Ok(capture) = cells::capture(cell) {
                    filling.came_from(key, place);
                    filling.record.capture = Some(capture);
                }
            }
            _ if cells::says_none(cell) => {
                filling.came_from(key, place);
                filling.record.no_boom |= key == "boom";
            }
            _ => {
                let read = cells::ranges(cell);
                if read.iter().all(Result::is_ok) {
                    filling.came_from(key, place);
                    let said = read.into_iter().map(|range| (at.clone(), range)).collect();
                    filling.settled(key, |filling| filling.ranges(key, said));
                } else if key == "boom" {
                    let words: [String; 0] = [];
                    let hints = plates_in(&format!("boom {cell}"), &words);
                    if !hints.is_empty() {
                        filling.came_from("plates", place);
                        filling.record.plates.extend(hints);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{PlateKind, Record, read_log_bytes};
    use super::*;

    fn read(text: &str) -> (Vec<Record>, Vec<String>) {
        let (records, faults) = read_log_bytes(text.as_bytes(), "r.csv", &Settings::default());
        (records, faults.iter().map(ToString::to_string).collect())
    }

    fn label(point: &Option<Point>) -> String {
        point.clone().map_or(String::new(), String::from)
    }

    #[test]
    fn a_camera_report_is_read_by_the_trades_words() {
        let (records, faults) = read(
            "CAMERA REPORT\nProduction,Quarry Road,Day,4\n\n\
             Roll;Clip;Scene;Take;Lens;Stop;FPS;TC In;TC Out;Remarks\n\
             A014;C007;12A;3;32;4;23.98;10:12:00:00;10:14:00:00;3s head PL, tail NG\n\
             A014;C008;12A;4;32;4;23.98;;;lovely\n",
        );
        assert_eq!(faults, Vec::<String>::new());
        let [first, second] = records.as_slice() else { panic!("{records:?}") };
        assert_eq!(first.clip.as_deref(), Some("A014C007"));
        assert_eq!(first.report, Some(Report::Camera));
        assert_eq!(label(&first.end), "10:14:00:00");
        let kinds: Vec<_> = first.plates.iter().map(|p| (p.kind, p.seconds, p.good)).collect();
        let (head, tail) = (Some(PlateKind::Head), Some(PlateKind::Tail));
        assert_eq!(kinds, [(head, Some(3.0), true), (tail, None, false)]);
        assert!(first.lists() && !second.lists());
    }

    #[test]
    fn a_sound_report_gives_lengths_and_drop_frame() {
        let (records, faults) = read(
            "File Name\tTape\tScene\tTake\tFrame Rate\tStart TC\tLength\tNotes\tT1\r\
             T1.WAV\tS01\t12\t1\t29.97 DF\t10:00:59:28\t00:00:05\thead plate\tBoom\r",
        );
        assert_eq!(faults, Vec::<String>::new());
        let record = &records[0];
        assert_eq!(
            (label(&record.start), label(&record.end)),
            ("10:00:59;28".into(), "10:01:05;00".into())
        );
        assert_eq!((record.report, record.tolerance), (Some(Report::Sound), Some(30)));
        assert_eq!(record.plates.len(), 1);
    }

    #[test]
    fn a_script_log_may_be_utf16_with_quoted_commas() {
        let text = "Scene,Take,Cam Roll,Sound Roll,Shot Size,Comments\r\n\
                    12A,2,A014,S01,MS,\"boom out 2nd half, print\"\r\n12A,3,A014,S01,MS,no plate\r\n";
        let bytes: Vec<u8> = [0xFF, 0xFE]
            .into_iter()
            .chain(text.encode_utf16().flat_map(u16::to_le_bytes))
            .collect();
        let (records, faults) = read_log_bytes(&bytes, "s.csv", &Settings::default());
        assert_eq!((records.len(), faults.len()), (2, 0), "{faults:?}");
        assert_eq!(records[0].report, Some(Report::Script));
        assert_eq!(records[0].plates[0].kind, Some(PlateKind::Tail));
        assert_eq!(records[0].roll.as_deref(), Some("A014"));
        assert!(!records[1].plates[0].good && records[1].lists());
    }

    #[test]
    fn a_heading_nobody_knows_is_said_only_where_it_may_speak_of_plates() {
        let (_, faults) = read("Scene,Take,Lens,Stop,Wetter,Plate at end\n1,2,3,4,5,6\n");
        assert_eq!(
            faults,
            [
                "r.csv, row 1, column \"Plate at end\": \"Plate at end\" is not a heading of a report"
            ]
        );
        let mut settings = Settings::default();
        settings.log_columns.insert("Szene".into(), "scene".into());
        settings.log_columns.insert("Klappe".into(), "take".into());
        let text = b"Szene;Klappe;Bemerkung\n12;3;gut\n";
        let (records, faults) = read_log_bytes(text, "r.csv", &settings);
        assert_eq!((records[0].take.as_deref(), faults.len()), (Some("3"), 0));
    }

    #[test]
    fn lengths_are_read_in_every_form() {
        let rate = Rate::new(25, 1).expect("positive");
        for (cell, wanted) in [
            ("00:00:05", Some((125, false))),
            ("00:00:05:12", Some((137, true))),
            ("1:20", Some((2000, false))),
            ("5", Some((125, false))),
            ("12.5 s", Some((313, false))),
            ("12.5", Some((313, false))),
            ("long", None),
            ("99999999999999999999", None),
            ("-5", None),
        ] {
            assert_eq!(frames(cell, rate), wanted, "{cell}");
        }
    }

    #[test]
    fn two_reports_of_one_take_add_up_and_contradictions_are_said() {
        let folder = tempfile::tempdir().expect("a folder");
        let (camera, script) = (folder.path().join("camera.csv"), folder.path().join("script.csv"));
        std::fs::write(
            &camera,
            "Roll,Clip,Scene,Take,Lens,Stop,FPS,TC In,Remarks\nA014,C007,12A,3,32,4,24,10:12:00:00,no plate\n",
        )
        .expect("written");
        std::fs::write(
            &script,
            "Scene,Take,Cam Roll,Sound Roll,Comments\n12A,03,A014,S01,5s tail plate\n",
        )
        .expect("written");
        let (records, faults) = super::super::read_logs(&[camera, script], &Settings::default());
        assert_eq!((records.len(), faults.len()), (1, 1), "{faults:?}");
        assert_eq!(faults[0].fault, "both describe A014C007 take 3, with different plates");
        assert_eq!(records[0].place(), "camera.csv, row 2; script.csv, row 2");
    }
}
