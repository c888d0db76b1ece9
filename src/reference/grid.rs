//! Grid mats: printed or woven line grids.
//!
//! Local windows of the photo give seeds, a seed grows over measured cell sides, and a lattice is
//! believed only if its sides are nearly all there and lie rigidly on a plane seen through a lens:
//!
//! 1. [`pyramid`]: ridge response at full size, where thin lines live; both polarities.
//! 2. [`windows`]: seeds, with their candidate periods.
//! 3. [`side`]: one cell side, measured across to a fraction of a pixel and checked along; [`verify`]:
//!    whether a seed's sides are there.
//! 4. [`grow`]: outwards, refitting the [`model`] every round, then a narrow second pass.
//! 5. [`ruling`]: bold lines and finer divisions; [`pitch`]: which ruling is the typed pitch.
//! 6. `orient`: the mat frame.

pub mod grow;
pub mod lattice;
pub mod model;
mod orient;
mod overlay;
pub mod pitch;
pub mod pyramid;
mod rivals;
pub mod ruling;
pub mod side;
pub mod verify;
pub mod windows;

#[cfg(test)]
mod synthetic;
#[cfg(test)]
mod tests;

use image::GrayImage;
use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

pub use overlay::overlay;

use self::grow::{grow, refined};
use self::lattice::{FoundSide, IndexRange, Lattice};
use self::model::{LatticeModel, LocalLattice};
use self::pitch::{Reading, Rulings};
use self::pyramid::{Pyramid, RidgeMaps, ridge_maps};
use self::ruling::{BoldLevels, Divisions, bold_levels, divisions};
use self::verify::{Verified, verify};
use self::windows::{Seed, Windows, seeds};
use super::{Axis, LineSighting, Marking};
use crate::camera::Camera;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::ImagePoint;

/// What the person says about the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridSpec {
    /// Distance between neighbouring lines along x and along y, mm.
    pub pitch_mm: [f64; 2],
}

/// The grid as found: line sightings with indices, in a right-handed mat frame (y up).
#[derive(Debug, Clone, PartialEq)]
pub struct GridSighting {
    /// How it is drawn.
    pub marking: Marking,
    /// Pitch used, mm (x, y).
    pub pitch_mm: [f64; 2],
    /// Every measured cell side.
    pub sides: Vec<LineSighting>,
    /// Bold lines come every so many, and the index of one of them: (period, phase) for x and for y.
    pub bold: [Option<(u32, i32)>; 2],
    /// Finer divisions seen inside one pitch (1 = none).
    pub divisions: u32,
    /// How sure it is that the lines counted are the typed pitch and not a finer or bolder ruling, 0-1.
    pub pitch_confidence: f64,
    /// The plane map and lens the lattice grew on: a good start for the camera fit.
    pub rough: Option<Camera>,
    /// Of the sides whose crossing neighbours are mostly seen, the share seen too (true mats > 0.8).
    pub presence: f64,
    /// Root mean square distance of the sides from the rough camera's lines, px.
    pub rms_px: f64,
    /// Median distance between lines on the photo, px.
    pub pitch_px: f64,
    /// Median width of the lines, px.
    pub line_width_px: f64,
    /// What a person should know although the grid was found.
    pub warnings: Vec<Warning>,
}

impl GridSighting {
    /// A sighting of sides alone, with nothing else known about the grid.
    pub fn from_sides(marking: Marking, pitch_mm: [f64; 2], sides: Vec<LineSighting>) -> Self {
        Self {
            marking,
            pitch_mm,
            sides,
            bold: [None, None],
            divisions: 1,
            pitch_confidence: 1.0,
            rough: None,
            presence: 1.0,
            rms_px: 0.0,
            pitch_px: 0.0,
            line_width_px: 0.0,
            warnings: Vec::new(),
        }
    }

