//! Lengthened or shortened at a line across the grain.

use kurbo::{Point, Vec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Place, bad, points, told, up, usable};
use crate::draft::shape::Shape;
use crate::path::{self, At};
use crate::refusal::Refusal;
use crate::units::Length;

/// A curved edge takes up the change over at least this much to either side, corners permitting, mm ...
const BLEND_MM: f64 = 40.0;
/// ... and over so many times the change: less would leave a wave where a slanting edge is folded.
const BLEND_TIMES: f64 = 2.5;
/// A corner nearer to the line than this would be torn, mm.
const LEAST_BLEND_MM: f64 = 1.0;

/// Spread apart, or folded away, at a line across the grain: what is below the line moves along the grain.
///
/// Shortening takes the strip above the line away, so that shortening at the same distance from the hem undoes
/// lengthening. Edges that cross the line are trued: a straight one is straight again from corner to corner, a curved one
/// takes the change up smoothly about the line. Edges that do not cross it keep their lengths and shapes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lengthen {
    /// By how much.
    pub by: Length,
    /// How far above the lowest point of the piece, along the grain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Length>,
    /// Or the line through two places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<[Place; 2]>,
}

impl Lengthen {
    pub(super) fn longer(&self, shape: &Shape) -> Result<Shape, Refusal> {
        self.changed(shape, true)
    }

    pub(super) fn shorter(&self, shape: &Shape) -> Result<Shape, Refusal> {
        self.changed(shape, false)
    }

    fn changed(&self, shape: &Shape, longer: bool) -> Result<Shape, Refusal> {
        let by = usable(self.by, "change")?;
        let line = self.line(shape)?;
        if by == 0.0 {
            return Ok(shape.clone());
        }
        let taken = if longer { 0.0 } else { by };
        let ranges: Vec<(f64, f64)> = shape.edges.iter().map(|e| line.range(&e.path)).collect();
        let crossed = |range: &(f64, f64)| range.0 < taken && range.1 > 0.0;
        if !ranges.iter().any(crossed) {
            return Err(bad(
                "the line does not cross the piece",
                "give a distance from the lowest point that is less than the height of the piece",
            ));
        }
        // Corners and the edges that are not crossed are to move as they are.
        let mut blend = BLEND_MM.max(BLEND_TIMES * by);
        for (edge, range) in shape.edges.iter().zip(&ranges) {
            let corner = line.above(edge.from().into());
            let still = if crossed(range) { (corner, corner) } else { *range };
            blend = blend.min((-still.1).max(still.0 - taken).max(0.0));
        }
        if blend < LEAST_BLEND_MM {
            return Err(bad(
                if longer {
                    "a corner or another edge lies on the line".to_string()
                } else {
                    format!(
                        "a corner or another edge lies within the {} above the line that would be folded away",
                        told(by, self.by)
                    )
                },
                "choose another place for the line",
            ));
        }
        let step = Step { by, blend, longer };
        let mut made = shape.clone();
        for (edge, range) in made.edges.iter_mut().zip(&ranges) {
            edge.path = if crossed(range) && path::is_straight(&edge.path) {
                path::line(line.moved(edge.from().into(), &step), line.moved(edge.to().into(), &step))
            } else if crossed(range) {
                path::carried(&edge.path, |at| line.carried(at, &step))
            } else if range.1 <= 0.0 {
                kurbo::Affine::translate(line.up * step.below()) * &edge.path
            } else {
                edge.path.clone()
            };
        }
        for mark in made.marks.iter_mut().chain(made.inside.iter_mut().flat_map(|l| &mut l.line)) {
            *mark = line.moved((*mark).into(), &step).into();
        }
        Ok(made)
    }

    fn line(&self, shape: &Shape) -> Result<Across, Refusal> {
        let up = up(shape);
        match (self.at, &self.line) {
            (Some(at), None) => {
                let at = usable(at, "distance")?;
                let lowest = shape
                    .ring()
                    .into_iter()
                    .map(Point::from)
                    .min_by(|a, b| a.to_vec2().dot(up).total_cmp(&b.to_vec2().dot(up)));
                let point = lowest.unwrap_or_default() + up * at;
                Ok(Across { point, along: -super::left(up), up })
            }
            (None, Some(places)) => {
                let ends = points(places, shape)?;
                let along = ends.first().zip(ends.last()).map_or(Vec2::ZERO, |(a, b)| path::unit(*b - *a));
                if along.cross(up).abs() < 0.5 {
                    return Err(bad(
                        "the line does not run across the grain",
                        "give two places apart from each other, on a line within 60 degrees of square to the grain",
                    ));
                }
                Ok(Across { point: ends.first().copied().unwrap_or_default(), along, up })
            }
            _ => Err(bad("it is not clear where", "give either \"at\" (a distance from the lowest point) or \"line\"")),
        }
    }
}

/// The line across the piece.
struct Across {
    point: Point,
    along: Vec2,
    up: Vec2,
}

impl Across {
    /// How far above the line a point lies, along the grain, mm.
    fn above(&self, p: Point) -> f64 {
        self.rate(p - self.point)
    }

    /// How fast that grows along a vector.
    fn rate(&self, v: Vec2) -> f64 {
        self.along.cross(v) / self.along.cross(self.up)
    }

    /// Least and greatest height of a path above the line.
    fn range(&self, path: &kurbo::BezPath) -> (f64, f64) {
        crate::edges::flatten(path, 0.01)
            .into_iter()
            .map(|p| self.above(p.into()))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    }

    fn moved(&self, p: Point, step: &Step) -> Point {
        p + self.up * (step.shift(self.above(p)).0)
    }

    fn carried(&self, at: &At, step: &Step) -> (Point, Vec2) {
        let (shift, slope) = step.shift(self.above(at.point));
        (at.point + self.up * shift, at.velocity + self.up * (slope * self.rate(at.velocity)))
    }
}

/// How points move for their height above the line.
struct Step {
    by: f64,
    blend: f64,
    longer: bool,
}

impl Step {
    /// The shift of all that lies below.
    fn below(&self) -> f64 {
        if self.longer { -self.by } else { self.by }
    }

    /// Shift along the grain at a height above the line, and how fast it grows with the height.
    fn shift(&self, above: f64) -> (f64, f64) {
        if self.longer {
            return self.spread(above);
        }
        // The inverse of spreading, seen from the line in the longer piece.
        let wanted = above - self.by;
        let (mut low, mut high) = (wanted, wanted + self.by);
        for _ in 0..70 {
            let middle = 0.5 * (low + high);
            if middle + self.spread(middle).0 < wanted { low = middle } else { high = middle }
        }
        let (back, slope) = self.spread(0.5 * (low + high));
        (-back, 1.0 / (1.0 + slope) - 1.0)
    }

    /// Spreading: from nothing at `blend` above the line to all of it at `blend` below, smoothly.
    fn spread(&self, above: f64) -> (f64, f64) {
        let z = ((self.blend - above) / (2.0 * self.blend)).clamp(0.0, 1.0);
        (-self.by * z * z * (3.0 - 2.0 * z), self.by * 6.0 * z * (1.0 - z) / (2.0 * self.blend))
    }
}
