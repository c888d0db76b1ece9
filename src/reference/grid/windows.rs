//! Seeds: places of the photo where two families of evenly spaced lines cross.
//!
//! Lens bend and perspective hardly matter inside a small window, and clutter elsewhere has no
//! vote there. Per round window of a ridge map the strongest pixels are projected at 60 angles; a
//! family of lines makes the projection's energy stand far above that of scattered points.

use nalgebra::Vector2;
use rayon::prelude::*;

use super::model::LocalLattice;
use super::pyramid::RidgeMaps;
use crate::reference::Marking;
use crate::units::ImagePoint;

/// Radius of a window, map pixels.
const RADIUS: i32 = 48;
/// Angles tried over half a turn.
const ANGLES: usize = 60;
/// Points projected per window, at most about.
const MAX_POINTS: usize = 480;
/// Energy of the projection over that of scattered points, for the weaker family.
const MIN_STRENGTH: f32 = 3.0;
/// Periods considered, map pixels.
const PERIODS: std::ops::RangeInclusive<f32> = 5.0..=44.0;
/// Profile bins: one a map pixel across the window.
const BINS: usize = 2 * RADIUS as usize + 3;

/// A window with two families of lines.
#[derive(Debug, Clone, Copy)]
pub struct Seed {
    /// How the lines are drawn.
    pub marking: Marking,
    /// Energy ratio of the weaker family; 1 for scattered points.
    pub strength: f32,
    /// Halvings of the map it was found on.
    pub level: usize,
    /// Middle of the window on its map.
    centre: (i32, i32),
    /// Coarse angle of both families.
    angles: [usize; 2],
}

/// How closely the windows lie that are looked through.
#[derive(Debug, Clone, Copy)]
pub enum Windows {
    /// Side by side, a quarter of all: a grid that fills the photo shows in many.
    Sparse,
    /// Half overlapping each way.
    Dense,
}

impl Windows {
    /// Distance between windows, map pixels.
    fn stride(self) -> i32 {
        match self {
            Self::Sparse => 2 * RADIUS,
            Self::Dense => RADIUS,
        }
    }
}

/// Seeds of one level's maps, strongest first.
pub fn seeds(maps: &RidgeMaps, windows: Windows) -> Vec<Seed> {
    let stride = windows.stride();
    let (width, height) = (maps.light.width() as i32, maps.light.height() as i32);
    let centres = |size: i32| -> Vec<i32> {
        let count = ((size - 2 * RADIUS).max(0) + stride - 1) / stride + 1;
        (0..count).map(|k| if count == 1 { size / 2 } else { RADIUS + k * (size - 2 * RADIUS) / (count - 1) }).collect()
    };
    let mut places = Vec::new();
    for &cy in &centres(height) {
        for &cx in &centres(width) {
            for marking in [Marking::LightLines, Marking::DarkLines] {
                places.push((cx, cy, marking));
            }
        }
    }
    let table = AngleTable::new();
    let mut found: Vec<Seed> = places
        .par_iter()
        .filter_map(|&(cx, cy, marking)| {
            let points = strongest_points(map_of(maps, marking), cx, cy);
            seed_of(&points, &table, (cx, cy), maps.level, marking)
        })
        .collect();
    found.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    found
}

fn map_of(maps: &RidgeMaps, marking: Marking) -> &image::GrayImage {
    if marking == Marking::LightLines { &maps.light } else { &maps.dark }
}

impl Seed {
    /// Middle of the window in the photo.
    pub fn place(&self) -> ImagePoint {
        photo_point(f64::from(self.centre.0), f64::from(self.centre.1), self.scale())
    }

    /// Radius of the window in the photo, px.
    pub fn radius_px(&self) -> f64 {
        f64::from(RADIUS) * self.scale()
    }

    fn scale(&self) -> f64 {
        f64::from(1u32 << self.level)
    }

    /// The lattices the window's lines may form, in the photo, finest first.
    ///
    /// `maps` must be those the seed was found on.
    pub fn lattices(&self, maps: &RidgeMaps, pitch_ratio: f64) -> Vec<LocalLattice> {
        let points = strongest_points(map_of(maps, self.marking), self.centre.0, self.centre.1);
        let table = AngleTable::new();
        let families = self.angles.map(|k| Family::new(&points, &table, k));
        lattices(&families, self.centre, self.scale(), pitch_ratio)
    }
}

