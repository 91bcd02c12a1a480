//! The card as a page that prints on one sheet for each dozen of shots.

use super::{Card, LOG_KEYS, SHOTS_ON_A_CARD};
use crate::error::shown;
use crate::platelog::Shot;
use crate::report::document::document;
use maud::{Markup, html};

/// Rows of the form: a sheet has no room for more.
const FORM_ROWS: usize = 12;

/// Returns the page: one file that reaches for nothing outside itself.
pub fn page(card: &Card<'_>) -> String {
    let sheets = card.sheets();
    let words = card.words;
    let of = sheets.len();
    let body = html! {
        @for (at, shots) in sheets.iter().enumerate() {
            (sheet(card, shots, card.number(at, of)))
        }
    };
    document(&words.lang, &words.title, RULES, &body)
}

fn sheet(card: &Card<'_>, shots: &[Shot], number: Option<String>) -> Markup {
    let words = card.words;
    html! {
        main class="card" {
            header class="top" {
                div {
                    h1 { (words.title) @if let Some(number) = &number { " " span class="quiet" { (number) } } }
                    p class="quiet" { (words.subtitle) }
                }
                div class="blanks" {
                    (blank(&words.production)) (blank(&words.day)) (blank(&words.unit))
                }
            }
            (tape(&card.calls(shots), card.longest(shots), &words.boom))
            div class="cols" {
                div {
                    section {
                        h2 { (words.calls_title) }
                        ol class="calls" { @for call in card.calls(shots) { li { (call) } } }
                    }
                    section {
                        h2 { (words.ask_title) }
                        (lengths(card, shots))
                        p class="quiet" { (card.note()) }
                    }
                    section {
                        h2 { (words.agree_title) }
                        ol class="agree" { @for line in &words.agree { li { span { (line) } i {} } } }
                        p { strong { (words.agree_note) } }
                    }
                }
                div {
                    (list(&words.round_title, &words.round, "tick"))
                    (list(&words.lock_title, &words.lock, "tick"))
                    section {
                        h2 { (words.frame_title) }
                        ul { @for line in &words.frame { li { (line) } } }
                        div class="blanks two" {
                            (blank(&words.frame_capture))
                            @let given = card.deliveries();
                            @if given.is_empty() { (blank(&words.frame_delivery)) } @else {
                                span { span class="quiet" { (words.frame_delivery) } " " (given.join(", ")) }
                            }
                        }
                    }
                    section class="care" {
                        h2 { (words.care_title) }
                        ul { @for line in &words.care { li { (line) } } }
                    }
                }
            }
            section {
                h2 { (words.log_title) }
                (form(card, shots))
                p class="quiet" { (words.log_note) }
            }
        }
    }
}

fn blank(label: &str) -> Markup {
    html! { span class="blank" { span class="quiet" { (label) } i {} } }
}

fn list(title: &str, lines: &[String], class: &str) -> Markup {
    html! {
        section {
            h2 { (title) }
            ul class=(class) { @for line in lines { li { (line) } } }
        }
    }
}

/// The take as a tape: plate, boom, plate, in the order of the calls.
fn tape(calls: &[String], seconds: u64, boom: &str) -> Markup {
    let label = calls.join(" ");
    let plate = |x: u32| {
        html! {
            rect class="plate" x=(x) y="20" width="150" height="26" {}
            text class="on" x=(x + 75) y="38" { (seconds) " s" }
        }
    };
    let mut ticks = String::new();
    for at in 0..56 {
        ticks += &format!("M{} 20v{}", at * 18 + 5, if at % 5 == 0 { 12 } else { 6 });
    }
    html! {
        svg class="strip" viewBox="0 0 1000 48" role="img" aria-label=(label) {
            rect class="tape" x="0" y="18" width="1000" height="30" {}
            path class="tick" d=(ticks) {}
            (plate(70)) (plate(800))
            path class="drop" d="M250 2V18M760 2V18M250 2H760" {}
            text class="boomword" x="505" y="14" { (boom) }
            path class="stopline" d="M970 4V48" {}
        }
    }
}

fn lengths(card: &Card<'_>, shots: &[Shot]) -> Markup {
    let words = card.words;
    let heads = words.length_heads();
    let none = [Shot::default()];
    let shots = if shots.is_empty() { &none[..] } else { shots };
    html! {
        table class="lengths" {
            thead { tr { @for head in heads { th scope="col" { (head) } } } }
            tbody {
                @for shot in shots.iter().take(SHOTS_ON_A_CARD) {
                    tr { @for (at, cell) in card.lengths(shot).iter().enumerate() {
                        td class=(if at == 0 { "" } else if at == 3 || at == 4 { "num ask" } else { "num" }) { (cell) }
                    } }
                }
            }
        }
    }
}

