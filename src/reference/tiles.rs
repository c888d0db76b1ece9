//! Tile floors and other grids of few, wide, long lines, where no window of the photo shows several cells.
//!
//! 1. [`segments`]: straight stretches of line on the reduced photo.
//! 2. [`vanishing`]: families of lines that are parallel on the floor.
//! 3. [`comb`]: two families square to each other whose lines sit on one comb: the numbering.
//! 4. [`stretch`]: every eighth of a tile side measured across at full size, twice, with a camera fit
//!    between; nothing between the lines, few gaps along them.

mod comb;
mod segments;
mod stretch;
mod vanishing;

use std::collections::{BTreeSet, HashSet};

use image::GrayImage;
use nalgebra::Vector2;

use self::comb::{Comb, Numbered, comb};
use self::stretch::{Looked, PER_CELL, Search};
use super::grid::{GridSighting, GridSpec};
use super::{Axis, Marking};
use crate::camera::homography::{PointOnLine, mat_from_image_on_lines};
use crate::camera::{Camera, Lens, fit};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::ImagePoint;

/// Long side of the reduced photo, px: grout is then one to six pixels wide.
const REDUCED_SIDE: u32 = 1100;
/// Focal length in long sides of an ordinary phone photo; for turning the floor upright only.
const FOCAL: f64 = 0.75;
/// Least half-width of a profile, px: a line with its halo, and ground on both sides.
const LEAST_HALF_PX: f64 = 7.0;
/// Least stretches seen, and least lines each way.
const LEAST_STRETCHES: usize = 24;
const LEAST_LINES: usize = 3;
/// Of the stretches between two seen ones, the share that must be seen too.
const PRESENCE: f64 = 0.7;
/// Half-way between lines at most this share of what is seen on them.
const BETWEEN: f64 = 0.25;
/// Families closer in direction than this (cosine) are no grid.
const ACROSS: f64 = 0.7;

/// Finds a tile floor.
///
/// Sides are stretches of an eighth of a tile side, with `along` in tiles.
///
/// # Errors
/// No two families of evenly spaced lines square to each other are in the photo, or too little of them.
pub fn find(luma: &GrayImage, spec: &GridSpec) -> Result<GridSighting, Refusal> {
    let factor = luma.width().max(luma.height()).div_ceil(REDUCED_SIDE).max(1);
    let reduced = super::reduce(luma, factor);
    let markings = [Marking::DarkLines, Marking::LightLines];
    let among = |most: usize| -> Option<Result<GridSighting, Refusal>> {
        let comb = |marking| best_comb(&reduced, marking, spec, most);
        let (dark, light) = rayon::join(|| comb(markings[0]), || comb(markings[1]));
        let combs = [dark, light].into_iter().zip(markings);
        let looks = combs.filter_map(|(comb, marking)| first_look(luma, &comb?, marking, spec));
        // Sharpening draws a fainter light line along a dark one: the stronger of the two is the joint.
        looks.max_by(|a, b| a.strength.total_cmp(&b.strength)).map(|look| refine(luma, look, spec))
    };
    let all = among(segments::MOST_POINTS).filter(Result::is_ok);
    all.or_else(|| among(segments::STRONGEST_POINTS)).unwrap_or_else(|| Err(no_tiles()))
}

/// What a numbered comb shows at full size.
struct Look {
    looked: Vec<Looked>,
    marking: Marking,
    strength: f64,
}

fn first_look(luma: &GrayImage, comb: &Comb, marking: Marking, spec: &GridSpec) -> Option<Look> {
    let camera = rough_camera(comb, luma.dimensions(), spec)?;
    let half_px = (0.06 * cell_px(&camera, spec, luma.dimensions())).max(LEAST_HALF_PX);
    let looked = alike(look_everywhere(luma, &camera, spec, &Search { half_px, marking, shift: 0.0 }));
    let strength = looked.iter().filter_map(|l| l.found.map(|f| f.contrast)).sum();
    Some(Look { looked, marking, strength })
}

