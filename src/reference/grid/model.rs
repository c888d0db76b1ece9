//! Where a lattice's crossings and lines are seen: plane map and radial lens, fitted to cell sides.
//!
//! Index coordinates (a, b) count cells: the line a = 3 is the third of the first family and runs
//! along b. The model is that of [`crate::camera`]; its lens radius is 1 at half the photo's diagonal.
//! The fit is Gauss-Newton with Marquardt damping over distances of measured sides from their model
//! line, reweighted (Cauchy) with a scale that starts wide and narrows, because a redescending
//! loss that starts narrow can drop a whole family.

use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector2};
use rayon::prelude::*;

use crate::camera::Lens;
use crate::units::ImagePoint;

/// Sides a thread works on at a time; fixed, so that sums round alike on any machine.
const CHUNK: usize = 128;

/// What comes of every chunk, in order; few sides are not worth a second thread.
fn in_chunks<T: Send>(sides: &[OnLine], work: impl Fn(&[OnLine]) -> T + Sync + Send) -> Vec<T> {
    if sides.len() <= CHUNK { vec![work(sides)] } else { sides.par_chunks(CHUNK).map(work).collect() }
}

/// Number of parameters: eight of the plane map, then k1 and k2.
pub const TERMS: usize = 10;

/// Covariance of the model's parameters.
pub type Covariance = SMatrix<f64, TERMS, TERMS>;
type Row = SVector<f64, TERMS>;

/// An evenly spaced lattice near one place of the photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalLattice {
    /// One crossing.
    pub origin: ImagePoint,
    /// From a crossing to the next of the first index, px.
    pub u: Vector2<f64>,
    /// From a crossing to the next of the second index, px.
    pub v: Vector2<f64>,
}

/// Which parameters are let free.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Freedom {
    /// Six: parallel lines stay parallel.
    Affine,
    /// Eight: a plane seen in perspective.
    Homography,
    /// Nine: and k1.
    Radial,
    /// Ten: and k2.
    Radial2,
}

impl Freedom {
    fn is_free(self, term: usize) -> bool {
        match self {
            Self::Affine => term < 6,
            Self::Homography => term < 8,
            Self::Radial => term < 9,
            Self::Radial2 => true,
        }
    }
}

/// One measured place on a lattice line.
#[derive(Debug, Clone, Copy)]
pub struct OnLine {
    /// 0: the line a = `line`; 1: the line b = `line`.
    pub family: usize,
    /// Index of the line.
    pub line: f64,
    /// Rough place along it, cells.
    pub along: f64,
    /// Where it was seen.
    pub at: ImagePoint,
}

/// What a fit is worth.
#[derive(Debug, Clone, Copy)]
pub struct FitQuality {
    /// Robust standard deviation of the distances, px.
    pub sigma_px: f64,
    /// Inverse of the weighted normal matrix; times a variance it is the covariance.
    pub spread: Covariance,
}

/// The lattice as seen in the whole photo.
#[derive(Debug, Clone)]
pub struct LatticeModel {
    /// h11 h12 h13 h21 h22 h23 h31 h32 (h33 = 1), from (a, b, 1) to (ideal pixel - centre) / scale; k1; k2.
    terms: [f64; TERMS],
    centre: ImagePoint,
    scale_px: f64,
}

impl LatticeModel {
    /// The affine model of a local lattice in a photo of a given size.
    pub fn from_local(local: &LocalLattice, width: u32, height: u32) -> Self {
        let centre = ImagePoint::new((f64::from(width) - 1.0) / 2.0, (f64::from(height) - 1.0) / 2.0);
        let scale_px = f64::from(width).hypot(f64::from(height)) / 2.0;
        let o = (local.origin - centre) / scale_px;
        let (u, v) = (local.u / scale_px, local.v / scale_px);
        Self { terms: [u.x, v.x, o.x, u.y, v.y, o.y, 0.0, 0.0, 0.0, 0.0], centre, scale_px }
    }

