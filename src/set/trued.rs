//! Truing: a small difference between two sewn edges is shared out, half on each, at the hem end where there is one.

use super::pairs::{Pair, is_reversed};
use super::pieces::{MadePieces, about};
use crate::draft::shape::{Role, Shape};
use crate::path;
use crate::refusal::Refusal;

/// A larger difference is no slip of tracing and is left to the person, mm.
const SMALL_MM: f64 = 6.0;
/// A smaller one is none, mm.
const NONE_MM: f64 = 0.02;

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
    Ok(moved)
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
    shape.edges[neighbour].path = path::pinned(run, from, to);
    let called = shape.edges[neighbour].called();
    (shape, called)
}
