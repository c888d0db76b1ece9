//! The forward model in numbers near one: where a mat line falls in the photo, and how that moves
//! with each parameter.
//!
//! The residual of a sighting is the distance in pixels, across the line, between the point seen and
//! the predicted (curved) image of its mat line. The point of the line nearest to the one seen is a
//! nuisance and is solved for; at that point the derivative of the distance is just the normal
//! component of the prediction's derivative (envelope theorem), so the Jacobian below is exact.

use nalgebra::{Matrix2, Matrix3, SVector, Vector2};

use super::{Camera, Lens};
use crate::reference::Axis;
use crate::reference::grid::GridSighting;
use crate::units::{ImagePoint, MatPoint};

/// Eight entries of the homography (row by row, the ninth is 1), k1, k2.
pub(super) const PARAMS: usize = 10;
/// Place of k1 among the parameters.
pub(super) const K1: usize = 8;
/// Place of k2 among the parameters.
pub(super) const K2: usize = 9;
/// A set of parameters.
pub(super) type Params = SVector<f64, PARAMS>;

/// The units in which the parameters are near one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    /// Centre of the photo, taken as that of the lens.
    pub centre: ImagePoint,
    /// Pixels to one image unit.
    pub scale_px: f64,
    /// Middle of what was seen.
    pub mat_centre: MatPoint,
    /// Millimetres to one mat unit.
    pub unit_mm: f64,
}

/// One sighting in the frame's units.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    /// Point seen.
    pub seen: Vector2<f64>,
    /// Which coordinate is known.
    pub axis: Axis,
    /// The known coordinate.
    pub known: f64,
    /// The other one, roughly.
    pub along: f64,
    /// Which line, numbered through both families from zero.
    pub line: usize,
}

/// A prediction with its derivatives by mat place and by parameter.
pub(super) struct Projection {
    /// Image point, frame units.
    pub image: Vector2<f64>,
    /// Its derivative by the mat point (columns: by x, by y).
    pub by_mat: Matrix2<f64>,
    ideal: Vector2<f64>,
    bend: Matrix2<f64>,
    depth: f64,
    mat: Vector2<f64>,
}

/// A residual with its derivative.
#[derive(Debug, Clone, Copy)]
pub(super) struct Residual {
    /// Distance across the line, pixels.
    pub px: f64,
    /// Pixels by parameter.
    pub by_params: Params,
    /// Pixels across the line to one millimetre across it.
    pub px_per_mm: f64,
}

