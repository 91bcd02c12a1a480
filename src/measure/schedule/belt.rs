//! The measures of a frame one after the other, those of several frames at a time.
//!
//! ```text
//!   reader: frame n + 2, place and light
//!     -> boom and actors: frame n + 1
//!          -> texture: frame n -> planes are used again
//! ```
//!
//! Every measure sees all frames in order, so that nothing depends on which is faster.

use super::parting::Parting;
use super::placing::Placed;
use super::texture::{Background, Texture};
use crate::measure::Planes;
use crate::time::Frame;
use std::io;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};

/// Frames that wait before each measure. Ours: one is enough for even ones, two for a frame
/// that takes longer.
const WAITING: usize = 2;

/// A frame on its way, with what was found so far for each plate.
struct Passed<T> {
    frame: Frame,
    planes: Planes,
    of: Vec<T>,
}

/// Where the reader lays its frames.
pub(super) struct Belt {
    to: SyncSender<Passed<Placed>>,
    used: Receiver<Planes>,
}

/// What comes to the end of the belt: the measures of each plate.
pub(super) struct Measured<'a> {
    parting: ScopedJoinHandle<'a, io::Result<Vec<Parting>>>,
    texture: ScopedJoinHandle<'a, io::Result<Vec<Option<Texture>>>>,
}

impl Belt {
    /// Begins with the measures of each plate.
    pub(super) fn start<'a>(
        hands: &'a Scope<'a, '_>,
        parting: Vec<Parting>,
        texture: Vec<Option<Texture>>,
    ) -> (Belt, Measured<'a>) {
        let (to, placed) = sync_channel(WAITING);
        let (to_texture, parted) = sync_channel(WAITING);
        let (back, used) = channel();
        let measured = Measured {
            parting: hands.spawn(move || part(parting, &placed, &to_texture)),
            texture: hands.spawn(move || look(texture, &parted, &back)),
        };
        (Belt { to, used }, measured)
    }

    /// Takes a frame, and gives back planes to be filled again. False if a measure gave up:
    /// [`Measured::wait`] says why.
    pub(super) fn take(&self, frame: Frame, planes: &mut Planes, of: Vec<Placed>) -> bool {
        let empty = self.used.try_recv().unwrap_or_default();
        let planes = std::mem::replace(planes, empty);
        self.to.send(Passed { frame, planes, of }).is_ok()
    }
}

impl Measured<'_> {
    /// Waits for the frames on the way, once the belt is gone.
    pub(super) fn wait(self) -> io::Result<(Vec<Parting>, Vec<Option<Texture>>)> {
        let (parting, texture) = (self.parting.join(), self.texture.join());
        let texture = texture.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        let parting = parting.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        // Who stopped first is last on the belt.
        let texture = texture?;
        Ok((parting?, texture))
    }
}

fn part(
    mut plates: Vec<Parting>,
    placed: &Receiver<Passed<Placed>>,
    to: &SyncSender<Passed<Background>>,
) -> io::Result<Vec<Parting>> {
    for Passed { frame, planes, of } in placed {
        let mut parted = Vec::with_capacity(of.len());
        for (plate, placed) in plates.iter_mut().zip(of) {
            let light = placed.in_codes();
            let motion = placed.reduced(plate.scales.work).unwrap_or_default();
            let hidden = plate.see(frame, &planes, placed)?;
            parted.push(Background { light, motion, hidden });
        }
        if to.send(Passed { frame, planes, of: parted }).is_err() {
            break;
        }
    }
    Ok(plates)
}

fn look(
    mut plates: Vec<Option<Texture>>,
    parted: &Receiver<Passed<Background>>,
    back: &Sender<Planes>,
) -> io::Result<Vec<Option<Texture>>> {
    for Passed { frame, planes, of } in parted {
        for (plate, of) in plates.iter_mut().zip(&of) {
            if let Some(plate) = plate {
                plate.see(frame, &planes.work, of)?;
            }
        }
        // The reader may be through.
        let _ = back.send(planes);
    }
    Ok(plates)
}
