//! Making the steps on an outline, one after another.

use nalgebra::Vector2;

use super::{Corrected, HAND_DOUBT_MM, RedrawnBy, Step};
use crate::edges::{CornerWish, EdgeOptions, FoldChoice, HandStretch, LengthWish};
use crate::outline::{Outline, OutlinePoint};
use crate::polygon;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// A step's places lie no further from the outline than this, mm; else it was made on another photo.
const NEAR_MM: f64 = 25.0;
/// Spacing of the points of a redrawn stretch, mm, as traced outlines have.
const SPACING_MM: f64 = 0.9;
/// Length of outline from which the direction at the end of a stretch is read, mm.
const DIRECTION_MM: f64 = 6.0;

/// Places nearer than this are one, mm.
const SAME_PLACE_MM: f64 = 3.0;

/// An outline at work.
pub(super) struct Work {
    points: Vec<OutlinePoint>,
    /// How each point came to be where it is.
    origins: Vec<Origin>,
    edges: EdgeOptions,
    lengths: Vec<FixedLength>,
    pins: Vec<MatPoint>,
    seams: Vec<Vec<MatPoint>>,
    warnings: Vec<Warning>,
}

/// How a point came to be where it is.
#[derive(Clone, Copy, PartialEq)]
enum Origin {
    /// Read from the photo, by the tracing or along a path between places that a person chose.
    Traced,
    /// A person put it there.
    Drawn,
}

impl Origin {
    /// The finished edge lies within this, mm; none where the doubt of the tracing holds.
    fn within_mm(self) -> Option<f64> {
        match self {
            Origin::Traced => None,
            Origin::Drawn => Some(DRAWN_WITHIN_MM),
        }
    }
}

/// Neighbours of a moved point so near together leave a fitted curve no room to follow, mm.
const NEAR_NEIGHBOURS_MM: f64 = 80.0;

/// What a person drew comes out within this, mm: the width of a pencil line on paper.
const DRAWN_WITHIN_MM: f64 = 0.2;

/// A length given to an edge, which holds until something else is done to that edge.
struct FixedLength {
    number: usize,
    at: MatPoint,
    from: MatPoint,
    until: MatPoint,
    length_mm: f64,
}

impl FixedLength {
    fn wish(&self) -> LengthWish {
        LengthWish { at: self.at, ends: [self.from, self.until], length_mm: self.length_mm }
    }
}

/// A stretch of the ring: `count` points from index `from` on, both ends included.
#[derive(Clone, Copy)]
struct Stretch {
    from: usize,
    count: usize,
}

impl Work {
    pub(super) fn new(outline: &Outline) -> Self {
        let points = outline.settled().points;
        let (edges, lengths, pins, seams) = (EdgeOptions::default(), Vec::new(), Vec::new(), Vec::new());
        let origins = vec![Origin::Traced; points.len()];
        Self { points, origins, edges, lengths, pins, seams, warnings: Vec::new() }
    }

    pub(super) fn finish(mut self) -> Corrected {
        self.edges.lengths = self.lengths.iter().map(FixedLength::wish).collect();
        self.edges.by_hand = self.by_hand();
        let outline = Outline { points: self.points };
        Corrected { outline, edges: self.edges, points: self.pins, seams: self.seams, warnings: self.warnings }
    }

    /// The stretches that a person drew, as the outline runs.
    fn by_hand(&self) -> Vec<HandStretch> {
        let n = self.points.len();
        let start = (0..n).find(|i| self.origins[*i] != self.origins[(i + n - 1) % n]).unwrap_or(0);
        let mut stretches: Vec<(Origin, Vec<MatPoint>)> = Vec::new();
        for i in (0..n).map(|k| (start + k) % n) {
            match stretches.last_mut() {
                Some((origin, line)) if *origin == self.origins[i] => line.push(self.points[i].at),
                _ => stretches.push((self.origins[i], vec![self.points[i].at])),
            }
        }
        let by_hand = stretches.into_iter().filter(|(_, line)| line.len() > 1);
        by_hand.filter_map(|(origin, line)| Some(HandStretch { within_mm: origin.within_mm()?, line })).collect()
    }

