//! Pieces that belong together: from traced outlines and a person's wishes to a finished pattern, checked.
//!
//! 1. [`pieces`]: the master shape of every piece (edges, roles, upright), then its changes.
//! 2. [`pairs`]: which edges are sewn together; do they fit?
//! 3. Allowances, corners, notches and labels: one [`seams`](crate::seams) request a piece.
//! 4. [`measures`]: finished measurements, held against a tape.
//!
//! [`file`](mod@file) is what a person writes, [`history`] what they changed in it; [`walk`] draws the pieces walked along each other. Frames are those of
//! [`Shape`]: millimetres, y up along the grain, the lower left at the origin.

mod backs;
pub mod file;
pub mod history;
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
use crate::makesheet;
use crate::outline::Outline;
use crate::outline_file::OutlineFile;
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, Warning};
use crate::report;
use crate::seams::InternalLine;
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
    /// Seams inside the piece, in the outline's frame.
    pub inside: Vec<InternalLine>,
    /// Every length is within this, per cent.
    pub scale_doubt_percent: Option<f64>,
    /// What the tracing warned of.
    pub warnings: Vec<Warning>,
}

/// What a traced outline gives the set, with what a person changed on it; inside seams become lines, and marks after those
/// found on the cloth.
pub fn traced(file: &OutlineFile, done: &Corrected) -> Traced {
    let percent = file.scale.as_ref().and_then(|s| s.get("doubt_percent")).and_then(serde_json::Value::as_f64);
    let mut marks: Vec<MatPoint> = file.marks.iter().map(|m| m.at).collect();
    marks.extend(done.seams.iter().flat_map(|seam| corrections::seam_marks(seam)));
    Traced {
        outline: done.outline.clone(),
        marks,
        inside: inside_lines(file, done),
        edges: done.edges.clone(),
        scale_doubt_percent: percent,
        warnings: file.warnings.iter().chain(&done.warnings).cloned().collect(),
    }
}

/// The seams that a person drew, and the one that stickers mark.
fn inside_lines(file: &OutlineFile, done: &Corrected) -> Vec<InternalLine> {
    let drawn = done.seams.iter().enumerate().map(|(i, line)| {
        let name = if done.seams.len() > 1 { format!("inside seam {}", i + 1) } else { "inside seam".to_string() };
        InternalLine { name, line: line.clone() }
    });
    let marked: Vec<MatPoint> = file.marks.iter().map(|m| m.at).collect();
    let marked = (marked.len() > 1).then(|| InternalLine { name: "marked seam".into(), line: marked });
    marked.into_iter().chain(drawn).collect()
}

/// What the report tells of the photo of a piece; its picture is added by whoever has it.
pub fn source(name: &str, traced: &Traced) -> report::Source {
    report::Source {
        name: name.to_string(),
        overlay_jpeg: None,
        doubts: traced.outline.points.iter().map(|p| (p.doubt_mm, p.seen)).collect(),
        scale_doubt_percent: traced.scale_doubt_percent,
        warnings: traced.warnings.iter().map(|w| w.text.clone()).collect(),
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
    /// The shapes of the pieces that truing moved, as they were before, by name.
    pub untrued: BTreeMap<String, Shape>,
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

    /// Finished measurements, for the make sheet.
    pub fn for_make_sheet(&self) -> Vec<makesheet::Measure> {
        let measures = self.measures.iter().map(|measured| {
            let of = measured.variation.as_ref().map(|v| format!(" ({v})")).unwrap_or_default();
            makesheet::Measure { of: None, what: format!("{}{of}", measured.name), length_mm: measured.length_mm }
        });
        measures.collect()
    }

    /// Seams and tape checks, for the report.
    pub fn for_report(&self) -> Vec<report::Check> {
        self.seams.iter().map(seam_check).chain(self.tape.iter().map(tape_check)).collect()
    }
}

fn seam_check(seam: &SeamCheck) -> report::Check {
    let [a, b] = seam.lengths_mm;
    let remedy = seam.remedy.as_ref().map(|r| format!("; {r}")).unwrap_or_default();
    let corners: Vec<String> = seam.corners.iter().map(|c| format!(", {} {:.1}°", c.run, c.angle_deg)).collect();
    let passed = seam.fits && seam.corners.iter().all(|c| c.smooth);
    report::Check { text: format!("{}: {a:.1} mm and {b:.1} mm{}{remedy}", seam.seam, corners.concat()), passed }
}

fn tape_check(tape: &TapeCheck) -> report::Check {
    let text = format!(
        "{}: {:.0} mm by the tape, {:.1} mm on the pattern (both within {:.1} mm)",
        tape.measure, tape.tape_mm, tape.pattern_mm, tape.doubt_mm
    );
    report::Check { text, passed: tape.agrees }
}

/// Makes a set. `traced` holds an outline for every piece with a photo or an outline of its own, by name; `true_up` shares
/// out small differences between edges that are sewn together.
///
/// # Errors
/// The first piece, change, pair, notch or allowance that cannot be made, named, with what to do.
pub fn make(file: &SetFile, traced: &BTreeMap<String, Traced>, true_up: bool) -> Result<Finished, Refusal> {
    make_knowing(file, traced, true_up, &mut Known::default())
}

/// What was made of a set before, kept by whoever makes it again and again: only what changed is made anew.
#[derive(Debug, Default)]
pub struct Known {
    masters: pieces::KnownMasters,
    finished: requests::KnownPieces,
}

/// As [`make`]; `known` holds what was made before.
///
/// # Errors
/// As [`make`].
pub fn make_knowing(
    file: &SetFile,
    traced: &BTreeMap<String, Traced>,
    true_up: bool,
    known: &mut Known,
) -> Result<Finished, Refusal> {
    let mut made = pieces::all_knowing(file, traced, &mut known.masters)?;
    let pairs = pairs::of(file, &made)?;
    let mut untrued = BTreeMap::new();
    let mut moved = Vec::new();
    if true_up || file.trued {
        let before: BTreeMap<String, Shape> = made.iter().map(|(name, p)| (name.clone(), p.shape.clone())).collect();
        moved = trued::shared_out(&pairs, &mut made)?;
        untrued = before;
        untrued.retain(|name, shape| made.get(name).is_some_and(|piece| piece.shape != *shape));
    }
    let seams = pairs::checks(&pairs, &made)?;
    let pieces = requests::finished(file, &made, &pairs, &mut known.finished)?;
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
        untrued,
    })
}
