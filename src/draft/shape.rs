//! A piece as the pattern maker works on it: named stitching edges, before any allowance.
//!
//! Frame: millimetres, y up along the grain, x right. The edges run anticlockwise and each starts where the one before
//! ends. An edge keeps its number and name through every change; edges that a change adds get numbers of their own.

use std::fmt;
use std::str::FromStr;

use kurbo::{Affine, BezPath};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::edges::{Tracing, flatten};
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::InternalLine;
use crate::units::MatPoint;

/// Edges of a shape meet within this, mm.
pub const MEET_MM: f64 = 1e-3;
/// Distance between a curve and the polyline that stands for it when a shape is measured, mm.
pub const FLAT_MM: f64 = 0.003;

/// What an edge is on the garment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// On the fold of the cloth: no seam.
    Fold,
    /// The lower edge of a body, leg or sleeve.
    Hem,
    /// The side of a body or skirt.
    SideSeam,
    /// Over the shoulder.
    Shoulder,
    /// Round the neck.
    Neckline,
    /// Where a sleeve is set in.
    Armhole,
    /// The top of a sleeve.
    SleeveCap,
    /// Along the under side of a sleeve.
    UnderarmSeam,
    /// The upper edge of trousers or a skirt.
    Waist,
    /// From the waist between the legs.
    Rise,
    /// The inner leg.
    Inseam,
    /// The outer leg.
    Outseam,
    /// Left open, or closed by a zip or buttons.
    Opening,
    /// None of these.
    #[default]
    Plain,
}

impl Role {
    /// Every role, in the order people read a garment.
    pub const ALL: [Role; 14] = [
        Role::Fold,
        Role::Hem,
        Role::SideSeam,
        Role::Shoulder,
        Role::Neckline,
        Role::Armhole,
        Role::SleeveCap,
        Role::UnderarmSeam,
        Role::Waist,
        Role::Rise,
        Role::Inseam,
        Role::Outseam,
        Role::Opening,
        Role::Plain,
    ];

