//! One spot looked at closely: which pixels are of its colour, how round they lie, where their middle is.
//!
//! Every pixel is taken for a mixture of the mark's colour and one of the few colours around it; its share of the mark's
//! colour is its weight, so the middle is known better than a pixel.

use nalgebra::{SMatrix, SVector, Vector2};

use super::MIDDLE_PX;
use super::level::{Colour, Level, apart, mean};
use super::spots::Spot;

/// Colours told apart around a mark: a stripe, the next, a stitch.
const COLOURS_AROUND: usize = 3;

/// A colour around the mark nearer to its own than so many gamma levels, or times its own spread, is the same to a camera.
const SAME_LEVELS: f32 = 10.0;
const SAME_SPREADS: f32 = 2.0;

/// Share of what is around that may be of the mark's own colour (another mark, a print's leaf).
const MOST_SAME: f64 = 0.15;

/// Longest over shortest spread of a round patch with what touches it, and least share of its ellipse it fills; and longest
/// over shortest width of the oval its rim lies on (cloth that slopes by 37 degrees).
const LONGEST: f64 = 1.5;
const LONGEST_OVAL: f64 = 1.25;
const LEAST_FILL: f64 = 0.75;

/// Where what is around lies, radii, and how far beyond the rim's blur, px.
const AROUND: (f64, f64) = (1.3, 2.0);
const BLUR_PX: f64 = 1.5;

/// Directions in which a patch's rim is sought.
const RAYS: usize = 64;

/// Drawn further aside than this, radii, it is two things of one size rather than one that something touches.
const MOST_DRAWN: f64 = 0.2;

/// How far off its oval half of a round rim may be, radii and pixels (noise): a square's is 0.07 off, a flower's more.
const RAGGED: f64 = 0.03;
const RAGGED_PX: f64 = 0.2;

/// A pixel so far from every mixture, as a share of what its colours lie apart, is of some other colour.
const UNLIKE: f32 = 0.3;

/// A round patch; pixels of the flat photo.
#[derive(Debug, Clone, Copy)]
pub(super) struct Patch {
    pub middle: (f64, f64),
    pub diameter: f64,
    pub colour: Colour,
    /// Half-width (95 %) of what something touching it may have drawn its middle aside.
    pub unsure: f64,
    /// By how much it stands out of the cloth.
    pub lead: f32,
}

impl Patch {
    /// Does it cover the other's middle, or the other its?
    pub fn overlaps(&self, other: &Patch) -> bool {
        let off = (self.middle.0 - other.middle.0).hypot(self.middle.1 - other.middle.1);
        off < 0.5 * self.diameter.max(other.diameter)
    }
}

/// What a spot turns out to be.
pub(super) enum Seen {
    Round(Patch),
    /// Of the colour, but not round.
    Odd(Patch),
    /// Not to be told from what is around it.
    Nothing,
}

/// Looks at a spot of one level, then at the same place of the finest: each look knows better where to look.
pub(super) fn seen(level: &Level, finest: &Level, spot: &Spot) -> Seen {
    let larger = level.factor / finest.factor;
    let patch = |disc: Disc, scale: f64, colour| Patch {
        diameter: 2.0 * disc.radius * scale,
        colour,
        middle: disc.middle,
        unsure: disc.unsure,
        lead: spot.lead,
    };
    let mut disc = Disc { middle: spot.middle, radius: spot.radius, unsure: 0.0 };
    for _ in 0..2 {
        let Some(window) = Window::new(level, disc) else { return Seen::Nothing };
        match window.disc() {
            Some(better) => disc = better,
            None => {
                let middle = level.place_on(finest, disc.middle);
                return Seen::Odd(patch(Disc { middle, ..disc }, larger, window.core));
            }
        }
    }
    disc = Disc { middle: level.place_on(finest, disc.middle), radius: disc.radius * larger, unsure: 0.0 };
    let mut core = None;
    for _ in 0..2 {
        let Some(window) = Window::new(finest, disc) else { return Seen::Nothing };
        match window.disc() {
            Some(better) => (disc, core) = (better, Some(window.core)),
            None => return Seen::Odd(patch(disc, 1.0, window.core)),
        }
    }
    core.map_or(Seen::Nothing, |core| Seen::Round(patch(disc, 1.0, core)))
}

