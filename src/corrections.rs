//! What a person changed on an outline, kept apart from what was traced: steps that can be taken back and made again.
//!
//! Schema: `src/schema/corrections.schema.json`. Every step names places in millimetres (mat frame), not numbers of
//! points, so that it holds when the photo is traced again. [`corrected`] is a pure function: the same outline and the
//! same steps give the same result to the last digit, so taking a step back restores what was there before it.

mod apply;

use serde::{Deserialize, Serialize};

use crate::edges::EdgeOptions;
use crate::garment::Hint;
use crate::json_fault;
use crate::outline::Outline;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{Length, MatPoint};

/// The file's own name for its format.
pub const FORMAT: &str = "clothline-corrections";
/// Version written, and the newest that is read.
pub const VERSION: u32 = 1;
/// Doubt of a place put by hand, mm: a pixel or two of the flat photo. Common practice, no source.
pub const HAND_DOUBT_MM: f64 = 0.5;
/// More steps than this are no hand's work.
const MOST_STEPS: usize = 100_000;
/// More points in one step than this are no hand's work.
const MOST_POINTS: usize = 50_000;

/// The steps of one piece.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Corrections {
    /// Steps that hold, in the order they were made.
    pub done: Vec<Step>,
    /// Steps taken back, the next to be made again last.
    pub undone: Vec<Step>,
}

/// One change. Outlines run anticlockwise; a stretch goes that way from one place to another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Step {
    /// A point is moved; the outline follows, less and less up to two places on either side.
    Move {
        /// Where the point was.
        at: MatPoint,
        /// Where it is put.
        to: MatPoint,
        /// The place before it that stays.
        from: MatPoint,
        /// The place after it that stays.
        until: MatPoint,
        /// Is it a corner? Straight edges at a corner stay straight; elsewhere the outline stays smooth.
        corner: bool,
    },
    /// A point to move is put on the outline.
    AddPoint {
        /// Where.
        at: MatPoint,
    },
    /// A point is taken away: the outline runs smoothly past it.
    RemovePoint {
        /// Where it was.
        at: MatPoint,
        /// Where the smooth stretch begins.
        from: MatPoint,
        /// Where it ends.
        until: MatPoint,
    },
    /// A stretch is replaced by a path that begins and ends on the outline.
    Redraw {
        /// The path, anticlockwise.
        path: Vec<MatPoint>,
        /// How it came about.
        by: RedrawnBy,
    },
    /// Two edges meet here (an edge is split), or do not (two are joined).
    Corner {
        /// Where.
        at: MatPoint,
        /// Is there a corner?
        corner: bool,
    },
    /// The fold is settled.
    Fold {
        /// A place on the edge that is the fold; none: the piece is not on a fold.
        at: Option<MatPoint>,
    },
    /// An edge is given an exact length.
    Length {
        /// A place on the edge.
        at: MatPoint,
        /// The edge's start.
        from: MatPoint,
        /// The edge's end.
        until: MatPoint,
        /// Does its end stay, or its start?
        keeps_end: bool,
        /// The place on the neighbour at the end that moves from which the outline stays.
        fades: MatPoint,
        /// The length along it.
        length: Length,
    },
    /// A seam inside the piece is drawn.
    Seam {
        /// Its path.
        path: Vec<MatPoint>,
    },
    /// A seam inside the piece is taken away.
    RemoveSeam {
        /// A place on it.
        at: MatPoint,
    },
    /// What a stroke covers is cloth, or mat: the photo is traced again with that known.
    Paint(Hint),
}

/// How a redrawn stretch came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RedrawnBy {
    /// By hand.
    Hand,
    /// Along the cloth's edge as the photo shows it.
    Edge,
    /// Along a seam as the photo shows it.
    Seam,
    /// Made straight.
    Straight,
}

