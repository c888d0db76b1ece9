//! Dark four-sided blobs: what may be a card's black square.

use image::{GrayImage, Luma};

use crate::reference::reduce;
use crate::units::ImagePoint;

/// The search runs on a photo of about this long side, px.
const SEARCH_LONG_SIDE: u32 = 2000;
/// Half-window of the local mean a pixel is compared with, px of the reduced photo.
const REACH: i64 = 24;
/// A pixel is dark if it is below this share of the local mean.
const DARK: f64 = 0.82;
/// Least and largest extent of a blob, px of the reduced photo.
const LEAST: i32 = 14;
/// Widest blob that may be a card, as a share of the picture's long side.
const WIDEST: f64 = 0.5;
/// Share of its corners' quadrilateral that a blob's hull fills.
const FILLS: f64 = 0.9;

/// Corners of a dark blob in the photo, clockwise as seen.
pub(in crate::reference) type Quad = [ImagePoint; 4];

/// The dark quadrilaterals of a photo, at two reductions.
pub(super) fn find(luma: &GrayImage) -> Vec<Quad> {
    let long = luma.width().max(luma.height());
    let factor = long.div_ceil(SEARCH_LONG_SIDE).max(1);
    let (mut quads, coarse) = rayon::join(|| at(luma, factor), || at(luma, 2 * factor + 1));
    quads.extend(coarse);
    quads
}

fn at(luma: &GrayImage, factor: u32) -> Vec<Quad> {
    let small = reduce(luma, factor);
    let dark = eroded(&dark(&small));
    let f = f64::from(factor);
    let to_photo = |(x, y): (f64, f64)| ImagePoint::new((x + 0.5) * f - 0.5, (y + 0.5) * f - 0.5);
    blobs(&dark, WIDEST).iter().filter_map(|blob| quad(blob)).map(|q| grown(q.map(to_photo), 1.2 * f)).collect()
}

/// Dark against the mean of the surroundings (by an integral image).
fn dark(picture: &GrayImage) -> GrayImage {
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let mut sums = vec![0u64; (w + 1) * (h + 1)];
    for y in 0..h {
        let mut row = 0u64;
        for x in 0..w {
            row += u64::from(picture.as_raw()[y * w + x]);
            sums[(y + 1) * (w + 1) + x + 1] = sums[y * (w + 1) + x + 1] + row;
        }
    }
    GrayImage::from_fn(w as u32, h as u32, |x, y| {
        let clamp = |v: i64, most: usize| v.clamp(0, most as i64) as usize;
        let (x0, x1) = (clamp(i64::from(x) - REACH, w), clamp(i64::from(x) + REACH + 1, w));
        let (y0, y1) = (clamp(i64::from(y) - REACH, h), clamp(i64::from(y) + REACH + 1, h));
        let at = |x: usize, y: usize| sums[y * (w + 1) + x];
        let sum = at(x1, y1) + at(x0, y0) - at(x1, y0) - at(x0, y1);
        let mean = sum as f64 / ((x1 - x0) * (y1 - y0)).max(1) as f64;
        let v = f64::from(picture.get_pixel(x, y)[0]);
        Luma([if v < DARK * mean { 255 } else { 0 }])
    })
}

/// Dark pixels whose four neighbours are dark: parts squares that touch at a corner only.
fn eroded(dark: &GrayImage) -> GrayImage {
    let (w, h) = dark.dimensions();
    GrayImage::from_fn(w, h, |x, y| {
        let on = |dx: i32, dy: i32| {
            dark.get_pixel_checked(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy)).is_some_and(|p| p[0] > 0)
        };
        let all = on(0, 0) && on(1, 0) && on(-1, 0) && on(0, 1) && on(0, -1);
        Luma([if all { 255 } else { 0 }])
    })
}

/// Ends of every row of each 4-connected blob of a useful size, at most so wide as a share of the picture's long side.
pub(in crate::reference) fn blobs(dark: &GrayImage, widest: f64) -> Vec<Vec<(i32, i32)>> {
    let (w, h) = (dark.width() as i32, dark.height() as i32);
    let mut seen = vec![false; (w * h).max(0) as usize];
    let on = |x: i32, y: i32| dark.as_raw()[(y * w + x) as usize] > 0;
    let mut out = Vec::new();
    let mut stack = Vec::new();
    for start in 0..w * h {
        let (sx, sy) = (start % w, start / w);
        if seen[start as usize] || !on(sx, sy) {
            continue;
        }
        let mut pixels = Vec::new();
        seen[start as usize] = true;
        stack.push((sx, sy));
        while let Some((x, y)) = stack.pop() {
            pixels.push((x, y));
            for (nx, ny) in [(x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)] {
                if nx >= 0 && ny >= 0 && nx < w && ny < h && !seen[(ny * w + nx) as usize] && on(nx, ny) {
                    seen[(ny * w + nx) as usize] = true;
                    stack.push((nx, ny));
                }
            }
        }
        out.extend(row_ends(&pixels, w, h, widest));
    }
    out
}

