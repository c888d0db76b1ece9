//! Bridges spikes and bites of an edge that cannot be seen.
//!
//! Where cloth and mat look alike the path may run out to a fold of the light or in along a stripe, and come back a little
//! farther on. If the edge before and the edge after lie on one smooth curve, the way between is a detour: where nobody saw it,
//! where the photo shows an edge along the curve far more clearly, and where it is narrow and the curve as clear as the sides.

use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use super::{OutlinePoint, parabola};
use crate::units::MatPoint;

/// Longest way of a detour, and the widest gap that is bridged, mm; and the same where the photo is asked.
const LONGEST_MM: f64 = 120.0;
const WIDEST_MM: f64 = 45.0;
const LONGEST_PROVEN_MM: f64 = 220.0;
const WIDEST_PROVEN_MM: f64 = 130.0;
/// A detour is so many times as long as its gap (a corner of the angle below is 1.05 times as long), and so deep, mm.
const LONGER: f64 = 1.08;
const DEEP_MM: f64 = 1.5;
/// It lies within so many of its own doubts of the curve, and is no surer than its sides: what is surer may be a tab.
const DOUBTS: f64 = 4.0;
/// How much more the photo must show along the curve than along the detour (a groove and a step as clear as any make 4.4).
const CLEARLY_MORE: f32 = 0.6;
/// So narrow a detour (its depth as a share of its gap) runs round a figure of the cloth that looks like what lies outside, and
/// is as clear as any edge. No garment ends along the curve and beside it too: it is one if the photo shows such a share of
/// what it shows along the sides, beyond the detour's ends by so much and over so much, mm, at least so clearly, and hardly
/// less than along the detour. (Along the foot of a tab or over the mouth of a notch there is no edge at all.)
const NARROW: f64 = 0.3;
const AS_CLEAR: f32 = 0.9;
const BESIDE_ENDS_MM: (f64, f64) = (3.0, 15.0);
const CLEAR: f32 = 1.0;
const HARDLY_LESS: f32 = 0.1;
/// Curve and detour part where they lie so far apart, mm.
const PARTED_MM: f64 = 1.0;
/// How much of the edge on both sides tells the curve, mm, or as a share of the gap if that is more; and how much it takes.
const SIDE_MM: f64 = 20.0;
const SIDE_OF_GAP: f64 = 0.6;
const LEAST_SIDE_MM: f64 = 10.0;
/// A side comes back over its gap by less than this, mm.
const BACK_MM: f64 = 0.5;
/// The sides lie on the curve to so much, mm (root mean square).
const ON_CURVE_MM: f64 = 0.35;
/// The sides' directions differ by at most this (cosine of 35 degrees): more may be a corner.
const LEAST_COSINE: f64 = 0.819;
/// Sides that go straight on (cosine of 8 degrees) make no corner whatever lies between: wider and shallower bulges are bridged
/// too, mm.
const STRAIGHT_COSINE: f64 = 0.990;
const WIDEST_STRAIGHT_MM: f64 = 70.0;

