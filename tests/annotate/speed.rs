//! A reel of 2,500 clips is marked in the time of a few reads. Wide limits: they catch a
//! walk that is quadratic (ten times over), not a busy machine.

use super::fixtures::{Recipe, text};
use super::{PLATES, options, parse, walked};
use platesmith::annotate::{annotate, strip};
use serde_json::json;
use std::time::{Duration, Instant};

#[test]
fn a_long_reel_takes_no_longer_than_it_must() {
    let mut cut = Recipe { clips: 2_500, ..Recipe::modern() }.cut();
    // Hosts write some kilobytes of their own on every clip.
    let ballast: Vec<_> = (0..12).map(|at| json!({"id": at, "value": "some words"})).collect();
    for clip in cut["tracks"]["children"][1]["children"].as_array_mut().expect("clips") {
        clip["metadata"]["host"]["parameters"] = json!(ballast);
    }
    let bytes = text(&cut, "    ").into_bytes();
    let walked = walked(&bytes).expect("a cut");
    let uses = walked.marked(PLATES);
    let mut document = parse(&bytes);
    // The shortest of several runs, so that other work on the machine counts less.
    let timed = |what: &str, work: &mut dyn FnMut() -> Duration| {
        let took = (0..5).map(|_| work()).min().unwrap_or_default();
        eprintln!("{what}: {took:?}");
        assert!(took < Duration::from_secs(1), "{what} took {took:?}");
    };
    eprintln!("{} uses, {} bytes", uses.len(), bytes.len());
    timed("parse", &mut || clocked(|| drop(parse(&bytes))));
    timed("annotate", &mut || {
        document = parse(&bytes);
        clocked(|| {
            annotate(&mut document, "", walked.rate, &uses, &options()).expect("marks");
        })
    });
    let mut written = Vec::new();
    timed("write", &mut || clocked(|| written = document.write()));
    timed("annotate again", &mut || {
        let mut again = parse(&written);
        let took = clocked(|| {
            annotate(&mut again, "", walked.rate, &uses, &options()).expect("marks");
        });
        assert!(again.write() == written);
        took
    });
    timed("strip", &mut || {
        let mut back = parse(&written);
        let took = clocked(|| {
            strip(&mut back);
        });
        assert!(back.write() == bytes);
        took
    });
}

fn clocked(work: impl FnOnce()) -> Duration {
    let start = Instant::now();
    work();
    start.elapsed()
}
