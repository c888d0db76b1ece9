//! What is printed on the mat: a profile across the lines of each family, or a chessboard's two tones.

use rayon::prelude::*;

use super::appearance::median;
use super::extent::{NEAR_LINE_MM, WIDE_PITCH_MM};
use super::shade::{Sample, Shade, robust_scale, robust_scales};
use crate::reference::Marking;
use crate::reference::grid::GridSighting;
use crate::units::MatPoint;

/// Width of a profile's bins, mm: about half a printed line.
const BIN_MM: f64 = 0.2;

/// Most bins of a profile (a longer period gets wider bins).
const MAX_BINS: f64 = 3000.0;

/// Samples a bin needs before it may say anything.
const MIN_IN_BIN: usize = 6;

/// How far a bin with fewer looks for more, mm.
const NEIGHBOURS_MM: f64 = 0.5;

/// A line stands out of the profile's other bins by this many of their robust spreads: what lies below is the
/// ground's own unevenness, met few times.
const BIN_GATE: f32 = 3.0;

/// A ground is told from lines where half a pitch has so many bins, and read at so many places on that length.
const LEAST_HALF_PITCH_BINS: usize = 8;
const GROUND_STEPS: usize = 4;

/// Width over which a chessboard's tone changes at an edge, mm (half of it on either side).
const CHESS_EDGE_MM: f64 = 0.8;

/// Log colour over the mat's ground as a function of one coordinate.
#[derive(Debug, Clone, Default)]
pub(crate) struct Profile {
    period_mm: f64,
    bins: Vec<[f32; 3]>,
}

impl Profile {
    pub(crate) fn at(&self, coordinate_mm: f64) -> [f32; 3] {
        let n = self.bins.len();
        if n == 0 {
            return [0.0; 3];
        }
        // Counted from half a bin before the first, so that the whole part is a bin's index.
        let place = turn(coordinate_mm / self.period_mm) * n as f64 + (n as f64 - 0.5);
        let low = place as usize;
        let t = (place - low as f64) as f32;
        let i = if low >= n { low - n } else { low };
        let (a, b) = (self.bins[i.min(n - 1)], self.bins[if i + 1 < n { i + 1 } else { 0 }]);
        std::array::from_fn(|k| a[k] + (b[k] - a[k]) * t)
    }

    /// `reach_mm`: how far from a line anything may be printed, if that is known.
    fn learn(
        period_mm: f64,
        pitch_mm: f64,
        reach_mm: Option<f64>,
        values: impl Iterator<Item = (f64, [f32; 3])>,
        noise: [f32; 3],
    ) -> Self {
        let n = (period_mm / BIN_MM).round().clamp(1.0, MAX_BINS) as usize;
        let mut piles: Vec<Vec<[f32; 3]>> = vec![Vec::new(); n];
        for (coordinate, value) in values {
            let k = (turn(coordinate / period_mm) * n as f64) as usize;
            piles[k.min(n - 1)].push(value);
        }
        // A bin that too few pixels fell into speaks by its neighbours, as far as half a millimetre.
        let near = (NEIGHBOURS_MM / period_mm * n as f64).round() as usize;
        let bin = |k: usize| {
            let reach = (0..=near.min(n / 4)).find(|r| within(&piles, k, *r).count() >= MIN_IN_BIN);
            bin_value(&within(&piles, k, reach.unwrap_or(0)).copied().collect::<Vec<_>>(), noise)
        };
        let mut bins: Vec<[f32; 3]> = (0..n).into_par_iter().with_min_len(16).map(bin).collect();
        take_off_ground(&mut bins, pitch_mm / period_mm);
        if let Some(reach) = reach_mm {
            keep_near_lines(&mut bins, pitch_mm / period_mm, reach / period_mm);
        }
        let floor: [f32; 3] = std::array::from_fn(|i| BIN_GATE * robust_scale(bins.iter().map(|b| b[i])));
        for bin in bins.iter_mut().filter(|b| (0..3).all(|i| b[i].abs() <= floor[i])) {
            *bin = [0.0; 3];
        }
        Self { period_mm, bins }
    }
}

/// Empties the bins farther than `reach` from every line; a pitch and the reach are shares of the bins.
fn keep_near_lines(bins: &mut [[f32; 3]], pitch: f64, reach: f64) {
    let n = bins.len() as f64;
    for (k, bin) in bins.iter_mut().enumerate() {
        let turns = (k as f64 + 0.5) / n / pitch;
        if (turns - turns.round()).abs() * pitch > reach {
            *bin = [0.0; 3];
        }
    }
}

