//! `report.html`: the page people look at. One file that reaches for nothing outside
//! itself; every picture in it is drawn here.

use super::clock::{TakeClock, cut_label};
use super::ruler::{Ruled, cut_strip, cut_tape, hatchings, ruler};
use super::words::{
    basis_words, counted, map_words, method_words, reason_figures, reposition_words, said,
    severity_word, speed_words, statement, take_words,
};
use super::{looked_at, style};
use crate::findings::{Findings, UseFinding, Verdict};
use crate::reason::Severity;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};

/// What stays as it is in a link: the unreserved characters of RFC 3986 and the slash.
const LINK: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~').remove(b'/');

/// Lists that lie beside the page.
const LISTS: [(&str, &str); 4] = [
    ("pulls.csv", "what to pull: take and plate frames of each shot"),
    ("markers.tsv", "the markers, for programs that import a list"),
    ("shots.csv", "shot names and decisions, to be filled in"),
    ("findings.json", "everything on this page, for machines"),
];

/// Returns the page.
pub fn page(findings: &Findings) -> String {
    let name = match said(&findings.cut.name) {
        name if name.trim().is_empty() => "Untitled cut".to_string(),
        name => name,
    };
    html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (name) ": clean plates, shot by shot" }
                style { (PreEscaped(style::sheet())) }
            }
            body {
                a class="skip" href="#shots" { "To the shots" }
                (hatchings())
                div class="sheet" {
                    header { (heading(findings, &name)) }
                    main {
                        (faults(findings))
                        (tally(findings))
                        (first_decisions(findings))
                        (shots(findings))
                        (nothing_to_do(findings))
                        (unlisted(findings))
                        (unused_records(findings))
                        (lists())
                        (settings(findings))
                    }
                    footer { (cautions()) }
                }
            }
        }
    }
    .into_string()
        + "\n"
}

fn heading(findings: &Findings, name: &str) -> Markup {
    let cut = &findings.cut;
    let start = cut.start_timecode.as_deref().map(said);
    html! {
        h1 { (name) }
        p class="quiet" {
            "Can the boom be patched out from a clean plate, over exactly the frames the cut uses? "
            (counted(cut.frames, "frame")) " at " (cut.rate) " frames a second"
            @if let Some(start) = start { ", from " (start) } "."
        }
    }
}

fn faults(findings: &Findings) -> Markup {
    html! {
        @if !findings.faults.is_empty() {
            section class="faults" aria-labelledby="faults" {
                h2 id="faults" { "Faults in what was given: " (findings.faults.len()) }
                ul {
                    @for fault in &findings.faults {
                        li {
                            b { (said(&fault.file)) }
                            @if !fault.place.is_empty() { ", " (said(&fault.place)) }
                            ": " (said(&fault.fault)) br;
                            span class="quiet" { "What to do: " (said(&fault.remedy)) }
                        }
                    }
                }
            }
        }
    }
}

