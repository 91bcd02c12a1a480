//! Reading a cut and walking it to its uses, on timelines made here.

use crate::cuts;

use cuts::*;
use platesmith::settings::ReverseAnchor;
use platesmith::time::{FrameRange, Rate, exact_text, fraction};
use platesmith::timeline::{ReadOptions, ReferenceKind, Speed};
use serde_json::json;

fn r(start: i64, end: i64) -> FrameRange {
    FrameRange::new(start, end)
}

#[test]
fn a_transition_at_a_retimed_clip_takes_its_overlap_at_its_speed() {
    let fast = with(clip("fast", 1000, 24), "effects", json!([warp(2.0)]));
    let cut = read(&timeline(vec![track(vec![
        clip("a", 0, 24),
        transition(6, 8),
        fast,
        transition(4, 0),
        clip("b", 500, 24),
    ])]));
    // By the rules of the format: overlap times speed.
    assert_eq!(cut.uses[0].used_in_clip, Some(r(0, 32)));
    assert_eq!(cut.uses[1].used_in_clip, Some(r(1000 - 12, 1000 + 48)));
    assert_eq!(cut.uses[1].range_in_cut, r(24, 48));
    assert_eq!(cut.uses[2].used_in_clip, Some(r(496, 524)));
    // Clear of both transitions, in the clip's own time.
    assert_eq!(cut.uses[1].first_clear_in_clip, Some(1008));
    assert_eq!(cut.uses[2].first_clear_in_clip, Some(500));
}

#[test]
fn a_dissolve_from_an_edit_list_lies_after_its_cut() {
    let cut =
        read(&timeline(vec![track(vec![clip("a", 100, 24), transition(0, 12), clip("b", 0, 24)])]));
    assert_eq!(cut.uses[0].used_in_clip, Some(r(100, 136)));
    assert_eq!(cut.uses[1].used_in_clip, Some(r(0, 24)));
    assert_eq!(cut.uses[1].first_clear_in_clip, Some(12));
}

#[test]
fn a_clip_wholly_in_transitions_is_marked_on_its_first_frame() {
    let cut = read(&timeline(vec![track(vec![
        clip("a", 0, 24),
        transition(2, 5),
        clip("b", 100, 8),
        transition(5, 2),
        clip("c", 0, 24),
    ])]));
    assert_eq!(cut.uses[1].first_clear_in_clip, Some(100));
}

#[test]
fn a_reverse_clip_is_judged_in_both_readings_and_rendered_in_one() {
    let back = with(clip("back", 100, 10), "effects", json!([warp(-1.0)]));
    let made = timeline(vec![track(vec![back])]);
    let cut = read(&made);
    let used = &cut.uses[0];
    // n = 10 from s = 100: [s-n+1, s+1) and [s, s+n).
    assert_eq!(used.used_in_clip, Some(r(91, 110)));
    assert_eq!(used.rendered_in_clip, Some(r(91, 101)));
    assert_eq!(used.media_frame_of_cut_frame(0, Rate::FILM), Some(100));
    assert_eq!(used.media_frame_of_cut_frame(9, Rate::FILM), Some(91));
    assert_eq!(used.media_frame_of_cut_frame(10, Rate::FILM), None);
    // The head handle is where the clip starts: at the high end.
    assert_eq!(used.need_in_clip(8, 2, Rate::FILM), Some(r(89, 118)));
    let options = ReadOptions { reverse_anchor: ReverseAnchor::End, ..Default::default() };
    let cut = read_with(&made, &options);
    assert_eq!(cut.uses[0].used_in_clip, Some(r(91, 110)));
    assert_eq!(cut.uses[0].rendered_in_clip, Some(r(100, 110)));
    assert_eq!(cut.uses[0].media_frame_of_cut_frame(0, Rate::FILM), Some(109));
}

#[test]
fn a_freeze_holds_the_frame_at_its_start() {
    let freeze = json!({"OTIO_SCHEMA": "FreezeFrame.1", "effect_name": "FreezeFrame",
                        "time_scalar": 3.0});
    for effect in [freeze, warp(0.0)] {
        let cut =
            read(&timeline(vec![track(vec![with(clip("f", 77, 50), "effects", json!([effect]))])]));
        let used = &cut.uses[0];
        assert_eq!((&used.speed, used.used_in_clip), (&Speed::Freeze, Some(r(77, 78))));
        assert_eq!(used.media_frame_of_cut_frame(49, Rate::FILM), Some(77));
        assert_eq!(used.need_in_clip(8, 8, Rate::FILM), Some(r(77, 78)));
    }
}

