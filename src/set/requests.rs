//! From shapes to finished pieces: allowances by role, corners that sew up well, notches, labels.

use std::collections::BTreeMap;

use super::file::{Allowance, Draw, PieceFile, SetFile};
use super::notches::{self, PlacedNotch};
use super::pairs::Pair;
use super::pieces::{MadePiece, MadePieces, about};
use super::whole;
use crate::draft::roles::PieceKind;
use crate::draft::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::flat::MatRect;
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::{self, CornerShape, Cutting, Piece, SeamRequest, StitchingEdge, Stretch};
use crate::units::Length;

/// Usual allowance, inches (common practice, no source).
const SEAM_IN: f64 = 0.5;
/// Usual hem, inches (common practice, no source).
const HEM_IN: f64 = 1.0;
/// An allowance at the waist this wide is turned down for a casing, mm.
const CASING_MM: f64 = 25.0;

/// Every piece that is printed, finished.
///
/// # Errors
/// A refusal that names the piece.
pub(super) fn finished(
    file: &SetFile,
    made: &MadePieces,
    pairs: &[Pair],
    known: &mut KnownPieces,
) -> Result<Vec<Piece>, Refusal> {
    let printed: Vec<&PieceFile> = file.pieces.iter().filter(|p| !p.master_only).collect();
    let count = printed.len();
    printed
        .iter()
        .enumerate()
        .filter_map(|(i, piece)| Some((i, piece, made.get(&piece.name)?)))
        .map(|(i, piece, own)| {
            let place = Place { file, piece, own, number: i + 1, count };
            place.finished(made, pairs, known).map_err(|r| about(&piece.name, r))
        })
        .collect()
}

/// Pieces finished before, to be finished again only when something is wanted otherwise: placing allowances and words takes
/// most of the time that a change to a set takes.
#[derive(Debug, Default)]
pub(super) struct KnownPieces(BTreeMap<String, (SeamRequest, Piece)>);

impl KnownPieces {
    fn seamed(&mut self, request: &SeamRequest) -> Result<Piece, Refusal> {
        if let Some((_, piece)) = self.0.get(&request.name).filter(|(known, _)| known == request) {
            return Ok(piece.clone());
        }
        let piece = seams::seam(request)?;
        self.0.insert(request.name.clone(), (request.clone(), piece.clone()));
        Ok(piece)
    }
}

struct Place<'a> {
    file: &'a SetFile,
    piece: &'a PieceFile,
    own: &'a MadePiece,
    number: usize,
    count: usize,
}

