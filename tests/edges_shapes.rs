//! Edges of shapes whose corners, lengths and curves are known.

use clothline::edges::{self, EdgeKind, EdgeOptions, FoldChoice, Tracing};
use clothline::outline::{Outline, OutlinePoint};
use clothline::units::MatPoint;
use kurbo::{ParamCurve, ParamCurveArclen};
use proptest::prelude::*;

fn no_fold() -> EdgeOptions {
    EdgeOptions { fold: FoldChoice::None, ..EdgeOptions::default() }
}

/// Points at most `step` apart along straight sides.
fn dense(corners: &[(f64, f64)], step: f64) -> Vec<MatPoint> {
    let mut points = Vec::new();
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        let (a, b) = (MatPoint::new(a.0, a.1), MatPoint::new(b.0, b.1));
        let parts = (a.distance(b) / step).ceil() as usize;
        points.extend((0..parts).map(|k| a.lerp(b, k as f64 / parts as f64)));
    }
    points
}

fn outline(points: &[MatPoint], doubt_mm: f64) -> Outline {
    Outline { points: points.iter().map(|&at| OutlinePoint { at, doubt_mm, seen: true }).collect() }
}

/// Scatter whose neighbours resemble each other over about 2 mm, as a traced edge's does; xorshift, so repeatable.
fn scattered(points: &[MatPoint], sigma_mm: f64, seed: u64) -> Vec<MatPoint> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut uniform = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let raw: Vec<(f64, f64)> = points
        .iter()
        .map(|_| {
            let mut normal = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
            (normal(), normal())
        })
        .collect();
    let count = points.len();
    (0..count)
        .map(|i| {
            let sum = |f: fn(&(f64, f64)) -> f64| (0..4).map(|k| f(&raw[(i + k) % count])).sum::<f64>() / 2.0;
            MatPoint::new(points[i].x + sigma_mm * sum(|r| r.0), points[i].y + sigma_mm * sum(|r| r.1))
        })
        .collect()
}

fn find(points: &[MatPoint], doubt_mm: f64, options: &EdgeOptions) -> Tracing {
    edges::find(&outline(points, doubt_mm).settled(), options).unwrap()
}

#[test]
fn a_drawn_polygon_comes_back_corner_for_corner() {
    let corners = [(0.0, 0.0), (300.0, 0.0), (300.0, 400.0), (120.0, 430.0), (0.0, 250.0)];
    let points: Vec<MatPoint> = corners.iter().map(|&(x, y)| MatPoint::new(x, y)).collect();
    let tracing = find(&points, 0.2, &no_fold());
    assert_eq!(tracing.edges.len(), 5);
    for (edge, corner) in tracing.edges.iter().zip(corners) {
        assert_eq!(edge.kind, EdgeKind::Line);
        assert!(edge.from().distance(MatPoint::new(corner.0, corner.1)) < 1e-3, "{:?} {corner:?}", edge.from());
        assert!(edge.deviation_mm < 0.36, "{}", edge.deviation_mm);
    }
    assert!((tracing.edges[1].length_mm() - 400.0).abs() < 1e-2);
}

#[test]
fn numbering_starts_lower_left_whatever_the_start_and_the_winding() {
    let corners = [(0.0, 0.0), (300.0, 0.0), (280.0, 400.0), (20.0, 350.0)];
    let first = find(&dense(&corners, 0.7), 0.2, &no_fold());
    for turn in 1..4 {
        let mut turned = corners;
        turned.rotate_left(turn);
        let mut points = dense(&turned, 0.7);
        points.reverse();
        let again = find(&points, 0.2, &no_fold());
        for (a, b) in first.edges.iter().zip(&again.edges) {
            assert!(a.from().distance(b.from()) < 0.02, "{:?} {:?}", a.from(), b.from());
        }
    }
}

/// Arc length of a circle, and no corners on it.
#[test]
fn a_circle_is_one_smooth_edge_of_its_own_length() {
    for radius in [40.0, 150.0] {
        let count = (radius * 9.0) as usize;
        let points: Vec<MatPoint> = (0..count)
            .map(|k| {
                let angle = std::f64::consts::TAU * k as f64 / count as f64;
                MatPoint::new(radius * angle.cos(), radius * angle.sin())
            })
            .collect();
        for (sigma, seed) in [(0.0, 1), (0.1, 2), (0.1, 3)] {
            let tracing = find(&scattered(&points, sigma, seed), 0.25, &no_fold());
            assert_eq!(tracing.edges.len(), 1, "r {radius} sigma {sigma}");
            let length = tracing.edges[0].length_mm();
            let truth = std::f64::consts::TAU * radius;
            assert!((length - truth).abs() < 0.003 * truth, "{length} against {truth}");
        }
    }
}

