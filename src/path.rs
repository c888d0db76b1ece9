//! Arithmetic on open paths of lines and cubics, in millimetres: split, measure, cross, bend, join.
//!
//! A path here starts with a move and goes on with lines and curves, as the edges of a piece do. A place on it is a
//! [`Spot`]; lengths are along the path.

mod bend;
mod square;

use kurbo::{
    Affine, BezPath, CubicBez, Line, ParamCurve, ParamCurveArclen, ParamCurveDeriv, ParamCurveNearest, PathSeg, Point,
    Vec2,
};
use nalgebra::Vector2;

use crate::polygon;
use crate::units::MatPoint;

pub(crate) use bend::turned_about_start;
pub use bend::{At, carried, turned_along};
pub(crate) use square::{MEANT_DEG, Squared, squared};

/// Accuracy of lengths, mm.
const LENGTH_MM: f64 = 1e-7;
/// Points nearer than this are one, mm.
pub const SAME_MM: f64 = 1e-6;
/// Two directions are one when the sine between them is less.
const SAME_TURN: f64 = 1e-9;

/// A straight line: a point and a unit direction.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StraightLine {
    pub middle: MatPoint,
    /// Unit vector.
    pub direction: Vector2<f64>,
}

impl StraightLine {
    /// The point of the line nearest to `p`.
    pub fn foot(&self, p: MatPoint) -> MatPoint {
        self.middle + self.direction * (p - self.middle).dot(&self.direction)
    }

    /// Signed distance of a point, positive to the left, mm.
    pub fn across(&self, p: MatPoint) -> f64 {
        self.direction.perp(&(p - self.middle))
    }

    /// The line from one point to another; `None` when they are one.
    pub fn between(a: Point, b: Point) -> Option<Self> {
        let direction = Vector2::new(b.x - a.x, b.y - a.y).try_normalize(SAME_MM)?;
        Some(Self { middle: a.into(), direction })
    }

    /// Total least squares through weighted points, running from the first towards the last.
    pub fn through(points: &[MatPoint], weights: &[f64]) -> Option<Self> {
        let total: f64 = weights.iter().sum();
        let (first, last) = (*points.first()?, *points.last()?);
        if points.len() < 2 || total <= 0.0 {
            return None;
        }
        let middle = first + points.iter().zip(weights).map(|(p, w)| (*p - first) * *w).sum::<Vector2<f64>>() / total;
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (p, w) in points.iter().zip(weights) {
            let d = *p - middle;
            xx += w * d.x * d.x;
            xy += w * d.x * d.y;
            yy += w * d.y * d.y;
        }
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        let mut direction = Vector2::new(angle.cos(), angle.sin());
        if direction.dot(&(last - first)) < 0.0 {
            direction = -direction;
        }
        Some(Self { middle, direction })
    }
}

/// A place on a path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Which of the path's segments, from 0.
    pub segment: usize,
    /// Where on it, 0 to 1.
    pub t: f64,
}

/// The path's segments, those without length left out.
pub(crate) fn segments(path: &BezPath) -> Vec<PathSeg> {
    path.segments().filter(|s| control_points(s).windows(2).any(|w| w[0] != w[1])).collect()
}

fn control_points(segment: &PathSeg) -> Vec<Point> {
    match segment {
        PathSeg::Line(l) => vec![l.p0, l.p1],
        PathSeg::Quad(q) => vec![q.p0, q.p1, q.p2],
        PathSeg::Cubic(c) => vec![c.p0, c.p1, c.p2, c.p3],
    }
}

/// A path of segments that follow one another.
pub(crate) fn of(segments: &[PathSeg]) -> BezPath {
    let mut path = BezPath::new();
    if let Some(first) = segments.first() {
        path.move_to(first.start());
    }
    for segment in segments {
        path.push(segment.as_path_el());
    }
    path
}

/// The straight path between two points.
pub fn line(from: impl Into<Point>, to: impl Into<Point>) -> BezPath {
    of(&[PathSeg::Line(Line::new(from.into(), to.into()))])
}

