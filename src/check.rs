//! Is a photo good enough to trace? What to change if not.
//!
//! The same words are said by [`trace`](crate::trace): both ask [`photo_warnings`].

use rayon::prelude::*;
use serde::Serialize;

use crate::camera::fit::{self, CameraFit};
use crate::garment::{self, GarmentOptions};
use crate::measure::{self, References};
use crate::photo::Photo;
use crate::reference;
use crate::reference::grid::{GridSighting, GridSpec};
use crate::refusal::{Refusal, RefusalKind, Warning};

/// A view further from the plumb line than this shows cloth's thick edges from the side, degrees.
const MOST_TILT_DEG: f64 = 26.0;

/// Fewer pixels to a millimetre of mat leave the edge less than 0.15 mm sure.
const LEAST_PX_PER_MM: f64 = 2.0;

/// Heights above the mat from which nobody photographs a garment, mm: a phone does not focus nearer, nobody climbs higher.
const LEAST_HEIGHT_MM: f64 = 80.0;
const MOST_HEIGHT_MM: f64 = 10_000.0;

/// Share by which a grid may be out of the shape typed: mats are printed within 1 %, and an unknown focal length may hide
/// some of a tilt.
const MOST_OUT_OF_SHAPE: f64 = 0.1;

/// Share of the mat that may be blown out white before it is glare.
const MOST_GLARE: f64 = 0.01;

/// Level from which a channel says nothing any more.
const BLOWN_OUT: u8 = 253;

/// Share of the picture the reference should span.
const LEAST_COVERAGE: f64 = 0.12;

/// Every how many pixels, each way, glare is looked for.
const GLARE_STRIDE: u32 = 4;

/// What was found in a photo.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhotoCheck {
    /// Good enough to trace: nothing stops it. Warnings may still say how to do better.
    pub good: bool,
    /// Between the view and the plumb line, degrees, where known.
    pub tilt_deg: Option<f64>,
    /// Height of the camera above the mat, mm, where known.
    pub height_mm: Option<f64>,
    /// Pixels to a millimetre of mat, in the worse direction.
    pub px_per_mm: Option<f64>,
    /// Width of the printed lines, px (a sign of blur).
    pub line_width_px: Option<f64>,
    /// Share of the mat that is blown out white.
    pub glare_share: Option<f64>,
    /// Share of the picture that the grid spans.
    pub grid_share: Option<f64>,
    /// Lines of the grid seen, both ways.
    pub lines: Option<[usize; 2]>,
    /// What could be better.
    pub warnings: Vec<Warning>,
    /// What stops a trace, if anything does.
    pub refused: Option<Refusal>,
}

/// Looks a photo over, as far as telling the cloth from the mat; `spec` is the mat's grid, if there is one.
pub fn check(photo: &Photo, spec: Option<&GridSpec>, references: &References) -> PhotoCheck {
    let mut out = PhotoCheck {
        good: false,
        tilt_deg: None,
        height_mm: None,
        px_per_mm: None,
        line_width_px: None,
        glare_share: None,
        grid_share: None,
        lines: None,
        warnings: Vec::new(),
        refused: None,
    };
    let looked = match spec {
        Some(spec) => look(photo, spec, references, &mut out),
        None => look_without_mat(photo, references, &mut out),
    };
    match looked {
        Ok(()) => out.good = true,
        Err(refusal) => out.refused = Some(refusal),
    }
    out
}

fn look(photo: &Photo, spec: &GridSpec, references: &References, out: &mut PhotoCheck) -> Result<(), Refusal> {
    let grid = reference::find(&photo.luma(), spec)?;
    out.warnings.extend(grid.warnings.iter().cloned());
    let fitted = fit::fit(&grid, (photo.width(), photo.height()), photo.focal_px())?;
    plausible(&grid, &fitted)?;
    let (bodies, said) = measure::find_bodies_on_mat(photo, references, &fitted.camera)?;
    out.warnings.extend(said);
    let measured = measure::by_grid(fitted, &grid, 0.0, &bodies);
    let fitted = &measured.fit;
    out.warnings.extend(measured.warnings.iter().cloned());
    let seen = Seen::of(photo, &grid, fitted);
    out.tilt_deg = seen.tilt_deg;
    out.height_mm = fitted.camera.pose.map(|p| p.height_mm);
    out.px_per_mm = Some(seen.px_per_mm);
    out.line_width_px = (seen.line_width_px > 0.0).then_some(seen.line_width_px);
    out.glare_share = Some(seen.glare_share);
    out.grid_share = Some(seen.grid_share);
    out.lines = Some(fitted.lines);
    out.warnings.extend(seen.warnings());
    let things = measured.outlines();
    let garment_options = GarmentOptions { things: &things, ..GarmentOptions::default() };
    let garment = garment::separate(photo, &fitted.camera, &grid, garment_options)?;
    out.warnings.extend(garment.warnings);
    Ok(())
}

