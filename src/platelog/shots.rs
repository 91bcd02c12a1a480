//! Shot lists: what is to be shot, and how long it is expected to run.

use super::headings::{self, Column};
use super::{cells, csv, reports, speed, text};
use crate::error::{BadInput, shown};
use crate::settings::Settings;
use crate::time::Rate;
use std::borrow::Cow;

/// Shots read of one list at most: a card for more is no card; ours.
const MOST_SHOTS: usize = 5_000;

/// One shot of a list.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shot {
    /// Scene.
    pub scene: Option<String>,
    /// Slate or set-up.
    pub slate: Option<String>,
    /// Camera letter.
    pub camera: Option<String>,
    /// How long it is expected to run in the cut, in seconds.
    pub seconds: Option<f64>,
    /// Frames a second.
    pub rate: Option<Rate>,
    /// What the list says besides.
    pub remarks: Option<String>,
}

/// Reads a shot list: a table with headings such as scene, slate, camera, length, rate and
/// remarks. `name` stands for the file in faults, which come beside what could be read.
pub fn read_shots(bytes: &[u8], name: &str, settings: &Settings) -> (Vec<Shot>, Vec<BadInput>) {
    let mut faults = Vec::new();
    let decoded = match text::decode(bytes) {
        Ok(decoded) => decoded,
        Err((place, wrong)) => {
            faults.push(BadInput::new(name, place, wrong.fault, wrong.remedy));
            return (Vec::new(), faults);
        }
    };
    if let Some((place, wrong)) = decoded.damage {
        faults.push(BadInput::new(name, place, wrong.fault, wrong.remedy));
    }
    let table = csv::plain_table(&decoded.text, settings);
    let Some((headings, rows)) = table.as_ref().and_then(|rows| rows.split_first()) else {
        let remedy = "name the columns scene, slate, camera, length, rate, remarks";
        faults.push(BadInput::new(name, "", "no heading of a shot list is known", remedy));
        return (Vec::new(), faults);
    };
    let known = |heading: &Cow<'_, str>| headings::known(heading, settings).map(|k| k.column);
    let columns: Vec<Option<Column>> = headings.1.iter().map(known).collect();
    let mut shots = Vec::new();
    for (number, row) in rows.iter().take(MOST_SHOTS) {
        let place = format!("row {number}");
        shots.push(shot(row, &columns, &mut |fault, remedy| {
            faults.push(BadInput::new(name, &place, fault, remedy));
        }));
    }
    if rows.len() > MOST_SHOTS {
        let fault = format!("holds {} shots; {MOST_SHOTS} of them are read", rows.len());
        faults.push(BadInput::new(name, "", fault, "give the list of one day"));
    } else if rows.is_empty() {
        let remedy = "export the list again, or leave it out for a card to fill in";
        faults.push(BadInput::new(name, "", "no shot stands below the headings", remedy));
    }
    (shots, faults)
}

fn shot(
    row: &[Cow<'_, str>],
    columns: &[Option<Column>],
    say: &mut dyn FnMut(String, &'static str),
) -> Shot {
    let cell = |column: Column| {
        let at = columns.iter().position(|known| *known == Some(column))?;
        row.get(at).map(|cell| cell.trim()).filter(|cell| !cell.is_empty())
    };
    let text = |key| cell(Column::Key(key)).map(String::from);
    let rate = cell(Column::Key("rate")).and_then(|text| {
        let rate = speed::speed(text).map(|(rate, _)| rate);
        if rate.is_none() {
            let fault = format!("\"{}\" is not a frame rate", shown(text, cells::QUOTED));
            say(fault, "write frames a second: 24, 23.976 or 24000/1001");
        }
        rate
    });
    let seconds = cell(Column::Length).and_then(|text| {
        let seconds = length(text, rate);
        if seconds.is_none() {
            let fault = format!("\"{}\" is not a length", shown(text, cells::QUOTED));
            say(fault, "write seconds (14 or 14s), minutes and seconds (1:20), or frames (336f)");
        }
        seconds
    });
    Shot {
        scene: text("scene"),
        slate: text("slate"),
        camera: text("camera"),
        seconds,
        rate,
        remarks: text("remarks"),
    }
}

/// Reads how long a shot runs; frames need a rate, and are 24 a second without.
fn length(text: &str, rate: Option<Rate>) -> Option<f64> {
    let rate = rate.unwrap_or(Rate::FILM);
    let lower = text.to_lowercase();
    let frames = ["frames", "frame", "fr", "f"].iter().find_map(|unit| lower.strip_suffix(unit));
    if let Some(frames) = frames {
        let frames: u32 = frames.trim().parse().ok()?;
        return Some(f64::from(frames) / rate.as_f64());
    }
    let (frames, _) = reports::frames(text, rate)?;
    Some(frames as f64 / rate.as_f64())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_read_by_the_usual_headings() {
        let list = b"Day 4;;;;\nScene;Setup;Cam;Length;FPS;Notes\n12;4;A;14;24;long boom\n12;5;B;336f;24;\n13;1;;1:20;;\n";
        let (shots, faults) = read_shots(list, "shots.csv", &Settings::default());
        assert!(faults.is_empty(), "{faults:?}");
        let seconds: Vec<Option<f64>> = shots.iter().map(|shot| shot.seconds).collect();
        assert_eq!(seconds, [Some(14.0), Some(14.0), Some(80.0)]);
        assert_eq!(shots[0].slate.as_deref(), Some("4"));
    }

    #[test]
    fn what_is_no_list_and_no_length_is_said() {
        let faults = |list: &[u8]| {
            let faults = read_shots(list, "s.csv", &Settings::default()).1;
            faults.iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        assert_eq!(faults(b"weather\nsun\n"), ["s.csv: no heading of a shot list is known"]);
        assert_eq!(faults(b"scene,length\n1,long\n"), ["s.csv, row 2: \"long\" is not a length"]);
        assert_eq!(faults(b"scene,length\n"), ["s.csv: no shot stands below the headings"]);
        assert_eq!(faults(b"a\0b").len(), 1);
    }
}
