//! Garments drawn on a small mat with a known camera.

use image::{Rgb, RgbImage};
use nalgebra::Matrix3;

use super::{GarmentOptions, separate};
use crate::camera::{Camera, Lens, Pose, PoseSource};
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::reference::{Axis, LineSighting, Marking};
use crate::refusal::RefusalKind;
use crate::units::{ImagePoint, MatPoint};

/// Pixels per mm, and half the side of the square photo, px.
pub(crate) const SCALE: f64 = 3.0;
const HALF_PX: f64 = 420.0;

const PITCH_MM: f64 = 10.0;
const MAT_HALF_MM: f64 = 130.0;

/// A scene seen from straight above: a mat, and cloth where the signed distance is negative (mm, mat frame).
pub(crate) struct Scene {
    pub distance_mm: Box<dyn Fn(MatPoint) -> f64 + Sync>,
    pub pitch_mm: f64,
    pub mat: [f64; 3],
    pub cloth: [f64; 3],
    /// Standard deviation of the lens blur, px.
    pub blur_px: f64,
    /// Standard deviation of the noise, gamma levels.
    pub noise: f64,
    pub seed: u64,
    /// The cloth's shadow on the mat, if any.
    pub shadow: Option<Shadow>,
    /// Share of the light that is missing deepest in the groove between cloth and mat.
    pub groove: f64,
}

/// A shadow with a hard border: the cloth's shape moved, and what is left of the light in it.
pub(crate) struct Shadow {
    pub by_mm: (f64, f64),
    /// Factor on gamma values, by channel.
    pub light: [f64; 3],
}

impl Scene {
    pub(crate) fn new(distance_mm: impl Fn(MatPoint) -> f64 + Sync + 'static) -> Self {
        let (mat, cloth) = ([46.0, 84.0, 68.0], [146.0, 150.0, 178.0]);
        Self {
            distance_mm: Box::new(distance_mm),
            pitch_mm: PITCH_MM,
            mat,
            cloth,
            blur_px: 1.0,
            noise: 2.0,
            seed: 1,
            shadow: None,
            groove: 0.0,
        }
    }

    pub(crate) fn camera() -> Camera {
        let plane = Matrix3::new(SCALE, 0.0, HALF_PX, 0.0, -SCALE, HALF_PX, 0.0, 0.0, 1.0);
        let pose = Pose {
            foot: MatPoint::default(),
            height_mm: 1000.0,
            tilt_deg: 0.0,
            focal_px: 3000.0,
            height_sigma_mm: 0.0,
            source: PoseSource::Exif,
        };
        let lens = Lens::ideal(ImagePoint::new(HALF_PX, HALF_PX), 3000.0);
        Camera::new(plane, lens).unwrap().with_pose(Some(pose))
    }

    /// The photo: lines a third of a millimetre wide, the edge blurred, Gaussian noise by a fixed seed.
    pub(crate) fn photo(&self) -> Photo {
        let camera = Self::camera();
        let side = 2 * HALF_PX as u32 + 1;
        let mut random = Random(self.seed);
        let picture = RgbImage::from_fn(side, side, |x, y| {
            let p = camera.mat_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
            let cloth = normal_cdf(-(self.distance_mm)(p) * SCALE / self.blur_px);
            let line = line_strength(p.x, self.pitch_mm).max(line_strength(p.y, self.pitch_mm));
            let (shade, groove) = (self.shade(p), self.groove(p));
            Rgb(std::array::from_fn(|c| {
                let ground = (self.mat[c] + line * (200.0 - self.mat[c]) * 0.6) * shade[c];
                let value = (ground + cloth * (self.cloth[c] - ground)) * groove + self.noise * random.normal();
                value.round().clamp(0.0, 255.0) as u8
            }))
        });
        Photo::from_rgb(picture)
    }

