//! Footage with a composited boom, whose truth is known. The figures are of all pixels under
//! the matte, in every frame with boom: squared error over that of the least-squares plane of
//! gain and offset, fitted under the matte on the truth itself and rounded to codes as every
//! picture is; absolute error over that of the least-squares gain fitted there.

use crate::divided::RealShot;
use platesmith::corrections::{Corrected, Setting, Wish};
use platesmith::measure::Mask;
use platesmith::measure::divider::{DividerLimits, alpha, divide};
use platesmith::measure::schedule::{Kept, Wish as Gauging, gauge};
use platesmith::measure::transfer::Encoding;
use platesmith::media::{Media, Picture, open};
use platesmith::plate::{FrameMap, Retouch};
use platesmith::proof::patch_region;
use platesmith::settings::MeasureLimits;
use platesmith::settings::{Settings, Turns};
use platesmith::time::{Frame, FrameRange};
use std::collections::BTreeMap;
use std::path::Path;

/// Measures every case below a folder; `frames` prints every frame of luma as well.
pub fn measured(folder: &Path, only: Option<&str>, frames: bool) {
    for (case, plate, boom) in [
        ("signer_stable", (70, 89), (19, 70)),
        ("person_wall", (0, 41), (41, 259)),
        ("person_wall", (259, 300), (41, 259)),
        ("tram_clouds", (181, 232), (27, 181)),
        ("tram_clouds", (0, 27), (27, 181)),
    ] {
        if only.is_none_or(|only| only == case) {
            let range = |(first, end)| FrameRange::new(first, end);
            one(&folder.join(case), case, range(plate), range(boom), frames);
        }
    }
}

