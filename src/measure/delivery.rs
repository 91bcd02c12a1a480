//! What is delivered of a source: how many source pixels make a delivered one, whether the
//! boom is in it at all, and the smallest reposition that hides it.

use crate::reason::{Code, Reason, Severity};
use crate::settings::{Delivery, VisibilityLimits};
use serde::Serialize;

/// A rectangle of source pixels, `left <= right`, `top <= bottom`, ends exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rect {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Right edge, exclusive.
    pub right: f64,
    /// Lower edge, exclusive.
    pub bottom: f64,
}

impl Rect {
    /// Makes a rectangle from its edges.
    pub fn new(left: f64, top: f64, right: f64, bottom: f64) -> Rect {
        Rect { left, top, right, bottom }
    }

    /// Returns the width.
    pub fn width(&self) -> f64 {
        self.right - self.left
    }

    /// Returns the height.
    pub fn height(&self) -> f64 {
        self.bottom - self.top
    }

    /// Tells whether two rectangles share more than an edge.
    pub fn meets(&self, other: &Rect) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    fn holds(&self, other: &Rect) -> bool {
        self.left <= other.left
            && self.top <= other.top
            && self.right >= other.right
            && self.bottom >= other.bottom
    }
}

/// Where the size of a delivery comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Basis {
    /// A delivery of the settings.
    Settings,
    /// The capture size the log notes.
    Log,
    /// The size of the media.
    Media,
}

/// A delivery laid on a source.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Delivered {
    /// What the show calls it.
    pub name: String,
    /// Where its size comes from.
    pub basis: Basis,
    /// Width and height of the delivered picture.
    pub raster: [u32; 2],
    /// The part of the source it shows, in source pixels.
    pub shown: Rect,
    /// The whole source.
    pub source: Rect,
}

/// A move that hides the boom, in delivery pixels: the picture is enlarged about the middle
/// of the delivered frame, then moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reposition {
    /// Enlargement; 1 is none.
    pub scale: f64,
    /// To the right.
    pub dx: f64,
    /// Downward.
    pub dy: f64,
}

impl std::fmt::Display for Reposition {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.2}x", self.scale)?;
        for (by, ahead, back) in [(self.dx, "right", "left"), (self.dy, "down", "up")] {
            let px = by.abs().round();
            if px > 0.0 {
                write!(f, ", {} {px} px", if by > 0.0 { ahead } else { back })?;
            }
        }
        Ok(())
    }
}

/// Lays every delivery of the settings on a source of the log's capture size, else of the
/// media's; without one in the settings the source as a whole is what is delivered.
pub fn deliveries(
    settings: &[Delivery],
    capture: Option<[u32; 2]>,
    media: [u32; 2],
) -> Vec<Delivered> {
    let source = capture.unwrap_or(media);
    let sizes = |size: [u32; 2]| size.map(f64::from);
    let [width, height] = sizes(source);
    let source_rect = Rect::new(0.0, 0.0, width, height);
    if settings.is_empty() {
        let (name, basis) = match capture {
            Some(_) => ("capture", Basis::Log),
            None => ("media", Basis::Media),
        };
        let shown = source_rect;
        let name = name.to_string();
        return vec![Delivered { name, basis, raster: source, shown, source: source_rect }];
    }
    let lay = |delivery: &Delivery| Delivered {
        name: delivery.name.clone(),
        basis: Basis::Settings,
        raster: delivery.raster,
        shown: shown(delivery, width, height),
        source: source_rect,
    };
    settings.iter().map(lay).collect()
}

fn shown(delivery: &Delivery, width: f64, height: f64) -> Rect {
    if let Some([left, top, across, down]) = delivery.extraction {
        return Rect::new(left, top, left + across, top + down);
    }
    let raster = f64::from(delivery.raster[0]) / f64::from(delivery.raster[1].max(1));
    let aspect = delivery.aspect.unwrap_or(raster).max(f64::MIN_POSITIVE);
    let (across, down) = (width.min(height * aspect), height.min(width / aspect));
    let (left, top) = ((width - across) / 2.0, (height - down) / 2.0);
    Rect::new(left, top, left + across, top + down)
}

impl Delivered {
    /// Returns the number of source pixels that make a delivered pixel, across or down,
    /// whichever is fewer; below 1 the picture is enlarged.
    pub fn resolution_margin(&self) -> f64 {
        let [across, down] = self.raster.map(|side| f64::from(side.max(1)));
        (self.shown.width() / across).min(self.shown.height() / down)
    }

