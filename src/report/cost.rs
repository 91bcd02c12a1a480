//! What shots cost, from the rates of the settings and nothing else.

use crate::findings::{Findings, UseFinding, Verdict};

/// Returns what one use costs; `None` where no rate of its verdict is given.
pub(super) fn cost_of_use(findings: &Findings, found: &UseFinding) -> Option<f64> {
    rate(findings, found.verdict)
}

/// Returns what all uses cost together; `None` where no rates are given.
pub(super) fn cost_of(findings: &Findings) -> Option<f64> {
    let costs = findings.uses.iter().filter_map(|found| cost_of_use(findings, found));
    (!findings.settings.rates.is_empty()).then(|| costs.sum())
}

/// Returns what all uses of a verdict cost together; `None` where its rate is not given.
pub(super) fn cost_of_verdict(findings: &Findings, verdict: Verdict) -> Option<f64> {
    let uses = findings.uses.iter().filter(|found| found.verdict == verdict).count();
    rate(findings, verdict).map(|rate| rate * uses as f64)
}

/// Says a cost with its unit, to two places where it is not whole.
pub(super) fn cost_words(findings: &Findings, cost: f64) -> String {
    let figure = if cost.fract() == 0.0 { format!("{cost}") } else { format!("{cost:.2}") };
    format!("{figure} {}", super::words::said(&findings.settings.rates_in)).trim_end().to_string()
}

fn rate(findings: &Findings, verdict: Verdict) -> Option<f64> {
    findings.settings.rates.get(verdict.word()).copied()
}
