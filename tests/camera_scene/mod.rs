//! A camera over a mat, written out from the textbook model (K [R t], Brown-Conrady) apart from the
//! program's own code, and the sightings it would give.
#![allow(dead_code)]

use clothline::reference::grid::GridSighting;
use clothline::reference::{Axis, LineSighting, Marking};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::{Matrix3, Rotation3, Vector3};

/// Pictures of opencv-doc that show neither board nor floor.
pub const WITHOUT_GRID: [&str; 29] = [
    "fruits.jpg",
    "baboon.jpg",
    "building.jpg",
    "graf1.png",
    "graf3.png",
    "home.jpg",
    "aloeL.jpg",
    "board.jpg",
    "box.png",
    "box_in_scene.png",
    "butterfly.jpg",
    "cards.png",
    "messi5.jpg",
    "smarties.png",
    "stuff.jpg",
    "starry_night.jpg",
    "leuvenA.jpg",
    "leuvenB.jpg",
    "licenseplate_motion.jpg",
    "text_defocus.jpg",
    "notes.png",
    "rubberwhale1.png",
    "HappyFish.jpg",
    "Blender_Suzanne1.jpg",
    "ellipses.jpg",
    "imageTextN.png",
    "pic1.png",
    "pic3.png",
    "pca_test1.jpg",
];

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
    GridSighting::from_sides(Marking::LightLines, [pitch, pitch], sides)
}

/// Draws what was seen (red: x lines, green: y lines) and what the fit says (blue lattice) over the photo, into
/// the folder that `CLOTHLINE_OVERLAYS` names, if it names one: for looking at.
pub fn overlay(photo: &std::path::Path, seen: &GridSighting, fit: Option<&clothline::camera::CameraFit>) {
    let Some(folder) = std::env::var_os("CLOTHLINE_OVERLAYS") else { return };
    let Ok(picture) = image::open(photo) else { return };
    let mut picture = picture.to_rgb8();
    let mut dot = |p: ImagePoint, colour: [u8; 3], half: i32| {
        for dy in -half..=half {
            for dx in -half..=half {
                let (x, y) = (p.x.round() as i32 + dx, p.y.round() as i32 + dy);
                if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y))
                    && let Some(pixel) = picture.get_pixel_mut_checked(x, y)
                {
                    *pixel = image::Rgb(colour);
                }
            }
        }
    };
    let big = i32::from(seen.sides.iter().any(|s| s.at.x > 1000.0 || s.at.y > 1000.0));
    if let Some(fit) = fit {
        let range = |axis: Axis| {
            let of = seen.sides.iter().filter(move |s| s.axis == axis).map(|s| s.index);
            (of.clone().min().unwrap_or(0), of.max().unwrap_or(0))
        };
        let [px, py] = seen.pitch_mm;
        let ((x0, x1), (y0, y1)) = (range(Axis::X), range(Axis::Y));
        for t in 0..=2000 {
            let t = f64::from(t) / 2000.0;
            for i in x0..=x1 {
                let y = f64::from(y0) + t * f64::from(y1 - y0);
                dot(fit.camera.image_from_mat(MatPoint::new(px * f64::from(i), py * y)), [0, 80, 255], big);
            }
            for j in y0..=y1 {
                let x = f64::from(x0) + t * f64::from(x1 - x0);
                dot(fit.camera.image_from_mat(MatPoint::new(px * x, py * f64::from(j))), [0, 180, 255], big);
            }
        }
    }
    for s in &seen.sides {
        let colour = if s.axis == Axis::X { [255, 0, 0] } else { [0, 200, 0] };
        dot(s.at, if s.index == 0 { [255, 0, 255] } else { colour }, 1 + 2 * big);
    }
    let name = photo.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    picture.save(std::path::Path::new(&folder).join(format!("{name}.png"))).unwrap();
}

/// The photo in grey, or a loud word that it is not there.
pub fn photo(path: &std::path::Path) -> Option<image::GrayImage> {
    match image::open(path) {
        Ok(picture) => Some(picture.to_luma8()),
        Err(_) => {
            println!("NOT CHECKED: {} is not on this machine", path.display());
            None
        }
    }
}

/// The exact camera that a rendered photo was made with.
pub struct Truth {
    scene: Scene,
    json: serde_json::Value,
}

/// A numbering that differs from the truth's by whole cells and quarter turns.
pub struct LatticeShift {
    turn: nalgebra::Matrix2<f64>,
    by: nalgebra::Vector2<f64>,
}

