//! Writes down what is true of every frame of a take, as JSON. Boxes are `[x0, y0, x1, y1]`
//! in pixels, ends exclusive; shapes are tapered capsules `[x1, y1, r1, x2, y2, r2]`.

use crate::picture::plane::{Bounds, Capsule};
use crate::picture::stage::FrameTruth;
use crate::script::Take;
use serde_json::{Value, json};

/// Rounds for the page; the fourth decimal of a pixel shows nowhere.
fn short(value: f32) -> Value {
    json!((f64::from(value) * 10_000.0).round() / 10_000.0)
}

fn bounds(bounds: Bounds) -> Value {
    if bounds.is_empty() {
        return Value::Null;
    }
    json!([bounds.x0, bounds.y0, bounds.x1, bounds.y1])
}

fn capsule(shape: &Capsule) -> Value {
    let tenth = |value: f32| json!((f64::from(value) * 10.0).round() / 10.0);
    let values = [shape.a.0, shape.a.1, shape.ra, shape.b.0, shape.b.1, shape.rb];
    Value::Array(values.into_iter().map(tenth).collect())
}

fn frame(index: usize, truth: &FrameTruth) -> Value {
    let boom = truth.boom.as_ref().map(|boom| {
        json!({
            "box": bounds(boom.core),
            "changed_box": bounds(boom.changed),
            "shapes": boom.shapes.iter().map(capsule).collect::<Vec<_>>(),
            "shadow_offset": [short(boom.shadow.0), short(boom.shadow.1)],
            "shadow_soft_px": short(boom.shadow.2),
        })
    });
    let actors: Vec<Value> = truth
        .actors
        .iter()
        .map(|(seen, shadow, shapes)| {
            let shapes: Vec<Value> = shapes.iter().map(capsule).collect();
            json!({ "box": bounds(*seen), "shadow_box": bounds(*shadow), "shapes": shapes })
        })
        .collect();
    let passing: Vec<Value> = truth
        .passing
        .iter()
        .map(|(what, seen)| json!({ "what": what, "box": bounds(*seen) }))
        .collect();
    json!({
        "frame": index,
        "shift_px": [short(truth.view.dx), short(truth.view.dy)],
        "rotation_rad": f64::from(truth.view.turn),
        "scale": f64::from(truth.view.scale),
        "gain": short(truth.light.gain),
        "gain_plane": [short(truth.light.across), short(truth.light.down)],
        "wall_blur_px": short(truth.wall_blur),
        "boom": boom,
        "actors": actors,
        "passing": passing,
    })
}

/// Runs of frames in which the boom shows.
fn boom_runs(frames: &[FrameTruth]) -> Vec<[usize; 2]> {
    let mut runs: Vec<[usize; 2]> = Vec::new();
    let holds = |index: &usize| frames[*index].boom.is_some();
    for index in (0..frames.len()).filter(holds) {
        match runs.last_mut() {
            Some(run) if run[1] == index => run[1] = index + 1,
            _ => runs.push([index, index + 1]),
        }
    }
    runs
}

/// The page for one take. `moving` is where leaves move; `stamp` tells later runs that
/// nothing has to be rendered again.
pub fn page(take: &Take, frames: &[FrameTruth], moving: Bounds, stamp: (&str, u64)) -> String {
    let mut union = Bounds::EMPTY;
    frames.iter().filter_map(|frame| frame.boom.as_ref()).for_each(|boom| union.join(boom.changed));
    let head = json!({
        "schema": "quillhaven.truth/1",
        "convention": "file frames, ends exclusive; boxes x0,y0,x1,y1, ends exclusive; shapes x1,y1,r1,x2,y2,r2; \
                       a change shows from 3 codes of 255; gain at the middle, gain_plane from edge to edge in x and y",
        "take": take.clip,
        "file": take.file,
        "width": take.width,
        "height": take.height,
        "rate": format!("{}/{}", take.rate.0, take.rate.1),
        "frames": take.frames,
        "start_timecode": take.start,
        "boom": boom_runs(frames),
        "plates": take.plates,
        "boom_changed_union": bounds(union),
        "shadow_strength": take.boom.map(|boom| short(boom.shadow)),
        "grain_sigma_10bit_at_middle_grey": short(take.grain),
        "moving_background": bounds(moving),
        "render": { "parameters": stamp.0, "bytes": stamp.1 },
    });
    let mut text = serde_json::to_string_pretty(&head).expect("JSON values can be written");
    // One line for each frame, so that a take can be read and compared by line.
    text.truncate(text.len() - "\n}".len());
    text.push_str(",\n  \"per_frame\": [\n");
    let lines: Vec<String> = frames
        .iter()
        .enumerate()
        .map(|(index, truth)| format!("    {}", frame(index, truth)))
        .collect();
    text.push_str(&lines.join(",\n"));
    text.push_str("\n  ]\n}\n");
    text
}
