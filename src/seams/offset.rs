//! The cut line: every edge set out by its own allowance, joined at the corners.
//!
//! Each edge's offset is sampled from its curve (point + allowance x normal, within 0.003 mm). Where neighbours meet,
//! the offset lines are carried on or cut back to where they cross, whatever their widths (a mitre). The loop so made
//! may run over itself inside tight bends; those turns wind negatively and are taken away by keeping the region of
//! positive winding (Chen & McMains, "Polygon offsetting by computing winding numbers", 2005).

use i_overlay::core::fill_rule::FillRule;
use i_overlay::float::simplify::SimplifyShape;
use kurbo::{ParamCurve, ParamCurveDeriv, PathSeg};
use nalgebra::Vector2;

use super::{FLATTEN_MM, StitchingEdge, corner};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// A corner's tip reaches no further than this many allowances from the stitching corner; a sharper one (under
/// 47.2°) is blunted square there. SVG's rule of the same kind bevels at 4 (SVG 2, stroke-miterlimit).
pub(crate) const MITRE_LIMIT: f64 = 2.5;
/// Offsets turning less than this at a join are one smooth line, as sine.
const SMOOTH: f64 = 1e-6;

/// An edge or one segment of it, set out.
pub(super) struct Strip {
    pub allowance_mm: f64,
    /// The stitching points at its ends.
    pub ends: (MatPoint, MatPoint),
    /// Unit directions at its ends.
    pub directions: (Vector2<f64>, Vector2<f64>),
    pub points: Vec<MatPoint>,
    pub edge: usize,
}

/// The cut line of a closed loop of edges: a ring, anticlockwise.
pub(super) fn cut_line(
    edges: &[StitchingEdge],
    stitching: &[MatPoint],
    fold: Option<usize>,
    warnings: &mut Vec<Warning>,
) -> Result<Vec<MatPoint>, Refusal> {
    if edges.iter().all(|e| e.allowance_mm == 0.0) {
        return Ok(stitching.to_vec());
    }
    let mut strips = Vec::with_capacity(edges.len());
    for (i, edge) in edges.iter().enumerate() {
        strips.extend(whole(strips_of(i, edge), edges, warnings));
    }
    let mut joins = Vec::with_capacity(strips.len());
    for k in 0..strips.len() {
        let next = (k + 1) % strips.len();
        joins.push(match corner::ended(&mut strips, k, next, edges, fold) {
            Some(points) => points,
            None => join(&mut strips, k, next, edges, fold, warnings),
        });
    }
    let mut raw: Vec<[f64; 2]> = Vec::new();
    for (strip, join) in strips.iter().zip(&joins) {
        raw.extend(strip.points.iter().chain(join).map(|p| <[f64; 2]>::from(*p)));
    }
    let ring = positive_region(&raw, edges)?;
    note_meeting_allowances(edges, &ring, warnings);
    Ok(ring)
}

/// The strips of one edge as one.
fn whole(mut strips: Vec<Strip>, edges: &[StitchingEdge], warnings: &mut Vec<Warning>) -> Option<Strip> {
    let mut joins = Vec::with_capacity(strips.len());
    for k in 1..strips.len() {
        joins.push(join(&mut strips, k - 1, k, edges, None, warnings));
    }
    let mut strips = strips.into_iter();
    let mut one = strips.next()?;
    for (next, join) in strips.zip(joins) {
        one.points.extend(join);
        one.points.extend(next.points);
        one.ends.1 = next.ends.1;
        one.directions.1 = next.directions.1;
    }
    Some(one)
}

