//! An edge drawn anew through places.

use kurbo::{Point, Vec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::corners::{landing, set_neighbour};
use super::{End, Place, bad, is_fold, points};
use crate::draft::shape::{EdgeRef, Shape};
use crate::path;
use crate::refusal::Refusal;

/// An edge goes through given places, in order, either way round.
///
/// Where the first or last place lies on a neighbouring edge (within 5 mm of it, or of its line beyond the corner) the
/// corner moves there and the neighbour is cut, or run on straight; else the old corner stays. A smooth edge that ends
/// on the fold meets it squarely. Only the edge and such neighbours change their lengths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Redraw {
    /// The edge.
    pub edge: EdgeRef,
    /// The places it goes through.
    pub through: Vec<Place>,
    /// A smooth curve (the default), not straight lines from place to place.
    #[serde(default = "yes")]
    pub smooth: bool,
}

fn yes() -> bool {
    true
}

impl Redraw {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let index = shape.find(&self.edge)?;
        let edge = &shape.edges[index];
        let mut through = points(&self.through, shape)?;
        if through.is_empty() {
            return Err(bad("no place is given for the edge to go through", "give one place or more in \"through\""));
        }
        let (from, to): (Point, Point) = (edge.from().into(), edge.to().into());
        if runs_backwards(&through, from, to) {
            through.reverse();
        }
        let mut made = shape.clone();
        for end in End::BOTH {
            let place = match end {
                End::First => through.first_mut(),
                End::Last => through.last_mut(),
            };
            let Some(place) = place else { continue };
            let neighbour = end.away(&made.edges[end.neighbour(&made, index)].path);
            if let Some(landing) = landing(&neighbour, *place) {
                *place = landing.corner;
                set_neighbour(&mut made, index, end, &landing.neighbour);
            } else {
                match end {
                    End::First => through.insert(0, from),
                    End::Last => through.push(to),
                }
            }
        }
        let square = |end: End| self.smooth.then(|| square_to_fold(&made, index, end, &through)).flatten();
        let (leaving, arriving) = (square(End::First), square(End::Last));
        let path =
            if self.smooth { path::smooth_through(&through, leaving, arriving) } else { path::polyline(&through) };
        made.edges[index].path = path;
        made.edges[index].doubt_mm = 0.0;
        Ok(made)
    }
}

/// Are places listed from the edge's end to its start?
fn runs_backwards(through: &[Point], from: Point, to: Point) -> bool {
    let (Some(first), Some(last)) = (through.first(), through.last()) else { return false };
    from.distance(*first) + last.distance(to) > from.distance(*last) + first.distance(to)
}

/// The direction, square to the fold, in which an edge with an end on the fold leaves or arrives there.
fn square_to_fold(shape: &Shape, index: usize, end: End, through: &[Point]) -> Option<Vec2> {
    let neighbour = end.neighbour(shape, index);
    if !is_fold(shape, neighbour) {
        return None;
    }
    let fold = path::start_direction(&shape.edges[neighbour].path);
    let onwards = match end {
        End::First => *through.get(1)? - *through.first()?,
        End::Last => *through.last()? - *through.get(through.len().checked_sub(2)?)?,
    };
    let square = super::left(fold);
    Some(if square.dot(onwards) < 0.0 { -square } else { square })
}
