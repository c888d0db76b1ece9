//! One outline from those of several photos, in one mat frame.
//!
//! The union of the regions gives the way round; every point of it is then the mean of the outlines that pass there,
//! weighted by how far inside its own photo each lies, so that none begins or ends with a step.

use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::single::SingleFloatOverlay;
use serde::{Deserialize, Serialize};

use crate::outline::{Outline, OutlinePoint, without_loops};
use crate::polygon::{nearest_on_segment, signed_area};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Outlines pass the same place if they are nearer than this, mm.
const SAME_MM: f64 = 4.0;

/// Least length of edge that two photos must both show, mm.
const LEAST_OVERLAP_MM: f64 = 60.0;

/// A mismatch beyond this is no error of measuring: the garment or the mat was moved, mm.
const MOVED_MM: f64 = 2.5;

/// Distances of neighbouring points handed out, mm.
const CLOSEST_MM: f64 = 0.3;
const FARTHEST_MM: f64 = 0.95;

/// A point of one photo's outline, in the common frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartPoint {
    /// The point.
    pub point: OutlinePoint,
    /// 0 at the border of its photo, where cloth was cut off, to 1 well inside.
    pub trust: f64,
}

/// How the outlines differ where photos overlap.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Mismatch {
    /// Length of edge that two photos show, mm.
    pub overlap_mm: f64,
    /// Middle of the distances between them, mm.
    pub median_mm: f64,
    /// 95 % of the distances are smaller, mm.
    pub p95_mm: f64,
    /// The largest, mm.
    pub worst_mm: f64,
    /// Where that is, mat frame of the first photo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_at: Option<MatPoint>,
}

/// Joins closed outlines whose photos overlap in the order given.
///
/// # Errors
/// If neighbours share too little of the edge, or differ so much that something was moved.
pub fn merged(parts: &[Vec<PartPoint>]) -> Result<(Outline, Mismatch), Refusal> {
    let mismatch = mismatch(parts)?;
    let ring = union(parts).ok_or_else(apart)?;
    let points: Vec<OutlinePoint> = ring.iter().map(|p| blended(parts, *p)).collect();
    Ok((Outline { points: spaced(&without_loops(points)) }, mismatch))
}

fn apart() -> Refusal {
    Refusal::new(
        RefusalKind::ClothOutOfView,
        "the photos do not overlap on the garment",
        "let neighbouring photos share at least a third of what they show, with the garment's edge in both",
    )
}

