//! Which path along the outline parts cloth from background best.
//!
//! Likelihoods say how well each sample goes with either side. What is dark and of both sides' hue may be cloth turning from
//! the light or mat in a hard shadow: the path is sought under both views, and where these part, as where the likelihoods
//! leave it open, the edge itself leads.

use std::cell::OnceCell;
use std::ops::Range;

use super::changepoint::{self, Path, Shadows};
use super::chroma::Hues;
use super::crossing::dot;
use super::profiles::Profiles;
use super::ring::{self, Ring};
use super::roughness::{self, Roughness};
use super::{crossing, doubt, lead};
use crate::garment::Garment;

/// Mean log ratio of cloth over background, halved between the sides, below which the path is limber, and from which it is
/// as stiff as ever; how limber it is at most.
const LIMBER_APART: (f32, f32) = (2.0, 3.0);
const MOST_LIMBER: f32 = 3.0;

/// The same below which cloth and mat are too alike for their light to tell them apart, and from which it may.
const TORN_APART: (f32, f32) = (2.0, 2.8);

/// Distance of the paths under both views from which the edge is torn between them, mm.
const TORN_MM: f32 = 0.5;

/// Angle between the colours of cloth and mat (its sine) below which they are of one hue; every so many profiles are read,
/// of which so large a share is.
const ONE_HUE: f32 = 0.1;
const HUE_STRIDE: usize = 16;
const HUE_SHARE: f32 = 0.1;

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
}

/// What an edge at every sample costs.
struct Costs {
    costs: Vec<f32>,
    /// By how much they were raised against the path's steps.
    limber: Vec<f32>,
    /// How far the two sides' mean log ratios lie apart, halved.
    apart: Vec<f32>,
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
        }
    }

    /// The best path within a reach, and how far apart the two sides are at every point.
    pub(crate) fn change_points(&self, reach_mm: f64) -> (Path, Vec<f32>) {
        let range = self.profiles.range(-reach_mm, reach_mm);
        let best =
            |costs: &Costs| changepoint::cheapest_path(self.profiles, &costs.costs, range.clone(), &costs.limber);
        let mut usual = self.costs(Shadows::Usual);
        let path = best(&usual);
        let mut open = doubt::open_stretches(&path.span_mm);
        if self.of_one_hue() {
            let hard = self.costs(Shadows::Hard);
            let torn = self.torn(&path, &best(&hard), &usual.apart);
            self.blend(&mut usual.costs, &hard.costs, &torn);
            open.iter_mut().zip(&torn).for_each(|(open, torn)| *open = open.max(*torn));
        }
        if open.iter().all(|o| *o == 0.0) {
            return (path, usual.apart);
        }
        lead::by_the_edge(self.profiles, self.ring, self.gate(), &mut usual.costs, &open, &usual.limber);
        let led = best(&usual);
        // How open the path was before the edge took the lead is what remains in doubt.
        (Path { at: led.at, span_mm: path.span_mm }, usual.apart)
    }

    fn gate(&self) -> &[f32] {
        self.gate.get_or_init(|| roughness::off_lines(self.profiles))
    }

    fn costs(&self, shadows: Shadows) -> Costs {
        let (profiles, inside, outside) = (self.profiles, &self.inside, &self.outside);
        let mut ratios = changepoint::log_ratios(profiles, self.ring, self.garment, shadows);
        if roughness::asked(&ratios, profiles.len, inside) {
            let gate = self.gate();
            let hues = self.hues.get_or_init(|| Hues::read(profiles, gate, inside, outside));
            hues.add(profiles, gate, &mut ratios);
            let rough = self.rough.get_or_init(|| Roughness::measure(profiles));
            roughness::add(rough, gate, &mut ratios, profiles.len, inside.clone(), outside.clone());
        }
        let apart = changepoint::balance(profiles, &mut ratios, inside.clone(), outside.clone());
        let mut costs = changepoint::edge_costs(profiles, &ratios);
        changepoint::hold_to_start(profiles, &mut costs);
        let limber = limber(&apart);
        changepoint::scale(profiles, &mut costs, &limber);
        Costs { costs, limber, apart }
    }

    /// Are cloth and mat of one hue along enough of the edge, so that only their light tells them apart?
    fn of_one_hue(&self) -> bool {
        let alike = |i: usize| {
            let cloth = crossing::medians(&self.profiles.seen(i)[self.inside.clone()])?;
            let mat: [f32; 3] = std::array::from_fn(|c| self.profiles.ground[i][c] * self.ring.gain[i][c]);
            let cosine2 = dot(cloth, mat).powi(2) / (dot(cloth, cloth) * dot(mat, mat)).max(1.0);
            Some(1.0 - cosine2 < ONE_HUE * ONE_HUE)
        };
        let read: Vec<bool> = (0..self.profiles.count()).step_by(HUE_STRIDE).filter_map(alike).collect();
        read.iter().filter(|alike| **alike).count() as f32 > HUE_SHARE * read.len() as f32
    }

    /// How far each point lies in a stretch along which the paths under both views part, 0 to 1.
    fn torn(&self, usual: &Path, hard: &Path, apart: &[f32]) -> Vec<f32> {
        let step_mm = self.profiles.step_mm as f32;
        let off: Vec<f32> = usual.at.iter().zip(&hard.at).map(|(a, b)| a.abs_diff(*b) as f32 * step_mm).collect();
        let told = |apart: f32| ((apart - TORN_APART.0) / (TORN_APART.1 - TORN_APART.0)).clamp(0.0, 1.0);
        doubt::stretches(&off, TORN_MM).iter().zip(apart).map(|(torn, apart)| torn * told(*apart)).collect()
    }

    /// Lets both views count alike where the edge is torn between them.
    fn blend(&self, usual: &mut [f32], hard: &[f32], torn: &[f32]) {
        let len = self.profiles.len;
        let rows = usual.chunks_mut(len).zip(hard.chunks(len)).zip(torn);
        for ((usual, hard), torn) in rows.filter(|(_, torn)| **torn > 0.0) {
            usual.iter_mut().zip(hard).for_each(|(usual, hard)| *usual += 0.5 * torn * (hard - *usual));
        }
    }
}

/// How much more either cost of the edge weighs against its steps at every point: where cloth and mat look alike little
/// is said for any place, and a path too stiff would leave the edge for a straighter way.
fn limber(apart: &[f32]) -> Vec<f32> {
    let (most, none) = LIMBER_APART;
    apart.iter().map(|a| 1.0 + (MOST_LIMBER - 1.0) * ((none - a) / (none - most)).clamp(0.0, 1.0)).collect()
}