/// Lengths of cubic Béziers A and B, and of ellipse quadrants (scipy 1.17 `quad` and `ellipe`, fontTools 4.68).
#[test]
fn curves_keep_their_published_lengths() {
    let ellipse_quarter = 1_105.174_608_035 / 4.0;
    let quarter = |k: i32| {
        let angle = std::f64::consts::FRAC_PI_2 * f64::from(k) / 700.0;
        MatPoint::new(200.0 * angle.cos(), 150.0 * angle.sin())
    };
    let arc: Vec<MatPoint> = (0..=700).map(quarter).collect();
    let b = kurbo::CubicBez::new((0.0, 0.0), (100.0, 200.0), (200.0, -100.0), (300.0, 100.0));
    assert!((b.arclen(1e-9) - 374.886_328_208_8).abs() < 1e-6);
    let wave: Vec<MatPoint> = (0..=900).map(|k| b.eval(f64::from(k) / 900.0).into()).collect();
    let cases = [
        (arc, vec![MatPoint::new(0.0, 0.0)], MatPoint::new(200.0, 0.0), ellipse_quarter),
        (wave, vec![MatPoint::new(300.0, 300.0), MatPoint::new(0.0, 300.0)], MatPoint::new(0.0, 0.0), b.arclen(1e-9)),
    ];
    for (curve, rest, from, truth) in cases {
        let mut points = curve;
        points.extend(rest);
        let tracing = find(&points, 0.2, &no_fold());
        let edge =
            tracing.edges.iter().min_by(|a, b| a.from().distance(from).total_cmp(&b.from().distance(from))).unwrap();
        assert_eq!(edge.kind, EdgeKind::Curve);
        assert!((edge.length_mm() - truth).abs() < 0.3, "{} against {truth}", edge.length_mm());
        assert!(edge.deviation_mm < 0.4, "{}", edge.deviation_mm);
        let cubics = edge.path.segments().count();
        assert!(cubics <= 5, "{cubics} cubics");
    }
}

#[test]
fn corners_stand_where_they_are_under_scatter_and_a_wrinkle() {
    let corners = [(0.0, 0.0), (240.0, 10.0), (250.0, 420.0), (90.0, 470.0), (5.0, 380.0)];
    let exact = dense(&corners, 0.9);
    for seed in 1..9 {
        let mut points = scattered(&exact, 0.15, seed);
        // A wrinkle's bump, 1.4 mm high and 10 mm long, in the middle of the long right side.
        for p in points.iter_mut().filter(|p| p.x > 230.0 && (p.y - 215.0).abs() < 5.0) {
            p.x += 1.4 * (0.5 + 0.5 * ((p.y - 215.0) / 5.0 * std::f64::consts::PI).cos());
        }
        let tracing = find(&points, 0.35, &no_fold());
        assert_eq!(tracing.edges.len(), 5, "seed {seed}");
        for (edge, corner) in tracing.edges.iter().zip(corners) {
            let off = edge.from().distance(MatPoint::new(corner.0, corner.1));
            assert!(off < 0.25, "seed {seed}: corner of edge {} is {off} mm off", edge.number);
            assert_eq!(edge.kind, EdgeKind::Line, "seed {seed} edge {}", edge.number);
        }
        assert!(tracing.edges[1].deviation_mm > 1.2, "the wrinkle is owned up to");
        assert!(tracing.warnings.iter().any(|w| w.code == "bump-smoothed"));
    }
}

/// A photo rounds a corner; its two sides still say where it was.
#[test]
fn rounded_off_corners_are_put_back() {
    let corners = [(0.0, 0.0), (240.0, 0.0), (240.0, 300.0), (0.0, 300.0)];
    let exact = dense(&corners, 0.5);
    let count = exact.len();
    let rounded: Vec<MatPoint> = (0..count)
        .map(|i| {
            let near = (0..5).map(|k| exact[(i + count + k - 2) % count]);
            let (x, y) = near.fold((0.0, 0.0), |s, p| (s.0 + p.x, s.1 + p.y));
            MatPoint::new(x / 5.0, y / 5.0)
        })
        .collect();
    let tracing = find(&rounded, 0.2, &no_fold());
    for (edge, corner) in tracing.edges.iter().zip(corners) {
        assert!(edge.from().distance(MatPoint::new(corner.0, corner.1)) < 0.02, "{:?}", edge.from());
    }
}

/// Half a shirt: fold at the left leaning by 2°, neckline arriving at 80°, hem at 88°.
fn half_shirt(lean_deg: f64) -> Vec<MatPoint> {
    let neck: Vec<(f64, f64)> = (1..60)
        .map(|k| {
            // A quarter ellipse cut short: it meets the fold about 10° off square.
            let angle = (-80.0 + 80.0 * f64::from(k) / 60.0_f64).to_radians();
            (90.0 * angle.cos() - 90.0 * 80f64.to_radians().cos(), 520.0 + 80.0 * angle.sin() + 20.0)
        })
        .collect();
    let mut corners = vec![(0.0, 0.0), (250.0, 8.7), (245.0, 380.0), (330.0, 350.0), (390.0, 460.0)];
    corners.extend(neck.iter().rev());
    corners.push((0.0, 520.0 - 80.0 * 80f64.to_radians().sin() + 20.0));
    let turn = lean_deg.to_radians();
    dense(&corners, 0.8)
        .iter()
        .map(|p| MatPoint::new(p.x * turn.cos() - p.y * turn.sin(), p.x * turn.sin() + p.y * turn.cos()))
        .collect()
}

