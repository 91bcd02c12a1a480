//! From clip time to take time and file time. The rules are the project's own; drop-frame
//! labels after SMPTE ST 12-1.

use platesmith::media::{ColourTags, FieldOrder, MediaInfo, MediaKind, StartTimecode};
use platesmith::reach::{Clocks, LoggedStart, read_clocks};
use platesmith::reason::Code;
use platesmith::settings::Settings;
use platesmith::time::{Counting, Frame, FrameRange, Rate, ceil, floor, fraction, whole};
use platesmith::timeline::{MediaReference, RecordSpan, ReferenceKind, Speed, Use};

fn rate(num: u32, den: u32) -> Rate {
    Rate::new(num, den).expect("a rate")
}

fn media(rate: Rate, frames: u64, start: Option<i64>) -> MediaInfo {
    let counting = Counting::new(rate, false);
    MediaInfo {
        kind: MediaKind::Container("A014C007.mov".into()),
        name: "A014C007.mov".into(),
        format: "mov".into(),
        codec: "prores".into(),
        profile: None,
        pixel_format: "yuv422p10le".into(),
        width: 1920,
        height: 1080,
        pixel_aspect: (1, 1),
        rotation: 0,
        rate,
        frames,
        start: start.map(|frame| StartTimecode { frame: Frame(frame), counting }),
        reel: None,
        field_order: FieldOrder::Progressive,
        colour: ColourTags::default(),
    }
}

/// A use of clip frames `[start, end)`, which may be fractions of 2.
fn used(clip_rate: Rate, halves: (i64, i64), available: Option<(i64, i64)>) -> Use {
    let span = (fraction(halves.0, 2), fraction(halves.1, 2));
    let record = RecordSpan { start: whole(0), end: clip_rate.seconds(&(&span.1 - &span.0)) };
    let range = FrameRange::new(floor(&span.0), ceil(&span.1));
    Use {
        pointer: "/tracks/children/0/children/0".into(),
        clip: "A014C007".into(),
        track: 0,
        visible: record.clone(),
        record,
        range_in_cut: FrameRange::new(0, range.count().0 as i64),
        speed: Speed::Constant(whole(1)),
        clip_rate,
        media_start: span.0.clone(),
        media_span: Some(span),
        used_in_clip: Some(range),
        rendered_in_clip: Some(range),
        references: vec![MediaReference {
            key: "DEFAULT_MEDIA".into(),
            name: None,
            kind: ReferenceKind::External { url: "A014C007.mov".into() },
            available: available.map(|(start, end)| (whole(start), whole(end))),
            available_rate: available.map(|_| clip_rate),
        }],
        texts: Vec::new(),
        shot_name: None,
        reframes: Vec::new(),
        covered: false,
        first_clear_in_clip: None,
    }
}

fn clocks(used: &Use, media: &MediaInfo, logged: LoggedStart) -> Result<(Clocks, Vec<Code>), Code> {
    let counting = media.start.map_or(Counting::new(media.rate, false), |tag| tag.counting);
    read_clocks(used, Some(media), counting, logged, &Settings::default().timecode_trust)
        .map(|(clocks, reasons)| (clocks, reasons.iter().map(|reason| reason.code).collect()))
        .map_err(|reason| reason.code)
}

/// Returns used frames on the take clock and on the file clock.
fn placed(used: &Use, clocks: &Clocks) -> (FrameRange, FrameRange) {
    let in_take = clocks.take_range(used.media_span.as_ref().expect("a constant speed"));
    (in_take, clocks.file_range(in_take).expect("media is there"))
}

fn r(start: i64, end: i64) -> FrameRange {
    FrameRange::new(start, end)
}

#[test]
fn source_ranges_in_timecode_and_in_file_frames_come_to_the_same_frames() {
    let film = rate(24, 1);
    let file = media(film, 240, Some(86_400));
    for (halves, available) in [
        ((2 * 86_410, 2 * 86_434), Some((86_400, 86_640))),
        ((20, 68), Some((0, 240))),
        ((2 * 86_410, 2 * 86_434), None),
        ((20, 68), None),
        // Zero as the start of available media, and timecode as the range used: the
        // timecode is meant.
        ((2 * 86_410, 2 * 86_434), Some((0, 240))),
        // A start that is neither the file's nor zero, with a length that is not the
        // file's, says nothing.
        ((2 * 86_410, 2 * 86_434), Some((86_410, 86_434))),
    ] {
        let used = used(film, halves, available);
        let (clocks, reasons) =
            clocks(&used, &file, LoggedStart::default()).expect("one reading fits");
        assert_eq!(
            placed(&used, &clocks),
            (r(86_410, 86_434), r(10, 34)),
            "{halves:?} {available:?}"
        );
        let named = available == Some((86_410, 86_434));
        assert_eq!(reasons.contains(&Code::StartTimecodeDisagrees), named);
    }
}

