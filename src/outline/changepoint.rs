//! Where each profile changes from cloth to background: likelihoods, and dynamic programming along the outline.

use std::ops::Range;

use rayon::prelude::*;

use super::profiles::{Profiles, log_brightness};
use super::ring::Ring;
use crate::garment::appearance::median;
use crate::garment::{Compared, Garment, Light, Seen, SeenRow};

/// Most one sample may say (log ratio): a stitch or a stripe cannot decide alone.
const CLIP: f32 = 4.0;

/// A sample may be cloth as well as mat if its log ratio is over the first while a rare colour's price is left out, and
/// under the second with it.
const UNCLEAR: (f32, f32) = (-1.0, 0.5);

/// Distance over which samples of one profile are independent, mm (about a photo pixel).
const INDEPENDENT_MM: f64 = 0.4;

/// Price of a step of the edge along the outline, per mm2 of squared offset difference.
const STEP_PRICE: f32 = 3.0;

/// Largest step between neighbouring points, mm.
const LARGEST_STEP_MM: f64 = 1.0;

/// The light on cloth, on the mat and on whatever else lies outside, over that of their neighbourhood.
/// Shadows darken; nothing brightens a flat mat beyond its surroundings and its own unevenness.
const CLOTH_LIGHT: Light = Light { factor: (0.5, 1.2), free: (0.9, 1.06), price: 5.0, sigma: 3.0 };
const MAT_LIGHT: Light = Light { factor: (0.15, 1.02), free: (0.95, 1.02), price: 2.0, sigma: 3.0 };
const OTHER_LIGHT: Light = Light { factor: (0.3, 1.15), free: (0.9, 1.08), price: 3.0, sigma: 3.0 };

/// What is thought of dark places.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shadows {
    /// Cloth may turn dark, and the mat beside it lie in its shadow.
    Usual,
    /// Whatever is dark is mat in the hard shadow of a lamp.
    Hard,
    /// The same, and other light than the lamp's own colours the shadow.
    Tinted,
}

impl Shadows {
    /// Price of a factor of light on cloth and on the mat.
    fn prices(self) -> (f32, f32) {
        match self {
            Self::Usual => (CLOTH_LIGHT.price, MAT_LIGHT.price),
            Self::Hard | Self::Tinted => HARD_PRICES,
        }
    }
}

/// Prices of light on cloth and on the mat where shadows are hard.
const HARD_PRICES: (f32, f32) = (40.0, 0.0);

/// Deviation of a channel by which another light colours shadows, as a share of the mat's level.
const TINT: f32 = 0.1;

/// What a wider spread costs per unit of its logarithm: two channels are free beside the shade.
const LOOSE_PRICE: f32 = 2.0;

/// How far off a printed line may lie, mm.
const LINE_SLACK_MM: f64 = 0.25;

/// Share of a printed line's contrast by which its colour is off besides: colours are blurred more than brightness.
const LINE_SHARE: f32 = 0.06;

/// Pixels either way from which hue bleeds, and the difference of hue that is noise, gamma levels.
const BLED_PX: f64 = 8.0;
const HUE_NOISE: f32 = 4.0;

/// Points either way over which the likelihoods are balanced.
const BALANCE_POINTS: usize = 25;

/// Mean word of the weaker side from which no shift is due, and half difference from which all weight is due.
const FAIR: f32 = 0.4;
const TELLING: f32 = 0.5;

/// Ratio under which a sample of cloth is unclear, over which it is clear, and from which it is left as it is.
const UNCLEAR_CLOTH: f32 = 1.0;
const CLEAR_CLOTH: f32 = 2.0;
const LEFT_CLOTH: f32 = 3.0;

/// Shares of clear and unclear samples from which the cloth is taken to have stripes of the mat's own colour, the unclear's in
/// the middle one of blocks of so many points.
const CLEAR_SHARE: f32 = 0.3;
const UNCLEAR_SHARE: f32 = 0.05;
const BLOCK_POINTS: usize = 40;

/// Least brightness of the unclear over the mat's; least difference of its middle ratio from the mat's.
const FULL_LIGHT: f32 = 0.87;
const LEAST_APART: f32 = 0.2;

/// The span over which the shift of unclear ratios fades out, and the most that they are shifted, as a share of it.
const FADE: f32 = LEFT_CLOTH - UNCLEAR_CLOTH;
const LARGEST_SHIFT: f32 = 0.9;

