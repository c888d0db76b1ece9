//! Finding what is of known size in the photo, and what was seen of it.

pub mod body;
pub mod cards;
pub mod chequers;
pub mod grid;
pub(crate) mod light;
pub mod ruler;
pub mod sheet;
pub mod tiles;
mod unusable;

use std::sync::OnceLock;

use image::GrayImage;
use rayon::prelude::*;

use self::grid::{Closeness, GridSighting, GridSpec};
use crate::camera::fit;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::ImagePoint;

/// Smallest pitch of a tile, mm. A mat's bold lines stand further apart than the pitch typed: below
/// this they must not be taken for joints of that pitch.
const LEAST_TILE_MM: f64 = 60.0;

/// How much more a board counts than a weak line grid as well supported: the soft rims of a blurred board's squares pass
/// for lines of another pitch, and no lines make squares light and dark in turn.
const BOARD_OVER_LINES: f64 = 1.5;

/// Support from which a board is the reference although lines were counted on it, or fell out uneven.
const AMPLE_BOARD: f64 = 0.15;

/// Finds the reference in a photo: a line grid, else a chequered board or a tile floor.
///
/// The others are tried only where the line grid was not found, or weakly. The best supported wins
/// (share of the photo it spans, sides present, closeness of the fit); a board or floor is named in a
/// warning, so that a person sees what the size was taken from.
///
/// # Errors
/// No reference, too little of one, or one that contradicts the pitch typed.
pub fn find(luma: &GrayImage, spec: &GridSpec) -> Result<GridSighting, Refusal> {
    let lines = grid::Finder::new(luma);
    let others = Others::new(luma, spec);
    if wide(spec) {
        // Where lines lie so far apart a floor is likelier than a small grid of fine ones, which only a closer look shows.
        let found = best(luma, lines.find(spec, Closeness::Glance), &others);
        if !found.as_ref().is_err_and(|refusal| is_vague(refusal) || is_uneven(refusal)) {
            return found;
        }
    }
    let found = best(luma, lines.find(spec, Closeness::Thorough), &others);
    found.map_err(|refusal| if is_vague(&refusal) { unusable::reason(luma).unwrap_or(refusal) } else { refusal })
}

/// What else a reference may be than lines, looked for once and only where it is asked for.
struct Others<'a> {
    luma: &'a GrayImage,
    spec: &'a GridSpec,
    board: OnceLock<Option<GridSighting>>,
    floor: OnceLock<Option<GridSighting>>,
}

impl<'a> Others<'a> {
    fn new(luma: &'a GrayImage, spec: &'a GridSpec) -> Self {
        Self { luma, spec, board: OnceLock::new(), floor: OnceLock::new() }
    }

    fn board(&self) -> Option<GridSighting> {
        let find = || chequers::find(self.luma, self.spec).ok().map(|b| said(b, "chequers-used", "chequered board"));
        self.board.get_or_init(find).clone()
    }

    fn floor(&self) -> Option<GridSighting> {
        let find = || tiles::find(self.luma, self.spec).ok().map(|f| said(f, "tiles-used", "floor of tiles"));
        self.floor.get_or_init(|| if wide(self.spec) { find() } else { None }).clone()
    }
}

/// The lines, or what is better supported than they are.
fn best(luma: &GrayImage, lines: Result<GridSighting, Refusal>, others: &Others<'_>) -> Result<GridSighting, Refusal> {
    match &lines {
        Ok(found) if chequers::are_borders(luma, found) || too_wide(found) => return board_or(luma, lines, others),
        Ok(found) if !weak(found) => return lines,
        // A grid that contradicts the pitch typed must not be overruled by a coarser one that seems to agree.
        Err(refusal) if refusal.kind == RefusalKind::ContradictoryReference => return board_or(luma, lines, others),
        // A weave may pass for a grid that is not flat, and lie on a board or a floor that is.
        Err(refusal) if is_uneven(refusal) => {
            return board_or(luma, lines, others).or_else(|refusal| others.floor().ok_or(refusal));
        }
        _ => {}
    }
    let (board, floor) = rayon::join(|| others.board(), || others.floor());
    let refusal = lines.as_ref().err().cloned();
    let counted = |s: GridSighting| {
        let worth = if s.marking == Marking::Chequers { BOARD_OVER_LINES } else { 1.0 };
        (worth * support(&s, luma.dimensions()), s)
    };
    let all = [lines.ok(), board, floor].into_iter().flatten().map(counted);
    let best = all.max_by(|a, b| a.0.total_cmp(&b.0));
    best.map(|(_, sighting)| sighting).ok_or_else(|| refusal.unwrap_or_else(nothing))
}

/// A board that spans much of the photo and is flat and even, else what was found of lines.
///
/// Borders of a board's squares pass for lines of twice the pitch, or of two pitches; its dark squares, corner to corner, for
/// wide lines aslant.
fn board_or(
    luma: &GrayImage,
    lines: Result<GridSighting, Refusal>,
    others: &Others<'_>,
) -> Result<GridSighting, Refusal> {
    let ample = |b: &GridSighting| support(b, luma.dimensions()) > AMPLE_BOARD;
    others.board().filter(ample).map_or(lines, Ok)
}

