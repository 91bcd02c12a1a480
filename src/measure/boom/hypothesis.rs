//! What references tell of a take, and which of it is to be believed first.

use crate::measure::Mask;
use std::ops::Range;

/// What one reference tells of a lock-off.
#[derive(Clone)]
pub(super) struct Hypothesis {
    pub spans: Vec<Range<usize>>,
    pub region: Mask,
    pub score: f64,
    /// References that tell the same.
    pub support: usize,
}

/// Joins spans that touch, or nearly so.
pub(super) fn merged(mut spans: Vec<Range<usize>>) -> Vec<Range<usize>> {
    spans.sort_by_key(|span| (span.start, span.end));
    let mut joined: Vec<Range<usize>> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start <= last.end + 2 => last.end = last.end.max(span.end),
            _ => joined.push(span),
        }
    }
    joined
}

/// Ranks what the references tell: those that tell alike support each other.
pub(super) fn ranked(mut all: Vec<Hypothesis>) -> Vec<Hypothesis> {
    all.retain(|one| !one.spans.is_empty() && one.score > 0.0);
    let support: Vec<f64> = all
        .iter()
        .map(|one| {
            all.iter()
                .filter(|other| likeness(&one.spans, &other.spans) >= 0.9)
                .map(|other| other.score)
                .sum()
        })
        .collect();
    let alike: Vec<usize> = all
        .iter()
        .map(|one| all.iter().filter(|other| likeness(&one.spans, &other.spans) >= 0.8).count())
        .collect();
    all.iter_mut().zip(alike).for_each(|(one, count)| one.support = count);
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|a, b| {
        support[*b]
            .total_cmp(&support[*a])
            .then(all[*b].score.total_cmp(&all[*a].score))
            .then(a.cmp(b))
    });
    let mut kept: Vec<usize> = Vec::new();
    for at in order {
        if kept.len() < 3
            && kept.iter().all(|other| likeness(&all[*other].spans, &all[at].spans) < 0.9)
        {
            kept.push(at);
        }
    }
    let mut slots: Vec<Option<Hypothesis>> = all.into_iter().map(Some).collect();
    kept.into_iter().filter_map(|at| slots[at].take()).collect()
}

/// Frames in both over frames in either.
pub(super) fn likeness(a: &[Range<usize>], b: &[Range<usize>]) -> f32 {
    let count = |spans: &[Range<usize>]| spans.iter().map(|span| span.len()).sum::<usize>();
    let both: usize = a
        .iter()
        .flat_map(|a| b.iter().map(move |b| a.end.min(b.end).saturating_sub(a.start.max(b.start))))
        .sum();
    both as f32 / (count(a) + count(b) - both).max(1) as f32
}
