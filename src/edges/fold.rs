//! The fold: guessed or told, made exactly straight, its neighbours square to it.
//!
//! The piece is half of something: what meets the fold at less or more than a right angle unfolds to a peak or a dip.
//! So the last stretch of each neighbour is bent to arrive at 90°, as long as that is a small correction; a neighbour
//! that plainly means its angle (a V neck) is left alone and said so.

use kurbo::BezPath;
use nalgebra::Vector2;

use super::curve;
use super::{Edge, EdgeKind, FoldChoice, FoldLine, Run, Tracing, no_such_edge};
use crate::path::{MEANT_DEG, Squared, StraightLine, squared};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// A fold bows less than this share of its length.
const BOW_SHARE: f64 = 0.012;
/// A fold is at least this share of the piece's greatest width or height.
const LEAST_SHARE: f64 = 0.3;
/// The piece may reach over its fold by so much, mm (the doubt of both).
const OVER_MM: f64 = 2.0;
/// Below this confidence the guess is called doubtful.
const DOUBTFUL: f64 = 0.6;

/// Settles the fold of a tracing.
pub(super) fn apply(tracing: &mut Tracing, runs: &[Run], choice: FoldChoice) -> Result<(), Refusal> {
    let (number, confidence, guessed) = match choice {
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
    let text = if confidence < DOUBTFUL {
        format!(
            "edge {number} was taken for the fold, but another edge would do nearly as well: name the fold's edge, or say \
             that there is none"
        )
    } else {
        format!("edge {number} was taken for the fold, as the likeliest: name the fold's edge to settle it")
    };
    Warning::new("fold-guessed", text)
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
    let line = StraightLine { middle: run.from, direction: chord / length };
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
fn fold_line(run: &Run) -> Option<StraightLine> {
    let count = run.points.len();
    let skip = ((5.0 / run.step_mm) as usize).min(count / 4);
    let (points, doubts) = (&run.points[skip..count - skip], &run.doubts_mm[skip..count - skip]);
    curve::robust_line(points, doubts).map(|(line, _)| line)
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
