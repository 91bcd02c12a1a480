//! From a nest's own time to record time and back, through trims, speeds and reversals at
//! every level.

use super::model::{Child, Item, Kind};
use super::pace::Pace;
use super::ratio::Ratio;
use super::span::{Span, Window};
use crate::settings::ReverseAnchor;
use crate::time::Rate;

/// Reversed nests double the ways a clip may be read; past this many it is not computed.
const MOST_READINGS: usize = 8;

/// How a nest's own time, in seconds, runs in record time.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Clock {
    /// At record time `record` it is `at`; it runs `slope` seconds a second, never zero.
    Running { at: Ratio, record: Ratio, slope: Ratio },
    /// It stands.
    Held { at: Ratio },
    /// Nobody knows; the text says why.
    Lost(String),
}

impl Clock {
    /// Returns the own time at a record time.
    pub fn at(&self, instant: &Ratio) -> Option<Ratio> {
        match self {
            Clock::Running { at, record, slope } => Some(at + &(&(instant - record) * slope)),
            Clock::Held { at } => Some(at.clone()),
            Clock::Lost(_) => None,
        }
    }

    /// Returns the clock inside an item that begins at `position` of this clock's time and
    /// then shows `base`, at constant speed `scalar`.
    fn inside(&self, position: &Ratio, base: &Ratio, scalar: &Ratio, frame: &Ratio) -> Clock {
        let inner = |at: &Ratio| base + &(&(at - position) * scalar);
        match self {
            Clock::Running { at, record, slope } => {
                Clock::Running { at: inner(at), record: record.clone(), slope: slope * scalar }
            }
            // The frame shown backward from an instant is the one before it.
            Clock::Held { at } if scalar.is_negative() => Clock::Held { at: &inner(at) - frame },
            Clock::Held { at } => Clock::Held { at: inner(at) },
            Clock::Lost(why) => Clock::Lost(why.clone()),
        }
    }
}

/// One reading of a nest: its clock, and what may be seen of it, all in record time.
#[derive(Debug, Clone)]
pub(super) struct View {
    pub clock: Clock,
    /// Without the overhang of transitions.
    pub cut: Window,
    /// With it.
    pub seen: Window,
    /// Where no transition is.
    pub clear: Window,
}

/// When one reading shows an item, in record time.
#[derive(Debug, Clone)]
pub(super) struct Showing {
    pub own: Span,
    pub seen: Span,
    pub clear: Span,
}

impl View {
    /// The outermost view: the timeline's own time is record time.
    pub fn root() -> View {
        let at = Ratio::ZERO;
        let clock = Clock::Running { at: at.clone(), record: at, slope: Ratio::whole(1) };
        View { clock, cut: Window(None), seen: Window(None), clear: Window(None) }
    }

    /// Returns when a child is shown; `None` if trims leave nothing of it.
    pub fn shows(&self, child: &Child<'_>) -> Option<Showing> {
        let start = &child.position;
        let end = start + &child.item.duration;
        let first = start - &child.before.in_offset;
        let last = &end + &child.after.out_offset;
        match &self.clock {
            Clock::Running { at, record, slope } => {
                let instant = |time: &Ratio| record + &(time - at).over(slope);
                let seen = self.seen.of(&Span::between(instant(&first), instant(&last)));
                if seen.is_empty() {
                    return None;
                }
                let own = self.cut.of(&Span::between(instant(start), instant(&end)));
                let clear_from = start + &child.before.out_offset;
                let clear_to = (&end - &child.after.in_offset).max(clear_from.clone());
                let clear = Span::between(instant(&clear_from), instant(&clear_to)).and(&own);
                Some(Showing { clear: self.clear.of(&clear), own, seen })
            }
            Clock::Held { at } => {
                let (cut, seen, clear) = self.whole()?;
                if *at < first || *at >= last {
                    return None;
                }
                let nothing = Span { start: seen.start.clone(), end: seen.start.clone() };
                let own = if at >= start && *at < end { cut } else { nothing };
                Some(Showing { clear: own.and(&clear), own, seen })
            }
            Clock::Lost(_) => {
                let (own, seen, clear) = self.whole()?;
                Some(Showing { own, seen, clear })
            }
        }
    }

    fn whole(&self) -> Option<(Span, Span, Span)> {
        Some((self.cut.0.clone()?, self.seen.0.clone()?, self.clear.0.clone()?))
    }
}

/// Returns the clocks inside a child, the one that is rendered first: one, or two for a
/// child that plays backward.
///
/// A timeline does not say where a reversed item is anchored. With n frames from s it shows
/// either `[s - n + 1, s + 1)` or `[s, s + n)`. A nest has no picture outside its content,
/// so a reading that stays inside comes first whatever `anchor` says.
pub(super) fn clocks_inside(
    clock: &Clock,
    child: &Child<'_>,
    anchor: ReverseAnchor,
    cut_rate: Rate,
) -> Vec<Clock> {
    let item = &child.item;
    let frame = Ratio::frame(item.rate.unwrap_or(cut_rate));
    match &item.pace {
        Pace::Unknown(what) => vec![Clock::Lost(what.clone())],
        Pace::Freeze => vec![match clock {
            Clock::Lost(why) => Clock::Lost(why.clone()),
            _ => Clock::Held { at: item.start.clone() },
        }],
        Pace::Constant(scalar) if scalar.is_negative() => {
            let length = &item.duration * &scalar.abs();
            let mut tops = [&item.start + &frame, &item.start + &length];
            if anchor == ReverseAnchor::End {
                tops.swap(0, 1);
            }
            if is_outside(item, &tops[0], &length) && !is_outside(item, &tops[1], &length) {
                tops.swap(0, 1);
            }
            let inside = |top| clock.inside(&child.position, top, scalar, &frame);
            tops.iter().map(inside).collect()
        }
        Pace::Constant(scalar) => {
            vec![clock.inside(&child.position, &item.start, scalar, &frame)]
        }
    }
}

fn is_outside(item: &Item<'_>, top: &Ratio, length: &Ratio) -> bool {
    match &item.kind {
        Kind::Nest(nest) => (top - length).is_negative() || *top > nest.content,
        _ => false,
    }
}

/// Returns the views inside a nest, from all readings of it that are shown.
pub(super) fn views_inside(
    shown: &[(View, Showing)],
    child: &Child<'_>,
    anchor: ReverseAnchor,
    cut_rate: Rate,
) -> Vec<View> {
    let mut views = Vec::new();
    for (view, showing) in shown {
        for clock in clocks_inside(&view.clock, child, anchor, cut_rate) {
            // A track nobody trims, at the top, is not cut off where its last clip ends.
            let open = view.seen.0.is_none()
                && !child.item.trimmed
                && matches!(clock, Clock::Running { .. });
            let window = |span: &Span| Window(if open { None } else { Some(span.clone()) });
            views.push(View {
                clock,
                cut: window(&showing.own),
                seen: window(&showing.seen),
                clear: window(&showing.clear),
            });
        }
    }
    if views.len() > MOST_READINGS {
        views.truncate(1);
        views[0].clock = Clock::Lost("reversals nested in reversals".into());
        if let (None, Some((_, showing))) = (&views[0].seen.0, shown.first()) {
            views[0].cut = Window(Some(showing.own.clone()));
            views[0].seen = Window(Some(showing.seen.clone()));
            views[0].clear = Window(Some(showing.clear.clone()));
        }
    }
    views
}
