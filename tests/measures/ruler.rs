//! The ruler on invented textured scenes and on real shots: what its limits were set by.

use crate::divided;
use crate::outside;
use crate::scenes;

use divided::RealShot;
use platesmith::measure::divider::{DividerLimits, divide};
use platesmith::measure::ruler::{Grade, Ruler};
use platesmith::measure::{Mask, Plane, PlateSum};
use platesmith::settings::VisibilityLimits;
use scenes::{Dice, Kind, Scene, Truth};

/// A plate of an invented scene with grain, its ruler along a boom in the upper third, and
/// what an unmoved and a moved frame really differ by in the band, as the ruler counts.
fn scene(kind: Kind, seed: u64, grain: f32) -> Ruler {
    let (width, height) = (640, 360);
    let scene = Scene::new(width, height, kind, seed);
    let mut dice = Dice::new(seed + 9);
    let still = scene.background(&Truth::default());
    let (mut sum, mut half) = (PlateSum::new(), PlateSum::new());
    for _ in 0..8 {
        let codes = scene.exposed(&still, 1.0, grain, &mut dice);
        let data = codes.iter().map(|code| f32::from(*code) * 255.0 / 1023.0).collect();
        let plane = Plane { width, height, data };
        let view = plane.view().expect("whole");
        assert!(sum.add(view));
        assert!(half.add(view.reduced(2).view().expect("whole")));
    }
    let boom = Mask::from_fn(width, height, |x, y| y < 120 && x > 200 + y && x < 350 + y);
    let none = Mask::new(width, height);
    let limits = DividerLimits::default();
    let division = divide(&boom, &boom, &none, &none, 1.0, &limits).expect("one size");
    let (mean, variance) = (sum.mean().expect("frames"), sum.variance().expect("frames"));
    let coarser = half.variance().expect("frames");
    let limits = VisibilityLimits::default();
    Ruler::new(&mean, &variance, Some(&coarser), &division, 1.0, &limits).expect("a divider")
}

#[test]
fn a_tenth_of_a_pixel_is_about_the_limit_in_a_textured_scene() {
    // The goal is a prototype's figure on other textured scenes: 1.0 for .1 px. The finest
    // displacement in the settings was chosen for it, so this holds the choice, it does not
    // prove it.
    let mut all: Vec<f64> = (0..4).map(|seed| scene(Kind::Busy, seed, 13.0).shift(0.1)).collect();
    all.sort_by(f64::total_cmp);
    println!("busy scenes, .1 px: {all:.2?}");
    let middle = (all[1] + all[2]) / 2.0;
    assert!((0.8..=1.2).contains(&middle), "{all:?}");
    let (busy, soft) = (scene(Kind::Busy, 1, 13.0), scene(Kind::Soft, 1, 13.0));
    println!(
        "soft {:.2}, busy .2 px {:.2}, blur .5 {:.2} / {:.2}, gain 1 % {:.2}",
        soft.shift(0.1),
        busy.shift(0.2),
        busy.blur(0.5),
        soft.blur(0.5),
        busy.gain(1.01, 0.0)
    );
    assert!((busy.shift(0.2) / busy.shift(0.1) - 2.0).abs() < 1e-9 && busy.shift(0.2) <= 2.0);
    assert!(busy.blur(0.5) > busy.blur(0.25) && busy.blur(0.5) > soft.blur(0.5));
    // Finer grain hides less.
    assert!(scene(Kind::Busy, 1, 5.0).shift(0.1) >= busy.shift(0.1));
}

#[test]
fn the_same_shift_shows_on_an_edge_and_not_on_a_wall() {
    let Some(folder) = outside::shared("footage/boom/signer_stable") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let shot = RealShot::read(&folder);
    let ruler = |boom: &Mask| {
        let mut sum = PlateSum::new();
        for frame in &shot.clean[70..89] {
            let data = frame.iter().map(|code| f32::from(*code)).collect();
            let plane = Plane { width: shot.width, height: shot.height, data };
            assert!(sum.add(plane.view().expect("whole")));
        }
        let none = Mask::new(shot.width, shot.height);
        let limits = DividerLimits::default();
        let division = divide(boom, boom, &none, &none, 1.0, &limits).expect("one size");
        let (mean, variance) = (sum.mean().expect("frames"), sum.variance().expect("frames"));
        let limits = VisibilityLimits::default();
        Ruler::new(&mean, &variance, None, &division, 1.0, &limits).expect("a divider")
    };
    let here = ruler(&shot.changed_by(3));
    println!(
        "signer_stable at its boom: grain {:.2} codes, .1 px {:.2}, go up to {:.2} px, 1 % light {:.2}",
        here.grain_codes(),
        here.shift(0.1),
        here.shift_for(1.0),
        here.gain(1.01, 0.0)
    );
    // A patch of bare wall beside the person takes a far larger shift.
    let bare = Mask::from_fn(640, 480, |x, y| (380..420).contains(&x) && y < 60);
    let wall = ruler(&bare);
    println!("on the wall: .1 px {:.2}, go up to {:.2} px", wall.shift(0.1), wall.shift_for(1.0));
    assert!(wall.shift(0.1) < 0.6 * here.shift(0.1));
    assert_eq!(Grade::of(here.gain(0.94, 0.0), &VisibilityLimits::default()), Grade::Stop);
}
