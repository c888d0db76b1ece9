//! The height of the cloth, measured or from the table, through the real program; its words and its figures.

use std::path::Path;
use std::process::{Command, Output};

const PHOTO: &str = "06-sleeve-cluttered-table.jpg";

fn trace(photo: &str, args: &[&str], out: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_clothline"))
        .arg("trace")
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos").join(photo))
        .args(args)
        .arg("--out")
        .arg(out)
        .output()
        .expect("the program runs")
}

fn outline(out: &Path) -> serde_json::Value {
    let text = std::fs::read_to_string(out.join("outline.json")).expect("outline.json");
    serde_json::from_str(&text).expect("JSON")
}

#[test]
fn layers_of_a_cloth_stand_for_a_measured_height() {
    let folder = tempfile::tempdir().expect("a folder");
    let (by_layers, by_ruler) = (folder.path().join("layers"), folder.path().join("ruler"));
    let said = trace(PHOTO, &["--grid", "1cm", "--layers", "4", "--cloth", "sweatshirt"], &by_layers);
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let words = String::from_utf8_lossy(&said.stdout).to_string();
    assert!(words.contains("thickness: 4.2 mm") && words.contains("from its layers"), "{words}");
    let layers = outline(&by_layers);
    let scale = &layers["scale"];
    assert_eq!(scale["thickness_from"], "layers");
    // A raised point is seen r t / (H - t) too far out (similar triangles), at most at the reach of the farthest.
    let number = |key: &str| scale[key].as_f64().expect(key);
    let camera = &scale["camera"];
    let foot: [f64; 2] = serde_json::from_value(camera["foot"].clone()).expect("a foot");
    let points: Vec<[f64; 2]> = serde_json::from_value(layers["outline"].clone()).expect("points");
    let reach = points.iter().map(|p| (p[0] - foot[0]).hypot(p[1] - foot[1])).fold(0.0, f64::max);
    let (t, height) = (2.1, camera["height_mm"].as_f64().expect("a height"));
    let expected = reach * t / (height - t);
    assert!((number("thickness_shift_mm") - expected).abs() < 0.02 * expected, "{expected}: {scale}");
    assert!(number("thickness_shift_doubt_mm") > 0.3 * expected);

    assert!(trace(PHOTO, &["--grid", "1cm", "--thickness", "4.2mm"], &by_ruler).status.success());
    let measured = outline(&by_ruler);
    assert_eq!(measured["scale"]["thickness_from"], "measured");
    assert_eq!(measured["outline"], layers["outline"], "the same height gives the same outline");
    let mean = |file: &serde_json::Value| {
        let doubts: Vec<f64> = serde_json::from_value(file["doubt_mm"].clone()).expect("doubts");
        doubts.iter().sum::<f64>() / doubts.len() as f64
    };
    assert!(mean(&layers) > mean(&measured), "the table is worth less than a ruler");
}

/// A photo without EXIF, its mat seen squarely: the lens is assumed, which is said, and the doubt is wider.
#[test]
fn an_unknown_lens_is_said_and_widens_the_doubt() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("poncho");
    let said =
        trace("07-poncho-heather-covers-mat.jpg", &["--grid", "1cm", "--layers", "4", "--cloth", "jersey"], &out);
    assert!(said.status.success());
    let file = outline(&out);
    let scale = &file["scale"];
    assert_eq!(scale["camera"]["focal_from"], "assumed", "{scale}");
    let warnings = file["warnings"].as_array().expect("warnings");
    assert!(warnings.iter().any(|w| w["code"] == "focal-assumed"), "{warnings:?}");
    let (shift, doubt) = (&scale["thickness_shift_mm"], &scale["thickness_shift_doubt_mm"]);
    assert!(doubt.as_f64() > shift.as_f64().map(|s| 0.5 * s), "{shift} {doubt}");
}

#[test]
fn half_an_answer_is_wrong_usage() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("none");
    for (args, word) in [
        (vec!["--layers", "4"], "--cloth"),
        (vec!["--cloth", "denim"], "--layers"),
        (vec!["--layers", "4", "--cloth", "iron"], "sweatshirt"),
        (vec!["--layers", "0", "--cloth", "denim"], "0"),
        (vec!["--layers", "2", "--cloth", "denim", "--thickness", "3mm"], "--thickness"),
    ] {
        let said = trace(PHOTO, &[&["--grid", "1cm"], args.as_slice()].concat(), &out);
        let words = String::from_utf8_lossy(&said.stderr).to_string();
        assert_eq!(said.status.code(), Some(2), "{args:?}: {words}");
        assert!(words.contains(word), "{args:?}: {words}");
        assert!(!out.exists());
    }
}
