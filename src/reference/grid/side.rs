//! Measuring one cell side: is there a line all along it, and where across?
//!
//! Sides are measured, not crossings: numerals, diagonals and the blob where lines meet spoil
//! crossings, and a side is an average over the pitch. The middle 72 % is sampled in rows along
//! the line; rows are gathered into eight segments; the profile across is the segments' mean
//! without the least and the greatest; the position is the centroid above 20 % of the peak.

use image::GrayImage;
use nalgebra::Vector2;

use crate::units::ImagePoint;

/// Segments along a side; presence is voted segment by segment.
const SEGMENTS: usize = 8;

/// Share of the side left out at each end, where the crossing lines are.
const END_SHARE: f32 = 0.14;

/// Segments that must show the line: 70 % rounded up.
const SEGMENTS_NEEDED: usize = 6;

/// Where and how finely to look for a side.
#[derive(Debug, Clone, Copy)]
pub struct SideProbe {
    /// The side's predicted ends.
    pub ends: [ImagePoint; 2],
    /// Unit normal towards higher index.
    pub normal: Vector2<f64>,
    /// The line may lie this far off its prediction, px.
    pub search_px: f64,
    /// The ground is read this far from the line's middle, px: more than half a line width.
    pub arm_px: f64,
    /// Step across, px.
    pub step_px: f64,
    /// Rows read along in each segment, at most.
    pub rows: usize,
    /// Is the line lighter than its ground (or darker)?
    pub light: bool,
}

/// A side as measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Side {
    /// Offset of the line from the prediction along the normal, px.
    pub offset_px: f64,
    /// Height of the line's peak over the ground, grey levels.
    pub contrast: f64,
    /// Area of the peak, grey levels x px (does not depend on blur).
    pub ink: f64,
}

impl Side {
    /// The line's width if it were a box of its peak's height, px.
    pub fn width_px(&self) -> f64 {
        self.ink / self.contrast.max(1e-6)
    }
}

/// Buffers used again from side to side.
#[derive(Debug, Default)]
pub struct Scratch {
    segments: Vec<f32>,
    sums: Vec<i32>,
    profile: Vec<f32>,
    ridge: Vec<f32>,
    least: Vec<f32>,
}

/// Looks for the line along one side. `None` where it is not seen or the photo ends.
pub fn measure(luma: &GrayImage, probe: &SideProbe, scratch: &mut Scratch) -> Option<Side> {
    let step = probe.step_px as f32;
    let arm = ((probe.arm_px / probe.step_px).round() as usize).max(1);
    let reach = (probe.search_px / probe.step_px).ceil() as usize;
    let half = arm + reach + 2;
    let columns = 2 * half + 1;
    sample(luma, probe, half, columns, scratch)?;
    if !probe.light {
        scratch.segments.iter_mut().for_each(|v| *v = -*v);
    }
    average(scratch, columns);
    let (peak, noise) = find_peak(scratch, arm, half, reach)?;
    let line = Peak { at: peak, arm, noise };
    line.measure(scratch, columns, half, step)
}

/// Fills `scratch.segments` (SEGMENTS rows of `columns`).
fn sample(luma: &GrayImage, probe: &SideProbe, half: usize, columns: usize, scratch: &mut Scratch) -> Option<()> {
    let [from, to] = probe.ends;
    let (dx, dy) = ((to.x - from.x) as f32, (to.y - from.y) as f32);
    let length = dx.hypot(dy) * (1.0 - 2.0 * END_SHARE);
    let (width, height) = luma.dimensions();
    let (nx, ny) = (probe.normal.x as f32 * probe.step_px as f32, probe.normal.y as f32 * probe.step_px as f32);
    let reach = half as f32;
    let (x_max, y_max) = (width as f32 - 1.01, height as f32 - 1.01);
    for end in [END_SHARE, 1.0 - END_SHARE] {
        for sign in [-reach, reach] {
            let (x, y) = (from.x as f32 + end * dx + sign * nx, from.y as f32 + end * dy + sign * ny);
            // Written so that a NaN is outside.
            if !(x >= 0.0 && y >= 0.0 && x < x_max && y < y_max) {
                return None;
            }
        }
    }
    let rows = ((length / SEGMENTS as f32).round() as usize).clamp(1, probe.rows.max(1));
    let total = (SEGMENTS * rows) as f32;
    scratch.segments.clear();
    scratch.segments.resize(SEGMENTS * columns, 0.0);
    let (raw, stride) = (luma.as_raw(), width as usize);
    let start = |row: usize| {
        let t = END_SHARE + (1.0 - 2.0 * END_SHARE) * (row as f32 + 0.5) / total;
        (from.x as f32 + t * dx - reach * nx, from.y as f32 + t * dy - reach * ny)
    };
    read_ahead(raw, stride, (0..SEGMENTS * rows).map(start), (2.0 * reach * nx, 2.0 * reach * ny));
    let share = 1.0 / (65_536.0 * rows as f32);
    for (s, segment) in scratch.segments.chunks_exact_mut(columns).enumerate() {
        scratch.sums.clear();
        scratch.sums.resize(columns, 0);
        for r in 0..rows {
            add_row(raw, stride, start(s * rows + r), (nx, ny), &mut scratch.sums)?;
        }
        segment.iter_mut().zip(&scratch.sums).for_each(|(v, sum)| *v = *sum as f32 * share);
    }
    Some(())
}