#[test]
fn handles_grow_with_speed_and_rate_and_are_rounded_up() {
    let slow = with(clip("s", 100, 10), "effects", json!([warp(0.3)]));
    let cut = read(&timeline(vec![track(vec![slow])]));
    assert_eq!(cut.uses[0].used_in_clip, Some(r(100, 103)));
    // 8 cut frames x 0.3 = 2.4 media frames.
    assert_eq!(cut.uses[0].need_in_clip(8, 0, Rate::FILM), Some(r(97, 103)));
    let cut = read(&timeline(vec![track(vec![clip("a", 0, 24), at_rate("b", 50, 25, 25.0)])]));
    // 8 frames at 24 are 8.33 at 25.
    assert_eq!(cut.uses[1].need_in_clip(8, 8, Rate::FILM), Some(r(41, 84)));
}

#[test]
fn a_slow_clip_shows_each_frame_twice() {
    let slow = with(clip("s", 10, 8), "effects", json!([warp(0.5)]));
    let cut = read(&timeline(vec![track(vec![clip("a", 0, 4), slow])]));
    let shown: Vec<_> =
        (4..12).map(|at| cut.uses[1].media_frame_of_cut_frame(at, Rate::FILM)).collect();
    assert_eq!(shown, [10, 10, 11, 11, 12, 12, 13, 13].map(Some));
    assert_eq!(cut.uses[1].media_at(&fraction(1, 24)), Some(fraction(21, 2)));
}

#[test]
fn speeds_of_clip_and_nest_multiply_and_trims_cut_at_every_level() {
    let inner = with(clip("in", 1000, 100), "effects", json!([warp(3.0)]));
    let nest = with(
        stack(vec![track(vec![clip("x", 0, 20), inner])]),
        "source_range",
        range(10, 20, 24.0),
    );
    let nest = with(nest, "effects", json!([warp(2.0)]));
    let cut = read(&timeline(vec![track(vec![clip("a", 0, 5), nest])]));
    // The nest shows its frames [10, 50): 10 of x, then 30 of the inner clip at 2 x 3.
    assert_eq!(cut.uses[1].used_in_clip, Some(r(10, 20)));
    assert_eq!(cut.uses[1].range_in_cut, r(5, 10));
    assert_eq!(cut.uses[2].used_in_clip, Some(r(1000, 1090)));
    assert_eq!(cut.uses[2].range_in_cut, r(10, 25));
    assert_eq!(cut.uses[2].speed, Speed::Constant(fraction(6, 1)));
}

#[test]
fn a_nest_at_a_transition_shows_more_of_its_inside() {
    let nest =
        with(stack(vec![track(vec![clip("n", 100, 60)])]), "source_range", range(20, 20, 24.0));
    let cut = read(&timeline(vec![track(vec![clip("a", 0, 24), transition(5, 7), nest])]));
    assert_eq!(cut.uses[1].used_in_clip, Some(r(115, 140)));
    assert_eq!(cut.uses[1].range_in_cut, r(24, 44));
    assert_eq!(cut.uses[1].first_clear_in_clip, Some(127));
}

#[test]
fn a_speed_without_a_model_is_said() {
    for (effect, said) in [
        (json!({"OTIO_SCHEMA": "TimeEffect.1", "effect_name": "curve"}), "TimeEffect \"curve\""),
        (
            json!({"OTIO_SCHEMA": "Vendor_Retime.3", "effect_name": ""}),
            "Vendor_Retime \"Vendor_Retime.3\"",
        ),
        (json!({"OTIO_SCHEMA": "Effect.1", "effect_name": "Speed Ramp"}), "Effect \"Speed Ramp\""),
        (json!({"OTIO_SCHEMA": "LinearTimeWarp.1"}), "LinearTimeWarp without time_scalar"),
    ] {
        let cut =
            read(&timeline(vec![track(vec![with(clip("c", 0, 9), "effects", json!([effect]))])]));
        let used = &cut.uses[0];
        assert_eq!(used.speed, Speed::Unknown(said.into()));
        assert_eq!((used.used_in_clip, used.need_in_clip(8, 8, Rate::FILM)), (None, None));
        assert_eq!((used.range_in_cut, used.first_clear_in_clip), (r(0, 9), Some(0)));
    }
    let off = json!({"OTIO_SCHEMA": "TimeEffect.1", "effect_name": "curve", "enabled": false});
    let cut = read(&timeline(vec![track(vec![with(clip("c", 0, 9), "effects", json!([off]))])]));
    assert_eq!(cut.uses[0].used_in_clip, Some(r(0, 9)));
}

