//! A sheet of standard paper or an ID-1 card beside the garment, found by its four sides.
//!
//! A card that is no lighter or darker than the table is found by its colour (`hue`), a white sheet on a white mat by being
//! smooth (`smooth`). What is known of the scale by another reference only says which of several rectangles is meant.
//!
//! Every side of a sheet may be cut 1.5 mm (to 150 mm), 2 mm (to 600 mm) or 3 mm off its size (ISO 216:2007, tolerances), those
//! of an ID-1 card about 0.06 and 0.13 mm (ISO/IEC 7810) but it is small: the doubt follows.

mod hue;
mod mixture;
mod smooth;

use image::{GrayImage, Luma, RgbImage};
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;

use super::Axis;
use super::body::{Body, BodyKind, BodySighting, Cut};
use super::cards::quads::{self, Quad};
use super::light::{half_way, line_through};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::ImagePoint;

/// The search runs on a photo of about this long side, px.
const SEARCH_LONG_SIDE: u32 = 900;
/// Grey levels at which the photo is cut in two.
const LEVELS: [u8; 14] = [30, 45, 60, 75, 90, 105, 120, 135, 150, 165, 180, 195, 210, 225];
/// Small clothes lie beside a sheet that is larger: so wide it may be, as a share of the photo's long side.
const WIDEST: f64 = 0.9;
/// Samples along a side; share of the corners kept clear (an ID-1 card's are round: 3.18 mm of 54).
const ALONG: usize = 48;
const CORNER: f64 = 0.1;
/// Share of the samples that must lie on a straight line.
const STRAIGHT: f64 = 0.7;
/// How far the sides' ratio may be off, seen up to some 25 degrees askew.
const RATIO: f64 = 0.16;
/// One standard deviation of a place on a side, px: neighbours err together.
const SIDE_PX: f64 = 0.5;

/// What is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rectangle {
    /// Sheet or ID-1 card.
    pub kind: BodyKind,
    /// Sides, mm, the short one first.
    pub sides_mm: [f64; 2],
    /// How far each of them may be off, mm.
    pub off_mm: [f64; 2],
    /// How thick it is, mm.
    pub height_mm: f64,
}

impl Rectangle {
    /// A sheet of paper.
    pub fn sheet(width_mm: f64, height_mm: f64) -> Self {
        let sides_mm = [width_mm.min(height_mm), width_mm.max(height_mm)];
        // ISO 216:2007, tolerances; US sizes are cut no better.
        let off_mm = sides_mm.map(|side| match side {
            ..=150.0 => 1.5,
            ..=600.0 => 2.0,
            _ => 3.0,
        });
        Self { kind: BodyKind::Sheet, sides_mm, off_mm, height_mm: 0.1 }
    }

    /// A bank or identity card: 85.60 x 53.98 mm, 0.76 mm thick; unused ones are 85.47 to 85.72 by 53.92 to 54.03 mm
    /// (ISO/IEC 7810, ID-1).
    pub fn id_card() -> Self {
        Self { kind: BodyKind::IdCard, sides_mm: [53.98, 85.60], off_mm: [0.06, 0.13], height_mm: 0.76 }
    }

    /// How far its sides may be off, the short one running along x if it stands `upright`.
    pub fn cut(&self, upright: bool) -> Cut {
        let [short, long] = [0, 1].map(|i| self.off_mm[i] / self.sides_mm[i]);
        if upright { Cut { x: short, y: long } } else { Cut { x: long, y: short } }
    }
}

/// What another reference says of lengths in the photo.
pub struct Guide<'a> {
    /// The length between two places of the photo, mm.
    pub mm: &'a (dyn Fn(ImagePoint, ImagePoint) -> f64 + Sync),
    /// How far it may be off where the rectangle lies (natural logarithm).
    pub within: f64,
}

impl Guide<'_> {
    /// Are a rectangle's sides about as long as they should be?
    fn agrees(&self, corners: &Quad, mm: [f64; 2]) -> bool {
        let off = |i: usize| (self.mm_of_side(corners, i) / mm[i % 2]).ln();
        (0..4).map(off).sum::<f64>().abs() < 4.0 * self.within
    }

    fn mm_of_side(&self, corners: &Quad, i: usize) -> f64 {
        (self.mm)(corners[i], corners[(i + 1) % 4])
    }
}

