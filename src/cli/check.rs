//! `clothline check`: is this photo good enough?

use clothline::Refusal;
use clothline::check::{PhotoCheck, check};
use clothline::reference::grid::GridSpec;

use super::args::CheckArgs;
use super::trace;

/// Runs the command. `Some`: the photo cannot be traced, and the reason was printed already.
///
/// # Errors
/// The refusal that a trace of this photo would meet.
pub fn run(args: &CheckArgs) -> Result<Option<Refusal>, Refusal> {
    let photo = trace::decode(&args.photo)?;
    let found = check(&photo, &GridSpec { pitch_mm: [args.grid.mm(); 2] });
    if args.json {
        say!("{:#}", serde_json::json!(found));
        return Ok(found.refused);
    }
    words(&found, args);
    found.refused.map_or(Ok(None), Err)
}

fn words(found: &PhotoCheck, args: &CheckArgs) {
    if !args.quiet {
        if found.good {
            say!("good enough to trace: go on with clothline trace and the same --grid");
        }
        if let Some(px) = found.px_per_mm {
            let lines = found.lines.map_or(String::new(), |[x, y]| format!("; {x} by {y} lines of the grid seen"));
            say!("{px:.1} pixels to a millimetre of mat{lines}");
        }
        if let (Some(tilt), Some(height)) = (found.tilt_deg, found.height_mm) {
            say!("camera {:.0} cm above the mat, tilted by {tilt:.0} degrees", height / 10.0);
        }
    }
    for warning in &found.warnings {
        eprintln!("note: {}", warning.text);
    }
}
