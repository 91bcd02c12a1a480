//! How fast an item shows what is inside it, and which of its effects say so.

use super::json::{Kind, Node};
use super::ratio::Ratio;
use super::times::{as_read, schema};
use crate::error::shown;

/// The speed of one item by its own effects.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Pace {
    /// Never zero; negative is backward.
    Constant(Ratio),
    Freeze,
    Unknown(String),
}

/// What the effects of an item come to.
#[derive(Debug)]
pub(super) struct Effects {
    pub pace: Pace,
    pub others: Vec<String>,
    pub any: bool,
}

/// Words in the name of an effect or its schema that tell it changes time, letters only.
/// Ours: speed effects without a model are written under many names.
const TIME_WORDS: [&str; 12] = [
    "timewarp",
    "retim",
    "timeremap",
    "timemap",
    "speed",
    "freezeframe",
    "timeeffect",
    "fittofill",
    "timescale",
    "timestretch",
    "slowmotion",
    "timecurve",
];

/// Reads the effects of an item. Speeds multiply; a freeze holds whatever the others do.
///
/// Constant speeds are `LinearTimeWarp` (record offset times `time_scalar` is media
/// offset, so a scalar of zero holds a frame) and `FreezeFrame`.
pub(super) fn effects(item: Node<'_>) -> Effects {
    let mut found =
        Effects { pace: Pace::Constant(Ratio::whole(1)), others: Vec::new(), any: false };
    let Some(list) = item.get("effects") else { return found };
    for effect in list.items() {
        if effect.kind() != Kind::Object
            || effect.get("enabled").and_then(Node::boolean) == Some(false)
        {
            continue;
        }
        found.any = true;
        match pace(effect) {
            Some(pace) => found.pace = both(found.pace, pace),
            None => found.others.push(title(effect)),
        }
    }
    found
}

/// Returns the speed two effects make together.
pub(super) fn both(a: Pace, b: Pace) -> Pace {
    match (a, b) {
        (Pace::Unknown(what), _) | (_, Pace::Unknown(what)) => Pace::Unknown(what),
        (Pace::Freeze, _) | (_, Pace::Freeze) => Pace::Freeze,
        (Pace::Constant(a), Pace::Constant(b)) => Pace::Constant(&a * &b),
    }
}

/// Returns the speed of an effect of time, `None` for other effects.
fn pace(effect: Node<'_>) -> Option<Pace> {
    let schema = schema(effect).unwrap_or_default();
    match &*schema {
        "FreezeFrame" => return Some(Pace::Freeze),
        "LinearTimeWarp" => return Some(linear(effect)),
        _ => {}
    }
    let letters = |text: &str| -> String {
        text.chars().filter(char::is_ascii_alphabetic).map(|c| c.to_ascii_lowercase()).collect()
    };
    let names =
        [letters(&schema), letters(&text(effect, "effect_name")), letters(&text(effect, "name"))];
    let is_time = names.iter().any(|name| TIME_WORDS.iter().any(|word| name.contains(word)));
    is_time.then(|| Pace::Unknown(format!("{schema} \"{}\"", shown(&title(effect), 60))))
}

fn linear(effect: Node<'_>) -> Pace {
    let Some(scalar) = effect.get("time_scalar") else {
        return Pace::Unknown("LinearTimeWarp without time_scalar".into());
    };
    match scalar.number().and_then(Ratio::from_f64) {
        Some(zero) if zero.is_zero() => Pace::Freeze,
        Some(scalar) => Pace::Constant(scalar),
        None => Pace::Unknown(format!("LinearTimeWarp with time_scalar {}", as_read(scalar))),
    }
}

fn text(effect: Node<'_>, key: &str) -> String {
    effect.get(key).and_then(Node::text).unwrap_or_default().into_owned()
}

/// What an effect is called: its name, else its effect name, else its schema.
fn title(effect: Node<'_>) -> String {
    let names = [text(effect, "name"), text(effect, "effect_name"), text(effect, "OTIO_SCHEMA")];
    let title = names.into_iter().find(|name| !name.is_empty()).unwrap_or_default();
    shown(&title, 100)
}