/// The strongest pixels of the round window, relative to its middle.
fn strongest_points(map: &image::GrayImage, cx: i32, cy: i32) -> Vec<(i32, i32)> {
    let (width, height) = (map.width() as i32, map.height() as i32);
    let raw = map.as_raw();
    let chord = |dy: i32| f64::from(RADIUS * RADIUS - dy * dy).sqrt() as i32;
    let row = |dy: i32| -> Option<(i32, &[u8])> {
        let y = cy + dy;
        if y < 0 || y >= height {
            return None;
        }
        let half = chord(dy);
        let (x0, x1) = ((cx - half).max(0), (cx + half + 1).min(width));
        let start = (y * width) as usize;
        (x0 < x1).then(|| (x0 - cx, &raw[start + x0 as usize..start + x1 as usize]))
    };
    let mut histogram = [0usize; 256];
    for dy in -RADIUS..=RADIUS {
        if let Some((_, values)) = row(dy) {
            for &v in values {
                histogram[usize::from(v)] += 1;
            }
        }
    }
    let mut threshold = 255;
    let mut count = histogram[255];
    while threshold > 3 && count + histogram[threshold - 1] <= MAX_POINTS {
        threshold -= 1;
        count += histogram[threshold];
    }
    // A saturated window still gets its points: every n-th of them.
    let keep_every = count.div_ceil(2 * MAX_POINTS).max(1);
    let mut points = Vec::with_capacity(count.min(2 * MAX_POINTS));
    let mut nth = 0usize;
    for dy in -RADIUS..=RADIUS {
        if let Some((x0, values)) = row(dy) {
            for (i, &v) in values.iter().enumerate() {
                if usize::from(v) >= threshold {
                    nth += 1;
                    if nth.is_multiple_of(keep_every) {
                        points.push((x0 + i as i32, dy));
                    }
                }
            }
        }
    }
    points
}

struct AngleTable {
    /// (cos, sin) of the normals.
    normals: Vec<(f32, f32)>,
    /// Length of the window's chord at each bin over the window's area.
    chord_share: [f32; BINS],
}

impl AngleTable {
    fn new() -> Self {
        let normals = (0..ANGLES)
            .map(|k| (k as f32 * std::f32::consts::PI / ANGLES as f32).sin_cos())
            .map(|(sin, cos)| (cos, sin))
            .collect();
        let r = RADIUS as f32;
        let mut chord_share = [0.0; BINS];
        for (bin, share) in chord_share.iter_mut().enumerate() {
            let t = bin as f32 - (r + 1.0);
            *share = 2.0 * (r * r - t * t).max(0.0).sqrt();
        }
        let total: f32 = chord_share.iter().sum();
        chord_share.iter_mut().for_each(|s| *s /= total);
        Self { normals, chord_share }
    }

    fn energy(&self, profile: &[f32; BINS], points: usize) -> f32 {
        let n = points as f32;
        profile.iter().zip(&self.chord_share).map(|(p, s)| (p - n * s).powi(2)).sum::<f32>() / n
    }
}

/// Bins counted into: the next power of two, so that an index needs no check.
const COUNTED: usize = BINS.next_power_of_two();

/// Number of points per 1 px bin of their distance along a normal.
///
/// In fixed point, and into two counts by turns: neighbours often share a bin and would wait for one another.
fn project(points: &[(i32, i32)], (cos, sin): (f32, f32)) -> [f32; BINS] {
    let fixed = |v: f32| (v * 65_536.0).round() as i32;
    let (cos, sin, offset) = (fixed(cos), fixed(sin), fixed(RADIUS as f32 + 1.5));
    let bin = |&(x, y): &(i32, i32)| ((x * cos + y * sin + offset) >> 16) as usize & (COUNTED - 1);
    let (mut even, mut odd) = ([0u32; COUNTED], [0u32; COUNTED]);
    let pairs = points.chunks_exact(2);
    pairs.remainder().iter().for_each(|p| even[bin(p)] += 1);
    for pair in pairs {
        even[bin(&pair[0])] += 1;
        odd[bin(&pair[1])] += 1;
    }
    std::array::from_fn(|b| (even[b] + odd[b]) as f32)
}

