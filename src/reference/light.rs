//! Reading the photo between pixels, in linear light, and edges half-way between two tones.

use std::sync::OnceLock;

use image::GrayImage;
use nalgebra::{Matrix2, Vector2};

use crate::units::ImagePoint;

/// Steps along a profile, px.
const STEP_PX: f64 = 0.5;

/// Bilinear grey value; `None` outside the photo.
pub(crate) fn sample(luma: &GrayImage, at: ImagePoint) -> Option<f64> {
    if !(at.x >= 0.0 && at.y >= 0.0 && at.x < f64::from(luma.width()) - 1.0 && at.y < f64::from(luma.height()) - 1.0) {
        return None;
    }
    let (x, y) = (at.x as usize, at.y as usize);
    let (fx, fy) = (at.x - x as f64, at.y - y as f64);
    let (w, k) = (luma.width() as usize, y * luma.width() as usize + x);
    let px = luma.as_raw();
    let v = |k: usize| f64::from(px[k]);
    Some((v(k) * (1.0 - fx) + v(k + 1) * fx) * (1.0 - fy) + (v(k + w) * (1.0 - fx) + v(k + w + 1) * fx) * fy)
}

/// Linear light (0 to 1) of a grey value 0 to 255, by the sRGB curve (IEC 61966-2-1).
pub(crate) fn linear(grey: f64) -> f64 {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        (0..=256)
            .map(|v| f64::from(v) / 255.0)
            .map(|v| if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) })
            .collect()
    });
    let k = grey.clamp(0.0, 255.0);
    let i = k as usize;
    table[i] + (table[i + 1] - table[i]) * (k - i as f64)
}

/// Grey value 0 to 255 of linear light (0 to 1), by the sRGB curve.
pub(crate) fn grey(linear: f64) -> f64 {
    let v = linear.clamp(0.0, 1.0);
    255.0 * if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 }
}

/// Where, from `foot` along the unit vector `outward` within `span` px both ways, dark turns to light half-way in
/// linear light: the crossing of the steepest rise.
pub(crate) fn half_way(luma: &GrayImage, foot: ImagePoint, outward: Vector2<f64>, span: f64) -> Option<ImagePoint> {
    let n = (span / STEP_PX).ceil() as i32;
    let values: Option<Vec<f64>> =
        (-n..=n).map(|k| sample(luma, foot + outward * (f64::from(k) * STEP_PX)).map(linear)).collect();
    let values = values?;
    // Steepest over three px, as sharp a step as a lens makes.
    let wide = (1.5 / STEP_PX) as usize;
    let rise = |i: usize| values[i + wide] - values[i - wide];
    let steepest = (wide..values.len() - wide).max_by(|a, b| rise(*a).total_cmp(&rise(*b)))?;
    if rise(steepest) < 0.02 {
        return None;
    }
    let plateau = (3.0 / STEP_PX) as usize;
    let low = mean(values.get(steepest.saturating_sub(2 * plateau)..=steepest.saturating_sub(plateau))?)?;
    let high =
        mean(values.get((steepest + plateau).min(values.len() - 1)..(steepest + 2 * plateau).min(values.len()))?)?;
    let middle = 0.5 * (low + high);
    let from = steepest.saturating_sub(plateau);
    let i =
        (from..(steepest + plateau).min(values.len() - 1)).find(|&i| values[i] <= middle && values[i + 1] > middle)?;
    let t = (middle - values[i]) / (values[i + 1] - values[i]);
    Some(foot + outward * ((i as f64 + t - f64::from(n)) * STEP_PX))
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// The line (a point, a unit direction) through points, by least squares with Tukey's weights; `None` if fewer than
/// `least` are near it.
pub(crate) fn line_through(points: &[ImagePoint], least: usize) -> Option<(ImagePoint, Vector2<f64>)> {
    if points.len() < least.max(2) {
        return None;
    }
    let mut weights = vec![1.0; points.len()];
    let mut line = None;
    for _ in 0..8 {
        let total: f64 = weights.iter().sum();
        let middle =
            points.iter().zip(&weights).fold(Vector2::zeros(), |s, (p, w)| s + Vector2::new(p.x, p.y) * *w) / total;
        let mut spread = Matrix2::zeros();
        for (p, w) in points.iter().zip(&weights) {
            let d = Vector2::new(p.x, p.y) - middle;
            spread += d * d.transpose() * *w;
        }
        let eigen = spread.symmetric_eigen();
        let k = if eigen.eigenvalues[0] > eigen.eigenvalues[1] { 0 } else { 1 };
        let along: Vector2<f64> = eigen.eigenvectors.column(k).into();
        let at = ImagePoint::new(middle.x, middle.y);
        let off: Vec<f64> = points.iter().map(|p| along.perp(&(*p - at)).abs()).collect();
        let scale = (4.0 * 1.4826 * crate::camera::median(&mut off.clone())).max(0.25);
        weights = off.iter().map(|d| (1.0 - (d / scale).powi(2)).max(0.0).powi(2)).collect();
        line = Some((at, along));
    }
    (weights.iter().filter(|w| **w > 0.1).count() >= least).then_some(line).flatten()
}
