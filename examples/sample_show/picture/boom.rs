//! The boom: a fur-covered microphone on a pole, its slide through the frame edge, and the
//! soft shadow it throws on the wall.

use super::hash::{noise, rough, step};
use super::plane::{Bounds, Capsule, Picture, Place, Rgb, edge};
use crate::script::{Boom, Take, along};

/// How far the shadow falls from the boom, and how soft it is, in pixels of the drawing.
const SHADOW: (f32, f32) = (25.0, 19.0);
const SHADOW_SOFT: f32 = 10.0;
/// How far hairs stand off the cover.
const HAIR: f32 = 6.5;

/// The boom at one frame, in pixels of the raster.
pub struct Held {
    pub mic: Capsule,
    pub clip: Capsule,
    pub pole: Capsule,
    scale: f32,
    boom: Boom,
}

/// Gives the boom of a frame, or `None` when it is out of frame.
pub fn held(take: &Take, frame: usize) -> Option<Held> {
    let boom = take.boom?;
    let [start, end] = *boom.spans.iter().find(|span| (span[0]..span[1]).contains(&frame))?;
    let n = boom.slide.max(1) as f32;
    let near = |steps: usize| (1.0 - steps as f32 / n).max(0.0).powi(2);
    let enters = if start > 0 { near(frame - start + 1) } else { 0.0 };
    let leaves = if end < take.frames { near(end - frame) } else { 0.0 };
    let scale = take.width as f32 / 640.0;
    let rate = take.rate.0 as f32 / take.rate.1 as f32;
    let rest = at(boom, frame as f32, rate, scale);
    let share = enters.max(leaves);
    let away = if share > 0.0 { rest.distance_out(take.width, take.height) * share } else { 0.0 };
    Some(rest.slid(away))
}

/// The boom at rest, with the small unrest of a pole held at arm's length.
fn at(boom: Boom, frame: f32, rate: f32, scale: f32) -> Held {
    let t = frame / rate;
    let unrest = (1.3 * (t * 1.7).sin() + 0.5 * (t * 4.4).sin(), 1.0 * (t * 1.3 + 1.0).sin());
    let path = |pick: fn(&(usize, f32, f32)) -> f32| -> f32 {
        let points: Vec<(usize, f32)> = boom.swing.iter().map(|key| (key.0, pick(key))).collect();
        along(&points, frame)
    };
    let (mx, my) = (
        (boom.mic.0 + path(|key| key.1) + unrest.0) * scale,
        (boom.mic.1 + path(|key| key.2) + unrest.1) * scale,
    );
    let (dx, dy) = unit(boom.pole);
    let tilt = boom.tilt + 0.03 * (t * 2.1).sin();
    let (ax, ay) = (26.0 * scale * tilt.cos(), 26.0 * scale * tilt.sin());
    // The pole takes the microphone at the end that is nearer to the hand.
    let sign = if ax * dx + ay * dy > 0.0 { 1.0 } else { -1.0 };
    let rear = (mx + sign * ax * 0.8, my + sign * ay * 0.8);
    let grip = (rear.0 + dx * 17.0 * scale, rear.1 + dy * 17.0 * scale);
    let hand = (rear.0 + dx * 900.0 * scale, rear.1 + dy * 900.0 * scale);
    Held {
        mic: Capsule::new((mx - ax, my - ay), (mx + ax, my + ay), 11.0 * scale, 11.0 * scale),
        clip: Capsule::new(rear, grip, 3.6 * scale, 3.0 * scale),
        pole: Capsule::new(grip, hand, 2.5 * scale, 12.0 * scale),
        scale,
        boom,
    }
}

fn unit((x, y): (f32, f32)) -> (f32, f32) {
    let length = x.hypot(y).max(1e-3);
    (x / length, y / length)
}

impl Held {
    fn slid(mut self, away: f32) -> Held {
        let (dx, dy) = unit(self.boom.pole);
        for shape in [&mut self.mic, &mut self.clip, &mut self.pole] {
            *shape = shape.moved(dx * away, dy * away);
        }
        self
    }

    /// How far along the pole the boom must go until it and its shadow are out of frame.
    fn distance_out(&self, w: usize, h: usize) -> f32 {
        let (dx, dy) = unit(self.boom.pole);
        let inside = |away: f32| {
            let moved = |shape: Capsule| shape.moved(dx * away, dy * away);
            let hairy = [(self.mic, HAIR), (self.clip, 1.0), (self.pole, 1.0)];
            hairy.iter().any(|(shape, grow)| {
                let grow = grow * self.scale;
                let soft = (SHADOW_SOFT + grow) * self.scale;
                !moved(*shape).bounds(grow, w, h).is_empty()
                    || !self.cast(moved(*shape)).bounds(soft, w, h).is_empty()
            })
        };
        (0..900).map(|steps| steps as f32).find(|away| !inside(*away)).unwrap_or(900.0)
    }

