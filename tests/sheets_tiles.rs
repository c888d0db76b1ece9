//! Laws of tiles: together they carry the whole piece, whatever the printer clips.

use clothline::draft::{PieceOptions, draft_piece};
use clothline::edges::FoldChoice;
use clothline::outline::{Outline, OutlinePoint};
use clothline::pattern_file::Pattern;
use clothline::polygon;
use clothline::sheets::drawing;
use clothline::sheets::pdf;
use clothline::sheets::tiles::{self, Paper, TileSheet};
use clothline::units::MatPoint;
use proptest::prelude::*;

/// What printers clip at most, mm.
const CLIPPED_MM: f64 = 5.0;
/// A cut line as it is drawn reaches this far at most from where it lies, mm.
const LINE_MM: f64 = 0.5;

/// Does a straight line pass through a window? By points 0.02 mm apart.
fn passes(from: MatPoint, to: MatPoint, window: kurbo::Rect) -> bool {
    let line = kurbo::Line::new(kurbo::Point::from(from), kurbo::Point::from(to));
    let steps = (line.p0.distance(line.p1) / 0.02).ceil().max(1.0);
    (0..=steps as usize).any(|i| window.contains(line.p0.lerp(line.p1, i as f64 / steps)))
}

fn pattern(radii: &[f64]) -> Pattern {
    let points = radii.iter().enumerate().map(|(i, r)| {
        let angle = std::f64::consts::TAU * i as f64 / radii.len() as f64;
        OutlinePoint { at: MatPoint::new(r * angle.cos(), r * angle.sin()), doubt_mm: 0.2, seen: true }
    });
    let options = PieceOptions { fold: FoldChoice::None, ..PieceOptions::default() };
    let (_, piece) = draft_piece(&Outline { points: points.collect() }, &options).unwrap();
    Pattern { pieces: vec![piece], ..Pattern::default() }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn every_point_of_the_piece_is_on_a_tile(radii in prop::collection::vec(60.0f64..500.0, 5..9), size in 0usize..8) {
        let drawing = drawing::pieces(&pattern(&radii));
        let paper = Paper::ALL[size];
        let plan = tiles::plan(&drawing, &TileSheet { paper, margin_mm: tiles::PAPER_MARGIN_MM }).unwrap();
        let clipped = CLIPPED_MM - tiles::PAPER_MARGIN_MM;
        prop_assert!(clipped < 0.0, "windows lie inside what is printed");
        let carried = |p: MatPoint| plan.tiles.iter().any(|t| t.window.contains(kurbo::Point::from(p)));
        let ring = &drawing.cut_rings[0];
        let bounds = clothline::flat::MatRect::around(ring.iter().copied()).unwrap();
        for i in 0..=60 {
            for k in 0..=60 {
                let p = MatPoint::new(
                    bounds.min.x + bounds.width_mm() * f64::from(i) / 60.0,
                    bounds.min.y + bounds.height_mm() * f64::from(k) / 60.0,
                );
                if polygon::contains(ring, p) {
                    prop_assert!(carried(p), "{p:?} is on no tile");
                }
            }
        }
        for p in ring {
            prop_assert!(carried(*p));
        }
        // No tile is blank: the piece's edge runs through it, by the width of its line, or it lies inside the piece.
        for tile in &plan.tiles {
            let reach = tile.window.inset(LINE_MM + 0.05);
            let some = polygon::contains(ring, tile.window.center().into())
                || ring.iter().zip(ring.iter().cycle().skip(1)).any(|(a, b)| passes(*a, *b, reach));
            prop_assert!(some, "{} is blank", tile.label());
        }
        // Windows of one row overlap by the glue strip.
        for pair in plan.tiles.windows(2).filter(|p| p[0].row == p[1].row && p[1].column == p[0].column + 1) {
            prop_assert!((pair[0].window.x1 - pair[1].window.x0 - tiles::OVERLAP_MM).abs() < 1e-9);
        }
    }
}

/// ISO 216:2007, and US sizes of 25.4 mm inches.
#[test]
fn papers_have_their_standard_sizes() {
    for (name, wide, high) in
        [("a4", 210.0, 297.0), ("A3", 297.0, 420.0), ("letter", 215.9, 279.4), ("A0", 841.0, 1189.0)]
    {
        let paper: Paper = name.parse().unwrap();
        assert_eq!((paper.width_mm, paper.height_mm), (wide, high));
    }
    assert!("foolscap".parse::<Paper>().unwrap_err().advice.contains("Letter"));
}

#[test]
fn blank_tiles_are_left_out() {
    // An L with a wide gap.
    let shape = [(0.0, 0.0), (900.0, 0.0), (900.0, 100.0), (100.0, 100.0), (100.0, 900.0), (0.0, 900.0)];
    let points = shape.map(|(x, y)| OutlinePoint { at: MatPoint::new(x, y), doubt_mm: 0.2, seen: true });
    let options = PieceOptions { fold: FoldChoice::None, ..PieceOptions::default() };
    let (_, piece) = draft_piece(&Outline { points: points.to_vec() }, &options).unwrap();
    let drawing = drawing::pieces(&Pattern { pieces: vec![piece], ..Pattern::default() });
    let plan = tiles::plan(&drawing, &TileSheet { paper: Paper::A4, margin_mm: tiles::PAPER_MARGIN_MM }).unwrap();
    assert!(plan.tiles.len() < plan.columns * plan.rows - 5, "{} of {}", plan.tiles.len(), plan.columns * plan.rows);
    assert!(!plan.has(0, plan.columns - 1));
}

#[test]
fn a_page_beyond_pdf_is_refused_and_can_still_be_tiled() {
    let points = [(0.0, 0.0), (5200.0, 0.0), (5200.0, 300.0), (0.0, 300.0)];
    let points = points.map(|(x, y)| OutlinePoint { at: MatPoint::new(x, y), doubt_mm: 0.2, seen: true });
    let (_, piece) = draft_piece(&Outline { points: points.to_vec() }, &PieceOptions::default()).unwrap();
    let pattern = Pattern { pieces: vec![piece], ..Pattern::default() };
    assert!(pdf::full_page(&pattern).unwrap_err().advice.contains("tiles"));
    assert!(pdf::tiled(&pattern, Paper::A4).is_ok());
    assert!(pdf::full_page(&Pattern::default()).is_err());
    assert!(pdf::tiled(&Pattern::default(), Paper::A4).is_err());
}

#[test]
fn rows_have_letters_and_columns_numbers() {
    let named: Vec<String> =
        [(0, 0), (1, 2), (25, 0), (26, 0), (27, 9)].iter().map(|(r, c)| tiles::label(*r, *c)).collect();
    assert_eq!(named, ["A1", "B3", "Z1", "AA1", "AB10"]);
}
