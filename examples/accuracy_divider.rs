//! Prints how well boom and actors are divided: on invented shots and on truth masks of
//! footage, and from the pixels on, with the masks the program draws itself.
//!
//! usage: accuracy_divider [seeds N] [shots N] [scale 1|2|4] [footage FOLDER]
//!
//! `scale` keeps to shots of one size. FOLDER holds `signer_stable`, `person_wall` and
//! `tram_clouds`. The shots need `ffmpeg`.

#[path = "../tests/divided/mod.rs"]
mod divided;

use divided::{RealShot, Shot, clearance, inside, margin, shares, union};
use platesmith::measure::Mask;
use platesmith::measure::divider::{DividerLimits, Division, Standing, crossings, divide};
use platesmith::measure::schedule::{Kept, Wish, gauge};
use platesmith::measure::transfer::Encoding;
use platesmith::media::open;
use platesmith::proof::{Asked, look, patch_region};
use platesmith::settings::MeasureLimits;
use platesmith::settings::Settings;
use platesmith::time::FrameRange;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

fn value(name: &str) -> Option<String> {
    let mut words = std::env::args().skip_while(|word| word != name);
    words.nth(1)
}

fn main() {
    let seeds = value("seeds").and_then(|text| text.parse().ok()).unwrap_or(100);
    for by in [1, 2, 4] {
        invented(by, seeds / if by == 4 { 5 } else { 1 });
    }
    let shots = value("shots").and_then(|text| text.parse().ok()).unwrap_or(2);
    let scale: Option<usize> = value("scale").and_then(|text| text.parse().ok());
    for by in [1, 2, 4].into_iter().filter(|by| scale.is_none_or(|scale| scale == *by)) {
        let folder = std::env::temp_dir().join(format!("accuracy_divider_{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder for one shot");
        for seed in 0..shots * 4 / by as u64 {
            shot(&folder, by, 1000 + seed);
        }
        std::fs::remove_dir_all(&folder).expect("it was made above");
    }
    if let Some(folder) = value("footage") {
        for (case, plate, quoted) in [
            ("signer_stable", (70, 89), 1.4),
            ("person_wall", (0, 41), 26.6),
            ("tram_clouds", (181, 232), 47.0),
        ] {
            whole(&Path::new(&folder).join(case), case);
            real(&Path::new(&folder).join(case), case, plate, quoted);
        }
    }
}

/// Invented shots of 960 x 540 masks, `by` source pixels to a pixel of the mask.
fn invented(by: usize, seeds: u64) {
    let (mut over, mut under) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    let (mut own, mut true_share, mut true_wide) = (f64::INFINITY, f64::INFINITY, f64::INFINITY);
    let (mut free, mut actors_in, mut boom_out, mut slowest) = (0, 0, 0, 0.0_f64);
    let mut sides = 0;
    for seed in 0..seeds {
        let unit = by as f64;
        let gap = unit * (6.0 + (seed * 37 % 100) as f64 * 0.8);
        let shot = Shot::new(960 * by, 540 * by, seed, gap);
        let [boom, core, actors] = shot.seen(by);
        let none = Mask::new(boom.width(), boom.height());
        let start = Instant::now();
        let found = divide(&boom, &core, &actors, &none, unit, &DividerLimits::default());
        slowest = slowest.max(start.elapsed().as_secs_f64());
        let found = found.expect("masks of one size");
        let [true_boom, _, true_actors] = shot.truth();
        let truth = clearance(&true_boom, &true_actors);
        let told = found.clearance_px.unwrap_or(f64::NAN);
        over = over.max(told - truth);
        under = under.max(truth - told);
        if found.standing != Standing::Free {
            continue;
        }
        free += 1;
        sides += found.region.sides().count();
        own = own.min(shares(&found).unwrap_or(f64::NAN));
        actors_in += inside(&found.region, &true_actors);
        boom_out += true_boom.count() - inside(&found.region, &true_boom);
        let ideal = (truth / 2.0).min(24.0);
        let share =
            margin(&found.region, &true_boom).min(margin(&found.region, &true_actors)) / ideal;
        true_share = true_share.min(share);
        if truth >= 20.0 * unit {
            true_wide = true_wide.min(share);
        }
    }
    println!(
        "invented, {by} source px a mask px, {seeds} shots, {free} divided: clearance over truth by {over:.2} px (0), under by {under:.2} px ({}), margin {:.1} % of ideal on own masks (95), {:.1} % of the true ideal (95; {:.1} from 20 mask px of clearance), actor px inside {actors_in} (0), boom px outside {boom_out} (0), {} sides, slowest {:.0} ms",
        4 * by,
        own * 100.0,
        true_share * 100.0,
        true_wide * 100.0,
        sides / free.max(1),
        slowest * 1e3
    );
}

/// One invented shot of 960 x 540 times `by`, from the pixels on.
fn shot(folder: &Path, by: usize, seed: u64) {
    const PLATE: usize = 12;
    const FRAMES: usize = 18;
    let unit = by as f64;
    let gap = unit * (8.0 + (seed * 37 % 100) as f64 * 0.6);
    let (width, height) = (960 * by, 540 * by);
    let shot = Shot::new(width, height, seed, gap);
    let file = folder.join(format!("{by}.mkv"));
    let mut run = Command::new("ffmpeg")
        .args([
            "-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "gray10le", "-r", "25",
        ])
        .args(["-s", &format!("{width}x{height}"), "-i", "-", "-pix_fmt", "yuv420p10le"])
        .args(["-c:v", "ffv1", "-level", "3", "-slices", "16"])
        .arg(&file)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg is there");
    let mut pipe = run.stdin.take().expect("it is piped");
    let mut dice = divided::Dice::new(seed);
    for frame in 0..FRAMES {
        let mut bytes = Vec::with_capacity(2 * width * height);
        for at in 0..width * height {
            let (x, y) = ((at % width) as f64 / unit, (at / width) as f64 / unit);
            let wall = 150.0 + 6.0 * (x * 0.11).sin() * (y * 0.07).cos() - y * 0.02;
            let grain = (0..3).map(|_| dice.between(-1.7, 1.7)).sum::<f64>();
            let grain = if seed.is_multiple_of(2) { grain } else { grain / 4.0 };
            let (boom, actor) = if frame < PLATE {
                (0.0, 0.0)
            } else {
                (f64::from(shot.boom.data[at]), f64::from(shot.actors.data[at]))
            };
            let code = (wall + grain - boom + actor).clamp(0.0, 255.0) * 1023.0 / 255.0;
            bytes.extend(((code + 0.5) as u16).to_le_bytes());
        }
        pipe.write_all(&bytes).expect("ffmpeg takes it");
    }
    drop(pipe);
    assert!(run.wait().expect("it ends").success());
    let media = open(&file).expect("what was just written");
    let info = media.info();
    let patched = [FrameRange::new(PLATE as i64, FRAMES as i64)];
    let wish = Wish {
        media: (&media).into(),
        plates: vec![FrameRange::new(0, PLATE as i64)],
        frames: patched.to_vec(),
        encoding: Encoding::claimed(&info.colour, &info.pixel_format, false),
        limits: MeasureLimits::default(),
        area: None,
        every: 1,
    };
    let gauges = gauge(&wish, &mut Kept::default(), &mut |_| ()).expect("it can be measured");
    let start = Instant::now();
    let region = patch_region(&gauges[0], &patched, patched[0], &Settings::default());
    let region = region.expect("it can be read");
    let took = start.elapsed().as_secs_f64() * 1e3;
    let Some(region) = region else { return println!("{by} to 1, {seed}: no boom seen") };
    let [boom, _, _] = shot.truth();
    let actors = divided::over(&shot.actors, 3.0);
    let truth = clearance(&boom, &actors);
    let found = &region.division;
    let told = found.clearance_px.unwrap_or(f64::NAN);
    let ideal = (truth / 2.0).min(24.0);
    let share = margin(&found.region, &boom).min(margin(&found.region, &actors)) / ideal;
    println!(
        "from pixels, frame {width} wide, masks 1:{}: {:?}, clearance {told:.1} of {truth:.1} px ({:+.1}; -4 to 0), margin {:.1} % of ideal (95), actor px inside {} (0), boom px outside {} (0), {took:.0} ms",
        gauges[0].mask_scale,
        found.standing,
        told - truth,
        share * 100.0,
        inside(&found.region, &actors),
        boom.count() - inside(&found.region, &boom),
    );
}

/// Footage with a boom laid in, from the pixels on: what the program tells against what the
/// shot without boom shows at the stated threshold and above.
fn whole(folder: &Path, case: &str) {
    let shot = RealShot::read(folder);
    for file in ["take_boom.mkv", "take_boom_cam.mp4"] {
        let media = open(&folder.join(file)).expect("it opens");
        let settings = Settings::default();
        let all = FrameRange::new(0, media.info().frames as i64);
        let asked = Asked {
            behind: None,
            media: &media,
            plates: Vec::new(),
            boom: Vec::new(),
            frames: vec![all],
            near: Vec::new(),
            region: None,
            settings: &settings,
            enough: None,
            best: None,
            every: 1,
        };
        let looked = look(&asked, &mut |_| ()).expect("it can be measured");
        for gauge in &looked.gauges {
            let region = patch_region(gauge, &looked.boom, all, &settings);
            let Some(region) = region.expect("it is read") else { continue };
            let told = region.division.clearance_px.unwrap_or(f64::INFINITY);
            let plate = (gauge.plate.start.0 as usize, gauge.plate.end.0 as usize);
            let truths = [3.0, 4.0, 6.0, 8.0, 12.0, 20.0].map(|codes| {
                let actors = shot.actors(plate, codes);
                let union = union(actors.iter().map(|(_, mask)| mask));
                let truth = clearance(&shot.changed_by(3), &union);
                format!("{truth:.1} ({codes})")
            });
            println!(
                "{case}/{file}, plate {}-{}, from pixels: {:?}, clearance {told:.1} px, {:.1} without shadow; truth by codes {}",
                plate.0,
                plate.1,
                region.division.standing,
                region.division.core_clearance_px.unwrap_or(f64::INFINITY),
                truths.join(" "),
            );
        }
    }
}

fn real(folder: &Path, case: &str, plate: (usize, usize), quoted: f64) {
    let shot = RealShot::read(folder);
    let (boom, core) = (shot.changed_by(3), shot.changed_by(40));
    let none = Mask::new(shot.width, shot.height);
    for codes in [8.0, 12.0, 20.0] {
        let frames = shot.actors(plate, codes);
        let actors = union(frames.iter().map(|(_, mask)| mask));
        let start = Instant::now();
        let found = divide(&boom, &core, &actors, &none, 1.0, &DividerLimits::default());
        let found = found.expect("one size");
        let took = start.elapsed().as_secs_f64() * 1e3;
        let met = crossings(&found, 24.0, &[], frames.iter().map(|(at, mask)| (*at, mask)));
        print_real(&format!("{case}, actors from {codes} codes"), &found, quoted, took);
        for crossing in met {
            println!(
                "    frames {}-{}: {:?}, {:.1} px deep, {} px",
                crossing.frames.start.0,
                crossing.frames.end.0 - 1,
                crossing.entered,
                crossing.px,
                crossing.cells
            );
        }
        let held = inside(&found.region, &actors);
        assert!(held == found.specks.iter().map(|speck| speck.cells).sum::<usize>() || held == 0);
    }
}

fn print_real(name: &str, found: &Division, quoted: f64, took: f64) {
    println!(
        "{name}: {:?}, clearance {:.1} px (quoted {quoted}), boom alone {:.1} px, margin {:.1} % of ideal (95), {} shadow px left out, {} specks, {} sides, {took:.0} ms",
        found.standing,
        found.clearance_px.unwrap_or(f64::NAN),
        found.core_clearance_px.unwrap_or(f64::NAN),
        shares(found).unwrap_or(f64::NAN) * 100.0,
        found.left_out,
        found.specks.len(),
        found.region.sides().count(),
    );
}
