//! Are the lines that were counted the borders of a board's squares, light on one side and dark on the other?
//!
//! A printed line has the same ground on both its sides. A chequered board has other squares there, and those change places
//! from one square to the next, so that its borders look like thin lines where they are smeared or sharpened.

use image::GrayImage;
use nalgebra::Vector2;

use super::super::grid::GridSighting;
use super::super::{Axis, LineSighting};
use crate::units::{ImagePoint, MatPoint};

/// Places looked at beside a line, and along a cell's side: shares of the pitch.
const ASIDE: f64 = 0.15;
const ALONG: [f64; 2] = [-0.25, 0.25];
/// Least difference of the two grounds, of their sum, that is one between light and dark squares.
const LEAST_STEP: f64 = 0.12;
/// Share of the sides from which the lines are borders.
const MOSTLY: f64 = 0.6;
/// Sides looked at, at most.
const LOOKED_AT: usize = 200;

/// Is the ground light on one side and dark on the other at most of the sides counted?
pub(in crate::reference) fn are_borders(luma: &GrayImage, found: &GridSighting) -> bool {
    let every = found.sides.len().div_ceil(LOOKED_AT).max(1);
    let looked: Vec<bool> = found.sides.iter().step_by(every).filter_map(|s| divides(luma, found, s)).collect();
    looked.iter().filter(|d| **d).count() as f64 > MOSTLY * looked.len() as f64
}

/// The same of one side; none where the photo does not show both its grounds.
fn divides(luma: &GrayImage, found: &GridSighting, side: &LineSighting) -> Option<bool> {
    let rough = found.rough.as_ref()?;
    let [x, y] = found.pitch_mm;
    let (line, along) = match side.axis {
        Axis::X => (Vector2::new(f64::from(side.index) * x, 0.0), Vector2::new(0.0, y)),
        Axis::Y => (Vector2::new(0.0, f64::from(side.index) * y), Vector2::new(x, 0.0)),
    };
    let across = Vector2::new(x, y) - along;
    let shade = |t: f64, aside: f64| {
        let at = line + along * (side.along + t) + across * aside;
        mean(luma, rough.image_from_mat(MatPoint::new(at.x, at.y)))
    };
    let mut all = true;
    for t in ALONG {
        let (a, b) = (shade(t, ASIDE)?, shade(t, -ASIDE)?);
        all &= (a - b).abs() > LEAST_STEP * (a + b);
    }
    Some(all)
}

/// Mean of the nine pixels round a point.
fn mean(luma: &GrayImage, at: ImagePoint) -> Option<f64> {
    let (x, y) = (at.x.round(), at.y.round());
    let inside = x >= 1.0 && y >= 1.0 && x + 1.0 < f64::from(luma.width()) && y + 1.0 < f64::from(luma.height());
    inside.then(|| {
        let (x, y) = (x as u32, y as u32);
        let sum: u32 =
            (y - 1..=y + 1).flat_map(|v| (x - 1..=x + 1).map(move |u| u32::from(luma.get_pixel(u, v)[0]))).sum();
        f64::from(sum) / 9.0
    })
}

#[cfg(test)]
mod tests {
    use image::Luma;
    use nalgebra::Matrix3;

    use super::super::super::Marking;
    use super::*;
    use crate::camera::{Camera, Lens};

    /// Four pixels to the millimetre, y up.
    fn camera() -> Camera {
        let plane = Matrix3::new(4.0, 0.0, 400.0, 0.0, -4.0, 300.0, 0.0, 0.0, 1.0);
        Camera::new(plane, Lens::ideal(ImagePoint::new(400.0, 300.0), 500.0)).unwrap()
    }

    /// Lines 50 mm apart, counted in a photo that shows `shade` of the mat.
    fn divided(shade: impl Fn(MatPoint) -> f64) -> bool {
        let camera = camera();
        let luma = GrayImage::from_fn(800, 600, |x, y| {
            Luma([shade(camera.mat_from_image(ImagePoint::new(f64::from(x), f64::from(y)))) as u8])
        });
        let side = |axis, index: i32, along: f64| {
            let (a, b) = (50.0 * f64::from(index), 50.0 * along);
            let at = camera.image_from_mat(if axis == Axis::X { MatPoint::new(a, b) } else { MatPoint::new(b, a) });
            LineSighting { at, axis, index, along, contrast: 60.0 }
        };
        let sides = [Axis::X, Axis::Y].into_iter().flat_map(|axis| {
            (-1..=1).flat_map(move |i| [-0.5, 0.5].into_iter().map(move |along| side(axis, i, along)))
        });
        let mut found = GridSighting::from_sides(Marking::LightLines, [50.0; 2], sides.collect());
        found.rough = Some(camera.clone());
        are_borders(&luma, &found)
    }

    fn chequers(mat: MatPoint, square: f64) -> f64 {
        let odd = ((mat.x / square).floor() + (mat.y / square).floor()).rem_euclid(2.0) == 1.0;
        if odd { 60.0 } else { 190.0 }
    }

    #[test]
    fn borders_of_squares_are_told_whether_every_line_or_every_second_was_counted() {
        assert!(divided(|m| chequers(m, 50.0)));
        assert!(divided(|m| chequers(m, 25.0)));
    }

    #[test]
    fn printed_lines_are_not_under_a_lamp_or_across_the_rim_of_a_shadow() {
        let line = |v: f64| (v - 50.0 * (v / 50.0).round()).abs() < 0.4;
        let mat = |m: MatPoint| if line(m.x) || line(m.y) { 200.0 } else { 80.0 };
        let lamp = |m: MatPoint| 1.0 - 0.003 * m.x;
        assert!(!divided(mat));
        assert!(!divided(|m| mat(m) * lamp(m)));
        assert!(!divided(|m| mat(m) * if m.x + m.y > 30.0 { 0.4 } else { 1.0 }));
    }
}
