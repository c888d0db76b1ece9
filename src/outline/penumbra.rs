//! Where the path runs along a shadow's soft rim instead of an edge.
//!
//! No edge of cloth is softer than the photo, but a shadow's outer rim is: the lamp is as wide as it is. Brightness that
//! rises outwards over several millimetres, without a step in it, is mat that comes out of the cloth's own shadow, if what
//! lies between it and the next edge farther in is of the mat's hue.

use rayon::prelude::*;

use super::groove;
use super::profiles::Profiles;
use super::ring::Ring;
use crate::garment::appearance::{Departure, log_from_gamma, median};

/// How far the rise is read, mm from the path either way; the lengths over which a step in it is looked for, and the largest
/// share of the rise that a soft rim has over each: noise makes short steps, an edge out of focus is a long one.
const RISE_MM: (f64, f64) = (1.5, 3.0);
const STEPS: [(f64, f32); 2] = [(0.5, 0.5), (1.4, 0.6)];

/// Pixels that the longer of these holds at least: an edge is soft over two of them in itself.
const LEAST_PX: f64 = 2.5;

/// Least rise, log brightness.
const LEAST_RISE: f32 = 0.05;

/// Two edges lie so far apart at least, mm, and a rim so far from the edge.
const APART_MM: f64 = 1.0;
const LEAST_IN_MM: f64 = 1.0;

/// What passing a sharp edge on the way in costs, in its own worth: a stripe within may be far the clearer of the two.
const PASSED: f32 = 3.0;

/// What an edge shows at least, from which the path is not along a rim, and from which it is believed to lie farther in.
const EDGE_SHOWN: (f32, f32) = (0.4, 1.0);

/// How far a shadow's hue may lie off the mat's, log units: a least, and so much of its depth, for other light than the
/// lamp's colours it (a blue sky by a fifth, in drawn and path-traced scenes; cloth taken for shade lies off by over 0.4).
const FREE_HUE: (f32, f32) = (0.02, 0.35);

/// What is not read beside an edge, mm.
const BORDER_MM: f64 = 0.3;

/// Points either way whose brightness is pooled, over which softness and hue are judged, and over which so many must agree.
const POOLED: usize = 3;
const ALONG: usize = 6;
const AGREEING: (usize, usize) = (5, 5);

/// The places of a path at which it runs along a soft rim.
pub(crate) struct Rims<'a> {
    profiles: &'a Profiles,
    ring: &'a Ring,
    at: Vec<usize>,
    /// One for every profile.
    pub soft: Vec<bool>,
}

impl<'a> Rims<'a> {
    /// The places of a path (samples of the profiles) amid a soft rise of brightness outwards; none in a photo so coarse that
    /// every edge is soft.
    pub(crate) fn along(profiles: &'a Profiles, ring: &'a Ring, at: &[usize]) -> Self {
        let n = profiles.count();
        if LEAST_PX * profiles.pixel_mm > STEPS[1].0 {
            return Self { profiles, ring, at: at.to_vec(), soft: vec![false; n] };
        }
        let points = || (0..n).into_par_iter().with_min_len(64);
        let beside: Vec<Option<Vec<f32>>> = points().map(|i| brightness_beside(profiles, ring, i, at[i])).collect();
        let steepest: Vec<f32> = points()
            .map(|i| {
                let rows: Vec<&Vec<f32>> = around(i, POOLED, n).filter_map(|k| beside[k].as_ref()).collect();
                let len = rows.first().map_or(0, |row| row.len());
                let mean = |j: usize| rows.iter().map(|row| row[j]).sum::<f32>() / rows.len() as f32;
                steepness(&(0..len).map(mean).collect::<Vec<f32>>(), profiles.step_mm)
            })
            .collect();
        let soft = points().map(|i| median_of(around(i, ALONG, n).map(|k| steepest[k])) < 1.0).collect();
        Self { profiles, ring, at: at.to_vec(), soft }
    }

    pub(crate) fn are_none(&self) -> bool {
        !self.soft.contains(&true)
    }

    /// Leaves out the places at which an edge shows, of hue perhaps; `sharp` says how much of one every sample shows.
    pub(crate) fn leave_out_edges(&mut self, sharp: &[f32]) {
        let n = self.at.len();
        let shown = self.shown(sharp, &self.at);
        for (i, soft) in self.soft.iter_mut().enumerate().filter(|(_, soft)| **soft) {
            *soft = median_of(around(i, ALONG, n).map(|k| shown[k])) < EDGE_SHOWN.0;
        }
    }

    /// The sharpest that shows near the samples of a path.
    fn shown(&self, sharp: &[f32], at: &[usize]) -> Vec<f32> {
        let len = self.profiles.len;
        let near = samples(APART_MM, self.profiles.step_mm);
        let shown = |(row, at): (&[f32], &usize)| {
            row[at.saturating_sub(near)..(at + near + 1).min(len)].iter().copied().fold(0.0, f32::max)
        };
        sharp.chunks(len).zip(at).map(shown).collect()
    }

