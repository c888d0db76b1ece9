//! Cut lines against published formulas, another library's results, and the laws of offsets.

use clothline::polygon;
use clothline::refusal::RefusalKind;
use clothline::seams::request::NotchRequest;
use clothline::seams::{self, Cutting, NotchKind, Piece, SeamRequest, StitchingEdge};
use clothline::units::{Length, MatPoint};
use kurbo::{BezPath, Shape};
use proptest::prelude::*;

fn path(points: &[(f64, f64)]) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(points[0]);
    for p in &points[1..] {
        path.line_to(*p);
    }
    path
}

/// A piece of straight edges, each with its allowance.
fn polygon_request(corners: &[(f64, f64)], allowances: &[f64]) -> SeamRequest {
    let edges = (0..corners.len()).map(|i| StitchingEdge {
        number: i + 1,
        name: None,
        path: path(&[corners[i], corners[(i + 1) % corners.len()]]),
        allowance_mm: allowances[i % allowances.len()],
        ..Default::default()
    });
    request(edges.collect())
}

fn request(edges: Vec<StitchingEdge>) -> SeamRequest {
    SeamRequest {
        name: "test".into(),
        edges,
        fold: None,
        notches: Vec::new(),
        grain_deg: None,
        size: None,
        cutting: Cutting::default(),
        lines: Vec::new(),
        stretch: None,
        allowance: Length::from_mm(10.0),
    }
}

fn cut(corners: &[(f64, f64)], allowances: &[f64]) -> Piece {
    seams::seam(&polygon_request(corners, allowances)).unwrap()
}

fn ellipse_request(a: f64, b: f64, allowance_mm: f64) -> SeamRequest {
    // Exact to well under a micrometre: kurbo writes its arcs as cubics of the tolerance asked.
    let path: BezPath = kurbo::Ellipse::new((0.0, 0.0), (a, b), 0.0).to_path(1e-7);
    let open: BezPath = path.elements().iter().filter(|e| !matches!(e, kurbo::PathEl::ClosePath)).copied().collect();
    request(vec![StitchingEdge { number: 1, name: None, path: open, allowance_mm, ..Default::default() }])
}

fn close(value: f64, truth: f64, tolerance: f64) {
    assert!((value - truth).abs() <= tolerance, "{value} against {truth}");
}

const RECTANGLE: [(f64, f64); 4] = [(0.0, 0.0), (200.0, 0.0), (200.0, 150.0), (0.0, 150.0)];
const L_SHAPE: [(f64, f64); 6] =
    [(0.0, 0.0), (200.0, 0.0), (200.0, 100.0), (100.0, 100.0), (100.0, 200.0), (0.0, 200.0)];

/// Mitre offsets of polygons: P + 2dS and A + Pd + d²S, S the sum of tan(half the exterior angle), inside corners
/// counted negative; printed values recomputed with shapely 2.2.
#[test]
fn mitred_polygons_follow_the_formula() {
    for (corners, d, area, perimeter) in
        [(&RECTANGLE[..], 10.0, 37_400.0, 780.0), (&L_SHAPE[..], 10.0, 38_400.0, 880.0)]
    {
        let piece = cut(corners, &[d]);
        close(polygon::signed_area(&piece.cut_line), area, 1e-4 * area);
        close(polygon::perimeter(&piece.cut_line), perimeter, 0.01);
        assert!(piece.warnings.is_empty(), "{:?}", piece.warnings);
    }
}

/// Steiner's formula for smooth convex shapes: P + 2πd, A + Pd + πd² (Schneider, Convex Bodies). The ellipse's
/// perimeter is 4aE(e) by scipy's `ellipe`.
#[test]
fn a_smooth_shape_follows_steiner() {
    let (a, b, d) = (200.0, 150.0, 10.0);
    let perimeter = 1_105.174_608_035;
    let area = std::f64::consts::PI * a * b;
    let piece = seams::seam(&ellipse_request(a, b, d)).unwrap();
    close(polygon::perimeter(&piece.cut_line), perimeter + std::f64::consts::TAU * d, 0.01);
    close(polygon::signed_area(&piece.cut_line), area + perimeter * d + std::f64::consts::PI * d * d, 5.0);
    close(polygon::signed_area(&piece.cut_line), 105_613.684_953, 5.0);
    for p in &piece.cut_line {
        close(polygon::distance_to_ring(&piece.stitching_line, *p), d, 0.01);
    }
}

