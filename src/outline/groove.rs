//! The groove between cloth and mat, and where in it the edge lies.
//!
//! The cloth's rim turns away from the light towards its widest contour, and the mat beside it lies in its shadow:
//! brightness falls towards the edge from both sides. One flank is the step from cloth to mat, the other is shade on one
//! of the two, and where both are alike the edge lies amid the dark. So it is taken between the half-way points of both
//! flanks, each weighed by how deep the groove is under that side.

use std::ops::Range;

use rayon::prelude::*;

use super::blur::Blur;
use super::crossing::{Crossing, line_contrast};
use super::doubt::Doubt;
use super::profiles::Profiles;

/// Distance from the change-point within which the groove is looked for, and the standard deviation of that distance
/// by which one is preferred to another, mm.
const SEARCH_MM: f64 = 1.5;
const NEAR_MM: f64 = 0.65;

/// Neighbours' change-points lie this far aside at most, but for a few, mm.
const ASIDE_MM: f64 = 0.5;

/// Distance of the darkest place within which cloth and mat are reached, mm.
const FLANK_MM: f64 = 0.7;

/// Least rise (log brightness), and how many of the pooled noise's deviations it must be.
const LEAST_RISE: f32 = 0.035;
const NOISE_DEVIATIONS: f32 = 3.0;

/// Where the cloth's and the mat's own brightness are read, mm from the change-point, and the least depth of the groove
/// under either, log brightness.
const INSIDE_MM: (f64, f64) = (-3.2, -1.4);
const OUTSIDE_MM: (f64, f64) = (1.8, 3.5);
const LEAST_DEPTH: f64 = 0.01;

/// Log depth from which a groove is a shadow: the brightness of either side is then the mean of the flank's top and of
/// what lies beyond it, in a shallower one more of the flank's.
const SHADOW_DEPTH: f64 = 0.4;

/// Every so many samples of a side are read.
const SIDE_STEP: usize = 2;

/// Share of the outline with a groove from which cloth and mat look alike, and the least doubts then, mm.
const LOOKS_ALIKE: f64 = 0.3;
const GROOVE_DOUBT_MM: f64 = 1.0;
const NO_GROOVE_DOUBT_MM: f64 = 2.0;

/// A run of grooves is even where each lies so near to the next, mm, over so many points.
const EVEN_MM: f64 = 0.3;
const EVEN_POINTS: usize = 28;
const HIDDEN_POINTS: usize = 3;

/// Log brightness of cloth over mat from which the half-way crossing joins in, and tells alone: bright cloth stands out
/// from its own shadow.
const BRIGHTER: (f64, f64) = (0.4, 0.8);

/// Points either way, every so many of them, over which that is judged.
const ALONG: usize = 6;
const STRIDE: usize = 3;

/// Profiles either way that are pooled.
const POOLED: usize = 4;

/// An edge by its groove.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Groove {
    pub crossing: Crossing,
    /// How much brighter the cloth is than the mat: 0 where the groove alone tells the edge, 1 where the half-way
    /// crossing does.
    pub brighter: f64,
}

/// The groove near the change-point of every profile, where there is one.
pub(crate) fn find(profiles: &Profiles, gain: &[[f32; 3]], around_mm: &[f64], blur: &Blur) -> Vec<Option<Groove>> {
    let n = profiles.count();
    let points = || (0..n).into_par_iter().with_min_len(64);
    let sides: Vec<Sides> = points().map(|i| Sides::read(profiles, i, gain[i], around_mm[i])).collect();
    // About a corner either side's window holds some of both; what lies along the edge tells more.
    let brighter: Vec<f64> = sides.iter().map(Sides::brighter).collect();
    let brighter = along(&brighter);
    let told = |i: usize| brighter[i] < 1.0;
    let neighbour = |i: usize, k: usize| (i + n + k - POOLED.min(n)) % n;
    let reach_mm = SEARCH_MM + FLANK_MM * blur.times;
    let relative: Vec<Relative> = points()
        .map(|i| {
            let wanted = (0..=2 * POOLED).any(|k| told(neighbour(i, k)));
            let reach_mm = if wanted { reach_mm + ASIDE_MM } else { 0.0 };
            Relative::read(profiles, i, gain[i], profiles.range(around_mm[i] - reach_mm, around_mm[i] + reach_mm))
        })
        .collect();
    let at = |i: usize, j: usize| relative[i].at(j).unwrap_or_else(|| brightness(profiles, i, j, gain[i]));
    points()
        .map(|i| {
            if !told(i) {
                return None;
            }
            let sides = &sides[i];
            let range = profiles.range(around_mm[i] - reach_mm, around_mm[i] + reach_mm);
            let together = |j: usize| {
                let mut values: [f32; 2 * POOLED + 1] = std::array::from_fn(|k| at(neighbour(i, k), j));
                *values.select_nth_unstable_by(POOLED, f32::total_cmp).1
            };
            let pooled = Pooled {
                first_mm: profiles.offset(range.start),
                step_mm: profiles.step_mm,
                values: range.map(together).collect(),
                blur: *blur,
            };
            let (at_mm, width_mm) = pooled.edge(sides, around_mm[i])?;
            let crossing = Crossing { at_mm, width_mm, line: line_contrast(profiles, i, at_mm) };
            Some(Groove { crossing, brighter: brighter[i] })
        })
        .collect()
}

