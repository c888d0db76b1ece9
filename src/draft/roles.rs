//! What each edge is, guessed from the shape: hem, side seam, shoulder, neckline ...
//!
//! Each kind of piece has a sequence of roles round it, and each role a usual place and direction. The edges are laid
//! against the sequence by dynamic programming (every role takes one or more edges, in order), turned by quarters and
//! turned over, and the cheapest lie is kept. A person can always say otherwise.

use std::f64::consts::TAU;
use std::str::FromStr;

use kurbo::Affine;
use nalgebra::Vector2;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::shape::{Role, Shape, word_of};
use crate::flat::MatRect;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Kinds of piece whose edges are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PieceKind {
    /// Front of a bodice, half of it on the fold.
    HalfFront,
    /// Back of a bodice, half of it on the fold.
    HalfBack,
    /// A sleeve folded from the top of its cap to the hem.
    HalfSleeve,
    /// Front leg of trousers or shorts.
    TrouserFront,
    /// Back leg of trousers or shorts.
    TrouserBack,
    /// Half of a skirt, on the fold.
    HalfSkirt,
    /// Half of a bodice with its sleeve spread out, on the fold.
    HalfBodyWithSleeve,
    /// A band: a rectangle.
    Band,
}

impl PieceKind {
    /// All kinds.
    pub const ALL: [PieceKind; 8] = [
        PieceKind::HalfFront,
        PieceKind::HalfBack,
        PieceKind::HalfSleeve,
        PieceKind::TrouserFront,
        PieceKind::TrouserBack,
        PieceKind::HalfSkirt,
        PieceKind::HalfBodyWithSleeve,
        PieceKind::Band,
    ];

    /// As it is written in files.
    pub fn word(self) -> &'static str {
        match self {
            PieceKind::HalfFront => "half-front",
            PieceKind::HalfBack => "half-back",
            PieceKind::HalfSleeve => "half-sleeve",
            PieceKind::TrouserFront => "trouser-front",
            PieceKind::TrouserBack => "trouser-back",
            PieceKind::HalfSkirt => "half-skirt",
            PieceKind::HalfBodyWithSleeve => "half-body-with-sleeve",
            PieceKind::Band => "band",
        }
    }

    /// Is it a back? Its notches are double.
    pub fn is_back(self) -> bool {
        matches!(self, PieceKind::HalfBack | PieceKind::TrouserBack)
    }

    /// Does it lie on a fold?
    pub fn on_fold(self) -> bool {
        self.usual().iter().any(|u| u.role == Role::Fold)
    }

    /// Its roles anticlockwise, the fold or outer leg at the left, the hem below.
    fn usual(self) -> &'static [Usual] {
        match self {
            PieceKind::HalfFront | PieceKind::HalfBack => &BODICE,
            PieceKind::HalfSleeve => &SLEEVE,
            PieceKind::TrouserFront | PieceKind::TrouserBack => &LEG,
            PieceKind::HalfSkirt => &SKIRT,
            PieceKind::HalfBodyWithSleeve => &BODY_WITH_SLEEVE,
            PieceKind::Band => &BAND,
        }
    }
}

impl FromStr for PieceKind {
    type Err = Refusal;

    fn from_str(typed: &str) -> Result<Self, Refusal> {
        let word = word_of(typed);
        PieceKind::ALL.into_iter().find(|p| p.word() == word).ok_or_else(|| {
            let all: Vec<&str> = PieceKind::ALL.iter().map(|p| p.word()).collect();
            Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{typed}\" is no kind of piece"),
                format!("write one of {}", all.join(", ")),
            )
        })
    }
}

/// Where a role usually is: direction it faces (degrees anticlockwise from the right), middle in shares of the piece's
/// width and height.
struct Usual {
    role: Role,
    faces_deg: f64,
    at: (f64, f64),
}

const fn usual(role: Role, faces_deg: f64, x: f64, y: f64) -> Usual {
    Usual { role, faces_deg, at: (x, y) }
}

