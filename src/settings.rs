//! Every limit and choice the program works with, its default, and where it comes from.
//!
//! Read from a TOML file with `--settings`; a key that is not known is a fault, so that a
//! misspelt limit is never silently the default.

mod limits;
mod measuring;

pub use limits::{BackgroundLimits, BoomLimits, CameraLimits, FocusLimits, MeasureLimits};
pub use measuring::{Delivery, DividerLimits, EncodingOf, MediaEncoding, VisibilityLimits};

use crate::error::{BadInput, Faults};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// How out points in a plate log are meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum OutPoint {
    /// The frame after the last good one, as in edit lists.
    #[default]
    Exclusive,
    /// The last good frame.
    Inclusive,
}

/// Which start timecode is believed when two disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum TimecodeTrust {
    /// The timecode track or header of the media.
    Container,
    /// The start the log notes.
    Log,
    /// The `available_range` of the timeline.
    Timeline,
}

/// How a loop plate turns round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Turns {
    /// The best the measures allow; without measures `twice` over the whole plate.
    #[default]
    Auto,
    /// The turning frame is shown once.
    Once,
    /// The turning frame is shown twice: a plate of P frames fills kP frames in k passes.
    Twice,
    /// The turn is rendered slow.
    Eased,
}

/// How reels are named in `pulls.edl`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum EdlReels {
    /// In full; event lines grow with the longest name.
    #[default]
    Full,
    /// At most eight of A-Z, 0-9 and `_`, with a map of them.
    Strict,
}

/// Which of a reverse clip's two readings is rendered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum ReverseAnchor {
    /// The first frame shown is `source_range`'s start: frames `[s-n+1, s+1)`.
    #[default]
    Start,
    /// The last frame shown is `source_range`'s start: frames `[s, s+n)`.
    End,
}

/// All settings. Unknown keys are refused.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Handle frames before the use, in cut frames. Default 8: commonly named as the
    /// least; common practice, no source.
    pub handles_head: u32,
    /// Handle frames after the use, in cut frames.
    pub handles_tail: u32,
    /// Frames over which the patch fades in and out around an affected run. Ours.
    pub fade_frames: u32,
    /// How loop plates turn.
    pub turns: Turns,
    /// Which reading of a reverse clip is rendered.
    pub reverse_anchor: ReverseAnchor,
    /// How out points in logs are meant.
    pub out: OutPoint,
    /// Whose start timecode is believed, first to last.
    pub timecode_trust: Vec<TimecodeTrust>,
    /// Tolerance of claims made by hand without a stated one, in frames. Ours.
    pub claim_tolerance_frames: u32,
    /// Tolerance of marks that a hand on a button made in sound, in seconds. Ours.
    #[cfg_attr(test, schemars(range(min = 0)))]
    pub mark_tolerance_s: f64,
    /// Headings of reports that are not known, and the key of the log each stands for, or
    /// `ignore`. How a log is read is no limit, and no part of what was found.
    #[serde(skip_serializing)]
    pub log_columns: BTreeMap<String, String>,
    /// Number of need's first frame in file sequences. Common practice, no source.
    pub first_frame: u32,
    /// Suffixes of camera clips that hold only a plate. Common practice, no source.
    pub plate_suffixes: Vec<String>,
    /// Suffixes that proxies and transcodes add to a camera clip's name. Ours.
    pub proxy_suffixes: Vec<String>,
    /// A plate farther than this from the patched frames is `plate-far-in-time`, in
    /// seconds. Ours: light drifts of 1-13 % were seen within 20 s outdoors.
    pub plate_far_s: f64,
    /// Seconds of plate that are asked for on set. Common practice, no source.
    pub plate_ask_s: f64,
    /// Shortest span between two turns that may not flash, in seconds: three flashes a
    /// second is the limit of ITU-R BT.1702 and WCAG 2.3.1.
    pub flash_guard_s: f64,
    /// Codec for plates that cannot be copied: `prores-hq`, `prores-4444`, `dnxhr-hqx`,
    /// `ffv1`, `dpx`, `exr`, `png`, `tiff`; `auto` stays nearest to the source.
    pub plate_codec: String,
    /// Threads one encoder may use; part of what makes output bytes the same everywhere.
    pub encoder_threads: u32,
    /// Whether a plate is built from the boom's own movement where there is no other.
    pub build_plates: bool,
    /// Whether a small movie to look at is made of each temp comp.
    pub review_copies: bool,
    /// How reels are named in `pulls.edl`.
    pub edl: EdlReels,
    /// What a shot of each verdict costs, by the verdict's word in `findings.json`; costs are
    /// shown only where these are given.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::rates"))]
    pub rates: BTreeMap<String, f64>,
    /// In what the rates count: a currency, hours.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub rates_in: String,
    /// What is delivered; if empty, the log's capture size, else the media's.
    pub delivery: Vec<Delivery>,
    /// Whether pictures are measured. False: they are opened and plates are rendered, and
    /// verdicts rest on the log's claims alone.
    pub measure: bool,
    /// Where measures are kept from run to run: `auto` for the user's folder of such files,
    /// `off`, or a folder. It names a place on one machine and is no part of what was found.
    #[serde(skip_serializing)]
    pub cache: String,
    /// Whether all bytes tell media and renders from any other, not some of them: it changes no
    /// result but the ids in it. Left out if not.
    #[serde(skip_serializing_if = "is_false")]
    pub verify: bool,
    /// Whether uses in no log are looked at, too. Left out if not.
    #[serde(skip_serializing_if = "is_false")]
    pub look_at_all: bool,
    /// A folder of measures that goes before `cache` and the environment: that of a plan. It
    /// is no setting of a file, and no part of what was found.
    #[serde(skip)]
    pub planned_measures: Option<PathBuf>,
    /// How the codes of media are meant.
    pub media: MediaEncoding,
    /// Limits of the divider.
    pub divider: DividerLimits,
    /// Limits of what would show.
    pub visibility: VisibilityLimits,
    /// When the camera counts as having stood.
    pub camera: CameraLimits,
    /// When the background counts as moving.
    pub background: BackgroundLimits,
    /// When sharpness counts as changed.
    pub focus: FocusLimits,
    /// When something counts as boom, shadow or plate.
    pub boom: BoomLimits,
}