    /// Makes a step, or says why it was left out.
    pub(super) fn step(&mut self, number: usize, step: &Step) {
        let touched: &[MatPoint] = match step {
            Step::Move { at, .. } | Step::RemovePoint { at, .. } | Step::Corner { at, .. } => &[*at],
            Step::Length { at, .. } => &[*at],
            Step::Redraw { path, .. } => path,
            _ => &[],
        };
        self.release(touched);
        if self.made(number, step).is_none() {
            self.warnings.push(Warning::new(
                "change-left-out",
                format!(
                    "change {number} ({}) does not fit this outline and was left out: it was made on another photo or \
                     another tracing; undo it, or make it again",
                    step.words()
                ),
            ));
        }
    }

    /// Lengths given to edges that are changed now hold no longer.
    fn release(&mut self, touched: &[MatPoint]) {
        let Some((first, last)) = touched.first().zip(touched.last()) else { return };
        let middle = touched[touched.len() / 2];
        let places: Vec<usize> = [*first, middle, *last].iter().filter_map(|p| self.near(*p)).collect();
        let n = self.points.len();
        let mut lengths = std::mem::take(&mut self.lengths);
        lengths.retain(|fixed| {
            let (Some(from), Some(until)) = (self.near(fixed.from), self.near(fixed.until)) else { return false };
            let along = |place: usize| (place + n - from) % n;
            let near = |place: usize, end: usize| self.points[place].at.distance(self.points[end].at) < SAME_PLACE_MM;
            let free =
                places.iter().all(|place| along(*place) > along(until) && !near(*place, from) && !near(*place, until));
            if !free {
                self.warnings.push(Warning::new(
                    "length-released",
                    format!(
                        "the length given with change {} holds no longer, since that edge was changed afterwards; give \
                         it again if it is still wanted",
                        fixed.number
                    ),
                ));
            }
            free
        });
        self.lengths = lengths;
    }

    fn made(&mut self, number: usize, step: &Step) -> Option<()> {
        match step {
            Step::Move { at, to, from, until, corner } => self.moved(*at, *to, (*from, *until), *corner),
            Step::AddPoint { at } => {
                let index = self.near(*at)?;
                let at = self.points.get(index)?.at;
                self.pins.push(at);
                Some(())
            }
            Step::RemovePoint { at, from, until } => self.smoothed(*at, *from, *until),
            Step::Redraw { path, by } => self.redrawn(path, *by),
            Step::Corner { at, corner } => {
                self.near(*at)?;
                self.edges.corners.push(CornerWish { at: *at, corner: *corner });
                Some(())
            }
            Step::Fold { at: Some(at) } => {
                self.near(*at)?;
                (self.edges.fold_at, self.edges.fold) = (Some(*at), FoldChoice::Auto);
                Some(())
            }
            Step::Fold { at: None } => {
                (self.edges.fold_at, self.edges.fold) = (None, FoldChoice::None);
                Some(())
            }
            Step::Length { at, from, until, keeps_end, fades, length } => {
                // By their indices: the places themselves move.
                let [on, i, j] = [self.near(*at)?, self.near(*from)?, self.near(*until)?];
                self.lengthened((i, j), *fades, *keeps_end, length.mm())?;
                let [at, from, until] = [on, i, j].map(|k| self.points[k].at);
                self.lengths.push(FixedLength { number, at, from, until, length_mm: length.mm() });
                Some(())
            }
            Step::Seam { path } => {
                self.seams.push(path.clone());
                Some(())
            }
            Step::RemoveSeam { at } => {
                let away = |seam: &Vec<MatPoint>| polygon::distance_to_polyline(seam, *at);
                let nearest = (0..self.seams.len())
                    .min_by(|a, b| away(&self.seams[*a]).total_cmp(&away(&self.seams[*b])))
                    .filter(|k| away(&self.seams[*k]) < NEAR_MM)?;
                self.seams.remove(nearest);
                Some(())
            }
            // The tracing knew of it.
            Step::Paint(_) => Some(()),
        }
    }