/// A profile's brightness over the bare mat's, near its change-point.
struct Relative {
    from: usize,
    values: Vec<f32>,
}

impl Relative {
    fn read(profiles: &Profiles, i: usize, gain: [f32; 3], range: Range<usize>) -> Self {
        Self { from: range.start, values: range.map(|j| brightness(profiles, i, j, gain)).collect() }
    }

    /// At a sample; `None` where it was not read.
    fn at(&self, j: usize) -> Option<f32> {
        self.values.get(j.checked_sub(self.from)?).copied()
    }
}

/// The middle of every value's neighbours along the outline.
pub(crate) fn along(values: &[f64]) -> Vec<f64> {
    let n = values.len();
    let near = |i: usize| (0..=2 * ALONG).map(move |k| (i + n + k * STRIDE - (ALONG * STRIDE).min(n)) % n);
    (0..n).map(|i| f64::from(middle(near(i).map(|k| values[k] as f32)))).collect()
}

/// What grooves say of the doubt where cloth and mat look alike: an edge along a long even groove is seen, though worth
/// less than a clear one; where there is none, and elsewhere are, it was not seen.
pub(crate) fn doubt(grooves: &[Option<Groove>], alike: &[bool], doubts: &mut [Doubt]) {
    let found = grooves.iter().flatten().count();
    let looks_alike = found as f64 > LOOKS_ALIKE * grooves.len() as f64;
    let even = even_runs(grooves);
    for (i, doubt) in doubts.iter_mut().enumerate().filter(|(i, _)| alike[*i]) {
        if even[i] {
            *doubt = Doubt { mm: GROOVE_DOUBT_MM, seen: true };
        } else if grooves[i].is_some() {
            doubt.mm = doubt.mm.max(GROOVE_DOUBT_MM);
        } else if looks_alike {
            doubt.mm = doubt.mm.max(NO_GROOVE_DOUBT_MM);
            doubt.seen = false;
        }
    }
}

/// The points on runs of at least [`EVEN_POINTS`] whose grooves lie beside their neighbours'.
fn even_runs(grooves: &[Option<Groove>]) -> Vec<bool> {
    let n = grooves.len();
    let at = |i: usize| grooves[i % n].map(|g| g.crossing.at_mm);
    // A printed line's end may hide the groove for a moment.
    let next = |i: usize| (1..=HIDDEN_POINTS + 1).find_map(|k| at(i + k));
    let last = |i: usize| (0..=HIDDEN_POINTS).find_map(|k| at(i + n - k));
    let joined = |i: usize| matches!((last(i), next(i)), (Some(a), Some(b)) if (a - b).abs() < EVEN_MM);
    let mut even = vec![false; n];
    let start = (0..n).find(|i| !joined(*i)).map_or(0, |i| i + 1);
    let mut k = 0;
    while k < n {
        let run = (k..n).take_while(|k| joined(start + k)).count();
        if run >= EVEN_POINTS {
            (k..=k + run).for_each(|k| even[(start + k) % n] = true);
        }
        k += run + 1;
    }
    even
}

/// Brightness (gamma) of a sample over that of the bare mat in the light of the place.
pub(super) fn brightness(profiles: &Profiles, i: usize, j: usize, gain: [f32; 3]) -> f32 {
    let (seen, bare) = (profiles.seen(i)[j], profiles.expected(i)[j]);
    let sum = |v: [f32; 3]| v[0] + v[1] + v[2] + 18.0;
    sum(seen) / sum(std::array::from_fn(|c| bare[c] * gain[c]))
}

fn middle(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.filter(|v| v.is_finite()).collect();
    let half = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(half, f32::total_cmp).1 }
}

/// What lies on either side of the groove: brightness over the bare mat's.
struct Sides {
    cloth: f32,
    mat: f32,
    /// Noise of a pooled value on the bare mat.
    noise: f32,
}

