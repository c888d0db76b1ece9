//! Changes to a piece against shapely, which makes them its own way.
//!
//! Needs a Python with shapely (`CLOTHLINE_PYTHON`, else `python3`). Without it the check says so and passes, except on CI.

#[path = "support/garments.rs"]
mod garments;

use std::path::Path;
use std::process::Command;

use clothline::draft::changes::{self, Change};
use clothline::draft::shape::{Shape, ShapeEdge};
use clothline::path;
use clothline::units::MatPoint;
use garments::{Body, TEE, TROUSERS};
use kurbo::BezPath;
use serde_json::{Value, json};

fn made(shape: &Shape, step: Value) -> Shape {
    let steps: Vec<Change> = vec![serde_json::from_value(step).unwrap()];
    changes::apply(shape, &steps, &|_| Ok(shape.clone())).unwrap()
}

fn edge<'a>(shape: &'a Shape, name: &str) -> &'a ShapeEdge {
    &shape.edges[shape.find(&name.into()).unwrap()]
}

/// Points along a path, by length, close enough together for any check here.
fn points(path: &BezPath) -> Vec<MatPoint> {
    let length = path::length(path);
    let count = 4000;
    (0..=count)
        .map(|k| path::point_at(path, path::spot_at(path, length * f64::from(k) / f64::from(count)).unwrap()).into())
        .collect()
}

fn told() -> Value {
    let leaning = Body { turn_deg: 7.0, at: (40.0, -30.0), ..TEE }.shape();
    let fold = edge(&leaning, "fold");
    let tee = TEE.shape();
    let line = json!([[40, 330], [120, 350], [230, 400]]);
    let part = |holding: &str| made(&tee, json!({"part": {"line": line, "holding": holding, "name": "yoke"}}));
    let (below, above) = (part("hem"), part("shoulder"));
    // Shapely splits only by a line that reaches beyond the piece.
    let mut yoke = points(&edge(&below, "yoke").path);
    let (first, last) = (yoke[0] + (yoke[0] - yoke[1]) * 50.0, yoke[4000] + (yoke[4000] - yoke[3999]) * 50.0);
    yoke.insert(0, first);
    yoke.push(last);
    let leg = TROUSERS.shape();
    let wide = made(&leg, json!({"move-edge": {"edge": "inseam", "out": 20}}));
    let out = made(&leg, json!({"let-out": {"edge": "waist", "relaxed": 700, "stretched": 900, "level": 200}}));
    let short = made(&leg, json!({"shorten-leg": {"inseam": "13in"}}));
    let length_of = |shape: &Shape, name: &str| json!({"length": edge(shape, name).length_mm(), "points": points(&edge(shape, name).path)});
    json!({
        "unfold": {
            "before": leaning.ring(), "after": changes::unfold(&leaning).unwrap().ring(), "fold": [fold.from(), fold.to()],
        },
        "part": {"before": tee.ring(), "line": yoke, "below": below.ring(), "above": above.ring()},
        "scale": {
            "before": tee.ring(), "percent": [4.0, -3.0],
            "after": made(&tee, json!({"scale": {"length": 4.0, "width": -3.0}})).ring(),
        },
        "move-edge": {
            "edge": points(&edge(&leg, "inseam").path), "moved": points(&edge(&wide, "inseam").path), "out": 20.0,
        },
        "lengths": {
            "waist let out": length_of(&out, "waist"), "outseam let out": length_of(&out, "outseam"),
            "outseam": length_of(&leg, "outseam"), "hem": length_of(&short, "hem"),
        },
    })
}

#[test]
fn shapely_makes_the_same_changes() {
    let python = std::env::var("CLOTHLINE_PYTHON").unwrap_or_else(|_| "python3".into());
    if !Command::new(&python).args(["-c", "import shapely"]).output().is_ok_and(|o| o.status.success()) {
        assert!(std::env::var_os("CI").is_none(), "shapely is missing");
        eprintln!("NOT CHECKED by shapely: it is missing");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("changes.json");
    std::fs::write(&file, told().to_string()).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/judge_changes.py");
    let run = Command::new(python).arg(script).arg(&file).output().unwrap();
    let told = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success() && told.contains("checked"), "{told}");
    println!("{told}");
}
