//! Turning the lattice's own indices into the mat frame: right-handed, x to the right, y up.

use nalgebra::{Matrix2, Vector2};

use super::lattice::{FoundSide, Lattice};

/// The lattice recounted in a right-handed frame, y up on the photo as far as possible, with its
/// origin at the lower left crossing of what was seen.
///
/// `pitch_ratio` is pitch x over pitch y: where it is not 1, only turns that agree with the measured
/// shape of the cells are considered.
pub fn oriented(lattice: &Lattice, pitch_ratio: f64) -> Lattice {
    let bounds = lattice.bounds();
    let middle = bounds.map(|[low, high]| 0.5 * f64::from(low + high));
    let steps = lattice.model.steps(middle[0], middle[1]);
    let turn = best_turn(&steps, pitch_ratio);
    let turned = reindexed(lattice, &turn, [0, 0]);
    let bounds = turned.bounds();
    reindexed(&turned, &Matrix2::identity(), [bounds[0][0], bounds[1][0]])
}

/// Old index = turn * new index; the columns are the old directions of the new x and y.
fn best_turn(steps: &Matrix2<f64>, pitch_ratio: f64) -> Matrix2<f64> {
    let ratio = steps.column(0).norm() / steps.column(1).norm();
    let straight_fits = (ratio / pitch_ratio).ln().abs() <= (ratio * pitch_ratio).ln().abs();
    let square = (pitch_ratio - 1.0).abs() < 0.02;
    let mut best = (f64::NEG_INFINITY, Matrix2::identity());
    for swap in [false, true] {
        if !square && swap == straight_fits {
            continue;
        }
        for sx in [1.0, -1.0] {
            for sy in [1.0, -1.0] {
                let turn = if swap { Matrix2::new(0.0, sy, sx, 0.0) } else { Matrix2::new(sx, 0.0, 0.0, sy) };
                let seen = steps * turn;
                // Right-handed with y up means clockwise in pixels, whose y points down.
                if seen.determinant() >= 0.0 {
                    continue;
                }
                let (x, y) = (seen.column(0).normalize(), seen.column(1).normalize());
                let score = x.x - y.y;
                if score > best.0 {
                    best = (score, turn);
                }
            }
        }
    }
    best.1
}

/// The lattice under old index = `turn` * new index + `shift` (`turn` a signed permutation).
pub fn reindexed(lattice: &Lattice, turn: &Matrix2<f64>, shift: [i32; 2]) -> Lattice {
    let shift = Vector2::new(f64::from(shift[0]), f64::from(shift[1]));
    let back = turn.transpose();
    let swaps = turn[(0, 0)] == 0.0;
    let sides = lattice.sides.iter().map(|s| {
        let o = s.on_line();
        let old = if s.family == 0 { Vector2::new(o.line, o.along) } else { Vector2::new(o.along, o.line) };
        let new = back * (old - shift);
        let family = if swaps { 1 - s.family } else { s.family };
        FoundSide { family, line: new[family].round() as i32, along: new[1 - family].floor() as i32, ..*s }
    });
    let mut out = lattice.clone();
    out.sides = sides.collect();
    out.model = lattice.model.reindexed(turn, shift);
    out
}
