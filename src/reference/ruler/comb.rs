//! A comb of ticks along a line: windows with one strong frequency, chained while it changes slowly, then the phase
//! followed from tick to tick.

use std::sync::{Arc, OnceLock};

use image::GrayImage;
use nalgebra::Vector2;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::lines::PhotoLine;
use crate::reference::light::sample;
use crate::units::ImagePoint;

/// Length of a window, px, and how far apart windows start.
const WINDOW: usize = 160;
const HOP: usize = 80;
/// Longest and shortest period of ticks, px.
const PERIODS: (f64, f64) = (2.6, 40.0);
/// Share of a window's variance at its strongest frequency that makes it a comb.
const PERIODIC: f64 = 0.2;
/// The period changes by less than this from window to window (share).
const DRIFT: f64 = 0.035;
/// Shortest comb, windows and ticks.
const LEAST_WINDOWS: usize = 4;
const LEAST_TICKS: f64 = 30.0;

/// A stretch of a line with ticks.
#[derive(Debug, Clone)]
pub(super) struct Comb {
    /// The line along the middle of the ticks' common part.
    pub line: PhotoLine,
    /// (place along the line px, tick number), a point every few px, in order.
    pub track: Vec<(f64, f64)>,
}

impl Comb {
    /// Where along the line it begins and ends, px.
    pub(super) fn ends(&self) -> Option<(f64, f64)> {
        Some((self.track.first()?.0, self.track.last()?.0))
    }

    /// Ticks from end to end.
    pub(super) fn ticks(&self) -> f64 {
        match (self.track.first(), self.track.last()) {
            (Some(a), Some(b)) => b.1 - a.1,
            _ => 0.0,
        }
    }

    /// The place along the line of a tick number; `None` beyond the ends.
    pub(super) fn place_of(&self, tick: f64) -> Option<f64> {
        let i = self.track.partition_point(|t| t.1 <= tick);
        let (a, b) = (self.track.get(i.checked_sub(1)?)?, self.track.get(i)?);
        Some(a.0 + (b.0 - a.0) * (tick - a.1) / (b.1 - a.1))
    }

    /// Is a point abreast of the comb?
    pub(super) fn spans(&self, at: ImagePoint) -> bool {
        let along = self.line.along.dot(&(at - self.line.at));
        self.track.first().is_some_and(|t| along > t.0) && self.track.last().is_some_and(|t| along < t.0)
    }

    /// Px from tick to tick around a place.
    pub(super) fn period_at(&self, tick: f64) -> Option<f64> {
        Some(0.25 * (self.place_of(tick + 2.0)? - self.place_of(tick - 2.0)?))
    }
}

/// Grey values along a line, from its point `from` px on; NaN outside the photo.
pub(super) fn profile(luma: &GrayImage, line: &PhotoLine, from: i32, count: usize) -> Vec<f64> {
    let mut values = vec![f64::NAN; count];
    let (first, last) = within(luma, line);
    let index = |place: f64| (place - f64::from(from)).clamp(0.0, count as f64) as usize;
    for (k, value) in values.iter_mut().enumerate().take(index(last.ceil() + 1.0)).skip(index(first.floor())) {
        *value = sample(luma, line.at + line.along * f64::from(from + k as i32)).unwrap_or(f64::NAN);
    }
    values
}

/// Between which places along a line it runs through the photo, px; the first beyond the last if it does not.
fn within(luma: &GrayImage, line: &PhotoLine) -> (f64, f64) {
    let cut = |at: f64, along: f64, size: u32| {
        let (a, b) = (-at / along, (f64::from(size) - at) / along);
        // A line along the border is cut by the other two.
        if along.abs() < 1e-9 { (f64::NEG_INFINITY, f64::INFINITY) } else { (a.min(b), a.max(b)) }
    };
    let across = cut(line.at.x, line.along.x, luma.width());
    let down = cut(line.at.y, line.along.y, luma.height());
    (across.0.max(down.0), across.1.min(down.1))
}

/// The longest comb along a line.
pub(super) fn along(luma: &GrayImage, line: PhotoLine) -> Option<Comb> {
    Rough::along(luma, line)?.followed(luma)
}