impl Step {
    /// What was done, in words ("moved a corner").
    pub fn words(&self) -> String {
        match self {
            Step::Move { corner: true, .. } => "moved a corner".into(),
            Step::Move { corner: false, .. } => "moved a point".into(),
            Step::AddPoint { .. } => "added a point".into(),
            Step::RemovePoint { .. } => "removed a point".into(),
            Step::Redraw { by: RedrawnBy::Hand, .. } => "redrew a stretch by hand".into(),
            Step::Redraw { by: RedrawnBy::Edge, .. } => "redrew a stretch along the cloth's edge".into(),
            Step::Redraw { by: RedrawnBy::Seam, .. } => "redrew a stretch along a seam".into(),
            Step::Redraw { by: RedrawnBy::Straight, .. } => "made a stretch straight".into(),
            Step::Corner { corner: true, .. } => "split an edge".into(),
            Step::Corner { corner: false, .. } => "joined two edges".into(),
            Step::Fold { at: Some(_) } => "marked the fold".into(),
            Step::Fold { at: None } => "said there is no fold".into(),
            Step::Length { length, .. } => format!("made an edge {length} long"),
            Step::Seam { .. } => "drew an inside seam".into(),
            Step::RemoveSeam { .. } => "removed an inside seam".into(),
            Step::Paint(hint) if hint.cloth => "painted cloth".into(),
            Step::Paint(_) => "painted mat".into(),
        }
    }

    /// Can it be worked with at all?
    fn check(&self) -> Result<(), Refusal> {
        let single = |p: &MatPoint| vec![*p];
        let places = match self {
            Step::Move { at, to, from, until, .. } => vec![*at, *to, *from, *until],
            Step::RemovePoint { at, from, until } => vec![*at, *from, *until],
            Step::Length { at, from, until, fades, .. } => vec![*at, *from, *until, *fades],
            Step::AddPoint { at } | Step::Corner { at, .. } | Step::RemoveSeam { at } => single(at),
            Step::Fold { at } => at.iter().copied().collect(),
            Step::Redraw { path, .. } | Step::Seam { path } => path.clone(),
            Step::Paint(hint) => hint.stroke.clone(),
        };
        let line = matches!(self, Step::Redraw { .. } | Step::Seam { .. });
        let few = line && places.len() < 2 || matches!(self, Step::Paint(_)) && places.is_empty();
        let sound = places.len() <= MOST_POINTS && places.iter().all(|p| p.is_finite() && p.x.hypot(p.y) < 1e5);
        let wide = matches!(self, Step::Paint(hint) if !(0.1..=500.0).contains(&hint.width_mm));
        if few || !sound || wide {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("a change ({}) names no usable places", self.words()),
                "draw it again",
            ));
        }
        Ok(())
    }
}

impl Corrections {
    /// Adds a step; what was taken back before is forgotten.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] for a step without usable places, or too many steps.
    pub fn add(&mut self, step: Step) -> Result<(), Refusal> {
        step.check()?;
        if self.done.len() >= MOST_STEPS {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("there are {MOST_STEPS} changes already"),
                "trace the photo again and start from there",
            ));
        }
        self.done.push(step);
        self.undone.clear();
        Ok(())
    }

    /// Takes the last step back; false if there is none.
    pub fn undo(&mut self) -> bool {
        let step = self.done.pop();
        let any = step.is_some();
        self.undone.extend(step);
        any
    }

    /// Makes the step taken back last again; false if there is none.
    pub fn redo(&mut self) -> bool {
        let step = self.undone.pop();
        let any = step.is_some();
        self.done.extend(step);
        any
    }

    /// What was painted: known to the next tracing.
    pub fn hints(&self) -> Vec<Hint> {
        let painted = self.done.iter().filter_map(|step| match step {
            Step::Paint(hint) => Some(hint.clone()),
            _ => None,
        });
        painted.collect()
    }
}

/// An outline with the steps made on it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Corrected {
    /// The outline.
    pub outline: Outline,
    /// How its edges are to be found: corners, fold and lengths as settled by hand. The fold is in it twice, as a choice
    /// ([`EdgeOptions::fold`]) and as a place.
    pub edges: EdgeOptions,
    /// Points put on the outline by hand.
    pub points: Vec<MatPoint>,
    /// Seams inside the piece.
    pub seams: Vec<Vec<MatPoint>>,
    /// Steps that do not fit this outline and were left out.
    pub warnings: Vec<Warning>,
}

