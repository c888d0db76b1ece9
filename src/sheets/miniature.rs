//! The pieces small, for a page that explains them: lines that stay visible, names and numbers that can be read.

use kurbo::{Affine, BezPath, ParamCurve, ParamCurveArclen, ParamCurveDeriv, Point, Vec2};

use super::drawing::{self, Anchor, BLACK, Drawing, Drawn, Layer, Mark, Pen};
use super::font;
use crate::pattern_file::Pattern;
use crate::seams::{Piece, PieceEdge};

const THIN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: BLACK };
const DASHED: Pen = Pen { width_mm: 0.25, dashes_mm: &[1.0, 0.7], rgb: BLACK };
const FOLD: Pen = Pen { width_mm: 0.6, dashes_mm: &[3.0, 0.8, 0.8, 0.8], rgb: BLACK };
/// Letters, mm.
const NAME_MM: (f64, f64) = (1.2, 3.2);
const NUMBER_MM: f64 = 2.6;
/// Distance of an edge's number from its line, mm.
const NUMBER_IN_MM: f64 = 2.6;

/// Cut, stitching and fold lines side by side in a room, names where the labels are; the edges' numbers if wanted.
pub fn draw(pattern: &Pattern, (wide_mm, high_mm): (f64, f64), numbers: bool) -> Drawing {
    let pieces = drawing::pieces(pattern);
    let scale = (wide_mm / pieces.width_mm.max(1.0)).min(high_mm / pieces.height_mm.max(1.0));
    let place = Affine::scale(scale);
    let (width_mm, height_mm) = (scale * pieces.width_mm, scale * pieces.height_mm);
    let mut small = Drawing { width_mm, height_mm, ..Drawing::default() };
    for Drawn { layer, mark, .. } in &pieces.marks {
        let Mark::Stroke(path, _) = mark else { continue };
        match layer {
            Layer::Cut => small.stroke(Layer::Cut, place * path.clone(), THIN),
            Layer::Stitching => small.stroke(Layer::Stitching, place * path.clone(), DASHED),
            _ => {}
        }
    }
    for put in drawing::side_by_side(pattern) {
        let Some(piece) = pattern.pieces.get(put.piece) else { continue };
        let small_from_piece = place * put.page_from_piece;
        if let Some(fold) = &piece.fold {
            small.stroke(Layer::Marks, drawing::open_path(&fold.line, small_from_piece), FOLD);
        }
        add_name(&mut small, piece, small_from_piece);
        if numbers {
            piece.edges.iter().for_each(|edge| add_number(&mut small, edge, small_from_piece));
        }
    }
    small
}

/// A piece's name in the middle of its label, as large as there is room for.
fn add_name(small: &mut Drawing, piece: &Piece, place: Affine) {
    let xs = piece.cut_line.iter().map(|p| (place * Point::from(*p)).x);
    let (left, right) = xs.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), x| (lo.min(x), hi.max(x)));
    let middle = place * Point::from(piece.label.centre);
    let half = (middle.x - left).min(right - middle.x);
    let name = font::writable(&piece.name);
    let size = (1.7 * half / font::width_mm(&name, 1.0).max(0.1)).clamp(NAME_MM.0, NAME_MM.1);
    small.text(Layer::Words, Point::new(middle.x, middle.y + 0.35 * size), size, Anchor::Middle, name);
}

/// An edge's number inside its middle.
fn add_number(small: &mut Drawing, edge: &PieceEdge, place: Affine) {
    // Our own writing; a path that cannot be read only lacks its number.
    let Ok(path) = BezPath::from_svg(&edge.path) else { return };
    let Some((at, inwards)) = middle(&(place * path)) else { return };
    let at = at + inwards * NUMBER_IN_MM + Vec2::new(0.0, 0.35 * NUMBER_MM);
    small.text(Layer::Words, at, NUMBER_MM, Anchor::Middle, edge.number.to_string());
}

/// The middle of an edge on the page, and the way into the piece: edges run anticlockwise, the inside on their left.
fn middle(path: &BezPath) -> Option<(Point, Vec2)> {
    const FINE_MM: f64 = 0.01;
    let segments: Vec<kurbo::PathSeg> = path.segments().collect();
    let mut left: f64 = 0.5 * segments.iter().map(|s| s.arclen(FINE_MM)).sum::<f64>();
    for segment in &segments {
        let own = segment.arclen(FINE_MM);
        if left <= own {
            let t = segment.inv_arclen(left, FINE_MM);
            let along = segment.to_cubic().deriv().eval(t).to_vec2();
            let length = along.hypot();
            return (length > 0.0).then(|| (segment.eval(t), Vec2::new(along.y, -along.x) / length));
        }
        left -= own;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_stands_inside_its_edge() {
        // The lower edge of a piece, running right on a page whose y runs down: the inside is above it.
        let mut path = BezPath::new();
        path.move_to((0.0, 50.0));
        path.line_to((30.0, 50.0));
        path.line_to((80.0, 50.0));
        let (at, inwards) = middle(&path).unwrap();
        assert!(at.distance(Point::new(40.0, 50.0)) < 0.02 && (inwards - Vec2::new(0.0, -1.0)).hypot() < 1e-9);
    }
}
