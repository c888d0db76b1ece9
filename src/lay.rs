//! Lay plan: how every copy of every piece lies on the cloth, and how much cloth that takes.
//!
//! The lay frame is in millimetres: x along the selvedge from where the cloth is cut off, y across it. On doubled cloth
//! the fold is y = 0 and the selvedges lie together at half the width. Grainlines run along x; with a nap all point the
//! same way.

pub mod copies;
pub mod nest;
pub mod picture;
mod search;
mod shelf;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::Cutting;
use crate::units::{Length, MatPoint};
use copies::{CutPiece, Lying};
use nest::{Effort, Shape, Strip, Variant, Watch};

/// Eighth of a yard, mm: 36 in of 25.4 mm, by eight.
pub const EIGHTH_YARD_MM: f64 = 114.3;
/// Step in which metric cloth is sold, mm (common practice, no source).
pub const METRIC_STEP_MM: f64 = 50.0;
/// Collision queries that a slow core manages in a second, so that the clock seldom cuts a plan short.
pub const QUERIES_PER_SECOND: u64 = 120_000;

/// How the cloth lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cloth {
    /// One layer, right side up.
    Flat,
    /// Folded along its length, right sides together.
    Doubled,
}

/// A cloth to cut from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bolt {
    /// Which cloth ("self", "rib", "lining").
    #[serde(default = "own_cloth")]
    pub name: String,
    /// Usable width from selvedge to selvedge.
    pub width: Length,
    /// Folded along its length, right sides together.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub doubled: bool,
    /// With a nap, pile or one-way print: all pieces one way up.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub nap: bool,
}

fn own_cloth() -> String {
    Cutting::default().cloth
}

/// Least distance between pieces unless said, mm (common practice, no source).
pub const GAP_MM: f64 = 3.0;

impl Bolt {
    /// What is wanted of a plan on this cloth, searched for so many seconds of a slow core.
    pub fn request(&self, gap_mm: f64, seconds: f64, seed: u64) -> LayRequest {
        LayRequest {
            width: self.width,
            cloth: if self.doubled { Cloth::Doubled } else { Cloth::Flat },
            nap: self.nap,
            gap_mm,
            effort: Effort { seed, queries: (seconds * QUERIES_PER_SECOND as f64) as u64 },
        }
    }
}

/// The pieces of a pattern by the cloth they are cut from.
pub fn by_cloth(pattern: &Pattern) -> BTreeMap<&str, Vec<CutPiece>> {
    let mut cloths: BTreeMap<&str, Vec<CutPiece>> = BTreeMap::new();
    for piece in &pattern.pieces {
        cloths.entry(piece.cutting.cloth.as_str()).or_default().push(CutPiece::new(piece));
    }
    cloths
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct LayRequest {
    /// Width of the cloth from selvedge to selvedge.
    pub width: Length,
    /// Flat or doubled.
    pub cloth: Cloth,
    /// All pieces one way up (nap, pile, one-way prints)?
    pub nap: bool,
    /// Least distance between pieces, mm.
    pub gap_mm: f64,
    /// Seed and work.
    pub effort: Effort,
}

/// One copy of a piece on the cloth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Laid {
    /// Name of its piece.
    pub piece: String,
    /// Which copy, from 1.
    pub copy: u32,
    /// Of how many.
    pub of: u32,
    /// How many layers of cloth are cut at once here.
    pub layers: u32,
    /// Lies with its fold on the fold of the cloth.
    pub on_fold: bool,
    /// The half piece was opened out to the whole.
    pub opened: bool,
    /// Turned over.
    pub mirrored: bool,
    /// Turned by half a turn.
    pub turned: bool,
    /// The cut line in the lay frame.
    pub cut_line: Vec<MatPoint>,
    /// The grainline in the lay frame.
    pub grainline: [MatPoint; 2],
}

/// A lay plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LayPlan {
    /// Which cloth: self, rib, lining ...
    pub fabric: String,
    /// Width of the cloth, mm.
    pub width_mm: f64,
    /// Flat or doubled.
    pub cloth: Cloth,
    /// All pieces one way up.
    pub nap: bool,
    /// Least distance between pieces, mm.
    pub gap_mm: f64,
    /// Length of cloth the pieces reach to, mm.
    pub length_mm: f64,
    /// Length to buy: up to the next 5 cm.
    pub buy_mm: f64,
    /// Length to buy: up to the next eighth of a yard.
    pub buy_yards: f64,
    /// Area of the pieces by the area of cloth they reach over, per cent.
    pub use_percent: f64,
    /// Length if nothing were wasted, mm.
    pub area_bound_mm: f64,
    /// Length by shelf packing, for comparison, mm.
    pub shelf_length_mm: f64,
    /// The seed.
    pub seed: u64,
    /// Does the seed give this very plan again? Not if the clock cut the search short.
    pub repeatable: bool,
    /// The copies.
    pub laid: Vec<Laid>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Plans one fabric.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a width of nought or no pieces; [`RefusalKind::DoesNotFit`] for a piece wider than