#[test]
fn a_range_that_fits_both_clocks_or_neither_is_undecided() {
    let film = rate(24, 1);
    let both = used(film, (2 * 30, 2 * 40), None);
    assert_eq!(
        clocks(&both, &media(film, 100, Some(20)), LoggedStart::default()),
        Err(Code::StartTimecodeDisagrees)
    );
    let neither = used(film, (2 * 5000, 2 * 5010), None);
    assert_eq!(
        clocks(&neither, &media(film, 100, Some(86_400)), LoggedStart::default()),
        Err(Code::StartTimecodeDisagrees)
    );
}

#[test]
fn a_take_runs_on_past_midnight() {
    let film = rate(24, 1);
    let day = 2_073_600;
    let file = media(film, 240, Some(day - 100));
    // The host wrote the label after midnight; the take frame runs on.
    let used_after = used(film, (2 * 20, 2 * 44), Some((day - 100, day + 140)));
    let (clocks, _) =
        clocks(&used_after, &file, LoggedStart::default()).expect("it is the next day");
    assert_eq!(placed(&used_after, &clocks), (r(day + 20, day + 44), r(120, 144)));
    assert_eq!(clocks.label(Frame(day + 20)), "00:00:00:20");
}

#[test]
fn rates_of_one_count_base_go_frame_for_frame_and_others_by_time() {
    let file = media(rate(24000, 1001), 240, Some(86_400));
    let same_base = used(rate(24, 1), (2 * 86_410, 2 * 86_434), Some((86_400, 86_640)));
    let (read, _) = clocks(&same_base, &file, LoggedStart::default()).expect("fits");
    assert_eq!(placed(&same_base, &read).1, r(10, 34));

    let fast = media(rate(50, 1), 500, Some(180_000));
    let half = used(rate(25, 1), (2 * 90_010, 2 * 90_020 + 1), Some((90_000, 90_250)));
    let (read, _) = clocks(&half, &fast, LoggedStart::default()).expect("fits");
    // 10 to 20.5 frames at 25 are 20 to 41 frames at 50.
    assert_eq!(placed(&half, &read).1, r(20, 41));

    let pal = media(rate(25, 1), 250, None);
    let film = used(rate(24, 1), (0, 2 * 48), Some((0, 240)));
    let (read, _) = clocks(&film, &pal, LoggedStart::default()).expect("fits");
    assert_eq!(placed(&film, &read).1, r(0, 50));
}

#[test]
fn without_timecode_in_the_file_the_log_says_where_the_take_starts() {
    let film = rate(24, 1);
    let used = used(film, (20, 68), Some((0, 240)));
    let logged = LoggedStart { start: Some(Frame(86_400)), tolerance: 0 };
    let (read, reasons) = clocks(&used, &media(film, 240, None), logged).expect("fits");
    assert_eq!(placed(&used, &read), (r(86_410, 86_434), r(10, 34)));
    assert!(reasons.is_empty());
}

#[test]
fn starts_that_disagree_are_named_and_the_most_trusted_is_taken() {
    let film = rate(24, 1);
    let used = used(film, (2 * 86_410, 2 * 86_434), Some((86_400, 86_640)));
    let file = media(film, 240, Some(86_400));
    let logged = |start, tolerance| LoggedStart { start: Some(Frame(start)), tolerance };
    let (read, reasons) = clocks(&used, &file, logged(86_425, 0)).expect("fits");
    assert_eq!(read.file_start, Some(Frame(86_400)));
    assert_eq!(reasons, [Code::StartTimecodeDisagrees]);
    let (_, within) = clocks(&used, &file, logged(86_425, 25)).expect("fits");
    assert!(within.is_empty());
}

#[test]
fn without_the_file_the_take_clock_is_the_clip_clock() {
    let used = used(rate(24, 1), (2 * 86_410, 2 * 86_434), None);
    let counting = Counting::new(rate(24, 1), false);
    let (read, _) = read_clocks(&used, None, counting, LoggedStart::default(), &[])
        .expect("nothing to disagree");
    assert_eq!(read.take_range(used.media_span.as_ref().expect("given")), r(86_410, 86_434));
    assert_eq!(read.file_range(r(86_410, 86_434)), None);
}
