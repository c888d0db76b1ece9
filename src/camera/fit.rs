//! From line sightings to a camera: plane map, lens terms, pose, and what they are worth.
//!
//! Start: normalised DLT. Then Levenberg-Marquardt over the homography and k1 with a robust loss,
//! soft-L1 at 3 % of a cell first and Cauchy last. k2 joins only if it foretells left-out blocks of
//! the lattice better. Sides of one line err together (a bent sheet, a printer's drift), so the
//! number of independent observations is taken to be that of lines, not of sides.

use std::collections::HashSet;

use rayon::prelude::*;

use super::Camera;
use super::doubt::{PlaneDoubt, convex_hull};
use super::homography::{PointOnLine, mat_from_image_on_lines};
use super::left_out;
use super::lens_profile::KnownLens;
use super::line_model::{Frame, K1, K2, Params, Residual, Side};
use super::pose::{self, FocalLength, assumed_focal_px};
use super::solve::{Loss, Objective, minimise};
use crate::reference::grid::GridSighting;
use crate::reference::{Axis, LineSighting};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// Least lines of a family: two fix a pencil of lines, the third begins to check it.
const LEAST_LINES: usize = 3;
/// Least sides: half as many again as there are parameters.
const LEAST_SIDES: usize = 14;
/// Sides that are worth a thread of their own.
const MIN_SIDES: usize = 256;
/// What is believed of k1 and k2 before looking (share of the radius at one focal length).
const K1_SIGMA: f64 = 0.1;
const K2_SIGMA: f64 = 0.2;
/// What is believed of terms that are held at nothing, the lens being known.
const HELD_SIGMA: f64 = 1e-5;
/// How large a k2 may have been overlooked where the fit goes without; for the doubt only.
const K2_OVERLOOKED: f64 = 0.02;
/// Largest robust residual, as a share of a cell, of a flat rigid grid (real mats reach 0.011).
const RIGID: f64 = 0.02;
/// A k1 beyond that of ordinary lenses (phones stay under 0.05, compact cameras under 0.1).
const STRONG_LENS: f64 = 0.15;
/// Sides used for the first, coarse rounds.
const COARSE_SIDES: usize = 1500;
/// Sides used to decide about k2.
const JUDGING_SIDES: usize = 3000;
/// No sighting is better than this, px.
const FLOOR_PX: f64 = 0.004;

/// A camera fitted to a reference, with everything said about the fit.
#[derive(Debug, Clone)]
pub struct CameraFit {
    /// The map, with a pose where one could be had.
    pub camera: Camera,
    /// How far the sightings lie from the fitted lines.
    pub residual: ResidualSummary,
    /// Crossings with a side used of both families.
    pub crossings: usize,
    /// Sides used, of so many seen.
    pub sides_used: usize,
    /// Sides seen.
    pub sides_seen: usize,
    /// Lines used of each family (x, y).
    pub lines: [usize; 2],
    /// Pixels per millimetre in the middle of what was seen: (largest, smallest) over directions.
    pub px_per_mm: (f64, f64),
    /// The lens terms and their doubt.
    pub lens: LensFit,
    /// One standard deviation of lengths on the mat, as a share, from the fit (not the print).
    pub scale_sigma: f64,
    /// The focal length that the view alone tells, where it tells one.
    pub focal_from_view: Option<FocalLength>,
    /// By how much the reference is out of the shape typed, whatever the focal length within its doubt (share); `None` if
    /// it is not.
    pub out_of_shape: Option<f64>,
    /// Doubt of places on the mat, and the hull within which the map is interpolated.
    pub doubt: PlaneDoubt,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Distances of sightings from the fitted lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResidualSummary {
    /// Root mean square over the sides used, px.
    pub rms_px: f64,
    /// 1.4826 times the median absolute residual over all sides, px.
    pub robust_px: f64,
    /// As `rms_px`, mm.
    pub rms_mm: f64,
    /// As `robust_px`, mm.
    pub robust_mm: f64,
    /// The part that neighbouring sides share, mm: warp of the sheet, not noise.
    pub warp_mm: f64,
    /// `robust_px` as a share of a cell.
    pub cell_share: f64,
}

/// The lens terms, their doubt, and why k2 is or is not among them.
#[derive(Debug, Clone, PartialEq)]
pub struct LensFit {
    /// Factor of r^2.
    pub k1: f64,
    /// One standard deviation of k1.
    pub k1_sigma: f64,
    /// Factor of r^4; 0 where not used.
    pub k2: f64,
    /// One standard deviation of k2, where used.
    pub k2_sigma: Option<f64>,
    /// Why k2 was used or not.
    pub why: String,
}

impl CameraFit {
    /// One standard deviation, mm, of the mat position of what is seen at `mat`.
    pub fn position_sigma_mm(&self, mat: MatPoint) -> f64 {
        self.doubt.position_sigma_mm(mat)
    }

