//! The files that `trace` and `seam` write, and what they say when done.

use clothline::cloths::ThicknessSource;
use clothline::edges::{EdgeKind, Tracing};
use clothline::pattern_file::{self, Pattern};
use clothline::seams::Piece;
use clothline::sheets::tiles::Paper;
use clothline::sheets::{pdf, svg};
use clothline::trace::Scale;
use clothline::units::for_either_tape;
use clothline::{Refusal, Warning};

use super::args::{OutputArgs, PieceArgs};
use super::files::Batch;

/// One piece as a pattern, with the warnings of the stages before.
pub fn pattern(piece: Piece, warnings: &[Warning]) -> Pattern {
    Pattern { name: None, pieces: vec![piece], warnings: warnings.to_vec() }
}

/// Names given to edges, for the outline file.
pub fn edge_names(piece: &PieceArgs) -> Vec<(usize, String)> {
    piece.edge_name.iter().map(|n| (n.edge, n.name.clone())).collect()
}

/// Adds `pattern.json`, `pattern.svg`, `pattern.pdf` and `pattern-tiled.pdf`.
///
/// # Errors
/// If a piece is too large for a page.
pub fn add_pattern(batch: &mut Batch, pattern: &Pattern, paper: Paper) -> Result<(), Refusal> {
    batch.add("pattern.json", pattern_file::write(pattern)?.into_bytes());
    batch.add("pattern.svg", svg::write(pattern).into_bytes());
    batch.add("pattern.pdf", pdf::full_page(pattern)?);
    batch.add("pattern-tiled.pdf", pdf::tiled(pattern, paper)?);
    Ok(())
}

/// What is said at the end.
pub struct Told<'a> {
    /// How it is wanted.
    pub output: &'a OutputArgs,
    /// The pattern made.
    pub pattern: &'a Pattern,
    /// Its edges.
    pub tracing: &'a Tracing,
    /// The scale, where a photo gave it.
    pub scale: Option<&'a Scale>,
}

impl Told<'_> {
    /// Says it: JSON on standard output if asked, else words; what a person should know on standard error, quiet or not.
    pub fn tell(&self, batch: &Batch) {
        if self.output.json {
            say!("{:#}", self.json(batch));
            return;
        }
        if !self.output.quiet {
            self.words();
        }
        for warning in self.warnings() {
            eprintln!("note: {}", warning.text);
        }
        if !self.output.quiet {
            self.next(batch);
        }
    }

    fn warnings(&self) -> Vec<&Warning> {
        let of_pieces = self.pattern.pieces.iter().flat_map(|p| &p.warnings);
        let mut all: Vec<&Warning> = self.pattern.warnings.iter().chain(of_pieces).collect();
        let mut seen = std::collections::HashSet::new();
        all.retain(|w| seen.insert(&w.text));
        all
    }

    fn json(&self, batch: &Batch) -> serde_json::Value {
        serde_json::json!({
            "folder": self.output.out,
            "files": batch.names().collect::<Vec<_>>(),
            "edges": self.tracing.edges.iter().map(|e| serde_json::json!({
                "number": e.number, "kind": e.kind, "length_mm": e.length_mm(), "deviation_mm": e.deviation_mm,
            })).collect::<Vec<_>>(),
            "fold": self.tracing.fold.as_ref().map(|f| f.edge),
            "scale": self.scale,
            "warnings": self.warnings(),
        })
    }

    fn words(&self) {
        if let Some(scale) = self.scale {
            say!(
                "scale: from the {}, {} places that agree to {:.3} mm; every length within {:.1} %",
                scale.reference,
                scale.sides,
                scale.reprojection_mm,
                scale.doubt_percent
            );
            for check in &scale.checks {
                say!("check: by the {}, the {} is {:+.2} % off", check.by, check.of, check.apart_percent);
            }
            if let Some(camera) = scale.camera {
                say!(
                    "camera: {:.0} cm above the table, tilted by {:.0} degrees",
                    camera.height_mm / 10.0,
                    camera.tilt_deg
                );
            }
            say!("{}", thickness(scale));
            if let Some(joined) = &scale.joined {
                let m = joined.mismatch;
                say!(
                    "{} photos joined: over {:.0} mm of edge they differ by {:.2} mm (median), {:.2} mm (95 %), {:.2} mm \
                     (worst{})",
                    joined.photos,
                    m.overlap_mm,
                    m.median_mm,
                    m.p95_mm,
                    m.worst_mm,
                    m.worst_at
                        .and_then(|p| self.tracing.nearest(p))
                        .map_or(String::new(), |e| format!(", on edge {}", e.number))
                );
            }
            if let Some(profile) = &scale.lens_profile {
                say!("lens: profile {profile}");
            }
        }
        for edge in &self.tracing.edges {
            let on_fold = self.tracing.fold.as_ref().is_some_and(|f| f.edge == edge.number);
            let kind = match edge.kind {
                EdgeKind::Line => "straight",
                EdgeKind::Curve => "curved",
            };
            let fold = if on_fold { ", on the fold" } else { "" };
            say!("edge {}: {}, {kind}{fold}", edge.number, for_either_tape(edge.length_mm()));
        }
    }

    fn next(&self, batch: &Batch) {
        let names: Vec<String> = batch.names().map(|n| n.display().to_string()).collect();
        say!("written into {}: {}", self.output.out.display(), names.join(", "));
        let look = if self.scale.is_some() {
            "look at overlay.jpg: is every edge where the garment ends, every corner a corner? Then "
        } else {
            ""
        };
        say!("next: {look}print pattern-tiled.pdf at 100 % (no scaling) and measure its test squares before you cut");
    }
}

/// The correction for the cloth's height, and its size.
fn thickness(scale: &Scale) -> String {
    let known = match scale.thickness_from {
        ThicknessSource::Measured => "measured",
        ThicknessSource::Layers => "from its layers",
        ThicknessSource::Assumed => "assumed",
    };
    let (mm, doubt) = (scale.thickness_mm, scale.thickness_doubt_mm);
    let shift = match scale.camera {
        Some(_) => format!(
            "the outline was drawn in by up to {:.2} mm, give or take {:.2}",
            scale.thickness_shift_mm, scale.thickness_shift_doubt_mm
        ),
        None => format!(
            "not corrected for, since the camera's height is unknown: the outline may be up to {:.1} mm too large",
            scale.thickness_shift_doubt_mm
        ),
    };
    format!("thickness: {mm:.1} mm, give or take {doubt:.1} ({known}); {shift}")
}
