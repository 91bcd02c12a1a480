//! The limits of the search; those a show may want otherwise are settings.

use super::reference::Steps;
use crate::settings::BoomLimits;

/// Frames from which a take is long: a few references are tried before the others. Ours: of
/// shorter ones all are tried in a second or two.
pub(super) const LONG: usize = 600;

/// Limits of the search for plates and booms. Pixels are those of the small plane. All are
/// ours unless a source is named; no published values were found.
#[derive(Debug, Clone, PartialEq)]
pub struct FinderLimits {
    /// Windows of frames that are tried as references.
    pub references: usize,
    /// Least and most frames of such a window.
    pub window_frames: (usize, usize),
    /// Thresholds of the foreground, tried one after the other until a boom is confirmed.
    pub steps: [Steps; 2],
    /// A range over the frames of a reference up to this is grain, in codes.
    pub grain_codes: f32,
    /// Upper share of the sides a boom may come through.
    pub side_share: f32,
    /// Share of the height below which only what stands on the floor reaches.
    pub lowest_share: f32,
    /// Pixels that begin a track.
    pub begin_pixels: usize,
    /// Contrast of the outline, -1 to 1, from which a track is a thing in the frames.
    pub polarity: f64,
    /// Share of the frame a boom covers at its largest.
    pub peak_share: f32,
    /// Frames a boom stays at least.
    pub boom_frames: usize,
    /// Share of its full depth with which it may be seen first or last.
    pub slide_share: f32,
    /// Pixels along the edge that make a sliver of a boom, and how many frames before it comes
    /// and after it goes are looked at for one.
    pub sliver_pixels: usize,
    /// See `sliver_pixels`.
    pub sliver_frames: usize,
    /// Frames a plate needs.
    pub plate_frames: usize,
    /// Frames between a plate and a boom.
    pub guard_frames: usize,
    /// Share of the region that may be foreground in a plate.
    pub plate_foreground: f32,
    /// Frames in both over frames in either from which two references agree.
    pub agreement: f32,
    /// Changes over time, in codes, from which something that hangs in the picture is looked
    /// for when no boom comes or goes.
    pub restless_codes: [f32; 4],
    /// The same in means over frames and neighbours: what grain hides in each frame.
    pub faint_codes: [f32; 3],
    /// How far such a change lies above that of most of the picture.
    pub faint_times: f32,
    /// References that must tell the same for an unconfirmed boom to be doubt enough.
    pub support: usize,
    /// References that are tried to confirm.
    pub confirmations: usize,
    /// The same of a take of more than 600 frames, but one of every run without the boom.
    pub long_confirmations: usize,
}

impl Default for FinderLimits {
    fn default() -> Self {
        let steps = |weak_codes, strong_codes, weak_sigmas, strong_sigmas| Steps {
            weak_codes,
            strong_codes,
            weak_sigmas,
            strong_sigmas,
        };
        FinderLimits {
            references: 16,
            window_frames: (6, 12),
            steps: [steps(5.0, 10.0, 4.0, 8.0), steps(3.0, 6.0, 3.5, 6.0)],
            grain_codes: 4.0,
            side_share: 0.6,
            lowest_share: 0.75,
            begin_pixels: 6,
            polarity: 0.35,
            peak_share: 0.002,
            boom_frames: 8,
            slide_share: 0.35,
            sliver_pixels: 4,
            sliver_frames: 24,
            plate_frames: 12,
            guard_frames: 2,
            plate_foreground: 0.05,
            agreement: 0.8,
            restless_codes: [24.0, 16.0, 12.0, 8.0],
            faint_codes: [6.0, 4.5, 3.0],
            faint_times: 2.5,
            support: 2,
            confirmations: 24,
            long_confirmations: 9,
        }
    }
}

/// Limits of the foreground against a known plate. Codes are those of eight bits. All are
/// ours unless a source is named.
#[derive(Debug, Clone, PartialEq)]
pub struct ForegroundLimits {
    /// Change from which a shadow counts, in codes. Stated, because it decides the clearance.
    pub shadow_codes: f32,
    /// The same in standard deviations of the grain; the larger counts.
    pub shadow_sigmas: f32,
    /// Change from which a pixel belongs to the thing itself and not to its shadow, in codes.
    pub core_codes: f32,
    /// The same in standard deviations of what is left after smoothing.
    pub core_sigmas: f32,
    /// Upper share of the sides a boom may come through.
    pub side_share: f32,
    /// Share of the height below which only what stands on the floor reaches.
    pub lowest_share: f32,
    /// Contrast of its outline, frame less plate over their sum, from which a part is a thing.
    pub outline: f32,
    /// Core pixels from which a boom is in the picture, as a share of the frame.
    pub present_share: f32,
    /// Change from frame to frame, in codes, from which a pixel where boom and actor touch is
    /// no longer boom.
    pub jump_codes: f32,
    /// Share of the width within which a soft dark patch beside a boom is its shadow.
    pub shadow_reach: f32,
}

impl Default for ForegroundLimits {
    fn default() -> Self {
        ForegroundLimits {
            shadow_codes: 3.0,
            shadow_sigmas: 1.5,
            core_codes: 10.0,
            core_sigmas: 8.0,
            side_share: 0.6,
            lowest_share: 0.75,
            outline: 0.3,
            present_share: 2e-5,
            jump_codes: 40.0,
            shadow_reach: 0.06,
        }
    }
}

impl From<BoomLimits> for FinderLimits {
    fn from(limits: BoomLimits) -> Self {
        Self {
            peak_share: limits.peak_share as f32,
            boom_frames: limits.boom_frames as usize,
            plate_frames: limits.plate_frames.max(1) as usize,
            guard_frames: limits.guard_frames as usize,
            side_share: limits.side_share as f32,
            ..Self::default()
        }
    }
}

impl From<BoomLimits> for ForegroundLimits {
    fn from(limits: BoomLimits) -> Self {
        Self {
            shadow_codes: limits.shadow_codes as f32,
            shadow_sigmas: limits.shadow_sigmas as f32,
            core_codes: limits.core_codes as f32,
            side_share: limits.side_share as f32,
            ..Self::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_settings_have_the_same_defaults() {
        assert_eq!(FinderLimits::from(BoomLimits::default()), FinderLimits::default());
        assert_eq!(ForegroundLimits::from(BoomLimits::default()), ForegroundLimits::default());
    }
}
