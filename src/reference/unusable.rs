//! Why a photo in which no reference was found may show none at all: black, white, empty or out of focus.

use image::GrayImage;

use crate::refusal::{Refusal, RefusalKind};

/// Every how many pixels, each way, the photo is read.
const STRIDE: usize = 5;

/// Shares of the pixels left out at either end of the grey levels.
const TAIL: f64 = 0.005;

/// Grey levels under which, and over which, everything is black or white.
const BLACK: u8 = 20;
const WHITE: u8 = 245;

/// Span of grey levels of a photo in which something stands out.
const LEAST_SPAN: u8 = 14;

/// Pixels over which edges are looked for, the share of places with the strongest ones, and the step from pixel to pixel
/// that even an edge of 2.5 px blur (Gaussian) has of its height: 1 / (2.5 sqrt(2 pi)).
const REACH: usize = 12;
const STRONGEST: f64 = 0.005;
const LEAST_STEP: f64 = 0.16;

/// Share of the photo's span of grey levels that the strongest edges rise over within their reach.
const LEAST_RISE: f64 = 0.15;

/// What is wrong with the photo as such, if anything is.
pub(crate) fn reason(luma: &GrayImage) -> Option<Refusal> {
    let (low, high) = levels(luma);
    let poor = |seen: &str, advice: &str| Some(Refusal::new(RefusalKind::PoorPhoto, seen, advice));
    if high < BLACK {
        return poor("the photo is black", "take the cap or finger off the lens, turn on the light, and retake");
    }
    if low > WHITE {
        return poor("the photo is white all over", "turn the flash off, expose less, and retake");
    }
    if high - low < LEAST_SPAN {
        return poor(
            "nothing stands out in the photo: it is of one grey",
            "see that nothing covers the lens, light the mat evenly, and retake",
        );
    }
    if unsharp(luma, high - low) {
        return poor(
            "nothing in the photo is sharp",
            "wipe the lens, hold the camera still or use its timer, tap to focus on the mat, and retake",
        );
    }
    None
}

/// The darkest and brightest grey levels, the tails left out.
fn levels(luma: &GrayImage) -> (u8, u8) {
    let mut counts = [0usize; 256];
    luma.as_raw().iter().step_by(STRIDE).for_each(|v| counts[usize::from(*v)] += 1);
    let tail = (TAIL * counts.iter().sum::<usize>() as f64) as usize;
    let beyond = |order: &mut dyn Iterator<Item = usize>| {
        let mut passed = 0;
        for v in order {
            passed += counts[v];
            if passed > tail {
                return v as u8;
            }
        }
        0
    };
    (beyond(&mut (0..256)), beyond(&mut (0..256).rev()))
}

/// Do even the strongest edges rise slowly, or to little of the photo's `span` of grey levels?
fn unsharp(luma: &GrayImage, span: u8) -> bool {
    let (w, h) = (luma.width() as usize, luma.height() as usize);
    let px = luma.as_raw();
    // (height of the edge, its largest step as a share) along rows and down columns.
    let mut edges: Vec<(u8, f64)> = Vec::new();
    for y in (0..h.saturating_sub(REACH)).step_by(STRIDE) {
        for x in (0..w.saturating_sub(REACH)).step_by(STRIDE) {
            for along in [1, w] {
                let value = |k: usize| px[y * w + x + k * along];
                let height = value(REACH).abs_diff(value(0));
                let step = (0..REACH).map(|k| value(k + 1).abs_diff(value(k))).max().unwrap_or(0);
                edges.push((height, f64::from(step) / f64::from(height.max(1))));
            }
        }
    }
    let strongest = ((STRONGEST * edges.len() as f64) as usize).max(1);
    if edges.len() <= 2 * strongest {
        return false;
    }
    edges.select_nth_unstable_by(strongest, |a, b| b.0.cmp(&a.0));
    if f64::from(edges[strongest].0) < LEAST_RISE * f64::from(span) {
        return true;
    }
    let mut steps: Vec<f64> = edges[..strongest].iter().map(|e| e.1).collect();
    let half = steps.len() / 2;
    *steps.select_nth_unstable_by(half, f64::total_cmp).1 < LEAST_STEP
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Luma;

    fn squares(blur: f32) -> GrayImage {
        let sharp = GrayImage::from_fn(600, 400, |x, y| Luma([if (x / 50 + y / 50) % 2 == 0 { 60 } else { 190 }]));
        if blur > 0.0 { image::imageops::blur(&sharp, blur) } else { sharp }
    }

    #[test]
    fn a_sharp_photo_and_one_a_little_soft_have_nothing_wrong() {
        for blur in [0.0, 0.7, 1.5] {
            assert_eq!(reason(&squares(blur)), None, "blur {blur}");
        }
    }

    #[test]
    fn what_shows_nothing_is_named() {
        let even = |v: u8| GrayImage::from_pixel(300, 200, Luma([v]));
        let said = |photo: &GrayImage| reason(photo).map_or(String::new(), |r| r.seen);
        assert!(said(&even(3)).contains("black"));
        assert!(said(&even(255)).contains("white"));
        assert!(said(&even(128)).contains("nothing stands out"));
        assert!(said(&squares(6.0)).contains("sharp"));
        assert_eq!(reason(&GrayImage::new(0, 0)).map(|r| r.kind), Some(RefusalKind::PoorPhoto));
    }
}
