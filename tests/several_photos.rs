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

/// A part of a sample photo, shares of its size (left, top, width, height), as a photo of its own.
fn cut_from(sample: &str, [x, y, w, h]: [f64; 4], path: &Path) -> String {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos");
    let photo = image::open(samples.join(sample)).expect("a photo");
    let (width, height) = (f64::from(photo.width()), f64::from(photo.height()));
    let px = |value: f64| value as u32;
    photo.crop_imm(px(x * width), px(y * height), px(w * width), px(h * height)).save(path).expect("written");
    path.display().to_string()
}

/// No mat: the cards that two photos share tell how they lie on each other. One card is not enough.
#[test]
fn photos_among_cards_are_joined_by_the_cards_they_share() {
    const SAMPLE: &str = "40-skirt-among-cards.jpg";
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    // The upper part shows three of the five cards and no hem; the rest shows all five.
    let upper = cut_from(SAMPLE, [0.0, 0.0, 1.0, 0.7], &at("upper.png"));
    let lower = cut_from(SAMPLE, [0.0, 0.1, 1.0, 0.9], &at("lower.png"));
    let outline = |photos: &[&str], name: &str| -> serde_json::Value {
        let out = at(name);
        let output = trace(&[photos, &["--card", "80mm", "--thickness", "0mm"]].concat(), &out);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_str(&std::fs::read_to_string(out.join("outline.json")).expect("outline.json")).expect("JSON")
    };
    let joined = outline(&[&upper, &lower], "joined");
    let told = &joined["scale"]["joined"];
    assert_eq!((told["photos"].as_u64(), told["cards"].as_u64()), (Some(2), Some(3)), "{told}");
    // The lens's axis is not in the middle of either part, and the upper one's three cards lie above the hem.
    assert!(told["mismatch"]["p95_mm"].as_f64().is_some_and(|mm| mm < 1.0), "{told}");
    let area = |file: &serde_json::Value| {
        let ring: Vec<[f64; 2]> = serde_json::from_value(file["outline"].clone()).expect("points");
        let cross = |(a, b): (&[f64; 2], &[f64; 2])| a[0] * b[1] - a[1] * b[0];
        0.5 * ring.iter().zip(ring.iter().cycle().skip(1)).map(cross).sum::<f64>().abs()
    };
    let (both, whole) = (area(&joined), area(&outline(&[&lower], "whole")));
    // A tenth of a millimetre all round is 0.1 % of a piece of this size.
    assert!((both / whole - 1.0).abs() < 0.002, "{both} {whole} mm2");
    let hem = cut_from(SAMPLE, [0.0, 0.35, 1.0, 0.65], &at("hem.png"));
    refused(&[&upper, &hem, "--card", "80mm"], "only one printed card in common");
}

/// A sheet of which neither photo shows the rim is alike from square to square; then it does not matter which is which. The
/// sheet's own numbers or rim would be better, and that is said.
#[test]
fn a_blank_sheet_serves_as_bare_photo_wherever_it_lies() {
    let folder = tempfile::tempdir().expect("a folder");
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos");
    let cut = |name: &str, shares: [f64; 4]| cut_from(name, shares, &folder.path().join(name).with_extension("png"));
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
