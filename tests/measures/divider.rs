//! The divider on invented shots of known outlines, on truth masks of real shots, and its
//! distances and polygons against OpenCV.

use crate::divided;
use crate::outside;

use divided::{RealShot, Shot, clearance, inside, margin, shares, union};
use platesmith::measure::Mask;
use platesmith::measure::divider::{
    DividerLimits, Division, Entered, Standing, alpha, crossings, distances, divide, reasons,
};
use platesmith::reason::{Code, Severity};
use std::io::Write;
use std::process::{Command, Stdio};

fn divided(boom: &Mask, core: &Mask, actors: &Mask, scale: f64) -> Division {
    let none = Mask::new(boom.width(), boom.height());
    divide(boom, core, actors, &none, scale, &DividerLimits::default()).expect("masks of one size")
}

#[test]
fn clearance_is_never_overstated_and_the_sides_keep_to_the_middle() {
    for by in [1, 2] {
        for seed in 300..308 {
            let gap = (6.0 + (seed * 37 % 100) as f64 * 0.4) * by as f64;
            let shot = Shot::new(480 * by, 270 * by, seed, gap);
            let [boom, core, actors] = shot.seen(by);
            let found = divided(&boom, &core, &actors, by as f64);
            let [true_boom, _, true_actors] = shot.truth();
            let truth = clearance(&true_boom, &true_actors);
            let told = found.clearance_px.expect("both are there");
            assert!(told <= truth + 1e-9, "{seed}: {told} of {truth}");
            assert!(truth - told <= 4.0 * by as f64, "{seed}: {told} of {truth}");
            assert_eq!(found.standing, Standing::Free, "{seed}");
            let share = shares(&found).expect("a divider");
            assert!((0.95..=1.001).contains(&share), "{seed}: {share}");
            assert_eq!(inside(&found.region, &true_actors), 0, "{seed}");
            assert_eq!(inside(&found.region, &true_boom), true_boom.count(), "{seed}");
            let least = margin(&found.region, &true_boom).min(margin(&found.region, &true_actors));
            let ideal = (truth / 2.0).min(24.0);
            // Half a pixel of the mask may be lost to its raster on each side.
            let raster = (by - 1) as f64;
            assert!(least >= 0.95 * (ideal - raster), "{seed}: {least} of {ideal}");
        }
    }
}

#[test]
fn a_slanted_boom_beside_an_actor_has_a_slanted_divider_and_a_touched_shadow_is_said() {
    let Some(folder) = outside::shared("footage/boom/signer_stable") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let shot = RealShot::read(&folder);
    let (boom, core) = (shot.changed_by(3), shot.changed_by(40));
    // The tail is the plate: in the head the actor is where the patch will be.
    let frames = shot.actors((70, 89), 4.0);
    let actors = union(frames.iter().map(|(_, mask)| mask));
    let found = divided(&boom, &core, &actors, 1.0);
    assert_eq!(found.standing, Standing::SkirtTouched);
    assert!(found.clearance_px.expect("both") < 2.0);
    assert!(found.core_clearance_px.expect("both") > 20.0);
    assert!(shares(&found).expect("a divider") >= 0.95);
    assert!(inside(&found.region, &actors) == 0 && inside(&found.region, &core) == core.count());
    let slanted = found.region.inner_sides(640.0, 480.0).iter().any(|(a, b)| {
        let (dx, dy) = ((b[0] - a[0]).abs(), (b[1] - a[1]).abs());
        dx.min(dy) > 0.25 * dx.max(dy) && dx.hypot(dy) > 30.0
    });
    assert!(slanted, "{:?}", found.region);
    let met = crossings(&found, 24.0, &[], frames.iter().map(|(at, mask)| (*at, mask)));
    assert!(met.iter().any(|crossing| crossing.entered == Entered::Skirt), "{met:?}");
    assert!(met.iter().all(|crossing| crossing.entered != Entered::Inside), "{met:?}");
    let said = reasons(&found, &met);
    assert!(
        said.iter().all(|r| (r.code, r.severity) == (Code::DividerCrossed, Severity::Attention))
    );
    // No level line would do: the box round the boom holds actor pixels.
    let (left, top, right, bottom) = boom.bounds().expect("a boom");
    assert!(actors.pixels().any(|(x, y)| (left..right).contains(&x) && (top..bottom).contains(&y)));
}