    /// How far `mat` lies outside the part of the mat where lines were seen, mm; 0 inside.
    pub fn beyond_hull_mm(&self, mat: MatPoint) -> f64 {
        self.doubt.beyond_hull_mm(mat)
    }
}

/// Fits a camera to the sightings in a photo of `size` pixels; `focal_px` is what EXIF says, if anything.
///
/// # Errors
/// Too few lines or sides; lines that are no straight, even, flat grid; numbering that is mirrored.
pub fn fit(sighting: &GridSighting, size: (u32, u32), focal_px: Option<f64>) -> Result<CameraFit, Refusal> {
    let mut warnings = Vec::new();
    let focal_px = believable(focal_px, size, &mut warnings);
    fit_about(sighting, size, focal_px, None, warnings)
}

/// Fits only the plane map, the lens being known from its own profile.
///
/// The sightings are straightened by the known lens first; of the fitted terms nothing is left then.
///
/// # Errors
/// As [`fit`].
pub fn fit_known(sighting: &GridSighting, size: (u32, u32), known: &KnownLens) -> Result<CameraFit, Refusal> {
    let mut straight = sighting.clone();
    straight.sides.iter_mut().for_each(|side| side.at = known.lens.undistort(side.at));
    let fitted = fit_about(&straight, size, Some(known.lens.scale_px), Some(known), Vec::new())?;
    let camera = Camera::new(*fitted.camera.undistorted_from_mat(), known.lens).ok_or_else(too_little)?;
    let lens = LensFit {
        k1: known.lens.k1,
        k1_sigma: known.k1_sigma,
        k2: known.lens.k2,
        k2_sigma: Some(known.k2_sigma),
        why: "known from the camera's own profile".to_string(),
    };
    let camera = camera.with_pose(fitted.camera.pose);
    let px_per_mm = camera.px_per_mm(camera.mat_from_image(known.lens.centre));
    Ok(CameraFit { px_per_mm, camera, lens, ..fitted })
}

fn fit_about(
    sighting: &GridSighting,
    size: (u32, u32),
    focal_px: Option<f64>,
    known: Option<&KnownLens>,
    warnings: Vec<Warning>,
) -> Result<CameraFit, Refusal> {
    let scale_px = focal_px.unwrap_or_else(|| assumed_focal_px(size));
    check_values(sighting)?;
    let mut frame = Frame::new(size, scale_px, sighting).ok_or_else(too_little)?;
    if let Some(known) = known {
        frame.centre = known.lens.centre;
    }
    let (sides, lines) = frame.sides(sighting);
    if lines.iter().any(|&n| n < LEAST_LINES) || sides.len() < LEAST_SIDES {
        return Err(too_few(lines, sides.len()));
    }
    let mut fitting = Fitting::new(frame, sides, sighting)?;
    fitting.known = known.copied();
    let solved = fitting.solve();
    summarise(&fitting, solved, sighting, focal_px, size, warnings)
}

/// A focal length outside anything made (35 mm equivalent 8 to 800 mm) is not used.
fn believable(focal_px: Option<f64>, size: (u32, u32), warnings: &mut Vec<Warning>) -> Option<f64> {
    let typical = assumed_focal_px(size);
    let focal = focal_px?;
    if (0.3 * typical..30.0 * typical).contains(&focal) {
        return Some(focal);
    }
    warnings.push(Warning::new(
        "focal-nonsense",
        "what the photo says of its lens's length is no camera's and was left out of account: use the photo as the camera wrote it",
    ));
    None
}

fn check_values(sighting: &GridSighting) -> Result<(), Refusal> {
    let finite = sighting.sides.iter().all(|s| s.at.is_finite() && s.along.is_finite());
    let pitch = sighting.pitch_mm.iter().all(|p| p.is_finite() && *p > 0.0);
    if finite && pitch { Ok(()) } else { Err(too_little()) }
}

fn too_little() -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        "the grid lines found do not pin down how the mat lies",
        "retake with more of the mat in view on all sides of the garment",
    )
}

