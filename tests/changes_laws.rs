//! Laws of the changes to a piece, on invented half bodies and trouser legs of any size.

#[path = "support/garments.rs"]
mod garments;

use clothline::draft::changes::{self, Change};
use clothline::draft::shape::{Shape, ShapeEdge};
use clothline::path;
use clothline::refusal::{Refusal, RefusalKind};
use clothline::units::MatPoint;
use garments::{TEE, TROUSERS, angle_deg, bodies, legs};
use kurbo::{Affine, ParamCurve};
use proptest::prelude::*;
use serde_json::{Value, json};

fn alone(name: &str) -> Result<Shape, Refusal> {
    Err(Refusal::new(RefusalKind::BadRequest, format!("there is no piece \"{name}\""), "name a piece"))
}

fn changes(steps: Value) -> Vec<Change> {
    serde_json::from_value(steps).unwrap()
}

/// Makes the changes written as in a set.
fn made(shape: &Shape, steps: Value) -> Shape {
    changes::apply(shape, &changes(steps), &alone).unwrap()
}

fn refused(shape: &Shape, steps: Value) -> Refusal {
    changes::apply(shape, &changes(steps), &alone).unwrap_err()
}

fn edge<'a>(shape: &'a Shape, name: &str) -> &'a ShapeEdge {
    &shape.edges[shape.find(&name.into()).unwrap()]
}

fn length(shape: &Shape, name: &str) -> f64 {
    edge(shape, name).length_mm()
}

fn close(value: f64, truth: f64, tolerance: f64) {
    assert!((value - truth).abs() <= tolerance, "{value} against {truth}");
}

/// Every edge of `now` but those named is as long as it was.
fn others_keep(before: &Shape, now: &Shape, but: &[&str], tolerance: f64) {
    for old in &before.edges {
        if but.contains(&old.called().as_str()) {
            continue;
        }
        let new = now.edges.iter().find(|e| e.number == old.number).unwrap();
        close(new.length_mm(), old.length_mm(), tolerance);
        assert_eq!((new.role, &new.name), (old.role, &old.name));
    }
}

/// Angle between two neighbouring edges where the first ends, degrees.
fn corner_deg(shape: &Shape, first: &str, second: &str) -> f64 {
    let (a, b) = (edge(shape, first), edge(shape, second));
    assert!(a.to().distance(b.from()) < 1e-6, "{first} does not run into {second}");
    angle_deg(path::end_direction(&a.path), path::start_direction(&b.path))
}