/// Has the processor fetch both ends of all rows at once: where each row lies on a cache line of its own, waiting for one
/// after the other costs more than the sampling.
fn read_ahead(raw: &[u8], stride: usize, starts: impl Iterator<Item = (f32, f32)>, across: (f32, f32)) {
    let mut all = 0u8;
    for (x, y) in starts {
        for (x, y) in [(x, y), (x + across.0, y + across.1)] {
            let base = y as usize * stride + x as usize;
            all ^= raw.get(base).unwrap_or(&0) ^ raw.get(base + stride).unwrap_or(&0);
        }
    }
    std::hint::black_box(all);
}

/// Adds bilinear samples from `start` by `step` on, times 65536, to the sums.
///
/// Fixed point with 16 fractional bits: conversions from floats cost more than the sampling. By itself it keeps what it
/// counts with in registers.
#[inline(never)]
pub(in crate::reference) fn add_row(
    raw: &[u8],
    stride: usize,
    start: (f32, f32),
    step: (f32, f32),
    sums: &mut [i32],
) -> Option<()> {
    let fixed = |v: f32| (f64::from(v) * 65_536.0) as i64;
    let (mut x, mut y) = (fixed(start.0), fixed(start.1));
    let (sx, sy) = (fixed(step.0), fixed(step.1));
    let below = raw.get(stride..)?;
    for sum in sums {
        let base = (y >> 16) as usize * stride + (x >> 16) as usize;
        let (fx, fy) = (((x >> 8) & 255) as i32, ((y >> 8) & 255) as i32);
        let (Some(top), Some(low)) = (raw.get(base..base + 2), below.get(base..base + 2)) else { return None };
        let (a, b) = (i32::from(top[0]), i32::from(top[1]));
        let (c, d) = (i32::from(low[0]), i32::from(low[1]));
        let top = (a << 8) + fx * (b - a);
        let low = (c << 8) + fx * (d - c);
        *sum += (top << 8) + fy * (low - top);
        x += sx;
        y += sy;
    }
    Some(())
}

/// Mean of the segments without the least and the greatest, column by column.
fn average(scratch: &mut Scratch, columns: usize) {
    let Scratch { segments, profile, ridge, least, .. } = scratch;
    profile.clear();
    profile.resize(columns, 0.0);
    least.clear();
    least.resize(columns, f32::INFINITY);
    ridge.clear();
    ridge.resize(columns, f32::NEG_INFINITY);
    for segment in segments.chunks_exact(columns) {
        for c in 0..columns {
            profile[c] += segment[c];
            least[c] = least[c].min(segment[c]);
            ridge[c] = ridge[c].max(segment[c]);
        }
    }
    for c in 0..columns {
        profile[c] = (profile[c] - least[c] - ridge[c]) / (SEGMENTS - 2) as f32;
    }
}

