//! From a seed of a few cells to the whole lattice: predict sides further out, measure, refit.
//!
//! The reach of every round is bounded twice: by the lattice's own extent, and by the predicted
//! doubt of the place looked at, so that an index is never guessed across a hidden stretch.

use image::GrayImage;
use rayon::prelude::*;

use super::lattice::{
    FoundSide, IndexRange, Lattice, SideTable, bounds, connected, covariance, extent_px, line_counts, median, rms_px,
};
use super::model::{Covariance, FitQuality, Freedom, LatticeModel, LocalLattice, OnLine};
use super::side::{Scratch, Side, SideProbe, measure};
use super::verify::Verified;
use crate::reference::Marking;

/// Largest index, in cells from the seed.
const MAX_CELLS: i32 = 500;

/// Sides used to refit the model while growing, and rows (times segments) that all sides together are measured by at the end.
const GROWING_SIDES: usize = 500;
const ROWS_OF_ALL: usize = 2500;

/// Rounds of growth; each may reach half as far again.
const ROUNDS: usize = 14;

/// The share of the pitch a side's prediction may be in doubt before it is not looked for: three
/// standard deviations within 0.3 pitch.
const DOUBT_LIMIT: f64 = 0.1;

/// A side as near as this to its prediction, in pitches, is hardly a chance hit: those lie anywhere in the search.
const NEAR_SHARE: f64 = 0.01;

/// Cells by which a strip must take the lattice farther to be worth following.
const FARTHER: i32 = 2;

/// Sides from which a line is one of the lattice's and no chance hit.
const LEAST_ON_LINE: usize = 3;

/// Grows a verified seed over the photo. `None` if nothing comes of it.
pub fn grow(luma: &GrayImage, seed: &LocalLattice, marking: Marking, verified: &Verified) -> Option<Lattice> {
    // On a thread of the pool itself, where sharing out the many small rounds costs least.
    rayon::scope(|_| grow_from(luma, LatticeModel::from_local(seed, luma.width(), luma.height()), marking, verified))
}

/// Grows from any model that is right over a few cells around its crossing (0, 0).
pub fn grow_from(luma: &GrayImage, model: LatticeModel, marking: Marking, verified: &Verified) -> Option<Lattice> {
    let mut growth = Growth::new(luma, model, marking, verified.arm_px);
    growth.run()?;
    let sides = SideTable::new(&growth.sides);
    growth.bounds = bounds(&growth.sides).map(|[low, high]| [low - 1, high + 1]);
    // What has no neighbour would not be kept: do not look there.
    growth.finish(|family, line, along| sides.has(family, line, along) || sides.support(family, line, along) >= 2)
}

/// The lattice counted `n` times finer, measured anew over the same ground in one narrow pass.
pub fn refined(luma: &GrayImage, like: &Lattice, n: u32) -> Option<Lattice> {
    let model = like.model.recounted(f64::from(n), nalgebra::Vector2::zeros());
    let mut growth = Growth::new(luma, model, like.marking, like.width_px);
    let parts = n as i32;
    growth.freedom = like.freedom;
    growth.bounds = like.bounds().map(|range| range.map(|i| i * parts));
    // The spread belongs to the old counting; `finish` only needs the sigma before it fits anew.
    growth.quality = Some(like.quality);
    growth.pitch_px = like.pitch_px / f64::from(n);
    growth.width_px = like.width_px;
    let coarse = SideTable::new(&like.sides);
    growth.finish(|family, line, along| {
        let (line, along) = (line.div_euclid(parts), along.div_euclid(parts));
        (0..2).any(|l| coarse.has(family, line + l, along) || coarse.support(family, line + l, along) >= 2)
    })
}

/// Looks for a line a fraction of a cell after the given side, `n` such lines to the cell.
pub fn measure_fraction(
    luma: &GrayImage,
    lattice: &Lattice,
    side: &FoundSide,
    fraction: f64,
    n: u32,
    scratch: &mut Scratch,
) -> Option<Side> {
    let place = Place { family: side.family, line: f64::from(side.line) + fraction, along: f64::from(side.along) };
    let (a, b) = place.at(0.5);
    let part = lattice.model.steps(a, b).column(side.family).norm() / f64::from(n);
    let arm_px = arm_for(lattice.width_px, lattice.pitch_px).min(0.35 * part);
    let probe = SideProbe {
        search_px: (0.15 * part).max(1.0),
        arm_px,
        step_px: (arm_px / 4.0).clamp(0.3, 1.0),
        rows: 4,
        ..place.probe(&lattice.model, lattice.marking)?
    };
    measure(luma, &probe, scratch)
}

