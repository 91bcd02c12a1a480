//! Encodings undone: from code values to linear light.
//!
//! Every curve comes from a public document named at its variant. The constants were written
//! down from memory of those documents; the tests hold them against published check values
//! and against the joint of the two pieces of each curve, which a wrong constant would break.

use crate::media::ColourTags;

/// Whether codes span the whole of their bits or leave room below black and above white.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Range {
    /// Black at 16 and white at 235 of 8 bits (Rec. ITU-R BT.709-6, item 5): 219 steps.
    #[default]
    Narrow,
    /// Black at 0 and white at the highest code.
    Full,
}

impl Range {
    /// Returns the code of black and the number of codes from black to white.
    pub fn black_and_span(self, depth: u32) -> (f64, f64) {
        let depth = depth.clamp(1, 16);
        match self {
            Range::Narrow => {
                let step = 2.0_f64.powi(depth as i32 - 8);
                (16.0 * step, 219.0 * step)
            }
            Range::Full => (0.0, f64::from((1_u32 << depth) - 1)),
        }
    }

    /// Returns the non-linear signal E' of a code value, 0 at black and 1 at white.
    pub fn signal(self, code: f64, depth: u32) -> f64 {
        let (black, span) = self.black_and_span(depth);
        (code - black) / span
    }
}

/// A transfer curve: what a signal between 0 and 1 means in light.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
pub enum Curve {
    /// Scene-linear: the signal is the light.
    Linear,
    /// Inverse of the camera curve of Rec. ITU-R BT.709-6, item 1.2 (BT.601-7 has the same).
    Bt709,
    /// Inverse of the camera curve of Rec. ITU-R BT.2020-2 with its longer constants.
    Bt2020,
    /// Display curve of Rec. ITU-R BT.1886 with a black of zero: a power of 2.4.
    Bt1886,
    /// A power of 2.2, the assumed display of ITU-T H.273 code 4.
    Gamma22,
    /// A power of 2.6, the projector of SMPTE ST 428-1.
    Gamma26,
    /// sRGB (IEC 61966-2-1).
    Srgb,
    /// Perceptual quantiser of Rec. ITU-R BT.2100-2 (SMPTE ST 2084); light 1 is 10 000 cd/m2.
    Pq,
    /// Hybrid log-gamma of Rec. ITU-R BT.2100-2, inverse of the camera curve.
    Hlg,
    /// ACEScc (S-2014-003).
    AcesCc,
    /// ACEScct (S-2016-001).
    AcesCct,
    /// LogC, third version, EI 800 ("ALEXA Log C Curve: Usage in VFX", 2012).
    LogC3,
    /// LogC, fourth version ("LogC4 Logarithmic Color Space Specification", 2022).
    LogC4,
    /// S-Log3 ("Technical Summary for S-Gamut3.Cine/S-Log3 and S-Gamut3/S-Log3").
    SLog3,
    /// V-Log ("V-Log/V-Gamut Reference Manual", 2014).
    VLog,
    /// Log3G10 ("White Paper on REDWideGamutRGB and Log3G10", revision C).
    Log3G10,
    /// F-Log ("F-Log Data Sheet", version 1).
    FLog,
    /// DaVinci Intermediate ("DaVinci Wide Gamut Intermediate", 2020).
    DaVinciIntermediate,
    /// Printing density of film scans: white at 685 and black at 95 of 1023, .002 density a
    /// code, gamma .6. Common practice for files of this kind, no standard fixes it.
    FilmScan,
}

impl Curve {
    /// Every curve, in the order in which a doubtful claim is tried against them.
    pub const ALL: [Curve; 19] = [
        Curve::Linear,
        Curve::Bt709,
        Curve::Bt2020,
        Curve::Bt1886,
        Curve::Gamma22,
        Curve::Gamma26,
        Curve::Srgb,
        Curve::Pq,
        Curve::Hlg,
        Curve::AcesCc,
        Curve::AcesCct,
        Curve::LogC3,
        Curve::LogC4,
        Curve::SLog3,
        Curve::VLog,
        Curve::Log3G10,
        Curve::FLog,
        Curve::DaVinciIntermediate,
        Curve::FilmScan,
    ];

