//! The camera as the mat sees it: plane map, lens terms, pose, and what they are worth.
//!
//! Model: a mat point (X, Y) goes through the homography `undistorted_from_mat` to an ideal image
//! point u, then through the radial lens: d = c + (u - c)(1 + k1 r^2 + k2 r^4), r = |u - c| / s
//! (Brown-Conrady radial terms; the scale s is the focal length in pixels where it is known, so
//! that k1 and k2 are then the usual ones). Pixels are those of the upright photo.

pub mod calibrate;
mod doubt;
pub mod fit;
pub mod homography;
pub mod joint;
mod left_out;
pub mod lens_profile;
mod line_model;
mod pose;
mod solve;

pub use doubt::PlaneDoubt;
pub use fit::{CameraFit, LensFit, ResidualSummary, fit};
pub use pose::FocalLength;

pub(crate) use fit::median;

use nalgebra::{Matrix3, Vector2, Vector3};

use crate::units::{ImagePoint, MatPoint};

/// Of a normal distribution, within so many standard deviations lie 95 %.
pub(crate) const SIGMAS_95: f64 = 1.96;

/// Radial lens distortion about a centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Centre of distortion.
    pub centre: ImagePoint,
    /// The radius in pixels at which r = 1.
    pub scale_px: f64,
    /// Factor of r^2.
    pub k1: f64,
    /// Factor of r^4.
    pub k2: f64,
}

impl Lens {
    /// A lens without distortion.
    pub fn ideal(centre: ImagePoint, scale_px: f64) -> Self {
        Self { centre, scale_px, k1: 0.0, k2: 0.0 }
    }

    /// Where the real lens puts what an ideal one would put at `undistorted`.
    pub fn distort(&self, undistorted: ImagePoint) -> ImagePoint {
        let offset = undistorted - self.centre;
        let r2 = offset.norm_squared() / (self.scale_px * self.scale_px);
        self.centre + offset * (1.0 + r2 * (self.k1 + r2 * self.k2))
    }

    /// The inverse of [`Lens::distort`], by Newton's method on the radius, to 1e-9 px.
    ///
    /// Outside the radius where the polynomial turns back there is no inverse; the turning
    /// point's radius is then used.
    pub fn undistort(&self, distorted: ImagePoint) -> ImagePoint {
        let offset = distorted - self.centre;
        let target = offset.norm() / self.scale_px;
        if target == 0.0 || (self.k1 == 0.0 && self.k2 == 0.0) {
            return distorted;
        }
        let mut r = target;
        for _ in 0..50 {
            let r2 = r * r;
            let value = r * (1.0 + r2 * (self.k1 + r2 * self.k2)) - target;
            let slope = 1.0 + r2 * (3.0 * self.k1 + r2 * 5.0 * self.k2);
            if slope < 1e-3 {
                break;
            }
            let step = value / slope;
            r -= step;
            if step.abs() * self.scale_px < 1e-10 {
                break;
            }
        }
        self.centre + offset * (r / target)
    }
}

/// How the focal length behind a pose became known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PoseSource {
    /// From the photo's EXIF focal length (usually within 1-2 %).
    Exif,
    /// From this camera's own lens profile.
    Profile,
    /// From the view itself: the mat is tilted enough to tell.
    View,
    /// Neither: an ordinary phone camera was assumed, with a wide doubt.
    Assumed,
}

/// Where the camera stood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// The point of the mat straight below the lens.
    pub foot: MatPoint,
    /// Height of the lens above the mat, mm.
    pub height_mm: f64,
    /// Angle between the view axis and the plumb line, degrees.
    pub tilt_deg: f64,
    /// Focal length, pixels.
    pub focal_px: f64,
    /// One standard deviation of the height, mm (it follows the focal length's doubt).
    pub height_sigma_mm: f64,
    /// How the focal length is known.
    pub source: PoseSource,
}

/// The whole map between the photo and the mat.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    undistorted_from_mat: Matrix3<f64>,
    mat_from_undistorted: Matrix3<f64>,
    /// The lens terms.
    pub lens: Lens,
    /// The pose, where the focal length is known.
    pub pose: Option<Pose>,
}

