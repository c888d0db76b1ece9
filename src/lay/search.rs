//! The search itself: see [`super::nest`].

use std::sync::Arc;

use jagua_rs::collision_detection::hazards::collector::BasicHazardCollector;
use jagua_rs::collision_detection::hazards::filter::HazardFilter;
use jagua_rs::collision_detection::hazards::{HazKey, Hazard, HazardEntity};
use jagua_rs::collision_detection::{CDEConfig, CDEngine};
use jagua_rs::geometry::Transformation;
use jagua_rs::geometry::fail_fast::SPSurrogateConfig;
use jagua_rs::geometry::geo_enums::GeoPosition;
use jagua_rs::geometry::geo_traits::{Transformable, TransformableFrom};
use jagua_rs::geometry::primitives::{Point, Rect, SPolygon};
use jagua_rs::geometry::shape_modification::{ShapeModifyMode, offset_shape, simplify_shape};
use nalgebra::Vector2;

use super::nest::{Nest, Shape, Spot, Strip, Watch, length_of};
use crate::polygon;
use crate::units::MatPoint;

/// Rings are thinned to within this before the engine widens them by it again, mm: curves hold thousands of points.
const THIN_MM: f64 = 0.3;
/// Room between the strip and the engine's frame, mm: containment is kept by limits, never by the engine.
const FRAME_MM: f64 = 200.0;
/// Random places tried for every way of lying, and around where the shape is.
const SCATTERED: usize = 8;
const NEARBY: usize = 6;
/// Best places that are refined.
const REFINED: usize = 3;
/// Refinement ends at this step, mm.
const LEAST_STEP_MM: f64 = 0.1;
/// Rounds without progress after which a length is given up.
const STALE_ROUNDS: usize = 45;
/// Density tried first, straight from the shelves.
const FIRST_DENSITY: f64 = 0.78;

const SURROGATE: SPSurrogateConfig =
    SPSurrogateConfig { n_pole_limits: [(48, 0.0), (14, 0.8), (7, 0.9)], ff_pole_area_ratio: 0.5, n_ff_piers: 0 };
const ENGINE: CDEConfig = CDEConfig { quadtree_depth: 4, cd_threshold: 16, item_surrogate_config: SURROGATE };

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Thing {
    Frame,
    Shape(usize),
}

impl HazardEntity for Thing {
    fn scope(&self) -> GeoPosition {
        match self {
            Thing::Frame => GeoPosition::Exterior,
            Thing::Shape(_) => GeoPosition::Interior,
        }
    }
    fn is_dynamic(&self) -> bool {
        *self != Thing::Frame
    }
}

/// Leaves out the frame and the shape asked about.
struct Others(usize);

impl HazardFilter<Thing> for Others {
    fn is_irrelevant(&self, _: HazKey, thing: &Thing) -> bool {
        matches!(thing, Thing::Frame) || *thing == Thing::Shape(self.0)
    }
}

/// One way of lying, made ready for the engine.
struct Ready {
    polygon: SPolygon,
    moved: SPolygon,
    /// Bounds of the true ring, mm.
    low: Vector2<f64>,
    high: Vector2<f64>,
    on_edge: bool,
}

/// A shape as the search holds it.
struct Held {
    ways: Vec<Ready>,
    spot: Spot,
    area: f64,
}

pub(super) struct Search<'a> {
    shapes: &'a [Shape],
    strip: Strip,
    held: Vec<Held>,
    engine: CDEngine<Thing>,
    hits: BasicHazardCollector<Thing>,
    weights: Vec<f32>,
    random: fastrand::Rng,
    queries: u64,
    allowed: u64,
}

impl<'a> Search<'a> {
    /// `None` when the engine can make nothing of a shape.
    pub(super) fn new(shapes: &'a [Shape], strip: &Strip, seed: u64, allowed: u64) -> Option<Self> {
        let held: Option<Vec<Held>> = shapes.iter().map(|shape| ready_shape(shape, strip.gap_mm)).collect();
        let held = held?;
        let total: f64 = held.iter().map(|h| h.ways.first().map_or(0.0, |w| w.high.x - w.low.x)).sum();
        let far = total + held.len() as f64 * strip.gap_mm + FRAME_MM;
        let frame =
            Rect::try_new(-FRAME_MM as f32, -FRAME_MM as f32, far as f32, (strip.width_mm + FRAME_MM) as f32).ok()?;
        let frame = Arc::new(SPolygon::from(frame));
        let engine = CDEngine::new(frame.bbox(), vec![Hazard::new(Thing::Frame, frame)], ENGINE);
        let count = held.len();
        Some(Self {
            shapes,
            strip: *strip,
            held,
            engine,
            hits: BasicHazardCollector::with_capacity(count),
            weights: vec![1.0; count * count],
            random: fastrand::Rng::with_seed(seed),
            queries: 0,
            allowed,
        })
    }

