//! Pieces that belong together: from traced outlines and a person's wishes to a finished pattern, checked.
//!
//! 1. [`pieces`]: the master shape of every piece (edges, roles, upright), then its changes.
//! 2. [`pairs`]: which edges are sewn together; do they fit?
//! 3. Allowances, corners, notches and labels: one [`seams`](crate::seams) request a piece.
//! 4. [`measures`]: finished measurements, held against a tape.
//!
//! [`file`](mod@file) is what a person writes; [`walk`] draws the pieces walked along each other. Frames are those of
//! [`Shape`]: millimetres, y up along the grain, the lower left at the origin.

mod backs;
pub mod file;
pub mod measures;
mod notches;
pub mod pairs;
pub mod pieces;
mod requests;
mod trued;
pub mod walk;
mod whole;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::corrections::{self, Corrected};
use crate::draft::shape::Shape;
use crate::edges::EdgeOptions;
use crate::outline::Outline;
use crate::outline_file::OutlineFile;
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, Warning};
use crate::units::MatPoint;
use file::SetFile;
use measures::{Measured, TapeCheck};
use pairs::SeamCheck;

/// What a photo or a drawing gave for a piece.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Traced {
    /// The outline, mm, as a person corrected it.
    pub outline: Outline,
    /// How its edges are to be found, where a person settled corners, the fold or lengths.
    pub edges: EdgeOptions,
    /// Marks on the cloth, in order, in the outline's frame.
    pub marks: Vec<MatPoint>,
    /// Every length is within this, per cent.
    pub scale_doubt_percent: Option<f64>,
    /// What the tracing warned of.
    pub warnings: Vec<Warning>,
}

/// What a traced outline gives the set, with what a person changed on it; inside seams become marks after those found on
/// the cloth.
pub fn traced(file: &OutlineFile, done: &Corrected) -> Traced {
    let percent = file.scale.as_ref().and_then(|s| s.get("doubt_percent")).and_then(serde_json::Value::as_f64);
    let mut marks: Vec<MatPoint> = file.marks.iter().map(|m| m.at).collect();
    marks.extend(done.seams.iter().flat_map(|seam| corrections::seam_marks(seam)));
    Traced {
        outline: done.outline.clone(),
        marks,
        edges: done.edges.clone(),
        scale_doubt_percent: percent,
        warnings: file.warnings.iter().chain(&done.warnings).cloned().collect(),
    }
}

/// A finished set.
#[derive(Debug, Clone)]
pub struct Finished {
    /// The pieces to print, in order.
    pub pattern: Pattern,
    /// The stitching shapes they were made from, halves as halves, by name.
    pub shapes: BTreeMap<String, Shape>,
    /// Edges that are sewn together, and how they fit.
    pub seams: Vec<SeamCheck>,
    /// Finished measurements.
    pub measures: Vec<Measured>,
    /// Tape checks.
    pub tape: Vec<TapeCheck>,
    /// What truing moved, in words.
    pub moved: Vec<String>,
}

/// What `truing.json` and `measures.json` hold.
#[derive(Debug, Clone, Serialize)]
pub struct Checks<'a> {
    /// Edges that are sewn together.
    pub seams: &'a [SeamCheck],
    /// Finished measurements.
    pub measures: &'a [Measured],
    /// Tape checks.
    pub tape: &'a [TapeCheck],
    /// What truing moved.
    pub moved: &'a [String],
}

impl Finished {
    /// All checks, for a file.
    pub fn checks(&self) -> Checks<'_> {
        Checks { seams: &self.seams, measures: &self.measures, tape: &self.tape, moved: &self.moved }
    }
}

/// Makes a set. `traced` holds an outline for every piece with a photo or an outline of its own, by name; `true_up` shares
/// out small differences between edges that are sewn together.
///
/// # Errors
/// The first piece, change, pair, notch or allowance that cannot be made, named, with what to do.
pub fn make(file: &SetFile, traced: &BTreeMap<String, Traced>, true_up: bool) -> Result<Finished, Refusal> {
    make_knowing(file, traced, true_up, &mut pieces::KnownMasters::default())
}

/// As [`make`]; `known` holds the shapes read from outlines before, kept by whoever makes a set again and again.
///
/// # Errors
/// As [`make`].
pub fn make_knowing(
    file: &SetFile,
    traced: &BTreeMap<String, Traced>,
    true_up: bool,
    known: &mut pieces::KnownMasters,
) -> Result<Finished, Refusal> {
    let made = pieces::all_knowing(file, traced, known)?;
    let pairs = pairs::of(file, &made)?;
    let mut made = made;
    let moved = if true_up { trued::shared_out(&pairs, &mut made)? } else { Vec::new() };
    let seams = pairs::checks(&pairs, &made)?;
    let pieces = requests::finished(file, &made, &pairs)?;
    let (measures, tape) = measures::all(file, &made, traced)?;
    let mut warnings: Vec<Warning> = seams.iter().flat_map(SeamCheck::warnings).collect();
    warnings.extend(pairs::rise_warning(&made));
    warnings.extend(notches::shoulder_warnings(file, &pairs, &made));
    warnings.extend(tape.iter().filter_map(TapeCheck::warning));
    Ok(Finished {
        pattern: Pattern { name: Some(file.name.clone()), pieces, warnings },
        shapes: made.into_iter().map(|(name, piece)| (name, piece.shape)).collect(),
        seams,
        measures,
        tape,
        moved,
    })
}
