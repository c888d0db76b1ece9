//! Sets from drawn outlines through the real program: what is asked for is done, what cannot be is said, nothing is
//! overwritten.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::{Value, json};

/// A half front with its fold at the left, mm.
const FRONT: [[f64; 2]; 7] =
    [[0.0, 0.0], [250.0, 0.0], [250.0, 400.0], [205.0, 430.0], [215.0, 590.0], [90.0, 630.0], [0.0, 540.0]];
/// Its back: the same but for the neck.
const BACK: [[f64; 2]; 7] =
    [[0.0, 0.0], [250.0, 0.0], [250.0, 400.0], [205.0, 430.0], [215.0, 590.0], [90.0, 630.0], [0.0, 615.0]];

struct Set {
    folder: tempfile::TempDir,
    file: Value,
}

impl Set {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        for (name, outline) in [("front", FRONT), ("back", BACK)] {
            let text = json!({ "units": "mm", "outline": outline }).to_string();
            std::fs::write(folder.path().join(format!("{name}.json")), text).expect("an outline");
        }
        let file = json!({
            "format": "clothline-set", "version": 1, "name": "Drawn tee", "date": "May",
            "pieces": [
                { "name": "front", "outline": "front.json", "kind": "half-front" },
                { "name": "back", "outline": "back.json", "kind": "half-back" },
            ],
        });
        Self { folder, file }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().to_path_buf()
    }

    fn run(&self, options: &[&str]) -> Output {
        std::fs::write(self.path().join("set.json"), self.file.to_string()).expect("set.json");
        make(&self.path(), options)
    }

    fn made(&self, options: &[&str]) -> Value {
        let output = self.run(&[&["--json", "--only", "json"], options].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).expect("JSON")
    }

    fn pattern(&self) -> Value {
        serde_json::from_slice(&std::fs::read(self.path().join("out/pattern.json")).expect("a pattern")).expect("JSON")
    }

    /// Refused with these words, and nothing written.
    fn refused(&self, words: &[&str]) {
        let output = self.run(&["--only", "json"]);
        let said = String::from_utf8_lossy(&output.stderr).to_string();
        assert!(matches!(output.status.code(), Some(2..=4)), "{:?}: {said}", output.status);
        for word in words {
            assert!(said.contains(word), "\"{word}\" is not in: {said}");
        }
        assert!(said.contains("what to do"), "{said}");
        assert!(!self.path().join("out").exists(), "something was written");
    }
}

fn make(folder: &Path, options: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_clothline")).arg("make").arg(folder).args(options).output().expect("it runs")
}

fn edge<'a>(pattern: &'a Value, piece: usize, name: &str) -> &'a Value {
    let edges = pattern["pieces"][piece]["edges"].as_array().expect("edges");
    edges.iter().find(|e| e["name"] == name).unwrap_or_else(|| panic!("{name}: {edges:?}"))
}

#[test]
fn roles_allowances_and_labels_follow() {
    let set = Set::new();
    let told = set.made(&[]);
    let pattern = set.pattern();
    for (name, allowance) in [("hem", 25.4), ("side-seam", 12.7), ("fold", 0.0), ("neckline", 12.7)] {
        assert_eq!(edge(&pattern, 0, name)["allowance_mm"].as_f64(), Some(allowance), "{name}");
    }
    let lines = pattern["pieces"][0]["label"]["lines"].to_string();
    for words in ["front", "Cut 1 on fold", "Drawn tee, May", "Piece 1 of 2", "1/2 in (12.7 mm) included"] {
        assert!(lines.contains(words), "{words}: {lines}");
    }
    // Shoulder and side pairs were found from the roles; both are equal by construction.
    let seams = told["checks"]["seams"].as_array().expect("seams");
    assert_eq!(seams.len(), 2);
    assert!(seams.iter().all(|s| s["fits"] == true && s["difference_mm"].as_f64().expect("mm").abs() < 1e-6));
}