    /// Factor of the light on the mat, by channel.
    fn shade(&self, p: MatPoint) -> [f64; 3] {
        let Some(Shadow { by_mm, light }) = &self.shadow else { return [1.0; 3] };
        let moved = MatPoint::new(p.x - by_mm.0, p.y - by_mm.1);
        let dark = normal_cdf(-(self.distance_mm)(moved) * SCALE / self.blur_px);
        light.map(|left| 1.0 - dark * (1.0 - left))
    }

    /// What the groove between cloth and mat leaves of the light.
    fn groove(&self, p: MatPoint) -> f64 {
        1.0 - self.groove * (-((self.distance_mm)(p) / 0.35).powi(2)).exp()
    }

    /// The cell sides that the cloth leaves in view.
    pub(crate) fn sighting(&self) -> GridSighting {
        let camera = Self::camera();
        let pitch_mm = self.pitch_mm;
        let last = (MAT_HALF_MM / pitch_mm) as i32;
        let mut sides = Vec::new();
        for index in -last..=last {
            for cell in -last..last {
                for axis in [Axis::X, Axis::Y] {
                    let at = |share: f64| {
                        let (u, v) = (f64::from(index) * pitch_mm, (f64::from(cell) + share) * pitch_mm);
                        if axis == Axis::X { MatPoint::new(u, v) } else { MatPoint::new(v, u) }
                    };
                    if (0..=10).all(|i| (self.distance_mm)(at(f64::from(i) / 10.0)) > 0.5) {
                        let along = f64::from(cell) + 0.5;
                        sides.push(LineSighting {
                            at: camera.image_from_mat(at(0.5)),
                            axis,
                            index,
                            along,
                            contrast: 60.0,
                        });
                    }
                }
            }
        }
        GridSighting::from_sides(Marking::LightLines, [pitch_mm; 2], sides)
    }
}

fn line_strength(v: f64, pitch_mm: f64) -> f64 {
    let from_line = (v - (v / pitch_mm).round() * pitch_mm).abs();
    let inside = v.abs() <= MAT_HALF_MM + 1.0;
    if inside { (1.0 - (from_line * SCALE - 0.5).max(0.0)).clamp(0.0, 1.0) } else { 0.0 }
}

fn normal_cdf(x: f64) -> f64 {
    // Abramowitz & Stegun 26.2.17 (absolute error < 7.5e-8).
    let t = 1.0 / (1.0 + 0.231_641_9 * x.abs());
    let poly =
        t * (0.319_381_530 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt() * poly;
    if x >= 0.0 { 1.0 - tail } else { tail }
}

/// A small fixed generator (splitmix64) and normal deviates by twelve sums.
pub(crate) struct Random(pub u64);

impl Random {
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

pub(crate) fn disc(x: f64, y: f64, radius: f64) -> impl Fn(MatPoint) -> f64 + Sync {
    move |p| (p.x - x).hypot(p.y - y) - radius
}

fn mask_area_mm2(garment: &super::Garment) -> f64 {
    let count = garment.mask().pixels().filter(|p| p.0[0] > 0).count() as f64;
    count / garment.frame.px_per_mm.powi(2)
}

#[test]
fn the_mask_of_a_disc_has_its_area() {
    let scene = Scene::new(disc(3.7, -4.2, 60.0));
    let garment = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default()).unwrap();
    let area = mask_area_mm2(&garment);
    let truth = std::f64::consts::PI * 3600.0;
    // A cell is 2.2 mm: half of one around the whole edge would be 3.7 % of the area.
    assert!((area / truth - 1.0).abs() < 0.02, "{area} for {truth}");
}

/// A sheet of the cloth's own colour lies beside it and is larger.
#[test]
fn what_lies_on_the_mat_and_is_known_is_no_cloth() {
    let sheet = [(8.0, -80.0), (100.0, -80.0), (100.0, 80.0), (8.0, 80.0)].map(|(x, y)| MatPoint::new(x, y)).to_vec();
    let beyond = |p: MatPoint| (p.x - 54.0).abs() - 46.0;
    let of_sheet = move |p: MatPoint| beyond(p).max(p.y.abs() - 80.0);
    let cloth = disc(-52.0, 0.0, 45.0);
    let scene = Scene::new(move |p| cloth(p).min(of_sheet(p)));
    let area = |things: &[Vec<MatPoint>]| {
        let options = GarmentOptions { things, ..GarmentOptions::default() };
        mask_area_mm2(&separate(&scene.photo(), &Scene::camera(), &scene.sighting(), options).unwrap())
    };
    let (of_cloth, of_sheet) = (std::f64::consts::PI * 45.0 * 45.0, 92.0 * 160.0);
    let (unnamed, named) = (area(&[]), area(&[sheet]));
    assert!((unnamed / of_sheet - 1.0).abs() < 0.03, "{unnamed} for {of_sheet}");
    assert!((named / of_cloth - 1.0).abs() < 0.03, "{named} for {of_cloth}");
}

#[test]
fn a_bare_mat_is_refused_as_holding_no_cloth() {
    let scene = Scene::new(|_| 1000.0);
    let refusal = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default())
        .map(|_| ())
        .unwrap_err();
    assert_eq!(refusal.kind, RefusalKind::NoCloth, "{refusal}");
    assert!(!refusal.advice.is_empty());
}