/// Finds the rectangle whose sides are straightest and nearest to the ratio looked for, of those of the size that `guide` tells.
///
/// # Errors
/// None in the photo, or only some of quite another size.
pub fn find(rgb: &RgbImage, luma: &GrayImage, what: Rectangle, guide: Option<&Guide>) -> Result<Body, Refusal> {
    let agrees = |seen: &Seen| guide.is_none_or(|guide| guide.agrees(&seen.corners, seen.mm));
    let by_light = better(by_light(luma, what), agrees);
    let others: fn(&RgbImage, Rectangle) -> Vec<Seen> = match (what.kind, guide) {
        (BodyKind::IdCard, _) => hue::seen,
        (_, Some(_)) => smooth::seen,
        // Nothing but light tells a sheet from a garment or a tile of its shape.
        (_, None) => |_, _| Vec::new(),
    };
    let seen = match by_light {
        Some(seen) if agrees(&seen) => Some(seen),
        by_light => better(by_light.into_iter().chain(others(rgb, what)).collect(), agrees),
    };
    match (seen, guide) {
        (None, _) => Err(nowhere(what)),
        (Some(seen), Some(guide)) if !agrees(&seen) => Err(of_another_size(&seen, what, guide)),
        (Some(seen), _) => Ok(body(&seen, what)),
    }
}

fn nowhere(what: Rectangle) -> Refusal {
    let seen = format!("no {} with four straight sides was found in the photo", what.kind.name());
    Refusal::new(RefusalKind::NoReference, seen, format!("{}, and retake from above", how_to_lay(what)))
}

/// By another reference the only rectangles of the shape are far too large or small: either is not what it was said to be.
fn of_another_size(seen: &Seen, what: Rectangle, guide: &Guide) -> Refusal {
    let [mut short, mut long] =
        [0, 1].map(|i| 0.5 * (guide.mm_of_side(&seen.corners, i) + guide.mm_of_side(&seen.corners, i + 2)));
    if short > long {
        (short, long) = (long, short);
    }
    let name = what.kind.name();
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "the only thing of the shape of the {name} is about {short:.0} x {long:.0} mm by the other reference, and a {name} \
             of {:.0} x {:.0} mm was named",
            what.sides_mm[0], what.sides_mm[1]
        ),
        format!(
            "if it is the {name}, one of the two sizes was typed wrong; if not, leave the {name} out, or {}, and retake",
            how_to_lay(what)
        ),
    )
}

fn how_to_lay(what: Rectangle) -> &'static str {
    match what.kind {
        BodyKind::IdCard => {
            "lay it flat and wholly bare beside the garment, on a ground of another brightness or colour"
        }
        _ => "lay it flat and wholly bare beside the garment, on a ground of another brightness",
    }
}

/// Rectangles lighter or darker than what is around them.
fn by_light(luma: &GrayImage, what: Rectangle) -> Vec<Seen> {
    let factor = factor(luma.dimensions());
    let refined = |(quad, light): (Quad, bool)| {
        let towards = if light { -1.0 } else { 1.0 };
        refine(quad, what, 0.0, |_, foot, outward, span| half_way(luma, foot, outward * towards, span))
    };
    quads(&super::reduce(luma, factor), factor, WIDEST).into_par_iter().filter_map(refined).collect()
}

/// By how much the photo is reduced for the search.
fn factor((width, height): (u32, u32)) -> u32 {
    width.max(height).div_ceil(SEARCH_LONG_SIDE).max(1)
}

/// Red, green and blue of the reduced photo.
fn channels(rgb: &RgbImage, factor: u32) -> [GrayImage; 3] {
    let (width, height) = rgb.dimensions();
    [0, 1, 2].map(|c| {
        let values = rgb.as_raw().iter().skip(c).step_by(3).copied().collect();
        super::reduce(&GrayImage::from_raw(width, height, values).unwrap_or_default(), factor)
    })
}

