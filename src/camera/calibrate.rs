//! Calibrating a lens from several views of one flat board (Zhang, *A flexible new technique for camera
//! calibration*, IEEE PAMI 22(11), 2000).
//!
//! One view of a small board says little about k1 and k2; several, tilted different ways, say all. Start:
//! a focal length from the views' plane maps with the centre in the middle of the photo. Then
//! Levenberg-Marquardt over intrinsics, k1, k2 and every view's pose, in pixels.

use nalgebra::{DMatrix, DVector, Matrix2x3, Matrix3, Rotation3, SMatrix, Vector2, Vector3};

use super::Lens;
use super::homography::image_from_mat;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::{ImagePoint, MatPoint};

/// Focal lengths, skew, centre, k1, k2.
const INTRINSICS: usize = 7;
/// Turn and shift of a view.
const POSE: usize = 6;
/// Views needed: two fix the focal lengths and centre, a third checks them.
const LEAST_VIEWS: usize = 3;

/// A calibrated camera: u = fx x'' + skew y'' + cx, v = fy y'' + cy, x'' = x' (1 + k1 r^2 + k2 r^4).
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Focal lengths, px.
    pub focal_px: [f64; 2],
    /// Skew, px; held at zero unless asked for.
    pub skew_px: f64,
    /// Centre.
    pub centre: ImagePoint,
    /// Factor of r^2.
    pub k1: f64,
    /// Factor of r^4.
    pub k2: f64,
    /// Root mean square distance between corners seen and foretold, px (both coordinates together).
    pub rms_px: f64,
    /// The same of each view.
    pub view_rms_px: Vec<f64>,
    /// Standard deviations.
    pub sigma: Sigma,
}

/// Standard deviations of a calibration, from the normal equations at its end and the spread of the points about it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sigma {
    /// Of the focal lengths, px.
    pub focal_px: [f64; 2],
    /// Of the skew, px; 0 where it is held.
    pub skew_px: f64,
    /// Of the centre, px.
    pub centre_px: [f64; 2],
    /// Of k1.
    pub k1: f64,
    /// Of k2.
    pub k2: f64,
}

impl Calibration {
    /// The radial lens, with r in focal lengths.
    pub fn lens(&self) -> Lens {
        Lens { centre: self.centre, scale_px: (self.focal_px[0] * self.focal_px[1]).sqrt(), k1: self.k1, k2: self.k2 }
    }
}

/// Calibrates from views of a board, each a list of board points (mm) with where they were seen.
///
/// With `skew` the pixel axes may be askew, as in Zhang's paper; otherwise they are square.
///
/// # Errors
/// Fewer than three views, or views that do not determine the camera (all from the same direction).
pub fn calibrate(views: &[Vec<(MatPoint, ImagePoint)>], size: (u32, u32), skew: bool) -> Result<Calibration, Refusal> {
    let start = start(views, size).ok_or_else(|| undetermined(views.len()))?;
    let solved = refine(views, start, skew).ok_or_else(|| undetermined(views.len()))?;
    let view_rms_px: Vec<f64> = views.iter().zip(&solved.poses).map(|(v, p)| rms(v, &solved.inner, p)).collect();
    let points: usize = views.iter().map(Vec::len).sum();
    let total: f64 = views.iter().zip(&view_rms_px).map(|(v, r)| v.len() as f64 * r * r).sum();
    let k = &solved.inner;
    let sigma = sigma(views, &solved, total, skew).ok_or_else(|| undetermined(views.len()))?;
    let good = k.iter().all(|v| v.is_finite()) && k[0] > 0.0 && k[1] > 0.0;
    good.then(|| Calibration {
        focal_px: [k[0], k[1]],
        skew_px: k[2],
        centre: ImagePoint::new(k[3], k[4]),
        k1: k[5],
        k2: k[6],
        rms_px: (total / points.max(1) as f64).sqrt(),
        view_rms_px,
        sigma,
    })
    .ok_or_else(|| undetermined(views.len()))
}

