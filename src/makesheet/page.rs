//! The make sheet as one printed page.

use kurbo::{Point, Rect};

use super::MakeSheet;
use crate::pattern_file::Pattern;
use crate::sheets::drawing::{Anchor, Drawing, Layer};
use crate::sheets::tiles::Paper;
use crate::sheets::{miniature, width_mm, writable};
use crate::units::for_either_tape;

const LEFT_MM: f64 = 15.0;
const TOP_MM: f64 = 15.0;
/// Letters where there is room, and the smallest that can be read, mm.
const LARGE_MM: f64 = 3.6;
const SMALL_MM: f64 = 2.2;
const PICTURE_HIGH_MM: f64 = 62.0;

/// One line of the page.
enum Line {
    Heading(String),
    Words(String),
}

/// Draws the sheet on one page of upright paper, letters as large as fit.
pub fn draw(sheet: &MakeSheet, pattern: &Pattern, paper: Paper) -> Drawing {
    let lines = lines(sheet);
    let room = paper.height_mm - 2.0 * TOP_MM - PICTURE_HIGH_MM - 14.0;
    let width = paper.width_mm - 2.0 * LEFT_MM;
    let mut size = LARGE_MM;
    let mut set = broken(&lines, size, width);
    while high(&set, size) > room && size > SMALL_MM {
        size = (0.95 * size).max(SMALL_MM);
        set = broken(&lines, size, width);
    }
    let mut page = Drawing { width_mm: paper.width_mm, height_mm: paper.height_mm, ..Drawing::default() };
    page.text(Layer::Words, Point::new(LEFT_MM, TOP_MM + 6.0), 7.0, Anchor::Start, writable(&sheet.title));
    let picture = Rect::new(LEFT_MM, TOP_MM + 10.0, LEFT_MM + width, TOP_MM + 10.0 + PICTURE_HIGH_MM);
    add_picture(&mut page, pattern, picture);
    let mut y = picture.y1 + 6.0;
    for line in &set {
        let (text, size, above) = match line {
            Line::Heading(text) => (text, 1.2 * size, 0.9 * size),
            Line::Words(text) => (text, size, 0.0),
        };
        y += above + 1.3 * size;
        page.text(Layer::Words, Point::new(LEFT_MM, y), size, Anchor::Start, writable(text));
    }
    // Words that are too many even so run off the foot rather than being left out: the page grows.
    page.height_mm = page.height_mm.max(y + TOP_MM);
    page
}

fn lines(sheet: &MakeSheet) -> Vec<Line> {
    let mut lines = vec![Line::Heading("Cut".into())];
    let words = |lines: &mut Vec<Line>, text: String| lines.push(Line::Words(text));
    for row in &sheet.pieces {
        words(&mut lines, format!("{}: {} ({})", row.name, row.cut, row.cloth));
    }
    lines.push(Line::Heading("Buy".into()));
    sheet.buy.iter().for_each(|t| words(&mut lines, format!("- {t}")));
    if !sheet.steps.is_empty() {
        lines.push(Line::Heading("Sew, in this order".into()));
    }
    for (i, step) in sheet.steps.iter().enumerate() {
        let off = if step.agrees { "" } else { " THE TWO DO NOT AGREE: check before you sew." };
        words(&mut lines, format!("{}. {}{}.{off}", i + 1, step.text, step.lengths()));
    }
    let rows =
        [("Finished measurements", &sheet.finished), ("Finished lengths along the stitching line", &sheet.measures)];
    for (title, rows) in rows.into_iter().filter(|(_, rows)| !rows.is_empty()) {
        lines.push(Line::Heading(title.into()));
        for alike in rows.chunk_by(|a, b| a.of == b.of) {
            let all: Vec<String> =
                alike.iter().map(|m| format!("{}: {}", m.what, for_either_tape(m.length_mm))).collect();
            let of = alike[0].of.as_ref().map_or(String::new(), |piece| format!("{piece} - "));
            words(&mut lines, format!("{of}{}", all.join("; ")));
        }
    }
    lines.push(Line::Heading("Take care".into()));
    sheet.cautions.iter().for_each(|t| words(&mut lines, format!("- {t}")));
    if !sheet.notes.is_empty() {
        lines.push(Line::Heading("Not known".into()));
        sheet.notes.iter().for_each(|t| words(&mut lines, format!("- {t}")));
    }
    lines
}

/// Lines broken between words to a width.
fn broken(lines: &[Line], size: f64, width: f64) -> Vec<Line> {
    let mut set = Vec::new();
    for line in lines {
        match line {
            Line::Heading(text) => set.push(Line::Heading(text.clone())),
            Line::Words(text) => {
                let mut now = String::new();
                for word in text.split_whitespace() {
                    let longer = if now.is_empty() { word.to_string() } else { format!("{now} {word}") };
                    if width_mm(&writable(&longer), size) > width && !now.is_empty() {
                        set.push(Line::Words(std::mem::replace(&mut now, format!("   {word}"))));
                    } else {
                        now = longer;
                    }
                }
                set.push(Line::Words(now));
            }
        }
    }
    set
}

fn high(lines: &[Line], size: f64) -> f64 {
    let of = |line: &Line| match line {
        Line::Heading(_) => 0.9 * size + 1.56 * size,
        Line::Words(_) => 1.3 * size,
    };
    lines.iter().map(of).sum()
}

/// The pieces small, across the top of the page.
fn add_picture(page: &mut Drawing, pattern: &Pattern, room: Rect) {
    let small = miniature::draw(pattern, (room.width(), room.height()), false);
    let shift = room.origin().to_vec2();
    page.marks.extend(small.marks.into_iter().map(|drawn| drawn.moved(shift)));
}
