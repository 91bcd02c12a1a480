//! Pictures and measures for invented shots, drawn here.

use platesmith::findings::Findings;
use platesmith::inspection::Series;
use platesmith::report::still::{Look, Still, StillKind};
use platesmith::time::Frame;

/// A picture of bands that differ with `seed`, as JPEG.
fn picture(seed: usize, width: u16, height: u16) -> Vec<u8> {
    let mut rgb = Vec::new();
    for y in 0..usize::from(height) {
        for x in 0..usize::from(width) {
            let noise = (x * 7919 + y * 104_729 + seed * 31) % 5;
            let value = ((x / 40 + y / 30 + seed) % 8 * 24 + noise) as u8;
            rgb.extend([value, value / 2 + 60, 200 - value / 2]);
        }
    }
    let mut bytes = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, 85);
    encoder.encode(&rgb, width, height, jpeg_encoder::ColorType::Rgb).expect("coded");
    bytes
}

/// Pictures and measures for every use that has frames.
pub fn looks(findings: &Findings, size: (u16, u16)) -> Vec<Look> {
    let look = |(at, found): (usize, &platesmith::findings::UseFinding)| {
        let Some(need) = found.need_in_take else { return Look::default() };
        let kinds = [StillKind::Worst, StillKind::Plate, StillKind::Patched];
        let stills = kinds.into_iter().enumerate().map(|(seed, kind)| Still {
            kind,
            frame: Frame(need.start.0 + 3),
            size: [u32::from(size.0), u32::from(size.1)],
            jpeg: picture(at % 5 + seed, size.0, size.1),
        });
        let frames = need.count().0.min(10_000) as usize;
        let wave = |scale: f64| -> Vec<Option<f64>> {
            (0..frames)
                .map(|frame| Some(scale * (1.0 + (frame as f64 / 9.0).sin() / 3.0)))
                .collect()
        };
        let series = Series {
            shift_px: wave(0.05).into_iter().map(|value| value.map(|value| [value, 0.0])).collect(),
            gain: wave(1.0),
            activity: wave(0.7),
            sharpness: wave(0.98),
            visibility: wave(0.6),
        };
        Look { stills: stills.collect(), series: Some(series) }
    };
    findings.uses.iter().enumerate().map(look).collect()
}
