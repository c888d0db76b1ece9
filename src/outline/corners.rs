//! Corners: where two sides meet at an angle, smoothing has cut the tip off. Each side is fitted up to
//! the corner and the two are intersected.

use nalgebra::{Matrix3, Vector2, Vector3};

use crate::units::MatPoint;

/// Distances from the corner between which the sides' directions are compared and fitted, mm.
const SIDE_MM: (f64, f64) = (2.6, 12.0);

/// Least turn of a corner, degrees.
const LEAST_TURN_DEG: f64 = 22.0;

/// Largest root mean square misfit of a side, and largest distance of the intersection from the smoothed curve, mm; and the same
/// of sides that are clear: deep in an acute corner more is lost.
const LARGEST_MM: (f64, f64) = (0.35, 4.0);
const LARGEST_OF_CLEAR_MM: (f64, f64) = (0.1, 6.0);

/// Weight (of whole points) that a side needs.
const LEAST_WEIGHT: f64 = 1.0;

/// Weight up to which a side is followed beyond the usual distance, as far again.
const ENOUGH_WEIGHT: f64 = 7.0;

/// A crossing's place and how far it is to be trusted.
pub(crate) type Place = (MatPoint, f64);

/// Replaces the smoothed curve about every corner by its two sides and their intersection.
///
/// `curve` and `places` (unsmoothed, weighted) run in step; the result may have other points.
pub(crate) fn sharpen(curve: &[MatPoint], places: &[Place]) -> Vec<Sharpened> {
    let n = curve.len();
    let mut out: Vec<Sharpened> = (0..n).map(|i| Sharpened { at: curve[i], from: i, corner: false }).collect();
    let spacing =
        curve.iter().zip(curve.iter().cycle().skip(1)).map(|(a, b)| a.distance(*b)).sum::<f64>() / n.max(1) as f64;
    let points = |mm: f64| (mm / spacing).round() as usize;
    if n < 16 * points(SIDE_MM.1) {
        return out;
    }
    for i in corners(curve, points(SIDE_MM.0), points(SIDE_MM.1)) {
        // A printed line that runs into the corner spoils what lies next to it: then from twice as far.
        for wider in [1.0, 2.0] {
            let (near, far) = (points(wider * SIDE_MM.0), points(wider * SIDE_MM.1));
            if let Some((corner, centre)) = Corner::fit(curve, places, i, near, far) {
                corner.apply(&mut out, centre, near + 1);
                break;
            }
        }
    }
    out
}

/// A point of the sharpened curve and the point of the smoothed one it came from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sharpened {
    pub at: MatPoint,
    pub from: usize,
    pub corner: bool,
}

/// Points at which the curve turns most, by at least [`LEAST_TURN_DEG`].
fn corners(curve: &[MatPoint], near: usize, far: usize) -> Vec<usize> {
    let n = curve.len();
    let at = |i: usize, k: i64| curve[(i as i64 + k).rem_euclid(n as i64) as usize];
    let (near, far) = (near as i64, far as i64);
    let turn: Vec<f64> = (0..n)
        .map(|i| {
            let before = at(i, -near) - at(i, -far);
            let after = at(i, far) - at(i, near);
            (before.x * after.y - before.y * after.x).atan2(before.dot(&after)).to_degrees().abs()
        })
        .collect();
    let reach = far as usize;
    let greatest = |i: usize| (1..=reach).all(|k| turn[(i + k) % n] <= turn[i] && turn[(i + n - k) % n] < turn[i]);
    // The turn over a window is flat-topped about a corner: its middle is where the curve itself bends most.
    (0..n).filter(|&i| turn[i] >= LEAST_TURN_DEG && greatest(i)).map(|i| sharpest(curve, i, near)).collect()
}

fn sharpest(curve: &[MatPoint], i: usize, reach: i64) -> usize {
    let n = curve.len() as i64;
    let at = |k: i64| curve[k.rem_euclid(n) as usize];
    let bend = |k: i64| {
        let (a, b) = (at(k) - at(k - 2), at(k + 2) - at(k));
        (a.x * b.y - a.y * b.x).atan2(a.dot(&b)).abs()
    };
    let i = i as i64;
    let best = (i - reach..=i + reach).max_by(|a, b| bend(*a).total_cmp(&bend(*b))).unwrap_or(i);
    best.rem_euclid(n) as usize
}

/// Two sides and where they meet.
struct Corner {
    tip: MatPoint,
    before: Side,
    after: Side,
}

impl Corner {
    /// Fits both sides about a point, then again about the point nearest to where they meet.
    fn fit(curve: &[MatPoint], places: &[Place], i: usize, near: usize, far: usize) -> Option<(Self, usize)> {
        let (first, _) = Self::fit_about(curve, places, i, near + near / 2, far)?;
        let n = curve.len();
        let nearby = (0..=2 * near).map(|k| (i + n + k - near) % n);
        let centre = nearby.min_by(|a, b| curve[*a].distance(first.tip).total_cmp(&curve[*b].distance(first.tip)))?;
        let (corner, misfit) = Self::fit_about(curve, places, centre, near, far)?;
        let gain = corner.tip.distance(curve[centre]);
        let within = |(most_misfit, most_gain)| misfit <= most_misfit && gain <= most_gain;
        (within(LARGEST_MM) || within(LARGEST_OF_CLEAR_MM)).then_some((corner, centre))
    }

