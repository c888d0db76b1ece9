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
const LEAST: i32 = 60;
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

fn response_map(picture: &GrayImage) -> Vec<i32> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let margin = MARGIN as usize;
    let raw = picture.as_raw();
    let offsets = RING.map(|(x, y)| y as isize * width as isize + x as isize);
    let mut map = vec![0i32; width * height];
    map.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        if y < margin || y >= height - margin {
            return;
        }
        for (x, out) in row.iter_mut().enumerate().take(width - margin).skip(margin) {
            *out = response_at(raw, width, y * width + x, &offsets);
        }
    });
    map
}

fn response_at(raw: &[u8], width: usize, at: usize, offsets: &[isize; 16]) -> i32 {
    let sample = |k: usize| i32::from(raw[at.wrapping_add_signed(offsets[k])]);
    // Most of a photo is plain: four samples tell.
    let quick = (sample(0) + sample(8) - sample(4) - sample(12)).abs();
    let diagonal = (sample(2) + sample(10) - sample(6) - sample(14)).abs();
    if quick.max(diagonal) < LEAST / 8 {
        return 0;
    }
    let ring: [i32; 16] = std::array::from_fn(sample);
    let sum: i32 = (0..4).map(|k| (ring[k] + ring[k + 8] - ring[k + 4] - ring[k + 12]).abs()).sum();
    let difference: i32 = (0..8).map(|k| (ring[k] - ring[k + 8]).abs()).sum();
    let middle: i32 = [at, at - 1, at + 1, at - width, at + width].iter().map(|&i| i32::from(raw[i])).sum();
    let mean = (16 * middle / 5 - ring.iter().sum::<i32>()).abs();
    sum - difference - mean
}

fn is_peak(response: &[i32], stride: usize, x: usize, y: usize) -> bool {
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

fn corner_at(picture: &GrayImage, response: &[i32], stride: usize, x: usize, y: usize) -> Corner {
    let at = y * stride + x;
    let peak = |before: i32, here: i32, after: i32| {
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
    Corner { at: ImagePoint::new(x as f64 + dx, y as f64 + dy), light: 0.5 * s.atan2(c), strength: r(at) }
}
