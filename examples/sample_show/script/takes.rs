//! All takes, and what is the same in most of them.

use super::{Codec, Person, Set, Take, takes_lane, takes_loft};

/// What holds where a take does not say otherwise.
pub const PLAIN: Take = Take {
    clip: "",
    file: "",
    width: 640,
    height: 360,
    rate: (24, 1),
    drop: false,
    start: "00:00:00:00",
    frames: 0,
    codec: Codec::ProResHq,
    set: Set::NetLoft,
    grain: 4.0,
    wind: None,
    people: &[],
    boom: None,
    creep: None,
    reframe: None,
    cloud: None,
    focus_pull: None,
    passing: None,
    moth: None,
    plates: &[],
};

/// The netmaker: an ochre smock.
pub const NETMAKER: Person = Person {
    height: 250.0,
    foot_y: 350.0,
    path: &[],
    facing: 1.0,
    coat: [0.34, 0.22, 0.07],
    trousers: [0.1, 0.095, 0.09],
    skin: [0.43, 0.27, 0.2],
    gesture: 0.8,
    seed: 2,
};

/// The tallywoman: a sea-green coat.
pub const TALLY: Person = Person {
    height: 238.0,
    foot_y: 346.0,
    path: &[],
    facing: -1.0,
    coat: [0.06, 0.17, 0.18],
    trousers: [0.055, 0.06, 0.08],
    skin: [0.26, 0.155, 0.105],
    gesture: 0.9,
    seed: 4,
};

/// The harbour clerk: a pale grey jacket.
pub const CLERK: Person = Person {
    height: 246.0,
    foot_y: 352.0,
    path: &[],
    facing: -1.0,
    coat: [0.26, 0.26, 0.28],
    trousers: [0.06, 0.05, 0.045],
    skin: [0.48, 0.33, 0.25],
    gesture: 0.6,
    seed: 9,
};

/// Every take of the show, in the order it was shot.
pub fn all() -> Vec<Take> {
    takes_loft::takes().into_iter().chain(takes_lane::takes()).collect()
}

/// Finds a take by its camera clip.
pub fn named(clip: &str) -> Option<Take> {
    all().into_iter().find(|take| take.clip == clip)
}
