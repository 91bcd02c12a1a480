//! One tile against the plate: weighted sums over its samples, light taken out.

use super::gauss::RUN;
use super::template::{Template, Tile};

/// Samples summed side by side.
const LANES: usize = 4;

/// Tuning constant of Tukey's biweight: 95 % efficiency on Gaussian residuals (Holland and
/// Welsch 1977).
const TUKEY: f32 = 4.685;

/// How far gain may differ between tiles before the fit resists, one standard deviation.
const LOCAL_GAIN: f64 = 0.05;

/// What is assumed of a tile when its residuals are taken.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct State {
    /// Displacement the samples were taken at.
    pub sampled: (f64, f64),
    /// Light: frame = gain * plate + offset, plate less the tile's level.
    pub gain: f32,
    pub offset: f32,
    /// Displacement at the middle of the frame, and its change along x and y.
    pub shift: (f64, f64),
    pub rotation: f64,
    pub scale: f64,
}

/// Sums of one tile, weighed by Tukey's biweight.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sums {
    /// slope x and y, level, 1: products among each other, upper triangle row by row.
    products: [f64; 10],
    /// The same four times the residual.
    residuals: [f64; 4],
    /// Number of samples.
    samples: usize,
}

/// A tile's own answer: `information * displacement = vector`, in squared codes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub information: [[f64; 2]; 2],
    pub vector: [f64; 2],
    /// Share of the samples that carry weight.
    pub weight: f64,
    /// Sum of the weights.
    pub weights: f64,
}

/// The samples of a frame at the runs of a template.
#[derive(Debug, Clone, Default)]
pub(super) struct Samples {
    /// Smoothed values of each run.
    pub values: Vec<[f32; RUN]>,
    /// Whether the run lies inside the frame.
    pub inside: Vec<bool>,
}

/// Returns frame less plate at the samples of one run.
pub(super) fn residuals(
    template: &Template,
    samples: &Samples,
    run: usize,
    state: &State,
) -> [f32; RUN] {
    let (half_x, half_y) = template.half();
    let place = template.runs[run];
    let (x, y) = (f64::from(place.x) - half_x, f64::from(place.y) - half_y);
    // By how much the assumed displacement differs from where the samples were taken.
    let off_x = (state.shift.0 + state.scale * x - state.rotation * y - state.sampled.0) as f32;
    let off_y = (state.shift.1 + state.rotation * x + state.scale * y - state.sampled.1) as f32;
    let (step_x, step_y) = (2.0 * state.scale as f32, 2.0 * state.rotation as f32);
    let (level, values) = (&template.level[run], &samples.values[run]);
    let (slope_x, slope_y) = (&template.slope_x[run], &template.slope_y[run]);
    std::array::from_fn(|at| {
        let (u, v) = (off_x + step_x * at as f32, off_y + step_y * at as f32);
        let moved = level[at] - slope_x[at] * u - slope_y[at] * v;
        values[at] - state.gain * moved - state.offset
    })
}

/// Trust in the samples of a run of which nothing is known.
pub(super) const FULL_TRUST: [f32; RUN] = [1.0; RUN];

/// Sums a tile, residuals beyond 4.685 `sigma` left out and smaller ones weighed; `trust` adds
/// a weight to each sample of each run, where it is known.
#[allow(clippy::needless_range_loop, reason = "lanes side by side are one instruction")]
pub(super) fn sums(
    template: &Template,
    samples: &Samples,
    tile: &Tile,
    state: &State,
    (sigma, trust): (f32, &[[f32; RUN]]),
) -> Sums {
    let mut lanes = [[0.0_f32; LANES]; 14];
    let mut count = 0;
    let limit = 1.0 / (TUKEY * sigma).powi(2);
    for run in tile.runs.clone().filter(|run| samples.inside[*run]) {
        count += RUN;
        let residuals = residuals(template, samples, run, state);
        let level = &template.level[run];
        let (slope_x, slope_y) = (&template.slope_x[run], &template.slope_y[run]);
        let trust = trust.get(run).unwrap_or(&FULL_TRUST);
        for first in (0..RUN).step_by(LANES) {
            for lane in 0..LANES {
                let at = first + lane;
                let r = residuals[at];
                let inner = (1.0 - r * r * limit).max(0.0);
                let w = inner * inner * trust[at];
                let (x, y, t) = (slope_x[at], slope_y[at], level[at]);
                let (wx, wy, wt, wr) = (w * x, w * y, w * t, w * r);
                lanes[0][lane] += wx * x;
                lanes[1][lane] += wx * y;
                lanes[2][lane] += wx * t;
                lanes[3][lane] += wx;
                lanes[4][lane] += wy * y;
                lanes[5][lane] += wy * t;
                lanes[6][lane] += wy;
                lanes[7][lane] += wt * t;
                lanes[8][lane] += wt;
                lanes[9][lane] += w;
                lanes[10][lane] += wr * x;
                lanes[11][lane] += wr * y;
                lanes[12][lane] += wr * t;
                lanes[13][lane] += wr;
            }
        }
    }
    let whole = |at: usize| lanes[at].iter().map(|lane| f64::from(*lane)).sum::<f64>();
    Sums {
        products: std::array::from_fn(whole),
        residuals: std::array::from_fn(|at| whole(10 + at)),
        samples: count,
    }
}

impl Sums {
    /// Returns the weighed sum of squared slopes.
    pub fn energy(&self) -> f64 {
        self.products[0] + self.products[4]
    }

