//! Our marks on timelines and off again: on invented cuts in several layouts, and on the
//! sample files of the timeline format's own project where they lie beside this one.

mod cut;
mod fixtures;
mod hostile;
#[path = "../outside/mod.rs"]
mod outside;
mod places;
mod reference;
mod resaved;
mod samples;
mod speed;
mod written;

use cut::Walked;
use platesmith::annotate::{Marked, Options, annotate, strip};
use platesmith::timeline::json::Document;

/// The folder plates are said to lie in.
const PLATES: &str = "/shows/Quiet Römer/out/plates";

fn parse(bytes: &[u8]) -> Document {
    Document::parse("cut.otio", bytes.to_vec()).expect("a document")
}

fn options() -> Options {
    Options { file: "cut.otio".into(), ..Options::default() }
}

/// Annotates a file with everything its cut is said to hold.
fn annotated(bytes: &[u8], options: &Options) -> Vec<u8> {
    annotated_with(bytes, options, |_| true)
}

/// Annotates a file with some of its uses.
fn annotated_with(bytes: &[u8], options: &Options, keep: impl Fn(&Marked<'_>) -> bool) -> Vec<u8> {
    let mut document = parse(bytes);
    let walked = cut::walk(&document).expect("a cut");
    let marked: Vec<Marked<'_>> = walked.marked(PLATES).into_iter().filter(keep).collect();
    annotate(&mut document, &walked.timeline, walked.rate, &marked, options).expect("marks");
    document.write()
}

fn stripped(bytes: &[u8]) -> Vec<u8> {
    let mut document = parse(bytes);
    strip(&mut document);
    document.write()
}

fn walked(bytes: &[u8]) -> Option<Walked> {
    cut::walk(&parse(bytes))
}

/// Shows where two files part, so that a failure can be read.
fn assert_same(left: &[u8], right: &[u8], what: &str) {
    if left == right {
        return;
    }
    let at = left.iter().zip(right).take_while(|(a, b)| a == b).count();
    let near = |bytes: &[u8]| {
        let from = at.saturating_sub(120);
        String::from_utf8_lossy(&bytes[from..(at + 120).min(bytes.len())]).into_owned()
    };
    panic!("{what}: differ at byte {at}\n--- left\n{}\n--- right\n{}", near(left), near(right));
}
