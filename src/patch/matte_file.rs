//! Matte files: one picture of the full frame, and its outline in JSON beside it.

use super::matte::Matte;
use crate::error::BadInput;
use crate::plate::{Part, Placed, latest_version, version_name, written};
use serde::Serialize;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};

/// The version of the layout of a matte's JSON.
pub const MATTE_SCHEMA: &str = "platesmith.matte/1";

/// How a matte is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MatteKind {
    /// PNG, 16 bits, tagged as linear.
    #[default]
    Png,
    /// OpenEXR, 32-bit floating point, one channel `Y`: beside plates that are EXR.
    Exr,
}

impl MatteKind {
    fn extension(self) -> &'static str {
        match self {
            MatteKind::Png => "png",
            MatteKind::Exr => "exr",
        }
    }
}

/// A matte that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MatteMade {
    /// The picture.
    pub path: PathBuf,
    /// Its outline in JSON.
    pub outline: PathBuf,
    /// Whether the same bytes were there already and were left alone.
    pub kept: bool,
}

/// The JSON beside a matte.
#[derive(Serialize)]
struct Outline<'a> {
    schema: &'static str,
    file: &'a str,
    width: usize,
    height: usize,
    polygons: &'a [Vec<[f64; 2]>],
    feather_px: f64,
    clearance_px: Option<f64>,
}

/// Writes a matte as its next version, or leaves the latest alone if nothing has changed.
/// `out` has no version: `mattes/SHOT_MATTE01`.
///
/// Both files appear under their names only when they are whole, the picture last.
///
/// # Errors
///
/// A folder that cannot be written.
pub fn make_matte(matte: &Matte, out: &Path, kind: MatteKind) -> Result<MatteMade, BadInput> {
    let stem = out.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let folder = crate::whole::folder_of(out);
    let picture = match kind {
        MatteKind::Png => png(matte),
        MatteKind::Exr => exr(matte),
    };
    let picture = picture.map_err(|why| written(&stem, &why))?;
    let first = latest_version(folder, &stem).max(1);
    for version in first..=first.saturating_add(1) {
        let name = version_name(&stem, version);
        if let Some(made) = place(matte, &picture, (folder, &name), kind)? {
            return Ok(made);
        }
    }
    Err(written(&stem, "the next version's name is taken as well"))
}

/// Places both files; `None` if other bytes stand under one of the names.
fn place(
    matte: &Matte,
    picture: &[u8],
    (folder, name): (&Path, &str),
    kind: MatteKind,
) -> Result<Option<MatteMade>, BadInput> {
    let file = format!("{name}.{}", kind.extension());
    let outline = outline(matte, &file).map_err(|why| written(&file, &why))?;
    let path = folder.join(&file);
    // A picture of another time decides before anything is placed beside it.
    if std::fs::read(&path).is_ok_and(|there| there != picture) {
        return Ok(None);
    }
    let json = format!("{name}.json");
    if put(folder, &json, &outline)? == Placed::Other {
        return Ok(None);
    }
    let placed = put(folder, &file, picture)?;
    Ok(match placed {
        Placed::Other => None,
        placed => {
            Some(MatteMade { path, outline: folder.join(json), kept: placed == Placed::Same })
        }
    })
}

fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<Placed, BadInput> {
    let part = Part::file(folder, name)?;
    let fault = |io: std::io::Error| written(name, &io.to_string());
    match part.open_file() {
        Some(mut file) => file.write_all(bytes).map_err(fault)?,
        None => return Err(written(name, "it is a folder")),
    }
    part.place()
}

fn outline(matte: &Matte, file: &str) -> Result<Vec<u8>, String> {
    let (width, height) = matte.size();
    let outline = Outline {
        schema: MATTE_SCHEMA,
        file,
        width,
        height,
        polygons: &matte.polygons,
        feather_px: matte.feather_px,
        clearance_px: matte.clearance_px,
    };
    let mut bytes = serde_json::to_vec_pretty(&outline).map_err(|fault| fault.to_string())?;
    bytes.push(b'\n');
    Ok(bytes)
}

fn sides(matte: &Matte) -> Result<(u32, u32), String> {
    let (width, height) = matte.size();
    let side = |side: usize| u32::try_from(side).map_err(|_| "too large a picture".to_string());
    Ok((side(width)?, side(height)?))
}

/// A grey PNG of 16 bits. `gAMA` of 1 says that its codes are linear (PNG specification,
/// third edition, 11.3.2.2).
fn png(matte: &Matte) -> Result<Vec<u8>, String> {
    let (width, height) = sides(matte)?;
    let mut bytes = Vec::new();
    let mut encoder = ::png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(::png::ColorType::Grayscale);
    encoder.set_depth(::png::BitDepth::Sixteen);
    encoder.set_source_gamma(::png::ScaledFloat::new(1.0));
    encoder.set_compression(::png::Compression::Balanced);
    let words = |fault: ::png::EncodingError| fault.to_string();
    let mut writer = encoder.write_header().map_err(words)?;
    let data: Vec<u8> = matte.codes().iter().flat_map(|code| code.to_be_bytes()).collect();
    writer.write_image_data(&data).map_err(words)?;
    writer.finish().map_err(words)?;
    Ok(bytes)
}

/// An OpenEXR picture with one channel. Half floats would not hold all 16 bits.
fn exr(matte: &Matte) -> Result<Vec<u8>, String> {
    use ::exr::prelude::{
        AnyChannel, AnyChannels, Blocks, Compression, Encoding, FlatSamples, Image, Layer,
        LayerAttributes, LineOrder, SmallVec, WritableImage,
    };
    let (width, height) = matte.size();
    let shares = (0..width * height).map(|at| matte.share(at % width, at / width)).collect();
    let channel = AnyChannel::new("Y", FlatSamples::F32(shares));
    let encoding = Encoding {
        compression: Compression::ZIP16,
        blocks: Blocks::ScanLines,
        line_order: LineOrder::Increasing,
    };
    let channels = AnyChannels::sort(SmallVec::from_iter([channel]));
    let layer = Layer::new((width, height), LayerAttributes::default(), encoding, channels);
    let mut bytes = Cursor::new(Vec::new());
    let image = Image::from_layer(layer);
    image.write().non_parallel().to_buffered(&mut bytes).map_err(|fault| fault.to_string())?;
    Ok(bytes.into_inner())
}
