//! The fold: guessed or told, made exactly straight, its neighbours square to it.
//!
//! The piece is half of something: what meets the fold at less or more than a right angle unfolds to a peak or a dip.
//! So the last stretch of each neighbour is bent to arrive at 90°, as long as that is a small correction; a neighbour
//! that plainly means its angle (a V neck) is left alone and said so.

use kurbo::{BezPath, ParamCurve, ParamCurveArclen, ParamCurveDeriv, PathSeg};
use nalgebra::Vector2;

use super::curve::{self, LineFit};
use super::{Edge, EdgeKind, EdgeOptions, FoldChoice, FoldLine, MEASURE_MM, Run, Tracing, flatten, no_such_edge};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// Nearer to a right angle than this is square already, degrees.
const SQUARE_DEG: f64 = 0.25;
/// Further from a right angle than this is meant, degrees.
const MEANT_DEG: f64 = 15.0;
/// An edge is bent over no less and no more than this to be square, mm.
const BEND_MM: (f64, f64) = (15.0, 25.0);
/// A fold bows less than this share of its length.
const BOW_SHARE: f64 = 0.012;
/// A fold is at least this share of the piece's greatest width or height.
const LEAST_SHARE: f64 = 0.3;
/// The piece may reach over its fold by so much, mm (the doubt of both).
const OVER_MM: f64 = 2.0;
/// Below this confidence the guess is called doubtful.
const DOUBTFUL: f64 = 0.6;

/// Settles the fold of a tracing, as the options say.
pub(super) fn apply(tracing: &mut Tracing, runs: &[Run], options: &EdgeOptions) -> Result<(), Refusal> {
    let (number, confidence, guessed) = match options.fold {
        FoldChoice::None => return Ok(()),
        FoldChoice::Edge(n) if n == 0 || n > runs.len() => return Err(no_such_edge(n, runs.len())),
        FoldChoice::Edge(n) => (n, 1.0, false),
        FoldChoice::Auto => match guess(runs) {
            Some((n, confidence)) => (n, confidence, true),
            None => {
                tracing.warnings.push(Warning::new(
                    "fold-not-found",
                    "no edge is straight and long enough to be the fold: the piece is taken as whole; name the fold's \
                     edge if there is one",
                ));
                return Ok(());
            }
        },
    };
    if guessed {
        tracing.warnings.push(guess_warning(number, confidence));
    }
    if runs.len() < 3 {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("the outline has {} corners, so no edge of it can be a fold", runs.len()),
            "say that the piece is not on a fold",
        ));
    }
    let moved_mm = straighten(tracing, runs, number)?;
    tracing.fold = Some(FoldLine { edge: number, guessed, confidence, moved_mm });
    Ok(())
}

fn guess_warning(number: usize, confidence: f64) -> Warning {
    let sure = if confidence < DOUBTFUL { ", and another edge would do nearly as well" } else { "" };
    Warning::new(
        "fold-guessed",
        format!(
            "edge {number} was taken for the fold: that is a guess ({:.0} % sure{sure}); name the fold's edge to settle it",
            100.0 * confidence
        ),
    )
}

/// The likeliest fold and a confidence from 0 to 1, which tells how far the runner-up is behind.
fn guess(runs: &[Run]) -> Option<(usize, f64)> {
    let ring: Vec<MatPoint> = runs.iter().flat_map(|r| r.points.iter().skip(1).copied()).collect();
    let across = |f: fn(&MatPoint) -> f64| {
        let (low, high) = ring.iter().map(f).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        high - low
    };
    let size = across(|p| p.x).max(across(|p| p.y));
    let mut scores: Vec<(usize, f64)> =
        (0..runs.len()).filter_map(|i| Some((i + 1, likelihood(runs, i, &ring, size)?))).collect();
    scores.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let (number, best) = *scores.first()?;
    let second = scores.get(1).map_or(0.0, |s| s.1);
    Some((number, (1.0 - second / best).clamp(0.0, 1.0).sqrt() * best.min(1.0)))
}

