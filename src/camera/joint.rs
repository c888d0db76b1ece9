//! One camera from several bodies in unknown places: homography, k1, k2, focal length and every body's pose together.
//!
//! Levenberg-Marquardt with a Cauchy loss over the distances, across the line, of points seen from the projections of
//! the bodies' known lines. Two soft constraints tie the homography to a camera of square pixels with the focal length
//! that EXIF says (Zhang, IEEE PAMI 22(11), 2000, section 3.1): with one ruler they carry the scale across it. The mat
//! frame floats with the bodies (inner constraints: no shift and no turn of their middles as a whole), so that the
//! doubts are those of shape and size and not of where one body lies. Where several kinds of bodies are fitted, every kind
//! may be so much larger than believed as its making and its height above the table leave open. What is cut from a sheet may
//! besides be out of shape: its two sides are off by themselves ([`Cut`](crate::reference::body::Cut)).

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, Vector2, Vector3};

use super::SIGMAS_95;
use super::doubt::{PlaneDoubt, convex_hull};
use super::fit::{CameraFit, LensFit, ResidualSummary, median};
use super::line_model::{Frame, K1, K2, PARAMS, Params, plane, project};
use super::pose::{self, assumed_focal_px};
use super::solve::Square;
use crate::reference::Axis;
use crate::reference::body::{Body, BodyKind, BodySighting, Cut};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{ImagePoint, MatPoint};

/// What is believed of k1 and k2 beforehand (share of the radius at one focal length): phones stay under 0.05.
const K1_SIGMA: f64 = 0.05;
const K2_SIGMA: f64 = 0.03;
/// One standard deviation of ln(focal length) from EXIF, and of an ordinary phone's.
const EXIF_SIGMA: f64 = 0.02;
const PHONE_SIGMA: f64 = 0.2;
/// How far the picture's middle may be from the lens's axis and pixels from square, seen in the plane map (share).
const SQUARE_SIGMA: f64 = 0.003;
/// How far from level people hold a camera over a garment, radians (one standard deviation): a last resort.
const TILT_SIGMA: f64 = 0.2;
/// The frame is fixed this hard.
const GAUGE_SIGMA: f64 = 1e-5;
/// No sighting is better than this, px.
const FLOOR_PX: f64 = 0.02;
/// A misfit over this share of a body's size: the bodies contradict one another.
const MOST_MISFIT: f64 = 0.003;
/// Leaving one body out must bring the misfit below this share of what it was.
const LEFT_OUT_GAIN: f64 = 0.55;
/// A misfit below this share of a body's size is no ground to leave anything out.
const GOOD_MISFIT: f64 = 0.0004;

/// Where EXIF is silent, a view of a sheet that asks for a lens so much longer or shorter than a phone's is of another sheet.
const ODD_LENS: f64 = 2.5;
/// Standard deviations by which a shape read from the photo may go beyond the limits it was cut to.
const SHAPE_SIGMAS: f64 = 2.0;
/// A focal length told by the view is believed that far below this relative doubt.
const SURE_VIEW: f64 = 0.2;

/// Parameters beyond homography and lens: ln f.
const LN_F: usize = PARAMS;
/// Where the poses begin.
const POSES: usize = PARAMS + 1;

/// A body's place on the mat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodyPose {
    /// Its own origin on the mat.
    pub at: MatPoint,
    /// Turn, radians, anticlockwise.
    pub turn: f64,
}

impl BodyPose {
    /// The turn and shift that bring points of a frame nearest to where they lie on the mat (Kabsch in the plane); `None` of
    /// fewer than two.
    pub(crate) fn nearest(pairs: &[(Vector2<f64>, MatPoint)]) -> Option<Self> {
        let n = pairs.len() as f64;
        let own = pairs.iter().fold(Vector2::zeros(), |s, (o, _)| s + o) / n;
        let middle = pairs.iter().fold(Vector2::zeros(), |s, (_, p)| s + Vector2::new(p.x, p.y)) / n;
        let (mut sin, mut cos) = (0.0, 0.0);
        for (o, p) in pairs {
            let (u, v) = (o - own, Vector2::new(p.x, p.y) - middle);
            cos += u.dot(&v);
            sin += u.perp(&v);
        }
        let turn = sin.atan2(cos);
        let (s, c) = turn.sin_cos();
        let at = middle - Vector2::new(c * own.x - s * own.y, s * own.x + c * own.y);
        (at.iter().all(|v| v.is_finite()) && pairs.len() >= 2).then_some(Self { at: MatPoint::new(at.x, at.y), turn })
    }

