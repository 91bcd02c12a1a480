//! Takes that hold a boom, measured in and around the patch, against the same takes without
//! it, which NumPy measures (`tests/oracle/boom_light.py` says over which pixels).

use crate::clips;
use crate::outside;
use platesmith::measure::Mask;
use platesmith::measure::light::{Domain, FrameLight};
use std::process::Command;

/// A take with a boom and one of its plates.
#[derive(Clone, Copy)]
pub struct Case {
    pub name: &'static str,
    pub size: (usize, usize),
    pub black: u32,
    pub plate: (i64, i64),
}

/// Every take with each of its plates; the head plates first.
pub const CASES: [Case; 6] = [
    Case { name: "signer_stable", size: (640, 480), black: 0, plate: (0, 19) },
    Case { name: "person_wall", size: (768, 432), black: 16, plate: (0, 41) },
    Case { name: "tram_clouds", size: (320, 180), black: 0, plate: (0, 27) },
    Case { name: "signer_stable", size: (640, 480), black: 0, plate: (70, 89) },
    Case { name: "person_wall", size: (768, 432), black: 16, plate: (259, 300) },
    Case { name: "tram_clouds", size: (320, 180), black: 0, plate: (181, 232) },
];

/// What NumPy says, and the pixels it was asked for.
pub struct Truth {
    /// Gain of the area and of the patch, frame by frame.
    pub gains: Vec<[f64; 2]>,
    /// What is asked about.
    pub area: Mask,
    /// What the gains are for: the background of the area, and of the patch.
    pub places: [Mask; 2],
}

/// Asks NumPy; `None`, said loudly, if it or the footage is not there.
pub fn truth(case: Case) -> Option<Truth> {
    let folder = outside::shared(&format!("footage/boom/{}", case.name))?;
    let python = outside::python_with("numpy")?;
    if !outside::has_program("ffmpeg") {
        return None;
    }
    let out = tempfile::NamedTempFile::new().expect("a temporary file");
    let (width, height) = case.size;
    // A tenth of the width around the patch.
    let (first, end) = (case.plate.0 as usize, case.plate.1 as usize);
    let numbers = [width, height, case.black as usize, first, end, width / 10];
    let run = Command::new(python)
        .arg(outside::project().join("tests/oracle/boom_light.py"))
        .arg(folder)
        .args(numbers.map(|number| number.to_string()))
        .arg(out.path())
        .output()
        .expect("Python runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let text = String::from_utf8(run.stdout).expect("numbers");
    let number = |word: &str| word.parse().expect("a number");
    let gains = text.lines().map(|line| {
        let (area, patch) = line.split_once(' ').expect("two numbers");
        [number(area), number(patch)]
    });
    let held = std::fs::read(out.path()).expect("the areas");
    let mask = |bit| Mask::from_fn(width, height, |x, y| held[y * width + x] & bit != 0);
    Some(Truth { gains: gains.collect(), area: mask(1), places: [mask(2), mask(4)] })
}

/// How far the program is off NumPy in per cent, frame by frame where it tells a gain, over
/// the area and over the patch, which the boom hides, from the area.
pub fn errors(case: Case, truth: &Truth) -> [Vec<f64>; 2] {
    let clip = outside::shared(&format!("footage/boom/{}/take_boom.mkv", case.name));
    let clip = clip.expect("it was there a moment ago");
    [0, 1].map(|which| {
        let (_, lights) = clips::lights(&clip, case.plate, |meter| {
            meter.with_mask(&truth.area).with_patch(&truth.places[which])
        });
        assert_eq!(lights.len(), truth.gains.len());
        assert!(lights.iter().all(|light| light.domain == Domain::Coded), "no clip names a curve");
        let off = |(light, truth): (&FrameLight, &[f64; 2])| {
            light.main().map(|told| (told.gain / truth[which] - 1.0) * 100.0)
        };
        lights.iter().zip(&truth.gains).filter_map(off).collect()
    })
}

/// Middle, 95th percentile and largest of the amounts.
pub fn spread(errors: &[f64]) -> [f64; 3] {
    let mut amounts: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
    amounts.sort_by(f64::total_cmp);
    let at = |part: usize| amounts.get(amounts.len().saturating_sub(1) * part / 100);
    [50, 95, 100].map(|part| at(part).copied().unwrap_or(f64::NAN))
}
