//! The sentences of the page.

use super::clock::TakeClock;
use crate::error::shown;
use crate::findings::{
    Basis, GrainSummary, Method, PictureKind, PlateSummary, Reposition, TakeName, TurningSummary,
    UseFinding, Verdict,
};
use crate::reason::Severity;

/// Longest text from outside that is put on the page in one place.
const LONGEST: usize = 400;

/// Makes text from outside safe to look at: control characters and signs that turn the
/// direction of writing are spelt out. (Escaping for HTML is the template's work.)
pub(super) fn said(text: &str) -> String {
    let turns = |letter| matches!(letter, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut safe = String::with_capacity(text.len());
    for letter in shown(text, LONGEST).chars() {
        if turns(letter) { safe.extend(letter.escape_unicode()) } else { safe.push(letter) }
    }
    safe
}

/// Writes a number of things: `1 frame`, `41 frames`.
pub(super) fn counted(number: u64, one: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{number} {one}s") }
}

/// Names a take as the log does: `scene 12, slate 12A, take 3, camera A, roll A014`.
pub(super) fn take_words(take: &TakeName) -> String {
    let parts = [
        ("scene", &take.scene),
        ("slate", &take.slate),
        ("take", &take.take),
        ("camera", &take.camera),
        ("roll", &take.roll),
        ("clip", &take.clip),
    ];
    let named = parts.iter().filter_map(|(word, value)| value.as_ref().map(|v| (word, said(v))));
    named.map(|(word, value)| format!("{word} {value}")).collect::<Vec<_>>().join(", ")
}

/// Says in one sentence what is to be done with a use.
pub(super) fn statement(found: &UseFinding) -> String {
    let need = counted(found.need_in_take.map_or(0, |range| range.count().0), "frame");
    let used = counted(found.used_in_take.map_or(0, |range| range.count().0), "frame");
    let plate = found.plate.as_ref();
    let frames = plate.map_or(0, |plate| plate.range_in_take.count().0);
    let frames_of = |kind: &str| match frames {
        0 => format!("A {kind}"),
        frames => format!("A {kind} of {}", counted(frames, "frame")),
    };
    let run = match plate.map_or(0, |plate| plate.passes) {
        0 | 1 => "played once".to_string(),
        passes => format!("run through {passes} times, forward and backward,"),
    };
    match found.verdict {
        Verdict::Clear => format!("No boom in the {used} the cut shows."),
        Verdict::Covered => "Never seen: other picture lies over all of it.".into(),
        Verdict::Unlisted => "In no log, so not looked at.".into(),
        Verdict::Plate => format!("{}, {run}, covers the {need} needed.", frames_of("clean plate")),
        Verdict::Loop => {
            format!("{} is {run} to fill the {need} needed.", frames_of("clean plate"))
        }
        Verdict::Borrow => {
            let from = plate.and_then(|plate| plate.from_take.as_ref()).map(take_words);
            let from = from.filter(|from| !from.is_empty());
            let from = from.map_or(String::new(), |from| format!(" ({from})"));
            let plate = frames_of("plate");
            format!(
                "{plate} from another take{from}, {}, covers the {need} needed.",
                run.trim_end_matches(',')
            )
        }
        Verdict::Still => match frames {
            0 => format!("A few clean frames are averaged and held over the {need} needed."),
            1 => format!("1 clean frame is held over the {need} needed."),
            _ => format!("{frames} clean frames are averaged and held over the {need} needed."),
        },
        Verdict::Gather => format!(
            "No plate was rolled. The boom moves enough to build one for the {need} needed from the take itself."
        ),
        Verdict::ByHand => "A static patch cannot work here.".into(),
        Verdict::Undecided => "This cannot be told without a person.".into(),
    }
}

/// Says what the verdict rests on and what it needs.
pub(super) fn basis_words(found: &UseFinding) -> String {
    let picture = match found.picture {
        Some(PictureKind::Proxy) => " (measured on a proxy)",
        Some(PictureKind::Original) => " (measured on the original)",
        Some(PictureKind::Assist) => " (measured on an assist recording)",
        None => "",
    };
    let rests = match found.basis {
        Basis::Claim => "the log alone; no picture was measured",
        Basis::Measure => "the picture alone",
        Basis::Both => "the log and the picture",
    };
    let needs = if found.corrections.is_empty() {
        String::new()
    } else {
        let names: Vec<String> = found.corrections.iter().map(|name| said(name)).collect();
        format!(" It holds with corrections: {}.", names.join(", "))
    };
    format!("Rests on {rests}{picture}.{needs}")
}

/// Says how fast the take runs in the cut.
pub(super) fn speed_words(speed: Option<&str>) -> String {
    match speed {
        Some("1") => "as shot".into(),
        Some("0") => "one frame, frozen".into(),
        Some(speed) => match speed.strip_prefix('-') {
            Some(forward) => format!("backward at speed {}", said(forward)),
            None => format!("at speed {}", said(speed)),
        },
        None => "cannot be computed".into(),
    }
}

/// Says in words how the plate frames follow each other.
pub(super) fn map_words(plate: &PlateSummary) -> Option<String> {
    let map = plate.map.as_ref().filter(|map| !map.is_empty())?;
    let run = |run: &[i64; 3]| match run[0] == run[1] {
        true => format!("{} once", run[0]),
        false => format!("{} to {}", run[0], run[1]),
    };
    let told = 4;
    let mut text = format!("File frames {}", run(&map[0]));
    for next in map.iter().take(told).skip(1) {
        text.push_str(&format!(", then {}", run(next)));
    }
    if map.len() > told {
        let last = &map[map.len() - 1];
        text.push_str(&format!(", and so on; the last of {} runs is {}", map.len(), run(last)));
    }
    let turn = match map.get(1) {
        None => "",
        Some(next) if next[0] == map[0][1] => " Each turning frame is shown twice.",
        Some(_) => " Each turning frame is shown once.",
    };
    let eased = match plate.eases.len() {
        0 => String::new(),
        1 => " One stretch is eased.".into(),
        many => format!(" {many} stretches are eased."),
    };
    let shown = plate.turning.as_ref().map_or(String::new(), turning_words);
    let grain = plate.grain.as_ref().map_or(String::new(), grain_words);
    Some(format!("{text}.{turn}{eased}{shown}{grain}"))
}

/// Says what the worst turn shows.
fn turning_words(turning: &TurningSummary) -> String {
    let rest = if turning.at_rest { " Nothing moves in the patch." } else { "" };
    let figure = |value: f64| crate::marks::figure(value).unwrap_or_else(|| "?".into());
    format!(
        "{rest} The worst turn shows {} times what the background does there by itself; up to {} is taken not to show.",
        figure((turning.visibility * 100.0).round() / 100.0),
        figure(turning.limit)
    )
}

/// Says how new grain compares with the take's.
fn grain_words(grain: &GrainSummary) -> String {
    let under = match grain.averaged {
        Some([first, end]) => {
            format!(" File frames {first} to {} are averaged.", end.saturating_sub(1))
        }
        None => String::new(),
    };
    format!(
        "{under} New grain has {:.3} of the strength of the take's; its correlation with that of the next frame is {:.3}, of the one after {:.3}.",
        grain.level, grain.lag_1, grain.lag_2
    )
}

/// Says a reposition as the eye sees it: `1.06x, up 18 px`.
pub(super) fn reposition_words(hides: &Reposition) -> String {
    let figure = |value: f64| crate::marks::figure(value).unwrap_or_else(|| "?".into());
    let mut words = format!("{}x", figure(hides.scale));
    for (way, there, back) in [(hides.dy, "down", "up"), (hides.dx, "right", "left")] {
        if way != 0.0 {
            let side = if way < 0.0 { back } else { there };
            words.push_str(&format!(", {side} {} px", figure(way.abs())));
        }
    }
    words
}

/// Says how plate frames reach the plate file.
pub(super) fn method_words(plate: &PlateSummary) -> Option<String> {
    let made = match (plate.method?, &plate.encode_reason) {
        (Method::Copy, _) => "coded frames copied unchanged".into(),
        (Method::Encode, Some(why)) => format!("decoded and encoded: {}", said(why)),
        (Method::Encode, None) => "decoded and encoded".into(),
    };
    Some(plate.notes.iter().fold(made, |words, note| format!("{words}; {}", said(note))))
}

/// Says why there is no temp comp of a use that has a plate.
pub(super) fn not_patched(found: &UseFinding) -> Option<&'static str> {
    let plate = found.plate.as_ref().filter(|_| found.temp_comp.is_none())?;
    let region = found.divider.as_ref().is_some_and(|divider| !divider.outlines.is_empty());
    Some(match (&plate.file, region) {
        (None, _) => "none, and no matte: its plate is not rendered",
        (Some(_), false) => "none, and no matte: the region of the patch was not measured",
        (Some(_), true) => "none: it could not be rendered; see the faults",
    })
}

/// The word in the margin beside a reason.
pub(super) fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "note",
        Severity::Attention => "attention",
        Severity::Stop => "stop",
    }
}

/// Says the figure of a reason against its limit, and its frames: what the sentence rests on.
pub(super) fn reason_figures(reason: &crate::reason::Reason, clock: TakeClock) -> String {
    let mut parts = vec![reason.code.to_string()];
    let unit = reason.unit.as_deref().unwrap_or_default();
    if let Some(value) = reason.value.and_then(crate::marks::figure) {
        parts.push(format!("{value} {unit}").trim_end().to_string());
    }
    if let Some(limit) = reason.limit.and_then(crate::marks::figure) {
        parts.push(format!("limit {limit} {unit}").trim_end().to_string());
    }
    if let Some(range) = reason.range_in_take {
        parts.push(format!("{} ({})", clock.span(range), counted(range.count().0, "frame")));
    }
    parts.join(" · ")
}
