//! The chain from a photo to an outline: the stages in order, their doubts added up, nothing else.

mod several;

use std::sync::Arc;

use image::RgbImage;
use serde::{Deserialize, Serialize};

use crate::across;
use crate::bare::BareMat;
use crate::camera::fit::{self, CameraFit};
use crate::camera::lens_profile::LensProfile;
use crate::camera::{Camera, Pose, PoseSource, SIGMAS_95};
use crate::check;
use crate::cloths::{Cloth, ThicknessSource};
use crate::flat::{self, FlatFrame, FlatPhoto, MatRect};
use crate::garment::{self, GarmentOptions, Hint};
use crate::join::Mismatch;
use crate::marks::{self, Mark, MarkColour};
use crate::mats::Pitch;
use crate::measure::{self, Measured, Placed, ReferenceCheck, ReferenceReport, References};
use crate::outline::{self, Outline};
use crate::photo::Photo;
use crate::reference::body::Body;
use crate::reference::grid::{self, GridSighting, GridSpec};
use crate::reference::{self, Axis, Marking};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{Length, MatPoint};

pub use several::trace_several;

/// Height of a folded garment nobody has measured, mm: four layers of T-shirt cloth.
const ASSUMED_THICKNESS_MM: f64 = 2.5;

/// Half-width of the doubt of that height, mm.
const ASSUMED_THICKNESS_DOUBT_MM: f64 = 1.5;

/// Mat shown around the garment in the pictures, mm.
const PICTURE_MARGIN_MM: f64 = 60.0;

/// The longest side of the pictures, px.
const PICTURE_LONG_SIDE_PX: f64 = 2000.0;

/// The finest resolution of the pictures: 2 px per mm shows what the photo holds.
const PICTURE_PX_PER_MM: f64 = 2.0;

/// What the person says.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceOptions {
    /// The mat's pitch and what it is worth, where there is a mat.
    pub pitch: Option<Pitch>,
    /// What else of known size lies in the photo.
    pub references: References,
    /// Height of the folded garment above the mat.
    pub thickness: ThicknessChoice,
    /// A photo of the same mat without the garment, from about the same place.
    pub bare: Option<Photo>,
    /// Lens profiles to choose from, by what the photo says of its camera.
    pub lenses: Vec<LensProfile>,
    /// Marks of this colour on the cloth are wanted.
    pub marks: Option<MarkColour>,
    /// What a person painted over a photo traced before, in its mat frame (one photo only).
    pub hints: Vec<Hint>,
}

/// What the person says of the garment's height.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum ThicknessChoice {
    /// Nothing.
    #[default]
    Unknown,
    /// Measured, mm.
    Measured(f64),
    /// So many layers of a cloth from the table.
    Layers(u32, Cloth),
}

/// Nothing that is folded and photographed to be traced lies higher, mm; nor does a ruler or card beside it.
const HIGHEST_MM: f64 = 100.0;

impl ThicknessChoice {
    /// A height as measured.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] for one that no folded garment has.
    pub fn measured(height: Length) -> Result<Self, Refusal> {
        if height.mm() <= HIGHEST_MM {
            return Ok(Self::Measured(height.mm()));
        }
        Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("{height} is higher than any folded garment lies"),
            "check the number and its unit: four layers of T-shirt cloth are about 2.5mm",
        ))
    }
}