/// Largest turn inside an edge where its segments meet, degrees.
fn kink_deg(edge: &ShapeEdge) -> f64 {
    let parts: Vec<_> = edge.path.segments().collect();
    let at = |s: &kurbo::PathSeg| {
        let mut path = kurbo::BezPath::new();
        path.move_to(s.start());
        path.push(s.as_path_el());
        (path::start_direction(&path), path::end_direction(&path))
    };
    parts.windows(2).map(|w| angle_deg(at(&w[0]).1, at(&w[1]).0)).fold(0.0, f64::max)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(48) })]

    #[test]
    fn letting_out_by_nothing_changes_nothing(body in bodies(), leg in legs()) {
        for (shape, name) in [(body.shape(), "hem"), (leg.shape(), "waist")] {
            let same = made(&shape, json!([{"let-out": {"edge": name, "relaxed": "30cm", "stretched": 300, "level": "10cm"}}]));
            prop_assert_eq!(same, shape);
        }
    }

    #[test]
    fn a_waist_let_out_is_as_long_as_stretched_and_the_sides_keep_their_lengths(
        leg in legs(), factor in 1.01..1.25f64, level in 150.0..175.0f64, one_side in any::<bool>()
    ) {
        let shape = leg.shape();
        let mut step = json!({"edge": "waist", "relaxed": 1000, "stretched": 1000.0 * factor, "level": level});
        if one_side {
            step["from"] = json!("rise");
        }
        let out = made(&shape, json!([{ "let-out": step }]));
        close(length(&out, "waist"), factor * length(&shape, "waist"), 0.01);
        others_keep(&shape, &out, &["waist"], 0.01);
        if one_side {
            prop_assert_eq!(&edge(&out, "rise").path, &edge(&shape, "rise").path);
        }
        prop_assert!(kink_deg(edge(&out, "outseam")) < 0.1);
        // Below the level nothing has moved.
        let outseam = edge(&shape, "outseam");
        let far = path::point_at(&outseam.path, path::spot_at(&outseam.path, 220.0).unwrap());
        prop_assert!(path::nearest(&edge(&out, "outseam").path, far).unwrap().1 < 1e-6);
    }

    #[test]
    fn a_hem_let_out_on_the_fold_stays_square_and_its_straight_side_straight(body in bodies(), factor in 1.0..1.2f64) {
        let straight = garments::Body { side_bow: 0.0, ..body }.shape();
        let out = made(&straight, json!([{"let-out": {"edge": "hem", "stretched": 2.0 * factor * length(&straight, "hem")}}]));
        close(length(&out, "hem"), factor * length(&straight, "hem"), 0.01);
        others_keep(&straight, &out, &["hem"], 0.01);
        prop_assert!(path::is_straight(&edge(&out, "side-seam").path));
        close(corner_deg(&out, "fold", "hem"), 90.0, 0.01);
    }

    #[test]
    fn the_whole_is_twice_the_half_and_its_own_mirror_image(body in bodies()) {
        let half = body.shape();
        let whole = changes::unfold(&half).unwrap();
        whole.check("unfolding").unwrap();
        close(whole.area_mm2(), 2.0 * half.area_mm2(), 1e-6 * half.area_mm2());
        prop_assert_eq!(whole.edges.len(), 8);
        let names: std::collections::BTreeSet<String> = whole.edges.iter().map(ShapeEdge::called).collect();
        prop_assert_eq!(names.len(), 8);
        let fold = edge(&half, "fold");
        let over = whole.transformed(path::mirror(fold.from().into(), fold.to().into()));
        for e in &whole.edges {
            for p in [e.from(), e.to()] {
                prop_assert!(over.edges.iter().any(|o| o.from().distance(p) < 1e-6), "{:?}", p);
            }
            let middle = path::point_at(&e.path, path::spot_at(&e.path, 0.3 * e.length_mm()).unwrap());
            let near = over.edges.iter().filter_map(|o| path::nearest(&o.path, middle)).map(|(_, d)| d);
            prop_assert!(near.fold(f64::INFINITY, f64::min) < 1e-6);
        }
        close(length(&whole, "hem"), 2.0 * length(&half, "hem"), 1e-5);
        close(length(&whole, "neckline"), 2.0 * length(&half, "neckline"), 1e-5);
        prop_assert!(kink_deg(edge(&whole, "hem")) < 1e-6);
        let again = refused(&whole, json!([{"unfold": {}}]));
        prop_assert!(again.seen.contains("change 1 (unfold)"), "{}", again);
    }

    #[test]
    fn a_shorter_leg_is_square_at_both_seams(leg in legs(), share in 0.2..0.95f64) {
        let shape = leg.shape();
        let inseam = share * length(&shape, "inseam");
        let short = made(&shape, json!([{"shorten-leg": {"inseam": inseam}}]));
        close(length(&short, "inseam"), inseam, 0.01);
        let lost = |name| length(&shape, name) - length(&short, name);
        close(lost("outseam"), lost("inseam"), 0.01);
        close(corner_deg(&short, "hem", "inseam"), 90.0, 1.0);
        close(corner_deg(&short, "outseam", "hem"), 90.0, 1.0);
        others_keep(&shape, &short, &["inseam", "outseam", "hem"], 1e-6);
    }

    #[test]
    fn lengthened_then_shortened_is_as_before(leg in legs(), by in 5.0..150.0f64, share in 0.2..0.8f64) {
        let shape = leg.shape();
        let at = share * leg.inseam;
        let long = made(&shape, json!([{"lengthen": {"by": by, "at": at}}]));
        others_keep(&shape, &long, &["inseam", "outseam"], 1e-6);
        for name in ["inseam", "outseam"] {
            let (old, new) = (length(&shape, name), length(&long, name));
            prop_assert!(new > old + 0.7 * by && new < old + by * 1.0001, "{} to {} by {}", old, new, by);
            prop_assert!(kink_deg(edge(&long, name)) < 0.1);
            prop_assert_eq!(path::is_straight(&edge(&long, name).path), path::is_straight(&edge(&shape, name).path));
        }
        let back = made(&long, json!([{"shorten": {"by": by, "at": at}}]));
        others_keep(&shape, &back, &[], 1e-3);
        close(back.area_mm2(), shape.area_mm2(), 1e-6 * shape.area_mm2());
    }

    #[test]
    fn parts_of_a_piece_add_up_and_share_their_seam(body in bodies(), low in 0.2..0.5f64, high in 0.5..0.8f64, dip in -0.1..0.1f64) {
        let shape = body.shape();
        let p = |share_x: f64, share_y: f64| {
            let at = Affine::translate(body.at) * Affine::rotate(body.turn_deg.to_radians())
                * kurbo::Point::new(share_x * body.width, share_y * body.side);
            [at.x, at.y]
        };
        let line = json!([p(0.1, low), p(0.5, 0.5 * (low + high) + dip), p(0.9, high)]);
        let part = |holding: &str| made(&shape, json!([{"part": {"line": line, "holding": holding, "name": "yoke", "role": "plain"}}]));
        let (lower, upper) = (part("hem"), part("shoulder"));
        close(lower.area_mm2() + upper.area_mm2(), shape.area_mm2(), 1e-6 * shape.area_mm2());
        close(length(&lower, "yoke"), length(&upper, "yoke"), 1e-6);
        close(length(&lower, "fold") + length(&upper, "fold"), length(&shape, "fold"), 1e-5);
        close(length(&lower, "side-seam") + length(&upper, "side-seam"), length(&shape, "side-seam"), 1e-5);
    }

    #[test]
    fn a_strip_moves_from_piece_to_piece_without_loss(
        leg in legs(), top in 0.04..0.15f64, middle in 0.05..0.15f64, bottom in 0.04..0.15f64, seen_through in any::<bool>()
    ) {
        let front = garments::Leg { out_bow: 0.0, ..leg }.shape();
        // The back, as it is seen from its own side; or through the front, in the same frame.
        let back = garments::Leg { out_bow: 0.0, crotch: leg.crotch + 20.0, waist: leg.waist - 20.0, ..leg }.shape();
        let fold = edge(&front, "outseam").clone();
        let back = back.transformed(if seen_through { Affine::rotate(0.1) } else { Affine::FLIP_X });
        let place = |share: f64, along: f64| {
            let (top, hem) = (fold.from(), fold.to());
            let down = (hem - top).normalize();
            let at = top.lerp(hem, along) + nalgebra::Vector2::new(-down.y, down.x) * (share * leg.hem);
            [at.x, at.y]
        };
        let line = json!([place(top, 0.1), place(middle, 0.5), place(bottom, 0.9)]);
        let given = made(&front, json!([{"give-strip": {"edge": "outseam", "line": line, "name": "side"}}]));
        let take = json!([{"take-strip": {"from": "front", "edge": "outseam", "line": line, "onto": "outseam", "name": "side"}}]);
        let taken = changes::apply(&back, &changes(take), &|_| Ok(front.clone())).unwrap();
        let (before, after) = (front.area_mm2() + back.area_mm2(), given.area_mm2() + taken.area_mm2());
        close(after, before, 1e-6 * before);
        close(length(&given, "side"), length(&taken, "side"), 1e-6);
        others_keep(&back, &taken, &["outseam", "hem", "waist"], 1e-6);
        for name in ["hem", "waist"] {
            let strip = taken.find(&format!("{name} strip").as_str().into()).map_or(0.0, |i| taken.edges[i].length_mm());
            let sum = length(&given, name) + length(&taken, name) + strip;
            close(sum, length(&front, name) + length(&back, name), 1e-4);
        }
    }

    #[test]
    fn an_edge_moved_out_and_in_again_is_where_it_was(leg in legs(), by in 1.0..25.0f64) {
        let shape = garments::Leg { in_bow: 0.0, out_bow: 0.0, ..leg }.shape();
        let wide = made(&shape, json!([{"move-edge": {"edge": "outseam", "out": by}}]));
        let old = edge(&shape, "outseam");
        let middle = old.from().lerp(old.to(), 0.5);
        close(path::nearest(&edge(&wide, "outseam").path, middle.into()).unwrap().1, by, 1e-6);
        others_keep(&shape, &wide, &["outseam", "hem", "waist"], 1e-6);
        let back = made(&wide, json!([{"move-edge": {"edge": "outseam", "in": by}}]));
        close(length(&back, "outseam"), length(&shape, "outseam"), 1e-3);
        close(length(&back, "hem"), length(&shape, "hem"), 1e-3);
    }

    #[test]
    fn a_raised_back_rise_is_longer_by_just_that(leg in legs(), by in 1.0..50.0f64) {
        let shape = leg.shape();
        let back = made(&shape, json!([{"raise": {"by": by}}]));
        close(length(&back, "rise"), length(&shape, "rise") + by, 1e-4);
        others_keep(&shape, &back, &["rise", "waist"], 1e-6);
        prop_assert!(kink_deg(edge(&back, "rise")) < 1e-4 && kink_deg(edge(&back, "waist")) < 0.01);
        let again = made(&back, json!([{"lower": {"by": by}}]));
        close(length(&again, "waist"), length(&shape, "waist"), 0.1);
        close(length(&again, "rise"), length(&shape, "rise"), 1e-3);
    }

    #[test]
    fn necklines_have_their_depth_and_meet_the_fold_squarely(body in bodies(), depth in 30.0..180.0f64, widen in 0.0..30.0f64) {
        let shape = body.shape();
        let round = made(&shape, json!([{"neckline": {"shape": "round", "depth": depth, "widen": widen}}]));
        let v = made(&shape, json!([{"neckline": {"shape": "v", "depth": depth, "widen": widen}}]));
        let fold = edge(&shape, "fold");
        let down = (fold.to() - fold.from()).normalize();
        for neck in [&round, &v] {
            let line = edge(neck, "neckline");
            close((line.to() - line.from()).dot(&down), depth, 1e-6);
            close(length(neck, "shoulder"), length(&shape, "shoulder") - widen, 1e-4);
            others_keep(&shape, neck, &["neckline", "shoulder", "fold"], 1e-6);
        }
        close(corner_deg(&round, "neckline", "fold"), 90.0, 1e-6);
        prop_assert!((70.0..110.0).contains(&corner_deg(&round, "shoulder", "neckline")) || depth > 100.0 || body.shoulder < 90.0);
        prop_assert!(path::is_straight(&edge(&v, "neckline").path));
    }

    #[test]
    fn turning_the_leg_upright_halves_hem_and_knee(leg in legs(), turn in -25.0..25.0f64) {
        let shape = garments::Leg { turn_deg: turn, ..leg }.shape();
        let up = made(&shape, json!([{"grain-down-the-leg": {"knee": 250}}]));
        let hem = edge(&up, "hem");
        let middle = hem.from().lerp(hem.to(), 0.5);
        let inside = clothline::polygon::intervals_inside(
            &up.ring(), middle + nalgebra::Vector2::new(0.0, 250.0), nalgebra::Vector2::x());
        let leg = inside.iter().find(|(a, b)| (*a..=*b).contains(&0.0)).unwrap();
        close(leg.0 + leg.1, 0.0, 0.01);
        others_keep(&shape, &up, &[], 1e-6);
    }

    #[test]
    fn scaled_lengths_grow_along_and_across_the_grain(body in bodies(), length_pc in -10.0..10.0f64, width_pc in -10.0..10.0f64) {
        let shape = body.shape();
        let scaled = made(&shape, json!([{"scale": {"length": length_pc, "width": width_pc}}]));
        close(length(&scaled, "fold"), length(&shape, "fold") * (1.0 + length_pc / 100.0), 1e-6);
        let factor = (1.0 + length_pc / 100.0) * (1.0 + width_pc / 100.0);
        close(scaled.area_mm2(), factor * shape.area_mm2(), 1e-6 * shape.area_mm2());
    }

    #[test]
    fn edges_out_of_square_are_bent_square_at_the_fold(body in bodies(), lean in -12.0..12.0f64) {
        let straight = garments::Body { hem_drop: body.width * lean.to_radians().tan(), turn_deg: body.turn_deg, ..body };
        let mut shape = straight.shape();
        let (from, to) = (edge(&shape, "hem").from(), edge(&shape, "hem").to());
        shape.edges[0].path = path::line(from, to);
        let off = (corner_deg(&shape, "fold", "hem") - 90.0).abs();
        let bent = made(&shape, json!([{"square-at-fold": {}}]));
        if off < 14.9 {
            close(corner_deg(&bent, "fold", "hem"), 90.0, 0.26);
        }
        others_keep(&shape, &bent, &["hem", "fold", "neckline"], 1e-6);
    }
}

