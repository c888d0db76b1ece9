//! `pattern.json`: finished pieces, for other programs and for next year.
//!
//! Schema: `src/schema/pattern.schema.json`. Millimetres, x right, y up, rings anticlockwise and not closed by a
//! repeated point.

use kurbo::BezPath;
use serde::{Deserialize, Serialize};

use crate::edges::FURTHEST_MM;
use crate::json_fault;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::{MOST_COPIES, Piece};
use crate::units::MatPoint;

/// The file's own name for its format.
pub const FORMAT: &str = "clothline-pattern";
/// Version written, and the newest that is read.
pub const VERSION: u32 = 1;

/// Pieces that belong on one sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pattern {
    /// What it is called; without a name its pieces' names serve.
    pub name: Option<String>,
    /// The pieces, in order.
    pub pieces: Vec<Piece>,
    /// What a person should check, beyond the pieces' own warnings.
    pub warnings: Vec<Warning>,
}

#[derive(Serialize, Deserialize)]
struct File<P> {
    format: String,
    version: u32,
    units: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    pieces: P,
    #[serde(default)]
    warnings: Vec<Warning>,
}

/// Writes a pattern as JSON.
///
/// Coordinates keep every digit, so that a piece read back is the piece written.
///
/// # Errors
/// [`RefusalKind::File`] if a coordinate is not a number, which JSON cannot hold.
pub fn write(pattern: &Pattern) -> Result<String, Refusal> {
    let file = File {
        format: FORMAT.into(),
        version: VERSION,
        units: "mm".into(),
        name: pattern.name.clone(),
        pieces: &pattern.pieces,
        warnings: pattern.warnings.clone(),
    };
    let mut text = serde_json::to_string_pretty(&file).map_err(|e| {
        Refusal::new(RefusalKind::File, format!("the pattern could not be written: {e}"), "report this as a fault")
    })?;
    text.push('\n');
    Ok(text)
}

/// Reads a pattern.
///
/// # Errors
/// [`RefusalKind::File`] for text that is not such a file, naming the place, for a newer version, or for a piece that
/// nothing could be drawn of.
pub fn read(json: &str) -> Result<Pattern, Refusal> {
    let mut reader = serde_json::Deserializer::from_str(json);
    let file: File<Vec<Piece>> = serde_path_to_error::deserialize(&mut reader)
        .map_err(|e| refuse(format!("the pattern file is wrong{}", json_fault::words(&e))))?;
    if file.format != FORMAT {
        return Err(refuse(format!("the file's format is \"{}\", not \"{FORMAT}\"", file.format)));
    }
    if file.version > VERSION {
        return Err(Refusal::new(
            RefusalKind::File,
            format!("the pattern file is of version {}, this program reads up to {VERSION}", file.version),
            "update the program",
        ));
    }
    if file.units != "mm" {
        return Err(refuse(format!("the pattern file's units are \"{}\", not \"mm\"", file.units)));
    }
    for piece in &file.pieces {
        sound(piece).map_err(|fault| refuse(format!("the pattern file is wrong: \"{}\" {fault}", piece.name)))?;
    }
    Ok(Pattern { name: file.name, pieces: file.pieces, warnings: file.warnings })
}

fn refuse(seen: String) -> Refusal {
    Refusal::new(RefusalKind::File, seen, "give a pattern.json written by clothline")
}

/// Can a piece that someone else may have written be drawn and cut?
fn sound(piece: &Piece) -> Result<(), String> {
    let near = |p: &MatPoint| p.x.abs() <= FURTHEST_MM && p.y.abs() <= FURTHEST_MM;
    for (name, ring) in [("stitching", &piece.stitching_line), ("cut", &piece.cut_line)] {
        if ring.len() < 3 {
            return Err(format!("has a {name} line of {} points", ring.len()));
        }
        if !ring.iter().all(near) {
            return Err(format!("has a {name} line that goes further than 20 m"));
        }
    }
    if piece.edges.is_empty() {
        return Err("has no edges".into());
    }
    for edge in &piece.edges {
        let drawn = BezPath::from_svg(&edge.path).is_ok_and(|p| p.segments().next().is_some() && p.is_finite());
        if !drawn {
            return Err(format!("has an edge {} whose path cannot be drawn", edge.number));
        }
    }
    if !(1..=MOST_COPIES).contains(&piece.cutting.count) {
        return Err(format!("is to be cut {} times", piece.cutting.count));
    }
    Ok(())
}