    /// Returns the name people and files know the curve by.
    pub fn name(self) -> &'static str {
        match self {
            Curve::Linear => "scene-linear",
            Curve::Bt709 => "BT.709",
            Curve::Bt2020 => "BT.2020",
            Curve::Bt1886 => "BT.1886",
            Curve::Gamma22 => "gamma 2.2",
            Curve::Gamma26 => "gamma 2.6",
            Curve::Srgb => "sRGB",
            Curve::Pq => "PQ",
            Curve::Hlg => "HLG",
            Curve::AcesCc => "ACEScc",
            Curve::AcesCct => "ACEScct",
            Curve::LogC3 => "LogC3",
            Curve::LogC4 => "LogC4",
            Curve::SLog3 => "S-Log3",
            Curve::VLog => "V-Log",
            Curve::Log3G10 => "Log3G10",
            Curve::FLog => "F-Log",
            Curve::DaVinciIntermediate => "DaVinci Intermediate",
            Curve::FilmScan => "film scan",
        }
    }

    /// Finds a curve by its name, whatever its case and punctuation.
    pub fn named(name: &str) -> Option<Curve> {
        let plain = |text: &str| -> String {
            text.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_lowercase()
        };
        Curve::ALL.into_iter().find(|curve| plain(curve.name()) == plain(name))
    }

    /// Returns the curve that the transfer tag of a file claims (ITU-T H.273 table 3, in
    /// FFmpeg's words); `None` for no tag, and for tags that say nothing.
    pub fn tagged(transfer: &str) -> Option<Curve> {
        Some(match transfer {
            "linear" => Curve::Linear,
            "bt709" | "smpte170m" => Curve::Bt709,
            "bt2020-10" | "bt2020-12" => Curve::Bt2020,
            "bt470m" => Curve::Gamma22,
            "iec61966-2-1" => Curve::Srgb,
            "smpte2084" => Curve::Pq,
            "smpte428" => Curve::Gamma26,
            "arib-std-b67" => Curve::Hlg,
            _ => return None,
        })
    }

    /// Returns the light of a signal. Signals below 0 and above 1 follow the curve; where a
    /// power has none below 0, the curve is mirrored.
    pub fn light(self, signal: f64) -> f64 {
        match self {
            Curve::Linear => signal,
            Curve::Bt709 => camera(signal, 1.099, 0.018),
            Curve::Bt2020 => camera(signal, 1.099_296_826_809_44, 0.018_053_968_510_807),
            Curve::Bt1886 => power(signal, 2.4),
            Curve::Gamma22 => power(signal, 2.2),
            Curve::Gamma26 => power(signal, 2.6),
            Curve::Srgb if signal <= 0.04045 => signal / 12.92,
            Curve::Srgb => ((signal + 0.055) / 1.055).powf(2.4),
            Curve::Pq => pq(signal),
            Curve::Hlg => hlg(signal),
            _ => self.log_light(signal),
        }
    }

    fn log_light(self, v: f64) -> f64 {
        let ten = |x: f64| 10.0_f64.powf(x);
        match self {
            Curve::AcesCc if v <= (9.72 - 15.0) / 17.52 => {
                2.0 * ((v * 17.52 - 9.72).exp2() - (-16.0_f64).exp2())
            }
            Curve::AcesCct if v <= 0.155_251_141_552_511 => {
                (v - 0.072_905_534_195_835_5) / 10.540_237_741_654_5
            }
            Curve::AcesCc | Curve::AcesCct => (v * 17.52 - 9.72).exp2(),
            Curve::LogC3 if v <= 5.367_655 * 0.010_591 + 0.092_809 => (v - 0.092_809) / 5.367_655,
            Curve::LogC3 => (ten((v - 0.385_537) / 0.247_190) - 0.052_272) / 5.555_556,
            Curve::LogC4 => log_c4(v),
            Curve::SLog3 if v < 171.210_294_692_9 / 1023.0 => {
                (v * 1023.0 - 95.0) * 0.011_25 / (171.210_294_692_9 - 95.0)
            }
            Curve::SLog3 => ten((v * 1023.0 - 420.0) / 261.5) * (0.18 + 0.01) - 0.01,
            Curve::VLog if v < 0.181 => (v - 0.125) / 5.6,
            Curve::VLog => ten((v - 0.598_206) / 0.241_514) - 0.008_73,
            Curve::Log3G10 if v < 0.0 => v / 15.1927 - 0.01,
            Curve::Log3G10 => (ten(v / 0.224_282) - 1.0) / 155.975_327 - 0.01,
            Curve::FLog if v < 0.100_537_775_223_865 => (v - 0.092_864) / 8.735_631,
            Curve::FLog => (ten((v - 0.790_453) / 0.344_676) - 0.009_468) / 0.555_556,
            Curve::DaVinciIntermediate if v <= 0.027_406_68 => v / 10.444_268_55,
            Curve::DaVinciIntermediate => (v / 0.073_292_48 - 7.0).exp2() - 0.0075,
            Curve::FilmScan => {
                let black = ten((95.0 - 685.0) / 300.0);
                (ten((v * 1023.0 - 685.0) / 300.0) - black) / (1.0 - black)
            }
            _ => v,
        }
    }
}