    /// As it is written in files: `side-seam`.
    pub fn word(self) -> &'static str {
        match self {
            Role::Fold => "fold",
            Role::Hem => "hem",
            Role::SideSeam => "side-seam",
            Role::Shoulder => "shoulder",
            Role::Neckline => "neckline",
            Role::Armhole => "armhole",
            Role::SleeveCap => "sleeve-cap",
            Role::UnderarmSeam => "underarm-seam",
            Role::Waist => "waist",
            Role::Rise => "rise",
            Role::Inseam => "inseam",
            Role::Outseam => "outseam",
            Role::Opening => "opening",
            Role::Plain => "plain",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Role {
    type Err = Refusal;

    /// Reads `side-seam`, `side seam` or `Side seam`.
    fn from_str(typed: &str) -> Result<Self, Refusal> {
        let word = word_of(typed);
        Role::ALL.into_iter().find(|role| role.word() == word).ok_or_else(|| {
            let all: Vec<&str> = Role::ALL.iter().map(|r| r.word()).collect();
            Refusal::new(
                RefusalKind::BadRequest,
                format!("\"{typed}\" is no role of an edge"),
                format!("write one of {}", all.join(", ")),
            )
        })
    }
}

/// Lower case, words joined by hyphens.
pub(crate) fn word_of(typed: &str) -> String {
    typed.trim().to_lowercase().replace([' ', '_'], "-")
}

/// An edge as a person points at it: its number ("3"), its name, or its role where only one edge has that role.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct EdgeRef(pub String);

impl From<&str> for EdgeRef {
    fn from(typed: &str) -> Self {
        Self(typed.to_string())
    }
}

impl fmt::Display for EdgeRef {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// One stitching edge.
#[derive(Debug, Clone, PartialEq)]
pub struct ShapeEdge {
    /// Its number, unique in the shape.
    pub number: usize,
    /// A name of its own ("neckline back"); none: it goes by its role.
    pub name: Option<String>,
    /// What it is.
    pub role: Role,
    /// Its path, mm: lines and cubics, from corner to corner.
    pub path: BezPath,
    /// Half-width that holds the true edge for 95 % of its points, mm; 0 for an edge drawn by rule.
    pub doubt_mm: f64,
}

impl ShapeEdge {
    /// The corner it starts at.
    pub fn from(&self) -> MatPoint {
        self.path.elements().first().and_then(|e| e.end_point()).unwrap_or_default().into()
    }

    /// The corner it ends at.
    pub fn to(&self) -> MatPoint {
        self.path.elements().last().and_then(|e| e.end_point()).unwrap_or_default().into()
    }

    /// Length along the path, mm, to a millionth.
    pub fn length_mm(&self) -> f64 {
        use kurbo::ParamCurveArclen;
        self.path.segments().map(|s| s.arclen(1e-6)).sum()
    }

    /// Does it answer to what a person points at: its number, its name or its role?
    pub fn answers(&self, wanted: &EdgeRef) -> bool {
        let word = word_of(&wanted.0);
        word == self.number.to_string()
            || word == self.role.word()
            || self.name.as_deref().is_some_and(|name| word_of(name) == word)
    }

    /// What a person calls it: its name, else its role, else "edge 3".
    pub fn called(&self) -> String {
        match (&self.name, self.role) {
            (Some(name), _) => name.clone(),
            (None, Role::Plain) => format!("edge {}", self.number),
            (None, role) => role.word().to_string(),
        }
    }
}

/// A piece's stitching edges, its fold and the marks on it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shape {
    /// The edges, anticlockwise (y up), closed.
    pub edges: Vec<ShapeEdge>,
    /// Number of the edge on the fold.
    pub fold: Option<usize>,
    /// Marks a person put on the cloth, in order (mark 1 first).
    pub marks: Vec<MatPoint>,
    /// Seams and other lines inside the piece; what lies outside after a change is not drawn.
    pub inside: Vec<InternalLine>,
    /// What a person should check.
    pub warnings: Vec<Warning>,
}

impl Shape {
    /// The shape of a tracing: all edges plain but the fold.
    pub fn from_tracing(tracing: &Tracing, marks: Vec<MatPoint>) -> Self {
        let fold = tracing.fold.as_ref().map(|f| f.edge);
        let role = |number| if Some(number) == fold { Role::Fold } else { Role::Plain };
        let edges = tracing.edges.iter().map(|e| ShapeEdge {
            number: e.number,
            name: None,
            role: role(e.number),
            path: e.path.clone(),
            doubt_mm: e.doubt_mm,
        });
        Self { edges: edges.collect(), fold, marks, inside: Vec::new(), warnings: tracing.warnings.clone() }
    }

    /// Place in [`Shape::edges`] of the edge a person points at.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] when no edge, or more than one, answers to it; the advice lists what there is.
    pub fn find(&self, wanted: &EdgeRef) -> Result<usize, Refusal> {
        let word = word_of(&wanted.0);
        let matching = |test: &dyn Fn(&ShapeEdge) -> bool| -> Vec<usize> {
            self.edges.iter().enumerate().filter(|(_, e)| test(e)).map(|(i, _)| i).collect()
        };
        let by_number = matching(&|e| e.number.to_string() == word);
        let by_name = matching(&|e| e.name.as_deref().is_some_and(|n| word_of(n) == word));
        let by_role = matching(&|e| e.role.word() == word);
        match [by_number, by_name, by_role].into_iter().find(|found| !found.is_empty()).as_deref() {
            Some([only]) => Ok(*only),
            Some(several) => Err(self.unclear(wanted, several.len())),
            None => Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("there is no edge \"{wanted}\""),
                format!("this piece has {}", self.listed()),
            )),
        }
    }

