//! The edge to a fraction of a pixel: where a profile crosses half way between its two sides.

use std::ops::Range;

use rayon::prelude::*;

use super::blur::Blur;
use super::profiles::{Profiles, log_brightness};
use crate::garment::appearance::dot;
use crate::garment::{ANY_SHADE, Palette};

/// Windows inside and outside the change-point whose medians stand for cloth and background: from so far, at least so
/// many photo pixels (the edge's blur), over so much, mm.
const NEAR_MM: f64 = 0.45;
const NEAR_PX: f64 = 1.25;
const WINDOW_MM: f64 = 0.55;

/// Window inside the change-point whose median is the cloth's colour in full light, mm.
const DEEP_MM: (f64, f64) = (0.7, 1.8);

/// Pixels either way over which an edge mixes colours, hue and all. Where they reach as far in as the cloth's colours are read
/// from, those hold mixtures themselves, and no stripe can be told from one.
const EDGE_PX: f64 = 2.0;

/// Difference of hue, as a share of full scale, from which pixels are told apart as mixtures.
const HUES_APART: (f32, f32) = (0.025, 0.07);

/// The same from which the mixture tells more than the groove, and tells alone: shade has no hue, a dark rim and the
/// shadow beside it are told apart by theirs.
const HUES_TELL: (f32, f32) = (0.05, 0.12);

/// Brightness, as cameras keep it at full resolution (luma, ITU-T T.871, the JPEG file's own).
const LUMA: [f32; 3] = [0.299, 0.587, 0.114];

/// Luma of cloth over mat (gamma values) below which the mixture serves, and above which it does not: bright cloth
/// stands out from its own shadow, half-way is better there.
const DARKER: (f32, f32) = (0.9, 1.15);

/// The same below which hue tells more than the groove, and above which brightness alone decides between the groove and
/// half-way.
const BRIGHTER: (f32, f32) = (1.3, 2.6);

/// Largest distance of the crossing from the change-point, mm.
const SEARCH_MM: f64 = 0.8;

/// Share of the difference along the mat's own colour that is kept: a shadow changes only that part.
const SHADOW_SHARE: f32 = 0.15;

/// Colour difference apart from brightness, as a share of full scale, from which it serves alone.
const COLOUR_ENOUGH: (f32, f32) = (0.02, 0.07);

/// A crossing, and what it rests on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Crossing {
    /// Offset, mm.
    pub at_mm: f64,
    /// Width from 25 % to 75 %, mm (NaN if not met).
    pub width_mm: f32,
    /// Predicted contrast of printed lines just outside, log units.
    pub line: f32,
}

impl Crossing {
    /// At an offset, as wide as a signal's first and last quarter lie apart.
    fn new(profiles: &Profiles, i: usize, at_mm: f64, quarter_mm: impl Fn(usize) -> Option<f64>) -> Self {
        let width_mm = quarter_mm(0).zip(quarter_mm(2)).map_or(f32::NAN, |(a, b)| (a - b).abs() as f32);
        Self { at_mm, width_mm, line: line_contrast(profiles, i, at_mm) }
    }
}

/// Finds the crossing near a change-point at `around_mm`.
pub(crate) fn find(
    profiles: &Profiles,
    i: usize,
    around_mm: f64,
    gain: [f32; 3],
    cloth: &Palette,
    blur: &Blur,
) -> Option<Crossing> {
    let clean = without_lines(profiles, i, gain, 0..profiles.len);
    let half = Signal::half_way(profiles, i, &clean, around_mm, blur);
    let mixture = Mixture::read(profiles, i, around_mm, gain, cloth, blur);
    let trust = mixture.as_ref().map_or(0.0, |m| m.told(HUES_APART, DARKER));
    let mixed = mixture.as_ref().filter(|_| trust > 0.0).map(|m| m.signal(&clean, blur));
    let reach_mm = SEARCH_MM * blur.times;
    let at =
        |signal: &Option<Signal>, quarter: usize| signal.as_ref()?.crossing(profiles, around_mm, quarter, reach_mm);
    let at_mm = match (at(&half, HALF), at(&mixed, HALF)) {
        (Some(a), Some(b)) => a + (b - a) * f64::from(trust),
        (None, Some(b)) if trust > 0.3 => b,
        (Some(a), None) if trust < 0.7 => a,
        _ => return None,
    };
    Some(Crossing::new(profiles, i, at_mm, |quarter| at(&half, quarter)))
}