    /// Tells whether any of the boom's boxes, in source pixels, is seen.
    pub fn shows(&self, boxes: &[Rect]) -> bool {
        boxes.iter().any(|boom| boom.meets(&self.shown))
    }

    /// Finds the smallest reposition that keeps every box out of the delivered frame: the
    /// least enlargement of at most `largest`, and for it the shortest move. Nothing outside
    /// the source comes into frame. `None` if there is none.
    ///
    /// Exact for up to 512 boxes that do not hold one another; of more, neighbours are joined,
    /// so that the answer still hides all of them but may be a little larger.
    pub fn reposition(&self, boxes: &[Rect], largest: f64) -> Option<Reposition> {
        self.search(boxes, 1.0, largest, false)
    }

    /// The same in figures that can be typed: an enlargement in hundredths, whole pixels.
    pub fn reposition_to_type(&self, boxes: &[Rect], largest: f64) -> Option<Reposition> {
        let least = self.reposition(boxes, largest)?.scale;
        let first = (least * 100.0 - 1e-6).ceil() as u32;
        // Each hundredth more adds half a hundredth of the raster of room on every side, so a
        // whole pixel is soon in it.
        (first..=(largest * 100.0).floor() as u32)
            .find_map(|percent| self.search(boxes, f64::from(percent) / 100.0, largest, true))
    }

    /// Tells whether a reposition keeps every box out of the delivered frame.
    pub fn hides(&self, reposition: &Reposition, boxes: &[Rect]) -> bool {
        let seen = self.seen(reposition);
        !boxes.iter().any(|boom| boom.meets(&seen))
    }

    /// Returns the part of the source that is seen after a reposition.
    pub fn seen(&self, by: &Reposition) -> Rect {
        let (width, height) = (self.shown.width() / by.scale, self.shown.height() / by.scale);
        let [across, down] = self.pixels(by.scale);
        let x = (self.shown.left + self.shown.right) / 2.0 - by.dx * across;
        let y = (self.shown.top + self.shown.bottom) / 2.0 - by.dy * down;
        Rect::new(x - width / 2.0, y - height / 2.0, x + width / 2.0, y + height / 2.0)
    }

    /// Size of a delivered pixel in source pixels, across and down.
    fn pixels(&self, scale: f64) -> [f64; 2] {
        let [across, down] = self.raster.map(|side| f64::from(side.max(1)));
        [self.shown.width() / across / scale, self.shown.height() / down / scale]
    }

    fn search(&self, boxes: &[Rect], least: f64, largest: f64, whole: bool) -> Option<Reposition> {
        if !self.is_sound() {
            return None;
        }
        let rooms = empty_rooms(&self.source, boxes);
        let [width, height] = [self.shown.width(), self.shown.height()];
        let needed = |room: &Rect| (width / room.width()).max(height / room.height());
        let scale = rooms.iter().map(needed).fold(f64::INFINITY, f64::min).max(least);
        if scale.is_nan() || scale > largest || (whole && scale > least + 1e-9) {
            return None;
        }
        let scale = if whole { least } else { scale };
        let fits = |room: &&Rect| needed(room) <= scale + 1e-9;
        let moves = rooms.iter().filter(fits).filter_map(|room| self.move_to(room, scale, whole));
        moves.min_by(|a, b| a.dx.hypot(a.dy).total_cmp(&b.dx.hypot(b.dy)))
    }

    /// The shortest move that brings the frame, at a scale, into a room.
    fn move_to(&self, room: &Rect, scale: f64, whole: bool) -> Option<Reposition> {
        let [across, down] = self.pixels(scale);
        let one = |low: f64, high: f64, from: f64, to: f64, pixel: f64| {
            // Where the frame's middle may be, as a move of the picture.
            let half = (to - from) / scale / 2.0;
            let middle = f64::midpoint(from, to);
            let (least, most) = ((middle - (high - half)) / pixel, (middle - (low + half)) / pixel);
            if whole {
                let (least, most) = ((least - 1e-7).ceil(), (most + 1e-7).floor());
                return (least <= most).then(|| 0.0_f64.clamp(least, most));
            }
            Some(if least <= most {
                0.0_f64.clamp(least, most)
            } else {
                f64::midpoint(least, most)
            })
        };
        let shown = &self.shown;
        Some(Reposition {
            scale,
            dx: one(room.left, room.right, shown.left, shown.right, across)?,
            dy: one(room.top, room.bottom, shown.top, shown.bottom, down)?,
        })
    }

    fn is_sound(&self) -> bool {
        let sides =
            [self.shown.width(), self.shown.height(), self.source.width(), self.source.height()];
        sides.iter().all(|side| side.is_finite() && *side > 0.0)
    }
}

