//! The picture a person judges at a glance: the outline over the flat photo.
//!
//! Solid line: seen. Dashed line in a second colour: weak or bridged. Thin ticks: the printed
//! lines that were used, so that a wrong pitch is seen at once. A scale bar in both units.

mod of_trace;

use ab_glyph::{Font, FontRef, OutlineCurve, Point as GlyphPoint, PxScale, ScaleFont};
use image::RgbImage;
use tiny_skia::{FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Rect, Stroke, StrokeDash, Transform};

use crate::flat::{FlatFrame, FlatPhoto};
use crate::outline::Outline;
use crate::units::{MM_PER_INCH, MatPoint};

pub use of_trace::of_trace;

/// What is drawn over the photo.
#[derive(Debug, Clone, Default)]
pub struct Annotations {
    /// Printed lines that were used: short stretches of them, mat frame.
    pub grid: Vec<[MatPoint; 2]>,
    /// Where two edges meet.
    pub corners: Vec<MatPoint>,
    /// Words at places ("1", "2 fold").
    pub labels: Vec<(MatPoint, String)>,
    /// Marks on the cloth: middle, diameter (mm) and number.
    pub marks: Vec<(MatPoint, f64, String)>,
    /// The edge on the fold.
    pub fold: Option<[MatPoint; 2]>,
    /// Lines of text on the plate at the top.
    pub caption: Vec<String>,
    /// A point is weak where its doubt is over this, mm.
    pub weak_above_mm: f64,
}

const SEEN: Ink = Ink(255, 92, 40);
const WEAK: Ink = Ink(250, 225, 60);
const CASING: Ink = Ink(25, 20, 35);
const GRID: Ink = Ink(70, 225, 235);
const FOLD: Ink = Ink(165, 245, 150);
const MARK: Ink = Ink(90, 200, 255);
const PAPER: Ink = Ink(252, 250, 244);

/// A colour, sRGB.
#[derive(Clone, Copy)]
struct Ink(u8, u8, u8);

/// Draws the annotations over the flat photo.
pub fn draw(flat: &FlatPhoto, outline: &Outline, notes: &Annotations) -> RgbImage {
    let Some(mut canvas) = Canvas::over(flat) else {
        return flat.rgb.clone();
    };
    for side in &notes.grid {
        canvas.line(side, GRID, 0.9, None);
    }
    canvas.outline(outline, notes.weak_above_mm);
    if let Some(fold) = &notes.fold {
        canvas.line(fold, CASING, 3.2, Some(&[14.0, 4.0, 3.0, 4.0]));
        canvas.line(fold, FOLD, 2.0, Some(&[14.0, 4.0, 3.0, 4.0]));
    }
    for corner in &notes.corners {
        canvas.dot(*corner);
    }
    for (at, diameter_mm, number) in &notes.marks {
        let ring: Vec<MatPoint> = (0..=32)
            .map(|k| {
                let turn = f64::from(k) / 32.0 * std::f64::consts::TAU;
                *at + nalgebra::Vector2::new(turn.cos(), turn.sin()) * (0.5 * diameter_mm + 1.5)
            })
            .collect();
        canvas.line(&ring, CASING, 3.0, None);
        canvas.line(&ring, MARK, 1.6, None);
        canvas.tag(*at + nalgebra::Vector2::new(0.5 * diameter_mm + 7.0, 0.0), number);
    }
    for (at, text) in &notes.labels {
        canvas.tag(*at, text);
    }
    canvas.scale_bar();
    canvas.caption(&notes.caption);
    canvas.into_rgb()
}

struct Canvas {
    pixmap: Pixmap,
    frame: FlatFrame,
    /// Size of all drawn things: 1 on a picture of 1600 px.
    unit: f32,
}

impl Canvas {
    fn over(flat: &FlatPhoto) -> Option<Self> {
        let (width, height) = flat.rgb.dimensions();
        let mut pixmap = Pixmap::new(width, height)?;
        for (to, from) in pixmap.data_mut().chunks_exact_mut(4).zip(flat.rgb.as_raw().chunks_exact(3)) {
            to[..3].copy_from_slice(from);
            to[3] = 255;
        }
        Some(Self { pixmap, frame: flat.frame, unit: width.max(height) as f32 / 1600.0 })
    }

