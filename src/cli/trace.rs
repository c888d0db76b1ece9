//! `clothline trace`: a photo to an outline and a pattern piece.

use std::path::Path;

use clothline::draft::draft_traced;
use clothline::edges::Tracing;
use clothline::garment::Hint;
use clothline::outline_file;
use clothline::overlay;
use clothline::pattern_file::Pattern;
use clothline::photo::Photo;
use clothline::seams::InternalLine;
use clothline::trace::{Scale, Trace, TraceOptions, Watch, trace_several};
use clothline::units::MatPoint;
use clothline::{Refusal, RefusalKind};

use super::args::TraceArgs;
use super::files::{self, Batch};
use super::progress::Progress;
use super::results::{self, Told};

/// Quality of the pictures written.
const JPEG_QUALITY: u8 = 88;

/// Runs the command.
///
/// # Errors
/// A refusal from any stage; nothing is written then.
pub fn run(args: &TraceArgs) -> Result<(), Refusal> {
    // Said before the long work.
    options(args)?;
    files::check_writable(&args.output.out)?;
    let mut progress = Progress::new(args.output.quiet, args.debug.as_deref());
    let made = make(args, &mut progress);
    progress.finish();
    // Pictures of the stages are most wanted when something went wrong.
    progress.write_debug()?;
    let made = made?;
    made.batch.write(&args.output.out)?;
    let told = Told { output: &args.output, pattern: &made.pattern, tracing: &made.tracing, scale: Some(&made.scale) };
    told.tell(&made.batch);
    Ok(())
}

/// What is said of the photos, but for the files it names.
fn options(args: &TraceArgs) -> Result<TraceOptions, Refusal> {
    Ok(TraceOptions {
        pitch: super::mats::pitch(args)?,
        references: args.references.all(),
        thickness: args.thickness(),
        bare: None,
        lenses: Vec::new(),
        marks: args.marks,
        hints: Vec::new(),
    })
}

/// Traces the photos, and nothing more.
///
/// # Errors
/// A refusal from any stage.
pub fn photos(args: &TraceArgs, hints: &[Hint], progress: &mut Progress) -> Result<Trace, Refusal> {
    progress.stage("reading the photo");
    let photos: Vec<Photo> = args.photos.iter().map(|path| decode(path)).collect::<Result<_, _>>()?;
    trace_several(&photos, &all_options(args, hints)?, progress)
}

/// All that is said of the photos, the files it names read, and what was painted on them.
///
/// # Errors
/// If a value makes no sense or a file cannot be read.
pub fn all_options(args: &TraceArgs, hints: &[Hint]) -> Result<TraceOptions, Refusal> {
    let bare = args.bare.as_deref().map(decode).transpose()?;
    let lenses = super::lenses::all(args.calibration.as_deref())?;
    Ok(TraceOptions { bare, lenses, hints: hints.to_vec(), ..options(args)? })
}

/// Overlay and flattened photo of a tracing as JPEG, by their names, without a piece's edges.
///
/// # Errors
/// If a picture is too large to draw.
pub fn pictures_of(traced: &Trace) -> Result<Vec<(&'static str, Vec<u8>)>, Refusal> {
    let none = Tracing { edges: Vec::new(), fold: None, warnings: Vec::new() };
    drawn(traced, &none)
}

/// Everything the command makes, before any of it is written.
struct Made {
    batch: Batch,
    pattern: Pattern,
    tracing: Tracing,
    scale: Scale,
}

fn make(args: &TraceArgs, progress: &mut Progress) -> Result<Made, Refusal> {
    let traced = photos(args, &[], progress)?;

    progress.stage("drafting the piece");
    let (tracing, piece) = draft_traced(&traced.outline, &args.piece.options())?;
    let piece = piece.with_internal(line_of_marks(args, &traced));
    let warnings: Vec<_> = traced.warnings.iter().chain(&tracing.warnings).cloned().collect();
    let pattern = results::pattern(piece, &warnings);

    progress.stage("drawing the results");
    let mut batch = Batch::default();
    let scale = serde_json::to_value(&traced.scale).ok();
    let names = results::edge_names(&args.piece);
    let outline = outline_file::write_marked(&traced.outline, Some(&tracing), &names, scale, &warnings, &traced.marks)?;
    batch.add("outline.json", outline.into_bytes());
    let (pictures, sheets) = rayon::join(
        || pictures(&traced, &tracing),
        || {
            let mut sheets = Batch::default();
            results::add_pattern(&mut sheets, &pattern, args.output.paper).map(|()| sheets)
        },
    );
    batch.extend(pictures?);
    batch.extend(sheets?);
    Ok(Made { batch, pattern, tracing, scale: traced.scale })
}

/// Stickers on a hidden seam, joined in their order.
fn line_of_marks(args: &TraceArgs, traced: &Trace) -> Vec<InternalLine> {
    let line: Vec<MatPoint> = traced.marks.iter().map(|mark| mark.at).collect();
    let name = args.marks.map_or_else(String::new, |colour| format!("{colour} marks"));
    if line.len() < 2 { Vec::new() } else { vec![InternalLine { name, line }] }
}

/// Reads a photo; a refusal names the file.
pub fn decode(path: &Path) -> Result<Photo, Refusal> {
    let bytes = files::read(path)?;
    Photo::decode(&bytes).map_err(|r| Refusal { seen: format!("{}: {}", path.display(), r.seen), ..r })
}

fn pictures(traced: &Trace, tracing: &Tracing) -> Result<Batch, Refusal> {
    let mut batch = Batch::default();
    for (name, bytes) in drawn(traced, tracing)? {
        batch.add(name, bytes);
    }
    Ok(batch)
}

fn drawn(traced: &Trace, tracing: &Tracing) -> Result<Vec<(&'static str, Vec<u8>)>, Refusal> {
    let picture = overlay::of_trace(traced, tracing);
    let (over, flat) =
        rayon::join(|| files::jpeg(&picture, JPEG_QUALITY), || files::jpeg(&traced.flat.rgb, JPEG_QUALITY));
    [("overlay.jpg", over), ("flat.jpg", flat)]
        .into_iter()
        .map(|(name, bytes)| Ok((name, bytes.ok_or_else(|| too_large(name))?)))
        .collect()
}

fn too_large(name: &str) -> Refusal {
    Refusal::new(RefusalKind::PhotoSize, format!("{name} could not be drawn"), "take the photo from closer by")
}
