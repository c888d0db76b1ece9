//! The cloth's edge to a fraction of a pixel, in millimetres, with its doubt.
//!
//! Along normals of the garment's coarse contour the photo is compared with the predicted bare mat
//! and with the cloth's own colours; the change-point of most likelihood (dynamic programming along
//! the outline) is refined to the half-way crossing of the edge, and the crossings to a curve.

mod blur;
mod bridge;
mod calm;
mod changepoint;
mod chroma;
mod contour;
mod corners;
mod crossing;
mod curve;
mod doubt;
mod groove;
mod lead;
mod outliers;
mod parabola;
mod penumbra;
mod printed;
mod profiles;
mod ring;
mod roughness;
mod search;
mod statistics;

use nalgebra::Vector2;
use rayon::prelude::*;

use crate::camera::Camera;
use crate::garment::{Garment, Palette};
use crate::photo::Photo;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

use blur::Blur;
use crossing::Crossing;
use groove::Groove;
use profiles::{Profiles, Span};
use ring::Ring;
use search::{ChangePoints, Search};

pub(crate) use calm::without_loops;
pub use statistics::Statistics;

/// One point of the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlinePoint {
    /// Plan position, mat frame.
    pub at: MatPoint,
    /// Half-width that holds the true edge 95 % of the time, mm (as traced: the camera and the thickness being right).
    pub doubt_mm: f64,
    /// False where the edge could not be seen and was bridged.
    pub seen: bool,
}

/// A closed outline, anticlockwise in the mat frame (y up), points at most 1 mm apart; the last
/// point joins the first and is not repeated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outline {
    /// The points in order.
    pub points: Vec<OutlinePoint>,
}

/// The outline and what was noticed on the way.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    /// The outline.
    pub outline: Outline,
    /// What was measured along it.
    pub statistics: Statistics,
    /// Things a person should know.
    pub warnings: Vec<Warning>,
}

/// Spacing of the points, mm.
const SPACING_MM: f64 = 0.9;

/// The same in the first search, which only has to find the edge.
const FIRST_SPACING_MM: f64 = 1.35;

/// Largest distance of neighbouring points handed out, mm.
const LARGEST_GAP_MM: f64 = 0.99;

/// Reach of the first search to both sides of the coarse contour, mm.
const FIRST_REACH_MM: f64 = 5.0;

/// Steps along the profiles of the first search and, in bounds, of the second, mm.
const FIRST_STEP_MM: f64 = 0.2;
const FINE_STEP_MM: (f64, f64) = (0.1, 0.15);

/// Reach of the second, mm, and how far outside the curve its profiles go.
const SECOND_REACH_MM: f64 = 3.0;
const FINE_OUTSIDE_MM: f64 = 6.0;

/// How far inside the edge the cloth's own colours are read near it, mm.
const INSIDE_MM: (f64, f64) = (1.2, 5.0);

/// An edge is looked for so far beside a way, mm, and not at so many points of its ends.
const BESIDE_WAY_MM: f64 = 0.8;
const WAYS_END: usize = 3;
/// Fewer points than these prove nothing.
const LEAST_SHOWN: usize = 5;
/// Points that a way is divided into at least: what is read around it is pooled over so many.
const LEAST_WAY: usize = 64;

/// Mean log ratio of cloth over mat, halved between the sides, below which the two look alike.
const LITTLE_APART: f32 = 2.0;

/// Traces the garment's edge in plan (the cloth's widest contour, `thickness_mm` / 2 above the mat).
///
/// # Errors
/// A refusal if the garment has no closed contour to follow.
pub fn trace(photo: &Photo, camera: &Camera, garment: &Garment, thickness_mm: f64) -> Result<Trace, Refusal> {
    let above_mm = thickness_mm.max(0.0) / 2.0;
    let seen = contour::longest_contour(&garment.label);
    let plan: Vec<MatPoint> = seen.iter().map(|p| camera.lower(*p, above_mm)).collect();
    let points = contour::smoothed(&contour::resampled(&plan, SPACING_MM), 2.0);
    let points = contour::resampled(&points, FIRST_SPACING_MM);
    if points.len() < 40 {
        return Err(no_contour());
    }
    let scene = Scene { photo, camera, garment, above_mm };
    let first = scene.first_round(&points);
    let points = contour::resampled(&contour::smoothed(&first, 1.0), SPACING_MM);
    Ok(scene.second_round(&points))
}

