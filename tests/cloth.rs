//! Accuracy of garment and outline with the true camera, on every photo with truth in a folder.
//!
//! `CLOTHLINE_PHOTOS=folder cargo test --test cloth -- --nocapture`; pictures go to `CLOTHLINE_PICTURES`.

#[path = "support/compare.rs"]
mod compare;
#[path = "support/truth.rs"]
mod truth;

use std::path::{Path, PathBuf};
use std::time::Instant;

use clothline::garment::{self, GarmentOptions};
use clothline::photo::Photo;

fn photos() -> Vec<PathBuf> {
    let folders = std::env::var("CLOTHLINE_PHOTOS").unwrap_or_default();
    let only = std::env::var("CLOTHLINE_ONLY").unwrap_or_default();
    let all = folders.split(':').filter(|f| !f.is_empty()).flat_map(|f| truth::Truth::list(Path::new(f)));
    all.filter(|p| p.to_string_lossy().contains(&only)).collect()
}

#[test]
fn region_on_photos_with_truth() {
    for path in photos() {
        let truth = truth::Truth::beside(&path);
        let name = path.file_stem().unwrap().to_string_lossy().to_string();
        if truth.expect == "refuse" || truth.outline.is_none() {
            continue;
        }
        let photo = Photo::decode(&std::fs::read(&path).unwrap()).unwrap();
        let (camera, grid) = (truth.camera(), truth.sighting().unwrap());
        let start = Instant::now();
        let garment = garment::separate(&photo, &camera, &grid, GarmentOptions { pictures: true });
        let took = start.elapsed();
        let garment = match garment {
            Ok(g) => g,
            Err(e) => {
                println!("{name}: {e}");
                continue;
            }
        };
        let outline = truth.outline();
        let half = truth.thickness_mm.unwrap() / 2.0;
        let (mut both, mut either) = (0, 0);
        for r in 0..garment.label.rows {
            for c in 0..garment.label.columns {
                let p = garment.label.mat_at(c as f64, r as f64);
                let t = truth::inside(&outline, camera.lower(p, half));
                let f = garment.label.values[r * garment.label.columns + c] > 0.5;
                both += i32::from(t && f);
                either += i32::from(t || f);
            }
        }
        println!("{name}: IoU {:.4}, {took:?}, {:?}", f64::from(both) / f64::from(either), garment.warnings);
        if let Ok(folder) = std::env::var("CLOTHLINE_PICTURES") {
            for (step, picture) in &garment.pictures {
                picture.save(Path::new(&folder).join(format!("{name}-{step}.png"))).unwrap();
            }
        }
    }
}
