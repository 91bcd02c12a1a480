//! Limits of the measures themselves: from when something counts as moved, as boom, as soft.
//!
//! What would show, and so what stops a shot, is a matter of [`super::VisibilityLimits`].

use serde::{Deserialize, Serialize};

/// When the camera counts as having stood. Source pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct CameraLimits {
    /// Displacement up to which two frames are of one lock-off. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub shift_px: f64,
    /// Frame-to-frame displacement, rms, up to which the picture is steady. Ours: half of
    /// that.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub vibration_px: f64,
    /// Frames over which slow and quick movement part. Ours: two seconds.
    pub slow_frames: u32,
}

impl Default for CameraLimits {
    fn default() -> Self {
        Self { shift_px: 0.1, vibration_px: 0.05, slow_frames: 49 }
    }
}

/// When the background counts as moving. Pixels of the working plane, at most 1920 wide.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct BackgroundLimits {
    /// Standard normal score beyond which a tile moves. Ours: one false tile in five million
    /// for each of its tests.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub sure: f64,
    /// Smallest peak of a sway that is told. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub least_px: f64,
    /// Least change of a tile by a sway, in 8-bit codes rms, where a codec froze the noise.
    /// Ours: detail swims a little there although nothing moves.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub frozen_codes: f64,
    /// Least deviation of something that passes, in 8-bit codes. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub passing_codes: f64,
}

impl Default for BackgroundLimits {
    fn default() -> Self {
        Self { sure: 5.2, least_px: 0.02, frozen_codes: 1.0, passing_codes: 1.5 }
    }
}

/// When sharpness counts as changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct FocusLimits {
    /// Standard errors beyond which sharpness has changed. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub sure: f64,
    /// Least blur that counts, one standard deviation of a Gaussian in pixels of the working
    /// plane. Ours: codecs change sharpness by less from frame to frame.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub least_px: f64,
}

impl Default for FocusLimits {
    fn default() -> Self {
        Self { sure: 5.0, least_px: 0.3 }
    }
}

/// When something counts as boom, as its shadow, or as a plate. Codes are those of 8 bits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct BoomLimits {
    /// Change from which a shadow counts. Ours; it decides the clearance.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub shadow_codes: f64,
    /// The same in standard deviations of the grain; the larger counts. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub shadow_sigmas: f64,
    /// Change from which a pixel belongs to the boom itself. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub core_codes: f64,
    /// Share of the frame a boom nobody noted covers at its largest. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub peak_share: f64,
    /// Frames such a boom stays at least. Ours.
    pub boom_frames: u32,
    /// Frames a plate nobody noted needs. Ours.
    pub plate_frames: u32,
    /// Frames left out between such a plate and a boom. Ours.
    pub guard_frames: u32,
    /// Upper share of the sides a boom may come through. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub side_share: f64,
}

impl Default for BoomLimits {
    fn default() -> Self {
        Self {
            shadow_codes: 3.0,
            shadow_sigmas: 1.5,
            core_codes: 10.0,
            peak_share: 0.002,
            boom_frames: 8,
            plate_frames: 12,
            guard_frames: 2,
            side_share: 0.6,
        }
    }
}

/// The limits of all measures.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct MeasureLimits {
    /// Of the camera.
    pub camera: CameraLimits,
    /// Of the background.
    pub background: BackgroundLimits,
    /// Of sharpness.
    pub focus: FocusLimits,
    /// Of boom and plates.
    pub boom: BoomLimits,
}
