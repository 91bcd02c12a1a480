use super::*;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::io::{self, Write};

fn read(text: &str) -> Document {
    Document::parse("cut.otio", text.as_bytes().to_vec()).expect(text)
}

fn fault(bytes: &[u8]) -> String {
    let fault = Document::parse("cut.otio", bytes.to_vec()).expect_err("no document");
    assert!(!fault.remedy.is_empty());
    fault.to_string()
}

fn edited(text: &str, edit: impl FnOnce(&mut Document)) -> String {
    let mut document = read(text);
    edit(&mut document);
    String::from_utf8(document.write()).expect("UTF-8")
}

#[test]
fn numbers_that_are_none_are_read() {
    // The words are those the timeline format's own library writes and reads (0.18.1).
    let document = read(r#"[NaN, Inf, -Inf, Infinity, -Infinity, 1e400, -0.5e-1, 24.0, 2e3]"#);
    let numbers: Vec<f64> = document.root().items().filter_map(Node::number).collect();
    assert!(numbers[0].is_nan());
    assert_eq!(numbers[1..3], [f64::INFINITY, f64::NEG_INFINITY]);
    assert_eq!(numbers[5..8], [f64::INFINITY, -0.05, 24.0]);
    let whole: Vec<_> = document.root().items().map(Node::integer).collect();
    assert_eq!(whole[6..], [None, Some(24), Some(2000)]);
    assert_eq!(read("9223372036854775808").root().integer(), None);
    assert_eq!(read("-9223372036854775808").root().integer(), Some(i64::MIN));
}

#[test]
fn of_equal_keys_the_first_counts_and_all_are_kept() {
    let document = read(r#"{"a": 1, "a": 2, "\u0062": 3}"#);
    assert_eq!(document.root().get("a").and_then(Node::integer), Some(1));
    assert_eq!(document.root().get("b").and_then(Node::integer), Some(3));
    assert_eq!(document.root().members().count(), 3);
}

#[test]
fn escapes_and_broken_letters_are_read() {
    let document = read(r#"["\ud83d\ude00 \u00e9\n\/", "\ud83d x", "\udc00"]"#);
    let texts: Vec<_> = document.root().items().filter_map(Node::text).collect();
    assert_eq!(texts, ["\u{1F600} \u{e9}\n/", "\u{FFFD} x", "\u{FFFD}"]);
    let bytes = b"[\"caf\xe9\", 1]".to_vec();
    let document = Document::parse("cut.otio", bytes.clone()).expect("tolerated");
    assert_eq!(document.root().items().next().and_then(Node::text).as_deref(), Some("caf\u{FFFD}"));
    assert_eq!(document.write(), bytes);
}

#[test]
fn a_byte_order_mark_is_kept() {
    let mut document = read("\u{FEFF}{\"a\": 1}");
    assert_eq!(document.write(), "\u{FEFF}{\"a\": 1}".as_bytes());
    let root = document.root().id();
    document.insert_member(root, "b", json!(2));
    assert_eq!(document.write(), "\u{FEFF}{\"a\": 1, \"b\": 2}".as_bytes());
}

#[test]
fn every_fault_says_where_and_what() {
    for (bytes, said) in [
        (&b""[..], "line 1, column 1 (byte 0): the file is empty"),
        (b" \n ", "line 2, column 2 (byte 3): the file is empty"),
        (b"{\"a\": 1", "line 1, column 8 (byte 7): the file ends where a comma or } must follow"),
        (b"[1,\n 2,]", "line 2, column 4 (byte 7): \"]\" where a value must follow"),
        (b"{\"a\" 1}", "line 1, column 6 (byte 5): \"1}\" where a colon after the key must follow"),
        (b"{a: 1}", "line 1, column 2 (byte 1): \"a: 1}\" where a key in quotes must follow"),
        (b"[1] x", "line 1, column 5 (byte 4): \"x\" follows the end"),
        (b"[\"abc", "line 1, column 2 (byte 1): the text never ends"),
        (b"[\"a\\", "line 1, column 4 (byte 3): the text never ends"),
        (b"[\"\\x\"]", "line 1, column 3 (byte 2): \\x is no escape"),
        (b"[01]", "line 1, column 2 (byte 1): 01 is no number"),
        (b"[-]", "line 1, column 2 (byte 1): - is no number"),
        (b"[1 2]", "line 1, column 4 (byte 3): \"2]\" where a comma or ] must follow"),
        (b"[nul]", "line 1, column 2 (byte 1): \"nul]\" where a value must follow"),
        (b"// x", "line 1, column 1 (byte 0): \"// x\" where a value must follow"),
        (b"\xff\xfe[\0", "line 1, column 1 (byte 0): the file is UTF-16 text, a timeline is UTF-8"),
    ] {
        assert_eq!(fault(bytes), format!("cut.otio, {said}"));
    }
}

#[test]
fn deep_nesting_is_a_fault_and_not_a_crash() {
    let deep = "[".repeat(2_000_000);
    assert!(fault(deep.as_bytes()).contains("(byte 1000): the values nest deeper than 1000"));
    let fine = "[".repeat(1000) + &"]".repeat(1000);
    assert_eq!(read(&fine).write(), fine.as_bytes());
}

#[test]
fn pointers_lead_back_to_their_value() {
    let document = read(r#"{"a/b": [1, {"~": [true]}], "c": {}}"#);
    for pointer in ["", "/a~1b", "/a~1b/0", "/a~1b/1/~0/0", "/c"] {
        assert_eq!(document.at(pointer).map(Node::pointer).as_deref(), Some(pointer));
    }
    assert!(document.at("/a~1b/2").is_none() && document.at("a").is_none());
}

#[test]
fn additions_take_the_layout_of_the_file() {
    let text = "{\n  \"a\" : [],\n  \"b\" : [\n    1\n  ]\n}\n";
    let out = edited(text, |document| {
        let (a, b) = (document.at("/a").unwrap().id(), document.at("/b").unwrap().id());
        let root = document.root().id();
        document.insert_item(a, 0, json!({"x": [1, 2.0], "y": {}}));
        document.insert_item(b, 9, json!(24.0));
        document.insert_member(root, "c", json!("\u{e9}\"/"));
    });
    let wanted = "{\n  \"a\" : [\n    {\n      \"x\" : [\n        1,\n        2.0\n      ],\n      \
                  \"y\" : {}\n    }\n  ],\n  \"b\" : [\n    1,\n    24.0\n  ],\n  \
                  \"c\" : \"\u{e9}\\\"/\"\n}\n";
    assert_eq!(out, wanted);
    let compact = edited(r#"{"a":[],"b":[1,2]}"#, |document| {
        let (a, b) = (document.at("/a").unwrap().id(), document.at("/b").unwrap().id());
        document.insert_item(a, 0, json!({"x": [1, 2]}));
        document.insert_item(b, 1, json!(7));
    });
    assert_eq!(compact, r#"{"a":[{"x":[1,2]}],"b":[1,7,2]}"#);
}

#[test]
fn removals_leave_no_comma_behind() {
    for (gone, left) in [
        (&[0][..], "[ 2, 3 ]"),
        (&[1], "[ 1, 3 ]"),
        (&[2], "[ 1, 2 ]"),
        (&[0, 1], "[ 3 ]"),
        (&[1, 2], "[ 1 ]"),
        (&[0, 2], "[ 2 ]"),
        (&[0, 1, 2], "[]"),
    ] {
        let out = edited("[ 1, 2, 3 ]", |document| {
            let ids: Vec<_> = document.root().items().map(Node::id).collect();
            gone.iter().for_each(|&at| document.remove(ids[at]));
        });
        assert_eq!(out, left);
    }
}

#[test]
fn space_inside_empty_brackets_survives_an_addition() {
    for text in ["[ ]", "[\n]", "[\r\n\t]", "[]"] {
        let text = format!("{{\n\t\"a\": {text}\n}}");
        let marked = edited(&text, |document| {
            let a = document.at("/a").unwrap().id();
            document.insert_item(a, 0, json!({"x": 1}));
            document.insert_item(a, 0, json!({"x": 2}));
        });
        let again = edited(&marked, |document| {
            let items: Vec<_> = document.at("/a").unwrap().items().map(Node::id).collect();
            items.into_iter().for_each(|item| document.remove(item));
        });
        assert_eq!(again, text);
    }
}

#[test]
fn what_goes_takes_its_inside_along() {
    let out = edited(r#"{"a": {"b": [1]}, "c": 2}"#, |document| {
        let (a, list) = (document.at("/a").unwrap().id(), document.at("/a/b").unwrap().id());
        document.insert_item(list, 0, json!(5));
        document.replace(a, json!(null));
        let c = document.at("/c").unwrap().id();
        document.replace_raw(c, "23.9760");
    });
    assert_eq!(out, r#"{"a": null, "c": 23.9760}"#);
}

/// Any JSON value, a few levels deep, without equal keys.
fn any_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        "\\PC{0,6}".prop_map(Value::from),
        "[\\x00-\\x22/\\\\]{0,4}".prop_map(Value::from),
    ];
    leaf.prop_recursive(5, 60, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            prop::collection::btree_map("\\PC{0,5}", inner, 0..6)
                .prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

fn laid_out(value: &Value, layout: u8) -> String {
    match layout {
        0 => value.to_string(),
        1 => serde_json::to_string_pretty(value).expect("a value"),
        2 => formatted(value, Tabbed),
        _ => formatted(value, serde_json::ser::PrettyFormatter::with_indent(b"    ")),
    }
}

fn formatted(value: &Value, layout: impl serde_json::ser::Formatter) -> String {
    let mut out = Vec::new();
    let mut writer = serde_json::Serializer::with_formatter(&mut out, layout);
    serde::Serialize::serialize(value, &mut writer).expect("a value");
    String::from_utf8(out).expect("UTF-8")
}

/// Tabs and line ends about every colon and comma, none inside of a text.
struct Tabbed;

impl serde_json::ser::Formatter for Tabbed {
    fn begin_object_key<W: Write + ?Sized>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        out.write_all(if first { b"\n\t" } else { b"\t,\r\n" })
    }

    fn begin_object_value<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        out.write_all(b"\t:\t")
    }

    fn begin_array_value<W: Write + ?Sized>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        out.write_all(if first { b"\t" } else { b" ,\t" })
    }
}

/// Rebuilds a `serde_json` value from our reading.
fn as_value(node: Node<'_>) -> Value {
    match node.kind() {
        Kind::Object => {
            Value::Object(node.members().map(|(k, v)| (k.into_owned(), as_value(v))).collect())
        }
        Kind::Array => Value::Array(node.items().map(as_value).collect()),
        Kind::Text => Value::from(node.text().expect("a text").into_owned()),
        Kind::Number => serde_json::from_str(node.number_text().expect("a number")).expect("read"),
        Kind::Bool => Value::from(node.boolean()),
        Kind::Null => Value::Null,
    }
}

proptest! {
    #[test]
    fn we_read_what_serde_reads(value in any_value(), layout in 0u8..4) {
        let text = laid_out(&value, layout);
        let document = read(&text);
        prop_assert_eq!(as_value(document.root()), serde_json::from_str::<Value>(&text).unwrap());
        prop_assert_eq!(document.write(), text.as_bytes());
        for id in (0..document.cells.len() as u32).map(NodeId) {
            let node = document.node(id);
            prop_assert_eq!(document.at(&node.pointer()).map(Node::id), Some(id));
        }
    }

    #[test]
    fn what_is_inserted_can_be_removed_without_trace(
        value in any_value(), layout in 0u8..4, picks in prop::collection::vec(any::<u16>(), 1..6),
    ) {
        let text = laid_out(&value, layout);
        let mut document = read(&text);
        let mark = json!({"platesmith": {"list": [1, {}], "empty": []}});
        let count = document.cells.len();
        for pick in picks {
            let id = NodeId((pick as usize % count) as u32);
            document.insert_item(id, pick as usize / 7 % 5, mark.clone());
            if document.node(id).get("platesmith").is_none() {
                document.insert_member(id, "platesmith", json!([mark.clone()]));
            }
        }
        let marked = document.write();
        let mut again = Document::parse("cut.otio", marked).expect("still JSON");
        // Additions to lists are marks, additions to objects are lists of marks.
        let ours: Vec<NodeId> = (0..again.cells.len() as u32).map(NodeId).filter(|id| {
            let node = again.node(*id);
            let marks = |node: Node<'_>, kind| node.get("platesmith").is_some_and(|own| own.kind() == kind);
            match node.key() {
                Some(key) => key == "platesmith" && node.kind() == Kind::Array,
                None => *id != NodeId(0) && marks(node, Kind::Object),
            }
        }).collect();
        for id in ours {
            again.remove(id);
        }
        prop_assert_eq!(String::from_utf8(again.write()).unwrap(), text);
    }

    #[test]
    fn removed_is_what_serde_removes(value in any_value(), layout in 0u8..4, pick in any::<u16>()) {
        let text = laid_out(&value, layout);
        let mut document = read(&text);
        let id = NodeId((pick as usize % document.cells.len()) as u32);
        document.remove(id);
        let mut wanted: Value = serde_json::from_str(&text).unwrap();
        if let Some(parent) = document.node(id).parent() {
            match wanted.pointer_mut(&parent.pointer()).unwrap() {
                Value::Array(items) => {
                    let pointer = document.node(id).pointer();
                    let (_, at) = pointer.rsplit_once('/').unwrap();
                    items.remove(at.parse().unwrap());
                }
                Value::Object(members) => {
                    members.shift_remove(&*document.node(id).key().unwrap());
                }
                _ => unreachable!(),
            }
        }
        let out = document.write();
        prop_assert_eq!(serde_json::from_slice::<Value>(&out).unwrap(), wanted);
    }

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(document) = Document::parse("cut.otio", bytes.clone()) {
            prop_assert_eq!(document.write(), bytes);
        }
    }
}
