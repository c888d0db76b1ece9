//! What a comb's ticks look like: where they begin and end, and the ruler's sides.

use image::GrayImage;
use nalgebra::Vector2;

use super::comb::{self, Comb, Probe};
use super::division::{self, Division};
use super::lines::PhotoLine;
use crate::reference::light::{line_through, sample};
use crate::units::ImagePoint;

/// How far to both sides ticks are looked for, in periods, and at most, px.
const REACH_PERIODS: f64 = 12.0;
const REACH_PX: f64 = 60.0;
/// How far a ruler's far side may be, periods of the finest division.
const WIDEST: f64 = 42.0;

/// What was read of a comb.
#[derive(Debug, Clone)]
pub(super) struct Ticks {
    /// Distances from the comb's line at which every tick is seen, px: near one end, the middle, near the other.
    pub rows: Vec<f64>,
    /// Middle period, px.
    pub period_px: f64,
    /// Amplitude in the middle row.
    pub strength: f64,
    /// What the longer ticks say, where they say it clearly.
    pub division: Option<Division>,
    /// The ruler's side: (tick number, place).
    pub edge: Vec<(f64, ImagePoint)>,
    /// Its distance from the comb's line, px, and the standard deviation of its places.
    pub edge_off: f64,
    pub edge_sigma: f64,
    /// Which way the ruler lies from that side: 1 or -1.
    pub inwards: f64,
    /// Straight steps along the comb further in: (how far from that side, px; grey levels), the nearest first.
    pub within: Vec<(f64, f64)>,
}

/// Mean amplitude of the comb at a distance, over some of its ticks.
fn strength_at(probes: &[Probe], off: f64) -> f64 {
    let all: Vec<f64> = probes.iter().filter_map(|p| p.read(off).map(|b| b.1)).collect();
    if all.len() * 2 < probes.len() { 0.0 } else { all.iter().sum::<f64>() / all.len() as f64 }
}

fn some_ticks(comb: &Comb, count: usize) -> Vec<f64> {
    let (Some(a), Some(b)) = (comb.track.first(), comb.track.last()) else { return Vec::new() };
    (0..count).map(|k| (a.1 + (b.1 - a.1) * (k as f64 + 0.5) / count as f64).round()).collect()
}

/// The range of distances around `from` at which the ticks are at least half as strong as at their strongest.
fn band(luma: &GrayImage, comb: &Comb, ticks: &[f64], reach: f64) -> Option<(f64, f64, f64)> {
    let n = (reach / 1.5) as i32;
    let probes: Vec<Probe> = ticks.iter().filter_map(|t| Probe::at(luma, comb, *t)).collect();
    let values: Vec<(f64, f64)> =
        (-n..=n).map(|k| 1.5 * f64::from(k)).map(|off| (off, strength_at(&probes, off))).collect();
    let (peak, most) = values.iter().enumerate().max_by(|a, b| a.1.1.total_cmp(&b.1.1)).map(|(i, v)| (i, v.1))?;
    let strong = |i: &usize| values[*i].1 > 0.55 * most;
    let lo = (0..=peak).rev().take_while(strong).last()?;
    let hi = (peak..values.len()).take_while(strong).last()?;
    (most > 1.0).then_some((values[lo].0, values[hi].0, most))
}

/// The comb again along the middle of its ticks: the line first found may cut across them.
pub(super) fn straightened(luma: &GrayImage, comb: &Comb) -> Option<Comb> {
    let mut now = comb.clone();
    for _ in 0..2 {
        let period = now.period_at(0.5 * (now.track.first()?.1 + now.track.last()?.1))?;
        let reach = (REACH_PERIODS * period).min(REACH_PX);
        let normal = Vector2::new(-now.line.along.y, now.line.along.x);
        let places: Vec<ImagePoint> = some_ticks(&now, 9)
            .into_iter()
            .filter_map(|tick| {
                let around = [tick - 4.0, tick, tick + 4.0];
                let (lo, hi, _) = band(luma, &now, &around, reach)?;
                Some(now.line.at + now.line.along * now.place_of(tick)? + normal * (0.5 * (lo + hi)))
            })
            .collect();
        let (at, mut along) = line_through(&places, 5)?;
        if along.dot(&now.line.along) < 0.0 {
            along = -along;
        }
        let next = comb::along(luma, PhotoLine { at, along })?;
        if next.ticks() < 0.8 * now.ticks() {
            break;
        }
        now = next;
    }
    Some(now)
}

