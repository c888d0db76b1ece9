//! Corners: where the outline turns over a physical length, placed where its two sides meet.
//!
//! The turn at a point is the angle between lines fitted to the outline before and after it, over 8 mm arms. Where it
//! peaks, both sides are fitted again as parabolas over 20 mm, and the angle between those where they meet is the
//! corner's own: a curve leaves nothing of it, a wrinkle's bump fits no parabola. A photo rounds every corner by a
//! fraction of a millimetre, so the corner is put where the fitted sides meet, as long as that is no further off than
//! such rounding.

use nalgebra::{Matrix3, Vector3};

use super::ring::Ring;
use super::{EdgeOptions, by_hand, curve, wishes};
use crate::path::StraightLine;
use crate::units::MatPoint;

/// Arms of the second look, mm.
const LONG_ARM_MM: f64 = 20.0;
/// An apex worth a second look turns this share of the least turn over the short arms.
const LOOK_SHARE: f64 = 0.8;
/// Standard deviation of the second look's angle for 1 mm of scatter about the sides, degrees: measured on outlines
/// whose scatter hangs together over 2 to 4 mm.
const SCATTER_DEG_PER_MM: f64 = 30.0;
/// A corner stands out from the scatter by so many standard deviations ...
const STANDS_OUT: f64 = 5.0;
/// ... but a turn of so many degrees is one whatever the scatter.
const PLAIN_DEG: f64 = 40.0;
/// What pictures and cloth round off a corner, mm along each side.
const ROUNDED_MM: f64 = 1.5;
/// Corners nearer than this are one, mm.
const APART_MM: f64 = 6.0;
/// Length of side used to place a corner where a side is not straight all along, mm.
const SIDE_MM: f64 = 15.0;

/// A corner of the outline.
#[derive(Debug, Clone, Copy)]
pub(super) struct Corner {
    /// The ring point nearest to it.
    pub index: usize,
    /// Its place.
    pub at: MatPoint,
    /// Length of outline on either side that its rounding has spoilt, mm.
    pub spoilt_mm: f64,
}

/// Corners in the order of the ring; a smooth outline gets one, its lower-left point, as a place to begin.
pub(super) fn find(ring: &Ring, options: &EdgeOptions) -> Vec<Corner> {
    let apexes = apexes(ring, options);
    // The place to begin on a smooth outline is no corner that a person would keep beside their own.
    let wished = options.corners.iter().any(|w| w.corner);
    let found = match (apexes.is_empty(), wished) {
        (true, false) => return vec![lower_left(ring)],
        (true, true) => Vec::new(),
        _ => place(ring, &apexes),
    };
    let found = drawn_ones(ring, found, options);
    let mut settled = wishes::settle_corners(ring, found, &options.corners);
    wishes::keep_whole(ring, &mut settled, &options.lengths);
    if settled.is_empty() { vec![lower_left(ring)] } else { settled }
}

/// Corners of small things that a person drew are left out, others within what was drawn lie where they were drawn.
fn drawn_ones(ring: &Ring, mut corners: Vec<Corner>, options: &EdgeOptions) -> Vec<Corner> {
    if options.by_hand.is_empty() {
        return corners;
    }
    corners.retain(|c| !by_hand::is_detail(ring, c.index, &options.by_hand, options.least_turn_deg));
    for corner in &mut corners {
        if let Some(at) = by_hand::place_of(ring.at(corner.index, 0), &options.by_hand) {
            (corner.at, corner.spoilt_mm) = (at, 0.0);
        }
    }
    corners
}

fn lower_left(ring: &Ring) -> Corner {
    let score = |p: &MatPoint| p.x + p.y;
    let index = ring.points.iter().enumerate().min_by(|a, b| score(a.1).total_cmp(&score(b.1))).map_or(0, |(i, _)| i);
    // The mean of a short stretch: one noisy point must not become a corner.
    let reach = ring.steps(1.0) as isize;
    let side = Side::fitted((-reach..=reach).map(|k| (k as f64 * ring.step_mm, ring.at(index, k))));
    Corner { index, at: side.map_or(ring.at(index, 0), |s| s.at(0.0)), spoilt_mm: 0.0 }
}

