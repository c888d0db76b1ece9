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
mod products;
mod recipe;
mod reference;
mod view;

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::corrections::{self, Corrected, Corrections, Step, corrected};
use crate::draft::{PieceOptions, draft_piece};
use crate::edges::{FoldChoice, Tracing};
use crate::flat::FlatPhoto;
use crate::garment::Hint;
use crate::outline::Outline;
use crate::outline_file::{self, OutlineFile};
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::report::{Check, Source};
use crate::seams::Piece;
use crate::set::file::{self, PhotoFile, PieceFile, SetFile};
use crate::set::history::{self, History};
use crate::set::{self, Finished, Known, Traced};
use crate::snap::{self, SnapTo};
use crate::units::{Length, MatPoint};

pub use products::{PlanView, make_sheet, plans, plans_answer, report, report_page, sheets, take};
pub use recipe::PatternView;
pub use reference::Reference;
pub use view::{Backdrop, PieceView};

/// Names of pieces are no longer, so that files named after them can be written anywhere.
const LONGEST_NAME: usize = 60;

/// Allowance of a set begun by someone who measures in centimetres, mm (common practice, no source).
const METRIC_SEAM_MM: f64 = 10.0;

/// What the page may ask.
#[derive(Debug, Clone, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// What lies on the desk?
    Overview,
    /// These photos (one, or several that overlap) show a piece; this of known size lies in them. Asks for tracing.
    Describe {
        /// Name of the piece.
        piece: String,
        /// Names of the photos.
        photos: Vec<String>,
        /// What is of known size, and what else is known.
        reference: Reference,
    },
    /// A piece with all that is drawn of it.
    Piece {
        /// Its name.
        piece: String,
    },
    /// A change.
    Change {
        /// Name of the piece.
        piece: String,
        /// What is changed.
        step: Step,
    },
    /// The last change is taken back.
    Undo {
        /// Name of the piece.
        piece: String,
    },
    /// The change taken back last is made again.
    Redo {
        /// Name of the piece.
        piece: String,
    },
    /// A path along the photo's edges or seams.
    Snap {
        /// Name of the piece.
        piece: String,
        /// Places it goes through.
        places: Vec<MatPoint>,
        /// What it follows.
        to: SnapTo,
    },
    /// The set's own file, and the finished set.
    Pattern,
    /// The set's own file, changed.
    Recipe {
        /// All of it.
        set: Box<SetFile>,
        /// What was changed, in words.
        #[serde(default)]
        words: Option<String>,
    },
    /// The last change to the set's own file is taken back.
    UndoSet,
    /// The change to the set's own file taken back last is made again.
    RedoSet,
    /// Every sheet as it will be printed.
    Sheets {
        /// The paper: a name such as A4, a roll's width, `pages` or `projector`.
        paper: String,
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
    },
    /// How the pieces lie on the cloth, and how much of it to buy.
    Lay {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
        /// Seconds to search for every plan.
        seconds: f64,
    },
    /// The make sheet as it will be printed.
    MakeSheet {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
        /// The paper.
        paper: String,
    },
    /// What was checked, and how it went.
    Report {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
    },
    /// A piece is taken off the desk.
    Remove {
        /// Name of the piece.
        piece: String,
    },
}

/// What is answered.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "answer", rename_all = "kebab-case")]
pub enum Answer {
    /// To [`Request::Overview`], [`Request::Describe`] and [`Request::Remove`].
    Overview(Overview),
    /// To [`Request::Piece`] and every change.
    Piece(Box<PieceView>),
    /// To [`Request::Snap`].
    Path {
        /// Its points.
        path: Vec<MatPoint>,
    },
    /// To [`Request::Pattern`] and [`Request::Recipe`].
    Pattern(Box<PatternView>),
    /// To [`Request::Lay`].
    Lay {
        /// A plan for every cloth and width.
        plans: Vec<PlanView>,
        /// The cloths that pieces are cut from.
        cloths: Vec<String>,
    },
    /// To [`Request::Report`].
    Report {
        /// All checks.
        checks: Vec<Check>,
        /// What to look at before cutting.
        warnings: Vec<Warning>,
    },
    /// To [`Request::Sheets`] and [`Request::MakeSheet`].
    Sheets {
        /// An SVG for every page, in order.
        pages: Vec<String>,
        /// What a person should know before printing.
        warnings: Vec<Warning>,
    },
}

