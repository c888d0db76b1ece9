//! Chequered boards: OpenCV's chessboard photographs (opencv-doc), others where present, rendered mats half
//! hidden, and photographs of none.

mod camera_scene;

use std::path::{Path, PathBuf};

use camera_scene::{Noise, Scene, WITHOUT_GRID, overlay, photo};
use clothline::camera::fit;
use clothline::reference::grid::GridSpec;
use clothline::reference::{Axis, Marking, chequers};
use clothline::units::{ImagePoint, MatPoint};
use image::{GrayImage, Luma};

const OPENCV: &str = "/usr/share/doc/opencv-doc/examples/data";
const SHARED: &str = "../shared/real-photos";
const SPEC: GridSpec = GridSpec { pitch_mm: [25.0, 25.0] };

#[test]
fn opencv_boards_are_found_whole_and_no_more() {
    for side in ["left", "right"] {
        for view in [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14] {
            let path = PathBuf::from(format!("{OPENCV}/{side}{view:02}.jpg"));
            let Some(luma) = photo(&path) else { return };
            let seen = chequers::find(&luma, &SPEC).unwrap();
            let fitted = fit(&seen, luma.dimensions(), None).unwrap();
            overlay(&path, &seen, Some(&fitted));
            assert_eq!(seen.sides.len(), 2 * 54, "{side}{view:02}");
            let mut counts = fitted.lines;
            counts.sort_unstable();
            assert_eq!(counts, [6, 9], "{side}{view:02}");
            // One view alone, its lens from itself: across each line.
            assert!(fitted.residual.rms_mm < 0.2, "{side}{view:02}: {:?}", fitted.residual);
        }
    }
}

/// A board small in the frame: 8 x 8 squares, so 49 inner corners.
#[test]
fn small_board_of_a_machine_camera() {
    let path = PathBuf::from(format!("{SHARED}/checker_25mm_machine_camera.jpg"));
    let Some(luma) = photo(&path) else { return };
    let seen = chequers::find(&luma, &SPEC).unwrap();
    assert_eq!(seen.marking, Marking::Chequers);
    assert_eq!(seen.sides.len(), 2 * 49);
    let fitted = fit(&seen, luma.dimensions(), None).unwrap();
    assert!(fitted.residual.rms_mm <= 0.1, "{:?}", fitted.residual);
    // It fills a small part of the photo: far from it the map is worth little, and says so.
    let corner = fitted.camera.mat_from_image(ImagePoint::new(5.0, 5.0));
    let (near, far) = (fitted.position_sigma_mm(MatPoint::default()), fitted.position_sigma_mm(corner));
    println!("{:?}; doubt {near:.3} mm on the board, {far:.3} mm in the photo's corner", fitted.residual);
    assert!(far > 5.0 * near && fitted.beyond_hull_mm(corner) > 100.0);
}

/// A sheet that is not flat, through a fisheye: found, but flagged by what no lens explains.
#[test]
fn bent_sheet_is_flagged() {
    let path = PathBuf::from(format!("{SHARED}/checker_bent_sheet_fisheye.png"));
    let Some(luma) = photo(&path) else { return };
    match chequers::find(&luma, &SPEC).and_then(|seen| fit(&seen, luma.dimensions(), None)) {
        Err(refusal) => println!("refused: {refusal}"),
        Ok(fitted) => {
            let said = |code: &str| fitted.warnings.iter().any(|w| w.code == code);
            println!("{:?} {:?}", fitted.residual, fitted.warnings);
            assert!(said("mat-not-flat") && said("strong-lens"));
        }
    }
}

/// A chequered mat of 40 mm squares seen by a known phone, a garment of middling grey lying over most of it.
fn rendered(scene: &Scene, squares: i32, garment: impl Fn(MatPoint) -> bool, noise: &mut Noise) -> GrayImage {
    let mut fit_free = clothline_plane(scene);
    GrayImage::from_fn(scene.size.0, scene.size.1, |x, y| {
        let mut sum = 0.0;
        for (dx, dy) in [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)] {
            let mat = fit_free(ImagePoint::new(f64::from(x) + dx, f64::from(y) + dy));
            let (i, j) = ((mat.x / 40.0).floor() as i32, (mat.y / 40.0).floor() as i32);
            let on = i.abs() < squares && j.abs() < squares;
            sum += match (garment(mat), on, (i + j).rem_euclid(2) == 0) {
                (true, ..) => 130.0,
                (_, false, _) => 90.0,
                (_, _, true) => 210.0,
                _ => 45.0,
            };
        }
        Luma([(sum / 4.0 + 3.0 * noise.normal()).clamp(0.0, 255.0) as u8])
    })
}

