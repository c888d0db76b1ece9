//! From a rough quadrilateral to a card: its sides in linear light, its code, its corners' saddles.

use image::GrayImage;
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

use super::family::{self, ACROSS, CELLS};
use super::quads::Quad;
use crate::camera::homography::image_from_mat;
use crate::reference::chequers::saddle;
use crate::reference::light::{linear, sample};
use crate::units::{ImagePoint, MatPoint};

/// Samples along a side.
const ALONG: usize = 24;
/// Least difference of white and black, linear light (0 to 1).
const LEAST_CONTRAST: f64 = 0.03;
/// Border cells that may be read white.
const BORDER_WRONG: usize = 3;

/// How the corners were measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CornerKind {
    /// By the saddles between black squares.
    Saddles,
    /// By the sides.
    Sides,
}

/// A card read.
pub(super) struct Read {
    pub number: usize,
    /// Upper left, upper right, lower right, lower left as printed.
    pub corners: Quad,
    /// Half-way between its tones, linear light.
    middle: f64,
}

/// Reads the code inside a rough quadrilateral; `None` if it is no card.
pub(super) fn read(luma: &GrayImage, quad: Quad) -> Option<Read> {
    let corners = by_sides(luma, &quad, 0.09)?;
    let corners = by_sides(luma, &corners, 0.05).unwrap_or(corners);
    let map = four_points(&corners)?;
    // The square is the unit square, row 0 at the top.
    let cell = |row: f64, column: f64| {
        let at = |dr: f64, dc: f64| {
            let p = through(&map, Vector2::new((column + dc) / ACROSS as f64, (row + dr) / ACROSS as f64));
            sample(luma, p).map(linear)
        };
        let places = [(0.5, 0.5), (0.32, 0.32), (0.32, 0.68), (0.68, 0.32), (0.68, 0.68)];
        let values: Option<Vec<f64>> = places.iter().map(|(r, c)| at(*r, *c)).collect();
        values.map(|v| v.iter().sum::<f64>() / v.len() as f64)
    };
    let ring: Vec<(f64, f64)> = (0..ACROSS)
        .flat_map(|k| {
            let (k, last) = (k as f64, ACROSS as f64 - 1.0);
            [(0.0, k), (last, k), (k, 0.0), (k, last)]
        })
        .collect();
    let black: Option<Vec<f64>> = ring.iter().map(|(r, c)| cell(*r, *c)).collect();
    // Just outside, clear of the small squares at the corners.
    let outside = (1..ACROSS - 1).flat_map(|k| {
        let (k, off) = (k as f64, ACROSS as f64 - 0.2);
        [(-0.8, k), (off, k), (k, -0.8), (k, off)]
    });
    let white: Option<Vec<f64>> = outside.map(|(r, c)| cell(r, c)).collect();
    let (mut black, mut white) = (black?, white?);
    let (dark, light) = (crate::camera::median(&mut black), crate::camera::median(&mut white));
    if light - dark < LEAST_CONTRAST || light < 1.8 * dark {
        return None;
    }
    let middle = 0.5 * (light + dark);
    if black.iter().filter(|v| **v > middle).count() > 2 * BORDER_WRONG {
        return None;
    }
    let mut code = 0u64;
    for row in 0..CELLS {
        for column in 0..CELLS {
            code = (code << 1) | u64::from(cell(row as f64 + 1.0, column as f64 + 1.0)? > middle);
        }
    }
    let (number, turn, _) = family::decode(code)?;
    // After so many anticlockwise quarter turns the code is upright: its upper left was further clockwise.
    let corners = std::array::from_fn(|i| corners[(i + turn as usize) % 4]);
    Some(Read { number, corners, middle })
}

/// The map from the unit square (row 0 at the top) to the photo.
fn four_points(corners: &Quad) -> Option<Matrix3<f64>> {
    let square = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(x, y)| MatPoint::new(x, y));
    image_from_mat(&square.into_iter().zip(*corners).collect::<Vec<_>>())
}

fn through(map: &Matrix3<f64>, at: Vector2<f64>) -> ImagePoint {
    let h = map * Vector3::new(at.x, at.y, 1.0);
    ImagePoint::new(h.x / h.z, h.y / h.z)
}

/// Saddles at all four corners, or sides where there is no small square at any; `None` where only some are there.
pub(super) fn settle(luma: &GrayImage, read: &Read) -> Option<(Quad, CornerKind)> {
    let map = four_points(&read.corners)?;
    let module = 1.0 / ACROSS as f64;
    let squares: Vec<bool> = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .iter()
        .map(|&(x, y)| {
            let corner = Vector2::new(0.5 + 0.5 * x, 0.5 + 0.5 * y);
            let dark = |dx: f64, dy: f64| {
                let p = through(&map, corner + Vector2::new(dx * module, dy * module));
                sample(luma, p).is_some_and(|v| linear(v) < read.middle)
            };
            dark(0.5 * x, 0.5 * y) && !dark(0.5 * x, -0.5 * y) && !dark(-0.5 * x, 0.5 * y)
        })
        .collect();
    match squares.iter().filter(|s| **s).count() {
        4 => saddles(luma, &read.corners).map(|c| (c, CornerKind::Saddles)),
        0 => Some((read.corners, CornerKind::Sides)),
        _ => None,
    }
}

fn saddles(luma: &GrayImage, corners: &Quad) -> Option<Quad> {
    let mut out = *corners;
    for (i, at) in out.iter_mut().enumerate() {
        let sides = [corners[(i + 1) % 4], corners[(i + 3) % 4]].map(|c| c.distance(corners[i]));
        let module = sides[0].min(sides[1]) / ACROSS as f64;
        let saddle = saddle::refine(luma, *at, module, 1.0)?;
        // Sides found half-way between tones stray by a pixel or so; more is something else.
        if saddle.at.distance(*at) > 0.3 * module + 1.5 {
            return None;
        }
        *at = saddle.at;
    }
    Some(out)
}

/// Corners from lines through the sides' half-way points in linear light; `reach` in sides.
fn by_sides(luma: &GrayImage, quad: &Quad, reach: f64) -> Option<Quad> {
    let lines: Option<Vec<(ImagePoint, Vector2<f64>)>> =
        (0..4).map(|i| side(luma, quad[i], quad[(i + 1) % 4], reach)).collect();
    let lines = lines?;
    let mut out = *quad;
    for (i, corner) in out.iter_mut().enumerate() {
        let ((p, u), (q, v)) = (lines[(i + 3) % 4], lines[i]);
        let m = Matrix2::from_columns(&[u, -v]);
        let t = m.try_inverse()? * (q - p);
        *corner = p + u * t.x;
    }
    let steady = out.iter().zip(quad).all(|(a, b)| a.distance(*b) < 0.25 * quad[0].distance(quad[2]));
    steady.then_some(out)
}

/// A line through the points half-way from black (right, inside a clockwise ring) to white along a side.
fn side(luma: &GrayImage, a: ImagePoint, b: ImagePoint, reach: f64) -> Option<(ImagePoint, Vector2<f64>)> {
    let along = b - a;
    let length = along.norm();
    let outward = Vector2::new(along.y, -along.x) / length;
    let span = (reach * length).max(4.0);
    let mut points = Vec::new();
    for k in 0..ALONG {
        let foot = a.lerp(b, 0.14 + 0.72 * k as f64 / (ALONG as f64 - 1.0));
        points.extend(crate::reference::light::half_way(luma, foot, outward, span));
    }
    crate::reference::light::line_through(&points, ALONG / 2)
}
