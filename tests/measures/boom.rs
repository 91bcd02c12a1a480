//! Boom and plates that nobody logged, on drawn sets with booms of known place and time, and
//! on footage with a boom laid in (material beside the project; NumPy and OpenCV count again
//! what FFmpeg's own program decoded).

use crate::hung;
use crate::outside;

use hung::{Dice, From, Hung, HungTone, Room, grained, stand};
use platesmith::measure::boom::{
    FinderLimits, Foreground, ForegroundLimits, Found, Hints, PlateRange, Say, SmallTake, Split,
    Why, find,
};
use platesmith::measure::{Mask, Plane, View};
use platesmith::media::open;
use platesmith::time::{Frame, FrameRange};
use std::path::Path;
use std::process::Command;

const SIZE: (usize, usize) = (320, 180);

/// A drawn take: booms, people (middle, top), grain, light.
struct Drawn<'a> {
    frames: usize,
    booms: &'a [Hung],
    people: &'a [(f32, f32)],
    grain: f32,
    fall_of_light: f32,
}

impl Drawn<'_> {
    fn usual<'a>(frames: usize, booms: &'a [Hung]) -> Drawn<'a> {
        Drawn { frames, booms, people: &[], grain: 1.0, fall_of_light: 0.0 }
    }

    /// Gives each frame and where the boom changes it by three codes or more.
    fn shoot(&self, mut each: impl FnMut(usize, &Plane, &Mask)) {
        let (width, height) = SIZE;
        let room = Room::new(width, height, 150.0, 1);
        let mut dice = Dice::new(5);
        for frame in 0..self.frames {
            let mut codes = room.empty();
            for place in self.people {
                stand(&mut codes, width, height, *place, frame);
            }
            let gain = 1.0 - self.fall_of_light * frame as f32 / self.frames as f32;
            codes.iter_mut().for_each(|code| *code *= gain);
            let mut changed = Mask::new(width, height);
            for boom in self.booms {
                let change = boom.lay(frame, width, height, &mut codes);
                changed
                    .add(&Mask::from_fn(width, height, |x, y| change[y * width + x].abs() >= 3.0));
            }
            let codes = grained(&codes, self.grain, 255.0, &mut dice);
            let plane = View::new(width, height, &codes).unwrap().reduced(1);
            each(frame, &plane, &changed);
        }
    }

    fn find(&self, hints: &Hints) -> Found {
        let mut take = SmallTake::new().unwrap();
        self.shoot(|_, plane, _| assert!(take.add(plane).unwrap()));
        find(&mut take, hints, &FinderLimits::default()).unwrap()
    }
}

fn is_near(found: FrameRange, (start, end): (i64, i64)) -> bool {
    (found.start.0 - start).abs() <= 1 && (found.end.0 - end).abs() <= 1
}

fn share(part: &Mask, of: &Mask) -> f64 {
    let mut both = part.clone();
    both.keep(of);
    both.count() as f64 / of.count().max(1) as f64
}

#[test]
fn a_boom_that_comes_and_goes_leaves_a_plate_on_both_sides() {
    let found = Drawn::usual(90, &[Hung::usual((30, 62), 90)]).find(&Hints::default());
    assert_eq!((found.say, found.booms.len()), (Say::Booms, 1), "{found:?}");
    let boom = found.booms[0];
    assert!(is_near(boom, (30, 62)), "{boom}");
    // Two frames of guard at each side.
    let plates = [FrameRange::new(0, boom.start.0 - 2), FrameRange::new(boom.end.0 + 2, 90)];
    assert_eq!(found.plates, plates);
}

#[test]
fn a_boom_from_the_side_that_touches_an_actor_in_falling_light_is_found() {
    let boom = Hung { from: From::Left, at: (0.3, 0.25), ..Hung::usual((0, 50), 90) };
    let take = Drawn { people: &[(0.42, 0.2)], fall_of_light: 0.15, ..Drawn::usual(90, &[]) };
    let found = Drawn { booms: &[boom], ..take }.find(&Hints::default());
    assert!(found.booms.len() == 1 && is_near(found.booms[0], (0, 50)), "{found:?}");
    assert_eq!(found.plates, [FrameRange::new(found.booms[0].end.0 + 2, 90)]);
}