/// Was nothing found that could be told more of?
fn is_vague(refusal: &Refusal) -> bool {
    matches!(refusal.kind, RefusalKind::NoReference | RefusalKind::TooLittleReference)
}

fn is_uneven(refusal: &Refusal) -> bool {
    refusal.kind == RefusalKind::UnevenReference
}

fn nothing() -> Refusal {
    Refusal::new(
        RefusalKind::NoReference,
        "no grid, chequered board or tile floor was found",
        "lay the garment on a gridded mat with lines in view on all sides of it, and retake from above",
    )
}

fn wide(spec: &GridSpec) -> bool {
    spec.pitch_mm.iter().all(|&p| p >= LEAST_TILE_MM)
}

/// Are the lines wider than print is?
fn too_wide(found: &GridSighting) -> bool {
    let pitch_mm = 0.5 * (found.pitch_mm[0] + found.pitch_mm[1]);
    found.is_soft(found.pitch_px / pitch_mm)
}

/// Too little of a line grid, or too far from rigid, to be taken without looking for something better.
fn weak(found: &GridSighting) -> bool {
    found.sides.len() < 80 || found.presence < 0.8 || found.rms_px > 0.011 * found.pitch_px
}

fn said(mut sighting: GridSighting, code: &str, what: &str) -> GridSighting {
    let [x, y] = sighting.pitch_mm;
    let size = if x == y { format!("{x:.1} mm") } else { format!("{x:.1} by {y:.1} mm") };
    sighting.warnings.push(Warning::new(
        code,
        format!("the size was taken from a {what}, each square being {size}: check that this is what is in the photo"),
    ));
    sighting
}

/// How well a sighting is supported, 0 to 1: share of the photo spanned, presence, closeness to a rigid plane.
fn support(sighting: &GridSighting, size: (u32, u32)) -> f64 {
    let Ok(fitted) = fit(sighting, size, None) else { return 0.0 };
    let (first, last) = sighting.sides.iter().fold(
        (ImagePoint::new(f64::INFINITY, f64::INFINITY), ImagePoint::new(f64::NEG_INFINITY, f64::NEG_INFINITY)),
        |(a, b), s| {
            let (x, y) = (s.at.x, s.at.y);
            (ImagePoint::new(a.x.min(x), a.y.min(y)), ImagePoint::new(b.x.max(x), b.y.max(y)))
        },
    );
    let area = (last.x - first.x) * (last.y - first.y) / (f64::from(size.0) * f64::from(size.1));
    area.clamp(0.0, 1.0) * sighting.presence * (1.0 - fitted.residual.cell_share / 0.02).max(0.0)
}

/// Which mat coordinate a sighting pins down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// The line runs along y; its x is known.
    X,
    /// The line runs along x; its y is known.
    Y,
}

/// A printed line seen over one side of one grid cell: one perpendicular measurement.
///
/// It says: the point `at` of the photo lies on the mat line `x = index * pitch` (axis X) or
/// `y = index * pitch` (axis Y); along the line only the rough place `along` is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSighting {
    /// Middle of the side, on the line, in the photo.
    pub at: ImagePoint,
    /// Which coordinate is known.
    pub axis: Axis,
    /// Index of the line within its family.
    pub index: i32,
    /// Place along the line, in cells (the side from 3 to 4 has 3.5).
    pub along: f64,
    /// Contrast of the line over its ground, grey levels.
    pub contrast: f64,
}

/// How the reference looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Marking {
    /// Lines lighter than the ground.
    LightLines,
    /// Lines darker than the ground.
    DarkLines,
    /// Squares light and dark in turn.
    Chequers,
}

/// The photo reduced by a whole factor, each pixel the mean of its block.
fn reduce(luma: &GrayImage, factor: u32) -> GrayImage {
    if factor <= 1 {
        return luma.clone();
    }
    let (width, height) = (luma.width() / factor, luma.height() / factor);
    let (stride, f) = (luma.width() as usize, factor as usize);
    let mut out = vec![0u8; width as usize * height as usize];
    out.par_chunks_mut(width.max(1) as usize).enumerate().for_each(|(y, row)| {
        // Down first: the processor takes many columns at a time.
        let mut columns = vec![0u32; stride];
        for line in luma.as_raw().chunks_exact(stride).skip(y * f).take(f) {
            columns.iter_mut().zip(line).for_each(|(sum, v)| *sum += u32::from(*v));
        }
        for (to, block) in row.iter_mut().zip(columns.chunks_exact(f)) {
            *to = (block.iter().sum::<u32>() / (factor * factor)) as u8;
        }
    });
    GrayImage::from_raw(width, height, out).unwrap_or_default()
}

#[cfg(test)]
mod tests;
