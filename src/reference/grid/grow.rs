//! From a seed of a few cells to the whole lattice: predict sides further out, measure, refit.
//!
//! The reach of every round is bounded twice: by the lattice's own extent, and by the predicted
//! doubt of the place looked at, so that an index is never guessed across a hidden stretch. The
//! doubt counts lines, not sides, as observations: neighbouring sides share the mat's unevenness.

use rayon::prelude::*;

use super::model::{Covariance, FitQuality, Freedom, LatticeModel, LocalLattice, OnLine};
use super::pyramid::Pyramid;
use super::side::{Scratch, Side, SideProbe, Trace, measure};
use crate::reference::Marking;
use crate::units::ImagePoint;

/// Largest index, in cells from the seed.
const MAX_CELLS: i32 = 500;

/// Rounds of growth; each may reach half as far again.
const ROUNDS: usize = 14;

/// The share of the pitch a side's prediction may be off before it is not looked for: three
/// standard deviations within 0.3 pitch.
const DOUBT_LIMIT: f64 = 0.1;

/// A cell side found on the photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FoundSide {
    /// 0: on the line a = `line`; 1: on the line b = `line`.
    pub family: usize,
    /// Index of its line.
    pub line: i32,
    /// It runs from crossing `along` to `along + 1`.
    pub along: i32,
    /// A point on the line, in the middle of the side.
    pub at: ImagePoint,
    /// Height of the line over the ground, grey levels.
    pub contrast: f64,
    /// Contrast x width, grey levels x px.
    pub ink: f64,
}

impl FoundSide {
    /// The side as an observation for the fit.
    pub fn on_line(&self) -> OnLine {
        OnLine { family: self.family, line: f64::from(self.line), along: f64::from(self.along) + 0.5, at: self.at }
    }
}

/// A lattice as grown.
#[derive(Debug, Clone)]
pub struct Lattice {
    /// How its lines look.
    pub marking: Marking,
    /// For chequers: is the border at (0, 0) rising?
    pub rising: bool,
    /// Where its crossings are seen.
    pub model: LatticeModel,
    /// Sides found, outliers removed.
    pub sides: Vec<FoundSide>,
    /// What the fit is worth.
    pub quality: FitQuality,
    /// Terms let free in the last fit.
    pub freedom: Freedom,
    /// Median local pitch, px.
    pub pitch_px: f64,
    /// Sides found / sides whose four crossing neighbours are mostly found.
    pub presence: f64,
    /// Median line width, px.
    pub width_px: f64,
}

impl Lattice {
    /// Root mean square distance of sides from their model lines, px.
    pub fn rms_px(&self) -> f64 {
        let sum: f64 = self.sides.iter().map(|s| self.model.distance(&s.on_line()).powi(2)).sum();
        (sum / self.sides.len().max(1) as f64).sqrt()
    }

    /// Number of lines with at least two sides, per family.
    pub fn line_counts(&self) -> [usize; 2] {
        line_counts(&self.sides)
    }

    /// Area of the cells seen, px^2: half of the sides, each one cell.
    pub fn area_px(&self) -> f64 {
        0.5 * self.sides.len() as f64 * self.pitch_px * self.pitch_px
    }

    /// Range of indices seen: [a, b] x [least, greatest].
    pub fn bounds(&self) -> [[i32; 2]; 2] {
        Bounds::around(&self.sides).0
    }

    /// Covariance of the model, counting lines (not sides) as observations.
    pub fn covariance(&self) -> Covariance {
        covariance(&self.quality, &self.sides, self.pitch_px)
    }
}

fn line_counts(sides: &[FoundSide]) -> [usize; 2] {
    [0, 1].map(|family| {
        let mut lines: Vec<i32> = sides.iter().filter(|s| s.family == family).map(|s| s.line).collect();
        lines.sort_unstable();
        lines.chunk_by(|a, b| a == b).filter(|run| run.len() >= 2).count()
    })
}

