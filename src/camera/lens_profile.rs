//! What several photos told about one camera's lens, kept for later photos of the same camera, lens and size.
//!
//! A profile is in the frame of the picture as the camera stores it, before its EXIF orientation turns it upright.

use serde::{Deserialize, Serialize};

use super::Lens;
use super::calibrate::Calibration;
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::reference::{Axis, LineSighting, Marking};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::{ImagePoint, MatPoint};

/// Most points of a view that take part: more add time, not truth.
const MOST_POINTS: usize = 600;

/// Focal lengths (mm) closer than this share are the same zoom.
const SAME_ZOOM: f64 = 0.01;

/// The name of the form and its version.
const FORMAT: &str = "clothline-lens";
const VERSION: u32 = 1;

/// A camera's lens, as `calibration/lenses/NAME.json` holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensProfile {
    /// Always "clothline-lens".
    pub format: String,
    /// Version of this form, 1.
    pub version: u32,
    /// The name it is called by.
    pub name: String,
    /// What the camera wrote of itself.
    pub camera: CameraIdentity,
    /// Focal lengths along the picture's sides, px.
    pub focal_px: [f64; 2],
    /// Their standard deviations, px.
    pub focal_sigma_px: [f64; 2],
    /// Principal point and centre of distortion, px, the first pixel's centre being (0, 0).
    pub centre_px: [f64; 2],
    /// Its standard deviations, px.
    pub centre_sigma_px: [f64; 2],
    /// Factor of r^2, r in focal lengths.
    pub k1: f64,
    /// Its standard deviation.
    pub k1_sigma: f64,
    /// Factor of r^4.
    pub k2: f64,
    /// Its standard deviation.
    pub k2_sigma: f64,
    /// Root mean square distance between points seen and foretold, px.
    pub rms_px: f64,
    /// Photos it was made from.
    pub photos: usize,
}

/// Camera, lens and size, by which a later photo knows its profile.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraIdentity {
    /// Maker.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make: Option<String>,
    /// Model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Lens.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lens: Option<String>,
    /// Focal length, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_mm: Option<f64>,
    /// Focal length on a 36 x 24 mm frame, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_35mm: Option<f64>,
    /// Size of the picture as stored, px.
    pub size_px: [u32; 2],
}

impl CameraIdentity {
    /// What a photo says of its camera.
    pub fn of(photo: &Photo) -> Self {
        let taken = &photo.taken;
        let (w, h) = (photo.width(), photo.height());
        Self {
            make: taken.make.clone(),
            model: taken.model.clone(),
            lens: taken.lens.clone(),
            focal_mm: taken.focal_mm,
            focal_35mm: taken.focal_35mm,
            size_px: if lies_on_its_side(taken.orientation) { [h, w] } else { [w, h] },
        }
    }

    /// Does it name a camera at all?
    pub fn is_named(&self) -> bool {
        self.model.is_some()
    }

    /// The same camera, lens, zoom and size?
    pub fn same(&self, other: &Self) -> bool {
        let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() <= SAME_ZOOM * a.abs(),
            (None, None) => true,
            _ => false,
        };
        self.make == other.make
            && self.model == other.model
            && self.lens == other.lens
            && self.size_px == other.size_px
            && near(self.focal_mm, other.focal_mm)
            && near(self.focal_35mm, other.focal_35mm)
    }
}

/// The lens as it lies in an upright photo, with what is left in doubt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownLens {
    /// Centre, scale (the focal length) and terms.
    pub lens: Lens,
    /// Standard deviation of the focal length, as a share.
    pub focal_sigma: f64,
    /// Standard deviation of k1.
    pub k1_sigma: f64,
    /// Standard deviation of k2.
    pub k2_sigma: f64,
}

impl LensProfile {
    /// The profile of a calibration.
    pub fn new(name: &str, camera: CameraIdentity, found: &Calibration) -> Self {
        let s = &found.sigma;
        Self {
            format: FORMAT.into(),
            version: VERSION,
            name: name.into(),
            camera,
            focal_px: found.focal_px,
            focal_sigma_px: s.focal_px,
            centre_px: found.centre.into(),
            centre_sigma_px: s.centre_px,
            k1: found.k1,
            k1_sigma: s.k1,
            k2: found.k2,
            k2_sigma: s.k2,
            rms_px: found.rms_px,
            photos: found.view_rms_px.len(),
        }
    }

