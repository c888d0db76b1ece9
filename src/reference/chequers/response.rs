//! The ChESS response: where four squares meet (Bennett & Lasenby, *ChESS - Quick and robust detection
//! of chess-board features*, CVIU 118, 2014).
//!
//! Sixteen samples on a ring of radius 5 px. At a corner opposite samples agree and those a quarter
//! turn on differ (sum response); at an edge opposite ones differ (difference response); at a line the
//! middle differs from the ring (mean response).

use image::GrayImage;
use nalgebra::Vector2;
use rayon::prelude::*;

use crate::units::ImagePoint;

/// The ring, in order round it.
const RING: [(i32, i32); 16] = [
    (5, 0),
    (5, 2),
    (4, 4),
    (2, 5),
    (0, 5),
    (-2, 5),
    (-4, 4),
    (-5, 2),
    (-5, 0),
    (-5, -2),
    (-4, -4),
    (-2, -5),
    (0, -5),
    (2, -5),
    (4, -4),
    (5, -2),
];
/// Half-width of the ring with room for the local mean.
const MARGIN: u32 = 6;
/// Least response: a perfect corner gives about 6 times its contrast, so this is 10 grey levels.
const LEAST: i16 = 60;
/// No two corners nearer than this, px.
const APART: i32 = 5;
/// The most corners worth sorting out.
const MOST: usize = 2500;

/// A point where four squares meet.
#[derive(Debug, Clone, Copy)]
pub(super) struct Corner {
    /// Place in the reduced photo.
    pub at: ImagePoint,
    /// Direction of the light diagonal, radians, modulo a half turn.
    pub light: f64,
    /// Response.
    pub strength: i32,
}

impl Corner {
    /// The two edge directions, unit vectors.
    pub(super) fn edges(&self) -> [Vector2<f64>; 2] {
        let quarter = std::f64::consts::FRAC_PI_4;
        [self.light + quarter, self.light - quarter].map(|a| Vector2::new(a.cos(), a.sin()))
    }
}

/// The strongest corners of the picture.
pub(super) fn corners(picture: &GrayImage) -> Vec<Corner> {
    let (width, height) = picture.dimensions();
    if width <= 2 * MARGIN + 2 || height <= 2 * MARGIN + 2 {
        return Vec::new();
    }
    let response = response_map(picture);
    let stride = width as usize;
    let rows: Vec<usize> = (MARGIN as usize..(height - MARGIN) as usize).collect();
    let mut found: Vec<Corner> = rows
        .par_iter()
        .flat_map_iter(|&y| {
            let response = &response;
            (MARGIN as usize..(width - MARGIN) as usize)
                .filter(move |&x| is_peak(response, stride, x, y))
                .map(move |x| corner_at(picture, response, stride, x, y))
        })
        .collect();
    found.sort_by_key(|c| std::cmp::Reverse(c.strength));
    found.truncate(MOST);
    found
}

fn response_map(picture: &GrayImage) -> Vec<i16> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let margin = MARGIN as usize;
    let raw = picture.as_raw();
    let mut map = vec![0i16; width * height];
    map.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        if y >= margin && y < height - margin {
            response_row(raw, width, y, &mut row[margin..width - margin]);
        }
    });
    map
}

/// Pixels whose response is taken at once.
const WIDE: usize = 8;

/// The response along row `y`, from the margin on; none where that leaves fewer pixels than are taken at once.
fn response_row(raw: &[u8], width: usize, y: usize, row: &mut [i16]) {
    let line = |(x, dy): (i32, i32)| {
        let from = (y as i32 + dy) as usize * width + (MARGIN as i32 + x) as usize;
        &raw[from..from + row.len()]
    };
    let ring = RING.map(line);
    let middle = [(0, 0), (-1, 0), (1, 0), (0, -1), (0, 1)].map(line);
    for from in (0..row.len()).step_by(WIDE) {
        // The last few pixels are taken together with some of those before them.
        let from = from.min(row.len().saturating_sub(WIDE));
        if let Some(out) = row.get_mut(from..from + WIDE) {
            out.copy_from_slice(&responses(&ring, &middle, from));
        }
    }
}