    /// Are the lines wider than print is: out of focus, or no lines?
    pub(crate) fn is_soft(&self, px_per_mm: f64) -> bool {
        let lines = self.marking != Marking::Chequers && self.pitch_mm.iter().all(|p| *p < TILE_MM);
        lines && self.line_width_px > SOFT_PX && self.line_width_px > SOFT_MM * px_per_mm
    }
}

/// Lines this wide, both in pixels and in millimetres, are soft: printed ones are under 0.6 mm.
const SOFT_PX: f64 = 4.5;
const SOFT_MM: f64 = 1.0;
/// A grid wider than this is of tiles, whose joints are wide, mm.
const TILE_MM: f64 = 60.0;
/// Cell sides needed.
const MIN_SIDES: usize = 20;
/// Lines needed in each family.
const MIN_LINES: usize = 4;
/// Seeds verify on the photo with at least this share of their 5 x 5 cells' sides.
const MIN_VERIFIED: f64 = 0.5;
/// Least share of sides seen among those expected.
const MIN_PRESENCE: f64 = 0.7;
/// Largest rms distance from a rigid plane, in pitches. Real mats reach 0.011; checked cloth 0.05.
const MAX_BEND: f64 = 0.02;
/// Lines wider than this share of the pitch are blurred, or no lines: printed ones reach 0.13.
const MAX_WIDTH: f64 = 0.18;
/// Lines this wide are never called blurred, px.
const SHARP_PX: f64 = 2.5;
/// Maps no larger than this are searched first, px.
const FIRST_MAP_PX: u32 = 1100;
/// Cosine of the angle between families (65 degrees) and stretch of its cells from which a lattice cannot be the mat's. A
/// tilt of 35 degrees stretches by 1.22; 1.5 is what every third of one family's lines makes with every second of the other's.
const LARGEST_COSINE: f64 = 0.42;
const LARGEST_STRETCH: f64 = 1.3;
/// Focal length of a long lens, in long sides of the photo, the tilt that a perspective is doubted by, the most that is
/// believed, and the stretch that is allowed besides.
const LONG_FOCAL: f64 = 2.0;
const TILT_SLACK_DEG: f64 = 5.0;
const MOST_TILT_DEG: f64 = 40.0;
const SHAPE_SLACK: f64 = 1.05;
/// A good lattice of this share of the photo ends the search; a smaller one may be checks of the cloth.
const AMPLE_SHARE: f64 = 0.25;
/// Seeds verified per search, and lattices grown.
const MAX_VERIFIED: usize = 64;
/// A seed's crossings this near to a lattice's own, in pitches, are the same ones.
const SAME_PLACE: f64 = 0.12;
/// Seeds verified side by side.
const BATCH: usize = 8;
const MAX_GROWN: usize = 6;

/// How closely a photo is looked through for a grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closeness {
    /// Windows side by side: they show a grid that fills much of the photo.
    Glance,
    /// Overlapping windows too, if those show none.
    Thorough,
}

impl Closeness {
    fn windows(self) -> &'static [Windows] {
        match self {
            Self::Glance => &[Windows::Sparse],
            Self::Thorough => &[Windows::Sparse, Windows::Dense],
        }
    }
}

/// Finds line grids in a photo that was made ready for it.
pub struct Finder<'a> {
    pyramid: Pyramid<'a>,
    maps: Vec<RidgeMaps>,
}

impl<'a> Finder<'a> {
    /// The photo's halvings and the lines that stand out in them.
    pub fn new(luma: &'a GrayImage) -> Self {
        let pyramid = Pyramid::new(luma);
        Self { maps: ridge_maps(&pyramid), pyramid }
    }

