//! Corners, straight and curved runs, the fold.
//!
//! An outline is a thousand points; a person works with *edges*: the hem, the side seam, the neckline. [`find`] cuts
//! the outline at its corners, fits each run with a straight line where one lies within the doubt, else with few
//! cubics, and makes the fold straight with its neighbours square to it.
//!
//! Edges run anticlockwise (y up) and are numbered from 1; edge 1 begins at the lower-left corner, the corner with the
//! least x + y. All lengths are millimetres in the mat frame.

mod by_hand;
mod corners;
mod curve;
mod fold;
mod ring;
mod sound;
mod spline;
mod wishes;

use kurbo::{BezPath, ParamCurve, ParamCurveArclen, ParamCurveNearest, Shape};
use nalgebra::Vector2;

use crate::outline::Outline;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;
use ring::Ring;

pub(crate) use sound::FURTHEST_MM;
pub use wishes::{CornerWish, LengthWish};

/// Accuracy of arc lengths and of flattening for measuring, mm.
const MEASURE_MM: f64 = 1e-3;

/// Which edge is the fold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FoldChoice {
    /// Guess: the longest nearly straight edge with the whole piece on one side.
    #[default]
    Auto,
    /// The edge of this number.
    Edge(usize),
    /// The piece is not on a fold.
    None,
}

impl std::str::FromStr for FoldChoice {
    type Err = Refusal;

    /// Reads `auto`, `none` or an edge's number.
    fn from_str(typed: &str) -> Result<Self, Refusal> {
        match typed.trim() {
            "auto" => Ok(Self::Auto),
            "none" => Ok(Self::None),
            number => match number.parse() {
                Ok(n) if n > 0 => Ok(Self::Edge(n)),
                _ => Err(Refusal::new(
                    RefusalKind::BadRequest,
                    format!("\"{typed}\" is not a fold"),
                    "write the number of the fold's edge, auto or none",
                )),
            },
        }
    }
}

/// How edges are found. The defaults suit garments; the lengths are physical, so they hold at any resolution.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeOptions {
    /// Which edge is the fold.
    pub fold: FoldChoice,
    /// Arm length over which a corner must turn, mm (5-10 is sensible).
    pub turn_over_mm: f64,
    /// Least turn that makes a corner, degrees.
    pub least_turn_deg: f64,
    /// Corners that a person says are there or are not; a later wish outweighs an earlier one.
    pub corners: Vec<CornerWish>,
    /// A place on the edge that a person says is the fold; outweighs [`EdgeOptions::fold`].
    pub fold_at: Option<MatPoint>,
    /// Lengths that edges are to have, set one after another.
    pub lengths: Vec<LengthWish>,
    /// Stretches of the outline that a person drew.
    pub by_hand: Vec<HandStretch>,
}

/// A stretch of the outline that a person drew, or moved.
#[derive(Debug, Clone, PartialEq)]
pub struct HandStretch {
    /// The stretch, as the outline runs.
    pub line: Vec<MatPoint>,
    /// The edge lies within this of it, mm.
    pub within_mm: f64,
}

impl Default for EdgeOptions {
    fn default() -> Self {
        Self {
            fold: FoldChoice::Auto,
            turn_over_mm: 8.0,
            least_turn_deg: 15.0,
            corners: Vec::new(),
            fold_at: None,
            lengths: Vec::new(),
            by_hand: Vec::new(),
        }
    }
}

/// Straight or curved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EdgeKind {
    /// One straight line.
    Line,
    /// One or more cubics, smooth where they meet.
    Curve,
}

/// A run of the outline from corner to corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    /// Its number, from 1, anticlockwise.
    pub number: usize,
    /// The path, mm, from corner to corner: one line, or cubics only.
    pub path: BezPath,
    /// Straight or curved.
    pub kind: EdgeKind,
    /// Largest distance between path and outline, measured both ways, mm.
    pub deviation_mm: f64,
    /// Half-width that holds the true edge for 95 % of this edge's points, mm.
    pub doubt_mm: f64,
}

impl Edge {
    /// The corner it starts at.
    pub fn from(&self) -> MatPoint {
        self.path.elements().first().and_then(|e| e.end_point()).unwrap_or_default().into()
    }

    /// The corner it ends at.
    pub fn to(&self) -> MatPoint {
        self.path.elements().last().and_then(|e| e.end_point()).unwrap_or_default().into()
    }