#[derive(serde::Deserialize)]
struct Fixtures {
    cases: Vec<Fixture>,
}

#[derive(serde::Deserialize)]
struct Fixture {
    name: String,
    points: Vec<(f64, f64)>,
    allowance_mm: f64,
    area_mm2: f64,
    perimeter_mm: f64,
    ring: Option<Vec<(f64, f64)>>,
}

/// The same shapes by shapely (GEOS), made by `fixtures/make_seam_fixtures.py`: sharp corners blunted at the same limit.
#[test]
fn other_hands_make_the_same_cut_lines() {
    let text = include_str!("fixtures/seam_fixtures.json");
    let fixtures: Fixtures = serde_json::from_str(text).unwrap();
    assert!(fixtures.cases.len() >= 8, "fixtures may only be added");
    for case in &fixtures.cases {
        let piece = cut(&case.points, &[case.allowance_mm]);
        // The fixture's ellipse is itself a polygon, mitred at 2000 corners.
        close(polygon::signed_area(&piece.cut_line), case.area_mm2, 1e-6 * case.area_mm2);
        close(polygon::perimeter(&piece.cut_line), case.perimeter_mm, 0.01);
        let Some(ring) = &case.ring else { continue };
        let ring: Vec<MatPoint> = ring.iter().map(|&(x, y)| MatPoint::new(x, y)).collect();
        for p in &piece.cut_line {
            assert!(polygon::distance_to_ring(&ring, *p) < 1e-3, "{}: {p:?}", case.name);
        }
        for p in &ring {
            assert!(polygon::distance_to_ring(&piece.cut_line, *p) < 1e-3, "{}: {p:?}", case.name);
        }
    }
}

#[test]
fn a_blunted_tip_is_told() {
    let piece = cut(&[(0.0, 0.0), (400.0, 0.0), (0.0, 300.0)], &[10.0]);
    let told: Vec<&str> = piece.warnings.iter().map(|w| w.code.as_str()).collect();
    assert_eq!(told, ["corner-blunted"]);
    assert!(piece.warnings[0].text.contains("37°"), "{}", piece.warnings[0].text);
}

/// Where widths differ, the corner is the true crossing of the two offset lines.
#[test]
fn differing_widths_meet_where_their_lines_cross() {
    let piece = cut(&RECTANGLE, &[25.4, 12.7]);
    for (x, y) in [(-12.7, -25.4), (212.7, -25.4), (212.7, 175.4), (-12.7, 175.4)] {
        let corner = MatPoint::new(x, y);
        assert!(piece.cut_line.iter().any(|p| p.distance(corner) < 1e-4), "{corner:?} in {:?}", piece.cut_line);
    }
    assert_eq!(piece.cut_line.len(), 4);
    // An inside corner, 30 mm against 6 mm.
    let piece = cut(&L_SHAPE, &[6.0, 6.0, 30.0, 6.0, 6.0, 6.0]);
    let inside = MatPoint::new(106.0, 130.0);
    assert!(piece.cut_line.iter().any(|p| p.distance(inside) < 1e-4), "{:?}", piece.cut_line);
    // A shallow outside corner: one side is cut back to the other's line.
    let shape = [(0.0, 0.0), (200.0, 0.0), (320.0, 80.0), (320.0, 300.0), (0.0, 300.0)];
    let piece = cut(&shape, &[15.0, 10.0, 10.0, 10.0, 10.0]);
    let on_line = |p: &MatPoint| (p.y + 15.0).abs() < 1e-4 && p.x > 0.0 && p.x < 320.0;
    let corner = piece.cut_line.iter().find(|p| on_line(p)).unwrap();
    let slope = nalgebra::Vector2::new(120.0, 80.0).normalize();
    let outside = slope.perp(&(*corner - MatPoint::new(200.0, 0.0)));
    close(-outside, 10.0, 1e-4);
}

