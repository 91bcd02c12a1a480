//! Runs of record time, and sets of them.

use super::ratio::Ratio;
use std::collections::BTreeMap;

/// A half-open run of record time in seconds; empty if it starts where it ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Span {
    pub start: Ratio,
    pub end: Ratio,
}

impl Span {
    /// Makes the run between two instants given in either order.
    pub fn between(a: Ratio, b: Ratio) -> Span {
        if b < a { Span { start: b, end: a } } else { Span { start: a, end: b } }
    }

    pub fn is_empty(&self) -> bool {
        self.end <= self.start
    }

    /// Returns what is in both; empty, at the nearest instant of `self`, if nothing is.
    pub fn and(&self, other: &Span) -> Span {
        let start = self.start.clone().max(other.start.clone()).min(self.end.clone());
        let end = self.end.clone().min(other.end.clone()).max(start.clone());
        Span { start, end }
    }
}

/// What a nest lets be seen of its inside; `None` is without end.
#[derive(Debug, Clone)]
pub(super) struct Window(pub Option<Span>);

impl Window {
    pub fn of(&self, span: &Span) -> Span {
        self.0.as_ref().map_or_else(|| span.clone(), |window| span.and(window))
    }
}

/// A set of record time, kept as runs that do not touch.
#[derive(Debug, Clone, Default)]
pub(super) struct SpanSet(BTreeMap<Ratio, Ratio>);

impl SpanSet {
    /// Adds a run; runs that touch become one.
    pub fn add(&mut self, span: &Span) {
        if span.is_empty() {
            return;
        }
        let (mut start, mut end) = (span.start.clone(), span.end.clone());
        while let Some((from, to)) = self.last_up_to(&end) {
            if to < start {
                break;
            }
            self.0.remove(&from);
            start = start.min(from);
            end = end.max(to);
        }
        self.0.insert(start, end);
    }

    fn last_up_to(&self, at: &Ratio) -> Option<(Ratio, Ratio)> {
        self.0.range(..=at).next_back().map(|(from, to)| (from.clone(), to.clone()))
    }

    /// Returns the end of the run that holds an instant.
    pub fn end_of_run_at(&self, at: &Ratio) -> Option<&Ratio> {
        self.0.range(..=at).next_back().map(|(_, to)| to).filter(|to| *to > at)
    }

    /// Tells whether any of `span` is in the set.
    pub fn touches(&self, span: &Span) -> bool {
        if span.is_empty() {
            return false;
        }
        let before = self.0.range(..&span.end).next_back();
        before.is_some_and(|(_, to)| *to > span.start)
    }

    /// Adds all runs of another set.
    pub fn take_runs(&mut self, other: &SpanSet) {
        other.runs().for_each(|run| self.add(&run));
    }

    pub fn runs(&self) -> impl Iterator<Item = Span> {
        self.0.iter().map(|(start, end)| Span { start: start.clone(), end: end.clone() })
    }
}

/// Tells whether several sets together hold all of a run.
pub(super) fn hold_together(sets: &[&SpanSet], span: &Span) -> bool {
    let mut at = span.start.clone();
    while at < span.end {
        match sets.iter().filter_map(|set| set.end_of_run_at(&at)).max() {
            Some(end) => at = end.clone(),
            None => return false,
        }
    }
    !span.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(start: i64, end: i64) -> Span {
        Span { start: Ratio::whole(start), end: Ratio::whole(end) }
    }

    #[test]
    fn runs_side_by_side_hold_what_spans_them() {
        let (mut one, mut two) = (SpanSet::default(), SpanSet::default());
        for (start, end) in [(0, 4), (10, 12), (4, 6)] {
            one.add(&span(start, end));
        }
        two.add(&span(5, 11));
        assert_eq!(one.runs().collect::<Vec<_>>(), [span(0, 6), span(10, 12)]);
        assert!(hold_together(&[&one, &two], &span(1, 12)));
        assert!(!hold_together(&[&one], &span(1, 12)));
        assert!(!hold_together(&[&one, &two], &span(1, 13)));
        assert!(one.touches(&span(5, 8)) && !one.touches(&span(6, 10)));
    }

    #[test]
    fn a_run_that_spans_others_takes_them_in() {
        let mut set = SpanSet::default();
        for (start, end) in [(0, 1), (2, 3), (4, 5), (1, 4), (7, 8)] {
            set.add(&span(start, end));
        }
        assert_eq!(set.runs().collect::<Vec<_>>(), [span(0, 5), span(7, 8)]);
    }
}