/// The same half way between the two sides' colours and nothing else: a stripe may have no part of what sets the cloth
/// apart from shade, and be no mixture of cloth and mat.
pub(crate) fn plain_step(
    profiles: &Profiles,
    i: usize,
    around_mm: f64,
    gain: [f32; 3],
    blur: &Blur,
) -> Option<Crossing> {
    let clean = without_lines(profiles, i, gain, 0..profiles.len);
    let half = Signal::projected(profiles, &clean, around_mm, blur, difference)?;
    let at = |quarter: usize| half.crossing(profiles, around_mm, quarter, SEARCH_MM * blur.times);
    Some(Crossing::new(profiles, i, at(HALF)?, at))
}

/// How far cloth and mat differ so much in hue about every change-point that it tells more than the groove, 0 to 1.
pub(crate) fn hues<'a>(
    profiles: &Profiles,
    around_mm: &[f64],
    gain: &[[f32; 3]],
    cloth: impl Fn(usize) -> &'a Palette + Sync,
    blur: &Blur,
) -> Vec<f64> {
    let mixture = |i: usize| Mixture::read(profiles, i, around_mm[i], gain[i], cloth(i), blur);
    let told = |i: usize| mixture(i).map_or(0.0, |m| f64::from(m.told(HUES_TELL, BRIGHTER)));
    (0..profiles.count()).into_par_iter().with_min_len(64).map(told).collect()
}

/// Index of the half among the levels of a signal.
const HALF: usize = 1;

/// The profile as a share of cloth: 0 background, 1 cloth.
struct Signal {
    values: Vec<f32>,
    /// Its value where a quarter, a half and three quarters of the light are the cloth's.
    levels: [f32; 3],
}

impl Signal {
    /// Projected on the difference of the two sides' colours, with little of what a shadow changes.
    fn half_way(profiles: &Profiles, i: usize, clean: &[[f32; 3]], around_mm: f64, blur: &Blur) -> Option<Self> {
        let ground = profiles.ground[i];
        Self::projected(profiles, clean, around_mm, blur, |inside, outside| direction(inside, outside, ground))
    }

    /// Projected on a direction that depends on the colours inside and outside.
    fn projected(
        profiles: &Profiles,
        clean: &[[f32; 3]],
        around_mm: f64,
        blur: &Blur,
        direction: impl Fn([f32; 3], [f32; 3]) -> [f32; 3],
    ) -> Option<Self> {
        let (near, far) = window_mm(profiles, blur);
        let inside = medians(&clean[profiles.range(around_mm - far, around_mm - near)])?;
        let outside = medians(&clean[profiles.range(around_mm + near, around_mm + far)])?;
        let weight = direction(inside, outside);
        let (low, high) = (dot(outside, weight), dot(inside, weight));
        if high - low < 1e-3 {
            return None;
        }
        let share = |v: [f32; 3]| (dot(v, weight) - low) / (high - low);
        let values = clean.iter().map(|v| share(*v)).collect();
        Some(Self { values, levels: levels(inside, outside, blur, share) })
    }

    /// The crossing of one of the levels (cloth inside) nearest to a place.
    fn crossing(&self, profiles: &Profiles, near_mm: f64, quarter: usize, reach_mm: f64) -> Option<f64> {
        let level = self.levels[quarter];
        let mut best: Option<f64> = None;
        for j in 1..self.values.len() {
            let (a, b) = (self.values[j - 1], self.values[j]);
            if a >= level && b < level {
                let at = profiles.offset(j - 1) + f64::from((a - level) / (a - b)) * profiles.step_mm;
                let nearer = best.is_none_or(|other| (at - near_mm).abs() < (other - near_mm).abs());
                if nearer && (at - near_mm).abs() <= reach_mm {
                    best = Some(at);
                }
            }
        }
        best
    }
}

