//! How the light falls on the bare mat: a smooth surface per channel in log colour.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

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

/// Most that the light is believed to differ from the middle's, log units.
const MOST_LIGHT: f32 = 0.5;

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

    /// The smooth part alone.
    pub(crate) fn falloff(&self) -> Falloff {
        Falloff { area: self.area, poly: self.poly }
    }

    /// [`Shade::at`] along a line of constant y, far cheaper per point.
    pub(crate) fn along(&self, y: f64) -> ShadeRow<'_> {
        let (lo, hi) = (self.area.min.y, self.area.max.y);
        let v = normalised(y, lo, hi);
        let poly = self
            .poly
            .map(|p| [p[0] + v * (p[2] + v * (p[5] + v * p[9])), p[1] + v * (p[4] + v * p[8]), p[3] + v * p[7], p[6]]);
        ShadeRow { shade: self, poly, blocks: self.blocks.row(y) }
    }

    /// Fits the polynomial of a degree (0 to 3) robustly; `spread` gates what belongs.
    ///
    /// `start` judges inliers in the first round; without it the medians do.
    pub(crate) fn fit(samples: &[Sample], area: MatRect, degree: usize, start: Option<&Shade>) -> Option<Shade> {
        let mut shade = match start {
            Some(s) => Shade { area, poly: s.poly, blocks: Blocks::none() },
            None => Shade::flat(samples, area),
        };
        let termed: Vec<Termed> = samples.par_chunks(CHUNK).map(|samples| Termed::new(samples, area)).collect();
        for _ in 0..4 {
            let weights = inlier_weights(&termed, &shade.poly);
            shade.poly = solve(&termed, degree, &weights)?;
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

/// How the light falls off over the mat.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Falloff {
    area: MatRect,
    poly: [[f32; TERMS]; 3],
}

impl Falloff {
    /// What is left at a point of the light in the middle, by channel: factors of gamma values.
    pub(crate) fn share_at(&self, p: MatPoint) -> [f32; 3] {
        let terms = terms(self.area, p);
        self.poly.map(|poly| {
            let over: f32 = poly.iter().zip(&terms).skip(1).map(|(a, b)| a * b).sum();
            over.clamp(-MOST_LIGHT, MOST_LIGHT).exp()
        })
    }
}

/// A shade on a line of constant y: a cubic in x, and the blocks' values there.
pub(crate) struct ShadeRow<'a> {
    shade: &'a Shade,
    poly: [[f32; 4]; 3],
    blocks: Vec<[f32; 3]>,
}

impl ShadeRow<'_> {
    pub(crate) fn at(&self, x: f64) -> [f32; 3] {
        let u = normalised(x, self.shade.area.min.x, self.shade.area.max.x);
        let n = self.blocks.len();
        let (k, t) = if n < 2 { (0, 0.0) } else { block_place(x, self.shade.blocks.origin.x, n) };
        let ends = (self.blocks.get(k), self.blocks.get(k + 1));
        let extra = |i: usize| match ends {
            (Some(a), Some(b)) => a[i] + (b[i] - a[i]) * t,
            _ => 0.0,
        };
        std::array::from_fn(|i| {
            let [a, b, c, d] = self.poly[i];
            a + u * (b + u * (c + u * d)) + extra(i)
        })
    }
}

fn normalised(v: f64, lo: f64, hi: f64) -> f32 {
    ((2.0 * v - lo - hi) / (hi - lo).max(1.0)).clamp(-1.15, 1.15) as f32
}

/// Index of the block before a coordinate, and the share of the way to the next.
fn block_place(v: f64, origin: f64, count: usize) -> (usize, f32) {
    let place = ((v - origin) / BLOCK_MM).clamp(0.0, count as f64 - 1.001);
    let k = place as usize;
    (k, (place - k as f64) as f32)
}

fn terms(area: MatRect, p: MatPoint) -> [f32; TERMS] {
    let (u, v) = (normalised(p.x, area.min.x, area.max.x), normalised(p.y, area.min.y, area.max.y));
    [1.0, u, v, u * u, u * v, v * v, u * u * u, u * u * v, u * v * v, v * v * v]
}

/// Samples a thread works on at a time; fixed, so that sums round alike on any machine.
const CHUNK: usize = 2048;

