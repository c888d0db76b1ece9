//! The engine's side of the page: what a person asks, what is answered, what is to be saved.
//!
//! A [`Desk`] holds the pieces of one set while they are worked on. It reads and writes nothing: whoever stands around it
//! (a local server, or one day the browser itself with the engine compiled into it) gives it what was kept before
//! ([`Desk::lay_out`]), passes on what the page asks ([`Desk::ask`]) and keeps what it hands back ([`Save`]) before
//! answering, so that an answer seen is an answer kept. Long work is taken away from the desk as a [`job::Job`], run
//! anywhere, and brought back ([`Desk::accept`]).
//!
//! All places are millimetres in the mat frame of the piece's (first) photo, y up.

pub mod job;
mod outlines;
mod products;
mod recipe;
mod reference;
mod request;
mod set_file;
mod view;

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde::Serialize;

use crate::corrections;
use crate::corrections::Step;
use crate::flat::FlatPhoto;
use crate::outline_file;
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind};
use crate::report::Source;
use crate::set::file::{PieceFile, SetFile};
use crate::set::history::{self, History};
use crate::set::{self, Finished, Known, Traced};
use crate::snap;
use outlines::{Drafted, OnDesk, Settled, not_traced};

pub use products::{PlanView, make_sheet, plans, plans_answer, report, report_page, sheets, take};
pub use recipe::PatternView;
pub use reference::Reference;
pub use request::{Answer, Kept, OnOverview, Overview, Request, Save};
pub use view::{Backdrop, PieceView};

/// Names of pieces are no longer, so that files named after them can be written anywhere.
const LONGEST_NAME: usize = 60;

/// The set's own file within its folder.
pub const SET_FILE: &str = "set.json";
/// What was changed in it, to be taken back.
pub const SET_CHANGES: &str = "set.changes.json";

/// The pieces of a set at work.
#[derive(Debug)]
pub struct Desk {
    recipe: SetFile,
    /// The pieces that have an outline of their own: from photos, or drawn elsewhere.
    pieces: BTreeMap<String, OnDesk>,
    /// What was changed in the set's own file.
    history: History,
    /// What was made before, so that a change to the set is answered at once.
    known: RefCell<Known>,
    /// Outlines as last corrected.
    settled: RefCell<BTreeMap<String, Settled>>,
}

/// Is this a name for a piece or a photo: one that is a plain file's name everywhere, and leads nowhere else?
///
/// # Errors
/// [`RefusalKind::BadRequest`] if not.
pub fn check_name(name: &str) -> Result<(), Refusal> {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ' | '(' | ')');
    let edge = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || matches!(c, '_' | ')'));
    let sound = !name.is_empty()
        && name.len() <= LONGEST_NAME
        && name.chars().all(plain)
        && edge(name.chars().next())
        && edge(name.chars().last())
        && !name.contains("..");
    if sound {
        return Ok(());
    }
    Err(Refusal::new(
        RefusalKind::BadRequest,
        format!("\"{}\" cannot be the name of a file", name.chars().take(LONGEST_NAME).collect::<String>()),
        "use letters, digits, spaces and hyphens, at most 60",
    ))
}

impl Desk {
    /// Lays out a set: its own file if it has one (else an empty set of this name), the changes made to that, and what was
    /// kept of its pieces.
    ///
    /// # Errors
    /// If a file is not what it should be, with the piece's name.
    pub fn lay_out(
        recipe: Option<SetFile>,
        changes: Option<&str>,
        name: &str,
        kept: &BTreeMap<String, Kept>,
    ) -> Result<Self, Refusal> {
        let mut desk = Self {
            recipe: recipe.unwrap_or_else(|| recipe::empty(name)),
            pieces: BTreeMap::new(),
            history: changes.map(history::read).transpose()?.unwrap_or_default(),
            known: RefCell::default(),
            settled: RefCell::default(),
        };
        desk.history.settle(&desk.recipe);
        for (name, kept) in kept {
            let of = |r: Refusal| Refusal { seen: format!("piece \"{name}\": {}", r.seen), ..r };
            let traced = kept.traced.as_deref().map(outline_file::read).transpose().map_err(of)?;
            let changes = kept.changes.as_deref().map(corrections::read).transpose().map_err(of)?.unwrap_or_default();
            // Derived: if it cannot be read the photo is traced again.
            let backdrop = kept.backdrop.as_deref().and_then(|text| serde_json::from_str(text).ok());
            desk.pieces.insert(name.clone(), OnDesk { traced, backdrop, changes, ..OnDesk::default() });
        }
        desk.settle_pieces();
        Ok(desk)
    }