fn too_few(lines: [usize; 2], sides: usize) -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!("found {} grid lines one way, {} the other, {sides} stretches of them in all", lines[0], lines[1]),
        format!(
            "at least {LEAST_LINES} lines each way and {LEAST_SIDES} stretches are needed: retake with more of the mat \
             in view around the garment"
        ),
    )
}

fn not_rigid(share: f64, outliers: f64) -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "the lines found do not form a flat, even grid (they stray by {:.1} % of a cell, {:.0} % of them far off)",
            100.0 * share,
            100.0 * outliers
        ),
        "lay the mat flat on something hard, keep checked cloth from being taken for it, and retake from above",
    )
}

/// The data and the settings of one fit.
struct Fitting {
    frame: Frame,
    sides: Vec<Side>,
    start: Params,
    cell_px: f64,
    lines: usize,
    known: Option<KnownLens>,
}

/// Where a fit ended.
struct Solved {
    params: Params,
    objective: Objective,
    why: String,
    dropped: Vec<usize>,
}

impl Fitting {
    fn new(frame: Frame, sides: Vec<Side>, sighting: &GridSighting) -> Result<Self, Refusal> {
        let on_lines: Vec<PointOnLine> = sighting
            .sides
            .iter()
            .map(|s| PointOnLine { image: s.at, axis: s.axis, at_mm: f64::from(s.index) * pitch(sighting, s.axis) })
            .collect();
        let map = mat_from_image_on_lines(&on_lines).and_then(|g| g.try_inverse()).ok_or_else(too_little)?;
        let start = frame.params(&map).ok_or_else(too_little)?;
        // Mat y points up and image y down, so a true view mirrors.
        if start[0] * start[4] - start[1] * start[3] > 0.0 {
            return Err(Refusal::new(
                RefusalKind::ContradictoryReference,
                "the grid appears mirrored",
                "use the photo as taken; a mirrored one (some front cameras) gives a mirrored pattern",
            ));
        }
        let mut cells: Vec<f64> = sides
            .iter()
            .zip(&sighting.sides)
            .map(|(side, s)| frame.residual(&start, side).px_per_mm * pitch(sighting, s.axis))
            .collect();
        let cell_px = median(&mut cells);
        let lines = sides.iter().map(|s| s.line).max().map_or(0, |l| l + 1);
        Ok(Self { frame, sides, start, cell_px, lines, known: None })
    }

    fn objective(&self, loss: Loss, bend_px: f64, sigma_px: f64, k2: bool) -> Objective {
        let share = (self.lines as f64 / self.sides.len() as f64).min(1.0);
        let k1_sigma = if self.known.is_some() { HELD_SIGMA } else { K1_SIGMA };
        let lens_sigma = [k1_sigma, if k2 { K2_SIGMA } else { 0.0 }];
        Objective { loss, bend_px, sigma_px, share, lens_sigma }
    }

    fn robust_sigma(&self, p: &Params) -> f64 {
        let off = |s: &Side| self.frame.residual(p, s).px.abs();
        let mut off: Vec<f64> = self.sides.par_iter().with_min_len(MIN_SIDES).map(off).collect();
        (1.4826 * median(&mut off)).max(FLOOR_PX)
    }

    fn solve(&mut self) -> Solved {
        let mut p = self.coarse();
        self.frame.settle(&p, &mut self.sides);
        let sigma = self.robust_sigma(&p);
        let mut objective = self.objective(Loss::SoftL1, 3.0 * sigma, sigma, false);
        p = minimise(&self.frame, &self.sides, &objective, p, 8);
        let (kept, dropped) = self.without_stray_lines(&mut p, &mut objective);
        let why = self.k2_or_not(&kept, &mut p, &mut objective);
        for _ in 0..3 {
            let sigma = self.robust_sigma(&p);
            if objective.loss == Loss::Cauchy && (sigma / objective.sigma_px).ln().abs() < 0.03 {
                break;
            }
            // 2.385 sigma: 95 % efficient where the noise is Gaussian (Holland & Welsch, 1977).
            objective = Objective { loss: Loss::Cauchy, bend_px: 2.385 * sigma, sigma_px: sigma, ..objective };
            p = minimise(&self.frame, &kept, &objective, p, 4);
        }
        Solved { params: p, objective, why, dropped }
    }

