//! How a ruler is divided, from the whole pattern of its longer ticks.
//!
//! Beyond the ends of the shortest ticks every row across the comb shows one tick in `m`: one in 5 and 10 of millimetres;
//! 2, 10 and 20 of half millimetres; 2, 4, 8, 16 ... of an inch's halves of halves. One row alone can mislead (half
//! millimetres show every second tick, as sixteenths do), so all rows are held against every division at one count, and
//! what is believed must explain each of them about as well as its rivals do. How many halvings an inch has is told by its
//! own tick, or by its figure.

use image::GrayImage;
use nalgebra::Vector2;

use super::comb::{self, Comb};
use crate::reference::light::sample;

/// Rows reach this many heights of the shortest ticks beyond them, at most so many px.
const REACH_HEIGHTS: f64 = 4.5;
const REACH_PX: f64 = 120.0;
/// Rows lie this far apart, px.
const ROW_PX: f64 = 1.5;
/// Fewest ticks in a row that say anything.
const LEAST_TICKS: usize = 24;
/// Likelihood ratio (natural logarithm) at which one row shows one thing: 4.5 standard deviations. Where many rows and
/// classes are looked through it takes the logarithm of their number more (Bonferroni's correction).
const SHOWN: f64 = 10.0;
/// A rival that explains a row better by this much, and by this share of the best row, casts doubt.
const CONTRARY: f64 = 10.0;
const CONTRARY_SHARE: f64 = 0.35;
/// Likelihood ratio at which every second of the longest ticks, or of the figures, is of its own kind (and the logarithm of
/// the number of places looked at more); and up to which it is not.
const DEEPER: f64 = 12.0;
const NO_DEEPER: f64 = 5.0;
/// So many of the longest ticks must be seen for every second of them to have shown.
const ENOUGH_LONGEST: usize = 11;
/// Darkness from which a tick is seen, as a share of a tick's.
const SEEN: f64 = 0.4;
/// Fewest ticks of a kind that show anything.
const LEAST_OF_A_KIND: f64 = 3.0;

/// What the longer ticks say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Division {
    /// Tick to tick in mm: 1 or 0.5.
    Metric(f64),
    /// Ticks to an inch: 4 to 64. Where too few inches are seen to be `sure`, there may be twice or four times as many.
    Inches { parts: u32, sure: bool },
}

/// A way of dividing: which multiples have longer ticks.
struct Kind {
    every: &'static [usize],
    is: Option<Division>,
}

const KINDS: [Kind; 4] = [
    Kind { every: &[5, 10], is: Some(Division::Metric(1.0)) },
    Kind { every: &[2, 10, 20], is: Some(Division::Metric(0.5)) },
    Kind { every: &[2, 4, 8, 16, 32, 64], is: Some(Division::Inches { parts: 1, sure: false }) },
    // Twelfths: printers' and old rulers, which are not read but must not pass for others.
    Kind { every: &[3, 6, 12], is: None },
];

/// Ticks' darkness along one row across the comb, a value a tick; NaN where it was not seen.
type Row = Vec<f64>;

/// A division and where it shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    pub division: Division,
    /// Distance from the comb's line at which the longer ticks stand out most, px: they run inwards from the ruler's side.
    pub longer_at: f64,
}

/// Reads how a comb is divided; `band` is where its shortest ticks are, px from its line. `None` where the ticks do not
/// say, or two divisions explain them alike.
pub(super) fn read(luma: &GrayImage, comb: &Comb, band: (f64, f64), strength: f64) -> Option<Reading> {
    let period = comb.period_at(0.5 * (comb.track.first()?.1 + comb.track.last()?.1))?;
    let slant = Slant::of(luma, comb, band)?;
    let (dark_at, dark) = rows(luma, comb, band, &slant, strength, 1.0);
    let (light_at, light) = rows(luma, comb, band, &slant, strength, -1.0);
    let (a, b) = (Judgement::of(&dark), Judgement::of(&light));
    let (judged, at, rows) = if b.best > a.best { (b, light_at, light) } else { (a, dark_at, dark) };
    let kind = judged.believed()?;
    let division = match kind.is? {
        Division::Inches { .. } => halvings(&rows, judged.phase, period)?,
        metric => metric,
    };
    let clearest = judged.explained.iter().zip(at).max_by(|a, b| a.0[judged.kind].total_cmp(&b.0[judged.kind]));
    Some(Reading { division, longer_at: clearest?.1 })
}

/// How ticks lean against the comb's normal: px along per px across, at a tick number.
struct Slant {
    at: f64,
    lean: f64,
    turn: f64,
}

