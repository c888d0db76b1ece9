//! The accuracy table: every photo that has its truth beside it, through the program as a user runs it.
//!
//! A case is two files, `NAME.jpg` and `NAME.truth.json`; adding them adds a case (a truth may name other `photos`). Photos lie in
//! `sample-photos` and the `photos` of its `sets`, or where `CLOTHLINE_PHOTOS` says. The bars are those the project is held to,
//! by what gave the size:
//!
//! | size by | scale | outline (median, 95 %, worst, mm) after the best rigid motion |
//! |---|---|---|
//! | a mat, cards | 0.1 % | 0.15, 0.4, 1.5 as traced, without scaling |
//! | rulers | 0.3 %, along them and across | the same, once the outline's own stretch (up to 0.3 % each way) is taken out |
//! | a sheet, an ID-1 card | 0.8 %, each way | the same, once that stretch (up to 0.8 % each way) is taken out |
//!
//! A ruler's 0.3 % alone is 0.6 mm at 200 mm from the middle, and across a lone one the scale is known less well than along it;
//! ISO 216 lets each side of a sheet be cut 2 mm off. An outline as good as its reference cannot lie within 0.15 mm unscaled, so
//! edge and scale are judged apart: the stretch (a symmetric map, two directions square to each other) is fitted to the
//! outline's distances, held to the scale's bar, and what is left is held to the outline's bars. The table printed always shows
//! the outline as traced. Whatever gave the size, the stated doubt, size and all, holds for 95 % of the points as traced.
//!
//! `CLOTHLINE_KEEP` names a folder where the results stay for looking at.

#[path = "support/compare.rs"]
mod compare;
#[path = "support/known_weak.rs"]
mod known_weak;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use clothline::units::MatPoint;
use compare::Comparison;
use nalgebra::{Matrix2, Rotation2, SMatrix, SVector, Vector2};

const MEDIAN_MM: f64 = 0.15;
const P95_MM: f64 = 0.4;
const WORST_MM: f64 = 1.5;
const SCALE_SHARE: f64 = 0.001;
const RULER_SCALE_SHARE: f64 = 0.003;
/// Standard paper is cut to within 2 mm (ISO 216).
const PAPER_SCALE_SHARE: f64 = 0.008;
const COVERAGE: f64 = 0.95;

/// Marks on the cloth against the true ones; outlines of joined photos against each other where they overlap.
const MARK_MM: f64 = 0.3;
const MISMATCH_MM: f64 = 0.4;

/// The outline rounds a corner over this reach.
const CORNER_MM: f64 = 5.0;

/// At least so many cases belong to the project; the number may only grow.
const LEAST_CASES: usize = 49;

const REFUSED: i32 = 3;

struct Case {
    name: String,
    photo: String,
    folder: PathBuf,
    truth: serde_json::Value,
}

impl Case {
    /// The photos traced together: those the truth names, else the one of the case's own name.
    fn photos(&self) -> Vec<String> {
        let named = self.truth.get("photos").map(|p| serde_json::from_value(p.clone()).expect("names of photos"));
        named.unwrap_or_else(|| vec![self.photo.clone()])
    }
}

enum Verdict {
    Traced {
        comparison: Box<Comparison>,
        /// The same with the error of scale taken out, where the reference allows one.
        unscaled: Option<Box<Comparison>>,
        scale: f64,
        coverage: f64,
        warnings: usize,
        /// What is wrong with marks and with the join, if the case has any.
        extras: Vec<String>,
    },
    /// Traced where the truth asks for a refusal or a warning.
    Told {
        warnings: usize,
    },
    Refused(String),
    Broken(String),
}

fn cases() -> (Vec<Case>, bool) {
    let given = std::env::var_os("CLOTHLINE_PHOTOS").map(PathBuf::from);
    let folder = given.clone().unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos"));
    let mut found = cases_in(&folder, "");
    for set in std::fs::read_dir(folder.join("sets")).into_iter().flatten().flatten() {
        found.extend(cases_in(&set.path().join("photos"), &format!("{}-", set.file_name().to_string_lossy())));
    }
    found.sort_by(|a, b| a.name.cmp(&b.name));
    (found, given.is_none())
}

