//! What a recut changes: cuts edited by the timeline format's own library, held against what
//! was done to them; and a package brought up to date.

use crate::little_show;
use crate::outside;

use little_show::{Clip, cut_json, little_show, run};
use std::path::Path;
use std::process::Command;

fn compared(old: &Path, new: &Path) -> serde_json::Value {
    let (_, out, err) = run(&["compare", "--json", text(old), text(new)]);
    serde_json::from_str(&out).unwrap_or_else(|_| panic!("{err}"))
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn clip(name: &str, start: i64, frames: i64) -> Clip<'_> {
    Clip {
        name,
        url: format!("rushes/{name}.mov"),
        rate: "24.0",
        start,
        frames,
        available: Some((86_400, 2_000)),
        speed: None,
        images: None,
        metadata: serde_json::json!({}),
    }
}

/// Does to a cut what an editor does, with the timeline format's own library.
const RECUT: &str = "
import opentimelineio as otio, sys
cut = otio.adapters.read_from_file(sys.argv[1])
track = cut.video_tracks()[0]
T = lambda n: otio.opentime.RationalTime(n, 24)
by = {c.name: c for c in track}
r = by['trim'].source_range
by['trim'].source_range = otio.opentime.TimeRange(r.start_time + T(5), r.duration - T(10))
r = by['little'].source_range
by['little'].source_range = otio.opentime.TimeRange(r.start_time - T(8), r.duration + T(8))
r = by['long'].source_range
by['long'].source_range = otio.opentime.TimeRange(r.start_time - T(3), r.duration + T(23))
r = by['slip'].source_range
by['slip'].source_range = otio.opentime.TimeRange(r.start_time + T(30), r.duration)
by['fast'].effects.append(otio.schema.LinearTimeWarp(time_scalar=2.0))
del track[track.index(by['gone'])]
fresh = by['same'].deepcopy(); fresh.name = 'fresh'
fresh.media_reference.target_url = 'rushes/fresh.mov'
track.insert(0, fresh)
otio.adapters.write_to_file(cut, sys.argv[2])
";

#[test]
fn every_kind_of_change_is_told_with_its_frames() {
    let Some(python) = outside::python() else {
        outside::skipped("no Python with the timeline format's own library: no cut was edited");
        return;
    };
    let folder = tempfile::tempdir().expect("room");
    let names = ["same", "trim", "little", "long", "slip", "fast", "gone"];
    let clips: Vec<Clip<'_>> = names.iter().map(|name| clip(name, 86_500, 60)).collect();
    let (old, new) = (folder.path().join("old.otio"), folder.path().join("new.otio"));
    std::fs::write(&old, cut_json("v1", &clips)).expect("written");
    let done = Command::new(python).args(["-c", RECUT]).args([&old, &new]).output().expect("runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let comparison = compared(&old, &new);
    let told: Vec<(&str, &str)> = (comparison["uses"].as_array().expect("a list").iter())
        .map(|one| (one["clip"].as_str().expect("text"), one["change"].as_str().expect("text")))
        .collect();
    assert_eq!(
        told,
        [
            ("fresh", "new"),
            ("same", "unchanged"),
            ("trim", "inside-plate"),
            ("little", "inside-plate"),
            ("long", "longer-than-plate"),
            ("slip", "slipped"),
            ("fast", "retimed"),
            ("gone", "gone"),
        ]
    );
    let of = |clip: &str| {
        let uses = comparison["uses"].as_array().expect("a list");
        uses.iter().find(|one| one["clip"] == clip).expect("is there").clone()
    };
    assert_eq!(
        (&of("trim")["head_frames"], &of("trim")["tail_frames"]),
        (&(-5).into(), &(-5).into())
    );
    // Three more fit into the handles of eight; of twenty at the tail twelve do not.
    let long = of("long");
    assert_eq!((&long["beyond_head"], &long["beyond_tail"]), (&0.into(), &12.into()));
    assert_eq!(of("slip")["beyond_tail"], 22);
    let back = compared(&new, &new);
    assert_eq!(back["totals"]["unchanged"], 7);
}

#[test]
fn the_same_clip_used_often_is_paired_in_order() {
    let folder = tempfile::tempdir().expect("room");
    let (old, new) = (folder.path().join("old.otio"), folder.path().join("new.otio"));
    let uses = |shift: i64| -> Vec<Clip<'static>> {
        (0..6).map(|at| clip("one", 86_400 + 100 * at + shift, 50)).collect()
    };
    std::fs::write(&old, cut_json("v1", &uses(0))).expect("written");
    std::fs::write(&new, cut_json("v2", &uses(4))).expect("written");
    let comparison = compared(&old, &new);
    for (at, one) in comparison["uses"].as_array().expect("a list").iter().enumerate() {
        assert_eq!(one["change"], "inside-plate", "{one}");
        assert_eq!(one["old"]["pointer"], format!("/tracks/children/0/children/{at}"));
        assert_eq!((&one["head_frames"], &one["tail_frames"]), (&(-4).into(), &4.into()));
    }
}

#[test]
fn a_package_is_brought_up_to_date_and_keeps_what_holds() {
    let Some(show) = little_show() else { return };
    let (code, err) = show.turnover(&["--verify", "--all"]);
    assert_eq!(code, 0, "{err}");
    let plate = show.findings()["uses"][0]["plate"]["file"].as_str().expect("a plate").to_string();
    let before = std::fs::read(show.out.join(&plate)).expect("read");
    let unchanged = compared(&show.out, &show.cut);
    assert_eq!(unchanged["uses"][0]["change"], "unchanged");
    assert_eq!(unchanged["uses"][0]["render_holds"], true);
    assert_eq!(unchanged["uses"][0]["plate"], plate.as_str());

    let written = std::fs::read_to_string(&show.cut).expect("read");
    let mut cut: serde_json::Value = serde_json::from_str(&written).expect("JSON");
    let range = &mut cut["tracks"]["children"][0]["children"][0]["source_range"];
    let frames = range["duration"]["value"].as_f64().expect("a number");
    range["duration"]["value"] = (frames - 6.0).into();
    let recut = show.folder.path().join("recut.otio");
    std::fs::write(&recut, cut.to_string()).expect("written");
    let next = show.folder.path().join("next");
    let (media, out) = (text(&show.media), text(&show.out));
    let args = ["compare", out, text(&recut), "--media", media, "-o", text(&next)];
    let (code, said, err) = run(&args);
    assert!(code == 0 || code == 1, "{err}");
    assert!(said.contains("6 frames fewer at the tail, its plate holds"), "{said}");
    let written = std::fs::read(next.join("findings.json")).expect("handed back");
    let findings: serde_json::Value = serde_json::from_slice(&written).expect("JSON");
    for asked in ["verify", "look_at_all"] {
        assert_eq!(findings["settings"][asked], true, "{asked} is remembered");
    }
    let found = &findings["uses"][0];
    assert_eq!(found["shot"], show.findings()["uses"][0]["shot"], "the shot keeps its name");
    let again = found["plate"]["file"].as_str().expect("a plate");
    assert!(again.contains("_v002"), "{again}");
    assert_eq!(std::fs::read(next.join(&plate)).expect("kept"), before, "version 1 is as it was");
    assert_eq!(std::fs::read(show.out.join(&plate)).expect("kept"), before);
}