    /// The first rounds, on some of the sides: the loss tightens as the fit closes in.
    fn coarse(&self) -> Params {
        let some = some_of(&self.sides, COARSE_SIDES);
        let mut p = self.start;
        for bend in [0.03 * self.cell_px, 0.01 * self.cell_px] {
            let objective = self.objective(Loss::SoftL1, bend, bend, false);
            p = minimise(&self.frame, &some, &objective, p, 25);
        }
        p
    }

    /// Lets go of whole lines that the others contradict: the last one half hidden under a skirting
    /// board, the edge of the mat. Only where lines are few; among many they are outvoted anyway.
    fn without_stray_lines(&self, p: &mut Params, objective: &mut Objective) -> (Vec<Side>, Vec<usize>) {
        let mut kept = self.sides.clone();
        let mut dropped = Vec::new();
        while self.lines <= 40 && dropped.len() < (self.lines / 6).max(1) {
            let stray = left_out::stray_line(&self.frame, &kept, p, objective);
            let Some(line) = stray.filter(|&line| self.spares(&kept, line)) else { break };
            dropped.push(line);
            kept.retain(|s| s.line != line);
            *p = minimise(&self.frame, &kept, objective, *p, 8);
            let sigma = self.robust_sigma(p);
            *objective = Objective { bend_px: 3.0 * sigma, sigma_px: sigma, ..*objective };
            *p = minimise(&self.frame, &kept, objective, *p, 8);
        }
        (kept, dropped)
    }

    /// Are there enough lines of its family left without this one?
    fn spares(&self, kept: &[Side], line: usize) -> bool {
        let Some(axis) = kept.iter().find(|s| s.line == line).map(|s| s.axis) else { return false };
        let rest: HashSet<usize> = kept.iter().filter(|s| s.axis == axis && s.line != line).map(|s| s.line).collect();
        rest.len() > LEAST_LINES
    }

    fn k2_or_not(&self, kept: &[Side], p: &mut Params, objective: &mut Objective) -> String {
        if self.known.is_some() {
            return "held".to_string();
        }
        let kept = some_of(kept, JUDGING_SIDES);
        let plain = minimise(&self.frame, &kept, objective, *p, 4);
        let with = Objective { lens_sigma: [K1_SIGMA, K2_SIGMA], ..*objective };
        let p_with = minimise(&self.frame, &kept, &with, plain, 6);
        let verdict = left_out::compare(&self.frame, &kept, (&plain, objective), (&p_with, &with));
        if verdict.better() {
            *p = p_with;
            *objective = with;
        }
        verdict.sentence()
    }
}

fn pitch(sighting: &GridSighting, axis: Axis) -> f64 {
    match axis {
        Axis::X => sighting.pitch_mm[0],
        Axis::Y => sighting.pitch_mm[1],
    }
}

/// The place of a sighting on the mat.
fn mat_of(sighting: &GridSighting, s: &LineSighting) -> MatPoint {
    let [px, py] = sighting.pitch_mm;
    match s.axis {
        Axis::X => MatPoint::new(f64::from(s.index) * px, s.along * py),
        Axis::Y => MatPoint::new(s.along * px, f64::from(s.index) * py),
    }
}