/// The cases of one folder, their names beginning with `prefix`.
fn cases_in(folder: &Path, prefix: &str) -> Vec<Case> {
    std::fs::read_dir(folder)
        .unwrap_or_else(|e| panic!("{}: {e}", folder.display()))
        .flatten()
        .filter_map(|entry| {
            let path = entry.path();
            let name = path.file_name()?.to_str()?.strip_suffix(".truth.json")?.to_string();
            let truth = serde_json::from_str(&std::fs::read_to_string(&path).ok()?)
                .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let photo = format!("{name}.jpg");
            Some(Case { folder: folder.to_path_buf(), name: format!("{prefix}{name}"), photo, truth })
        })
        .collect()
}

fn run(case: &Case, out: &Path) -> (Verdict, f64) {
    let args: Vec<String> = serde_json::from_value(case.truth["args"].clone()).expect("truth has args");
    let started = Instant::now();
    let output = Command::new(env!("CARGO_BIN_EXE_clothline"))
        .current_dir(&case.folder)
        .arg("trace")
        .args(case.photos())
        .args(&args)
        .arg("--out")
        .arg(out)
        .output()
        .expect("the program runs");
    let seconds = started.elapsed().as_secs_f64();
    let said = String::from_utf8_lossy(&output.stderr).trim().to_string();
    let verdict = match output.status.code() {
        Some(0) if case.truth["expect"] == "accept" => measure(case, out),
        Some(0) => Verdict::Told { warnings: outline_file(out)["warnings"].as_array().map_or(0, Vec::len) },
        Some(REFUSED) => Verdict::Refused(said),
        other => Verdict::Broken(format!("exit status {other:?}: {said}")),
    };
    (verdict, seconds)
}

fn points(value: &serde_json::Value) -> Vec<MatPoint> {
    serde_json::from_value::<Vec<[f64; 2]>>(value.clone()).expect("points").into_iter().map(Into::into).collect()
}

fn outline_file(out: &Path) -> serde_json::Value {
    let text = std::fs::read_to_string(out.join("outline.json")).expect("outline.json is written");
    serde_json::from_str(&text).expect("outline.json is JSON")
}

fn measure(case: &Case, out: &Path) -> Verdict {
    let file = outline_file(out);
    let found = points(&file["outline"]);
    let truth = points(&case.truth["outline"]);
    let doubt: Vec<f64> = serde_json::from_value(file["doubt_mm"].clone()).expect("doubt_mm");
    assert_eq!(doubt.len(), found.len(), "{}: one doubt a point", case.name);
    let on_mat = !case.truth["grid"].is_null();
    let comparison = best_of_turns(&found, &truth, on_mat);
    let mut scale = scale_error(&found, &comparison.per_point);
    let mut unscaled = None;
    if let Some(most) = Reference::of(case).edge_apart_from_scale() {
        let stretch = stretch(&found, &comparison.per_point).symmetric_eigen();
        // The worse of both ways is what the scale's bar is held against.
        scale = stretch.eigenvalues[stretch.eigenvalues.iamax()];
        let held = Matrix2::from_diagonal(&stretch.eigenvalues.map(|v| v.clamp(-most, most)));
        let undone = Matrix2::identity() - stretch.eigenvectors * held * stretch.eigenvectors.transpose();
        let unstretched = |p: &MatPoint| undone * Vector2::new(p.x, p.y);
        let true_to_size: Vec<MatPoint> = found.iter().map(unstretched).map(|p| MatPoint::new(p.x, p.y)).collect();
        let c = best_of_turns(&true_to_size, &truth, on_mat);
        let ways = stretch.eigenvalues.map(|v| 100.0 * v);
        println!(
            "    without its {:+.2} and {:+.2} % of scale: {:.3} {:.3} {:.3}",
            ways.x, ways.y, c.median, c.p95, c.max
        );
        unscaled = Some(Box::new(c));
    }
    let held = comparison.per_point.iter().zip(&doubt).filter(|(d, half)| d.abs() <= **half).count();
    Verdict::Traced {
        coverage: held as f64 / found.len() as f64,
        scale,
        unscaled,
        warnings: file["warnings"].as_array().map_or(0, Vec::len),
        comparison: Box::new(comparison),
        extras: wrong_marks(case, &file).into_iter().chain(wrong_join(case, &file)).collect(),
    }
}

