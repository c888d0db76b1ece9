//! Colour as the chain compares it: the logarithm of the camera's gamma values.
//!
//! Light falling on a thing multiplies its linear values by one factor; gamma values too, nearly
//! (by that factor's 1/2.2th power), so in the logarithm shade is a shift common to the channels. The offset
//! keeps the noise of dark pixels (about even in gamma values) from growing without bound.

/// Added to the gamma value (0-255) before the logarithm.
pub(crate) const DARK_OFFSET: f32 = 6.0;

/// `ln(v + 6)` of a gamma value 0-255.
pub fn log_from_gamma(gamma: f32) -> f32 {
    (gamma.max(0.0) + DARK_OFFSET).ln()
}

/// The inverse of [`log_from_gamma`].
pub fn gamma_from_log(log: f32) -> f32 {
    log.exp() - DARK_OFFSET
}

/// The 256 values of [`log_from_gamma`].
pub(crate) fn log_table() -> [f32; 256] {
    std::array::from_fn(|v| log_from_gamma(v as f32))
}

/// A difference of log colours, split: brightness, and the two colour differences (red, blue against green).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Departure {
    pub brightness: f32,
    pub colour: [f32; 2],
}

impl Departure {
    pub(crate) fn between(seen: [f32; 3], expected: [f32; 3]) -> Self {
        let d = [seen[0] - expected[0], seen[1] - expected[1], seen[2] - expected[2]];
        Self { brightness: (d[0] + d[1] + d[2]) / 3.0, colour: [d[0] - d[1], d[2] - d[1]] }
    }

    /// The three components in order.
    pub(crate) fn parts(self) -> [f32; 3] {
        [self.brightness, self.colour[0], self.colour[1]]
    }
}

/// Inner product of two colours.
pub(crate) fn dot(a: [f32; 3], b: [f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Middle of the values (partly sorts them); NaN if there are none.
pub(crate) fn median(values: &mut [f32]) -> f32 {
    quantile(values, 0.5)
}

/// A quantile by selection (partly sorts the values); NaN if there are none.
pub(crate) fn quantile(values: &mut [f32], share: f32) -> f32 {
    if values.is_empty() {
        return f32::NAN;
    }
    let k = ((values.len() - 1) as f32 * share).round() as usize;
    *values.select_nth_unstable_by(k.min(values.len() - 1), f32::total_cmp).1
}
