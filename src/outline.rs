//! The cloth's edge to a fraction of a pixel, in millimetres, with its doubt.
//!
//! Along normals of the garment's coarse contour the photo is compared with the predicted bare mat
//! and with the cloth's own colours; the change-point of most likelihood (dynamic programming along
//! the outline) is refined to the half-way crossing of the edge, and the crossings to a curve.

mod changepoint;
mod contour;
mod corners;
mod crossing;
mod curve;
mod profiles;

use nalgebra::Vector2;

use crate::camera::Camera;
use crate::garment::{Garment, Palette};
use crate::photo::Photo;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

use changepoint::Background;
use crossing::Crossing;
use profiles::{Profiles, Span};

/// One point of the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlinePoint {
    /// Plan position, mat frame.
    pub at: MatPoint,
    /// Half-width that holds the true edge 95 % of the time, mm.
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
    /// Things a person should know.
    pub warnings: Vec<Warning>,
}

/// Spacing of the points, mm.
const SPACING_MM: f64 = 0.9;

/// Reach of the first search to both sides of the coarse contour, mm.
const FIRST_REACH_MM: f64 = 5.0;

/// Reach of the second, mm.
const SECOND_REACH_MM: f64 = 1.5;

/// How far outside the first profiles go, to read the background's light, mm.
const RING_MM: (f64, f64) = (4.0, 8.0);

/// Points either way over which that light is pooled (about 40 mm in all).
const RING_POINTS: usize = 20;

