//! Bending paths: every point carried elsewhere, or every direction turned.

use kurbo::{Affine, BezPath, CubicBez, ParamCurve, ParamCurveArclen, ParamCurveDeriv, PathSeg, Point, Vec2};

use super::{LENGTH_MM, even_cubic, length, of, segments, start, straightened, velocity};

/// A bent path is written in cubics no longer than this, mm: on a radius of 50 mm that is true to 1e-5 mm.
const PIECE_MM: f64 = 8.0;
/// Nodes and weights of Gauss and Legendre's rule of five points on 0 to 1 (Abramowitz & Stegun, table 25.4).
const GAUSS: [(f64, f64); 5] = [
    (0.046_910_077_030_668, 0.118_463_442_528_095),
    (0.230_765_344_947_158, 0.239_314_335_249_683),
    (0.5, 0.284_444_444_444_444),
    (0.769_234_655_052_842, 0.239_314_335_249_683),
    (0.953_089_922_969_332, 0.118_463_442_528_095),
];

/// What is known of a path at one of its points.
#[derive(Debug, Clone, Copy)]
pub struct At {
    /// Share of the path's length before it, 0 to 1.
    pub share: f64,
    /// How fast that share grows.
    pub share_rate: f64,
    /// The point.
    pub point: Point,
    /// How fast the point goes.
    pub velocity: Vec2,
    /// Turn to the left per mm.
    pub curvature: f64,
}

/// A short run of one segment.
struct Piece {
    segment: PathSeg,
    /// Share of the path's length before it.
    share: f64,
    /// Length of the whole path, mm.
    total: f64,
}

impl Piece {
    fn at(&self, t: f64) -> At {
        let velocity = velocity(&self.segment, t);
        let bend = even_cubic(&self.segment).deriv().deriv().eval(t).to_vec2();
        let speed = velocity.hypot();
        let before = if t > 0.0 { self.segment.subsegment(0.0..t).arclen(LENGTH_MM) } else { 0.0 };
        At {
            share: self.share + before / self.total,
            share_rate: speed / self.total,
            point: self.segment.eval(t),
            velocity,
            curvature: if speed > 1e-12 { velocity.cross(bend) / speed.powi(3) } else { 0.0 },
        }
    }
}

fn pieces(path: &BezPath) -> Vec<Piece> {
    let total = length(path);
    let mut before = 0.0;
    let mut all = Vec::new();
    for segment in segments(path) {
        let count = (segment.arclen(0.1) / PIECE_MM).ceil().clamp(1.0, 400.0) as usize;
        for k in 0..count {
            let part = segment.subsegment(k as f64 / count as f64..(k + 1) as f64 / count as f64);
            all.push(Piece { segment: part, share: before / total, total });
            before += part.arclen(LENGTH_MM);
        }
    }
    all
}

/// The path whose points and velocities a rule carries elsewhere. What comes out straight is one line.
pub fn carried(path: &BezPath, target: impl Fn(&At) -> (Point, Vec2)) -> BezPath {
    let mut last: Option<Point> = None;
    let parts: Vec<PathSeg> = pieces(path)
        .iter()
        .map(|piece| {
            let ((from, leaving), (to, arriving)) = (target(&piece.at(0.0)), target(&piece.at(1.0)));
            // Where a path has a corner both sides are carried to the same point but for rounding.
            let from = last.filter(|l| l.distance(from) < 1e-4).unwrap_or(from);
            last = Some(to);
            PathSeg::Cubic(CubicBez::new(from, from + leaving / 3.0, to - arriving / 3.0, to))
        })
        .collect();
    straightened(of(&parts))
}

/// The path with the same start and the same length whose directions are turned to the left by an angle, in radians,
/// for each share of its length.
pub fn turned_along(path: &BezPath, angle: impl Fn(f64) -> f64) -> BezPath {
    let mut from = start(path);
    let turned = |at: &At| {
        let (sin, cos) = angle(at.share).sin_cos();
        Vec2::new(cos * at.velocity.x - sin * at.velocity.y, sin * at.velocity.x + cos * at.velocity.y)
    };
    let parts: Vec<PathSeg> = pieces(path)
        .iter()
        .map(|piece| {
            let step = GAUSS.iter().fold(Vec2::ZERO, |sum, (t, weight)| sum + turned(&piece.at(*t)) * *weight);
            let (leaving, arriving) = (turned(&piece.at(0.0)), turned(&piece.at(1.0)));
            let to = from + step;
            let part = CubicBez::new(from, from + leaving / 3.0, to - arriving / 3.0, to);
            from = to;
            PathSeg::Cubic(part)
        })
        .collect();
    straightened(of(&parts))
}

/// The path turned as a whole about its start, to the left, in radians.
pub(crate) fn turned_about_start(path: &BezPath, angle: f64) -> BezPath {
    Affine::rotate_about(angle, start(path)) * path
}
