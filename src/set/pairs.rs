//! Edges that are sewn together, and whether they fit: lengths along the stitching line, ease, and the corners they make.
//!
//! Sewn edges are equal within 1.5 mm, the angles on both sides of a seam's end add up to 180 degrees within 2, a sleeve
//! cap is never shorter than its armhole (all common practice, no source).

use kurbo::Vec2;
use serde::Serialize;

use super::file::{PairFile, SetFile};
use super::pieces::{MadePiece, MadePieces, no_such_piece};
use crate::draft::roles::PieceKind;
use crate::draft::shape::{EdgeRef, Role, Shape, ShapeEdge};
use crate::path;
use crate::refusal::{Refusal, RefusalKind, Warning};

/// Sewn edges differ by no more, mm.
pub const FIT_MM: f64 = 1.5;
/// Corners across a seam make a straight run within this, degrees.
pub const SMOOTH_DEG: f64 = 2.0;
/// A corner further from straight is meant, or a fault to be looked at, degrees.
pub(super) const MEANT_DEG: f64 = 20.0;
/// Most ease of a sleeve cap before it is questioned, mm: woven sleeves take 20 to 40 (common practice, no source).
const MOST_CAP_EASE_MM: f64 = 40.0;

/// One edge on one side of a pair.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeOf {
    /// How often it goes into the seam.
    pub times: u32,
    /// Its piece.
    pub piece: String,
    /// The edge.
    pub edge: EdgeRef,
}

impl std::fmt::Display for EdgeOf {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.times > 1 {
            write!(f, "{} x ", self.times)?;
        }
        write!(f, "{}/{}", self.piece, self.edge)
    }
}

impl EdgeOf {
    /// Reads `front/side-seam` or `2 x sleeve/sleeve-cap`.
    ///
    /// # Errors
    /// When there is no slash, or the count is none.
    pub fn parse(typed: &str) -> Result<Self, Refusal> {
        let wrong = || {
            Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{typed}\" is no edge of a piece"),
                "write PIECE/EDGE, such as front/side-seam or 2 x sleeve/sleeve-cap",
            )
        };
        let (times, rest) = match typed.trim().split_once(" x ") {
            Some((count, rest)) => {
                (count.trim().parse().ok().filter(|n| (1..=99).contains(n)).ok_or_else(wrong)?, rest)
            }
            None => (1, typed.trim()),
        };
        let (piece, edge) = rest.split_once('/').ok_or_else(wrong)?;
        let (piece, edge) = (piece.trim(), edge.trim());
        if piece.is_empty() || edge.is_empty() {
            return Err(wrong());
        }
        Ok(Self { times, piece: piece.to_string(), edge: EdgeRef(edge.to_string()) })
    }

    /// The edge itself.
    ///
    /// # Errors
    /// When the piece or the edge is not there.
    pub fn on<'a>(&self, made: &'a MadePieces) -> Result<(&'a Shape, usize), Refusal> {
        let piece = made.get(&self.piece).ok_or_else(|| {
            let names: Vec<&str> = made.keys().map(String::as_str).collect();
            Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{self}\": there is no piece \"{}\"", self.piece),
                format!("the pieces are {}", names.join(", ")),
            )
        })?;
        let index = piece.shape.find(&self.edge).map_err(|r| super::pieces::about(&self.piece, r))?;
        Ok((&piece.shape, index))
    }

    fn length_mm(&self, made: &MadePieces) -> Result<f64, Refusal> {
        let (shape, index) = self.on(made)?;
        Ok(f64::from(self.times) * shape.edges[index].length_mm())
    }
}

/// Edges that are sewn together.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// The two sides.
    pub sides: [Vec<EdgeOf>; 2],
    /// What was said of them.
    pub said: PairFile,
    /// Found from the roles, not told.
    pub guessed: bool,
}

impl Pair {
    /// The two edges, where there is one on each side, taken once.
    pub fn single(&self) -> Option<(&EdgeOf, &EdgeOf)> {
        match (self.sides[0].as_slice(), self.sides[1].as_slice()) {
            ([a], [b]) if a.times == b.times => Some((a, b)),
            _ => None,
        }
    }

    /// "front/side-seam to back/side-seam".
    pub fn called(&self) -> String {
        let side = |edges: &[EdgeOf]| edges.iter().map(EdgeOf::to_string).collect::<Vec<_>>().join(" + ");
        format!("{} to {}", side(&self.sides[0]), side(&self.sides[1]))
    }

