//! An invented cut in which every verdict comes up once or more.

use platesmith::error::BadInput;
use platesmith::findings::*;
use platesmith::measure::picture_map::{Fitted, PictureMap};
use platesmith::reason::{Code, Reason, Severity};
use platesmith::settings::{Delivery, EncodingOf, MediaEncoding, Settings, Turns};
use platesmith::time::{FrameRange, Rate};

/// Take frame of 10:12:00:00 at 24.
const TEN_TWELVE: i64 = (10 * 3600 + 12 * 60) * 24;

pub fn film() -> Rate {
    Rate::new(24, 1).expect("positive")
}

fn r(start: i64, end: i64) -> FrameRange {
    FrameRange::new(start, end)
}

/// A range `frames` into a take that starts at 10:12:00:00.
fn take(start: i64, end: i64) -> FrameRange {
    r(TEN_TWELVE + start, TEN_TWELVE + end)
}

fn name(take: &str, clip: &str) -> TakeName {
    TakeName {
        scene: Some("12".into()),
        slate: Some("12A".into()),
        take: Some(take.into()),
        camera: Some("A".into()),
        roll: Some("A014".into()),
        clip: Some(clip.into()),
    }
}

fn media(clip: &str) -> MediaSummary {
    MediaSummary {
        file: format!("A014/{clip}.mov"),
        rate: film(),
        start_timecode: Some("10:12:00:00".into()),
        width: 3840,
        height: 2160,
        encoding: "unknown".into(),
    }
}

/// A use of `used` frames from file frame `from`, with handles of 8, at cut frame `at`.
fn used(shot: &str, clip: &str, at: i64, from: i64, frames: i64) -> UseFinding {
    UseFinding {
        shot: shot.into(),
        clip: clip.into(),
        pointer: format!("/tracks/children/0/children/{}", at / 50),
        range_in_cut: r(at, at + frames),
        speed: Some("1".into()),
        take: Some(name("3", clip)),
        matched: MatchSummary { clues: vec!["camera clip name".into()], candidates: 1 },
        media: Some(media(clip)),
        picture: Some(PictureKind::Proxy),
        picture_map: Some(Fitted {
            map: PictureMap { scale: [2.0, 2.0], offset: [40.0, -3.5] },
            likeness: 0.93,
            error_px: 0.04,
        }),
        take_rate: Some(film()),
        used_in_take: Some(take(from, from + frames)),
        need_in_take: Some(take(from - 8, from + frames + 8)),
        affected_in_take: vec![take(from, from + frames)],
        patched_in_take: vec![take(from - 6, from + frames + 6)],
        used_in_file: Some(r(from, from + frames)),
        need_in_file: Some(r(from - 8, from + frames + 8)),
        claims: Claims {
            take: Some(take(0, 1440)),
            lock_off: vec![take(0, 1380)],
            plates: vec![take(12, 53)],
            boom: vec![take(60, 1300)],
            ..Claims::default()
        },
        verdict: Verdict::Plate,
        corrections: Vec::new(),
        residuals: Vec::new(),
        basis: Basis::Both,
        divider: Some(DividerSummary {
            polygon: vec![[0.0, 0.0], [420.0, 0.0], [380.0, 210.0]],
            outlines: vec![vec![[0.0, 0.0], [420.0, 0.0], [380.0, 210.0]]],
            clearance_px: Some(31.5),
        }),
        plate: None,
        never_free: None,
        matte: None,
        temp_comp: None,
        review: None,
        reposition: None,
        reasons: Vec::new(),
    }
}

fn plate(clip: &str, range: FrameRange, map: Vec<[i64; 3]>, file: &str) -> PlateSummary {
    PlateSummary {
        source_file: Some(format!("A014/{clip}.mov")),
        from_take: None,
        range_in_take: range,
        method: Some(Method::Copy),
        encode_reason: None,
        render_id: None,
        notes: Vec::new(),
        turns: Turns::Twice,
        passes: map.len() as u64,
        map: Some(map),
        eases: Vec::new(),
        turning: Some(TurningSummary {
            visibility: 0.62,
            limit: 1.1,
            at_rest: false,
            window: None,
        }),
        grain: Some(GrainSummary {
            averaged: Some([12, 15]),
            level: 1.002,
            lag_1: 0.001,
            lag_2: -0.002,
        }),
        file: Some(format!("plates/{file}_CP01_v001.mov")),
        record_file: None,
    }
}

