//! From crossings, some of them poor, to a smooth closed curve.

use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use super::corners::Place;
use super::crossing::Crossing;
use crate::units::MatPoint;

/// Line contrast (log units) at which a crossing's weight has fallen to a half.
const LINE_HALF: f32 = 0.25;

/// Weight of a crossing however strong the line beside it: better than none.
const LEAST_WEIGHT: f64 = 0.05;

/// Standard deviations of the smoothing window, points: as narrow as the weights inside allow.
const WINDOWS: [f64; 3] = [1.5, 3.0, 6.0];

/// Weight (of whole points) that a window must hold.
const ENOUGH: f64 = 2.0;

/// Every crossing's place with its weight: none where there is no crossing, less beside printed lines.
pub(crate) fn places(points: &[MatPoint], normals: &[Vector2<f64>], crossings: &[Option<Crossing>]) -> Vec<Place> {
    let offsets = median_filtered(crossings);
    (0..points.len())
        .map(|i| match (offsets[i], &crossings[i]) {
            (Some(o), Some(c)) => {
                (points[i] + normals[i] * o, LEAST_WEIGHT.max(1.0 / (1.0 + f64::from(c.line / LINE_HALF).powi(4))))
            }
            _ => (points[i], 0.0),
        })
        .collect()
}

/// Fits a quadratic to the places' coordinates about every point; the given point where too few are known.
pub(crate) fn fit(points: &[MatPoint], places: &[Place]) -> Vec<MatPoint> {
    let at = |i| local_quadratic(places, i).unwrap_or(points[i]);
    (0..points.len()).into_par_iter().with_min_len(256).map(at).collect()
}

/// Median of five neighbouring crossings.
fn median_filtered(crossings: &[Option<Crossing>]) -> Vec<Option<f64>> {
    let n = crossings.len();
    (0..n)
        .map(|i| {
            crossings[i].as_ref()?;
            let mut around: Vec<f64> = (0..5).filter_map(|k| crossings[(i + n + k - 2) % n].map(|c| c.at_mm)).collect();
            around.sort_by(f64::total_cmp);
            around.get(around.len() / 2).copied()
        })
        .collect()
}

fn local_quadratic(places: &[Place], i: usize) -> Option<MatPoint> {
    for sigma in WINDOWS {
        if let Some(at) = quadratic_at(places, i, sigma) {
            return Some(at);
        }
    }
    None
}

fn quadratic_at(places: &[Place], i: usize, sigma: f64) -> Option<MatPoint> {
    let n = places.len() as i64;
    let reach = (2.5 * sigma).ceil() as i64;
    let (mut a, mut bx, mut by) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
    let (mut left, mut right) = (0.0, 0.0);
    for k in -reach..=reach {
        let (p, w) = places[(i as i64 + k).rem_euclid(n) as usize];
        let t = k as f64 / sigma;
        let w = w * (-0.5 * t * t).exp();
        let row = Vector3::new(1.0, t, t * t);
        a += row * row.transpose() * w;
        bx += row * (w * p.x);
        by += row * (w * p.y);
        if k <= 0 {
            left += w;
        }
        if k >= 0 {
            right += w;
        }
    }
    if left < 0.4 * ENOUGH || right < 0.4 * ENOUGH || left + right < ENOUGH {
        return None;
    }
    let inverse = (a + Matrix3::identity() * 1e-6).try_inverse()?;
    let first = inverse.row(0);
    Some(MatPoint::new((first * bx).x, (first * by).x))
}