/// Takes the running median over a pitch off the bins: printed lines are a small part of it, so it is the ground's, whose
/// shade may fall where few cells are bare, as under the rim of a shadow. A pitch is `share` of the bins.
fn take_off_ground(bins: &mut [[f32; 3]], share: f64) {
    let n = bins.len();
    let half = (0.5 * share * n as f64).round() as usize;
    if half < LEAST_HALF_PITCH_BINS || 2 * half + 1 >= n {
        return;
    }
    let step = half / GROUND_STEPS;
    let ground = |node: usize, i: usize| {
        let mut around: Vec<f32> = (0..=2 * half).map(|r| bins[(node * step + n + r - half) % n][i]).collect();
        median(&mut around)
    };
    let nodes: Vec<[f32; 3]> = (0..=n.div_ceil(step)).map(|k| std::array::from_fn(|i| ground(k, i))).collect();
    for (k, bin) in bins.iter_mut().enumerate().filter(|(_, bin)| **bin != [0.0; 3]) {
        let (low, t) = (k / step, (k % step) as f32 / step as f32);
        for (i, v) in bin.iter_mut().enumerate() {
            *v -= nodes[low][i] + (nodes[low + 1][i] - nodes[low][i]) * t;
        }
    }
}

/// What lies in a bin and those up to `reach` from it.
fn within(piles: &[Vec<[f32; 3]>], k: usize, reach: usize) -> impl Iterator<Item = &[f32; 3]> {
    let n = piles.len();
    (0..=2 * reach).flat_map(move |r| &piles[(k + n + r - reach) % n])
}

/// The fractional part, 0 to 1 (a cast is far cheaper than `rem_euclid`, and no mat is 2^63 periods wide).
fn turn(v: f64) -> f64 {
    let part = v - (v as i64) as f64;
    if part < 0.0 { part + 1.0 } else { part }
}

/// The bin's median, shrunk to nothing where it is no more than chance.
fn bin_value(pile: &[[f32; 3]], noise: [f32; 3]) -> [f32; 3] {
    if pile.len() < MIN_IN_BIN {
        return [0.0; 3];
    }
    let middle: [f32; 3] = std::array::from_fn(|i| median(&mut pile.iter().map(|v| v[i]).collect::<Vec<_>>()));
    let chance = 1.25 / (pile.len() as f32).sqrt();
    let strength = (0..3).map(|i| middle[i].abs() / (noise[i] * chance).max(0.004)).fold(0.0, f32::max);
    let keep = ((strength - 2.5) / 2.0).clamp(0.0, 1.0);
    middle.map(|m| m * keep)
}

/// Light and dark squares: half the difference of their log colours, signed by the parity of a cell.
#[derive(Debug, Clone)]
pub(crate) struct Chequers {
    pitch_mm: [f64; 2],
    half: [f32; 3],
}

/// The printed pattern.
#[derive(Debug, Clone)]
pub(crate) struct Lines {
    pub x: Profile,
    pub y: Profile,
    pub chequers: Option<Chequers>,
}

impl Lines {
    /// Nothing printed.
    pub(crate) fn none() -> Self {
        Self { x: Profile::default(), y: Profile::default(), chequers: None }
    }

    /// Log colour over the ground at a point.
    pub(crate) fn at(&self, p: MatPoint) -> [f32; 3] {
        self.combine(self.across_x(p.x), self.across_y(p.y))
    }

    /// The part that depends on x alone, for [`Lines::combine`].
    pub(crate) fn across_x(&self, x: f64) -> [f32; 3] {
        match &self.chequers {
            Some(c) => [square_wave(x, c.pitch_mm[0]); 3],
            None => self.x.at(x),
        }
    }

    /// The part that depends on y alone.
    pub(crate) fn across_y(&self, y: f64) -> [f32; 3] {
        match &self.chequers {
            Some(c) => [square_wave(y, c.pitch_mm[1]); 3],
            None => self.y.at(y),
        }
    }

    /// The pattern from its two parts: where lines cross, the stronger shows.
    pub(crate) fn combine(&self, x: [f32; 3], y: [f32; 3]) -> [f32; 3] {
        if let Some(c) = &self.chequers {
            return c.half.map(|h| h * x[0] * y[0]);
        }
        let strength = |v: [f32; 3]| (v[0] + v[1] + v[2]).abs();
        if strength(x) >= strength(y) { x } else { y }
    }

    /// [`Lines::combine`] along a row: `x` and `out` are its channels.
    pub(crate) fn combine_row(&self, x: &[Vec<f32>; 3], y: [f32; 3], out: &mut [Vec<f32>; 3]) {
        let n = x.iter().chain(out.iter()).map(Vec::len).min().unwrap_or(0);
        let [x0, x1, x2] = x.each_ref().map(|row| &row[..n]);
        let [o0, o1, o2] = out.each_mut().map(|row| &mut row[..n]);
        if let Some(c) = &self.chequers {
            for i in 0..n {
                let tone = x0[i] * y[0];
                (o0[i], o1[i], o2[i]) = (c.half[0] * tone, c.half[1] * tone, c.half[2] * tone);
            }
            return;
        }
        let strength = (y[0] + y[1] + y[2]).abs();
        for i in 0..n {
            let stronger = (x0[i] + x1[i] + x2[i]).abs() >= strength;
            o0[i] = if stronger { x0[i] } else { y[0] };
            o1[i] = if stronger { x1[i] } else { y[1] };
            o2[i] = if stronger { x2[i] } else { y[2] };
        }
    }

