//! Which round patches are stickers and which the cloth's own print.
//!
//! Stickers lie along a seam: each has about two neighbours. A print fills the plane: each of its patches has more. One
//! person's marks are alike; what is fainter than they and unlike them is left out.

use super::level::{Colour, apart};
use super::patch::Patch;
use crate::camera;

/// Alike: diameters within this factor, colours of one brightness within this share.
const LIKE_DIAMETER: f64 = 1.25;
const LIKE_COLOUR: f32 = 0.15;

/// More marks than this nobody sticks on one garment.
const MOST_MARKS: usize = 120;

/// A print has so many patches, each with more than so many others within one and a half times the usual distance.
const PRINT_COUNT: usize = 12;
const PRINT_NEIGHBOURS: usize = 3;
const NEIGHBOUR: f64 = 1.5;

/// On a printed cloth, so many alike at least are marks: fewer may be its patches run together or cut by a seam.
const ALIKE_ON_PRINT: usize = 3;

/// Patches that stand out less than this share of the best are doubtful: shade halves a contrast; those that stand out less
/// than the other are the cloth's own.
const FAINT: f32 = 0.5;
const CLOTHS_OWN: f32 = 0.25;

/// What was chosen.
#[derive(Debug, Default)]
pub(super) struct Choice {
    pub marks: Vec<Patch>,
    /// Round, but doubtful.
    pub doubtful: usize,
    /// Patches of the cloth's print, and the largest group's usual diameter, px.
    pub printed: usize,
    pub printed_diameter: f64,
}

impl Choice {
    /// Is a patch that is not round of the marks' colour, and as plain as they?
    pub fn could_be_mark(&self, patch: &Patch) -> bool {
        let plain = FAINT * median(&self.marks, |m| f64::from(m.lead)) as f32;
        patch.lead >= plain && (self.marks.is_empty() || self.marks.iter().any(|m| same_colour(m.colour, patch.colour)))
    }
}

/// Chooses among round patches; `odd` are those that are not.
pub(super) fn choose(patches: Vec<Patch>, odd: &[Patch]) -> Choice {
    let mut choice = Choice::default();
    let (printed, rest): (Vec<_>, Vec<_>) = groups(patches).into_iter().partition(|group| is_print(group));
    if let Some(largest) = printed.iter().max_by_key(|group| group.len()) {
        (choice.printed, choice.printed_diameter) =
            (printed.iter().map(Vec::len).sum(), median(largest, |p| p.diameter));
    }
    let best = rest.iter().map(|group| median(group, |p| f64::from(p.lead))).fold(0.0, f64::max) as f32;
    // Many patches of the colour that are not round are a print too.
    let on_print = !printed.is_empty() || odd.iter().filter(|o| o.lead >= FAINT * best).count() >= PRINT_COUNT;
    for group in rest {
        let lead = median(&group, |p| f64::from(p.lead)) as f32;
        if lead >= FAINT * best && (!on_print || group.len() >= ALIKE_ON_PRINT) {
            choice.marks.extend(group);
        } else if lead >= CLOTHS_OWN * best {
            choice.doubtful += group.len();
        }
    }
    choice
}

/// Groups of patches alike, those that stand out most first.
fn groups(mut patches: Vec<Patch>) -> Vec<Vec<Patch>> {
    patches.sort_by(|a, b| b.lead.total_cmp(&a.lead));
    let mut groups: Vec<Vec<Patch>> = Vec::new();
    for patch in patches {
        match groups.iter_mut().find(|group| alike(&group[0], &patch)) {
            Some(group) => group.push(patch),
            None => groups.push(vec![patch]),
        }
    }
    groups
}

/// Of one size and colour, be one in the shade.
fn alike(a: &Patch, b: &Patch) -> bool {
    (a.diameter / b.diameter).ln().abs() < LIKE_DIAMETER.ln() && same_colour(a.colour, b.colour)
}

/// Of one colour, be one in the shade.
fn same_colour(a: Colour, b: Colour) -> bool {
    let bright = |c: Colour| apart(c, [0.0; 3]).max(1.0);
    apart(a.map(|v| v / bright(a)), b.map(|v| v / bright(b))) < LIKE_COLOUR
}

/// Does a group fill the plane as a print does?
fn is_print(group: &[Patch]) -> bool {
    if group.len() < PRINT_COUNT || group.len() > MOST_MARKS {
        return group.len() > MOST_MARKS;
    }
    let off = |a: &Patch, b: &Patch| (a.middle.0 - b.middle.0).hypot(a.middle.1 - b.middle.1);
    let others = |k: usize| (0..group.len()).filter(move |n| *n != k);
    let mut nearest: Vec<f64> =
        (0..group.len()).map(|k| others(k).map(|n| off(&group[k], &group[n])).fold(f64::MAX, f64::min)).collect();
    nearest.sort_by(f64::total_cmp);
    let reach = NEIGHBOUR * nearest[nearest.len() / 2];
    let mut counts: Vec<usize> =
        (0..group.len()).map(|k| others(k).filter(|n| off(&group[k], &group[*n]) < reach).count()).collect();
    counts.sort_unstable();
    counts[counts.len() / 2] > PRINT_NEIGHBOURS
}

fn median(group: &[Patch], of: impl Fn(&Patch) -> f64) -> f64 {
    camera::median(&mut group.iter().map(of).collect::<Vec<f64>>())
}