    /// Finds the grid.
    ///
    /// # Errors
    /// Those of [`find`].
    pub fn find(&self, spec: &GridSpec, closeness: Closeness) -> Result<GridSighting, Refusal> {
        let pitch_ratio = spec.pitch_mm[0] / spec.pitch_mm[1];
        if !(pitch_ratio.is_finite() && pitch_ratio > 0.05 && pitch_ratio < 20.0 && spec.pitch_mm[0] > 0.0) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                "the grid spacing makes no sense",
                "give the distance between two lines, such as 1in or 1cm",
            ));
        }
        let candidates = candidates(&self.pyramid, &self.maps, pitch_ratio, closeness);
        let (lattice, others) = choose(candidates)?;
        let second = rivals::speak_of(&lattice, &others)?;
        let mut sighting = ruled(self.pyramid.base(), lattice, pitch_ratio, spec).ok_or_else(|| refusal(None))?;
        sighting.warnings.extend(second);
        Ok(sighting)
    }
}

/// Finds the grid in a photo.
///
/// # Errors
/// A refusal that says what was seen instead: no grid, too little of it, or a grid that is not flat.
pub fn find(luma: &GrayImage, spec: &GridSpec) -> Result<GridSighting, Refusal> {
    Finder::new(luma).find(spec, Closeness::Thorough)
}

/// Settles which ruling is the typed pitch and counts in it.
fn ruled(luma: &GrayImage, lattice: Lattice, pitch_ratio: f64, spec: &GridSpec) -> Option<GridSighting> {
    let (lattice, divisions) = finest_own(luma, lattice);
    let lattice = orient::oriented(&lattice, pitch_ratio);
    let bold = both_bold_levels(&lattice);
    let n = divisions.count;
    let mut levels: Vec<u32> = [1, n].into_iter().chain(divisions.levels.iter().copied()).collect();
    levels.extend(agreed_periods(&lattice, &bold).into_iter().map(|p| n * p));
    levels.sort_unstable();
    levels.dedup();
    let view = f64::from(luma.width().max(luma.height())) / lattice.pitch_px * f64::from(n);
    let reading = pitch::read(&Rulings { levels, view }, (spec.pitch_mm[0] * spec.pitch_mm[1]).sqrt());
    if reading.level < n {
        // The typed pitch is finer than the lattice that grew: count in its divisions.
        let parts = n / reading.level;
        let finer = orient::oriented(&refined(luma, &lattice, parts)?, pitch_ratio);
        let bold = both_bold_levels(&finer);
        let counting = Counting { period: 1, phase: [0; 2], divisions: reading.level, bold };
        return sighting(&finer, &counting, reading, spec);
    }
    let period = reading.level / n;
    let phase = [0, 1].map(|f| bold[f].iter().find(|b| b.0 == period).map_or(0, |b| b.1));
    let counting = Counting { period: period as i32, phase, divisions: reading.level, bold };
    sighting(&lattice, &counting, reading, spec)
}

fn both_bold_levels(lattice: &Lattice) -> [BoldLevels; 2] {
    rayon::join(|| bold_levels(lattice, 0), || bold_levels(lattice, 1)).into()
}

/// Replaces the lattice by its divisions as long as they are as strong as its own lines: then it
/// was every second or third of them that grew.
fn finest_own(luma: &GrayImage, lattice: Lattice) -> (Lattice, Divisions) {
    let mut lattice = lattice;
    for _ in 0..3 {
        let found = divisions(luma, &lattice);
        if found.count == 1 || found.weaker {
            return (lattice, found);
        }
        let Some(finer) = refined(luma, &lattice, found.count).filter(|f| fault(f).is_none()) else { break };
        lattice = finer;
    }
    (lattice, Divisions { count: 1, weaker: false, levels: Vec::new() })
}

/// Bold periods both families show, or the only family with lines enough to tell.
fn agreed_periods(lattice: &Lattice, bold: &[BoldLevels; 2]) -> Vec<u32> {
    let lines = lattice.line_counts();
    let periods = |f: usize| bold[f].iter().map(|b| b.0).collect::<Vec<_>>();
    let both = periods(0).into_iter().filter(|p| periods(1).contains(p));
    let alone = (0..2).find(|&f| lines[1 - f] < 12 && !bold[f].is_empty() && bold[1 - f].is_empty());
    match alone {
        Some(family) => periods(family),
        None => both.collect(),
    }
}

