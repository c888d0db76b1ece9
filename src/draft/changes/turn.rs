//! Turned, and made larger or smaller along and across the grain.

use kurbo::{Affine, Point, Vec2};
use nalgebra::Vector2;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{bad, edge_or, fold_index, up, usable};
use crate::draft::shape::{EdgeRef, Role, Shape};
use crate::path;
use crate::polygon;
use crate::refusal::Refusal;
use crate::units::Length;

/// Nothing shrinks or grows by more, percent.
const MOST_PERCENT: f64 = 50.0;
/// The knee's middle is looked for so often; each time the line through it is nearer to square.
const KNEE_STEPS: usize = 30;

/// Larger or smaller along (`length`) and across (`width`) the grain, in percent: 3 makes 100 mm to 103 mm.
///
/// For cloth that will shrink by s percent give 100 s / (100 - s): 3.09 for 3 %. All edges change their lengths.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Scale {
    /// Percent more (or, negative, less) along the grain.
    #[serde(default)]
    pub length: f64,
    /// Percent more (or, negative, less) across the grain.
    #[serde(default)]
    pub width: f64,
}

impl Scale {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        for percent in [self.length, self.width] {
            if !percent.is_finite() || percent.abs() > MOST_PERCENT {
                return Err(bad(
                    format!("{percent} % is no change of size for a garment"),
                    "give percent between -50 and 50",
                ));
            }
        }
        let up = up(shape);
        let turn = Affine::rotate(up.atan2() - std::f64::consts::FRAC_PI_2);
        let size = Affine::scale_non_uniform(1.0 + self.width / 100.0, 1.0 + self.length / 100.0);
        Ok(shape.transformed(turn * size * turn.inverse()))
    }
}

/// Turned anticlockwise about the frame's origin. All edges keep their lengths.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Turn {
    /// Degrees anticlockwise.
    pub degrees: f64,
}

impl Turn {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        if !self.degrees.is_finite() || self.degrees.abs() > 360.0 {
            return Err(bad(format!("{} degrees is no turn", self.degrees), "give degrees between -360 and 360"));
        }
        Ok(shape.transformed(Affine::rotate(self.degrees.to_radians())))
    }
}

/// Turned so that the fold is upright. All edges keep their lengths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GrainAlongFold {}

pub(super) fn grain_along_fold(shape: &Shape) -> Result<Shape, Refusal> {
    let fold = fold_index(shape).ok_or_else(|| bad("this piece is not on a fold", "name its fold, or use turn"))?;
    let path = &shape.edges[fold].path;
    Ok(upright(shape, path::end(path) - path::start(path)))
}

/// Turned so that a direction is upright, by the smaller angle.
fn upright(shape: &Shape, grain: Vec2) -> Shape {
    let grain = if grain.y < 0.0 { -grain } else { grain };
    shape.transformed(Affine::rotate(std::f64::consts::FRAC_PI_2 - grain.atan2()))
}

/// Turned so that the line through the middle of the hem and the middle of the knee is upright, as trousers are cut. All
/// edges keep their lengths.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GrainDownTheLeg {
    /// The knee above the hem; default: half of the shorter seam beside the hem.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub knee: Option<Length>,
    /// The hem; default: the hem.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hem: Option<EdgeRef>,
}

impl GrainDownTheLeg {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        if fold_index(shape).is_some() {
            return Err(bad("this piece is on a fold, and its grain runs along it", "use grain-along-fold"));
        }
        let hem = edge_or(shape, self.hem.as_ref(), Role::Hem)?;
        let (before, after) = shape.neighbours(hem);
        let default = 0.5 * shape.edges[before].length_mm().min(shape.edges[after].length_mm());
        let knee = self.knee.map_or(Ok(default), |k| usable(k, "knee"))?;
        let path = &shape.edges[hem].path;
        let middle = path::start(path).midpoint(path::end(path));
        // The piece lies to the left of its edges.
        let mut along = super::left(path::unit(path::end(path) - path::start(path)));
        let ring = shape.ring();
        for _ in 0..KNEE_STEPS {
            let at = middle + along * knee;
            let across = Vector2::new(-along.y, along.x);
            let inside = polygon::intervals_inside(&ring, at.into(), across);
            let leg = inside.iter().find(|(from, to)| (*from..=*to).contains(&0.0)).ok_or_else(|| {
                bad(
                    format!("there is no leg {knee:.0} mm above the middle of the hem"),
                    "give a knee that is nearer to the hem",
                )
            })?;
            let halved: Point = at + Vec2::new(across.x, across.y) * (0.5 * (leg.0 + leg.1));
            along = path::unit(halved - middle);
        }
        if along == Vec2::ZERO {
            return Err(bad("hem and knee are at the same place", "give a knee above the hem"));
        }
        Ok(upright(shape, along))
    }
}
