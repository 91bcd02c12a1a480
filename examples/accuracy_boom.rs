//! Prints how exactly plates, booms and the boom's region are found: on footage with a boom
//! laid in, on footage without, and on drawn takes of known contrast.
//!
//! usage: accuracy_boom [FOOTAGE]    the folder that holds boom/, locked/ and moving/

#[path = "../tests/hung/mod.rs"]
mod hung;

use hung::{Dice, From, Hung, HungTone, Room, grained, stand};
use platesmith::measure::boom::{
    FinderLimits, ForegroundLimits, Found, Hints, PlateRange, Say, SmallTake, find,
};
use platesmith::measure::{Mask, Plane, View};
use platesmith::time::{Frame, FrameRange};
use std::path::Path;
use std::time::Instant;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// Luma in 8-bit codes.
fn clip(path: &Path) -> Outcome<Vec<Plane>> {
    let media = platesmith::media::open(path)?;
    let mut frames = media.frames(FrameRange::new(0, i64::try_from(media.info().frames)?))?;
    let (mut planes, mut luma) = (Vec::new(), Vec::new());
    while let Some(next) = frames.next_frame() {
        let picture = next?.1;
        picture.luma_u16(&mut luma);
        let share = 255.0 / ((1_u32 << picture.luma_depth()) - 1) as f32;
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let mut plane = View::new(width, height, &luma).ok_or("no luma")?.reduced(1);
        plane.data.iter_mut().for_each(|code| *code *= share);
        planes.push(plane);
    }
    Ok(planes)
}

/// The small plane: short side about 240.
fn small(plane: &Plane) -> Option<Plane> {
    let by = (plane.width.min(plane.height) as f64 / 240.0).round().max(1.0);
    Some(plane.view()?.reduced(by as usize))
}

fn search<'a>(planes: impl Iterator<Item = &'a Plane>) -> Outcome<(Found, f64)> {
    let mut take = SmallTake::new()?;
    for plane in planes {
        take.add(&small(plane).ok_or("size")?)?;
    }
    let start = Instant::now();
    let found = find(&mut take, &Hints::default(), &FinderLimits::default())?;
    let cost = start.elapsed().as_secs_f64() * 1e3 / take.frames().max(1) as f64;
    Ok((found, cost))
}

fn text(ranges: &[FrameRange]) -> String {
    ranges
        .iter()
        .map(|range| format!("[{}, {})", range.start, range.end))
        .collect::<Vec<_>>()
        .join(" ")
}

fn shown(found: &Found) -> String {
    format!("{:?}, boom {}, plates {}", found.say, text(&found.booms), text(&found.plates))
}

/// Errors of in and out, if one boom was found.
fn ends(found: &[FrameRange], (start, end): (i64, i64)) -> String {
    match found {
        [boom] => format!("{:+} {:+}", boom.start.0 - start, boom.end.0 - end),
        _ => format!("{} spans", found.len()),
    }
}

fn both(a: &Mask, b: &Mask) -> f64 {
    let mut both = a.clone();
    both.keep(b);
    both.count() as f64
}

/// One case of footage with a boom laid in.
fn case(folder: &Path, name: &str, span: (i64, i64), plate: std::ops::Range<usize>) -> Outcome<()> {
    let clean = clip(&folder.join(name).join("clean.mkv"))?;
    let lossless = clip(&folder.join(name).join("take_boom.mkv"))?;
    for (file, codes) in [("take_boom.mkv", 3.0), ("take_boom_cam.mp4", 6.0)] {
        let take = clip(&folder.join(name).join(file))?;
        let (found, cost) = search(take.iter())?;
        println!(
            "{name}/{file}: in and out {} frames (to reach +-1), {}, {cost:.1} ms a frame",
            ends(&found.booms, span),
            shown(&found)
        );
        region((&take, &clean, &lossless), &found, span, plate.clone(), (name, file, codes))?;
    }
    let (free, _) = search(clean.iter())?;
    println!("{name}/clean.mkv: false booms {} (to reach 0), {}", free.booms.len(), shown(&free));
    let inner = span.0 as usize + 12..span.1 as usize - 12;
    let (held, _) = search(lossless[inner].iter())?;
    println!(
        "{name}, boom throughout: plates {} (to reach 0), {}",
        held.plates.len() + held.short.len(),
        shown(&held)
    );
    Ok(())
}