    /// Sleeve cap into armhole?
    pub fn is_cap(&self, made: &MadePieces) -> bool {
        let all = |edges: &[EdgeOf], role: Role| {
            edges.iter().all(|e| e.on(made).is_ok_and(|(shape, index)| shape.edges[index].role == role))
        };
        all(&self.sides[0], Role::Armhole) && all(&self.sides[1], Role::SleeveCap)
    }

    fn side_mm(&self, side: usize, made: &MadePieces) -> Result<f64, Refusal> {
        self.sides[side].iter().map(|e| e.length_mm(made)).sum()
    }
}

/// All pairs of a set: as told, else from the roles.
///
/// # Errors
/// A pair that names what is not there.
pub fn of(file: &SetFile, made: &MadePieces) -> Result<Vec<Pair>, Refusal> {
    let pairs: Vec<Pair> = match &file.pairs {
        Some(told) => told.iter().map(told_pair).collect::<Result<_, _>>()?,
        None => guessed(file, made),
    };
    for pair in &pairs {
        for edge in pair.sides.iter().flatten() {
            if !file.pieces.iter().any(|p| p.name == edge.piece) {
                let refusal = no_such_piece(file, &edge.piece);
                return Err(Refusal { seen: format!("pair \"{}\": {}", pair.called(), refusal.seen), ..refusal });
            }
            edge.on(made).map_err(|r| Refusal { seen: format!("pair \"{}\": {}", pair.called(), r.seen), ..r })?;
        }
    }
    Ok(pairs)
}

fn told_pair(said: &PairFile) -> Result<Pair, Refusal> {
    let side = |typed: &str| typed.split(" + ").map(EdgeOf::parse).collect::<Result<Vec<_>, _>>();
    if said.ratio.is_some_and(|r| !(0.2..=5.0).contains(&r)) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("pair \"{}\": a ratio of {}", said.sew.join(" to "), said.ratio.unwrap_or_default()),
            "give the second side's length as a share of the first, such as 0.85",
        ));
    }
    Ok(Pair { sides: [side(&said.sew[0])?, side(&said.sew[1])?], said: said.clone(), guessed: false })
}

/// Pieces whose edges are sewn to each other's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Family {
    Bodice,
    Leg,
    Sleeve,
    Skirt,
}

pub(super) fn family(kind: PieceKind) -> Option<Family> {
    match kind {
        PieceKind::HalfFront | PieceKind::HalfBack | PieceKind::HalfBodyWithSleeve => Some(Family::Bodice),
        PieceKind::TrouserFront | PieceKind::TrouserBack => Some(Family::Leg),
        PieceKind::HalfSleeve => Some(Family::Sleeve),
        PieceKind::HalfSkirt => Some(Family::Skirt),
        PieceKind::Band => None,
    }
}

