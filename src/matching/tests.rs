//! The table of matching: names, vetoes, ties, cameras, midnight, rolls.

use super::*;
use crate::platelog::{PlateKind, PlateNote, Point, ServedTake};
use crate::time::{Frame, FrameRange, FrameShift};
use proptest::prelude::*;

fn rate() -> Rate {
    Rate::new(24, 1).expect("positive")
}

fn text(text: &str) -> Option<String> {
    Some(text.to_string()).filter(|text| !text.is_empty())
}

fn clip(clip: &str) -> Record {
    Record { clip: text(clip), ..Record::default() }
}

fn timed(clip: &str, roll: &str, start: &str, end: &str) -> Record {
    let label = |text: &str| Some(Point::Timecode(text.into()));
    Record {
        clip: text(clip),
        roll: text(roll),
        rate: Some(rate()),
        start: label(start),
        end: label(end),
        ..Record::default()
    }
}

fn take(scene: &str, slate: &str, take: &str, camera: &str) -> Record {
    Record {
        scene: text(scene),
        slate: text(slate),
        take: text(take),
        camera: text(camera),
        ..Record::default()
    }
}

fn media(name: &str) -> UseClues {
    UseClues { media_names: vec![name.into()], ..UseClues::default() }
}

fn find(records: &[Record], clues: &UseClues) -> Matched {
    let settings = Settings::default();
    Matcher::new(records, &settings).find(clues)
}

const H: i64 = 24 * 3600;

#[test]
fn the_camera_clip_name_in_the_file_name_decides() {
    let records = [clip("A014C006"), clip("A014C007"), clip("A014C0071")];
    let found = find(&records, &media("A014C007_310203_R1AB.mov"));
    assert_eq!(found.record, Some(1));
    assert_eq!(found.clues, ["camera clip name in the media's file name: A014C007"]);
    for name in ["A014C00.mov", "XA014C007.mov", "A014C007B.mov", "A014C007_PLATE.mov", ""] {
        assert_eq!(find(&records, &media(name)).candidates, Vec::<usize>::new(), "{name}");
    }
}

#[test]
fn a_unique_id_wins_over_a_name() {
    let other = Record { id: text("0A1B2C3D4E5F60718293"), ..clip("X1") };
    let clues = UseClues { ids: vec!["0a1b2c3d4e5f60718293".into()], ..media("A014C007.mov") };
    assert_eq!(find(&[clip("A014C007"), other], &clues).record, Some(1));
}

#[test]
fn contradicting_timecode_vetoes_a_name() {
    let records = [timed("A014C007", "A014", "01:00:00:00", "01:02:00:00")];
    let fits = media("A014C007.mov").with_range(FrameRange::new(H + 10, H + 50), rate());
    assert_eq!(find(&records, &fits).record, Some(0));
    let off = media("A014C007.mov").with_range(FrameRange::new(5 * H, 5 * H + 50), rate());
    let found = find(&records, &off);
    assert_eq!((found.record, found.candidates.len()), (None, 0));
    assert_eq!(found.against[0].0, 0);
    assert!(found.against[0].1.contains("05:00:00:00-05:00:02:02"), "{found:?}");
}

#[test]
fn contradicting_camera_or_date_vetoes_a_name() {
    let record = Record { camera: text("A"), date: text("2031-02-03"), ..clip("C0007") };
    let with = |camera: &str, date: &str| UseClues {
        camera: text(camera),
        dates: text(date).into_iter().collect(),
        ..media("C0007.mov")
    };
    for (camera, date, wanted) in [
        ("Cam A", "310203", Some(0)),
        ("B", "", None),
        ("", "2031-02-04", None),
        ("Superflex 35", "Day 4", Some(0)),
    ] {
        let found = find(std::slice::from_ref(&record), &with(camera, date));
        assert_eq!(found.record, wanted, "{camera} {date}");
        assert_eq!(found.against.is_empty(), wanted.is_some());
    }
}

