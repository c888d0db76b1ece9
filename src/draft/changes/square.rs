//! Edges bent to meet the fold squarely.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{End, bad, fold_index};
use crate::draft::shape::Shape;
use crate::path::{self, MEANT_DEG, StraightLine, squared};
use crate::refusal::{Refusal, Warning};

/// The edges that meet the fold are bent over their last few centimetres to meet it squarely, where they are within 15
/// degrees of that; an edge that plainly means its angle (a V neck) is left alone and said so.
///
/// The fold and its neighbours change their lengths by a little; the others keep theirs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SquareAtFold {}

pub(super) fn square_at_fold(shape: &Shape) -> Result<Shape, Refusal> {
    let index = fold_index(shape).ok_or_else(|| bad("this piece is not on a fold", "name its fold first"))?;
    let fold = &shape.edges[index].path;
    let line = StraightLine::between(path::start(fold), path::end(fold))
        .ok_or_else(|| bad("the fold has no length", "trace the piece again"))?;
    let mut made = shape.clone();
    let mut ends = [path::start(fold), path::end(fold)];
    for (end, corner) in End::BOTH.into_iter().zip(&mut ends) {
        let place = end.neighbour(shape, index);
        let arriving = path::reversed(&end.away(&made.edges[place].path));
        let bent = squared(&arriving, &line);
        if bent.off_deg > MEANT_DEG {
            made.warnings.push(Warning::new(
                "fold-not-square",
                format!(
                    "{} meets the fold {:.0}° off square and was left so: unfolded it makes a point there",
                    made.edges[place].called(),
                    bent.off_deg
                ),
            ));
        }
        *corner = bent.meets;
        made.edges[place].path = end.away(&path::reversed(&bent.path));
    }
    made.edges[index].path = path::line(ends[0], ends[1]);
    Ok(made)
}