/// One cubic that leaves `from` and arrives at `to` in given directions: nearly a circle's arc where one fits.
pub fn curve(from: Point, leaving: Vec2, arriving: Vec2, to: Point) -> BezPath {
    // Handles of an arc of that turn, 4/3 tan(turn / 4) times its radius.
    let turn = leaving.cross(arriving).atan2(leaving.dot(arriving));
    let reach = from.distance(to) / (3.0 * (0.25 * turn).cos().powi(2));
    of(&[PathSeg::Cubic(CubicBez::new(from, from + leaving * reach, to - arriving * reach, to))])
}

/// The same path run the other way.
pub fn reversed(path: &BezPath) -> BezPath {
    let turned: Vec<PathSeg> = segments(path).iter().rev().map(PathSeg::reverse).collect();
    of(&turned)
}

/// Length of a path, mm.
pub fn length(path: &BezPath) -> f64 {
    segments(path).iter().map(|s| s.arclen(LENGTH_MM)).sum()
}

/// Where a path starts; the origin for an empty one.
pub fn start(path: &BezPath) -> Point {
    path.elements().first().and_then(|e| e.end_point()).unwrap_or_default()
}

/// Where a path ends; the origin for an empty one.
pub fn end(path: &BezPath) -> Point {
    path.elements().last().and_then(|e| e.end_point()).unwrap_or_default()
}

/// Unit direction in which a path sets out; zero for an empty one.
pub fn start_direction(path: &BezPath) -> Vec2 {
    segments(path).first().map_or(Vec2::ZERO, |s| end_tangents(s).0)
}

/// Unit direction in which a path arrives; zero for an empty one.
pub fn end_direction(path: &BezPath) -> Vec2 {
    segments(path).last().map_or(Vec2::ZERO, |s| end_tangents(s).1)
}

/// Unit direction in which a path arrives at its end, read over a length: the tangent there of the parabola nearest to
/// its last `arm_mm`. Steadier than [`end_direction`] on a traced path.
pub fn arriving_over(path: &BezPath, arm_mm: f64) -> Vec2 {
    let whole = length(path);
    let (origin, arm) = (end(path), arm_mm.min(whole));
    let points: Vec<Vec2> = (0..=40)
        .filter_map(|k| spot_at(path, whole - arm * f64::from(k) / 40.0))
        .map(|spot| origin - point_at(path, spot))
        .collect();
    let Some(along) = points.last().map(|p| unit(*p)).filter(|d| d.hypot() > 0.5) else { return end_direction(path) };
    // Across = slope x along + bend x along squared, from the end backwards.
    let (mut s2, mut s3, mut s4, mut r1, mut r2) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for p in &points {
        let (x, y) = (along.dot(*p), along.cross(*p));
        (s2, s3, s4) = (s2 + x * x, s3 + x.powi(3), s4 + x.powi(4));
        (r1, r2) = (r1 + x * y, r2 + x * x * y);
    }
    let det = s2 * s4 - s3 * s3;
    if det.abs() < 1e-9 {
        return along;
    }
    let slope = (r1 * s4 - r2 * s3) / det;
    unit(along + Vec2::new(-along.y, along.x) * slope)
}

/// Unit directions at the start and at the end of a segment, also where a handle has no length.
pub(crate) fn end_tangents(segment: &PathSeg) -> (Vec2, Vec2) {
    let points = control_points(segment);
    let direction = |from: Point, others: &mut dyn Iterator<Item = &Point>| {
        others.map(|p| *p - from).find(|v| v.hypot() > 1e-9).map_or(Vec2::ZERO, unit)
    };
    let (first, last) = (segment.start(), segment.end());
    (direction(first, &mut points.iter().skip(1)), -direction(last, &mut points.iter().rev().skip(1)))
}

/// A vector made one long; zero stays zero.
pub(crate) fn unit(v: Vec2) -> Vec2 {
    let size = v.hypot();
    if size > 0.0 && size.is_finite() { v / size } else { Vec2::ZERO }
}

