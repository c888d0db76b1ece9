//! A few colours that stand for many, and how far a pixel is from being one of them in other light.

use wide::f32x8;

use super::appearance::{dot, median, quantile};

/// Most rounds of k-means.
const ROUNDS: usize = 10;

/// Colours that move less than this in a round have settled, gamma levels.
const SETTLED: f32 = 0.3;

/// More colours are kept where they bring the spread below this share of the fewer ones'.
const MORE_IS_BETTER: f32 = 0.8;

/// So many larger palettes in a row without gain, and no larger one is tried.
const VAIN_TRIES: usize = 2;

/// Pixels from which a colour's own spread is known.
const ENOUGH: usize = 12;

/// Pixels of one colour differ by so much at least (noise, JPEG), gamma levels.
const LEAST_SPREAD: f32 = 2.5;

/// Most that being a rare colour costs, in squared standard deviations.
const DEAREST: f32 = 4.0;

/// A colour is another than one known if it lies so many of its spreads, of at least so many gamma levels, from that one's ray.
const OTHER_SPREADS: f32 = 3.0;
const LEAST_OTHER_SPREAD: f32 = 4.0;

/// A pixel differed from its neighbours by at most so many times more before their colour bled into it.
const MOST_BLED: f32 = 2.0;

/// A set of colours (gamma values 0-255) with the spread of pixels about them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Palette {
    /// The colours.
    pub colours: Vec<[f32; 3]>,
    /// What being a rare colour costs, in squared standard deviations: minus twice the logarithm of its share.
    pub prices: Vec<f32>,
    /// Robust standard deviation of pixels about a colour's ray (its own shade apart), gamma levels.
    pub spread: f32,
    /// The same of every colour's own pixels.
    pub spreads: Vec<f32>,
}

/// The colour of a palette that a pixel most likely is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Nearest {
    /// Squared distance from its ray in its own standard deviations, with the price of the light needed.
    pub distance: f32,
    /// What being this colour costs.
    pub price: f32,
    /// Its standard deviation, gamma levels.
    pub sigma: f32,
}

impl Palette {
    /// As many colours as it takes, at most `most`: more only where they fit the pixels clearly better.
    pub fn learn(pixels: &[[f32; 3]], most: usize) -> Self {
        let mut sorted = pixels.to_vec();
        sorted.sort_by(|a, b| (a[0] + 2.0 * a[1] + a[2]).total_cmp(&(b[0] + 2.0 * b[1] + b[2])));
        let row = SeenRow::plain(pixels);
        let with = |count: usize| Self::with_colours(pixels, &row, &sorted, count);
        let mut best = with(1.min(most));
        let mut vain = 0;
        for count in [2, 4, 6, 8].into_iter().filter(|c| *c <= most) {
            let more = with(count);
            vain += 1;
            if more.spread < MORE_IS_BETTER * best.spread {
                (best, vain) = (more, 0);
            }
            if vain == VAIN_TRIES {
                break;
            }
        }
        best
    }

    /// At most `count` colours by k-means, started from pixels spread over the brightness order (`sorted`).
    fn with_colours(pixels: &[[f32; 3]], row: &SeenRow, sorted: &[[f32; 3]], count: usize) -> Self {
        if pixels.is_empty() || count == 0 {
            return Self::default();
        }
        let start = |k: usize| sorted[(2 * k + 1) * (sorted.len() - 1) / (2 * count)];
        let mut colours: Vec<[f32; 3]> = (0..count).map(start).collect();
        let mut kept = vec![0usize; count];
        for _ in 0..ROUNDS {
            let mut sums = vec![[0f64; 3]; count];
            kept = vec![0; count];
            row.least(
                count,
                |eight, k| eight.off(colours[k]),
                |i, k, _| {
                    kept[k] += 1;
                    for (s, v) in sums[k].iter_mut().zip(pixels[i]) {
                        *s += f64::from(v);
                    }
                },
            );
            let mut moved = 0f32;
            for (k, colour) in colours.iter_mut().enumerate().filter(|(k, _)| kept[*k] > 0) {
                let mean = sums[k].map(|s| (s / kept[k] as f64) as f32);
                moved = (0..3).map(|c| (mean[c] - colour[c]).abs()).fold(moved, f32::max);
                *colour = mean;
            }
            if moved < SETTLED {
                break;
            }
        }
        // A colour that few pixels have is a stray (a pin, a speck), not the cloth's.
        let least = pixels.len() / 200;
        let shares: Vec<f32> = kept.iter().map(|n| *n as f32 / pixels.len() as f32).collect();
        let keep: Vec<bool> = (0..count).map(|k| kept[k] > least && !is_blend(k, &colours, &shares)).collect();
        let prices = (0..count).filter(|k| keep[*k]).map(|k| rarity_price(shares[k])).collect();
        let colours: Vec<[f32; 3]> = (0..count).filter(|k| keep[*k]).map(|k| colours[k]).collect();
        let steady = Light { factor: (0.9, 1.08), free: (0.9, 1.08), price: 0.0, sigma: 1.0 };
        let mut off = Vec::with_capacity(pixels.len());
        row.least(colours.len(), |eight, k| steady.eight_bled(*eight, colours[k]), |_, k, least| off.push((k, least)));
        // Two of three channels are free; the 0.8 quantile of chi squared with two degrees of freedom is 3.22.
        let spread = (quantile(&mut off.iter().map(|o| o.1).collect::<Vec<_>>(), 0.8) / 3.22).sqrt();
        let spread = if spread.is_finite() { spread } else { 0.0 };
        let spreads = (0..colours.len())
            .map(|k| {
                let mut own: Vec<f32> = off.iter().filter(|o| o.0 == k).map(|o| o.1).collect();
                // Its middle value, 1.39, hears less of the pixels on a stripe's border.
                if own.len() < ENOUGH { spread } else { (median(&mut own) / 1.386).sqrt() }
            })
            .collect();
        Self { colours, prices, spread, spreads }
    }