    /// What an edge at every sample costs where it is not to be soft: less the sharper it shows, more the sharper another
    /// does between it and the path, for there is none in a shadow.
    pub(crate) fn costs(&self, sharp: &[f32]) -> Vec<f32> {
        let len = self.profiles.len;
        let apart = samples(APART_MM, self.profiles.step_mm);
        let mut costs = vec![0f32; sharp.len()];
        for ((costs, sharp), at) in costs.chunks_mut(len).zip(sharp.chunks(len)).zip(&self.at) {
            let mut passed = 0f32;
            for (j, cost) in costs.iter_mut().enumerate().rev() {
                if j + apart <= *at {
                    passed = passed.max(sharp[j + apart]);
                }
                *cost = PASSED * passed - sharp[j];
            }
        }
        costs
    }

    /// Keeps the places from where shade leads to an edge farther in, found at the samples `inner`.
    pub(crate) fn keep_those_of_shade(&mut self, sharp: &[f32], inner: &[usize]) {
        let n = self.at.len();
        let shown = self.shown(sharp, inner);
        let is_edge = |i: usize| median_of(around(i, ALONG, n).map(|k| shown[k])) > EDGE_SHOWN.1;
        let least = samples(LEAST_IN_MM, self.profiles.step_mm);
        let farther: Vec<bool> = (0..n).map(|i| self.soft[i] && self.at[i] >= inner[i] + least).collect();
        let between: Vec<Option<[f32; 3]>> = (0..n).map(|i| self.between(i, inner[i])).collect();
        let agree = |i: usize| around(i, AGREEING.0, n).filter(|k| farther[*k]).count() >= AGREEING.1;
        let is_shade = |i: usize| {
            let part = |c: usize| median_of(around(i, ALONG, n).filter_map(|k| between[k]).map(|b| b[c]));
            let free = FREE_HUE.0 - FREE_HUE.1 * part(0);
            part(0) < 0.0 && part(1).abs() < free && part(2).abs() < free
        };
        self.soft = (0..n).map(|i| self.soft[i] && agree(i) && is_edge(i) && is_shade(i)).collect();
    }

    /// Mean brightness and hue over the lit bare mat's between a sample and the path, log units.
    fn between(&self, i: usize, inner: usize) -> Option<[f32; 3]> {
        let (seen, bare, gain) = (self.profiles.seen(i), self.profiles.expected(i), self.ring.gain[i]);
        let strip = inner + samples(BORDER_MM, self.profiles.step_mm)..self.at[i];
        let departure = |j: usize| {
            let lit = std::array::from_fn(|c| log_from_gamma(bare[j][c] * gain[c]));
            Departure::between(seen[j].map(log_from_gamma), lit).parts()
        };
        let count = strip.len() as f32;
        let sum = strip.map(departure).reduce(|sum, d| std::array::from_fn(|c| sum[c] + d[c]))?;
        Some(sum.map(|s| s / count))
    }
}

/// The points up to `reach` from one, on a closed curve of `n`.
fn around(i: usize, reach: usize, n: usize) -> impl Iterator<Item = usize> {
    (0..=2 * reach).map(move |k| (i + n + k - reach.min(n)) % n)
}

fn median_of(values: impl Iterator<Item = f32>) -> f32 {
    median(&mut values.collect::<Vec<f32>>())
}

fn samples(mm: f64, step_mm: f64) -> usize {
    ((mm / step_mm).round() as usize).max(1)
}

/// Log brightness over the bare mat's as far as [`RISE_MM`] to either side of the path; `None` where the profile ends before.
fn brightness_beside(profiles: &Profiles, ring: &Ring, i: usize, at: usize) -> Option<Vec<f32>> {
    let far = samples(RISE_MM.1, profiles.step_mm);
    let bright = |j: usize| groove::brightness(profiles, i, j, ring.gain[i]).max(0.01).ln();
    (at >= far && at + far < profiles.len).then(|| (at - far..=at + far).map(bright).collect())
}

