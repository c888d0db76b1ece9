//! From a rough quadrilateral to a card: its sides in linear light, its code, the borders of its cells.

use image::GrayImage;
use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector2, Vector3};

use super::family::{self, ACROSS, CELLS};
use super::quads::Quad;
use crate::camera::homography::image_from_mat;
use crate::reference::light::{linear, sample};
use crate::units::{ImagePoint, MatPoint};

/// Samples along a side.
const ALONG: usize = 24;
/// Least difference of white and black, linear light (0 to 1).
const LEAST_CONTRAST: f64 = 0.03;
/// Samples along a border between two cells.
const SAMPLES: usize = 8;
/// Share of them that must be seen.
const LEAST_SEEN: f64 = 0.85;
/// Border cells that may be read white.
const BORDER_WRONG: usize = 3;

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

/// The card measured by every border between a black and a white cell.
///
/// Ink bleeds and cameras sharpen, so that every black cell looks a little too large or too small all round. Borders
/// with black on the one side and on the other tell that apart from the card's size: it is solved for with the map.
/// `None` where too many borders are hidden.
pub(super) fn settle(luma: &GrayImage, read: &Read) -> Option<Settled> {
    let mut map = four_points(&read.corners)?;
    let small = small_squares(luma, read, &map)?;
    let borders = borders(read.number, small);
    let mut seen_share = 0.0;
    for round in 0..4 {
        let reach = if round == 0 { 0.42 } else { 0.3 };
        let steps = steps(luma, &map, &borders, reach);
        seen_share = steps.len() as f64 / (borders.len() * SAMPLES) as f64;
        if seen_share < LEAST_SEEN {
            return None;
        }
        map = improved(&map, &steps)?;
    }
    let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(x, y)| through(&map, Vector2::new(x, y)));
    let steady =
        corners.iter().zip(&read.corners).all(|(a, b)| a.distance(*b) < 0.03 * b.distance(read.corners[0]).max(100.0));
    (steady && seen_share >= LEAST_SEEN).then_some(Settled { corners, small_squares: small })
}

/// A card measured.
pub(super) struct Settled {
    pub corners: Quad,
    /// Were the corners' small squares there?
    pub small_squares: bool,
}

/// Are there small squares at the corners? All or none; `None` where only some are in view.
fn small_squares(luma: &GrayImage, read: &Read, map: &Matrix3<f64>) -> Option<bool> {
    let cell = 1.0 / ACROSS as f64;
    let dark = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].iter().filter(|&&(x, y)| {
        let corner = Vector2::new(0.5 + 0.5 * x, 0.5 + 0.5 * y);
        let p = through(map, corner + Vector2::new(0.5 * x * cell, 0.5 * y * cell));
        sample(luma, p).is_some_and(|v| linear(v) < read.middle)
    });
    match dark.count() {
        4 => Some(true),
        0 => Some(false),
        _ => None,
    }
}

/// A border between two cells, on the square of [`ACROSS`] cells, row 0 at the top.
struct Border {
    from: Vector2<f64>,
    to: Vector2<f64>,
    /// From the black cell to the white one.
    lighter: Vector2<f64>,
}

fn borders(number: usize, small: bool) -> Vec<Border> {
    let last = ACROSS as i32;
    let inside = |k: i32| (0..last).contains(&k);
    let white = |row: i32, column: i32| match (inside(row), inside(column)) {
        (true, true) => family::is_white(number, row as usize, column as usize),
        (false, false) => !small,
        _ => true,
    };
    let mut out = Vec::new();
    let mut add = |from: (i32, i32), along: (f64, f64), lighter: (f64, f64)| {
        let from = Vector2::new(f64::from(from.0), f64::from(from.1));
        out.push(Border {
            from,
            to: from + Vector2::new(along.0, along.1),
            lighter: Vector2::new(lighter.0, lighter.1),
        });
    };
    for k in -1..=last {
        for line in 0..=last {
            let (before, after) = (white(k, line - 1), white(k, line));
            if before != after && (inside(k) || small) {
                add((line, k), (0.0, 1.0), if after { (1.0, 0.0) } else { (-1.0, 0.0) });
            }
            let (above, below) = (white(line - 1, k), white(line, k));
            if above != below && (inside(k) || small) {
                add((k, line), (1.0, 0.0), if below { (0.0, 1.0) } else { (0.0, -1.0) });
            }
        }
    }
    out
}