/// Marks: as many as there are, in the order of the true ones or backwards, each within its bar and its own doubt after
/// the best rigid motion, and as far from the outline found as the true ones are from the true outline.
fn wrong_marks(case: &Case, file: &serde_json::Value) -> Option<String> {
    let truth = points(case.truth.get("marks")?);
    let found: Vec<serde_json::Value> = file["marks"].as_array().cloned().unwrap_or_default();
    if found.len() != truth.len() {
        return Some(format!("{} marks found, there are {}", found.len(), truth.len()));
    }
    let places: Vec<MatPoint> = found.iter().map(|m| points(&serde_json::json!([m["at"]]))[0]).collect();
    let doubts: Vec<f64> = found.iter().map(|m| m["doubt_mm"].as_f64().expect("a doubt")).collect();
    let backwards: Vec<MatPoint> = truth.iter().rev().copied().collect();
    let off = [&truth, &backwards].map(|truth| after_rigid_motion(&places, truth));
    let off = off.into_iter().min_by(|a, b| worst(a).total_cmp(&worst(b))).expect("two orders");
    println!("    marks: worst {:.3} mm of {}", worst(&off), off.len());
    let reach = |ring: &[MatPoint], p: MatPoint| clothline::polygon::distance_to_ring(ring, p);
    let (outline, true_outline) = (points(&file["outline"]), points(&case.truth["outline"]));
    let corners: Vec<usize> = serde_json::from_value(case.truth["corners"].clone()).expect("corners");
    // Where a corner is nearest (a concave one may be, for many marks), its rounding would be measured instead.
    let at_a_corner = |p: MatPoint| {
        let nearest = |a: &&MatPoint, b: &&MatPoint| a.distance(p).total_cmp(&b.distance(p));
        let foot = true_outline.iter().min_by(nearest).expect("an outline");
        corners.iter().any(|i| true_outline[*i].distance(*foot) < CORNER_MM)
    };
    assert!(truth.iter().filter(|t| !at_a_corner(**t)).count() > 2, "too few marks beside an edge");
    let apart = |truth: &[MatPoint]| -> f64 {
        let pairs = places.iter().zip(truth).filter(|(_, t)| !at_a_corner(**t));
        pairs.map(|(f, t)| (reach(&outline, *f) - reach(&true_outline, *t)).abs()).fold(0.0, f64::max)
    };
    let apart = apart(&truth).min(apart(&backwards));
    if worst(&off) > MARK_MM || off.iter().zip(&doubts).any(|(o, d)| o > d) {
        return Some(format!("marks are off by {off:.3?} mm, their doubts being {doubts:.3?}"));
    }
    (apart > MARK_MM + MEDIAN_MM).then(|| format!("marks lie {apart:.3} mm nearer or further from the edge than true"))
}

fn worst(values: &[f64]) -> f64 {
    values.iter().copied().fold(0.0, f64::max)
}

