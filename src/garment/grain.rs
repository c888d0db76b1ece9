//! The mat's own grain: fibres, wear, print and scratches that a photo of the bare mat shows in the same places, unless
//! cloth lies on them. Where cloth and mat have one colour nothing tells them apart as surely.
//!
//! Cell by cell the photo is correlated with the bare photo (both less their slopes, so that shade does not count). How far bare
//! mat agrees with itself is learnt near the lines that are seen; cloth agrees by chance only.

use rayon::prelude::*;

use super::appearance::quantile;
use super::cells::{CELL_PX, Layout};
use super::extent::{MatExtent, Seen};
use crate::bare::BareMat;
use crate::camera::Camera;
use crate::photo::Photo;
use crate::units::ImagePoint;

/// Samples across a cell: about one a photo pixel, in bounds.
const ACROSS: (f64, f64) = (5.0, 12.0);

/// Kinds of cells, by how much the bare photo shows in them.
const KINDS: usize = 12;

/// Mean square (gamma levels) below which a cell shows nothing.
const LEAST_POWER: f32 = 0.05;

/// Bare cells of a kind from which their correlation is learnt.
const ENOUGH_BARE: usize = 60;

/// Least spread of the correlation (Fisher's z) from cell to cell.
const LEAST_SPREAD: f32 = 0.12;

/// The most that a bare and a hidden cell may say (nats).
const MOST: (f32, f32) = (-3.0, 3.0);

/// What the grain says of every cell: the log likelihood ratio of cloth over bare mat, 0 where it says nothing.
pub(crate) fn votes(
    (photo, camera): (&Photo, &Camera),
    bare: &BareMat,
    layout: &Layout,
    extent: &MatExtent,
    seen: &Seen,
) -> Vec<f32> {
    let agreed = agreements(photo, camera, bare, layout, extent);
    let known = agreed.iter().zip(&seen.near).filter(|(_, near)| **near).filter_map(|(agreed, _)| *agreed);
    let kinds = Kinds::learn(known.collect());
    agreed.iter().map(|agreed| agreed.map_or(0.0, |agreed| kinds.ratio(agreed).clamp(MOST.0, MOST.1))).collect()
}

/// How the bare photo and the one with the garment agree in a cell.
#[derive(Debug, Clone, Copy)]
struct Agreement {
    /// Mean square of what the bare photo shows there.
    power: f32,
    /// Fisher's z of the correlation.
    z: f32,
}

/// What bare mat of one kind agrees in.
#[derive(Debug, Clone, Copy)]
struct Kind {
    /// Power up to which a place is of the kind.
    up_to: f32,
    usual: f32,
    spread: f32,
}

/// What bare mat agrees in, by how much there is to see of it in the bare photo: a printed line, wear, or next to nothing.
struct Kinds(Vec<Kind>);

impl Kinds {
    /// Kinds of as many cells each, learnt from cells of which most are bare.
    fn learn(mut known: Vec<Agreement>) -> Self {
        known.sort_unstable_by(|a, b| a.power.total_cmp(&b.power));
        let each = known.len().div_ceil(KINDS).max(ENOUGH_BARE);
        let kind = |some: &[Agreement]| {
            let middle = |values: &mut dyn Iterator<Item = f32>| quantile(&mut values.collect::<Vec<_>>(), 0.5);
            let usual = middle(&mut some.iter().map(|a| a.z)).max(0.0);
            // 1.4826 times the middle deviation is a normal law's own.
            let spread = (1.4826 * middle(&mut some.iter().map(|a| (a.z - usual).abs()))).max(LEAST_SPREAD);
            Kind { up_to: some.last().map_or(0.0, |a| a.power), usual, spread }
        };
        Self(known.chunks(each).filter(|some| some.len() >= ENOUGH_BARE).map(kind).collect())
    }

    /// Log likelihood ratio of no agreement over that of bare mat: between two normal distributions of one spread. 0 where
    /// nothing is known.
    fn ratio(&self, agreed: Agreement) -> f32 {
        let kind = self.0.partition_point(|kind| kind.up_to < agreed.power);
        let Some(kind) = self.0.get(kind).or(self.0.last()) else { return 0.0 };
        kind.usual * (kind.usual - 2.0 * agreed.z) / (2.0 * kind.spread * kind.spread)
    }
}

/// How photo and bare photo agree within every cell on the mat; `None` where either is missing.
fn agreements(
    photo: &Photo,
    camera: &Camera,
    bare: &BareMat,
    layout: &Layout,
    extent: &MatExtent,
) -> Vec<Option<Agreement>> {
    let px_per_mm = camera.px_per_mm(extent.rect.min.lerp(extent.rect.max, 0.5)).0;
    let across = (layout.cell_mm() * px_per_mm).clamp(ACROSS.0, ACROSS.1).round() as usize;
    let cell = |k: usize| {
        let (column, row) = (k % layout.columns, k / layout.columns);
        if !layout.valid[k] || extent.depth_mm(layout.centre(column, row)) < 0.0 {
            return None;
        }
        Pair::read(photo, camera, bare, layout, (column, row), across).map(Pair::agreement)
    };
    (0..layout.len()).into_par_iter().with_min_len(1024).map(cell).collect()
}

/// A cell in both photos, sample by sample.
struct Pair {
    across: usize,
    seen: Vec<f32>,
    bare: Vec<f32>,
}

