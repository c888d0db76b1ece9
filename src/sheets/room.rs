//! Where words have room between lines.

use kurbo::{Affine, BezPath, PathEl, Point, Rect, Vec2};

use super::drawing::{Anchor, Drawing, Mark};
use super::font;

/// Lines are looked at in steps of this, mm: less than words keep from them.
const STEP_MM: f64 = 1.5;

/// Points along a path, close enough that no line of words fits between two of them.
pub(super) fn along(path: &BezPath, place: Affine, points: &mut Vec<Point>) {
    let (mut start, mut last) = (Point::ORIGIN, Point::ORIGIN);
    let mut line = |from: Point, to: Point| {
        let parts = (from.distance(to) / STEP_MM).ceil().clamp(1.0, 5000.0) as usize;
        points.extend((0..=parts).map(|k| from.lerp(to, k as f64 / parts as f64)));
    };
    kurbo::flatten(path.iter(), 0.2, |element| {
        let to = match element {
            PathEl::MoveTo(p) => {
                (start, last) = (place * p, place * p);
                return;
            }
            PathEl::ClosePath => start,
            other => place * other.end_point().unwrap_or_default(),
        };
        line(last, to);
        last = to;
    });
}

/// Points on everything drawn.
pub(super) fn ink(drawing: &Drawing) -> Vec<Point> {
    let mut points = Vec::new();
    for drawn in &drawing.marks {
        match &drawn.mark {
            Mark::Stroke(path, _) | Mark::Fill(path, _) => along(path, Affine::IDENTITY, &mut points),
            Mark::Text { at, along, size_mm, anchor, text, .. } => {
                let wide = font::width_mm(text, *size_mm);
                let from = match anchor {
                    Anchor::Start => *at,
                    Anchor::Middle => *at - *along * (0.5 * wide),
                };
                let up = Vec2::new(along.y, -along.x);
                let parts = (wide / STEP_MM).ceil().clamp(1.0, 5000.0) as usize;
                for k in 0..=parts {
                    let foot = from + *along * (wide * k as f64 / parts as f64);
                    points.extend([-0.2, 0.3, 0.8].map(|rise| foot + up * (rise * size_mm)));
                }
            }
        }
    }
    points
}

/// Is a box of words, its middle at `at`, further than `clear_mm` from all points?
pub(super) fn is_clear(points: &[Point], at: Point, along: Vec2, (half_w, half_h): (f64, f64), clear_mm: f64) -> bool {
    let down = Vec2::new(-along.y, along.x);
    points.iter().all(|p| {
        let off = *p - at;
        off.dot(along).abs() > half_w + clear_mm || off.dot(down).abs() > half_h + clear_mm
    })
}

/// The first place, from the top left, for the middle of a level box inside a rectangle.
pub(super) fn first_clear(points: &[Point], room: Rect, half: (f64, f64), clear_mm: f64) -> Option<Point> {
    const GRID_MM: f64 = 5.0;
    let inner = room.inset((-half.0, -half.1));
    if inner.width() < 0.0 || inner.height() < 0.0 {
        return None;
    }
    let steps = |size: f64| (size / GRID_MM).floor() as usize;
    let (columns, rows) = (steps(inner.width()), steps(inner.height()));
    let mut places: Vec<(usize, usize)> = (0..=rows).flat_map(|r| (0..=columns).map(move |c| (r, c))).collect();
    places.sort_by_key(|(r, c)| (r + c, *r));
    places
        .into_iter()
        .map(|(r, c)| Point::new(inner.x0 + GRID_MM * c as f64, inner.y0 + GRID_MM * r as f64))
        .find(|at| is_clear(points, *at, Vec2::new(1.0, 0.0), half, clear_mm))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(from: (f64, f64), to: (f64, f64)) -> BezPath {
        let mut path = BezPath::new();
        path.move_to(from);
        path.line_to(to);
        path
    }

    #[test]
    fn words_go_where_no_line_crosses_them() {
        let mut points = Vec::new();
        along(&line((0.0, 12.0), (100.0, 12.0)), Affine::IDENTITY, &mut points);
        let room = Rect::new(0.0, 0.0, 100.0, 60.0);
        let at = first_clear(&points, room, (20.0, 8.0), 2.0).unwrap();
        assert!(at.y - 8.0 >= 12.0 + 2.0 && at.x == 20.0, "{at:?}");
        assert!(first_clear(&points, Rect::new(0.0, 0.0, 30.0, 60.0), (20.0, 8.0), 2.0).is_none());
        // A turned box crosses the line that a level one beside it does not.
        assert!(is_clear(&points, Point::new(50.0, 24.0), Vec2::new(1.0, 0.0), (20.0, 8.0), 2.0));
        assert!(!is_clear(&points, Point::new(50.0, 24.0), Vec2::new(0.0, -1.0), (20.0, 8.0), 2.0));
    }
}