    /// A point of the body on the mat.
    pub fn mat_from_body(&self, own: Vector2<f64>) -> MatPoint {
        let (s, c) = self.turn.sin_cos();
        self.at + Vector2::new(c * own.x - s * own.y, s * own.x + c * own.y)
    }
}

/// The camera and the bodies' places.
#[derive(Debug, Clone)]
pub struct JointFit {
    /// The camera, as a grid's fit would give it.
    pub fit: CameraFit,
    /// The poses, in the order of the bodies given; `None` for those left out.
    pub poses: Vec<Option<BodyPose>>,
    /// Root mean square residual over a body's size in the photo.
    pub misfit_share: f64,
}

/// Fits a camera to bodies seen in a photo of `size` pixels; `focal_px` is what EXIF says, if anything.
///
/// A body that the others contradict is left out where at least three others agree.
///
/// # Errors
/// No body; bodies that contradict one another.
pub fn fit_bodies(bodies: &[Body], size: (u32, u32), focal_px: Option<f64>) -> Result<JointFit, Refusal> {
    let typical = assumed_focal_px(size);
    let focal_px = focal_px.filter(|f| (0.3 * typical..30.0 * typical).contains(f));
    let mut kept: Vec<usize> = (0..bodies.len()).collect();
    let mut best = solve(bodies, &kept, size, focal_px).ok_or_else(too_little)?;
    while kept.len() > 3 && best.misfit() > GOOD_MISFIT {
        let without = (0..kept.len()).filter_map(|i| {
            let rest: Vec<usize> = kept.iter().copied().filter(|&k| k != kept[i]).collect();
            solve(bodies, &rest, size, focal_px).map(|s| (rest, s))
        });
        let Some((rest, solved)) = without.min_by(|a, b| a.1.misfit().total_cmp(&b.1.misfit())) else { break };
        if solved.misfit() > LEFT_OUT_GAIN * best.misfit() {
            break;
        }
        (kept, best) = (rest, solved);
    }
    if best.misfit() > MOST_MISFIT {
        return Err(contradiction(best.misfit()));
    }
    best.summarise(bodies, &kept, size, focal_px)
}

fn too_little() -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        "what was found of the references does not pin down how the table lies",
        "lay three or more cards, or two rulers as an L, around the garment and retake from above",
    )
}

fn contradiction(misfit: f64) -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!(
            "what lies beside the garment does not fit one flat surface at the size typed (it strays by {:.2} % of its size)",
            100.0 * misfit
        ),
        "lay all of it flat on what the garment lies on, measure whether each has the size typed, and retake",
    )
}

/// A kind of bodies that may all be larger or smaller than believed.
struct Gain {
    kind: BodyKind,
    /// What is believed of the natural logarithm of how much: mean, and one standard deviation.
    ln: (f64, f64),
}

/// One weighted residual, where it came from and its derivative.
struct Row {
    px: f64,
    sigma: f64,
    body: usize,
    by_camera: Params,
    by_pose: Vector3<f64>,
    by_gain: f64,
    by_shape: f64,
    px_per_mm: f64,
}

/// A body's place, size and shape as tried.
struct Tried {
    at: Vector2<f64>,
    turn: f64,
    gain: f64,
    /// Factors along its x and y, and their logarithms' derivatives by the shape.
    stretch: Vector2<f64>,
    by_shape: Vector2<f64>,
}

struct Problem<'a> {
    frame: Frame,
    bodies: Vec<&'a Body>,
    /// One a kind, where there are several.
    gains: Vec<Gain>,
    /// Bodies whose shape is not known for sure.
    shapes: Vec<(usize, Cut)>,
    start: DVector<f64>,
    focal: (f64, f64),
    square_sigma: f64,
}

struct Solved<'a> {
    problem: Problem<'a>,
    p: DVector<f64>,
    noise: f64,
}

fn solve<'a>(bodies: &'a [Body], kept: &[usize], size: (u32, u32), focal_px: Option<f64>) -> Option<Solved<'a>> {
    let some: Vec<&Body> = kept.iter().filter_map(|&k| bodies.get(k)).collect();
    let problem = Problem::new(some, size, focal_px)?;
    let mut p = problem.start.clone();
    let mut noise = 1.0;
    for (bend, steps) in [(200.0, 60), (20.0, 20)] {
        p = problem.minimise(p, bend, 1.0, steps);
    }
    for _ in 0..3 {
        noise = problem.noise(&p);
        p = problem.minimise(p, 2.385 * noise.max(1.0), noise, 15);
    }
    p.iter().all(|v| v.is_finite()).then_some(Solved { problem, p, noise })
}

