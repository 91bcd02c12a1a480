//! Every frame of a take, small, in a file without a name.

use crate::measure::plane::Plane;
use crate::measure::spool::Spool;

/// The small planes of a take, one after the other.
///
/// A code of eight bits a pixel: means of blocks lose half a code at most, a sixth of the
/// lowest threshold. The heap holds eight bytes a frame.
#[derive(Debug)]
pub struct SmallTake {
    width: usize,
    height: usize,
    spool: Spool,
    record: Vec<u8>,
}

impl SmallTake {
    /// Begins without a frame.
    ///
    /// # Errors
    ///
    /// As the system says: no room, no folder for temporary files.
    pub fn new() -> std::io::Result<SmallTake> {
        Ok(SmallTake { width: 0, height: 0, spool: Spool::new()?, record: Vec::new() })
    }

    /// Adds the next frame, in 8-bit codes; false, and nothing added, if it is not of the
    /// size of the first. What is no number counts as black.
    ///
    /// # Errors
    ///
    /// As the system says: no room left.
    pub fn add(&mut self, small: &Plane) -> std::io::Result<bool> {
        if self.spool.is_empty() {
            (self.width, self.height) = (small.width, small.height);
        }
        if (small.width, small.height) != (self.width, self.height) || small.view().is_none() {
            return Ok(false);
        }
        self.record.clear();
        // The cast saturates and sends what is no number to zero.
        self.record.extend(small.data.iter().map(|value| (value + 0.5) as u8));
        self.spool.add(&self.record)?;
        Ok(true)
    }

    /// Returns the number of frames.
    pub fn frames(&self) -> usize {
        self.spool.len()
    }

    /// Returns width and height of the planes, in pixels; zero before the first frame.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Reads a frame into `out`; false if there is no such frame.
    ///
    /// # Errors
    ///
    /// As the system says.
    pub fn read(&mut self, frame: usize, out: &mut Plane) -> std::io::Result<bool> {
        let found = self.spool.read(frame, &mut self.record)?;
        (out.width, out.height) = (self.width, self.height);
        out.data.clear();
        out.data.extend(self.record.iter().map(|code| f32::from(*code)));
        Ok(found)
    }
}
