//! One record of the plate log, every field optional.

use super::Origins;
use crate::time::Rate;
use serde::{Deserialize, Serialize};

/// A point in time as noted: a timecode label, or a file frame.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Point {
    /// A label such as `10:12:08:00` or `00:59:58;20`.
    Timecode(String),
    /// `#N`: a 0-based frame of the file.
    FileFrame(i64),
}

impl TryFrom<String> for Point {
    type Error = String;
    fn try_from(text: String) -> Result<Point, String> {
        match text.trim().strip_prefix('#') {
            Some(number) => {
                number.trim().parse().map(Point::FileFrame).map_err(|_| {
                    format!("\"{text}\" is not a file frame: write # and a whole number")
                })
            }
            None => Ok(Point::Timecode(text.trim().to_string())),
        }
    }
}

impl From<Point> for String {
    fn from(point: Point) -> String {
        match point {
            Point::Timecode(label) => label,
            Point::FileFrame(number) => format!("#{number}"),
        }
    }
}

/// A noted range: in and out points as written (what an out point means is a setting).
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(from = "(Point, Point)", into = "(Point, Point)")]
pub struct PointRange {
    /// In point.
    pub start: Point,
    /// Out point.
    pub end: Point,
}

impl From<(Point, Point)> for PointRange {
    fn from((start, end): (Point, Point)) -> Self {
        Self { start, end }
    }
}

impl From<PointRange> for (Point, Point) {
    fn from(range: PointRange) -> Self {
        (range.start, range.end)
    }
}

/// Where in a take a plate was rolled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum PlateKind {
    /// Before the action.
    Head,
    /// After the action.
    Tail,
    /// In a take of its own.
    Take,
}

/// One plate as noted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct PlateNote {
    /// Head, tail, or a take of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "PlateKind"))]
    pub kind: Option<PlateKind>,
    /// Its range, if times were noted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "PointRange"))]
    pub range: Option<PointRange>,
    /// Its length in seconds, if only that was noted: a search hint for the pixels.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "f64", extend("exclusiveMinimum" = 0)))]
    pub seconds: Option<f64>,
    /// Camera clip of a plate take.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub clip: Option<String>,
    /// Roll of a plate take.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub roll: Option<String>,
    /// False if it was marked no good.
    #[cfg_attr(test, schemars(extend("default" = true)))]
    pub good: bool,
    /// Frames its times may be off, if a hand on a button marked them: such times never
    /// bound a plate, they tell the pixels where to look.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "u32"))]
    pub tolerance: Option<u32>,
}

impl PlateNote {
    /// A good plate of which nothing else is known.
    pub const BARE: PlateNote = PlateNote {
        kind: None,
        range: None,
        seconds: None,
        clip: None,
        roll: None,
        good: true,
        tolerance: None,
    };
}

/// What kind of report a record was read from, if not from a plate log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Report {
    /// Sound files or a sound report: roll, media and times are the recorder's.
    Sound,
    /// A camera report.
    Camera,
    /// A script supervisor's log.
    Script,
}

impl Report {
    /// Reads the word for it.
    pub fn parse(word: &str) -> Option<Report> {
        let kinds = [Report::Sound, Report::Camera, Report::Script];
        kinds.into_iter().find(|kind| kind.word().eq_ignore_ascii_case(word.trim()))
    }

    /// The word for it in logs.
    pub fn word(self) -> &'static str {
        match self {
            Report::Sound => "sound",
            Report::Camera => "camera",
            Report::Script => "script",
        }
    }
}

/// Frames marked unusable, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct Unusable {
    /// The frames.
    pub range: PointRange,
    /// The reason given.
    #[serde(default)]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub why: String,
}

/// Which takes a plate take serves.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Serves {
    /// Only itself.
    #[default]
    Itself,
    /// Every take of its set-up.
    All,
    /// The takes named by scene, slate and take, each optional.
    Takes(Vec<ServedTake>),
}

/// One take a plate take serves.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
#[allow(missing_docs, reason = "headings of the plate log")]
pub struct ServedTake {
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub scene: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub slate: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub take: Option<String>,
}

/// One record: what was noted about one take of one camera. Every field may be absent.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct Record {
    /// Unique id of the recording (file UID or UMID), if noted.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub id: Option<String>,
    /// Scene.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub scene: Option<String>,
    /// Slate or set-up.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub slate: Option<String>,
    /// Take as written: `01`.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub take: Option<String>,
    /// Camera letter.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub camera: Option<String>,
    /// Camera roll.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub roll: Option<String>,
    /// Camera clip name.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub clip: Option<String>,
    /// Media file name.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub media: Option<String>,
    /// Date as written.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub date: Option<String>,
    /// Rate of the take clock: 24, "23.976" or "24000/1001".
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::log_rate"))]
    pub rate: Option<Rate>,
    /// First frame of the take.
    #[cfg_attr(test, schemars(with = "Point"))]
    pub start: Option<Point>,
    /// Out point of the take.
    #[cfg_attr(test, schemars(with = "Point"))]
    pub end: Option<Point>,
    /// Lock-offs.
    pub lock_off: Vec<PointRange>,
    /// Plates.
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::log_plates"))]
    pub plates: Vec<PlateNote>,
    /// Takes a plate take serves.
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::log_serves"))]
    pub serves: Serves,
    /// Boom spans; in files "none" if no boom was ever in frame. Empty if nobody noted them.
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::log_boom"))]
    pub boom: Vec<PointRange>,
    /// True if the log says no boom was ever in frame.
    #[cfg_attr(test, schemars(skip))]
    pub no_boom: bool,
    /// Where the boom is, as a polygon in shares of width and height.
    #[cfg_attr(test, schemars(length(min = 3), inner(inner(range(min = 0, max = 1)))))]
    pub region: Vec<[f64; 2]>,
    /// Captured raster.
    #[cfg_attr(test, schemars(with = "[u32; 2]", inner(range(min = 1))))]
    pub capture: Option<(u32, u32)>,
    /// Frames not to be used.
    pub unusable: Vec<Unusable>,
    /// Remarks.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub remarks: Option<String>,
    /// Who agreed that the boom enters frame.
    #[cfg_attr(test, schemars(with = "crate::schemas::LogText"))]
    pub agreed_by: Option<String>,
    /// Tolerance of its times in frames.
    #[cfg_attr(test, schemars(with = "u32"))]
    pub tolerance: Option<u32>,
    /// The kind of report it was read from; none for a plate log.
    #[cfg_attr(test, schemars(with = "Report"))]
    pub report: Option<Report>,
    /// For each key, the file and place it was read from.
    #[cfg_attr(test, schemars(with = "std::collections::BTreeMap<String, String>"))]
    pub origin: Origins,
}

impl Record {
    /// Tells whether the record says anything about plates, boom or lock-off. Records of
    /// reports that do not are no reason to look at a take.
    pub fn lists(&self) -> bool {
        self.report.is_none()
            || !self.plates.is_empty()
            || !self.boom.is_empty()
            || !self.lock_off.is_empty()
            || !self.unusable.is_empty()
            || !self.region.is_empty()
            || self.no_boom
            || self.serves != Serves::Itself
    }

    /// Returns where the record begins in its log: file and place.
    pub fn place(&self) -> &str {
        self.origin.get("record").map_or("", |place| place)
    }
}
