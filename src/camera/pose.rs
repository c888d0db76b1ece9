//! Where the camera stood: focal length from EXIF, from the view, or assumed; then height and foot.
//!
//! With K = diag(f, f, 1) about the photo's centre, K^-1 H = s [r1 r2 t] for a plane at z = 0
//! (Zhang, IEEE PAMI 22(11), 2000, section 3.1). That r1 and r2 are square to each other and of one
//! length gives two equations in 1/f^2. They say much when the mat is tilted and nothing when it is not.

use nalgebra::{Matrix2, Matrix3, SMatrix, Vector2, Vector3};

use super::line_model::{Frame, Params, plane};
use super::solve::Square;
use super::{Pose, PoseSource};
use crate::refusal::Warning;
use crate::units::MatPoint;

/// One standard deviation of a focal length from EXIF: rounding to whole mm and the diagonal rule.
const EXIF_SIGMA: f64 = 0.02;

/// 35 mm equivalent of an ordinary phone's main camera, mm, and its one standard deviation as a
/// share: 22 to 30 mm are made, and a lens of twice the length is sometimes chosen.
const PHONE_F35_MM: f64 = 26.0;
const PHONE_SIGMA: f64 = 0.2;

/// Diagonal of the 36 x 24 mm frame, mm.
const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_305_567_87;

/// How square to each other, and how equal, the printed families are taken to be (share). Mats are
/// printed and cut, sheets stretch: without this the view claims to know the focal length too well.
pub(super) const PRINT_SIGMA: f64 = 0.003;

/// 1/f^2 of a lens twice as long as the frame's unit.
const TWICE_AS_LONG: f64 = 0.25;

/// A relative doubt of the view's focal length up to which it is worth using.
const USABLE: f64 = 0.2;

/// A focal length with its doubt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FocalLength {
    /// Pixels.
    pub px: f64,
    /// One standard deviation, as a share of it.
    pub sigma: f64,
}

/// The pose, what the view alone says, and what does not fit together.
#[derive(Debug, Clone)]
pub(super) struct PoseFit {
    pub pose: Option<Pose>,
    pub from_view: Option<FocalLength>,
    /// By how much what was seen is out of the shape typed, whatever the focal length within its doubt (share); `None`
    /// if it is not.
    pub out_of_shape: Option<f64>,
    pub warnings: Vec<Warning>,
}

/// An ordinary phone's focal length for a photo of this size, px.
pub(super) fn assumed_focal_px(size: (u32, u32)) -> f64 {
    PHONE_F35_MM * f64::from(size.0).hypot(f64::from(size.1)) / FULL_FRAME_DIAGONAL_MM
}

/// The pose from a fitted plane map; of focal lengths the one `known` from a profile, else that of EXIF, is told.
/// `print_sigma`: how square what was seen is taken to be, one standard deviation as a share.
pub(super) fn pose(
    frame: &Frame,
    params: &Params,
    covariance: &Square,
    (known, exif_px): (Option<FocalLength>, Option<f64>),
    size: (u32, u32),
    print_sigma: f64,
) -> PoseFit {
    let from_view = focal_from_view(frame, params, covariance, print_sigma);
    let mut warnings = Vec::new();
    let (focal, source) = match known {
        Some(known) => (known, PoseSource::Profile),
        None => choose(from_view, exif_px, size, &mut warnings),
    };
    let shape = not_square(frame, params, focal);
    warnings.extend(shape.map(askew_grid));
    let pose = decompose(frame, params, focal.px).map(|(stand, _)| Pose {
        foot: stand.foot,
        height_mm: stand.height_mm,
        tilt_deg: stand.tilt_deg,
        focal_px: focal.px,
        height_sigma_mm: stand.height_mm * focal.sigma,
        source,
    });
    warnings.extend(pose.and_then(odd_height));
    PoseFit { pose, from_view, out_of_shape: shape.map(|s| s.off()), warnings }
}