    /// The lens terms (radius 1 at half the diagonal).
    pub fn lens(&self) -> Lens {
        Lens { centre: self.centre, scale_px: self.scale_px, k1: self.terms[8], k2: self.terms[9] }
    }

    /// The plane map alone: ideal image pixels from index coordinates.
    pub fn undistorted_from_index(&self) -> Matrix3<f64> {
        let t = &self.terms;
        let pixels = Matrix3::new(self.scale_px, 0.0, self.centre.x, 0.0, self.scale_px, self.centre.y, 0.0, 0.0, 1.0);
        pixels * Matrix3::new(t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7], 1.0)
    }

    /// Where the crossing (a, b) is seen (fractional indices allowed).
    pub fn image_from_index(&self, a: f64, b: f64) -> ImagePoint {
        let (p, _) = self.ideal(a, b);
        let r2 = p.norm_squared();
        self.centre + p * (self.scale_px * (1.0 + r2 * (self.terms[8] + r2 * self.terms[9])))
    }

    /// Ideal offset from the centre in units of the scale, and the projective denominator.
    fn ideal(&self, a: f64, b: f64) -> (Vector2<f64>, f64) {
        let t = &self.terms;
        let w = t[6] * a + t[7] * b + 1.0;
        (Vector2::new((t[0] * a + t[1] * b + t[2]) / w, (t[3] * a + t[4] * b + t[5]) / w), w)
    }

    /// Is the crossing in front of the camera and inside the lens' one-to-one radius?
    pub fn is_regular(&self, a: f64, b: f64) -> bool {
        let (p, w) = self.ideal(a, b);
        let r2 = p.norm_squared();
        w > 0.05 && 1.0 + r2 * (3.0 * self.terms[8] + 5.0 * r2 * self.terms[9]) > 0.2
    }

    fn lens_jacobian(&self, p: Vector2<f64>) -> Matrix2<f64> {
        let r2 = p.norm_squared();
        let (k1, k2) = (self.terms[8], self.terms[9]);
        let radial = 1.0 + r2 * (k1 + r2 * k2);
        Matrix2::identity() * radial + p * p.transpose() * (2.0 * k1 + 4.0 * k2 * r2)
    }

    /// Steps from (a, b) to the next crossing in a and in b, px, as the columns of a matrix.
    pub fn steps(&self, a: f64, b: f64) -> Matrix2<f64> {
        let (p, w) = self.ideal(a, b);
        let t = &self.terms;
        let da = Vector2::new(t[0] - p.x * t[6], t[3] - p.y * t[6]) / w;
        let db = Vector2::new(t[1] - p.x * t[7], t[4] - p.y * t[7]) / w;
        self.lens_jacobian(p) * Matrix2::from_columns(&[da, db]) * self.scale_px
    }

    /// The index coordinates seen at a place of the photo; `None` where the map cannot be inverted.
    pub fn index_from_image(&self, at: ImagePoint) -> Option<Vector2<f64>> {
        let p = (self.lens().undistort(at) - self.centre) / self.scale_px;
        let t = &self.terms;
        let m = Matrix2::new(t[0] - p.x * t[6], t[1] - p.x * t[7], t[3] - p.y * t[6], t[4] - p.y * t[7]);
        m.lu().solve(&Vector2::new(p.x - t[2], p.y - t[5]))
    }

    /// Distance of a measured place from its line (px, positive towards higher index) and the row of
    /// derivatives of the line's position with respect to the terms.
    fn distance_row(&self, o: &OnLine) -> (f64, Row) {
        let (a, b) = if o.family == 0 { (o.line, o.along) } else { (o.along, o.line) };
        let (p, w) = self.ideal(a, b);
        let normal = self.line_normal(o.family, a, b);
        let g = self.lens_jacobian(p).transpose() * normal * (self.scale_px / w);
        let radial = normal.dot(&p) * self.scale_px;
        let r2 = p.norm_squared();
        let gp = -g.dot(&p);
        let row = Row::from_column_slice(&[
            g.x * a,
            g.x * b,
            g.x,
            g.y * a,
            g.y * b,
            g.y,
            gp * a,
            gp * b,
            radial * r2,
            radial * r2 * r2,
        ]);
        (normal.dot(&(o.at - self.image_from_index(a, b))), row)
    }

    /// Unit normal, in the photo, of the family's line through (a, b), towards higher index.
    pub fn line_normal(&self, family: usize, a: f64, b: f64) -> Vector2<f64> {
        let steps = self.steps(a, b);
        let along = steps.column(1 - family);
        let across = steps.column(family);
        let n = Vector2::new(-along.y, along.x).normalize();
        if n.dot(&across) < 0.0 { -n } else { n }
    }

    /// Distance of a measured place from its line, px.
    pub fn distance(&self, o: &OnLine) -> f64 {
        let (a, b) = if o.family == 0 { (o.line, o.along) } else { (o.along, o.line) };
        self.line_normal(o.family, a, b).dot(&(o.at - self.image_from_index(a, b)))
    }

    /// Standard deviation of the predicted position of a line across itself, px.
    pub fn predicted_sigma(&self, family: usize, line: f64, along: f64, covariance: &Covariance) -> f64 {
        let (a, b) = if family == 0 { (line, along) } else { (along, line) };
        let o = OnLine { family, line, along, at: self.image_from_index(a, b) };
        let (_, row) = self.distance_row(&o);
        row.dot(&(covariance * row)).max(0.0).sqrt()
    }

    /// Fits the free terms to the sides.
    ///
    /// `start_scale_px` is the loss' first scale; it narrows to 2.5 robust sigmas, never below 0.05 px.
    /// `None` if the sides do not determine the terms.
    pub fn fit(&mut self, sides: &[OnLine], freedom: Freedom, start_scale_px: f64) -> Option<FitQuality> {
        let mut scale = start_scale_px;
        let mut damping = 1e-6;
        let mut spread = Covariance::zeros();
        let mut last_cost = f64::INFINITY;
        let mut settled = 0;
        for _ in 0..30 {
            let (normal, gradient, cost) = self.normal_equations(sides, freedom, scale);
            let (step, inverse) = solve(&normal, &gradient, damping)?;
            spread = inverse;
            let before = self.terms;
            for (term, by) in self.terms.iter_mut().zip(step.iter()) {
                *term += by;
            }
            let after = self.cost(sides, scale);
            if !after.is_finite() || after > cost * (1.0 + 1e-9) {
                self.terms = before;
                damping = (damping * 30.0_f64).max(1e-6);
                if damping > 1e3 {
                    break;
                }
                continue;
            }
            damping = (damping / 10.0).max(1e-12);
            let narrower = (2.5 * self.robust_sigma(sides)).max(0.05).min(scale);
            let still = (last_cost - after).abs() < 1e-4 * after && narrower > 0.9 * scale;
            settled = if still { settled + 1 } else { 0 };
            scale = narrower;
            last_cost = after;
            if settled >= 2 {
                break;
            }
        }
        Some(FitQuality { sigma_px: self.robust_sigma(sides), spread })
    }

    fn normal_equations(&self, sides: &[OnLine], freedom: Freedom, scale: f64) -> (Covariance, Row, f64) {
        let parts = in_chunks(sides, |sides| self.part_of_normal(sides, freedom, scale));
        parts.into_iter().fold((Covariance::zeros(), Row::zeros(), 0.0), |sum, part| {
            (sum.0 + part.0, sum.1 + part.1, sum.2 + part.2)
        })
    }

    fn part_of_normal(&self, sides: &[OnLine], freedom: Freedom, scale: f64) -> (Covariance, Row, f64) {
        let mut normal = Covariance::zeros();
        let mut gradient = Row::zeros();
        let mut cost = LogProduct::default();
        for o in sides {
            let (r, mut row) = self.distance_row(o);
            for term in 6..TERMS {
                if !freedom.is_free(term) {
                    row[term] = 0.0;
                }
            }
            let q = (r / scale) * (r / scale);
            let weight = 1.0 / (1.0 + q);
            cost.add(1.0 + q);
            gradient += row * (weight * r);
            normal.ger(weight, &row, &row, 1.0);
        }
        (normal, gradient, cost.ln())
    }

    fn cost(&self, sides: &[OnLine], scale: f64) -> f64 {
        let part = |sides: &[OnLine]| {
            let mut cost = LogProduct::default();
            sides.iter().for_each(|o| cost.add(1.0 + (self.distance(o) / scale).powi(2)));
            cost.ln()
        };
        in_chunks(sides, part).into_iter().sum()
    }

    /// 1.4826 x the median absolute distance, px.
    pub fn robust_sigma(&self, sides: &[OnLine]) -> f64 {
        let distances = |sides: &[OnLine]| sides.iter().map(|o| self.distance(o).abs()).collect::<Vec<f64>>();
        let mut distances = in_chunks(sides, distances).concat();
        if distances.is_empty() {
            return 0.0;
        }
        let middle = distances.len() / 2;
        let (_, median, _) = distances.select_nth_unstable_by(middle, f64::total_cmp);
        1.4826 * *median
    }

    /// The same lattice counted in cells `n` times finer (or coarser for n < 1) from crossing `phase`.
    ///
    /// The new index is `n * (old - phase)`.
    pub fn recounted(&self, n: f64, phase: Vector2<f64>) -> Self {
        self.reindexed(&Matrix2::new(1.0 / n, 0.0, 0.0, 1.0 / n), phase)
    }

    /// The same lattice under old index = `turn` * new index + `shift`.
    pub fn reindexed(&self, turn: &Matrix2<f64>, shift: Vector2<f64>) -> Self {
        let t = &self.terms;
        let h = nalgebra::Matrix3::new(t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7], 1.0);
        let map = nalgebra::Matrix3::new(
            turn[(0, 0)],
            turn[(0, 1)],
            shift.x,
            turn[(1, 0)],
            turn[(1, 1)],
            shift.y,
            0.0,
            0.0,
            1.0,
        );
        let h = h * map;
        let h = h / h[(2, 2)];
        let terms =
            [h[(0, 0)], h[(0, 1)], h[(0, 2)], h[(1, 0)], h[(1, 1)], h[(1, 2)], h[(2, 0)], h[(2, 1)], t[8], t[9]];
        Self { terms, centre: self.centre, scale_px: self.scale_px }
    }
}