#[test]
fn a_casing_is_as_wide_as_its_elastic_and_room() {
    let mut set = Set::new();
    set.file["allowances"] = json!({ "hem": { "elastic": "25mm" }, "seam": "1cm", "side-seam": 8 });
    set.made(&[]);
    let pattern = set.pattern();
    for (name, allowance) in [("hem", 37.0), ("shoulder", 10.0), ("side-seam", 8.0)] {
        assert_eq!(edge(&pattern, 0, name)["allowance_mm"].as_f64(), Some(allowance), "{name}");
    }
}

#[test]
fn notches_of_a_pair_stand_at_equal_distances_single_in_front_double_behind() {
    let mut set = Set::new();
    set.file["pairs"] = json!([
        { "sew": ["front/side-seam", "back/side-seam"], "notches": [{ "at": "13in", "from": "hem" }] },
    ]);
    set.made(&[]);
    let pattern = set.pattern();
    for (piece, kind, strokes) in [(0, "single", 1), (1, "double", 2)] {
        let notch = &pattern["pieces"][piece]["notches"][0];
        assert_eq!(notch["kind"], kind);
        assert_eq!(notch["strokes"].as_array().expect("strokes").len(), strokes);
        assert!((notch["from_start_mm"].as_f64().expect("mm") - 330.2).abs() < 1e-6, "{notch}");
    }
}

#[test]
fn drawn_whole_it_is_both_halves() {
    let mut set = Set::new();
    set.made(&[]);
    let half = set.pattern();
    set.file["pieces"][0]["draw"] = json!("whole");
    set.made(&[]);
    let whole = set.pattern();
    let area = |p: &Value, line: &str| {
        let ring: Vec<[f64; 2]> = serde_json::from_value(p["pieces"][0][line].clone()).expect("a ring");
        let next = ring.iter().cycle().skip(1);
        ring.iter().zip(next).map(|(a, b)| 0.5 * (a[0] * b[1] - a[1] * b[0])).sum::<f64>()
    };
    for line in ["stitching_line", "cut_line"] {
        assert!((area(&whole, line) - 2.0 * area(&half, line)).abs() < 1e-3, "{line}");
    }
    // The hem runs on across the fold as one edge; the V of the neck stays two.
    assert!((edge(&whole, 0, "hem")["length_mm"].as_f64().expect("mm") - 500.0).abs() < 1e-6);
    assert!(whole["pieces"][0]["fold"].is_null());
    let _ = edge(&whole, 0, "neckline 2");
    assert!(!whole["pieces"][0]["label"]["lines"].to_string().contains("on fold"));
}

#[test]
fn truing_shares_a_small_difference_out_and_says_so() {
    let mut set = Set::new();
    set.file["pieces"][1]["changes"] = json!([{ "move-edge": { "edge": "hem", "out": "2mm" } }]);
    let told = set.made(&[]);
    let side = |told: &Value| {
        let seams = told["checks"]["seams"].as_array().expect("seams").clone();
        seams.into_iter().find(|s| s["seam"].as_str().is_some_and(|n| n.contains("side-seam"))).expect("the side seam")
    };
    assert_eq!(side(&told)["fits"], false);
    assert!((side(&told)["difference_mm"].as_f64().expect("mm") - 2.0).abs() < 1e-3);
    assert!(told["warnings"].to_string().contains("--true"));
    let trued = set.made(&["--true"]);
    assert_eq!(side(&trued)["fits"], true);
    assert!(side(&trued)["difference_mm"].as_f64().expect("mm").abs() < 1e-3);
    assert!(trued["checks"]["moved"].to_string().contains("1.00 mm longer at the hem"), "{}", trued["checks"]["moved"]);
}

#[test]
fn shrinkage_makes_the_piece_larger() {
    let mut set = Set::new();
    set.file["shrinkage"] = json!({ "length": 5.0, "width": 0.0 });
    set.made(&[]);
    let pattern = set.pattern();
    let fold = edge(&pattern, 0, "fold")["length_mm"].as_f64().expect("mm");
    assert!((fold * 0.95 - 540.0).abs() < 1e-6, "{fold}");
    assert!((edge(&pattern, 0, "hem")["length_mm"].as_f64().expect("mm") - 250.0).abs() < 1e-6);
}

