//! Plots below the ruler of the take: one measure a lane, its limit drawn across.

use crate::report::ruler::lane_name;
use crate::report::scale::{Place, Scale};
use crate::time::Frame;
use maud::{Markup, html};

/// Height of a plot in drawing units.
const HEIGHT: i64 = 54;

/// One measure over the frames of a take.
pub(super) struct Plot<'a> {
    /// Name of the lane.
    pub name: &'a str,
    /// One value a frame, from file frame 0.
    pub values: Vec<Option<f64>>,
    /// Value drawn at the foot.
    pub foot: f64,
    /// Value drawn at the top.
    pub top: f64,
    /// Where limits are drawn, with what they are called.
    pub limits: Vec<(f64, String)>,
}

impl Plot<'_> {
    /// Draws the plot with its top edge at `y` and moves `y` below it.
    pub(super) fn draw(&self, scale: &Scale, start: i64, y: &mut i64) -> Markup {
        let top = *y + 4;
        *y += HEIGHT + 10;
        let place = |value: f64| {
            let part = (value - self.foot) / (self.top - self.foot);
            // Whole tenths from here on; a cast saturates, and NaN becomes the foot.
            Place((top + HEIGHT) * 10 - (part.clamp(0.0, 1.0) * (HEIGHT * 10) as f64) as i64)
        };
        html! {
            (lane_name(top + HEIGHT / 2 + 4, self.name))
            rect class="pane" x=(scale.left) y=(top) width=(scale.width) height=(HEIGHT) {}
            @for (limit, text) in &self.limits {
                path class="dash" d=(format!("M{} {}h{}", scale.left, place(*limit), scale.width)) {}
                text class="num end" x=(scale.left + scale.width - 4) y=(Place(place(*limit).0 - 30)) { (text) }
            }
            path class="path" d=(self.strokes(scale, start, &place)) {}
        }
    }

    /// The line through all values; frames that share a tenth of a unit are drawn as their
    /// least and most, so that no spike is lost and no path outgrows the page.
    fn strokes(&self, scale: &Scale, start: i64, place: &dyn Fn(f64) -> Place) -> String {
        let mut path = String::new();
        let mut at = 0;
        let mut drawing = false;
        while at < self.values.len() {
            let x = scale.middle(Frame(start + at as i64));
            let mut span: Option<(f64, f64)> = None;
            while at < self.values.len() && scale.middle(Frame(start + at as i64)).0 < x.0 + 10 {
                if let Some(value) = self.values[at].filter(|value| value.is_finite()) {
                    let (low, high) = span.unwrap_or((value, value));
                    span = Some((low.min(value), high.max(value)));
                }
                at += 1;
            }
            let Some((low, high)) = span else {
                drawing = false;
                continue;
            };
            path.push_str(&format!("{}{x} {}", if drawing { "L" } else { "M" }, place(low)));
            let end = if high > low { place(high) } else { place(low) };
            path.push_str(&format!("L{x} {end}"));
            drawing = true;
        }
        path
    }
}