/// The outline, closed, with its detours bridged; the tips of corners that were theirs are none.
///
/// `shown` tells how clearly the photo shows an edge along a way.
pub(super) fn bridged(
    points: &[OutlinePoint],
    corners: &[bool],
    shown: impl Fn(&[MatPoint]) -> f32,
) -> (Vec<OutlinePoint>, Vec<bool>) {
    let (mut points, mut corners) = (points.to_vec(), corners.to_vec());
    let mut found: Vec<Bridge> = {
        let edge = Edge::new(&points, &corners);
        (0..points.len()).into_par_iter().with_min_len(64).flat_map_iter(|from| edge.best_from(from)).collect()
    };
    // Those over what nobody saw first: they need no other proof.
    found.sort_by(|a, b| b.unseen.cmp(&a.unseen).then(b.worth().total_cmp(&a.worth())));
    let mut settled = vec![false; points.len()];
    let traced: Vec<MatPoint> = points.iter().map(|p| p.at).collect();
    for bridge in found {
        let within: Vec<usize> = (0..=bridge.steps).map(|k| (bridge.from + k) % points.len()).collect();
        if within.iter().any(|i| settled[*i]) {
            continue;
        }
        let way: Vec<MatPoint> = within.iter().map(|i| points[*i].at).collect();
        let is_proven = bridge.unseen || bridge.is_shown(&way, &traced, &shown);
        let (first, last) = if is_proven { (0, bridge.steps) } else { (bridge.steps / 3, bridge.steps * 2 / 3) };
        within[first..=last].iter().for_each(|i| settled[*i] = true);
        if !is_proven {
            continue;
        }
        let doubt_mm = within.iter().map(|i| points[*i].doubt_mm).fold(0.0, f64::max);
        for (k, i) in within.iter().enumerate().take(bridge.steps).skip(1) {
            let at = bridge.at(k as f64 / bridge.steps as f64);
            (points[*i], corners[*i]) = (OutlinePoint { at, doubt_mm, seen: false }, false);
        }
    }
    (points, corners)
}

/// A detour's ends and the curve that goes on from side to side.
struct Bridge {
    from: usize,
    steps: usize,
    frame: Frame,
    curve: Vector3<f64>,
    depth_mm: f64,
    rms_mm: f64,
    /// Nobody saw the way between, and it is so doubtful that its depth is no wonder.
    unseen: bool,
}

impl Bridge {
    /// Of two that overlap the one that takes off more and whose sides agree better.
    fn worth(&self) -> f64 {
        self.depth_mm - self.rms_mm / ON_CURVE_MM * DEEP_MM
    }

    /// Does the photo show the edge along the curve rather than along the way?
    fn is_shown(&self, way: &[MatPoint], traced: &[MatPoint], shown: impl Fn(&[MatPoint]) -> f32) -> bool {
        let (curve, detour) = self.where_they_part(way);
        let (along, round) = (shown(&curve), shown(&detour));
        let is_as_clear =
            || along > AS_CLEAR * self.beside(traced).iter().map(|s| shown(s)).fold(f32::INFINITY, f32::min);
        let is_narrow = self.depth_mm > NARROW * self.frame.length && self.frame.length < WIDEST_MM;
        along > round + CLEARLY_MORE || is_narrow && along > CLEAR.max(round - HARDLY_LESS) && is_as_clear()
    }

    /// What was traced beside the detour's two ends.
    fn beside(&self, traced: &[MatPoint]) -> [Vec<MatPoint>; 2] {
        let n = traced.len();
        let from = |end: usize, ahead: bool| {
            let step = if ahead { 1 } else { n - 1 };
            let away = (0..n / 2).map(|k| traced[(end + k * step) % n]);
            let start = traced[end % n];
            let (near, far) = BESIDE_ENDS_MM;
            away.skip_while(|p| p.distance(start) < near).take_while(|p| p.distance(start) < far).collect()
        };
        [from(self.from, false), from(self.from + self.steps, true)]
    }

    /// The curve and the way where they part, in as many points each.
    fn where_they_part(&self, way: &[MatPoint]) -> (Vec<MatPoint>, Vec<MatPoint>) {
        let last = way.len().saturating_sub(1).max(1) as f64;
        let pairs = way.iter().enumerate().map(|(k, p)| (self.at(k as f64 / last), *p));
        let parted = |p: &MatPoint| self.off(*p) > PARTED_MM;
        let between = pairs.skip_while(|(_, p)| !parted(p)).collect::<Vec<_>>();
        let last = between.iter().rposition(|(_, p)| parted(p)).map_or(0, |k| k + 1);
        between.into_iter().take(last).unzip()
    }

