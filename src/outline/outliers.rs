//! Crossings that left the edge for a printed line, a diagonal, a shadow's rim: short bumps that the edge on
//! both sides of them contradicts.

use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use super::crossing::Crossing;
use super::parabola;
use crate::units::MatPoint;

/// Points either way that judge a point.
const REACH: i64 = 18;

/// A bump is an outlier from this height on, besides four spreads. It is narrow, for most neighbours contradict it: a
/// printed line's, or a loop, a label, a thread, which are no part of the shape; none higher than the largest is met.
const LEAST_MM: f64 = 0.2;
const LARGEST_MM: f64 = 7.0;

/// Share of the neighbours that must agree on the edge's course.
const AGREEMENT: f64 = 0.68;

/// Least spread of crossings about a smooth edge, mm.
const FLOOR_MM: f64 = 0.06;

/// Most of it that excuses a bump, mm.
const LARGEST_SPREAD_MM: f64 = 0.3;

/// Every so many points their scatter is read; a point has the least of so many readings either way, which reach as far as a
/// corner spoils them.
const SCATTER_STRIDE: usize = 6;
const SCATTER_NEAR: usize = 4;

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

/// How far the crossings scatter about a smooth edge near every point, mm: a standard deviation. At corners that of the
/// smoother side; 0 where there are too few.
pub(crate) fn scatter(points: &[MatPoint], normals: &[Vector2<f64>], crossings: &[Option<Crossing>]) -> Vec<f64> {
    let n = points.len();
    let spread = |segment: usize| {
        let i = (segment * SCATTER_STRIDE).min(n - 1);
        let along = Vector2::new(-normals[i].y, normals[i].x);
        let at = |k: i64| (i as i64 + k).rem_euclid(n as i64) as usize;
        let around: Vec<(f64, f64)> = (-REACH..=REACH)
            .filter_map(|k| crossings[at(k)].map(|c| points[at(k)] + normals[at(k)] * c.at_mm - points[i]))
            .map(|d| (d.dot(&along) / REACH as f64, d.dot(&normals[i])))
            .collect();
        robust_parabola(&around).map(|(_, spread, _)| spread)
    };
    let spreads: Vec<Option<f64>> = (0..n.div_ceil(SCATTER_STRIDE)).into_par_iter().map(spread).collect();
    let m = spreads.len();
    let least = |i: usize| {
        let near =
            (0..=2 * SCATTER_NEAR).filter_map(|k| spreads[(i / SCATTER_STRIDE + m + k - SCATTER_NEAR.min(m)) % m]);
        near.fold(f64::INFINITY, f64::min)
    };
    (0..n).map(least).map(|s| if s.is_finite() { s } else { 0.0 }).collect()
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
    let plain = parabola::through(&around, |_| 1.0);
    if plain.is_some_and(|course| course.x.abs() < 0.5 * LEAST_MM) {
        return false;
    }
    let Some((course, spread, agreement)) = robust_parabola(&around) else { return false };
    // The point itself lies at (0, 0).
    let height = course.x.abs();
    agreement >= AGREEMENT && height > LEAST_MM + 4.0 * spread.min(LARGEST_SPREAD_MM) && height <= LARGEST_MM
}

/// A parabola by iteratively reweighted least squares (Tukey's weights): it, its spread, its share of inliers.
fn robust_parabola(points: &[(f64, f64)]) -> Option<(Vector3<f64>, f64, f64)> {
    if points.len() < REACH as usize {
        return None;
    }
    let mut course = Vector3::new(median(points.iter().map(|p| p.1)), 0.0, 0.0);
    let mut spread = 1.0;
    for round in 0..7 {
        let miss = |p: &(f64, f64)| p.1 - parabola::at(&course, p.0);
        spread = (1.4826 * median(points.iter().map(|p| miss(p).abs()))).max(FLOOR_MM);
        let gate = if round < 2 { 6.0 } else { 4.0 } * spread;
        let before = course;
        course = parabola::through(points, |p| (1.0 - (miss(p) / gate).powi(2)).max(0.0).powi(2))?;
        if round >= 2 && (course - before).amax() < 0.01 * FLOOR_MM {
            break;
        }
    }
    let near = |p: &&(f64, f64)| (p.1 - parabola::at(&course, p.0)).abs() < 4.0 * spread.min(0.15);
    let agreement = points.iter().filter(near).count() as f64 / points.len() as f64;
    Some((course, spread, agreement))
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    /// A square of 120 points a side, 0.9 mm apart, with crossings that scatter about it on two of its sides.
    fn square(scatter_mm: f64) -> (Vec<MatPoint>, Vec<Vector2<f64>>, Vec<Option<Crossing>>) {
        let mut random = Random(11);
        let side = 108.0;
        let (mut points, mut normals, mut crossings) = (Vec::new(), Vec::new(), Vec::new());
        for i in 0..480 {
            let along = 0.9 * f64::from(i % 120);
            let (p, n) = match i / 120 {
                0 => ((along, 0.0), (0.0, -1.0)),
                1 => ((side, along), (1.0, 0.0)),
                2 => ((side - along, side), (0.0, 1.0)),
                _ => ((0.0, side - along), (-1.0, 0.0)),
            };
            points.push(MatPoint::new(p.0, p.1));
            normals.push(Vector2::new(n.0, n.1));
            let at_mm = if i < 240 { scatter_mm * random.normal() } else { 0.0 };
            crossings.push(Some(Crossing { at_mm, width_mm: 0.5, line: 0.0 }));
        }
        (points, normals, crossings)
    }

    #[test]
    fn crossings_scatter_where_they_are_noisy_and_not_at_corners() {
        let (points, normals, crossings) = square(0.4);
        let scatter = scatter(&points, &normals, &crossings);
        let noisy = &scatter[45..195];
        let mean = noisy.iter().sum::<f64>() / noisy.len() as f64;
        assert!((0.25..0.45).contains(&mean), "{mean}");
        assert!(scatter[290..430].iter().all(|s| *s <= FLOOR_MM));
    }

    #[test]
    fn nothing_scatters_where_nothing_is_crossed() {
        let (points, normals, _) = square(0.0);
        assert!(scatter(&points, &normals, &vec![None; points.len()]).iter().all(|s| *s == 0.0));
    }
}
