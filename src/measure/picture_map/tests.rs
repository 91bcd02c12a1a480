use super::*;

/// Light at a point of the original, 0 to 1: soft noise of four sizes (Perlin 1985, on values)
/// and hard-edged slabs.
fn light(x: f64, y: f64) -> f64 {
    let octaves = [(93.0, 0.2), (37.0, 0.16), (15.0, 0.12), (6.0, 0.1)];
    let noise: f64 = octaves.iter().map(|(size, by)| by * (knots(x / size, y / size) - 0.5)).sum();
    let slab = |at: u64| {
        let part = |k: u64| hash(at, k);
        let (left, top) = (part(1) * 900.0, part(2) * 480.0);
        let inside = (left..left + 20.0 + part(3) * 160.0).contains(&x)
            && (top..top + 20.0 + part(4) * 120.0).contains(&y);
        if inside { 0.4 * (part(5) - 0.5) } else { 0.0 }
    };
    (0.45 + noise + (0..12).map(slab).sum::<f64>()).clamp(0.02, 1.0)
}

/// Smooth values between random knots.
fn knots(x: f64, y: f64) -> f64 {
    let soft = |t: f64| t * t * (3.0 - 2.0 * t);
    let (fx, fy) = (soft(x - x.floor()), soft(y - y.floor()));
    let knot =
        |dx: i64, dy: i64| hash((x.floor() as i64 + dx) as u64, (y.floor() as i64 + dy) as u64);
    let row = |dy: i64| knot(0, dy) * (1.0 - fx) + knot(1, dy) * fx;
    row(0) * (1.0 - fy) + row(1) * fy
}

/// A random number from two (splitmix64, Steele et al. 2014).
fn hash(a: u64, b: u64) -> f64 {
    let mut word = a.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ b.wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
    word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (word >> 11) as f64 / (1_u64 << 53) as f64
}

/// Draws the picture that a map shows of an original, by the mean of 4x4 points a pixel.
fn drawn(
    (width, height): (usize, usize),
    map: &PictureMap,
    tone: impl Fn(f64) -> f64,
    grain: f64,
) -> Plane {
    let mut seed = 5_u64;
    let mut data = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let mut sum = 0.0;
            for at in 0..16 {
                let (dx, dy) = ((at % 4) as f64 / 4.0 + 0.125, (at / 4) as f64 / 4.0 + 0.125);
                let [u, v] = map.at([x as f64 + dx, y as f64 + dy]);
                sum += light(u, v) / 16.0;
            }
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(99_991);
            let noise = (seed >> 40) as f64 / (1_u64 << 24) as f64 - 0.5;
            data.push((255.0 * tone(sum) + grain * noise * 3.46).round().clamp(0.0, 255.0) as f32);
        }
    }
    Plane { width, height, data }
}

const ORIGINAL: (usize, usize) = (960, 540);

fn original() -> Plane {
    let own = PictureMap { scale: [1.0; 2], offset: [0.0; 2] };
    drawn(ORIGINAL, &own, |light| light, 2.0)
}

fn check(name: &str, size: (usize, usize), map: PictureMap, left_out: Option<&Excluded>) {
    let proxy = drawn(size, &map, |light| (1.1 * light + 0.02).powf(0.55).min(1.0), 2.0);
    let found = picture_map(&proxy, left_out, &original()).unwrap_or_else(|| panic!("{name}"));
    let apart = found.map.apart(&map, size);
    assert!(apart < 0.1, "{name}: {apart} px, {found:?}");
    assert!(found.error_px < 0.3, "{name}: {found:?}");
}

#[test]
fn scale_crop_and_desqueeze_are_found_to_a_tenth_of_a_pixel() {
    check("half", (480, 270), PictureMap { scale: [2.0; 2], offset: [0.0; 2] }, None);
    check("cropped", (400, 225), PictureMap { scale: [1.9, 1.9], offset: [120.0, 60.0] }, None);
    check("desqueezed", (480, 135), PictureMap { scale: [2.0, 4.0], offset: [0.0; 2] }, None);
    check("odd", (517, 291), PictureMap { scale: [1.831, 1.842], offset: [3.3, -2.1] }, None);
}

#[test]
fn mattes_and_burn_ins_do_not_move_the_map() {
    let size = (480, 270);
    let map = PictureMap { scale: [2.0, 2.5], offset: [0.0, -67.5] };
    let mut proxy = drawn(size, &map, |light| light.powf(0.6), 2.0);
    let mut left_out = Excluded::nothing(size.0, size.1);
    // Mattes above and below, where the map leaves the original; letters that nobody noted.
    for rows in [0..27, 243..270] {
        left_out.rectangle(0..size.0, rows.clone());
        for y in rows {
            proxy.data[y * size.0..(y + 1) * size.0].fill(0.0);
        }
    }
    for y in 214..230 {
        for x in (180..300).filter(|x| x / 5 % 2 == 0) {
            proxy.data[y * size.0 + x] = 235.0;
        }
    }
    let found = picture_map(&proxy, Some(&left_out), &original()).expect("a map");
    let apart = found.map.apart(&map, size);
    assert!(apart < 0.1, "{apart} px, {found:?}");
}

#[test]
fn other_pictures_have_no_map() {
    let own = PictureMap { scale: [2.0; 2], offset: [0.0; 2] };
    let mut other = drawn((480, 270), &own, |light| light, 2.0);
    // Upside down: the same things in other places.
    other.data.reverse();
    let found = picture_map(&other, None, &original());
    assert!(found.is_none(), "{found:?}");
    let bare = Plane { width: 480, height: 270, data: vec![90.0; 480 * 270] };
    assert!(picture_map(&bare, None, &original()).is_none());
}
