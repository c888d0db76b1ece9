//! What is drawn over the flat photo of a tracing.

use image::RgbImage;
use nalgebra::Vector2;

use super::Annotations;
use crate::camera::SIGMAS_95;
use crate::edges::{Edge, Tracing};
use crate::outline::{Outline, OutlinePoint};
use crate::trace::{Scale, Trace};
use crate::units::{MM_PER_INCH, MatPoint};

/// Outline points of a larger doubt are shown as weak, mm: half the truing tolerance of a seam pair.
const WEAK_MM: f64 = 0.75;

/// How far inside an edge its number stands, mm.
const LABEL_INSET_MM: f64 = 12.0;

/// The flat photo of a tracing with its outline, edges and what gave the scale drawn over it.
pub fn of_trace(traced: &Trace, tracing: &Tracing) -> RgbImage {
    super::draw(&traced.flat, &as_seen(traced), &annotations(traced, tracing))
}

/// The outline with the edge's own doubt alone: that of the size, which a ruler or a sheet leaves to every point alike, is
/// told in words.
fn as_seen(traced: &Trace) -> Outline {
    let own = |p: &OutlinePoint| {
        let of_the_map = SIGMAS_95 * traced.fit.position_sigma_mm(p.at);
        OutlinePoint { doubt_mm: (p.doubt_mm.powi(2) - of_the_map.powi(2)).max(0.0).sqrt(), ..*p }
    };
    Outline { points: traced.outline.points.iter().map(own).collect() }
}

fn annotations(traced: &Trace, tracing: &Tracing) -> Annotations {
    let grid = traced.placed.iter().flat_map(|p| p.ticks.iter().copied());
    let fold = tracing.fold.as_ref().and_then(|f| tracing.edge(f.edge).ok());
    let scale = &traced.scale;
    Annotations {
        grid: grid.collect(),
        corners: tracing.edges.iter().map(Edge::from).collect(),
        labels: tracing.edges.iter().map(|edge| (middle_inside(edge), edge.number.to_string())).collect(),
        marks: traced.marks.iter().map(|mark| (mark.at, mark.diameter_mm, mark.number.to_string())).collect(),
        fold: fold.map(|edge| [edge.from(), edge.to()]),
        caption: vec![
            format!("{}: {} places used, fitted to {:.3} mm", nominal(scale), scale.sides, scale.reprojection_mm),
            format!("every length within {:.1} %", scale.doubt_percent),
            "solid: seen   dashed: weak, check it   dash-dot: fold".to_string(),
        ],
        weak_above_mm: WEAK_MM,
    }
}

fn nominal(scale: &Scale) -> String {
    let Some(pitch_mm) = scale.nominal_pitch_mm else { return scale.reference.clone() };
    let inches = pitch_mm / MM_PER_INCH;
    if (inches * 8.0).fract().abs() < 1e-6 { format!("grid {inches} in") } else { format!("grid {pitch_mm} mm") }
}

/// A little inside the middle of an edge (edges run anticlockwise, so inside is to the left).
fn middle_inside(edge: &Edge) -> MatPoint {
    let (middle, along) = edge.middle();
    middle + Vector2::new(-along.y, along.x) * LABEL_INSET_MM
}
