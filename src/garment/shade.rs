//! How the light falls on the bare mat: a smooth surface per channel in log colour.

use nalgebra::{DMatrix, DVector};

use super::appearance::{Departure, median};
use crate::flat::MatRect;
use crate::units::MatPoint;

/// One pixel of (mostly) bare mat.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    pub at: MatPoint,
    pub log: [f32; 3],
}

/// Terms of a polynomial of the third degree in two variables, by rising degree.
const TERMS: usize = 10;

/// Side of the blocks that carry what the polynomial cannot, mm.
const BLOCK_MM: f64 = 30.0;

/// Samples' worth of belief that a block needs no correction.
const BLOCK_PRIOR: f32 = 12.0;

/// A cubic polynomial per channel plus a block-wise smooth remainder.
#[derive(Debug, Clone)]
pub(crate) struct Shade {
    area: MatRect,
    poly: [[f32; TERMS]; 3],
    blocks: Blocks,
}

impl Shade {
    /// Log colour of the mat's ground at a point.
    pub(crate) fn at(&self, p: MatPoint) -> [f32; 3] {
        let terms = terms(self.area, p);
        let extra = self.blocks.at(p);
        let mut out = [0.0; 3];
        for ((value, poly), extra) in out.iter_mut().zip(&self.poly).zip(extra) {
            *value = poly.iter().zip(&terms).map(|(a, b)| a * b).sum::<f32>() + extra;
        }
        out
    }

    /// Fits the polynomial of a degree (0 to 3) robustly; `spread` gates what belongs.
    ///
    /// `start` judges inliers in the first round; without it the medians do.
    pub(crate) fn fit(samples: &[Sample], area: MatRect, degree: usize, start: Option<&Shade>) -> Option<Shade> {
        let mut shade = match start {
            Some(s) => Shade { area, poly: s.poly, blocks: Blocks::none() },
            None => Shade::flat(samples, area),
        };
        for _ in 0..4 {
            let weights = inlier_weights(samples, &shade);
            shade.poly = solve(samples, area, degree, &weights)?;
        }
        Some(shade)
    }

    fn flat(samples: &[Sample], area: MatRect) -> Shade {
        let mut poly = [[0.0; TERMS]; 3];
        for (channel, poly) in poly.iter_mut().enumerate() {
            let mut values: Vec<f32> = samples.iter().map(|s| s.log[channel]).collect();
            poly[0] = median(&mut values);
        }
        Shade { area, poly, blocks: Blocks::none() }
    }

    /// Adds the remainder that varies over blocks (a soft shadow's edge, a vignette), from samples whose
    /// colour is the mat's, whatever their brightness.
    pub(crate) fn with_blocks(mut self, samples: &[Sample], colour_gate: f32) -> Shade {
        self.blocks = Blocks::none();
        self.blocks = Blocks::learn(samples, &self, colour_gate);
        self
    }
}

fn terms(area: MatRect, p: MatPoint) -> [f32; TERMS] {
    let norm = |v: f64, lo: f64, hi: f64| ((2.0 * v - lo - hi) / (hi - lo).max(1.0)).clamp(-1.15, 1.15) as f32;
    let (u, v) = (norm(p.x, area.min.x, area.max.x), norm(p.y, area.min.y, area.max.y));
    [1.0, u, v, u * u, u * v, v * v, u * u * u, u * u * v, u * v * v, v * v * v]
}

/// Tukey's weights on the joint departure, with a scale read from the data.
fn inlier_weights(samples: &[Sample], shade: &Shade) -> Vec<f32> {
    let departures: Vec<[f32; 3]> = samples.iter().map(|s| Departure::between(s.log, shade.at(s.at)).parts()).collect();
    let scale: Vec<f32> = (0..3).map(|k| robust_scale(departures.iter().map(|d| d[k])).max(0.01)).collect();
    departures
        .iter()
        .map(|d| {
            let r2: f32 = d.iter().zip(&scale).map(|(d, s)| (d / s).powi(2)).sum();
            let t = 1.0 - r2 / 25.0;
            if t > 0.0 { t * t } else { 0.0 }
        })
        .collect()
}

/// 1.4826 times the median absolute value.
pub(crate) fn robust_scale(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.map(f32::abs).collect();
    1.4826 * median(&mut values)
}

