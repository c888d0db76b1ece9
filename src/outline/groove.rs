//! The edge between cloth and mat that look alike: the groove between them.
//!
//! The cloth's rim turns away from the light towards its widest contour, and the mat beside it lies in its shadow:
//! brightness falls towards the edge from both sides. Which side falls the faster depends on the light and on which of
//! the two is the brighter; the edge is taken between the half-way points of both flanks, nearer the steeper one.

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
const GROOVE_DOUBT_MM: f64 = 1.0;
const NO_GROOVE_DOUBT_MM: f64 = 2.0;

/// Profiles either way that are pooled.
const POOLED: usize = 4;

/// The edge by its groove, mm along each profile that is `alike` on both sides, where there is one.
pub(crate) fn find(profiles: &Profiles, gain: &[[f32; 3]], around_mm: &[f64], alike: &[bool]) -> Vec<Option<f64>> {
    let n = profiles.count();
    let relative: Vec<Vec<f32>> = (0..n).into_par_iter().map(|i| brightness(profiles, i, gain[i])).collect();
    (0..n)
        .into_par_iter()
        .map(|i| {
            if !alike[i] {
                return None;
            }
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
pub(crate) fn doubt(grooves: &[Option<f64>], alike: &[bool], doubts: &mut [Doubt]) {
    let found = grooves.iter().flatten().count();
    let looks_alike = found as f64 > LOOKS_ALIKE * grooves.len() as f64;
    for ((doubt, groove), _) in doubts.iter_mut().zip(grooves).zip(alike).filter(|(_, alike)| **alike) {
        if groove.is_some() {
            doubt.mm = doubt.mm.max(GROOVE_DOUBT_MM);
        } else if looks_alike {
            doubt.mm = doubt.mm.max(NO_GROOVE_DOUBT_MM);
            doubt.seen = false;
        }
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
    let reach = (FLANK_MM / profiles.step_mm).round() as usize;
    let search = profiles.range(around_mm - SEARCH_MM, around_mm + SEARCH_MM);
    let lowest = |j: &usize| {
        let near = &pooled[j.saturating_sub(2)..(j + 3).min(pooled.len())];
        near.iter().all(|v| *v >= pooled[*j])
    };
    let flanks = |j: usize| {
        let inner: Vec<f32> = pooled[j.saturating_sub(reach)..=j].iter().rev().copied().collect();
        [Flank::of(&inner), Flank::of(&pooled[j..(j + reach + 1).min(pooled.len())])]
    };
    let counted = |f: &[Flank; 2]| f[0].rise + f[1].rise;
    let grooves = search.filter(lowest).map(|j| (j, flanks(j)));
    let (low, [inner, outer]) = grooves.max_by(|a, b| counted(&a.1).total_cmp(&counted(&b.1)))?;
    if outer.rise < LEAST_RISE.max(NOISE_DEVIATIONS * noise) {
        return None;
    }
    Some(profiles.offset(low) + between(&inner, &outer) * profiles.step_mm)
}

/// Where the edge lies between the half-way points of both flanks, samples outwards of the lowest place.
///
/// Shade changes slowly, cloth to mat at once: the steeper a flank, the more it is the edge itself.
fn between(inner: &Flank, outer: &Flank) -> f64 {
    let (a, b) = (f64::from(inner.steepest.powi(2)), f64::from(outer.steepest.powi(2)));
    (b * outer.half_way - a * inner.half_way) / (a + b).max(1e-12)
}

/// A groove's side, read from its lowest place on.
struct Flank {
    /// Rise over the lowest place, log brightness.
    rise: f32,
    /// Steepest rise over two samples.
    steepest: f32,
    /// Where half the rise is reached, samples from the lowest place.
    half_way: f64,
}

impl Flank {
    fn of(values: &[f32]) -> Self {
        let lowest = values.first().copied().unwrap_or(0.0);
        let rise = values.iter().copied().fold(lowest, f32::max) - lowest;
        let steepest = values.windows(3).map(|w| w[2] - w[0]).fold(0.0, f32::max);
        let half = lowest + 0.5 * rise;
        let above = values.iter().position(|v| *v >= half).unwrap_or(0).max(1);
        let half_way = match values.get(above - 1..=above) {
            Some([a, b]) if b > a => (above - 1) as f64 + f64::from((half - a) / (b - a)).clamp(0.0, 1.0),
            _ => 0.0,
        };
        Self { rise, steepest, half_way }
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
            photographed: false,
        }
    }

    /// Log brightness about an edge at `at_mm`: shade of a depth and a reach (mm) on either side of it, seen through a
    /// blur of 0.15 mm.
    fn profile(at_mm: f64, cloth: (f64, f64), mat: (f64, f64)) -> Vec<f32> {
        let shade = |x: f64| {
            let (depth, reach) = if x < at_mm { cloth } else { mat };
            -depth * (-(x - at_mm).abs() / reach).exp()
        };
        let blurred = |x: f64| {
            let taps = (-30..=30).map(|k| f64::from(k) * 0.02);
            let weighed = taps.map(|d| ((-0.5 * (d / 0.15_f64).powi(2)).exp(), shade(x + d)));
            let (sum, of) = weighed.fold((0.0, 0.0), |(s, v), (w, y)| (s + w, v + w * y));
            of / sum
        };
        (0..LEN).map(|j| blurred(-5.0 + j as f64 * STEP_MM) as f32).collect()
    }

    /// Light from either side, shade of the rim and of the mat as deep or not: the formation model of the module's own
    /// words, so this tells whether the rule does what is said, not whether cloth is like that (the sample photos do).
    #[test]
    fn the_edge_is_found_whichever_side_lies_in_shade() {
        for (cloth, mat) in
            [((0.3, 0.4), (0.3, 0.4)), ((0.3, 0.25), (0.12, 1.2)), ((0.12, 1.2), (0.3, 0.25)), ((0.5, 0.3), (0.2, 0.8))]
        {
            for at in [-0.33, 0.0, 0.27] {
                let found = edge(&profiles(), &profile(at, cloth, mat), 0.0, 0.0).expect("a groove");
                assert!((found - at).abs() < 0.25, "{cloth:?} {mat:?}: {found:.3} for {at}");
            }
        }
    }

    #[test]
    fn a_mirrored_groove_is_found_in_its_mirror() {
        let pooled = profile(0.2, (0.3, 0.25), (0.12, 1.2));
        let mirrored: Vec<f32> = pooled.iter().rev().copied().collect();
        let [a, b] = [&pooled, &mirrored].map(|p| edge(&profiles(), p, 0.0, 0.0).expect("a groove"));
        assert!((a + b).abs() < 1e-6, "{a} {b}");
    }

    #[test]
    fn an_even_profile_and_one_that_only_falls_have_no_groove() {
        assert_eq!(edge(&profiles(), &[0.0; LEN], 0.0, 0.0), None);
        let falling: Vec<f32> = (0..LEN).map(|j| -0.01 * j as f32).collect();
        assert_eq!(edge(&profiles(), &falling, 0.0, 0.0), None);
    }

    #[test]
    fn where_cloth_and_mat_differ_no_groove_is_looked_for() {
        let mut pooled = profile(0.0, (0.3, 0.4), (0.3, 0.4));
        pooled[..40].iter_mut().for_each(|v| *v -= 1.0);
        assert_eq!(edge(&profiles(), &pooled, 0.0, 0.0), None);
    }
}
