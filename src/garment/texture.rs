//! How cloth and mat differ cell by cell in this photo, whatever their colours: learnt from a first label.
//!
//! A heathered or rough cloth of the mat's own colour departs from the bare mat here and not there; a mat is even all
//! over. Two counts, of departure and of unevenness, each of cloth and of the rest, say how much a cell of either kind
//! is worth.

use rayon::prelude::*;

use super::cells::Layout;
use super::evidence::Evidence;

/// Bins of a count; each holds as many cells as any other.
const BINS: usize = 24;

/// About so many cells of the whole picture are counted.
const ENOUGH_CELLS: usize = 80_000;

/// Cells' worth of belief that a bin says nothing.
const PRIOR: f32 = 20.0;

/// Most that a count may say of one cell (nats).
const CLIP: f32 = 2.0;

/// A cell of cloth whose departure says less is unclear. Where few are, departure alone is the better judge: it counts a
/// cell half covered for half, and texture counts it for cloth. The shares from which texture joins in, and judges alone.
const CLEAR_VOTE: f32 = 0.5;
const UNCLEAR: (f32, f32) = (0.1, 0.4);

/// Departure and unevenness tell in part the same.
const SHARE: f32 = 0.7;

/// Log ratios of cloth over the rest.
pub(crate) struct Texture {
    /// For cells without a printed line and with one: departure, unevenness. `None` if they count for nothing.
    kinds: Option<[[Scale; 2]; 2]>,
    /// Beyond the printed grid, where nothing is foreseen: unevenness.
    beyond: Scale,
    /// What it counts for against the plain departure, 0 to 1.
    weight: f32,
}

impl Texture {
    /// Learns from cells taken for cloth and for the rest.
    pub(crate) fn learn(layout: &Layout, e: &Evidence, cloth: &[bool], rest: &[bool]) -> Self {
        let kind = |lined: bool| {
            let of = |values: &[f32]| {
                let chosen =
                    |from: &[bool]| counted(layout, |k| from[k] && e.lined[k] == lined && e.depth[k] > 0.0, values);
                Scale::learn(chosen(cloth), chosen(rest))
            };
            <[Scale; 2]>::from(rayon::join(|| of(&e.departure), || of(&e.unevenness)))
        };
        let beyond = || {
            Scale::learn(
                counted(layout, |k| cloth[k] && !e.lined[k] && e.depth[k] > 0.0, &e.unevenness),
                counted(layout, |k| rest[k] && e.depth[k] < 0.0, &e.unevenness),
            )
        };
        let weight = || {
            let cells = || (0..layout.len()).into_par_iter().with_min_len(4096).filter(|k| cloth[*k]);
            let unclear = cells().filter(|k| e.departure_vote(*k) < CLEAR_VOTE).count();
            let share = unclear as f32 / cells().count().max(1) as f32;
            ((share - UNCLEAR.0) / (UNCLEAR.1 - UNCLEAR.0)).clamp(0.0, 1.0)
        };
        let (weight, beyond) = rayon::join(weight, beyond);
        let both = || rayon::join(|| kind(false), || kind(true)).into();
        let kinds = (weight > 0.0).then(both);
        Self { kinds, beyond, weight }
    }

    /// Does the cloth look like the mat, or part of it?
    pub(crate) fn is_needed(&self) -> bool {
        self.weight > 0.0
    }

    /// Positive for cloth.
    pub(crate) fn vote(&self, e: &Evidence, k: usize) -> f32 {
        let plain = e.departure_vote(k);
        let Some(kinds) = &self.kinds else { return plain };
        let [departure, unevenness] = &kinds[usize::from(e.lined[k])];
        let told = SHARE * (departure.ratio(e.departure[k]) + unevenness.ratio(e.unevenness[k]));
        plain + self.weight * (told - plain)
    }

    /// The same beyond the printed grid, where a table may have the cloth's colour.
    pub(crate) fn vote_beyond(&self, e: &Evidence, k: usize) -> f32 {
        self.beyond.ratio(e.unevenness[k])
    }
}

/// Values of the cells chosen, of so many cells that counts are sure.
fn counted(layout: &Layout, chosen: impl Fn(usize) -> bool, values: &[f32]) -> Vec<f32> {
    let every = (layout.len() / ENOUGH_CELLS).max(1);
    (0..layout.len()).step_by(every).filter(|k| chosen(*k)).map(|k| values[k]).collect()
}

/// Log ratio over the values of one feature.
struct Scale {
    /// Upper ends of the bins but the last.
    ends: Vec<f32>,
    ratios: Vec<f32>,
}

impl Scale {
    fn learn(cloth: Vec<f32>, rest: Vec<f32>) -> Self {
        let mut all: Vec<f32> = cloth.iter().chain(&rest).copied().collect();
        all.par_sort_unstable_by(f32::total_cmp);
        let end = |bin: usize| all.get(bin * all.len() / BINS).copied();
        let mut scale = Self { ends: (1..BINS).filter_map(end).collect(), ratios: Vec::new() };
        let counts = |values: &[f32]| {
            let mut counts = vec![0f32; scale.ends.len() + 1];
            values.iter().for_each(|v| counts[scale.bin(*v)] += 1.0);
            smoothed(&counts)
        };
        let (inside, outside) = (counts(&cloth), counts(&rest));
        let shares = (cloth.len().max(1) as f32, rest.len().max(1) as f32);
        // The prior is shared out as the whole is, so that it pulls towards no ratio.
        let even = |of: f32| PRIOR * of / (shares.0 + shares.1);
        let ratio = |c: &f32, r: &f32| ((c + even(shares.0)) / shares.0 / ((r + even(shares.1)) / shares.1)).ln();
        scale.ratios = inside.iter().zip(&outside).map(|(c, r)| ratio(c, r).clamp(-CLIP, CLIP)).collect();
        scale
    }

    fn bin(&self, value: f32) -> usize {
        self.ends.partition_point(|end| *end <= value)
    }

    fn ratio(&self, value: f32) -> f32 {
        self.ratios[self.bin(value)]
    }
}

/// Quarter, half and quarter of neighbouring bins.
fn smoothed(counts: &[f32]) -> Vec<f32> {
    let n = counts.len();
    let at = |i: usize| counts[i.min(n - 1)];
    (0..n).map(|i| 0.25 * (at(i.saturating_sub(1)) + at(i + 1)) + 0.5 * at(i)).collect()
}