    /// Shortens a nest until the work is used up or the watcher stops it.
    pub(super) fn run(mut self, start: &Nest, watch: &Watch<'_>) -> (Nest, bool) {
        let mut best = start.clone();
        for (i, spot) in start.spots.iter().enumerate() {
            self.put(i, *spot, true);
        }
        let area: f64 = self.held.iter().map(|h| h.area).sum();
        let shortest = self.held.iter().flat_map(|h| h.ways.iter().map(|w| w.high.x - w.low.x).reduce(f64::min));
        let bound = shortest.fold(area / self.strip.width_mm, f64::max);
        let first = (bound / FIRST_DENSITY).min(0.995 * best.length_mm);
        let mut cut = 1.0 - first / best.length_mm;
        let mut stopped = false;
        while self.queries < self.allowed && best.length_mm > 1.000_01 * bound {
            if !watch(self.queries as f64 / self.allowed as f64, best.length_mm) {
                stopped = true;
                break;
            }
            let limit = (best.length_mm * (1.0 - cut)).max(bound);
            match self.separate(limit, watch) {
                Some(true) => {
                    let spots: Vec<Spot> = self.held.iter().map(|h| h.spot).collect();
                    best = Nest { length_mm: length_of(self.shapes, &spots), spots };
                    cut = cut.min(0.02);
                }
                Some(false) => {
                    cut = (0.5 * cut).max(0.001);
                    self.restart(&best);
                }
                None => {
                    stopped = true;
                    break;
                }
            }
        }
        watch((self.queries as f64 / self.allowed as f64).min(1.0), best.length_mm);
        (best, stopped)
    }

    /// Back to the best nest, with two shapes changed about to leave its valley.
    fn restart(&mut self, best: &Nest) {
        for (i, spot) in best.spots.iter().enumerate() {
            self.put(i, *spot, false);
        }
        let loose: Vec<usize> = (0..self.held.len()).filter(|i| !self.shapes[*i].is_held()).collect();
        if loose.len() < 2 {
            return;
        }
        let (a, b) = (loose[self.random.usize(..loose.len())], loose[self.random.usize(..loose.len())]);
        let (middle_a, middle_b) = (self.middle(a), self.middle(b));
        for (i, to) in [(a, middle_b), (b, middle_a)] {
            let spot = self.held[i].spot;
            let way = &self.held[i].ways[spot.variant];
            let shift = to - 0.5 * (way.low + way.high);
            self.put(i, Spot { variant: spot.variant, shift }, false);
        }
    }

    fn middle(&self, i: usize) -> Vector2<f64> {
        let held = &self.held[i];
        let way = &held.ways[held.spot.variant];
        0.5 * (way.low + way.high) + held.spot.shift
    }

    /// Drives overlap out within a length. `None`: the watcher stopped it.
    fn separate(&mut self, limit: f64, watch: &Watch<'_>) -> Option<bool> {
        self.weights.fill(1.0);
        for i in 0..self.held.len() {
            let spot = self.held[i].spot;
            let spot = self.within(i, spot, limit);
            self.put(i, spot, false);
        }
        let (mut least, mut stale) = (f32::INFINITY, 0);
        let mut order: Vec<usize> = (0..self.held.len()).collect();
        while stale < STALE_ROUNDS && self.queries < self.allowed {
            if !watch(self.queries as f64 / self.allowed as f64, f64::NAN) {
                return None;
            }
            self.random.shuffle(&mut order);
            for &i in &order {
                let spot = self.held[i].spot;
                if self.cost(i, spot) > 0.0 {
                    self.improve(i, limit);
                }
            }
            let total = self.reweigh();
            if total == 0.0 {
                return Some(true);
            }
            if total < 0.98 * least {
                (least, stale) = (total, 0);
            } else {
                stale += 1;
            }
        }
        Some(false)
    }

