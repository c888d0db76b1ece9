//! A drawing as a picture, for a quick look; not to be printed to scale.

use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder};
use kurbo::PathEl;
use tiny_skia::{Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Stroke, StrokeDash, Transform};
use ttf_parser::OutlineBuilder;

use super::drawing::{Anchor, Drawing, Layer, Mark, Pen};
use super::font;
use crate::refusal::{Refusal, RefusalKind};

/// Longest side of a picture, px.
const LONGEST_PX: f64 = 2400.0;
/// Finest picture, px per mm.
const FINEST: f64 = 8.0;

/// Draws a drawing on white, at most 2400 px long.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a drawing without size.
pub fn write(drawing: &Drawing) -> Result<Vec<u8>, Refusal> {
    let longest = drawing.width_mm.max(drawing.height_mm);
    let empty = || Refusal::new(RefusalKind::BadRequest, "there is nothing to draw", "add a piece first");
    if !longest.is_finite() || longest <= 0.0 {
        return Err(empty());
    }
    let scale = (LONGEST_PX / longest).min(FINEST);
    let side = |mm: f64| (scale * mm).round().max(1.0) as u32;
    let mut pixmap = Pixmap::new(side(drawing.width_mm), side(drawing.height_mm)).ok_or_else(empty)?;
    pixmap.fill(Color::WHITE);
    for layer in Layer::ALL {
        for drawn in drawing.marks.iter().filter(|d| d.layer == layer) {
            draw(&mut pixmap, &drawn.mark, scale as f32);
        }
    }
    let mut bytes = Vec::new();
    PngEncoder::new(&mut bytes)
        .write_image(pixmap.data(), pixmap.width(), pixmap.height(), ExtendedColorType::Rgba8)
        .map_err(|e| {
        Refusal::new(RefusalKind::File, format!("the picture could not be written: {e}"), "report this as a fault")
    })?;
    Ok(bytes)
}

fn draw(pixmap: &mut Pixmap, mark: &Mark, scale: f32) {
    let whole = Transform::from_scale(scale, scale);
    match mark {
        Mark::Stroke(path, pen) => {
            if let Some(path) = skia_path(path) {
                pixmap.stroke_path(&path, &paint(pen.rgb), &stroke(pen, scale), whole, None);
            }
        }
        Mark::Fill(path, rgb) => {
            if let Some(path) = skia_path(path) {
                pixmap.fill_path(&path, &paint(*rgb), FillRule::Winding, whole, None);
            }
        }
        Mark::Text { at, along, size_mm, anchor, rgb, text } => {
            let back = match anchor {
                Anchor::Start => 0.0,
                Anchor::Middle => 0.5 * font::width_mm(text, *size_mm),
            };
            let at = *at - *along * back;
            let (x, y) = (along.x as f32, along.y as f32);
            let turn = Transform::from_row(x, y, -y, x, at.x as f32, at.y as f32);
            if let Some(path) = words(text, *size_mm) {
                pixmap.fill_path(&path, &paint(*rgb), FillRule::Winding, whole.pre_concat(turn), None);
            }
        }
    }
}

/// A line never thinner than is seen.
fn stroke(pen: &Pen, scale: f32) -> Stroke {
    let width = (pen.width_mm as f32).max(0.8 / scale);
    let dash = StrokeDash::new(pen.dashes_mm.iter().map(|d| *d as f32).collect(), 0.0);
    Stroke { width, dash, line_cap: LineCap::Butt, line_join: LineJoin::Round, ..Stroke::default() }
}

fn paint([r, g, b]: [u8; 3]) -> Paint<'static> {
    let mut paint = Paint::default();
    paint.set_color_rgba8(r, g, b, 255);
    paint.anti_alias = true;
    paint
}

fn skia_path(path: &kurbo::BezPath) -> Option<Path> {
    let mut builder = PathBuilder::new();
    for element in path.elements() {
        match element {
            PathEl::MoveTo(p) => builder.move_to(p.x as f32, p.y as f32),
            PathEl::LineTo(p) => builder.line_to(p.x as f32, p.y as f32),
            PathEl::QuadTo(p, q) => builder.quad_to(p.x as f32, p.y as f32, q.x as f32, q.y as f32),
            PathEl::CurveTo(p, q, r) => {
                builder.cubic_to(p.x as f32, p.y as f32, q.x as f32, q.y as f32, r.x as f32, r.y as f32);
            }
            PathEl::ClosePath => builder.close(),
        }
    }
    builder.finish()
}

/// The letters' outlines, baseline from the origin along x, y down, mm.
fn words(text: &str, size_mm: f64) -> Option<Path> {
    let face = font::face()?;
    let scale = (size_mm / f64::from(face.units_per_em())) as f32;
    let mut pen = Letters { builder: PathBuilder::new(), x: 0.0, scale };
    for c in text.chars() {
        let glyph = font::glyph(&face, c);
        face.outline_glyph(glyph, &mut pen);
        pen.x += scale * f32::from(face.glyph_hor_advance(glyph).unwrap_or(0));
    }
    pen.builder.finish()
}

struct Letters {
    builder: PathBuilder,
    x: f32,
    scale: f32,
}

impl Letters {
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        (self.x + self.scale * x, -self.scale * y)
    }
}

impl OutlineBuilder for Letters {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.builder.move_to(x, y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.builder.line_to(x, y);
    }
    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let ((x1, y1), (x, y)) = (self.at(x1, y1), self.at(x, y));
        self.builder.quad_to(x1, y1, x, y);
    }
    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let ((x1, y1), (x2, y2), (x, y)) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.builder.cubic_to(x1, y1, x2, y2, x, y);
    }
    fn close(&mut self) {
        self.builder.close();
    }
}
