//! The fold's bracket and the grainline.

use nalgebra::Vector2;

use super::{Fold, StitchingEdge, Stretch, ends};
use crate::polygon;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// How far inside the piece the fold's bracket runs, mm.
const BRACKET_IN_MM: f64 = 14.0;
/// Longest grainline, mm: enough to measure from both ends to the selvedge.
const LONGEST_MM: f64 = 400.0;
/// The grainline keeps so far from the stitching line at its ends, mm.
const CLEAR_MM: f64 = 12.0;
/// A grainline shorter than this is hard to lay straight, mm.
const SHORTEST_MM: f64 = 40.0;
/// Places tried across the piece.
const TRIES: usize = 41;

/// Longest stretch arrow, mm.
const STRETCH_MM: f64 = 60.0;
/// A shorter one is not read as an arrow, mm.
const LEAST_STRETCH_MM: f64 = 20.0;

/// The marks inside a piece.
pub(super) struct Marks<'a> {
    pub grainline: [MatPoint; 2],
    pub fold: Option<&'a Fold>,
    pub stretch: Option<[MatPoint; 2]>,
}

/// The fold with its bracket.
pub(super) fn fold(edge: &StitchingEdge, cut: &[MatPoint]) -> Fold {
    let (from, to) = ends(&edge.path);
    let direction = (to - from).try_normalize(1e-9).unwrap_or_else(Vector2::y);
    // The fold runs on to the cut line at either end.
    let on_fold =
        cut.iter().filter(|p| direction.perp(&(**p - from)).abs() < 1e-3).map(|p| (*p - from).dot(&direction));
    let (low, high) = on_fold.fold((0.0, (to - from).norm()), |(l, h): (f64, f64), v| (l.min(v), h.max(v)));
    let inward = Vector2::new(-direction.y, direction.x);
    let length = (to - from).norm();
    let (a, b) = (from + direction * (0.2 * length), from + direction * (0.8 * length));
    let deep = inward * BRACKET_IN_MM.min(0.1 * length);
    Fold {
        edge: edge.number,
        line: [from + direction * low, from + direction * high],
        bracket: vec![a, a + deep, b + deep, b],
    }
}

/// Direction and place of the grainline.
pub(super) fn grainline(
    grain_deg: Option<f64>,
    fold: Option<&Fold>,
    stitching: &[MatPoint],
    warnings: &mut Vec<Warning>,
) -> [MatPoint; 2] {
    let direction = match (grain_deg, fold) {
        (Some(degrees), _) => Vector2::new(degrees.to_radians().cos(), degrees.to_radians().sin()),
        (None, Some(fold)) => (fold.line[1] - fold.line[0]).try_normalize(1e-9).unwrap_or_else(Vector2::y),
        (None, None) => Vector2::y(),
    };
    // Drawn pointing away from the maker.
    let up =
        if direction.y < -1e-9 || (direction.y.abs() <= 1e-9 && direction.x < 0.0) { -direction } else { direction };
    let (from, to) = roomiest(stitching, up, fold);
    if from.distance(to) < SHORTEST_MM {
        warnings.push(Warning::new(
            "grainline-short",
            format!("there is room for a grainline of {:.0} mm only: lay it with care", from.distance(to)),
        ));
    }
    [from, to]
}

/// The best place for a grainline: long, and with room on both sides.
fn roomiest(stitching: &[MatPoint], up: Vector2<f64>, fold: Option<&Fold>) -> (MatPoint, MatPoint) {
    let across = Vector2::new(up.y, -up.x);
    let Some(&origin) = stitching.first() else { return Default::default() };
    let offsets = stitching.iter().map(|p| (*p - origin).dot(&across));
    let (low, high) = offsets.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h): (f64, f64), v| (l.min(v), h.max(v)));
    let width = (high - low).max(1e-6);
    let mut best = (f64::NEG_INFINITY, (origin, origin));
    for k in 1..TRIES {
        let share = k as f64 / TRIES as f64;
        let point = origin + across * (low + share * width);
        for (start, end) in polygon::intervals_inside(stitching, point, up) {
            let clear = CLEAR_MM.min(0.15 * (end - start));
            let length = (end - start - 2.0 * clear).min(LONGEST_MM);
            let middle = point + up * (0.5 * (start + end));
            let half = 0.5 * length;
            let room = side_room(stitching, middle, up, half).min(bracket_room(fold, middle));
            // Room beyond a hand's breadth is no better; a line near one side leaves the middle to the label.
            let score = length.min(250.0) + 4.0 * room.min(25.0) - 0.05 * width * (share - 0.33).abs();
            if score > best.0 {
                best = (score, (middle - up * half, middle + up * half));
            }
        }
    }
    best.1
}

/// The stretch arrow, clear of grainline and bracket; none where the piece is too small for one.
pub(super) fn stretch(
    stretch: Stretch,
    grainline: [MatPoint; 2],
    fold: Option<&Fold>,
    stitching: &[MatPoint],
) -> Option<[MatPoint; 2]> {
    let grain = (grainline[1] - grainline[0]).try_normalize(1e-9)?;
    let along = match stretch {
        Stretch::Along => grain,
        Stretch::Across => Vector2::new(grain.y, -grain.x),
    };
    let frame = crate::flat::MatRect::around(stitching.iter().copied())?;
    let mut best: Option<(f64, [MatPoint; 2])> = None;
    for half in [0.5 * STRETCH_MM, 0.25 * STRETCH_MM, 0.5 * LEAST_STRETCH_MM] {
        for place in 0..TRIES * TRIES {
            let share = |k: usize| (k as f64 + 0.5) / TRIES as f64;
            let (right, up) = (share(place % TRIES) * frame.width_mm(), share(place / TRIES) * frame.height_mm());
            let middle = frame.min + Vector2::new(right, up);
            if !polygon::contains(stitching, middle) {
                continue;
            }
            let ends = [middle - along * half, middle + along * half];
            let clear = |p: MatPoint| {
                let line = polygon::distance_to_segment(p, grainline[0], grainline[1]);
                polygon::distance_to_ring(stitching, p).min(line).min(bracket_room(fold, p))
            };
            let inside = ends.iter().all(|p| polygon::contains(stitching, *p));
            let room = ends.iter().map(|p| clear(*p)).fold(clear(middle), f64::min);
            // Low on the piece, out of the label's way.
            let score = room.min(15.0) - 0.02 * up;
            if inside && room > 4.0 && best.is_none_or(|(other, _)| score > other) {
                best = Some((score, ends));
            }
        }
        if best.is_some() {
            break;
        }
    }
    best.map(|(_, ends)| ends)
}

fn side_room(stitching: &[MatPoint], middle: MatPoint, up: Vector2<f64>, half: f64) -> f64 {
    [-0.9, -0.45, 0.0, 0.45, 0.9]
        .iter()
        .map(|share| polygon::distance_to_ring(stitching, middle + up * (share * half)))
        .fold(f64::INFINITY, f64::min)
}

fn bracket_room(fold: Option<&Fold>, p: MatPoint) -> f64 {
    fold.map_or(f64::INFINITY, |f| polygon::distance_to_polyline(&f.bracket, p))
}
