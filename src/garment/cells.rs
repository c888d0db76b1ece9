//! The coarse lattice of cells (a few flat pixels each) on which labels live.

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
        let mut layout = Self { frame, columns, rows, valid: Vec::with_capacity(columns * rows) };
        let (width, height) = (f64::from(photo.width()), f64::from(photo.height()));
        for row in 0..rows {
            for column in 0..columns {
                let p = camera.image_from_mat(layout.centre(column, row));
                layout.valid.push(p.x > 3.0 && p.y > 3.0 && p.x < width - 4.0 && p.y < height - 4.0);
            }
        }
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

    /// The cell that holds a mat point.
    pub(crate) fn cell_of(&self, p: MatPoint) -> Option<usize> {
        let (c, r) = self.place(p);
        let (c, r) = (c.round(), r.round());
        let inside = c >= 0.0 && r >= 0.0 && c < self.columns as f64 && r < self.rows as f64;
        inside.then(|| r as usize * self.columns + c as usize)
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

/// Sum over a window of `2 reach + 1` cells each way (running sums).
pub(crate) fn box_sum(columns: usize, rows: usize, values: &[f32], reach: usize) -> Vec<f32> {
    let across = box_rows(columns, values, reach);
    let turned = transpose(columns, rows, &across);
    let down = box_rows(rows, &turned, reach);
    transpose(rows, columns, &down)
}

fn box_rows(columns: usize, values: &[f32], reach: usize) -> Vec<f32> {
    let mut out = vec![0.0; values.len()];
    for (to, from) in out.chunks_mut(columns).zip(values.chunks(columns)) {
        let mut sum = 0.0f64;
        let add = |i: usize| f64::from(from.get(i).copied().unwrap_or(0.0));
        for i in 0..=reach {
            sum += add(i);
        }
        for (i, cell) in to.iter_mut().enumerate() {
            *cell = sum as f32;
            sum += add(i + reach + 1);
            if i >= reach {
                sum -= add(i - reach);
            }
        }
    }
    out
}

fn transpose(columns: usize, rows: usize, values: &[f32]) -> Vec<f32> {
    let mut out = vec![0.0; values.len()];
    for (r, line) in values.chunks(columns).enumerate().take(rows) {
        for (c, v) in line.iter().enumerate() {
            out[c * rows + r] = *v;
        }
    }
    out
}
