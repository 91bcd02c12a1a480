//! Plots below the ruler of the take: one measure a lane, its limit drawn across.

use super::ruler::lane_name;
use super::scale::{Place, Scale};
use crate::inspection::Series;
use crate::settings::Settings;
use crate::time::Frame;
use maud::{Markup, html};

/// Height of a plot in drawing units.
const HEIGHT: i64 = 54;

/// Where the lines of limits are drawn.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Shift in source pixels.
    pub shift_px: f64,
    /// Change of light, as a part.
    pub light: f64,
    /// Loss of sharpness, as a part.
    pub sharpness: f64,
}

/// The measures worth drawing: those that told anything.
pub(super) fn plots(series: &Series, limits: Limits) -> Vec<Plot<'static>> {
    let Limits { shift_px: shift, light, sharpness: sharp } = limits;
    let lengths: Vec<Option<f64>> =
        series.shift_px.iter().map(|shift| shift.map(|[x, y]| x.hypot(y))).collect();
    let most = |values: &[Option<f64>], least: f64| {
        values.iter().flatten().copied().filter(|v| v.is_finite()).fold(least, f64::max)
    };
    let shown = most(&series.visibility, 2.5).min(8.0);
    let all = [
        Plot {
            name: "would it show",
            foot: 0.0,
            top: shown,
            limits: vec![(1.0, "go".into()), (2.0, "stop".into())],
            values: series.visibility.clone(),
        },
        Plot {
            name: "shift, px",
            foot: 0.0,
            top: most(&lengths, 2.0 * shift),
            limits: vec![(shift, format!("{shift} px"))],
            values: lengths,
        },
        Plot {
            name: "light",
            foot: 1.0 - 2.0 * most(&offs(&series.gain), light),
            top: 1.0 + 2.0 * most(&offs(&series.gain), light),
            limits: vec![(1.0, "as the plate".into())],
            values: series.gain.clone(),
        },
        Plot {
            name: "sharpness",
            foot: 0.0,
            top: 1.25,
            limits: vec![(1.0 - sharp, format!("{:.0} %", 100.0 * (1.0 - sharp)))],
            values: series.sharpness.clone(),
        },
        Plot {
            name: "background",
            foot: 0.0,
            top: most(&series.activity, 2.0),
            limits: vec![(1.0, "noise".into())],
            values: series.activity.clone(),
        },
    ];
    all.into_iter().filter(|plot| plot.values.iter().any(Option::is_some)).collect()
}

fn offs(gains: &[Option<f64>]) -> Vec<Option<f64>> {
    gains.iter().map(|gain| gain.map(|gain| (gain - 1.0).abs())).collect()
}

impl Limits {
    /// Returns the limits of a run. What light and sharpness may do depends on the picture
    /// (see "would it show"); the lines of these two stand where it usually begins. Ours.
    pub fn of(settings: &Settings) -> Limits {
        Limits { shift_px: settings.camera.shift_px, light: 0.01, sharpness: 0.1 }
    }
}

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
            if high > low || !drawing {
                // One value alone is a dot: a line to where it began.
                path.push_str(&format!("V{}", place(high)));
            }
            drawing = true;
        }
        path
    }
}
