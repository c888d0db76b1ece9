//! The edge between cloth and mat that look alike, where a photo of the bare mat takes the print away: the groove
//! between them.
//!
//! The cloth's rim turns away from the light towards its widest contour, and the mat beside it lies in its shadow, but
//! lower and so in a softer one: outwards the brightness falls along the rim, and rises quickly where the mat begins.
//! Blur puts the darkest place a little inside the edge and the half-way rise a little outside; the edge is taken
//! midway between them.

use rayon::prelude::*;

use super::doubt::Doubt;
use super::profiles::Profiles;

/// Distance from the change-point within which the groove is looked for, mm.
const SEARCH_MM: f64 = 1.5;

/// Distance outwards of the darkest place within which the mat is reached, mm.
const FLANK_MM: f64 = 0.7;

/// Least rise (log brightness), and how many of the pooled noise's deviations it must be.
const LEAST_RISE: f32 = 0.035;
const NOISE_DEVIATIONS: f32 = 3.0;

/// Where the cloth's own brightness is read, mm from the change-point, and how far it may differ from the mat's (log) for
/// the two to look alike; beyond that the half-way crossing is better.
const INSIDE_MM: (f64, f64) = (-3.2, -1.4);
const ALIKE: f32 = 0.35;

/// Share of the outline with a groove from which cloth and mat look alike, and the least doubts then, mm.
const LOOKS_ALIKE: f64 = 0.3;
const GROOVE_DOUBT_MM: f64 = 0.7;
const NO_GROOVE_DOUBT_MM: f64 = 2.0;

/// Profiles either way that are pooled.
const POOLED: usize = 4;

/// The edge by its groove, mm along each profile, where there is one and cloth and mat look alike.
pub(crate) fn find(profiles: &Profiles, gain: &[[f32; 3]], around_mm: &[f64]) -> Vec<Option<f64>> {
    let n = profiles.count();
    let relative: Vec<Vec<f32>> = (0..n).into_par_iter().map(|i| brightness(profiles, i, gain[i])).collect();
    (0..n)
        .into_par_iter()
        .map(|i| {
            let pooled: Vec<f32> = (0..profiles.len)
                .map(|j| middle((0..=2 * POOLED).map(|k| relative[(i + n + k - POOLED.min(n)) % n][j])))
                .collect();
            let noise = noise(&relative, i, profiles, around_mm[i]);
            edge(profiles, &pooled, noise, around_mm[i])
        })
        .collect()
}

/// Widens the doubt where cloth and mat look alike: an edge known by its groove is worth less than a clear one, and one
/// without a groove was not seen.
pub(crate) fn doubt(grooves: &[Option<f64>], doubts: &mut [Doubt]) {
    let found = grooves.iter().flatten().count();
    if (found as f64) < LOOKS_ALIKE * grooves.len() as f64 {
        return;
    }
    for (doubt, groove) in doubts.iter_mut().zip(grooves) {
        doubt.mm = doubt.mm.max(if groove.is_some() { GROOVE_DOUBT_MM } else { NO_GROOVE_DOUBT_MM });
        doubt.seen &= groove.is_some();
    }
}

/// Log brightness over that of the bare mat in the light of the place.
fn brightness(profiles: &Profiles, i: usize, gain: [f32; 3]) -> Vec<f32> {
    let pairs = profiles.seen(i).iter().zip(profiles.expected(i));
    pairs
        .map(|(seen, bare)| (0..3).map(|c| ((seen[c] + 6.0) / (bare[c] * gain[c] + 6.0)).ln()).sum::<f32>() / 3.0)
        .collect()
}

fn middle(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.filter(|v| v.is_finite()).collect();
    let half = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(half, f32::total_cmp).1 }
}

/// Noise of a pooled value, from the bare mat outside: 1.4826 times the middle deviation, over the root of the number.
fn noise(relative: &[Vec<f32>], i: usize, profiles: &Profiles, around_mm: f64) -> f32 {
    let outside = profiles.range(around_mm + 2.5, around_mm + 6.0);
    let values: Vec<f32> = relative[i][outside].to_vec();
    let centre = middle(values.iter().copied());
    1.4826 * middle(values.iter().map(|v| (v - centre).abs())) / ((2 * POOLED + 1) as f32).sqrt()
}

fn edge(profiles: &Profiles, pooled: &[f32], noise: f32, around_mm: f64) -> Option<f64> {
    let inside = middle(pooled[profiles.range(around_mm + INSIDE_MM.0, around_mm + INSIDE_MM.1)].iter().copied());
    if inside.abs() > ALIKE {
        return None;
    }
    let flank = (FLANK_MM / profiles.step_mm).round() as usize;
    let search = profiles.range(around_mm - SEARCH_MM, around_mm + SEARCH_MM);
    let lowest = |j: &usize| {
        let near = &pooled[j.saturating_sub(2)..(j + 3).min(pooled.len())];
        near.iter().all(|v| *v >= pooled[*j])
    };
    let rise = |j: usize| {
        let reach = &pooled[j..(j + flank + 1).min(pooled.len())];
        reach.iter().copied().fold(f32::MIN, f32::max) - pooled[j]
    };
    let (low, height) = search.filter(lowest).map(|j| (j, rise(j))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    if height < LEAST_RISE.max(NOISE_DEVIATIONS * noise) {
        return None;
    }
    let half = pooled[low] + 0.5 * height;
    let above = (low + 1..(low + flank + 1).min(pooled.len())).find(|j| pooled[*j] >= half)?;
    let (a, b) = (pooled[above - 1], pooled[above]);
    let t = if b > a { f64::from((half - a) / (b - a)) } else { 0.5 };
    let rising = profiles.offset(above - 1) + t * profiles.step_mm;
    Some(0.5 * (profiles.offset(low) + rising))
}
