//! The bare mat, predicted at any point: shade plus printed pattern, and how far the real one strays.

use std::collections::HashMap;
use std::sync::Arc;

use super::Flat;
use super::appearance::{Departure, gamma_from_log, log_table, median};
use super::cells::{CELL_PX, Layout};
use super::extent::{MatExtent, Seen};
use super::lines::Lines;
use super::photographed::Photographed;
use super::shade::{Sample, Shade, robust_scale};
use crate::bare::BareMat;
use crate::reference::Marking;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Pixels to learn from, at most.
const MAX_SAMPLES: usize = 40_000;

/// The shade is smooth: every so many of them suffice for it.
const SHADE_STRIDE: usize = 4;

/// Size of the blocks whose hue is compared, mm, and the least difference that tells another (log units: a third more
/// red for the same green).
const HUE_BLOCK_MM: f64 = 12.0;
const LEAST_HUE_GATE: f32 = 0.3;

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

    /// Is the mat known from a photo of it without the garment?
    pub(crate) fn is_photographed(&self) -> bool {
        self.lines.photographed.is_some()
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
        bare: Option<&Arc<BareMat>>,
    ) -> Result<Self, Refusal> {
        let samples = of_one_hue(samples(flat, layout, seen));
        if samples.len() < MIN_SAMPLES {
            return Err(too_little());
        }
        let mut lines = Lines::none();
        lines.photographed = bare.and_then(|bare| Photographed::new(bare.clone(), extent.rect));
        if grid.marking == Marking::Chequers && lines.photographed.is_none() {
            // The two tones differ more than shade does: tell them apart before fitting the shade.
            let flat_shade = Shade::fit(&samples, extent.rect, 0, None).ok_or_else(too_little)?;
            lines = Lines::learn(&samples, &flat_shade, grid, &lines);
        }
        let mut shade: Option<Shade> = None;
        for degree in [1, 2, 3, 3] {
            let bare = without_lines(samples.iter().step_by(SHADE_STRIDE), &lines);
            let fitted = Shade::fit(&bare, extent.rect, degree, shade.as_ref()).ok_or_else(too_little)?;
            lines = Lines::learn(&samples, &fitted, grid, &lines);
            shade = Some(fitted);
        }
        let bare = without_lines(samples.iter(), &lines);
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
        for column in 0..layout.columns * CELL_PX {
            if !seen.near[(row / CELL_PX) * layout.columns + column / CELL_PX] {
                continue;
            }
            // A stride with a drifting start, so that no line phase is skipped.
            count += 1;
            if (count + row / 2).is_multiple_of(stride) {
                let rgb = flat.rgb.get_pixel(column as u32, row as u32).0;
                let at = flat.frame.mat_from_flat(column as f64, row as f64);
                out.push(Sample { at, log: rgb.map(|v| table[v as usize]) });
            }
        }
    }
    out
}

/// The samples without those amid another hue than most: cloth that reaches near a side that was seen.
///
/// Judged by blocks much wider than a printed line, and with a wide gate: what is left out is of plainly another colour.
fn of_one_hue(samples: Vec<Sample>) -> Vec<Sample> {
    let block = |s: &Sample| ((s.at.x / HUE_BLOCK_MM).floor() as i32, (s.at.y / HUE_BLOCK_MM).floor() as i32);
    let hue = |s: &Sample| [s.log[0] - s.log[1], s.log[2] - s.log[1]];
    let mut sums: HashMap<(i32, i32), ([f32; 2], f32)> = HashMap::new();
    for s in &samples {
        let (sum, count) = sums.entry(block(s)).or_default();
        *sum = [sum[0] + hue(s)[0], sum[1] + hue(s)[1]];
        *count += 1.0;
    }
    let means: HashMap<(i32, i32), [f32; 2]> = sums.into_iter().map(|(k, (s, n))| (k, s.map(|v| v / n))).collect();
    let middle: [f32; 2] = std::array::from_fn(|i| median(&mut means.values().map(|m| m[i]).collect::<Vec<_>>()));
    let gate: [f32; 2] =
        std::array::from_fn(|i| (6.0 * robust_scale(means.values().map(|m| m[i] - middle[i]))).max(LEAST_HUE_GATE));
    let usual = |s: &Sample| {
        means.get(&block(s)).is_none_or(|m| (m[0] - middle[0]).abs() < gate[0] && (m[1] - middle[1]).abs() < gate[1])
    };
    let kept: Vec<Sample> = samples.iter().filter(|s| usual(s)).copied().collect();
    if 2 * kept.len() > samples.len() { kept } else { samples }
}

fn without_lines<'a>(samples: impl Iterator<Item = &'a Sample>, lines: &Lines) -> Vec<Sample> {
    samples
        .map(|s| {
            let line = lines.at(s.at);
            Sample { at: s.at, log: std::array::from_fn(|i| s.log[i] - line[i]) }
        })
        .collect()
}

fn spread(bare: &[Sample], shade: &Shade) -> [f32; 3] {
    let parts: Vec<[f32; 3]> = bare.iter().map(|s| Departure::between(s.log, shade.at(s.at)).parts()).collect();
    std::array::from_fn(|k| robust_scale(parts.iter().map(|p| p[k])).max(0.008))
}
