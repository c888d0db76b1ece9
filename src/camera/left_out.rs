//! Judging a fit by what it foretells of sightings that it did not use.
//!
//! Leaving a block out moves the solution by one Gauss-Newton step on the remaining normal equations;
//! near the solution that is as good as fitting anew, and costs next to nothing.

use super::line_model::{Frame, K2, Params, Residual, Side};
use super::solve::{Normal, Objective, Square};

/// Blocks of the lattice, each way.
const BLOCKS: usize = 5;

/// A fit with its residuals, ready to be asked what it would be without a block.
struct Solution<'a> {
    objective: &'a Objective,
    residuals: Vec<Residual>,
    whole: Normal,
    blocks: Vec<Normal>,
}

impl<'a> Solution<'a> {
    fn new(
        frame: &Frame,
        sides: &[Side],
        p: &Params,
        objective: &'a Objective,
        block: impl Fn(&Side) -> usize,
        count: usize,
    ) -> Self {
        let zero = Normal { matrix: Square::zeros(), gradient: Params::zeros(), cost: 0.0 };
        let mut blocks = vec![zero; count];
        let mut whole = objective.prior(p);
        let residuals: Vec<Residual> = sides.iter().map(|s| frame.residual(p, s)).collect();
        for (side, r) in sides.iter().zip(&residuals) {
            if let Some(of) = blocks.get_mut(block(side)) {
                of.add(r, objective.weight(r.px));
            }
        }
        for of in &blocks {
            whole.matrix += of.matrix;
            whole.gradient += of.gradient;
        }
        Self { objective, residuals, whole, blocks }
    }

    /// One standard deviation of a parameter.
    fn sigma(&self, parameter: usize) -> f64 {
        let mut matrix = self.whole.matrix;
        matrix.fill_lower_triangle_with_upper_triangle();
        matrix.try_inverse().map_or(f64::INFINITY, |c| c[(parameter, parameter)].max(0.0).sqrt())
    }

    /// How the parameters move when a block is left out.
    fn without(&self, block: usize) -> Option<Params> {
        let of = self.blocks.get(block)?;
        let mut rest =
            Normal { matrix: self.whole.matrix - of.matrix, gradient: self.whole.gradient - of.gradient, cost: 0.0 };
        rest.matrix.fill_lower_triangle_with_upper_triangle();
        self.objective.step(&rest, 0.0)
    }
}

/// Which of two models foretells left-out blocks better.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Verdict {
    plain_px: f64,
    richer_px: f64,
    better_blocks: usize,
    blocks: usize,
    k2_over_sigma: f64,
}

impl Verdict {
    /// Does k2 foretell clearly better (5 %), in most blocks, and stand clear of its own doubt?
    pub(super) fn better(&self) -> bool {
        let foretells = self.richer_px < 0.95 * self.plain_px && 3 * self.better_blocks >= 2 * self.blocks;
        foretells && self.blocks >= 6 && self.k2_over_sigma > 3.0
    }

    /// The verdict in words.
    pub(super) fn sentence(&self) -> String {
        format!(
            "{}: left-out parts of the grid are foretold to {:.3} px without k2, {:.3} px with it, \
             better in {} of {} parts; k2 is {:.1} times its own doubt",
            if self.better() { "k2 used" } else { "k2 not used" },
            self.plain_px,
            self.richer_px,
            self.better_blocks,
            self.blocks,
            self.k2_over_sigma
        )
    }
}

/// Compares two models (the second with k2) on left-out blocks of the lattice.
pub(super) fn compare(
    frame: &Frame,
    sides: &[Side],
    (p, plain): (&Params, &Objective),
    (q, richer): (&Params, &Objective),
) -> Verdict {
    let block = blocks_of(sides);
    let count = BLOCKS * BLOCKS;
    let without = Solution::new(frame, sides, p, plain, &block, count);
    let with = Solution::new(frame, sides, q, richer, &block, count);
    let a = foretold(&without, sides, plain, &block);
    let b = foretold(&with, sides, plain, &block);
    let rms = |costs: &[(f64, usize)]| {
        let (sum, n) = costs.iter().fold((0.0, 0), |(s, n), c| (s + c.0, n + c.1));
        (sum / n.max(1) as f64).sqrt()
    };
    let seen = a.iter().zip(&b).filter(|(a, _)| a.1 > 0);
    Verdict {
        plain_px: rms(&a),
        richer_px: rms(&b),
        better_blocks: seen.clone().filter(|(a, b)| b.0 < a.0).count(),
        blocks: seen.count(),
        k2_over_sigma: q[K2].abs() / with.sigma(K2),
    }
}

/// Cost of each block as foretold without it, and its number of sides.
fn foretold(
    solution: &Solution<'_>,
    sides: &[Side],
    judge: &Objective,
    block: impl Fn(&Side) -> usize,
) -> Vec<(f64, usize)> {
    let moves: Vec<Option<Params>> = (0..solution.blocks.len()).map(|b| solution.without(b)).collect();
    let mut costs = vec![(0.0, 0usize); moves.len()];
    for (side, r) in sides.iter().zip(&solution.residuals) {
        let b = block(side);
        if let (Some(Some(step)), Some(cost)) = (moves.get(b), costs.get_mut(b)) {
            cost.0 += judge.cost_px2(r.px + r.by_params.dot(step));
            cost.1 += 1;
        }
    }
    costs
}

/// Divides the extent of the sightings into equal blocks.
fn blocks_of(sides: &[Side]) -> impl Fn(&Side) -> usize + use<> {
    let place = |s: &Side| match s.axis {
        crate::reference::Axis::X => (s.known, s.along),
        crate::reference::Axis::Y => (s.along, s.known),
    };
    let wide = (f64::INFINITY, f64::NEG_INFINITY);
    let (x, y) = sides
        .iter()
        .map(place)
        .fold((wide, wide), |(a, b), (x, y)| ((a.0.min(x), a.1.max(x)), (b.0.min(y), b.1.max(y))));
    let cell =
        |v: f64, (lo, hi): (f64, f64)| (((v - lo) / (hi - lo).max(1e-12) * BLOCKS as f64) as usize).min(BLOCKS - 1);
    move |s: &Side| {
        let (px, py) = place(s);
        BLOCKS * cell(py, y) + cell(px, x)
    }
}

/// The line whose removal takes a quarter or more off the residual of all the others, and that then lies far off itself.
pub(super) fn stray_line(frame: &Frame, sides: &[Side], p: &Params, objective: &Objective) -> Option<usize> {
    let count = sides.iter().map(|s| s.line).max()? + 1;
    let solution = Solution::new(frame, sides, p, objective, |s| s.line, count);
    let rms = |of: &mut dyn Iterator<Item = f64>| {
        let (sum, n) = of.fold((0.0, 0usize), |(s, n), v| (s + v * v, n + 1));
        (sum / n.max(1) as f64).sqrt()
    };
    let before = rms(&mut solution.residuals.iter().map(|r| r.px));
    let mut best: Option<(usize, f64)> = None;
    for line in 0..count {
        let Some(step) = solution.without(line) else { continue };
        let foretold = |on: bool| {
            let these = sides.iter().zip(&solution.residuals).filter(move |(s, _)| (s.line == line) == on);
            these.map(move |(_, r)| r.px + r.by_params.dot(&step))
        };
        let rest = rms(&mut foretold(false));
        let own = rms(&mut foretold(true));
        if rest < 0.75 * before && own > 4.0 * rest && best.is_none_or(|(_, least)| rest < least) {
            best = Some((line, rest));
        }
    }
    best.map(|(line, _)| line)
}
