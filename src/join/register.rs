//! Which crossing of one photo's grid is which of another's.

use rayon::prelude::*;

use super::correlate::best_shifts;
use super::lattice::LatticeMotion;
use super::relief::Relief;
use crate::camera::Camera;
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind};

/// Shifts of every turn that are kept.
const CANDIDATES: usize = 4;

/// Least likeness, and how far the best must stand above the next: below it the photos do not say.
const LEAST_LIKENESS: f64 = 0.15;
const LEAST_LEAD: f64 = 1.25;

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
    let pitch = 0.5 * (one.grid.pitch_mm[0] + one.grid.pitch_mm[1]);
    let parts = Relief::parts_for(pitch, &[&one, &other]);
    let (a, b) = rayon::join(|| Relief::of(&one, parts), || Relief::of(&other, parts));
    let (Some(a), Some(b)) = (a, b) else { return Err(unknown(0.0, 0.0)) };
    let mut ways: Vec<(f64, u8, [i32; 2])> = turns
        .par_iter()
        .flat_map_iter(|turn| {
            let b = (0..*turn).fold(b.clone(), |relief, _| relief.turned());
            best_shifts(&a, &b, CANDIDATES).into_iter().map(|(likeness, shift)| (f64::from(likeness), *turn, shift))
        })
        .collect();
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (likeness, quarter_turns, shift) = *ways.first().ok_or_else(|| unknown(0.0, 0.0))?;
    let runner_up = ways.get(1).map_or(0.0, |w| w.0.max(0.0));
    if likeness < LEAST_LIKENESS || likeness < LEAST_LEAD * runner_up {
        return Err(unknown(likeness, runner_up));
    }
    let motion =
        LatticeMotion { quarter_turns, shift, from_pitch_mm: other.grid.pitch_mm, to_pitch_mm: one.grid.pitch_mm };
    Ok(Registered { motion, likeness, runner_up })
}

/// Quarter turns that bring pitches of one grid onto those of the other.
fn allowed_turns(one: [f64; 2], other: [f64; 2]) -> Vec<u8> {
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
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!(
            "how the photos lie on each other cannot be told: the best match of what they show beside the grid is \
             {likeness:.2}, the next {runner_up:.2}"
        ),
        "let the photos overlap by a third or more, with the mat's numbers, its rim or some of the garment's details in \
         both, and do not move the mat between them",
    )
}