/// Told of every stage as the work goes on.
pub trait Watch {
    /// A stage begins (and the one before ends).
    fn stage(&mut self, _name: &'static str) {}
    /// Something a person should know of the photo, as soon as it is seen.
    fn notice(&mut self, _warning: &Warning) {}
    /// Are pictures of the stages wanted? They cost time.
    fn wants_pictures(&self) -> bool {
        false
    }
    /// A picture of the stage at work.
    fn picture(&mut self, _name: &str, _picture: &RgbImage) {}
}

/// A watch that looks away.
pub struct Unwatched;

impl Watch for Unwatched {}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Trace {
    /// The references: how they lie, and what they say of each other.
    pub placed: Vec<Placed>,
    /// The camera and its doubts.
    pub fit: CameraFit,
    /// The cloth's outline in plan, mat frame.
    pub outline: Outline,
    /// The true size of things, and how it is known.
    pub scale: Scale,
    /// Marks on the cloth, in order.
    pub marks: Vec<Mark>,
    /// The photo as from straight above, around the garment.
    pub flat: FlatPhoto,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// How the size is known and what it is worth; goes into `outline.json` as `"scale"`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scale {
    /// What of known size gave the camera: "grid", "cards", "ruler", "rulers", "sheet", "bank card", or some of them.
    pub reference: String,
    /// Every reference, and how it came out.
    pub references: Vec<ReferenceReport>,
    /// References of different kinds held against each other.
    pub checks: Vec<ReferenceCheck>,
    /// How the grid is drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marking: Option<Marking>,
    /// Distance between the grid's lines as printed, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nominal_pitch_mm: Option<f64>,
    /// Distance between the grid's lines as used, mm (x, y).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch_mm: Option<[f64; 2]>,
    /// Has a person measured what gave the camera?
    pub measured: bool,
    /// Half-width of the scale's doubt (95 %), per cent of any length.
    pub doubt_percent: f64,
    /// Crossings of the grid with both lines measured.
    pub crossings: usize,
    /// Cell sides measured and used.
    pub sides: usize,
    /// Lines used (of the x family, of the y family).
    pub lines: [usize; 2],
    /// Root mean square distance of the sides from the fitted lines, px.
    pub reprojection_px: f64,
    /// The same on the mat, mm.
    pub reprojection_mm: f64,
    /// Resolution in the middle of the grid: (largest, smallest) over directions.
    pub px_per_mm: [f64; 2],
    /// Where the camera stood, where that is known.
    pub camera: Option<CameraPlace>,
    /// Lens terms.
    pub lens: LensTerms,
    /// The lens profile they are from, if not from this photo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lens_profile: Option<String>,
    /// How several photos were joined, if they were; the rest tells of the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joined: Option<Joined>,
    /// Height of the garment's top above the mat that was used, mm.
    pub thickness_mm: f64,
    /// Was it measured by the person (else assumed)?
    pub thickness_measured: bool,
    /// How it is known.
    pub thickness_from: ThicknessSource,
    /// Half-width of its doubt (95 %), mm.
    pub thickness_doubt_mm: f64,
    /// The largest shift that the thickness correction made, mm.
    pub thickness_shift_mm: f64,
    /// Half-width of that shift's doubt (95 %), from the height of the cloth and of the camera, mm.
    pub thickness_shift_doubt_mm: f64,
}

/// How several photos of one garment were joined.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Joined {
    /// Photos.
    pub photos: usize,
    /// How their outlines differ where they overlap.
    pub mismatch: Mismatch,
    /// Least likeness of what two photos show beside the grid, 0 to 1, where they were laid on each other by that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub likeness: Option<f64>,
    /// Fewest cards by which two photos were laid on each other, where they were laid by cards.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cards: Option<usize>,
}

/// Where the camera stood.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CameraPlace {
    /// Height of the lens above the mat, mm.
    pub height_mm: f64,
    /// Between the view axis and the plumb line, degrees.
    pub tilt_deg: f64,
    /// The point of the mat below the lens.
    pub foot: MatPoint,
    /// Focal length, px.
    pub focal_px: f64,
    /// How the focal length is known.
    pub focal_from: PoseSource,
}

/// Radial lens terms: r is the distance from the picture's middle over `scale_px`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LensTerms {
    /// Factor of r^2.
    pub k1: f64,
    /// Its standard deviation.
    pub k1_sigma: f64,
    /// Factor of r^4.
    pub k2: f64,
    /// Radius at which r = 1, px.
    pub scale_px: f64,
}