/// Each pixel as `u` cloth plus `v` mat, both in any light, and its share of cloth u / (u + v).
///
/// The cloth's rounded rim turns dark away from the light and the mat beside it lies in its shadow;
/// the share does not mind, as long as cloth and mat differ in hue.
struct Mixture {
    cloth: [f32; 3],
    mat: [f32; 3],
    /// Squares and product of the two colours.
    cc: f32,
    mm: f32,
    cm: f32,
    determinant: f32,
}

impl Mixture {
    fn read(
        profiles: &Profiles,
        i: usize,
        around_mm: f64,
        gain: [f32; 3],
        cloth: &Palette,
        blur: &Blur,
    ) -> Option<Self> {
        let inside = |(near, far): (f64, f64)| {
            let window = profiles.range(around_mm - far, around_mm - near);
            medians(&without_lines(profiles, i, gain, window))
        };
        let deep = inside((DEEP_MM.0 * blur.times, DEEP_MM.1 * blur.times))?;
        // A stripe along the edge may be of a colour between the cloth's farther in and the mat's: it is no mixture of them.
        let is_fine = EDGE_PX * profiles.pixel_mm < super::INSIDE_MM.0;
        let near = is_fine.then(|| inside(window_mm(profiles, blur))).flatten();
        let cloth = near.filter(|near| is_stripe(*near, deep, cloth)).unwrap_or(deep);
        let ground = profiles.ground[i];
        let mat: [f32; 3] = std::array::from_fn(|c| ground[c] * gain[c]);
        let (cc, mm, cm) = (dot(cloth, cloth), dot(mat, mat), dot(cloth, mat));
        let determinant = cc * mm - cm * cm;
        (determinant > 0.0).then_some(Self { cloth, mat, cc, mm, cm, determinant })
    }

    fn share(&self, seen: [f32; 3]) -> f32 {
        let (c, m) = (dot(seen, self.cloth), dot(seen, self.mat));
        let u = (c * self.mm - m * self.cm) / self.determinant;
        let v = (m * self.cc - c * self.cm) / self.determinant;
        u / (u.max(0.0) + v.max(0.0)).max(0.05)
    }

    fn signal(&self, clean: &[[f32; 3]], blur: &Blur) -> Signal {
        let share = |v: [f32; 3]| self.share(v);
        let values = clean.iter().map(|v| share(*v)).collect();
        Signal { values, levels: levels(self.cloth, self.mat, blur, share) }
    }

    /// How far it tells the edge, 0 to 1, by how far the hues lie apart (share of full scale: nothing, all) and how much
    /// brighter the cloth is than the mat (ratio of luma: all, nothing).
    fn told(&self, apart: (f32, f32), brighter: (f32, f32)) -> f32 {
        // Distance of the less colourful of the two from the other's ray.
        let distance = (self.determinant / self.cc.max(self.mm)).sqrt() / 255.0;
        let over_mat = dot(self.cloth, LUMA) / dot(self.mat, LUMA).max(1.0);
        let by_hue = (distance - apart.0) / (apart.1 - apart.0);
        let by_brightness = (brighter.1 - over_mat) / (brighter.1 - brighter.0);
        by_hue.clamp(0.0, 1.0) * by_brightness.clamp(0.0, 1.0)
    }
}

/// How far from the change-point the windows lie whose medians stand for either side, mm.
fn window_mm(profiles: &Profiles, blur: &Blur) -> (f64, f64) {
    let near = (NEAR_MM * blur.times).max(NEAR_PX * profiles.pixel_mm);
    (near, near + WINDOW_MM * blur.times)
}

