use super::synthetic::{Layer, Random, Scene, camera};
use super::*;
use crate::units::{ImagePoint, MatPoint};

const SIZE: (u32, u32) = (1600, 1200);

fn spec(mm: f64) -> GridSpec {
    GridSpec { pitch_mm: [mm; 2] }
}

/// What a sighting is worth against the camera the picture was drawn with.
struct Against {
    rms_px: f64,
    worst_px: f64,
    /// Every index is right up to one shift and one turn of the whole.
    consistent: bool,
    /// Right-handed: x and y turn the same way as the truth's.
    mirrored: bool,
    /// The truth's y axis is up on the sighting's frame within 50 degrees of the photo's up.
    upright: bool,
}

fn against(sighting: &GridSighting, scene: &Scene, pitch: f64) -> Against {
    let step = sighting.pitch_mm;
    let rough = sighting.rough.as_ref().expect("a grown lattice has a model");
    let truth = |x: f64, y: f64| scene.camera.mat_from_image(rough.image_from_mat(MatPoint::new(x, y)));
    let (o, x, y) = (truth(0.0, 0.0), truth(step[0], 0.0), truth(0.0, step[1]));
    let (dx, dy) = (x - o, y - o);
    let mut sum = 0.0;
    let mut worst = 0.0f64;
    let mut shifts = std::collections::BTreeSet::new();
    for side in &sighting.sides {
        let mat = scene.camera.mat_from_image(side.at);
        let along_x = (if side.axis == Axis::X { dx } else { dy }).x.abs() > 0.5 * pitch;
        let sign = if side.axis == Axis::X {
            if along_x { dx.x } else { dx.y }
        } else if along_x {
            dy.x
        } else {
            dy.y
        };
        let value = (if along_x { mat.x } else { mat.y }) / pitch * sign.signum();
        let (px, _) = scene.camera.px_per_mm(mat);
        let error = (value - value.round()) * pitch * px;
        sum += error * error;
        worst = worst.max(error.abs());
        shifts.insert((side.axis == Axis::X, value.round() as i64 - i64::from(side.index)));
    }
    let up = rough.image_from_mat(MatPoint::new(0.0, step[1])) - rough.image_from_mat(MatPoint::new(0.0, 0.0));
    Against {
        rms_px: (sum / sighting.sides.len() as f64).sqrt(),
        worst_px: worst,
        consistent: shifts.len() == 2,
        mirrored: dx.x * dy.y - dx.y * dy.x < 0.0,
        upright: up.y < 0.0 && up.x.abs() < 1.2 * up.y.abs(),
    }
}

#[track_caller]
fn assert_right(sighting: &GridSighting, scene: &Scene, pitch: f64, rms_px: f64) {
    let a = against(sighting, scene, pitch);
    let seen = (sighting.sides.len(), sighting.pitch_px, sighting.presence);
    assert!(a.consistent, "indices disagree: (sides, pitch px, presence) {seen:?}, rms {} px", a.rms_px);
    assert!(!a.mirrored, "mirrored");
    assert!(a.upright, "y is not up");
    assert!(a.rms_px < rms_px, "rms {} px", a.rms_px);
    assert!(a.worst_px < 12.0 * rms_px, "worst {} px", a.worst_px);
}

#[test]
fn bare_mat_is_measured_to_hundredths_of_a_pixel() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 3.0, 0.0, 0.0, 7.0, 0.0), 10.0);
    scene.noise = 0.5;
    let s = find(&scene.draw(), &spec(10.0)).unwrap();
    assert!(s.sides.len() > 3500, "{}", s.sides.len());
    assert!(s.presence > 0.98);
    assert_right(&s, &scene, 10.0, 0.03);
}

#[test]
fn tilted_bent_shaded_mat_behind_cloth_keeps_its_indices() {
    for (k1, roll, tilt, towards) in
        [(-0.05, 3.0, 15.0, 20.0), (0.04, -38.0, 25.0, 80.0), (-0.02, 91.0, 10.0, 200.0), (0.02, 44.0, 20.0, 300.0)]
    {
        let mut scene = Scene::new(SIZE, camera(SIZE, 2.4, tilt, towards, roll, k1), 10.0);
        scene.layers = vec![
            Layer { pitch_mm: [10.0; 2], width_mm: 0.35, contrast: 40.0 },
            Layer { pitch_mm: [50.0; 2], width_mm: 0.6, contrast: 80.0 },
        ];
        scene.cloth = Some((MatPoint::new(10.0, -12.0), [170.0, 120.0], 180.0));
        scene.diagonals = true;
        scene.blobs = true;
        scene.fall_off = 0.4;
        let s = find(&scene.draw(), &spec(10.0)).unwrap();
        assert_right(&s, &scene, 10.0, 0.1);
    }
}

