//! Mattes, burnt-in text and repeated frames: drawn by the `ffmpeg` program over real shots,
//! drawn by our own hand over invented ones, and never found in shots that have none.

use crate::divided;
use crate::outside;

use divided::Dice;
use platesmith::measure::Plane;
use platesmith::measure::overlay::{Area, Overlays, TextLimits, find};
use std::path::Path;
use std::process::Command;

/// Decodes luma of eight bits with the `ffmpeg` program, through a filter.
fn frames(file: &Path, filter: &str, count: usize) -> Vec<Plane> {
    let filter = format!(
        "{filter},format=yuv444p|yuvj444p|yuv420p|yuvj420p|yuv422p|yuvj422p,extractplanes=y"
    );
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(["-vf", &filter, "-frames:v", &count.to_string()])
        .args(["-fps_mode", "passthrough", "-f", "image2pipe", "-c:v", "pgm", "-"])
        .output()
        .expect("ffmpeg was there a moment ago");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let mut rest = &run.stdout[..];
    let mut planes = Vec::new();
    while let Some((plane, after)) = pgm(rest) {
        planes.push(plane);
        rest = after;
    }
    assert!(!planes.is_empty());
    planes
}

fn pgm(bytes: &[u8]) -> Option<(Plane, &[u8])> {
    let mut at = 0;
    let mut word = || {
        let from = at;
        while !bytes.get(at)?.is_ascii_whitespace() {
            at += 1;
        }
        at += 1;
        std::str::from_utf8(&bytes[from..at - 1]).ok().map(String::from)
    };
    let (_, width, height, _) = (word()?, word()?, word()?, word()?);
    let (width, height): (usize, usize) = (width.parse().ok()?, height.parse().ok()?);
    let data = bytes.get(at..at + width * height)?.iter().map(|v| f32::from(*v)).collect();
    Some((Plane { width, height, data }, &bytes[at + width * height..]))
}

fn found(planes: &[Plane]) -> Overlays {
    find(planes, &TextLimits::default())
}

#[test]
fn nothing_is_found_in_real_shots_but_the_two_mattes_that_are_there() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    for clip in [
        "boom/signer_stable/take_boom.mkv",
        "boom/signer_stable/take_boom_cam.mp4",
        "boom/person_wall/take_boom.mkv",
        "boom/person_wall/take_boom_cam.mp4",
        "boom/person_wall/clean.mkv",
        "boom/tram_clouds/take_boom.mkv",
        "boom/tram_clouds/take_boom_cam.mp4",
        "locked/signer_book.mkv",
        "locked/signer_light_step.mkv",
        "locked/two_people_uncompressed.y4m",
        "locked/tree_wind.mkv",
        "locked/cup_no_texture.mp4",
        "moving/creeping_street.mp4",
        "moving/film_weave.mp4",
        "formats/prores422hq_2997df.mov",
        "formats/prores_proxy_23976.mov",
        "formats/dnxhr_lb_23976.mxf",
        "formats/dnxhr_hqx_10bit_midnight.mov",
        "formats/h264_422_10bit_25.mov",
    ] {
        let Some(file) = outside::shared(&format!("footage/{clip}")) else { continue };
        let planes = frames(&file, "null", 36);
        let told = found(&planes);
        println!(
            "{clip}: {}x{} {} frames: {told:?}",
            planes[0].width,
            planes[0].height,
            planes.len()
        );
        // Two do have a matte: twelve lines fill one file up to a multiple of 64, and a film
        // of the old shape stands between pillars, its edges soft by a pixel or two.
        let sides = told.letterbox.map(|area| [area.left, area.top, area.right, area.bottom]);
        let [left, top, right, bottom] =
            sides.unwrap_or([0, 0, planes[0].width, planes[0].height]).map(|side| side as i64);
        match clip.rsplit('/').next() {
            Some("two_people_uncompressed.y4m") => {
                assert_eq!([left, top, right, bottom], [0, 0, 320, 180]);
            }
            Some("film_weave.mp4") => {
                assert!((left - 72).abs() <= 1 && (right - 568).abs() <= 2, "{sides:?}");
                assert_eq!([top, bottom], [0, 360]);
            }
            _ => assert!(told.letterbox.is_none(), "{clip}: {sides:?}"),
        }
        assert!(told.burn_ins.is_empty(), "{clip}: {:?}", told.burn_ins);
    }
}

