//! Finished measurements along the stitching lines, with their doubt, and the tape held against them.

use serde::Serialize;
use std::collections::BTreeMap;

use super::Traced;
use super::file::{SetFile, TapeFile};
use super::pairs::EdgeOf;
use super::pieces::{MadePiece, MadePieces};
use crate::draft::roles::PieceKind;
use crate::draft::shape::{Role, Shape};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{Length, MatPoint};

/// How well a tape is read on cloth: so many mm or per cent, whichever is more (from memory).
const TAPE_MM: f64 = 3.0;
const TAPE_PERCENT: f64 = 0.5;

/// A finished measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// "chest", "inseam".
    pub name: String,
    /// The variation it belongs to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variation: Option<String>,
    /// Along the stitching lines, mm.
    pub length_mm: f64,
    /// Half-width of its doubt (95 %), mm.
    pub doubt_mm: f64,
    /// How it is taken.
    pub how: &'static str,
}

/// A tape held against the pattern.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TapeCheck {
    /// What was measured.
    pub measure: String,
    /// By the tape, mm.
    pub tape_mm: f64,
    /// On the pattern, mm.
    pub pattern_mm: f64,
    /// Pattern less tape, mm.
    pub difference_mm: f64,
    /// Both doubts together, mm.
    pub doubt_mm: f64,
    /// Does it agree?
    pub agrees: bool,
}

impl TapeCheck {
    /// What a person should know when it does not agree.
    pub fn warning(&self) -> Option<Warning> {
        let percent = 100.0 * self.difference_mm / self.tape_mm.max(1e-9);
        (!self.agrees).then(|| {
            Warning::new(
                "tape-disagrees",
                format!(
                    "{}: {:.0} mm by the tape, {:.1} mm on the pattern ({percent:+.1} %), more than both can be off \
                     ({:.1} mm): the scale is probably wrong; check the mat's pitch and measure again before you cut",
                    self.measure, self.tape_mm, self.pattern_mm, self.doubt_mm
                ),
            )
        })
    }
}

/// A length with its doubt, mm.
#[derive(Clone, Copy)]
struct Doubted {
    mm: f64,
    doubt: f64,
}

impl Doubted {
    fn times(self, n: f64) -> Self {
        Self { mm: self.mm * n, doubt: self.doubt * n }
    }

    fn plus(self, other: Self) -> Self {
        Self { mm: self.mm + other.mm, doubt: self.doubt + other.doubt }
    }
}

/// All finished measurements that the roles allow, and the tape checks.
///
/// # Errors
/// A tape check of something that is not there.
pub(super) fn all(
    file: &SetFile,
    made: &MadePieces,
    traced: &BTreeMap<String, Traced>,
) -> Result<(Vec<Measured>, Vec<TapeCheck>), Refusal> {
    let percent = traced.values().filter_map(|t| t.scale_doubt_percent).fold(0.0, f64::max);
    let table = Table { percent };
    let measures = table.rows(file, made);
    let tape = file.tape.iter().map(|t| checked(t, &measures, made, &table)).collect::<Result<_, _>>()?;
    Ok((measures, tape))
}

fn checked(tape: &TapeFile, rows: &[Measured], made: &MadePieces, table: &Table) -> Result<TapeCheck, Refusal> {
    let (pattern_mm, doubt_mm) = if tape.measure.contains('/') {
        let edge = EdgeOf::parse(&tape.measure)?;
        let (shape, index) = edge.on(made)?;
        let d = table.scaled(along(shape, index)).times(f64::from(edge.times));
        (d.mm, d.doubt)
    } else {
        let wanted = tape.measure.trim().to_lowercase();
        let row = rows.iter().find(|m| m.name == wanted).ok_or_else(|| {
            let names: Vec<&str> = rows.iter().map(|m| m.name.as_str()).collect();
            Refusal::new(
                RefusalKind::BadRequest,
                format!("tape: there is no measurement \"{}\"", tape.measure),
                format!("there are {}; or name an edge, such as front/shoulder", names.join(", ")),
            )
        })?;
        (row.length_mm, row.doubt_mm)
    };
    let tape_mm = tape.length.mm();
    let by_tape = tape.doubt.map_or(TAPE_MM.max(TAPE_PERCENT / 100.0 * tape_mm), Length::mm);
    let difference_mm = pattern_mm - tape_mm;
    let allowed = by_tape + doubt_mm;
    Ok(TapeCheck {
        measure: tape.measure.clone(),
        tape_mm,
        pattern_mm,
        difference_mm,
        doubt_mm: allowed,
        agrees: difference_mm.abs() <= allowed,
    })
}