/// Largest distance of a path from the line between its ends, mm.
pub fn bow(path: &BezPath) -> f64 {
    let (a, b) = (start(path).into(), end(path).into());
    crate::edges::flatten(path, 0.01).iter().map(|p| polygon::distance_to_segment(*p, a, b)).fold(0.0, f64::max)
}

/// Is it one straight line (to a millionth of a millimetre)?
pub fn is_straight(path: &BezPath) -> bool {
    let (a, b): (MatPoint, MatPoint) = (start(path).into(), end(path).into());
    segments(path).iter().flat_map(control_points).all(|p| polygon::distance_to_segment(p.into(), a, b) <= SAME_MM)
        && (length(path) - a.distance(b)).abs() <= SAME_MM
}

/// One line where the path is straight, else the path itself.
fn straightened(path: BezPath) -> BezPath {
    if is_straight(&path) { line(start(&path), end(&path)) } else { path }
}

/// The place a given length along a path; its ends for lengths short of or past it. `None` for an empty path.
pub fn spot_at(path: &BezPath, length_mm: f64) -> Option<Spot> {
    let segments = segments(path);
    let mut left = length_mm;
    for (segment, part) in segments.iter().enumerate() {
        let length = part.arclen(LENGTH_MM);
        if left <= length {
            let t = if left <= 0.0 { 0.0 } else { part.inv_arclen(left, LENGTH_MM) };
            return Some(Spot { segment, t });
        }
        left -= length;
    }
    Some(Spot { segment: segments.len().checked_sub(1)?, t: 1.0 })
}

/// Length along a path up to a place on it, mm.
pub fn length_to(path: &BezPath, spot: Spot) -> f64 {
    let segments = segments(path);
    let whole: f64 = segments.iter().take(spot.segment).map(|s| s.arclen(LENGTH_MM)).sum();
    whole + segments.get(spot.segment).map_or(0.0, |s| s.subsegment(0.0..spot.t).arclen(LENGTH_MM))
}

/// The point at a place of a path.
pub fn point_at(path: &BezPath, spot: Spot) -> Point {
    segments(path).get(spot.segment).map_or_else(|| start(path), |s| s.eval(spot.t))
}

/// Unit direction of a path at a place.
pub fn direction_at(path: &BezPath, spot: Spot) -> Vec2 {
    let Some(segment) = segments(path).get(spot.segment).copied() else { return Vec2::ZERO };
    let (first, last) = end_tangents(&segment);
    match spot.t {
        t if t <= 0.0 => first,
        t if t >= 1.0 => last,
        t => unit(velocity(&segment, t)),
    }
}

fn velocity(segment: &PathSeg, t: f64) -> Vec2 {
    even_cubic(segment).deriv().eval(t).to_vec2()
}

/// A segment as a cubic; a line with its handles at the thirds, so that it is run at an even speed.
fn even_cubic(segment: &PathSeg) -> CubicBez {
    match segment {
        PathSeg::Line(l) => CubicBez::new(l.p0, l.p0.lerp(l.p1, 1.0 / 3.0), l.p0.lerp(l.p1, 2.0 / 3.0), l.p1),
        other => other.to_cubic(),
    }
}

/// A path in two at a place on it; a part without length is empty.
pub fn split(path: &BezPath, spot: Spot) -> (BezPath, BezPath) {
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for (i, segment) in segments(path).into_iter().enumerate() {
        match i.cmp(&spot.segment) {
            std::cmp::Ordering::Less => before.push(segment),
            std::cmp::Ordering::Greater => after.push(segment),
            std::cmp::Ordering::Equal => {
                let keep = |from: f64, to: f64| (to - from > 1e-12).then(|| segment.subsegment(from..to));
                before.extend(if spot.t >= 1.0 { Some(segment) } else { keep(0.0, spot.t) });
                after.extend(if spot.t <= 0.0 { Some(segment) } else { keep(spot.t, 1.0) });
            }
        }
    }
    (of(&before), of(&after))
}