/// Points beyond either end over which the path of a closed curve settles.
const WRAP: usize = 80;

/// Log likelihood ratio of cloth over background per sample, clipped.
pub(crate) fn log_ratios(profiles: &Profiles, ring: &Ring, garment: &Garment, shadows: Shadows) -> Vec<f32> {
    let len = profiles.len;
    let spread = garment.mat.spread[1].hypot(garment.mat.spread[2]);
    let prices = shadows.prices();
    let mut out = vec![0f32; profiles.count() * len];
    out.par_chunks_mut(len).with_min_len(64).enumerate().for_each(|(i, out)| {
        let cloth = ring.cloth(i, &garment.cloth);
        let cloth_light = Light { sigma: cloth.spread.clamp(2.5, 14.0), price: prices.0, ..CLOTH_LIGHT };
        let cloth = cloth.lit(cloth_light);
        let ground = profiles.ground[i];
        let level = (ground[0] + ground[1] + ground[2]) / 3.0 + 6.0;
        let loose = 2.0 * garment.mat.spread[0];
        let tint = if shadows == Shadows::Tinted { TINT * level } else { 0.0 };
        let mat_light = Light {
            sigma: (spread * level).clamp(2.5, 12.0).hypot(tint),
            factor: (MAT_LIGHT.factor.0, MAT_LIGHT.factor.1 + loose),
            free: (MAT_LIGHT.free.0 - loose, MAT_LIGHT.free.1 + loose),
            price: prices.1,
        };
        let other = ring.other(i).map(|o| (o, Light { sigma: o.spread.clamp(2.5, 14.0), ..OTHER_LIGHT }));
        let mut told = Vec::with_capacity(len);
        let pixels = beside_neighbours(profiles, i);
        let row = SeenRow::of(&pixels);
        let mut outside = from_mat(profiles, i, ring.gain[i], (&pixels, &row), mat_light);
        if let Some((palette, light)) = other {
            let others = palette.distances(&row, light);
            outside.iter_mut().zip(others).for_each(|(mat, other)| mat.distance = mat.distance.min(other));
        }
        for ((out, inside), mat) in out.iter_mut().zip(cloth.nearest(&row)).zip(outside) {
            // What being the tighter of the two is worth to the mat.
            let tighter = LOOSE_PRICE * (inside.sigma / mat.sigma).ln();
            *out = 0.5 * (mat.distance - inside.distance) - tighter;
            told.push(Priced { by_colour: *out + tighter, price: 0.5 * inside.price });
        }
        charge(out, &told, profiles.step_mm);
        out.iter_mut().for_each(|r| *r = r.clamp(-CLIP, CLIP));
    });
    out
}

/// How far a sample is from being bare mat (or whatever else lies outside), squared, in standard deviations of so many
/// gamma levels.
struct FromMat {
    distance: f32,
    sigma: f32,
}

/// The same of a profile's samples, pixel by pixel and as a row: beside a printed line, from the colour between it and the
/// ground that is nearest.
fn from_mat(
    profiles: &Profiles,
    i: usize,
    gain: [f32; 3],
    (pixels, row): (&[Seen], &SeenRow),
    light: Light,
) -> Vec<FromMat> {
    let lit = |colour: [f32; 3]| std::array::from_fn(|c| colour[c] * gain[c]);
    let sigma = light.sigma;
    let steady = |distance: f32| FromMat { distance, sigma };
    if profiles.tones {
        let beside = |(seen, tone): (&Seen, &[f32; 3])| Compared { seen: *seen, colour: lit(*tone), sigma };
        let tones = pixels.iter().zip(profiles.expected(i)).map(beside);
        return light.distances_bled_each(&tones.collect::<Vec<_>>()).map(steady).collect();
    }
    let ground = profiles.ground[i];
    let mut all: Vec<FromMat> = light.distances_bled(row, lit(ground)).map(steady).collect();
    let lines = nearby_lines(profiles, i).into_iter().enumerate();
    let (at, beside): (Vec<usize>, Vec<Compared>) = lines
        .filter_map(|(j, line)| {
            let (seen, line) = (pixels[j], line?);
            let colour = worn_line(seen.colour, lit(ground), lit(line));
            // The mat's light, its colours known less well.
            Some((j, Compared { seen, colour, sigma: sigma.hypot(LINE_SHARE * contrast(line, ground)) }))
        })
        .unzip();
    for ((j, compared), distance) in at.into_iter().zip(&beside).zip(light.distances_bled_each(&beside)) {
        all[j] = FromMat { distance, sigma: compared.sigma };
    }
    all
}