    fn unclear(&self, wanted: &EdgeRef, count: usize) -> Refusal {
        Refusal::new(
            RefusalKind::BadRequest,
            format!("{count} edges answer to \"{wanted}\""),
            format!("point at one by its number, or give it a name: this piece has {}", self.listed()),
        )
    }

    /// Every edge with its number, for a message.
    pub fn listed(&self) -> String {
        let all: Vec<String> = self.edges.iter().map(|e| format!("{} ({})", e.number, e.called())).collect();
        format!("edges {}, counted anticlockwise", all.join(", "))
    }

    /// A number no edge has yet.
    pub fn next_number(&self) -> usize {
        self.edges.iter().map(|e| e.number).max().unwrap_or(0) + 1
    }

    /// Places of the neighbours of the edge at a place: the one before and the one after.
    pub fn neighbours(&self, index: usize) -> (usize, usize) {
        let count = self.edges.len().max(1);
        ((index + count - 1) % count, (index + 1) % count)
    }

    /// The stitching line as a ring within [`FLAT_MM`] of the curves, not closed by a repeated point.
    pub fn ring(&self) -> Vec<MatPoint> {
        let mut ring: Vec<MatPoint> = Vec::new();
        for edge in &self.edges {
            let points = flatten(&edge.path, FLAT_MM);
            ring.extend(points.iter().take(points.len().saturating_sub(1)));
        }
        polygon::without_repeats(ring)
    }

    /// The lines inside, cut off at the stitching line; what runs along it is left out.
    pub fn inside_lines(&self) -> Vec<InternalLine> {
        if self.inside.is_empty() {
            return Vec::new();
        }
        let ring = self.ring();
        let cut = |line: &InternalLine| {
            let parts = within(&ring, &line.line);
            parts.into_iter().map(|part| InternalLine { name: line.name.clone(), line: part }).collect::<Vec<_>>()
        };
        self.inside.iter().flat_map(cut).collect()
    }

    /// Area inside the stitching line, mm².
    pub fn area_mm2(&self) -> f64 {
        use kurbo::Shape as _;
        let mut whole = BezPath::new();
        for edge in &self.edges {
            for element in edge.path.elements() {
                match element {
                    kurbo::PathEl::MoveTo(p) if !whole.elements().is_empty() => whole.line_to(*p),
                    other => whole.push(*other),
                }
            }
        }
        whole.close_path();
        whole.area()
    }

    /// The shape moved, turned or stretched. A map that turns it over runs its edges backwards, so that they stay
    /// anticlockwise.
    pub fn transformed(&self, target_from_shape: Affine) -> Self {
        let mut moved = self.clone();
        for edge in &mut moved.edges {
            edge.path.apply_affine(target_from_shape);
        }
        for mark in moved.marks.iter_mut().chain(moved.inside.iter_mut().flat_map(|l| &mut l.line)) {
            *mark = (target_from_shape * kurbo::Point::from(*mark)).into();
        }
        if target_from_shape.determinant() < 0.0 {
            moved.edges.reverse();
            for edge in &mut moved.edges {
                edge.path = edge.path.reverse_subpaths();
            }
        }
        moved
    }

    /// Can it be a piece: closed, anticlockwise, not crossing itself?
    ///
    /// # Errors
    /// [`RefusalKind::BadOutline`], with the place. `after` tells what was done last ("shortening the leg").
    pub fn check(&self, after: &str) -> Result<(), Refusal> {
        let bad = |seen: String, advice: &str| Err(Refusal::new(RefusalKind::BadOutline, seen, advice));
        if self.edges.iter().any(|e| !e.path.is_finite() || e.path.segments().next().is_none()) {
            return bad(format!("after {after} an edge has no length"), "choose smaller changes");
        }
        for (i, edge) in self.edges.iter().enumerate() {
            let next = &self.edges[self.neighbours(i).1];
            let gap = edge.to().distance(next.from());
            if gap > MEET_MM {
                return bad(
                    format!("after {after} {} and {} lie {gap:.2} mm apart", edge.called(), next.called()),
                    "choose another place or a smaller change",
                );
            }
        }
        let ring = self.ring();
        if let Some(at) = polygon::self_crossing(&ring) {
            return bad(
                format!("after {after} the stitching line crosses itself near ({:.1}, {:.1}) mm", at.x, at.y),
                "choose a smaller change, or another line for it",
            );
        }
        if polygon::signed_area(&ring) <= 0.0 {
            return bad(format!("after {after} nothing is left of the piece"), "choose a smaller change");
        }
        Ok(())
    }
}