/// Cloth that leaves a strip one cell wide along one rim, and more of the mat beyond: the strip leads there.
#[test]
fn a_strip_one_cell_wide_is_followed_to_the_mat_beyond() {
    let scene = Scene {
        half_mm: [304.0, 404.0],
        noise: 1.0,
        ..Scene::new((1500, 2000), camera((1500, 2000), 2.2, 4.0, 30.0, 2.0, -0.05), 50.0)
    };
    let mut picture = scene.draw();
    for (x, y, value) in picture.enumerate_pixels_mut() {
        let at = scene.camera.mat_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
        if at.x < 253.0 && (-230.0..310.0).contains(&at.y) {
            value.0 = [140];
        }
    }
    let sighting = find(&picture, &spec(50.0)).expect("the mat");
    let ends = sighting.sides.iter().filter(|s| s.axis == Axis::Y).map(|s| s.index);
    let (low, high) = ends.fold((i32::MAX, i32::MIN), |(low, high), i| (low.min(i), high.max(i)));
    assert_eq!(high - low, 16, "lines {low} to {high}");
    assert_right(&sighting, &scene, 50.0, 0.1);
}

#[test]
fn dark_lines_on_a_small_sheet_in_a_large_frame() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 1.6, 8.0, 120.0, -20.0, -0.03), 20.0);
    scene.layers = vec![Layer { pitch_mm: [20.0; 2], width_mm: 0.9, contrast: -90.0 }];
    scene.ground = 225.0;
    scene.half_mm = [131.0, 171.0];
    scene.cloth = Some((MatPoint::new(0.0, 0.0), [95.0, 130.0], 90.0));
    let s = find(&scene.draw(), &spec(20.0)).unwrap();
    assert_eq!(s.marking, Marking::DarkLines);
    assert_right(&s, &scene, 20.0, 0.1);
}

#[test]
fn pictures_without_a_grid_are_refused() {
    let mut random = Random(5);
    let noise =
        GrayImage::from_fn(1000, 800, |_, _| image::Luma([(120.0 + 30.0 * random.normal()).clamp(0.0, 255.0) as u8]));
    assert_eq!(find(&noise, &spec(10.0)).unwrap_err().kind, RefusalKind::NoReference);

    let stripes = GrayImage::from_fn(1000, 800, |x, _| image::Luma([if x % 24 < 3 { 200 } else { 80 }]));
    assert!(find(&stripes, &spec(10.0)).is_err());

    let flat = GrayImage::from_pixel(1000, 800, image::Luma([128]));
    assert_eq!(find(&flat, &spec(10.0)).unwrap_err().kind, RefusalKind::NoReference);
}

#[test]
fn wavy_checked_cloth_is_no_mat() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 3.0, 5.0, 40.0, 10.0, 0.0), 10.0);
    scene.half_mm = [0.0; 2];
    scene.cloth = Some((MatPoint::new(0.0, 0.0), [190.0, 150.0], 180.0));
    scene.check_mm = Some((12.0, 1.0));
    assert!(find(&scene.draw(), &spec(10.0)).is_err());
}

#[test]
fn the_mat_wins_over_checked_cloth_on_it() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 2.4, 12.0, 40.0, 10.0, -0.02), 12.7);
    scene.cloth = Some((MatPoint::new(0.0, 0.0), [190.0, 150.0], 180.0));
    scene.check_mm = Some((13.0, 0.9));
    let s = find(&scene.draw(), &spec(12.7)).unwrap();
    assert_eq!(s.marking, Marking::LightLines);
    assert_right(&s, &scene, 12.7, 0.06);
}

/// The left part of one picture beside the right part of another.
fn side_by_side(left: &GrayImage, right: &GrayImage, split: u32) -> GrayImage {
    GrayImage::from_fn(left.width(), left.height(), |x, y| *if x < split { left } else { right }.get_pixel(x, y))
}