/// On the fold there is no allowance, and the neighbours' ends square on it.
#[test]
fn the_cut_line_meets_the_fold_on_the_fold() {
    // Left edge (4) on the fold; the neckline (3) slopes, and curves.
    let mut neck = BezPath::new();
    neck.move_to((150.0, 520.0));
    neck.curve_to((140.0, 470.0), (60.0, 430.0), (0.0, 430.0));
    let edges = vec![
        StitchingEdge {
            number: 1,
            name: None,
            path: path(&[(0.0, 0.0), (200.0, 0.0)]),
            allowance_mm: 25.0,
            ..Default::default()
        },
        StitchingEdge {
            number: 2,
            name: None,
            path: path(&[(200.0, 0.0), (150.0, 520.0)]),
            allowance_mm: 12.7,
            ..Default::default()
        },
        StitchingEdge { number: 3, name: None, path: neck, allowance_mm: 9.0, ..Default::default() },
        StitchingEdge {
            number: 4,
            name: None,
            path: path(&[(0.0, 430.0), (0.0, 0.0)]),
            allowance_mm: 99.0,
            ..Default::default()
        },
    ];
    let piece = seams::seam(&SeamRequest { fold: Some(4), ..request(edges) }).unwrap();
    let fold = piece.fold.as_ref().unwrap();
    assert!(piece.cut_line.iter().all(|p| p.x > -1e-6));
    let ends = [MatPoint::new(0.0, 439.0), MatPoint::new(0.0, -25.0)];
    for (end, truth) in fold.line.iter().zip(ends) {
        assert!(end.distance(truth) < 1e-3, "{end:?} {truth:?}");
        assert!(polygon::distance_to_ring(&piece.cut_line, *end) < 1e-4);
    }
    // Grain and fold run the same way.
    let grain = piece.grainline[1] - piece.grainline[0];
    assert!(grain.x.abs() < 1e-9 && grain.y > 100.0);
    let inside = |p: &MatPoint| polygon::contains(&piece.stitching_line, *p);
    assert!(piece.grainline.iter().all(inside) && inside(&piece.label.centre));
}

#[test]
fn a_slanting_neighbour_is_cut_off_along_the_fold() {
    let corners = [(0.0, 0.0), (200.0, 40.0), (200.0, 300.0), (0.0, 380.0)];
    let piece = seams::seam(&SeamRequest { fold: Some(4), ..polygon_request(&corners, &[12.0]) }).unwrap();
    assert!(piece.cut_line.iter().all(|p| p.x > -1e-6), "{:?}", piece.cut_line);
    // y where the hem's offset line crosses x = 0.
    let down = 12.0 / (200.0f64 / 200.0f64.hypot(40.0));
    assert!(piece.cut_line.iter().any(|p| p.distance(MatPoint::new(0.0, -down)) < 1e-4));
}

/// A notch at the end of an edge on the fold, whichever way the piece lies: rounding must not lose it.
#[test]
fn a_notch_on_the_fold_is_found_however_the_piece_lies() {
    for step in 0..720 {
        let (s, c) = (f64::from(step) * 0.5f64.to_radians()).sin_cos();
        let corners =
            [(0.0, 0.0), (180.0, 0.0), (150.0, 110.0), (0.0, 230.0)].map(|(x, y)| (c * x - s * y, s * x + c * y));
        let mut request = polygon_request(&corners, &[12.7]);
        let last = &mut request.edges[2];
        // Square to the fold at its end.
        let (from, to) = (corners[2], corners[3]);
        let (out, along) = ((c, s), 60.0);
        let mut curve = BezPath::new();
        curve.move_to(from);
        let towards = (from.0 - 40.0 * out.0, from.1 - 40.0 * out.1);
        // Hundredths of a degree off square, either way.
        let lean = 0.02 * f64::from(step % 3 - 1);
        curve.curve_to(towards, (to.0 + along * out.0 - lean * s, to.1 + along * out.1 + lean * c), to);
        let length: f64 = curve.segments().map(|s| kurbo::ParamCurveArclen::arclen(&s, 1e-7)).sum::<f64>() - 1e-4;
        last.path = curve;
        request.fold = Some(4);
        request.notches = vec![format!("3@{length:.4}mm").parse().unwrap()];
        let piece = seams::seam(&request).unwrap_or_else(|e| panic!("turned by {step} halves of a degree: {e}"));
        assert_eq!(piece.notches.len(), 1);
    }
}

