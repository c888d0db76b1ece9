//! How the edge goes on over a gap: along a parabola through what lies beside it.

use nalgebra::{Vector2, Vector3};

use crate::outline::parabola;
use crate::units::MatPoint;

/// The chord of a gap as an axis.
#[derive(Clone, Copy)]
pub(super) struct Frame {
    origin: MatPoint,
    along: Vector2<f64>,
    pub length: f64,
}

impl Frame {
    pub fn new(a: MatPoint, b: MatPoint) -> Option<Self> {
        let length = a.distance(b);
        (length > 1.0).then(|| Self { origin: a, along: (b - a) / length, length })
    }

    /// How far along, as a share of the chord, and how far across, mm.
    pub fn place(&self, p: MatPoint) -> (f64, f64) {
        let d = p - self.origin;
        (d.dot(&self.along) / self.length, self.along.perp(&d))
    }

    fn point(&self, share: f64, across_mm: f64) -> MatPoint {
        self.origin + self.along * (share * self.length) + Vector2::new(-self.along.y, self.along.x) * across_mm
    }
}

/// The way over a gap from one end to the other.
pub(super) struct Course {
    frame: Frame,
    curve: Vector3<f64>,
}

impl Course {
    /// The course that what lies beside the gap tells; and how far that lies off it (root mean square, mm).
    pub fn through(frame: Frame, beside: impl Iterator<Item = MatPoint>) -> Option<(Self, f64)> {
        let places: Vec<(f64, f64)> = beside.map(|p| frame.place(p)).collect();
        let curve = parabola::through(&places, |_| 1.0)?;
        let squares = places.iter().map(|(share, across)| (across - parabola::at(&curve, *share)).powi(2));
        let rms_mm = (squares.sum::<f64>() / places.len() as f64).sqrt();
        Some((Self { frame, curve }, rms_mm))
    }

    /// The place at a share of the gap.
    pub fn at(&self, share: f64) -> MatPoint {
        self.frame.point(share, parabola::at(&self.curve, share))
    }

    /// How far a point lies off it, mm.
    pub fn off(&self, p: MatPoint) -> f64 {
        let (share, across) = self.frame.place(p);
        (across - parabola::at(&self.curve, share.clamp(0.0, 1.0))).abs()
    }
}
