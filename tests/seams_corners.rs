//! Corners of allowances: squared ends match, turned hems lie on their own seams.
//!
//! The rules are common practice of the trade, no source; what is checked is the geometry they promise: a reflection and
//! right angles.

use clothline::polygon;
use clothline::seams::{self, CornerShape, Cutting, Piece, SeamRequest, StitchingEdge};
use clothline::units::{Length, MatPoint};
use kurbo::BezPath;
use proptest::prelude::*;

fn edge(number: usize, path: &str, allowance_mm: f64, ends: [CornerShape; 2]) -> StitchingEdge {
    StitchingEdge { number, name: None, path: BezPath::from_svg(path).unwrap(), allowance_mm, ends }
}

fn seamed(edges: Vec<StitchingEdge>, fold: Option<usize>) -> Piece {
    let request = SeamRequest {
        name: "test".into(),
        edges,
        fold,
        notches: Vec::new(),
        grain_deg: None,
        size: None,
        cutting: Cutting::default(),
        lines: Vec::new(),
        stretch: None,
        allowance: Length::from_mm(10.0),
    };
    seams::seam(&request).unwrap()
}

const MITRE: [CornerShape; 2] = [CornerShape::Mitre; 2];
const BACK: [CornerShape; 2] = [CornerShape::FoldBack; 2];
const SQUARE: [CornerShape; 2] = [CornerShape::Square; 2];

/// A flared skirt half: hem from (0,0) bowed to (w,h), side up to (w - lean, 500), waist, back down.
fn skirt(width: f64, lift: f64, lean: f64, bow: f64, hem_mm: f64, seam_mm: f64) -> Piece {
    let hem = format!("M0,0 C{},{} {},{} {width},{lift}", width / 3.0, -bow, width * 2.0 / 3.0, lift - bow);
    let side = format!("M{width},{lift} L{},500", width - lean);
    let waist = format!("M{},500 L0,500", width - lean);
    seamed(
        vec![
            edge(1, &hem, hem_mm, BACK),
            edge(2, &side, seam_mm, MITRE),
            edge(3, &waist, seam_mm, MITRE),
            edge(4, "M0,500 L0,0", seam_mm, MITRE),
        ],
        None,
    )
}

fn reflected(p: MatPoint, on: MatPoint, along: nalgebra::Vector2<f64>) -> MatPoint {
    let from = p - on;
    on + along * (2.0 * from.dot(&along)) - from
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Every cut-line point beyond the hem at its corner, reflected in the hem's line there, is on the cut line again.
    #[test]
    fn a_turned_hem_lies_on_its_own_seams(
        width in 150.0..350.0f64, lift in 0.0..40.0f64, lean in -30.0..120.0f64, bow in 0.0..20.0f64,
        hem in 15.0..50.0f64, seam in 0.0..16.0f64,
    ) {
        let piece = skirt(width, lift, lean, bow, hem, seam);
        let along = nalgebra::Vector2::new(width / 3.0, bow).normalize();
        let corner = MatPoint::new(width, lift);
        let below = |p: &MatPoint| along.perp(&(*p - corner)) < -0.01;
        // The side's end of the allowance: beyond the hem, nearer to the side's cut line than to the hem's.
        let side = seam + 1e-6;
        let end: Vec<MatPoint> = piece
            .cut_line
            .iter()
            .copied()
            .filter(|p| below(p) && p.distance(corner) < 2.0 * hem)
            .filter(|p| {
                let back = reflected(*p, corner, along);
                let out = nalgebra::Vector2::new(500.0 - lift, lean).normalize();
                ((back - corner).dot(&out) - side).abs() < 1e-2
            })
            .collect();
        prop_assert!(!end.is_empty(), "no folded-back end found: {:?}", piece.cut_line.len());
        for p in end {
            let off = polygon::distance_to_ring(&piece.cut_line, reflected(p, corner, along));
            prop_assert!(off < 0.02, "{off}");
        }
    }

    /// A squared end is a right angle to the seam, and equal on both pieces of a pair whatever the other edges do.
    #[test]
    fn squared_ends_match(
        // Level, the inner corner is no corner.
        slant_a in prop_oneof![-40.0..-3.0f64, 3.0..40.0f64], slant_b in prop_oneof![-40.0..-3.0f64, 3.0..40.0f64],
        seam in 6.0..20.0f64, other in 6.0..20.0f64,
    ) {
        let ends: Vec<f64> = [slant_a, slant_b].iter().map(|slant| squared_end(*slant, seam, other)).collect();
        for (end, slant) in ends.iter().zip([slant_a, slant_b]) {
            // The seam runs on to the other edge's cut line: its width over the sine of the angle between them.
            let truth = other / slant.to_radians().cos();
            prop_assert!((end - truth).abs() < 0.01, "{end} against {truth}");
        }
    }
}

/// How far the seam's allowance reaches beyond the corner, the end itself checked to be square.
fn squared_end(slant_deg: f64, seam: f64, other: f64) -> f64 {
    let drop = 120.0 * slant_deg.to_radians().tan();
    let top = format!("M200,300 L80,{}", 300.0 + drop);
    let piece = seamed(
        vec![
            edge(1, "M80,0 L200,0", seam, MITRE),
            edge(2, "M200,0 L200,300", seam, SQUARE),
            edge(3, &top, other, MITRE),
            edge(4, &format!("M80,{} L80,0", 300.0 + drop), seam, MITRE),
        ],
        None,
    );
    let at = |x: f64| piece.cut_line.iter().filter(|p| (p.x - x).abs() < 1e-3).map(|p| p.y).fold(f64::MIN, f64::max);
    let (outer, inner) = (at(200.0 + seam), at(200.0));
    assert!((outer - inner).abs() < 1e-3, "not square: {outer} and {inner}");
    outer - 300.0
}

#[test]
fn a_fold_keeps_its_hem_straight() {
    let edges = vec![
        edge(1, "M0,0 L200,0", 25.4, BACK),
        edge(2, "M200,0 L180,400", 12.7, SQUARE),
        edge(3, "M180,400 L0,400", 12.7, MITRE),
        edge(4, "M0,400 L0,0", 0.0, MITRE),
    ];
    let piece = seamed(edges, Some(4));
    assert!(piece.cut_line.iter().all(|p| p.x > -1e-6));
    assert!(piece.cut_line.iter().any(|p| p.distance(MatPoint::new(0.0, -25.4)) < 1e-6));
}

/// Handbook case (arithmetic of a reflection): a hem 300 wide whose sides slope in 10 per 100, 30 deep: turned, its edge is
/// 294 wide, not 306 as straight sides would give.
#[test]
fn a_sloping_hem_folds_back_to_294() {
    let edges = vec![
        edge(1, "M0,0 L300,0", 30.0, BACK),
        edge(2, "M300,0 L260,400", 0.0, MITRE),
        edge(3, "M260,400 L40,400", 0.0, MITRE),
        edge(4, "M40,400 L0,0", 0.0, MITRE),
    ];
    let piece = seamed(edges, None);
    let low: Vec<f64> = piece.cut_line.iter().filter(|p| (p.y + 30.0).abs() < 1e-6).map(|p| p.x).collect();
    let width = low.iter().fold(f64::MIN, |a, b| a.max(*b)) - low.iter().fold(f64::MAX, |a, b| a.min(*b));
    assert!((width - 294.0).abs() < 1e-6, "{width}");
}
