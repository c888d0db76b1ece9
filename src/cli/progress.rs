//! What a person sees while the work goes on, and the folder of pictures and times for the curious.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;

use clothline::trace::Watch;
use image::RgbImage;

use super::files::Batch;

/// Shows the stage at work on a terminal, and keeps times and pictures if asked.
pub struct Progress {
    shown: bool,
    started: Instant,
    running: Option<(&'static str, Instant)>,
    times: Vec<(&'static str, f64)>,
    debug: Option<Debug>,
}

struct Debug {
    folder: PathBuf,
    pictures: Vec<(String, Vec<u8>)>,
}

impl Progress {
    /// Progress on standard error if that is a terminal and `quiet` is not asked; pictures into `debug`.
    pub fn new(quiet: bool, debug: Option<&Path>) -> Self {
        Self {
            shown: !quiet && std::io::stderr().is_terminal(),
            started: Instant::now(),
            running: None,
            times: Vec::new(),
            debug: debug.map(|folder| Debug { folder: folder.to_path_buf(), pictures: Vec::new() }),
        }
    }

    /// Ends the last stage and clears the line.
    pub fn finish(&mut self) {
        self.close();
        if self.shown {
            eprint!("\r\x1b[K");
        }
    }

    /// Writes pictures and `timings.json` into the debug folder, if one was asked for.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn write_debug(&mut self) -> Result<(), clothline::Refusal> {
        self.close();
        let total = self.started.elapsed().as_secs_f64();
        let Some(debug) = self.debug.take() else { return Ok(()) };
        let mut batch = Batch::default();
        let stages: Vec<_> =
            self.times.iter().map(|(name, s)| serde_json::json!({"stage": name, "seconds": s})).collect();
        let timings = serde_json::json!({"stages": stages, "total_seconds": total});
        batch.add("timings.json", format!("{timings:#}\n").into_bytes());
        for (name, bytes) in debug.pictures {
            batch.add(name, bytes);
        }
        batch.write(&debug.folder)
    }

    fn close(&mut self) {
        if let Some((name, since)) = self.running.take() {
            self.times.push((name, since.elapsed().as_secs_f64()));
        }
    }
}

impl Watch for Progress {
    fn stage(&mut self, name: &'static str) {
        self.close();
        if self.shown {
            eprint!("\r\x1b[K{name} ...");
            drop(std::io::stderr().flush());
        }
        self.running = Some((name, Instant::now()));
    }

    fn wants_pictures(&self) -> bool {
        self.debug.is_some()
    }

    fn picture(&mut self, name: &str, picture: &RgbImage) {
        let Some(debug) = &mut self.debug else { return };
        let number = debug.pictures.len() + 1;
        if let Some(bytes) = super::files::jpeg(picture, 88) {
            debug.pictures.push((format!("{number:02}-{name}.jpg"), bytes));
        }
    }
}
