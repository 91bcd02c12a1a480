//! Frames that are the frame before once more.

use crate::measure::View;

/// How much each frame differs from the one before.
#[derive(Debug, Clone, Default)]
pub(super) struct Steps {
    steps: Vec<f32>,
}

/// Side of the blocks that are compared. A repeated frame, coded again, differs by its
/// coding noise, which averages out over a block; a moving finger does not.
const BLOCK: usize = 8;

/// Blocks of a repeated frame differ by no more, in codes of eight bits. Ours.
const EQUAL: f32 = 0.75;

/// The largest step of the middle frame must be so many times that. Ours: in a picture where
/// hardly anything ever moves, a still frame is no repeat.
const LIVELY: f32 = 4.0;

impl Steps {
    pub(super) fn see(&mut self, frame: &View<'_, f32>, last: &[f32]) {
        let width = frame.width();
        let mut most = 0.0_f32;
        let mut sums = vec![0.0_f32; width / BLOCK];
        let rows = frame.data().chunks_exact(width).zip(last.chunks_exact(width));
        for (y, (row, last)) in rows.enumerate() {
            let pairs = row.chunks_exact(BLOCK).zip(last.chunks_exact(BLOCK));
            for (sum, (now, then)) in sums.iter_mut().zip(pairs) {
                *sum += now.iter().zip(then).map(|(now, then)| now - then).sum::<f32>();
            }
            if y % BLOCK == BLOCK - 1 {
                most = sums.iter().fold(most, |most, sum| most.max(sum.abs()));
                sums.fill(0.0);
            }
        }
        self.steps.push(most / (BLOCK * BLOCK) as f32);
    }

    /// Numbers of the frames that repeat the one before.
    pub(super) fn repeated(&self) -> Vec<usize> {
        let equal = |step: &f32| *step <= EQUAL;
        let mut lively: Vec<f32> = self.steps.iter().copied().filter(|step| !equal(step)).collect();
        lively.sort_by(f32::total_cmp);
        let middle = lively.get(lively.len() / 2).copied().unwrap_or(0.0);
        if middle < LIVELY * EQUAL {
            return Vec::new();
        }
        let frames = self.steps.iter().enumerate().filter(|(_, step)| equal(step));
        frames.map(|(at, _)| at + 1).collect()
    }
}