/// The place of a path nearest to a point, and how far it is, mm. `None` for an empty path.
pub fn nearest(path: &BezPath, point: Point) -> Option<(Spot, f64)> {
    let found = segments(path)
        .iter()
        .enumerate()
        .map(|(segment, s)| (segment, s.nearest(point, 1e-9)))
        .min_by(|(_, a), (_, b)| a.distance_sq.total_cmp(&b.distance_sq));
    found.map(|(segment, near)| (Spot { segment, t: near.t }, near.distance_sq.max(0.0).sqrt()))
}

/// Two paths that meet, as one; where both are one straight line they become one line.
pub fn joined(first: &BezPath, second: &BezPath) -> BezPath {
    let mut all = segments(first);
    for next in segments(second) {
        match (all.last_mut(), next) {
            (Some(PathSeg::Line(a)), PathSeg::Line(b)) if goes_on(a, &b) => a.p1 = b.p1,
            _ => all.push(next),
        }
    }
    of(&all)
}

fn goes_on(a: &Line, b: &Line) -> bool {
    let (u, v) = (unit(a.p1 - a.p0), unit(b.p1 - b.p0));
    u.cross(v).abs() < SAME_TURN && u.dot(v) > 0.0
}

/// The path run on straight beyond its end.
pub fn run_on(path: &BezPath, by_mm: f64) -> BezPath {
    let from = end(path);
    joined(path, &line(from, from + end_direction(path) * by_mm))
}

/// The path with its first and last point put exactly where they belong (a rounding error away).
pub fn pinned(path: &BezPath, from: Point, to: Point) -> BezPath {
    let mut all = segments(path);
    let count = all.len();
    for (i, segment) in all.iter_mut().enumerate() {
        let a = if i == 0 { from } else { segment.start() };
        let b = if i + 1 == count { to } else { segment.end() };
        *segment = match *segment {
            PathSeg::Line(_) => PathSeg::Line(Line::new(a, b)),
            other => {
                let c = other.to_cubic();
                PathSeg::Cubic(CubicBez::new(a, c.p1 + (a - c.p0), c.p2 + (b - c.p3), b))
            }
        };
    }
    of(&all)
}

/// A chord of a path, for finding crossings.
struct Chord {
    ends: (MatPoint, MatPoint),
    segment: usize,
    t: (f64, f64),
}

fn chords(path: &BezPath) -> Vec<Chord> {
    let mut all = Vec::new();
    for (segment, part) in segments(path).iter().enumerate() {
        let count = match part {
            PathSeg::Line(_) => 1,
            other => (other.arclen(0.1) / 2.0).clamp(8.0, 300.0) as usize,
        };
        for k in 0..count {
            let t = (k as f64 / count as f64, (k + 1) as f64 / count as f64);
            let (from, to) = (part.eval(t.0), part.eval(t.1));
            // A hair longer at both ends, or a crossing where two chords join could fall between them.
            let hair = unit(to - from) * (0.1 * SAME_MM);
            all.push(Chord { ends: ((from - hair).into(), (to + hair).into()), segment, t });
        }
    }
    all
}

/// Where two paths cross: the places on the first and on the second, in order along the first.
pub fn crossings(a: &BezPath, b: &BezPath) -> Vec<(Spot, Spot)> {
    let (parts_a, parts_b) = (segments(a), segments(b));
    let (chords_a, chords_b) = (chords(a), chords(b));
    let mut found: Vec<(Spot, Spot)> = Vec::new();
    for one in &chords_a {
        for other in chords_b.iter().filter(|o| boxes_meet(one.ends, o.ends)) {
            let Some((s, t)) = polygon::crossing(one.ends, other.ends) else { continue };
            let guess = (one.t.0 + s * (one.t.1 - one.t.0), other.t.0 + t * (other.t.1 - other.t.0));
            let refined = refined(&parts_a[one.segment], &parts_b[other.segment], guess);
            let pair = (Spot { segment: one.segment, t: refined.0 }, Spot { segment: other.segment, t: refined.1 });
            let at = point_at(a, pair.0);
            if found.iter().all(|(spot, _)| point_at(a, *spot).distance(at) > 10.0 * SAME_MM) {
                found.push(pair);
            }
        }
    }
    found.sort_by(|(x, _), (y, _)| x.segment.cmp(&y.segment).then(x.t.total_cmp(&y.t)));
    found
}

