//! The plane map from point pairs and from points on known lines: the normalised direct linear
//! transformation (Hartley & Zisserman, *Multiple View Geometry*, 2nd ed., 4.1 and algorithm 4.2).
//!
//! A printed line seen at one place says less than a crossing, but it is what can be measured best
//! and half hidden. It fits the same equations: with G the map mat-from-image and p the image
//! point, "p lies on x = X" is (g1 - X g3) . p = 0, linear in G.
//!
//! No lens terms here: points must be undistorted, or the result is a starting value.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::reference::Axis;
use crate::units::{ImagePoint, MatPoint};

/// An image point known to lie on a mat line `x = at_mm` (axis X) or `y = at_mm` (axis Y).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointOnLine {
    /// The point, in undistorted pixels.
    pub image: ImagePoint,
    /// Which mat coordinate is known.
    pub axis: Axis,
    /// That coordinate, mm.
    pub at_mm: f64,
}

/// The homography image-from-mat through point pairs, exact for four, least algebraic error for more.
///
/// `None` for fewer than four pairs, or where three of four lie on a line, or for values not finite.
pub fn image_from_mat(pairs: &[(MatPoint, ImagePoint)]) -> Option<Matrix3<f64>> {
    let on_lines: Vec<PointOnLine> = pairs
        .iter()
        .flat_map(|&(mat, image)| {
            [PointOnLine { image, axis: Axis::X, at_mm: mat.x }, PointOnLine { image, axis: Axis::Y, at_mm: mat.y }]
        })
        .collect();
    mat_from_image_on_lines(&on_lines)?.try_inverse().map(scaled)
}

/// The homography mat-from-image through points on known mat lines.
///
/// Needs at least eight points; `None` where they leave the map undetermined (one line of an axis
/// does, however often it was seen).
pub fn mat_from_image_on_lines(seen: &[PointOnLine]) -> Option<Matrix3<f64>> {
    if seen.len() < 8 || !seen.iter().all(|s| s.image.is_finite() && s.at_mm.is_finite()) {
        return None;
    }
    let norm_from_image = image_norm(seen)?;
    let norm_from_mat = mat_norm(seen)?;
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for sighting in seen {
        let row = equation(sighting, &norm_from_image, &norm_from_mat);
        normal.ger(1.0, &row, &row, 1.0);
    }
    let g = null_vector(normal, seen.len())?;
    let norm = Matrix3::new(g[0], g[1], g[2], g[3], g[4], g[5], g[6], g[7], g[8]);
    let map = norm_from_mat.try_inverse()? * norm * norm_from_image;
    // A map that turns the plane inside out within the points seen is no photograph of them.
    let side = |s: &PointOnLine| (map * Vector3::new(s.image.x, s.image.y, 1.0)).z;
    let first = side(&seen[0]);
    let one_sided = seen.iter().all(|s| side(s) * first > 0.0);
    (one_sided && map.iter().all(|v| v.is_finite()) && map.try_inverse().is_some()).then(|| scaled(map))
}

/// One row of the design matrix: (g1 - X g3) . p = 0, or the same with g2 and Y.
fn equation(seen: &PointOnLine, norm_from_image: &Matrix3<f64>, norm_from_mat: &Matrix3<f64>) -> SVector<f64, 9> {
    let p = norm_from_image * Vector3::new(seen.image.x, seen.image.y, 1.0);
    let (row, at) = match seen.axis {
        Axis::X => (0, norm_from_mat[(0, 0)] * seen.at_mm + norm_from_mat[(0, 2)]),
        Axis::Y => (3, norm_from_mat[(1, 1)] * seen.at_mm + norm_from_mat[(1, 2)]),
    };
    let mut equation = SVector::<f64, 9>::zeros();
    for i in 0..3 {
        equation[row + i] = p[i];
        equation[6 + i] = -at * p[i];
    }
    equation
}

/// The eigenvector of the least eigenvalue, if the other eight are well away from zero.
fn null_vector(normal: SMatrix<f64, 9, 9>, rows: usize) -> Option<SVector<f64, 9>> {
    let eigen = (normal / rows as f64).symmetric_eigen();
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    let (least, next) = (order[0], order[1]);
    // Squared singular values: 1e-9 is a condition of 3e4, far beyond any real view of a mat.
    (eigen.eigenvalues[next] > 1e-9).then(|| eigen.eigenvectors.column(least).into_owned())
}

