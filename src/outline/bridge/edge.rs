//! Where the outline may make detours: gaps whose sides go on from one to the other.

use nalgebra::Vector2;

use super::Bridge;
use super::course::{Course, Frame};
use crate::outline::OutlinePoint;
use crate::units::MatPoint;

/// Longest way of a detour, and the widest gap that is bridged, mm; and the same where the photo is asked.
const LONGEST_MM: f64 = 120.0;
const WIDEST_MM: f64 = 45.0;
const LONGEST_PROVEN_MM: f64 = 220.0;
const WIDEST_PROVEN_MM: f64 = 130.0;
/// The longest way over a gap of [`WIDEST_STRAIGHT_MM`] where nobody saw so large a share of it: out round a patch of the floor
/// in the cloth's own colour, and back.
const LONGEST_UNSEEN_MM: f64 = 420.0;
const MOSTLY: f64 = 0.7;
/// A detour is so many times as long as its gap (a corner of the angle below is 1.05 times as long), and so deep, mm.
const LONGER: f64 = 1.08;
pub(super) const DEEP_MM: f64 = 1.5;
/// It lies within so many of its own doubts of the course, and is no surer than its sides: what is surer may be a tab.
const DOUBTS: f64 = 4.0;
/// How much of the edge on both sides tells the course, mm, or as a share of the gap if that is more; and how much it takes:
/// less on one side if the photo is asked.
const SIDE_MM: f64 = 20.0;
const SIDE_OF_GAP: f64 = 0.6;
const LEAST_SIDE_MM: f64 = 10.0;
const SHORT_SIDE_MM: f64 = 4.0;
/// The widest gap beside a short side, mm.
const WIDEST_BESIDE_SHORT_MM: f64 = 20.0;
/// A side comes back over its gap by less than this, mm.
const BACK_MM: f64 = 0.5;
/// The sides lie on the course to so much, mm (root mean square).
pub(super) const ON_COURSE_MM: f64 = 0.35;
/// The sides' directions differ by at most this (cosine of 35 degrees): more may be a corner.
const LEAST_COSINE: f64 = 0.819;
/// What lies nearest to a gap differs by at most 60 degrees.
const ROUGHLY_ON: f64 = 0.5;

/// Sides that go straight on (cosine of 8 degrees) make no corner whatever lies between: wider and shallower bulges are bridged
/// too, mm.
const STRAIGHT_COSINE: f64 = 0.990;
const WIDEST_STRAIGHT_MM: f64 = 70.0;

/// The closed outline and the tips of its corners.
pub(super) struct Edge<'a> {
    points: &'a [OutlinePoint],
    /// Where the points lie, twice round.
    places: Vec<MatPoint>,
    /// How far along the edge every point lies, mm, three times round: what lies beside a gap is asked for very often.
    along_mm: Vec<f64>,
    /// How many steps ahead and back of every point the next corner is; as many as there are points if there is none.
    to_corner: [Vec<usize>; 2],
    /// The sides of usual length ahead and back of every point: most gaps are no wider than they tell of.
    usual: [Vec<Option<Side>>; 2],
}

/// A stretch of the edge beside a gap, as its points' numbers in order away from the gap.
#[derive(Debug, Clone, Copy)]
struct Side {
    from: usize,
    count: usize,
    ahead: bool,
    /// Too short to tell the course without the photo.
    is_short: bool,
    /// Unit vector in which it leaves its gap.
    direction: Vector2<f64>,
}

impl<'a> Edge<'a> {
    pub fn new(points: &'a [OutlinePoint], corners: &[bool]) -> Self {
        let n = points.len();
        let along = (0..3 * n).scan(0.0, |way, i| {
            let here = *way;
            *way += points[i % n].at.distance(points[(i + 1) % n].at);
            Some(here)
        });
        let to_corner = [true, false].map(|ahead| steps_to(corners, ahead));
        let places = points.iter().chain(points).map(|p| p.at).collect();
        let mut edge = Self { points, places, along_mm: along.collect(), to_corner, usual: [Vec::new(), Vec::new()] };
        edge.usual = [true, false].map(|ahead| (0..n).map(|from| edge.side(from, ahead, SIDE_MM)).collect());
        edge
    }

    /// The number of a point counted on beyond the last one, less than once round.
    fn wrapped(&self, i: usize) -> usize {
        if i < self.points.len() { i } else { i - self.points.len() }
    }

    fn point(&self, i: usize) -> OutlinePoint {
        self.points[self.wrapped(i)]
    }

