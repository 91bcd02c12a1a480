//! What is boom and what is actor in every frame, kept in a file: a take of any length fits.

use crate::measure::{Mask, Spool};
use crate::time::Frame;
use std::cell::RefCell;
use std::collections::BTreeMap;

/// What one frame holds in front of its background. All masks are of one size.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FrameMasks {
    /// Boom and its shadow.
    pub boom: Mask,
    /// The boom without its soft shadow.
    pub core: Mask,
    /// Everything else that is not background.
    pub actors: Mask,
}

/// The masks of many frames.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub struct MaskStore {
    size: (usize, usize),
    numbers: BTreeMap<Frame, usize>,
    spool: RefCell<Spool>,
}

impl MaskStore {
    /// Begins without a frame; `size` is that of all masks.
    ///
    /// # Errors
    ///
    /// As the system says.
    pub fn new(size: (usize, usize)) -> std::io::Result<MaskStore> {
        Ok(MaskStore { size, numbers: BTreeMap::new(), spool: RefCell::new(Spool::new()?) })
    }

    /// Returns the size of the masks in pixels.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Keeps the masks of a frame.
    ///
    /// # Errors
    ///
    /// As the system says: no room left.
    pub fn add(&mut self, frame: Frame, masks: &FrameMasks) -> std::io::Result<()> {
        let mut record = Vec::new();
        for mask in [&masks.boom, &masks.core, &masks.actors] {
            pack(mask.words(), &mut record);
        }
        let number = self.spool.get_mut().add(&record)?;
        self.numbers.insert(frame, number);
        Ok(())
    }

    /// Returns the masks of a frame; `None` if it was not kept.
    ///
    /// # Errors
    ///
    /// As the system says.
    pub fn of(&self, frame: Frame) -> std::io::Result<Option<FrameMasks>> {
        let Some(number) = self.numbers.get(&frame) else { return Ok(None) };
        let mut record = Vec::new();
        self.spool.borrow_mut().read(*number, &mut record)?;
        let mut rest = record.as_slice();
        let words = self.size.0.div_ceil(64) * self.size.1;
        let mut next = || {
            let words = unpack(&mut rest, words)?;
            Mask::from_words(self.size.0, self.size.1, words)
        };
        Ok((|| Some(FrameMasks { boom: next()?, core: next()?, actors: next()? }))())
    }
}

/// Writes words as runs: how many are empty, how many full, how many follow, and these.
fn pack(words: &[u64], out: &mut Vec<u8>) {
    let mut at = 0;
    while at < words.len() {
        let run = |from: usize, is: fn(u64) -> bool| {
            words[from..].iter().take_while(|word| is(**word)).count()
        };
        let empty = run(at, |word| word == 0);
        let full = run(at + empty, |word| word == u64::MAX);
        let mixed = run(at + empty + full, |word| word != 0 && word != u64::MAX);
        for count in [empty, full, mixed] {
            out.extend((count as u32).to_le_bytes());
        }
        at += empty + full;
        for word in &words[at..at + mixed] {
            out.extend(word.to_le_bytes());
        }
        at += mixed;
    }
}

/// Reads `count` words back; `None` if they are not there.
fn unpack(rest: &mut &[u8], count: usize) -> Option<Vec<u64>> {
    let mut words = Vec::with_capacity(count);
    let number = |rest: &mut &[u8]| -> Option<usize> {
        let (head, tail) = rest.split_first_chunk::<4>()?;
        *rest = tail;
        Some(u32::from_le_bytes(*head) as usize)
    };
    while words.len() < count {
        let (empty, full, mixed) = (number(rest)?, number(rest)?, number(rest)?);
        let all = empty + full + mixed;
        if all == 0 || words.len() + all > count {
            return None;
        }
        words.resize(words.len() + empty, 0);
        words.resize(words.len() + full, u64::MAX);
        for _ in 0..mixed {
            let (head, tail) = rest.split_first_chunk::<8>()?;
            *rest = tail;
            words.push(u64::from_le_bytes(*head));
        }
    }
    Some(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masks_come_back_as_they_were() {
        let size = (150, 40);
        let mut store = MaskStore::new(size).unwrap();
        let mask = |seed: usize| Mask::from_fn(size.0, size.1, |x, y| (x * y + seed) % 97 < seed);
        let masks = |seed| FrameMasks { boom: mask(seed), core: mask(seed / 2), actors: mask(0) };
        for frame in [5, 3, 90] {
            store.add(Frame(frame), &masks(frame as usize)).unwrap();
        }
        for frame in [90, 3, 5] {
            assert_eq!(store.of(Frame(frame)).unwrap(), Some(masks(frame as usize)));
        }
        assert_eq!(store.of(Frame(4)).unwrap(), None);
        let full = Mask::from_fn(size.0, size.1, |_, _| true);
        let all = FrameMasks { boom: full.clone(), core: full.clone(), actors: full };
        store.add(Frame(7), &all).unwrap();
        assert_eq!(store.of(Frame(7)).unwrap(), Some(all));
    }
}
