//! The iXML chunk: what a recorder writes about a take. Every field is optional.
//!
//! Source: iXML specification 1.x to 3.x. Entities are never expanded but for the five of XML
//! itself and characters by number.

use super::super::Wrong;
use super::text;
use crate::error::shown;
use quick_xml::Reader;
use quick_xml::events::Event;

/// Elements inside each other that are told apart; deeper ones are passed over. Ours: iXML
/// has four.
const DEEPEST: usize = 16;
/// Longest value kept; ours.
const LONGEST: usize = 64 << 10;
/// Values and sync points kept at most; ours.
const MOST: usize = 20_000;

/// One sync point.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SyncPoint {
    /// Whether its samples count from midnight, and not from the file's first.
    pub absolute: bool,
    /// What it is for: `MARKER_GENERIC`, `PRE_RECORD_SAMPLECOUNT` and so on.
    pub function: String,
    /// What somebody wrote.
    pub comment: String,
    /// Samples.
    pub at: u64,
    /// Length in samples; 0 for a point. The specification does not state the unit.
    pub length: u64,
}

/// What an iXML chunk says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Ixml {
    /// Values by path below the root, in capitals: `SPEED/TIMECODE_RATE`.
    values: Vec<(String, String)>,
    /// Sync points, in order.
    pub points: Vec<SyncPoint>,
}

impl Ixml {
    /// Returns the first value of a path that is not blank.
    pub fn get(&self, path: &str) -> Option<&str> {
        self.values.iter().find(|(known, _)| known == path).map(|(_, value)| value.as_str())
    }

    /// Tells whether a value says yes.
    pub fn says_yes(&self, path: &str) -> bool {
        self.get(path).is_some_and(|value| {
            ["TRUE", "YES", "1"].iter().any(|yes| value.eq_ignore_ascii_case(yes))
        })
    }

    /// Returns a whole number. Some recorders write 32 bits with a sign.
    pub fn number(&self, path: &str) -> Option<u64> {
        let value = self.get(path)?;
        value.parse().ok().or_else(|| {
            let signed: i32 = value.parse().ok()?;
            Some(u64::from(signed as u32))
        })
    }

    /// Returns a 64-bit number that is written in two halves.
    pub fn halves(&self, high: &str, low: &str) -> Option<u64> {
        let low = self.number(low)?;
        let high = self.number(high).unwrap_or(0);
        Some(high.checked_mul(1 << 32)?.checked_add(low).unwrap_or(low))
    }
}

/// Reads a chunk as far as it can be read; the second says where it could not, as a byte of
/// the text.
pub fn read(bytes: &[u8]) -> (Ixml, Option<(u64, Wrong)>) {
    let text = text::of_xml(bytes);
    let text =
        text.trim_start_matches(|letter: char| letter.is_whitespace() || letter == '\u{FEFF}');
    let mut reading = Reading::default();
    let wrong = reading.all(text.trim_end());
    (reading.ixml, wrong)
}

#[derive(Default)]
struct Reading {
    ixml: Ixml,
    /// Names of the open elements below the root.
    path: Vec<String>,
    depth: usize,
    value: String,
    point: Option<SyncPoint>,
    halves: [Option<u64>; 2],
}

impl Reading {
    fn all(&mut self, text: &str) -> Option<(u64, Wrong)> {
        let mut reader = Reader::from_str(text);
        let config = reader.config_mut();
        config.allow_dangling_amp = true;
        config.allow_unmatched_ends = true;
        config.check_end_names = false;
        config.expand_empty_elements = true;
        let mut last = String::new();
        loop {
            match reader.read_event() {
                Ok(Event::Start(tag)) => {
                    last = tag.local_name().as_ref().to_ascii_uppercase();
                    self.open(&last);
                }
                Ok(Event::End(_)) => self.close(),
                Ok(Event::Text(text)) => self.add(&text),
                Ok(Event::CData(text)) => self.add(&text),
                Ok(Event::GeneralRef(name)) => self.refer(&name),
                Ok(Event::Eof) if self.depth > 0 => {
                    return Some((reader.buffer_position(), stops(&last)));
                }
                Ok(Event::Eof) => return None,
                Ok(_) => {}
                Err(_) => return Some((reader.error_position(), stops(&last))),
            }
            if self.ixml.values.len() + self.ixml.points.len() > MOST {
                let fault = format!("more than {MOST} values; the rest is not read");
                let wrong = Wrong::new(fault, "look at what wrote this file");
                return Some((reader.buffer_position(), wrong));
            }
        }
    }