#[test]
fn a_speed_scalar_that_is_no_number_is_said() {
    let text = timeline(vec![track(vec![with(clip("c", 0, 9), "effects", json!([warp(0.25)]))])])
        .to_string()
        .replace("0.25", "NaN");
    let cut = read_text(&text).expect("read");
    assert_eq!(cut.uses[0].speed, Speed::Unknown("LinearTimeWarp with time_scalar NaN".into()));
    assert_eq!(cut.document.write(), text.as_bytes());
}

#[test]
fn other_effects_are_named_once_from_clip_and_nest() {
    let effect = |name: &str| json!({"OTIO_SCHEMA": "Effect.1", "effect_name": name, "name": ""});
    let inner = with(clip("c", 0, 24), "effects", json!([effect("Flop"), effect("Resize")]));
    let nest = with(
        stack(vec![track(vec![inner])]),
        "effects",
        json!([effect("Resize"), effect("Shake")]),
    );
    let cut = read(&timeline(vec![track(vec![nest])]));
    assert_eq!(cut.uses[0].reframes, ["Resize", "Shake", "Flop"]);
}

#[test]
fn what_is_disabled_keeps_its_time_and_is_skipped() {
    let off = with(clip("off", 0, 24), "enabled", json!(false));
    let dark = with(track(vec![clip("dark", 0, 240)]), "enabled", json!(false));
    let cut = read(&timeline(vec![track(vec![off, clip("on", 0, 24)]), dark]));
    assert_eq!(cut.uses.len(), 1);
    assert_eq!((cut.uses[0].range_in_cut, cut.frames), (r(24, 48), 240));
    assert_eq!(cut.counted.disabled, 2);
}

#[test]
fn sound_and_what_a_host_makes_are_counted() {
    let made = |kind: &str| {
        let reference = json!({"OTIO_SCHEMA": "GeneratorReference.1", "generator_kind": kind, "parameters": {}});
        with(clip("g", 0, 24), "media_references", json!({"DEFAULT_MEDIA": reference}))
    };
    let sound = with(track(vec![clip("s", 0, 24), json!(null)]), "kind", json!("Audio"));
    let missing = json!({"DEFAULT_MEDIA": {"OTIO_SCHEMA": "MissingReference.1"}});
    let layer = with(clip("Adjustment Clip", 0, 24), "media_references", missing);
    let picture =
        track(vec![made("SMPTEBars"), made("Rich Text Title"), made("adjustment"), layer, gap(5)]);
    let cut = read(&timeline(vec![picture, sound]));
    let counted = cut.counted;
    assert_eq!((counted.audio, counted.generators, counted.titles), (1, 1, 1));
    assert_eq!((counted.adjustments, counted.gaps, cut.uses.len()), (2, 1, 0));
    assert!(cut.faults.is_empty(), "sound is not judged");
}

#[test]
fn mixed_rates_are_exact() {
    let ntsc = at_rate("ntsc", 0, 30, 29.97);
    let cut =
        read(&timeline(vec![track(vec![ntsc, clip("film", 0, 24), at_rate("pal", 5, 25, 25.0)])]));
    // 30 frames at 30000/1001 last 1001/1000 s.
    assert_eq!(cut.rate.to_string(), "30000/1001");
    assert_eq!(exact_text(&cut.uses[1].record.start), "1001/1000");
    assert_eq!(exact_text(&cut.uses[2].record.start), "2001/1000");
    assert_eq!(cut.uses[1].range_in_cut, r(30, 60));
    assert_eq!(cut.uses[2].used_in_clip, Some(r(5, 30)));
    let options = ReadOptions { cut_rate: Rate::new(24, 1), ..Default::default() };
    let cut = read_with(
        &timeline(vec![track(vec![at_rate("a", 0, 30, 29.97), clip("b", 0, 24)])]),
        &options,
    );
    assert_eq!(cut.uses[1].range_in_cut, r(24, 49), "start floor, end ceiling");
}