fn seed_of(
    points: &[(i32, i32)],
    table: &AngleTable,
    centre: (i32, i32),
    level: usize,
    marking: Marking,
) -> Option<Seed> {
    if points.len() < 60 {
        return None;
    }
    let energy: Vec<f32> = table.normals.iter().map(|&n| table.energy(&project(points, n), points.len())).collect();
    let first = (0..ANGLES).max_by(|&i, &j| energy[i].total_cmp(&energy[j]))?;
    let apart = |i: usize| i.abs_diff(first).min(ANGLES - i.abs_diff(first));
    let second =
        (0..ANGLES).filter(|&i| apart(i) * 180 >= 62 * ANGLES).max_by(|&i, &j| energy[i].total_cmp(&energy[j]))?;
    let strength = energy[second];
    (strength >= MIN_STRENGTH).then_some(Seed { marking, strength, level, centre, angles: [first, second] })
}

/// A map pixel's middle in the photo: the map's pixels are means of `scale` x `scale` ones.
fn photo_point(x: f64, y: f64, scale: f64) -> ImagePoint {
    let shift = 0.5 * (scale - 1.0);
    ImagePoint::new(x * scale + shift, y * scale + shift)
}

/// Parallel lines of a window.
struct Family {
    /// Direction of the lines' normal, radians.
    angle: f32,
    /// Candidate (period, offset of one line from the window's middle), map px, likeliest first.
    combs: Vec<(f32, f32)>,
}

impl Family {
    fn new(points: &[(i32, i32)], table: &AngleTable, k: usize) -> Self {
        let step = std::f32::consts::PI / ANGLES as f32;
        let middle = k as f32 * step;
        let mut best = (middle, f32::NEG_INFINITY, [0.0; BINS]);
        // To a quarter of a degree within the coarse step.
        for i in -12..=12 {
            let angle = middle + i as f32 * step / 12.0;
            let profile = project(points, (angle.cos(), angle.sin()));
            let energy = table.energy(&profile, points.len());
            if energy > best.1 {
                best = (angle, energy, profile);
            }
        }
        let (angle, _, profile) = best;
        Self { angle, combs: combs(&profile, &table.chord_share, points.len()) }
    }
}

/// Periodic combs that fit the profile's peaks, best first.
fn combs(profile: &[f32; BINS], chord_share: &[f32; BINS], points: usize) -> Vec<(f32, f32)> {
    let peaks = peaks(profile, chord_share, points);
    if peaks.len() < 3 {
        return Vec::new();
    }
    let total: f32 = peaks.iter().map(|p| p.1).sum();
    let mut scored: Vec<(f32, f32, f32)> = Vec::new();
    for i in 0..peaks.len() {
        for j in i + 1..peaks.len() {
            let gap = peaks[j].0 - peaks[i].0;
            for parts in 1..=6u8 {
                let period = gap / f32::from(parts);
                if !PERIODS.contains(&period) || parts as usize > j - i + 2 {
                    continue;
                }
                if let Some((period, offset, score)) = comb_score(&peaks, total, period, peaks[i].0) {
                    scored.push((period, offset, score));
                }
            }
        }
    }
    scored.sort_by(|a, b| b.2.total_cmp(&a.2));
    let mut best: Vec<(f32, f32, f32)> = Vec::new();
    for candidate in scored {
        let new = best.iter().all(|b| (candidate.0 / b.0 - 1.0).abs() > 0.06);
        if new && candidate.2 > 0.4 * best.first().map_or(0.0, |b| b.2) {
            best.push(candidate);
        }
        if best.len() == 4 {
            break;
        }
    }
    best.into_iter().map(|(period, offset, _)| (period, offset)).collect()
}