/// Sums that run side by side.
const LANES: usize = 8;

/// Samples with their polynomials' terms, which every round needs: a row a term and a row a channel, so that the
/// arithmetic runs several samples at a time.
struct Termed {
    terms: [Vec<f32>; TERMS],
    log: [Vec<f32>; 3],
}

impl Termed {
    fn new(samples: &[Sample], area: MatRect) -> Self {
        let mut termed = Self { terms: Default::default(), log: Default::default() };
        for s in samples {
            termed.terms.iter_mut().zip(terms(area, s.at)).for_each(|(row, v)| row.push(v));
            termed.log.iter_mut().zip(s.log).for_each(|(row, v)| row.push(v));
        }
        termed
    }

    /// What the samples lie over the polynomials, channel by channel.
    fn over(&self, poly: &[[f32; TERMS]; 3]) -> [Vec<f32>; 3] {
        std::array::from_fn(|k| {
            let mut over = self.log[k].clone();
            for (factor, terms) in poly[k].iter().zip(&self.terms) {
                over.iter_mut().zip(terms).for_each(|(over, term)| *over -= factor * term);
            }
            over
        })
    }

    fn departures(&self, poly: &[[f32; TERMS]; 3]) -> Vec<[f32; 3]> {
        let [first, second, third] = self.over(poly);
        let pixels = first.iter().zip(&second).zip(&third);
        pixels.map(|((a, b), c)| Departure::between([*a, *b, *c], [0.0; 3]).parts()).collect()
    }
}

fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0f32; LANES];
    let (a, rest_a) = a.as_chunks::<LANES>();
    let (b, rest_b) = b.as_chunks::<LANES>();
    for (a, b) in a.iter().zip(b) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest = rest_a.iter().zip(rest_b).map(|(a, b)| f64::from(a * b));
    sums.iter().map(|s| f64::from(*s)).chain(rest).sum()
}

/// Tukey's weights on the joint departure, with a scale read from the data.
fn inlier_weights(samples: &[Termed], poly: &[[f32; TERMS]; 3]) -> Vec<Vec<f32>> {
    let departures: Vec<Vec<[f32; 3]>> = samples.par_iter().map(|s| s.departures(poly)).collect();
    let scale = robust_scales(&departures.concat()).map(|s| s.max(0.01));
    let weight = |d: &[f32; 3]| {
        let r2: f32 = d.iter().zip(&scale).map(|(d, s)| (d / s).powi(2)).sum();
        let t = 1.0 - r2 / 25.0;
        if t > 0.0 { t * t } else { 0.0 }
    };
    departures.iter().map(|chunk| chunk.iter().map(weight).collect()).collect()
}

/// 1.4826 times the median absolute value.
pub(crate) fn robust_scale(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.map(f32::abs).collect();
    1.4826 * median(&mut values)
}

/// [`robust_scale`] of each channel.
pub(crate) fn robust_scales(values: &[[f32; 3]]) -> [f32; 3] {
    let scale = |k: usize| robust_scale(values.iter().map(|v| v[k]));
    let (first, (second, third)) = rayon::join(|| scale(0), || rayon::join(|| scale(1), || scale(2)));
    [first, second, third]
}

