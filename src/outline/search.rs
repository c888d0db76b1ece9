//! Which path along the outline parts cloth from background best.
//!
//! Likelihoods say how well each sample goes with either side. What is dark and of both sides' hue may be cloth turning from
//! the light or mat in a hard shadow: the path is sought under both views, and where these part, as where the likelihoods
//! leave it open, the edge itself leads. Where another light than the lamp's colours the shadow, likelihoods are of no use:
//! it is mat if the mat's printed lines run on through it. A shadow's soft rim is no edge: the next sharp one farther in is.

use std::cell::OnceCell;
use std::ops::Range;

use super::changepoint::{self, Path, Shadows};
use super::chroma::Hues;
use super::penumbra::Rims;
use super::profiles::Profiles;
use super::ring::{self, Ring};
use super::roughness::{self, Roughness};
use super::{crossing, doubt, lead, printed};
use crate::garment::Garment;
use crate::garment::appearance::dot;

/// Mean log ratio of cloth over background, halved between the sides, below which the path is limber, and from which it is
/// as stiff as ever; how limber it is at most.
const LIMBER_APART: (f32, f32) = (2.0, 3.0);
const MOST_LIMBER: f32 = 3.0;

/// The same below which cloth and mat are too alike for their light to tell them apart, and from which it may.
const BY_LIGHT_APART: (f32, f32) = (2.0, 2.8);

/// Distance of two paths from which the edge is torn between them, mm.
const TORN_MM: f32 = 0.5;

/// Angle between the colours of cloth and mat (its sine) below which they are of one hue; every so many profiles are read,
/// of which so large a share is.
const ONE_HUE: f32 = 0.1;
/// Distance of the shorter colour from the longer's ray below which a tinted shadow may join them, gamma levels; cloth so
/// much brighter than the mat stays brighter than its shadow.
const NEAR_HUE: f32 = 20.0;
const MOST_BRIGHTER: f32 = 1.4;
const HUE_STRIDE: usize = 16;
const HUE_SHARE: f32 = 0.1;

/// Mean log ratio between two paths that the edge itself may overrule, how much more it must show along one than along the
/// other (a groove and a step as clear as any make 4.4), and points either way over which that is read.
const MOST_OVERRULED: f32 = 3.0;
const CLEARLY_MORE: f32 = 1.2;
const SHOWN_POINTS: usize = 5;

/// Pixels by which a crossing lies off its change-point at least to be held against what lies between, and how many about
/// either of them the edge's blur reaches.
const LEAST_GAP_PX: f64 = 2.0;
const BLUR_PX: f64 = 0.5;

/// Farthest inside the curve that an edge is sought behind a shadow's soft rim, mm.
const FARTHEST_IN_MM: f64 = 8.5;

/// Share of the printed lines' contrast by which they are taken to run on.
const MOSTLY_SHOWN: f32 = 0.5;

/// What is searched.
pub(crate) struct Search<'a> {
    profiles: &'a Profiles,
    ring: &'a Ring,
    garment: &'a Garment,
    /// Samples surely on either side of the edge.
    inside: Range<usize>,
    outside: Range<usize>,
    /// What lies off the printed lines ([`roughness::off_lines`]), found when first asked for.
    gate: OnceCell<Vec<f32>>,
    /// The sides' hues, and how uneven every sample is, likewise.
    hues: OnceCell<Hues>,
    rough: OnceCell<Roughness>,
    /// What speaks for an edge by itself ([`lead::evidence`]), likewise.
    evidence: OnceCell<Vec<f32>>,
    /// The same of sharp edges alone ([`lead::sharp`]), likewise.
    sharp: OnceCell<Vec<f32>>,
}

/// Where cloth changes to background.
pub(crate) struct ChangePoints {
    /// The best path.
    pub path: Path,
    /// How far apart the two sides are at every point: their mean log ratios' difference, halved.
    pub apart: Vec<f32>,
    /// Log ratio of cloth over background of every sample; 0 where the path does not rest on them.
    ratios: Vec<f32>,
}

impl ChangePoints {
    /// Does a crossing of profile `i` lie so far inside its change-point that what is between is clearly cloth?
    pub(crate) fn leave_in_cloth(&self, profiles: &Profiles, i: usize, crossing_mm: f64) -> bool {
        let change_mm = profiles.offset(self.path.at[i]);
        let blur_mm = BLUR_PX * profiles.pixel_mm;
        let row = &self.ratios[i * profiles.len..(i + 1) * profiles.len];
        let between = &row[profiles.range(crossing_mm + blur_mm, change_mm - blur_mm)];
        change_mm - crossing_mm > LEAST_GAP_PX * profiles.pixel_mm
            && between.iter().sum::<f32>() > MOST_OVERRULED * between.len() as f32
    }
}

