//! The coarse lattice of cells (a few flat pixels each) on which labels live.

use rayon::prelude::*;

use crate::camera::Camera;
use crate::flat::FlatFrame;
use crate::photo::Photo;
use crate::units::MatPoint;

/// Flat pixels per cell, each way.
pub(crate) const CELL_PX: usize = 3;

/// How cells lie on the flat picture, and which of them the photo reaches.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub frame: FlatFrame,
    pub columns: usize,
    pub rows: usize,
    /// Inside the photo.
    pub valid: Vec<bool>,
}

impl Layout {
    pub(crate) fn new(frame: FlatFrame, photo: &Photo, camera: &Camera) -> Self {
        let (columns, rows) = (frame.width as usize / CELL_PX, frame.height as usize / CELL_PX);
        let mut layout = Self { frame, columns, rows, valid: Vec::new() };
        let (width, height) = (f64::from(photo.width()), f64::from(photo.height()));
        let inside = |k: usize| {
            let p = camera.image_from_mat(layout.centre(k % columns, k / columns));
            p.x > 3.0 && p.y > 3.0 && p.x < width - 4.0 && p.y < height - 4.0
        };
        let valid = (0..columns * rows).into_par_iter().with_min_len(4096).map(inside).collect();
        layout.valid = valid;
        layout
    }

    pub(crate) fn len(&self) -> usize {
        self.columns * self.rows
    }

    pub(crate) fn cell_mm(&self) -> f64 {
        CELL_PX as f64 / self.frame.px_per_mm
    }

    /// The mat point in a cell's middle.
    pub(crate) fn centre(&self, column: usize, row: usize) -> MatPoint {
        let middle = |k: usize| (k * CELL_PX) as f64 + (CELL_PX as f64 - 1.0) / 2.0;
        self.frame.mat_from_flat(middle(column), middle(row))
    }

    /// Fractional (column, row) of a mat point.
    pub(crate) fn place(&self, p: MatPoint) -> (f64, f64) {
        let (c, r) = self.frame.flat_from_mat(p);
        let k = CELL_PX as f64;
        ((c - (k - 1.0) / 2.0) / k, (r - (k - 1.0) / 2.0) / k)
    }

    /// The cell a mat point lies in, if the photo reaches it.
    pub(crate) fn cell_at(&self, p: MatPoint) -> Option<usize> {
        let (c, r) = self.place(p);
        let (c, r) = (c.round(), r.round());
        let within = c >= 0.0 && r >= 0.0 && c < self.columns as f64 && r < self.rows as f64;
        let cell = || r as usize * self.columns + c as usize;
        within.then(cell).filter(|k| self.valid[*k])
    }

    pub(crate) fn map(&self, values: Vec<f32>) -> CellMap {
        let origin = self.centre(0, 0);
        CellMap { columns: self.columns, rows: self.rows, origin, cell_mm: self.cell_mm(), values }
    }
}

/// One number per cell; row 0 at the top (greatest y).
#[derive(Debug, Clone, PartialEq)]
pub struct CellMap {
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Mat point in the middle of the first cell.
    pub origin: MatPoint,
    /// Size of a cell, mm.
    pub cell_mm: f64,
    /// Values, row by row.
    pub values: Vec<f32>,
}

impl CellMap {
    /// Value of a cell; the nearest one outside the map.
    pub fn get(&self, column: i64, row: i64) -> f32 {
        let c = column.clamp(0, self.columns as i64 - 1) as usize;
        let r = row.clamp(0, self.rows as i64 - 1) as usize;
        self.values.get(r * self.columns + c).copied().unwrap_or(0.0)
    }

    /// The mat point at fractional (column, row).
    pub fn mat_at(&self, column: f64, row: f64) -> MatPoint {
        MatPoint::new(self.origin.x + column * self.cell_mm, self.origin.y - row * self.cell_mm)
    }

    /// Bilinear value at a mat point.
    pub fn at(&self, p: MatPoint) -> f32 {
        let (c, r) = ((p.x - self.origin.x) / self.cell_mm, (self.origin.y - p.y) / self.cell_mm);
        self.bilinear(c, r)
    }

    /// Value of the cell nearest to a mat point.
    pub fn nearest(&self, p: MatPoint) -> f32 {
        let (c, r) = ((p.x - self.origin.x) / self.cell_mm, (self.origin.y - p.y) / self.cell_mm);
        self.get(c.round() as i64, r.round() as i64)
    }

    fn bilinear(&self, c: f64, r: f64) -> f32 {
        let (c0, r0) = (c.floor(), r.floor());
        let (fc, fr) = ((c - c0) as f32, (r - r0) as f32);
        let (c0, r0) = (c0 as i64, r0 as i64);
        let top = self.get(c0, r0) * (1.0 - fc) + self.get(c0 + 1, r0) * fc;
        let low = self.get(c0, r0 + 1) * (1.0 - fc) + self.get(c0 + 1, r0 + 1) * fc;
        top * (1.0 - fr) + low * fr
    }

