//! Luma codes of decoded frames, with the faults that can be in them.

use crate::error::Faults;
use crate::media::Picture;
use crate::time::Frame;

/// Reads the luma of a frame of the file `name`; returns its brightest code.
pub(super) fn luma_codes(
    name: &str,
    frame: Frame,
    picture: &Picture,
    out: &mut Vec<u16>,
) -> Result<f32, Faults> {
    if picture.luma_u16(out) {
        return Ok(((1_u32 << picture.luma_depth()) - 1) as f32);
    }
    let fault = format!("the sample layout {} holds no luma", picture.format());
    Err(of_frame(name, frame, fault, "transcode the media to a layout with luma or RGB"))
}

/// Makes the fault of a frame that is not of the size of the others; `others` says which.
pub(super) fn other_size(name: &str, frame: Frame, picture: &Picture, others: &str) -> Faults {
    let fault = format!("the picture is {}x{}, {others}", picture.width(), picture.height());
    of_frame(name, frame, fault, "render the media at one size")
}

/// Makes a fault of a frame.
pub(super) fn of_frame(name: &str, frame: Frame, fault: String, remedy: &str) -> Faults {
    Faults::one(name, format!("frame {frame}"), fault, remedy)
}