    /// The point half-way along and the unit direction there.
    pub fn middle(&self) -> (MatPoint, Vector2<f64>) {
        let mut left = 0.5 * self.length_mm();
        for segment in self.path.segments() {
            let length = segment.arclen(MEASURE_MM);
            if length >= left {
                let t = segment.inv_arclen(left, MEASURE_MM);
                let ahead = segment.eval((t + 0.01).min(1.0)) - segment.eval((t - 0.01).max(0.0));
                let along = Vector2::new(ahead.x, ahead.y);
                return (segment.eval(t).into(), along.try_normalize(0.0).unwrap_or_else(Vector2::x));
            }
            left -= length;
        }
        (self.from(), Vector2::x())
    }

    /// Length along the path, mm.
    pub fn length_mm(&self) -> f64 {
        self.path.segments().map(|s| s.arclen(MEASURE_MM)).sum()
    }
}

/// The fold, and how sure we are of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FoldLine {
    /// Number of the edge on the fold.
    pub edge: usize,
    /// Was it guessed, not told?
    pub guessed: bool,
    /// 0 to 1; 1 when told. Below 0.6 another edge would do nearly as well.
    pub confidence: f64,
    /// Largest distance the edges were moved to make the fold straight and its neighbours square, mm.
    pub moved_mm: f64,
}

/// The outline as edges.
#[derive(Debug, Clone, PartialEq)]
pub struct Tracing {
    /// The edges in order, anticlockwise from the lower-left corner.
    pub edges: Vec<Edge>,
    /// The fold, if any.
    pub fold: Option<FoldLine>,
    /// What a person should check.
    pub warnings: Vec<Warning>,
}

impl Tracing {
    /// The edge that passes a place most closely.
    pub fn nearest(&self, at: MatPoint) -> Option<&Edge> {
        let off = |edge: &Edge| {
            edge.path.segments().map(|s| s.nearest(at.into(), MEASURE_MM).distance_sq).fold(f64::INFINITY, f64::min)
        };
        self.edges.iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    }

    /// The edge of a number.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] when there is no such edge; the advice lists the numbers there are.
    pub fn edge(&self, number: usize) -> Result<&Edge, Refusal> {
        number.checked_sub(1).and_then(|i| self.edges.get(i)).ok_or_else(|| no_such_edge(number, self.edges.len()))
    }
}

/// The refusal for an edge number that is not there.
pub(crate) fn no_such_edge(number: usize, count: usize) -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        format!("there is no edge {number}"),
        format!("this piece has edges 1 to {count}, counted anticlockwise from the lower-left corner"),
    )
}

/// Finds the edges of an outline.
///
/// # Errors
/// [`RefusalKind::BadOutline`] for an outline that cannot be a piece (see [`Outline::check`]);
/// [`RefusalKind::BadRequest`] for a fold edge that is not there.
pub fn find(outline: &Outline, options: &EdgeOptions) -> Result<Tracing, Refusal> {
    outline.check()?;
    let ring = Ring::resampled(outline);
    let corners = corners::find(&ring, options);
    let mut warnings = Vec::new();
    let runs = runs(&ring, &corners);
    let mut edges = Vec::with_capacity(runs.len());
    for (i, run) in runs.iter().enumerate() {
        edges.push(fit(i + 1, run, &options.by_hand, &mut warnings));
    }
    let mut tracing = Tracing { edges, fold: None, warnings };
    fold::apply(&mut tracing, &runs, wishes::fold(&runs, options.fold, options.fold_at))?;
    wishes::settle_lengths(&mut tracing, &options.lengths)?;
    Ok(tracing)
}

/// The edges of an outline too ragged for [`find`]: corner to corner through the outline's own points, unsmoothed.
///
/// They cross themselves nowhere that the outline does not. No fold is guessed.
///
/// # Errors
/// As for [`find`].
pub fn find_unsmoothed(outline: &Outline, options: &EdgeOptions) -> Result<Tracing, Refusal> {
    outline.check()?;
    let ring = Ring::resampled(outline);
    let runs = runs(&ring, &corners::find(&ring, options));
    let edges = runs.iter().enumerate().map(|(i, run)| followed(i + 1, run)).collect();
    let warnings = vec![Warning::new(
        "not-smoothed",
        "the outline is too ragged to be smoothed without crossing itself: the edges follow it as it was traced; look \
         at the overlay, and true them by hand or retake the photo on a mat of another colour",
    )];
    let mut tracing = Tracing { edges, fold: None, warnings };
    let fold = wishes::fold(&runs, options.fold, options.fold_at);
    if let FoldChoice::Edge(_) = fold {
        fold::apply(&mut tracing, &runs, fold)?;
    }
    wishes::settle_lengths(&mut tracing, &options.lengths)?;
    Ok(tracing)
}

