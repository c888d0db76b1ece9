//! How an allowance ends at a corner, where a plain mitre is not what sews up best.
//!
//! - **Squared**: the seam sewn first is carried on to the other edge's cut line and its allowance ends there, square to
//!   the stitching line. Two pieces whose seams match then have matching ends, whatever their angles.
//! - **Folded back**: beyond a hem or casing the cut line is the mirror image, in the hem's line at the corner, of the cut
//!   line before it, so that the turned allowance lies exactly on its own seams.
//!
//! Both are common practice of the trade, no source; the geometry is reflection and crossing of polylines.

use nalgebra::Vector2;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::StitchingEdge;
use super::offset::{MITRE_LIMIT, Strip};
use crate::polygon;
use crate::units::MatPoint;

/// How an edge's allowance ends at one of its corners.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CornerShape {
    /// Both cut lines run on until they meet.
    #[default]
    Mitre,
    /// The allowance ends square to this edge's stitching line.
    Square,
    /// The allowance lies on its own seams when it is turned.
    FoldBack,
}

/// Lines run on so many widths beyond their ends to be crossed.
const REACH: f64 = 30.0;

/// The points between two edges' offsets where one of them asks for more than a mitre; cuts the offsets back where they
/// meet. `None`: join as usual.
pub(super) fn ended(
    strips: &mut [Strip],
    k: usize,
    next: usize,
    edges: &[StitchingEdge],
    fold: Option<usize>,
) -> Option<Vec<MatPoint>> {
    let (a, b) = (strips.get(k)?, strips.get(next)?);
    let on_fold = fold.is_some_and(|f| f == a.edge || f == b.edge);
    // Only where the piece turns outwards: in an inside corner the allowances overlap.
    let outwards = a.directions.1.perp(&b.directions.0) > 1e-6;
    if k == next || on_fold || !outwards {
        return None;
    }
    let wanted = (edges.get(a.edge)?.ends[1], edges.get(b.edge)?.ends[0]);
    let (first, second) = (Side::ending(a), Side::starting(b));
    // A side is walked away from the corner; the second one's points come out backwards.
    let (kept_a, between, kept_b) = match wanted {
        (CornerShape::FoldBack, _) => folded_back(&first, &second)?,
        (_, CornerShape::FoldBack) => swapped(folded_back(&second, &first)?),
        (CornerShape::Square, _) => squared(&first, &second)?,
        (_, CornerShape::Square) => swapped(squared(&second, &first)?),
        (CornerShape::Mitre, CornerShape::Mitre) => return None,
    };
    strips[k].points = kept_a.into_iter().rev().collect();
    strips[next].points = kept_b;
    Some(between)
}

/// Offsets kept of the one and of the other edge, each from the corner outwards, and the points between them.
type Ended = (Vec<MatPoint>, Vec<MatPoint>, Vec<MatPoint>);

fn swapped((a, mut between, b): Ended) -> Ended {
    between.reverse();
    (b, between, a)
}

/// An edge seen from the corner.
struct Side {
    corner: MatPoint,
    /// Unit direction of the stitching line, running on beyond the corner.
    beyond: Vector2<f64>,
    /// From the stitching line to the cut line, as long as the allowance.
    out: Vector2<f64>,
    allowance_mm: f64,
    /// The offset, from the corner away.
    offset: Vec<MatPoint>,
}

impl Side {
    fn ending(strip: &Strip) -> Self {
        let beyond = strip.directions.1;
        Self {
            corner: strip.ends.1,
            beyond,
            out: Vector2::new(beyond.y, -beyond.x) * strip.allowance_mm,
            allowance_mm: strip.allowance_mm,
            offset: strip.points.iter().rev().copied().collect(),
        }
    }

    fn starting(strip: &Strip) -> Self {
        let along = strip.directions.0;
        Self {
            corner: strip.ends.0,
            beyond: -along,
            out: Vector2::new(along.y, -along.x) * strip.allowance_mm,
            allowance_mm: strip.allowance_mm,
            offset: strip.points.clone(),
        }
    }

