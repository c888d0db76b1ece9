//! Sheets measured by other programs: svgelements, pikepdf, ezdxf, pdftoppm and qpdf.
//!
//! Needs poppler-utils, qpdf and a Python with ezdxf, pikepdf, svgelements and numpy (`CLOTHLINE_PYTHON`, else `python3`).
//! Without them these tests say so and pass, except where `CI` is set: there they fail.

use std::path::Path;
use std::process::Command;

use clothline::draft::{PieceOptions, draft_piece};
use clothline::edges::FoldChoice;
use clothline::outline::{Outline, OutlinePoint};
use clothline::pattern_file::Pattern;
use clothline::sheets::tiles::Paper;
use clothline::sheets::{dxf, pdf, svg};
use clothline::units::MatPoint;

/// Half a shirt, leaning, with curves, a fold, and notches.
fn half_shirt() -> Pattern {
    let mut shape: Vec<(f64, f64)> =
        vec![(0.0, 0.0), (250.0, 0.0), (240.0, 370.0), (330.0, 345.0), (390.0, 460.0), (95.0, 545.0)];
    for k in 1..60 {
        let angle = std::f64::consts::FRAC_PI_2 * f64::from(k) / 60.0;
        shape.push((95.0 * angle.cos(), 545.0 - 100.0 * angle.sin()));
    }
    shape.push((0.0, 445.0));
    let (sin, cos) = 0.06f64.sin_cos();
    let points = shape.iter().map(|(x, y)| OutlinePoint {
        at: MatPoint::new(x * cos - y * sin + 40.0, x * sin + y * cos - 250.0),
        doubt_mm: 0.2,
        seen: true,
    });
    let options = PieceOptions {
        name: "Half shirt <front> & co".into(),
        size: Some("38".into()),
        fold: FoldChoice::Auto,
        allowance: "1/2in".parse().unwrap(),
        edge_allowances: vec!["1=1in".parse().unwrap()],
        edge_names: vec!["1=hem".parse().unwrap()],
        notches: vec!["2@13in".parse().unwrap(), "5@middle:double".parse().unwrap()],
        ..PieceOptions::default()
    };
    let (_, piece) = draft_piece(&Outline { points: points.collect() }, &options).unwrap();
    Pattern { pieces: vec![piece], ..Pattern::default() }
}

fn python() -> String {
    std::env::var("CLOTHLINE_PYTHON").unwrap_or_else(|_| "python3".into())
}

fn there(program: &str, arguments: &[&str]) -> bool {
    Command::new(program).args(arguments).output().is_ok_and(|o| o.status.success())
}

/// Runs one check of `fixtures/read_back.py` on a folder of sheets.
fn check(what: &str, folder: &Path) {
    let tools = there(&python(), &["-c", "import cv2, ezdxf, pikepdf, svgelements, numpy"])
        && there("pdftoppm", &["-v"])
        && there("qpdf", &["--version"]);
    if !tools {
        assert!(
            std::env::var_os("CI").is_none(),
            "poppler-utils, qpdf, ezdxf, pikepdf, svgelements or numpy are missing"
        );
        eprintln!("NOT CHECKED ({what}): poppler-utils, qpdf, ezdxf, pikepdf, svgelements or numpy are missing");
        return;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/read_back.py");
    let run = Command::new(python()).arg(script).arg(what).arg(folder).output().unwrap();
    let told = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{what}: {told}");
    assert!(told.contains("checked"), "{what} checked nothing: {told}");
}

fn sheets() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let pattern = half_shirt();
    let write = |name: &str, bytes: &[u8]| std::fs::write(folder.path().join(name), bytes).unwrap();
    write("pattern.json", clothline::pattern_file::write(&pattern).unwrap().as_bytes());
    write("pattern.svg", svg::write(&pattern).as_bytes());
    write("pattern.dxf", dxf::write(&pattern).unwrap().as_bytes());
    write("pattern.pdf", &pdf::full_page(&pattern).unwrap());
    for (name, paper) in [("a4.pdf", Paper::A4), ("letter.pdf", Paper::LETTER)] {
        write(name, &pdf::tiled(&pattern, paper).unwrap());
    }
    folder
}

#[test]
fn svg_lengths_are_true_to_a_hundredth_of_a_millimetre() {
    check("svg", sheets().path());
}

#[test]
fn pdf_is_sound_and_prints_unscaled() {
    check("pdf", sheets().path());
}

#[test]
fn svg_and_pdf_are_the_same_picture() {
    check("picture", sheets().path());
}

#[test]
fn the_test_square_and_the_piece_measure_true_in_pixels() {
    check("pixels", sheets().path());
}

#[test]
fn tiles_put_together_make_the_piece() {
    check("tiles", sheets().path());
}

#[test]
fn dxf_is_sound_and_true() {
    check("dxf", sheets().path());
}

#[test]
fn the_same_pattern_makes_the_same_bytes() {
    let (first, second) = (half_shirt(), half_shirt());
    assert_eq!(svg::write(&first), svg::write(&second));
    assert_eq!(pdf::full_page(&first).unwrap(), pdf::full_page(&second).unwrap());
    assert_eq!(pdf::tiled(&first, Paper::A4).unwrap(), pdf::tiled(&second, Paper::A4).unwrap());
}

#[test]
fn a_pattern_read_back_is_the_pattern_written() {
    let pattern = half_shirt();
    let text = clothline::pattern_file::write(&pattern).unwrap();
    assert_eq!(clothline::pattern_file::read(&text).unwrap(), pattern);
    let newer = text.replacen("\"version\": 1", "\"version\": 2", 1);
    assert!(clothline::pattern_file::read(&newer).unwrap_err().seen.contains("version 2"));
}