#[test]
fn the_start_of_the_cut_gives_rate_and_label() {
    let start = json!({"OTIO_SCHEMA": "RationalTime.1", "value": 107_892, "rate": 29.97});
    let cut =
        read(&with(timeline(vec![track(vec![clip("a", 0, 24)])]), "global_start_time", start));
    assert_eq!(cut.rate.to_string(), "30000/1001");
    assert_eq!(cut.start_timecode.as_deref(), Some("01:00:00;00"));
}

#[test]
fn tracks_of_edit_lists_keep_their_distance() {
    let list = |start: i64, name: &str| {
        with(track(vec![clip(name, 0, 48)]), "source_range", range(-start, 48, 24.0))
    };
    let made = timeline(vec![list(86_500, "a"), list(86_400, "b")]);
    let cut = read(&made);
    let at = |name: &str, cut: &platesmith::timeline::Cut| {
        cut.uses.iter().find(|used| used.clip == name).map(|used| used.range_in_cut)
    };
    assert_eq!((at("a", &cut), at("b", &cut)), (Some(r(100, 148)), Some(r(0, 48))));
    assert_eq!(cut.start_timecode.as_deref(), Some("01:00:00:00"));
    let start = json!({"OTIO_SCHEMA": "RationalTime.1", "value": 86_376, "rate": 24});
    let cut = read(&with(made, "global_start_time", start));
    assert_eq!((at("a", &cut), at("b", &cut)), (Some(r(124, 172)), Some(r(24, 72))));
}

#[test]
fn a_clip_under_opaque_clips_is_covered() {
    let below = || track(vec![clip("low", 0, 48)]);
    let covered = |top: serde_json::Value| {
        let cut = read(&timeline(vec![below(), top]));
        let low = cut.uses.iter().find(|used| used.clip == "low").expect("a use");
        low.covered
    };
    assert!(covered(track(vec![clip("top", 0, 48)])));
    assert!(covered(track(vec![clip("one", 0, 20), clip("two", 0, 28)])), "side by side");
    assert!(covered(track(vec![stack(vec![track(vec![clip("top", 0, 48)])])])), "a nest");
    assert!(!covered(track(vec![clip("top", 0, 47)])), "too short");
    assert!(!covered(track(vec![gap(1), clip("top", 0, 47)])), "too late");
    assert!(!covered(track(vec![clip("one", 0, 20), transition(2, 2), clip("two", 0, 28)])));
    let effect = json!([{"OTIO_SCHEMA": "Effect.1", "effect_name": "Blur"}]);
    assert!(!covered(track(vec![with(clip("top", 0, 48), "effects", effect.clone())])));
    assert!(!covered(with(track(vec![clip("top", 0, 48)]), "effects", effect.clone())));
    assert!(!covered(track(vec![with(
        stack(vec![track(vec![clip("top", 0, 48)])]),
        "effects",
        effect
    )])));
    let faded = json!({"host": {"blend_mode": "screen"}});
    assert!(!covered(track(vec![with(clip("top", 0, 48), "metadata", faded)])));
    assert!(covered(track(vec![with(clip("top", 0, 48), "metadata", json!({"opacity": 100}))])));
    assert!(!covered(track(vec![with(clip("top", 0, 48), "enabled", json!(false))])));
    assert!(!covered(with(track(vec![clip("top", 0, 48)]), "enabled", json!(false))));
    let title = with(
        clip("top", 0, 48),
        "media_references",
        json!({"DEFAULT_MEDIA":
        {"OTIO_SCHEMA": "ExternalReference.1", "target_url": "titles/lower%20third.png"}}),
    );
    assert!(!covered(track(vec![title])), "a graphic may be transparent");
}

#[test]
fn an_effect_above_the_cover_leaves_it_open() {
    let blur = json!([{"OTIO_SCHEMA": "Effect.1", "effect_name": "Blur"}]);
    let cut = read(&timeline(vec![
        track(vec![clip("low", 0, 24), clip("next", 0, 24)]),
        track(vec![clip("cover", 0, 48)]),
        track(vec![gap(30), with(clip("fx", 0, 10), "effects", blur)]),
    ]));
    let covered: Vec<_> =
        cut.uses.iter().filter(|used| used.covered).map(|used| used.clip.as_str()).collect();
    assert_eq!(covered, ["low"]);
}