/// How the colours of cloth and mat lie to each other: the angle between them (its sine), and their lengths, gamma levels.
#[derive(Debug, Clone, Copy)]
struct Colours {
    sine: f32,
    cloth: f32,
    mat: f32,
}

/// What an edge at every sample costs.
#[derive(Clone)]
struct Costs {
    costs: Vec<f32>,
    /// By how much they were raised against the path's steps.
    limber: Vec<f32>,
    /// How far the two sides' mean log ratios lie apart, halved.
    apart: Vec<f32>,
    /// Log ratios of cloth over background, and whether colour alone leaves much of the cloth unclear.
    ratios: Vec<f32>,
    unclear: bool,
}

impl<'a> Search<'a> {
    /// `inside_mm` (near, far): where surely is cloth, mm inside the curve.
    pub(crate) fn new(profiles: &'a Profiles, ring: &'a Ring, garment: &'a Garment, inside_mm: (f64, f64)) -> Self {
        let inside = profiles.range(-inside_mm.1, -inside_mm.0);
        let outside = profiles.range(ring::OUTSIDE_MM.0, ring::OUTSIDE_MM.1);
        Self {
            profiles,
            ring,
            garment,
            inside,
            outside,
            gate: OnceCell::new(),
            hues: OnceCell::new(),
            rough: OnceCell::new(),
            evidence: OnceCell::new(),
            sharp: OnceCell::new(),
        }
    }

    /// The best path within a reach.
    pub(crate) fn change_points(&self, reach_mm: f64) -> ChangePoints {
        let range = self.profiles.range(-reach_mm, reach_mm);
        let mut usual = self.costs(Shadows::Usual);
        let mut path = self.best(&usual, &range);
        let told: Vec<f32> = usual.apart.iter().map(|apart| by_light(*apart)).collect();
        let mut led = vec![0f32; told.len()];
        if told.contains(&1.0) && self.of_hue(may_be_shadowed) {
            let tinted = self.costs(Shadows::Tinted);
            led = self.shadowed(&path, &self.best(&tinted, &range), &told);
            if led.contains(&1.0) {
                usual.replace(&tinted, &led);
                path = self.best(&usual, &range);
            }
        }
        if told.iter().any(|told| *told > 0.0) && self.of_hue(|colours| colours.sine < ONE_HUE) {
            let hard = self.costs(Shadows::Hard);
            let mut torn = self.torn(&path, &self.best(&hard, &range), &told);
            torn.iter_mut().zip(&led).for_each(|(torn, led)| *torn *= 1.0 - led);
            usual.blend(&hard, &torn);
            led.iter_mut().zip(&torn).for_each(|(led, torn)| *led += torn);
        }
        let mut take = |stretches: &[f32]| led.iter_mut().zip(stretches).for_each(|(led, s)| *led = led.max(*s));
        take(&doubt::open_stretches(&path.span_mm));
        if usual.unclear {
            take(&self.contradicted(&usual, &path, &range));
        }
        if led.iter().any(|led| *led > 0.0) {
            // How open the path was before the edge took the lead is what remains in doubt.
            path.at = self.led(&usual, &led, &range).at;
        }
        self.in_from_rims(&mut usual, &mut led, &mut path, &range);
        let Costs { apart, mut ratios, .. } = usual;
        let rows = ratios.chunks_mut(self.profiles.len).zip(&led);
        rows.filter(|(_, led)| **led > 0.0).for_each(|(row, _)| row.fill(0.0));
        ChangePoints { path, apart, ratios }
    }

    /// Leads the path in from where it runs along a shadow's soft rim.
    fn in_from_rims(&self, usual: &mut Costs, led: &mut [f32], path: &mut Path, range: &Range<usize>) {
        let mut rims = Rims::along(self.profiles, self.ring, &path.at);
        if rims.are_none() {
            return;
        }
        rims.leave_out_edges(self.sharp());
        if rims.are_none() {
            return;
        }
        let mut costs = rims.costs(self.sharp());
        changepoint::scale(self.profiles, &mut costs, &usual.limber);
        let mut tried = usual.clone();
        tried.take(&costs, &rims.soft);
        let range = self.profiles.range(-FARTHEST_IN_MM, 0.0).start..range.end;
        rims.keep_those_of_shade(self.sharp(), &self.best(&tried, &range).at);
        if rims.are_none() {
            return;
        }
        usual.take(&costs, &rims.soft);
        led.iter_mut().zip(&rims.soft).filter(|(_, soft)| **soft).for_each(|(led, _)| *led = 0.0);
        let found = self.led(usual, led, &range);
        let spans = path.span_mm.iter_mut().zip(&found.span_mm).zip(&rims.soft);
        spans.filter(|(_, soft)| **soft).for_each(|((open, found), _)| *open = *found);
        path.at = found.at;
    }

