//! People: jointed figures of soft-edged tapered limbs, clothed, that walk and talk.

use super::cloth::{Cloth, dress};
use super::hash::{noise, smooth};
use super::plane::{Bounds, Capsule, Picture, Rgb, edge, scaled};
use crate::script::{Person, along};

/// A figure at one frame: its limbs back to front, in pixels of the raster.
pub struct Figure {
    limbs: Vec<(Capsule, Cloth)>,
    seed: u32,
    soft: f32,
}

type Point = (f32, f32);

fn reach(from: Point, angle: f32, length: f32) -> Point {
    (from.0 + length * angle.sin(), from.1 + length * angle.cos())
}

impl Figure {
    pub fn at(person: &Person, frame: usize, rate: f32, scale: f32) -> Figure {
        let pose = Pose::of(person, frame as f32, rate);
        let mut limbs = Vec::new();
        pose.limbs(person, &mut limbs);
        for (limb, _) in &mut limbs {
            *limb = Capsule::new(
                (limb.a.0 * scale, limb.a.1 * scale),
                (limb.b.0 * scale, limb.b.1 * scale),
                limb.ra * scale,
                limb.rb * scale,
            );
        }
        let soft = scale * (0.9 + 0.35 * pose.speed.abs().min(4.0));
        Figure { limbs, seed: person.seed, soft }
    }

    pub fn shapes(&self) -> Vec<Capsule> {
        self.limbs.iter().map(|(limb, _)| *limb).collect()
    }

    pub fn shifted(mut self, place: impl Fn(Point) -> Point) -> Figure {
        for (limb, _) in &mut self.limbs {
            limb.a = place(limb.a);
            limb.b = place(limb.b);
        }
        self
    }

    /// Darkens the wall behind the figure; gives the box where it takes 3 codes of 255.
    pub fn shade(
        &self,
        picture: &mut Picture,
        scale: f32,
        shows: impl Fn(Rgb, Rgb) -> bool,
    ) -> Bounds {
        let mut seen = Bounds::EMPTY;
        let soft = 15.0 * scale;
        // One pass for the whole outline, so that limbs do not darken the wall twice.
        let moved: Vec<Capsule> =
            self.limbs.iter().map(|(limb, _)| limb.moved(9.0 * scale, 7.0 * scale)).collect();
        let mut area = Bounds::EMPTY;
        moved.iter().for_each(|limb| area.join(limb.bounds(soft, picture.w, picture.h)));
        if area.is_empty() {
            return seen;
        }
        let wide = (area.x1 - area.x0) as usize;
        let mut near = vec![f32::MAX; wide * (area.y1 - area.y0) as usize];
        for limb in &moved {
            let own = limb.bounds(soft, picture.w, picture.h);
            for y in own.y0..own.y1 {
                for x in own.x0..own.x1 {
                    let at = (y - area.y0) as usize * wide + (x - area.x0) as usize;
                    let place = limb.place(x as f32 + 0.5, y as f32 + 0.5);
                    near[at] = near[at].min(place.distance);
                }
            }
        }
        for y in area.y0..area.y1 {
            for x in area.x0..area.x1 {
                let near = near[(y - area.y0) as usize * wide + (x - area.x0) as usize];
                let cover = 0.24 * edge(near + 0.4 * soft, soft);
                if cover > 0.0 {
                    let pixel = &mut picture.px[y as usize * picture.w + x as usize];
                    let before = *pixel;
                    *pixel = scaled(before, 1.0 - cover);
                    if shows(before, *pixel) {
                        seen.add(x, y);
                    }
                }
            }
        }
        seen
    }

    /// Draws the figure and gives the box of pixels it covers by a twentieth or more.
    pub fn draw(&self, picture: &mut Picture, light: f32) -> Bounds {
        let mut seen = Bounds::EMPTY;
        for (at, (limb, cloth)) in self.limbs.iter().enumerate() {
            let seed = self.seed.wrapping_add(at as u32 * 13);
            let soft = self.soft;
            limb.draw(
                picture,
                soft,
                |place| {
                    (scaled(dress(*cloth, place, limb, seed), light), edge(place.distance, soft))
                },
                |x, y, _, _, cover| {
                    if cover >= 0.05 {
                        seen.add(x, y);
                    }
                },
            );
        }
        seen
    }
}

