//! Draws what is taken for boom, shadow and actors: `show_masks FILE PLATE_IN PLATE_OUT OUT
//! [EVERY]` writes one PPM picture every so many frames, red for the boom, yellow for its
//! shadow, green for actors.

use platesmith::measure::schedule::{Kept, Wish, gauge};
use platesmith::measure::transfer::Encoding;
use platesmith::media::{OpenOptions, open_with};
use platesmith::settings::MeasureLimits;
use platesmith::time::{Frame, FrameRange};
use std::path::Path;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, start, end, out, rest @ ..] = arguments.as_slice() else {
        eprintln!("usage: show_masks FILE PLATE_IN PLATE_OUT OUT [EVERY]");
        std::process::exit(2);
    };
    let number = |text: &String| text.parse::<i64>().unwrap_or(0);
    let plate = FrameRange::new(number(start), number(end));
    let every = rest.first().map_or(1, number).max(1);
    if let Err(faults) = draw(Path::new(file), plate, Path::new(out), every) {
        eprintln!("{faults}");
        std::process::exit(2);
    }
}

fn draw(
    file: &Path,
    plate: FrameRange,
    out: &Path,
    every: i64,
) -> Result<(), platesmith::error::Faults> {
    let media = open_with(file, OpenOptions::default())?;
    let info = media.info();
    let whole = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    let wish = Wish {
        media: (&media).into(),
        plates: vec![plate],
        frames: vec![whole],
        encoding: Encoding::claimed(&info.colour, &info.pixel_format, false),
        limits: MeasureLimits::default(),
        area: None,
        every: 1,
    };
    let gauges = gauge(&wish, &mut Kept::default(), &mut |_| ())?;
    for gauge in &gauges {
        let (width, height) = gauge.masks.size();
        for frame in (whole.start.0..whole.end.0).step_by(every as usize) {
            let Some(masks) = gauge.masks_of(Frame(frame))? else { continue };
            let mut picture = format!("P6 {width} {height} 255\n").into_bytes();
            for y in 0..height {
                for x in 0..width {
                    let grey = gauge.mean.data[(y * gauge.mean.height / height) * gauge.mean.width
                        + x * gauge.mean.width / width];
                    let grey = (grey * 0.5) as u8;
                    picture.extend(match () {
                        () if masks.core.has(x, y) => [255, grey, grey],
                        () if masks.boom.has(x, y) => [220, 220, grey],
                        () if masks.actors.has(x, y) => [grey, 220, grey],
                        () => [grey; 3],
                    });
                }
            }
            let name = out.join(format!("{frame:05}.ppm"));
            if let Err(io) = std::fs::write(&name, picture) {
                eprintln!("{}: {io}", name.display());
            }
        }
    }
    Ok(())
}
