//! How much the photo is smeared, read from the sharpest of the cloth's own edges.
//!
//! A lens out of focus or a large pixel spreads the edge in linear light. Where it spreads farther than the cloth's rounded
//! rim and its shade reach, the edge lies half way in linear light, and what stands for either side must be read from
//! farther away. In a sharp photo the rim's shade rules, and half way in gamma values serves better (found on the samples).

use rayon::prelude::*;

use super::crossing;
use super::profiles::Profiles;
use crate::garment::Palette;

/// Every so many profiles are read, in so many rounds: windows too near to a smeared edge see it too narrow.
const STRIDE: usize = 6;
const ROUNDS: usize = 4;

/// Of the widths the one that this share of them is narrower than: most edges are also soft in themselves.
const SHARPEST: f64 = 0.1;

/// Widths needed.
const ENOUGH: usize = 40;

/// Smear (standard deviation) of a sharp photo, mm or pixels, whichever is more; what lies beyond it widens the windows, by
/// this share of it.
const USUAL_MM: f64 = 0.18;
const USUAL_PX: f64 = 0.6;
const WINDOWS_SHARE: f64 = 0.8;

/// Pixels larger than this widen the windows likewise, mm.
const COARSE_MM: f64 = 0.4;

/// Largest widening: the profiles end at 5 mm.
const MOST_TIMES: f64 = 3.0;

/// Smear beyond the usual at which half way has moved to linear light, mm.
const LINEAR_MM: f64 = 0.9;

/// Exponent from gamma values to linear light, about that of sRGB (IEC 61966-2-1).
const LINEAR: f64 = 2.2;

/// 25 to 75 % of a Gaussian's step, in standard deviations.
const QUARTILES: f64 = 1.349;

/// The photo's smear at the cloth's edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Blur {
    /// Standard deviation, mm.
    pub sigma_mm: f64,
    /// By how much windows beside the edge are farther and wider than in a sharp photo.
    pub times: f64,
    /// Power of the gamma values in which the edge lies half way: 1 in a sharp photo.
    pub exponent: f32,
}

impl Blur {
    /// No smear to speak of, of pixels that are not coarse.
    #[cfg(test)]
    pub(crate) const SHARP: Self = Self { sigma_mm: 0.0, times: 1.0, exponent: 1.0 };

    pub(crate) fn of(sigma_mm: f64, pixel_mm: f64) -> Self {
        let usual_mm = USUAL_MM.max(USUAL_PX * pixel_mm);
        let wider = |ratio: f64| 1.0 + WINDOWS_SHARE * (ratio - 1.0);
        let times = wider(sigma_mm / usual_mm).max(wider(pixel_mm / COARSE_MM)).clamp(1.0, MOST_TIMES);
        let linear = ((sigma_mm - usual_mm) / LINEAR_MM).clamp(0.0, 1.0);
        Self { sigma_mm, times, exponent: (1.0 + linear * (LINEAR - 1.0)) as f32 }
    }

    /// Measures it on the edges near the change-points.
    pub(crate) fn measure(profiles: &Profiles, gain: &[[f32; 3]], around_mm: &[f64]) -> Self {
        let mut blur = Self::of(0.0, profiles.pixel_mm);
        // Where an edge lies may hang on the cloth's colours, how wide it is does not.
        let no_colours = Palette::default();
        for _ in 0..ROUNDS {
            let mut widths: Vec<f32> = (0..profiles.count())
                .into_par_iter()
                .step_by(STRIDE)
                .with_min_len(16)
                .filter_map(|i| {
                    crossing::find(profiles, i, around_mm[i], gain[i], &no_colours, &blur).map(|c| c.width_mm)
                })
                .filter(|w| w.is_finite())
                .collect();
            if widths.len() < ENOUGH {
                return blur;
            }
            let k = (SHARPEST * widths.len() as f64) as usize;
            let width = *widths.select_nth_unstable_by(k, f32::total_cmp).1;
            let next = Self::of(f64::from(width) / QUARTILES, profiles.pixel_mm);
            if next.times <= blur.times {
                return next;
            }
            blur = next;
        }
        blur
    }