    fn best(&self, costs: &Costs, range: &Range<usize>) -> Path {
        changepoint::cheapest_path(self.profiles, &costs.costs, range.clone(), &costs.limber)
    }

    /// The best path where the edge itself leads so far.
    fn led(&self, usual: &Costs, led: &[f32], range: &Range<usize>) -> Path {
        let mut costs = usual.costs.clone();
        lead::by_the_edge(self.profiles, self.evidence(), &mut costs, led, &usual.limber);
        changepoint::cheapest_path(self.profiles, &costs, range.clone(), &usual.limber)
    }

    fn evidence(&self) -> &[f32] {
        self.evidence.get_or_init(|| lead::evidence(self.profiles, self.ring, self.gate()))
    }

    fn sharp(&self) -> &[f32] {
        self.sharp.get_or_init(|| lead::sharp(self.profiles, self.ring, self.gate()))
    }

    fn gate(&self) -> &[f32] {
        self.gate.get_or_init(|| roughness::off_lines(self.profiles))
    }

    fn costs(&self, shadows: Shadows) -> Costs {
        let (profiles, inside, outside) = (self.profiles, &self.inside, &self.outside);
        let mut ratios = changepoint::log_ratios(profiles, self.ring, self.garment, shadows);
        let unclear = roughness::asked(&ratios, profiles.len, inside);
        if unclear {
            let gate = self.gate();
            let hues = self.hues.get_or_init(|| Hues::read(profiles, gate, &ratios, inside, outside));
            hues.add(profiles, gate, &mut ratios);
            let rough = self.rough.get_or_init(|| Roughness::measure(profiles));
            roughness::add(rough, gate, &mut ratios, profiles.len, inside.clone(), outside.clone());
        }
        let apart = changepoint::balance(profiles, &mut ratios, inside.clone(), outside.clone());
        changepoint::balance_unclear(profiles, &self.ring.gain, &mut ratios, inside.clone(), outside.clone());
        let mut costs = changepoint::edge_costs(profiles, &ratios);
        changepoint::hold_to_start(profiles, &mut costs);
        let limber = limber(&apart);
        changepoint::scale(profiles, &mut costs, &limber);
        Costs { costs, limber, apart, ratios, unclear }
    }

    /// Are cloth and mat alike in hue along enough of the edge, so that only their light tells them apart?
    fn of_hue(&self, alike: impl Fn(Colours) -> bool) -> bool {
        let alike = |i: usize| {
            let cloth = crossing::medians(&self.profiles.seen(i)[self.inside.clone()])?;
            let mat: [f32; 3] = std::array::from_fn(|c| self.profiles.ground[i][c] * self.ring.gain[i][c]);
            let (cloth2, mat2) = (dot(cloth, cloth), dot(mat, mat));
            let cosine2 = dot(cloth, mat).powi(2) / (cloth2 * mat2).max(1.0);
            let sine = (1.0 - cosine2).max(0.0).sqrt();
            Some(alike(Colours { sine, cloth: cloth2.sqrt(), mat: mat2.sqrt() }))
        };
        let read: Vec<bool> = (0..self.profiles.count()).step_by(HUE_STRIDE).filter_map(alike).collect();
        read.iter().filter(|alike| **alike).count() as f32 > HUE_SHARE * read.len() as f32
    }

    /// 1 at the points where the mat's printed lines run on through what the usual path takes for cloth and the tinted one
    /// for shadow, else 0.
    fn shadowed(&self, usual: &Path, tinted: &Path, told: &[f32]) -> Vec<f32> {
        let shown = printed::shown_between(self.profiles, &tinted.at, &usual.at);
        let proven = |(shown, told): (&Option<f32>, &f32)| *told == 1.0 && shown.is_some_and(|s| s > MOSTLY_SHOWN);
        shown.iter().zip(told).map(|at| f32::from(u8::from(proven(at)))).collect()
    }

