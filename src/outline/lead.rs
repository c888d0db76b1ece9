//! What leads the path of the edge where the likelihoods of cloth and mat leave it open: what the edge itself shows, a step
//! of colour or a groove of shade.

use std::ops::Range;

use rayon::prelude::*;

use super::changepoint::{nearby_lines, worn_line};
use super::groove;
use super::profiles::Profiles;
use super::ring::Ring;
use crate::garment::appearance::{DARK_OFFSET, median};

/// Weight left to the likelihoods, and weights of step and groove, where these lead.
const LED_LIKELIHOOD: f32 = 0.2;
const STEP_BONUS: f32 = 2.0;
const GROOVE_BONUS: f32 = 0.8;

/// How much of either side a step is read from, mm; and a sharp one, which is as great near by as farther off.
const STEP_MM: f64 = 0.5;
const SHARP_MM: (f64, f64) = (0.5, 2.0);

/// Profiles either way that are pooled.
const POOLED: usize = 3;

/// How far beside a border of a chessboard's squares a step may be the border's own, mm, and the least step that is one.
const BORDER_MM: f64 = 1.5;
const BORDER_STEP: f32 = 0.03;

/// A step of this length in gamma levels (three channels together) is as clear as any.
const CLEAR_STEP: f32 = 12.0;

/// A groove of so many deviations is as clear as any; how far beside it either side is read, mm.
const CLEAR_GROOVE: f32 = 3.0;
/// Deviations that are chance as often as not where many places are asked for the clearest.
const SURELY_MORE: f32 = 2.0;
const SIDES_MM: (f64, f64) = (0.4, 1.0);

/// Where no edge lies, mm inside and outside the curve: what looks like a groove there is chance. Samples it takes to know.
const NO_EDGE_MM: [(f64, f64); 2] = [(-4.2, -1.5), (1.5, 4.2)];
const ENOUGH: usize = 100;

/// What speaks for an edge at every sample by itself: the step of colour and the groove of shade, weighed.
///
/// `gate` is 0 for samples near a printed line, else 1.
pub(crate) fn evidence(profiles: &Profiles, ring: &Ring, gate: &[f32]) -> Vec<f32> {
    let (steps, grooves) = rayon::join(|| steps(profiles, ring, STEP_MM), || grooves(profiles, ring, gate));
    steps.iter().zip(&grooves).map(|(step, groove)| STEP_BONUS * step.min(1.0) + GROOVE_BONUS * groove).collect()
}

/// The same, but for slopes: what is soft is no edge.
pub(crate) fn sharp(profiles: &Profiles, ring: &Ring, gate: &[f32]) -> Vec<f32> {
    let ((near, far), grooves) = rayon::join(
        || rayon::join(|| steps(profiles, ring, SHARP_MM.0), || steps(profiles, ring, SHARP_MM.1)),
        || clear(profiles, gate, &pooled(&depths(profiles, ring), profiles.len), SURELY_MORE),
    );
    let step = |(near, far): (&f32, &f32)| (2.0 * near - far).clamp(0.0, 1.0);
    let steps = near.iter().zip(&far).map(step);
    let border = tone_borders(profiles);
    let steps = steps.zip(&border).map(|(step, border)| if *border { 0.0 } else { step });
    steps.zip(&grooves).map(|(step, groove)| STEP_BONUS * step + GROOVE_BONUS * groove).collect()
}

/// The mean over neighbouring profiles.
fn pooled(values: &[f32], len: usize) -> Vec<f32> {
    let n = values.len() / len;
    let mean = |i: usize, j: usize| {
        let around = (0..=2 * POOLED).map(|k| values[(i + n + k - POOLED.min(n)) % n * len + j]);
        around.sum::<f32>() / (2 * POOLED + 1) as f32
    };
    (0..n).into_par_iter().flat_map_iter(|i| (0..len).map(move |j| mean(i, j))).collect()
}

/// Samples beside a border of a chessboard's squares, which may lie a little off.
fn tone_borders(profiles: &Profiles) -> Vec<bool> {
    if !profiles.tones {
        return vec![false; profiles.count() * profiles.len];
    }
    let reach = (BORDER_MM / profiles.step_mm).round() as usize;
    let near = |row: &[[f32; 3]], j: usize| {
        let ends = [row[j.saturating_sub(reach)][1], row[(j + reach).min(row.len() - 1)][1]];
        ends.iter().any(|end| (end - row[j][1]).abs() > BORDER_STEP * (row[j][1] + DARK_OFFSET))
    };
    profiles.expected.chunks(profiles.len).flat_map(|row| (0..row.len()).map(move |j| near(row, j))).collect()
}

/// Puts what the edge itself shows in charge where the likelihoods leave the path open.
///
/// `open` (0 to 1 per profile) says how far; the costs were scaled by `limber`.
pub(crate) fn by_the_edge(profiles: &Profiles, evidence: &[f32], costs: &mut [f32], open: &[f32], limber: &[f32]) {
    let len = profiles.len;
    let rows = costs.chunks_mut(len).zip(evidence.chunks(len)).zip(open.iter().zip(limber));
    for ((costs, evidence), (open, limber)) in rows.filter(|(_, (open, _))| **open > 0.0) {
        for (cost, evidence) in costs.iter_mut().zip(evidence) {
            *cost = *cost * (1.0 - (1.0 - LED_LIKELIHOOD) * open) - open * limber * evidence;
        }
    }
}

