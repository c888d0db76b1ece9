//! Elastic and gathers let out.

use std::cell::Cell;

use kurbo::{Affine, BezPath, CubicBez, PathSeg, Point, Vec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{End, bad, is_fold, told, up, usable};
use crate::draft::shape::{EdgeRef, Shape};
use crate::path::{self, At};
use crate::refusal::{Refusal, Warning};
use crate::units::Length;

/// A side swings no further than this, radians (about 75 degrees): beyond, it lies along the edge let out.
const MOST_SWING: f64 = 1.3;
/// A side that leans out further than this from its line at the level makes a funnel of the piece, degrees.
const FUNNEL_DEG: f64 = 20.0;
/// The direction of a side at the level is read over so much of it, mm.
const STEADY_MM: f64 = 120.0;
/// The directions of the edge's ends are read over so much of it, mm.
const READ_MM: f64 = 30.0;
/// Nothing stretches more than this.
const MOST_FACTOR: f64 = 6.0;
/// Accuracy of the length let out, mm.
const EXACT_MM: f64 = 1e-7;

/// An edge that was photographed gathered is let out to its stretched length: it becomes longer by stretched / relaxed.
///
/// Its ends move out: both by the same amount, or one when the other is on the fold or at the neighbour named in `from`.
/// The sides swing out with the ends and keep their lengths; from the `level` on they stay as they are. Above it they are
/// drawn anew as the even line that they were before the elastic drew them in, and the edge as one even curve (`side`:
/// "smooth"); or all bend as they were traced ("as-traced"). An even curve meets its neighbours squarely where it met them
/// within 15 degrees of that: a waist runs on smoothly across a seam only so (common practice of the trade, no source);
/// else it keeps its angle with them. A side without level (or shorter
/// than it) swings as a whole about its far end: a straight one stays straight. The edge let out keeps meeting the fold
/// squarely where it did. All other edges keep their lengths. Let out by nothing, nothing changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LetOut {
    /// The edge.
    pub edge: EdgeRef,
    /// The measure at rest; default: the traced length times `copies`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relaxed: Option<Length>,
    /// The measure stretched flat.
    pub stretched: Length,
    /// How often the edge goes into the measure; default: 2 on a fold, else 1. Needed only without `relaxed`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub copies: Option<u32>,
    /// How far from the edge, along the grain, nothing changes any more (the hip).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<Length>,
    /// A neighbour that stays as it is; default: the fold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<EdgeRef>,
    /// The sides above the level.
    #[serde(default)]
    pub side: SideLine,
}

/// How a side runs above the level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SideLine {
    /// An even line that goes on from the side below and straightens towards the corner.
    #[default]
    Smooth,
    /// The traced line, bent.
    AsTraced,
}

