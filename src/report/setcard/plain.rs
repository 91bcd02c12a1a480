//! The card as plain text, 78 columns wide.

use super::{Card, LOG_KEYS};
use crate::platelog::Shot;
use unicode_width::UnicodeWidthStr;

/// Columns of the text.
const WIDTH: usize = 78;

/// Returns the card as text.
pub fn text(card: &Card<'_>) -> String {
    let sheets = card.sheets();
    let of = sheets.len();
    let sheet = |(at, shots): (usize, &&[Shot])| sheet(card, shots, card.number(at, of));
    sheets.iter().enumerate().map(sheet).collect::<Vec<_>>().join("\u{c}\n")
}

fn sheet(card: &Card<'_>, shots: &[Shot], number: Option<String>) -> String {
    let words = card.words;
    let mut out = String::new();
    let number = number.map_or(String::new(), |number| format!("  ({number})"));
    line(&mut out, &format!("{}{number}", words.title.to_uppercase()));
    wrap(&mut out, "", "", &words.subtitle);
    let blanks =
        [&words.production, &words.day, &words.unit].map(|word| format!("{word} ________________"));
    line(&mut out, &blanks.join("  "));
    title(&mut out, &words.calls_title);
    numbered(&mut out, &card.calls(shots));
    title(&mut out, &words.ask_title);
    lengths(&mut out, card, shots);
    wrap(&mut out, "", "", &card.note());
    title(&mut out, &words.agree_title);
    numbered(&mut out, &words.agree);
    wrap(&mut out, "", "", &words.agree_note);
    for (heading, lines, sign) in [
        (&words.round_title, &words.round, "[ ] "),
        (&words.lock_title, &words.lock, "[ ] "),
        (&words.frame_title, &words.frame, "- "),
    ] {
        title(&mut out, heading);
        lines.iter().for_each(|text| wrap(&mut out, sign, "    ", text));
    }
    let given = card.deliveries();
    let given = if given.is_empty() { "________________".into() } else { given.join(", ") };
    line(
        &mut out,
        &format!("{} ________________  {} {given}", words.frame_capture, words.frame_delivery),
    );
    title(&mut out, &words.care_title);
    words.care.iter().for_each(|text| wrap(&mut out, "! ", "  ", text));
    title(&mut out, &words.log_title);
    wrap(&mut out, "", "", &words.log_note);
    for (word, key) in words.log_columns.iter().zip(LOG_KEYS) {
        let pad = " ".repeat(24usize.saturating_sub(word.width()));
        line(&mut out, &format!("{word}{pad} {key:<18} ______________________________"));
    }
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text.trim_end());
    out.push('\n');
}

fn title(out: &mut String, text: &str) {
    out.push('\n');
    line(out, text);
    line(out, &"-".repeat(text.width().min(WIDTH)));
}

fn numbered(out: &mut String, lines: &[String]) {
    for (at, text) in lines.iter().enumerate() {
        wrap(out, &format!("{}. ", at + 1), "   ", text);
    }
}

/// Writes a paragraph; lines after the first begin with `rest`.
fn wrap(out: &mut String, first: &str, rest: &str, text: &str) {
    let mut row = first.to_string();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && row.width() + 1 + word.width() > WIDTH {
            line(out, &row);
            row = rest.to_string();
            empty = true;
        }
        if !empty {
            row.push(' ');
        }
        row.push_str(word);
        empty = false;
    }
    line(out, &row);
}

fn lengths(out: &mut String, card: &Card<'_>, shots: &[Shot]) {
    let words = card.words;
    let heads = words.length_heads().map(String::from);
    let none = [Shot::default()];
    let shots = if shots.is_empty() { &none[..] } else { shots };
    let rows: Vec<[String; 6]> =
        std::iter::once(heads).chain(shots.iter().map(|shot| card.lengths(shot))).collect();
    let widths: Vec<usize> = (0..6)
        .map(|at| {
            rows.iter().filter_map(|row| row.get(at)).map(|cell| cell.width()).max().unwrap_or(0)
        })
        .collect();
    for row in &rows {
        let cells = row.iter().zip(&widths).enumerate().map(|(at, (cell, width))| {
            let pad = " ".repeat(width.saturating_sub(cell.width()));
            if at == 0 { format!("{cell}{pad}") } else { format!("{pad}{cell}") }
        });
        line(out, &cells.collect::<Vec<_>>().join("  "));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::setcard::language;
    use crate::settings::Settings;

    #[test]
    fn no_line_is_wider_than_the_card() {
        for name in ["en", "de"] {
            let words = language(Some(std::path::Path::new(name))).expect("built in");
            let settings = Settings::default();
            let text = text(&Card { words: &words, shots: &[], settings: &settings });
            for line in text.lines() {
                assert!(line.width() <= WIDTH, "{line}");
            }
            assert!(text.contains(" 5 s"), "{text}");
        }
    }
}
