//! The same timeline with media that begin at zero, for programs that do not read embedded
//! timecode: they would show black, or other frames, for ranges in timecode.

use super::dialect::{as_written, is_pointed};
use super::{notes, walk};
use crate::error::{BadInput, Faults};
use crate::time::{Exact, Rate, exact_from_f64, floor, whole};
use crate::timeline::json::{Document, Kind, Node, NodeId};
use num_traits::{ToPrimitive, Zero};
use serde_json::Value;
use std::collections::BTreeMap;

/// Lets the media of every clip begin at zero, and moves what is told in their time along:
/// `available_range`, `source_range`, and markers in the clip's own time. What is shown, and
/// where in the cut, stays the same; nothing else changes.
///
/// `document` is `original` with our marks on it or with temp comps in it, and `timeline` points at
/// the Timeline in both. `begins` says for clips of `original`, by pointer, where their media begin
/// on the clip clock, in seconds; for other clips `available_range` does. What is ours goes by that.
///
/// Returns the pointers of clips that keep their times, for nothing says where their media
/// begin.
///
/// # Errors
///
/// No timeline at the pointer, or clips that are not those of `original`.
pub fn zero_based(
    document: &mut Document,
    original: &Document,
    timeline: &str,
    begins: &BTreeMap<&str, Exact>,
) -> Result<Vec<String>, Faults> {
    let read = clips(original, timeline).map(|found| {
        found.into_iter().filter(|clip| !is_ours(*clip)).map(Node::pointer).collect::<Vec<_>>()
    });
    let (Some(read), Some(marked)) = (read, clips(document, timeline)) else {
        return Err(not_the_same(timeline));
    };
    let mut edits = Vec::new();
    let mut kept = Vec::new();
    let mut pointers = read.into_iter();
    for clip in marked {
        let pointer = if is_ours(clip) { None } else { pointers.next() };
        if pointer.is_none() && !is_ours(clip) {
            return Err(not_the_same(timeline));
        }
        let known = pointer.as_deref().and_then(|pointer| begins.get(pointer)).cloned();
        match known.or_else(|| begin_of(active(clip)?)) {
            Some(begin) => moved(clip, &begin, &mut edits),
            None if has_media(clip) => kept.extend(pointer),
            None => {}
        }
    }
    edits.into_iter().for_each(|(at, value)| document.replace(at, value));
    Ok(kept)
}

fn not_the_same(timeline: &str) -> Faults {
    let fault = "what was written does not hold the clips of the cut";
    Faults(vec![BadInput::new("the twin from zero", timeline, fault, "review this timeline again")])
}

/// Every clip below a timeline, in document order.
fn clips<'a>(document: &'a Document, timeline: &str) -> Option<Vec<Node<'a>>> {
    let tracks = document.at(timeline)?.get("tracks")?;
    let mut found = Vec::new();
    walk::parts(tracks, |node| {
        if walk::schema(node).as_deref() == Some("Clip") {
            found.push(node);
        }
    });
    Some(found)
}

fn is_ours(clip: Node<'_>) -> bool {
    notes::on(clip).is_some()
}

/// The active media reference of a clip.
fn active(clip: Node<'_>) -> Option<Node<'_>> {
    let Some(list) = clip.get("media_references") else { return clip.get("media_reference") };
    let key = clip.get("active_media_reference_key").and_then(Node::text);
    list.get(key.as_deref().unwrap_or("DEFAULT_MEDIA"))
}

/// Tells whether a clip shows media whose times could be timecode, and says which of them.
fn has_media(clip: Node<'_>) -> bool {
    let named = |reference: Node<'_>| {
        let kind = walk::schema(reference);
        matches!(kind.as_deref(), Some("ExternalReference" | "ImageSequenceReference"))
    };
    active(clip).is_some_and(named) && clip.get("source_range").is_some_and(|one| !one.is_null())
}

/// Where a reference says that its media begin, in seconds.
fn begin_of(reference: Node<'_>) -> Option<Exact> {
    seconds(reference.get("available_range")?.get("start_time")?)
}

/// Reads a `RationalTime` as seconds; rates snap to the standard's.
fn seconds(time: Node<'_>) -> Option<Exact> {
    Some(exact_from_f64(time.get("value")?.number()?)? / rate_of(time)?)
}

fn rate_of(time: Node<'_>) -> Option<Exact> {
    let read = time.get("rate")?.number()?;
    let rate = match Rate::from_f64(read) {
        Some(rate) => crate::time::fraction(rate.num().into(), rate.den().into()),
        None => exact_from_f64(read)?,
    };
    (rate > Exact::zero()).then_some(rate)
}

