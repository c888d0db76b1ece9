//! From pieces with cut numbers to the copies that lie on the cloth.

use kurbo::{Affine, Point};
use nalgebra::Vector2;

use super::{Cloth, Laid};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::Piece;
use crate::units::MatPoint;

/// A point is on the fold within this, mm.
const ON_FOLD_MM: f64 = 0.02;
/// A fold lies along the grain within this sine (half a degree).
const ALONG: f64 = 0.009;

/// A piece and how often it is cut.
#[derive(Debug, Clone, PartialEq)]
pub struct CutPiece {
    /// Its name.
    pub name: String,
    /// The cut line, mm, y up.
    pub cut_line: Vec<MatPoint>,
    /// The fold, if it is cut on one.
    pub fold: Option<[MatPoint; 2]>,
    /// The grainline.
    pub grainline: [MatPoint; 2],
    /// How many are cut.
    pub count: u32,
    /// Every second copy is turned over (a left and a right)?
    pub pairs: bool,
    /// Cloth it is cut from.
    pub fabric: String,
}

impl CutPiece {
    /// From a finished piece.
    pub fn new(piece: &Piece) -> Self {
        Self {
            name: piece.name.clone(),
            cut_line: piece.cut_line.clone(),
            fold: piece.fold.as_ref().map(|f| f.line),
            grainline: piece.grainline,
            count: piece.cutting.count,
            pairs: piece.cutting.mirrored,
            fabric: piece.cutting.cloth.clone(),
        }
    }
}

/// One copy to be laid, its grain along x.
#[derive(Debug, Clone, PartialEq)]
pub struct Copy {
    /// Name of the piece.
    pub name: String,
    /// Which copy, from 1, and of how many.
    pub copy: (u32, u32),
    /// Layers cut at once.
    pub layers: u32,
    /// Was the half opened out?
    pub opened: bool,
    on_fold: bool,
    /// May it lie turned over as well as it lies now (both layers of doubled cloth give one of each)?
    either_side: bool,
    mirrored: bool,
    cut_line: Vec<MatPoint>,
    grainline: [MatPoint; 2],
}

/// One way a copy may lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Lying {
    /// The cut line, but for a shift.
    pub cut_line: Vec<MatPoint>,
    /// Its fold must be on the fold of the cloth.
    pub on_fold: bool,
    grainline: [MatPoint; 2],
    turned: bool,
    mirrored: bool,
}

/// All copies of a piece on this cloth.
///
/// # Errors
/// [`RefusalKind::BadOutline`] for a piece without a usable cut line.
pub fn of(piece: &CutPiece, cloth: Cloth, warnings: &mut Vec<Warning>) -> Result<Vec<Copy>, Refusal> {
    let usable = piece.cut_line.len() >= 3
        && piece.cut_line.iter().all(|p| p.is_finite())
        && polygon::signed_area(&piece.cut_line).abs() > 1.0;
    if !usable {
        return Err(Refusal::new(
            RefusalKind::BadOutline,
            format!("{} has no usable cut line", piece.name),
            "make its piece again",
        ));
    }
    let along_x = grain_along_x(piece);
    let ring = placed(&piece.cut_line, along_x);
    let grain = piece.grainline.map(|p| moved(p, along_x));
    let fold = piece.fold.map(|f| f.map(|p| moved(p, along_x)));
    let fold_on_grain = fold.is_some_and(|[a, b]| ((b - a).y / (b - a).norm().max(1e-9)).abs() < ALONG);
    let make = |copy: u32, layers: u32| Copy {
        name: piece.name.clone(),
        copy: (copy, piece.count),
        layers,
        opened: fold.is_some(),
        on_fold: false,
        either_side: fold.is_some(),
        mirrored: false,
        cut_line: match fold {
            Some(fold) => opened(&ring, fold),
            None => ring.clone(),
        },
        grainline: grain,
    };
    let count = piece.count;
    if cloth == Cloth::Flat {
        let side = |k: u32| {
            let copy = make(k + 1, 1);
            if piece.pairs && k % 2 == 1 && fold.is_none() { copy.turned_over() } else { copy }
        };
        return Ok((0..count).map(side).collect());
    }
    if let (Some(fold), true) = (fold, fold_on_grain) {
        let half = |k: u32| Copy { on_fold: true, opened: false, layers: 2, ..on_edge(make(k + 1, 2), &ring, fold) };
        return Ok((0..count).map(half).collect());
    }
    let mut copies: Vec<Copy> = (0..count / 2).map(|k| Copy { either_side: true, ..make(2 * k + 1, 2) }).collect();
    if count % 2 == 1 {
        warnings.push(Warning::new(
            "single-on-doubled-cloth",
            format!("{} is cut singly: on doubled cloth the layer under it is left over", piece.name),
        ));
        copies.push(make(count, 1));
    }
    Ok(copies)
}

