//! The flat photo at its own size, at half of it, at a quarter ...: in one of them a mark of any size is a few pixels wide.

use image::{Rgb, RgbImage};

/// A colour, gamma levels of 255.
pub(super) type Colour = [f32; 3];

/// The flat photo at one size.
pub(super) struct Level {
    /// Its pixels.
    pub rgb: RgbImage,
    /// Which of them lie on the cloth.
    pub inside: Vec<bool>,
    /// Pixels of the flat photo that one of these is wide.
    pub factor: f64,
}

impl Level {
    /// This level and those of half the size, so many in all.
    pub fn pyramid(self, count: usize) -> Vec<Self> {
        let mut levels = vec![self];
        while levels.len() < count
            && let Some(last) = levels.last()
            && last.rgb.width().min(last.rgb.height()) >= 16
        {
            levels.push(last.halved());
        }
        levels
    }

    fn halved(&self) -> Self {
        let (width, height) = (self.rgb.width() / 2, self.rgb.height() / 2);
        let quad = |x: u32, y: u32| [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(dx, dy)| (2 * x + dx, 2 * y + dy));
        let rgb = RgbImage::from_fn(width, height, |x, y| {
            let of = quad(x, y).map(|(x, y)| self.rgb.get_pixel(x, y).0);
            Rgb(std::array::from_fn(|i| ((of.iter().map(|p| u32::from(p[i])).sum::<u32>() + 2) / 4) as u8))
        });
        let on = |x: u32, y: u32| quad(x, y).iter().all(|(x, y)| self.inside[(y * self.rgb.width() + x) as usize]);
        let inside = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| on(x, y)).collect();
        Self { rgb, inside, factor: 2.0 * self.factor }
    }

    /// The colour of a pixel of the cloth; `None` beside it.
    pub fn colour(&self, x: i64, y: i64) -> Option<Colour> {
        let (x, y) = (u32::try_from(x).ok()?, u32::try_from(y).ok()?);
        let on = x < self.rgb.width() && y < self.rgb.height() && self.inside[(y * self.rgb.width() + x) as usize];
        on.then(|| self.rgb.get_pixel(x, y).0.map(f32::from))
    }

    /// A place of this level on another.
    pub fn place_on(&self, other: &Self, (x, y): (f64, f64)) -> (f64, f64) {
        let along = |v: f64| (v + 0.5) * self.factor / other.factor - 0.5;
        (along(x), along(y))
    }
}

/// Distance of two colours, gamma levels.
pub(super) fn apart(a: Colour, b: Colour) -> f32 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f32>().sqrt()
}

/// The mean of colours; `None` of none.
pub(super) fn mean(colours: impl Iterator<Item = Colour>) -> Option<Colour> {
    let (mut sum, mut count) = ([0.0f32; 3], 0);
    for colour in colours {
        sum.iter_mut().zip(colour).for_each(|(s, v)| *s += v);
        count += 1;
    }
    (count > 0).then(|| sum.map(|s| s / count as f32))
}