impl Sides {
    fn read(profiles: &Profiles, i: usize, gain: [f32; 3], around_mm: f64) -> Self {
        let within = |(from, to): (f64, f64)| -> Vec<f32> {
            let range = profiles.range(around_mm + from, around_mm + to);
            range.step_by(SIDE_STEP).map(|j| brightness(profiles, i, j, gain)).collect()
        };
        let cloth = middle(within(INSIDE_MM).into_iter());
        let outside = within(OUTSIDE_MM);
        let mat = middle(outside.iter().copied());
        // 1.4826 times the middle deviation is a normal law's own.
        let deviation = 1.4826 * middle(outside.iter().map(|v| (v - mat).abs()));
        Self { cloth, mat, noise: deviation / ((2 * POOLED + 1) as f32).sqrt() }
    }

    /// How much brighter the cloth is, 0 to 1 (see [`BRIGHTER`]).
    fn brighter(&self) -> f64 {
        let log = f64::from((self.cloth / self.mat.max(0.01)).max(0.01).ln());
        ((log - BRIGHTER.0) / (BRIGHTER.1 - BRIGHTER.0)).clamp(0.0, 1.0)
    }
}

/// Neighbouring profiles' middle values about a change-point.
struct Pooled {
    first_mm: f64,
    step_mm: f64,
    values: Vec<f32>,
    blur: Blur,
}

impl Pooled {
    /// Where the edge lies and how far apart the groove's flanks are, mm.
    fn edge(&self, sides: &Sides, around_mm: f64) -> Option<(f64, f32)> {
        let offset = |j: usize| self.first_mm + j as f64 * self.step_mm;
        let lowest = |j: &usize| {
            let near = &self.values[j.saturating_sub(2)..(j + 3).min(self.values.len())];
            near.iter().all(|v| *v >= self.values[*j])
        };
        let counted = |j: usize, [inner, outer]: &[Flank; 2]| {
            let away = (offset(j) - around_mm) / NEAR_MM;
            (inner.rise + outer.rise) * (-0.5 * away * away).exp() as f32
        };
        let searched = |j: &usize| (offset(*j) - around_mm).abs() <= SEARCH_MM;
        let grooves = (0..self.values.len()).filter(searched).filter(lowest).map(|j| (j, self.flanks(j)));
        let (low, [inner, outer]) = grooves.max_by(|a, b| counted(a.0, &a.1).total_cmp(&counted(b.0, &b.1)))?;
        let lowest = self.values[low].max(0.01);
        if inner.rise.min(outer.rise) < lowest * LEAST_RISE.max(NOISE_DEVIATIONS * sides.noise) {
            return None;
        }
        // A cast shadow reaches farther than the flank, the slight shade of a shallow groove belongs to it.
        let log_depth = f64::from((1.0 + inner.rise.max(outer.rise) / lowest).ln());
        let beyond = (0.5 * (log_depth / SHADOW_DEPTH).min(1.0)) as f32;
        let level = |side: f32, flank: &Flank| side.max(0.01).powf(beyond) * (lowest + flank.rise).powf(1.0 - beyond);
        let levels = [level(sides.cloth, &inner), level(sides.mat, &outer)];
        let depths = levels.map(|level| f64::from((level / lowest).max(0.01).ln()).max(LEAST_DEPTH));
        let at_mm = offset(low) + between(&inner, &outer, depths) * self.step_mm;
        Some((at_mm, ((inner.half_way + outer.half_way) * self.step_mm) as f32))
    }

    fn flanks(&self, low: usize) -> [Flank; 2] {
        let reach = (FLANK_MM * self.blur.times / self.step_mm).round() as usize;
        let inner: Vec<f32> = self.values[low.saturating_sub(reach)..=low].iter().rev().copied().collect();
        let outer = &self.values[low..(low + reach + 1).min(self.values.len())];
        [Flank::of(&inner, &self.blur), Flank::of(outer, &self.blur)]
    }
}

/// Where the edge lies between the half-way points of both flanks, samples outwards of the lowest place: the greater
/// step is cloth to mat itself, the smaller one shade on one of them.
fn between(inner: &Flank, outer: &Flank, depths: [f64; 2]) -> f64 {
    let [a, b] = depths.map(|d| d * d);
    (b * outer.half_way - a * inner.half_way) / (a + b)
}

/// A groove's side, read from its lowest place on.
struct Flank {
    /// Rise over the lowest place.
    rise: f32,
    /// Where half the rise is reached, samples from the lowest place.
    half_way: f64,
}

