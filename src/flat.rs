//! The photo resampled as if seen from straight above, at a known number of pixels per millimetre.

use image::RgbImage;
use rayon::prelude::*;

use crate::camera::Camera;
use crate::photo::Photo;
use crate::units::{ImagePoint, MatPoint};

/// A rectangle of the mat, in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatRect {
    /// The corner with the least x and y (lower left).
    pub min: MatPoint,
    /// The corner with the greatest x and y (upper right).
    pub max: MatPoint,
}

impl MatRect {
    /// Width, mm.
    pub fn width_mm(&self) -> f64 {
        self.max.x - self.min.x
    }

    /// Height, mm.
    pub fn height_mm(&self) -> f64 {
        self.max.y - self.min.y
    }

    /// The smallest rectangle around the points; `None` if there are none.
    pub fn around(points: impl IntoIterator<Item = MatPoint>) -> Option<Self> {
        points.into_iter().fold(None, |rect, p| {
            Some(rect.map_or(Self { min: p, max: p }, |r: Self| Self {
                min: MatPoint::new(r.min.x.min(p.x), r.min.y.min(p.y)),
                max: MatPoint::new(r.max.x.max(p.x), r.max.y.max(p.y)),
            }))
        })
    }

    /// The rectangle grown by a margin on all sides.
    pub fn grown(&self, by_mm: f64) -> Self {
        Self {
            min: MatPoint::new(self.min.x - by_mm, self.min.y - by_mm),
            max: MatPoint::new(self.max.x + by_mm, self.max.y + by_mm),
        }
    }
}

/// How the flat picture lies on the mat: row 0 is at the top (greatest y).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlatFrame {
    /// What it covers.
    pub rect: MatRect,
    /// Resolution.
    pub px_per_mm: f64,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
}

impl FlatFrame {
    /// The frame that covers a rectangle at a resolution.
    pub fn new(rect: MatRect, px_per_mm: f64) -> Self {
        let pixels = |mm: f64| ((mm * px_per_mm).ceil() as u32).max(1);
        Self { rect, px_per_mm, width: pixels(rect.width_mm()), height: pixels(rect.height_mm()) }
    }

    /// The mat point at a pixel's centre (fractional pixels allowed).
    pub fn mat_from_flat(&self, column: f64, row: f64) -> MatPoint {
        MatPoint::new(self.rect.min.x + (column + 0.5) / self.px_per_mm, self.rect.max.y - (row + 0.5) / self.px_per_mm)
    }

    /// (column, row) of a mat point.
    pub fn flat_from_mat(&self, mat: MatPoint) -> (f64, f64) {
        ((mat.x - self.rect.min.x) * self.px_per_mm - 0.5, (self.rect.max.y - mat.y) * self.px_per_mm - 0.5)
    }
}

/// The rectified photo.
#[derive(Debug, Clone)]
pub struct FlatPhoto {
    /// Its place on the mat.
    pub frame: FlatFrame,
    /// Pixels; black where the photo does not reach.
    pub rgb: RgbImage,
}

/// Every how many pixels the camera model is evaluated exactly; between, the map is linear.
///
/// Over 16 px the map's curvature is under 0.01 px for any lens and tilt this program accepts.
const MAP_STEP: u32 = 16;

/// Resamples the photo onto a frame of the mat plane (or of a plane `above_mm` over it).
pub fn rectify(photo: &Photo, camera: &Camera, frame: FlatFrame, above_mm: f64) -> FlatPhoto {
    let map = RowMap { camera, frame, above_mm };
    let mut rgb = RgbImage::new(frame.width, frame.height);
    let row_len = 3 * frame.width as usize;
    rgb.as_mut().par_chunks_mut(row_len * MAP_STEP as usize).enumerate().for_each(|(band, rows)| {
        let first = band as u32 * MAP_STEP;
        let above = map.knots(first);
        let below = map.knots(first + MAP_STEP);
        for (i, row) in rows.chunks_mut(row_len).enumerate() {
            let t = i as f64 / f64::from(MAP_STEP);
            fill_row(photo, row, &above, &below, t);
        }
    });
    FlatPhoto { frame, rgb }
}

struct RowMap<'a> {
    camera: &'a Camera,
    frame: FlatFrame,
    above_mm: f64,
}

impl RowMap<'_> {
    /// Image points of every `MAP_STEP`-th pixel of a row, one beyond the end.
    fn knots(&self, row: u32) -> Vec<ImagePoint> {
        (0..=self.frame.width / MAP_STEP + 1)
            .map(|k| {
                let mat = self.frame.mat_from_flat(f64::from(k * MAP_STEP), f64::from(row));
                self.camera.image_from_mat_at(mat, self.above_mm)
            })
            .collect()
    }
}

fn fill_row(photo: &Photo, row: &mut [u8], above: &[ImagePoint], below: &[ImagePoint], t: f64) {
    let step = MAP_STEP as usize;
    for (k, cells) in row.chunks_mut(3 * step).enumerate() {
        let from = above[k].lerp(below[k], t);
        let to = above[k + 1].lerp(below[k + 1], t);
        for (i, out) in cells.chunks_exact_mut(3).enumerate() {
            let at = from.lerp(to, i as f64 / step as f64);
            if let Some(rgb) = sample(&photo.rgb, at) {
                out.copy_from_slice(&rgb);
            }
        }
    }
}

/// Bilinear sample; `None` outside the picture.
fn sample(rgb: &RgbImage, at: ImagePoint) -> Option<[u8; 3]> {
    let (width, height) = rgb.dimensions();
    let inside = at.x >= 0.0 && at.y >= 0.0 && at.x < f64::from(width - 1) && at.y < f64::from(height - 1);
    if !inside {
        return None;
    }
    let (x, y) = (at.x as usize, at.y as usize);
    let (fx, fy) = ((256.0 * (at.x - x as f64)) as u32, (256.0 * (at.y - y as f64)) as u32);
    let raw = rgb.as_raw();
    let stride = 3 * width as usize;
    let base = y * stride + 3 * x;
    let mut out = [0u8; 3];
    for (c, value) in out.iter_mut().enumerate() {
        let p = |offset: usize| u32::from(raw[base + offset + c]);
        let top = p(0) * (256 - fx) + p(3) * fx;
        let low = p(stride) * (256 - fx) + p(stride + 3) * fx;
        *value = ((top * (256 - fy) + low * fy + (1 << 15)) >> 16) as u8;
    }
    Some(out)
}