#[test]
fn one_roll_on_two_days_is_told_apart_by_date_or_stays_ambiguous() {
    let day = |date: &str| Record {
        date: text(date),
        ..timed("A001C001", "A001", "10:00:00:00", "10:01:00:00")
    };
    let records = [day("2031-02-03"), day("2031-02-04")];
    let at = FrameRange::new(10 * H + 24, 10 * H + 48);
    let unknown = media("A001C001.mov").with_range(at, rate());
    let found = find(&records, &unknown);
    assert_eq!((found.record, &found.candidates[..]), (None, &[0, 1][..]));
    assert!(found.is_ambiguous());
    let second = media("A001C001.mov").with_media(&[], None, Some("2031/02/04"), None);
    assert_eq!(find(&records, &second).record, Some(1));
    let in_name = media("A001C001_310203_R1AB.mov");
    assert_eq!(find(&records, &in_name).record, Some(0));
}

#[test]
fn roll_and_timecode_find_the_take_where_no_name_does() {
    let records = [
        timed("", "A014", "10:00:00:00", "10:02:00:00"),
        timed("", "A014", "10:05:00:00", "10:07:00:00"),
        timed("", "B014", "10:05:00:00", "10:07:00:00"),
    ];
    let clues = UseClues { rolls: vec!["A014".into()], ..UseClues::default() };
    let at = |hours: i64, seconds: i64| {
        let start = hours * H + seconds * 24;
        clues.clone().with_range(FrameRange::new(start, start + 24), rate())
    };
    let found = find(&records, &at(10, 310));
    assert_eq!(found.record, Some(1));
    assert_eq!(found.clues, ["roll A014 and overlapping timecode"]);
    assert_eq!(find(&records, &at(10, 150)).record, None);
    let by_clip_name =
        media("B014C003_310203.mov").with_range(at(10, 310).time.expect("set").range, rate());
    assert_eq!(find(&records, &by_clip_name).record, Some(2));
}

#[test]
fn a_take_past_midnight_is_found_by_either_days_labels() {
    let records = [timed("", "A014", "23:59:00:00", "00:01:00:00")];
    let clues = UseClues { rolls: vec!["A014".into()], ..UseClues::default() };
    for start in [24 * H - 240, 240, 24 * H + 240] {
        let clues = clues.clone().with_range(FrameRange::new(start, start + 24), rate());
        assert_eq!(find(&records, &clues).record, Some(0), "{start}");
    }
    let later = clues.with_range(FrameRange::new(3 * H, 3 * H + 24), rate());
    assert_eq!(find(&records, &later).record, None);
}

#[test]
fn drop_frame_labels_are_held_against_real_frames() {
    let ntsc = Rate::new(30000, 1001).expect("positive");
    let mut record = timed("", "A014", "01:00:00;00", "01:00:10;00");
    record.rate = Some(ntsc);
    let clues = UseClues { rolls: vec!["A014".into()], ..UseClues::default() };
    // SMPTE ST 12-1: 01:00:00;00 is frame 107,892; counted without drop it would be 108,000.
    let at = |frame: i64| clues.clone().with_range(FrameRange::new(frame, frame + 1), ntsc);
    let records = [record];
    assert_eq!(find(&records, &at(107_892)).record, Some(0));
    assert_eq!(find(&records, &at(107_891)).record, None);
    assert_eq!(find(&records, &at(107_892 + 300)).record, None);
}

#[test]
fn a_record_without_rate_is_read_at_the_uses() {
    let mut record = timed("", "A014", "01:00:00:29", "01:00:10:00");
    record.rate = None;
    let ntsc = Rate::new(30, 1).expect("positive");
    let clues = UseClues { rolls: vec!["A014".into()], ..UseClues::default() };
    let clues = clues.with_range(FrameRange::new(30 * 3605, 30 * 3605 + 9), ntsc);
    assert_eq!(find(&[record], &clues).record, Some(0));
}