/// From a photo to an outline in millimetres.
///
/// # Errors
/// A refusal where the grid, the cloth or the outline cannot be had with confidence.
pub fn trace(photo: &Photo, options: &TraceOptions, watch: &mut dyn Watch) -> Result<Trace, Refusal> {
    let sized = size_up(photo, options, watch)?;
    let part = part(photo, options, sized, None, watch)?;
    let mut warnings = part.warnings.clone();
    let marks = match options.marks {
        Some(colour) => {
            watch.stage("finding the marks");
            let (found, said) = find_marks(photo, &part, &part.outline, colour);
            warnings.extend(said);
            found
        }
        None => Vec::new(),
    };
    watch.stage("flattening the photo");
    let frame = picture_frame(&part.outline, &part.sized.measured.placed);
    let flat = flat::rectify(photo, &part.fit().camera, frame, 0.0);
    warnings.extend(across::warnings(&flat, &part.outline));
    warnings.extend(across::references(&part.sized.measured.placed, &part.outline));
    let scale = describe(options.pitch.as_ref(), &part, &part.outline);
    scale_warning(&scale, &mut warnings);
    dedup(&mut warnings);
    let Part { sized, outline, .. } = part;
    let Measured { fit, placed, .. } = sized.measured;
    Ok(Trace { placed, fit, outline, scale, marks, flat, warnings })
}

/// What one photo gives: its outline in its own mat frame, with its doubts.
struct Part {
    sized: Sized,
    outline: Outline,
    /// What was looked at: cloth that runs on beyond it is cut off there.
    looked_at: MatRect,
    thickness: Thickness,
    warnings: Vec<Warning>,
}

impl Part {
    fn fit(&self) -> &CameraFit {
        &self.sized.measured.fit
    }
}

/// What gave the size.
struct Sized {
    measured: Measured,
    grid: Option<GridSighting>,
    bodies: Vec<Body>,
    lens_profile: Option<String>,
    warnings: Vec<Warning>,
}

/// Cloth and edge of one photo. If it is one of several, `others` are the outlines of what they show lying about, in its own mat
/// frame, and the cloth may run on beyond it.
fn part(
    photo: &Photo,
    options: &TraceOptions,
    mut sized: Sized,
    others: Option<&[Vec<MatPoint>]>,
    watch: &mut dyn Watch,
) -> Result<Part, Refusal> {
    let mut warnings = std::mem::take(&mut sized.warnings);
    let measured = &sized.measured;
    let fit = &measured.fit;
    warnings.extend(measured.warnings.iter().cloned());

    let bare = match (&options.bare, &sized.grid) {
        (Some(bare), Some(grid)) => {
            watch.stage("laying the bare mat on it");
            match BareMat::new(bare, photo, grid, fit) {
                Ok(bare) => {
                    warnings.extend(bare.warning.clone());
                    Some(Arc::new(bare))
                }
                // Boards look the same from every square; their squares tell most cloth without.
                Err(refusal) if grid.marking == Marking::Chequers => {
                    warnings.push(bare_not_used(&refusal));
                    None
                }
                Err(refusal) => return Err(refusal),
            }
        }
        (Some(_), None) => return Err(bare_without_mat()),
        (None, _) => None,
    };

    watch.stage("telling cloth from mat");
    let things = [measured.outlines(), others.unwrap_or_default().to_vec()].concat();
    let garment_options = GarmentOptions {
        pictures: watch.wants_pictures(),
        bare: bare.as_ref(),
        may_leave: others.is_some(),
        things: &things,
        hints: &options.hints,
    };
    let garment = match &sized.grid {
        Some(grid) => garment::separate(photo, &fit.camera, grid, garment_options)?,
        None => garment::separate_plain(photo, &fit.camera, garment_options)?,
    };
    warnings.extend(garment.warnings.iter().cloned());
    for (name, picture) in &garment.pictures {
        watch.picture(name, picture);
    }

    watch.stage("tracing the edge");
    let thickness = Thickness::of(options.thickness, fit.camera.pose.as_ref(), &mut warnings);
    let traced = outline::trace(photo, &fit.camera, &garment, thickness.mm)?;
    warnings.extend(traced.warnings);
    let mut outline = traced.outline;
    add_doubt(&mut outline, fit, &thickness);
    Ok(Part { sized, outline, looked_at: garment.frame.rect, thickness, warnings })
}

