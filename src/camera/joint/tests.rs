//! The joint fit against cameras whose truth is known.

use nalgebra::{Rotation3, Vector2, Vector3};

use super::*;
use crate::camera::Camera;
use crate::camera::Lens;
use crate::reference::body::BodyKind;

/// A camera 1 m above the mat with a tilt (degrees) about the picture's x and y axes.
fn camera(tilt: [f64; 2], k1: f64) -> Camera {
    let f = 3000.0;
    let turn = Rotation3::from_euler_angles(tilt[0].to_radians(), tilt[1].to_radians(), 0.05).into_inner()
        * Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
    let t = Vector3::new(15.0, -22.0, 1000.0);
    let k = Matrix3::new(f, 0.0, 1511.5, 0.0, f, 2015.5, 0.0, 0.0, 1.0);
    let map = k * Matrix3::from_columns(&[turn.column(0).into(), turn.column(1).into(), t]);
    Camera::new(map, Lens { centre: ImagePoint::new(1511.5, 2015.5), scale_px: f, k1, k2: 0.0 }).unwrap()
}

/// Cards as the camera sees them, with a little unrepeatable error.
fn cards(camera: &Camera, places: &[(f64, f64, f64)], noise: f64) -> Vec<Body> {
    let mut seed = 7u64;
    let mut noisy = || {
        let mut sum = 0.0;
        for _ in 0..12 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (seed >> 11) as f64 / (1u64 << 53) as f64;
        }
        (sum - 6.0) * noise
    };
    places
        .iter()
        .enumerate()
        .map(|(i, &(x, y, degrees))| {
            let pose = BodyPose { at: MatPoint::new(x, y), turn: degrees.to_radians() };
            let own = [(-40.0, 40.0), (40.0, 40.0), (40.0, -40.0), (-40.0, -40.0)].map(|(x, y)| Vector2::new(x, y));
            let anchors: Vec<_> = own
                .iter()
                .map(|o| (*o, camera.image_from_mat(pose.mat_from_body(*o)) + Vector2::new(noisy(), noisy())))
                .collect();
            Body {
                kind: BodyKind::Card,
                name: format!("card {i}"),
                sightings: anchors.iter().flat_map(|(o, at)| Body::point(*at, *o, 0.05)).collect(),
                anchors,
                outline: Vec::new(),
                size_mm: 80.0,
                size_doubt: 0.0,
                cut: None,
                height_mm: 0.0,
                height_doubt_mm: 0.0,
            }
        })
        .collect()
}

const FIVE: [(f64, f64, f64); 5] = [
    (-300.0, 420.0, 12.0),
    (290.0, 400.0, -21.0),
    (-310.0, -400.0, 133.0),
    (300.0, -390.0, 5.0),
    (-330.0, 20.0, -68.0),
];

/// The worst error of lengths between points of the mat, as a share.
fn worst_length(truth: &Camera, found: &Camera) -> f64 {
    let at = |x: f64, y: f64| found.mat_from_image(truth.image_from_mat(MatPoint::new(x, y)));
    let ways = [((-250.0, 0.0), (250.0, 0.0)), ((0.0, -350.0), (0.0, 350.0)), ((-200.0, -300.0), (200.0, 300.0))];
    ways.iter()
        .map(|&(a, b)| {
            let real = MatPoint::new(a.0, a.1).distance(MatPoint::new(b.0, b.1));
            (at(a.0, a.1).distance(at(b.0, b.1)) / real - 1.0).abs()
        })
        .fold(0.0, f64::max)
}

#[test]
fn five_exact_cards_give_the_camera_back() {
    for (tilt, k1) in [([0.0, 0.0], 0.0), ([6.0, -3.0], -0.03), ([-15.0, 12.0], 0.02)] {
        let truth = camera(tilt, k1);
        let fit = fit_bodies(&cards(&truth, &FIVE, 0.0), (3024, 4032), Some(3000.0)).unwrap();
        assert!(worst_length(&truth, &fit.fit.camera) < 2e-4, "{tilt:?}: {}", worst_length(&truth, &fit.fit.camera));
    }
}

#[test]
fn noisy_cards_hold_a_thousandth_without_exif_too() {
    for (tilt, exif) in [([4.0, 2.0], Some(3060.0)), ([9.0, -8.0], None), ([-18.0, 3.0], Some(2960.0))] {
        let truth = camera(tilt, -0.03);
        let fit = fit_bodies(&cards(&truth, &FIVE, 0.05), (3024, 4032), exif).unwrap();
        let worst = worst_length(&truth, &fit.fit.camera);
        assert!(worst < 1e-3, "{tilt:?}: {worst}");
    }
}

#[test]
fn a_raised_card_is_left_out_and_named() {
    let truth = camera([8.0, 5.0], -0.02);
    let mut all = cards(&truth, &FIVE, 0.04);
    // 18 mm higher at a camera 1 m up: 1.8 % larger about its own middle, and shifted.
    let middle = all[2].anchors.iter().fold(Vector2::zeros(), |s, (_, p)| s + Vector2::new(p.x, p.y)) / 4.0;
    for (_, p) in &mut all[2].anchors {
        *p = *p + (Vector2::new(p.x, p.y) - middle) * 0.018;
    }
    all[2].sightings = all[2].anchors.iter().flat_map(|(o, at)| Body::point(*at, *o, 0.05)).collect();
    let fit = fit_bodies(&all, (3024, 4032), Some(3000.0)).unwrap();
    assert!(fit.poses[2].is_none() && fit.poses.iter().flatten().count() == 4);
    assert!(fit.fit.warnings.iter().any(|w| w.code == "reference-left-out" && w.text.contains("card 2")));
    assert!(worst_length(&truth, &fit.fit.camera) < 1e-3);
}

#[test]
fn cards_of_two_sizes_are_refused() {
    let truth = camera([3.0, 5.0], 0.0);
    let mut all = cards(&truth, &FIVE, 0.04);
    for (k, body) in all.iter_mut().enumerate() {
        let middle = body.anchors.iter().fold(Vector2::zeros(), |s, (_, p)| s + Vector2::new(p.x, p.y)) / 4.0;
        for (_, p) in &mut body.anchors {
            *p = *p + (Vector2::new(p.x, p.y) - middle) * [0.03, -0.02, -0.03, 0.02, 0.05][k];
        }
        body.sightings = body.anchors.iter().flat_map(|(o, at)| Body::point(*at, *o, 0.05)).collect();
    }
    let refused = fit_bodies(&all, (3024, 4032), Some(3000.0)).unwrap_err();
    assert_eq!(refused.kind, RefusalKind::ContradictoryReference);
}