/// Reads a straightened comb.
pub(super) fn read(luma: &GrayImage, comb: &Comb) -> Option<Ticks> {
    let some = some_ticks(comb, 15);
    let period_px = comb.period_at(*some.get(7)?)?;
    let reach = (REACH_PERIODS * period_px).min(REACH_PX);
    let (lo, hi, strength) = band(luma, comb, &some, reach)?;
    let inset = (0.15 * (hi - lo)).min(2.0);
    let rows = vec![lo + inset, 0.5 * (lo + hi), hi - inset];
    let told = division::read(luma, comb, (lo, hi), strength);
    let sides = sides(luma, comb, period_px);
    // The side the ticks start from: the one nearest to the end that the longer of them do not run beyond, or to either.
    let inwards = told.map(|t| (t.longer_at - 0.5 * (lo + hi)).signum());
    let from_ticks = |s: &Side| match inwards {
        Some(1.0) => (s.off - lo).abs(),
        Some(_) => (s.off - hi).abs(),
        None => (s.off - lo).abs().min((s.off - hi).abs()),
    };
    let base = sides.iter().min_by(|a, b| from_ticks(a).total_cmp(&from_ticks(b)));
    let (edge, edge_off, edge_sigma) = match base {
        Some(side) => (side.places.clone(), side.off, 0.3),
        // No side to be seen: the ticks' own middle line, roughly.
        None => {
            let line = |t: &f64| comb.place_of(*t).map(|s| (*t, comb.line.at + comb.line.along * s));
            (some.iter().filter_map(line).collect(), 0.0, 1.5)
        }
    };
    // Which way the ruler lies from that side: where the longer ticks run, or just the ticks.
    let inwards = inwards.unwrap_or(if 0.5 * (lo + hi) >= edge_off { 1.0 } else { -1.0 });
    let mut within: Vec<(f64, f64)> = sides.iter().map(|s| ((s.off - edge_off) * inwards, s.step)).collect();
    within.retain(|(width, _)| *width > 0.0);
    within.sort_by(|a, b| a.0.total_cmp(&b.0));
    Some(Ticks {
        rows,
        period_px,
        strength,
        division: told.map(|t| t.division),
        edge,
        edge_off,
        edge_sigma,
        inwards,
        within,
    })
}

/// A straight side parallel to the comb.
struct Side {
    off: f64,
    /// Its step, grey levels.
    step: f64,
    places: Vec<(f64, ImagePoint)>,
}

/// Sides parallel to the comb: steps across it, the ticks averaged away, that stand at one distance all along.
fn sides(luma: &GrayImage, comb: &Comb, period: f64) -> Vec<Side> {
    let ticks = some_ticks(comb, 41);
    let normal = Vector2::new(-comb.line.along.y, comb.line.along.x);
    let reach = (WIDEST * period).ceil() as i32;
    let mean_at = |tick: f64, off: f64| -> Option<f64> {
        // Over two whole periods, so that no tick weighs more than another.
        let n = 8;
        let values: Option<Vec<f64>> = (0..n)
            .map(|i| {
                let t = tick - 1.0 + 2.0 * (f64::from(i) + 0.5) / f64::from(n);
                sample(luma, comb.line.at + comb.line.along * comb.place_of(t)? + normal * off)
            })
            .collect();
        values.map(|v| v.iter().sum::<f64>() / v.len() as f64)
    };
    let profiles: Vec<(f64, Vec<f64>)> = ticks
        .iter()
        .filter_map(|&t| {
            let values: Option<Vec<f64>> = (-reach..=reach).map(|k| mean_at(t, f64::from(k))).collect();
            values.map(|v| (t, v))
        })
        .collect();
    if profiles.len() < 12 {
        return Vec::new();
    }
    // The median step at every distance, by sign, is what stands there all along.
    let step = |v: &[f64], i: usize| v[i + 1] - v[i - 1];
    let size = 2 * reach as usize + 1;
    let medians: Vec<f64> = (0..size)
        .map(|i| {
            if i < 2 || i + 2 >= size {
                return 0.0;
            }
            // A tilted line wanders by a pixel or two: the largest step of one sign within two pixels.
            let signed = |sign: f64| {
                let mut all: Vec<f64> = profiles
                    .iter()
                    .map(|(_, v)| {
                        (i.max(3) - 2..=(i + 2).min(size - 2)).map(|j| sign * step(v, j)).fold(f64::MIN, f64::max)
                    })
                    .collect();
                crate::camera::median(&mut all)
            };
            signed(1.0).max(signed(-1.0))
        })
        .collect();
    let most = medians.iter().copied().fold(0.0, f64::max);
    let mut out = Vec::new();
    for i in 3..size - 3 {
        let here = medians[i];
        let crest = (i - 3..=i + 3).all(|j| medians[j] < here || j >= i) && (i..=i + 3).all(|j| medians[j] <= here);
        if here > 3.0 && here > 0.15 * most && crest {
            out.extend(side(comb, &profiles, i, reach, normal).map(|s| Side { step: here, ..s }));
        }
    }
    out
}

fn side(comb: &Comb, profiles: &[(f64, Vec<f64>)], i: usize, reach: i32, normal: Vector2<f64>) -> Option<Side> {
    let mut places = Vec::new();
    let mut offs = Vec::new();
    let total: f64 = profiles.iter().map(|(_, v)| v[i + 1] - v[i - 1]).sum();
    for (tick, v) in profiles {
        let step = |j: usize| (v[j + 1] - v[j - 1]) * total.signum();
        let range = i.max(5) - 4..=(i + 4).min(v.len() - 2);
        let weights: Vec<(f64, f64)> = range.map(|j| (j as f64, step(j).max(0.0).powi(2))).collect();
        let sum: f64 = weights.iter().map(|w| w.1).sum();
        if sum < 9.0 {
            continue;
        }
        let off = weights.iter().map(|w| w.0 * w.1).sum::<f64>() / sum - f64::from(reach);
        let Some(place) = comb.place_of(*tick) else { continue };
        offs.push(off);
        places.push((*tick, comb.line.at + comb.line.along * place + normal * off));
    }
    let middle = crate::camera::median(&mut offs.clone());
    (places.len() * 2 > profiles.len()).then_some(Side { off: middle, step: 0.0, places })
}
