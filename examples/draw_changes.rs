//! Draws every change to a piece, before (thin, dashed) and after (solid), one SVG each.
//!
//! `cargo run --example draw_changes FOLDER`

#[path = "../tests/support/garments.rs"]
mod garments;

use std::fmt::Write;

use clothline::draft::changes::{self, Change};
use clothline::draft::shape::Shape;
use clothline::path;
use clothline::units::MatPoint;
use garments::{Body, Leg, TEE, TROUSERS};
use serde_json::{Value, json};

const PEN: &str = "stroke-linejoin=\"round\" fill=\"none\"";

fn d(shape: &Shape) -> String {
    shape.edges.iter().map(|e| e.path.to_svg()).collect::<Vec<_>>().join(" ")
}

fn svg(before: &[&Shape], after: &[&Shape], marks: &[MatPoint]) -> String {
    let points: Vec<MatPoint> = before.iter().chain(after).flat_map(|s| s.ring()).collect();
    let span = |f: fn(&MatPoint) -> f64| {
        points.iter().map(f).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)))
    };
    let ((left, right), (low, high)) = (span(|p| p.x), span(|p| p.y));
    let (wide, tall) = (right - left + 60.0, high - low + 60.0);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {wide} {tall}\" width=\"{wide}\" height=\"{tall}\"><rect width=\"100%\" \
         height=\"100%\" fill=\"white\"/><g transform=\"translate({},{}) scale(1,-1)\">",
        30.0 - left,
        high + 30.0
    );
    for shape in before {
        let _ = write!(
            out,
            "<path d=\"{}\" {PEN} stroke=\"#c33\" stroke-width=\"1.2\" stroke-dasharray=\"6 4\"/>",
            d(shape)
        );
    }
    for shape in after {
        let _ = write!(out, "<path d=\"{}\" {PEN} stroke=\"#135\" stroke-width=\"2\"/>", d(shape));
        for edge in &shape.edges {
            let _ = write!(out, "<circle cx=\"{}\" cy=\"{}\" r=\"3\" fill=\"#135\"/>", edge.from().x, edge.from().y);
            let middle = path::spot_at(&edge.path, 0.5 * edge.length_mm()).map(|s| path::point_at(&edge.path, s));
            let at = middle.unwrap_or_default();
            let _ = write!(
                out,
                "<text transform=\"translate({},{}) scale(1,-1)\" font-size=\"13\" font-family=\"sans-serif\">{} {}</text>",
                at.x + 4.0,
                at.y,
                edge.number,
                edge.called()
            );
        }
    }
    for mark in marks {
        let _ = write!(out, "<circle cx=\"{}\" cy=\"{}\" r=\"4\" fill=\"#393\"/>", mark.x, mark.y);
    }
    out + "</g></svg>"
}

