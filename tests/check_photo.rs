//! `clothline check` through the real program: figures, words shared with trace, exit status.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos").join(name)
}

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_clothline")).args(args).output().expect("the program runs")
}

fn json(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout).expect("JSON on standard output")
}

#[test]
fn a_good_photo_is_good_and_its_figures_are_true() {
    let output = run(&["check", sample("01-tee-green-inch.jpg").to_str().expect("a name"), "--grid", "1in", "--json"]);
    assert_eq!(output.status.code(), Some(0));
    let found = json(&output);
    assert_eq!(found["good"], true);
    let near = |key: &str, value: f64, by: f64| {
        let got = found[key].as_f64().expect(key);
        assert!((got - value).abs() <= by, "{key}: {got} for {value}");
    };
    // As the photo was rendered: 0.96 m, tilt 3 degrees, 3028.66 px of focal length.
    near("height_mm", 960.0, 12.0);
    near("tilt_deg", 3.0, 0.5);
    near("px_per_mm", 3028.66 / 960.0, 0.1);
    assert!(found["warnings"].as_array().expect("warnings").is_empty(), "{found}");
}

#[test]
fn what_cannot_be_traced_is_refused_with_the_same_words() {
    for (name, grid) in [("13-no-grid.jpg", "1cm"), ("14-blurred.jpg", "1in"), ("33-trousers-long-a.jpg", "1cm")] {
        let photo = sample(name);
        let photo = photo.to_str().expect("a name");
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path().join("out");
        let traced = run(&["trace", photo, "--grid", grid, "--out", out.to_str().expect("a name")]);
        let checked = run(&["check", photo, "--grid", grid]);
        assert_eq!((traced.status.code(), checked.status.code()), (Some(3), Some(3)), "{name}");
        let last = |o: &Output| {
            let said = String::from_utf8_lossy(&o.stderr).to_string();
            said[said.find("clothline:").expect("a refusal")..].to_string()
        };
        assert_eq!(last(&traced), last(&checked), "{name}");
        let by_json = run(&["check", photo, "--grid", grid, "--json"]);
        assert_eq!(by_json.status.code(), Some(3));
        assert_eq!(json(&by_json)["good"], false);
    }
}

/// The first sample made smaller: too few pixels to a millimetre, said by both commands in one sentence.
#[test]
fn a_photo_from_too_far_is_warned_of_by_both() {
    let folder = tempfile::tempdir().expect("a folder");
    let small = folder.path().join("small.png");
    let photo = image::open(sample("01-tee-green-inch.jpg")).expect("a photo");
    photo.resize(1700, 2300, image::imageops::FilterType::Triangle).save(&small).expect("written");
    let small = small.to_str().expect("a name");
    let checked = json(&run(&["check", small, "--grid", "1in", "--json"]));
    let warning = |file: &serde_json::Value| {
        let all = file["warnings"].as_array().expect("warnings").clone();
        all.into_iter().find(|w| w["code"] == "camera-too-far").expect("a warning of the distance")
    };
    let out = folder.path().join("out");
    let traced = run(&["trace", small, "--grid", "1in", "--out", out.to_str().expect("a name"), "--json"]);
    assert_eq!(traced.status.code(), Some(0), "{}", String::from_utf8_lossy(&traced.stderr));
    assert_eq!(warning(&checked)["text"], warning(&json(&traced))["text"]);
}

/// Without a mat, by what lies beside the garment; the camera as the photos were rendered.
#[test]
fn photos_without_a_mat_are_checked_by_their_references() {
    for (name, args, height_mm, tilt_deg) in [
        ("40-skirt-among-cards.jpg", ["--card", "80mm"], 930.0, 6.0),
        ("45-shorts-beside-paper.jpg", ["--sheet", "a4"], 800.0, 7.0),
    ] {
        let photo = sample(name);
        let output = run(&["check", photo.to_str().expect("a name"), args[0], args[1], "--json"]);
        assert_eq!(output.status.code(), Some(0), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        let found = json(&output);
        let near = |key: &str, value: f64, by: f64| {
            let got = found[key].as_f64().expect(key);
            assert!((got - value).abs() <= by, "{name}: {key}: {got} for {value}");
        };
        near("height_mm", height_mm, 0.03 * height_mm);
        near("tilt_deg", tilt_deg, 2.0);
    }
    let nothing = run(&["check", sample("40-skirt-among-cards.jpg").to_str().expect("a name")]);
    assert_eq!(nothing.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&nothing.stderr).contains("--ruler"));
}