    /// Reads a profile from its JSON.
    ///
    /// # Errors
    /// If it is not one, is of a newer version, or holds numbers no lens has.
    pub fn parse(json: &str) -> Result<Self, Refusal> {
        let bad = |seen: String| {
            Refusal::new(RefusalKind::BadRequest, seen, "make the profile again with clothline calibrate")
        };
        let profile: Self =
            serde_json::from_str(json).map_err(|e| bad(format!("this lens profile cannot be read ({e})")))?;
        if profile.format != FORMAT || profile.version != VERSION {
            return Err(bad(format!("the file says it is \"{}\", version {}", profile.format, profile.version)));
        }
        let sound = profile.focal_px.iter().all(|f| f.is_finite() && *f > 10.0)
            && profile.centre_px.iter().all(|c| c.is_finite())
            && profile.k1.abs() < 2.0
            && profile.k2.abs() < 5.0
            && (profile.focal_px[0] / profile.focal_px[1] - 1.0).abs() < 0.2;
        if sound { Ok(profile) } else { Err(bad("this lens profile holds numbers no lens has".into())) }
    }

    /// Its JSON.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).map(|text| text + "\n").unwrap_or_default()
    }

    /// The lens in an upright photo, if the photo is of this camera, lens and size.
    pub fn for_photo(&self, photo: &Photo) -> Option<KnownLens> {
        let identity = CameraIdentity::of(photo);
        if !(identity.is_named() && self.camera.same(&identity)) {
            return None;
        }
        let focal = (self.focal_px[0] * self.focal_px[1]).sqrt();
        let centre = upright(self.centre_px.into(), photo.taken.orientation, self.camera.size_px);
        Some(KnownLens {
            lens: Lens { centre, scale_px: focal, k1: self.k1, k2: self.k2 },
            focal_sigma: (self.focal_sigma_px[0] + self.focal_sigma_px[1]) / (2.0 * focal),
            k1_sigma: self.k1_sigma,
            k2_sigma: self.k2_sigma,
        })
    }
}

/// Does EXIF's orientation turn the stored picture by a quarter?
fn lies_on_its_side(orientation: u8) -> bool {
    (5..=8).contains(&orientation)
}

/// From the picture as stored to the upright one (EXIF orientations 1 to 8).
fn upright(p: ImagePoint, orientation: u8, [w, h]: [u32; 2]) -> ImagePoint {
    let (right, low) = (f64::from(w) - 1.0 - p.x, f64::from(h) - 1.0 - p.y);
    match orientation {
        2 => ImagePoint::new(right, p.y),
        3 => ImagePoint::new(right, low),
        4 => ImagePoint::new(p.x, low),
        5 => ImagePoint::new(p.y, p.x),
        6 => ImagePoint::new(low, p.x),
        7 => ImagePoint::new(low, right),
        8 => ImagePoint::new(p.y, right),
        _ => p,
    }
}

/// From the upright picture back to the one stored; `size` is that of the stored one.
fn stored(p: ImagePoint, orientation: u8, [w, h]: [u32; 2]) -> ImagePoint {
    let (right, low) = (f64::from(w) - 1.0, f64::from(h) - 1.0);
    match orientation {
        2 => ImagePoint::new(right - p.x, p.y),
        3 => ImagePoint::new(right - p.x, low - p.y),
        4 => ImagePoint::new(p.x, low - p.y),
        5 => ImagePoint::new(p.y, p.x),
        6 => ImagePoint::new(p.y, low - p.x),
        7 => ImagePoint::new(right - p.y, low - p.x),
        8 => ImagePoint::new(right - p.y, p.x),
        _ => p,
    }
}

/// Grid points with where they were seen, in the stored picture: what [`calibrate`](super::calibrate::calibrate) takes.
///
/// A chequered board's corners are points already; of a line grid the crossings are taken where both lines were measured
/// on either side.
pub fn view_of(photo: &Photo, grid: &GridSighting) -> Vec<(MatPoint, ImagePoint)> {
    let [px, py] = grid.pitch_mm;
    let points: Vec<(MatPoint, ImagePoint)> = if grid.marking == Marking::Chequers {
        let corners = grid.sides.iter().filter(|s| s.axis == Axis::X);
        corners.map(|s| (MatPoint::new(f64::from(s.index) * px, s.along * py), s.at)).collect()
    } else {
        crossings(&grid.sides)
            .into_iter()
            .map(|([i, j], at)| (MatPoint::new(f64::from(i) * px, f64::from(j) * py), at))
            .collect()
    };
    let size = CameraIdentity::of(photo).size_px;
    let one_in = points.len().div_ceil(MOST_POINTS).max(1);
    let some = points.into_iter().enumerate().filter(|(k, _)| k.wrapping_mul(0x9E37_79B1) % one_in == 0);
    some.map(|(_, (mat, at))| (mat, stored(at, photo.taken.orientation, size))).collect()
}

