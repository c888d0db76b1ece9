//! Where an edge meets its neighbours: cut to each other, or run on straight until they meet.

use kurbo::{BezPath, Point};

use super::{End, bad};
use crate::draft::shape::Shape;
use crate::path::{self, Spot};
use crate::refusal::Refusal;

/// A place within this of a neighbouring edge, or of its line beyond the corner, is a new corner on it, mm.
pub(super) const CORNER_MM: f64 = 5.0;

/// A neighbour that a place lies on: its new path, leaving the new corner, and that corner.
pub(super) struct Landing {
    pub neighbour: BezPath,
    pub corner: Point,
}

/// Does a place lie on a neighbour (which leaves the old corner), or on its line before that corner?
pub(super) fn landing(neighbour: &BezPath, place: Point) -> Option<Landing> {
    let (spot, away) = path::nearest(neighbour, place)?;
    let (old, direction) = (path::start(neighbour), path::start_direction(neighbour));
    let beyond = (place - old).dot(direction);
    let foot = old + direction * beyond;
    if beyond < 0.0 && foot.distance(place) <= CORNER_MM.min(away) {
        return Some(Landing { neighbour: path::joined(&path::line(foot, old), neighbour), corner: foot });
    }
    let (_, rest) = path::split(neighbour, spot);
    let corner = path::point_at(neighbour, spot);
    (away <= CORNER_MM && rest.elements().len() > 1).then_some(Landing { neighbour: rest, corner })
}

/// Puts a neighbour's new path, leaving the corner, into the shape.
pub(super) fn set_neighbour(shape: &mut Shape, index: usize, end: End, leaving: &BezPath) {
    let place = end.neighbour(shape, index);
    shape.edges[place].path = end.away(leaving);
}

/// The shape with another path for an edge, cut or run on straight to its neighbours, as they are to it.
pub(super) fn fitted(shape: &Shape, index: usize, path: BezPath) -> Result<Shape, Refusal> {
    let mut made = shape.clone();
    made.edges[index].path = path;
    for end in End::BOTH {
        let place = end.neighbour(&made, index);
        let (own, neighbour) = (end.towards(&made.edges[index].path), end.away(&made.edges[place].path));
        let met = met(&own, &neighbour).ok_or_else(|| {
            bad(
                format!("{} would no longer meet {}", made.edges[index].called(), made.edges[place].called()),
                "choose a smaller change",
            )
        })?;
        made.edges[index].path = end.towards(&met.0);
        made.edges[place].path = end.away(&met.1);
    }
    Ok(made)
}

/// A path arriving and one leaving, cut or run on straight where they meet with the least change of both.
fn met(arriving: &BezPath, leaving: &BezPath) -> Option<(BezPath, BezPath)> {
    let (end, start) = (path::end(arriving), path::start(leaving));
    if end.distance(start) < path::SAME_MM {
        return Some((path::pinned(arriving, path::start(arriving), start), leaving.clone()));
    }
    let reach = 2.0 * (path::length(arriving) + path::length(leaving) + end.distance(start));
    let long = path::run_on(arriving, reach);
    let early = path::reversed(&path::run_on(&path::reversed(leaving), reach));
    let old = (path::length(arriving), reach);
    let change = |(a, b): &(Spot, Spot)| {
        (path::length_to(&long, *a) - old.0).abs() + (path::length_to(&early, *b) - old.1).abs()
    };
    let best = path::crossings(&long, &early).into_iter().min_by(|x, y| change(x).total_cmp(&change(y)))?;
    let (arriving, leaving) = (path::split(&long, best.0).0, path::split(&early, best.1).1);
    if arriving.elements().len() < 2 || leaving.elements().len() < 2 {
        return None;
    }
    let corner = path::start(&leaving);
    Some((path::pinned(&arriving, path::start(&arriving), corner), leaving))
}