fn covariance(quality: &FitQuality, sides: &[FoundSide], pitch_px: f64) -> Covariance {
    let lines: usize = line_counts(sides).iter().sum();
    let sigma = quality.sigma_px.max(0.004 * pitch_px).max(0.1);
    quality.spread * (sigma * sigma * sides.len() as f64 / lines.max(1) as f64)
}

/// The two kinds of border along a chequered family alternate; lines do not.
fn trace_of(marking: Marking, rising: bool, line: i32, along: i32) -> Trace {
    match marking {
        Marking::LightLines => Trace::Light,
        Marking::DarkLines => Trace::Dark,
        Marking::Chequers => Trace::Step { rising: rising == ((line + along).rem_euclid(2) == 0) },
    }
}

/// Checks a seed over the 5 x 5 cells around it and says which share of the sides shows a line.
///
/// Tries several line widths and, for chequers, both colourings; the best is returned with the arm
/// (px from the line's middle to its ground).
pub fn verify(luma: &image::GrayImage, seed: &LocalLattice, marking: Marking) -> Verified {
    let (width, height) = luma.dimensions();
    let model = LatticeModel::from_local(seed, width, height);
    let pitch = seed.u.norm().min(seed.v.norm());
    let mut best = Verified { share: 0.0, arm_px: 3.0, rising: false, contrast: 0.0 };
    let colourings: &[bool] = if marking == Marking::Chequers { &[false, true] } else { &[false] };
    let mut scratch = Scratch::default();
    for &rising in colourings {
        let mut arm_px = 3.0_f64.min(pitch * 0.25);
        while arm_px <= 0.25 * pitch || arm_px <= 3.0 {
            let (mut seen, mut found, mut contrast) = (0, 0, 0.0);
            for (family, line, along) in seed_sides() {
                let search = pitch * if line.abs() + along.abs() > 2 { 0.2 } else { 0.15 };
                let trace = trace_of(marking, rising, line, along);
                let Some(probe) = probe(&model, family, line, along, search, arm_px, 1, trace) else { continue };
                let Some(inside) = inside(luma, &probe) else { continue };
                seen += usize::from(inside);
                if let Some(side) = measure(luma, &probe, &mut scratch) {
                    found += 1;
                    contrast += side.contrast;
                }
            }
            let share = if seen >= 24 { found as f64 / seen as f64 } else { 0.0 };
            let contrast = contrast / f64::from(found.max(1) as u32);
            if share > best.share + 0.02 || (share > best.share - 0.02 && contrast > 1.3 * best.contrast) {
                best = Verified { share, arm_px, rising, contrast };
            }
            arm_px *= 1.7;
        }
    }
    best
}

/// What [`verify`] saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verified {
    /// Share of the sides inside the photo that show a line.
    pub share: f64,
    /// Where the ground was read, px from the line's middle.
    pub arm_px: f64,
    /// For chequers: the border at (0, 0) gets lighter towards higher index.
    pub rising: bool,
    /// Mean contrast of the sides found, grey levels.
    pub contrast: f64,
}

fn seed_sides() -> impl Iterator<Item = (usize, i32, i32)> {
    (0..2).flat_map(|family| (-2..=3).flat_map(move |line| (-2..=2).map(move |along| (family, line, along))))
}

fn inside(luma: &image::GrayImage, probe: &SideProbe) -> Option<bool> {
    let margin = probe.search_px + probe.arm_px + 3.0;
    let (w, h) = (f64::from(luma.width()) - margin, f64::from(luma.height()) - margin);
    Some(probe.ends.iter().all(|p| p.x > margin && p.y > margin && p.x < w && p.y < h))
}

