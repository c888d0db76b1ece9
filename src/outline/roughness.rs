//! How rough cloth and mat are, where their colours do not tell them apart: a weave is uneven from thread to thread, a
//! mat or paper is not (or the other way round). How much either is, is read beside the edge itself.

use rayon::prelude::*;

use super::profiles::{Profiles, log_brightness};

/// Log ratio of the colours from which roughness says nothing.
const CLEAR: f32 = 2.0;

/// Share of unclear samples of cloth beside the edge from which it is asked at all.
const LEAST_UNCLEAR: f32 = 0.05;

/// Most that one sample's roughness may say (log ratio).
const CLIP: f32 = 1.5;

/// Neighbouring samples of one texture tell in part the same.
const SHARE: f32 = 0.5;

/// Values from which a scale is known.
const ENOUGH: usize = 200;

/// Least deviation of the foreseen brightness from the ground that is a printed line (log), and how far off it may lie, mm.
const LINE: f32 = 0.02;
const LINE_SLACK_MM: f64 = 0.3;

/// Adds what roughness says to the log ratios of cloth over background that are unclear.
///
/// `gate` is that of [`off_lines`]; `inside` and `outside` are sample ranges surely on either side of the edge.
pub(crate) fn add(
    rough: &Roughness,
    gate: &[f32],
    ratios: &mut [f32],
    len: usize,
    inside: std::ops::Range<usize>,
    outside: std::ops::Range<usize>,
) {
    if !asked(ratios, len, &inside) {
        return;
    }
    for feature in &rough.features {
        let (Some(cloth), Some(mat)) =
            (scale(feature, gate, ratios, len, &inside), scale(feature, gate, ratios, len, &outside))
        else {
            continue;
        };
        let pairs = ratios.par_iter_mut().zip(feature).zip(gate);
        pairs.with_min_len(4096).for_each(|((ratio, value), gate)| {
            let weight = gate * (1.0 - ratio.abs() / CLEAR).max(0.0);
            // Laplace's law on either side.
            let told = (mat / cloth).ln() + value * (1.0 / mat - 1.0 / cloth);
            *ratio += SHARE * weight * told.clamp(-CLIP, CLIP);
        });
    }
}

/// Is so much of the cloth beside the edge unclear that more than colour is asked?
pub(super) fn asked(ratios: &[f32], len: usize, inside: &std::ops::Range<usize>) -> bool {
    let unclear = ratios.chunks(len).flat_map(|r| &r[inside.clone()]).filter(|r| r.abs() < 0.5 * CLEAR).count();
    unclear as f32 >= LEAST_UNCLEAR * (inside.len() * (ratios.len() / len)) as f32
}

/// 0 for samples near which a printed line is foreseen, else 1.
pub(super) fn off_lines(profiles: &Profiles) -> Vec<f32> {
    let len = profiles.len;
    let apart = ((profiles.pixel_mm / profiles.step_mm).round() as usize).max(1);
    let slack = (LINE_SLACK_MM / profiles.step_mm).round() as usize + apart;
    let mut gate = vec![0f32; profiles.count() * len];
    gate.par_chunks_mut(len).enumerate().with_min_len(64).for_each(|(i, gate)| {
        let (colour, ground) = (profiles.ground[i], log_brightness(profiles.ground[i]));
        // Most of it is ground.
        let is_line = |e: &[f32; 3]| *e != colour && (log_brightness(*e) - ground).abs() >= LINE;
        let line: Vec<bool> = profiles.expected(i).iter().map(is_line).collect();
        for (j, gate) in gate.iter_mut().enumerate() {
            let near = &line[j.saturating_sub(slack)..(j + slack + 1).min(len)];
            *gate = if near.contains(&true) { 0.0 } else { 1.0 };
        }
    });
    gate
}

/// How uneven every sample is beside its neighbours.
pub(crate) struct Roughness {
    /// Absolute second differences of log brightness, across the edge and along it.
    features: [Vec<f32>; 2],
}

impl Roughness {
    pub(crate) fn measure(profiles: &Profiles) -> Self {
        let (n, len) = (profiles.count(), profiles.len);
        let apart = ((profiles.pixel_mm / profiles.step_mm).round() as usize).max(1);
        let brightness: Vec<f32> = profiles.seen.par_iter().with_min_len(4096).map(|v| log_brightness(*v)).collect();
        let at = |i: usize, j: usize| brightness[(i % n) * len + j];
        let (mut across, mut along) = (vec![0f32; n * len], vec![0f32; n * len]);
        let rows = across.par_chunks_mut(len).zip(along.par_chunks_mut(len)).enumerate().with_min_len(64);
        rows.for_each(|(i, (across, along))| {
            for j in 0..len {
                let here = at(i, j);
                along[j] = (here - 0.5 * (at(i + n - 1, j) + at(i + 1, j))).abs();
                let (a, b) = (j.saturating_sub(apart), (j + apart).min(len - 1));
                across[j] = (here - 0.5 * (at(i, a) + at(i, b))).abs();
            }
        });
        Self { features: [across, along] }
    }
}

/// Laplace's scale of a feature over the unclear samples of a range: its middle value over ln 2.
fn scale(feature: &[f32], gate: &[f32], ratios: &[f32], len: usize, range: &std::ops::Range<usize>) -> Option<f32> {
    let rows = (0..ratios.len() / len).flat_map(|i| range.clone().map(move |j| i * len + j));
    let mut values: Vec<f32> =
        rows.filter(|k| gate[*k] > 0.0 && ratios[*k].abs() < 0.5 * CLEAR).map(|k| feature[k]).collect();
    if values.len() < ENOUGH {
        return None;
    }
    let half = values.len() / 2;
    let middle = *values.select_nth_unstable_by(half, f32::total_cmp).1;
    Some((middle / std::f32::consts::LN_2).max(1e-4))
}
