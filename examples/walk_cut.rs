//! Prints the uses of a cut as JSON, one line each: `walk_cut CUT [TIMELINE]`. The speed of
//! reading is measured with it, and the tests compare it with an independent walk.

use platesmith::settings::ReverseAnchor;
use platesmith::time::{FrameRange, exact_text};
use platesmith::timeline::{ReadOptions, Speed, Use, read_cut};
use serde_json::{Value, json};
use std::io::Write;

fn main() -> std::process::ExitCode {
    let mut arguments = std::env::args().skip(1);
    let Some(path) = arguments.next() else {
        eprintln!("usage: walk_cut CUT [TIMELINE]");
        return 2.into();
    };
    let timeline = arguments.next();
    let reverse_anchor = ReverseAnchor::Start;
    let options = ReadOptions { cut_rate: None, timeline, reverse_anchor };
    let cut = match read_cut(path.as_ref(), &options) {
        Ok(cut) => cut,
        Err(faults) => {
            eprintln!("{faults}");
            return 2.into();
        }
    };
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let mut lines = vec![json!({
        "name": cut.name, "rate": cut.rate.to_string(), "frames": cut.frames,
        "start_timecode": cut.start_timecode, "counted": format!("{:?}", cut.counted),
        "uses": cut.uses.len(), "faults": cut.faults,
    })];
    lines.extend(cut.uses.iter().map(line));
    for line in lines {
        if writeln!(out, "{line}").is_err() {
            return 2.into();
        }
    }
    u8::from(!cut.faults.is_empty()).into()
}

fn line(used: &Use) -> Value {
    let range = |range: Option<FrameRange>| range.map(|range| [range.start.0, range.end.0]);
    json!({
        "pointer": used.pointer,
        "clip": used.clip,
        "range_in_cut": range(Some(used.range_in_cut)),
        "speed": match &used.speed {
            Speed::Constant(speed) => exact_text(speed),
            Speed::Freeze => "freeze".to_string(),
            Speed::Unknown(why) => format!("unknown: {why}"),
        },
        "rate": used.clip_rate.to_string(),
        "used": range(used.used_in_clip),
        "rendered": range(used.rendered_in_clip),
        "covered": used.covered,
        "first_clear": used.first_clear_in_clip,
        "shot": used.shot_name,
        "reframes": used.reframes,
        "references": used.references.len(),
        "texts": used.texts.len(),
    })
}