/// Traces the garment's edge in plan (the cloth's widest contour, `thickness_mm` / 2 above the mat).
///
/// # Errors
/// A refusal if the garment has no closed contour to follow.
pub fn trace(photo: &Photo, camera: &Camera, garment: &Garment, thickness_mm: f64) -> Result<Trace, Refusal> {
    let above_mm = thickness_mm.max(0.0) / 2.0;
    let seen = contour::longest_contour(&garment.label);
    let plan: Vec<MatPoint> = seen.iter().map(|p| camera.lower(*p, above_mm)).collect();
    let points = contour::smoothed(&contour::resampled(&plan, SPACING_MM), 2.0);
    let points = contour::resampled(&points, SPACING_MM);
    if points.len() < 60 {
        return Err(no_contour());
    }
    let scene = Scene { photo, camera, garment, above_mm };
    let first = scene.first_round(&points);
    let points = contour::resampled(&contour::smoothed(&first, 1.5), SPACING_MM);
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
        let normals = contour::normals(points, 3);
        let span = Span { from_mm: -FIRST_REACH_MM - 1.0, to_mm: RING_MM.1, step_mm: 0.2 };
        let profiles = self.profiles(points, &normals, &span);
        let path = self.change_points(&profiles, &self.ring(&profiles), FIRST_REACH_MM);
        (0..points.len()).map(|i| points[i] + normals[i] * profiles.offset(path.at[i])).collect()
    }

    fn second_round(&self, points: &[MatPoint]) -> Trace {
        let normals = contour::normals(points, 2);
        let span = Span { from_mm: -3.0, to_mm: RING_MM.1, step_mm: 0.1 };
        let profiles = self.profiles(points, &normals, &span);
        let ring = self.ring(&profiles);
        let path = self.change_points(&profiles, &ring, SECOND_REACH_MM);
        let crossings: Vec<Option<Crossing>> = (0..points.len())
            .map(|i| {
                let around = profiles.offset(path.at[i]);
                let first = crossing::find(&profiles, i, around, ring.gain[i])?;
                crossing::find(&profiles, i, first.at_mm, ring.gain[i])
            })
            .collect();
        let places = curve::places(points, &normals, &crossings);
        let edge = corners::sharpen(&curve::fit(points, &places), &places);
        let points = edge
            .iter()
            .map(|p| {
                let width =
                    crossings[p.from].map_or(1.0, |c| if c.contrast > 0.02 { c.width_mm.max(0.2) } else { 1.0 });
                let doubt_mm = 0.2 + 0.3 * f64::from(width);
                OutlinePoint { at: p.at, doubt_mm, seen: path.span_mm[p.from] < 1.0 }
            })
            .collect();
        Trace { outline: Outline { points }, warnings: Vec::new() }
    }

    fn change_points(&self, profiles: &Profiles, ring: &Ring, reach_mm: f64) -> changepoint::Path {
        let other = ring.strange.iter().map(|s| s.then_some(&ring.other)).collect();
        let background = Background { mat: &self.garment.mat, gain: ring.gain.clone(), other };
        let ratios = changepoint::log_ratios(profiles, &background, &self.garment.cloth);
        let costs = changepoint::edge_costs(profiles, &ratios);
        changepoint::cheapest_path(profiles, &costs, profiles.range(-reach_mm, reach_mm))
    }

    /// Reads the background's light from a ring outside the edge.
    fn ring(&self, profiles: &Profiles) -> Ring {
        let range = profiles.range(RING_MM.0, RING_MM.1);
        let n = profiles.count();
        let mut ratios: Vec<Vec<[f32; 3]>> = Vec::with_capacity(n);
        let mut strange = Vec::with_capacity(n);
        for i in 0..n {
            let pairs = profiles.seen(i)[range.clone()].iter().zip(&profiles.expected(i)[range.clone()]);
            let ratio: Vec<[f32; 3]> =
                pairs.step_by(2).map(|(s, e)| std::array::from_fn(|c| (s[c] + 2.0) / (e[c] + 2.0))).collect();
            let middle: [f32; 3] = std::array::from_fn(|c| middle(ratio.iter().map(|r| r[c])));
            strange.push(!self.like_mat(middle));
            ratios.push(ratio);
        }
        let gain = (0..n).map(|i| pooled_gain(&ratios, &strange, i)).collect();
        let strange = widened(&strange, 4);
        let mut pixels = Vec::new();
        for i in (0..n).filter(|i| strange[*i]) {
            pixels.extend(profiles.seen(i)[range.clone()].iter().step_by(3));
        }
        Ring { gain, strange, other: Palette::learn(&pixels, 8) }
    }

    /// Could a ratio of seen over expected colour be the mat in some light?
    fn like_mat(&self, ratio: [f32; 3]) -> bool {
        let log = ratio.map(f32::ln);
        let spread = self.garment.mat.spread;
        let brightness = (log[0] + log[1] + log[2]) / 3.0;
        let open = 1.0 + 3.0 * (-brightness).max(0.0);
        let colour = |a: f32, s: f32| a.abs() < (4.0 * s).max(0.06) * open;
        brightness < (4.0 * spread[0]).max(0.08)
            && brightness > -0.9
            && colour(log[0] - log[1], spread[1])
            && colour(log[2] - log[1], spread[2])
    }
}

/// The background just outside the edge.
struct Ring {
    /// Light on the mat over the predicted one, per point and channel.
    gain: Vec<[f32; 3]>,
    /// Points outside which something else than the mat lies.
    strange: Vec<bool>,
    /// The colours of that.
    other: Palette,
}

fn middle(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    values.sort_by(f32::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(1.0)
}

fn pooled_gain(ratios: &[Vec<[f32; 3]>], strange: &[bool], i: usize) -> [f32; 3] {
    let n = ratios.len();
    let around: Vec<usize> =
        (0..=2 * RING_POINTS).step_by(4).map(|k| (i + n + k - RING_POINTS) % n).filter(|k| !strange[*k]).collect();
    if around.is_empty() {
        return [1.0; 3];
    }
    std::array::from_fn(|c| middle(around.iter().flat_map(|k| ratios[*k].iter().map(|r| r[c]))).clamp(0.25, 1.3))
}

fn widened(marks: &[bool], by: usize) -> Vec<bool> {
    let n = marks.len();
    (0..n).map(|i| (0..=2 * by).any(|k| marks[(i + n + k - by) % n])).collect()
}
