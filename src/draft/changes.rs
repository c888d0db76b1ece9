//! Changes to a piece, one step each, as a person writes them in a set: let out, lengthened, cut in two, unfolded.
//!
//! Every change takes a [`Shape`] and gives a new one that has been [checked](Shape::check). Edges keep their number, name
//! and role; edges that a change makes get numbers of their own; edges that are cut off are gone. Edges that a change does
//! not speak of keep their lengths, unless it says that they do not.
//!
//! Where a change speaks of up and down it means the grain: along the fold where the piece has one within 45 degrees of
//! upright, else the frame's y.

mod corners;
mod division;
mod lengthen;
mod let_out;
mod move_edge;
mod neckline;
mod part;
mod raise;
mod redraw;
mod shorten_leg;
mod square;
mod strip;
mod turn;
mod unfold;

use kurbo::{Point, Vec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::path;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::{Length, MatPoint};

pub use lengthen::Lengthen;
pub use let_out::{LetOut, SideLine};
pub use move_edge::MoveEdge;
pub use neckline::{Neckline, NecklineShape};
pub use part::Part;
pub use raise::Raise;
pub use redraw::Redraw;
pub use shorten_leg::ShortenLeg;
pub use square::SquareAtFold;
pub use strip::{GiveStrip, TakeStrip};
pub use turn::{GrainAlongFold, GrainDownTheLeg, Scale, Turn};
pub use unfold::{Unfold, unfold};

/// No length and no coordinate of a change is larger, mm: a hundred metres.
const MOST_MM: f64 = 1e5;

/// A place on the piece: a mark's number, or x and y in mm in the shape's frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged, expecting = "a place: [x, y] in mm, or {\"mark\": 3}")]
pub enum Place {
    /// A mark that was put on the cloth.
    Mark(MarkNumber),
    /// x and y, mm.
    Point(MatPoint),
}

/// The number of a mark, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MarkNumber {
    /// Its number, from 1.
    pub mark: usize,
}

impl Place {
    /// Where it is.
    fn on(self, shape: &Shape) -> Result<Point, Refusal> {
        let at = match self {
            Place::Point(at) => at,
            Place::Mark(MarkNumber { mark }) => {
                let found = mark.checked_sub(1).and_then(|i| shape.marks.get(i));
                *found.ok_or_else(|| {
                    bad(
                        format!("there is no mark {mark}"),
                        match shape.marks.len() {
                            0 => "this piece has no marks; write places as [x, y] in mm".to_string(),
                            count => format!("this piece has marks 1 to {count}"),
                        },
                    )
                })?
            }
        };
        if !at.is_finite() || at.x.abs() > MOST_MM || at.y.abs() > MOST_MM {
            return Err(bad(format!("({}, {}) is no place on a piece", at.x, at.y), "write x and y in mm"));
        }
        Ok(at.into())
    }
}

/// Numbers of the edges on the left of a line through a piece and of those on its right, without the ones that it cuts, the
/// longest first; none if it does not run from edge to edge, or leaves no whole edge on a side.
pub fn sides_of(shape: &Shape, places: &[Place]) -> Option<[Vec<usize>; 2]> {
    part::sides(shape, places)
}

/// The points that places stand for.
fn points(places: &[Place], shape: &Shape) -> Result<Vec<Point>, Refusal> {
    places.iter().map(|place| place.on(shape)).collect()
}

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// An edge drawn anew through places.
    Redraw(Redraw),
    /// A round or V neckline of a given depth and width.
    Neckline(Neckline),
    /// A half piece made whole across its fold.
    Unfold(Unfold),
    /// Elastic or gathers let out to the stretched length.
    LetOut(LetOut),
    /// A leg cut off at an inseam, square to both seams.
    ShortenLeg(ShortenLeg),
    /// Spread apart at a line across the grain.
    Lengthen(Lengthen),
    /// Folded away at a line across the grain.
    Shorten(Lengthen),
    /// An edge moved parallel to itself.
    MoveEdge(MoveEdge),
    /// One end of an edge moved outwards along its neighbour.
    Raise(Raise),
    /// One end of an edge moved inwards along its neighbour.
    Lower(Raise),
    /// A strip along an edge cut off, for another piece to take.
    GiveStrip(GiveStrip),
    /// A strip of another piece unfolded across the edge that both share.
    TakeStrip(TakeStrip),
    /// One side of a line across the piece.
    Part(Part),
    /// Larger or smaller by percent along and across the grain.
    Scale(Scale),
    /// Turned by an angle.
    Turn(Turn),
    /// Turned so that the middle of the leg is upright.
    GrainDownTheLeg(GrainDownTheLeg),
    /// Turned so that the fold is upright.
    GrainAlongFold(GrainAlongFold),
    /// The edges at the fold bent to meet it squarely.
    SquareAtFold(SquareAtFold),
}

