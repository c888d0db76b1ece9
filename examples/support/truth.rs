//! Reading the truth files that lie beside rendered photos, and a stand-in for the grid finder.

#![allow(dead_code)] // each test binary uses its own part

use std::path::{Path, PathBuf};

use clothline::camera::{Camera, Lens, Pose, PoseSource};
use clothline::reference::grid::GridSighting;
use clothline::reference::{Axis, LineSighting, Marking};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::{Matrix3, Vector3};
use serde::Deserialize;

/// One truth file.
#[derive(Debug, Deserialize)]
pub struct Truth {
    pub args: Vec<String>,
    pub expect: String,
    pub grid: Option<TrueGrid>,
    pub thickness_mm: Option<f64>,
    pub camera: TrueCamera,
    pub mat_box: Option<[f64; 4]>,
    pub mat_rim_mm: Option<f64>,
    pub outline: Option<Vec<[f64; 2]>>,
}

/// How the mat is ruled.
#[derive(Debug, Deserialize)]
pub struct TrueGrid {
    pub pitch_mm: f64,
    pub bold_every: u32,
    pub kind: String,
    pub subdivisions: Option<u32>,
}

/// The camera that took (rendered) the photo; pixels of the upright photo.
#[derive(Debug, Deserialize)]
pub struct TrueCamera {
    #[serde(rename = "K")]
    pub k: [[f64; 3]; 3],
    #[serde(rename = "R")]
    pub r: [[f64; 3]; 3],
    pub t: [f64; 3],
    pub k1: f64,
    pub k2: f64,
    pub width: u32,
    pub height: u32,
    pub tilt_deg: f64,
}

fn matrix(m: &[[f64; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_fn(|i, j| m[i][j])
}

impl Truth {
    /// Photos with a truth file in a folder, by name.
    pub fn list(folder: &Path) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let mut found: Vec<PathBuf> = entries
            .map(|e| e.path())
            .filter(|p| p.extension().is_some_and(|e| e == "jpg") && p.with_extension("truth.json").exists())
            .collect();
        found.sort();
        found
    }

    /// The truth beside a photo.
    pub fn beside(photo: &Path) -> Truth {
        let text = std::fs::read_to_string(photo.with_extension("truth.json")).expect("truth file");
        serde_json::from_str(&text).expect("truth file")
    }

    /// The true camera.
    pub fn camera(&self) -> Camera {
        let (k, r) = (matrix(&self.camera.k), matrix(&self.camera.r));
        let t = Vector3::from(self.camera.t);
        let plane = Matrix3::from_columns(&[r.column(0).into_owned(), r.column(1).into_owned(), t]);
        let lens = Lens {
            centre: ImagePoint::new(k[(0, 2)], k[(1, 2)]),
            scale_px: k[(0, 0)],
            k1: self.camera.k1,
            k2: self.camera.k2,
        };
        let centre = -r.transpose() * t;
        let pose = Pose {
            foot: MatPoint::new(centre.x, centre.y),
            height_mm: centre.z,
            tilt_deg: self.camera.tilt_deg,
            focal_px: k[(0, 0)],
            height_sigma_mm: 0.0,
            source: PoseSource::Exif,
        };
        Camera::new(k * plane, lens).expect("invertible").with_pose(Some(pose))
    }

    /// The true outline, mat frame.
    pub fn outline(&self) -> Vec<MatPoint> {
        self.outline.iter().flatten().map(|&p| p.into()).collect()
    }

    /// What a good grid finder would see: most sides of printed cells that the cloth does not hide.
    pub fn sighting(&self) -> Option<GridSighting> {
        let grid = self.grid.as_ref()?;
        let [x0, x1, y0, y1] = self.mat_box?;
        let rim = self.mat_rim_mm.unwrap_or(0.0);
        let camera = self.camera();
        let outline = self.outline();
        let thickness = self.thickness_mm.unwrap_or(0.0);
        let pitch = grid.pitch_mm;
        let hidden = |p: MatPoint| inside(&outline, camera.lower(p, thickness / 2.0));
        let (w, h) = (f64::from(self.camera.width), f64::from(self.camera.height));
        let mut sides = Vec::new();
        let mut seed = 1u32;
        for axis in [Axis::X, Axis::Y] {
            let (lo, hi, alo, ahi) = if axis == Axis::X { (x0, x1, y0, y1) } else { (y0, y1, x0, x1) };
            for index in ((lo + rim) / pitch).ceil() as i32..=((hi - rim) / pitch).floor() as i32 {
                for cell in ((alo + rim) / pitch).ceil() as i32..((ahi - rim) / pitch).floor() as i32 {
                    let at = |share: f64| {
                        let (u, v) = (f64::from(index) * pitch, (f64::from(cell) + share) * pitch);
                        if axis == Axis::X { MatPoint::new(u, v) } else { MatPoint::new(v, u) }
                    };
                    seed = seed.wrapping_mul(1664525).wrapping_add(1013904223);
                    let dropped = seed >> 24 < 13;
                    let covered = (0..=8).any(|i| hidden(at(f64::from(i) / 8.0)));
                    let place = camera.image_from_mat(at(0.5));
                    let seen = place.x > 4.0 && place.y > 4.0 && place.x < w - 5.0 && place.y < h - 5.0;
                    if !dropped && !covered && seen {
                        let along = f64::from(cell) + 0.5;
                        sides.push(LineSighting { at: place, axis, index, along, contrast: 30.0 });
                    }
                }
            }
        }
        let marking = if grid.kind == "chess" { Marking::Chequers } else { Marking::LightLines };
        let bold = (grid.bold_every > 1).then_some((grid.bold_every, 0));
        let divisions = grid.subdivisions.unwrap_or(1);
        let bare = GridSighting::from_sides(marking, [pitch, pitch], sides);
        Some(GridSighting { bold: [bold, bold], divisions, ..bare })
    }
}

/// Is a point inside a closed polygon (even-odd rule)?
pub fn inside(polygon: &[MatPoint], p: MatPoint) -> bool {
    let n = polygon.len();
    (0..n).fold(false, |odd, i| {
        let (a, b) = (polygon[i], polygon[(i + 1) % n]);
        let crosses = (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x);
        odd != crosses
    })
}
