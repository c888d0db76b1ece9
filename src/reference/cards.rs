//! Printed cards: a black square with a coded middle and four small squares that touch its corners.
//!
//! The size typed is the black square's side. A card is measured by all the borders between its black and white cells,
//! of either polarity, so that ink that bleeds and cameras that sharpen change nothing. The small squares tell a card that
//! is partly hidden; a plain coded square without them is read as well.

pub mod family;
pub(super) mod quads;
mod refine;

use image::GrayImage;
use nalgebra::Vector2;

use super::body::{Body, BodyKind};
use crate::refusal::Warning;
use crate::units::ImagePoint;

/// A reading of a steel rule across a card, mm: half-width of the doubt of the size typed.
const READING_MM: f64 = 0.15;
/// How a home printer's two directions differ (share): no card fits better than this.
const PRINT_SHARE: f64 = 0.0002;
/// One standard deviation of a corner, px.
const CORNER_PX: f64 = 0.05;
/// Paper lying on a table, mm.
const PAPER_MM: f64 = 0.1;

/// A card as found.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Number of its code.
    pub number: usize,
    /// Corners of the black square: upper left, upper right, lower right, lower left of the code as printed.
    pub corners: [ImagePoint; 4],
    /// Were the corners' small squares there?
    pub small_squares: bool,
}

/// The cards and what was noticed.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// Cards whose four corners are in view, each number once.
    pub cards: Vec<Card>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Finds the cards in a photo.
pub fn find(luma: &GrayImage) -> Found {
    let mut found = Found::default();
    let mut spoilt = Vec::new();
    for quad in quads::find(luma) {
        let Some(read) = refine::read(luma, quad) else { continue };
        if found.cards.iter().any(|c| near(c, read.corners[0])) {
            continue;
        }
        match refine::settle(luma, &read) {
            Some(settled) => found.cards.push(Card {
                number: read.number,
                corners: settled.corners,
                small_squares: settled.small_squares,
            }),
            None => spoilt.push(read.number),
        }
    }
    partly_hidden(&mut found, spoilt);
    twice(&mut found);
    found.cards.sort_by_key(|c| c.number);
    found
}

fn near(card: &Card, at: ImagePoint) -> bool {
    let side = card.corners[0].distance(card.corners[1]);
    card.corners.iter().any(|c| c.distance(at) < 0.3 * side)
}

/// Where cards carry small squares, one without them is half hidden.
fn partly_hidden(found: &mut Found, mut spoilt: Vec<usize>) {
    if found.cards.iter().any(|c| c.small_squares) {
        spoilt.extend(found.cards.iter().filter(|c| !c.small_squares).map(|c| c.number));
        found.cards.retain(|c| c.small_squares);
    }
    // Black square and white border may both be read.
    spoilt.sort_unstable();
    spoilt.dedup();
    if !spoilt.is_empty() {
        found.warnings.push(Warning::new(
            "card-hidden",
            format!(
                "{} partly hidden, in glare or smeared and left out: lay them bare, out of the light's reflection",
                cards_are(&spoilt)
            ),
        ));
    }
}

/// Of cards with one number only the largest in the photo stays: a copy may have another size.
fn twice(found: &mut Found) {
    let area = |c: &Card| (c.corners[2] - c.corners[0]).perp(&(c.corners[3] - c.corners[1])).abs();
    found.cards.sort_by(|a, b| area(b).total_cmp(&area(a)));
    let mut seen = std::collections::HashSet::new();
    let mut again = Vec::new();
    found.cards.retain(|c| {
        let first = seen.insert(c.number);
        if !first {
            again.push(c.number);
        }
        first
    });
    if !again.is_empty() {
        found.warnings.push(Warning::new(
            "card-twice",
            format!(
                "there is more than one copy of card {}: the largest was used, the others left out; print every number once",
                list(&again)
            ),
        ));
    }
}

fn cards_are(numbers: &[usize]) -> String {
    let (cards, are) = if numbers.len() == 1 { ("card", "is") } else { ("cards", "are") };
    format!("{cards} {} {are}", list(numbers))
}

fn list(numbers: &[usize]) -> String {
    numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

/// The cards as bodies of a known side.
pub fn bodies(cards: &[Card], side_mm: f64) -> Vec<Body> {
    cards.iter().map(|card| body(card, side_mm)).collect()
}

fn body(card: &Card, side_mm: f64) -> Body {
    let h = 0.5 * side_mm;
    let own = [(-h, h), (h, h), (h, -h), (-h, -h)].map(|(x, y)| Vector2::new(x, y));
    let side_px = card.corners[0].distance(card.corners[2]) * std::f64::consts::FRAC_1_SQRT_2;
    let sigma = CORNER_PX.hypot(PRINT_SHARE * side_px);
    let sightings = card.corners.iter().zip(own).flat_map(|(at, own)| Body::point(*at, own, sigma)).collect();
    Body {
        kind: BodyKind::Card,
        name: format!("card {}", card.number),
        sightings,
        anchors: own.into_iter().zip(card.corners).collect(),
        // The small squares and the white around them.
        outline: own.iter().map(|o| o * 1.5).collect(),
        size_mm: side_mm,
        size_doubt: READING_MM / side_mm,
        cut: None,
        height_mm: PAPER_MM,
        height_doubt_mm: PAPER_MM,
    }
}
