//! Cloth whose every second stripe has the colour of the table it lies on: it falls into pieces, three or more of a size, that lie
//! close side by side.

use super::cells::Layout;
use super::region::{Piece, dilated, eroded, reached};
use crate::refusal::Warning;

/// So many pieces, the largest at most so many times the least, may be one cloth's stripes; the widest gap between them, mm.
const LEAST_STRIPES: usize = 3;
const STRIPE_SHARE: f64 = 4.0;
const WIDEST_STRIPE_MM: f64 = 32.0;

/// What such stripes and their gaps cover together; `None` if there are none, or one piece alone is larger.
pub(super) fn joined(layout: &Layout, pieces: &[Piece]) -> Option<Vec<bool>> {
    if pieces.len() < LEAST_STRIPES {
        return None;
    }
    let sizes: Vec<usize> = pieces.iter().map(|p| p.cells.iter().filter(|c| **c).count()).collect();
    let any: Vec<bool> = (0..layout.len()).map(|k| pieces.iter().any(|p| p.cells[k])).collect();
    let most = (0.5 * WIDEST_STRIPE_MM / layout.cell_mm()).ceil() as usize;
    let closings = (1..=most).filter_map(|by| {
        let closed = eroded(layout, &dilated(layout, &any, by), by);
        let groups = (0..pieces.len()).filter_map(|first| Group::of(layout, &closed, first, pieces, &sizes));
        groups.reduce(|best, next| if next.size > best.size { next } else { best })
    });
    // The narrowest gaps that join all that wider ones join.
    let group = closings.reduce(|best, next| if next.size > best.size { next } else { best })?;
    (group.size > *sizes.iter().max()?).then_some(group.covers)
}

/// Pieces of a size that a closing of gaps joins.
struct Group {
    /// Cells of the pieces and their gaps.
    covers: Vec<bool>,
    /// How many cells are the pieces' own.
    size: usize,
}

impl Group {
    /// The group that a piece, by its number, belongs to, if it is the largest of them.
    fn of(layout: &Layout, closed: &[bool], first: usize, pieces: &[Piece], sizes: &[usize]) -> Option<Self> {
        let covers = reached(layout.columns, layout.rows, pieces[first].cells.clone(), |k| closed[k]);
        let within = pieces.iter().zip(sizes).filter(|(p, _)| p.cells.iter().zip(&covers).any(|(a, b)| *a && *b));
        let within: Vec<usize> = within.map(|(_, size)| *size).collect();
        let largest = *within.iter().max()?;
        let alike = within.iter().filter(|size| STRIPE_SHARE * **size as f64 > largest as f64).count();
        let size = within.iter().sum();
        (sizes[first] == largest && alike >= LEAST_STRIPES).then_some(Self { covers, size })
    }
}

/// A word about it.
pub(super) fn warning() -> Warning {
    Warning::new(
        "stripes-joined",
        "the cloth's stripes lie apart on a surface of nearly the colour between them, and were taken for one piece: check the \
         outline between them, and whether it stops short of a last stripe; or retake on something plain of another colour",
    )
}