/// How the lattice's own lines are counted in typed pitches.
struct Counting {
    /// Lattice lines to the typed pitch.
    period: i32,
    /// Index of one line that counts, per family.
    phase: [i32; 2],
    /// Finest divisions inside a typed pitch.
    divisions: u32,
    /// Bold levels in lattice lines.
    bold: [BoldLevels; 2],
}

impl Counting {
    /// The next bold level above the typed pitch, in typed pitches.
    fn bold_above(&self, family: usize) -> Option<(u32, i32)> {
        let period = self.period.max(1);
        self.bold[family]
            .iter()
            .find(|b| b.0 as i32 > period && (b.0 as i32) % period == 0)
            .map(|&(p, phase)| (p / period as u32, (phase - self.phase[family]).div_euclid(period)))
    }
}

/// Lattices grown from the photo's seeds, good or not.
fn candidates(pyramid: &Pyramid, maps: &[RidgeMaps], pitch_ratio: f64, closeness: Closeness) -> Vec<Lattice> {
    let is_first = |m: &RidgeMaps| m.light.width().max(m.light.height()) <= FIRST_MAP_PX;
    let mut grown: Vec<Lattice> = Vec::new();
    for &windows in closeness.windows() {
        for first in [true, false] {
            let searched = maps.iter().filter(|m| is_first(m) == first);
            let mut found: Vec<Seed> = searched.flat_map(|m| seeds(m, windows)).collect();
            found.sort_by(|a, b| b.strength.total_cmp(&a.strength));
            grow_seeds(pyramid, maps, &found, pitch_ratio, &mut grown);
            if grown.iter().any(|l| fault(l).is_none() && is_ample(l, pyramid.base())) {
                return grown;
            }
        }
        if grown.iter().any(|l| fault(l).is_none()) {
            break;
        }
    }
    grown
}

/// Does a lattice cover so much of the photo that it is hardly a checked garment on a mat of finer lines?
fn is_ample(lattice: &Lattice, photo: &GrayImage) -> bool {
    lattice.area_px() > AMPLE_SHARE * f64::from(photo.width()) * f64::from(photo.height())
}

/// Verifies seeds, strongest first and a few at a time, and grows those that hold.
fn grow_seeds(pyramid: &Pyramid, maps: &[RidgeMaps], seeds: &[Seed], pitch_ratio: f64, grown: &mut Vec<Lattice>) {
    let (mut tried, mut attempts) = (0, 0);
    let mut waiting = seeds.iter();
    while tried < most_verified(grown) && attempts < MAX_GROWN {
        let covered: Vec<(&Lattice, IndexRange)> =
            grown.iter().filter(|l| fault(l).is_none()).map(|l| (l, l.core())).collect();
        let new = |s: &&Seed| !covered.iter().any(|(l, range)| covers(l, range, s));
        let batch: Vec<&Seed> = waiting.by_ref().filter(new).take(BATCH).collect();
        if batch.is_empty() {
            break;
        }
        tried += batch.len();
        let verified: Vec<(Seed, LocalLattice, Verified)> = batch
            .par_iter()
            .filter_map(|seed| {
                let map = maps.iter().find(|m| m.level == seed.level)?;
                let lattices = seed.lattices(map, pitch_ratio);
                if lattices.iter().any(|local| grown.iter().any(|l| continues(l, local))) {
                    return None;
                }
                let (local, verified) = verified_lattice(pyramid, seed.marking, lattices)?;
                Some((**seed, local, verified))
            })
            .collect();
        for (seed, local, verified) in verified {
            let covers = |l: &Lattice| fault(l).is_none() && covers(l, &l.core(), &seed);
            let known = |l: &Lattice| covers(l) || continues(l, &local) || repeats(l, &seed, &local);
            if attempts < MAX_GROWN && !grown.iter().any(known) {
                attempts += 1;
                let fitting = grow(pyramid.base(), &local, seed.marking, &verified).filter(|l| fits(l, pitch_ratio));
                grown.extend(fitting.map(|l| Lattice { in_shape: in_shape(&l, pitch_ratio), ..l }));
            }
        }
    }
}