/// The ground is read 1.1 line widths and a little from the middle.
fn arm_for(width_px: f64, pitch_px: f64) -> f64 {
    (1.1 * width_px + 1.5).max(2.5).min(0.3 * pitch_px)
}

/// A side of the lattice, seen or not: from (line, along) to (line, along + 1), or the other way round.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Family of its line.
    pub family: usize,
    /// Index of its line.
    pub line: f64,
    /// Where along the line it begins.
    pub along: f64,
}

impl Place {
    /// The point a share `t` along the side, as (a, b).
    pub fn at(&self, t: f64) -> (f64, f64) {
        if self.family == 0 { (self.line, self.along + t) } else { (self.along + t, self.line) }
    }

    /// A probe for the side where the model sees it; widths are to be filled in. `None` where the
    /// model turns back on itself.
    pub fn probe(&self, model: &LatticeModel, marking: Marking) -> Option<SideProbe> {
        let ends = [self.at(0.0), self.at(1.0)];
        if !ends.iter().all(|&(a, b)| model.is_regular(a, b)) {
            return None;
        }
        let middle = self.at(0.5);
        Some(SideProbe {
            ends: ends.map(|(a, b)| model.image_from_index(a, b)),
            normal: model.line_normal(self.family, middle.0, middle.1),
            search_px: 1.0,
            arm_px: 3.0,
            step_px: 0.5,
            rows: 1,
            light: marking == Marking::LightLines,
        })
    }
}

/// A side looked at: (family, line, along), whether the model was sure of its place, what was found there.
type Tried = ((usize, i32, i32), bool, Option<FoundSide>);

/// How a pass looks for sides.
enum Pass<'c> {
    /// As wide as the model's doubt asks for.
    Growing(Option<&'c Covariance>),
    /// Near the model, finely.
    Narrow { search_px: f64 },
}

/// What becomes of the side at the end of a strip one cell wide, which has few others to speak for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Tips {
    /// It goes: along cloth it may be half a side.
    Dropped,
    /// It stays if it lies near the model; only what is beyond this range is looked at.
    Grow(IndexRange),
}

impl Tips {
    /// Is a side to be looked for?
    fn wants(&self, family: usize, line: i32, along: i32) -> bool {
        match self {
            Self::Dropped => true,
            Self::Grow(known) => {
                let (across, up) = (known[family], known[1 - family]);
                !(across[0]..=across[1]).contains(&line) || !(up[0]..up[1]).contains(&along)
            }
        }
    }
}

#[derive(Clone)]
struct Growth<'a> {
    luma: &'a GrayImage,
    model: LatticeModel,
    marking: Marking,
    arm_px: f64,
    width_px: f64,
    pitch_px: f64,
    sides: Vec<FoundSide>,
    quality: Option<FitQuality>,
    freedom: Freedom,
    bounds: IndexRange,
    tries: Tries,
    tips: Tips,
}

impl<'a> Growth<'a> {
    fn new(luma: &'a GrayImage, model: LatticeModel, marking: Marking, arm_px: f64) -> Self {
        let steps = model.steps(0.0, 0.0);
        Self {
            luma,
            model,
            marking,
            arm_px,
            width_px: arm_px / 2.0,
            pitch_px: steps.column(0).norm().min(steps.column(1).norm()),
            sides: Vec::new(),
            quality: None,
            freedom: Freedom::Affine,
            bounds: [[-2, 3]; 2],
            tries: Tries::default(),
            tips: Tips::Dropped,
        }
    }

    fn run(&mut self) -> Option<()> {
        self.rounds()?;
        self.along_strips();
        Some(())
    }

    /// Follows strips one cell wide between cloth and rim, which no ordinary round does, to what lies beyond them.
    ///
    /// Nothing changes unless the lattice comes out larger: half-hidden sides along the cloth are no gain.
    fn along_strips(&mut self) {
        let before = bounds(&self.sides);
        let mut strips = Growth { tips: Tips::Grow(before), tries: self.tries.of_unseen(), ..self.clone() };
        let farther = |sides: &[FoundSide], by: i32| {
            let b = bounds(sides);
            (0..2).any(|f| b[f][0] + by <= before[f][0] || b[f][1] - by >= before[f][1])
        };
        // Most lattices have none: a look right beyond the rim tells.
        strips.bounds = before.map(|[low, high]| [low - FARTHER, high + FARTHER]);
        if strips.round().is_none() || !farther(&strips.sides, 1) {
            return;
        }
        strips.bounds = further(&bounds(&strips.sides));
        if strips.rounds().is_some() && farther(&strips.sides, FARTHER) {
            *self = strips;
        }
    }