/// Counts by verdict, each with its places along the cut.
fn tally(findings: &Findings) -> Markup {
    let of = |verdict| findings.uses.iter().filter(move |found| found.verdict == verdict);
    let (frames, plates) = patched(findings, Verdict::has_plate);
    let (by_hand, hands) = patched(findings, |verdict| verdict == Verdict::ByHand);
    html! {
        section aria-labelledby="cut" {
            h2 id="cut" { "The cut" }
            p class="big" {
                (counted(frames, "frame")) " to patch from plates in " (counted(plates, "shot")) "."
                @if hands > 0 {
                    " " (counted(by_hand, "frame")) " by hand in " (counted(hands, "shot")) "."
                }
            }
            p { (looked_at(findings)) "." }
            table class="tally" {
                thead { tr {
                    th scope="col" class="num" { "Uses" }
                    th scope="col" { "Verdict" }
                    th scope="col" class="strip" { (cut_tape(findings)) }
                } }
                tbody {
                    @for verdict in Verdict::ALL {
                        @let uses: Vec<&UseFinding> = of(verdict).collect();
                        tr class=[uses.is_empty().then_some("nil")] {
                            td class="num" { (uses.len()) }
                            th scope="row" { (verdict.shown()) }
                            td class="strip" {
                                @if !uses.is_empty() { (cut_strip(findings, &uses, strip_class(verdict))) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Counts the frames to be patched, and the shots, of some verdicts.
fn patched(findings: &Findings, is_counted: fn(Verdict) -> bool) -> (u64, u64) {
    let uses = findings.uses.iter().filter(|found| is_counted(found.verdict));
    uses.fold((0, 0), |(frames, shots), found| {
        let runs = crate::time::union(&found.patched_in_take);
        let new = runs.iter().fold(0u64, |sum, run| sum.saturating_add(run.count().0));
        (new.saturating_add(frames), shots + 1)
    })
}

fn strip_class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Plate | Verdict::Loop => "plate",
        Verdict::Borrow | Verdict::Still | Verdict::Gather => "other",
        Verdict::ByHand => "m-stop",
        Verdict::Undecided => "m-look",
        Verdict::Clear | Verdict::Unlisted | Verdict::Covered => "m-rest",
    }
}

/// How soon somebody must decide: nothing to decide is `None`.
fn urgency(found: &UseFinding) -> Option<u8> {
    let worst = found.reasons.iter().map(|reason| reason.severity).max();
    match (found.verdict, worst) {
        (Verdict::Unlisted, _) => None,
        (Verdict::Undecided, _) => Some(0),
        (Verdict::ByHand, _) => Some(1),
        (_, Some(Severity::Stop)) => Some(2),
        (_, Some(Severity::Attention)) => Some(3),
        _ => None,
    }
}

fn first_decisions(findings: &Findings) -> Markup {
    let mut waiting: Vec<(u8, usize, &UseFinding)> = findings
        .uses
        .iter()
        .enumerate()
        .filter_map(|(at, found)| Some((urgency(found)?, at, found)))
        .collect();
    waiting.sort_by_key(|(urgency, at, _)| (*urgency, *at));
    html! {
        section aria-labelledby="first" {
            h2 id="first" { "To be decided first" }
            @if waiting.is_empty() {
                p { "Nothing. No listed use needs a person, at the limits used." }
            } @else {
                ol class="first" {
                    @for (_, at, found) in &waiting {
                        li {
                            a href=(format!("#use-{at}")) { (said(&found.shot)) }
                            " " span { (found.verdict.shown()) }
                            " " span {
                                @match found.decisive() {
                                    Some(reason) => { (said(&reason.text)) }
                                    None => { (statement(found)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Tells whether a use gets a section of its own, or a line.
fn has_section(found: &UseFinding) -> bool {
    !matches!(found.verdict, Verdict::Clear | Verdict::Covered | Verdict::Unlisted)
}

fn shots(findings: &Findings) -> Markup {
    html! {
        section aria-labelledby="shots" {
            h2 id="shots" { "Shot by shot" }
            p class="quiet" {
                "The yellow tape is the whole take in its own timecode, the boom hangs in from above it; \
                 where nobody noted a boom it counts wherever no plate is, and is drawn thin. "
                "Below, the frames that are needed are drawn out to full width; where a plate is too short "
                "its path runs up and down: up is forward, down is backward."
            }
            @for (at, found) in findings.uses.iter().enumerate().filter(|(_, found)| has_section(found)) {
                (shot(findings, found, at))
            }
            @if !findings.uses.iter().any(has_section) { p { "No shot of this cut needs work." } }
        }
    }
}

fn shot(findings: &Findings, found: &UseFinding, at: usize) -> Markup {
    let clock = TakeClock::of(found, &findings.cut);
    let first_frame = i64::from(findings.settings.first_frame);
    html! {
        article class="shot" id=(format!("use-{at}")) aria-labelledby=(format!("name-{at}")) {
            div class="head" {
                h3 id=(format!("name-{at}")) { (said(&found.shot)) }
                span class=(format!("verdict v-{}", found.verdict.word())) { (found.verdict.shown()) }
            }
            p { (statement(found)) " " span class="quiet" { (basis_words(found)) } }
            @match ruler(&Ruled { found, clock, first_frame, id: at }) {
                Some(drawing) => { (drawing) }
                None => { p class="quiet" { "No frame of its take is known, so there is nothing to lay a ruler on." } }
            }
            div class="sides" {
                div { (reasons(found, clock)) }
                (facts(findings, found, clock))
            }
        }
    }
}

fn reasons(found: &UseFinding, clock: TakeClock) -> Markup {
    html! {
        @if found.reasons.is_empty() {
            p class="quiet" { "No reason found to reject it, at the limits used." }
        } @else {
            ul class="reasons" {
                @for reason in &found.reasons {
                    @let word = severity_word(reason.severity);
                    li {
                        span class=(format!("sev sev-{word}")) { (word) }
                        (said(&reason.text))
                        span class="figures" { (said(&reason_figures(reason, clock))) }
                    }
                }
            }
        }
    }
}

/// What a use is made of, row by row.
fn facts(findings: &Findings, found: &UseFinding, clock: TakeClock) -> Markup {
    let cut = &findings.cut;
    let record = found.range_in_cut;
    let mut rows: Vec<(&str, Markup)> = Vec::new();
    let mut row = |name: &'static str, value: String| rows.push((name, html! { (value) }));
    row(
        "in the cut",
        format!(
            "{} to {}, {}",
            cut_label(cut, record.start),
            cut_label(cut, record.end),
            counted(record.count().0, "frame")
        ),
    );
    row("clip", said(&found.clip));
    if let Some(take) = found.take.as_ref().map(take_words).filter(|take| !take.is_empty()) {
        row("take", take);
    }
    for (name, range) in [("used", found.used_in_take), ("need", found.need_in_take)] {
        if let Some(range) = range {
            row(name, format!("{}, {}", clock.span(range), counted(range.count().0, "frame")));
        }
    }
    if found.speed.as_deref() != Some("1") {
        row("speed", speed_words(found.speed.as_deref()));
    }
    for (name, value) in media_and_plate(found) {
        row(name, value);
    }
    if let Some(hides) = &found.reposition {
        row("would hide it", format!("{}; said, not applied", reposition_words(hides)));
    }
    if !found.matched.clues.is_empty() {
        row("matched by", said(&found.matched.clues.join(", ")));
    }
    let files = files(found);
    if !files.is_empty() {
        rows.push(("files", links(&files)));
    }
    html! { dl { @for (name, value) in &rows { dt { (name) } dd { (value) } } } }
}

fn media_and_plate(found: &UseFinding) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    match &found.media {
        Some(media) => rows.push((
            "media",
            format!(
                "{}, {} x {}, {} frames a second, {}",
                said(&media.file),
                media.width,
                media.height,
                media.rate,
                match media.encoding.as_str() {
                    "unknown" => "encoding unknown".to_string(),
                    encoding => said(encoding),
                }
            ),
        )),
        None => rows.push(("media", "not found".into())),
    }
    if let Some(plate) = &found.plate {
        if let Some(file) = &plate.source_file {
            rows.push(("plate from", said(file)));
        }
        rows.extend(map_words(plate).map(|words| ("plate runs", words)));
        rows.extend(method_words(plate).map(|words| ("made by", words)));
    }
    rows
}

/// The files of a use that lie beside the page, with their names.
fn files(found: &UseFinding) -> Vec<(&'static str, &str)> {
    let plate = found.plate.as_ref();
    let all = [
        ("plate", plate.and_then(|plate| plate.file.as_deref())),
        ("plate at record speed", plate.and_then(|plate| plate.record_file.as_deref())),
        ("matte", found.matte.as_deref()),
        ("temp comp", found.temp_comp.as_deref()),
        ("review copy", found.review.as_deref()),
    ];
    all.into_iter().filter_map(|(name, file)| Some((name, file?))).collect()
}

fn links(files: &[(&str, &str)]) -> Markup {
    html! {
        @for (at, (name, file)) in files.iter().enumerate() {
            @if at > 0 { br; }
            (name) ": " a href=(link(file)) { (said(file)) }
        }
    }
}

/// Makes a relative link; `./` in front, so that no file name is taken for a scheme.
fn link(file: &str) -> String {
    format!("./{}", utf8_percent_encode(file.trim_start_matches('/'), LINK))
}

fn nothing_to_do(findings: &Findings) -> Markup {
    let idle =
        |verdict| findings.uses.iter().enumerate().filter(move |(_, f)| f.verdict == verdict);
    let none = idle(Verdict::Clear).chain(idle(Verdict::Covered)).next().is_none();
    html! {
        @if !none {
            section aria-labelledby="idle" {
                h2 id="idle" { "Nothing to do" }
                @for verdict in [Verdict::Clear, Verdict::Covered] {
                    @if idle(verdict).next().is_some() {
                        h3 { (verdict.shown()) }
                        ul class="lines" {
                            @for (at, found) in idle(verdict) {
                                li id=(format!("use-{at}")) {
                                    (cut_label(&findings.cut, found.range_in_cut.start)) " "
                                    b { (said(&found.shot)) } " " (statement(found))
                                    @for reason in &found.reasons {
                                        " " (severity_word(reason.severity)) ": " (said(&reason.text))
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn unlisted(findings: &Findings) -> Markup {
    let uses: Vec<&UseFinding> =
        findings.uses.iter().filter(|found| !found.verdict.is_listed()).collect();
    html! {
        @if !uses.is_empty() {
            section aria-labelledby="unlisted" {
                h2 id="unlisted" { "In no log, not looked at: " (uses.len()) }
                ul class="lines" {
                    @for found in uses {
                        li {
                            (cut_label(&findings.cut, found.range_in_cut.start)) " "
                            (said(if found.clip.is_empty() { &found.shot } else { &found.clip })) ", "
                            (counted(found.range_in_cut.count().0, "frame"))
                        }
                    }
                }
            }
        }
    }
}

fn unused_records(findings: &Findings) -> Markup {
    html! {
        @if !findings.unused_records.is_empty() {
            section aria-labelledby="records" {
                h2 id="records" { "Log records without a use: " (findings.unused_records.len()) }
                ul {
                    @for record in &findings.unused_records {
                        li {
                            (take_words(&record.take))
                            @if !record.origin.is_empty() { " (" (said(&record.origin)) ")" }
                            @if record.nearest.is_empty() {
                                ". No use of the cut comes near."
                            } @else {
                                ". Nearest: " (said(&record.nearest.join("; "))) "."
                            }
                        }
                    }
                }
            }
        }
    }
}

fn lists() -> Markup {
    html! {
        section aria-labelledby="lists" {
            h2 id="lists" { "Lists" }
            ul { @for (file, what) in LISTS { li { a href=(link(file)) { (file) } ": " (what) } } }
        }
    }
}

fn settings(findings: &Findings) -> Markup {
    let value = serde_json::to_value(&findings.settings).unwrap_or_default();
    let rows: Vec<(String, String)> = value
        .as_object()
        .into_iter()
        .flatten()
        .map(|(key, value)| (key.clone(), plain(value)))
        .collect();
    html! {
        section aria-labelledby="settings" {
            h2 id="settings" { "Settings used" }
            table {
                thead { tr { th scope="col" { "Setting" } th scope="col" { "Value" } } }
                tbody {
                    @for (key, value) in &rows {
                        tr { th scope="row" { code { (key) } } td { (said(value)) } }
                    }
                }
            }
        }
    }
}

fn plain(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => text.clone(),
        serde_json::Value::Array(items) => items.iter().map(plain).collect::<Vec<_>>().join(", "),
        serde_json::Value::Number(number) => number
            .as_f64()
            .filter(|_| number.is_f64())
            .and_then(crate::marks::figure)
            .unwrap_or_else(|| number.to_string()),
        other => other.to_string(),
    }
}

fn cautions() -> Markup {
    html! {
        section aria-labelledby="cautions" {
            h2 id="cautions" { "Cautions" }
            ul {
                li { "A verdict means: no reason found to reject at these limits. The VFX supervisor decides and may overrule." }
                li { "Letting a boom into frame is agreed beforehand with camera, direction, assistant direction and post, and logged." }
                li { "Keep poles clear of overhead power lines (local code and the utility's distance rule; treat unknown lines as live), of hot fixtures and of people's heads." }
                li { "A loop is not a photosensitivity test: send finals to the approved one." }
                li { "Temp comps are not finals." }
                li { "Work off-line; media stay private." }
            }
        }
    }
}
