//! A picture of sewn pieces walked along each other: the second turned over and rolled along the first's edge.
//!
//! At the start, in the middle and at the end the two stitching lines touch; ticks every 5 cm show where they have come to.
//! What runs on across the seam can be judged by eye.

use kurbo::{Affine, BezPath, Point, Shape as _, Vec2};

use super::Finished;
use super::pairs::EdgeOf;
use crate::draft::shape::Shape;
use crate::path;
use crate::sheets::drawing::{Anchor, BLACK, Drawing, Layer, Pen, STITCHING_BLUE};
use crate::sheets::writable;

/// Ticks along the seam, mm.
const TICK_MM: f64 = 50.0;
// Looked at as a whole, much smaller than it is: bold lines, large words.
const FIRST: Pen = Pen { width_mm: 2.4, dashes_mm: &[], rgb: BLACK };
const SECOND: Pen = Pen { width_mm: 2.4, dashes_mm: &[14.0, 7.0], rgb: STITCHING_BLUE };
const TICK: Pen = Pen { width_mm: 1.6, dashes_mm: &[], rgb: BLACK };
const GAP_MM: f64 = 50.0;
const WORDS_MM: f64 = 24.0;

/// Draws every seam of one edge with one edge; `None` when there is none.
pub fn draw(set: &Finished) -> Option<Drawing> {
    let mut page = Drawing::default();
    let mut y = GAP_MM;
    for seam in &set.seams {
        let Some((first, second)) = seam.seam.split_once(" to ") else { continue };
        let (Ok(first), Ok(second)) = (EdgeOf::parse(first), EdgeOf::parse(second)) else { continue };
        let on = |e: &EdgeOf| {
            let shape = set.shapes.get(&e.piece)?;
            Some((shape, shape.find(&e.edge).ok()?))
        };
        let (Some(a), Some(b)) = (on(&first), on(&second)) else { continue };
        let [la, lb] = seam.lengths_mm;
        let fits = if seam.fits { "fits" } else { "DOES NOT FIT" };
        let words = format!("{}: {la:.1} mm and {lb:.1} mm, {fits}", seam.seam);
        page.text(Layer::Words, Point::new(GAP_MM, y + WORDS_MM), WORDS_MM, Anchor::Start, writable(&words));
        y += 2.0 * WORDS_MM;
        y += row(&mut page, a, b, seam.reversed, y) + GAP_MM;
    }
    page.height_mm = y;
    (!page.marks.is_empty()).then_some(page)
}

/// Three stations side by side; gives the height used.
fn row(page: &mut Drawing, a: (&Shape, usize), b: (&Shape, usize), reversed: bool, top: f64) -> f64 {
    let upright = Affine::FLIP_Y;
    let mut x = GAP_MM;
    let mut high: f64 = 0.0;
    for (share, name) in [(0.0, "start"), (0.5, "middle"), (1.0, "end")] {
        let first = outline(a.0, upright);
        let Some(placed) = rolled(a, b, reversed, share) else { continue };
        let second = outline(b.0, upright * placed);
        let frame = first.bounding_box().union(second.bounding_box());
        let shift = Affine::translate(Vec2::new(x - frame.x0, top + 1.5 * WORDS_MM - frame.y0));
        page.text(Layer::Words, Point::new(x, top + WORDS_MM), 0.8 * WORDS_MM, Anchor::Start, name);
        page.stroke(Layer::Stitching, shift * first, FIRST);
        page.stroke(Layer::Cut, shift * second, SECOND);
        ticks(page, &a.0.edges[a.1].path, shift * upright);
        x += frame.width() + GAP_MM;
        high = high.max(frame.height() + 2.0 * WORDS_MM);
    }
    page.width_mm = page.width_mm.max(x);
    high
}

fn outline(shape: &Shape, place: Affine) -> BezPath {
    let mut whole = BezPath::new();
    for edge in &shape.edges {
        let skip = usize::from(!whole.is_empty());
        whole.extend(edge.path.elements().iter().skip(skip).copied());
    }
    whole.close_path();
    place * whole
}

/// The second piece turned over, touching the first at a share of the seam, running the same way there.
fn rolled(a: (&Shape, usize), b: (&Shape, usize), reversed: bool, share: f64) -> Option<Affine> {
    let first = &a.0.edges[a.1].path;
    let second = &b.0.edges[b.1].path;
    // Two outlines on the two sides of one seam run against each other.
    let facing = if reversed { path::reversed(second) } else { second.clone() };
    let at = |p: &BezPath| {
        let spot = path::spot_at(p, share * path::length(p))?;
        Some((path::point_at(p, spot), path::direction_at(p, spot)))
    };
    let ((p, along), (q, other)) = (at(first)?, at(&facing)?);
    // Both lie to the left of their edges; turned over, the second lies to the right of its own.
    let over = if reversed { Affine::IDENTITY } else { Affine::FLIP_X };
    let turned = over * other.to_point();
    let turn = along.atan2() - turned.to_vec2().atan2();
    let moved = Affine::rotate(turn) * over;
    Some(Affine::translate(p - moved * q) * moved)
}

fn ticks(page: &mut Drawing, edge: &BezPath, place: Affine) {
    let length = path::length(edge);
    let mut along = 0.0;
    while along <= length {
        if let Some(spot) = path::spot_at(edge, along) {
            let (p, d) = (path::point_at(edge, spot), path::direction_at(edge, spot));
            let side = Vec2::new(-d.y, d.x) * 5.0;
            let mut tick = BezPath::new();
            tick.move_to(p - side);
            tick.line_to(p + side);
            page.stroke(Layer::Marks, place * tick, TICK);
        }
        along += TICK_MM;
    }
}
