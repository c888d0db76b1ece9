//! The bare mat, predicted at any point: shade plus printed pattern, and how far the real one strays.

use rayon::prelude::*;

use super::Flat;
use super::appearance::{Departure, gamma_from_log, log_table, median};
use super::cells::{CELL_PX, Layout};
use super::extent::{MatExtent, Seen};
use super::lines::Lines;
use super::shade::{Sample, Shade, robust_scale, robust_scales};
use crate::flat::MatRect;
use crate::reference::Marking;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Pixels to learn from, at most.
const MAX_SAMPLES: usize = 24_000;

/// The shade is smooth: every so many of them suffice for it.
const SHADE_STRIDE: usize = 3;

/// Size of the blocks whose hue is compared, mm, and the least difference that tells another (log units: a third more
/// red for the same green).
const HUE_BLOCK_MM: f64 = 12.0;
const LEAST_HUE_GATE: f32 = 0.3;

/// What lies so far beyond the outermost lines is hardly ever table, mm.
const RIM_MM: f64 = 5.0;

/// Fewest pixels to learn from.
const MIN_SAMPLES: usize = 300;

/// The bare mat as this photo shows it.
#[derive(Debug, Clone)]
pub struct MatModel {
    pub(crate) shade: Shade,
    pub(crate) lines: Lines,
    /// Robust spread of the real mat about the model: brightness and the two colour differences.
    pub(crate) spread: [f32; 3],
}

impl MatModel {
    /// The bare mat's colour at a point, gamma values 0-255.
    pub fn predict(&self, p: MatPoint) -> [f32; 3] {
        self.predict_log(p).map(gamma_from_log)
    }

    /// The same without the printed pattern (a chessboard's middle tone).
    pub fn ground(&self, p: MatPoint) -> [f32; 3] {
        self.shade.at(p).map(gamma_from_log)
    }

    /// Robust spread of the real mat about the model, log units: brightness and the two colour differences.
    pub fn spread(&self) -> [f32; 3] {
        self.spread
    }

    pub(crate) fn predict_log(&self, p: MatPoint) -> [f32; 3] {
        let (base, line) = (self.shade.at(p), self.lines.at(p));
        std::array::from_fn(|i| base[i] + line[i])
    }

    /// Learns shade and pattern from the cells near sides that were seen, in rounds of rising detail.
    pub(crate) fn learn(
        flat: &Flat,
        layout: &Layout,
        grid: &GridSighting,
        extent: &MatExtent,
        seen: &Seen,
    ) -> Result<Self, Refusal> {
        // Beyond the outermost lines a narrow rim ends, and the table begins.
        let on_mat = |s: &Sample| extent.rect.depth_mm(s.at) > -RIM_MM;
        let on_mat = samples(flat, layout, seen).into_iter().filter(on_mat).collect();
        let samples = of_one_hue(on_mat);
        if samples.len() < MIN_SAMPLES {
            return Err(too_little());
        }
        let mut lines = Lines::none();
        if grid.marking == Marking::Chequers {
            // The two tones differ more than shade does: tell them apart before fitting the shade.
            let flat_shade = Shade::fit(&samples, extent.rect, 0, None).ok_or_else(too_little)?;
            lines = Lines::learn(&samples, &flat_shade, grid, &lines);
        }
        let some: Vec<Sample> = samples.iter().step_by(SHADE_STRIDE).copied().collect();
        let mut shade: Option<Shade> = None;
        for degree in [1, 2, 3, 3] {
            let bare = without_lines(&some, &lines);
            let fitted = Shade::fit(&bare, extent.rect, degree, shade.as_ref()).ok_or_else(too_little)?;
            lines = Lines::learn(&samples, &fitted, grid, &lines);
            shade = Some(fitted);
        }
        let bare = without_lines(&samples, &lines);
        let shade = shade.ok_or_else(too_little)?;
        let spread = spread(&bare, &shade);
        let shade = shade.with_blocks(&bare, 4.0 * spread[1].max(spread[2]));
        let spread = self::spread(&bare, &shade);
        Ok(Self { shade, lines, spread })
    }
}

