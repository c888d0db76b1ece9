//! Grid mats: printed or woven line grids, tile floors, chessboards.

use super::{LineSighting, Marking};

/// What the person says about the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridSpec {
    /// Distance between neighbouring lines along x and along y, mm.
    pub pitch_mm: [f64; 2],
}

/// The grid as found: line sightings with indices, in a right-handed mat frame (y up).
#[derive(Debug, Clone, PartialEq)]
pub struct GridSighting {
    /// How it is drawn.
    pub marking: Marking,
    /// Pitch used, mm (x, y).
    pub pitch_mm: [f64; 2],
    /// Every measured cell side.
    pub sides: Vec<LineSighting>,
    /// Bold lines come every so many, and the index of one of them: (period, phase) for x and for y.
    pub bold: [Option<(u32, i32)>; 2],
    /// Finer divisions seen inside one pitch (1 = none).
    pub divisions: u32,
}
