//! The shape of every piece: traced or taken from another, its edges named, upright, then changed as the person asked.

use std::cell::RefCell;
use std::collections::BTreeMap;

use kurbo::Affine;

use super::file::{NumberOrWord, PieceFile, SetFile};
use super::{Traced, backs};
use crate::draft::changes::{self, Change, GrainDownTheLeg, Scale};
use crate::draft::roles::{self, PieceKind};
use crate::draft::shape::{EdgeRef, Role, Shape};
use crate::draft::tracing_of;
use crate::edges::{EdgeOptions, FoldChoice};
use crate::flat::MatRect;
use crate::path;
use crate::refusal::{Refusal, RefusalKind, Warning};

/// A piece as it is before allowances.
#[derive(Debug, Clone)]
pub struct MadePiece {
    /// Its stitching edges.
    pub shape: Shape,
    /// Its stitching edges before changes.
    pub master: Shape,
    /// The kind it is, where told or guessed with some sureness.
    pub kind: Option<PieceKind>,
    /// Is it a back: as told, else by its name, else beside its front?
    pub back: bool,
}

/// All pieces by name.
pub type MadePieces = BTreeMap<String, MadePiece>;

/// Makes the shapes of all pieces.
///
/// # Errors
/// A refusal that names the piece.
pub fn all(file: &SetFile, traced: &BTreeMap<String, Traced>) -> Result<MadePieces, Refusal> {
    all_knowing(file, traced, &mut KnownMasters::default())
}

/// Shapes read from outlines before, to be read again only when the outline or what is said of it changed: finding edges
/// takes most of the time that a set takes.
#[derive(Debug, Default)]
pub struct KnownMasters(BTreeMap<String, KnownMaster>);

#[derive(Debug)]
struct KnownMaster {
    kind: Option<PieceKind>,
    fold: Option<NumberOrWord>,
    roles: BTreeMap<String, Role>,
    traced: Traced,
    made: (Shape, Option<PieceKind>),
}

impl KnownMasters {
    /// The shape of a traced piece, read now unless it is known.
    fn read(&mut self, piece: &PieceFile, traced: &Traced) -> Result<(Shape, Option<PieceKind>), Refusal> {
        let known = self
            .0
            .get(&piece.name)
            .filter(|k| k.kind == piece.kind && k.fold == piece.fold && k.roles == piece.roles && k.traced == *traced);
        if let Some(known) = known {
            return Ok(known.made.clone());
        }
        let made = from_traced(piece, traced)?;
        let (kind, fold, roles) = (piece.kind, piece.fold.clone(), piece.roles.clone());
        let known = KnownMaster { kind, fold, roles, traced: traced.clone(), made: made.clone() };
        self.0.insert(piece.name.clone(), known);
        Ok(made)
    }
}

/// As [`all`]; `known` is kept by whoever makes a set again and again.
///
/// # Errors
/// As [`all`].
pub fn all_knowing(
    file: &SetFile,
    traced: &BTreeMap<String, Traced>,
    known: &mut KnownMasters,
) -> Result<MadePieces, Refusal> {
    let known = RefCell::new(known);
    let workshop = Workshop { file, traced, known, masters: RefCell::default(), busy: RefCell::default() };
    let mut made = MadePieces::new();
    // Bands last: they are measured on finished edges.
    for bands in [false, true] {
        for piece in file.pieces.iter().filter(|p| p.band.is_some() == bands) {
            let of = |refusal| about(&piece.name, refusal);
            let (shape, master, kind) = match &piece.band {
                Some(band) => {
                    let finished =
                        |name: &str| made.get(name).map(|m| m.shape.clone()).ok_or_else(|| no_such_piece(file, name));
                    let mut shape = band.shape(&finished).map_err(of)?;
                    named(&mut shape, piece).map_err(of)?;
                    (shape.clone(), shape, Some(PieceKind::Band))
                }
                None => {
                    let (master, kind) = workshop.master(piece).map_err(of)?;
                    (master.clone(), master, kind)
                }
            };
            let lookup = |name: &str| workshop.master_named(name);
            let mut shape = changes::apply(&shape, &piece.changes, &lookup).map_err(of)?;
            set_roles(&mut shape, &piece.roles_after).map_err(of)?;
            rename(&mut shape, &piece.names_after).map_err(of)?;
            if let Some(shrinkage) = file.shrinkage.filter(|_| piece.band.is_none()) {
                let grown = Change::Scale(Scale {
                    length: grown_percent(shrinkage.length),
                    width: grown_percent(shrinkage.width),
                });
                shape = changes::apply(&shape, &[grown], &lookup).map_err(of)?;
            }
            made.insert(piece.name.clone(), MadePiece { shape, master, kind, back: false });
        }
    }
    backs::tell(file, &mut made);
    Ok(made)
}

