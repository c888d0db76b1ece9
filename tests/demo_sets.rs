//! The demo sets from their photos to finished pieces, held against the patterns the garments were modelled from.
//!
//! Truth: `sample-photos/sets/NAME/pattern.truth.json`, written by the generator that modelled the garments. Bars:
//! stitching line 95 % within 1 mm, pairs within 1.5 mm, finished measurements within their own doubt.

use std::path::{Path, PathBuf};
use std::process::Command;

use nalgebra::{Matrix2, Vector2};
use serde_json::Value;

type Points = Vec<Vector2<f64>>;

fn copied(set: &str, into: &Path) -> PathBuf {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/sets").join(set);
    let to = into.join(set);
    std::fs::create_dir_all(to.join("photos")).expect("a folder");
    std::fs::copy(from.join("set.json"), to.join("set.json")).expect("set.json");
    for entry in std::fs::read_dir(from.join("photos")).expect("photos").flatten() {
        if entry.path().extension().is_some_and(|e| e == "jpg") {
            std::fs::copy(entry.path(), to.join("photos").join(entry.file_name())).expect("a photo");
        }
    }
    to
}

fn make(folder: &Path, options: &[&str]) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .arg("make")
        .arg(folder)
        .args(["--json", "--only", "json,makesheet"])
        .args(options)
        .output()
        .expect("the program runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).expect("a file")).expect("JSON")
}

fn points(value: &Value) -> Points {
    let number = |v: &Value, i: usize| v[i].as_f64().expect("a number");
    value.as_array().expect("points").iter().map(|p| Vector2::new(number(p, 0), number(p, 1))).collect()
}

/// The truth's stitching line; whole across its fold where `whole`.
fn truth_ring(piece: &Value, whole: bool) -> Points {
    let edges = piece["edges"].as_array().expect("edges");
    let fold = edges.iter().position(|e| e["role"] == "fold");
    let ring = |skip_fold: bool| -> Points {
        let start = fold.map_or(0, |f| f + 1);
        (0..edges.len())
            .map(|k| (start + k) % edges.len())
            .filter(|i| !(skip_fold && Some(*i) == fold))
            .flat_map(|i| points(&edges[i]["points"]))
            .collect()
    };
    let Some(fold) = fold.filter(|_| whole) else { return ring(false) };
    let line = points(&edges[fold]["points"]);
    let (a, along) = (line[0], (line[line.len() - 1] - line[0]).normalize());
    let half = ring(true);
    let mirrored = half.iter().rev().map(|p| a + along * (2.0 * (p - a).dot(&along)) - (p - a));
    half.iter().copied().chain(mirrored).collect()
}

fn nearest(ring: &Points, p: Vector2<f64>) -> Vector2<f64> {
    let sides = ring.iter().zip(ring.iter().cycle().skip(1));
    let on = |(a, b): (&Vector2<f64>, &Vector2<f64>)| {
        let d = b - a;
        let t = if d.norm_squared() > 0.0 { ((p - a).dot(&d) / d.norm_squared()).clamp(0.0, 1.0) } else { 0.0 };
        a + d * t
    };
    sides.map(on).min_by(|x, y| (x - p).norm().total_cmp(&(y - p).norm())).expect("a ring")
}

/// The points laid on the ring, turned and shifted only (a pattern may lie anywhere): iterated closest points.
fn laid_on(made: &Points, truth: &Points) -> Points {
    let mean = |p: &Points| p.iter().sum::<Vector2<f64>>() / p.len() as f64;
    let mut laid: Points = made.iter().map(|p| p + mean(truth) - mean(made)).collect();
    for _ in 0..60 {
        let onto: Points = laid.iter().map(|p| nearest(truth, *p)).collect();
        let (ca, cb) = (mean(&laid), mean(&onto));
        let cross: Matrix2<f64> = laid.iter().zip(&onto).map(|(a, b)| (b - cb) * (a - ca).transpose()).sum();
        let angle = (cross[(1, 0)] - cross[(0, 1)]).atan2(cross[(0, 0)] + cross[(1, 1)]);
        let turn = Matrix2::new(angle.cos(), -angle.sin(), angle.sin(), angle.cos());
        laid = laid.iter().map(|p| turn * (p - ca) + cb).collect();
    }
    laid
}

fn sampled(ring: &Points) -> Points {
    let mut all = Points::new();
    for (a, b) in ring.iter().zip(ring.iter().cycle().skip(1)) {
        let parts = ((b - a).norm() / 1.0).ceil().max(1.0) as usize;
        all.extend((0..parts).map(|k| a + (b - a) * (k as f64 / parts as f64)));
    }
    all
}

