//! Least-squares cubic B-splines with fixed ends.

use kurbo::BezPath;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use super::curve::trust;
use crate::units::MatPoint;

/// Most rounds of fitting and moving the parameters to the points' feet.
const ROUNDS: usize = 8;
/// Weight of offsets along the curve: enough to keep the parameters in place.
const ALONG_WEIGHT: f64 = 0.02;

/// A clamped cubic B-spline over the parameter 0 to 1.
pub(super) struct Spline {
    knots: Knots,
    controls: Vec<MatPoint>,
}

impl Spline {
    /// Fits with fixed ends; returns the spline, and the signed offset and the parameter of every point.
    pub fn fitted(
        ends: (MatPoint, MatPoint),
        inner: &[f64],
        points: &[MatPoint],
        doubts: &[f64],
    ) -> Option<(Self, Vec<f64>, Vec<f64>)> {
        if points.len() < 2 * inner.len() + 6 {
            return None;
        }
        let knots = Knots::new(inner);
        let mut at = arc_parameters(ends, points);
        let mut weights = vec![1.0; points.len()];
        let mut spline = Self::solved(ends, &knots, points, &at, &weights, None)?;
        let mut last = f64::INFINITY;
        for round in 0..ROUNDS {
            let offsets = spline.reparametrise(points, &mut at);
            let left = offsets.iter().zip(&weights).map(|(o, w)| w * o * o).sum::<f64>();
            if round + 1 == ROUNDS || (round >= 3 && left > 0.95 * last) {
                return Some((spline, offsets, at));
            }
            last = left;
            if round >= 1 {
                let trusted: Vec<f64> = offsets.iter().zip(doubts).map(|(o, d)| trust(*o, *d)).collect();
                // A fit that most points miss is simply too stiff: bumps are the exception.
                if trusted.iter().sum::<f64>() > 0.8 * points.len() as f64 {
                    weights = trusted;
                }
            }
            spline = Self::solved(ends, &knots, points, &at, &weights, Some(&spline))?;
        }
        None
    }

    /// Weighted least squares for given parameters. Given the curve before, offsets count across it and hardly along it
    /// (tangent distance minimisation; Wang, Pottmann & Liu, ACM Trans. Graphics 25(2), 2006), which settles in a few
    /// rounds where plain distances creep.
    fn solved(
        (from, to): (MatPoint, MatPoint),
        knots: &Knots,
        points: &[MatPoint],
        at: &[f64],
        weights: &[f64],
        before: Option<&Self>,
    ) -> Option<Self> {
        let count = knots.spans() + 3;
        let free = count - 2;
        let mut normal = DMatrix::<f64>::zeros(2 * free, 2 * free);
        let mut right = DVector::<f64>::zeros(2 * free);
        for ((p, u), w) in points.iter().zip(at).zip(weights) {
            let (first, basis) = knots.basis(*u);
            // Taken about the start, so that far from the origin no digits are lost.
            let mut rest = *p - from;
            if first + 3 == count - 1 {
                rest -= (to - from) * basis[3];
            }
            let metric = before.map_or_else(Matrix2::identity, |curve| {
                let along = curve.tangent(*u).try_normalize(1e-9).unwrap_or_else(Vector2::x);
                Matrix2::identity() - (along * along.transpose()) * (1.0 - ALONG_WEIGHT)
            }) * *w;
            let pulled = metric * rest;
            for (j, b) in basis.iter().enumerate() {
                let Some(row) = (first + j).checked_sub(1).filter(|r| *r < free) else { continue };
                right[2 * row] += b * pulled.x;
                right[2 * row + 1] += b * pulled.y;
                for (k, c) in basis.iter().enumerate() {
                    if let Some(column) = (first + k).checked_sub(1).filter(|c| *c < free) {
                        let mut block = normal.fixed_view_mut::<2, 2>(2 * row, 2 * column);
                        block += metric * (b * c);
                    }
                }
            }
        }
        let solved = normal.cholesky()?.solve(&right);
        let mut controls = vec![from];
        controls.extend((0..free).map(|k| from + Vector2::new(solved[2 * k], solved[2 * k + 1])));
        controls.push(to);
        Some(Self { knots: knots.clone(), controls })
    }

    fn eval(&self, u: f64) -> MatPoint {
        let (first, basis) = self.knots.basis(u);
        let anchor = self.controls[first];
        anchor + (0..4).map(|k| (self.controls[first + k] - anchor) * basis[k]).sum::<Vector2<f64>>()
    }

    /// Derivative with respect to the parameter.
    fn tangent(&self, u: f64) -> Vector2<f64> {
        let (first, basis) = self.knots.basis_slopes(u);
        let anchor = self.controls[first];
        (0..4).map(|k| (self.controls[first + k] - anchor) * basis[k]).sum()
    }