    /// These colours of a part, and those of the whole that none of them is in any light: rare ones here.
    pub(crate) fn with_others_of(&self, whole: &Self) -> Self {
        let mut all = self.clone();
        if self.colours.is_empty() {
            return all;
        }
        for (k, colour) in whole.colours.iter().enumerate() {
            if self.nearest_distance(*colour, ANY_SHADE) > whole.apart(k) {
                all.colours.push(*colour);
                all.prices.push(DEAREST);
                all.spreads.push(whole.spreads[k]);
            }
        }
        all
    }

    /// Squared distance from a ray beyond which a pixel is of another colour than the `k`th, gamma levels squared.
    pub(crate) fn apart(&self, k: usize) -> f32 {
        (OTHER_SPREADS * self.spreads[k].max(LEAST_OTHER_SPREAD)).powi(2)
    }

    /// Least of pixels' squared distances to the colours' rays (the colour in weaker or stronger light), prices included.
    pub(crate) fn distances(&self, seen: &SeenRow, light: Light) -> Vec<f32> {
        let mut distances = Vec::with_capacity(seen.len());
        let priced =
            |eight: &Eight, k: usize| light.eight(eight.colour, self.colours[k]) + f32x8::splat(self.prices[k]);
        seen.least(self.colours.len(), priced, |_, _, least| distances.push(least));
        distances
    }

    /// Least of squared distances to the colours' rays, whatever they cost.
    pub(crate) fn nearest_distance(&self, seen: [f32; 3], light: Light) -> f32 {
        self.nearest_ray(seen, light).map_or(f32::INFINITY, |nearest| nearest.1)
    }

