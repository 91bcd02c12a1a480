//! `report.html`: the page people look at. One file that reaches for nothing outside
//! itself; every picture in it is drawn here.

use super::clock::cut_label;
use super::cost::{cost_of, cost_of_verdict, cost_words};
use super::document::document;
use super::picker::{NOTHING_TO_DECIDE, form, script, urgency};
use super::ruler::hatchings;
use super::sheet::{link, shot};
use super::still::Look;
use super::tape::{cut_strip, cut_tape};
use super::words::{counted, said, severity_word, statement, take_words};
use super::{looked_at, style};
use crate::findings::{Findings, UseFinding, Verdict};
use maud::{Markup, html};

/// Lists that lie beside the page.
const LISTS: [(&str, &str); 6] = [
    ("lineup.xlsx", "one row a shot with a picture, to plan and count with"),
    ("pulls.csv", "what to pull: take and plate frames of each shot"),
    ("pulls.edl", "the same as an edit decision list"),
    ("markers.tsv", "the markers, for programs that import a list"),
    ("shots.csv", "shot names and decisions, to be filled in"),
    ("findings.json", "everything on this page, for machines"),
];

/// Returns the page. `looks` holds what there is to see of each use, in their order.
pub fn page(findings: &Findings, looks: &[Look]) -> String {
    let name = match said(&findings.cut.name) {
        name if name.trim().is_empty() => "Untitled cut".to_string(),
        name => name,
    };
    let title = format!("{name}: clean plates, shot by shot");
    let body = html! {
                a class="skip" href="#shots" { "To the shots" }
                (hatchings())
                div class="sheet" {
                    header { (heading(findings, &name)) }
                    main {
                        (faults(findings))
                        (tally(findings))
                        (first_decisions(findings))
                        (shots(findings, looks))
                        (nothing_to_do(findings))
                        (unlisted(findings))
                        (unused_records(findings))
                        (lists())
                        (settings(findings))
                    }
                    footer { (cautions()) }
                }
                @if findings.uses.iter().any(has_section) { (script()) }
    };
    document("en-GB", &title, style::VIEWS, &body)
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
                            b { (said(fault.file_name())) }
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
    let total = cost_of(findings);
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
            @if let Some(total) = total {
                p { "At the rates given: " (cost_words(findings, total)) "." }
            }
            table class="tally" {
                thead { tr {
                    th scope="col" class="num" { "Uses" }
                    th scope="col" { "Verdict" }
                    @if total.is_some() { th scope="col" class="num" { "Cost" } }
                    th scope="col" class="strip" { (cut_tape(findings)) }
                } }
                tbody {
                    @for verdict in Verdict::ALL {
                        @let uses: Vec<&UseFinding> = of(verdict).collect();
                        tr class=[uses.is_empty().then_some("nil")] {
                            td class="num" { (uses.len()) }
                            th scope="row" { (verdict.shown()) }
                            @if total.is_some() {
                                td class="num" {
                                    @if let Some(cost) = cost_of_verdict(findings, verdict) {
                                        (cost_words(findings, cost))
                                    }
                                }
                            }
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

fn first_decisions(findings: &Findings) -> Markup {
    let mut waiting: Vec<(u8, usize, &UseFinding)> = findings
        .uses
        .iter()
        .enumerate()
        .map(|(at, found)| (urgency(found), at, found))
        .filter(|(urgency, _, _)| *urgency < NOTHING_TO_DECIDE)
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

fn shots(findings: &Findings, looks: &[Look]) -> Markup {
    let nothing = Look::default();
    let shown: Vec<&UseFinding> = findings.uses.iter().filter(|found| has_section(found)).collect();
    html! {
        section aria-labelledby="shots" {
            h2 id="shots" { "Shot by shot" }
            p class="quiet" {
                "The yellow tape is the whole take in its own timecode, the boom hangs in from above it; \
                 where nobody noted a boom it counts wherever no plate is, and is drawn thin. "
                "Below, the frames that are needed are drawn out to full width; where a plate is too short "
                "its path runs up and down: up is forward, down is backward."
            }
            @if shown.is_empty() {
                p { "No shot of this cut needs work." }
            } @else {
                (form(findings, &shown))
                div id="shot-list" {
                    @for (at, found) in findings.uses.iter().enumerate().filter(|(_, found)| has_section(found)) {
                        (shot(findings, found, looks.get(at).unwrap_or(&nothing), at))
                    }
                }
            }
        }
    }
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
        .flat_map(|(key, value)| match value.as_object() {
            Some(table) => table
                .iter()
                .map(|(inner, value)| (format!("{key}.{inner}"), plain(value)))
                .collect(),
            None => vec![(key.clone(), plain(value))],
        })
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
        serde_json::Value::Object(table) => {
            let pair =
                |(key, value): (&String, &serde_json::Value)| format!("{key} {}", plain(value));
            table.iter().map(pair).collect::<Vec<_>>().join(" ")
        }
        serde_json::Value::Array(items) => items.iter().map(plain).collect::<Vec<_>>().join(", "),
        serde_json::Value::Number(number) => number
            .as_f64()
            .filter(|_| number.is_f64())
            .and_then(crate::marks::figure)
            .unwrap_or_else(|| number.to_string()),
        other => other.to_string(),
    }
}

pub(super) fn cautions() -> Markup {
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
