//! The locked cut: which piece of which take stands where, and what is to be thought of it.

/// How a clip runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Speed {
    Normal,
    Warp(f64),
    Freeze,
}

/// What a clip's media reference is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Media {
    File,
    Missing,
}

/// What is expected of a use; reasoned from the rules and from how the take was made.
#[derive(Debug, Clone, Copy)]
pub struct Expected {
    /// From the log alone.
    pub claims: &'static str,
    pub claims_reasons: &'static str,
    /// Once the pixels have been measured.
    pub measured: &'static str,
    pub corrections: &'static str,
    pub measured_reasons: &'static str,
}

/// One clip of the cut. Frames are file frames of the take.
#[derive(Debug, Clone, Copy)]
pub struct Shot {
    pub name: &'static str,
    pub clip: &'static str,
    pub start: i64,
    /// Frames of the source range, at the take's rate.
    pub length: i64,
    pub speed: Speed,
    pub media: Media,
    /// Scene, slate, take as the editing program keeps them; empty if it does not.
    pub slate: [&'static str; 3],
    /// Camera roll and clip as the editing program keeps them; both or neither.
    pub names_clip: bool,
    pub marker: Option<&'static str>,
    pub expected: Expected,
}

/// One item of a track.
#[derive(Debug, Clone, Copy)]
pub enum Item {
    Shot(Shot),
    Disabled(Shot),
    Gap(i64),
    /// A dissolve: frames before and after the cut.
    Dissolve(i64, i64),
    /// A nest of one track, trimmed: name, start and length in the nest, what is in it.
    Nest(&'static str, i64, i64, &'static [Shot]),
}

const fn same(verdict: &'static str, reasons: &'static str) -> Expected {
    Expected {
        claims: verdict,
        claims_reasons: reasons,
        measured: verdict,
        corrections: "",
        measured_reasons: reasons,
    }
}

const fn then(
    (claims, claims_reasons): (&'static str, &'static str),
    (measured, corrections, measured_reasons): (&'static str, &'static str, &'static str),
) -> Expected {
    Expected { claims, claims_reasons, measured, corrections, measured_reasons }
}

const fn shot(
    name: &'static str,
    clip: &'static str,
    [start, end]: [i64; 2],
    slate: [&'static str; 3],
    expected: Expected,
) -> Shot {
    Shot {
        name,
        clip,
        start,
        length: end - start,
        speed: Speed::Normal,
        media: Media::File,
        slate,
        names_clip: true,
        marker: None,
        expected,
    }
}

const UNLISTED: Expected = same("unlisted", "");
const CLEAR: Expected = same("clear", "");

/// Video track 1.
pub const V1: &[Item] = &[
    Item::Shot(shot("orchard insert", "A003C005", [4, 52], ["", "", ""], UNLISTED)),
    Item::Shot(shot("12-31-1", "A001C001", [72, 150], ["12", "31", "1"], CLEAR)),
    Item::Dissolve(6, 6),
    Item::Shot(shot(
        "12-31-2",
        "A001C002",
        [150, 214],
        ["12", "31", "2"],
        then(("plate", ""), ("plate", "", "background-moving")),
    )),
    Item::Shot(Shot {
        marker: Some("QUL_0300"),
        ..shot("13-32-3", "A001C003", [100, 280], ["13", "32", "3"], same("loop", ""))
    }),
    Item::Gap(12),
    Item::Shot(shot(
        "13-32-4",
        "A001C004",
        [90, 160],
        ["13", "32", "4"],
        then(("by-hand", "no-plate"), ("loop", "", "log-and-picture-disagree")),
    )),
    Item::Nest("chandlery assembly", 40, 100, IN_THE_NEST),
    Item::Shot(shot(
        "15-35-1",
        "A002C001",
        [140, 200],
        ["15", "35", "1"],
        then(("plate", ""), ("plate", "match-light", "light-changed")),
    )),
    Item::Shot(shot(
        "15-36-2",
        "A002C002",
        [84, 190],
        ["15", "36", "2"],
        then(("loop", ""), ("loop", "ease-turns", "background-moving")),
    )),
    Item::Disabled(shot("15-36-2 alt", "A002C002", [90, 120], ["15", "36", "2"], CLEAR)),
    Item::Shot(Shot {
        speed: Speed::Warp(0.5),
        length: 80,
        ..shot(
            "16-40-1",
            "A002C003",
            [100, 140],
            ["16", "40", "1"],
            then(("plate", ""), ("plate", "", "lock-off-unproven")),
        )
    }),
    Item::Shot(shot(
        "12-37-1",
        "A001C005",
        [40, 170],
        ["12", "37", "1"],
        then(("by-hand", "no-plate"), ("gather", "new-grain", "no-plate")),
    )),
    Item::Shot(shot(
        "14-33-4",
        "A001C006",
        [80, 126],
        ["14", "33", "4"],
        then(("by-hand", "no-plate"), ("still", "new-grain", "plate-short")),
    )),
    Item::Shot(shot(
        "15-38-1",
        "A003C001",
        [92, 140],
        ["15", "38", "1"],
        then(("plate", ""), ("by-hand", "", "no-divider")),
    )),
    Item::Shot(shot(
        "15-38-1 close",
        "A003C001",
        [184, 236],
        ["15", "38", "1"],
        then(("by-hand", "outside-lock-off"), ("by-hand", "", "outside-lock-off|camera-moved")),
    )),
    Item::Shot(Shot {
        speed: Speed::Warp(2.0),
        length: 30,
        ..shot(
            "12-41-1",
            "A003C002",
            [120, 180],
            ["12", "41", "1"],
            then(("plate", ""), ("plate", "follow-motion", "unsteady-picture")),
        )
    }),
    Item::Shot(shot(
        "13-42-2",
        "A003C003",
        [122, 190],
        ["13", "42", "2"],
        then(("plate", ""), ("loop", "", "log-and-picture-disagree")),
    )),
    Item::Shot(shot(
        "13-42-2 end",
        "A003C003",
        [200, 236],
        ["13", "42", "2"],
        then(("plate", ""), ("by-hand", "", "background-moving")),
    )),
    Item::Shot(Shot {
        speed: Speed::Freeze,
        length: 24,
        ..shot("12-31-1 hold", "A001C001", [100, 101], ["12", "31", "1"], CLEAR)
    }),
    Item::Shot(shot("12-43-1", "A003C004", [28, 46], ["12", "43", "1"], same("loop", ""))),
    Item::Shot(Shot {
        names_clip: false,
        ..shot(
            "17-52-1",
            "A004C001",
            [60, 100],
            ["17", "52", "1"],
            same("undecided", "ambiguous-record"),
        )
    }),
    Item::Shot(Shot {
        media: Media::Missing,
        ..shot(
            "18-53-1",
            "A003C006",
            [96, 132],
            ["18", "53", "1"],
            same("undecided", "media-missing"),
        )
    }),
    Item::Shot(shot(
        "12-31-2 under",
        "A001C002",
        [160, 208],
        ["12", "31", "2"],
        same("covered", ""),
    )),
    Item::Shot(Shot {
        speed: Speed::Warp(-1.0),
        ..shot(
            "12-31-2 back",
            "A001C002",
            [200, 240],
            ["12", "31", "2"],
            then(("plate", ""), ("plate", "", "background-moving")),
        )
    }),
    Item::Shot(shot(
        "12-31-1 tail",
        "A001C001",
        [64, 112],
        ["12", "31", "1"],
        same("clear", "boom-in-handles"),
    )),
    Item::Gap(48),
];

const IN_THE_NEST: &[Shot] = &[
    shot(
        "14-33-1",
        "B001C001",
        [20, 140],
        ["14", "33", "1"],
        then(("by-hand", "no-plate"), ("borrow", "", "no-plate")),
    ),
    shot("orchard insert 2", "A003C005", [0, 40], ["", "", ""], UNLISTED),
];

/// Second unit at 29.97: over the covered clip and over the last gap of track 1.
pub const V2_FIRST: Shot =
    shot("14-61-1", "C001C001", [130, 190], ["14", "61", "1"], same("plate", ""));

/// The same take after focus has gone to the actor.
pub const V2_SECOND: Shot = shot(
    "14-61-1 soft",
    "C001C001",
    [236, 290],
    ["14", "61", "1"],
    then(("plate", ""), ("by-hand", "", "focus-changed")),
);

/// Length of an item in its track, in cut frames.
pub fn length(item: &Item) -> i64 {
    match item {
        Item::Shot(shot) | Item::Disabled(shot) => shot.length,
        Item::Gap(frames) => *frames,
        Item::Dissolve(..) => 0,
        Item::Nest(_, _, frames, _) => *frames,
    }
}

/// Video track 2: two clips whose rate differs from the cut's, so that the second one does
/// not start on a whole frame.
pub fn v2() -> Vec<Item> {
    let is_covered = |item: &Item| matches!(item, Item::Shot(s) if s.expected.claims == "covered");
    let covered = V1.iter().position(is_covered).unwrap_or(V1.len());
    let until = |end: usize| V1[..end].iter().map(length).sum::<i64>();
    let between = until(V1.len() - 1) - until(covered) - length(&V1[covered]);
    vec![Item::Gap(until(covered)), Item::Shot(V2_FIRST), Item::Gap(between), Item::Shot(V2_SECOND)]
}