impl Camera {
    /// A camera from its plane map (ideal image pixels from mat millimetres) and its lens.
    ///
    /// `None` if the map cannot be inverted.
    pub fn new(undistorted_from_mat: Matrix3<f64>, lens: Lens) -> Option<Self> {
        let mat_from_undistorted = undistorted_from_mat.try_inverse()?;
        Some(Self { undistorted_from_mat, mat_from_undistorted, lens, pose: None })
    }

    /// The same camera with a pose.
    pub fn with_pose(mut self, pose: Option<Pose>) -> Self {
        self.pose = pose;
        self
    }

    /// The plane map: ideal image pixels from mat millimetres.
    pub fn undistorted_from_mat(&self) -> &Matrix3<f64> {
        &self.undistorted_from_mat
    }

    /// Where a point of the mat is seen.
    pub fn image_from_mat(&self, mat: MatPoint) -> ImagePoint {
        let h = self.undistorted_from_mat * Vector3::new(mat.x, mat.y, 1.0);
        self.lens.distort(ImagePoint::new(h.x / h.z, h.y / h.z))
    }

    /// The point of the mat seen at a place in the photo.
    pub fn mat_from_image(&self, image: ImagePoint) -> MatPoint {
        let u = self.lens.undistort(image);
        let h = self.mat_from_undistorted * Vector3::new(u.x, u.y, 1.0);
        MatPoint::new(h.x / h.z, h.y / h.z)
    }

    /// The plan position of a point seen at `image` that lies `above_mm` over the mat.
    ///
    /// A point at height t is seen H/(H-t) too far from the camera's foot (similar triangles).
    /// Without a pose the mat position is returned unchanged.
    pub fn mat_from_image_at(&self, image: ImagePoint, above_mm: f64) -> MatPoint {
        self.lower(self.mat_from_image(image), above_mm)
    }

    /// Where a point in plan position `mat`, `above_mm` over the mat, is seen.
    pub fn image_from_mat_at(&self, mat: MatPoint, above_mm: f64) -> ImagePoint {
        self.image_from_mat(self.lift(mat, above_mm))
    }

    /// From the place on the mat behind a raised point to the point's plan position.
    pub fn lower(&self, seen: MatPoint, above_mm: f64) -> MatPoint {
        match self.pose {
            Some(pose) => pose.foot + (seen - pose.foot) * ((pose.height_mm - above_mm) / pose.height_mm),
            None => seen,
        }
    }

    /// From the plan position of a raised point to the place on the mat that it hides.
    pub fn lift(&self, mat: MatPoint, above_mm: f64) -> MatPoint {
        match self.pose {
            Some(pose) => pose.foot + (mat - pose.foot) * (pose.height_mm / (pose.height_mm - above_mm)),
            None => mat,
        }
    }

    /// One standard deviation, mm, that the height's doubt adds to [`Camera::lower`] at a place.
    ///
    /// Without a pose the whole parallax is unknown: that of a camera 0.6 m above, the nearest
    /// that still sees a garment, is then given, taken about the middle of the photo.
    pub fn lower_sigma_mm(&self, seen: MatPoint, above_mm: f64) -> f64 {
        const NEAREST_MM: f64 = 600.0;
        match self.pose {
            Some(pose) => {
                let share = above_mm / pose.height_mm * (pose.height_sigma_mm / pose.height_mm);
                (seen - pose.foot).norm() * share.abs()
            }
            None => (seen - self.mat_from_image(self.lens.centre)).norm() * above_mm.abs() / NEAREST_MM,
        }
    }

    /// Pixels per millimetre at a point of the mat: (largest, smallest) over directions.
    pub fn px_per_mm(&self, mat: MatPoint) -> (f64, f64) {
        let here = self.image_from_mat(mat);
        let dx = self.image_from_mat(mat + Vector2::new(1.0, 0.0)) - here;
        let dy = self.image_from_mat(mat + Vector2::new(0.0, 1.0)) - here;
        let m = nalgebra::Matrix2::from_columns(&[dx, dy]);
        let s = m.singular_values();
        (s[0], s[1])
    }
}
