//! JSON schemas of what the program writes, made from the types and held against `docs/`.
//!
//! Descriptions are the types' own doc comments. After a change of a type:
//!
//! ```text
//! PLATESMITH_RENEW=1 cargo test --lib schemas
//! ```

use crate::findings::{Findings, Verdict};
use crate::inspection::Inspection;
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

/// Leaves out what JSON Schema's vocabulary does not know, how wide a number is in memory, and
/// how source code breaks and links its comments.
fn for_readers(schema: &mut Schema) {
    schema.remove("format");
    if let Some(Value::String(text)) = schema.get_mut("description") {
        *text = text.replace('\n', " ").replace("[`", "`").replace("`]", "`");
    }
}

/// Makes the schema of what is written of a type.
fn schema_of<T: JsonSchema>(title: &str, description: &str) -> String {
    let mut settings = SchemaSettings::draft2020_12();
    settings.contract = Contract::Serialize;
    let mut schema = settings.into_generator().into_root_schema_for::<T>();
    RecursiveTransform(for_readers).transform(&mut schema);
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
    holds("findings.schema.json", schema_of::<Findings>("findings.json", description));
}

#[test]
fn the_schema_of_an_inspection_is_that_of_the_types() {
    let description = "What `inspect --json` prints for one take; for a folder, a list of these. \
        Ranges are half-open file frames, those of reasons take frames. Readers ignore keys they \
        do not know.";
    holds("inspection.schema.json", schema_of::<Inspection>("inspection", description));
}
