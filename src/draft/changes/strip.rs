//! A strip that lies on the wrong piece: loose trousers lie with the back wrapping round to the front.

use kurbo::{Affine, BezPath, Point};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::division::{CORNER_MM, Division};
use super::part::with_edges;
use super::{PieceShape, Place, bad, new_edge, up};
use crate::draft::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::path::{self, At};
use crate::refusal::{Refusal, Warning};

/// The two edges at the fold of the cloth may differ by this in length, mm.
const MOST_APART_MM: f64 = 3.0;
/// An edge at the fold of the cloth may bow by this and be taken as straight, mm: what a soft fold does.
const MOST_BOW_MM: f64 = 2.0;
/// Less bow than this is not worth a word, mm.
const TOLD_BOW_MM: f64 = 0.3;
/// Edges that meet with less of a turn go on into each other, degrees.
const GOES_ON_DEG: f64 = 20.0;

/// The strip between a line and an edge is cut off: it belongs to another piece, which takes it with `take-strip`.
///
/// The edge is gone; the line is a new edge with the edge's role (plain for a fold), or the one given. Edges that the line
/// cuts become shorter; the others keep their lengths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GiveStrip {
    /// The edge at which the cloth was folded.
    pub edge: EdgeRef,
    /// Places along the true seam, from edge to edge.
    pub line: Vec<Place>,
    /// Name of the new edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Role of the new edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
}

/// The strip that another piece gives is unfolded across the edge at which the cloth was folded.
///
/// `edge` and `line` are those of the other piece's `give-strip`, on its shape before any change. Both edges at the fold
/// are taken as straight and must be of one length (within 3 mm); top stays top. The hem and waist of the strip go on from
/// this piece's own where they meet within 20 degrees, and so get longer (else they are edges called "hem strip"); `onto` is gone, the line is a new edge. The other
/// edges keep their lengths. The strip keeps its area, and the new edge the length that it has on the other piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TakeStrip {
    /// Name of the piece that gives the strip.
    pub from: String,
    /// Its edge at which the cloth was folded.
    pub edge: EdgeRef,
    /// Places along the true seam, on that piece.
    pub line: Vec<Place>,
    /// The edge of this piece at the same fold of the cloth.
    pub onto: EdgeRef,
    /// Name of the new edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Role of the new edge; default: that of `onto`, plain for a fold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
}

/// The role of a seam that replaces an edge.
fn seam_role(wanted: Option<Role>, replaced: &ShapeEdge) -> Role {
    wanted.unwrap_or(if replaced.role == Role::Fold { Role::Plain } else { replaced.role })
}

impl GiveStrip {
    pub(super) fn of(&self, shape: &Shape) -> Result<Shape, Refusal> {
        let index = shape.find(&self.edge)?;
        let division = Division::through(shape, &self.line, true, CORNER_MM, Some(index))?;
        let role = seam_role(self.role, &shape.edges[index]);
        let seam = new_edge(shape.next_number(), role, self.name.as_ref(), division.line.clone());
        let [_, kept] = division.side_with(index, &seam)?;
        Ok(with_edges(shape, kept))
    }
}

impl TakeStrip {
    pub(super) fn of(&self, shape: &Shape, of_piece: PieceShape<'_>) -> Result<Shape, Refusal> {
        let onto = shape.find(&self.onto)?;
        let giver = of_piece(&self.from)?;
        giver.check("tracing")?;
        let named = |r: Refusal| Refusal { seen: format!("on \"{}\": {}", self.from, r.seen), ..r };
        let strip = self.strip(&giver, &shape.edges[onto]).map_err(named)?;
        let given = strip.fold.clone();
        let mut made = shape.clone();
        for (edge, who) in [(&given, self.from.as_str()), (&shape.edges[onto].path, "this piece")] {
            note_bow(&mut made, edge, who)?;
        }
        let (long, short) = (chord(&shape.edges[onto].path), chord(&given));
        if (long - short).abs() > MOST_APART_MM {
            return Err(bad(
                format!(
                    "{} is {long:.1} mm long here and {short:.1} mm on \"{}\": they are not one fold of the cloth",
                    shape.edges[onto].called(),
                    self.from
                ),
                "name the edges that lay on each other, or trace both pieces again",
            ));
        }
        let run = strip.unfolded(&giver, shape, onto);
        made.edges = attached(shape, onto, run);
        made.fold = shape.fold.filter(|number| *number != shape.edges[onto].number);
        Ok(made)
    }

    /// The strip as it lies on the other piece.
    fn strip(&self, giver: &Shape, onto: &ShapeEdge) -> Result<Strip, Refusal> {
        let index = giver.find(&self.edge)?;
        let division = Division::through(giver, &self.line, true, CORNER_MM, Some(index))?;
        let role = seam_role(self.role, onto);
        let seam = new_edge(giver.next_number(), role, self.name.as_ref(), division.line.clone());
        let [mut ring, _] = division.side_with(index, &seam)?;
        let number = giver.edges[index].number;
        let at = ring.iter().position(|e| e.number == number).unwrap_or(0);
        ring.rotate_left(at);
        let fold = ring.remove(0);
        Ok(Strip { fold: fold.path, seam: seam.number, rest: ring })
    }
}

