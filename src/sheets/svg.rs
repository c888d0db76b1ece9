//! SVG at true size: one user unit is one millimetre, a group for every layer.

use std::fmt::Write as _;

use kurbo::{BezPath, PathEl};

use super::drawing::{self, Anchor, Drawing, Layer, Mark, Pen};
use super::key;
use crate::pattern_file::Pattern;

/// Writes a pattern on one sheet with test squares and a key.
///
/// `width` and `height` are in mm and the view box has the same numbers, so a user unit is a millimetre (SVG 2, 8.2).
pub fn write(pattern: &Pattern) -> String {
    let drawing = key::below(drawing::pieces(pattern));
    let names: Vec<&str> = pattern.pieces.iter().map(|p| p.name.as_str()).collect();
    document(&drawing, &names.join(", "))
}

/// A drawing as an SVG document.
pub fn document(drawing: &Drawing, title: &str) -> String {
    document_with_ids(drawing, title, "")
}

/// A drawing as an SVG document whose ids begin so, for several in one page.
pub fn document_with_ids(drawing: &Drawing, title: &str, prefix: &str) -> String {
    let (wide, high) = (number(drawing.width_mm), number(drawing.height_mm));
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" \
         xmlns:inkscape=\"http://www.inkscape.org/namespaces/inkscape\" width=\"{wide}mm\" height=\"{high}mm\" \
         viewBox=\"0 0 {wide} {high}\">\n<title>{}</title>",
        escaped(title)
    );
    let _ = writeln!(out, "<rect id=\"{prefix}paper\" width=\"{wide}\" height=\"{high}\" fill=\"#ffffff\"/>");
    for layer in Layer::ALL {
        let marks: Vec<&Mark> = drawing.marks.iter().filter(|d| d.layer == layer).map(|d| &d.mark).collect();
        if marks.is_empty() {
            continue;
        }
        let (id, title) = (layer.id(), layer.title());
        let _ = writeln!(
            out,
            "<g id=\"{prefix}{id}\" class=\"{id}\" inkscape:groupmode=\"layer\" inkscape:label=\"{title}\">\n<title>{title}</title>"
        );
        for mark in marks {
            write_mark(&mut out, mark);
        }
        out.push_str("</g>\n");
    }
    out.push_str("</svg>\n");
    out
}

fn write_mark(out: &mut String, mark: &Mark) {
    let _ = match mark {
        Mark::Stroke(path, pen) => writeln!(out, "<path d=\"{}\" {}/>", path_data(path), pen_attributes(pen)),
        Mark::Fill(path, rgb) => writeln!(out, "<path d=\"{}\" fill=\"{}\"/>", path_data(path), colour(*rgb)),
        Mark::Text { at, along, size_mm, anchor, rgb, text } => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
            };
            writeln!(
                out,
                "<text transform=\"matrix({} {} {} {} {} {})\" font-family=\"Ubuntu, 'Ubuntu Light', sans-serif\" \
                 font-size=\"{}\" text-anchor=\"{anchor}\" fill=\"{}\">{}</text>",
                number(along.x),
                number(along.y),
                number(-along.y),
                number(along.x),
                number(at.x),
                number(at.y),
                number(*size_mm),
                colour(*rgb),
                escaped(text)
            )
        }
    };
}

fn pen_attributes(pen: &Pen) -> String {
    let dashes: Vec<String> = pen.dashes_mm.iter().map(|d| number(*d)).collect();
    let dashes = if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{}\"", dashes.join(" ")) };
    // Round joins: a mitred stroke would draw a sharp corner longer than it is.
    format!(
        "fill=\"none\" stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"{dashes}",
        colour(pen.rgb),
        number(pen.width_mm)
    )
}

fn path_data(path: &BezPath) -> String {
    let mut data = String::new();
    let at = |p: &kurbo::Point| format!("{} {}", number(p.x), number(p.y));
    for element in path.elements() {
        let _ = match element {
            PathEl::MoveTo(p) => write!(data, "M{}", at(p)),
            PathEl::LineTo(p) => write!(data, "L{}", at(p)),
            PathEl::QuadTo(p, q) => write!(data, "Q{} {}", at(p), at(q)),
            PathEl::CurveTo(p, q, r) => write!(data, "C{} {} {}", at(p), at(q), at(r)),
            PathEl::ClosePath => write!(data, "Z"),
        };
    }
    data
}

/// Four decimals: a tenth of a micrometre.
fn number(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

fn colour([r, g, b]: [u8; 3]) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// Text made safe for XML; control characters, which XML 1.0 cannot hold, are left out.
pub(crate) fn escaped(text: &str) -> String {
    let mut safe = String::new();
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}