fn no_contour() -> Refusal {
    Refusal::new(
        RefusalKind::BadOutline,
        "the cloth found has no closed edge to follow",
        "retake with the whole garment on the mat, in even light",
    )
}

/// What both rounds look at.
struct Scene<'a> {
    photo: &'a Photo,
    camera: &'a Camera,
    garment: &'a Garment,
    above_mm: f64,
}

impl Scene<'_> {
    fn profiles(&self, points: &[MatPoint], normals: &[Vector2<f64>], span: &Span) -> Profiles {
        Profiles::sample(self.photo, self.camera, &self.garment.mat, points, normals, self.above_mm, span)
    }

    /// Points moved to the change-points found within a wide reach.
    fn first_round(&self, points: &[MatPoint]) -> Vec<MatPoint> {
        let normals = contour::normals(points, 2);
        let span = Span { from_mm: -9.0, to_mm: ring::OUTSIDE_MM.1, step_mm: FIRST_STEP_MM };
        let profiles = self.profiles(points, &normals, &span);
        let ring = Ring::read(&profiles, self.garment, None);
        let path = Search::new(&profiles, &ring, self.garment, (4.0, 9.0)).change_points(FIRST_REACH_MM).path;
        (0..points.len()).map(|i| points[i] + normals[i] * profiles.offset(path.at[i])).collect()
    }

    fn second_round(&self, points: &[MatPoint]) -> Trace {
        let normals = contour::normals(points, 2);
        let pixel_mm = profiles::pixel_mm(self.camera, points);
        // A third of a photo pixel, in bounds.
        let step_mm = (pixel_mm / 3.0).clamp(FINE_STEP_MM.0, FINE_STEP_MM.1);
        let span = Span { from_mm: -5.0, to_mm: FINE_OUTSIDE_MM, step_mm };
        let mut profiles = self.profiles(points, &normals, &span);
        let ring = Ring::read(&profiles, self.garment, Some(INSIDE_MM));
        let changes = Search::new(&profiles, &ring, self.garment, (1.5, 5.0)).change_points(SECOND_REACH_MM);
        let ChangePoints { path, apart, .. } = &changes;
        let around: Vec<f64> = path.at.iter().map(|k| profiles.offset(*k)).collect();
        let off_mat = |i: usize| {
            let beside = points[i] + normals[i] * (around[i] + ring::BESIDE_MM.0);
            self.garment.extent.depth_mm(beside) < 0.0
        };
        profiles.stand_on_tones(&around);
        ring.put_what_is_seen(&mut profiles, &around, off_mat);
        let alike = alike(&profiles, path, apart);
        let blur = Blur::measure(&profiles, &ring.gain, &around);
        let grooves = groove::find(&profiles, &ring.gain, &around, &blur);
        let cloth = |i: usize| ring.cloth(i, &self.garment.cloth);
        let hues = crossing::hues(&profiles, &around, &ring.gain, cloth, &blur);
        let crossings: Vec<Option<Crossing>> = (0..points.len())
            .into_par_iter()
            .with_min_len(64)
            .map(|i| crossing_of(&profiles, i, &changes, ring.gain[i], cloth(i), (grooves[i], hues[i]), &blur))
            .collect();
        let crossings = outliers::dropped(points, &normals, crossings);
        let places = curve::places(points, &normals, &crossings);
        let edge = corners::sharpen(&curve::fit(points, &places), &places);
        let scatter = outliers::scatter(points, &normals, &crossings);
        let clues: Vec<doubt::Clue> = (0..points.len())
            .map(|i| doubt::Clue {
                crossing: crossings[i],
                change_mm: profiles.offset(path.at[i]),
                span_mm: path.span_mm[i],
                apart: apart[i],
                scatter_mm: scatter[i],
            })
            .collect();
        let mut doubts = doubt::doubts(&clues, 2.0 * self.above_mm, pixel_mm, self.garment.extent.pitch_mm);
        groove::doubt(&grooves, &alike, &mut doubts);
        let points: Vec<OutlinePoint> = edge
            .iter()
            .map(|p| OutlinePoint { at: p.at, doubt_mm: doubts[p.from].mm, seen: doubts[p.from].seen })
            .collect();
        let corners: Vec<bool> = edge.iter().map(|p| p.corner).collect();
        let (points, corners) = bridge::bridged(&points, &corners, |way| self.shown(way));
        let points = closely_spaced(&doubt::widened_at_corners(calm::calmed(&points, &corners)));
        let outline = Outline { points };
        let statistics = Statistics::of(&outline, self.garment, &blur, pixel_mm);
        Trace { warnings: statistics.warnings(&outline), statistics, outline }
    }

    /// How clearly the photo shows an edge along a way, or a little beside it: the mean of [`lead::evidence`].
    fn shown(&self, way: &[MatPoint]) -> f32 {
        if way.len() < LEAST_SHOWN {
            return 0.0;
        }
        let parts = LEAST_WAY.div_ceil(way.len());
        let way = divided(way, parts);
        let normals = contour::normals(&way, 2 * parts);
        let span = Span { from_mm: -FIRST_REACH_MM, to_mm: ring::OUTSIDE_MM.1, step_mm: FIRST_STEP_MM };
        let profiles = self.profiles(&way, &normals, &span);
        let ring = Ring::read(&profiles, self.garment, None);
        let evidence = lead::evidence(&profiles, &ring, &roughness::off_lines(&profiles));
        // The way is open: what is pooled over its ends means nothing.
        let ends = (WAYS_END * parts).min(way.len() / 3);
        let inner = ends..way.len() - ends;
        let mean = |j: usize| {
            let sum: f32 = inner.clone().map(|i| evidence[i * profiles.len + j]).sum();
            sum / inner.len().max(1) as f32
        };
        profiles.range(-BESIDE_WAY_MM, BESIDE_WAY_MM).map(mean).fold(0.0, f32::max)
    }
}