    /// The best detours that begin after a point: one that nobody saw, and one that may be proven wrong.
    pub fn best_from(&self, from: usize) -> impl Iterator<Item = Bridge> + use<> {
        let n = self.points.len();
        let (mut best, mut seen_so_far) = ([None::<Bridge>, None], 0);
        let start = self.places[from];
        // Fewer points make no edge.
        let most = if n < 16 { 0 } else { n / 2 };
        for steps in 1..most {
            let way = self.along_mm[from + steps] - self.along_mm[from];
            let gap = (self.places[from + steps] - start).norm();
            if is_long(way) && (way > LONGEST_UNSEEN_MM || f64::from(seen_so_far) > (1.0 - MOSTLY) * steps as f64) {
                break;
            }
            // No shorter way leaves its chord so far.
            let may_be_deep = way * way > gap * gap + 4.0 * DEEP_MM * DEEP_MM;
            // What was seen is no detour, unless it is proven.
            let widest_mm = if is_long(way) { WIDEST_STRAIGHT_MM } else { WIDEST_PROVEN_MM };
            let bridge = (may_be_deep && gap < widest_mm).then(|| self.bridge(from, steps, way)).flatten();
            if let Some(mut bridge) = bridge {
                bridge.unseen &= seen_so_far == 0 && way <= LONGEST_MM && gap < WIDEST_STRAIGHT_MM;
                let best = &mut best[usize::from(bridge.unseen)];
                if best.as_ref().is_none_or(|best| bridge.worth() > best.worth()) {
                    *best = Some(bridge);
                }
            }
            seen_so_far += u32::from(self.point(from + steps).seen);
        }
        best.into_iter().flatten()
    }

    /// The bridge over a gap, if its sides lie on one course and the way between leaves it.
    fn bridge(&self, from: usize, steps: usize, way_mm: f64) -> Option<Bridge> {
        let frame = Frame::new(self.places[from], self.places[from + steps])?;
        let usual = [self.usual_beside(from, false)?, self.usual_beside(from + steps, true)?];
        if turned(usual) < ROUGHLY_ON {
            return None;
        }
        let sides = [self.beside(from, false, frame.length)?, self.beside(from + steps, true, frame.length)?];
        if !heads_on(frame, way_mm, sides) {
            return None;
        }
        let is_short = sides[0].is_short || sides[1].is_short;
        let both_short = sides[0].is_short && sides[1].is_short;
        if both_short || is_short && frame.length > WIDEST_BESIDE_SHORT_MM {
            return None;
        }
        let within = &self.places[from + 1..from + steps];
        let is_deep = within.iter().any(|p| frame.place(*p).1.abs() >= DEEP_MM);
        if !is_deep || self.turns_back(frame, sides) {
            return None;
        }
        let beside: Vec<OutlinePoint> = sides.iter().flat_map(|s| self.along(*s)).copied().collect();
        let (course, rms_mm) = Course::through(frame, beside.iter().map(|p| p.at))?;
        let depth_mm = within.iter().map(|p| course.off(*p)).fold(0.0, f64::max);
        if rms_mm > ON_COURSE_MM || depth_mm < DEEP_MM {
            return None;
        }
        let way: Vec<OutlinePoint> = (1..steps).map(|k| self.point(from + k)).collect();
        let unseen = !is_short && is_doubtful(depth_mm, &way, &beside);
        let side_points = sides.map(|s| s.count);
        let is_long = is_long(way_mm);
        Some(Bridge { from, steps, gap_mm: frame.length, course, depth_mm, rms_mm, side_points, is_long, unseen })
    }

    /// The side of a gap that ends at a point.
    fn beside(&self, end: usize, ahead: bool, gap_mm: f64) -> Option<Side> {
        let long_mm = SIDE_OF_GAP * gap_mm;
        if long_mm <= SIDE_MM { self.usual_beside(end, ahead) } else { self.side(end, ahead, long_mm) }
    }

    /// The same of a gap that asks for no longer side than usual.
    fn usual_beside(&self, end: usize, ahead: bool) -> Option<Side> {
        self.usual[usize::from(!ahead)][self.wrapped(end)]
    }

    /// The edge from a point on or back, up to a corner; `None` if that is far too short.
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
        let is_short = way <= LEAST_SIDE_MM.max(0.5 * long_mm);
        (way > SHORT_SIDE_MM).then(|| {
            let whole = self.points[end % n].at - self.points[from].at;
            Side { from, count: steps + 1, ahead, is_short, direction: whole / whole.norm().max(1e-9) }
        })
    }

    fn along(&self, side: Side) -> impl Iterator<Item = &OutlinePoint> {
        let n = self.points.len();
        let step = if side.ahead { 1 } else { n - 1 };
        (0..side.count)
            .scan(side.from, move |i, _| Some(std::mem::replace(i, (*i + step) % n)))
            .map(|i| &self.points[i])
    }

    /// Does a side turn back over its gap? It goes on into nothing.
    fn turns_back(&self, gap: Frame, [before, after]: [Side; 2]) -> bool {
        let slack = BACK_MM / gap.length;
        self.along(before).any(|p| gap.place(p.at).0 >= slack)
            || self.along(after).any(|p| gap.place(p.at).0 <= 1.0 - slack)
    }
}

/// Is a way longer than most detours are, so that it is one only where most of it was not seen?
fn is_long(way_mm: f64) -> bool {
    way_mm > LONGEST_PROVEN_MM
}

/// Does one side head for where the other comes from, so that no corner lies between?
fn heads_on(gap: Frame, way_mm: f64, sides: [Side; 2]) -> bool {
    let is_narrow = gap.length < WIDEST_MM && way_mm > LONGER * gap.length;
    turned(sides) > if is_narrow { LEAST_COSINE } else { STRAIGHT_COSINE }
}

/// The angle by which the edge turns from one side to the other, as its cosine.
fn turned([before, after]: [Side; 2]) -> f64 {
    -before.direction.dot(&after.direction)
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
