//! The lay plan drawn to scale, with measurements, for one sheet of paper.

use kurbo::{BezPath, Point, Rect, Vec2};

use super::{Cloth, Laid, LayPlan};
use crate::sheets::drawing::{Anchor, BLACK, CUT_PEN, Drawing, FOLD_PEN, Layer, Mark, Pen};
use crate::sheets::{width_mm, writable};
use crate::units::MatPoint;

const CLOTH_PEN: Pen = Pen { width_mm: 0.35, dashes_mm: &[], rgb: BLACK };
const BUY_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[2.0, 1.5], rgb: BLACK };
const DIMENSION_PEN: Pen = Pen { width_mm: 0.18, dashes_mm: &[], rgb: BLACK };
const PIECE_PEN: Pen = Pen { width_mm: 0.35, ..CUT_PEN };
const GRAIN_PEN: Pen = Pen { width_mm: 0.2, dashes_mm: &[], rgb: BLACK };
/// Pieces cut through two layers are a little darker.
const ONE_LAYER: [u8; 3] = [236, 240, 246];
const TWO_LAYERS: [u8; 3] = [214, 222, 234];

/// Scales a drawing may have: 1 to so much.
const SCALES: [f64; 7] = [5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 50.0];
const LEFT_MM: f64 = 22.0;
const TOP_MM: f64 = 34.0;

/// Draws a plan, the cloth's length to the right, to fit A4 on its side where it can.
pub fn draw(plan: &LayPlan) -> Drawing {
    let strip_mm = if plan.cloth == Cloth::Doubled { 0.5 * plan.width_mm } else { plan.width_mm };
    let fits = |s: &&f64| plan.buy_mm / **s <= 255.0 && strip_mm / **s <= 140.0;
    let scale = SCALES.iter().find(fits).copied().unwrap_or(100.0);
    let (long, across) = (plan.buy_mm / scale, strip_mm / scale);
    let mut drawing = Drawing {
        width_mm: (LEFT_MM + long + 20.0).max(190.0),
        height_mm: TOP_MM + across + 30.0,
        ..Drawing::default()
    };
    // Page y runs down; the fold of doubled cloth is drawn at the bottom.
    let place = |p: MatPoint| Point::new(LEFT_MM + p.x / scale, TOP_MM + across - p.y / scale);
    heading(&mut drawing, plan, scale);
    for laid in &plan.laid {
        draw_laid(&mut drawing, laid, &place);
    }
    cloth(&mut drawing, plan, Rect::new(LEFT_MM, TOP_MM, LEFT_MM + long, TOP_MM + across), scale);
    drawing
}

fn heading(drawing: &mut Drawing, plan: &LayPlan, scale: f64) {
    let how = match plan.cloth {
        Cloth::Flat => "flat, right side up",
        Cloth::Doubled => "doubled, right sides together",
    };
    let nap = if plan.nap { "with nap: all pieces one way" } else { "without nap" };
    let lines = [
        format!("Lay plan, {}: {} cm wide, {how}, {nap}", plan.fabric, cm(plan.width_mm)),
        format!(
            "Buy {} cm or {} yd. The pieces reach {} cm and use {:.1} % of the cloth; laid in plain rows they would need {} cm.",
            cm(plan.buy_mm),
            eighths(plan.buy_yards),
            cm(plan.length_mm),
            plan.use_percent,
            cm(plan.shelf_length_mm)
        ),
        format!(
            "Drawn 1 to {scale}. At least {} mm between pieces. Grainlines run along the selvedge. Seed {}.",
            plan.gap_mm, plan.seed
        ),
    ];
    for (i, line) in lines.into_iter().enumerate() {
        let size = if i == 0 { 5.0 } else { 3.4 };
        drawing.text(
            Layer::Words,
            Point::new(LEFT_MM - 8.0, 10.0 + 6.0 * i as f64),
            size,
            Anchor::Start,
            writable(&line),
        );
    }
}