    /// Moves each parameter to the point's foot (two Newton steps); gives the signed offsets.
    fn reparametrise(&self, points: &[MatPoint], at: &mut [f64]) -> Vec<f64> {
        points
            .iter()
            .zip(at.iter_mut())
            .map(|(p, u)| {
                for _ in 0..2 {
                    let tangent = self.tangent(*u);
                    let step = (*p - self.eval(*u)).dot(&tangent) / tangent.norm_squared().max(1e-12);
                    *u = (*u + step.clamp(-0.05, 0.05)).clamp(0.0, 1.0);
                }
                let tangent = self.tangent(*u);
                tangent.perp(&(*p - self.eval(*u))) / tangent.norm().max(1e-9)
            })
            .collect()
    }

    /// The same curve as Bézier cubics, one a span.
    pub fn path(&self) -> BezPath {
        let mut path = BezPath::new();
        path.move_to(self.eval(0.0));
        for (u, v) in self.knots.bounds() {
            let (start, end) = (self.eval(u), self.eval(v));
            let (leaving, arriving) = (self.tangent(u) * ((v - u) / 3.0), self.tangent(v) * ((v - u) / 3.0));
            path.curve_to(start + leaving, end - arriving, end);
        }
        path
    }
}

/// Parameters by distance travelled, 0 to 1.
fn arc_parameters((from, to): (MatPoint, MatPoint), points: &[MatPoint]) -> Vec<f64> {
    let mut travelled = 0.0;
    let mut last = from;
    let lengths: Vec<f64> = points
        .iter()
        .map(|p| {
            travelled += last.distance(*p);
            last = *p;
            travelled
        })
        .collect();
    let total = (travelled + last.distance(to)).max(1e-9);
    lengths.iter().map(|l| l / total).collect()
}

/// Knots of a clamped cubic spline: 0 and 1 four times each, the inner ones between, rising.
#[derive(Clone)]
struct Knots(Vec<f64>);

impl Knots {
    fn new(inner: &[f64]) -> Self {
        let mut knots = vec![0.0; 4];
        knots.extend_from_slice(inner);
        knots.extend([1.0; 4]);
        Self(knots)
    }

    fn spans(&self) -> usize {
        self.0.len() - 7
    }

    /// Start and end of every span.
    fn bounds(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        (3..3 + self.spans()).map(|k| (self.0[k], self.0[k + 1]))
    }

    fn span_of(&self, u: f64) -> usize {
        self.bounds().position(|(_, end)| u < end).unwrap_or(self.spans() - 1)
    }

    /// The four basis functions that do not vanish at `u`, and the index of the first (Cox-de Boor).
    fn basis(&self, u: f64) -> (usize, [f64; 4]) {
        let span = self.span_of(u);
        (span, self.basis_of_degree(span, u, 3))
    }

    fn basis_of_degree(&self, span: usize, u: f64, degree: usize) -> [f64; 4] {
        let mut values = [1.0, 0.0, 0.0, 0.0];
        let here = span + 3;
        for d in 1..=degree {
            let mut carried = 0.0;
            for (r, value) in values.iter_mut().enumerate().take(d) {
                let (left, right) = (self.0[here + 1 + r - d], self.0[here + 1 + r]);
                let share = *value / (right - left);
                *value = carried + (right - u) * share;
                carried = (u - left) * share;
            }
            values[d] = carried;
        }
        values
    }

    /// Their derivatives.
    fn basis_slopes(&self, u: f64) -> (usize, [f64; 4]) {
        let span = self.span_of(u);
        let lower = self.basis_of_degree(span, u, 2);
        let mut values = [0.0; 4];
        for k in 0..3 {
            // Basis k of degree 2 belongs to knots span + 1 + k to span + 4 + k.
            let slope = 3.0 * lower[k] / (self.0[span + 4 + k] - self.0[span + 1 + k]);
            values[k] -= slope;
            values[k + 1] += slope;
        }
        (span, values)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn basis_functions_sum_to_one_and_their_slopes_to_nought() {
        for inner in [vec![], vec![0.5], vec![0.1, 0.35, 0.8]] {
            let knots = Knots::new(&inner);
            for k in 0..=40 {
                let u = f64::from(k) / 40.0;
                let (span, values) = knots.basis(u);
                let (_, slopes) = knots.basis_slopes(u);
                assert!((values.iter().sum::<f64>() - 1.0).abs() < 1e-12);
                assert!(slopes.iter().sum::<f64>().abs() < 1e-12);
                let (next, near) = knots.basis(u + 1e-6);
                if next == span {
                    for i in 0..4 {
                        assert!((near[i] - values[i] - 1e-6 * slopes[i]).abs() < 1e-9);
                    }
                }
            }
        }
    }
}