impl<'a> Problem<'a> {
    fn new(bodies: Vec<&'a Body>, size: (u32, u32), focal_px: Option<f64>) -> Option<Self> {
        let typical = assumed_focal_px(size);
        let scale_px = focal_px.unwrap_or(typical);
        let centre = ImagePoint::new(0.5 * (f64::from(size.0) - 1.0), 0.5 * (f64::from(size.1) - 1.0));
        let guess = first_guess(&bodies, centre, scale_px)?;
        let frame = Frame { centre, scale_px, mat_centre: MatPoint::new(0.0, 0.0), unit_mm: guess.unit_mm };
        // In units of the scale, the plane's distance is one over what a millimetre looks like.
        let gains = gains(&bodies, guess.unit_mm / guess.params[0]);
        let shapes: Vec<(usize, Cut)> = bodies.iter().enumerate().filter_map(|(i, b)| Some((i, b.cut?))).collect();
        let mut start = DVector::zeros(POSES + 3 * bodies.len() + gains.len() + shapes.len());
        start.rows_mut(0, PARAMS).copy_from(&guess.params);
        for (i, pose) in guess.poses.iter().enumerate() {
            start[POSES + 3 * i] = pose.at.x / guess.unit_mm;
            start[POSES + 3 * i + 1] = pose.at.y / guess.unit_mm;
            start[POSES + 3 * i + 2] = pose.turn;
        }
        let sigma = if focal_px.is_some() { EXIF_SIGMA } else { PHONE_SIGMA };
        for (i, gain) in gains.iter().enumerate() {
            start[POSES + 3 * bodies.len() + i] = gain.ln.0;
        }
        Some(Self { frame, bodies, gains, shapes, start, focal: (0.0, sigma), square_sigma: SQUARE_SIGMA })
    }

    fn rows(&self, p: &DVector<f64>) -> Vec<Row> {
        let camera = Params::from_column_slice(&p.as_slice()[..PARAMS]);
        let mut rows = Vec::new();
        for (i, body) in self.bodies.iter().enumerate() {
            let at = Vector2::new(p[POSES + 3 * i], p[POSES + 3 * i + 1]);
            let turn = p[POSES + 3 * i + 2];
            let gain = self.gain_index(i).map_or(1.0, |k| p[k].exp());
            let shape = self.shape_index(i).map(|(k, cut)| (p[k], Vector2::from(cut.by_shape())));
            let (stretch, by_shape) =
                shape.map_or((Vector2::repeat(1.0), Vector2::zeros()), |(shape, by)| ((by * shape).map(f64::exp), by));
            let tried = Tried { at, turn, gain, stretch, by_shape };
            rows.extend(body.sightings.iter().map(|s| self.row(&camera, &tried, i, s)));
        }
        rows
    }

    /// Where the logarithm of a body's gain stands among the parameters.
    fn gain_index(&self, body: usize) -> Option<usize> {
        let kind = self.bodies.get(body)?.kind;
        self.gains.iter().position(|g| g.kind == kind).map(|k| POSES + 3 * self.bodies.len() + k)
    }

    /// Where a body's shape stands among the parameters, and how it was cut.
    fn shape_index(&self, body: usize) -> Option<(usize, Cut)> {
        let first = POSES + 3 * self.bodies.len() + self.gains.len();
        self.shapes.iter().enumerate().find(|(_, (of, _))| *of == body).map(|(k, (_, cut))| (first + k, *cut))
    }