fn boxes_meet(a: (MatPoint, MatPoint), b: (MatPoint, MatPoint)) -> bool {
    let apart = |a: (f64, f64), b: (f64, f64)| a.0.max(a.1) < b.0.min(b.1) || b.0.max(b.1) < a.0.min(a.1);
    !apart((a.0.x, a.1.x), (b.0.x, b.1.x)) && !apart((a.0.y, a.1.y), (b.0.y, b.1.y))
}

/// Newton's method from a crossing of chords to the crossing of the curves.
fn refined(a: &PathSeg, b: &PathSeg, guess: (f64, f64)) -> (f64, f64) {
    let (mut s, mut t) = guess;
    for _ in 0..12 {
        let gap = b.eval(t) - a.eval(s);
        let (u, v) = (velocity(a, s), velocity(b, t));
        let turn = u.cross(v);
        if turn.abs() < 1e-12 * u.hypot() * v.hypot() || gap.hypot() < 1e-12 {
            break;
        }
        s = (s + gap.cross(v) / turn).clamp(0.0, 1.0);
        t = (t + gap.cross(u) / turn).clamp(0.0, 1.0);
    }
    (s, t)
}

/// A curve through points, smooth to the second derivative: the cubic spline over chord lengths (de Boor, *A Practical
/// Guide to Splines*, 1978, ch. IV). Directions at the ends are kept where given, else the ends run out straight.
///
/// Two points without directions give the line between them; fewer give an empty path.
pub fn smooth_through(points: &[Point], leaving: Option<Vec2>, arriving: Option<Vec2>) -> BezPath {
    let mut knots: Vec<Point> = Vec::new();
    for p in points {
        if knots.last().is_none_or(|last| last.distance(*p) > 1e-3) {
            knots.push(*p);
        }
    }
    if knots.len() < 2 {
        return BezPath::new();
    }
    let spans: Vec<f64> = knots.windows(2).map(|w| w[0].distance(w[1])).collect();
    let slopes = slopes(&knots, &spans, leaving, arriving);
    let parts: Vec<PathSeg> = (0..spans.len())
        .map(|i| {
            let reach = spans[i] / 3.0;
            let (a, b) = (knots[i], knots[i + 1]);
            PathSeg::Cubic(CubicBez::new(a, a + slopes[i] * reach, b - slopes[i + 1] * reach, b))
        })
        .collect();
    straightened(of(&parts))
}

/// Derivatives of the spline at its knots, by elimination in its tridiagonal equations.
fn slopes(knots: &[Point], spans: &[f64], leaving: Option<Vec2>, arriving: Option<Vec2>) -> Vec<Vec2> {
    let count = knots.len();
    let chord = |i: usize| (knots[i + 1] - knots[i]) / spans[i];
    // Rows: (below, on, above the diagonal, right side).
    let mut rows: Vec<(f64, f64, f64, Vec2)> = Vec::with_capacity(count);
    rows.push(leaving.map_or_else(|| (0.0, 2.0, 1.0, chord(0) * 3.0), |d| (0.0, 1.0, 0.0, d)));
    for i in 1..count - 1 {
        let (before, after) = (spans[i - 1], spans[i]);
        let right = (chord(i - 1) * after + chord(i) * before) * 3.0;
        rows.push((after, 2.0 * (before + after), before, right));
    }
    rows.push(arriving.map_or_else(|| (1.0, 2.0, 0.0, chord(count - 2) * 3.0), |d| (0.0, 1.0, 0.0, d)));
    for i in 1..count {
        let (_, on, above, right) = rows[i - 1];
        let share = rows[i].0 / on;
        rows[i].1 -= share * above;
        rows[i].3 -= right * share;
    }
    let mut slopes = vec![Vec2::ZERO; count];
    for i in (0..count).rev() {
        let next = slopes.get(i + 1).copied().unwrap_or_default();
        slopes[i] = (rows[i].3 - next * rows[i].2) / rows[i].1;
    }
    slopes
}

