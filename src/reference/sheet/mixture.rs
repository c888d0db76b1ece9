//! Where the sides of a card or sheet lie, read in colour.
//!
//! For every side that mixture of linear red, green and blue is taken that best tells what lies within from the ground beyond
//! it (Fisher's linear discriminant): half of both is half-way between.

use std::ops::Range;

use image::{GrayImage, ImageBuffer, Luma, RgbImage};
use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use super::{Rectangle, Seen, factor, refine, sides_mm};
use crate::reference::cards::quads::Quad;
use crate::reference::light;
use crate::units::ImagePoint;

/// Quadrilaterals whose corners lie within this share of their size are one.
const SAME: f64 = 0.03;
/// How far the ground is read beyond a side, px of the reduced photo that was searched: up to what else may lie near, or
/// enough of it to know its own changes.
const BEYOND_PX: [f64; 2] = [8.0, 40.0];
/// What is kept clear within and without, where the card's rim, its shadow and the search's own error lie.
const CLEAR_PX: f64 = 2.5;
/// The most of a side that is kept clear at its ends (share).
const MOST_CLEAR: f64 = 0.2;
/// Places read each way.
const ALONG: u32 = 32;
/// Room read around a side, px: more than its search spans.
const ROOM_PX: f64 = 32.0;
/// What the mixture is smoothed by, px: it makes much of small differences, and with them of noise.
const SMOOTHED_PX: f32 = 1.5;
/// JPEG files keep colour at half the resolution: along a slanting side its steps are two pixels high.
const STRAY_PX: f64 = 2.0;
/// Variance of the least noise of linear light.
const NOISE: f64 = 1e-5;

/// Quadrilaterals of the shape looked for, each once, with their sides read.
pub(super) fn sharpened(rgb: &RgbImage, found: impl Iterator<Item = Quad>, what: Rectangle) -> Vec<Seen> {
    let mut distinct: Vec<Quad> = Vec::new();
    for quad in found {
        if sides_mm(&quad, what).is_some() && !distinct.iter().any(|other| same(other, &quad)) {
            distinct.push(quad);
        }
    }
    let ways = |quad: Quad| BEYOND_PX.map(|beyond_px| (quad, beyond_px));
    distinct.into_par_iter().flat_map_iter(ways).filter_map(|(quad, beyond)| read(rgb, quad, beyond, what)).collect()
}

fn same(a: &Quad, b: &Quad) -> bool {
    let size = a[0].distance(a[2]);
    b.iter().all(|p| a.iter().any(|q| p.distance(*q) < SAME * size))
}

/// The quadrilateral with its sides read against the ground up to `beyond_px` away.
fn read(rgb: &RgbImage, quad: Quad, beyond_px: f64, what: Rectangle) -> Option<Seen> {
    let reduced = f64::from(factor(rgb.dimensions()));
    let length = |i: usize| quad[i % 4].distance(quad[(i + 1) % 4]);
    let clear = |i: usize| (CLEAR_PX * reduced / length(i)).min(MOST_CLEAR);
    let within = colours(rgb, &quad, clear(0)..1.0 - clear(0), clear(1)..1.0 - clear(1));
    let side = |i: usize| {
        // The side from the first corner to the second of the quadrilateral turned.
        let turned = std::array::from_fn(|k| quad[(i + k) % 4]);
        let beyond = clear(i + 1) * beyond_px / CLEAR_PX;
        let beyond = colours(rgb, &turned, clear(i)..1.0 - clear(i), -beyond..-clear(i + 1));
        Some(Mixture::between(&within, &beyond)?.picture(rgb, quad[i], quad[(i + 1) % 4]))
    };
    let pictures: Option<Vec<Picture>> = (0..4).map(side).collect();
    let pictures = pictures?;
    refine(quad, what, STRAY_PX, |i, foot, outward, span| {
        let Picture { grey, corner } = &pictures[i];
        Some(light::half_way(grey, foot - *corner, -outward, span)? + *corner)
    })
}