/// The same by what lies beside the garment.
fn look_without_mat(photo: &Photo, references: &References, out: &mut PhotoCheck) -> Result<(), Refusal> {
    let (bodies, said) = measure::find_bodies(photo, references)?;
    out.warnings.extend(said);
    let measured = measure::by_bodies(&bodies, (photo.width(), photo.height()), photo.focal_px())?;
    out.warnings.extend(measured.warnings.iter().cloned());
    let seen = Seen::without_mat(photo, &measured.fit);
    out.tilt_deg = seen.tilt_deg;
    out.height_mm = measured.fit.camera.pose.map(|p| p.height_mm);
    out.px_per_mm = Some(seen.px_per_mm);
    out.glare_share = Some(seen.glare_share);
    out.warnings.extend(seen.warnings());
    let things = measured.outlines();
    let garment_options = GarmentOptions { things: &things, ..GarmentOptions::default() };
    let garment = garment::separate_plain(photo, &measured.fit.camera, garment_options)?;
    out.warnings.extend(garment.warnings);
    Ok(())
}

/// What could be better about a photo without a mat whose camera is known.
pub fn plain_warnings(photo: &Photo, fitted: &CameraFit) -> Vec<Warning> {
    Seen::without_mat(photo, fitted).warnings()
}

/// What could be better about a photo whose grid and camera are known.
pub fn photo_warnings(photo: &Photo, grid: &GridSighting, fitted: &CameraFit) -> Vec<Warning> {
    Seen::of(photo, grid, fitted).warnings()
}

/// Refuses a grid that cannot be the mat's.
///
/// # Errors
/// The camera's height that follows from the typed spacing is under 8 cm or over 10 m, where none stands to photograph a
/// garment; or the grid's squares are more than a tenth wider one way than the other.
pub fn plausible(grid: &GridSighting, fitted: &CameraFit) -> Result<(), Refusal> {
    plausible_height(grid, fitted)?;
    plausible_shape(fitted)
}

fn plausible_shape(fitted: &CameraFit) -> Result<(), Refusal> {
    let Some(off) = fitted.out_of_shape.filter(|off| *off > MOST_OUT_OF_SHAPE) else { return Ok(()) };
    Err(Refusal::new(
        RefusalKind::ContradictoryReference,
        format!("the squares of the grid that was found are {:.0} % out of shape", 100.0 * off),
        "a mat's squares are as wide as they are high: give the photo as the camera wrote it, not stretched, and check \
         that no other pattern (checked cloth, a floor) fills more of the picture than the mat",
    ))
}

fn plausible_height(grid: &GridSighting, fitted: &CameraFit) -> Result<(), Refusal> {
    let Some(pose) = fitted.camera.pose else { return Ok(()) };
    if (LEAST_HEIGHT_MM..=MOST_HEIGHT_MM).contains(&pose.height_mm) {
        return Ok(());
    }
    Err(Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "by a spacing of {} mm the camera would have stood {} above the mat",
            grid.pitch_mm[0],
            if pose.height_mm < 1000.0 {
                format!("{:.1} cm", pose.height_mm / 10.0)
            } else {
                format!("{:.0} m", pose.height_mm / 1000.0)
            }
        ),
        "check the spacing you gave: measure from one line of the mat to the next with a ruler",
    ))
}

/// The figures the warnings rest on.
struct Seen {
    tilt_deg: Option<f64>,
    px_per_mm: f64,
    line_width_px: f64,
    line_width_mm: f64,
    glare_share: f64,
    grid_share: f64,
    soft: bool,
}

