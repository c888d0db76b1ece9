//! The one seam stage: allowances, corners, notches, grainline, label. It knows nothing of photos.
//!
//! In: stitching edges that run anticlockwise (y up) and close, and what is wanted of each. Out: a [`Piece`], all in the
//! same millimetres. An outline drawn by hand, read from a file or traced from a photo goes through this same stage.

mod corner;
mod label;
mod marks;
mod notch;
mod offset;
pub mod request;

use std::collections::BTreeMap;

use kurbo::BezPath;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{Length, MatPoint};
pub use corner::CornerShape;
pub(crate) use label::cut_words;
use request::NotchRequest;

/// Distance between a curve and the polyline drawn for it, mm.
pub(crate) const FLATTEN_MM: f64 = 0.003;
/// Stitching edges must join within this, mm.
const GAP_MM: f64 = 0.001;

/// One stitching edge and what is wanted of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StitchingEdge {
    /// Its number, as people name it.
    pub number: usize,
    /// A name ("hem"), if it has one.
    pub name: Option<String>,
    /// Its path, mm; starts where the edge before it ends.
    pub path: BezPath,
    /// Width of the allowance, mm; 0 on a fold.
    pub allowance_mm: f64,
    /// How the allowance ends at the edge's first and last corner.
    pub ends: [CornerShape; 2],
}

/// What a piece is to be made from.
#[derive(Debug, Clone, PartialEq)]
pub struct SeamRequest {
    /// Name of the piece ("front").
    pub name: String,
    /// The edges in order, anticlockwise.
    pub edges: Vec<StitchingEdge>,
    /// Number of the edge on the fold, if any; its allowance is taken as 0.
    pub fold: Option<usize>,
    /// Notches wanted.
    pub notches: Vec<NotchRequest>,
    /// Direction of the grain, degrees anticlockwise from the mat's x axis; `None`: along the fold, else straight up.
    pub grain_deg: Option<f64>,
    /// Size or person the piece is for.
    pub size: Option<String>,
    /// How it is cut.
    pub cutting: Cutting,
    /// Further lines for the label: the set, the date, which piece of how many.
    pub lines: Vec<String>,
    /// The way the cloth must stretch most, if that matters.
    pub stretch: Option<Stretch>,
    /// How the allowance is written on the label: as typed.
    pub allowance: Length,
}

/// One edge of a finished piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PieceEdge {
    /// Its number.
    pub number: usize,
    /// Its name, if it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Allowance, mm.
    pub allowance_mm: f64,
    /// Length of the stitching line, mm.
    pub length_mm: f64,
    /// Stitching line as an SVG path, mm, y up.
    pub path: String,
}

/// One or two strokes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum NotchKind {
    /// One stroke (commonly the front).
    #[default]
    Single,
    /// Two strokes (commonly the back).
    Double,
}

/// How a notch is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum NotchShape {
    /// One cut, square to the stitching line.
    #[default]
    Slit,
    /// A small triangle cut away.
    Triangle,
}

/// A notch: strokes from the cut line inwards, square to the stitching line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notch {
    /// Edge it belongs to.
    pub edge: usize,
    /// One stroke or two.
    pub kind: NotchKind,
    /// The place on the stitching line.
    pub at: MatPoint,
    /// Distance from the edge's start along the stitching line, mm.
    pub from_start_mm: f64,
    /// Each stroke from the cut line inwards.
    pub strokes: Vec<[MatPoint; 2]>,
}

/// The fold of a piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fold {
    /// Its edge.
    pub edge: usize,
    /// The fold on the cut line, allowances of the neighbours included: where the cloth is folded.
    pub line: [MatPoint; 2],
    /// The "place on fold" bracket: from the fold inwards, along, and back to the fold; arrowheads at both ends.
    pub bracket: Vec<MatPoint>,
}

