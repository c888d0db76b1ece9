//! Several pieces on every kind of paper: laws, and pages read back by pikepdf, pdftoppm, qpdf and ezdxf.
//!
//! The outside checks need `CLOTHLINE_PYTHON` (else `python3`) with pikepdf, ezdxf and numpy; without them they say so and
//! pass, except where `CI` is set.

use std::path::Path;
use std::process::Command;

use clothline::draft::{PieceOptions, draft_piece};
use clothline::edges::FoldChoice;
use clothline::outline::{Outline, OutlinePoint};
use clothline::pattern_file::Pattern;
use clothline::polygon;
use clothline::seams::InternalLine;
use clothline::sheets::drawing::{Drawing, Layer, Mark, label_half};
use clothline::sheets::medium::{self, Medium, PrintOptions};
use clothline::sheets::tiles::{PAPER_MARGIN_MM, Paper, TileSheet};
use clothline::sheets::{arrange, dxf, pdf, svg};
use clothline::units::MatPoint;
use proptest::prelude::*;

/// What printers clip at most, mm.
const CLIPPED_MM: f64 = 5.0;

fn piece(name: &str, points: &[(f64, f64)], fold: FoldChoice) -> clothline::seams::Piece {
    let points = points.iter().map(|(x, y)| OutlinePoint { at: MatPoint::new(*x, *y), doubt_mm: 0.2, seen: true });
    let options = PieceOptions { name: name.into(), fold, ..PieceOptions::default() };
    draft_piece(&Outline { points: points.collect() }, &options).unwrap().1
}

fn three() -> Pattern {
    let mut pattern = Pattern {
        pieces: vec![
            piece(
                "front",
                &[
                    (0.0, 0.0),
                    (250.0, 0.0),
                    (240.0, 370.0),
                    (180.0, 400.0),
                    (190.0, 560.0),
                    (80.0, 600.0),
                    (0.0, 500.0),
                ],
                FoldChoice::Auto,
            ),
            piece(
                "sleeve",
                &[
                    (60.0, 0.0),
                    (350.0, 0.0),
                    (405.0, 110.0),
                    (290.0, 215.0),
                    (205.0, 240.0),
                    (120.0, 215.0),
                    (5.0, 110.0),
                ],
                FoldChoice::None,
            ),
            piece("cuff", &[(0.0, 0.0), (254.0, 0.0), (254.0, 102.0), (0.0, 102.0)], FoldChoice::None),
        ],
        ..Pattern::default()
    };
    pattern.pieces[2].variation = Some("long sleeve".into());
    let line = [(40.0, 60.0), (120.0, 75.0), (200.0, 60.0)].map(|(x, y)| MatPoint::new(x, y)).to_vec();
    let front = pattern.pieces.remove(0).with_internal(vec![InternalLine { name: "red marks".into(), line }]);
    pattern.pieces.insert(0, front);
    pattern
}

fn star(radii: &[f64]) -> Vec<(f64, f64)> {
    let angle = |i: usize| std::f64::consts::TAU * i as f64 / radii.len() as f64;
    radii.iter().enumerate().map(|(i, r)| (r * angle(i).cos(), r * angle(i).sin())).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// Every point of every piece is on a tile although 5 mm are clipped from every side; packed pieces never overlap
    /// nor turn over.
    #[test]
    fn every_point_of_every_piece_is_on_a_tile(
        a in prop::collection::vec(60.0f64..260.0, 5..8),
        b in prop::collection::vec(60.0f64..200.0, 5..8),
        c in prop::collection::vec(40.0f64..120.0, 5..8),
        size in 0usize..5,
    ) {
        let pieces = [("a", &a), ("b", &b), ("c", &c)].map(|(n, r)| piece(n, &star(r), FoldChoice::None));
        let pattern = Pattern { pieces: pieces.to_vec(), ..Pattern::default() };
        let paper: Paper = ["A4", "Letter", "A3", "Tabloid", "Legal"][size].parse().unwrap();
        let sheet = TileSheet { paper, margin_mm: PAPER_MARGIN_MM };
        let (drawing, plan) = arrange::tiled(&pattern, &sheet).unwrap();
        // What is left of a tile's drawing when the paper is clipped: the window lies `margin` inside the paper.
        let lost = (CLIPPED_MM - plan.margin_mm).max(0.0);
        let carried = |p: MatPoint| plan.tiles.iter().any(|t| t.window.inset(-lost).contains(kurbo::Point::from(p)));
        prop_assert_eq!(drawing.cut_rings.len(), 3);
        for ring in &drawing.cut_rings {
            // Page y runs down, so that an anticlockwise ring has become clockwise; a mirrored one would not.
            prop_assert!(polygon::signed_area(ring) < 0.0);
            let bounds = clothline::flat::MatRect::around(ring.iter().copied()).unwrap();
            for i in 0..=40 {
                for k in 0..=40 {
                    let p = MatPoint::new(
                        bounds.min.x + bounds.width_mm() * f64::from(i) / 40.0,
                        bounds.min.y + bounds.height_mm() * f64::from(k) / 40.0,
                    );
                    prop_assert!(!polygon::contains(ring, p) || carried(p), "{p:?} is on no tile");
                }
            }
            for p in ring {
                prop_assert!(carried(*p));
            }
        }
        for (i, one) in drawing.cut_rings.iter().enumerate() {
            for other in drawing.cut_rings.iter().skip(i + 1) {
                let apart = one.iter().map(|p| polygon::distance_to_ring(other, *p)).fold(f64::INFINITY, f64::min);
                prop_assert!(apart > 3.9 && !polygon::contains(other, one[0]) && !polygon::contains(one, other[0]), "{apart}");
            }
        }
    }
}

