//! What a clip says about its media: references, texts that may name a take, shot names,
//! and whether it hides what lies below it.

use super::faults::Collector;
use super::json::{Kind as Json, Node, pointer_step};
use super::model::{OURS, active_reference, is_ours};
use super::ratio::Ratio;
use super::times::{self, schema};
use super::used::{MediaReference, ReferenceKind};
use crate::time::Rate;

/// Longer texts name no clip, reel or timecode. Ours; file names end at 255 bytes.
const LONGEST_TEXT: usize = 255;

/// A clip with more texts than this carries a host's tables, not names. Ours.
const MOST_TEXTS: usize = 1000;

/// Words in the keys of what stands on a slate. Common practice, no source.
const SLATE_WORDS: [&str; 7] = ["cam", "scene", "slate", "take", "roll", "reel", "tape"];

/// What a clip shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sort {
    Picture,
    Generator,
    Title,
    Adjustment,
}

/// Tells picture from what hosts generate.
pub(super) fn sort(clip: Node<'_>) -> Sort {
    let Some((_, reference)) = active_reference(clip) else { return by_name(clip) };
    match schema(reference).as_deref() {
        Some("GeneratorReference") => {
            let kind = reference.get("generator_kind").and_then(Node::text).unwrap_or_default();
            let kind = kind.to_lowercase();
            if kind.contains("adjust") || by_name(clip) == Sort::Adjustment {
                Sort::Adjustment
            } else if kind.contains("title") || kind.contains("text") {
                Sort::Title
            } else {
                Sort::Generator
            }
        }
        Some("MissingReference") => by_name(clip),
        _ => Sort::Picture,
    }
}

/// Adjustment clips without a generator are known by their name only.
fn by_name(clip: Node<'_>) -> Sort {
    let name = clip.get("name").and_then(Node::text).unwrap_or_default().to_lowercase();
    let name: String = name.chars().filter(char::is_ascii_alphanumeric).collect();
    if name.starts_with("adjustmentclip") || name.starts_with("adjustmentlayer") {
        Sort::Adjustment
    } else {
        Sort::Picture
    }
}

/// Reads all references of a clip, the active one first.
pub(super) fn references(
    clip: Node<'_>,
    clip_rate: Rate,
    faults: &mut Collector<'_>,
) -> Vec<MediaReference> {
    let active = active_reference(clip);
    let mut all: Vec<MediaReference> = Vec::new();
    let mut add = |key: &str, node: Node<'_>| {
        if node.kind() == Json::Object && all.iter().all(|known| known.key != key) {
            all.push(reference(clip, key, node, clip_rate, faults));
        }
    };
    if let Some((key, node)) = active {
        add(&key, node);
    }
    for (key, node) in clip.get("media_references").iter().flat_map(|list| list.members()) {
        add(&key, node);
    }
    all
}

fn reference(
    clip: Node<'_>,
    key: &str,
    node: Node<'_>,
    clip_rate: Rate,
    faults: &mut Collector<'_>,
) -> MediaReference {
    let text = |key: &str| node.get(key).and_then(Node::text).unwrap_or_default().into_owned();
    let whole = |key: &str, otherwise| node.get(key).and_then(Node::integer).unwrap_or(otherwise);
    let kind = match schema(node).as_deref() {
        Some("ExternalReference") => ReferenceKind::External { url: text("target_url") },
        Some("ImageSequenceReference") => ReferenceKind::Sequence {
            base: text("target_url_base"),
            prefix: text("name_prefix"),
            suffix: text("name_suffix"),
            // Absent numbers are as the format's own library makes them.
            start_frame: whole("start_frame", 1),
            frame_step: whole("frame_step", 1).max(1),
            padding: u32::try_from(whole("frame_zero_padding", 0)).unwrap_or(0).min(32),
            rate: node.get("rate").and_then(Node::number).and_then(Rate::from_f64),
        },
        Some("MissingReference") | None => ReferenceKind::Missing,
        Some(other) => ReferenceKind::Other(other.to_string()),
    };
    let (mut available, mut available_rate) = (None, None);
    match times::range_of(node, "available_range") {
        Some(Ok(range)) => {
            let per_second = Ratio::rate(clip_rate);
            let end = &range.start + &range.duration;
            available_rate = Some(range.rate);
            if range.duration.is_negative() {
                faults.add(clip, "media whose available_range has a negative length");
            } else {
                available =
                    Some(((&range.start * &per_second).exact(), (&end * &per_second).exact()));
            }
        }
        Some(Err(broken)) => faults.add(clip, &format!("media whose {}", broken.why)),
        None => {}
    }
    let name = Some(text("name")).filter(|name| !name.is_empty());
    MediaReference { key: key.to_string(), name, kind, available, available_rate }
}