fn no_tiles() -> Refusal {
    Refusal::new(
        RefusalKind::NoReference,
        "no floor of square tiles was found",
        "retake from higher up so that three or more joints show each way, or lay the garment on a gridded mat",
    )
}

/// The best comb that segments make among so many of the strongest ridge points.
fn best_comb(reduced: &GrayImage, marking: Marking, spec: &GridSpec, most: usize) -> Option<Comb> {
    let long_side = f64::from(reduced.width().max(reduced.height()));
    let segments = segments::segments(reduced, marking, most);
    let families = vanishing::families(&segments, long_side);
    let ratio = spec.pitch_mm[1] / spec.pitch_mm[0];
    let mut best: Option<Comb> = None;
    for (i, a) in families.iter().enumerate() {
        for b in &families[..i] {
            if a.direction().dot(&b.direction()).abs() > ACROSS {
                continue;
            }
            // Lines of constant x run more nearly up the photo; the comb's first family is theirs.
            let upright = a.direction().y.abs() >= b.direction().y.abs();
            let pair = if upright { [a, b] } else { [b, a] };
            if let Some(found) = comb(pair, ratio, FOCAL)
                && best.as_ref().is_none_or(|b| found.score > b.score)
            {
                best = Some(found);
            }
        }
    }
    best
}

/// The plane map from the numbered segments, without lens terms; x to the right, y up.
fn rough_camera(comb: &Comb, size: (u32, u32), spec: &GridSpec) -> Option<Camera> {
    let long_side = f64::from(size.0.max(size.1));
    let middle = ImagePoint::new(0.5 * (f64::from(size.0) - 1.0), 0.5 * (f64::from(size.1) - 1.0));
    let [xs, ys] = &comb.families;
    let signs = [rising(xs, Vector2::x()), rising(ys, -Vector2::y())];
    let mut points = Vec::new();
    for (family, axis, sign, pitch) in
        [(xs, Axis::X, signs[0], spec.pitch_mm[0]), (ys, Axis::Y, signs[1], spec.pitch_mm[1])]
    {
        for n in family {
            for end in [n.segment.from, n.segment.to] {
                points.push(PointOnLine {
                    image: middle + end * long_side,
                    axis,
                    at_mm: f64::from(sign * n.index) * pitch,
                });
            }
        }
    }
    let map = mat_from_image_on_lines(&points)?;
    Camera::new(map.try_inverse()?, Lens::ideal(middle, FOCAL * long_side))
}

/// +1 if the numbers rise along a direction of the photo, else -1.
fn rising(family: &[Numbered], way: Vector2<f64>) -> i32 {
    let n = family.len().max(1) as f64;
    let mean = family.iter().map(|s| f64::from(s.index)).sum::<f64>() / n;
    let place = |s: &Numbered| s.segment.middle().dot(&way);
    let lean: f64 = family.iter().map(|s| (f64::from(s.index) - mean) * place(s)).sum();
    if lean < 0.0 { -1 } else { 1 }
}

/// Fits to the first look, measures every stretch again narrowly, and judges.
fn refine(luma: &GrayImage, first: Look, spec: &GridSpec) -> Result<GridSighting, Refusal> {
    let marking = first.marking;
    let fitted = fit(&sighting(&first.looked, marking, spec), luma.dimensions(), None).map_err(|_| no_tiles())?;
    let camera = fitted.camera;
    let widest = (0.06 * cell_px(&camera, spec, luma.dimensions())).max(LEAST_HALF_PX);
    let half_px = (2.5 * width_px(&first.looked)).max(6.0 * fitted.residual.rms_px).clamp(LEAST_HALF_PX, widest);
    let looked = alike(look_everywhere(luma, &camera, spec, &Search { half_px, marking, shift: 0.0 }));
    let between = || look_everywhere(luma, &camera, spec, &Search { half_px, marking, shift: 0.5 });
    let sound = convincing(&looked) && nothing_between(&looked, &between());
    if sound { Ok(sighting(&looked, marking, spec)) } else { Err(no_tiles()) }
}

