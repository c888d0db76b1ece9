//! What a person settled about the edges: corners that are there or not, the fold, exact lengths.
//!
//! All are tied to places, not to numbers: they hold when the outline changes and edges are numbered anew.

use kurbo::{Affine, BezPath, ParamCurveArclen, PathEl, Point, Vec2};

use super::corners::Corner;
use super::ring::Ring;
use super::{Edge, FoldChoice, Run, Tracing};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// A corner that a wish takes away lies no further from the place pointed at, mm.
const TAKEN_WITHIN_MM: f64 = 12.0;
/// A corner found so near to a wished one is that one, mm.
const SAME_MM: f64 = 4.0;
/// No edge is stretched or shortened beyond this factor: it was meant for another edge, or mistyped.
const MOST_STRETCH: f64 = 1.5;
/// Accuracy of an exact length, mm.
const EXACT_MM: f64 = 1e-6;

/// A corner that a person says is there, or is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CornerWish {
    /// The place.
    pub at: MatPoint,
    /// There (an edge is split), or not (two edges are joined).
    pub corner: bool,
}

/// A length that an edge is to have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LengthWish {
    /// A place on the edge.
    pub at: MatPoint,
    /// Its ends, as the outline runs: no corner found between them divides it.
    pub ends: [MatPoint; 2],
    /// The length along it, mm.
    pub length_mm: f64,
}

/// Adds and takes away corners, in the order of the wishes; a wish without effect is passed over.
pub(super) fn settle_corners(ring: &Ring, mut corners: Vec<Corner>, wishes: &[CornerWish]) -> Vec<Corner> {
    for wish in wishes {
        let reach = if wish.corner { SAME_MM } else { TAKEN_WITHIN_MM };
        let nearest = (0..corners.len())
            .min_by(|a, b| corners[*a].at.distance(wish.at).total_cmp(&corners[*b].at.distance(wish.at)))
            .filter(|k| corners[*k].at.distance(wish.at) <= reach);
        match (wish.corner, nearest) {
            (true, None) => {
                let index = ring.nearest(wish.at);
                corners.push(Corner { index, at: ring.at(index, 0), spoilt_mm: 0.0 });
            }
            (false, Some(k)) if corners.len() > 1 => drop(corners.remove(k)),
            _ => {}
        }
    }
    corners.sort_by_key(|c| c.index);
    corners.dedup_by_key(|c| c.index);
    corners
}

/// Takes away the corners found within edges whose lengths were set: a stretched edge may turn a little more sharply
/// somewhere, and is one edge still.
pub(super) fn keep_whole(ring: &Ring, corners: &mut Vec<Corner>, wishes: &[LengthWish]) {
    for wish in wishes {
        let [from, until] = wish.ends.map(|end| ring.nearest(end));
        if from == until {
            continue;
        }
        let long = ring.steps_between(from, until);
        let away = |c: &Corner| wish.ends.iter().all(|end| c.at.distance(*end) > SAME_MM);
        corners.retain(|c| !(c.index != from && ring.steps_between(from, c.index) < long && away(c)));
    }
}

/// The fold chosen, where a person pointed at it.
pub(super) fn fold(runs: &[Run], choice: FoldChoice, at: Option<MatPoint>) -> FoldChoice {
    let Some(at) = at else { return choice };
    let away = |run: &Run| polygon::distance_to_polyline(&run.points, at);
    let nearest = (0..runs.len()).min_by(|a, b| away(&runs[*a]).total_cmp(&away(&runs[*b])));
    nearest.map_or(choice, |i| FoldChoice::Edge(i + 1))
}

/// Gives edges the lengths wished for.
///
/// An edge is stretched along its chord. The end that lies on the fold stays, else its start; the edge at the other end
/// follows, less and less towards its own far end. The edge after a fold moves whole, so that it stays square to it.
pub(super) fn settle_lengths(tracing: &mut Tracing, wishes: &[LengthWish]) -> Result<(), Refusal> {
    for wish in wishes {
        let away = |e: &Edge| polygon::distance_to_polyline(&super::flatten(&e.path, 0.1), wish.at);
        let nearest =
            (0..tracing.edges.len()).min_by(|a, b| away(&tracing.edges[*a]).total_cmp(&away(&tracing.edges[*b])));
        if let Some(index) = nearest {
            give_length(tracing, index, wish.length_mm)?;
        }
    }
    Ok(())
}