impl Frame {
    /// The frame for a photo of a size and the sightings in it; `None` where they have no extent.
    pub(super) fn new(size: (u32, u32), scale_px: f64, sighting: &GridSighting) -> Option<Self> {
        let centre = ImagePoint::new(0.5 * (f64::from(size.0) - 1.0), 0.5 * (f64::from(size.1) - 1.0));
        let [px, py] = sighting.pitch_mm;
        let range = |axis: Axis, pitch: f64| {
            let of = sighting.sides.iter().filter(|s| s.axis == axis).map(|s| f64::from(s.index) * pitch);
            of.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (range(Axis::X, px), range(Axis::Y, py));
        let unit_mm = 0.25 * ((x1 - x0) + (y1 - y0));
        let mat_centre = MatPoint::new(0.5 * (x0 + x1), 0.5 * (y0 + y1));
        let usable = unit_mm > 0.0 && unit_mm.is_finite() && mat_centre.is_finite() && scale_px > 0.0;
        usable.then_some(Self { centre, scale_px, mat_centre, unit_mm })
    }

    /// The sightings in this frame's units, and how many lines of each family there are.
    pub(super) fn sides(&self, sighting: &GridSighting) -> (Vec<Side>, [usize; 2]) {
        let lines = |axis: Axis| {
            let mut of: Vec<i32> = sighting.sides.iter().filter(|s| s.axis == axis).map(|s| s.index).collect();
            of.sort_unstable();
            of.dedup();
            of
        };
        let (xs, ys) = (lines(Axis::X), lines(Axis::Y));
        let [px, py] = sighting.pitch_mm;
        let sides = sighting.sides.iter().map(|s| {
            let x = |cells: f64| (cells * px - self.mat_centre.x) / self.unit_mm;
            let y = |cells: f64| (cells * py - self.mat_centre.y) / self.unit_mm;
            let index = f64::from(s.index);
            let (known, along, line) = match s.axis {
                Axis::X => (x(index), y(s.along), xs.partition_point(|&i| i < s.index)),
                Axis::Y => (y(index), x(s.along), xs.len() + ys.partition_point(|&i| i < s.index)),
            };
            Side { seen: (s.at - self.centre) / self.scale_px, axis: s.axis, known, along, line }
        });
        (sides.collect(), [xs.len(), ys.len()])
    }

    /// A mat point in frame units.
    pub(super) fn mat_units(&self, mat: MatPoint) -> Vector2<f64> {
        (mat - self.mat_centre) / self.unit_mm
    }

    /// The parameters of a plane map (image pixels from mat mm) without lens terms.
    pub(super) fn params(&self, image_from_mat: &Matrix3<f64>) -> Option<Params> {
        let s = self.scale_px;
        let norm_from_image =
            Matrix3::new(1.0 / s, 0.0, -self.centre.x / s, 0.0, 1.0 / s, -self.centre.y / s, 0.0, 0.0, 1.0);
        let h = norm_from_image * image_from_mat * self.mat_from_units();
        let h = h / h[(2, 2)];
        let p = Params::from_row_slice(&[
            h[(0, 0)],
            h[(0, 1)],
            h[(0, 2)],
            h[(1, 0)],
            h[(1, 1)],
            h[(1, 2)],
            h[(2, 0)],
            h[(2, 1)],
            0.0,
            0.0,
        ]);
        p.iter().all(|v| v.is_finite()).then_some(p)
    }

    /// The camera that the parameters stand for.
    pub(super) fn camera(&self, p: &Params) -> Option<Camera> {
        let s = self.scale_px;
        let image_from_norm = Matrix3::new(s, 0.0, self.centre.x, 0.0, s, self.centre.y, 0.0, 0.0, 1.0);
        let map = image_from_norm * plane(p) * self.mat_from_units().try_inverse()?;
        let lens = Lens { centre: self.centre, scale_px: s, k1: p[K1], k2: p[K2] };
        let map = map / map[(2, 2)];
        map.iter().all(|v| v.is_finite()).then_some(())?;
        Camera::new(map, lens)
    }

    fn mat_from_units(&self) -> Matrix3<f64> {
        let (u, c) = (self.unit_mm, self.mat_centre);
        Matrix3::new(u, 0.0, c.x, 0.0, u, c.y, 0.0, 0.0, 1.0)
    }

    /// Moves each side's place along its line to the point nearest to the one seen: a better start.
    pub(super) fn settle(&self, p: &Params, sides: &mut [Side]) {
        for side in sides {
            side.along = foot(p, side).along;
        }
    }

    /// The residual of a sighting, with everything the solver needs.
    pub(super) fn residual(&self, p: &Params, side: &Side) -> Residual {
        let Foot { at, tangent, .. } = foot(p, side);
        let n = Vector2::new(-tangent.y, tangent.x) / tangent.norm();
        let across = match side.axis {
            Axis::X => n.dot(&at.by_mat.column(0)),
            Axis::Y => n.dot(&at.by_mat.column(1)),
        };
        Residual {
            px: self.scale_px * n.dot(&(side.seen - at.image)),
            by_params: at.by_params(&n) * -self.scale_px,
            px_per_mm: across.abs() * self.scale_px / self.unit_mm,
        }
    }
}

/// The homography in frame units.
pub(super) fn plane(p: &Params) -> Matrix3<f64> {
    Matrix3::new(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], 1.0)
}

/// Where the mat point goes, and how.
pub(super) fn project(p: &Params, mat: Vector2<f64>) -> Projection {
    let depth = p[6] * mat.x + p[7] * mat.y + 1.0;
    let ideal = Vector2::new(p[0] * mat.x + p[1] * mat.y + p[2], p[3] * mat.x + p[4] * mat.y + p[5]) / depth;
    let r2 = ideal.norm_squared();
    let gain = 1.0 + r2 * (p[K1] + r2 * p[K2]);
    let bend = Matrix2::identity() * gain + ideal * ideal.transpose() * (2.0 * p[K1] + 4.0 * r2 * p[K2]);
    let flat = Matrix2::new(p[0] - ideal.x * p[6], p[1] - ideal.x * p[7], p[3] - ideal.y * p[6], p[4] - ideal.y * p[7])
        / depth;
    Projection { image: ideal * gain, by_mat: bend * flat, ideal, bend, depth, mat }
}

impl Projection {
    /// Derivative by the parameters of the image point's component along `n`.
    pub(super) fn by_params(&self, n: &Vector2<f64>) -> Params {
        let c = self.bend.transpose() * n / self.depth;
        let (x, y) = (self.mat.x, self.mat.y);
        let fall = -(c.dot(&self.ideal));
        let r2 = self.ideal.norm_squared();
        let out = n.dot(&self.ideal) * r2;
        Params::from_row_slice(&[c.x * x, c.x * y, c.x, c.y * x, c.y * y, c.y, fall * x, fall * y, out, out * r2])
    }
}