struct Table {
    /// Doubt of the scale, per cent.
    percent: f64,
}

impl Table {
    fn scaled(&self, d: Doubted) -> Doubted {
        Doubted { mm: d.mm, doubt: d.doubt + self.percent / 100.0 * d.mm }
    }

    fn row(&self, name: &str, variation: &Option<String>, d: Option<Doubted>, how: &'static str) -> Option<Measured> {
        let d = self.scaled(d?);
        Some(Measured { name: name.to_string(), variation: variation.clone(), length_mm: d.mm, doubt_mm: d.doubt, how })
    }

    fn rows(&self, file: &SetFile, made: &MadePieces) -> Vec<Measured> {
        let pieces: Vec<_> = file
            .pieces
            .iter()
            .filter(|p| !p.master_only)
            .filter_map(|p| Some((p.name.as_str(), &p.variation, made.get(&p.name)?)))
            .collect();
        let goes = |a: &Option<String>, b: &Option<String>| a.is_none() || b.is_none() || a == b;
        let mut rows: Vec<Measured> = Vec::new();
        for (_, variation, piece) in &pieces {
            let Some(kind) = piece.kind else { continue };
            let partner =
                pieces.iter().find(|(_, v, p)| p.kind.is_some_and(|k| alike(k, kind)) && p.back && goes(v, variation));
            let back = partner.map(|(_, _, p)| *p);
            if piece.back {
                continue;
            }
            rows.extend(match kind {
                PieceKind::HalfSleeve => self.sleeve(variation, piece),
                PieceKind::TrouserFront | PieceKind::TrouserBack => self.leg(variation, piece, back),
                PieceKind::HalfSkirt => self.skirt(variation, piece, back),
                PieceKind::Band => Vec::new(),
                _ => self.bodice(variation, piece, back),
            });
        }
        // What every variation shares is told once.
        let mut kept: Vec<Measured> = Vec::new();
        for row in rows {
            if !kept.iter().any(|k| k.name == row.name && (k.length_mm - row.length_mm).abs() < 0.05) {
                kept.push(row);
            }
        }
        kept
    }