fn is_false(set: &bool) -> bool {
    !set
}

impl Settings {
    /// Adds what the command line asks for to what a file or an earlier turnover does.
    pub fn also(&mut self, verify: bool, look_at_all: bool) {
        self.verify |= verify;
        self.look_at_all |= look_at_all;
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            handles_head: 8,
            handles_tail: 8,
            fade_frames: 6,
            turns: Turns::Auto,
            reverse_anchor: ReverseAnchor::Start,
            out: OutPoint::Exclusive,
            timecode_trust: vec![
                TimecodeTrust::Container,
                TimecodeTrust::Log,
                TimecodeTrust::Timeline,
            ],
            claim_tolerance_frames: 0,
            mark_tolerance_s: 2.0,
            log_columns: BTreeMap::new(),
            first_frame: 1001,
            plate_suffixes: ["PL", "PLT", "PLATE"].map(String::from).to_vec(),
            proxy_suffixes: ["_proxy", "_Proxy", "_PROXY", "_h264", "_prores", "_dnx"]
                .map(String::from)
                .to_vec(),
            plate_far_s: 120.0,
            plate_ask_s: 5.0,
            flash_guard_s: 1.0 / 6.0,
            plate_codec: "auto".into(),
            encoder_threads: 2,
            build_plates: true,
            review_copies: true,
            rates: BTreeMap::new(),
            rates_in: String::new(),
            edl: EdlReels::Full,
            delivery: Vec::new(),
            measure: true,
            cache: "auto".into(),
            verify: false,
            look_at_all: false,
            planned_measures: None,
            media: MediaEncoding::default(),
            divider: DividerLimits::default(),
            visibility: VisibilityLimits::default(),
            camera: CameraLimits::default(),
            background: BackgroundLimits::default(),
            focus: FocusLimits::default(),
            boom: BoomLimits::default(),
        }
    }
}

impl Settings {
    /// Returns the limits of the measures.
    pub fn measure_limits(&self) -> MeasureLimits {
        MeasureLimits {
            camera: self.camera,
            background: self.background,
            focus: self.focus,
            boom: self.boom,
        }
    }

    /// Returns the folder measures are kept in; `None` if they are not. The variable
    /// `PLATESMITH_CACHE` goes before the setting and takes the same words.
    pub fn cache_folder(&self) -> Option<PathBuf> {
        if let Some(planned) = &self.planned_measures {
            return Some(planned.clone());
        }
        let told = std::env::var("PLATESMITH_CACHE").ok().filter(|word| !word.is_empty());
        match told.as_deref().unwrap_or(&self.cache) {
            "off" => None,
            "auto" => Some(dirs::cache_dir()?.join("platesmith")),
            folder => Some(PathBuf::from(folder)),
        }
    }