#[test]
fn without_a_boom_all_of_each_lock_off_is_plate() {
    let hints =
        Hints { usable: vec![FrameRange::new(0, 30), FrameRange::new(36, 60)], ..Hints::default() };
    // One of the people reaches out at the top.
    let take = Drawn { people: &[(0.3, 0.3), (0.75, -0.05)], ..Drawn::usual(60, &[]) };
    let free = take.find(&hints);
    assert_eq!((free.say, free.plates), (Say::NoBoomEvent, hints.usable));
    assert!(free.booms.is_empty() && free.region.is_empty());
}

#[test]
fn a_boom_that_never_leaves_gives_no_plate() {
    let held = Drawn::usual(60, &[Hung::usual((0, 60), 60)]).find(&Hints::default());
    assert_eq!(held.say, Say::CannotTell(Why::NeverLeaves));
    assert!(held.plates.is_empty() && held.short.is_empty(), "{held:?}");
    assert_eq!(held.doubtful, [FrameRange::new(0, 60)]);
}

#[test]
fn a_hint_narrows_and_never_replaces_what_is_seen() {
    let take = |frames| Drawn::usual(frames, &[]);
    let hung = [Hung::usual((20, 40), 60)];
    let elsewhere = Hints { area: Some([0.0, 0.5, 0.2, 1.0]), ..Hints::default() };
    let found = Drawn { booms: &hung, ..take(60) }.find(&elsewhere);
    assert!(found.booms.is_empty() && found.plates.is_empty(), "{found:?}");
    let there = Hints { area: Some([0.3, 0.0, 0.7, 0.4]), ..Hints::default() };
    let found = Drawn { booms: &hung, ..take(60) }.find(&there);
    assert!(found.booms.len() == 1 && is_near(found.booms[0], (20, 40)), "{found:?}");
    let free = take(60).find(&there);
    assert_eq!((free.say, free.booms.len()), (Say::NoBoomEvent, 0));
}

#[test]
fn booms_of_eight_to_twenty_codes_are_found() {
    for codes in [8.0, -12.0, 16.0, -20.0] {
        let tone = HungTone::Differs(codes);
        let boom = Hung { tone, shadow: 0.03, ..Hung::usual((24, 48), 72) };
        let found = Drawn::usual(72, &[boom]).find(&Hints::default());
        assert!(found.booms.len() == 1 && is_near(found.booms[0], (24, 48)), "{codes}: {found:?}");
    }
}

#[test]
fn nothing_and_too_little_are_said_to_be_so() {
    let limits = FinderLimits::default();
    let mut take = SmallTake::new().unwrap();
    let none = find(&mut take, &Hints::default(), &limits).unwrap();
    assert_eq!(none.say, Say::CannotTell(Why::NoFrames));
    let plane = Plane { width: 40, height: 30, data: vec![f32::NAN; 1200] };
    for _ in 0..5 {
        assert!(take.add(&plane).unwrap());
    }
    assert!(!take.add(&Plane { width: 30, height: 40, data: vec![0.0; 1200] }).unwrap());
    let short = find(&mut take, &Hints::default(), &limits).unwrap();
    assert_eq!(short.say, Say::CannotTell(Why::TooShort));
    assert_eq!(short.doubtful, [FrameRange::new(0, 5)]);
    for _ in 0..20 {
        assert!(take.add(&plane).unwrap());
    }
    let black = find(&mut take, &Hints::default(), &limits).unwrap();
    assert!(black.booms.is_empty());
}

