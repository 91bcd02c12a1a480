//! What is delivered, and the limits the pictures are held against.

use serde::{Deserialize, Serialize};

/// A delivered picture: its raster, and the part of the source it is made from.
///
/// Without `extraction` and `aspect` it is the largest part of the raster's own shape in the
/// middle of the source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Delivery {
    /// What the show calls it.
    pub name: String,
    /// Width and height, in pixels.
    #[cfg_attr(test, schemars(inner(range(min = 1))))]
    pub raster: [u32; 2],
    /// Left, top, width and height of the part that is shown, in source pixels.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "[f64; 4]"))]
    pub extraction: Option<[f64; 4]>,
    /// Width over height of the part that is shown, in the middle of the source.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "f64"))]
    pub aspect: Option<f64>,
}

impl Delivery {
    /// Says what cannot be, as read, and what to do about it.
    pub(super) fn fault(&self) -> Option<(String, &'static str)> {
        if self.raster.contains(&0) {
            let fault = format!("raster = {:?} has no pixels", self.raster);
            return Some((fault, "give width and height in pixels"));
        }
        if self.extraction.is_some() && self.aspect.is_some() {
            let fault = "both extraction and aspect are given".to_string();
            return Some((fault, "keep the one the show is framed for"));
        }
        if let Some(aspect) = self.aspect.filter(|aspect| !(aspect.is_finite() && *aspect > 0.0)) {
            return Some((format!("aspect = {aspect} is no shape"), "give width over height"));
        }
        let extraction = self.extraction?;
        let [_, _, width, height] = extraction;
        let sound = extraction.iter().all(|side| side.is_finite()) && width > 0.0 && height > 0.0;
        let fault = format!("extraction = {extraction:?} is empty");
        (!sound).then_some((fault, "give [left, top, width, height] in source pixels"))
    }
}

/// How the codes of media are meant. Figures of light are of the scene where this is known,
/// else of the codes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct MediaEncoding {
    /// `tag`: as the file itself claims, which is tested. `unknown`, or a curve's name.
    pub encoding: String,
    /// Rolls, folders and files that are meant otherwise; the last that fits goes first.
    pub of: Vec<EncodingOf>,
}

/// How the codes of one roll, folder or file are meant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct EncodingOf {
    /// Reel name, name of a folder above the file, or the head of the file's name.
    pub name: String,
    /// As [`MediaEncoding::encoding`].
    pub encoding: String,
}

impl Default for MediaEncoding {
    fn default() -> Self {
        Self { encoding: "tag".into(), of: Vec::new() }
    }
}

impl MediaEncoding {
    /// Returns the word for a file: `path` and the reel name in it.
    pub fn word(&self, path: &std::path::Path, reel: Option<&str>) -> &str {
        let fits = |rule: &&EncodingOf| {
            let folder = path.parent().is_some_and(|parent| {
                parent.components().any(|part| part.as_os_str() == rule.name.as_str())
            });
            let file = path
                .file_name()
                .is_some_and(|name| name.to_string_lossy().starts_with(rule.name.as_str()));
            reel == Some(rule.name.as_str()) || folder || file
        };
        self.of.iter().rev().find(fits).map_or(self.encoding.as_str(), |rule| &rule.encoding)
    }
}

/// Limits of the divider between boom and actors.
///
/// Cells are pixels of the masks, which are at most 960 wide; all other lengths are source
/// pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct DividerLimits {
    /// Least distance between boom and actors. Ours: nearer than two pixels every line
    /// between them cuts through a pixel of one of them.
    pub clearance_px: f64,
    /// Width of the feather, and how far the patch region reaches beyond the boom where no
    /// actor is near. Ours.
    pub feather_px: f64,
    /// Actor cells that stand alone in this number or fewer are a speck and do not bend the
    /// divider; each one is named. Ours: grain that passes a threshold makes 1 to 4.
    pub speck_cells: u32,
    /// How far the next actor cell must be from a speck, in cells. Ours.
    pub speck_alone_cells: u32,
    /// A speck seen in more frames than this is an actor. Ours.
    pub speck_frames: u32,
}

impl Default for DividerLimits {
    fn default() -> Self {
        Self {
            clearance_px: 2.0,
            feather_px: 24.0,
            speck_cells: 6,
            speck_alone_cells: 8,
            speck_frames: 2,
        }
    }
}

/// Limits of predicted visibility: error along the divider over grain, at delivery size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct VisibilityLimits {
    /// Up to here a fault is go. Ours: in a textured picture a shift of .1 px.
    pub go: f64,
    /// Up to here it asks for attention; above it stops. Ours: a shift of .2 px.
    pub attention: f64,
    /// Part of the band along the divider, per thousand, that may show more. Ours.
    pub spared_per_mille: f64,
    /// Least grain that hides anything, in codes of eight bits. Ours: half a code, the
    /// rounding of eight bits; coded grain may be frozen and hide nothing more.
    pub grain_floor_codes: f64,
    /// Side of the patch over which sight averages grain but not a level step, in delivery
    /// pixels. Ours: half a cycle where contrast sensitivity peaks (about 4 cycles a degree,
    /// from memory), at one pixel a minute of arc, the design distance of ITU-R BT.500.
    pub sight_px: f64,
    /// Finest displacement that sight tells at a strong edge, in delivery pixels: an edge
    /// hides what moves it by less, however strong it is. Ours: vernier acuity is 5 to 10
    /// seconds of arc (from memory), .08 to .17 px at one pixel a minute of arc.
    pub vernier_px: f64,
    /// How many times more a moving error shows than one at rest. Ours.
    pub motion_factor: f64,
    /// Least source pixels for each delivered pixel. Common practice, no source.
    pub resolution_margin: f64,
    /// Largest enlargement that is still named as a way to hide a boom. Ours.
    pub reposition_scale: f64,
}

impl Default for VisibilityLimits {
    fn default() -> Self {
        Self {
            go: 1.0,
            attention: 2.0,
            spared_per_mille: 1.0,
            grain_floor_codes: 0.5,
            sight_px: 8.0,
            vernier_px: 0.1,
            motion_factor: 2.0,
            resolution_margin: 1.0,
            reposition_scale: 1.25,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn the_last_rule_that_fits_goes_first() {
        let rule = |name: &str, encoding: &str| EncodingOf {
            name: name.into(),
            encoding: encoding.into(),
        };
        let media = MediaEncoding {
            encoding: "tag".into(),
            of: vec![rule("A014", "BT.709"), rule("day2", "PQ"), rule("A014C007", "unknown")],
        };
        assert_eq!(media.word(Path::new("day1/B001.mov"), None), "tag");
        assert_eq!(media.word(Path::new("day1/B001.mov"), Some("A014")), "BT.709");
        assert_eq!(media.word(Path::new("day2/cards/A014C001.mov"), None), "PQ");
        assert_eq!(media.word(Path::new("day2/cards/A014C007.mov"), None), "unknown");
    }
}