/// A line this near to the stitching line all along has become an edge, mm.
const ALONG_MM: f64 = 1.0;

/// The parts of a line that lie within a ring and do not run along it.
fn within(ring: &[MatPoint], line: &[MatPoint]) -> Vec<Vec<MatPoint>> {
    let mut parts: Vec<Vec<MatPoint>> = Vec::new();
    let mut open = false;
    for (a, b) in line.iter().zip(line.iter().skip(1)) {
        let mut cuts: Vec<f64> =
            polygon::sides(ring).filter_map(|side| polygon::crossing((*a, *b), side)).map(|(s, _)| s).collect();
        cuts.extend([0.0, 1.0]);
        cuts.sort_by(f64::total_cmp);
        for cut in cuts.windows(2).filter(|cut| cut[1] - cut[0] > 1e-9) {
            let (from, to) = (a.lerp(*b, cut[0]), a.lerp(*b, cut[1]));
            let inside = polygon::contains(ring, from.lerp(to, 0.5));
            match (inside, open) {
                (true, true) => parts.last_mut().into_iter().for_each(|part| part.push(to)),
                (true, false) => parts.push(vec![from, to]),
                (false, _) => {}
            }
            open = inside;
        }
    }
    let away = |part: &[MatPoint]| part.iter().map(|p| polygon::distance_to_ring(ring, *p)).fold(0.0, f64::max);
    // The ends of a straight line may both lie on edges: its middle tells.
    let middle = |part: &[MatPoint]| polygon::distance_to_ring(ring, part[0].lerp(part[part.len() - 1], 0.5));
    parts.retain(|part| away(part) > ALONG_MM || middle(part) > ALONG_MM);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> Shape {
        let corners = [(0.0, 0.0), (100.0, 0.0), (100.0, 200.0), (0.0, 200.0)];
        let roles = [Role::Hem, Role::SideSeam, Role::Neckline, Role::Fold];
        let edges = (0..4).map(|i| {
            let mut path = BezPath::new();
            path.move_to(corners[i]);
            path.line_to(corners[(i + 1) % 4]);
            ShapeEdge { number: i + 1, name: None, role: roles[i], path, doubt_mm: 0.0 }
        });
        Shape { edges: edges.collect(), fold: Some(4), ..Shape::default() }
    }

    #[test]
    fn edges_are_found_by_number_name_and_role() {
        let mut shape = square();
        shape.edges[2].name = Some("neck back".into());
        for (typed, place) in [("1", 0), ("Side seam", 1), ("neck back", 2), ("neckline", 2), ("fold", 3)] {
            assert_eq!(shape.find(&typed.into()).unwrap(), place, "{typed}");
        }
        assert!(shape.find(&"cuff".into()).unwrap_err().advice.contains("2 (side-seam)"));
        shape.edges[0].role = Role::SideSeam;
        assert!(shape.find(&"side-seam".into()).unwrap_err().seen.contains("2 edges"));
    }

    #[test]
    fn turning_over_twice_is_nothing_and_keeps_it_anticlockwise() {
        let shape = square();
        let over = shape.transformed(Affine::FLIP_X);
        over.check("turning over").unwrap();
        assert_eq!(over.transformed(Affine::FLIP_X), shape);
        assert!((shape.area_mm2() - 20_000.0).abs() < 1e-9);
    }
}