static BODICE: [Usual; 6] = [
    usual(Role::Hem, -90.0, 0.5, 0.0),
    usual(Role::SideSeam, 0.0, 0.97, 0.33),
    usual(Role::Armhole, 5.0, 0.85, 0.8),
    usual(Role::Shoulder, 70.0, 0.55, 0.97),
    usual(Role::Neckline, 125.0, 0.18, 0.93),
    usual(Role::Fold, 180.0, 0.0, 0.45),
];
static SLEEVE: [Usual; 4] = [
    usual(Role::Hem, -90.0, 0.35, 0.0),
    usual(Role::UnderarmSeam, -10.0, 0.85, 0.3),
    usual(Role::SleeveCap, 50.0, 0.55, 0.85),
    usual(Role::Fold, 180.0, 0.0, 0.5),
];
static LEG: [Usual; 5] = [
    usual(Role::Hem, -90.0, 0.4, 0.0),
    usual(Role::Inseam, -5.0, 0.8, 0.35),
    usual(Role::Rise, 20.0, 0.85, 0.87),
    usual(Role::Waist, 90.0, 0.4, 1.0),
    usual(Role::Outseam, 180.0, 0.03, 0.5),
];
static SKIRT: [Usual; 4] = [
    usual(Role::Hem, -90.0, 0.5, 0.0),
    usual(Role::SideSeam, 5.0, 0.92, 0.5),
    usual(Role::Waist, 90.0, 0.4, 1.0),
    usual(Role::Fold, 180.0, 0.0, 0.5),
];
static BODY_WITH_SLEEVE: [Usual; 7] = [
    usual(Role::Hem, -90.0, 0.25, 0.0),
    usual(Role::SideSeam, 0.0, 0.5, 0.33),
    usual(Role::UnderarmSeam, -60.0, 0.75, 0.6),
    usual(Role::Hem, 0.0, 1.0, 0.7),
    usual(Role::Shoulder, 75.0, 0.55, 0.93),
    usual(Role::Neckline, 120.0, 0.1, 0.97),
    usual(Role::Fold, 180.0, 0.0, 0.45),
];
static BAND: [Usual; 4] = [
    usual(Role::Plain, -90.0, 0.5, 0.0),
    usual(Role::Plain, 0.0, 1.0, 0.5),
    usual(Role::Plain, 90.0, 0.5, 1.0),
    usual(Role::Plain, 180.0, 0.0, 0.5),
];

/// Roles of a shape's edges, and how sure.
#[derive(Debug, Clone, PartialEq)]
pub struct Roles {
    /// The kind of piece they were read as.
    pub kind: PieceKind,
    /// A role for each edge, in order.
    pub roles: Vec<Role>,
    /// 0 to 1; below [`DOUBTFUL`] another reading does nearly as well.
    pub confidence: f64,
    /// Mean departure of the edges from their usual places: 0 as usual, above [`UNLIKE`] unlike this kind of piece.
    pub unlike: f64,
    /// Turn that brings the shape upright (grain up, hem below), degrees anticlockwise, a quarter at a time.
    pub quarter_turns: u8,
}

/// Confidence below which a guess is called doubtful.
pub const DOUBTFUL: f64 = 0.15;
/// Departure above which a shape is unlike its kind: half a radian on every edge.
pub const UNLIKE: f64 = 0.5;

/// Guesses the roles. `told` is the kind of piece where a person said it; otherwise the likeliest is taken.
///
/// `None` for a shape with fewer edges than the piece has roles, or no edges.
pub fn guess(shape: &Shape, told: Option<PieceKind>) -> Option<Roles> {
    let kinds: Vec<PieceKind> = match told {
        Some(kind) => vec![kind],
        // Back and front differ too little to be told apart.
        None => vec![PieceKind::HalfFront, PieceKind::HalfSleeve, PieceKind::TrouserFront, PieceKind::HalfSkirt],
    };
    let mut best: Option<Roles> = None;
    let mut second = f64::INFINITY;
    for kind in kinds {
        for turns in 0..4u8 {
            for over in [false, true] {
                let Some((cost, roles)) = laid(shape, kind, turns, over) else { continue };
                // A piece lies on the mat as it is worn more often than not.
                let cost = cost + 0.08 * f64::from(turns.min(4 - turns));
                if best.as_ref().is_none_or(|b| cost < b.unlike) {
                    second = best.as_ref().filter(|b| b.roles != roles).map_or(second, |b| b.unlike);
                    best = Some(Roles { kind, roles, confidence: 0.0, unlike: cost, quarter_turns: turns });
                } else if best.as_ref().is_some_and(|b| b.roles != roles) {
                    second = second.min(cost);
                }
            }
        }
    }
    let mut best = best?;
    best.confidence = (1.0 - best.unlike / second.max(1e-9)).clamp(0.0, 1.0);
    Some(best)
}