    fn row(&self, camera: &Params, tried: &Tried, body: usize, s: &BodySighting) -> Row {
        let frame = &self.frame;
        let at = tried.at;
        let (sin, cos) = tried.turn.sin_cos();
        let turned = tried.gain * Matrix2::new(cos, -sin, sin, cos);
        let rotation = turned * Matrix2::from_diagonal(&tried.stretch);
        let (along_axis, across_axis) = match s.axis {
            Axis::X => (Vector2::y(), Vector2::x()),
            Axis::Y => (Vector2::x(), Vector2::y()),
        };
        let seen = (s.at - frame.centre) / frame.scale_px;
        let mut along = s.along_mm / frame.unit_mm;
        let known = s.known_mm / frame.unit_mm;
        let place = |along: f64| rotation * (across_axis * known + along_axis * along);
        let mut arm = place(along);
        let mut there = project(camera, at + arm);
        for _ in 0..5 {
            let tangent = there.by_mat * (rotation * along_axis);
            let step = tangent.dot(&(seen - there.image)) / tangent.norm_squared();
            // A point known both ways is held near its place, so that a wild start cannot slide along the line.
            if !step.is_finite() || step.abs() < 1e-6 {
                break;
            }
            along += step.clamp(-0.2, 0.2);
            arm = place(along);
            there = project(camera, at + arm);
        }
        let tangent = there.by_mat * (rotation * along_axis);
        let n = Vector2::new(-tangent.y, tangent.x) / tangent.norm().max(1e-12);
        let by_mat = there.by_mat.transpose() * n;
        let by_turn = Vector2::new(-arm.y, arm.x);
        let own = across_axis * known + along_axis * along;
        let by_shape = rotation * own.component_mul(&tried.by_shape);
        Row {
            px: frame.scale_px * n.dot(&(seen - there.image)),
            sigma: s.sigma_px,
            body,
            by_camera: there.by_params(&n) * -frame.scale_px,
            by_pose: Vector3::new(by_mat.x, by_mat.y, by_mat.dot(&by_turn)) * -frame.scale_px,
            by_gain: by_mat.dot(&arm) * -frame.scale_px,
            by_shape: by_mat.dot(&by_shape) * -frame.scale_px,
            px_per_mm: by_mat.dot(&(rotation * across_axis)).abs() * frame.scale_px / frame.unit_mm,
        }
    }

    /// What is believed beforehand, as residuals in standard deviations.
    fn beliefs(&self, p: &DVector<f64>) -> DVector<f64> {
        let camera = Params::from_column_slice(&p.as_slice()[..PARAMS]);
        let f = p[LN_F].exp();
        let m = Matrix3::from_diagonal(&Vector3::new(1.0 / f, 1.0 / f, 1.0)) * plane(&camera);
        let (c1, c2): (Vector3<f64>, Vector3<f64>) = (m.column(0).into(), m.column(1).into());
        let (n1, n2) = (c1.norm(), c2.norm());
        let normal = c1.cross(&c2).normalize();
        let (mut shift, mut turn) = (Vector2::zeros(), 0.0);
        for i in 0..self.bodies.len() {
            let k = POSES + 3 * i;
            let moved = Vector2::new(p[k] - self.start[k], p[k + 1] - self.start[k + 1]);
            let from = Vector2::new(self.start[k], self.start[k + 1]);
            let reach = 0.5 * self.bodies[i].size_mm / self.frame.unit_mm;
            shift += moved;
            turn += from.perp(&moved) + reach * reach * (p[k + 2] - self.start[k + 2]);
        }
        let gains = self.gains.iter().enumerate().map(|(i, gain)| {
            let ln = p[POSES + 3 * self.bodies.len() + i];
            (ln - gain.ln.0) / gain.ln.1
        });
        let shapes = self
            .shapes
            .iter()
            .filter_map(|(body, cut)| self.shape_index(*body).map(|(k, _)| p[k] / cut.shape_sigma().max(1e-5)));
        let mut all = vec![
            c1.dot(&c2) / (n1 * n2) / self.square_sigma,
            (n1 / n2).ln() / self.square_sigma,
            (p[LN_F] - self.focal.0) / self.focal.1,
            p[K1] / K1_SIGMA,
            p[K2] / K2_SIGMA,
            normal.x / TILT_SIGMA,
            normal.y / TILT_SIGMA,
            shift.x / GAUGE_SIGMA,
            shift.y / GAUGE_SIGMA,
            turn / GAUGE_SIGMA,
        ];
        all.extend(gains);
        all.extend(shapes);
        DVector::from_vec(all)
    }