#[test]
fn cloth_that_runs_out_of_the_picture_is_refused() {
    let scene = Scene::new(|p| (40.0 - p.x).max(p.y.abs() - 50.0));
    let refusal = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default())
        .map(|_| ())
        .unwrap_err();
    assert_eq!(refusal.kind, RefusalKind::ClothOutOfView, "{refusal}");
}

#[test]
fn cloth_all_over_the_picture_is_refused() {
    let mut scene = Scene::new(|p| p.x.abs().max(p.y.abs()) - 129.2);
    scene.seed = 3;
    let refusal = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default())
        .map(|_| ())
        .unwrap_err();
    assert_eq!(refusal.kind, RefusalKind::ClothOutOfView, "{refusal}");
}

#[test]
fn cloth_darker_than_the_mat_is_found_too() {
    let mut scene = Scene::new(disc(-10.0, 15.0, 55.0));
    (scene.mat, scene.cloth) = ([190.0, 188.0, 180.0], [60.0, 62.0, 70.0]);
    let garment = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default()).unwrap();
    let truth = std::f64::consts::PI * 55.0 * 55.0;
    assert!((mask_area_mm2(&garment) / truth - 1.0).abs() < 0.02);
}

#[test]
fn cloth_of_the_mats_own_colour_is_found_by_the_lines_it_hides() {
    let mut scene = Scene::new(disc(5.0, 5.0, 60.0));
    scene.cloth = scene.mat;
    let garment = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default()).unwrap();
    let truth = std::f64::consts::PI * 3600.0;
    // Only the lines' ends tell, each to a cell of 3 mm; half of one around the whole edge is 5 % of the area.
    let area = mask_area_mm2(&garment);
    assert!((area / truth - 1.0).abs() < 0.05, "{area} for {truth}");
}

/// Tiles 75 mm wide, and cloth five levels lighter than they are, in noise of two.
#[test]
fn cloth_nearly_of_the_tiles_colour_is_learnt_from_the_joints_it_hides() {
    let mut scene = Scene::new(disc(5.0, 5.0, 60.0));
    scene.pitch_mm = 75.0;
    scene.mat = [120.0, 118.0, 110.0];
    scene.cloth = scene.mat.map(|v| v + 5.0);
    let garment = separate(&scene.photo(), &Scene::camera(), &scene.sighting(), GarmentOptions::default()).unwrap();
    let truth = std::f64::consts::PI * 3600.0;
    let area = mask_area_mm2(&garment);
    assert!((area / truth - 1.0).abs() < 0.05, "{area} for {truth}");
}

#[test]
fn the_same_photo_gives_the_same_garment() {
    let scene = Scene::new(disc(0.0, 0.0, 50.0));
    let (photo, camera, grid) = (scene.photo(), Scene::camera(), scene.sighting());
    let run = || separate(&photo, &camera, &grid, GarmentOptions::default()).unwrap();
    assert_eq!(run().label, run().label);
}