/// Collects the metadata texts of clip and references that may name a clip, reel or
/// timecode: short ones with a digit in them or under a heading of the slate, in file order.
pub(super) fn texts(clip: Node<'_>) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut path = String::new();
    for (key, node) in clip.members() {
        match &*key {
            "metadata" => below("metadata", &mut path, &mut |path| collect(node, path, &mut found)),
            "media_reference" => reference_texts(node, "media_reference", &mut path, &mut found),
            "media_references" => {
                for (name, node) in node.members() {
                    let step = format!("media_references/{}", pointer_step(&name));
                    reference_texts(node, &step, &mut path, &mut found);
                }
            }
            _ => {}
        }
    }
    found
}

fn reference_texts(
    reference: Node<'_>,
    step: &str,
    path: &mut String,
    found: &mut Vec<(String, String)>,
) {
    let Some(metadata) = reference.get("metadata") else { return };
    below(&format!("{step}/metadata"), path, &mut |path| collect(metadata, path, found));
}

fn below(step: &str, path: &mut String, read: &mut dyn FnMut(&mut String)) {
    let length = path.len();
    path.push('/');
    path.push_str(step);
    read(path);
    path.truncate(length);
}

fn collect(node: Node<'_>, path: &mut String, found: &mut Vec<(String, String)>) {
    if found.len() >= MOST_TEXTS {
        return;
    }
    match node.kind() {
        Json::Text => {
            let raw = node.raw();
            if raw.len() <= LONGEST_TEXT + 2
                && (raw.iter().any(u8::is_ascii_digit) || names_a_take(path))
                && let Some(text) = node.text()
            {
                found.push((path.clone(), text.into_owned()));
            }
        }
        Json::Number if names_a_take(path) => {
            let text = String::from_utf8_lossy(node.raw());
            let whole = text.strip_suffix(".0").unwrap_or(&text);
            if whole.bytes().all(|digit| digit.is_ascii_digit()) {
                found.push((path.clone(), whole.to_string()));
            }
        }
        Json::Object => {
            for (key, child) in node.members() {
                if key != OURS {
                    below(&pointer_step(&key), path, &mut |path| collect(child, path, found));
                }
            }
        }
        Json::Array => {
            for (index, child) in node.items().enumerate() {
                below(&index.to_string(), path, &mut |path| collect(child, path, found));
            }
        }
        _ => {}
    }
}

/// Tells whether the last step of a pointer is a heading of the slate. What stands there
/// counts without a digit (camera `B`) and as a number (take 3).
fn names_a_take(pointer: &str) -> bool {
    let key = pointer.rsplit('/').next().unwrap_or_default().to_ascii_lowercase();
    SLATE_WORDS.iter().any(|word| key.contains(word))
}

/// Finds the shot a clip is named for: a marker that reads like a shot name, else metadata
/// under `shot`, `shot_name` or `vfx_shot`. This program's own markers do not count.
pub(super) fn shot_name(clip: Node<'_>) -> Option<String> {
    let markers = clip.get("markers");
    for marker in markers.iter().flat_map(|list| list.items()).filter(|marker| !is_ours(*marker)) {
        for key in ["name", "comment"] {
            let text = marker.get(key).and_then(Node::text).unwrap_or_default();
            if is_shot_name(text.trim()) {
                return Some(text.trim().to_string());
            }
        }
    }
    named_shot(clip.get("metadata")?)
}