    /// The colour to whose ray the squared distance is least, whatever it costs, and that distance.
    pub(crate) fn nearest_ray(&self, seen: [f32; 3], light: Light) -> Option<(usize, f32)> {
        let distances = self.colours.iter().map(|c| light.distance(seen, *c));
        distances.enumerate().min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// The colours in a light, each as even as its own pixels, at most as the light says.
    pub(crate) fn lit(&self, light: Light) -> LitPalette {
        let lit = |((colour, price), spread): ((&[f32; 3], &f32), &f32)| {
            let sigma = spread.clamp(LEAST_SPREAD, light.sigma.max(LEAST_SPREAD));
            let cost = price + 2.0 * (sigma / light.sigma).ln();
            LitColour { colour: *colour, light: Light { sigma, ..light }, price: *price, cost }
        };
        LitPalette { colours: self.colours.iter().zip(&self.prices).zip(&self.spreads).map(lit).collect() }
    }
}

/// A palette's colours in a light.
#[derive(Debug, Clone)]
pub(crate) struct LitPalette {
    colours: Vec<LitColour>,
}

#[derive(Debug, Clone)]
struct LitColour {
    colour: [f32; 3],
    light: Light,
    price: f32,
    /// What being this colour costs besides its distance: its price, and what the wider of two laws loses.
    cost: f32,
}

impl LitPalette {
    /// The colours that pixels most likely are.
    pub(crate) fn nearest(&self, seen: &SeenRow) -> Vec<Nearest> {
        let mut best = vec![Nearest { distance: f32::INFINITY, price: 0.0, sigma: 1.0 }; seen.len()];
        let mut least = vec![f32::INFINITY; seen.len()];
        for lit in &self.colours {
            let distances = lit.light.distances_bled(seen, lit.colour);
            for ((best, least), distance) in best.iter_mut().zip(&mut least).zip(distances) {
                if distance + lit.cost < *least {
                    *least = distance + lit.cost;
                    *best = Nearest { distance, price: lit.price, sigma: lit.light.sigma };
                }
            }
        }
        best
    }
}

fn rarity_price(share: f32) -> f32 {
    (-2.0 * share.max(1e-3).ln()).min(DEAREST)
}

/// Is a colour no colour of its own: a mixture of two that pixels on their border show, or a darker shade of one?
fn is_blend(k: usize, colours: &[[f32; 3]], shares: &[f32]) -> bool {
    let common = |j: &usize| *j != k && shares[*j] > 2.0 * shares[k];
    let shade = Light { factor: (0.4, 0.92), free: (0.0, 1.0), price: 0.0, sigma: 1.0 };
    if shares[k] < 0.12 && (0..colours.len()).filter(common).any(|j| shade.distance(colours[k], colours[j]) < 60.0) {
        return true;
    }
    shares[k] < 0.12
        && (0..colours.len()).filter(common).any(|i| {
            (i + 1..colours.len()).filter(common).any(|j| {
                let (a, b, c) = (colours[i], colours[j], colours[k]);
                let d: [f32; 3] = std::array::from_fn(|n| b[n] - a[n]);
                let d2: f32 = d.iter().map(|v| v * v).sum();
                let t: f32 = (0..3).map(|n| (c[n] - a[n]) * d[n]).sum::<f32>() / d2.max(1.0);
                let off: f32 = (0..3).map(|n| (c[n] - a[n] - t * d[n]).powi(2)).sum();
                d2 > 60.0 * 60.0 && (0.15..0.85).contains(&t) && off < 0.01 * d2
            })
        })
}

/// How a colour may change with the light that falls on it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Light {
    /// Least and greatest factor on gamma values.
    pub factor: (f32, f32),
    /// Factors that cost nothing.
    pub free: (f32, f32),
    /// Price of a factor per unit outside the free range.
    pub price: f32,
    /// Standard deviation of a channel, gamma levels.
    pub sigma: f32,
}

/// The light that a colour of the cloth may lie in, all of it alike.
pub(crate) const ANY_SHADE: Light = Light { factor: (0.5, 1.2), free: (0.5, 1.2), price: 0.0, sigma: 1.0 };

/// A pixel and what may have bled into it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    /// Gamma values.
    pub colour: [f32; 3],
    /// By what its colour differs from its neighbours' mean, its brightness apart: their colour bleeds into it, so that it
    /// may in truth differ by more.
    pub from_neighbours: [f32; 3],
}

/// A pixel and the colour that it is compared with.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Compared {
    pub seen: Seen,
    /// Gamma values.
    pub colour: [f32; 3],
    /// Standard deviation of a channel, gamma levels.
    pub sigma: f32,
}

/// Pixels side by side, eight at a time and channel by channel: the processor takes so many at once.
#[derive(Debug, Clone, Default)]
pub(crate) struct SeenRow {
    count: usize,
    eights: Vec<Eight>,
}

/// Eight pixels' channels and what may have bled into them.
#[derive(Debug, Clone, Copy)]
struct Eight {
    colour: [f32x8; 3],
    from_neighbours: [f32x8; 3],
}

impl Eight {
    /// Squared distance from a colour.
    fn off(&self, colour: [f32; 3]) -> f32x8 {
        let off = |c: usize| self.colour[c] - f32x8::splat(colour[c]);
        off(0) * off(0) + off(1) * off(1) + off(2) * off(2)
    }
}

impl SeenRow {
    pub(crate) fn of(pixels: &[Seen]) -> Self {
        let eights = pixels.chunks(8).map(|eight| Eight {
            colour: std::array::from_fn(|c| gathered(eight, |p| p.colour[c])),
            from_neighbours: std::array::from_fn(|c| gathered(eight, |p| p.from_neighbours[c])),
        });
        Self { count: pixels.len(), eights: eights.collect() }
    }

    /// Pixels into which nothing has bled.
    fn plain(pixels: &[[f32; 3]]) -> Self {
        let seen = |p: &[f32; 3]| Seen { colour: *p, from_neighbours: [0.0; 3] };
        Self::of(&pixels.iter().map(seen).collect::<Vec<_>>())
    }

