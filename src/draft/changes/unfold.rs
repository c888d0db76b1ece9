//! A half piece made whole across its fold.

use kurbo::Affine;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{bad, fold_index};
use crate::draft::shape::{Role, Shape, ShapeEdge};
use crate::path;
use crate::refusal::Refusal;
use crate::seams::InternalLine;

/// An edge within this of square to the fold goes on into its mirror image, degrees.
const SQUARE_DEG: f64 = 1.0;
/// A fold bows no more, mm.
const STRAIGHT_MM: f64 = 0.05;

/// A half piece made whole: its edges are mirrored across the fold, which is gone.
///
/// An edge that meets the fold squarely (within a degree) becomes one edge with its mirror image, as hem and neckline do.
/// The other edges keep their number and answer to what they were called; their images get numbers of their own and the
/// name with the side of the drawing they lie on ("side-seam left"). Marks stay where they are; lines inside have an image of
/// their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Unfold {}

/// The whole of a half piece; see [`Unfold`].
///
/// # Errors
/// When the piece has no fold (it is whole already), or its fold is not straight.
pub fn unfold(shape: &Shape) -> Result<Shape, Refusal> {
    let Some(fold) = fold_index(shape) else {
        return Err(bad("this piece is not on a fold", "leave it out: it is whole already; or name its fold first"));
    };
    let path = &shape.edges[fold].path;
    if path::bow(path) > STRAIGHT_MM {
        return Err(bad(
            format!("the fold is not straight: it bows by {:.2} mm", path::bow(path)),
            "redraw the fold as a straight line first",
        ));
    }
    let count = shape.edges.len();
    let (a, b) = (path::start(path), path::end(path));
    let mirror = path::mirror(a, b);
    let own: Vec<&ShapeEdge> = (1..count).map(|k| &shape.edges[(fold + k) % count]).collect();
    let along = path::unit(b - a);
    let (Some(first), Some(last)) = (own.first(), own.last()) else {
        return Err(bad("the piece has no edge but its fold", "trace it again"));
    };
    let square = |direction: kurbo::Vec2| direction.dot(along).abs() <= SQUARE_DEG.to_radians().sin();
    // One edge alone cannot go on into its image at both ends: it would have no corner left.
    let opens = square(path::start_direction(&first.path)) && own.len() > 1;
    let closes = square(path::end_direction(&last.path));
    let mut edges: Vec<ShapeEdge> = Vec::new();
    let mut next = shape.next_number();
    for (k, edge) in own.iter().enumerate() {
        let image = path::reversed(&(mirror * &edge.path));
        let (joins_first, joins_last) = (opens && k == 0, closes && k + 1 == own.len());
        let mut kept = (*edge).clone();
        if joins_first {
            kept.path = path::joined(&image, &edge.path);
        }
        if joins_last {
            kept.path = path::joined(&kept.path, &image);
        }
        if !joins_first && !joins_last && edge.role != Role::Plain {
            kept.name = Some(edge.called());
        }
        edges.push(kept);
    }
    for (k, edge) in own.iter().enumerate().rev() {
        if (opens && k == 0) || (closes && k + 1 == own.len()) {
            continue;
        }
        let image = path::reversed(&(mirror * &edge.path));
        let name = format!("{} {}", edge.called(), side(&edge.path, &image));
        edges.push(ShapeEdge { number: next, name: Some(name), path: image, ..(*edge).clone() });
        next += 1;
    }
    let mut whole = Shape { edges, fold: None, ..shape.clone() };
    whole.inside.extend(shape.inside.iter().map(|line| mirrored(line, mirror)));
    Ok(whole)
}

fn mirrored(line: &InternalLine, mirror: Affine) -> InternalLine {
    let image = line.line.iter().map(|p| (mirror * kurbo::Point::from(*p)).into());
    InternalLine { name: line.name.clone(), line: image.collect() }
}

/// Where the image of an edge lies beside it, on the drawing.
fn side(own: &kurbo::BezPath, image: &kurbo::BezPath) -> &'static str {
    let middle = |path: &kurbo::BezPath| path::start(path).midpoint(path::end(path));
    let across = middle(image) - middle(own);
    match (across.x.abs() >= across.y.abs(), across.x < 0.0, across.y < 0.0) {
        (true, true, _) => "left",
        (true, false, _) => "right",
        (false, _, true) => "below",
        (false, _, false) => "above",
    }
}