/// Centroid to the origin, mean distance to sqrt 2 (H&Z 4.4.4).
fn image_norm(seen: &[PointOnLine]) -> Option<Matrix3<f64>> {
    let n = seen.len() as f64;
    let (x, y) = seen.iter().fold((0.0, 0.0), |(x, y), s| (x + s.image.x / n, y + s.image.y / n));
    let spread = seen.iter().map(|s| (s.image.x - x).hypot(s.image.y - y)).sum::<f64>() / n;
    similarity(x, y, spread / std::f64::consts::SQRT_2)
}

/// As [`image_norm`], each axis from the lines that know it, one scale for both.
fn mat_norm(seen: &[PointOnLine]) -> Option<Matrix3<f64>> {
    let of = |axis| seen.iter().filter(move |s| s.axis == axis).map(|s| s.at_mm);
    let mean = |axis| of(axis).sum::<f64>() / of(axis).count().max(1) as f64;
    let (x, y) = (mean(Axis::X), mean(Axis::Y));
    let spread = |axis, m: f64| of(axis).map(|v| (v - m).abs()).sum::<f64>() / of(axis).count().max(1) as f64;
    similarity(x, y, 0.5 * (spread(Axis::X, x) + spread(Axis::Y, y)))
}

fn similarity(x: f64, y: f64, unit: f64) -> Option<Matrix3<f64>> {
    (unit > 0.0 && unit.is_finite())
        .then(|| Matrix3::new(1.0 / unit, 0.0, -x / unit, 0.0, 1.0 / unit, -y / unit, 0.0, 0.0, 1.0))
}