/// The samples of a profile, each beside the mean of its neighbours: JPEG keeps one hue for blocks of 16 pixels, and where
/// it keeps little of it, the hue of a strong colour bleeds into what lies beside it.
fn beside_neighbours(profiles: &Profiles, i: usize) -> Vec<Seen> {
    let seen = profiles.seen(i);
    let half = ((BLED_PX * profiles.pixel_mm / profiles.step_mm).round() as usize).max(1);
    let hue = |colour: [f32; 3]| colour.map(|c| c - (colour[0] + colour[1] + colour[2]) / 3.0);
    let mut sums = vec![[0f32; 3]; seen.len() + 1];
    for (j, colour) in seen.iter().enumerate() {
        let hue = hue(*colour);
        sums[j + 1] = std::array::from_fn(|c| sums[j][c] + hue[c]);
    }
    let beside = |(j, colour): (usize, &[f32; 3])| {
        let (from, to) = (j.saturating_sub(half), (j + half + 1).min(seen.len()));
        let own = hue(*colour);
        let off: [f32; 3] = std::array::from_fn(|c| own[c] - (sums[to][c] - sums[from][c]) / (to - from) as f32);
        let length = off.iter().map(|v| v * v).sum::<f32>().sqrt();
        let beyond_noise = (1.0 - HUE_NOISE / length.max(HUE_NOISE)).max(0.0);
        Seen { colour: *colour, from_neighbours: off.map(|v| v * beyond_noise) }
    };
    seen.iter().enumerate().map(beside).collect()
}

/// What a sample's colour says, and its price.
struct Priced {
    /// The log ratio as the distances alone make it.
    by_colour: f32,
    /// What being cloth of so rare a colour costs.
    price: f32,
}

/// Takes the price of a rare colour off the ratios: once for every run of samples that may be either cloth of that colour
/// or mat, not for each of them, for a stripe is of one colour all over.
fn charge(ratios: &mut [f32], told: &[Priced], step_mm: f64) {
    let unclear: Vec<bool> =
        ratios.iter().zip(told).map(|(r, told)| told.by_colour > UNCLEAR.0 && r - told.price < UNCLEAR.1).collect();
    let mut k = 0;
    for run in unclear.chunk_by(|a, b| a == b) {
        let independent = if run[0] { (run.len() as f64 * step_mm / INDEPENDENT_MM).max(1.0) as f32 } else { 1.0 };
        for (ratio, told) in ratios[k..].iter_mut().zip(&told[k..]).take(run.len()) {
            *ratio -= told.price / independent;
        }
        k += run.len();
    }
}

/// Keeps the likelihoods honest: what surely is cloth must on average speak for cloth, what surely is background
/// for background. Where they do not, they are shifted until they do, and weakened by how little they tell.
///
/// `inside` and `outside` are sample ranges surely on either side of the edge. A chessboard's squares of either tone are looked
/// at apart: cloth may be like one of them, and what the other says is nothing to them.
///
/// Gives how far the two sides' mean log ratios lie apart, halved: small where cloth and mat look alike.
pub(crate) fn balance(
    profiles: &Profiles,
    ratios: &mut [f32],
    inside: Range<usize>,
    outside: Range<usize>,
) -> Vec<f32> {
    let tones = Tone::all(profiles).iter();
    let told: Vec<(Tone, Vec<f32>)> =
        tones.map(|tone| (*tone, balance_tone(profiles, ratios, inside.clone(), outside.clone(), *tone))).collect();
    let curve = profiles.range(0.0, 0.0).start;
    let at_edge = |i: usize| told.iter().find(|(tone, _)| tone.is_of(profiles, i, curve)).map_or(0.0, |told| told.1[i]);
    (0..profiles.count()).map(at_edge).collect()
}

/// Which samples are looked at together: those of a chessboard's light or dark squares, or all.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Tone {
    Any,
    Light,
    Dark,
}

