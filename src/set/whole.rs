//! A finished half made whole across its fold: every line mirrored, edges that run on across it joined.

use kurbo::{Affine, BezPath, Point};

use super::notches::Halves;
use crate::path;
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::{Cutting, InternalLine, Notch, Piece, PieceEdge, cut_words};
use crate::units::MatPoint;

/// A point is on the fold within this, mm.
const ON_FOLD_MM: f64 = 1e-3;
/// Edges that meet across the fold within this of straight run on as one, degrees.
const STRAIGHT_DEG: f64 = 2.0;

/// Unfolds a piece. `halves` tells for each notch which halves it is on.
///
/// # Errors
/// When the piece has no fold, or its lines do not lie on one side of it.
pub(super) fn unfolded(piece: &Piece, halves: &[Halves], cutting: &Cutting) -> Result<Piece, Refusal> {
    let (Some(fold), Some(place)) =
        (&piece.fold, piece.edges.iter().position(|e| piece.fold.as_ref().is_some_and(|f| f.edge == e.number)))
    else {
        return Err(refuse("there is no fold to unfold it across", "leave \"draw\" away"));
    };
    let [a, b] = fold.line;
    let over = path::mirror(a.into(), b.into());
    let fold_line = (a, b);
    let (edges, joins) = whole_edges(piece, place, over)?;
    let notches = whole_notches(piece, halves, over, &joins);
    let mut whole = Piece {
        stitching_line: whole_ring(&piece.stitching_line, fold_line, over),
        cut_line: whole_ring(&piece.cut_line, fold_line, over),
        edges,
        notches,
        internal: whole_lines(&piece.internal, over),
        fold: None,
        ..piece.clone()
    };
    let on_fold = cut_words(&piece.cutting, true);
    for line in whole.label.lines.iter_mut().filter(|l| **l == on_fold) {
        *line = cut_words(cutting, false);
    }
    Ok(whole)
}

/// The lines inside and their mirror images; one that ends on the fold goes on into its own.
fn whole_lines(lines: &[InternalLine], over: Affine) -> Vec<InternalLine> {
    let image = |line: &InternalLine| line.line.iter().map(|p| mirrored(over, *p)).collect::<Vec<_>>();
    let mut whole = Vec::new();
    for line in lines {
        let back = image(line);
        let on_fold = |p: Option<&MatPoint>| p.is_some_and(|p| mirrored(over, *p).distance(*p) < 2.0 * ON_FOLD_MM);
        let named = |line: Vec<MatPoint>, name: &str| InternalLine { name: name.to_string(), line };
        if on_fold(line.line.last()) {
            let joined = line.line.iter().copied().chain(back.into_iter().rev().skip(1));
            whole.push(named(joined.collect(), &line.name));
        } else if on_fold(line.line.first()) {
            let joined = back.into_iter().rev().chain(line.line.iter().skip(1).copied());
            whole.push(named(joined.collect(), &line.name));
        } else {
            whole.push(line.clone());
            whole.push(named(back, &line.name));
        }
    }
    whole
}

fn refuse(seen: &str, advice: &str) -> Refusal {
    Refusal::new(RefusalKind::BadOutline, seen, advice)
}

fn mirrored(over: Affine, p: MatPoint) -> MatPoint {
    (over * Point::from(p)).into()
}

/// The ring's part off the fold, and its mirror image back again.
fn whole_ring(ring: &[MatPoint], (a, b): (MatPoint, MatPoint), over: Affine) -> Vec<MatPoint> {
    let along = (b - a).try_normalize(1e-9).unwrap_or_else(nalgebra::Vector2::y);
    let on_fold = |p: &MatPoint| along.perp(&(*p - a)).abs() < ON_FOLD_MM;
    let count = ring.len();
    // Start at the last point on the fold before the ring leaves it.
    let Some(start) = (0..count).find(|i| on_fold(&ring[*i]) && !on_fold(&ring[(i + 1) % count])) else {
        return ring.to_vec();
    };
    let half: Vec<MatPoint> = (0..count).map(|i| ring[(start + i) % count]).collect();
    let end = half.iter().skip(1).position(on_fold).map_or(count, |i| i + 2);
    let half = &half[..end.min(count)];
    let back = half.iter().rev().skip(1).take(half.len().saturating_sub(2));
    half.iter().copied().chain(back.map(|p| mirrored(over, *p))).collect()
}