/// What must be added so that, shrunk by so many per cent, the length is right again.
fn grown_percent(shrinks: f64) -> f64 {
    100.0 * (1.0 / (1.0 - shrinks / 100.0) - 1.0)
}

/// A refusal with the piece's name before it.
pub(super) fn about(name: &str, refusal: Refusal) -> Refusal {
    Refusal { seen: format!("piece \"{name}\": {}", refusal.seen), ..refusal }
}

/// The refusal for a piece that is not there.
pub(super) fn no_such_piece(file: &SetFile, name: &str) -> Refusal {
    let names: Vec<&str> = file.pieces.iter().map(|p| p.name.as_str()).collect();
    Refusal::new(
        RefusalKind::BadRequest,
        format!("there is no piece \"{name}\""),
        format!("the pieces are {}", names.join(", ")),
    )
}

/// Master shapes, made once.
struct Workshop<'a> {
    file: &'a SetFile,
    traced: &'a BTreeMap<String, Traced>,
    known: RefCell<&'a mut KnownMasters>,
    masters: RefCell<BTreeMap<String, (Shape, Option<PieceKind>)>>,
    /// Pieces being made, to find a ring of pieces each made from the next.
    busy: RefCell<Vec<String>>,
}

impl Workshop<'_> {
    fn master_named(&self, name: &str) -> Result<Shape, Refusal> {
        let piece = self.file.pieces.iter().find(|p| p.name == name).ok_or_else(|| no_such_piece(self.file, name))?;
        if piece.band.is_some() {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{name}\" is a band, not a shape to be worked from"),
                "name a piece that was traced or drawn",
            ));
        }
        self.master(piece).map(|(shape, _)| shape)
    }

    fn master(&self, piece: &PieceFile) -> Result<(Shape, Option<PieceKind>), Refusal> {
        if let Some(known) = self.masters.borrow().get(&piece.name) {
            return Ok(known.clone());
        }
        if self.busy.borrow().contains(&piece.name) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                match &**self.busy.borrow() {
                    [one] => format!("{one} is made from itself"),
                    all => format!("{} are made from one another", all.join(", ")),
                },
                "let one of them come from a photo or an outline",
            ));
        }
        self.busy.borrow_mut().push(piece.name.clone());
        let made = self.made(piece);
        self.busy.borrow_mut().pop();
        let made = made?;
        self.masters.borrow_mut().insert(piece.name.clone(), made.clone());
        Ok(made)
    }

    fn made(&self, piece: &PieceFile) -> Result<(Shape, Option<PieceKind>), Refusal> {
        let (mut shape, kind) = match &piece.of {
            Some(other) => {
                let other = self.file.pieces.iter().find(|p| p.name == *other);
                let other = other.ok_or_else(|| no_such_piece(self.file, piece.of.as_deref().unwrap_or_default()))?;
                let (mut shape, kind) = self.master(other)?;
                shape.warnings.clear();
                (shape, piece.kind.or(kind))
            }
            None => {
                let traced = self.traced.get(&piece.name).ok_or_else(|| {
                    Refusal::new(RefusalKind::File, "its outline has not been traced yet", "trace its photo first")
                })?;
                self.known.borrow_mut().read(piece, traced)?
            }
        };
        named(&mut shape, piece)?;
        Ok((shape, kind))
    }
}