/// Distances left after the best rigid motion of points onto their partners (Kabsch in the plane).
fn after_rigid_motion(from: &[MatPoint], to: &[MatPoint]) -> Vec<f64> {
    let mean =
        |ps: &[MatPoint]| ps.iter().fold(Vector2::zeros(), |s, p| s + Vector2::new(p.x, p.y)) / ps.len().max(1) as f64;
    let (a, b) = (mean(from), mean(to));
    let pairs = || from.iter().zip(to).map(|(p, q)| (Vector2::new(p.x, p.y) - a, Vector2::new(q.x, q.y) - b));
    let (dot, cross) = pairs().fold((0.0, 0.0), |(d, c), (p, q)| (d + p.dot(&q), c + p.x * q.y - p.y * q.x));
    let turn = Rotation2::new(f64::atan2(cross, dot));
    pairs().map(|(p, q)| (turn * p - q).norm()).collect()
}

/// Joined photos: what they say of their mismatch is within the bar.
fn wrong_join(case: &Case, file: &serde_json::Value) -> Option<String> {
    if case.photos().len() < 2 {
        return None;
    }
    let mismatch = &file["scale"]["joined"]["mismatch"];
    let p95 = mismatch["p95_mm"].as_f64().unwrap_or(f64::INFINITY);
    println!("    joined: {mismatch}");
    (p95 > MISMATCH_MM).then(|| format!("joined photos differ by {p95:.2} mm where they overlap"))
}

/// Quarter turns that lie so much farther off than the nearest are tried too, mm.
const NEARLY_MM: f64 = 2.0;

/// The mat's origin and quarter turn (without a mat any turn) are free; the comparison itself only settles small motions.
fn best_of_turns(found: &[MatPoint], truth: &[MatPoint], on_mat: bool) -> Comparison {
    let middle = |points: &[MatPoint]| {
        let n = points.len() as f64;
        MatPoint::new(points.iter().map(|p| p.x).sum::<f64>() / n, points.iter().map(|p| p.y).sum::<f64>() / n)
    };
    let (from, to) = (middle(&compare::densify(found, 0.5)), middle(&compare::densify(truth, 0.5)));
    let turned = |degrees: f64| -> Vec<MatPoint> {
        let turn = Rotation2::new(degrees.to_radians());
        found.iter().map(|p| to + turn * (*p - from)).collect()
    };
    let rated = |some: Vec<f64>| -> Vec<(f64, f64)> {
        let mut rated: Vec<(f64, f64)> = some.iter().map(|d| (roughly_apart(&turned(*d), truth), *d)).collect();
        rated.sort_by(|a, b| a.0.total_cmp(&b.0));
        rated
    };
    if on_mat {
        // A long piece looks much the same upside down until it is laid closely.
        let quarters = rated((0..4).map(|k| 90.0 * f64::from(k)).collect());
        let likely = quarters.iter().filter(|(apart, _)| *apart < quarters[0].0 + NEARLY_MM);
        let laid = likely.map(|(_, degrees)| laid_closely(turned(*degrees), truth));
        return laid.min_by(|a, b| a.median.total_cmp(&b.median)).expect("some turn");
    }
    // Without a mat the frame follows the photo: any turn is possible.
    let mut turn = rated((0..72).map(|k| 5.0 * f64::from(k)).collect())[0].1;
    for step in [1.0, 0.2, 0.05] {
        turn = rated((-6..=6).map(|k| turn + step * f64::from(k)).collect())[0].1;
    }
    laid_closely(turned(turn), truth)
}

/// The comparison from a place near the true one.
fn laid_closely(mut placed: Vec<MatPoint>, truth: &[MatPoint]) -> Comparison {
    let mut comparison = compare::rigid_compare(&placed, truth);
    // Closest points slide slowly along straight edges: go on from where they came to until they rest.
    for _ in 0..20 {
        if comparison.turn_deg.abs() < 0.002 && Vector2::from(comparison.shift).norm() < 0.005 {
            break;
        }
        let mean = placed.iter().fold(Vector2::zeros(), |sum, p| sum + Vector2::new(p.x, p.y)) / placed.len() as f64;
        let middle = MatPoint::new(mean.x, mean.y);
        let (turn, shift) = (Rotation2::new(comparison.turn_deg.to_radians()), Vector2::from(comparison.shift));
        placed = placed.iter().map(|p| middle + shift + turn * (*p - middle)).collect();
        comparison = compare::rigid_compare(&placed, truth);
    }
    comparison
}

