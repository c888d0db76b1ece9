//! From an outline to a piece: edges, then seams, by one road for every outline, whether traced or read from a file.

pub mod band;
pub mod changes;
pub mod roles;
pub mod shape;

use std::collections::BTreeMap;

use crate::edges::{self, EdgeOptions, FoldChoice, Tracing};
use crate::outline::Outline;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::request::{EdgeAllowance, EdgeName, NotchRequest};
use crate::seams::{self, Cutting, Piece, SeamRequest, StitchingEdge};
use crate::units::Length;
use shape::Shape;

/// What is wanted of a piece.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceOptions {
    /// Name of the piece.
    pub name: String,
    /// Size or person it is for.
    pub size: Option<String>,
    /// How many to cut.
    pub cut_count: u32,
    /// Which edge is the fold.
    pub fold: FoldChoice,
    /// Allowance of every edge but the fold.
    pub allowance: Length,
    /// Exceptions; the last one for an edge holds.
    pub edge_allowances: Vec<EdgeAllowance>,
    /// Names for edges; the last one for an edge holds.
    pub edge_names: Vec<EdgeName>,
    /// Notches.
    pub notches: Vec<NotchRequest>,
    /// Grain, degrees anticlockwise from the mat's x axis; `None`: along the fold, else straight up.
    pub grain_deg: Option<f64>,
    /// How edges are found.
    pub edges: EdgeOptions,
}

impl Default for PieceOptions {
    /// A piece with 10 mm allowances, its fold guessed.
    fn default() -> Self {
        Self {
            name: "Piece".into(),
            size: None,
            cut_count: 1,
            fold: FoldChoice::Auto,
            allowance: Length::from_mm(10.0),
            edge_allowances: Vec::new(),
            edge_names: Vec::new(),
            notches: Vec::new(),
            grain_deg: None,
            edges: EdgeOptions::default(),
        }
    }
}

/// Drafts a piece: finds the edges of an outline and adds allowances, notches, grainline and label.
///
/// The outline is [settled](Outline::settled) first, so an outline written to a file and read again gives the same
/// piece to the last digit.
///
/// # Errors
/// Those of [`edges::find`] and [`seams::seam`]; also a request for an edge that is not there.
pub fn draft_piece(outline: &Outline, options: &PieceOptions) -> Result<(Tracing, Piece), Refusal> {
    let edge_options = EdgeOptions { fold: options.fold, ..options.edges.clone() };
    let tracing = tracing_of(outline, &edge_options)?;
    let piece = seams::seam(&request_for(&tracing, options)?)?;
    Ok((tracing, piece))
}

/// The same for an outline just traced: where it leaves no room for the allowances, as beside a stretch that was not seen,
/// the piece is drafted without any and says so, for the outline is what must be looked at.
///
/// # Errors
/// Those of [`draft_piece`].
pub fn draft_traced(outline: &Outline, options: &PieceOptions) -> Result<(Tracing, Piece), Refusal> {
    let refusal = match draft_piece(outline, options) {
        Err(refusal) if refusal.kind == RefusalKind::NoRoom => refusal,
        drafted => return drafted,
    };
    let none = Length::from_mm(0.0);
    let without = PieceOptions { allowance: none, edge_allowances: Vec::new(), ..options.clone() };
    let (tracing, mut piece) = draft_piece(outline, &without)?;
    piece.warnings.push(Warning::new(
        "no-allowance",
        format!(
            "the piece has NO seam allowance: {}; look at the outline first, then {}",
            refusal.seen, refusal.advice
        ),
    ));
    Ok((tracing, piece))
}

/// The edges of an outline, by longer arms where much of it was not seen or is ragged, unsmoothed at worst: they cross
/// themselves nowhere.
///
/// # Errors
/// Those of [`edges::find`]; [`RefusalKind::BadOutline`] when even the outline's own points cross.
pub fn tracing_of(outline: &Outline, options: &EdgeOptions) -> Result<Tracing, Refusal> {
    outline.check()?;
    let outline = outline.settled();
    let sound = |tracing: Tracing| Shape::from_tracing(&tracing, Vec::new()).check("tracing").map(|()| tracing);
    let first = edges::find(&outline, &coarser_where_unclear(options.clone(), &outline)).and_then(sound);
    let Err(refusal) = first else { return first };
    if refusal.kind != RefusalKind::BadOutline {
        return Err(refusal);
    }
    // A ragged outline can make edges that cross: longer arms see past the rag; the outline itself does not cross.
    let coarse = coarser(options.clone());
    let again = edges::find(&outline, &coarse).and_then(sound);
    again.or_else(|_| edges::find_unsmoothed(&outline, &coarse).and_then(sound)).map_err(|_| refusal)
}

/// Share of an outline that must be seen, in less doubt than this, for its corners to be sought with short arms.
const MOSTLY_CLEAR: f64 = 0.8;
const CLEAR_MM: f64 = 1.0;

/// Arms and turn of a corner on an outline that wanders by its doubt: a millimetre over 30 mm is 2 degrees.
const COARSE_ARM_MM: f64 = 30.0;
const COARSE_TURN_DEG: f64 = 25.0;

/// Where much of the edge was not seen, or from afar, a wander of the outline must not pass for a corner.
fn coarser_where_unclear(options: EdgeOptions, outline: &Outline) -> EdgeOptions {
    let clear = outline.points.iter().filter(|p| p.seen && p.doubt_mm <= CLEAR_MM).count();
    if clear as f64 >= MOSTLY_CLEAR * outline.points.len() as f64 {
        return options;
    }
    coarser(options)
}

fn coarser(options: EdgeOptions) -> EdgeOptions {
    EdgeOptions {
        turn_over_mm: options.turn_over_mm.max(COARSE_ARM_MM),
        least_turn_deg: options.least_turn_deg.max(COARSE_TURN_DEG),
        ..options
    }
}

/// The seam request for traced edges.
fn request_for(tracing: &Tracing, options: &PieceOptions) -> Result<SeamRequest, Refusal> {
    for number in options.edge_allowances.iter().map(|a| a.edge).chain(options.edge_names.iter().map(|n| n.edge)) {
        tracing.edge(number)?;
    }
    let widths: BTreeMap<usize, f64> = options.edge_allowances.iter().map(|a| (a.edge, a.width.mm())).collect();
    let names: BTreeMap<usize, &str> = options.edge_names.iter().map(|n| (n.edge, n.name.as_str())).collect();
    let edges = tracing.edges.iter().map(|edge| StitchingEdge {
        number: edge.number,
        name: names.get(&edge.number).map(|name| (*name).to_string()),
        path: edge.path.clone(),
        allowance_mm: widths.get(&edge.number).copied().unwrap_or(options.allowance.mm()),
        ends: Default::default(),
    });
    Ok(SeamRequest {
        name: options.name.clone(),
        edges: edges.collect(),
        fold: tracing.fold.as_ref().map(|f| f.edge),
        notches: options.notches.clone(),
        grain_deg: options.grain_deg,
        size: options.size.clone(),
        cutting: Cutting { count: options.cut_count, ..Cutting::default() },
        lines: Vec::new(),
        stretch: None,
        allowance: options.allowance,
    })
}
