//! One short stretch of a grout line, measured across at full size.

use image::GrayImage;
use nalgebra::Vector2;

use crate::camera::Camera;
use crate::reference::grid::side::add_row;
use crate::reference::{Axis, LineSighting, Marking};
use crate::units::{ImagePoint, MatPoint};

/// Stretches to one tile side: whole sides are mostly cropped or hidden.
pub(super) const PER_CELL: i32 = 8;
/// Share of the samples along that must show the line.
const ALONG: f64 = 0.7;
/// Peak over profile noise.
const CLEAR: f64 = 4.0;
/// Least peak, grey levels.
const LEAST_PEAK: f64 = 3.0;

/// How the lines are looked for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    /// Half-width of the profile, px.
    pub half_px: f64,
    /// Light or dark lines.
    pub marking: Marking,
    /// Moves the lines by a share of a pitch: 0, or a half to see that there are none between.
    pub shift: f64,
}

/// A stretch looked for, and what was seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Looked {
    pub axis: Axis,
    pub index: i32,
    /// Number of the stretch along the line.
    pub part: i32,
    pub found: Option<Found>,
}

/// What was seen of a stretch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub at: ImagePoint,
    pub contrast: f64,
    pub width_px: f64,
}

impl Looked {
    /// As a sighting, if it was seen.
    pub(super) fn sighting(&self) -> Option<LineSighting> {
        let found = self.found?;
        let along = (f64::from(self.part) + 0.5) / f64::from(PER_CELL);
        Some(LineSighting { at: found.at, axis: self.axis, index: self.index, along, contrast: found.contrast })
    }
}

/// Where the photo lies among the cells: (x0, x1, y0, y1), in pitches.
pub(super) fn view(camera: &Camera, pitch_mm: [f64; 2], size: (u32, u32)) -> [f64; 4] {
    let (w, h) = (f64::from(size.0 - 1), f64::from(size.1 - 1));
    let rim = [(0.0, 0.0), (0.5, 0.0), (1.0, 0.0), (1.0, 0.5), (1.0, 1.0), (0.5, 1.0), (0.0, 1.0), (0.0, 0.5)];
    rim.iter().fold([f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY], |v, &(x, y)| {
        let m = camera.mat_from_image(ImagePoint::new(x * w, y * h));
        let (x, y) = (m.x / pitch_mm[0], m.y / pitch_mm[1]);
        [v[0].min(x), v[1].max(x), v[2].min(y), v[3].max(y)]
    })
}

/// Looks for one stretch; `None` if it is not in the photo.
pub(super) fn look(
    luma: &GrayImage,
    camera: &Camera,
    pitch_mm: [f64; 2],
    (axis, index, part): (Axis, i32, i32),
    search: &Search,
) -> Option<Looked> {
    let place = |part: f64| {
        let (across, along) = (f64::from(index) + search.shift, part / f64::from(PER_CELL));
        camera.image_from_mat(match axis {
            Axis::X => MatPoint::new(across * pitch_mm[0], along * pitch_mm[1]),
            Axis::Y => MatPoint::new(along * pitch_mm[0], across * pitch_mm[1]),
        })
    };
    let (a, b) = (place(f64::from(part)), place(f64::from(part) + 1.0));
    let inside = |p: ImagePoint| {
        let m = search.half_px + 2.0;
        p.x >= m && p.y >= m && p.x < f64::from(luma.width()) - m && p.y < f64::from(luma.height()) - m
    };
    if !(inside(a) && inside(b)) || a.distance(b) < 3.0 {
        return None;
    }
    Some(Looked { axis, index, part, found: measure(luma, a, b, search) })
}

