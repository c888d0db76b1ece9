//! The slight difference of hue between cloth and mat that look alike.
//!
//! Brightness varies with every thread and fold, hue hardly does: two blacks that differ by three levels of blue lie far
//! apart for it. What hue either side has, and how even it is, is read beside the edge itself, off the printed lines.

use rayon::prelude::*;

use super::profiles::Profiles;

/// Points that share what is learnt, and points either way it is learnt from.
const SHARED_POINTS: usize = 24;
const REACH_POINTS: usize = 40;

/// Samples learnt from, about, and needed.
const SAMPLES: usize = 300;
const ENOUGH: usize = 40;

/// Log ratio of the colours from which hue says nothing more, and the most that one sample's may say.
const CLEAR: f32 = 3.0;
const CLIP: f32 = 2.5;

/// Neighbouring samples tell in part the same: JPEG keeps one hue for four pixels and more.
const SHARE: f32 = 0.3;

/// Least deviation of a hue: this share of the difference of both sides (light from the sky in the cloth's shadow, cloth's
/// light on the mat), and so many grey levels, for JPEG gives blocks of 16 pixels one hue up to such steps.
const OF_DIFFERENCE: f32 = 0.25;
const LEVELS: f32 = 3.0;

/// Share of either side's own samples that hue may call the other's: in stripes and prints it tells nothing.
const LARGEST_WRONG: f32 = 0.1;

/// Difference of both sides in deviations from which hue tells something, and all it can.
const APART: (f32, f32) = (0.6, 1.6);

/// Degrees of freedom of Student's law, for what is neither: a thread, a stain.
const FREEDOM: f32 = 4.0;

/// What either side's hue is along the edge, as far as it tells them apart.
pub(crate) struct Hues {
    segments: Vec<Option<Told>>,
}

impl Hues {
    /// Of the cloth's colours only those count that are unclear by their log ratios `ratios`: a clear stripe's hue says
    /// nothing of them. `gate` is 0 for samples near a printed line, else 1; `inside` and `outside` are sample ranges surely
    /// on either side of the edge.
    pub(crate) fn read(
        profiles: &Profiles,
        gate: &[f32],
        ratios: &[f32],
        inside: &std::ops::Range<usize>,
        outside: &std::ops::Range<usize>,
    ) -> Self {
        let told = |segment: usize| {
            let [cloth, mat] = [inside, outside].map(|range| hues(profiles, gate, ratios, segment, range));
            let told = Told::between(&Hue::of(&cloth)?, &Hue::of(&mat)?);
            let wrong = |hues: &[([f32; 2], f32)], sign: f32| {
                let wrong = hues.iter().filter(|(hue, _)| sign * told.by(*hue) < 0.0).count();
                wrong as f32 / hues.len() as f32
            };
            (wrong(&cloth, 1.0).max(wrong(&mat, -1.0)) <= LARGEST_WRONG).then_some(told)
        };
        Self { segments: (0..profiles.count().div_ceil(SHARED_POINTS)).into_par_iter().map(told).collect() }
    }

    /// Adds what hue says to the log ratios of cloth over background that are unclear.
    pub(crate) fn add(&self, profiles: &Profiles, gate: &[f32], ratios: &mut [f32]) {
        let len = profiles.len;
        let rows = ratios.par_chunks_mut(len).zip(gate.par_chunks(len)).enumerate().with_min_len(64);
        rows.for_each(|(i, (ratios, gate))| {
            let Some(told) = &self.segments[i / SHARED_POINTS] else { return };
            for ((ratio, gate), seen) in ratios.iter_mut().zip(gate).zip(profiles.seen(i)) {
                let weight = gate * (1.0 - ratio.abs() / CLEAR).max(0.0);
                if weight > 0.0 {
                    *ratio += SHARE * weight * told.by(hue(*seen)).clamp(-CLIP, CLIP);
                }
            }
        });
    }
}

/// Red and blue over green, in units of the brightness.
fn hue(v: [f32; 3]) -> [f32; 2] {
    let level = level(v);
    [(v[0] - v[1]) / level, (v[2] - v[1]) / level]
}

