//! Where cloth and mat differ in hue only, a photo of the bare mat takes print and wear away and leaves the cloth's tint.
//!
//! Light and shade move brightness, hardly hue: of the log colour over the bare mat's the two colour differences are
//! taken, pooled along the outline, and compared with those inside (the cloth's) and outside (none).

use rayon::prelude::*;

use super::profiles::Profiles;

/// Profiles either way that are pooled, and either way from which the cloth's tint is read.
const POOLED: usize = 5;
const TINT_POINTS: usize = 40;

/// A tint of so many deviations begins to count, and leads alone from the second on.
const COUNTS: (f32, f32) = (1.0, 4.0);

/// Most one sample may say (log ratio).
const CLIP: f32 = 4.0;

/// Least deviation of a pooled colour difference, log units: what JPEG leaves of hue.
const LEAST_DEVIATION: f32 = 0.004;

/// Log ratios of cloth over mat by tint, mixed into `ratios` as far as the tint tells.
pub(crate) fn lead(
    profiles: &Profiles,
    gain: &[[f32; 3]],
    inside: std::ops::Range<usize>,
    outside: std::ops::Range<usize>,
    ratios: &mut [f32],
) {
    let (n, len) = (profiles.count(), profiles.len);
    let own: Vec<Vec<[f32; 2]>> = (0..n).into_par_iter().map(|i| tints(profiles, i, gain[i])).collect();
    let pooled: Vec<Vec<[f32; 2]>> = (0..n)
        .into_par_iter()
        .map(|i| {
            let mut sum = vec![[0f32; 2]; len];
            for k in 0..=2 * POOLED {
                for (s, t) in sum.iter_mut().zip(&own[(i + n + k - POOLED.min(n)) % n]) {
                    s[0] += t[0] / (2 * POOLED + 1) as f32;
                    s[1] += t[1] / (2 * POOLED + 1) as f32;
                }
            }
            sum
        })
        .collect();
    // What the bare mat itself shows is taken for nothing: the light's own tint here.
    let around = |i: usize, range: &std::ops::Range<usize>, c: usize| -> f32 {
        let places = (0..=2 * TINT_POINTS).step_by(4).map(|k| (i + n + k - TINT_POINTS.min(n)) % n);
        middle(places.flat_map(|k| pooled[k][range.clone()].iter().step_by(2).map(move |t| t[c])).collect())
    };
    ratios.par_chunks_mut(len).enumerate().for_each(|(i, ratios)| {
        let mat = [around(i, &outside, 0), around(i, &outside, 1)];
        let cloth = [around(i, &inside, 0) - mat[0], around(i, &inside, 1) - mat[1]];
        let strength2 = cloth[0] * cloth[0] + cloth[1] * cloth[1];
        let share = |t: &[f32; 2]| ((t[0] - mat[0]) * cloth[0] + (t[1] - mat[1]) * cloth[1]) / strength2.max(1e-9);
        let off = pooled[i][outside.clone()].iter().map(|t| share(t).abs()).collect();
        let deviation = (1.4826 * middle(off)).max(LEAST_DEVIATION / strength2.sqrt().max(1e-6));
        let tells = ((1.0 / deviation - COUNTS.0) / (COUNTS.1 - COUNTS.0)).clamp(0.0, 1.0);
        for (ratio, t) in ratios.iter_mut().zip(&pooled[i]) {
            let by_tint = ((share(t) - 0.5) / (deviation * deviation)).clamp(-CLIP, CLIP);
            *ratio = tells * by_tint + (1.0 - tells) * *ratio;
        }
    });
}

/// The two colour differences of the log colour over the bare mat's.
fn tints(profiles: &Profiles, i: usize, gain: [f32; 3]) -> Vec<[f32; 2]> {
    let pairs = profiles.seen(i).iter().zip(profiles.expected(i));
    pairs
        .map(|(seen, bare)| {
            let log: [f32; 3] = std::array::from_fn(|c| ((seen[c] + 6.0) / (bare[c] * gain[c] + 6.0)).ln());
            [(log[0] - log[1]).clamp(-0.5, 0.5), (log[2] - log[1]).clamp(-0.5, 0.5)]
        })
        .collect()
}

fn middle(mut values: Vec<f32>) -> f32 {
    let half = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(half, f32::total_cmp).1 }
}