/// The half as drawn, its fold at the bottom.
fn on_edge(copy: Copy, ring: &[MatPoint], [a, b]: [MatPoint; 2]) -> Copy {
    let level = 0.5 * (a.y + b.y);
    let above = ring.iter().map(|p| p.y).sum::<f64>() / ring.len().max(1) as f64 >= level;
    let mut copy = Copy { cut_line: ring.to_vec(), ..copy };
    if !above {
        // Turned over along the grain: opened out it is the same piece.
        copy = copy.turned_over();
    }
    copy
}

impl Copy {
    fn turned_over(self) -> Self {
        let over = |p: MatPoint| MatPoint::new(p.x, -p.y);
        Self {
            mirrored: !self.mirrored,
            cut_line: self.cut_line.iter().rev().map(|p| over(*p)).collect(),
            grainline: self.grainline.map(over),
            ..self
        }
    }

    /// Every way this copy may lie: with a nap never turned.
    pub fn ways(&self, nap: bool) -> Vec<Lying> {
        let mut ways = vec![self.way(1.0, 1.0)];
        if self.on_fold {
            if !nap {
                ways.push(self.way(-1.0, 1.0));
            }
            return ways;
        }
        if self.either_side {
            ways.push(self.way(1.0, -1.0));
        }
        if !nap {
            ways.push(self.way(-1.0, -1.0));
            if self.either_side {
                ways.push(self.way(-1.0, 1.0));
            }
        }
        ways
    }

    fn way(&self, x: f64, y: f64) -> Lying {
        let place = Affine::scale_non_uniform(x, y);
        let flipped = x * y < 0.0;
        let mut cut_line = placed(&self.cut_line, place);
        if flipped {
            cut_line.reverse();
        }
        Lying {
            cut_line,
            on_fold: self.on_fold,
            grainline: self.grainline.map(|p| moved(p, place)),
            turned: x < 0.0,
            mirrored: flipped,
        }
    }

    /// This copy lying so, shifted.
    pub fn laid(&self, way: &Lying, shift: Vector2<f64>) -> Laid {
        Laid {
            piece: self.name.clone(),
            copy: self.copy.0,
            of: self.copy.1,
            layers: self.layers,
            on_fold: self.on_fold,
            opened: self.opened,
            mirrored: self.mirrored != way.mirrored,
            turned: way.turned,
            cut_line: way.cut_line.iter().map(|p| *p + shift).collect(),
            grainline: way.grainline.map(|p| p + shift),
        }
    }
}

/// Rotation that lays the grainline along x, pointing to larger x.
fn grain_along_x(piece: &CutPiece) -> Affine {
    let [from, to] = piece.grainline;
    let grain = to - from;
    if grain.norm() > 1e-9 {
        Affine::rotate(-grain.y.atan2(grain.x))
    } else {
        Affine::rotate(-std::f64::consts::FRAC_PI_2)
    }
}

fn moved(p: MatPoint, place: Affine) -> MatPoint {
    MatPoint::from(place * Point::from(p))
}

fn placed(ring: &[MatPoint], place: Affine) -> Vec<MatPoint> {
    ring.iter().map(|p| moved(*p, place)).collect()
}

/// A half piece opened out across its fold: the half, then its reflection, joined where they meet the fold.
pub fn opened(half: &[MatPoint], [a, b]: [MatPoint; 2]) -> Vec<MatPoint> {
    let Some(along) = (b - a).try_normalize(1e-9) else { return half.to_vec() };
    let off = |p: MatPoint| along.perp(&(p - a));
    let on = |p: MatPoint| off(p).abs() <= ON_FOLD_MM;
    let count = half.len();
    // Start just after the fold: at the last point on it before the ring leaves it.
    let leaves = (0..count).find(|&i| on(half[i]) && !on(half[(i + 1) % count]));
    let Some(start) = leaves else { return half.to_vec() };
    let from_fold: Vec<MatPoint> = (0..count).map(|k| half[(start + k) % count]).collect();
    let end = from_fold.iter().skip(1).position(|p| on(*p)).map_or(count, |k| k + 2);
    let chain = &from_fold[..end.min(count)];
    let side = chain.iter().map(|p| off(*p)).sum::<f64>();
    if side == 0.0 {
        return half.to_vec();
    }
    let across = Vector2::new(-along.y, along.x);
    let mirrored = |p: &MatPoint| *p - across * (2.0 * off(*p));
    let inner = chain.iter().skip(1).take(chain.len().saturating_sub(2));
    chain.iter().copied().chain(inner.rev().map(mirrored)).collect()
}
