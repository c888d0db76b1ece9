//! The mat without the garment: a second photo, laid on the first by its grid.
//!
//! Where cloth and mat look alike nothing but a difference tells them apart. The bare photo is found by its own grid,
//! brought to the first photo's numbering by [`join::register`](crate::join::register()), and resampled in its mat frame.

use crate::camera::Camera;
use crate::camera::fit::{self, CameraFit};
use crate::flat::{self, FlatFrame, MatRect};
use crate::join::{Registered, View, register, register_blank};
use crate::photo::Photo;
use crate::reference;
use crate::reference::grid::{GridSighting, GridSpec};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{ImagePoint, MatPoint};

/// Largest ratio of the two photos' resolutions on the mat: beyond it they were not taken from about the same place,
/// or one of the grids was counted wrongly.
const LARGEST_RATIO: f64 = 1.5;

/// Parts of the bare photo looked at where the whole gives a grid that cannot be the mat's: (offset, size) in shares.
const PARTS: [([f64; 2], [f64; 2]); 3] =
    [([0.1, 0.1], [0.8, 0.8]), ([0.2, 0.2], [0.6, 0.6]), ([0.15, 0.35], [0.7, 0.4])];

/// How far beyond the lines seen the bare photo is kept, mm.
const BEYOND_MM: f64 = 120.0;

/// Most pixels of the resampled photo.
const MOST_PX: f64 = 12.0e6;

/// The bare mat in the mat frame of the photo with the garment.
#[derive(Debug, Clone)]
pub struct BareMat {
    /// Resampled on the mat, and where that lies.
    flat: Photo,
    frame: FlatFrame,
    /// How the two photos lie on each other.
    pub registered: Registered,
    /// What a person should know of it.
    pub warning: Option<Warning>,
}

impl BareMat {
    /// Lays the bare photo on the one with the garment.
    ///
    /// # Errors
    /// If no grid is found in the bare photo, or it cannot be laid on the other's.
    pub fn new(bare: &Photo, photo: &Photo, grid: &GridSighting, fit: &CameraFit) -> Result<Self, Refusal> {
        let (bare_grid, bare_fit) = sight(bare, grid, fit).map_err(of_the_bare_photo)?;
        let own = View { photo, camera: &fit.camera, grid };
        let other = View { photo: bare, camera: &bare_fit.camera, grid: &bare_grid };
        let (registered, warning) = match register(own, other) {
            Ok(registered) => (registered, None),
            // What is blank looks the same from a square further on.
            Err(unsettled) => {
                let blank = register_blank(own, other).ok_or_else(|| of_the_bare_photo(unsettled))?;
                (blank, Some(taken_for_blank()))
            }
        };
        let map = bare_fit.camera.undistorted_from_mat() * registered.motion.inverse().matrix();
        let camera = Camera::new(map, bare_fit.camera.lens).ok_or_else(|| of_the_bare_photo(unlike()))?;
        let flat = flat::rectify(bare, &camera, frame(photo, grid, fit), 0.0);
        Ok(Self { frame: flat.frame, flat: Photo::from_rgb(flat.rgb), registered, warning })
    }

    /// The bare mat's grey at a place (gamma values), bilinear; `None` where its photo does not reach.
    pub(crate) fn grey_at(&self, p: MatPoint) -> Option<f32> {
        let (x, y) = self.frame.flat_from_mat(p);
        // Where the photo does not reach the flat one is black all through.
        self.flat.grey_at(ImagePoint::new(x, y)).filter(|grey| *grey > 0.0)
    }
}

