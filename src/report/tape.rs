//! The tape: marks at round places and figures beside the long ones.

use super::clock::{TakeClock, cut_clock};
use super::scale::{Place, Scale, Tick, ticks};
use crate::findings::{Findings, UseFinding};
use crate::time::FrameRange;
use maud::{Markup, html};

/// Height of a tape.
pub(super) const TAPE: i64 = 30;

/// Draws a tape: marks from its lower edge, figures beside the long ones.
pub(super) fn tape(scale: &Scale, clock: TakeClock, hash: &str, y: i64) -> Markup {
    let marks = ticks(scale, clock, hash);
    let room = |x: Place, text: &str| {
        x.0 + 10 * (7 * text.len() as i64 + 4) <= (scale.left + scale.width) * 10
    };
    html! {
        rect class="tape" x=(scale.left) y=(y) width=(scale.width) height=(TAPE) {}
        path class="tick" d=(strokes(scale, &marks, y + TAPE)) {}
        @if let Some(first) = first_label(scale, clock, hash, &marks) {
            text class="tick-num" x=(scale.left + 4) y=(y + 14) { (first) }
        }
        @for tick in &marks {
            @if let Some(label) = &tick.label {
                @let x = scale.x(tick.frame);
                @if room(x, label) {
                    text class="tick-num" x=(Place(x.0 + 40)) y=(y + 14) { (label) }
                }
            }
        }
    }
}

/// The label of the very first frame, where it does not stand on a long mark and has room
/// before the next one.
fn first_label(scale: &Scale, clock: TakeClock, hash: &str, marks: &[Tick]) -> Option<String> {
    let first = clock.label(scale.range.start);
    let first = format!("{hash}{}", first.trim_start_matches('#'));
    let first = if clock.counting().is_some() { clock.label(scale.range.start) } else { first };
    let next = marks.iter().find(|tick| tick.label.is_some());
    let end = next.map_or((scale.left + scale.width) * 10, |tick| scale.x(tick.frame).0);
    (end - scale.left * 10 >= 10 * (7 * first.len() as i64 + 8)).then_some(first)
}

/// One path for all marks of a tape, each relative to the one before: half the bytes.
fn strokes(scale: &Scale, marks: &[Tick], foot: i64) -> String {
    let long: Vec<usize> = (0..marks.len()).filter(|at| marks[*at].label.is_some()).collect();
    let halves = long.windows(2).filter(|two| (two[1] - two[0]) % 2 == 0);
    let halves: Vec<usize> = halves.map(|two| (two[0] + two[1]) / 2).collect();
    let mut path = String::new();
    let mut pen = Place(0);
    let mut last = 0;
    for (at, tick) in marks.iter().enumerate() {
        let x = scale.x(tick.frame);
        let height = match &tick.label {
            Some(_) => TAPE,
            None if halves.binary_search(&at).is_ok() => 12,
            None => 7,
        };
        match path.is_empty() {
            true => path.push_str(&format!("M{x} {foot}v-{height}")),
            false => path.push_str(&format!("m{} {last}v-{height}", Place(x.0 - pen.0))),
        }
        (pen, last) = (x, height);
    }
    path
}

/// Draws the tape of the cut, its marks in record timecode.
pub(super) fn cut_tape(findings: &Findings) -> Markup {
    let (clock, start) = cut_clock(&findings.cut);
    let frames = i64::try_from(findings.cut.frames).unwrap_or(i64::MAX).max(1);
    let range = FrameRange::new(start, start.saturating_add(frames));
    let scale = Scale { range, left: 0, width: 800 };
    html! {
        svg viewBox=(format!("0 0 800 {TAPE}")) role="img" aria-label="Tape of the cut" {
            (tape(&scale, clock, "#", 0))
        }
    }
}

/// Draws where in the cut the uses of one verdict stand.
pub(super) fn cut_strip(findings: &Findings, uses: &[&UseFinding], class: &str) -> Markup {
    let frames = i64::try_from(findings.cut.frames).unwrap_or(i64::MAX).max(1);
    let scale = Scale { range: FrameRange::new(0, frames), left: 0, width: 800 };
    html! {
        svg viewBox="0 0 800 24" aria-hidden="true" focusable="false" {
            path class="hair" d="M0 12H800" {}
            @for found in uses {
                @if let Some((x, width)) = scale.run(found.range_in_cut) {
                    rect class=(class) x=(x) y="4" width=(width) height="16" {}
                }
            }
        }
    }
}