    /// How far a point lies off the curve, mm.
    fn off(&self, p: MatPoint) -> f64 {
        let (share, across) = self.frame.place(p);
        (across - parabola::at(&self.curve, share.clamp(0.0, 1.0))).abs()
    }

    /// The curve at a share of the gap.
    fn at(&self, share: f64) -> MatPoint {
        self.frame.point(share, parabola::at(&self.curve, share))
    }
}

/// The chord of a gap as an axis.
#[derive(Clone, Copy)]
struct Frame {
    origin: MatPoint,
    along: Vector2<f64>,
    length: f64,
}

impl Frame {
    fn new(a: MatPoint, b: MatPoint) -> Option<Self> {
        let length = a.distance(b);
        (length > 1.0).then(|| Self { origin: a, along: (b - a) / length, length })
    }

    /// How far along, as a share of the chord, and how far across, mm.
    fn place(&self, p: MatPoint) -> (f64, f64) {
        let d = p - self.origin;
        (d.dot(&self.along) / self.length, self.along.perp(&d))
    }

    fn point(&self, share: f64, across_mm: f64) -> MatPoint {
        self.origin + self.along * (share * self.length) + Vector2::new(-self.along.y, self.along.x) * across_mm
    }
}

/// The closed outline and the tips of its corners.
struct Edge<'a> {
    points: &'a [OutlinePoint],
    /// How far along the edge every point lies, mm, three times round: what lies beside a gap is asked for very often.
    along_mm: Vec<f64>,
    /// How many steps ahead and back of every point the next corner is; as many as there are points if there is none.
    to_corner: [Vec<usize>; 2],
}

/// A stretch of the edge beside a gap, as its points' numbers in order away from the gap.
#[derive(Debug, Clone, Copy)]
struct Side {
    from: usize,
    count: usize,
    ahead: bool,
}

impl<'a> Edge<'a> {
    fn new(points: &'a [OutlinePoint], corners: &[bool]) -> Self {
        let n = points.len();
        let along = (0..3 * n).scan(0.0, |way, i| {
            let here = *way;
            *way += points[i % n].at.distance(points[(i + 1) % n].at);
            Some(here)
        });
        let to_corner = [true, false].map(|ahead| steps_to(corners, ahead));
        Self { points, along_mm: along.collect(), to_corner }
    }

    fn point(&self, i: usize) -> OutlinePoint {
        self.points[i % self.points.len()]
    }

    /// The best detours that begin after a point: one that nobody saw, and one that may be proven wrong.
    fn best_from(&self, from: usize) -> impl Iterator<Item = Bridge> + use<> {
        let n = self.points.len();
        let (mut best, mut unseen_so_far) = ([None::<Bridge>, None], true);
        let (start, mut way) = (self.point(from).at, 0.0);
        // Fewer points make no edge.
        let most = if n < 16 { 0 } else { n / 2 };
        for steps in 1..most {
            let (before, here) = (self.point(from + steps - 1), self.point(from + steps));
            way += before.at.distance(here.at);
            let gap = start.distance(here.at);
            if way > LONGEST_PROVEN_MM {
                break;
            }
            // No shorter way leaves its chord so far.
            let may_be_deep = way * way > gap * gap + 4.0 * DEEP_MM * DEEP_MM;
            // What was seen is no detour, unless it is proven.
            let bridge = (may_be_deep && gap < WIDEST_PROVEN_MM).then(|| self.bridge(from, steps, way)).flatten();
            if let Some(mut bridge) = bridge {
                bridge.unseen &= unseen_so_far && way <= LONGEST_MM && gap < WIDEST_STRAIGHT_MM;
                let best = &mut best[usize::from(bridge.unseen)];
                if best.as_ref().is_none_or(|best| bridge.worth() > best.worth()) {
                    *best = Some(bridge);
                }
            }
            unseen_so_far &= !here.seen;
        }
        best.into_iter().flatten()
    }