/// A fold of which only the upper half was named runs on in a seam, one degree off, inwards or outwards: the seam's
/// allowance begins square to it, instead of where two all but parallel lines cross.
#[test]
fn a_seam_that_continues_the_fold_begins_square_to_it() {
    for bend in [3.5, -3.5, 0.0] {
        let corners = [(0.0, 0.0), (200.0, 0.0), (200.0, 400.0), (0.0, 400.0), (bend, 200.0)];
        let piece = seams::seam(&SeamRequest { fold: Some(4), ..polygon_request(&corners, &[12.7]) }).unwrap();
        let far = |p: &&MatPoint| polygon::distance_to_ring(&piece.stitching_line, **p) > 2.5 * 12.7;
        assert!(piece.cut_line.iter().find(far).is_none(), "{bend}: {:?}", piece.cut_line);
        let at = MatPoint::new(bend - 12.7, 200.0);
        assert!(piece.cut_line.iter().any(|p| p.distance(at) < 0.5), "{bend}: {:?}", piece.cut_line);
    }
}

#[test]
fn an_inside_curve_tighter_than_its_allowance_does_not_cross_itself() {
    // A slot of radius 8 in the top of a rectangle, allowance 6, then 12.
    let mut slot = BezPath::new();
    slot.move_to((108.0, 150.0));
    slot.line_to((108.0, 100.0));
    let k = 8.0 * 0.552_284_749_831;
    slot.curve_to((108.0, 100.0 - k), (100.0 + k, 92.0), (100.0, 92.0));
    slot.curve_to((100.0 - k, 92.0), (92.0, 100.0 - k), (92.0, 100.0));
    slot.line_to((92.0, 150.0));
    let edges = |width: f64| {
        vec![
            StitchingEdge {
                number: 1,
                name: None,
                path: path(&[(0.0, 150.0), (0.0, 0.0)]),
                allowance_mm: width,
                ..Default::default()
            },
            StitchingEdge {
                number: 2,
                name: None,
                path: path(&[(0.0, 0.0), (200.0, 0.0)]),
                allowance_mm: width,
                ..Default::default()
            },
            StitchingEdge {
                number: 3,
                name: None,
                path: path(&[(200.0, 0.0), (200.0, 150.0)]),
                allowance_mm: width,
                ..Default::default()
            },
            StitchingEdge {
                number: 4,
                name: None,
                path: path(&[(200.0, 150.0), (108.0, 150.0)]),
                allowance_mm: width,
                ..Default::default()
            },
            StitchingEdge { number: 5, name: None, path: slot.clone(), allowance_mm: width, ..Default::default() },
            StitchingEdge {
                number: 6,
                name: None,
                path: path(&[(92.0, 150.0), (0.0, 150.0)]),
                allowance_mm: width,
                ..Default::default()
            },
        ]
    };
    let narrow = seams::seam(&request(edges(6.0))).unwrap();
    assert_eq!(polygon::self_crossing(&narrow.cut_line), None);
    let bottom = polygon::distance_to_ring(&narrow.cut_line, MatPoint::new(100.0, 98.0));
    assert!(bottom < 0.01, "{bottom}");
    let wide = seams::seam(&request(edges(12.0))).unwrap();
    assert_eq!(polygon::self_crossing(&wide.cut_line), None);
    assert!(wide.warnings.iter().any(|w| w.code == "allowances-meet"), "{:?}", wide.warnings);
    for p in &wide.cut_line {
        assert!(polygon::distance_to_ring(&wide.stitching_line, *p) > 11.99);
    }
}

#[test]
fn an_allowance_that_closes_a_gap_is_refused() {
    // A C shape: its mouth is 10 mm wide, behind it a room that would become a hole.
    let corners = [
        (0.0, 0.0),
        (200.0, 0.0),
        (200.0, 95.0),
        (150.0, 95.0),
        (150.0, 50.0),
        (50.0, 50.0),
        (50.0, 150.0),
        (150.0, 150.0),
        (150.0, 105.0),
        (200.0, 105.0),
        (200.0, 200.0),
        (0.0, 200.0),
    ];
    let refusal = seams::seam(&polygon_request(&corners, &[10.0])).unwrap_err();
    assert!(refusal.seen.contains("wider than the piece has room for"), "{refusal}");
    assert!(seams::seam(&polygon_request(&corners, &[4.0])).is_ok());
}