    /// Moves one shape to the best place found for it.
    fn improve(&mut self, i: usize, limit: f64) {
        let now = self.held[i].spot;
        let now_cost = self.cost(i, now);
        let mut tried: Vec<(f32, Spot)> = Vec::new();
        for variant in 0..self.held[i].ways.len() {
            for _ in 0..SCATTERED {
                let (low, high) = self.limits(i, variant, limit);
                let part = Vector2::new(self.random.f64(), self.random.f64());
                let spot = Spot { variant, shift: low + (high - low).component_mul(&part) };
                tried.push((self.cost(i, spot), spot));
            }
        }
        let way = &self.held[i].ways[now.variant];
        let reach = 0.25 * (way.high - way.low).norm();
        for _ in 0..NEARBY {
            let by = Vector2::new(self.random.f64() - 0.5, self.random.f64() - 0.5) * reach;
            let spot = self.within(i, Spot { variant: now.variant, shift: now.shift + by }, limit);
            tried.push((self.cost(i, spot), spot));
        }
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        tried.truncate(REFINED);
        tried.insert(0, (now_cost, now));
        let mut best = (now_cost, now);
        for (cost, spot) in tried {
            let refined = self.refine(i, cost, spot, limit, 0.1 * reach);
            if refined.0 < best.0 {
                best = refined;
            }
            if best.0 == 0.0 {
                break;
            }
        }
        if best.1 != now {
            self.put(i, best.1, false);
        }
    }

    /// Steps along the axes and diagonals, smaller and smaller.
    fn refine(&mut self, i: usize, cost: f32, spot: Spot, limit: f64, step_mm: f64) -> (f32, Spot) {
        let (mut best, mut at, mut step) = (cost, spot, step_mm);
        while step > LEAST_STEP_MM && best > 0.0 && self.queries < self.allowed {
            let [x, y] = match self.random.u8(..4) {
                0 => [1.0, 0.0],
                1 => [0.0, 1.0],
                2 => [0.7, 0.7],
                _ => [0.7, -0.7],
            };
            let mut better = false;
            for side in [step, -step] {
                let moved = Spot { variant: at.variant, shift: at.shift + Vector2::new(x, y) * side };
                let moved = self.within(i, moved, limit);
                if moved == at {
                    continue;
                }
                let cost = self.cost(i, moved);
                if cost < best {
                    (best, at, better) = (cost, moved, true);
                    break;
                }
            }
            step *= if better { 1.2 } else { 0.6 };
        }
        (best, at)
    }

    /// Range of shifts that keep a way of lying within the strip.
    fn limits(&self, i: usize, variant: usize, limit: f64) -> (Vector2<f64>, Vector2<f64>) {
        let way = &self.held[i].ways[variant];
        let low = -way.low;
        let top = if way.on_edge { low.y } else { (self.strip.width_mm - way.high.y).max(low.y) };
        (low, Vector2::new((limit - way.high.x).max(low.x), top))
    }

    fn within(&self, i: usize, spot: Spot, limit: f64) -> Spot {
        let (low, high) = self.limits(i, spot.variant, limit);
        let shift = Vector2::new(spot.shift.x.clamp(low.x, high.x), spot.shift.y.clamp(low.y, high.y));
        Spot { variant: spot.variant, shift }
    }

    /// Weighted overlap of a shape, were it at a spot.
    fn cost(&mut self, i: usize, spot: Spot) -> f32 {
        self.queries += 1;
        let count = self.held.len();
        self.hits.clear();
        let way = &mut self.held[i].ways[spot.variant];
        way.moved.transform_from(&way.polygon, &shift(spot));
        let moved = &way.moved;
        self.engine.collect_poly_collisions(moved, &Others(i), &mut self.hits);
        let mut cost = 0.0;
        for (key, thing) in &self.hits {
            if let (Thing::Shape(j), Some(hazard)) = (thing, self.engine.hazard(key)) {
                cost += self.weights[i * count + j] * overlap(moved, &hazard.shape);
            }
        }
        cost
    }

    /// Raises the weights of pairs that overlap, lowers the others; gives the overlap of all.
    fn reweigh(&mut self) -> f32 {
        let count = self.held.len();
        let mut pairs = vec![0.0f32; count * count];
        let mut total = 0.0;
        for i in 0..count {
            self.hits.clear();
            let spot = self.held[i].spot;
            let way = &mut self.held[i].ways[spot.variant];
            way.moved.transform_from(&way.polygon, &shift(spot));
            let moved = &way.moved;
            self.engine.collect_poly_collisions(moved, &Others(i), &mut self.hits);
            for (key, thing) in &self.hits {
                if let (Thing::Shape(j), Some(hazard)) = (thing, self.engine.hazard(key)) {
                    let deep = overlap(moved, &hazard.shape);
                    pairs[i * count + j] = pairs[i * count + j].max(deep);
                    pairs[j * count + i] = pairs[j * count + i].max(deep);
                    total += deep;
                }
            }
        }
        let most = pairs.iter().copied().fold(0.0, f32::max);
        for (weight, deep) in self.weights.iter_mut().zip(&pairs) {
            *weight = if *deep > 0.0 { *weight * (1.2 + 0.8 * deep / most) } else { (0.95 * *weight).max(1.0) };
        }
        total
    }