/// All largest rectangles of the source that meet no box.
fn empty_rooms(source: &Rect, boxes: &[Rect]) -> Vec<Rect> {
    let mut boxes = outermost(source, boxes);
    boxes.sort_by(|a, b| a.top.total_cmp(&b.top).then(a.left.total_cmp(&b.left)));
    let mut tops: Vec<f64> = boxes.iter().map(|boom| boom.bottom).collect();
    tops.push(source.top);
    tops.retain(|top| *top < source.bottom);
    tops.sort_by(f64::total_cmp);
    tops.dedup();
    let mut rooms = Vec::new();
    for top in tops {
        // Columns free of every box from `top` down to where the sweep is.
        let mut free = vec![(source.left, source.right)];
        for boom in boxes.iter().filter(|boom| boom.bottom > top) {
            let mut left = Vec::with_capacity(free.len() + 1);
            for (from, to) in free {
                if boom.right <= from || boom.left >= to {
                    left.push((from, to));
                    continue;
                }
                if boom.top > top {
                    rooms.push(Rect::new(from, top, to, boom.top));
                }
                left.extend(
                    [(from, boom.left), (boom.right, to)].into_iter().filter(|(a, b)| a < b),
                );
            }
            free = left;
        }
        rooms.extend(free.iter().map(|(from, to)| Rect::new(*from, top, *to, source.bottom)));
    }
    rooms
}

/// The boxes that matter: cut to the source, none inside another, at most 512.
fn outermost(source: &Rect, boxes: &[Rect]) -> Vec<Rect> {
    const MOST: usize = 512;
    let cut = |boom: &Rect| Rect {
        left: boom.left.max(source.left),
        top: boom.top.max(source.top),
        right: boom.right.min(source.right),
        bottom: boom.bottom.min(source.bottom),
    };
    let cut = boxes.iter().map(cut).filter(|boom| boom.left < boom.right && boom.top < boom.bottom);
    let mut kept: Vec<Rect> = Vec::new();
    for boom in cut {
        if !kept.iter().any(|other| other.holds(&boom)) {
            kept.retain(|other| !boom.holds(other));
            kept.push(boom);
        }
        if kept.len() > 2 * MOST {
            kept = joined(&kept);
        }
    }
    while kept.len() > MOST {
        kept = joined(&kept);
    }
    kept
}

/// Joins each box with the next: those of neighbouring frames lie close together.
fn joined(boxes: &[Rect]) -> Vec<Rect> {
    let join = |pair: &[Rect]| {
        pair.iter().copied().reduce(|a, b| Rect {
            left: a.left.min(b.left),
            top: a.top.min(b.top),
            right: a.right.max(b.right),
            bottom: a.bottom.max(b.bottom),
        })
    };
    boxes.chunks(2).filter_map(join).collect()
}