fn any_place() -> impl Strategy<Value = Value> {
    prop_oneof![
        (-900.0..900.0f64, -900.0..1200.0f64).prop_map(|(x, y)| json!([x, y])),
        (0.0..300.0f64, 0.0..700.0f64).prop_map(|(x, y)| json!([x, y])),
        (0..3usize).prop_map(|mark| json!({ "mark": mark })),
        Just(json!([1e300, -1e300])),
    ]
}

fn any_length() -> impl Strategy<Value = Value> {
    prop_oneof![
        (0.0..200.0f64).prop_map(|mm| json!(mm)),
        (0.0..5000.0f64).prop_map(|mm| json!(mm)),
        Just(json!(0)),
        Just(json!(1e-9)),
        Just(json!(1e12)),
        Just(json!("3 1/2in")),
    ]
}

fn any_edge() -> impl Strategy<Value = Value> {
    prop_oneof![
        (0..9usize).prop_map(|n| json!(n.to_string())),
        prop::sample::select(vec!["hem", "fold", "waist", "inseam", "outseam", "rise", "neckline", "shoulder", "cuff"])
            .prop_map(|n| json!(n)),
    ]
}

fn any_change() -> impl Strategy<Value = Value> {
    let places = || prop::collection::vec(any_place(), 0..5);
    prop_oneof![
        (any_edge(), places(), any::<bool>())
            .prop_map(|(e, p, s)| json!({"redraw": {"edge": e, "through": p, "smooth": s}})),
        (any_edge(), any_length(), any_length(), any::<bool>()).prop_map(|(e, d, w, v)| {
            json!({"neckline": {"edge": e, "shape": if v { "v" } else { "round" }, "depth": d, "widen": w}})
        }),
        Just(json!({"unfold": {}})),
        (any_edge(), any_length(), any_length(), any_length(), any_edge()).prop_map(|(e, r, s, l, f)| {
            json!({"let-out": {"edge": e, "relaxed": r, "stretched": s, "level": l, "from": f}})
        }),
        (any_edge(), any_length(), any_length())
            .prop_map(|(e, s, l)| json!({"let-out": {"edge": e, "stretched": s, "level": l}})),
        (any_length(), any_edge(), any_edge())
            .prop_map(|(l, a, h)| json!({"shorten-leg": {"inseam": l, "along": a, "hem": h}})),
        (any_length(), any_length(), any::<bool>())
            .prop_map(|(b, a, long)| json!({ (if long { "lengthen" } else { "shorten" }): {"by": b, "at": a}})),
        (any_length(), any_place(), any_place()).prop_map(|(b, p, q)| json!({"lengthen": {"by": b, "line": [p, q]}})),
        (any_edge(), any_length(), any::<bool>())
            .prop_map(|(e, b, out)| json!({"move-edge": {"edge": e, (if out { "out" } else { "in" }): b}})),
        (any_edge(), any_edge(), any_length(), any::<bool>())
            .prop_map(|(e, a, b, up)| json!({ (if up { "raise" } else { "lower" }): {"edge": e, "at": a, "by": b}})),
        (any_edge(), places()).prop_map(|(e, l)| json!({"give-strip": {"edge": e, "line": l}})),
        (any_edge(), places(), any_edge())
            .prop_map(|(e, l, o)| json!({"take-strip": {"from": "front", "edge": e, "line": l, "onto": o}})),
        (places(), any_edge(), any::<bool>())
            .prop_map(|(l, h, s)| json!({"part": {"line": l, "holding": h, "smooth": s}})),
        (-80.0..80.0f64, -80.0..80.0f64).prop_map(|(l, w)| json!({"scale": {"length": l, "width": w}})),
        (-400.0..400.0f64).prop_map(|d| json!({"turn": {"degrees": d}})),
        any_length().prop_map(|k| json!({"grain-down-the-leg": {"knee": k}})),
        Just(json!({"grain-along-fold": {}})),
        Just(json!({"square-at-fold": {}})),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    /// Nothing that can be written panics: what comes out is a piece, or a refusal that names the change.
    #[test]
    fn wild_changes_are_made_or_refused(
        body in bodies(), leg in legs(), trousers in any::<bool>(), steps in prop::collection::vec(any_change(), 1..4)
    ) {
        let shape = if trousers { leg.shape() } else { body.shape() };
        let front = leg.shape();
        // Lengths that no garment has are refused as they are read.
        let read: Result<Vec<Change>, _> = serde_json::from_value(Value::Array(steps));
        let steps = match read {
            Ok(steps) => steps,
            Err(fault) => {
                prop_assert!(fault.to_string().ends_with("is not a usable length"), "{}", fault);
                return Ok(());
            }
        };
        match changes::apply(&shape, &steps, &|_| Ok(front.clone())) {
            Ok(made) => {
                made.check("all").unwrap();
                let numbers: std::collections::BTreeSet<usize> = made.edges.iter().map(|e| e.number).collect();
                prop_assert_eq!(numbers.len(), made.edges.len());
                prop_assert!(made.fold.is_none_or(|f| numbers.contains(&f)));
            }
            Err(refusal) => prop_assert!(refusal.seen.starts_with("change "), "{}", refusal),
        }
    }
}

/// A waist meets rise and side squarely before and after (common practice, no source): halves sewn together there run on
/// smoothly. Let out so far that its side leans out like a funnel, that is said.
#[test]
fn a_waist_let_out_meets_its_neighbours_squarely() {
    let shape = TROUSERS.shape();
    let step = |stretched: f64| json!([{"let-out": {"edge": "waist", "relaxed": 1000, "stretched": stretched, "level": 170, "from": "rise"}}]);
    for stretched in [1050.0, 1150.0, 1500.0] {
        let out = made(&shape, step(stretched));
        close(length(&out, "waist"), 0.001 * stretched * length(&shape, "waist"), 0.01);
        close(corner_deg(&out, "rise", "waist"), 90.0, 1.0);
        close(corner_deg(&out, "waist", "outseam"), 90.0, 0.01);
        leans_out(&out, stretched > 1400.0);
    }
}

/// Is it said that a side leans out too far, and only then?
fn leans_out(out: &Shape, too_far: bool) {
    let said = out.warnings.iter().any(|w| w.code == "let-out-far" && w.text.contains("level further away"));
    assert_eq!(said, too_far, "{:?}", out.warnings);
}

/// A curved seam through marks that nearly meets its edges squarely is bent to do so; a straight one is left as it is.
#[test]
fn an_armhole_through_marks_meets_its_edges_squarely() {
    let shape = TEE.shape();
    let part = |line: Value| {
        made(&shape, json!([{"part": {"line": line, "holding": "fold", "role": "armhole", "name": "seam"}}]))
    };
    // From 14 mm short of the shoulder down to 15 mm short of the side.
    let curved = part(json!([[145, 612], [125, 545], [128, 480], [160, 420], [205, 392], [246, 385]]));
    close(corner_deg(&curved, "seam", "shoulder"), 90.0, 0.01);
    close(corner_deg(&curved, "side-seam", "seam"), 90.0, 1.0);
    let straight = part(json!([[150, 600], [150, 400], [150, 200], [150, 20]]));
    assert!(path::is_straight(&edge(&straight, "seam").path) || path::bow(&edge(&straight, "seam").path) < 1e-6);
}

/// A neckline drawn through marks that runs out on shoulder and fold: both are cut there, and the fold is met squarely.
#[test]
fn an_edge_redrawn_through_marks_cuts_its_neighbours() {
    let mut shape = TEE.shape();
    let shoulder = edge(&shape, "shoulder").clone();
    let on_shoulder =
        path::point_at(&shoulder.path, path::spot_at(&shoulder.path, shoulder.length_mm() - 30.0).unwrap());
    shape.marks =
        vec![MatPoint::new(on_shoulder.x, on_shoulder.y + 0.8), MatPoint::new(80.0, 520.0), MatPoint::new(1.0, 450.0)];
    for through in [json!([{"mark": 1}, {"mark": 2}, {"mark": 3}]), json!([{"mark": 3}, {"mark": 2}, {"mark": 1}])] {
        let deep = made(&shape, json!([{"redraw": {"edge": "neckline", "through": through}}]));
        close(length(&deep, "shoulder"), length(&shape, "shoulder") - 30.0, 0.3);
        close(edge(&deep, "fold").from().y, 450.0, 1e-6);
        close(corner_deg(&deep, "neckline", "fold"), 90.0, 1e-6);
        assert!(path::nearest(&edge(&deep, "neckline").path, (80.0, 520.0).into()).unwrap().1 < 1e-6);
        others_keep(&shape, &deep, &["neckline", "shoulder", "fold"], 1e-6);
    }
    // Beyond the old corner the fold is run on.
    let high = made(&shape, json!([{"redraw": {"edge": "neckline", "through": [[40, 590], [0, 585]]}}]));
    close(edge(&high, "fold").from().y, 585.0, 1e-6);
    close(length(&high, "shoulder"), length(&shape, "shoulder"), 1e-9);
}

/// A straight hem 200 mm wide between seams that close in by 1 in 10: cut 100 mm shorter, its seams still end square on it
/// and it is longer than the straight line there. Computed by hand.
#[test]
fn a_straight_cut_would_have_been_peaked() {
    let corners = [(0.0, 0.0), (200.0, 0.0), (240.0, 400.0), (-40.0, 400.0)];
    use clothline::draft::shape::Role::{Hem, Inseam, Outseam, Waist};
    let edges = [Hem, Inseam, Waist, Outseam].into_iter().enumerate();
    let shape =
        garments::shape(edges.map(|(i, role)| (role, path::line(corners[i], corners[(i + 1) % 4]))).collect(), None);
    let short = made(&shape, json!([{"shorten-leg": {"inseam": length(&shape, "inseam") - 100.0}}]));
    let hem = edge(&short, "hem");
    // An arc about the point where the seams meet, 1000 mm below the middle of the hem.
    let apex = kurbo::Point::new(100.0, -1000.0);
    let radius = (100f64.powi(2) + 1000f64.powi(2)).sqrt() + 100.0;
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let at = path::point_at(&hem.path, path::spot_at(&hem.path, share * hem.length_mm()).unwrap());
        close(at.distance(apex), radius, 0.01);
    }
    close(corner_deg(&short, "hem", "inseam"), 90.0, 1e-6);
}

