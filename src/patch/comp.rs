//! A temp comp: the take with the plate laid in through the matte.

use super::siting::{Rows, rows};
use crate::error::Faults;
use crate::measure::Plane;
use crate::media::{Media, Picture};
use crate::plate::{FrameMap, PlateFrames, Retouch};
use crate::time::FrameRange;
use std::cell::RefCell;

/// Lays a plate over the frames of its take, one after the other.
///
/// The plate's frames are decoded from its source, so that take and plate are in the same
/// samples, and corrected as those of the plate file are. Where the matte is 0 every code of
/// the take stays; where it is 1 in full every code is the plate's.
#[derive(Debug)]
pub struct Comp<'a> {
    plate: RefCell<PlateFrames<'a>>,
    /// Number in the plate of the first frame laid.
    from: u64,
    fades: Vec<f32>,
    alpha: Plane,
    components: RefCell<Vec<Rows>>,
    name: String,
}

impl<'a> Comp<'a> {
    /// Prepares a comp. `fades` has for every frame how far the patch is faded in, and frame
    /// 0 of the comp is frame `from` of the plate.
    pub fn new(
        media: &'a Media,
        map: &'a FrameMap,
        retouch: Option<&'a dyn Retouch>,
        (from, fades): (u64, Vec<f32>),
        alpha: Plane,
    ) -> Comp<'a> {
        Comp {
            plate: RefCell::new(PlateFrames::new(media, map, retouch)),
            from,
            fades,
            alpha,
            components: RefCell::default(),
            name: media.info().name.clone(),
        }
    }

    fn fault(&self, k: u64, why: &str) -> Faults {
        let remedy = "use another copy of the take; its samples cannot be worked on";
        Faults::one(&self.name, format!("frame {k} of the comp"), why, remedy)
    }

    /// The matte as each component sees it, made once.
    fn ready(&self, take: &Picture) {
        let mut components = self.components.borrow_mut();
        if components.is_empty() {
            let siting = take.colour().siting;
            components.extend((0..take.components()).map(|component| {
                let (width, height, shift) = take.component_size(component);
                rows(&self.alpha, (width, height), shift, siting.as_deref())
            }));
        }
    }

    fn laid(&self, take: &Picture, plate: &Picture, fade: f32) -> Option<Picture> {
        self.ready(take);
        let components = self.components.borrow();
        let mut out = take.retouched()?;
        let (mut below, mut above) = (Vec::new(), Vec::new());
        for (component, rows) in components.iter().enumerate() {
            for (y, (first, alpha)) in rows.iter().enumerate() {
                if alpha.is_empty() {
                    continue;
                }
                let run = *first..first + alpha.len();
                let read = take.samples(component, y, run.clone(), &mut below)
                    && plate.samples(component, y, run, &mut above);
                if !read {
                    return None;
                }
                for ((below, above), alpha) in below.iter_mut().zip(&above).zip(alpha) {
                    let share = alpha * fade;
                    // In full the plate's own number, to the last bit.
                    *below = if share >= 1.0 { *above } else { *below + share * (above - *below) };
                }
                if !out.put(component, y, *first, &below) {
                    return None;
                }
            }
        }
        Some(out.into_picture())
    }
}

impl Retouch for Comp<'_> {
    fn why(&self) -> String {
        "the plate is laid in".into()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let fade = usize::try_from(k).ok().and_then(|k| self.fades.get(k)).copied();
        let Some(fade) = fade.filter(|fade| *fade > 0.0) else { return Ok(None) };
        let mut plate = self.plate.borrow_mut();
        let plate = plate.picture(self.from + k)?;
        let alike = plate.format() == picture.format()
            && (plate.width(), plate.height()) == (picture.width(), picture.height());
        if !alike || picture.components() == 0 {
            return Err(self.fault(k, "plate and take do not hold the same kind of samples"));
        }
        let laid = self.laid(picture, plate, fade);
        laid.map(Some).ok_or_else(|| self.fault(k, "its samples cannot be reached"))
    }
}

/// Returns for every frame of `whole` how far the patch is faded in: 1 inside the patched
/// runs, rising and falling in a straight line over `fade` frames at their ends, and 0 outside.
///
/// A run that reaches an end of `whole` does not fade there: the boom is in frame beyond it.
pub fn fades(patched: &[FrameRange], whole: FrameRange, fade: u32) -> Vec<f32> {
    let steps = (fade + 1) as f32;
    let of = |frame: i64| {
        let run = patched.iter().find(|run| run.start.0 <= frame && frame < run.end.0);
        run.map_or(0.0, |run| {
            let side = |open: bool, frames: i64| {
                if open { 1.0 } else { (frames as f32 / steps).min(1.0) }
            };
            let rise = side(run.start.0 <= whole.start.0, frame - run.start.0 + 1);
            let fall = side(run.end.0 >= whole.end.0, run.end.0 - frame);
            rise.min(fall)
        })
    };
    (whole.start.0..whole.end.0).map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_patch_fades_where_the_boom_is_not_and_nowhere_else() {
        // Boom at 10-14, grown by a fade of 3.
        let whole = FrameRange::new(0, 30);
        let found = fades(&[FrameRange::new(7, 17)], whole, 3);
        assert_eq!(found.len(), 30);
        assert!(found[10..14].iter().all(|fade| *fade == 1.0));
        assert_eq!(found[6..11], [0.0, 0.25, 0.5, 0.75, 1.0]);
        assert_eq!(found[13..18], [1.0, 0.75, 0.5, 0.25, 0.0]);
        let found = fades(&[FrameRange::new(0, 17)], whole, 3);
        assert_eq!((found[0], found[1]), (1.0, 1.0));
        assert!(fades(&[], whole, 3).iter().all(|fade| *fade == 0.0));
    }
}