/// About so many of the sides, scattered: their order has patterns (families in turn), so no even stride.
fn some_of(sides: &[Side], count: usize) -> Vec<Side> {
    let one_in = sides.len().div_ceil(count) as u64;
    let scattered = |i: usize| (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 33;
    sides.iter().enumerate().filter(|(i, _)| scattered(*i) % one_in == 0).map(|(_, s)| *s).collect()
}

/// The middle value (the upper of two); 0 of none.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn summarise(
    fitting: &Fitting,
    solved: Solved,
    sighting: &GridSighting,
    focal_px: Option<f64>,
    size: (u32, u32),
    mut warnings: Vec<Warning>,
) -> Result<CameraFit, Refusal> {
    let frame = fitting.frame;
    let residual = |s: &Side| frame.residual(&solved.params, s);
    let residuals: Vec<Residual> = fitting.sides.par_iter().with_min_len(MIN_SIDES).map(residual).collect();
    let near = used(fitting, &solved, &residuals);
    let robust_px = fitting.robust_sigma(&solved.params);
    let cell_share = robust_px / fitting.cell_px;
    let outliers = far_off(fitting, &solved, &residuals);
    if cell_share > RIGID || outliers > 0.25 || !cell_share.is_finite() {
        return Err(not_rigid(cell_share, outliers));
    }
    let camera = frame.camera(&solved.params).ok_or_else(too_little)?;
    let warp_px = shared_px(fitting, sighting, &residuals, &near);
    let mut scales: Vec<f64> = residuals.iter().map(|r| r.px_per_mm).collect();
    let px_per_mm = median(&mut scales);
    let rms_px = rms(residuals.iter().zip(&near).filter(|(_, used)| **used).map(|(r, _)| r.px));
    let residual = ResidualSummary {
        rms_px,
        robust_px,
        rms_mm: rms(residuals.iter().zip(&near).filter(|(_, used)| **used).map(|(r, _)| r.px / r.px_per_mm)),
        robust_mm: robust_px / px_per_mm,
        warp_mm: warp_px / px_per_mm,
        cell_share,
    };
    let covariance = covariance(fitting, &solved, &residuals).ok_or_else(too_little)?;
    let seen: Vec<&LineSighting> = sighting.sides.iter().zip(&near).filter(|(_, u)| **u).map(|(s, _)| s).collect();
    let hull = convex_hull(seen.iter().map(|s| mat_of(sighting, s)).collect());
    let doubt = PlaneDoubt::new(frame, solved.params, covariance, residual.warp_mm, hull);
    let known = fitting.known.map(|k| FocalLength { px: k.lens.scale_px, sigma: k.focal_sigma });
    let pose = pose::pose(&frame, &solved.params, &covariance, (known, focal_px), size, pose::PRINT_SIGMA);
    warnings.extend(pose.warnings);
    warnings.extend(reference_warnings(&residual, &solved));
    let lens = LensFit {
        k1: solved.params[K1],
        k1_sigma: covariance[(K1, K1)].sqrt(),
        k2: solved.params[K2],
        k2_sigma: (solved.objective.lens_sigma[1] > 0.0).then(|| covariance[(K2, K2)].sqrt()),
        why: solved.why,
    };
    let lines = |axis| seen.iter().filter(|s| s.axis == axis).map(|s| s.index).collect::<HashSet<_>>().len();
    Ok(CameraFit {
        px_per_mm: camera.px_per_mm(frame.mat_centre),
        camera: camera.with_pose(pose.pose),
        residual,
        crossings: crossings(&seen),
        sides_used: seen.len(),
        sides_seen: fitting.sides.len(),
        lines: [lines(Axis::X), lines(Axis::Y)],
        lens,
        scale_sigma: doubt.scale_sigma(),
        focal_from_view: pose.from_view,
        out_of_shape: pose.out_of_shape,
        doubt,
        warnings,
    })
}

/// Sides of kept lines within four standard deviations, which carry the fit.
fn used(fitting: &Fitting, solved: &Solved, residuals: &[Residual]) -> Vec<bool> {
    let limit = 4.0 * solved.objective.sigma_px;
    let near = |(side, r): (&Side, &Residual)| r.px.abs() <= limit && !solved.dropped.contains(&side.line);
    fitting.sides.iter().zip(residuals).map(near).collect()
}

/// Share of the sides further off than a twentieth of a cell.
fn far_off(fitting: &Fitting, solved: &Solved, residuals: &[Residual]) -> f64 {
    let kept = || fitting.sides.iter().zip(residuals).filter(|(s, _)| !solved.dropped.contains(&s.line));
    let far = kept().filter(|(_, r)| r.px.abs() > 0.05 * fitting.cell_px).count();
    far as f64 / kept().count().max(1) as f64
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (n, sum) = values.fold((0usize, 0.0), |(n, sum), v| (n + 1, sum + v * v));
    (sum / n.max(1) as f64).sqrt()
}

