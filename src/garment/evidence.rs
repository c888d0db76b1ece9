//! How each cell speaks: its departure from the bare mat, and whether the printed grid shows.

use rayon::prelude::*;

use super::Flat;
use super::appearance::{DARK_OFFSET, Departure, log_table, quantile};
use super::cells::{CELL_PX, CellMap, Layout, box_sum};
use super::extent::{MatExtent, Seen};
use super::mat_model::MatModel;

/// Noise of a gamma value (sensor, JPEG), levels: the floor of the tolerance on dark mats.
const NOISE_LEVELS: f32 = 2.0;

/// Most a pixel's departure counts, in spreads.
const CAP: f32 = 15.0;

/// How fast the colour tolerance opens as the mat darkens (the light of a shadow has another colour).
const SHADOW_TOLERANCE: f32 = 3.0;

/// A shadow darkens by at most this (log gamma units; 0.15 of the linear light).
const DEEPEST_SHADOW: f32 = 0.9;

/// Share of a darkening that counts as departure although a shadow would explain it.
const DARK_SHARE: f32 = 0.12;

/// A grid coefficient with a larger standard error than this says nothing.
const GRID_ERROR: f32 = 0.12;

/// Largest window in which the grid is looked for, mm.
const LARGEST_WINDOW_MM: f64 = 36.0;

/// Cells wider than this many windows: a window then holds one line at most, and a worn one is no sign of cloth.
const WIDE_CELLS: f64 = 2.0;

/// What the grid's absence counts for there.
const WIDE_CELLS_WEIGHT: f32 = 0.4;

/// What the cells say.
pub(crate) struct Evidence {
    /// Mean departure of a cell's pixels from the bare mat, in spreads (0 to [`CAP`]).
    pub departure: Vec<f32>,
    /// Share of the printed grid that shows around a cell (1 bare, 0 hidden, NaN unknown).
    pub grid_shows: CellMap,
    /// What the grid's showing or not counts for, 0 to 1.
    pub grid_weight: f32,
    /// Departure below which nine tenths of the surely bare cells lie.
    pub bare_level: f32,
    /// On a side that was seen.
    pub on_side: Vec<bool>,
    /// Distance into the printed grid, mm (negative outside).
    pub depth: Vec<f32>,
}

#[derive(Clone, Copy, Default)]
struct CellSums {
    departure: f32,
    p: f32,
    y: f32,
    pp: f32,
    py: f32,
}

pub(crate) fn gather(flat: &Flat, layout: &Layout, mat: &MatModel, extent: &MatExtent, seen: &Seen) -> Evidence {
    let sums = cell_sums(flat, layout, mat, extent);
    let departure: Vec<f32> = sums.iter().map(|s| s.departure).collect();
    let mut bare: Vec<f32> = departure.iter().zip(&seen.on).filter(|(_, on)| **on).map(|(d, _)| *d).collect();
    let bare_level = quantile(&mut bare, 0.9);
    let bare_level = if bare_level.is_finite() { bare_level.clamp(1.6, 5.0) } else { 3.0 };
    let grid_shows = layout.map(grid_coefficient(layout, &sums, mat, extent));
    let centres = (0..layout.len()).map(|k| layout.centre(k % layout.columns, k / layout.columns));
    let depth = centres.map(|p| extent.depth_mm(p) as f32).collect();
    let wide = extent.pitch_mm > WIDE_CELLS * LARGEST_WINDOW_MM;
    let grid_weight = if wide { WIDE_CELLS_WEIGHT } else { 1.0 };
    Evidence { departure, grid_shows, grid_weight, bare_level, on_side: seen.on.clone(), depth }
}