impl LatticeShift {
    pub fn truth_from_fit(&self, m: MatPoint) -> MatPoint {
        let v = self.turn * nalgebra::Vector2::new(m.x, m.y) + self.by;
        MatPoint::new(v.x, v.y)
    }
}

impl Truth {
    /// Reads NAME.truth.json beside NAME.jpg.
    pub fn beside(photo: &std::path::Path) -> Self {
        let text = std::fs::read_to_string(photo.with_extension("truth.json")).unwrap();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        let camera = &json["camera"];
        let number = |v: &serde_json::Value| v.as_f64().unwrap();
        let rotation = Matrix3::from_fn(|i, j| number(&camera["R"][i][j]));
        let t = Vector3::from_fn(|i, _| number(&camera["t"][i]));
        let size = (number(&camera["width"]) as u32, number(&camera["height"]) as u32);
        let scene = Scene {
            size,
            focal_px: number(&camera["K"][0][0]),
            k: [number(&camera["k1"]), number(&camera["k2"])],
            rotation,
            place: -(rotation.transpose() * t),
        };
        Self { scene, json }
    }

    pub fn focal_px(&self) -> f64 {
        self.scene.focal_px
    }

    pub fn height_mm(&self) -> f64 {
        self.json["camera"]["height_mm"].as_f64().unwrap()
    }

    pub fn tilt_deg(&self) -> f64 {
        self.json["camera"]["tilt_deg"].as_f64().unwrap()
    }

    pub fn k1(&self) -> f64 {
        self.scene.k[0]
    }

    /// Pitch of the printed lines; `None` where there are none.
    pub fn pitch_mm(&self) -> Option<f64> {
        self.json["grid"]["pitch_mm"].as_f64().filter(|p| *p > 0.0)
    }

    /// Does it tell of photos that it names, not of the one beside it?
    pub fn is_of_other_photos(&self) -> bool {
        self.json["photos"].is_array()
    }

    pub fn expects(&self, what: &str) -> bool {
        self.json["expect"] == what
    }

    /// The garment's outline, dropped on the mat, as seen; only what is in the photo.
    pub fn outline_in_photo(&self) -> Vec<ImagePoint> {
        let ring = self.json["outline"].as_array().unwrap();
        let points = ring.iter().step_by(7).map(|p| MatPoint::new(p[0].as_f64().unwrap(), p[1].as_f64().unwrap()));
        points.map(|m| self.scene.see(m, 0.0)).filter(|&p| self.scene.in_photo(p)).collect()
    }

    /// By Newton's method on the forward model.
    pub fn mat_from_image(&self, image: ImagePoint) -> MatPoint {
        let mut mat = MatPoint::default();
        for _ in 0..60 {
            let here = self.scene.see(mat, 0.0);
            let h = 1e-3;
            let dx = (self.scene.see(MatPoint::new(mat.x + h, mat.y), 0.0) - here) / h;
            let dy = (self.scene.see(MatPoint::new(mat.x, mat.y + h), 0.0) - here) / h;
            let step = nalgebra::Matrix2::from_columns(&[dx, dy]).try_inverse().unwrap() * (image - here);
            mat = mat + step;
            if step.norm() < 1e-9 {
                break;
            }
        }
        mat
    }

    /// How the fit's numbering lies to the truth's, found at the middle of the photo and rounded to whole cells.
    pub fn lattice_shift(&self, camera: &clothline::camera::Camera, pitch: f64) -> LatticeShift {
        let middle = ImagePoint::new(0.5 * f64::from(self.scene.size.0), 0.5 * f64::from(self.scene.size.1));
        let (fit, truth) = (camera.mat_from_image(middle), self.mat_from_image(middle));
        let aside = middle + nalgebra::Vector2::new(50.0, 0.0);
        let angle = |v: nalgebra::Vector2<f64>| v.y.atan2(v.x);
        let turn = angle(self.mat_from_image(aside) - truth) - angle(camera.mat_from_image(aside) - fit);
        let quarter = (turn / std::f64::consts::FRAC_PI_2).round() * std::f64::consts::FRAC_PI_2;
        let turn = *nalgebra::Rotation2::new(quarter).matrix();
        let by = nalgebra::Vector2::new(truth.x, truth.y) - turn * nalgebra::Vector2::new(fit.x, fit.y);
        LatticeShift { turn, by: by.map(|v| (v / pitch).round() * pitch) }
    }
}