#[test]
fn notches_stand_square_on_the_cut_line_at_their_distance() {
    let notch = |typed: &str| typed.parse::<NotchRequest>().unwrap();
    let mut request = polygon_request(&RECTANGLE, &[12.7]);
    request.notches = vec![notch("1@50mm"), notch("1@50mm:from-end:double"), notch("2@middle")];
    let piece = seams::seam(&request).unwrap();
    assert_eq!(piece.notches[0].at, MatPoint::new(50.0, 0.0));
    assert_eq!(piece.notches[2].at, MatPoint::new(200.0, 75.0));
    assert_eq!(piece.notches[1].kind, NotchKind::Double);
    let [first, second] = piece.notches[1].strokes[..] else { panic!("two strokes") };
    close(second[0].x - first[0].x, 6.0, 1e-9);
    close(0.5 * (first[0].x + second[0].x), 150.0, 1e-9);
    for notch in &piece.notches {
        for [outer, inner] in &notch.strokes {
            assert!(polygon::distance_to_ring(&piece.cut_line, *outer) < 1e-4);
            // Practice: 3 to 6 mm deep and under half the allowance.
            let depth = outer.distance(*inner);
            assert!((3.0..=6.0).contains(&depth) && depth < 0.5 * 12.7, "{depth}");
        }
    }
}

#[test]
fn notches_measure_along_curves() {
    let mut request = ellipse_request(200.0, 150.0, 10.0);
    // A quarter of the ellipse from (200, 0) anticlockwise is (0, 150).
    request.notches = vec!["1@25%".parse().unwrap(), "1@276.293652mm".parse().unwrap()];
    let piece = seams::seam(&request).unwrap();
    for notch in &piece.notches {
        assert!(notch.at.distance(MatPoint::new(0.0, 150.0)) < 1e-3, "{:?}", notch.at);
        let [outer, inner] = notch.strokes[0];
        assert!(outer.distance(MatPoint::new(0.0, 160.0)) < 5e-3 && (inner.x).abs() < 1e-2);
    }
}

#[test]
fn what_cannot_be_sewn_is_refused() {
    let bad = |change: &dyn Fn(&mut SeamRequest)| {
        let mut request = polygon_request(&RECTANGLE, &[10.0]);
        change(&mut request);
        seams::seam(&request).unwrap_err()
    };
    let past = bad(&|r| r.notches = vec!["1@201mm".parse().unwrap()]);
    assert!(past.seen.contains("past the end of edge 1") && past.advice.contains("200.0 mm"), "{past}");
    let past = bad(&|r| r.notches = vec!["1@8in:from-end".parse().unwrap()]);
    assert!(past.seen.contains("past the end"), "{past}");
    assert!(bad(&|r| r.notches = vec!["7@1mm".parse().unwrap()]).advice.contains("1, 2, 3, 4"));
    assert!(bad(&|r| r.fold = Some(5)).seen.contains("no edge 5"));
    let folded = bad(&|r| (r.fold, r.notches) = (Some(1), vec!["1@1mm".parse().unwrap()]));
    assert!(folded.seen.contains("no allowance"), "{folded}");
    assert_eq!(bad(&|r| r.edges[1].allowance_mm = f64::NAN).kind, RefusalKind::BadRequest);
    assert_eq!(bad(&|r| r.edges[1].allowance_mm = -1.0).kind, RefusalKind::BadRequest);
    assert!(bad(&|r| r.edges[2].path = path(&[(1.0, 1.0), (2.0, 2.0)])).seen.contains("from where edge"));
    assert!(bad(&|r| r.edges.clear()).seen.contains("no edges"));
    let backwards: Vec<(f64, f64)> = RECTANGLE.iter().rev().copied().collect();
    assert!(seams::seam(&polygon_request(&backwards, &[10.0])).unwrap_err().seen.contains("clockwise"));
}

/// Star-shaped pieces of random corners: sharp, blunt and inside corners all occur.
fn corners() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec(90.0f64..260.0, 5..9).prop_map(|radii| {
        let count = radii.len() as f64;
        radii
            .iter()
            .enumerate()
            .map(|(i, r)| {
                let angle = std::f64::consts::TAU * i as f64 / count;
                (r * angle.cos(), r * angle.sin())
            })
            .collect()
    })
}

