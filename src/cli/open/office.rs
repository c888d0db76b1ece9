//! The desk in its place: locked while one request is answered, its files kept before the answer goes out.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use clothline::Refusal;
use clothline::desk::{self, Answer, Desk, OnOverview, Request};
use clothline::lay::{Bolt, LayPlan};
use clothline::pattern_file::Pattern;
use clothline::photo::Photo;
use clothline::set::Finished;
use clothline::targets::{self, TargetOptions};
use clothline::units::Length;
use serde::Serialize;

use super::folder::Folder;
use super::tracing::Progress;

/// Everything that the page's requests work on.
pub struct Office {
    /// The set's folder.
    pub folder: Folder,
    desk: Mutex<Desk>,
    /// The lay plans made last: they take seconds, and the make sheet speaks of them.
    plans: Mutex<Option<Planned>>,
    /// How the tracing stands.
    pub progress: Mutex<Progress>,
}

/// The cards and the grid sheet that the page has to print: as `clothline targets` makes them.
const CARD_MM: f64 = 80.0;
const CARDS: usize = 6;
const GRID_MM: f64 = 10.0;

/// Time to search for a plan that nobody asked for, s.
const SHORT_SEARCH_S: f64 = 2.0;

/// Lay plans and what they were made of.
#[derive(Clone)]
struct Planned {
    pattern: Pattern,
    cloth: Vec<Bolt>,
    seconds: f64,
    plans: Vec<LayPlan>,
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
        Ok(Self { folder, desk: Mutex::new(desk), plans: Mutex::default(), progress: Mutex::default() })
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
        if let Some(told) = self.away_from_the_desk(&request) {
            return told;
        }
        let overview = matches!(request, Request::Overview);
        let steps = matches!(request, Request::UndoSet | Request::RedoSet);
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
        let answer = if steps && desk.lacks_outline() {
            // A piece drawn elsewhere is there again: its outline lies in the folder.
            *desk = laid_out(&self.folder)?;
            desk.ask(Request::Pattern)?.0
        } else {
            answer
        };
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

    /// What takes seconds with many pieces is made from a copy: the desk goes on answering meanwhile.
    fn away_from_the_desk(&self, request: &Request) -> Option<Result<Told, Refusal>> {
        let answer = match request {
            Request::Sheets { paper, variation } => {
                let pattern = self.desk().pattern(variation.as_deref());
                pattern.and_then(|pattern| desk::sheets(&pattern, paper))
            }
            Request::Lay { variation, seconds } => {
                let made = self.made(variation.as_deref());
                made.and_then(|(set, cloth)| {
                    let plans = self.planned(&set.pattern, &cloth, Some(*seconds))?;
                    Ok(desk::plans_answer(&set.pattern, &plans))
                })
            }
            Request::MakeSheet { variation, paper } => {
                let made = self.made(variation.as_deref());
                made.and_then(|(set, cloth)| desk::make_sheet(&set, &self.planned(&set.pattern, &cloth, None)?, paper))
            }
            _ => return None,
        };
        Some(answer.map(|answer| self.told(answer, Vec::new())))
    }

    /// The finished set, and the cloth it is cut from.
    fn made(&self, variation: Option<&str>) -> Result<(Finished, Vec<Bolt>), Refusal> {
        let desk = self.desk();
        Ok((desk.made(variation)?, desk.recipe().cloth.clone()))
    }

    /// Lay plans of a pattern: those made before if nothing has changed and no other time is wanted, else made now.
    fn planned(&self, pattern: &Pattern, cloth: &[Bolt], seconds: Option<f64>) -> Result<Vec<LayPlan>, Refusal> {
        let known = self.plans.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(known) = known.filter(|k| k.pattern == *pattern && k.cloth == cloth)
            && seconds.is_none_or(|s| s <= known.seconds)
        {
            return Ok(known.plans);
        }
        let seconds = seconds.unwrap_or(SHORT_SEARCH_S);
        let started = Mutex::new((usize::MAX, Instant::now()));
        // Each plan has its own time by the clock; the work is set to end in time on a slow core.
        let watch = |place: usize| {
            let mut started = started.lock().unwrap_or_else(PoisonError::into_inner);
            if started.0 != place {
                *started = (place, Instant::now());
            }
            started.1.elapsed().as_secs_f64() < seconds
        };
        let plans = desk::plans(pattern, cloth, seconds, &watch)?;
        let made = Planned { pattern: pattern.clone(), cloth: cloth.to_vec(), seconds, plans: plans.clone() };
        *self.plans.lock().unwrap_or_else(PoisonError::into_inner) = Some(made);
        Ok(plans)
    }

    /// A file to be taken away.
    ///
    /// # Errors
    /// If there is none of that name, or the set cannot be made.
    pub fn take(&self, file: &str, variation: Option<&str>) -> Result<Vec<u8>, Refusal> {
        if let Some(paper) = file.strip_prefix("cards-").and_then(|rest| rest.strip_suffix(".pdf")) {
            // Before there is a photo, let alone a piece.
            let (card, grid) = (Length::from_mm(CARD_MM), Length::from_mm(GRID_MM));
            let options = TargetOptions { card, count: CARDS, first: 0, grid, paper: paper.parse()? };
            return Ok(targets::draw(&options)?.pdf);
        }
        let (set, cloth) = self.made(variation)?;
        if file == "report.html" {
            let mut sources = self.desk().sources();
            for source in &mut sources {
                source.overlay_jpeg = self.folder.read(&format!("out/{}-overlay.jpg", source.name)).ok();
            }
            return Ok(desk::report_page(&set, &sources));
        }
        let needs_plans = file.starts_with("lay") || file.starts_with("makesheet");
        let plans = if needs_plans { self.planned(&set.pattern, &cloth, None)? } else { Vec::new() };
        desk::take(&set, &plans, file)
    }

    fn told(&self, answer: Answer, loose: Vec<String>) -> Told {
        Told { answer, tracing: self.progress().clone(), set: self.folder.name(), loose }
    }
}

fn laid_out(folder: &Folder) -> Result<Desk, Refusal> {
    folder.forget();
    let recipe = folder.recipe()?;
    let kept = folder.kept(recipe.as_ref())?;
    Desk::lay_out(recipe, folder.set_changes()?.as_deref(), &folder.name(), &kept)
}