fn positive_region(raw: &[[f64; 2]], edges: &[StitchingEdge]) -> Result<Vec<MatPoint>, Refusal> {
    let mut shapes = raw.simplify_shape(FillRule::Positive);
    let widest = edges.iter().map(|e| e.allowance_mm).fold(0.0, f64::max);
    let collapsed = |seen: &str| {
        Refusal::new(
            RefusalKind::NoRoom,
            format!("an allowance of {widest:.1} mm is wider than the piece has room for: {seen}"),
            "give a narrower allowance there, or cut the piece in two",
        )
    };
    // Hair-thin leftovers of the arithmetic are not pieces.
    for shape in &mut shapes {
        shape.retain(|contour| polygon::signed_area(&points_of(contour)).abs() > 0.01);
    }
    shapes.retain(|s| !s.is_empty());
    match shapes.as_slice() {
        [] => Err(collapsed("nothing is left of it")),
        [only] => match only.as_slice() {
            [ring] => Ok(without_idle_points(&points_of(ring))),
            _ => Err(collapsed("the allowances of two sides run into each other and close a gap")),
        },
        _ => Err(collapsed("it falls apart")),
    }
}

/// Drops points that lie on the line between their neighbours, to within the arithmetic.
fn without_idle_points(ring: &[MatPoint]) -> Vec<MatPoint> {
    const IDLE_MM: f64 = 1e-5;
    let next = ring.iter().copied().cycle().skip(1);
    let mut kept: Vec<MatPoint> = Vec::with_capacity(ring.len());
    let mut last = ring.last().copied().unwrap_or_default();
    for (p, next) in ring.iter().copied().zip(next) {
        if polygon::distance_to_segment(p, last, next) > IDLE_MM {
            kept.push(p);
            last = p;
        }
    }
    kept
}

fn points_of(contour: &[[f64; 2]]) -> Vec<MatPoint> {
    contour.iter().map(|p| MatPoint::from(*p)).collect()
}

fn strips_of(index: usize, edge: &StitchingEdge) -> Vec<Strip> {
    edge.path
        .segments()
        .filter(|s| s.start() != s.end() || !matches!(s, PathSeg::Line(_)))
        .map(|segment| strip(index, edge.allowance_mm, &segment))
        .collect()
}

fn strip(edge: usize, allowance_mm: f64, segment: &PathSeg) -> Strip {
    let out = |direction: Vector2<f64>| Vector2::new(direction.y, -direction.x) * allowance_mm;
    let ends: (MatPoint, MatPoint) = (segment.start().into(), segment.end().into());
    if let PathSeg::Line(_) = segment {
        let direction = (ends.1 - ends.0).normalize();
        let points = vec![ends.0 + out(direction), ends.1 + out(direction)];
        return Strip { allowance_mm, ends, directions: (direction, direction), points, edge };
    }
    let cubic = segment.to_cubic();
    let points = offset_points(&cubic, allowance_mm);
    Strip { allowance_mm, ends, directions: (direction(&cubic, 0.0), direction(&cubic, 1.0)), points, edge }
}

/// Unit direction of a cubic, also where a handle has no length.
fn direction(cubic: &kurbo::CubicBez, t: f64) -> Vector2<f64> {
    let unit = |v: kurbo::Vec2| Vector2::new(v.x, v.y).try_normalize(1e-9);
    let nearer = if t < 0.5 { t + 1e-3 } else { t - 1e-3 };
    unit(cubic.deriv().eval(t).to_vec2())
        .or_else(|| unit(cubic.deriv().eval(nearer).to_vec2()))
        .or_else(|| unit(cubic.p3 - cubic.p0))
        .unwrap_or_else(Vector2::x)
}

/// The offset of a cubic, halved until its chords lie within [`FLATTEN_MM`].
fn offset_points(cubic: &kurbo::CubicBez, allowance_mm: f64) -> Vec<MatPoint> {
    let at = |t: f64| {
        let d = direction(cubic, t);
        MatPoint::from(cubic.eval(t)) + Vector2::new(d.y, -d.x) * allowance_mm
    };
    let mut points = vec![at(0.0)];
    // Eight parts to begin with: a chord test at one middle alone can be fooled by an S.
    for part in 0..8 {
        let (from, to) = (f64::from(part) / 8.0, f64::from(part + 1) / 8.0);
        halve(&at, (from, at(from)), (to, at(to)), 14, &mut points);
    }
    points
}