/// Colours at places spread over a part of a quadrilateral (or beyond it), as shares of its first side and the next.
fn colours(rgb: &RgbImage, quad: &Quad, u: Range<f64>, v: Range<f64>) -> Vec<Vector3<f64>> {
    let place = |u: f64, v: f64| quad[0].lerp(quad[1], u).lerp(quad[3].lerp(quad[2], u), v);
    let step =
        |range: &Range<f64>, i: u32| range.start + (range.end - range.start) * f64::from(i) / f64::from(ALONG - 1);
    let pairs = (0..ALONG).flat_map(|i| (0..ALONG).map(move |j| (i, j)));
    pairs.filter_map(|(i, j)| colour(rgb, place(step(&u, i), step(&v, j)))).collect()
}

/// A part of the photo in a mixture, as grey values, and where its first pixel lies in the photo.
struct Picture {
    grey: GrayImage,
    corner: Vector2<f64>,
}

/// The mixture of linear red, green and blue that is 0.8 within and 0.2 beyond.
struct Mixture {
    weights: Vector3<f64>,
    middle: Vector3<f64>,
}

impl Mixture {
    fn between(within: &[Vector3<f64>], beyond: &[Vector3<f64>]) -> Option<Self> {
        let ((a, spread_a), (b, spread_b)) = (spread(within)?, spread(beyond)?);
        let noise = 0.5 * (spread_a + spread_b) + Matrix3::identity() * NOISE;
        let way = noise.try_inverse()? * (a - b);
        let apart = way.dot(&(a - b));
        (apart > 0.0).then(|| Self { weights: way * (0.6 / apart), middle: 0.5 * (a + b) })
    }

    /// The photo around a side in this mixture.
    fn picture(&self, rgb: &RgbImage, from: ImagePoint, to: ImagePoint) -> Picture {
        let range = |a: f64, b: f64, size: u32| {
            let most = f64::from(size.saturating_sub(1));
            ((a.min(b) - ROOM_PX).clamp(0.0, most) as u32, (a.max(b) + ROOM_PX).clamp(0.0, most) as u32)
        };
        let ((x0, x1), (y0, y1)) = (range(from.x, to.x, rgb.width()), range(from.y, to.y, rgb.height()));
        let mixed: ImageBuffer<Luma<f32>, Vec<f32>> = ImageBuffer::from_fn(x1 - x0, y1 - y0, |x, y| {
            let colour = linear(rgb.get_pixel(x0 + x, y0 + y).0);
            Luma([(0.5 + self.weights.dot(&(colour - self.middle))) as f32])
        });
        let smooth = image::imageops::blur(&mixed, SMOOTHED_PX);
        let grey = GrayImage::from_fn(x1 - x0, y1 - y0, |x, y| {
            Luma([light::grey(f64::from(smooth.get_pixel(x, y)[0])).round() as u8])
        });
        Picture { grey, corner: Vector2::new(f64::from(x0), f64::from(y0)) }
    }
}

fn linear(rgb: [u8; 3]) -> Vector3<f64> {
    Vector3::from(rgb.map(|v| light::linear(f64::from(v))))
}

/// The nearest pixel's colour in linear light; `None` outside the photo.
fn colour(rgb: &RgbImage, at: ImagePoint) -> Option<Vector3<f64>> {
    let (x, y) = (at.x.round(), at.y.round());
    (x >= 0.0 && y >= 0.0).then(|| rgb.get_pixel_checked(x as u32, y as u32)).flatten().map(|p| linear(p.0))
}

/// Mean and covariance; `None` of too few.
fn spread(colours: &[Vector3<f64>]) -> Option<(Vector3<f64>, Matrix3<f64>)> {
    let n = colours.len() as f64;
    let mean = colours.iter().sum::<Vector3<f64>>() / n;
    let spread = colours.iter().map(|c| (c - mean) * (c - mean).transpose()).sum::<Matrix3<f64>>() / n;
    (colours.len() > 30).then_some((mean, spread))
}
