//! `clothline targets`: reference cards and a grid sheet to print.

use clothline::Refusal;
use clothline::targets::{self, TargetOptions};

use super::args::TargetsArgs;
use super::files::{self, Batch};

/// Runs the command.
///
/// # Errors
/// If the cards do not fit the paper, or the files cannot be written.
pub fn run(args: &TargetsArgs) -> Result<(), Refusal> {
    files::check_writable(&args.out)?;
    let options = TargetOptions {
        card: args.card,
        count: args.count as usize,
        first: args.first as usize,
        grid: args.grid,
        paper: args.paper,
    };
    let made = targets::draw(&options)?;
    let mut batch = Batch::default();
    batch.add("targets.pdf", made.pdf);
    batch.add("cards.svg", made.cards_svg.into_bytes());
    batch.add("grid-sheet.svg", made.grid_svg.into_bytes());
    batch.write(&args.out)?;
    let names: Vec<String> = batch.names().map(|n| n.display().to_string()).collect();
    if args.json {
        say!("{:#}", serde_json::json!({ "folder": args.out, "files": names }));
    } else if !args.quiet {
        say!("written into {}: {}", args.out.display(), names.join(", "));
        say!(
            "next: print targets.pdf at 100 % (no scaling), measure a black square with a steel rule, lay the cards flat \
             around the garment, and give what you measured: clothline trace PHOTO --card 79.4mm --out FOLDER"
        );
    }
    Ok(())
}