/// Distances of a finished piece's stitching line from the truth: median, 95 %, worst, mm.
fn apart(piece: &Value, truth: &Value) -> [f64; 3] {
    let whole =
        piece["fold"].is_null() && truth["edges"].as_array().is_some_and(|e| e.iter().any(|e| e["role"] == "fold"));
    let ring = truth_ring(truth, whole);
    let laid = laid_on(&sampled(&points(&piece["stitching_line"])), &ring);
    let mut away: Vec<f64> = laid.iter().map(|p| (p - nearest(&ring, *p)).norm()).collect();
    away.sort_by(f64::total_cmp);
    let rank = |share: f64| away[((share * away.len() as f64) as usize).min(away.len() - 1)];
    [rank(0.5), rank(0.95), rank(1.0)]
}

/// Makes a set, prints the table, and checks pieces and pairs; `named` are pairs of (finished piece, truth piece).
fn check(set: &str, named: &[(&str, &str)]) -> (Value, Value) {
    let folder = tempfile::tempdir().expect("a folder");
    let here = copied(set, folder.path());
    let before = std::fs::read(here.join("set.json")).expect("set.json");
    let told = make(&here, &["--true"]);
    assert_eq!(std::fs::read(here.join("set.json")).expect("set.json"), before, "set.json was touched");
    let sheet = std::fs::read_to_string(here.join("out/makesheet.html")).expect("a make sheet");
    assert!(!sheet.to_lowercase().contains("do not agree"), "{set}: {sheet}");
    let pattern = json(&here.join("out/pattern.json"));
    let truth =
        json(&Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/sets").join(set).join("pattern.truth.json"));
    let find = |all: &Value, name: &str| -> Value {
        all["pieces"]
            .as_array()
            .expect("pieces")
            .iter()
            .find(|p| p["name"] == name)
            .unwrap_or_else(|| panic!("{name}"))
            .clone()
    };
    println!("{set}: stitching line against the pattern it was sewn from, mm (median, 95 %, worst)");
    for (made, modelled) in named {
        let [median, most, worst] = apart(&find(&pattern, made), &find(&truth, modelled));
        println!("  {made:16} {median:5.2} {most:5.2} {worst:5.2}");
        assert!(most <= 1.0, "{set}/{made}: 95 % within {most:.2} mm");
    }
    for seam in told["checks"]["seams"].as_array().expect("seams") {
        println!("  {}: {:.1} mm apart", seam["seam"], seam["difference_mm"].as_f64().expect("a number"));
        assert_eq!(seam["fits"], true, "{seam}");
        let wanted = &seam["wanted_mm"];
        let apart = seam["difference_mm"].as_f64().expect("a number");
        assert!(wanted[0].as_f64() <= Some(apart) && Some(apart) <= wanted[1].as_f64(), "{seam}");
    }
    (told, truth)
}

/// A finished measurement holds the truth within its own doubt.
fn holds(told: &Value, name: &str, truth_mm: f64) {
    let rows = told["checks"]["measures"].as_array().expect("measures");
    let row = rows.iter().find(|r| r["name"] == name).unwrap_or_else(|| panic!("no {name} in {rows:?}"));
    let (length, doubt) = (row["length_mm"].as_f64().expect("mm"), row["doubt_mm"].as_f64().expect("mm"));
    println!("  {name}: {length:.1} mm for {truth_mm:.1}, give or take {doubt:.1}");
    assert!((length - truth_mm).abs() <= doubt, "{name}: {length} for {truth_mm}, doubt {doubt}");
}

#[test]
fn harbour_tee() {
    let (told, truth) = check("harbour-tee", &[("front", "front"), ("back", "back"), ("sleeve", "sleeve")]);
    let measures = &truth["measures"];
    for (name, key) in [
        ("chest", "chest_mm"),
        ("length", "length_mm"),
        ("shoulder", "shoulder_mm"),
        ("sleeve", "sleeve_middle_mm"),
        ("neckline", "neck_opening_mm"),
    ] {
        holds(&told, name, measures[key].as_f64().expect(key));
    }
    // Three necklines on one body, each a piece of its own, their other edges the same.
    let pieces: Vec<&str> = told["pieces"].as_array().expect("pieces").iter().filter_map(Value::as_str).collect();
    for name in ["front", "front V", "front wide", "back", "back V", "back wide", "sleeve", "neckband"] {
        assert!(pieces.contains(&name), "{name} of {pieces:?}");
    }
    assert_eq!(told["checks"]["tape"][0]["agrees"], true);
}

#[test]
fn orchard_trousers() {
    // The photos show the waist drawn in by its elastic; it is let out.
    let (told, truth) = check("orchard-trousers", &[("front", "front"), ("back", "back")]);
    let measures = &truth["measures"];
    for (name, key) in [
        ("waist relaxed", "waist_relaxed_mm"),
        ("waist stretched", "waist_stretched_mm"),
        ("front rise", "front_rise_mm"),
        ("back rise", "back_rise_mm"),
        ("inseam", "inseam_mm"),
        ("outseam", "outseam_mm"),
    ] {
        holds(&told, name, measures[key].as_f64().expect(key));
    }
}

#[test]
fn workshop_smock() {
    let (told, truth) = check("workshop-smock", &[("front", "front"), ("sleeve", "sleeve")]);
    let measures = &truth["measures"];
    for (name, key) in
        [("chest", "chest_mm"), ("length", "length_mm"), ("shoulder", "shoulder_mm"), ("sleeve hem", "sleeve_hem_mm")]
    {
        holds(&told, name, measures[key].as_f64().expect(key));
    }
}

/// A tape that says otherwise is a probable scale fault, said so; the set is still made.
#[test]
fn a_tape_that_disagrees_is_flagged() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = copied("workshop-smock", folder.path());
    let mut set = json(&here.join("set.json"));
    set["tape"] = serde_json::json!([{ "measure": "chest", "length": "110cm" }, { "measure": "front/shoulder", "length": "15cm" }]);
    std::fs::write(here.join("set.json"), set.to_string()).expect("written");
    let told = make(&here, &[]);
    assert_eq!(told["checks"]["tape"][0]["agrees"], false);
    assert_eq!(told["checks"]["tape"][1]["agrees"], true);
    let warned = told["warnings"].as_array().expect("warnings").iter().filter_map(Value::as_str);
    assert!(warned.filter(|w| w.contains("scale")).any(|w| w.contains("110") || w.contains("1100")), "{told}");
    // What was traced is kept: the second time nothing is traced again.
    let kept = std::fs::metadata(here.join("pieces/half.traced.json")).expect("kept").modified().expect("a time");
    make(&here, &[]);
    assert_eq!(
        std::fs::metadata(here.join("pieces/half.traced.json")).expect("kept").modified().expect("a time"),
        kept
    );
}

