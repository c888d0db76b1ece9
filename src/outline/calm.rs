//! Quietens stretches that could not be seen, and takes out loops.
//!
//! Where cloth and mat look alike the path wanders about the edge by its doubt. Garment edges are smooth between
//! corners, so each unseen point moves onto a robust quadratic through its neighbours along the edge. Three windows
//! are tried, around the point and to either side of it; the one that fits best is taken, so that corners stay. Windows
//! end at the corners that are known, and those move to where the runs on both sides of them meet. All is done twice: a
//! spike is half gone after the first time, and then no longer much of any window.

use nalgebra::{Matrix3, Vector2, Vector3};
use rayon::prelude::*;

use super::OutlinePoint;
use crate::units::MatPoint;

/// Length of a window along the edge, mm: a quadratic follows a radius of 60 mm over it to 0.3 mm.
const WINDOW_MM: f64 = 40.0;

/// A window beside the point must fit better than the one around it by this factor to be believed a corner.
const CORNER_GAIN: f64 = 0.6;

/// A run beside the point counts only if it passes this near to it, mm, or within so many of its own scatters.
const NEAR_MM: f64 = 1.0;
const NEAR_SCATTERS: f64 = 3.0;

/// Rounds of reweighting of a fit.
const ROUNDS: usize = 4;

/// Loops up to this many points are taken out.
const LONGEST_LOOP: usize = 150;

/// A run needs so many points, and so much of the edge, mm: the end of a short one flies off.
const LEAST_POINTS: usize = 8;
const LEAST_RUN_MM: f64 = 9.0;

/// Two runs meet at a corner if they cross at an angle whose sine is at least this, no farther than this from it, mm.
const LEAST_SINE: f64 = 0.3;
const LARGEST_MOVE_MM: f64 = 4.0;

/// Unseen points moved onto smooth runs that end at the corners, loops removed.
///
/// `corners` tells of every point whether it is the tip of a corner.
pub(super) fn calmed(points: &[OutlinePoint], corners: &[bool]) -> Vec<OutlinePoint> {
    without_loops(smoothed(&smoothed(points, corners), corners))
}

fn smoothed(points: &[OutlinePoint], corners: &[bool]) -> Vec<OutlinePoint> {
    if points.iter().all(|p| p.seen) || points.len() < LEAST_POINTS {
        return points.to_vec();
    }
    let edge = Edge { points, corners, along: arc_lengths(points) };
    (0..points.len())
        .into_par_iter()
        .with_min_len(16)
        .map(|i| {
            let point = points[i];
            let settled = || if corners[i] { edge.corner(i) } else { edge.settled(i) };
            if point.seen { point } else { OutlinePoint { at: settled(), ..point } }
        })
        .collect()
}

/// Distance along the closed outline of every point, and of the first again at the end, mm.
fn arc_lengths(points: &[OutlinePoint]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut along = vec![0.0];
    for (i, p) in points.iter().enumerate() {
        sum += p.at.distance(points[(i + 1) % points.len()].at);
        along.push(sum);
    }
    along
}

/// The closed outline, its corners, and the distances along it.
struct Edge<'a> {
    points: &'a [OutlinePoint],
    corners: &'a [bool],
    along: Vec<f64>,
}