/// What looks like a comb along a line, its phase not followed yet: that takes longer than finding it.
pub(super) struct Rough {
    pub line: PhotoLine,
    /// Where along it the comb begins and ends, px, about.
    pub ends: (f64, f64),
    /// Frequency and share of variance of every window, and the first and last of the comb's.
    windows: Vec<Option<(f64, f64)>>,
    chain: (usize, usize),
    /// Mean share of variance.
    pub strength: f64,
    /// Ticks from end to end, about.
    pub ticks: f64,
}

impl Rough {
    /// The longest along a line.
    pub(super) fn along(luma: &GrayImage, line: PhotoLine) -> Option<Self> {
        let values = whole_profile(luma, &line);
        let windows: Vec<Option<(f64, f64)>> = (0..values.len().saturating_sub(WINDOW) / HOP)
            .map(|k| strongest(&values[k * HOP..k * HOP + WINDOW]))
            .collect();
        let chain = longest_chain(&windows)?;
        let count = (chain.1 - chain.0 + 1) as f64;
        let seen = || windows[chain.0..=chain.1].iter().flatten();
        let strength = seen().map(|w| w.1).sum::<f64>() / count;
        let frequency = seen().map(|w| w.0).sum::<f64>() / seen().count().max(1) as f64;
        let ticks = frequency * ((count - 1.0) * HOP as f64 + WINDOW as f64);
        let place = |k: usize| k as f64 - f64::from(reach(luma));
        let ends = (place(chain.0 * HOP), place(chain.1 * HOP + WINDOW));
        Some(Self { line, ends, windows, chain, strength, ticks })
    }

    /// The comb, from tick to tick.
    pub(super) fn followed(&self, luma: &GrayImage) -> Option<Comb> {
        let reach = f64::from(reach(luma));
        let track = follow(&whole_profile(luma, &self.line), &self.windows, self.chain)?;
        let track = track.into_iter().map(|(s, k)| (s - reach, k)).collect();
        let comb = Comb { line: self.line, track };
        (comb.ticks() >= LEAST_TICKS).then_some(comb)
    }
}

/// A line's profile as far as the photo may reach either way.
fn whole_profile(luma: &GrayImage, line: &PhotoLine) -> Vec<f64> {
    let reach = reach(luma);
    profile(luma, line, -reach, 2 * reach as usize)
}

fn reach(luma: &GrayImage) -> i32 {
    f64::from(luma.width()).hypot(f64::from(luma.height())) as i32
}

/// A Hann window and the transform of a padded window, made once.
struct Spectrum {
    hann: Vec<f64>,
    transform: Arc<dyn Fft<f64>>,
}

/// Bins of the transform: half a bin of the bare window apart.
const BINS: usize = 2 * WINDOW;

fn spectrum() -> &'static Spectrum {
    static MADE: OnceLock<Spectrum> = OnceLock::new();
    MADE.get_or_init(|| {
        let turn = |i: usize| std::f64::consts::TAU * (i as f64 + 0.5) / WINDOW as f64;
        Spectrum {
            hann: (0..WINDOW).map(|i| 0.5 - 0.5 * turn(i).cos()).collect(),
            transform: FftPlanner::new().plan_fft_forward(BINS),
        }
    })
}

/// The strongest frequency of a window (cycles per px) and its share of the variance.
fn strongest(values: &[f64]) -> Option<(f64, f64)> {
    if values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let Spectrum { hann, transform } = spectrum();
    let mut shaped = [Complex::new(0.0, 0.0); BINS];
    for ((out, v), h) in shaped.iter_mut().zip(values).zip(hann) {
        out.re = (v - mean) * h;
    }
    let total: f64 = shaped.iter().map(|v| v.re * v.re).sum();
    if total < n * 1.5 {
        return None;
    }
    transform.process(&mut shaped);
    let (lo, hi) = (BINS as f64 / PERIODS.1, BINS as f64 / PERIODS.0);
    let powers: Vec<f64> = shaped[lo.round() as usize..=hi as usize].iter().map(Complex::norm_sqr).collect();
    let (k, most) = powers.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    // A Hann window spreads a tone over 1.5 bins: 2/3 of N/2 of its power comes back.
    let share = most / (total * n / 3.0);
    let f = match (powers.get(k.wrapping_sub(1)), powers.get(k + 1)) {
        (Some(a), Some(b)) if a + b < 2.0 * most => k as f64 + 0.5 * (b - a) / (2.0 * most - a - b),
        _ => k as f64,
    };
    (share > PERIODIC).then_some(((lo.round() + f) / BINS as f64, share))
}