    /// Learns line profiles, or the chessboard's tones, from bare-mat samples over a shade.
    pub(crate) fn learn(samples: &[Sample], shade: &Shade, grid: &GridSighting, before: &Lines) -> Self {
        if grid.marking == Marking::Chequers {
            return Self::learn_chequers(samples, shade, grid);
        }
        let over: Vec<[f32; 3]> = samples
            .par_iter()
            .with_min_len(4096)
            .map(|s| {
                let base = shade.at(s.at);
                std::array::from_fn(|i| s.log[i] - base[i])
            })
            .collect();
        let noise = robust_scales(&over).map(|scale| scale.max(0.01));
        let period =
            |axis: usize| grid.pitch_mm[axis] * f64::from(grid.bold[axis].map_or(1, |(every, _)| every.max(1)));
        let clear = |line: [f32; 3]| line.iter().all(|v| v.abs() < 0.03);
        let pairs = || samples.iter().zip(&over);
        let along_x = pairs().filter(|(s, _)| clear(before.y.at(s.at.y))).map(|(s, v)| (s.at.x, *v));
        let along_y = pairs().filter(|(s, _)| clear(before.x.at(s.at.x))).map(|(s, v)| (s.at.y, *v));
        // Between wide lines without finer divisions nothing is printed; few places would tell, and cloth can lie on most.
        let alone = |axis: usize| grid.divisions <= 1 && grid.pitch_mm[axis] > WIDE_PITCH_MM;
        let reach = |axis: usize| alone(axis).then_some(NEAR_LINE_MM);
        let (x, y) = rayon::join(
            || Profile::learn(period(0), grid.pitch_mm[0], reach(0), along_x, noise),
            || Profile::learn(period(1), grid.pitch_mm[1], reach(1), along_y, noise),
        );
        Self { x, y, chequers: None }
    }

    fn learn_chequers(samples: &[Sample], shade: &Shade, grid: &GridSighting) -> Self {
        let pitch_mm = grid.pitch_mm;
        let mut piles: [Vec<[f32; 3]>; 2] = [Vec::new(), Vec::new()];
        for s in samples {
            let sign = square_wave(s.at.x, pitch_mm[0]) * square_wave(s.at.y, pitch_mm[1]);
            if sign.abs() > 0.99 {
                let base = shade.at(s.at);
                let over = std::array::from_fn(|i| s.log[i] - base[i]);
                piles[usize::from(sign > 0.0)].push(over);
            }
        }
        let tone = |pile: &[[f32; 3]], i: usize| {
            let m = median(&mut pile.iter().map(|v| v[i]).collect::<Vec<_>>());
            if m.is_finite() { m } else { 0.0 }
        };
        let half = std::array::from_fn(|i| (tone(&piles[1], i) - tone(&piles[0], i)) / 2.0);
        Self { x: Profile::default(), y: Profile::default(), chequers: Some(Chequers { pitch_mm, half }) }
    }
}

/// +1 over even cells, -1 over odd ones, sloping between.
fn square_wave(v: f64, pitch: f64) -> f32 {
    // Two cells are one turn.
    let turned = 2.0 * turn(v / (2.0 * pitch));
    let (sign, into) = if turned < 1.0 { (1.0, turned * pitch) } else { (-1.0, (turned - 1.0) * pitch) };
    let from_edge = into.min(pitch - into);
    (sign * (from_edge / (0.5 * CHESS_EDGE_MM)).min(1.0)) as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flat::MatRect;

    /// A floor of tiles whose joints are dark, and cloth on it across two tiles of three.
    #[test]
    fn cloth_that_lies_on_most_tiles_alike_is_no_joint() {
        let pitch = 150.0;
        let is_joint = |x: f64| (x - (x / pitch).round() * pitch).abs() < 2.0;
        let is_cloth = |x: f64| x < 300.0 && (60.0..90.0).contains(&(x % pitch));
        let sample = |(x, y): (f64, f64)| {
            let dark = if is_joint(x) { 0.5 } else { 0.0 } + if is_cloth(x) { 1.0 } else { 0.0 };
            Sample { at: MatPoint::new(x, y), log: [4.0 - dark; 3] }
        };
        let strips = (0..2250).flat_map(|i| (0..8).map(move |j| (0.2 * f64::from(i), 3.0 * f64::from(j) - 12.0)));
        let samples: Vec<Sample> = strips.map(sample).collect();
        let area = MatRect { min: MatPoint::new(0.0, -150.0), max: MatPoint::new(450.0, 150.0) };
        let shade = Shade::fit(&samples, area, 0, None).expect("a shade");
        let learnt = |divisions: u32| {
            let grid =
                GridSighting { divisions, ..GridSighting::from_sides(Marking::DarkLines, [pitch, pitch], Vec::new()) };
            Lines::learn(&samples, &shade, &grid, &Lines::none())
        };
        let floor = learnt(1);
        assert!((floor.x.at(300.0)[1] + 0.5).abs() < 0.05, "{:?}", floor.x.at(300.0));
        assert_eq!(floor.x.at(75.0), [0.0; 3]);
        // Where finer lines were seen within a pitch, what repeats is printed.
        assert!(learnt(5).x.at(75.0)[1] < -0.5);
    }
}