impl Slant {
    fn of(luma: &GrayImage, comb: &Comb, band: (f64, f64)) -> Option<Self> {
        let (first, last) = (comb.track.first()?.1, comb.track.last()?.1);
        let along = |off: f64, tick: f64| {
            comb::beside(luma, comb, off, tick).map(|(at, _)| comb.line.along.dot(&(at - comb.line.at)))
        };
        let high = band.1 - band.0;
        let (near, far) = (band.0 + 0.15 * high, band.1 - 0.15 * high);
        let mut leans: Vec<(f64, f64)> = (1..=24)
            .map(|k| first + (last - first) * f64::from(k) / 25.0)
            .filter_map(|t| Some((t, (along(far, t)? - along(near, t)?) / (far - near))))
            .filter(|(_, lean)| lean.abs() < 0.6)
            .collect();
        if leans.len() < 6 || far - near < 1.0 {
            return None;
        }
        // Outer and inner halves' medians make a line.
        leans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let middle = |part: &[(f64, f64)]| {
            let mut values: Vec<f64> = part.iter().map(|l| l.1).collect();
            (part.iter().map(|l| l.0).sum::<f64>() / part.len() as f64, crate::camera::median(&mut values))
        };
        let (low, high) = leans.split_at(leans.len() / 2);
        let (a, b) = (middle(low), middle(high));
        Some(Self { at: a.0, lean: a.1, turn: (b.1 - a.1) / (b.0 - a.0).max(1.0) })
    }

    fn at(&self, tick: f64) -> f64 {
        self.lean + self.turn * (tick - self.at)
    }
}

/// All rows across the comb and their distances from its line; with `sign` -1 those of light ticks, which stand half-way
/// between dark ones.
fn rows(
    luma: &GrayImage,
    comb: &Comb,
    band: (f64, f64),
    slant: &Slant,
    strength: f64,
    sign: f64,
) -> (Vec<f64>, Vec<Row>) {
    let normal = Vector2::new(-comb.line.along.y, comb.line.along.x);
    let (Some(first), Some(last)) = (comb.track.first(), comb.track.last()) else { return Default::default() };
    let numbers: Vec<f64> = (first.1.ceil() as i64..=last.1.floor() as i64).map(|n| n as f64).collect();
    let shift = if sign > 0.0 { 0.0 } else { 0.5 };
    let grey = |t: f64, lean: f64, off: f64| -> Option<f64> {
        sample(luma, comb.line.at + comb.line.along * (comb.place_of(t)? + lean * off) + normal * off)
    };
    // A tick's darkness against its surroundings is about four times the comb's amplitude.
    let most = (4.0 * strength).max(4.0);
    let dark = |n: f64, off: f64| -> Option<f64> {
        let (t, lean) = (n + shift, slant.at(n));
        let rise = 0.5 * (grey(t - 0.5, lean, off)? + grey(t + 0.5, lean, off)?) - grey(t, lean, off)?;
        Some((sign * rise / most).clamp(-1.0, 1.5))
    };
    let reach = (REACH_HEIGHTS * (band.1 - band.0)).min(REACH_PX);
    let count = ((band.1 - band.0 + 2.0 * reach) / ROW_PX) as i32;
    (0..=count)
        .map(|k| band.0 - reach + ROW_PX * f64::from(k))
        .map(|off| (off, numbers.iter().map(|n| dark(*n, off).unwrap_or(f64::NAN)).collect::<Row>()))
        .filter(|(_, row)| row.iter().filter(|v| v.is_finite()).count() >= LEAST_TICKS)
        .unzip()
}

/// How much likelier a row is with one class of ticks, counted by `m`, standing out than without (natural logarithm):
/// a value for every class.
fn shown(row: &[f64], m: usize) -> Vec<f64> {
    let mut classes = vec![(0.0, 0.0); m];
    let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for (i, v) in row.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        (n, sum, squares) = (n + 1.0, sum + v, squares + v * v);
        let class = &mut classes[i % m];
        *class = (class.0 + 1.0, class.1 + v);
    }
    let spread = squares - sum * sum / n;
    let of = |(k, inside): (f64, f64)| {
        if k < LEAST_OF_A_KIND || n - k < LEAST_OF_A_KIND || spread <= 0.0 {
            return 0.0;
        }
        let step = (inside / k - (sum - inside) / (n - k)).max(0.0);
        // Of two per cent of a tick's darkness nothing is concluded.
        let rest = (spread - step * step * k * (n - k) / n).max(0.02f64.powi(2) * n);
        // Two means and a spread were fitted to the n values.
        0.5 * (n - 3.0).max(0.0) * (spread / rest).ln().max(0.0)
    };
    classes.into_iter().map(of).collect()
}

/// What every division makes of the rows.
struct Judgement {
    /// The best kind's number, its likelihood over all rows, and its phase.
    kind: usize,
    best: f64,
    phase: usize,
    /// For every row: what the best phase of every kind explains.
    explained: Vec<[f64; KINDS.len()]>,
}

