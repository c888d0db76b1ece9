//! The set's own file on the desk, and the finished set as the page draws it.

use serde::Serialize;

use super::Reference;
use crate::draft::changes::{self, MarkNumber, Place};
use crate::draft::shape::{Role, ShapeEdge};
use crate::edges::{FoldChoice, flatten};
use crate::flat::MatRect;
use crate::refusal::{Refusal, Warning};
use crate::seams::{Cutting, Piece};
use crate::set::Finished;
use crate::set::file::{self, NumberOrWord, OneOrMore, PhotoFile, PieceFile, SetFile};
use crate::set::measures::{Measured, TapeCheck};
use crate::set::pairs::SeamCheck;
use crate::units::MatPoint;

/// Where photos lie in a set's folder.
pub(super) const PHOTOS: &str = "photos/";
/// Curves are drawn within this, mm.
const DRAWN_MM: f64 = 0.05;

/// A set without pieces.
pub(super) fn empty(name: &str) -> SetFile {
    SetFile {
        format: file::FORMAT.into(),
        version: file::VERSION,
        name: name.to_string(),
        size: None,
        date: None,
        reference: None,
        allowances: Default::default(),
        notches: Default::default(),
        shrinkage: None,
        pieces: Vec::new(),
        pairs: None,
        trued: false,
        cloth: Vec::new(),
        tape: Vec::new(),
    }
}

/// A piece with a photo and nothing else said of it.
pub(super) fn photographed(name: &str, photo: PhotoFile) -> PieceFile {
    PieceFile {
        name: name.to_string(),
        photo: Some(photo),
        outline: None,
        of: None,
        band: None,
        kind: None,
        fold: None,
        roles: Default::default(),
        names: Default::default(),
        changes: Vec::new(),
        roles_after: Default::default(),
        names_after: Default::default(),
        draw: Default::default(),
        allowances: Default::default(),
        corners: Default::default(),
        notches: Vec::new(),
        cut: None,
        grain: None,
        stretch: None,
        variation: None,
        master_only: false,
    }
}

/// The fold that the set's file names; what cannot be read is told when the set is made.
pub(super) fn fold(told: &NumberOrWord) -> FoldChoice {
    match told {
        NumberOrWord::Number(number) => FoldChoice::Edge(*number),
        NumberOrWord::Word(word) => word.parse().unwrap_or_default(),
    }
}

/// What the page says of photos, as the set's file has it.
pub(super) fn photo_file(photos: &[String], reference: &Reference) -> PhotoFile {
    let mut files: Vec<String> = photos.iter().map(|name| format!("{PHOTOS}{name}")).collect();
    let file = if files.len() == 1 { OneOrMore::One(files.remove(0)) } else { OneOrMore::More(files) };
    PhotoFile {
        file,
        grid: None,
        reference: Some(file::Reference {
            grid: reference.grid,
            measured: reference.measured.map(|tape| format!("{}={}", tape.squares, tape.length)),
            mat: None,
            card: reference.card,
            ruler: reference.rulers.clone(),
            sheet: reference.sheet.clone(),
            id_card: reference.id_card,
        }),
        thickness: reference.thickness,
        layers: reference.layers,
        cloth: reference.cloth.clone(),
        marks: reference.marks.clone(),
        bare: reference.bare.as_ref().map(|name| format!("{PHOTOS}{name}")),
    }
}

/// What the set's file says of photos, as the page says it.
pub(super) fn reference(set: &SetFile, photo: &PhotoFile) -> Reference {
    let own = photo.reference.clone().filter(file::Reference::any);
    let usual = set.reference.clone().unwrap_or_default();
    let from = match photo.grid {
        Some(grid) => file::Reference { grid: Some(grid), ..photo.reference.clone().unwrap_or_default() },
        None => own.unwrap_or(usual),
    };
    let tape = from.measured.as_deref().and_then(|text| {
        let (squares, length) = text.split_once('=')?;
        Some(super::reference::Tape { squares: squares.trim().parse().ok()?, length: length.parse().ok()? })
    });
    Reference {
        grid: from.grid,
        measured: tape,
        card: from.card,
        rulers: from.ruler,
        sheet: from.sheet,
        id_card: from.id_card,
        thickness: photo.thickness,
        layers: photo.layers,
        cloth: photo.cloth.clone(),
        marks: photo.marks.clone(),
        bare: photo.bare.as_deref().map(|name| name.strip_prefix(PHOTOS).unwrap_or(name).to_string()),
    }
}

/// The finished set, or what stops it, with the set's own file.
#[derive(Debug, Clone, Serialize)]
pub struct PatternView {
    recipe: SetFile,
    pieces: Vec<FinishedPiece>,
    seams: Vec<SeamCheck>,
    /// What truing moved.
    moved: Vec<String>,
    undo: Option<String>,
    redo: Option<String>,
    measures: Vec<Measured>,
    tape: Vec<TapeCheck>,
    warnings: Vec<Warning>,
    refused: Option<Refusal>,
}

/// A finished piece as it is drawn.
#[derive(Debug, Clone, Serialize)]
struct FinishedPiece {
    name: String,
    variation: Option<String>,
    cut: Cutting,
    edges: Vec<FinishedEdge>,
    stitching_line: Vec<MatPoint>,
    cut_line: Vec<MatPoint>,
    fold: Option<[MatPoint; 2]>,
    notches: Vec<[MatPoint; 2]>,
    grainline: [MatPoint; 2],
    label: Vec<String>,
    label_at: MatPoint,
    label_line_mm: f64,
    warnings: Vec<Warning>,
    /// The inside seams as they lie now.
    lines: Vec<Vec<MatPoint>>,
    /// The inside seams along which it can be cut in two.
    inside: Vec<InsideSeam>,
    /// The stitching line before the pairs were trued, where that moved it.
    untrued: Option<Vec<MatPoint>>,
}

