//! Do the mat's printed lines run on in the strip between two paths of the edge?
//!
//! Where they do, the strip is mat, however dark or tinted it is: a shadow. Cloth hides them. How much of the lines shows is
//! the slope of the brightness seen over the brightness foreseen, along the outline, so that neither the strip's own shade
//! nor its run from one border to the other counts; it is held against the slopes on either side, where mat and cloth are
//! certain.

use std::ops::Range;

use rayon::prelude::*;

use super::profiles::{Profiles, log_brightness};

/// Points either way whose strips are read together (about 30 mm), and every how many points they are.
const REACH_POINTS: usize = 34;
const STRIDE: usize = 4;

/// Points either way over which a strip is as wide as the widest place.
const CLOSED_POINTS: usize = 6;

/// Narrower strips are not read, mm; nor is so much at either border.
const LEAST_MM: f64 = 0.5;
const BORDER_MM: f64 = 0.15;

/// Where mat and cloth are certain, mm outside the outer path and inside the inner one.
const MAT_MM: (f64, f64) = (0.4, 2.4);
const CLOTH_MM: (f64, f64) = (0.6, 2.6);

/// Samples of a strip that see the same photo pixels.
const ALIKE_SAMPLES: f64 = 4.0;

/// Standard deviation of what shows above which nothing is told.
const LARGEST_SIGMA: f64 = 0.2;

/// How much of the lines shows in the strip at every point: 1 as on the mat beside it, 0 as on the cloth. `None` where no
/// line crosses a strip wide enough, or too few to tell.
///
/// `inner` and `outer` are samples of the profiles.
pub(crate) fn shown_between(profiles: &Profiles, inner: &[usize], outer: &[usize]) -> Vec<Option<f32>> {
    let n = profiles.count();
    let samples = |mm: f64| (mm / profiles.step_mm).round() as usize;
    // Where lines cross it, the strip may be closed: there the outer path is drawn in to where they end.
    let gap: Vec<usize> = inner.iter().zip(outer).map(|(a, b)| b.saturating_sub(*a)).collect();
    let across =
        |i: usize| (0..=2 * CLOSED_POINTS).map(|k| gap[(i + n + k - CLOSED_POINTS.min(n)) % n]).max().unwrap_or(0);
    let outer: Vec<usize> = (0..n).map(|i| (inner[i] + across(i)).min(profiles.len - 1)).collect();
    let wide: Vec<bool> = inner.iter().zip(&outer).map(|(a, b)| *b >= *a + samples(LEAST_MM)).collect();
    let border = samples(BORDER_MM);
    // The inner path may lie inside the edge: the outer half is read.
    let strip = |i: usize| inner[i].midpoint(outer[i])..(outer[i] + 1 - border).min(profiles.len);
    let mat = |i: usize| outer[i] + samples(MAT_MM.0)..(outer[i] + samples(MAT_MM.1)).min(profiles.len);
    let cloth = |i: usize| inner[i].saturating_sub(samples(CLOTH_MM.1))..inner[i].saturating_sub(samples(CLOTH_MM.0));
    let told = |middle: usize| {
        let points: Vec<usize> =
            (0..=2 * REACH_POINTS).map(|k| (middle + n + k - REACH_POINTS.min(n)) % n).filter(|i| wide[*i]).collect();
        let here = Slope::along(profiles, &points, strip)?;
        let (mat, cloth) = (Slope::along(profiles, &points, mat)?, Slope::along(profiles, &points, cloth)?);
        let apart = mat.slope - cloth.slope;
        let sigma = here.sigma.hypot(mat.sigma).hypot(cloth.sigma) / apart;
        (apart > 0.0 && sigma < LARGEST_SIGMA).then_some(((here.slope - cloth.slope) / apart) as f32)
    };
    let mut shown = vec![None; n];
    shown.par_chunks_mut(STRIDE).zip(wide.par_chunks(STRIDE)).enumerate().for_each(|(segment, (shown, wide))| {
        if wide.contains(&true) {
            let told = told((segment * STRIDE + STRIDE / 2).min(n - 1));
            shown.iter_mut().zip(wide).filter(|(_, wide)| **wide).for_each(|(shown, _)| *shown = told);
        }
    });
    shown
}