/// Front to back at every role both have, sleeves into both armholes; variations only among themselves.
fn guessed(file: &SetFile, made: &MadePieces) -> Vec<Pair> {
    let printed = file.pieces.iter().filter(|p| !p.master_only);
    let known: Vec<_> = printed
        .filter_map(|p| {
            let piece = made.get(&p.name)?;
            Some((p, piece, family(piece.kind?)?))
        })
        .collect();
    let goes = |a: &Option<String>, b: &Option<String>| a.is_none() || b.is_none() || a == b;
    let edge = |name: &str, role: Role, times: u32| EdgeOf {
        times,
        piece: name.to_string(),
        edge: EdgeRef(role.word().to_string()),
    };
    let has = |piece: &MadePiece, role: Role| piece.shape.edges.iter().filter(|e| e.role == role).count() == 1;
    let mut pairs = Vec::new();
    let mut push = |first: Vec<EdgeOf>, second: Vec<EdgeOf>| {
        let word = |edges: &[EdgeOf]| edges.iter().map(EdgeOf::to_string).collect::<Vec<_>>().join(" + ");
        let said = PairFile {
            sew: [word(&first), word(&second)],
            ease: None,
            ratio: None,
            reversed: None,
            notches: Vec::new(),
            eased_between: None,
        };
        pairs.push(Pair { sides: [first, second], said, guessed: true });
    };
    for (first, second, name) in cut_in_two(file, made) {
        let edge = |piece: &str| EdgeOf { times: 1, piece: piece.to_string(), edge: EdgeRef(name.clone()) };
        push(vec![edge(&first)], vec![edge(&second)]);
    }
    for (front, a, kind) in known.iter().filter(|(_, m, _)| !m.back) {
        for (back, b, other) in known.iter().filter(|(_, m, _)| m.back) {
            if kind != other || *kind == Family::Sleeve || !goes(&front.variation, &back.variation) {
                continue;
            }
            for role in [Role::Shoulder, Role::SideSeam, Role::Outseam, Role::Inseam] {
                if has(a, role) && has(b, role) {
                    push(vec![edge(&front.name, role, 1)], vec![edge(&back.name, role, 1)]);
                }
            }
            for (sleeve, c, _) in known.iter().filter(|(.., f)| *f == Family::Sleeve) {
                let fits = goes(&sleeve.variation, &front.variation) && goes(&sleeve.variation, &back.variation);
                if fits && has(a, Role::Armhole) && has(b, Role::Armhole) && has(c, Role::SleeveCap) {
                    let halves = if c.shape.fold.is_some() { 2 } else { 1 };
                    push(
                        vec![edge(&front.name, Role::Armhole, 1), edge(&back.name, Role::Armhole, 1)],
                        vec![edge(&sleeve.name, Role::SleeveCap, halves)],
                    );
                }
            }
        }
    }
    pairs
}

/// Pieces that an inside seam parts, with the name that it has on both.
fn cut_in_two(file: &SetFile, made: &MadePieces) -> Vec<(String, String, String)> {
    let printed: Vec<_> =
        file.pieces.iter().filter(|p| !p.master_only).filter_map(|p| Some((p, made.get(&p.name)?))).collect();
    let goes = |a: &Option<String>, b: &Option<String>| a.is_none() || b.is_none() || a == b;
    let mut found = Vec::new();
    for (i, (first, a)) in printed.iter().enumerate() {
        for (second, b) in printed[i + 1..].iter().filter(|(other, _)| goes(&first.variation, &other.variation)) {
            let names = a.shape.edges.iter().filter_map(|e| e.name.as_deref()).filter(|n| n.starts_with(INSIDE_SEAM));
            let both = names.filter(|n| b.shape.edges.iter().any(|e| e.name.as_deref() == Some(n)));
            found.extend(both.map(|n| (first.name.clone(), second.name.clone(), n.to_string())));
        }
    }
    found
}

/// How the name of an edge begins along which a piece was cut in two.
const INSIDE_SEAM: &str = "inside seam";

/// One end of a seam: the angles of both pieces there.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CornerCheck {
    /// The edges that run on there ("hem", "armhole").
    pub run: String,
    /// Inside angles added up, degrees.
    pub angle_deg: f64,
    /// Half-width of its doubt (95 %), degrees: what the doubt of four edges does to their directions.
    pub doubt_deg: f64,
    /// Is it 180 within [`SMOOTH_DEG`] and its doubt?
    pub smooth: bool,
}

/// How two sewn sides fit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeamCheck {
    /// "front/side-seam to back/side-seam".
    pub seam: String,
    /// Lengths along the stitching lines, mm.
    pub lengths_mm: [f64; 2],
    /// How much longer the second side is, mm.
    pub difference_mm: f64,
    /// Least and most it is meant to be longer, mm.
    pub wanted_mm: [f64; 2],
    /// Does it fit?
    pub fits: bool,
    /// What to do if not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
    /// Its ends.
    pub corners: Vec<CornerCheck>,
    /// Was the pair found from the roles?
    pub guessed: bool,
    /// Does the start of the first edge meet the end of the second?
    pub reversed: bool,
}

impl SeamCheck {
    /// What a person should know.
    pub fn warnings(&self) -> Vec<Warning> {
        let mut warnings = Vec::new();
        if let Some(remedy) = &self.remedy {
            let [a, b] = self.lengths_mm;
            warnings
                .push(Warning::new("seam-does-not-fit", format!("{}: {a:.1} mm and {b:.1} mm; {remedy}", self.seam)));
        }
        for corner in self.corners.iter().filter(|c| !c.smooth) {
            warnings.push(Warning::new(
                "corner-not-smooth",
                format!(
                    "{}: where they meet, the {} makes {:.0}° (give or take {:.0}°) instead of 180°: it will have a {}; {}",
                    self.seam,
                    corner.run,
                    corner.angle_deg,
                    corner.doubt_deg.ceil(),
                    if corner.angle_deg > 180.0 { "dip" } else { "point" },
                    if (corner.angle_deg - 180.0).abs() > MEANT_DEG {
                        "redraw it on one of the pieces, unless it is meant"
                    } else {
                        "make with --true to bend its last centimetres on both pieces"
                    }
                ),
            ));
        }
        warnings
    }
}