    /// How far each point lies in a stretch along which the edge itself speaks clearly for another path, and the likelihoods
    /// of what lies between say too little to overrule it, 0 to 1. Each may err by little alone; along a stripe of the mat's
    /// own colour, or a rim in light, all err alike.
    fn contradicted(&self, usual: &Costs, path: &Path, range: &Range<usize>) -> Vec<f32> {
        let (n, len) = (self.profiles.count(), self.profiles.len);
        let by_edge = self.led(usual, &vec![1.0; n], range);
        let shows = |path: &Path, i: usize| {
            let points = (0..=2 * SHOWN_POINTS).map(|k| (i + n + k - SHOWN_POINTS.min(n)) % n);
            points.map(|i| self.evidence()[i * len + path.at[i]]).sum::<f32>() / (2 * SHOWN_POINTS + 1) as f32
        };
        let off = |i: usize| {
            let (from, to) = (path.at[i].min(by_edge.at[i]), path.at[i].max(by_edge.at[i]));
            let between = &usual.ratios[i * len + from..i * len + to];
            let mean = between.iter().sum::<f32>() / between.len().max(1) as f32;
            let overruled = mean.abs() < MOST_OVERRULED && shows(&by_edge, i) > shows(path, i) + CLEARLY_MORE;
            if overruled { (to - from) as f32 * self.profiles.step_mm as f32 } else { 0.0 }
        };
        doubt::stretches(&(0..n).map(off).collect::<Vec<f32>>(), TORN_MM)
    }

    /// How far each point lies in a stretch along which the paths under both views part, 0 to 1.
    fn torn(&self, usual: &Path, hard: &Path, told: &[f32]) -> Vec<f32> {
        let step_mm = self.profiles.step_mm as f32;
        let off: Vec<f32> = usual.at.iter().zip(&hard.at).map(|(a, b)| a.abs_diff(*b) as f32 * step_mm).collect();
        doubt::stretches(&off, TORN_MM).iter().zip(told).map(|(torn, told)| torn * told).collect()
    }
}

impl Costs {
    /// Samples per profile.
    fn len(&self) -> usize {
        self.costs.len() / self.apart.len().max(1)
    }

    fn rows(&self) -> std::slice::Chunks<'_, f32> {
        self.costs.chunks(self.len())
    }

    /// Takes another view of shadows at the points that are marked 1.
    fn replace(&mut self, other: &Self, marked: &[f32]) {
        let len = self.len();
        let rows = self.costs.chunks_mut(len).zip(&mut self.limber).zip(other.rows().zip(&other.limber));
        for (((costs, limber), (other, other_limber)), _) in rows.zip(marked).filter(|(_, marked)| **marked == 1.0) {
            costs.copy_from_slice(other);
            *limber = *other_limber;
        }
    }

    /// Takes other costs at the points that are marked.
    fn take(&mut self, other: &[f32], marked: &[bool]) {
        let len = self.len();
        let rows = self.costs.chunks_mut(len).zip(other.chunks(len)).zip(marked);
        rows.filter(|(_, marked)| **marked).for_each(|((costs, other), _)| costs.copy_from_slice(other));
    }

    /// Lets both views count alike where the edge is torn between them.
    fn blend(&mut self, hard: &Self, torn: &[f32]) {
        let len = self.len();
        let rows = self.costs.chunks_mut(len).zip(hard.rows()).zip(torn);
        for ((usual, hard), torn) in rows.filter(|(_, torn)| **torn > 0.0) {
            usual.iter_mut().zip(hard).for_each(|(usual, hard)| *usual += 0.5 * torn * (hard - *usual));
        }
    }
}

/// May mat in a tinted shadow pass for cloth in its own shade?
fn may_be_shadowed(colours: Colours) -> bool {
    colours.sine * colours.cloth.min(colours.mat) < NEAR_HUE && colours.cloth < MOST_BRIGHTER * colours.mat
}

/// How far light may tell cloth from mat that lie so far apart, 0 to 1.
fn by_light(apart: f32) -> f32 {
    ((apart - BY_LIGHT_APART.0) / (BY_LIGHT_APART.1 - BY_LIGHT_APART.0)).clamp(0.0, 1.0)
}

/// How much more either cost of the edge weighs against its steps at every point: where cloth and mat look alike little
/// is said for any place, and a path too stiff would leave the edge for a straighter way.
fn limber(apart: &[f32]) -> Vec<f32> {
    let (most, none) = LIMBER_APART;
    apart.iter().map(|a| 1.0 + (MOST_LIMBER - 1.0) * ((none - a) / (none - most)).clamp(0.0, 1.0)).collect()
}
