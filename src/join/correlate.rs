//! Likeness of two reliefs at every shift at once, through Fourier transforms (the correlation theorem).

use rustfft::num_complex::Complex32;
use rustfft::{FftDirection, FftPlanner};

use super::relief::Relief;

/// Least share of a relief's own strength that must take part in the overlap.
const LEAST_SHARE: f32 = 0.08;

/// The shifts of whole cells that make `other` most like `one`, best first: (likeness, shift).
pub(super) fn best_shifts(one: &Relief, other: &Relief, count: usize) -> Vec<(f32, [i32; 2])> {
    let n = one.per_cell as i64;
    let size = [0, 1].map(|a| smooth_size(one.size[a] + other.size[a]));
    let square = |r: &Relief| -> Vec<f32> { r.values.iter().map(|v| v * v).collect() };
    let (squares_one, squares_other) = (square(one), square(other));
    let spectrum = |r: &Relief, values: &[f32]| transformed(&padded(r.size, values, size), size);
    let both = product(&spectrum(one, &one.values), &spectrum(other, &other.values), size);
    let of_one = product(&spectrum(one, &squares_one), &spectrum(other, &other.seen), size);
    let of_other = product(&spectrum(one, &one.seen), &spectrum(other, &squares_other), size);
    let (total_one, total_other) = (squares_one.iter().sum::<f32>(), squares_other.iter().sum::<f32>());
    let mut found = Vec::new();
    // one[b + s] goes with other[b]; s is a whole number of cells apart from the two origins.
    let cells = |a: usize| {
        let apart = one.origin[a] - other.origin[a];
        let (low, high) = (-(other.size[a] as i64) / n, one.size[a] as i64 / n);
        (low..=high).map(move |k| (k, apart + k as i32))
    };
    for (kx, dx) in cells(0) {
        for (ky, dy) in cells(1) {
            let at = |k: i64, a: usize| (k * n).rem_euclid(size[a] as i64) as usize;
            let k = at(ky, 1) * size[0] + at(kx, 0);
            let (a, b) = (of_one[k], of_other[k]);
            if a > LEAST_SHARE * total_one && b > LEAST_SHARE * total_other {
                found.push((both[k] / (a * b).sqrt(), [dx, dy]));
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(count);
    found
}

/// The next size that Fourier transforms like: no factors but 2, 3 and 5.
fn smooth_size(least: usize) -> usize {
    let smooth = |mut n: usize| {
        for p in [2, 3, 5] {
            while n.is_multiple_of(p) {
                n /= p;
            }
        }
        n == 1
    };
    (least.max(1)..).find(|n| smooth(*n)).unwrap_or(least)
}

fn padded([w, h]: [usize; 2], values: &[f32], [width, _]: [usize; 2]) -> Vec<(usize, f32)> {
    (0..w * h).filter(|k| values[*k] != 0.0).map(|k| ((k / w) * width + k % w, values[k])).collect()
}

fn transformed(values: &[(usize, f32)], size: [usize; 2]) -> Vec<Complex32> {
    let mut field = vec![Complex32::default(); size[0] * size[1]];
    for (k, v) in values {
        field[*k].re = *v;
    }
    transform(&mut field, size, FftDirection::Forward);
    field
}

/// The real correlation from two spectra, scaled.
fn product(one: &[Complex32], other: &[Complex32], size: [usize; 2]) -> Vec<f32> {
    let mut field: Vec<Complex32> = one.iter().zip(other).map(|(a, b)| a * b.conj()).collect();
    transform(&mut field, size, FftDirection::Inverse);
    let scale = 1.0 / field.len() as f32;
    field.iter().map(|v| v.re * scale).collect()
}

fn transform(field: &mut Vec<Complex32>, [w, h]: [usize; 2], direction: FftDirection) {
    let mut planner = FftPlanner::new();
    planner.plan_fft(w, direction).process(field);
    let mut turned = transposed(field, w, h);
    planner.plan_fft(h, direction).process(&mut turned);
    *field = transposed(&turned, h, w);
}

fn transposed(field: &[Complex32], w: usize, h: usize) -> Vec<Complex32> {
    let mut out = vec![Complex32::default(); field.len()];
    for r in 0..h {
        for c in 0..w {
            out[c * h + r] = field[r * w + c];
        }
    }
    out
}
