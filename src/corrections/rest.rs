//! What the light of a frame leaves over in and round the patch: soft shadows and light that no
//! plane follows, as a smooth sheet over the blocks.

use super::blocks::Means;
use super::light::Light;
use super::reference::Reference;
use super::ring::Ring;

/// Blocks along the side of a cell of the sheet. Ours: light that is left over is soft.
const ACROSS: usize = 2;

/// How far neighbouring cells of a sheet differ before anything is known, as one standard
/// deviation in codes of eight bits. Ours: in usual grain a sheet is then told from about a
/// hundred blocks.
const STEP: f64 = 0.2;

/// The same of the sheet itself: what nothing tells is nothing. Ours.
const SIZE: f64 = 4.0;

/// Cells round what is no background that tell nothing: below the threshold of a mask the
/// shadow of a boom goes on, and would be laid under the boom again. Ours.
const ROUND_HIDDEN: usize = 1;

/// Rounds of relaxation, and how far each goes past the solution of a single cell. Ours.
const ROUNDS: usize = 60;
const BEYOND: f64 = 1.7;

/// Sheets over the ring and the patch, one for each component, in codes of eight bits.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rest {
    columns: usize,
    rows: usize,
    sheets: Vec<Vec<f32>>,
}

impl Rest {
    /// Lays sheets through what a light leaves of the open blocks of a frame, and across what
    /// is hidden.
    pub(super) fn of(
        (frame, open): (&[Means], &[bool]),
        light: &Light,
        reference: &Reference,
        ring: &Ring,
    ) -> Rest {
        let (columns, rows) = ring.grid(ACROSS);
        let cells: Vec<usize> =
            ring.blocks.iter().map(|block| ring.cell(block, ACROSS, columns)).collect();
        let veiled = veiled(&cells, open, (columns, rows));
        let sheet = |component: usize| {
            let (mut sums, mut weights) = (vec![0.0; columns * rows], vec![0.0; columns * rows]);
            for at in (0..cells.len()).filter(|at| open[*at] && !veiled[cells[*at]]) {
                let means: Vec<f64> =
                    reference.means.iter().map(|means| f64::from(means[at])).collect();
                let lit = light.code(component, &reference.roles, &means, reference.places[at]);
                let weight = reference.weight(component, at);
                sums[cells[at]] += weight * (f64::from(frame[component][at]) - lit);
                weights[cells[at]] += weight;
            }
            relaxed(&sums, &weights, (columns, rows))
        };
        Rest { columns, rows, sheets: (0..reference.roles.len()).map(sheet).collect() }
    }

    /// Returns the mean of sheets of one ring, each with its weight.
    pub(super) fn blended(rests: &[(&Rest, f64)]) -> Option<Rest> {
        let (first, _) = rests.first()?;
        let all: f64 = rests.iter().map(|(_, weight)| weight).sum();
        let mean = |component: usize, cell: usize| {
            let part =
                |(rest, weight): &(&Rest, f64)| weight * f64::from(rest.sheets[component][cell]);
            (rests.iter().map(part).sum::<f64>() / all) as f32
        };
        let sheets =
            first.sheets.iter().enumerate().map(|(component, sheet)| {
                (0..sheet.len()).map(|cell| mean(component, cell)).collect()
            });
        Some(Rest { sheets: sheets.collect(), ..**first })
    }

    /// Returns one line of the sheet of a component, down so many cells, a value for the middle
    /// of every cell.
    pub(super) fn line(&self, component: usize, down: f64) -> Line {
        let Some(sheet) = self.sheets.get(component) else { return Line(Vec::new()) };
        let (top, share) = between(down, self.rows);
        let next = (top + 1).min(self.rows - 1);
        let row = |y: usize| &sheet[y * self.columns..(y + 1) * self.columns];
        let mixed =
            |(above, below): (&f32, &f32)| f64::from(*above) + share * f64::from(below - above);
        Line(row(top).iter().zip(row(next)).map(mixed).collect())
    }

    /// Returns the place of a point in source pixels, in cells.
    pub(super) fn place(ring: &Ring, x: f64, y: f64) -> (f64, f64) {
        ring.on_grid(x, y, ACROSS)
    }
}

/// A line across a sheet.
pub(super) struct Line(Vec<f64>);

impl Line {
    /// Returns its value so many cells across; beyond the sheet that of its edge.
    pub(super) fn at(&self, across: f64) -> f64 {
        let Some(last) = self.0.len().checked_sub(1) else { return 0.0 };
        let (left, share) = between(across, self.0.len());
        self.0[left] + share * (self.0[(left + 1).min(last)] - self.0[left])
    }
}

