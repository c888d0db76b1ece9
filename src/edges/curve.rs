//! A run of outline as one straight line, else as few cubics.
//!
//! Curves are least-squares cubic B-splines (de Boor, *A Practical Guide to Splines*, 1978, ch. XIV), which average the
//! noise away and are smooth to the second derivative; knots are added where the fit is worst until the outline lies
//! within its doubt, then thinned. The spline is then written as Bézier cubics, exactly.

use kurbo::BezPath;

use super::spline::Spline;
use super::{EdgeKind, Run};
use crate::path::StraightLine;
use crate::units::MatPoint;

/// No outline is trusted beyond this, mm.
const LEAST_DOUBT_MM: f64 = 0.2;
/// A misfit that lasts this long is shape, not noise, mm.
const SHAPE_MM: f64 = 10.0;
/// Share of the doubt that a lasting misfit may reach.
const SHAPE_SHARE: f64 = 0.85;
/// A wrinkle's bump is no longer, mm ...
const BUMP_LONG_MM: f64 = 14.0;
/// ... and no higher, mm.
const BUMP_HIGH_MM: f64 = 2.5;
/// Spans are no shorter, mm: shorter ones would follow wrinkles.
const LEAST_SPAN_MM: f64 = 25.0;

/// What was fitted to a run.
pub(super) struct Fitted {
    pub path: BezPath,
    pub kind: EdgeKind,
    pub bumps: Vec<Bump>,
}

/// A short bump the fit passes by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bump {
    pub at: MatPoint,
    pub height_mm: f64,
}

/// The line through the points if it lies within their doubt, short bumps aside.
pub(super) fn fit_line(points: &[MatPoint], doubts_mm: &[f64], step_mm: f64) -> Option<StraightLine> {
    let (line, _) = robust_line(points, doubts_mm)?;
    let offsets: Vec<f64> = points.iter().map(|p| line.across(*p)).collect();
    judge(&offsets, doubts_mm, step_mm).map(|_| line)
}

/// A line by least squares, then twice more with far points weighted down.
pub(super) fn robust_line(points: &[MatPoint], doubts_mm: &[f64]) -> Option<(StraightLine, Vec<f64>)> {
    let mut weights = vec![1.0; points.len()];
    let mut line = StraightLine::through(points, &weights)?;
    for _ in 0..3 {
        for ((w, p), d) in weights.iter_mut().zip(points).zip(doubts_mm) {
            *w = trust(line.across(*p), *d);
        }
        // When most of it is "far" there is no line to find.
        if weights.iter().sum::<f64>() < 0.5 * points.len() as f64 {
            break;
        }
        line = StraightLine::through(points, &weights)?;
    }
    Some((line, weights))
}

/// Tukey's biweight at three times the doubt.
pub(super) fn trust(offset_mm: f64, doubt_mm: f64) -> f64 {
    let share = offset_mm / (3.0 * doubt_mm.max(LEAST_DOUBT_MM));
    if share.abs() >= 1.0 { 0.0 } else { (1.0 - share * share).powi(2) }
}

/// Does a fit with these offsets hold? `Some` of the stretches (first, last index) it passes by as bumps.
fn judge(offsets: &[f64], doubts_mm: &[f64], step_mm: f64) -> Option<Vec<(usize, usize)>> {
    let count = offsets.len();
    let half = ((0.5 * SHAPE_MM / step_mm).round() as usize).min(count / 4);
    let lasting = smoothed(offsets, half);
    let limit: Vec<f64> = doubts_mm.iter().map(|d| SHAPE_SHARE * d.max(LEAST_DOUBT_MM)).collect();
    let mut bumps: Vec<(usize, usize)> = Vec::new();
    for (i, _) in lasting.iter().zip(&limit).enumerate().filter(|(_, (m, l))| m.abs() > **l) {
        match bumps.last_mut() {
            Some((_, end)) if i <= *end + half + 1 => *end = i,
            _ => bumps.push((i, i)),
        }
    }
    let clear = (5.0 / step_mm) as usize;
    let share: usize = bumps.iter().map(|(a, b)| b - a + 1).sum();
    let honest = bumps.iter().all(|&(a, b)| {
        let long = (b - a) as f64 * step_mm;
        let high = offsets[a..=b].iter().fold(0.0f64, |m, o| m.max(o.abs()));
        long <= BUMP_LONG_MM && high <= BUMP_HIGH_MM && a >= clear && b + clear < count
    });
    if !honest || share as f64 > 0.15 * count as f64 {
        return None;
    }
    let outside = offsets
        .iter()
        .zip(doubts_mm)
        .enumerate()
        .filter(|(i, (o, d))| o.abs() > d.max(LEAST_DOUBT_MM) && !bumps.iter().any(|(a, b)| (*a..=*b).contains(i)))
        .count();
    (outside as f64 <= 0.05 * count as f64 + 0.5).then_some(bumps)
}

/// Running mean over `2 half + 1` values, shorter at the ends.
fn smoothed(values: &[f64], half: usize) -> Vec<f64> {
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(values.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }))
        .collect();
    (0..values.len())
        .map(|i| {
            // Kept symmetric at the ends, or a slope would look like an offset.
            let reach = half.min(i).min(values.len() - 1 - i).max(half / 2);
            let (a, b) = (i.saturating_sub(reach), (i + reach + 1).min(values.len()));
            (sums[b] - sums[a]) / (b - a) as f64
        })
        .collect()
}