fn cases() -> Vec<(&'static str, Shape, Value)> {
    let (tee, leg) = (TEE.shape(), TROUSERS.shape());
    let leaning = Leg { turn_deg: 12.0, ..TROUSERS }.shape();
    let askew = Body { hem_drop: 30.0, turn_deg: 8.0, ..TEE }.shape();
    let neck = json!([[55.0, 640.0], [40.0, 560.0], [20.0, 520.0], [0.5, 512.0]]);
    vec![
        (
            "redraw",
            tee.clone(),
            json!([{"redraw": {"edge": "neckline", "through": [[110.0, 637.0], [80.0, 540.0], [0.5, 470.0]]}}]),
        ),
        (
            "redraw-inside",
            tee.clone(),
            json!([{"redraw": {"edge": "armhole", "through": [[215.0, 470.0], [190.0, 530.0]]}}]),
        ),
        ("redraw-higher", tee.clone(), json!([{"redraw": {"edge": "neckline", "through": neck, "smooth": false}}])),
        ("neckline-round", tee.clone(), json!([{"neckline": {"shape": "round", "depth": "14cm", "widen": "2cm"}}])),
        ("neckline-back", tee.clone(), json!([{"neckline": {"shape": "round", "depth": "2.5cm"}}])),
        ("neckline-v", tee.clone(), json!([{"neckline": {"shape": "v", "depth": "20cm"}}])),
        ("unfold", tee.clone(), json!([{"unfold": {}}])),
        ("unfold-v", tee.clone(), json!([{"neckline": {"shape": "v", "depth": "20cm"}}, {"unfold": {}}])),
        ("let-out-hem", tee.clone(), json!([{"let-out": {"edge": "hem", "stretched": "68cm", "level": "15cm"}}])),
        (
            "let-out-waist",
            leg.clone(),
            json!([{"let-out": {"edge": "waist", "relaxed": "70cm", "stretched": "95cm", "level": "20cm"}}]),
        ),
        (
            "let-out-waist-one-side",
            leg.clone(),
            json!([{"let-out": {"edge": "waist", "relaxed": "70cm", "stretched": "90cm", "level": "20cm", "from": "rise"}}]),
        ),
        (
            "let-out-ankle",
            leg.clone(),
            json!([{"let-out": {"edge": "hem", "relaxed": "20cm", "stretched": "32cm", "level": "30cm"}}]),
        ),
        (
            "let-out-no-level",
            Leg { out_bow: 0.0, ..TROUSERS }.shape(),
            json!([{"let-out": {"edge": "hem", "relaxed": "20cm", "stretched": "32cm"}}]),
        ),
        ("shorten-leg", leg.clone(), json!([{"shorten-leg": {"inseam": "13in"}}])),
        (
            "shorten-leg-high",
            Leg { thigh: 400.0, hem: 150.0, ..TROUSERS }.shape(),
            json!([{"shorten-leg": {"inseam": "3in"}}]),
        ),
        ("lengthen", leg.clone(), json!([{"lengthen": {"by": "10cm", "at": "30cm"}}])),
        ("shorten", leg.clone(), json!([{"shorten": {"by": "12cm", "at": "30cm"}}])),
        ("lengthen-tee-leaning", askew, json!([{"lengthen": {"by": "8cm", "at": "20cm"}}])),
        ("move-edge-side", tee.clone(), json!([{"move-edge": {"edge": "side-seam", "out": "3cm"}}])),
        ("move-edge-armhole", tee.clone(), json!([{"move-edge": {"edge": "armhole", "in": "2cm"}}])),
        ("move-edge-neckline", tee.clone(), json!([{"move-edge": {"edge": "neckline", "in": "3cm"}}])),
        ("move-edge-fold", tee.clone(), json!([{"move-edge": {"edge": "fold", "out": "3cm"}}])),
        ("raise", leg.clone(), json!([{"raise": {"by": "4cm"}}])),
        ("raise-side-of-tee", tee.clone(), json!([{"raise": {"edge": "hem", "at": "side-seam", "by": "3cm"}}])),
        ("lower-front", tee.clone(), json!([{"lower": {"edge": "hem", "at": "fold", "by": "3cm"}}])),
        (
            "part",
            tee.clone(),
            json!([{"part": {"line": [[30, 420], [130, 450], [200, 500]], "holding": "hem", "name": "yoke"}}]),
        ),
        (
            "part-raglan",
            tee.clone(),
            json!([{"part": {"line": [[60, 560], [140, 450], [259, 420]], "holding": "shoulder", "name": "raglan"}}]),
        ),
        (
            "give-strip",
            leg.clone(),
            json!([{"give-strip": {"edge": "outseam", "line": [[45, 960], [50, 700], [40, 300], [30, 40]], "name": "side"}}]),
        ),
        ("scale", tee, json!([{"scale": {"length": 8, "width": -4}}])),
        ("grain-down-the-leg", leaning, json!([{"grain-down-the-leg": {}}])),
        ("square-at-fold", straight_hem(), json!([{"square-at-fold": {}}])),
    ]
}

/// A half body whose hem runs straight, 8 degrees off square to the fold.
fn straight_hem() -> Shape {
    let mut shape = Body { hem_drop: 38.0, ..TEE }.shape();
    shape.edges[0].path = path::line(shape.edges[0].from(), shape.edges[0].to());
    shape
}

fn main() {
    let folder = std::env::args().nth(1).expect("give a folder for the pictures");
    std::fs::create_dir_all(&folder).unwrap();
    let straight = Leg { out_bow: 0.0, ..TROUSERS };
    let front = straight.shape();
    let give_to = |name: &str, text: String| std::fs::write(format!("{folder}/{name}.svg"), text).unwrap();
    for (name, shape, steps) in cases() {
        let steps: Vec<Change> = serde_json::from_value(steps).unwrap();
        match changes::apply(&shape, &steps, &|_| Ok(front.clone())) {
            Ok(made) => give_to(name, svg(&[&shape], &[&made], &[])),
            Err(refusal) => println!("{name}: {refusal}"),
        }
    }
    // A strip that wraps round to the front goes back to the back.
    let back = Leg { crotch: 80.0, ..straight }
        .shape()
        .transformed(kurbo::Affine::translate((-420.0, 0.0)) * kurbo::Affine::FLIP_X);
    let line = json!([[45, 960], [50, 700], [40, 300], [30, 40]]);
    let step = |value: Value| vec![serde_json::from_value::<Change>(value).unwrap()];
    let give = step(json!({"give-strip": {"edge": "outseam", "line": line, "name": "side"}}));
    let take = step(
        json!({"take-strip": {"from": "front", "edge": "outseam", "line": line, "onto": "outseam", "name": "side"}}),
    );
    let given = changes::apply(&front, &give, &|_| Ok(front.clone())).unwrap();
    match changes::apply(&back, &take, &|_| Ok(front.clone())) {
        Ok(taken) => give_to("take-strip", svg(&[&front, &back], &[&given, &taken], &[])),
        Err(refusal) => println!("take-strip: {refusal}"),
    }
}