impl Change {
    /// As it is written in files: `let-out`.
    pub fn word(&self) -> &'static str {
        match self {
            Change::Redraw(_) => "redraw",
            Change::Neckline(_) => "neckline",
            Change::Unfold(_) => "unfold",
            Change::LetOut(_) => "let-out",
            Change::ShortenLeg(_) => "shorten-leg",
            Change::Lengthen(_) => "lengthen",
            Change::Shorten(_) => "shorten",
            Change::MoveEdge(_) => "move-edge",
            Change::Raise(_) => "raise",
            Change::Lower(_) => "lower",
            Change::GiveStrip(_) => "give-strip",
            Change::TakeStrip(_) => "take-strip",
            Change::Part(_) => "part",
            Change::Scale(_) => "scale",
            Change::Turn(_) => "turn",
            Change::GrainDownTheLeg(_) => "grain-down-the-leg",
            Change::GrainAlongFold(_) => "grain-along-fold",
            Change::SquareAtFold(_) => "square-at-fold",
        }
    }

    /// The name of the other piece that the change needs, if any.
    pub fn other_piece(&self) -> Option<&str> {
        match self {
            Change::TakeStrip(take) => Some(&take.from),
            _ => None,
        }
    }

    fn made(&self, shape: &Shape, of_piece: PieceShape<'_>) -> Result<Shape, Refusal> {
        match self {
            Change::Redraw(redraw) => redraw.of(shape),
            Change::Neckline(neckline) => neckline.of(shape),
            Change::Unfold(_) => unfold(shape),
            Change::LetOut(let_out) => let_out.of(shape),
            Change::ShortenLeg(shorten) => shorten.of(shape),
            Change::Lengthen(lengthen) => lengthen.longer(shape),
            Change::Shorten(shorten) => shorten.shorter(shape),
            Change::MoveEdge(moved) => moved.of(shape),
            Change::Raise(raise) => raise.raised(shape),
            Change::Lower(lower) => lower.lowered(shape),
            Change::GiveStrip(give) => give.of(shape),
            Change::TakeStrip(take) => take.of(shape, of_piece),
            Change::Part(part) => part.of(shape),
            Change::Scale(scale) => scale.of(shape),
            Change::Turn(turn) => turn.of(shape),
            Change::GrainDownTheLeg(grain) => grain.of(shape),
            Change::GrainAlongFold(_) => turn::grain_along_fold(shape),
            Change::SquareAtFold(_) => square::square_at_fold(shape),
        }
    }
}

/// The shape of another piece by its name, before its own changes.
pub type PieceShape<'a> = &'a dyn Fn(&str) -> Result<Shape, Refusal>;

/// Makes changes one after another. `of_piece` gives the shape of another piece before its own changes.
///
/// # Errors
/// The first change that cannot be made, by its place and name ("change 2 (let-out)"), with what was seen and what to
/// do; also one whose result could not be a piece (see [`Shape::check`]).
pub fn apply(shape: &Shape, changes: &[Change], of_piece: PieceShape<'_>) -> Result<Shape, Refusal> {
    shape.check("tracing")?;
    let mut made = shape.clone();
    for (i, change) in changes.iter().enumerate() {
        let named = |refusal: Refusal| {
            let seen = format!("change {} ({}): {}", i + 1, change.word(), refusal.seen);
            Refusal { seen, ..refusal }
        };
        made = change.made(&made, of_piece).map_err(named)?;
        made.check("this change").map_err(named)?;
    }
    Ok(made)
}

