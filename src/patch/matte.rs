//! The static matte of a patch as a file: 16-bit grey, white where the plate shows.

use crate::error::BadInput;
use crate::measure::Plane;
use crate::plate::{latest_version, version_name};
use crate::whole::put_whole;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The schema of the file beside a matte.
const SCHEMA: &str = "platesmith.matte/1";

/// What the file beside a matte holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Matte {
    schema: &'static str,
    /// Width of the frame in pixels.
    pub width: usize,
    /// Height of the frame in pixels.
    pub height: usize,
    /// The outlines of the patch region in source pixels, the divider among them; corners
    /// count from the top left corner of the frame.
    pub outlines: Vec<Vec<[f64; 2]>>,
    /// Width of the feather across the divider, in source pixels.
    pub feather_px: f64,
    /// Least distance between boom and actors, in source pixels.
    pub clearance_px: Option<f64>,
}

impl Matte {
    /// Describes a matte.
    pub fn new(
        (width, height): (usize, usize),
        outlines: Vec<Vec<[f64; 2]>>,
        feather_px: f64,
        clearance_px: Option<f64>,
    ) -> Matte {
        Matte { schema: SCHEMA, width, height, outlines, feather_px, clearance_px }
    }
}

/// A matte that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MatteMade {
    /// The picture.
    pub picture: PathBuf,
    /// The file beside it.
    pub outline: PathBuf,
    /// Whether the same bytes were there already and were left alone.
    pub kept: bool,
}

/// Writes a matte as `FOLDER/STEM_v001.png` and `.json`: the latest version again if it holds
/// the same bytes, else the next one. What was delivered is never rewritten.
///
/// # Errors
///
/// A folder that cannot be written.
pub fn write_matte(
    folder: &Path,
    stem: &str,
    matte: &Matte,
    alpha: &Plane,
) -> Result<MatteMade, BadInput> {
    let fault = |why: String| {
        BadInput::new(stem, "", format!("the matte cannot be written: {why}"), "check the folder")
    };
    std::fs::create_dir_all(folder).map_err(|io| fault(io.to_string()))?;
    let picture = encoded(alpha).map_err(|why| fault(why.to_string()))?;
    let mut outline = serde_json::to_vec_pretty(matte).map_err(|why| fault(why.to_string()))?;
    outline.push(b'\n');
    let latest = latest_version(folder, stem);
    let at = |version: u32| {
        let name = version_name(stem, version);
        [folder.join(format!("{name}.png")), folder.join(format!("{name}.json"))]
    };
    let same = |paths: &[PathBuf; 2]| {
        let holds = |path: &Path, bytes: &[u8]| std::fs::read(path).is_ok_and(|old| old == bytes);
        holds(&paths[0], &picture) && holds(&paths[1], &outline)
    };
    let kept = latest > 0 && same(&at(latest));
    let [png, json] = at(if kept { latest } else { latest.saturating_add(1) });
    if !kept {
        put_whole(&json, &outline).map_err(|io| fault(io.to_string()))?;
        put_whole(&png, &picture).map_err(|io| fault(io.to_string()))?;
    }
    Ok(MatteMade { picture: png, outline: json, kept })
}

/// Encodes a matte as a PNG of 16 bits, linear: no gamma is written, for a matte is data.
fn encoded(alpha: &Plane) -> Result<Vec<u8>, png::EncodingError> {
    let code = |value: &f32| (value.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16;
    let samples: Vec<u8> = alpha.data.iter().flat_map(|value| code(value).to_be_bytes()).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, alpha.width as u32, alpha.height as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.write_header()?.write_image_data(&samples)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_matte_that_is_the_same_is_left_alone_and_a_new_one_is_the_next_version() {
        let folder = tempfile::tempdir().unwrap();
        let alpha = |level: f32| Plane { width: 6, height: 4, data: vec![level; 24] };
        let matte = Matte::new((6, 4), vec![vec![[0.0, 0.0], [6.0, 0.0], [3.0, 2.0]]], 24.0, None);
        let write = |level| write_matte(folder.path(), "S_MATTE01", &matte, &alpha(level)).unwrap();
        let first = write(0.5);
        assert!(first.picture.ends_with("S_MATTE01_v001.png") && !first.kept);
        assert!(write(0.5).kept);
        assert!(write(1.0).picture.ends_with("S_MATTE01_v002.png"));
        let read = png::Decoder::new(std::io::BufReader::new(
            std::fs::File::open(&first.picture).unwrap(),
        ));
        let mut read = read.read_info().unwrap();
        let mut bytes = vec![0; read.output_buffer_size().unwrap()];
        read.next_frame(&mut bytes).unwrap();
        assert!(bytes.chunks(2).all(|two| u16::from_be_bytes([two[0], two[1]]) == 32768));
    }
}
