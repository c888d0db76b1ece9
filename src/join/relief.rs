//! What a photo of a mat shows beside its grid: brightness less the light's slow change and less what repeats
//! from cell to cell, on a lattice of whole parts of a cell.

use rayon::prelude::*;

use super::register::View;
use crate::flat::{self, FlatFrame, FlatPhoto, MatRect};
use crate::reference::{Axis, Marking};
use crate::units::{ImagePoint, MatPoint};

/// Size of a part of a cell, mm, about: numerals are 3 to 5 mm high, and two photos never agree to much less.
const PART_MM: f64 = 2.0;

/// Most parts of a relief; a wider view gets larger ones.
const MOST_PARTS: f64 = 6.0e5;

/// How far beyond the lines seen the surroundings count, mm.
const BEYOND_MM: f64 = 150.0;

/// Half side of the window whose mean is the slow change of light, mm.
const SLOW_MM: f64 = 30.0;

/// Most that a part may stand out, log units: neither a white label nor a black hole decides alone.
const CAP: f32 = 0.25;

/// Fewest parts that say how even a sheet is.
const LEAST_PARTS: usize = 500;

/// Where what repeats from cell to cell is taken off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Print {
    /// Everywhere: on cloth and table the print's negative is left, which tells where they are, though not one cell from the next.
    Everywhere,
    /// Where it shows, a board's two squares together: what is left repeats nowhere, and is little on cloth.
    WhereItShows,
}

/// A picture in cells: row 0 is the lowest y.
#[derive(Debug, Clone)]
pub(super) struct Relief {
    /// Parts of a cell, each way.
    pub per_cell: usize,
    /// First cell (x, y).
    pub origin: [i32; 2],
    /// Size in parts.
    pub size: [usize; 2],
    /// How far each part stands out; 0 where not seen.
    pub values: Vec<f32>,
    /// 1 where seen.
    pub seen: Vec<f32>,
}

impl Relief {
    /// The relief of a view; of two that are compared the parts of a cell must be as many.
    pub fn of(view: &View, per_cell: usize, print: Print) -> Option<Self> {
        let rect = cells(view)?;
        let [px, py] = view.grid.pitch_mm;
        let (columns, rows) = ((rect[1] - rect[0]) as usize, (rect[3] - rect[2]) as usize);
        let (w, h) = (columns * per_cell, rows * per_cell);
        // Cells of unequal sides are sampled at the finer one's scale, then read by place.
        let fine = 2.0 * per_cell as f64 / px.min(py);
        let min = MatPoint::new(f64::from(rect[0]) * px, f64::from(rect[2]) * py);
        let max = MatPoint::new(f64::from(rect[1]) * px, f64::from(rect[3]) * py);
        let frame = FlatFrame::new(MatRect { min, max }, fine);
        let flat = flat::rectify(view.photo, view.camera, frame, 0.0);
        let (values, seen) = brightness(&flat, view, (w, h), [px, py], min, per_cell);
        let mut relief = Self { per_cell, origin: [rect[0], rect[2]], size: [w, h], values, seen };
        relief.take_off_slow_change(px.min(py));
        let least = if print == Print::WhereItShows && view.grid.marking == Marking::Chequers { 2 } else { 1 };
        let every = |axis: usize| view.grid.bold[axis].map_or(least, |(every, _)| every.max(1) as usize);
        relief.take_off_repeats([every(0) * per_cell, every(1) * per_cell], print);
        Some(relief)
    }

    /// Parts of a cell that suit a pitch.
    pub fn parts_for(pitch_mm: f64, views: &[&View]) -> usize {
        let area = views.iter().filter_map(|v| cells(v)).map(|r| f64::from(r[1] - r[0]) * f64::from(r[3] - r[2]));
        let most = (MOST_PARTS / area.fold(1.0, f64::max)).sqrt();
        ((pitch_mm / PART_MM).min(most).round() as usize).max(2)
    }

