//! One side of a line across the piece.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::division::Division;
use super::{Place, new_edge};
use crate::draft::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::refusal::Refusal;

/// A line that ends this near to a corner ends in it, mm: no seam is so short, and marks are aimed no better.
const SLIVER_MM: f64 = 6.0;

/// The piece is divided by an inside seam; the side that holds an edge is kept.
///
/// The line goes smoothly through its places, from edge to edge: a first or last place within 5 mm of an edge is on it,
/// one further inside is run on straight, one outside is cut back; a curved line that meets an edge within 15 degrees of
/// squarely is bent there to meet it squarely. Two parts of one line have new edges of equal length. Edges that the line cuts
/// become shorter; the others keep their lengths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// Places along the seam.
    pub line: Vec<Place>,
    /// An edge on the side that is kept.
    pub holding: EdgeRef,
    /// A smooth line (the default), not straight from place to place.
    #[serde(default = "yes")]
    pub smooth: bool,
    /// Name of the new edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Role of the new edge; default: plain.
    #[serde(default)]
    pub role: Role,
}

fn yes() -> bool {
    true
}

impl Part {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let held = shape.find(&self.holding)?;
        let division = Division::through(shape, &self.line, self.smooth, SLIVER_MM, None)?;
        let division = if self.smooth { division.meeting_squarely() } else { division };
        let seam = new_edge(shape.next_number(), self.role, self.name.as_ref(), division.line.clone());
        let [edges, _] = division.side_with(held, &seam)?;
        Ok(with_edges(shape, edges))
    }
}

/// See [`super::sides_of`].
pub(super) fn sides(shape: &Shape, places: &[Place]) -> Option<[Vec<usize>; 2]> {
    let division = Division::through(shape, places, true, SLIVER_MM, None).ok()?;
    let sides = division.sides();
    let numbers = |side: usize| -> Vec<usize> { sides[side].iter().map(|e| e.number).collect() };
    let (left, right) = (numbers(0), numbers(1));
    let whole = |own: &[usize], others: &[usize]| {
        let mut whole: Vec<&ShapeEdge> =
            shape.edges.iter().filter(|e| own.contains(&e.number) && !others.contains(&e.number)).collect();
        whole.sort_by(|a, b| b.length_mm().total_cmp(&a.length_mm()));
        whole.into_iter().map(|e| e.number).collect::<Vec<_>>()
    };
    let sides = [whole(&left, &right), whole(&right, &left)];
    sides.iter().all(|side| !side.is_empty()).then_some(sides)
}

/// The shape with other edges; the fold only if its edge is still there.
pub(super) fn with_edges(shape: &Shape, edges: Vec<ShapeEdge>) -> Shape {
    let fold = shape.fold.filter(|number| edges.iter().any(|e| e.number == *number));
    Shape { edges, fold, ..shape.clone() }
}
