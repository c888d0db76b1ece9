//! What a person drew on the outline comes out where they put it, however small: the curves of an edge average the noise of
//! a tracing away, and a hand's corrections are no noise.
//!
//! An edge is fitted as usual first. Where that passes a stretch put by hand by more than the stretch is certain to, the
//! stretch is kept as it was drawn and only what was traced on either side of it is fitted.

use kurbo::{BezPath, PathEl, Point};

use super::curve::{self, Fitted};
use super::ring::Ring;
use super::spline::Spline;
use super::{EdgeKind, HandStretch, MEASURE_MM, Run, flatten};
use crate::polygon;
use crate::units::MatPoint;

/// A point of the outline this near to what was drawn is of it, mm: both are the same line.
const SAME_LINE_MM: f64 = 0.05;
/// A traced remnant shorter than this between what was drawn and a corner is run over straight, mm.
const REMNANT_MM: f64 = 3.0;
/// Distance of the points through which a drawn line is made smooth, mm.
const DENSE_MM: f64 = 0.2;
/// Spans of the smooth line are no shorter, mm.
const LEAST_SPAN_MM: f64 = 0.8;
/// A drawn line that turns by more at a point has a corner there, degrees.
const SHARP_DEG: f64 = 35.0;
/// A shorter stretch after which the outline goes on as before is a detail of an edge and has no corners of its own, mm.
const DETAIL_MM: f64 = 60.0;
/// A corner so near to the end of such a stretch belongs to it, mm.
const BESIDE_MM: f64 = 4.0;
/// Length over which the direction of the outline beside a stretch is read, mm.
const DIRECTION_MM: f64 = 8.0;

/// The fitted path of a run, with what was drawn by hand in it kept.
pub(super) fn held(run: &Run, fitted: Fitted, stretches: &[HandStretch]) -> Fitted {
    let flat = flatten(&fitted.path, MEASURE_MM);
    let off = |span: &Span| {
        let away = (span.from..=span.to).map(|i| polygon::distance_to_polyline(&flat, run.points[i]));
        away.fold(0.0, f64::max)
    };
    let mut spans = spans(run, stretches);
    spans.retain(|span| off(span) > span.stretch.within_mm);
    if spans.is_empty() {
        return fitted;
    }
    let mut path = BezPath::new();
    path.move_to(run.from);
    let (mut next, mut bumps) = (0, Vec::new());
    for span in &spans {
        let (start, end) = span.ends(run);
        bumps.extend(traced(run, (next, span.from), start, &mut path));
        let mut line = between(&span.stretch.line, start, end);
        line[0] = end_of(&path);
        smooth(&line, span.stretch.within_mm, &mut path);
        next = span.to;
    }
    if next + 1 < run.points.len() {
        bumps.extend(traced(run, (next, run.points.len() - 1), run.to, &mut path));
    }
    Fitted { path, kind: EdgeKind::Curve, bumps }
}

/// Points of a run that lie on a stretch put by hand.
struct Span<'a> {
    from: usize,
    to: usize,
    stretch: &'a HandStretch,
}

impl Span<'_> {
    /// Where the stretch begins and ends in the run: at a corner, or where the hand set off from what was traced, which lies
    /// between two points of the run.
    fn ends(&self, run: &Run) -> (MatPoint, MatPoint) {
        let end = |place: Option<&MatPoint>, at: MatPoint| {
            place.copied().filter(|p| p.distance(at) < 1.5 * run.step_mm).unwrap_or(at)
        };
        let whole = self.to + 1 == run.points.len();
        let start = if self.from == 0 { run.from } else { end(self.stretch.line.first(), run.points[self.from]) };
        (start, if whole { run.to } else { end(self.stretch.line.last(), run.points[self.to]) })
    }
}