/// 13 in = 330.2 mm (international yard and pound agreement, 1959); shrinkage of 3 % wants a pattern 1/(1 - 0.03) =
/// 1.030928 times as long (common practice).
#[test]
fn measures_typed_in_inches_and_shrinkage() {
    let leg = TROUSERS.shape();
    let shorts = made(&leg, json!([{"shorten-leg": {"inseam": "13in"}}]));
    close(length(&shorts, "inseam"), 330.2, 0.01);
    let tee = TEE.shape();
    let larger = made(&tee, json!([{"scale": {"length": 100.0 * 3.0 / 97.0}}]));
    close(length(&larger, "fold") / length(&tee, "fold"), 1.030_928, 1e-6);
}

#[test]
fn refusals_name_the_change_and_the_remedy() {
    let (tee, leg) = (TEE.shape(), TROUSERS.shape());
    for (shape, steps, seen, advice) in [
        (
            &tee,
            json!([{"move-edge": {"edge": "cuff", "out": 5}}]),
            "change 1 (move-edge): there is no edge \"cuff\"",
            "2 (side-seam)",
        ),
        (
            &tee,
            json!([{"unfold": {}}, {"unfold": {}}]),
            "change 2 (unfold): this piece is not on a fold",
            "whole already",
        ),
        (&tee, json!([{"redraw": {"edge": "hem", "through": [{"mark": 4}]}}]), "there is no mark 4", "marks 1 to 1"),
        (
            &leg,
            json!([{"let-out": {"edge": "waist", "relaxed": "70cm", "stretched": "60cm"}}]),
            "less than relaxed",
            "measure both again",
        ),
        (
            &leg,
            json!([{"let-out": {"edge": "waist", "relaxed": "20cm", "stretched": "100cm", "level": "5cm"}}]),
            "too short to swing",
            "level further away",
        ),
        (
            &leg,
            json!([{"shorten-leg": {"inseam": "90cm"}}]),
            "of 900.0 mm cannot be cut from one of 724.4 mm",
            "lengthen",
        ),
        (&leg, json!([{"shorten-leg": {"inseam": "40in"}}]), "of 40in cannot be cut from one of 28.5", "lengthen"),
        (&leg, json!([{"neckline": {"shape": "v"}}]), "no edge \"neckline\"", "4 (waist)"),
        (
            &leg,
            json!([{"part": {"line": [[-50, 300], [500, 300]], "holding": "inseam"}}]),
            "cuts inseam in two",
            "on one side",
        ),
        (
            &leg,
            json!([{"shorten": {"by": "20cm", "at": "60cm"}}]),
            "lies within the 200.0 mm above the line",
            "another place",
        ),
        (&tee, json!([{"scale": {"width": 70}}]), "70 %", "-50 and 50"),
        (&tee, json!([{"lengthen": {"by": 10}}]), "not clear where", "either \"at\""),
    ] {
        let refusal = refused(shape, steps);
        assert!(refusal.seen.contains(seen), "{refusal}");
        assert!(refusal.advice.contains(advice), "{refusal}");
    }
    let unknown = serde_json::from_value::<Change>(json!({"let-out": {"edge": "waist", "stretched": 5, "hip": 3}}));
    assert!(unknown.unwrap_err().to_string().contains("hip"));
}

