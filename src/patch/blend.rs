//! The plate laid over the take through the matte.

use super::fade::Fade;
use super::matte::Matte;
use super::sited::{Offset, Sited, chroma_offset};
use crate::error::Faults;
use crate::media::{Picture, Retouched};
use crate::plate::{FrameMap, PlateFrames, PlateJob, Retouch};
use crate::time::{Frame, FrameRange};
use std::cell::RefCell;

/// Lays plate frames over the frames of a take.
///
/// The plate's own source frames are decoded, so that what is laid over has the samples of
/// the take, not those of a plate file in another coding. Samples are mixed in their own
/// codes, component by component. Where the matte is black none is written.
pub struct Comp<'a> {
    plate: &'a PlateJob<'a>,
    matte: &'a Matte,
    fade: &'a Fade,
    first: Frame,
    frames: RefCell<PlateFrames<'a>>,
    /// The matte at the samples of a component: all that lie like these share it.
    sited: RefCell<Vec<(Lie, Sited)>>,
}

/// How the samples of a component lie: size, subsampling, offset.
type Lie = ((usize, usize), (u32, u32), Offset);

impl std::fmt::Debug for Comp<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Comp {:?} {:?}", self.matte.size(), self.fade)
    }
}

impl<'a> Comp<'a> {
    /// Begins; picture `k` is the frame `first + k` on the clock of `fade`, and frame `k` of
    /// the plate is laid over it.
    pub fn new(
        plate: &'a PlateJob<'a>,
        matte: &'a Matte,
        fade: &'a Fade,
        first: Frame,
    ) -> Comp<'a> {
        let frames = PlateFrames::new(plate.source, plate.map, plate.retouch);
        let frames = RefCell::new(frames);
        Comp { plate, matte, fade, first, frames, sited: RefCell::default() }
    }

    /// Lays plate frame `k` over a picture of the take, `strength` from 0 to 1; `own` makes
    /// that picture one that may be changed.
    fn lay<T: std::borrow::Borrow<Picture>>(
        &self,
        k: u64,
        (take, own): (T, fn(T) -> Option<Retouched>),
        strength: f32,
    ) -> Result<Option<Picture>, Faults> {
        let Some(file_frame) = self.plate.map.frame_at(k) else { return Ok(None) };
        let mut frames = self.frames.borrow_mut();
        let plate = frames.picture(k)?;
        let fault = |why: String| self.fault(file_frame, why);
        if let Some(why) = self.unlike(take.borrow(), plate) {
            return Err(fault(why));
        }
        let mut comp = own(take).ok_or_else(|| fault("no memory for a frame".into()))?;
        let mut sited = self.sited.borrow_mut();
        for component in 0..comp.picture().components() {
            let lies = at_samples(&mut sited, self.matte, comp.picture(), component);
            for strip in &lies.strips {
                let at = (component, strip.y, strip.x);
                if !comp.mix(at, plate, &strip.shares, strength) {
                    return Err(fault("its samples cannot be reached".into()));
                }
            }
        }
        Ok(Some(comp.into_picture()))
    }

    /// Says why a plate picture cannot be laid over a picture of the take.
    fn unlike(&self, take: &Picture, plate: &Picture) -> Option<String> {
        let size = |picture: &Picture| (picture.width() as usize, picture.height() as usize);
        let shown = |(width, height): (usize, usize)| format!("{width}x{height}");
        if take.components() == 0 {
            return Some(format!("{} holds no samples that can be mixed", take.format()));
        }
        if size(take) != size(plate) || size(take) != self.matte.size() {
            let [a, b, c] = [size(plate), size(take), self.matte.size()].map(shown);
            return Some(format!("the plate is {a}, the take {b}, the matte {c}"));
        }
        let same = take.format() == plate.format() && take.colour().range == plate.colour().range;
        (!same).then(|| {
            format!("its samples are {}, those of the take {}", plate.format(), take.format())
        })
    }

    fn fault(&self, file_frame: i64, why: String) -> Faults {
        let place = format!("frame {file_frame}");
        let fault = format!("it cannot be laid over the take: {why}");
        Faults::one(&self.plate.source.info().name, place, fault, "lay the plate over by hand")
    }
}

impl Retouch for Comp<'_> {
    fn why(&self) -> String {
        "the plate is laid over the take".into()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let strength = self.fade.strength(Frame(self.first.0.saturating_add_unsigned(k)));
        let own = |picture: &Picture| picture.retouched();
        if strength > 0.0 { self.lay(k, (picture, own), strength) } else { Ok(None) }
    }

    fn retouch_own(&self, k: u64, picture: Picture) -> Result<Picture, Faults> {
        let strength = self.fade.strength(Frame(self.first.0.saturating_add_unsigned(k)));
        if strength <= 0.0 || self.plate.map.frame_at(k).is_none() {
            return Ok(picture);
        }
        let lost = || self.fault(self.first.0, "its plate frame is missing".into());
        self.lay(k, (picture, Picture::into_retouched), strength)?.ok_or_else(lost)
    }
}

/// Returns the matte at the samples of a component, made when it is first asked for.
fn at_samples<'s>(
    sited: &'s mut Vec<(Lie, Sited)>,
    matte: &Matte,
    picture: &Picture,
    component: usize,
) -> &'s Sited {
    let (width, height, shift) = picture.component_size(component);
    let offset = match shift {
        (0, 0) => Offset::default(),
        shift => chroma_offset(picture.colour().siting.as_deref(), shift),
    };
    let lie: Lie = ((width, height), shift, offset);
    let at = sited.iter().position(|(known, _)| *known == lie).unwrap_or_else(|| {
        sited.push((lie, Sited::new(matte, (width, height), shift, offset)));
        sited.len() - 1
    });
    &sited[at].1
}

/// Returns which file frame of the take stands at each frame of need. Beyond the media their
/// first or last frame is held: a temp comp is as long as need.
pub(super) fn take_map(need_in_file: FrameRange, frames: u64) -> Option<FrameMap> {
    let last = i64::try_from(frames).ok()?.checked_sub(1).filter(|last| *last >= 0)?;
    let frames = (need_in_file.start.0..need_in_file.end.0).map(|frame| frame.clamp(0, last));
    FrameMap::from_frames(frames).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_media_a_frame_is_held() {
        let map = take_map(FrameRange::new(-2, 7), 5).expect("a map");
        assert_eq!(map.frames().collect::<Vec<_>>(), [0, 0, 0, 1, 2, 3, 4, 4, 4]);
        assert_eq!(take_map(FrameRange::new(0, 3), 0), None);
    }
}