/// A request that makes no sense.
fn bad(seen: impl Into<String>, advice: impl Into<String>) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, seen, advice)
}

/// The length in mm, if it is one a piece can have.
fn usable(length: Length, what: &str) -> Result<f64, Refusal> {
    let mm = length.mm();
    if mm.is_finite() && (0.0..=MOST_MM).contains(&mm) {
        Ok(mm)
    } else {
        Err(bad(format!("{what} of {mm} mm is no length of a piece"), "write a length such as 3cm or 1 1/4in"))
    }
}

/// A length as the person who typed the change thinks of it.
fn told(mm: f64, like: Length) -> String {
    if like.is_in_inches() {
        Length::from_inches(mm / crate::units::MM_PER_INCH).to_string()
    } else {
        format!("{mm:.1} mm")
    }
}

/// Which end of an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    /// Where it starts, at the edge before it.
    First,
    /// Where it ends, at the edge after it.
    Last,
}

impl End {
    const BOTH: [End; 2] = [End::First, End::Last];

    fn other(self) -> Self {
        match self {
            End::First => End::Last,
            End::Last => End::First,
        }
    }

    /// Place of the neighbour at this end of an edge.
    fn neighbour(self, shape: &Shape, index: usize) -> usize {
        let (before, after) = shape.neighbours(index);
        match self {
            End::First => before,
            End::Last => after,
        }
    }

    /// A path along the outline turned so that it ends at this end of the edge it stands for.
    fn towards(self, path: &kurbo::BezPath) -> kurbo::BezPath {
        match self {
            End::First => path::reversed(path),
            End::Last => path.clone(),
        }
    }

    /// A neighbour's path turned so that it leaves the corner at this end of the edge; and back again.
    fn away(self, neighbour: &kurbo::BezPath) -> kurbo::BezPath {
        self.towards(neighbour)
    }
}

/// The grain of a shape, a unit vector upwards.
fn up(shape: &Shape) -> Vec2 {
    let fold =
        fold_index(shape).map(|i| path::unit(path::end(&shape.edges[i].path) - path::start(&shape.edges[i].path)));
    match fold {
        Some(along) if along.y.abs() > std::f64::consts::FRAC_1_SQRT_2 => along * along.y.signum(),
        _ => Vec2::new(0.0, 1.0),
    }
}

/// Place of the edge on the fold.
fn fold_index(shape: &Shape) -> Option<usize> {
    shape.fold.and_then(|number| shape.edges.iter().position(|e| e.number == number))
}

fn is_fold(shape: &Shape, index: usize) -> bool {
    fold_index(shape) == Some(index)
}

/// Turned a quarter to the left.
fn left(v: Vec2) -> Vec2 {
    Vec2::new(-v.y, v.x)
}

/// A new edge of a shape, drawn by rule.
fn new_edge(number: usize, role: Role, name: Option<&String>, path: kurbo::BezPath) -> ShapeEdge {
    ShapeEdge { number, name: name.cloned(), role, path, doubt_mm: 0.0 }
}

/// The wanted edge, else the only one of a role.
fn edge_or(shape: &Shape, wanted: Option<&EdgeRef>, role: Role) -> Result<usize, Refusal> {
    shape.find(&wanted.cloned().unwrap_or_else(|| role.word().into()))
}

/// At which end of one edge another one lies.
fn end_towards(shape: &Shape, index: usize, neighbour: usize) -> Result<End, Refusal> {
    let ends: Vec<End> = End::BOTH.into_iter().filter(|e| e.neighbour(shape, index) == neighbour).collect();
    match ends.as_slice() {
        [only] => Ok(*only),
        [_, _, ..] => Err(bad(
            format!("{} meets {} at both its ends", shape.edges[neighbour].called(), shape.edges[index].called()),
            "split one of them at a corner first",
        )),
        [] => Err(bad(
            format!("{} does not meet {}", shape.edges[neighbour].called(), shape.edges[index].called()),
            format!("name a neighbour: this piece has {}", shape.listed()),
        )),
    }
}