/// Recall and area of the region against pixels that differ from the clean clip; for a lossy
/// take within eight pixels of what the lossless one changes, so that coding of moving actors
/// is not taken for the boom.
fn region(
    (take, clean, lossless): (&[Plane], &[Plane], &[Plane]),
    found: &Found,
    span: (i64, i64),
    plate: std::ops::Range<usize>,
    (name, file, codes): (&str, &str, f32),
) -> Outcome<()> {
    let (width, height) = (take[0].width, take[0].height);
    let mut range = PlateRange::new();
    for frame in plate {
        range.add(&take[frame]);
    }
    for hinted in [false, true] {
        let mut meter = range.finish(ForegroundLimits::default()).ok_or("no plate")?;
        if hinted {
            meter = meter.within(&found.region.grown(4));
        }
        let (mut region, mut truth) = (Mask::new(width, height), Mask::new(width, height));
        let (mut present, mut cost) = (Vec::new(), 0.0);
        for (frame, plane) in take.iter().enumerate() {
            let start = Instant::now();
            let split = meter.see(Frame(frame as i64), plane);
            cost += start.elapsed().as_secs_f64();
            if split.present {
                present.push(FrameRange::new(frame as i64, frame as i64 + 1));
            }
            if FrameRange::new(span.0, span.1).holds(Frame(frame as i64)) {
                region.add(&split.boom);
            }
            let differs = |a: &Plane, by: f32| {
                Mask::from_fn(width, height, |x, y| {
                    (a.data[y * width + x] - clean[frame].data[y * width + x]).abs() >= by
                })
            };
            let changed = differs(&lossless[frame], 3.0);
            if codes > 3.0 {
                let mut seen = differs(plane, codes);
                seen.keep(&changed.grown(8));
                truth.add(&seen);
            } else {
                truth.add(&changed);
            }
        }
        println!(
            "{name}/{file}{}: recall {:.4} (to reach .98), area {:.3} (at most 1.5), present {}, {:.2} ms at {width}x{height}",
            if hinted { ", within the region found" } else { "" },
            both(&region, &truth) / truth.count().max(1) as f64,
            region.count() as f64 / truth.count().max(1) as f64,
            text(&platesmith::time::union(&present)),
            cost * 1e3 / take.len() as f64,
        );
    }
    Ok(())
}

/// A drawn take; returns what was found and the true span.
fn drawn(
    boom: &Hung,
    grain: f32,
    people: &[(f32, f32)],
    seed: u64,
) -> Outcome<(Found, (i64, i64))> {
    let (width, height) = (640, 360);
    let room = Room::new(width, height, 150.0, seed);
    let mut dice = Dice::new(seed + 9);
    let mut planes = Vec::new();
    let mut span = (i64::MAX, 0);
    for frame in 0..boom.take {
        let mut codes = room.empty();
        for place in people {
            stand(&mut codes, width, height, *place, frame);
        }
        let change = boom.lay(frame, width, height, &mut codes);
        if change.iter().filter(|change| change.abs() >= 3.0).count() >= 6 {
            span = (span.0.min(frame as i64), frame as i64 + 1);
        }
        let codes = grained(&codes, grain, 1023.0, &mut dice);
        let mut plane = View::new(width, height, &codes).ok_or("size")?.reduced(1);
        plane.data.iter_mut().for_each(|code| *code *= 255.0 / 1023.0);
        planes.push(small(&plane).ok_or("size")?);
    }
    Ok((search(planes.iter())?.0, span))
}

/// Booms of known contrast in three sets, with two strengths of grain.
fn ladder() -> Outcome<()> {
    for grain in [1.0, 3.0] {
        for codes in [4.0_f32, 5.0, 6.0, 7.0, 8.0, 12.0, 16.0, 20.0] {
            let (mut held, mut all, mut invented, mut doubted) = (0, 0, 0, 0);
            for (seed, sign) in [(3, 1.0), (3, -1.0), (4, 1.0), (4, -1.0)] {
                let tone = HungTone::Differs(codes * sign);
                let boom = Hung { tone, shadow: 0.03, ..Hung::usual((30, 66), 96) };
                let (found, span) = drawn(&boom, grain, &[(0.25, 0.35)], seed)?;
                let near = |found: &FrameRange| {
                    (found.start.0 - span.0).abs() <= 1 && (found.end.0 - span.1).abs() <= 1
                };
                held += usize::from(found.booms.len() == 1 && near(&found.booms[0]));
                let touched = FrameRange::new(span.0, span.1);
                invented +=
                    usize::from(found.plates.iter().any(|plate| plate.overlap(touched).is_some()));
                doubted += usize::from(matches!(found.say, Say::CannotTell(_)));
                all += 1;
            }
            println!(
                "contrast {codes:>2} codes, grain {grain} codes: in and out within a frame {held} of {all}, doubted {doubted}, plates that hold the boom {invented} (to reach 0)"
            );
        }
    }
    Ok(())
}

