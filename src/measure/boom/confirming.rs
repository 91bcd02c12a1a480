//! Which frames without the boom are tried, alone, as references that confirm it.

use super::limits::{FinderLimits, LONG};
use std::ops::Range;

/// Runs of frames without the boom are tried in up to three windows each. Ours: both ends and the
/// middle, for a boom that comes or goes within one.
const OF_A_RUN: usize = 3;

/// Returns windows of the runs that are long enough for a plate, each with the number of its
/// run: several of each run where these are no more than are tried of a take of so many frames.
pub(super) fn confirming(
    runs: &[Range<usize>],
    frames: usize,
    limits: &FinderLimits,
) -> (Vec<usize>, Vec<Range<usize>>) {
    let plates = || runs.iter().enumerate().filter(|(_, run)| run.len() >= limits.plate_frames);
    let most = if frames > LONG { limits.long_confirmations } else { limits.confirmations };
    let of_a_run = (most / plates().count().max(1)).clamp(1, OF_A_RUN);
    let (mut owners, mut windows) = (Vec::new(), Vec::new());
    for (at, run) in plates() {
        let length = limits.window_frames.1.min(run.len());
        let (first, last) = (run.start, run.end - length);
        let mut starts = match of_a_run {
            1 => vec![(first + last) / 2],
            2 => vec![first, last],
            _ => vec![first, (first + last) / 2, last],
        };
        starts.dedup();
        if windows.len() + starts.len() <= limits.confirmations {
            owners.extend(starts.iter().map(|_| at));
            windows.extend(starts.iter().map(|start| *start..start + length));
        }
    }
    (owners, windows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_run_is_tried_and_of_few_both_ends() {
        let limits = FinderLimits::default();
        let tried = |count: usize, frames: usize| {
            let runs: Vec<Range<usize>> = (0..count).map(|at| at * 50..at * 50 + 30).collect();
            let (owners, windows) = confirming(&runs, frames, &limits);
            let inside = |(owner, window): (&usize, &Range<usize>)| {
                runs[*owner].start <= window.start && window.end <= runs[*owner].end
            };
            assert!(owners.iter().zip(&windows).all(inside), "{windows:?}");
            (0..count).map(|at| owners.iter().filter(|owner| **owner == at).count()).collect()
        };
        let all: Vec<Vec<usize>> = vec![tried(2, 500), tried(8, 500), tried(10, 500)];
        assert_eq!(all, [vec![3; 2], vec![3; 8], vec![2; 10]]);
        let long: Vec<Vec<usize>> = vec![tried(2, 3000), tried(4, 3000), tried(20, 3000)];
        assert_eq!(long, [vec![3; 2], vec![2; 4], vec![1; 20]]);
    }
}