#[test]
fn mattes_and_burnt_in_timecode_are_found_where_ffmpeg_drew_them() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let font = "/usr/share/fonts";
    if !Path::new(font).exists() {
        outside::skipped("no fonts for drawtext");
    }
    let code = "timecode='10\\:00\\:00\\:00':r=25:fontcolor=white";
    for (clip, height) in [
        ("boom/person_wall/take_boom_cam.mp4", 432),
        ("locked/signer_book.mkv", 480),
        ("locked/tree_wind.mkv", 0),
        ("moving/creeping_street.mp4", 0),
    ] {
        let Some(file) = outside::shared(&format!("footage/{clip}")) else { continue };
        let plain = frames(&file, "null", 1);
        let (width, tall) = (plain[0].width, plain[0].height);
        assert!(height == 0 || height == tall);
        let bar = tall / 9;
        // Below some 24 lines a stroke is thinner than two pixels, and no longer one level.
        let size = (tall / 16).max(24);
        let bars =
            format!("drawbox=0:0:iw:{bar}:black:fill,drawbox=0:ih-{bar}:iw:{bar}:black:fill");
        let text = format!(
            "drawtext=fontsize={size}:x=w/2-tw/2:y=h-{}:box=1:boxcolor=black@0.6:{code}",
            size + size / 2
        );
        for (name, filter) in
            [("matte", &bars), ("text", &text), ("both", &format!("{bars},{text}"))]
        {
            let told = found(&frames(&file, filter, 30));
            println!("{clip} {name}: {told:?}");
            if name == "text" {
                assert!(told.letterbox.is_none(), "{clip}: {told:?}");
            } else {
                let area = Area { left: 0, top: bar, right: width, bottom: tall - bar };
                assert_eq!(told.letterbox, Some(area), "{clip} {name}");
            }
            if name == "matte" {
                assert!(told.burn_ins.is_empty(), "{clip}: {told:?}");
            } else {
                assert_eq!(told.burn_ins.len(), 1, "{clip} {name}: {told:?}");
                let line = told.burn_ins[0];
                assert!(
                    line.top >= tall - 2 * size && line.bottom <= tall,
                    "{clip} {name}: {told:?}"
                );
                assert!(
                    line.left < width / 2 - 3 * size / 2 && line.right > width / 2 + 3 * size / 2,
                    "{clip}: {told:?}"
                );
            }
        }
    }
}

/// Seven segments of a digit, drawn as bars: no font is needed.
fn digit(plane: &mut Plane, value: usize, left: usize, top: usize, size: usize, level: f32) {
    const LIT: [u8; 10] = [0x77, 0x24, 0x5d, 0x6d, 0x2e, 0x6b, 0x7b, 0x25, 0x7f, 0x6f];
    let (wide, thick) = (size / 2, (size / 8).max(2));
    let bars = [
        (0, 0, wide, thick),
        (0, 0, thick, size / 2),
        (wide - thick, 0, thick, size / 2),
        (0, size / 2 - thick / 2, wide, thick),
        (0, size / 2, thick, size / 2),
        (wide - thick, size / 2, thick, size / 2),
        (0, size - thick, wide, thick),
    ];
    for (at, (x, y, w, h)) in bars.into_iter().enumerate() {
        if LIT[value] >> at & 1 == 1 {
            for row in top + y..top + y + h {
                for column in left + x..left + x + w {
                    plane.data[row * plane.width + column] = level;
                }
            }
        }
    }
}