/// Inverse of `alpha L^.45 - (alpha - 1)` above `beta` and `4.5 L` below.
fn camera(signal: f64, alpha: f64, beta: f64) -> f64 {
    if signal < 4.5 * beta {
        signal / 4.5
    } else {
        ((signal + alpha - 1.0) / alpha).powf(1.0 / 0.45)
    }
}

fn power(signal: f64, gamma: f64) -> f64 {
    signal.abs().powf(gamma).copysign(signal)
}

/// Returns the light in cd/m2 of a signal on a display with the given white and black
/// (Rec. ITU-R BT.1886, annex 1).
pub fn bt1886(signal: f64, white: f64, black: f64) -> f64 {
    let (w, b) = (white.powf(1.0 / 2.4), black.powf(1.0 / 2.4));
    let lift = b / (w - b);
    (w - b).powf(2.4) * (signal + lift).max(0.0).powf(2.4)
}

fn pq(signal: f64) -> f64 {
    const M1: f64 = 0.159_301_757_812_5;
    const M2: f64 = 78.843_75;
    const C1: f64 = 0.835_937_5;
    const C2: f64 = 18.851_562_5;
    const C3: f64 = 18.687_5;
    let v = signal.max(0.0).powf(1.0 / M2);
    ((v - C1).max(0.0) / (C2 - C3 * v).max(1e-9)).powf(1.0 / M1)
}

fn hlg(signal: f64) -> f64 {
    const A: f64 = 0.178_832_77;
    const B: f64 = 0.284_668_92;
    const C: f64 = 0.559_910_73;
    if signal <= 0.5 { power(signal, 2.0) / 3.0 } else { (((signal - C) / A).exp() + B) / 12.0 }
}

fn log_c4(v: f64) -> f64 {
    let a = (262_144.0 - 16.0) / 117.45;
    let (b, c) = ((1023.0 - 95.0) / 1023.0, 95.0 / 1023.0);
    if v >= 0.0 {
        return ((14.0 * (v - c) / b + 6.0).exp2() - 64.0) / a;
    }
    let slope = 7.0 * std::f64::consts::LN_2 * (7.0 - 14.0 * c / b).exp2() / (a * b);
    v * slope + ((14.0 * (-c / b) + 6.0).exp2() - 64.0) / a
}

/// How the codes of a picture are meant. All of it is a claim until tested against pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Encoding {
    /// The transfer curve; `None` if nobody says. Figures are then called coded.
    pub curve: Option<Curve>,
    /// Narrow or full range.
    pub range: Range,
    /// Whether the file, or its pixel format, says so; else it is an assumption.
    pub range_is_claimed: bool,
    /// How red, green and blue became Y'CbCr; `None` if nobody says.
    pub matrix: Option<Matrix>,
}