#[test]
fn one_frame_that_touches_the_shadow_is_named_and_the_others_are_clear() {
    let Some(folder) = outside::shared("footage/boom/person_wall") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let shot = RealShot::read(&folder);
    let (boom, core) = (shot.changed_by(3), shot.changed_by(40));
    let frames = shot.actors((0, 41), 16.0);
    let all = divided(&boom, &core, &union(frames.iter().map(|(_, mask)| mask)), 1.0);
    // The truth beside the clip says so too: motion inside the union of boom and shadow in
    // frame 132 alone, none inside the boom.
    assert_eq!(all.standing, Standing::SkirtTouched);
    let met = crossings(&all, 24.0, &[], frames.iter().map(|(at, mask)| (*at, mask)));
    let skirts: Vec<_> =
        met.iter().map(|c| (c.frames.start.0, c.frames.end.0, c.entered)).collect();
    assert_eq!(skirts, [(132, 133, Entered::Skirt)]);
    // Without it and its neighbours the clearance is the 26.6 px measured on this shot by
    // other means (a prototype in NumPy and OpenCV).
    let others = frames.iter().filter(|(at, _)| !(131..=133).contains(at)).map(|(_, mask)| mask);
    let clear = divided(&boom, &core, &union(others), 1.0);
    assert_eq!(clear.standing, Standing::Free);
    assert!((clear.clearance_px.expect("both") - 26.6).abs() < 1.5, "{:?}", clear.clearance_px);
    assert!(shares(&clear).expect("a divider") >= 0.95);
}

#[test]
fn a_boom_before_the_sky_is_as_clear_as_measured_by_other_means() {
    let Some(folder) = outside::shared("footage/boom/tram_clouds") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let shot = RealShot::read(&folder);
    let frames = shot.actors((181, 232), 20.0);
    let actors = union(frames.iter().map(|(_, mask)| mask));
    let found = divided(&shot.changed_by(3), &shot.changed_by(40), &actors, 1.0);
    // 47.0 px: a prototype in NumPy and OpenCV.
    assert!((found.clearance_px.expect("both") - 47.0).abs() < 0.5, "{:?}", found.clearance_px);
    assert!(found.standing == Standing::Free && shares(&found).expect("a divider") >= 0.95);
}

#[test]
fn an_actor_who_comes_in_is_found_where_and_when() {
    let boom = Mask::from_fn(400, 200, |x, y| y < 50 && (100..200).contains(&x));
    let none = Mask::new(400, 200);
    let found = divided(&boom, &boom, &none, 1.0);
    // The divider is 24 px below the boom's last centres, at 73.5; its feather ends at 85.5.
    let at = |top: usize| Mask::from_fn(400, 200, |x, y| y >= top && (140..170).contains(&x));
    let heads = [100, 90, 84, 82, 70, 60, 84, 120].map(at);
    let met = crossings(&found, 24.0, &[], (10..).zip(&heads));
    let told: Vec<_> = met.iter().map(|c| (c.frames.start.0, c.frames.end.0, c.entered)).collect();
    let (feather, inside) = (Entered::Feather, Entered::Inside);
    assert_eq!(told, [(12, 14, feather), (14, 16, inside), (16, 17, feather)]);
    assert!((met[1].px - 13.0).abs() < 0.4 && (met[0].px - 3.0).abs() < 0.4, "{met:?}");
    let severities: Vec<_> = reasons(&found, &met).iter().map(|r| r.severity).collect();
    assert_eq!(severities, [Severity::Attention, Severity::Stop, Severity::Attention]);
}