/// How like a fold a run is: long and straight, the piece on one side, square at its ends, upright.
fn likelihood(runs: &[Run], index: usize, ring: &[MatPoint], size_mm: f64) -> Option<f64> {
    let run = runs.get(index)?;
    let chord = run.to - run.from;
    let length = chord.norm();
    if runs.len() < 3 || length < LEAST_SHARE * size_mm {
        return None;
    }
    let line = LineFit { middle: run.from, direction: chord / length };
    let bow = run.points.iter().map(|p| line.across(*p).abs()).fold(0.0, f64::max);
    // Anticlockwise: the piece is on the left.
    let over = ring.iter().map(|p| -line.across(*p)).fold(0.0, f64::max);
    if bow > BOW_SHARE * length + OVER_MM || over > bow + OVER_MM {
        return None;
    }
    let straight = 1.0 / (1.0 + (bow / (0.004 * length + 0.5)).powi(2));
    let upright = 0.85 + 0.15 * line.direction.y.abs();
    let before = runs.get((index + runs.len() - 1) % runs.len())?;
    let after = runs.get((index + 1) % runs.len())?;
    let square = |direction: Vector2<f64>| 1.0 - line.direction.dot(&direction).abs();
    let ends = square(end_direction(before, true)) * square(end_direction(after, false));
    Some((length / size_mm).min(1.0) * straight * upright * (0.5 + 0.5 * ends))
}

/// Direction of a run over its last (or first) 20 mm.
fn end_direction(run: &Run, last: bool) -> Vector2<f64> {
    let count = run.points.len();
    let reach = ((20.0 / run.step_mm) as usize).min(count.saturating_sub(1));
    let (a, b) = if last { (count - 1 - reach, count - 1) } else { (0, reach) };
    (run.points[b] - run.points[a]).try_normalize(1e-9).unwrap_or_else(Vector2::x)
}

/// Makes an edge straight and its neighbours meet it squarely; gives the largest distance moved.
fn straighten(tracing: &mut Tracing, runs: &[Run], number: usize) -> Result<f64, Refusal> {
    let index = number - 1;
    let (before, after) = ((index + runs.len() - 1) % runs.len(), (index + 1) % runs.len());
    let run = &runs[index];
    let line = fold_line(run).ok_or_else(|| no_such_edge(number, runs.len()))?;
    let bow = run.points.iter().map(|p| line.across(*p).abs()).fold(0.0, f64::max);
    if bow > run.doubt_mm().max(0.5) {
        tracing.warnings.push(Warning::new(
            "fold-straightened",
            format!(
                "the fold (edge {number}) was not straight: it was moved by up to {bow:.1} mm; fold the garment again \
                 if that is more than you would cut away"
            ),
        ));
    }
    let mut moved = bow;
    // The edge before ends on the fold; the edge after is looked at backwards, so that it does too.
    let arriving = squared(&tracing.edges[before].path, &line);
    let leaving = squared(&tracing.edges[after].path.reverse_subpaths(), &line);
    for (end, neighbour) in [(&arriving, before), (&leaving, after)] {
        note_squaring(end, &tracing.edges[neighbour], number, &mut tracing.warnings);
        moved = moved.max(end.moved_mm);
    }
    let mut fold = BezPath::new();
    fold.move_to(arriving.meets);
    fold.line_to(leaving.meets);
    refit(&mut tracing.edges[before], &runs[before], arriving.path);
    refit(&mut tracing.edges[after], &runs[after], leaving.path.reverse_subpaths());
    refit(&mut tracing.edges[index], run, fold);
    Ok(moved)
}

fn refit(edge: &mut Edge, run: &Run, path: BezPath) {
    let straight = path.elements().len() == 2 && matches!(path.elements()[1], kurbo::PathEl::LineTo(_));
    edge.kind = if straight { EdgeKind::Line } else { EdgeKind::Curve };
    edge.deviation_mm = run.deviation_mm(&path);
    edge.path = path;
}