#[allow(clippy::too_many_arguments)]
fn probe(
    model: &LatticeModel,
    family: usize,
    line: i32,
    along: i32,
    search_px: f64,
    arm_px: f64,
    rows: usize,
    trace: Trace,
) -> Option<SideProbe> {
    let (line, along) = (f64::from(line), f64::from(along));
    let at = |t: f64| if family == 0 { (line, along + t) } else { (along + t, line) };
    let (ends, middle) = ([at(0.0), at(1.0)], at(0.5));
    if !ends.iter().all(|&(a, b)| model.is_regular(a, b)) {
        return None;
    }
    let ends = ends.map(|(a, b)| model.image_from_index(a, b));
    let normal = model.line_normal(family, middle.0, middle.1);
    let step_px = (arm_px / 4.0).clamp(0.5, 4.0);
    Some(SideProbe { ends, normal, search_px, arm_px, step_px, rows, trace })
}

/// Grows a verified seed over the photo. `None` if nothing rigid comes of it.
pub fn grow(pyramid: &Pyramid, seed: &LocalLattice, marking: Marking, verified: &Verified) -> Option<Lattice> {
    let luma = pyramid.base();
    let model = LatticeModel::from_local(seed, luma.width(), luma.height());
    grow_from(luma, model, marking, verified)
}

/// Grows from any model that is right over a few cells around its crossing (0, 0).
pub fn grow_from(
    luma: &image::GrayImage,
    model: LatticeModel,
    marking: Marking,
    verified: &Verified,
) -> Option<Lattice> {
    let mut growth = Growth::new(luma, model, marking, verified);
    growth.run()?;
    growth.finish()
}

/// Looks for a line a fraction of a cell after the given side, `n` such lines to the cell.
pub fn measure_fraction(
    luma: &image::GrayImage,
    lattice: &Lattice,
    side: &FoundSide,
    fraction: f64,
    n: u32,
    scratch: &mut Scratch,
) -> Option<Side> {
    let line = f64::from(side.line) + fraction;
    let at = |t: f64| {
        let along = f64::from(side.along) + t;
        if side.family == 0 { (line, along) } else { (along, line) }
    };
    let ends = [at(0.0), at(1.0)].map(|(a, b)| lattice.model.image_from_index(a, b));
    let (a, b) = at(0.5);
    let part = lattice.model.steps(a, b).column(side.family).norm() / f64::from(n);
    let arm_px = arm_for(lattice.width_px, lattice.pitch_px).min(0.35 * part);
    let probe = SideProbe {
        ends,
        normal: lattice.model.line_normal(side.family, a, b),
        search_px: (0.15 * part).max(1.0),
        arm_px,
        step_px: (arm_px / 4.0).clamp(0.3, 1.0),
        rows: 4,
        trace: trace_of(lattice.marking, lattice.rising, side.line, side.along),
    };
    measure(luma, &probe, scratch)
}

/// The lattice counted `n` times finer, measured anew over the same ground in one narrow pass.
pub fn refined(luma: &image::GrayImage, like: &Lattice, n: u32) -> Option<Lattice> {
    let model = like.model.recounted(f64::from(n), nalgebra::Vector2::zeros());
    let arm_px = arm_for(like.width_px, like.pitch_px);
    let verified = Verified { share: 1.0, arm_px, rising: like.rising, contrast: 0.0 };
    let mut growth = Growth::new(luma, model, like.marking, &verified);
    growth.freedom = like.freedom;
    growth.bounds = like.bounds().map(|range| range.map(|i| (i * n as i32).clamp(-3 * MAX_CELLS, 3 * MAX_CELLS)));
    // The spread belongs to the old counting; `finish` only needs the sigma before it fits anew.
    growth.quality = Some(like.quality);
    growth.pitch_px = like.pitch_px / f64::from(n);
    growth.width_px = like.width_px;
    growth.finish()
}

/// The ground is read 1.1 line widths and a little from the middle.
fn arm_for(width_px: f64, pitch_px: f64) -> f64 {
    (1.1 * width_px + 1.5).max(2.5).min(0.3 * pitch_px)
}

struct Bounds([[i32; 2]; 2]);

