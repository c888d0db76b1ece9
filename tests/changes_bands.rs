//! Bands and cuffs from measures and from the edges they join.

#[path = "support/garments.rs"]
mod garments;

use clothline::draft::band::Band;
use clothline::draft::changes;
use clothline::draft::shape::Shape;
use clothline::refusal::{Refusal, RefusalKind};
use clothline::seams::{self, Cutting, SeamRequest, StitchingEdge};
use clothline::units::Length;
use garments::TEE;
use serde_json::{Value, json};

fn pieces(name: &str) -> Result<Shape, Refusal> {
    match name {
        "front" => Ok(TEE.shape()),
        "whole front" => changes::unfold(&TEE.shape()),
        "back" => Ok(garments::Body { neck_depth: 25.0, ..TEE }.shape()),
        other => Err(Refusal::new(RefusalKind::BadRequest, format!("there is no piece \"{other}\""), "name a piece")),
    }
}

fn band(written: Value) -> Result<Shape, Refusal> {
    serde_json::from_value::<Band>(written).unwrap().shape(&pieces)
}

/// Width and height of a shape's box.
fn size(shape: &Shape) -> (f64, f64) {
    let ring = shape.ring();
    let span = |f: fn(&clothline::units::MatPoint) -> f64| {
        ring.iter().map(f).fold(f64::NEG_INFINITY, f64::max) - ring.iter().map(f).fold(f64::INFINITY, f64::min)
    };
    (span(|p| p.x), span(|p| p.y))
}

fn close(value: f64, truth: f64) {
    assert!((value - truth).abs() < 1e-6, "{value} against {truth}");
}

/// A cuff of 4 1/2 x 1 1/2 in finished, doubled both ways: 9 x 3 in stitched, 10 x 4 in cut with 1/2 in allowances;
/// worked by hand.
#[test]
fn a_cuff_doubled_both_ways() {
    let cuff = band(json!({"length": "4 1/2in", "height": "1 1/2in", "doubled": "both"})).unwrap();
    cuff.check("making").unwrap();
    let (wide, high) = size(&cuff);
    close(wide, 9.0 * 25.4);
    close(high, 3.0 * 25.4);
    let edges = cuff.edges.iter().map(|e| StitchingEdge {
        number: e.number,
        name: e.name.clone(),
        path: e.path.clone(),
        allowance_mm: 12.7,
        ..StitchingEdge::default()
    });
    let piece = seams::seam(&SeamRequest {
        name: "cuff".into(),
        edges: edges.collect(),
        fold: cuff.fold,
        notches: Vec::new(),
        grain_deg: None,
        size: None,
        cutting: Cutting { count: 2, ..Cutting::default() },
        lines: Vec::new(),
        stretch: None,
        allowance: Length::from_inches(0.5),
    })
    .unwrap();
    assert!((clothline::polygon::signed_area(&piece.cut_line) - 254.0 * 101.6).abs() < 0.01);
    assert!((clothline::polygon::perimeter(&piece.cut_line) - 2.0 * (254.0 + 101.6)).abs() < 1e-3);
}

/// A neckband of the same knit is 80 to 90 % of the opening (common practice, no source).
#[test]
fn a_neckband_from_the_edges_it_joins() {
    let opening = |name: &str| {
        let shape = pieces(name).unwrap();
        shape.edges[shape.find(&"neckline".into()).unwrap()].length_mm()
    };
    let round = 2.0 * (opening("front") + opening("back"));
    let of = json!([{"piece": "front", "edge": "neckline"}, {"piece": "back", "edge": "neckline"}]);
    let neckband = band(json!({"of": of, "ratio": 0.85, "height": "2cm", "doubled": "height"})).unwrap();
    let (wide, high) = size(&neckband);
    close(wide, 0.85 * round);
    close(high, 40.0);
    // An unfolded front is the whole edge once; a doubled length does not double what goes round already.
    let of = json!([{"piece": "whole front", "edge": "neckline"}, {"piece": "back", "edge": "neckline"}]);
    let same = band(json!({"of": of, "ratio": 0.85, "height": "2cm", "doubled": "both"})).unwrap();
    assert!((size(&same).0 - wide).abs() < 1e-4);
    let along = band(json!({"length": "60cm", "height": "4cm", "grain": "along"})).unwrap();
    along.check("making").unwrap();
    close(size(&along).0, 40.0);
    close(size(&along).1, 600.0);
}

#[test]
fn bands_that_are_not_clear_are_refused() {
    for (written, words) in [
        (json!({"height": "2cm"}), "not clear"),
        (json!({"length": "9cm", "of": [{"piece": "front", "edge": "hem"}], "height": "2cm"}), "not clear"),
        (json!({"length": "9cm", "height": "0"}), "0.0 mm high"),
        (json!({"length": "9cm", "height": "2cm", "ratio": 85.0}), "ratio of 85"),
        (json!({"of": [{"piece": "sleeve", "edge": "hem"}], "height": "2cm"}), "no piece \"sleeve\""),
        (json!({"of": [{"piece": "front", "edge": "cuff"}], "height": "2cm"}), "on \"front\": there is no edge"),
        (json!({"of": [{"piece": "front", "edge": "hem", "copies": 4000000}], "height": "2cm"}), "mm long"),
    ] {
        let refusal = band(written).unwrap_err();
        assert!(refusal.seen.contains(words), "{refusal}");
    }
}