/// What lies on the desk.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Overview {
    /// The pieces, by name.
    pub pieces: Vec<OnOverview>,
    /// The last change to the set's own file, in words.
    pub undo: Option<String>,
    /// The change to it that was taken back last.
    pub redo: Option<String>,
}

/// A piece on the overview.
#[derive(Debug, Clone, Serialize)]
pub struct OnOverview {
    /// Its name.
    pub name: String,
    /// Its photos.
    pub photos: Vec<String>,
    /// What was said of them.
    pub reference: Reference,
    /// Is there an outline?
    pub traced: bool,
    /// Is it older than what is known now (a new reference, paint)?
    pub stale: bool,
    /// What stopped the last tracing.
    pub refused: Option<Refusal>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// How many stretches are doubtful.
    pub doubtful: usize,
    /// How many changes were made.
    pub changes: usize,
    /// Changes when the picture changes, for caches.
    pub picture: Option<String>,
}

/// A file to be kept, by its path in the set's folder (`/` between folders).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Save {
    /// Where.
    pub path: String,
    /// What; `None`: the file is to be taken away.
    pub bytes: Option<Vec<u8>>,
}

impl Save {
    fn text(path: String, text: String) -> Self {
        Self { path, bytes: Some(text.into_bytes()) }
    }
}

/// What was kept of a piece.
#[derive(Debug, Clone, Default)]
pub struct Kept {
    /// `pieces/NAME.traced.json`, or the outline drawn elsewhere.
    pub traced: Option<String>,
    /// `pieces/NAME.changes.json`.
    pub changes: Option<String>,
    /// `out/review/NAME.json`.
    pub backdrop: Option<String>,
}

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

/// An outline with its changes, as it was last made.
#[derive(Debug)]
struct Settled {
    changes: Corrections,
    outline: Outline,
    done: Corrected,
}

/// One piece at work.
#[derive(Debug, Default)]
struct OnDesk {
    /// What its photos are and what is said of them; none for an outline drawn elsewhere.
    photo: Option<PhotoFile>,
    /// What is said of them, the set's own reference included.
    reference: Reference,
    /// The fold as the set's own file has it.
    fold: FoldChoice,
    traced: Option<OutlineFile>,
    backdrop: Option<Backdrop>,
    changes: Corrections,
    refused: Option<Refusal>,
    /// The flat photo, while it is worked on.
    flat: Option<FlatPhoto>,
}

/// A piece's outline with its changes, and what was drafted from it.
struct Drafted {
    corrected: Corrected,
    tracing: Tracing,
    piece: Piece,
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

    /// What was painted on a piece.
    pub fn hints(&self, name: &str) -> Vec<Hint> {
        self.pieces.get(name).map(|piece| piece.changes.hints()).unwrap_or_default()
    }

    /// Brings the pieces at work in line with the set's own file.
    fn settle_pieces(&mut self) {
        let own = |p: &&PieceFile| p.photo.is_some() || p.outline.is_some();
        self.pieces.retain(|name, _| self.recipe.pieces.iter().filter(own).any(|p| p.name == *name));
        for piece in self.recipe.pieces.iter().filter(own) {
            let at_work = self.pieces.entry(piece.name.clone()).or_default();
            at_work.reference =
                piece.photo.as_ref().map(|photo| recipe::reference(&self.recipe, photo)).unwrap_or_default();
            at_work.photo = piece.photo.clone();
            at_work.fold = piece.fold.as_ref().map(recipe::fold).unwrap_or_default();
        }
    }