/// A slope with its standard deviation.
struct Slope {
    slope: f64,
    sigma: f64,
}

/// Sums over a column of samples that lie alike in their ranges.
#[derive(Debug, Clone, Copy, Default)]
struct Column {
    count: f64,
    seen: f64,
    line: f64,
    seen2: f64,
    line2: f64,
    product: f64,
}

impl Slope {
    /// Brightness seen over that of the printed lines, along the points, column by column of their ranges.
    fn along(profiles: &Profiles, points: &[usize], range: impl Fn(usize) -> Range<usize>) -> Option<Self> {
        let mut columns = vec![Column::default(); profiles.len];
        for i in points {
            let ground = log_brightness(profiles.ground[*i]);
            let (all_seen, all_expected) = (profiles.seen(*i), profiles.expected(*i));
            for (j, column) in range(*i).zip(&mut columns) {
                let seen = f64::from(log_brightness(all_seen[j]));
                let line = f64::from(log_brightness(all_expected[j]) - ground);
                column.count += 1.0;
                column.seen += seen;
                column.line += line;
                column.seen2 += seen * seen;
                column.line2 += line * line;
                column.product += seen * line;
            }
        }
        let about = |sum2: f64, a: f64, b: f64, count: f64| sum2 - a * b / count;
        let used = || columns.iter().filter(|c| c.count > 2.0);
        let line2: f64 = used().map(|c| about(c.line2, c.line, c.line, c.count)).sum();
        let seen2: f64 = used().map(|c| about(c.seen2, c.seen, c.seen, c.count)).sum();
        let product: f64 = used().map(|c| about(c.product, c.seen, c.line, c.count)).sum();
        let count: f64 = used().map(|c| c.count - 1.0).sum();
        if line2 <= 0.0 || count <= 0.0 {
            return None;
        }
        let slope = product / line2;
        let rest = ((seen2 - slope * product) / count).max(0.0);
        Some(Self { slope, sigma: (rest * ALIKE_SAMPLES / line2).sqrt() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    const N: usize = 240;
    const LEN: usize = 81;

    /// Mat with a line across every tenth profile; a strip of shade from sample 30 to 45; cloth inside of it, or from the
    /// strip's outer border.
    fn profiles(lines_shown: bool, lines_along: bool) -> Profiles {
        let mut random = Random(3);
        let (mut seen, mut expected) = (Vec::new(), Vec::new());
        for i in 0..N {
            for j in 0..LEN {
                let line = if lines_along { (36..40).contains(&j) } else { i % 10 < 2 };
                let bare: f32 = if line { 120.0 } else { 60.0 };
                let tone = match j {
                    0..30 => 40.0,
                    30..45 if lines_shown => 0.5 * bare,
                    30..45 => 30.0,
                    _ => bare,
                };
                expected.push([bare; 3]);
                seen.push([tone + 2.0 * random.normal() as f32; 3]);
            }
        }
        let ground = vec![[60.0; 3]; N];
        let tones = false;
        Profiles { first_mm: -4.0, step_mm: 0.1, len: LEN, pixel_mm: 0.3, seen, expected, ground, tones }
    }

    /// The outer path is drawn in where lines cross the strip, as it is in photos.
    fn shown(profiles: &Profiles) -> Vec<Option<f32>> {
        let outer: Vec<usize> = (0..N).map(|i| if i % 10 < 2 { 30 } else { 45 }).collect();
        shown_between(profiles, &[30; N], &outer)
    }

    #[test]
    fn lines_that_run_through_a_strip_are_told_from_lines_that_end_at_it() {
        let close = |shown: Vec<Option<f32>>, to: f32| shown.iter().all(|s| s.is_some_and(|s| (s - to).abs() < 0.25));
        assert!(close(shown(&profiles(true, false)), 1.0));
        assert!(close(shown(&profiles(false, false)), 0.0));
    }

    #[test]
    fn a_line_along_the_strip_and_a_strip_too_narrow_tell_nothing() {
        assert!(shown(&profiles(true, true)).iter().all(Option::is_none));
        assert!(shown_between(&profiles(true, false), &[30; N], &[33; N]).iter().all(Option::is_none));
    }
}
