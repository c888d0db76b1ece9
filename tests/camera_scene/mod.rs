//! A camera over a mat, written out from the textbook model (K [R t], Brown-Conrady) apart from the
//! program's own code, and the sightings it would give.
#![allow(dead_code)]

use clothline::reference::grid::GridSighting;
use clothline::reference::{Axis, LineSighting, Marking};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::{Matrix3, Rotation3, Vector3};

/// Noise that is the same on every run (splitmix64, Box-Muller).
pub struct Noise(pub u64);

impl Noise {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform().max(1e-12), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

#[derive(Clone)]
pub struct Scene {
    pub size: (u32, u32),
    pub focal_px: f64,
    pub k: [f64; 2],
    pub rotation: Matrix3<f64>,
    pub place: Vector3<f64>,
}

impl Scene {
    /// A phone (26 mm equivalent, 12 MP) `height_mm` over the mat, tilted and turned.
    pub fn phone(height_mm: f64, tilt_deg: f64, turn_deg: f64, k1: f64, k2: f64) -> Self {
        let size = (4032, 3024);
        // Looking straight down with image x along mat x: camera y = -mat y, camera z = -mat z.
        let down = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        let tilt = Rotation3::from_axis_angle(&Vector3::x_axis(), tilt_deg.to_radians());
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), turn_deg.to_radians());
        let rotation = tilt.matrix() * down * turn.matrix();
        // Aim at the origin.
        let axis = rotation.transpose() * Vector3::new(0.0, 0.0, 1.0);
        let place = axis * (height_mm / axis.z);
        Self { size, focal_px: 3028.663, k: [k1, k2], rotation, place }
    }

    pub fn see(&self, mat: MatPoint, above_mm: f64) -> ImagePoint {
        let c = self.rotation * (Vector3::new(mat.x, mat.y, above_mm) - self.place);
        let (x, y) = (c.x / c.z, c.y / c.z);
        let r2 = x * x + y * y;
        let g = 1.0 + self.k[0] * r2 + self.k[1] * r2 * r2;
        let (cx, cy) = (0.5 * (f64::from(self.size.0) - 1.0), 0.5 * (f64::from(self.size.1) - 1.0));
        ImagePoint::new(self.focal_px * x * g + cx, self.focal_px * y * g + cy)
    }

    pub fn in_photo(&self, p: ImagePoint) -> bool {
        p.x >= 0.0 && p.y >= 0.0 && p.x < f64::from(self.size.0 - 1) && p.y < f64::from(self.size.1 - 1)
    }

    /// Sides of a grid of `lines` x `lines` about the origin, as they are seen, where `shown` says so.
    pub fn sides(&self, pitch: f64, lines: i32, shown: impl Fn(MatPoint) -> bool) -> Vec<LineSighting> {
        let mut sides = Vec::new();
        let half = lines / 2;
        for index in -half..=half {
            for cell in -half..half {
                let along = f64::from(cell) + 0.5;
                let (a, b) = (f64::from(index) * pitch, along * pitch);
                for (axis, mat) in [(Axis::X, MatPoint::new(a, b)), (Axis::Y, MatPoint::new(b, a))] {
                    let at = self.see(mat, 0.0);
                    if self.in_photo(at) && shown(mat) {
                        sides.push(LineSighting { at, axis, index, along, contrast: 50.0 });
                    }
                }
            }
        }
        sides
    }
}

pub fn sighting(pitch: f64, sides: Vec<LineSighting>) -> GridSighting {
    GridSighting { marking: Marking::LightLines, pitch_mm: [pitch, pitch], sides, bold: [None, None], divisions: 1 }
}
