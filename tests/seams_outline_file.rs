//! `outline.json`: what is read, what is refused, and that a file gives the very piece that tracing gave.

use clothline::draft::{PieceOptions, draft_piece, draft_traced};
use clothline::edges::FoldChoice;
use clothline::outline::{Outline, OutlinePoint};
use clothline::outline_file::{self, DRAWN_DOUBT_MM};
use clothline::polygon;
use clothline::refusal::RefusalKind;
use clothline::units::{Length, MatPoint};

/// A leaning half shirt with awkward digits.
fn traced() -> Outline {
    let mut points = Vec::new();
    let shape = [(0.0, 0.0), (251.3, 6.1), (240.7, 371.9), (331.0, 344.2), (392.8, 461.4), (93.1, 541.7), (0.4, 447.9)];
    for (i, a) in shape.iter().enumerate() {
        let b = shape[(i + 1) % shape.len()];
        let (a, b) = (MatPoint::new(a.0, a.1), MatPoint::new(b.0, b.1));
        let parts = (a.distance(b) / 0.9).ceil();
        for k in 0..parts as usize {
            let p = a.lerp(b, k as f64 / parts);
            let wobble = 0.07 * (p.x * 1.3 + p.y * 0.7).sin();
            points.push(OutlinePoint {
                at: MatPoint::new(p.x + wobble - 1.0 / 3.0, p.y - wobble + std::f64::consts::PI),
                doubt_mm: 0.21 + 0.01 * wobble,
                seen: !(200..230).contains(&points.len()),
            });
        }
    }
    Outline { points }
}

#[test]
fn a_file_gives_the_piece_that_tracing_gave() {
    let outline = traced();
    let options = PieceOptions {
        allowance: "1/2in".parse().unwrap(),
        notches: vec!["2@13in".parse().unwrap()],
        ..PieceOptions::default()
    };
    let (tracing, piece) = draft_piece(&outline, &options).unwrap();
    let scale = serde_json::json!({ "from": "grid", "pitch_mm": 25.4 });
    let names = [(1, "hem".to_string())];
    let text = outline_file::write(&outline, Some(&tracing), &names, Some(scale.clone()), &tracing.warnings).unwrap();
    let file = outline_file::read(&text).unwrap();
    let (again_tracing, again) = draft_piece(&file.outline, &options).unwrap();
    assert_eq!(again, piece);
    assert_eq!(again_tracing, tracing);
    assert_eq!(file.scale, Some(scale));
    assert_eq!(file.warnings, tracing.warnings);
    assert_eq!(file.outline.points.iter().filter(|p| !p.seen).count(), 30);
    // What is told of the edges agrees with the edges.
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    for (told, edge) in json["edges"].as_array().unwrap().iter().zip(&tracing.edges) {
        let path = kurbo::BezPath::from_svg(told["path"].as_str().unwrap()).unwrap();
        let length: f64 = path.segments().map(|s| kurbo::ParamCurveArclen::arclen(&s, 1e-6)).sum();
        assert!((length - told["length_mm"].as_f64().unwrap()).abs() < 0.01);
        assert!((length - edge.length_mm()).abs() < 0.01);
    }
    assert_eq!(json["edges"][0]["name"], "hem");
}

#[test]
fn the_least_form_reads_whatever_the_winding_and_the_closing_point() {
    let forms = [
        r#"{"units":"mm","outline":[[0,0],[200,0],[200,300],[0,300]]}"#,
        r#"{"units":"mm","outline":[[0,0],[200,0],[200,300],[0,300],[0,0]]}"#,
        r#"{"units":"mm","outline":[[0,300],[200,300],[200,0],[0,0]]}"#,
        r#"{"units":"cm","outline":[[0,0],[20,0],[20,30],[0,30]]}"#,
        r#"{"units":"in","outline":[[0,0],[7.874015748031496,0],[7.874015748031496,11.811023622047244],[0,11.811023622047244]]}"#,
    ];
    for form in forms {
        let file = outline_file::read(form).unwrap();
        let ring = file.outline.positions();
        assert_eq!(ring.len(), 4, "{form}");
        assert!((polygon::signed_area(&ring) - 60_000.0).abs() < 1e-3, "{form}");
        assert!(file.outline.points.iter().all(|p| p.seen && p.doubt_mm == DRAWN_DOUBT_MM));
    }
}

