//! Does something lie across the cloth's edge: a ruler, a hand, a weight, scissors?
//!
//! Just inside the outline there should be cloth. Where what lies there is coloured like nothing further away on the
//! garment, over a length no print repeats, it is asked about: the outline then follows the thing, or its shadow.

use nalgebra::Vector2;
use rayon::prelude::*;

use crate::flat::FlatPhoto;
use crate::garment::appearance::{Departure, log_from_gamma};
use crate::measure::Placed;
use crate::outline::Outline;
use crate::polygon;
use crate::reference::body::BodyKind;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// Stations along the outline, mm.
const STATION_MM: f64 = 3.0;
/// What lies this far inside the edge is looked at, mm: beyond hems' rolled edges, within a ruler's width.
const INSIDE_MM: [f64; 3] = [4.0, 6.0, 8.0];
/// The rest of the garment is sampled so far apart, mm.
const SAMPLE_MM: f64 = 6.0;
/// Further than this is the rest of the garment, mm: about the width of a hand.
const ELSEWHERE_MM: f64 = 90.0;
/// Alike within this: light and shade change the brightness, hardly the colour (log units).
const LIKE_BRIGHTNESS: f32 = 0.5;
const LIKE_COLOUR: f32 = 0.12;
/// A look that so small a share of the garment has elsewhere is no cloth of its own.
const RARE: f64 = 0.002;
/// Shorter stretches are pins, threads and stickers, mm; one of so much of the outline is the garment's own.
const LEAST_MM: f64 = 12.0;
const MOST_SHARE: f64 = 0.25;

/// An outline so near to a card lies on its rim, mm; so many of its points must.
const TOUCHES_MM: f64 = 1.0;
const LEAST_TOUCHING: usize = 4;

/// Warns of stretches of the outline where something seems to lie across it.
pub fn warnings(flat: &FlatPhoto, outline: &Outline) -> Vec<Warning> {
    let ring: Vec<MatPoint> = outline.points.iter().map(|p| p.at).collect();
    let rest = rest_of_garment(flat, &ring);
    let wide = crate::flat::MatRect::around(ring.iter().copied()).map_or(0.0, |r| r.width_mm().max(r.height_mm()));
    if rest.len() < 200 || wide < 2.5 * ELSEWHERE_MM {
        return Vec::new();
    }
    let stations = stations(&ring);
    let odd: Vec<bool> = stations.par_iter().map(|s| is_odd(flat, *s, &rest)).collect();
    let stretches = stretches(&odd);
    let length = STATION_MM * stations.len() as f64;
    let all: f64 = stretches.iter().map(|(_, count)| STATION_MM * *count as f64).sum();
    if all > MOST_SHARE * length {
        return Vec::new();
    }
    stretches
        .into_iter()
        .filter(|(_, count)| STATION_MM * *count as f64 >= LEAST_MM)
        .map(|(start, count)| {
            let (at, _) = stations[(start + count / 2) % stations.len()];
            Warning::new(
                "something-across",
                format!(
                    "along {:.0} mm of the edge, {}, lies something unlike the rest of the garment: if a ruler, a weight or \
                     a hand lies across the edge there, take it away and photograph again; a trim or label is no matter",
                    STATION_MM * count as f64,
                    crate::flat::place_in_words(&ring, at)
                ),
            )
        })
        .collect()
}

/// Warns of cards and sheets that lie on the garment's edge: there the outline follows them.
pub fn references(placed: &[Placed], outline: &Outline) -> Vec<Warning> {
    let ring: Vec<MatPoint> = outline.points.iter().map(|p| p.at).collect();
    let on_edge = |thing: &Vec<MatPoint>| {
        let on = |p: &&MatPoint| polygon::contains(thing, **p) || polygon::distance_to_ring(thing, **p) < TOUCHES_MM;
        let touching: Vec<&MatPoint> = ring.iter().filter(on).collect();
        (touching.len() >= LEAST_TOUCHING).then(|| *touching[touching.len() / 2])
    };
    let warning = |at| {
        Warning::new(
            "reference-across",
            format!(
                "a card or a sheet of paper lies on the garment's edge, {}, and the outline follows it there: move it clear of the \
                 garment and photograph again",
                crate::flat::place_in_words(&ring, at)
            ),
        )
    };
    // A ruler's outline is not known so well.
    let things = placed.iter().filter(|p| p.kind.is_some_and(|kind| kind != BodyKind::Ruler)).map(|p| &p.ring);
    things.filter_map(on_edge).map(warning).collect()
}