/// Takes the first frames as the plate and looks at all.
fn split(take: &Drawn, plate: usize, mut each: impl FnMut(usize, Split, &Mask)) -> Foreground {
    let mut range = PlateRange::new();
    let mut frames = Vec::new();
    take.shoot(|frame, plane, changed| {
        if frame < plate {
            assert!(range.add(plane));
        }
        frames.push((plane.clone(), changed.clone()));
    });
    let mut foreground = range.finish(ForegroundLimits::default()).unwrap();
    for (frame, (plane, changed)) in frames.iter().enumerate() {
        each(frame, foreground.see(Frame(frame as i64), plane), changed);
    }
    foreground
}

#[test]
fn the_region_holds_boom_and_shadow_and_little_more() {
    let take = Drawn { fall_of_light: 0.1, ..Drawn::usual(60, &[]) };
    let take = Drawn { booms: &[Hung::usual((20, 60), 60)], ..take };
    let (mut region, mut truth) = (Mask::new(SIZE.0, SIZE.1), Mask::new(SIZE.0, SIZE.1));
    split(&take, 18, |frame, split, changed| {
        assert!(split.present == (changed.count() > 12) || changed.count() < 60, "{frame}");
        assert!(!split.boom.meets(&split.actors));
        region.add(&split.boom);
        truth.add(changed);
    });
    let area = region.count() as f64 / truth.count() as f64;
    assert!(share(&region, &truth) >= 0.98 && area <= 1.5, "{} {area}", share(&region, &truth));
}

#[test]
fn boom_and_actor_are_told_apart_where_they_touch() {
    // The actor walks up to the boom; the plate is from before.
    let boom = Hung { at: (0.5, 0.2), ..Hung::usual((20, 80), 80) };
    let (width, height) = SIZE;
    let room = Room::new(width, height, 150.0, 1);
    let mut dice = Dice::new(8);
    let mut range = PlateRange::new();
    let mut foreground = None;
    let (mut wrong, mut all, mut touching) = (0, 0, 0);
    for frame in 0..80_usize {
        let mut people = room.empty();
        if frame >= 16 {
            let x = (1.1 - 0.02 * (frame - 16) as f32).max(0.54);
            stand(&mut people, width, height, (x, 0.08), frame);
        }
        let mut codes = people.clone();
        let change = boom.lay(frame, width, height, &mut codes);
        let codes = grained(&codes, 1.0, 255.0, &mut dice);
        let plane = View::new(width, height, &codes).unwrap().reduced(1);
        if frame < 14 {
            assert!(range.add(&plane));
            continue;
        }
        let foreground =
            foreground.get_or_insert_with(|| range.finish(ForegroundLimits::default()).unwrap());
        let split = foreground.see(Frame(frame as i64), &plane);
        let empty = room.empty();
        let is_boom = Mask::from_fn(width, height, |x, y| change[y * width + x].abs() >= 20.0);
        let is_actor = Mask::from_fn(width, height, |x, y| {
            let at = y * width + x;
            (people[at] - empty[at]).abs() >= 20.0 && !is_boom.has(x, y)
        });
        touching += usize::from(is_boom.grown(2).meets(&is_actor));
        let mut lost = is_boom.clone();
        lost.take(&split.boom);
        let mut taken = is_actor.clone();
        taken.keep(&split.boom);
        // A pixel or two along the common outline belong to both.
        taken.take(&is_boom.grown(3));
        wrong += lost.count() + taken.count();
        all += is_boom.count();
    }
    assert!(touching >= 10, "they touch in {touching} frames");
    assert!((wrong as f64) < 0.05 * all as f64, "{wrong} of {all}");
}