    /// Gauss-Newton matrix, gradient and cost at `p`; `noise` multiplies every sighting's sigma.
    fn normal(&self, p: &DVector<f64>, bend: f64, noise: f64) -> (DMatrix<f64>, DVector<f64>, f64) {
        let n = p.len();
        let (mut a, mut g, mut cost) = (DMatrix::zeros(n, n), DVector::zeros(n), 0.0);
        for row in self.rows(p) {
            let z = row.px / row.sigma;
            let b = bend;
            cost += 0.5 * b * b * (z / b).powi(2).ln_1p() / (noise * noise);
            let w = 1.0 / (1.0 + (z / b).powi(2)) / (row.sigma * noise).powi(2);
            let k = POSES + 3 * row.body;
            let by_camera = (0..PARAMS).map(|i| (i, row.by_camera[i]));
            let by_pose = (0..3).map(|i| (k + i, row.by_pose[i]));
            let by_gain = self.gain_index(row.body).map(|i| (i, row.by_gain));
            let by_shape = self.shape_index(row.body).map(|(i, _)| (i, row.by_shape));
            let slopes: Vec<(usize, f64)> = by_camera.chain(by_pose).chain(by_gain).chain(by_shape).collect();
            for &(i, slope) in &slopes {
                g[i] += w * slope * row.px;
                for &(j, other) in &slopes {
                    a[(i, j)] += w * slope * other;
                }
            }
        }
        let here = self.beliefs(p);
        cost += 0.5 * here.norm_squared();
        let mut jacobian = DMatrix::zeros(here.len(), n);
        for i in 0..n {
            let mut moved = p.clone();
            let h = 1e-6;
            moved[i] += h;
            let up = self.beliefs(&moved);
            moved[i] -= 2.0 * h;
            jacobian.set_column(i, &((up - self.beliefs(&moved)) / (2.0 * h)));
        }
        a += jacobian.transpose() * &jacobian;
        g += jacobian.transpose() * here;
        (a, g, cost)
    }

    fn minimise(&self, start: DVector<f64>, bend: f64, noise: f64, steps: usize) -> DVector<f64> {
        let mut p = start;
        let mut damping = 1e-3;
        let (mut a, mut g, mut cost) = self.normal(&p, bend, noise);
        for _ in 0..steps {
            let mut damped = a.clone();
            for i in 0..p.len() {
                damped[(i, i)] *= 1.0 + damping;
            }
            let Some(step) = damped.cholesky().map(|c| -c.solve(&g)) else {
                damping *= 10.0;
                if damping > 1e9 {
                    break;
                }
                continue;
            };
            let next = &p + step;
            let (na, ng, nc) = self.normal(&next, bend, noise);
            if nc.is_finite() && nc <= cost * (1.0 + 1e-12) {
                let gain = cost - nc;
                (p, a, g, cost) = (next, na, ng, nc);
                damping = (damping * 0.1).max(1e-12);
                if gain < 1e-6 {
                    break;
                }
            } else if damping > 1e9 {
                break;
            } else {
                damping *= 10.0;
            }
        }
        p
    }

    /// How many of the stated sigmas the residuals really are, robustly.
    fn noise(&self, p: &DVector<f64>) -> f64 {
        let rows = self.rows(p);
        let sum: f64 = rows.iter().map(|r| ((r.px / r.sigma).abs().min(30.0)).powi(2)).sum();
        let free = (rows.len() as f64 - p.len() as f64 + 10.0).max(1.0);
        let mut off: Vec<f64> = rows.iter().map(|r| (r.px / r.sigma).abs()).collect();
        let robust = 1.4826 * median(&mut off) * (rows.len() as f64 / free).sqrt();
        // With few sightings to spare their closeness proves nothing: the stated sigma then stands.
        let measured = robust.max(0.7 * (sum / free).sqrt());
        let spare = (free / 12.0).min(1.0);
        // Beside bodies of another kind, a sheet's or card's sides are not to weigh more than stated: their places err
        // together, and that they lie close to one line proves nothing of the line.
        let by_sides = self.bodies.iter().any(|b| matches!(b.kind, BodyKind::Sheet | BodyKind::IdCard));
        let most_sure = if by_sides && !self.gains.is_empty() { 1.0 } else { 0.0 };
        let least = rows.iter().map(|r| FLOOR_PX / r.sigma).fold(most_sure, f64::max);
        (measured * spare + measured.max(1.0) * (1.0 - spare)).max(least)
    }
}

