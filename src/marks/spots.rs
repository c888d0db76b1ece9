//! Where something small differs in colour from what is around it more than the cloth does anywhere.
//!
//! The contrast of a disc's middle to the ring around it is a difference of colours. Over the whole cloth these differences
//! spread by weave, stripes and print, more in some directions of colour than in others; a mark is far outside that spread.

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use super::MarkColour;
use super::level::{Colour, Level};

/// Least lead of a mark: contrast over its spread on the cloth. Of a million places of even noise none comes to six; weave,
/// folds and threads have longer tails.
const LEAST_LEAD: f32 = 8.0;

/// Places the spread is measured at, about, and the share of them left out as no part of the spread: marks, labels.
const SAMPLES: usize = 40_000;
const NOT_CLOTH: f64 = 0.03;

/// Least spread along any direction of colour, gamma levels: that of 8-bit values and a JPEG's own coding.
const LEAST_SPREAD: f64 = 1.2;

/// Most spots looked at of one size: bounds the work on any cloth.
const MOST_SPOTS: usize = 1500;

/// Where samples of the middle and the ring lie, radii: well within the rim and well outside it.
const CORE_AT: f64 = 0.6;
const RING_AT: f64 = 1.6;

/// A spot: where it is, pixels of its level, and by how much it stands out.
pub(super) struct Spot {
    pub middle: (f64, f64),
    pub radius: f64,
    pub lead: f32,
}

struct Probe<'a> {
    level: &'a Level,
    core: Vec<(i64, i64)>,
    ring: Vec<(i64, i64)>,
}

impl Probe<'_> {
    fn new(level: &Level, radius: f64) -> Probe<'_> {
        let around = |count: usize, at: f64| -> Vec<(i64, i64)> {
            let turn = |k: usize| (k as f64 / count as f64 * std::f64::consts::TAU).sin_cos();
            (0..count).map(turn).map(|(s, c)| ((at * c).round() as i64, (at * s).round() as i64)).collect()
        };
        let mut core = around(8, CORE_AT * radius);
        core.push((0, 0));
        Probe { level, core, ring: around(16, RING_AT * radius) }
    }

    /// The mean colour of the places around one that are on the cloth, if so many are.
    fn mean(&self, x: i64, y: i64, places: &[(i64, i64)], least: usize) -> Option<Colour> {
        let (mut sum, mut count) = ([0.0f32; 3], 0);
        for colour in places.iter().filter_map(|(dx, dy)| self.level.colour(x + dx, y + dy)) {
            sum.iter_mut().zip(colour).for_each(|(s, v)| *s += v);
            count += 1;
        }
        (count >= least).then(|| sum.map(|s| s / count as f32))
    }

    /// The middle's colour, if all of it is on the cloth.
    fn core(&self, x: i64, y: i64) -> Option<Colour> {
        self.level.colour(x, y)?;
        self.mean(x, y, &self.core, self.core.len())
    }

    /// What the middle's colour is over the ring's, of which at least half must be on the cloth.
    fn contrast(&self, x: i64, y: i64, core: Colour) -> Option<Vector3<f64>> {
        let ring = self.mean(x, y, &self.ring, self.ring.len() / 2)?;
        Some(Vector3::from_fn(|i, _| f64::from(core[i] - ring[i])))
    }

    fn at(&self, x: i64, y: i64) -> Option<(Colour, Vector3<f64>)> {
        let core = self.core(x, y)?;
        self.contrast(x, y, core).map(|contrast| (core, contrast))
    }
}