impl Edge<'_> {
    /// Where a point between corners belongs by the smooth run through its neighbours.
    fn settled(&self, i: usize) -> MatPoint {
        let window = |back: f64, ahead: f64| fit(&self.neighbours(i, back, ahead));
        let half = 0.5 * WINDOW_MM;
        let here = self.points[i].at;
        // A window cut short by a corner goes on as far the other way.
        let (back, ahead) = (self.room(i, -1).min(WINDOW_MM), self.room(i, 1).min(WINDOW_MM));
        let (back, ahead) = (back.min(half.max(WINDOW_MM - ahead)), ahead.min(half.max(WINDOW_MM - back)));
        let Some(centred) = window(back, ahead) else { return here };
        let sides = [window(WINDOW_MM, 0.0), window(0.0, WINDOW_MM)];
        // Beyond a corner the other side's run is carried on into nothing.
        let near = |run: &Run| run.at(0.0).distance(here) < NEAR_MM.max(NEAR_SCATTERS * run.scatter);
        let best = sides.into_iter().flatten().filter(near).min_by(|a, b| a.scatter.total_cmp(&b.scatter));
        match best {
            Some(side) if side.scatter < CORNER_GAIN * centred.scatter => side.at(0.0),
            _ => centred.at(0.0),
        }
    }

    /// Where the runs on both sides of a corner meet.
    fn corner(&self, i: usize) -> MatPoint {
        let here = self.points[i].at;
        let side = |back: f64, ahead: f64| {
            let neighbours = self.neighbours(i, back, ahead);
            // The tip itself is what is sought.
            fit(&neighbours[1.min(neighbours.len())..])
        };
        let (Some(before), Some(after)) = (side(WINDOW_MM, 0.0), side(0.0, WINDOW_MM)) else { return here };
        before.meet(&after).filter(|at| at.distance(here) <= LARGEST_MOVE_MM).unwrap_or(here)
    }

    /// Distance along the edge to the next corner, ahead (1) or back (-1), mm; infinite beyond a window's length.
    fn room(&self, i: usize, towards: i64) -> f64 {
        let n = self.points.len() as i64;
        for k in 1..n {
            let j = (i as i64 + towards * k).rem_euclid(n) as usize;
            let away = self.away(i, j, towards);
            if away > WINDOW_MM {
                break;
            }
            if self.corners[j] {
                return away;
            }
        }
        f64::INFINITY
    }

    /// Distance along the edge from a point to another, ahead (1) or back (-1), mm.
    fn away(&self, i: usize, j: usize, towards: i64) -> f64 {
        let whole = self.along[self.points.len()];
        ((self.along[j] - self.along[i]) * towards as f64).rem_euclid(whole)
    }

    /// (signed distance along, point) of the points within a window about point `i`, no farther than the next corners.
    fn neighbours(&self, i: usize, back: f64, ahead: f64) -> Vec<(f64, MatPoint)> {
        let n = self.points.len() as i64;
        let mut found = vec![(0.0, self.points[i].at)];
        for (towards, reach) in [(1, ahead), (-1, back)] {
            for k in 1..n {
                let j = (i as i64 + towards * k).rem_euclid(n) as usize;
                let away = self.away(i, j, towards);
                if away > reach {
                    break;
                }
                found.push((towards as f64 * away, self.points[j].at));
                if self.corners[j] {
                    break;
                }
            }
        }
        found
    }
}

/// A fitted run: both coordinates as quadratics of the distance along.
struct Run {
    x: Vector3<f64>,
    y: Vector3<f64>,
    /// Median distance of the points from the run, mm.
    scatter: f64,
}

impl Run {
    fn at(&self, s: f64) -> MatPoint {
        let row = powers(s);
        MatPoint::new(row.dot(&self.x), row.dot(&self.y))
    }

    fn tangent(&self, s: f64) -> Vector2<f64> {
        let row = Vector3::new(0.0, 1.0, 2.0 * s / WINDOW_MM) / WINDOW_MM;
        Vector2::new(row.dot(&self.x), row.dot(&self.y))
    }

    /// Where two runs cross near their distances 0, by Newton's method.
    fn meet(&self, other: &Run) -> Option<MatPoint> {
        let (mut s, mut t) = (0.0, 0.0);
        for _ in 0..8 {
            let gap = other.at(t) - self.at(s);
            let (u, v) = (self.tangent(s), other.tangent(t));
            let cross = u.x * v.y - u.y * v.x;
            if cross.abs() < LEAST_SINE * u.norm() * v.norm() {
                return None;
            }
            s += (gap.x * v.y - gap.y * v.x) / cross;
            t += (gap.x * u.y - gap.y * u.x) / cross;
        }
        let met = self.at(s);
        (met.distance(other.at(t)) < 0.01).then_some(met)
    }
}

fn powers(s: f64) -> Vector3<f64> {
    let t = s / WINDOW_MM;
    Vector3::new(1.0, t, t * t)
}