#[test]
fn scene_slate_and_take_find_the_camera_they_name() {
    let records =
        [take("12", "4", "03", "A"), take("12", "4", "3", "B"), take("012", "4", "3", "A")];
    let clues = UseClues {
        scene: text("12"),
        slate: text("4"),
        take: text("3"),
        camera: text("A"),
        ..UseClues::default()
    };
    let found = find(&records, &clues);
    assert_eq!(found.record, Some(0));
    assert_eq!(found.clues, ["scene 12, slate 4, take 3, camera A in the metadata"]);
    let no_camera = UseClues { camera: None, ..clues.clone() };
    assert_eq!(find(&records, &no_camera).candidates, [0, 1]);
    let no_take = UseClues { take: None, ..clues };
    assert!(find(&records, &no_take).candidates.is_empty());
}

#[test]
fn setups_are_found_however_scene_and_slate_are_split() {
    // Common practice, no source: 12A is scene 12, set-up A; British slates are numbers.
    let use_of = |scene: &str, slate: &str, number: &str| UseClues {
        scene: Some(scene.to_string()).filter(|text| !text.is_empty()),
        slate: Some(slate.to_string()).filter(|text| !text.is_empty()),
        take: text(number),
        ..UseClues::default()
    };
    let records = [
        take("12", "A", "3", "A"),
        take("13B", "", "3", "A"),
        take("40", "234", "3", "A"),
        take("12", "A", "3PU", "A"),
    ]
    .map(|record| Record { slate: record.slate.filter(|slate| !slate.is_empty()), ..record });
    for (scene, slate, number, wanted) in [
        ("12A", "", "003", Some(0)),
        ("12-A", "", "3", Some(0)),
        ("13", "B", "3", Some(1)),
        ("234", "", "3", Some(2)),
        ("", "234", "3", Some(2)),
        ("12A", "", "3 pickup", Some(3)),
        ("12", "B", "3", None),
        ("40", "235", "3", None),
    ] {
        assert_eq!(find(&records, &use_of(scene, slate, number)).record, wanted, "{scene} {slate}");
    }
}

#[test]
fn a_record_that_fits_less_well_is_told_with_what_spoke_for_it() {
    let records = [clip("A014C007"), take("12", "4", "3", "A")];
    let clues =
        UseClues { scene: text("12"), slate: text("4"), take: text("3"), ..media("A014C007.mov") };
    let found = find(&records, &clues);
    assert_eq!(found.record, Some(0));
    assert_eq!(found.weaker.len(), 1);
    assert_eq!(found.weaker[0].0, 1);
    assert!(found.weaker[0].1[0].contains("scene 12"), "{found:?}");
}

#[test]
fn a_sound_mark_speaks_for_every_use_at_its_timecode() {
    let plate = PlateNote::BARE;
    let sound = Record {
        report: Some(crate::platelog::Report::Sound),
        media: text("T3.WAV"),
        plates: vec![plate],
        ..timed("", "S01", "10:00:00:00", "10:02:00:00")
    };
    let sound = Record { clip: None, ..sound };
    let at = |from: i64| UseClues {
        time: Some(TimeClue {
            range: FrameRange::new(from, from + 48),
            rate: rate(),
            is_take_time: true,
        }),
        ..media("whatever.mov")
    };
    let records = [sound];
    let ten = 10 * 3600 * 24;
    assert_eq!(find(&records, &at(ten + 240)).record, Some(0));
    assert_eq!(find(&records, &at(ten + 24 * 600)).record, None, "ten minutes later");
    let same_roll = UseClues { rolls: vec!["S01".into()], ..at(ten + 24 * 600) };
    assert_eq!(find(&records, &same_roll).record, None, "a sound roll is no camera roll");
}

