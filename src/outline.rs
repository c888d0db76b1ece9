//! The cloth's edge to a fraction of a pixel, in millimetres, with its doubt.

use crate::units::MatPoint;

/// One point of the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlinePoint {
    /// Plan position, mat frame.
    pub at: MatPoint,
    /// Half-width that holds the true edge 95 % of the time, mm.
    pub doubt_mm: f64,
    /// False where the edge could not be seen and was bridged.
    pub seen: bool,
}

/// A closed outline, anticlockwise in the mat frame (y up), points at most 1 mm apart; the last
/// point joins the first and is not repeated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outline {
    /// The points in order.
    pub points: Vec<OutlinePoint>,
}