    fn fit_about(curve: &[MatPoint], places: &[Place], i: usize, near: usize, far: usize) -> Option<(Self, f64)> {
        let n = places.len();
        // Beside printed lines near points say little: then farther ones must say where the side goes.
        let pick = |sign: i64| -> Vec<Place> {
            let mut weight = 0.0;
            (near..=2 * far)
                .map(|k| (k, places[(i as i64 + sign * k as i64).rem_euclid(n as i64) as usize]))
                .take_while(|(k, place)| {
                    let wanted = *k <= far || weight < ENOUGH_WEIGHT;
                    weight += place.1;
                    wanted
                })
                .map(|(_, place)| place)
                .collect()
        };
        let (before, misfit_before) = Side::fit(&pick(-1), curve[i])?;
        let (after, misfit_after) = Side::fit(&pick(1), curve[i])?;
        let tip = before.meet(&after)?;
        Some((Self { tip, before, after }, misfit_before.max(misfit_after)))
    }

    /// Moves the points next to the corner onto their sides and the corner's own point to the tip.
    fn apply(&self, out: &mut [Sharpened], i: usize, reach: usize) {
        let n = out.len();
        out[i].at = self.tip;
        out[i].corner = true;
        for k in 1..=reach {
            for (j, side) in [((i + n - k) % n, &self.before), ((i + k) % n, &self.after)] {
                // Evenly from the tip to the first point that stays, along the side.
                let last = if j == (i + k) % n { (i + reach + 1) % n } else { (i + n - reach - 1) % n };
                let (from, to) = (side.along(self.tip), side.along(out[last].at));
                out[j].at = side.at(from + (to - from) * k as f64 / (reach + 1) as f64);
            }
        }
    }
}

/// A parabola in its own axes: the side of a garment over a centimetre.
struct Side {
    origin: MatPoint,
    along: Vector2<f64>,
    coefficients: Vector3<f64>,
}

impl Side {
    /// Fits the places robustly; `towards` is the corner.
    fn fit(places: &[Place], towards: MatPoint) -> Option<(Self, f64)> {
        let total: f64 = places.iter().map(|p| p.1).sum();
        if total < LEAST_WEIGHT {
            return None;
        }
        let mean = places.iter().fold(Vector2::zeros(), |s, (p, w)| s + Vector2::new(p.x, p.y) * *w) / total;
        let origin = MatPoint::new(mean.x, mean.y);
        let along = (towards - origin).try_normalize(1e-9)?;
        let mut side = Self { origin, along, coefficients: Vector3::zeros() };
        let mut weights: Vec<f64> = places.iter().map(|p| p.1).collect();
        for _ in 0..4 {
            side.coefficients = side.solve(places, &weights)?;
            for (w, place) in weights.iter_mut().zip(places) {
                let miss = side.miss(place.0) / 0.15;
                *w = place.1 / (1.0 + miss * miss);
            }
        }
        let misfit = places.iter().zip(&weights).map(|(p, w)| w * side.miss(p.0).powi(2)).sum::<f64>()
            / weights.iter().sum::<f64>().max(1e-9);
        Some((side, misfit.sqrt()))
    }

    fn solve(&self, places: &[Place], weights: &[f64]) -> Option<Vector3<f64>> {
        let (mut a, mut b) = (Matrix3::zeros(), Vector3::zeros());
        for ((p, _), w) in places.iter().zip(weights) {
            let (s, t) = self.local(*p);
            let row = Vector3::new(1.0, s, s * s);
            a += row * row.transpose() * *w;
            b += row * (t * w);
        }
        // A bend needs evidence: extrapolated to the corner it costs more than it gains.
        a[(2, 2)] += 400.0;
        (a + Matrix3::identity() * 1e-9).try_inverse().map(|inverse| inverse * b)
    }

    fn local(&self, p: MatPoint) -> (f64, f64) {
        let d = p - self.origin;
        (d.dot(&self.along), self.along.x * d.y - self.along.y * d.x)
    }

    fn miss(&self, p: MatPoint) -> f64 {
        let (s, t) = self.local(p);
        t - self.coefficients.dot(&Vector3::new(1.0, s, s * s))
    }

    fn along(&self, p: MatPoint) -> f64 {
        self.local(p).0
    }

    fn at(&self, s: f64) -> MatPoint {
        let t = self.coefficients.dot(&Vector3::new(1.0, s, s * s));
        self.origin + self.along * s + Vector2::new(-self.along.y, self.along.x) * t
    }

    fn tangent(&self, s: f64) -> Vector2<f64> {
        let slope = self.coefficients.y + 2.0 * self.coefficients.z * s;
        self.along + Vector2::new(-self.along.y, self.along.x) * slope
    }

    /// Where two sides meet, by Newton's method on their tangents.
    fn meet(&self, other: &Side) -> Option<MatPoint> {
        let (mut s, mut t) = (0.0, 0.0);
        for _ in 0..8 {
            let gap = other.at(t) - self.at(s);
            let (u, v) = (self.tangent(s), other.tangent(t));
            let cross = u.x * v.y - u.y * v.x;
            if cross.abs() < 0.15 * u.norm() * v.norm() {
                return None;
            }
            s += (gap.x * v.y - gap.y * v.x) / cross;
            t += (gap.x * u.y - gap.y * u.x) / cross;
        }
        (s.abs() < 30.0 && t.abs() < 30.0 && s.is_finite()).then(|| self.at(s))
    }
}
