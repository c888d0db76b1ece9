//! What is cloth, what is mat.
//!
//! Once the grid is known the bare mat can be predicted everywhere: a smooth shade, and line
//! profiles that repeat with the pitch. Cloth is where the photo departs from that prediction
//! (darkening alone, a shadow, does not count) or where the printed grid is missing. Colour
//! histograms learnt from those places, and a convex total-variation labelling (Chan, Esedoglu &
//! Nikolova 2006, solved by Chambolle & Pock 2011), make one closed region of it.

pub(crate) mod appearance;
mod cells;
mod colours;
mod evidence;
mod extent;
mod grain;
mod labelling;
mod lines;
mod mat_model;
mod palette;
mod pattern;
mod pictures;
mod plain;
mod presence;
mod region;
mod shade;
mod stripes;
mod texture;
mod things;

use image::{GrayImage, RgbImage};
use rayon::prelude::*;

use std::sync::Arc;

use self::presence::Presence;
use crate::bare::BareMat;
use crate::camera::Camera;
use crate::flat::{self, FlatFrame, FlatPhoto};
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

pub use appearance::{gamma_from_log, log_from_gamma};
pub use cells::CellMap;
pub use extent::MatExtent;
pub use mat_model::MatModel;
pub use palette::Palette;
pub(crate) use palette::{ANY_SHADE, Compared, Light, Seen, SeenRow};
pub use plain::separate_plain;

/// Colours kept of the cloth: enough for a print, few enough to mean something.
const CLOTH_COLOURS: usize = 8;

/// Share of the cell sides within the grid's extent that must be seen for the bare mat to be learnt.
const LEAST_SEEN: f64 = 0.08;

impl Garment {
    /// 255 where cloth is seen, on the mat plane (not corrected for thickness).
    pub fn mask(&self) -> GrayImage {
        self.drawn(|u| if u > 0.5 { 255 } else { 0 })
    }

    /// 255 where the labelling is sure, 0 where cloth and mat are equally likely; lies as the mask does.
    pub fn confidence(&self) -> GrayImage {
        self.drawn(|u| ((2.0 * u - 1.0).abs() * 255.0) as u8)
    }

    fn drawn(&self, tone: impl Fn(f32) -> u8 + Sync) -> GrayImage {
        let mut picture = GrayImage::new(self.frame.width, self.frame.height);
        let width = self.frame.width as usize;
        picture.as_mut().par_chunks_mut(width).enumerate().for_each(|(row, out)| {
            for (out, u) in out.iter_mut().zip(self.label.pixel_row(row, width)) {
                *out = tone(u);
            }
        });
        picture
    }
}

/// What may be asked of [`separate`] and [`separate_plain`].
#[derive(Debug, Clone, Copy, Default)]
pub struct GarmentOptions<'a> {
    /// Draw pictures of the steps.
    pub pictures: bool,
    /// The mat without the garment, in this photo's mat frame.
    pub bare: Option<&'a Arc<BareMat>>,
    /// May the cloth run on beyond the picture, because another photo shows the rest?
    pub may_leave: bool,
    /// Outlines (mat frame) of what lies about and is no cloth, such as the references named.
    pub things: &'a [Vec<MatPoint>],
    /// What a person painted.
    pub hints: &'a [Hint],
}

/// A stroke that a person painted over cloth or over mat: what is under it is known.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Hint {
    /// Cloth, or mat.
    pub cloth: bool,
    /// The stroke's middle line, mat frame.
    pub stroke: Vec<MatPoint>,
    /// Its width, mm.
    pub width_mm: f64,
}

/// Where the cloth lies, coarsely, and the bare mat's model for the stages that follow.
#[derive(Debug, Clone)]
pub struct Garment {
    /// Where [`Garment::mask`] lies on the mat (about 1 mm per pixel).
    pub frame: FlatFrame,
    /// Where the mat's printed grid lies.
    pub extent: MatExtent,
    /// The bare mat.
    pub mat: MatModel,
    /// The cloth's own colours.
    pub cloth: Palette,
    /// The soft label (0 mat, 1 cloth) per cell of about 3 mm; the outline starts at its 0.5 contour.
    pub label: CellMap,
    /// How much of the printed grid shows per cell (1 all, 0 none; NaN where too few lines to tell).
    pub grid_shows: CellMap,
    /// Things a person should know.
    pub warnings: Vec<Warning>,
    /// Named pictures of the steps, if asked for.
    pub pictures: Vec<(String, RgbImage)>,
}