fn frame(photo: &Photo, grid: &GridSighting, fit: &CameraFit) -> FlatFrame {
    let (w, h) = (f64::from(photo.width()) - 1.0, f64::from(photo.height()) - 1.0);
    let seen = grid.sides.iter().map(|s| fit.camera.mat_from_image(s.at));
    let seen = MatRect::around(seen).unwrap_or(MatRect { min: MatPoint::default(), max: MatPoint::new(1.0, 1.0) });
    let wide = seen.grown(BEYOND_MM);
    let border = (0..16).flat_map(|i| {
        let t = f64::from(i) / 16.0;
        [(t * w, 0.0), (w, t * h), (w - t * w, h), (0.0, h - t * h)]
    });
    let shown = border.map(|(x, y)| fit.camera.mat_from_image(ImagePoint::new(x, y))).filter(|p| p.is_finite());
    let rect = MatRect::around(shown).map_or(wide, |shown| MatRect {
        min: MatPoint::new(wide.min.x.max(shown.min.x), wide.min.y.max(shown.min.y)),
        max: MatPoint::new(wide.max.x.min(shown.max.x), wide.max.y.min(shown.max.y)),
    });
    let area = (rect.width_mm() * rect.height_mm()).max(1.0);
    FlatFrame::new(rect, fit.px_per_mm.0.min((MOST_PX / area).sqrt()))
}

/// Finds the bare photo's grid; the mat must appear about as large as in the other photo.
fn sight(bare: &Photo, like: &GridSighting, fit: &CameraFit) -> Result<(GridSighting, CameraFit), Refusal> {
    let mean = 0.5 * (like.pitch_mm[0] + like.pitch_mm[1]);
    let spec = GridSpec { pitch_mm: [mean, mean] };
    let size = (bare.width(), bare.height());
    let whole = reference::find(&bare.luma(), &spec);
    let mut trouble = whole.as_ref().err().cloned();
    let parts = PARTS.iter().map(|(offset, part)| sides_within(bare, &spec, *offset, *part));
    for found in std::iter::once(whole).chain(parts) {
        let Ok(mut grid) = found else { continue };
        // Unequal pitches measured on the mat belong to its two sides; which is which the registering settles.
        if like.pitch_mm[0] == like.pitch_mm[1] {
            grid.pitch_mm = like.pitch_mm;
        }
        match fit::fit(&grid, size, bare.focal_px()) {
            Ok(fitted) if alike(&fitted, fit) => return Ok((grid, fitted)),
            Ok(_) => trouble = Some(unlike()),
            Err(refusal) => trouble = Some(refusal),
        }
    }
    Err(trouble.unwrap_or_else(unlike))
}

/// The grid of a part of the photo, in the whole photo's pixels.
fn sides_within(bare: &Photo, spec: &GridSpec, offset: [f64; 2], part: [f64; 2]) -> Result<GridSighting, Refusal> {
    let luma = bare.luma();
    let px = |share: f64, of: u32| (share * f64::from(of)) as u32;
    let (x, y) = (px(offset[0], luma.width()), px(offset[1], luma.height()));
    let (w, h) = (px(part[0], luma.width()), px(part[1], luma.height()));
    let cut = image::imageops::crop_imm(&luma, x, y, w, h).to_image();
    let mut grid = reference::find(&cut, spec)?;
    let by = nalgebra::Vector2::new(f64::from(x), f64::from(y));
    grid.sides.iter_mut().for_each(|side| side.at = side.at + by);
    grid.rough = None;
    Ok(grid)
}

/// Do both photos show a millimetre about as large, in both directions?
fn alike(one: &CameraFit, other: &CameraFit) -> bool {
    let near = |a: f64, b: f64| (a / b).max(b / a) < LARGEST_RATIO;
    near(one.px_per_mm.0, other.px_per_mm.0) && near(one.px_per_mm.1, other.px_per_mm.1)
}

fn taken_for_blank() -> Warning {
    Warning::new(
        "bare-photo-blank",
        "the photo of the bare mat shows nothing but even paper and its grid, so which square is which cannot be told: it was \
         laid on the other as if both were taken from one place; let the mat's rim or its numbers be seen in both to be sure",
    )
}

fn unlike() -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        "its grid appears at quite another size than in the photo with the garment",
        "take both from about the same place, with the same lens, and without moving the mat",
    )
}

fn of_the_bare_photo(refusal: Refusal) -> Refusal {
    Refusal { seen: format!("the photo of the bare mat: {}", refusal.seen), ..refusal }
}