fn looped() -> UseFinding {
    let mut found = used("QR_010_0010", "A014C007", 0, 400, 218);
    found.verdict = Verdict::Loop;
    let mut map: Vec<[i64; 3]> =
        (0..5).map(|k| if k % 2 == 0 { [12, 52, 1] } else { [52, 12, -1] }).collect();
    map.push([52, 24, -1]);
    found.plate = Some(plate("A014C007", take(12, 53), map, "QR_010_0010"));
    found.matte = Some("mattes/QR_010_0010_matte_v001.png".into());
    found.temp_comp = Some("temp/QR_010_0010_temp_v001.mov".into());
    found.reasons = vec![
        Reason::new(
            Code::LightChanged,
            Severity::Attention,
            "The light is 1.4 % up at the end of the use against the plate; 2 % would show.",
        )
        .over(take(590, 618))
        .measured(1.4000000000000001, "percent", Some(2.0)),
        Reason::new(
            Code::LockOffUnproven,
            Severity::Note,
            "The wall is too plain to prove the lock-off; the bound of 0.3 px would not show on it.",
        )
        .measured(0.3, "px", None),
    ];
    found
}

fn plated() -> UseFinding {
    let mut found = used("QR_010_0020", "A014C008", 250, 700, 96);
    found.claims.plates = vec![take(8, 132), take(1310, 1380)];
    found.claims.boom = vec![take(740, 760), take(770, 790)];
    found.claims.unusable = vec![take(1000, 1040)];
    found.affected_in_take = vec![take(740, 760), take(770, 790)];
    found.patched_in_take = vec![take(734, 796)];
    found.plate = Some(plate("A014C008", take(8, 132), vec![[10, 121, 1]], "QR_010_0020"));
    found.take = Some(name("4", "A014C008"));
    found
}

fn borrowed() -> UseFinding {
    let mut found = used("QR_010_0030", "A014C009", 400, 300, 80);
    found.verdict = Verdict::Borrow;
    found.claims.plates = Vec::new();
    found.claims.boom = Vec::new();
    let mut from = plate("A014C011", take(20, 140), vec![[20, 115, 1]], "QR_010_0030");
    from.from_take = Some(name("5", "A014C011"));
    from.method = Some(Method::Encode);
    from.encode_reason = Some("match-light changes every frame".into());
    found.plate = Some(from);
    found.corrections = vec!["match-light".into()];
    found
}

fn held() -> UseFinding {
    let mut found = used("QR_010_0040", "A014C010", 500, 200, 48);
    found.verdict = Verdict::Still;
    found.claims.plates = vec![take(30, 33)];
    found.corrections = vec!["new-grain".into()];
    let mut still = plate("A014C010", take(30, 33), Vec::new(), "QR_010_0040");
    still.map = None;
    still.method = Some(Method::Encode);
    still.turns = Turns::Auto;
    still.passes = 1;
    found.plate = Some(still);
    found
}

fn gathered() -> UseFinding {
    let mut found = used("QR_010_0050", "A014C012", 600, 200, 60);
    found.verdict = Verdict::Gather;
    found.basis = Basis::Measure;
    found.claims.plates = Vec::new();
    found.claims.boom = Vec::new();
    found.speed = Some("1/2".into());
    found
}