#[test]
fn what_cannot_be_is_refused_by_name() {
    let change = |change: &dyn Fn(&mut Value), words: &[&str]| {
        let mut set = Set::new();
        change(&mut set.file);
        set.refused(words);
    };
    change(&|f| f["version"] = json!(2), &["version 2", "update"]);
    change(&|f| f["format"] = json!("other"), &["\"other\""]);
    change(&|f| f["pieces"] = json!([]), &["no pieces"]);
    change(&|f| f["pieces"][0]["kidn"] = json!("half-front"), &["pieces[0]", "kidn"]);
    change(&|f| f["pieces"][0]["allowances"] = json!({ "cuff": "1cm" }), &["front", "\"cuff\"", "side-seam"]);
    change(&|f| f["pieces"][0]["allowances"] = json!({ "hem": "banana" }), &["pieces[0].allowances", "such as"]);
    change(&|f| f["pieces"][0]["allowances"] = json!({ "seam": "30cm" }), &["front", "wider than the piece"]);
    change(&|f| f["pieces"][0]["notches"] = json!([{ "edge": "shoulder", "at": "5m" }]), &["front", "past its end"]);
    change(
        &|f| f["pieces"][0]["notches"] = json!([{ "edge": "shoulder", "at": "1cm", "from": "hem" }]),
        &["does not meet"],
    );
    change(&|f| f["pairs"] = json!([{ "sew": ["front/side-seam", "sleeve/cap"] }]), &["sleeve", "front, back"]);
    change(&|f| f["pairs"] = json!([{ "sew": ["front/cuff", "back/side-seam"] }]), &["front", "cuff"]);
    change(&|f| f["pieces"][1]["name"] = json!("front"), &["two pieces"]);
    change(&|f| f["pieces"][1]["name"] = json!("../back"), &["cannot be a piece's name"]);
    change(&|f| f["pieces"][1]["outline"] = json!("../back.json"), &["not within the set"]);
    change(&|f| f["pieces"][1]["outline"] = json!("gone.json"), &["back", "gone.json"]);
    change(&|f| f["pieces"][1] = json!({ "name": "x", "of": "y" }), &["\"y\"", "front"]);
    change(
        &|f| f["pieces"] = json!([{ "name": "x", "of": "y" }, { "name": "y", "of": "x" }]),
        &["made from one another"],
    );
    change(&|f| f["allowances"] = json!({ "collar": "1cm" }), &["collar", "role"]);
    for count in [0_u32, 100, 100_000_000] {
        change(&|f| f["pieces"][0]["cut"] = json!({ "count": count }), &["front", "cut", "times", "1 to 99"]);
    }
    change(&|f| f["allowances"] = json!({ "seam": 1e300 }), &["allowances.seam"]);
    change(&|f| f["pieces"][0]["kind"] = json!("hat"), &["pieces[0].kind", "\"hat\" is not known there", "half-front"]);
    change(&|f| f["pieces"][1]["of"] = json!("back"), &["more than one thing", "exactly one"]);
    change(&|f| f["shrinkage"] = json!({ "length": 80 }), &["shrinkage"]);
    change(&|f| f["tape"] = json!([{ "measure": "wingspan", "length": "1m" }]), &["wingspan", "chest"]);
    change(
        &|f| f["pieces"][0]["changes"] = json!([{ "move-edge": { "edge": "hem", "in": "2m" } }]),
        &["front", "change 1 (move-edge)"],
    );
}

#[test]
fn a_folder_without_a_set_says_what_a_set_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = make(folder.path(), &[]);
    assert_eq!(output.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&output.stderr).contains("set.json"));
    std::fs::write(folder.path().join("set.json"), "{ \"format\": ").expect("written");
    let output = make(folder.path(), &[]);
    assert_eq!(output.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&output.stderr).contains("line 1"));
}

