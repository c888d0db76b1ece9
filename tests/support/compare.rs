//! Comparing a found outline with a true one: best rigid motion without scaling, then distances both ways.

#![allow(dead_code)] // each test binary uses its own part

use std::collections::HashMap;

use clothline::units::MatPoint;
use nalgebra::Vector2;

/// What a comparison says; lengths in mm.
#[derive(Debug, Clone, Default)]
pub struct Comparison {
    /// Median distance, both directions pooled, after the rigid motion.
    pub median: f64,
    /// 95 % quantile of the same.
    pub p95: f64,
    /// Largest of the same.
    pub max: f64,
    /// Mean signed distance of the found points (outwards positive).
    pub bias: f64,
    /// Found area over true area, less 1.
    pub area_error: f64,
    /// The rigid motion's shift of the outline's middle.
    pub shift: [f64; 2],
    /// The rigid motion's turn, degrees.
    pub turn_deg: f64,
    /// Distance of each found point from the true curve, signed (outwards positive), after the motion.
    pub per_point: Vec<f64>,
    /// Distance of each found point before the motion, signed.
    pub raw: Vec<f64>,
    /// The true curve's point farthest from the found one, and how far.
    pub worst_truth: (MatPoint, f64),
}

const CELL_MM: f64 = 4.0;

/// A closed curve with a spatial index.
struct Curve {
    points: Vec<MatPoint>,
    cells: HashMap<(i32, i32), Vec<usize>>,
    anticlockwise: bool,
}

impl Curve {
    fn new(points: &[MatPoint]) -> Self {
        let points = densify(points, 0.5);
        let mut cells: HashMap<(i32, i32), Vec<usize>> = HashMap::new();
        for (i, p) in points.iter().enumerate() {
            cells.entry(cell(*p)).or_default().push(i);
        }
        let anticlockwise = area(&points) > 0.0;
        Self { points, cells, anticlockwise }
    }

    /// The nearest point of the curve and the signed distance (outside positive).
    fn nearest(&self, q: MatPoint) -> (MatPoint, f64) {
        let (cx, cy) = cell(q);
        let mut best = (f64::INFINITY, 0usize);
        for ring in 0..200 {
            if best.0.is_finite() && f64::from(ring - 1) * CELL_MM > best.0 {
                break;
            }
            for (x, y) in ring_cells(cx, cy, ring) {
                for &i in self.cells.get(&(x, y)).into_iter().flatten() {
                    let d = self.points[i].distance(q);
                    if d < best.0 {
                        best = (d, i);
                    }
                }
            }
        }
        let n = self.points.len();
        let i = best.1;
        let before = foot(self.points[(i + n - 1) % n], self.points[i], q);
        let after = foot(self.points[i], self.points[(i + 1) % n], q);
        let at = if before.distance(q) < after.distance(q) { before } else { after };
        let along = self.points[(i + 1) % n] - self.points[(i + n - 1) % n];
        let off = q - at;
        let left = along.x * off.y - along.y * off.x > 0.0;
        let sign = if left == self.anticlockwise { -1.0 } else { 1.0 };
        (at, sign * at.distance(q))
    }
}

fn cell(p: MatPoint) -> (i32, i32) {
    ((p.x / CELL_MM).floor() as i32, (p.y / CELL_MM).floor() as i32)
}

fn ring_cells(cx: i32, cy: i32, ring: i32) -> Vec<(i32, i32)> {
    let mut out = Vec::new();
    for x in -ring..=ring {
        for y in -ring..=ring {
            if x.abs().max(y.abs()) == ring {
                out.push((cx + x, cy + y));
            }
        }
    }
    out
}

fn foot(a: MatPoint, b: MatPoint, q: MatPoint) -> MatPoint {
    let d = b - a;
    let len2 = d.norm_squared();
    let t = if len2 > 0.0 { ((q - a).dot(&d) / len2).clamp(0.0, 1.0) } else { 0.0 };
    a.lerp(b, t)
}

/// Points at most `step` apart along the closed polygon.
pub fn densify(points: &[MatPoint], step: f64) -> Vec<MatPoint> {
    let mut out = Vec::new();
    for (i, &a) in points.iter().enumerate() {
        let b = points[(i + 1) % points.len()];
        let n = (a.distance(b) / step).ceil().max(1.0) as usize;
        out.extend((0..n).map(|k| a.lerp(b, k as f64 / n as f64)));
    }
    out
}

/// Signed area (anticlockwise positive), mm2.
pub fn area(points: &[MatPoint]) -> f64 {
    let n = points.len();
    (0..n).map(|i| points[i].x * points[(i + 1) % n].y - points[(i + 1) % n].x * points[i].y).sum::<f64>() / 2.0
}