impl Encoding {
    /// Reads the claim of a file's tags. `rgb` tells whether its samples are red, green and
    /// blue: these are full range, and so are pixel formats that carry it in their name,
    /// unless tagged.
    pub fn claimed(tags: &ColourTags, pixel_format: &str, rgb: bool) -> Encoding {
        let by_tag = match tags.range.as_deref() {
            Some("pc" | "full" | "jpeg") => Some(Range::Full),
            Some("tv" | "limited" | "mpeg") => Some(Range::Narrow),
            _ => None,
        };
        let full = rgb || pixel_format.starts_with("yuvj") || pixel_format.starts_with("gray");
        let assumed = if full { Range::Full } else { Range::Narrow };
        Encoding {
            curve: tags.transfer.as_deref().and_then(Curve::tagged),
            range: by_tag.unwrap_or(assumed),
            range_is_claimed: by_tag.is_some() || full,
            matrix: tags.matrix.as_deref().and_then(Matrix::tagged),
        }
    }
}

impl Encoding {
    /// Returns how the codes of a file are meant, after the settings' word for it: `tag`,
    /// `unknown`, or a curve's name. `None` for a word that is no curve.
    pub fn chosen(word: &str, claimed: Encoding) -> Option<Encoding> {
        match word {
            "tag" => Some(claimed),
            "unknown" => Some(Encoding { curve: None, ..claimed }),
            name => Curve::named(name).map(|curve| Encoding { curve: Some(curve), ..claimed }),
        }
    }
}

/// Luma weights of red and blue, from which Y'CbCr is undone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matrix {
    /// Rec. ITU-R BT.601-7.
    Bt601,
    /// Rec. ITU-R BT.709-6.
    Bt709,
    /// Rec. ITU-R BT.2020-2, non-constant luminance.
    Bt2020,
}

impl Matrix {
    /// Returns the matrix a tag claims, in FFmpeg's words.
    pub fn tagged(matrix: &str) -> Option<Matrix> {
        Some(match matrix {
            "bt470bg" | "smpte170m" => Matrix::Bt601,
            "bt709" => Matrix::Bt709,
            "bt2020nc" => Matrix::Bt2020,
            _ => return None,
        })
    }

    /// Returns the weights of red and blue in luma.
    pub fn weights(self) -> (f64, f64) {
        match self {
            Matrix::Bt601 => (0.299, 0.114),
            Matrix::Bt709 => (0.2126, 0.0722),
            Matrix::Bt2020 => (0.2627, 0.0593),
        }
    }

    /// Returns the rows that make red, green and blue of (Y', Cb, Cr).
    pub fn to_rgb(self) -> [[f64; 3]; 3] {
        let (red, blue) = self.weights();
        let green = 1.0 - red - blue;
        let (cb, cr) = (2.0 * (1.0 - blue), 2.0 * (1.0 - red));
        [[1.0, 0.0, cr], [1.0, -cb * blue / green, -cr * red / green], [1.0, cb, 0.0]]
    }
}

/// A curve as a table with its first two derivatives, for many block means.
///
/// Linear between 4096 steps; the error is below 1e-6 of white for every curve but near the
/// top of PQ and of the log curves, where it is below 1e-6 of the value.
#[derive(Debug, Clone)]
pub struct LightTable {
    /// Empty where signals stay as they are.
    nodes: Vec<[f64; 3]>,
}

impl LightTable {
    const LOW: f64 = -0.125;
    const HIGH: f64 = 1.25;
    const STEPS: usize = 5632; // 4096 a unit

    /// Tabulates a curve; `None` leaves signals as they are.
    pub fn new(curve: Option<Curve>) -> LightTable {
        let Some(curve) = curve else { return LightTable { nodes: Vec::new() } };
        let step = (Self::HIGH - Self::LOW) / Self::STEPS as f64;
        let light = |at: f64| curve.light(Self::LOW + at * step);
        let node = |at: usize| {
            let at = at as f64;
            let (low, here, high) = (light(at - 1.0), light(at), light(at + 1.0));
            [here, (high - low) / (2.0 * step), (high - 2.0 * here + low) / (step * step)]
        };
        LightTable { nodes: (0..=Self::STEPS).map(node).collect() }
    }

