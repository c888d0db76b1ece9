//! A line across a piece, from edge to edge, and the two sides of it.

use std::cmp::Ordering;

use kurbo::{BezPath, Point, Vec2};

use super::{Place, bad, points};
use crate::draft::shape::{Shape, ShapeEdge};
use crate::path::{self, Spot};
use crate::polygon;
use crate::refusal::Refusal;

/// A first or last place within this of an edge is on it, mm.
const ON_EDGE_MM: f64 = 5.0;
/// A line that ends this near to a corner ends in it, mm.
pub(super) const CORNER_MM: f64 = 0.5;
/// A line that bows by less is straight, mm: a yoke that crosses its edges at an angle is meant to.
const CURVED_MM: f64 = 1.0;
/// A line is bent over so much of its end to be square, mm.
const BEND_MM: f64 = 30.0;
/// The direction of an edge at its corner is read over so much of it, mm.
const READ_MM: f64 = 30.0;

/// A place on the outline.
#[derive(Debug, Clone, Copy)]
struct Bound {
    edge: usize,
    spot: Spot,
}

/// A line that divides a shape in two.
pub(super) struct Division<'a> {
    shape: &'a Shape,
    /// The line, from edge to edge.
    pub line: BezPath,
    from: Bound,
    to: Bound,
}

impl<'a> Division<'a> {
    /// The line through places: smooth, or straight from place to place. A first or last place inside the piece is run on
    /// straight to the edge; from one outside the line is cut back to it. An end within `corner_mm` of a corner is put
    /// into it.
    ///
    /// The line does not end on the edge to be `spared`, however near it comes.
    pub fn through(
        shape: &'a Shape,
        places: &[Place],
        smooth: bool,
        corner_mm: f64,
        spared: Option<usize>,
    ) -> Result<Self, Refusal> {
        let mut through = points(places, shape)?;
        through.dedup_by(|a, b| a.distance(*b) < 1e-3);
        let (Some(first), Some(last)) = (through.first().copied(), through.last().copied()) else {
            return Err(bad("no line is given", "give two places or more in \"line\""));
        };
        if through.len() < 2 {
            return Err(bad("one place is no line", "give two places or more in \"line\""));
        }
        let ends = Ends { shape, spared, corner_mm };
        let (on_first, on_last) = (ends.on_edge(first), ends.on_edge(last));
        if let (Some((_, at)), Some(place)) = (on_first, through.first_mut()) {
            *place = at;
        }
        if let (Some((_, at)), Some(place)) = (on_last, through.last_mut()) {
            *place = at;
        }
        let drawn = if smooth { path::smooth_through(&through, None, None) } else { path::polyline(&through) };
        let (to, drawn) = ends.reaching(&drawn, on_last)?;
        let (from, back) = ends.reaching(&path::reversed(&drawn), on_first)?;
        let line = path::reversed(&back);
        if path::length(&line) < 1.0 || path::start(&line).distance(path::end(&line)) < path::SAME_MM {
            return Err(bad(
                "the line does not cross the piece",
                "give places further apart, from one edge to another",
            ));
        }
        stays_inside(shape, &line)?;
        Ok(Self { shape, line, from, to })
    }

    /// A curved line with its ends bent so that it meets the edges squarely, where it nearly does: an armhole runs on
    /// smoothly across a seam only so (common practice of the trade, no source).
    pub fn meeting_squarely(self) -> Self {
        if path::bow(&self.line) < CURVED_MM {
            return self;
        }
        let line = self.bent_square(&self.line, self.to);
        let line = path::reversed(&self.bent_square(&path::reversed(&line), self.from));
        Self { line, ..self }
    }

    /// A line that arrives at a bound, its last stretch bent to be square to an edge there if it is nearly so.
    fn bent_square(&self, line: &BezPath, bound: Bound) -> BezPath {
        let arriving = path::end_direction(line);
        let turn = |direction: &Vec2| arriving.cross(*direction).atan2(arriving.dot(*direction)).to_degrees().abs();
        let square = self
            .directions(bound)
            .into_iter()
            .map(|along| super::left(along) * super::left(along).dot(arriving).signum())
            .min_by(|a, b| turn(a).total_cmp(&turn(b)))
            .filter(|square| turn(square) <= path::MEANT_DEG);
        let length = path::length(line);
        let reach = BEND_MM.min(0.4 * length);
        let (Some(square), Some(spot)) = (square, path::spot_at(line, length - reach)) else { return line.clone() };
        let (kept, old) = path::split(line, spot);
        let tail = path::curve(path::start(&old), path::direction_at(line, spot), square, path::end(&old));
        path::joined(&kept, &tail)
    }