/// Angles of all joints at one frame; 0 hangs straight down, positive to the right.
struct Pose {
    foot: Point,
    facing: f32,
    /// Pixels of the drawing a frame.
    speed: f32,
    phase: f32,
    /// 0 stands, 1 walks.
    gait: f32,
    time: f32,
}

impl Pose {
    fn of(person: &Person, frame: f32, rate: f32) -> Pose {
        let x = along(person.path, frame);
        let speed = along(person.path, frame + 0.5) - along(person.path, frame - 0.5);
        let gait = smooth(speed.abs() / 0.9);
        let facing = if speed.abs() > 0.12 { speed.signum() } else { person.facing };
        let time = frame / rate;
        let phase = std::f32::consts::TAU * x / (0.82 * person.height);
        let sway = (1.0 - gait) * 2.2 * ((time * 1.3 + person.seed as f32).sin());
        let bob = gait * 0.012 * person.height * (2.0 * phase).cos();
        Pose { foot: (x + sway, person.foot_y + bob), facing, speed, phase, gait, time }
    }

    fn limbs(&self, person: &Person, limbs: &mut Vec<(Capsule, Cloth)>) {
        let h = person.height;
        let hip = (self.foot.0, self.foot.1 - 0.5 * h);
        let lean = 0.07 * self.gait * self.facing;
        let chest = (hip.0 + lean * h * 0.3, hip.1 - 0.285 * h);
        let near = 1.0;
        self.leg(person, hip, -near, limbs);
        self.arm(person, chest, -near, limbs);
        self.leg(person, hip, near, limbs);
        let coat = Cloth::Coat(person.coat);
        limbs.push((
            Capsule::new(
                (hip.0, hip.1 - 0.02 * h),
                (hip.0, hip.1 + 0.05 * h),
                0.088 * h,
                0.096 * h,
            ),
            coat,
        ));
        limbs.push((Capsule::new(chest, (hip.0, hip.1 - 0.02 * h), 0.098 * h, 0.086 * h), coat));
        self.head(person, chest, limbs);
        self.arm(person, chest, near, limbs);
    }

    fn head(&self, person: &Person, chest: Point, limbs: &mut Vec<(Capsule, Cloth)>) {
        let h = person.height;
        let nod = 0.006 * h * (self.time * 2.9 + person.seed as f32).sin() * person.gesture;
        let turn = self.facing * 0.012 * h;
        let head = (chest.0 + turn, chest.1 - 0.175 * h + nod);
        let skin = Cloth::Skin(person.skin);
        let dark = [0.05 + 0.02 * (person.seed % 3) as f32, 0.035, 0.025];
        limbs.push((
            Capsule::new(
                (chest.0, chest.1 - 0.085 * h),
                (head.0, head.1 + 0.04 * h),
                0.03 * h,
                0.032 * h,
            ),
            skin,
        ));
        // Collar.
        limbs.push((
            Capsule::new(
                (chest.0 - 0.03 * h, chest.1 - 0.082 * h),
                (chest.0 + 0.03 * h, chest.1 - 0.082 * h),
                0.026 * h,
                0.026 * h,
            ),
            Cloth::Coat(scaled(person.coat, 0.75)),
        ));
        let back = (head.0 - self.facing * 0.014 * h, head.1 - 0.012 * h);
        limbs.push((
            Capsule::new(back, (back.0, back.1 + 0.02 * h), 0.062 * h, 0.054 * h),
            Cloth::Hair(dark),
        ));
        let face = (head.0 + self.facing * 0.012 * h, head.1 + 0.008 * h);
        limbs.push((
            Capsule::new(
                face,
                (face.0 + self.facing * 0.004 * h, face.1 + 0.032 * h),
                0.047 * h,
                0.037 * h,
            ),
            skin,
        ));
        let nose = (face.0 + self.facing * 0.043 * h, face.1 + 0.006 * h);
        limbs.push((
            Capsule::new(
                nose,
                (nose.0 + self.facing * 0.006 * h, nose.1 + 0.014 * h),
                0.009 * h,
                0.012 * h,
            ),
            skin,
        ));
        for side in [0.02, 0.036] {
            let eye = (face.0 + self.facing * side * h, face.1 - 0.002 * h);
            limbs.push((
                Capsule::new(eye, (eye.0 + 0.005 * h, eye.1), 0.0045 * h, 0.0045 * h),
                Cloth::Leather,
            ));
        }
        let fringe = (head.0 - self.facing * 0.004 * h, head.1 - 0.035 * h);
        limbs.push((
            Capsule::new(
                (fringe.0 - 0.03 * h, fringe.1),
                (fringe.0 + 0.034 * h, fringe.1 + 0.003 * h),
                0.026 * h,
                0.022 * h,
            ),
            Cloth::Hair(dark),
        ));
    }