fn spans<'a>(run: &Run, stretches: &'a [HandStretch]) -> Vec<Span<'a>> {
    let mut spans = Vec::new();
    for stretch in stretches {
        let on = |p: &MatPoint| polygon::distance_to_polyline(&stretch.line, *p) < SAME_LINE_MM;
        let mut open: Option<usize> = None;
        for (i, is_on) in run.points.iter().map(on).chain([false]).enumerate() {
            match (open, is_on) {
                (None, true) => open = Some(i),
                (Some(from), false) => {
                    if i - from > 2 {
                        spans.push(Span { from, to: i - 1, stretch });
                    }
                    open = None;
                }
                _ => {}
            }
        }
    }
    spans.sort_by_key(|s| s.from);
    // Two that overlap: the first holds.
    let mut free = 0;
    spans.retain(|s| {
        let apart = s.from >= free;
        free = if apart { s.to } else { free };
        apart
    });
    spans
}

/// Goes on along what was traced between two points of a run, to `end` in the place of the second.
fn traced(run: &Run, (from, to): (usize, usize), end: MatPoint, path: &mut BezPath) -> Vec<curve::Bump> {
    let start = end_of(path);
    let whole = to + 1 == run.points.len();
    let long = to.saturating_sub(from) as f64 * run.step_mm;
    if long < REMNANT_MM {
        if start.distance(end) > 1e-6 {
            path.curve_to(start.lerp(end, 1.0 / 3.0), start.lerp(end, 2.0 / 3.0), end);
        }
        return Vec::new();
    }
    let mut points = run.points[from..=to].to_vec();
    let last = points.len() - 1;
    (points[0], points[last]) = (if from == 0 { points[0] } else { start }, if whole { points[last] } else { end });
    let part = Run {
        from: start,
        to: end,
        points,
        doubts_mm: run.doubts_mm[from..=to].to_vec(),
        step_mm: run.step_mm,
        spoilt_mm: (if from == 0 { run.spoilt_mm.0 } else { 0.0 }, if whole { run.spoilt_mm.1 } else { 0.0 }),
    };
    let fitted = curve::fit(&part);
    append(path, &fitted.path);
    fitted.bumps
}

/// Adds a path that begins where the other ends, lines as cubics.
fn append(path: &mut BezPath, more: &BezPath) {
    for element in more.elements().iter().skip(1) {
        match *element {
            PathEl::LineTo(to) => {
                let from = Point::from(end_of(path));
                path.curve_to(from.lerp(to, 1.0 / 3.0), from.lerp(to, 2.0 / 3.0), to);
            }
            other => path.push(other),
        }
    }
}

fn end_of(path: &BezPath) -> MatPoint {
    path.elements().last().and_then(PathEl::end_point).unwrap_or_default().into()
}

/// The part of a line between the places on it nearest to two points, these two first and last.
fn between(line: &[MatPoint], from: MatPoint, to: MatPoint) -> Vec<MatPoint> {
    let along = travelled(line);
    let place = |p: MatPoint| {
        let foot = |k: usize| polygon::nearest_on_segment(p, line[k], line[k + 1]);
        let best = (0..line.len() - 1).min_by(|a, b| foot(*a).distance(p).total_cmp(&foot(*b).distance(p)));
        best.map_or(0.0, |k| along[k] + line[k].distance(foot(k)))
    };
    let (a, b) = (place(from), place(to));
    let inner = line.iter().zip(&along).filter(|(_, s)| **s > a + 1e-6 && **s < b - 1e-6).map(|(p, _)| *p);
    std::iter::once(from).chain(inner).chain([to]).collect()
}

/// Length along a line up to each of its points, mm.
fn travelled(line: &[MatPoint]) -> Vec<f64> {
    let mut along = vec![0.0];
    for pair in line.windows(2) {
        along.push(along[along.len() - 1] + pair[0].distance(pair[1]));
    }
    along
}

/// Adds a drawn line to a path that ends where it begins: smooth between its corners, within `within_mm` of it.
fn smooth(line: &[MatPoint], within_mm: f64, path: &mut BezPath) {
    let corners = sharp(line, 4.0 * within_mm);
    let mut from = 0;
    for to in corners.into_iter().chain([line.len() - 1]) {
        smooth_part(&line[from..=to], within_mm, path);
        from = to;
    }
}

