//! Parabolas by least squares, as the outline's neighbours lie on one.

use nalgebra::{Matrix3, Vector3};

/// The parabola of least weighted squares through (along, across); constant, slope and bend.
pub(super) fn through(points: &[(f64, f64)], weight: impl Fn(&(f64, f64)) -> f64) -> Option<Vector3<f64>> {
    let (mut a, mut b) = (Matrix3::identity() * 1e-6, Vector3::zeros());
    for p in points {
        let w = weight(p);
        let row = powers(p.0);
        a += row * row.transpose() * w;
        b += row * (w * p.1);
    }
    Some(a.try_inverse()? * b)
}

/// How far across a parabola lies, so far along.
pub(super) fn at(parabola: &Vector3<f64>, along: f64) -> f64 {
    parabola.dot(&powers(along))
}

fn powers(along: f64) -> Vector3<f64> {
    Vector3::new(1.0, along, along * along)
}
