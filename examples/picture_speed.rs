//! Makes one rendered plate or temp comp, for the speed benchmark of the picture side:
//! SOURCE plate|temp LENGTH PLATE-LENGTH CODING THREADS OUT. Prints seconds and the most memory in KiB.
//!
//! The plate is the head of the source, run through forward and backward where it is shorter
//! than LENGTH; the take of the temp comp is the head of the source too. The patch is on all
//! the time, over the upper left of the picture with a feather.
use platesmith::error::Faults;
use platesmith::media::{self, OpenOptions, Picture};
use platesmith::patch::{Fade, Matte, TempJob, make_temp};
use platesmith::plate::{FrameMap, PlateCodec, PlateJob, Retouch, make_plate};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;

/// Changes nothing: the plate is rendered all the same.
#[derive(Debug)]
struct Rendered;

impl Retouch for Rendered {
    fn why(&self) -> String {
        "rendered".into()
    }

    fn retouch(&self, _k: u64, _picture: &Picture) -> Result<Option<Picture>, Faults> {
        Ok(None)
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [source, what, length, plate, coding, threads, out] = words.as_slice() else {
        return Err("SOURCE plate|temp LENGTH PLATE-LENGTH CODING THREADS OUT".into());
    };
    let threads: u32 = threads.parse()?;
    let begun = std::time::Instant::now();
    let media = media::open_with(source.as_ref(), OpenOptions { threads, ..Default::default() })?;
    let length: u64 = length.parse()?;
    let map = FrameMap::looped(FrameRange::new(0, plate.parse()?), length, Turns::Twice)?;
    let job = PlateJob {
        source: &media,
        map: &map,
        out: out.into(),
        reel: None,
        start: media.info().start,
        rate: None,
        first_number: 1001,
        codec: PlateCodec::parse(coding).ok_or("no such coding")?,
        threads,
        still: false,
        retouch: if what == "temp" { None } else { Some(&Rendered) },
        recipe: None,
        receipts: None,
    };
    let need = FrameRange::new(0, i64::try_from(length)?);
    if what == "temp" {
        let (width, height) = (media.info().width as usize, media.info().height as usize);
        let matte = corner(width, height).ok_or("no matte")?;
        let fade = Fade::new(vec![need], vec![need], 0);
        let temp = TempJob {
            take: &media,
            need_in_file: need,
            plate: &job,
            matte: &matte,
            fade: &fade,
            out: out.into(),
        };
        make_temp(&temp, &mut |_, _| {})?;
    } else {
        make_plate(&job, &mut |_, _| {})?;
    }
    println!("{:.3} {}", begun.elapsed().as_secs_f64(), most_memory().unwrap_or(0));
    Ok(())
}

/// White over the upper left, half the width and a third of the height, with a feather of 24
/// pixels.
fn corner(width: usize, height: usize) -> Option<Matte> {
    let codes = (0..width * height).map(|at| {
        let (x, y) = (at % width, at / width);
        let inside = |at: usize, end: usize| (end as f64 - at as f64).clamp(0.0, 24.0) / 24.0;
        (inside(x, width / 2).min(inside(y, height / 3)) * 65_535.0).round() as u16
    });
    Matte::from_codes(width, height, codes.collect())
}

/// Returns the most memory this process has had, in KiB (`proc_pid_status(5)`).
fn most_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
