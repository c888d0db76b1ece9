//! Cards and grid sheet as printed: rasterised by poppler's pdftoppm, found again, and measured on the raster.

use std::path::Path;
use std::process::Command;

use clothline::reference::cards;

const DPI: f64 = 200.0;
const MM_PER_INCH: f64 = 25.4;

fn targets(folder: &Path, extra: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_clothline"))
        .arg("targets")
        .args(extra)
        .arg("--out")
        .arg(folder)
        .output()
        .expect("the program runs")
}

#[test]
fn printed_cards_have_their_size_and_numbers() {
    if !Command::new("pdftoppm").arg("-v").output().is_ok_and(|o| o.status.success()) {
        assert!(std::env::var_os("CI").is_none(), "pdftoppm is needed");
        eprintln!("SKIPPED: pdftoppm (poppler-utils) is not here, so the printed cards were not measured");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let made = targets(folder.path(), &["--card", "70mm", "--count", "3", "--first", "20"]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let raster = Command::new("pdftoppm")
        .args(["-png", "-gray", "-r", &DPI.to_string()])
        .arg(folder.path().join("targets.pdf"))
        .arg(folder.path().join("page"))
        .status()
        .unwrap();
    assert!(raster.success());
    let mut numbers = Vec::new();
    let mut pages: Vec<_> = std::fs::read_dir(folder.path()).unwrap().flatten().map(|e| e.path()).collect();
    pages.sort();
    for page in pages.iter().filter(|p| p.extension().is_some_and(|e| e == "png")) {
        let found = cards::find(&image::open(page).unwrap().into_luma8());
        for card in &found.cards {
            for i in 0..4 {
                let mm = card.corners[i].distance(card.corners[(i + 1) % 4]) / DPI * MM_PER_INCH;
                // A pixel of the raster is 0.127 mm, and poppler puts fills on whole pixels.
                assert!((mm - 70.0).abs() < 0.04, "card {}: side {i} is {mm} mm", card.number);
            }
            numbers.push(card.number);
        }
    }
    numbers.sort_unstable();
    assert_eq!(numbers, [20, 21, 22]);
}

#[test]
fn cards_that_cannot_be_are_wrong_usage() {
    let folder = tempfile::tempdir().unwrap();
    for wrong in [["--card", "150mm"], ["--card", "20mm"], ["--first", "586"], ["--grid", "2mm"]] {
        let said = targets(folder.path(), &wrong);
        assert_eq!(said.status.code(), Some(2), "{wrong:?}");
        assert!(!folder.path().join("targets.pdf").exists());
    }
}
