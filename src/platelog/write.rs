//! Records written as a log again, in our own column order, without loss.

use super::{KEYS, PlateNote, Record, SCHEMA, Serves, cells};
use serde_json::{Map, Value, json};

/// Writes records as a JSON log; origins included.
pub fn write_json(records: &[Record]) -> String {
    let records: Vec<Value> = records.iter().map(record_value).collect();
    let log = json!({ "schema": SCHEMA, "records": records });
    // Alternate form: indented, as people read these files too.
    format!("{log:#}\n")
}

fn record_value(record: &Record) -> Value {
    let mut members = Map::new();
    let mut put = |key: &str, value: Option<Value>| {
        if let Some(value) = value {
            members.insert(key.to_string(), value);
        }
    };
    for key in KEYS {
        put(key, value_of(record, key));
    }
    if !record.origin.is_empty() {
        put("origin", Some(json!(record.origin)));
    }
    Value::Object(members)
}

/// Returns the value of a key as JSON, if the record has one.
pub(super) fn value_of(record: &Record, key: &str) -> Option<Value> {
    fn listed<T>(items: &[T], one: impl Fn(&T) -> Value) -> Option<Value> {
        (!items.is_empty()).then(|| Value::Array(items.iter().map(one).collect()))
    }
    match key {
        "rate" => record.rate.map(|rate| json!(rate)),
        "start" => record.start.as_ref().map(|point| json!(point)),
        "end" => record.end.as_ref().map(|point| json!(point)),
        "lock_off" => listed(&record.lock_off, |range| json!(range)),
        "plates" => listed(&record.plates, plate_value),
        "serves" => match &record.serves {
            Serves::Itself => None,
            Serves::All => Some(json!("all")),
            Serves::Takes(takes) => Some(json!(takes)),
        },
        "boom" if record.no_boom && record.boom.is_empty() => Some(json!("none")),
        "boom" => listed(&record.boom, |range| json!(range)),
        "region" => listed(&record.region, |corner| json!(corner)),
        "capture" => record.capture.map(|capture| json!(capture)),
        "unusable" => listed(&record.unusable, |unusable| json!(unusable)),
        "tolerance" => record.tolerance.map(|frames| json!(frames)),
        "report" => record.report.map(|report| json!(report.word())),
        _ => text_of(record, key).map(|text| json!(text)),
    }
}

fn plate_value(plate: &PlateNote) -> Value {
    match plate {
        PlateNote {
            kind: None,
            range: Some(range),
            seconds: None,
            clip: None,
            roll: None,
            good: true,
            tolerance: None,
        } => {
            json!(range)
        }
        _ => json!(plate),
    }
}

/// Returns the value of a key that holds plain text.
pub(super) fn text_of<'r>(record: &'r Record, key: &str) -> Option<&'r str> {
    let value = match key {
        "id" => &record.id,
        "scene" => &record.scene,
        "slate" => &record.slate,
        "take" => &record.take,
        "camera" => &record.camera,
        "roll" => &record.roll,
        "clip" => &record.clip,
        "media" => &record.media,
        "date" => &record.date,
        "remarks" => &record.remarks,
        "agreed_by" => &record.agreed_by,
        _ => return None,
    };
    value.as_deref()
}

/// Writes records as a CSV log: comma, UTF-8, CRLF (RFC 4180), one column for each key.
///
/// Origins have no column: a table's rows are their own places.
pub fn write_csv(records: &[Record]) -> String {
    let mut text = KEYS.join(",");
    text.push_str("\r\n");
    for record in records {
        let row: Vec<String> = KEYS.iter().map(|key| cell(&cell_of(record, key))).collect();
        text.push_str(&row.join(","));
        text.push_str("\r\n");
    }
    text
}

fn cell(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r', ';', '\t']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_string()
    }
}

fn cell_of(record: &Record, key: &str) -> String {
    fn joined<T>(items: &[T], one: impl Fn(&T) -> String) -> String {
        items.iter().map(one).collect::<Vec<_>>().join(" | ")
    }
    match key {
        "rate" => record.rate.map_or(String::new(), |rate| rate.to_string()),
        "start" => record.start.clone().map_or(String::new(), String::from),
        "end" => record.end.clone().map_or(String::new(), String::from),
        "lock_off" => joined(&record.lock_off, cells::range_text),
        "plates" => joined(&record.plates, cells::plate_text),
        "serves" => cells::serves_text(&record.serves),
        "boom" if record.no_boom && record.boom.is_empty() => "none".into(),
        "boom" => joined(&record.boom, cells::range_text),
        "region" => cells::region_text(&record.region),
        "capture" => record.capture.map_or(String::new(), |(w, h)| format!("{w}x{h}")),
        "unusable" => joined(&record.unusable, cells::unusable_text),
        "tolerance" => record.tolerance.map_or(String::new(), |frames| frames.to_string()),
        "report" => record.report.map_or(String::new(), |report| report.word().to_string()),
        _ => text_of(record, key).unwrap_or_default().to_string(),
    }
}