    pub(crate) fn len(&self) -> usize {
        self.count
    }

    /// Hands out every pixel's number, the colour (of `count`) of which `cost` says the least, and how little that is.
    fn least(&self, count: usize, cost: impl Fn(&Eight, usize) -> f32x8, mut take: impl FnMut(usize, usize, f32)) {
        for (n, eight) in self.eights.iter().enumerate() {
            let mut best = (f32x8::ZERO, f32x8::splat(f32::INFINITY));
            for k in 0..count {
                let cost = cost(eight, k);
                let is_less = cost.simd_lt(best.1);
                best = (is_less.select(f32x8::splat(k as f32), best.0), is_less.select(cost, best.1));
            }
            let (k, least) = (best.0.to_array(), best.1.to_array());
            for i in 0..(self.count - 8 * n).min(8) {
                take(8 * n + i, k[i] as usize, least[i]);
            }
        }
    }
}

/// A value of each of up to eight; 0 beyond them.
fn gathered<T>(eight: &[T], value: impl Fn(&T) -> f32) -> f32x8 {
    f32x8::from(std::array::from_fn(|k| eight.get(k).map_or(0.0, &value)))
}

fn inner(a: [f32x8; 3], b: [f32x8; 3]) -> f32x8 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn within(v: f32x8, (least, most): (f32, f32)) -> f32x8 {
    v.fast_max(f32x8::splat(least)).fast_min(f32x8::splat(most))
}

impl Light {
    /// Squared distance in standard deviations, plus the price of the light needed.
    pub(crate) fn distance(&self, seen: [f32; 3], colour: [f32; 3]) -> f32 {
        let (factor, off) = self.off(seen, colour);
        self.cost(factor, off)
    }

    /// The same of many pixels from one colour, each as it was, at best, before its neighbours' colour bled into it.
    pub(crate) fn distances_bled(&self, seen: &SeenRow, colour: [f32; 3]) -> impl Iterator<Item = f32> {
        seen.eights.iter().flat_map(move |eight| self.eight_bled(*eight, colour).to_array()).take(seen.count)
    }

    /// That of many pixels from a colour each; the light's own deviation does not count.
    pub(crate) fn distances_bled_each(&self, pairs: &[Compared]) -> impl Iterator<Item = f32> {
        pairs.chunks(8).flat_map(|eight| {
            let pixels = Eight {
                colour: std::array::from_fn(|c| gathered(eight, |s| s.seen.colour[c])),
                from_neighbours: std::array::from_fn(|c| gathered(eight, |s| s.seen.from_neighbours[c])),
            };
            let (colour, sigma) =
                (std::array::from_fn(|c| gathered(eight, |s| s.colour[c])), gathered(eight, |s| s.sigma));
            self.eight_bled_each(pixels, colour, sigma * sigma).to_array().into_iter().take(eight.len())
        })
    }

    /// [`Self::off`] and [`Self::cost`] of eight pixels at once.
    fn eight(&self, seen: [f32x8; 3], colour: [f32; 3]) -> f32x8 {
        let (factor, off) = self.eight_off(seen, colour.map(f32x8::splat));
        self.eight_cost(factor, off, f32x8::splat(self.sigma * self.sigma))
    }

    /// The same, what has bled taken back between them.
    fn eight_bled(&self, seen: Eight, colour: [f32; 3]) -> f32x8 {
        self.eight_bled_each(seen, colour.map(f32x8::splat), f32x8::splat(self.sigma * self.sigma))
    }

    /// The same of a colour each.
    fn eight_bled_each(&self, seen: Eight, colour: [f32x8; 3], variance: f32x8) -> f32x8 {
        let (factor, off) = self.eight_off(seen.colour, colour);
        let away = seen.from_neighbours;
        // Where nothing has bled nothing is added.
        let length2 = inner(away, away).fast_max(f32x8::splat(f32::MIN_POSITIVE));
        let more = within(-inner(off, away) / length2, (0.0, MOST_BLED));
        self.eight_cost(factor, std::array::from_fn(|c| off[c] + more * away[c]), variance)
    }

    fn eight_off(&self, seen: [f32x8; 3], colour: [f32x8; 3]) -> (f32x8, [f32x8; 3]) {
        let norm = inner(colour, colour).fast_max(f32x8::splat(1.0));
        let factor = within(inner(seen, colour) / norm, self.factor);
        (factor, std::array::from_fn(|c| seen[c] - factor * colour[c]))
    }

