use super::*;
use crate::edges::{self, FoldChoice, LengthWish};
use crate::outline::OutlinePoint;

/// A rectangle of 200 by 300 mm with points every millimetre.
fn rectangle() -> Outline {
    let corners = [(0.0, 0.0), (200.0, 0.0), (200.0, 300.0), (0.0, 300.0)].map(|(x, y)| MatPoint::new(x, y));
    let mut points = Vec::new();
    for k in 0..4 {
        let (a, b) = (corners[k], corners[(k + 1) % 4]);
        let count = a.distance(b) as usize;
        let at = |i: usize| a.lerp(b, i as f64 / count as f64);
        points.extend((0..count).map(|i| OutlinePoint { at: at(i), doubt_mm: 0.1, seen: true }));
    }
    Outline { points }
}

fn at(x: f64, y: f64) -> MatPoint {
    MatPoint::new(x, y)
}

fn after(steps: &[Step]) -> Corrected {
    corrected(&rectangle(), &Corrections { done: steps.to_vec(), undone: Vec::new() }).unwrap()
}

fn lengths(done: &Corrected) -> Vec<f64> {
    edges::find(&done.outline, &done.edges).unwrap().edges.iter().map(|e| e.length_mm()).collect()
}

#[test]
fn undo_restores_to_the_letter_and_redo_brings_it_back() {
    let mut corrections = Corrections::default();
    let before = corrected(&rectangle(), &corrections).unwrap();
    let step = Step::Move {
        at: at(200.0, 300.0),
        to: at(210.0, 305.0),
        from: at(200.0, 0.0),
        until: at(0.0, 300.0),
        corner: true,
    };
    corrections.add(step).unwrap();
    let moved = corrected(&rectangle(), &corrections).unwrap();
    assert_ne!(moved, before);
    assert!(corrections.undo());
    assert_eq!(corrected(&rectangle(), &corrections).unwrap(), before);
    let kept = read(&write(&corrections).unwrap()).unwrap();
    assert_eq!(kept, corrections);
    assert!(corrections.redo());
    assert_eq!(corrected(&rectangle(), &corrections).unwrap(), moved);
    assert!(!corrections.redo());
}

#[test]
fn a_corner_moved_takes_both_straight_edges_along() {
    let step = Step::Move {
        at: at(200.0, 300.0),
        to: at(220.0, 310.0),
        from: at(200.0, 0.0),
        until: at(0.0, 300.0),
        corner: true,
    };
    let edges = edges::find(&after(&[step]).outline, &EdgeOptions { fold: FoldChoice::None, ..EdgeOptions::default() })
        .unwrap()
        .edges;
    assert_eq!(edges.len(), 4);
    // Pythagoras: the right edge runs from (200, 0) to (220, 310), the upper from there to (0, 300).
    assert!((edges[1].length_mm() - 20f64.hypot(310.0)).abs() < 0.05, "{}", edges[1].length_mm());
    assert!((edges[2].length_mm() - 220f64.hypot(10.0)).abs() < 0.05, "{}", edges[2].length_mm());
    assert!(edges.iter().all(|e| e.kind == edges::EdgeKind::Line));
}

#[test]
fn edges_are_split_and_joined() {
    assert_eq!(lengths(&after(&[Step::Corner { at: at(200.0, 120.0), corner: true }])).len(), 5);
    let joined = after(&[Step::Corner { at: at(200.0, 300.0), corner: false }]);
    assert_eq!(lengths(&joined).len(), 3);
    let both = after(&[
        Step::Corner { at: at(200.0, 120.0), corner: true },
        Step::Corner { at: at(200.0, 120.0), corner: false },
    ]);
    assert_eq!(lengths(&both).len(), 4);
}

#[test]
fn an_exact_length_is_exact_and_the_fold_stays() {
    let steps = [
        Step::Fold { at: Some(at(0.0, 150.0)) },
        Step::Length {
            at: at(100.0, 0.0),
            from: at(0.0, 0.0),
            until: at(200.0, 0.0),
            keeps_end: false,
            fades: at(200.0, 300.0),
            length: Length::from_mm(215.5),
        },
    ];
    let done = after(&steps);
    let tracing = edges::find(&done.outline, &done.edges).unwrap();
    assert_eq!(tracing.fold.as_ref().unwrap().edge, 4);
    assert!((tracing.edges[0].length_mm() - 215.5).abs() < 1e-3, "{}", tracing.edges[0].length_mm());
    assert!((tracing.edges[0].from().x - tracing.edges[3].to().x).abs() < 1e-9);
    assert!((tracing.edges[3].length_mm() - 300.0).abs() < 0.05);
    for pair in 0..4 {
        assert!(tracing.edges[pair].to().distance(tracing.edges[(pair + 1) % 4].from()) < 1e-9);
    }
}

