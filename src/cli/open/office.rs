//! The desk in its place: locked while one request is answered, its files kept before the answer goes out.

use std::sync::{Mutex, MutexGuard, PoisonError};

use clothline::Refusal;
use clothline::desk::{self, Answer, Desk, OnOverview, Request};
use clothline::photo::Photo;
use serde::Serialize;

use super::folder::Folder;
use super::tracing::Progress;

/// Everything that the page's requests work on.
pub struct Office {
    /// The set's folder.
    pub folder: Folder,
    desk: Mutex<Desk>,
    /// How the tracing stands.
    pub progress: Mutex<Progress>,
}

/// An answer with how the tracing stands.
#[derive(Serialize)]
pub struct Told {
    #[serde(flatten)]
    answer: Answer,
    tracing: Progress,
    set: String,
    /// Photos that no piece uses.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    loose: Vec<String>,
}

impl Office {
    /// Opens a set's folder and lays out what is in it.
    ///
    /// # Errors
    /// If the folder cannot be used or a file in it is not what it should be.
    pub fn open(set: &std::path::Path) -> Result<Self, Refusal> {
        let folder = Folder::open(set)?;
        let desk = laid_out(&folder)?;
        Ok(Self { folder, desk: Mutex::new(desk), progress: Mutex::new(Progress::default()) })
    }

    /// The desk, to oneself. A thread that panicked with it left it as it was between two changes.
    pub fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How the tracing stands.
    pub fn progress(&self) -> MutexGuard<'_, Progress> {
        self.progress.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Answers a request of the page; what is to be kept is on disk by then.
    ///
    /// # Errors
    /// The refusal, in words.
    pub fn ask(&self, request: Request) -> Result<Told, Refusal> {
        if let Request::Sheets { paper, variation } = &request {
            // Seconds of work with many pieces: the desk goes on answering meanwhile.
            let pattern = self.desk().pattern(variation.as_deref())?;
            return Ok(self.told(desk::sheets(&pattern, paper)?, Vec::new()));
        }
        let overview = matches!(request, Request::Overview);
        let mut desk = self.desk();
        if let Some(piece) = desk.lacks_photo(&request) {
            let photo = Photo::decode(&self.folder.picture(&piece)?)?;
            desk.give_photo(&piece, photo.rgb);
        }
        let (answer, saves) = desk.ask(request)?;
        if let Err(refusal) = self.folder.keep(&saves) {
            // What is on disk holds: the desk is laid out anew from it.
            *desk = laid_out(&self.folder)?;
            return Err(refusal);
        }
        drop(desk);
        let loose = match &answer {
            Answer::Overview(all) if overview => {
                let used = |photo: &String| {
                    let uses = |p: &OnOverview| p.photos.contains(photo) || p.reference.bare.as_ref() == Some(photo);
                    all.pieces.iter().any(uses)
                };
                self.folder.photos().into_iter().filter(|p| !used(p)).collect()
            }
            _ => Vec::new(),
        };
        Ok(self.told(answer, loose))
    }

    fn told(&self, answer: Answer, loose: Vec<String>) -> Told {
        Told { answer, tracing: self.progress().clone(), set: self.folder.name(), loose }
    }
}

fn laid_out(folder: &Folder) -> Result<Desk, Refusal> {
    folder.forget();
    let recipe = folder.recipe()?;
    let kept = folder.kept(recipe.as_ref())?;
    Desk::lay_out(recipe, &folder.name(), &kept)
}