fn give_length(tracing: &mut Tracing, index: usize, length_mm: f64) -> Result<(), Refusal> {
    let count = tracing.edges.len();
    let fold = tracing.fold.as_ref().map(|f| f.edge - 1);
    let (before, after) = ((index + count - 1) % count, (index + 1) % count);
    let keeps_end = fold == Some(after);
    let path = &tracing.edges[index].path;
    let Some(stretched) = stretched(path, length_mm, keeps_end).filter(|_| count > 1) else {
        return Err(cannot(tracing.edges[index].number, path, length_mm));
    };
    let moved = if keeps_end { first(&stretched) - first(path) } else { last(&stretched) - last(path) };
    tracing.edges[index].path = stretched;
    let step = |i: usize| if keeps_end { (i + count - 1) % count } else { (i + 1) % count };
    let mut next = if keeps_end { before } else { after };
    if fold == Some(index) && count > 2 {
        tracing.edges[next].path.apply_affine(Affine::translate(moved));
        next = step(next);
    }
    let path = &mut tracing.edges[next].path;
    *path = following(path, moved, keeps_end);
    Ok(())
}

fn first(path: &BezPath) -> Point {
    path.elements().first().and_then(PathEl::end_point).unwrap_or_default()
}

fn last(path: &BezPath) -> Point {
    path.elements().last().and_then(PathEl::end_point).unwrap_or_default()
}

fn length(path: &BezPath) -> f64 {
    path.segments().map(|s| s.arclen(EXACT_MM)).sum()
}

/// The path stretched along its chord to a length: the arc's length grows with the factor, so halving finds it.
fn stretched(path: &BezPath, length_mm: f64, keeps_end: bool) -> Option<BezPath> {
    let (a, b) = (first(path), last(path));
    let chord = b - a;
    let now = length(path);
    let ratio = length_mm / now;
    if chord.hypot() < 0.2 * now || !(1.0 / MOST_STRETCH..=MOST_STRETCH).contains(&ratio) {
        return None;
    }
    let kept = if keeps_end { b } else { a };
    let turn = Affine::rotate_about(chord.atan2(), kept);
    let by = |factor: f64| {
        let along = Affine::translate(kept.to_vec2())
            * Affine::scale_non_uniform(factor, 1.0)
            * Affine::translate(-kept.to_vec2());
        turn * along * turn.inverse() * path.clone()
    };
    let (mut low, mut high) = (0.0, 2.0 * MOST_STRETCH);
    if length(&by(low)) > length_mm || length(&by(high)) < length_mm {
        return None;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if length(&by(middle)) < length_mm { low = middle } else { high = middle }
    }
    Some(by(0.5 * (low + high)))
}

/// The path with one end moved (its end if `end`, else its start) and the other kept.
fn following(path: &BezPath, moved: Vec2, end: bool) -> BezPath {
    let mut points: Vec<Point> = Vec::new();
    for element in path.elements() {
        match *element {
            PathEl::MoveTo(p) | PathEl::LineTo(p) => points.push(p),
            PathEl::QuadTo(p, q) => points.extend([p, q]),
            PathEl::CurveTo(p, q, r) => points.extend([p, q, r]),
            PathEl::ClosePath => {}
        }
    }
    let mut travelled = vec![0.0];
    for pair in points.windows(2) {
        travelled.push(travelled[travelled.len() - 1] + pair[0].distance(pair[1]));
    }
    let total = travelled.last().copied().unwrap_or(0.0).max(1e-9);
    // Level at both ends, so that the path leaves its corners as it did.
    let share = |k: usize| {
        let s = travelled[k] / total;
        let s = if end { s } else { 1.0 - s };
        s * s * (3.0 - 2.0 * s)
    };
    let mut k = 0;
    let mut next = |p: Point| {
        let at = p + moved * share(k);
        k += 1;
        at
    };
    path.elements()
        .iter()
        .map(|element| match *element {
            PathEl::MoveTo(p) => PathEl::MoveTo(next(p)),
            PathEl::LineTo(p) => PathEl::LineTo(next(p)),
            PathEl::QuadTo(p, q) => PathEl::QuadTo(next(p), next(q)),
            PathEl::CurveTo(p, q, r) => PathEl::CurveTo(next(p), next(q), next(r)),
            PathEl::ClosePath => PathEl::ClosePath,
        })
        .collect()
}

fn cannot(number: usize, path: &BezPath, length_mm: f64) -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        format!("edge {number} is {:.1} mm long and cannot be made {length_mm:.1} mm by stretching it", length(path)),
        "check the length and its unit; for a larger change move its corners first",
    )
}
