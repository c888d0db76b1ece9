//! A picture to check a sighting by eye: the lattice with its indices and every side found.

use image::{Rgb, RgbImage};

use super::GridSighting;
use crate::reference::Axis;
use crate::units::{ImagePoint, MatPoint};

const X_COLOUR: Rgb<u8> = Rgb([255, 40, 40]);
const Y_COLOUR: Rgb<u8> = Rgb([40, 160, 255]);
const LATTICE_COLOUR: Rgb<u8> = Rgb([255, 220, 0]);

/// Digits and minus sign, 3 x 5, a row each three bits from the left.
const GLYPHS: [[u8; 5]; 11] = [
    [7, 5, 5, 5, 7],
    [2, 6, 2, 2, 7],
    [7, 1, 7, 4, 7],
    [7, 1, 3, 1, 7],
    [5, 5, 7, 1, 1],
    [7, 4, 7, 1, 7],
    [7, 4, 7, 5, 7],
    [7, 1, 2, 2, 2],
    [7, 5, 7, 5, 7],
    [7, 5, 7, 1, 7],
    [0, 0, 7, 0, 0],
];

/// Draws what was found over the photo: predicted lattice (yellow dots), sides of x lines (red) and of
/// y lines (blue), and the indices of every fifth line.
pub fn overlay(photo: &RgbImage, sighting: &GridSighting) -> RgbImage {
    let mut out = photo.clone();
    let [px, py] = sighting.pitch_mm;
    let (Some([[a0, a1], [b0, b1]]), Some(rough)) = (bounds(sighting), sighting.rough.as_ref()) else { return out };
    let seen = |a: f64, b: f64| rough.image_from_mat(MatPoint::new(a * px, b * py));
    for a in a0..=a1 {
        for b in b0..=b1 {
            for k in 0..8 {
                let t = f64::from(k) / 8.0;
                dot(&mut out, seen(f64::from(a) + t, f64::from(b)), 0, LATTICE_COLOUR);
                dot(&mut out, seen(f64::from(a), f64::from(b) + t), 0, LATTICE_COLOUR);
            }
        }
    }
    for s in &sighting.sides {
        let (colour, middle, ahead) = match s.axis {
            Axis::X => (X_COLOUR, seen(f64::from(s.index), s.along), seen(f64::from(s.index), s.along + 0.3)),
            Axis::Y => (Y_COLOUR, seen(s.along, f64::from(s.index)), seen(s.along + 0.3, f64::from(s.index))),
        };
        let half = ahead - middle;
        let steps = half.norm().ceil().max(1.0);
        for k in -(steps as i32)..=steps as i32 {
            dot(&mut out, s.at + half * (f64::from(k) / steps), 0, colour);
        }
    }
    let size = (photo.width().max(photo.height()) / 1200).max(1) as i32;
    for a in (a0..=a1).filter(|a| a.rem_euclid(5) == 0) {
        for b in (b0..=b1).filter(|b| b.rem_euclid(5) == 0) {
            let at = seen(f64::from(a), f64::from(b));
            let at = write_number(&mut out, at, a, size, X_COLOUR);
            write_number(&mut out, at, b, size, Y_COLOUR);
        }
    }
    out
}

fn bounds(sighting: &GridSighting) -> Option<[[i32; 2]; 2]> {
    let range = |axis: Axis| -> Option<[i32; 2]> {
        let lines = || sighting.sides.iter().filter(|s| s.axis == axis).map(|s| s.index);
        Some([lines().min()?, lines().max()?])
    };
    Some([range(Axis::X)?, range(Axis::Y)?])
}

fn dot(out: &mut RgbImage, at: ImagePoint, radius: i32, colour: Rgb<u8>) {
    let (x, y) = (at.x.round() as i32, at.y.round() as i32);
    for dy in -radius..=radius {
        for dx in -radius..=radius {
            if let (Ok(px), Ok(py)) = (u32::try_from(x + dx), u32::try_from(y + dy))
                && let Some(pixel) = out.get_pixel_mut_checked(px, py)
            {
                *pixel = colour;
            }
        }
    }
}

/// Writes a whole number right of and below a point; returns where the next one may start.
fn write_number(out: &mut RgbImage, at: ImagePoint, number: i32, size: i32, colour: Rgb<u8>) -> ImagePoint {
    let text = number.to_string();
    let mut x = at.x + f64::from(2 * size);
    for character in text.chars() {
        let glyph = GLYPHS[character.to_digit(10).map_or(10, |d| d as usize)];
        for (r, row) in glyph.iter().enumerate() {
            for c in 0..3 {
                if row & (4 >> c) != 0 {
                    let p = ImagePoint::new(x + f64::from(c * size), at.y + f64::from((r as i32 + 2) * size));
                    dot(out, p, size / 2, colour);
                }
            }
        }
        x += f64::from(4 * size);
    }
    ImagePoint::new(x, at.y)
}
