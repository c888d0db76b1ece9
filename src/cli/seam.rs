//! `clothline seam`: an outline from anywhere to a pattern piece.

use clothline::Refusal;
use clothline::draft::draft_piece;
use clothline::outline_file;

use super::args::SeamArgs;
use super::files::{self, Batch};
use super::results;

/// Runs the command.
///
/// # Errors
/// If the outline cannot be read or made into a piece; nothing is written then.
pub fn run(args: &SeamArgs) -> Result<(), Refusal> {
    files::check_writable(&args.output.out)?;
    let bytes = files::read(&args.outline)?;
    let file = outline_file::read(&String::from_utf8_lossy(&bytes))?;
    let (tracing, piece) = draft_piece(&file.outline, &args.piece.options())?;
    let warnings: Vec<_> = file.warnings.iter().chain(&tracing.warnings).cloned().collect();
    let mut batch = Batch::default();
    let names = results::edge_names(&args.piece);
    let outline =
        outline_file::write_marked(&file.outline, Some(&tracing), &names, file.scale, &warnings, &file.marks)?;
    batch.add("outline.json", outline.into_bytes());
    let pattern = results::pattern(piece, &warnings);
    results::add_pattern(&mut batch, &pattern, args.output.paper)?;
    batch.write(&args.output.out)?;
    results::Told { output: &args.output, pattern: &pattern, tracing: &tracing, scale: None }.tell(&batch);
    Ok(())
}
