//! Curves against another hand's: colour-science 0.4.7 from PyPI, a library of colour
//! science, decoded these signals (`eotf_*`, `oetf_inverse_*` and `log_decoding_*`).

use platesmith::measure::transfer::Curve;

const SIGNALS: [f64; 5] = [0.2, 0.35, 0.5, 0.65, 0.8];

#[test]
fn every_curve_is_that_of_a_library_of_colour_science() {
    let known: [(Curve, [f64; 5]); 15] = [
        (Curve::Bt709, [0.055426682, 0.13680693, 0.2595894, 0.42654487, 0.63993782]),
        (Curve::Bt2020, [0.055516657, 0.13692707, 0.25972083, 0.42666576, 0.64002416]),
        (Curve::Bt1886, [0.021012222, 0.080493962, 0.18946457, 0.35562481, 0.58535047]),
        (Curve::Srgb, [0.033104767, 0.10048151, 0.21404114, 0.38005634, 0.60382734]),
        (Curve::Pq, [0.00024292633, 0.0018433567, 0.0092245709, 0.039049474, 0.15551784]),
        (Curve::Hlg, [0.013333333, 0.040833333, 0.083333333, 0.16163379, 0.34278386]),
        (Curve::AcesCc, [0.013452331, 0.083158065, 0.51405691, 3.1777376, 19.643771]),
        (Curve::AcesCct, [0.013452331, 0.083158065, 0.51405691, 3.1777376, 19.643771]),
        (Curve::LogC3, [0.022557012, 0.11986426, 0.5133834, 2.1048097, 8.5406785]),
        (Curve::LogC4, [0.061534437, 0.4202089, 2.2049631, 11.08585, 55.2769]),
        (Curve::SLog3, [0.018513087, 0.10011617, 0.41526339, 1.6323469, 6.3326649]),
        (Curve::VLog, [0.013719644, 0.085089143, 0.3833489, 1.6298041, 6.8388558]),
        (Curve::Log3G10, [0.033555193, 0.21665504, 1.070716, 5.0544445, 23.636366]),
        (Curve::FLog, [0.017807823, 0.077886132, 0.2415335, 0.6872927, 1.9014966]),
        (Curve::DaVinciIntermediate, [0.044289122, 0.20645623, 0.87641668, 3.6442221, 15.078847]),
    ];
    for (curve, lights) in known {
        for (signal, light) in SIGNALS.iter().zip(lights) {
            let found = curve.light(*signal);
            // The library rounds the constants of BT.2020 and HLG in its own way.
            let off = (found / light - 1.0).abs();
            assert!(off < 2e-5, "{} at {signal}: {found}, not {light}", curve.name());
        }
    }
}
