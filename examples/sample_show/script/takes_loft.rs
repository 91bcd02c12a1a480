//! The takes shot indoors on the first day: net loft, customs office, chandlery.

use super::takes::{CLERK, NETMAKER, PLAIN, TALLY};
use super::{Boom, Codec, Moth, Person, Set, Take, Wind};

/// Over the middle of the net loft, from the upper left.
pub const LOFT_BOOM: Boom = Boom {
    mic: (262.0, 40.0),
    pole: (-0.5, -1.0),
    tilt: 0.5,
    spans: &[],
    slide: 14,
    tone: 0.19,
    contrast: 0.7,
    shadow: 0.42,
    swing: &[],
};

const OFFICE_BOOM: Boom =
    Boom { mic: (214.0, 36.0), pole: (0.25, -1.0), tilt: 2.5, tone: 0.12, ..LOFT_BOOM };

const SHOP_BOOM: Boom =
    Boom { mic: (226.0, 44.0), pole: (-1.0, -0.52), tilt: 0.3, tone: 0.21, ..LOFT_BOOM };

const OFFICE_WIND: Option<Wind> = Some(Wind { sway: 3.0, seed: 40 });

pub fn takes() -> Vec<Take> {
    vec![
        // The boom leaves before the line and comes back for the next one.
        Take {
            clip: "A001C001",
            file: "A001C001.mov",
            start: "10:02:11:00",
            frames: 240,
            boom: Some(Boom { spans: &[[0, 60], [188, 240]], ..LOFT_BOOM }),
            people: &[
                Person { path: &[(0, 420.0), (70, 420.0), (150, 300.0)], ..NETMAKER },
                Person { path: &[(0, 540.0)], ..TALLY },
            ],
            plates: &[[60, 188]],
            ..PLAIN
        },
        // A long head plate; a moth flies through it early.
        Take {
            clip: "A001C002",
            file: "A001C002.mov",
            width: 960,
            height: 540,
            start: "10:06:40:12",
            frames: 250,
            codec: Codec::DnxhrHqx,
            boom: Some(Boom { spans: &[[130, 236]], ..LOFT_BOOM }),
            people: &[
                Person {
                    path: &[(0, 500.0), (126, 500.0), (170, 400.0)],
                    facing: -1.0,
                    ..NETMAKER
                },
                Person { path: &[(0, 150.0)], facing: 1.0, ..TALLY },
            ],
            moth: Some(Moth { start: 6, end: 20, from: (170.0, 70.0), to: (330.0, 18.0) }),
            plates: &[[20, 130], [236, 250]],
            ..PLAIN
        },
        // Three seconds of plate against nine of boom; trees outside the window.
        Take {
            clip: "A001C003",
            file: "A001C003.mkv",
            start: "10:31:05:00",
            frames: 310,
            codec: Codec::Ffv1,
            set: Set::Office,
            wind: OFFICE_WIND,
            boom: Some(Boom { spans: &[[82, 300]], ..OFFICE_BOOM }),
            people: &[
                Person {
                    path: &[(0, 470.0), (110, 470.0), (160, 330.0), (230, 330.0), (280, 450.0)],
                    ..CLERK
                },
                Person { path: &[(0, 120.0)], facing: 1.0, ..TALLY },
            ],
            plates: &[[0, 82]],
            ..PLAIN
        },
        // A head plate without times in the log; in the tail somebody walks through the patch.
        Take {
            clip: "A001C004",
            file: "A001C004.mp4",
            start: "10:38:22:08",
            frames: 200,
            codec: Codec::H264,
            set: Set::Office,
            wind: OFFICE_WIND,
            grain: 3.0,
            boom: Some(Boom { spans: &[[76, 172]], ..OFFICE_BOOM }),
            people: &[
                Person { path: &[(0, 400.0)], gesture: 1.0, ..CLERK },
                Person {
                    height: 300.0,
                    foot_y: 370.0,
                    path: &[(0, -90.0), (170, -90.0), (200, 330.0)],
                    facing: 1.0,
                    ..NETMAKER
                },
            ],
            plates: &[[0, 76]],
            ..PLAIN
        },
        // The boom is in from the first frame to the last.
        Take {
            clip: "B001C001",
            file: "B001C001.mov",
            start: "11:15:00:00",
            frames: 180,
            set: Set::Chandlery,
            boom: Some(Boom { spans: &[[0, 180]], ..SHOP_BOOM }),
            people: &[
                Person { path: &[(0, 350.0), (60, 350.0), (100, 300.0)], ..TALLY },
                Person { path: &[(0, 480.0)], ..CLERK },
            ],
            ..PLAIN
        },
        // The plate of that set-up, rolled as a take of its own.
        Take {
            clip: "B001C002",
            file: "B001C002.mxf",
            start: "11:19:30:00",
            frames: 100,
            codec: Codec::DnxhrHqx,
            set: Set::Chandlery,
            plates: &[[0, 100]],
            ..PLAIN
        },
        // No plate at all: the boom swings across, so that each pixel is free sometime.
        Take {
            clip: "A001C005",
            file: "A001C005.mkv",
            width: 960,
            height: 540,
            start: "11:42:10:00",
            frames: 200,
            codec: Codec::Ffv1,
            boom: Some(Boom {
                mic: (330.0, 36.0),
                pole: (0.06, -1.0),
                tilt: 1.1,
                spans: &[[0, 200]],
                swing: &[
                    (0, -150.0, 0.0),
                    (34, -150.0, 4.0),
                    (80, 20.0, 0.0),
                    (104, 40.0, 5.0),
                    (160, 190.0, 0.0),
                ],
                ..LOFT_BOOM
            }),
            people: &[
                Person { path: &[(0, 210.0), (40, 210.0), (150, 500.0)], ..NETMAKER },
                Person { path: &[(0, 560.0)], ..CLERK },
            ],
            ..PLAIN
        },
        // The boom is whipped out for a blink: nine clean frames.
        Take {
            clip: "A001C006",
            file: "A001C006.mov",
            start: "11:55:48:00",
            frames: 140,
            set: Set::Chandlery,
            boom: Some(Boom { spans: &[[0, 60], [69, 140]], slide: 7, tone: 0.1, ..SHOP_BOOM }),
            people: &[Person { path: &[(0, 330.0), (80, 330.0), (130, 290.0)], ..NETMAKER }],
            plates: &[[60, 69]],
            ..PLAIN
        },
    ]
}