/// Words on a piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Label {
    /// Middle of the block of lines.
    pub centre: MatPoint,
    /// Unit vector along the lines.
    pub along: [f64; 2],
    /// Height of a line, baseline to baseline, mm.
    pub line_height_mm: f64,
    /// The lines, the name first.
    pub lines: Vec<String>,
}

/// The way a knit must stretch most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Stretch {
    /// Across the grain: round the body.
    Across,
    /// Along the grain.
    Along,
}

/// A line inside a piece: a seam or a place marked on the cloth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InternalLine {
    /// What it is ("armhole", "red marks").
    pub name: String,
    /// From its start to its end.
    pub line: Vec<MatPoint>,
}

/// How a piece is cut from the cloth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Cutting {
    /// How many.
    pub count: u32,
    /// Every second one turned over (left and right).
    pub mirrored: bool,
    /// The cloth ("self", "rib", "lining").
    pub cloth: String,
}

impl Default for Cutting {
    /// One, of the garment's own cloth.
    fn default() -> Self {
        Self { count: 1, mirrored: false, cloth: "self".into() }
    }
}

/// No piece is cut oftener for one garment.
pub const MOST_COPIES: u32 = 99;

/// A pattern piece, in millimetres, y up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Its name.
    pub name: String,
    /// Where it is sewn: a ring, anticlockwise, within 0.003 mm of the edges' curves.
    pub stitching_line: Vec<MatPoint>,
    /// Where it is cut: a ring, anticlockwise.
    pub cut_line: Vec<MatPoint>,
    /// Edges with their allowances.
    pub edges: Vec<PieceEdge>,
    /// The fold, if it is cut on one.
    pub fold: Option<Fold>,
    /// Notches.
    pub notches: Vec<Notch>,
    /// Lines inside it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub internal: Vec<InternalLine>,
    /// The grainline, arrowheads at both ends.
    pub grainline: [MatPoint; 2],
    /// The direction in which the cloth must stretch most: a line with arrowheads at both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stretch: Option<[MatPoint; 2]>,
    /// The label.
    pub label: Label,
    /// How it is cut.
    #[serde(default)]
    pub cutting: Cutting,
    /// Variation of the set it belongs to; none when every variation needs it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub variation: Option<String>,
    /// What a person should check.
    pub warnings: Vec<Warning>,
}

/// Adds allowances, notches, grainline and label to stitching edges.
///
/// # Errors
/// [`RefusalKind::BadOutline`] when the edges do not close or an allowance swallows part of the piece;
/// [`RefusalKind::BadRequest`] for a fold, allowance or notch that names no edge, or a notch beyond its edge.
pub fn seam(request: &SeamRequest) -> Result<Piece, Refusal> {
    let edges = checked_edges(request)?;
    let mut warnings = Vec::new();
    let stitching_line = ring_of(&edges);
    let fold_index = match request.fold {
        Some(number) => Some(index_of(&edges, number)?),
        None => None,
    };
    let cut_line = offset::cut_line(&edges, &stitching_line, fold_index, &mut warnings)?;
    let notches = request
        .notches
        .iter()
        .map(|wanted| notch::place(wanted, &edges[index_of(&edges, wanted.edge)?], &cut_line))
        .collect::<Result<Vec<_>, _>>()?;
    let fold = fold_index.map(|i| marks::fold(&edges[i], &cut_line));
    let grainline = marks::grainline(request.grain_deg, fold.as_ref(), &stitching_line, &mut warnings);
    let stretch = request.stretch.and_then(|s| marks::stretch(s, grainline, fold.as_ref(), &stitching_line));
    let marks = marks::Marks { grainline, fold: fold.as_ref(), stretch };
    let label = label::place(request, &edges, &stitching_line, &marks, &mut warnings);
    Ok(Piece {
        name: request.name.clone(),
        stitching_line,
        cut_line,
        edges: edges.iter().map(described).collect(),
        fold,
        notches,
        internal: Vec::new(),
        grainline,
        label,
        stretch,
        cutting: request.cutting.clone(),
        variation: None,
        warnings,
    })
}

