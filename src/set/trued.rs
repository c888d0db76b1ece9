//! Truing: a small difference between two sewn edges is shared out, half on each, at the hem end where there is one; then
//! what runs on across a seam is bent, half on each piece, so that it runs on smoothly.

use kurbo::{Affine, BezPath, Point};

use super::pairs::{EdgeOf, MEANT_DEG, Pair, SeamEnd, is_reversed, leaving};
use super::pieces::{MadePieces, about};
use crate::draft::shape::{Role, Shape};
use crate::path;
use crate::refusal::Refusal;

/// A larger difference is no slip of tracing and is left to the person, mm.
const SMALL_MM: f64 = 6.0;
/// A smaller one is none, mm.
const NONE_MM: f64 = 0.02;

/// A smaller departure is none, degrees.
const NONE_DEG: f64 = 0.2;
/// An edge is bent over so much of its end, mm.
const BEND_MM: f64 = 30.0;

/// Shares out what is small; says what it moved.
///
/// # Errors
/// When a piece could not be a piece any more.
pub(super) fn shared_out(pairs: &[Pair], made: &mut MadePieces) -> Result<Vec<String>, Refusal> {
    let mut moved = Vec::new();
    for pair in pairs.iter().filter(|p| p.said.ratio.is_none()) {
        let Some((first, second)) = pair.single() else { continue };
        let (a, b) = (first.on(made)?, second.on(made)?);
        let meant = pair.said.ease.map_or(0.0, crate::units::Length::mm);
        let too_long = b.0.edges[b.1].length_mm() - a.0.edges[a.1].length_mm() - meant;
        if too_long.abs() < NONE_MM || too_long.abs() > SMALL_MM {
            continue;
        }
        let reversed = is_reversed(a, b, pair.said.reversed);
        let at_end = quiet_end(a);
        let ends = [(first, a.1, at_end, 0.5 * too_long), (second, b.1, at_end != reversed, -0.5 * too_long)];
        for (edge, index, at_end, by_mm) in ends {
            let Some(piece) = made.get_mut(&edge.piece) else { continue };
            let (shape, run) = moved_end(&piece.shape, index, at_end, by_mm);
            shape.check("truing").map_err(|r| about(&edge.piece, r))?;
            piece.shape = shape;
            let longer = if by_mm > 0.0 { "longer" } else { "shorter" };
            moved.push(format!("{edge} made {:.2} mm {longer} at the {run}", by_mm.abs()));
        }
    }
    for pair in pairs {
        let Some((first, second)) = pair.single() else { continue };
        let reversed = is_reversed(first.on(made)?, second.on(made)?, pair.said.reversed);
        for at_start in [true, false] {
            moved.extend(smoothed((first, at_start), (second, at_start != reversed), made)?);
        }
    }
    Ok(moved)
}

/// Bends what runs on across one end of a seam; says by how much.
fn smoothed(first: (&EdgeOf, bool), second: (&EdgeOf, bool), made: &mut MadePieces) -> Result<Vec<String>, Refusal> {
    let (one, other) = (SeamEnd::of(first.0.on(made)?, first.1), SeamEnd::of(second.0.on(made)?, second.1));
    let off = 180.0 - one.angle_deg - other.angle_deg;
    if !one.runs_on_into(&other) || !(NONE_DEG..=MEANT_DEG).contains(&off.abs()) {
        return Ok(Vec::new());
    }
    let mut moved = Vec::new();
    for ((edge, at_start), end) in [(first, one), (second, other)] {
        let Some(piece) = made.get_mut(&edge.piece) else { continue };
        let mut shape = piece.shape.clone();
        let run = &mut shape.edges[end.run_index];
        let (path, by_mm) = bent(&run.path, at_start, 0.5 * off.to_radians());
        run.path = path;
        let called = run.called();
        shape.check("truing").map_err(|r| about(&edge.piece, r))?;
        piece.shape = shape;
        let by = if by_mm < 0.05 { "less than 0.1 mm".to_string() } else { format!("up to {by_mm:.1} mm") };
        moved.push(format!("{}/{called} bent by {:.1}° at {edge}, {by}", edge.piece, 0.5 * off.abs()));
    }
    Ok(moved)
}

