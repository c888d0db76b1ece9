//! Test squares, and what the lines mean.

use kurbo::{BezPath, Point, Rect, Shape};

use super::drawing::{
    Anchor, BLACK, CUT_PEN, Drawing, FOLD_PEN, INSIDE_PEN, Layer, MARK_PEN, Mark, NOTCH_PEN, Pen, STITCHING_PEN,
};
use crate::units::MM_PER_INCH;

/// Side of the metric test square, mm.
pub(super) const SQUARE_MM: f64 = 50.0;
/// Side of the inch test square, mm.
pub(super) const INCH_SQUARE_MM: f64 = 2.0 * MM_PER_INCH;
/// Width of the two test squares side by side, mm.
pub(super) const SQUARES_WIDE_MM: f64 = SQUARE_MM + 8.0 + INCH_SQUARE_MM;
/// Height of the key, mm.
pub(super) const KEY_HIGH_MM: f64 = INCH_SQUARE_MM;

const SQUARE_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: BLACK };

/// Both test squares, top left at a point.
pub(super) fn squares(drawing: &mut Drawing, at: Point) {
    square(drawing, at, SQUARE_MM, "5 cm");
    square(drawing, Point::new(at.x + SQUARE_MM + 8.0, at.y), INCH_SQUARE_MM, "2 in");
}

fn square(drawing: &mut Drawing, at: Point, side: f64, name: &str) {
    let rect = Rect::new(at.x, at.y, at.x + side, at.y + side);
    drawing.stroke(Layer::Key, rect.to_path(0.1), SQUARE_PEN);
    let centre = rect.center();
    drawing.text(Layer::Key, Point::new(centre.x, centre.y - 3.0), 7.0, Anchor::Middle, name);
    drawing.text(Layer::Key, Point::new(centre.x, centre.y + 4.0), 4.0, Anchor::Middle, "measure me");
    drawing.text(Layer::Key, Point::new(centre.x, centre.y + 9.5), 3.2, Anchor::Middle, "before you cut");
}

/// A sample of every line with its meaning, top left at a point; of lines inside pieces only where there are some.
pub(super) fn lines(drawing: &mut Drawing, at: Point, inside: bool) {
    let mut rows = vec![("cut here", CUT_PEN), ("stitch here", STITCHING_PEN)];
    if inside {
        rows.push(("a seam inside the piece: do not cut", INSIDE_PEN));
    }
    rows.push(("lay on the fold of the cloth; do not cut", FOLD_PEN));
    rows.push(("grainline: lay along the selvedge", MARK_PEN));
    rows.push(("notch: snip or mark, match with its partner", NOTCH_PEN));
    let step = (KEY_HIGH_MM - 1.0) / rows.len() as f64;
    let count = rows.len();
    for (i, (meaning, pen)) in rows.into_iter().enumerate() {
        let y = at.y + 4.0 + step * i as f64;
        let mut sample = BezPath::new();
        if i + 1 == count {
            sample.move_to((at.x + 14.0, y - 3.0));
            sample.line_to((at.x + 14.0, y + 2.0));
        } else {
            sample.move_to((at.x, y));
            sample.line_to((at.x + 28.0, y));
        }
        drawing.stroke(Layer::Key, sample, pen);
        if i + 2 == count {
            for (tip, back) in [(at.x, at.x + 4.0), (at.x + 28.0, at.x + 24.0)] {
                let mut head = BezPath::new();
                head.move_to((tip, y));
                head.line_to((back, y - 1.3));
                head.line_to((back, y + 1.3));
                head.close_path();
                drawing.push(Layer::Key, Mark::Fill(head, BLACK));
            }
        }
        drawing.text(Layer::Key, Point::new(at.x + 33.0, y + 1.3), 4.0, Anchor::Start, meaning);
    }
}

/// Does a drawing show lines inside pieces?
pub(super) fn has_inside(drawing: &Drawing) -> bool {
    drawing.marks.iter().any(|drawn| drawn.layer == Layer::Inside)
}

/// The drawing with test squares and line samples below it.
pub(super) fn below(mut drawing: Drawing) -> Drawing {
    let top = drawing.height_mm + 5.0;
    squares(&mut drawing, Point::new(10.0, top));
    let inside = has_inside(&drawing);
    lines(&mut drawing, Point::new(10.0 + SQUARES_WIDE_MM + 10.0, top), inside);
    drawing.height_mm = top + KEY_HIGH_MM + 10.0;
    drawing.width_mm = drawing.width_mm.max(10.0 + SQUARES_WIDE_MM + 10.0 + 33.0 + 85.0);
    drawing
}

/// Test squares and line samples on a sheet of fixed size, top left at a point; the samples only where there is room.
pub(super) fn at(drawing: &mut Drawing, at: Point, inside: bool) {
    squares(drawing, at);
    if at.x + SQUARES_WIDE_MM + 130.0 < drawing.width_mm {
        lines(drawing, Point::new(at.x + SQUARES_WIDE_MM + 10.0, at.y), inside);
    }
}
