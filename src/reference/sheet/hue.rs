//! Cards of another colour than the table, whatever their brightness.
//!
//! They are looked for in the ratios of the channels, which shade leaves alone; where their sides lie is then read in that
//! mixture of linear red, green and blue that best tells card from ground (Fisher's linear discriminant), in which half of
//! both is half-way between.

use image::{GrayImage, Luma, RgbImage};
use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use super::{Rectangle, Seen, factor, quads, refine, sides_mm};
use crate::reference::cards::quads::Quad;
use crate::reference::{light, reduce};
use crate::units::ImagePoint;

/// Garments are longer than a card, and lie beside it: so long it may be, as a share of the photo's long side.
const LONGEST: f64 = 0.35;
/// Added before logarithms, levels: what noise does to dark pixels.
const DARK_LEVELS: f64 = 6.0;
/// Shares of the pixels beyond which a channel ratio is cut off, and the least range of it that is looked at (natural
/// logarithm): less is noise.
const TAILS: f64 = 0.001;
const LEAST_RANGE: f64 = 0.06;
/// Quadrilaterals whose corners lie within this share of their size are one.
const SAME: f64 = 0.03;
/// Room read around a card, as a share of its sides; and kept clear of them within and without, where the card's rim, its
/// shadow and the search's own error lie.
const AROUND: f64 = 0.25;
const CLEAR: f64 = 0.06;
/// Places read along each side.
const ALONG: i32 = 48;
/// JPEG files keep colour at half the resolution: along a slanting side its steps are two pixels high.
const STRAY_PX: f64 = 2.0;
/// Variance of the least noise of linear light.
const NOISE: f64 = 1e-5;

/// Rectangles of another colour than what is around them.
pub(super) fn seen(rgb: &RgbImage, what: Rectangle) -> Vec<Seen> {
    let factor = factor(rgb.dimensions());
    let found = ratios(rgb, factor).into_iter().flat_map(|plane| quads(&plane, factor, LONGEST));
    let mut distinct: Vec<Quad> = Vec::new();
    for (quad, _) in found {
        if sides_mm(&quad, what).is_some() && !distinct.iter().any(|other| same(other, &quad)) {
            distinct.push(quad);
        }
    }
    distinct.into_par_iter().filter_map(|quad| sharpened(rgb, quad, what)).collect()
}

fn same(a: &Quad, b: &Quad) -> bool {
    let size = a[0].distance(a[2]);
    b.iter().all(|p| a.iter().any(|q| p.distance(*q) < SAME * size))
}

/// The reduced photo's red over green, blue over green and red over blue, each over its own range.
fn ratios(rgb: &RgbImage, factor: u32) -> Vec<GrayImage> {
    let channel = |c: usize| {
        let (width, height) = rgb.dimensions();
        let values = rgb.as_raw().iter().skip(c).step_by(3).copied().collect();
        reduce(&GrayImage::from_raw(width, height, values).unwrap_or_default(), factor)
    };
    let channels = [0, 1, 2].map(channel);
    [(0, 1), (2, 1), (0, 2)].iter().filter_map(|&(a, b)| ratio(&channels[a], &channels[b])).collect()
}

fn ratio(a: &GrayImage, b: &GrayImage) -> Option<GrayImage> {
    let log = |v: &u8| (f64::from(*v) + DARK_LEVELS).ln();
    let values: Vec<f64> = a.as_raw().iter().zip(b.as_raw()).map(|(a, b)| log(a) - log(b)).collect();
    let mut sorted = values.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| sorted.get((share * (sorted.len().saturating_sub(1)) as f64) as usize).copied();
    let (low, high) = (at(TAILS)?, at(1.0 - TAILS)?);
    let levels = values.iter().map(|v| (255.0 * (v - low) / (high - low)).clamp(0.0, 255.0) as u8).collect();
    (high - low > LEAST_RANGE).then(|| GrayImage::from_raw(a.width(), a.height(), levels)).flatten()
}

/// The quadrilateral with its sides read in the mixture of colours that tells it from its ground.
fn sharpened(rgb: &RgbImage, quad: Quad, what: Rectangle) -> Option<Seen> {
    let mixture = Mixture::between(rgb, &quad)?;
    let (picture, corner) = mixture.picture(rgb, &quad)?;
    let mut seen = refine(&picture, quad.map(|p| p - corner), true, what, STRAY_PX)?;
    seen.corners.iter_mut().chain(seen.sides.iter_mut().flatten()).for_each(|p| *p = *p + corner);
    Some(seen)
}

/// The mixture of linear red, green and blue that is 0.8 on a card and 0.2 on its ground.
struct Mixture {
    weights: Vector3<f64>,
    middle: Vector3<f64>,
}

impl Mixture {
    fn between(rgb: &RgbImage, quad: &Quad) -> Option<Self> {
        let place = |u: f64, v: f64| quad[0].lerp(quad[1], u).lerp(quad[3].lerp(quad[2], u), v);
        let step = |i: i32| -AROUND + (1.0 + 2.0 * AROUND) * f64::from(i) / f64::from(ALONG - 1);
        let (mut card, mut ground) = (Vec::new(), Vec::new());
        for (u, v) in (0..ALONG).flat_map(|i| (0..ALONG).map(move |j| (step(i), step(j)))) {
            let depth = u.min(1.0 - u).min(v).min(1.0 - v);
            let Some(colour) = colour(rgb, place(u, v)) else { continue };
            match depth {
                d if d > CLEAR => card.push(colour),
                d if d < -CLEAR => ground.push(colour),
                _ => {}
            }
        }
        let ((a, spread_a), (b, spread_b)) = (spread(&card)?, spread(&ground)?);
        let within = 0.5 * (spread_a + spread_b) + Matrix3::identity() * NOISE;
        let way = within.try_inverse()? * (a - b);
        let apart = way.dot(&(a - b));
        (apart > 0.0).then(|| Self { weights: way * (0.6 / apart), middle: 0.5 * (a + b) })
    }

    /// The photo around a quadrilateral in this mixture, as grey values, and where its first pixel lies in the photo.
    fn picture(&self, rgb: &RgbImage, quad: &Quad) -> Option<(GrayImage, Vector2<f64>)> {
        let room = AROUND * quad[0].distance(quad[2]);
        let range = |f: fn(&ImagePoint) -> f64, size: u32| {
            let (low, high) = quad.iter().map(f).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            ((low - room).max(0.0) as u32, ((high + room).max(0.0) as u32).min(size.saturating_sub(1)))
        };
        let ((x0, x1), (y0, y1)) = (range(|p| p.x, rgb.width()), range(|p| p.y, rgb.height()));
        let (width, height) = (x1.checked_sub(x0)?, y1.checked_sub(y0)?);
        let picture = GrayImage::from_fn(width, height, |x, y| {
            let colour = linear(rgb.get_pixel(x0 + x, y0 + y).0);
            Luma([light::grey(0.5 + self.weights.dot(&(colour - self.middle))).round() as u8])
        });
        Some((picture, Vector2::new(f64::from(x0), f64::from(y0))))
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