/// A sum of logarithms with few logarithms taken: the Cauchy loss over thousands of sides.
struct LogProduct {
    product: f64,
    sum: f64,
}

impl Default for LogProduct {
    fn default() -> Self {
        Self { product: 1.0, sum: 0.0 }
    }
}

impl LogProduct {
    fn add(&mut self, factor: f64) {
        self.product *= factor;
        if self.product > 1e100 {
            self.sum += self.product.ln();
            self.product = 1.0;
        }
    }

    fn ln(&self) -> f64 {
        self.sum + self.product.ln()
    }
}

/// Solves the damped normal equations after scaling every term to unit diagonal; fixed terms
/// (zero rows) stay at zero. Returns the step and the undamped inverse.
fn solve(normal: &Covariance, gradient: &Row, damping: f64) -> Option<(Row, Covariance)> {
    let unit = Row::from_fn(|i, _| if normal[(i, i)] > 0.0 { normal[(i, i)].sqrt().recip() } else { 0.0 });
    let scaled = Covariance::from_fn(|i, j| {
        let value = normal[(i, j)] * unit[i] * unit[j];
        if i == j { if unit[i] > 0.0 { value + 1e-12 } else { 1.0 } } else { value }
    });
    let damped = scaled + Covariance::identity() * damping;
    let step = damped.cholesky()?.solve(&gradient.component_mul(&unit)).component_mul(&unit);
    let inverse = scaled.cholesky()?.inverse();
    let inverse = Covariance::from_fn(|i, j| inverse[(i, j)] * unit[i] * unit[j]);
    Some((step, inverse))
}
