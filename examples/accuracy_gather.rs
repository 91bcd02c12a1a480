//! Prints how near a frame that is gathered from a moving boom comes to a real plate, and how
//! exact the map of what was never free is.
//!
//! usage: accuracy_gather FOLDER
//!
//! FOLDER holds `signer_stable`, `person_wall` and `tram_clouds`, each with `take_boom.mkv` and
//! `clean.mkv`, the same without the boom. The plates are cut away: only frames from the
//! boom's entrance to its exit are looked at.

use platesmith::gather::{LEAST_FREE, Pile, first_gathered, gathered_again};
use platesmith::measure::schedule::{Kept, Wish, gauge};
use platesmith::measure::transfer::Encoding;
use platesmith::media::{Footage, Frames, Media, Pictures, open};
use platesmith::proof::patch_region;
use platesmith::settings::Settings;
use platesmith::time::FrameRange;
use std::path::Path;
use std::time::Instant;

fn main() {
    let folder = std::env::args().nth(1).expect("the folder of the boom cases");
    for (case, boom, plate) in [
        ("signer_stable", (19, 70), (70, 89)),
        ("person_wall", (41, 259), (0, 41)),
        ("tram_clouds", (27, 181), (181, 232)),
    ] {
        let start = Instant::now();
        let said = gathered(&Path::new(&folder).join(case), boom, plate);
        println!("{case}: {said}, {:.1} s", start.elapsed().as_secs_f64());
    }
}

/// Luma of one frame.
fn luma(media: &Media, frame: i64) -> Vec<f32> {
    let mut frames = media.frames(FrameRange::new(frame, frame + 1)).expect("in the file");
    let (_, picture) = frames.next_frame().expect("a frame").expect("it decodes");
    let mut codes = Vec::new();
    assert!(picture.luma_u16(&mut codes));
    codes.iter().map(|code| f32::from(*code)).collect()
}

fn gathered(folder: &Path, boom: (i64, i64), plate: (i64, i64)) -> String {
    let take = open(&folder.join("take_boom.mkv")).expect("it opens");
    let clean = open(&folder.join("clean.mkv")).expect("it opens");
    let range = FrameRange::new(boom.0, boom.1);
    let settings = Settings::default();
    let take = take.stored(&[range]).expect("it decodes");
    let Some(first) = first_gathered(&take, range).expect("it decodes") else {
        return "no boom found (one)".into();
    };
    let footage = Footage::with_behind(&take, &first);
    let seam = footage.seam();
    let wish = Wish {
        media: footage,
        plates: vec![FrameRange::new(seam, seam + first.count() as i64)],
        frames: vec![range],
        encoding: Encoding::claimed(&take.info().colour, &take.info().pixel_format, false),
        limits: settings.measure_limits(),
        area: None,
        every: 1,
    };
    let gauges = gauge(&wish, &mut Kept::default(), &mut |_| {}).expect("it is measured");
    let region = patch_region(&gauges[0], &[range], range, &settings).expect("masks");
    let Some(region) = region else { return "no boom told against what was gathered".into() };
    let made = gathered_again(&take, &first, &gauges[0], &[range]).expect("it decodes");
    let pile = made.pile();
    // All that the boom ever covers, whether an actor leaves room for a divider or not.
    let boom = region.division.boom().scaled(pile.size.0, pile.size.1);
    let hidden = truly_hidden(&take, &clean, range, pile);
    let patch: Vec<usize> = boom.pixels().map(|(x, y)| y * pile.size.0 + x).collect();
    let free: Vec<usize> =
        patch.iter().copied().filter(|at| pile.counts[*at] >= LEAST_FREE).collect();
    // Called free although the boom was there in all but a few frames.
    let frames = range.count().0 as usize;
    let wrong = free.iter().filter(|at| frames - hidden[**at] < usize::from(LEAST_FREE)).count();
    let truly = patch.iter().filter(|at| frames - hidden[**at] < usize::from(LEAST_FREE)).count();
    let (mut ours, mut real, mut count) = (0.0, 0.0, 0);
    for (number, frame) in (range.start.0..range.end.0).step_by(8).enumerate() {
        let truth = luma(&clean, frame);
        let mut built = Vec::new();
        let picture = made.picture(number as u64).expect("memory");
        assert!(picture.luma_u16(&mut built));
        let built: Vec<f32> = built.iter().map(|code| f32::from(*code)).collect();
        let shot = luma(&take, plate.0 + (number as i64 % (plate.1 - plate.0)));
        ours += fitted(&built, &truth, &free);
        real += fitted(&shot, &truth, &free);
        count += 1;
    }
    let below = 10.0 * (ours / real).log10();
    format!(
        "{} px of boom, {} never free as told (truly {truly}), {wrong} wrongly called free (0); where free {below:.2} dB below a real plate (1.50 at most), {count} frames",
        patch.len(),
        patch.len() - free.len(),
    )
}

/// In how many frames each pixel differs from the clean take.
fn truly_hidden(take: &Media, clean: &Media, range: FrameRange, pile: &Pile) -> Vec<usize> {
    let mut hidden = vec![0; pile.size.0 * pile.size.1];
    let open = |media: &Media| media.frames(range).expect("in the file");
    let (mut with, mut without) = (open(take), open(clean));
    let next = |frames: &mut Frames| -> Option<Vec<u16>> {
        let (_, picture) = frames.next_frame()?.expect("it decodes");
        let mut codes = Vec::new();
        assert!(picture.luma_u16(&mut codes));
        Some(codes)
    };
    while let Some((with, without)) = next(&mut with).zip(next(&mut without)) {
        for (count, (with, without)) in hidden.iter_mut().zip(with.iter().zip(&without)) {
            *count += usize::from(with.abs_diff(*without) >= 3);
        }
    }
    hidden
}

/// What the best gain and offset leave of the difference, squared, on the mean.
fn fitted(plate: &[f32], truth: &[f32], pixels: &[usize]) -> f64 {
    let count = pixels.len().max(1) as f64;
    let mean = |of: &[f32]| pixels.iter().map(|at| f64::from(of[*at])).sum::<f64>() / count;
    let (a, b) = (mean(plate), mean(truth));
    let (mut both, mut own, mut all) = (0.0, 1e-9, 0.0);
    for at in pixels {
        let (x, y) = (f64::from(plate[*at]) - a, f64::from(truth[*at]) - b);
        both += x * y;
        own += x * x;
        all += y * y;
    }
    (all - both * both / own).max(0.0) / count
}