/// The steepest part of the rise over the most that a soft rim has: over 1 for an edge; infinite where brightness does not
/// rise.
fn steepness(bright: &[f32], step_mm: f64) -> f32 {
    let (near, far) = (samples(RISE_MM.0, step_mm), samples(RISE_MM.1, step_mm));
    if bright.len() < 2 * far + 1 {
        return f32::INFINITY;
    }
    let mean = |from: usize, to: usize| bright[from..=to].iter().sum::<f32>() / (to + 1 - from) as f32;
    let rise = mean(far + near, 2 * far) - mean(0, far - near);
    if rise < LEAST_RISE {
        return f32::INFINITY;
    }
    let steepest = |length_mm: f64| {
        let half = samples(0.5 * length_mm, step_mm);
        let rises = (far - near..=far + near).map(|j| mean(j + 1, j + half) - mean(j - half, j - 1));
        rises.fold(f32::NEG_INFINITY, f32::max) / rise
    };
    STEPS.map(|(length_mm, most)| steepest(length_mm) / most).into_iter().fold(0.0, f32::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    const STEP_MM: f64 = 0.1;
    const N: usize = 120;

    /// Profiles from 9 mm inside to 8 mm outside of a straight edge at 0: cloth of a colour, mat of 160 in a shadow of a depth
    /// (log) that fades out between two distances, of the mat's hue but for a tint.
    fn scene(cloth: [f32; 3], shadow: (f32, f64, f64), tint: f32) -> (Profiles, Ring) {
        let len = 171;
        let at = |x: f64| -> [f32; 3] {
            let depth = shadow.0 * (1.0 - ((x - shadow.1) / (shadow.2 - shadow.1)).clamp(0.0, 1.0)) as f32;
            let shade = [-depth, -depth, -depth + tint * depth].map(|d| (160.0 + 6.0) * d.exp() - 6.0);
            // Seen through the blur of a pixel.
            let t = ((x / 0.3) + 0.5).clamp(0.0, 1.0) as f32;
            std::array::from_fn(|c| cloth[c] + t * (shade[c] - cloth[c]))
        };
        let mut random = Random(3);
        let mut noisy = |v: f32| v + 4.0 * (random.unit() as f32 - 0.5);
        let row: Vec<[f32; 3]> = (0..len).map(|j| at(-9.0 + f64::from(j) * STEP_MM)).collect();
        let len = len as usize;
        let seen = (0..N).flat_map(|_| row.iter().map(|v| v.map(&mut noisy)).collect::<Vec<_>>()).collect();
        let profiles = Profiles {
            first_mm: -9.0,
            step_mm: STEP_MM,
            len,
            pixel_mm: 0.35,
            seen,
            expected: vec![[160.0; 3]; N * len],
            ground: vec![[160.0; 3]; N],
            tones: false,
        };
        (profiles, Ring::lit(vec![[1.0; 3]; N]))
    }

    /// Where the rim along `path_mm` leads, mm; `None` where it is none.
    fn led_to((profiles, ring): &(Profiles, Ring), path_mm: f64) -> Option<f64> {
        let sample = |mm: f64| ((mm - profiles.first_mm) / profiles.step_mm).round() as usize;
        let sharp = super::super::lead::sharp(profiles, ring, &vec![1.0; N * profiles.len]);
        let mut rims = Rims::along(profiles, ring, &[sample(path_mm); N]);
        rims.leave_out_edges(&sharp);
        let costs = rims.costs(&sharp);
        // The path is stiff: many rows tell together.
        let cost = |j: &usize| (40..80).map(|i| costs[i * profiles.len + j]).sum::<f32>();
        let inner = (sample(-8.0)..sample(7.0)).min_by(|a, b| cost(a).total_cmp(&cost(b))).expect("samples");
        rims.keep_those_of_shade(&sharp, &[inner; N]);
        rims.soft[60].then(|| profiles.offset(inner))
    }

    #[test]
    fn a_soft_rim_leads_in_to_the_edge_and_an_edge_stays() {
        let grey = [120.0; 3];
        let shadowed = scene(grey, (0.4, 2.0, 6.0), 0.1);
        for rim in [3.0, 4.0, 4.5] {
            let found = led_to(&shadowed, rim).expect("a rim");
            assert!(found.abs() < 0.3, "{rim}: {found}");
        }
        assert_eq!(led_to(&shadowed, 0.0), None);
        // Hardly a shadow at all.
        assert_eq!(led_to(&scene(grey, (0.02, 2.0, 6.0), 0.0), 4.0), None);
    }

    #[test]
    fn in_a_coarse_photo_nothing_is_a_rim() {
        let (mut profiles, ring) = scene([120.0; 3], (0.4, 2.0, 6.0), 0.1);
        profiles.pixel_mm = 0.7;
        assert_eq!(led_to(&(profiles, ring), 4.0), None);
    }

    #[test]
    fn what_is_not_of_the_mats_hue_is_no_shade() {
        assert!(led_to(&scene([120.0; 3], (0.4, 2.0, 6.0), 0.25), 4.0).is_some());
        assert_eq!(led_to(&scene([120.0; 3], (0.4, 2.0, 6.0), 0.6), 4.0), None);
    }

    #[test]
    fn the_first_edge_on_the_way_in_is_taken_and_no_clearer_one_behind_it() {
        let (mut profiles, ring) = scene([118.0; 3], (0.4, 2.0, 6.0), 0.0);
        // A stripe of a strong colour along the edge, 4 mm inside it.
        let stripe = profiles.range(-7.0, -4.0);
        for row in profiles.seen.chunks_mut(profiles.len) {
            row[stripe.clone()].fill([200.0, 20.0, 60.0]);
        }
        let found = led_to(&(profiles, ring), 4.0).expect("a rim");
        assert!(found.abs() < 0.3, "{found}");
    }
}