fn solve(samples: &[Sample], area: MatRect, degree: usize, weights: &[f32]) -> Option<[[f32; TERMS]; 3]> {
    let n = (degree + 1) * (degree + 2) / 2;
    let mut normal = DMatrix::<f64>::zeros(n, n);
    let mut right = [DVector::<f64>::zeros(n), DVector::zeros(n), DVector::zeros(n)];
    for (sample, &w) in samples.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
        let t = terms(area, sample.at);
        for i in 0..n {
            let wt = f64::from(w * t[i]);
            for j in 0..=i {
                normal[(i, j)] += wt * f64::from(t[j]);
            }
            for (channel, right) in right.iter_mut().enumerate() {
                right[i] += wt * f64::from(sample.log[channel]);
            }
        }
    }
    for i in 0..n {
        normal[(i, i)] += 1e-3 + 1e-4 * normal[(0, 0)] * if i >= 6 { 1.0 } else { 0.1 };
        for j in 0..i {
            normal[(j, i)] = normal[(i, j)];
        }
    }
    let factor = normal.cholesky()?;
    let mut poly = [[0.0; TERMS]; 3];
    for (poly, right) in poly.iter_mut().zip(&right) {
        for (to, from) in poly.iter_mut().zip(factor.solve(right).iter()) {
            *to = *from as f32;
        }
    }
    Some(poly)
}

#[derive(Debug, Clone)]
struct Blocks {
    origin: MatPoint,
    columns: usize,
    rows: usize,
    values: Vec<[f32; 3]>,
}

impl Blocks {
    fn none() -> Self {
        Self { origin: MatPoint::default(), columns: 0, rows: 0, values: Vec::new() }
    }

    fn learn(samples: &[Sample], shade: &Shade, colour_gate: f32) -> Self {
        let area = shade.area.grown(BLOCK_MM);
        let columns = (area.width_mm() / BLOCK_MM).ceil() as usize + 1;
        let rows = (area.height_mm() / BLOCK_MM).ceil() as usize + 1;
        let mut piles: Vec<Vec<[f32; 3]>> = vec![Vec::new(); columns * rows];
        for s in samples {
            let base = shade.at(s.at);
            let d = Departure::between(s.log, base);
            if d.colour[0].abs().max(d.colour[1].abs()) > colour_gate {
                continue;
            }
            let c = (((s.at.x - area.min.x) / BLOCK_MM).round().max(0.0) as usize).min(columns - 1);
            let r = (((s.at.y - area.min.y) / BLOCK_MM).round().max(0.0) as usize).min(rows - 1);
            piles[r * columns + c].push([s.log[0] - base[0], s.log[1] - base[1], s.log[2] - base[2]]);
        }
        let middles: Vec<([f32; 3], f32)> = piles.iter().map(|pile| (middle(pile), pile.len() as f32)).collect();
        let mut values = vec![[0.0; 3]; columns * rows];
        for r in 0..rows {
            for c in 0..columns {
                values[r * columns + c] = smoothed(&middles, columns, rows, c, r);
            }
        }
        Self { origin: area.min, columns, rows, values }
    }

    fn at(&self, p: MatPoint) -> [f32; 3] {
        if self.columns < 2 || self.rows < 2 {
            return [0.0; 3];
        }
        let place = |v: f64, o: f64, n: usize| ((v - o) / BLOCK_MM).clamp(0.0, n as f64 - 1.001);
        let (c, r) = (place(p.x, self.origin.x, self.columns), place(p.y, self.origin.y, self.rows));
        let (fc, fr) = ((c.fract()) as f32, (r.fract()) as f32);
        let k = r as usize * self.columns + c as usize;
        let (a, b, d, e) =
            (self.values[k], self.values[k + 1], self.values[k + self.columns], self.values[k + self.columns + 1]);
        std::array::from_fn(|i| (a[i] * (1.0 - fc) + b[i] * fc) * (1.0 - fr) + (d[i] * (1.0 - fc) + e[i] * fc) * fr)
    }
}

fn middle(pile: &[[f32; 3]]) -> [f32; 3] {
    if pile.is_empty() {
        return [0.0; 3];
    }
    std::array::from_fn(|i| median(&mut pile.iter().map(|v| v[i]).collect::<Vec<_>>()))
}

/// Neighbouring blocks' medians, weighted by their samples (at most 60 each) and nearness.
fn smoothed(middles: &[([f32; 3], f32)], columns: usize, rows: usize, c: usize, r: usize) -> [f32; 3] {
    let (mut sum, mut total) = ([0.0; 3], BLOCK_PRIOR);
    for rr in r.saturating_sub(1)..=(r + 1).min(rows - 1) {
        for cc in c.saturating_sub(1)..=(c + 1).min(columns - 1) {
            let (value, count) = middles[rr * columns + cc];
            let apart = rr.abs_diff(r) + cc.abs_diff(c);
            let w = count.min(60.0) * [1.0, 0.35, 0.12][apart.min(2)];
            total += w;
            for (s, v) in sum.iter_mut().zip(value) {
                *s += w * v;
            }
        }
    }
    sum.map(|s| s / total)
}
