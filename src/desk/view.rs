//! A piece as the page draws it: all numbers rounded to what a screen can show.

use image::RgbImage;
use serde::{Deserialize, Serialize};

use super::{Drafted, OnDesk, Reference};
use crate::edges::{EdgeKind, flatten};
use crate::fingerprint::Fingerprint;
use crate::flat::{FlatFrame, MatRect};
use crate::garment::Hint;
use crate::outline::{Outline, OutlinePoint};
use crate::polygon;
use crate::refusal::{Refusal, Warning};
use crate::set::file::PhotoFile;
use crate::trace::Trace;
use crate::units::{MM_PER_INCH, MatPoint};

/// Doubt from which a stretch is weak, mm: half the truing tolerance of a seam pair.
const WEAK_MM: f64 = 0.75;
/// Doubt from which it is poor, mm: more than the truing tolerance itself.
const POOR_MM: f64 = 1.5;
/// Doubtful stretches nearer than this are one, mm.
const JOINED_MM: f64 = 8.0;
/// Longer ones are offered in parts: more than this is not seen well at once, mm.
const LONGEST_MM: f64 = 150.0;
/// Shorter ones are not worth a look, mm.
const SHORTEST_MM: f64 = 3.0;
/// Curves are drawn within this, mm.
const DRAWN_MM: f64 = 0.03;

/// What lies under the outline: the flat photo's place, the grid as it was understood, and what the tracing knew.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Backdrop {
    /// Changes with every tracing that comes out otherwise.
    pub version: String,
    min: MatPoint,
    max: MatPoint,
    px_per_mm: f64,
    /// Distance between the grid's lines as used, mm (x, y): they lie at whole multiples of it.
    grid_mm: Option<[f64; 2]>,
    /// The grid, or what else gave the size, in words.
    size_words: Vec<String>,
    /// Where lines or ticks were measured.
    ticks: Vec<[MatPoint; 2]>,
    /// Cards, rulers, sheets as they lie.
    rings: Vec<Vec<MatPoint>>,
    photo: PhotoFile,
    reference: Reference,
    hints: Vec<Hint>,
}

impl Backdrop {
    pub(super) fn of(trace: &Trace, (photo, reference): (&PhotoFile, &Reference), hints: &[Hint], text: &str) -> Self {
        let frame = trace.flat.frame;
        let placed = &trace.placed;
        Self {
            version: Fingerprint::of(text).to_string(),
            min: frame.rect.min,
            max: frame.rect.max,
            px_per_mm: frame.px_per_mm,
            grid_mm: trace.scale.pitch_mm,
            size_words: size_words(trace, reference),
            ticks: placed.iter().flat_map(|p| p.ticks.iter().map(|t| t.map(short))).collect(),
            rings: placed.iter().filter(|p| p.ring.len() > 2).map(|p| line(p.ring.iter().copied())).collect(),
            photo: photo.clone(),
            reference: reference.clone(),
            hints: hints.to_vec(),
        }
    }

    pub(super) fn frame(&self) -> FlatFrame {
        FlatFrame::new(MatRect { min: self.min, max: self.max }, self.px_per_mm)
    }

    pub(super) fn fits(&self, rgb: &RgbImage) -> bool {
        let frame = self.frame();
        (frame.width, frame.height) == rgb.dimensions()
    }

    /// Did the tracing know what is known now?
    pub(super) fn knew(&self, photo: &PhotoFile, reference: &Reference, hints: &[Hint]) -> bool {
        self.photo == *photo && self.reference == *reference && self.hints == hints
    }
}

/// A length in the person's unit.
fn length_words(mm: f64, inches: bool) -> String {
    if inches { format!("{:.2} in", mm / MM_PER_INCH) } else { format!("{:.2} cm", mm / 10.0) }
}

fn size_words(trace: &Trace, reference: &Reference) -> Vec<String> {
    let scale = &trace.scale;
    let mut words = Vec::new();
    if let (Some(grid), Some([x, y])) = (reference.grid, scale.pitch_mm) {
        let inches = grid.is_in_inches();
        let ten = length_words(5.0 * (x + y), inches);
        let one = if inches { grid.to_string() } else { format!("{} cm", grid.mm() / 10.0) };
        words.push(format!(
            "The mat's squares were taken for {one}: ten of them are {ten}. Compare with the numbers printed on your mat."
        ));
        words.push(format!("{} by {} of its lines were seen.", scale.lines[0], scale.lines[1]));
    } else {
        words.push(format!("The size comes from: {}.", scale.reference));
    }
    for check in &scale.checks {
        words.push(format!("By the {}, the {} comes out {:+.2} % off.", check.by, check.of, check.apart_percent));
    }
    words.push(format!("Every length holds within {:.1} %.", scale.doubt_percent));
    words
}