    /// Bilinear values along a row of flat pixels.
    pub(crate) fn pixel_row(&self, row: usize, width: usize) -> Vec<f32> {
        let place = |v: usize| (v as f32 - (CELL_PX as f32 - 1.0) / 2.0) / CELL_PX as f32;
        let r = place(row);
        let (above, t) = (r.floor() as i64, r - r.floor());
        let line: Vec<f32> =
            (0..self.columns as i64).map(|c| self.get(c, above) * (1.0 - t) + self.get(c, above + 1) * t).collect();
        let at = |c: i64| line.get(c.clamp(0, self.columns as i64 - 1) as usize).copied().unwrap_or(0.0);
        (0..width)
            .map(|x| {
                let c = place(x);
                let t = c - c.floor();
                at(c.floor() as i64) * (1.0 - t) + at(c.floor() as i64 + 1) * t
            })
            .collect()
    }
}

/// The middle one of a cell's value and its eight neighbours'; beyond the border lies what lies on it.
pub(crate) fn median_of_nine(columns: usize, rows: usize, values: &[f32]) -> Vec<f32> {
    let sorted3 = |a: f32, b: f32, c: f32| {
        let (low, high) = (a.min(b), a.max(b));
        [low.min(c), low.max(high.min(c)), high.max(c)]
    };
    let mut out = vec![0.0; values.len()];
    out.par_chunks_mut(columns).with_min_len(16).enumerate().for_each(|(r, out)| {
        let row = |r: usize| &values[r * columns..(r + 1) * columns];
        let (above, here, below) = (row(r.saturating_sub(1)), row(r), row((r + 1).min(rows - 1)));
        let upright: Vec<[f32; 3]> = (0..columns).map(|c| sorted3(above[c], here[c], below[c])).collect();
        for (c, out) in out.iter_mut().enumerate() {
            let (a, b, d) = (upright[c.saturating_sub(1)], upright[c], upright[(c + 1).min(columns - 1)]);
            // Of three sorted columns: the least of the greatest, the middle of the middles, the greatest of the least.
            let low = sorted3(a[0], b[0], d[0])[2];
            let middle = sorted3(a[1], b[1], d[1])[1];
            let high = sorted3(a[2], b[2], d[2])[0];
            *out = sorted3(low, middle, high)[1];
        }
    });
    out
}

/// Sum over a window of `2 reach + 1` cells each way (running sums).
pub(crate) fn box_sum(columns: usize, rows: usize, values: &[f32], reach: usize) -> Vec<f32> {
    let mut across = vec![0f32; values.len()];
    for (to, from) in across.chunks_exact_mut(columns).zip(values.chunks_exact(columns)) {
        box_row(from, to, reach);
    }
    let mut out = vec![0f32; values.len()];
    let mut sums = vec![0f64; columns];
    let row = |r: usize| &across[r * columns..(r + 1) * columns];
    for r in 0..reach.min(rows) {
        sums.iter_mut().zip(row(r)).for_each(|(sum, v)| *sum += f64::from(*v));
    }
    for (r, out) in out.chunks_exact_mut(columns).enumerate() {
        if r + reach < rows {
            sums.iter_mut().zip(row(r + reach)).for_each(|(sum, v)| *sum += f64::from(*v));
        }
        out.iter_mut().zip(&sums).for_each(|(out, sum)| *out = *sum as f32);
        if r >= reach {
            sums.iter_mut().zip(row(r - reach)).for_each(|(sum, v)| *sum -= f64::from(*v));
        }
    }
    out
}

fn box_row(from: &[f32], to: &mut [f32], reach: usize) {
    let add = |i: usize| f64::from(from.get(i).copied().unwrap_or(0.0));
    let mut sum: f64 = (0..reach).map(add).sum();
    for (i, cell) in to.iter_mut().enumerate() {
        sum += add(i + reach);
        *cell = sum as f32;
        if i >= reach {
            sum -= add(i - reach);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::box_sum;

    #[test]
    fn a_box_sum_is_the_sum_over_its_window() {
        let (w, h) = (7, 5);
        let values: Vec<f32> = (0..w * h).map(|k| ((k * 37) % 11) as f32 - 3.0).collect();
        for reach in [1, 2, 6] {
            let sums = box_sum(w, h, &values, reach);
            for (k, sum) in sums.iter().enumerate() {
                let near = |j: usize| (j % w).abs_diff(k % w) <= reach && (j / w).abs_diff(k / w) <= reach;
                let direct: f32 = (0..w * h).filter(|j| near(*j)).map(|j| values[j]).sum();
                assert!((sum - direct).abs() < 1e-3, "{k} {reach}: {sum} {direct}");
            }
        }
    }
}