impl Tone {
    fn all(profiles: &Profiles) -> &'static [Self] {
        if profiles.tones { &[Self::Light, Self::Dark] } else { &[Self::Any] }
    }

    /// Is this the tone that the bare mat would have at a sample?
    fn is_of(self, profiles: &Profiles, i: usize, j: usize) -> bool {
        let is_light = || profiles.expected(i).get(j).is_some_and(|tone| tone[1] > profiles.ground[i][1]);
        self == Self::Any || (self == Self::Light) == is_light()
    }
}

/// The same for the samples of a tone.
fn balance_tone(
    profiles: &Profiles,
    ratios: &mut [f32],
    inside: Range<usize>,
    outside: Range<usize>,
    tone: Tone,
) -> Vec<f32> {
    let n = profiles.count();
    let of_it = |i: usize, j: usize| tone.is_of(profiles, i, j);
    let sum = |i: usize, range: &Range<usize>| {
        let some = range.clone().filter(|j| of_it(i, *j)).map(|j| ratios[i * profiles.len + j]);
        some.fold((0.0, 0.0), |(sum, count), ratio| (sum + ratio, count + 1.0))
    };
    let cloth: Vec<(f32, f32)> = (0..n).map(|i| sum(i, &inside)).collect();
    let ground: Vec<(f32, f32)> = (0..n).map(|i| sum(i, &outside)).collect();
    let pooled = |sums: &[(f32, f32)], i: usize| {
        let around = (0..=2 * BALANCE_POINTS).map(|k| sums[(i + n + k - BALANCE_POINTS.min(n)) % n]);
        let (sum, count) = around.fold((0.0, 0.0), |(a, b), (sum, count)| (a + sum, b + count));
        (count > 0.0).then(|| sum / count)
    };
    let mut told = Vec::with_capacity(n);
    for i in 0..n {
        // A tone that is nowhere near needs no balancing.
        let (cloth, ground) = (pooled(&cloth, i).unwrap_or(CLIP), pooled(&ground, i).unwrap_or(-CLIP));
        let apart = 0.5 * (cloth - ground);
        told.push(apart);
        let fair = cloth.min(-ground);
        // The smaller side's word, but for what is lacking: no shift where both sides speak clearly.
        let shift =
            if fair < apart.min(FAIR) { 0.5 * (cloth + ground) * ((FAIR - fair) / FAIR).clamp(0.0, 1.0) } else { 0.0 };
        let weight = (apart / TELLING).clamp(0.0, 1.0);
        for (j, r) in ratios[i * profiles.len..(i + 1) * profiles.len].iter_mut().enumerate() {
            if of_it(i, j) {
                *r = (*r - shift) * weight;
            }
        }
    }
    told
}

/// Gives stripes and prints of the mat's own colour their due: what of the cloth is unclear, amid cloth that is clear, may
/// speak for the mat as long as it does so less than the mat itself. The ratios of what is unclear are shifted until half-way
/// between the two speaks for neither.
///
/// Not so where the unclear lies along a part of the edge only, or is darker than the mat: that may be the mat in shade.
pub(crate) fn balance_unclear(
    profiles: &Profiles,
    gain: &[[f32; 3]],
    ratios: &mut [f32],
    inside: Range<usize>,
    outside: Range<usize>,
) {
    for &tone in Tone::all(profiles) {
        let shift = shift_of_unclear(profiles, gain, ratios, [&inside, &outside], tone);
        if shift == 0.0 {
            continue;
        }
        let of_it = |k: usize| tone.is_of(profiles, k / profiles.len, k % profiles.len);
        let some = ratios.iter_mut().enumerate().filter(|(k, _)| of_it(*k));
        some.for_each(|(_, r)| *r -= shift * ((LEFT_CLOTH - *r) / FADE).clamp(0.0, 1.0));
    }
}

/// Samples of the cloth, and how many of them are unclear and clear.
#[derive(Debug, Clone, Copy, Default)]
struct Counted {
    all: usize,
    unclear: usize,
    clear: usize,
}

impl Counted {
    fn with(self, ratio: f32) -> Self {
        Self {
            all: self.all + 1,
            unclear: self.unclear + usize::from(ratio < UNCLEAR_CLOTH),
            clear: self.clear + usize::from(ratio > CLEAR_CLOTH),
        }
    }
}

fn share(some: usize, all: usize) -> f32 {
    some as f32 / all.max(1) as f32
}