fn by_hand() -> UseFinding {
    let mut found = used("QR_010_0060", "A014C013", 700, 500, 90);
    found.verdict = Verdict::ByHand;
    found.claims.lock_off = vec![take(0, 520)];
    found.reasons = vec![
        Reason::new(
            Code::CameraMoved,
            Severity::Stop,
            "The camera pans 3.2 px over the used frames; past 0.5 px the join shows.",
        )
        .over(take(520, 590))
        .measured(3.2000000000000006, "px", Some(0.5)),
        Reason::new(
            Code::HandlesShort,
            Severity::Attention,
            "The tail handle is 3 of 8 frames long: the take ends there.",
        )
        .measured(3.0, "frames", Some(8.0)),
    ];
    found.reposition = Some(Reposition { scale: 1.06, dx: 0.0, dy: -18.0 });
    found
}

fn undecided() -> UseFinding {
    let mut found = used("QR_010_0070", "A014C014", 800, 500, 70);
    found.verdict = Verdict::Undecided;
    found.take = None;
    found.media = None;
    found.picture = None;
    found.basis = Basis::Claim;
    found.take_rate = None;
    (found.used_in_take, found.need_in_take) = (None, None);
    (found.used_in_file, found.need_in_file) = (None, None);
    (found.affected_in_take, found.patched_in_take) = (Vec::new(), Vec::new());
    found.claims = Claims::default();
    found.matched = MatchSummary { clues: vec!["roll and timecode".into()], candidates: 2 };
    found.reasons = vec![Reason::new(
        Code::AmbiguousRecord,
        Severity::Attention,
        "Two records fit equally well: day4.csv, row 14, and day4.csv, row 31.",
    )];
    found
}

fn idle(verdict: Verdict, shot: &str, clip: &str, at: i64) -> UseFinding {
    let mut found = used(shot, clip, at, 100, 48);
    found.verdict = verdict;
    found.affected_in_take = Vec::new();
    found.patched_in_take = Vec::new();
    if verdict == Verdict::Unlisted {
        found.take = None;
        found.picture = None;
        found.basis = Basis::Claim;
        found.matched = MatchSummary::default();
        found.claims = Claims::default();
    }
    found
}

/// Gathers uses into findings.
pub fn gather(uses: Vec<UseFinding>, faults: Vec<BadInput>) -> Findings {
    Findings {
        schema: SCHEMA.into(),
        cut: CutSummary {
            name: "Quarry Road, reel 3".into(),
            rate: film(),
            frames: 1500,
            start_timecode: Some("03:00:00:00".into()),
        },
        settings: settings(),
        totals: Findings::count(&uses),
        uses,
        unused_records: Vec::new(),
        faults,
    }
}

/// Every verdict.
pub fn every_verdict() -> Findings {
    let mut uses = vec![looped(), plated(), borrowed(), held(), gathered(), by_hand(), undecided()];
    uses.push(idle(Verdict::Clear, "QR_010_0080", "A014C015", 900));
    uses.push(idle(Verdict::Covered, "QR_010_0090", "A014C016", 960));
    for at in 0..9 {
        let clip = format!("B007C{:03}", at + 1);
        uses.push(idle(Verdict::Unlisted, &format!("{clip}_10120400"), &clip, 1010 + at * 50));
    }
    let mut findings = gather(
        uses,
        vec![BadInput::new(
            "day4.csv",
            "row 14, column \"plates\"",
            "\"10:22:61:04\" is not a timecode: seconds run 00-59",
            "correct the seconds, or delete the row if no plate was rolled",
        )],
    );
    findings.unused_records = vec![UnusedRecord {
        take: name("9", "A014C020"),
        origin: "day4.csv, row 40".into(),
        nearest: vec!["QR_010_0060: another clip name".into()],
    }];
    findings
}

/// A cut of `count` looped shots.
pub fn many(count: i64) -> Findings {
    let uses = (0..count)
        .map(|at| {
            let mut found = looped();
            found.shot = format!("QR_{at:04}");
            found.range_in_cut = r(at * 3, at * 3 + 3);
            found
        })
        .collect();
    gather(uses, Vec::new())
}