fn measure(luma: &GrayImage, a: ImagePoint, b: ImagePoint, search: &Search) -> Option<Found> {
    let way = b - a;
    let normal = Vector2::new(-way.y, way.x) / way.norm();
    let step = (search.half_px / 40.0).clamp(0.25, 1.0);
    let half_count = (search.half_px / step).ceil() as usize;
    let along_count = (way.norm() / 2.0).clamp(4.0, 28.0) as usize;
    let mut samples = Samples::read(luma, (a, b), along_count, normal * step, 2 * half_count + 1)?;
    let sign = if search.marking == Marking::LightLines { 1.0 } else { -1.0 };
    let profile: Vec<f64> = samples.trimmed_means().into_iter().map(|v| sign * f64::from(v)).collect();
    let base = baseline(&profile);
    let level: Vec<f64> = profile.iter().zip(&base.values).map(|(v, b)| v - b).collect();
    let (top, &peak) = level.iter().enumerate().max_by(|x, y| x.1.total_cmp(y.1))?;
    if peak < LEAST_PEAK || peak < CLEAR * base.noise {
        return None;
    }
    let (lo, hi) = flanks(&level, top, 0.5 * peak)?;
    let shown = samples.column(top).filter(|v| sign * f64::from(*v) - base.values[top] > 0.4 * peak).count();
    if (shown as f64) < ALONG * along_count as f64 {
        return None;
    }
    let centre = centroid(&level, top, 0.3 * peak);
    let offset = (centre - half_count as f64) * step;
    Some(Found { at: a.lerp(b, 0.5) + normal * offset, contrast: peak, width_px: (hi - lo) * step })
}

/// Grey levels over a stretch: a row across it at each place along.
struct Samples {
    values: Vec<f32>,
    columns: usize,
}

impl Samples {
    /// Rows of `columns` samples `step` apart, the middle one on the line from `a` to `b`; `None` beyond the photo.
    fn read(
        luma: &GrayImage,
        (a, b): (ImagePoint, ImagePoint),
        rows: usize,
        step: Vector2<f64>,
        columns: usize,
    ) -> Option<Self> {
        let (raw, stride) = (luma.as_raw(), luma.width() as usize);
        let mut values = Vec::with_capacity(rows * columns);
        let mut sums = vec![0i32; columns];
        for i in 0..rows {
            let start = a.lerp(b, (i as f64 + 0.5) / rows as f64) - step * (0.5 * (columns - 1) as f64);
            sums.fill(0);
            add_row(raw, stride, (start.x as f32, start.y as f32), (step.x as f32, step.y as f32), &mut sums)?;
            values.extend(sums.iter().map(|v| *v as f32 / 65_536.0));
        }
        Some(Self { values, columns })
    }

    /// Each column's mean without its lowest and its highest fifth; columns are sorted for it in part.
    fn trimmed_means(&mut self) -> Vec<f32> {
        let rows = self.values.len() / self.columns;
        let cut = rows / 5;
        for pass in 0..cut {
            // All columns at once: the least of those left goes first, the greatest last.
            (pass + 1..rows - pass).rev().for_each(|row| self.order(row));
            (pass + 2..rows - pass).for_each(|row| self.order(row));
        }
        let mut means = vec![0.0f32; self.columns];
        for row in self.values.chunks_exact(self.columns).take(rows - cut).skip(cut) {
            means.iter_mut().zip(row).for_each(|(sum, v)| *sum += v);
        }
        let kept = (rows - 2 * cut).max(1) as f32;
        means.iter_mut().for_each(|sum| *sum /= kept);
        means
    }

    /// Puts the lesser value of a row and the one before it into the one before, in every column.
    fn order(&mut self, row: usize) {
        let (before, after) = self.values.split_at_mut(row * self.columns);
        let before = &mut before[(row - 1) * self.columns..];
        for (a, b) in before.iter_mut().zip(after) {
            (*a, *b) = if *b < *a { (*b, *a) } else { (*a, *b) };
        }
    }

    /// The values of a column, in any order.
    fn column(&self, at: usize) -> impl Iterator<Item = f32> {
        self.values.iter().skip(at).step_by(self.columns).copied()
    }
}

struct Baseline {
    values: Vec<f64>,
    noise: f64,
}

