//! Which colours are cloth and which are not: two histograms learnt from the photo itself.

use rayon::prelude::*;

use super::Flat;
use super::appearance::DARK_OFFSET;
use super::cells::{CELL_PX, Layout};
use super::shade::Falloff;

/// Levels per channel.
const LEVELS: usize = 32;

/// Most the ratio of two histograms may say about one pixel (nats).
const CLIP: f32 = 3.0;

/// Pixels of a cell.
const PER_CELL: usize = CELL_PX * CELL_PX;

/// The histogram bin of every pixel, row by row.
pub(crate) struct Bins {
    of_pixels: Vec<u16>,
    columns: usize,
}

impl Bins {
    /// `falloff`: the light's falling off, if that is to be taken off the colours.
    pub(crate) fn new(flat: &Flat, layout: &Layout, falloff: Option<&Falloff>) -> Self {
        let mut of_pixels = vec![0u16; PER_CELL * layout.len()];
        let stride = 3 * flat.rgb.width() as usize;
        let rows = of_pixels.par_chunks_mut(CELL_PX * layout.columns).zip(flat.rgb.as_raw().par_chunks(stride));
        rows.enumerate().with_min_len(64).for_each(|(y, (bins, line))| {
            let Some(falloff) = falloff else {
                for (bin, rgb) in bins.iter_mut().zip(line.chunks_exact(3)) {
                    *bin = self::bin([rgb[0], rgb[1], rgb[2]]);
                }
                return;
            };
            let cells = bins.chunks_exact_mut(CELL_PX).zip(line.chunks_exact(3 * CELL_PX));
            for (column, (bins, pixels)) in cells.enumerate() {
                let left = falloff.share_at(layout.centre(column, y / CELL_PX));
                for (bin, rgb) in bins.iter_mut().zip(pixels.chunks_exact(3)) {
                    *bin = self::bin(std::array::from_fn(|i| in_full_light(rgb[i], left[i])));
                }
            }
        });
        Self { of_pixels, columns: layout.columns }
    }

    /// A row of pixels, cut into the parts of its cells.
    fn cells_of<'a>(&self, line: &'a [u16]) -> impl Iterator<Item = &'a [u16; CELL_PX]> {
        line.as_chunks().0.iter().take(self.columns)
    }
}

/// Smoothed counts of colours.
pub(crate) struct Histogram {
    counts: Vec<f32>,
    total: f32,
}

impl Histogram {
    /// Counts the pixels of cells, each at a weight (0 skips a cell).
    pub(crate) fn of(bins: &Bins, weight: impl Fn(usize) -> f32 + Sync) -> Self {
        let line = CELL_PX * bins.columns;
        let lines = bins.of_pixels.len() / line.max(1);
        // Always the same halves, so that sums never depend on who adds them.
        let counted = |lines: std::ops::Range<usize>| Self::of_lines(bins, lines, &weight);
        let (mut upper, lower) = rayon::join(|| counted(0..lines / 2), || counted(lines / 2..lines));
        upper.counts.iter_mut().zip(&lower.counts).for_each(|(count, more)| *count += more);
        upper.total += lower.total;
        upper
    }

    fn of_lines(bins: &Bins, lines: std::ops::Range<usize>, weight: impl Fn(usize) -> f32) -> Self {
        let mut counts = vec![0.0; LEVELS * LEVELS * LEVELS];
        let mut total = 0.0;
        let len = CELL_PX * bins.columns;
        for y in lines {
            for (column, pixels) in bins.cells_of(&bins.of_pixels[y * len..(y + 1) * len]).enumerate() {
                let w = weight(y / CELL_PX * bins.columns + column);
                if w > 0.0 {
                    pixels.iter().for_each(|bin| counts[usize::from(*bin)] += w);
                    total += w * CELL_PX as f32;
                }
            }
        }
        Self { counts, total }
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
    pub(crate) fn log_ratio(cloth: &Self, background: &Self, bins: &Bins) -> Vec<f32> {
        let ratio: Vec<f32> = (0..LEVELS * LEVELS * LEVELS)
            .map(|b| (cloth.density(b) / background.density(b)).ln().clamp(-CLIP, CLIP))
            .collect();
        let mut means = vec![0.0; bins.of_pixels.len() / PER_CELL];
        let rows = means.par_chunks_mut(bins.columns).zip(bins.of_pixels.par_chunks(PER_CELL * bins.columns));
        rows.with_min_len(16).for_each(|(means, pixels)| {
            for line in pixels.chunks_exact(CELL_PX * bins.columns) {
                for (mean, pixels) in means.iter_mut().zip(bins.cells_of(line)) {
                    *mean += pixels.iter().map(|bin| ratio[usize::from(*bin)]).sum::<f32>() / PER_CELL as f32;
                }
            }
        });
        means
    }
}

/// The flat pixels of a cell.
pub(crate) fn pixels(column: usize, row: usize) -> impl Iterator<Item = (u32, u32)> {
    let (x, y) = ((column * CELL_PX) as u32, (row * CELL_PX) as u32);
    (0..CELL_PX as u32).flat_map(move |j| (0..CELL_PX as u32).map(move |i| (x + i, y + j)))
}

/// A gamma value as it would be where all the light is left.
fn in_full_light(level: u8, left: f32) -> u8 {
    ((f32::from(level) + DARK_OFFSET) / left - DARK_OFFSET) as u8
}

fn bin(rgb: [u8; 3]) -> u16 {
    let level = |v: u8| u16::from(v) * LEVELS as u16 / 256;
    (level(rgb[0]) * LEVELS as u16 + level(rgb[1])) * LEVELS as u16 + level(rgb[2])
}

/// Quarter, half and quarter of neighbours `stride` apart; the ends stand for what lies beyond them.
fn binomial(counts: &[f32], stride: usize) -> Vec<f32> {
    let mut out = vec![0.0; counts.len()];
    let blocks = out.chunks_exact_mut(stride * LEVELS).zip(counts.chunks_exact(stride * LEVELS));
    for (out, counts) in blocks {
        for (level, out) in out.chunks_exact_mut(stride).enumerate() {
            let row = |l: usize| &counts[l * stride..(l + 1) * stride];
            let (low, here, high) = (row(level.saturating_sub(1)), row(level), row((level + 1).min(LEVELS - 1)));
            for (((out, low), here), high) in out.iter_mut().zip(low).zip(here).zip(high) {
                *out = 0.25 * (low + high) + 0.5 * here;
            }
        }
    }
    out
}