fn bare_not_used(refusal: &Refusal) -> Warning {
    let text = format!("{}, so it was not used: {}", refusal.seen, refusal.advice);
    Warning::new("bare-not-used", text)
}

fn bare_without_mat() -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        "a photo of the bare mat was given, but no mat",
        "say the mat's grid as well, such as --grid 1cm, or leave --bare out",
    )
}

/// Finds the references and fits the camera.
fn size_up(photo: &Photo, options: &TraceOptions, watch: &mut dyn Watch) -> Result<Sized, Refusal> {
    let mut warnings = Vec::new();
    let size = (photo.width(), photo.height());
    let Some(pitch) = &options.pitch else {
        watch.stage("finding the references");
        let (bodies, said) = measure::find_bodies(photo, &options.references)?;
        warnings.extend(said);
        watch.stage("fitting the camera");
        let measured = measure::by_bodies(&bodies, size, photo.focal_px())?;
        warnings.extend(check::plain_warnings(photo, &measured.fit));
        return Ok(Sized { measured, grid: None, bodies, lens_profile: None, warnings });
    };
    watch.stage("finding the grid");
    let mean = pitch.mean_mm();
    let mut grid = reference::find(&photo.luma(), &GridSpec { pitch_mm: [mean, mean] })?;
    warnings.extend(grid.warnings.iter().cloned());
    let print_doubt = set_pitch(&mut grid, pitch, &mut warnings);
    if watch.wants_pictures() {
        watch.picture("grid", &grid::overlay(&photo.rgb, &grid));
    }
    watch.stage("fitting the camera");
    let known = options.lenses.iter().find_map(|profile| Some((profile, profile.for_photo(photo)?)));
    let fit = match &known {
        Some((_, lens)) => fit::fit_known(&grid, size, lens)?,
        None => fit::fit(&grid, size, photo.focal_px())?,
    };
    check::plausible(&grid, &fit)?;
    warnings.extend(check::photo_warnings(photo, &grid, &fit));
    warnings.iter().for_each(|warning| watch.notice(warning));
    let mut bodies = Vec::new();
    if options.references.any() {
        watch.stage("finding the references");
        let (found, said) = measure::find_bodies_on_mat(photo, &options.references, &fit.camera)?;
        bodies = found;
        warnings.extend(said);
    }
    let measured = measure::by_grid(fit, &grid, print_doubt, &bodies);
    let lens_profile = known.map(|(profile, _)| profile.name.clone());
    Ok(Sized { measured, grid: Some(grid), bodies, lens_profile, warnings })
}

/// Marks on the cloth that a photo shows, with the plane map's doubt in theirs.
fn find_marks(photo: &Photo, part: &Part, outline: &Outline, colour: MarkColour) -> (Vec<Mark>, Vec<Warning>) {
    let cloth = marks::Cloth { outline, top_mm: part.thickness.mm, top_doubt_mm: part.thickness.doubt_mm };
    let (mut found, said) = marks::find(photo, &part.fit().camera, cloth, colour);
    for mark in &mut found {
        mark.doubt_mm = mark.doubt_mm.hypot(SIGMAS_95 * part.fit().position_sigma_mm(mark.at));
    }
    (found, said)
}