/// By how much the ratios of what is unclear are to be shifted among the samples of a tone; 0 if nothing is due.
fn shift_of_unclear(
    profiles: &Profiles,
    gain: &[[f32; 3]],
    ratios: &[f32],
    [inside, outside]: [&Range<usize>; 2],
    tone: Tone,
) -> f32 {
    let n = profiles.count();
    let of_tone = |i: usize, range: &Range<usize>| {
        let samples = range.clone().filter(move |j| tone.is_of(profiles, i, *j));
        samples.map(move |j| ratios[i * profiles.len + j])
    };
    let counted = |block: usize| {
        let samples = (block..n.min(block + BLOCK_POINTS)).flat_map(|i| of_tone(i, inside));
        samples.fold(Counted::default(), Counted::with)
    };
    let blocks: Vec<Counted> = (0..n).into_par_iter().step_by(BLOCK_POINTS).map(counted).collect();
    let (all, clear) = blocks.iter().fold((0, 0), |(all, clear), block| (all + block.all, clear + block.clear));
    let mut shares: Vec<f32> = blocks.iter().map(|block| share(block.unclear, block.all)).collect();
    if share(clear, all) < CLEAR_SHARE || median(&mut shares) < UNCLEAR_SHARE {
        return 0.0;
    }
    let mut unclear: Vec<f32> = (0..n).flat_map(|i| of_tone(i, inside)).filter(|r| *r < UNCLEAR_CLOTH).collect();
    let mut mat: Vec<f32> = (0..n).flat_map(|i| of_tone(i, outside)).collect();
    if unclear.is_empty() || mat.is_empty() || light_on_unclear(profiles, gain, ratios, inside) < FULL_LIGHT {
        return 0.0;
    }
    let (unclear, mat) = (median(&mut unclear), median(&mut mat));
    if unclear > FAIR || unclear - mat < LEAST_APART {
        return 0.0;
    }
    // Never so far that what says more for cloth would come to say less.
    (0.5 * (unclear + mat)).clamp(-LARGEST_SHIFT * FADE, 0.0)
}

/// Middle brightness of the unclear samples of a range over that of the mat's ground there.
fn light_on_unclear(profiles: &Profiles, gain: &[[f32; 3]], ratios: &[f32], inside: &Range<usize>) -> f32 {
    let mut light = Vec::new();
    for (i, row) in ratios.chunks(profiles.len).enumerate() {
        let ground = log_brightness(std::array::from_fn(|c| profiles.ground[i][c] * gain[i][c]));
        let unclear = inside.clone().filter(|j| row[*j] < UNCLEAR_CLOTH);
        light.extend(unclear.map(|j| log_brightness(profiles.seen(i)[j]) - ground));
    }
    median(&mut light).exp()
}

/// The strongest line predicted within [`LINE_SLACK_MM`] of every sample, if any: lines lie a little off.
pub(super) fn nearby_lines(profiles: &Profiles, i: usize) -> Vec<Option<[f32; 3]>> {
    let ground = profiles.ground[i];
    let expected = profiles.expected(i);
    let level = |e: &[f32; 3]| (e[0] + e[1] + e[2] - ground[0] - ground[1] - ground[2]).abs();
    let reach = (LINE_SLACK_MM / profiles.step_mm).round() as usize;
    let least = 0.03 * (ground[0] + ground[1] + ground[2] + 18.0);
    let mut strongest = vec![(least, None); expected.len()];
    for (k, line) in expected.iter().enumerate() {
        let level = level(line);
        if level <= least {
            continue;
        }
        let end = (k + reach + 1).min(expected.len());
        for (most, at) in &mut strongest[k.saturating_sub(reach)..end] {
            if level >= *most {
                (*most, *at) = (level, Some(*line));
            }
        }
    }
    strongest.into_iter().map(|(_, line)| line).collect()
}

/// Difference of two colours, middle of the channels'.
fn contrast(line: [f32; 3], ground: [f32; 3]) -> f32 {
    (0..3).map(|c| (line[c] - ground[c]).abs()).sum::<f32>() / 3.0
}