/// The first and last pixel of every row: all that a hull needs. `None` for specks and for what leaves the picture.
fn row_ends(pixels: &[(i32, i32)], w: i32, h: i32, widest: f64) -> Option<Vec<(i32, i32)>> {
    let range = |f: fn(&(i32, i32)) -> i32| {
        pixels.iter().map(f).fold((i32::MAX, i32::MIN), |(lo, hi), v| (lo.min(v), hi.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (range(|p| p.0), range(|p| p.1));
    let inside = x0 > 1 && y0 > 1 && x1 < w - 2 && y1 < h - 2;
    if !inside || x1 - x0 < LEAST || y1 - y0 < LEAST || f64::from(x1 - x0) > widest * f64::from(w.max(h)) {
        return None;
    }
    // A black square holds a ring of black: a sixth of its extent at least.
    if (pixels.len() as f64) < 0.12 * f64::from((x1 - x0) * (y1 - y0)) {
        return None;
    }
    let mut ends = vec![(i32::MAX, i32::MIN); (y1 - y0 + 1) as usize];
    for (x, y) in pixels {
        let e = &mut ends[(y - y0) as usize];
        *e = (e.0.min(*x), e.1.max(*x));
    }
    Some(ends.iter().enumerate().flat_map(|(i, e)| [(e.0, y0 + i as i32), (e.1, y0 + i as i32)]).collect())
}

/// The four corners of a blob that is a quadrilateral, clockwise (y down).
pub(in crate::reference) fn quad(points: &[(i32, i32)]) -> Option<[(f64, f64); 4]> {
    let hull = hull(points);
    if hull.len() < 4 {
        return None;
    }
    let far2 = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).powi(2) + (a.1 - b.1).powi(2);
    let mut diagonal = (hull[0], hull[0]);
    for &a in &hull {
        for &b in &hull {
            if far2(a, b) > far2(diagonal.0, diagonal.1) {
                diagonal = (a, b);
            }
        }
    }
    let (a, c) = diagonal;
    let side = |p: &(f64, f64)| (c.0 - a.0) * (p.1 - a.1) - (c.1 - a.1) * (p.0 - a.0);
    let b = *hull.iter().min_by(|p, q| side(p).total_cmp(&side(q)))?;
    let d = *hull.iter().max_by(|p, q| side(p).total_cmp(&side(q)))?;
    let corners = [a, b, c, d];
    let area = area(&corners).abs();
    let fits = area > FILLS * self::area(&hull).abs() && self::area(&hull).abs() > 0.8 * area;
    // Sides of one length within a factor: a square seen up to 45 degrees askew.
    let lengths: Vec<f64> = (0..4).map(|i| far2(corners[i], corners[(i + 1) % 4]).sqrt()).collect();
    let (least, most) = lengths.iter().fold((f64::INFINITY, 0.0f64), |(l, m), v| (l.min(*v), m.max(*v)));
    (fits && least > 0.5 * most && least > 0.5 * f64::from(LEAST)).then_some(corners)
}

fn area(ring: &[(f64, f64)]) -> f64 {
    let n = ring.len();
    (0..n).map(|i| ring[i].0 * ring[(i + 1) % n].1 - ring[(i + 1) % n].0 * ring[i].1).sum::<f64>() / 2.0
}

fn hull(points: &[(i32, i32)]) -> Vec<(f64, f64)> {
    let mut sorted: Vec<(i32, i32)> = points.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let turn = |a: (i32, i32), b: (i32, i32), c: (i32, i32)| {
        i64::from(b.0 - a.0) * i64::from(c.1 - a.1) - i64::from(b.1 - a.1) * i64::from(c.0 - a.0)
    };
    let mut chains: Vec<(i32, i32)> = Vec::new();
    for pass in 0..2 {
        let mut chain: Vec<(i32, i32)> = Vec::new();
        let mut add = |p: (i32, i32)| {
            while let [.., a, b] = chain[..] {
                if turn(a, b, p) > 0 {
                    break;
                }
                chain.pop();
            }
            chain.push(p);
        };
        if pass == 0 {
            sorted.iter().for_each(|p| add(*p))
        } else {
            sorted.iter().rev().for_each(|p| add(*p))
        }
        chain.pop();
        chains.extend(chain);
    }
    chains.iter().map(|p| (f64::from(p.0), f64::from(p.1))).collect()
}

/// Corners moved outwards along the diagonals, and put clockwise as seen (y down).
pub(in crate::reference) fn grown(quad: Quad, by: f64) -> Quad {
    let middle = quad.iter().fold(nalgebra::Vector2::zeros(), |s, p| s + nalgebra::Vector2::new(p.x, p.y)) / 4.0;
    let middle = ImagePoint::new(middle.x, middle.y);
    let mut out = quad.map(|p| {
        let way = p - middle;
        p + way / way.norm().max(1e-9) * (by * std::f64::consts::SQRT_2)
    });
    let clockwise = (out[1] - out[0]).perp(&(out[2] - out[1])) > 0.0;
    if !clockwise {
        out.reverse();
    }
    out
}