/// The corners of the words on each piece, on the page.
fn label_corners(pattern: &Pattern, drawing: &Drawing, group: usize) -> Vec<kurbo::Point> {
    let label = &pattern.pieces[group].label;
    let (half_w, _) = label_half(label);
    let lines = drawing.marks.iter().filter(|d| d.group == Some(group) && d.layer == Layer::Words);
    let corners = lines.flat_map(|d| match &d.mark {
        // Words of the fold are no part of the label.
        Mark::Text { at, along, size_mm, text, .. } if label.lines.contains(text) => {
            let own = if *text == label.lines[0] { 1.05 } else { 0.7 } * label.line_height_mm;
            let (reach, up) =
                (*along * (half_w * size_mm / own), kurbo::Vec2::new(along.y, -along.x) * (0.7 * size_mm));
            vec![*at - reach, *at + reach, *at - reach + up, *at + reach + up]
        }
        _ => Vec::new(),
    });
    corners.collect()
}

/// Words on a piece are whole on one sheet, clear of joins; a sheet's name crosses no cut line.
#[test]
fn words_lie_across_no_join_and_names_across_no_line() {
    for name in ["A4", "Letter", "A3"] {
        let sheet = TileSheet { paper: name.parse().unwrap(), margin_mm: PAPER_MARGIN_MM };
        let pattern = three();
        let (drawing, plan) = arrange::tiled(&pattern, &sheet).unwrap();
        for group in 0..pattern.pieces.len() {
            let corners = label_corners(&pattern, &drawing, group);
            assert_eq!(corners.len(), 4 * pattern.pieces[group].label.lines.len());
            let whole = plan.tiles.iter().any(|t| corners.iter().all(|c| plan.free_of_joins(t).contains(*c)));
            assert!(whole, "{name}: the label of {} lies across a join", pattern.pieces[group].name);
            let ring = &drawing.cut_rings[group];
            assert!(corners.iter().all(|c| polygon::contains(ring, MatPoint::new(c.x, c.y))), "outside its piece");
        }
        for tile in &plan.tiles {
            let start = tile.window.origin() + tile.name.by;
            let (wide, above) = (1.2 * tile.name.size_mm, 0.7 * tile.name.size_mm);
            let words = kurbo::Rect::new(start.x, start.y - above, start.x + wide, start.y + 6.0);
            for ring in &drawing.cut_rings {
                let crossed = polygon::sides(ring)
                    .any(|(a, b)| (0..=50).any(|k| words.contains(kurbo::Point::from(a.lerp(b, f64::from(k) / 50.0)))));
                assert!(!crossed, "{name}: the name of {} lies on a cut line", tile.label());
            }
        }
    }
}

#[test]
fn packing_saves_paper() {
    let pattern = three();
    let sheet = TileSheet { paper: Paper::A4, margin_mm: PAPER_MARGIN_MM };
    let side_by_side = clothline::sheets::tiles::plan(&clothline::sheets::drawing::pieces(&pattern), &sheet).unwrap();
    let (_, packed) = arrange::tiled(&pattern, &sheet).unwrap();
    println!("A4: {} sheets packed, {} side by side", packed.tiles.len(), side_by_side.tiles.len());
    assert!(packed.tiles.len() < side_by_side.tiles.len());
}