/// Mat from image for a scene without lens terms, by the inverse of its own plane map.
fn clothline_plane(scene: &Scene) -> impl FnMut(ImagePoint) -> MatPoint + use<> {
    let k = nalgebra::Matrix3::new(
        scene.focal_px,
        0.0,
        0.5 * (f64::from(scene.size.0) - 1.0),
        0.0,
        scene.focal_px,
        0.5 * (f64::from(scene.size.1) - 1.0),
        0.0,
        0.0,
        1.0,
    );
    let r = scene.rotation;
    let t = -(r * scene.place);
    let h = k * nalgebra::Matrix3::from_columns(&[r.column(0).into(), r.column(1).into(), t]);
    let back = h.try_inverse().unwrap();
    move |p| {
        let m = back * nalgebra::Vector3::new(p.x, p.y, 1.0);
        MatPoint::new(m.x / m.z, m.y / m.z)
    }
}

#[test]
fn a_garment_over_most_of_a_chequered_mat() {
    for (tilt, turn) in [(3.0, 12.0), (15.0, -38.0), (25.0, 75.0)] {
        let mut scene = Scene::phone(1100.0, tilt, turn, 0.0, 0.0);
        // Six megapixels of the same view.
        scene.size = (2400, 1800);
        scene.focal_px *= 2400.0 / 4032.0;
        let garment = |m: MatPoint| (m.x / 290.0).powi(2) + (m.y / 210.0).powi(2) < 1.0 + 0.2 * (m.x / 40.0).sin();
        let luma = rendered(&scene, 9, garment, &mut Noise(7));
        let spec = GridSpec { pitch_mm: [40.0, 40.0] };
        let start = std::time::Instant::now();
        let seen = chequers::find(&luma, &spec).unwrap();
        let took = start.elapsed();
        let fitted = fit(&seen, luma.dimensions(), Some(scene.focal_px)).unwrap();
        // Up to whole squares and quarter turns: lengths and right angles are what counts.
        let place = |x: f64, y: f64| fitted.camera.mat_from_image(scene.see(MatPoint::new(x, y), 0.0));
        let (o, a, b) = (place(-250.0, -150.0), place(250.0, -150.0), place(-250.0, 150.0));
        println!(
            "tilt {tilt}: {} corners in {took:?}, {} and {} mm, {:?}",
            seen.sides.len() / 2,
            o.distance(a),
            o.distance(b),
            fitted.residual
        );
        assert!((o.distance(a) - 500.0).abs() < 0.25 && (o.distance(b) - 300.0).abs() < 0.25);
        assert!((a.distance(b) - 500f64.hypot(300.0)).abs() < 0.25);
        assert!(seen.sides.len() / 2 > 60 && fitted.lines.iter().all(|&n| n >= 10), "{:?}", fitted.lines);
        assert!(seen.sides.iter().any(|s| s.axis == Axis::X) && fitted.sides_used * 10 > fitted.sides_seen * 9);
    }
}

#[test]
fn no_board_is_seen_where_there_is_none() {
    let mut tried = 0;
    let opencv = WITHOUT_GRID.into_iter().chain(["sudoku.png"]).map(|n| PathBuf::from(format!("{OPENCV}/{n}")));
    let shared = [
        "garment_tiles_jeans.jpg",
        "garment_tiles_red_top.jpg",
        "sofle_pcb_on_mat.jpg",
        "ruler_steel_zif_programmer.jpg",
    ];
    let samples =
        ["01-tee-green-inch.jpg", "04-tee-striped-tiles.jpg", "05-bodice-windowpane-tilt25.jpg", "13-no-grid.jpg"];
    let all = opencv
        .chain(shared.iter().map(|n| Path::new(SHARED).join(n)))
        .chain(samples.iter().map(|n| Path::new("sample-photos").join(n)));
    for path in all {
        let Some(luma) = photo(&path) else { continue };
        tried += 1;
        let seen = chequers::find(&luma, &SPEC);
        assert!(seen.is_err(), "{}: {} corners", path.display(), seen.unwrap().sides.len() / 2);
    }
    println!("{tried} photographs without boards tried");
}
