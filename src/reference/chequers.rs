//! Chessboards and chequered mats: squares light and dark in turn, much of them hidden by the garment.
//!
//! 1. [`response`]: the ChESS response on a reduced photo gives points where four squares meet.
//! 2. [`lattice`]: each looks for its four neighbours of opposite turn along its own edges; what
//!    hangs together is numbered, then the plane map finds the rest beyond the garment.
//! 3. Squares between numbered corners must be light and dark in turn.
//! 4. [`saddle`]: the corner to a fraction of a pixel, in a window well under half a square.

mod borders;
mod lattice;
mod response;
mod saddle;

use image::GrayImage;

pub(super) use self::borders::are_borders;
use self::lattice::Lattice;
use super::grid::{GridSighting, GridSpec};
use super::{Axis, LineSighting, Marking};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::ImagePoint;

/// Long side of the reduced photo, px: squares of a mat are then 15 to 100 px.
const REDUCED_SIDE: u32 = 1400;
/// Least corners, and least lines each way, of a board.
const LEAST_CORNERS: usize = 16;
const LEAST_LINES: usize = 4;
/// Share of the squares that must be of the colour their place asks for.
const IN_TURN: f64 = 0.9;

/// Finds a chequered board or mat.
///
/// Each corner gives two sightings, one of each axis, with `along` a whole number. Marking:
/// [`Marking::Chequers`]. Bold lines and divisions: none.
///
/// # Errors
/// No board, or too little of one, is in the photo.
pub fn find(luma: &GrayImage, spec: &GridSpec) -> Result<GridSighting, Refusal> {
    let factor = luma.width().max(luma.height()).div_ceil(REDUCED_SIDE).max(1);
    let reduced = super::reduce(luma, factor);
    let corners = response::corners(&reduced);
    let mut lattice = Lattice::build(&corners, |a, b| joined(&reduced, a, b)).ok_or_else(no_board)?;
    lattice.keep(|quarters| alternate(&reduced, quarters));
    if lattice.len() < LEAST_CORNERS || lattice.lines().iter().any(|&n| n < LEAST_LINES) {
        return Err(no_board());
    }
    let share = in_turn(&reduced, &lattice);
    if share < IN_TURN {
        return Err(no_board());
    }
    let sides = sightings(luma, &lattice, factor);
    Ok(GridSighting::from_sides(Marking::Chequers, spec.pitch_mm, sides))
}

fn no_board() -> Refusal {
    Refusal::new(
        RefusalKind::NoReference,
        "no chequered board was found",
        "lay the garment on a gridded mat or a chequered board so that squares show on all sides of it, and retake",
    )
}

/// Does an edge run from one point to the other, light on one side and dark on the other all along?
fn joined(reduced: &GrayImage, a: ImagePoint, b: ImagePoint) -> bool {
    let aside = (b - a) * 0.2;
    let aside = nalgebra::Vector2::new(-aside.y, aside.x);
    let shade =
        |p: ImagePoint| reduced.get_pixel_checked(p.x.round() as u32, p.y.round() as u32).map(|v| f64::from(v[0]));
    let step = |t: f64| Some(shade(a.lerp(b, t) + aside)? - shade(a.lerp(b, t) - aside)?);
    let steps: Option<Vec<f64>> = [0.2, 0.35, 0.5, 0.65, 0.8].into_iter().map(step).collect();
    steps.is_some_and(|steps| {
        let least = steps.iter().fold(f64::INFINITY, |m, s| m.min(s * steps[2].signum()));
        let most = steps.iter().fold(0.0f64, |m, s| m.max(s.abs()));
        least > 6.0 && least > 0.4 * most
    })
}

/// Do the four quarters round a corner, in order, alternate by much the same amount each time?
///
/// At the rim of a board a thin margin makes false corners, with squares on one side only.
fn alternate(reduced: &GrayImage, quarters: [ImagePoint; 4]) -> bool {
    let shade =
        quarters.map(|p| reduced.get_pixel_checked(p.x.round() as u32, p.y.round() as u32).map(|v| f64::from(v[0])));
    let [Some(a), Some(b), Some(c), Some(d)] = shade else { return false };
    let steps = [a - b, c - b, c - d, a - d];
    let (least, most) = steps.iter().fold((f64::INFINITY, 0.0f64), |(lo, hi), &s| (lo.min(s), hi.max(s)));
    let (least_down, most_down) = steps.iter().fold((f64::INFINITY, 0.0f64), |(lo, hi), &s| (lo.min(-s), hi.max(-s)));
    (least > 0.4 * most && least > 0.0) || (least_down > 0.4 * most_down && least_down > 0.0)
}

/// Share of whole squares whose middle is light or dark as its neighbours ask.
fn in_turn(reduced: &GrayImage, lattice: &Lattice) -> f64 {
    let shade =
        |p: ImagePoint| reduced.get_pixel_checked(p.x.round() as u32, p.y.round() as u32).map(|v| f64::from(v[0]));
    let squares: Vec<((i32, i32), f64)> =
        lattice.squares().filter_map(|(cell, middle)| Some((cell, shade(middle)?))).collect();
    let (mut right, mut all) = (0usize, 0usize);
    for (at, value) in &squares {
        // Against the next square only: light falls off over a large board.
        for next in [(at.0 + 1, at.1), (at.0, at.1 + 1)] {
            if let Some((_, other)) = squares.iter().find(|(cell, _)| *cell == next) {
                let light_first = lattice.light_at(*at);
                all += 1;
                right += usize::from((value > other) == light_first && (value - other).abs() > 6.0);
            }
        }
    }
    if all < 6 { 0.0 } else { right as f64 / all as f64 }
}

fn sightings(luma: &GrayImage, lattice: &Lattice, factor: u32) -> Vec<LineSighting> {
    let f = f64::from(factor);
    let full = |p: ImagePoint| ImagePoint::new(f * (p.x + 0.5) - 0.5, f * (p.y + 0.5) - 0.5);
    let corners = lattice.corners().filter_map(|(cell, at)| {
        let reach = f * lattice.narrowest_px(cell)?;
        Some((cell, saddle::refine(luma, full(at), reach, f)?))
    });
    corners
        .flat_map(|((i, j), found)| {
            let sighting = |axis, index: i32, along: i32| LineSighting {
                at: found.at,
                axis,
                index,
                along: f64::from(along),
                contrast: found.contrast,
            };
            [sighting(Axis::X, i, j), sighting(Axis::Y, j, i)]
        })
        .collect()
}

#[cfg(test)]
mod tests;