    fn into_rgb(self) -> RgbImage {
        let mut rgb = RgbImage::new(self.pixmap.width(), self.pixmap.height());
        for (to, from) in rgb.as_mut().chunks_exact_mut(3).zip(self.pixmap.data().chunks_exact(4)) {
            to.copy_from_slice(&from[..3]);
        }
        rgb
    }

    fn at(&self, mat: MatPoint) -> (f32, f32) {
        let (column, row) = self.frame.flat_from_mat(mat);
        // tiny-skia counts from the pixel's corner.
        (column as f32 + 0.5, row as f32 + 0.5)
    }

    fn path(&self, points: &[MatPoint]) -> Option<Path> {
        let mut builder = PathBuilder::new();
        for (i, p) in points.iter().enumerate() {
            let (x, y) = self.at(*p);
            if i == 0 { builder.move_to(x, y) } else { builder.line_to(x, y) }
        }
        builder.finish()
    }

    fn line(&mut self, points: &[MatPoint], color: Ink, width: f32, dash: Option<&[f32]>) {
        let Some(path) = self.path(points) else { return };
        let scaled = dash.map(|d| d.iter().map(|v| v * self.unit).collect::<Vec<_>>());
        let stroke = Stroke {
            width: width * self.unit,
            line_cap: LineCap::Butt,
            line_join: LineJoin::Round,
            dash: scaled.and_then(|d| StrokeDash::new(d, 0.0)),
            ..Stroke::default()
        };
        self.pixmap.stroke_path(&path, &paint(color), &stroke, Transform::identity(), None);
    }

    fn outline(&mut self, outline: &Outline, weak_above_mm: f64) {
        for (weak, run) in runs(outline, weak_above_mm) {
            let (color, width, dash): (_, _, Option<&[f32]>) =
                if weak { (WEAK, 2.6, Some(&[9.0, 5.0])) } else { (SEEN, 1.8, None) };
            self.line(&run, CASING, width + 1.6, None);
            self.line(&run, color, width, dash);
        }
    }

    fn dot(&mut self, at: MatPoint) {
        let (x, y) = self.at(at);
        for (radius, color) in [(5.5, CASING), (4.0, PAPER)] {
            if let Some(circle) = PathBuilder::from_circle(x, y, radius * self.unit) {
                self.pixmap.fill_path(&circle, &paint(color), FillRule::Winding, Transform::identity(), None);
            }
        }
    }

    fn plate(&mut self, x: f32, y: f32, width: f32, height: f32) {
        if let Some(rect) = Rect::from_xywh(x, y, width, height) {
            let mut fill = paint(PAPER);
            fill.set_color_rgba8(PAPER.0, PAPER.1, PAPER.2, 230);
            self.pixmap.fill_rect(rect, &fill, Transform::identity(), None);
        }
    }

    fn tag(&mut self, at: MatPoint, text: &str) {
        let (x, y) = self.at(at);
        let size = 19.0 * self.unit;
        let width = text_width(text, size);
        self.plate(x - width / 2.0 - 0.3 * size, y - 0.65 * size, width + 0.6 * size, 1.3 * size);
        self.text(x - width / 2.0, y + 0.36 * size, size, text);
    }

    fn text(&mut self, x: f32, baseline: f32, size: f32, text: &str) {
        if let Some(path) = text_path(x, baseline, size, text) {
            self.pixmap.fill_path(&path, &paint(CASING), FillRule::Winding, Transform::identity(), None);
        }
    }

    /// 10 cm and 4 in, one above the other, in the lower left corner.
    fn scale_bar(&mut self) {
        let size = 15.0 * self.unit;
        let px_per_mm = self.frame.px_per_mm;
        let px = |mm: f64| (mm * px_per_mm) as f32;
        let longest = px(4.0 * MM_PER_INCH);
        let (left, bottom) = (1.2 * size, self.pixmap.height() as f32 - 1.2 * size);
        self.plate(left - 0.6 * size, bottom - 3.4 * size, longest + 5.0 * size, 4.0 * size);
        for (row, step_mm, steps, words) in [(0, 10.0, 10, "10 cm"), (1, MM_PER_INCH, 4, "4 in")] {
            let y = bottom - 1.9 * size * row as f32 - 0.9 * size;
            for k in 0..steps {
                let color = if k % 2 == 0 { CASING } else { Ink(235, 235, 240) };
                let rect = Rect::from_xywh(left + px(step_mm * f64::from(k)), y, px(step_mm), 0.6 * size);
                if let Some(rect) = rect {
                    self.pixmap.fill_rect(rect, &paint(color), Transform::identity(), None);
                }
            }
            self.text(left + longest + 0.6 * size, y + 0.65 * size, size, words);
        }
    }

