//! Closed curves of points: the label's contour, even spacing, smoothing, normals.

use nalgebra::Vector2;

use crate::garment::CellMap;
use crate::units::MatPoint;

/// The longest closed 0.5 contour of a map (marching squares), anticlockwise about values above a half.
pub(crate) fn longest_contour(map: &CellMap) -> Vec<MatPoint> {
    let (w, h) = (map.columns as i64, map.rows as i64);
    let value = |c: i64, r: i64| if c < 0 || r < 0 || c >= w || r >= h { 0.0 } else { map.get(c, r) };
    let mut done = vec![false; ((w + 1) * (h + 1)) as usize];
    let mut best: Vec<MatPoint> = Vec::new();
    for r in -1..h {
        for c in -1..w {
            // Start on a square whose left side goes from in (above) to out (below).
            let start = value(c, r) > 0.5 && value(c, r + 1) <= 0.5;
            if start && !done[((r + 1) * (w + 1) + c + 1) as usize] {
                let ring = follow(&value, c, r, w, &mut done);
                let points: Vec<MatPoint> = ring.iter().map(|(x, y)| map.mat_at(*x, *y)).collect();
                if area(&points).abs() > area(&best).abs() {
                    best = points;
                }
            }
        }
    }
    if area(&best) < 0.0 {
        best.reverse();
    }
    best
}

/// Walks a contour by the crossings of cell-to-cell links, keeping what is above a half on the left.
fn follow(value: &impl Fn(i64, i64) -> f32, c: i64, r: i64, w: i64, done: &mut [bool]) -> Vec<(f64, f64)> {
    let crossing = |a: (i64, i64), b: (i64, i64)| {
        let (va, vb) = (value(a.0, a.1), value(b.0, b.1));
        let t = f64::from((va - 0.5) / (va - vb));
        (a.0 as f64 + t * (b.0 - a.0) as f64, a.1 as f64 + t * (b.1 - a.1) as f64)
    };
    let mut ring = Vec::new();
    let (mut inside, mut outside) = ((c, r), (c, r + 1));
    let first = (inside, outside);
    loop {
        if outside.0 == inside.0 && outside.1 == inside.1 + 1 {
            done[((inside.1 + 1) * (w + 1) + inside.0 + 1) as usize] = true;
        }
        ring.push(crossing(inside, outside));
        // The square ahead: turn the link about its inside end's left.
        let (dx, dy) = (outside.0 - inside.0, outside.1 - inside.1);
        let (tx, ty) = (dy, -dx);
        let (a, b) = ((inside.0 + tx, inside.1 + ty), (outside.0 + tx, outside.1 + ty));
        if value(a.0, a.1) <= 0.5 {
            outside = a;
        } else if value(b.0, b.1) <= 0.5 {
            (inside, outside) = (a, b);
        } else {
            inside = b;
        }
        if (inside, outside) == first || ring.len() > 4_000_000 {
            return ring;
        }
    }
}

/// Signed area, anticlockwise positive, mm2.
pub(crate) fn area(points: &[MatPoint]) -> f64 {
    let n = points.len();
    (0..n).map(|i| (points[i], points[(i + 1) % n])).map(|(a, b)| a.x * b.y - b.x * a.y).sum::<f64>() / 2.0
}

/// The closed polygon at even spacing of at most `spacing_mm`.
pub(crate) fn resampled(points: &[MatPoint], spacing_mm: f64) -> Vec<MatPoint> {
    let n = points.len();
    if n < 3 {
        return points.to_vec();
    }
    let lengths: Vec<f64> = (0..n).map(|i| points[i].distance(points[(i + 1) % n])).collect();
    let total: f64 = lengths.iter().sum();
    let count = (total / spacing_mm).ceil().max(3.0) as usize;
    let step = total / count as f64;
    let mut out = Vec::with_capacity(count);
    let (mut i, mut walked) = (0, 0.0);
    for k in 0..count {
        let want = k as f64 * step;
        while i + 1 < n && walked + lengths[i] < want {
            walked += lengths[i];
            i += 1;
        }
        let t = if lengths[i] > 0.0 { ((want - walked) / lengths[i]).clamp(0.0, 1.0) } else { 0.0 };
        out.push(points[i].lerp(points[(i + 1) % n], t));
    }
    out
}

/// Gaussian smoothing of the coordinates along the closed curve; `sigma` in points.
pub(crate) fn smoothed(points: &[MatPoint], sigma: f64) -> Vec<MatPoint> {
    let n = points.len() as i64;
    let reach = (3.0 * sigma).ceil() as i64;
    let kernel: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let total: f64 = kernel.iter().sum();
    (0..n)
        .map(|i| {
            let mut sum = Vector2::zeros();
            for (k, w) in (-reach..=reach).zip(&kernel) {
                let p = points[(i + k).rem_euclid(n) as usize];
                sum += Vector2::new(p.x, p.y) * (w / total);
            }
            MatPoint::new(sum.x, sum.y)
        })
        .collect()
}

/// Outward unit normals of an anticlockwise curve, from chords over `reach` points each way.
pub(crate) fn normals(points: &[MatPoint], reach: usize) -> Vec<Vector2<f64>> {
    let n = points.len();
    (0..n)
        .map(|i| {
            let d = points[(i + reach) % n] - points[(i + n - reach % n) % n];
            let len = d.norm();
            if len > 0.0 { Vector2::new(d.y, -d.x) / len } else { Vector2::new(1.0, 0.0) }
        })
        .collect()
}