/// Says what concerns all deliveries: `out-of-frame` where none shows the boom in any frame,
/// `resolution-margin` for each that is made from too few source pixels.
pub fn reasons(delivered: &[Delivered], boxes: &[Rect], limits: &VisibilityLimits) -> Vec<Reason> {
    let mut found = Vec::new();
    if !boxes.is_empty() && !delivered.is_empty() && !delivered.iter().any(|d| d.shows(boxes)) {
        let text = "the boom is outside every delivered frame throughout";
        found.push(Reason::new(Code::OutOfFrame, Severity::Note, text));
    }
    for delivery in delivered {
        let margin = delivery.resolution_margin();
        if margin < limits.resolution_margin {
            let text = format!(
                "{} is enlarged: {margin:.2} source pixels make a delivered one",
                delivery.name
            );
            let reason = Reason::new(Code::ResolutionMargin, Severity::Attention, text);
            found.push(reason.measured(margin, "px", Some(limits.resolution_margin)));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scope() -> Delivered {
        let delivery = Delivery {
            name: "scope".into(),
            raster: [2048, 858],
            extraction: None,
            aspect: Some(2048.0 / 858.0),
        };
        deliveries(&[delivery], Some([4096, 2160]), [1920, 1080]).remove(0)
    }

    #[test]
    fn the_middle_of_the_source_is_shown_and_the_log_goes_before_the_media() {
        let scope = scope();
        assert_eq!(scope.shown, Rect::new(0.0, 222.0, 4096.0, 1938.0));
        assert_eq!(scope.resolution_margin(), 2.0);
        let default = deliveries(&[], None, [1920, 1080]).remove(0);
        assert_eq!((default.basis, default.resolution_margin()), (Basis::Media, 1.0));
        let logged = deliveries(&[], Some([4096, 2160]), [1920, 1080]).remove(0);
        assert_eq!((logged.basis, logged.raster), (Basis::Log, [4096, 2160]));
    }

    #[test]
    fn a_boom_above_the_extraction_is_out_of_frame() {
        let limits = VisibilityLimits::default();
        let above = [Rect::new(1000.0, 0.0, 1200.0, 222.0)];
        assert_eq!(reasons(&[scope()], &above, &limits)[0].code, Code::OutOfFrame);
        let dips = [above[0], Rect::new(1000.0, 0.0, 1200.0, 222.5)];
        assert!(reasons(&[scope()], &dips, &limits).is_empty());
        let mut small = scope();
        small.raster = [8192, 3432];
        assert_eq!(reasons(&[small], &dips, &limits)[0].value, Some(0.5));
    }

    #[test]
    fn with_room_below_the_picture_only_moves() {
        // 60 source pixels of boom in frame are 30 of the delivery.
        let found = scope().reposition(&[Rect::new(0.0, 0.0, 300.0, 282.0)], 1.25).unwrap();
        assert_eq!(found, Reposition { scale: 1.0, dx: 0.0, dy: -30.0 });
        assert_eq!(found.to_string(), "1.00x, up 30 px");
    }

    #[test]
    fn without_room_it_is_enlarged_as_little_as_may_be() {
        let full = deliveries(&[], None, [1920, 1080]).remove(0);
        let boom = [Rect::new(800.0, 0.0, 1000.0, 61.0), Rect::new(900.0, 0.0, 1100.0, 40.0)];
        let exact = full.reposition(&boom, 1.25).unwrap();
        // By hand: 1080 lines are made from the lower 1019.
        assert!((exact.scale - 1080.0 / 1019.0).abs() < 1e-12);
        assert!((exact.dy + 30.5 * exact.scale).abs() < 1e-9 && exact.dx.abs() < 1e-9);
        let typed = full.reposition_to_type(&boom, 1.25).unwrap();
        assert!(typed.scale >= exact.scale && full.hides(&typed, &boom));
        assert!(full.source.holds(&full.seen(&typed)), "{typed:?}");
        // At 1.06 it may move by 32.26 to 32.40 px, which holds no whole pixel.
        assert_eq!(typed.to_string(), "1.07x, up 28 px");
        assert!(full.reposition(&[Rect::new(900.0, 500.0, 1000.0, 600.0)], 1.25).is_none());
    }

    #[test]
    fn a_side_is_cut_off_where_that_is_less() {
        let full = deliveries(&[], None, [1000, 1000]).remove(0);
        let boom = [Rect::new(0.0, 0.0, 40.0, 900.0)];
        let found = full.reposition(&boom, 1.25).unwrap();
        assert!((found.scale - 1000.0 / 960.0).abs() < 1e-12 && found.dx < 0.0);
        assert!(found.dy == 0.0, "{found:?}");
    }

    #[test]
    fn the_search_agrees_with_trying_every_place() {
        // A coarse source, every scale and place in small steps: nothing smaller hides all.
        let mut state = 7_u64;
        let mut dice = |end: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            ((state >> 33) % end) as f64
        };
        let mut told = 0;
        for _ in 0..40 {
            let full = deliveries(&[], None, [60, 40]).remove(0);
            let boxes: Vec<Rect> = (0..4)
                .map(|_| {
                    let (x, y) = (dice(60), dice(8));
                    Rect::new(x, if dice(2) > 0.0 { 0.0 } else { y }, x + 1.0 + dice(9), y + 1.0)
                })
                .collect();
            let found = full.reposition(&boxes, 3.0);
            let hides = |scale: f64| {
                let (width, height) = (60.0 / scale, 40.0 / scale);
                let steps = |room: f64| (0..=400).map(move |at| room * f64::from(at) / 400.0);
                steps(60.0 - width).any(|x| {
                    steps(40.0 - height).any(|y| {
                        let seen = Rect::new(x, y, x + width, y + height);
                        !boxes.iter().any(|boom| boom.meets(&seen))
                    })
                })
            };
            let Some(found) = found else { continue };
            told += 1;
            let close = Reposition { scale: found.scale * (1.0 + 1e-9), ..found };
            assert!(full.hides(&close, &boxes), "{found:?} {boxes:?}");
            assert!(found.scale < 1.003 || !hides(found.scale / 1.003), "{found:?} {boxes:?}");
        }
        assert!(told > 20);
    }
}
