//! Tracing, taken away from the desk: it takes seconds, and the desk must go on answering.

use image::RgbImage;

use super::view::Backdrop;
use super::{Desk, Reference, Save, no_piece};
use crate::edges::Tracing;
use crate::flat::{self, FlatFrame};
use crate::garment::Hint;
use crate::outline_file::{self, OutlineFile};
use crate::overlay;
use crate::photo::Photo;
use crate::refusal::{Refusal, RefusalKind};
use crate::set::file::PhotoFile;
use crate::trace::{Trace, TraceOptions, Watch, trace_several};

/// The finest picture laid under the outline, px per mm: finer than any phone sees a mat.
const FINEST_PX_PER_MM: f64 = 6.0;
/// Most pixels of that picture: 12 megapixels, as photos have.
const MOST_PIXELS: f64 = 12_000_000.0;
/// Its longest side, px: what browsers hold in one picture on any device.
const LONGEST_PX: f64 = 4096.0;

/// One piece to trace.
#[derive(Debug, Clone)]
pub struct Job {
    /// Name of the piece.
    pub piece: String,
    /// Its photos, by their paths in the set's folder, to be handed to [`Job::run`] in this order.
    pub photos: Vec<String>,
    /// What was painted: part of the options it is to be run with.
    pub hints: Vec<Hint>,
    photo: PhotoFile,
    reference: Reference,
}

/// A job done.
pub struct Done {
    /// Name of the piece.
    pub piece: String,
    outcome: Result<Traced, Refusal>,
}

struct Traced {
    text: String,
    file: OutlineFile,
    backdrop: Backdrop,
    flat: RgbImage,
    overlay: RgbImage,
}

impl Desk {
    /// The tracing of a piece, to be run elsewhere.
    ///
    /// # Errors
    /// If there is no such piece.
    pub fn job(&self, name: &str) -> Result<Job, Refusal> {
        let piece = self.pieces.get(name).ok_or_else(|| no_piece(name))?;
        let photo = piece.photo.clone().ok_or_else(|| {
            let seen = format!("\"{name}\" is not from a photo");
            Refusal::new(RefusalKind::BadRequest, seen, "there is nothing to trace")
        })?;
        let (hints, reference) = (piece.changes.hints(), piece.reference.clone());
        Ok(Job { piece: name.to_string(), photos: photo.file.all().to_vec(), hints, photo, reference })
    }

    /// Brings a job's outcome back with its pictures as JPEG; the flat photo goes with what is to be kept, and with the desk.
    ///
    /// # Errors
    /// What stopped the tracing. It is remembered, and told on the overview, until something new is known.
    pub fn accept(
        &mut self,
        done: Done,
        jpeg: Option<Vec<u8>>,
        overlay_jpeg: Option<Vec<u8>>,
    ) -> Result<Vec<Save>, Refusal> {
        let Some(piece) = self.pieces.get_mut(&done.piece) else { return Ok(Vec::new()) };
        let traced = done.outcome.inspect_err(|refusal| piece.refused = Some(refusal.clone()))?;
        let backdrop = super::json(&traced.backdrop)?;
        piece.traced = Some(traced.file);
        piece.backdrop = Some(traced.backdrop);
        piece.refused = None;
        let name = &done.piece;
        let mut saves = vec![
            Save { path: format!("out/{name}-overlay.jpg"), bytes: overlay_jpeg },
            Save { path: format!("out/review/{name}.jpg"), bytes: jpeg },
            Save::text(format!("out/review/{name}.json"), backdrop),
            Save::text(format!("pieces/{name}.traced.json"), traced.text),
        ];
        saves.retain(|save| save.bytes.is_some());
        self.give_photo(name, traced.flat);
        Ok(saves)
    }

    /// Remembers that a piece's photos could not be read.
    pub fn refuse(&mut self, name: &str, refusal: Refusal) {
        if let Some(piece) = self.pieces.get_mut(name) {
            piece.refused = Some(refusal);
        }
    }
}

impl Job {
    /// Traces the photos' bytes, in the order of [`Job::photos`]; `made_from` tells this tracing from others in its file.
    /// The watch is told of every stage.
    pub fn run(&self, photos: &[Vec<u8>], options: &TraceOptions, made_from: &str, watch: &mut dyn Watch) -> Done {
        Done { piece: self.piece.clone(), outcome: self.traced(photos, options, made_from, watch) }
    }

    fn traced(
        &self,
        photos: &[Vec<u8>],
        options: &TraceOptions,
        made_from: &str,
        watch: &mut dyn Watch,
    ) -> Result<Traced, Refusal> {
        watch.stage("reading the photo");
        let photos: Vec<Photo> = photos.iter().map(|bytes| Photo::decode(bytes)).collect::<Result<_, _>>()?;
        let mut trace = trace_several(&photos, options, watch)?;
        let none = Tracing { edges: Vec::new(), fold: None, warnings: Vec::new() };
        let overlay = overlay::of_trace(&trace, &none);
        if let [photo] = photos.as_slice() {
            trace.flat = flat::rectify(photo, &trace.fit.camera, sharp_frame(&trace), 0.0);
        }
        let scale = serde_json::to_value(&trace.scale).ok();
        let text = outline_file::write_made(&trace.outline, scale, &trace.warnings, &trace.marks, made_from)?;
        let file = outline_file::read(&text)?;
        let backdrop = Backdrop::of(&trace, (&self.photo, &self.reference), &self.hints, &text);
        Ok(Traced { text, file, backdrop, flat: trace.flat.rgb, overlay })
    }
}

impl Done {
    /// The flat photo, to be made a JPEG of; none where the tracing was refused.
    pub fn flat(&self) -> Option<&RgbImage> {
        self.outcome.as_ref().ok().map(|traced| &traced.flat)
    }

    /// The picture for the report, to be made a JPEG of: the photo with what was found.
    pub fn overlay(&self) -> Option<&RgbImage> {
        self.outcome.as_ref().ok().map(|traced| &traced.overlay)
    }
}

/// The part of the mat around the garment, as fine as the photo shows it.
fn sharp_frame(trace: &Trace) -> FlatFrame {
    let rect = trace.flat.frame.rect;
    let seen = trace.fit.px_per_mm.0.min(FINEST_PX_PER_MM);
    let area = (MOST_PIXELS / (rect.width_mm() * rect.height_mm())).sqrt();
    let side = LONGEST_PX / rect.width_mm().max(rect.height_mm());
    FlatFrame::new(rect, seen.min(area).min(side).max(trace.flat.frame.px_per_mm))
}