/// A tip six pixels deep in a frame of 3840x2160, three quarters of a pixel of the small
/// plane, that lingers before it goes on.
#[test]
fn slivers_set_the_ends() {
    let (width, height) = (480, 270);
    let room = Room::new(width, height, 150.0, 7);
    let mut dice = Dice::new(11);
    for codes in [60.0, 12.0] {
        let mut take = SmallTake::new().unwrap();
        for frame in 0..90_i64 {
            let into = (frame - 24).min(65 - frame);
            let deep = match into {
                0..6 => 0.75,
                6.. => 0.75 + 4.0 * (into - 5) as f32,
                _ => 0.0,
            };
            let mut data = room.empty();
            for (at, value) in data.iter_mut().enumerate() {
                let down =
                    (deep - (at / width) as f32).clamp(0.0, 1.0).min(f32::from(at / width < 50));
                let across = f32::from((225..240).contains(&(at % width)));
                *value += codes * down * across + 0.4 * dice.bell();
            }
            assert!(take.add(&Plane { width, height, data }).unwrap());
        }
        let found = find(&mut take, &Hints::default(), &FinderLimits::default()).unwrap();
        assert!(
            found.booms.len() == 1 && is_near(found.booms[0], (24, 66)),
            "{codes}: {:?}",
            found.booms
        );
    }
}

#[test]
fn a_boom_too_faint_to_be_followed_leaves_no_plate() {
    let tone = HungTone::Differs(-5.0);
    let boom = Hung { tone, shadow: 0.03, ..Hung::usual((24, 48), 72) };
    // On a small plane: a frame twice as large has twice the grain.
    for grain in [1.0, 1.5] {
        let take = Drawn { grain, ..Drawn::usual(72, &[]) };
        let found = Drawn { booms: &[boom], ..take }.find(&Hints::default());
        let holds = |plate: &FrameRange| plate.overlap(FrameRange::new(24, 48)).is_some();
        assert!(!found.plates.iter().any(holds), "{grain}: {found:?}");
        let take = Drawn { grain, ..Drawn::usual(72, &[]) };
        assert_eq!(take.find(&Hints::default()).say, Say::NoBoomEvent, "{grain}");
    }
}

/// Reads luma of a clip in 8-bit codes, reduced by `by`.
fn clip(path: &Path, by: usize) -> Vec<Plane> {
    let media = open(path).expect("the clip opens");
    let count = i64::try_from(media.info().frames).unwrap();
    let mut frames = media.frames(FrameRange::new(0, count)).unwrap();
    let (mut planes, mut luma) = (Vec::new(), Vec::new());
    while let Some(next) = frames.next_frame() {
        let picture = next.expect("decodes").1;
        picture.luma_u16(&mut luma);
        let size = (picture.width() as usize, picture.height() as usize);
        planes.push(View::new(size.0, size.1, &luma).unwrap().reduced(by));
    }
    planes
}

fn search(planes: &[Plane]) -> Found {
    let mut take = SmallTake::new().unwrap();
    for plane in planes {
        take.add(plane).unwrap();
    }
    find(&mut take, &Hints::default(), &FinderLimits::default()).unwrap()
}

#[test]
fn booms_laid_into_footage_are_found_and_the_region_counted_by_numpy() {
    let Some(case) = outside::shared("footage/boom/signer_stable") else { return };
    let full = clip(&case.join("take_boom.mkv"), 1);
    let small: Vec<Plane> = full.iter().map(|plane| plane.view().unwrap().reduced(2)).collect();
    let found = search(&small);
    assert!(found.booms.len() == 1 && is_near(found.booms[0], (19, 70)), "{found:?}");
    assert_eq!(found.plates.len(), 2);
    let inner = search(&small[30..59]);
    assert!(inner.plates.is_empty() && inner.short.is_empty(), "{inner:?}");
    let free: Vec<Plane> = clip(&case.join("clean.mkv"), 2);
    assert_eq!(search(&free).plates, [FrameRange::new(0, 89)]);

    let mut range = PlateRange::new();
    full[72..89].iter().for_each(|plane| assert!(range.add(plane)));
    let mut foreground = range.finish(ForegroundLimits::default()).unwrap();
    let mut region = Mask::new(640, 480);
    for (frame, plane) in full.iter().enumerate().skip(19).take(51) {
        region.add(&foreground.see(Frame(frame as i64), plane).boom);
    }
    count_again(&case, &region);
}

