//! `clothline check`: is this photo good enough?

use clothline::check::{PhotoCheck, check};
use clothline::reference::grid::GridSpec;
use clothline::{Refusal, RefusalKind};

use super::args::CheckArgs;

/// Runs the command. `Some`: the photo cannot be traced, and the reason was printed already.
///
/// # Errors
/// The refusal that a trace of this photo would meet.
pub fn run(args: &CheckArgs) -> Result<Option<Refusal>, Refusal> {
    let photo = super::trace::decode(&args.photo)?;
    let references = args.references.all();
    if args.grid.is_none() && !references.any() {
        return Err(nothing_named());
    }
    let spec = args.grid.map(|grid| GridSpec { pitch_mm: [grid.mm(); 2] });
    let found = check(&photo, spec.as_ref(), &references);
    if args.json {
        say!("{:#}", serde_json::json!(found));
        return Ok(found.refused);
    }
    words(&found, args);
    found.refused.map_or(Ok(None), Err)
}

fn nothing_named() -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        "nothing of known size was named",
        "say the mat's squares (--grid 1in), or what lies beside the garment (--ruler, --card, --sheet or --id-card)",
    )
}

fn words(found: &PhotoCheck, args: &CheckArgs) {
    if !args.quiet {
        if found.good {
            say!("good enough to trace: go on with clothline trace and the same options");
        }
        if let Some(px) = found.px_per_mm {
            let lines = found.lines.map_or(String::new(), |[x, y]| format!("; {x} by {y} lines of the grid seen"));
            say!("{px:.1} pixels to a millimetre{lines}");
        }
        if let (Some(tilt), Some(height)) = (found.tilt_deg, found.height_mm) {
            say!("camera {:.0} cm above the table, tilted by {tilt:.0} degrees", height / 10.0);
        }
    }
    for warning in &found.warnings {
        eprintln!("note: {}", warning.text);
    }
}
