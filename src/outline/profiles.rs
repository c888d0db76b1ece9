//! The photo along normals of a curve, beside what the bare mat would show there.

use nalgebra::Vector2;
use rayon::prelude::*;

use crate::camera::Camera;
use crate::garment::{MatModel, gamma_from_log};
use crate::photo::Photo;
use crate::units::MatPoint;

/// Samples along every normal: gamma values 0-255.
pub(crate) struct Profiles {
    /// Offset of the first sample, mm (outwards positive).
    pub first_mm: f64,
    /// Distance of neighbouring samples, mm.
    pub step_mm: f64,
    /// Samples per profile.
    pub len: usize,
    /// Size of a photo pixel on the mat, mm.
    pub pixel_mm: f64,
    /// The photo.
    pub seen: Vec<[f32; 3]>,
    /// The bare mat, as predicted.
    pub expected: Vec<[f32; 3]>,
    /// The mat's ground under the curve, without lines; one per profile.
    pub ground: Vec<[f32; 3]>,
    /// The pattern is of tones (a chessboard), not of lines on a ground.
    pub tones: bool,
}

/// Where to sample.
pub(crate) struct Span {
    pub from_mm: f64,
    pub to_mm: f64,
    pub step_mm: f64,
}

/// How far outside the edge the tone of a chessboard that meets the cloth is asked for, mm.
const TONE_BESIDE_MM: f64 = 0.4;

impl Profiles {
    /// Samples the photo at height `above_mm` over the mat along the normals of points in plan position.
    pub(crate) fn sample(
        photo: &Photo,
        camera: &Camera,
        mat: &MatModel,
        points: &[MatPoint],
        normals: &[Vector2<f64>],
        above_mm: f64,
        span: &Span,
    ) -> Self {
        let len = ((span.to_mm - span.from_mm) / span.step_mm).round() as usize + 1;
        let n = points.len();
        let mut seen = vec![[0f32; 3]; n * len];
        let mut expected = vec![[0f32; 3]; n * len];
        let mut ground = vec![[0f32; 3]; n];
        let work = seen.par_chunks_mut(len).zip(expected.par_chunks_mut(len)).zip(ground.par_iter_mut());
        work.zip(points.par_iter().zip(normals)).with_min_len(64).for_each(
            |(((seen, expected), ground), (p, normal))| {
                let at = |o: f64| *p + normal * o;
                let ends = [at(span.from_mm), at(span.to_mm)];
                let behind = ends.map(|q| camera.lift(q, above_mm));
                let image = behind.map(|q| camera.image_from_mat(q));
                let base = mat.shade.at(behind[0].lerp(behind[1], 0.5));
                *ground = base.map(gamma_from_log);
                for (j, (seen, expected)) in seen.iter_mut().zip(expected.iter_mut()).enumerate() {
                    let t = j as f64 / (len - 1).max(1) as f64;
                    *seen = photo.colour_at(image[0].lerp(image[1], t));
                    let line = mat.lines.at(behind[0].lerp(behind[1], t));
                    *expected = if line == [0.0; 3] {
                        *ground
                    } else {
                        std::array::from_fn(|i| gamma_from_log(base[i] + line[i]))
                    };
                }
            },
        );
        Self {
            first_mm: span.from_mm,
            // The samples divide the span evenly, whatever step was asked for.
            step_mm: (span.to_mm - span.from_mm) / (len - 1).max(1) as f64,
            len,
            pixel_mm: pixel_mm(camera, points),
            seen,
            expected,
            ground,
            tones: mat.lines.chequers.is_some(),
        }
    }

    pub(crate) fn count(&self) -> usize {
        self.ground.len()
    }

    /// Lets a profile expect one even colour (gamma values) all along.
    pub(crate) fn put_ground(&mut self, profile: usize, colour: [f32; 3]) {
        self.ground[profile] = colour;
        self.expected[profile * self.len..(profile + 1) * self.len].fill(colour);
    }

    /// On a chessboard, lets every profile stand on the tone that meets the cloth at `edge_mm`: what lies hidden under the
    /// cloth does not show, and a mean of both tones is no ground.
    pub(crate) fn stand_on_tones(&mut self, edge_mm: &[f64]) {
        if !self.tones {
            return;
        }
        for (i, edge) in edge_mm.iter().enumerate() {
            let beside = self.range(edge + TONE_BESIDE_MM, f64::INFINITY).start.min(self.len - 1);
            let row = &mut self.expected[i * self.len..(i + 1) * self.len];
            let tone = row[beside];
            self.ground[i] = tone;
            row[..beside].fill(tone);
        }
    }

    pub(crate) fn offset(&self, sample: usize) -> f64 {
        self.first_mm + sample as f64 * self.step_mm
    }

    pub(crate) fn seen(&self, profile: usize) -> &[[f32; 3]] {
        &self.seen[profile * self.len..(profile + 1) * self.len]
    }

    pub(crate) fn expected(&self, profile: usize) -> &[[f32; 3]] {
        &self.expected[profile * self.len..(profile + 1) * self.len]
    }

    /// Samples whose offsets lie between two values (both clamped to the profile).
    pub(crate) fn range(&self, from_mm: f64, to_mm: f64) -> std::ops::Range<usize> {
        let index = |o: f64| ((o - self.first_mm) / self.step_mm).round().clamp(0.0, self.len as f64) as usize;
        let (a, b) = (index(from_mm), (index(to_mm) + 1).min(self.len));
        a.min(b)..b
    }
}

/// Logarithm of a colour's brightness (gamma values 0-255); noise weighs less in the dark.
pub(super) fn log_brightness(v: [f32; 3]) -> f32 {
    (v[0] + v[1] + v[2] + 18.0).max(1.0).ln()
}

/// Size of a photo pixel on the mat, mm, where the curve begins.
pub(crate) fn pixel_mm(camera: &Camera, points: &[MatPoint]) -> f64 {
    1.0 / points.first().map_or(2.5, |p| camera.px_per_mm(*p).0)
}