/// Where a patch is thought to be, pixels of a level.
#[derive(Debug, Clone, Copy)]
struct Disc {
    middle: (f64, f64),
    radius: f64,
    /// Half-width (95 %) of what something touching it may have drawn the middle aside.
    unsure: f64,
}

impl Disc {
    /// Distance of a pixel from the middle.
    fn from(&self, x: i64, y: i64) -> f64 {
        (x as f64 - self.middle.0).hypot(y as f64 - self.middle.1)
    }
}

/// What surrounds a disc: every pixel's share of the mark's colour.
struct Window {
    core: Colour,
    first: (i64, i64),
    side: usize,
    share: Vec<f32>,
    disc: Disc,
}

impl Window {
    /// `None` where what is around is not told from the middle.
    fn new(level: &Level, disc: Disc) -> Option<Self> {
        let reach = (AROUND.1 * disc.radius + BLUR_PX).ceil() as i64;
        let first = (disc.middle.0.round() as i64 - reach, disc.middle.1.round() as i64 - reach);
        let side = (2 * reach + 1) as usize;
        let places =
            || (first.1..first.1 + side as i64).flat_map(|y| (first.0..first.0 + side as i64).map(move |x| (x, y)));
        let (from, to) = (AROUND.0 * disc.radius + BLUR_PX, AROUND.1 * disc.radius + BLUR_PX);
        let (mut inner, mut around) = (Vec::new(), Vec::new());
        for (x, y) in places() {
            let Some(colour) = level.colour(x, y) else { continue };
            let off = disc.from(x, y);
            if off <= (0.6 * disc.radius).max(1.0) {
                inner.push(colour);
            } else if off >= from && off <= to {
                around.push(colour);
            }
        }
        let core = mean(inner.iter().copied())?;
        let spread = (inner.iter().map(|c| apart(*c, core).powi(2)).sum::<f32>() / inner.len() as f32).sqrt();
        let others = others(core, SAME_LEVELS.max(SAME_SPREADS * spread), &around)?;
        let share = places()
            .map(|(x, y)| level.colour(x, y).map_or(0.0, |c| share_of(core, &others, 3.0 * spread, c)))
            .collect();
        Some(Self { core, first, side, share, disc })
    }

    /// The disc that the patch of the mark's colour about the middle fills; `None` unless there is one and it is round.
    fn disc(&self) -> Option<Disc> {
        let patch = self.grown()?;
        let mut sums = [0f64; 6];
        for (k, _) in patch.iter().enumerate().filter(|(_, on)| **on) {
            // From a quarter to three quarters of the step: noise of the cloth has no weight.
            let w = f64::from(((self.share[k] - 0.25) / 0.5).clamp(0.0, 1.0));
            let (x, y) = ((k % self.side) as f64, (k / self.side) as f64);
            for (sum, v) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                *sum += w * v;
            }
        }
        let [n, x, y, xx, xy, yy] = sums;
        if n <= 0.0 {
            return None;
        }
        let (x, y) = (x / n, y / n);
        let (xx, xy, yy) = (xx / n - x * x, xy / n - x * y, yy / n - y * y);
        let half = (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
        let (long, short) = (0.5 * (xx + yy) + half, (0.5 * (xx + yy) - half).max(1e-6));
        // A full ellipse of variances a and b has the area 4 pi sqrt(a b).
        let fill = n / (4.0 * std::f64::consts::PI * (long * short).sqrt());
        let round = (long / short).sqrt() < LONGEST && fill > LEAST_FILL;
        let middle = (self.first.0 as f64 + x, self.first.1 as f64 + y);
        let disc = Disc { middle, radius: (n / std::f64::consts::PI).sqrt(), unsure: 0.0 };
        self.by_rim(disc).filter(|_| round)
    }