/// One edge as the templates see it.
struct Seen {
    faces: f64,
    at: Vector2<f64>,
    weight: f64,
    fold: bool,
}

/// Cost and roles of a shape laid one way against a kind of piece.
fn laid(shape: &Shape, kind: PieceKind, turns: u8, over: bool) -> Option<(f64, Vec<Role>)> {
    let turn = Affine::rotate(f64::from(turns) * TAU / 4.0);
    let lie = if over { Affine::FLIP_X * turn } else { turn };
    let moved = shape.transformed(lie);
    let seen = seen(&moved)?;
    let (cost, mut roles) = assigned(&seen, kind.usual())?;
    if over {
        // Turned over, the edges ran backwards.
        roles.reverse();
    }
    Some((cost, roles))
}

fn seen(shape: &Shape) -> Option<Vec<Seen>> {
    let ring = shape.ring();
    let frame = MatRect::around(ring.iter().copied())?;
    let around: f64 = shape.edges.iter().map(super::shape::ShapeEdge::length_mm).sum();
    let edges = shape.edges.iter().map(|edge| {
        let chord = edge.to() - edge.from();
        let middle: MatPoint = edge.from().lerp(edge.to(), 0.5);
        let from = middle - frame.min;
        Seen {
            faces: (-chord.x).atan2(chord.y),
            at: Vector2::new(from.x / frame.width_mm().max(1e-9), from.y / frame.height_mm().max(1e-9)),
            // Long edges are told more surely than short ones, but a short one must not count for nothing.
            weight: 0.4 / shape.edges.len() as f64 + 0.6 * edge.length_mm() / around.max(1e-9),
            fold: shape.fold == Some(edge.number),
        }
    });
    let edges: Vec<Seen> = edges.collect();
    (!edges.is_empty()).then_some(edges)
}

/// Departure of an edge from a role's usual place and direction, radians or so.
fn cost(edge: &Seen, usual: &Usual) -> f64 {
    if edge.fold != (usual.role == Role::Fold) {
        return if edge.fold { 6.0 } else { 3.0 };
    }
    let off = (edge.faces - usual.faces_deg.to_radians() + 5.0 * TAU / 2.0).rem_euclid(TAU) - TAU / 2.0;
    let away = edge.at - Vector2::new(usual.at.0, usual.at.1);
    off.abs() + 1.5 * away.norm()
}

/// Cheapest way to give every edge a role, the roles in order and each used.
fn assigned(edges: &[Seen], usual: &[Usual]) -> Option<(f64, Vec<Role>)> {
    let (count, kinds) = (edges.len(), usual.len());
    if count < kinds {
        return None;
    }
    let mut best: Option<(f64, Vec<Role>)> = None;
    // The first edge's role: any, and it may go on from the last edge's.
    for first in 0..kinds {
        for wraps in [false, true] {
            let Some((total, places)) = chain(edges, usual, first, wraps) else { continue };
            if best.as_ref().is_none_or(|b| total < b.0) {
                best = Some((total, places.into_iter().map(|k| usual[k % kinds].role).collect()));
            }
        }
    }
    best
}