impl Piece {
    /// The piece with lines inside it; its label makes way for them.
    #[must_use]
    pub fn with_internal(mut self, lines: Vec<InternalLine>) -> Self {
        self.internal = lines;
        if !self.internal.is_empty() {
            label::make_way(&mut self);
        }
        self
    }
}

/// Index of the edge of a number.
fn index_of(edges: &[StitchingEdge], number: usize) -> Result<usize, Refusal> {
    edges.iter().position(|e| e.number == number).ok_or_else(|| {
        let numbers: BTreeMap<usize, ()> = edges.iter().map(|e| (e.number, ())).collect();
        let listed: Vec<String> = numbers.keys().map(usize::to_string).collect();
        Refusal::new(
            RefusalKind::BadRequest,
            format!("there is no edge {number}"),
            format!("this piece has edges {}", listed.join(", ")),
        )
    })
}

/// The edges, joined exactly, the fold's allowance at nought.
fn checked_edges(request: &SeamRequest) -> Result<Vec<StitchingEdge>, Refusal> {
    let bad = |seen: String, advice: &str| Err(Refusal::new(RefusalKind::BadOutline, seen, advice));
    let mut edges = request.edges.clone();
    if edges.is_empty() {
        return bad("the piece has no edges".into(), "give at least one closed edge");
    }
    for edge in &mut edges {
        if Some(edge.number) == request.fold {
            edge.allowance_mm = 0.0;
        }
        if edge.path.segments().next().is_none() || !edge.path.is_finite() {
            return bad(format!("edge {} has no usable path", edge.number), "give a path with at least one segment");
        }
        if !(0.0..=500.0).contains(&edge.allowance_mm) {
            let width = edge.allowance_mm;
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("edge {} has an allowance of {width} mm", edge.number),
                "an allowance is between 0 and 500 mm",
            ));
        }
    }
    for (a, b) in edges.iter().zip(edges.iter().cycle().skip(1)) {
        let (end, start) = (ends(&a.path).1, ends(&b.path).0);
        let gap = end.distance(start);
        if gap > GAP_MM {
            return bad(
                format!("edge {} ends {gap:.3} mm from where edge {} starts", a.number, b.number),
                "edges must follow one another round the piece",
            );
        }
    }
    let ring = ring_of(&edges);
    if polygon::signed_area(&ring) <= 0.0 {
        return bad("the edges run clockwise or enclose nothing".into(), "give them anticlockwise (y up)");
    }
    if let Some(at) = polygon::self_crossing(&ring) {
        return bad(
            format!("the stitching line crosses itself near ({:.1}, {:.1}) mm", at.x, at.y),
            "redraw that place so that the line runs once round the piece",
        );
    }
    Ok(edges)
}

/// First and last point of a path.
fn ends(path: &BezPath) -> (MatPoint, MatPoint) {
    let at = |element: Option<&kurbo::PathEl>| element.and_then(|e| e.end_point()).unwrap_or_default().into();
    (at(path.elements().first()), at(path.elements().last()))
}

/// The stitching line as one ring.
fn ring_of(edges: &[StitchingEdge]) -> Vec<MatPoint> {
    let mut ring: Vec<MatPoint> = Vec::new();
    for edge in edges {
        let points = crate::edges::flatten(&edge.path, FLATTEN_MM);
        // Each edge gives all but its last point, which is the next one's first.
        ring.extend(points.iter().take(points.len().saturating_sub(1)));
    }
    polygon::without_repeats(ring)
}

fn described(edge: &StitchingEdge) -> PieceEdge {
    PieceEdge {
        number: edge.number,
        name: edge.name.clone(),
        allowance_mm: edge.allowance_mm,
        length_mm: notch::length_mm(&edge.path),
        path: edge.path.to_svg(),
    }
}