impl Solved<'_> {
    /// Root mean square residual over the bodies' size in the photo.
    fn misfit(&self) -> f64 {
        let rows = self.problem.rows(&self.p);
        let sum: f64 = rows
            .iter()
            .map(|r| {
                let size = self.problem.bodies.get(r.body).map_or(1.0, |b| b.size_mm);
                (r.px / (r.px_per_mm * size).max(1e-9)).abs().min(0.05).powi(2)
            })
            .sum();
        (sum / rows.len().max(1) as f64).sqrt()
    }

    fn summarise(
        &self,
        bodies: &[Body],
        kept: &[usize],
        size: (u32, u32),
        focal_px: Option<f64>,
    ) -> Result<JointFit, Refusal> {
        let frame = self.problem.frame;
        let params = Params::from_column_slice(&self.p.as_slice()[..PARAMS]);
        let (a, _, _) = self.problem.normal(&self.p, 2.385 * self.noise.max(1.0), self.noise);
        let all = a.try_inverse().filter(|c| c.iter().all(|v| v.is_finite())).ok_or_else(too_little)?;
        let covariance = Square::from_fn(|i, j| all[(i, j)]);
        let camera = frame.camera(&params).ok_or_else(too_little)?;
        let rows = self.problem.rows(&self.p);
        let residual = residuals(&rows, self.misfit());
        let hull = convex_hull(self.outlines());
        let doubt = PlaneDoubt::new(frame, params, covariance, 0.0, hull);
        let pose = pose::pose(&frame, &params, &covariance, (None, focal_px), size, pose::PRINT_SIGMA);
        self.of_the_shape_typed(&pose, focal_px, assumed_focal_px(size), |k| all[(k, k)].max(0.0).sqrt())?;
        let mut poses = vec![None; bodies.len()];
        for (i, &k) in kept.iter().enumerate() {
            let j = POSES + 3 * i;
            let at = MatPoint::new(self.p[j] * frame.unit_mm, self.p[j + 1] * frame.unit_mm);
            poses[k] = Some(BodyPose { at, turn: self.p[j + 2] });
        }
        let middle = camera.mat_from_image(frame.centre);
        let fit = CameraFit {
            px_per_mm: camera.px_per_mm(middle),
            camera: camera.with_pose(pose.pose),
            residual,
            crossings: 0,
            sides_used: rows.len(),
            sides_seen: bodies.iter().map(|b| b.sightings.len()).sum(),
            lines: [0, 0],
            lens: LensFit {
                k1: params[K1],
                k1_sigma: covariance[(K1, K1)].sqrt(),
                k2: params[K2],
                k2_sigma: Some(covariance[(K2, K2)].sqrt()),
                why: "both terms are fitted, held near zero by what ordinary lenses do".to_string(),
            },
            scale_sigma: 0.0,
            focal_from_view: pose.from_view,
            out_of_shape: pose.out_of_shape,
            doubt,
            warnings: odd(&self.left_out(bodies, kept), pose.warnings),
        };
        Ok(JointFit { fit, poses, misfit_share: self.misfit() })
    }

    /// Four sides fit a plane whatever they are of: only the camera says whether their shape is the one typed.
    /// `sigma` is that of a parameter.
    fn of_the_shape_typed(
        &self,
        seen: &pose::PoseFit,
        exif_px: Option<f64>,
        typical_px: f64,
        sigma: impl Fn(usize) -> f64,
    ) -> Result<(), Refusal> {
        let by_sides = |b: &&Body| matches!(b.kind, BodyKind::Sheet | BodyKind::IdCard);
        let Some(body) = self.problem.bodies.first().filter(|_| self.problem.bodies.iter().all(by_sides)) else {
            return Ok(());
        };
        let shape =
            self.problem.shape_index(0).map(|(k, cut)| (self.p[k].abs(), cut.shape_limit() + SHAPE_SIGMAS * sigma(k)));
        let badly_cut = shape.filter(|(off, most)| off > most).map(|(off, _)| off + seen.out_of_shape.unwrap_or(0.0));
        let contrary = seen.warnings.iter().any(|w| w.code == "focal-disagrees");
        let view = seen.from_view.filter(|v| v.sigma < SURE_VIEW).map(|v| v.px);
        let odd = |px: &f64| exif_px.is_none() && !(typical_px / ODD_LENS..ODD_LENS * typical_px).contains(px);
        let why = match (badly_cut.or(seen.out_of_shape), view) {
            (Some(off), _) => format!("by the camera's view its four sides are {:.0} % out of that shape", 100.0 * off),
            (None, Some(px)) if contrary || odd(&px) => format!(
                "its four sides have that shape only for a lens {:.1} times as long as {}",
                px / exif_px.unwrap_or(typical_px),
                if exif_px.is_some() { "the photo says" } else { "a phone's" }
            ),
            _ => return Ok(()),
        };
        let advice = match body.kind {
            BodyKind::IdCard => {
                "lay one bank or identity card flat there, let nothing else of its shape lie about, and give the photo as the \
                 camera wrote it, not cropped"
            }
            _ => {
                "name the paper that lies there (A4 is longer and narrower than Letter), let no other light rectangle lie \
                 about, lay it flat, and give the photo as the camera wrote it, not cropped"
            }
        };
        Err(Refusal::new(
            RefusalKind::ContradictoryReference,
            format!("the {} found is not of the size named: {why}", body.name),
            advice,
        ))
    }

    /// The bodies' outlines on the mat.
    fn outlines(&self) -> Vec<MatPoint> {
        let unit = self.problem.frame.unit_mm;
        let of = |(i, body): (usize, &&Body)| {
            let j = POSES + 3 * i;
            let pose = BodyPose { at: MatPoint::new(self.p[j] * unit, self.p[j + 1] * unit), turn: self.p[j + 2] };
            body.outline.iter().map(|own| pose.mat_from_body(*own)).collect::<Vec<_>>()
        };
        self.problem.bodies.iter().enumerate().flat_map(of).collect()
    }

    fn left_out<'b>(&self, bodies: &'b [Body], kept: &[usize]) -> Vec<&'b str> {
        (0..bodies.len()).filter(|k| !kept.contains(k)).map(|k| bodies[k].name.as_str()).collect()
    }
}