/// The form: its columns in the log's order, the log's own names small below.
fn form(card: &Card<'_>, shots: &[Shot]) -> Markup {
    let rows = FORM_ROWS.max(shots.len());
    html! {
        table class="form" {
            thead { tr { @for (word, key) in card.words.log_columns.iter().zip(LOG_KEYS) {
                th scope="col" { (word) br; code { (key) } }
            } } }
            tbody {
                @for at in 0..rows {
                    tr {
                        @let shot = shots.get(at);
                        @let part = |part: Option<&Option<String>>| part.cloned().flatten().map_or(String::new(), |text| shown(&text, 16));
                        td { (part(shot.map(|shot| &shot.scene))) }
                        td { (part(shot.map(|shot| &shot.slate))) }
                        td {}
                        td { (part(shot.map(|shot| &shot.camera))) }
                        td {} td {} td {} td {} td {}
                    }
                }
            }
        }
    }
}

/// The card is denser than the report: all of it on one sheet, read at arm's length.
const RULES: &str = r#"
.card{max-width:1060px;margin:0 auto;padding:14px 22px 22px}
.card h1{margin:0;font-size:34px}
.card h2{margin:9px 0 3px;padding-top:3px;font-size:17px;border-top:2px solid var(--ink)}
.card p,.card li,.card td,.card th{font-size:13px;line-height:1.3}
.card p{margin:2px 0}
.card ul,.card ol{margin:2px 0;padding-left:20px}
.card .quiet{font-size:11.5px}
.top{display:flex;justify-content:space-between;gap:24px;align-items:end}
.blanks{display:grid;gap:4px;min-width:38%}
.blanks.two{grid-template-columns:1fr 1fr;gap:14px;margin-top:4px}
.blank,.agree li{display:flex;gap:6px;align-items:baseline}
.blank i,.agree i{flex:1;border-bottom:1px solid var(--rule);height:1.15em;min-width:3em}
.agree{list-style:none;counter-reset:who}.card .agree{padding:0}
.agree li::before{counter-increment:who;content:counter(who);font-weight:700;min-width:14px}
.cols{display:grid;grid-template-columns:1.12fr 1fr;gap:0 26px}
.calls li{font-size:14px;padding:1px 0}
.calls li::marker{font-weight:700}
ul.tick{list-style:none;padding-left:0}
ul.tick li::before{content:"";display:inline-block;width:9px;height:9px;border:1.5px solid var(--ink);margin-right:8px}
.care{border-left:5px double var(--stop);padding-left:12px;margin-top:8px}
.care h2{border-top:0;color:var(--stop);margin-top:0}
.strip{display:block;width:100%;height:auto;margin:8px 0 2px}
.strip .drop{fill:none;stroke:var(--boom);stroke-width:3}
.strip .boomword{fill:var(--boom);text-anchor:middle;font-weight:700}
.strip .stopline{stroke:var(--ink);stroke-width:4}
.lengths th,.lengths td{padding:1px 8px 1px 0;border-bottom:1px solid var(--pane)}
.lengths th:not(:first-child){text-align:right}
.card .ask{font-weight:700;font-size:15px}
.form{table-layout:fixed;border:1px solid var(--rule)}
.form th,.form td{border:1px solid var(--rule);padding:1px 4px;overflow-wrap:anywhere}
.form th:nth-child(-n+4){width:7%}.form th:last-child{width:20%}
.form code{font-size:10px;color:var(--quiet)}
.form td{height:23px}
@media print{@page{margin:9mm}
.card{max-width:none;padding:0;break-after:page;break-inside:avoid}
.card:last-of-type{break-after:auto}
.card h1{font-size:19pt}.card h2{font-size:10.5pt;margin:4pt 0 1pt;padding-top:1pt}
.card p,.card li,.card td,.card th{font-size:7.8pt;line-height:1.22}.card .quiet{font-size:7pt}
.calls li,.card .ask{font-size:8.6pt}.form td{height:14.5pt}.form code{font-size:6pt}
.cols{gap:0 14pt}.strip{margin:4pt 0 0}}
@media screen and (max-width:760px){.cols,.top{display:block}}
"#;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::setcard::language;
    use crate::settings::Settings;

    #[test]
    fn names_of_a_list_are_text_and_never_markup() {
        let words = language(None).expect("built in");
        let settings = Settings::default();
        let shot = Shot { scene: Some("<b>12\u{7}".into()), ..Shot::default() };
        let page = page(&Card { words: &words, shots: &[shot], settings: &settings });
        assert!(page.contains("&lt;b&gt;12\\u{7}") && !page.contains("<b>12"));
        assert!(!page.contains("://"), "it reaches for nothing outside");
    }
}