/// The same set twice: nothing is made again, and a made file is left byte for byte.
#[test]
fn unchanged_parts_are_not_rebuilt() {
    let set = Set::new();
    let first = set.run(&["--json", "--only", "svg,png,json"]);
    assert!(first.status.success(), "{}", String::from_utf8_lossy(&first.stderr));
    let again: Value = serde_json::from_slice(&set.run(&["--json", "--only", "svg,png,json"]).stdout).expect("JSON");
    let kinds = again["unchanged"].as_array().expect("kinds").len();
    assert_eq!(kinds, 3, "{again}");
}

#[test]
fn values_can_be_given_on_the_command_line_for_once() {
    let set = Set::new();
    set.made(&["--with", "allowances.hem=2in", "--with", "back.allowances={\"neckline\": \"6mm\"}"]);
    let pattern = set.pattern();
    assert_eq!(edge(&pattern, 0, "hem")["allowance_mm"].as_f64(), Some(50.8));
    assert_eq!(edge(&pattern, 1, "neckline")["allowance_mm"].as_f64(), Some(6.0));
    let kept: Value =
        serde_json::from_slice(&std::fs::read(set.path().join("set.json")).expect("set.json")).expect("JSON");
    assert_eq!(kept, set.file);
    let output = set.run(&["--with", "front.draw=round", "--only", "json"]);
    assert_eq!(output.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&output.stderr).contains("pieces[0].draw"));
}