#[test]
fn another_clip_name_on_the_media_vetoes_scene_and_take() {
    let record = Record { clip: text("A014C007"), ..take("12", "4", "3", "A") };
    let clues = |name: &str| UseClues { scene: text("12"), take: text("3"), ..media(name) };
    assert_eq!(find(std::slice::from_ref(&record), &clues("A014C009.mov")).record, None);
    assert_eq!(find(&[record], &clues("12-3 proxy.mov")).record, Some(0));
}

#[test]
fn the_editors_name_breaks_ties_and_alone_must_be_exact() {
    let records = [
        Record { clip: text("A014C007"), ..take("12", "", "3", "") },
        Record { clip: text("B014C002"), ..take("12", "", "3", "") },
    ];
    let tie = UseClues {
        scene: text("12"),
        take: text("3"),
        clip: "B014C002 push in".into(),
        ..UseClues::default()
    };
    assert_eq!(find(&records, &tie).record, Some(1));
    let alone = |name: &str| UseClues { clip: name.into(), ..UseClues::default() };
    assert_eq!(find(&records, &alone("a014c007")).record, Some(0));
    assert_eq!(find(&records, &alone("A014C007.mov")).record, Some(0));
    assert_eq!(find(&records, &alone("A014C007 push in")).record, None);
    let relinked = UseClues { clip: "A014C007".into(), ..media("A014C009.mov") };
    assert_eq!(find(&records, &relinked).record, None, "the media are another clip");
}

#[test]
fn a_longer_name_beats_a_part_of_it() {
    let records = [clip("C007"), clip("A014_C007")];
    assert_eq!(find(&records, &media("A014_C007_310203.mov")).record, Some(1));
    assert_eq!(find(&records, &media("A014C007.mov")).record, Some(1), "separators do not count");
}

#[test]
fn one_offset_of_a_roll_is_proposed_and_lifts_the_veto() {
    let settings = Settings::default();
    let records: Vec<Record> = (1..=4)
        .map(|n| {
            timed(
                &format!("A014C00{n}"),
                "A014",
                &format!("0{n}:00:00:00"),
                &format!("0{n}:02:00:00"),
            )
        })
        .collect();
    let shown = |n: i64, off: i64| {
        media(&format!("A014C00{n}.mov"))
            .with_media(&[], None, None, Some((Frame(n * H + off), rate())))
            .with_range(FrameRange::new(n * H + off + 24, n * H + off + 48), rate())
    };
    let matcher = Matcher::new(&records, &settings);
    let uses: Vec<UseClues> = (1..=3).map(|n| shown(n, H / 2)).collect();
    assert!(uses.iter().all(|clues| matcher.find(clues).record.is_none()));
    let offsets = matcher.roll_offsets(&uses);
    assert_eq!(
        offsets,
        [RollOffset {
            roll: "A014".into(),
            frames: FrameShift(H / 2),
            rate: rate(),
            takes: vec![0, 1, 2]
        }]
    );
    let matcher = matcher.with_offsets(&offsets);
    let found: Vec<_> = uses.iter().map(|clues| matcher.find(clues).record).collect();
    assert_eq!(found, [Some(0), Some(1), Some(2)]);
    let matcher = Matcher::new(&records, &settings);
    assert!(matcher.roll_offsets(&uses[..2]).is_empty(), "two takes prove nothing");
    let uneven = [shown(1, 100), shown(2, 200), shown(3, 300)];
    assert!(matcher.roll_offsets(&uneven).is_empty());
    let right = [shown(1, 0), shown(2, 0), shown(3, 0)];
    assert!(matcher.roll_offsets(&right).is_empty(), "no offset is none");
}