/// Is the colour beside the edge another of the cloth's own than the one farther in, and not that one in shade?
fn is_stripe(near: [f32; 3], deep: [f32; 3], cloth: &Palette) -> bool {
    let nearest = |colour: [f32; 3]| cloth.nearest_ray(colour, ANY_SHADE);
    let (Some((own, off)), Some((other, _))) = (nearest(near), nearest(deep)) else { return false };
    let apart = cloth.apart(own);
    own != other && off < apart && ANY_SHADE.distance(near, deep) > apart
}

/// What a signal shows where a quarter, a half and three quarters of the light are the cloth's.
fn levels(cloth: [f32; 3], mat: [f32; 3], blur: &Blur, share: impl Fn([f32; 3]) -> f32) -> [f32; 3] {
    let quarters = [0.25, 0.5, 0.75];
    if blur.exponent <= 1.0 {
        return quarters;
    }
    quarters.map(|quarter| share(std::array::from_fn(|c| blur.mixed(cloth[c], mat[c], quarter))))
}

/// Part of a profile with the printed lines taken out.
fn without_lines(profiles: &Profiles, i: usize, gain: [f32; 3], part: Range<usize>) -> Vec<[f32; 3]> {
    let ground = profiles.ground[i];
    let pairs = profiles.seen(i)[part.clone()].iter().zip(&profiles.expected(i)[part]);
    pairs.map(|(seen, expected)| std::array::from_fn(|c| seen[c] - (expected[c] - ground[c]) * gain[c])).collect()
}

pub(super) fn medians(values: &[[f32; 3]]) -> Option<[f32; 3]> {
    if values.is_empty() {
        return None;
    }
    Some(std::array::from_fn(|c| {
        let mut line: Vec<f32> = values.iter().map(|v| v[c]).collect();
        let half = line.len() / 2;
        *line.select_nth_unstable_by(half, f32::total_cmp).1
    }))
}

fn difference(inside: [f32; 3], outside: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|c| inside[c] - outside[c])
}

/// The direction to project on: the difference of the sides with its part along the mat's colour reduced.
fn direction(inside: [f32; 3], outside: [f32; 3], mat: [f32; 3]) -> [f32; 3] {
    let d = difference(inside, outside);
    let norm = (mat[0].powi(2) + mat[1].powi(2) + mat[2].powi(2)).sqrt().max(1.0);
    let unit = mat.map(|m| m / norm);
    let along = d[0] * unit[0] + d[1] * unit[1] + d[2] * unit[2];
    let rest: [f32; 3] = std::array::from_fn(|c| d[c] - along * unit[c]);
    let colour = (rest[0].powi(2) + rest[1].powi(2) + rest[2].powi(2)).sqrt() / 255.0;
    let t = ((colour - COLOUR_ENOUGH.0) / (COLOUR_ENOUGH.1 - COLOUR_ENOUGH.0)).clamp(0.0, 1.0);
    let share = 1.0 + (SHADOW_SHARE - 1.0) * t;
    std::array::from_fn(|c| rest[c] + share * along * unit[c])
}