    fn put(&mut self, i: usize, spot: Spot, first: bool) {
        if !first {
            self.engine.deregister_hazard_by_entity(Thing::Shape(i));
        }
        let held = &mut self.held[i];
        held.spot = spot;
        let polygon = held.ways[spot.variant].polygon.transform_clone(&shift(spot));
        self.engine.register_hazard(Hazard::new(Thing::Shape(i), Arc::new(polygon)));
    }
}

fn shift(spot: Spot) -> Transformation {
    Transformation::from_translation((spot.shift.x as f32, spot.shift.y as f32))
}

/// How deep two shapes lie in each other, by their inscribed circles: smooth, and never nought for shapes that collide.
fn overlap(a: &SPolygon, b: &SPolygon) -> f32 {
    let small = 0.02 * a.diameter().min(b.diameter());
    let mut sum = 0.0;
    for p in &a.surrogate().poles {
        for q in &b.surrogate().poles {
            let (dx, dy) = (p.center.0 - q.center.0, p.center.1 - q.center.1);
            let deep = p.radius + q.radius - (dx * dx + dy * dy).sqrt();
            let felt = if deep >= small { deep } else { small * small / (2.0 * small - deep) };
            sum += felt * p.radius.min(q.radius);
        }
    }
    sum.sqrt() * (a.area() * b.area()).sqrt().sqrt().max(1.0).sqrt()
}

fn ready_shape(shape: &Shape, gap_mm: f64) -> Option<Held> {
    let ways: Option<Vec<Ready>> = shape.variants.iter().map(|v| ready(&v.ring, v.on_edge, gap_mm)).collect();
    let area = shape.variants.first().map_or(0.0, |v| polygon::signed_area(&v.ring).abs());
    Some(Held { ways: ways.filter(|w| !w.is_empty())?, spot: Spot::default(), area })
}

fn ready(ring: &[MatPoint], on_edge: bool, gap_mm: f64) -> Option<Ready> {
    let points = |ring: &[MatPoint]| ring.iter().map(|p| Point(p.x as f32, p.y as f32)).collect::<Vec<_>>();
    let thin = SPolygon::new(points(&thinned(ring))).ok()?;
    let wide = offset_shape(&thin, ShapeModifyMode::Inflate, (0.5 * gap_mm + THIN_MM) as f32).ok()?;
    let mut polygon = simplify_shape(&wide, ShapeModifyMode::Inflate, 0.002);
    polygon.generate_surrogate(SURROGATE).ok()?;
    let bounds = crate::flat::MatRect::around(ring.iter().copied())?;
    let moved = polygon.clone();
    let (low, high) = (Vector2::new(bounds.min.x, bounds.min.y), Vector2::new(bounds.max.x, bounds.max.y));
    Some(Ready { polygon, moved, low, high, on_edge })
}

/// A ring with fewer points, none of the old ones further than [`THIN_MM`] away (Douglas & Peucker, 1973).
fn thinned(ring: &[MatPoint]) -> Vec<MatPoint> {
    let far = ring.iter().enumerate().max_by(|a, b| a.1.distance(ring[0]).total_cmp(&b.1.distance(ring[0])));
    let Some((far, _)) = far else { return Vec::new() };
    let mut closed = ring.to_vec();
    closed.push(ring[0]);
    let mut kept = vec![ring[0]];
    keep_between(&closed, 0, far, &mut kept);
    keep_between(&closed, far, ring.len(), &mut kept);
    kept.pop();
    kept
}

fn keep_between(points: &[MatPoint], from: usize, to: usize, kept: &mut Vec<MatPoint>) {
    let mut stack = vec![(from, to)];
    while let Some((a, b)) = stack.pop() {
        let off = |k: usize| polygon::distance_to_segment(points[k], points[a], points[b]);
        let worst = (a + 1..b).map(|k| (off(k), k)).max_by(|x, y| x.0.total_cmp(&y.0));
        match worst {
            Some((d, k)) if d > THIN_MM => stack.extend([(k, b), (a, k)]),
            _ => kept.push(points[b]),
        }
    }
}
