//! Makes the report of a large cut: `big_report TURNOVER MEDIA FILE [SHOTS]` repeats what a
//! turnover found until there are so many shots (default 500) and writes their page. Pictures are
//! those of the media and renders, of another frame in each repetition; curves are invented.

use platesmith::findings::{Findings, UseFinding};
use platesmith::inspection::Series;
use platesmith::media::{Media, Picture, open};
use platesmith::report::html;
use platesmith::report::still::{Look, Still, StillKind, most_bytes};
use platesmith::review::earlier_findings;
use platesmith::time::Frame;
use std::path::Path;

fn main() -> std::process::ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [turnover, media, file, rest @ ..] = arguments.as_slice() else {
        eprintln!("usage: big_report TURNOVER MEDIA FILE [SHOTS]");
        return 2.into();
    };
    let shots = rest.first().and_then(|count| count.parse().ok()).unwrap_or(500);
    let [turnover, media] = [turnover, media].map(Path::new);
    let findings = match earlier_findings(turnover) {
        Ok(findings) => findings,
        Err(faults) => {
            eprintln!("{faults}");
            return 2.into();
        }
    };
    let seen: Vec<UseFinding> = findings
        .uses
        .iter()
        .filter(|found| found.verdict.is_listed() && found.used_in_file.is_some())
        .cloned()
        .collect();
    if seen.is_empty() {
        eprintln!("{}: no shot has media", turnover.display());
        return 2.into();
    }
    let (mut uses, mut looks) = (Vec::new(), Vec::new());
    for at in 0..shots {
        let mut found = seen[at % seen.len()].clone();
        looks.push(look(&found, at, most_bytes(shots), (turnover, media)));
        found.shot = format!("{}_{:04}", found.shot, at / seen.len());
        uses.push(found);
    }
    let totals = Findings::count(&uses);
    let page = html::page(&Findings { uses, totals, ..findings }, &looks);
    let pictures: Vec<usize> =
        looks.iter().flat_map(|look| &look.stills).map(|still| still.jpeg.len()).collect();
    let mean = pictures.iter().sum::<usize>() / pictures.len().max(1);
    println!(
        "{shots} shots of {} found, {} pictures of {mean} bytes in the mean, page of {:.1} MB",
        seen.len(),
        pictures.len(),
        page.len() as f64 / 1e6
    );
    if let Err(io) = std::fs::write(file, page) {
        eprintln!("{file}: {io}");
        return 2.into();
    }
    0.into()
}

/// Pictures and curves of one shot.
fn look(found: &UseFinding, at: usize, most: usize, (out, media): (&Path, &Path)) -> Look {
    let Some((need, in_take)) = found.need_in_file.zip(found.need_in_take) else {
        return Look::default();
    };
    let frames = need.count().0.max(1);
    let off = (at as u64 * 7 % frames) as i64;
    let take = found.media.as_ref().and_then(|take| open(&media.join(&take.file)).ok());
    let plate = found.plate.as_ref().and_then(|plate| plate.file.as_deref());
    let rendered = |file: Option<&str>| open(&out.join(file?)).ok();
    let shown = Frame(in_take.start.0 + off);
    let still = |kind, media: Option<Media>, frame: i64| {
        let make = |picture: &Picture| Still::of(kind, shown, picture, most);
        media?.at(Frame(frame), &make).ok().flatten().flatten()
    };
    let stills = [
        still(StillKind::Worst, take, need.start.0 + off),
        still(StillKind::Plate, rendered(plate), off),
        still(StillKind::Patched, rendered(found.temp_comp.as_deref()), off),
    ];
    let curve = |scale: f64| -> Vec<Option<f64>> {
        let value = |frame: u64| scale * (1.0 + ((frame + at as u64) as f64 / 9.0).sin() / 3.0);
        (0..frames).map(|frame| Some(value(frame))).collect()
    };
    let series = Series {
        shift_px: curve(0.05).into_iter().map(|shift| shift.map(|shift| [shift, 0.0])).collect(),
        gain: curve(1.0),
        activity: curve(0.7),
        sharpness: curve(0.98),
        visibility: curve(0.6),
    };
    Look { stills: stills.into_iter().flatten().collect(), series: Some(series) }
}