/// The point of a mat line nearest to where it was seen.
struct Foot {
    at: Projection,
    tangent: Vector2<f64>,
    along: f64,
}

fn foot(p: &Params, side: &Side) -> Foot {
    let mut foot = foot_at(p, side, side.along);
    for _ in 0..5 {
        let step = foot.tangent.dot(&(side.seen - foot.at.image)) / foot.tangent.norm_squared();
        // A hundred-thousandth of the mat's half along the line: the line bends away by under 1e-6 px there.
        if !step.is_finite() || step.abs() < 1e-5 {
            break;
        }
        foot = foot_at(p, side, foot.along + step);
    }
    foot
}

fn foot_at(p: &Params, side: &Side, along: f64) -> Foot {
    let (mat, column) = match side.axis {
        Axis::X => (Vector2::new(side.known, along), 1),
        Axis::Y => (Vector2::new(along, side.known), 0),
    };
    let at = project(p, mat);
    let tangent = at.by_mat.column(column).into();
    Foot { at, tangent, along }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn some_params() -> impl Strategy<Value = Params> {
        (prop::array::uniform8(-1.0..1.0f64), -0.2..0.2f64, -0.1..0.1f64).prop_map(|(a, k1, k2)| {
            Params::from_row_slice(&[
                0.5 + 0.1 * a[0],
                0.2 * a[1],
                0.1 * a[2],
                0.2 * a[3],
                -0.5 + 0.1 * a[4],
                0.1 * a[5],
                0.2 * a[6],
                0.2 * a[7],
                k1,
                k2,
            ])
        })
    }

    proptest! {
        #[test]
        fn jacobian_agrees_with_differences(
            p in some_params(), x in -1.0..1.0f64, y in -1.0..1.0f64, off in -0.01..0.01f64, axis in 0..2,
        ) {
            let frame = Frame { centre: ImagePoint::default(), scale_px: 1000.0, mat_centre: MatPoint::default(), unit_mm: 200.0 };
            let seen = project(&p, Vector2::new(x, y)).image + Vector2::new(off, -0.7 * off);
            let axis = if axis == 0 { Axis::X } else { Axis::Y };
            let (known, along) = if axis == Axis::X { (x, y + 0.05) } else { (y, x - 0.05) };
            let side = Side { seen, axis, known, along, line: 0 };
            let exact = frame.residual(&p, &side);
            // A glancing view, where lens or horizon fold the mat up, is no photo: the usual is 2.5 px a mm here.
            prop_assume!(exact.px_per_mm > 1.0);
            let difference = |i: usize, h: f64| {
                let (mut up, mut down) = (p, p);
                up[i] += h;
                down[i] -= h;
                (frame.residual(&up, &side).px - frame.residual(&down, &side).px) / (2.0 * h)
            };
            for i in 0..PARAMS {
                // Richardson's extrapolation: what is left of the curving is of the fourth order. The foot on the line is
                // found to 1e-6 px, which over these steps is nothing.
                let numeric = (4.0 * difference(i, 1e-4) - difference(i, 2e-4)) / 3.0;
                let size = exact.by_params.norm();
                prop_assert!((numeric - exact.by_params[i]).abs() < 1e-3 * size, "{i}: {numeric} {}", exact.by_params[i]);
            }
            // Moving the mat line by a millimetre moves the residual by px_per_mm.
            let moved = |mm: f64| frame.residual(&p, &Side { known: known + mm / 200.0, ..side }).px;
            let per_mm = (moved(1e-2) - moved(-1e-2)).abs() / 2e-2;
            prop_assert!((per_mm / exact.px_per_mm - 1.0).abs() < 3e-3, "{per_mm} {}", exact.px_per_mm);
        }

        #[test]
        fn camera_and_parameters_say_the_same(p in some_params(), x in -1.0..1.0f64, y in -1.0..1.0f64) {
            let frame = Frame {
                centre: ImagePoint::new(2015.5, 1511.5), scale_px: 3000.0, mat_centre: MatPoint::new(40.0, -7.0), unit_mm: 200.0,
            };
            let camera = frame.camera(&p).unwrap();
            let mat = frame.mat_centre + Vector2::new(x, y) * frame.unit_mm;
            let image = camera.image_from_mat(mat);
            let predicted = project(&p, frame.mat_units(mat)).image * frame.scale_px;
            prop_assert!((image - frame.centre - predicted).norm() < 1e-7);
        }
    }
}
