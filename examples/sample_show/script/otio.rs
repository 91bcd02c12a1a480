//! Writes the cut in the OpenTimelineIO JSON form, as its own library writes it: the order
//! of keys, four spaces, doubles in times, no newline at the end.

use super::cut::{Item, Media, Shot, Speed, V1, length, v2};
use super::expected::Row;
use super::{Codec, Take, takes};
use serde_json::{Value, json};

/// Title of the show.
pub const TITLE: &str = "The Quillhaven Ledger, reel 2";
/// Metadata key of the invented editing program.
const HOST: &str = "spoolwright";
const CUT_RATE: f64 = 24.0;

/// The cut as text, and one row for each use.
pub fn cut() -> (String, Vec<Row>) {
    let mut rows = Vec::new();
    let video = |name: &str, items: &[Item], index: usize, rows: &mut Vec<Row>| {
        let children = items
            .iter()
            .enumerate()
            .map(|(at, one)| item(one, &format!("/tracks/children/{index}/children/{at}"), rows))
            .collect();
        track(name, "Video", children)
    };
    let tracks = vec![
        video("V1", V1, 0, &mut rows),
        video("V2", &v2(), 1, &mut rows),
        track("A1", "Audio", vec![guide_sound()]),
    ];
    let timeline = json!({
        "OTIO_SCHEMA": "Timeline.1",
        "metadata": { HOST: { "project": TITLE, "version": "4.2" } },
        "name": TITLE,
        "global_start_time": time(3600.0 * CUT_RATE, CUT_RATE),
        "tracks": composition("Stack.1", "tracks", Value::Null, tracks),
    });
    (pretty(&timeline), rows)
}

/// A timeline as the format's own library writes it.
pub fn pretty(value: &Value) -> String {
    use serde::Serialize;
    let mut out = Vec::new();
    let format = serde_json::ser::PrettyFormatter::with_indent(b"    ");
    let mut writer = serde_json::Serializer::with_formatter(&mut out, format);
    value.serialize(&mut writer).expect("JSON values can be written");
    String::from_utf8(out).expect("JSON is UTF-8")
}

