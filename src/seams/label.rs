//! The label: its words, and the place inside the piece with most room for them.
//!
//! The place is searched for as a pole of inaccessibility is (Garcia-Castellanos & Lombardo, 2007): the point furthest
//! from the piece's lines, here for a rectangle of words instead of a point.

use nalgebra::Vector2;

use super::marks::Marks;
use super::{Cutting, Label, Piece, SeamRequest, StitchingEdge};
use crate::polygon;
use crate::refusal::Warning;
use crate::units::{Length, MatPoint, tape_inches};

/// Baseline to baseline, mm, where there is room.
const LINE_MM: f64 = 8.5;
/// Smallest lines that can be read, mm.
const LEAST_LINE_MM: f64 = 2.5;
/// Width of an average letter as a share of the line height.
const LETTER_SHARE: f64 = 0.42;
/// Cells tried across the longer side.
const CELLS: usize = 36;

/// Writes and places the label.
pub(super) fn place(
    request: &SeamRequest,
    edges: &[StitchingEdge],
    stitching: &[MatPoint],
    marks: &Marks<'_>,
    warnings: &mut Vec<Warning>,
) -> Label {
    let lines = words(request, edges, marks.grainline);
    let along = reading_direction(marks.grainline);
    let mut obstacles: Vec<Vec<MatPoint>> = vec![marks.grainline.to_vec()];
    obstacles.extend(marks.fold.map(|f| f.bracket.clone()));
    obstacles.extend(marks.stretch.map(|s| s.to_vec()));
    let mut line_height_mm = LINE_MM;
    loop {
        let half = half_size(&lines, line_height_mm);
        let (centre, room) = roomiest(stitching, &obstacles, along, half);
        let smallest = line_height_mm <= LEAST_LINE_MM;
        if room > 1.0 || smallest {
            if room <= 0.0 {
                warnings
                    .push(Warning::new("label-crowded", "there is no room for the label clear of the piece's lines"));
            }
            return Label { centre, along: [along.x, along.y], line_height_mm, lines };
        }
        line_height_mm = (0.8 * line_height_mm).max(LEAST_LINE_MM);
    }
}

/// Finds the label of a finished piece another place, clear of the lines inside it too, in smaller letters if need be.
pub(super) fn make_way(piece: &mut Piece) {
    let mut obstacles: Vec<Vec<MatPoint>> = vec![piece.grainline.to_vec()];
    obstacles.extend(piece.fold.iter().map(|f| f.bracket.clone()));
    obstacles.extend(piece.stretch.map(|s| s.to_vec()));
    obstacles.extend(piece.internal.iter().map(|l| l.line.clone()));
    let mut line_height_mm = piece.label.line_height_mm;
    loop {
        let half = half_size(&piece.label.lines, line_height_mm);
        let (centre, room) = roomiest(&piece.stitching_line, &obstacles, piece.label.along.into(), half);
        if room > 0.0 {
            (piece.label.centre, piece.label.line_height_mm) = (centre, line_height_mm);
            return;
        }
        if line_height_mm <= LEAST_LINE_MM {
            return;
        }
        line_height_mm = (0.8 * line_height_mm).max(LEAST_LINE_MM);
    }
}

fn words(request: &SeamRequest, edges: &[StitchingEdge], grainline: [MatPoint; 2]) -> Vec<String> {
    let mut lines = vec![request.name.clone()];
    lines.extend(request.size.iter().map(|size| format!("Size {size}")));
    lines.push(cut_words(&request.cutting, request.fold.is_some()));
    lines.extend(allowance_words(request, edges));
    let shown = grainline[0].distance(grainline[1]);
    lines.push(format!("Check: grainline {shown:.1} mm long"));
    lines.extend(request.lines.iter().cloned());
    lines
}

/// "Cut 1 on fold", "Cut 2 (left and right) of rib".
pub(crate) fn cut_words(cutting: &Cutting, on_fold: bool) -> String {
    let fold = if on_fold { " on fold" } else { "" };
    let sides = match (cutting.mirrored, cutting.count) {
        (true, 2) => " (left and right)",
        (true, n) if n > 2 => " (half turned over)",
        _ => "",
    };
    let cloth = if cutting.cloth == "self" { String::new() } else { format!(" of {}", cutting.cloth) };
    format!("Cut {}{fold}{sides}{cloth}", cutting.count)
}

/// What the allowances are, the common one first, exceptions after it.
fn allowance_words(request: &SeamRequest, edges: &[StitchingEdge]) -> Vec<String> {
    let seams: Vec<&StitchingEdge> = edges.iter().filter(|e| Some(e.number) != request.fold).collect();
    if seams.iter().all(|e| e.allowance_mm == 0.0) {
        return vec!["No seam allowance: add it when cutting".into()];
    }
    let usual = request.allowance;
    let mut lines = Vec::new();
    if seams.iter().any(|e| e.allowance_mm == usual.mm()) {
        lines.push(format!("Seam allowance {} included", written(usual)));
    }
    let mut others: Vec<(f64, Vec<String>)> = Vec::new();
    for edge in seams.iter().filter(|e| e.allowance_mm != usual.mm()) {
        let called = edge.name.clone().unwrap_or_else(|| format!("edge {}", edge.number));
        match others.iter_mut().find(|(width, _)| *width == edge.allowance_mm) {
            Some((_, names)) => names.push(called),
            None => others.push((edge.allowance_mm, vec![called])),
        }
    }
    lines.extend(others.iter().map(|(width, names)| {
        let shown = if usual.is_in_inches() {
            Length::from_inches(width / crate::units::MM_PER_INCH)
        } else {
            Length::from_mm(*width)
        };
        format!("{}: {}", names.join(", "), written(shown))
    }));
    lines
}

