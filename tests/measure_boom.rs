//! Boom and plates that nobody logged, on drawn sets with booms of known place and time.

mod hung;

use hung::{Dice, Hung, Room, grained};
use platesmith::measure::View;
use platesmith::measure::boom::{FinderLimits, Found, Hints, Say, SmallTake, find};
use platesmith::time::FrameRange;

const SIZE: (usize, usize) = (320, 180);

/// Draws a take and looks for booms.
fn found(frames: usize, booms: &[Hung]) -> Found {
    let (width, height) = SIZE;
    let room = Room::new(width, height, 150.0, 1);
    let mut dice = Dice::new(5);
    let mut take = SmallTake::new().unwrap();
    for frame in 0..frames {
        let mut codes = room.empty();
        for boom in booms {
            boom.lay(frame, width, height, &mut codes);
        }
        let codes = grained(&codes, 1.0, 255.0, &mut dice);
        assert!(take.add(&View::new(width, height, &codes).unwrap().reduced(1)).unwrap());
    }
    find(&mut take, &Hints::default(), &FinderLimits::default()).unwrap()
}

#[test]
fn a_boom_that_comes_and_goes_leaves_a_plate_on_both_sides() {
    let found = found(90, &[Hung::usual((30, 62), 90)]);
    assert_eq!(found.say, Say::Booms, "{found:?}");
    let boom = found.booms[0];
    assert!((boom.start.0 - 30).abs() <= 1 && (boom.end.0 - 62).abs() <= 1, "{boom}");
    assert_eq!((found.booms.len(), found.plates.len()), (1, 2), "{:?}", found.plates);
}

#[test]
fn without_a_boom_all_is_plate_and_with_one_throughout_nothing_is() {
    let free = found(60, &[]);
    assert_eq!((free.say, free.plates), (Say::NoBoomEvent, vec![FrameRange::new(0, 60)]));
    assert!(free.booms.is_empty());
    let held = found(60, &[Hung::usual((0, 60), 60)]);
    assert!(held.plates.is_empty() && held.short.is_empty(), "{held:?}");
}
