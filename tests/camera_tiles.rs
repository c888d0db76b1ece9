//! Tile floors: the rendered sample photo, and real photographs where present.

mod camera_scene;

use std::path::{Path, PathBuf};

use camera_scene::overlay;
use clothline::camera::fit;
use clothline::reference::grid::GridSpec;
use clothline::reference::tiles;
use image::GrayImage;

const SHARED: &str = "../shared/real-photos";

fn photo(path: &Path) -> Option<GrayImage> {
    match image::open(path) {
        Ok(picture) => Some(picture.to_luma8()),
        Err(_) => {
            println!("NOT CHECKED: {} is not on this machine", path.display());
            None
        }
    }
}

#[test]
fn real_floors() {
    for name in [
        "garment_tiles_jeans.jpg",
        "garment_tiles_red_skirt.jpg",
        "garment_tiles_red_top.jpg",
        "../../main/sample-photos/04-tee-striped-tiles.jpg",
    ] {
        let path = PathBuf::from(format!("{SHARED}/{name}"));
        let Some(luma) = photo(&path) else { return };
        let start = std::time::Instant::now();
        let seen = tiles::find(&luma, &GridSpec { pitch_mm: [300.0, 300.0] });
        let took = start.elapsed();
        match seen {
            Err(e) => println!("{name}: {e} {took:?}"),
            Ok(seen) => {
                let fitted = fit(&seen, luma.dimensions(), None);
                println!(
                    "{name}: {} stretches, {took:?}, {:?}",
                    seen.sides.len(),
                    fitted.as_ref().map(|f| (f.residual, &f.lens, f.lines, &f.warnings))
                );
                overlay(&path, &seen, fitted.as_ref().ok());
            }
        }
    }
}