#[test]
fn two_grids_of_different_spacing_are_refused_and_a_small_second_one_is_spoken_of() {
    let centimetres = Scene::new(SIZE, camera(SIZE, 2.4, 6.0, 30.0, 4.0, 0.0), 10.0);
    let mut inches = centimetres.clone();
    inches.layers[0].pitch_mm = [25.4; 2];
    let (cm, inch) = (centimetres.draw(), inches.draw());
    let refused = find(&side_by_side(&cm, &inch, 800), &spec(10.0)).map(|s| s.sides.len()).unwrap_err();
    assert_eq!(refused.kind, RefusalKind::ContradictoryReference, "{refused}");
    let flagged = find(&side_by_side(&cm, &inch, 1200), &spec(10.0)).unwrap();
    assert!(flagged.warnings.iter().any(|w| w.code == "second-grid"), "{:?}", flagged.warnings);
    assert_right(&flagged, &centimetres, 10.0, 0.1);
}

#[test]
fn rulings_of_an_inch_mat_are_counted_and_contradict_centimetres() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 2.2, 8.0, 60.0, 2.0, -0.02), 25.4);
    scene.layers = vec![
        Layer { pitch_mm: [25.4 / 4.0; 2], width_mm: 0.3, contrast: 25.0 },
        Layer { pitch_mm: [25.4; 2], width_mm: 0.5, contrast: 90.0 },
    ];
    scene.cloth = Some((MatPoint::new(0.0, 0.0), [190.0, 130.0], 180.0));
    let luma = scene.draw();
    let inches = find(&luma, &spec(25.4)).unwrap();
    assert_right(&inches, &scene, 25.4, 0.08);
    assert_eq!(inches.divisions, 4);
    assert!(inches.warnings.is_empty(), "{:?}", inches.warnings);
    let wrong = find(&luma, &spec(10.0)).unwrap();
    assert!(wrong.warnings.iter().any(|w| w.code == "pitch-contradicted"), "{:?}", wrong.warnings);
    // The finer ruling is the one meant when its pitch is typed.
    let quarters = find(&luma, &spec(25.4 / 4.0)).unwrap();
    assert!((quarters.pitch_px / inches.pitch_px - 0.25).abs() < 0.01 || !quarters.warnings.is_empty());
}

#[test]
fn bold_lines_are_counted_from_the_right_one() {
    let mut scene = Scene::new(SIZE, camera(SIZE, 2.2, 5.0, 60.0, 12.0, 0.0), 10.0);
    scene.layers = vec![
        Layer { pitch_mm: [10.0; 2], width_mm: 0.4, contrast: 40.0 },
        Layer { pitch_mm: [50.0; 2], width_mm: 0.6, contrast: 80.0 },
    ];
    let luma = scene.draw();
    let s = find(&luma, &spec(10.0)).unwrap();
    assert_right(&s, &scene, 10.0, 0.06);
    let rough = s.rough.as_ref().expect("a model");
    for (axis, bold) in s.bold.iter().enumerate() {
        let (period, phase) = bold.expect("bold lines");
        assert_eq!(period, 5);
        let on = if axis == 0 {
            MatPoint::new(10.0 * f64::from(phase), 0.0)
        } else {
            MatPoint::new(0.0, 10.0 * f64::from(phase))
        };
        let mat = scene.camera.mat_from_image(rough.image_from_mat(on));
        let value = if axis == 0 { mat.x } else { mat.y } / 50.0;
        assert!((value - value.round()).abs() < 0.01, "axis {axis}: bold line at {value}");
    }
    // The bold lines are the grid when their spacing is typed.
    let coarse = find(&luma, &spec(50.0)).unwrap();
    assert_eq!(coarse.divisions, 5);
    assert_right(&coarse, &scene, 50.0, 0.06);
}

#[test]
fn the_overlay_keeps_the_size_and_draws() {
    let scene = Scene::new((640, 480), camera((640, 480), 2.0, 5.0, 0.0, 3.0, 0.0), 10.0);
    let luma = scene.draw();
    let s = find(&luma, &spec(10.0)).unwrap();
    let rgb = image::DynamicImage::ImageLuma8(luma).into_rgb8();
    let drawn = overlay(&rgb, &s);
    assert_eq!(drawn.dimensions(), rgb.dimensions());
    let reddened = s.sides.iter().filter(|side| {
        let ImagePoint { x, y } = side.at;
        drawn.get_pixel(x.round() as u32, y.round() as u32) != rgb.get_pixel(x.round() as u32, y.round() as u32)
    });
    assert!(reddened.count() > s.sides.len() * 9 / 10);
}