/// Asks NumPy for recall and area of a region, and OpenCV for its connected parts.
fn count_again(case: &Path, region: &Mask) {
    let Some(python) = outside::python_with("cv2") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let bytes: Vec<u8> =
        (0..480 * 640).map(|at| u8::from(region.has(at % 640, at / 640))).collect();
    let file = folder.path().join("region");
    std::fs::write(&file, bytes).unwrap();
    let script = "
import subprocess, sys, numpy as np, cv2
def luma(path):
    out = subprocess.run(['ffmpeg', '-v', 'error', '-i', path, '-f', 'rawvideo', '-pix_fmt',
                          'yuvj420p', '-'], capture_output=True, check=True).stdout
    return np.frombuffer(out, np.uint8).reshape(-1, 720, 640)[:, :480].astype(int)
take, clean = luma(sys.argv[1] + '/take_boom.mkv'), luma(sys.argv[1] + '/clean.mkv')
truth = (abs(take - clean) >= 3).any(0)
region = np.fromfile(sys.argv[2], np.uint8).reshape(480, 640)
parts = cv2.connectedComponentsWithStats(region, connectivity=8)[2][1:, cv2.CC_STAT_AREA]
print((truth & (region > 0)).sum() / truth.sum(), region.sum() / truth.sum(), parts.max() / parts.sum())
";
    let run = Command::new(python).args(["-c", script]).arg(case).arg(&file).output().unwrap();
    let text = String::from_utf8_lossy(&run.stdout).to_string();
    let values: Vec<f64> = text.split_whitespace().map(|word| word.parse().unwrap()).collect();
    assert_eq!(values.len(), 3, "{text} {}", String::from_utf8_lossy(&run.stderr));
    assert!(values[0] >= 0.98 && values[1] <= 1.5, "recall, area: {values:?}");
    assert!(values[2] >= 0.95, "the region is one thing: {values:?}");
}

/// Leaves over the upper half of a wall, each swaying round its place; people before them.
struct Orchard {
    leaves: Vec<f32>,
    wall: Room,
}

const WIDE: (usize, usize) = (480, 270);

impl Orchard {
    fn new() -> Orchard {
        let mut dice = Dice::new(11);
        let leaves = (0..160 * 60).map(|_| 30.0 + 160.0 * dice.even()).collect();
        Orchard { leaves, wall: Room::new(WIDE.0, WIDE.1, 150.0, 2) }
    }

    /// The set at one instant, wind as strong as `gust`.
    fn at(&self, time: f32, gust: f32) -> Vec<f32> {
        let mut codes = self.wall.empty();
        for (at, code) in codes.iter_mut().enumerate().take(WIDE.0 * 80) {
            let (x, y) = ((at % WIDE.0) as f32, (at / WIDE.0) as f32);
            let branch = ((x / 37.0).floor() * 2.3 + (y / 29.0).floor() * 1.7).sin() * 9.0;
            let push = (0.31 * time + branch).sin() + 0.5 * (0.53 * time + 1.7 * branch).sin();
            let lift = 0.4 * (0.37 * time + branch).cos();
            let (x, y) = (x + 2.2 * gust * push + 20.0, y + 2.2 * gust * lift + 10.0);
            *code = self.leaves[(y / 4.0) as usize * 160 + (x / 4.0) as usize % 160];
        }
        codes
    }

    /// Somebody in a knitted jersey, `left` to `left + 60`, who breathes.
    fn stand(codes: &mut [f32], left: f32, time: f32) {
        let breath = 0.7 * (0.2 * time).sin();
        for (at, code) in codes.iter_mut().enumerate() {
            let (x, y) = ((at % WIDE.0) as f32, (at / WIDE.0) as f32);
            if y > 60.0 && x > left - breath && x < left + 60.0 + breath {
                let knit = ((x - left) * (1.0 + 0.02 * breath)) as usize + y as usize / 3;
                *code = 205.0 + 10.0 * ((knit % 4) / 2) as f32;
            }
        }
    }