/// The responses of the pixels from one on. In 16 bits, so that the processor takes all of them at once.
fn responses(ring: &[&[u8]; 16], middle: &[&[u8]; 5], from: usize) -> [i16; WIDE] {
    let values = |line: &[u8]| -> [i16; WIDE] {
        let part = line[from..].first_chunk::<WIDE>();
        part.map_or([0; WIDE], |part| part.map(i16::from))
    };
    let ring = ring.map(values);
    let middle = middle.map(values);
    std::array::from_fn(|i| {
        let at = |k: usize| ring[k][i];
        let quarters = |k: usize| (at(k) + at(k + 8) - at(k + 4) - at(k + 12)).abs();
        let sum = (0..4).map(quarters).sum::<i16>();
        let difference = (0..8).map(|k| (at(k) - at(k + 8)).abs()).sum::<i16>();
        let middle = middle.iter().map(|m| m[i]).sum::<i16>();
        let mean = (16 * middle / 5 - (0..16).map(at).sum::<i16>()).abs();
        sum - difference - mean
    })
}

fn is_peak(response: &[i16], stride: usize, x: usize, y: usize) -> bool {
    let here = response[y * stride + x];
    if here < LEAST {
        return false;
    }
    (-APART..=APART).all(|dy| {
        (-APART..=APART).all(|dx| {
            let (px, py) = (x as i32 + dx, y as i32 + dy);
            let Some(&there) = response.get(py.max(0) as usize * stride + px.max(0) as usize) else { return true };
            // Of equals the first in reading order is taken.
            there < here || (there == here && (dy, dx) >= (0, 0))
        })
    })
}

fn corner_at(picture: &GrayImage, response: &[i16], stride: usize, x: usize, y: usize) -> Corner {
    let at = y * stride + x;
    let peak = |before: i16, here: i16, after: i16| {
        let (before, here, after) = (i32::from(before), i32::from(here), i32::from(after));
        let bend = before - 2 * here + after;
        if bend < 0 { (0.5 * f64::from(before - after) / f64::from(bend)).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let r = |i: usize| response[i];
    let dx = peak(r(at - 1), r(at), r(at + 1));
    let dy = peak(r(at - stride), r(at), r(at + stride));
    // Second harmonic round the ring: its phase is twice the light diagonal's direction.
    let (mut c, mut s) = (0.0, 0.0);
    for (ox, oy) in RING {
        let value = f64::from(picture.as_raw()[at.wrapping_add_signed(oy as isize * stride as isize + ox as isize)]);
        let angle = 2.0 * f64::from(oy).atan2(f64::from(ox));
        c += value * angle.cos();
        s += value * angle.sin();
    }
    Corner { at: ImagePoint::new(x as f64 + dx, y as f64 + dy), light: 0.5 * s.atan2(c), strength: i32::from(r(at)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The response as the paper states it, one pixel at a time.
    fn stated(picture: &GrayImage, x: u32, y: u32) -> i32 {
        let at = |dx: i32, dy: i32| {
            i32::from(picture.get_pixel(x.checked_add_signed(dx).unwrap(), y.checked_add_signed(dy).unwrap())[0])
        };
        let ring = RING.map(|(dx, dy)| at(dx, dy));
        let sum: i32 = (0..4).map(|k| (ring[k] + ring[k + 8] - ring[k + 4] - ring[k + 12]).abs()).sum();
        let difference: i32 = (0..8).map(|k| (ring[k] - ring[k + 8]).abs()).sum();
        let middle = at(0, 0) + at(-1, 0) + at(1, 0) + at(0, -1) + at(0, 1);
        sum - difference - (16 * middle / 5 - ring.iter().sum::<i32>()).abs()
    }

    #[test]
    fn the_response_is_the_stated_one_at_every_width() {
        for width in [15, 20, 21, 28, 37] {
            // Mixed bits, with the extremes among them.
            let level = |x: u32, y: u32| match (x * 7919 + y * 104_729 + x * y * 31) % 1009 {
                v if v < 200 => 0,
                v if v > 800 => 255,
                v => (v % 256) as u8,
            };
            let picture = GrayImage::from_fn(width, 19, |x, y| image::Luma([level(x, y)]));
            let map = response_map(&picture);
            for (x, y) in (MARGIN..width - MARGIN).flat_map(|x| (MARGIN..19 - MARGIN).map(move |y| (x, y))) {
                let seen = i32::from(map[(y * width + x) as usize]);
                assert_eq!(seen, if width < 20 { 0 } else { stated(&picture, x, y) }, "at {x}, {y} of {width}");
            }
        }
    }
}