/// What neighbours on a line share of their residuals, px rms: the mean product of one with the next.
fn shared_px(fitting: &Fitting, sighting: &GridSighting, residuals: &[Residual], near: &[bool]) -> f64 {
    let mut order: Vec<usize> = (0..near.len()).filter(|&i| near[i]).collect();
    let key = |i: usize| (fitting.sides[i].line, sighting.sides[i].along);
    order.sort_by(|&a, &b| key(a).0.cmp(&key(b).0).then(key(a).1.total_cmp(&key(b).1)));
    let (mut n, mut sum) = (0usize, 0.0);
    for pair in order.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        if key(a).0 == key(b).0 && key(b).1 - key(a).1 < 1.6 {
            n += 1;
            sum += residuals[a].px * residuals[b].px;
        }
    }
    // A mean of n products of noise strays by 1/sqrt(n): what is not beyond it is no warp.
    let noise = solved_noise(residuals, near) / (n.max(1) as f64).sqrt();
    (sum / n.max(1) as f64 - noise).max(0.0).sqrt()
}

fn solved_noise(residuals: &[Residual], near: &[bool]) -> f64 {
    rms(residuals.iter().zip(near).filter(|(_, u)| **u).map(|(r, _)| r.px)).powi(2)
}

/// Covariance of the parameters, lines counted as observations, an overlooked k2 allowed for.
fn covariance(fitting: &Fitting, solved: &Solved, residuals: &[Residual]) -> Option<super::solve::Square> {
    let k2_sigma = if solved.objective.lens_sigma[1] > 0.0 { K2_SIGMA } else { K2_OVERLOOKED };
    let lens_sigma = match &fitting.known {
        Some(known) => [known.k1_sigma.max(HELD_SIGMA), known.k2_sigma.max(HELD_SIGMA)],
        None => [K1_SIGMA, k2_sigma],
    };
    let objective = Objective { lens_sigma, ..solved.objective };
    let mut normal = objective.prior(&solved.params);
    for (side, r) in fitting.sides.iter().zip(residuals) {
        if !solved.dropped.contains(&side.line) {
            normal.add(r, objective.weight(r.px));
        }
    }
    normal.matrix.fill_lower_triangle_with_upper_triangle();
    normal.matrix.try_inverse().filter(|c| c.iter().all(|v| v.is_finite()))
}

/// Crossings next to a used side of each family (a sighting at a crossing counts for that one only).
fn crossings(seen: &[&LineSighting]) -> usize {
    let ends = |s: &LineSighting| {
        let at_crossing = (s.along - s.along.round()).abs() < 0.1;
        let (lo, hi) = if at_crossing { (s.along.round(), s.along.round()) } else { (s.along.floor(), s.along.ceil()) };
        [lo as i32, hi as i32]
    };
    let of = |axis: Axis| {
        let on = seen.iter().filter(|s| s.axis == axis);
        let at = on.flat_map(|s| ends(s).map(|j| if axis == Axis::X { (s.index, j) } else { (j, s.index) }));
        let mut at: Vec<(i32, i32)> = at.collect();
        at.sort_unstable();
        at.dedup();
        at
    };
    let across = of(Axis::Y);
    of(Axis::X).iter().filter(|c| across.binary_search(c).is_ok()).count()
}

fn reference_warnings(residual: &ResidualSummary, solved: &Solved) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if residual.warp_mm > 0.2 || residual.cell_share > 0.01 {
        warnings.push(Warning::new(
            "mat-not-flat",
            format!(
                "the grid lines stray by {:.2} mm from an even, flat grid in ways no lens explains: is the mat lying \
                 flat? Every length carries that doubt",
                residual.warp_mm.max(residual.robust_mm)
            ),
        ));
    }
    if solved.params[K1].abs() > STRONG_LENS {
        warnings.push(Warning::new(
            "strong-lens",
            "the lens bends straight lines strongly, as a wide-angle one does: use the ordinary (1x) lens, from further up",
        ));
    }
    if !solved.dropped.is_empty() {
        warnings.push(Warning::new(
            "line-left-out",
            format!("{} grid line(s) did not agree with the rest and were left out", solved.dropped.len()),
        ));
    }
    warnings
}
