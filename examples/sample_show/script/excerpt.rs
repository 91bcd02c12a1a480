//! Three shots of the cut as a cut of their own, and the same after a change: small enough to
//! show a whole day's work on.

use super::otio;
use serde_json::{Value, json};

/// The clips of the excerpt, in its order.
const CLIPS: [&str; 3] = ["13-32-4", "12-43-1", "18-53-1"];

/// The excerpt as first locked.
pub fn locked() -> String {
    otio::pretty(&excerpt(|_| true, |_, _| ()))
}

/// The excerpt a day later: the first shot begins six frames later and ends four later, the
/// second is as it was, the third is gone.
pub fn recut() -> String {
    let changed = |name: &str, range: &mut Value| {
        if name == CLIPS[0] {
            add(&mut range["start_time"]["value"], 6.0);
            add(&mut range["duration"]["value"], -2.0);
        }
    };
    otio::pretty(&excerpt(|name| name != CLIPS[2], changed))
}

fn add(value: &mut Value, frames: f64) {
    *value = json!(value.as_f64().unwrap_or_default() + frames);
}

fn excerpt(kept: impl Fn(&str) -> bool, change: impl Fn(&str, &mut Value)) -> Value {
    let mut cut: Value = serde_json::from_str(&otio::cut().0).expect("it was just written");
    let tracks = cut["tracks"]["children"].as_array_mut().expect("tracks");
    tracks.truncate(1);
    let clips = tracks[0]["children"].as_array_mut().expect("clips");
    let taken = CLIPS.iter().filter(|name| kept(name)).map(|name| {
        let mut clip = clips.iter().find(|clip| clip["name"] == **name).expect("a clip").clone();
        change(name, &mut clip["source_range"]);
        clip
    });
    let taken: Vec<Value> = taken.collect();
    *clips = taken;
    cut["name"] = json!("The Quillhaven Ledger, three shots");
    cut
}
