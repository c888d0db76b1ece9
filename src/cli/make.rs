//! `clothline make SET`: everything that follows from a set's folder.
//!
//! Photos that changed are traced again into `pieces/NAME.traced.json`; what a person wrote is only read.

mod replaced;
mod told;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{Args, Parser};
use clothline::corrections::{self, Corrections};
use clothline::fingerprint::Fingerprint;
use clothline::garment::Hint;
use clothline::report::Source;
use clothline::set::file::{self, PhotoFile, PieceFile, SetFile};
use clothline::set::{self, Finished, Traced, walk};
use clothline::sheets::svg;
use clothline::trace::{TraceOptions, Watch};
use clothline::{Refusal, RefusalKind, Warning, outline_file};

use super::args::TraceArgs;
use super::files::{self, Batch};
use super::products::{self, Ingredients, ProductArgs};
use super::progress::Progress;
use super::{source, trace};

/// The set's own file within its folder.
const SET_FILE: &str = "set.json";
/// Where everything derived goes.
const OUT: &str = "out";
/// Where traced outlines are kept.
const PIECES: &str = "pieces";

/// `clothline make`.
#[derive(Debug, Args)]
pub struct MakeArgs {
    /// The set's folder.
    pub set: PathBuf,

    /// Share out small differences between edges that are sewn together, and say what was moved.
    #[arg(long = "true")]
    pub true_up: bool,

    /// Trace every photo again.
    #[arg(long)]
    pub retrace: bool,

    /// Make it with another value than set.json has, such as "allowances.hem=2in" or "front.draw=whole"; the file stays
    /// as it is.
    #[arg(long, value_name = "PLACE=VALUE")]
    pub with: Vec<String>,

    /// Only these pieces, by name.
    #[arg(long, value_name = "NAME")]
    pub piece: Vec<String>,

    /// Only this variation, and what all variations share.
    #[arg(long, value_name = "NAME")]
    pub variation: Option<String>,

    /// What is made.
    #[command(flatten)]
    pub products: ProductArgs,

    /// Print what was made as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

/// Runs the command.
///
/// # Errors
/// A refusal from any stage; nothing derived is written then, and never anything a person wrote.
pub fn run(args: &MakeArgs) -> Result<(), Refusal> {
    let mut progress = Progress::new(args.quiet, None);
    let made = make(args, &mut progress);
    progress.finish();
    let made = made?;
    told::tell(args, &made);
    Ok(())
}

struct Made {
    set: Finished,
    files: Vec<String>,
    unchanged: Vec<&'static str>,
    /// PDFs of sheets made now.
    printed: Vec<String>,
    warnings: Vec<String>,
    plans: Vec<clothline::lay::LayPlan>,
    /// Does the person who wrote the set think in inches?
    in_inches: bool,
}

fn make(args: &MakeArgs, progress: &mut Progress) -> Result<Made, Refusal> {
    let mut file = read(&args.set, &args.with)?;
    if let Some(variation) = &args.variation {
        file.keep_variation(variation)?;
    }
    let out = args.set.join(OUT);
    files::check_writable(&args.set)?;
    files::check_writable(&out)?;
    let mut traced = BTreeMap::new();
    let mut sources = Vec::new();
    for piece in &file.pieces {
        if let Some(one) = traced_piece(&args.set, &file, piece, args.retrace, progress)? {
            sources.extend(shown(&args.set, piece, &one));
            traced.insert(piece.name.clone(), one);
        }
    }
    progress.stage("fitting the pieces");
    let mut set = set::make(&file, &traced, args.true_up)?;
    for name in &args.piece {
        source::named(&set.pattern, name)?;
    }
    if !args.piece.is_empty() {
        set.pattern.pieces.retain(|p| args.piece.contains(&p.name));
    }
    let from = Ingredients {
        title: &file.name,
        pattern: &set.pattern,
        sources: &sources,
        finished: set.for_make_sheet(),
        checks: set.for_report(),
        cloth: &file.cloth,
    };
    let made = products::make(&out, &from, &args.products, args.quiet, &mut |name| progress.stage(name))?;
    let mut batch = made.batch;
    batch.add("checks.json", json(&set.checks())?);
    if let Some(drawing) = walk::draw(&set) {
        batch.add("truing.svg", svg::document(&drawing, "Pieces walked along each other").into_bytes());
    }
    batch.write(&out)?;
    let files = batch.names().map(|n| n.display().to_string()).filter(|n| !n.starts_with('.')).collect();
    let warnings = warnings(&set, &traced, &made.warnings);
    let printed = made.printed.into_iter().map(|(name, _)| name).collect();
    let in_inches = file.is_in_inches();
    Ok(Made { set, files, unchanged: made.unchanged, printed, warnings, plans: made.plans, in_inches })
}

/// What a person should know, each said once: of whom, where it is of some pieces only.
fn warnings(set: &Finished, traced: &BTreeMap<String, Traced>, of_products: &[Warning]) -> Vec<String> {
    let of_photos = traced.iter().flat_map(|(name, t)| t.warnings.iter().map(move |w| (Some(name), w)));
    let of_pieces = set.pattern.pieces.iter().flat_map(|p| p.warnings.iter().map(move |w| (Some(&p.name), w)));
    let of_set = set.pattern.warnings.iter().chain(of_products).map(|w| (None, w));
    let mut said: Vec<(&str, Vec<&str>)> = Vec::new();
    for (name, warning) in of_photos.chain(of_pieces).chain(of_set) {
        let at = said.iter().position(|(text, _)| *text == warning.text).unwrap_or(said.len());
        if at == said.len() {
            said.push((&warning.text, Vec::new()));
        }
        let names = &mut said[at].1;
        names.extend(name.map(String::as_str).filter(|n| !names.contains(n)));
    }
    let words = |(text, names): (&str, Vec<&str>)| {
        if names.is_empty() { text.to_string() } else { format!("{}: {text}", names.join(", ")) }
    };
    said.into_iter().map(words).collect()
}

/// Reads a set's own file, some of its values replaced.
///
/// # Errors
/// When it is not there or not sound.
pub fn read(folder: &Path, with: &[String]) -> Result<SetFile, Refusal> {
    let path = folder.join(SET_FILE);
    if !path.is_file() {
        return Err(Refusal::new(
            RefusalKind::File,
            format!("there is no {SET_FILE} in {}", folder.display()),
            "a set is a folder with set.json and photos: let the page make one (clothline open FOLDER), or write one \
             as README.md shows",
        ));
    }
    let text = String::from_utf8_lossy(&files::read(&path)?).into_owned();
    let text = if with.is_empty() { text } else { replaced::replaced(&text, with)? };
    file::read(&text).map_err(|r| Refusal { seen: format!("{}: {}", folder.display(), r.seen), ..r })
}

fn json(value: &impl serde::Serialize) -> Result<Vec<u8>, Refusal> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|e| Refusal::new(RefusalKind::File, format!("could not be written: {e}"), "report this as a fault"))?;
    Ok((text + "\n").into_bytes())
}

