//! Photos that belong together, and such that do not, through the real program.

use std::path::Path;
use std::process::{Command, Output};

const LONG: [&str; 2] = ["33-trousers-long-a.jpg", "33-trousers-long-b.jpg"];

fn trace(args: &[&str], out: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_clothline"))
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos"))
        .arg("trace")
        .args(args)
        .arg("--out")
        .arg(out)
        .output()
        .expect("the program runs")
}

fn refused(args: &[&str], words: &str) {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("out");
    let output = trace(args, &out);
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(matches!(output.status.code(), Some(2 | 3)), "{args:?}: {said}");
    assert!(said.contains(words), "{args:?}: {said}");
    assert!(!out.exists());
}

#[test]
fn photos_of_other_mats_are_not_joined() {
    refused(&[LONG[0], "02-trousers-navy-on-blue.jpg", "--grid", "1cm"], "cannot be told");
}

#[test]
fn a_bare_photo_of_another_mat_is_refused() {
    let (photo, other) = ("12-trousers-charcoal-on-black.jpg", "02-trousers-navy-on-blue.jpg");
    refused(&[photo, "--grid", "1cm", "--bare", other], "bare mat");
    refused(&[LONG[0], LONG[1], "--grid", "1cm", "--bare", other], "--bare");
}

#[test]
fn half_of_a_long_garment_is_refused_alone() {
    refused(&[LONG[0], "--grid", "1cm"], "touches the border");
}

/// The order in which the photos are given changes the frame, not the garment.
#[test]
fn either_order_gives_the_same_garment() {
    let folder = tempfile::tempdir().expect("a folder");
    let area = |photos: [&str; 2], name: &str| {
        let out = folder.path().join(name);
        let output = trace(&[photos[0], photos[1], "--grid", "1cm", "--thickness", "3mm"], &out);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let text = std::fs::read_to_string(out.join("outline.json")).expect("outline.json");
        let file: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(file["scale"]["joined"]["photos"], 2);
        let ring: Vec<[f64; 2]> = serde_json::from_value(file["outline"].clone()).expect("points");
        let cross = |k: usize| {
            let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
            a[0] * b[1] - a[1] * b[0]
        };
        0.5 * (0..ring.len()).map(cross).sum::<f64>()
    };
    let (one, other) = (area(LONG, "one"), area([LONG[1], LONG[0]], "other"));
    // 2.8 m of edge: 50 mm2 are 0.02 mm all round.
    assert!((one - other).abs() < 60.0, "{one} {other}");
}

/// A sheet of which neither photo shows the rim is alike from square to square; then it does not matter which is which. The
/// sheet's own numbers or rim would be better, and that is said.
#[test]
fn a_blank_sheet_serves_as_bare_photo_wherever_it_lies() {
    let folder = tempfile::tempdir().expect("a folder");
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos");
    let cut = |name: &str, shares: [f64; 4]| {
        let photo = image::open(samples.join(name)).expect("a photo");
        let px = |share: f64, of: u32| (share * f64::from(of)) as u32;
        let [x, y, w, h] = shares;
        let (width, height) = (photo.width(), photo.height());
        let path = folder.path().join(name).with_extension("png");
        photo.crop_imm(px(x, width), px(y, height), px(w, width), px(h, height)).save(&path).expect("written");
        path.display().to_string()
    };
    let photo = cut("03-tee-white-on-white.jpg", [0.15, 0.12, 0.72, 0.78]);
    let bare = cut("32-tee-with-bare-sheet.jpg", [0.16, 0.14, 0.7, 0.78]);
    let out = folder.path().join("out");
    let output = trace(&[&photo, "--grid", "1cm", "--bare", &bare, "--thickness", "2mm"], &out);
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(output.status.success(), "{said}");
    assert!(said.contains("nothing but even paper"), "{said}");
    let text = std::fs::read_to_string(out.join("outline.json")).expect("outline.json");
    let file: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let truth = std::fs::read_to_string(samples.join("03-tee-white-on-white.truth.json")).expect("the truth");
    let truth: serde_json::Value = serde_json::from_str(&truth).expect("JSON");
    let area = |ring: &serde_json::Value| {
        let ring: Vec<[f64; 2]> = serde_json::from_value(ring.clone()).expect("points");
        let cross = |(a, b): (&[f64; 2], &[f64; 2])| a[0] * b[1] - a[1] * b[0];
        0.5 * ring.iter().zip(ring.iter().cycle().skip(1)).map(cross).sum::<f64>().abs()
    };
    let (found, real) = (area(&file["outline"]), area(&truth["outline"]));
    assert!((found / real - 1.0).abs() < 0.01, "{found} {real} mm2");
}
