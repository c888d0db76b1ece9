//! Plane geometry of closed polylines in millimetres: area, inside, distance, self-crossing.
//!
//! A ring is a slice of points whose last joins its first; the first is not repeated.

use std::collections::HashMap;

use crate::units::MatPoint;

/// Signed area by the shoelace formula, mm²; positive when anticlockwise (y up).
pub fn signed_area(ring: &[MatPoint]) -> f64 {
    // Taken about the first point: far from the origin the plain sum loses digits.
    let Some(&origin) = ring.first() else { return 0.0 };
    0.5 * sides(ring).map(|(a, b)| (a - origin).perp(&(b - origin))).sum::<f64>()
}

/// Length of the closed ring, mm.
pub fn perimeter(ring: &[MatPoint]) -> f64 {
    sides(ring).map(|(a, b)| a.distance(b)).sum()
}

/// The sides of a ring, the closing one last.
pub fn sides(ring: &[MatPoint]) -> impl Iterator<Item = (MatPoint, MatPoint)> + Clone + '_ {
    ring.iter().copied().zip(ring.iter().copied().cycle().skip(1)).take(ring.len())
}

/// Is the point inside (even-odd rule)?
pub fn contains(ring: &[MatPoint], p: MatPoint) -> bool {
    sides(ring)
        .filter(|(a, b)| (a.y > p.y) != (b.y > p.y))
        .filter(|(a, b)| p.x < a.x + (b.x - a.x) * (p.y - a.y) / (b.y - a.y))
        .count()
        % 2
        == 1
}

/// Nearest point of a segment.
pub fn nearest_on_segment(p: MatPoint, a: MatPoint, b: MatPoint) -> MatPoint {
    let along = b - a;
    let length2 = along.norm_squared();
    if length2 == 0.0 {
        return a;
    }
    a + along * ((p - a).dot(&along) / length2).clamp(0.0, 1.0)
}

/// Distance from a point to a segment, mm.
pub fn distance_to_segment(p: MatPoint, a: MatPoint, b: MatPoint) -> f64 {
    p.distance(nearest_on_segment(p, a, b))
}

/// Distance from a point to a ring's line, mm; infinite for an empty ring.
pub fn distance_to_ring(ring: &[MatPoint], p: MatPoint) -> f64 {
    sides(ring).map(|(a, b)| distance_to_segment(p, a, b)).fold(f64::INFINITY, f64::min)
}

/// Distance from a point to an open polyline, mm; infinite for an empty one.
pub fn distance_to_polyline(line: &[MatPoint], p: MatPoint) -> f64 {
    match line {
        [] => f64::INFINITY,
        [only] => only.distance(p),
        _ => line
            .iter()
            .zip(line.iter().skip(1))
            .map(|(&a, &b)| distance_to_segment(p, a, b))
            .fold(f64::INFINITY, f64::min),
    }
}

/// Points nearer than this are one, mm: flattening may leave a point a rounding error from a corner, and the two sides
/// there would seem to cross.
const SAME_MM: f64 = 1e-6;

/// The ring without points that repeat the one before.
pub fn without_repeats(mut ring: Vec<MatPoint>) -> Vec<MatPoint> {
    ring.dedup_by(|a, b| a.distance(*b) < SAME_MM);
    while ring.len() > 1 && ring.first().zip(ring.last()).is_some_and(|(a, b)| a.distance(*b) < SAME_MM) {
        ring.pop();
    }
    ring
}

/// Where two segments cross, as the share of the first and of the second; `None` if they do not
/// meet or are parallel.
pub fn crossing(a: (MatPoint, MatPoint), b: (MatPoint, MatPoint)) -> Option<(f64, f64)> {
    let (u, v, w) = (a.1 - a.0, b.1 - b.0, b.0 - a.0);
    let turn = u.perp(&v);
    if turn.abs() <= 1e-12 * u.norm() * v.norm() {
        return None;
    }
    let (s, t) = (w.perp(&v) / turn, w.perp(&u) / turn);
    ((0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t)).then_some((s, t))
}

