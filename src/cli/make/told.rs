//! What `make` says when it is done.

use clothline::units::tape_inches;

use super::{Made, MakeArgs, OUT};
use crate::cli::lay;

/// Says it: JSON if asked, else words in the set's own unit; what a person should know is said even when quiet.
pub fn tell(args: &MakeArgs, made: &Made) {
    if args.json {
        say!("{:#}", json(args, made));
        return;
    }
    if !args.quiet {
        pieces(made);
        checks(made);
        made.plans.iter().for_each(|plan| say!("{}", lay::to_buy(plan)));
    }
    for warning in &made.warnings {
        eprintln!("note: {warning}");
    }
    if args.quiet {
        return;
    }
    if !made.unchanged.is_empty() {
        say!("unchanged, left as they were: {}", made.unchanged.join(", "));
    }
    say!("written into {}: {}", args.set.join(OUT).display(), made.files.join(", "));
    if let Some(next) = next(made) {
        say!("next: {next}");
    }
}

fn json(args: &MakeArgs, made: &Made) -> serde_json::Value {
    serde_json::json!({
        "folder": args.set.join(OUT), "files": made.files, "unchanged": made.unchanged,
        "pieces": made.set.pattern.pieces.iter().map(|p| &p.name).collect::<Vec<_>>(),
        "checks": made.set.checks(), "plans": made.plans, "warnings": made.warnings,
    })
}

/// A length in the unit the set is written in.
fn shown(made: &Made, mm: f64) -> String {
    if made.in_inches { tape_inches(mm) } else { format!("{:.1} cm", mm / 10.0) }
}

fn pieces(made: &Made) {
    for piece in &made.set.pattern.pieces {
        let edges: Vec<String> = piece
            .edges
            .iter()
            .map(|e| {
                let name = e.name.clone().unwrap_or_else(|| format!("edge {}", e.number));
                format!("{name} ({})", shown(made, e.length_mm))
            })
            .collect();
        say!("{}: {}", piece.name, edges.join(", "));
    }
}

/// Do edges that are sewn together fit, what was moved, finished measurements, the tape.
fn checks(made: &Made) {
    let set = &made.set;
    for seam in &set.seams {
        let [a, b] = seam.lengths_mm.map(|mm| shown(made, mm));
        let fits = if seam.fits {
            "they fit".to_string()
        } else {
            format!("they do NOT fit: {:.1} mm apart", seam.difference_mm.abs())
        };
        say!("seam {}: {a} and {b}, {fits}", seam.seam);
    }
    for moved in &set.moved {
        say!("trued: {moved}");
    }
    for m in &set.measures {
        let of = m.variation.as_ref().map(|v| format!(", {v}")).unwrap_or_default();
        say!("{}{of}: {}, give or take {:.0} mm ({})", m.name, shown(made, m.length_mm), m.doubt_mm.max(1.0), m.how);
    }
    for t in &set.tape {
        let how = if t.agrees { "they agree" } else { "they do NOT agree" };
        say!(
            "{} by the tape: {}, by the pattern {}: {how}",
            t.measure,
            shown(made, t.tape_mm),
            shown(made, t.pattern_mm)
        );
    }
}

/// What a person does now, of what was made.
fn next(made: &Made) -> Option<String> {
    let has = |name: &str| made.files.iter().any(|file| file == name);
    let mut steps = Vec::new();
    if has("report.html") {
        steps.push("open report.html and look whether every outline follows its garment".to_string());
    }
    if let Some(sheets) = made.printed.iter().find(|name| !name.starts_with("projector")) {
        steps.push(format!("print {sheets} at 100 % (no scaling) and measure its test squares before you cut"));
    }
    if has("makesheet.pdf") {
        steps.push("sew by makesheet.pdf".to_string());
    }
    (!steps.is_empty()).then(|| steps.join("; then "))
}