    /// See [`super::along`].
    pub(super) fn along(&self, path: &[MatPoint]) -> Vec<MatPoint> {
        let mut path = path.to_vec();
        let ends = path.first().zip(path.last()).and_then(|(a, b)| Some((self.near(*a)?, self.near(*b)?)));
        let Some((from, until)) = ends.filter(|(a, b)| a != b && path.len() > 1) else { return path };
        let last = path.len() - 1;
        (path[0], path[last]) = (self.points[from].at, self.points[until].at);
        let path = spaced(&path);
        let away = |stretch: Stretch| -> f64 {
            // Both ways: a short stretch lies near a long path's ends, but not near its middle.
            let ring: Vec<MatPoint> = (0..stretch.count).map(|k| self.points[self.index(stretch, k)].at).collect();
            let mean = |of: &[MatPoint], to: &[MatPoint]| {
                let step = (of.len() / 60).max(1);
                let some = of.iter().step_by(step);
                let count = some.clone().count().max(1) as f64;
                some.map(|p| polygon::distance_to_polyline(to, *p)).sum::<f64>() / count
            };
            mean(&path, &ring) + mean(&ring, &path)
        };
        if away(self.stretch(from, until)) <= away(self.stretch(until, from)) {
            return path;
        }
        path.into_iter().rev().collect()
    }

    /// Index of the outline point nearest to a place, if it is near at all.
    fn near(&self, place: MatPoint) -> Option<usize> {
        let away = |i: &usize| self.points[*i].at.distance(place);
        (0..self.points.len()).min_by(|a, b| away(a).total_cmp(&away(b))).filter(|i| away(i) <= NEAR_MM)
    }

    fn stretch(&self, from: usize, until: usize) -> Stretch {
        let n = self.points.len();
        Stretch { from, count: (until + n - from) % n + 1 }
    }

    fn index(&self, stretch: Stretch, k: usize) -> usize {
        (stretch.from + k) % self.points.len()
    }

    fn moved(&mut self, at: MatPoint, to: MatPoint, (from, until): (MatPoint, MatPoint), corner: bool) -> Option<()> {
        let (i, from, until) = (self.near(at)?, self.near(from)?, self.near(until)?);
        // A lone corner is its own neighbour both ways.
        let n = self.points.len();
        let (from, until) = if from == until { ((i + n / 2) % n, (i + n / 2) % n) } else { (from, until) };
        let (before, after) = (self.stretch(from, i), self.stretch(i, until));
        if before.count < 2 || after.count < 2 || before.count + after.count > n + 2 {
            return None;
        }
        let by = to - at;
        let old = self.points.clone();
        self.shifted(before, by, corner, true);
        self.shifted(Stretch { from: (i + 1) % n, count: after.count - 1 }, by, corner, false);
        self.follow(&old);
        if corner {
            self.edges.corners.push(CornerWish { at: to, corner: true });
        } else {
            self.drawn_about(before, after);
        }
        Some(())
    }

    /// Shifts the points of a stretch, fully at one end (`rising`: its last point) and not at all at the other.
    fn shifted(&mut self, stretch: Stretch, by: Vector2<f64>, straight: bool, rising: bool) {
        let mut along = vec![0.0];
        for k in 1..stretch.count {
            let (a, b) = (self.index(stretch, k - 1), self.index(stretch, k));
            along.push(along[k - 1] + self.points[a].at.distance(self.points[b].at));
        }
        let total = along.last().copied().unwrap_or(0.0).max(1e-9);
        for (k, travelled) in along.into_iter().enumerate() {
            let s = if rising { travelled / total } else { 1.0 - travelled / total };
            let weight = if straight { s } else { s * s * (3.0 - 2.0 * s) };
            let index = self.index(stretch, k);
            let point = &mut self.points[index];
            point.at = point.at + by * weight;
            point.doubt_mm = point.doubt_mm * (1.0 - weight) + HAND_DOUBT_MM.min(point.doubt_mm.max(0.2)) * weight;
            point.seen |= weight > 0.5;
        }
    }