impl Place<'_> {
    fn finished(&self, made: &MadePieces, pairs: &[Pair], known: &mut KnownPieces) -> Result<Piece, Refusal> {
        let notches = notches::of(self.file, self.piece, made, pairs)?;
        let request = self.request(&notches)?;
        let mut piece = known.seamed(&request)?.with_internal(self.own.shape.inside_lines());
        if self.piece.draw == Draw::Whole && piece.fold.is_some() {
            let halves: Vec<_> = notches.iter().map(|(_, halves)| *halves).collect();
            piece = whole::unfolded(&piece, &halves, &request.cutting)?;
            let lines = std::mem::take(&mut piece.internal);
            piece = piece.with_internal(lines);
        }
        piece.variation = self.piece.variation.clone();
        let mut warnings = self.own.shape.warnings.clone();
        warnings.append(&mut piece.warnings);
        piece.warnings = warnings;
        Ok(piece)
    }

    fn request(&self, notches: &[PlacedNotch]) -> Result<SeamRequest, Refusal> {
        let shape = &self.own.shape;
        for edge in self.piece.allowances.keys().filter(|k| *k != "seam").chain(self.piece.corners.keys()) {
            find_all(shape, edge)?;
        }
        let usual = self.usual();
        let narrowest = narrowest_mm(shape);
        let mut edges = Vec::with_capacity(shape.edges.len());
        for edge in &shape.edges {
            let width = self.allowance(edge, usual)?;
            if width.mm() > narrowest {
                return Err(Refusal::new(
                    RefusalKind::BadRequest,
                    format!("an allowance of {width} on {} is wider than the piece ({narrowest:.0} mm)", edge.called()),
                    "give a narrower one",
                ));
            }
            edges.push(StitchingEdge {
                number: edge.number,
                name: name_of(edge),
                path: edge.path.clone(),
                allowance_mm: width.mm(),
                ends: [self.corner(edge, width)?; 2],
            });
        }
        let half_turned = self.piece.draw == Draw::Whole;
        Ok(SeamRequest {
            name: self.piece.name.clone(),
            edges,
            fold: shape.fold,
            notches: notches.iter().map(|(n, _)| *n).collect(),
            grain_deg: self.piece.grain.map(|off| 90.0 + off),
            size: self.file.size.clone(),
            cutting: self.cutting(half_turned),
            lines: self.lines(),
            stretch: self.piece.stretch.or_else(|| self.usual_stretch()),
            allowance: usual,
        })
    }

    /// The allowance of edges of which nothing is said.
    fn usual(&self) -> Length {
        let told = self.piece.allowances.get("seam").or_else(|| self.file.allowances.get("seam"));
        told.map_or(Length::from_inches(SEAM_IN), |a| a.width())
    }

    /// The nearest word counts: this edge of this piece, the piece's "seam", a band sewn there, the set's role, the set's
    /// "seam", custom.
    fn allowance(&self, edge: &ShapeEdge, usual: Length) -> Result<Length, Refusal> {
        if edge.role == Role::Fold {
            return Ok(Length::from_mm(0.0));
        }
        for (key, width) in self.piece.allowances.iter().filter(|(k, _)| *k != "seam") {
            if answers(&self.own.shape, edge, key)? {
                return Ok(width.width());
            }
        }
        if self.piece.allowances.contains_key("seam") || self.is_banded(edge) {
            return Ok(usual);
        }
        let by_role = self.file.allowances.iter().find(|(k, _)| k.parse::<Role>().is_ok_and(|r| r == edge.role));
        Ok(match (by_role, edge.role) {
            (Some((_, width)), _) => Allowance::width(*width),
            (None, Role::Hem) => Length::from_inches(HEM_IN),
            (None, _) => usual,
        })
    }

    /// Is a band sewn to this hem or waist? Then it is a seam like others and is not turned.
    fn is_banded(&self, edge: &ShapeEdge) -> bool {
        let bands = self.file.pieces.iter().filter_map(|p| p.band.as_ref());
        matches!(edge.role, Role::Hem | Role::Waist)
            && bands.flat_map(|b| b.of.iter().flatten()).any(|j| j.piece == self.piece.name && edge.answers(&j.edge))
    }

    fn corner(&self, edge: &ShapeEdge, width: Length) -> Result<CornerShape, Refusal> {
        for (key, shape) in &self.piece.corners {
            if answers(&self.own.shape, edge, key)? {
                return Ok(*shape);
            }
        }
        Ok(match edge.role {
            Role::Hem | Role::Waist if self.is_banded(edge) => CornerShape::Mitre,
            Role::Hem => CornerShape::FoldBack,
            Role::Waist if width.mm() >= CASING_MM => CornerShape::FoldBack,
            Role::Shoulder | Role::SideSeam | Role::UnderarmSeam | Role::Inseam | Role::Outseam => CornerShape::Square,
            _ => CornerShape::Mitre,
        })
    }

    fn cutting(&self, whole: bool) -> Cutting {
        if let Some(told) = &self.piece.cut {
            return told.clone();
        }
        let of_two = match self.own.kind {
            Some(PieceKind::HalfSleeve | PieceKind::TrouserFront | PieceKind::TrouserBack) => true,
            Some(PieceKind::HalfFront | PieceKind::HalfBack | PieceKind::HalfSkirt | PieceKind::HalfBodyWithSleeve) => {
                // Off the fold, a half is a left or a right.
                self.own.shape.fold.is_none() && !whole
            }
            _ => false,
        };
        if of_two {
            // A piece on the fold is its own mirror image.
            let mirrored = self.own.shape.fold.is_none();
            return Cutting { count: 2, mirrored, ..Cutting::default() };
        }
        Cutting::default()
    }

    /// A band stretches along its length.
    fn usual_stretch(&self) -> Option<Stretch> {
        let band = self.piece.band.as_ref()?;
        (band.ratio.unwrap_or(1.0) < 1.0).then_some(match band.grain {
            crate::draft::band::BandGrain::Across => Stretch::Across,
            crate::draft::band::BandGrain::Along => Stretch::Along,
        })
    }

    fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        lines.extend(self.piece.variation.as_ref().map(|v| format!("For: {v}")));
        let date = self.file.date.as_ref().map(|d| format!(", {d}")).unwrap_or_default();
        lines.push(format!("{}{date}", self.file.name));
        lines.push(format!("Piece {} of {}", self.number, self.count));
        lines
    }
}

/// The lesser of a shape's width and height, mm.
fn narrowest_mm(shape: &Shape) -> f64 {
    MatRect::around(shape.ring()).map_or(0.0, |r| r.width_mm().min(r.height_mm()))
}

/// The name printed and written: its own, else its role's.
fn name_of(edge: &ShapeEdge) -> Option<String> {
    edge.name.clone().or_else(|| (edge.role != Role::Plain).then(|| edge.role.word().to_string()))
}

/// Does an edge answer to a key: its number, name or role (a role may have several edges here)?
fn answers(shape: &Shape, edge: &ShapeEdge, key: &str) -> Result<bool, Refusal> {
    Ok(find_all(shape, key)?.contains(&edge.number))
}

/// Numbers of all edges that answer to a key.
fn find_all(shape: &Shape, key: &str) -> Result<Vec<usize>, Refusal> {
    if let Ok(role) = key.parse::<Role>() {
        let all: Vec<usize> = shape.edges.iter().filter(|e| e.role == role).map(|e| e.number).collect();
        if !all.is_empty() {
            return Ok(all);
        }
    }
    let index = shape.find(&EdgeRef(key.to_string()))?;
    Ok(vec![shape.edges[index].number])
}
