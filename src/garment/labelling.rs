//! The smoothest labelling that the cells' votes allow: convex total variation, coarse to fine.
//!
//! min over u in [0, 1] of price * TV(u) - sum(vote * u), by Chambolle & Pock's first-order
//! primal-dual method (J. Math. Imaging Vis. 40, 2011, algorithm 1); u thresholded at a half is then
//! a best two-label partition (Chan, Esedoglu & Nikolova, SIAM J. Appl. Math. 66, 2006).

use rayon::prelude::*;

/// Rounds on the coarsest lattice, where labels travel farthest, and on each finer one.
const COARSEST_ROUNDS: usize = 80;
const FINER_ROUNDS: usize = 24;

/// Halvings of the lattice.
const HALVINGS: usize = 2;

/// Rows a thread works on at a time.
const BAND: usize = 24;

/// Soft labels (0 to 1) of `columns` by `rows` cells from their votes (positive for 1).
///
/// `share` (0 to 1) is the part of the price that a boundary pays between a cell and the next ones across and down.
pub(crate) fn smooth_label(columns: usize, rows: usize, votes: &[f32], price: f32, share: &[f32]) -> Vec<f32> {
    coarse_to_fine(columns, rows, votes, price, share, HALVINGS)
}

/// The same at half the resolution: good enough to learn from.
pub(crate) fn rough_label(columns: usize, rows: usize, votes: &[f32], price: f32) -> Vec<f32> {
    if columns < 8 || rows < 8 {
        return smooth_label(columns, rows, votes, price, &vec![1.0; columns * rows]);
    }
    let coarse = halved(columns, rows, votes, 2.0);
    let share = vec![1.0; coarse.len()];
    spread_out(columns, rows, &coarse_to_fine(columns / 2, rows / 2, &coarse, price, &share, HALVINGS - 1))
}

fn coarse_to_fine(columns: usize, rows: usize, votes: &[f32], price: f32, share: &[f32], halvings: usize) -> Vec<f32> {
    if halvings == 0 || columns < 8 || rows < 8 {
        let start = votes.iter().map(|v| if *v > 0.0 { 1.0 } else { 0.0 }).collect();
        return primal_dual((columns, rows), votes, price, share, start, COARSEST_ROUNDS);
    }
    // A coarse cell votes for four; its sides are twice as long.
    let coarse_votes = halved(columns, rows, votes, 2.0);
    let coarse_share = halved(columns, rows, share, 1.0);
    let coarse = coarse_to_fine(columns / 2, rows / 2, &coarse_votes, price, &coarse_share, halvings - 1);
    primal_dual((columns, rows), votes, price, share, spread_out(columns, rows, &coarse), FINER_ROUNDS)
}

/// The values of a lattice half as fine, on the whole one.
fn spread_out(columns: usize, rows: usize, coarse: &[f32]) -> Vec<f32> {
    let (half_columns, half_rows) = (columns / 2, rows / 2);
    let mut out = Vec::with_capacity(columns * rows);
    for r in 0..rows {
        let row = &coarse[(r / 2).min(half_rows - 1) * half_columns..][..half_columns];
        out.extend((0..columns).map(|c| row[(c / 2).min(half_columns - 1)]));
    }
    out
}

/// Mean of two by two cells, times a factor.
fn halved(columns: usize, rows: usize, values: &[f32], factor: f32) -> Vec<f32> {
    let half_columns = columns / 2;
    let mut out = Vec::with_capacity(half_columns * (rows / 2));
    for pair in values.chunks_exact(2 * columns).take(rows / 2) {
        let (top, low) = pair.split_at(columns);
        let cells = top.chunks_exact(2).zip(low.chunks_exact(2));
        out.extend(cells.map(|(t, l)| 0.25 * factor * (t[0] + t[1] + l[0] + l[1])));
    }
    out
}

fn primal_dual(
    (w, h): (usize, usize),
    votes: &[f32],
    price: f32,
    share: &[f32],
    start: Vec<f32>,
    rounds: usize,
) -> Vec<f32> {
    // The dual is kept in units of the price (|p| <= share), so both steps share the operator's norm, sqrt(8).
    let step = 1.0 / 8f32.sqrt();
    let votes: Vec<f32> = votes.iter().map(|v| v * step / price).collect();
    let mut field =
        Field { w, h, step, share, ahead: start.clone(), u: start, px: vec![0.0; w * h], py: vec![0.0; w * h] };
    // On a thread of the pool itself, where handing out the bands costs least.
    rayon::scope(|_| (0..rounds).for_each(|_| field.round(&votes)));
    field.u
}

/// The labels at work: `u` and its extrapolation, and the dual's two components.
struct Field<'a> {
    w: usize,
    h: usize,
    step: f32,
    share: &'a [f32],
    u: Vec<f32>,
    ahead: Vec<f32>,
    px: Vec<f32>,
    py: Vec<f32>,
}

/// What a band needs of its neighbours, as it was before the round: the dual of the row above after its step, and the
/// labels ahead of the row below.
struct Seam {
    above: Vec<f32>,
    below: Vec<f32>,
}