/// The cell whose middle is before a place, and how far it is from there to the next.
fn between(place: f64, count: usize) -> (usize, f64) {
    let place = (place - 0.5).clamp(0.0, count.saturating_sub(1) as f64);
    (place as usize, place.fract())
}

/// The cells near a block that is not open.
fn veiled(cells: &[usize], open: &[bool], (columns, rows): (usize, usize)) -> Vec<bool> {
    let mut veiled = vec![false; columns * rows];
    for cell in cells.iter().zip(open).filter(|(_, open)| !**open).map(|(cell, _)| *cell) {
        let (x, y) = (cell % columns, cell / columns);
        for row in y.saturating_sub(ROUND_HIDDEN)..(y + ROUND_HIDDEN + 1).min(rows) {
            let across = x.saturating_sub(ROUND_HIDDEN)..(x + ROUND_HIDDEN + 1).min(columns);
            across.for_each(|column| veiled[row * columns + column] = true);
        }
    }
    veiled
}

/// A membrane through weighed data, by successive over-relaxation (Young 1954): `sums` are the
/// data times their weights, one over the variance each.
fn relaxed(sums: &[f64], weights: &[f64], (columns, rows): (usize, usize)) -> Vec<f32> {
    let (stiff, loose) = (STEP.powi(-2), SIZE.powi(-2));
    // With a border of nothing round it, so that no cell asks whether it has neighbours.
    let wide = columns + 2;
    let mut sheet = vec![0.0_f64; wide * (rows + 2)];
    let beside = |x: usize, y: usize| {
        let [left, right] = [x > 0, x + 1 < columns].map(usize::from);
        let [above, below] = [y > 0, y + 1 < rows].map(usize::from);
        (left + right + above + below) as f64
    };
    let cells = (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y)));
    let steps: Vec<f64> = cells
        .zip(weights)
        .map(|((x, y), weight)| BEYOND / (weight + loose + stiff * beside(x, y)))
        .collect();
    for _ in 0..ROUNDS {
        for y in 0..rows {
            for x in 0..columns {
                let (cell, at) = (y * columns + x, (y + 1) * wide + x + 1);
                let near = sheet[at - 1] + sheet[at + 1] + sheet[at - wide] + sheet[at + wide];
                let told = sums[cell] + stiff * near;
                sheet[at] = (1.0 - BEYOND) * sheet[at] + steps[cell] * told;
            }
        }
    }
    let rows = sheet.chunks_exact(wide).skip(1).take(rows);
    rows.flat_map(|row| &row[1..=columns]).map(|value| *value as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_lies_in_its_data_and_spans_a_gap() {
        let size = (24, 16);
        let truth = |at: usize| (at % size.0) as f64 / 12.0 - 1.0;
        let gap = |at: usize| (8..16).contains(&(at % size.0)) && at / size.0 < 9;
        let weights: Vec<f64> =
            (0..size.0 * size.1).map(|at| if gap(at) { 0.0 } else { 400.0 }).collect();
        let sums: Vec<f64> =
            weights.iter().enumerate().map(|(at, weight)| weight * truth(at)).collect();
        let sheet = relaxed(&sums, &weights, size);
        for (at, value) in sheet.iter().enumerate() {
            let most = if gap(at) { 0.1 } else { 0.05 };
            assert!((f64::from(*value) - truth(at)).abs() < most, "{at}: {value}");
        }
        let rest = Rest { columns: size.0, rows: size.1, sheets: vec![sheet] };
        assert!((rest.line(0, 12.25).at(6.25) - (5.75 / 12.0 - 1.0)).abs() < 0.02);
        // Beyond the sheet, and of a component there is none of.
        assert_eq!(rest.line(0, 99.0).at(-5.0), rest.line(0, 15.5).at(0.5));
        assert_eq!(rest.line(1, 3.0).at(3.0), 0.0);
    }

    #[test]
    fn what_is_near_something_hidden_tells_nothing() {
        let open: Vec<bool> = (0..63).map(|at| at != 31).collect();
        let cells: Vec<usize> = (0..63).collect();
        let veiled = veiled(&cells, &open, (9, 7));
        // Cell 31 is the fifth of row 3 counted from 0: a square of nine about it.
        assert_eq!(veiled.iter().filter(|veiled| **veiled).count(), 9);
        assert!(veiled[2 * 9 + 3] && veiled[4 * 9 + 5] && !veiled[3 * 9 + 6]);
    }
}
