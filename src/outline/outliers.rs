//! Crossings that left the edge for a printed line, a diagonal, a shadow's rim: short bumps that the edge on
//! both sides of them contradicts.

use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use super::crossing::Crossing;
use crate::units::MatPoint;

/// Points either way that judge a point.
const REACH: i64 = 18;

/// A bump is an outlier from this height on, besides four spreads. It is narrow, for most neighbours contradict it: a
/// printed line's, or a loop, a label, a thread, which are no part of the shape; none higher than the largest is met.
const LEAST_MM: f64 = 0.2;
const LARGEST_MM: f64 = 5.0;

/// Share of the neighbours that must agree on the edge's course.
const AGREEMENT: f64 = 0.68;

/// Least spread of crossings about a smooth edge, mm.
const FLOOR_MM: f64 = 0.06;

/// The crossings without those that a robust parabola through their neighbours contradicts.
pub(crate) fn dropped(
    points: &[MatPoint],
    normals: &[Vector2<f64>],
    crossings: Vec<Option<Crossing>>,
) -> Vec<Option<Crossing>> {
    let n = points.len();
    let places: Vec<Option<MatPoint>> =
        (0..n).map(|i| crossings[i].as_ref().map(|c| points[i] + normals[i] * c.at_mm)).collect();
    (0..n).into_par_iter().with_min_len(64).map(|i| if stands_out(&places, i) { None } else { crossings[i] }).collect()
}

fn stands_out(places: &[Option<MatPoint>], i: usize) -> bool {
    let n = places.len() as i64;
    let Some(here) = places[i] else { return false };
    let at = |k: i64| places[(i as i64 + k).rem_euclid(n) as usize];
    let (Some(first), Some(last)) = (at(-REACH).or(at(-REACH + 1)), at(REACH).or(at(REACH - 1))) else { return false };
    let Some(along) = (last - first).try_normalize(1e-6) else { return false };
    let local = |p: MatPoint| {
        let d = p - here;
        (d.dot(&along) / REACH as f64, along.x * d.y - along.y * d.x)
    };
    let around: Vec<(f64, f64)> = (-REACH..=REACH).filter(|k| *k != 0).filter_map(|k| at(k).map(local)).collect();
    // Most points lie amid their neighbours, and the plain fit shows it.
    let plain = parabola(&around, |_| 1.0);
    if plain.is_some_and(|course| course.x.abs() < 0.5 * LEAST_MM) {
        return false;
    }
    let Some((course, spread, agreement)) = robust_parabola(&around) else { return false };
    // The point itself lies at (0, 0).
    let height = course.x.abs();
    agreement >= AGREEMENT && height > LEAST_MM + 4.0 * spread && height <= LARGEST_MM
}

/// A parabola by iteratively reweighted least squares (Tukey's weights): it, its spread, its share of inliers.
fn robust_parabola(points: &[(f64, f64)]) -> Option<(Vector3<f64>, f64, f64)> {
    if points.len() < REACH as usize {
        return None;
    }
    let mut course = Vector3::new(median(points.iter().map(|p| p.1)), 0.0, 0.0);
    let mut spread = 1.0;
    for round in 0..7 {
        let miss = |p: &(f64, f64)| p.1 - course.dot(&Vector3::new(1.0, p.0, p.0 * p.0));
        spread = (1.4826 * median(points.iter().map(|p| miss(p).abs()))).max(FLOOR_MM);
        let gate = if round < 2 { 6.0 } else { 4.0 } * spread;
        let before = course;
        course = parabola(points, |p| (1.0 - (miss(p) / gate).powi(2)).max(0.0).powi(2))?;
        if round >= 2 && (course - before).amax() < 0.01 * FLOOR_MM {
            break;
        }
    }
    let near = |p: &&(f64, f64)| (p.1 - course.dot(&Vector3::new(1.0, p.0, p.0 * p.0))).abs() < 4.0 * spread.min(0.15);
    let agreement = points.iter().filter(near).count() as f64 / points.len() as f64;
    Some((course, spread.min(0.3), agreement))
}

/// The parabola of least weighted squares.
fn parabola(points: &[(f64, f64)], weight: impl Fn(&(f64, f64)) -> f64) -> Option<Vector3<f64>> {
    let (mut a, mut b) = (Matrix3::identity() * 1e-6, Vector3::zeros());
    for p in points {
        let w = weight(p);
        let row = Vector3::new(1.0, p.0, p.0 * p.0);
        a += row * row.transpose() * w;
        b += row * (w * p.1);
    }
    Some(a.try_inverse()? * b)
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
