//! JSON schemas of what the program writes and reads, made from the types and held against `docs/`.
//!
//! Descriptions are the types' own doc comments. After a change of a type:
//!
//! ```text
//! PLATESMITH_RENEW=1 cargo test --lib schemas
//! ```

use crate::findings::{Findings, Verdict};
use crate::inspection::Inspection;
use crate::platelog::{self, PlateNote, Point, PointRange, Record, ServedTake};
use crate::time::{FrameRange, Rate};
use schemars::generate::{Contract, SchemaSettings};
use schemars::transform::{RecursiveTransform, Transform};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value, json};
use std::borrow::Cow;
use std::path::Path;

impl JsonSchema for FrameRange {
    fn schema_name() -> Cow<'static, str> {
        "FrameRange".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "[first, end): the end is the frame after the last.",
            "type": "array",
            "items": { "type": "integer" },
            "minItems": 2,
            "maxItems": 2,
        })
    }
}

impl JsonSchema for Rate {
    fn schema_name() -> Cow<'static, str> {
        "Rate".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "Frames a second as a fraction: 24 or 24000/1001.",
            "type": "string",
            "pattern": "^[1-9][0-9]*(/[1-9][0-9]*)?$",
        })
    }
}

/// Every verdict is counted, and all uses.
pub(crate) fn totals(generator: &mut SchemaGenerator) -> Schema {
    let words = Verdict::ALL.iter().map(|verdict| verdict.word());
    let names: Vec<&str> = ["uses"].into_iter().chain(words).collect();
    let count = generator.subschema_for::<usize>();
    let counts: Map<String, Value> =
        names.iter().map(|name| (name.to_string(), json!(count))).collect();
    json_schema!({ "type": "object", "required": names, "properties": counts })
}

/// A verdict that costs something has a rate.
pub(crate) fn rates(_: &mut SchemaGenerator) -> Schema {
    let costs = |verdict: &&Verdict| {
        !matches!(verdict, Verdict::Clear | Verdict::Unlisted | Verdict::Covered)
    };
    let rate = json!({ "type": "number", "minimum": 0 });
    let rates: Map<String, Value> = Verdict::ALL
        .iter()
        .filter(costs)
        .map(|verdict| (verdict.word().to_string(), rate.clone()))
        .collect();
    json_schema!({ "type": "object", "additionalProperties": false, "properties": rates })
}

/// A text of a log; numbers are taken for texts.
pub(crate) struct LogText;

impl JsonSchema for LogText {
    fn schema_name() -> Cow<'static, str> {
        "Text".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": ["string", "integer"] })
    }
}

impl JsonSchema for Point {
    fn schema_name() -> Cow<'static, str> {
        "Point".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A timecode, or # and a 0-based file frame.",
            "type": "string",
            "pattern": "^(#[0-9]+|[0-9]{1,3}[:;.,][0-9]{1,3}[:;.,][0-9]{1,3}[:;.,][0-9]{1,3}(\\.[0-9])?)$",
        })
    }
}

impl JsonSchema for PointRange {
    fn schema_name() -> Cow<'static, str> {
        "Range".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let point = generator.subschema_for::<Point>();
        json_schema!({
            "description": "In and out point; the out point is exclusive unless a setting says otherwise.",
            "type": "array",
            "items": point,
            "minItems": 2,
            "maxItems": 2,
        })
    }
}

/// A rate as a text or a number.
pub(crate) fn log_rate(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": ["string", "number"] })
}

/// Plates as bare ranges or with what else is known of them.
pub(crate) fn log_plates(generator: &mut SchemaGenerator) -> Schema {
    let range = generator.subschema_for::<PointRange>();
    let plate = generator.subschema_for::<PlateNote>();
    json_schema!({ "type": "array", "items": { "oneOf": [range, plate] } })
}