/// What is known of a piece's outline, traced now if its photo or what is said of it changed.
fn traced_piece(
    folder: &Path,
    set: &SetFile,
    piece: &PieceFile,
    again: bool,
    progress: &mut Progress,
) -> Result<Option<Traced>, Refusal> {
    let about = |r: Refusal| Refusal { seen: format!("piece \"{}\": {}", piece.name, r.seen), ..r };
    if let Some(name) = &piece.outline {
        let bytes = files::read(&within(folder, name).map_err(about)?).map_err(about)?;
        let changes = changes(folder, piece)?;
        let file = outline_file::read(&String::from_utf8_lossy(&bytes)).map_err(about)?;
        return traced_from(file, &changes).map(Some).map_err(about);
    }
    let Some(photo) = &piece.photo else { return Ok(None) };
    let changes = changes(folder, piece)?;
    let arguments = arguments(folder, set, photo).map_err(about)?;
    let key = key(folder, set, photo, &changes.hints()).map_err(about)?;
    let kept = folder.join(PIECES).join(format!("{}.traced.json", piece.name));
    if !again && let Ok(bytes) = std::fs::read(&kept) {
        let file = outline_file::read(&String::from_utf8_lossy(&bytes));
        if let Ok(file) = file
            && file.made_from.as_deref() == Some(key.as_str())
        {
            return traced_from(file, &changes).map(Some).map_err(about);
        }
    }
    trace_photo(folder, piece, (&arguments, &changes), &key, progress).map(Some).map_err(about)
}

/// What a person changed on a piece's outline in the page.
fn changes(folder: &Path, piece: &PieceFile) -> Result<Corrections, Refusal> {
    let path = folder.join(PIECES).join(format!("{}.changes.json", piece.name));
    if !path.is_file() {
        return Ok(Corrections::default());
    }
    let text = String::from_utf8_lossy(&files::read(&path)?).into_owned();
    corrections::read(&text).map_err(|r| Refusal { seen: format!("{}: {}", path.display(), r.seen), ..r })
}

/// What a piece's photos are to be traced with.
pub struct Wanted {
    /// All that is said of them, and what was painted on them.
    pub options: TraceOptions,
    /// Tells this tracing from others.
    pub key: String,
}

/// What the photos of a piece of this name are to be traced with, `hints` having been painted on them.
///
/// # Errors
/// If there is no such piece, or what is said of its photos makes no sense.
pub fn wanted(folder: &Path, set: &SetFile, name: &str, hints: &[Hint]) -> Result<Wanted, Refusal> {
    let photo = set.pieces.iter().find(|p| p.name == name).and_then(|p| p.photo.as_ref()).ok_or_else(|| {
        let seen = format!("there is no photo of \"{name}\"");
        Refusal::new(RefusalKind::BadRequest, seen, "look at the list of pieces")
    })?;
    let arguments = arguments(folder, set, photo)?;
    let key = key(folder, set, photo, hints)?;
    Ok(Wanted { options: trace::all_options(&typed(&arguments)?, hints)?, key })
}

