//! The set's own file on the desk: what is brought in, changed, taken off and taken back.

use std::collections::BTreeMap;

use super::request::{Answer, Save};
use super::{Desk, Reference, SET_CHANGES, SET_FILE, check_name, no_piece, recipe};
use crate::corrections::{self, Corrections};
use crate::refusal::{Refusal, RefusalKind};
use crate::set::file::{self, PieceFile, SetFile};
use crate::set::history;
use crate::units::Length;

/// Allowance of a set begun by someone who measures in centimetres, mm (common practice, no source).
const METRIC_SEAM_MM: f64 = 10.0;

impl Desk {
    /// Brings the pieces at work in line with the set's own file.
    pub(super) fn settle_pieces(&mut self) {
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
    pub(super) fn save_recipe(&self) -> Result<Save, Refusal> {
        let path = SET_FILE.to_string();
        if self.recipe.pieces.is_empty() {
            return Ok(Save { path, bytes: None });
        }
        Ok(Save::text(path, file::write(&self.recipe)?))
    }

    pub(super) fn describe(
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
    pub(super) fn becomes(&mut self, next: SetFile, words: &str) -> Result<Vec<Save>, Refusal> {
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
    pub(super) fn step_set(&mut self, forth: bool) -> Result<(Answer, Vec<Save>), Refusal> {
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

    pub(super) fn change_recipe(&mut self, set: SetFile, words: &str) -> Result<(Answer, Vec<Save>), Refusal> {
        let before = std::mem::replace(&mut self.recipe, set);
        let sound = file::write(&self.recipe).and_then(|text| file::read(&text)).map(drop);
        let made = sound.and_then(|()| self.finished(&self.recipe));
        // Put back, to be changed with all that goes with it.
        let set = std::mem::replace(&mut self.recipe, before);
        let made = made?;
        let saves = self.becomes(set, words)?;
        Ok((self.shown(&made), saves))
    }

    pub(super) fn remove(&mut self, name: &str) -> Result<(Answer, Vec<Save>), Refusal> {
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
}

/// A piece's files are taken away with it.
fn taken_away(name: &str) -> [Save; 2] {
    ["traced", "changes"].map(|kind| Save { path: format!("pieces/{name}.{kind}.json"), bytes: None })
}