/// Where a half's edge went: its own number and start, and those of its mirror image.
struct Join {
    edge: usize,
    length_mm: f64,
    here: (usize, f64),
    there: (usize, f64),
}

fn whole_edges(piece: &Piece, fold: usize, over: Affine) -> Result<(Vec<PieceEdge>, Vec<Join>), Refusal> {
    let count = piece.edges.len();
    let mut half = Vec::with_capacity(count - 1);
    for k in 1..count {
        let edge = &piece.edges[(fold + k) % count];
        let path =
            BezPath::from_svg(&edge.path).map_err(|_| refuse("an edge's path cannot be read", "make it again"))?;
        half.push((edge, path));
    }
    let next_number = piece.edges.iter().map(|e| e.number).max().unwrap_or(0) + 1;
    let over_path = |path: &BezPath| over * path::reversed(path);
    let runs_on = |path: &BezPath, at_end: bool| {
        let direction = if at_end { path::end_direction(path) } else { path::start_direction(path) };
        let image = (over * direction.to_point()) - (over * Point::ZERO);
        // Its mirror image runs on straight when it arrives square to the fold.
        direction.dot(-image).clamp(-1.0, 1.0).acos().to_degrees() < 2.0 * STRAIGHT_DEG
    };
    let last = half.len().saturating_sub(1);
    let (mut forth, mut back, mut joins) = (Vec::new(), Vec::new(), Vec::new());
    for (i, (edge, path)) in half.iter().enumerate() {
        let image = over_path(path);
        let first_joined = i == 0 && last > 0 && runs_on(path, false);
        let last_joined = i == last && last > 0 && runs_on(path, true);
        let length = edge.length_mm;
        let mut own = (*edge).clone();
        let mut join =
            Join { edge: edge.number, length_mm: length, here: (edge.number, 0.0), there: (edge.number, 0.0) };
        if first_joined {
            own.path = path::joined(&image, path).to_svg();
            own.length_mm = 2.0 * length;
            join.here.1 = length;
        } else if last_joined {
            own.path = path::joined(path, &image).to_svg();
            own.length_mm = 2.0 * length;
            join.there.1 = length;
        } else {
            let number = next_number + i;
            let name = edge.name.as_ref().map(|n| format!("{n} 2"));
            join.there = (number, 0.0);
            back.push(PieceEdge { number, name, path: image.to_svg(), ..(*edge).clone() });
        }
        joins.push(join);
        forth.push(own);
    }
    back.reverse();
    forth.extend(back);
    Ok((forth, joins))
}

fn whole_notches(piece: &Piece, halves: &[Halves], over: Affine, joins: &[Join]) -> Vec<Notch> {
    let mut whole = Vec::new();
    for (i, notch) in piece.notches.iter().enumerate() {
        let Some(join) = joins.iter().find(|j| j.edge == notch.edge) else { continue };
        let on = halves.get(i).copied().unwrap_or(Halves::Both);
        if on != Halves::There {
            let from_start_mm = join.here.1 + notch.from_start_mm;
            whole.push(Notch { edge: join.here.0, from_start_mm, ..notch.clone() });
        }
        if on != Halves::Here {
            let strokes = notch.strokes.iter().map(|s| s.map(|p| mirrored(over, p))).collect();
            let from_start_mm = join.there.1 + join.length_mm - notch.from_start_mm;
            let at = mirrored(over, notch.at);
            whole.push(Notch { edge: join.there.0, kind: notch.kind, at, from_start_mm, strokes });
        }
    }
    whole
}
