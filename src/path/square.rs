//! A path bent at its end so that it meets a line squarely.

use kurbo::{BezPath, ParamCurve, ParamCurveArclen, PathSeg};
use nalgebra::Vector2;

use super::{StraightLine, end_tangents, of};
use crate::edges::flatten;
use crate::polygon;
use crate::units::MatPoint;

/// Nearer to a right angle than this is square already, degrees.
const SQUARE_DEG: f64 = 0.25;
/// Further from a right angle than this is meant, degrees.
pub(crate) const MEANT_DEG: f64 = 15.0;
/// An edge is bent over no less and no more than this to be square, mm.
const BEND_MM: (f64, f64) = (15.0, 25.0);
/// Accuracy of lengths along the bend, mm.
const MEASURE_MM: f64 = 1e-3;

/// Unit directions at the start and at the end of a segment.
fn tangents(segment: &PathSeg) -> (Vector2<f64>, Vector2<f64>) {
    let (first, last) = end_tangents(segment);
    let known = |v: kurbo::Vec2| if v == kurbo::Vec2::ZERO { Vector2::x() } else { Vector2::new(v.x, v.y) };
    (known(first), known(last))
}

/// A neighbour of the fold, ending on it.
pub(crate) struct Squared {
    pub path: BezPath,
    /// Where it meets the fold.
    pub meets: kurbo::Point,
    /// Angle off square before, degrees.
    pub off_deg: f64,
    /// Was it bent to be square?
    pub bent: bool,
    /// Largest distance it moved, mm.
    pub moved_mm: f64,
}

/// Bends the end of a path that arrives at the fold so that it meets it at a right angle.
pub(crate) fn squared(path: &BezPath, fold: &StraightLine) -> Squared {
    let segments: Vec<PathSeg> = path.segments().collect();
    let (_, arriving) = segments.last().map_or((Vector2::y(), Vector2::y()), tangents);
    // The normal of the fold on the side we arrive from, pointing at the fold.
    let left = Vector2::new(-fold.direction.y, fold.direction.x);
    let square = if arriving.dot(&left) < 0.0 { -left } else { left };
    let off_deg = arriving.perp(&square).atan2(arriving.dot(&square)).to_degrees().abs();
    if !(SQUARE_DEG..=MEANT_DEG).contains(&off_deg) {
        let (path, meets, moved_mm) = extended(&segments, fold);
        return Squared { path, meets, off_deg, bent: false, moved_mm };
    }
    // Gently where that moves little; the end moves by about half of length x tangent.
    let over_mm = (1.0 / off_deg.to_radians().tan()).clamp(BEND_MM.0, BEND_MM.1);
    let total: f64 = segments.iter().map(|s| s.arclen(MEASURE_MM)).sum();
    let kept = head(&segments, total - over_mm.min(0.4 * total));
    let (_, leaving) = kept.last().map_or((arriving, arriving), tangents);
    let start: MatPoint = kept.last().map_or(MatPoint::default(), |s| s.end().into());
    // A parabola's control polygon has equal legs: the first along the path, the second square to the fold.
    let reach = (fold.foot(start) - start).norm();
    let leg = reach / (1.0 + leaving.dot(&square)).max(0.2);
    let bend = start + leaving * leg;
    let meets: kurbo::Point = fold.foot(bend).into();
    let mut bent = of(&kept);
    let quad = kurbo::QuadBez::new(kurbo::Point::from(start), kurbo::Point::from(bend), meets).raise();
    bent.curve_to(quad.p1, quad.p2, quad.p3);
    let moved_mm = apart(&tail_points(path, over_mm), &tail_points(&bent, over_mm));
    Squared { path: bent, meets, off_deg, bent: true, moved_mm }
}

/// The path continued (or cut back) along its last direction so that it ends exactly on the fold.
fn extended(segments: &[PathSeg], fold: &StraightLine) -> (BezPath, kurbo::Point, f64) {
    let mut segments = segments.to_vec();
    let Some(last) = segments.pop() else { return (BezPath::new(), kurbo::Point::default(), 0.0) };
    let end: MatPoint = last.end().into();
    let (_, direction) = tangents(&last);
    let slant = fold.direction.perp(&direction);
    let along = if slant.abs() < 0.05 { 0.0 } else { -fold.across(end) / slant };
    let meets: kurbo::Point = fold.foot(end + direction * along).into();
    let shift = meets - last.end();
    segments.push(match last {
        PathSeg::Line(l) => PathSeg::Line(kurbo::Line::new(l.p0, meets)),
        other => {
            let c = other.to_cubic();
            PathSeg::Cubic(kurbo::CubicBez::new(c.p0, c.p1, c.p2 + shift, meets))
        }
    });
    (of(&segments), meets, shift.hypot())
}

/// The first part of a path, of a given length.
fn head(segments: &[PathSeg], length_mm: f64) -> Vec<PathSeg> {
    let mut left = length_mm;
    let mut kept = Vec::new();
    for segment in segments {
        let length = segment.arclen(MEASURE_MM);
        if length <= left {
            kept.push(*segment);
            left -= length;
            continue;
        }
        if left > 1e-6 {
            kept.push(segment.subsegment(0.0..segment.inv_arclen(left, MEASURE_MM)));
        }
        break;
    }
    kept
}

/// The last stretch of a path as points.
fn tail_points(path: &BezPath, length_mm: f64) -> Vec<MatPoint> {
    let points = flatten(path, 0.01);
    let mut left = length_mm;
    let mut tail: Vec<MatPoint> = Vec::new();
    for p in points.iter().rev() {
        if let Some(last) = tail.last() {
            let step = last.distance(*p);
            if step >= left {
                tail.push(last.lerp(*p, left / step));
                break;
            }
            left -= step;
        }
        tail.push(*p);
    }
    tail
}

/// Largest distance between two polylines, both ways, at their points.
fn apart(a: &[MatPoint], b: &[MatPoint]) -> f64 {
    let worst =
        |a: &[MatPoint], b: &[MatPoint]| a.iter().map(|p| polygon::distance_to_polyline(b, *p)).fold(0.0, f64::max);
    worst(a, b).max(worst(b, a))
}