impl LetOut {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        // What is let out by next to nothing may be shorter than an even line: it keeps its own.
        self.drawn(shape, self.side).or_else(|refusal| match self.side {
            SideLine::Smooth => self.drawn(shape, SideLine::AsTraced).map_err(|_| refusal),
            SideLine::AsTraced => Err(refusal),
        })
    }

    fn drawn(&self, shape: &Shape, line: SideLine) -> Result<Shape, Refusal> {
        let index = shape.find(&self.edge)?;
        let old = shape.edges[index].length_mm();
        let factor = self.factor(shape, old)?;
        let moving = self.moving_ends(shape, index)?;
        let level = self.level.map(|l| usable(l, "level")).transpose()?;
        if factor == 1.0 {
            return Ok(shape.clone());
        }
        let mut sides = Vec::new();
        for end in moving {
            sides.push(Side { line, ..Side::of(shape, index, end, level)? });
        }
        let edge = Edge::of(shape, index);
        let too_far = || {
            bad(
                format!(
                    "{} cannot be let out from {} to {}: its sides are too short to swing so far",
                    shape.edges[index].called(),
                    told(old, self.stretched),
                    told(old * factor, self.stretched)
                ),
                "give a level further away, or check the measures",
            )
        };
        let target = old * factor;
        let failed = Cell::new(false);
        let made = |amount: f64| -> (BezPath, Vec<BezPath>) {
            let swung: Vec<Option<BezPath>> = sides.iter().map(|side| side.moved(amount)).collect();
            failed.set(failed.get() || swung.iter().any(Option::is_none));
            let swung: Vec<BezPath> =
                swung.into_iter().zip(&sides).map(|(s, side)| s.unwrap_or(side.above.clone())).collect();
            let shifts: Vec<Shift> = sides.iter().zip(&swung).map(|(side, path)| side.shift(path)).collect();
            (edge.shifted(&shifts), swung)
        };
        // The ends move by about what the edge gains, shared out; a curved edge may want more.
        let gain = target - old;
        let most = 2.0 * gain;
        let amount = root(|amount| path::length(&made(amount).0) - target, most).ok_or_else(too_far)?;
        failed.set(false);
        let (path, swung) = made(amount);
        if failed.get() || (path::length(&path) - target).abs() > 1e-3 {
            return Err(too_far());
        }
        let mut result = shape.clone();
        result.edges[index].path = path;
        for (side, above) in sides.iter().zip(&swung) {
            let whole = path::joined(&side.below, above);
            // A neighbour arrives at the corner when run from its far end, so it is turned back for the last end only.
            result.edges[side.place].path = side.end.other().towards(&whole);
        }
        let leans = sides.iter().zip(&swung).map(|(side, above)| side.leans_deg(above)).fold(0.0, f64::max);
        if leans > FUNNEL_DEG {
            result.warnings.push(Warning::new(
                "let-out-far",
                format!(
                    "{} let out by {:.0} % leans its side out by {leans:.0}° from its line at the level, like a funnel: \
                     measure relaxed and stretched again, or give a level further away",
                    shape.edges[index].called(),
                    100.0 * (factor - 1.0)
                ),
            ));
        }
        Ok(result)
    }

    fn factor(&self, shape: &Shape, old: f64) -> Result<f64, Refusal> {
        let stretched = usable(self.stretched, "stretched measure")?;
        let copies = self.copies.unwrap_or(if shape.fold.is_some() { 2 } else { 1 });
        let relaxed = self.relaxed.map_or(Ok(old * f64::from(copies)), |l| usable(l, "relaxed measure"))?;
        if relaxed < 1.0 {
            return Err(bad("the relaxed measure is nothing", "measure the edge at rest"));
        }
        // Measures typed alike are alike, whatever their digits.
        let factor = if (stretched - relaxed).abs() < 1e-9 { 1.0 } else { stretched / relaxed };
        if (1.0..=MOST_FACTOR).contains(&factor) {
            return Ok(factor);
        }
        Err(bad(
            format!(
                "stretched {} is {} than relaxed {}",
                told(stretched, self.stretched),
                if factor < 1.0 { "less" } else { "more than six times longer" },
                told(relaxed, self.stretched)
            ),
            "measure both again; both are of the same stretch, the whole way round or of one piece",
        ))
    }

    fn moving_ends(&self, shape: &Shape, index: usize) -> Result<Vec<End>, Refusal> {
        let from = self.from.as_ref().map(|edge| shape.find(edge)).transpose()?;
        if let Some(neighbour) = from {
            let still = super::end_towards(shape, index, neighbour)?;
            if is_fold(shape, still.other().neighbour(shape, index)) {
                return Err(bad("the other end is on the fold, which does not move", "leave \"from\" out"));
            }
            return Ok(vec![still.other()]);
        }
        let (before, after) = shape.neighbours(index);
        if before == after || is_fold(shape, index) {
            return Err(bad(
                format!("{} has no two sides that could swing out", shape.edges[index].called()),
                "let out an edge between two others",
            ));
        }
        Ok(End::BOTH.into_iter().filter(|end| !is_fold(shape, end.neighbour(shape, index))).collect())
    }
}

/// A neighbour that swings out with the end of the edge.
struct Side {
    end: End,
    /// Place of the neighbour.
    place: usize,
    /// From the far corner to the level; empty when all of it swings.
    below: BezPath,
    /// From the level to the corner that moves.
    above: BezPath,
    /// Does it swing as a whole?
    whole: bool,
    /// The direction out of the piece along the edge.
    out: Vec2,
    /// How it runs above the level.
    line: SideLine,
}