/// Tells the garment from the mat.
///
/// `camera` maps the mat plane into the photo; `grid` says where the printed lines were seen.
///
/// # Errors
/// A refusal if no cloth can be told from the mat, if it covers the whole mat, or if it leaves the picture.
pub fn separate(
    photo: &Photo,
    camera: &Camera,
    grid: &GridSighting,
    options: GarmentOptions<'_>,
) -> Result<Garment, Refusal> {
    let extent = MatExtent::from_sides(grid).ok_or_else(no_grid)?;
    if extent.share_seen < LEAST_SEEN {
        return Err(covered(extent.share_seen));
    }
    let (usual, wider) = extent.frames(photo, camera);
    if options.may_leave {
        // Nothing will tell a cut by the frame from one by the photo.
        return separate_within(wider.unwrap_or(usual), photo, camera, grid, &extent, options);
    }
    match (separate_within(usual, photo, camera, grid, &extent, options), wider) {
        // Cut by the frame, not by the photo, perhaps.
        (Err(refusal), Some(wider)) if refusal.kind == RefusalKind::ClothOutOfView => {
            separate_within(wider, photo, camera, grid, &extent, options)
        }
        (done, _) => done,
    }
}

fn separate_within(
    frame: FlatFrame,
    photo: &Photo,
    camera: &Camera,
    grid: &GridSighting,
    extent: &MatExtent,
    options: GarmentOptions<'_>,
) -> Result<Garment, Refusal> {
    let flat = flat::rectify(photo, camera, frame, 0.0);
    let layout = cells::Layout::new(frame, photo, camera);
    let mut thing = things::covered(&layout, options.things);
    let seen = extent::Seen::new(&layout, grid).without(&thing);
    let mat = MatModel::learn(&flat, &layout, grid, extent, &seen)?;
    let mut evidence = evidence::gather(&flat, &layout, &mat, extent, &seen);
    things::take_in_their_own(&mut thing, options.things, &layout, &evidence);
    evidence.set_aside(thing);
    if let Some(bare) = options.bare {
        evidence.grain = grain::votes((photo, camera), bare, &layout, extent, &seen);
    }
    let lines = || Presence::measure(photo, camera, grid, &layout, extent, &seen);
    let found = region::find(&flat, &layout, &mut evidence, lines, options)?;
    let mut garment = assemble(flat.frame, *extent, mat, evidence.grid_shows.clone(), found.label);
    garment.warnings = found.warnings;
    garment.cloth = Palette::learn(&region::cloth_pixels(&flat, &layout, &found.cells), CLOTH_COLOURS);
    if options.pictures {
        garment.pictures = pictures::draw(&flat, &layout, &evidence, &garment);
    }
    Ok(garment)
}

fn covered(share: f64) -> Refusal {
    Refusal::new(
        RefusalKind::ClothOutOfView,
        format!(
            "only {:.0} % of the grid between its outermost lines is seen: the cloth covers nearly all of it",
            100.0 * share
        ),
        "use a larger mat, fold the garment once more, or take it in two photos",
    )
}

fn no_grid() -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        "no side of a grid cell is seen",
        "retake with more of the mat in view around the garment",
    )
}

fn assemble(frame: FlatFrame, extent: MatExtent, mat: MatModel, grid_shows: CellMap, label: CellMap) -> Garment {
    Garment {
        frame,
        extent,
        mat,
        cloth: Palette::default(),
        label,
        grid_shows,
        warnings: Vec::new(),
        pictures: Vec::new(),
    }
}

/// The flat picture, its colours and its cells are always used together.
pub(crate) type Flat = FlatPhoto;

#[cfg(test)]
pub(crate) mod tests;
