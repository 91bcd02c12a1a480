//! Plate logs in the schema `platesmith.platelog/1`. Every fault is placed by JSON pointer.

use super::cells::{self, QUOTED};
use super::entry::{Entry, Filling, Source};
use super::{KEYS, PlateKind, PlateNote, Point, PointRange, SCHEMA, ServedTake, Serves};
use super::{Unusable, Wrong, keys};
use crate::error::{BadInput, shown};
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};

/// A JSON value that keeps repeated keys, so that a second one is said and not lost.
#[derive(Debug, Clone, PartialEq)]
enum Node {
    Null,
    Bool(bool),
    Number(serde_json::Number),
    Text(String),
    List(Vec<Node>),
    Object(Vec<(String, Node)>),
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Node, D::Error> {
        from.deserialize_any(NodeVisitor)
    }
}

struct NodeVisitor;

impl<'de> Visitor<'de> for NodeVisitor {
    type Value = Node;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a JSON value")
    }
    fn visit_unit<E>(self) -> Result<Node, E> {
        Ok(Node::Null)
    }
    fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
        Ok(Node::Bool(value))
    }
    fn visit_i64<E>(self, value: i64) -> Result<Node, E> {
        Ok(Node::Number(value.into()))
    }
    fn visit_u64<E>(self, value: u64) -> Result<Node, E> {
        Ok(Node::Number(value.into()))
    }
    fn visit_f64<E>(self, value: f64) -> Result<Node, E> {
        Ok(serde_json::Number::from_f64(value).map_or(Node::Null, Node::Number))
    }
    fn visit_str<E>(self, text: &str) -> Result<Node, E> {
        Ok(Node::Text(text.to_string()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Node, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Node::List(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut items: A) -> Result<Node, A::Error> {
        let mut members = Vec::new();
        while let Some(member) = items.next_entry()? {
            members.push(member);
        }
        Ok(Node::Object(members))
    }
}

impl Node {
    /// Shows the value as it stands in the file.
    fn shown(&self) -> String {
        match self {
            Node::Null => "null".into(),
            Node::Bool(value) => value.to_string(),
            Node::Number(value) => value.to_string(),
            Node::Text(text) => format!("\"{}\"", shown(text, QUOTED)),
            Node::List(_) => "a list".into(),
            Node::Object(_) => "an object".into(),
        }
    }

    fn number(&self) -> Option<f64> {
        match self {
            Node::Number(number) => number.as_f64(),
            _ => None,
        }
    }

    fn whole(&self) -> Option<u32> {
        match self {
            Node::Number(number) => number.as_u64().and_then(|whole| u32::try_from(whole).ok()),
            _ => None,
        }
    }

    fn list(&self) -> Option<&[Node]> {
        match self {
            Node::List(list) => Some(list),
            _ => None,
        }
    }
}

/// What a value should have been.
fn unfit(node: &Node, wanted: &str) -> Wrong {
    Wrong::new(format!("{} is not {wanted}", node.shown()), format!("write {wanted}"))
}

/// Escapes a key as RFC 6901 asks.
fn below(pointer: &str, key: &str) -> String {
    format!("{pointer}/{}", shown(key, QUOTED).replace('~', "~0").replace('/', "~1"))
}

/// Reads a JSON log; what cannot be read is said and the rest is kept.
pub(super) fn read(text: &str, source: &Source<'_>, faults: &mut Vec<BadInput>) -> Vec<Entry> {
    let mut say = |place: &str, wrong: Wrong| {
        faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
    };
    let root: Node = match serde_json::from_str(text) {
        Ok(root) => root,
        Err(fault) => {
            say(&format!("line {}, column {}", fault.line(), fault.column()), no_json(&fault));
            return Vec::new();
        }
    };
    let Node::Object(members) = root else {
        let fault = format!("the log is {}, not an object", root.shown());
        say(
            "",
            Wrong::new(fault, format!("write {{\"schema\": \"{SCHEMA}\", \"records\": [...]}}")),
        );
        return Vec::new();
    };
    for (at, (key, _)) in members.iter().enumerate() {
        let known = ["schema", "records"].contains(&key.as_str());
        if !known {
            say(&below("", key), unknown_key(key, "delete the key"));
        } else if members.iter().take(at).any(|(earlier, _)| earlier == key) {
            say(&below("", key), twice());
        }
    }
    let first = |key: &str| members.iter().find(|(name, _)| name == key).map(|(_, node)| node);
    let schema = first("schema");
    if schema != Some(&Node::Text(SCHEMA.into())) {
        let fault = schema.map_or("the key is missing".into(), |schema| {
            format!("{} is not a layout this program reads", schema.shown())
        });
        say("/schema", Wrong::new(fault, format!("write \"{SCHEMA}\", or convert the log")));
        if schema.is_some() {
            return Vec::new();
        }
    }
    match first("records") {
        Some(Node::List(records)) => records
            .iter()
            .enumerate()
            .filter_map(|(at, record)| entry(record, &format!("/records/{at}"), source, faults))
            .collect(),
        Some(other) => {
            say("/records", unfit(other, "a list of records"));
            Vec::new()
        }
        None => {
            say("/records", Wrong::new("the key is missing", "write a list of records"));
            Vec::new()
        }
    }
}

fn no_json(fault: &serde_json::Error) -> Wrong {
    let text = fault.to_string();
    let text = text.rsplit_once(" at line ").map_or(text.as_str(), |(text, _)| text);
    Wrong::new(format!("is not JSON: {text}"), "export the log again, or repair it here")
}

fn unknown_key(key: &str, remedy: impl Into<String>) -> Wrong {
    Wrong::new(format!("\"{}\" is not a key of a plate log", shown(key, QUOTED)), remedy)
}

fn twice() -> Wrong {
    Wrong::new("the key stands twice; the first is read", "delete one of the two")
}

fn entry(
    node: &Node,
    place: &str,
    source: &Source<'_>,
    faults: &mut Vec<BadInput>,
) -> Option<Entry> {
    let mut filling = Filling::new(source, place, 8, faults);
    let Node::Object(members) = node else {
        filling.wrong(place, unfit(node, "a record: an object with the keys of the log"));
        return None;
    };
    for (at, (key, _)) in members.iter().enumerate() {
        if !KEYS.contains(&key.as_str()) && key != "origin" {
            let remedy = keys::nearest(key).map_or("delete the key".into(), |near| {
                format!("rename it \"{near}\" if that is meant, or delete it")
            });
            filling.wrong(&below(place, key), unknown_key(key, remedy));
        } else if members.iter().take(at).any(|(earlier, _)| earlier == key) {
            filling.wrong(&below(place, key), twice());
        }
    }
    let first = ["rate", "start", "end"];
    let order = first.into_iter().chain(KEYS.into_iter().filter(|key| !first.contains(key)));
    for key in order {
        let found = members.iter().find(|(name, _)| name == key).map(|(_, node)| node);
        let Some(node) = found.filter(|node| **node != Node::Null) else { continue };
        let at = below(place, key);
        filling.came_from(key, &at);
        filling.settled(key, |filling| fill(filling, key, &at, node));
    }
    let origin = members.iter().find(|(name, _)| name == "origin").map(|(_, node)| node);
    if let Some(node) = origin.filter(|node| **node != Node::Null) {
        origins(&mut filling, &below(place, "origin"), node);
    }
    Some(filling.done())
}

fn fill(filling: &mut Filling<'_, '_>, key: &'static str, at: &str, node: &Node) {
    match key {
        "rate" => {
            let said = text(node).and_then(|text| cells::rate(&text));
            filling.record.rate = filling.kept(at, said);
        }
        "start" | "end" => {
            if let Some(text) = filling.kept(at, point_text(node)) {
                filling.bound(key, at, &text);
            }
        }
        "boom" if *node == Node::Text("none".into()) => filling.record.no_boom = true,
        "lock_off" | "boom" => {
            let said = items(node, at, "a list of [in, out]", range);
            filling.ranges(key, said);
        }
        "plates" => {
            let said = plates(node, at, filling);
            filling.plates(said);
        }
        "unusable" => {
            let said = unusable(node, at, filling);
            filling.unusable(said);
        }
        "serves" => serves(filling, at, node),
        "region" => {
            let said = region(node);
            filling.record.region = filling.kept(at, said).unwrap_or_default();
        }
        "capture" => {
            let sides = node.list().map(|list| list.iter().map(Node::whole).collect::<Vec<_>>());
            let said = match sides.as_deref() {
                Some([Some(width @ 1..), Some(height @ 1..)]) => Ok((*width, *height)),
                _ => Err(unfit(node, "width and height in pixels: [3840, 2160]")),
            };
            filling.record.capture = filling.kept(at, said);
        }
        "tolerance" => {
            let said = node.whole().ok_or_else(|| unfit(node, "a whole number of frames"));
            filling.record.tolerance = filling.kept(at, said);
        }
        "report" => {
            let said = text(node).and_then(|text| cells::report(&text));
            filling.record.report = filling.kept(at, said);
        }
        _ => {
            if let Some(text) = filling.kept(at, text(node)) {
                filling.text(key, &text);
            }
        }
    }
}

/// Reads text; a number is the text it stands as, so that `"take": 3` is take 3.
fn text(node: &Node) -> Result<String, Wrong> {
    match node {
        Node::Text(text) => Ok(text.clone()),
        Node::Number(number) => Ok(number.to_string()),
        _ => Err(unfit(node, "text")),
    }
}

fn point_text(node: &Node) -> Result<String, Wrong> {
    match node {
        Node::Text(text) => Ok(text.clone()),
        _ => Err(unfit(node, "a point in time: a timecode or \"#12\", in quotation marks")),
    }
}

fn items<T>(
    node: &Node,
    at: &str,
    wanted: &str,
    one: impl Fn(&Node) -> Result<T, Wrong>,
) -> Vec<(String, Result<T, Wrong>)> {
    match node {
        Node::List(list) => list
            .iter()
            .enumerate()
            .map(|(index, item)| (format!("{at}/{index}"), one(item)))
            .collect(),
        _ => vec![(at.to_string(), Err(unfit(node, wanted)))],
    }
}

fn range(node: &Node) -> Result<PointRange, Wrong> {
    let Some([start, end]) = node.list() else {
        return Err(unfit(node, "a range: [in, out]"));
    };
    let read = |node| point_text(node).and_then(|text| cells::point(text.trim()));
    let (start, end): (Point, Point) = (read(start)?, read(end)?);
    Ok(PointRange { start, end })
}

/// Says every key of an object that is not among `known`, and hands each known one on.
fn members<'n>(
    members: &'n [(String, Node)],
    known: &[&str],
    at: &str,
    filling: &mut Filling<'_, '_>,
) -> Vec<(&'n str, &'n Node)> {
    let mut found: Vec<(&str, &Node)> = Vec::new();
    for (key, node) in members {
        if !known.contains(&key.as_str()) {
            let remedy = format!("the keys here are {}", known.join(", "));
            filling.wrong(&below(at, key), unknown_key(key, remedy));
        } else if found.iter().any(|(earlier, _)| earlier == key) {
            filling.wrong(&below(at, key), twice());
        } else if *node != Node::Null {
            found.push((key, node));
        }
    }
    found
}

type Placed<T> = Vec<(String, Result<T, Wrong>)>;

fn plates(node: &Node, at: &str, filling: &mut Filling<'_, '_>) -> Placed<PlateNote> {
    let Node::List(list) = node else {
        return vec![(at.to_string(), Err(unfit(node, "a list of plates")))];
    };
    let mut read = Vec::new();
    for (index, item) in list.iter().enumerate() {
        let at = format!("{at}/{index}");
        let said = match item {
            Node::Object(object) => plate(object, &at, filling),
            _ => range(item).map(|range| PlateNote { range: Some(range), ..PlateNote::BARE }),
        };
        read.push((at, said));
    }
    read
}

fn plate(
    object: &[(String, Node)],
    at: &str,
    filling: &mut Filling<'_, '_>,
) -> Result<PlateNote, Wrong> {
    let known = ["kind", "range", "seconds", "clip", "roll", "good", "tolerance"];
    let mut note = PlateNote::BARE;
    for (key, node) in members(object, &known, at, filling) {
        let place = below(at, key);
        match key {
            "kind" => note.kind = filling.kept(&place, kind(node)),
            "range" => note.range = filling.kept(&place, range(node)),
            "seconds" => {
                let length = node.number().filter(|length| *length > 0.0);
                let said = length.ok_or_else(|| unfit(node, "a length in seconds, above 0"));
                note.seconds = filling.kept(&place, said);
            }
            "clip" => note.clip = filling.kept(&place, text(node)).and_then(full),
            "roll" => note.roll = filling.kept(&place, text(node)).and_then(full),
            "tolerance" => {
                let said = node.whole().ok_or_else(|| unfit(node, "a whole number of frames"));
                note.tolerance = filling.kept(&place, said);
            }
            _ => {
                let said = match node {
                    Node::Bool(good) => Ok(*good),
                    _ => Err(unfit(node, "true or false")),
                };
                note.good = filling.kept(&place, said).unwrap_or(true);
            }
        }
    }
    Ok(note)
}

fn full(text: String) -> Option<String> {
    Some(text.trim().to_string()).filter(|text| !text.is_empty())
}

fn kind(node: &Node) -> Result<PlateKind, Wrong> {
    match node {
        Node::Text(text) if text == "head" => Ok(PlateKind::Head),
        Node::Text(text) if text == "tail" => Ok(PlateKind::Tail),
        Node::Text(text) if text == "take" => Ok(PlateKind::Take),
        _ => Err(unfit(node, "\"head\", \"tail\" or \"take\"")),
    }
}

fn unusable(node: &Node, at: &str, filling: &mut Filling<'_, '_>) -> Placed<Unusable> {
    let wanted = "a list of {\"range\": [in, out], \"why\": text}";
    let Node::List(list) = node else {
        return vec![(at.to_string(), Err(unfit(node, wanted)))];
    };
    let mut read = Vec::new();
    for (index, item) in list.iter().enumerate() {
        let at = format!("{at}/{index}");
        let Node::Object(object) = item else {
            read.push((at, Err(unfit(item, "an object with range and why"))));
            continue;
        };
        let (mut span, mut why) = (None, String::new());
        let found = members(object, &["range", "why"], &at, filling);
        if !found.iter().any(|(key, _)| *key == "range") {
            filling.wrong(&at, Wrong::new("the range is missing", "write \"range\": [in, out]"));
        }
        for (key, node) in found {
            let place = below(&at, key);
            if key == "range" {
                span = filling.kept(&place, range(node)).map(|range| (place, range));
            } else {
                why = filling.kept(&place, text(node)).and_then(full).unwrap_or_default();
            }
        }
        read.extend(span.map(|(place, range)| (place, Ok(Unusable { range, why }))));
    }
    read
}

fn serves(filling: &mut Filling<'_, '_>, at: &str, node: &Node) {
    let wanted = "\"all\" or a list of {\"scene\", \"slate\", \"take\"}";
    let list = match node {
        Node::Text(text) if text.eq_ignore_ascii_case("all") => {
            filling.record.serves = Serves::All;
            return;
        }
        Node::List(list) => list,
        _ => return filling.wrong(at, unfit(node, wanted)),
    };
    let mut takes = Vec::new();
    for (index, item) in list.iter().enumerate() {
        let at = format!("{at}/{index}");
        let Node::Object(object) = item else {
            filling.wrong(&at, unfit(item, "an object with scene, slate and take"));
            continue;
        };
        let mut take = ServedTake::default();
        for (key, node) in members(object, &["scene", "slate", "take"], &at, filling) {
            let value = filling.kept(&below(&at, key), text(node)).and_then(full);
            match key {
                "scene" => take.scene = value,
                "slate" => take.slate = value,
                _ => take.take = value,
            }
        }
        if take == ServedTake::default() {
            let wrong = Wrong::new("names no take", "write scene, slate or take, or delete it");
            filling.wrong(&at, wrong);
        } else {
            takes.push(take);
        }
    }
    if !takes.is_empty() {
        filling.record.serves = Serves::Takes(takes);
    }
}

fn region(node: &Node) -> Result<Vec<[f64; 2]>, Wrong> {
    let corner = |node: &Node| match node.list()? {
        [x, y] => Some([x.number()?, y.number()?]),
        _ => None,
    };
    let corners: Option<Vec<[f64; 2]>> =
        node.list().and_then(|list| list.iter().map(corner).collect());
    let wanted = "three or more corners [x, y] in shares of width and height, 0 to 1";
    corners
        .and_then(|corners| cells::checked_region(corners, "").ok())
        .ok_or_else(|| Wrong::new("is not a region", format!("write {wanted}")))
}

/// Keeps the origins a converted log carries: where a value was first noted.
fn origins(filling: &mut Filling<'_, '_>, at: &str, node: &Node) {
    let Node::Object(object) = node else {
        return filling.wrong(at, unfit(node, "an object of key and place"));
    };
    for (key, node) in object {
        let place = below(at, key);
        if key != "record" && !KEYS.contains(&key.as_str()) {
            filling.wrong(&place, unknown_key(key, "delete the key"));
        } else if let Some(text) = filling.kept(&place, text(node)) {
            filling.record.origin.insert(key, text.into());
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::settings::Settings;

    fn faults(text: &str) -> Vec<String> {
        let (_, faults) =
            super::super::read_log_bytes(text.as_bytes(), "log.json", &Settings::default());
        faults.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn every_fault_of_a_record_is_placed_by_pointer() {
        let text = r##"{"schema": "platesmith.platelog/1", "records": [
            {"clip": "A014C007", "rate": "24", "plate": [], "plates": [["10:22:61:04", "10:23:00:00"],
             {"kind": "had", "good": 1}], "capture": [0, 2], "take": 3, "boom": [["#4"]]}, 7]}"##;
        assert_eq!(
            faults(text),
            [
                "log.json, /records/0/plate: \"plate\" is not a key of a plate log",
                "log.json, /records/0/plates/1/kind: \"had\" is not \"head\", \"tail\" or \"take\"",
                "log.json, /records/0/plates/1/good: 1 is not true or false",
                "log.json, /records/0/plates/0: \"10:22:61:04\" is not a timecode: seconds run 00-59",
                "log.json, /records/0/boom/0: a list is not a range: [in, out]",
                "log.json, /records/0/capture: [0, 2] is not width and height in pixels: [3840, 2160]",
                "log.json, /records/1: 7 is not a record: an object with the keys of the log",
            ]
            .map(|text| text.replace("[0, 2] is", "a list is"))
        );
    }

    #[test]
    fn a_repeated_key_is_said_and_the_first_is_read() {
        let text = r#"{"schema": "platesmith.platelog/1",
            "records": [{"take": "1", "take": "2"}], "records": []}"#;
        assert_eq!(
            faults(text),
            [
                "log.json, /records: the key stands twice; the first is read",
                "log.json, /records/0/take: the key stands twice; the first is read"
            ]
        );
    }

    #[test]
    fn text_that_is_no_log_is_said_once() {
        assert_eq!(faults("[1]"), ["log.json: the log is a list, not an object"]);
        assert_eq!(faults("{").len(), 1);
        assert_eq!(
            faults(r#"{"schema": "x/9", "records": []}"#),
            ["log.json, /schema: \"x/9\" is not a layout this program reads"]
        );
        let deep = "[".repeat(100_000);
        assert_eq!(faults(&deep).len(), 1);
    }
}
