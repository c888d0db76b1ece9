//! Sheets no lighter or darker than the mat: paper is smoother than anything else about.
//!
//! They are looked for where the photo does not change, a patch that ends at its own faint edges, at the mat's lines and at the
//! table's grain.

use image::{GrayImage, Luma, RgbImage};

use super::{Rectangle, Seen, WIDEST, channels, factor, mixture, quads};
use crate::reference::cards::quads::grown;

/// Levels drawn for a change of one grey value over two pixels.
const LEVELS_PER_CHANGE: f64 = 16.0;
/// An edge's change is seen so far inside it, px of the reduced photo.
const INSIDE_PX: f64 = 2.0;

/// Rectangles that are smoother than what is around them.
pub(super) fn seen(rgb: &RgbImage, what: Rectangle) -> Vec<Seen> {
    let factor = factor(rgb.dimensions());
    let found = quads(&changes(&channels(rgb, factor)), factor, WIDEST);
    let smooth = found.into_iter().filter(|(_, rough)| !rough);
    mixture::sharpened(rgb, smooth.map(|(quad, _)| grown(quad, INSIDE_PX * f64::from(factor))), what)
}

/// The most that any channel changes at a pixel or its four neighbours.
fn changes(channels: &[GrayImage; 3]) -> GrayImage {
    let (width, height) = channels[0].dimensions();
    let change = GrayImage::from_fn(width, height, |x, y| {
        let steepest = channels.iter().map(|plane| slope(plane, x, y)).fold(0.0, f64::max);
        Luma([(LEVELS_PER_CHANGE * steepest).min(255.0) as u8])
    });
    GrayImage::from_fn(width, height, |x, y| {
        let beside = [(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)];
        let values = beside.iter().filter_map(|(dx, dy)| {
            change.get_pixel_checked(x.wrapping_add_signed(*dx), y.wrapping_add_signed(*dy)).map(|p| p[0])
        });
        Luma([values.max().unwrap_or(0)])
    })
}

/// The gradient's length, grey values over two pixels; at the picture's rim none.
fn slope(plane: &GrayImage, x: u32, y: u32) -> f64 {
    let at = |dx: i32, dy: i32| {
        plane.get_pixel_checked(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy)).map(|p| f64::from(p[0]))
    };
    let along = |a: Option<f64>, b: Option<f64>| a.zip(b).map_or(0.0, |(a, b)| b - a);
    along(at(-1, 0), at(1, 0)).hypot(along(at(0, -1), at(0, 1)))
}