fn solve(samples: &[Termed], degree: usize, weights: &[Vec<f32>]) -> Option<[[f32; TERMS]; 3]> {
    let n = (degree + 1) * (degree + 2) / 2;
    let (normal, right) = normal_equations(samples, weights, n);
    let mut normal = DMatrix::from_fn(n, n, |i, j| normal[i.max(j)][i.min(j)]);
    let right = right.map(|r| DVector::from_fn(n, |i, _| r[i]));
    for i in 0..n {
        normal[(i, i)] += 1e-3 + 1e-4 * normal[(0, 0)] * if i >= 6 { 1.0 } else { 0.1 };
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

type Normal = ([[f64; TERMS]; TERMS], [[f64; TERMS]; 3]);

/// Lower triangle of the normal matrix, and the right sides of the three channels.
fn normal_equations(samples: &[Termed], weights: &[Vec<f32>], n: usize) -> Normal {
    let chunks = samples.par_iter().zip(weights);
    let parts: Vec<Normal> = chunks.map(|(samples, weights)| part_of_normal(samples, weights, n)).collect();
    let add = |to: &mut [f64; TERMS], from: &[f64; TERMS]| to.iter_mut().zip(from).for_each(|(t, f)| *t += f);
    parts.into_iter().fold(([[0.0; TERMS]; TERMS], [[0.0; TERMS]; 3]), |mut sum, part| {
        sum.0.iter_mut().zip(&part.0).for_each(|(to, from)| add(to, from));
        sum.1.iter_mut().zip(&part.1).for_each(|(to, from)| add(to, from));
        sum
    })
}

fn part_of_normal(samples: &Termed, weights: &[f32], n: usize) -> Normal {
    let mut normal = [[0f64; TERMS]; TERMS];
    let mut right = [[0f64; TERMS]; 3];
    for i in 0..n {
        let weighted: Vec<f32> = weights.iter().zip(&samples.terms[i]).map(|(w, t)| w * t).collect();
        for (product, terms) in normal[i].iter_mut().zip(&samples.terms).take(i + 1) {
            *product = dot(&weighted, terms);
        }
        for (right, log) in right.iter_mut().zip(&samples.log) {
            right[i] = dot(&weighted, log);
        }
    }
    (normal, right)
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
        let bases: Vec<[f32; 3]> = samples.par_iter().with_min_len(2048).map(|s| shade.at(s.at)).collect();
        for (s, base) in samples.iter().zip(bases) {
            let d = Departure::between(s.log, base);
            if d.colour[0].abs().max(d.colour[1].abs()) > colour_gate {
                continue;
            }
            let c = (((s.at.x - area.min.x) / BLOCK_MM).round().max(0.0) as usize).min(columns - 1);
            let r = (((s.at.y - area.min.y) / BLOCK_MM).round().max(0.0) as usize).min(rows - 1);
            piles[r * columns + c].push([s.log[0] - base[0], s.log[1] - base[1], s.log[2] - base[2]]);
        }
        let middles: Vec<([f32; 3], f32)> = piles.par_iter().map(|pile| (middle(pile), pile.len() as f32)).collect();
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
        let (c, fc) = block_place(p.x, self.origin.x, self.columns);
        let (r, fr) = block_place(p.y, self.origin.y, self.rows);
        let k = r * self.columns + c;
        let (a, b, d, e) =
            (self.values[k], self.values[k + 1], self.values[k + self.columns], self.values[k + self.columns + 1]);
        std::array::from_fn(|i| (a[i] * (1.0 - fc) + b[i] * fc) * (1.0 - fr) + (d[i] * (1.0 - fc) + e[i] * fc) * fr)
    }
}

impl Blocks {
    /// The values between two rows of blocks.
    fn row(&self, y: f64) -> Vec<[f32; 3]> {
        if self.columns < 2 || self.rows < 2 {
            return Vec::new();
        }
        let (r, t) = block_place(y, self.origin.y, self.rows);
        let row = |r: usize| &self.values[r * self.columns..(r + 1) * self.columns];
        let pairs = row(r).iter().zip(row(r + 1));
        pairs.map(|(a, b)| std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t)).collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    #[test]
    fn along_a_row_the_shade_is_the_same() {
        let mut random = Random(5);
        let area = MatRect { min: MatPoint::new(-200.0, -100.0), max: MatPoint::new(300.0, 250.0) };
        let samples: Vec<Sample> = (0..4000)
            .map(|_| {
                let at = MatPoint::new(500.0 * random.unit() - 200.0, 350.0 * random.unit() - 100.0);
                let bump = (-((at.x - 40.0) / 30.0).powi(2)).exp();
                Sample { at, log: [4.0 + 1e-3 * at.x, 4.2 + 0.2 * bump, 3.9 + 1e-6 * at.x * at.y].map(|v| v as f32) }
            })
            .collect();
        let shade = Shade::fit(&samples, area, 3, None).expect("a shade").with_blocks(&samples, 1.0);
        for _ in 0..200 {
            let p = MatPoint::new(700.0 * random.unit() - 300.0, 500.0 * random.unit() - 150.0);
            let (direct, row) = (shade.at(p), shade.along(p.y).at(p.x));
            assert!((0..3).all(|i| (direct[i] - row[i]).abs() < 1e-4), "{direct:?} {row:?}");
        }
    }
}