fn halve(
    at: &impl Fn(f64) -> MatPoint,
    from: (f64, MatPoint),
    to: (f64, MatPoint),
    depth: usize,
    points: &mut Vec<MatPoint>,
) {
    let t = 0.5 * (from.0 + to.0);
    let middle = (t, at(t));
    if depth == 0 || polygon::distance_to_segment(middle.1, from.1, to.1) <= FLATTEN_MM {
        points.push(to.1);
        return;
    }
    halve(at, from, middle, depth - 1, points);
    halve(at, middle, to, depth - 1, points);
}

/// Joins two strips: may cut either back, and gives the points to go between.
fn join(
    strips: &mut [Strip],
    k: usize,
    next: usize,
    edges: &[StitchingEdge],
    fold: Option<usize>,
    warnings: &mut Vec<Warning>,
) -> Vec<MatPoint> {
    let (a, b) = (&strips[k], &strips[next]);
    let corner = a.ends.1;
    let (into, out) = (a.directions.1, b.directions.0);
    let (wide_a, wide_b) = (a.allowance_mm, b.allowance_mm);
    let on_fold = a.edge != b.edge && fold.is_some_and(|f| f == a.edge || f == b.edge);
    let normal = |d: Vector2<f64>| Vector2::new(d.y, -d.x);
    let (end_a, start_b) = (corner + normal(into) * wide_a, corner + normal(out) * wide_b);
    let turn = into.perp(&out);
    if turn.abs() < SMOOTH && into.dot(&out) > 0.0 {
        return if wide_a == wide_b { Vec::new() } else { step(corner, into, wide_a, wide_b) };
    }
    if turn.abs() < SMOOTH {
        // A hairpin: blunted square.
        let tip = into * (MITRE_LIMIT * wide_a.max(wide_b));
        return vec![end_a + tip, start_b + tip];
    }
    // Where the offset lines cross: so far along a past its end, so far along b before its start.
    let gap = start_b - end_a;
    let past_a = gap.perp(&out) / turn;
    let before_b = -gap.perp(&into) / turn;
    let tip = end_a + into * past_a;
    if past_a <= 0.0 && before_b <= 0.0 {
        // An inside corner: by way of the corner itself, and the winding rule finds the crossing.
        return vec![corner];
    }
    let runs_on = past_a > 0.0 && before_b > 0.0;
    let longest = MITRE_LIMIT * wide_a.max(wide_b);
    // An allowance runs on to the fold however sharp the corner, but not along a fold that it all but continues.
    let carried_to_fold = on_fold && into.dot(&out) <= 0.0;
    if !carried_to_fold && tip.distance(corner) > longest {
        if !runs_on {
            return step(corner, into, wide_a, wide_b);
        }
        note_blunted(edges, (a.edge, b.edge), corner, (into, out), warnings);
        return blunted(corner, (into, end_a), (out, start_b), longest);
    }
    // With unequal widths one side may have to be cut back where the other runs on.
    let cut = if past_a < 0.0 {
        cut_tail(&mut strips[k], tip, out)
    } else if before_b < 0.0 {
        cut_head(&mut strips[next], tip, into)
    } else {
        false
    };
    if cut { Vec::new() } else { vec![tip] }
}

/// From one width to another, square to the stitching line, where it runs on (nearly) straight.
fn step(corner: MatPoint, into: Vector2<f64>, wide_a: f64, wide_b: f64) -> Vec<MatPoint> {
    let out = Vector2::new(into.y, -into.x);
    vec![corner + out * wide_a, corner + out * wide_b]
}

/// A sharp tip cut off square to its own middle, `longest` from the corner. Each side is its direction and the end of
/// its offset at the corner.
fn blunted(
    corner: MatPoint,
    (into, end_a): (Vector2<f64>, MatPoint),
    (out, start_b): (Vector2<f64>, MatPoint),
    longest: f64,
) -> Vec<MatPoint> {
    let outward = (into - out).try_normalize(1e-9).unwrap_or(into);
    // Each offset line runs on until it is `longest` out along the middle.
    let run_on = |from: MatPoint, direction: Vector2<f64>| {
        let left = longest - (from - corner).dot(&outward);
        from + direction * (left / direction.dot(&outward).max(1e-6)).max(0.0)
    };
    vec![run_on(end_a, into), run_on(start_b, -out)]
}