#[test]
fn a_length_holds_until_its_edge_is_changed() {
    let fixed = || Step::Length {
        at: at(200.0, 150.0),
        from: at(200.0, 0.0),
        until: at(200.0, 300.0),
        keeps_end: false,
        fades: at(0.0, 300.0),
        length: Length::from_mm(310.0),
    };
    let elsewhere = after(&[fixed(), Step::Corner { at: at(0.0, 150.0), corner: true }]);
    assert_eq!((elsewhere.edges.lengths.len(), elsewhere.warnings.len()), (1, 0));
    let joined = after(&[fixed(), Step::Corner { at: at(200.0, 310.0), corner: false }]);
    assert!(joined.outline.points.iter().any(|p| p.at.distance(at(200.0, 310.0)) < 0.01));
    assert_eq!((joined.edges.lengths.len(), joined.warnings.len()), (0, 1));
    let twice = after(&[fixed(), fixed()]);
    assert_eq!(twice.edges.lengths.len(), 1);
}

#[test]
fn a_stretch_is_redrawn_and_straightened() {
    let bay = vec![at(200.0, 100.0), at(180.0, 150.0), at(200.0, 200.0)];
    let redrawn = after(&[Step::Redraw { path: bay, by: RedrawnBy::Hand }]);
    let area = crate::polygon::signed_area(&redrawn.outline.positions());
    assert!((area - (60_000.0 - 0.5 * 100.0 * 20.0)).abs() < 1.0, "{area}");
    let back = after(&[
        Step::Redraw { path: vec![at(200.0, 100.0), at(180.0, 150.0), at(200.0, 200.0)], by: RedrawnBy::Hand },
        Step::Redraw { path: vec![at(200.0, 0.0), at(200.0, 300.0)], by: RedrawnBy::Straight },
    ]);
    assert!((crate::polygon::signed_area(&back.outline.positions()) - 60_000.0).abs() < 1e-6);
}

#[test]
fn a_removed_point_leaves_a_smooth_run() {
    let out = after(&[
        Step::AddPoint { at: at(200.0, 150.0) },
        Step::Move {
            at: at(200.0, 150.0),
            to: at(212.0, 150.0),
            from: at(200.0, 100.0),
            until: at(200.0, 200.0),
            corner: false,
        },
    ]);
    assert!(out.outline.points.iter().any(|p| p.at.x > 211.9) && out.points[0].x > 211.9);
    let again = after(&[
        Step::AddPoint { at: at(200.0, 150.0) },
        Step::Move {
            at: at(200.0, 150.0),
            to: at(212.0, 150.0),
            from: at(200.0, 100.0),
            until: at(200.0, 200.0),
            corner: false,
        },
        Step::RemovePoint { at: at(212.0, 150.0), from: at(200.0, 90.0), until: at(200.0, 210.0) },
    ]);
    assert!(again.points.is_empty() && again.outline.points.iter().all(|p| p.at.x < 200.01));
}