fn chord(path: &BezPath) -> f64 {
    path::start(path).distance(path::end(path))
}

fn note_bow(shape: &mut Shape, edge: &BezPath, who: &str) -> Result<(), Refusal> {
    let bow = path::bow(edge);
    if bow > MOST_BOW_MM {
        return Err(bad(
            format!("the edge at the fold of the cloth on {who} is not straight: it bows by {bow:.1} mm"),
            "a fold is straight: redraw that edge as a straight line, or name another",
        ));
    }
    if bow > TOLD_BOW_MM {
        shape.warnings.push(Warning::new(
            "strip-fold-bowed",
            format!("the edge at the fold of the cloth on {who} bows by {bow:.1} mm and was taken as straight"),
        ));
    }
    Ok(())
}

/// A strip on the piece it was photographed with.
struct Strip {
    /// The edge at the fold, as it runs there (the strip on its left).
    fold: BezPath,
    /// Number of the line in `rest`.
    seam: usize,
    /// The other edges, from the end of the fold round to its start.
    rest: Vec<ShapeEdge>,
}

impl Strip {
    /// The edges that take the place of an edge: from its start round the strip to its end.
    fn unfolded(&self, giver: &Shape, shape: &Shape, onto: usize) -> Vec<ShapeEdge> {
        let edge = &shape.edges[onto].path;
        let (a, b) = (path::start(&self.fold), path::end(&self.fold));
        let (to_a, to_b) = (path::start(edge), path::end(edge));
        // Top stays top: an edge that runs the same way here is met by the mirror image.
        let mirrored = ((b - a).dot(up(giver)) >= 0.0) == ((to_b - to_a).dot(up(shape)) >= 0.0);
        let (place_a, place_b) = if mirrored { (to_a, to_b) } else { (to_b, to_a) };
        let target_from_strip = frame(place_a, place_b, mirrored) * frame(a, b, false).inverse();
        let mut run = self.rest.clone();
        for part in &mut run {
            part.path = target_from_strip * &part.path;
            if mirrored {
                part.path = path::reversed(&part.path);
            }
        }
        if mirrored {
            run.reverse();
        }
        // The lines between two edges of not quite one length are shared out to both ends; the seam is left alone.
        if let Some(first) = run.first_mut().filter(|e| e.number != self.seam) {
            first.path = faded(&first.path, to_a);
        }
        if let Some(last) = run.last_mut().filter(|e| e.number != self.seam) {
            last.path = path::reversed(&faded(&path::reversed(&last.path), to_b));
        }
        for (number, part) in (shape.next_number()..).zip(&mut run) {
            part.number = number;
        }
        run
    }
}

/// Middle of a stretch at the origin, its direction along x; mirrored: its left is below.
fn frame(a: Point, b: Point, mirrored: bool) -> Affine {
    let along = path::unit(b - a);
    let side = if mirrored { -super::left(along) } else { super::left(along) };
    let middle = a.midpoint(b);
    Affine::new([along.x, along.y, side.x, side.y, middle.x, middle.y])
}

/// A path whose start is put elsewhere, less and less so towards its end.
fn faded(path: &BezPath, start: Point) -> BezPath {
    let shift = start - path::start(path);
    if shift.hypot() < path::SAME_MM {
        return path::pinned(path, start, path::end(path));
    }
    path::carried(path, |at: &At| (at.point + shift * (1.0 - at.share), at.velocity - shift * at.share_rate))
}

/// The edges with a run in place of one. Its first and last go on from their neighbours where they meet smoothly; else
/// the neighbour goes on answering to what it was called, and they are called its strip.
fn attached(shape: &Shape, onto: usize, mut run: Vec<ShapeEdge>) -> Vec<ShapeEdge> {
    let count = shape.edges.len();
    let mut edges: Vec<ShapeEdge> = (1..count).map(|k| shape.edges[(onto + k) % count].clone()).collect();
    if let (Some(before), true) = (edges.last_mut(), run.len() > 1) {
        let first = run.remove(0);
        if smooth(&before.path, &first.path) {
            before.path = path::joined(&before.path, &first.path);
        } else {
            run.insert(0, beside(before, first));
        }
    }
    if let (Some(after), Some(last), true) = (edges.first_mut(), run.last().cloned(), run.len() > 1) {
        run.pop();
        if smooth(&last.path, &after.path) {
            after.path = path::joined(&last.path, &after.path);
        } else {
            run.push(beside(after, last));
        }
    }
    edges.extend(run);
    edges
}

fn smooth(a: &BezPath, b: &BezPath) -> bool {
    path::end_direction(a).dot(path::start_direction(b)) >= GOES_ON_DEG.to_radians().cos()
}

/// An edge of the strip named after the neighbour it does not go on from smoothly.
fn beside(neighbour: &mut ShapeEdge, strip: ShapeEdge) -> ShapeEdge {
    if neighbour.role != strip.role {
        return strip;
    }
    let called = neighbour.called();
    if neighbour.role != Role::Plain {
        neighbour.name = Some(called.clone());
    }
    ShapeEdge { name: Some(format!("{called} strip")), ..strip }
}
