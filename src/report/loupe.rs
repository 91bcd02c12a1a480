//! Need drawn out to full width: handles and used, boom, patch, and the path of the plate
//! frames through it, forward up and backward down.

use super::clock::TakeClock;
use super::ruler::{ALL, LEFT, Ruled, WIDTH, boxes, lane_name};
use super::scale::{Place, Scale};
use super::tape::{TAPE, tape};
use super::words::counted;
use crate::findings::{PlateSummary, Verdict};
use crate::reason::Severity;
use crate::time::{Frame, FrameRange, union};
use maud::{Markup, html};

/// Height of the plate's path.
const CLIMB: i64 = 64;
/// With more runs than this the path is a blur and is drawn as one.
const MOST_RUNS: usize = 160;
/// With more patched runs than this no fade shows, and they are drawn as boxes.
const MOST_FADES: usize = 160;

/// Draws need below the take, tied to its place on the take's tape.
pub(super) fn loupe(ruled: &Ruled, need: FrameRange, take: &Scale, y: &mut i64) -> Markup {
    let scale = Scale { range: need, left: LEFT, width: WIDTH };
    let top = *y;
    *y += 34;
    let body_top = *y;
    let mut lanes = vec![affected_lane(ruled, &scale, y), frame_tape(ruled, &scale, y)];
    lanes.push(used_lane(ruled, &scale, y));
    lanes.push(patch_lane(ruled, &scale, y));
    lanes.extend(reason_lane(ruled, &scale, y));
    if let Some(plate) = &ruled.found.plate {
        lanes.push(path_lane(plate, ruled.found.verdict, &scale, y));
    }
    html! {
        (ties(need, take, top, body_top))
        rect class="pane" x="0" y=(body_top) width=(ALL) height=(*y - body_top + 4) {}
        @for lane in &lanes { (lane) }
    }
}

/// The two lines from need on the take's tape out to the full width below.
fn ties(need: FrameRange, take: &Scale, top: i64, foot: i64) -> Markup {
    let (from, width) = take.run(need).unwrap_or((Place(LEFT * 10), Place(WIDTH * 10)));
    let to = Place(from.0 + width.0);
    let right = LEFT + WIDTH;
    let shape = format!("M{from} {top}L{LEFT} {foot}H{right}L{to} {top}Z");
    html! {
        path class="pane" d=(shape) {}
        path class="hair" d=(format!("M{from} {top}L{LEFT} {foot}M{to} {top}L{right} {foot}")) {}
    }
}

fn affected_lane(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y + 6;
    *y += 28;
    let affected = &ruled.found.affected_in_take;
    html! {
        (lane_name(top + 15, "boom in used"))
        @if affected.is_empty() {
            text class="none" x=(LEFT) y=(top + 15) { "none" }
        } @else {
            (boxes(scale, affected, top, 22, "boom"))
        }
    }
}

/// The frame numbers all elements of the shot share.
fn frame_tape(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let zero = scale.range.start.0.saturating_sub(ruled.first_frame);
    let top = *y;
    *y += TAPE;
    html! {
        (lane_name(top + 20, "frame number"))
        (tape(scale, TakeClock::numbers(zero), "", top))
    }
}

/// Head handle, used, tail handle as a dimension line with their lengths.
fn used_lane(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y + 4;
    *y += 26;
    let need = scale.range;
    let used = ruled.found.used_in_take.and_then(|used| used.overlap(need));
    let used = used.unwrap_or(FrameRange { start: need.end, end: need.end });
    let head = FrameRange { start: need.start, end: used.start };
    let tail = FrameRange { start: used.end, end: need.end };
    let named = |run: FrameRange, word: &str| {
        let (x, width) = scale.run(run)?;
        let long = format!("{word} {}", counted(run.count().0, "frame"));
        let short = run.count().0.to_string();
        let fits = |text: &String| width.0 >= 10 * (7 * text.len() as i64);
        let text = [long, short].into_iter().find(fits)?;
        Some((Place(x.0 + width.0 / 2), text))
    };
    html! {
        (lane_name(top + 14, "used, handles"))
        (boxes(scale, &[head, tail], top + 8, 6, "handle"))
        (boxes(scale, &[used], top + 1, 20, "used"))
        @if let Some((x, text)) = named(used, "used") {
            text class="mid" style="fill:var(--page)" x=(x) y=(top + 15) { (text) }
        }
    }
}

/// Where the patch is on, sloping where it fades in and out.
fn patch_lane(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y + 2;
    *y += 24;
    let affected = union(&ruled.found.affected_in_take);
    let runs = union(&ruled.found.patched_in_take);
    let shape = |run: &FrameRange| {
        let run = run.overlap(scale.range)?;
        let inside: Vec<FrameRange> = affected.iter().filter_map(|a| a.overlap(run)).collect();
        let full_from = inside.first().map_or(run.start, |first| first.start);
        let full_to = inside.last().map_or(run.end, |last| last.end);
        let (a, b, c, d) =
            (scale.x(run.start), scale.x(full_from), scale.x(full_to), scale.x(run.end));
        Some(format!("M{a} {}L{b} {top}H{c}L{d} {}Z", top + 18, top + 18))
    };
    let shapes: Vec<String> = runs.iter().take(MOST_FADES).filter_map(shape).collect();
    html! {
        (lane_name(top + 13, if ruled.found.verdict.has_plate() { "patch on" } else { "to patch" }))
        @if shapes.is_empty() { text class="none" x=(LEFT) y=(top + 13) { "nowhere" } }
        @if runs.len() > MOST_FADES {
            (boxes(scale, &runs, top, 18, "patch"))
        } @else {
            @for shape in &shapes { path class="patch" d=(shape) {} }
        }
    }
}

