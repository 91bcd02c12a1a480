//! What was noted, as a table on the terminal.

use super::words::said;
use crate::platelog::{PlateKind, PlateNote, Point, Record};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Widest column of the table but for the last; ours.
const WIDEST: usize = 28;

/// Returns a table of records: take, camera's names, start, plates, boom, where it was read.
///
/// One line a record; the last line counts.
pub fn table(records: &[Record]) -> String {
    let heads = ["take", "roll/clip", "start", "plates", "boom", "read from"].map(String::from);
    let rows: Vec<[String; 6]> = std::iter::once(heads).chain(records.iter().map(row)).collect();
    let widths: Vec<usize> = (0..5)
        .map(|at| {
            rows.iter().filter_map(|row| row.get(at)).map(|cell| cell.width()).max().unwrap_or(0)
        })
        .collect();
    let mut out = String::new();
    for row in &rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line += cell;
            line += &" ".repeat(width.saturating_sub(cell.width()) + 2);
        }
        line += &row[5];
        out += line.trim_end();
        out.push('\n');
    }
    let claims = records.iter().filter(|record| record.lists()).count();
    let s = if records.len() == 1 { "" } else { "s" };
    out += &format!("{} record{s}, {claims} with plate, boom or lock-off\n", records.len());
    out
}

fn row(record: &Record) -> [String; 6] {
    let joined = |parts: &[&Option<String>]| {
        let parts: Vec<&str> = parts.iter().filter_map(|part| part.as_deref()).collect();
        if parts.is_empty() { "-".to_string() } else { parts.join(" ") }
    };
    let names =
        if record.clip.is_some() { [&record.clip, &None] } else { [&record.roll, &record.media] };
    let start = record.start.clone().map_or("-".into(), String::from);
    let plates: Vec<String> = record.plates.iter().map(plate).collect();
    let plates = if plates.is_empty() { "-".into() } else { plates.join(" | ") };
    let boom = match (record.no_boom, record.boom.len()) {
        (true, 0) => "none".into(),
        (_, 0) => "-".into(),
        (_, 1) => "1 span".into(),
        (_, spans) => format!("{spans} spans"),
    };
    let take = joined(&[&record.scene, &record.slate, &record.take, &record.camera]);
    let mut row = [take, joined(&names), start, plates, boom, record.place().to_string()];
    for (at, cell) in row.iter_mut().enumerate() {
        *cell = cut(
            &said(cell),
            if at == 5 {
                usize::MAX
            } else if at == 3 {
                2 * WIDEST
            } else {
                WIDEST
            },
        );
    }
    row
}

fn plate(note: &PlateNote) -> String {
    let mut words: Vec<String> = Vec::new();
    words.extend(note.kind.map(|kind| match kind {
        PlateKind::Head => "head".to_string(),
        PlateKind::Tail => "tail".to_string(),
        PlateKind::Take => "take".to_string(),
    }));
    words.extend(note.clip.clone());
    words.extend(note.seconds.map(|seconds| format!("{seconds}s")));
    let text = |point: &Point| String::from(point.clone());
    words.extend(
        note.range.as_ref().map(|range| format!("{}-{}", text(&range.start), text(&range.end))),
    );
    words.extend(note.tolerance.map(|frames| format!("+-{frames}")));
    if !note.good {
        words.push("NG".into());
    }
    if words.is_empty() { "good".into() } else { words.join(" ") }
}

fn cut(text: &str, width: usize) -> String {
    if text.width() <= width {
        return text.to_string();
    }
    let mut out = String::new();
    let mut used = 0;
    for letter in text.chars() {
        used += letter.width().unwrap_or(0);
        if used + 3 > width {
            break;
        }
        out.push(letter);
    }
    out + "..."
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::platelog::read_log_bytes;
    use crate::settings::Settings;

    #[test]
    fn a_record_is_one_line_whatever_it_holds() {
        let log =
            b"scene,take,clip,plates,boom\n12,3,A001C003,head 3s|tail NG,none\n\"1\x1b[2J\",2,,,\n";
        let (records, _) = read_log_bytes(log, "log.csv", &Settings::default());
        let table = table(&records);
        assert!(table.contains("12 3          A001C003"), "{table}");
        assert!(table.contains("head 3s | tail NG"), "{table}");
        assert!(!table.contains('\x1b'), "{table}");
        assert!(table.ends_with("2 records, 2 with plate, boom or lock-off\n"), "{table}");
    }
}
