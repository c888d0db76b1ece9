//! Measures garment and outline alone, given the true camera, on every photo with truth in a folder.
//!
//! `CLOTHLINE_PHOTOS=folder[:folder] cargo run --example outline_against_truth`; `CLOTHLINE_ONLY` picks
//! photos by name, pictures go to `CLOTHLINE_PICTURES`.

#[path = "../tests/support/compare.rs"]
mod compare;
#[path = "support/truth.rs"]
mod truth;

use std::path::{Path, PathBuf};
use std::time::Instant;

use clothline::camera::Camera;
use clothline::flat::{self, FlatFrame, MatRect};
use clothline::garment::{self, Garment, GarmentOptions};
use clothline::outline::{self, Trace};
use clothline::photo::Photo;
use clothline::units::MatPoint;
use image::{Rgb, RgbImage};

fn photos() -> Vec<PathBuf> {
    let folders = std::env::var("CLOTHLINE_PHOTOS").unwrap_or_default();
    let only = std::env::var("CLOTHLINE_ONLY").unwrap_or_default();
    let all = folders.split(':').filter(|f| !f.is_empty()).flat_map(|f| truth::Truth::list(Path::new(f)));
    all.filter(|p| p.to_string_lossy().contains(&only)).collect()
}

struct Case {
    name: String,
    truth: truth::Truth,
    photo: Photo,
    camera: Camera,
}

fn main() {
    let mut coverage = (0, 0);
    for path in photos() {
        let truth = truth::Truth::beside(&path);
        if truth.expect == "refuse" || truth.outline.is_none() || truth.mat_box.is_none() {
            continue;
        }
        let name = path.file_stem().unwrap().to_string_lossy().to_string();
        let photo = Photo::decode(&std::fs::read(&path).unwrap()).unwrap();
        let camera = truth.camera();
        let case = Case { name, truth, photo, camera };
        let (held, all) = run(&case);
        coverage.0 += held;
        coverage.1 += all;
    }
    println!("doubt holds for {:.2} % of {} points", 100.0 * coverage.0 as f64 / coverage.1.max(1) as f64, coverage.1);
}

fn run(case: &Case) -> (usize, usize) {
    let grid = case.truth.sighting().unwrap();
    let pictures = std::env::var("CLOTHLINE_PICTURES").ok();
    let thickness = case.truth.thickness_mm.unwrap();
    let begin = Instant::now();
    let garment = match garment::separate(&case.photo, &case.camera, &grid, GarmentOptions::default()) {
        Ok(g) => g,
        Err(e) => {
            println!("{:32} {e}", case.name);
            return (0, 0);
        }
    };
    let middle = Instant::now();
    let trace = match outline::trace(&case.photo, &case.camera, &garment, thickness) {
        Ok(t) => t,
        Err(e) => {
            println!("{:32} {e}", case.name);
            return (0, 0);
        }
    };
    let took = (middle - begin, middle.elapsed());
    let found: Vec<MatPoint> = trace.outline.points.iter().map(|p| p.at).collect();
    let truth = case.truth.outline();
    let c = compare::rigid_compare(&found, &truth);
    let points = &trace.outline.points;
    let held = c.per_point.iter().zip(points).filter(|(d, p)| d.abs() <= p.doubt_mm).count();
    let raw_held = c.raw.iter().zip(points).filter(|(d, p)| d.abs() <= p.doubt_mm).count();
    let unseen = points.iter().filter(|p| !p.seen).count();
    let share = |n: usize| 100.0 * n as f64 / points.len() as f64;
    println!(
        "{:32} p50 {:.3} p95 {:.3} max {:.2} bias {:+.3} area {:+.3}% shift {:.2},{:.2} doubt {:.1}% raw {:.1}% mean {:.2} unseen {:.1}% {:.0?} {:.0?}{}",
        case.name,
        c.median,
        c.p95,
        c.max,
        c.bias,
        100.0 * c.area_error,
        c.shift[0],
        c.shift[1],
        share(held),
        share(raw_held),
        points.iter().map(|p| p.doubt_mm).sum::<f64>() / points.len() as f64,
        share(unseen),
        took.0,
        took.1,
        garment.warnings.iter().chain(&trace.warnings).map(|w| format!(" [{}]", w.code)).collect::<String>(),
    );
    if std::env::var("CLOTHLINE_WORST").is_ok() {
        let mut order: Vec<usize> = (0..found.len()).collect();
        order.sort_by(|a, b| c.per_point[*b].abs().total_cmp(&c.per_point[*a].abs()));
        for &i in order.iter().take(5) {
            println!(
                "   {i} {:.2?} off {:+.2} doubt {:.2} seen {}",
                found[i], c.per_point[i], points[i].doubt_mm, points[i].seen
            );
        }
        println!("   truth {:.2?}", c.worst_truth);
    }
    if let Some(folder) = pictures {
        draw(Path::new(&folder), case, &garment, &trace, &truth, &c);
        if std::env::var("CLOTHLINE_STEPS").is_ok() {
            let garment = garment::separate(
                &case.photo,
                &case.camera,
                &grid,
                GarmentOptions { pictures: true, ..GarmentOptions::default() },
            )
            .unwrap();
            for (step, picture) in &garment.pictures {
                picture.save(Path::new(&folder).join(format!("{}-{step}.png", case.name))).unwrap();
            }
        }
    }
    (held, points.len())
}

/// Crops of the six worst places: found in red, truth in green, 12 px per mm.
fn draw(folder: &Path, case: &Case, _garment: &Garment, trace: &Trace, truth: &[MatPoint], c: &compare::Comparison) {
    let above = case.truth.thickness_mm.unwrap() / 2.0;
    let found: Vec<MatPoint> = trace.outline.points.iter().map(|p| p.at).collect();
    let mut order: Vec<usize> = (0..found.len()).collect();
    order.sort_by(|a, b| c.per_point[*b].abs().total_cmp(&c.per_point[*a].abs()));
    let mut centres = vec![c.worst_truth.0];
    for i in order {
        if centres.iter().all(|p: &MatPoint| p.distance(found[i]) > 20.0) {
            centres.push(found[i]);
        }
        if centres.len() == 6 {
            break;
        }
    }
    let (side, scale) = (24.0, 12.0);
    let tile = (side * scale) as u32;
    let mut sheet = RgbImage::new(3 * tile + 8, 2 * tile + 4);
    for (k, &centre) in centres.iter().enumerate() {
        let rect = MatRect { min: centre, max: centre }.grown(side / 2.0);
        let frame = FlatFrame::new(rect, scale);
        let mut crop = flat::rectify(&case.photo, &case.camera, frame, above).rgb;
        let mut plot = |points: &[MatPoint], colour: [u8; 3]| {
            for p in compare::densify(points, 0.05) {
                let (x, y) = frame.flat_from_mat(p);
                if x >= 0.0 && y >= 0.0 && x < f64::from(tile - 1) && y < f64::from(tile - 1) {
                    crop.put_pixel(x.round() as u32, y.round() as u32, Rgb(colour));
                }
            }
        };
        plot(truth, [0, 255, 0]);
        plot(&found, [255, 0, 0]);
        let (ox, oy) = (k as u32 % 3 * (tile + 4), k as u32 / 3 * (tile + 4));
        image::imageops::replace(&mut sheet, &crop, i64::from(ox), i64::from(oy));
    }
    sheet.save(folder.join(format!("{}-worst.png", case.name))).unwrap();
}