fn centroid(points: &[MatPoint]) -> MatPoint {
    let n = points.len().max(1) as f64;
    let sum = points.iter().fold(Vector2::zeros(), |s, p| s + Vector2::new(p.x, p.y));
    MatPoint::new(sum.x / n, sum.y / n)
}

fn quantile(sorted: &[f64], q: f64) -> f64 {
    sorted.get(((sorted.len() as f64 - 1.0) * q).round() as usize).copied().unwrap_or(f64::NAN)
}

/// The rigid motion of `from` onto the nearest points `to` (Kabsch in the plane), weighted.
fn rigid(from: &[MatPoint], to: &[MatPoint], weight: &[f64]) -> (f64, Vector2<f64>) {
    let total: f64 = weight.iter().sum();
    let mean = |ps: &[MatPoint]| {
        ps.iter().zip(weight).fold(Vector2::zeros(), |s, (p, w)| s + Vector2::new(p.x, p.y) * *w) / total
    };
    let (a, b) = (mean(from), mean(to));
    let (mut s, mut c) = (0.0, 0.0);
    for ((p, q), w) in from.iter().zip(to).zip(weight) {
        let (u, v) = (Vector2::new(p.x, p.y) - a, Vector2::new(q.x, q.y) - b);
        c += w * u.dot(&v);
        s += w * (u.x * v.y - u.y * v.x);
    }
    let turn = s.atan2(c);
    let rotated = Vector2::new(turn.cos() * a.x - turn.sin() * a.y, turn.sin() * a.x + turn.cos() * a.y);
    (turn, b - rotated)
}

fn moved(p: MatPoint, turn: f64, shift: Vector2<f64>) -> MatPoint {
    MatPoint::new(turn.cos() * p.x - turn.sin() * p.y + shift.x, turn.sin() * p.x + turn.cos() * p.y + shift.y)
}

/// Compares two closed outlines after the best rigid motion (turn and shift, no scaling, no mirror).
///
/// The motion minimises a Huber loss (0.3 mm) of the distances by iterated closest points; the
/// statistics pool both directions on curves densified to 0.5 mm.
pub fn rigid_compare(found: &[MatPoint], truth: &[MatPoint]) -> Comparison {
    let true_curve = Curve::new(truth);
    let dense = densify(found, 0.5);
    let (mut turn, mut shift) = (0.0, Vector2::zeros());
    for _ in 0..40 {
        let here: Vec<MatPoint> = dense.iter().map(|&p| moved(p, turn, shift)).collect();
        let near: Vec<(MatPoint, f64)> = here.iter().map(|&p| true_curve.nearest(p)).collect();
        let weight: Vec<f64> = near.iter().map(|(_, d)| if d.abs() < 0.3 { 1.0 } else { 0.3 / d.abs() }).collect();
        let to: Vec<MatPoint> = near.iter().map(|(p, _)| *p).collect();
        let (t, s) = rigid(&dense, &to, &weight);
        let done = (t - turn).abs() < 1e-8 && (s - shift).norm() < 1e-5;
        (turn, shift) = (t, s);
        if done {
            break;
        }
    }
    report(found, &true_curve, turn, shift)
}

fn report(found: &[MatPoint], true_curve: &Curve, turn: f64, shift: Vector2<f64>) -> Comparison {
    let placed: Vec<MatPoint> = found.iter().map(|&p| moved(p, turn, shift)).collect();
    let found_curve = Curve::new(&placed);
    let there: Vec<f64> = found_curve.points.iter().map(|&p| true_curve.nearest(p).1).collect();
    let back: Vec<(MatPoint, f64)> = true_curve.points.iter().map(|&p| (p, found_curve.nearest(p).1.abs())).collect();
    let mut pool: Vec<f64> = there.iter().map(|d| d.abs()).chain(back.iter().map(|b| b.1)).collect();
    pool.sort_by(f64::total_cmp);
    let middle = centroid(found);
    let to = moved(middle, turn, shift) - middle;
    let worst = back.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied().unwrap_or_default();
    Comparison {
        median: quantile(&pool, 0.5),
        p95: quantile(&pool, 0.95),
        max: pool.last().copied().unwrap_or(f64::NAN),
        bias: there.iter().sum::<f64>() / there.len().max(1) as f64,
        area_error: area(found).abs() / area(&true_curve.points).abs() - 1.0,
        shift: [to.x, to.y],
        turn_deg: turn.to_degrees(),
        per_point: placed.iter().map(|&p| true_curve.nearest(p).1).collect(),
        raw: found.iter().map(|&p| true_curve.nearest(p).1).collect(),
        worst_truth: worst,
    }
}