/// An eased stretch begins and ends at notches; the longer edge's second notch is further along by the ease.
#[test]
fn notches_mark_where_ease_begins_and_ends() {
    let mut set = Set::new();
    set.file["pieces"][1]["changes"] = json!([{ "move-edge": { "edge": "hem", "out": "6mm" } }]);
    set.file["notches"] = json!({ "shape": "triangle", "depth": "4mm" });
    set.file["pairs"] = json!([{
        "sew": ["front/side-seam", "back/side-seam"], "ease": "6mm",
        "eased_between": { "begin": "10cm", "end": "20cm", "from": "armhole" },
    }]);
    let told = set.made(&[]);
    assert_eq!(told["checks"]["seams"][0]["fits"], true);
    let pattern = set.pattern();
    let from_armhole = |piece: usize| -> Vec<f64> {
        let length = edge(&pattern, piece, "side-seam")["length_mm"].as_f64().expect("mm");
        let notches = pattern["pieces"][piece]["notches"].as_array().expect("notches");
        notches.iter().map(|n| length - n["from_start_mm"].as_f64().expect("mm")).collect()
    };
    for (piece, truth) in [(0, [100.0, 200.0]), (1, [100.0, 206.0])] {
        for (found, truth) in from_armhole(piece).iter().zip(truth) {
            assert!((found - truth).abs() < 1e-3, "{piece}: {found} for {truth}");
        }
    }
    // Triangles: two strokes to one tip, 4 mm deep.
    let strokes = pattern["pieces"][0]["notches"][0]["strokes"].as_array().expect("strokes").clone();
    assert_eq!(strokes.len(), 2);
    assert_eq!(strokes[0][1], strokes[1][1]);
    set.file["notches"] = json!({ "depth": "8mm" });
    let output = set.run(&["--only", "json"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("half or more"));
}

/// Loose trousers whose outseam lies on the front, 4 cm from the folded edge: the strip goes from the front to the back.
#[test]
fn a_seam_that_is_not_at_the_fold_moves_its_strip() {
    let mut set = Set::new();
    // Hem and knee have one middle, so that the leg stands as it is drawn. Both fold at the left; the true seam runs 40 mm inside the front's folded edge.
    let leg = json!({ "units": "mm", "outline": [[0, 0], [220, 0], [220, 350], [290, 700], [230, 950], [0, 950]] });
    for name in ["front", "back"] {
        std::fs::write(set.path().join(format!("{name}.json")), leg.to_string()).expect("an outline");
    }
    let line = json!([[40, 0], [40, 950]]);
    set.file["pieces"] = json!([
        { "name": "front", "outline": "front.json", "kind": "trouser-front", "fold": "none",
          "changes": [{ "give-strip": { "edge": "outseam", "line": line } }] },
        { "name": "back", "outline": "back.json", "kind": "trouser-back", "fold": "none",
          "changes": [{ "take-strip": { "from": "front", "edge": "outseam", "line": line, "onto": "outseam" } }] },
    ]);
    let told = set.made(&[]);
    let pattern = set.pattern();
    let area = |piece: usize| {
        let ring: Vec<[f64; 2]> =
            serde_json::from_value(pattern["pieces"][piece]["stitching_line"].clone()).expect("a ring");
        let next = ring.iter().cycle().skip(1);
        ring.iter().zip(next).map(|(a, b)| 0.5 * (a[0] * b[1] - a[1] * b[0])).sum::<f64>()
    };
    let whole = 220.0 * 950.0 + 0.5 * 70.0 * 350.0 + 0.5 * 250.0 * (70.0 + 10.0);
    // Its curve tilts the middle of the leg, and with it the frame, by a fraction of a degree.
    let moved = 40.0 * 950.0;
    // The gentle turn at the knee is drawn as a curve.
    assert!((area(0) + area(1) - 2.0 * whole).abs() < 0.001 * whole, "{} and {}", area(0), area(1));
    assert!((area(1) - area(0) - 2.0 * moved).abs() < 0.05 * moved, "{} and {}", area(0), area(1));
    let seams = told["checks"]["seams"].as_array().expect("seams");
    let out = seams.iter().find(|s| s["seam"].as_str().is_some_and(|n| n.contains("outseam"))).expect("the outseam");
    assert_eq!(out["fits"], true, "{out}");
}

/// What a change makes of a piece may cross itself: refused with the place.
#[test]
fn a_result_that_crosses_itself_is_refused() {
    let mut set = Set::new();
    set.file["pieces"][0]["changes"] =
        json!([{ "redraw": { "edge": "hem", "through": [[0, 0], [120, 700], [250, 0]], "smooth": false } }]);
    set.refused(&["front", "change 1 (redraw)", "crosses itself"]);
}

/// Without kinds and telling names the shallower neckline is the back's (common practice, no source); a person can say
/// otherwise.
#[test]
fn front_and_back_are_told_apart_by_the_neckline() {
    let mut set = Set::new();
    let notches = json!([{ "edge": "side-seam", "at": "10cm" }]);
    set.file["pieces"] = json!([
        { "name": "one", "outline": "front.json", "notches": notches },
        { "name": "two", "outline": "back.json", "notches": notches },
    ]);
    let kinds = |set: &Set| {
        let pattern = set.pattern();
        [0, 1].map(|i| pattern["pieces"][i]["notches"][0]["kind"].as_str().unwrap_or_default().to_string())
    };
    let warned = |told: &Value| told["warnings"].to_string().contains("taken for the back");
    let told = set.made(&[]);
    assert_eq!(kinds(&set), ["single", "double"]);
    assert!(warned(&told), "{}", told["warnings"]);
    assert_eq!(told["checks"]["seams"].as_array().map(Vec::len), Some(2));
    set.file["pieces"][0]["kind"] = json!("half-back");
    set.file["pieces"][1]["kind"] = json!("half-front");
    let told = set.made(&[]);
    assert_eq!(kinds(&set), ["double", "single"]);
    assert!(!warned(&told));
    // A kind outweighs a name.
    set.file["pieces"][0]["name"] = json!("front");
    set.file["pieces"][1]["name"] = json!("back");
    set.made(&[]);
    assert_eq!(kinds(&set), ["double", "single"]);
}

/// A sleeve on its fold between armholes of different length: one balance notch serves both, at the same distance from the
/// underarm as on the armholes, and the shoulder point is told to lie off the fold by half the difference; drawn whole it is
/// notched there.
#[test]
fn a_sleeve_between_unlike_armholes_is_notched_where_they_meet_it() {
    let mut set = Set::new();
    // Straight armholes of 193.2 and 185.3 mm, a straight cap of 190.9.
    let front = [[0.0, 0.0], [250.0, 0.0], [250.0, 400.0], [215.0, 590.0], [90.0, 630.0], [0.0, 540.0]];
    let back = [[0.0, 0.0], [250.0, 0.0], [250.0, 400.0], [215.0, 582.0], [90.0, 622.0], [0.0, 607.0]];
    let sleeve = [[0.0, 0.0], [140.0, 0.0], [150.0, 110.0], [0.0, 228.0]];
    for (name, outline) in [("front", json!(front)), ("back", json!(back)), ("sleeve", json!(sleeve))] {
        let text = json!({ "units": "mm", "outline": outline }).to_string();
        std::fs::write(set.path().join(format!("{name}.json")), text).expect("an outline");
    }
    let pieces = set.file["pieces"].as_array_mut().expect("pieces");
    pieces.push(json!({ "name": "sleeve", "outline": "sleeve.json", "kind": "half-sleeve" }));
    let (one, other) = (35f64.hypot(190.0), 35f64.hypot(182.0));
    let told = set.made(&[]);
    let pattern = set.pattern();
    for (piece, kind) in [(0, "single"), (1, "double"), (2, "single")] {
        let notches = pattern["pieces"][piece]["notches"].as_array().expect("notches");
        assert_eq!(notches.len(), 1, "{notches:?}");
        assert_eq!(notches[0]["kind"], kind);
        let along = notches[0]["from_start_mm"].as_f64().expect("mm");
        assert!((along - (one + other) / 6.0).abs() < 0.2, "{along}");
    }
    assert!(told["warnings"].to_string().contains("3.9 mm behind its fold"), "{}", told["warnings"]);
    set.file["pieces"][2]["draw"] = json!("whole");
    let told = set.made(&[]);
    assert!(!told["warnings"].to_string().contains("its fold"), "{}", told["warnings"]);
    let pattern = set.pattern();
    let whole = &pattern["pieces"][2];
    let kinds: Vec<&str> =
        whole["notches"].as_array().expect("notches").iter().filter_map(|n| n["kind"].as_str()).collect();
    assert_eq!(kinds, ["single", "double", "single"]);
    // The half as traced lies on the right of the fold, its mirror image, the back, on the left.
    let x = |p: &Value| p[0].as_f64().expect("x");
    let line = whole["cut_line"].as_array().expect("a line");
    let (low, high) = line.iter().map(x).fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)));
    let shoulder = x(&whole["notches"][2]["strokes"][0][0]);
    assert!((-20.0..0.0).contains(&(shoulder - 0.5 * (low + high))), "{shoulder} between {low} and {high}");
}