fn choose(
    view: Option<FocalLength>,
    exif_px: Option<f64>,
    size: (u32, u32),
    warnings: &mut Vec<Warning>,
) -> (FocalLength, PoseSource) {
    let view = view.filter(|v| v.sigma < USABLE);
    let exif = exif_px.map(|px| FocalLength { px, sigma: EXIF_SIGMA });
    match (view, exif) {
        (Some(view), Some(exif)) => {
            let apart = (view.px / exif.px).ln().abs();
            let strongly = apart > 0.08 && apart > 4.0 * view.sigma.hypot(exif.sigma);
            if strongly {
                warnings.push(disagreement(view, exif));
            }
            if strongly || view.sigma < 0.5 * exif.sigma { (view, PoseSource::View) } else { (exif, PoseSource::Exif) }
        }
        (None, Some(exif)) => (exif, PoseSource::Exif),
        (Some(view), None) => (view, PoseSource::View),
        (None, None) => {
            warnings.push(Warning::new(
                "focal-assumed",
                "the photo does not say how long the lens is and the mat is seen too squarely to tell, so an ordinary \
                 phone camera was assumed: the correction for the cloth's thickness is uncertain by a fifth; use the \
                 photo as the camera wrote it, not one sent through a messenger",
            ));
            (FocalLength { px: assumed_focal_px(size), sigma: PHONE_SIGMA }, PoseSource::Assumed)
        }
    }
}

/// A camera nearer than a garment allows, or higher than a room, hints that the grid's pitch is wrong.
fn odd_height(pose: Pose) -> Option<Warning> {
    let sigmas = 3.0 * pose.height_sigma_mm;
    let odd = pose.height_mm + sigmas < 300.0 || pose.height_mm - sigmas > 4000.0;
    odd.then(|| {
        Warning::new(
            "camera-height-odd",
            format!(
                "by the size typed the camera stood {:.0} cm above the table: if that is not so, what lies there is of \
                 another size",
                pose.height_mm / 10.0
            ),
        )
    })
}

fn disagreement(view: FocalLength, exif: FocalLength) -> Warning {
    Warning::new(
        "focal-disagrees",
        format!(
            "by the view of the table the lens is {:.2} times as long as the photo says: the photo was cropped, or what lies \
             there is not of the size typed; the view was believed; give the photo as the camera wrote it, not cropped",
            view.px / exif.px
        ),
    )
}

/// The shape that a camera saw where the two families are unequal or askew against what was typed, and no focal length
/// within its doubt explains it.
fn not_square(frame: &Frame, params: &Params, focal: FocalLength) -> Option<Shape> {
    const MOST: f64 = 0.02;
    let within = [-2.0, -1.0, 0.0, 1.0, 2.0].map(|s| decompose(frame, params, focal.px * (1.0 + s * focal.sigma)));
    let shapes = within.into_iter().flatten().map(|(_, shape)| shape);
    shapes.min_by(|a, b| a.off().total_cmp(&b.off())).filter(|least| least.off() > MOST)
}

/// Another grid than the one typed.
fn askew_grid(seen: Shape) -> Warning {
    Warning::new(
        "grid-not-square",
        format!(
            "the mat's squares seem {:.1} % wider than they should against their height, and {:.1} degrees off a right \
             angle: measure them both ways, and give the photo as the camera wrote it, not cropped or stretched",
            100.0 * (seen.ratio - 1.0),
            seen.askew.asin().to_degrees().abs()
        ),
    )
}

/// The two equations a w + b = 0 in w = 1/f^2 (frame units).
fn equations(h: &Matrix3<f64>) -> (Vector2<f64>, Vector2<f64>) {
    let (h1, h2) = (h.column(0), h.column(1));
    let flat = |u: usize, v: usize| h[(0, u)] * h[(0, v)] + h[(1, u)] * h[(1, v)];
    let a = Vector2::new(2.0 * flat(0, 1), flat(0, 0) - flat(1, 1));
    let b = Vector2::new(2.0 * h1[2] * h2[2], h1[2] * h1[2] - h2[2] * h2[2]);
    (a, b)
}