impl Bounds {
    fn around(sides: &[FoundSide]) -> Self {
        let mut b = [[i32::MAX, i32::MIN]; 2];
        for s in sides {
            let (line, along) = (s.family, 1 - s.family);
            b[line] = [b[line][0].min(s.line), b[line][1].max(s.line)];
            b[along] = [b[along][0].min(s.along), b[along][1].max(s.along + 1)];
        }
        if sides.is_empty() { Self([[0, 0]; 2]) } else { Self(b) }
    }

    fn grown(&self) -> [[i32; 2]; 2] {
        self.0.map(|[low, high]| {
            let by = ((high - low) as f64 * 0.5).ceil().max(2.0) as i32;
            [(low - by).max(-MAX_CELLS), (high + by).min(MAX_CELLS)]
        })
    }
}

struct Growth<'a> {
    luma: &'a image::GrayImage,
    model: LatticeModel,
    marking: Marking,
    rising: bool,
    arm_px: f64,
    width_px: f64,
    pitch_px: f64,
    sides: Vec<FoundSide>,
    quality: Option<FitQuality>,
    freedom: Freedom,
    bounds: [[i32; 2]; 2],
}

impl<'a> Growth<'a> {
    fn new(luma: &'a image::GrayImage, model: LatticeModel, marking: Marking, verified: &Verified) -> Self {
        let steps = model.steps(0.0, 0.0);
        Self {
            luma,
            model,
            marking,
            rising: verified.rising,
            arm_px: verified.arm_px,
            width_px: verified.arm_px / 2.0,
            pitch_px: steps.column(0).norm().min(steps.column(1).norm()),
            sides: Vec::new(),
            quality: None,
            freedom: Freedom::Affine,
            bounds: [[-2, 3]; 2],
        }
    }

    fn run(&mut self) -> Option<()> {
        for _ in 0..ROUNDS {
            let before = self.sides.len();
            let freedom = self.freedom;
            self.look_further();
            self.drop_unsupported();
            if self.sides.len() < 8 {
                return None;
            }
            self.refit(false)?;
            let next = Bounds::around(&self.sides).grown();
            let grew = self.sides.len() as f64 > before as f64 * 1.005 + 0.5;
            if !grew && next == self.bounds && freedom == self.freedom {
                break;
            }
            self.bounds = next;
        }
        Some(())
    }

    /// Measures every side within the bounds.
    fn look_further(&mut self) {
        let covariance = self.quality.map(|q| covariance(&q, &self.sides, self.pitch_px));
        let rows = 2;
        self.sides = self.measure_all(covariance.as_ref(), rows, None);
    }

    fn measure_all(&self, covariance: Option<&Covariance>, rows: usize, narrow: Option<f64>) -> Vec<FoundSide> {
        let candidates: Vec<(usize, i32)> =
            (0..2).flat_map(|f| (self.bounds[f][0]..=self.bounds[f][1]).map(move |line| (f, line))).collect();
        candidates
            .par_iter()
            .map_init(Scratch::default, |scratch, &(family, line)| {
                let range = self.bounds[1 - family];
                (range[0]..range[1])
                    .filter_map(|along| self.measure_side(family, line, along, covariance, rows, narrow, scratch))
                    .collect::<Vec<_>>()
            })
            .flatten()
            .collect()
    }