/// Notes what has to change for a clip's media to begin at zero.
fn moved(clip: Node<'_>, begin: &Exact, edits: &mut Vec<(NodeId, Value)>) {
    let several = clip.get("media_references").filter(|list| list.kind() == Kind::Object);
    let references = several.into_iter().flat_map(Node::children);
    for reference in references.chain(clip.get("media_reference")) {
        // Each begins at its own zero, the one that is shown at the clip's.
        let begin = begin_of(reference);
        earlier(reference.get("available_range"), begin.as_ref(), edits);
    }
    earlier(clip.get("source_range"), Some(begin), edits);
    let markers = clip.get("markers").filter(|list| walk::is_list(*list));
    for marker in markers.into_iter().flat_map(Node::children) {
        let range = marker.get("marked_range").or_else(|| marker.get("range"));
        // Cuts that were edit lists carry markers in record time, which is not the media's.
        let start = range.and_then(|range| seconds(range.get("start_time")?));
        let in_media = start.is_some_and(|start| start >= *begin);
        earlier(range.filter(|_| in_media), Some(begin), edits);
    }
}

/// Lets a range start earlier by some seconds; the numbers look as before.
fn earlier(range: Option<Node<'_>>, by: Option<&Exact>, edits: &mut Vec<(NodeId, Value)>) {
    let Some((start, by)) = range.and_then(|range| range.get("start_time")).zip(by) else { return };
    let (Some(old), Some(rate), Some(value)) = (seconds(start), rate_of(start), start.get("value"))
    else {
        return;
    };
    if by.is_zero() {
        return;
    }
    let frames = (old - by) * rate;
    // Rates that hosts rounded leave a millionth of a frame.
    let near = whole(floor(&frames));
    let is_whole = (&frames - &near) < crate::time::fraction(1, 1_000_000);
    let number = match is_whole {
        true if is_pointed(value) => Value::from(floor(&frames) as f64),
        true => Value::from(floor(&frames)),
        false => Value::from(frames.to_f64().unwrap_or(0.0)),
    };
    if as_written(value).as_ref() != Some(&number) {
        edits.push((value.id(), number));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::fraction;
    use serde_json::json;

    fn time(value: f64, rate: f64) -> Value {
        json!({"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value})
    }

    fn range(start: Value) -> Value {
        json!({"OTIO_SCHEMA": "TimeRange.1", "duration": time(48.0, 24.0), "start_time": start})
    }

    fn clip(available: Option<Value>, source: Value) -> Value {
        json!({"OTIO_SCHEMA": "Clip.2", "metadata": {"host": {"start": 86400.0}}, "source_range": source,
            "markers": [
                {"OTIO_SCHEMA": "Marker.2", "marked_range": range(time(86520.0, 24.0))},
                {"OTIO_SCHEMA": "Marker.2", "marked_range": range(time(100.0, 24.0))}],
            "media_references": {"DEFAULT_MEDIA": {"OTIO_SCHEMA": "ExternalReference.1",
                "target_url": "a.mov", "available_range": available}},
            "active_media_reference_key": "DEFAULT_MEDIA"})
    }

    fn zeroed(clips: Vec<Value>, begins: &[(&str, Exact)]) -> (Value, Vec<String>) {
        let cut = json!({"OTIO_SCHEMA": "Timeline.1", "tracks": {"OTIO_SCHEMA": "Stack.1",
            "children": [{"OTIO_SCHEMA": "Track.1", "children": clips}]}});
        let read = || Document::parse("cut", cut.to_string().into_bytes()).expect("JSON");
        let (mut document, original) = (read(), read());
        let begins = begins.iter().cloned().collect();
        let kept = zero_based(&mut document, &original, "", &begins).expect("zeroed");
        let written: Value = serde_json::from_slice(&document.write()).expect("JSON");
        (written["tracks"]["children"][0]["children"].clone(), kept)
    }

    #[test]
    fn all_times_of_the_media_move_along_and_no_others() {
        let one = clip(Some(range(time(86400.0, 24.0))), range(time(86500.0, 24.0)));
        let (written, kept) = zeroed(vec![one.clone()], &[]);
        let mut wanted = one;
        wanted["source_range"] = range(time(100.0, 24.0));
        wanted["markers"][0]["marked_range"] = range(time(120.0, 24.0));
        wanted["media_references"]["DEFAULT_MEDIA"]["available_range"] = range(time(0.0, 24.0));
        assert_eq!((&written[0], kept.len()), (&wanted, 0));
    }

    #[test]
    fn where_a_file_begins_goes_before_what_the_timeline_says() {
        let one = clip(None, range(time(86500.0, 24.0)));
        let (written, kept) = zeroed(vec![one.clone()], &[]);
        assert_eq!((&written[0], kept), (&one, vec!["/tracks/children/0/children/0".to_string()]));
        let begins = [("/tracks/children/0/children/0", fraction(3600, 1))];
        let (written, kept) = zeroed(vec![one], &begins);
        assert_eq!(written[0]["source_range"], range(time(100.0, 24.0)));
        assert!(kept.is_empty());
    }

    #[test]
    fn rates_that_hosts_rounded_leave_whole_frames() {
        let start = |value: f64| range(time(value, 23.976));
        let one = clip(Some(range(time(86400.0, 24000.0 / 1001.0))), start(86500.0));
        let (written, _) = zeroed(vec![one], &[]);
        assert_eq!(written[0]["source_range"], start(100.0));
    }
}