/// How much the predicted brightness varies just outside: a line there, or the edge of a chessboard's square.
pub(super) fn line_contrast(profiles: &Profiles, i: usize, at_mm: f64) -> f32 {
    let window = profiles.expected(i)[profiles.range(at_mm - 0.3, at_mm + 1.0)].iter().map(|v| log_brightness(*v));
    let (low, high) = window.fold((f32::MAX, f32::MIN), |(low, high), b| (low.min(b), high.max(b)));
    (high - low).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PURPLE: [f32; 3] = [105.0, 31.0, 194.0];
    const PINK: [f32; 3] = [151.0, 74.0, 124.0];
    const GREY: [f32; 3] = [184.0, 180.0, 171.0];

    /// Purple cloth with a band along its edge, which is blurred over a pixel and lies at 0, on grey.
    fn profiles(band: [f32; 3], width_mm: f64) -> Profiles {
        let (len, step_mm, pixel_mm) = (101, 0.1, 0.3);
        let at = |x: f64| -> [f32; 3] {
            let (inner, outer) = if x < -0.5 * width_mm { (PURPLE, band) } else { (band, GREY) };
            let from = if x < -0.5 * width_mm { x + width_mm } else { x };
            let t = (from / pixel_mm + 0.5).clamp(0.0, 1.0) as f32;
            std::array::from_fn(|c| inner[c] + t * (outer[c] - inner[c]))
        };
        Profiles {
            first_mm: -5.0,
            step_mm,
            len,
            pixel_mm,
            seen: (0..len).map(|j| at(-5.0 + j as f64 * step_mm)).collect(),
            expected: vec![GREY; len],
            ground: vec![GREY],
            tones: false,
        }
    }

    fn palette(colours: &[[f32; 3]]) -> Palette {
        let n = colours.len();
        Palette { colours: colours.to_vec(), prices: vec![1.0; n], spread: 4.0, spreads: vec![4.0; n] }
    }

    #[test]
    fn a_stripe_of_a_colour_between_cloth_and_mat_is_no_mixture_of_them() {
        let at = |profiles: &Profiles, cloth: &[[f32; 3]]| {
            find(profiles, 0, 0.0, [1.0; 3], &palette(cloth), &Blur::SHARP).map(|crossing| crossing.at_mm)
        };
        let is_near = |at: Option<f64>| at.is_some_and(|mm| mm.abs() < 0.15);
        let banded = profiles(PINK, 1.0);
        assert!(is_near(at(&banded, &[PURPLE, PINK])));
        assert!(
            !is_near(at(&banded, &[PURPLE])),
            "were pink not known for the cloth's, it would pass for half of each"
        );
        let shaded = profiles(PURPLE.map(|v| 0.7 * v), 1.0);
        assert!(is_near(at(&shaded, &[PURPLE, PINK])), "the cloth's own colour in shade is no stripe");
    }

    #[test]
    fn a_plain_step_ends_a_dark_stripe_that_no_mixture_tells_from_shade() {
        let banded = profiles([26.0, 36.0, 22.0], 1.0);
        let step = plain_step(&banded, 0, 0.1, [1.0; 3], &Blur::SHARP).expect("a step");
        assert!(step.at_mm.abs() < 0.15, "{step:?}");
        let found = find(&banded, 0, 0.1, [1.0; 3], &palette(&[PURPLE]), &Blur::SHARP);
        assert!(found.is_none_or(|found| found.at_mm < -0.4), "{found:?}");
    }

    #[test]
    fn in_a_coarse_photo_no_stripe_is_told() {
        let colour = |mm: f64| if mm < -1.15 { PURPLE } else { PINK };
        let of_pixels = |pixel_mm: f64| {
            let banded = profiles(PINK, 1.0);
            let seen = (0..banded.len).map(|j| colour(banded.offset(j))).collect();
            let banded = Profiles { pixel_mm, seen, ..banded };
            Mixture::read(&banded, 0, 0.0, [1.0; 3], &palette(&[PURPLE, PINK]), &Blur::SHARP)
                .expect("two colours")
                .cloth
        };
        assert_eq!(of_pixels(0.59), PINK);
        assert_eq!(of_pixels(0.61), PURPLE);
    }

    #[test]
    fn another_colour_of_the_cloth_is_a_stripe_and_a_strange_one_or_a_shade_is_not() {
        let cloth = palette(&[PURPLE, PINK]);
        assert!(is_stripe(PINK, PURPLE, &cloth));
        assert!(is_stripe(PURPLE.map(|v| 0.8 * v), PINK, &cloth));
        assert!(!is_stripe(PURPLE.map(|v| 0.8 * v), PURPLE, &cloth));
        assert!(!is_stripe([20.0, 160.0, 60.0], PURPLE, &cloth));
        assert!(!is_stripe(PINK, PURPLE, &Palette::default()));
    }
}