fn undetermined(views: usize) -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!(
            "what the lens does cannot be told from {}",
            if views == 1 { "one photo".to_string() } else { format!("these {views} photos") }
        ),
        format!(
            "take {LEAST_VIEWS} or more photos of the flat mat, grid sheet or chessboard, the phone tilted another way in each, at \
             one zoom"
        ),
    )
}

/// fx, fy, skew, cx, cy, k1, k2.
type Inner = SMatrix<f64, INTRINSICS, 1>;

#[derive(Debug, Clone)]
struct Pose {
    rotation: Rotation3<f64>,
    shift: Vector3<f64>,
}

#[derive(Debug, Clone)]
struct State {
    inner: Inner,
    poses: Vec<Pose>,
}

/// A focal length from all plane maps together (two equations in 1/f^2 each), and poses from it.
fn start(views: &[Vec<(MatPoint, ImagePoint)>], size: (u32, u32)) -> Option<State> {
    if views.len() < LEAST_VIEWS {
        return None;
    }
    let (cx, cy) = (0.5 * (f64::from(size.0) - 1.0), 0.5 * (f64::from(size.1) - 1.0));
    let centred: Vec<Matrix3<f64>> = views
        .iter()
        .map(|view| {
            let pairs: Vec<_> = view.iter().map(|&(m, p)| (m, ImagePoint::new(p.x - cx, p.y - cy))).collect();
            image_from_mat(&pairs).map(|h| h / h.fixed_view::<2, 2>(0, 0).norm())
        })
        .collect::<Option<_>>()?;
    let (mut aa, mut ab) = (0.0, 0.0);
    for h in &centred {
        let dot = |u: usize, v: usize| h[(0, u)] * h[(0, v)] + h[(1, u)] * h[(1, v)];
        for (a, b) in
            [(dot(0, 1), h[(2, 0)] * h[(2, 1)]), (dot(0, 0) - dot(1, 1), h[(2, 0)].powi(2) - h[(2, 1)].powi(2))]
        {
            aa += b * b;
            ab += a * b;
        }
    }
    // a / f^2 + b = 0, so f^2 = -(a.b) / (b.b).
    let f = (-ab / aa).sqrt();
    if !f.is_finite() {
        return None;
    }
    let poses = centred.iter().map(|h| pose(h, f)).collect::<Option<_>>()?;
    Some(State { inner: Inner::from_column_slice(&[f, f, 0.0, cx, cy, 0.0, 0.0]), poses })
}

fn pose(h: &Matrix3<f64>, f: f64) -> Option<Pose> {
    let m = Matrix3::from_diagonal(&Vector3::new(1.0 / f, 1.0 / f, 1.0)) * h;
    let scale = 0.5 * (m.column(0).norm() + m.column(1).norm()) * m[(2, 2)].signum();
    let (r1, r2): (Vector3<f64>, Vector3<f64>) = (m.column(0) / scale, m.column(1) / scale);
    let rotation = Matrix3::from_columns(&[r1, r2, r1.cross(&r2)]);
    let svd = rotation.svd(true, true);
    let rotation = svd.u? * svd.v_t?;
    Some(Pose { rotation: Rotation3::from_matrix_unchecked(rotation), shift: m.column(2) / scale })
}

/// A predicted point with its derivatives by the intrinsics and by the view's turn and shift.
struct Seen {
    at: Vector2<f64>,
    by_inner: SMatrix<f64, 2, INTRINSICS>,
    by_pose: SMatrix<f64, 2, POSE>,
}

