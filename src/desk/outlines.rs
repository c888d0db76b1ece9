//! The desk's pieces that have an outline of their own: corrected, drafted, shown.

use super::request::Save;
use super::view::{Backdrop, PieceView};
use super::{Answer, Desk, Reference, no_piece, recipe, view};
use crate::corrections::{self, Corrected, Corrections, Step, corrected};
use crate::draft::{PieceOptions, draft_piece};
use crate::edges::{FoldChoice, Tracing};
use crate::flat::FlatPhoto;
use crate::garment::Hint;
use crate::outline::Outline;
use crate::outline_file::OutlineFile;
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::Piece;
use crate::set::file::PhotoFile;

/// An outline with its changes, as it was last made.
#[derive(Debug)]
pub(super) struct Settled {
    pub(super) changes: Corrections,
    pub(super) outline: Outline,
    pub(super) done: Corrected,
}

/// One piece at work.
#[derive(Debug, Default)]
pub(super) struct OnDesk {
    /// What its photos are and what is said of them; none for an outline drawn elsewhere.
    pub(super) photo: Option<PhotoFile>,
    /// What is said of them, the set's own reference included.
    pub(super) reference: Reference,
    /// The fold as the set's own file has it.
    pub(super) fold: FoldChoice,
    pub(super) traced: Option<OutlineFile>,
    pub(super) backdrop: Option<Backdrop>,
    pub(super) changes: Corrections,
    pub(super) refused: Option<Refusal>,
    /// The flat photo, while it is worked on.
    pub(super) flat: Option<FlatPhoto>,
}

/// A piece's outline with its changes, and what was drafted from it.
pub(super) struct Drafted {
    pub(super) corrected: Corrected,
    pub(super) tracing: Tracing,
    pub(super) piece: Piece,
}

impl OnDesk {
    pub(super) fn is_stale(&self) -> bool {
        let Some(photo) = &self.photo else { return false };
        let Some((_, backdrop)) = self.traced.as_ref().zip(self.backdrop.as_ref()) else { return true };
        !backdrop.knew(photo, &self.reference, &self.changes.hints())
    }

    /// Names of its photos, without the folder they usually lie in.
    pub(super) fn photo_names(&self) -> Vec<String> {
        let names = self.photo.iter().flat_map(|photo| photo.file.all());
        names.map(|name| name.strip_prefix(recipe::PHOTOS).unwrap_or(name).to_string()).collect()
    }
}

impl Desk {
    /// What was painted on a piece.
    pub fn hints(&self, name: &str) -> Vec<Hint> {
        self.pieces.get(name).map(|piece| piece.changes.hints()).unwrap_or_default()
    }

    pub(super) fn piece(&self, name: &str) -> Result<&OnDesk, Refusal> {
        self.pieces.get(name).ok_or_else(|| no_piece(name))
    }

    /// First mark and number of marks of every inside seam drawn on a piece, or on the one it is made of.
    pub(super) fn inside(&self, name: &str) -> Vec<[usize; 2]> {
        let source = self.recipe.pieces.iter().find(|p| p.name == name).and_then(|p| p.of.as_deref()).unwrap_or(name);
        let Some(piece) = self.pieces.get(source) else { return Vec::new() };
        let Some(Ok(done)) = piece.traced.as_ref().map(|t| self.corrected(source, &t.outline, &piece.changes)) else {
            return Vec::new();
        };
        let mut next = 1 + piece.traced.as_ref().map_or(0, |t| t.marks.len());
        let ranges = done.seams.iter().map(|seam| {
            let count = corrections::seam_marks(seam).len();
            next += count;
            [next - count, count]
        });
        ranges.collect()
    }

    /// An outline with its changes; as it was made before where neither has changed.
    pub(super) fn corrected(&self, name: &str, outline: &Outline, changes: &Corrections) -> Result<Corrected, Refusal> {
        let mut settled = self.settled.borrow_mut();
        if let Some(known) = settled.get(name).filter(|known| known.changes == *changes && known.outline == *outline) {
            return Ok(known.done.clone());
        }
        let done = corrected(outline, changes)?;
        let known = Settled { changes: changes.clone(), outline: outline.clone(), done: done.clone() };
        settled.insert(name.to_string(), known);
        Ok(done)
    }

    pub(super) fn change(
        &mut self,
        name: &str,
        make: impl FnOnce(&mut Corrections) -> Result<(), Refusal>,
    ) -> Result<(Answer, Vec<Save>), Refusal> {
        let piece = self.pieces.get_mut(name).ok_or_else(|| no_piece(name))?;
        let mut changes = piece.changes.clone();
        make(&mut changes)?;
        let before = std::mem::replace(&mut piece.changes, changes);
        // A change after which there is no piece any more is not made.
        let seen = self.view(name);
        let piece = self.pieces.get_mut(name).ok_or_else(|| no_piece(name))?;
        match seen.and_then(|view| Ok((view, corrections::write(&piece.changes)?))) {
            Ok((view, text)) => {
                piece.refused = None;
                let answer = Answer::Piece(Box::new(view.changed()));
                Ok((answer, vec![Save::text(format!("pieces/{name}.changes.json"), text)]))
            }
            Err(refusal) => {
                piece.changes = before;
                Err(refusal)
            }
        }
    }

    pub(super) fn drafted(&self, name: &str, piece: &OnDesk) -> Result<Drafted, Refusal> {
        let traced = piece.traced.as_ref().ok_or_else(|| not_traced(name))?;
        let corrected = self.corrected(name, &traced.outline, &piece.changes)?;
        let options = PieceOptions {
            name: name.to_string(),
            fold: if corrected.edges.fold == FoldChoice::Auto { piece.fold } else { corrected.edges.fold },
            edges: corrected.edges.clone(),
            ..PieceOptions::default()
        };
        let (tracing, piece) = draft_piece(&corrected.outline, &options)?;
        Ok(Drafted { corrected, tracing, piece })
    }

    /// A step as it is kept: a path drawn either way round is turned to run as the outline does.
    pub(super) fn settled(&self, name: &str, step: Step) -> Result<Step, Refusal> {
        let Step::Redraw { path, by } = step else { return Ok(step) };
        let piece = self.piece(name)?;
        let traced = piece.traced.as_ref().ok_or_else(|| not_traced(name))?;
        let now = self.corrected(name, &traced.outline, &piece.changes)?;
        Ok(Step::Redraw { path: corrections::along(&now.outline, &path), by })
    }

    pub(super) fn view(&self, name: &str) -> Result<PieceView, Refusal> {
        let piece = self.piece(name)?;
        view::of(name, piece, &self.drafted(name, piece)?)
    }
}

pub(super) fn not_traced(name: &str) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, format!("\"{name}\" has no outline yet"), "wait until its photo is traced")
}