    fn take_off_slow_change(&mut self, pitch_mm: f64) {
        let reach = ((SLOW_MM / pitch_mm) * self.per_cell as f64).round().max(2.0) as usize;
        let [w, h] = self.size;
        let sums = Sums::of(w, h, &self.values);
        let counts = Sums::of(w, h, &self.seen);
        let values: Vec<f32> = (0..w * h)
            .into_par_iter()
            .map(|k| {
                if self.seen[k] == 0.0 {
                    return 0.0;
                }
                let window = (k % w, k / w, reach);
                let mean = sums.around(window) / counts.around(window).max(1.0);
                ((f64::from(self.values[k]) - mean) as f32).clamp(-CAP, CAP)
            })
            .collect();
        self.values = values;
    }

    /// Subtracts from every part the middle of all parts at the same place of the print's period (in parts).
    fn take_off_repeats(&mut self, [across, up]: [usize; 2], print: Print) {
        let [w, h] = self.size;
        let middles: Vec<f32> = (0..across * up)
            .into_par_iter()
            .map(|phase| {
                let rows = (phase / across..h).step_by(up);
                let places = rows.flat_map(|r| (phase % across..w).step_by(across).map(move |c| r * w + c));
                let mut all: Vec<f32> = places.filter(|k| self.seen[*k] > 0.0).map(|k| self.values[k]).collect();
                let middle = all.len() / 2;
                if all.is_empty() { 0.0 } else { *all.select_nth_unstable_by(middle, f32::total_cmp).1 }
            })
            .collect();
        for (k, v) in self.values.iter_mut().enumerate().filter(|(k, _)| self.seen[*k] > 0.0) {
            let printed = middles[(k / w % up) * across + k % w % across];
            if print == Print::Everywhere || (*v - printed).abs() < v.abs() {
                *v -= printed;
            }
        }
    }

    /// How far things stand out within the printed grid, away from its rim (root mean square, log units); `None` if too
    /// little of it is seen.
    pub fn unevenness(&self, view: &View) -> Option<f64> {
        let [px, py] = view.grid.pitch_mm;
        let rect = printed(view)?.grown(-SLOW_MM);
        let part = [px / self.per_cell as f64, py / self.per_cell as f64];
        let inside = |k: &usize| {
            let x = f64::from(self.origin[0]) * px + ((k % self.size[0]) as f64 + 0.5) * part[0];
            let y = f64::from(self.origin[1]) * py + ((k / self.size[0]) as f64 + 0.5) * part[1];
            (rect.min.x..rect.max.x).contains(&x) && (rect.min.y..rect.max.y).contains(&y)
        };
        let seen = (0..self.values.len()).filter(|k| self.seen[*k] > 0.0).filter(inside);
        let (n, squares) = seen.fold((0usize, 0.0), |(n, s), k| (n + 1, s + f64::from(self.values[k]).powi(2)));
        (n >= LEAST_PARTS).then(|| (squares / n as f64).sqrt())
    }

    /// The same turned anticlockwise by a quarter.
    pub fn turned(&self) -> Self {
        let [w, h] = self.size;
        let rows = (h / self.per_cell) as i32;
        let turn = |from: &[f32]| -> Vec<f32> {
            // (x, y) goes to (-y, x).
            (0..w * h).map(|k| from[(h - 1 - k % h) * w + k / h]).collect()
        };
        Self {
            per_cell: self.per_cell,
            origin: [-(self.origin[1] + rows), self.origin[0]],
            size: [h, w],
            values: turn(&self.values),
            seen: turn(&self.seen),
        }
    }
}

/// The lines seen, together.
fn printed(view: &View) -> Option<MatRect> {
    let [px, py] = view.grid.pitch_mm;
    MatRect::around(view.grid.sides.iter().map(|s| match s.axis {
        Axis::X => MatPoint::new(f64::from(s.index) * px, s.along * py),
        Axis::Y => MatPoint::new(s.along * px, f64::from(s.index) * py),
    }))
}