/// The step of colour at every sample: the two sides' means over a length, pooled over neighbouring
/// profiles, in units of [`CLEAR_STEP`]; the mat's lines taken off.
fn steps(profiles: &Profiles, ring: &Ring, side_mm: f64) -> Vec<f32> {
    let len = profiles.len;
    let half = ((side_mm / profiles.step_mm).round() as usize).max(1);
    let n = profiles.count();
    let mut steps = vec![[0f32; 3]; n * len];
    steps.par_chunks_mut(len).enumerate().with_min_len(64).for_each(|(i, steps)| {
        let (ground, gain) = (profiles.ground[i], ring.gain[i]);
        let clean: Vec<[f32; 3]> = profiles
            .seen(i)
            .iter()
            .zip(nearby_lines(profiles, i))
            .zip(profiles.expected(i))
            .map(|((seen, line), tone)| {
                if profiles.tones {
                    return std::array::from_fn(|c| seen[c] * (ground[c] / tone[c].max(1.0)).min(1.0));
                }
                let lit = |colour: [f32; 3]| std::array::from_fn(|c| colour[c] * gain[c]);
                let off = line.map_or(lit(ground), |line| worn_line(*seen, lit(ground), lit(line)));
                std::array::from_fn(|c| seen[c] - off[c] + lit(ground)[c])
            })
            .collect();
        for (j, step) in steps.iter_mut().enumerate().take(len - half).skip(half) {
            let mean = |range: Range<usize>, c: usize| clean[range].iter().map(|v| v[c]).sum::<f32>() / half as f32;
            *step = std::array::from_fn(|c| mean(j - half..j, c) - mean(j + 1..j + 1 + half, c));
        }
    });
    let mut out = vec![0f32; n * len];
    out.par_chunks_mut(len).enumerate().with_min_len(64).for_each(|(i, out)| {
        for (j, out) in out.iter_mut().enumerate() {
            let mut sum = [0f32; 3];
            for k in 0..=2 * POOLED {
                let step = steps[((i + n + k - POOLED.min(n)) % n) * len + j];
                for (s, v) in sum.iter_mut().zip(step) {
                    *s += v / (2 * POOLED + 1) as f32;
                }
            }
            let norm = (sum[0] * sum[0] + sum[1] * sum[1] + sum[2] * sum[2]).sqrt();
            *out = norm / CLEAR_STEP;
        }
    });
    out
}

/// How far every sample lies below both its sides in brightness, in deviations of the same where there is no edge, 0 to
/// [`CLEAR_GROOVE`]: cloth lies in a groove of shade between its rim and the mat, however alike the two are. None is looked
/// for at printed lines.
fn grooves(profiles: &Profiles, ring: &Ring, gate: &[f32]) -> Vec<f32> {
    clear(profiles, gate, &depths(profiles, ring), 0.0)
}

/// Depths of all samples in deviations of those where there is no edge, over a least number of these.
fn clear(profiles: &Profiles, gate: &[f32], depths: &[f32], least: f32) -> Vec<f32> {
    let len = profiles.len;
    let ranges = NO_EDGE_MM.map(|(from, to)| profiles.range(from, to));
    let places =
        (0..profiles.count()).flat_map(|i| ranges.iter().flat_map(move |r| r.clone().map(move |j| i * len + j)));
    let mut chance: Vec<f32> = places.filter(|k| gate[*k] > 0.0).map(|k| depths[k]).collect();
    if chance.len() < ENOUGH {
        return vec![0.0; depths.len()];
    }
    let middle = median(&mut chance);
    chance.iter_mut().for_each(|v| *v = (*v - middle).abs());
    // 1.4826 times the middle deviation is a normal law's own.
    let deviation = (1.4826 * median(&mut chance)).max(1e-4);
    let clear = |(depth, gate): (&f32, &f32)| gate * ((depth - middle) / deviation - least).clamp(0.0, CLEAR_GROOVE);
    depths.iter().zip(gate).map(clear).collect()
}

/// Depth of every sample below the lower of its sides' means, log units.
fn depths(profiles: &Profiles, ring: &Ring) -> Vec<f32> {
    let len = profiles.len;
    let mut depths = vec![0f32; profiles.count() * len];
    let rows = depths.par_chunks_mut(len).enumerate().with_min_len(64);
    rows.for_each(|(i, depths)| {
        let bright = |j: usize| groove::brightness(profiles, i, j, ring.gain[i]).max(0.01).ln();
        depths_below(&(0..len).map(bright).collect::<Vec<_>>(), profiles.step_mm, depths);
    });
    depths
}

/// Depth of every sample of a profile below the lower of its sides' means.
fn depths_below(bright: &[f32], step_mm: f64, depths: &mut [f32]) {
    let samples = |mm: f64| ((mm / step_mm).round() as usize).max(1);
    let (near, far) = (samples(SIDES_MM.0), samples(SIDES_MM.1));
    let mean = |range: Range<usize>| bright[range.clone()].iter().sum::<f32>() / range.len() as f32;
    for (j, depth) in depths.iter_mut().enumerate().take(bright.len().saturating_sub(far)).skip(far) {
        let sides = mean(j - far..j + 1 - near).min(mean(j + near..j + far + 1));
        *depth = sides - mean(j - 1..j + 2);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_groove_is_deep_and_a_step_a_slope_or_a_ridge_is_not() {
        let depth_at = |bright: &dyn Fn(f64) -> f64| {
            let values: Vec<f32> = (0..61).map(|j| bright(f64::from(j) * 0.1 - 3.0) as f32).collect();
            let mut depths = vec![0.0; values.len()];
            depths_below(&values, 0.1, &mut depths);
            depths[30]
        };
        assert!(depth_at(&|x| -0.3 * (-(x / 0.2).powi(2)).exp()) > 0.2);
        assert!(depth_at(&|x| if x < 0.0 { 0.0 } else { -0.5 }) < 0.01);
        assert!(depth_at(&|x| 0.1 * x) < 0.01);
        assert!(depth_at(&|x| 0.3 * (-(x / 0.2).powi(2)).exp()) < 0.0);
    }
}
