//! How photos among the same printed cards lie on each other: by the cards that both show.

use nalgebra::{Matrix3, Vector2};

use super::lattice::LatticeMotion;
use crate::camera::joint::BodyPose;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Cards that two photos must share: one alone leaves the turn to its own short sides.
const LEAST_SHARED: usize = 2;

/// A card whose corners lie farther off than this from where the other shared cards put it was moved, mm.
const MOVED_MM: f64 = 1.0;

/// No card is placed better than this in a photo, mm (its printer, its flatness, the plane's map).
const LEAST_SIGMA_MM: f64 = 0.05;

/// How far cards may lie from where a whole number of squares puts them, as a share of the square.
const OFF_CROSSING: f64 = 0.25;

/// A card as one photo places it.
#[derive(Debug, Clone, PartialEq)]
pub struct CardPlace {
    /// "card 3".
    pub name: String,
    /// Its corners in the photo's mat frame, always in the same order.
    pub corners: Vec<MatPoint>,
}

/// How one photo's mat frame lies in another's, by shared cards.
#[derive(Debug, Clone, PartialEq)]
pub struct LaidByCards {
    /// From the other's frame to this one's, on homogeneous coordinates: a turn and a shift, mm.
    pub one_from_other: Matrix3<f64>,
    /// Names of the cards used.
    pub cards: Vec<String>,
    /// Shared cards that lie elsewhere in the other photo, and were left out.
    pub moved: Vec<String>,
    /// Root mean square distance of the corners laid on each other, mm.
    pub rms_mm: f64,
    middle: MatPoint,
    reach_mm: f64,
}

impl LaidByCards {
    /// One standard deviation, mm, that the laying adds at a place of this photo's frame.
    pub fn sigma_mm(&self, at: MatPoint) -> f64 {
        // The corners of one card err together.
        let sigma = self.rms_mm.max(LEAST_SIGMA_MM) / (self.cards.len() as f64).sqrt();
        sigma * (at.distance(self.middle) / self.reach_mm.max(1.0)).hypot(1.0)
    }
}

/// Lays `other` on `one` by their shared cards, leaving out such as were moved.
///
/// # Errors
/// Fewer than two cards are shared, or they do not lie alike in both.
pub fn lay_by_cards(one: &[CardPlace], other: &[CardPlace]) -> Result<LaidByCards, Refusal> {
    let mut pairs = shared(one, other);
    if pairs.len() < LEAST_SHARED {
        return Err(too_few(pairs.len()));
    }
    let mut moved = Vec::new();
    loop {
        let laid = rigid(&pairs).ok_or_else(|| too_few(pairs.len()))?;
        let off = |pair: &(&CardPlace, &CardPlace)| {
            let apart =
                pair.0.corners.iter().zip(&pair.1.corners).map(|(a, b)| a.distance(moved_by(&laid.one_from_other, *b)));
            apart.fold(0.0, f64::max)
        };
        let worst = pairs.iter().enumerate().map(|(k, p)| (k, off(p))).max_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((k, mm)) if mm > MOVED_MM => {
                // Of two that contradict each other nobody knows which lies still.
                if pairs.len() <= LEAST_SHARED {
                    return Err(were_moved(mm));
                }
                moved.push(pairs.remove(k).0.name.clone());
            }
            _ => return Ok(LaidByCards { moved, ..laid }),
        }
    }
}