/// A cut whose every name tries to be something else.
pub fn hostile() -> Findings {
    let nasty = [
        "<script>alert(1)</script>",
        "=HYPERLINK(\"x\")",
        "a\tb\nc\u{0}\u{7}",
        "\"><img onerror=x>",
        "\u{202e}gpj.exe",
        "Größe 場",
    ];
    let uses = nasty
        .iter()
        .enumerate()
        .map(|(at, nasty)| {
            let mut found = if at % 2 == 0 { looped() } else { by_hand() };
            found.shot = (*nasty).into();
            found.clip = (*nasty).into();
            found.pointer = (*nasty).into();
            found.take = Some(TakeName { scene: Some((*nasty).into()), ..TakeName::default() });
            found.matched.clues = vec![(*nasty).into()];
            if let Some(media) = &mut found.media {
                media.file = (*nasty).into();
                media.encoding = (*nasty).into();
                media.start_timecode = Some((*nasty).into());
            }
            if let Some(plate) = &mut found.plate {
                plate.file = Some(format!("javascript:{nasty}"));
                plate.source_file = Some((*nasty).into());
            }
            for reason in &mut found.reasons {
                reason.text = (*nasty).into();
                reason.value = Some(f64::NAN);
            }
            found
        })
        .collect();
    let mut findings = gather(uses, vec![BadInput::new(nasty[0], nasty[2], nasty[3], nasty[4])]);
    findings.cut.name = nasty[0].into();
    findings
}

/// Ranges at the ends of what a number holds, and maps that make no sense.
pub fn extreme() -> Findings {
    let mut far = looped();
    far.used_in_take = Some(r(i64::MIN, i64::MAX));
    far.need_in_take = Some(r(i64::MIN, i64::MAX));
    far.used_in_file = Some(r(i64::MAX, i64::MAX));
    far.need_in_file = Some(r(i64::MAX, i64::MAX));
    far.range_in_cut = r(i64::MIN, i64::MAX);
    far.patched_in_take = vec![r(i64::MIN, i64::MAX), r(0, 1)];
    far.claims.take = Some(r(i64::MIN, 0));
    let mut odd = looped();
    if let Some(plate) = &mut odd.plate {
        plate.map = Some(vec![[i64::MIN, i64::MAX, 0], [5, 5, i64::MIN], [0, 9, 3]]);
        plate.eases = vec![[i64::MIN, i64::MAX], [9, 3]];
    }
    let mut empty = looped();
    empty.need_in_take = Some(r(5, 5));
    empty.claims = Claims::default();
    let mut busy = looped();
    busy.claims.boom = (0..5000).map(|at| r(at * 10, at * 10 + 5)).collect();
    if let Some(plate) = &mut busy.plate {
        plate.map = Some((0..5000).map(|at| [at % 2, (at + 1) % 2, 1]).collect());
    }
    let mut findings = gather(vec![far, odd, empty, busy], Vec::new());
    findings.cut.frames = u64::MAX;
    findings.settings.first_frame = u32::MAX;
    findings
}

/// The defaults, and two deliveries that say in two ways what they show.
fn settings() -> Settings {
    let delivery = |name: &str, raster, extraction, aspect| Delivery {
        name: String::from(name),
        raster,
        extraction,
        aspect,
    };
    let scope = delivery("scope", [2048, 858], None, Some(2.39));
    let high = delivery("high definition", [1920, 1080], Some([0.0, 0.0, 3840.0, 2160.0]), None);
    let rule = EncodingOf { name: "A014".into(), encoding: "V-Log".into() };
    let media = MediaEncoding { of: vec![rule], ..MediaEncoding::default() };
    let rates = [
        ("plate", 60.0),
        ("loop", 80.5),
        ("borrow", 90.0),
        ("still", 40.0),
        ("gather", 200.0),
        ("by-hand", 900.0),
        ("undecided", 0.0),
    ];
    let rates = rates.map(|(verdict, rate)| (verdict.to_string(), rate)).into();
    let delivery = vec![scope, high];
    Settings { delivery, media, rates, rates_in: "EUR".into(), ..Settings::default() }
}
