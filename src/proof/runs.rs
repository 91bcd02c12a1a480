//! From what each frame shows to runs of frames worth a sentence.

use crate::reason::Severity;
use crate::time::{Frame, FrameRange};

/// Frames below a limit between two above it that are counted to the run: a fault that
/// flickers about its limit is one fault. Ours.
const GAP: i64 = 6;

/// What one frame shows of one kind of fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Seen {
    /// The frame, file clock.
    pub frame: Frame,
    /// How visible it would be, in grains.
    pub visibility: f64,
    /// The measured value, in the unit of the fault.
    pub value: f64,
}

/// A run of frames that show a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Run {
    /// From the first frame over the limit to the last.
    pub range: FrameRange,
    /// The most visible frame.
    pub worst: Seen,
}

/// Up to where a fault is go, and up to where somebody should look; in grains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steps {
    pub go: f64,
    pub attention: f64,
}

impl Steps {
    /// Grades a visibility; `None` is go. What cannot be compared is not go.
    pub(super) fn grade(self, visibility: f64) -> Option<Severity> {
        match visibility {
            v if v <= self.go => None,
            v if v <= self.attention => Some(Severity::Attention),
            _ => Some(Severity::Stop),
        }
    }

    /// Grades a run: a fault that lies only outside `used` never stops.
    pub(super) fn of_run(self, run: &Run, used: FrameRange) -> Severity {
        let grade = self.grade(run.worst.visibility).unwrap_or(Severity::Note);
        if run.range.overlap(used).is_some() { grade } else { grade.min(Severity::Attention) }
    }
}

/// Returns the runs of frames above `limit`, in order; `seen` is in order of frames. Runs
/// are parted at the edges of `used`, so that a fault in the handles is not taken for one
/// in the shot.
pub(super) fn runs(seen: &[Seen], limit: f64, used: FrameRange) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for one in seen.iter().filter(|one| one.visibility.is_nan() || one.visibility > limit) {
        let inside = used.holds(one.frame);
        match runs.last_mut() {
            Some(run)
                if one.frame.0 - run.range.end.0 <= GAP
                    && used.holds(run.worst.frame) == inside =>
            {
                run.range.end = Frame(one.frame.0 + 1);
                if one.visibility > run.worst.visibility {
                    run.worst = *one;
                }
            }
            _ => {
                runs.push(Run { range: FrameRange::new(one.frame.0, one.frame.0 + 1), worst: *one })
            }
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(values: &[(i64, f64)]) -> Vec<Seen> {
        let one = |(frame, visibility): &(i64, f64)| Seen {
            frame: Frame(*frame),
            visibility: *visibility,
            value: 0.0,
        };
        values.iter().map(one).collect()
    }

    #[test]
    fn a_fault_that_flickers_is_one_and_one_far_off_another() {
        let frames = seen(&[(0, 0.5), (1, 1.5), (2, 0.2), (3, 2.5), (30, 1.1), (31, 0.9)]);
        let runs = runs(&frames, 1.0, FrameRange::new(0, 100));
        assert_eq!(runs.len(), 2);
        assert_eq!(runs[0].range, FrameRange::new(1, 4));
        assert_eq!(runs[0].worst.frame, Frame(3));
        assert_eq!(runs[1].range, FrameRange::new(30, 31));
    }

    #[test]
    fn a_fault_in_the_handles_never_stops() {
        let frames = seen(&[(8, 9.0), (9, 9.0), (10, 9.0)]);
        let used = FrameRange::new(10, 20);
        let runs = runs(&frames, 1.0, used);
        let steps = Steps { go: 1.0, attention: 2.0 };
        let grades: Vec<Severity> = runs.iter().map(|run| steps.of_run(run, used)).collect();
        assert_eq!(grades, [Severity::Attention, Severity::Stop]);
    }

    #[test]
    fn what_cannot_be_compared_is_not_go() {
        let steps = Steps { go: 1.0, attention: 2.0 };
        assert_eq!(steps.grade(f64::NAN), Some(Severity::Stop));
        assert_eq!(steps.grade(1.0), None);
        assert_eq!(steps.grade(2.0), Some(Severity::Attention));
    }
}