    fn cast(&self, shape: Capsule) -> Capsule {
        shape.moved(SHADOW.0 * self.scale, SHADOW.1 * self.scale)
    }

    pub fn shapes(&self) -> [Capsule; 3] {
        [self.mic, self.clip, self.pole]
    }

    pub fn shadow_offset(&self) -> (f32, f32, f32) {
        (SHADOW.0 * self.scale, SHADOW.1 * self.scale, SHADOW_SOFT * self.scale)
    }

    /// Moves everything with the picture of the set.
    pub fn shifted(mut self, place: impl Fn((f32, f32)) -> (f32, f32)) -> Held {
        for shape in [&mut self.mic, &mut self.clip, &mut self.pole] {
            shape.a = place(shape.a);
            shape.b = place(shape.b);
        }
        self
    }

    /// Darkens the wall; `seen` collects pixels in which that shows.
    pub fn shade(
        &self,
        picture: &mut Picture,
        shows: impl Fn(Rgb, Rgb) -> bool,
        seen: &mut Bounds,
    ) {
        let soft = SHADOW_SOFT * self.scale;
        let shapes = self.shapes().map(|shape| self.cast(shape));
        let mut area = Bounds::EMPTY;
        shapes.iter().for_each(|shape| area.join(shape.bounds(soft, picture.w, picture.h)));
        if area.is_empty() {
            return;
        }
        for y in area.y0..area.y1 {
            for x in area.x0..area.x1 {
                let (px, py) = (x as f32 + 0.5, y as f32 + 0.5);
                let cover = shapes.iter().fold(0.0_f32, |cover, shape| {
                    // A thin pole throws a paler shadow than a thick cover.
                    let thick = (shape.ra / (7.0 * self.scale)).clamp(0.35, 1.0);
                    cover.max(thick * edge(shape.place(px, py).distance, soft))
                });
                if cover > 0.0 {
                    let pixel = &mut picture.px[y as usize * picture.w + x as usize];
                    let before = *pixel;
                    *pixel = before.map(|value| value * (1.0 - self.boom.shadow * cover));
                    if shows(before, *pixel) {
                        seen.add(x, y);
                    }
                }
            }
        }
    }

    /// Draws pole, clip and microphone; `seen` as for the shadow.
    pub fn draw(
        &self,
        picture: &mut Picture,
        light: f32,
        shows: impl Fn(Rgb, Rgb) -> bool,
        seen: &mut Bounds,
    ) {
        let s = self.scale;
        let mut note = |x, y, before, after, _| {
            if shows(before, after) {
                seen.add(x, y);
            }
        };
        let base = self.boom.tone * light;
        let carbon = |place: Place| {
            let shine = 0.5 + 1.5 * step(0.5, 0.1, (place.across + 0.35).abs());
            let band = 1.0 + 0.6 * step(1.5, 0.5, (place.along * 900.0 % 130.0 - 65.0).abs() * 0.3);
            ([base * 0.4 * shine * band; 3], edge(place.distance, 0.8 * s))
        };
        self.pole.draw(picture, s, carbon, &mut note);
        self.clip.draw(
            picture,
            s,
            |place| ([base * 0.3; 3], edge(place.distance, 0.8 * s)),
            &mut note,
        );
        let mic = self.mic;
        self.mic.draw(picture, HAIR * s, |place| self.fur(mic, place, light), &mut note);
    }

    /// Long grey hairs: streaks that run outwards, ragged at the edge, lit from above.
    fn fur(&self, mic: Capsule, place: Place, light: f32) -> (Rgb, f32) {
        let s = self.scale;
        let (u, v) = (place.local.0 / s, place.local.1 / s);
        // Hairs lie in all directions: bend the comb by a coarse field.
        let bend = 3.2 * rough(u * 0.16, v * 0.2, 904, 2);
        let comb = u * 0.75 + v * 0.3 + bend;
        let strand = noise(comb * 1.3, (place.distance / s + 12.0) * 0.3 + 0.4 * bend, 901);
        let tuft = noise(comb * 0.42 + 9.0, v.signum() * 3.0 + v * 0.05, 902);
        let stands = HAIR * s * (0.15 + 0.55 * strand + 0.4 * tuft - 0.35);
        let cover = edge(place.distance - stands, 1.3 * s);
        let up = -(place.local.1 * (mic.b.0 - mic.a.0).signum()) / mic.ra;
        let round = 0.62 + 0.38 * (1.0 - place.across * place.across).max(0.0).sqrt();
        let lit = round * (1.0 + 0.25 * up.clamp(-1.2, 1.2));
        let streak = rough(comb * 1.2, v * 0.34 + 2.0 * tuft, 903, 3);
        let tone =
            self.boom.tone * light * (lit * (1.0 + self.boom.contrast * 1.3 * streak)).max(0.1);
        ([tone * 1.03, tone, tone * 0.95], cover)
    }
}
