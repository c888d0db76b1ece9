//! What an outline must be before it can be a piece.

use crate::outline::{Outline, OutlinePoint};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Fewest points an outline can have.
const LEAST_POINTS: usize = 3;
/// Coordinates beyond this are a mistake in units, mm.
pub(crate) const FURTHEST_MM: f64 = 20_000.0;
/// A piece of less area is a mistake in units, mm².
const LEAST_AREA_MM2: f64 = 100.0;

impl Outline {
    /// Plan positions alone, in order.
    pub fn positions(&self) -> Vec<MatPoint> {
        self.points.iter().map(|p| p.at).collect()
    }

    /// Can this be the outline of a piece?
    ///
    /// # Errors
    /// [`RefusalKind::BadOutline`] for too few points, coordinates that are not ordinary numbers or larger than 20 m,
    /// an area under 1 cm², or an outline that crosses itself; the place is named.
    pub fn check(&self) -> Result<(), Refusal> {
        let bad = |seen: String, advice: &str| Err(Refusal::new(RefusalKind::BadOutline, seen, advice));
        if self.points.len() < LEAST_POINTS {
            let count = self.points.len();
            return bad(format!("the outline has {count} points"), "an outline needs at least 3 points");
        }
        for (i, p) in self.points.iter().enumerate() {
            if !p.at.is_finite() || !p.doubt_mm.is_finite() || p.doubt_mm < 0.0 {
                return bad(format!("outline point {} is not a number", i + 1), "give every point as [x, y] in mm");
            }
            if p.at.x.abs() > FURTHEST_MM || p.at.y.abs() > FURTHEST_MM {
                return bad(
                    format!("outline point {} is at ({:.0}, {:.0}) mm, more than 20 m away", i + 1, p.at.x, p.at.y),
                    "check the units: coordinates are millimetres",
                );
            }
        }
        let ring = self.positions();
        if let Some(at) = polygon::self_crossing(&ring) {
            return bad(
                format!("the outline crosses itself near ({:.1}, {:.1}) mm", at.x, at.y),
                "redraw that place so that the outline runs once round the piece",
            );
        }
        let area = polygon::signed_area(&ring).abs();
        if area < LEAST_AREA_MM2 {
            return bad(
                format!("the outline encloses {area:.1} mm², less than 1 cm²"),
                "check the units: coordinates are millimetres",
            );
        }
        Ok(())
    }

    /// The outline as every stage after it wants it: anticlockwise, no repeated points, and on a lattice of 0.0001 mm,
    /// so that what is written to a file and read again is the very same outline.
    pub fn settled(&self) -> Self {
        let settle = |v: f64| (v * 1e4).round() / 1e4;
        let mut points: Vec<OutlinePoint> = Vec::with_capacity(self.points.len());
        for p in &self.points {
            let at = MatPoint::new(settle(p.at.x), settle(p.at.y));
            if points.last().is_none_or(|last| last.at != at) {
                points.push(OutlinePoint { at, doubt_mm: settle(p.doubt_mm), seen: p.seen });
            }
        }
        while points.len() > 1 && points.first().map(|p| p.at) == points.last().map(|p| p.at) {
            points.pop();
        }
        let mut outline = Self { points };
        if polygon::signed_area(&outline.positions()) < 0.0 {
            outline.points.reverse();
        }
        outline
    }
}