/// Where the reasons lie that name frames: stops solid, attentions as outlines. Notes are
/// left to the text.
fn reason_lane(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Option<Markup> {
    let of = |severity: Severity| -> Vec<FrameRange> {
        let reasons = ruled.found.reasons.iter().filter(|reason| reason.severity == severity);
        reasons.filter_map(|reason| reason.range_in_take?.overlap(scale.range)).collect()
    };
    let (stops, attentions) = (of(Severity::Stop), of(Severity::Attention));
    let name = match (stops.is_empty(), attentions.is_empty()) {
        (true, true) => return None,
        (false, true) => "stop",
        (true, false) => "attention",
        (false, false) => "stop, attention",
    };
    let top = *y + 4;
    *y += 22;
    Some(html! {
        (lane_name(top + 11, name))
        (boxes(scale, &attentions, top + 2, 11, "m-look"))
        (boxes(scale, &stops, top + 1, 13, "m-stop"))
    })
}

/// The path of the plate: across, the frames of need; up, the frames of the plate.
fn path_lane(plate: &PlateSummary, verdict: Verdict, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y + 16;
    let Some(map) = plate.map.as_ref().filter(|map| !map.is_empty()) else {
        *y += 24;
        return html! {
            (lane_name(top + 2, "plate runs"))
            text class="none" x=(LEFT) y=(top + 2) { (unlaid(verdict)) }
        };
    };
    *y += CLIMB + 28;
    let low = map.iter().map(|run| run[0].min(run[1])).min().unwrap_or(0);
    let high = map.iter().map(|run| run[0].max(run[1])).max().unwrap_or(0);
    html! {
        (lane_name(top + 10, "plate runs"))
        text class="num end" x=(LEFT - 10) y=(top + 26) { "plate frame " (high) }
        text class="num end" x=(LEFT - 10) y=(top + CLIMB) { "plate frame " (low) }
        path class="dash" d=(format!("M{LEFT} {top}h{WIDTH}M{LEFT} {}h{WIDTH}", top + CLIMB)) {}
        @if map.len() > MOST_RUNS {
            rect class="dense" x=(LEFT) y=(top) width=(WIDTH) height=(CLIMB) {}
            text class="num mid" x=(LEFT + WIDTH / 2) y=(top - 4) { (map.len()) " runs, too close to draw apart" }
        } @else {
            (path(map, scale, (low, high), top))
            (eases(plate, scale, top))
        }
    }
}

/// Why a plate has no frame map.
fn unlaid(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Still => "one averaged frame, held throughout",
        Verdict::Gather => "built from many frames, each pixel from where it is clean",
        _ => "not laid out frame by frame yet",
    }
}

fn path(map: &[[i64; 3]], scale: &Scale, (low, high): (i64, i64), top: i64) -> Markup {
    let climb = |frame: i64| {
        let span = (i128::from(high) - i128::from(low)).max(1);
        let up = (i128::from(frame) - i128::from(low)) * i128::from(CLIMB * 10) / span;
        let up = if high == low { CLIMB * 5 } else { up as i64 };
        Place((top + CLIMB) * 10 - up)
    };
    let mut line = String::new();
    let mut numbers = Vec::new();
    let mut at = scale.range.start.0;
    for (pass, run) in map.iter().enumerate() {
        let frames = run_length(run);
        let last = at.saturating_add(frames - 1);
        let (from, to) = (scale.middle(Frame(at)), scale.middle(Frame(last)));
        let verb = if line.is_empty() { 'M' } else { 'L' };
        line.push_str(&format!("{verb}{from} {}", climb(run[0])));
        if frames > 1 {
            line.push_str(&format!("L{to} {}", climb(run[1])));
        }
        if to.0 - from.0 >= 240 && map.len() > 1 {
            let arrow = if run[1] >= run[0] { "\u{2191}" } else { "\u{2193}" };
            numbers.push((Place((from.0 + to.0) / 2), format!("{}{arrow}", pass + 1)));
        }
        at = last.saturating_add(1);
    }
    html! {
        path class="path" d=(line) {}
        @for (x, text) in &numbers { text class="num mid" x=(x) y=(top - 4) { (text) } }
    }
}

/// The frames of a run `[first, last, step]`, both ends included.
fn run_length(run: &[i64; 3]) -> i64 {
    let distance = run[1].saturating_sub(run[0]).saturating_abs();
    (distance / run[2].saturating_abs().max(1)).saturating_add(1)
}

/// Rings the stretches that are rendered slow.
fn eases(plate: &PlateSummary, scale: &Scale, top: i64) -> Markup {
    let start = scale.range.start.0;
    let run = |ease: &[i64; 2]| {
        scale.run(FrameRange::new(start.saturating_add(ease[0]), start.saturating_add(ease[1])))
    };
    html! {
        @for (x, width) in plate.eases.iter().take(MOST_RUNS).filter_map(run) {
            rect class="ease" x=(x) y=(top - 3) width=(width) height=(CLIMB + 6) rx="5" {}
        }
    }
}