    /// Returns the light of a signal and its first and second derivative.
    pub fn at(&self, signal: f64) -> [f64; 3] {
        if self.nodes.is_empty() {
            return [signal, 1.0, 0.0];
        }
        let place = (signal - Self::LOW) * (Self::STEPS as f64 / (Self::HIGH - Self::LOW));
        let place = place.clamp(0.0, Self::STEPS as f64 - 1e-6);
        let (whole, part) = (place as usize, place.fract());
        match self.nodes.get(whole..whole + 2) {
            Some([low, high]) => std::array::from_fn(|n| low[n] + (high[n] - low[n]) * part),
            _ => [signal, 1.0, 0.0],
        }
    }

    /// Returns the mean light of many samples from the mean and variance of their signals,
    /// to second order.
    pub fn mean_light(&self, mean: f64, variance: f64) -> f64 {
        let [light, _, bend] = self.at(mean);
        light + 0.5 * bend * variance
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
    }

    #[test]
    fn bt_709_undoes_its_own_camera_curve() {
        // Rec. ITU-R BT.709-6, item 1.2, worked out by hand.
        near(Curve::Bt709.light(0.409_008), 0.18, 1e-6);
        near(Curve::Bt709.light(0.705_515), 0.5, 1e-6);
        near(Curve::Bt709.light(0.081_25), 0.018, 5e-6);
        near(Curve::Bt709.light(1.0), 1.0, 1e-12);
    }

    #[test]
    fn displays_and_hdr_match_the_recommendations() {
        // Rec. ITU-R BT.1886 annex 1 and BT.2100-2 tables 4 and 5, worked out.
        near(bt1886(0.5, 100.0, 0.0), 18.946, 1e-3);
        near(bt1886(0.5, 100.0, 0.1), 21.605, 1e-3);
        near(100.0 * Curve::Bt1886.light(0.5), 18.946, 1e-3);
        for (signal, nits) in
            [(0.508_078, 100.0), (0.580_689, 203.0), (0.751_827, 1000.0), (1.0, 1e4)]
        {
            near(Curve::Pq.light(signal) * 1e4 / nits, 1.0, 2e-5);
        }
        near(Curve::Hlg.light(0.5), 1.0 / 12.0, 1e-9);
        near(Curve::Hlg.light(1.0), 1.0, 1e-6);
        // IEC 61966-2-1: mid grey 118/255 is about .18; worked out.
        near(Curve::Srgb.light(0.5), 0.214_041, 1e-6);
    }

    #[test]
    fn grey_and_black_sit_where_the_makers_say() {
        // Signal of 18 % grey in each maker's publication, from memory.
        for (curve, signal, tolerance) in [
            (Curve::LogC3, 0.391_007, 2e-6),
            (Curve::LogC4, 0.278_396, 2e-5),
            (Curve::SLog3, 420.0 / 1023.0, 1e-9),
            (Curve::VLog, 0.423_311, 1e-5),
            (Curve::Log3G10, 1.0 / 3.0, 1e-5),
            (Curve::FLog, 0.459_318, 5e-5),
            (Curve::DaVinciIntermediate, 0.336_043, 1e-5),
            (Curve::AcesCct, 0.413_588, 1e-5),
            (Curve::AcesCc, 0.413_588, 1e-5),
        ] {
            near(curve.light(signal), 0.18, 0.18 * tolerance * 12.0);
        }
        near(Curve::LogC3.light(0.092_809), 0.0, 1e-9);
        near(Curve::SLog3.light(95.0 / 1023.0), 0.0, 1e-9);
        near(Curve::FilmScan.light(685.0 / 1023.0), 1.0, 1e-9);
        near(Curve::FilmScan.light(95.0 / 1023.0), 0.0, 1e-9);
    }