fn time(value: f64, rate: f64) -> Value {
    json!({ "OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value })
}

fn range(start: f64, duration: f64, rate: f64) -> Value {
    json!({
        "OTIO_SCHEMA": "TimeRange.1",
        "duration": time(duration, rate),
        "start_time": time(start, rate),
    })
}

fn composition(schema: &str, name: &str, source_range: Value, children: Vec<Value>) -> Value {
    json!({
        "OTIO_SCHEMA": schema,
        "metadata": {},
        "name": name,
        "source_range": source_range,
        "effects": [],
        "markers": [],
        "enabled": true,
        "color": null,
        "children": children,
    })
}

fn track(name: &str, kind: &str, children: Vec<Value>) -> Value {
    let mut track = composition("Track.1", name, Value::Null, children);
    track["kind"] = json!(kind);
    track
}

fn item(item: &Item, pointer: &str, rows: &mut Vec<Row>) -> Value {
    match item {
        Item::Shot(shot) => {
            rows.push(Row { pointer: pointer.into(), clip: shot.name, expected: shot.expected });
            clip(shot, true)
        }
        Item::Disabled(shot) => clip(shot, false),
        Item::Gap(frames) => gap(*frames),
        Item::Dissolve(before, after) => json!({
            "OTIO_SCHEMA": "Transition.1",
            "metadata": {},
            "name": "dissolve",
            "in_offset": time(*before as f64, CUT_RATE),
            "out_offset": time(*after as f64, CUT_RATE),
            "transition_type": "SMPTE_Dissolve",
        }),
        Item::Nest(name, start, frames, shots) => {
            let inside = shots.iter().enumerate().map(|(at, shot)| {
                let pointer = format!("{pointer}/children/0/children/{at}");
                rows.push(Row { pointer, clip: shot.name, expected: shot.expected });
                clip(shot, true)
            });
            let inside = vec![track("V1", "Video", inside.collect())];
            composition("Stack.1", name, range(*start as f64, *frames as f64, CUT_RATE), inside)
        }
    }
}

fn gap(frames: i64) -> Value {
    json!({
        "OTIO_SCHEMA": "Gap.1",
        "metadata": {},
        "name": "",
        "source_range": range(0.0, frames as f64, CUT_RATE),
        "effects": [],
        "markers": [],
        "enabled": true,
        "color": null,
    })
}

fn clip(shot: &Shot, enabled: bool) -> Value {
    let take = takes::named(shot.clip);
    let (first, rate) = take.as_ref().map_or((MISSING_START, CUT_RATE), |take| {
        (take.start_frame(), f64::from(take.rate.0) / f64::from(take.rate.1))
    });
    let start = (first + shot.start) as f64;
    let mut markers = Vec::new();
    if let Some(name) = shot.marker {
        markers.push(json!({
            "OTIO_SCHEMA": "Marker.2",
            "metadata": {},
            "name": name,
            "color": "CYAN",
            "marked_range": range(start + 12.0, 1.0, rate),
            "comment": "",
        }));
    }
    json!({
        "OTIO_SCHEMA": "Clip.2",
        "metadata": { HOST: host_metadata(shot) },
        "name": shot.name,
        "source_range": range(start, shot.length as f64, rate),
        "effects": effects(shot.speed),
        "markers": markers,
        "enabled": enabled,
        "color": null,
        "media_references": { "DEFAULT_MEDIA": reference(shot, take.as_ref(), rate) },
        "active_media_reference_key": "DEFAULT_MEDIA",
    })
}

/// Start of the take whose media are lost: 18:10:00:00.
pub const MISSING_START: i64 = (18 * 60 + 10) * 60 * 24;

fn host_metadata(shot: &Shot) -> Value {
    let mut kept = serde_json::Map::new();
    let [scene, slate, number] = shot.slate;
    kept.insert("bin".into(), json!(if scene.is_empty() { "inserts" } else { "selects" }));
    if shot.names_clip {
        kept.insert("clip".into(), json!(shot.clip));
        kept.insert("reel".into(), json!(&shot.clip[..4]));
    }
    if !scene.is_empty() {
        kept.insert("scene".into(), json!(scene));
        kept.insert("slate".into(), json!(slate));
        kept.insert("take".into(), json!(number));
    }
    Value::Object(kept)
}

fn effects(speed: Speed) -> Vec<Value> {
    let effect = |schema: &str, scalar: f64| {
        vec![json!({
            "OTIO_SCHEMA": schema,
            "metadata": {},
            "name": "",
            "effect_name": schema.split('.').next(),
            "enabled": true,
            "time_scalar": scalar,
        })]
    };
    match speed {
        Speed::Normal => Vec::new(),
        Speed::Warp(scalar) => effect("LinearTimeWarp.1", scalar),
        Speed::Freeze => effect("FreezeFrame.1", 0.0),
    }
}

fn reference(shot: &Shot, take: Option<&Take>, rate: f64) -> Value {
    let missing = |available: Value| {
        json!({
            "OTIO_SCHEMA": "MissingReference.1",
            "metadata": {},
            "name": shot.clip,
            "available_range": available,
            "available_image_bounds": null,
        })
    };
    let Some(take) = take.filter(|_| shot.media == Media::File) else {
        return missing(Value::Null);
    };
    let available = range(take.start_frame() as f64, take.frames as f64, rate);
    if take.codec == Codec::Dpx {
        return json!({
            "OTIO_SCHEMA": "ImageSequenceReference.1",
            "metadata": {},
            "name": take.clip,
            "available_range": available,
            "available_image_bounds": null,
            "target_url_base": format!("media/{}/", take.file),
            "name_prefix": format!("{}.", take.clip),
            "name_suffix": ".dpx",
            "start_frame": take.start_frame(),
            "frame_step": 1,
            "rate": rate,
            "frame_zero_padding": 7,
            "missing_frame_policy": "error",
        });
    }
    json!({
        "OTIO_SCHEMA": "ExternalReference.1",
        "metadata": {},
        "name": take.file,
        "available_range": available,
        "available_image_bounds": null,
        "target_url": format!("media/{}", take.file),
    })
}

/// Cut frames of video track 1.
pub fn cut_frames() -> i64 {
    V1.iter().map(length).sum()
}

fn guide_sound() -> Value {
    let frames = cut_frames() as f64;
    json!({
        "OTIO_SCHEMA": "Clip.2",
        "metadata": {},
        "name": "guide mix",
        "source_range": range(0.0, frames, CUT_RATE),
        "effects": [],
        "markers": [],
        "enabled": true,
        "color": null,
        "media_references": { "DEFAULT_MEDIA": {
            "OTIO_SCHEMA": "ExternalReference.1",
            "metadata": {},
            "name": "guide.wav",
            "available_range": range(0.0, frames, CUT_RATE),
            "available_image_bounds": null,
            "target_url": "media/guide.wav",
        } },
        "active_media_reference_key": "DEFAULT_MEDIA",
    })
}