/// Gives the grid its true pitch, which may differ along the mat's two sides; returns the doubt as a share.
fn set_pitch(grid: &mut GridSighting, pitch: &Pitch, warnings: &mut Vec<Warning>) -> f64 {
    let (long, short) = (pitch.long_side_mm, pitch.short_side_mm);
    if long == short {
        return pitch.doubt;
    }
    let [across, up] = [Axis::X, Axis::Y].map(|axis| line_span(grid, axis));
    let (longer, shorter) = (across.max(up), across.min(up));
    if f64::from(longer) < 1.15 * f64::from(shorter) {
        let apart = (long - short).abs() / pitch.mean_mm();
        warnings.push(Warning::new(
            "mat-side-unknown",
            "the mat was measured along its long and short sides, but as much of one as of the other is seen here: \
             the mean is used; show the mat's whole length to do better",
        ));
        return pitch.doubt + 0.5 * apart;
    }
    grid.pitch_mm = if across > up { [long, short] } else { [short, long] };
    pitch.doubt
}

/// Cells between the first and the last line of a family.
fn line_span(grid: &GridSighting, axis: Axis) -> i32 {
    let indices = grid.sides.iter().filter(|s| s.axis == axis).map(|s| s.index);
    indices.clone().max().unwrap_or(0) - indices.min().unwrap_or(0)
}

/// The garment's height above the mat and what it is worth.
struct Thickness {
    mm: f64,
    from: ThicknessSource,
    doubt_mm: f64,
}

impl Thickness {
    fn of(choice: ThicknessChoice, pose: Option<&Pose>, warnings: &mut Vec<Warning>) -> Self {
        if pose.is_none() {
            warnings.push(Warning::new(
                "camera-height-unknown",
                "the photo does not say the camera's focal length and the view does not tell it, so the garment's \
                 thickness is not corrected for and every doubt is wider: use the original photo with its EXIF data",
            ));
        }
        match choice {
            ThicknessChoice::Measured(mm) => Self { mm, from: ThicknessSource::Measured, doubt_mm: 0.15 * mm },
            ThicknessChoice::Layers(layers, cloth) => {
                let (mm, doubt_mm) = cloth.stack(layers);
                Self { mm, from: ThicknessSource::Layers, doubt_mm }
            }
            ThicknessChoice::Unknown => {
                warnings.push(Warning::new(
                    "thickness-assumed",
                    format!(
                        "the garment's thickness was not given: {ASSUMED_THICKNESS_MM} mm is assumed; measure the \
                         folded garment at its edge and give --thickness, or give --layers and --cloth"
                    ),
                ));
                Self { mm: ASSUMED_THICKNESS_MM, from: ThicknessSource::Assumed, doubt_mm: ASSUMED_THICKNESS_DOUBT_MM }
            }
        }
    }

    /// Half-width (95 %) of the doubt that height of cloth and of camera leave at a place, mm.
    fn parallax_doubt_mm(&self, camera: &Camera, at: MatPoint) -> f64 {
        let middle = 0.5 * self.mm;
        match camera.pose {
            Some(pose) => {
                let reach = (at - pose.foot).norm();
                0.5 * self.doubt_mm * reach / pose.height_mm + SIGMAS_95 * camera.lower_sigma_mm(at, middle)
            }
            // Nothing was corrected: the whole shift of the nearest camera is in doubt.
            None => camera.lower_sigma_mm(at, middle + 0.5 * self.doubt_mm),
        }
    }
}

/// Adds to the edge's own doubt what the plane map and the thickness leave open (all 95 % half-widths).
fn add_doubt(outline: &mut Outline, fit: &CameraFit, thickness: &Thickness) {
    for point in &mut outline.points {
        let map = SIGMAS_95 * fit.position_sigma_mm(point.at);
        let parallax = thickness.parallax_doubt_mm(&fit.camera, point.at);
        point.doubt_mm = (point.doubt_mm.powi(2) + map * map + parallax * parallax).sqrt();
    }
}

