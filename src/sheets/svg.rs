//! SVG at true size: one user unit is one millimetre, a group for every layer; of several pieces a group for every piece,
//! layers within it.

use std::fmt::Write as _;

use kurbo::{BezPath, PathEl, Rect, Vec2};

use super::drawing::{self, Anchor, Drawing, Drawn, Group, Layer, Mark, Pen};
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
    if drawing.groups.len() > 1 {
        write_layers(&mut out, prefix, drawing.marks.iter().filter(|d| d.group.is_none()));
        for (index, group) in drawing.groups.iter().enumerate() {
            write_piece(&mut out, prefix, index, group, drawing);
        }
    } else {
        write_layers(&mut out, prefix, drawing.marks.iter());
    }
    out.push_str("</svg>\n");
    out
}

/// One of several pieces: a layer of its own, what its lines are for in layers below it.
fn write_piece(out: &mut String, prefix: &str, index: usize, group: &Group, drawing: &Drawing) {
    let own: Vec<&Drawn> = drawing.marks.iter().filter(|d| d.group == Some(index)).collect();
    if own.is_empty() {
        return;
    }
    let variation = group.variation.as_ref().map_or_else(String::new, |v| format!(" ({v})"));
    let (id, title) = (format!("{prefix}piece-{}", index + 1), escaped(&format!("{}{variation}", group.name)));
    open_layer(out, &id, "piece", &title);
    write_layers(out, &format!("{id}-"), own.into_iter());
    out.push_str("</g>\n");
}

fn write_layers<'a>(out: &mut String, prefix: &str, drawn: impl Iterator<Item = &'a Drawn> + Clone) {
    for layer in Layer::ALL {
        let mut marks = drawn.clone().filter(|d| d.layer == layer).peekable();
        if marks.peek().is_none() {
            continue;
        }
        open_layer(out, &format!("{prefix}{}", layer.id()), layer.id(), layer.title());
        marks.for_each(|d| write_mark(out, &d.mark));
        out.push_str("</g>\n");
    }
}

fn open_layer(out: &mut String, id: &str, class: &str, title: &str) {
    let _ = writeln!(
        out,
        "<g id=\"{id}\" class=\"{class}\" inkscape:groupmode=\"layer\" inkscape:label=\"{title}\">\n<title>{title}</title>"
    );
}

/// A page with a drawing of its own and another seen through a window: shifted by `shift`, clipped to `frame`.
pub fn window(page: &Drawing, seen: &Drawing, shift: Vec2, frame: Rect, title: &str) -> String {
    let (wide, high) = (number(page.width_mm), number(page.height_mm));
    let title = escaped(title);
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{wide}mm\" height=\"{high}mm\" viewBox=\"0 0 {wide} {high}\">\n\
         <title>{title}</title>\n<clipPath id=\"window-{title}\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/></clipPath>\n\
         <rect width=\"{wide}\" height=\"{high}\" fill=\"#ffffff\"/>",
        number(frame.x0),
        number(frame.y0),
        number(frame.width()),
        number(frame.height())
    );
    page.marks.iter().for_each(|drawn| write_mark(&mut out, &drawn.mark));
    let _ = writeln!(
        out,
        "<g clip-path=\"url(#window-{title})\"><g transform=\"translate({} {})\">",
        number(shift.x),
        number(shift.y)
    );
    for layer in Layer::ALL {
        seen.marks.iter().filter(|d| d.layer == layer).for_each(|drawn| write_mark(&mut out, &drawn.mark));
    }
    out.push_str("</g></g>\n</svg>\n");
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
