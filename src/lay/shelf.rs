//! Shelf packing: the plan a careful person makes by rectangles, and what the search is measured against.
//!
//! First-fit decreasing on bounding boxes (Coffman, Garey, Johnson & Tarjan, 1980, there called FFDH): shelves stand side
//! by side along the cloth, pieces of a shelf lie side by side across it.

use nalgebra::Vector2;

use super::nest::{Nest, Shape, Spot, Strip};
use crate::flat::MatRect;

struct Shelf {
    from_mm: f64,
    length_mm: f64,
    filled_mm: f64,
}

/// Packs bounding boxes on shelves; `None` when a shape fits in no way across the strip.
pub fn pack(shapes: &[Shape], strip: &Strip) -> Option<Nest> {
    let mut order: Vec<(usize, usize, MatRect)> = Vec::new();
    for (i, shape) in shapes.iter().enumerate() {
        order.push(narrowest(shape, strip).map(|(variant, bounds)| (i, variant, bounds))?);
    }
    // Pieces on the fold must touch it, so they open shelves; then the longest first.
    let held = |i: usize| shapes.get(i).is_some_and(Shape::is_held);
    order.sort_by(|a, b| held(b.0).cmp(&held(a.0)).then(b.2.width_mm().total_cmp(&a.2.width_mm())));
    let mut shelves: Vec<Shelf> = Vec::new();
    let mut spots = vec![Spot::default(); shapes.len()];
    for (i, variant, bounds) in order {
        let (long, across) = (bounds.width_mm() + strip.gap_mm, bounds.height_mm() + strip.gap_mm);
        let found = shelves.iter_mut().find(|s| {
            !held(i) && long <= s.length_mm + 1e-9 && s.filled_mm + across <= strip.width_mm + strip.gap_mm + 1e-9
        });
        let shelf = match found {
            Some(shelf) => shelf,
            None => {
                let from_mm = shelves.last().map_or(0.0, |s| s.from_mm + s.length_mm);
                shelves.push(Shelf { from_mm, length_mm: long, filled_mm: 0.0 });
                shelves.last_mut()?
            }
        };
        let corner = Vector2::new(shelf.from_mm - bounds.min.x, shelf.filled_mm - bounds.min.y);
        shelf.filled_mm += across;
        if let Some(spot) = spots.get_mut(i) {
            *spot = Spot { variant, shift: corner };
        }
    }
    let length_mm = shelves.last().map_or(0.0, |s| s.from_mm + s.length_mm - strip.gap_mm);
    Some(Nest { spots, length_mm })
}

/// The way of lying that fits across the strip and is shortest along it.
fn narrowest(shape: &Shape, strip: &Strip) -> Option<(usize, MatRect)> {
    let fitting = shape.variants.iter().enumerate().filter_map(|(k, v)| {
        let bounds = MatRect::around(v.ring.iter().copied())?;
        (bounds.height_mm() <= strip.width_mm + 1e-9).then_some((k, bounds))
    });
    fitting.min_by(|a, b| a.1.width_mm().total_cmp(&b.1.width_mm()))
}