/// The demo sets' own pieces, 20 copies: at least 78 % of the cloth used, and shorter than shelf packing, with the work of
/// 10 seconds on 2 cores (counted in queries, so that a busy machine changes nothing). Overlap and containment are judged
/// by shapely in `lay_plans.rs`, with the same planner.
#[test]
fn twenty_demo_pieces_use_the_cloth_well() {
    use clothline::lay::{self, Cloth, LayRequest, copies::CutPiece, nest::Effort};
    let folder = tempfile::tempdir().expect("a folder");
    let sets = ["harbour-tee", "orchard-trousers", "workshop-smock"].map(|set| copied(set, folder.path()));
    make(&sets[0], &["--true", "--variation", "round neck"]);
    make(&sets[1], &["--true"]);
    make(&sets[2], &["--true"]);
    let mut pieces = Vec::new();
    for set in &sets {
        let text = std::fs::read_to_string(set.join("out/pattern.json")).expect("a pattern");
        let pattern = clothline::pattern_file::read(&text).expect("a pattern");
        pieces.extend(pattern.pieces.iter().map(|p| CutPiece { fabric: "self".into(), ..CutPiece::new(p) }));
    }
    for centimetres in [140.0, 150.0] {
        let request = LayRequest {
            width: clothline::units::Length::from_mm(10.0 * centimetres),
            cloth: Cloth::Flat,
            nap: false,
            gap_mm: 3.0,
            effort: Effort { seed: 1, queries: 10 * lay::QUERIES_PER_SECOND },
        };
        let started = std::time::Instant::now();
        let plan = lay::plan("self", &pieces, &request, &|_, _| true).expect("a plan");
        println!(
            "20 pieces on {centimetres} cm: {:.1} % used, {:.0} mm; shelf by shelf {:.0} mm ({:.1} % saved); bound {:.0} mm; {:.1} s",
            plan.use_percent,
            plan.length_mm,
            plan.shelf_length_mm,
            100.0 * (1.0 - plan.length_mm / plan.shelf_length_mm),
            plan.area_bound_mm,
            started.elapsed().as_secs_f64()
        );
        assert_eq!(plan.laid.len(), 20);
        assert!(plan.use_percent >= 78.0, "{centimetres} cm: {} %", plan.use_percent);
        assert!(plan.area_bound_mm <= plan.length_mm && plan.length_mm < plan.shelf_length_mm);
    }
}

/// From within its own folder as from outside: what is said of the photo tells one tracing from another.
#[test]
fn another_thickness_is_another_tracing_wherever_the_set_is_made_from() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = copied("harbour-tee", folder.path());
    let hem = |thickness: &str, from: &Path, set: &Path| {
        let mut file = json(&here.join("set.json"));
        file["pieces"] = serde_json::json!([{
            "name": "sleeve", "kind": "half-sleeve", "photo": { "file": "photos/sleeve.jpg", "thickness": thickness },
        }]);
        file["tape"] = serde_json::json!([]);
        std::fs::write(here.join("set.json"), file.to_string()).expect("written");
        let made = Command::new(env!("CARGO_BIN_EXE_clothline"))
            .current_dir(from)
            .arg("make")
            .arg(set)
            .args(["--only", "json", "-q"])
            .status()
            .expect("the program runs");
        assert!(made.success());
        json(&here.join("pieces/sleeve.traced.json"))["made_from"].clone()
    };
    let thin = hem("2.5mm", &here, Path::new("."));
    assert_ne!(hem("25mm", &here, Path::new(".")), thin);
    assert_eq!(hem("2.5mm", folder.path(), &here), thin);
}