/// An inside seam.
#[derive(Debug, Clone, Serialize)]
struct InsideSeam {
    /// Its places, as marks: the first and how many.
    marks: [usize; 2],
    /// The edges on either side, the longest first, if it runs from edge to edge.
    sides: Option<[Vec<usize>; 2]>,
}

#[derive(Debug, Clone, Serialize)]
struct FinishedEdge {
    number: usize,
    called: String,
    name: Option<String>,
    role: Role,
    length_mm: f64,
    allowance_mm: f64,
    path: Vec<MatPoint>,
    middle: MatPoint,
    inward: [f64; 2],
}

impl PatternView {
    pub(super) fn stopped(recipe: &SetFile, refused: Refusal, steps: (Option<&str>, Option<&str>)) -> Self {
        Self {
            recipe: recipe.clone(),
            pieces: Vec::new(),
            seams: Vec::new(),
            moved: Vec::new(),
            undo: steps.0.map(str::to_string),
            redo: steps.1.map(str::to_string),
            measures: Vec::new(),
            tape: Vec::new(),
            warnings: Vec::new(),
            refused: Some(refused),
        }
    }

    /// `steps` are the words of what can be taken back and made again; `inside` gives first mark and count of the inside
    /// seams of a piece by its name.
    pub(super) fn of(
        recipe: &SetFile,
        set: &Finished,
        steps: (Option<&str>, Option<&str>),
        inside: &dyn Fn(&str) -> Vec<[usize; 2]>,
    ) -> Self {
        let pieces = set.pattern.pieces.iter().map(|piece| finished(set, piece, inside(&piece.name)));
        Self {
            recipe: recipe.clone(),
            pieces: pieces.collect(),
            seams: set.seams.clone(),
            moved: set.moved.clone(),
            undo: steps.0.map(str::to_string),
            redo: steps.1.map(str::to_string),
            measures: set.measures.clone(),
            tape: set.tape.clone(),
            warnings: set.pattern.warnings.clone(),
            refused: None,
        }
    }
}

fn short(p: MatPoint) -> MatPoint {
    let round = |v: f64| (v * 100.0).round() / 100.0;
    MatPoint::new(round(p.x), round(p.y))
}

fn finished(set: &Finished, piece: &Piece, inside: Vec<[usize; 2]>) -> FinishedPiece {
    let shape = set.shapes.get(&piece.name);
    let known = |number: usize| shape.and_then(|s| s.edges.iter().find(|e| e.number == number));
    let all = |points: &[MatPoint]| points.iter().map(|p| short(*p)).collect();
    let edges = piece.edges.iter().filter_map(|edge| {
        let path = kurbo::BezPath::from_svg(&edge.path).ok()?;
        let points = flatten(&path, DRAWN_MM);
        let (middle, inward) = middle(&points);
        let of_shape = known(edge.number);
        Some(FinishedEdge {
            number: edge.number,
            called: of_shape.map_or_else(|| format!("edge {}", edge.number), ShapeEdge::called),
            name: of_shape.and_then(|e| e.name.clone()),
            role: of_shape.map(|e| e.role).unwrap_or_default(),
            length_mm: (edge.length_mm * 1000.0).round() / 1000.0,
            allowance_mm: edge.allowance_mm,
            path: points.into_iter().map(short).collect(),
            middle: short(middle),
            inward,
        })
    });
    let sides = |[first, count]: [usize; 2]| {
        let places: Vec<Place> = (first..first + count).map(|mark| Place::Mark(MarkNumber { mark })).collect();
        changes::sides_of(shape?, &places)
    };
    let inside = inside.into_iter().map(|marks| InsideSeam { marks, sides: sides(marks) });
    let untrued = set.untrued.get(&piece.name).map(|shape| all(&shape.ring()));
    FinishedPiece {
        name: piece.name.clone(),
        variation: piece.variation.clone(),
        cut: piece.cutting.clone(),
        edges: edges.collect(),
        stitching_line: all(&piece.stitching_line),
        cut_line: all(&piece.cut_line),
        fold: piece.fold.as_ref().map(|f| f.line),
        notches: piece.notches.iter().flat_map(|n| n.strokes.iter().copied()).collect(),
        grainline: piece.grainline,
        label: piece.label.lines.clone(),
        label_at: piece.label.centre,
        label_line_mm: piece.label.line_height_mm,
        warnings: piece.warnings.clone(),
        lines: piece.internal.iter().map(|l| all(&l.line)).collect(),
        inside: inside.collect(),
        untrued,
    }
}

/// The point half-way along a line and the unit vector to its left.
fn middle(points: &[MatPoint]) -> (MatPoint, [f64; 2]) {
    let total: f64 = points.windows(2).map(|p| p[0].distance(p[1])).sum();
    let mut left = 0.5 * total;
    for pair in points.windows(2) {
        let step = pair[0].distance(pair[1]);
        if step >= left && step > 0.0 {
            let along = (pair[1] - pair[0]) / step;
            return (pair[0].lerp(pair[1], left / step), [-along.y, along.x]);
        }
        left -= step;
    }
    (MatRect::around(points.iter().copied()).map_or_else(Default::default, |r| r.min), [0.0, 1.0])
}