    /// The set's own file, to be kept; none while it has no pieces.
    fn save_recipe(&self) -> Result<Save, Refusal> {
        let path = SET_FILE.to_string();
        if self.recipe.pieces.is_empty() {
            return Ok(Save { path, bytes: None });
        }
        Ok(Save::text(path, file::write(&self.recipe)?))
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

    fn piece(&self, name: &str) -> Result<&OnDesk, Refusal> {
        self.pieces.get(name).ok_or_else(|| no_piece(name))
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

    fn describe(
        &mut self,
        name: String,
        photos: Vec<String>,
        reference: Reference,
    ) -> Result<(Answer, Vec<Save>), Refusal> {
        check_name(&name)?;
        photos.iter().chain(&reference.bare).try_for_each(|photo| check_name(photo))?;
        if photos.is_empty() {
            return Err(Refusal::new(RefusalKind::BadRequest, "the piece has no photo", "choose a photo"));
        }
        // Said now, not in the middle of the tracing.
        reference.options()?;
        let photo = recipe::photo_file(&photos, &reference);
        let mut next = self.recipe.clone();
        if next.pieces.is_empty() && next.allowances.is_empty() && !reference.is_in_inches() {
            // Who measures in centimetres sews with a centimetre; it stands in the set's file, to be changed.
            let width = file::Allowance::Width(Length::from_mm(METRIC_SEAM_MM));
            next.allowances.insert("seam".into(), width);
        }
        let words = match next.pieces.iter_mut().find(|p| p.name == name) {
            Some(piece) if piece.photo.is_some() => {
                piece.photo = Some(photo);
                format!("what is said of the photo of {name}")
            }
            Some(_) => {
                let seen = format!("there is a piece \"{name}\" already, which is not from a photo");
                return Err(Refusal::new(RefusalKind::BadRequest, seen, "give the photo's file another name"));
            }
            None => {
                next.pieces.push(recipe::photographed(&name, photo));
                format!("brought in {name}")
            }
        };
        // What cannot be read again must not be written.
        file::write(&next).and_then(|text| file::read(&text))?;
        let saves = self.becomes(next, &words)?;
        if let Some(piece) = self.pieces.get_mut(&name) {
            piece.refused = None;
        }
        Ok((self.overview(), saves))
    }

    /// The set's own file becomes another one; what is to be kept. What a person changed on the outlines of pieces that are
    /// gone is kept with the step.
    fn becomes(&mut self, next: SetFile, words: &str) -> Result<Vec<Save>, Refusal> {
        let gone = self.pieces.iter().filter(|(name, _)| !next.pieces.iter().any(|p| p.name == **name));
        let outlines: BTreeMap<String, Corrections> = gone.map(|(name, p)| (name.clone(), p.changes.clone())).collect();
        let mut history = self.history.clone();
        if !history.add(words, (&self.recipe, &next), &outlines)? {
            return Ok(Vec::new());
        }
        let changes = Save::text(SET_CHANGES.into(), history::write(&history)?);
        (self.recipe, self.history) = (next, history);
        self.settle_pieces();
        // The step first: killed between the two, the step counts as not made.
        let mut saves = vec![changes, self.save_recipe()?];
        saves.extend(outlines.keys().flat_map(|name| taken_away(name)));
        Ok(saves)
    }

    /// Takes the last change to the set's own file back, or makes it again.
    fn step_set(&mut self, forth: bool) -> Result<(Answer, Vec<Save>), Refusal> {
        let mut history = self.history.clone();
        let changes = |name: &str| self.pieces.get(name).map(|piece| piece.changes.clone());
        let stepped = if forth { history.redo(&self.recipe, &changes) } else { history.undo(&self.recipe, &changes) }?;
        let Some(stepped) = stepped else { return Ok((self.pattern_answer(), Vec::new())) };
        let before: Vec<String> = self.pieces.keys().cloned().collect();
        let text = history::write(&history)?;
        (self.recipe, self.history) = (stepped.set, history);
        self.settle_pieces();
        let mut saves = vec![Save::text(SET_CHANGES.into(), text), self.save_recipe()?];
        saves.extend(before.iter().filter(|name| !self.pieces.contains_key(*name)).flat_map(|name| taken_away(name)));
        for (name, changes) in stepped.outlines {
            if let Some(piece) = self.pieces.get_mut(&name) {
                saves.push(Save::text(format!("pieces/{name}.changes.json"), corrections::write(&changes)?));
                piece.changes = changes;
            }
        }
        Ok((self.pattern_answer(), saves))
    }

    /// Is there a piece whose outline, drawn elsewhere, lies in the set's folder and not on the desk?
    pub fn lacks_outline(&self) -> bool {
        self.pieces.values().any(|piece| piece.photo.is_none() && piece.traced.is_none())
    }

    fn change_recipe(&mut self, set: SetFile, words: &str) -> Result<(Answer, Vec<Save>), Refusal> {
        let before = std::mem::replace(&mut self.recipe, set);
        let sound = file::write(&self.recipe).and_then(|text| file::read(&text)).map(drop);
        let made = sound.and_then(|()| self.finished(&self.recipe));
        // Put back, to be changed with all that goes with it.
        let set = std::mem::replace(&mut self.recipe, before);
        let made = made?;
        let saves = self.becomes(set, words)?;
        Ok((self.shown(&made), saves))
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

    /// First mark and number of marks of every inside seam drawn on a piece, or on the one it is made of.
    fn inside(&self, name: &str) -> Vec<[usize; 2]> {
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
    fn corrected(&self, name: &str, outline: &Outline, changes: &Corrections) -> Result<Corrected, Refusal> {
        let mut settled = self.settled.borrow_mut();
        if let Some(known) = settled.get(name).filter(|known| known.changes == *changes && known.outline == *outline) {
            return Ok(known.done.clone());
        }
        let done = corrected(outline, changes)?;
        let known = Settled { changes: changes.clone(), outline: outline.clone(), done: done.clone() };
        settled.insert(name.to_string(), known);
        Ok(done)
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

    fn change(
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

    fn drafted(&self, name: &str, piece: &OnDesk) -> Result<Drafted, Refusal> {
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
    fn settled(&self, name: &str, step: Step) -> Result<Step, Refusal> {
        let Step::Redraw { path, by } = step else { return Ok(step) };
        let piece = self.piece(name)?;
        let traced = piece.traced.as_ref().ok_or_else(|| not_traced(name))?;
        let now = self.corrected(name, &traced.outline, &piece.changes)?;
        Ok(Step::Redraw { path: corrections::along(&now.outline, &path), by })
    }

    fn view(&self, name: &str) -> Result<PieceView, Refusal> {
        let piece = self.piece(name)?;
        view::of(name, piece, &self.drafted(name, piece)?)
    }

    fn remove(&mut self, name: &str) -> Result<(Answer, Vec<Save>), Refusal> {
        if !self.recipe.pieces.iter().any(|p| p.name == name) {
            return Err(no_piece(name));
        }
        if let Some(user) = self.recipe.pieces.iter().find(|p| p.of.as_deref() == Some(name)) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{}\" is made from \"{name}\"", user.name),
                format!("take \"{}\" off first", user.name),
            ));
        }
        let mut next = self.recipe.clone();
        next.pieces.retain(|p| p.name != name);
        let saves = self.becomes(next, &format!("took {name} off"))?;
        Ok((self.overview(), saves))
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

impl OnDesk {
    fn is_stale(&self) -> bool {
        let Some(photo) = &self.photo else { return false };
        let Some((_, backdrop)) = self.traced.as_ref().zip(self.backdrop.as_ref()) else { return true };
        !backdrop.knew(photo, &self.reference, &self.changes.hints())
    }

    /// Names of its photos, without the folder they usually lie in.
    fn photo_names(&self) -> Vec<String> {
        let names = self.photo.iter().flat_map(|photo| photo.file.all());
        names.map(|name| name.strip_prefix(recipe::PHOTOS).unwrap_or(name).to_string()).collect()
    }
}

/// A piece's files are taken away with it.
fn taken_away(name: &str) -> [Save; 2] {
    ["traced", "changes"].map(|kind| Save { path: format!("pieces/{name}.{kind}.json"), bytes: None })
}

fn json(value: &impl Serialize) -> Result<String, Refusal> {
    let text = serde_json::to_string_pretty(value);
    text.map(|t| t + "\n")
        .map_err(|e| Refusal::new(RefusalKind::File, format!("it could not be written: {e}"), "report this as a fault"))
}

fn no_piece(name: &str) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, format!("there is no piece \"{name}\""), "look at the list of pieces")
}

fn not_traced(name: &str) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, format!("\"{name}\" has no outline yet"), "wait until its photo is traced")
}
