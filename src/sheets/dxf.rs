//! DXF for pattern programs, after ASTM D6673: R12 form, 7-bit ASCII, one block a piece, data sorted by numbered layer.
//!
//! The standard's own text was not at hand: layer numbers are from memory of it and of programs that read it (1 piece
//! boundary, 4 notches, 6 mirror line, 7 grain line, 8 internal lines, 14 sew lines, 15 annotation). Whether layer 1 holds the cut line
//! or the sew line depends on the sender; here it is the cut line, the sew line is on 14, and a text on 15 says so.
//! Millimetres, y up; R12 has no units header, so a text says that too.

use std::fmt::Write as _;

use crate::flat::MatRect;
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::Piece;
use crate::units::MatPoint;

const CUT: u8 = 1;
const NOTCHES: u8 = 4;
const MIRROR: u8 = 6;
const GRAIN: u8 = 7;
const INTERNAL: u8 = 8;
const SEW: u8 = 14;
const TEXT: u8 = 15;

/// Between pieces, mm.
const BETWEEN_MM: f64 = 20.0;
/// Height of texts where there is room, mm.
const TEXT_MM: f64 = 5.0;
/// Width of a letter as a share of its height, at most: the reader chooses the typeface.
const LETTER_SHARE: f64 = 1.0;

