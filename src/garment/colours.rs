//! Which colours are cloth and which are not: two histograms learnt from the photo itself.

use super::Flat;
use super::cells::{CELL_PX, Layout};

/// Levels per channel.
const LEVELS: usize = 32;

/// Most the ratio of two histograms may say about one pixel (nats).
const CLIP: f32 = 3.0;

/// Smoothed counts of colours.
pub(crate) struct Histogram {
    counts: Vec<f32>,
    total: f32,
}

impl Histogram {
    pub(crate) fn empty() -> Self {
        Self { counts: vec![0.0; LEVELS * LEVELS * LEVELS], total: 0.0 }
    }

    /// Counts the pixels of the chosen cells, each at a weight (0 skips a cell).
    pub(crate) fn add(&mut self, flat: &Flat, layout: &Layout, weight: impl Fn(usize) -> f32) {
        for row in 0..layout.rows {
            for column in 0..layout.columns {
                let w = weight(row * layout.columns + column);
                if w > 0.0 {
                    for (x, y) in pixels(column, row) {
                        self.counts[bin(flat.rgb.get_pixel(x, y).0)] += w;
                        self.total += w;
                    }
                }
            }
        }
    }

    /// Spreads the counts over neighbouring colours (binomial, twice in each channel).
    pub(crate) fn smooth(&mut self) {
        for stride in [1, LEVELS, LEVELS * LEVELS] {
            for _ in 0..2 {
                self.counts = binomial(&self.counts, stride);
            }
        }
    }

    fn density(&self, bin: usize) -> f32 {
        // A floor of even spread: a colour never met is evidence of nothing.
        let even = 1.0 / (LEVELS * LEVELS * LEVELS) as f32;
        0.98 * self.counts[bin] / self.total.max(1.0) + 0.02 * even
    }

    /// Per cell the mean log ratio of cloth over background, clipped pixel by pixel.
    pub(crate) fn log_ratio(cloth: &Self, background: &Self, flat: &Flat, layout: &Layout) -> Vec<f32> {
        let ratio: Vec<f32> = (0..LEVELS * LEVELS * LEVELS)
            .map(|b| (cloth.density(b) / background.density(b)).ln().clamp(-CLIP, CLIP))
            .collect();
        let mut out = Vec::with_capacity(layout.len());
        for row in 0..layout.rows {
            for column in 0..layout.columns {
                let sum: f32 = pixels(column, row).map(|(x, y)| ratio[bin(flat.rgb.get_pixel(x, y).0)]).sum();
                out.push(sum / (CELL_PX * CELL_PX) as f32);
            }
        }
        out
    }
}

/// The flat pixels of a cell.
pub(crate) fn pixels(column: usize, row: usize) -> impl Iterator<Item = (u32, u32)> {
    let (x, y) = ((column * CELL_PX) as u32, (row * CELL_PX) as u32);
    (0..CELL_PX as u32).flat_map(move |j| (0..CELL_PX as u32).map(move |i| (x + i, y + j)))
}

fn bin(rgb: [u8; 3]) -> usize {
    let level = |v: u8| usize::from(v) * LEVELS / 256;
    (level(rgb[0]) * LEVELS + level(rgb[1])) * LEVELS + level(rgb[2])
}

fn binomial(counts: &[f32], stride: usize) -> Vec<f32> {
    let n = counts.len();
    (0..n)
        .map(|i| {
            let level = (i / stride) % LEVELS;
            let low = if level > 0 { counts[i - stride] } else { counts[i] };
            let high = if level + 1 < LEVELS { counts[i + stride] } else { counts[i] };
            0.25 * (low + high) + 0.5 * counts[i]
        })
        .collect()
}