    /// Directions of the edges at a bound: one, or two in a corner.
    fn directions(&self, bound: Bound) -> Vec<Vec2> {
        let path = |edge: usize| &self.shape.edges[edge].path;
        let (before, after) = self.shape.neighbours(bound.edge);
        let own = path(bound.edge);
        let (from_start, whole) = (path::length_to(own, bound.spot), path::length(own));
        let arriving = |path: &BezPath| path::arriving_over(path, READ_MM);
        if from_start < path::SAME_MM {
            return vec![arriving(path(before)), arriving(&path::reversed(own))];
        }
        if whole - from_start < path::SAME_MM {
            return vec![arriving(own), arriving(&path::reversed(path(after)))];
        }
        vec![path::direction_at(own, bound.spot)]
    }

    /// The edges on the left of the line and on the right, from its one end round to the other, without the line.
    pub fn sides(&self) -> [Vec<ShapeEdge>; 2] {
        [run(self.shape, self.to, self.from), run(self.shape, self.from, self.to)]
    }

    /// The side that holds an edge, and the other one: the edges in order, the last of them the line.
    ///
    /// # Errors
    /// When the line cuts that edge in two.
    pub fn side_with(&self, index: usize, line: &ShapeEdge) -> Result<[Vec<ShapeEdge>; 2], Refusal> {
        let number = self.shape.edges[index].number;
        let [left, right] = self.sides();
        let holds = |side: &[ShapeEdge]| side.iter().any(|e| e.number == number);
        let closed = |mut side: Vec<ShapeEdge>, path: BezPath| {
            side.push(ShapeEdge { path, ..line.clone() });
            side
        };
        let along = self.line.clone();
        let back = path::reversed(&self.line);
        match (holds(&left), holds(&right)) {
            (true, false) => Ok([closed(left, along), closed(right, back)]),
            (false, true) => Ok([closed(right, back), closed(left, along)]),
            _ => Err(bad(
                format!("the line cuts {} in two", self.shape.edges[index].called()),
                "name an edge that lies on one side of the line, or draw the line elsewhere",
            )),
        }
    }
}

/// A line that meets an edge on its way would divide the piece in more than two.
fn stays_inside(shape: &Shape, line: &BezPath) -> Result<(), Refusal> {
    let whole = path::length(line);
    for edge in &shape.edges {
        for (along, _) in path::crossings(line, &edge.path) {
            let before = path::length_to(line, along);
            if before > CORNER_MM && before < whole - CORNER_MM {
                let at = path::point_at(line, along);
                return Err(bad(
                    format!("the line crosses {} on its way, near ({:.1}, {:.1}) mm", edge.called(), at.x, at.y),
                    "give places that keep the line inside the piece from end to end",
                ));
            }
        }
    }
    Ok(())
}

/// Where a line may end.
struct Ends<'a> {
    shape: &'a Shape,
    /// The edge on which it may not.
    spared: Option<usize>,
    /// This near to a corner it ends in the corner.
    corner_mm: f64,
}