/// Mean distance of every so many points from the nearest of the true ones: enough to tell quarter turns apart.
fn roughly_apart(found: &[MatPoint], truth: &[MatPoint]) -> f64 {
    let some: Vec<MatPoint> = found.iter().copied().step_by(20).collect();
    let near = |p: &MatPoint| truth.iter().step_by(5).map(|q| p.distance(*q)).fold(f64::INFINITY, f64::min);
    some.iter().map(near).sum::<f64>() / some.len() as f64
}

/// The scale's error, told apart from an edge that sits in or out all round.
///
/// Distances along the outward normal are regressed on a constant (the edge's bias) and on the reach of the point from
/// the middle along that normal (the scale), by least squares over the points within 0.5 mm.
fn scale_error(found: &[MatPoint], outward: &[f64]) -> f64 {
    let n = found.len();
    let sign = compare::area(found).signum();
    let middle = found.iter().fold(Vector2::zeros(), |sum, p| sum + Vector2::new(p.x, p.y)) / n as f64;
    let mut normal_equations = Matrix2::zeros();
    let mut right = Vector2::zeros();
    for (i, d) in outward.iter().enumerate().filter(|(_, d)| d.abs() < 0.5) {
        let along = (found[(i + 3) % n] - found[(i + n - 3) % n]).normalize();
        let normal = Vector2::new(along.y, -along.x) * sign;
        let row = Vector2::new(1.0, normal.dot(&(Vector2::new(found[i].x, found[i].y) - middle)));
        normal_equations += row * row.transpose();
        right += row * *d;
    }
    normal_equations.try_inverse().map_or(f64::NAN, |inverse| (inverse * right).y)
}

/// The stretch of the outline against the true one, a symmetric map less unity, told apart from an edge that sits in or out
/// all round, a shift and a turn: least squares of the distances along the outward normal, but for stray points.
fn stretch(found: &[MatPoint], outward: &[f64]) -> Matrix2<f64> {
    let n = found.len();
    let sign = compare::area(found).signum();
    let middle = found.iter().fold(Vector2::zeros(), |sum, p| sum + Vector2::new(p.x, p.y)) / n as f64;
    let mut off: Vec<f64> = outward.iter().map(|d| d.abs()).collect();
    off.sort_by(f64::total_cmp);
    let stray = (4.0 * off[n / 2]).max(0.5);
    let (mut normal_equations, mut right) = (SMatrix::<f64, 7, 7>::zeros(), SVector::<f64, 7>::zeros());
    for (i, d) in outward.iter().enumerate().filter(|(_, d)| d.abs() < stray) {
        let along = (found[(i + 3) % n] - found[(i + n - 3) % n]).normalize();
        let normal = Vector2::new(along.y, -along.x) * sign;
        let p = Vector2::new(found[i].x, found[i].y) - middle;
        let turn = normal.y * p.x - normal.x * p.y;
        let both = normal.x * p.y + normal.y * p.x;
        let row = SVector::from([1.0, normal.x, normal.y, turn, normal.x * p.x, normal.y * p.y, both]);
        normal_equations += row * row.transpose();
        right += row * *d;
    }
    normal_equations.try_inverse().map_or(Matrix2::from_element(f64::NAN), |inverse| {
        let found = inverse * right;
        Matrix2::new(found[4], found[6], found[6], found[5])
    })
}

/// What gave the size, and what that allows (see above).
#[derive(Clone, Copy)]
enum Reference {
    MatOrCards,
    Rulers,
    Sheet,
}

impl Reference {
    fn of(case: &Case) -> Self {
        let asked = |option: &str| case.truth["args"].as_array().is_some_and(|a| a.iter().any(|v| v == option));
        match () {
            () if asked("--grid") || asked("--mat") || asked("--card") => Self::MatOrCards,
            () if asked("--ruler") => Self::Rulers,
            () => Self::Sheet,
        }
    }