#[test]
fn what_is_wrong_is_named_with_its_place_and_a_remedy() {
    let square = "[[0,0],[200,0],[200,300],[0,300]]";
    let cases = [
        (String::new(), "it is empty"),
        (r#"{"units":"mm","outline":[[0,0],[2"#.into(), "in line 1, at character 33: it ends in the middle"),
        ("[1,2]".into(), "outline file is wrong"),
        (r#"{"outline":[[0,0]]}"#.into(), "\"units\" is missing"),
        (r#"{"units":"mm"}"#.into(), "\"outline\" is missing"),
        (r#"{"units":"mm","outline":[[0,0],[1,"x"],[2,2]]}"#.into(), "outline[1][1]"),
        (r#"{"units":"mm","outline":[[0,0],[1],[2,2]]}"#.into(), "outline[1]"),
        (r#"{"units":"mm","outline":[[0,0],[NaN,1],[2,2]]}"#.into(), "outline[1]"),
        (r#"{"units":"mm","outline":[[0,0],[1e999,1],[2,2]]}"#.into(), "outline[1]"),
        (r#"{"units":"mm","outline":[[0,0],[9,9]]}"#.into(), "has 2 points"),
        (r#"{"units":"mm","outline":[]}"#.into(), "has 0 points"),
        (r#"{"units":"mm","outline":[[0,0],[200,300],[200,0],[0,300]]}"#.into(), "crosses itself near (100.0, 150.0)"),
        (r#"{"units":"mm","outline":[[0,0],[2e9,0],[0,9]]}"#.into(), "more than 20 m away"),
        (r#"{"units":"mm","outline":[[0,0],[3,0],[3,3]]}"#.into(), "less than 1 cm²"),
        (format!(r#"{{"units":"furlong","outline":{square}}}"#), "units are \"furlong\""),
        (format!(r#"{{"units":"mm","outline":{square},"doubt_mm":[0.1]}}"#), "4 points but doubt_mm has 1"),
        (format!(r#"{{"units":"mm","outline":{square},"doubt_mm":[0.1,-1,0,0]}}"#), "doubt_mm of point 2 is -1"),
        (r#"{"units":"mm","outline":[[0,0],[null,1],[2,2]]}"#.into(), "found nothing (null) where a number belongs"),
        (format!(r#"{{"units":"mm","outline":{square},"unseen":[4]}}"#), "unseen names point 4"),
        (format!(r#"{{"format":"clothline-outline","version":2,"units":"mm","outline":{square}}}"#), "version 2"),
        (
            format!(r#"{{"format":"clothline-pattern","version":1,"units":"mm","outline":{square}}}"#),
            "clothline-pattern",
        ),
        (format!(r#"{{"units":"mm","outline":{square}}} trailing"#), "goes on after its end"),
    ];
    for (json, words) in cases {
        let refusal = outline_file::read(&json).unwrap_err();
        assert!(refusal.seen.contains(words), "{json}: {refusal}");
        assert!(refusal.advice.len() > 10, "{json}: {refusal}");
    }
}

/// A bay whose mouth is 12 mm wide: allowances of 10 mm would close it. What was traced is drafted all the same.
#[test]
fn a_tracing_without_room_for_its_allowances_is_drafted_without_any_and_says_so() {
    let corners = [
        (0.0, 0.0),
        (300.0, 0.0),
        (300.0, 144.0),
        (230.0, 144.0),
        (230.0, 80.0),
        (80.0, 80.0),
        (80.0, 220.0),
        (230.0, 220.0),
        (230.0, 156.0),
        (300.0, 156.0),
        (300.0, 300.0),
        (0.0, 300.0),
    ];
    let next = corners.iter().copied().cycle().skip(1);
    let along = corners.iter().copied().zip(next).flat_map(|(a, b)| {
        let (a, b) = (MatPoint::new(a.0, a.1), MatPoint::new(b.0, b.1));
        let count = a.distance(b).round();
        (0..count as usize).map(move |k| OutlinePoint { at: a.lerp(b, k as f64 / count), doubt_mm: 0.2, seen: true })
    });
    let outline = Outline { points: along.collect() };
    let options = PieceOptions { fold: FoldChoice::None, ..Default::default() };
    assert_eq!(draft_piece(&outline, &options).unwrap_err().kind, RefusalKind::NoRoom);
    let (tracing, piece) = draft_traced(&outline, &options).unwrap();
    assert_eq!(tracing.edges.len(), corners.len());
    assert!(piece.warnings.iter().any(|w| w.code == "no-allowance"), "{:?}", piece.warnings);
    let off = piece.cut_line.iter().map(|p| clothline::polygon::distance_to_ring(&piece.stitching_line, *p));
    assert!(off.fold(0.0, f64::max) < 1e-6);
    // Where there is room nothing changes.
    let narrow = PieceOptions { allowance: Length::from_mm(4.0), ..options };
    let (wanted, drafted) = (draft_piece(&outline, &narrow).unwrap().1, draft_traced(&outline, &narrow).unwrap().1);
    assert_eq!(wanted.cut_line, drafted.cut_line);
}