#[test]
fn large_sheets_carry_whole_pieces() {
    let pattern = three();
    for (name, sheets) in [("A0", 1), ("A1", 1)] {
        let paper: Paper = name.parse().unwrap();
        let made = arrange::on_sheets(&pattern, paper, 10.0).unwrap();
        assert_eq!(made.len(), sheets, "{name}");
        for ring in made.iter().flat_map(|d| &d.cut_rings) {
            for p in ring {
                assert!(
                    (10.0..=paper.width_mm - 10.0).contains(&p.x) && (10.0..=paper.height_mm - 10.0).contains(&p.y)
                );
            }
        }
        assert_eq!(made.iter().map(|d| d.cut_rings.len()).sum::<usize>(), 3);
    }
    let roll = arrange::on_roll(&pattern, 600.0, 10.0).unwrap();
    assert_eq!(roll.width_mm, 600.0);
    assert!(arrange::on_roll(&pattern, 240.0, 10.0).is_err());
    // A2 is too small for the front in one piece: it is tiled, and that is said.
    let long = Pattern {
        pieces: vec![piece("runner", &[(0.0, 0.0), (200.0, 0.0), (200.0, 900.0), (0.0, 900.0)], FoldChoice::None)],
        ..Pattern::default()
    };
    let printed = medium::print(&long, &"A2".parse().unwrap(), &PrintOptions::default()).unwrap();
    assert!(printed.warnings.iter().any(|w| w.code == "tiled-large" && w.text.contains("runner")));
}

#[test]
fn media_are_named_as_people_name_them() {
    for (typed, stem) in [
        ("a4", "sheets-a4"),
        ("Letter", "sheets-letter"),
        ("A0", "sheets-a0"),
        ("36in", "roll-36in"),
        ("60cm", "roll-60cm"),
        ("pages", "pages"),
        ("projector", "projector"),
    ] {
        assert_eq!(typed.parse::<Medium>().unwrap().stem(), stem);
    }
    for wrong in ["foolscap", "0", "5mm", "-3in", ""] {
        assert!(wrong.parse::<Medium>().is_err(), "{wrong}");
    }
}

/// Runs `fixtures/read_media.py` on files made from three pieces.
#[test]
fn outside_readers_agree() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| std::fs::write(folder.path().join(name), bytes).unwrap();
    let pattern = three();
    for name in ["A4", "Letter", "A3", "Tabloid", "Legal"] {
        let sheet = TileSheet { paper: name.parse().unwrap(), margin_mm: PAPER_MARGIN_MM };
        let (drawing, plan) = arrange::tiled(&pattern, &sheet).unwrap();
        write(&format!("{name}.pdf"), &pdf::tiles("three", &drawing, &plan, &sheet, None).unwrap());
        write(&format!("{name}-whole.pdf"), &pdf::pages("three", std::slice::from_ref(&drawing)).unwrap());
        let tiles: Vec<_> = plan
            .tiles
            .iter()
            .map(|t| serde_json::json!({"row": t.row, "column": t.column, "x": t.window.x0, "y": t.window.y0, "wide": t.window.width(), "high": t.window.height()}))
            .collect();
        write(
            &format!("{name}.json"),
            serde_json::json!({"margin": plan.margin_mm, "tiles": tiles}).to_string().as_bytes(),
        );
    }
    for typed in ["A0", "A1", "36in", "60cm", "pages", "projector"] {
        let made = medium::print(&pattern, &typed.parse().unwrap(), &PrintOptions::default()).unwrap();
        write(&format!("medium-{typed}.pdf"), &made.bytes);
    }
    write("cutter.dxf", dxf::write_cutter(&pattern).unwrap().as_bytes());
    write("three.svg", svg::write(&pattern).as_bytes());
    write("astm.dxf", dxf::write(&pattern).unwrap().as_bytes());
    write("pattern.json", clothline::pattern_file::write(&pattern).unwrap().as_bytes());
    let python = std::env::var("CLOTHLINE_PYTHON").unwrap_or_else(|_| "python3".into());
    let there =
        Command::new(&python).args(["-c", "import pikepdf, ezdxf, numpy"]).output().is_ok_and(|o| o.status.success())
            && Command::new("pdftoppm").arg("-v").output().is_ok();
    if !there {
        assert!(std::env::var_os("CI").is_none(), "pikepdf, ezdxf, numpy or pdftoppm are missing");
        eprintln!("NOT CHECKED: pikepdf, ezdxf, numpy or pdftoppm are missing");
        return;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/read_media.py");
    let run = Command::new(python).arg(script).arg(folder.path()).output().unwrap();
    let told = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success() && told.contains("all checked"), "{told}");
    println!("{told}");
}
