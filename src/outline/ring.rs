//! What lies just inside and just outside the edge, read along the outline: the cloth's colours here,
//! the light on the mat here, and whatever else than the mat there is.

use rayon::prelude::*;

use super::crossing;
use super::profiles::Profiles;
use crate::garment::{Garment, Palette};

/// Where the background is read, mm outside the curve.
pub(crate) const OUTSIDE_MM: (f64, f64) = (4.0, 8.0);

/// Where what lies beside the edge is read, mm outside it.
pub(super) const BESIDE_MM: (f64, f64) = (1.8, 3.5);

/// Points either way over which the mat's light is pooled (about 40 mm in all).
const LIGHT_POINTS: usize = 20;
/// Every so many of them.
const LIGHT_STEP: usize = 4;

/// Points that share one palette, and points either way it is learnt from.
const PALETTE_POINTS: usize = 24;
const PALETTE_REACH: usize = 40;

/// Colours of a local palette.
const COLOURS: usize = 6;

/// Pixels a local palette is learnt from, about.
const PALETTE_PIXELS: usize = 200;

/// The surroundings of every point.
pub(crate) struct Ring {
    /// Light on the mat over the predicted one, per point and channel.
    pub gain: Vec<[f32; 3]>,
    /// Points outside which something else than the mat lies.
    pub strange: Vec<bool>,
    cloth: Vec<Palette>,
    other: Vec<Palette>,
}

impl Ring {
    /// Reads the ring; `inside_mm` (near, far) is where the cloth is read, as
    /// distances inside the curve (`None` while the curve is not to be trusted that far).
    pub(crate) fn read(profiles: &Profiles, garment: &Garment, inside_mm: Option<(f64, f64)>) -> Self {
        let outside = profiles.range(OUTSIDE_MM.0, OUTSIDE_MM.1);
        let n = profiles.count();
        let points = || (0..n).into_par_iter().with_min_len(128);
        let ratios: Vec<Vec<[f32; 3]>> = points().map(|i| light_ratios(profiles, i, outside.clone())).collect();
        let middles = |r: &[[f32; 3]]| std::array::from_fn(|c| middle(r.iter().map(|v| v[c])));
        let strange: Vec<bool> = points().map(|i| !like_mat(middles(&ratios[i]), garment.mat.spread())).collect();
        // Pooled over many points, it is the same for neighbours.
        let pooled: Vec<[f32; 3]> = (0..n.div_ceil(LIGHT_STEP))
            .into_par_iter()
            .map(|k| pooled_gain(&ratios, &strange, (k * LIGHT_STEP + LIGHT_STEP / 2).min(n - 1)))
            .collect();
        let gain = (0..n).map(|i| pooled[i / LIGHT_STEP]).collect();
        let strange = widened(&strange, 4);
        let inside = inside_mm.map(|(near, far)| profiles.range(-far, -near));
        let near = inside.map_or_else(Vec::new, |range| palettes(profiles, range, |_| true));
        let cloth = near.iter().map(|near| near.with_others_of(&garment.cloth)).collect();
        let other = palettes(profiles, outside, |i| strange[i]);
        Self { gain, strange, cloth, other }
    }

    /// Mat all round, in light known.
    #[cfg(test)]
    pub(crate) fn lit(gain: Vec<[f32; 3]>) -> Self {
        Self { strange: vec![false; gain.len()], gain, cloth: Vec::new(), other: Vec::new() }
    }

    /// Where something else than the mat lies outside and the mat has ended, puts what is seen there for it: it has neither
    /// the mat's colour nor its lines, which the prediction carries on beyond the rim.
    pub(crate) fn put_what_is_seen(&self, profiles: &mut Profiles, around_mm: &[f64], off_mat: impl Fn(usize) -> bool) {
        for i in (0..profiles.count()).filter(|i| self.strange[*i] && off_mat(*i)) {
            let outside = profiles.range(around_mm[i] + BESIDE_MM.0, around_mm[i] + BESIDE_MM.1);
            let Some(seen) = crossing::medians(&profiles.seen(i)[outside]) else { continue };
            profiles.put_ground(i, std::array::from_fn(|c| seen[c] / self.gain[i][c]));
        }
    }