    /// The bridge over a gap, if its sides lie on one curve and the way between leaves it.
    fn bridge(&self, from: usize, steps: usize, way_mm: f64) -> Option<Bridge> {
        let frame = Frame::new(self.point(from).at, self.point(from + steps).at)?;
        let long = SIDE_MM.max(SIDE_OF_GAP * frame.length);
        let (before, after) = (self.side(from, false, long)?, self.side(from + steps, true, long)?);
        let is_deep = || (1..steps).any(|k| frame.place(self.point(from + k).at).1.abs() >= DEEP_MM);
        if !self.goes_on(frame, way_mm, before, after) || !is_deep() {
            return None;
        }
        let beside: Vec<OutlinePoint> = self.along(before).chain(self.along(after)).copied().collect();
        let places: Vec<(f64, f64)> = beside.iter().map(|p| frame.place(p.at)).collect();
        let curve = parabola::through(&places, |_| 1.0)?;
        let squares = places.iter().map(|(share, across)| (across - parabola::at(&curve, *share)).powi(2));
        let rms_mm = (squares.sum::<f64>() / places.len() as f64).sqrt();
        let within: Vec<OutlinePoint> = (1..steps).map(|k| self.point(from + k)).collect();
        let mut bridge = Bridge { from, steps, frame, curve, depth_mm: 0.0, rms_mm, unseen: false };
        bridge.depth_mm = within.iter().map(|p| bridge.off(p.at)).fold(0.0, f64::max);
        bridge.unseen = is_doubtful(bridge.depth_mm, &within, &beside);
        (rms_mm < ON_CURVE_MM && bridge.depth_mm > DEEP_MM).then_some(bridge)
    }

    /// The edge from a point on or back, up to a corner; `None` if that is too short.
    fn side(&self, from: usize, ahead: bool, long_mm: f64) -> Option<Side> {
        let n = self.points.len();
        let from = from % n;
        let here = self.along_mm[n + from];
        let steps = if ahead {
            self.along_mm[n + from..].partition_point(|way| way - here < long_mm)
        } else {
            n + from + 1 - self.along_mm[..=n + from].partition_point(|way| here - way >= long_mm)
        };
        let steps = steps.min(self.to_corner[usize::from(!ahead)][from]).min((n / 2).saturating_sub(1));
        let end = if ahead { n + from + steps } else { n + from - steps };
        let way = (self.along_mm[end] - here).abs();
        (way > LEAST_SIDE_MM.max(0.5 * long_mm)).then_some(Side { from, count: steps + 1, ahead })
    }

    fn along(&self, side: Side) -> impl Iterator<Item = &OutlinePoint> {
        let n = self.points.len();
        let step = if side.ahead { 1 } else { n - 1 };
        (0..side.count)
            .scan(side.from, move |i, _| Some(std::mem::replace(i, (*i + step) % n)))
            .map(|i| &self.points[i])
    }

    /// Do the sides go on from one to the other, so that no corner lies between?
    fn goes_on(&self, gap: Frame, way_mm: f64, before: Side, after: Side) -> bool {
        let is_narrow = gap.length < WIDEST_MM && way_mm > LONGER * gap.length;
        let cosine = -self.direction(before).dot(&self.direction(after));
        // A side that turns back over the gap goes on into nothing.
        let slack = BACK_MM / gap.length;
        cosine > if is_narrow { LEAST_COSINE } else { STRAIGHT_COSINE }
            && self.along(before).all(|p| gap.place(p.at).0 < slack)
            && self.along(after).all(|p| gap.place(p.at).0 > 1.0 - slack)
    }

    /// The direction in which a side leaves its gap.
    fn direction(&self, side: Side) -> Vector2<f64> {
        let n = self.points.len();
        let last = (if side.ahead { side.from + side.count - 1 } else { side.from + n + 1 - side.count }) % n;
        let whole = self.points[last].at - self.points[side.from].at;
        whole / whole.norm().max(1e-9)
    }
}

