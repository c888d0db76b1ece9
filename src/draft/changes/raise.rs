//! One end of an edge raised or lowered.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{End, bad, edge_or, is_fold, told, usable};
use crate::draft::shape::{EdgeRef, Role, Shape};
use crate::path::{self, At};
use crate::refusal::Refusal;
use crate::units::Length;

/// One end of an edge raised (out of the piece) or lowered (into it) along its neighbour, as a back rise differs from a
/// front rise.
///
/// The neighbour gets longer, straight on in its own direction, or shorter, by `by`. The edge follows evenly, so that a
/// straight one stays straight; where it has an end on the fold it keeps its direction there, and so stays square. The
/// edge and that neighbour change their lengths, the others keep them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Raise {
    /// The edge; default: the waist.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<EdgeRef>,
    /// The neighbour at the end that moves; default: the rise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<EdgeRef>,
    /// By how much, along that neighbour.
    pub by: Length,
}

impl Raise {
    pub(super) fn raised(&self, shape: &Shape) -> Result<Shape, Refusal> {
        self.moved(shape, true)
    }

    pub(super) fn lowered(&self, shape: &Shape) -> Result<Shape, Refusal> {
        self.moved(shape, false)
    }

    fn moved(&self, shape: &Shape, raise: bool) -> Result<Shape, Refusal> {
        let index = edge_or(shape, self.edge.as_ref(), Role::Waist)?;
        let place = edge_or(shape, self.at.as_ref(), Role::Rise)?;
        let end = super::end_towards(shape, index, place)?;
        let by = usable(self.by, "change")?;
        if by == 0.0 {
            return Ok(shape.clone());
        }
        let towards = path::reversed(&end.away(&shape.edges[place].path));
        let whole = path::length(&towards);
        let changed = if raise {
            path::run_on(&towards, by)
        } else if by < whole - 1.0 {
            path::spot_at(&towards, whole - by).map(|spot| path::split(&towards, spot).0).unwrap_or_default()
        } else {
            return Err(bad(
                format!(
                    "{} is {} long and cannot lose {}",
                    shape.edges[place].called(),
                    told(whole, self.by),
                    told(by, self.by)
                ),
                "lower it by less",
            ));
        };
        let shift = path::end(&changed) - path::end(&towards);
        let rule = Rule::of(shape, index, end);
        let moved = path::carried(&end.towards(&shape.edges[index].path), |at: &At| {
            let (share, rate) = rule.at(at.share);
            (at.point + shift * share, at.velocity + shift * (rate * at.share_rate))
        });
        let mut made = shape.clone();
        made.edges[index].path = end.towards(&moved);
        made.edges[place].path = end.away(&path::reversed(&changed));
        Ok(made)
    }
}

/// How the shift is shared out along the edge, from the still end (0) to the moved one (1).
enum Rule {
    Even,
    /// The still end is on the fold and keeps its direction.
    StillEndKept,
    /// The moved end is on the fold and keeps its direction.
    MovedEndKept,
}

impl Rule {
    fn of(shape: &Shape, index: usize, moved: End) -> Self {
        if is_fold(shape, moved.neighbour(shape, index)) {
            Rule::MovedEndKept
        } else if is_fold(shape, moved.other().neighbour(shape, index)) {
            Rule::StillEndKept
        } else {
            Rule::Even
        }
    }

    /// The share, and how fast it grows.
    fn at(&self, u: f64) -> (f64, f64) {
        match self {
            Rule::Even => (u, 1.0),
            Rule::StillEndKept => (u * u, 2.0 * u),
            Rule::MovedEndKept => (u * (2.0 - u), 2.0 * (1.0 - u)),
        }
    }
}