/// The quadrilaterals of a reduced picture cut at every level, in the photo; and is it the lighter side of the cut?
fn quads(small: &GrayImage, factor: u32, widest: f64) -> Vec<(Quad, bool)> {
    let f = f64::from(factor);
    let to_photo = |(x, y): (f64, f64)| ImagePoint::new((x + 0.5) * f - 0.5, (y + 0.5) * f - 0.5);
    let at = |level: u8, light: bool| -> Vec<(Quad, bool)> {
        let blobs = quads::blobs(&cut(small, level, light), widest);
        let quads = blobs.iter().filter_map(|blob| quads::quad(blob));
        quads.map(|q| (quads::grown(q.map(to_photo), 0.5 * f), light)).collect()
    };
    LEVELS.par_iter().flat_map_iter(|&level| [true, false].map(|light| at(level, light))).flatten().collect()
}

/// The one worth most of those that agree, or of all if none does; of equals the first.
fn better(seen: Vec<Seen>, agrees: impl Fn(&Seen) -> bool) -> Option<Seen> {
    let rank = |seen: &Seen| (agrees(seen), seen.worth);
    seen.into_iter().reduce(|best, next| if rank(&next) > rank(&best) { next } else { best })
}

fn cut(picture: &GrayImage, level: u8, light: bool) -> GrayImage {
    GrayImage::from_fn(picture.width(), picture.height(), |x, y| {
        let above = picture.get_pixel(x, y)[0] > level;
        Luma([if above == light { 255 } else { 0 }])
    })
}

struct Seen {
    corners: Quad,
    sides: [Vec<ImagePoint>; 4],
    /// Sides (first, second) in mm.
    mm: [f64; 2],
    worth: f64,
}

/// A quadrilateral's sides (first, second) in mm if it is what is looked for, and how far their ratio is off (natural
/// logarithm); `None` if that is too far.
fn sides_mm(quad: &Quad, what: Rectangle) -> Option<([f64; 2], f64)> {
    let length = |i: usize| quad[i].distance(quad[(i + 1) % 4]);
    let (across, up) = (length(0) + length(2), length(1) + length(3));
    let [short, long] = what.sides_mm;
    let mm = if across < up { [short, long] } else { [long, short] };
    let off = ((across / up) / (mm[0] / mm[1])).ln().abs();
    (off <= RATIO).then_some((mm, off))
}

/// Reads a quadrilateral's sides; its places may stray by `stray_px`, or by a share of the side if that is more.
///
/// `place` tells where a side's edge is, by the side's number, a foot near it, the way outward and how far to look, px.
fn refine(
    quad: Quad,
    what: Rectangle,
    stray_px: f64,
    place: impl Fn(usize, ImagePoint, Vector2<f64>, f64) -> Option<ImagePoint>,
) -> Option<Seen> {
    let (mm, off) = sides_mm(&quad, what)?;
    let length = |i: usize| quad[i].distance(quad[(i + 1) % 4]);
    let mut sides: [Vec<ImagePoint>; 4] = Default::default();
    let mut lines = Vec::with_capacity(4);
    let mut straight = 0.0;
    for (i, side) in sides.iter_mut().enumerate() {
        let (a, b) = (quad[i], quad[(i + 1) % 4]);
        let along = (b - a).normalize();
        let outward = Vector2::new(along.y, -along.x);
        let span = (0.02 * length(i)).clamp(6.0, 20.0);
        let points: Vec<ImagePoint> = (0..ALONG)
            .map(|k| a.lerp(b, CORNER + (1.0 - 2.0 * CORNER) * k as f64 / (ALONG as f64 - 1.0)))
            .filter_map(|foot| place(i, foot, outward, span))
            .collect();
        let least = (STRAIGHT * ALONG as f64) as usize;
        let (at, way) = line_through(&points, least)?;
        let near = (0.004 * length(i)).max(stray_px);
        *side = points.into_iter().filter(|p| way.perp(&(*p - at)).abs() < near).collect();
        if side.len() < least {
            return None;
        }
        straight += side.len() as f64 / ALONG as f64;
        lines.push((at, way));
    }
    let mut corners = quad;
    for (i, corner) in corners.iter_mut().enumerate() {
        let ((p, u), (q, v)) = (lines[(i + 3) % 4], lines[i]);
        let t = Matrix2::from_columns(&[u, -v]).try_inverse()? * (q - p);
        *corner = p + u * t.x;
    }
    let steady =
        corners.iter().zip(&quad).all(|(a, b)| a.distance(*b) < 0.03 * (length(0) + length(1) + length(2) + length(3)));
    steady.then_some(Seen { corners, sides, mm, worth: straight - 3.0 * off })
}