fn odd(left_out: &[&str], pose: Vec<Warning>) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = pose
        .into_iter()
        // Said of a grid; the bodies' own checks say it better.
        .filter(|w| w.code != "grid-not-square")
        .collect();
    if !left_out.is_empty() {
        warnings.push(Warning::new(
            "reference-left-out",
            format!(
                "{} did not agree with the rest (not flat on the table, partly hidden or of another size) and {} left out",
                left_out.join(", "),
                if left_out.len() == 1 { "was" } else { "were" }
            ),
        ));
    }
    warnings
}

fn residuals(rows: &[Row], share: f64) -> ResidualSummary {
    let rms =
        |f: &dyn Fn(&Row) -> f64| (rows.iter().map(|r| f(r).powi(2)).sum::<f64>() / rows.len().max(1) as f64).sqrt();
    let mut off: Vec<f64> = rows.iter().map(|r| r.px.abs()).collect();
    let robust_px = 1.4826 * median(&mut off);
    let mut off: Vec<f64> = rows.iter().map(|r| r.px.abs() / r.px_per_mm.max(1e-9)).collect();
    ResidualSummary {
        rms_px: rms(&|r| r.px),
        robust_px,
        rms_mm: rms(&|r| r.px / r.px_per_mm.max(1e-9)),
        robust_mm: 1.4826 * median(&mut off),
        warp_mm: 0.0,
        cell_share: share,
    }
}