/// The first place where a ring crosses itself, if it does.
///
/// Segments are sorted into square cells, so that outlines of many thousand points stay quick.
pub fn self_crossing(ring: &[MatPoint]) -> Option<MatPoint> {
    let segments: Vec<_> = sides(ring).collect();
    let count = segments.len();
    let cell_mm = (2.0 * perimeter(ring) / count.max(1) as f64).max(1e-6);
    let mut cells: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    for (i, segment) in segments.iter().enumerate() {
        for cell in cells_of(*segment, cell_mm) {
            let others = cells.entry(cell).or_default();
            for &j in others.iter() {
                let neighbours = i - j == 1 || (j == 0 && i == count - 1);
                if neighbours {
                    continue;
                }
                if let Some((s, _)) = segments.get(j).and_then(|other| crossing(*segment, *other)) {
                    return Some(segment.0.lerp(segment.1, s));
                }
            }
            others.push(i);
        }
    }
    None
}

/// Cells touched by a segment: those its box covers, taken piecewise so that a long slanting side
/// does not claim a whole square of them.
fn cells_of((a, b): (MatPoint, MatPoint), cell_mm: f64) -> Vec<(i64, i64)> {
    let index = |v: f64| (v / cell_mm).floor() as i64;
    let parts = (a.distance(b) / cell_mm).ceil().max(1.0) as usize;
    let mut cells = Vec::new();
    for k in 0..parts {
        let (p, q) = (a.lerp(b, k as f64 / parts as f64), a.lerp(b, (k + 1) as f64 / parts as f64));
        for column in index(p.x.min(q.x))..=index(p.x.max(q.x)) {
            for row in index(p.y.min(q.y))..=index(p.y.max(q.y)) {
                if !cells.contains(&(column, row)) {
                    cells.push((column, row));
                }
            }
        }
    }
    cells
}

/// The intervals of a line (point and unit direction) that lie inside a ring, as distances along
/// the line, in order.
pub fn intervals_inside(ring: &[MatPoint], point: MatPoint, direction: nalgebra::Vector2<f64>) -> Vec<(f64, f64)> {
    let side = |p: MatPoint| direction.perp(&(p - point));
    let mut hits: Vec<f64> = sides(ring)
        .filter(|&(a, b)| (side(a) > 0.0) != (side(b) > 0.0))
        .map(|(a, b)| (a.lerp(b, side(a) / (side(a) - side(b))) - point).dot(&direction))
        .collect();
    hits.sort_by(f64::total_cmp);
    hits.chunks_exact(2).map(|pair| (pair[0], pair[1])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(points: &[(f64, f64)]) -> Vec<MatPoint> {
        points.iter().map(|&(x, y)| MatPoint::new(x, y)).collect()
    }

    /// Two textbook shoelace examples, recomputed with shapely 2.2.
    #[test]
    fn shoelace_areas() {
        let first = ring(&[(1.0, 6.0), (3.0, 1.0), (7.0, 2.0), (4.0, 4.0), (8.0, 5.0)]);
        assert_eq!(signed_area(&first).abs(), 16.5);
        let second = ring(&[(3.0, 4.0), (5.0, 11.0), (12.0, 8.0), (9.0, 5.0), (5.0, 6.0)]);
        assert_eq!(signed_area(&second).abs(), 30.0);
    }

    #[test]
    fn a_figure_of_eight_crosses_itself_and_a_square_does_not() {
        let eight = ring(&[(0.0, 0.0), (10.0, 10.0), (10.0, 0.0), (0.0, 10.0)]);
        let at = self_crossing(&eight).unwrap();
        assert!(at.distance(MatPoint::new(5.0, 5.0)) < 1e-9);
        assert_eq!(self_crossing(&ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)])), None);
    }

    #[test]
    fn a_line_through_a_u_shape_is_inside_twice() {
        let u = ring(&[
            (0.0, 0.0),
            (30.0, 0.0),
            (30.0, 30.0),
            (20.0, 30.0),
            (20.0, 10.0),
            (10.0, 10.0),
            (10.0, 30.0),
            (0.0, 30.0),
        ]);
        let inside = intervals_inside(&u, MatPoint::new(-5.0, 20.0), nalgebra::Vector2::new(1.0, 0.0));
        assert_eq!(inside, vec![(5.0, 15.0), (25.0, 35.0)]);
    }
}
