//! Pictures of a bare set, each with new grain.

use super::pile::{Pile, is_difference};
use crate::error::Faults;
use crate::grain::{GrainModel, Place};
use crate::media::{FrameReader, Picture, Pictures};
use crate::plate::hashed;
use crate::time::{Frame, FrameRange};

/// How many pictures stand for a plate where one is measured: twice what its grain is known
/// from. Ours.
const COUNT: u64 = 24;

/// A clean frame put together from a take, as pictures with grain like the take's.
#[derive(Debug)]
pub struct Built {
    pile: Pile,
    grain: GrainModel,
    id: String,
}

impl Built {
    /// Makes pictures of a clean frame; `take` tells its take from any other.
    pub fn new(pile: Pile, grain: GrainModel, take: &str) -> Built {
        let mut bytes = Vec::from(take.as_bytes());
        bytes.extend(grain.recipe().as_bytes());
        for means in &pile.clean {
            bytes.extend(means.iter().flat_map(|mean| mean.to_le_bytes()));
        }
        let id = format!("built/1 {}", hashed(&bytes));
        Built { pile, grain, id }
    }

    /// Returns the clean frame.
    pub fn pile(&self) -> &Pile {
        &self.pile
    }

    /// Returns the grain it is given.
    pub fn grain(&self) -> &GrainModel {
        &self.grain
    }

    /// Returns the same set of another pile.
    pub fn again(&self, pile: Pile, take: &str) -> Built {
        Built::new(pile, self.grain.clone(), take)
    }

    /// Returns all that it rests on, as a hash.
    pub fn recipe(&self) -> &str {
        &self.id
    }

    /// Makes the picture with the grain of `number`; no two numbers have the same.
    ///
    /// # Errors
    ///
    /// No memory for a picture.
    pub fn picture(&self, number: u64) -> Result<Picture, Faults> {
        let stuck = || {
            Faults::one(
                "built plate",
                "",
                "no memory for a frame",
                "make memory free and run again",
            )
        };
        let like = self.pile.like.as_ref().ok_or_else(stuck)?;
        let mut made = like.retouched().ok_or_else(stuck)?;
        for (component, clean) in self.pile.clean.iter().enumerate() {
            let (width, height, shift) = like.component_size(component);
            let place = Place { left: 0, top: 0, width, height };
            let levels = self.levels(like, component, (width, height), shift);
            let grain = self.grain.fresh(number, component, place, &levels);
            for y in 0..height {
                let row = &clean[y * width..(y + 1) * width];
                let values: Vec<f32> = match grain.get(y * width..(y + 1) * width) {
                    Some(grain) => row.iter().zip(grain).map(|(a, b)| a + b).collect(),
                    None => row.to_vec(),
                };
                if !made.put(component, y, 0, &values) {
                    return Err(stuck());
                }
            }
        }
        Ok(made.into_picture())
    }

    /// The codes that tell how strong the grain of a component is.
    fn levels(
        &self,
        like: &Picture,
        component: usize,
        (width, height): (usize, usize),
        shift: (u32, u32),
    ) -> Vec<f32> {
        if !is_difference(like, component) {
            return self.pile.clean[component].clone();
        }
        let luma = &self.pile.clean[0];
        let across = self.pile.size.0;
        let at = |place: usize| {
            let (x, y) = ((place % width.max(1)) << shift.0, (place / width.max(1)) << shift.1);
            luma.get(y * across + x.min(across.saturating_sub(1))).copied().unwrap_or(0.0)
        };
        (0..width * height).map(at).collect()
    }
}

impl Pictures for Built {
    fn count(&self) -> u64 {
        COUNT
    }

    fn show(
        &self,
        ranges: &[FrameRange],
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<(), Faults> {
        for number in crate::time::union(ranges).iter().flat_map(|run| run.start.0..run.end.0) {
            let picture = self.picture(number.unsigned_abs())?;
            for reader in readers.iter_mut().filter(|one| one.range().holds(Frame(number))) {
                reader.see(Frame(number), &picture)?;
            }
        }
        Ok(())
    }

    fn id(&self) -> Result<String, Faults> {
        Ok(self.id.clone())
    }
}