/// First and last window of the longest run whose frequency changes slowly; single gaps are bridged.
fn longest_chain(windows: &[Option<(f64, f64)>]) -> Option<(usize, usize)> {
    let mut best: Option<(usize, usize, f64)> = None;
    for start in 0..windows.len() {
        let Some((mut f, share)) = windows[start] else { continue };
        if start > 0 && best.is_some_and(|b| start <= b.1) {
            continue;
        }
        let (mut last, mut gap, mut weight) = (start, 0, share);
        for (k, window) in windows.iter().enumerate().skip(start + 1) {
            match window {
                Some((g, share)) if (g / f).ln().abs() < DRIFT * (1.0 + f64::from(gap)) => {
                    (f, last, gap) = (*g, k, 0);
                    weight += share;
                }
                _ => gap += 1,
            }
            if gap > 3 {
                break;
            }
        }
        let ticks = (last - start) as f64 * HOP as f64 * f;
        let rating = weight.min(ticks);
        if last - start + 1 >= LEAST_WINDOWS && best.is_none_or(|b| rating > b.2) {
            best = Some((start, last, rating));
        }
    }
    best.map(|b| (b.0, b.1))
}

/// Follows the phase: the tick number at places every few px, demodulated at the local frequency.
fn follow(values: &[f64], windows: &[Option<(f64, f64)>], chain: (usize, usize)) -> Option<Vec<(f64, f64)>> {
    let known: Vec<(f64, f64)> = (chain.0..=chain.1)
        .filter_map(|k| windows[k].map(|(f, _)| ((k * HOP) as f64 + 0.5 * WINDOW as f64, f)))
        .collect();
    let frequency = |s: f64| {
        let i = known.partition_point(|p| p.0 <= s).clamp(1, known.len().max(2) - 1);
        let (a, b) = (known[i - 1], known[i]);
        a.1 + (b.1 - a.1) * ((s - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
    };
    if known.len() < 2 {
        return None;
    }
    let (first, last) = (known[0].0 - 0.5 * WINDOW as f64, known[known.len() - 1].0 + 0.5 * WINDOW as f64);
    // The running sum of the frequency: a first count of ticks.
    let n = (last - first) as usize;
    let mut count = vec![0.0; n + 1];
    for i in 0..n {
        count[i + 1] = count[i] + frequency(first + i as f64 + 0.5);
    }
    let mut track = Vec::new();
    let mut before = 0.0;
    let carrier: Vec<(f64, f64)> = count.iter().map(|turns| (std::f64::consts::TAU * turns).sin_cos()).collect();
    let amplitude = |s: f64| demodulated(values, &carrier, first, s, 2.5 / frequency(s));
    let mut strengths: Vec<f64> = (0..n / 16).filter_map(|k| amplitude(first + 16.0 * k as f64)).map(|a| a.0).collect();
    let typical = crate::camera::median(&mut strengths);
    let step = (0.5 / frequency(0.5 * (first + last))).max(2.0);
    let mut s = first;
    while s <= last {
        if let Some((_, phase)) = amplitude(s).filter(|a| a.0 > 0.3 * typical) {
            let turns: f64 = phase / std::f64::consts::TAU;
            let near = turns + (before - turns).round();
            before = near;
            track.push((s, count[(s - first) as usize] + (s - s.floor()) * frequency(s) + near));
        }
        s += step;
    }
    Some(steady(track))
}

/// The running sums of a signal against a count of turns, under weights.
#[derive(Default)]
struct Demodulation {
    product: (f64, f64),
    carrier: (f64, f64),
    signal: f64,
    weight: f64,
}

impl Demodulation {
    /// Takes in a grey value; `cos` and `sin` are the weight times those of the count there.
    fn take(&mut self, value: f64, weight: f64, cos: f64, sin: f64) {
        self.product = (self.product.0 + value * cos, self.product.1 + value * sin);
        self.carrier = (self.carrier.0 + cos, self.carrier.1 + sin);
        self.signal += weight * value;
        self.weight += weight;
    }

    /// Amplitude, and by how much of a turn what is darkest comes after whole numbers, radians; `None` from under 60 % of a
    /// Gaussian of standard deviation `sigma` (whose weights sum to 2.5 sigma).
    fn read(&self, sigma: f64) -> Option<(f64, f64)> {
        if self.weight < 1.5 * sigma {
            return None;
        }
        let mean = self.signal / self.weight;
        let re = -(self.product.0 - mean * self.carrier.0);
        let im = -(self.product.1 - mean * self.carrier.1);
        Some((re.hypot(im) / self.weight, im.atan2(re)))
    }
}

/// A Gaussian's weight.
fn gaussian(off: f64, sigma: f64) -> f64 {
    (-0.5 * (off / sigma).powi(2)).exp()
}

/// Amplitude and phase (of what is darkest at whole numbers) against the count, whose sine and cosine `carrier` holds from
/// `first` on, under a Gaussian of a width.
fn demodulated(values: &[f64], carrier: &[(f64, f64)], first: f64, s: f64, sigma: f64) -> Option<(f64, f64)> {
    let reach = (3.0 * sigma).ceil() as i64;
    let mut sums = Demodulation::default();
    for i in -reach..=reach {
        let at = s.round() as i64 + i;
        let k = at - first as i64;
        let (Some(v), Some((sin, cos))) =
            (values.get(usize::try_from(at).ok()?), carrier.get(usize::try_from(k).unwrap_or(usize::MAX)))
        else {
            continue;
        };
        if !v.is_nan() {
            let weight = gaussian(at as f64 - s, sigma);
            sums.take(*v, weight, weight * cos, weight * sin);
        }
    }
    // cos(2 pi (count + turns)) has its crest where count + turns is whole.
    sums.read(sigma).map(|(amplitude, late)| (amplitude, -late))
}

/// The track without places where the number runs backwards or jumps.
fn steady(track: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::with_capacity(track.len());
    for t in track {
        if out.last().is_none_or(|b| t.1 > b.1 + 1e-6) {
            out.push(t);
        }
    }
    out
}

/// The ticks around one of a comb's, ready to be read along any parallel line.
pub(super) struct Probe<'a> {
    luma: &'a GrayImage,
    /// The tick's place on the comb's line, its directions, and the period there.
    at: ImagePoint,
    along: Vector2<f64>,
    period: f64,
    /// First sample along the line; for every px from there a weight, and that times cosine and sine of the count.
    from: f64,
    weights: Vec<(f64, f64, f64)>,
}

impl<'a> Probe<'a> {
    pub(super) fn at(luma: &'a GrayImage, comb: &Comb, tick: f64) -> Option<Self> {
        let (place, period) = (comb.place_of(tick)?, comb.period_at(tick)?);
        let sigma = 2.5 * period;
        let reach = (3.0 * sigma).ceil() as i32;
        let mut j = 0;
        let weights = (-reach..=reach)
            .map(|i| {
                let along = place + f64::from(i);
                j += comb.track[j..].iter().take_while(|t| t.0 <= along).count();
                let (Some(a), Some(b)) = (comb.track.get(j.wrapping_sub(1)), comb.track.get(j)) else {
                    return (0.0, 0.0, 0.0);
                };
                let turns = a.1 + (b.1 - a.1) * (along - a.0) / (b.0 - a.0);
                let (sin, cos) = (std::f64::consts::TAU * turns).sin_cos();
                let weight = gaussian(f64::from(i), sigma);
                (weight, weight * cos, weight * sin)
            })
            .collect();
        let at = comb.line.at + comb.line.along * place;
        Some(Self { luma, at, along: comb.line.along, period, from: -f64::from(reach), weights })
    }

    /// The tick along the line `off` px to the side, and the comb's amplitude there; `None` where it is too faint or
    /// outside the photo.
    pub(super) fn read(&self, off: f64) -> Option<(ImagePoint, f64)> {
        let normal = Vector2::new(-self.along.y, self.along.x);
        let (start, mut sums) = (self.at + self.along * self.from + normal * off, Demodulation::default());
        for (i, (weight, cos, sin)) in self.weights.iter().enumerate() {
            let value = sample(self.luma, start + self.along * i as f64)?;
            sums.take(value, *weight, *cos, *sin);
        }
        let (amplitude, late) = sums.read(2.5 * self.period)?;
        // Ticks seen later along the line than the comb's own by so much.
        let late = late / std::f64::consts::TAU * self.period;
        Some((self.at + self.along * late + normal * off, amplitude))
    }
}

/// The same comb read along a parallel line `off` px to the side; `None` where its ticks are too faint there.
pub(super) fn beside(luma: &GrayImage, comb: &Comb, off: f64, tick: f64) -> Option<(ImagePoint, f64)> {
    Probe::at(luma, comb, tick)?.read(off)
}
