//! One short stretch of a grout line, measured across at full size.

use image::GrayImage;
use nalgebra::Vector2;

use crate::camera::Camera;
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
    let half_count = (search.half_px / step).ceil() as i32;
    let along_count = (way.norm() / 2.0).clamp(4.0, 28.0) as usize;
    let sign = if search.marking == Marking::LightLines { 1.0f32 } else { -1.0 };
    // One row for each offset across, one column for each place along.
    let places: Vec<ImagePoint> = (0..along_count).map(|i| a.lerp(b, (i as f64 + 0.5) / along_count as f64)).collect();
    let row = |k: i32| {
        let aside = normal * (f64::from(k - half_count) * step);
        places.iter().map(move |place| sign * sample(luma, *place + aside))
    };
    let mut values = Vec::with_capacity(along_count);
    let profile: Vec<f64> = (0..=2 * half_count)
        .map(|k| {
            values.clear();
            values.extend(row(k));
            f64::from(trimmed_mean(&mut values))
        })
        .collect();
    let base = baseline(&profile);
    let level: Vec<f64> = profile.iter().zip(&base.values).map(|(v, b)| v - b).collect();
    let (top, &peak) = level.iter().enumerate().max_by(|x, y| x.1.total_cmp(y.1))?;
    if peak < LEAST_PEAK || peak < CLEAR * base.noise {
        return None;
    }
    let (lo, hi) = flanks(&level, top, 0.5 * peak)?;
    let shown = row(top as i32).filter(|v| f64::from(*v) - base.values[top] > 0.4 * peak).count();
    if (shown as f64) < ALONG * along_count as f64 {
        return None;
    }
    let centre = centroid(&level, top, 0.3 * peak);
    let offset = (centre - f64::from(half_count)) * step;
    Some(Found { at: a.lerp(b, 0.5) + normal * offset, contrast: peak, width_px: (hi - lo) * step })
}

/// Bilinear; the caller keeps inside the photo.
fn sample(luma: &GrayImage, at: ImagePoint) -> f32 {
    let (x, y) = (at.x.max(0.0) as usize, at.y.max(0.0) as usize);
    let (fx, fy) = ((at.x - x as f64) as f32, (at.y - y as f64) as f32);
    let raw = luma.as_raw();
    let stride = luma.width() as usize;
    let base = y * stride + x;
    let (Some(top), Some(low)) = (raw.get(base..base + 2), raw.get(base + stride..base + stride + 2)) else {
        return 0.0;
    };
    let across = |v: &[u8]| f32::from(v[0]) + (f32::from(v[1]) - f32::from(v[0])) * fx;
    across(top) + (across(low) - across(top)) * fy
}

/// Mean without the lowest and the highest fifth (sorts the values in part).
fn trimmed_mean(values: &mut [f32]) -> f32 {
    let cut = values.len() / 5;
    if cut > 0 {
        let (_, _, rest) = values.select_nth_unstable_by(cut - 1, f32::total_cmp);
        let most = rest.len() - cut;
        rest.select_nth_unstable_by(most, f32::total_cmp);
    }
    let kept = &values[cut..values.len() - cut];
    kept.iter().sum::<f32>() / kept.len().max(1) as f32
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