/// An edge that a band is sewn to is a seam: as wide as other seams, and not finished again on the make sheet (common
/// practice, no source).
#[test]
fn what_a_band_is_sewn_to_is_not_hemmed() {
    let mut set = Set::new();
    set.file["allowances"] = json!({ "seam": "1cm", "hem": "3cm", "neckline": "6mm" });
    let edges = |name: &str| json!([{ "piece": "front", "edge": name }, { "piece": "back", "edge": name }]);
    let pieces = set.file["pieces"].as_array_mut().expect("pieces");
    pieces.push(json!({ "name": "neckband", "band": { "of": edges("neckline"), "ratio": 0.85, "height": "2cm" } }));
    let output = set.run(&["--only", "json,makesheet"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let sheet = std::fs::read_to_string(set.path().join("out/makesheet.html")).expect("a make sheet");
    assert!(sheet.contains("sew it on at the neckline, stretching evenly"), "{sheet}");
    assert!(!sheet.contains("Finish the neckline") && sheet.contains("Turn and stitch the hem of front"), "{sheet}");
    assert_eq!(edge(&set.pattern(), 0, "hem")["allowance_mm"].as_f64(), Some(30.0));
    assert_eq!(edge(&set.pattern(), 0, "neckline")["allowance_mm"].as_f64(), Some(6.0));
    let pieces = set.file["pieces"].as_array_mut().expect("pieces");
    pieces.push(json!({ "name": "hem band", "band": { "of": edges("hem"), "height": "5cm" } }));
    set.made(&[]);
    assert_eq!(edge(&set.pattern(), 0, "hem")["allowance_mm"].as_f64(), Some(10.0));
}