fn one(folder: &Path, case: &str, plate: FrameRange, boom: FrameRange, tell: bool) {
    let media = open(&folder.join("take_boom.mkv")).expect("take");
    let clean = open(&folder.join("clean.mkv")).expect("truth");
    let settings = Settings::default();
    let info = media.info();
    let wish = Gauging {
        media: (&media).into(),
        plates: vec![plate],
        frames: vec![FrameRange::new(0, info.frames as i64)],
        encoding: Encoding::claimed(&info.colour, &info.pixel_format, false),
        limits: MeasureLimits::default(),
        area: None,
        every: 1,
    };
    let gauges = gauge(&wish, &mut Kept::default(), &mut |_| {}).expect("gauge");
    let patched = [boom.grown(6, 6)];
    let need = patched[0];
    let region = patch_region(&gauges[0], &patched, need, &settings).expect("read");
    let region = region.expect("a region");
    let used = region.plate.iter().copied().max_by_key(|run| run.count()).expect("plate");
    let map = FrameMap::looped(used, need.count().0, Turns::Twice).expect("map");
    let mut division = region.division.clone();
    if division.region.is_empty() {
        println!("{case}, plate {plate}: {:?}; the true boom alone is patched", division.standing);
        let boom = RealShot::read(folder).changed_by(3);
        let none = Mask::new(boom.width(), boom.height());
        division = divide(&boom, &boom, &none, &none, 1.0, &settings.divider).expect("one size");
    }
    let setting = Setting::of(&gauges[0], &division, (&patched, need), &[used, need]);
    let setting = setting.expect("masks").expect("a patch");
    let wish = Wish {
        media: (&media).into(),
        map: &map,
        need,
        setting: &setting,
        match_light: true,
        follow_motion: false,
    };
    let start = std::time::Instant::now();
    let corrected = match Corrected::new(&wish, &mut |_| {}).expect("readable") {
        Ok(corrected) => corrected,
        Err(refused) => return println!("{case}, plate {used}: refused: {refused:?}"),
    };
    let took = start.elapsed().as_secs_f64();
    let feather = DividerLimits::default().feather_px;
    let matte = alpha(&division, info.width as usize, info.height as usize, feather);
    let plates = pictures(&media, used);
    let mut sums: [Vec<[f64; 6]>; 3] = Default::default();
    let mut truth = clean.frames(boom).expect("frames");
    while let Some(read) = truth.next_frame() {
        let (frame, truth) = read.expect("truth");
        let k = (frame - need.start).0 as u64;
        let shown = &plates[&map.frame_at(k).expect("in the map")];
        let made = corrected.retouch(k, shown).expect("retouched");
        let made = made.as_ref().unwrap_or(shown);
        for (component, sums) in sums.iter_mut().enumerate() {
            let points = points(component, &matte.data, [shown, made, &truth]);
            let figures = figures(&points);
            if tell && component == 0 {
                let (gain, offset) = corrected.gain_and_offset(frame).expect("light");
                println!("{frame}: gain {gain:.4} offset {offset:.2} {figures:.3?}");
            }
            sums.push(figures);
        }
    }
    println!(
        "{case}, plate {used}: {:?}, left {:.3?} codes, {:.1} s",
        corrected.model(),
        corrected.errors().unwrap_or_default(),
        took
    );
    for (name, sums) in ["Y'", "Cb", "Cr"].iter().zip(&sums) {
        let median = |of: &dyn Fn(&[f64; 6]) -> f64| {
            let mut values: Vec<f64> = sums.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let square = median(&|f| f[1]) / median(&|f| f[2]);
        let light = median(&|f| f[3]) / median(&|f| f[4]);
        let place = format!("{case}, plate {used}, {name}");
        crate::told("median squared error against the oracle's", square, (0.0, 1.10), &place);
        crate::told("median absolute error against the best gain's", light, (0.0, 1.10), &place);
    }
}

fn pictures(media: &Media, range: FrameRange) -> BTreeMap<i64, Picture> {
    let mut frames = media.frames(range).expect("frames");
    let mut all = BTreeMap::new();
    while let Some(read) = frames.next_frame() {
        let (Frame(at), picture) = read.expect("frame");
        all.insert(at, picture);
    }
    all
}

/// Place, and the code of plate, matched plate and truth there.
type Sample = ([f64; 2], [f64; 3]);

fn points(component: usize, matte: &[f32], pictures: [&Picture; 3]) -> Vec<Sample> {
    let (width, height, shift) = pictures[0].component_size(component);
    let across = pictures[0].width() as usize;
    let (mut found, mut rows) = (Vec::new(), [Vec::new(), Vec::new(), Vec::new()]);
    for y in 0..height {
        for (row, picture) in rows.iter_mut().zip(pictures) {
            assert!(picture.samples(component, y, 0..width, row));
        }
        let [plates, mades, truths] = &rows;
        let codes = plates.iter().zip(mades).zip(truths).enumerate();
        for (x, ((plate, made), truth)) in codes {
            let at = (y << shift.1) * across + (x << shift.0);
            if matte[at] > 0.0 {
                let codes = [*plate, *made, *truth].map(f64::from);
                found.push(([x as f64 / width as f64, y as f64 / height as f64], codes));
            }
        }
    }
    found
}

/// Squared error as shot, matched, by the oracle; absolute error matched, by the best gain;
/// mean error matched.
fn figures(points: &[Sample]) -> [f64; 6] {
    let count = points.len() as f64;
    let terms = |([u, v], codes): &Sample| [codes[0], codes[0] * u, codes[0] * v, 1.0];
    let plane = least_squares(points, &terms);
    let gain = points.iter().map(|(_, c)| c[0] * c[2]).sum::<f64>()
        / points.iter().map(|(_, c)| c[0] * c[0]).sum::<f64>();
    let mut sums = [0.0; 6];
    for point in points {
        let [shown, made, truth] = point.1;
        let oracle: f64 = terms(point).iter().zip(plane).map(|(term, by)| term * by).sum();
        sums[0] += (shown - truth).powi(2);
        sums[1] += (made - truth).powi(2);
        sums[2] += (oracle.round() - truth).powi(2);
        sums[3] += (made - truth).abs();
        sums[4] += ((gain * shown).round() - truth).abs();
        sums[5] += made - truth;
    }
    sums.map(|sum| sum / count)
}

fn least_squares(points: &[Sample], terms: &dyn Fn(&Sample) -> [f64; 4]) -> [f64; 4] {
    let mut a = [[0.0; 5]; 4];
    for point in points {
        let row = terms(point);
        for i in 0..4 {
            for j in 0..4 {
                a[i][j] += row[i] * row[j];
            }
            a[i][4] += row[i] * point.1[2];
        }
    }
    for at in 0..4 {
        let pivot = (at..4).max_by(|x, y| a[*x][at].abs().total_cmp(&a[*y][at].abs())).unwrap();
        a.swap(at, pivot);
        let by = a[at][at];
        a[at].iter_mut().for_each(|value| *value /= by);
        for row in (0..4).filter(|row| *row != at) {
            let by = a[row][at];
            let pivot = a[at];
            a[row].iter_mut().zip(pivot).for_each(|(value, pivot)| *value -= by * pivot);
        }
    }
    [a[0][4], a[1][4], a[2][4], a[3][4]]
}
