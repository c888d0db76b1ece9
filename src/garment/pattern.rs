//! A surface with a pattern of its own, such as a striped tablecloth: its colours lie about their mean, and cloth may lie nearer to
//! that mean than the stripes do. What is of none of its colours is no surface all the same.

use rayon::prelude::*;

use super::Flat;
use super::appearance::quantile;
use super::cells::Layout;
use super::colours::pixels;
use super::palette::{Light, Palette};
use super::region::colours_of;

/// Most colours of a pattern.
const COLOURS: usize = 8;
/// How the light may change them: shadow on the surface and a lamp's falling off, for nothing.
const LIGHT: Light = Light { factor: (0.4, 1.3), free: (0.4, 1.3), price: 0.0, sigma: 1.0 };
/// Even colours spread by so much at least, gamma levels.
const LEAST_SPREAD: f32 = 2.5;
/// Most a pixel's distance counts, standard deviations.
const CAP: f32 = 15.0;

/// What a surface's colours say, cell by cell.
pub(super) struct Pattern {
    /// Mean distance of a cell's pixels from the colours, standard deviations.
    strays: Vec<f32>,
    /// What nine tenths of the cells known to be bare stray by.
    level: f32,
}

impl Pattern {
    /// Learnt from cells known to be bare. `None` for a surface of one colour: its mean says all there is to say.
    pub(super) fn learn(flat: &Flat, layout: &Layout, bare: &[bool]) -> Option<Self> {
        let palette = Palette::learn(&colours_of(flat, layout, bare), COLOURS);
        if palette.colours.len() < 2 {
            return None;
        }
        let light = Light { sigma: palette.spread.max(LEAST_SPREAD), ..LIGHT };
        let stray = |k: usize| {
            let (sum, n) = pixels(k % layout.columns, k / layout.columns).fold((0.0, 0.0), |(sum, n), (x, y)| {
                let seen = flat.rgb.get_pixel(x, y).0.map(f32::from);
                (sum + palette.nearest_distance(seen, light).sqrt().min(CAP), n + 1.0)
            });
            sum / n
        };
        let strays: Vec<f32> = (0..layout.len()).into_par_iter().with_min_len(1024).map(stray).collect();
        let level =
            quantile(&mut strays.iter().zip(bare).filter(|(_, b)| **b).map(|(s, _)| *s).collect::<Vec<_>>(), 0.9);
        (level > 0.0).then_some(Self { strays, level })
    }

    /// How far a cell strays, in what bare cells stray by.
    pub(super) fn in_levels(&self, k: usize) -> f32 {
        self.strays[k] / self.level
    }
}
