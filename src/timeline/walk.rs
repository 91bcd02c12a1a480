//! Walks a timeline to its uses, once from top to bottom, with exact fractions.

use super::faults::Collector;
use super::json::{Node, NodeId};
use super::media::{self, Sort};
use super::model::{Child, Item, Kind, Nest};
use super::ratio::Ratio;
use super::span::{Span, SpanSet, hold_together};
use super::used::{RecordSpan, Speed, Use};
use super::view::{Clock, Showing, View, clocks_inside, views_inside};
use crate::settings::ReverseAnchor;
use crate::time::{Exact, FrameRange, Rate, joined, whole};

/// How many things in a cut were not judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counted {
    /// Clips on audio tracks.
    pub audio: usize,
    /// Clips a host generates: bars, solids.
    pub generators: usize,
    /// Titles.
    pub titles: usize,
    /// Clips that only carry effects for what lies below.
    pub adjustments: usize,
    /// Gaps.
    pub gaps: usize,
    /// Clips that are disabled, or in something disabled.
    pub disabled: usize,
    /// Clips of which trims leave nothing, or that have no length.
    pub unseen: usize,
    /// Items of schemas this program does not know.
    pub unknown: usize,
    /// Clips this program put there in an earlier run.
    pub ours: usize,
}

/// Walks from the root to every use.
pub(super) struct Walker<'a> {
    pub cut_rate: Rate,
    pub anchor: ReverseAnchor,
    pub counted: Counted,
    /// Each use with its clip.
    /// Boxed, since they are moved from list to list and are large.
    pub uses: Vec<(Box<Use>, NodeId)>,
    pub faults: Collector<'a>,
    /// What lies above the place where the walk stands, one layer for each stack around.
    above: Vec<Layer>,
    track: usize,
}

/// What lies above, in record time.
#[derive(Debug, Default)]
struct Layer {
    opaque: SpanSet,
    effects: SpanSet,
}

impl Layer {
    fn take(&mut self, other: &Layer) {
        self.opaque.take_runs(&other.opaque);
        self.effects.take_runs(&other.effects);
    }
}

/// What a nest hands down to what is inside.
struct Around {
    views: Vec<View>,
    reframes: Vec<String>,
    /// True if something may lie below.
    over: bool,
}