/// An edge through the run's own points.
fn followed(number: usize, run: &Run) -> Edge {
    let mut path = BezPath::new();
    let mut last = run.points.first().copied().unwrap_or(run.from);
    path.move_to(last);
    for &next in run.points.iter().skip(1) {
        path.curve_to(last.lerp(next, 1.0 / 3.0), last.lerp(next, 2.0 / 3.0), next);
        last = next;
    }
    Edge { number, path, kind: EdgeKind::Curve, deviation_mm: 0.0, doubt_mm: run.doubt_mm() }
}

/// The points between two corners, the corners themselves first and last.
struct Run {
    from: MatPoint,
    to: MatPoint,
    /// The outline between, ends included, at equal steps.
    points: Vec<MatPoint>,
    doubts_mm: Vec<f64>,
    step_mm: f64,
    /// Length at either end, mm, that the rounding of the corners has spoilt.
    spoilt_mm: (f64, f64),
}

impl Run {
    fn length_mm(&self) -> f64 {
        self.step_mm * self.points.len() as f64
    }

    /// Half-width holding the true edge for 95 % of the points, mm.
    fn doubt_mm(&self) -> f64 {
        let mut sorted = self.doubts_mm.clone();
        sorted.sort_by(f64::total_cmp);
        let rank = (0.95 * sorted.len() as f64).ceil() as usize;
        sorted.get(rank.saturating_sub(1)).copied().unwrap_or(0.0)
    }

    /// Largest distance between a path and the run, both ways, mm.
    fn deviation_mm(&self, path: &BezPath) -> f64 {
        let flat = flatten(path, MEASURE_MM);
        let mut dense = vec![self.from];
        dense.extend(path.segments().flat_map(|s| {
            let count = (s.arclen(MEASURE_MM) / 1.0).ceil().clamp(1.0, 2000.0) as usize;
            (1..=count).map(move |k| MatPoint::from(kurbo::ParamCurve::eval(&s, k as f64 / count as f64)))
        }));
        let worst = |from: &[MatPoint], to: &[MatPoint]| {
            from.iter().map(|&p| crate::polygon::distance_to_polyline(to, p)).fold(0.0, f64::max)
        };
        worst(&self.points, &flat).max(worst(&dense, &self.points))
    }
}

fn runs(ring: &Ring, corners: &[corners::Corner]) -> Vec<Run> {
    let first = first_corner(corners);
    (0..corners.len())
        .filter_map(|k| {
            let from = corners.get((first + k) % corners.len())?;
            let to = corners.get((first + k + 1) % corners.len())?;
            let (points, doubts_mm) = ring.between(from.index, to.index);
            Some(Run {
                from: from.at,
                to: to.at,
                points,
                doubts_mm,
                step_mm: ring.step_mm,
                spoilt_mm: (from.spoilt_mm, to.spoilt_mm),
            })
        })
        .collect()
}

/// The lower-left corner: least x + y.
fn first_corner(corners: &[corners::Corner]) -> usize {
    let score = |c: &corners::Corner| c.at.x + c.at.y;
    corners.iter().enumerate().min_by(|a, b| score(a.1).total_cmp(&score(b.1))).map_or(0, |(i, _)| i)
}

fn fit(number: usize, run: &Run, by_hand: &[HandStretch], warnings: &mut Vec<Warning>) -> Edge {
    let fitted = by_hand::held(run, curve::fit(run), by_hand);
    let doubt_mm = run.doubt_mm();
    for bump in fitted.bumps.iter().filter(|b| b.height_mm > (2.5 * doubt_mm).max(0.6)) {
        warnings.push(Warning::new(
            "bump-smoothed",
            format!(
                "edge {number} has a bump of {:.1} mm near ({:.0}, {:.0}) that was smoothed over: look whether it is a \
                 crease or part of the garment",
                bump.height_mm, bump.at.x, bump.at.y
            ),
        ));
    }
    Edge { number, deviation_mm: run.deviation_mm(&fitted.path), path: fitted.path, kind: fitted.kind, doubt_mm }
}

/// A path as points no further than `tolerance_mm` from it, both ends included.
pub(crate) fn flatten(path: &BezPath, tolerance_mm: f64) -> Vec<MatPoint> {
    let mut points: Vec<MatPoint> = Vec::new();
    kurbo::flatten(path.path_elements(tolerance_mm), tolerance_mm, |element| {
        if let Some(end) = element.end_point() {
            points.push(end.into());
        }
    });
    points
}
