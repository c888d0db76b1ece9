//! Multi-view calibration against published ones.

mod camera_scene;

use std::path::PathBuf;

use camera_scene::{Scene, photo, sighting};
use clothline::camera::calibrate::calibrate;
use clothline::camera::fit::{fit, fit_known};
use clothline::camera::homography::image_from_mat;
use clothline::camera::lens_profile::{KnownLens, LensProfile};
use clothline::camera::{Lens, PoseSource};
use clothline::reference::grid::GridSpec;
use clothline::reference::{Axis, chequers};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::Vector3;

const OPENCV: &str = "/usr/share/doc/opencv-doc/examples/data";

type View = Vec<(MatPoint, ImagePoint)>;

/// Zhang's five views and his published result (IEEE PAMI 22(11), 2000; his results file). RMS per point
/// refitted with scipy: 0.3364 px; without distortion alpha 867.31.
#[test]
fn zhang_1998_as_published() {
    let path = "../shared/data/zhang1998.json";
    let Ok(text) = std::fs::read_to_string(path) else {
        println!("NOT CHECKED: Zhang's data set ({path}) is not on this machine");
        return;
    };
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    let points = |v: &serde_json::Value| -> Vec<(f64, f64)> {
        let pair = |p: &serde_json::Value| (p[0].as_f64().unwrap(), p[1].as_f64().unwrap());
        v.as_array().unwrap().iter().map(pair).collect()
    };
    let model = points(&json["model_mm"]);
    let images = json["images"].as_array().unwrap();
    let views: Vec<View> = images
        .iter()
        .map(|image| {
            let seen = points(image.get("points").unwrap_or(image));
            assert_eq!(seen.len(), 256);
            model.iter().zip(seen).map(|(&(x, y), (u, v))| (MatPoint::new(x, y), ImagePoint::new(u, v))).collect()
        })
        .collect();
    assert_eq!(views.len(), 5);
    let found = calibrate(&views, (640, 480), true).unwrap();
    println!("{found:?}");
    for (got, published, tolerance) in [
        (found.focal_px[0], 832.5, 0.01),
        (found.focal_px[1], 832.53, 0.01),
        (found.skew_px, 0.204494, 1e-3),
        (found.centre.x, 303.959, 0.005),
        (found.centre.y, 206.585, 0.005),
        (found.k1, -0.228601, 1e-5),
        (found.k2, 0.190353, 1e-5),
        (found.rms_px, 0.3364, 0.001),
    ] {
        assert!((got - published).abs() <= tolerance, "{got} for {published}");
    }
    // Standard deviations as refitted with scipy from the same points.
    let s = found.sigma;
    for (got, expected) in [
        (s.focal_px[0], 1.41),
        (s.skew_px, 0.078),
        (s.focal_px[1], 1.39),
        (s.centre_px[0], 0.71),
        (s.centre_px[1], 0.66),
        (s.k1, 0.004),
        (s.k2, 0.025),
    ] {
        assert!((got / expected - 1.0).abs() < 0.15, "{got} for {expected}");
    }
    for (got, expected) in found.view_rms_px.iter().zip([0.3474, 0.2314, 0.5400, 0.2358, 0.2110]) {
        assert!((got - expected).abs() < 1e-3, "{got} for {expected}");
    }
}

fn board(side: &str, view: u32) -> Option<View> {
    let luma = photo(&PathBuf::from(format!("{OPENCV}/{side}{view:02}.jpg")))?;
    let seen = chequers::find(&luma, &GridSpec { pitch_mm: [25.0, 25.0] }).unwrap();
    let on = seen.sides.iter().filter(|s| s.axis == Axis::X);
    Some(on.map(|s| (MatPoint::new(25.0 * f64::from(s.index), 25.0 * s.along), s.at)).collect())
}

/// Least-squares plane map of undistorted corners: residual rms mm, and the board's diagonal.
fn on_the_board(view: &View, lens: &Lens) -> (f64, f64) {
    let pairs: View = view.iter().map(|&(m, p)| (m, lens.undistort(p))).collect();
    let back = image_from_mat(&pairs).unwrap().try_inverse().unwrap();
    let place = |p: ImagePoint| {
        let h = back * Vector3::new(p.x, p.y, 1.0);
        MatPoint::new(h.x / h.z, h.y / h.z)
    };
    let sum: f64 = pairs.iter().map(|&(m, p)| (place(p) - m).norm_squared()).sum();
    let reach = |m: MatPoint| m.x + m.y;
    let ends = |sign: f64| pairs.iter().max_by(|a, b| (sign * reach(a.0)).total_cmp(&(sign * reach(b.0)))).unwrap();
    ((sum / pairs.len() as f64).sqrt(), place(ends(1.0).1).distance(place(ends(-1.0).1)))
}