#[test]
fn in_a_nest_its_own_upper_tracks_cover() {
    let nest = stack(vec![track(vec![clip("in low", 0, 24)]), track(vec![clip("in top", 0, 24)])]);
    let cut = read(&timeline(vec![track(vec![nest, clip("after", 0, 24)])]));
    let seen: Vec<_> = cut.uses.iter().map(|used| (used.clip.as_str(), used.covered)).collect();
    assert_eq!(seen, [("in low", true), ("in top", false), ("after", false)]);
}

#[test]
fn marks_of_an_earlier_run_are_no_uses() {
    let ours = with(track(vec![clip("plate", 0, 24)]), "metadata", json!({"platesmith": {"v": 1}}));
    let mark =
        json!({"OTIO_SCHEMA": "Marker.2", "name": "QLN_012_0010", "metadata": {"platesmith": {}}});
    let marked = with(clip("a", 0, 24), "markers", json!([mark]));
    let nest = stack(vec![track(vec![marked]), ours.clone()]);
    let cut = read(&timeline(vec![track(vec![nest]), ours]));
    assert_eq!((cut.uses.len(), cut.counted.ours), (1, 2));
    assert_eq!((cut.uses[0].shot_name.as_deref(), cut.uses[0].covered), (None, false));
}

#[test]
fn a_shot_is_named_by_marker_then_metadata() {
    let markers = json!([{"OTIO_SCHEMA": "Marker.2", "name": "fix boom"},
                         {"OTIO_SCHEMA": "Marker.2", "name": "", "comment": "QLN_012_0010"}]);
    let metadata = json!({"host": {"shot_name": "from metadata 1", "vfx": "x"}});
    let by_metadata = with(clip("a", 0, 24), "metadata", metadata.clone());
    let both = with(by_metadata.clone(), "markers", markers);
    let cut = read(&timeline(vec![track(vec![both, by_metadata, clip("c", 0, 24)])]));
    let names: Vec<_> = cut.uses.iter().map(|used| used.shot_name.as_deref()).collect();
    assert_eq!(names, [Some("QLN_012_0010"), Some("from metadata 1"), None]);
}

#[test]
fn references_come_active_first_with_their_texts() {
    let sequence = json!({"OTIO_SCHEMA": "ImageSequenceReference.1", "target_url_base": "seq/",
        "name_prefix": "A001.", "name_suffix": ".dpx", "start_frame": 1001, "frame_step": 2,
        "rate": 24, "frame_zero_padding": 7, "missing_frame_policy": "error",
        "available_range": range(100, 48, 24.0), "metadata": {"reel/name": "A001", "n": "none"}});
    let proxy = json!({"OTIO_SCHEMA": "ExternalReference.1", "target_url": "p.mov", "name": "p"});
    let metadata = json!({"host": {"list": ["x", "10:00:00:00"], "empty": ""}});
    let many = with(clip("a", 100, 24), "media_references", json!({"p": proxy, "seq": sequence}));
    let many = with(with(many, "active_media_reference_key", json!("seq")), "metadata", metadata);
    let cut = read(&timeline(vec![track(vec![many])]));
    let references = &cut.uses[0].references;
    assert_eq!(references.iter().map(|one| one.key.as_str()).collect::<Vec<_>>(), ["seq", "p"]);
    assert!(matches!(
        &references[0].kind,
        ReferenceKind::Sequence { start_frame: 1001, frame_step: 2, padding: 7, .. }
    ));
    assert_eq!(references[0].available, Some((fraction(100, 1), fraction(148, 1))));
    assert_eq!(references[1].name.as_deref(), Some("p"));
    let texts: Vec<(&str, &str)> =
        cut.uses[0].texts.iter().map(|(at, text)| (at.as_str(), text.as_str())).collect();
    assert!(texts.contains(&("/metadata/host/list/1", "10:00:00:00")), "{texts:?}");
    assert!(texts.contains(&("/media_references/seq/metadata/reel~1name", "A001")), "{texts:?}");
    assert_eq!(texts.len(), 2);
}

