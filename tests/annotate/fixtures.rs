//! Invented cuts in the layouts and dialects that occur.

use serde_json::{Value, json};

fn time(value: Value, rate: &Value) -> Value {
    json!({"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value})
}

/// What a fixture is made of.
#[derive(Clone)]
pub struct Recipe {
    pub clip: &'static str,
    pub track: &'static str,
    pub gap: &'static str,
    pub rate: Value,
    /// Values with a point.
    pub pointed: bool,
    /// What stands as `markers`; `None` leaves the member out.
    pub markers: Option<Value>,
    pub url: fn(usize) -> String,
    pub clips: usize,
}

impl Recipe {
    pub fn modern() -> Recipe {
        Recipe {
            clip: "Clip.2",
            track: "Track.1",
            gap: "Gap.1",
            rate: json!(24.0),
            pointed: true,
            markers: Some(json!([])),
            url: |at| format!("file:///media/A014C{at:03}.mov"),
            clips: 10,
        }
    }

    pub fn legacy() -> Recipe {
        Recipe {
            clip: "Clip.1",
            track: "Sequence.1",
            gap: "Filler.1",
            rate: json!(24),
            pointed: false,
            markers: None,
            ..Recipe::modern()
        }
    }

    fn range(&self, start: i64, length: i64) -> Value {
        let number = |value: i64| if self.pointed { json!(value as f64) } else { json!(value) };
        json!({
            "OTIO_SCHEMA": "TimeRange.1",
            "duration": time(number(length), &self.rate),
            "start_time": time(number(start), &self.rate),
        })
    }

    fn item(&self, schema: &str, name: &str, start: i64, length: i64) -> Value {
        let mut item = json!({
            "OTIO_SCHEMA": schema,
            "host_field": {"b": 1, "a": [1.50, 2e3]},
            "metadata": {"host": {"reel": "A014", "empty": {}, "none": null}},
            "name": name,
            "source_range": self.range(start, length),
            "effects": [],
        });
        if let Some(markers) = &self.markers {
            item["markers"] = markers.clone();
        }
        item
    }

    fn clip(&self, at: usize) -> Value {
        let start = 86_400 + 100 * at as i64;
        let mut clip = self.item(self.clip, &format!("Clip {at}"), start, 24 + at as i64 % 7);
        let reference = json!({
            "OTIO_SCHEMA": "ExternalReference.1",
            "metadata": {},
            "name": null,
            "available_range": self.range(start - 20, 400),
            "target_url": (self.url)(at),
        });
        if self.clip == "Clip.1" {
            clip["media_reference"] = reference;
        } else {
            clip["media_references"] = json!({"DEFAULT_MEDIA": reference});
            clip["active_media_reference_key"] = "DEFAULT_MEDIA".into();
        }
        clip
    }

    fn transition(&self) -> Value {
        let offset = |value: i64| {
            time(if self.pointed { json!(value as f64) } else { json!(value) }, &self.rate)
        };
        json!({
            "OTIO_SCHEMA": "Transition.1", "metadata": {}, "name": "",
            "in_offset": offset(4), "out_offset": offset(5),
            "transition_type": "SMPTE_Dissolve",
        })
    }

    fn track(&self, name: &str, kind: &str, children: Vec<Value>) -> Value {
        let mut track = json!({
            "OTIO_SCHEMA": self.track, "metadata": {}, "name": name, "source_range": null,
            "effects": [],
        });
        if let Some(markers) = &self.markers {
            track["markers"] = markers.clone();
        }
        track["children"] = children.into();
        track["kind"] = kind.into();
        track
    }

    /// Two video tracks, the second over parts of the first, and audio around them.
    pub fn cut(&self) -> Value {
        let mut lower = Vec::new();
        for at in 0..self.clips {
            if at % 4 == 2 {
                lower.push(self.transition());
            }
            lower.push(self.clip(at));
            if at % 5 == 4 {
                lower.push(self.item(self.gap, "", 0, 12));
            }
        }
        let upper =
            vec![self.item(self.gap, "", 0, 30), self.clip(self.clips), self.clip(self.clips + 1)];
        let sound = vec![self.clip(self.clips + 2)];
        let mut stack = json!({
            "OTIO_SCHEMA": "Stack.1", "metadata": {}, "name": "tracks", "source_range": null,
            "effects": [],
        });
        if let Some(markers) = &self.markers {
            stack["markers"] = markers.clone();
        }
        stack["children"] = json!([
            self.track("A1", "Audio", sound.clone()),
            self.track("V1", "Video", lower),
            self.track("V2", "Video", upper),
            self.track("A2", "Audio", sound),
        ]);
        json!({
            "OTIO_SCHEMA": "Timeline.1",
            "metadata": {"host": {"version": "1"}},
            "name": "Reel 1",
            "global_start_time": time(if self.pointed { json!(86400.0) } else { json!(86400) },
                &self.rate),
            "tracks": stack,
        })
    }
}

/// Writes a value with an indent; an empty one writes it on one line.
pub fn text(value: &Value, indent: &str) -> String {
    if indent.is_empty() {
        return value.to_string();
    }
    use serde::Serialize;
    let mut out = Vec::new();
    let layout = serde_json::ser::PrettyFormatter::with_indent(indent.as_bytes());
    value.serialize(&mut serde_json::Serializer::with_formatter(&mut out, layout)).expect("json");
    String::from_utf8(out).expect("text")
}

/// A foreign marker of a cut.
pub fn marker(schema: &str) -> Value {
    let key = if schema == "Marker.1" { "range" } else { "marked_range" };
    let colour = if schema == "Marker.3" {
        json!({"OTIO_SCHEMA": "Color.1", "name": "RED", "r": 1.0, "g": 0.0, "b": 0.0, "a": 1.0})
    } else {
        json!("RED")
    };
    json!({
        "OTIO_SCHEMA": schema, "metadata": {"host": {}}, "name": "look here", "color": colour,
        key: {
            "OTIO_SCHEMA": "TimeRange.1",
            "duration": time(json!(1.0), &json!(24.0)),
            "start_time": time(json!(86_405.0), &json!(24.0)),
        },
    })
}

/// Cuts in every layout and dialect, with a name for messages.
pub fn all() -> Vec<(String, Vec<u8>)> {
    let modern = Recipe::modern();
    let with_markers = |markers: Option<Value>| Recipe { markers, ..Recipe::modern() };
    let recipes = [
        ("modern", modern.clone()),
        ("no markers", with_markers(None)),
        ("null markers", with_markers(Some(Value::Null))),
        ("marker 2", with_markers(Some(json!([marker("Marker.2")])))),
        ("marker 3", with_markers(Some(json!([marker("Marker.3"), marker("Marker.3")])))),
        ("legacy", Recipe::legacy()),
        (
            "legacy marker 1",
            Recipe { markers: Some(json!([marker("Marker.1")])), ..Recipe::legacy() },
        ),
        ("clip 1", Recipe { clip: "Clip.1", ..modern.clone() }),
        ("23.976", Recipe { rate: json!(23.976), ..modern.clone() }),
        ("1001", Recipe { rate: json!(23.97602397602397), ..modern.clone() }),
        ("whole numbers", Recipe { rate: json!(25), pointed: false, ..modern.clone() }),
        ("relative", Recipe { url: |at| format!("media/a {at}.mov"), ..modern.clone() }),
        ("plain", Recipe { url: |at| format!("/media/a {at}.mov"), ..modern.clone() }),
    ];
    let mut all = Vec::new();
    for (name, recipe) in recipes {
        let cut = recipe.cut();
        for (layout, indent) in
            [("4 spaces", "    "), ("2 spaces", "  "), ("tab", "\t"), ("line", "")]
        {
            all.push((format!("{name}, {layout}"), text(&cut, indent).into_bytes()));
        }
        let crlf = text(&cut, "  ").replace('\n', "\r\n") + "\r\n";
        all.push((format!("{name}, CRLF"), crlf.into_bytes()));
        let wide = text(&cut, "    ").replace("[]", "[ ]").replace("{}", "{\n}");
        all.push((format!("{name}, wide"), wide.into_bytes()));
    }
    let nan = text(&modern.cut(), "    ").replace("2000.0", "NaN").replace("1.5", "-Infinity");
    all.push(("no JSON numbers".into(), nan.into_bytes()));
    let bin = json!({
        "OTIO_SCHEMA": "SerializableCollection.1", "metadata": {}, "name": "bin",
        "children": [modern.clip(99), modern.cut()],
    });
    all.push(("a timeline in a bin".into(), text(&bin, "    ").into_bytes()));
    all
}