    /// A disc by its rim, where something of its colour that touches it has drawn its weighted middle aside; `None` where
    /// the rim is that of a square, a flower or a fleck.
    fn by_rim(&self, disc: Disc) -> Option<Disc> {
        let rim = self.rim(&disc);
        let (circle, oval) = (Oval::fitted(&rim, false)?, Oval::fitted(&rim, true)?);
        let radius = circle.radius;
        let long = oval.radius + oval.stretch > LONGEST_OVAL * (oval.radius - oval.stretch);
        let off = circle.shift.norm();
        if long || oval.ragged > RAGGED * radius + RAGGED_PX || off > MOST_DRAWN * radius {
            return None;
        }
        // Three ways to the middle: what they differ by is in doubt, and so is what lengthens the rim, which may be on one side.
        let unsure = off.max((oval.shift - circle.shift).norm()).max(oval.stretch);
        if off < MIDDLE_PX {
            return Some(Disc { unsure, ..disc });
        }
        let middle = (disc.middle.0 + circle.shift.x, disc.middle.1 + circle.shift.y);
        Some(Disc { middle, radius, unsure })
    }

    /// Directions and distances at which the mark's colour ends, seen from the disc's middle.
    fn rim(&self, disc: &Disc) -> Vec<(Vector2<f64>, f64)> {
        let directions = (0..RAYS).map(|k| (k as f64 / RAYS as f64 * std::f64::consts::TAU).sin_cos());
        directions.filter_map(|(y, x)| Some((Vector2::new(x, y), self.end(disc.middle, (x, y))?))).collect()
    }

    fn end(&self, from: (f64, f64), way: (f64, f64)) -> Option<f64> {
        let mut last = 1.0;
        for step in 1..2 * self.side {
            let far = 0.5 * step as f64;
            let share = self.share_at(from.0 + far * way.0, from.1 + far * way.1)?;
            if share < 0.5 {
                return Some(far - 0.5 * (0.5 - share) / (last - share).max(1e-6));
            }
            last = share;
        }
        None
    }

    /// The share between pixels; `None` beyond the window.
    fn share_at(&self, x: f64, y: f64) -> Option<f64> {
        let (x, y) = (x - self.first.0 as f64, y - self.first.1 as f64);
        let most = (self.side - 1) as f64;
        if !(x >= 0.0 && y >= 0.0 && x < most && y < most) {
            return None;
        }
        let (c, r) = (x as usize, y as usize);
        let (u, v) = (x - c as f64, y - r as f64);
        let at = |c: usize, r: usize| f64::from(self.share[r * self.side + c].clamp(0.0, 1.0));
        Some(
            (1.0 - v) * ((1.0 - u) * at(c, r) + u * at(c + 1, r))
                + v * ((1.0 - u) * at(c, r + 1) + u * at(c + 1, r + 1)),
        )
    }

    /// Pixels more of the mark's colour than not that hang together with the middle, and their rim of mixtures; `None` if
    /// they reach the window's border or the middle is none.
    fn grown(&self) -> Option<Vec<bool>> {
        let side = self.side;
        let start = (self.disc.middle.1.round() as i64 - self.first.1) as usize * side
            + (self.disc.middle.0.round() as i64 - self.first.0) as usize;
        let mut on = vec![false; self.share.len()];
        let mut stack = vec![start];
        while let Some(k) = stack.pop() {
            if on[k] || self.share[k] <= 0.5 {
                continue;
            }
            on[k] = true;
            if k % side == 0 || k % side == side - 1 || k < side || k >= side * (side - 1) {
                return None;
            }
            stack.extend([k - 1, k + 1, k - side, k + side]);
        }
        let core: Vec<usize> = (0..on.len()).filter(|k| on[*k]).collect();
        for k in &core {
            let (x, y) = (k % side, k / side);
            for row in y.saturating_sub(2)..=(y + 2).min(side - 1) {
                on[row * side + x.saturating_sub(2)..=row * side + (x + 2).min(side - 1)].fill(true);
            }
        }
        (!core.is_empty()).then_some(on)
    }
}

/// A rim as an oval about a middle a little aside.
struct Oval {
    shift: Vector2<f64>,
    radius: f64,
    /// What its longest half width has over the radius.
    stretch: f64,
    /// How far half of the rim is off it at least.
    ragged: f64,
}