fn see(inner: &Inner, pose: &Pose, mat: MatPoint) -> Seen {
    let turned = pose.rotation * Vector3::new(mat.x, mat.y, 0.0);
    let c = turned + pose.shift;
    let p = Vector2::new(c.x / c.z, c.y / c.z);
    let r2 = p.norm_squared();
    let (fx, fy, skew, k1, k2) = (inner[0], inner[1], inner[2], inner[5], inner[6]);
    let gain = 1.0 + r2 * (k1 + r2 * k2);
    let q = p * gain;
    let k = nalgebra::Matrix2::new(fx, skew, 0.0, fy);
    let mut by_inner = SMatrix::<f64, 2, INTRINSICS>::zeros();
    by_inner[(0, 0)] = q.x;
    by_inner[(1, 1)] = q.y;
    by_inner[(0, 2)] = q.y;
    by_inner[(0, 3)] = 1.0;
    by_inner[(1, 4)] = 1.0;
    by_inner.set_column(5, &(k * p * r2));
    by_inner.set_column(6, &(k * p * (r2 * r2)));
    let bend = nalgebra::Matrix2::identity() * gain + p * p.transpose() * (2.0 * k1 + 4.0 * r2 * k2);
    let flat = Matrix2x3::new(1.0, 0.0, -p.x, 0.0, 1.0, -p.y) / c.z;
    let by_place = k * bend * flat;
    let mut by_pose = SMatrix::<f64, 2, POSE>::zeros();
    // A small turn w moves the point by w x (R X).
    by_pose.fixed_view_mut::<2, 3>(0, 0).copy_from(&(by_place * -turned.cross_matrix()));
    by_pose.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_place);
    Seen { at: k * q + Vector2::new(inner[3], inner[4]), by_inner, by_pose }
}

fn rms(view: &[(MatPoint, ImagePoint)], inner: &Inner, pose: &Pose) -> f64 {
    let sum: f64 = view.iter().map(|&(m, p)| (Vector2::new(p.x, p.y) - see(inner, pose, m).at).norm_squared()).sum();
    (sum / view.len().max(1) as f64).sqrt()
}

fn cost(views: &[Vec<(MatPoint, ImagePoint)>], state: &State) -> f64 {
    views.iter().zip(&state.poses).map(|(v, p)| v.len() as f64 * rms(v, &state.inner, p).powi(2)).sum()
}

fn refine(views: &[Vec<(MatPoint, ImagePoint)>], mut state: State, skew: bool) -> Option<State> {
    let mut damping = 1e-3;
    let mut here = cost(views, &state);
    for _ in 0..200 {
        let step = step(views, &state, damping, skew)?;
        let next = moved(&state, &step);
        let there = cost(views, &next);
        if there.is_finite() && there <= here {
            let gain = here - there;
            (state, here) = (next, there);
            damping = (damping * 0.1).max(1e-12);
            if gain <= 1e-13 * here {
                break;
            }
        } else {
            damping *= 10.0;
            if damping > 1e9 {
                break;
            }
        }
    }
    Some(state)
}

fn sigma(views: &[Vec<(MatPoint, ImagePoint)>], state: &State, total: f64, skew: bool) -> Option<Sigma> {
    let (a, _) = normal_equations(views, state, skew);
    let points: usize = views.iter().map(Vec::len).sum();
    let free = 2 * points - (a.nrows() - usize::from(!skew)).min(2 * points - 1);
    let variance = total / free as f64;
    let inverse = a.try_inverse()?;
    let of = |i: usize| (variance * inverse[(i, i)]).max(0.0).sqrt();
    Some(Sigma {
        focal_px: [of(0), of(1)],
        skew_px: if skew { of(2) } else { 0.0 },
        centre_px: [of(3), of(4)],
        k1: of(5),
        k2: of(6),
    })
}

fn step(views: &[Vec<(MatPoint, ImagePoint)>], state: &State, damping: f64, skew: bool) -> Option<DVector<f64>> {
    let (mut a, g) = normal_equations(views, state, skew);
    for i in 0..a.nrows() {
        a[(i, i)] *= 1.0 + damping;
    }
    Some(a.cholesky()?.solve(&g))
}

