//! Round and V necklines of a given depth and width.

use kurbo::{CubicBez, PathSeg, Point, Vec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::corners::set_neighbour;
use super::{End, bad, fold_index, told, up, usable};
use crate::draft::shape::{EdgeRef, Role, Shape};
use crate::path;
use crate::refusal::Refusal;
use crate::units::Length;

/// The handles of a quarter of an ellipse as shares of its half axes, 4 (sqrt 2 - 1) / 3.
const QUARTER: f64 = 0.552_284_749_831;
/// A round neckline's straight-down part ends at least this share of its half width from the fold; common practice.
const LEAST_BELLY: f64 = 0.6;

/// Round or V.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NecklineShape {
    /// Square to the shoulder, square to the fold.
    Round,
    /// Straight from the shoulder to the fold.
    V,
}

/// Another neckline for a half body on a fold.
///
/// The shoulder is cut (and so gets shorter) by `widen`; the fold is cut or run on to the new depth. A round neckline
/// meets the fold at a right angle and the shoulder nearly so. The other edges keep their lengths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Neckline {
    /// The edge; default: the neckline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<EdgeRef>,
    /// Round or V.
    pub shape: NecklineShape,
    /// How far down the fold it reaches, from the level where shoulder and neck meet; default: where it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
    /// How much wider it gets on either side, along the shoulder; default: nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub widen: Option<Length>,
}

impl Neckline {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let index = super::edge_or(shape, self.edge.as_ref(), Role::Neckline)?;
        let at_fold = fold_end(shape, index)?;
        let mut made = shape.clone();
        let neck = self.widened(&mut made, index, at_fold.other())?;
        let centre = self.deepened(&mut made, index, at_fold, neck)?;
        let path = match self.shape {
            NecklineShape::V => path::line(neck, centre),
            NecklineShape::Round => {
                let shoulder = &made.edges[at_fold.other().neighbour(&made, index)].path;
                let along = path::start_direction(&at_fold.other().away(shoulder));
                round(neck, along, centre, up(shape))
            }
        };
        made.edges[index].path = at_fold.towards(&path);
        made.edges[index].doubt_mm = 0.0;
        Ok(made)
    }

    /// Cuts the shoulder; gives its new point at the neck.
    fn widened(&self, made: &mut Shape, index: usize, end: End) -> Result<Point, Refusal> {
        let place = end.neighbour(made, index);
        let shoulder = end.away(&made.edges[place].path);
        let by = self.widen.map_or(Ok(0.0), |w| usable(w, "widening"))?;
        let whole = path::length(&shoulder);
        if by >= whole - 1.0 {
            let like = self.widen.unwrap_or(Length::from_mm(0.0));
            return Err(bad(
                format!(
                    "{} is {} long and cannot be cut by {}",
                    made.edges[place].called(),
                    told(whole, like),
                    told(by, like)
                ),
                "widen the neckline by less",
            ));
        }
        if by > 0.0 {
            let cut = path::spot_at(&shoulder, by).map(|spot| path::split(&shoulder, spot).1).unwrap_or_default();
            set_neighbour(made, index, end, &cut);
            return Ok(path::start(&cut));
        }
        Ok(path::start(&shoulder))
    }

    /// Cuts the fold or runs it on; gives its new upper point.
    fn deepened(&self, made: &mut Shape, index: usize, end: End, neck: Point) -> Result<Point, Refusal> {
        let place = end.neighbour(made, index);
        let fold = end.away(&made.edges[place].path);
        let (old, far) = (path::start(&fold), path::end(&fold));
        let Some(depth) = self.depth else { return Ok(old) };
        let drop = usable(depth, "depth")?;
        let down = path::unit(far - old);
        let centre = old + down * ((neck - old).dot(down) + drop);
        if (far - centre).dot(down) < 1.0 {
            return Err(bad(
                format!("a neckline {} deep would reach past the lower end of the fold", told(drop, depth)),
                "give a smaller depth",
            ));
        }
        set_neighbour(made, index, end, &path::line(centre, far));
        Ok(centre)
    }
}

/// At which end the neckline meets the fold.
fn fold_end(shape: &Shape, index: usize) -> Result<End, Refusal> {
    let fold = fold_index(shape).ok_or_else(|| {
        bad(
            "this piece is not on a fold, so the middle of its neckline is not known",
            "change the neckline before unfolding, or use redraw",
        )
    })?;
    super::end_towards(shape, index, fold)
}

/// A quarter of an oval from the shoulder (which leaves the neck along `shoulder`) to the fold.
fn round(neck: Point, shoulder: Vec2, centre: Point, up: Vec2) -> kurbo::BezPath {
    let inwards = super::left(up) * super::left(up).dot(centre - neck).signum();
    let (half, drop) = ((centre - neck).dot(inwards), (neck - centre).dot(up));
    // Square to the shoulder, downwards; where that would run past the middle of the neck, steeper.
    let square = super::left(shoulder) * -super::left(shoulder).dot(up).signum();
    let lean = if square.dot(up) < -1e-6 { -square.dot(inwards) / square.dot(up) } else { 0.0 };
    let belly = (half - lean * drop).clamp(LEAST_BELLY * half, half);
    let bend = centre - inwards * belly;
    let (first, second) = (neck.lerp(bend, QUARTER), centre.lerp(bend, QUARTER));
    path::of(&[PathSeg::Cubic(CubicBez::new(neck, first, second, centre))])
}