/// A good lattice needs only a glance at what it does not cover; without one the search goes on.
fn most_verified(grown: &[Lattice]) -> usize {
    if grown.iter().any(|l| fault(l).is_none()) { 2 * BATCH } else { MAX_VERIFIED }
}

/// The finest of the seed's lattices that verifies nearly as well as the best.
///
/// The best share alone would prefer bold lines; the finest that passes would take half the true
/// pitch, every second line of which is there.
fn verified_lattice(
    pyramid: &Pyramid,
    marking: Marking,
    lattices: Vec<LocalLattice>,
) -> Option<(LocalLattice, Verified)> {
    let verified = |l: LocalLattice| (l, verify(pyramid.base(), &l, marking));
    let tried: Vec<(LocalLattice, Verified)> = lattices.into_iter().map(verified).collect();
    let best = tried.iter().map(|(_, v)| v.share).fold(0.0, f64::max);
    tried.into_iter().find(|(_, v)| v.share >= MIN_VERIFIED.max(0.85 * best))
}

/// Does a good lattice already account for the seed's window? All its range does, the garment included.
fn covers(lattice: &Lattice, core: &IndexRange, seed: &Seed) -> bool {
    lattice.model.index_from_image(seed.place()).is_some_and(|index| {
        (0..2).all(|f| index[f] > f64::from(core[f][0] - 1) && index[f] < f64::from(core[f][1] + 1))
    })
}

/// Is the seed's lattice a good one's own, seen further out?
fn continues(lattice: &Lattice, local: &LocalLattice) -> bool {
    let near = |at: Vector2<f64>| (0..2).all(|f| (at[f] - at[f].round()).abs() < SAME_PLACE);
    let index = |at| lattice.model.index_from_image(at);
    fault(lattice).is_none()
        && index(local.origin).is_some_and(|at| {
            let step = |by: Vector2<f64>| index(local.origin + by).map(|to| to - at);
            let (Some(u), Some(v)) = (step(local.u), step(local.v)) else { return false };
            let one = |d: Vector2<f64>| near(d) && (d.x.round().abs() + d.y.round().abs() - 1.0).abs() < 0.5;
            near(at) && one(u) && one(v)
        })
}

/// Would the seed only grow the same bad lattice again?
fn repeats(lattice: &Lattice, seed: &Seed, local: &LocalLattice) -> bool {
    let spacing = (local.u.norm() * local.v.norm()).sqrt() / lattice.pitch_px;
    let reach = seed.radius_px().max(2.0 * lattice.pitch_px);
    let near = lattice.sides.iter().filter(|s| s.at.distance(seed.place()) < reach).count();
    let expected = 2.0 * std::f64::consts::PI * (reach / lattice.pitch_px).powi(2);
    fault(lattice).is_some() && (0.8..1.25).contains(&spacing) && near as f64 > 0.3 * expected
}

/// Why a lattice is not to be believed.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    TooSmall,
    Gaps,
    Bent,
    Blurred,
    OutOfShape,
}

fn fault(lattice: &Lattice) -> Option<Fault> {
    let lines = lattice.line_counts();
    if lattice.rms_px > MAX_BEND * lattice.pitch_px {
        Some(Fault::Bent)
    } else if lattice.presence < MIN_PRESENCE {
        Some(Fault::Gaps)
    } else if lattice.sides.len() < MIN_SIDES || lines.iter().any(|&n| n < MIN_LINES) {
        Some(Fault::TooSmall)
    } else if lattice.width_px > (MAX_WIDTH * lattice.pitch_px).max(SHARP_PX) {
        Some(Fault::Blurred)
    } else if !lattice.in_shape {
        Some(Fault::OutOfShape)
    } else {
        None
    }
}