/// Both coordinates by iteratively reweighted least squares (Huber 1964).
fn fit(points: &[(f64, MatPoint)]) -> Option<Run> {
    let span = points.iter().fold((0.0, 0.0), |(a, b): (f64, f64), (s, _)| (a.min(*s), b.max(*s)));
    if points.len() < LEAST_POINTS || span.1 - span.0 < LEAST_RUN_MM {
        return None;
    }
    let mut weights = vec![1.0; points.len()];
    let mut run = None;
    for _ in 0..ROUNDS {
        let mut normal = Matrix3::zeros();
        let (mut right_x, mut right_y) = (Vector3::zeros(), Vector3::zeros());
        for ((s, p), w) in points.iter().zip(&weights) {
            let row = powers(*s);
            normal += row * row.transpose() * *w;
            right_x += row * (*w * p.x);
            right_y += row * (*w * p.y);
        }
        let inverse = normal.try_inverse()?;
        let mut fitted = Run { x: inverse * right_x, y: inverse * right_y, scatter: 0.0 };
        let distances: Vec<f64> = points.iter().map(|(s, p)| p.distance(fitted.at(*s))).collect();
        let scatter = median(distances.clone()).max(1e-3);
        weights = distances.iter().map(|d| if *d <= scatter { 1.0 } else { scatter / d }).collect();
        fitted.scatter = scatter;
        run = Some(fitted);
    }
    run
}

fn median(mut values: Vec<f64>) -> f64 {
    let half = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(half, f64::total_cmp).1 }
}

/// The closed outline without its short loops: where two near stretches cross, the way between is cut out.
pub(crate) fn without_loops(mut points: Vec<OutlinePoint>) -> Vec<OutlinePoint> {
    let steps = points.iter().zip(points.iter().cycle().skip(1)).map(|(a, b)| a.at.distance(b.at));
    // Two segments whose starts are farther apart than both are long cannot cross.
    let near = 2.0 * steps.fold(0.0, f64::max);
    let mut i = 0;
    while i < points.len() && points.len() > 8 {
        let n = points.len();
        let reach = LONGEST_LOOP.min(n / 2);
        let (a, b) = (points[i].at, points[(i + 1) % n].at);
        let crossed = (2..reach).rev().find_map(|k| {
            let c = points[(i + k) % n].at;
            if (c.x - a.x).abs() > near || (c.y - a.y).abs() > near {
                return None;
            }
            crossing(a, b, c, points[(i + k + 1) % n].at).map(|at| (k, at))
        });
        match crossed {
            Some((k, at)) => {
                let joint = OutlinePoint { at, seen: false, ..points[i] };
                let dropped: Vec<usize> = (1..=k).map(|step| (i + step) % n).collect();
                let mut index = 0;
                let first = dropped[0];
                points[first] = joint;
                points.retain(|_| {
                    let keep = index == first || !dropped.contains(&index);
                    index += 1;
                    keep
                });
                i = i.saturating_sub(1);
            }
            None => i += 1,
        }
    }
    points
}

