//! Picks and orders the shots on the page: a form that is there only where scripts run, and
//! the script itself. Without it the page shows every shot in the order of the cut.

use super::words::counted;
use crate::findings::{Findings, UseFinding, Verdict};
use crate::reason::Severity;
use maud::{Markup, PreEscaped, html};

/// The script: no network, no storage, no clock.
const SCRIPT: &str = include_str!("picker.js");

/// Urgency of a use nobody has to decide on.
pub(super) const NOTHING_TO_DECIDE: u8 = 4;

/// How soon somebody must decide: 0 first.
pub(super) fn urgency(found: &UseFinding) -> u8 {
    let worst = found.reasons.iter().map(|reason| reason.severity).max();
    match (found.verdict, worst) {
        (Verdict::Unlisted, _) => NOTHING_TO_DECIDE,
        (Verdict::Undecided, _) => 0,
        (Verdict::ByHand, _) => 1,
        (_, Some(Severity::Stop)) => 2,
        (_, Some(Severity::Attention)) => 3,
        _ => NOTHING_TO_DECIDE,
    }
}

/// The form above the shots; `shown` are those that have a section.
pub(super) fn form(findings: &Findings, shown: &[&UseFinding]) -> Markup {
    let count = |verdict| shown.iter().filter(|found| found.verdict == verdict).count() as u64;
    let waiting = shown.iter().filter(|found| urgency(found) < NOTHING_TO_DECIDE).count() as u64;
    html! {
        form id="pick" role="search" aria-label="Pick and order shots" hidden {
            div class="row" {
                label for="find" { "Find" }
                input type="search" id="find" name="find" autocomplete="off" placeholder="shot, clip, take, reason";
                label for="order" { "Order" }
                select id="order" name="order" {
                    option value="cut" selected { "as in the cut" }
                    option value="urgent" { "to be decided first" }
                    option value="frames" { "most frames to patch" }
                    option value="name" { "by shot" }
                    option value="verdict" { "by verdict" }
                }
                label {
                    input type="checkbox" name="waiting" value="yes";
                    " needs a decision (" (waiting) ")"
                }
            }
            fieldset {
                legend { "Verdict" }
                @for verdict in Verdict::ALL {
                    @if count(verdict) > 0 {
                        label {
                            input type="checkbox" name="verdict" value=(verdict.word()) checked;
                            " " (verdict.shown()) " (" (count(verdict)) ")"
                        }
                    }
                }
            }
            div class="row" {
                output id="picked" for="find order" aria-live="polite" {
                    (counted(shown.len() as u64, "shot")) " of " (counted(findings.uses.len() as u64, "use"))
                }
                button type="reset" { "Show all" }
                button type="button" id="open-all" { "Open all shown" }
                button type="button" id="close-all" { "Close all" }
            }
        }
    }
}

/// The script element at the foot of the page.
pub(super) fn script() -> Markup {
    html! { script { (PreEscaped(SCRIPT)) } }
}