impl Side {
    fn of(shape: &Shape, index: usize, end: End, level: Option<f64>) -> Result<Self, Refusal> {
        let place = end.neighbour(shape, index);
        let away = end.away(&shape.edges[place].path);
        let out = Edge::of(shape, index).axis * if end == End::Last { 1.0 } else { -1.0 };
        let (corner, far) = (path::start(&away), path::end(&away));
        let grain = up(shape);
        let inwards = grain * (far - corner).dot(grain).signum();
        let across = super::left(grain) * 1e6;
        let spot = level.filter(|l| *l > 0.0).and_then(|level| {
            let at = corner + inwards * level;
            path::crossings(&away, &path::line(at - across, at + across)).first().map(|(spot, _)| *spot)
        });
        let Some(spot) = spot else {
            let whole = path::reversed(&away);
            return Ok(Self {
                end,
                place,
                below: BezPath::new(),
                above: whole,
                whole: true,
                out,
                line: SideLine::AsTraced,
            });
        };
        let (above, below) = path::split(&away, spot);
        if above.elements().len() < 2 {
            return Err(bad("the level is at the edge itself", "give a level further away"));
        }
        let whole = below.elements().len() < 2;
        Ok(Self {
            end,
            place,
            below: path::reversed(&below),
            above: path::reversed(&above),
            whole,
            out,
            line: SideLine::AsTraced,
        })
    }

    fn swung(&self, angle: f64) -> BezPath {
        if self.whole {
            return path::turned_about_start(&self.above, angle);
        }
        if self.line == SideLine::Smooth {
            return self.even(angle);
        }
        // As a rod bends that is held at the level and pushed at its end: smooth there, straight at the end.
        path::turned_along(&self.above, |share| angle * share * (2.0 - share))
    }

    /// An even line of the side's own length, as a rod bends that is held at the level and pushed at its end: it leaves the
    /// level as the side below arrives there and straightens towards its end, which lies where the traced chord swung by an
    /// angle points.
    fn even(&self, angle: f64) -> BezPath {
        let (from, to) = (path::start(&self.above), path::end(&self.above));
        let chord = path::unit((Affine::rotate(angle) * (to - from).to_point()).to_vec2());
        let leaving = path::arriving_over(&self.below, STEADY_MM);
        let held = from + leaving / 3.0;
        let of_length = |reach: f64| {
            let end = from + chord * reach;
            let held = from + (held - from) * reach;
            path::of(&[PathSeg::Cubic(CubicBez::new(from, held, held.midpoint(end), end))])
        };
        of_length(path::length(&self.above) / path::length(&of_length(1.0)).max(1e-6))
    }

    /// How far the side's end leans out from the direction it has at the level, degrees.
    fn leans_deg(&self, above: &BezPath) -> f64 {
        let chord = |path: &BezPath| path::unit(path::end(path) - path::start(path));
        let (at_level, end) = if self.whole {
            (chord(&self.above), chord(above))
        } else {
            (path::arriving_over(&self.below, STEADY_MM), path::end_direction(above))
        };
        let outwards = at_level.cross(self.out).signum();
        (outwards * at_level.cross(end).atan2(at_level.dot(end))).to_degrees()
    }

    fn shift(&self, swung: &BezPath) -> Shift {
        let anew = self.line == SideLine::Smooth && !self.whole;
        let drawn = anew
            .then(|| Neighbour { traced: path::arriving_over(&self.above, READ_MM), now: path::end_direction(swung) });
        Shift { end: self.end, by: path::end(swung) - path::end(&self.above), drawn }
    }

    /// The side with its end moved out by an amount; none when it cannot reach.
    fn moved(&self, amount: f64) -> Option<BezPath> {
        let (from, to) = (path::start(&self.above), path::end(&self.above));
        let sense = (to - from).cross(self.out).signum();
        let out = |angle: f64| (path::end(&self.swung(sense * angle)) - to).dot(self.out) - amount;
        root(out, MOST_SWING).map(|angle| self.swung(sense * angle))
    }
}

/// What the swing of a side does to the end of the edge let out.
struct Shift {
    end: End,
    by: Vec2,
    /// The side's own direction, where it is drawn anew.
    drawn: Option<Neighbour>,
}

/// Direction in which a neighbour arrives at the corner it shares with the edge let out.
#[derive(Clone, Copy)]
struct Neighbour {
    /// As traced.
    traced: Vec2,
    /// Now.
    now: Vec2,
}

impl Neighbour {
    /// One that does not move.
    fn still(path: &BezPath, end: End) -> Self {
        let arriving = path::arriving_over(&path::reversed(&end.away(path)), READ_MM);
        Self { traced: arriving, now: arriving }
    }