    fn scale_bar(self) -> f64 {
        match self {
            Self::MatOrCards => SCALE_SHARE,
            Self::Rulers => RULER_SCALE_SHARE,
            Self::Sheet => PAPER_SCALE_SHARE,
        }
    }

    /// The most scale that is taken out before the edge is judged, if any.
    fn edge_apart_from_scale(self) -> Option<f64> {
        (!matches!(self, Self::MatOrCards)).then(|| self.scale_bar())
    }
}

/// What is wrong with a verdict; empty if nothing is.
fn faults(case: &Case, verdict: &Verdict) -> Vec<String> {
    let expect = case.truth["expect"].as_str().unwrap_or("accept");
    match (verdict, expect) {
        (Verdict::Broken(why), _) => vec![why.clone()],
        (Verdict::Refused(_), "refuse" | "warn") => Vec::new(),
        (Verdict::Refused(why), _) => vec![format!("refused: {why}")],
        (Verdict::Told { warnings }, "warn") if *warnings > 0 => Vec::new(),
        (Verdict::Told { .. }, _) => vec![format!("traced, but the truth says {expect}")],
        (Verdict::Traced { comparison, unscaled, scale, coverage, extras, .. }, _) => {
            let c = unscaled.as_ref().unwrap_or(comparison);
            let over = |what: &str, value: f64, bar: f64| {
                // A NaN is a fault too.
                (value.is_nan() || value.abs() > bar).then(|| format!("{what} {value:.4} is over {bar}"))
            };
            [
                over("median", c.median, MEDIAN_MM),
                over("95 %", c.p95, P95_MM),
                over("worst", c.max, WORST_MM),
                over("scale error", *scale, Reference::of(case).scale_bar()),
                over("share outside the doubt", 1.0 - coverage, 1.0 - COVERAGE),
            ]
            .into_iter()
            .flatten()
            .chain(extras.iter().cloned())
            .collect()
        }
    }
}

fn row(case: &Case, verdict: &Verdict, seconds: f64) -> String {
    match verdict {
        Verdict::Traced { comparison: c, scale, coverage, warnings, .. } => format!(
            "{:34} {:7.3} {:7.3} {:7.3} {:+8.3} {:7.1} {:5} {:6.2}",
            case.name,
            c.median,
            c.p95,
            c.max,
            100.0 * scale,
            100.0 * coverage,
            warnings,
            seconds
        ),
        Verdict::Told { warnings } => format!("{:34} traced with {warnings} warnings {seconds:.2}", case.name),
        Verdict::Refused(why) => format!("{:34} refused: {why} {seconds:.2}", case.name),
        Verdict::Broken(why) => format!("{:34} BROKEN: {why}", case.name),
    }
}

#[test]
fn every_photo_with_truth_is_within_the_bars() {
    let (cases, own) = cases();
    assert!(!own || cases.len() >= LEAST_CASES, "only {} cases; the number may only grow", cases.len());
    let scratch = tempfile::tempdir().expect("a temporary folder");
    let keep = std::env::var_os("CLOTHLINE_KEEP").map(PathBuf::from);
    println!("{:34} median    95 %   worst  scale %  held %  warn   s", "photo (mm after the best rigid motion)");
    let mut wrong = Vec::new();
    for case in &cases {
        let out = keep.as_deref().unwrap_or(scratch.path()).join(&case.name);
        let (verdict, seconds) = run(case, &out);
        println!("{}", row(case, &verdict, seconds));
        let found = faults(case, &verdict);
        match known_weak::reason(&case.name).filter(|_| own) {
            Some(reason) if found.is_empty() => {
                wrong.push(format!("{}: now passes, take it off the list of weak cases ({reason})", case.name));
            }
            Some(reason) => println!("    known weak: {reason}: {}", found.join("; ")),
            None => wrong.extend(found.iter().map(|fault| format!("{}: {fault}", case.name))),
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