/// Are a lattice's cells, in the middle of the photo, such as a tilted view shows rectangles of this shape?
///
/// There a tilt only shortens one way: up to 35 degrees right angles stay within 78 and 102 degrees, and a square's sides
/// within 0.82 of each other. Lines of one family with printed diagonals, or with every second of the other's, form
/// whole lattices too: they do not fit.
fn fits(lattice: &Lattice, pitch_ratio: f64) -> bool {
    let Some(middle) = lattice.model.index_from_image(lattice.model.lens().centre) else { return false };
    let steps = lattice.model.steps(middle.x, middle.y);
    let (u, v) = (steps.column(0), steps.column(1));
    let square_on = u.dot(&v).abs() < LARGEST_COSINE * u.norm() * v.norm();
    let ratio = u.norm() / v.norm();
    let near = |r: f64| (1.0 / LARGEST_STRETCH..=LARGEST_STRETCH).contains(&(ratio / r));
    square_on && (near(pitch_ratio) || near(1.0 / pitch_ratio))
}

/// Are its cells stretched no more than the tilt that its perspective tells of would do?
///
/// What the tilt is depends on the focal length: it is taken for a long lens's. Where every fourth line of one family is
/// seen and every fifth of the other's, the lattice fits a tilt that it shows no perspective of.
fn in_shape(lattice: &Lattice, pitch_ratio: f64) -> bool {
    let centre = lattice.model.lens().centre;
    let long_px = 2.0 * centre.x.max(centre.y);
    let steps = |dx: f64, dy: f64| {
        let index = lattice.model.index_from_image(ImagePoint::new(centre.x + dx, centre.y + dy))?;
        Some(lattice.model.steps(index.x, index.y))
    };
    let apart = 0.125 * long_px;
    // Areas shrink by the third power of the distance, lengths by half of that.
    let nearness = |dx: f64, dy: f64| Some(steps(dx, dy)?.determinant().abs().ln() / 3.0);
    let slope = |dx: f64, dy: f64| Some((nearness(dx, dy)? - nearness(-dx, -dy)?) / (2.0 * apart));
    let (Some(across), Some(down), Some(steps)) = (slope(apart, 0.0), slope(0.0, apart), steps(0.0, 0.0)) else {
        return true;
    };
    let tilt = (LONG_FOCAL * long_px * across.hypot(down)).atan() + TILT_SLACK_DEG.to_radians();
    let most = SHAPE_SLACK / tilt.min(MOST_TILT_DEG.to_radians()).cos();
    let ratio = steps.column(0).norm() / steps.column(1).norm();
    let near = |r: f64| (1.0 / most..=most).contains(&(ratio / r));
    near(pitch_ratio) || near(1.0 / pitch_ratio)
}

/// The lattice to measure by, and the other good ones.
///
/// The largest and most complete wins, but never one that lies on another: checked cloth may be as
/// large as what is seen of the mat, yet the mat goes on around it.
fn choose(candidates: Vec<Lattice>) -> Result<(Lattice, Vec<Lattice>), Refusal> {
    let weight = |l: &Lattice| l.area_px() * l.presence;
    let (mut good, mut bad): (Vec<_>, Vec<_>) = candidates.into_iter().partition(|l| fault(l).is_none());
    if good.is_empty() {
        // The photo itself may be stretched: the camera's fit will tell.
        let (stretched, rest) = bad.into_iter().partition(|l| fault(l) == Some(Fault::OutOfShape));
        (good, bad) = (stretched, rest);
        good.iter_mut().for_each(|l| l.in_shape = true);
    }
    // Where fine lines are smeared, every second or third of them may still pass: a wrong scale.
    let smeared = |l: &Lattice| {
        bad.iter()
            .any(|b| fault(b) == Some(Fault::Blurred) && b.pitch_px < 0.8 * l.pitch_px && rivals::lies_within(l, b))
    };
    good.retain(|l| !smeared(l));
    let on_another = |i: usize| {
        (0..good.len())
            .any(|j| j != i && rivals::lies_within(&good[i], &good[j]) && !rivals::lies_within(&good[j], &good[i]))
    };
    let best =
        (0..good.len()).filter(|&i| !on_another(i)).max_by(|&i, &j| weight(&good[i]).total_cmp(&weight(&good[j])));
    match best {
        Some(best) => Ok((good.swap_remove(best), good)),
        None => Err(refusal(bad.into_iter().max_by(|a, b| weight(a).total_cmp(&weight(b))))),
    }
}