/// The colour between ground and line (worn, or met half-way) that is nearest to what is seen.
pub(super) fn worn_line(seen: [f32; 3], ground: [f32; 3], line: [f32; 3]) -> [f32; 3] {
    let (mut dot, mut len2) = (0.0, 0.0);
    for c in 0..3 {
        let d = line[c] - ground[c];
        dot += (seen[c] - ground[c]) * d;
        len2 += d * d;
    }
    let t = if len2 > 0.0 { (dot / len2).clamp(0.0, 1.1) } else { 0.0 };
    std::array::from_fn(|c| ground[c] + t * (line[c] - ground[c]))
}

/// The best offset per profile and how far other offsets would do nearly as well.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    /// Index of the sample at which the edge lies.
    pub at: Vec<usize>,
    /// Span of offsets whose best path costs at most 2 more, mm.
    pub span_mm: Vec<f32>,
}

/// The curve that the profiles stand on is known to so much, mm: what the label's cells are worth.
const START_SIGMA_MM: f64 = 1.5;

/// Adds what leaving the profiles' own curve costs: nothing to an edge that is seen, all there is to one that is not.
pub(crate) fn hold_to_start(profiles: &Profiles, costs: &mut [f32]) {
    let price: Vec<f32> =
        (0..profiles.len).map(|j| 0.5 * (profiles.offset(j) / START_SIGMA_MM).powi(2) as f32).collect();
    costs.par_chunks_mut(profiles.len).for_each(|costs| costs.iter_mut().zip(&price).for_each(|(c, p)| *c += p));
}

/// Cost of an edge at every sample: minus the summed log ratio of cloth inside and background outside.
pub(crate) fn edge_costs(profiles: &Profiles, ratios: &[f32]) -> Vec<f32> {
    let scale = (profiles.step_mm / INDEPENDENT_MM) as f32;
    let mut costs = vec![0f32; ratios.len()];
    let rows = costs.par_chunks_mut(profiles.len).zip(ratios.par_chunks(profiles.len)).with_min_len(64);
    rows.for_each(|(cost, ratio)| {
        // Moving the edge outwards past a sample turns it from background to cloth.
        let mut sum = 0.0;
        for (c, r) in cost.iter_mut().zip(ratio) {
            sum -= 0.5 * r * scale;
            *c = sum;
            sum -= 0.5 * r * scale;
        }
    });
    costs
}

/// Lets the costs of every profile weigh so much more against the path's steps.
pub(crate) fn scale(profiles: &Profiles, costs: &mut [f32], limber: &[f32]) {
    let rows = costs.par_chunks_mut(profiles.len).zip(limber).with_min_len(64);
    rows.filter(|(_, by)| **by != 1.0).for_each(|(costs, by)| costs.iter_mut().for_each(|c| *c *= by));
}

/// The cheapest closed path over offsets within `range`, with its min-marginals; costs were scaled by `limber`.
pub(crate) fn cheapest_path(profiles: &Profiles, costs: &[f32], range: Range<usize>, limber: &[f32]) -> Path {
    let n = profiles.count();
    let m = range.len();
    let unary: Vec<&[f32]> = costs.chunks(profiles.len).map(|c| &c[range.clone()]).collect();
    let reach = ((LARGEST_STEP_MM / profiles.step_mm).round() as usize).max(1);
    let price: Vec<f32> = (0..=reach).map(|k| STEP_PRICE * (k as f64 * profiles.step_mm).powi(2) as f32).collect();
    let (forward, backward) = rayon::join(
        || sweep(&unary, m, &price, (0..n + WRAP).map(|i| (i + n - WRAP % n) % n), n),
        || sweep(&unary, m, &price, (0..n + WRAP).rev().map(|i| i % n), n),
    );
    let mut at = Vec::with_capacity(n);
    let mut span_mm = Vec::with_capacity(n);
    for i in 0..n {
        let total: Vec<f32> = (0..m).map(|k| forward[i * m + k] + backward[i * m + k] - unary[i][k]).collect();
        let (best, least) =
            total.iter().enumerate().fold((0, f32::INFINITY), |b, (k, v)| if *v < b.1 { (k, *v) } else { b });
        let near = |v: &f32| *v <= least + 2.0 * limber[i];
        let low = total.iter().position(near).unwrap_or(best);
        let high = total.iter().rposition(near).unwrap_or(best);
        at.push(range.start + best);
        span_mm.push(((high - low) as f64 * profiles.step_mm) as f32);
    }
    Path { at, span_mm }
}

