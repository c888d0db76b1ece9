//! The camera model and the plane map against OpenCV (tests/fixtures/make_camera_fixtures.py) and against
//! published points.

use clothline::camera::homography::image_from_mat;
use clothline::camera::{Camera, Lens};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::{Matrix3, Vector3};
use serde_json::Value;

fn fixtures() -> Value {
    serde_json::from_str(include_str!("fixtures/camera_opencv.json")).unwrap()
}

fn points(v: &Value) -> Vec<[f64; 2]> {
    v.as_array().unwrap().iter().map(|p| [p[0].as_f64().unwrap(), p[1].as_f64().unwrap()]).collect()
}

fn matrix(v: &Value) -> Matrix3<f64> {
    Matrix3::from_fn(|i, j| v[i][j].as_f64().unwrap())
}

/// projectPoints and undistortPoints, over tilts, turns and lenses.
#[test]
fn projection_and_undistortion_agree_with_opencv() {
    let cases = fixtures();
    for case in cases["projections"].as_array().unwrap() {
        let number = |name: &str| case[name].as_f64().unwrap();
        let size = points(&Value::Array(vec![case["size"].clone()]))[0];
        let centre = ImagePoint::new(0.5 * (size[0] - 1.0), 0.5 * (size[1] - 1.0));
        let lens = Lens { centre, scale_px: number("focal_px"), k1: number("k1"), k2: number("k2") };
        let camera = Camera::new(matrix(&case["undistorted_from_mat"]), lens).unwrap();
        let (mat, image, ideal) = (points(&case["mat"]), points(&case["image"]), points(&case["undistorted"]));
        assert!(mat.len() == 12 && image.len() == 12);
        for ((m, i), u) in mat.iter().zip(&image).zip(&ideal) {
            let (m, i, u) = (MatPoint::new(m[0], m[1]), ImagePoint::new(i[0], i[1]), ImagePoint::new(u[0], u[1]));
            assert!(camera.image_from_mat(m).distance(i) < 1e-6, "{:?} {i:?}", camera.image_from_mat(m));
            assert!(lens.undistort(i).distance(u) < 1e-6, "{:?} {u:?}", lens.undistort(i));
            assert!(camera.mat_from_image(i).distance(m) < 1e-6, "{:?} {m:?}", camera.mat_from_image(i));
        }
    }
}

/// findHomography refines the geometric error; the normalised DLT comes within a hair of it.
#[test]
fn least_squares_homography_agrees_with_opencv() {
    for case in fixtures()["homographies"].as_array().unwrap() {
        let pairs: Vec<(MatPoint, ImagePoint)> = points(&case["mat"])
            .iter()
            .zip(points(&case["image"]))
            .map(|(m, i)| (MatPoint::new(m[0], m[1]), ImagePoint::new(i[0], i[1])))
            .collect();
        let ours = image_from_mat(&pairs).unwrap();
        let theirs = matrix(&case["image_from_mat"]);
        let apply = |h: &Matrix3<f64>, m: MatPoint| {
            let p = h * Vector3::new(m.x, m.y, 1.0);
            ImagePoint::new(p.x / p.z, p.y / p.z)
        };
        let sum: f64 = pairs.iter().map(|&(m, i)| (apply(&ours, m) - i).norm_squared()).sum();
        let rms = (sum / pairs.len() as f64).sqrt();
        assert!(rms < case["rms_px"].as_f64().unwrap() * 1.02, "{rms}");
        for &(m, _) in &pairs {
            assert!(apply(&ours, m).distance(apply(&theirs, m)) < 0.15);
        }
    }
}

/// Zhang's published intrinsics (2000) at two points; the values were computed apart from this program.
#[test]
fn brown_conrady_forward_points() {
    let published = [((0.2, 0.1), (468.655357, 288.926033)), ((-0.3, 0.2), (60.867481, 368.678397))];
    let lens = Lens { centre: ImagePoint::default(), scale_px: 1.0, k1: -0.228601, k2: 0.190353 };
    for ((x, y), (u, v)) in published {
        let p = lens.distort(ImagePoint::new(x, y));
        let got = (832.5 * p.x + 0.204494 * p.y + 303.959, 832.53 * p.y + 206.585);
        assert!((got.0 - u).abs() < 1e-5 && (got.1 - v).abs() < 1e-5, "{got:?}");
        let back = lens.undistort(p);
        assert!(back.distance(ImagePoint::new(x, y)) < 1e-9);
    }
}

mod inverse {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Undistort inverts distort to 1e-6 px wherever the lens is one to one.
        #[test]
        fn undistort_inverts_distort(
            k1 in -0.3..0.2f64, k2 in -0.1..0.2f64, x in 0.0..4031.0f64, y in 0.0..3023.0f64,
        ) {
            let lens = Lens { centre: ImagePoint::new(2015.5, 1511.5), scale_px: 3028.663, k1, k2 };
            let ideal = ImagePoint::new(x, y);
            let r2 = (ideal - lens.centre).norm_squared() / lens.scale_px.powi(2);
            // The radius grows all the way out to the point.
            let rising = (0..=50).all(|i| {
                let q = r2 * (f64::from(i) / 50.0).powi(2);
                1.0 + q * (3.0 * k1 + 5.0 * k2 * q) > 0.05
            });
            prop_assume!(rising);
            let seen = lens.distort(ideal);
            prop_assert!(lens.undistort(seen).distance(ideal) < 1e-6);
        }
    }
}