    /// The cloth's colours near a point, or those of the `whole` cloth where none were read.
    pub(crate) fn cloth<'a>(&'a self, i: usize, whole: &'a Palette) -> &'a Palette {
        self.cloth.get(i / PALETTE_POINTS).filter(|p| !p.colours.is_empty()).unwrap_or(whole)
    }

    /// The colours of what lies outside near a point, where that is not the mat.
    pub(crate) fn other(&self, i: usize) -> Option<&Palette> {
        self.other.get(i / PALETTE_POINTS).filter(|p| self.strange[i] && !p.colours.is_empty())
    }
}

fn palettes(profiles: &Profiles, range: std::ops::Range<usize>, wanted: impl Fn(usize) -> bool + Sync) -> Vec<Palette> {
    let n = profiles.count();
    (0..n.div_ceil(PALETTE_POINTS))
        .into_par_iter()
        .map(|segment| {
            let middle = segment * PALETTE_POINTS + PALETTE_POINTS / 2;
            let around: Vec<usize> =
                (0..=2 * PALETTE_REACH).map(|k| (middle + n + k - PALETTE_REACH) % n).filter(|i| wanted(*i)).collect();
            let stride = (around.len() * range.len() / PALETTE_PIXELS).max(1);
            let all = around.iter().flat_map(|i| profiles.seen(*i)[range.clone()].iter());
            let pixels: Vec<[f32; 3]> = all.step_by(stride).copied().collect();
            Palette::learn(&pixels, COLOURS)
        })
        .collect()
}

fn light_ratios(profiles: &Profiles, i: usize, range: std::ops::Range<usize>) -> Vec<[f32; 3]> {
    let pairs = profiles.seen(i)[range.clone()].iter().zip(&profiles.expected(i)[range]);
    let step = (0.4 / profiles.step_mm).round().max(1.0) as usize;
    pairs.step_by(step).map(|(s, e)| std::array::from_fn(|c| (s[c] + 2.0) / (e[c] + 2.0))).collect()
}

/// Could a ratio of seen over expected colour be the mat in some light?
fn like_mat(ratio: [f32; 3], spread: [f32; 3]) -> bool {
    let log = ratio.map(f32::ln);
    let brightness = (log[0] + log[1] + log[2]) / 3.0;
    let open = 1.0 + 3.0 * (-brightness).max(0.0);
    let colour = |a: f32, s: f32| a.abs() < (4.0 * s).max(0.06) * open;
    brightness < (4.0 * spread[0]).max(0.08)
        && brightness > -0.9
        && colour(log[0] - log[1], spread[1])
        && colour(log[2] - log[1], spread[2])
}

fn middle(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    if values.is_empty() {
        return 1.0;
    }
    let half = values.len() / 2;
    *values.select_nth_unstable_by(half, f32::total_cmp).1
}

fn pooled_gain(ratios: &[Vec<[f32; 3]>], strange: &[bool], i: usize) -> [f32; 3] {
    let n = ratios.len();
    let around: Vec<usize> = (0..=2 * LIGHT_POINTS)
        .step_by(LIGHT_STEP)
        .map(|k| (i + n + k - LIGHT_POINTS) % n)
        .filter(|k| !strange[*k])
        .collect();
    if around.is_empty() {
        return [1.0; 3];
    }
    std::array::from_fn(|c| middle(around.iter().flat_map(|k| ratios[*k].iter().map(|r| r[c]))).clamp(0.25, 1.3))
}

fn widened(marks: &[bool], by: usize) -> Vec<bool> {
    let n = marks.len();
    (0..n).map(|i| (0..=2 * by).any(|k| marks[(i + n + k - by) % n])).collect()
}