    /// A direction of the edge at the corner as it was traced, kept in its angle with the neighbour: square where it was
    /// nearly so.
    fn met(self, direction: Vec2) -> Vec2 {
        let square = super::left(self.traced) * super::left(self.traced).dot(direction).signum();
        let off = square.cross(direction).atan2(square.dot(direction));
        let turned = self.traced.cross(self.now).atan2(self.traced.dot(self.now));
        let by = if off.to_degrees().abs() <= path::MEANT_DEG { turned - off } else { turned };
        (Affine::rotate(by) * direction.to_point()).to_vec2()
    }
}

/// The edge let out.
struct Edge<'a> {
    path: &'a BezPath,
    /// The neighbours at its first and last end, as they were traced.
    beside: [Neighbour; 2],
    /// Square to the fold at an end that is on it, else along the chord; unit.
    axis: Vec2,
}

impl<'a> Edge<'a> {
    fn of(shape: &'a Shape, index: usize) -> Self {
        let path = &shape.edges[index].path;
        let chord = path::unit(path::end(path) - path::start(path));
        let fold = End::BOTH.into_iter().map(|end| end.neighbour(shape, index)).find(|i| is_fold(shape, *i));
        let axis = fold.map_or(chord, |i| {
            let square = super::left(path::start_direction(&shape.edges[i].path));
            square * square.dot(chord).signum()
        });
        let beside = End::BOTH.map(|end| Neighbour::still(&shape.edges[end.neighbour(shape, index)].path, end));
        Self { path, beside, axis }
    }

    /// The edge with its ends moved: one even curve where a side is drawn anew, else every point carried along.
    fn shifted(&self, shifts: &[Shift]) -> BezPath {
        let by = |end: End| shifts.iter().find(|s| s.end == end).map_or(Vec2::ZERO, |s| s.by);
        if shifts.iter().any(|s| s.drawn.is_some()) {
            let beside = |end: End, still: Neighbour| {
                shifts.iter().find(|s| s.end == end).map_or(still, |s| s.drawn.unwrap_or(still))
            };
            let [first, last] = self.beside;
            let leaving = beside(End::First, first).met(-path::arriving_over(&path::reversed(self.path), READ_MM));
            let arriving = beside(End::Last, last).met(path::arriving_over(self.path, READ_MM));
            let (from, to) = (path::start(self.path) + by(End::First), path::end(self.path) + by(End::Last));
            return path::curve(from, leaving, arriving, to);
        }
        self.carried(by(End::First), by(End::Last), shifts.len() > 1)
    }

    /// Evenly along the axis, across it so that a still end keeps its direction.
    fn carried(&self, first: Vec2, last: Vec2, both: bool) -> BezPath {
        let side = super::left(self.axis);
        path::carried(self.path, |a: &At| {
            let u = a.share;
            // Shares of the shift across: from the middle when both ends move, else from the still end.
            let bend = |from_end: f64| {
                let reach = if both { (2.0 * from_end - 1.0).max(0.0) } else { from_end };
                (reach * reach, if both { 4.0 * reach } else { 2.0 * reach })
            };
            let ((f, df), (l, dl)) = (bend(1.0 - u), bend(u));
            let along = (first * (1.0 - u) + last * u).dot(self.axis);
            let along_rate = (last - first).dot(self.axis);
            let across = first.dot(side) * f + last.dot(side) * l;
            let across_rate = last.dot(side) * dl - first.dot(side) * df;
            let shift: Point = a.point + self.axis * along + side * across;
            (shift, a.velocity + (self.axis * along_rate + side * across_rate) * a.share_rate)
        })
    }
}

/// Where a function that grows from below zero at 0 crosses zero, looked for up to `most`.
fn root(f: impl Fn(f64) -> f64, most: f64) -> Option<f64> {
    let low = f(0.0);
    if low.abs() < EXACT_MM {
        return Some(0.0);
    }
    let (mut a, mut at_a) = (0.0, low);
    // In steps, since far out it may fall again.
    for step in 1..=8 {
        let b = most * f64::from(step) / 8.0;
        let at_b = f(b);
        if at_a < 0.0 && at_b >= 0.0 {
            let k1 = 0.2 / (b - a);
            return Some(kurbo::common::solve_itp(f, a, b, 1e-11 * most.max(1.0), 1, k1, at_a, at_b));
        }
        (a, at_a) = (b, at_b);
    }
    None
}
