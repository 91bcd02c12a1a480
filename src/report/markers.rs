//! `markers.tsv`: the markers as a list, for programs that import one.

use super::cells::one_line;
use super::clock::cut_label;
use crate::findings::Findings;
use crate::marks::{marker_colour, marker_text};

/// Returns the bytes of `markers.tsv`: tab-separated, a row of headings, then one row for
/// each marker; no cell holds a tab or a quote that would need one.
///
/// `cut_timecode` is `#N` (from 0) where the cut has no start timecode. `track` counts the
/// children of the cut's track stack from 1; picture tracks come first in it by common
/// practice, no source. A marker is one frame long, as on the timeline.
pub fn bytes(findings: &Findings) -> Vec<u8> {
    let mut list = String::from("cut_timecode\ttrack\tcolour\ttext\tframes\n");
    for found in &findings.uses {
        let Some(colour) = marker_colour(found.verdict) else { continue };
        let at = cut_label(&findings.cut, found.range_in_cut.start);
        let text = one_line(&marker_text(found));
        list.push_str(&format!("{at}\tV{}\t{colour}\t{text}\t1\n", track(&found.pointer)));
    }
    list.into_bytes()
}

/// The number of the root track in `/tracks/children/N/...`, counted from 1.
fn track(pointer: &str) -> u64 {
    let below = pointer.strip_prefix("/tracks/children/");
    let number = below.and_then(|below| below.split('/').next()).and_then(|n| n.parse().ok());
    number.map_or(1, |number: u64| number.saturating_add(1))
}

#[cfg(test)]
mod tests {
    use super::track;

    #[test]
    fn the_track_is_the_first_index() {
        assert_eq!(track("/tracks/children/2/children/7/children/0"), 3);
        assert_eq!(track("/children/0"), 1);
        assert_eq!(track(""), 1);
    }
}