fn normal_equations(views: &[Vec<(MatPoint, ImagePoint)>], state: &State, skew: bool) -> (DMatrix<f64>, DVector<f64>) {
    let n = INTRINSICS + POSE * views.len();
    let (mut a, mut g) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
    for (i, (view, pose)) in views.iter().zip(&state.poses).enumerate() {
        let at = INTRINSICS + POSE * i;
        for &(mat, image) in view {
            let seen = see(&state.inner, pose, mat);
            let r = Vector2::new(image.x, image.y) - seen.at;
            let (ji, jp) = (&seen.by_inner, &seen.by_pose);
            let mut corner = a.view_mut((0, 0), (INTRINSICS, INTRINSICS));
            corner += ji.transpose() * ji;
            let mut side = a.view_mut((0, at), (INTRINSICS, POSE));
            side += ji.transpose() * jp;
            let mut own = a.view_mut((at, at), (POSE, POSE));
            own += jp.transpose() * jp;
            let mut top = g.rows_mut(0, INTRINSICS);
            top += ji.transpose() * r;
            let mut part = g.rows_mut(at, POSE);
            part += jp.transpose() * r;
        }
    }
    if !skew {
        a.row_mut(2).fill(0.0);
        a.column_mut(2).fill(0.0);
        a[(2, 2)] = 1.0;
        g[2] = 0.0;
    }
    a.fill_lower_triangle_with_upper_triangle();
    (a, g)
}

fn moved(state: &State, step: &DVector<f64>) -> State {
    let inner = state.inner + step.fixed_rows::<INTRINSICS>(0);
    let poses = state.poses.iter().enumerate().map(|(i, pose)| {
        let part = step.fixed_rows::<POSE>(INTRINSICS + POSE * i);
        let turn = Rotation3::new(Vector3::new(part[0], part[1], part[2]));
        Pose { rotation: turn * pose.rotation, shift: pose.shift + Vector3::new(part[3], part[4], part[5]) }
    });
    State { inner, poses: poses.collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_views_are_refused() {
        let view: Vec<(MatPoint, ImagePoint)> = (0..20)
            .map(|i| (f64::from(i % 5), f64::from(i / 5)))
            .map(|(x, y)| (MatPoint::new(x, y), ImagePoint::new(10.0 * x, 12.0 * y + x)))
            .collect();
        assert!(calibrate(&[view.clone(), view.clone()], (640, 480), false).is_err());
        assert!(calibrate(&[], (640, 480), false).is_err());
        let flat = vec![(MatPoint::default(), ImagePoint::default()); 9];
        assert!(calibrate(&[flat.clone(), flat.clone(), flat], (640, 480), false).is_err());
    }

    #[test]
    fn jacobian_agrees_with_differences() {
        let inner = Inner::from_column_slice(&[800.0, 810.0, 0.3, 320.0, 240.0, -0.2, 0.15]);
        let pose =
            Pose { rotation: Rotation3::from_euler_angles(0.3, -0.2, 1.0), shift: Vector3::new(10.0, -20.0, 400.0) };
        let mat = MatPoint::new(35.0, -60.0);
        let exact = see(&inner, &pose, mat);
        let state = State { inner, poses: vec![pose] };
        for i in 0..INTRINSICS + POSE {
            let h = 1e-5;
            let at = |by: f64| {
                let mut step = DVector::zeros(INTRINSICS + POSE);
                step[i] = by;
                let s = moved(&state, &step);
                see(&s.inner, &s.poses[0], mat).at
            };
            let numeric = (at(h) - at(-h)) / (2.0 * h);
            let analytic: Vector2<f64> = if i < INTRINSICS {
                exact.by_inner.column(i).into()
            } else {
                exact.by_pose.column(i - INTRINSICS).into()
            };
            assert!((numeric - analytic).norm() < 1e-5 * (1.0 + analytic.norm()), "{i}: {numeric} {analytic}");
        }
    }
}
