//! A few colours that stand for many, and how far a pixel is from being one of them in other light.

/// Most rounds of k-means.
const ROUNDS: usize = 10;

/// A set of colours (gamma values 0-255) with the spread of pixels about them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Palette {
    /// The colours.
    pub colours: Vec<[f32; 3]>,
    /// Root mean square distance of a pixel from its colour, a channel, gamma levels.
    pub spread: f32,
}

impl Palette {
    /// At most `count` colours by k-means, started from pixels spread over the brightness order.
    pub fn learn(pixels: &[[f32; 3]], count: usize) -> Self {
        if pixels.is_empty() || count == 0 {
            return Self::default();
        }
        let mut sorted = pixels.to_vec();
        sorted.sort_by(|a, b| (a[0] + 2.0 * a[1] + a[2]).total_cmp(&(b[0] + 2.0 * b[1] + b[2])));
        let start = |k: usize| sorted[(2 * k + 1) * (sorted.len() - 1) / (2 * count)];
        let mut colours: Vec<[f32; 3]> = (0..count).map(start).collect();
        let mut kept = vec![0usize; count];
        for _ in 0..ROUNDS {
            let mut sums = vec![[0f64; 3]; count];
            kept = vec![0; count];
            for p in pixels {
                let (k, _) = nearest(&colours, p);
                kept[k] += 1;
                for (s, v) in sums[k].iter_mut().zip(p) {
                    *s += f64::from(*v);
                }
            }
            for (k, colour) in colours.iter_mut().enumerate().filter(|(k, _)| kept[*k] > 0) {
                *colour = sums[k].map(|s| (s / kept[k] as f64) as f32);
            }
        }
        // A colour that few pixels have is a stray (a pin, a speck), not the cloth's.
        let least = pixels.len() / 200;
        let mut k = 0;
        colours.retain(|_| {
            k += 1;
            kept[k - 1] > least
        });
        let mean: f32 = pixels.iter().map(|p| nearest(&colours, p).1).sum::<f32>() / pixels.len() as f32;
        Self { colours, spread: (mean / 3.0).sqrt() }
    }

    /// Least of squared distances to the colours' rays (the colour in weaker or stronger light).
    pub(crate) fn distance(&self, seen: [f32; 3], light: Light) -> f32 {
        self.colours.iter().map(|c| light.distance(seen, *c)).fold(f32::INFINITY, f32::min)
    }
}

fn nearest(colours: &[[f32; 3]], p: &[f32; 3]) -> (usize, f32) {
    let d2 = |c: &[f32; 3]| (0..3).map(|i| (c[i] - p[i]).powi(2)).sum::<f32>();
    colours.iter().map(d2).enumerate().fold((0, f32::INFINITY), |best, (k, d)| if d < best.1 { (k, d) } else { best })
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

impl Light {
    /// Squared distance in standard deviations, plus the price of the light needed.
    pub(crate) fn distance(&self, seen: [f32; 3], colour: [f32; 3]) -> f32 {
        let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        let s = (dot(seen, colour) / dot(colour, colour).max(1.0)).clamp(self.factor.0, self.factor.1);
        let d2: f32 = (0..3).map(|i| (seen[i] - s * colour[i]).powi(2)).sum();
        let outside = (self.free.0 - s).max(s - self.free.1).max(0.0);
        d2 / (self.sigma * self.sigma) + self.price * outside
    }
}