/// The chain of roles `first, first + 1, ...` over the edges; `wraps`: the last edges have the first one's role again.
fn chain(edges: &[Seen], usual: &[Usual], first: usize, wraps: bool) -> Option<(f64, Vec<usize>)> {
    let kinds = usual.len();
    let steps = kinds + usize::from(wraps);
    if edges.len() < steps {
        return None;
    }
    let price = |i: usize, step: usize| edges[i].weight * cost(&edges[i], &usual[(first + step) % kinds]);
    let mut table = vec![vec![(f64::INFINITY, false); steps]; edges.len()];
    table[0][0].0 = price(0, 0);
    for i in 1..edges.len() {
        for step in 0..steps.min(i + 1) {
            let stay = table[i - 1][step].0;
            let go = if step > 0 { table[i - 1][step - 1].0 } else { f64::INFINITY };
            table[i][step] = (stay.min(go) + price(i, step), go < stay);
        }
    }
    let total = table[edges.len() - 1][steps - 1].0;
    if !total.is_finite() {
        return None;
    }
    let mut places = vec![0; edges.len()];
    let mut step = steps - 1;
    for i in (0..edges.len()).rev() {
        places[i] = first + step;
        if table[i][step].1 {
            step -= 1;
        }
    }
    Some((total, places))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draft::shape::ShapeEdge;
    use kurbo::BezPath;

    fn shape(paths: &[&str], fold: Option<usize>) -> Shape {
        let edges = paths.iter().enumerate().map(|(i, p)| ShapeEdge {
            number: i + 1,
            name: None,
            role: Role::Plain,
            path: BezPath::from_svg(p).unwrap(),
            doubt_mm: 0.2,
        });
        Shape { edges: edges.collect(), fold, ..Shape::default() }
    }

    fn tee() -> Shape {
        shape(
            &[
                "M0,0 L250,0",
                "M250,0 C248,150 246,300 250,400",
                "M250,400 C215,410 205,480 215,590",
                "M215,590 L90,630",
                "M90,630 C80,580 50,545 0,540",
                "M0,540 L0,0",
            ],
            Some(6),
        )
    }

    const TEE: [Role; 6] = [Role::Hem, Role::SideSeam, Role::Armhole, Role::Shoulder, Role::Neckline, Role::Fold];

    #[test]
    fn a_half_bodice_any_way_up() {
        for turns in 0..4 {
            for over in [false, true] {
                let turn = Affine::rotate(f64::from(turns) * TAU / 4.0);
                let lie = if over { turn * Affine::FLIP_X } else { turn };
                let moved = tee().transformed(lie);
                let found = guess(&moved, None).unwrap();
                let mut truth = TEE.to_vec();
                if over {
                    truth.reverse();
                }
                assert_eq!(found.roles, truth, "{turns} {over}");
                assert_eq!(found.kind, PieceKind::HalfFront);
                assert!(found.unlike < UNLIKE, "{}", found.unlike);
            }
        }
    }

    #[test]
    fn sleeve_leg_and_skirt_are_told_apart() {
        let sleeve = shape(&["M0,0 L110,0", "M110,0 L170,90", "M170,90 C110,110 80,230 0,240", "M0,240 L0,0"], Some(4));
        let found = guess(&sleeve, None).unwrap();
        assert_eq!(found.roles, [Role::Hem, Role::UnderarmSeam, Role::SleeveCap, Role::Fold]);
        let leg = shape(
            &[
                "M0,0 L200,0",
                "M200,0 C210,300 240,600 300,720",
                "M300,720 C250,740 235,800 230,1000",
                "M230,1000 L10,1000",
                "M10,1000 L0,0",
            ],
            None,
        );
        let found = guess(&leg, None).unwrap();
        assert_eq!(found.roles, [Role::Hem, Role::Inseam, Role::Rise, Role::Waist, Role::Outseam]);
        let skirt =
            shape(&["M0,0 L330,20", "M330,20 C290,300 240,500 210,610", "M210,610 L0,600", "M0,600 L0,0"], Some(4));
        assert_eq!(guess(&skirt, None).unwrap().kind, PieceKind::HalfSkirt);
    }

    #[test]
    fn an_edge_cut_in_two_keeps_its_role() {
        let mut cut = tee();
        cut.edges[1].path = BezPath::from_svg("M250,0 L247,200").unwrap();
        let mut upper = cut.edges[1].clone();
        upper.number = 7;
        upper.path = BezPath::from_svg("M247,200 L250,400").unwrap();
        cut.edges.insert(2, upper);
        let found = guess(&cut, Some(PieceKind::HalfBack)).unwrap();
        assert_eq!(found.roles[1..3], [Role::SideSeam, Role::SideSeam]);
        assert!(guess(&shape(&["M0,0 L1,0", "M1,0 L0,1", "M0,1 L0,0"], None), Some(PieceKind::HalfFront)).is_none());
    }
}
