//! More than one lattice in the photo: checked cloth on the mat, a second mat, a second ruling.

use nalgebra::Vector2;

use super::lattice::{FoundSide, Lattice};
use crate::refusal::{Refusal, RefusalKind, Warning};

/// A lattice this much inside another's range lies on it.
const INSIDE_SHARE: f64 = 0.8;
/// A second grid of this share of the first's area leaves no telling which one was meant.
const SERIOUS_AREA: f64 = 0.4;
/// Spacings closer than this are the same.
const SAME_PITCH: f64 = 0.03;

/// The place of a side in another lattice's index coordinates.
fn index_in(lattice: &Lattice, side: &FoundSide) -> Option<Vector2<f64>> {
    lattice.model.index_from_image(side.at)
}

/// Does `inner` lie within the range of what was seen of `outer`, as a garment on its mat does?
pub fn lies_within(inner: &Lattice, outer: &Lattice) -> bool {
    let range = outer.core();
    let within = |s: &&FoundSide| {
        index_in(outer, s)
            .is_some_and(|index| (0..2).all(|f| index[f] > f64::from(range[f][0]) && index[f] < f64::from(range[f][1])))
    };
    inner.sides.iter().filter(within).count() as f64 > INSIDE_SHARE * inner.sides.len() as f64
}

/// Are `other`'s lines lines of the lattice, or of its divisions?
fn continues(lattice: &Lattice, other: &Lattice) -> bool {
    let agrees = |s: &&FoundSide| {
        index_in(lattice, s).is_some_and(|index| (0..2).any(|f| (index[f] - index[f].round()).abs() < 0.06))
    };
    // Sides agree by chance in a quarter of the cases.
    other.sides.iter().filter(agrees).count() as f64 > 0.8 * other.sides.len() as f64
}

/// Spacing of `other` in cells of the lattice, in its own middle.
fn relative_pitch(lattice: &Lattice, other: &Lattice) -> Option<f64> {
    let middle = other.bounds().map(|[low, high]| 0.5 * f64::from(low + high));
    let at = other.model.image_from_index(middle[0], middle[1]);
    let index = lattice.model.index_from_image(at)?;
    let steps = lattice.model.steps(index.x, index.y).try_inverse()? * other.model.steps(middle[0], middle[1]);
    Some(steps.determinant().abs().sqrt())
}

/// What to say of the other good lattices, once one is chosen.
///
/// # Errors
/// A second grid of another spacing that is nearly as large: which one was meant cannot be told.
pub fn speak_of(lattice: &Lattice, others: &[Lattice]) -> Result<Vec<Warning>, Refusal> {
    let mut warnings = Vec::new();
    for other in others {
        if lies_within(other, lattice) || continues(lattice, other) {
            continue;
        }
        let Some(ratio) = relative_pitch(lattice, other) else { continue };
        if (ratio - 1.0).abs() < SAME_PITCH {
            warnings.push(Warning::new(
                "second-grid",
                "a second grid of the same spacing is in view and was not used: take care that the garment lies on the larger one",
            ));
        } else if other.area_px() > SERIOUS_AREA * lattice.area_px() {
            return Err(two_grids(lattice, other, ratio));
        } else {
            warnings.push(Warning::new(
                "second-grid",
                format!(
                    "a smaller grid with lines {ratio:.2} times as far apart is also in view and was not used: \
                     the spacing typed must be that of the larger one"
                ),
            ));
        }
    }
    warnings.dedup();
    Ok(warnings)
}

fn two_grids(lattice: &Lattice, other: &Lattice, ratio: f64) -> Refusal {
    let [first, second] = [lattice, other].map(|l| l.line_counts().iter().sum::<usize>());
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "found two grids, {first} lines of one and {second} of another whose lines are {ratio:.2} times as far apart: \
             nothing tells which one has the spacing typed"
        ),
        "cover or leave out one of them and retake",
    )
}