/// Where segments a-b and c-d cross.
fn crossing(a: MatPoint, b: MatPoint, c: MatPoint, d: MatPoint) -> Option<MatPoint> {
    let (u, v, w) = (b - a, d - c, c - a);
    let cross = u.x * v.y - u.y * v.x;
    if cross.abs() < 1e-12 {
        return None;
    }
    let (t, s) = ((w.x * v.y - w.y * v.x) / cross, (w.x * u.y - w.y * u.x) / cross);
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&s)).then(|| a + u * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(side: usize, noise: impl Fn(usize) -> f64, seen: bool) -> Vec<OutlinePoint> {
        let n = 4 * side;
        (0..n)
            .map(|i| {
                let (edge, along) = (i / side, (i % side) as f64);
                let (s, off) = (side as f64, noise(i));
                let at = match edge {
                    0 => MatPoint::new(along, off),
                    1 => MatPoint::new(s + off, along),
                    2 => MatPoint::new(s - along, s + off),
                    _ => MatPoint::new(off, s - along),
                };
                OutlinePoint { at, doubt_mm: 1.0, seen }
            })
            .collect()
    }

    /// Distance from the square's outline.
    fn off(p: MatPoint, side: f64) -> f64 {
        let outside = (p.x - side / 2.0).abs().max((p.y - side / 2.0).abs());
        (outside - side / 2.0).abs()
    }

    fn calmed(points: &[OutlinePoint]) -> Vec<OutlinePoint> {
        super::calmed(points, &vec![false; points.len()])
    }

    #[test]
    fn unseen_stretches_calm_down_and_corners_stay() {
        // A wander of 0.8 mm with a wavelength of 9 mm.
        let noisy = square(200, |i| 0.8 * (i as f64 * 0.7).sin(), false);
        let calm = calmed(&noisy);
        let rms = |points: &[OutlinePoint]| {
            (points.iter().map(|p| off(p.at, 200.0).powi(2)).sum::<f64>() / points.len() as f64).sqrt()
        };
        assert!(rms(&calm) < 0.5 * rms(&noisy), "{} of {}", rms(&calm), rms(&noisy));
        let corner = calm.iter().map(|p| p.at.distance(MatPoint::new(200.0, 200.0))).fold(f64::INFINITY, f64::min);
        // The end of a quadratic carries three times the wander; the doubt of an unseen point is as wide.
        assert!(corner < 3.0, "the corner moved by {corner}");
    }

    /// The tip is off by 2 mm, both sides wander.
    #[test]
    fn a_known_corner_lies_where_its_sides_meet() {
        for phase in [0.0, 0.9, 1.7, 2.6] {
            let mut points = square(150, |i| 0.25 * (i as f64 * 0.7 + phase).sin(), false);
            let corners: Vec<bool> = (0..points.len()).map(|i| i % 150 == 0).collect();
            points[150].at = MatPoint::new(151.5, -1.3);
            let calm = super::calmed(&points, &corners);
            let missed =
                |x: f64, y: f64| calm.iter().map(|p| p.at.distance(MatPoint::new(x, y))).fold(f64::INFINITY, f64::min);
            for (x, y) in [(0.0, 0.0), (150.0, 0.0), (150.0, 150.0), (0.0, 150.0)] {
                assert!(missed(x, y) < 0.5, "the corner at {x}, {y} is missed by {}", missed(x, y));
            }
        }
    }

    /// A side's run is not carried on beyond the corner at its end.
    #[test]
    fn no_beak_grows_out_of_a_corner() {
        for phase in [0.0, 0.9, 1.7, 2.6] {
            let calm = calmed(&square(150, |i| 0.3 * (i as f64 * 0.7 + phase).sin(), false));
            let out = |p: &OutlinePoint| (p.at.x.max(p.at.y) - 150.0).max(-p.at.x.min(p.at.y));
            let farthest = calm.iter().map(out).fold(0.0, f64::max);
            // The end of a quadratic carries three times the wander.
            assert!(farthest < 0.9, "{farthest} mm outside");
        }
    }

    /// As steep as a path may go.
    #[test]
    fn a_spike_is_taken_down() {
        let spike = |i: usize| -(3.0 - 0.8 * (i as f64 - 100.0).abs()).max(0.0) + 0.2 * (i as f64 * 0.7).sin();
        let calm = calmed(&square(200, |i| if i < 200 { spike(i) } else { 0.0 }, false));
        let farthest = calm.iter().map(|p| off(p.at, 200.0)).fold(0.0, f64::max);
        assert!(farthest < 1.0, "{farthest}");
    }

    #[test]
    fn seen_points_stay_where_they_are() {
        let points = square(50, |i| 0.3 * (i as f64).sin(), true);
        assert_eq!(calmed(&points), points);
    }

    #[test]
    fn loops_are_cut_out() {
        let mut points = square(50, |_| 0.0, true);
        // The path goes ahead, back and ahead again, crossing itself.
        points[20].at = MatPoint::new(24.0, 1.0);
        points[22].at = MatPoint::new(20.0, 1.0);
        points[23].at = MatPoint::new(21.5, -1.0);
        let simple = calmed(&points);
        let n = simple.len();
        for i in 0..n {
            for k in 2..n - 1 {
                let [a, b, c, d] = [i, i + 1, i + k, i + k + 1].map(|j| simple[j % n].at);
                assert!((i + k + 1) % n == i || crossing(a, b, c, d).is_none(), "{i} and {} cross", i + k);
            }
        }
    }
}