    fn plane(codes: &[f32], dice: &mut Dice) -> Plane {
        let codes = grained(codes, 1.0, 255.0, dice);
        View::new(WIDE.0, WIDE.1, &codes).unwrap().reduced(1)
    }

    /// A meter that knows 40 frames of the plate.
    fn meter(&self, dice: &mut Dice, person: impl Fn(&mut [f32], usize)) -> Foreground {
        let mut range = PlateRange::with_sway();
        for frame in 0..40 {
            let mut codes = self.at(frame as f32, 1.0);
            person(&mut codes, frame);
            assert!(range.add(&Orchard::plane(&codes, dice)));
        }
        range.finish(ForegroundLimits::default()).unwrap()
    }
}

fn rectangle((left, top, right, bottom): (usize, usize, usize, usize)) -> Mask {
    Mask::from_fn(WIDE.0, WIDE.1, |x, y| (left..right).contains(&x) && (top..bottom).contains(&y))
}

#[test]
fn leaves_that_sway_are_no_people_and_a_boom_before_them_is_a_boom() {
    let (set, mut dice) = (Orchard::new(), Dice::new(3));
    let mut meter = set.meter(&mut dice, |_, _| ());
    assert!(share(&rectangle((20, 20, 460, 70)), meter.swaying().unwrap()) > 0.0);
    assert!(meter.walked().is_empty(), "{:?}", meter.walked().bounds());
    let pole = rectangle((230, 0, 250, 50));
    for frame in 50..110 {
        let mut codes = set.at(frame as f32, 1.15);
        let hangs = frame >= 60;
        for (x, y) in pole.pixels().filter(|_| hangs) {
            codes[y * WIDE.0 + x] = 25.0;
        }
        let split = meter.see(Frame(frame), &Orchard::plane(&codes, &mut dice));
        assert_eq!(split.present, hangs, "{frame}");
        assert!(split.actors.is_empty(), "{frame}: {:?}", split.actors.bounds());
        if hangs {
            assert!(share(&pole, &split.boom) > 0.0, "{frame}");
            let mut missed = pole.clone();
            missed.take(&split.boom);
            assert!(missed.count() * 50 <= pole.count(), "{frame}: {}", missed.count());
            let near = rectangle((215, 0, 265, 65));
            let mut beyond = split.boom.clone();
            beyond.take(&near);
            assert!(beyond.is_empty(), "{frame}: {:?}", beyond.bounds());
        }
    }
}

#[test]
fn somebody_before_leaves_is_a_person_in_the_plate_and_out_of_it() {
    let (set, mut dice) = (Orchard::new(), Dice::new(4));
    // She stands in the plate and breathes, and steps aside in the take.
    let mut meter = set.meter(&mut dice, |codes, at| Orchard::stand(codes, 200.0, at as f32));
    for (frame, left) in (50..80).map(|frame| (frame, 200.0 + 4.0 * (frame - 50) as f32)) {
        let mut codes = set.at(frame as f32, 1.15);
        Orchard::stand(&mut codes, left, frame as f32);
        let split = meter.see(Frame(frame), &Orchard::plane(&codes, &mut dice));
        let stood = if left > 260.0 { left } else { 260.0 };
        let new = rectangle((stood as usize, 61, left as usize + 60, 270));
        let mut missed = new.clone();
        missed.take(&split.actors);
        let few = (new.count() / 50).max(2 * 209);
        assert!(missed.count() <= few, "{frame}: {} of {}", missed.count(), new.count());
    }
    // Somebody who walks through the plate is nobody's background.
    let walks = |codes: &mut [f32], at: usize| {
        Orchard::stand(codes, 1.5 * at as f32, at as f32);
    };
    let meter = set.meter(&mut dice, walks);
    let way = rectangle((40, 66, 100, 76));
    let walked = meter.walked();
    let mut missed = way.clone();
    missed.take(&walked);
    assert!(missed.count() * 5 <= way.count(), "{} of {}", missed.count(), way.count());
}