    fn rounds(&mut self) -> Option<()> {
        for _ in 0..ROUNDS {
            let before = self.sides.len();
            let freedom = self.freedom;
            let tried = self.round()?;
            let next = further(&bounds(&self.sides));
            let grew = self.sides.len() as f64 > before as f64 * 1.005 + 0.5;
            if tried == 0 || (!grew && next == self.bounds && freedom == self.freedom) {
                break;
            }
            self.bounds = next;
        }
        Some(())
    }

    /// Looks within the bounds, keeps what stands, and refits; says how many sides were looked at.
    fn round(&mut self) -> Option<usize> {
        let tried = self.look_further();
        self.drop_unsupported();
        if self.sides.len() < 8 {
            return None;
        }
        self.refit()?;
        self.drop_strays();
        Some(tried)
    }

    /// Measures the sides within the bounds that were not found yet and not tried enough; says how many.
    fn look_further(&mut self) -> usize {
        let doubt = self.quality.map(|q| covariance(&q, &self.sides, self.pitch_px));
        let known = SideTable::new(&self.sides);
        let pass = Pass::Growing(doubt.as_ref());
        let left = |f, line, along| self.tries.left(f, line, along) && self.tips.wants(f, line, along);
        let tried = self.measure_all(&pass, |f, line, along| !known.has(f, line, along) && left(f, line, along));
        let count = tried.len();
        for (place, sure, found) in tried {
            self.tries.count(place, sure, found.is_some());
            self.sides.extend(found);
        }
        count
    }

    /// Every side looked at within the bounds.
    fn measure_all(&self, pass: &Pass, wanted: impl Fn(usize, i32, i32) -> bool + Sync) -> Vec<Tried> {
        let lines: Vec<(usize, i32)> =
            (0..2).flat_map(|f| (self.bounds[f][0]..=self.bounds[f][1]).map(move |line| (f, line))).collect();
        let along_range = |family: usize| self.bounds[1 - family][0]..self.bounds[1 - family][1];
        lines
            .par_iter()
            .with_max_len(1)
            .map_init(Scratch::default, |scratch, &(family, line)| {
                along_range(family)
                    .filter(|&along| wanted(family, line, along))
                    .filter_map(|along| {
                        let probe = self.probe(family, line, along, pass)?;
                        let sure = probe.search_px <= self.least_search_px();
                        Some(((family, line, along), sure, self.measure(family, line, along, &probe, scratch)))
                    })
                    .collect::<Vec<_>>()
            })
            .flatten_iter()
            .collect()
    }

    /// Where to look for a side; `None` outside the photo or where its place is too doubtful.
    fn probe(&self, family: usize, line: i32, along: i32, pass: &Pass) -> Option<SideProbe> {
        let place = Place { family, line: f64::from(line), along: f64::from(along) };
        let (a, b) = place.at(0.5);
        if !self.model.is_regular(a, b) {
            return None;
        }
        let at = self.model.image_from_index(a, b);
        let (w, h) = (f64::from(self.luma.width()), f64::from(self.luma.height()));
        if !(at.x > 2.0 && at.y > 2.0 && at.x < w - 3.0 && at.y < h - 3.0) {
            return None;
        }
        let pitch = self.model.steps(a, b).column(family).norm();
        let arm_px = self.arm_px.min(0.3 * pitch);
        let (search_px, step_px, rows) = match pass {
            Pass::Narrow { search_px } => {
                // Of many sides each may be a little less sure; fewer rows would blur how strong single lines are.
                let rows = (ROWS_OF_ALL / self.sides.len().max(1)).clamp(3, 5);
                (search_px.min(0.25 * pitch), (self.width_px / 3.0).clamp(0.25, 0.5), rows)
            }
            Pass::Growing(None) => (0.2 * pitch, arm_px / 4.0, 1),
            Pass::Growing(Some(covariance)) => {
                let doubt = self.model.predicted_sigma(family, place.line, place.along + 0.5, covariance);
                if doubt > DOUBT_LIMIT * pitch {
                    return None;
                }
                ((4.0 * doubt).max(0.08 * pitch).max(2.0).min(pitch / 3.0), (arm_px / 4.0).clamp(0.5, 4.0), 1)
            }
        };
        Some(SideProbe { search_px, arm_px, step_px, rows, ..place.probe(&self.model, self.marking)? })
    }