/// The end of an edge that arrives at a seam (or its start, leaving one) turned so that the piece's inside angle there
/// grows by `by` radians; and how far that moves it, mm.
fn bent(edge: &BezPath, at_its_end: bool, by: f64) -> (BezPath, f64) {
    let facing = if at_its_end { edge.clone() } else { path::reversed(edge) };
    let length = path::length(&facing);
    let reach = BEND_MM.min(0.4 * length);
    let Some(spot) = path::spot_at(&facing, length - reach) else { return (edge.clone(), 0.0) };
    let (kept, old) = path::split(&facing, spot);
    // Arriving anticlockwise the inside lies to the left, leaving (here run backwards) to the right.
    let turn = if at_its_end { by } else { -by };
    let arriving = (Affine::rotate(turn) * (-leaving(edge, at_its_end)).to_point()).to_vec2();
    let (from, to) = (path::start(&old), path::end(&old));
    let tail = path::curve(from, path::direction_at(&facing, spot), arriving, to);
    let moved = (1..10)
        .filter_map(|k| path::spot_at(&tail, reach * f64::from(k) / 10.0))
        .filter_map(|spot| path::nearest(&old, path::point_at(&tail, spot)))
        .map(|(_, away)| away)
        .fold(0.0, f64::max);
    let whole = path::joined(&kept, &tail);
    (if at_its_end { whole } else { path::reversed(&whole) }, moved)
}

/// The end of an edge that is best moved: at the hem, else at the waist, else its end.
fn quiet_end((shape, index): (&Shape, usize)) -> bool {
    let (before, after) = shape.neighbours(index);
    let role = |i: usize| shape.edges[i].role;
    for quiet in [Role::Hem, Role::Waist] {
        if role(after) == quiet {
            return true;
        }
        if role(before) == quiet {
            return false;
        }
    }
    // A corner on the fold would leave it.
    role(after) != Role::Fold
}

/// An edge run on or cut back at one end, its neighbour drawn along; and what that neighbour is called.
fn moved_end(shape: &Shape, index: usize, at_end: bool, by_mm: f64) -> (Shape, String) {
    let mut shape = shape.clone();
    let (before, after) = shape.neighbours(index);
    let neighbour = if at_end { after } else { before };
    let edge = &shape.edges[index].path;
    let facing = if at_end { edge.clone() } else { path::reversed(edge) };
    let longer = if by_mm >= 0.0 {
        path::run_on(&facing, by_mm)
    } else {
        match path::spot_at(&facing, path::length(&facing) + by_mm) {
            Some(spot) => path::split(&facing, spot).0,
            None => facing,
        }
    };
    let corner = path::end(&longer);
    shape.edges[index].path = if at_end { longer } else { path::reversed(&longer) };
    let run = &shape.edges[neighbour].path;
    let (from, to) = if at_end { (corner, path::end(run)) } else { (path::start(run), corner) };
    shape.edges[neighbour].path = drawn_along(run, from, to);
    let called = shape.edges[neighbour].called();
    (shape, called)
}

/// A path stretched and turned as a whole so that it runs between other ends.
fn drawn_along(run: &BezPath, from: Point, to: Point) -> BezPath {
    let (old_from, old) = (path::start(run), path::end(run) - path::start(run));
    let new = to - from;
    let scale = new.hypot() / old.hypot().max(1e-9);
    let turn = new.atan2() - old.atan2();
    let place = Affine::translate(from.to_vec2())
        * Affine::rotate(turn)
        * Affine::scale(scale)
        * Affine::translate(-old_from.to_vec2());
    path::pinned(&(place * run), from, to)
}
