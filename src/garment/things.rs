//! What lies about and is no cloth, such as the references named: the cells it takes up.

use nalgebra::Vector2;

use super::cells::Layout;
use super::evidence::Evidence;
use super::region::{neighbours, reached};
use crate::polygon;
use crate::units::MatPoint;

/// A cell within so many bare levels is surface.
pub(super) const BARE: f32 = 1.5;
/// Room around a thing of known size, where its shadow and its margin lie, mm.
const AROUND_MM: f64 = 4.0;
/// A thing so many times as long as wide is slim; no ruler is wider than this, mm.
const SLIM: f64 = 4.0;
const WIDEST_MM: f64 = 80.0;
/// A row beside a slim thing is its own if more than this share of it departs from the surface, and less does on this
/// stretch beyond its ends, mm.
const ALL_ALONG: f64 = 0.85;
const BEYOND_MM: (f64, f64) = (6.0, 18.0);

/// Cells on or beside things that are no cloth.
pub(super) fn covered(layout: &Layout, things: &[Vec<MatPoint>]) -> Vec<bool> {
    let near = |p: MatPoint| {
        things.iter().any(|ring| polygon::contains(ring, p) || polygon::distance_to_ring(ring, p) < AROUND_MM)
    };
    (0..layout.len()).map(|k| near(layout.centre(k % layout.columns, k / layout.columns))).collect()
}

/// Takes in what is a slim thing's own beside its outline.
pub(super) fn take_in_their_own(
    covered_so_far: &mut [bool],
    things: &[Vec<MatPoint>],
    layout: &Layout,
    evidence: &Evidence,
) {
    let whole: Vec<Vec<MatPoint>> = things.iter().filter_map(|ring| widened(ring, layout, evidence)).collect();
    covered_so_far.iter_mut().zip(covered(layout, &whole)).for_each(|(thing, covered)| *thing |= covered);
}

/// Takes in what the picture's border cuts off and is no larger than a broad thing named, such as one card more: too little of it
/// shows for it to be found.
pub(super) fn take_in_cut_off(
    covered_so_far: &mut [bool],
    things: &[Vec<MatPoint>],
    layout: &Layout,
    evidence: &Evidence,
) {
    let broad = things.iter().filter_map(|ring| broad_diagonal_mm(ring));
    let Some(largest) = broad.max_by(f64::total_cmp) else { return };
    let beside = |k: usize| neighbours(layout.columns, layout.rows, k);
    let at_border = |k: usize| beside(k).filter(|n| layout.valid[*n]).count() < 4;
    let departs = |k: usize| layout.valid[k] && evidence.departure[k] > BARE * evidence.bare_level[k];
    let departing: Vec<bool> = (0..layout.len()).map(|k| departs(k) && !covered_so_far[k]).collect();
    let mut looked_at = vec![false; layout.len()];
    for start in 0..layout.len() {
        if !departing[start] || looked_at[start] || !at_border(start) {
            continue;
        }
        let only_start = (0..layout.len()).map(|k| k == start).collect();
        let piece = reached(layout.columns, layout.rows, only_start, |k| departing[k]);
        let cells: Vec<usize> = (0..layout.len()).filter(|k| piece[*k]).collect();
        let is_no_larger = extent_mm(layout, &cells) <= largest + AROUND_MM;
        for k in cells {
            looked_at[k] = true;
            covered_so_far[k] |= is_no_larger;
        }
    }
}

/// The diagonal of a thing that is not slim, mm.
fn broad_diagonal_mm(ring: &[MatPoint]) -> Option<f64> {
    let &[a, b, c, d] = ring else { return None };
    let (long, wide) = (a.distance(b).max(b.distance(c)), a.distance(b).min(b.distance(c)));
    (long < SLIM * wide).then(|| a.distance(c).max(b.distance(d)))
}

/// How long cells reach in the direction in which they reach farthest, mm.
fn extent_mm(layout: &Layout, cells: &[usize]) -> f64 {
    let along = |turn: f64| {
        let (sin, cos) = turn.sin_cos();
        let place = |k: &usize| {
            let p = layout.centre(k % layout.columns, k / layout.columns);
            p.x * cos + p.y * sin
        };
        let ends = cells.iter().map(place).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        ends.1 - ends.0 + layout.cell_mm()
    };
    (0..8).map(|i| along(f64::from(i) * std::f64::consts::PI / 8.0)).fold(0.0, f64::max)
}

/// A slim thing, such as a ruler of which little more than its ticks was seen, with what is its own beside it: rows that depart
/// from the surface from its one end to its other, and not beyond. `None` for a broad thing, or if there are none.
fn widened(ring: &[MatPoint], layout: &Layout, evidence: &Evidence) -> Option<Vec<MatPoint>> {
    let &[a, b, c, d] = ring else { return None };
    let (long, wide) = (b - a, d - a);
    let (length, width) = (long.norm(), wide.norm());
    if length < SLIM * width {
        return None;
    }
    let (along, across) = (long / length, wide / width);
    let departing = |from: MatPoint, ends: (f64, f64)| {
        let count = ((ends.1 - ends.0) / layout.cell_mm()).ceil().max(1.0) as usize;
        let place = |i: usize| from + along * (ends.0 + (ends.1 - ends.0) * (i as f64 + 0.5) / count as f64);
        let seen: Vec<usize> = (0..count).filter_map(|i| layout.cell_at(place(i))).collect();
        let strays = seen.iter().filter(|k| evidence.departure[**k] > BARE * evidence.bare_level[**k]).count();
        strays as f64 / seen.len().max(1) as f64
    };
    let is_its_own = |from: MatPoint| {
        let beyond = |at: f64| departing(from, (at, at + BEYOND_MM.1 - BEYOND_MM.0));
        departing(from, (BEYOND_MM.0, length - BEYOND_MM.0)) > ALL_ALONG
            && beyond(-BEYOND_MM.1) + beyond(length + BEYOND_MM.0) < 1.0
    };
    let step = layout.cell_mm();
    let rows = |from: MatPoint, out: Vector2<f64>| {
        let most = (WIDEST_MM / step) as usize;
        let rows = (0..most).take_while(|i| is_its_own(from + out * (step * (*i as f64 + 0.5)))).count();
        if rows == most { 0.0 } else { rows as f64 * step }
    };
    let (below, above) = (rows(a, -across), rows(d, across));
    (below + above > 0.0).then(|| vec![a - across * below, b - across * below, c + across * above, d + across * above])
}