    fn open(&mut self, name: &str) {
        self.depth += 1;
        self.value.clear();
        if (2..=DEEPEST).contains(&self.depth) {
            self.path.push(name.to_string());
        }
        if name == "SYNC_POINT" {
            self.point = Some(SyncPoint::default());
            self.halves = [None, None];
        }
    }

    fn add(&mut self, text: &str) {
        if self.value.len() + text.len() <= LONGEST {
            self.value.push_str(text);
        }
    }

    /// A reference: the five of XML and characters by number are what they name, anything
    /// else stays as it is written.
    fn refer(&mut self, name: &str) {
        let letter = match name {
            "amp" => Some('&'),
            "lt" => Some('<'),
            "gt" => Some('>'),
            "quot" => Some('"'),
            "apos" => Some('\''),
            _ => name.strip_prefix('#').and_then(|number| {
                let number = match number.strip_prefix(['x', 'X']) {
                    Some(hex) => u32::from_str_radix(hex, 16).ok()?,
                    None => number.parse().ok()?,
                };
                char::from_u32(number)
            }),
        };
        match letter {
            Some(letter) => self.add(letter.encode_utf8(&mut [0; 4])),
            None => self.add(&format!("&{name};")),
        }
    }

    fn close(&mut self) {
        let value = std::mem::take(&mut self.value);
        let value = value.trim();
        if (2..=DEEPEST).contains(&self.depth) {
            let path = self.path.join("/");
            let name = self.path.pop().unwrap_or_default();
            match &mut self.point {
                Some(_) if name == "SYNC_POINT" => self.close_point(),
                Some(point) => note(point, &mut self.halves, &name, value),
                None if !value.is_empty() => self.ixml.values.push((path, value.to_string())),
                None => {}
            }
        }
        self.depth = self.depth.saturating_sub(1);
    }

    fn close_point(&mut self) {
        let Some(mut point) = self.point.take() else { return };
        let [low, high] = self.halves;
        let high = high.unwrap_or(0).checked_mul(1 << 32);
        // A point without samples, or with more than 64 bits of them, is nowhere.
        if let (Some(low), Some(high)) = (low, high)
            && let Some(at) = high.checked_add(low)
        {
            point.at = at;
            self.ixml.points.push(point);
        }
    }
}

/// Notes one field of a sync point, under its present or its older name.
fn note(point: &mut SyncPoint, [low, high]: &mut [Option<u64>; 2], name: &str, value: &str) {
    let number = || {
        let signed = || value.parse::<i32>().ok().map(|signed| u64::from(signed as u32));
        value.parse::<u64>().ok().or_else(signed)
    };
    match name.strip_prefix("SYNC_").unwrap_or(name) {
        "POINT_TYPE" => point.absolute = value.eq_ignore_ascii_case("ABSOLUTE"),
        "POINT_FUNCTION" | "FUNCTION" => point.function = value.to_ascii_uppercase(),
        "POINT_COMMENT" | "COMMENT" => point.comment = value.to_string(),
        "POINT_LOW" | "SAMPLE_COUNT" | "POINT_SAMPLE_COUNT" => *low = number(),
        "POINT_HIGH" => *high = number(),
        "POINT_EVENT_DURATION" | "EVENT_DURATION" => point.length = number().unwrap_or(0),
        _ => {}
    }
}