#[test]
fn steps_of_another_photo_are_left_out_with_a_word_and_nonsense_is_refused() {
    let far = after(&[Step::Corner { at: at(900.0, 900.0), corner: true }]);
    assert_eq!(far.warnings.len(), 1);
    assert_eq!(far.outline, rectangle().settled());
    let mut corrections = Corrections::default();
    assert!(corrections.add(Step::Redraw { path: vec![at(0.0, 0.0)], by: RedrawnBy::Hand }).is_err());
    assert!(corrections.add(Step::AddPoint { at: at(f64::NAN, 0.0) }).is_err());
    let crossing = Step::Move {
        at: at(200.0, 300.0),
        to: at(100.0, -80.0),
        from: at(200.0, 0.0),
        until: at(0.0, 300.0),
        corner: true,
    };
    assert!(corrected(&rectangle(), &Corrections { done: vec![crossing], undone: Vec::new() }).is_err());
    assert!(read("{}").is_err());
    assert!(
        read(r#"{"format":"clothline-corrections","version":2,"units":"mm"}"#).unwrap_err().advice.contains("update")
    );
}

/// Largest distance between a line and the finished edges, mm.
fn away(done: &Corrected, line: &[MatPoint]) -> f64 {
    let options = EdgeOptions { fold: FoldChoice::None, ..done.edges.clone() };
    let tracing = edges::find(&done.outline, &options).unwrap();
    let ring: Vec<MatPoint> = tracing.edges.iter().flat_map(|e| edges::flatten(&e.path, 0.01)).collect();
    line.iter().map(|p| crate::polygon::distance_to_polyline(&ring, *p)).fold(0.0, f64::max)
}

/// 5 mm wide and 3 mm deep: smaller than the wrinkles that the fit of an edge passes by.
#[test]
fn a_small_correction_comes_out_where_it_was_drawn() {
    for middle in [150.0, 20.0, 283.0] {
        let path = vec![at(200.0, middle - 2.5), at(197.0, middle), at(200.0, middle + 2.5)];
        let done = after(&[Step::Redraw { path: path.clone(), by: RedrawnBy::Hand }]);
        assert!(away(&done, &path) <= 0.3, "{}", away(&done, &path));
        let (straight, _) = (away(&done, &[at(200.0, 80.0), at(200.0, 220.0), at(100.0, 300.0), at(0.0, 40.0)]), ());
        assert!(straight < 0.02, "what was traced is as it was: {straight}");
        let options = EdgeOptions { fold: FoldChoice::None, ..done.edges.clone() };
        let edges = edges::find(&done.outline, &options).unwrap().edges;
        assert_eq!(edges.len(), 4, "a detail of an edge makes no edges");
        // A V of two flanks of hypot(2.5, 3) in the place of 5 mm.
        let long = 300.0 - 5.0 + 2.0 * 2.5f64.hypot(3.0);
        assert!((edges[1].length_mm() - long).abs() < 0.4, "{} and {long}", edges[1].length_mm());
    }
}

#[test]
fn a_point_moved_between_near_neighbours_comes_out_where_it_was_put() {
    let to = at(203.0, 150.0);
    let step = Step::Move { at: at(200.0, 150.0), to, from: at(200.0, 144.0), until: at(200.0, 156.0), corner: false };
    let done = after(&[step]);
    assert!(away(&done, &[to]) <= 0.3, "{}", away(&done, &[to]));
    // Half-way to a neighbour it follows by half (smoothstep at one half).
    assert!(away(&done, &[at(201.5, 147.0)]) <= 0.3);
}

#[test]
fn a_corner_drawn_by_hand_stays_a_corner() {
    // The upper right corner cut off by a slanting line, drawn with a corner at either end.
    let path = vec![at(200.0, 260.0), at(160.0, 300.0)];
    let done = after(&[Step::Redraw { path: path.clone(), by: RedrawnBy::Hand }]);
    assert_eq!(lengths(&done).len(), 5);
    assert!(away(&done, &path) <= 0.3, "{}", away(&done, &path));
}

proptest::proptest! {
    /// Wherever a detail is drawn, however deep and wide, in or out: it comes out within a third of a millimetre, or the
    /// outline crosses itself and is refused.
    #[test]
    fn details_come_out_where_they_were_drawn(
        side in 0usize..4, share in 0.12..0.88f64, wide in 3.0..40.0f64, deep in -12.0..12.0f64, bend in -0.4..0.4f64
    ) {
        let (a, b) = [(at(0.0, 0.0), at(200.0, 0.0)), (at(200.0, 0.0), at(200.0, 300.0)), (at(200.0, 300.0), at(0.0, 300.0)),
            (at(0.0, 300.0), at(0.0, 0.0))][side];
        let along = (b - a).normalize();
        let inwards = nalgebra::Vector2::new(-along.y, along.x);
        let middle = a.lerp(b, share);
        let place = |s: f64, d: f64| middle + along * (s * wide) + inwards * (d * deep);
        let path = vec![place(-0.5, 0.0), place(-0.2, 0.6), place(bend, 1.0), place(0.5, 0.0)];
        let outline = corrected(&rectangle(),
            &Corrections { done: vec![Step::Redraw { path, by: RedrawnBy::Hand }], undone: Vec::new() });
        if let Ok(done) = outline {
            let drawn: Vec<MatPoint> = done.edges.by_hand.iter().flat_map(|s| s.line.clone()).collect();
            let off = away(&done, &drawn);
            proptest::prop_assert!(off <= 0.33, "{off}");
        }
    }
}

/// Whatever corners are found within it: stretching may sharpen a bend to one.
#[test]
fn an_edge_of_a_set_length_is_one_edge() {
    let wish = LengthWish { at: at(200.0, 150.0), ends: [at(200.0, 0.0), at(0.0, 300.0)], length_mm: 510.0 };
    let options = EdgeOptions { lengths: vec![wish], ..EdgeOptions::default() };
    let tracing = edges::find(&rectangle(), &options).unwrap();
    assert_eq!(tracing.edges.len(), 3);
    assert!(tracing.edges.iter().any(|edge| (edge.length_mm() - 510.0).abs() < 1e-3));
}