    fn eight_cost(&self, factor: f32x8, off: [f32x8; 3], variance: f32x8) -> f32x8 {
        let (free_from, free_to) = (f32x8::splat(self.free.0), f32x8::splat(self.free.1));
        let outside = (free_from - factor).fast_max(factor - free_to).fast_max(f32x8::ZERO);
        inner(off, off) / variance + f32x8::splat(self.price) * outside
    }

    /// The factor of the light on a colour that fits best, and what is left.
    fn off(&self, seen: [f32; 3], colour: [f32; 3]) -> (f32, [f32; 3]) {
        let factor = (dot(seen, colour) / dot(colour, colour).max(1.0)).clamp(self.factor.0, self.factor.1);
        (factor, std::array::from_fn(|i| seen[i] - factor * colour[i]))
    }

    fn cost(&self, factor: f32, off: [f32; 3]) -> f32 {
        let outside = (self.free.0 - factor).max(factor - self.free.1).max(0.0);
        dot(off, off) / (self.sigma * self.sigma) + self.price * outside
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEADY: Light = Light { factor: (0.8, 1.1), free: (0.8, 1.1), price: 0.0, sigma: 2.5 };

    #[test]
    fn a_pixel_into_which_red_has_bled_is_still_the_mats() {
        let (mat, red) = ([152.0, 138.0, 110.0], [180.0, 40.0, 40.0]);
        let bled = |share: f32| -> [f32; 3] { std::array::from_fn(|c| mat[c] + share * (red[c] - mat[c])) };
        let seen = bled(0.2);
        // Neighbours, half of them red, differ from it towards red.
        let from_neighbours: [f32; 3] = std::array::from_fn(|c| seen[c] - bled(0.5)[c]);
        let brightness = from_neighbours.iter().sum::<f32>() / 3.0;
        let from_neighbours = from_neighbours.map(|v| v - brightness);
        let off = STEADY.distance(seen, mat);
        assert!(off > 20.0, "{off}");
        // It was no redder than it is: red has bled into it, not out of it.
        let away = [from_neighbours, from_neighbours.map(|v: f32| -v), [0.0; 3]];
        let pixels = away.map(|from_neighbours| Seen { colour: seen, from_neighbours });
        let row = SeenRow::of(&pixels);
        let told: Vec<f32> = STEADY.distances_bled(&row, mat).collect();
        assert!(told[0] < 0.1 * off && told[1] >= off - 1e-3 && told[2] == off, "{told:?} of {off}");
        // Colour by colour, and as a palette's where nothing is taken back.
        let each = pixels.map(|pixel| Compared { seen: pixel, colour: mat, sigma: STEADY.sigma });
        assert_eq!(STEADY.distances_bled_each(&each).collect::<Vec<f32>>(), told);
        let palette = Palette { colours: vec![red, mat], prices: vec![0.0, 1.5], ..Palette::default() };
        assert_eq!(palette.distances(&row, STEADY), [off + 1.5; 3]);
    }

    #[test]
    fn every_colour_is_as_even_as_its_own_pixels() {
        let mut random = crate::garment::tests::Random(5);
        let mut pixel = |level: f32, deviation: f32| {
            [level, level, level + 20.0].map(|v: f32| v + deviation * random.normal() as f32)
        };
        let pixels: Vec<[f32; 3]> =
            (0..600).map(|k| if k % 3 == 0 { pixel(180.0, 2.0) } else { pixel(60.0, 6.0) }).collect();
        let palette = Palette::learn(&pixels, 2);
        assert_eq!(palette.colours.len(), 2);
        for (colour, spread) in palette.colours.iter().zip(&palette.spreads) {
            let wanted = if colour[0] > 120.0 { 2.0 } else { 6.0 };
            assert!((spread / wanted - 1.0).abs() < 0.25, "{spread} for {wanted}");
        }
    }

    #[test]
    fn a_part_takes_from_the_whole_the_colours_it_does_not_know_in_any_light() {
        let of = |colours: &[[f32; 3]]| {
            let n = colours.len();
            Palette { colours: colours.to_vec(), prices: vec![1.0; n], spread: 3.0, spreads: vec![3.0; n] }
        };
        let (purple, black) = ([105.0, 31.0, 194.0], [22.0, 42.0, 20.0]);
        let whole = of(&[purple.map(|v| 0.8 * v), black]);
        let part = of(&[purple]).with_others_of(&whole);
        assert_eq!(part.colours, [purple, black], "purple in weaker light is no other colour");
        assert_eq!(part.prices, [1.0, DEAREST]);
        assert_eq!(Palette::default().with_others_of(&whole), Palette::default(), "what was not read stays so");
    }
}