fn named_shot(metadata: Node<'_>) -> Option<String> {
    for node in metadata.children() {
        let found = match node.kind() {
            Json::Object | Json::Array if !node.has_key(OURS) => named_shot(node),
            Json::Text => node
                .key()
                .filter(|key| names_shots(key))
                .and_then(|_| node.text())
                .and_then(|text| Some(text.trim().to_string()).filter(|text| !text.is_empty())),
            _ => None,
        };
        if found.is_some() {
            return found;
        }
    }
    None
}

fn names_shots(key: &str) -> bool {
    ["shot", "shot_name", "vfx_shot"].iter().any(|known| key.eq_ignore_ascii_case(known))
}

/// Tells whether a text reads like a shot name: `^[A-Z0-9]+(_[A-Z0-9]+)*_\d{3,4}$`.
fn is_shot_name(text: &str) -> bool {
    let Some((head, number)) = text.rsplit_once('_') else { return false };
    let plain = |part: &str| {
        !part.is_empty() && part.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
    };
    matches!(number.len(), 3 | 4)
        && number.bytes().all(|b| b.is_ascii_digit())
        && head.split('_').all(plain)
}

/// Endings of still images that may carry transparency: titles and graphics.
const MAY_BE_TRANSPARENT: [&str; 12] =
    ["png", "tif", "tiff", "tga", "psd", "ai", "exr", "gif", "webp", "svg", "pdf", "eps"];

/// Tells whether a clip without effects surely hides all that lies below it: media that
/// cannot be transparent, there for all of the clip, and nothing in the metadata of host or
/// clip about opacity, blending or cropping.
pub(super) fn is_opaque(clip: Node<'_>, references: &[MediaReference]) -> bool {
    let Some(active) = references.first() else { return false };
    let name = match &active.kind {
        ReferenceKind::External { url } => url.as_str(),
        ReferenceKind::Sequence { suffix, .. } => suffix.as_str(),
        ReferenceKind::Missing | ReferenceKind::Other(_) => return false,
    };
    let name = name.split(['?', '#']).next().unwrap_or_default();
    let ending = name.rsplit_once('.').map_or("", |(_, ending)| ending);
    !name.is_empty()
        && !MAY_BE_TRANSPARENT.iter().any(|known| ending.eq_ignore_ascii_case(known))
        && !clip.get("metadata").is_some_and(hints_at_blending)
}

/// Tells whether metadata speak of opacity, blending or cropping in any but a neutral way.
pub(super) fn hints_at_blending(metadata: Node<'_>) -> bool {
    const WORDS: [&str; 9] = [
        "opacity",
        "blend",
        "composit",
        "alpha",
        "transparen",
        "matte",
        "crop",
        "wipe",
        "pictureinpicture",
    ];
    metadata.members().any(|(key, node)| {
        let letters: String =
            key.chars().filter(char::is_ascii_alphabetic).map(|c| c.to_ascii_lowercase()).collect();
        let hint = WORDS.iter().any(|word| letters.contains(word)) && !is_neutral(node);
        hint || hints_at_blending(node) || node.items().any(hints_at_blending)
    })
}

fn is_neutral(node: Node<'_>) -> bool {
    match node.kind() {
        Json::Null => true,
        Json::Bool => node.boolean() == Some(false),
        Json::Number => matches!(node.number(), Some(value) if value == 1.0 || value == 100.0),
        Json::Text => {
            let text = node.text().unwrap_or_default();
            let text = text.trim();
            ["", "normal", "none", "off"].iter().any(|known| text.eq_ignore_ascii_case(known))
        }
        // What is inside is looked at on its own.
        Json::Object | Json::Array => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shot_name_ends_in_its_number() {
        for yes in ["QLN_012_0010", "A_100", "AB12_0040"] {
            assert!(is_shot_name(yes), "{yes}");
        }
        for no in ["QLN_12", "qln_012_0010", "_100", "A__100", "A_10000", "0010", "fix boom", ""] {
            assert!(!is_shot_name(no), "{no}");
        }
    }
}