/// The part of a run that its corners' rounding has not spoilt.
fn sound_part(run: &Run) -> (Vec<MatPoint>, Vec<f64>) {
    let steps = |mm: f64| (mm / run.step_mm).round() as usize;
    let count = run.points.len();
    let (head, tail) = (steps(run.spoilt_mm.0), count.saturating_sub(steps(run.spoilt_mm.1)));
    if tail < head + 4 {
        return (run.points.clone(), run.doubts_mm.clone());
    }
    (run.points[head..tail].to_vec(), run.doubts_mm[head..tail].to_vec())
}

/// A straight line where it holds, else the spline of fewest spans that holds.
pub(super) fn fit(run: &Run) -> Fitted {
    let (points, doubts) = sound_part(run);
    let chord = run.to - run.from;
    if chord.norm() > 0.9 * run.length_mm() {
        let line = StraightLine { middle: run.from, direction: chord.normalize() };
        let offsets: Vec<f64> = points.iter().map(|p| line.across(*p)).collect();
        if let Some(bumps) = judge(&offsets, &doubts, run.step_mm) {
            let mut path = BezPath::new();
            path.move_to(run.from);
            path.line_to(run.to);
            return Fitted { path, kind: EdgeKind::Line, bumps: named_bumps(&bumps, &points, &offsets) };
        }
    }
    fit_spline(run, &points, &doubts)
}

fn named_bumps(bumps: &[(usize, usize)], points: &[MatPoint], offsets: &[f64]) -> Vec<Bump> {
    bumps
        .iter()
        .filter_map(|&(a, b)| {
            (a..=b)
                .max_by(|i, j| offsets[*i].abs().total_cmp(&offsets[*j].abs()))
                .map(|i| Bump { at: points[i], height_mm: offsets[i].abs() })
        })
        .collect()
}

/// The spline of few knots that holds: knots go in where the misfit is worst, then those that are not needed go out.
fn fit_spline(run: &Run, points: &[MatPoint], doubts: &[f64]) -> Fitted {
    let ends = (run.from, run.to);
    let most = ((run.length_mm() / LEAST_SPAN_MM).floor() as usize).clamp(2, 40);
    let least_span = (LEAST_SPAN_MM / run.length_mm().max(1e-9)).min(0.5);
    let mut knots: Vec<f64> = Vec::new();
    let mut best: Option<(f64, Spline)> = None;
    while let Some((spline, offsets, at)) = Spline::fitted(ends, &knots, points, doubts) {
        if judge(&offsets, doubts, run.step_mm).is_some() {
            return pruned(run, points, doubts, knots);
        }
        // None may hold (a torn edge): then the one that leaves least, more spans only for a real gain.
        let left = offsets.iter().map(|o| o * o).sum::<f64>().sqrt();
        if best.as_ref().is_none_or(|(least, _)| left < 0.95 * least) {
            best = Some((left, spline));
        }
        match knot_at_worst(&knots, &offsets, &at, least_span) {
            Some(knot) if knots.len() + 1 < most => knots.push(knot),
            _ => break,
        }
        knots.sort_by(f64::total_cmp);
    }
    let path = match best {
        Some((_, spline)) => spline.path(),
        None => through_points(run),
    };
    Fitted { path, kind: EdgeKind::Curve, bumps: Vec::new() }
}

/// Takes out one knot after another as long as the fit holds without it.
fn pruned(run: &Run, points: &[MatPoint], doubts: &[f64], mut knots: Vec<f64>) -> Fitted {
    let holds = |knots: &[f64]| {
        let (spline, offsets, _) = Spline::fitted((run.from, run.to), knots, points, doubts)?;
        let bumps = judge(&offsets, doubts, run.step_mm)?;
        Some(Fitted { path: spline.path(), kind: EdgeKind::Curve, bumps: named_bumps(&bumps, points, &offsets) })
    };
    let mut fitted = holds(&knots);
    let mut k = 0;
    while k < knots.len() {
        let mut fewer = knots.clone();
        fewer.remove(k);
        match holds(&fewer) {
            Some(better) => (knots, fitted) = (fewer, Some(better)),
            None => k += 1,
        }
    }
    fitted.unwrap_or_else(|| Fitted { path: through_points(run), kind: EdgeKind::Curve, bumps: Vec::new() })
}

/// The middle of the span that fits worst among those that may still be halved.
fn knot_at_worst(knots: &[f64], offsets: &[f64], at: &[f64], least_span: f64) -> Option<f64> {
    let bounds: Vec<f64> = std::iter::once(0.0).chain(knots.iter().copied()).chain([1.0]).collect();
    let misfit = |from: f64, to: f64| {
        at.iter().zip(offsets).filter(|(u, _)| (from..to).contains(*u)).map(|(_, o)| o * o).sum::<f64>()
    };
    bounds
        .iter()
        .zip(bounds.iter().skip(1))
        .filter(|(from, to)| *to - *from >= 2.0 * least_span)
        .map(|(from, to)| (misfit(*from, *to), 0.5 * (from + to)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, middle)| middle)
}

/// The outline itself, for runs too short to fit.
fn through_points(run: &Run) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(run.from);
    for p in run.points.iter().skip(1).take(run.points.len().saturating_sub(2)) {
        path.line_to(*p);
    }
    path.line_to(run.to);
    path
}