/// A straight ground through the medians of the two outer quarters, and the scatter about it there.
fn baseline(profile: &[f64]) -> Baseline {
    let n = profile.len();
    let quarter = (n / 4).max(1);
    let median = |part: &[f64]| {
        let mut part = part.to_vec();
        crate::camera::median(&mut part)
    };
    let (left, right) = (median(&profile[..quarter]), median(&profile[n - quarter..]));
    let (from, to) = (0.5 * quarter as f64, n as f64 - 0.5 * quarter as f64 - 1.0);
    let at = |i: usize| left + (right - left) * (i as f64 - from) / (to - from).max(1.0);
    let mut off: Vec<f64> = (0..quarter).chain(n - quarter..n).map(|i| (profile[i] - at(i)).abs()).collect();
    Baseline { values: (0..n).map(at).collect(), noise: 1.4826 * crate::camera::median(&mut off) }
}

/// Where the profile falls below a level on either side of the top; `None` if it does not on both.
fn flanks(level: &[f64], top: usize, below: f64) -> Option<(f64, f64)> {
    let cross = |i: usize, j: usize| {
        let (a, b) = (level[i], level[j]);
        i as f64 + (j as f64 - i as f64) * (a - below) / (a - b)
    };
    let right = (top..level.len() - 1).find(|&i| level[i + 1] < below).map(|i| cross(i, i + 1))?;
    let left = (1..=top).rev().find(|&i| level[i - 1] < below).map(|i| cross(i, i - 1))?;
    Some((left, right))
}

/// Centre of what stands above a level round the top.
fn centroid(level: &[f64], top: usize, floor: f64) -> f64 {
    let (mut sum, mut moment) = (0.0, 0.0);
    let mut add = |i: usize| {
        let v = level[i] - floor;
        if v > 0.0 {
            sum += v;
            moment += v * i as f64;
        }
        v > 0.0
    };
    let mut up = top;
    while up < level.len() && add(up) {
        up += 1;
    }
    let mut down = top;
    while down > 0 && add(down - 1) {
        down -= 1;
    }
    moment / sum.max(1e-12)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_and_the_highest_fifth_of_every_column_do_not_count() {
        for rows in [4, 5, 11, 28] {
            let columns = 3;
            let level = |row: usize, column: usize| ((row * 37 + column * 11) * 101 % 251) as f32;
            let values = (0..rows * columns).map(|i| level(i / columns, i % columns)).collect();
            let means = Samples { values, columns }.trimmed_means();
            for (column, mean) in means.into_iter().enumerate() {
                let mut sorted: Vec<f32> = (0..rows).map(|row| level(row, column)).collect();
                sorted.sort_by(f32::total_cmp);
                let kept = &sorted[rows / 5..rows - rows / 5];
                let expected = kept.iter().sum::<f32>() / kept.len() as f32;
                assert!((mean - expected).abs() < 1e-3, "{mean} for {expected} of {rows} rows");
            }
        }
    }

    #[test]
    fn a_joint_is_found_where_it_is_between_pixels() {
        // A dark joint 4 px wide about x = 50.3, its rims soft over 2 px.
        let dark = |x: f64| (1.5 - 0.5 * (x - 50.3).abs()).clamp(0.0, 1.0);
        let picture =
            GrayImage::from_fn(100, 90, |x, _| image::Luma([(180.0 - 80.0 * dark(f64::from(x))).round() as u8]));
        let search = Search { half_px: 20.0, marking: Marking::DarkLines, shift: 0.0 };
        let (a, b) = (ImagePoint::new(48.0, 15.0), ImagePoint::new(48.0, 75.0));
        let found = measure(&picture, a, b, &search).expect("a joint");
        assert!((found.at.x - 50.3).abs() < 0.05 && (found.width_px - 4.0).abs() < 0.1, "{found:?}");
        assert!(measure(&picture, a, b, &Search { marking: Marking::LightLines, ..search }).is_none());
    }
}