    /// The set's own file.
    pub fn recipe(&self) -> &SetFile {
        &self.recipe
    }

    /// Names of the pieces whose photos want tracing: never traced, or with something known that the tracing did not know.
    pub fn wants_tracing(&self) -> Vec<String> {
        let wanted = self.pieces.iter().filter(|(_, p)| p.is_stale() && p.refused.is_none());
        wanted.map(|(name, _)| name.clone()).collect()
    }

    /// The flat photo that a request needs and the desk does not have: name of the piece.
    pub fn lacks_photo(&self, request: &Request) -> Option<String> {
        match request {
            Request::Snap { piece, .. } => {
                self.pieces.get(piece).filter(|p| p.flat.is_none() && p.backdrop.is_some()).map(|_| piece.clone())
            }
            _ => None,
        }
    }

    /// Gives the desk the flat photo of a piece, as it was handed out with the tracing. Others are put away.
    pub fn give_photo(&mut self, name: &str, rgb: image::RgbImage) {
        for (other, piece) in &mut self.pieces {
            piece.flat = None;
            if other == name
                && let Some(backdrop) = &piece.backdrop
                && backdrop.fits(&rgb)
            {
                piece.flat = Some(FlatPhoto { frame: backdrop.frame(), rgb: rgb.clone() });
            }
        }
    }

    /// Answers. What is to be kept must be kept before the answer is passed on.
    ///
    /// # Errors
    /// A refusal in words for the person; nothing has changed then.
    pub fn ask(&mut self, request: Request) -> Result<(Answer, Vec<Save>), Refusal> {
        match request {
            Request::Overview => Ok((self.overview(), Vec::new())),
            Request::Describe { piece, photos, reference } => self.describe(piece, photos, reference),
            Request::Piece { piece } => Ok((Answer::Piece(Box::new(self.view(&piece)?)), Vec::new())),
            Request::Change { piece, step } => {
                let step = self.settled(&piece, step)?;
                let settles_fold = matches!(step, Step::Fold { .. });
                let (answer, mut saves) = self.change(&piece, |changes| changes.add(step))?;
                let mut next = self.recipe.clone();
                let told = next.pieces.iter_mut().find(|p| p.name == piece && p.fold.is_some());
                if let (true, Some(told)) = (settles_fold, told) {
                    // What was said last holds.
                    told.fold = None;
                    saves.extend(self.becomes(next, &format!("the fold of {piece}, as marked on the photo"))?);
                }
                Ok((answer, saves))
            }
            Request::Undo { piece } => self.change(&piece, |changes| {
                changes.undo();
                Ok(())
            }),
            Request::Redo { piece } => self.change(&piece, |changes| {
                changes.redo();
                Ok(())
            }),
            Request::Snap { piece, places, to } => {
                let flat = self.piece(&piece)?.flat.as_ref().ok_or_else(|| not_traced(&piece))?;
                Ok((Answer::Path { path: snap::path(flat, &places, to)? }, Vec::new()))
            }
            Request::Pattern => Ok((self.pattern_answer(), Vec::new())),
            Request::Recipe { set, words } => self.change_recipe(*set, words.as_deref().unwrap_or("changed the set")),
            Request::UndoSet => self.step_set(false),
            Request::RedoSet => self.step_set(true),
            Request::Sheets { paper, variation } => {
                Ok((sheets(&self.pattern(variation.as_deref())?, &paper)?, Vec::new()))
            }
            Request::Lay { variation, seconds } => {
                let pattern = self.pattern(variation.as_deref())?;
                let plans = plans(&pattern, &self.recipe.cloth, seconds, &|_| true)?;
                Ok((plans_answer(&pattern, &plans), Vec::new()))
            }
            Request::MakeSheet { variation, paper } => {
                Ok((make_sheet(&self.made(variation.as_deref())?, &[], &paper)?, Vec::new()))
            }
            Request::Report { variation } => {
                Ok((report(&self.made(variation.as_deref())?, &self.sources()), Vec::new()))
            }
            Request::Remove { piece } => self.remove(&piece),
        }
    }

    fn overview(&self) -> Answer {
        let pieces = self.pieces.iter().map(|(name, piece)| self.on_overview(name, piece));
        let [undo, redo] = [self.history.undo_words(), self.history.redo_words()].map(|w| w.map(str::to_string));
        Answer::Overview(Overview { pieces: pieces.collect(), undo, redo })
    }