impl Field<'_> {
    /// A dual and a primal step in one walk down the rows, band by band, so that a row is still in the cache for both.
    fn round(&mut self, votes: &[f32]) {
        let (w, step) = (self.w, self.step);
        let seams: Vec<Seam> = (0..self.h.div_ceil(BAND)).map(|band| self.seam(band)).collect();
        let band = BAND * w;
        let dual = self.px.par_chunks_mut(band).zip(self.py.par_chunks_mut(band));
        let primal = self.u.par_chunks_mut(band).zip(self.ahead.par_chunks_mut(band)).zip(votes.par_chunks(band));
        let given = self.share.par_chunks(band).zip(&seams);
        dual.zip(primal).zip(given).for_each(|(((px, py), ((u, ahead), votes)), (share, seam))| {
            let rows = u.len() / w;
            for r in 0..rows {
                let here = r * w..(r + 1) * w;
                let below = if r + 1 < rows { &ahead[(r + 1) * w..(r + 2) * w] } else { &seam.below[..] };
                dual_row(
                    &ahead[here.clone()],
                    below,
                    &share[here.clone()],
                    (&mut px[here.clone()], &mut py[here.clone()]),
                    step,
                );
                let above = if r > 0 { &py[(r - 1) * w..r * w] } else { &seam.above[..] };
                let (x, y) = (&px[here.clone()], &py[here.clone()]);
                primal_row(x, y, above, &votes[here.clone()], &mut u[here.clone()], &mut ahead[here], step);
            }
        });
    }

    fn seam(&self, band: usize) -> Seam {
        let (w, h) = (self.w, self.h);
        let row = |r: usize| r * w..(r + 1) * w;
        let (first, next) = (band * BAND, (band + 1) * BAND);
        // Below the last row lies a copy of it, above the first nothing flows.
        let below = self.ahead[row(next.min(h - 1))].to_vec();
        if first == 0 {
            return Seam { above: vec![0.0; w], below };
        }
        let (mut px, mut py) = (self.px[row(first - 1)].to_vec(), self.py[row(first - 1)].to_vec());
        let share = &self.share[row(first - 1)];
        dual_row(&self.ahead[row(first - 1)], &self.ahead[row(first)], share, (&mut px, &mut py), self.step);
        Seam { above: py, below }
    }
}

fn dual_row(here: &[f32], below: &[f32], share: &[f32], (px, py): (&mut [f32], &mut [f32]), step: f32) {
    let w = here.len();
    let (next, below, share, px, py) = (&here[1..w], &below[..w], &share[..w], &mut px[..w], &mut py[..w]);
    for c in 0..w - 1 {
        let x = px[c] + step * (next[c] - here[c]);
        let y = py[c] + step * (below[c] - here[c]);
        let shrink = share[c] / (x * x + y * y).sqrt().max(share[c]);
        px[c] = x * shrink;
        py[c] = y * shrink;
    }
    py[w - 1] = (py[w - 1] + step * (below[w - 1] - here[w - 1])).clamp(-share[w - 1], share[w - 1]);
}

fn primal_row(x: &[f32], y: &[f32], above: &[f32], votes: &[f32], u: &mut [f32], ahead: &mut [f32], step: f32) {
    let w = u.len();
    let (x, y, above, votes, ahead) = (&x[..w], &y[..w], &above[..w], &votes[..w], &mut ahead[..w]);
    let mut update = |c: usize, left: f32| {
        let before = u[c];
        let now = (before + step * (x[c] - left + y[c] - above[c]) + votes[c]).clamp(0.0, 1.0);
        u[c] = now;
        ahead[c] = 2.0 * now - before;
    };
    update(0, 0.0);
    for c in 1..w {
        update(c, x[c - 1]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(n: usize, from: usize, to: usize, inside: f32, outside: f32) -> Vec<f32> {
        (0..n * n)
            .map(|k| {
                let inner = |v: usize| v >= from && v < to;
                if inner(k % n) && inner(k / n) { inside } else { outside }
            })
            .collect()
    }

    #[test]
    fn a_clear_square_keeps_its_area_but_for_its_corners() {
        let n = 60;
        let label = smooth_label(n, n, &square(n, 15, 45, 2.0, -2.0), 2.0, &vec![1.0; n * n]);
        let area = label.iter().filter(|u| **u > 0.5).count();
        // Corners are rounded to radius price / vote = 1 cell: 4 - pi cells lost at most, besides the lattice's own error.
        assert!((880..=900).contains(&area), "{area}");
    }

    #[test]
    fn a_speck_smaller_than_its_boundary_is_worth_vanishes() {
        // A 2 x 2 speck with votes of 1 gains 4, its boundary costs 8 * 2.
        let n = 40;
        let label = smooth_label(n, n, &square(n, 20, 22, 1.0, -1.0), 2.0, &vec![1.0; n * n]);
        assert!(label.iter().all(|u| *u < 0.5));
    }

    /// Nothing speaks for either side of column 24 within four, and the price is low along one column there.
    #[test]
    fn a_boundary_runs_where_it_is_cheap() {
        let n = 48;
        let votes: Vec<f32> = (0..n * n).map(|k| ((24.5 - (k % n) as f32) / 4.0).trunc()).collect();
        for cheap in [22, 26] {
            let share: Vec<f32> = (0..n * n).map(|k| if k % n == cheap { 0.2 } else { 1.0 }).collect();
            let label = smooth_label(n, n, &votes, 4.0, &share);
            let ends = (2..n - 2).map(|r| (0..n).filter(|c| label[r * n + c] > 0.5).count());
            assert!(ends.into_iter().all(|cells| cells == cheap + 1));
        }
    }

    #[test]
    fn the_opposite_votes_give_the_opposite_label() {
        let n = 48;
        let votes = square(n, 10, 30, 1.5, -1.0);
        let label = smooth_label(n, n, &votes, 1.5, &vec![1.0; n * n]);
        let turned = smooth_label(n, n, &votes.iter().map(|v| -v).collect::<Vec<_>>(), 1.5, &vec![1.0; n * n]);
        let differ = label.iter().zip(&turned).filter(|(a, b)| (**a > 0.5) == (**b > 0.5)).count();
        assert!(differ <= 4, "{differ}");
    }
}