/// the cloth, with the width it needs.
pub fn plan(fabric: &str, pieces: &[CutPiece], request: &LayRequest, watch: &Watch<'_>) -> Result<LayPlan, Refusal> {
    let width_mm = request.width.mm();
    check_width(request.width)?;
    if !(0.0..=100.0).contains(&request.gap_mm) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("the gap between pieces is {} mm", request.gap_mm),
            "a gap is between 0 and 10 cm, such as 3mm",
        ));
    }
    let strip_mm = if request.cloth == Cloth::Doubled { 0.5 * width_mm } else { width_mm };
    let mut warnings = Vec::new();
    let mut copies = Vec::new();
    for piece in pieces {
        copies.extend(copies::of(piece, request.cloth, &mut warnings)?);
    }
    if copies.is_empty() {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("no piece is cut from {fabric}"),
            "check the names of pieces and fabrics",
        ));
    }
    let ways: Vec<Vec<Lying>> = copies.iter().map(|c| c.ways(request.nap)).collect();
    for (copy, ways) in copies.iter().zip(&ways) {
        check_fits(copy, ways, strip_mm, request)?;
    }
    let shapes: Vec<Shape> = ways.iter().map(|w| Shape { variants: w.iter().map(variant).collect() }).collect();
    let strip = Strip { width_mm: strip_mm, gap_mm: request.gap_mm };
    let found = nest::nest(&shapes, &strip, &request.effort, watch)?;
    let laid: Vec<Laid> = copies
        .iter()
        .zip(&ways)
        .zip(&found.nest.spots)
        .filter_map(|((copy, ways), spot)| ways.get(spot.variant).map(|way| copy.laid(way, spot.shift)))
        .collect();
    let area: f64 = laid.iter().map(|l| crate::polygon::signed_area(&l.cut_line).abs()).sum();
    let length_mm = found.nest.length_mm;
    Ok(LayPlan {
        fabric: fabric.to_string(),
        width_mm,
        cloth: request.cloth,
        nap: request.nap,
        gap_mm: request.gap_mm,
        length_mm,
        buy_mm: rounded_up(length_mm, METRIC_STEP_MM) * METRIC_STEP_MM,
        buy_yards: rounded_up(length_mm, EIGHTH_YARD_MM) / 8.0,
        use_percent: 100.0 * area / (strip_mm * length_mm),
        area_bound_mm: area / strip_mm,
        shelf_length_mm: found.shelf_length_mm,
        seed: request.effort.seed,
        repeatable: !found.cut_short,
        laid,
        warnings,
    })
}

/// Whole steps that hold a length; a thousandth of a millimetre over does not cost a step.
fn rounded_up(length_mm: f64, step_mm: f64) -> f64 {
    ((length_mm - 1e-3) / step_mm).ceil().max(1.0)
}

/// Can cloth be this wide?
///
/// # Errors
/// [`RefusalKind::BadRequest`] if not.
pub fn check_width(width: Length) -> Result<(), Refusal> {
    if (50.0..=10_000.0).contains(&width.mm()) {
        return Ok(());
    }
    Err(Refusal::new(
        RefusalKind::BadRequest,
        format!("the cloth is said to be {width} wide"),
        "give the width from selvedge to selvedge, such as 150cm or 60in",
    ))
}

fn variant(way: &Lying) -> Variant {
    Variant { ring: way.cut_line.clone(), on_edge: way.on_fold }
}

fn check_fits(copy: &copies::Copy, ways: &[Lying], strip_mm: f64, request: &LayRequest) -> Result<(), Refusal> {
    let across = ways.iter().filter_map(|w| crate::flat::MatRect::around(w.cut_line.iter().copied()));
    let least = across.map(|b| b.height_mm()).fold(f64::INFINITY, f64::min);
    if least <= strip_mm + 1e-6 {
        return Ok(());
    }
    let doubled = request.cloth == Cloth::Doubled;
    let room = if doubled { format!("{} doubled", request.width) } else { format!("{} wide", request.width) };
    let opened = if copy.opened { ", opened out," } else { "" };
    let needs = least * if doubled { 2.0 } else { 1.0 };
    Err(Refusal::new(
        RefusalKind::DoesNotFit,
        format!("{}{opened} is {:.1} cm across the grain, and the cloth is {room}", copy.name, least / 10.0),
        format!("take cloth at least {:.0} cm wide, or give the piece a seam", ((needs - 1e-3) / 10.0).ceil()),
    ))
}
