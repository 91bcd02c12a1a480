//! Which parts of a plate hold still while it runs, by the variance of its pixels.
//!
//! A plate in which someone stands, fidgets or walks off has a mean that is partly a person.
//! Texture there moves with the person, not with the camera, and is often the strongest in
//! the frame.

use super::solve::solve;

/// Variance over what is usual for a place of its level and slope from which a place counts
/// as busy; 4 is twice the usual deviation. Ours.
const BUSY: f64 = 4.0;

/// Deviation below which nothing is busy, in 1/255 of the brightest code: coders hold quiet
/// parts perfectly still, and one code more is not a person.
const QUIET: f64 = 0.7;

/// Rounds of the robust fit.
const ROUNDS: usize = 8;

/// What is known of one place.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Place {
    /// Mean over time, in codes.
    pub level: f64,
    /// Mean square of the slope, in squared codes a pixel.
    pub slope: f64,
    /// Mean variance over time, in squared codes.
    pub variance: f64,
}

/// Tells for each place whether it is busy.
///
/// A place at rest varies by grain, by light (in proportion to its level) and by what little
/// the camera moves (in proportion to its slope): `a + b * level^2 + c * slope`. The three
/// are found from the places themselves, those far above left out, so that neither flicker
/// nor weave nor any level of grain makes a frame busy as a whole.
pub(super) fn busy(places: &[Place], peak: f64) -> Vec<bool> {
    let floor = (QUIET * peak / 255.0).powi(2);
    let usual = usual(places, peak);
    places.iter().map(|place| place.variance > (BUSY * usual.at(place)).max(floor)).collect()
}

/// Expected variance: grain, light, slope.
#[derive(Debug, Clone, Copy)]
struct Usual([f64; 3]);

impl Usual {
    fn at(&self, place: &Place) -> f64 {
        let [grain, light, slope] = self.0;
        grain + light * place.level * place.level + slope * place.slope
    }
}

fn usual(places: &[Place], peak: f64) -> Usual {
    let mut all: Vec<f32> = places.iter().map(|place| place.variance as f32).collect();
    // A third of the frame may be people, so the start is below the median.
    let start = f64::from(super::solve::quantile(&mut all, 0.4));
    let least = (0.1 * peak / 255.0).powi(2);
    let mut usual = Usual([start.max(least), 0.0, 0.0]);
    for _ in 0..ROUNDS {
        usual = refit(places, &usual, least).unwrap_or(usual);
    }
    usual
}

/// One round of weighted least squares on the places near what is usual; parts that come out
/// negative are left out.
fn refit(places: &[Place], usual: &Usual, least: f64) -> Option<Usual> {
    let mut a = [[0.0; 3]; 3];
    let mut b = [0.0; 3];
    for place in places {
        let expected = usual.at(place).max(least);
        if place.variance > BUSY * expected {
            continue;
        }
        let parts = [1.0, place.level * place.level, place.slope];
        // Errors of a variance are in proportion to it.
        let weight = 1.0 / (expected * expected);
        for row in 0..3 {
            b[row] += weight * parts[row] * place.variance;
            for column in 0..3 {
                a[row][column] += weight * parts[row] * parts[column];
            }
        }
    }
    let mut free = [true; 3];
    loop {
        let mut system = a;
        let mut right = b;
        for row in 0..3 {
            if !free[row] {
                system[row] = [0.0; 3];
                system.iter_mut().for_each(|other| other[row] = 0.0);
                right[row] = 0.0;
                system[row][row] = 1.0;
            }
            system[row][row] *= 1.0 + 1e-9;
        }
        let (found, _) = solve(&system, &right)?;
        let worst = (0..3).find(|row| free[*row] && found[*row] < 0.0);
        match worst {
            Some(row) => free[row] = false,
            None => return Some(Usual([found[0].max(least), found[1], found[2]])),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(at: usize, busy: bool) -> Place {
        let level = 100.0 + (at * 37 % 800) as f64;
        let slope = (at * 101 % 3000) as f64;
        let scatter = 1.0 + ((at * 7919 % 100) as f64 - 50.0) / 150.0;
        // Grain of 5 codes, 2 % of flicker, .1 px of weave.
        let usual = 25.0 + (0.02 * level).powi(2) + 0.01 * slope;
        Place { level, slope, variance: if busy { 40.0 * usual } else { usual * scatter } }
    }

    #[test]
    fn people_are_busy_and_grain_flicker_and_weave_are_not() {
        let is_person = |at: usize| at % 20 < 7;
        let places: Vec<Place> = (0..4000).map(|at| place(at, is_person(at))).collect();
        let found = busy(&places, 1023.0);
        let wrong = found.iter().enumerate().filter(|(at, busy)| **busy != is_person(*at)).count();
        assert_eq!(wrong, 0);
    }

    #[test]
    fn a_frame_that_the_coder_holds_still_is_not_busy() {
        let mut places = vec![Place { level: 50.0, slope: 4.0, variance: 0.0 }; 100];
        places[7].variance = 0.3;
        assert!(busy(&places, 255.0).iter().all(|busy| !busy));
        places[7].variance = 9.0;
        assert_eq!(busy(&places, 255.0).iter().filter(|busy| **busy).count(), 1);
        assert!(busy(&[], 255.0).is_empty());
    }
}