    /// Half way between two values in the light that counts.
    pub(crate) fn half_way(&self, a: f32, b: f32) -> f32 {
        self.mixed(a, b, 0.5)
    }

    /// `share` of `a` in `b`.
    pub(crate) fn mixed(&self, a: f32, b: f32, share: f32) -> f32 {
        if self.exponent <= 1.0 {
            return b + share * (a - b);
        }
        let light = |v: f32| v.max(0.0).powf(self.exponent);
        (share * light(a) + (1.0 - share) * light(b)).powf(1.0 / self.exponent)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_MM: f64 = 0.1;
    const LEN: usize = 111;
    const COUNT: usize = 600;

    /// Profiles over a step at `at_mm`, light cloth on a dark mat, smeared in linear light.
    fn profiles(at_mm: f64, sigma_mm: f64) -> Profiles {
        let light = |x: f64| {
            let taps = (-40..=40).map(|k| f64::from(k) * 0.1);
            let weighed = taps.map(|t| ((-0.5 * t * t).exp(), if x + t * sigma_mm < at_mm { 0.5 } else { 0.05 }));
            let (sum, of) = weighed.fold((0.0, 0.0), |(s, v), (w, y)| (s + w, v + w * y));
            255.0 * (of / sum).powf(1.0 / LINEAR)
        };
        let one: Vec<[f32; 3]> = (0..LEN).map(|j| [light(-5.0 + j as f64 * STEP_MM) as f32; 3]).collect();
        let mat = 255.0 * 0.05f64.powf(1.0 / LINEAR);
        Profiles {
            first_mm: -5.0,
            step_mm: STEP_MM,
            len: LEN,
            pixel_mm: 0.33,
            seen: one.iter().copied().cycle().take(COUNT * LEN).collect(),
            expected: vec![[mat as f32; 3]; COUNT * LEN],
            ground: vec![[mat as f32; 3]; COUNT],
            tones: false,
        }
    }

    fn measured(at_mm: f64, sigma_mm: f64) -> Blur {
        Blur::measure(&profiles(at_mm, sigma_mm), &[[1.0; 3]; COUNT], &[0.0; COUNT])
    }

    #[test]
    fn a_sharp_edge_calls_for_nothing() {
        let blur = measured(0.0, 0.1);
        assert_eq!((blur.times, blur.exponent), (1.0, 1.0), "{blur:?}");
    }

    #[test]
    fn the_smear_is_measured_within_a_third() {
        for sigma in [0.3, 0.5, 0.8] {
            let blur = measured(0.15, sigma);
            let ratio = blur.sigma_mm / sigma;
            assert!((0.67..1.33).contains(&ratio), "{} for {sigma}", blur.sigma_mm);
            assert!(blur.times > 1.2 && blur.exponent > 1.0, "{blur:?}");
        }
    }

    /// Half the light, in gamma values, is more than half way: 255 (0.5 * 0.5 + 0.5 * 0.05)^(1 / 2.2).
    #[test]
    fn half_way_goes_from_values_to_light() {
        let (a, b) = (186.1, 65.3);
        assert!((Blur::of(0.1, 0.33).half_way(a, b) - 125.7).abs() < 0.1);
        let all = Blur { exponent: LINEAR as f32, ..Blur::SHARP };
        assert!((all.half_way(a, b) - 141.8).abs() < 0.5, "{}", all.half_way(a, b));
    }

    #[test]
    fn what_shows_no_edge_calls_for_nothing() {
        let even = Profiles { seen: vec![[80.0; 3]; COUNT * LEN], ..profiles(0.0, 0.1) };
        assert_eq!(Blur::measure(&even, &[[1.0; 3]; COUNT], &[0.0; COUNT]).times, 1.0);
    }
}
