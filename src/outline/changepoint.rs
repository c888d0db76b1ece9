//! Where each profile changes from cloth to background: likelihoods, and dynamic programming along the outline.

use rayon::prelude::*;

use super::profiles::Profiles;
use crate::garment::{Light, MatModel, Palette};

/// Most one sample may say (log ratio): a stitch or a stripe cannot decide alone.
const CLIP: f32 = 4.0;

/// Distance over which samples of one profile are independent, mm (about a photo pixel).
const INDEPENDENT_MM: f64 = 0.4;

/// Price of a step of the edge along the outline, per mm2 of squared offset difference.
const STEP_PRICE: f32 = 3.0;

/// Largest step between neighbouring points, mm.
const LARGEST_STEP_MM: f64 = 1.0;

/// Points beyond either end over which the path of a closed curve settles.
const WRAP: usize = 80;

/// What lies outside the cloth: the predicted mat and, where another ground shows, its palette.
pub(crate) struct Background<'a> {
    pub mat: &'a MatModel,
    /// The mat's light just outside each point over the predicted one, per channel.
    pub gain: Vec<[f32; 3]>,
    /// Colours of whatever else lies outside; empty where only the mat does.
    pub other: Vec<Option<&'a Palette>>,
}

/// Log likelihood ratio of cloth over background per sample, clipped.
pub(crate) fn log_ratios(profiles: &Profiles, background: &Background, cloth: &Palette) -> Vec<f32> {
    let cloth_light =
        Light { factor: (0.45, 1.25), free: (0.8, 1.12), price: 4.0, sigma: cloth.spread.clamp(3.0, 14.0) };
    let len = profiles.len;
    let mut out = vec![0f32; profiles.count() * len];
    out.par_chunks_mut(len).with_min_len(64).enumerate().for_each(|(i, out)| {
        let ground = profiles.ground[i];
        let level = (ground[0] + ground[1] + ground[2]) / 3.0;
        let spread = (background.mat.spread[1].hypot(background.mat.spread[2])) * (level + 6.0);
        let mat_light = Light { factor: (0.15, 1.12), free: (0.93, 1.03), price: 2.0, sigma: spread.clamp(2.5, 12.0) };
        let gain = background.gain[i];
        for ((out, seen), expected) in out.iter_mut().zip(profiles.seen(i)).zip(profiles.expected(i)) {
            let expected = std::array::from_fn(|c| expected[c] * gain[c]);
            let mut outside = mat_light.distance(*seen, expected);
            if let Some(other) = background.other[i] {
                let light =
                    Light { factor: (0.3, 1.2), free: (0.85, 1.1), price: 3.0, sigma: other.spread.clamp(3.0, 14.0) };
                outside = outside.min(other.distance(*seen, light));
            }
            let inside = cloth.distance(*seen, cloth_light);
            *out = (0.5 * (outside - inside)).clamp(-CLIP, CLIP);
        }
    });
    out
}

/// The best offset per profile and how far other offsets would do nearly as well.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    /// Index of the sample at which the edge lies.
    pub at: Vec<usize>,
    /// Span of offsets whose best path costs at most 2 more, mm.
    pub span_mm: Vec<f32>,
}

/// Cost of an edge at every sample: minus the summed log ratio of cloth inside and background outside.
pub(crate) fn edge_costs(profiles: &Profiles, ratios: &[f32]) -> Vec<f32> {
    let scale = (profiles.step_mm / INDEPENDENT_MM) as f32;
    let mut costs = vec![0f32; ratios.len()];
    for (cost, ratio) in costs.chunks_mut(profiles.len).zip(ratios.chunks(profiles.len)) {
        // Moving the edge outwards past a sample turns it from background to cloth.
        let mut sum = 0.0;
        for (c, r) in cost.iter_mut().zip(ratio) {
            sum -= 0.5 * r * scale;
            *c = sum;
            sum -= 0.5 * r * scale;
        }
    }
    costs
}

/// The cheapest closed path over offsets within `range`, with its min-marginals.
pub(crate) fn cheapest_path(profiles: &Profiles, costs: &[f32], range: std::ops::Range<usize>) -> Path {
    let n = profiles.count();
    let m = range.len();
    let unary: Vec<&[f32]> = costs.chunks(profiles.len).map(|c| &c[range.clone()]).collect();
    let reach = ((LARGEST_STEP_MM / profiles.step_mm).round() as usize).max(1);
    let price: Vec<f32> = (0..=reach).map(|k| STEP_PRICE * (k as f64 * profiles.step_mm).powi(2) as f32).collect();
    let forward = sweep(&unary, m, &price, (0..n + WRAP).map(|i| (i + n - WRAP % n) % n), n);
    let backward = sweep(&unary, m, &price, (0..n + WRAP).rev().map(|i| i % n), n);
    let mut at = Vec::with_capacity(n);
    let mut span_mm = Vec::with_capacity(n);
    for i in 0..n {
        let total: Vec<f32> = (0..m).map(|k| forward[i * m + k] + backward[i * m + k] - unary[i][k]).collect();
        let (best, least) =
            total.iter().enumerate().fold((0, f32::INFINITY), |b, (k, v)| if *v < b.1 { (k, *v) } else { b });
        let near = |v: &f32| *v <= least + 2.0;
        let low = total.iter().position(near).unwrap_or(best);
        let high = total.iter().rposition(near).unwrap_or(best);
        at.push(range.start + best);
        span_mm.push(((high - low) as f64 * profiles.step_mm) as f32);
    }
    Path { at, span_mm }
}

/// Cheapest cost of reaching every (profile, offset) in an order of profiles; the last visit of each counts.
fn sweep(unary: &[&[f32]], m: usize, price: &[f32], order: impl Iterator<Item = usize>, n: usize) -> Vec<f32> {
    let mut out = vec![0f32; n * m];
    let mut before = vec![0f32; m];
    let mut now = vec![0f32; m];
    for i in order {
        let mut least = f32::INFINITY;
        for (k, now) in now.iter_mut().enumerate() {
            let mut best = before[k];
            for (d, p) in price.iter().enumerate().skip(1) {
                if k >= d {
                    best = best.min(before[k - d] + p);
                }
                if k + d < m {
                    best = best.min(before[k + d] + p);
                }
            }
            *now = best + unary[i][k];
            least = least.min(*now);
        }
        // Only differences matter: keep the numbers small.
        for v in now.iter_mut() {
            *v -= least;
        }
        out[i * m..(i + 1) * m].copy_from_slice(&now);
        std::mem::swap(&mut before, &mut now);
    }
    out
}