impl Seen {
    fn of(photo: &Photo, grid: &GridSighting, fitted: &CameraFit) -> Self {
        let px_per_mm = fitted.px_per_mm.1;
        let line_width_mm = grid.line_width_px / px_per_mm.max(1e-6);
        // The box around the sightings, in pixels.
        let span = grid.sides.iter().fold([f64::INFINITY, f64::INFINITY, 0.0, 0.0], |b, s| {
            [b[0].min(s.at.x), b[1].min(s.at.y), b[2].max(s.at.x), b[3].max(s.at.y)]
        });
        let area = (span[2] - span[0]).max(0.0) * (span[3] - span[1]).max(0.0);
        Self {
            tilt_deg: fitted.camera.pose.map(|p| p.tilt_deg),
            px_per_mm,
            line_width_px: grid.line_width_px,
            line_width_mm,
            glare_share: glare(photo, span),
            grid_share: area / (f64::from(photo.width()) * f64::from(photo.height())),
            soft: grid.is_soft(px_per_mm),
        }
    }

    /// Of lines and of the mat's extent nothing is said. Paper may be white: only the photo as a whole is held to glare.
    fn without_mat(photo: &Photo, fitted: &CameraFit) -> Self {
        let whole = [0.0, 0.0, f64::from(photo.width()), f64::from(photo.height())];
        Self {
            tilt_deg: fitted.camera.pose.map(|p| p.tilt_deg),
            px_per_mm: fitted.px_per_mm.1,
            line_width_px: 0.0,
            line_width_mm: 0.0,
            glare_share: glare(photo, whole),
            grid_share: 1.0,
            soft: false,
        }
    }

    fn warnings(&self) -> Vec<Warning> {
        let tilt = self.tilt_deg.filter(|t| *t > MOST_TILT_DEG).map(|tilt| {
            Warning::new(
                "camera-tilted",
                format!("the camera was tilted by {tilt:.0} degrees: stand over the middle and hold it level"),
            )
        });
        let far = (self.px_per_mm < LEAST_PX_PER_MM).then(|| {
            Warning::new(
                "camera-too-far",
                format!(
                    "a millimetre is only {:.1} pixels: go closer, or set the camera to more megapixels",
                    self.px_per_mm
                ),
            )
        });
        let soft = self.soft.then(|| {
            Warning::new(
                "lines-soft",
                format!(
                    "the mat's lines appear {:.1} mm wide: the photo is probably blurred; hold still, tap to focus on \
                     the mat, and give it more light",
                    self.line_width_mm
                ),
            )
        });
        let glare = (self.glare_share > MOST_GLARE).then(|| {
            Warning::new(
                "glare",
                format!(
                    "{:.0} % of what is seen is blown out white: no flash, no lamp or window mirrored in it, a little less \
                     exposure",
                    (100.0 * self.glare_share).max(1.0)
                ),
            )
        });
        let little = (self.grid_share < LEAST_COVERAGE).then(|| {
            Warning::new(
                "grid-covers-little",
                format!(
                    "the grid spans only {:.0} % of the picture: go closer or use a larger mat",
                    100.0 * self.grid_share
                ),
            )
        });
        [tilt, far, soft, glare, little].into_iter().flatten().collect()
    }
}

/// Share of the pixels in a box of the photo that are blown out.
fn glare(photo: &Photo, span: [f64; 4]) -> f64 {
    let clamp = |v: f64, most: u32| (v.max(0.0) as u32).min(most);
    let (w, h) = (photo.width().saturating_sub(1), photo.height().saturating_sub(1));
    let (x0, y0, x1, y1) = (clamp(span[0], w), clamp(span[1], h), clamp(span[2], w), clamp(span[3], h));
    let across = || (x0..=x1).step_by(GLARE_STRIDE as usize);
    let rows: Vec<u32> = (y0..=y1).step_by(GLARE_STRIDE as usize).collect();
    let blown_out = |x: u32, y: u32| photo.rgb.get_pixel(x, y).0.iter().all(|v| *v >= BLOWN_OUT);
    let blown: usize = rows.par_iter().map(|y| across().filter(|x| blown_out(*x, *y)).count()).sum();
    blown as f64 / (across().count() * rows.len()).max(1) as f64
}
