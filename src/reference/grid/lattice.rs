//! A lattice of measured cell sides, and tables to ask it about neighbours.

use rayon::prelude::*;

use super::model::{Covariance, FitQuality, Freedom, LatticeModel, OnLine};
use crate::reference::Marking;
use crate::units::ImagePoint;

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
    /// Sides found / sides whose neighbours are found (see [`SideTable::presence`]).
    pub presence: f64,
    /// Median line width, px.
    pub width_px: f64,
    /// Root mean square distance of sides from their model lines, px.
    pub rms_px: f64,
    /// Are its cells as the tilt would have them that its perspective tells of?
    pub in_shape: bool,
}

impl Lattice {
    /// Number of lines with at least two sides, per family.
    pub fn line_counts(&self) -> [usize; 2] {
        line_counts(&self.sides)
    }

    /// Area of the cells seen, px^2: half of the sides, each one cell.
    pub fn area_px(&self) -> f64 {
        0.5 * self.sides.len() as f64 * self.pitch_px * self.pitch_px
    }

    /// Range of indices seen: [a, b] x [least, greatest].
    pub fn bounds(&self) -> IndexRange {
        bounds(&self.sides)
    }

    /// Range of the lines of which a fair part is seen: at least a quarter of the median line.
    pub fn core(&self) -> IndexRange {
        [0, 1].map(|family| {
            let mut counts: std::collections::BTreeMap<i32, f64> = std::collections::BTreeMap::new();
            self.sides.iter().filter(|s| s.family == family).for_each(|s| *counts.entry(s.line).or_default() += 1.0);
            let least = 0.25 * median(&mut counts.values().copied().collect::<Vec<_>>()).unwrap_or(0.0);
            let fair = || counts.iter().filter(|(_, n)| **n >= least).map(|(line, _)| *line);
            [fair().min().unwrap_or(0), fair().max().unwrap_or(0)]
        })
    }
}

/// Least and greatest index of both families.
pub type IndexRange = [[i32; 2]; 2];

/// The range of crossings the sides span; zero for none.
pub fn bounds(sides: &[FoundSide]) -> IndexRange {
    let mut b = [[i32::MAX, i32::MIN]; 2];
    for s in sides {
        let (line, along) = (s.family, 1 - s.family);
        b[line] = [b[line][0].min(s.line), b[line][1].max(s.line)];
        b[along] = [b[along][0].min(s.along), b[along][1].max(s.along + 1)];
    }
    if sides.is_empty() { [[0, 0]; 2] } else { b }
}

/// Number of lines with at least two sides, per family.
pub fn line_counts(sides: &[FoundSide]) -> [usize; 2] {
    [0, 1].map(|family| {
        let mut lines: Vec<i32> = sides.iter().filter(|s| s.family == family).map(|s| s.line).collect();
        lines.sort_unstable();
        lines.chunk_by(|a, b| a == b).filter(|run| run.len() >= 2).count()
    })
}

/// Root mean square distance of sides from their lines in a model, px.
pub fn rms_px(model: &LatticeModel, sides: &[FoundSide]) -> f64 {
    let squares: Vec<f64> = sides.par_iter().with_min_len(512).map(|s| model.distance(&s.on_line()).powi(2)).collect();
    (squares.iter().sum::<f64>() / sides.len().max(1) as f64).sqrt()
}

/// Covariance of the model, counting lines (not sides) as observations: neighbouring sides share
/// the mat's unevenness.
pub fn covariance(quality: &FitQuality, sides: &[FoundSide], pitch_px: f64) -> Covariance {
    let lines: usize = line_counts(sides).iter().sum();
    let sigma = quality.sigma_px.max(0.004 * pitch_px).max(0.1);
    quality.spread * (sigma * sigma * sides.len() as f64 / lines.max(1) as f64)
}

/// Diagonal of the box around the sides, px.
pub fn extent_px(sides: &[FoundSide]) -> f64 {
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
        let b = bounds(sides);
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

    /// Sides found of a line.
    pub fn on_line(&self, family: usize, line: i32) -> usize {
        (0..self.size[1 - family] as i32).filter(|k| self.has(family, line, self.low[1 - family] + k)).count()
    }

    /// Number of the four sides that meet this one at its ends, across.
    pub fn crossing(&self, family: usize, line: i32, along: i32) -> usize {
        let other = 1 - family;
        [(along, line - 1), (along, line), (along + 1, line - 1), (along + 1, line)]
            .iter()
            .filter(|&&(l, a)| self.has(other, l, a))
            .count()
    }

    /// Number of the eight sides next to one that are found: four parallel, four across.
    pub fn support(&self, family: usize, line: i32, along: i32) -> usize {
        let beside = [(0, 1), (0, -1), (1, 0), (-1, 0)];
        let parallel = beside.iter().filter(|(l, a)| self.has(family, line + l, along + a)).count();
        parallel + self.crossing(family, line, along)
    }

    /// Of the sides whose four crossing neighbours are mostly found, or both of whose parallel ones
    /// are, the share that is found too.
    pub fn presence(&self) -> f64 {
        let (mut expected, mut seen) = (0usize, 0usize);
        for family in 0..2 {
            for slot in 0..self.size[0] * self.size[1] {
                let (a, b) = ((slot / self.size[1]) as i32 + self.low[0], (slot % self.size[1]) as i32 + self.low[1]);
                let (line, along) = if family == 0 { (a, b) } else { (b, a) };
                let between = self.has(family, line - 1, along) && self.has(family, line + 1, along);
                if between || self.crossing(family, line, along) >= 3 {
                    expected += 1;
                    seen += usize::from(self.found[family][slot]);
                }
            }
        }
        if expected == 0 { 0.0 } else { seen as f64 / expected as f64 }
    }
}

/// A group number below `sides.len()` for every side; sides that touch share it.
pub fn connected(sides: &[FoundSide]) -> Vec<usize> {
    let table = SideTable::new(sides);
    let mut number = [0, 1].map(|family: usize| vec![None; table.found[family].len()]);
    for (i, s) in sides.iter().enumerate() {
        if let Some(slot) = table.slot(s.family, s.line, s.along) {
            number[s.family][slot] = Some(i);
        }
    }
    let number = |(family, line, along)| table.slot(family, line, along).and_then(|slot| number[family][slot]);
    let mut group: Vec<Option<usize>> = vec![None; sides.len()];
    let mut queue: Vec<usize> = Vec::new();
    for start in 0..sides.len() {
        if group[start].is_some() {
            continue;
        }
        group[start] = Some(start);
        queue.push(start);
        while let Some(i) = queue.pop() {
            for j in touching(&sides[i]).into_iter().filter_map(number) {
                if group[j].is_none() {
                    group[j] = Some(start);
                    queue.push(j);
                }
            }
        }
    }
    group.into_iter().map(|g| g.unwrap_or(0)).collect()
}

/// Sides that share an end with one or lie beside it.
fn touching(s: &FoundSide) -> [(usize, i32, i32); 8] {
    let (f, o, l, a) = (s.family, 1 - s.family, s.line, s.along);
    [
        (f, l, a - 1),
        (f, l, a + 1),
        (f, l - 1, a),
        (f, l + 1, a),
        (o, a, l - 1),
        (o, a, l),
        (o, a + 1, l - 1),
        (o, a + 1, l),
    ]
}