/// Ring indices of the sharpest points of the corners, in order.
fn apexes(ring: &Ring, options: &EdgeOptions) -> Vec<usize> {
    let least = options.least_turn_deg.to_radians();
    let arm = arm_steps(ring, options.turn_over_mm);
    let turns: Vec<f64> = (0..ring.len()).map(|i| turn(ring, i, arm, arm)).collect();
    let mut strongest: Vec<usize> =
        (0..ring.len()).filter(|&i| turns.get(i).is_some_and(|t| t.abs() >= LOOK_SHARE * least)).collect();
    strongest.sort_by(|a, b| turns[*b].abs().total_cmp(&turns[*a].abs()).then(a.cmp(b)));
    let apart = ring.steps(APART_MM);
    let mut kept: Vec<usize> = Vec::new();
    for i in strongest {
        let near = |&k: &usize| ring.steps_between(i, k).min(ring.steps_between(k, i)) < apart || i == k;
        // Only a peak of the turning is an apex; its shoulders are not.
        let peak = (1..=arm as isize / 2).all(|d| {
            let neighbour = |d: isize| turns[((i as isize + d).rem_euclid(ring.len() as isize)) as usize].abs();
            neighbour(d) <= turns[i].abs() && neighbour(-d) <= turns[i].abs()
        });
        if peak && !kept.iter().any(near) {
            kept.push(i);
        }
    }
    kept.sort_unstable();
    confirm(ring, kept, &turns, least)
}

/// Drops the apexes that are curves or bumps at the second look, weakest first.
fn confirm(ring: &Ring, mut kept: Vec<usize>, turns: &[f64], least: f64) -> Vec<usize> {
    let long = arm_steps(ring, LONG_ARM_MM);
    loop {
        let doubtful = kept
            .iter()
            .enumerate()
            .filter(|&(k, &i)| {
                let arms = arms_to_neighbours(ring, &kept, turns, k, long);
                own_turn(ring, i, arms).is_some_and(|(own, scatter)| {
                    let needed = least.max((STANDS_OUT * scatter).min(PLAIN_DEG.to_radians()));
                    own * turns[i].signum() < needed
                })
            })
            .min_by(|a, b| turns[*a.1].abs().total_cmp(&turns[*b.1].abs()))
            .map(|(k, _)| k);
        match doubtful {
            Some(k) => kept.remove(k),
            None => return kept,
        };
    }
}

/// The turn left between parabolas fitted to both sides, and its standard deviation, radians; `None` where the arms
/// are too short to fit.
fn own_turn(ring: &Ring, apex: usize, (before, after): (usize, usize)) -> Option<(f64, f64)> {
    let skip = ring.steps(ROUNDED_MM);
    let side = |sense: isize, arm: usize| {
        let samples: Vec<(f64, MatPoint)> =
            (skip..=arm).map(|k| (k as f64 * ring.step_mm, ring.at(apex, sense * k as isize))).collect();
        let side = Side::of_degree(&samples, 2).filter(|_| samples.len() >= 12)?;
        let scatter_mm = (side.residual(&samples) / samples.len() as f64).sqrt();
        let shorter = (LONG_ARM_MM / (arm as f64 * ring.step_mm)).max(1.0).powf(1.5);
        Some((side.direction(0.0), scatter_mm * shorter))
    };
    let ((back, first), (out, second)) = (side(-1, before)?, side(1, after)?);
    let into = -back;
    let scatter = SCATTER_DEG_PER_MM.to_radians() * ((first * first + second * second) / 2.0).sqrt();
    Some((into.perp(&out).atan2(into.dot(&out)), scatter))
}

