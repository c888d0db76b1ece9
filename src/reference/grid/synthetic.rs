//! Pictures of mats drawn through a known camera, for tests: exact lines, blur, noise, things in the way.

use image::GrayImage;
use nalgebra::{Matrix3, Rotation3, Vector3};
use rayon::prelude::*;

use crate::camera::{Camera, Lens};
use crate::units::{ImagePoint, MatPoint};

/// One set of printed lines.
#[derive(Debug, Clone, Copy)]
pub struct Layer {
    pub pitch_mm: [f64; 2],
    pub width_mm: f64,
    /// Grey levels over the ground (negative: darker).
    pub contrast: f64,
}

/// A mat, what lies on it, and the camera over it.
#[derive(Debug, Clone)]
pub struct Scene {
    pub width: u32,
    pub height: u32,
    pub camera: Camera,
    pub layers: Vec<Layer>,
    /// Half sizes of the mat about its middle, mm.
    pub half_mm: [f64; 2],
    pub ground: f64,
    pub table: f64,
    /// Ellipse of cloth: middle, half axes (mm), grey level.
    pub cloth: Option<(MatPoint, [f64; 2], f64)>,
    /// Check woven into the cloth: pitch and wave, mm.
    pub check_mm: Option<(f64, f64)>,
    /// Wave of the printed lines themselves, mm.
    pub wave_mm: f64,
    pub diagonals: bool,
    pub blobs: bool,
    /// Gaussian blur, px.
    pub blur_px: f64,
    pub noise: f64,
    /// The light falls off to this share at the left edge.
    pub fall_off: f64,
    pub seed: u64,
}

/// A camera looking down on the mat.
pub fn camera(
    size: (u32, u32),
    px_per_mm: f64,
    tilt_deg: f64,
    tilt_towards_deg: f64,
    roll_deg: f64,
    k1: f64,
) -> Camera {
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let focal = 0.75 * w.max(h);
    let height = focal / px_per_mm;
    let centre = ImagePoint::new((w - 1.0) / 2.0, (h - 1.0) / 2.0);
    let towards = tilt_towards_deg.to_radians();
    let axis = nalgebra::Unit::new_normalize(Vector3::new(-towards.sin(), towards.cos(), 0.0));
    let flip = Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
    let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), roll_deg.to_radians());
    let tilt = Rotation3::from_axis_angle(&axis, tilt_deg.to_radians());
    let r = roll.matrix() * tilt.matrix() * flip;
    let k = Matrix3::new(focal, 0.0, centre.x, 0.0, focal, centre.y, 0.0, 0.0, 1.0);
    let pose = Matrix3::from_columns(&[r.column(0).into(), r.column(1).into(), Vector3::new(0.0, 0.0, height)]);
    Camera::new(k * pose, Lens { centre, scale_px: focal, k1, k2: 0.0 }).expect("an invertible camera")
}

impl Scene {
    /// A bare mat of light lines on dark in full view.
    pub fn new(size: (u32, u32), camera: Camera, pitch_mm: f64) -> Self {
        Self {
            width: size.0,
            height: size.1,
            camera,
            layers: vec![Layer { pitch_mm: [pitch_mm; 2], width_mm: 0.4, contrast: 60.0 }],
            half_mm: [1e4; 2],
            ground: 70.0,
            table: 150.0,
            cloth: None,
            check_mm: None,
            wave_mm: 0.0,
            diagonals: false,
            blobs: false,
            blur_px: 0.7,
            noise: 1.5,
            fall_off: 1.0,
            seed: 1,
        }
    }

    /// Draws the picture.
    pub fn draw(&self) -> GrayImage {
        let mut out = GrayImage::new(self.width, self.height);
        out.par_chunks_mut(self.width as usize).enumerate().for_each(|(y, row)| {
            let mut random = Random(self.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ ((y as u64 + 1) << 20));
            for (x, value) in row.iter_mut().enumerate() {
                let light = self.fall_off + (1.0 - self.fall_off) * x as f64 / f64::from(self.width);
                let grey = self.grey(ImagePoint::new(x as f64, y as f64)) * light + self.noise * random.normal();
                *value = grey.round().clamp(0.0, 255.0) as u8;
            }
        });
        out
    }

