//! Which crossing of one photo's grid is which of another's.

use std::f64::consts::FRAC_PI_2;

use nalgebra::{Rotation2, Vector2};
use rayon::prelude::*;

use super::correlate::best_shifts;
use super::lattice::LatticeMotion;
use super::relief::{Print, Relief};
use crate::camera::Camera;
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind};

/// Shifts of every turn that are kept.
const CANDIDATES: usize = 4;

/// Least likeness, and how far the best must stand above the next: below it the photos do not say.
const LEAST_LIKENESS: f64 = 0.15;
const LEAST_LEAD: f64 = 1.25;

/// A strong likeness also settles it where the next best way leaves at least so many times as much unexplained: two sheets
/// with their rims in view are much alike a square further on as well.
const STRONG: f64 = 0.8;
const LEAST_UNEXPLAINED: f64 = 2.0;

/// A sheet is blank where nothing beside its grid stands out by more than this (root mean square, log units): noise and
/// paper's own mottling.
const BLANK: f64 = 0.02;

/// A photo whose grid was found.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The pixels.
    pub photo: &'a Photo,
    /// The map to the grid.
    pub camera: &'a Camera,
    /// The grid.
    pub grid: &'a GridSighting,
}

/// How one photo's mat frame lies in another's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Registered {
    /// From the other's frame to this one's.
    pub motion: LatticeMotion,
    /// Likeness of what both show beside the grid, 0 to 1.
    pub likeness: f64,
    /// The same for the best other way of laying the grids on each other.
    pub runner_up: f64,
}

/// Finds how `other`'s grid lies on `one`'s.
///
/// # Errors
/// If the photos are of grids of unlike pitch, or do not show enough in common to tell one crossing from the next.
pub fn register(one: View, other: View) -> Result<Registered, Refusal> {
    let turns = allowed_turns(one.grid.pitch_mm, other.grid.pitch_mm);
    if turns.is_empty() {
        return Err(unlike_grids());
    }
    let first = ways(&one, &other, &turns, Print::Everywhere);
    clear_best(&first, &one, &other).or_else(|refusal| {
        // A board's squares drown what tells one from the next; what is left without them must speak for the same way.
        let again = ways(&one, &other, &turns, Print::WhereItShows);
        let same = first.first().zip(again.first()).is_some_and(|(a, b)| (a.1, a.2) == (b.1, b.2));
        if same { clear_best(&again, &one, &other).map_err(|_| refusal) } else { Err(refusal) }
    })
}

/// Ways of laying one grid on the other, the likeliest first: likeness, quarter turns, shift.
type Way = (f64, u8, [i32; 2]);

fn ways(one: &View, other: &View, turns: &[u8], print: Print) -> Vec<Way> {
    let pitch = 0.5 * (one.grid.pitch_mm[0] + one.grid.pitch_mm[1]);
    let parts = Relief::parts_for(pitch, &[one, other]);
    let (a, b) = rayon::join(|| Relief::of(one, parts, print), || Relief::of(other, parts, print));
    let (Some(a), Some(b)) = (a, b) else { return Vec::new() };
    let mut ways: Vec<Way> = turns
        .par_iter()
        .flat_map_iter(|turn| {
            let b = (0..*turn).fold(b.clone(), |relief, _| relief.turned());
            best_shifts(&a, &b, CANDIDATES).into_iter().map(|(likeness, shift)| (f64::from(likeness), *turn, shift))
        })
        .collect();
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    ways
}

/// The best of the ways, if it stands out.
fn clear_best(ways: &[Way], one: &View, other: &View) -> Result<Registered, Refusal> {
    let (likeness, quarter_turns, shift) = *ways.first().ok_or_else(|| unknown(0.0, 0.0))?;
    let runner_up = ways.get(1).map_or(0.0, |w| w.0.max(0.0));
    if !settled(likeness, runner_up) {
        return Err(unknown(likeness, runner_up));
    }
    let motion =
        LatticeMotion { quarter_turns, shift, from_pitch_mm: other.grid.pitch_mm, to_pitch_mm: one.grid.pitch_mm };
    Ok(Registered { motion, likeness, runner_up })
}

/// Does the best way stand out among all?
fn settled(likeness: f64, runner_up: f64) -> bool {
    // Of the brightness's variance a correlation r explains r^2.
    let unexplained = |r: f64| (1.0 - r * r).max(1e-6);
    let leads = likeness >= LEAST_LIKENESS && likeness >= LEAST_LEAD * runner_up;
    leads || likeness >= STRONG && unexplained(runner_up) >= LEAST_UNEXPLAINED * unexplained(likeness)
}

