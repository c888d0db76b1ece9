//! `outline.json`: an outline in millimetres, traced or drawn by hand.
//!
//! Schema: `src/schema/outline.schema.json`. In its least form:
//!
//! ```json
//! { "units": "mm", "outline": [[0, 0], [200, 0], [200, 300], [0, 300]] }
//! ```
//!
//! x to the right, y up. On reading, any winding and a repeated closing point are accepted, and `cm` and `in` are
//! converted. Points without a doubt get [`DRAWN_DOUBT_MM`].

use kurbo::BezPath;
use serde::{Deserialize, Serialize};

use crate::edges::{EdgeKind, Tracing};
use crate::json_fault;
use crate::marks::Mark;
use crate::outline::{Outline, OutlinePoint};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{MM_PER_INCH, MatPoint};

/// The file's own name for its format.
pub const FORMAT: &str = "clothline-outline";
/// Version written, and the newest that is read.
pub const VERSION: u32 = 1;
/// Doubt of a point for which none is given, mm: a careful hand with a sharp pencil.
pub const DRAWN_DOUBT_MM: f64 = 0.2;

/// What a file held.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OutlineFile {
    /// The outline, [settled](Outline::settled).
    pub outline: Outline,
    /// How its scale was found, if it says; as given.
    pub scale: Option<serde_json::Value>,
    /// Marks on the cloth, in order.
    pub marks: Vec<Mark>,
    /// Warnings it carried.
    pub warnings: Vec<Warning>,
    /// What it was traced from, as its maker tells one tracing from another.
    pub made_from: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct File {
    #[serde(default = "own_format")]
    format: String,
    #[serde(default = "own_version")]
    version: u32,
    units: String,
    outline: Vec<[f64; 2]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    doubt_mm: Option<Vec<f64>>,
    /// Points that were bridged, not seen; counted from 0.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    unseen: Vec<usize>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    edges: Vec<FileEdge>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fold: Option<FileFold>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    scale: Option<serde_json::Value>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    marks: Vec<Mark>,
    #[serde(default)]
    warnings: Vec<Warning>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    made_from: Option<String>,
}

#[derive(Serialize, Deserialize)]
struct FileEdge {
    number: usize,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    from: [f64; 2],
    to: [f64; 2],
    path: String,
    kind: EdgeKind,
    length_mm: f64,
    deviation_mm: f64,
    doubt_mm: f64,
}

#[derive(Serialize, Deserialize)]
struct FileFold {
    edge: usize,
    guessed: bool,
    confidence: f64,
    moved_mm: f64,
}

fn own_format() -> String {
    FORMAT.into()
}

fn own_version() -> u32 {
    VERSION
}

/// Writes an outline with its edges. `names` are (edge number, name); `scale` tells how the scale was found and is kept
/// as given.
///
/// # Errors
/// [`RefusalKind::File`] if a value is not a number, which JSON cannot hold.
pub fn write(
    outline: &Outline,
    tracing: Option<&Tracing>,
    names: &[(usize, String)],
    scale: Option<serde_json::Value>,
    warnings: &[Warning],
) -> Result<String, Refusal> {
    write_marked(outline, tracing, names, scale, warnings, &[])
}

/// As [`write`], with the marks found on the cloth.
///
/// # Errors
/// As [`write`].
pub fn write_marked(
    outline: &Outline,
    tracing: Option<&Tracing>,
    names: &[(usize, String)],
    scale: Option<serde_json::Value>,
    warnings: &[Warning],
    marks: &[Mark],
) -> Result<String, Refusal> {
    let mut file = bare_file(outline, scale, warnings, marks);
    file.edges = tracing.map_or(Vec::new(), |t| edges_of(t, names));
    file.fold = tracing.and_then(|t| t.fold.as_ref()).map(|f| FileFold {
        edge: f.edge,
        guessed: f.guessed,
        confidence: short(f.confidence),
        moved_mm: short(f.moved_mm),
    });
    text_of(&file)
}

/// A tracing without edges, as a set keeps it; `made_from` tells it from others.
///
/// # Errors
/// As [`write`].
pub fn write_made(
    outline: &Outline,
    scale: Option<serde_json::Value>,
    warnings: &[Warning],
    marks: &[Mark],
    made_from: &str,
) -> Result<String, Refusal> {
    let mut file = bare_file(outline, scale, warnings, marks);
    file.made_from = Some(made_from.to_string());
    text_of(&file)
}

fn bare_file(outline: &Outline, scale: Option<serde_json::Value>, warnings: &[Warning], marks: &[Mark]) -> File {
    let outline = outline.settled();
    File {
        format: FORMAT.into(),
        version: VERSION,
        units: "mm".into(),
        outline: outline.points.iter().map(|p| p.at.into()).collect(),
        doubt_mm: Some(outline.points.iter().map(|p| p.doubt_mm).collect()),
        unseen: outline.points.iter().enumerate().filter(|(_, p)| !p.seen).map(|(i, _)| i).collect(),
        edges: Vec::new(),
        fold: None,
        scale,
        marks: marks.iter().map(settled_mark).collect(),
        warnings: warnings.to_vec(),
        made_from: None,
    }
}

fn text_of(file: &File) -> Result<String, Refusal> {
    let mut text = serde_json::to_string(file).map_err(|e| {
        Refusal::new(RefusalKind::File, format!("the outline could not be written: {e}"), "report this as a fault")
    })?;
    text.push('\n');
    Ok(text)
}

