//! Flat things of known shape that lie somewhere on the plane: cards, rulers, sheets of paper.
//!
//! Where they lie is not known; their own measures are. A body has a frame of its own (mm, x right, y up seen from
//! above) in which its lines are known; the camera is fitted to several bodies and their places together.

use nalgebra::Vector2;

use super::Axis;
use crate::units::ImagePoint;

/// What kind of thing it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BodyKind {
    /// A printed card with a coded square.
    Card,
    /// A straight ruler.
    Ruler,
    /// A sheet of standard paper.
    Sheet,
    /// A bank or identity card (ISO/IEC 7810 ID-1).
    IdCard,
}

impl BodyKind {
    /// For people, one of them.
    pub fn name(self) -> &'static str {
        match self {
            Self::Card => "card",
            Self::Ruler => "ruler",
            Self::Sheet => "sheet of paper",
            Self::IdCard => "bank card",
        }
    }
}

/// A point of the photo known to lie on a line `x = known_mm` (axis X) or `y = known_mm` (axis Y) of a body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodySighting {
    /// Where it is seen.
    pub at: ImagePoint,
    /// Which of the body's coordinates is known.
    pub axis: Axis,
    /// The known coordinate, mm.
    pub known_mm: f64,
    /// The other one, roughly, mm.
    pub along_mm: f64,
    /// One standard deviation across the line, px.
    pub sigma_px: f64,
}

/// A body as seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// What it is.
    pub kind: BodyKind,
    /// For people: "card 3", "ruler 1".
    pub name: String,
    /// What was seen of its lines.
    pub sightings: Vec<BodySighting>,
    /// Points of it (own frame, mm) and where they are seen: two at least, for the first guess.
    pub anchors: Vec<(Vector2<f64>, ImagePoint)>,
    /// Its outline, own frame, mm.
    pub outline: Vec<Vector2<f64>>,
    /// Its size across the widest way, mm.
    pub size_mm: f64,
    /// Half-width (95 %) of the doubt of its own measures, as a share.
    pub size_doubt: f64,
    /// Of what is cut to size: how far its extent along x and along y may each be off by itself, as shares.
    pub cut: Option<Cut>,
    /// How high its face lies above the table, mm.
    pub height_mm: f64,
    /// Half-width of that height's doubt, mm.
    pub height_doubt_mm: f64,
}

/// How far the two sides of a rectangle may be off, each by itself (shares, limits).
///
/// A photo tells the rectangle's shape, so of the two errors only what both have in common stays unknown. With `a` and `b`
/// the limits, and errors believed to lie about them in proportion, the logarithms of both sides are off by
/// `size + shape a^2/(a^2+b^2)` and `size - shape b^2/(a^2+b^2)`, where `size` and `shape` are independent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cut {
    /// Limit along x.
    pub x: f64,
    /// Limit along y.
    pub y: f64,
}

impl Cut {
    /// By how much each side's logarithm grows with `shape`: x, y.
    pub fn by_shape(self) -> [f64; 2] {
        let (a, b) = (self.x * self.x, self.y * self.y);
        [a / (a + b), -b / (a + b)]
    }

    /// The largest `size` that both limits allow: both sides too long, or both too short.
    pub fn size_limit(self) -> f64 {
        self.x * self.y * (self.x + self.y) / (self.x * self.x + self.y * self.y)
    }

    /// The largest `shape` that both limits allow: one side too long, the other too short.
    pub fn shape_limit(self) -> f64 {
        self.x + self.y
    }

    /// One standard deviation of `shape`, any error within the limits being as likely as any other.
    pub fn shape_sigma(self) -> f64 {
        self.x.hypot(self.y) / 3f64.sqrt()
    }
}

impl Body {
    /// A point seen whose both coordinates are known: two sightings.
    pub fn point(at: ImagePoint, own: Vector2<f64>, sigma_px: f64) -> [BodySighting; 2] {
        [
            BodySighting { at, axis: Axis::X, known_mm: own.x, along_mm: own.y, sigma_px },
            BodySighting { at, axis: Axis::Y, known_mm: own.y, along_mm: own.x, sigma_px },
        ]
    }
}
