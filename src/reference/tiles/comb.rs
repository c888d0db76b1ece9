//! Numbering two families of lines: the floor is turned upright through their vanishing points, and one
//! comb of equal teeth must fit both.

use std::collections::BTreeSet;

use nalgebra::{Vector2, Vector3};

use super::segments::Segment;
use super::vanishing::Family;

/// A line is on a tooth within this share of the period.
const ON: f64 = 0.06;
/// Least score of each family: (share of length on teeth over chance) x (teeth seen / teeth spanned).
const LEAST_SCORE: f64 = 0.6;
/// Teeth that each family must show.
const LEAST_TEETH: usize = 3;
/// Largest cosine of the angle between the families on the floor, at an ordinary focal length.
const SQUARE: f64 = 0.12;
/// Periods tried, each this much longer than the last.
const STEP: f64 = 1.004;

/// A numbered segment.
#[derive(Debug, Clone, Copy)]
pub(super) struct Numbered {
    /// Place in the photo (long sides about the middle).
    pub segment: Segment,
    /// Tooth.
    pub index: i32,
}

/// Two families on one comb.
#[derive(Debug, Clone)]
pub(super) struct Comb {
    /// The segments of each family with their numbers.
    pub families: [Vec<Numbered>; 2],
    /// The lesser score of the two.
    pub score: f64,
}

/// Fits a comb to a pair of families; periods in the ratio `ratio` (second over first).
///
/// `focal` is in long sides of the photo; an ordinary value will do, as the floor is seen from above.
pub(super) fn comb(pair: [&Family; 2], ratio: f64, focal: f64) -> Option<Comb> {
    let [d1, d2] = pair.map(|f| Vector3::new(f.point.x, f.point.y, f.point.z * focal).normalize());
    if d1.dot(&d2).abs() > SQUARE {
        return None;
    }
    let normal = d1.cross(&d2).normalize();
    let offsets = [0, 1].map(|k| {
        let across = normal.cross(&[d1, d2][k]);
        offsets(pair[k], &across, &normal, focal)
    });
    let span = |o: &[(f64, f64)]| {
        let (lo, hi) = o.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v.0), h.max(v.0)));
        hi - lo
    };
    let longest = 0.5 * 1.1 * span(&offsets[0]).min(span(&offsets[1]) / ratio);
    let mut best: Option<(f64, f64, [f64; 2])> = None;
    let mut period = longest / 12.0;
    while period <= longest {
        let teeth = [teeth(&offsets[0], period), teeth(&offsets[1], period * ratio)];
        let score = teeth[0].score.min(teeth[1].score);
        if best.is_none_or(|(most, ..)| score > most) {
            best = Some((score, period, [teeth[0].phase, teeth[1].phase]));
        }
        period *= STEP;
    }
    let (score, period, phases) = best.filter(|b| b.0 >= LEAST_SCORE)?;
    let families = [0, 1].map(|k| {
        let period = if k == 0 { period } else { period * ratio };
        let numbered = pair[k].segments.iter().zip(&offsets[k]).filter_map(|(segment, (offset, _))| {
            let tooth = (offset - phases[k]) / period;
            ((tooth - tooth.round()).abs() < ON).then_some(Numbered { segment: *segment, index: tooth.round() as i32 })
        });
        numbered.collect()
    });
    Some(Comb { families, score })
}

/// Place of each segment across its family on the floor (in camera heights), and its length.
fn offsets(family: &Family, across: &Vector3<f64>, normal: &Vector3<f64>, focal: f64) -> Vec<(f64, f64)> {
    let place = |p: Vector2<f64>| {
        let ray = Vector3::new(p.x, p.y, focal);
        across.dot(&ray) / normal.dot(&ray)
    };
    family.segments.iter().map(|s| (0.5 * (place(s.from) + place(s.to)), s.length())).collect()
}

struct Teeth {
    score: f64,
    phase: f64,
}

/// The best phase for a period, and how well the teeth fit.
fn teeth(offsets: &[(f64, f64)], period: f64) -> Teeth {
    let total: f64 = offsets.iter().map(|o| o.1).sum();
    let mut best = Teeth { score: 0.0, phase: 0.0 };
    for &(phase, _) in offsets {
        let tooth = |o: f64| (o - phase) / period;
        let on = || offsets.iter().filter(|(o, _)| (tooth(*o) - tooth(*o).round()).abs() < ON);
        let share = on().map(|o| o.1).sum::<f64>() / total;
        let seen: BTreeSet<i32> = on().map(|(o, _)| tooth(*o).round() as i32).collect();
        let (Some(first), Some(last)) = (seen.first(), seen.last()) else { continue };
        if seen.len() < LEAST_TEETH {
            continue;
        }
        let chance = 2.0 * ON;
        let score = (share - chance) / (1.0 - chance) * seen.len() as f64 / f64::from(last - first + 1);
        if score > best.score {
            // The teeth's own mean is a better phase than any one of them.
            let drift: f64 = on().map(|(o, w)| w * (tooth(*o) - tooth(*o).round())).sum::<f64>()
                / on().map(|o| o.1).sum::<f64>().max(1e-12);
            best = Teeth { score, phase: phase + drift * period };
        }
    }
    best
}