fn sighting(looked: &[Looked], marking: Marking, spec: &GridSpec) -> GridSighting {
    let sides = looked.iter().filter_map(Looked::sighting).collect();
    GridSighting::from_sides(marking, spec.pitch_mm, sides)
}

/// Pixels to a tile side, in the middle of the photo.
fn cell_px(camera: &Camera, spec: &GridSpec, size: (u32, u32)) -> f64 {
    let middle = ImagePoint::new(0.5 * f64::from(size.0), 0.5 * f64::from(size.1));
    let (most, least) = camera.px_per_mm(camera.mat_from_image(middle));
    (most * least).abs().sqrt() * (spec.pitch_mm[0] * spec.pitch_mm[1]).sqrt()
}

fn look_everywhere(luma: &GrayImage, camera: &Camera, spec: &GridSpec, search: &Search) -> Vec<Looked> {
    use rayon::prelude::*;
    let view = stretch::view(camera, spec.pitch_mm, luma.dimensions());
    // A floor of more than 60 tiles across is not one of few wide lines.
    if view.iter().any(|v| !v.is_finite() || v.abs() > 60.0) {
        return Vec::new();
    }
    let range = |lo: f64, hi: f64| (lo.floor() as i32)..=(hi.ceil() as i32);
    let parts = |lo: f64, hi: f64| (lo.floor() as i32 * PER_CELL)..=(hi.ceil() as i32 * PER_CELL);
    let xs = range(view[0], view[1]).flat_map(|i| parts(view[2], view[3]).map(move |p| (Axis::X, i, p)));
    let ys = range(view[2], view[3]).flat_map(|i| parts(view[0], view[1]).map(move |p| (Axis::Y, i, p)));
    let places: Vec<(Axis, i32, i32)> = xs.chain(ys).collect();
    places.par_iter().filter_map(|&place| stretch::look(luma, camera, spec.pitch_mm, place, search)).collect()
}

/// Forgets what is much wider or narrower than the rest: hems, skirtings, shadows.
fn alike(mut looked: Vec<Looked>) -> Vec<Looked> {
    let width = width_px(&looked);
    for l in &mut looked {
        l.found = l.found.filter(|f| (0.4 * width..2.5 * width).contains(&f.width_px));
    }
    looked
}

fn width_px(looked: &[Looked]) -> f64 {
    let mut widths: Vec<f64> = looked.iter().filter_map(|l| l.found.map(|f| f.width_px)).collect();
    crate::camera::median(&mut widths)
}

/// Enough lines and stretches, few gaps along them, no line missing among them.
fn convincing(looked: &[Looked]) -> bool {
    let seen: Vec<&Looked> = looked.iter().filter(|l| l.found.is_some()).collect();
    let places: HashSet<(bool, i32, i32)> = seen.iter().map(|l| (l.axis == Axis::X, l.index, l.part)).collect();
    let lines_complete = [Axis::X, Axis::Y].iter().all(|&axis| {
        let lines: BTreeSet<i32> = seen.iter().filter(|l| l.axis == axis).map(|l| l.index).collect();
        let spanned = lines.first().zip(lines.last()).map_or(0, |(a, b)| (b - a + 1) as usize);
        lines.len() >= LEAST_LINES && lines.len() == spanned
    });
    let has = |l: &Looked, by: i32| places.contains(&(l.axis == Axis::X, l.index, l.part + by));
    let flanked: Vec<&Looked> = looked.iter().filter(|l| has(l, -1) && has(l, 1)).collect();
    let kept = flanked.iter().filter(|l| l.found.is_some()).count();
    seen.len() >= LEAST_STRETCHES && lines_complete && kept as f64 >= PRESENCE * flanked.len() as f64
}

fn nothing_between(looked: &[Looked], between: &[Looked]) -> bool {
    let share = |of: &[Looked]| of.iter().filter(|l| l.found.is_some()).count() as f64 / of.len().max(1) as f64;
    share(between) <= BETWEEN * share(looked)
}

#[cfg(test)]
pub(super) mod tests;