/// Where the pictures lie: the garment with some of the mat, and what of known size lies beside it.
fn picture_frame(outline: &Outline, placed: &[Placed]) -> FlatFrame {
    let beside = placed.iter().flat_map(|p| p.ring.iter().copied());
    let rect = MatRect::around(outline.points.iter().map(|p| p.at).chain(beside))
        .unwrap_or(MatRect { min: MatPoint::new(0.0, 0.0), max: MatPoint::new(1.0, 1.0) })
        .grown(PICTURE_MARGIN_MM);
    let long_side = rect.width_mm().max(rect.height_mm());
    FlatFrame::new(rect, PICTURE_PX_PER_MM.min(PICTURE_LONG_SIDE_PX / long_side))
}

fn describe(pitch: Option<&Pitch>, part: &Part, outline: &Outline) -> Scale {
    let Part { sized: Sized { measured, grid, lens_profile, .. }, thickness, .. } = part;
    let fit = &measured.fit;
    let shift = |p: MatPoint| fit.camera.lift(p, 0.5 * thickness.mm).distance(p);
    let largest = |of: &dyn Fn(MatPoint) -> f64| outline.points.iter().map(|p| of(p.at)).fold(0.0, f64::max);
    let lens = fit.camera.lens;
    Scale {
        reference: measured.reference.clone(),
        references: measured.reports.clone(),
        checks: measured.checks.clone(),
        marking: grid.as_ref().map(|g| g.marking),
        nominal_pitch_mm: pitch.map(|p| p.nominal.mm()),
        pitch_mm: grid.as_ref().map(|g| g.pitch_mm),
        measured: pitch.is_none_or(|p| p.measured),
        doubt_percent: 100.0 * scale_doubt(measured, grid.is_some(), outline),
        crossings: fit.crossings,
        sides: fit.sides_used,
        lines: fit.lines,
        reprojection_px: fit.residual.rms_px,
        reprojection_mm: fit.residual.rms_mm,
        px_per_mm: [fit.px_per_mm.0, fit.px_per_mm.1],
        camera: fit.camera.pose.map(|pose| CameraPlace {
            height_mm: pose.height_mm,
            tilt_deg: pose.tilt_deg,
            foot: pose.foot,
            focal_px: pose.focal_px,
            focal_from: pose.source,
        }),
        lens: LensTerms { k1: lens.k1, k1_sigma: fit.lens.k1_sigma, k2: lens.k2, scale_px: lens.scale_px },
        lens_profile: lens_profile.clone(),
        joined: None,
        thickness_mm: thickness.mm,
        thickness_measured: thickness.from == ThicknessSource::Measured,
        thickness_from: thickness.from,
        thickness_doubt_mm: thickness.doubt_mm,
        thickness_shift_mm: largest(&shift),
        thickness_shift_doubt_mm: largest(&|p| thickness.parallax_doubt_mm(&fit.camera, p)),
    }
}

/// Half-width (95 %) of the scale's doubt, as a share: what the references are worth, how well the camera is known over
/// the garment, and what the references say against each other.
fn scale_doubt(measured: &Measured, grid: bool, outline: &Outline) -> f64 {
    let rect = MatRect::around(outline.points.iter().map(|p| p.at));
    let doubt = match rect.filter(|_| !grid) {
        Some(rect) => measured.scale_doubt_over(rect),
        None => measured.size_doubt.hypot(SIGMAS_95 * measured.fit.scale_sigma),
    };
    let apart = measured.checks.iter().filter(|c| c.disagree).map(|c| 0.01 * c.apart_percent.abs()).fold(0.0, f64::max);
    doubt.max(apart)
}

fn scale_warning(scale: &Scale, warnings: &mut Vec<Warning>) {
    if !scale.measured {
        warnings.push(Warning::new(
            "mat-unmeasured",
            format!(
                "nobody has measured this mat: its print may be off, so every length is within {:.1} % only; measure \
                 it once with a steel tape (20 squares = ? mm) and give --measured or --mat",
                scale.doubt_percent
            ),
        ));
    }
}

fn dedup(warnings: &mut Vec<Warning>) {
    let mut seen = std::collections::HashSet::new();
    warnings.retain(|w| seen.insert(w.text.clone()));
}
