//! The photo resampled as if seen from straight above, at a known number of pixels per millimetre.

use image::RgbImage;
use rayon::prelude::*;

use crate::camera::Camera;
use crate::photo::Photo;
use crate::units::{ImagePoint, MatPoint, for_either_tape};

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

    /// Distance of a point inside the rectangle from its border, mm (negative outside).
    pub fn depth_mm(&self, p: MatPoint) -> f64 {
        (p.x - self.min.x).min(self.max.x - p.x).min(p.y - self.min.y).min(self.max.y - p.y)
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

/// Steps across a tile: what it needs of the photo stays in the cache nearest to the processor's own.
const TILE_STEPS: usize = 8;

/// Bytes that come from memory at once, and the most that are kept near.
const CACHE_LINE: usize = 64;
const NEAR_BYTES: usize = 1 << 19;

/// Resamples the photo onto a frame of the mat plane (or of a plane `above_mm` over it).
pub fn rectify(photo: &Photo, camera: &Camera, frame: FlatFrame, above_mm: f64) -> FlatPhoto {
    let map = RowMap { camera, frame, above_mm };
    let mut rgb = RgbImage::new(frame.width, frame.height);
    let row_len = 3 * frame.width as usize;
    rgb.as_mut().par_chunks_mut(row_len * MAP_STEP as usize).enumerate().for_each(|(band, rows)| {
        let first = band as u32 * MAP_STEP;
        let above = map.knots(first);
        let below = map.knots(first + MAP_STEP);
        fill_band(&Picture::of(&photo.rgb), rows, row_len, &above, &below);
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

/// Fills a band of rows tile by tile, so that neighbouring samples share the photo's cache lines however it is turned.
///
/// A tile's part of the photo is read once before it is sampled: memory answers a sweep sooner than scattered questions
/// (this halves the time).
fn fill_band(picture: &Picture, rows: &mut [u8], row_len: usize, above: &[ImagePoint], below: &[ImagePoint]) {
    let step_len = 3 * MAP_STEP as usize;
    let steps = row_len.div_ceil(step_len);
    for first in (0..steps).step_by(TILE_STEPS) {
        let last = (first + TILE_STEPS).min(steps);
        picture.read_ahead([above[first], above[last], below[first], below[last]]);
        for (i, row) in rows.chunks_mut(row_len).enumerate() {
            let t = i as f64 / f64::from(MAP_STEP);
            for k in first..last {
                let (from, to) = (above[k].lerp(below[k], t), above[k + 1].lerp(below[k + 1], t));
                let end = ((k + 1) * step_len).min(row_len);
                picture.fill_where_held(&mut row[k * step_len..end], from, to);
            }
        }
    }
}

/// `a` and `b` mixed channel by channel, `share` 256ths of `b`; rounded.
///
/// Three channels of 16 bits in one number: 255 times 256 and a half fit.
fn mixed(a: u64, b: u64, share: u64) -> u64 {
    const HALF: u64 = 0x0080_0080_0080;
    const WHOLE: u64 = 0x00ff_00ff_00ff;
    ((a * (256 - share) + b * share + HALF) >> 8) & WHOLE
}

/// A photo's pixels as they lie in memory.
struct Picture<'a> {
    raw: &'a [u8],
    stride: usize,
    last: (f64, f64),
}

impl<'a> Picture<'a> {
    fn of(rgb: &'a RgbImage) -> Self {
        let (width, height) = rgb.dimensions();
        let last = (f64::from(width) - 1.0, f64::from(height) - 1.0);
        Self { raw: rgb.as_raw(), stride: 3 * width as usize, last }
    }

    /// Does a bilinear sample there need no pixel beyond the border?
    fn holds(&self, at: ImagePoint) -> bool {
        at.x >= 0.0 && at.y >= 0.0 && at.x < self.last.0 && at.y < self.last.1
    }

    /// Has the processor fetch what lies between the corners, as far as the photo goes.
    fn read_ahead(&self, corners: [ImagePoint; 4]) {
        let span = |of: fn(&ImagePoint) -> f64, last: f64| {
            let (low, high) = corners.iter().map(of).fold((last, 0.0), |(low, high), v| (v.min(low), v.max(high)));
            // What lies beyond the rim becomes the rim; nothing is left of NaN.
            (low.clamp(0.0, last) as usize, high.clamp(0.0, last) as usize)
        };
        let ((left, right), (top, foot)) = (span(|p| p.x, self.last.0), span(|p| p.y, self.last.1));
        if 3 * right.saturating_sub(left) * foot.saturating_sub(top) > NEAR_BYTES {
            return;
        }
        let rows = self.raw.chunks_exact(self.stride).take(foot + 1).skip(top);
        let read =
            rows.filter_map(|row| row.get(3 * left..3 * right + 3)).flat_map(|row| row.iter().step_by(CACHE_LINE));
        std::hint::black_box(read.fold(0u8, |all, byte| all ^ byte));
    }

    /// The pixel that begins at a byte and the next one, each channel in 16 bits of its own.
    fn pair(&self, base: usize) -> Option<[u64; 2]> {
        let bytes = match self.raw.get(base..base + 8) {
            Some(eight) => u64::from_le_bytes(eight.try_into().ok()?),
            // The last pixels of the photo.
            None => {
                let six: [u8; 6] = self.raw.get(base..base + 6)?.try_into().ok()?;
                six.iter().rev().fold(0, |all, byte| all << 8 | u64::from(*byte))
            }
        };
        // Green last: red and blue lie 16 bits apart as they are.
        let spread = |three: u64| three & 0x00ff_00ff | (three & 0xff00) << 24;
        Some([spread(bytes), spread(bytes >> 24)])
    }

    /// [`Picture::fill`], leaving out what lies beyond the border.
    fn fill_where_held(&self, cells: &mut [u8], from: ImagePoint, to: ImagePoint) {
        if self.holds(from) && self.holds(to) {
            self.fill(cells, from, to);
            return;
        }
        for (i, out) in cells.chunks_exact_mut(3).enumerate() {
            let at = from.lerp(to, i as f64 / f64::from(MAP_STEP));
            if self.holds(at) {
                self.fill(out, at, at);
            }
        }
    }

    /// Bilinear samples from one held point towards another, a `MAP_STEP`-th of the way each.
    ///
    /// Fixed point with 16 fractional bits: converting every coordinate costs more than the sampling.
    fn fill(&self, cells: &mut [u8], from: ImagePoint, to: ImagePoint) {
        let fixed = |v: f64| (v * 65_536.0) as i64;
        let (mut x, mut y) = (fixed(from.x), fixed(from.y));
        let steps = i64::from(MAP_STEP);
        let (dx, dy) = ((fixed(to.x) - x) / steps, (fixed(to.y) - y) / steps);
        for out in cells.chunks_exact_mut(3) {
            let (fx, fy) = (((x >> 8) & 255) as u64, ((y >> 8) & 255) as u64);
            let base = (y >> 16) as usize * self.stride + 3 * (x >> 16) as usize;
            let (Some(top), Some(low)) = (self.pair(base), self.pair(base + self.stride)) else { return };
            let colour = mixed(mixed(top[0], top[1], fx), mixed(low[0], low[1], fx), fy);
            out.copy_from_slice(&[colour as u8, (colour >> 32) as u8, (colour >> 16) as u8]);
            x += dx;
            y += dy;
        }
    }
}

/// Where on the garment a point lies, for somebody who looks at the flat photo with a tape in hand.
pub(crate) fn place_in_words(ring: &[MatPoint], at: MatPoint) -> String {
    let Some(all) = MatRect::around(ring.iter().copied()) else { return String::new() };
    let third = |share: f64, names: [&'static str; 3]| names[((3.0 * share) as usize).min(2)];
    let across = third((at.x - all.min.x) / all.width_mm().max(1e-9), ["left", "middle", "right"]);
    let down = third((all.max.y - at.y) / all.height_mm().max(1e-9), ["upper", "middle", "lower"]);
    let part = match (down, across) {
        ("middle", "middle") => "in the middle".to_string(),
        ("middle", side) => format!("at the {side}, half way up"),
        (end, "middle") => format!("at the {end} end, half way across"),
        (end, side) => format!("at the {end} {side}"),
    };
    format!(
        "{part} in the flat photo ({} from the garment's left end and {} below its top)",
        for_either_tape(at.x - all.min.x),
        for_either_tape(all.max.y - at.y)
    )
}
