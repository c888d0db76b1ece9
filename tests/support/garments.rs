//! Pieces invented for tests: half bodies and trouser legs of any size, leaning or curved.

#![allow(dead_code)] // each test binary uses its own part

use clothline::draft::shape::{Role, Shape, ShapeEdge};
use clothline::path;
use clothline::units::MatPoint;
use kurbo::{Affine, BezPath, Point, Vec2};
use proptest::prelude::*;

/// A shape of edges that follow one another.
pub fn shape(edges: Vec<(Role, BezPath)>, fold: Option<usize>) -> Shape {
    let edges = edges.into_iter().enumerate().map(|(i, (role, path))| ShapeEdge {
        number: i + 1,
        name: None,
        role,
        path,
        doubt_mm: 0.1,
    });
    Shape { edges: edges.collect(), fold, ..Shape::default() }
}

/// A line, or a curve that bows by a share of its length to the left.
pub fn bowed(a: Point, b: Point, bow: f64) -> BezPath {
    if bow == 0.0 {
        return path::line(a, b);
    }
    let side = Vec2::new(-(b - a).y, (b - a).x) * (4.0 / 3.0 * bow);
    let mut path = BezPath::new();
    path.move_to(a);
    path.curve_to(a.lerp(b, 1.0 / 3.0) + side, a.lerp(b, 2.0 / 3.0) + side, b);
    path
}

fn curve(a: Point, b: (f64, f64), c: (f64, f64), d: Point) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(a);
    path.curve_to(Point::from(b), Point::from(c), d);
    path
}

/// Measures of a half body on a fold at x = 0, mm.
#[derive(Debug, Clone, Copy)]
pub struct Body {
    pub width: f64,
    pub flare: f64,
    pub hem_drop: f64,
    pub side: f64,
    pub side_bow: f64,
    pub shoulder: f64,
    pub neck: f64,
    pub neck_depth: f64,
    pub turn_deg: f64,
    pub at: (f64, f64),
}

/// A tee's half front: 1 hem, 2 side, 3 armhole, 4 shoulder, 5 neckline, 6 fold.
pub const TEE: Body = Body {
    width: 260.0,
    flare: 15.0,
    hem_drop: 6.0,
    side: 420.0,
    side_bow: 0.01,
    shoulder: 120.0,
    neck: 85.0,
    neck_depth: 95.0,
    turn_deg: 0.0,
    at: (0.0, 0.0),
};

impl Body {
    pub fn shape(&self) -> Shape {
        let hem_side = Point::new(self.width + self.flare, self.hem_drop);
        let underarm = Point::new(self.width, self.side);
        let neck = Point::new(self.neck, self.side + 230.0);
        let tip = Point::new(self.neck + self.shoulder, self.side + 185.0);
        let centre = Point::new(0.0, neck.y - self.neck_depth);
        let hem = curve(Point::ZERO, (self.width / 2.0, 0.0), (self.width * 0.8, self.hem_drop * 0.6), hem_side);
        let armhole = curve(underarm, (underarm.x - 50.0, underarm.y + 5.0), (tip.x - 15.0, tip.y - 90.0), tip);
        let neckline =
            curve(neck, (neck.x - 12.0, neck.y - 0.6 * self.neck_depth), (0.5 * self.neck, centre.y), centre);
        let edges = vec![
            (Role::Hem, hem),
            (Role::SideSeam, bowed(hem_side, underarm, self.side_bow)),
            (Role::Armhole, armhole),
            (Role::Shoulder, path::line(tip, neck)),
            (Role::Neckline, neckline),
            (Role::Fold, path::line(centre, (0.0, 0.0))),
        ];
        let mut shape = shape(edges, Some(6));
        shape.marks = vec![MatPoint::new(self.width * 0.5, self.side * 0.5)];
        shape.transformed(Affine::translate(self.at) * Affine::rotate(self.turn_deg.to_radians()))
    }
}

/// Half bodies of every size, leaning by up to 20 degrees.
pub fn bodies() -> impl Strategy<Value = Body> {
    (
        (150.0..400.0, -20.0..60.0f64, 0.0..12.0f64, 150.0..600.0f64),
        prop_oneof![Just(0.0), -0.03..0.03f64],
        (60.0..110.0f64, 50.0..80.0f64, 40.0..120.0f64),
        (-20.0..20.0f64, (-300.0..300.0f64, -300.0..300.0f64)),
    )
        .prop_map(|((width, flare, hem_drop, side), side_bow, (shoulder, neck, neck_depth), (turn_deg, at))| {
            Body {
                width,
                flare,
                hem_drop,
                side,
                side_bow,
                shoulder: shoulder.min(width - neck - 20.0),
                neck,
                neck_depth,
                turn_deg,
                at,
            }
        })
}

/// Measures of a trouser leg, mm.
#[derive(Debug, Clone, Copy)]
pub struct Leg {
    pub hem: f64,
    pub inseam: f64,
    pub thigh: f64,
    pub crotch: f64,
    pub rise: f64,
    pub waist: f64,
    pub out_bow: f64,
    pub in_bow: f64,
    pub turn_deg: f64,
}

/// A trouser front: 1 hem, 2 inseam, 3 rise, 4 waist, 5 outseam (on the left).
pub const TROUSERS: Leg = Leg {
    hem: 220.0,
    inseam: 720.0,
    thigh: 330.0,
    crotch: 55.0,
    rise: 260.0,
    waist: 250.0,
    out_bow: -0.01,
    in_bow: 0.012,
    turn_deg: 0.0,
};

impl Leg {
    pub fn shape(&self) -> Shape {
        let (hem_out, hem_in) = (Point::new(0.0, 0.0), Point::new(self.hem, 0.0));
        let lean = 0.3 * (self.thigh - self.hem);
        let crotch = Point::new(self.thigh - lean, self.inseam);
        let centre = Point::new(crotch.x - self.crotch, self.inseam + self.rise);
        let side = Point::new(centre.x - self.waist, self.inseam + self.rise + 8.0);
        let rise = curve(
            crotch,
            (crotch.x - 0.75 * self.crotch, crotch.y + 5.0),
            (centre.x + 2.0, crotch.y + 0.3 * self.rise),
            centre,
        );
        let edges = vec![
            (Role::Hem, path::line(hem_out, hem_in)),
            (Role::Inseam, bowed(hem_in, crotch, self.in_bow)),
            (Role::Rise, rise),
            (Role::Waist, bowed(centre, side, 0.01)),
            (Role::Outseam, bowed(side, hem_out, self.out_bow)),
        ];
        shape(edges, None).transformed(Affine::rotate(self.turn_deg.to_radians()))
    }
}

/// Trouser legs, wide and narrow, straight and curved, leaning.
pub fn legs() -> impl Strategy<Value = Leg> {
    (
        (120.0..320.0, 300.0..850.0, 240.0..420.0f64),
        (30.0..90.0, 180.0..340.0, 180.0..320.0f64),
        (prop_oneof![Just(0.0), -0.02..0.02f64], prop_oneof![Just(0.0), -0.02..0.02f64]),
        -8.0..8.0f64,
    )
        .prop_map(|((hem, inseam, thigh), (crotch, rise, waist), (out_bow, in_bow), turn_deg)| Leg {
            hem,
            inseam,
            thigh,
            crotch,
            rise,
            waist,
            out_bow,
            in_bow,
            turn_deg,
        })
}

/// Angle between two directions, degrees.
pub fn angle_deg(a: Vec2, b: Vec2) -> f64 {
    a.cross(b).atan2(a.dot(b)).to_degrees().abs()
}
