//! Chequered boards: OpenCV's chessboard photographs (opencv-doc), and others where present.

mod camera_scene;

use std::path::{Path, PathBuf};

use camera_scene::overlay;
use clothline::camera::fit;
use clothline::reference::chequers;
use clothline::reference::grid::{GridSighting, GridSpec};
use image::GrayImage;

const OPENCV: &str = "/usr/share/doc/opencv-doc/examples/data";
const SHARED: &str = "../shared/real-photos";

/// The photo, or a loud word that it is not there.
fn photo(path: &Path) -> Option<GrayImage> {
    match image::open(path) {
        Ok(picture) => Some(picture.to_luma8()),
        Err(_) => {
            println!("NOT CHECKED: {} is not on this machine", path.display());
            None
        }
    }
}

fn find(luma: &GrayImage, pitch: f64) -> GridSighting {
    chequers::find(luma, &GridSpec { pitch_mm: [pitch, pitch] }).unwrap()
}

#[test]
fn opencv_boards_are_found_whole() {
    for side in ["left", "right"] {
        for view in [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14] {
            let path = PathBuf::from(format!("{OPENCV}/{side}{view:02}.jpg"));
            let Some(luma) = photo(&path) else { return };
            let start = std::time::Instant::now();
            let seen = chequers::find(&luma, &GridSpec { pitch_mm: [25.0, 25.0] });
            let took = start.elapsed();
            let Ok(seen) = seen else {
                println!("{side}{view:02}: NOT FOUND");
                continue;
            };
            let fitted = fit(&seen, luma.dimensions(), None);
            println!(
                "{side}{view:02}: {} corners, {:.1} ms; {}",
                seen.sides.len() / 2,
                1e3 * took.as_secs_f64(),
                fitted.as_ref().map_or_else(ToString::to_string, |f| format!(
                    "{:?} k1 {:.3} {:.3}",
                    f.residual, f.lens.k1, f.lens.k2
                ))
            );
            overlay(&path, &seen, fitted.as_ref().ok());
        }
    }
}

#[test]
fn other_boards() {
    for name in ["checker_25mm_machine_camera.jpg", "checker_bent_sheet_fisheye.png"] {
        let path = PathBuf::from(format!("{SHARED}/{name}"));
        let Some(luma) = photo(&path) else { return };
        let start = std::time::Instant::now();
        let seen = find(&luma, 25.0);
        let took = start.elapsed();
        let fitted = fit(&seen, luma.dimensions(), None);
        println!(
            "{name}: {} corners, {took:?}, {:?}",
            seen.sides.len() / 2,
            fitted.as_ref().map(|f| (f.residual, &f.lens, &f.warnings))
        );
        overlay(&path, &seen, fitted.as_ref().ok());
    }
}