/// Where kinds are mixed, how much larger each looks than believed, on a plane at their mean height seen from `distance` mm.
fn gains(bodies: &[&Body], distance: f64) -> Vec<Gain> {
    let mut kinds: Vec<BodyKind> = bodies.iter().map(|b| b.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    if kinds.len() < 2 {
        return Vec::new();
    }
    let mean = |of: &dyn Fn(&Body) -> bool, value: &dyn Fn(&Body) -> f64| {
        let all: Vec<f64> = bodies.iter().filter(|b| of(b)).map(|b| value(b)).collect();
        all.iter().sum::<f64>() / all.len().max(1) as f64
    };
    let height = mean(&|_| true, &|b| b.height_mm);
    let gain = |kind: BodyKind| {
        let own = |value: &dyn Fn(&Body) -> f64| mean(&|b: &Body| b.kind == kind, value);
        let doubt = own(&|b| b.size_doubt).hypot(own(&|b| b.height_doubt_mm) / distance);
        Gain { kind, ln: ((own(&|b| b.height_mm) - height) / distance, (doubt / SIGMAS_95).max(1e-5)) }
    };
    kinds.into_iter().map(gain).collect()
}

/// Where to start from.
struct Guess {
    params: Params,
    unit_mm: f64,
    poses: Vec<BodyPose>,
}

/// A rough plane map: the depth's slope from the bodies' apparent sizes, then a similarity; the photo's right is the mat's.
fn first_guess(bodies: &[&Body], centre: ImagePoint, scale_px: f64) -> Option<Guess> {
    let sizes: Vec<(Vector2<f64>, f64, bool)> = bodies.iter().filter_map(|b| apparent(b, centre, scale_px)).collect();
    if sizes.is_empty() || sizes.len() != bodies.len() {
        return None;
    }
    let slope = if sizes.iter().filter(|s| s.2).count() >= 3 { depth_slope(&sizes) } else { Vector2::zeros() };
    // ideal = (x, y) / (1 + g . x) on a plane whose scale in the middle is `gain` image units to a millimetre.
    let flat = |u: Vector2<f64>| u / (1.0 - slope.dot(&u)).max(0.2);
    let mut gains: Vec<f64> = Vec::new();
    for b in bodies {
        for (i, (own, at)) in b.anchors.iter().enumerate() {
            for (other, there) in b.anchors.iter().skip(i + 1) {
                let (p, q) = (flat((*at - centre) / scale_px), flat((*there - centre) / scale_px));
                let mm = (other - own).norm();
                if mm > 0.0 {
                    gains.push((q - p).norm() / mm);
                }
            }
        }
    }
    let gain = median(&mut gains);
    let usable = gain > 0.0 && gain.is_finite();
    usable.then_some(())?;
    let mat = |at: ImagePoint| {
        let f = flat((at - centre) / scale_px) / gain;
        MatPoint::new(f.x, -f.y)
    };
    let poses: Vec<BodyPose> = bodies.iter().filter_map(|b| place(b, mat)).collect();
    let reach = poses.iter().zip(bodies).map(|(p, b)| p.at.distance(MatPoint::default()) + 0.5 * b.size_mm);
    let unit_mm = reach.fold(50.0, f64::max);
    let k = gain * unit_mm;
    // From flat back: u = f / (1 + slope . f), f = k (x, -y).
    let params = Params::from_row_slice(&[k, 0.0, 0.0, 0.0, -k, 0.0, slope.x * k, -slope.y * k, 0.0, 0.0]);
    (poses.len() == bodies.len()).then_some(Guess { params, unit_mm, poses })
}

/// A body's middle in the photo, its image units to a millimetre, and whether it has extent both ways.
fn apparent(body: &Body, centre: ImagePoint, scale_px: f64) -> Option<(Vector2<f64>, f64, bool)> {
    let n = body.anchors.len() as f64;
    let middle = body.anchors.iter().fold(Vector2::zeros(), |s, (_, at)| s + (*at - centre) / scale_px) / n;
    let own = body.anchors.iter().fold(Vector2::zeros(), |s, (own, _)| s + own) / n;
    let (mut seen, mut real) = (Matrix2::zeros(), Matrix2::zeros());
    for (o, at) in &body.anchors {
        let u = (*at - centre) / scale_px - middle;
        seen += u * u.transpose();
        real += (o - own) * (o - own).transpose();
    }
    let both = real.determinant() > 1e-6 * real.trace().powi(2);
    let share =
        if both { (seen.determinant() / real.determinant()).powf(0.25) } else { (seen.trace() / real.trace()).sqrt() };
    share.is_finite().then_some((middle, share, both))
}

/// The depth's slope over the photo from squares' apparent sizes: area goes with depth to the power -3.
fn depth_slope(sizes: &[(Vector2<f64>, f64, bool)]) -> Vector2<f64> {
    let mut a = Matrix3::zeros();
    let mut b = Vector3::zeros();
    for (at, share, _) in sizes.iter().filter(|s| s.2) {
        let nearness = share.powf(2.0 / 3.0);
        let row = Vector3::new(1.0, at.x, at.y);
        a += row * row.transpose();
        b += row * nearness;
    }
    a += Matrix3::from_diagonal(&Vector3::new(0.0, 1e-4, 1e-4));
    let Some(s) = a.try_inverse().map(|i| i * b) else { return Vector2::zeros() };
    let slope = -Vector2::new(s[1], s[2]) / s[0];
    if slope.norm() < 1.0 { slope } else { Vector2::zeros() }
}

/// Where a body lies, by where its anchors come to lie.
pub(crate) fn place(body: &Body, mat: impl Fn(ImagePoint) -> MatPoint) -> Option<BodyPose> {
    let pairs: Vec<(Vector2<f64>, MatPoint)> = body.anchors.iter().map(|(own, at)| (*own, mat(*at))).collect();
    BodyPose::nearest(&pairs)
}

#[cfg(test)]
mod tests;