    /// Reads a TOML settings file.
    ///
    /// # Errors
    ///
    /// A missing file, TOML that cannot be read, an unknown key or a wrong value, with
    /// its line.
    pub fn read(path: &Path) -> Result<Settings, Faults> {
        let name = path.display().to_string();
        let settings: Settings =
            read_toml(path, "--settings", "docs/settings.toml lists every key")?;
        let faults: Vec<BadInput> = settings
            .delivery
            .iter()
            .filter_map(|delivery| {
                let place = format!("delivery \"{}\"", delivery.name);
                let (fault, remedy) = delivery.fault()?;
                Some(BadInput::new(&name, place, fault, remedy))
            })
            .chain(settings.rates.iter().filter_map(|(verdict, rate)| {
                let (fault, remedy) = rate_fault(verdict, *rate)?;
                Some(BadInput::new(&name, format!("rates, \"{verdict}\""), fault, remedy))
            }))
            .collect();
        if faults.is_empty() { Ok(settings) } else { Err(Faults(faults)) }
    }
}

/// Verdicts that cost something, as `findings.json` writes them.
const RATED: [&str; 7] = ["plate", "loop", "borrow", "still", "gather", "by-hand", "undecided"];

/// Returns what is wrong with a rate, and what to do.
fn rate_fault(verdict: &str, rate: f64) -> Option<(String, String)> {
    if !RATED.contains(&verdict) {
        return Some((
            "is no verdict that costs".into(),
            format!("write one of {}", RATED.join(", ")),
        ));
    }
    let wrong = !(rate.is_finite() && rate >= 0.0);
    wrong.then(|| (format!("{rate} is no price"), "write a number from 0".into()))
}

/// Reads a mapping file: which heading of a report stands for which key of the log.
///
/// ```text
/// [columns]
/// "Bildrolle" = "roll"
/// "Wetter" = "ignore"
/// ```
///
/// # Errors
///
/// A missing file, TOML that cannot be read, or another table than `columns`.
pub fn read_columns(path: &Path) -> Result<BTreeMap<String, String>, Faults> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Mapping {
        columns: BTreeMap<String, String>,
    }
    let remedy = "write [columns], and below it \"Heading\" = \"key of the log\"";
    read_toml(path, "--map", remedy).map(|mapping: Mapping| mapping.columns)
}

/// Reads a TOML file named after an option; `keys` says where its keys are found.
fn read_toml<T: serde::de::DeserializeOwned>(
    path: &Path,
    option: &str,
    keys: &str,
) -> Result<T, Faults> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|io| {
        let remedy = format!("check the path after {option}");
        Faults::one(&name, "", format!("cannot be read: {io}"), remedy)
    })?;
    toml::from_str(&text).map_err(|fault| {
        let line = fault.span().map_or(String::new(), |span| {
            format!("line {}", text[..span.start.min(text.len())].matches('\n').count() + 1)
        });
        let remedy = format!("correct or delete this line; {keys}");
        BadInput::new(&name, line, fault.message().replace('\n', " "), remedy).into()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_commented_file_holds_every_default() {
        let commented = include_str!("../docs/settings.toml");
        assert_eq!(toml::from_str::<Settings>(commented), Ok(Settings::default()));
        let keys = toml::Table::try_from(Settings::default()).expect("settings are a table");
        let has = |line: String| assert!(commented.contains(&line), "{line:?} is not there");
        for (key, value) in &keys {
            match value.as_table() {
                Some(table) => {
                    has(format!("\n[{key}]\n"));
                    table.keys().for_each(|key| has(format!("\n{key} = ")));
                }
                None => has(format!("\n{key} = ")),
            }
        }
    }

    #[test]
    fn every_delivery_that_cannot_be_is_named() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let file = folder.path().join("show.toml");
        let good = "[[delivery]]\nname = \"good\"\nraster = [2048, 858]\naspect = 2.39\n";
        let none = "[[delivery]]\nname = \"none\"\nraster = [0, 858]\n";
        let both = "[[delivery]]\nname = \"both\"\nraster = [20, 8]\naspect = 2\nextraction = [0, 0, 9, 9]\n";
        let flat = "[[delivery]]\nname = \"flat\"\nraster = [20, 8]\nextraction = [0, 0, 9, 0]\n";
        std::fs::write(&file, [good, none, both, flat].concat()).expect("written");
        let faults = Settings::read(&file).expect_err("three cannot be").0;
        let places: Vec<&str> = faults.iter().map(|fault| fault.place.as_str()).collect();
        assert_eq!(places, ["delivery \"none\"", "delivery \"both\"", "delivery \"flat\""]);
        std::fs::write(&file, good).expect("written");
        assert_eq!(Settings::read(&file).map(|read| read.delivery.len()), Ok(1));
    }

    #[test]
    fn an_unknown_key_is_named_with_its_line() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let file = folder.path().join("show.toml");
        std::fs::write(&file, "fade_frames = 4\nhandels_head = 8\n").expect("written");
        let faults = Settings::read(&file).expect_err("the key is misspelt").0;
        assert_eq!(faults[0].place, "line 2");
        assert!(faults[0].fault.contains("handels_head"), "{}", faults[0].fault);
    }
}
