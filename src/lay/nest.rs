//! Shapes into a strip, as short as can be found: used for cloth, for rolls of paper and for sheets.
//!
//! The search lets shapes overlap and drives the overlap out, pair by pair, with weights that grow on pairs that stay
//! stuck (guided local search: Umetani et al., Int. Trans. Oper. Res. 16, 2009; with overlap measured between inscribed
//! circles as in Gardeyn & Vanden Berghe, "An open-source heuristic to reboot 2D nesting research", 2025). When a strip
//! is free of overlap it is shortened. The crate `jagua-rs` answers which shapes collide.
//!
//! Work is counted in collision queries, not in seconds, so that one seed gives one plan on every machine.

use nalgebra::Vector2;

use super::search::Search;
use super::shelf;
use crate::flat::MatRect;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// One way a shape may lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Variant {
    /// The shape as it lies, but for a shift.
    pub ring: Vec<MatPoint>,
    /// Must its lowest point lie on the strip's edge y = 0 (a piece on the fold)?
    pub on_edge: bool,
}

/// A thing to be placed once, in one of several ways.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shape {
    /// The ways it may lie; at least one.
    pub variants: Vec<Variant>,
}

impl Shape {
    /// Must it touch the strip's edge, however it lies?
    pub fn is_held(&self) -> bool {
        self.variants.iter().all(|v| v.on_edge)
    }
}

/// The strip: y from 0 to its width, x from 0 on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strip {
    /// Width, mm.
    pub width_mm: f64,
    /// Least distance between shapes, mm.
    pub gap_mm: f64,
}

/// Where a shape lies.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Spot {
    /// Which of its ways.
    pub variant: usize,
    /// Shift of the variant's ring.
    pub shift: Vector2<f64>,
}

/// All shapes placed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Nest {
    /// One for every shape.
    pub spots: Vec<Spot>,
    /// Length of strip used, mm.
    pub length_mm: f64,
}

/// How long to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effort {
    /// Seed: the same gives the same nest.
    pub seed: u64,
    /// Collision queries allowed to each of the two searches run side by side.
    pub queries: u64,
}

/// Told now and then how far the search is (share of the work, shortest length yet); `false` stops it.
pub type Watch<'a> = dyn Fn(f64, f64) -> bool + Sync + 'a;

/// What came out.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The shortest nest found.
    pub nest: Nest,
    /// Shelf packing of the same shapes, for comparison.
    pub shelf_length_mm: f64,
    /// Was the search stopped before its work was done? Then the seed does not promise the same nest again.
    pub cut_short: bool,
}

/// Packs shapes into a strip.
///
/// # Errors
/// [`RefusalKind::DoesNotFit`] when a shape is wider than the strip in every way it may lie, naming it by its index.
pub fn nest(shapes: &[Shape], strip: &Strip, effort: &Effort, watch: &Watch<'_>) -> Result<Found, Refusal> {
    let shelved = shelf::pack(shapes, strip).ok_or_else(|| {
        Refusal::new(RefusalKind::DoesNotFit, "a piece is wider than the strip", "choose a wider cloth or paper")
    })?;
    let shelf_length_mm = shelved.length_mm;
    if shapes.len() < 2 || effort.queries == 0 {
        return Ok(Found { nest: shelved, shelf_length_mm, cut_short: false });
    }
    let run = |k: u64| {
        Search::new(shapes, strip, effort.seed.wrapping_mul(2).wrapping_add(k), effort.queries)
            .map(|search| search.run(&shelved, watch))
    };
    let (first, second) = rayon::join(|| run(0), || run(1));
    let mut best = Found { nest: shelved.clone(), shelf_length_mm, cut_short: false };
    for (nest, cut_short) in [first, second].into_iter().flatten() {
        best.cut_short |= cut_short;
        if nest.length_mm < best.nest.length_mm {
            best.nest = nest;
        }
    }
    Ok(best)
}

/// Length of strip that spots reach to, mm.
pub(super) fn length_of(shapes: &[Shape], spots: &[Spot]) -> f64 {
    let ends = shapes.iter().zip(spots).filter_map(|(shape, spot)| {
        let bounds = MatRect::around(shape.variants.get(spot.variant)?.ring.iter().copied())?;
        Some(bounds.max.x + spot.shift.x)
    });
    ends.fold(0.0, f64::max)
}