    fn on_overview(&self, name: &str, piece: &OnDesk) -> OnOverview {
        let now = piece.traced.as_ref().and_then(|t| self.corrected(name, &t.outline, &piece.changes).ok());
        OnOverview {
            name: name.to_string(),
            photos: piece.photo_names(),
            reference: piece.reference.clone(),
            traced: piece.traced.is_some(),
            stale: piece.is_stale(),
            refused: piece.refused.clone(),
            warnings: piece.traced.as_ref().map(|t| t.warnings.clone()).unwrap_or_default(),
            doubtful: now.map_or(0, |d| view::doubtful(&d.outline).len()),
            changes: piece.changes.done.len(),
            picture: piece.backdrop.as_ref().map(|b| b.version.clone()),
        }
    }

    /// Is there a piece whose outline, drawn elsewhere, lies in the set's folder and not on the desk?
    pub fn lacks_outline(&self) -> bool {
        self.pieces.values().any(|piece| piece.photo.is_none() && piece.traced.is_none())
    }

    fn shown(&self, set: &Finished) -> Answer {
        let steps = (self.history.undo_words(), self.history.redo_words());
        Answer::Pattern(Box::new(PatternView::of(&self.recipe, set, steps, &|name| self.inside(name))))
    }

    fn pattern_answer(&self) -> Answer {
        match self.finished(&self.recipe) {
            Ok(set) => self.shown(&set),
            Err(refusal) => {
                let steps = (self.history.undo_words(), self.history.redo_words());
                Answer::Pattern(Box::new(PatternView::stopped(&self.recipe, refusal, steps)))
            }
        }
    }

    /// A set as far as its photos are traced.
    fn finished(&self, recipe: &SetFile) -> Result<Finished, Refusal> {
        let mut recipe = recipe.clone();
        let waits = |p: &PieceFile| self.pieces.get(&p.name).is_some_and(|at_work| at_work.traced.is_none());
        let (waiting, ready): (Vec<PieceFile>, Vec<PieceFile>) = recipe.pieces.into_iter().partition(waits);
        recipe.pieces = ready;
        if recipe.pieces.is_empty() {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                match waiting.len() {
                    0 => "there is no piece yet",
                    _ => "no photo is traced yet",
                },
                "bring in a photo and have it traced first",
            ));
        }
        set::make_knowing(&recipe, &self.traced()?, false, &mut self.known.borrow_mut())
    }

    /// What the photos and drawings gave, with the changes made on it.
    fn traced(&self) -> Result<BTreeMap<String, Traced>, Refusal> {
        let mut traced = BTreeMap::new();
        for (name, piece) in &self.pieces {
            let Some(file) = &piece.traced else { continue };
            let of = |r: Refusal| Refusal { seen: format!("piece \"{name}\": {}", r.seen), ..r };
            let done = self.corrected(name, &file.outline, &piece.changes).map_err(of)?;
            traced.insert(name.clone(), set::traced(file, &done));
        }
        Ok(traced)
    }

    /// What the report tells of the photos, without their pictures.
    pub fn sources(&self) -> Vec<Source> {
        let traced = self.traced().unwrap_or_default();
        let photographed = traced.iter().filter(|(name, _)| self.pieces.get(*name).is_some_and(|p| p.photo.is_some()));
        photographed.map(|(name, traced)| set::source(name, traced)).collect()
    }

    /// Every piece to be printed, or those of a variation and what all variations share.
    ///
    /// # Errors
    /// If there is none, or the set cannot be made.
    pub fn pattern(&self, variation: Option<&str>) -> Result<Pattern, Refusal> {
        Ok(self.made(variation)?.pattern)
    }

    /// The finished set, or a variation of it with what all variations share.
    ///
    /// # Errors
    /// If there is none, or the set cannot be made.
    pub fn made(&self, variation: Option<&str>) -> Result<Finished, Refusal> {
        let mut recipe = self.recipe.clone();
        if let Some(wanted) = variation {
            recipe.keep_variation(wanted)?;
        }
        self.finished(&recipe)
    }
}

fn json(value: &impl Serialize) -> Result<String, Refusal> {
    let text = serde_json::to_string_pretty(value);
    text.map(|t| t + "\n")
        .map_err(|e| Refusal::new(RefusalKind::File, format!("it could not be written: {e}"), "report this as a fault"))
}

fn no_piece(name: &str) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, format!("there is no piece \"{name}\""), "look at the list of pieces")
}
