//! A corner of four squares to a fraction of a pixel: the point to which every gradient around it is
//! square (Foerstner & Guelch, 1987), in a window that stays clear of the neighbouring corners.

use image::GrayImage;
use nalgebra::{Matrix2, Vector2};

use crate::units::ImagePoint;

/// A refined corner.
pub(super) struct Saddle {
    /// Its place.
    pub at: ImagePoint,
    /// Light square over dark, grey levels.
    pub contrast: f64,
}

/// Least and largest half-window, px.
const LEAST_HALF: f64 = 2.5;
const MOST_HALF: f64 = 10.0;

/// Refines a corner found on a photo reduced by `factor`.
///
/// `narrowest` is the least distance across a neighbouring square, px; the half-window is 0.4 of it: a wider
/// one takes in the edges of the next squares and is drawn to them. `None` if it does not come to rest near
/// its start.
pub(super) fn refine(luma: &GrayImage, start: ImagePoint, narrowest: f64, factor: f64) -> Option<Saddle> {
    let half = (0.4 * narrowest).clamp(LEAST_HALF, MOST_HALF.max(2.5 * factor));
    let mut at = start;
    for _ in 0..12 {
        let next = step(luma, at, half)?;
        let moved = next.distance(at);
        at = next;
        if at.distance(start) > half.max(2.0 * factor) {
            return None;
        }
        if moved < 1e-3 {
            break;
        }
    }
    Some(Saddle { at, contrast: contrast(luma, at, half) })
}

/// Weighted least squares: sum g g^T (q - p) = 0.
fn step(luma: &GrayImage, at: ImagePoint, half: f64) -> Option<ImagePoint> {
    let (x0, x1) = ((at.x - half).ceil(), (at.x + half).floor());
    let (y0, y1) = ((at.y - half).ceil(), (at.y + half).floor());
    let inside = x0 >= 1.0 && y0 >= 1.0 && x1 < f64::from(luma.width()) - 1.0 && y1 < f64::from(luma.height()) - 1.0;
    if !inside {
        return None;
    }
    let (mut a, mut b) = (Matrix2::zeros(), Vector2::zeros());
    let fall = 2.0 / (half * half);
    for y in y0 as u32..=y1 as u32 {
        for x in x0 as u32..=x1 as u32 {
            let value =
                |dx: i32, dy: i32| f64::from(luma.get_pixel(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy))[0]);
            let gradient = Vector2::new(value(1, 0) - value(-1, 0), value(0, 1) - value(0, -1));
            let offset = Vector2::new(f64::from(x) - at.x, f64::from(y) - at.y);
            // Smooth to nothing at the window's rim, so that pixels entering it make no jump.
            let weight = (1.0 - 0.5 * fall * offset.norm_squared()).max(0.0).powi(2);
            let outer = gradient * gradient.transpose() * weight;
            a += outer;
            b += outer * offset;
        }
    }
    let shift = a.try_inverse()? * b;
    shift.iter().all(|v| v.is_finite()).then(|| at + shift)
}

/// Difference of the brighter and the darker half of a ring round the corner.
fn contrast(luma: &GrayImage, at: ImagePoint, half: f64) -> f64 {
    let mut ring: Vec<u8> = (0..16)
        .filter_map(|k| {
            let angle = std::f64::consts::TAU * f64::from(k) / 16.0;
            let (x, y) = (at.x + 0.8 * half * angle.cos(), at.y + 0.8 * half * angle.sin());
            luma.get_pixel_checked(x.round() as u32, y.round() as u32).map(|p| p[0])
        })
        .collect();
    ring.sort_unstable();
    match (ring.get(ring.len() / 4), ring.get(3 * ring.len() / 4)) {
        (Some(&dark), Some(&light)) => f64::from(light) - f64::from(dark),
        _ => 0.0,
    }
}