/// Yards by eighths: 1 3/8.
pub fn eighths(yards: f64) -> String {
    let count = (8.0 * yards).round() as u64;
    let (whole, part) = (count / 8, count % 8);
    let part = match part {
        0 => "",
        1 => "1/8",
        2 => "1/4",
        3 => "3/8",
        4 => "1/2",
        5 => "5/8",
        6 => "3/4",
        _ => "7/8",
    };
    match (whole, part) {
        (0, part) => part.to_string(),
        (whole, "") => whole.to_string(),
        (whole, part) => format!("{whole} {part}"),
    }
}

fn cm(mm: f64) -> String {
    let text = format!("{:.1}", mm / 10.0);
    text.trim_end_matches(".0").to_string()
}

fn cloth(drawing: &mut Drawing, plan: &LayPlan, rect: Rect, scale: f64) {
    drawing.stroke(Layer::Marks, line(Point::new(rect.x0, rect.y0), Point::new(rect.x1, rect.y0)), CLOTH_PEN);
    drawing.stroke(Layer::Marks, line(Point::new(rect.x0, rect.y0), Point::new(rect.x0, rect.y1)), CLOTH_PEN);
    drawing.stroke(Layer::Marks, line(Point::new(rect.x1, rect.y0), Point::new(rect.x1, rect.y1)), BUY_PEN);
    let doubled = plan.cloth == Cloth::Doubled;
    let lower = if doubled { FOLD_PEN } else { CLOTH_PEN };
    drawing.stroke(Layer::Marks, line(Point::new(rect.x0, rect.y1), Point::new(rect.x1, rect.y1)), lower);
    let (above, below) = if doubled { ("selvedges", "fold") } else { ("selvedge", "selvedge") };
    drawing.text(Layer::Words, Point::new(rect.x1 - 16.0, rect.y0 - 1.5), 2.8, Anchor::Start, above);
    drawing.text(Layer::Words, Point::new(rect.x1 - 16.0, rect.y1 + 4.0), 2.8, Anchor::Start, below);
    let reach = rect.x0 + plan.length_mm / scale;
    let y = rect.y1 + 9.0;
    dimension(drawing, Point::new(rect.x0, y), Point::new(reach, y), &format!("{} cm", cm(plan.length_mm)));
    let y = rect.y1 + 18.0;
    let words = format!("{} cm to buy", cm(plan.buy_mm));
    dimension(drawing, Point::new(rect.x0, y), Point::new(rect.x1, y), &words);
    let wide = if doubled { 0.5 * plan.width_mm } else { plan.width_mm };
    let x = rect.x0 - 8.0;
    dimension(drawing, Point::new(x, rect.y1), Point::new(x, rect.y0), &format!("{} cm", cm(wide)));
}

/// A measure between two points, words above its middle.
fn dimension(drawing: &mut Drawing, from: Point, to: Point, words: &str) {
    let along = (to - from) / (to - from).hypot().max(1e-9);
    let across = Vec2::new(along.y, -along.x);
    drawing.stroke(Layer::Marks, line(from, to), DIMENSION_PEN);
    for end in [from, to] {
        drawing.stroke(Layer::Marks, line(end - across * 1.5, end + across * 1.5), DIMENSION_PEN);
    }
    let at = from.midpoint(to) + across * 1.2;
    let text = words.to_string();
    drawing.push(Layer::Words, Mark::Text { at, along, size_mm: 3.2, anchor: Anchor::Middle, rgb: BLACK, text });
}

fn draw_laid(drawing: &mut Drawing, laid: &Laid, place: &impl Fn(MatPoint) -> Point) {
    let mut outline = BezPath::new();
    for (i, p) in laid.cut_line.iter().enumerate() {
        if i == 0 { outline.move_to(place(*p)) } else { outline.line_to(place(*p)) }
    }
    outline.close_path();
    let shade = if laid.layers > 1 { TWO_LAYERS } else { ONE_LAYER };
    drawing.push(Layer::Joining, Mark::Fill(outline.clone(), shade));
    drawing.stroke(Layer::Cut, outline, PIECE_PEN);
    let (centre, wide, high) = inside(laid, place);
    let (name, note) = (writable(&laid.piece), note(laid));
    // A block of two lines of words over an arrow; 3.4 times the letters' size high.
    let widest = width_mm(&name, 1.0).max(0.8 * width_mm(&note, 1.0)).max(0.1);
    let size = (0.9 * wide / widest).min(0.27 * high).clamp(0.9, 3.6);
    drawing.text(Layer::Words, Point::new(centre.x, centre.y - 0.7 * size), size, Anchor::Middle, name);
    drawing.text(Layer::Words, Point::new(centre.x, centre.y + 0.4 * size), 0.8 * size, Anchor::Middle, note);
    grain_arrow(drawing, laid, place, Point::new(centre.x, centre.y + 1.3 * size), (0.7 * wide).min(9.0 * size));
}