fn smooth_part(line: &[MatPoint], within_mm: f64, path: &mut BezPath) {
    let (Some(first), Some(last)) = (line.first(), line.last()) else { return };
    let along = travelled(line);
    let total = along.last().copied().unwrap_or(0.0);
    let count = (total / DENSE_MM).ceil().clamp(8.0, 4000.0) as usize;
    let dense: Vec<MatPoint> = (1..count).map(|k| at(line, &along, total * k as f64 / count as f64)).collect();
    let doubts = vec![within_mm; dense.len()];
    let mut spans = 1;
    while spans <= 128 && (spans == 1 || total / spans as f64 >= LEAST_SPAN_MM) {
        let knots: Vec<f64> = (1..spans).map(|k| k as f64 / spans as f64).collect();
        let fitted = Spline::fitted((*first, *last), &knots, &dense, &doubts);
        if let Some((spline, offsets, _)) = fitted
            && offsets.iter().all(|o| o.abs() <= within_mm)
        {
            let made = spline.path();
            let flat = flatten(&made, MEASURE_MM);
            if line.iter().chain(&dense).all(|p| polygon::distance_to_polyline(&flat, *p) <= within_mm) {
                append(path, &made);
                return;
            }
        }
        spans *= 2;
    }
    for pair in line.windows(2) {
        path.curve_to(pair[0].lerp(pair[1], 1.0 / 3.0), pair[0].lerp(pair[1], 2.0 / 3.0), pair[1]);
    }
}

/// The point of a line at a length along it.
fn at(line: &[MatPoint], along: &[f64], length_mm: f64) -> MatPoint {
    let i = along.iter().rposition(|a| *a <= length_mm).unwrap_or(0).min(line.len().saturating_sub(2));
    let step = (along[i + 1] - along[i]).max(1e-9);
    line[i].lerp(line[i + 1], ((length_mm - along[i]) / step).clamp(0.0, 1.0))
}

/// Indices of the corners of a drawn line, its ends left out.
fn sharp(line: &[MatPoint], arm_mm: f64) -> Vec<usize> {
    let along = travelled(line);
    let total = along.last().copied().unwrap_or(0.0);
    let turn = |i: usize| {
        let s = along[i];
        if s < 0.5 * arm_mm || total - s < 0.5 * arm_mm {
            return 0.0;
        }
        let into = line[i] - at(line, &along, (s - arm_mm).max(0.0));
        let out = at(line, &along, (s + arm_mm).min(total)) - line[i];
        into.perp(&out).atan2(into.dot(&out)).abs()
    };
    let turns: Vec<f64> = (0..line.len()).map(turn).collect();
    let mut found: Vec<usize> = (0..line.len()).filter(|i| turns[*i] > SHARP_DEG.to_radians()).collect();
    found.sort_by(|a, b| turns[*b].total_cmp(&turns[*a]));
    let mut corners: Vec<usize> = Vec::new();
    for i in found {
        if corners.iter().all(|c| (along[*c] - along[i]).abs() > 1.5 * arm_mm) {
            corners.push(i);
        }
    }
    corners.sort_unstable();
    corners
}

/// Is this corner but a part of a small thing drawn by hand, after which the outline goes on as before?
pub(super) fn is_detail(ring: &Ring, corner: usize, stretches: &[HandStretch], least_turn_deg: f64) -> bool {
    let at = ring.at(corner, 0);
    stretches.iter().any(|stretch| {
        let (Some(first), Some(last)) = (stretch.line.first(), stretch.line.last()) else { return false };
        let long: f64 = stretch.line.windows(2).map(|p| p[0].distance(p[1])).sum();
        if long > DETAIL_MM || polygon::distance_to_polyline(&stretch.line, at) > BESIDE_MM {
            return false;
        }
        let (from, to) = (ring.nearest(*first), ring.nearest(*last));
        let arm = ring.steps(DIRECTION_MM) as isize;
        let into = ring.at(from, 0) - ring.at(from, -arm);
        let out = ring.at(to, arm) - ring.at(to, 0);
        into.perp(&out).atan2(into.dot(&out)).abs() < least_turn_deg.to_radians()
    })
}

/// A corner within what was drawn lies where it was drawn, not where fitted sides would meet.
pub(super) fn place_of(at: MatPoint, stretches: &[HandStretch]) -> Option<MatPoint> {
    let on = |s: &&HandStretch| polygon::distance_to_polyline(&s.line, at) < SAME_LINE_MM;
    stretches.iter().find(on).map(|_| at)
}