impl Judgement {
    fn of(rows: &[Row]) -> Self {
        let table: Vec<Vec<(usize, Vec<f64>)>> = rows.iter().map(by_multiple).collect();
        let mut out = Self { kind: 0, best: 0.0, phase: 0, explained: vec![[0.0; KINDS.len()]; rows.len()] };
        for (i, kind) in KINDS.iter().enumerate() {
            let longest = kind.every.last().copied().unwrap_or(1);
            let of_row = |row: &[(usize, Vec<f64>)], phase: usize| -> f64 {
                let own = row.iter().filter(|(m, _)| kind.every.contains(m));
                own.map(|(m, by_phase)| by_phase[phase % m]).fold(0.0, f64::max)
            };
            let total = |phase: usize| table.iter().map(|row| of_row(row, phase)).sum::<f64>();
            let all = (0..longest).map(|phase| (phase, total(phase)));
            let Some((phase, best)) = all.max_by(|a, b| a.1.total_cmp(&b.1)) else { continue };
            for (explained, row) in out.explained.iter_mut().zip(&table) {
                explained[i] = of_row(row, phase);
            }
            if best > out.best {
                (out.kind, out.best, out.phase) = (i, best, phase);
            }
        }
        out
    }

    /// The best kind, if it shows and no rival explains some row much better.
    fn believed(&self) -> Option<&'static Kind> {
        let own = self.kind;
        let most = self.explained.iter().map(|e| e[own]).fold(0.0, f64::max);
        let contrary = |rival: usize| {
            let ahead = self.explained.iter().map(|e| e[rival] - e[own]).fold(0.0, f64::max);
            let behind = self.explained.iter().map(|e| e[own] - e[rival]).fold(0.0, f64::max);
            behind < CONTRARY || (ahead > CONTRARY && ahead > CONTRARY_SHARE * behind)
        };
        let rivals = (0..KINDS.len()).filter(|r| *r != own);
        let classes: usize = multiples().iter().sum();
        let least = SHOWN + ((self.explained.len() * classes).max(1) as f64).ln();
        (most > least && !rivals.into_iter().any(contrary)).then_some(&KINDS[own])
    }
}

/// The multiples that divisions have.
fn multiples() -> Vec<usize> {
    let mut all: Vec<usize> = KINDS.iter().flat_map(|k| k.every.iter().copied()).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// `shown` for every multiple any division has, and every phase.
fn by_multiple(row: &Row) -> Vec<(usize, Vec<f64>)> {
    multiples().into_iter().map(|m| (m, shown(row, m))).collect()
}

/// How much ink is around every tick, whatever its form: a figure is about two periods high and wide.
fn ink(rows: &[Row], period: f64) -> Vec<Row> {
    let high = ((2.0 * period / ROW_PX) as usize).max(2);
    let around = |block: &[Row], n: usize| -> f64 {
        let near = n.saturating_sub(2)..n + 3;
        block.iter().filter_map(|row| row.get(near.start..near.end.min(row.len()))).flatten().map(|v| v.abs()).sum()
    };
    let block = |k: usize| {
        let block = &rows[k..k + high];
        (0..block[0].len()).map(|n| around(block, n)).collect::<Row>()
    };
    (0..(rows.len() + 1).saturating_sub(high)).step_by((high / 2).max(1)).map(block).collect()
}

/// Ticks to an inch: how often the longer ticks are halved, up to the inch's own tick or figure; and whether enough inches
/// are seen for another halving to have shown.
fn halvings(rows: &[Row], phase: usize, period: f64) -> Option<Division> {
    let mut parts = 1usize;
    // Every second of the ticks (at the count) or of what stands beside them (a figure, at any).
    let stands_out = |row: &Row, parts: usize, shift: usize| {
        let some: Vec<f64> = row.iter().skip(shift % parts).step_by(parts).copied().collect();
        shown(&some, 2).into_iter().fold(0.0, f64::max)
    };
    let ink = ink(rows, period);
    let mut doubtful = false;
    while parts < 64 {
        let of_ticks = rows.iter().map(|row| stands_out(row, parts, phase)).fold(0.0, f64::max);
        let of_figures = ink.iter().filter(|_| parts >= 8).flat_map(|row| (0..parts).map(move |shift| (row, shift)));
        let of_figures = of_figures.map(|(row, shift)| stands_out(row, parts, shift)).fold(0.0, f64::max);
        // Each less what chance alone reaches among so many places.
        let over = |best: f64, places: usize| best - ((2 * places).max(1) as f64).ln();
        let figures_over = over(of_figures, ink.len() * parts);
        if over(of_ticks, rows.len()) <= DEEPER && figures_over <= DEEPER {
            // Figures are looked for in so many places that chance must be taken off; a tick's least hint is a doubt.
            doubtful = of_ticks > NO_DEEPER || figures_over > NO_DEEPER;
            break;
        }
        parts *= 2;
    }
    // Rows across the shortest ticks show every tick that nothing hides.
    let seen = rows.iter().map(|row| row.iter().filter(|v| **v > SEEN).count()).max()?;
    let longest = seen / parts;
    let sure = parts >= 8 && longest >= ENOUGH_LONGEST && !doubtful;
    (parts >= 4).then_some(Division::Inches { parts: parts as u32, sure })
}

#[cfg(test)]
mod tests;