fn body(seen: &Seen, what: Rectangle) -> Body {
    let [w, h] = seen.mm.map(|v| 0.5 * v);
    let own = [(-w, h), (w, h), (w, -h), (-w, -h)].map(|(x, y)| Vector2::new(x, y));
    let mut sightings = Vec::new();
    for (i, points) in seen.sides.iter().enumerate() {
        let (a, b) = (own[i], own[(i + 1) % 4]);
        let (from, to) = (seen.corners[i], seen.corners[(i + 1) % 4]);
        let (axis, known_mm) = if i % 2 == 0 { (Axis::Y, a.y) } else { (Axis::X, a.x) };
        for at in points {
            let t = (*at - from).dot(&(to - from)) / (to - from).norm_squared();
            let place = a + (b - a) * t;
            let along_mm = if axis == Axis::Y { place.x } else { place.y };
            sightings.push(BodySighting { at: *at, axis, known_mm, along_mm, sigma_px: SIDE_PX });
        }
    }
    let name = what.kind.name().to_string();
    let cut = what.cut(seen.mm[0] < seen.mm[1]);
    Body {
        kind: what.kind,
        name,
        sightings,
        anchors: own.into_iter().zip(seen.corners).collect(),
        outline: own.to_vec(),
        size_mm: what.sides_mm[1],
        size_doubt: cut.size_limit(),
        cut: Some(cut),
        height_mm: what.height_mm,
        height_doubt_mm: 0.1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reference::light;

    /// Small clothes beside a sheet of A4: it takes up 0.25 to 0.8 of the photo's long side.
    #[test]
    fn a_sheet_is_found_however_large_it_is_in_the_photo() {
        for px_per_mm in [1.0, 2.4, 3.2] {
            let (w, h) = (148.5 * px_per_mm, 105.0 * px_per_mm);
            let (sin, cos) = 0.07f64.sin_cos();
            let picture = GrayImage::from_fn(1200, 900, |x, y| {
                let (x, y) = (f64::from(x) - 590.0, f64::from(y) - 455.0);
                let (u, v) = (x * cos + y * sin, y * cos - x * sin);
                let inside = (w - u.abs()).min(h - v.abs());
                Luma([(90.0 + 140.0 * (inside + 0.5).clamp(0.0, 1.0)) as u8])
            });
            let found = find(&RgbImage::new(1200, 900), &picture, Rectangle::sheet(210.0, 297.0), None).unwrap();
            let corner = found.anchors[0].1;
            let truth = ImagePoint::new(590.0 - w * cos + h * sin, 455.0 - w * sin - h * cos);
            let nearest = found.anchors.iter().map(|a| a.1.distance(truth)).fold(corner.distance(truth), f64::min);
            assert!(nearest < 0.5, "{nearest} px at {px_per_mm} px per mm");
        }
    }

    /// A photo of what has a colour (linear light) at every place of a table, mm from the picture's middle.
    fn photo(px_per_mm: f64, colour: impl Fn(f64, f64) -> [f64; 3]) -> RgbImage {
        let (sin, cos) = 0.2f64.sin_cos();
        RgbImage::from_fn(1200, 900, |x, y| {
            let (x, y) = (f64::from(x) - 590.0, f64::from(y) - 455.0);
            image::Rgb(
                colour((x * cos + y * sin) / px_per_mm, (y * cos - x * sin) / px_per_mm).map(|v| light::grey(v) as u8),
            )
        })
    }

    /// How far inside a card with round corners a place lies, mm.
    fn inside_card(u: f64, v: f64, middle: (f64, f64)) -> f64 {
        let (a, b) = ((u - middle.0).abs() - 42.8 + 3.18, (v - middle.1).abs() - 26.99 + 3.18);
        3.18 - a.max(0.0).hypot(b.max(0.0)) - a.max(b).min(0.0)
    }

    fn blended(inside_px: f64, card: [f64; 3], table: [f64; 3]) -> [f64; 3] {
        let t = (0.5 * inside_px + 0.5).clamp(0.0, 1.0);
        std::array::from_fn(|i| card[i] * t + table[i] * (1.0 - t))
    }

    fn length_px(card: &Body) -> f64 {
        let side = |i: usize| card.anchors[i].1.distance(card.anchors[(i + 1) % 4].1);
        side(0).max(side(1))
    }

    /// Neither lighter nor darker than a table whose grain is as strong as the colour's own step.
    #[test]
    fn a_card_is_found_by_its_colour_alone() {
        for px_per_mm in [1.5, 3.0] {
            let rgb = photo(px_per_mm, |u, v| {
                let grain = 1.0 + 0.3 * (0.9 * v).sin();
                let table = [0.212, 0.100, 0.30].map(|c| c * grain);
                blended(px_per_mm * inside_card(u, v, (0.0, 0.0)), [0.100, 0.132, 0.32], table)
            });
            let luma = crate::photo::Photo::from_rgb(rgb.clone()).luma();
            assert!(find(&RgbImage::new(1200, 900), &luma, Rectangle::id_card(), None).is_err());
            let card = find(&rgb, &luma, Rectangle::id_card(), None).unwrap();
            let off = length_px(&card) / (85.6 * px_per_mm) - 1.0;
            assert!(off.abs() < 0.004, "{off} at {px_per_mm} px per mm");
        }
    }

    /// Beside it lies a rectangle of the same shape, twice as large and as clear.
    #[test]
    fn of_two_rectangles_that_of_the_size_known_is_taken() {
        let rgb = photo(2.0, |u, v| {
            let one = inside_card(u, v, (-120.0, 0.0));
            let other = 2.0 * inside_card(0.5 * u, 0.5 * v, (40.0, 0.0));
            blended(2.0 * one.max(other), [0.7; 3], [0.2; 3])
        });
        let luma = crate::photo::Photo::from_rgb(rgb.clone()).luma();
        for (px_per_mm, size) in [(2.0, 1.0), (4.0, 2.0)] {
            let mm = |a: ImagePoint, b: ImagePoint| a.distance(b) / px_per_mm;
            let guide = Guide { mm: &mm, within: 0.15 };
            let card = find(&rgb, &luma, Rectangle::id_card(), Some(&guide)).unwrap();
            assert!((length_px(&card) / (171.2 * size) - 1.0).abs() < 0.004, "{}", length_px(&card));
        }
        // Where none is of that size, nothing is taken for it, and the size of what there is is told.
        let mm = |a: ImagePoint, b: ImagePoint| a.distance(b) / 20.0;
        let refusal = find(&rgb, &luma, Rectangle::id_card(), Some(&Guide { mm: &mm, within: 0.15 })).unwrap_err();
        assert_eq!(refusal.kind, RefusalKind::ContradictoryReference);
        assert!(refusal.seen.contains("11 x 17 mm") || refusal.seen.contains("5 x 9 mm"), "{}", refusal.seen);
    }

    /// White paper on a white mat, which shows beside it only by lines an inch apart and a hardly other white.
    #[test]
    fn a_sheet_no_lighter_than_the_mat_is_found_by_being_smooth() {
        let px_per_mm = 1.6;
        let rgb = photo(px_per_mm, |u, v| {
            let inside = (148.5 - (u + 60.0).abs()).min(105.0 - v.abs());
            let line = if (u / 25.4).fract().abs() < 0.04 || (v / 25.4).fract().abs() < 0.04 { 0.7 } else { 1.0 };
            let mottle = 1.0 + 0.012 * ((0.11 * u).sin() + (0.13 * v + 1.0).sin());
            blended(px_per_mm * inside, [0.56, 0.57, 0.57], [0.585, 0.565, 0.56].map(|c| c * line * mottle))
        });
        let luma = crate::photo::Photo::from_rgb(rgb.clone()).luma();
        let sheet = Rectangle::sheet(210.0, 297.0);
        assert!(find(&rgb, &luma, sheet, None).is_err());
        let mm = |a: ImagePoint, b: ImagePoint| a.distance(b) / px_per_mm;
        let found = find(&rgb, &luma, sheet, Some(&Guide { mm: &mm, within: 0.15 })).unwrap();
        let off = length_px(&found) / (297.0 * px_per_mm) - 1.0;
        assert!(off.abs() < 0.004, "{off}");
    }
}