/// Arms (steps) from an apex, cut short before neighbouring apexes that are corners beyond question.
fn arms_to_neighbours(ring: &Ring, kept: &[usize], turns: &[f64], k: usize, longest: usize) -> (usize, usize) {
    let count = kept.len();
    let plain = |i: usize| turns[i].abs() >= PLAIN_DEG.to_radians();
    let clear = |gap: usize| longest.min(gap.saturating_sub(ring.steps(ROUNDED_MM)));
    let before = (1..count).map(|d| kept[(k + count - d) % count]).find(|i| plain(*i));
    let after = (1..count).map(|d| kept[(k + d) % count]).find(|i| plain(*i));
    (
        before.map_or(longest, |i| clear(ring.steps_between(i, kept[k]))),
        after.map_or(longest, |i| clear(ring.steps_between(kept[k], i))),
    )
}

fn arm_steps(ring: &Ring, arm_mm: f64) -> usize {
    ring.steps(arm_mm).min(ring.len() / 3).max(2)
}

/// Turn at a ring point, radians, positive to the left, from lines fitted to arms of so many steps.
fn turn(ring: &Ring, index: usize, before: usize, after: usize) -> f64 {
    let skip = ring.steps(0.5) as isize;
    let into = slope(ring, index, -(before as isize), -skip);
    let out = slope(ring, index, skip, after as isize);
    into.perp(&out).atan2(into.dot(&out))
}

/// Direction of the least-squares line through ring points `from..=to` steps away (not normalised).
fn slope(ring: &Ring, index: usize, from: isize, to: isize) -> nalgebra::Vector2<f64> {
    let middle = 0.5 * (from + to) as f64;
    let anchor = ring.at(index, from);
    (from..=to).map(|k| (ring.at(index, k) - anchor) * (k as f64 - middle)).sum()
}

/// One side of a corner near it: coordinates as polynomials of the distance along, degree 1 or 2.
#[derive(Debug, Clone, Copy)]
struct Side {
    x: Vector3<f64>,
    y: Vector3<f64>,
}

impl Side {
    fn at(&self, s: f64) -> MatPoint {
        let powers = Vector3::new(1.0, s, s * s);
        MatPoint::new(self.x.dot(&powers), self.y.dot(&powers))
    }

    fn direction(&self, s: f64) -> nalgebra::Vector2<f64> {
        let powers = Vector3::new(0.0, 1.0, 2.0 * s);
        nalgebra::Vector2::new(self.x.dot(&powers), self.y.dot(&powers))
    }

    /// A straight side, its distances counted from the place nearest to `here`.
    fn straight(line: &StraightLine, here: MatPoint) -> Self {
        let foot = line.foot(here);
        Self { x: Vector3::new(foot.x, line.direction.x, 0.0), y: Vector3::new(foot.y, line.direction.y, 0.0) }
    }

    /// Least squares; the second degree only where it explains clearly more.
    fn fitted(samples: impl Iterator<Item = (f64, MatPoint)>) -> Option<Self> {
        let samples: Vec<_> = samples.collect();
        let linear = Self::of_degree(&samples, 1)?;
        let bent = match Self::of_degree(&samples, 2) {
            Some(bent) if samples.len() >= 8 => bent,
            _ => return Some(linear),
        };
        // Neighbouring points share their error, so a plain F test would bend too readily.
        if linear.residual(&samples) > 1.8 * bent.residual(&samples) + 1e-6 { Some(bent) } else { Some(linear) }
    }

    fn of_degree(samples: &[(f64, MatPoint)], degree: usize) -> Option<Self> {
        let mut normal = Matrix3::zeros();
        let (mut right_x, mut right_y) = (Vector3::zeros(), Vector3::zeros());
        for (s, p) in samples {
            let powers = Vector3::new(1.0, *s, if degree == 2 { s * s } else { 0.0 });
            normal += powers * powers.transpose();
            right_x += powers * p.x;
            right_y += powers * p.y;
        }
        if degree == 1 {
            normal[(2, 2)] = 1.0;
        }
        let solver = normal.cholesky()?;
        Some(Self { x: solver.solve(&right_x), y: solver.solve(&right_y) })
    }

    fn residual(&self, samples: &[(f64, MatPoint)]) -> f64 {
        // Only the part across the side counts: along it the samples' spacing is noise.
        samples
            .iter()
            .map(|(s, p)| {
                let along = self.direction(*s);
                let across = along.perp(&(*p - self.at(*s))) / along.norm().max(1e-9);
                across * across
            })
            .sum()
    }