fn note_blunted(
    edges: &[StitchingEdge],
    (a, b): (usize, usize),
    corner: MatPoint,
    (into, out): (Vector2<f64>, Vector2<f64>),
    warnings: &mut Vec<Warning>,
) {
    let number = |i: usize| edges.get(i).map_or(0, |e| e.number);
    let inside = 180.0 - into.perp(&out).atan2(into.dot(&out)).to_degrees();
    let between = if a == b {
        format!("within edge {}", number(a))
    } else {
        format!("between edges {} and {}", number(a), number(b))
    };
    warnings.push(Warning::new(
        "corner-blunted",
        format!(
            "the corner {between} near ({:.0}, {:.0}) is sharp ({inside:.0}°): its allowance is cut off square \
             {MITRE_LIMIT} allowances from the stitching corner",
            corner.x, corner.y
        ),
    ));
}

/// Cuts a strip's offset back, from its end, to a line; false if it does not reach it.
fn cut_tail(strip: &mut Strip, on: MatPoint, direction: Vector2<f64>) -> bool {
    match cut_back(strip.points.iter().rev().copied(), on, direction) {
        Some((dropped, at)) => {
            strip.points.truncate(strip.points.len() - dropped);
            strip.points.push(at);
            true
        }
        None => false,
    }
}

/// Cuts a strip's offset back, from its start, to a line; false if it does not reach it.
fn cut_head(strip: &mut Strip, on: MatPoint, direction: Vector2<f64>) -> bool {
    match cut_back(strip.points.iter().copied(), on, direction) {
        Some((dropped, at)) => {
            strip.points.splice(..dropped, [at]);
            true
        }
        None => false,
    }
}

/// Walks points until they cross a line: how many to drop, and the crossing.
fn cut_back(
    points: impl Iterator<Item = MatPoint> + Clone,
    on: MatPoint,
    direction: Vector2<f64>,
) -> Option<(usize, MatPoint)> {
    let side = |p: MatPoint| direction.perp(&(p - on));
    let first = side(points.clone().next()?);
    let mut steps = points.clone().zip(points.skip(1)).enumerate();
    steps.find_map(|(i, (p, q))| {
        let (s, t) = (side(p), side(q));
        let crosses = (s > 0.0) != (t > 0.0) && (s > 0.0) == (first > 0.0);
        crosses.then(|| (i + 1, p.lerp(q, s / (s - t))))
    })
}

/// Says where a long stretch of an edge lost its allowance to another's.
fn note_meeting_allowances(edges: &[StitchingEdge], cut: &[MatPoint], warnings: &mut Vec<Warning>) {
    let widest = edges.iter().map(|e| e.allowance_mm).fold(0.0, f64::max);
    for (index, edge) in edges.iter().enumerate().filter(|(_, e)| e.allowance_mm > 0.0) {
        let points: Vec<MatPoint> = strips_of(index, edge).into_iter().flat_map(|s| sampled(&s.points)).collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else { continue };
        let clear = |p: &&MatPoint| p.distance(*first) > 3.0 * widest && p.distance(*last) > 3.0 * widest;
        let lost = points.iter().filter(clear).find(|p| polygon::distance_to_ring(cut, **p) > 0.05);
        if let Some(at) = lost {
            warnings.push(Warning::new(
                "allowances-meet",
                format!(
                    "the allowance of edge {} is narrower than {:.1} mm near ({:.0}, {:.0}): the edge bends too tightly, \
                     or another edge's allowance is in the way",
                    edge.number, edge.allowance_mm, at.x, at.y
                ),
            ));
        }
    }
}

/// Points of a polyline about every 3 mm.
fn sampled(points: &[MatPoint]) -> Vec<MatPoint> {
    let mut samples: Vec<MatPoint> = Vec::new();
    for (a, b) in points.iter().zip(points.iter().skip(1)) {
        if samples.last().is_none_or(|last| last.distance(*a) > 3.0) {
            samples.push(*a);
        }
        let parts = (a.distance(*b) / 3.0).floor() as usize;
        samples.extend((1..=parts.min(5000)).map(|k| a.lerp(*b, k as f64 / (parts + 1) as f64)));
    }
    samples
}