impl<'a> Walker<'a> {
    pub fn new(cut_rate: Rate, anchor: ReverseAnchor, faults: Collector<'a>) -> Walker<'a> {
        Walker {
            cut_rate,
            anchor,
            counted: Counted::default(),
            uses: Vec::new(),
            faults,
            above: Vec::new(),
            track: 0,
        }
    }

    /// Says which track the next root is on, if it is no stack.
    pub fn set_track(&mut self, track: usize) {
        self.track = track;
    }

    /// Walks the root stack, which lies at record time zero.
    pub fn root(&mut self, child: &Child<'_>) {
        let around = Around { views: vec![View::root()], reframes: Vec::new(), over: false };
        self.child(child, &around, &mut Layer::default(), true);
        self.uses
            .sort_by(|(a, _), (b, _)| (a.track, &a.record.start).cmp(&(b.track, &b.record.start)));
    }

    /// Walks a child; `below` takes what it does to what lies under it.
    fn child(&mut self, child: &Child<'_>, around: &Around, below: &mut Layer, is_root: bool) {
        let item = &child.item;
        if item.ours && !is_root {
            self.counted.ours += clips(item);
            return;
        }
        if !item.enabled {
            self.counted.disabled += clips(item);
            return;
        }
        if let Kind::Nest(nest) = &item.kind
            && !nest.is_picture
        {
            self.counted.audio += clips(item);
            return;
        }
        if matches!(item.kind, Kind::Gap) {
            self.counted.gaps += 1;
            return;
        }
        let shown: Vec<(View, Showing)> = around
            .views
            .iter()
            .filter_map(|view| Some((view.clone(), view.shows(child)?)))
            .collect();
        if shown.is_empty() {
            self.counted.unseen += clips(item);
            return;
        }
        match &item.kind {
            Kind::Clip => self.clip(child, &shown, around, below),
            Kind::Nest(nest) => self.nest(child, nest, &shown, around, below, is_root),
            Kind::Gap => {}
            Kind::Unknown => {
                self.counted.unknown += 1;
                shown.iter().for_each(|(_, showing)| below.effects.add(&showing.seen));
            }
        }
    }

    fn nest(
        &mut self,
        child: &Child<'_>,
        nest: &Nest<'_>,
        shown: &[(View, Showing)],
        around: &Around,
        below: &mut Layer,
        is_root: bool,
    ) {
        let mut inside = Around {
            views: views_inside(shown, child, self.anchor, self.cut_rate),
            reframes: with_names(&around.reframes, &child.item.effects),
            over: around.over,
        };
        let mut layer = Layer::default();
        self.faults_below("children", |walker| {
            if nest.is_track {
                for child in &nest.children {
                    walker.at_index(child.index, |walker| {
                        walker.child(child, &inside, &mut layer, false);
                    });
                }
            } else {
                walker.stack(nest, &mut inside, &mut layer, is_root);
            }
        });
        below.effects.take_runs(&layer.effects);
        let has_effects = child.item.has_effects
            || child.item.node.get("metadata").is_some_and(media::hints_at_blending);
        if has_effects {
            shown.iter().for_each(|(_, showing)| below.effects.add(&showing.seen));
        } else {
            below.opaque.take_runs(&layer.opaque);
        }
    }

    /// Walks a stack from its top, so that what lies above is known.
    fn stack(&mut self, nest: &Nest<'_>, inside: &mut Around, layer: &mut Layer, is_root: bool) {
        let over = inside.over;
        let mut groups = Vec::new();
        self.above.push(Layer::default());
        for (place, child) in nest.children.iter().enumerate().rev() {
            if is_root {
                self.track = child.index;
            }
            inside.over = over || place > 0;
            let mut own = Layer::default();
            let others = std::mem::take(&mut self.uses);
            self.at_index(child.index, |walker| walker.child(child, inside, &mut own, false));
            groups.push(std::mem::replace(&mut self.uses, others));
            if let Some(top) = self.above.last_mut() {
                top.take(&own);
            }
        }
        self.uses.extend(groups.into_iter().rev().flatten());
        if let Some(all) = self.above.pop() {
            layer.take(&all);
        }
    }

    fn clip(
        &mut self,
        child: &Child<'_>,
        shown: &[(View, Showing)],
        around: &Around,
        below: &mut Layer,
    ) {
        let item = &child.item;
        let sort = media::sort(item.node);
        if item.has_effects || sort == Sort::Adjustment {
            shown.iter().for_each(|(_, showing)| below.effects.add(&showing.seen));
        }
        match sort {
            Sort::Picture => {}
            Sort::Generator => self.counted.generators += 1,
            Sort::Title => self.counted.titles += 1,
            Sort::Adjustment => self.counted.adjustments += 1,
        }
        let (Sort::Picture, true, Some(clip_rate)) = (sort, item.readable, item.rate) else {
            return;
        };
        let used = self.used(child, shown, around, clip_rate);
        let inside_media = used.references.first().and_then(|active| active.available.as_ref());
        let has_media = inside_media.is_none_or(|(start, end)| {
            used.media_span.as_ref().is_some_and(|span| *start <= span.0 && span.1 <= *end)
        });
        if around.over
            && !item.has_effects
            && has_media
            && shown.len() == 1
            && media::is_opaque(item.node, &used.references)
        {
            below.opaque.add(&shown[0].1.clear);
        }
        self.uses.push((Box::new(used), item.node.id()));
    }

    fn used(
        &mut self,
        child: &Child<'_>,
        shown: &[(View, Showing)],
        around: &Around,
        clip_rate: Rate,
    ) -> Use {
        let item = &child.item;
        let readings: Vec<(Clock, &Showing)> = shown
            .iter()
            .flat_map(|(view, showing)| {
                let clocks = clocks_inside(&view.clock, child, self.anchor, self.cut_rate);
                clocks.into_iter().map(move |clock| (clock, showing))
            })
            .collect();
        let (main, showing) = &readings[0];
        let media: Vec<Shown> = readings
            .iter()
            .filter_map(|(clock, showing)| Shown::of(clock, showing, clip_rate))
            .collect();
        let known = media.len() == readings.len();
        let span = |pick: fn(&Shown) -> &Ratio, low: bool| {
            let ends = media.iter().map(pick);
            if low { ends.min() } else { ends.max() }.map(Ratio::exact)
        };
        let media_span = span(|shown| &shown.low, true).zip(span(|shown| &shown.high, false));
        let frames = media.iter().map(|shown| shown.frames).reduce(joined);
        let media_start = main.at(&showing.own.start).unwrap_or(item.start.clone());
        let held = matches!(main, Clock::Held { .. });
        let media_start = &media_start * &Ratio::rate(clip_rate);
        Use {
            pointer: self.faults.path().to_string(),
            clip: text_of(item.node, "name"),
            track: self.track,
            record: record(&showing.own),
            visible: record(&showing.seen),
            range_in_cut: self.cut_frames(&showing.own),
            speed: match main {
                Clock::Running { slope, .. } => Speed::Constant(slope.exact()),
                Clock::Held { .. } => Speed::Freeze,
                Clock::Lost(why) => Speed::Unknown(why.clone()),
            },
            clip_rate,
            media_start: if held { whole(media_start.floor()) } else { media_start.exact() },
            media_span: media_span.filter(|_| known),
            used_in_clip: frames.filter(|_| known),
            rendered_in_clip: media.first().map(|shown| shown.frames).filter(|_| known),
            references: media::references(item.node, clip_rate, &mut self.faults),
            texts: media::texts(item.node),
            shot_name: media::shot_name(item.node),
            reframes: with_names(&around.reframes, &item.effects),
            covered: shown.iter().all(|(_, showing)| self.is_covered(&showing.seen)),
            first_clear_in_clip: first_clear(child, &shown[0].0, showing, clip_rate),
        }
    }

    fn cut_frames(&self, span: &Span) -> FrameRange {
        let rate = Ratio::rate(self.cut_rate);
        FrameRange::new((&span.start * &rate).floor(), (&span.end * &rate).ceil())
    }

    fn is_covered(&self, seen: &Span) -> bool {
        let opaque: Vec<&SpanSet> = self.above.iter().map(|layer| &layer.opaque).collect();
        hold_together(&opaque, seen) && !self.above.iter().any(|layer| layer.effects.touches(seen))
    }

    fn faults_below(&mut self, step: &str, walk: impl FnOnce(&mut Self)) {
        let length = self.faults.enter(step);
        walk(self);
        self.faults.leave(length);
    }

    fn at_index(&mut self, index: usize, walk: impl FnOnce(&mut Self)) {
        self.faults_below(&index.to_string(), walk);
    }
}

/// What one reading shows of the media, in frames of the clip clock.
struct Shown {
    low: Ratio,
    high: Ratio,
    frames: FrameRange,
}

impl Shown {
    fn of(clock: &Clock, showing: &Showing, rate: Rate) -> Option<Shown> {
        let frames = |instant: &Ratio| Some(&clock.at(instant)? * &Ratio::rate(rate));
        let (from, to) = (frames(&showing.seen.start)?, frames(&showing.seen.end)?);
        if matches!(clock, Clock::Held { .. }) {
            let frame = from.floor();
            let (low, high) = (Ratio::whole(frame), Ratio::whole(frame.saturating_add(1)));
            let frames = FrameRange::new(frame, frame.saturating_add(1));
            return Some(Shown { low, high, frames });
        }
        let span = Span::between(from, to);
        let frames = FrameRange::new(span.start.floor(), span.end.ceil());
        Some(Shown { low: span.start, high: span.end, frames })
    }
}

/// Returns the first frame of the clip's own time that no transition touches. Own time
/// runs from the start of the clip's range at speed 1, whatever its effects: that is where
/// hosts look for a clip's markers.
fn first_clear(child: &Child<'_>, view: &View, showing: &Showing, rate: Rate) -> Option<i64> {
    let own_frames = |instant: &Ratio| {
        let offset = match &view.clock {
            Clock::Running { .. } => &view.clock.at(instant)? - &child.position,
            Clock::Held { .. } | Clock::Lost(_) => Ratio::ZERO,
        };
        Some(&(&child.item.start + &offset) * &Ratio::rate(rate))
    };
    let of = |span: &Span| Some(Span::between(own_frames(&span.start)?, own_frames(&span.end)?));
    let (clear, own) = (of(&showing.clear)?, of(&showing.own)?);
    let first = clear.start.ceil();
    if Ratio::whole(first) < clear.end {
        return Some(first);
    }
    let first = own.start.ceil();
    Some(if Ratio::whole(first) < own.end { first } else { own.start.floor() })
}

fn record(span: &Span) -> RecordSpan {
    let (start, end): (Exact, Exact) = (span.start.exact(), span.end.exact());
    RecordSpan { start, end }
}

fn with_names(before: &[String], more: &[String]) -> Vec<String> {
    let mut names = before.to_vec();
    for name in more {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

fn text_of(node: Node<'_>, key: &str) -> String {
    node.get(key).and_then(Node::text).unwrap_or_default().into_owned()
}

/// Counts the clips in an item.
fn clips(item: &Item<'_>) -> usize {
    match &item.kind {
        Kind::Clip => 1,
        Kind::Nest(nest) => nest.children.iter().map(|child| clips(&child.item)).sum(),
        Kind::Gap | Kind::Unknown => 0,
    }
}
