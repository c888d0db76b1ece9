//! Times of every stage on one photo, against decoding its JPEG, and OpenCV's times for the like steps.
//!
//! `cargo bench --bench stages [-- PHOTO GRID]`; set `CLOTHLINE_PYTHON` to a Python with OpenCV for the comparison.
//! Medians of several runs, and the most memory held. These are figures to read; nothing is asserted.

use std::collections::BTreeMap;
use std::process::Command;
use std::time::Instant;

use clothline::mats::Pitch;
use clothline::photo::Photo;
use clothline::trace::{ThicknessChoice, TraceOptions, Watch, trace};

const RUNS: usize = 7;

/// Counts what the heap holds at most.
#[global_allocator]
static HEAP: peak_alloc::PeakAlloc = peak_alloc::PeakAlloc;

#[derive(Default)]
struct Clock {
    running: Option<(&'static str, Instant)>,
    seconds: Vec<(&'static str, f64)>,
}

impl Clock {
    fn close(&mut self) {
        if let Some((name, since)) = self.running.take() {
            self.seconds.push((name, since.elapsed().as_secs_f64()));
        }
    }
}

impl Watch for Clock {
    fn stage(&mut self, name: &'static str) {
        self.close();
        self.running = Some((name, Instant::now()));
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() {
    let mut args = std::env::args().skip(1).filter(|a| !a.starts_with("--"));
    let photo = args.next().unwrap_or_else(|| "sample-photos/01-tee-green-inch.jpg".to_string());
    let grid = args.next().unwrap_or_else(|| "1in".to_string());
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(&photo);
    let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let options = TraceOptions {
        pitch: Some(Pitch::nominal(grid.parse().expect("a length"))),
        references: clothline::measure::References::default(),
        thickness: ThicknessChoice::Measured(3.0),
        bare: None,
        lenses: Vec::new(),
        marks: None,
        hints: Vec::new(),
    };

    let mut times: BTreeMap<usize, (&'static str, Vec<f64>)> = BTreeMap::new();
    let mut whole = Vec::new();
    HEAP.reset_peak_usage();
    for _ in 0..RUNS {
        let mut clock = Clock::default();
        let started = Instant::now();
        clock.stage("decoding the JPEG");
        let decoded = Photo::decode(&bytes).expect("the photo decodes");
        trace(&decoded, &options, &mut clock).expect("the photo is traced");
        clock.close();
        whole.push(started.elapsed().as_secs_f64());
        for (i, (name, s)) in clock.seconds.iter().enumerate() {
            times.entry(i).or_insert((name, Vec::new())).1.push(*s);
        }
    }
    let mut rows: Vec<(&str, f64)> = times.values_mut().map(|(name, t)| (*name, median(t))).collect();
    rows.push(("whole, photo to outline", median(&mut whole)));
    let decode = rows[0].1;
    println!("{photo}, {RUNS} runs, medians, {} threads", rayon::current_num_threads());
    println!("{:28} {:>8} {:>14}", "stage", "ms", "x JPEG decode");
    for (name, seconds) in rows {
        println!("{name:28} {:8.1} {:14.2}", 1000.0 * seconds, seconds / decode);
    }
    println!(
        "most memory held on the heap, the JPEG's {:.0} MB included: {:.0} MB",
        mb(bytes.len()),
        mb(HEAP.peak_usage())
    );
    opencv(&path);
}

fn mb(bytes: usize) -> f64 {
    bytes as f64 / 1e6
}

fn opencv(photo: &std::path::Path) {
    let python = std::env::var("CLOTHLINE_PYTHON").unwrap_or_else(|_| "python3".to_string());
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/opencv_steps.py");
    match Command::new(&python).arg(script).arg(photo).output() {
        Ok(out) if out.status.success() => print!("{}", String::from_utf8_lossy(&out.stdout)),
        Ok(out) => println!("OpenCV's times are missing: {}", String::from_utf8_lossy(&out.stderr).trim()),
        Err(e) => println!("OpenCV's times are missing: {python}: {e}"),
    }
}