/// Any seam meeting a fold does so at 90°, within 1° (trade practice).
#[test]
fn the_fold_is_guessed_straightened_and_met_squarely() {
    for (lean, seed) in [(0.0, 1), (2.0, 2), (-3.0, 3), (30.0, 4)] {
        let points = scattered(&half_shirt(lean), 0.1, seed);
        let tracing = find(&points, 0.3, &EdgeOptions::default());
        let fold = tracing.fold.clone().unwrap();
        assert!(fold.guessed && tracing.warnings.iter().any(|w| w.code == "fold-guessed"));
        let edge = &tracing.edges[fold.edge - 1];
        assert_eq!(edge.kind, EdgeKind::Line);
        assert!((edge.length_mm() - 461.0).abs() < 3.0, "lean {lean}: {}", edge.length_mm());
        let along = edge.to() - edge.from();
        let count = tracing.edges.len();
        let before = &tracing.edges[(fold.edge + count - 2) % count];
        let after = &tracing.edges[fold.edge % count];
        assert_eq!(before.to(), edge.from());
        assert_eq!(after.from(), edge.to());
        for direction in [end_direction(before, true), end_direction(after, false)] {
            let angle = (along.normalize().dot(&direction)).abs().acos().to_degrees();
            assert!((angle - 90.0).abs() < 1.0, "lean {lean}: meets the fold at {angle}");
        }
        assert!(fold.moved_mm < 2.0, "{}", fold.moved_mm);
    }
}

fn end_direction(edge: &edges::Edge, last: bool) -> nalgebra::Vector2<f64> {
    let segments: Vec<kurbo::PathSeg> = edge.path.segments().collect();
    let (segment, a, b) = if last { (segments[segments.len() - 1], 1.0 - 1e-4, 1.0) } else { (segments[0], 0.0, 1e-4) };
    let d = segment.eval(b) - segment.eval(a);
    nalgebra::Vector2::new(d.x, d.y).normalize()
}

#[test]
fn a_v_neck_keeps_its_angle_and_says_so() {
    let corners = [(0.0, 0.0), (200.0, 0.0), (200.0, 500.0), (110.0, 520.0), (0.0, 380.0)];
    let options = EdgeOptions { fold: FoldChoice::Edge(5), ..EdgeOptions::default() };
    let tracing = find(&dense(&corners, 0.8), 0.2, &options);
    assert_eq!(tracing.fold.as_ref().map(|f| (f.guessed, f.confidence)), Some((false, 1.0)));
    assert!(tracing.warnings.iter().any(|w| w.code == "fold-not-square"));
    assert!(tracing.edges[4].from().distance(MatPoint::new(0.0, 380.0)) < 0.05);
}

#[test]
fn outlines_that_cannot_be_pieces_are_refused_with_their_place() {
    let cases: [(&[(f64, f64)], &str); 5] = [
        (&[(0.0, 0.0), (10.0, 0.0)], "2 points"),
        (&[(0.0, 0.0), (100.0, 100.0), (100.0, 0.0), (0.0, 100.0)], "crosses itself near (50.0, 50.0)"),
        (&[(0.0, 0.0), (f64::NAN, 0.0), (50.0, 90.0)], "point 2 is not a number"),
        (&[(0.0, 0.0), (1e6, 0.0), (50.0, 90.0)], "more than 20 m away"),
        (&[(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)], "less than 1 cm²"),
    ];
    for (points, words) in cases {
        let points: Vec<MatPoint> = points.iter().map(|&(x, y)| MatPoint::new(x, y)).collect();
        let refusal = edges::find(&outline(&points, 0.2), &no_fold()).unwrap_err();
        assert!(refusal.seen.contains(words), "{refusal}");
        assert!(!refusal.advice.is_empty());
    }
    let square = outline(&dense(&[(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)], 1.0), 0.2);
    let options = EdgeOptions { fold: FoldChoice::Edge(9), ..EdgeOptions::default() };
    assert!(edges::find(&square, &options).unwrap_err().advice.contains("edges 1 to 4"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Turning and moving the outline turns and moves its edges.
    #[test]
    fn edges_go_with_the_outline(angle in -3.1f64..3.1, dx in -500.0f64..500.0, dy in -500.0f64..500.0, width in 120.0f64..400.0) {
        let corners = [(0.0, 0.0), (width, 12.0), (width - 20.0, 300.0), (60.0, 340.0), (-15.0, 200.0)];
        let points = dense(&corners, 0.8);
        let moved: Vec<MatPoint> = points
            .iter()
            .map(|p| MatPoint::new(p.x * angle.cos() - p.y * angle.sin() + dx, p.x * angle.sin() + p.y * angle.cos() + dy))
            .collect();
        let tracing = find(&moved, 0.2, &no_fold());
        prop_assert_eq!(tracing.edges.len(), 5);
        for (x, y) in corners {
            let at = MatPoint::new(x * angle.cos() - y * angle.sin() + dx, x * angle.sin() + y * angle.cos() + dy);
            prop_assert!(tracing.edges.iter().any(|e| e.from().distance(at) < 0.02));
        }
    }
}