/// Makes the steps on a traced outline, in their order.
///
/// A step whose places do not lie near the outline (it was made on another photo) is left out with a warning.
///
/// # Errors
/// [`RefusalKind::BadOutline`] if the outline crosses itself afterwards.
pub fn corrected(outline: &Outline, corrections: &Corrections) -> Result<Corrected, Refusal> {
    let mut work = apply::Work::new(outline);
    for (index, step) in corrections.done.iter().enumerate() {
        work.step(index + 1, step);
    }
    let mut done = work.finish();
    done.outline = done.outline.settled();
    done.outline.check()?;
    Ok(done)
}

/// An inside seam gives the shape no more marks than this: enough for any seam, few enough to be named.
const SEAM_MARKS: usize = 9;

/// An inside seam as marks at equal steps along it.
pub fn seam_marks(seam: &[MatPoint]) -> Vec<MatPoint> {
    let mut along = vec![0.0];
    for pair in seam.windows(2) {
        along.push(along[along.len() - 1] + pair[0].distance(pair[1]));
    }
    let total = along.last().copied().unwrap_or(0.0);
    let count = seam.len().clamp(2, SEAM_MARKS);
    (0..count)
        .filter_map(|k| {
            let wanted = total * k as f64 / (count - 1) as f64;
            let i = along.iter().rposition(|a| *a <= wanted)?.min(seam.len().saturating_sub(2));
            let step = (along.get(i + 1)? - along[i]).max(1e-9);
            Some(seam[i].lerp(*seam.get(i + 1)?, ((wanted - along[i]) / step).clamp(0.0, 1.0)))
        })
        .collect()
}

/// A path drawn by hand as a [`Step::Redraw`] wants it: its ends on the outline, running anticlockwise, in the place of the
/// stretch that it is nearer to.
pub fn along(outline: &Outline, path: &[MatPoint]) -> Vec<MatPoint> {
    apply::Work::new(outline).along(path)
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    format: String,
    version: u32,
    units: String,
    #[serde(default)]
    done: Vec<Step>,
    #[serde(default)]
    undone: Vec<Step>,
}

/// Writes corrections as JSON.
///
/// # Errors
/// [`RefusalKind::File`] if a value is not a number, which JSON cannot hold.
pub fn write(corrections: &Corrections) -> Result<String, Refusal> {
    let file = File {
        format: FORMAT.into(),
        version: VERSION,
        units: "mm".into(),
        done: corrections.done.clone(),
        undone: corrections.undone.clone(),
    };
    let text = serde_json::to_string_pretty(&file).map_err(|e| {
        Refusal::new(RefusalKind::File, format!("the changes could not be written: {e}"), "report this as a fault")
    })?;
    Ok(text + "\n")
}

/// Reads corrections.
///
/// # Errors
/// [`RefusalKind::File`] for text that is not such a file, naming the place, or for a newer version.
pub fn read(json: &str) -> Result<Corrections, Refusal> {
    let refuse =
        |seen: String| Refusal::new(RefusalKind::File, seen, "the form is told in src/schema/corrections.schema.json");
    let mut reader = serde_json::Deserializer::from_str(json);
    let file: File = serde_path_to_error::deserialize(&mut reader)
        .map_err(|e| refuse(format!("the file of changes is wrong{}", json_fault::words(&e))))?;
    if file.format != FORMAT {
        return Err(refuse(format!("the file's format is \"{}\", not \"{FORMAT}\"", file.format)));
    }
    if file.version > VERSION {
        return Err(Refusal::new(
            RefusalKind::File,
            format!("the file of changes is of version {}, this program reads up to {VERSION}", file.version),
            "update the program",
        ));
    }
    file.done.iter().chain(&file.undone).try_for_each(Step::check)?;
    Ok(Corrections { done: file.done, undone: file.undone })
}

#[cfg(test)]
mod tests;
