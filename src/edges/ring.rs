//! The outline at equal steps, as a closed ring with wrap-around indices.

use crate::outline::Outline;
use crate::units::MatPoint;

/// Step of the working outline, mm: fine against the 5-10 mm over which corners turn.
const STEP_MM: f64 = 0.5;

pub(super) struct Ring {
    pub points: Vec<MatPoint>,
    pub doubts_mm: Vec<f64>,
    /// Exact distance along the outline from point to point, near [`STEP_MM`].
    pub step_mm: f64,
}

impl Ring {
    /// Resamples by linear interpolation; doubts are interpolated too.
    pub fn resampled(outline: &Outline) -> Self {
        let source = &outline.points;
        let total: f64 = pairs(outline).map(|(a, b)| a.at.distance(b.at)).sum();
        let count = (total / STEP_MM).round().max(8.0) as usize;
        let step_mm = total / count as f64;
        let mut ring = Self { points: Vec::with_capacity(count), doubts_mm: Vec::with_capacity(count), step_mm };
        let mut travelled = 0.0;
        for (a, b) in pairs(outline) {
            let length = a.at.distance(b.at);
            while ring.points.len() < count && ring.points.len() as f64 * step_mm < travelled + length {
                let t = (ring.points.len() as f64 * step_mm - travelled) / length;
                ring.points.push(a.at.lerp(b.at, t));
                ring.doubts_mm.push(a.doubt_mm + t * (b.doubt_mm - a.doubt_mm));
            }
            travelled += length;
        }
        // Rounding may leave the last step out.
        while let (true, Some(last)) = (ring.points.len() < count, source.last()) {
            ring.points.push(last.at);
            ring.doubts_mm.push(last.doubt_mm);
        }
        ring
    }

    pub fn len(&self) -> usize {
        self.points.len()
    }

    /// How many steps a length takes.
    pub fn steps(&self, length_mm: f64) -> usize {
        (length_mm / self.step_mm).round().max(1.0) as usize
    }

    /// The point so many steps on from an index (negative: back), wrapping.
    pub fn at(&self, index: usize, on: isize) -> MatPoint {
        let count = self.len() as isize;
        let wrapped = (index as isize + on).rem_euclid(count.max(1));
        self.points.get(wrapped as usize).copied().unwrap_or_default()
    }

    /// Steps from one index forward to another; a full turn if they are equal.
    pub fn steps_between(&self, from: usize, to: usize) -> usize {
        let gap = (to + self.len() - from) % self.len();
        if gap == 0 { self.len() } else { gap }
    }

    /// Points and doubts from one index forward to another, both included.
    pub fn between(&self, from: usize, to: usize) -> (Vec<MatPoint>, Vec<f64>) {
        let count = self.len();
        let indices = (0..=self.steps_between(from, to)).map(|k| (from + k) % count);
        indices.filter_map(|i| Some((*self.points.get(i)?, *self.doubts_mm.get(i)?))).unzip()
    }

    /// Index of the point nearest to a place.
    pub fn nearest(&self, place: MatPoint) -> usize {
        let away = |i: &usize| self.points.get(*i).map_or(f64::INFINITY, |p| p.distance(place));
        (0..self.len()).min_by(|a, b| away(a).total_cmp(&away(b))).unwrap_or(0)
    }

    pub fn doubt_at(&self, index: usize) -> f64 {
        self.doubts_mm.get(index).copied().unwrap_or(0.0)
    }
}

fn pairs(outline: &Outline) -> impl Iterator<Item = (&crate::outline::OutlinePoint, &crate::outline::OutlinePoint)> {
    outline.points.iter().zip(outline.points.iter().cycle().skip(1))
}