    #[allow(clippy::too_many_arguments)]
    fn measure_side(
        &self,
        family: usize,
        line: i32,
        along: i32,
        covariance: Option<&Covariance>,
        rows: usize,
        narrow: Option<f64>,
        scratch: &mut Scratch,
    ) -> Option<FoundSide> {
        let middle = f64::from(along) + 0.5;
        let (a, b) = if family == 0 { (f64::from(line), middle) } else { (middle, f64::from(line)) };
        if !self.model.is_regular(a, b) {
            return None;
        }
        let at = self.model.image_from_index(a, b);
        let (w, h) = (f64::from(self.luma.width()), f64::from(self.luma.height()));
        if !(at.x > 2.0 && at.y > 2.0 && at.x < w - 3.0 && at.y < h - 3.0) {
            return None;
        }
        let pitch = self.model.steps(a, b).column(family).norm();
        let search = match (narrow, covariance) {
            (Some(px), _) => px.min(0.25 * pitch),
            (None, Some(c)) => {
                let doubt = self.model.predicted_sigma(family, f64::from(line), middle, c);
                if doubt > DOUBT_LIMIT * pitch {
                    return None;
                }
                (4.0 * doubt).max(0.08 * pitch).max(2.0).min(pitch / 3.0)
            }
            (None, None) => 0.2 * pitch,
        };
        let trace = trace_of(self.marking, self.rising, line, along);
        let arm = self.arm_px.min(0.3 * pitch);
        let mut probe = probe(&self.model, family, line, along, search, arm, rows, trace)?;
        if narrow.is_some() {
            probe.step_px = (self.width_px / 3.0).clamp(0.2, 0.5);
        }
        let side: Side = measure(self.luma, &probe, scratch)?;
        Some(FoundSide {
            family,
            line,
            along,
            at: at + probe.normal * side.offset_px,
            contrast: side.contrast,
            ink: side.ink,
        })
    }

    /// Drops sides with too few neighbours: chance hits on wood and cloth stand alone.
    fn drop_unsupported(&mut self) {
        for _ in 0..2 {
            let table = SideTable::new(&self.sides);
            let small = self.sides.len() < 30;
            let needed = if small { 2 } else { 3 };
            let keep: Vec<bool> = self.sides.iter().map(|s| table.support(s) >= needed).collect();
            let mut kept = keep.iter();
            self.sides.retain(|_| *kept.next().unwrap_or(&true));
        }
    }

    fn refit(&mut self, last: bool) -> Option<()> {
        let counts = line_counts(&self.sides);
        // A thousand sides settle ten terms; more would only cost time while growing.
        let thinned = if last { 1 } else { self.sides.len().div_ceil(1000).max(1) };
        let observations: Vec<OnLine> = self.sides.iter().step_by(thinned).map(FoundSide::on_line).collect();
        let diagonal = f64::from(self.luma.width()).hypot(f64::from(self.luma.height()));
        let wanted = if counts.iter().any(|&n| n < 3) || self.sides.len() < 12 {
            Freedom::Affine
        } else if extent_px(&self.sides) < 0.3 * diagonal || counts.iter().any(|&n| n < 5) {
            Freedom::Homography
        } else {
            Freedom::Radial
        };
        self.freedom = self.freedom.max(wanted);
        let start = 0.03 * self.pitch_px;
        let quality = self.model.fit(&observations, self.freedom, start.max(0.5))?;
        self.quality = Some(quality);
        let mut pitches: Vec<f64> = observations
            .iter()
            .step_by(1 + observations.len() / 64)
            .map(|o| {
                let (a, b) = if o.family == 0 { (o.line, o.along) } else { (o.along, o.line) };
                self.model.steps(a, b).column(o.family).norm()
            })
            .collect();
        self.pitch_px = median(&mut pitches)?;
        let mut widths: Vec<f64> = self.sides.iter().map(|s| s.ink / s.contrast.max(1e-6)).collect();
        self.width_px = median(&mut widths)?;
        self.arm_px = arm_for(self.width_px, self.pitch_px).max(0.8 * self.arm_px.min(self.pitch_px * 0.3));
        Some(())
    }

    /// The narrow second pass over all that the lattice spans, outliers out, last fit.
    fn finish(mut self) -> Option<Lattice> {
        // A lattice only recounted comes with its bounds.
        if !self.sides.is_empty() {
            self.bounds = Bounds::around(&self.sides).0.map(|[low, high]| [low - 1, high + 1]);
        }
        self.arm_px = arm_for(self.width_px, self.pitch_px);
        let sigma = self.quality?.sigma_px;
        let search = (2.2 * self.width_px).max(4.0 * sigma).max(1.5).min(0.25 * self.pitch_px);
        let rows = 8;
        self.sides = self.measure_all(None, rows, Some(search));
        self.drop_unsupported();
        if self.sides.len() < 8 {
            return None;
        }
        self.refit(true)?;
        let limit = (4.0 * self.quality?.sigma_px).max(0.3).max(0.004 * self.pitch_px);
        let model = self.model.clone();
        self.sides.retain(|s| model.distance(&s.on_line()).abs() < limit);
        self.refit(true)?;
        let presence = SideTable::new(&self.sides).presence();
        Some(Lattice {
            marking: self.marking,
            rising: self.rising,
            quality: self.quality?,
            model: self.model,
            freedom: self.freedom,
            pitch_px: self.pitch_px,
            width_px: self.width_px,
            presence,
            sides: self.sides,
        })
    }
}