/// The column of the strongest ridge within the search and the noise of the response elsewhere.
fn find_peak(scratch: &mut Scratch, arm: usize, half: usize, reach: usize) -> Option<(usize, f32)> {
    let Scratch { profile, ridge, .. } = scratch;
    let columns = profile.len();
    ridge.fill(0.0);
    for c in arm..columns - arm {
        ridge[c] = profile[c] - profile[c - arm].max(profile[c + arm]);
    }
    let search = half - reach..=half + reach;
    let peak = search.max_by(|&i, &j| ridge[i].total_cmp(&ridge[j]))?;
    if ridge[peak] < 1.0 || ridge[peak] < ridge[peak - 1] || ridge[peak] < ridge[peak + 1] {
        return None;
    }
    let (mut sum, mut count, mut second) = (0.0f32, 0usize, 0.0f32);
    for (c, response) in ridge.iter().enumerate().take(columns - arm).skip(arm) {
        if c.abs_diff(peak) >= arm {
            let r = response.max(0.0);
            sum += r * r;
            count += 1;
            second = second.max(r);
        }
    }
    let noise = if count > 0 { (sum / count as f32).sqrt() } else { 0.0 };
    (ridge[peak] > 3.5 * noise && ridge[peak] > 1.35 * second).then_some((peak, noise))
}

struct Peak {
    at: usize,
    arm: usize,
    noise: f32,
}

impl Peak {
    fn measure(&self, scratch: &Scratch, columns: usize, half: usize, step: f32) -> Option<Side> {
        let profile = &scratch.profile;
        let ground = |c: usize| (profile[c - 1] + profile[c] + *profile.get(c + 1).unwrap_or(&profile[c])) / 3.0;
        let (left_at, right_at) = (self.at.checked_sub(self.arm)?.max(1), self.at + self.arm);
        let (left, right) = (ground(left_at), ground(right_at.min(columns - 1)));
        let level = |c: f32| left + (right - left) * (c - left_at as f32) / (right_at - left_at) as f32;
        let peak = profile[self.at] - level(self.at as f32);
        // A strongly one-sided ground is an edge next to the line: the position would be pulled.
        if peak < 1.5 || peak < 3.0 * self.noise || (left - right).abs() > 0.7 * peak {
            return None;
        }
        if !self.falls_on_both_sides(profile, peak, &level) || !self.is_present_along(scratch, columns, peak) {
            return None;
        }
        let (offset, ink) = self.centroid(profile, peak, &level);
        Some(Side {
            offset_px: f64::from((offset - half as f32) * step),
            contrast: f64::from(peak),
            ink: f64::from(ink * step),
        })
    }

    fn falls_on_both_sides(&self, profile: &[f32], peak: f32, level: &impl Fn(f32) -> f32) -> bool {
        let low = |c: usize| profile[c] - level(c as f32) < 0.5 * peak;
        (self.at - self.arm..self.at).any(low) && (self.at + 1..=self.at + self.arm).any(low)
    }

    /// Does the line show in most of the segments, within a third of the arm of its place?
    fn is_present_along(&self, scratch: &Scratch, columns: usize, peak: f32) -> bool {
        let slack = (self.arm / 3).max(1);
        let shows = |segment: &[f32]| {
            (self.at - slack..=self.at + slack).any(|c| {
                if c < self.arm || c + self.arm >= columns {
                    return false;
                }
                segment[c] - 0.5 * (segment[c - self.arm] + segment[c + self.arm]) > 0.4 * peak
            })
        };
        scratch.segments.chunks_exact(columns).filter(|s| shows(s)).count() >= SEGMENTS_NEEDED
    }

    /// Centroid above 20 % of the peak (columns) and the area over the ground (grey levels x columns).
    fn centroid(&self, profile: &[f32], peak: f32, level: &impl Fn(f32) -> f32) -> (f32, f32) {
        let floor = 0.2 * peak;
        let (mut weight, mut moment, mut ink) = (0.0, 0.0, 0.0);
        let mut add = |c: usize| {
            let over = profile[c] - level(c as f32);
            if over > floor {
                weight += over - floor;
                moment += (over - floor) * (c as f32 - self.at as f32);
                ink += over;
            }
            over > floor
        };
        add(self.at);
        for c in (self.at - self.arm..self.at).rev() {
            if !add(c) {
                break;
            }
        }
        for c in self.at + 1..=self.at + self.arm {
            if !add(c) {
                break;
            }
        }
        (self.at as f32 + moment / weight.max(1e-6), ink)
    }
}