impl Pair {
    fn read(
        photo: &Photo,
        camera: &Camera,
        bare: &BareMat,
        layout: &Layout,
        (column, row): (usize, usize),
        across: usize,
    ) -> Option<Self> {
        let edge = |k: usize, by: usize| ((k + by) * CELL_PX) as f64 - 0.5;
        let corner = |dc: usize, dr: usize| layout.frame.mat_from_flat(edge(column, dc), edge(row, dr));
        let mat = [corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1)];
        // The photo's map is as good as straight within a cell.
        let image = mat.map(|p| camera.image_from_mat(p));
        let mut pair =
            Self { across, seen: Vec::with_capacity(across * across), bare: Vec::with_capacity(across * across) };
        for j in 0..across {
            let v = (j as f64 + 0.5) / across as f64;
            let (left, right) = (image[0].lerp(image[2], v), image[1].lerp(image[3], v));
            let (mat_left, mat_right) = (mat[0].lerp(mat[2], v), mat[1].lerp(mat[3], v));
            for i in 0..across {
                let u = (i as f64 + 0.5) / across as f64;
                let at: ImagePoint = left.lerp(right, u);
                pair.seen.push(photo.grey_at(at)?);
                pair.bare.push(bare.grey_at(mat_left.lerp(mat_right, u))?);
            }
        }
        Some(pair)
    }

    fn agreement(mut self) -> Agreement {
        detrend(&mut self.seen, self.across);
        detrend(&mut self.bare, self.across);
        let mean = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f32>() / a.len() as f32;
        let power = mean(&self.bare, &self.bare);
        // What is quite even in both agrees by chance only.
        let scale = ((mean(&self.seen, &self.seen) + LEAST_POWER) * (power + LEAST_POWER)).sqrt();
        let correlation = mean(&self.seen, &self.bare) / scale;
        Agreement { power, z: correlation.clamp(-0.98, 0.98).atanh() }
    }
}

/// Takes mean and slopes off a square of values.
fn detrend(values: &mut [f32], across: usize) {
    let n = values.len() as f32;
    let from_middle = |k: usize| k as f32 - 0.5 * (across as f32 - 1.0);
    let (mut sum, mut along_x, mut along_y) = (0.0, 0.0, 0.0);
    for (k, v) in values.iter().enumerate() {
        sum += v;
        along_x += v * from_middle(k % across);
        along_y += v * from_middle(k / across);
    }
    let square = (0..across).map(|k| from_middle(k).powi(2)).sum::<f32>() * across as f32;
    let (mean, by_x, by_y) = (sum / n, along_x / square, along_y / square);
    for (k, v) in values.iter_mut().enumerate() {
        *v -= mean + by_x * from_middle(k % across) + by_y * from_middle(k / across);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    fn pair(bare: Vec<f32>, seen: Vec<f32>) -> Pair {
        Pair { across: 10, seen, bare }
    }

    #[test]
    fn grain_that_shows_again_is_told_from_chance_in_any_light() {
        let mut random = Random(3);
        let mut noise = |by: f64| (0..100).map(|_| (by * random.normal()) as f32).collect::<Vec<f32>>();
        let (grain, camera, cloth) = (noise(4.0), noise(2.0), noise(4.0));
        // Half the light, and a slope of shade.
        let again = (0..100).map(|k| 30.0 + 0.5 * grain[k] + 0.3 * camera[k] + 2.0 * (k % 10) as f32).collect();
        let z = pair(grain.clone(), again).agreement().z;
        assert!(z > 1.0, "{z}");
        let z = pair(grain, cloth).agreement().z;
        // Three standard deviations of chance, 1 / sqrt(n - 3) (Fisher 1921).
        assert!(z.abs() < 3.0 / 97f32.sqrt(), "{z}");
    }

    /// A worn line agrees better than what lies between; a photo laid wrongly agrees nowhere.
    #[test]
    fn every_kind_of_cell_is_held_against_its_own() {
        let mut random = Random(5);
        let mut cells = |power: f32, z: f64| -> Vec<Agreement> {
            let power = |k: usize| power * (0.5 + k as f32 / 400.0);
            (0..400).map(|k| Agreement { power: power(k), z: (z + 0.15 * random.normal()) as f32 }).collect()
        };
        let known = [cells(1.0, 0.5), cells(90.0, 1.8)].concat();
        let kinds = Kinds::learn(known);
        let told = |power: f32, z: f32| kinds.ratio(Agreement { power, z });
        assert!(told(1.0, 0.5) < -3.0 && told(1.0, 0.0) > 3.0);
        // What is much between the lines is little on one.
        assert!(told(90.0, 0.5) > 3.0 && told(90.0, 1.8) < -3.0);
        let nowhere = Kinds::learn(cells(1.0, 0.0));
        assert!([-0.3, 0.0, 0.3].iter().all(|z| nowhere.ratio(Agreement { power: 1.0, z: *z }).abs() < 1.0));
        assert_eq!(Kinds::learn(Vec::new()).ratio(Agreement { power: 1.0, z: 0.0 }), 0.0);
    }

    #[test]
    fn shade_alone_agrees_in_nothing() {
        let slope = |by: f32| (0..100).map(|k| 100.0 + by * (k % 10) as f32 - (k / 10) as f32).collect::<Vec<f32>>();
        assert!(pair(slope(1.0), slope(3.0)).agreement().z.abs() < 1e-3);
    }
}