/// Checks all pairs.
///
/// # Errors
/// A pair whose edges are not there.
pub fn checks(pairs: &[Pair], made: &MadePieces) -> Result<Vec<SeamCheck>, Refusal> {
    pairs.iter().map(|pair| check(pair, made)).collect()
}

fn check(pair: &Pair, made: &MadePieces) -> Result<SeamCheck, Refusal> {
    let (a, b) = (pair.side_mm(0, made)?, pair.side_mm(1, made)?);
    let wanted_mm = wanted(pair, a, made);
    let difference_mm = b - a;
    let short = wanted_mm[0] - difference_mm;
    let long = difference_mm - wanted_mm[1];
    let fits = short <= 1e-9 && long <= 1e-9;
    let remedy = (!fits).then(|| remedy(pair, short, long, made));
    let (corners, reversed) = match pair.single() {
        Some((first, second)) => (
            corners(first, second, pair.said.reversed, made)?,
            is_reversed(first.on(made)?, second.on(made)?, pair.said.reversed),
        ),
        None => (Vec::new(), false),
    };
    Ok(SeamCheck {
        seam: pair.called(),
        lengths_mm: [a, b],
        difference_mm,
        wanted_mm,
        fits,
        remedy,
        corners,
        guessed: pair.guessed,
        reversed,
    })
}

/// Least and most the second side is meant to be longer, mm.
fn wanted(pair: &Pair, first_mm: f64, made: &MadePieces) -> [f64; 2] {
    let about = |mm: f64| [mm - FIT_MM, mm + FIT_MM];
    match (pair.said.ratio, pair.said.ease) {
        (Some(ratio), _) => about((ratio - 1.0) * first_mm),
        (None, Some(ease)) => about(ease.mm()),
        (None, None) if pair.is_cap(made) => [-FIT_MM, MOST_CAP_EASE_MM],
        (None, None) => about(0.0),
    }
}

fn remedy(pair: &Pair, short_mm: f64, long_mm: f64, made: &MadePieces) -> String {
    let side = |k: usize| pair.sides[k].iter().map(EdgeOf::to_string).collect::<Vec<_>>().join(" + ");
    let by = short_mm.max(long_mm);
    let (longer, shorter) = if short_mm > 0.0 { (side(0), side(1)) } else { (side(1), side(0)) };
    if pair.is_cap(made) {
        return if short_mm > 0.0 {
            format!("the cap is shorter than the armhole by {by:.1} mm too much: raise the cap or take in the armhole")
        } else {
            format!("the cap has {by:.1} mm more ease than can be eased in: flatten the cap or deepen the armhole")
        };
    }
    format!(
        "{longer} is {by:.1} mm too long for {shorter}: make with --true to share a small difference out, look at the \
         outlines for a large one, or write it as \"ease\" if it is meant"
    )
}

/// Does the start of the first edge meet the end of the second?
pub fn is_reversed(a: (&Shape, usize), b: (&Shape, usize), told: Option<bool>) -> bool {
    if let Some(told) = told {
        return told;
    }
    let role = |shape: &Shape, index: usize| Some(shape.edges[index].role).filter(|r| *r != Role::Plain);
    let ((a_before, a_after), (b_before, b_after)) = (a.0.neighbours(a.1), b.0.neighbours(b.1));
    let same = |i: usize, k: usize| role(a.0, i).is_some_and(|r| role(b.0, k) == Some(r));
    let along = usize::from(same(a_before, b_before)) + usize::from(same(a_after, b_after));
    let against = usize::from(same(a_before, b_after)) + usize::from(same(a_after, b_before));
    against > along
}