impl Ends<'_> {
    fn edges(&self) -> impl Iterator<Item = (usize, &ShapeEdge)> {
        self.shape.edges.iter().enumerate().filter(|(i, _)| Some(*i) != self.spared)
    }

    /// A path that ends on the outline: where its end lies on an edge, run on from inside, or cut back from outside.
    fn reaching(&self, path: &BezPath, on_edge: Option<(Bound, Point)>) -> Result<(Bound, BezPath), Refusal> {
        let (start, end) = (path::start(path), path::end(path));
        let inside = polygon::contains(&self.shape.ring(), end.into());
        let (bound, at, path) = match on_edge {
            Some((bound, at)) => (bound, at, path.clone()),
            None if inside => {
                let (bound, at) = self.hit(end, path::end_direction(path))?;
                (bound, at, path::joined(path, &path::line(end, at)))
            }
            None => {
                let hits = self.edges().flat_map(|(edge, e)| {
                    path::crossings(path, &e.path).into_iter().map(move |(along, spot)| (along, edge, spot))
                });
                let last = hits
                    .max_by(|a, b| (a.0.segment, a.0.t).partial_cmp(&(b.0.segment, b.0.t)).unwrap_or(Ordering::Equal));
                let (along, edge, spot) = last.ok_or_else(|| {
                    bad(
                        format!("the line from ({:.1}, {:.1}) mm does not come near the piece", end.x, end.y),
                        "give places inside the piece or on its edges",
                    )
                })?;
                let (bound, at) = settled(self.shape, edge, spot, self.corner_mm);
                (bound, at, path::split(path, along).0)
            }
        };
        Ok((bound, path::pinned(&path, start, at)))
    }

    /// The place of the outline at a point on it or near it.
    fn on_edge(&self, point: Point) -> Option<(Bound, Point)> {
        let near = self.edges().filter_map(|(edge, e)| {
            let (spot, away) = path::nearest(&e.path, point)?;
            Some((edge, spot, away))
        });
        let (edge, spot, away) = near.min_by(|a, b| a.2.total_cmp(&b.2))?;
        let outside = !polygon::contains(&self.shape.ring(), point.into());
        (away <= ON_EDGE_MM || (outside && away <= 2.0 * ON_EDGE_MM))
            .then(|| settled(self.shape, edge, spot, self.corner_mm))
    }

    /// Where a ray from inside the piece leaves it first.
    fn hit(&self, from: Point, direction: Vec2) -> Result<(Bound, Point), Refusal> {
        let reach = 2.0 * polygon::perimeter(&self.shape.ring());
        let ray = path::line(from, from + direction * reach);
        let hits = self.edges().flat_map(|(edge, e)| {
            path::crossings(&ray, &e.path).into_iter().map(move |(along, spot)| (along.t, edge, spot))
        });
        let first = hits.min_by(|a, b| a.0.total_cmp(&b.0));
        first
            .map(|(_, edge, spot)| settled(self.shape, edge, spot, self.corner_mm))
            .ok_or_else(|| bad("the line does not reach an edge of the piece", "give a place nearer to the edge"))
    }
}

/// The bound at a spot, in a corner where it is near to one.
fn settled(shape: &Shape, edge: usize, spot: Spot, corner_mm: f64) -> (Bound, Point) {
    let path = &shape.edges[edge].path;
    let (before, whole) = (path::length_to(path, spot), path::length(path));
    let end = |segment: usize, t: f64| Spot { segment, t };
    let spot = if before < corner_mm {
        end(0, 0.0)
    } else if whole - before < corner_mm {
        end(path::segments(path).len().saturating_sub(1), 1.0)
    } else {
        spot
    };
    (Bound { edge, spot }, path::point_at(path, spot))
}

/// The edges from one place of the outline anticlockwise to another.
fn run(shape: &Shape, from: Bound, to: Bound) -> Vec<ShapeEdge> {
    let count = shape.edges.len();
    let later = (to.spot.segment, to.spot.t) > (from.spot.segment, from.spot.t);
    let part = |edge: usize, path: BezPath| ShapeEdge { path, ..shape.edges[edge].clone() };
    let tail = |bound: Bound| path::split(&shape.edges[bound.edge].path, bound.spot).1;
    let head = |bound: Bound| path::split(&shape.edges[bound.edge].path, bound.spot).0;
    if from.edge == to.edge && later {
        let whole = &shape.edges[from.edge].path;
        let before = path::length_to(whole, from.spot);
        let length = path::length_to(whole, to.spot) - before;
        let rest = tail(from);
        let middle = path::spot_at(&rest, length).map(|spot| path::split(&rest, spot).0).unwrap_or_default();
        let middle = path::pinned(&middle, path::point_at(whole, from.spot), path::point_at(whole, to.spot));
        return vec![part(from.edge, middle)];
    }
    let mut edges = vec![part(from.edge, tail(from))];
    let mut at = (from.edge + 1) % count;
    while at != to.edge {
        edges.push(shape.edges[at].clone());
        at = (at + 1) % count;
    }
    let mut last = part(to.edge, head(to));
    if from.edge == to.edge {
        // The same edge at both ends of the run: its second part needs a number of its own. The line takes the next.
        last.number = shape.next_number() + 1;
        last.name = None;
    }
    edges.push(last);
    edges.retain(|e| e.path.elements().len() > 1 && path::length(&e.path) > path::SAME_MM);
    edges
}
