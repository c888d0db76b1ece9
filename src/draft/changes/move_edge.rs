//! An edge moved parallel to itself.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::corners::fitted;
use super::{bad, told, usable};
use crate::draft::shape::{EdgeRef, Shape};
use crate::path::{self, At};
use crate::refusal::Refusal;
use crate::units::Length;

/// Directions that differ by more than this inside an edge are a corner of it, degrees.
const KINK_DEG: f64 = 5.0;

/// An edge moved out of or into the piece, parallel to itself: every point of it by the same distance.
///
/// Its neighbours are cut, or run on straight, until they meet it; so the edge and its neighbours change their lengths (a
/// straight edge between square neighbours keeps its own). The others keep theirs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MoveEdge {
    /// The edge.
    pub edge: EdgeRef,
    /// How far out of the piece.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub out: Option<Length>,
    /// Or how far into the piece.
    #[serde(default, rename = "in", skip_serializing_if = "Option::is_none")]
    pub inwards: Option<Length>,
}

impl MoveEdge {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let index = shape.find(&self.edge)?;
        let (by, typed) = match (self.out, self.inwards) {
            (Some(out), None) => (usable(out, "distance")?, out),
            (None, Some(inwards)) => (-usable(inwards, "distance")?, inwards),
            _ => return Err(bad("it is not clear which way", "give either \"out\" or \"in\"")),
        };
        if by == 0.0 {
            return Ok(shape.clone());
        }
        let path = &shape.edges[index].path;
        let parts = path::segments(path);
        let kink = parts.windows(2).any(|pair| {
            let (one, next) = (path::end_tangents(&pair[0]).1, path::end_tangents(&pair[1]).0);
            one.dot(next) < KINK_DEG.to_radians().cos()
        });
        if kink {
            return Err(bad(
                format!("{} has a corner within it and cannot be moved parallel", shape.edges[index].called()),
                "redraw it instead",
            ));
        }
        // The piece lies to the left of its edges: out is to the right.
        let tight = std::cell::Cell::new(false);
        let moved = path::carried(path, |at: &At| {
            let stretch = 1.0 + by * at.curvature;
            tight.set(tight.get() || stretch <= 0.0);
            (at.point - super::left(path::unit(at.velocity)) * by, at.velocity * stretch)
        });
        if tight.get() {
            return Err(bad(
                format!("{} is bent too tightly to be moved by {}", shape.edges[index].called(), told(by.abs(), typed)),
                "move it by less, or redraw it",
            ));
        }
        fitted(shape, index, moved)
    }
}