/// The inverse of the covariance of contrasts over the cloth, marks and the like left out.
fn spread(probe: &Probe<'_>) -> Matrix3<f64> {
    let (width, height) = (probe.level.rgb.width() as usize, probe.level.rgb.height() as usize);
    let step = ((width * height) as f64 / SAMPLES as f64).sqrt().max(1.0) as usize;
    let places = (0..height).step_by(step).flat_map(|y| (0..width).step_by(step).map(move |x| (x, y)));
    let mut all: Vec<Vector3<f64>> =
        places.filter_map(|(x, y)| probe.at(x as i64, y as i64)).map(|(_, contrast)| contrast).collect();
    let mut inverse = inverse_covariance(&all);
    let kept = ((1.0 - NOT_CLOTH) * all.len() as f64) as usize;
    for _ in 0..3 {
        if kept == 0 || kept >= all.len() {
            break;
        }
        all.select_nth_unstable_by(kept, |a, b| lead(&inverse, a).total_cmp(&lead(&inverse, b)));
        inverse = inverse_covariance(&all[..kept]);
    }
    inverse
}

/// About zero: a disc is as often darker as lighter than its ring.
fn inverse_covariance(contrasts: &[Vector3<f64>]) -> Matrix3<f64> {
    let sum: Matrix3<f64> = contrasts.iter().map(|c| c * c.transpose()).sum();
    let covariance = sum / contrasts.len().max(1) as f64 + Matrix3::identity() * LEAST_SPREAD.powi(2);
    covariance.try_inverse().unwrap_or_else(Matrix3::zeros)
}

fn lead(inverse: &Matrix3<f64>, contrast: &Vector3<f64>) -> f64 {
    contrast.dot(&(inverse * contrast)).max(0.0).sqrt()
}

/// Spots of about a radius (pixels of the level) whose colour is the one asked for, those that stand out most first.
pub(super) fn spots(level: &Level, radius: f64, colour: MarkColour) -> Vec<Spot> {
    let probe = Probe::new(level, radius);
    let inverse = spread(&probe);
    let step = if level.factor > 1.0 { 1 } else { 2 };
    let (width, height) = (level.rgb.width() as usize / step, level.rgb.height() as usize / step);
    let lead_at = |x: i64, y: i64| -> Option<f32> {
        // Most places are of another colour: the ring is not looked at there.
        let core = probe.core(x, y).filter(|core| colour.shown_by(*core))?;
        Some(lead(&inverse, &probe.contrast(x, y, core)?) as f32).filter(|lead| *lead > LEAST_LEAD)
    };
    let mut leads = vec![0f32; width * height];
    leads.par_chunks_mut(width.max(1)).enumerate().for_each(|(y, row)| {
        for (x, out) in row.iter_mut().enumerate() {
            *out = lead_at((x * step) as i64, (y * step) as i64).unwrap_or(0.0);
        }
    });
    let found = peaks(&leads, width, radius / step as f64);
    let place = |k: usize| ((k % width * step) as f64, (k / width * step) as f64);
    found.into_iter().map(|k| Spot { middle: place(k), radius, lead: leads[k] }).collect()
}

/// Indices of the greatest values, none within a radius of a greater one.
fn peaks(values: &[f32], width: usize, radius: f64) -> Vec<usize> {
    let mut by_value: Vec<usize> = (0..values.len()).filter(|k| is_peak(values, width, *k)).collect();
    by_value.sort_by(|a, b| values[*b].total_cmp(&values[*a]));
    let mut taken = vec![false; values.len()];
    let reach = radius.ceil() as usize;
    let mut found = Vec::new();
    for k in by_value {
        if taken[k] || found.len() >= MOST_SPOTS {
            continue;
        }
        found.push(k);
        let (x, y) = (k % width, k / width);
        for row in y.saturating_sub(reach)..=(y + reach).min(values.len() / width - 1) {
            taken[row * width + x.saturating_sub(reach)..=row * width + (x + reach).min(width - 1)].fill(true);
        }
    }
    found
}

/// Over nothing, and no less than the eight values around it.
fn is_peak(values: &[f32], width: usize, k: usize) -> bool {
    let (x, y, own) = (k % width, k / width, values[k]);
    own > 0.0
        && (y.saturating_sub(1)..=(y + 1).min(values.len() / width - 1))
            .all(|row| (x.saturating_sub(1)..=(x + 1).min(width - 1)).all(|column| values[row * width + column] <= own))
}