    /// A point was moved between two stretches: all of them are drawn where the neighbours are near, else only what lies
    /// about the point; further off a fitted curve follows by itself.
    fn drawn_about(&mut self, before: Stretch, after: Stretch) {
        let n = self.points.len();
        let all = before.count + after.count - 1;
        let at = |k: usize| self.points[(before.from + k) % n].at;
        let long: f64 = (1..all).map(|k| at(k - 1).distance(at(k))).sum();
        let drawn = if long <= NEAR_NEIGHBOURS_MM { 0..all } else { before.count / 2..before.count + after.count / 2 };
        for k in drawn {
            self.origins[(before.from + k) % n] = Origin::Drawn;
        }
    }

    /// Corners, points, fold and lengths settled before go along with the outline, which has as many points as before.
    fn follow(&mut self, old: &[OutlinePoint]) {
        let moved = |place: MatPoint| {
            let away = |i: &usize| old[*i].at.distance(place);
            let nearest = (0..old.len()).min_by(|a, b| away(a).total_cmp(&away(b)));
            nearest.map_or(place, |i| place + (self.points[i].at - old[i].at))
        };
        let EdgeOptions { corners, fold_at, .. } = &mut self.edges;
        corners.iter_mut().for_each(|c| c.at = moved(c.at));
        for fixed in &mut self.lengths {
            (fixed.at, fixed.from, fixed.until) = (moved(fixed.at), moved(fixed.from), moved(fixed.until));
        }
        *fold_at = fold_at.map(moved);
        self.pins.iter_mut().for_each(|p| *p = moved(*p));
    }