/// A piece with all that is drawn of it.
#[derive(Debug, Clone, Serialize)]
pub struct PieceView {
    name: String,
    /// Left out of answers to changes: it stays until the next tracing.
    #[serde(skip_serializing_if = "Option::is_none")]
    backdrop: Option<Backdrop>,
    picture: Option<Picture>,
    /// The outline as it is now.
    outline: Vec<MatPoint>,
    /// For every outline point: 0 sure, 1 weak, 2 poor, 3 not seen.
    doubt: Vec<u8>,
    /// The outline as traced, where it is another.
    traced: Option<Vec<MatPoint>>,
    edges: Vec<EdgeView>,
    handles: Vec<Handle>,
    doubtful: Vec<Doubtful>,
    fold: Option<FoldView>,
    seams: Vec<Vec<MatPoint>>,
    cut_line: Vec<MatPoint>,
    paint: Vec<Hint>,
    /// The changes in words, oldest first.
    history: Vec<String>,
    undo: Option<String>,
    redo: Option<String>,
    /// Something is known that the tracing did not know.
    stale: bool,
    warnings: Vec<Warning>,
    area_cm2: f64,
}

#[derive(Debug, Clone, Serialize)]
struct Picture {
    width: u32,
    height: u32,
}

#[derive(Debug, Clone, Serialize)]
struct EdgeView {
    number: usize,
    kind: EdgeKind,
    length_mm: f64,
    doubt_mm: f64,
    fold: bool,
    path: Vec<MatPoint>,
    middle: MatPoint,
    /// Unit vector from the middle into the piece.
    inward: [f64; 2],
}

/// A point that can be moved.
#[derive(Debug, Clone, Serialize)]
struct Handle {
    at: MatPoint,
    corner: bool,
    /// Put there by hand.
    added: bool,
}

#[derive(Debug, Clone, Serialize)]
struct FoldView {
    edge: usize,
    guessed: bool,
    confidence: f64,
}

/// A stretch worth a look.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Doubtful {
    /// First point, and how many.
    from: usize,
    count: usize,
    middle: MatPoint,
    length_mm: f64,
    worst_mm: f64,
    seen: bool,
}

impl PieceView {
    /// Without what a change leaves as it is.
    pub(super) fn changed(mut self) -> Self {
        self.backdrop = None;
        self
    }
}

pub(super) fn of(name: &str, piece: &OnDesk, drafted: &Drafted) -> Result<PieceView, Refusal> {
    let Drafted { corrected, tracing, piece: drafted_piece } = drafted;
    let outline = &corrected.outline;
    let traced = piece.traced.as_ref().map(|t| &t.outline).filter(|t| *t != outline);
    let mut warnings = piece.traced.as_ref().map(|t| t.warnings.clone()).unwrap_or_default();
    for more in [&corrected.warnings, &tracing.warnings, &drafted_piece.warnings] {
        warnings.extend(more.iter().filter(|w| !warnings.contains(w)).cloned().collect::<Vec<_>>());
    }
    let picture = piece.backdrop.as_ref().map(|b| {
        let frame = b.frame();
        Picture { width: frame.width, height: frame.height }
    });
    let area_mm2 = polygon::signed_area(&drafted_piece.stitching_line).abs();
    Ok(PieceView {
        name: name.to_string(),
        backdrop: piece.backdrop.clone(),
        picture,
        outline: line(outline.points.iter().map(|p| p.at)),
        doubt: outline.points.iter().map(class).collect(),
        traced: traced.map(|t| line(t.points.iter().map(|p| p.at))),
        edges: edges(drafted),
        handles: handles(drafted),
        doubtful: doubtful(outline),
        fold: tracing.fold.as_ref().map(|f| FoldView { edge: f.edge, guessed: f.guessed, confidence: f.confidence }),
        seams: corrected.seams.iter().map(|s| line(s.iter().copied())).collect(),
        cut_line: line(drafted_piece.cut_line.iter().copied()),
        paint: piece.changes.hints(),
        history: piece.changes.done.iter().map(|s| s.words()).collect(),
        undo: piece.changes.done.last().map(|s| s.words()),
        redo: piece.changes.undone.last().map(|s| s.words()),
        stale: piece.is_stale(),
        warnings,
        area_cm2: round(area_mm2 / 100.0, 10.0),
    })
}

fn round(value: f64, per: f64) -> f64 {
    (value * per).round() / per
}

fn short(p: MatPoint) -> MatPoint {
    MatPoint::new(round(p.x, 100.0), round(p.y, 100.0))
}

fn line(points: impl Iterator<Item = MatPoint>) -> Vec<MatPoint> {
    points.map(short).collect()
}