/// Writes a pattern, each piece where its own coordinates put it.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a pattern without pieces.
pub fn write(pattern: &Pattern) -> Result<String, Refusal> {
    if pattern.pieces.is_empty() {
        return Err(Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first"));
    }
    let mut out = String::new();
    let names: Vec<String> =
        pattern.pieces.iter().enumerate().map(|(i, p)| format!("{}-{}", block_name(&p.name), i + 1)).collect();
    pair(&mut out, 0, "SECTION");
    pair(&mut out, 2, "HEADER");
    pair(&mut out, 9, "$ACADVER");
    pair(&mut out, 1, "AC1009");
    pair(&mut out, 0, "ENDSEC");
    pair(&mut out, 0, "SECTION");
    pair(&mut out, 2, "BLOCKS");
    for (piece, name) in pattern.pieces.iter().zip(&names) {
        block(&mut out, piece, name);
    }
    pair(&mut out, 0, "ENDSEC");
    pair(&mut out, 0, "SECTION");
    pair(&mut out, 2, "ENTITIES");
    for (name, at) in names.iter().zip(side_by_side(pattern)) {
        pair(&mut out, 0, "INSERT");
        pair(&mut out, 8, CUT);
        pair(&mut out, 2, name);
        point(&mut out, at);
    }
    pair(&mut out, 0, "ENDSEC");
    pair(&mut out, 0, "EOF");
    Ok(out)
}

/// Where each piece is put in: the first where its own coordinates are, the others to its right, 2 cm apart.
fn side_by_side(pattern: &Pattern) -> Vec<MatPoint> {
    let mut right: Option<f64> = None;
    let mut places = Vec::new();
    for piece in &pattern.pieces {
        let Some(bounds) = MatRect::around(piece.cut_line.iter().copied()) else {
            places.push(MatPoint::new(0.0, 0.0));
            continue;
        };
        let shift = right.map_or(0.0, |right| right + BETWEEN_MM - bounds.min.x);
        right = Some(bounds.max.x + shift);
        places.push(MatPoint::new(shift, 0.0));
    }
    places
}

/// Cut lines only, for blade and laser cutters: R12, one closed polyline a piece on layer CUT, side by side.
///
/// A text would be cut as well, so that the unit stands in a comment (group 999): millimetres.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a pattern without pieces.
pub fn write_cutter(pattern: &Pattern) -> Result<String, Refusal> {
    if pattern.pieces.is_empty() {
        return Err(Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first"));
    }
    let mut out = String::new();
    pair(&mut out, 999, "UNITS: MILLIMETRES, CUT LINES ONLY");
    for (code, value) in [(0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009"), (0, "ENDSEC")] {
        pair(&mut out, code, value);
    }
    pair(&mut out, 0, "SECTION");
    pair(&mut out, 2, "ENTITIES");
    for (piece, at) in pattern.pieces.iter().zip(side_by_side(pattern)) {
        let shift = nalgebra::Vector2::new(at.x, at.y);
        let ring: Vec<MatPoint> = piece.cut_line.iter().map(|p| *p + shift).collect();
        polyline(&mut out, "CUT", &ring, true);
    }
    pair(&mut out, 0, "ENDSEC");
    pair(&mut out, 0, "EOF");
    Ok(out)
}

fn block(out: &mut String, piece: &Piece, name: &str) {
    pair(out, 0, "BLOCK");
    pair(out, 8, CUT);
    pair(out, 2, name);
    pair(out, 70, 0);
    point(out, MatPoint::new(0.0, 0.0));
    polyline(out, CUT, &piece.cut_line, true);
    for [outer, inner] in piece.notches.iter().flat_map(|n| &n.strokes) {
        polyline(out, NOTCHES, &[*outer, *inner], false);
    }
    if let Some(fold) = &piece.fold {
        polyline(out, MIRROR, &fold.line, false);
    }
    polyline(out, GRAIN, &piece.grainline, false);
    for inside in &piece.internal {
        polyline(out, INTERNAL, &inside.line, false);
    }
    polyline(out, SEW, &piece.stitching_line, true);
    let mut lines = vec![
        format!("PIECE NAME: {}", piece.name),
        "UNITS: METRIC (MM)".to_string(),
        format!("LAYER {CUT} IS THE CUT LINE, LAYER {SEW} THE SEW LINE"),
    ];
    lines.extend(piece.label.lines.iter().skip(1).cloned());
    texts(out, piece, &lines);
    pair(out, 0, "ENDBLK");
    pair(out, 8, CUT);
}

/// Lines of text about the label's middle, small enough to stay within the piece's width: they must not reach into the
/// next block.
fn texts(out: &mut String, piece: &Piece, lines: &[String]) {
    let Some(bounds) = MatRect::around(piece.cut_line.iter().copied()) else { return };
    let longest = lines.iter().map(|l| l.chars().count()).max().unwrap_or(0) as f64;
    let high = TEXT_MM.min(0.9 * bounds.width_mm() / (LETTER_SHARE * longest.max(1.0)));
    let wide = LETTER_SHARE * high * longest;
    let left = (piece.label.centre.x - 0.5 * wide).clamp(bounds.min.x, (bounds.max.x - wide).max(bounds.min.x));
    for (i, line) in lines.iter().enumerate() {
        pair(out, 0, "TEXT");
        pair(out, 8, TEXT);
        point(out, MatPoint::new(left, piece.label.centre.y - 1.6 * high * i as f64));
        pair(out, 40, format!("{high:.2}"));
        pair(out, 1, ascii(line));
    }
}

fn polyline(out: &mut String, layer: impl std::fmt::Display, points: &[MatPoint], closed: bool) {
    pair(out, 0, "POLYLINE");
    pair(out, 8, &layer);
    pair(out, 66, 1);
    point(out, MatPoint::new(0.0, 0.0));
    pair(out, 70, u8::from(closed));
    for p in points {
        pair(out, 0, "VERTEX");
        pair(out, 8, &layer);
        point(out, *p);
    }
    pair(out, 0, "SEQEND");
    pair(out, 8, &layer);
}

fn point(out: &mut String, p: MatPoint) {
    pair(out, 10, format!("{:.4}", p.x));
    pair(out, 20, format!("{:.4}", p.y));
}

/// One group: its code on a line, its value on the next.
fn pair(out: &mut String, code: u16, value: impl std::fmt::Display) {
    // Writing to a string cannot fail.
    let _ = writeln!(out, "{code}\n{value}");
}

fn ascii(text: &str) -> String {
    text.chars().map(|c| if c == ' ' || c.is_ascii_graphic() { c } else { '?' }).collect()
}

/// R12 block names hold letters, digits, $, - and _ only, 31 at most.
fn block_name(name: &str) -> String {
    let safe = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_uppercase() } else { '_' };
    name.chars().take(24).map(safe).collect()
}