    fn leg(&self, person: &Person, hip: Point, side: f32, limbs: &mut Vec<(Capsule, Cloth)>) {
        let h = person.height;
        let phase = self.phase + if side > 0.0 { 0.0 } else { std::f32::consts::PI };
        let swing = 0.4 * self.gait * phase.sin() * self.facing + side * 0.05 * (1.0 - self.gait);
        let bend = self.gait * (0.1 + 0.55 * (phase + 0.9).cos().max(0.0)) * self.facing;
        let top = (hip.0 + side * 0.035 * h * (1.0 - 0.6 * self.gait), hip.1 + 0.02 * h);
        let knee = reach(top, swing, 0.235 * h);
        let ankle = reach(knee, swing - bend, 0.225 * h);
        let toe = (ankle.0 + self.facing * 0.055 * h, ankle.1 + 0.012 * h);
        let shade = if side > 0.0 { 1.0 } else { 0.62 };
        let cloth = Cloth::Trousers(scaled(person.trousers, shade));
        limbs.push((Capsule::new(ankle, toe, 0.026 * h, 0.019 * h), Cloth::Leather));
        limbs.push((Capsule::new(knee, ankle, 0.043 * h, 0.034 * h), cloth));
        limbs.push((Capsule::new(top, knee, 0.062 * h, 0.045 * h), cloth));
    }

    fn arm(&self, person: &Person, chest: Point, side: f32, limbs: &mut Vec<(Capsule, Cloth)>) {
        let h = person.height;
        let phase = self.phase + if side > 0.0 { std::f32::consts::PI } else { 0.0 };
        let walk = 0.42 * self.gait * phase.sin() * self.facing;
        let seed = person.seed.wrapping_add(if side > 0.0 { 3 } else { 8 });
        let lively = person.gesture * (1.0 - 0.7 * self.gait);
        let talk = lively * smooth(1.6 * noise(self.time * 0.8, 0.5, seed) - 0.35);
        let wag = lively * (noise(self.time * 2.4, 0.5, seed + 1) - 0.5);
        let out = side * 0.1 + walk + self.facing * 0.45 * talk;
        let lift = self.facing * (0.22 + 0.2 * self.gait + 1.5 * talk + 0.8 * wag * talk);
        let shoulder = (chest.0 + side * 0.08 * h * (1.0 - 0.5 * self.gait), chest.1 - 0.022 * h);
        let elbow = reach(shoulder, out, 0.165 * h);
        let wrist = reach(elbow, out + lift, 0.145 * h);
        let hand = reach(wrist, out + lift + 0.2 * wag, 0.035 * h);
        let coat = Cloth::Coat(scaled(person.coat, if side > 0.0 { 1.08 } else { 0.6 }));
        limbs.push((Capsule::new(wrist, hand, 0.022 * h, 0.024 * h), Cloth::Skin(person.skin)));
        limbs.push((Capsule::new(elbow, wrist, 0.036 * h, 0.028 * h), coat));
        limbs.push((Capsule::new(shoulder, elbow, 0.041 * h, 0.036 * h), coat));
    }
}