/// Diagonal of the box around the sides, px.
fn extent_px(sides: &[FoundSide]) -> f64 {
    let mut low = ImagePoint::new(f64::INFINITY, f64::INFINITY);
    let mut high = ImagePoint::new(f64::NEG_INFINITY, f64::NEG_INFINITY);
    for s in sides {
        low = ImagePoint::new(low.x.min(s.at.x), low.y.min(s.at.y));
        high = ImagePoint::new(high.x.max(s.at.x), high.y.max(s.at.y));
    }
    if sides.is_empty() { 0.0 } else { low.distance(high) }
}

/// The middle value; sorts in part.
pub fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Which sides are found, as a table over the index range.
pub struct SideTable {
    low: [i32; 2],
    size: [usize; 2],
    found: [Vec<bool>; 2],
}

impl SideTable {
    /// The table of the sides.
    pub fn new(sides: &[FoundSide]) -> Self {
        let b = Bounds::around(sides).0;
        let low = [b[0][0] - 2, b[1][0] - 2];
        let size = [(b[0][1] - low[0] + 4) as usize, (b[1][1] - low[1] + 4) as usize];
        let mut table = Self { low, size, found: [vec![false; size[0] * size[1]], vec![false; size[0] * size[1]]] };
        for s in sides {
            if let Some(slot) = table.slot(s.family, s.line, s.along) {
                table.found[s.family][slot] = true;
            }
        }
        table
    }

    fn slot(&self, family: usize, line: i32, along: i32) -> Option<usize> {
        let (a, b) = if family == 0 { (line, along) } else { (along, line) };
        let (a, b) = (usize::try_from(a - self.low[0]).ok()?, usize::try_from(b - self.low[1]).ok()?);
        (a < self.size[0] && b < self.size[1]).then_some(a * self.size[1] + b)
    }

    /// Was this side found?
    pub fn has(&self, family: usize, line: i32, along: i32) -> bool {
        self.slot(family, line, along).is_some_and(|slot| self.found[family][slot])
    }

    /// Number of the four sides that meet this one at its ends, across.
    fn crossing(&self, family: usize, line: i32, along: i32) -> usize {
        let other = 1 - family;
        [(along, line - 1), (along, line), (along + 1, line - 1), (along + 1, line)]
            .iter()
            .filter(|&&(l, a)| self.has(other, l, a))
            .count()
    }

    fn support(&self, s: &FoundSide) -> usize {
        let beside = [(0, 1), (0, -1), (1, 0), (-1, 0)];
        let parallel = beside.iter().filter(|(l, a)| self.has(s.family, s.line + l, s.along + a)).count();
        parallel + self.crossing(s.family, s.line, s.along)
    }

    /// Of the sides whose four crossing neighbours are mostly found, the share that is found too.
    fn presence(&self) -> f64 {
        let (mut expected, mut seen) = (0usize, 0usize);
        for family in 0..2 {
            for slot in 0..self.size[0] * self.size[1] {
                let (a, b) = ((slot / self.size[1]) as i32 + self.low[0], (slot % self.size[1]) as i32 + self.low[1]);
                let (line, along) = if family == 0 { (a, b) } else { (b, a) };
                if self.crossing(family, line, along) >= 3 {
                    expected += 1;
                    seen += usize::from(self.found[family][slot]);
                }
            }
        }
        if expected == 0 { 0.0 } else { seen as f64 / expected as f64 }
    }
}