fn refusal(best: Option<Lattice>) -> Refusal {
    let none = || {
        Refusal::new(
            RefusalKind::NoReference,
            "no grid of straight, evenly spaced lines was found",
            "lay the garment on a gridded mat with the mat visible all round it, in even light, and retake; \
             or give another kind of reference",
        )
    };
    let Some(lattice) = best else { return none() };
    let lines = lattice.line_counts();
    match fault(&lattice) {
        Some(Fault::TooSmall) => Refusal::new(
            RefusalKind::TooLittleReference,
            format!(
                "found {} grid lines one way and {} the other ({} cell sides), 4 each way and 20 sides are needed",
                lines[0],
                lines[1],
                lattice.sides.len()
            ),
            "retake with more of the mat in view",
        ),
        Some(Fault::Blurred) => Refusal::new(
            RefusalKind::PoorPhoto,
            format!(
                "the grid's lines are smeared to {:.0} pixels, their distance being {:.0}",
                lattice.width_px, lattice.pitch_px
            ),
            "the photo is blurred: wipe the lens, hold the camera still or use its timer, tap to focus on the mat, retake",
        ),
        Some(Fault::Bent) if lattice.sides.len() >= MIN_SIDES && lattice.presence >= MIN_PRESENCE => Refusal::new(
            RefusalKind::UnevenReference,
            format!(
                "the only grid found is not flat and even ({:.0} % of a cell off on average)",
                100.0 * lattice.rms_px / lattice.pitch_px
            ),
            "lay the mat on a hard level table; checked cloth cannot stand in for a mat",
        ),
        _ => none(),
    }
}

fn sighting(lattice: &Lattice, counting: &Counting, reading: Reading, spec: &GridSpec) -> Option<GridSighting> {
    let period = counting.period.max(1);
    let counts = |s: &&FoundSide| (s.line - counting.phase[s.family]).rem_euclid(period) == 0;
    let sides = lattice.sides.iter().filter(counts).map(|s| LineSighting {
        at: s.at,
        axis: if s.family == 0 { Axis::X } else { Axis::Y },
        index: (s.line - counting.phase[s.family]).div_euclid(period),
        along: (f64::from(s.along - counting.phase[1 - s.family]) + 0.5) / f64::from(period),
        contrast: s.contrast,
    });
    let phase = Vector2::new(f64::from(counting.phase[0]), f64::from(counting.phase[1]));
    let model = lattice.model.recounted(1.0 / f64::from(period), phase);
    Some(GridSighting {
        marking: lattice.marking,
        pitch_mm: spec.pitch_mm,
        sides: sides.collect(),
        bold: [0, 1].map(|f| counting.bold_above(f)),
        divisions: counting.divisions,
        pitch_confidence: reading.confidence,
        rough: Some(rough_camera(&model, spec)?),
        presence: lattice.presence,
        rms_px: lattice.rms_px,
        pitch_px: lattice.pitch_px * f64::from(period),
        line_width_px: lattice.width_px,
        warnings: reading.warnings,
    })
}

/// The lattice's model as a camera over millimetres.
fn rough_camera(model: &LatticeModel, spec: &GridSpec) -> Option<Camera> {
    let [x, y] = spec.pitch_mm;
    let index_from_mat = Matrix3::from_diagonal(&Vector3::new(1.0 / x, 1.0 / y, 1.0));
    Camera::new(model.undistorted_from_index() * index_from_mat, model.lens())
}
