//! Cards of another colour than the table, whatever their brightness.
//!
//! They are looked for in the ratios of the channels, which shade leaves alone.

use image::{GrayImage, RgbImage};

use super::{Rectangle, Seen, channels, factor, mixture, quads};

/// Garments are longer than a card, and lie beside it: so long it may be, as a share of the photo's long side.
const LONGEST: f64 = 0.35;
/// Added before logarithms, levels: what noise does to dark pixels.
const DARK_LEVELS: f64 = 6.0;
/// Shares of the pixels beyond which a channel ratio is cut off, and the least range of it that is looked at (natural
/// logarithm): less is noise.
const TAILS: f64 = 0.001;
const LEAST_RANGE: f64 = 0.06;

/// Rectangles of another colour than what is around them.
pub(super) fn seen(rgb: &RgbImage, what: Rectangle) -> Vec<Seen> {
    let factor = factor(rgb.dimensions());
    mixture::sharpened(
        rgb,
        ratios(rgb, factor).iter().flat_map(|plane| quads(plane, factor, LONGEST)).map(|q| q.0),
        what,
    )
}

/// The reduced photo's red over green, blue over green and red over blue, each over its own range.
fn ratios(rgb: &RgbImage, factor: u32) -> Vec<GrayImage> {
    let channels = channels(rgb, factor);
    [(0, 1), (2, 1), (0, 2)].iter().filter_map(|&(a, b)| ratio(&channels[a], &channels[b])).collect()
}

fn ratio(a: &GrayImage, b: &GrayImage) -> Option<GrayImage> {
    let log = |v: &u8| (f64::from(*v) + DARK_LEVELS).ln();
    let values: Vec<f64> = a.as_raw().iter().zip(b.as_raw()).map(|(a, b)| log(a) - log(b)).collect();
    let mut sorted = values.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| sorted.get((share * (sorted.len().saturating_sub(1)) as f64) as usize).copied();
    let (low, high) = (at(TAILS)?, at(1.0 - TAILS)?);
    let levels = values.iter().map(|v| (255.0 * (v - low) / (high - low)).clamp(0.0, 255.0) as u8).collect();
    (high - low > LEAST_RANGE).then(|| GrayImage::from_raw(a.width(), a.height(), levels)).flatten()
}