    fn bodice(&self, variation: &Option<String>, front: &MadePiece, back: Option<&MadePiece>) -> Vec<Measured> {
        let both = |of: &dyn Fn(&Shape) -> Option<Doubted>| {
            Some(of(&front.shape)?.plus(of(&back?.shape)?).times(if front.shape.fold.is_some() { 2.0 } else { 1.0 }))
        };
        [
            self.row("chest", variation, both(&chest_half), "round, at the underarm"),
            self.row(
                "length",
                variation,
                body_length(&front.shape),
                "from the neck point of the shoulder down to the hem",
            ),
            self.row("shoulder", variation, sole(&front.shape, Role::Shoulder), "along the shoulder seam"),
            self.row("neckline", variation, both(&|s| sole(s, Role::Neckline)), "round"),
            self.row("hem", variation, both(&|s| sole(s, Role::Hem)), "round"),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn sleeve(&self, variation: &Option<String>, sleeve: &MadePiece) -> Vec<Measured> {
        let twice = if sleeve.shape.fold.is_some() { 2.0 } else { 1.0 };
        let doubled = |d: Option<Doubted>| d.map(|d| d.times(twice));
        [
            self.row("sleeve", variation, sole(&sleeve.shape, Role::Fold), "from the top of the cap to the hem"),
            self.row("sleeve underarm", variation, sole(&sleeve.shape, Role::UnderarmSeam), "along the underarm seam"),
            self.row("sleeve hem", variation, doubled(sole(&sleeve.shape, Role::Hem)), "round"),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn leg(&self, variation: &Option<String>, front: &MadePiece, back: Option<&MadePiece>) -> Vec<Measured> {
        let both =
            |of: &dyn Fn(&MadePiece) -> Option<Doubted>, times: f64| Some(of(front)?.plus(of(back?)?).times(times));
        let relaxed = both(&|p| sole(&p.master, Role::Waist), 2.0);
        let stretched = both(&|p| sole(&p.shape, Role::Waist), 2.0);
        let let_out = relaxed.zip(stretched).is_some_and(|(a, b)| (a.mm - b.mm).abs() > 1.0);
        let waist = if let_out { "waist stretched" } else { "waist" };
        [
            self.row("waist relaxed", variation, relaxed.filter(|_| let_out), "round, as it lay"),
            self.row(waist, variation, stretched, "round"),
            self.row("front rise", variation, sole(&front.shape, Role::Rise), "along the seam"),
            self.row("back rise", variation, back.and_then(|b| sole(&b.shape, Role::Rise)), "along the seam"),
            self.row("inseam", variation, sole(&front.shape, Role::Inseam), "along the seam"),
            self.row("outseam", variation, sole(&front.shape, Role::Outseam), "along the seam"),
            self.row("leg hem", variation, both(&|p| sole(&p.shape, Role::Hem), 1.0), "round one leg"),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn skirt(&self, variation: &Option<String>, front: &MadePiece, back: Option<&MadePiece>) -> Vec<Measured> {
        // A skirt of one shape is cut twice.
        let other = back.unwrap_or(front);
        let both = |role: Role| Some(sole(&front.shape, role)?.plus(sole(&other.shape, role)?).times(2.0));
        [
            self.row("waist", variation, both(Role::Waist), "round"),
            self.row("hem", variation, both(Role::Hem), "round"),
            self.row("length", variation, sole(&front.shape, Role::SideSeam), "along the side seam"),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

fn alike(a: PieceKind, b: PieceKind) -> bool {
    use PieceKind::{HalfBack, HalfFront, TrouserBack, TrouserFront};
    a == b
        || matches!(
            (a, b),
            (HalfFront, HalfBack) | (HalfBack, HalfFront) | (TrouserFront, TrouserBack) | (TrouserBack, TrouserFront)
        )
}

/// Length of an edge; its ends lie on its neighbours, and are as sure as they.
fn along(shape: &Shape, index: usize) -> Doubted {
    let (before, after) = shape.neighbours(index);
    let doubt = shape.edges[before].doubt_mm.hypot(shape.edges[after].doubt_mm);
    Doubted { mm: shape.edges[index].length_mm(), doubt }
}

/// Length of all edges of a role together.
fn sole(shape: &Shape, role: Role) -> Option<Doubted> {
    let all = shape.edges.iter().enumerate().filter(|(_, e)| e.role == role).map(|(i, _)| along(shape, i));
    all.reduce(|a, b| Doubted { mm: a.mm + b.mm, doubt: a.doubt.max(b.doubt) })
}

/// The corner where two roles meet.
fn corner(shape: &Shape, a: Role, b: Role) -> Option<(MatPoint, f64)> {
    (0..shape.edges.len()).find_map(|i| {
        let (edge, next) = (&shape.edges[i], &shape.edges[shape.neighbours(i).1]);
        let meets = (edge.role, next.role) == (a, b) || (edge.role, next.role) == (b, a);
        meets.then(|| (edge.to(), edge.doubt_mm.hypot(next.doubt_mm)))
    })
}

/// From the underarm straight across to the fold.
fn chest_half(shape: &Shape) -> Option<Doubted> {
    let (underarm, doubt) = corner(shape, Role::SideSeam, Role::Armhole)?;
    let fold = shape.edges.iter().find(|e| e.role == Role::Fold)?;
    let along = (fold.to() - fold.from()).try_normalize(1e-9)?;
    Some(Doubted { mm: along.perp(&(underarm - fold.from())).abs(), doubt: doubt.hypot(fold.doubt_mm) })
}

fn body_length(shape: &Shape) -> Option<Doubted> {
    let (neck, doubt) = corner(shape, Role::Neckline, Role::Shoulder)?;
    let hem = shape.edges.iter().find(|e| e.role == Role::Hem)?;
    let low = [hem.from().y, hem.to().y].into_iter().fold(f64::INFINITY, f64::min);
    Some(Doubted { mm: neck.y - low, doubt: doubt.hypot(hem.doubt_mm) })
}