/// An arrow along the grain, where the words leave room for it.
fn grain_arrow(drawing: &mut Drawing, laid: &Laid, place: &impl Fn(MatPoint) -> Point, middle: Point, length: f64) {
    let [from, to] = laid.grainline.map(place);
    let along = (to - from) / (to - from).hypot().max(1e-9);
    let across = Vec2::new(along.y, -along.x);
    let (from, to) = (middle - along * (0.5 * length), middle + along * (0.5 * length));
    drawing.stroke(Layer::Marks, line(from, to), GRAIN_PEN);
    let head_mm = (0.25 * length).min(2.4);
    let back = to - along * head_mm;
    let mut head = BezPath::new();
    head.move_to(to);
    head.line_to(back + across * (0.35 * head_mm));
    head.line_to(back - across * (0.35 * head_mm));
    head.close_path();
    drawing.push(Layer::Marks, Mark::Fill(head, BLACK));
}

/// A roomy place for words: its middle, and the width and height that are free there, page mm.
fn inside(laid: &Laid, place: &impl Fn(MatPoint) -> Point) -> (Point, f64, f64) {
    let ring: Vec<MatPoint> = laid.cut_line.iter().map(|p| MatPoint::from(place(*p))).collect();
    let Some(bounds) = crate::flat::MatRect::around(ring.iter().copied()) else { return (Point::ORIGIN, 1.0, 1.0) };
    let mut best = (0.0, (Point::ORIGIN, 1.0, 1.0));
    for k in 1..20 {
        let y = bounds.min.y + bounds.height_mm() * f64::from(k) / 20.0;
        let level = MatPoint::new(bounds.min.x, y);
        for (a, b) in crate::polygon::intervals_inside(&ring, level, nalgebra::Vector2::new(1.0, 0.0)) {
            let x = bounds.min.x + 0.5 * (a + b);
            // Free height over the middle three quarters of the stretch.
            let free = [-0.37, 0.0, 0.37].map(|share| {
                let foot = MatPoint::new(x + share * (b - a), y);
                let spans = crate::polygon::intervals_inside(&ring, foot, nalgebra::Vector2::new(0.0, 1.0));
                spans.into_iter().find(|(low, high)| *low <= 0.0 && *high >= 0.0).map_or(0.0, |(l, h)| 2.0 * h.min(-l))
            });
            let (wide, high) = (0.75 * (b - a), free.into_iter().fold(f64::INFINITY, f64::min));
            // Words are about three times as wide as two lines of them are high.
            let score = (wide / 3.0).min(high);
            if score > best.0 {
                best = (score, (Point::new(x, y), wide, high));
            }
        }
    }
    best.1
}

fn note(laid: &Laid) -> String {
    let mut words = if laid.of > 1 {
        let last = laid.copy + laid.layers - 1;
        let which =
            if laid.layers > 1 && !laid.on_fold { format!("{}+{last}", laid.copy) } else { laid.copy.to_string() };
        format!("{which} of {}", laid.of)
    } else {
        "cut 1".to_string()
    };
    for (is, text) in [
        (laid.on_fold, ", on fold"),
        (laid.opened, ", opened out"),
        (laid.mirrored && laid.layers == 1 && !laid.opened, ", face down"),
    ] {
        if is {
            words.push_str(text);
        }
    }
    words
}

fn line(from: Point, to: Point) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(from);
    path.line_to(to);
    path
}