/// A live picture with grain: dark above, or bright throughout.
fn picture(width: usize, height: usize, frame: usize, dark_top: bool) -> Plane {
    let mut dice = Dice::new(frame as u64 + 900);
    let mut data = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let shape = 40.0 * ((x as f64) * 0.05).sin() + 30.0 * ((y as f64) * 0.07).cos();
            let moving = if x.abs_diff(frame * 5 % width) < 30 { 40.0 } else { 0.0 };
            let hill = height as f64 * (0.2 + 0.05 * ((x as f64) * 0.03).sin());
            let level = if dark_top && (y as f64) < hill { 16.0 } else { 100.0 + shape + moving };
            data.push((level + dice.between(-1.5, 1.5)).round().max(16.0) as f32);
        }
    }
    Plane { width, height, data }
}

#[test]
fn digits_in_a_matte_are_found_and_a_dark_sky_is_no_matte() {
    let (width, height) = (480, 270);
    let shot = |burn: bool, bar: usize| -> Vec<Plane> {
        (0..30)
            .map(|at| {
                let mut plane = picture(width, height, at, true);
                for y in (0..bar).chain(height - bar..height) {
                    plane.data[y * width..(y + 1) * width].fill(16.0);
                }
                if burn {
                    for (place, value) in [1, 0, 0, 7, at / 10, at % 10].into_iter().enumerate() {
                        digit(&mut plane, value, 150 + place * 16, height - 20, 16, 235.0);
                    }
                }
                plane
            })
            .collect()
    };
    let none = found(&shot(false, 0));
    assert_eq!((none.letterbox, none.burn_ins.len()), (None, 0));
    let both = found(&shot(true, 24));
    assert_eq!(both.letterbox, Some(Area { left: 0, top: 24, right: 480, bottom: 246 }));
    assert_eq!(both.burn_ins.len(), 1, "{both:?}");
    let line = both.burn_ins[0];
    // The first digit is a one: it begins six pixels on.
    assert!(line.left <= 156 && line.right >= 150 + 5 * 16 + 8, "{line:?}");
    let mask = both.mask(480, 270);
    assert!(mask.has(3, 3) && mask.has(240, 262) && !mask.has(240, 130));
    let small = both.excluded(240, 135);
    assert!(!small.is_free(0..1, 0..1) && small.is_free(0..240, 12..122));
}

#[test]
fn pillars_and_grey_bars_are_mattes_too() {
    let shot = |bar: usize, level: f32| -> Vec<Plane> {
        let lay = |mut plane: Plane| {
            for row in plane.data.chunks_exact_mut(480) {
                row[..bar].fill(level);
                row[480 - bar..].fill(level);
            }
            plane
        };
        (0..12).map(|at| lay(picture(480, 270, at, false))).collect()
    };
    let inside = |bar: usize| Some(Area { left: bar, top: 0, right: 480 - bar, bottom: 270 });
    assert_eq!(found(&shot(60, 16.0)).letterbox, inside(60));
    assert_eq!(found(&shot(31, 60.0)).letterbox, inside(31));
    assert_eq!(found(&shot(0, 0.0)).letterbox, None);
}

#[test]
fn a_cadence_of_repeated_frames_is_found() {
    // Three film frames in four of video, and coding noise on the repeat.
    let shot: Vec<Plane> = (0..32)
        .map(|at| {
            let mut plane = picture(320, 180, at - at / 4 - usize::from(at % 4 == 3), false);
            let mut dice = Dice::new(at as u64);
            plane.data.iter_mut().for_each(|v| *v += dice.between(-0.5, 0.5).round() as f32);
            plane
        })
        .collect();
    let told = found(&shot);
    let repeats: Vec<usize> = (0..32).filter(|at| at % 4 == 3).collect();
    assert_eq!(told.repeated, repeats);
    let live: Vec<Plane> = (0..20).map(|at| picture(320, 180, at, false)).collect();
    assert!(found(&live).repeated.is_empty());
}

#[test]
fn black_frames_and_frames_of_other_sizes_are_no_overlay() {
    let black = vec![Plane { width: 64, height: 64, data: vec![0.0; 64 * 64] }; 5];
    assert_eq!(found(&black).letterbox, None);
    let mixed = [black[0].clone(), Plane { width: 8, height: 8, data: vec![0.0; 64] }];
    assert_eq!(found(&mixed).size, (64, 64));
    assert_eq!(found(&[]), Overlays::default());
    assert_eq!(found(&mixed[1..]), Overlays::default());
}
