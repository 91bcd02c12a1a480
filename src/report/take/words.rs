//! The first line and what stands below it, for people on a dark set.

use crate::inspection::{Inspection, TakeVerdict};
use crate::reason::{Reason, Severity};
use crate::time::{Counting, Frame, FrameRange, FrameShift};

/// What is said of no frames.
const NOTHING: &str = "nothing";

/// Most runs of frames the first line names.
const MOST_RUNS: usize = 3;

/// How file frames of a take are said: timecode where there is one, else `#N`.
#[derive(Debug, Clone, Copy, Default)]
pub struct TakeLabels {
    /// Take frame of file frame 0 and how its labels count.
    pub start: Option<(Frame, Counting)>,
}

impl TakeLabels {
    /// Says a file frame.
    pub fn label(self, frame: Frame) -> String {
        match self.start {
            Some((start, counting)) => counting.label(start + FrameShift(frame.0)),
            None => format!("#{frame}"),
        }
    }

    /// Says a range of file frames, its out point exclusive.
    pub fn span(self, range: FrameRange) -> String {
        format!("{}-{}", self.label(range.start), self.label(range.end))
    }
}

/// Says in one line whether the take can be patched, frames and remedy first.
///
/// ```text
/// HAVE IT 10:12:08:00-10:14:02:00; not after: focus moved
/// CHECK 10:12:08:00-10:14:02:00: an actor touches the shadow's edge
/// ROLL 5 s: boom out, nobody in the upper left
/// ```
pub fn headline(inspection: &Inspection, labels: TakeLabels, ask_s: f64) -> String {
    let gravest = inspection.reasons.first();
    let short = |reason: &Reason| reason.code.short().to_string();
    match inspection.verdict {
        TakeVerdict::Stop => {
            let remedy = inspection.remedy.as_deref().unwrap_or("boom out, nobody moves");
            format!("ROLL {ask_s} s: {remedy}")
        }
        TakeVerdict::Attention => {
            let why = gravest.map_or_else(|| "look at it".into(), short);
            let frames = gravest
                .and_then(|reason| reason.range_in_take)
                .map(|range| range.shifted(FrameShift(-labels.start.map_or(0, |s| s.0.0))))
                .map_or_else(
                    || runs(&worth_saying(inspection), labels),
                    |range| labels.span(range),
                );
            if frames == NOTHING {
                format!("CHECK: {why}")
            } else {
                format!("CHECK {frames}: {why}")
            }
        }
        TakeVerdict::Go => {
            format!(
                "HAVE IT {}{}",
                runs(&worth_saying(inspection), labels),
                what_ends_it(inspection)
            )
        }
    }
}

fn runs(runs: &[FrameRange], labels: TakeLabels) -> String {
    let named: Vec<String> = runs.iter().take(MOST_RUNS).map(|run| labels.span(*run)).collect();
    let more = runs.len().saturating_sub(MOST_RUNS);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    if named.is_empty() { NOTHING.into() } else { named.join(", ") + &more }
}

/// The frames that can be used in runs of half a second at least: what is shorter is no shot;
/// ours. All of them if none is as long.
fn worth_saying(inspection: &Inspection) -> Vec<FrameRange> {
    let least = u64::from(inspection.media.rate.nominal().div_ceil(2));
    let runs = &inspection.patchable;
    let long: Vec<FrameRange> = runs.iter().filter(|run| run.count().0 >= least).copied().collect();
    if long.is_empty() { runs.clone() } else { long }
}

/// Why the frames that can be used begin late or end early.
fn what_ends_it(inspection: &Inspection) -> String {
    if inspection.boom.is_empty() && inspection.patchable.len() == 1 {
        return ": no boom seen to come or go".into();
    }
    let whole = FrameRange::new(0, i64::try_from(inspection.frames).unwrap_or(i64::MAX));
    let said = worth_saying(inspection);
    let (Some(first), Some(last)) = (said.first(), said.last()) else {
        return String::new();
    };
    let why = || {
        let about_frames = inspection.reasons.iter().find(|reason| reason.range_in_take.is_some());
        about_frames.map_or("not looked at", |reason| reason.code.short())
    };
    let mut ends = Vec::new();
    if first.start > whole.start {
        ends.push(format!("not before: {}", why()));
    }
    if last.end < whole.end {
        ends.push(format!("not after: {}", why()));
    }
    if ends.is_empty() { String::new() } else { format!("; {}", ends.join("; ")) }
}