    #[test]
    fn the_pieces_of_every_curve_meet_and_rise() {
        for curve in Curve::ALL {
            let mut last = curve.light(0.0);
            for step in 1..=10_000 {
                let here = curve.light(f64::from(step) / 1e4);
                // The rounded constants of BT.709 leave a step of 5.5e-5 at the joint.
                assert!(here >= last - 6e-5, "{} falls at {step}", curve.name());
                last = here;
            }
        }
        for (curve, joint) in [
            (Curve::Bt709, 0.081),
            (Curve::Srgb, 0.04045),
            (Curve::Hlg, 0.5),
            (Curve::AcesCct, 0.155_251_141_552_511),
            (Curve::AcesCc, (9.72 - 15.0) / 17.52),
            (Curve::LogC3, 5.367_655 * 0.010_591 + 0.092_809),
            (Curve::LogC4, 0.0),
            (Curve::SLog3, 171.210_294_692_9 / 1023.0),
            (Curve::VLog, 0.181),
            (Curve::Log3G10, 0.0),
            (Curve::FLog, 0.100_537_775_223_865),
            (Curve::DaVinciIntermediate, 0.027_406_68),
        ] {
            let (below, above) = (curve.light(joint - 1e-9), curve.light(joint + 1e-9));
            near(above - below, 0.0, 1e-4);
        }
    }

    #[test]
    fn black_and_white_sit_at_the_codes_of_bt_709() {
        // Rec. ITU-R BT.709-6 item 5.6 and BT.2020-2 table 5 for 12 bits.
        for (depth, black, white) in
            [(8, 16.0, 235.0), (10, 64.0, 940.0), (12, 256.0, 3760.0), (16, 4096.0, 60160.0)]
        {
            assert_eq!(Range::Narrow.signal(black, depth), 0.0);
            assert_eq!(Range::Narrow.signal(white, depth), 1.0);
            assert_eq!(Range::Full.signal(f64::from((1_u32 << depth) - 1), depth), 1.0);
        }
        // 18 % grey is code 106 of 8 bits and 422 of 10.
        near(0.409_008 * 219.0 + 16.0, 106.0, 0.5);
        near(0.18, Curve::Bt709.light(Range::Narrow.signal(422.28, 10)), 1e-4);
    }

    #[test]
    fn a_matrix_gives_back_the_primaries() {
        for matrix in [Matrix::Bt601, Matrix::Bt709, Matrix::Bt2020] {
            let (red, blue) = matrix.weights();
            let rgb = [0.7, 0.2, 0.4];
            let luma = red * rgb[0] + (1.0 - red - blue) * rgb[1] + blue * rgb[2];
            let cb = (rgb[2] - luma) / (2.0 * (1.0 - blue));
            let cr = (rgb[0] - luma) / (2.0 * (1.0 - red));
            for (row, value) in matrix.to_rgb().iter().zip(rgb) {
                near(row[0] * luma + row[1] * cb + row[2] * cr, value, 1e-12);
            }
        }
        // Rec. ITU-R BT.709-6 item 3.3: 1.5748 and 1.8556.
        near(Matrix::Bt709.to_rgb()[0][2], 1.5748, 1e-9);
        near(Matrix::Bt709.to_rgb()[2][1], 1.8556, 1e-9);
    }

    #[test]
    fn the_table_is_the_curve() {
        for curve in Curve::ALL {
            let table = LightTable::new(Some(curve));
            for step in 0..=1000 {
                let signal = f64::from(step) / 1000.0 + 1.7e-4;
                let exact = curve.light(signal);
                near(table.at(signal)[0], exact, 2e-6 * exact.abs().max(1.0) * 5.0);
            }
        }
    }

    #[test]
    fn tags_are_read_as_claims() {
        let mut tags = ColourTags::default();
        let unknown = Encoding::claimed(&tags, "yuv420p", false);
        assert_eq!((unknown.curve, unknown.range), (None, Range::Narrow));
        assert!(!unknown.range_is_claimed);
        tags.range = Some("pc".into());
        tags.transfer = Some("bt709".into());
        tags.matrix = Some("bt709".into());
        let claimed = Encoding::claimed(&tags, "yuv420p", false);
        assert_eq!(claimed.curve, Some(Curve::Bt709));
        assert_eq!((claimed.range, claimed.matrix), (Range::Full, Some(Matrix::Bt709)));
        assert_eq!(Curve::named("s-log 3"), Some(Curve::SLog3));
        assert_eq!(Curve::named("no such curve"), None);
    }
}
