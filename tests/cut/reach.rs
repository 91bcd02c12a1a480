//! Claims held against used and need: which plate reaches, and what is said about it.
//! The rules are the project's own; the flash limit is ITU-R BT.1702 and WCAG 2.3.1.

use platesmith::reach::{Claims, Clocks, Judgement, Outcome, judge};
use platesmith::reason::{Code, Severity};
use platesmith::settings::Settings;
use platesmith::time::{FrameRange, Rate};

fn r(start: i64, end: i64) -> FrameRange {
    FrameRange::new(start, end)
}

fn judged(used: FrameRange, claims: Claims) -> Judgement {
    let clocks = Clocks::without_media(Rate::new(24, 1).expect("24 is a rate"));
    judge(used, used.grown(8, 8), &claims, &clocks, &Settings::default())
}

fn codes(judgement: &Judgement) -> Vec<(Code, Severity)> {
    judgement.reasons.iter().map(|reason| (reason.code, reason.severity)).collect()
}

#[test]
fn a_boom_outside_used_and_handles_is_no_boom() {
    let claims = Claims { boom: vec![r(200, 300)], plates: vec![r(0, 150)], ..Claims::default() };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.outcome, Outcome::NoBoom);
    assert!(judgement.affected.is_empty() && judgement.reasons.is_empty());
}

#[test]
fn a_boom_in_the_handles_only_is_an_attention() {
    let claims = Claims { boom: vec![r(153, 300)], plates: vec![r(0, 150)], ..Claims::default() };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.outcome, Outcome::NoBoom);
    assert_eq!(codes(&judgement), [(Code::BoomInHandles, Severity::Attention)]);
    assert_eq!(judgement.reasons[0].range_in_take, Some(r(153, 158)));
}

#[test]
fn an_unknown_boom_is_everywhere_outside_the_plates() {
    let claims = Claims { plates: vec![r(0, 120)], ..Claims::default() };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.affected, [r(120, 150)]);
    assert_eq!(judgement.patched, [r(114, 158)]);
    assert_eq!(judgement.outcome, Outcome::Plate(r(0, 120)));
}

#[test]
fn the_patch_is_grown_by_the_fade_and_never_past_need() {
    let claims =
        Claims { plates: vec![r(0, 90)], boom: vec![r(98, 120), r(135, 140)], ..Claims::default() };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.affected, [r(100, 120), r(135, 140)]);
    assert_eq!(judgement.patched, [r(92, 126), r(129, 146)]);
    assert!(codes(&judgement).iter().all(|(_, severity)| *severity == Severity::Note));
}

#[test]
fn a_boom_that_stays_past_the_edge_of_used_is_patched_through_the_handles() {
    let claims = Claims { plates: vec![r(0, 90)], boom: vec![r(95, 400)], ..Claims::default() };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.affected, [r(100, 150)]);
    assert_eq!(judgement.patched, [r(92, 158)]);
    assert!(codes(&judgement).iter().all(|(code, _)| *code != Code::BoomInHandles));
}

#[test]
fn a_second_boom_in_a_handle_is_an_attention() {
    let claims = Claims {
        plates: vec![r(0, 90)],
        boom: vec![r(110, 120), r(156, 400)],
        ..Claims::default()
    };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.affected, [r(110, 120)]);
    assert!(codes(&judgement).contains(&(Code::BoomInHandles, Severity::Attention)));
}

#[test]
fn a_plate_as_long_as_need_is_not_looped_and_one_frame_less_is() {
    let with = |plate| {
        judged(
            r(100, 150),
            Claims { plates: vec![plate], boom: vec![r(90, 400)], ..Claims::default() },
        )
    };
    assert_eq!(with(r(0, 66)).outcome, Outcome::Plate(r(0, 66)));
    assert_eq!(with(r(0, 65)).outcome, Outcome::Loop(r(0, 65)));
}

#[test]
fn a_plate_too_short_to_loop_without_flashing_is_held() {
    let with = |plate| {
        judged(
            r(100, 150),
            Claims { plates: vec![plate], boom: vec![r(90, 400)], ..Claims::default() },
        )
    };
    // BT.1702 and WCAG 2.3.1: at most three flashes a second, so five frames at 24.
    assert_eq!(with(r(10, 15)).outcome, Outcome::Loop(r(10, 15)));
    assert_eq!(with(r(10, 14)).outcome, Outcome::Still(r(10, 14)));
}