    fn grey(&self, at: ImagePoint) -> f64 {
        let here = self.camera.mat_from_image(at);
        let right = self.camera.mat_from_image(ImagePoint::new(at.x + 1.0, at.y));
        let down = self.camera.mat_from_image(ImagePoint::new(at.x, at.y + 1.0));
        let slope = |value: &dyn Fn(MatPoint) -> f64| (value(right) - value(here)).hypot(value(down) - value(here));
        if let Some((middle, half, grey)) = self.cloth {
            let (dx, dy) = ((here.x - middle.x) / half[0], (here.y - middle.y) / half[1]);
            if dx * dx + dy * dy < 1.0 {
                let check = self.check_mm.map_or(0.0, |(pitch, wave)| {
                    let x = |p: MatPoint| p.x + wave * (p.y / 23.0).sin();
                    let y = |p: MatPoint| p.y + wave * (p.x / 31.0).cos();
                    let line = |v: &dyn Fn(MatPoint) -> f64| self.line(v(here), pitch, 1.0, slope(v));
                    60.0 * f64::max(line(&x), line(&y))
                });
                return grey - check;
            }
        }
        if here.x.abs() > self.half_mm[0] || here.y.abs() > self.half_mm[1] {
            return self.table + 12.0 * (here.x / 2.3 + (here.y / 40.0).sin()).sin();
        }
        let x = |p: MatPoint| p.x + self.wave_mm * (p.y / 23.0).sin();
        let y = |p: MatPoint| p.y + self.wave_mm * (p.x / 31.0).cos();
        let mut print = 0.0f64;
        for layer in &self.layers {
            let cover = self.line(x(here), layer.pitch_mm[0], layer.width_mm, slope(&x)).max(self.line(
                y(here),
                layer.pitch_mm[1],
                layer.width_mm,
                slope(&y),
            ));
            print = strongest(print, cover * layer.contrast);
        }
        if self.diagonals {
            let d = |p: MatPoint| 0.8 * p.x + 0.6 * p.y;
            print = strongest(print, self.line(d(here), 137.0, 0.5, slope(&d)) * self.layers[0].contrast);
        }
        if self.blobs {
            // Rings of numeral size at every crossing of a coarse grid, a little off the lines.
            let (bx, by) = ((here.x - 3.0).rem_euclid(25.0) - 4.0, (here.y - 2.0).rem_euclid(25.0) - 4.0);
            let ring = (bx.hypot(by) - 2.0).abs();
            print = strongest(print, f64::from(ring < 0.35) * self.layers[0].contrast);
        }
        self.ground + print
    }

    /// Coverage of the lines at whole multiples of the pitch, blurred; `per_px` is mm per pixel across.
    fn line(&self, value: f64, pitch: f64, width: f64, per_px: f64) -> f64 {
        let off = (value - (value / pitch).round() * pitch) / per_px;
        let half = 0.5 * width / per_px;
        // Exact for a box seen through the Gaussian and the pixel's own box (their variances add).
        let s = (self.blur_px * self.blur_px + 1.0 / 12.0).sqrt() * std::f64::consts::SQRT_2;
        0.5 * (erf((off + half) / s) - erf((off - half) / s))
    }
}

fn strongest(a: f64, b: f64) -> f64 {
    if b.abs() > a.abs() { b } else { a }
}

/// Error function to 1.5e-7 (Abramowitz & Stegun 7.1.26; constants from memory, odd by construction).
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let poly =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    (1.0 - poly * (-x * x).exp()).copysign(x)
}

/// SplitMix64.
pub struct Random(pub u64);

impl Random {
    /// Evenly in 0..1.
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly normal: the sum of twelve even ones less six.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}