    /// The width of a search that the model's doubt did not widen, px (with some play for the pitch's change).
    fn least_search_px(&self) -> f64 {
        (0.09 * self.pitch_px).max(2.0)
    }

    fn measure(
        &self,
        family: usize,
        line: i32,
        along: i32,
        probe: &SideProbe,
        scratch: &mut Scratch,
    ) -> Option<FoundSide> {
        let side = measure(self.luma, probe, scratch)?;
        let at = probe.ends[0].lerp(probe.ends[1], 0.5) + probe.normal * side.offset_px;
        Some(FoundSide { family, line, along, at, contrast: side.contrast, ink: side.ink })
    }

    /// Drops sides with too few neighbours: chance hits on wood and cloth stand alone.
    fn drop_unsupported(&mut self) {
        for _ in 0..3 {
            let table = SideTable::new(&self.sides);
            let before = self.sides.len();
            let few = self.sides.len() < 30;
            let near = self.near();
            let strips = self.tips != Tips::Dropped;
            // A lone line, such as a mat's rim, has nothing across it; every second or third line of
            // another grid has nothing beside it, anywhere.
            let stands = |s: &&FoundSide| {
                let (f, line, along) = (s.family, s.line, s.along);
                let support = table.support(f, line, along);
                (support >= 3 || support == 2 && (few || strips && near(s)))
                    && table.crossing(f, line, along) > 0
                    && (table.has(f, line - 1, along)
                        || table.has(f, line + 1, along)
                        || strips && in_a_strip(&table, s))
            };
            self.sides = self.sides.par_iter().with_min_len(512).filter(stands).copied().collect();
            if self.sides.len() == before {
                break;
            }
        }
    }

    /// Does a side lie where the lattice's model puts it? At the end of a narrow strip that is all that speaks for it.
    fn near(&self) -> impl Fn(&FoundSide) -> bool + use<> {
        let limit = self.quality.map_or(0.0, |q| (3.0 * q.sigma_px).max(NEAR_SHARE * self.pitch_px));
        let model = self.model.clone();
        move |side| model.distance(&side.on_line()).abs() < limit
    }

    /// Drops sides that caught something other than their line.
    fn drop_strays(&mut self) {
        let Some(quality) = self.quality else { return };
        let limit = (0.1 * self.pitch_px).max(6.0 * quality.sigma_px);
        let model = &self.model;
        self.sides.retain(|s| model.distance(&s.on_line()).abs() < limit);
    }

    /// Five hundred sides settle ten terms; more would only cost time while growing.
    fn refit(&mut self) -> Option<()> {
        let start_px = (0.03 * self.pitch_px).max(0.5);
        self.refit_thinned(self.sides.len().div_ceil(GROWING_SIDES).max(1), start_px)
    }