#[test]
fn a_long_plate_far_away_goes_before_a_short_one_nearby() {
    let claims =
        Claims { plates: vec![r(0, 80), r(400, 430)], boom: vec![r(90, 390)], ..Claims::default() };
    assert_eq!(judged(r(330, 380), claims).outcome, Outcome::Plate(r(0, 80)));
}

#[test]
fn of_plates_long_enough_the_nearest_is_taken() {
    let claims =
        Claims { plates: vec![r(0, 80), r(400, 500)], boom: vec![r(90, 390)], ..Claims::default() };
    assert_eq!(judged(r(330, 380), claims).outcome, Outcome::Plate(r(400, 500)));
}

#[test]
fn a_plate_of_another_lock_off_does_not_reach() {
    let claims = Claims {
        lock_off: vec![r(0, 80), r(90, 500)],
        plates: vec![r(0, 80)],
        boom: vec![r(90, 500)],
        ..Claims::default()
    };
    let judgement = judged(r(200, 250), claims);
    assert_eq!(judgement.outcome, Outcome::NoPlate);
    assert!(codes(&judgement).contains(&(Code::OutsideLockOff, Severity::Stop)));
}

#[test]
fn leaving_the_lock_off_stops_in_used_and_is_an_attention_in_handles() {
    let with = |lock| {
        judged(
            r(100, 150),
            Claims {
                lock_off: vec![lock],
                plates: vec![r(0, 80)],
                boom: vec![r(90, 500)],
                ..Claims::default()
            },
        )
    };
    let in_used = with(r(0, 149));
    assert_eq!(in_used.outcome, Outcome::NoPlate);
    assert!(codes(&in_used).contains(&(Code::OutsideLockOff, Severity::Stop)));
    let in_handles = with(r(0, 150));
    assert_eq!(in_handles.outcome, Outcome::Plate(r(0, 80)));
    assert!(codes(&in_handles).contains(&(Code::OutsideLockOff, Severity::Attention)));
}

#[test]
fn plate_frames_with_boom_or_marked_unusable_are_left_out() {
    let claims = Claims {
        plates: vec![r(0, 50)],
        boom: vec![r(40, 500)],
        unusable: vec![r(0, 10)],
        ..Claims::default()
    };
    let judgement = judged(r(200, 250), claims);
    assert_eq!(judgement.outcome, Outcome::Loop(r(10, 40)));
    assert!(codes(&judgement).contains(&(Code::PlateShort, Severity::Attention)));
}

#[test]
fn no_plate_with_frames_is_a_stop_and_a_hint_is_named_in_it() {
    let none = judged(r(100, 150), Claims { boom: vec![r(90, 500)], ..Claims::default() });
    assert_eq!(none.outcome, Outcome::NoPlate);
    assert!(codes(&none).contains(&(Code::NoPlate, Severity::Stop)));
    let hinted = Claims {
        boom: vec![r(90, 500)],
        hints: vec!["a head plate of 3 s".into()],
        ..Claims::default()
    };
    let hinted = judged(r(100, 150), hinted);
    assert_eq!(hinted.outcome, Outcome::NoPlate);
    assert!(hinted.reasons.iter().any(|reason| reason.text.contains("a head plate of 3 s")));
}

#[test]
fn handles_past_the_take_are_said_and_change_no_verdict() {
    let claims = Claims {
        take: Some(r(0, 153)),
        plates: vec![r(0, 70)],
        boom: vec![r(90, 153)],
        ..Claims::default()
    };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.outcome, Outcome::Plate(r(0, 70)));
    let short = judgement.reasons.iter().find(|reason| reason.code == Code::HandlesShort);
    assert_eq!(short.and_then(|reason| reason.range_in_take), Some(r(153, 158)));
    assert_eq!(short.and_then(|reason| reason.value), Some(5.0));
}

#[test]
fn a_plate_minutes_away_is_an_attention() {
    let claims = Claims { plates: vec![r(0, 80)], boom: vec![r(90, 9000)], ..Claims::default() };
    let judgement = judged(r(5000, 5050), claims);
    assert!(codes(&judgement).contains(&(Code::PlateFarInTime, Severity::Attention)));
}

#[test]
fn a_hand_noted_boom_within_its_tolerance_of_used_is_an_attention() {
    let claims = Claims {
        boom: vec![r(10, 60)],
        plates: vec![r(60, 300)],
        tolerance: 48,
        ..Claims::default()
    };
    let judgement = judged(r(100, 150), claims);
    assert_eq!(judgement.outcome, Outcome::NoBoom);
    assert_eq!(codes(&judgement), [(Code::BoomInHandles, Severity::Attention)]);
}
