//! Cloth whose every second stripe has the colour of the table it lies on: it falls into pieces, three or more of a size, that lie
//! close side by side.

use super::cells::Layout;
use super::region::{Piece, dilated, eroded, neighbours};
use crate::refusal::Warning;

/// So many pieces, the largest at most so many times the least, may be one cloth's stripes; the widest gap between them, mm.
const LEAST_STRIPES: usize = 3;
const STRIPE_SHARE: f64 = 4.0;
const WIDEST_STRIPE_MM: f64 = 32.0;

/// What such stripes and their gaps cover together; `None` if there are none.
pub(super) fn joined(layout: &Layout, pieces: &[Piece]) -> Option<Vec<bool>> {
    let size = |piece: &Piece| piece.cells.iter().filter(|c| **c).count();
    let first = size(pieces.first()?);
    let alike: Vec<&Piece> = pieces.iter().filter(|p| STRIPE_SHARE * size(p) as f64 > first as f64).collect();
    if alike.len() < LEAST_STRIPES {
        return None;
    }
    let any: Vec<bool> = (0..layout.len()).map(|k| pieces.iter().any(|p| p.cells[k])).collect();
    let most = (0.5 * WIDEST_STRIPE_MM / layout.cell_mm()).ceil() as usize;
    (1..=most).find_map(|by| {
        let closed = eroded(layout, &dilated(layout, &any, by), by);
        let start = (0..layout.len()).find(|k| pieces[0].cells[*k])?;
        let joined = reached(layout, &closed, start);
        let holds = |p: &&&Piece| p.cells.iter().zip(&joined).any(|(own, joined)| *own && *joined);
        (alike.iter().filter(holds).count() >= LEAST_STRIPES).then_some(joined)
    })
}

/// The chosen cells that hang together with one of them.
fn reached(layout: &Layout, chosen: &[bool], start: usize) -> Vec<bool> {
    let mut reached = vec![false; chosen.len()];
    let mut stack = vec![start];
    reached[start] = chosen[start];
    while let Some(k) = stack.pop() {
        for n in neighbours(layout.columns, layout.rows, k).filter(|n| chosen[*n]) {
            if !std::mem::replace(&mut reached[n], true) {
                stack.push(n);
            }
        }
    }
    reached
}

/// A word about it.
pub(super) fn warning() -> Warning {
    Warning::new(
        "stripes-joined",
        "the cloth's stripes lie apart on a surface of nearly the colour between them, and were taken for one piece: check the \
         outline between them, and whether it stops short of a last stripe; or retake on something plain of another colour",
    )
}