/// Cheapest cost of reaching every (profile, offset) in an order of profiles; the last visit of each counts.
fn sweep(unary: &[&[f32]], m: usize, price: &[f32], order: impl Iterator<Item = usize>, n: usize) -> Vec<f32> {
    let reach = price.len() - 1;
    let mut out = vec![0f32; n * m];
    // Beyond both ends nothing can be reached from: so every step is tried for all offsets alike.
    let mut before = vec![f32::INFINITY; m + 2 * reach];
    before[reach..reach + m].fill(0.0);
    let mut now = vec![0f32; m];
    for i in order {
        now.copy_from_slice(&before[reach..reach + m]);
        for (d, price) in price.iter().enumerate().skip(1) {
            let (below, above) = (&before[reach - d..][..m], &before[reach + d..][..m]);
            for ((now, below), above) in now.iter_mut().zip(below).zip(above) {
                *now = now.min(below.min(*above) + price);
            }
        }
        now.iter_mut().zip(unary[i]).for_each(|(now, cost)| *now += cost);
        // Only differences matter: keep the numbers small.
        let least = now.iter().copied().fold(f32::INFINITY, f32::min);
        now.iter_mut().for_each(|v| *v -= least);
        out[i * m..(i + 1) * m].copy_from_slice(&now);
        before[reach..reach + m].copy_from_slice(&now);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    const N: usize = 240;
    const M: usize = 21;

    fn random_costs(seed: u64) -> Vec<f32> {
        let mut random = Random(seed);
        (0..N * M).map(|_| (4.0 * random.unit()) as f32).collect()
    }

    fn profiles() -> Profiles {
        Profiles {
            first_mm: -2.0,
            step_mm: 0.2,
            len: M,
            pixel_mm: 0.35,
            seen: vec![[0.0; 3]; N * M],
            expected: vec![[0.0; 3]; N * M],
            ground: vec![[0.0; 3]; N],
            tones: false,
        }
    }

    fn cost_of(costs: &[f32], at: &[usize]) -> f32 {
        let place = |i: usize| at[i % N];
        (0..N)
            .map(|i| {
                let step = (place(i) as f32 - place(i + 1) as f32) * 0.2;
                costs[i * M + place(i)] + STEP_PRICE * step * step
            })
            .sum()
    }

    #[test]
    fn no_other_path_tried_is_cheaper() {
        let costs = random_costs(7);
        let best = cheapest_path(&profiles(), &costs, 0..M, &[1.0; N]);
        let least = cost_of(&costs, &best.at);
        let mut random = Random(8);
        for _ in 0..2000 {
            let mut other = best.at.clone();
            let (from, len) = ((random.unit() * N as f64) as usize, 1 + (random.unit() * 12.0) as usize);
            let by = (random.unit() * 7.0) as i64 - 3;
            for k in from..from + len {
                other[k % N] = (other[k % N] as i64 + by).clamp(0, M as i64 - 1) as usize;
            }
            assert!(cost_of(&costs, &other) >= least - 1e-2);
        }
    }

    #[test]
    fn a_stripe_pays_for_its_rarity_once() {
        // Two millimetres of what may be either, then cloth, then mat.
        let (unclear, cloth, mat) = (0.1, 3.0, -3.0);
        let before: Vec<f32> = [[unclear; 10], [cloth; 10], [mat; 10]].concat();
        let mut ratios = before.clone();
        let told: Vec<Priced> = before.iter().map(|r| Priced { by_colour: *r, price: 1.5 }).collect();
        charge(&mut ratios, &told, 0.2);
        let paid = |range: Range<usize>| -> f32 { range.map(|k| (before[k] - ratios[k]) * 0.5).sum() };
        // Costs count a sample for the half of an independent one: 0.2 of 0.4 mm.
        assert!((paid(0..10) - 1.5).abs() < 1e-4, "{}", paid(0..10));
        assert!((paid(10..20) - 7.5).abs() < 1e-4 && (paid(20..30) - 7.5).abs() < 1e-4);
    }

    #[test]
    fn a_stripe_that_speaks_less_for_the_mat_than_the_mat_itself_speaks_for_cloth() {
        // Every third profile is a stripe of nearly the mat's colour; 12 samples of cloth, then mat.
        let row = |stripe: f32, mat: f32| [[stripe; 12].as_slice(), &[mat; M - 12]].concat();
        let balanced = |stripe: f32, mat: f32, level: f32, striped: &dyn Fn(usize) -> bool| {
            let mut profiles = profiles();
            profiles.seen.fill([level; 3]);
            profiles.ground.fill([150.0; 3]);
            let mut ratios: Vec<f32> = (0..N).flat_map(|i| row(if striped(i) { stripe } else { 4.0 }, mat)).collect();
            balance_unclear(&profiles, &[[1.0; 3]; N], &mut ratios, 0..10, 14..M);
            [ratios[0], ratios[M], ratios[14]]
        };
        let third = |i: usize| i.is_multiple_of(3);
        let [stripe, clear, mat] = balanced(-0.6, -1.4, 150.0, &third);
        assert!((stripe - 0.4).abs() < 1e-5 && clear == 4.0 && (mat + 0.4).abs() < 1e-5);
        // Fair already, not to be told from the mat, darker than it, along a part of the edge only.
        assert_eq!(balanced(0.6, -1.4, 150.0, &third), [0.6, 4.0, -1.4]);
        assert_eq!(balanced(-1.3, -1.4, 150.0, &third), [-1.3, 4.0, -1.4]);
        assert_eq!(balanced(-0.6, -1.4, 110.0, &third), [-0.6, 4.0, -1.4]);
        assert_eq!(balanced(-0.6, -1.4, 150.0, &|i| i < 60 && third(i)), [-0.6, 4.0, -1.4]);
    }

    /// White cloth with red checks: white squares speak for cloth themselves, black ones clearly for the mat.
    #[test]
    fn light_squares_are_balanced_whatever_dark_ones_say() {
        let is_light = |i: usize| (i / 20).is_multiple_of(2);
        let mut profiles = Profiles { tones: true, ..profiles() };
        profiles.ground.fill([120.0; 3]);
        for (k, tone) in profiles.expected.iter_mut().enumerate() {
            *tone = [if is_light(k / M) { 200.0 } else { 40.0 }; 3];
        }
        let mat = |i: usize| if is_light(i) { 1.0 } else { -CLIP };
        let row = |i: usize| [[CLIP; 12].as_slice(), &[mat(i); M - 12]].concat();
        let mut ratios: Vec<f32> = (0..N).flat_map(row).collect();
        let apart = balance(&profiles, &mut ratios, 0..10, 14..M);
        let outside = |i: usize| ratios[i * M + 16];
        assert!((0..N).filter(|i| is_light(*i)).all(|i| outside(i) < -1.0 && ratios[i * M] > 1.0));
        assert!((0..N).filter(|i| !is_light(*i)).all(|i| outside(i) == -CLIP && ratios[i * M] == CLIP));
        assert!((apart[5] - 1.5).abs() < 1e-3 && (apart[25] - CLIP).abs() < 1e-3, "{} {}", apart[5], apart[25]);
        // Were they no chessboard's, black squares would hide what white ones say.
        let mut together: Vec<f32> = (0..N).flat_map(row).collect();
        balance(&Profiles { tones: false, ..profiles }, &mut together, 0..10, 14..M);
        assert!(together[5 * M + 16] > 0.9);
    }

    #[test]
    fn where_the_curve_starts_does_not_matter() {
        let costs = random_costs(9);
        let by = 77;
        let turned: Vec<f32> = (0..N * M).map(|k| costs[((k / M + by) % N) * M + k % M]).collect();
        let (a, b) =
            (cheapest_path(&profiles(), &costs, 0..M, &[1.0; N]), cheapest_path(&profiles(), &turned, 0..M, &[1.0; N]));
        assert!((0..N).all(|i| b.at[i] == a.at[(i + by) % N]));
    }

    #[test]
    fn even_costs_leave_the_whole_range_open_and_a_deep_well_none() {
        let even = cheapest_path(&profiles(), &vec![0.0; N * M], 0..M, &[1.0; N]);
        assert!(even.span_mm.iter().all(|s| *s > 2.0));
        let well: Vec<f32> = (0..N * M).map(|k| if k % M == 6 { -10.0 } else { 0.0 }).collect();
        let deep = cheapest_path(&profiles(), &well, 0..M, &[1.0; N]);
        assert!(deep.at.iter().all(|k| *k == 6) && deep.span_mm.iter().all(|s| *s == 0.0));
    }
}