    /// The offset with a straight run beyond the corner put before it.
    fn extended(&self, widest: f64) -> Vec<MatPoint> {
        let mut points = vec![self.corner + self.out + self.beyond * (REACH * widest.max(1.0))];
        points.extend(&self.offset);
        points
    }
}

/// The seam's allowance ends square to its stitching line, where that line meets the other edge's cut line.
fn squared(seam: &Side, other: &Side) -> Option<Ended> {
    let widest = seam.allowance_mm.max(other.allowance_mm);
    let line = other.extended(widest);
    let ray = (seam.corner, seam.corner + seam.beyond * (REACH * widest.max(1.0)));
    let (place, meets) = if other.allowance_mm == 0.0 { (1, seam.corner) } else { nearest_crossing(&line, ray)? };
    if meets.distance(seam.corner) > MITRE_LIMIT * widest {
        return None;
    }
    Some((from_tip(meets + seam.out, &seam.offset), Vec::new(), from_tip(meets, rest(&line, place))))
}

/// The hem's allowance is the mirror image of what it will lie on.
fn folded_back(hem: &Side, seam: &Side) -> Option<Ended> {
    let widest = hem.allowance_mm.max(seam.allowance_mm);
    let line = seam.extended(widest);
    let far = hem.beyond * (REACH * widest.max(1.0));
    // Where the seam's cut line crosses the hem's own line.
    let (place, on_hem) = if seam.allowance_mm == 0.0 {
        (1, seam.corner)
    } else {
        nearest_crossing(&line, (hem.corner - far, hem.corner + far))?
    };
    let kept = from_tip(on_hem, rest(&line, place));
    let mirror = |p: MatPoint| {
        let from = p - hem.corner;
        hem.corner + hem.beyond * (2.0 * from.dot(&hem.beyond)) - from
    };
    let turned: Vec<MatPoint> = kept.iter().map(|p| mirror(*p)).collect();
    let hem_line = hem.extended(widest);
    let (steps, hem_place, tip) = first_crossing(&turned, &hem_line)?;
    if tip.distance(hem.corner) > 2.0 * MITRE_LIMIT * widest {
        return None;
    }
    // The first of them is on the hem's line, where the seam's cut line starts.
    let between = turned[1..=steps].iter().rev().copied().collect();
    Some((from_tip(tip, rest(&hem_line, hem_place)), between, kept))
}

/// The points of an extended offset after a crossing on its segment `place` (the run-on itself is segment 0).
fn rest(line: &[MatPoint], place: usize) -> &[MatPoint] {
    &line[(place + 1).min(line.len())..]
}

/// An offset that starts at a tip: kept with it, so that its other corner still finds all of it.
fn from_tip(tip: MatPoint, rest: &[MatPoint]) -> Vec<MatPoint> {
    std::iter::once(tip).chain(rest.iter().copied()).collect()
}

/// The crossing of a polyline and a segment nearest to the segment's middle of interest: the first end for a ray, the
/// corner for a line through it. Gives the polyline's segment and the place.
fn nearest_crossing(line: &[MatPoint], with: (MatPoint, MatPoint)) -> Option<(usize, MatPoint)> {
    line.windows(2)
        .enumerate()
        .filter_map(|(i, pair)| {
            let (s, t) = polygon::crossing((pair[0], pair[1]), with)?;
            // From the straight run-on inwards the first crossing is the one at the corner.
            Some((i, pair[0].lerp(pair[1], s), t))
        })
        .min_by(|a, b| a.0.cmp(&b.0).then(a.2.total_cmp(&b.2)))
        .map(|(i, p, _)| (i, p))
}

/// The first crossing along a walk with a line: segment of the walk, segment of the line, place.
fn first_crossing(walk: &[MatPoint], line: &[MatPoint]) -> Option<(usize, usize, MatPoint)> {
    walk.windows(2).enumerate().find_map(|(i, pair)| {
        line.windows(2)
            .enumerate()
            .filter_map(|(j, other)| {
                let (s, _) = polygon::crossing((pair[0], pair[1]), (other[0], other[1]))?;
                Some((s, j, pair[0].lerp(pair[1], s)))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, j, p)| (i, j, p))
    })
}
