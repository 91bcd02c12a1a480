//! The ruler of the take: one tape over the frames of the take with everything that was
//! noted or found laid along it, and below it need drawn out to full width.
//!
//! ```text
//!   boom            |||||||||||||||
//!   take      ==.====|====.====|====.====|====.==    timecode
//!   locked off  |------------------------------|
//!   plates      [##]                        [###]
//!   this use              [/====/]                   need, used
//!                        /        \
//!   frames    =1001====.====1020====.====1040===     need alone
//! ```

use super::clock::TakeClock;
use super::loupe;
use super::scale::{Place, Scale};
use super::tape::{TAPE, tape};
use super::words::{counted, said};
use crate::findings::UseFinding;
use crate::time::{FrameRange, joined, union};
use maud::{Markup, html};

/// Left end of every tape; lane names stand before it.
pub(super) const LEFT: i64 = 118;
/// Width of every tape.
pub(super) const WIDTH: i64 = 990;
/// Width of the whole drawing.
pub(super) const ALL: i64 = LEFT + WIDTH + 12;
/// Runs nearer than this, in tenths of a drawing unit, are drawn as one.
const APART: i64 = 10;

/// What a ruler is drawn from.
pub(super) struct Ruled<'a> {
    pub(super) found: &'a UseFinding,
    pub(super) clock: TakeClock,
    pub(super) first_frame: i64,
    pub(super) id: usize,
}

/// Returns the hatchings all rulers share; stands once on the page.
pub(super) fn hatchings() -> Markup {
    html! {
        svg class="defs" width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                pattern id="hang" width="5" height="5" patternUnits="userSpaceOnUse" {
                    path class="s-boom" d="M2.5 0V5" {}
                }
                pattern id="hang-thin" width="9" height="9" patternUnits="userSpaceOnUse" {
                    path class="s-boom-thin" d="M4.5 0V9" {}
                }
                pattern id="cross" width="7" height="7" patternUnits="userSpaceOnUse" {
                    path class="s-ink" d="M0 0L7 7M7 0L0 7" {}
                }
                pattern id="slant" width="6" height="6" patternUnits="userSpaceOnUse" {
                    path class="s-ink" d="M-1 1L1 -1M0 6L6 0M5 7L7 5" {}
                }
                pattern id="weave" width="8" height="6" patternUnits="userSpaceOnUse" {
                    path class="s-patch" d="M0 3H8" {}
                }
                pattern id="zig" width="8" height="8" patternUnits="userSpaceOnUse" {
                    path class="s-plate" d="M0 8L4 0L8 8" {}
                }
            }
        }
    }
}

/// Draws the ruler of one use; nothing if no frame of its take is known.
pub(super) fn ruler(ruled: &Ruled) -> Option<Markup> {
    let scale = Scale { range: extent(ruled.found)?, left: LEFT, width: WIDTH };
    let mut y = 0;
    let mut lanes = vec![boom_lane(ruled, &scale, &mut y), take_tape(ruled, &scale, &mut y)];
    lanes.extend(claim_lanes(ruled.found, &scale, &mut y));
    let found = ruled.found;
    let shown = [found.need_in_take, found.used_in_take].into_iter().flatten();
    if let Some(need) = shown.into_iter().find(|range| !range.is_empty()) {
        lanes.push(use_lane(ruled.found, need, &scale, &mut y));
        lanes.push(loupe::loupe(ruled, need, &scale, &mut y));
    }
    let title = format!("ruler-{}", ruled.id);
    Some(html! {
        div class="ruler" role="group" tabindex="0" aria-label=(format!("Ruler of the take, {}", said(&found.shot))) {
            svg viewBox=(format!("0 0 {ALL} {}", y + 4)) role="img" aria-labelledby=(title) aria-describedby=(format!("{title}-d")) {
                title id=(title) { "Ruler of the take" }
                desc id=(format!("{title}-d")) { (described(ruled)) }
                @for lane in &lanes { (lane) }
            }
        }
    })
}

/// All frames the ruler spans: the take if its ends are known, else all that is known of it.
fn extent(found: &UseFinding) -> Option<FrameRange> {
    let claims = &found.claims;
    let own = found.plate.as_ref().filter(|plate| plate.from_take.is_none());
    let own = own.map(|plate| plate.range_in_take);
    let single = [claims.take, found.need_in_take, found.used_in_take, own];
    let many = [&claims.lock_off, &claims.plates, &claims.boom, &claims.unusable];
    let known = single.into_iter().flatten().chain(many.into_iter().flatten().copied());
    known.filter(|range| !range.is_empty()).reduce(joined)
}

/// Says the drawing in words, for those who hear the page.
fn described(ruled: &Ruled) -> String {
    let found = ruled.found;
    let mut parts = Vec::new();
    let mut say = |word: &str, ranges: &[FrameRange]| {
        let spans: Vec<String> =
            union(ranges).iter().take(12).map(|range| ruled.clock.span(*range)).collect();
        if !spans.is_empty() {
            parts.push(format!("{word} {}.", spans.join(", ")));
        }
    };
    say("Take", found.claims.take.as_slice());
    say("Boom in frame", &found.claims.boom);
    say("Locked off", &found.claims.lock_off);
    say("Plates", &found.claims.plates);
    say("Unusable", &found.claims.unusable);
    say("Need", found.need_in_take.as_slice());
    say("Used", found.used_in_take.as_slice());
    say("Patch on", &found.patched_in_take);
    parts.join(" ")
}

/// Writes the name of a lane before it.
pub(super) fn lane_name(y: i64, name: &str) -> Markup {
    html! { text class="lane" x=(LEFT - 10) y=(y) { (name) } }
}