/// Where the edge crosses a profile: in the groove; half way between the two sides where the cloth is far brighter or of
/// quite another hue (`hue`, 0 to 1); or between both answers.
fn crossing_of(
    profiles: &Profiles,
    i: usize,
    changes: &ChangePoints,
    gain: [f32; 3],
    cloth: &Palette,
    (groove, hue): (Option<Groove>, f64),
    blur: &Blur,
) -> Option<Crossing> {
    let share = groove.map_or(1.0, |groove| groove.brighter.max(hue));
    if share == 0.0 {
        return groove.map(|g| g.crossing);
    }
    let around_mm = profiles.offset(changes.path.at[i]);
    let first = crossing::find(profiles, i, around_mm, gain, cloth, blur);
    let half_way = first.and_then(|first| crossing::find(profiles, i, first.at_mm, gain, cloth, blur));
    // What is clearly cloth is no mixture of it and the mat: a narrow stripe along the edge may look like one.
    let half_way = if half_way.is_some_and(|crossing| changes.leave_in_cloth(profiles, i, crossing.at_mm)) {
        crossing::plain_step(profiles, i, around_mm, gain, blur)
    } else {
        half_way
    };
    let (Some(groove), Some(half_way)) = (groove, half_way) else { return half_way.or(groove.map(|g| g.crossing)) };
    let at_mm = groove.crossing.at_mm + share * (half_way.at_mm - groove.crossing.at_mm);
    Some(Crossing { at_mm, ..half_way })
}

/// An open way with every step divided into so many parts.
fn divided(way: &[MatPoint], parts: usize) -> Vec<MatPoint> {
    let steps = way.windows(2).flat_map(|w| (0..parts).map(move |k| w[0].lerp(w[1], k as f64 / parts as f64)));
    steps.chain(way.last().copied()).collect()
}

/// The points at which cloth and mat look much alike: the path is open, or the likelihoods say little.
fn alike(profiles: &Profiles, path: &changepoint::Path, apart: &[f32]) -> Vec<bool> {
    let open = doubt::open_stretches(&path.span_mm);
    let alike = |i: usize| open[i] > 0.5 || apart[i] < LITTLE_APART;
    (0..profiles.count()).map(alike).collect()
}

/// The outline with points put between those that sharpened corners drew apart.
fn closely_spaced(points: &[OutlinePoint]) -> Vec<OutlinePoint> {
    let mut out = Vec::with_capacity(points.len() + 16);
    for (i, p) in points.iter().enumerate() {
        let next = &points[(i + 1) % points.len()];
        let count = (p.at.distance(next.at) / LARGEST_GAP_MM).ceil().max(1.0);
        for k in 0..count as usize {
            let doubt_mm = if k == 0 { p.doubt_mm } else { p.doubt_mm.max(next.doubt_mm) };
            let seen = p.seen && (k == 0 || next.seen);
            out.push(OutlinePoint { at: p.at.lerp(next.at, k as f64 / count), doubt_mm, seen });
        }
    }
    out
}

#[cfg(test)]
mod tests;