impl Flank {
    fn of(values: &[f32], blur: &Blur) -> Self {
        let lowest = values.first().copied().unwrap_or(0.0);
        let rise = values.iter().copied().fold(lowest, f32::max) - lowest;
        let half = blur.half_way(lowest + rise, lowest);
        let above = values.iter().position(|v| *v >= half).unwrap_or(0).max(1);
        let half_way = match values.get(above - 1..=above) {
            Some([a, b]) if b > a => (above - 1) as f64 + f64::from((half - a) / (b - a)).clamp(0.0, 1.0),
            _ => 0.0,
        };
        Self { rise, half_way }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_MM: f64 = 0.1;
    const LEN: usize = 101;

    fn profiles() -> Profiles {
        Profiles {
            first_mm: -5.0,
            step_mm: STEP_MM,
            len: LEN,
            pixel_mm: 0.35,
            seen: vec![[0.0; 3]; LEN],
            expected: vec![[0.0; 3]; LEN],
            ground: vec![[0.0; 3]],
            tones: false,
        }
    }

    /// Brightness about an edge at `at_mm`, seen through a blur of 0.15 mm: a level, and shade on it of a depth (share) and
    /// a reach (mm), for either side.
    fn profile(at_mm: f64, cloth: (f64, f64, f64), mat: (f64, f64, f64)) -> Vec<f32> {
        let bright = |x: f64| {
            let (level, depth, reach) = if x < at_mm { cloth } else { mat };
            level * (1.0 - depth * (-(x - at_mm).abs() / reach).exp())
        };
        let blurred = |x: f64| {
            let taps = (-30..=30).map(|k| f64::from(k) * 0.02);
            let weighed = taps.map(|d| ((-0.5 * (d / 0.15_f64).powi(2)).exp(), bright(x + d)));
            let (sum, of) = weighed.fold((0.0, 0.0), |(s, v), (w, y)| (s + w, v + w * y));
            of / sum
        };
        (0..LEN).map(|j| blurred(-5.0 + j as f64 * STEP_MM) as f32).collect()
    }

    /// Where the edge of a profile alone is found; its mat is of brightness 200.
    fn edge(values: &[f32]) -> Option<f64> {
        let at = |v: f32| [218.0 * v / 3.0 - 6.0; 3];
        let profiles = Profiles {
            seen: values.iter().map(|v| at(*v)).collect(),
            expected: vec![at(1.0); LEN],
            ground: vec![at(1.0)],
            ..profiles()
        };
        find(&profiles, &[[1.0; 3]], &[0.0], &Blur::SHARP)[0].map(|groove| groove.crossing.at_mm)
    }

    /// The formation model of the module's own words, so this tells whether the rule does what is said, not whether
    /// cloth is like that (the sample photos do): levels of cloth and mat, shade of a depth and a reach on either.
    #[test]
    fn the_edge_is_found_whichever_side_lies_in_shade() {
        let cases = [
            ((1.0, 0.3, 0.4), (1.0, 0.3, 0.4)),
            // Bright cloth, its rim turning dark; mat in a slight shade.
            ((1.3, 0.3, 0.2), (1.0, 0.1, 0.6)),
            // Dark cloth.
            ((0.5, 0.3, 0.4), (1.0, 0.05, 1.0)),
            ((0.7, 0.3, 0.3), (1.0, 0.1, 1.0)),
        ];
        for (cloth, mat) in cases {
            for at in [-0.33, 0.0, 0.27] {
                let found = edge(&profile(at, cloth, mat)).expect("a groove");
                assert!((found - at).abs() < 0.25, "{cloth:?} {mat:?}: {found:.3} for {at}");
            }
        }
    }

    #[test]
    fn an_even_groove_is_halved() {
        let even = (1.0, 0.3, 0.4);
        for at in [-0.4, 0.0, 0.2] {
            let found = edge(&profile(at, even, even)).expect("a groove");
            assert!((found - at).abs() < 0.02, "{found}");
        }
    }

    #[test]
    fn an_even_profile_and_one_that_only_falls_have_no_groove() {
        assert_eq!(edge(&[1.0; LEN]), None);
        let falling: Vec<f32> = (0..LEN).map(|j| 1.5 - 0.01 * j as f32).collect();
        assert_eq!(edge(&falling), None);
    }

    #[test]
    fn where_the_cloth_is_far_brighter_no_groove_is_looked_for() {
        assert_eq!(edge(&profile(0.0, (2.5, 0.3, 0.4), (1.0, 0.3, 0.4))), None);
    }
}