/// Returns where the runs of a lane are drawn, left end and width. Runs less than a drawing
/// unit apart cannot be told apart and are drawn as one, so that no lane has more boxes than
/// the page has room for.
fn drawn(scale: &Scale, runs: &[FrameRange]) -> Vec<(Place, Place)> {
    let mut boxes: Vec<(Place, Place)> = Vec::new();
    for (x, width) in union(runs).into_iter().filter_map(|run| scale.run(run)) {
        match boxes.last_mut() {
            Some(last) if x.0 < last.0.0 + last.1.0 + APART => {
                last.1 = Place((x.0 + width.0 - last.0.0).max(last.1.0));
            }
            _ => boxes.push((x, width)),
        }
    }
    boxes
}

/// Draws the runs of a lane as boxes.
pub(super) fn boxes(
    scale: &Scale,
    runs: &[FrameRange],
    y: i64,
    height: i64,
    class: &str,
) -> Markup {
    html! {
        @for (x, width) in drawn(scale, runs) {
            rect class=(class) x=(x) y=(y) width=(width) height=(height) {}
        }
    }
}

/// Writes a label in the middle of each run wide enough for it.
fn labels(scale: &Scale, runs: &[FrameRange], y: i64, class: &str) -> Markup {
    let wide = union(runs).into_iter().filter_map(|run| {
        let (x, width) = scale.run(run)?;
        let text = counted(run.count().0, "frame");
        let short = run.count().0.to_string();
        let fits = |text: &str| width.0 >= 10 * (7 * text.len() as i64 + 6);
        let text = Some(text).filter(|text| fits(text)).or(Some(short).filter(|text| fits(text)));
        Some((Place(x.0 + width.0 / 2), text?))
    });
    html! { @for (x, text) in wide { text class=(class) x=(x) y=(y) { (text) } } }
}

/// The boom hangs in from above the tape, as it does from above the frame. What nobody
/// noted counts as boom outside the plates and is drawn thin.
fn boom_lane(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y;
    *y += 26;
    let claims = &ruled.found.claims;
    let noted = !claims.boom.is_empty();
    let guessed = if noted { Vec::new() } else { scale.range.without(&claims.plates) };
    let name = if noted { "boom" } else { "boom, not noted" };
    let class = if noted { "boom" } else { "boom-guess" };
    let runs = if noted { &claims.boom } else { &guessed };
    html! {
        (lane_name(top + 17, name))
        (boxes(scale, runs, top + 2, 24, class))
    }
}

fn take_tape(ruled: &Ruled, scale: &Scale, y: &mut i64) -> Markup {
    let tape = tape(scale, ruled.clock, "#", *y);
    let name = lane_name(*y + 20, "take");
    *y += TAPE;
    html! { (name) (tape) }
}

/// Lock-off as a dimension line, plates as blocks, unusable frames crossed out.
fn claim_lanes(found: &UseFinding, scale: &Scale, y: &mut i64) -> Vec<Markup> {
    let claims = &found.claims;
    let mut lanes = vec![dimension(&claims.lock_off, scale, *y + 6, "none noted")];
    *y += 24;
    lanes.push(plates_lane(found, scale, *y));
    *y += 24;
    if !claims.unusable.is_empty() {
        lanes.push(html! {
            (lane_name(*y + 14, "unusable"))
            (boxes(scale, &claims.unusable, *y + 3, 14, "unusable"))
        });
        *y += 22;
    }
    lanes
}

/// Draws lock-offs as dimension lines; `none` is said where there are none.
pub(super) fn dimension(lock_off: &[FrameRange], scale: &Scale, y: i64, none: &str) -> Markup {
    let mut path = String::new();
    for (x, width) in drawn(scale, lock_off) {
        path.push_str(&format!(
            "M{x} {}v10M{x} {}h{width}M{} {}v10",
            y,
            y + 5,
            Place(x.0 + width.0),
            y
        ));
    }
    html! {
        (lane_name(y + 9, "locked off"))
        @if path.is_empty() { text class="none" x=(LEFT) y=(y + 9) { (none) } } @else { path class="line" d=(path) {} }
    }
}

fn plates_lane(found: &UseFinding, scale: &Scale, y: i64) -> Markup {
    let plates = &found.claims.plates;
    let chosen = found.plate.as_ref().filter(|plate| plate.from_take.is_none());
    let chosen: Vec<FrameRange> = chosen.map(|plate| plate.range_in_take).into_iter().collect();
    let rest: Vec<FrameRange> = union(plates).iter().flat_map(|run| run.without(&chosen)).collect();
    html! {
        (lane_name(y + 14, "plates"))
        (boxes(scale, &rest, y + 2, 17, "other"))
        (boxes(scale, &chosen, y + 1, 19, "plate"))
        (labels(scale, &chosen, y + 15, "on"))
        (labels(scale, &rest, y + 15, "mid"))
        @if plates.is_empty() && chosen.is_empty() { (none_noted(y + 14)) }
    }
}

fn none_noted(y: i64) -> Markup {
    html! { text class="none" x=(LEFT) y=(y) { "none noted" } }
}

/// Need as a hatched box with used solid inside.
fn use_lane(found: &UseFinding, need: FrameRange, scale: &Scale, y: &mut i64) -> Markup {
    let top = *y;
    *y += 20;
    html! {
        (lane_name(top + 13, "this use"))
        (boxes(scale, &[need], top + 3, 14, "handle"))
        (boxes(scale, found.used_in_take.as_slice(), top + 3, 14, "used"))
    }
}