fn turned(corners: &[(f64, f64)], angle: f64) -> Vec<(f64, f64)> {
    corners
        .iter()
        .map(|(x, y)| (x * angle.cos() - y * angle.sin() + 17.0, x * angle.sin() + y * angle.cos() - 60.0))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn no_allowance_changes_nothing(corners in corners()) {
        let piece = cut(&corners, &[0.0]);
        prop_assert_eq!(&piece.cut_line, &piece.stitching_line);
        let points: Vec<MatPoint> = corners.iter().map(|&(x, y)| MatPoint::new(x, y)).collect();
        prop_assert_eq!(&piece.stitching_line, &points);
    }

    /// No point of the cut line is nearer than the allowance, and half-way along every edge it is exactly that.
    #[test]
    fn the_cut_line_is_an_allowance_away(corners in corners(), width in 2.0f64..16.0) {
        let piece = cut(&corners, &[width]);
        prop_assert_eq!(polygon::self_crossing(&piece.cut_line), None);
        for p in &piece.cut_line {
            prop_assert!(polygon::distance_to_ring(&piece.stitching_line, *p) > width - 0.001);
        }
        for (a, b) in polygon::sides(&piece.stitching_line) {
            let (middle, along) = (a.lerp(b, 0.5), (b - a).normalize());
            let out = middle + nalgebra::Vector2::new(along.y, -along.x) * width;
            // Another edge may be nearer where a corner is tight.
            if polygon::distance_to_ring(&piece.stitching_line, out) > width - 1e-6 {
                prop_assert!(polygon::distance_to_ring(&piece.cut_line, out) < 1e-3);
            }
        }
    }

    #[test]
    fn turning_the_piece_turns_its_cut_line(corners in corners(), angle in -3.1f64..3.1, width in 2.0f64..16.0) {
        let (straight, turned_piece) = (cut(&corners, &[width]), cut(&turned(&corners, angle), &[width]));
        let moved: Vec<(f64, f64)> = straight.cut_line.iter().map(|p| (p.x, p.y)).collect();
        for (x, y) in turned(&moved, angle) {
            prop_assert!(polygon::distance_to_ring(&turned_piece.cut_line, MatPoint::new(x, y)) < 1e-3);
        }
        let (a, b) = (polygon::signed_area(&straight.cut_line), polygon::signed_area(&turned_piece.cut_line));
        prop_assert!((a - b).abs() < 1e-5 * a);
    }

    /// Out and back: the area A + Pd + d²S taken apart again gives the piece (regular polygons, none of them blunted).
    #[test]
    fn out_and_back_again(sides in 5usize..12, radius in 60.0f64..300.0, width in 1.0f64..20.0) {
        let corners: Vec<(f64, f64)> = (0..sides)
            .map(|i| std::f64::consts::TAU * i as f64 / sides as f64)
            .map(|a| (radius * a.cos(), radius * a.sin()))
            .collect();
        let piece = cut(&corners, &[width]);
        // The cut line's corners lie on the same rays, so scaling it back by the inner radii must give the piece.
        let inner = radius * (std::f64::consts::PI / sides as f64).cos();
        for p in &piece.cut_line {
            let back = MatPoint::new(p.x * inner / (inner + width), p.y * inner / (inner + width));
            prop_assert!(polygon::distance_to_ring(&piece.stitching_line, back) < 1e-4);
        }
        prop_assert_eq!(piece.cut_line.len(), sides);
    }

    /// Widths of their own on every edge: never nearer to an edge's line than its allowance, half-way along it.
    #[test]
    fn every_edge_gets_its_own_width(corners in corners(), widths in prop::collection::vec(4.0f64..14.0, 9)) {
        let piece = cut(&corners, &widths);
        prop_assert_eq!(polygon::self_crossing(&piece.cut_line), None);
        for (i, (a, b)) in polygon::sides(&piece.stitching_line).enumerate() {
            let (middle, along) = (a.lerp(b, 0.5), (b - a).normalize());
            let out = middle + nalgebra::Vector2::new(along.y, -along.x) * widths[i];
            if polygon::distance_to_ring(&piece.stitching_line, out) > widths[i] - 1e-6 {
                let inside = polygon::contains(&piece.cut_line, out);
                prop_assert!(inside || polygon::distance_to_ring(&piece.cut_line, out) < 1e-3);
            }
        }
    }
}
