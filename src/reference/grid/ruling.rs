//! How the mat is ruled: finer divisions inside a cell, and bold lines every few.
//!
//! A line's strength is its ink (contrast x width, which blur does not change), always compared with
//! its neighbours at the same place along, so that light falling off does not matter.

use image::GrayImage;
use rayon::prelude::*;

use super::grow::measure_fraction;
use super::lattice::{FoundSide, Lattice, SideTable, median};
use super::side::Scratch;

/// Divisions tried, many first.
const DIVISIONS: [u32; 8] = [12, 10, 8, 6, 5, 4, 3, 2];
/// Bold periods tried.
const PERIODS: std::ops::RangeInclusive<u32> = 2..=12;
/// Every fractional line must be seen at this share of the places looked at.
const FULL_SHARE: f64 = 0.55;
/// Bold over fine, at least (unruled mats stay under 1.1, real ones reach 1.6-3).
const BOLDER: f64 = 1.35;
/// Finest division looked for, px.
const FINEST_PX: f64 = 5.0;
/// Places looked at per fractional line.
const PLACES: usize = 48;

/// Finer lines inside one cell of a lattice.
#[derive(Debug, Clone, PartialEq)]
pub struct Divisions {
    /// Number of parts.
    pub count: u32,
    /// Are the lattice's own lines stronger than the dividing ones?
    pub weaker: bool,
    /// Intermediate levels: every so many parts the dividing lines are stronger (4 of 8).
    pub levels: Vec<u32>,
}

/// Bold lines of one family, per level: (period, index of one of them).
pub type BoldLevels = Vec<(u32, i32)>;

/// The finest full division of the lattice's cells; a count of 1 if there is none.
pub fn divisions(luma: &GrayImage, lattice: &Lattice) -> Divisions {
    let places = places(lattice);
    let own = median(&mut places.iter().map(|p| p.ink).collect::<Vec<_>>()).unwrap_or(0.0);
    for n in DIVISIONS {
        if lattice.pitch_px / f64::from(n) < FINEST_PX || places.is_empty() {
            continue;
        }
        let Some(inks) = fractional_inks(luma, lattice, &places, n) else { continue };
        let strongest = inks.iter().copied().fold(0.0, f64::max);
        let levels = (2..n).filter(|d| n.is_multiple_of(*d) && is_level(&inks, *d)).collect();
        return Divisions { count: n, weaker: own > BOLDER * strongest, levels };
    }
    Divisions { count: 1, weaker: false, levels: Vec::new() }
}

/// Sides, spread over the lattice, whose neighbour of the next line is seen too: the cell between is open.
fn places(lattice: &Lattice) -> Vec<FoundSide> {
    let table = SideTable::new(&lattice.sides);
    let open: Vec<FoundSide> =
        lattice.sides.iter().filter(|s| table.has(s.family, s.line + 1, s.along)).copied().collect();
    let step = open.len().div_ceil(PLACES).max(1);
    open.into_iter().step_by(step).collect()
}

/// Median ink of the lines at 1/n, 2/n, ... of a cell; `None` unless all of them are there.
fn fractional_inks(luma: &GrayImage, lattice: &Lattice, places: &[FoundSide], n: u32) -> Option<Vec<f64>> {
    let ink = |place: &FoundSide, k: u32, scratch: &mut Scratch| {
        Some(measure_fraction(luma, lattice, place, f64::from(k) / f64::from(n), n, scratch)?.ink)
    };
    (1..n)
        .map(|k| {
            let looked = places.par_iter().with_min_len(12).map_init(Scratch::default, |scratch, p| ink(p, k, scratch));
            let mut inks: Vec<f64> = looked.collect::<Vec<_>>().into_iter().flatten().collect();
            if (inks.len() as f64) < FULL_SHARE * places.len() as f64 { None } else { median(&mut inks) }
        })
        .collect()
}

/// Are the lines at multiples of `d` parts stronger than all others?
fn is_level(inks: &[f64], d: u32) -> bool {
    let (mut strong, mut weak) = (f64::INFINITY, 0.0f64);
    for (k, &ink) in (1u32..).zip(inks) {
        if k.is_multiple_of(d) { strong = strong.min(ink) } else { weak = weak.max(ink) }
    }
    strong > BOLDER * weak
}

/// Bold levels of one family, finest period first; each the multiple of the one before.
pub fn bold_levels(lattice: &Lattice, family: usize) -> BoldLevels {
    let strengths = line_strengths(lattice, family);
    let mut levels: BoldLevels = Vec::new();
    for period in PERIODS {
        let best = (0..period as i32)
            .filter_map(|phase| Some((phase, separation(&strengths, period as i32, phase)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((phase, over)) = best
            && over > BOLDER.ln()
            && levels.last().is_none_or(|&(p, f)| period.is_multiple_of(p) && (phase - f).rem_euclid(p as i32) == 0)
        {
            levels.push((period, phase));
        }
    }
    levels
}

/// (line, log of its ink over that of the lines within six of it), lines with three sides or more.
fn line_strengths(lattice: &Lattice, family: usize) -> Vec<(i32, f64)> {
    let mut by_place: std::collections::BTreeMap<i32, Vec<(i32, f64)>> = std::collections::BTreeMap::new();
    for s in lattice.sides.iter().filter(|s| s.family == family) {
        by_place.entry(s.along).or_default().push((s.line, s.ink.max(1e-3).ln()));
    }
    let mut by_line: std::collections::BTreeMap<i32, Vec<f64>> = std::collections::BTreeMap::new();
    for row in by_place.values_mut() {
        row.sort_by_key(|r| r.0);
        for &(line, ink) in row.iter() {
            let near = &row[row.partition_point(|r| r.0 < line - 6)..row.partition_point(|r| r.0 <= line + 6)];
            if near.len() >= 4 {
                by_line.entry(line).or_default().push(ink - near.iter().map(|r| r.1).sum::<f64>() / near.len() as f64);
            }
        }
    }
    by_line
        .into_iter()
        .filter(|(_, values)| values.len() >= 3)
        .filter_map(|(line, mut values)| Some((line, median(&mut values)?)))
        .collect()
}

/// Lower fifth of the bold lines' strengths less the upper tenth of the others'.
fn separation(strengths: &[(i32, f64)], period: i32, phase: i32) -> Option<f64> {
    let (mut bold, mut fine): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    for &(line, strength) in strengths {
        if (line - phase).rem_euclid(period) == 0 { bold.push(strength) } else { fine.push(strength) }
    }
    if bold.len() < 2 || fine.len() < 3 {
        return None;
    }
    bold.sort_by(f64::total_cmp);
    fine.sort_by(f64::total_cmp);
    Some(bold[bold.len() / 5] - fine[(fine.len() - 1) * 9 / 10])
}