#[test]
fn plate_takes_are_found_by_name_by_what_they_serve_and_by_suffix() {
    let settings = Settings::default();
    let note = PlateNote { kind: Some(PlateKind::Take), clip: text("A014C009"), ..PlateNote::BARE };
    let served = ServedTake { scene: None, slate: None, take: text("03") };
    let records = [
        Record { plates: vec![note], clip: text("A014C007"), ..take("12", "4", "3", "A") },
        clip("A014C009"),
        Record { serves: Serves::All, ..take("12", "4", "9", "A") },
        Record { serves: Serves::Takes(vec![served]), ..take("12", "4", "8", "A") },
        take("12", "4", "3PL", "A"),
        clip("A014C007_PLATE"),
        Record { serves: Serves::All, ..take("12", "4", "9", "B") },
        Record { serves: Serves::All, ..take("13", "4", "9", "A") },
    ];
    let matcher = Matcher::new(&records, &settings);
    assert_eq!(matcher.plate_takes_for(0), [1, 2, 3, 4, 5]);
    assert_eq!(matcher.plate_takes_for(1), Vec::<usize>::new());
    assert_eq!(matcher.plate_takes_for(99), Vec::<usize>::new());
}

#[test]
fn the_nearest_uses_say_what_spoke_against_them() {
    let settings = Settings::default();
    let records = [timed("A014C007", "A014", "01:00:00:00", "01:02:00:00"), clip("A015C001")];
    let labelled = |label: &str, clues: UseClues| UseClues { label: label.into(), ..clues };
    let uses = [
        labelled(
            "S010",
            media("A014C007.mov").with_range(FrameRange::new(5 * H, 5 * H + 24), rate()),
        ),
        labelled("S020", media("A014C008.mov")),
        labelled("S030", media("K999C001.mov")),
    ];
    let matcher = Matcher::new(&records, &settings);
    let nearest = NearestUses::new(&uses, &matcher);
    assert_eq!(
        nearest.of(0),
        [
            "S010: camera clip name in the media's file name: A014C007, but its timecode \
             05:00:00:00-05:00:01:00 is not in the record's 01:00:00:00-01:02:00:00",
            "S020: named A014C008.mov, one letter from the record's clip name, but its media \
             are named A014C008.mov, another camera clip",
        ]
    );
    assert!(nearest.of(1).is_empty());
    let found: Vec<Matched> = uses.iter().map(|clues| matcher.find(clues)).collect();
    assert_eq!(unmatched(records.len(), &found), [0, 1]);
}

#[test]
fn a_feature_with_a_long_log_is_matched_at_once() {
    let settings = Settings::default();
    let records: Vec<Record> = (0..5000)
        .map(|n| {
            let (roll, clip) = (n / 40, n % 40);
            let start = format!("{:02}:{:02}:00:00", 6 + clip / 10, clip % 10 * 6);
            let end = format!("{:02}:{:02}:00:00", 6 + clip / 10, clip % 10 * 6 + 5);
            Record {
                scene: text(&format!("{}", n / 12)),
                take: text(&format!("{}", n % 12)),
                ..timed(&format!("A{roll:03}C{clip:03}"), &format!("A{roll:03}"), &start, &end)
            }
        })
        .collect();
    let uses: Vec<UseClues> = (0..2500)
        .map(|n| {
            let n = n * 2;
            let (roll, clip) = (n / 40, n % 40);
            let start = (i64::from(6 + clip / 10) * 3600 + i64::from(clip % 10 * 6) * 60 + 30) * 24;
            UseClues {
                scene: text(&format!("{}", n / 12)),
                take: text(&format!("{}", n % 12)),
                rolls: vec![format!("A{roll:03}")],
                clip: format!("shot {n}"),
                ..media(&format!("A{roll:03}C{clip:03}_310203_R1AB.mov"))
            }
            .with_range(FrameRange::new(start, start + 100), rate())
        })
        .collect();
    let started = std::time::Instant::now();
    let matcher = Matcher::new(&records, &settings);
    let built = started.elapsed();
    let right = uses.iter().enumerate().filter(|(n, c)| matcher.find(c).record == Some(n * 2));
    assert_eq!(right.count(), uses.len());
    let all = started.elapsed();
    println!("5,000 records indexed in {built:?}; 2,500 uses matched, in all {all:?}");
    // A hundred times what a quiet machine needs, so that a busy one passes.
    assert!(all.as_millis() < 2000, "{all:?}");
}