fn stops(last: &str) -> Wrong {
    let inside =
        if last.is_empty() { String::new() } else { format!(" inside <{}>", shown(last, 40)) };
    Wrong::new(format!("the XML stops{inside}"), "copy the file again from the recorder's card")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn good(text: &str) -> Ixml {
        let (ixml, wrong) = read(text.as_bytes());
        assert_eq!(wrong, None, "{text}");
        ixml
    }

    #[test]
    fn values_are_found_by_path_whatever_their_dress() {
        let ixml = good(
            "\u{FEFF}  <?xml version=\"1.0\"?><BWFXML><Scene> 12A </Scene><NOTE></NOTE>\
             <NOTE>head &amp; tail &#80;L</NOTE><SPEED><TIMECODE_RATE>24000/1001</TIMECODE_RATE>\
             <NOTE>n</NOTE></SPEED><EMPTY/></BWFXML>    \0\0",
        );
        assert_eq!(ixml.get("SCENE"), Some("12A"));
        assert_eq!(ixml.get("NOTE"), Some("head & tail PL"));
        assert_eq!(ixml.get("SPEED/TIMECODE_RATE"), Some("24000/1001"));
        assert_eq!(ixml.get("TAKE"), None);
    }

    #[test]
    fn sync_points_are_read_under_new_and_old_names() {
        let ixml = good(
            "<BWFXML><SYNC_POINT_LIST><SYNC_POINT_COUNT>2</SYNC_POINT_COUNT><SYNC_POINT>\
             <SYNC_POINT_TYPE>ABSOLUTE</SYNC_POINT_TYPE><SYNC_POINT_FUNCTION>MARKER_GENERIC\
             </SYNC_POINT_FUNCTION><SYNC_POINT_COMMENT>PLATE HEAD</SYNC_POINT_COMMENT>\
             <SYNC_POINT_LOW>5</SYNC_POINT_LOW><SYNC_POINT_HIGH>1</SYNC_POINT_HIGH>\
             <SYNC_POINT_EVENT_DURATION>96000</SYNC_POINT_EVENT_DURATION></SYNC_POINT>\
             <SYNC_POINT><POINT_TYPE>RELATIVE</POINT_TYPE><FUNCTION>slate_generic</FUNCTION>\
             <SAMPLE_COUNT>7</SAMPLE_COUNT></SYNC_POINT><SYNC_POINT></SYNC_POINT>\
             </SYNC_POINT_LIST></BWFXML>",
        );
        let [first, second] = ixml.points.as_slice() else { panic!("{:?}", ixml.points) };
        assert_eq!((first.absolute, first.at, first.length), (true, (1 << 32) + 5, 96000));
        assert_eq!((first.comment.as_str(), second.at), ("PLATE HEAD", 7));
        assert_eq!(second.function, "SLATE_GENERIC");
    }

    #[test]
    fn numbers_may_carry_a_sign_or_leading_zeros() {
        // A real recorder writes 2350375830 as -1944591466.
        let ixml = good("<B><LO>-1944591466</LO><HI>0000000000</HI><L>2190940753</L><H>1</H></B>");
        assert_eq!(ixml.halves("HI", "LO"), Some(2_350_375_830));
        assert_eq!(ixml.halves("H", "L"), Some((1 << 32) + 2_190_940_753));
        assert_eq!(ixml.halves("H", "none"), None);
    }

    #[test]
    fn entities_are_never_expanded() {
        let ixml = good(
            "<!DOCTYPE B [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;\">\
             <!ENTITY f SYSTEM \"file:///etc/hostname\">]><B><NOTE>&b;&f;</NOTE></B>",
        );
        assert_eq!(ixml.get("NOTE"), Some("&b;&f;"));
    }

    #[test]
    fn a_bare_ampersand_is_a_letter() {
        assert_eq!(good("<B><NOTE>Tom & Ann</NOTE><TAKE>3</TAKE></B>").get("TAKE"), Some("3"));
    }

    #[test]
    fn xml_that_stops_keeps_what_came_before() {
        let (ixml, wrong) = read(b"<BWFXML><TAKE>3</TAKE><SCENE>12");
        assert_eq!(ixml.get("TAKE"), Some("3"));
        let (at, wrong) = wrong.expect("it stops");
        assert_eq!((at, wrong.fault.as_str()), (31, "the XML stops inside <SCENE>"));
    }

    #[test]
    fn elements_inside_each_other_without_end_are_passed_over() {
        let deep = "<A>".repeat(100_000);
        let (ixml, wrong) = read(format!("<B><TAKE>3</TAKE>{deep}").as_bytes());
        assert_eq!(ixml.get("TAKE"), Some("3"));
        assert!(wrong.is_some());
    }
}