/// How many steps ahead (or back) of every point the next that is marked lies; their number if none is.
fn steps_to(marked: &[bool], ahead: bool) -> Vec<usize> {
    let n = marked.len();
    let mut steps = vec![n; n];
    let mut since = n;
    for k in 0..2 * n {
        let i = (if ahead { 2 * n - 1 - k } else { k }) % n;
        steps[i] = since.min(n);
        since = if marked[i] { 1 } else { since + 1 };
    }
    steps
}

/// Is the way between less sure than its sides, and so little that its depth is no wonder?
fn is_doubtful(depth_mm: f64, within: &[OutlinePoint], beside: &[OutlinePoint]) -> bool {
    let mean = |points: &[OutlinePoint]| points.iter().map(|p| p.doubt_mm).sum::<f64>() / points.len().max(1) as f64;
    let most = within.iter().map(|p| p.doubt_mm).fold(0.0, f64::max);
    depth_mm < DOUBTS * most && mean(within) >= mean(beside)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A closed outline through points a millimetre apart; `is_seen` tells of each place.
    fn outline(places: &[MatPoint], is_seen: impl Fn(MatPoint) -> bool) -> Vec<OutlinePoint> {
        places.iter().map(|at| OutlinePoint { at: *at, doubt_mm: 7.0, seen: is_seen(*at) }).collect()
    }

    /// A square of 200 mm whose lower side leaves the axis by `off`.
    fn square(off: impl Fn(f64) -> f64) -> Vec<MatPoint> {
        (0..800)
            .map(|i| {
                let s = f64::from(i % 200);
                match i / 200 {
                    0 => MatPoint::new(s, off(s)),
                    1 => MatPoint::new(200.0, s),
                    2 => MatPoint::new(200.0 - s, 200.0),
                    _ => MatPoint::new(0.0, 200.0 - s),
                }
            })
            .collect()
    }

    fn off_axis(points: &[OutlinePoint]) -> f64 {
        points[5..195].iter().map(|p| p.at.y.abs()).fold(0.0, f64::max)
    }

    fn no_corners(points: &[OutlinePoint]) -> Vec<bool> {
        (0..points.len()).map(|i| i % 200 == 0).collect()
    }

    /// Up and down again over 24 mm.
    fn spike(s: f64) -> f64 {
        (12.0 - (s - 100.0).abs()).max(0.0)
    }

    #[test]
    fn a_spike_that_nobody_saw_is_bridged() {
        let points = outline(&square(spike), |p| p.y > 20.0 || (p.x - 100.0).abs() > 13.0);
        let (bridged, corners) = bridged(&points, &no_corners(&points), |_| 0.0);
        assert!(off_axis(&bridged) < 0.3, "{}", off_axis(&bridged));
        assert_eq!((bridged.len(), corners), (points.len(), no_corners(&points)));
        assert!((95..105).all(|i| !bridged[i].seen));
    }

    #[test]
    fn what_was_seen_stays() {
        let points = outline(&square(spike), |_| true);
        assert_eq!(bridged(&points, &no_corners(&points), |_| 0.0).0, points);
        // A tip that was seen is no detour either.
        let points = outline(&square(spike), |p| p.y > 10.5 || (p.x - 100.0).abs() > 13.0);
        assert!(off_axis(&bridged(&points, &no_corners(&points), |_| 0.0).0) > 11.0);
    }

    #[test]
    fn what_was_seen_is_bridged_where_the_photo_shows_the_curve_far_more_clearly() {
        let points = outline(&square(spike), |_| true);
        let is_flat = |way: &[MatPoint]| way.iter().all(|p| p.y.abs() < 1.0);
        let clear = |flat: f32, spiked: f32| {
            let shown = |way: &[MatPoint]| if is_flat(way) { flat } else { spiked };
            off_axis(&bridged(&points, &no_corners(&points), shown).0)
        };
        assert!(clear(3.0, 1.0) < 0.3, "{}", clear(3.0, 1.0));
        // A little more is chance; and where the way is clearer it is a tab.
        assert!(clear(0.9, 0.7) > 11.0 && clear(1.0, 3.0) > 11.0);
    }

    /// A white check that meets a board's white square: the edge goes round it, as clear as along the curve.
    #[test]
    fn a_narrow_detour_is_bridged_where_the_curve_is_as_clear_as_its_sides() {
        let points = outline(&square(spike), |_| true);
        let bridged = |along: f32, round: f32, beside: f32| {
            let shown = |way: &[MatPoint]| {
                let is_flat = way.iter().all(|p| p.y.abs() < 1.0);
                let is_between = way.iter().any(|p| (p.x - 100.0).abs() < 9.0);
                if !is_flat {
                    round
                } else if is_between {
                    along
                } else {
                    beside
                }
            };
            off_axis(&super::bridged(&points, &no_corners(&points), shown).0)
        };
        assert!(bridged(2.0, 2.0, 2.0) < 0.3, "{}", bridged(2.0, 2.0, 2.0));
        // Less clear than the sides, than the detour, or hardly to be seen.
        assert!(bridged(3.0, 2.8, 4.0) > 11.0);
        assert!(bridged(1.5, 1.5, 2.0) > 11.0 && bridged(2.0, 2.3, 2.0) > 11.0 && bridged(0.5, 0.5, 0.5) > 11.0);
    }

    #[test]
    fn a_shallow_bulge_of_a_straight_edge_is_bridged() {
        let bulge = |s: f64| 6.0 * (1.0 - ((s - 100.0) / 30.0).powi(2)).max(0.0);
        let points = outline(&square(bulge), |p| p.y > 20.0 || (p.x - 100.0).abs() > 31.0);
        let bridged = bridged(&points, &no_corners(&points), |_| 0.0).0;
        assert!(off_axis(&bridged) < 0.3, "{}", off_axis(&bridged));
    }

    /// A waistband's end of 30 mm, where cloth and mat look alike and yet its edge is sure to a millimetre.
    #[test]
    fn a_tab_stays() {
        let tab = |s: f64| if (85.0..115.0).contains(&s) { 25.0 } else { 0.0 };
        let mut points = outline(&square(tab), |_| false);
        points.iter_mut().for_each(|p| p.doubt_mm = 1.0);
        assert!(off_axis(&bridged(&points, &no_corners(&points), |_| 0.0).0) > 24.9);
    }

    #[test]
    fn corners_that_nobody_saw_stay() {
        // Nobody told that they are corners.
        let places = square(|_| 0.0);
        let points = outline(&places, |_| false);
        let (bridged, _) = bridged(&points, &vec![false; points.len()], |_| 0.0);
        let moved = bridged.iter().zip(&points).map(|(a, b)| a.at.distance(b.at)).fold(0.0, f64::max);
        assert!(moved < 0.1, "{moved}");
    }

    #[test]
    fn a_bite_of_a_curved_edge_is_bridged_along_the_curve() {
        let at = |i: i32| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 628.0).sin_cos();
            let bite = if (300..330).contains(&i) { 8.0 * (1.0 - (f64::from(i) - 315.0).abs() / 15.0) } else { 0.0 };
            MatPoint::new((100.0 - bite) * cos, (100.0 - bite) * sin)
        };
        let places: Vec<MatPoint> = (0..628).map(at).collect();
        let points = outline(&places, |p| p.x > 0.0 || p.y.abs() > 18.0);
        let (bridged, _) = bridged(&points, &vec![false; points.len()], |_| 0.0);
        let off = bridged.iter().map(|p| (p.at.distance(MatPoint::default()) - 100.0).abs()).fold(0.0, f64::max);
        assert!(off < 0.4, "{off}");
    }
}