/// OpenCV's board photographs: its shipped calibration says 535.9, 342.28, 235.57; recomputed with small
/// windows 532.8, 342.49, 233.86 at 0.1954 px. The board's diagonal is 25 hypot(8, 5) = 235.850 mm.
#[test]
fn opencv_boards_calibrate_and_measure_true() {
    for (side, focal, centre) in [("left", 533.0, Some((342.5, 233.9))), ("right", 536.0, None)] {
        let numbers = [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14];
        let views: Vec<View> = numbers.iter().filter_map(|&n| board(side, n)).collect();
        if views.is_empty() {
            return;
        }
        assert!(views.iter().all(|v| v.len() == 54));
        let found = calibrate(&views, (640, 480), false).unwrap();
        println!("{side}: {found:?}");
        assert!((found.focal_px[0] / focal - 1.0).abs() < 0.01 && (found.focal_px[1] / focal - 1.0).abs() < 0.01);
        if let Some((x, y)) = centre {
            assert!((found.centre.x - x).abs() < 3.0 && (found.centre.y - y).abs() < 3.0, "{:?}", found.centre);
        }
        assert!(found.rms_px <= 0.25, "{}", found.rms_px);
        for (view, n) in views.iter().zip(numbers) {
            let (rms, diagonal) = on_the_board(view, &found.lens());
            println!("{side}{n:02}: {rms:.3} mm rms, diagonal {diagonal:.3}");
            assert!(rms <= 0.2, "{side}{n:02}: {rms} mm");
            assert!((diagonal - 235.850).abs() <= 0.25, "{side}{n:02}: {diagonal} mm");
        }
    }
}

/// The command itself, on the same photographs: the profile on disk holds what OpenCV finds.
#[test]
fn the_command_makes_a_profile_of_the_boards() {
    let photos: Vec<PathBuf> =
        [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14].map(|n| PathBuf::from(format!("{OPENCV}/left{n:02}.jpg"))).to_vec();
    if !photos[0].exists() {
        println!("NOT CHECKED: the package opencv-doc is not installed");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let calibration = folder.path().join("own");
    let run = |photos: &[PathBuf]| {
        std::process::Command::new(env!("CARGO_BIN_EXE_clothline"))
            .arg("calibrate")
            .args(photos)
            .args(["--grid", "25mm", "--name", "Left one", "--calibration"])
            .arg(&calibration)
            .output()
            .unwrap()
    };
    let few = run(&photos[..2]);
    assert_eq!(few.status.code(), Some(3), "{}", String::from_utf8_lossy(&few.stderr));
    assert!(!calibration.exists());
    let output = run(&photos);
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(output.status.success(), "{said}");
    assert!(said.contains("do not say what camera"), "{said}");
    let text = std::fs::read_to_string(calibration.join("lenses/left-one.json")).unwrap();
    let profile = LensProfile::parse(&text).unwrap();
    assert_eq!(profile.photos, 13);
    assert!(profile.focal_px.iter().all(|f| (f / 533.0 - 1.0).abs() < 0.01), "{:?}", profile.focal_px);
    let [x, y] = profile.centre_px;
    assert!((x - 342.5).abs() < 3.0 && (y - 233.9).abs() < 3.0, "{x} {y}");
    assert!(profile.rms_px <= 0.25 && profile.focal_sigma_px.iter().all(|s| (0.1..3.0).contains(s)));
}

/// A lens known beforehand gives the plane map and the pose of a view that tells nothing of the lens itself.
#[test]
fn a_known_lens_is_taken_as_it_is() {
    let mut scene = Scene::phone(950.0, 4.0, 20.0, -0.06, 0.02);
    scene.focal_px = 3100.0;
    let sides = scene.sides(25.4, 20, |m| m.x.abs() + m.y.abs() > 120.0);
    let size = scene.size;
    let seen = sighting(25.4, sides);
    let centre = ImagePoint::new(0.5 * (f64::from(size.0) - 1.0), 0.5 * (f64::from(size.1) - 1.0));
    let lens = Lens { centre, scale_px: 3100.0, k1: -0.06, k2: 0.02 };
    let known = KnownLens { lens, focal_sigma: 0.001, k1_sigma: 0.001, k2_sigma: 0.003 };
    let fitted = fit_known(&seen, size, &known).unwrap();
    let pose = fitted.camera.pose.unwrap();
    assert_eq!(pose.source, PoseSource::Profile);
    assert!((pose.height_mm - 950.0).abs() < 1.0 && pose.height_sigma_mm < 1.5, "{pose:?}");
    for (x, y) in [(0.0, 0.0), (150.0, -90.0), (-170.0, 130.0)] {
        let mat = MatPoint::new(x, y);
        assert!(fitted.camera.mat_from_image(scene.see(mat, 0.0)).distance(mat) < 1e-3);
    }
    // EXIF's usual error, 2 %, leaves far more of the height in doubt.
    let by_exif = fit(&seen, size, Some(3028.0)).unwrap().camera.pose.unwrap();
    assert!(by_exif.height_sigma_mm > 5.0 * pose.height_sigma_mm);
}