    /// Stretches the outline between two places along the line between them until it is so long; beyond the end that
    /// moves, the outline follows less and less. The edge found in it later is then given the last fraction.
    fn lengthened(&mut self, (i, j): (usize, usize), fades: MatPoint, keeps_end: bool, length_mm: f64) -> Option<()> {
        let f = self.near(fades)?;
        let stretch = self.stretch(i, j);
        let old = self.points.clone();
        let ring: Vec<MatPoint> = (0..stretch.count).map(|k| old[self.index(stretch, k)].at).collect();
        let (first, last) = (*ring.first()?, *ring.last()?);
        let along = (last - first).try_normalize(1.0)?;
        let kept = if keeps_end { last } else { first };
        let by = |factor: f64| -> Vec<MatPoint> {
            ring.iter().map(|p| *p + along * ((*p - kept).dot(&along) * (factor - 1.0))).collect()
        };
        let long = |points: &[MatPoint]| -> f64 { points.windows(2).map(|p| p[0].distance(p[1])).sum() };
        let (mut low, mut high) = (0.5, 2.0);
        if stretch.count < 3 || long(&by(low)) > length_mm || long(&by(high)) < length_mm {
            // The edge itself will say why it cannot be so long.
            return Some(());
        }
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if long(&by(middle)) < length_mm { low = middle } else { high = middle }
        }
        let moved = by(0.5 * (low + high));
        if keeps_end {
            self.shifted(self.stretch(f, i), *moved.first()? - first, true, true);
        } else {
            self.shifted(self.stretch(j, f), *moved.last()? - last, true, false);
        }
        for (k, at) in moved.into_iter().enumerate() {
            let index = self.index(stretch, k);
            self.points[index].at = at;
        }
        self.follow(&old);
        Some(())
    }

    /// Replaces a stretch by a cubic that leaves and arrives in the outline's own directions (Hermite).
    fn smoothed(&mut self, at: MatPoint, from: MatPoint, until: MatPoint) -> Option<()> {
        let (from, until) = (self.near(from)?, self.near(until)?);
        let (a, b) = (self.points[from].at, self.points[until].at);
        let (out, into) = (self.direction(from, false), self.direction(until, true));
        let reach = a.distance(b);
        let count = (reach / SPACING_MM).ceil().max(2.0) as usize;
        let path: Vec<MatPoint> = (0..=count)
            .map(|k| {
                let t = k as f64 / count as f64;
                let (t2, t3) = (t * t, t * t * t);
                let blended = a.lerp(b, 3.0 * t2 - 2.0 * t3);
                blended + out * (reach * (t3 - 2.0 * t2 + t)) + into * (reach * (t3 - t2))
            })
            .collect();
        self.pins.retain(|p| p.distance(at) > 1.0);
        self.replaced(self.stretch(from, until), &path)
    }

    /// Unit direction of the outline at a point, read from what lies after it (or before it).
    fn direction(&self, index: usize, after: bool) -> Vector2<f64> {
        let n = self.points.len();
        let steps = (DIRECTION_MM / SPACING_MM) as usize;
        let (here, there) = (self.points[index].at, |k: usize| self.points[k % n].at);
        let along = if after { there(index + steps) - here } else { here - there(index + n - steps % n) };
        along.try_normalize(0.0).unwrap_or_else(Vector2::x)
    }

    fn redrawn(&mut self, path: &[MatPoint], by: RedrawnBy) -> Option<()> {
        let (from, until) = (self.near(*path.first()?)?, self.near(*path.last()?)?);
        if from == until {
            return None;
        }
        let ends = [*path.first()?, *path.last()?];
        let path = spaced(path);
        self.replaced(self.stretch(from, until), &path)?;
        let origin = match by {
            RedrawnBy::Hand => Origin::Drawn,
            // Found in the photo, noise and all; or one line between settled corners.
            RedrawnBy::Edge | RedrawnBy::Seam | RedrawnBy::Straight => Origin::Traced,
        };
        self.origins[..path.len()].fill(origin);
        // Pins and corners of the old stretch have no place any more, but for those of its ends.
        let gone = |p: &MatPoint, ring: &[OutlinePoint]| ring.iter().all(|q| q.at.distance(*p) > 1.5 * SPACING_MM);
        let ring = self.points.clone();
        self.pins.retain(|p| !gone(p, &ring));
        self.edges.corners.retain(|c| !c.corner || !gone(&c.at, &ring));
        if by == RedrawnBy::Straight {
            self.edges.corners.extend(ends.map(|at| CornerWish { at, corner: true }));
        }
        Some(())
    }

    /// Puts a path in the place of a stretch, ends included.
    fn replaced(&mut self, stretch: Stretch, path: &[MatPoint]) -> Option<()> {
        let n = self.points.len();
        let kept = n.checked_sub(stretch.count)?;
        if kept + path.len() < 3 {
            return None;
        }
        let after = stretch.from + stretch.count;
        let mut points: Vec<OutlinePoint> =
            path.iter().map(|at| OutlinePoint { at: *at, doubt_mm: HAND_DOUBT_MM, seen: true }).collect();
        points.extend((0..kept).map(|k| self.points[(after + k) % n]));
        let mut origins = vec![Origin::Traced; path.len()];
        origins.extend((0..kept).map(|k| self.origins[(after + k) % n]));
        (self.points, self.origins) = (points, origins);
        Some(())
    }
}

/// The path with points put in where they lie far apart.
fn spaced(path: &[MatPoint]) -> Vec<MatPoint> {
    let mut out: Vec<MatPoint> = path.first().copied().into_iter().collect();
    for pair in path.windows(2) {
        let count = (pair[0].distance(pair[1]) / SPACING_MM).ceil().max(1.0) as usize;
        out.extend((1..=count).map(|k| pair[0].lerp(pair[1], k as f64 / count as f64)));
    }
    out
}
