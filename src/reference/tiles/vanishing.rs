//! Directions of families of parallel lines: vanishing points, found by trying pairs of segments
//! (Hartley & Zisserman 8.6; consensus by angle).

use nalgebra::{Matrix3, Vector2, Vector3};

use super::segments::Segment;

/// A segment points to a vanishing point within this angle (sine).
const WITHIN: f64 = 0.02;
/// The same while gathering a family round a refined point: lenses bend lines near the rim.
const WITHIN_LOOSE: f64 = 0.03;
/// Segments tried in pairs.
const TRIED: usize = 60;
/// Families looked for: two of grout, and stripes, boards, shadows.
const FAMILIES: usize = 6;
/// Nearest vanishing point, in long sides of the photo: the floor is seen from above.
const NEAREST: f64 = 1.0;

/// Lines that meet in one vanishing point.
#[derive(Debug, Clone)]
pub(super) struct Family {
    /// The point, homogeneous, pixels about the middle, unit length after scaling by the long side.
    pub point: Vector3<f64>,
    /// Its segments.
    pub segments: Vec<Segment>,
}

/// The families, strongest (longest in all) first.
pub(super) fn families(segments: &[Segment], long_side: f64) -> Vec<Family> {
    let mut rest: Vec<Segment> =
        segments.iter().map(|s| Segment { from: s.from / long_side, to: s.to / long_side }).collect();
    let mut found = Vec::new();
    while found.len() < FAMILIES {
        let Some(point) = best_point(&rest) else { break };
        let point = refined(&point, &rest, WITHIN).unwrap_or(point);
        let point = refined(&point, &rest, WITHIN_LOOSE).unwrap_or(point);
        let (inside, outside): (Vec<_>, Vec<_>) = rest.iter().partition(|s| off(&point, s) < WITHIN_LOOSE);
        if inside.len() < 3 {
            break;
        }
        rest = outside;
        found.push(Family { point, segments: inside });
    }
    found
}

impl Family {
    /// Mean direction in the photo, modulo a half turn.
    pub(super) fn direction(&self) -> Vector2<f64> {
        let d = toward(&self.point, Vector2::zeros());
        d / d.norm().max(1e-12)
    }
}

/// Direction of the vanishing point as seen from a place.
fn toward(point: &Vector3<f64>, from: Vector2<f64>) -> Vector2<f64> {
    point.xy() - from * point.z
}

/// Sine of the angle between a segment and the direction to the point.
fn off(point: &Vector3<f64>, s: &Segment) -> f64 {
    let d = toward(point, s.middle());
    s.direction().perp(&d).abs() / d.norm().max(1e-12)
}

fn line(s: &Segment) -> Vector3<f64> {
    let l = Vector3::new(s.from.x, s.from.y, 1.0).cross(&Vector3::new(s.to.x, s.to.y, 1.0));
    l / l.xy().norm().max(1e-12)
}

fn far_enough(point: &Vector3<f64>) -> bool {
    point.xy().norm() >= NEAREST * point.z.abs()
}

fn best_point(segments: &[Segment]) -> Option<Vector3<f64>> {
    let tried = &segments[..segments.len().min(TRIED)];
    let mut best: Option<(f64, Vector3<f64>)> = None;
    for (i, a) in tried.iter().enumerate() {
        for b in &tried[..i] {
            // Two stretches of one line meet anywhere: no evidence.
            let apart = line(a).dot(&Vector3::new(b.middle().x, b.middle().y, 1.0)).abs();
            if a.direction().dot(&b.direction()).abs() < 0.85 || apart < 0.02 {
                continue;
            }
            let point = line(a).cross(&line(b));
            let norm = point.norm();
            if norm < 1e-12 || !far_enough(&(point / norm)) {
                continue;
            }
            let point = point / norm;
            let support: f64 = segments.iter().filter(|s| off(&point, s) < WITHIN).map(Segment::length).sum();
            if best.as_ref().is_none_or(|(most, _)| support > *most) {
                best = Some((support, point));
            }
        }
    }
    best.map(|(_, point)| point)
}

/// The point nearest to all lines that agree with it, weighted by length.
fn refined(point: &Vector3<f64>, segments: &[Segment], within: f64) -> Option<Vector3<f64>> {
    let mut normal = Matrix3::zeros();
    for s in segments.iter().filter(|s| off(point, s) < within) {
        let l = line(s);
        normal += l * l.transpose() * s.length().powi(3);
    }
    let eigen = normal.symmetric_eigen();
    let least = eigen.eigenvalues.iamin();
    let refined: Vector3<f64> = eigen.eigenvectors.column(least).into();
    (far_enough(&refined) && refined.iter().all(|v| v.is_finite())).then_some(refined)
}
