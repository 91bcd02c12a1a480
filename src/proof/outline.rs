//! One closed outline round a set of pixels, however many parts it has.

use crate::measure::Mask;
use std::collections::BTreeMap;

/// How far a corner may lie from the simplified outline, in pixels: below one, so that the
/// outline stays within the pixels beside it.
const OFF: f64 = 0.5;

/// A corner between pixels.
type Corner = (i64, i64);

/// Returns the outline of a set, clockwise as seen, in pixels from the upper left corner of
/// the plane. Parts are joined by cuts of no width, so that the even-odd rule gives back the
/// set; holes are filled. Empty for an empty set.
pub(super) fn one_outline(mask: &Mask) -> Vec<[f64; 2]> {
    let mut loops = loops(mask);
    loops.sort_by_key(|outline| std::cmp::Reverse(outline.len()));
    let parts: Vec<Vec<[f64; 2]>> = loops.iter().map(|outline| simplified(outline)).collect();
    let mut parts = parts.into_iter().filter(|part| part.len() > 2);
    let Some(mut joined) = parts.next() else { return Vec::new() };
    for part in parts {
        join(&mut joined, &part);
    }
    joined
}

/// Cuts from the nearest corner of `joined` to the nearest of `part`, round it, and back.
fn join(joined: &mut Vec<[f64; 2]>, part: &[[f64; 2]]) {
    let far = |a: &[f64; 2], b: &[f64; 2]| (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
    let mut nearest = (0, 0, f64::INFINITY);
    for (at, a) in joined.iter().enumerate() {
        for (to, b) in part.iter().enumerate() {
            if far(a, b) < nearest.2 {
                nearest = (at, to, far(a, b));
            }
        }
    }
    let (at, to, _) = nearest;
    let back = joined[at];
    let round = part[to..].iter().chain(&part[..=to]).copied().chain([back]);
    let detour: Vec<[f64; 2]> = round.collect();
    joined.splice(at + 1..at + 1, detour);
}

/// The outer borders of all parts along the edges of pixels.
fn loops(mask: &Mask) -> Vec<Vec<Corner>> {
    let mut next: BTreeMap<Corner, Vec<Corner>> = BTreeMap::new();
    let has = |x: i64, y: i64| x >= 0 && y >= 0 && mask.has(x as usize, y as usize);
    for (x, y) in mask.pixels().map(|(x, y)| (x as i64, y as i64)) {
        let sides = [
            (has(x, y - 1), (x, y), (x + 1, y)),
            (has(x + 1, y), (x + 1, y), (x + 1, y + 1)),
            (has(x, y + 1), (x + 1, y + 1), (x, y + 1)),
            (has(x - 1, y), (x, y + 1), (x, y)),
        ];
        for (_, from, to) in sides.into_iter().filter(|(inside, ..)| !inside) {
            next.entry(from).or_default().push(to);
        }
    }
    let mut loops = Vec::new();
    while let Some((start, _)) = next.first_key_value() {
        let start = *start;
        let mut outline = vec![start];
        let mut came: Option<Corner> = None;
        let mut at = start;
        while let Some(to) = take_next(&mut next, at, came) {
            came = Some(at);
            at = to;
            if at == start {
                break;
            }
            outline.push(at);
        }
        if area(&outline) > 0 {
            loops.push(outline);
        }
    }
    loops
}

/// Takes the next side from a corner. Where two parts touch at it, the one that turns left
/// keeps them one part, as neighbours by their corners are.
fn take_next(
    next: &mut BTreeMap<Corner, Vec<Corner>>,
    at: Corner,
    came: Option<Corner>,
) -> Option<Corner> {
    let ends = next.get_mut(&at)?;
    let left = |to: &Corner| {
        came.map_or(0, |from| {
            let (ax, ay) = (at.0 - from.0, at.1 - from.1);
            let (bx, by) = (to.0 - at.0, to.1 - at.1);
            -(ax * by - ay * bx)
        })
    };
    let best = (0..ends.len()).max_by_key(|at| left(&ends[*at]))?;
    let taken = ends.swap_remove(best);
    if ends.is_empty() {
        next.remove(&at);
    }
    Some(taken)
}

/// Twice the area, positive if the outline runs clockwise as seen.
fn area(outline: &[Corner]) -> i64 {
    let next = outline.iter().cycle().skip(1);
    outline.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum()
}

/// Leaves out corners that lie near the line between those kept (Ramer 1972, Douglas and
/// Peucker 1973).
fn simplified(outline: &[Corner]) -> Vec<[f64; 2]> {
    let points: Vec<[f64; 2]> = outline.iter().map(|(x, y)| [*x as f64, *y as f64]).collect();
    let far = |a: &[f64; 2], b: &[f64; 2]| (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
    let opposite = (0..points.len())
        .max_by(|a, b| far(&points[0], &points[*a]).total_cmp(&far(&points[0], &points[*b])));
    let Some(opposite) = opposite.filter(|at| *at > 0) else { return points };
    let mut kept = vec![false; points.len() + 1];
    (kept[0], kept[opposite]) = (true, true);
    let at = |index: usize| points[index % points.len()];
    let mut spans = vec![(0, opposite), (opposite, points.len())];
    while let Some((from, to)) = spans.pop() {
        let line = (at(from), at(to));
        let farthest = (from + 1..to)
            .map(|index| (index, from_line(at(index), line)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((index, _)) = farthest.filter(|(_, off)| *off > OFF) {
            kept[index] = true;
            spans.extend([(from, index), (index, to)]);
        }
    }
    (0..points.len()).filter(|index| kept[*index]).map(at).collect()
}

fn from_line([x, y]: [f64; 2], (a, b): ([f64; 2], [f64; 2])) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    if length > 0.0 {
        ((x - a[0]) * dy - (y - a[1]) * dx).abs() / length
    } else {
        (x - a[0]).hypot(y - a[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::divider::Region;

    #[test]
    fn the_even_odd_rule_gives_the_set_back() {
        let disc = |x: usize, y: usize, cx: i64, cy: i64, r: i64| {
            (x as i64 - cx).pow(2) + (y as i64 - cy).pow(2) <= r * r
        };
        let mask = Mask::from_fn(120, 70, |x, y| {
            disc(x, y, 30, 30, 14) || disc(x, y, 90, 20, 9) || (y < 5 && x % 40 < 25) || x == y + 50
        });
        let region = Region { outlines: vec![one_outline(&mask)] };
        let drawn = region.mask(120, 70);
        let (mut lost, mut more) = (mask.clone(), drawn.clone());
        lost.take(&drawn);
        more.take(&mask);
        assert!(lost.count() < mask.count() / 25, "{} of {}", lost.count(), mask.count());
        assert!(more.count() < mask.count() / 25, "{} of {}", more.count(), mask.count());
        assert!(one_outline(&Mask::new(9, 9)).is_empty());
    }

    #[test]
    fn one_pixel_is_a_square() {
        let mut mask = Mask::new(9, 9);
        mask.set(3, 4);
        let mut corners = one_outline(&mask);
        corners.sort_by(|a, b| a.partial_cmp(b).unwrap());
        assert_eq!(corners, [[3.0, 4.0], [3.0, 5.0], [4.0, 4.0], [4.0, 5.0]]);
    }
}