/// How `other`'s grid may be laid on `one`'s if it shows a sheet that is blank but for its grid: one square is like the
/// next then, and the way is taken by which both cameras stood nearest to each other and held alike.
///
/// `None` if the sheet is not blank, or where a camera stood is not known.
pub fn register_blank(one: View, other: View) -> Option<Registered> {
    let pitch = 0.5 * (one.grid.pitch_mm[0] + one.grid.pitch_mm[1]);
    let relief = Relief::of(&other, Relief::parts_for(pitch, &[&other]), Print::Everywhere)?;
    if relief.unevenness(&other)? > BLANK {
        return None;
    }
    let (here, there) = (one.camera.pose?.foot, other.camera.pose?.foot);
    let way = |turn: u8| LatticeMotion {
        quarter_turns: turn,
        shift: [0, 0],
        from_pitch_mm: other.grid.pitch_mm,
        to_pitch_mm: one.grid.pitch_mm,
    };
    let turn = alike_turn(&one, &other, &allowed_turns(one.grid.pitch_mm, other.grid.pitch_mm))?;
    let apart = here - way(turn).apply(there);
    let shift = [apart.x / one.grid.pitch_mm[0], apart.y / one.grid.pitch_mm[1]].map(|cells| cells.round() as i32);
    Some(Registered { motion: LatticeMotion { shift, ..way(turn) }, likeness: 0.0, runner_up: 0.0 })
}

/// The turn by which both photos' right points the same way on the mat.
fn alike_turn(one: &View, other: &View, turns: &[u8]) -> Option<u8> {
    let (along, ahead) = (right_of(one), right_of(other));
    let alike = |turn: &u8| Rotation2::new(FRAC_PI_2 * f64::from(*turn)) * ahead;
    turns.iter().copied().max_by(|a, b| alike(a).dot(&along).total_cmp(&alike(b).dot(&along)))
}

/// Where the photo's right points on the mat, a unit vector.
fn right_of(view: &View) -> Vector2<f64> {
    let middle = view.camera.lens.centre;
    let step = Vector2::new(0.1 * f64::from(view.photo.width()), 0.0);
    (view.camera.mat_from_image(middle + step) - view.camera.mat_from_image(middle)).normalize()
}

/// Quarter turns that bring pitches of one grid onto those of the other.
pub(crate) fn allowed_turns(one: [f64; 2], other: [f64; 2]) -> Vec<u8> {
    let alike = |a: f64, b: f64| (a - b).abs() < 1e-6 * a;
    (0..4u8)
        .filter(|turn| {
            let other = if turn % 2 == 0 { other } else { [other[1], other[0]] };
            alike(one[0], other[0]) && alike(one[1], other[1])
        })
        .collect()
}

fn unlike_grids() -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        "the photos do not show the same grid",
        "give photos of one mat, and let the whole length of it be seen where its two sides were measured apart",
    )
}

fn unknown(likeness: f64, runner_up: f64) -> Refusal {
    let why = if likeness >= LEAST_LIKENESS && runner_up > 0.0 {
        "the mat's squares all look alike, and what is seen beside them fits in more than one place (or the photos are of two \
         mats)"
    } else {
        "besides the mat's squares they show hardly anything in common"
    };
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!("it cannot be told how the photos lie on each other: {why}"),
        "take them so that they overlap by a third or more, with some of the mat's numbers, its rim or the garment's details \
         in both, or lay a few coins on the mat beside the garment where both see them; move neither mat nor garment in \
         between",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_of_photos_that_do_not_settle_it_has_no_figures() {
        let (twice, nothing) = (unknown(0.24, 0.23), unknown(0.05, 0.04));
        assert!(twice.seen.contains("more than one place") && nothing.seen.contains("hardly anything in common"));
        for said in [twice, nothing] {
            assert!(!said.seen.chars().any(|c| c.is_ascii_digit()), "{}", said.seen);
        }
    }

    #[test]
    fn a_way_is_settled_by_its_lead_or_by_what_it_explains() {
        // By its lead over a weak rival.
        assert!(settled(0.5, 0.2) && settled(0.16, 0.1));
        assert!(!settled(0.5, 0.45) && !settled(0.1, 0.0));
        // 1 - 0.95^2 = 0.0975 and 1 - 0.81^2 = 0.3439: 3.5 times as much is left by the other.
        assert!(settled(0.95, 0.81));
        // 1 - 0.9^2 = 0.19 and 1 - 0.85^2 = 0.2775: 1.5 times.
        assert!(!settled(0.9, 0.85) && !settled(1.0, 1.0));
    }
}