impl MatModel {
    /// Learns the shade of a surface without a known print over `rect`.
    pub(crate) fn learn_plain(
        flat: &Flat,
        layout: &Layout,
        rect: crate::flat::MatRect,
        seen: &Seen,
    ) -> Result<Self, Refusal> {
        let samples = samples(flat, layout, seen);
        if samples.len() < MIN_SAMPLES {
            return Err(too_little());
        }
        let some: Vec<Sample> = samples.iter().step_by(SHADE_STRIDE).copied().collect();
        let mut shade: Option<Shade> = None;
        for degree in [0, 1, 2, 3] {
            shade = Some(Shade::fit(&some, rect, degree, shade.as_ref()).ok_or_else(too_little)?);
        }
        let shade = shade.ok_or_else(too_little)?;
        let first = spread(&samples, &shade);
        let shade = shade.with_blocks(&samples, 4.0 * first[1].max(first[2]));
        let spread = spread(&samples, &shade);
        Ok(Self { shade, lines: Lines::none(), spread })
    }
}

fn too_little() -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        "too little of the bare mat is seen to learn its colour",
        "retake with more of the mat in view around the garment",
    )
}

fn samples(flat: &Flat, layout: &Layout, seen: &Seen) -> Vec<Sample> {
    let table = log_table();
    let near = seen.near.iter().filter(|n| **n).count() * CELL_PX * CELL_PX;
    let stride = (near / MAX_SAMPLES).max(1);
    let mut out = Vec::with_capacity(near / stride + 1);
    let mut count = 0usize;
    for row in 0..layout.rows * CELL_PX {
        let cells = &seen.near[row / CELL_PX * layout.columns..][..layout.columns];
        // A stride with a drifting start, so that no line phase is skipped: steps until the next pixel to take.
        let mut until = stride - (count + row / 2) % stride;
        for cell in cells.iter().enumerate().filter(|(_, near)| **near).map(|(cell, _)| cell) {
            count += CELL_PX;
            while until <= CELL_PX {
                let column = cell * CELL_PX + until - 1;
                let rgb = flat.rgb.get_pixel(column as u32, row as u32).0;
                let at = flat.frame.mat_from_flat(column as f64, row as f64);
                out.push(Sample { at, log: rgb.map(|v| table[v as usize]) });
                until += stride;
            }
            until -= CELL_PX;
        }
    }
    out
}

/// The samples without those amid another hue than most: cloth that reaches near a side that was seen.
///
/// Judged by blocks much wider than a printed line, and with a wide gate: what is left out is of plainly another colour.
fn of_one_hue(samples: Vec<Sample>) -> Vec<Sample> {
    let Some(area) = MatRect::around(samples.iter().map(|s| s.at)) else { return samples };
    let blocks = |mm: f64| (mm / HUE_BLOCK_MM) as usize;
    let columns = blocks(area.width_mm()) + 1;
    let block = |s: &Sample| blocks(s.at.y - area.min.y) * columns + blocks(s.at.x - area.min.x);
    let hue = |s: &Sample| [s.log[0] - s.log[1], s.log[2] - s.log[1]];
    let mut sums = vec![([0f32; 2], 0f32); columns * (blocks(area.height_mm()) + 1)];
    for s in &samples {
        let (sum, count) = &mut sums[block(s)];
        *sum = [sum[0] + hue(s)[0], sum[1] + hue(s)[1]];
        *count += 1.0;
    }
    let means: Vec<Option<[f32; 2]>> = sums.iter().map(|(s, n)| (*n > 0.0).then(|| s.map(|v| v / n))).collect();
    let known = || means.iter().flatten();
    let middle: [f32; 2] = std::array::from_fn(|i| median(&mut known().map(|m| m[i]).collect::<Vec<_>>()));
    let gate: [f32; 2] =
        std::array::from_fn(|i| (6.0 * robust_scale(known().map(|m| m[i] - middle[i]))).max(LEAST_HUE_GATE));
    let usual = |s: &Sample| {
        means[block(s)].is_none_or(|m| (m[0] - middle[0]).abs() < gate[0] && (m[1] - middle[1]).abs() < gate[1])
    };
    let kept: Vec<Sample> = samples.iter().filter(|s| usual(s)).copied().collect();
    if 2 * kept.len() > samples.len() { kept } else { samples }
}

fn without_lines(samples: &[Sample], lines: &Lines) -> Vec<Sample> {
    samples
        .par_iter()
        .with_min_len(2048)
        .map(|s| {
            let line = lines.at(s.at);
            Sample { at: s.at, log: std::array::from_fn(|i| s.log[i] - line[i]) }
        })
        .collect()
}

fn spread(bare: &[Sample], shade: &Shade) -> [f32; 3] {
    let parts = |s: &Sample| Departure::between(s.log, shade.at(s.at)).parts();
    let parts: Vec<[f32; 3]> = bare.par_iter().with_min_len(2048).map(parts).collect();
    robust_scales(&parts).map(|scale| scale.max(0.008))
}
