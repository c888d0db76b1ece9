//! For a projector above the cutting table: thick bright lines on black, and a grid to set the projector true.
//!
//! Lines are told apart by width and dashes as well as by colour.

use kurbo::{BezPath, Point, Rect, Shape};

use super::drawing::{self, Anchor, Drawing, Drawn, Layer, Mark, Pen};
use crate::pattern_file::Pattern;

const DARK: [u8; 3] = [0, 0, 0];
const BRIGHT: [u8; 3] = [255, 255, 255];
const YELLOW: [u8; 3] = [255, 224, 64];
const CYAN: [u8; 3] = [96, 224, 255];
const DIM: [u8; 3] = [70, 70, 70];

/// Lines of the pattern, mm: seen from standing height on patterned cloth.
const CUT_MM: f64 = 2.0;
const OTHER_MM: f64 = 1.4;
/// Squares of the grid behind the pieces, mm.
const BEHIND_MM: f64 = 100.0;
/// The calibration page: squares across and down.
const ACROSS: usize = 8;
const DOWN: usize = 5;

/// Two pages: the calibration grid, then the pieces.
pub fn pages(pattern: &Pattern) -> [Drawing; 2] {
    let pieces = drawing::pieces(pattern);
    let mut calibration = calibration();
    calibration.groups.clone_from(&pieces.groups);
    [calibration, bright(pieces)]
}

/// A grid of 10 cm squares with its diagonals: straight, square and of the right length when the projector is true.
fn calibration() -> Drawing {
    let (wide, high) = (ACROSS as f64 * 100.0, DOWN as f64 * 100.0);
    let mut page = Drawing { width_mm: wide + 40.0, height_mm: high + 70.0, ..Drawing::default() };
    background(&mut page);
    let pen = Pen { width_mm: OTHER_MM, dashes_mm: &[], rgb: BRIGHT };
    let grid = Rect::new(20.0, 20.0, 20.0 + wide, 20.0 + high);
    for k in 0..=ACROSS {
        let x = grid.x0 + 100.0 * k as f64;
        page.stroke(Layer::Key, line((x, grid.y0), (x, grid.y1)), pen);
    }
    for k in 0..=DOWN {
        let y = grid.y0 + 100.0 * k as f64;
        page.stroke(Layer::Key, line((grid.x0, y), (grid.x1, y)), pen);
    }
    let slanted = Pen { width_mm: 1.0, dashes_mm: &[8.0, 6.0], rgb: YELLOW };
    page.stroke(Layer::Key, line((grid.x0, grid.y0), (grid.x0 + high, grid.y1)), slanted);
    page.stroke(Layer::Key, line((grid.x0, grid.y1), (grid.x0 + high, grid.y0)), slanted);
    let diagonal = (2.0f64).sqrt() * high / 10.0;
    let words = [
        "Set the projector until every square measures 10 cm (3 15/16 in) on the table, in the middle and in the corners.".to_string(),
        format!("The whole grid is {:.0} x {:.0} cm; each yellow diagonal is {diagonal:.1} cm. Measure with a steel tape.", wide / 10.0, high / 10.0),
    ];
    for (i, text) in words.into_iter().enumerate() {
        let at = Point::new(20.0, grid.y1 + 20.0 + 14.0 * i as f64);
        let along = kurbo::Vec2::new(1.0, 0.0);
        page.push(Layer::Key, Mark::Text { at, along, size_mm: 10.0, anchor: Anchor::Start, rgb: BRIGHT, text });
    }
    page
}

fn background(page: &mut Drawing) {
    let sheet = Rect::new(0.0, 0.0, page.width_mm, page.height_mm);
    page.push(Layer::Joining, Mark::Fill(sheet.to_path(0.1), DARK));
}

/// The pieces in thick bright lines over a dim grid.
fn bright(pieces: Drawing) -> Drawing {
    let mut page = Drawing { marks: Vec::new(), group: None, ..pieces.clone() };
    background(&mut page);
    let dim = Pen { width_mm: 0.6, dashes_mm: &[], rgb: DIM };
    for k in 0..=(page.width_mm / BEHIND_MM) as usize {
        let x = 10.0 + BEHIND_MM * k as f64;
        page.stroke(Layer::Joining, line((x, 0.0), (x, page.height_mm)), dim);
    }
    for k in 0..=(page.height_mm / BEHIND_MM) as usize {
        let y = 10.0 + BEHIND_MM * k as f64;
        page.stroke(Layer::Joining, line((0.0, y), (page.width_mm, y)), dim);
    }
    page.marks.extend(pieces.marks.into_iter().map(brightened));
    page
}

fn brightened(drawn: Drawn) -> Drawn {
    let (rgb, width_mm) = match drawn.layer {
        Layer::Cut => (BRIGHT, CUT_MM),
        Layer::Stitching => (YELLOW, OTHER_MM),
        _ => (CYAN, OTHER_MM),
    };
    let mark = match drawn.mark {
        Mark::Stroke(path, pen) => Mark::Stroke(path, Pen { width_mm: width_mm.max(pen.width_mm), rgb, ..pen }),
        Mark::Fill(path, _) => Mark::Fill(path, rgb),
        Mark::Text { at, along, size_mm, anchor, text, .. } => {
            Mark::Text { at, along, size_mm, anchor, rgb: BRIGHT, text }
        }
    };
    Drawn { mark, ..drawn }
}

fn line(from: (f64, f64), to: (f64, f64)) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(from);
    path.line_to(to);
    path
}
