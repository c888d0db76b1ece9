//! Finding what is of known size in the photo, and what was seen of it.

pub mod chequers;
pub mod grid;
pub mod tiles;

use image::GrayImage;
use rayon::prelude::*;

use crate::units::ImagePoint;

/// Which mat coordinate a sighting pins down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// The line runs along y; its x is known.
    X,
    /// The line runs along x; its y is known.
    Y,
}

/// A printed line seen over one side of one grid cell: one perpendicular measurement.
///
/// It says: the point `at` of the photo lies on the mat line `x = index * pitch` (axis X) or
/// `y = index * pitch` (axis Y); along the line only the rough place `along` is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSighting {
    /// Middle of the side, on the line, in the photo.
    pub at: ImagePoint,
    /// Which coordinate is known.
    pub axis: Axis,
    /// Index of the line within its family.
    pub index: i32,
    /// Place along the line, in cells (the side from 3 to 4 has 3.5).
    pub along: f64,
    /// Contrast of the line over its ground, grey levels.
    pub contrast: f64,
}

/// How the reference looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Marking {
    /// Lines lighter than the ground.
    LightLines,
    /// Lines darker than the ground.
    DarkLines,
    /// Squares light and dark in turn.
    Chequers,
}

/// The photo reduced by a whole factor, each pixel the mean of its block.
fn reduce(luma: &GrayImage, factor: u32) -> GrayImage {
    if factor <= 1 {
        return luma.clone();
    }
    let (width, height) = (luma.width() / factor, luma.height() / factor);
    let (stride, f) = (luma.width() as usize, factor as usize);
    let mut out = vec![0u8; width as usize * height as usize];
    out.par_chunks_mut(width.max(1) as usize).enumerate().for_each(|(y, row)| {
        let mut sums = vec![0u32; row.len()];
        for line in luma.as_raw().chunks_exact(stride).skip(y * f).take(f) {
            for (sum, block) in sums.iter_mut().zip(line.chunks_exact(f)) {
                *sum += block.iter().map(|&v| u32::from(v)).sum::<u32>();
            }
        }
        for (to, sum) in row.iter_mut().zip(&sums) {
            *to = (sum / (factor * factor)) as u8;
        }
    });
    GrayImage::from_raw(width, height, out).unwrap_or_default()
}