/// Cells (x from, to, y from, to) worth looking at: what the photo shows about the lines seen.
fn cells(view: &View) -> Option<[i32; 4]> {
    let [px, py] = view.grid.pitch_mm;
    let wide = printed(view)?.grown(BEYOND_MM);
    let (w, h) = (f64::from(view.photo.width()) - 1.0, f64::from(view.photo.height()) - 1.0);
    let border = (0..16).flat_map(|i| {
        let t = f64::from(i) / 16.0;
        [(t * w, 0.0), (w, t * h), (w - t * w, h), (0.0, h - t * h)]
    });
    let shown = border.map(|(x, y)| view.camera.mat_from_image(ImagePoint::new(x, y))).filter(|p| p.is_finite());
    let shown = MatRect::around(shown)?;
    let cell = |v: f64, pitch: f64, up: bool| if up { (v / pitch).ceil() } else { (v / pitch).floor() } as i32;
    let out = [
        cell(wide.min.x.max(shown.min.x), px, false),
        cell(wide.max.x.min(shown.max.x), px, true),
        cell(wide.min.y.max(shown.min.y), py, false),
        cell(wide.max.y.min(shown.max.y), py, true),
    ];
    (out[1] > out[0] && out[3] > out[2]).then_some(out)
}

/// Log brightness of every part (mean of two by two samples), and whether the photo shows it.
fn brightness(
    flat: &FlatPhoto,
    view: &View,
    (w, h): (usize, usize),
    [px, py]: [f64; 2],
    min: MatPoint,
    per_cell: usize,
) -> (Vec<f32>, Vec<f32>) {
    let part = [px / per_cell as f64, py / per_cell as f64];
    let (width, height) = (f64::from(view.photo.width()), f64::from(view.photo.height()));
    let mut values = vec![0f32; w * h];
    let mut seen = vec![0f32; w * h];
    values.par_chunks_mut(w).zip(seen.par_chunks_mut(w)).enumerate().for_each(|(r, (values, seen))| {
        for (c, (value, seen)) in values.iter_mut().zip(seen).enumerate() {
            let at = |u: f64, v: f64| MatPoint::new(min.x + (c as f64 + u) * part[0], min.y + (r as f64 + v) * part[1]);
            let p = view.camera.image_from_mat(at(0.5, 0.5));
            if p.x < 3.0 || p.y < 3.0 || p.x > width - 4.0 || p.y > height - 4.0 {
                continue;
            }
            let mut sum = 0f32;
            for (u, v) in [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)] {
                let (x, y) = flat.frame.flat_from_mat(at(u, v));
                let x = (x.round().max(0.0) as u32).min(flat.frame.width - 1);
                let y = (y.round().max(0.0) as u32).min(flat.frame.height - 1);
                let [red, green, blue] = flat.rgb.get_pixel(x, y).0.map(f32::from);
                sum += 0.3 * red + 0.55 * green + 0.15 * blue;
            }
            *value = (0.25 * sum + 6.0).ln();
            *seen = 1.0;
        }
    });
    (values, seen)
}

/// Sums over windows, from running totals.
struct Sums {
    w: usize,
    h: usize,
    totals: Vec<f64>,
}

impl Sums {
    fn of(w: usize, h: usize, values: &[f32]) -> Self {
        let mut totals = vec![0f64; (w + 1) * (h + 1)];
        for r in 0..h {
            let mut row = 0.0;
            for c in 0..w {
                row += f64::from(values[r * w + c]);
                totals[(r + 1) * (w + 1) + c + 1] = totals[r * (w + 1) + c + 1] + row;
            }
        }
        Self { w, h, totals }
    }

    fn around(&self, (c, r, reach): (usize, usize, usize)) -> f64 {
        let (c0, c1) = (c.saturating_sub(reach), (c + reach + 1).min(self.w));
        let (r0, r1) = (r.saturating_sub(reach), (r + reach + 1).min(self.h));
        let at = |c: usize, r: usize| self.totals[r * (self.w + 1) + c];
        at(c1, r1) - at(c0, r1) - at(c1, r0) + at(c0, r0)
    }
}
