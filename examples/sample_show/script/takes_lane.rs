//! The takes of the second day: lane, orchard, cistern, and the pick-ups.

use super::takes::{CLERK, NETMAKER, PLAIN, TALLY};
use super::takes_loft::LOFT_BOOM;
use super::{Boom, Cloud, Codec, Creep, FocusPull, Passing, Person, Reframe, Set, Take, Wind};

const LANE_BOOM: Boom = Boom {
    mic: (330.0, 38.0),
    pole: (0.6, -1.0),
    tilt: 2.55,
    tone: 0.13,
    shadow: 0.3,
    ..LOFT_BOOM
};

const IVY: Option<Wind> = Some(Wind { sway: 2.5, seed: 60 });

pub fn takes() -> Vec<Take> {
    let mut takes = outdoors();
    takes.extend(pick_ups());
    takes
}

fn outdoors() -> Vec<Take> {
    vec![
        // A cloud between plate and action takes six per cent, more on the left.
        Take {
            clip: "A002C001",
            file: "A002C001.mov",
            start: "09:12:00:00",
            frames: 230,
            set: Set::Lane,
            wind: IVY,
            boom: Some(Boom { spans: &[[120, 222]], ..LANE_BOOM }),
            people: &[
                Person { path: &[(0, 250.0), (110, 250.0), (180, 330.0)], facing: 1.0, ..CLERK },
                Person { path: &[(0, 500.0)], ..TALLY },
            ],
            cloud: Some(Cloud { start: 96, end: 140, gain: -0.06, across: 0.035, down: -0.015 }),
            plates: &[[0, 120]],
            ..PLAIN
        },
        // Trees in the wind behind the boom.
        Take {
            clip: "A002C002",
            file: "A002C002.mov",
            start: "09:48:30:00",
            frames: 210,
            codec: Codec::H264High,
            set: Set::Orchard,
            wind: Some(Wind { sway: 2.2, seed: 70 }),
            boom: Some(Boom { spans: &[[70, 204]], ..LANE_BOOM }),
            people: &[
                Person { path: &[(0, 230.0), (80, 230.0), (190, 400.0)], facing: 1.0, ..TALLY },
                Person { path: &[(0, 520.0)], ..NETMAKER },
            ],
            plates: &[[0, 70]],
            ..PLAIN
        },
        // Past midnight in the cistern: a bare wall and a boom that hardly differs from it.
        Take {
            clip: "A002C003",
            file: "A002C003.mxf",
            start: "23:59:57:00",
            frames: 220,
            codec: Codec::DnxhrHqx,
            set: Set::Cistern,
            boom: Some(Boom {
                mic: (282.0, 42.0),
                spans: &[[76, 210]],
                tone: 0.255,
                contrast: 0.1,
                shadow: 0.1,
                ..LOFT_BOOM
            }),
            people: &[Person { path: &[(0, 420.0), (90, 420.0), (200, 330.0)], ..CLERK }],
            plates: &[[0, 76]],
            ..PLAIN
        },
        // First the actor walks through the boom's region, then the camera is reframed.
        Take {
            clip: "A003C001",
            file: "A003C001.mov",
            start: "14:20:15:00",
            frames: 250,
            codec: Codec::DnxhrHqx,
            set: Set::Lane,
            wind: None,
            boom: Some(Boom { mic: (330.0, 54.0), spans: &[[80, 150], [162, 250]], ..LANE_BOOM }),
            people: &[Person {
                height: 310.0,
                foot_y: 376.0,
                path: &[(0, 150.0), (92, 150.0), (150, 420.0), (250, 430.0)],
                facing: 1.0,
                ..NETMAKER
            }],
            reframe: Some(Reframe { start: 152, end: 170, dx: -22.0, dy: 9.0, scale: 1.03 }),
            plates: &[[0, 80]],
            ..PLAIN
        },
        // The head of the tripod settles: two pixels over the take, and a weave.
        Take {
            clip: "A003C002",
            file: "A003C002.mov",
            start: "14:52:09:16",
            frames: 220,
            boom: Some(Boom { spans: &[[108, 212]], ..LOFT_BOOM }),
            people: &[
                Person { path: &[(0, 400.0), (100, 400.0), (180, 340.0)], ..TALLY },
                Person { path: &[(0, 520.0)], ..CLERK },
            ],
            creep: Some(Creep { dx: 1.9, dy: 0.7, turn: 0.0006, weave_px: 0.22 }),
            plates: &[[0, 108]],
            ..PLAIN
        },
        // The boom was still in when the plate was called; later somebody passes the key.
        Take {
            clip: "A003C003",
            file: "A003C003.mov",
            start: "15:10:44:00",
            frames: 260,
            set: Set::Office,
            boom: Some(Boom {
                mic: (214.0, 36.0),
                pole: (0.25, -1.0),
                tilt: 2.5,
                tone: 0.12,
                spans: &[[0, 34], [108, 248]],
                ..LOFT_BOOM
            }),
            people: &[Person { path: &[(0, 380.0), (110, 380.0), (170, 330.0)], ..TALLY }],
            passing: Some(Passing { start: 202, end: 240, strength: 0.16 }),
            plates: &[[34, 108]],
            ..PLAIN
        },
    ]
}

fn pick_ups() -> Vec<Take> {
    vec![
        // A short one as image files.
        Take {
            clip: "A003C004",
            file: "A003C004",
            start: "16:05:00:00",
            frames: 56,
            codec: Codec::Dpx,
            boom: Some(Boom { spans: &[[18, 56]], slide: 8, ..LOFT_BOOM }),
            people: &[Person { path: &[(0, 420.0)], facing: -1.0, gesture: 1.0, ..NETMAKER }],
            plates: &[[0, 18]],
            ..PLAIN
        },
        // Inserts nobody logged.
        Take {
            clip: "A003C005",
            file: "A003C005.mov",
            start: "16:31:20:00",
            frames: 60,
            codec: Codec::DnxhrHqx,
            set: Set::Orchard,
            wind: Some(Wind { sway: 2.6, seed: 70 }),
            ..PLAIN
        },
        // Second unit at 29.97 drop-frame; focus goes from the wall to the actor.
        Take {
            clip: "C001C001",
            file: "C001C001.mov",
            rate: (30000, 1001),
            drop: true,
            start: "00:58:56;10",
            frames: 310,
            codec: Codec::H264High,
            set: Set::Chandlery,
            grain: 3.4,
            boom: Some(Boom {
                mic: (226.0, 44.0),
                pole: (-1.0, -0.52),
                tilt: 0.3,
                spans: &[[110, 302]],
                ..LOFT_BOOM
            }),
            people: &[Person { path: &[(0, 330.0), (200, 330.0), (260, 300.0)], ..CLERK }],
            focus_pull: Some(FocusPull { start: 203, end: 227, sigma: 2.1 }),
            plates: &[[0, 110]],
            ..PLAIN
        },
        // Two cameras on one slate; this file was renamed by sync.
        Take {
            clip: "A004C001",
            file: "52_1_sync.mov",
            start: "17:02:00:00",
            frames: 110,
            codec: Codec::H264,
            set: Set::Lane,
            wind: IVY,
            boom: Some(Boom { spans: &[[50, 110]], ..LANE_BOOM }),
            people: &[Person { path: &[(0, 240.0)], facing: 1.0, ..TALLY }],
            plates: &[[0, 50]],
            ..PLAIN
        },
    ]
}