/// Two edges 1 mm apart in length are one fold, the difference shared out; 5 mm apart they are not.
#[test]
fn a_strip_is_taken_only_at_the_same_fold() {
    let leg = |rise: f64| garments::Leg { out_bow: 0.0, rise, ..TROUSERS }.shape();
    let (front, near, far) = (leg(260.0), leg(261.0), leg(265.0));
    let line = json!([[40, 940], [50, 500], [30, 60]]);
    let take = changes(json!([{"take-strip": {"from": "front", "edge": "outseam", "line": line, "onto": "outseam"}}]));
    let over = |back: &Shape| changes::apply(&back.transformed(Affine::FLIP_X), &take, &|_| Ok(front.clone()));
    let taken = over(&near).unwrap();
    assert!(kink_deg(edge(&taken, "hem")) < 2.0, "{}", kink_deg(edge(&taken, "hem")));
    let seam = taken.edges.last().unwrap();
    let given = made(&front, json!([{"give-strip": {"edge": "outseam", "line": line}}]));
    close(seam.length_mm(), length(&given, "outseam"), 1e-6);
    let refusal = over(&far).unwrap_err();
    assert!(refusal.seen.contains("not one fold of the cloth"), "{refusal}");
}

/// What is written is read again the same.
#[test]
fn changes_are_written_as_they_are_read() {
    let steps = json!([
        {"let-out": {"edge": "waist", "relaxed": "24in", "stretched": "34 1/2in", "level": "8in"}},
        {"part": {"line": [{"mark": 1}, [3.5, 4.0]], "holding": "hem", "smooth": true, "name": "yoke", "role": "plain"}},
        {"square-at-fold": {}}
    ]);
    let read = changes(steps);
    assert_eq!(changes(serde_json::to_value(&read).unwrap()), read);
    assert_eq!(serde_json::to_value(&read).unwrap()[1]["part"]["line"][0], json!({"mark": 1}));
}
