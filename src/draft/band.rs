//! Bands and cuffs: rectangles from measures, or from the edges they are sewn to.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::path;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::Length;

/// A band is no longer or higher than this, mm: twenty metres.
const MOST_MM: f64 = 2e4;

/// Which way a band is folded over when it is finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Doubled {
    /// A single layer, its length all that is seen.
    #[default]
    None,
    /// Its length goes round: what was measured lies flat, front and back.
    Length,
    /// Its height is folded in half lengthwise.
    Height,
    /// Both, as most cuffs are.
    Both,
}

/// Which way the grain of a band runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BandGrain {
    /// Across it, so that a knit stretches along it.
    #[default]
    Across,
    /// Along it, so that it stretches least.
    Along,
}

/// An edge that a band is sewn to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JoinedEdge {
    /// Name of the piece.
    pub piece: String,
    /// Its edge.
    pub edge: EdgeRef,
    /// How often it goes into the opening; default: 2 for a piece on a fold, else 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub copies: Option<u32>,
}

/// A rectangle: a cuff, a neckband, a waistband.
///
/// Its measures are those of the finished band, without allowances; `doubled` says how it is folded. Its long edges are
/// called "join" (the one sewn on) and "join folded over" or "free edge", its short ones "end" and "other end".
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Finished length; doubled when its length is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length: Option<Length>,
    /// Or the edges it is sewn to: their length, the whole way round.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<Vec<JoinedEdge>>,
    /// Length of the band for each unit of the opening (0.8 to 0.9 for a neckband of the same knit); default 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratio: Option<f64>,
    /// Finished height; doubled when its height is.
    pub height: Length,
    /// How it is folded.
    #[serde(default)]
    pub doubled: Doubled,
    /// Which way its grain runs.
    #[serde(default)]
    pub grain: BandGrain,
}

fn bad(seen: impl Into<String>, advice: impl Into<String>) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, seen, advice)
}

impl Band {
    /// The band's stitching edges, y along the grain, its lower left corner at the origin. `of_piece` gives the shapes of
    /// the pieces it is sewn to.
    ///
    /// # Errors
    /// When its length is not clear (both or neither of `length` and `of`), a measure or ratio is no measure of a band, or
    /// an edge is not there.
    pub fn shape(&self, of_piece: &dyn Fn(&str) -> Result<Shape, Refusal>) -> Result<Shape, Refusal> {
        let ratio = self.ratio.unwrap_or(1.0);
        if !(0.2..=5.0).contains(&ratio) {
            return Err(bad(
                format!("a ratio of {ratio} is no ratio of a band"),
                "give the band's length as a share of the opening, such as 0.85",
            ));
        }
        let long = self.round(of_piece)? * ratio;
        let high = self.height.mm() * if matches!(self.doubled, Doubled::Height | Doubled::Both) { 2.0 } else { 1.0 };
        for (mm, what) in [(long, "long"), (high, "high")] {
            if !(1.0..=MOST_MM).contains(&mm) {
                return Err(bad(format!("a band cannot be {mm:.1} mm {what}"), "check its measures"));
            }
        }
        Ok(self.rectangle(long, high))
    }

    /// The length it is to have before the ratio, the whole way.
    fn round(&self, of_piece: &dyn Fn(&str) -> Result<Shape, Refusal>) -> Result<f64, Refusal> {
        let doubled = matches!(self.doubled, Doubled::Length | Doubled::Both);
        match (self.length, &self.of) {
            (Some(length), None) => Ok(length.mm() * if doubled { 2.0 } else { 1.0 }),
            (None, Some(edges)) if !edges.is_empty() => {
                let mut sum = 0.0;
                for joined in edges {
                    let shape = of_piece(&joined.piece)?;
                    let index = shape.find(&joined.edge).map_err(|refusal| Refusal {
                        seen: format!("on \"{}\": {}", joined.piece, refusal.seen),
                        ..refusal
                    })?;
                    let copies = joined.copies.unwrap_or(if shape.fold.is_some() { 2 } else { 1 });
                    sum += shape.edges[index].length_mm() * f64::from(copies);
                }
                Ok(sum)
            }
            _ => Err(bad(
                "the length of the band is not clear",
                "give either \"length\" or \"of\" with one edge or more",
            )),
        }
    }

    fn rectangle(&self, long: f64, high: f64) -> Shape {
        let folded = matches!(self.doubled, Doubled::Height | Doubled::Both);
        let names = ["join", "end", if folded { "join folded over" } else { "free edge" }, "other end"];
        let corners = [(0.0, 0.0), (long, 0.0), (long, high), (0.0, high)];
        let edges = (0..4).map(|i| ShapeEdge {
            number: i + 1,
            name: Some(names[i].into()),
            role: Role::Plain,
            path: path::line(corners[i], corners[(i + 1) % 4]),
            doubt_mm: 0.0,
        });
        let lying = Shape { edges: edges.collect(), ..Shape::default() };
        match self.grain {
            BandGrain::Across => lying,
            // A quarter turn to the left about the origin, then back to the right of it.
            BandGrain::Along => lying.transformed(kurbo::Affine::new([0.0, 1.0, -1.0, 0.0, high, 0.0])),
        }
    }
}