type Look = [f32; 3];

/// Log colour at a place, averaged over a little square.
fn look(flat: &FlatPhoto, at: MatPoint) -> Option<Look> {
    let (x, y) = flat.frame.flat_from_mat(at);
    let (x, y) = (x.round() as i64, y.round() as i64);
    let mut sum = [0.0f32; 3];
    for (dx, dy) in [(-1, -1), (1, -1), (0, 0), (-1, 1), (1, 1)] {
        let (x, y) = (u32::try_from(x + dx).ok()?, u32::try_from(y + dy).ok()?);
        if x >= flat.rgb.width() || y >= flat.rgb.height() {
            return None;
        }
        for (total, value) in sum.iter_mut().zip(flat.rgb.get_pixel(x, y).0) {
            *total += log_from_gamma(f32::from(value)) / 5.0;
        }
    }
    Some(sum)
}

/// Places well inside the garment and how they look.
fn rest_of_garment(flat: &FlatPhoto, ring: &[MatPoint]) -> Vec<(MatPoint, Look)> {
    let Some(frame) = crate::flat::MatRect::around(ring.iter().copied()) else { return Vec::new() };
    let rows = (frame.height_mm() / SAMPLE_MM) as usize;
    let mut rest = Vec::new();
    for row in 1..rows {
        let from = MatPoint::new(frame.min.x, frame.min.y + row as f64 * SAMPLE_MM);
        for (start, end) in polygon::intervals_inside(ring, from, Vector2::x()) {
            let mut along = start + INSIDE_MM[0];
            while along < end - INSIDE_MM[0] {
                let at = from + Vector2::new(along, 0.0);
                rest.extend(look(flat, at).map(|look| (at, look)));
                along += SAMPLE_MM;
            }
        }
    }
    rest
}

/// Points along the ring at equal steps, with the direction inwards (the ring runs anticlockwise).
fn stations(ring: &[MatPoint]) -> Vec<(MatPoint, Vector2<f64>)> {
    let mut stations = Vec::new();
    let mut left = 0.0;
    for (a, b) in polygon::sides(ring) {
        let (run, length) = (b - a, a.distance(b));
        while left < length {
            let along = run / length;
            stations.push((a + along * left, Vector2::new(-along.y, along.x)));
            left += STATION_MM;
        }
        left -= length;
    }
    stations
}

/// Is what lies inside the edge here unlike everything further away? A garment no larger than a hand cannot tell.
fn is_odd(flat: &FlatPhoto, (at, inwards): (MatPoint, Vector2<f64>), rest: &[(MatPoint, Look)]) -> bool {
    INSIDE_MM.iter().all(|inside| {
        let Some(here) = look(flat, at + inwards * *inside) else { return false };
        let like = |other: &Look| {
            let apart = Departure::between(here, *other);
            apart.brightness.abs() < LIKE_BRIGHTNESS && apart.colour.iter().all(|c| c.abs() < LIKE_COLOUR)
        };
        let enough = (RARE * rest.len() as f64).ceil() as usize;
        let alike = rest.iter().filter(|(p, other)| like(other) && p.distance(at) > ELSEWHERE_MM);
        // Most cloth is found again at once.
        alike.take(enough).count() < enough
    })
}

