//! Finds the grid in a photo and draws it: `grid_overlay PHOTO PITCH [OVERLAY.png [TRUTH.json]]`.
//!
//! With a truth file (as beside the sample photos) it also reports how far the sides lie from the true
//! lines and whether all indices agree up to one shift and turn.

use std::time::Instant;

use clothline::photo::Photo;
use clothline::reference::Axis;
use clothline::reference::grid::{GridSighting, GridSpec, find, overlay};
use clothline::units::{ImagePoint, Length};
use nalgebra::{Matrix3, Vector3};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [path, pitch, rest @ ..] = args.as_slice() else {
        return Err("usage: grid_overlay PHOTO PITCH [OVERLAY.png [TRUTH.json]]".into());
    };
    let photo = Photo::decode(&std::fs::read(path)?)?;
    let pitch_mm = pitch.parse::<Length>()?.mm();
    let luma = photo.luma();
    let started = Instant::now();
    let found = find(&luma, &GridSpec { pitch_mm: [pitch_mm; 2] });
    let seconds = started.elapsed().as_secs_f64();
    let sighting = match found {
        Ok(sighting) => sighting,
        Err(refusal) => {
            println!("{path}: {seconds:.3} s REFUSED {refusal}");
            return Ok(());
        }
    };
    report(path, seconds, &sighting);
    if let Some(out) = rest.first().filter(|o| *o != "-") {
        overlay(&photo.rgb, &sighting).save(out)?;
    }
    if let Some(truth) = rest.get(1) {
        let truth: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(truth)?)?;
        compare(&sighting, &truth);
    }
    Ok(())
}

fn report(path: &str, seconds: f64, s: &GridSighting) {
    println!(
        "{path}: {seconds:.3} s, {:?}, {} sides, pitch {:.1} px, width {:.1} px, presence {:.3}, rms {:.3} px \
         ({:.4} pitch), bold {:?}, divisions {}, k1 {:.4}",
        s.marking,
        s.sides.len(),
        s.pitch_px,
        s.line_width_px,
        s.presence,
        s.rms_px,
        s.rms_px / s.pitch_px,
        s.bold,
        s.divisions,
        s.rough.as_ref().map_or(0.0, |c| c.lens.k1),
    );
    for w in &s.warnings {
        println!("    {}: {}", w.code, w.text);
    }
}

fn compare(s: &GridSighting, truth: &serde_json::Value) {
    let numbers = |v: &serde_json::Value| -> Vec<f64> {
        v.as_array().map(|a| a.iter().filter_map(serde_json::Value::as_f64).collect()).unwrap_or_default()
    };
    let matrix = |v: &serde_json::Value| -> Matrix3<f64> {
        Matrix3::from_row_iterator(v.as_array().into_iter().flatten().flat_map(&numbers))
    };
    let camera = &truth["camera"];
    let (k, r) = (matrix(&camera["K"]), matrix(&camera["R"]));
    let t = Vector3::from_iterator(numbers(&camera["t"]));
    let lens = clothline::camera::Lens {
        centre: ImagePoint::new(k[(0, 2)], k[(1, 2)]),
        scale_px: k[(0, 0)],
        k1: camera["k1"].as_f64().unwrap_or(0.0),
        k2: camera["k2"].as_f64().unwrap_or(0.0),
    };
    let map = k * Matrix3::from_columns(&[r.column(0).into(), r.column(1).into(), t]);
    let Some(camera) = clothline::camera::Camera::new(map, lens) else { return };
    let pitch = truth["grid"]["pitch_mm"].as_f64().unwrap_or(1.0);
    // The lines may be counted from any edge: the phase is that of the sides themselves.
    let mut shifts: std::collections::BTreeMap<(usize, i64), usize> = std::collections::BTreeMap::new();
    let turn = turn_of(s, &camera);
    let (mut sum, mut count, mut worst, mut off) = (0.0, 0, 0.0_f64, 0);
    let phase = phases(s, &camera, pitch, turn);
    for side in &s.sides {
        let mat = camera.mat_from_image(side.at);
        let (family, value) = coordinate(side.axis, mat, turn, pitch);
        let index = (value - phase[family]).round();
        let error_cells = value - phase[family] - index;
        let (px, _) = camera.px_per_mm(mat);
        let error = error_cells * pitch * px;
        *shifts.entry((family, index as i64 - i64::from(side.index))).or_default() += 1;
        if error.abs() > 0.3 {
            off += 1;
        }
        worst = worst.max(error.abs());
        sum += error * error;
        count += 1;
    }
    println!(
        "    truth: rms {:.4} px, worst {worst:.3}, {off} of {count} over 0.3 px; index shifts (axis, shift): {shifts:?}",
        (sum / f64::from(count)).sqrt()
    );
}

/// Quarter turns from the sighting's frame to the truth's.
fn turn_of(s: &GridSighting, camera: &clothline::camera::Camera) -> (f64, f64) {
    let Some(rough) = &s.rough else { return (1.0, 0.0) };
    let seen = |x, y| camera.mat_from_image(rough.image_from_mat(clothline::units::MatPoint::new(x, y)));
    let d = seen(s.pitch_mm[0], 0.0) - seen(0.0, 0.0);
    if d.x.abs() > d.y.abs() { (d.x.signum(), 0.0) } else { (0.0, d.y.signum()) }
}

/// The sighting's coordinate of a true mat point, in cells, up to a shift.
fn coordinate(axis: Axis, mat: clothline::units::MatPoint, (c, s): (f64, f64), pitch: f64) -> (usize, f64) {
    match axis {
        Axis::X => (0, (c * mat.x + s * mat.y) / pitch),
        Axis::Y => (1, (-s * mat.x + c * mat.y) / pitch),
    }
}

fn phases(s: &GridSighting, camera: &clothline::camera::Camera, pitch: f64, turn: (f64, f64)) -> [f64; 2] {
    let mut sums = [(0.0, 0.0); 2];
    for side in &s.sides {
        let (family, value) = coordinate(side.axis, camera.mat_from_image(side.at), turn, pitch);
        let angle = value * std::f64::consts::TAU;
        sums[family] = (sums[family].0 + angle.cos(), sums[family].1 + angle.sin());
    }
    sums.map(|(c, s)| {
        let phase = f64::atan2(s, c) / std::f64::consts::TAU;
        // The printed grid lies on whole or half pitches from the mat's middle: no free phase.
        (2.0 * phase).round() / 2.0
    })
}