    fn caption(&mut self, lines: &[String]) {
        let size = 17.0 * self.unit;
        let widest = lines.iter().map(|l| text_width(l, size)).fold(0.0, f32::max);
        if lines.is_empty() {
            return;
        }
        self.plate(0.5 * size, 0.5 * size, widest + 1.2 * size, (1.35 * lines.len() as f32 + 0.6) * size);
        for (i, line) in lines.iter().enumerate() {
            self.text(1.1 * size, (1.75 + 1.35 * i as f32) * size, size, line);
        }
    }
}

fn paint(color: Ink) -> Paint<'static> {
    let mut paint = Paint::default();
    paint.set_color_rgba8(color.0, color.1, color.2, 255);
    paint.anti_alias = true;
    paint
}

/// Stretches of the closed outline that are alike (weak or not), each joined to the next.
fn runs(outline: &Outline, weak_above_mm: f64) -> Vec<(bool, Vec<MatPoint>)> {
    let weak = |i: usize| !outline.points[i].seen || outline.points[i].doubt_mm > weak_above_mm;
    let count = outline.points.len();
    let mut runs: Vec<(bool, Vec<MatPoint>)> = Vec::new();
    for i in 0..count {
        let here = outline.points[i].at;
        let next = outline.points[(i + 1) % count].at;
        match runs.last_mut() {
            Some((same, run)) if *same == weak(i) => run.push(next),
            _ => runs.push((weak(i), vec![here, next])),
        }
    }
    runs
}

fn font() -> Option<FontRef<'static>> {
    FontRef::try_from_slice(epaint_default_fonts::UBUNTU_LIGHT).ok()
}

fn text_width(text: &str, size: f32) -> f32 {
    let Some(font) = font() else { return 0.0 };
    let scaled = font.as_scaled(PxScale::from(size));
    text.chars().map(|c| scaled.h_advance(font.glyph_id(c))).sum()
}

/// Outlines of the letters, set from `x` along a baseline.
fn text_path(x: f32, baseline: f32, size: f32, text: &str) -> Option<Path> {
    let font = font()?;
    let scaled = font.as_scaled(PxScale::from(size));
    let factor = scaled.h_scale_factor();
    let mut builder = PathBuilder::new();
    let mut pen = x;
    for c in text.chars() {
        let id = font.glyph_id(c);
        if let Some(outline) = font.outline(id) {
            add_glyph(&mut builder, &outline.curves, |p| (pen + p.x * factor, baseline - p.y * factor));
        }
        pen += scaled.h_advance(id);
    }
    builder.finish()
}

fn add_glyph(builder: &mut PathBuilder, curves: &[OutlineCurve], place: impl Fn(GlyphPoint) -> (f32, f32)) {
    let mut end: Option<GlyphPoint> = None;
    for curve in curves {
        let (from, to) = match curve {
            OutlineCurve::Line(a, b) | OutlineCurve::Quad(a, _, b) | OutlineCurve::Cubic(a, _, _, b) => (*a, *b),
        };
        if end != Some(from) {
            let (x, y) = place(from);
            builder.move_to(x, y);
        }
        let (x, y) = place(to);
        match curve {
            OutlineCurve::Line(..) => builder.line_to(x, y),
            OutlineCurve::Quad(_, c, _) => {
                let (cx, cy) = place(*c);
                builder.quad_to(cx, cy, x, y);
            }
            OutlineCurve::Cubic(_, c, d, _) => {
                let ((cx, cy), (dx, dy)) = (place(*c), place(*d));
                builder.cubic_to(cx, cy, dx, dy, x, y);
            }
        }
        end = Some(to);
    }
}