/// Says that not every frame was held against the plates.
pub(super) fn sparsely(every: u32) -> String {
    let which = match every {
        2 => "second".to_string(),
        3 => "third".to_string(),
        _ => format!("{every}th"),
    };
    format!("every {which} frame against the plates; --every 1 looks at all")
}

/// Says everything found, line by line, below the first line.
pub fn lines(inspection: &Inspection, labels: TakeLabels) -> Vec<String> {
    let media = &inspection.media;
    let mut lines = vec![format!(
        "{}: {} frames at {}, {} x {}",
        media.file, inspection.frames, media.rate, media.width, media.height
    )];
    let mut say = |name: &str, ranges: &[FrameRange], none: &str| {
        let text = if ranges.is_empty() { none.to_string() } else { runs(ranges, labels) };
        lines.push(format!("{name:<13}{text}"));
    };
    say("locked off", &inspection.lock_off, "not shown");
    say("plates", &inspection.plates, "none");
    say("boom", &inspection.boom, "none seen");
    say("can be used", &inspection.patchable, "nothing");
    if let Some(px) = inspection.divider.as_ref().and_then(|divider| divider.clearance_px) {
        lines.push(format!("{:<13}{px:.1} px", "clearance"));
    }
    if inspection.held_every > 1 {
        lines.push(format!("{:<13}{}", "looked at", sparsely(inspection.held_every)));
    }
    for reason in &inspection.reasons {
        let word = match reason.severity {
            Severity::Stop => "stop",
            Severity::Attention => "attention",
            Severity::Note => "note",
        };
        lines.push(format!("{word:<13}{}", reason.text));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::MediaSummary;
    use crate::reason::Code;
    use crate::time::Rate;

    fn take(verdict: TakeVerdict, patchable: &[(i64, i64)], reasons: Vec<Reason>) -> Inspection {
        Inspection {
            schema: crate::inspection::SCHEMA,
            media: MediaSummary {
                file: "A001C001.mov".into(),
                rate: Rate::new(24, 1).expect("positive"),
                start_timecode: Some("10:12:08:00".into()),
                width: 1920,
                height: 1080,
                encoding: "unknown".into(),
            },
            frames: 2736,
            held_every: 1,
            lock_off: Vec::new(),
            plates: Vec::new(),
            boom: vec![FrameRange::new(100, 200)],
            patchable: patchable.iter().map(|(a, b)| FrameRange::new(*a, *b)).collect(),
            boom_region: None,
            divider: None,
            verdict,
            remedy: None,
            reasons,
            series: None,
            faults: Vec::new(),
        }
    }

    fn labels() -> TakeLabels {
        let counting = Counting::new(Rate::new(24, 1).expect("positive"), false);
        let start = counting.frame("10:12:08:00").expect("a label");
        TakeLabels { start: Some((start, counting)) }
    }

    #[test]
    fn the_first_line_says_frames_and_what_ends_them() {
        let focus = Reason::new(Code::FocusChanged, Severity::Note, "Focus moved.")
            .over(FrameRange::new(900_000, 900_100));
        let have = take(TakeVerdict::Go, &[(0, 2400)], vec![focus]);
        assert_eq!(
            headline(&have, labels(), 5.0),
            "HAVE IT 10:12:08:00-10:13:48:00; not after: focus moved"
        );
        let gap = take(TakeVerdict::Go, &[(0, 1200), (1201, 1202), (1210, 2736)], Vec::new());
        assert_eq!(
            headline(&gap, labels(), 5.0),
            "HAVE IT 10:12:08:00-10:12:58:00, 10:12:58:10-10:14:02:00"
        );
        let whole = take(TakeVerdict::Go, &[(0, 2736)], Vec::new());
        assert_eq!(headline(&whole, labels(), 5.0), "HAVE IT 10:12:08:00-10:14:02:00");
    }

    #[test]
    fn a_doubt_about_the_whole_names_no_frames() {
        let doubt = Reason::new(Code::NoPlate, Severity::Attention, "The pictures do not tell.");
        let check = take(TakeVerdict::Attention, &[], vec![doubt]);
        assert_eq!(headline(&check, labels(), 5.0), "CHECK: no plate");
    }

    #[test]
    fn without_a_plate_it_says_what_to_roll() {
        let mut roll = take(TakeVerdict::Stop, &[], Vec::new());
        roll.remedy = Some("boom out, nobody in the upper left".into());
        assert_eq!(headline(&roll, labels(), 5.0), "ROLL 5 s: boom out, nobody in the upper left");
    }
}