/// Peaks of the profile over its expectation: (place relative to the middle, height).
fn peaks(profile: &[f32; BINS], chord_share: &[f32; BINS], points: usize) -> Vec<(f32, f32)> {
    let n = points as f32;
    // Relative to the chord, so that lines near the rim count as much as those in the middle.
    let excess: Vec<f32> =
        (0..BINS).map(|b| (profile[b] - n * chord_share[b]) / (chord_share[b] * BINS as f32).max(0.35)).collect();
    let sd = (excess.iter().map(|e| e * e).sum::<f32>() / BINS as f32).sqrt();
    let mut peaks = Vec::new();
    for b in 1..BINS - 1 {
        let (l, c, r) = (excess[b - 1], excess[b], excess[b + 1]);
        if c > 0.6 * sd && c >= l && c > r {
            let (l, c, r) = (l.max(0.0), c, r.max(0.0));
            peaks.push((b as f32 - (RADIUS as f32 + 1.0) + (r - l) / (l + c + r), c + 0.5 * (l + r)));
        }
    }
    peaks
}

/// Fits a comb through the peaks near its teeth; score = share of peak height on teeth x share of
/// spanned teeth that have a peak, both less what chance would give.
fn comb_score(peaks: &[(f32, f32)], total: f32, period: f32, anchor: f32) -> Option<(f32, f32, f32)> {
    let (mut period, mut offset) = (period, anchor);
    for _ in 0..2 {
        let (mut s, mut si, mut sii, mut sp, mut sip) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(place, height) in peaks {
            let i = ((place - offset) / period).round();
            if (place - offset - i * period).abs() < 0.18 * period.min(12.0) {
                s += height;
                si += height * i;
                sii += height * i * i;
                sp += height * place;
                sip += height * i * place;
            }
        }
        let det = s * sii - si * si;
        if det < 1e-3 * s {
            return None;
        }
        period = (s * sip - si * sp) / det;
        offset = (sp - period * si) / s;
        if !PERIODS.contains(&period) {
            return None;
        }
    }
    let mut on = 0.0;
    let mut teeth: Vec<i32> = Vec::new();
    let tolerance = (0.12 * period).clamp(1.0, 2.0);
    for &(place, height) in peaks {
        let i = ((place - offset) / period).round();
        if (place - offset - i * period).abs() < tolerance {
            on += height;
            teeth.push(i as i32);
        }
    }
    teeth.dedup();
    let (first, last) = (*teeth.first()?, *teeth.last()?);
    if last - first < 2 {
        return None;
    }
    let chance = 2.0 * tolerance / period;
    let share = ((on / total - chance) / (1.0 - chance)).max(0.0);
    let hit = teeth.len() as f32 / (last - first + 1) as f32;
    Some((period, offset, share * hit))
}

/// All pairings of the families' combs into lattices of plausible shape, finest first.
fn lattices(families: &[Family; 2], (cx, cy): (i32, i32), scale: f64, pitch_ratio: f64) -> Vec<LocalLattice> {
    let normal = |f: &Family| Vector2::new(f64::from(f.angle.cos()), f64::from(f.angle.sin()));
    let (n1, n2) = (normal(&families[0]), normal(&families[1]));
    let frame = nalgebra::Matrix2::from_rows(&[n1.transpose(), n2.transpose()]);
    let Some(inverse) = frame.try_inverse() else { return Vec::new() };
    let mut found = Vec::new();
    for &(p1, o1) in &families[0].combs {
        for &(p2, o2) in &families[1].combs {
            let u = inverse.column(0) * f64::from(p1);
            let v = inverse.column(1) * f64::from(p2);
            let ratio = u.norm() / v.norm();
            let near = |r: f64| (0.7..=1.43).contains(&(ratio / r));
            if !near(pitch_ratio) && !near(1.0 / pitch_ratio) {
                continue;
            }
            let at = inverse * Vector2::new(f64::from(o1), f64::from(o2));
            // The crossing next to the window's middle.
            let back = Vector2::new((f64::from(o1) / f64::from(p1)).round(), (f64::from(o2) / f64::from(p2)).round());
            let at = at - u * back.x - v * back.y;
            let origin = photo_point(f64::from(cx) + at.x, f64::from(cy) + at.y, scale);
            found.push(LocalLattice { origin, u: u * scale, v: v * scale });
        }
    }
    found.sort_by(|a, b| (a.u.norm() + a.v.norm()).total_cmp(&(b.u.norm() + b.v.norm())));
    found
}