fn corners(
    first: &EdgeOf,
    second: &EdgeOf,
    told: Option<bool>,
    made: &MadePieces,
) -> Result<Vec<CornerCheck>, Refusal> {
    let (a, b) = (first.on(made)?, second.on(made)?);
    let reversed = is_reversed(a, b, told);
    let mut checks = Vec::new();
    for at_start in [true, false] {
        let (one, other) = (SeamEnd::of(a, at_start), SeamEnd::of(b, at_start != reversed));
        if !one.runs_on_into(&other) {
            continue;
        }
        let angle_deg = one.angle_deg + other.angle_deg;
        let doubt_deg = one.doubt_deg.hypot(other.doubt_deg);
        let smooth = (angle_deg - 180.0).abs() <= SMOOTH_DEG + doubt_deg;
        checks.push(CornerCheck { run: one.run.word().replace('-', " "), angle_deg, doubt_deg, smooth });
    }
    Ok(checks)
}

/// One end of a seam on one piece.
pub(super) struct SeamEnd {
    /// Role of the edge that runs on there, and its place in the shape.
    pub run: Role,
    pub run_index: usize,
    /// Inside angle, degrees, and its doubt.
    pub angle_deg: f64,
    doubt_deg: f64,
}

impl SeamEnd {
    pub(super) fn of((shape, index): (&Shape, usize), at_start: bool) -> Self {
        let (before, after) = shape.neighbours(index);
        let (first, second, run_index) = if at_start { (before, index, before) } else { (index, after, after) };
        let edge = |i: usize| -> &ShapeEdge { &shape.edges[i] };
        let (into, out) = (-leaving(&edge(first).path, true), leaving(&edge(second).path, false));
        let turn = into.cross(out).atan2(into.dot(out)).to_degrees();
        Self {
            run: edge(run_index).role,
            run_index,
            angle_deg: 180.0 - turn,
            doubt_deg: leaving_doubt_deg(edge(first), true).hypot(leaving_doubt_deg(edge(second), false)),
        }
    }

    /// Does the same edge of the garment run on across the seam: hem to hem, armhole to armhole?
    pub(super) fn runs_on_into(&self, other: &SeamEnd) -> bool {
        self.run == other.run && !matches!(self.run, Role::Plain | Role::Fold)
    }
}

/// The doubt of an edge turns its end's direction as if it were all gained over this length, mm.
const ARM_MM: f64 = 15.0;

/// Half-width of the doubt of the direction in which an edge leaves one of its ends, degrees: what its doubt does over
/// [`ARM_MM`], and half of what it turns there, since a photo does not show how much of that lies in the very corner. An
/// edge drawn by rule has none.
fn leaving_doubt_deg(edge: &ShapeEdge, from_end: bool) -> f64 {
    if edge.doubt_mm <= 0.0 {
        return 0.0;
    }
    let by_doubt = (edge.doubt_mm / ARM_MM).atan().to_degrees();
    let whole = path::length(&edge.path);
    let arm = ARM_MM.min(0.5 * whole);
    let Some(spot) = path::spot_at(&edge.path, if from_end { whole - arm } else { arm }) else { return by_doubt };
    let inner = path::direction_at(&edge.path, spot);
    let outer = if from_end { path::end_direction(&edge.path) } else { path::start_direction(&edge.path) };
    by_doubt + 0.5 * inner.cross(outer).atan2(inner.dot(outer)).to_degrees().abs()
}

/// Unit direction in which a path leaves one of its ends.
pub(super) fn leaving(edge: &kurbo::BezPath, from_end: bool) -> Vec2 {
    if from_end { -path::end_direction(edge) } else { path::start_direction(edge) }
}

/// The back rise is the longer one, for sitting (common practice, no source).
pub(super) fn rise_warning(made: &MadePieces) -> Option<Warning> {
    let rise = |back: bool| {
        made.values()
            .filter(|p| p.kind.and_then(family) == Some(Family::Leg) && p.back == back)
            .flat_map(|p| p.shape.edges.iter().filter(|e| e.role == Role::Rise))
            .map(ShapeEdge::length_mm)
            .reduce(f64::max)
    };
    let (front, back) = (rise(false)?, rise(true)?);
    (back < front).then(|| {
        Warning::new(
            "back-rise-short",
            format!(
                "the back rise ({back:.0} mm) is shorter than the front rise ({front:.0} mm): trousers need it longer to \
                 sit in; were front and back taken for each other?"
            ),
        )
    })
}