/// The fold's own line: from its middle parts, since creases spread at the ends.
fn fold_line(run: &Run) -> Option<LineFit> {
    let count = run.points.len();
    let skip = ((5.0 / run.step_mm) as usize).min(count / 4);
    let (points, doubts) = (&run.points[skip..count - skip], &run.doubts_mm[skip..count - skip]);
    curve::robust_line(points, doubts).map(|(line, _)| line)
}

/// A neighbour of the fold, ending on it.
struct Squared {
    path: BezPath,
    /// Where it meets the fold.
    meets: kurbo::Point,
    /// Angle off square before, degrees.
    off_deg: f64,
    /// Was it bent to be square?
    bent: bool,
    moved_mm: f64,
}

/// Bends the end of a path that arrives at the fold so that it meets it at a right angle.
fn squared(path: &BezPath, fold: &LineFit) -> Squared {
    let segments: Vec<PathSeg> = path.segments().collect();
    let (_, arriving) = segments.last().map_or((Vector2::y(), Vector2::y()), end_tangents);
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
    let (_, leaving) = kept.last().map_or((arriving, arriving), end_tangents);
    let start: MatPoint = kept.last().map_or(MatPoint::default(), |s| s.end().into());
    // A parabola's control polygon has equal legs: the first along the path, the second square to the fold.
    let reach = (fold.foot(start) - start).norm();
    let leg = reach / (1.0 + leaving.dot(&square)).max(0.2);
    let bend = start + leaving * leg;
    let meets: kurbo::Point = fold.foot(bend).into();
    let mut bent = path_of(&kept);
    let quad = kurbo::QuadBez::new(kurbo::Point::from(start), kurbo::Point::from(bend), meets).raise();
    bent.curve_to(quad.p1, quad.p2, quad.p3);
    let moved_mm = apart(&tail_points(path, over_mm), &tail_points(&bent, over_mm));
    Squared { path: bent, meets, off_deg, bent: true, moved_mm }
}

/// The path continued (or cut back) along its last direction so that it ends exactly on the fold.
fn extended(segments: &[PathSeg], fold: &LineFit) -> (BezPath, kurbo::Point, f64) {
    let mut segments = segments.to_vec();
    let Some(last) = segments.pop() else { return (BezPath::new(), kurbo::Point::default(), 0.0) };
    let end: MatPoint = last.end().into();
    let (_, direction) = end_tangents(&last);
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
    (path_of(&segments), meets, shift.hypot())
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

fn path_of(segments: &[PathSeg]) -> BezPath {
    let mut path = BezPath::new();
    if let Some(first) = segments.first() {
        path.move_to(first.start());
    }
    for segment in segments {
        path.push(segment.as_path_el());
    }
    path
}

/// Unit directions at the start and at the end of a segment.
fn end_tangents(segment: &PathSeg) -> (Vector2<f64>, Vector2<f64>) {
    let unit = |v: kurbo::Vec2| Vector2::new(v.x, v.y).try_normalize(1e-12).unwrap_or_else(Vector2::x);
    match segment {
        PathSeg::Line(l) => (unit(l.p1 - l.p0), unit(l.p1 - l.p0)),
        other => {
            let cubic = other.to_cubic();
            let slope = cubic.deriv();
            (unit(slope.eval(0.0).to_vec2()), unit(slope.eval(1.0).to_vec2()))
        }
    }
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

fn note_squaring(end: &Squared, edge: &Edge, fold: usize, warnings: &mut Vec<Warning>) {
    let number = edge.number;
    if end.off_deg > MEANT_DEG {
        warnings.push(Warning::new(
            "fold-not-square",
            format!(
                "edge {number} meets the fold (edge {fold}) {:.0}° off square and was left so: unfolded it makes a point \
                 there, as a V neck does",
                end.off_deg
            ),
        ));
    } else if end.bent && end.moved_mm > edge.doubt_mm.max(0.3) {
        warnings.push(Warning::new(
            "fold-squared",
            format!(
                "edge {number} met the fold (edge {fold}) {:.1}° off square: its end was bent to meet it squarely, moving \
                 it by up to {:.1} mm",
                end.off_deg, end.moved_mm
            ),
        ));
    }
}
