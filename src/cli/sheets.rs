//! `clothline sheets`: finished pieces to paper, projector, cutter, other programs and other people.

use std::path::{Path, PathBuf};

use clap::Args;
use clothline::report::Source;
use clothline::sheets::pdf;
use clothline::{Refusal, outline_file};

use super::files;
use super::products::{self, Ingredients, ProductArgs};
use super::progress::Progress;
use super::source;
use clothline::trace::Watch;

/// `clothline sheets`.
#[derive(Debug, Args)]
pub struct SheetsArgs {
    /// Finished pieces: pattern.json files or set folders (- reads one from standard input).
    #[arg(required = true)]
    pub patterns: Vec<PathBuf>,

    /// Folder for the results (made if it is not there).
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,

    /// Only these pieces, by name.
    #[arg(long, value_name = "NAME")]
    pub piece: Vec<String>,

    /// Title of the make sheet and the report; else the pieces' names.
    #[arg(long, value_name = "TEXT")]
    pub title: Option<String>,

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
/// If the pieces cannot be read or put on the paper; nothing is written then.
pub fn run(args: &SheetsArgs) -> Result<(), Refusal> {
    files::check_writable(&args.out)?;
    let pattern = source::pattern(&args.patterns, &args.piece)?;
    let title = args.title.clone().unwrap_or_else(|| pdf::title(&pattern));
    let sources: Vec<Source> = args.patterns.iter().filter_map(|p| photo_beside(p)).collect();
    let from = Ingredients {
        title: &title,
        pattern: &pattern,
        sources: &sources,
        finished: Vec::new(),
        checks: Vec::new(),
        cloth: &[],
    };
    let mut progress = Progress::new(args.quiet, None);
    let made = products::make(&args.out, &from, &args.products, args.quiet, &mut |name| progress.stage(name));
    progress.finish();
    let made = made?;
    made.batch.write(&args.out)?;
    let names: Vec<String> =
        made.batch.names().map(|n| n.display().to_string()).filter(|n| !n.starts_with('.')).collect();
    if args.json {
        let printed: Vec<_> =
            made.printed.iter().map(|(file, pages)| serde_json::json!({"file": file, "pages": pages})).collect();
        say!(
            "{:#}",
            serde_json::json!({
                "folder": args.out, "files": names, "printed": printed, "unchanged": made.unchanged,
                "plans": made.plans, "warnings": made.warnings,
            })
        );
        return Ok(());
    }
    for warning in &made.warnings {
        eprintln!("note: {}", warning.text);
    }
    if args.quiet {
        return Ok(());
    }
    for (name, pages) in &made.printed {
        say!("{name}: {pages} {}", if *pages == 1 { "page" } else { "pages" });
    }
    if !made.unchanged.is_empty() {
        say!("unchanged, left as they were: {}", made.unchanged.join(", "));
    }
    say!("written into {}: {}", args.out.display(), names.join(", "));
    if let Some((name, _)) = made.printed.iter().find(|(name, _)| !name.starts_with("projector")) {
        say!("next: print {name} at 100 % (no scaling) and measure its test squares before you cut");
    }
    Ok(())
}

/// What a traced piece's folder tells of its photo.
fn photo_beside(path: &Path) -> Option<Source> {
    let folder = if path.is_dir() { path } else { path.parent()? };
    let text = std::fs::read_to_string(folder.join("outline.json")).ok()?;
    let file = outline_file::read(&text).ok()?;
    let overlay_jpeg = std::fs::read(folder.join("overlay.jpg")).ok();
    let percent = file.scale.as_ref().and_then(|s| s.get("doubt_percent")).and_then(serde_json::Value::as_f64);
    // An outline drawn by hand has neither photo nor doubt to show.
    overlay_jpeg.as_ref()?;
    Some(Source {
        name: folder.file_name().map_or_else(|| folder.display().to_string(), |n| n.to_string_lossy().into_owned()),
        overlay_jpeg,
        doubts: file.outline.points.iter().map(|p| (p.doubt_mm, p.seen)).collect(),
        scale_doubt_percent: percent,
        warnings: file.warnings.iter().map(|w| w.text.clone()).collect(),
    })
}