/// Roles and names a person gave.
fn named(shape: &mut Shape, piece: &PieceFile) -> Result<(), Refusal> {
    for (edge, role) in &piece.roles {
        let index = shape.find(&EdgeRef(edge.clone()))?;
        shape.edges[index].role = *role;
    }
    rename(shape, &piece.names)
}

/// An edge that bows by more of its length than this is no fold.
const FOLD_BOW: f64 = 0.012;

/// Roles given after the changes; an edge that becomes the fold is made straight and upright.
fn set_roles(shape: &mut Shape, roles: &BTreeMap<String, Role>) -> Result<(), Refusal> {
    for (edge, role) in roles {
        let index = shape.find(&EdgeRef(edge.clone()))?;
        shape.edges[index].role = *role;
        if *role != Role::Fold {
            continue;
        }
        let edge = &mut shape.edges[index];
        let bow = path::bow(&edge.path);
        if bow > FOLD_BOW * edge.length_mm() + 2.0 {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("{} bows by {bow:.1} mm and cannot lie on a fold", edge.called()),
                "name a straight edge",
            ));
        }
        edge.path = path::line(path::start(&edge.path), path::end(&edge.path));
        let along = edge.to() - edge.from();
        shape.fold = Some(edge.number);
        let up = if along.y < 0.0 { -along } else { along };
        *shape = at_origin(&shape.transformed(Affine::rotate(up.x.atan2(up.y))));
        shape.check("laying it on the fold")?;
    }
    Ok(())
}

fn rename(shape: &mut Shape, names: &BTreeMap<String, String>) -> Result<(), Refusal> {
    for (edge, name) in names {
        let index = shape.find(&EdgeRef(edge.clone()))?;
        shape.edges[index].name = Some(name.clone());
    }
    Ok(())
}

/// Least turn of a corner where the usual one finds too few for the kind of piece, degrees.
const GENTLE_DEG: f64 = 8.0;

/// From a traced outline: edges, fold, roles, upright, its lower left at the origin.
fn from_traced(piece: &PieceFile, traced: &Traced) -> Result<(Shape, Option<PieceKind>), Refusal> {
    let options = EdgeOptions { fold: fold_choice(piece, traced)?, ..traced.edges.clone() };
    // What set.json says of the fold outweighs a place pointed at.
    let options = EdgeOptions { fold_at: options.fold_at.filter(|_| piece.fold.is_none()), ..options };
    let settled = options.fold_at.is_some();
    let read = |options: &EdgeOptions| -> Result<_, Refusal> {
        let mut shape = Shape::from_tracing(&tracing_of(&traced.outline, options)?, traced.marks.clone());
        shape.inside = traced.inside.clone();
        let guessed = roles::guess(&shape, piece.kind);
        Ok((shape, guessed))
    };
    let (mut shape, mut guessed) = read(&options)?;
    if guessed.as_ref().is_none_or(|g| g.unlike >= roles::UNLIKE) {
        // Some corners turn gently: an underarm, a hem into a curved side.
        let gentle = EdgeOptions { least_turn_deg: GENTLE_DEG, ..options.clone() };
        let (other, again) = read(&gentle)?;
        if again.as_ref().is_some_and(|g| g.unlike < guessed.as_ref().map_or(roles::UNLIKE, |g| g.unlike)) {
            (shape, guessed) = (other, again);
        }
    }
    if piece.kind.is_some() || piece.fold.is_some() || settled {
        // The person said what the guess would have been about.
        shape.warnings.retain(|w| w.code != "fold-guessed");
    }
    let Some(guessed) = guessed.filter(|g| piece.kind.is_some() || g.unlike < roles::UNLIKE) else {
        if piece.roles.is_empty() {
            shape.warnings.push(Warning::new(
                "roles-unknown",
                "it is like no kind of piece known here, so its edges have no roles: give them with \"roles\" in set.json",
            ));
        }
        return Ok((at_origin(&shape), piece.kind));
    };
    for (edge, role) in shape.edges.iter_mut().zip(&guessed.roles) {
        edge.role = *role;
    }
    note_guess(&mut shape, piece, &guessed);
    let upright = shape.transformed(Affine::rotate(f64::from(guessed.quarter_turns) * std::f64::consts::FRAC_PI_2));
    let upright = straightened(upright, guessed.kind)?;
    Ok((at_origin(&upright), Some(guessed.kind)))
}