fn level(v: [f32; 3]) -> f32 {
    (v[0] + v[1] + v[2] + 18.0) / 3.0
}

/// A side's hue: middle and deviation of both its coordinates.
#[derive(Debug, Clone, Copy)]
struct Hue {
    middle: [f32; 2],
    deviation: [f32; 2],
}

impl Hue {
    fn of(hues: &[([f32; 2], f32)]) -> Option<Self> {
        if hues.len() < ENOUGH {
            return None;
        }
        let least = LEVELS / median(hues.iter().map(|h| h.1));
        let of = |c: usize| {
            let middle = median(hues.iter().map(|h| h.0[c]));
            // 1.4826 times the middle deviation is a normal law's own.
            (middle, (1.4826 * median(hues.iter().map(|h| (h.0[c] - middle).abs()))).max(least))
        };
        let [red, blue] = [of(0), of(1)];
        Some(Self { middle: [red.0, blue.0], deviation: [red.1, blue.1] })
    }
}

/// The law by which a hue speaks for cloth or for mat: Student's, with either side's middle and deviation.
#[derive(Debug, Clone, Copy)]
struct Told {
    cloth: Hue,
    mat: Hue,
    /// How far either coordinate is to be heard.
    weight: [f32; 2],
    /// What the wider of two laws loses everywhere: the log ratio of the deviations.
    wider: [f32; 2],
}

impl Told {
    /// Both sides' hues, as even as their difference lets them be known.
    fn between(cloth: &Hue, mat: &Hue) -> Self {
        let apart: [f32; 2] = std::array::from_fn(|c| (cloth.middle[c] - mat.middle[c]).abs());
        let known = |hue: &Hue| Hue {
            deviation: std::array::from_fn(|c| hue.deviation[c].max(OF_DIFFERENCE * apart[c])),
            ..*hue
        };
        let (cloth, mat) = (known(cloth), known(mat));
        let weight = std::array::from_fn(|c| {
            let share = 2.0 * apart[c] / (cloth.deviation[c] + mat.deviation[c]);
            ((share - APART.0) / (APART.1 - APART.0)).clamp(0.0, 1.0)
        });
        let wider = std::array::from_fn(|c| (mat.deviation[c] / cloth.deviation[c]).ln());
        Self { cloth, mat, weight, wider }
    }

    /// Log ratio of cloth over mat by hue alone.
    fn by(&self, hue: [f32; 2]) -> f32 {
        let away2 = |side: &Hue, c: usize| ((hue[c] - side.middle[c]) / side.deviation[c]).powi(2);
        let coordinate = |c: usize| {
            let ratio = (FREEDOM + away2(&self.mat, c)) / (FREEDOM + away2(&self.cloth, c));
            self.weight[c] * (self.wider[c] + 0.5 * (FREEDOM + 1.0) * ratio.ln())
        };
        (0..2).filter(|c| self.weight[*c] > 0.0).map(coordinate).sum()
    }
}

/// Hues and levels of the unclear samples of a range about a segment, off the printed lines.
fn hues(
    profiles: &Profiles,
    gate: &[f32],
    ratios: &[f32],
    segment: usize,
    range: &std::ops::Range<usize>,
) -> Vec<([f32; 2], f32)> {
    let n = profiles.count();
    let middle = segment * SHARED_POINTS + SHARED_POINTS / 2;
    let around = (0..=2 * REACH_POINTS).map(|k| (middle + n + k - REACH_POINTS.min(n)) % n);
    let step = ((2 * REACH_POINTS + 1) * range.len() / SAMPLES).max(1);
    around
        .flat_map(|i| range.clone().map(move |j| (i, j)))
        .step_by(step)
        .filter(|(i, j)| gate[i * profiles.len + j] > 0.0 && ratios[i * profiles.len + j].abs() < CLEAR)
        .map(|(i, j)| profiles.seen(i)[j])
        .map(|seen| (hue(seen), level(seen)))
        .collect()
}

fn median(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    let half = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(half, f32::total_cmp).1 }
}