/// Crossings whose four sides were all measured: the two chords meet there.
fn crossings(sides: &[LineSighting]) -> Vec<([i32; 2], ImagePoint)> {
    use std::collections::BTreeMap;
    let of = |axis: Axis| -> BTreeMap<(i32, i32), ImagePoint> {
        let on = sides.iter().filter(|s| s.axis == axis);
        on.map(|s| ((s.index, s.along.floor() as i32), s.at)).collect()
    };
    let (xs, ys) = (of(Axis::X), of(Axis::Y));
    xs.iter()
        .filter_map(|(&(i, j), above)| {
            let (below, left, right) = (xs.get(&(i, j - 1))?, ys.get(&(j, i - 1))?, ys.get(&(j, i))?);
            Some(([i, j], meeting([*below, *above], [*left, *right])?))
        })
        .collect()
}

fn meeting(one: [ImagePoint; 2], other: [ImagePoint; 2]) -> Option<ImagePoint> {
    let (u, v) = (one[1] - one[0], other[1] - other[0]);
    let cross = u.x * v.y - u.y * v.x;
    if cross.abs() < 1e-6 * u.norm() * v.norm() {
        return None;
    }
    let gap = other[0] - one[0];
    Some(one[0] + u * ((gap.x * v.y - gap.y * v.x) / cross))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::calibrate::Sigma;
    use crate::photo::Taken;
    use image::RgbImage;

    #[test]
    fn upright_and_stored_are_each_others_way_back() {
        for orientation in 1..=8u8 {
            let p = ImagePoint::new(123.25, 77.5);
            let there = upright(p, orientation, [640, 480]);
            assert!(stored(there, orientation, [640, 480]).distance(p) < 1e-12, "{orientation}");
        }
        // EXIF 2.3, orientation 6: the stored picture's first row is the upright one's right side.
        assert_eq!(upright(ImagePoint::new(0.0, 0.0), 6, [640, 480]), ImagePoint::new(479.0, 0.0));
    }

    fn profile() -> LensProfile {
        let found = Calibration {
            focal_px: [600.0, 601.0],
            skew_px: 0.0,
            centre: ImagePoint::new(330.0, 236.0),
            k1: -0.1,
            k2: 0.02,
            rms_px: 0.1,
            view_rms_px: vec![0.1; 5],
            sigma: Sigma::default(),
        };
        let camera = CameraIdentity {
            model: Some("attic camera".into()),
            focal_mm: Some(4.2),
            size_px: [640, 480],
            ..CameraIdentity::default()
        };
        LensProfile::new("attic", camera, &found)
    }

    #[test]
    fn a_profile_is_for_its_own_camera_however_the_photo_is_turned() {
        let profile = LensProfile::parse(&profile().to_json()).unwrap();
        let taken =
            Taken { model: Some("attic camera".into()), focal_mm: Some(4.2), orientation: 6, ..Taken::default() };
        let photo = Photo { rgb: RgbImage::new(480, 640), taken };
        let known = profile.for_photo(&photo).unwrap();
        assert_eq!(known.lens.centre, ImagePoint::new(479.0 - 236.0, 330.0));
        let other = Photo { taken: Taken { focal_mm: Some(6.0), ..photo.taken.clone() }, ..photo.clone() };
        assert_eq!(profile.for_photo(&other), None);
        let unnamed = Photo { taken: Taken { model: None, ..photo.taken.clone() }, ..photo };
        assert_eq!(profile.for_photo(&unnamed), None);
    }

    #[test]
    fn files_that_are_no_profiles_are_refused() {
        for json in ["{}", "[]", &profile().to_json().replace("clothline-lens", "other")] {
            assert!(LensProfile::parse(json).is_err(), "{json}");
        }
        let mut absurd = profile();
        absurd.focal_px = [0.0, 600.0];
        assert!(LensProfile::parse(&absurd.to_json()).is_err());
    }
}
