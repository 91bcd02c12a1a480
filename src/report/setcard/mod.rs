//! The card for the set: who agrees, how many seconds of plate, the calls, what to look at,
//! and a form that is laid out as the plate log expects it.

mod html;
mod plain;
mod words;

pub use html::page;
pub use plain::text;
pub use words::{Words, language};

use crate::platelog::Shot;
use crate::settings::Settings;
use crate::time::Rate;

/// Longest plate that is asked for, in seconds. Published advice runs from 5 to 15 s; common
/// practice, no standard.
pub const LONGEST_ASK_S: f64 = 15.0;

/// Shots on one card: more rows do not fit on one sheet of A4 or Letter with the rest.
pub const SHOTS_ON_A_CARD: usize = 12;

/// Columns of the plate log that the form's columns are copied to.
const LOG_KEYS: [&str; 9] = [
    "scene",
    "slate",
    "take",
    "camera",
    "roll clip",
    "plates",
    "plates",
    "boom",
    "agreed_by remarks",
];

/// Everything a card is drawn from.
#[derive(Debug)]
pub struct Card<'a> {
    /// The words.
    pub words: &'a Words,
    /// The shots; none for a card to fill in.
    pub shots: &'a [Shot],
    /// Handles, delivery, and how much plate is asked for at least.
    pub settings: &'a Settings,
}

/// What to ask for, for one shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ask {
    /// Seconds the cut needs with handles, if the length is known.
    pub need_s: Option<f64>,
    /// Whole seconds of plate at the head, and again at the tail.
    pub plate_s: u64,
    /// How often a plate of that length runs to fill what is needed; 1 is no loop.
    pub passes: Option<u64>,
}

/// Returns what to ask for: as much as the shot needs, within what is usual.
///
/// Handles are cut frames at the shot's own rate, 24 a second where it says none.
///
/// ```
/// # use platesmith::{platelog::Shot, report::setcard::ask, settings::Settings};
/// let shot = Shot { seconds: Some(60.0), ..Shot::default() };
/// let asked = ask(&shot, &Settings::default());
/// assert_eq!((asked.plate_s, asked.passes), (15, Some(5)));
/// ```
pub fn ask(shot: &Shot, settings: &Settings) -> Ask {
    let rate = shot.rate.unwrap_or(Rate::FILM).as_f64();
    let least = settings.plate_ask_s.clamp(1.0, 600.0);
    let most = LONGEST_ASK_S.max(least);
    let handles = f64::from(settings.handles_head) + f64::from(settings.handles_tail);
    let need_s = shot.seconds.map(|seconds| seconds + handles / rate);
    let plate_s = need_s.map_or(least, |need| need.clamp(least, most)).ceil() as u64;
    let passes = need_s.map(|need| (need / plate_s as f64).ceil().max(1.0) as u64);
    Ask { need_s, plate_s, passes }
}

impl<'a> Card<'a> {
    /// The shots of each sheet; one empty sheet without any.
    fn sheets(&self) -> Vec<&'a [Shot]> {
        if self.shots.is_empty() { vec![&[]] } else { self.shots.chunks(SHOTS_ON_A_CARD).collect() }
    }

    /// The longest plates that any shot asks for: what the calls say.
    fn longest(&self, shots: &[Shot]) -> u64 {
        let own = shots.iter().map(|shot| ask(shot, self.settings).plate_s).max();
        own.unwrap_or_else(|| ask(&Shot::default(), self.settings).plate_s)
    }

    fn calls(&self, shots: &[Shot]) -> Vec<String> {
        let seconds = self.longest(shots).to_string();
        let filled = |call: &String| call.replace("{head}", &seconds).replace("{tail}", &seconds);
        self.words.calls.iter().map(filled).collect()
    }

    fn note(&self) -> String {
        let settings = self.settings;
        self.words
            .ask_note
            .replace("{head}", &settings.handles_head.to_string())
            .replace("{tail}", &settings.handles_tail.to_string())
            .replace("{least}", &format!("{}", settings.plate_ask_s))
            .replace("{most}", &format!("{}", LONGEST_ASK_S.max(settings.plate_ask_s)))
    }

    /// One row of the table of lengths: shot, runs, needed, head, tail, loop.
    fn lengths(&self, shot: &Shot) -> [String; 6] {
        let asked = ask(shot, self.settings);
        let seconds = |seconds: Option<f64>| {
            seconds.map_or(self.words.ask_unknown.clone(), |s| format!("{s:.1} s"))
        };
        let plate = format!("{} s", asked.plate_s);
        let passes = match asked.passes {
            None => self.words.ask_unknown.clone(),
            Some(1) => self.words.ask_once.clone(),
            Some(passes) => format!("{passes} x"),
        };
        [name(shot), seconds(shot.seconds), seconds(asked.need_s), plate.clone(), plate, passes]
    }

    /// How a sheet is numbered; nothing where there is one.
    fn number(&self, at: usize, of: usize) -> Option<String> {
        let filled = || {
            let words = self.words.card_of.replace("{card}", &(at + 1).to_string());
            words.replace("{cards}", &of.to_string())
        };
        (of > 1).then(filled)
    }

    /// What is delivered, as the settings say: name and raster.
    fn deliveries(&self) -> Vec<String> {
        let one = |delivery: &crate::settings::Delivery| {
            let [width, height] = delivery.raster;
            format!("{} {width} x {height}", crate::error::shown(&delivery.name, 30))
        };
        self.settings.delivery.iter().map(one).collect()
    }
}

/// Names a shot: scene, slate, camera.
fn name(shot: &Shot) -> String {
    let parts = [&shot.scene, &shot.slate, &shot.camera];
    let parts: Vec<String> =
        parts.into_iter().flatten().map(|part| crate::error::shown(part, 20)).collect();
    if parts.is_empty() { "-".into() } else { parts.join(" / ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(seconds: f64) -> Shot {
        Shot { seconds: Some(seconds), rate: Rate::new(25, 1), ..Shot::default() }
    }

    #[test]
    fn a_short_shot_asks_for_all_it_needs_and_a_long_one_is_looped() {
        let settings = Settings::default();
        // 14 s and two handles of 8 frames at 25 are 14.64 s.
        let asked = ask(&shot(14.0), &settings);
        assert_eq!((asked.plate_s, asked.passes), (15, Some(1)));
        assert_eq!(ask(&shot(2.0), &settings).plate_s, 5);
        assert_eq!(ask(&shot(30.0), &settings).passes, Some(3));
        assert_eq!(ask(&Shot::default(), &settings).passes, None);
    }

    #[test]
    fn the_tail_plate_comes_before_cut_in_every_language() {
        for language in ["en", "de"] {
            let words = language_of(language);
            let settings = Settings::default();
            let card = Card { words: &words, shots: &[], settings: &settings };
            let calls = card.calls(&[]);
            let tail = calls.iter().rposition(|call| call.contains("5 s"));
            assert_eq!(tail.map(|at| at + 2), Some(calls.len()), "{calls:?}");
            assert!(!calls.concat().contains('{'), "{calls:?}");
            assert_eq!(words.log_columns.len(), LOG_KEYS.len());
        }
    }

    fn language_of(name: &str) -> Words {
        language(Some(std::path::Path::new(name))).expect("built in")
    }
}
