//! Motions that carry a grid onto itself: whole cells and quarter turns.

use nalgebra::Matrix3;
use serde::{Deserialize, Serialize};

use crate::units::MatPoint;

/// From the mat frame of one photo to that of another of the same mat.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LatticeMotion {
    /// Quarter turns anticlockwise, 0 to 3; done first.
    pub quarter_turns: u8,
    /// Cells moved along x and y; done second.
    pub shift: [i32; 2],
    /// Pitch of the frame moved from, mm (x, y).
    pub from_pitch_mm: [f64; 2],
    /// Pitch of the frame moved to, mm (x, y).
    pub to_pitch_mm: [f64; 2],
}

impl LatticeMotion {
    /// The place in the frame moved to.
    pub fn apply(&self, p: MatPoint) -> MatPoint {
        let (x, y) = turned((p.x / self.from_pitch_mm[0], p.y / self.from_pitch_mm[1]), self.quarter_turns);
        let [dx, dy] = self.shift.map(f64::from);
        MatPoint::new((x + dx) * self.to_pitch_mm[0], (y + dy) * self.to_pitch_mm[1])
    }

    /// The same as a matrix on homogeneous coordinates.
    pub fn matrix(&self) -> Matrix3<f64> {
        let [o, x, y] = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)].map(|(x, y)| self.apply(MatPoint::new(x, y)));
        Matrix3::new(x.x - o.x, y.x - o.x, o.x, x.y - o.y, y.y - o.y, o.y, 0.0, 0.0, 1.0)
    }

    /// The way back.
    pub fn inverse(&self) -> Self {
        let back = (4 - self.quarter_turns % 4) % 4;
        let (x, y) = turned((f64::from(self.shift[0]), f64::from(self.shift[1])), back);
        Self {
            quarter_turns: back,
            shift: [-x.round() as i32, -y.round() as i32],
            from_pitch_mm: self.to_pitch_mm,
            to_pitch_mm: self.from_pitch_mm,
        }
    }
}

/// A point turned about the origin by whole quarters.
fn turned((x, y): (f64, f64), quarters: u8) -> (f64, f64) {
    match quarters % 4 {
        0 => (x, y),
        1 => (-y, x),
        2 => (-x, -y),
        _ => (y, -x),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn there_and_back_is_nowhere(turns in 0u8..4, dx in -90i32..90, dy in -90i32..90, x in -900.0..900.0, y in -900.0..900.0) {
            let motion = LatticeMotion { quarter_turns: turns, shift: [dx, dy], from_pitch_mm: [25.4, 25.3], to_pitch_mm: if turns % 2 == 0 { [25.4, 25.3] } else { [25.3, 25.4] } };
            let p = MatPoint::new(x, y);
            prop_assert!(motion.inverse().apply(motion.apply(p)).distance(p) < 1e-9);
        }

        #[test]
        fn lengths_stay(turns in 0u8..4, dx in -90i32..90, x in -900.0..900.0, y in -900.0..900.0) {
            let motion = LatticeMotion { quarter_turns: turns, shift: [dx, 3], from_pitch_mm: [10.0; 2], to_pitch_mm: [10.0; 2] };
            let (p, q) = (MatPoint::new(x, y), MatPoint::new(y - 7.0, 2.0 * x));
            prop_assert!((motion.apply(p).distance(motion.apply(q)) - p.distance(q)).abs() < 1e-9);
        }
    }
}