fn typed(arguments: &[String]) -> Result<TraceArgs, Refusal> {
    let typed = Typed::try_parse_from(arguments).map_err(|e| {
        let line = e.to_string().lines().next().unwrap_or_default().trim_start_matches("error: ").to_string();
        Refusal::new(RefusalKind::BadRequest, line, "correct what is said of the photo in set.json")
    })?;
    Ok(typed.trace)
}

/// An outline with what a person changed on it.
fn traced_from(file: outline_file::OutlineFile, changes: &Corrections) -> Result<Traced, Refusal> {
    let done = corrections::corrected(&file.outline, changes)?;
    Ok(set::traced(&file, &done))
}

/// A file of the set's folder; nothing outside it is read.
fn within(folder: &Path, name: &str) -> Result<PathBuf, Refusal> {
    let path = Path::new(name);
    let plain = path.components().all(|c| matches!(c, std::path::Component::Normal(_)));
    if plain {
        Ok(folder.join(path))
    } else {
        Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("\"{name}\" is not within the set's folder"),
            "copy the file into the set, such as photos/front.jpg",
        ))
    }
}

/// `clothline trace`, as it would be typed for a photo.
#[derive(Debug, Parser)]
#[command(no_binary_name = true)]
struct Typed {
    #[command(flatten)]
    trace: TraceArgs,
}

fn arguments(folder: &Path, set: &SetFile, photo: &PhotoFile) -> Result<Vec<String>, Refusal> {
    let mut typed = Vec::new();
    for name in photo.file.all() {
        typed.push(within(folder, name)?.display().to_string());
    }
    let mut option = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            typed.push(format!("--{name}={value}"));
        }
    };
    let own = photo.reference.clone().unwrap_or_default();
    let usual = set.reference.clone().unwrap_or_default();
    let reference = match (photo.grid, own.any()) {
        (Some(grid), _) => file::Reference { grid: Some(grid), measured: own.measured.clone(), ..own },
        (None, true) => own,
        (None, false) => usual,
    };
    option("grid", reference.grid.map(|l| l.to_string()));
    option("measured", reference.measured);
    option("mat", reference.mat);
    option("card", reference.card.map(|l| l.to_string()));
    for ruler in reference.ruler {
        option("ruler", Some(ruler.to_string()));
    }
    option("sheet", reference.sheet);
    option("thickness", photo.thickness.map(|l| l.to_string()));
    option("layers", photo.layers.map(|n| n.to_string()));
    option("cloth", photo.cloth.clone());
    option("marks", photo.marks.clone());
    if let Some(bare) = &photo.bare {
        let path = within(folder, bare)?.display().to_string();
        option("bare", Some(path));
    }
    if reference.id_card {
        typed.push("--id-card".into());
    }
    typed.extend(["--out".into(), folder.display().to_string()]);
    Ok(typed)
}

/// Tells one tracing from another: program, photos' bytes and all that is said of them, wherever the set lies.
fn key(folder: &Path, set: &SetFile, photo: &PhotoFile, hints: &[Hint]) -> Result<String, Refusal> {
    let mut print = Fingerprint::of(env!("CARGO_PKG_VERSION"));
    for argument in arguments(Path::new(""), set, photo)? {
        print.add(argument);
        print.add([0]);
    }
    for name in photo.file.all().iter().chain(&photo.bare) {
        print.add(files::read(&within(folder, name)?)?);
    }
    if !hints.is_empty() {
        print.add(json(&hints)?);
    }
    Ok(print.to_string())
}

fn trace_photo(
    folder: &Path,
    piece: &PieceFile,
    (arguments, changes): (&[String], &Corrections),
    key: &str,
    progress: &mut Progress,
) -> Result<Traced, Refusal> {
    let traced = trace::photos(&typed(arguments)?, &changes.hints(), progress)?;
    let pictures = trace::pictures_of(&traced)?;
    let scale = serde_json::to_value(&traced.scale).ok();
    let text = outline_file::write_made(&traced.outline, scale, &traced.warnings, &traced.marks, key)?;
    let mut batch = Batch::default();
    batch.add(format!("{}.traced.json", piece.name), text.clone().into_bytes());
    batch.write(&folder.join(PIECES))?;
    let mut shown = Batch::default();
    for (name, bytes) in pictures {
        shown.add(format!("{}-{name}", piece.name), bytes);
    }
    shown.write(&folder.join(OUT))?;
    outline_file::read(&text).and_then(|file| traced_from(file, changes))
}

/// What the report shows of a photo.
fn shown(folder: &Path, piece: &PieceFile, traced: &Traced) -> Option<Source> {
    let overlay = std::fs::read(folder.join(OUT).join(format!("{}-overlay.jpg", piece.name))).ok()?;
    Some(Source { overlay_jpeg: Some(overlay), ..set::source(&piece.name, traced) })
}