/// A place on a border: on the unit square, the direction to the lighter side in the photo, and how far that way the
/// border was seen, px.
struct Step {
    own: Vector2<f64>,
    towards: Vector2<f64>,
    off_px: f64,
}

fn steps(luma: &GrayImage, map: &Matrix3<f64>, borders: &[Border], reach: f64) -> Vec<Step> {
    let cell = 1.0 / ACROSS as f64;
    let mut out = Vec::new();
    for border in borders {
        for k in 0..SAMPLES {
            let t = 0.2 + 0.6 * k as f64 / (SAMPLES as f64 - 1.0);
            let own = (border.from + (border.to - border.from) * t) * cell;
            let at = through(map, own);
            let along = through(map, own + (border.to - border.from) * (0.1 * cell)) - at;
            let mut towards = Vector2::new(-along.y, along.x) / along.norm().max(1e-9);
            let lighter = through(map, own + border.lighter * cell) - at;
            if towards.dot(&lighter) < 0.0 {
                towards = -towards;
            }
            let span = reach * towards.dot(&lighter).abs();
            if let Some(off_px) = crossing(luma, at, towards, span) {
                out.push(Step { own, towards, off_px });
            }
        }
    }
    out
}

/// Where the light passes half-way between what it is a span before and a span after.
fn crossing(luma: &GrayImage, at: ImagePoint, towards: Vector2<f64>, span: f64) -> Option<f64> {
    let n = (span / 0.35).ceil().max(3.0) as i32;
    let step = span / f64::from(n);
    let values: Option<Vec<f64>> =
        (-n..=n).map(|k| sample(luma, at + towards * (f64::from(k) * step)).map(linear)).collect();
    let values = values?;
    let end = (values.len() / 6).max(1);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (low, high) = (mean(&values[..end]), mean(&values[values.len() - end..]));
    if high - low < LEAST_CONTRAST {
        return None;
    }
    let middle = 0.5 * (low + high);
    let i = values.windows(2).position(|w| w[0] <= middle && w[1] > middle)?;
    let t = (middle - values[i]) / (values[i + 1] - values[i]);
    Some((i as f64 + t - f64::from(n)) * step)
}

/// One robust Gauss-Newton step of the map's eight entries and the borders' common shift.
fn improved(map: &Matrix3<f64>, steps: &[Step]) -> Option<Matrix3<f64>> {
    type Row = SVector<f64, 9>;
    let rows: Vec<(Row, f64)> = steps
        .iter()
        .map(|s| {
            let h = map * Vector3::new(s.own.x, s.own.y, 1.0);
            let (u, n) = (Vector2::new(h.x, h.y) / h.z, s.towards / h.z);
            let (x, y) = (s.own.x, s.own.y);
            let fall = -n.dot(&u);
            (Row::from_row_slice(&[n.x * x, n.x * y, n.x, n.y * x, n.y * y, n.y, fall * x, fall * y, 1.0]), s.off_px)
        })
        .collect();
    let mut solution = Row::zeros();
    let mut scale = f64::INFINITY;
    for _ in 0..4 {
        let (mut a, mut b) = (SMatrix::<f64, 9, 9>::zeros(), Row::zeros());
        for (row, off) in &rows {
            let z = (off - row.dot(&solution)) / scale;
            let w = (1.0 - (z * z).min(1.0)).powi(2);
            a += row * row.transpose() * w;
            b += row * (off * w);
        }
        solution = a.try_inverse()? * b;
        let mut off: Vec<f64> = rows.iter().map(|(row, off)| (off - row.dot(&solution)).abs()).collect();
        scale = (4.685 * 1.4826 * crate::camera::median(&mut off)).max(0.3);
    }
    let h = map / map[(2, 2)];
    let d = solution * map[(2, 2)].recip();
    let out = Matrix3::new(
        h[(0, 0)] + d[0],
        h[(0, 1)] + d[1],
        h[(0, 2)] + d[2],
        h[(1, 0)] + d[3],
        h[(1, 1)] + d[4],
        h[(1, 2)] + d[5],
        h[(2, 0)] + d[6],
        h[(2, 1)] + d[7],
        1.0,
    );
    out.iter().all(|v| v.is_finite()).then_some(out)
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
