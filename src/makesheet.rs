//! The make sheet: one page to sew from. What to cut, what to buy, the seams in sewing order, finished lengths, cautions.
//!
//! Seams are found from the edges' names (shoulder, side-seam, armhole, sleeve-cap, inseam ...), as drafted or as typed;
//! edges without a known name are left out and counted. Sewing order is common practice of the trade, no source.

mod html;
mod page;
mod steps;

use serde::Serialize;

use crate::lay::LayPlan;
use crate::pattern_file::Pattern;
use crate::seams::Piece;
use crate::set::file::CASING_ROOM_MM;
use crate::units::tape_inches;

pub use html::write as html;
pub use page::draw;

/// A seam pair may differ by this, mm; more is said with the step.
pub const PAIR_MM: f64 = 1.5;

/// What the sheet says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MakeSheet {
    /// Name of the set or of the pieces.
    pub title: String,
    /// What to cut.
    pub pieces: Vec<CutRow>,
    /// What to buy.
    pub buy: Vec<String>,
    /// Seams in sewing order.
    pub steps: Vec<Step>,
    /// Finished measurements of the garment ("chest"), where a set gives them.
    pub finished: Vec<Measure>,
    /// Finished lengths along the stitching lines.
    pub measures: Vec<Measure>,
    /// What can hurt someone.
    pub cautions: Vec<String>,
    /// What the sheet could not know.
    pub notes: Vec<String>,
}

/// A piece to cut.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CutRow {
    /// Its name.
    pub name: String,
    /// "2, a left and a right".
    pub cut: String,
    /// Its cloth.
    pub cloth: String,
}

/// A step of sewing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// What to do.
    pub text: String,
    /// Lengths of the edges joined, mm.
    pub lengths_mm: Vec<f64>,
    /// Do they agree within [`PAIR_MM`], or are they meant to be eased?
    pub agrees: bool,
}

impl Step {
    /// The lengths for either tape, with a leading space: " (41.0 cm and 41.2 cm; 16 1/8 in and 16 1/4 in)", lengths that
    /// read alike once; empty where there are none.
    pub fn lengths(&self) -> String {
        let both = |shown: &dyn Fn(f64) -> String| {
            let mut each: Vec<String> = self.lengths_mm.iter().map(|l| shown(*l)).collect();
            let count = each.len();
            each.dedup();
            if each.len() == 1 && count > 1 { format!("{} each", each[0]) } else { each.join(" and ") }
        };
        if self.lengths_mm.is_empty() {
            return String::new();
        }
        format!(" ({}; {})", both(&|mm| format!("{:.1} cm", mm / 10.0)), both(&tape_inches))
    }
}

/// A finished length.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measure {
    /// The piece, where it is one of a piece.
    pub of: Option<String>,
    /// What is measured: an edge ("hem"), or the garment's "chest".
    pub what: String,
    /// Along the stitching line, mm.
    pub length_mm: f64,
}

/// The sheet of a pattern; plans tell how much cloth to buy.
pub fn of(title: &str, pattern: &Pattern, plans: &[LayPlan]) -> MakeSheet {
    let pieces = &pattern.pieces;
    let (steps, mut notes) = steps::of(pieces);
    let buy = buy(pieces, plans, &mut notes);
    MakeSheet {
        title: title.to_string(),
        pieces: pieces.iter().map(row).collect(),
        buy,
        steps,
        finished: Vec::new(),
        measures: measures(pieces),
        cautions: cautions(pieces),
        notes,
    }
}

fn row(piece: &Piece) -> CutRow {
    let count = piece.cutting.count;
    let mut cut = count.to_string();
    if piece.fold.is_some() {
        cut.push_str(" on the fold");
    }
    if piece.cutting.mirrored && count > 1 {
        cut.push_str(if count == 2 { ", a left and a right" } else { ", half of them turned over" });
    }
    CutRow { name: piece.name.clone(), cut, cloth: piece.cutting.cloth.clone() }
}

fn buy(pieces: &[Piece], plans: &[LayPlan], notes: &mut Vec<String>) -> Vec<String> {
    let mut list: Vec<String> = plans
        .iter()
        .map(|p| {
            let nap = if p.nap { ", with nap" } else { "" };
            format!(
                "{}: {:.0} cm ({} yd) of cloth {:.0} cm wide{nap}",
                p.fabric,
                p.buy_mm / 10.0,
                crate::lay::picture::eighths(p.buy_yards),
                p.width_mm / 10.0
            )
        })
        .collect();
    if plans.is_empty() {
        notes.push(
            "How much cloth: not planned yet. Say how wide it is: under Cloth on the page, or with --width.".into(),
        );
    }
    list.extend(elastic(pieces));
    list.push("thread; a needle to suit the cloth".into());
    list
}

/// Elastic for the casings: those of one variation that are equally wide are one round of the body.
fn elastic(pieces: &[Piece]) -> Vec<String> {
    let mut rounds: Vec<(&Option<String>, f64, Vec<&str>)> = Vec::new();
    for (piece, edge) in pieces.iter().flat_map(|p| p.edges.iter().map(move |e| (p, e))) {
        let casing =
            steps::named(edge, "casing") || (steps::named(edge, "waist") && edge.allowance_mm >= steps::CASING_MM);
        if !casing {
            continue;
        }
        let alike =
            |(of, width, _): &&mut (_, f64, _)| *of == &piece.variation && (*width - edge.allowance_mm).abs() < 0.5;
        match rounds.iter_mut().find(alike) {
            Some((_, _, names)) => names.push(&piece.name),
            None => rounds.push((&piece.variation, edge.allowance_mm, vec![&piece.name])),
        }
    }
    let words = |(_, allowance, names): (&Option<String>, f64, Vec<&str>)| {
        let widest = allowance - CASING_ROOM_MM;
        format!(
            "elastic for the casing of {} (allowance {allowance:.0} mm): up to {widest:.0} mm wide ({}), as long as it sits \
             well round the body plus 2.5 cm (1 in) to overlap",
            names.join(" and "),
            tape_inches(widest)
        )
    };
    rounds.into_iter().map(words).collect()
}

fn measures(pieces: &[Piece]) -> Vec<Measure> {
    let named = |p: &Piece| {
        let fold = p.fold.as_ref().map(|f| f.edge);
        let own: Vec<Measure> = p
            .edges
            .iter()
            .filter(|e| Some(e.number) != fold)
            .filter_map(|e| {
                let what = steps::words(e.name.as_deref()?);
                Some(Measure { of: Some(p.name.clone()), what, length_mm: e.length_mm })
            })
            .collect();
        own
    };
    pieces.iter().flat_map(named).collect()
}

fn cautions(pieces: &[Piece]) -> Vec<String> {
    let mut list = vec![
        "Blades: keep rotary cutters closed and shears in their guard; cut away from your hand.".to_string(),
        "For a child's nightwear: cloth that catches fire easily, and loose cuts, are regulated near flame. Look up the \
         rule where you live before you choose cloth."
            .to_string(),
    ];
    let named = |word: &str| {
        pieces.iter().any(|p| p.name.to_lowercase().contains(word) || p.edges.iter().any(|e| steps::named(e, word)))
    };
    if ["hood", "cord", "tie", "neck", "waist", "casing", "belt"].into_iter().any(named) {
        list.push(
            "For a child: no cords or drawstrings at hood or neck, and no long free ends at waist or hem; they are regulated. \
             Look up the rule where you live."
                .into(),
        );
    }
    list.push("Measure the printed test squares and one known length of the garment before you cut.".into());
    list
}