/// Millimetres; or inches, as fractions where they are sixteenths, with the millimetres beside them.
fn written(length: Length) -> String {
    if !length.is_in_inches() {
        return length.to_string();
    }
    let sixteenths = 16.0 * length.mm() / crate::units::MM_PER_INCH;
    let exact = (sixteenths - sixteenths.round()).abs() < 1e-6;
    let shown = if exact { tape_inches(length.mm()) } else { length.to_string() };
    format!("{shown} ({:.1} mm)", length.mm())
}

/// Words run square to the grainline, turned as little as may be from level.
fn reading_direction(grainline: [MatPoint; 2]) -> Vector2<f64> {
    let grain = (grainline[1] - grainline[0]).try_normalize(1e-9).unwrap_or_else(Vector2::y);
    let square = Vector2::new(grain.y, -grain.x);
    let level = if square.x.abs() >= grain.x.abs() { square } else { grain };
    if level.x < 0.0 { -level } else { level }
}

fn half_size(lines: &[String], line_height_mm: f64) -> Vector2<f64> {
    // The first line is the name, set half as large again.
    let width = lines
        .iter()
        .enumerate()
        .map(|(i, l)| l.chars().count() as f64 * if i == 0 { 1.5 } else { 1.0 })
        .fold(0.0, f64::max);
    Vector2::new(0.5 * width * LETTER_SHARE * line_height_mm, 0.5 * (lines.len() as f64 + 0.5) * line_height_mm)
}

/// The centre with most room around a rectangle, and the room, mm; the room is negative where it does not fit.
fn roomiest(
    stitching: &[MatPoint],
    obstacles: &[Vec<MatPoint>],
    along: Vector2<f64>,
    half: Vector2<f64>,
) -> (MatPoint, f64) {
    let Some(frame) = crate::flat::MatRect::around(stitching.iter().copied()) else {
        return (MatPoint::default(), f64::NEG_INFINITY);
    };
    let mut cell = frame.width_mm().max(frame.height_mm()) / CELLS as f64;
    let (columns, rows) = ((frame.width_mm() / cell).ceil() as usize, (frame.height_mm() / cell).ceil() as usize);
    let centre = frame.min.lerp(frame.max, 0.5);
    let mut best = (centre, f64::NEG_INFINITY, f64::INFINITY);
    let points = sampled(stitching, obstacles);
    let consider = |p: MatPoint, best: &mut (MatPoint, f64, f64)| {
        // Room beyond 25 mm is enough: then the nearest to the middle reads best.
        let room = room_at(&points, p, along, half, best.1 - 1e-9).min(25.0);
        let off = p.distance(centre);
        let better = room > best.1 + 1e-9 || (room >= best.1 - 1e-9 && off < best.2);
        if better && polygon::contains(stitching, p) {
            *best = (p, room, off);
        }
    };
    for column in 0..=columns {
        for row in 0..=rows {
            consider(frame.min + Vector2::new(column as f64 * cell, row as f64 * cell), &mut best);
        }
    }
    for _ in 0..3 {
        cell *= 0.5;
        let around = best.0;
        for (dx, dy) in [(-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)] {
            consider(around + Vector2::new(dx * cell, dy * cell), &mut best);
        }
    }
    (best.0, best.1)
}

/// Points at most 4 mm apart along the stitching line and the lines to keep clear of.
fn sampled(stitching: &[MatPoint], obstacles: &[Vec<MatPoint>]) -> Vec<MatPoint> {
    let marks = obstacles.iter().flat_map(|o| o.iter().copied().zip(o.iter().copied().skip(1)));
    let along = |(a, b): (MatPoint, MatPoint)| {
        let parts = (a.distance(b) / 4.0).ceil().clamp(1.0, 400.0) as usize;
        (0..=parts).map(move |k| a.lerp(b, k as f64 / parts as f64))
    };
    polygon::sides(stitching).chain(marks).flat_map(along).collect()
}

/// Least distance from a rectangle of words to any of the points, negative when one lies in it; not told to the end once it
/// is under `least`.
fn room_at(points: &[MatPoint], centre: MatPoint, along: Vector2<f64>, half: Vector2<f64>, least: f64) -> f64 {
    let up = Vector2::new(-along.y, along.x);
    let mut room = f64::INFINITY;
    for p in points {
        let from_centre = *p - centre;
        let (x, y) = (from_centre.dot(&along).abs() - half.x, from_centre.dot(&up).abs() - half.y);
        // Neither side alone is further off than the corner between them.
        let near = x.max(y);
        if near < room {
            room = room.min(if near <= 0.0 { near } else { x.max(0.0).hypot(y.max(0.0)) });
            if room < least {
                break;
            }
        }
    }
    room
}

#[cfg(test)]
mod tests {
    use super::written;

    #[test]
    fn inches_are_written_as_sewers_say_them() {
        for (typed, shown) in [
            ("1/2in", "1/2 in (12.7 mm)"),
            ("5/8in", "5/8 in (15.9 mm)"),
            ("1 1/4in", "1 1/4 in (31.8 mm)"),
            ("2in", "2 in (50.8 mm)"),
            ("0.55in", "0.55in (14.0 mm)"),
            ("12.7mm", "12.7mm"),
        ] {
            assert_eq!(written(typed.parse().unwrap()), shown);
        }
    }
}
