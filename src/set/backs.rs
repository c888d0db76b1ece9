//! Which pieces are backs: front and back differ too little to be told apart by one piece alone.

use super::file::{PieceFile, SetFile};
use super::pairs::{Family, family};
use super::pieces::{MadePiece, MadePieces};
use crate::draft::roles::PieceKind;
use crate::draft::shape::Role;
use crate::edges::flatten;
use crate::flat::MatRect;
use crate::refusal::Warning;

/// A back neckline is shallower, and a back rise longer, by more than this, mm: less could be a slip (common practice, no
/// source).
const DIFFER_MM: f64 = 10.0;

/// Says of every piece whether it is a back: by its kind where a person wrote it, else by its name; else, of two pieces
/// alike, the one with the shallower neckline or the longer rise. What is made from another piece follows that one.
pub(super) fn tell(file: &SetFile, made: &mut MadePieces) {
    for piece in &file.pieces {
        if let (Some(back), Some(own)) = (told(file, piece), made.get_mut(&piece.name)) {
            own.back = back;
        }
    }
    for kin in [Family::Bodice, Family::Leg] {
        if let Some((back, why)) = of_two(file, made, kin) {
            let made_from = |p: &&PieceFile| root(file, p).name == back && told(file, p).is_none();
            for piece in file.pieces.iter().filter(made_from) {
                if let Some(own) = made.get_mut(&piece.name) {
                    own.back = true;
                    own.kind = Some(if kin == Family::Leg { PieceKind::TrouserBack } else { PieceKind::HalfBack });
                }
            }
            if let Some(own) = made.get_mut(&back) {
                own.shape.warnings.push(Warning::new("back-guessed", why));
            }
        }
    }
}

/// The piece that a piece is made from in the end.
fn root<'a>(file: &'a SetFile, piece: &'a PieceFile) -> &'a PieceFile {
    let mut at = piece;
    // A ring of pieces made from each other has been refused before.
    for _ in 0..file.pieces.len() {
        match at.of.as_ref().and_then(|of| file.pieces.iter().find(|p| p.name == *of)) {
            Some(parent) => at = parent,
            None => break,
        }
    }
    at
}

/// What the person said: by the kind, else by the name, of the piece or of the one it is made from.
fn told(file: &SetFile, piece: &PieceFile) -> Option<bool> {
    let by_name = |name: &str| {
        let lower = name.to_lowercase();
        let any = |what: &str| lower.split(|c: char| !c.is_alphabetic()).any(|word| word.starts_with(what));
        match (any("front"), any("back")) {
            (true, false) => Some(false),
            (false, true) => Some(true),
            _ => None,
        }
    };
    let by = |p: &PieceFile| p.kind.map(PieceKind::is_back).or_else(|| by_name(&p.name));
    by(piece).or_else(|| by(root(file, piece)))
}

/// Of two pieces of a family of which at least one is not told, the name of the one that is the back, and why.
fn of_two(file: &SetFile, made: &MadePieces, kin: Family) -> Option<(String, String)> {
    let of_kin: Vec<(&PieceFile, &MadePiece)> = file
        .pieces
        .iter()
        .filter(|p| p.of.is_none())
        .filter_map(|p| Some((p, made.get(&p.name)?)))
        .filter(|(_, m)| m.kind.and_then(family) == Some(kin))
        .collect();
    let [a, b] = of_kin.as_slice() else { return None };
    let (seen_a, seen_b) = (behind_mm(a.1, kin)?, behind_mm(b.1, kin)?);
    let (front, back, sizes) = if seen_a > seen_b { (b, a, [seen_b, seen_a]) } else { (a, b, [seen_a, seen_b]) };
    if (seen_a - seen_b).abs() < DIFFER_MM || told(file, back.0).is_some() || told(file, front.0) == Some(true) {
        return None;
    }
    let what = if kin == Family::Leg {
        format!("its rise is longer ({:.0} mm, that of \"{}\" {:.0} mm)", sizes[1], front.0.name, sizes[0])
    } else {
        format!("its neckline is shallower ({:.0} mm, that of \"{}\" {:.0} mm)", -sizes[1], front.0.name, -sizes[0])
    };
    let kinds = if kin == Family::Leg { ["trouser-front", "trouser-back"] } else { ["half-front", "half-back"] };
    let why = format!(
        "it is taken for the back: {what}; if it is not, write \"kind\": \"{}\" with it and \"kind\": \"{}\" with the \
         other in set.json",
        kinds[0], kinds[1]
    );
    Some((back.0.name.clone(), why))
}

/// The larger, the more it is a back: the rise's length, or less the neckline's depth.
fn behind_mm(piece: &MadePiece, kin: Family) -> Option<f64> {
    let role = if kin == Family::Leg { Role::Rise } else { Role::Neckline };
    let mut edges = piece.master.edges.iter().filter(|e| e.role == role);
    let (edge, None) = (edges.next()?, edges.next()) else { return None };
    Some(match kin {
        Family::Leg => edge.length_mm(),
        _ => -MatRect::around(flatten(&edge.path, 0.1))?.height_mm(),
    })
}