/// Other edges, sizes and speeds.
fn wide() -> Outcome<()> {
    let usual = Hung::usual((30, 70), 100);
    let kinds = [
        ("usual", usual),
        ("left", Hung { from: From::Left, at: (0.2, 0.25), ..usual }),
        ("right", Hung { from: From::Right, at: (0.85, 0.2), ..usual }),
        ("big", Hung { size: (0.2, 0.09), at: (0.4, 0.3), ..usual }),
        ("small", Hung { size: (0.04, 0.02), at: (0.4, 0.1), ..usual }),
        ("fast", Hung { slide: 3, ..usual }),
        ("slow", Hung { slide: 30, ..usual }),
        ("swinging", Hung { sway: (0.06, 30.0), ..usual }),
        ("head only", Hung { frames: (30, 100), ..usual }),
        ("tail only", Hung { frames: (0, 70), ..usual }),
    ];
    for (name, boom) in kinds {
        for people in [&[][..], &[(0.55, 0.25)][..]] {
            let (found, span) = drawn(&boom, 2.0, people, 1)?;
            let actor = if people.is_empty() { "" } else { ", an actor near" };
            println!(
                "drawn, {name}{actor}: in and out {} frames, {}",
                ends(&found.booms, span),
                shown(&found)
            );
        }
    }
    Ok(())
}

/// A tip that stays a few pixels deep for some frames before it goes on, in a frame of
/// 3840x2160: the small plane sees it as less than a pixel.
fn slivers() -> Outcome<()> {
    const LINGERS: (usize, usize) = (30, 92);
    for codes in [100.0_f32, 30.0, 16.0, 12.0, 9.0] {
        for deep in [6.0_f32, 10.0] {
            for wide in [40.0_f32, 120.0] {
                let found = lingering(codes, deep, wide, LINGERS)?;
                println!(
                    "tip {deep} px deep and {wide} wide for 6 frames, {codes} codes: in and out {} (to reach +-1), plates {}",
                    ends(&found.booms, (LINGERS.0 as i64, LINGERS.1 as i64)),
                    text(&found.plates)
                );
            }
        }
    }
    Ok(())
}

fn lingering(codes: f32, deep: f32, wide: f32, (from, to): (usize, usize)) -> Outcome<Found> {
    let (width, height, by) = (480_usize, 270_usize, 8.0_f32);
    let room = Room::new(width, height, 150.0, 7);
    let mut dice = Dice::new(11);
    let mut planes = Vec::new();
    for frame in 0..120_usize {
        let into = (from..to).contains(&frame).then(|| (frame - from).min(to - 1 - frame));
        let depth = into.map_or(0.0, |into| {
            if into < 6 { deep } else { (deep + 30.0 * (into - 5) as f32).min(400.0) }
        });
        let cover = |low: f32, at: usize, high: f32| {
            ((at as f32 + 1.0) * by).min(high) - (at as f32 * by).max(low)
        };
        let mut data = room.empty();
        for (at, value) in data.iter_mut().enumerate() {
            let across = cover(1800.0, at % width, 1800.0 + wide).max(0.0) / by;
            let down = cover(0.0, at / width, depth).max(0.0) / by;
            *value += codes * across * down + 3.0 / by * dice.bell();
        }
        planes.push(Plane { width, height, data });
    }
    let mut take = SmallTake::new()?;
    for plane in &planes {
        take.add(plane)?;
    }
    Ok(find(&mut take, &Hints::default(), &FinderLimits::default())?)
}

fn main() -> Outcome<()> {
    slivers()?;
    if let Some(folder) = std::env::args().nth(1) {
        let folder = Path::new(&folder);
        case(&folder.join("boom"), "signer_stable", (19, 70), 72..89)?;
        case(&folder.join("boom"), "person_wall", (41, 259), 261..300)?;
        case(&folder.join("boom"), "tram_clouds", (27, 181), 183..232)?;
        for kind in ["locked", "moving"] {
            let mut files: Vec<_> =
                std::fs::read_dir(folder.join(kind))?.collect::<Result<_, _>>()?;
            files.sort_by_key(|file| file.file_name());
            for file in files {
                let (found, cost) = search(clip(&file.path())?.iter())?;
                let name = file.file_name().to_string_lossy().to_string();
                println!(
                    "{kind}/{name}: false booms {} (to reach 0), {}, {cost:.1} ms a frame",
                    found.booms.len(),
                    shown(&found)
                );
            }
        }
    }
    ladder()?;
    wide()
}