/// Which crossing of one grid is which of another's, by cards that lie on the mat in both photos; `None` if none is
/// shared or they do not settle it.
pub fn lattice_by_cards(
    one: (&[CardPlace], [f64; 2]),
    other: (&[CardPlace], [f64; 2]),
    turns: &[u8],
) -> Option<LatticeMotion> {
    let pairs = shared(one.0, other.0);
    let off = |motion: &LatticeMotion| {
        let corners = pairs.iter().flat_map(|(a, b)| a.corners.iter().zip(&b.corners));
        corners.map(|(a, b)| a.distance(motion.apply(*b))).fold(0.0, f64::max)
    };
    let ways = turns.iter().filter_map(|turn| {
        let way = LatticeMotion { quarter_turns: *turn, shift: [0, 0], from_pitch_mm: other.1, to_pitch_mm: one.1 };
        let corners = pairs.iter().flat_map(|(a, b)| a.corners.iter().zip(&b.corners));
        let (n, sum) = corners.fold((0, Vector2::zeros()), |(n, s), (a, b)| (n + 1, s + (*a - way.apply(*b))));
        let mean = (n > 0).then(|| sum / f64::from(n))?;
        Some(LatticeMotion { shift: [mean.x / one.1[0], mean.y / one.1[1]].map(|cells| cells.round() as i32), ..way })
    });
    let best = ways.min_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(&best) < OFF_CROSSING * one.1[0].min(one.1[1])).then_some(best)
}

/// The cards both photos show.
fn shared<'a>(one: &'a [CardPlace], other: &'a [CardPlace]) -> Vec<(&'a CardPlace, &'a CardPlace)> {
    one.iter()
        .filter_map(|a| Some((a, other.iter().find(|b| b.name == a.name && b.corners.len() == a.corners.len())?)))
        .collect()
}

/// A point through a matrix on homogeneous coordinates that keeps the plane's infinity.
pub(crate) fn moved_by(to_from: &Matrix3<f64>, p: MatPoint) -> MatPoint {
    MatPoint::new(
        to_from[(0, 0)] * p.x + to_from[(0, 1)] * p.y + to_from[(0, 2)],
        to_from[(1, 0)] * p.x + to_from[(1, 1)] * p.y + to_from[(1, 2)],
    )
}

/// The turn and shift of least squares; `None` without corners enough.
fn rigid(pairs: &[(&CardPlace, &CardPlace)]) -> Option<LaidByCards> {
    let both = || pairs.iter().flat_map(|(a, b)| a.corners.iter().zip(&b.corners));
    let pose = BodyPose::nearest(&both().map(|(a, b)| (Vector2::new(b.x, b.y), *a)).collect::<Vec<_>>())?;
    let (sin, cos) = pose.turn.sin_cos();
    let one_from_other = Matrix3::new(cos, -sin, pose.at.x, sin, cos, pose.at.y, 0.0, 0.0, 1.0);
    let n = both().count() as f64;
    let sum = both().fold(Vector2::zeros(), |s, (a, _)| s + Vector2::new(a.x, a.y));
    let middle = MatPoint::new(sum.x / n, sum.y / n);
    let squares: f64 = both().map(|(a, b)| a.distance(moved_by(&one_from_other, *b)).powi(2)).sum();
    let reach: f64 = both().map(|(a, _)| a.distance(middle).powi(2)).sum();
    Some(LaidByCards {
        one_from_other,
        cards: pairs.iter().map(|(a, _)| a.name.clone()).collect(),
        moved: Vec::new(),
        rms_mm: (squares / n).sqrt(),
        middle,
        reach_mm: (reach / n).sqrt(),
    })
}

fn too_few(count: usize) -> Refusal {
    let seen = match count {
        0 => "they show no printed card in common".to_string(),
        _ => "they show only one printed card in common, two are needed".to_string(),
    };
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!("it cannot be told how the photos lie on each other: {seen}"),
        "lay more cards along the garment and take the photos so that neighbours share at least two of them, better four; \
         move neither cards nor garment in between",
    )
}

fn were_moved(off_mm: f64) -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "the cards that the photos share lie {off_mm:.1} mm otherwise to each other in the one than in the other"
        ),
        "a card was moved between the photos, or bulges: lay them flat, move nothing, and take all photos again",
    )
}

#[cfg(test)]
mod tests {
    use std::f64::consts::FRAC_PI_2;

    use super::*;

