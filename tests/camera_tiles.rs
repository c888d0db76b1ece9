//! Tile floors: the rendered sample photo with its truth, real photographs where present, and photographs
//! of no floor at all.

mod camera_scene;

use std::path::{Path, PathBuf};

use camera_scene::{Truth, WITHOUT_GRID, overlay, photo};
use clothline::camera::fit;
use clothline::reference::grid::{GridSighting, GridSpec};
use clothline::reference::{Axis, tiles};
use clothline::units::MatPoint;

const SHARED: &str = "../shared/real-photos";
const OPENCV: &str = "/usr/share/doc/opencv-doc/examples/data";
const SPEC: GridSpec = GridSpec { pitch_mm: [300.0, 300.0] };

/// Lines of a family seen.
fn lines(seen: &GridSighting, axis: Axis) -> usize {
    let mut of: Vec<i32> = seen.sides.iter().filter(|s| s.axis == axis).map(|s| s.index).collect();
    of.sort_unstable();
    of.dedup();
    of.len()
}

#[test]
fn rendered_floor_to_its_truth() {
    let path = Path::new("sample-photos/04-tee-striped-tiles.jpg");
    let Some(luma) = photo(path) else { return };
    let truth = Truth::beside(path);
    let start = std::time::Instant::now();
    let seen = tiles::find(&luma, &SPEC).unwrap();
    println!("found in {:?}", start.elapsed());
    let fitted = fit(&seen, luma.dimensions(), Some(truth.focal_px())).unwrap();
    overlay(path, &seen, Some(&fitted));
    let shift = truth.lattice_shift(&fitted.camera, 300.0);
    // Wherever the photo shows the floor, in the mat frame up to whole tiles and quarter turns.
    let mut worst = 0.0f64;
    for i in 1..20 {
        for j in 1..20 {
            let image = clothline::units::ImagePoint::new(
                f64::from(i) / 20.0 * f64::from(luma.width()),
                f64::from(j) / 20.0 * f64::from(luma.height()),
            );
            let off = shift.truth_from_fit(fitted.camera.mat_from_image(image)).distance(truth.mat_from_image(image));
            worst = worst.max(off);
        }
    }
    println!("worst map error over the photo: {worst:.3} mm; {:?}", fitted.residual);
    assert!(worst < 0.3, "{worst} mm");
    let pose = fitted.camera.pose.unwrap();
    assert!((pose.height_mm - truth.height_mm()).abs() < 0.01 * truth.height_mm(), "{pose:?}");
    assert!(lines(&seen, Axis::X) >= 5 && lines(&seen, Axis::Y) >= 5);
}

/// Three photographs of 400 x 533 pixels; that the numbering is right was seen on the overlays: four lines
/// each way, evenly spaced, square, on the joints.
#[test]
fn real_floors_are_numbered() {
    for name in ["garment_tiles_jeans.jpg", "garment_tiles_red_skirt.jpg", "garment_tiles_red_top.jpg"] {
        let path = PathBuf::from(format!("{SHARED}/{name}"));
        let Some(luma) = photo(&path) else { return };
        let seen = tiles::find(&luma, &SPEC).unwrap();
        let fitted = fit(&seen, luma.dimensions(), None).unwrap();
        println!("{name}: {} stretches, {:?}", seen.sides.len(), fitted.residual);
        overlay(&path, &seen, Some(&fitted));
        assert_eq!((lines(&seen, Axis::X), lines(&seen, Axis::Y)), (4, 4), "{name}");
        assert!(fitted.residual.rms_px < 0.3, "{name}: {:?}", fitted.residual);
        // Square tiles: the families are square to each other and of one pitch to the bar of 2 %.
        assert!(!fitted.warnings.iter().any(|w| w.code == "grid-not-square"), "{name}: {:?}", fitted.warnings);
        // Straight joints: a line's sightings stray from it by no more than a small share of a tile.
        assert!(fitted.residual.cell_share < 0.003, "{name}: {:?}", fitted.residual);
        let hull = fitted.doubt.hull();
        assert!(hull.len() >= 4 && fitted.beyond_hull_mm(MatPoint::new(1e4, 0.0)) > 1e3);
    }
}

/// Photographs without a floor of square tiles.
#[test]
fn no_floor_is_seen_where_there_is_none() {
    let mut tried = 0;
    for name in WITHOUT_GRID.into_iter().chain(["left.jpg"]) {
        let Some(luma) = photo(&PathBuf::from(format!("{OPENCV}/{name}"))) else { continue };
        tried += 1;
        let seen = tiles::find(&luma, &SPEC);
        assert!(seen.is_err(), "{name}: {} stretches", seen.unwrap().sides.len());
    }
    println!("{tried} photographs without tiles tried");
}
