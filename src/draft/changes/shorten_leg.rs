//! A shorter leg.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{End, bad, edge_or, told, usable};
use crate::draft::shape::{EdgeRef, Role, Shape};
use crate::path;
use crate::refusal::Refusal;
use crate::units::Length;

/// Less of a seam than this is no leg, mm.
const LEAST_MM: f64 = 5.0;

/// A leg (or sleeve) cut off at a given inseam.
///
/// Both seams get shorter by the same length, so that front and back still match when they matched before. The new hem is
/// one smooth curve square to both seams: sewn up, it is neither short at the inseam nor peaked. It keeps the hem's
/// number and name. The other edges keep their lengths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShortenLeg {
    /// Length of the inseam from the crotch down, along the stitching line.
    pub inseam: Length,
    /// The inner seam; default: the inseam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub along: Option<EdgeRef>,
    /// The hem; default: the hem.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hem: Option<EdgeRef>,
}

impl ShortenLeg {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let hem = edge_or(shape, self.hem.as_ref(), Role::Hem)?;
        let inner = edge_or(shape, self.along.as_ref(), Role::Inseam)?;
        let inner_end = super::end_towards(shape, hem, inner)?;
        let wanted = usable(self.inseam, "inseam")?;
        let whole = shape.edges[inner].length_mm();
        if wanted > whole || wanted < LEAST_MM {
            return Err(bad(
                format!(
                    "an inseam of {} cannot be cut from one of {}",
                    told(wanted, self.inseam),
                    told(whole, self.inseam)
                ),
                "give a shorter inseam, or use lengthen for a longer leg",
            ));
        }
        let drop = whole - wanted;
        let mut made = shape.clone();
        for end in End::BOTH {
            let place = end.neighbour(shape, hem);
            let seam = end.away(&shape.edges[place].path);
            let length = path::length(&seam);
            if length < drop + LEAST_MM {
                return Err(bad(
                    format!(
                        "{} is {} long and cannot lose {}",
                        shape.edges[place].called(),
                        told(length, self.inseam),
                        told(drop, self.inseam)
                    ),
                    "give a longer inseam",
                ));
            }
            let cut = path::spot_at(&seam, drop).map(|spot| path::split(&seam, spot).1).unwrap_or_default();
            made.edges[place].path = end.away(&cut);
        }
        made.edges[hem].path = inner_end.towards(&square_hem(&made, hem, inner_end));
        made.edges[hem].doubt_mm = 0.0;
        Ok(made)
    }
}

/// A curve from the outer to the inner seam, square to both.
fn square_hem(shape: &Shape, hem: usize, inner_end: End) -> kurbo::BezPath {
    let seam = |end: End| end.away(&shape.edges[end.neighbour(shape, hem)].path);
    let (outer, inner) = (seam(inner_end.other()), seam(inner_end));
    let (from, to) = (path::start(&outer), path::start(&inner));
    let across = to - from;
    let square = |seam: &kurbo::BezPath| {
        let normal = super::left(path::start_direction(seam));
        if normal.dot(across) < 0.0 { -normal } else { normal }
    };
    path::curve(from, square(&outer), square(&inner), to)
}