#[test]
fn older_names_are_read() {
    let old = json!({"OTIO_SCHEMA": "Clip.1", "name": "old", "source_range": range(10, 24, 24.0),
        "media_reference": {"OTIO_SCHEMA": "ExternalReference.1", "target_url": "a.mov"},
        "markers": [{"OTIO_SCHEMA": "Marker.1", "name": "AB_0010", "range": range(12, 1, 24.0)}]});
    let filler =
        json!({"OTIO_SCHEMA": "Filler.1", "name": null, "source_range": range(0, 12, 24.0)});
    let sequence = json!({"OTIO_SCHEMA": "Sequence.1", "kind": "Video", "children": [filler, old]});
    let cut = read(&timeline(vec![sequence]));
    assert_eq!(cut.uses[0].range_in_cut, r(12, 36));
    assert_eq!(cut.uses[0].shot_name.as_deref(), Some("AB_0010"));
    assert!(
        matches!(&cut.uses[0].references[0].kind, ReferenceKind::External { url } if url == "a.mov")
    );
}

#[test]
fn of_equal_keys_the_first_decides() {
    let text = timeline(vec![track(vec![clip("a", 7, 24)])]).to_string();
    let twice = text.replace("\"name\":\"a\"", "\"name\":\"a\",\"name\":\"b\"");
    let cut = read_text(&twice).expect("read");
    assert_eq!(cut.uses[0].clip, "a");
    assert_eq!(cut.document.write(), twice.as_bytes());
}

#[test]
fn a_timeline_is_chosen_by_name() {
    let named =
        |name: &str| with(timeline(vec![track(vec![clip(name, 0, 24)])]), "name", json!(name));
    let bin = json!({"OTIO_SCHEMA": "SerializableCollection.1", "name": "bin",
                     "children": [clip("loose", 0, 24), named("reel 1"), named("reel 2")]});
    let options = ReadOptions { timeline: Some("reel 2".into()), ..Default::default() };
    let cut = read_with(&bin, &options);
    assert_eq!((cut.name.as_str(), cut.timeline_pointer.as_str()), ("reel 2", "/children/2"));
    assert_eq!(cut.uses[0].pointer, "/children/2/tracks/children/0/children/0");
    assert!(cut.is_timeline);
    let several = read_text(&bin.to_string()).expect_err("several");
    assert_eq!(several.to_string(), "cut.otio: 2 timelines in one file: \"reel 1\", \"reel 2\"");
}

#[test]
fn loose_items_start_at_zero_on_tracks_of_their_own() {
    let bin = json!([clip("one", 5, 24), {"deep": 1}, track(vec![clip("two", 0, 10), clip("three", 0, 10)])]);
    let cut = read(&bin);
    assert!(!cut.is_timeline);
    let seen: Vec<_> = cut
        .uses
        .iter()
        .map(|used| (used.pointer.as_str(), used.track, used.range_in_cut))
        .collect();
    assert_eq!(
        seen,
        [("/0", 0, r(0, 24)), ("/2/children/0", 1, r(0, 10)), ("/2/children/1", 1, r(10, 20))]
    );
}

#[test]
fn each_use_knows_its_clip_in_the_document() {
    let cut = read(&timeline(vec![
        track(vec![gap(3), clip("a", 0, 24), stack(vec![clip("b", 0, 4)])]),
        track(vec![clip("c", 0, 9)]),
    ]));
    assert_eq!(cut.uses.len(), 3);
    for (used, node) in cut.uses.iter().zip(&cut.nodes) {
        assert_eq!(cut.document.node(*node).pointer(), used.pointer);
    }
}

#[test]
fn odd_rates_by_the_thousand_do_not_hang() {
    // Each rate is another prime number of thousandths: exact positions would grow by it.
    let is_prime = |n: &i64| (2..).take_while(|d| d * d <= *n).all(|d| n % d != 0);
    let rates = (20_011..).filter(is_prime).take(1500);
    let clips = rates.map(|rate| at_rate("c", 0, 24, rate as f64 / 1000.0)).collect();
    let cut = read(&timeline(vec![track(clips)]));
    assert_eq!(cut.uses.len(), 1500);
    let ends = cut.uses.windows(2).all(|pair| pair[0].record.end == pair[1].record.start);
    assert!(ends, "positions still follow each other");
}

#[test]
fn deep_nests_are_walked() {
    let mut nest = track(vec![clip("deep", 100, 24)]);
    for _ in 0..400 {
        nest = track(vec![nest]);
    }
    let cut = read(&timeline(vec![nest]));
    assert_eq!(cut.uses[0].used_in_clip, Some(r(100, 124)));
}