    /// Takes the tile's own gain and offset out; `None` if nothing carries weight.
    pub fn step(&self, gain: f32, sigma: f32) -> Option<Step> {
        let [xx, xy, xt, x1, yy, yt, y1, ..] = self.products;
        let light = self.light_inverse(sigma)?;
        let [rx, ry, rt, r1] = self.residuals;
        let cross = [[xt, x1], [yt, y1]];
        let through = |row: usize, other: [f64; 2]| {
            (0..2).map(|a| cross[row][a] * (light[a][0] * other[0] + light[a][1] * other[1])).sum()
        };
        let products: [[f64; 2]; 2] = [[xx, xy], [xy, yy]];
        let gain = f64::from(gain);
        let information: [[f64; 2]; 2] = std::array::from_fn(|row| {
            std::array::from_fn(|column| {
                let taken: f64 = through(row, cross[column]);
                gain * gain * (products[row][column] - taken)
            })
        });
        let direct = [rx, ry];
        let vector = std::array::from_fn(|row| {
            let taken: f64 = through(row, [rt, r1]);
            -gain * (direct[row] - taken)
        });
        let weights = self.products[9];
        let weight = weights / self.samples.max(1) as f64;
        Some(Step { information, vector, weight, weights })
    }

    /// Returns by how much gain and offset of the tile change once it has moved by `step`.
    pub fn light(&self, gain: f32, sigma: f32, step: (f64, f64)) -> Option<(f64, f64)> {
        let [_, _, xt, x1, _, yt, y1, ..] = self.products;
        let [_, _, rt, r1] = self.residuals;
        let light = self.light_inverse(sigma)?;
        let (cx, cy) = (-f64::from(gain) * step.0, -f64::from(gain) * step.1);
        let rest = [rt - xt * cx - yt * cy, r1 - x1 * cx - y1 * cy];
        let solved = |row: [f64; 2]| row[0] * rest[0] + row[1] * rest[1];
        Some((solved(light[0]), solved(light[1])))
    }

    fn light_inverse(&self, sigma: f32) -> Option<[[f64; 2]; 2]> {
        let [.., tt, t1, one] = self.products;
        let resist = (f64::from(sigma) / LOCAL_GAIN).powi(2);
        super::solve::solve(&[[tt + resist, t1], [t1, one + 1e-6]], &[0.0; 2])
            .filter(|_| one > 0.0)
            .map(|(_, inverse)| inverse)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Plane;

    fn texture(width: usize, height: usize) -> Plane {
        let value = |at: usize| {
            let (x, y) = ((at % width) as f32, (at / width) as f32);
            400.0 + 90.0 * (x * 0.31).sin() * (y * 0.23).cos() + 40.0 * (x * 0.11 - y * 0.4).sin()
        };
        Plane { width, height, data: (0..width * height).map(value).collect() }
    }

    /// The plain way: one sample after the other, in double precision.
    fn plain(
        template: &Template,
        samples: &Samples,
        tile: &Tile,
        state: &State,
        sigma: f64,
    ) -> Sums {
        let (half_x, half_y) = template.half();
        let (mut products, mut residuals, mut count) = ([0.0; 10], [0.0; 4], 0);
        for run in tile.runs.clone().filter(|run| samples.inside[*run]) {
            for at in 0..RUN {
                let x = f64::from(template.runs[run].x) + 2.0 * at as f64 - half_x;
                let y = f64::from(template.runs[run].y) - half_y;
                let off_x = state.shift.0 + state.scale * x - state.rotation * y - state.sampled.0;
                let off_y = state.shift.1 + state.rotation * x + state.scale * y - state.sampled.1;
                let [level, slope_x, slope_y] =
                    [&template.level, &template.slope_x, &template.slope_y]
                        .map(|list| f64::from(list[run][at]));
                let moved = level - slope_x * off_x - slope_y * off_y;
                let r = f64::from(samples.values[run][at])
                    - f64::from(state.gain) * moved
                    - f64::from(state.offset);
                let w = (1.0 - (r / (4.685 * sigma)).powi(2)).max(0.0).powi(2);
                let parts = [slope_x, slope_y, level, 1.0];
                let mut next = 0;
                for row in 0..4 {
                    residuals[row] += w * parts[row] * r;
                    for column in row..4 {
                        products[next] += w * parts[row] * parts[column];
                        next += 1;
                    }
                }
                count += 1;
            }
        }
        Sums { products, residuals, samples: count }
    }

    #[test]
    fn sums_side_by_side_agree_with_the_plain_ones() {
        let plane = texture(320, 180);
        let template = Template::new(&plane, None, None, 1023.0).unwrap();
        let mut samples = Samples::default();
        for (run, level) in template.level.iter().enumerate() {
            let bump = |at: usize| ((run * 31 + at * 17) % 23) as f32 - 11.0;
            let tile = template.tiles.iter().find(|tile| tile.runs.contains(&run)).unwrap();
            samples.values.push(std::array::from_fn(|at| level[at] + tile.level + bump(at)));
            samples.inside.push(run % 13 != 5);
        }
        for tile in &template.tiles {
            let state = State {
                sampled: (0.2, -0.1),
                gain: 0.97,
                offset: tile.level + 3.0,
                shift: (0.25, -0.12),
                rotation: 1e-4,
                scale: -2e-4,
            };
            let fast = sums(&template, &samples, tile, &state, (6.0, &[]));
            let exact = plain(&template, &samples, tile, &state, 6.0);
            assert_eq!(fast.samples, exact.samples);
            let all = |sums: &Sums| sums.products.into_iter().chain(sums.residuals).collect();
            let (fast, exact): (Vec<f64>, Vec<f64>) = (all(&fast), all(&exact));
            let size = exact.iter().fold(1.0_f64, |most, value| most.max(value.abs()));
            for (fast, exact) in fast.iter().zip(&exact) {
                assert!((fast - exact).abs() < 1e-4 * size, "{fast} {exact}");
            }
        }
    }
}
