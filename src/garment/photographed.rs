//! What is printed on the mat, and its wear, read from a photo of the bare mat.

use std::sync::Arc;

use super::appearance::log_from_gamma;
use super::shade::{Sample, Shade};
use crate::bare::BareMat;
use crate::flat::MatRect;
use crate::units::MatPoint;

/// Distance of the samples that the bare photo's own light is learnt from, mm. No simple ratio to any pitch in use.
const SAMPLE_MM: f64 = 7.3;

/// The bare photo, and how the light fell in it.
#[derive(Debug, Clone)]
pub(crate) struct Photographed {
    bare: Arc<BareMat>,
    shade: Shade,
}

impl Photographed {
    /// Learns the bare photo's light within the printed grid; `None` if too little of that is seen there.
    pub(crate) fn new(bare: Arc<BareMat>, area: MatRect) -> Option<Self> {
        let count = |mm: f64| (mm / SAMPLE_MM).floor() as usize;
        let (columns, rows) = (count(area.width_mm()), count(area.height_mm()));
        let places = (0..columns * rows).map(|k| {
            let (c, r) = ((k % columns) as f64 + 0.5, (k / columns) as f64 + 0.5);
            MatPoint::new(area.min.x + c * SAMPLE_MM, area.min.y + r * SAMPLE_MM)
        });
        let samples: Vec<Sample> =
            places.filter_map(|at| Some(Sample { at, log: bare.at(at)?.map(log_from_gamma) })).collect();
        if samples.len() * 2 < columns * rows || samples.len() < 60 {
            return None;
        }
        let mut shade = Shade::fit(&samples, area, 1, None)?;
        for degree in [2, 3] {
            shade = Shade::fit(&samples, area, degree, Some(&shade))?;
        }
        Some(Self { bare, shade })
    }

    /// Log colour over the ground; nothing where the bare photo does not reach.
    pub(crate) fn at(&self, p: MatPoint) -> [f32; 3] {
        let Some(seen) = self.bare.at(p) else { return [0.0; 3] };
        let base = self.shade.at(p);
        std::array::from_fn(|i| log_from_gamma(seen[i]) - base[i])
    }
}