#[test]
fn frame_numbers_at_the_edge_of_64_bits_are_only_far_away() {
    let huge = |start: i64, end: i64| Record {
        boom: vec![(Point::FileFrame(start), Point::FileFrame(end)).into()],
        ..timed("A014C007", "A014", "01:00:00:00", "01:02:00:00")
    };
    let records = [huge(0, i64::MAX), huge(i64::MAX - 1, i64::MAX)];
    for range in [(i64::MIN, i64::MAX), (i64::MIN, i64::MIN + 1), (i64::MAX - 1, i64::MAX)] {
        for num in [1, 24, u32::MAX] {
            let rate = Rate::new(num, 1).expect("positive");
            let clues = media("A014C007.mov").with_range(range.into(), rate);
            assert!(find(&records, &clues).record.is_none());
        }
    }
}

fn any_text() -> impl Strategy<Value = Option<String>> {
    // Few letters, so that names meet.
    proptest::option::of("[AC01_ .é]{0,6}")
}

fn any_record() -> impl Strategy<Value = Record> {
    let point = proptest::option::of(prop_oneof![
        "[012][0-9]:[0-6][0-9]:[0-6][0-9][:;][0-3][0-9]".prop_map(Point::Timecode),
        any::<i64>().prop_map(Point::FileFrame),
    ]);
    let rate = proptest::option::of((any::<u32>(), any::<u32>()));
    let names = (any_text(), any_text(), any_text(), any_text(), any_text());
    let spans = proptest::collection::vec((any::<i64>(), any::<i64>()), 0..2);
    (names, point.clone(), point, rate, proptest::option::of(any::<u32>()), spans).prop_map(
        |(names, start, end, rate, tolerance, spans)| Record {
            clip: names.0,
            roll: names.1,
            scene: names.2,
            take: names.3,
            camera: names.4,
            start,
            end,
            rate: rate.and_then(|(num, den)| Rate::new(num, den)),
            tolerance,
            boom: spans
                .into_iter()
                .map(|(a, b)| (Point::FileFrame(a), Point::FileFrame(b)).into())
                .collect(),
            ..Record::default()
        },
    )
}

fn any_clues() -> impl Strategy<Value = UseClues> {
    let time = proptest::option::of((any::<i64>(), any::<i64>(), any::<u32>(), any::<bool>()));
    ((any_text(), any_text(), any_text(), any_text()), time).prop_map(|(names, time)| UseClues {
        media_names: names.0.into_iter().collect(),
        rolls: names.1.into_iter().collect(),
        scene: names.2,
        take: names.3,
        time: time.and_then(|(start, end, num, is_take_time)| {
            let range = FrameRange::new(start, end);
            Some(TimeClue { range, rate: Rate::new(num, 1)?, is_take_time })
        }),
        media_start: time.and_then(|(start, _, num, _)| Some((Frame(start), Rate::new(num, 1)?))),
        ..UseClues::default()
    })
}

proptest! {
    #[test]
    fn nothing_in_a_log_or_a_cut_makes_matching_panic(
        records in proptest::collection::vec(any_record(), 0..6),
        uses in proptest::collection::vec(any_clues(), 0..6),
    ) {
        let settings = Settings::default();
        let matcher = Matcher::new(&records, &settings);
        let offsets = matcher.roll_offsets(&uses);
        let matcher = matcher.with_offsets(&offsets);
        let nearest = NearestUses::new(&uses, &matcher);
        for clues in &uses {
            let found = matcher.find(clues);
            prop_assert_eq!(found.record.is_some(), found.candidates.len() == 1);
        }
        for at in 0..records.len() {
            prop_assert!(!matcher.plate_takes_for(at).contains(&at));
            prop_assert!(nearest.of(at).len() <= 3);
        }
    }
}