/// The focal length from the view, by weighted least squares over the two equations.
fn focal_from_view(frame: &Frame, params: &Params, covariance: &Square, print_sigma: f64) -> Option<FocalLength> {
    let (a, b) = equations(&plane(params));
    let size = plane(params).fixed_view::<2, 2>(0, 0).norm_squared();
    // Start from the ordinary phone: the frame's unit is already near a focal length.
    let mut w = 1.0;
    let mut sigma_w = f64::INFINITY;
    for _ in 0..4 {
        let precision = equation_covariance(params, covariance, w, print_sigma * size).try_inverse()?;
        let gain = (a.transpose() * precision * a)[(0, 0)];
        let next = -(a.transpose() * precision * b)[(0, 0)] / gain;
        sigma_w = gain.sqrt().recip();
        if !(next.is_finite() && next > 0.0) {
            return None;
        }
        w = next;
    }
    let sigma = 0.5 * sigma_w / w;
    (sigma.is_finite()).then(|| FocalLength { px: frame.scale_px / w.sqrt(), sigma })
}

fn equation_covariance(params: &Params, covariance: &Square, w: f64, print: f64) -> Matrix2<f64> {
    let value = |p: &Params| {
        let (a, b) = equations(&plane(p));
        a * w + b
    };
    let mut j = SMatrix::<f64, 2, { super::line_model::PARAMS }>::zeros();
    for i in 0..8 {
        let h = 1e-6;
        let (mut up, mut down) = (*params, *params);
        up[i] += h;
        down[i] -= h;
        j.set_column(i, &((value(&up) - value(&down)) / (2.0 * h)));
    }
    // Near the plumb line what is seen of the lens drowns in the print: a very long one must not seem sure of itself there.
    let print = print * w.max(TWICE_AS_LONG);
    j * covariance * j.transpose() + Matrix2::identity() * (print * print)
}

struct Stand {
    foot: MatPoint,
    height_mm: f64,
    tilt_deg: f64,
}

/// What the families would be if the focal length is right: length ratio x / y, and r1 . r2.
#[derive(Debug, Clone, Copy)]
struct Shape {
    ratio: f64,
    askew: f64,
}

impl Shape {
    /// How far it is from square, as a share.
    fn off(&self) -> f64 {
        self.ratio.ln().abs().max(self.askew.abs())
    }
}

fn decompose(frame: &Frame, params: &Params, focal_px: f64) -> Option<(Stand, Shape)> {
    let f = focal_px / frame.scale_px;
    let m = Matrix3::from_diagonal(&Vector3::new(1.0 / f, 1.0 / f, 1.0)) * plane(params);
    let (c1, c2): (Vector3<f64>, Vector3<f64>) = (m.column(0).into(), m.column(1).into());
    let (n1, n2) = (c1.norm(), c2.norm());
    let shape = Shape { ratio: n1 / n2, askew: c1.dot(&c2) / (n1 * n2) };
    let scale = (n1 * n2).sqrt();
    // The nearest pair of unit vectors square to each other: equal shares of the error to both.
    let (sum, difference) = ((c1 / n1 + c2 / n2).normalize(), (c1 / n1 - c2 / n2).normalize());
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let (r1, r2) = ((sum + difference) * half, (sum - difference) * half);
    let r3 = r1.cross(&r2);
    let t: Vector3<f64> = m.column(2) / scale;
    let place = -Vector3::new(r1.dot(&t), r2.dot(&t), r3.dot(&t));
    let stand = Stand {
        foot: frame.mat_centre + Vector2::new(place.x, place.y) * frame.unit_mm,
        height_mm: place.z * frame.unit_mm,
        tilt_deg: (-r3.z).clamp(-1.0, 1.0).acos().to_degrees(),
    };
    let sane = stand.height_mm > 0.0 && stand.height_mm.is_finite() && stand.foot.is_finite();
    sane.then_some((stand, shape))
}
