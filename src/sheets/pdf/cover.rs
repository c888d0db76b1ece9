//! The first page: does the printer print true, what do the lines mean, and how do the sheets go together.

use kurbo::{Affine, BezPath, Point, Rect, Shape};

use super::super::drawing::{Anchor, BLACK, Drawing, Layer, Mark, PALE, Pen};
use super::super::key;
use super::super::tiles::{self, OVERLAP_MM, Paper, TilePlan};

const LEFT_MM: f64 = 15.0;
const TILE_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: BLACK };
const BLANK_PEN: Pen = Pen { width_mm: 0.2, dashes_mm: &[1.0, 1.5], rgb: PALE };
const OUTLINE_PEN: Pen = Pen { width_mm: 0.4, dashes_mm: &[], rgb: BLACK };

/// Draws the cover on one sheet of upright paper.
pub(super) fn draw(title: &str, paper: Paper, plan: &TilePlan, pieces: &Drawing, printed: usize) -> Drawing {
    let mut drawing = Drawing {
        groups: pieces.groups.clone(),
        width_mm: paper.width_mm,
        height_mm: paper.height_mm,
        ..Drawing::default()
    };
    let text = |drawing: &mut Drawing, y: f64, size: f64, words: String| {
        drawing.text(Layer::Words, Point::new(LEFT_MM, y), size, Anchor::Start, words);
    };
    text(&mut drawing, 25.0, 9.0, super::super::font::writable(title));
    let all = if printed == plan.tiles.len() { "all" } else { "these" };
    let steps = [
        format!("Print {all} {} pages on {} at 100 % (actual size), never \"fit to page\".", printed + 1, paper.name),
        "Measure both squares before you cut. If either is off by more than 0.5 mm, do not use this print.".into(),
        "Cut each sheet along its left and top edge where it says so; lay it on its neighbour's glue strip,".into(),
        "edge on the dashed line, diamonds meeting. Work along the rows, then join the rows.".into(),
    ];
    for (i, step) in steps.into_iter().enumerate() {
        text(&mut drawing, 35.0 + 5.5 * i as f64, 3.7, step);
    }
    key::squares(&mut drawing, Point::new(LEFT_MM, 60.0));
    let beside = LEFT_MM + key::SQUARES_WIDE_MM + 10.0;
    let below_key = if paper.width_mm > beside + 33.0 + 85.0 + LEFT_MM {
        key::lines(&mut drawing, Point::new(beside, 60.0), key::has_inside(pieces));
        60.0 + key::KEY_HIGH_MM + 10.0
    } else {
        key::lines(&mut drawing, Point::new(LEFT_MM, 60.0 + key::KEY_HIGH_MM + 6.0), key::has_inside(pieces));
        60.0 + 2.0 * key::KEY_HIGH_MM + 14.0
    };
    let room = Rect::new(LEFT_MM, below_key, paper.width_mm - LEFT_MM, paper.height_mm - LEFT_MM);
    map(&mut drawing, room, plan, pieces);
    drawing
}

/// The sheets as they go together, the pieces drawn across them.
fn map(drawing: &mut Drawing, room: Rect, plan: &TilePlan, pieces: &Drawing) {
    let Some(first) = plan.tiles.first() else { return };
    let (wide, high) = (first.window.width(), first.window.height());
    let (step_x, step_y) = (wide - OVERLAP_MM, high - OVERLAP_MM);
    let left = first.window.x0 - first.column as f64 * step_x;
    let top = first.window.y0 - first.row as f64 * step_y;
    let whole_wide = plan.columns as f64 * step_x + OVERLAP_MM;
    let whole_high = plan.rows as f64 * step_y + OVERLAP_MM;
    let scale = (room.width() / whole_wide).min(room.height() / whole_high).min(0.25);
    let inset = 0.5 * (room.width() - scale * whole_wide);
    let place = Affine::translate((room.x0 + inset, room.y0)) * Affine::scale(scale) * Affine::translate((-left, -top));
    for row in 0..plan.rows {
        for column in 0..plan.columns {
            let (x, y) = (left + column as f64 * step_x, top + row as f64 * step_y);
            let own_wide = if column + 1 < plan.columns { step_x } else { wide };
            let own_high = if row + 1 < plan.rows { step_y } else { high };
            let cell = place.transform_rect_bbox(Rect::new(x, y, x + own_wide, y + own_high));
            let printed = plan.has(row, column);
            drawing.stroke(Layer::Joining, cell.to_path(0.1), if printed { TILE_PEN } else { BLANK_PEN });
            let mut words = tiles::label(row, column);
            if !printed {
                words = "blank".into();
            }
            let size = (0.3 * cell.width().min(cell.height())).min(7.0);
            let at = Point::new(cell.center().x, cell.center().y + 0.35 * size);
            let rgb = if printed { BLACK } else { PALE };
            let size_mm = if printed { size } else { 0.6 * size };
            let along = kurbo::Vec2::new(1.0, 0.0);
            drawing.push(Layer::Joining, Mark::Text { at, along, size_mm, anchor: Anchor::Middle, rgb, text: words });
        }
    }
    for ring in &pieces.cut_rings {
        let mut path = BezPath::new();
        for (i, p) in ring.iter().enumerate() {
            let at = place * Point::from(*p);
            if i == 0 { path.move_to(at) } else { path.line_to(at) }
        }
        path.close_path();
        drawing.stroke(Layer::Joining, path, OUTLINE_PEN);
    }
}
