//! Whether the camera stands: every frame of a take held against the mean of its first ones, on
//! a thread beside the one that reads.

use crate::measure::lockoff::LockOff;
use crate::measure::{Plane, PlateSum};
use crate::time::Frame;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};

/// First frames whose mean the others are held against: enough to bring grain down to a
/// fifth, few enough that nobody moves the camera within them.
const FIRST: usize = 24;

/// Frames that wait. Ours: one is enough for even ones, two for a frame that takes longer.
const WAITING: usize = 2;

/// Where the reader lays its frames, and what comes of them.
pub(super) struct Standing<'a> {
    to: SyncSender<(Frame, Plane)>,
    used: Receiver<Plane>,
    found: ScopedJoinHandle<'a, Option<LockOff>>,
}

impl<'a> Standing<'a> {
    /// Begins to wait for frames.
    pub(super) fn start(hands: &'a Scope<'a, '_>) -> Standing<'a> {
        let (to, frames) = sync_channel(WAITING);
        let (back, used) = channel();
        Standing { to, used, found: hands.spawn(move || held(&frames, &back)) }
    }

    /// Takes a frame at middle size, and gives back a plane to be filled again.
    pub(super) fn take(&self, frame: Frame, plane: &mut Plane) {
        let empty = self.used.try_recv().unwrap_or_default();
        // Nobody waits any more only after a panic, which comes up at the end.
        let _ = self.to.send((frame, std::mem::replace(plane, empty)));
    }

    /// Waits for the frames on their way; `None` if there was none that can be held.
    pub(super) fn finish(self) -> Option<LockOff> {
        drop(self.to);
        self.found.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }
}

fn held(frames: &Receiver<(Frame, Plane)>, back: &Sender<Plane>) -> Option<LockOff> {
    let first: Vec<(Frame, Plane)> = frames.iter().take(FIRST).collect();
    let mut lock_off = begun(&first);
    for (frame, plane) in frames {
        if let (Some(lock_off), Some(view)) = (&mut lock_off, plane.view()) {
            lock_off.see(frame, view, false);
        }
        // The reader may be through.
        let _ = back.send(plane);
    }
    lock_off
}

/// Makes the mean of the first frames and holds them against it.
fn begun(first: &[(Frame, Plane)]) -> Option<LockOff> {
    let mut sum = PlateSum::new();
    let views = || first.iter().filter_map(|(frame, plane)| Some((*frame, plane.view()?)));
    for (_, view) in views() {
        sum.add(view);
    }
    let mut lock_off = LockOff::new(&sum, None, 255.0).ok()?;
    for (frame, view) in views() {
        lock_off.see(frame, view, true);
    }
    Some(lock_off)
}