#[test]
fn specks_of_grain_do_not_bend_the_divider_and_are_named() {
    let shot = Shot::new(480, 270, 5, 40.0);
    let [boom, core, mut actors] = shot.seen(1);
    let clean = divided(&boom, &core, &actors, 1.0);
    let (x, y) = boom.pixels().last().expect("a boom");
    actors.set(x, y + 4);
    let found = divided(&boom, &core, &actors, 1.0);
    assert_eq!(found.region, clean.region);
    assert_eq!(
        (found.specks.len(), found.specks[0].cells, found.specks[0].in_region),
        (1, 1, true)
    );
    // A hand of more pixels in the same place is an actor.
    for step in 0..9 {
        actors.set(x + step % 3, y + 4 + step / 3);
    }
    let bent = divided(&boom, &core, &actors, 1.0);
    assert!(bent.specks.is_empty() && bent.clearance_px.expect("both") < 6.0);
    assert_eq!(inside(&bent.region, &actors), 0);
}

#[test]
fn the_region_reaches_the_edges_of_the_frame_and_splits_where_it_must() {
    let boom = Mask::from_fn(300, 200, |x, y| (x < 60 && y < 40) || (x > 240 && y > 160));
    let none = Mask::new(300, 200);
    let found = divided(&boom, &boom, &none, 2.0);
    assert_eq!(found.region.outlines.len(), 2);
    for corner in [[0.0, 0.0], [600.0, 400.0]] {
        assert!(found.region.outlines.iter().any(|outline| outline.contains(&corner)));
    }
    let wider = found.region_on(601.0, 401.0);
    assert!(wider.outlines.iter().any(|outline| outline.contains(&[601.0, 401.0])));
    let matte = alpha(&found, 601, 401, 24.0);
    assert_eq!((matte.data[0], matte.data[601 * 401 - 1]), (1.0, 1.0));
    let text = serde_json::to_string(&found).expect("it can be written");
    assert!(text.contains("\"standing\":\"free\"") && text.contains("\"region\":[["));
}

/// Runs a few lines of Python that read numbers from standard input and print numbers.
fn python(program: &str, input: &[u8]) -> Option<Vec<f64>> {
    let python = outside::python_with("cv2")?;
    let mut run = Command::new(python)
        .args(["-c", program])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    run.stdin.take().expect("it is piped").write_all(input).expect("Python reads");
    let out = run.wait_with_output().expect("Python ends");
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).expect("numbers");
    Some(text.split_whitespace().map(|word| word.parse().expect("a number")).collect())
}

#[test]
fn distances_and_polygons_agree_with_a_vision_library() {
    // Source: OpenCV, distanceTransform with DIST_L2 and DIST_MASK_PRECISE, and
    // pointPolygonTest.
    let shot = Shot::new(480, 270, 41, 25.0);
    let [boom, core, actors] = shot.seen(1);
    let found = divided(&boom, &core, &actors, 1.0);
    let outline = &found.region.outlines[0];
    let mut input = format!("{} {}\n", boom.width(), boom.height()).into_bytes();
    for value in outline.iter().flatten() {
        input.extend(format!("{value} ").bytes());
    }
    input.push(b'\n');
    input.extend(
        (0..270)
            .flat_map(|y| (0..480).map(move |x| (x, y)))
            .map(|(x, y)| if boom.has(x, y) { b'0' } else { b'1' }),
    );
    let program = "
import sys, numpy as np, cv2
w, h = map(int, sys.stdin.readline().split())
outline = np.array(list(map(float, sys.stdin.readline().split())), np.float32).reshape(-1, 1, 2)
free = (np.frombuffer(sys.stdin.readline().encode(), np.uint8)[: w * h] - 48).reshape(h, w)
print(*np.round(cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), 5).ravel())
for y in range(0, h, 3):
    for x in range(0, w, 3):
        print(cv2.pointPolygonTest(outline, (x + .5, y + .5), True))
";
    let Some(told) = python(program, &input) else { return };
    let own = distances(&boom);
    for (pixel, (own, told)) in own.data.iter().zip(&told).enumerate() {
        assert!((f64::from(*own) - told).abs() < 2e-3, "pixel {pixel}: {own} {told}");
    }
    let points = (0..270).step_by(3).flat_map(|y| (0..480).step_by(3).map(move |x| (x, y)));
    for ((x, y), told) in points.zip(&told[480 * 270..]) {
        let own = found.region.contains([f64::from(x) + 0.5, f64::from(y) + 0.5]);
        assert!(told.abs() < 1e-3 || own == (*told > 0.0), "{x} {y}: {told}");
    }
}