fn cell_sums(flat: &Flat, layout: &Layout, mat: &MatModel, extent: &MatExtent) -> Vec<CellSums> {
    let table = log_table();
    let frame = layout.frame;
    let across: Vec<[f32; 3]> =
        (0..layout.columns * CELL_PX).map(|c| mat.lines.across_x(frame.mat_from_flat(c as f64, 0.0).x)).collect();
    let scale = Scale::new(mat.spread);
    let mut sums = vec![CellSums::default(); layout.len()];
    sums.par_chunks_mut(layout.columns).enumerate().for_each(|(row, cells)| {
        let down: [[f32; 3]; CELL_PX] =
            std::array::from_fn(|j| mat.lines.across_y(frame.mat_from_flat(0.0, (row * CELL_PX + j) as f64).y));
        for (column, cell) in cells.iter_mut().enumerate() {
            if !layout.valid[row * layout.columns + column] {
                continue;
            }
            let centre = layout.centre(column, row);
            let printed = extent.depth_mm(centre) > -1.0;
            let base = mat.shade.at(centre);
            for (j, down) in down.iter().enumerate() {
                for i in 0..CELL_PX {
                    let (x, y) = (column * CELL_PX + i, row * CELL_PX + j);
                    let rgb = flat.rgb.get_pixel(x as u32, y as u32).0;
                    let line = if printed { mat.lines.combine(across[x], *down) } else { [0.0; 3] };
                    add_pixel(cell, rgb, rgb.map(|v| table[v as usize]), base, line, &scale);
                }
            }
        }
    });
    sums
}

fn add_pixel(cell: &mut CellSums, rgb: [u8; 3], log: [f32; 3], base: [f32; 3], line: [f32; 3], scale: &Scale) {
    let expected = std::array::from_fn(|i| base[i] + line[i]);
    let departure = Departure::between(log, expected);
    cell.departure += scale.in_spreads(departure, rgb[0].min(rgb[1]).min(rgb[2])) / (CELL_PX * CELL_PX) as f32;
    let p = (line[0] + line[1] + line[2]) / 3.0;
    let y = (departure.brightness + p).clamp(-1.0, 1.0);
    cell.p += p;
    cell.y += y;
    cell.pp += p * p;
    cell.py += p * y;
}

/// The mat's spreads with the noise of dark pixels added, inverted, per gamma level.
pub(crate) struct Scale {
    inverse: Vec<[f32; 3]>,
}

impl Scale {
    pub(crate) fn new(spread: [f32; 3]) -> Self {
        let noise = |level: usize| NOISE_LEVELS / (level as f32 + DARK_OFFSET);
        Self { inverse: (0..256).map(|level| spread.map(|s| 1.0 / s.hypot(noise(level)))).collect() }
    }

    /// How far a pixel strays from the bare mat, in the mat's own spreads; darkening alone counts little.
    pub(crate) fn in_spreads(&self, d: Departure, darkest_level: u8) -> f32 {
        let inverse = self.inverse[darkest_level as usize];
        let drop = (-d.brightness).max(0.0);
        let open = 1.0 / (1.0 + SHADOW_TOLERANCE * drop);
        let bright = if d.brightness > 0.0 {
            d.brightness * inverse[0]
        } else {
            (DARK_SHARE * drop + (drop - DEEPEST_SHADOW).max(0.0)) * inverse[0]
        };
        let (a, b) = (d.colour[0] * inverse[1] * open, d.colour[1] * inverse[2] * open);
        (a * a + b * b + bright * bright).sqrt().min(CAP)
    }
}

/// Regression of the seen brightness on the predicted lines over a window a little wider than the pitch.
fn grid_coefficient(layout: &Layout, sums: &[CellSums], mat: &MatModel, extent: &MatExtent) -> Vec<f32> {
    let window = (1.2 * extent.pitch_mm).clamp(8.0, LARGEST_WINDOW_MM);
    let reach = ((window / layout.cell_mm() - 1.0) / 2.0).round().max(1.0) as usize;
    let within = |f: fn(&CellSums) -> f32| -> Vec<f32> {
        let values: Vec<f32> = sums.iter().map(f).collect();
        box_sum(layout.columns, layout.rows, &values, reach)
    };
    let count: Vec<f32> = layout.valid.iter().map(|v| if *v { (CELL_PX * CELL_PX) as f32 } else { 0.0 }).collect();
    let count = box_sum(layout.columns, layout.rows, &count, reach);
    let (p, y, pp, py) = (within(|s| s.p), within(|s| s.y), within(|s| s.pp), within(|s| s.py));
    (0..layout.len())
        .map(|k| {
            let n = count[k].max(1.0);
            let power = pp[k] - p[k] * p[k] / n;
            let error = mat.spread[0] / power.max(1e-9).sqrt();
            if error > GRID_ERROR { f32::NAN } else { (py[k] - p[k] * y[k] / n) / power }
        })
        .collect()
}