    /// Where two sides meet, both continued past their ends.
    fn meeting(&self, other: &Self) -> Option<MatPoint> {
        let (mut s, mut t) = (0.0, 0.0);
        for _ in 0..6 {
            let (u, v) = (self.direction(s), other.direction(t));
            let gap = other.at(t) - self.at(s);
            let across = u.perp(&v);
            if across.abs() < 0.05 * u.norm() * v.norm() {
                return None;
            }
            s = (s + gap.perp(&v) / across).clamp(-10.0, 10.0);
            t = (t + gap.perp(&u) / across).clamp(-10.0, 10.0);
        }
        Some(self.at(s))
    }
}

/// Puts each corner where its sides meet: straight sides are fitted along their whole length.
fn place(ring: &Ring, apexes: &[usize]) -> Vec<Corner> {
    let count = apexes.len();
    let straight: Vec<Option<StraightLine>> =
        (0..count).map(|k| straight_side(ring, apexes[k], apexes[(k + 1) % count])).collect();
    (0..count)
        .map(|k| {
            let (last, apex, next) = (apexes[(k + count - 1) % count], apexes[k], apexes[(k + 1) % count]);
            let here = ring.at(apex, 0);
            let whole = |line: &Option<StraightLine>| line.as_ref().map(|l| Side::straight(l, here));
            let into = whole(&straight[(k + count - 1) % count])
                .or_else(|| near_side(ring, apex, ring.steps_between(last, apex), -1));
            let out = whole(&straight[k]).or_else(|| near_side(ring, apex, ring.steps_between(apex, next), 1));
            placed(ring, apex, into, out)
        })
        .collect()
}

fn placed(ring: &Ring, apex: usize, into: Option<Side>, out: Option<Side>) -> Corner {
    let kept = Corner { index: apex, at: ring.at(apex, 0), spoilt_mm: 0.5 };
    let Some(meeting) = into.zip(out).and_then(|(a, b)| a.meeting(&b)) else { return kept };
    let reach = ring.steps(2.0 * ROUNDED_MM) as isize;
    let nearest = (-reach..=reach)
        .min_by(|a, b| ring.at(apex, *a).distance(meeting).total_cmp(&ring.at(apex, *b).distance(meeting)))
        .unwrap_or(0);
    let index = (apex as isize + nearest).rem_euclid(ring.len() as isize) as usize;
    let arm = arm_steps(ring, 8.0);
    let half_inside = 0.5 * (std::f64::consts::PI - turn(ring, apex, arm, arm).abs());
    let rounding = (ROUNDED_MM + ring.doubt_at(apex)) / half_inside.sin().max(0.2);
    if ring.at(index, 0).distance(meeting) <= rounding {
        Corner { index, at: meeting, spoilt_mm: ROUNDED_MM }
    } else {
        kept
    }
}

/// The whole side between two apexes, if it is straight within its doubt.
fn straight_side(ring: &Ring, from: usize, to: usize) -> Option<StraightLine> {
    let steps = ring.steps_between(from, to);
    let skip = ring.steps(ROUNDED_MM);
    if steps < 2 * skip + ring.steps(4.0) {
        return None;
    }
    let points: Vec<MatPoint> = (skip..=steps - skip).map(|k| ring.at(from, k as isize)).collect();
    let doubts: Vec<f64> = (skip..=steps - skip).map(|k| ring.doubt_at((from + k) % ring.len())).collect();
    curve::fit_line(&points, &doubts, ring.step_mm)
}

/// The side next to an apex, before it (`sense` -1) or after it (+1).
fn near_side(ring: &Ring, apex: usize, gap: usize, sense: isize) -> Option<Side> {
    let skip = ring.steps(ROUNDED_MM);
    let reach = ring.steps(SIDE_MM).min(gap / 2);
    if reach < skip + 4 {
        return None;
    }
    let distance = |k: isize| k as f64 * ring.step_mm;
    Side::fitted((skip as isize..=reach as isize).map(|k| (distance(k), ring.at(apex, sense * k))))
}