    fn refit_thinned(&mut self, one_of: usize, start_px: f64) -> Option<()> {
        self.freedom = self.freedom.max(self.warranted_freedom());
        let observations: Vec<OnLine> = self.sides.iter().step_by(one_of).map(FoundSide::on_line).collect();
        self.quality = Some(self.model.fit(&observations, self.freedom, start_px)?);
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

    /// The terms that what was found can carry.
    fn warranted_freedom(&self) -> Freedom {
        let lines = line_counts(&self.sides).into_iter().min().unwrap_or(0);
        let diagonal = f64::from(self.luma.width()).hypot(f64::from(self.luma.height()));
        if lines < 3 || self.sides.len() < 12 {
            Freedom::Affine
        } else if lines < 5 || extent_px(&self.sides) < 0.3 * diagonal {
            Freedom::Homography
        } else {
            Freedom::Radial
        }
    }

    /// Takes back sides at the rim and along the garment that fit, and that most neighbours speak for.
    fn readmit(&mut self, seen: impl Iterator<Item = FoundSide>) {
        let kept = SideTable::new(&self.sides);
        self.sides.extend(seen.filter(|s| {
            let (f, line, along) = (s.family, s.line, s.along);
            !kept.has(f, line, along) && kept.support(f, line, along) >= 3 && kept.crossing(f, line, along) >= 2
        }));
    }

    /// The narrow second pass over all that the lattice spans, outliers out, last fit.
    fn finish(mut self, wanted: impl Fn(usize, i32, i32) -> bool + Sync) -> Option<Lattice> {
        self.arm_px = arm_for(self.width_px, self.pitch_px);
        let sigma = self.quality?.sigma_px;
        let search_px = self.width_px.max(4.0 * sigma).max(1.5);
        let tried = self.measure_all(&Pass::Narrow { search_px }, wanted);
        let seen: Vec<FoundSide> = tried.into_iter().filter_map(|(_, _, found)| found).collect();
        self.sides = seen.clone();
        self.drop_unsupported();
        if self.sides.len() < 8 {
            return None;
        }
        self.refit()?;
        let limit = (4.0 * self.quality?.sigma_px).max(0.3).max(0.004 * self.pitch_px);
        let model = self.model.clone();
        let fits = |s: &FoundSide| model.distance(&s.on_line()).abs() < limit;
        self.sides.retain(fits);
        // Some stood only on neighbours that were strays.
        self.drop_unsupported();
        self.sides = without_specks(std::mem::take(&mut self.sides));
        self.readmit(seen.into_iter().filter(fits));
        if self.sides.len() < 8 {
            return None;
        }
        self.refit_thinned(1, 2.5 * self.quality?.sigma_px.max(0.02))?;
        let (presence, rms_px) =
            rayon::join(|| SideTable::new(&self.sides).presence(), || rms_px(&self.model, &self.sides));
        Some(Lattice {
            presence,
            marking: self.marking,
            quality: self.quality?,
            model: self.model,
            freedom: self.freedom,
            pitch_px: self.pitch_px,
            width_px: self.width_px,
            rms_px,
            in_shape: true,
            sides: self.sides,
        })
    }
}

/// Is this a side of a strip one cell wide between cloth and rim, its neighbour line seen further along?
fn in_a_strip(table: &SideTable, side: &FoundSide) -> bool {
    let (f, line, along) = (side.family, side.line, side.along);
    table.crossing(f, line, along) >= 2 && [line - 1, line + 1].iter().any(|l| table.on_line(f, *l) >= LEAST_ON_LINE)
}

/// Drops groups of a few sides that hang together with no others: chance hits off the mat.
fn without_specks(sides: Vec<FoundSide>) -> Vec<FoundSide> {
    let least = (sides.len() / 50).clamp(4, 12);
    let groups = connected(&sides);
    let mut sizes = vec![0usize; sides.len()];
    groups.iter().for_each(|&g| sizes[g] += 1);
    sides.into_iter().zip(groups).filter(|&(_, g)| sizes[g] >= least).map(|(s, _)| s).collect()
}

/// The range grown by half its extent, two cells at least.
fn further(range: &IndexRange) -> IndexRange {
    range.map(|[low, high]| {
        let by = ((high - low) as f64 * 0.5).ceil().max(2.0) as i32;
        [(low - by).max(-MAX_CELLS), (high + by).min(MAX_CELLS)]
    })
}

/// How often every side was tried; twice is enough, the second time with a better model. One sure try is.
#[derive(Debug, Clone, Default)]
struct Tries {
    /// The number of tries, and whether something was seen.
    counts: Vec<u8>,
}

impl Tries {
    const ACROSS: usize = 2 * MAX_CELLS as usize + 1;
    const MOST: u8 = 2;
    const SEEN: u8 = 1 << 7;

    fn slot(family: usize, line: i32, along: i32) -> Option<usize> {
        let (l, a) = (usize::try_from(line + MAX_CELLS).ok()?, usize::try_from(along + MAX_CELLS).ok()?);
        (l < Self::ACROSS && a < Self::ACROSS).then_some((family * Self::ACROSS + l) * Self::ACROSS + a)
    }

    fn left(&self, family: usize, line: i32, along: i32) -> bool {
        let Some(slot) = Self::slot(family, line, along) else { return false };
        self.counts.get(slot).is_none_or(|n| n & !Self::SEEN < Self::MOST)
    }

    fn count(&mut self, (family, line, along): (usize, i32, i32), sure: bool, seen: bool) {
        if self.counts.is_empty() {
            self.counts = vec![0; 2 * Self::ACROSS * Self::ACROSS];
        }
        if let Some(n) = Self::slot(family, line, along).and_then(|slot| self.counts.get_mut(slot)) {
            *n = (*n + if sure { Self::MOST } else { 1 }) | if seen { Self::SEEN } else { 0 };
        }
    }

    /// Those of sides that nothing was seen of: what was seen and dropped may be tried anew.
    fn of_unseen(&self) -> Self {
        Self { counts: self.counts.iter().map(|n| if n & Self::SEEN == 0 { *n } else { 0 }).collect() }
    }
}