fn note_guess(shape: &mut Shape, piece: &PieceFile, guessed: &roles::Roles) {
    let told = piece.roles.len() >= shape.edges.len();
    if told || (guessed.confidence >= roles::DOUBTFUL && guessed.unlike < roles::UNLIKE) {
        return;
    }
    shape.warnings.push(Warning::new(
        "roles-guessed",
        format!(
            "what its edges are was guessed and is not sure: {}; correct it with \"roles\" in set.json",
            shape.listed()
        ),
    ));
}

/// Which edge is the fold: as told, else the one that makes the piece most like its kind.
fn fold_choice(piece: &PieceFile, traced: &Traced) -> Result<FoldChoice, Refusal> {
    let told = match &piece.fold {
        Some(NumberOrWord::Number(number)) => FoldChoice::Edge(*number),
        Some(NumberOrWord::Word(word)) => word.parse()?,
        None if traced.edges.fold_at.is_some() => return Ok(FoldChoice::Auto),
        None => traced.edges.fold,
    };
    let (FoldChoice::Auto, Some(kind)) = (told, piece.kind) else { return Ok(told) };
    if !kind.on_fold() {
        return Ok(FoldChoice::None);
    }
    let options = EdgeOptions { fold: FoldChoice::None, ..traced.edges.clone() };
    let shape = Shape::from_tracing(&tracing_of(&traced.outline, &options)?, Vec::new());
    let longest = shape.edges.iter().map(|e| e.length_mm()).fold(0.0, f64::max);
    let mut best = (f64::INFINITY, FoldChoice::Auto);
    for edge in shape.edges.iter().filter(|e| e.length_mm() > 0.3 * longest) {
        // A fold may bow by a hundredth of its length before it is straightened.
        if path::bow(&edge.path) > 0.012 * edge.length_mm() + 2.0 {
            continue;
        }
        let folded = Shape { fold: Some(edge.number), ..shape.clone() };
        if let Some(found) = roles::guess(&folded, Some(kind)).filter(|f| f.unlike < best.0) {
            best = (found.unlike, FoldChoice::Edge(edge.number));
        }
    }
    Ok(best.1)
}

/// The fold, or the middle of the leg, exactly upright.
fn straightened(shape: Shape, kind: PieceKind) -> Result<Shape, Refusal> {
    if let Some(edge) = shape.edges.iter().find(|e| Some(e.number) == shape.fold) {
        let along = edge.to() - edge.from();
        let up = if along.y < 0.0 { -along } else { along };
        let off = up.x.atan2(up.y);
        return Ok(shape.transformed(Affine::rotate(off)));
    }
    let leg = matches!(kind, PieceKind::TrouserFront | PieceKind::TrouserBack);
    let roles_known = [Role::Hem, Role::Inseam].iter().all(|r| shape.edges.iter().any(|e| e.role == *r));
    if leg && roles_known {
        let grain = Change::GrainDownTheLeg(GrainDownTheLeg::default());
        let none = |name: &str| Err(Refusal::new(RefusalKind::BadRequest, format!("no piece {name}"), ""));
        // A leg whose hem or knee cannot be found keeps the mat's grain.
        return Ok(changes::apply(&shape, &[grain], &none).unwrap_or(shape));
    }
    Ok(shape)
}

fn at_origin(shape: &Shape) -> Shape {
    let corner = MatRect::around(shape.ring()).map_or_else(Default::default, |r| r.min);
    shape.transformed(Affine::translate((-corner.x, -corner.y)))
}
