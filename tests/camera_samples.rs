//! The reference and the camera on the rendered sample photos, against the cameras they were made with.
//! `CLOTHLINE_PHOTOS` names another folder of photos with truths.

mod camera_scene;

use std::path::PathBuf;

use camera_scene::{Truth, overlay};
use clothline::camera::fit;
use clothline::photo::Photo;
use clothline::reference::grid::GridSpec;
use clothline::reference::{self};

fn photos() -> Vec<PathBuf> {
    let folder = std::env::var("CLOTHLINE_PHOTOS").unwrap_or_else(|_| "sample-photos".to_string());
    let Ok(entries) = std::fs::read_dir(&folder) else {
        println!("NOT CHECKED: no folder {folder}");
        return Vec::new();
    };
    let mut found: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
    found.retain(|p| p.extension().is_some_and(|e| e == "jpg") && p.with_extension("truth.json").exists());
    found.sort();
    found
}

#[test]
fn map_error_and_doubt_on_rendered_photos() {
    for path in photos() {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let truth = Truth::beside(&path);
        let Some(pitch) = truth.pitch_mm().filter(|_| truth.expects("accept")) else { continue };
        // Such a truth tells of other photos: several of one garment, or one that goes with a photo of the bare mat.
        if !path.exists() || truth.is_of_other_photos() {
            println!("not measured here: {}", path.display());
            continue;
        }
        let photo = Photo::decode(&std::fs::read(&path).unwrap()).unwrap();
        let luma = photo.luma();
        let start = std::time::Instant::now();
        let seen = reference::find(&luma, &GridSpec { pitch_mm: [pitch, pitch] });
        let (found_in, start) = (start.elapsed(), std::time::Instant::now());
        let fitted = seen.as_ref().map_err(Clone::clone).and_then(|s| fit(s, luma.dimensions(), photo.focal_px()));
        let fitted_in = start.elapsed();
        let fitted = match fitted {
            Ok(fitted) => fitted,
            Err(refusal) => panic!("{name}: {refusal}"),
        };
        let seen = seen.unwrap();
        overlay(&path, &seen, Some(&fitted));
        let shift = truth.lattice_shift(&fitted.camera, pitch);
        let seen_at = truth.outline_in_photo();
        let off: Vec<_> = seen_at
            .iter()
            .map(|&p| shift.truth_from_fit(fitted.camera.mat_from_image(p)) - truth.mat_from_image(p))
            .collect();
        // A print that lies a little aside as a whole (half a painted pixel) moves no length.
        let aside = off.iter().sum::<nalgebra::Vector2<f64>>() / off.len() as f64;
        let mut errors: Vec<f64> = off.iter().map(|o| (o - aside).norm()).collect();
        let sigma = |p| fitted.position_sigma_mm(fitted.camera.mat_from_image(p));
        let mut ratios: Vec<f64> = errors.iter().zip(&seen_at).map(|(e, &p)| e / sigma(p)).collect();
        errors.sort_by(f64::total_cmp);
        ratios.sort_by(f64::total_cmp);
        let at = |v: &[f64], share: f64| v[((v.len() - 1) as f64 * share) as usize];
        let pose = fitted.camera.pose.unwrap();
        println!(
            "{name:32} {:?} {:5} sides {:?} lines: aside {:.4}, map error median {:.4} worst {:.4} mm; in sigmas 95 % {:.2} worst {:.2}; \
             rms {:.3} px, warp {:.4} mm, k1 {:.4} (true {:.4}) k2 {:.4}; height {:.1} ({:.1}) {:?} tilt {:.2} ({:.1}); \
             scale +-{:.5} %; found in {:.0} ms, fitted in {:.0} ms; {:?}",
            seen.marking,
            fitted.sides_used,
            fitted.lines,
            aside.norm(),
            at(&errors, 0.5),
            at(&errors, 1.0),
            at(&ratios, 0.95),
            at(&ratios, 1.0),
            fitted.residual.rms_px,
            fitted.residual.warp_mm,
            fitted.lens.k1,
            truth.k1(),
            fitted.lens.k2,
            pose.height_mm,
            truth.height_mm(),
            pose.source,
            pose.tilt_deg,
            truth.tilt_deg(),
            100.0 * fitted.scale_sigma,
            1e3 * found_in.as_secs_f64(),
            1e3 * fitted_in.as_secs_f64(),
            fitted.warnings.iter().map(|w| &w.code).collect::<Vec<_>>(),
        );
        assert!(at(&errors, 1.0) < 0.15, "{name}: {} mm off under the outline", at(&errors, 1.0));
        assert!(aside.norm() < 0.1, "{name}: {} mm aside", aside.norm());
        // Two standard deviations, and what the truth itself is good for (painted at 8 px per mm).
        assert!(
            at(&ratios, 0.95) < 2.0 || at(&errors, 1.0) < 0.04,
            "{name}: errors reach {} sigmas",
            at(&ratios, 0.95)
        );
        // EXIF is told to within about 1 %, the fit within a few.
        assert!((pose.height_mm / truth.height_mm() - 1.0).abs() < 0.1, "{name}: {pose:?}");
    }
}

/// Where noise hides the fine lines of a dark mat, every fourth of one family with every fifth of the other makes a lattice as
/// well, and a larger one: a camera would see squares so far out of shape only from a slant that the lattice shows nothing of.
#[test]
fn noise_over_fine_lines_leaves_the_squares_square() {
    let path = PathBuf::from("sample-photos/12-trousers-charcoal-on-black.jpg");
    let truth = Truth::beside(&path);
    let pitch = truth.pitch_mm().expect("a grid");
    let photo = Photo::decode(&std::fs::read(&path).unwrap()).unwrap();
    for (seed, gamma) in [(1, 1.0), (2, 1.0), (3, 0.85)] {
        let mut random = fastrand::Rng::with_seed(seed);
        // Twelve even draws have the variance of a normal law's.
        let mut normal = |sigma: f64| sigma * ((0..12).map(|_| random.f64()).sum::<f64>() - 6.0);
        let mut rgb = photo.rgb.clone();
        for pixel in rgb.pixels_mut() {
            let common = normal(2.0);
            for value in &mut pixel.0 {
                let lit = 255.0 * (f64::from(*value) / 255.0).powf(gamma);
                *value = (lit + common + normal(1.0)).clamp(0.0, 255.0) as u8;
            }
        }
        let luma = Photo::from_rgb(rgb).luma();
        let seen = reference::find(&luma, &GridSpec { pitch_mm: [pitch; 2] }).unwrap();
        let fitted = fit(&seen, luma.dimensions(), photo.focal_px()).unwrap();
        let pose = fitted.camera.pose.unwrap();
        println!("seed {seed}: {:?} out of shape, height {:.1}", fitted.out_of_shape, pose.height_mm);
        assert!(fitted.out_of_shape.is_none_or(|off| off < 0.02), "{:?}", fitted.out_of_shape);
        assert!((pose.height_mm / truth.height_mm() - 1.0).abs() < 0.1, "{pose:?}");
    }
}
