//! Tracing in the background: one photo after another, in a thread of its own.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Duration;

use clothline::trace::Watch;
use clothline::{Refusal, RefusalKind, Warning};
use serde::Serialize;

use super::office::Office;
use crate::cli::make;

/// How often it is looked whether there is something to trace.
const PAUSE: Duration = Duration::from_millis(60);

/// Quality of the flat photo for the page.
const JPEG_QUALITY: u8 = 86;

/// How the tracing stands.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Progress {
    /// The piece at work.
    piece: Option<String>,
    /// Stages gone through, the last one at work.
    stages: Vec<&'static str>,
    /// What was noticed of the photo, before there is a result.
    noticed: Vec<Warning>,
    /// Pieces that wait.
    waiting: Vec<String>,
    /// Goes up with every piece done.
    done: u64,
}

/// Starts the thread.
pub fn start(office: &Arc<Office>) {
    let office = Arc::clone(office);
    let run = move || {
        loop {
            let wanted = office.desk().wants_tracing();
            let Some((first, rest)) = wanted.split_first() else {
                std::thread::sleep(PAUSE);
                continue;
            };
            trace(&office, first, rest);
        }
    };
    // Without the thread nothing would ever be traced; the overview then shows pieces that wait.
    drop(std::thread::Builder::new().name("tracing".into()).spawn(run));
}

fn trace(office: &Office, name: &str, rest: &[String]) {
    {
        let mut progress = office.progress();
        let done = progress.done;
        *progress = Progress { piece: Some(name.to_string()), waiting: rest.to_vec(), done, ..Progress::default() };
    }
    // A fault in the engine must not end the page.
    let traced = catch_unwind(AssertUnwindSafe(|| run(office, name)));
    let outcome = traced.unwrap_or_else(|_| Err(fault()));
    if let Err(refusal) = outcome {
        office.desk().refuse(name, refusal);
    }
    let mut progress = office.progress();
    *progress = Progress { done: progress.done + 1, ..Progress::default() };
}

fn run(office: &Office, name: &str) -> Result<(), Refusal> {
    let (job, set) = {
        let desk = office.desk();
        (desk.job(name)?, desk.recipe().clone())
    };
    let photos: Vec<Vec<u8>> = job.photos.iter().map(|photo| office.folder.read(photo)).collect::<Result<_, _>>()?;
    let wanted = make::wanted(office.folder.root(), &set, name, &job.hints)?;
    let done = job.run(&photos, &wanted.options, &wanted.key, &mut Told(office));
    let jpeg = |picture| crate::cli::files::jpeg(picture, JPEG_QUALITY);
    let (flat, overlay) = (done.flat().and_then(jpeg), done.overlay().and_then(jpeg));
    let mut desk = office.desk();
    let saves = desk.accept(done, flat, overlay)?;
    office.folder.keep(&saves)
}

fn fault() -> Refusal {
    Refusal::new(
        RefusalKind::PoorPhoto,
        "the program failed on this photo",
        "take another photo; and report this as a fault, with the photo",
    )
}

/// Passes on the stages.
struct Told<'a>(&'a Office);

impl Watch for Told<'_> {
    fn stage(&mut self, name: &'static str) {
        self.0.progress().stages.push(name);
    }

    fn notice(&mut self, warning: &Warning) {
        let mut progress = self.0.progress();
        if !progress.noticed.contains(warning) {
            progress.noticed.push(warning.clone());
        }
    }
}