impl Oval {
    /// The circle, or oval, that most of a rim lies on: least sum of distances, so that a stretch of rim which belongs to
    /// something else has little say.
    fn fitted(rim: &[(Vector2<f64>, f64)], stretched: bool) -> Option<Self> {
        if rim.len() < RAYS / 2 {
            return None;
        }
        let twice = f64::from(u8::from(stretched));
        // A shift of the middle shows once round the rim, a stretch twice.
        let row = |way: &Vector2<f64>| {
            let (x, y) = (way.x, way.y);
            SVector::<f64, 5>::from([x, y, 1.0, twice * (x * x - y * y), twice * 2.0 * x * y])
        };
        let mut fit = SVector::<f64, 5>::zeros();
        fit[2] = rim.iter().map(|r| r.1).sum::<f64>() / rim.len() as f64;
        for _ in 0..20 {
            // A trifle on the diagonal keeps what is not fitted at nothing.
            let (mut normal, mut right) = (SMatrix::<f64, 5, 5>::identity() * 1e-9, SVector::<f64, 5>::zeros());
            for (way, far) in rim {
                let row = row(way);
                let weight = 1.0 / (far - row.dot(&fit)).abs().max(0.1);
                normal += weight * row * row.transpose();
                right += weight * *far * row;
            }
            fit = normal.try_inverse()? * right;
        }
        let mut off: Vec<f64> = rim.iter().map(|(way, far)| (far - row(way).dot(&fit)).abs()).collect();
        off.sort_by(f64::total_cmp);
        let (shift, stretch) = (fit.fixed_rows::<2>(0).into_owned(), fit[3].hypot(fit[4]));
        Some(Self { shift, radius: fit[2], stretch, ragged: off[off.len() / 2] })
    }
}

/// The few colours around a mark that are not its own; `None` if too much there is, or nothing is there.
fn others(core: Colour, same: f32, around: &[Colour]) -> Option<Vec<Colour>> {
    let mut means: Vec<Colour> = vec![mean(around.iter().copied())?];
    while means.len() < COLOURS_AROUND {
        let off = |c: &Colour| means.iter().map(|m| apart(*m, *c)).fold(f32::MAX, f32::min);
        means.push(*around.iter().max_by(|a, b| off(a).total_cmp(&off(b)))?);
    }
    let mut counts = vec![0; means.len()];
    for _ in 0..4 {
        let mut members = vec![Vec::new(); means.len()];
        for c in around {
            let nearest = (0..means.len()).min_by(|a, b| apart(means[*a], *c).total_cmp(&apart(means[*b], *c)))?;
            members[nearest].push(*c);
        }
        counts = members.iter().map(Vec::len).collect();
        means.iter_mut().zip(&members).for_each(|(m, of)| *m = mean(of.iter().copied()).unwrap_or(*m));
    }
    let told = |k: &usize| counts[*k] > 0 && apart(means[*k], core) > same;
    let kept: Vec<usize> = (0..means.len()).filter(told).collect();
    let lost = around.len() - kept.iter().map(|k| counts[*k]).sum::<usize>();
    (!kept.is_empty() && lost as f64 <= MOST_SAME * around.len() as f64)
        .then(|| kept.iter().map(|k| means[*k]).collect())
}

/// Share of the mark's colour in a pixel, as a mixture with that other colour which leaves least unexplained.
fn share_of(core: Colour, others: &[Colour], noise: f32, pixel: Colour) -> f32 {
    let mixture = |other: &Colour| {
        let (mut along, mut whole) = (0.0, 0.0);
        for i in 0..3 {
            along += (pixel[i] - other[i]) * (core[i] - other[i]);
            whole += (core[i] - other[i]).powi(2);
        }
        let share = along / whole;
        let mixed: Colour = std::array::from_fn(|i| other[i] + share.clamp(0.0, 1.0) * (core[i] - other[i]));
        let off = apart(pixel, mixed);
        (if off > noise.max(UNLIKE * whole.sqrt()) && share < 1.0 { 0.0 } else { share }, off)
    };
    others.iter().map(mixture).min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.0, |m| m.0)
}