/// `all`, or a list of takes.
pub(crate) fn log_serves(generator: &mut SchemaGenerator) -> Schema {
    let mut take = ServedTake::json_schema(generator);
    take.insert("minProperties".into(), 1.into());
    json_schema!({ "oneOf": [{ "const": "all" }, { "type": "array", "items": take }] })
}

/// Boom spans, or the word for none.
pub(crate) fn log_boom(generator: &mut SchemaGenerator) -> Schema {
    let range = generator.subschema_for::<PointRange>();
    json_schema!({
        "oneOf": [{ "const": "none" }, { "type": "array", "items": range }],
    })
}

/// A plate log as a file.
#[allow(dead_code, reason = "only its shape is used")]
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Log {
    /// The version of this layout.
    #[schemars(extend("const" = platelog::SCHEMA))]
    schema: String,
    /// One record for each take of each camera; every field may be absent.
    records: Vec<Record>,
}

/// Of records, plates and takes every field may be absent.
fn all_may_be_absent(schema: &mut Schema) {
    let properties = schema.get("properties").and_then(Value::as_object);
    let has = |key: &str| properties.is_some_and(|properties| properties.contains_key(key));
    if has("roll") || has("slate") {
        schema.remove("required");
    }
}

/// Leaves out what JSON Schema's vocabulary does not know, how wide a number is in memory, and
/// how source code breaks and links its comments.
fn for_readers(schema: &mut Schema) {
    schema.remove("format");
    if let Some(Value::String(text)) = schema.get_mut("description") {
        *text = text.replace('\n', " ").replace("[`", "`").replace("`]", "`");
    }
}

/// Makes the schema of a type as it is written or read.
fn schema_of<T: JsonSchema>(contract: Contract, title: &str, description: &str) -> String {
    let mut settings = SchemaSettings::draft2020_12();
    let is_read = contract.is_deserialize();
    settings.contract = contract;
    let mut schema = settings.into_generator().into_root_schema_for::<T>();
    RecursiveTransform(for_readers).transform(&mut schema);
    if is_read {
        RecursiveTransform(all_may_be_absent).transform(&mut schema);
    }
    let heading = ["$schema", "title", "description"];
    let mut members = Map::new();
    members.insert(heading[0].into(), schema.remove(heading[0]).unwrap_or_default());
    members.insert(heading[1].into(), title.into());
    members.insert(heading[2].into(), description.into());
    let rest = schema.as_object().into_iter().flatten();
    let rest = rest.filter(|(key, _)| !heading.contains(&key.as_str()));
    members.extend(rest.map(|(key, value)| (key.clone(), value.clone())));
    format!("{:#}\n", Value::Object(members))
}

fn holds(file: &str, schema: String) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs").join(file);
    if std::env::var_os("PLATESMITH_RENEW").is_some() {
        std::fs::write(&path, &schema).expect("written");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == schema, "{file} is not that of the types: PLATESMITH_RENEW=1 renews it");
}

#[test]
fn the_schema_of_findings_is_that_of_the_types() {
    let description = "What was found out about every use of a cut. Ranges are half-open; \
        _in_take, _in_file and _in_cut name the clock. Readers ignore keys they do not know.";
    holds(
        "findings.schema.json",
        schema_of::<Findings>(Contract::Serialize, "findings.json", description),
    );
}

#[test]
fn the_schema_of_an_inspection_is_that_of_the_types() {
    let description = "What `inspect --json` prints for one take; for a folder, a list of these. \
        Ranges are half-open file frames, those of reasons take frames. Readers ignore keys they \
        do not know.";
    holds(
        "inspection.schema.json",
        schema_of::<Inspection>(Contract::Serialize, "inspection", description),
    );
}

#[test]
fn the_schema_of_a_plate_log_is_that_of_the_types() {
    let description = "What was noted on set about takes with a boom in frame. Every field of a \
        record may be absent.";
    holds(
        "platelog.schema.json",
        schema_of::<Log>(Contract::Deserialize, "Plate log", description),
    );
}
