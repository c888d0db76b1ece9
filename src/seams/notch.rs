//! Notches: on the cut line, square to the stitching line, shallower than half the allowance.

use kurbo::{BezPath, ParamCurve, ParamCurveArclen, ParamCurveDeriv, PathSeg};
use nalgebra::Vector2;

use super::request::{NotchPlace, NotchRequest};
use super::{Notch, NotchKind, NotchShape, StitchingEdge};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Arc lengths are exact to this, mm.
const ARC_MM: f64 = 1e-6;
/// Deepest notch, mm (trade practice: 3 to 6).
const DEEPEST_MM: f64 = 6.0;
/// Share of the allowance a notch may take.
const DEPTH_SHARE: f64 = 0.4;
/// The two strokes of a double notch are so far apart, mm.
const DOUBLE_MM: f64 = 6.0;

/// Length along a path, mm.
pub(super) fn length_mm(path: &BezPath) -> f64 {
    path.segments().map(|s| s.arclen(ARC_MM)).sum()
}

/// Puts a notch on its edge.
pub(super) fn place(wanted: &NotchRequest, edge: &StitchingEdge, cut: &[MatPoint]) -> Result<Notch, Refusal> {
    let length = length_mm(&edge.path);
    let bad = |seen: String, advice: String| Refusal::new(RefusalKind::BadRequest, seen, advice);
    let from_start_mm = match wanted.place {
        NotchPlace::FromStart(distance) => distance.mm(),
        NotchPlace::FromEnd(distance) => length - distance.mm(),
        NotchPlace::Share(share) => share * length,
    };
    if !(0.0..=length).contains(&from_start_mm) {
        return Err(bad(
            format!("the notch {wanted} lies past the end of edge {}, which is {length:.1} mm long", edge.number),
            format!("give a distance of at most {length:.1} mm"),
        ));
    }
    if edge.allowance_mm <= 0.0 {
        return Err(bad(
            format!("edge {} has no allowance to cut the notch {wanted} into", edge.number),
            "give the edge an allowance, or mark the place with chalk".into(),
        ));
    }
    let half = 0.5 * DOUBLE_MM;
    let places = match wanted.kind {
        NotchKind::Single => vec![from_start_mm],
        NotchKind::Double if length < 2.0 * DOUBLE_MM => {
            return Err(bad(
                format!("edge {} is too short for a double notch", edge.number),
                "ask for a single notch".into(),
            ));
        }
        NotchKind::Double => {
            let middle = from_start_mm.clamp(half, length - half);
            vec![middle - half, middle + half]
        }
    };
    let deepest_mm = match wanted.depth {
        Some(depth) if depth.mm() >= 0.5 * edge.allowance_mm => {
            return Err(bad(
                format!(
                    "the notch {wanted} is {depth} deep, half or more of the {:.1} mm allowance",
                    edge.allowance_mm
                ),
                format!("a notch stays under {:.1} mm there", 0.5 * edge.allowance_mm),
            ));
        }
        Some(depth) => depth.mm(),
        None => (DEPTH_SHARE * edge.allowance_mm).min(DEEPEST_MM),
    };
    let cuts = places.iter().map(|along| match wanted.shape {
        NotchShape::Slit => Some(vec![stroke(edge, *along, cut, deepest_mm)?]),
        NotchShape::Triangle => triangle(edge, *along, cut, deepest_mm),
    });
    let strokes = cuts.collect::<Option<Vec<_>>>().map(|all| all.concat()).ok_or_else(|| {
        bad(
            format!("the notch {wanted} does not reach the cut line"),
            "move it away from where two allowances meet".into(),
        )
    })?;
    let (at, _) = on_path(&edge.path, from_start_mm);
    Ok(Notch { edge: edge.number, kind: wanted.kind, at, from_start_mm, strokes })
}

/// The two sides of a triangle from the cut line to its tip.
fn triangle(edge: &StitchingEdge, along_mm: f64, cut: &[MatPoint], deepest_mm: f64) -> Option<Vec<[MatPoint; 2]>> {
    let [_, tip] = stroke(edge, along_mm, cut, deepest_mm)?;
    let half = 0.5 * deepest_mm;
    let length = length_mm(&edge.path);
    let feet = [(along_mm - half).max(0.0), (along_mm + half).min(length)];
    feet.iter().map(|foot| Some([stroke(edge, *foot, cut, deepest_mm)?[0], tip])).collect()
}

/// A stroke from the cut line inwards, at a distance along the edge.
///
/// At an edge's very end, such as a shoulder point on the fold, rounding alone decides whether the cut line is met: then
/// it is looked for a hair from the end.
fn stroke(edge: &StitchingEdge, along_mm: f64, cut: &[MatPoint], deepest_mm: f64) -> Option<[MatPoint; 2]> {
    const HAIR_MM: f64 = 0.02;
    let middle = 0.5 * length_mm(&edge.path);
    let inwards = along_mm + HAIR_MM * (middle - along_mm).signum();
    stroke_at(edge, along_mm, cut, deepest_mm).or_else(|| stroke_at(edge, inwards, cut, deepest_mm))
}

fn stroke_at(edge: &StitchingEdge, along_mm: f64, cut: &[MatPoint], deepest_mm: f64) -> Option<[MatPoint; 2]> {
    let (at, direction) = on_path(&edge.path, along_mm);
    let outward = Vector2::new(direction.y, -direction.x);
    let far = at + outward * (2.0 * edge.allowance_mm);
    // The cut line is an allowance away, unless a corner or a bend brings it nearer.
    let ray = (at, far);
    let hit = polygon::sides(cut)
        .filter_map(|side| polygon::crossing(ray, side))
        .map(|(s, _)| 2.0 * s * edge.allowance_mm)
        .filter(|reach| *reach > 0.1 * edge.allowance_mm)
        .min_by(f64::total_cmp)?;
    // Where the cut line comes nearer than the allowance, the notch is shallower in proportion.
    let depth = deepest_mm * (hit / edge.allowance_mm).min(1.0);
    Some([at + outward * hit, at + outward * (hit - depth)])
}

/// The point at a distance along a path, and the unit direction there.
fn on_path(path: &BezPath, along_mm: f64) -> (MatPoint, Vector2<f64>) {
    let mut left = along_mm;
    let mut found = (MatPoint::default(), Vector2::x());
    for segment in path.segments() {
        let length = segment.arclen(ARC_MM);
        let t = if left < length { segment.inv_arclen(left, ARC_MM) } else { 1.0 };
        found = (segment.eval(t).into(), direction(&segment, t));
        if left < length {
            break;
        }
        left -= length;
    }
    found
}

fn direction(segment: &PathSeg, t: f64) -> Vector2<f64> {
    let unit = |v: kurbo::Vec2| Vector2::new(v.x, v.y).try_normalize(1e-9);
    let cubic = segment.to_cubic();
    unit(cubic.deriv().eval(t).to_vec2()).or_else(|| unit(cubic.p3 - cubic.p0)).unwrap_or_else(Vector2::x)
}