fn mismatch(parts: &[Vec<PartPoint>]) -> Result<Mismatch, Refusal> {
    let (mut all, mut seen_by_both, mut overlap_mm) = (Vec::new(), Vec::new(), 0.0);
    for (k, part) in parts.iter().enumerate().skip(1) {
        let (met, own_mm) = where_met(part, &parts[..k], false);
        if own_mm < LEAST_OVERLAP_MM {
            return Err(apart());
        }
        // How true it is only those can tell that see the edge; where hardly any do, the doubt says it.
        let (seen, seen_mm) = where_met(part, &parts[..k], true);
        let (met, own_mm) = if seen_mm < LEAST_OVERLAP_MM { (met, own_mm) } else { (seen.clone(), seen_mm) };
        all.extend(met);
        seen_by_both.extend(seen);
        overlap_mm += own_mm;
    }
    for met in [&mut all, &mut seen_by_both] {
        met.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    let moved_mm = quantile(&seen_by_both, 0.95);
    if moved_mm > MOVED_MM {
        return Err(Refusal::new(
            RefusalKind::ContradictoryReference,
            format!("where the photos overlap the garment's edge differs by {moved_mm:.1} mm"),
            "the garment or the mat was moved between the photos: lay it still and take them all again",
        ));
    }
    let at = |share: f64| quantile(&all, share);
    let worst_at = all.last().map(|m| m.1);
    Ok(Mismatch { overlap_mm, median_mm: at(0.5), p95_mm: at(0.95), worst_mm: at(1.0), worst_at })
}

/// Of sorted distances that below which a share lies; 0 of none.
fn quantile(sorted: &[(f64, MatPoint)], share: f64) -> f64 {
    sorted.get(((sorted.len().max(1) - 1) as f64 * share).round() as usize).map_or(0.0, |m| m.0)
}

/// How far a photo's outline lies off those laid before it where they pass each other, and over which length of edge;
/// `seen_only` leaves out what either does not see.
fn where_met(part: &[PartPoint], others: &[Vec<PartPoint>], seen_only: bool) -> (Vec<(f64, MatPoint)>, f64) {
    let wanted = |seen: bool| seen || !seen_only;
    let (mut met, mut length_mm) = (Vec::new(), 0.0);
    for (i, p) in part.iter().enumerate().filter(|(_, p)| p.trust > 0.0 && wanted(p.point.seen)) {
        let near = others.iter().filter_map(|other| nearest(other, p.point.at));
        let near = near.filter(|n| n.trust > 0.0 && wanted(n.seen) && n.off_mm < SAME_MM);
        if let Some(near) = near.min_by(|a, b| a.off_mm.total_cmp(&b.off_mm)) {
            met.push((near.off_mm, p.point.at));
            length_mm += p.point.at.distance(part[(i + 1) % part.len()].point.at);
        }
    }
    (met, length_mm)
}

/// The nearest place of an outline.
struct Near {
    at: MatPoint,
    off_mm: f64,
    trust: f64,
    doubt_mm: f64,
    seen: bool,
}

fn nearest(part: &[PartPoint], p: MatPoint) -> Option<Near> {
    let n = part.len();
    let best = (0..n)
        .map(|i| {
            let at = nearest_on_segment(p, part[i].point.at, part[(i + 1) % n].point.at);
            (i, at, at.distance(p))
        })
        .min_by(|a, b| a.2.total_cmp(&b.2))?;
    let (a, b) = (&part[best.0], &part[(best.0 + 1) % n]);
    Some(Near {
        at: best.1,
        off_mm: best.2,
        trust: a.trust.min(b.trust),
        doubt_mm: a.point.doubt_mm.max(b.point.doubt_mm),
        seen: a.point.seen && b.point.seen,
    })
}

/// The way round all parts together, anticlockwise.
fn union(parts: &[Vec<PartPoint>]) -> Option<Vec<MatPoint>> {
    let ring = |part: &Vec<PartPoint>| -> Vec<[f64; 2]> { part.iter().map(|p| p.point.at.into()).collect() };
    let mut whole = ring(parts.first()?);
    for part in parts.iter().skip(1) {
        let shapes = whole.overlay(&ring(part), OverlayRule::Union, FillRule::NonZero);
        let outer = shapes.into_iter().filter_map(|shape| shape.into_iter().next());
        let area = |ring: &[[f64; 2]]| signed_area(&ring.iter().map(|p| (*p).into()).collect::<Vec<MatPoint>>()).abs();
        whole = outer.max_by(|a, b| area(a).total_cmp(&area(b)))?;
    }
    let mut ring: Vec<MatPoint> = whole.into_iter().map(MatPoint::from).collect();
    if signed_area(&ring) < 0.0 {
        ring.reverse();
    }
    (ring.len() > 3).then_some(ring)
}

/// The weighted mean of the outlines that pass a place.
fn blended(parts: &[Vec<PartPoint>], p: MatPoint) -> OutlinePoint {
    let near: Vec<Near> = parts.iter().filter_map(|part| nearest(part, p)).filter(|n| n.off_mm < SAME_MM).collect();
    let seen_by_one = near.iter().any(|n| n.seen && n.trust > 0.0);
    let weight = |n: &Near| {
        let sight = if n.seen || !seen_by_one { 1.0 } else { 0.0 };
        n.trust * sight / n.doubt_mm.max(0.05).powi(2)
    };
    let total: f64 = near.iter().map(weight).sum();
    if total <= 0.0 {
        // Only cut edges pass here: what no photo shows.
        return OutlinePoint { at: p, doubt_mm: near.iter().map(|n| n.doubt_mm).fold(SAME_MM, f64::max), seen: false };
    }
    let shift = near.iter().map(|n| (n.at - p) * (weight(n) / total)).sum::<nalgebra::Vector2<f64>>();
    let at = p + shift;
    let doubt = near.iter().map(|n| weight(n) / total * n.doubt_mm).sum::<f64>();
    let spread = near.iter().map(|n| weight(n) / total * n.at.distance(at)).sum::<f64>();
    OutlinePoint { at, doubt_mm: doubt.hypot(spread), seen: seen_by_one }
}

/// Points neither crowded nor far apart.
fn spaced(points: &[OutlinePoint]) -> Vec<OutlinePoint> {
    let mut kept: Vec<OutlinePoint> = Vec::with_capacity(points.len());
    for p in points {
        if kept.last().is_none_or(|last| last.at.distance(p.at) >= CLOSEST_MM) {
            kept.push(*p);
        }
    }
    let mut out = Vec::with_capacity(kept.len());
    for (i, p) in kept.iter().enumerate() {
        let next = &kept[(i + 1) % kept.len()];
        let count = (p.at.distance(next.at) / FARTHEST_MM).ceil().max(1.0) as usize;
        for k in 0..count {
            let (doubt_mm, seen) = (p.doubt_mm.max(next.doubt_mm), p.seen && next.seen);
            let between = OutlinePoint { at: p.at.lerp(next.at, k as f64 / count as f64), doubt_mm, seen };
            out.push(if k == 0 { *p } else { between });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A rectangle 600 mm long seen by two photos that cut it off at x = 380 and x = 220, the second a little up.
    fn part(from: f64, to: f64, up: f64, cut_at: f64) -> Vec<PartPoint> {
        let corners = [(from, up), (to, up), (to, 100.0 + up), (from, 100.0 + up)];
        let ring: Vec<MatPoint> = (0..4)
            .flat_map(|k| {
                let (a, b) = (
                    MatPoint::new(corners[k].0, corners[k].1),
                    MatPoint::new(corners[(k + 1) % 4].0, corners[(k + 1) % 4].1),
                );
                let n = a.distance(b).ceil();
                (0..n as usize).map(move |i| a.lerp(b, i as f64 / n))
            })
            .collect();
        let trust = |p: MatPoint| (((p.x - cut_at).abs() - 5.0) / 40.0).clamp(0.0, 1.0);
        ring.into_iter()
            .map(|at| PartPoint { point: OutlinePoint { at, doubt_mm: 0.2, seen: true }, trust: trust(at) })
            .collect()
    }

    #[test]
    fn two_halves_make_one_without_a_step() {
        let (outline, mismatch) = merged(&[part(0.0, 380.0, 0.0, 380.0), part(220.0, 600.0, 0.3, 220.0)]).unwrap();
        assert!((mismatch.median_mm - 0.3).abs() < 1e-9, "{mismatch:?}");
        assert!((250.0..330.0).contains(&mismatch.overlap_mm), "{mismatch:?}");
        let ring: Vec<MatPoint> = outline.points.iter().map(|p| p.at).collect();
        // 600 by 100, half of it moved up as a whole: the area stays, to 0.07 mm all round.
        assert!((signed_area(&ring) - 60_000.0).abs() < 100.0, "{}", signed_area(&ring));
        assert!(outline.points.iter().all(|p| p.seen));
        for (a, b) in ring.iter().zip(ring.iter().cycle().skip(1)) {
            assert!(a.distance(*b) < 1.0);
            let low = |p: &MatPoint| p.y < 50.0 && p.x > 2.0 && p.x < 598.0;
            if low(a) && low(b) {
                assert!((a.y - b.y).abs() < 0.03, "a step at {a:?}");
            }
        }
    }

    /// Cloth of the mat's own colour: no photo sees much of the edge, and yet both show it.
    #[test]
    fn an_edge_that_cannot_be_seen_overlaps_too() {
        let unseen = |part: Vec<PartPoint>| -> Vec<PartPoint> {
            let hidden = |p: PartPoint| PartPoint { point: OutlinePoint { seen: false, ..p.point }, ..p };
            part.into_iter().map(hidden).collect()
        };
        // What nobody sees may be off by more than a garment that was moved.
        let parts = [unseen(part(0.0, 380.0, 0.0, 380.0)), unseen(part(220.0, 600.0, 3.2, 220.0))];
        let (outline, mismatch) = merged(&parts).unwrap();
        assert!(outline.points.iter().all(|p| !p.seen));
        assert!((mismatch.p95_mm - 3.2).abs() < 0.1 && mismatch.overlap_mm > 100.0, "{mismatch:?}");
    }

    #[test]
    fn photos_that_hardly_overlap_or_of_a_moved_garment_are_refused() {
        let little = merged(&[part(0.0, 320.0, 0.0, 320.0), part(310.0, 600.0, 0.0, 310.0)]);
        assert_eq!(little.unwrap_err().kind, RefusalKind::ClothOutOfView);
        let moved = merged(&[part(0.0, 380.0, 0.0, 380.0), part(220.0, 600.0, 3.2, 220.0)]);
        assert_eq!(moved.unwrap_err().kind, RefusalKind::ContradictoryReference);
    }
}