fn settled_mark(mark: &Mark) -> Mark {
    let at = MatPoint::new(short(mark.at.x), short(mark.at.y));
    Mark { at, doubt_mm: short(mark.doubt_mm), diameter_mm: short(mark.diameter_mm), ..*mark }
}

/// To a tenth of a micrometre.
fn short(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn edges_of(tracing: &Tracing, names: &[(usize, String)]) -> Vec<FileEdge> {
    let corner = |p: MatPoint| [short(p.x), short(p.y)];
    tracing
        .edges
        .iter()
        .map(|edge| FileEdge {
            number: edge.number,
            name: names.iter().rev().find(|(n, _)| *n == edge.number).map(|(_, name)| name.clone()),
            from: corner(edge.from()),
            to: corner(edge.to()),
            path: rounded(&edge.path).to_svg(),
            kind: edge.kind,
            length_mm: short(edge.length_mm()),
            deviation_mm: short(edge.deviation_mm),
            doubt_mm: short(edge.doubt_mm),
        })
        .collect()
}

fn rounded(path: &BezPath) -> BezPath {
    let at = |p: kurbo::Point| kurbo::Point::new(short(p.x), short(p.y));
    path.elements()
        .iter()
        .map(|element| match *element {
            kurbo::PathEl::MoveTo(p) => kurbo::PathEl::MoveTo(at(p)),
            kurbo::PathEl::LineTo(p) => kurbo::PathEl::LineTo(at(p)),
            kurbo::PathEl::QuadTo(p, q) => kurbo::PathEl::QuadTo(at(p), at(q)),
            kurbo::PathEl::CurveTo(p, q, r) => kurbo::PathEl::CurveTo(at(p), at(q), at(r)),
            kurbo::PathEl::ClosePath => kurbo::PathEl::ClosePath,
        })
        .collect()
}

/// Reads an outline.
///
/// # Errors
/// [`RefusalKind::File`] for text that is not such a file, with the place in it; [`RefusalKind::BadOutline`] for an
/// outline that cannot be a piece (see [`Outline::check`]).
pub fn read(json: &str) -> Result<OutlineFile, Refusal> {
    let mut reader = serde_json::Deserializer::from_str(json);
    let file: File = serde_path_to_error::deserialize(&mut reader)
        .map_err(|e| refuse(format!("the outline file is wrong{}", json_fault::words(&e))))?;
    reader.end().map_err(|e| refuse(format!("the outline file goes on after its end{}", json_fault::of(&e))))?;
    if file.format != FORMAT {
        return Err(refuse(format!("the file's format is \"{}\", not \"{FORMAT}\"", file.format)));
    }
    if file.version > VERSION {
        return Err(Refusal::new(
            RefusalKind::File,
            format!("the outline file is of version {}, this program reads up to {VERSION}", file.version),
            "update the program",
        ));
    }
    let factor = mm_per_unit(&file.units)?;
    if let Some(doubts) = file.doubt_mm.as_ref().filter(|d| d.len() != file.outline.len()) {
        let (points, doubts) = (file.outline.len(), doubts.len());
        return Err(refuse(format!("the outline has {points} points but doubt_mm has {doubts} values")));
    }
    if let Some((i, doubt)) = file.doubt_mm.iter().flatten().enumerate().find(|(_, d)| !(d.is_finite() && **d >= 0.0)) {
        return Err(refuse(format!("doubt_mm of point {} is {doubt}, which no doubt can be", i + 1)));
    }
    if let Some(index) = file.unseen.iter().find(|i| **i >= file.outline.len()) {
        return Err(refuse(format!("unseen names point {index}, but there are {} points", file.outline.len())));
    }
    let doubt = |i: usize| file.doubt_mm.as_ref().and_then(|d| d.get(i)).copied().unwrap_or(DRAWN_DOUBT_MM);
    let mut points: Vec<OutlinePoint> = file
        .outline
        .iter()
        .enumerate()
        .map(|(i, [x, y])| OutlinePoint { at: MatPoint::new(x * factor, y * factor), doubt_mm: doubt(i), seen: true })
        .collect();
    for index in &file.unseen {
        if let Some(point) = points.get_mut(*index) {
            point.seen = false;
        }
    }
    let outline = Outline { points };
    // Settling first, so that a repeated closing point does not count as a crossing or as a third point.
    let settled = outline.settled();
    settled.check()?;
    let in_mm = |mark: &Mark| Mark { at: MatPoint::new(mark.at.x * factor, mark.at.y * factor), ..*mark };
    let marks = file.marks.iter().map(in_mm).collect();
    Ok(OutlineFile { outline: settled, scale: file.scale, marks, warnings: file.warnings, made_from: file.made_from })
}

fn refuse(seen: String) -> Refusal {
    let advice =
        "give at least { \"units\": \"mm\", \"outline\": [[x, y], ...] }, as src/schema/outline.schema.json tells";
    Refusal::new(RefusalKind::File, seen, advice)
}

fn mm_per_unit(units: &str) -> Result<f64, Refusal> {
    match units.trim() {
        "mm" => Ok(1.0),
        "cm" => Ok(10.0),
        "in" => Ok(MM_PER_INCH),
        _ => Err(Refusal::new(
            RefusalKind::File,
            format!("the outline file's units are \"{units}\""),
            "write \"mm\", \"cm\" or \"in\"",
        )),
    }
}