/// Scaled so that the last entry is 1 where it is not small, else to unit norm.
fn scaled(map: Matrix3<f64>) -> Matrix3<f64> {
    let last = map[(2, 2)];
    if last.abs() > 1e-9 * map.norm() { map / last } else { map / map.norm() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn apply(h: &Matrix3<f64>, x: f64, y: f64) -> (f64, f64) {
        let p = h * Vector3::new(x, y, 1.0);
        (p.x / p.z, p.y / p.z)
    }

    fn pair(mat: (f64, f64), image: (f64, f64)) -> (MatPoint, ImagePoint) {
        (MatPoint::new(mat.0, mat.1), ImagePoint::new(image.0, image.1))
    }

    /// Values computed with numpy and with OpenCV's getPerspectiveTransform, which agree.
    #[test]
    fn four_points_give_the_published_matrix() {
        let h = image_from_mat(&[
            pair((0.0, 0.0), (120.0, 90.0)),
            pair((600.0, 0.0), (1810.0, 140.0)),
            pair((600.0, 400.0), (1700.0, 1330.0)),
            pair((0.0, 400.0), (230.0, 1250.0)),
        ])
        .unwrap();
        let expected = Matrix3::new(
            2.7107976414,
            0.35954439452,
            120.0,
            0.075144568948,
            3.3594804050,
            90.0,
            -5.8491174184e-5,
            3.6758432399e-4,
            1.0,
        );
        for (got, want) in h.iter().zip(expected.iter()) {
            assert!((got - want).abs() <= 1e-8 * want.abs().max(1.0), "{got} for {want}");
        }
        let (x, y) = apply(&h, 300.0, 200.0);
        assert!((x - 951.872340).abs() < 1e-6 && (y - 742.861837).abs() < 1e-6, "{x} {y}");
    }

    /// The published homography between graf1 and graf3 (Mikolajczyk & Schmid's images, H1to3p.xml of OpenCV).
    #[test]
    fn graffiti_pair_comes_back() {
        let published = Matrix3::new(
            0.76285898,
            -0.29922929,
            225.67123,
            0.33443473,
            1.0143901,
            -76.999973,
            3.4663091e-4,
            -1.4364524e-5,
            1.0,
        );
        let places = [(0.0, 0.0), (800.0, 0.0), (800.0, 640.0), (0.0, 640.0), (300.0, 500.0), (620.0, 110.0)];
        let pairs: Vec<_> = places.iter().map(|&(x, y)| pair((x, y), apply(&published, x, y))).collect();
        let h = image_from_mat(&pairs).unwrap();
        for (from, to) in [((0.0, 0.0), (225.67123, -76.99997)), ((400.0, 320.0), (383.63322, 336.29631))] {
            let (x, y) = apply(&h, from.0, from.1);
            assert!((x - to.0).abs() < 1e-5 && (y - to.1).abs() < 1e-5, "{x} {y}");
        }
        let (x, y) = apply(&h, 800.0, 640.0);
        assert!((x - 508.19798).abs() < 1e-5 && (y - 662.21111).abs() < 1e-5, "{x} {y}");
    }

    #[test]
    fn too_little_is_not_a_map() {
        let line: Vec<_> = (0..9).map(|i| pair((f64::from(i), 0.0), (f64::from(i) * 3.0, 7.0))).collect();
        assert_eq!(image_from_mat(&line), None);
        assert_eq!(image_from_mat(&line[..3]), None);
        let three_in_line = [(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (5.0, 0.0)];
        let pairs: Vec<_> = three_in_line.iter().map(|&(x, y)| pair((x, y), (2.0 * x + 1.0, 3.0 * y))).collect();
        assert_eq!(image_from_mat(&pairs), None);
        assert_eq!(image_from_mat(&[pair((f64::NAN, 0.0), (0.0, 0.0)); 4]), None);
        // One line of a family, however often seen, leaves the scale across it open.
        let one_line: Vec<PointOnLine> = (0..40)
            .map(|i| {
                let (axis, at) = if i % 2 == 0 { (Axis::X, 0.0) } else { (Axis::Y, f64::from(i)) };
                let other = f64::from(i * 7 % 40);
                let (x, y) = if axis == Axis::X { (at, other) } else { (other, at) };
                PointOnLine { image: ImagePoint::new(2.0 * x, -2.0 * y), axis, at_mm: at }
            })
            .collect();
        assert_eq!(mat_from_image_on_lines(&one_line), None);
    }

    fn a_view() -> impl Strategy<Value = Matrix3<f64>> {
        let part = -1.0..1.0f64;
        let any = (0.5..6.0f64, part.clone(), part.clone(), part.clone(), part).prop_map(|(s, turn, shear, px, py)| {
            let (sin, cos) = (3.0 * turn).sin_cos();
            Matrix3::new(
                s * cos,
                s * sin + 0.3 * s * shear,
                2000.0,
                s * sin,
                -s * cos,
                1500.0,
                4e-4 * px,
                4e-4 * py,
                1.0,
            )
        });
        any.prop_filter("the mat is seen nearly from its edge", |h| shown_share(h) > 0.05)
    }

    /// How much of a patch about the mat's origin the view shows: the map's stretches there, the less over the greater, about.
    fn shown_share(h: &Matrix3<f64>) -> f64 {
        let slope = |image: usize, mat: usize| h[(image, mat)] - h[(image, 2)] * h[(2, mat)];
        let (a, b, c, d) = (slope(0, 0), slope(0, 1), slope(1, 0), slope(1, 1));
        (a * d - b * c).abs() / (a * a + b * b + c * c + d * d)
    }

    proptest! {
        #[test]
        fn lines_alone_give_the_map_back(h in a_view(), seed in 0u32..1000) {
            let mut seen = Vec::new();
            for i in -4i32..=4 {
                for j in 0..6u32 {
                    let slip = f64::from((seed + 31 * j + 17 * (i + 9) as u32) % 97) / 97.0;
                    let (at, other) = (25.4 * f64::from(i), 25.4 * (f64::from(j) - 3.0 + slip));
                    for (axis, x, y) in [(Axis::X, at, other), (Axis::Y, other, at)] {
                        let (u, v) = apply(&h, x, y);
                        seen.push(PointOnLine { image: ImagePoint::new(u, v), axis, at_mm: at });
                    }
                }
            }
            let g = mat_from_image_on_lines(&seen).unwrap();
            for (x, y) in [(0.0, 0.0), (100.0, -80.0), (-90.0, 60.0)] {
                let (u, v) = apply(&h, x, y);
                let (bx, by) = apply(&g, u, v);
                prop_assert!((bx - x).hypot(by - y) < 1e-6, "{bx} {by} for {x} {y}");
            }
        }

        /// The cross-ratio of four equally spaced points is 4/3 in every view (H&Z 2.5).
        #[test]
        fn cross_ratio_is_kept(h in a_view(), x in -50.0..50.0f64, step in 1.0..40.0f64) {
            let pairs: Vec<_> = [(0.0, 0.0), (90.0, 3.0), (80.0, 70.0), (-10.0, 100.0), (40.0, 40.0)]
                .iter().map(|&(a, b)| pair((a, b), apply(&h, a, b))).collect();
            let h = image_from_mat(&pairs).unwrap();
            let at: Vec<ImagePoint> = (0..4).map(|i| {
                let (u, v) = apply(&h, x + step * f64::from(i), 5.0 - 0.5 * step * f64::from(i));
                ImagePoint::new(u, v)
            }).collect();
            let ratio = at[0].distance(at[2]) * at[1].distance(at[3]) / (at[1].distance(at[2]) * at[0].distance(at[3]));
            prop_assert!((ratio - 4.0 / 3.0).abs() < 1e-8, "{ratio}");
        }
    }
}