/// Straight lines from point to point.
pub fn polyline(points: &[Point]) -> BezPath {
    let parts: Vec<PathSeg> =
        points.windows(2).filter(|w| w[0] != w[1]).map(|w| PathSeg::Line(Line::new(w[0], w[1]))).collect();
    of(&parts)
}

/// The mirror image in the line through two points.
pub fn mirror(a: Point, b: Point) -> Affine {
    Affine::reflect(a, b - a)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fixture cubic A of the lengths table, 167.654262742 by scipy's quad and fontTools.
    fn cubic_a() -> BezPath {
        of(&[PathSeg::Cubic(CubicBez::new((0.0, 0.0), (0.0, 100.0), (100.0, 0.0), (100.0, 100.0)))])
    }

    #[test]
    fn split_parts_add_up_and_spots_return() {
        let path = joined(&cubic_a(), &line((100.0, 100.0), (100.0, 150.0)));
        assert!((length(&path) - 217.654_262_742).abs() < 1e-6);
        for at in [0.0, 1.0, 80.0, 167.6, 200.0, 217.0] {
            let spot = spot_at(&path, at).unwrap();
            assert!((length_to(&path, spot) - at).abs() < 1e-5, "{at}");
            let (a, b) = split(&path, spot);
            assert!((length(&a) + length(&b) - length(&path)).abs() < 1e-5);
            let (near, distance) = nearest(&path, point_at(&path, spot)).unwrap();
            assert!(distance < 1e-6 && (length_to(&path, near) - at).abs() < 1e-3, "{at}: {distance}");
        }
    }

    #[test]
    fn crossings_lie_on_both_paths() {
        let (a, b) = (cubic_a(), line((-10.0, 2.0), (110.0, 98.0)));
        let found = crossings(&a, &b);
        assert_eq!(found.len(), 3);
        for (s, t) in found {
            assert!(point_at(&a, s).distance(point_at(&b, t)) < 1e-9);
        }
    }

    #[test]
    fn a_spline_goes_through_its_points_and_keeps_its_directions() {
        let points: Vec<Point> = [(0.0, 0.0), (30.0, 20.0), (60.0, 20.0), (100.0, 70.0)].map(Point::from).to_vec();
        let path = smooth_through(&points, Some(Vec2::new(1.0, 0.0)), None);
        for p in &points {
            assert!(nearest(&path, *p).unwrap().1 < 1e-6);
        }
        assert!((start_direction(&path) - Vec2::new(1.0, 0.0)).hypot() < 1e-9);
        let parts = segments(&path);
        for pair in parts.windows(2) {
            assert!((end_tangents(&pair[0]).1 - end_tangents(&pair[1]).0).hypot() < 1e-9);
        }
    }

    /// A quarter circle bent by the turn it has already made becomes a straight line of the same length.
    #[test]
    fn bending_keeps_the_length() {
        let kappa = 4.0 * (2f64.sqrt() - 1.0) / 3.0 * 100.0;
        let arc =
            of(&[PathSeg::Cubic(CubicBez::new((0.0, 0.0), (kappa, 0.0), (100.0, 100.0 - kappa), (100.0, 100.0)))]);
        let bent = turned_along(&arc, |u| -0.5 * std::f64::consts::PI * u);
        assert!((length(&bent) - length(&arc)).abs() < 1e-4, "{} {}", length(&bent), length(&arc));
        assert!(bow(&bent) < 0.1, "{}", bow(&bent));
    }
}