    fn card(name: &str, at: (f64, f64)) -> CardPlace {
        let corners = [(-40.0, 40.0), (40.0, 40.0), (40.0, -40.0), (-40.0, -40.0)];
        CardPlace { name: name.into(), corners: corners.map(|(x, y)| MatPoint::new(at.0 + x, at.1 + y)).to_vec() }
    }

    /// The same cards from a frame turned by `turn` and shifted.
    fn seen_from(cards: &[CardPlace], turn: f64, shift: (f64, f64)) -> Vec<CardPlace> {
        let (s, c) = turn.sin_cos();
        let place = |p: &MatPoint| MatPoint::new(c * p.x - s * p.y + shift.0, s * p.x + c * p.y + shift.1);
        cards
            .iter()
            .map(|k| CardPlace { name: k.name.clone(), corners: k.corners.iter().map(place).collect() })
            .collect()
    }

    #[test]
    fn shared_cards_bring_any_point_home() {
        let cards = [card("card 1", (0.0, 0.0)), card("card 2", (300.0, 40.0)), card("card 5", (150.0, -200.0))];
        let mut there = seen_from(&cards, 2.1, (400.0, -90.0));
        there.insert(1, card("card 9", (7.0, 7.0)));
        let laid = lay_by_cards(&cards, &there).unwrap();
        assert_eq!((laid.cards.len(), laid.moved.len()), (3, 0));
        let p = MatPoint::new(-210.0, 77.0);
        let probe = CardPlace { name: String::new(), corners: vec![p] };
        let away = seen_from(&[probe], 2.1, (400.0, -90.0))[0].corners[0];
        assert!(moved_by(&laid.one_from_other, away).distance(p) < 1e-9);
        assert!(laid.sigma_mm(p) > laid.sigma_mm(MatPoint::new(150.0, -53.0)));
    }

    #[test]
    fn a_moved_card_is_left_out_and_two_that_disagree_are_refused() {
        let cards: Vec<CardPlace> =
            (0..4).map(|k| card(&format!("card {k}"), (200.0 * f64::from(k), f64::from(k % 2) * 300.0))).collect();
        let mut there = seen_from(&cards, -0.4, (10.0, 20.0));
        for corner in &mut there[2].corners {
            corner.x += 9.0;
        }
        let laid = lay_by_cards(&cards, &there).unwrap();
        assert_eq!(laid.moved, ["card 2"]);
        assert!(laid.rms_mm < 1e-9);
        assert_eq!(lay_by_cards(&cards[2..], &there[2..]).unwrap_err().kind, RefusalKind::ContradictoryReference);
        let one = lay_by_cards(&cards[..1], &there).unwrap_err();
        assert!(one.seen.contains("only one") && one.kind == RefusalKind::TooLittleReference);
        assert!(lay_by_cards(&cards, &[]).unwrap_err().seen.contains("no printed card"));
    }

    #[test]
    fn a_card_on_the_mat_tells_which_crossing_is_which() {
        let cards = [card("card 1", (12.0, 3.0))];
        // The other photo counts its lines from three squares right and one down, a quarter turn on.
        let there = seen_from(&cards, -FRAC_PI_2, (-25.0, 75.0));
        let motion = lattice_by_cards((&cards, [25.0; 2]), (&there, [25.0; 2]), &[0, 1, 2, 3]).unwrap();
        assert_eq!(motion.quarter_turns, 1);
        assert!(cards[0].corners.iter().zip(&there[0].corners).all(|(a, b)| a.distance(motion.apply(*b)) < 1e-9));
        // Moved by half a square it tells nothing.
        let moved = seen_from(&cards, 0.0, (12.0, 0.0));
        assert_eq!(lattice_by_cards((&cards, [25.0; 2]), (&moved, [25.0; 2]), &[0, 1, 2, 3]), None);
        assert_eq!(lattice_by_cards((&cards, [25.0; 2]), (&[], [25.0; 2]), &[0, 1, 2, 3]), None);
    }
}