/// Runs of true round a ring: first index and count; a single miss within a run is bridged.
fn stretches(odd: &[bool]) -> Vec<(usize, usize)> {
    let count = odd.len();
    let filled: Vec<bool> =
        (0..count).map(|i| odd[i] || (odd[(i + count - 1) % count] && odd[(i + 1) % count])).collect();
    let mut runs = Vec::new();
    for start in (0..count).filter(|i| filled[*i] && !filled[(*i + count - 1) % count]) {
        let length = (0..count).take_while(|k| filled[(start + k) % count]).count();
        runs.push((start, length));
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flat::{FlatFrame, MatRect};
    use crate::outline::OutlinePoint;
    use image::{Rgb, RgbImage};

    /// A plain garment 300 x 400 mm on a mat, 2 px a mm; `paint` colours what else lies there (mat millimetres).
    fn scene(paint: impl Fn(f64, f64) -> Option<[u8; 3]>) -> (FlatPhoto, Outline) {
        let frame = FlatFrame::new(MatRect { min: MatPoint::new(-40.0, -40.0), max: MatPoint::new(340.0, 440.0) }, 2.0);
        let rgb = RgbImage::from_fn(frame.width, frame.height, |x, y| {
            let p = frame.mat_from_flat(f64::from(x), f64::from(y));
            let cloth = (0.0..300.0).contains(&p.x) && (0.0..400.0).contains(&p.y);
            // Light falls off by half across the picture.
            let shade = 1.0 - 0.5 * (p.x + 40.0) / 380.0;
            let base = paint(p.x, p.y).unwrap_or(if cloth { [150, 40, 60] } else { [40, 110, 70] });
            Rgb(base.map(|v| (f64::from(v) * shade) as u8))
        });
        let corners = [(0.0, 0.0), (300.0, 0.0), (300.0, 400.0), (0.0, 400.0)];
        let mut points = Vec::new();
        for (i, (x, y)) in corners.into_iter().enumerate() {
            let (u, v) = corners[(i + 1) % 4];
            points.extend((0..100).map(|k| f64::from(k) / 100.0).map(|t| OutlinePoint {
                at: MatPoint::new(x + (u - x) * t, y + (v - y) * t),
                doubt_mm: 0.2,
                seen: true,
            }));
        }
        (FlatPhoto { frame, rgb }, Outline { points })
    }

    #[test]
    fn a_ruler_across_the_edge_is_asked_about_once() {
        let (flat, outline) =
            scene(|x, y| ((-30.0..60.0).contains(&x) && (150.0..180.0).contains(&y)).then_some([180, 182, 186]));
        let said = warnings(&flat, &outline);
        assert_eq!(said.len(), 1, "{said:?}");
        // The ruler's middle: 165 mm of 400 up the left edge, 235 below the top.
        let text = &said[0].text;
        assert!(text.contains("at the left, half way up in the flat photo (0.0 cm"), "{text}");
        assert!(["23.2", "23.3", "23.4", "23.5", "23.6", "23.7", "23.8"].iter().any(|cm| text.contains(cm)), "{text}");
    }

    #[test]
    fn plain_cloth_in_uneven_light_is_not() {
        let (flat, outline) = scene(|_, _| None);
        assert!(warnings(&flat, &outline).is_empty());
    }

    #[test]
    fn stripes_and_a_contrasting_hem_are_the_garments_own() {
        let inside = |x: f64, y: f64| (0.0..300.0).contains(&x) && (0.0..400.0).contains(&y);
        let (flat, outline) = scene(|x, y| (inside(x, y) && y.rem_euclid(40.0) < 12.0).then_some([230, 225, 210]));
        assert!(warnings(&flat, &outline).is_empty());
        let (flat, outline) = scene(|x, y| (inside(x, y) && y < 25.0).then_some([230, 225, 210]));
        assert!(warnings(&flat, &outline).is_empty());
    }

    #[test]
    fn a_card_on_the_edge_is_told_and_one_beside_it_or_a_ruler_is_not() {
        let (_, outline) = scene(|_, _| None);
        let thing = |kind: BodyKind, x: f64, w: f64, h: f64| {
            let ring =
                [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(dx, dy)| MatPoint::new(x + dx, 100.0 + dy)).to_vec();
            Placed { kind: Some(kind), ring, ticks: Vec::new() }
        };
        assert_eq!(references(&[thing(BodyKind::Card, 294.0, 120.0, 120.0)], &outline).len(), 1);
        let beside = [thing(BodyKind::Card, 302.0, 120.0, 120.0), thing(BodyKind::Ruler, 298.0, 28.0, 300.0)];
        assert_eq!(references(&beside, &outline), vec![]);
    }
}
