//! What the plane map is worth at a place: the fit's covariance carried to the mat, the warp that no
//! lens explains, and what extrapolating costs.

use nalgebra::{Matrix2, SMatrix, Vector2};

use super::line_model::{Frame, PARAMS, Params, project};
use super::solve::Square;
use crate::units::MatPoint;

/// The doubt of a plane map over the mat.
#[derive(Debug, Clone)]
pub struct PlaneDoubt {
    frame: Frame,
    params: Params,
    covariance: Square,
    /// Part of the residual that neighbours share: a bent sheet, uneven print, lens terms left out. mm, rms.
    pub warp_mm: f64,
    /// One standard deviation of the references' own size, as a share: it moves places away from the references' middle or
    /// towards it. 0 where that is told apart, as a mat's print is.
    pub size_sigma: f64,
    hull: Vec<MatPoint>,
}

impl PlaneDoubt {
    pub(super) fn new(frame: Frame, params: Params, covariance: Square, warp_mm: f64, hull: Vec<MatPoint>) -> Self {
        Self { frame, params, covariance, warp_mm, size_sigma: 0.0, hull }
    }

    /// The convex hull of the sides used, mm, counter-clockwise: inside, the map is interpolated.
    pub fn hull(&self) -> &[MatPoint] {
        &self.hull
    }

    /// How far a mat point lies outside the hull, mm; 0 inside.
    pub fn beyond_hull_mm(&self, mat: MatPoint) -> f64 {
        let edges = || self.hull.iter().zip(self.hull.iter().cycle().skip(1));
        let outside = edges().any(|(&a, &b)| (b - a).perp(&(mat - a)) < 0.0);
        if !outside {
            return 0.0;
        }
        edges().map(|(&a, &b)| distance_to_stretch(mat, a, b)).fold(f64::INFINITY, f64::min)
    }

    /// One standard deviation of the mat position of an image point seen at `mat`, mm, in its worst
    /// direction, warp, extrapolation and the references' own size included.
    ///
    /// Outside the hull the warp is taken to grow as the square of the way out, in quarters of the
    /// hull's width: what bends a sheet within a width carries on beyond it.
    pub fn position_sigma_mm(&self, mat: MatPoint) -> f64 {
        let covariance = self.position_covariance(mat);
        let half_trace = 0.5 * covariance.trace();
        let spread = (half_trace * half_trace - covariance.determinant()).max(0.0).sqrt();
        let ways = self.beyond_hull_mm(mat) / (0.25 * self.hull_width_mm()).max(1e-9);
        let warp = self.warp_mm * (1.0 + ways * ways);
        let size = self.size_sigma * mat.distance(self.middle());
        (half_trace + spread + warp * warp + size * size).sqrt()
    }

    /// Covariance, mm^2, of the mat position of an image point seen at `mat`, from the fit alone.
    pub fn position_covariance(&self, mat: MatPoint) -> Matrix2<f64> {
        let j = self.position_by_params(mat);
        j * self.covariance * j.transpose()
    }

    /// One standard deviation of the length between the mat points of two image points, as a share of it.
    pub fn length_sigma(&self, a: MatPoint, b: MatPoint) -> f64 {
        let way = b - a;
        let along = way / way.norm();
        let row = along.transpose() * (self.position_by_params(b) - self.position_by_params(a));
        (row * self.covariance * row.transpose())[(0, 0)].max(0.0).sqrt() / way.norm()
    }

    /// Relative standard deviation of length over the hull: the worse of across and up.
    pub fn scale_sigma(&self) -> f64 {
        let rect = crate::flat::MatRect::around(self.hull.iter().copied());
        rect.map_or(f64::INFINITY, |rect| self.scale_sigma_over(rect))
    }

    /// Relative standard deviation of length over a rectangle of the mat: the worse of across and up.
    pub fn scale_sigma_over(&self, rect: crate::flat::MatRect) -> f64 {
        let middle = rect.min.lerp(rect.max, 0.5);
        let across = self.length_sigma(MatPoint::new(rect.min.x, middle.y), MatPoint::new(rect.max.x, middle.y));
        let up = self.length_sigma(MatPoint::new(middle.x, rect.min.y), MatPoint::new(middle.x, rect.max.y));
        across.max(up)
    }

    /// Mat millimetres by parameter, the image point held.
    fn position_by_params(&self, mat: MatPoint) -> SMatrix<f64, 2, PARAMS> {
        let at = project(&self.params, self.frame.mat_units(mat));
        let moves = SMatrix::<f64, 2, PARAMS>::from_rows(&[
            at.by_params(&Vector2::x()).transpose(),
            at.by_params(&Vector2::y()).transpose(),
        ]);
        match at.by_mat.try_inverse() {
            Some(back) => back * moves * -self.frame.unit_mm,
            None => SMatrix::repeat(f64::INFINITY),
        }
    }

    fn middle(&self) -> MatPoint {
        crate::flat::MatRect::around(self.hull.iter().copied()).map_or(MatPoint::default(), |r| r.min.lerp(r.max, 0.5))
    }

    fn hull_width_mm(&self) -> f64 {
        crate::flat::MatRect::around(self.hull.iter().copied()).map_or(0.0, |r| r.width_mm().min(r.height_mm()))
    }
}

fn distance_to_stretch(p: MatPoint, a: MatPoint, b: MatPoint) -> f64 {
    let way = b - a;
    let t = ((p - a).dot(&way) / way.norm_squared().max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    p.distance(a.lerp(b, t))
}

/// The convex hull, counter-clockwise (Andrew's monotone chain, 1979).
pub(super) fn convex_hull(mut points: Vec<MatPoint>) -> Vec<MatPoint> {
    points.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    points.dedup();
    let chain = |points: &mut dyn Iterator<Item = MatPoint>| {
        let mut hull: Vec<MatPoint> = Vec::new();
        for p in points {
            while let [.., a, b] = hull[..] {
                if (b - a).perp(&(p - b)) > 0.0 {
                    break;
                }
                hull.pop();
            }
            hull.push(p);
        }
        hull.pop();
        hull
    };
    let mut hull = chain(&mut points.iter().copied());
    hull.extend(chain(&mut points.iter().rev().copied()));
    hull
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hull_of_a_square_with_clutter() {
        let points = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0), (1.0, 1.0), (0.5, 1.9), (0.0, 0.0)];
        let hull = convex_hull(points.iter().map(|&(x, y)| MatPoint::new(x, y)).collect());
        let corners = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)].map(|(x, y)| MatPoint::new(x, y));
        assert_eq!(hull, corners);
    }
}