fn class(point: &OutlinePoint) -> u8 {
    match point {
        p if !p.seen => 3,
        p if p.doubt_mm > POOR_MM => 2,
        p if p.doubt_mm > WEAK_MM => 1,
        _ => 0,
    }
}

fn edges(drafted: &Drafted) -> Vec<EdgeView> {
    let fold = drafted.tracing.fold.as_ref().map(|f| f.edge);
    let seen = drafted.tracing.edges.iter().map(|edge| {
        let (middle, along) = edge.middle();
        EdgeView {
            number: edge.number,
            kind: edge.kind,
            length_mm: round(edge.length_mm(), 1000.0),
            doubt_mm: round(edge.doubt_mm, 1000.0),
            fold: fold == Some(edge.number),
            path: line(flatten(&edge.path, DRAWN_MM).into_iter()),
            middle: short(middle),
            inward: [round(-along.y, 1e4), round(along.x, 1e4)],
        }
    });
    seen.collect()
}

/// Corners, the knots of curves, and points put by hand.
fn handles(drafted: &Drafted) -> Vec<Handle> {
    let mut out = Vec::new();
    for edge in &drafted.tracing.edges {
        let mut ends: Vec<MatPoint> =
            edge.path.elements().iter().filter_map(|e| e.end_point()).map(MatPoint::from).collect();
        ends.pop();
        // An edge that follows every wiggle of a ragged outline has a knot at every point: too many to take hold of.
        let knots = if ends.len() > 40 { 1 } else { ends.len() };
        out.extend(ends.into_iter().take(knots).enumerate().map(|(k, at)| Handle {
            at: short(at),
            corner: k == 0,
            added: false,
        }));
    }
    for at in &drafted.corrected.points {
        let near = out.iter_mut().find(|h: &&mut Handle| h.at.distance(*at) < 3.0);
        match near {
            Some(handle) => handle.added = true,
            None => out.push(Handle { at: short(*at), corner: false, added: true }),
        }
    }
    let ring: Vec<MatPoint> = drafted.corrected.outline.points.iter().map(|p| p.at).collect();
    let place = |at: MatPoint| (0..ring.len()).min_by(|a, b| ring[*a].distance(at).total_cmp(&ring[*b].distance(at)));
    out.sort_by_cached_key(|h| place(h.at));
    out
}

/// Stretches of an outline that a person should look at, the most doubtful first.
pub(super) fn doubtful(outline: &Outline) -> Vec<Doubtful> {
    let points = &outline.points;
    let n = points.len();
    let weak = |i: usize| class(&points[i % n]) >= 1;
    // Start where the edge is sure, so that no stretch is cut in two.
    let Some(start) = (0..n).find(|i| !weak(*i)) else {
        return if n > 0 { in_parts(points, 0, n) } else { Vec::new() };
    };
    let mut found: Vec<(usize, usize)> = Vec::new();
    let mut gap = f64::INFINITY;
    for k in 0..n {
        let i = start + k;
        let step = points[i % n].at.distance(points[(i + 1) % n].at);
        if weak(i) {
            match found.last_mut().filter(|_| gap < JOINED_MM) {
                Some((from, count)) => *count = i - *from + 1,
                None => found.push((i, 1)),
            }
            gap = 0.0;
        } else {
            gap += step;
        }
    }
    let mut out: Vec<Doubtful> =
        found.into_iter().flat_map(|(from, count)| in_parts(points, from % n, count)).collect();
    out.retain(|s| s.length_mm >= SHORTEST_MM);
    out.sort_by(|a, b| (b.worst_mm * b.length_mm).total_cmp(&(a.worst_mm * a.length_mm)));
    out
}

/// A stretch in as few equal parts as are short enough to be looked at.
fn in_parts(points: &[OutlinePoint], from: usize, count: usize) -> Vec<Doubtful> {
    let whole = stretch(points, from, count);
    let parts = ((whole.length_mm / LONGEST_MM).ceil() as usize).clamp(1, count.max(1));
    let part = |k: usize| {
        let (first, last) = (count * k / parts, count * (k + 1) / parts);
        stretch(points, (from + first) % points.len(), (last - first).max(1))
    };
    if parts == 1 { vec![whole] } else { (0..parts).map(part).collect() }
}

fn stretch(points: &[OutlinePoint], from: usize, count: usize) -> Doubtful {
    let n = points.len();
    let at = |k: usize| &points[(from + k) % n];
    let length: f64 = (1..count).map(|k| at(k - 1).at.distance(at(k).at)).sum();
    Doubtful {
        from,
        count,
        middle: short(at(count / 2).at),
        length_mm: round(length, 10.0),
        worst_mm: round((0..count).map(|k| at(k).doubt_mm).fold(0.0, f64::max), 100.0),
        seen: (0..count).all(|k| at(k).seen),
    }
}
