//! Sheets of reference cards, and a grid sheet, to print at home: drawn at true size, measured by the person afterwards.
//!
//! A card is a coded square of the open marker family tag36h11 with a small square at each corner; on it stand its number
//! and its size, beside it a test square and lines for what a steel rule says of the print.

use kurbo::{BezPath, Point, Rect, Shape};

use crate::reference::cards::family::{self, ACROSS};
use crate::refusal::{Refusal, RefusalKind};
use crate::sheets::drawing::{Anchor, BLACK, Drawing, Layer, Mark, PALE, Pen};
use crate::sheets::tiles::Paper;
use crate::sheets::{pdf, svg};
use crate::units::Length;

/// Most printers leave so much of the paper white, mm.
const MARGIN_MM: f64 = 10.0;
/// The card with its white margin, over the black square.
const WITH_MARGIN: f64 = 1.5;
/// Words beside a card, mm.
const WORDS_MM: f64 = 64.0;
/// Side of the test square, mm.
const TEST_SQUARE_MM: f64 = 50.0;
/// Cells of such a card are too small for a photo of a whole garment below, mm.
const LEAST_CARD_MM: f64 = 40.0;
/// The most cards: a wide table takes a dozen.
const MOST_CARDS: usize = 60;

const THIN_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: BLACK };
const GRID_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: [90, 90, 90] };
const BOLD_PEN: Pen = Pen { width_mm: 0.5, dashes_mm: &[], rgb: BLACK };
const FRAME_PEN: Pen = Pen { width_mm: 0.2, dashes_mm: &[2.0, 2.0], rgb: PALE };

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetOptions {
    /// Side of the black square.
    pub card: Length,
    /// How many cards, numbered from `first`.
    pub count: usize,
    /// Number of the first card: a second household's cards need not have the first's numbers.
    pub first: usize,
    /// Distance between the grid sheet's lines.
    pub grid: Length,
    /// The paper.
    pub paper: Paper,
}

/// The files made.
#[derive(Debug, Clone)]
pub struct Targets {
    /// Pages of cards, then the grid sheet.
    pub pdf: Vec<u8>,
    /// The cards, pages below each other.
    pub cards_svg: String,
    /// The grid sheet.
    pub grid_svg: String,
}

/// Draws the cards and the grid sheet.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for cards that do not fit the paper, or that are too small, and for numbers the family has
/// not got.
pub fn draw(options: &TargetOptions) -> Result<Targets, Refusal> {
    check(options)?;
    let numbers: Vec<usize> = (options.first..options.first + options.count).collect();
    let pages: Vec<Drawing> = numbers.chunks(per_page(options)).map(|some| cards_page(options, some)).collect();
    let grid = grid_sheet(options);
    let all: Vec<&Drawing> = pages.iter().chain([&grid]).collect();
    Ok(Targets {
        pdf: pdf::drawings("Reference cards and grid sheet", &all),
        cards_svg: svg::document(&below_each_other(&pages), "Reference cards"),
        grid_svg: svg::document(&grid, "Grid sheet"),
    })
}

fn per_page(options: &TargetOptions) -> usize {
    let room = options.paper.height_mm - 2.0 * MARGIN_MM;
    (room / (WITH_MARGIN * options.card.mm() + 3.0)).floor() as usize
}

fn check(options: &TargetOptions) -> Result<(), Refusal> {
    let wide = WITH_MARGIN * options.card.mm() + WORDS_MM + 2.0 * MARGIN_MM;
    let bad = |seen: String, advice: &str| Err(Refusal::new(RefusalKind::BadRequest, seen, advice));
    if options.card.mm() < LEAST_CARD_MM {
        return bad(format!("cards of {} are too small to be read in a photo of a garment", options.card), "use 80mm");
    }
    if wide > options.paper.width_mm || per_page(options) == 0 {
        return bad(
            format!("cards of {} with their margin do not fit {} paper", options.card, options.paper.name),
            "use 80mm or less, or larger paper",
        );
    }
    if options.count == 0 || options.count > MOST_CARDS || options.first + options.count > family::codes().len() {
        return bad(
            format!("{} cards from number {} cannot be printed", options.count, options.first),
            "ask for 1 to 60 cards, numbered below 587",
        );
    }
    if !(4.0..=100.0).contains(&options.grid.mm()) {
        return bad(format!("a grid of {} does not suit a sheet of paper", options.grid), "use 1cm or 1/2in");
    }
    Ok(())
}

fn cards_page(options: &TargetOptions, numbers: &[usize]) -> Drawing {
    let mut page =
        Drawing { width_mm: options.paper.width_mm, height_mm: options.paper.height_mm, ..Drawing::default() };
    let high = WITH_MARGIN * options.card.mm() + 3.0;
    for (i, &number) in numbers.iter().enumerate() {
        card(&mut page, Point::new(MARGIN_MM, MARGIN_MM + i as f64 * high), number, options.card);
    }
    page
}

/// A card with its words to the right; `at` is the upper left corner of its margin.
fn card(page: &mut Drawing, at: Point, number: usize, side: Length) {
    let mm = side.mm();
    let whole = WITH_MARGIN * mm;
    page.stroke(Layer::Cut, Rect::new(at.x, at.y, at.x + whole, at.y + whole).to_path(0.1), FRAME_PEN);
    let corner = Point::new(at.x + 0.25 * mm, at.y + 0.25 * mm);
    let cell = mm / ACROSS as f64;
    page.push(Layer::Marks, Mark::Fill(black(number, corner, cell), BLACK));
    let x = at.x + whole + 6.0;
    let mut y = at.y + 8.0;
    let mut line = |size: f64, text: String, step: f64| {
        page.text(Layer::Words, Point::new(x, y), size, Anchor::Start, text);
        y += step;
    };
    line(6.0, format!("Card {number}"), 6.5);
    line(3.6, format!("black square: {mm:.1} mm"), 5.0);
    line(3.2, "print at 100 %, measure, then give".into(), 4.2);
    line(3.2, "--card with what you measured:".into(), 9.0);
    line(3.6, "across  ____________ mm".into(), 8.0);
    line(3.6, "up  ________________ mm".into(), 6.0);
    let top = y;
    let square = Rect::new(x, top, x + TEST_SQUARE_MM, top + TEST_SQUARE_MM);
    page.stroke(Layer::Key, square.to_path(0.1), THIN_PEN);
    let centre = square.center();
    page.text(Layer::Key, Point::new(centre.x, centre.y), 4.5, Anchor::Middle, "test square 50 mm");
    page.text(Layer::Key, Point::new(centre.x, centre.y + 7.0), 3.4, Anchor::Middle, "measured ________ mm");
}

/// The black of a card as one shape, so that no hairline shows between cells: the square, its white cells as holes, and
/// the four small squares.
fn black(number: usize, corner: Point, cell: f64) -> BezPath {
    let last = ACROSS as i32;
    let is_black = |row: i32, column: i32| {
        let inside = |k: i32| (0..last).contains(&k);
        match (inside(row), inside(column)) {
            (true, true) => !family::is_white(number, row as usize, column as usize),
            (false, false) => [-1, last].contains(&row) && [-1, last].contains(&column),
            _ => false,
        }
    };
    // Borders with black on the right, clockwise round black (y down).
    let mut borders: Vec<((i32, i32), (i32, i32))> = Vec::new();
    for row in -1..=last {
        for column in -1..=last {
            if !is_black(row, column) {
                continue;
            }
            let (x, y) = (column, row);
            let sides = [
                ((row - 1, column), (x, y), (x + 1, y)),
                ((row, column + 1), (x + 1, y), (x + 1, y + 1)),
                ((row + 1, column), (x + 1, y + 1), (x, y + 1)),
                ((row, column - 1), (x, y + 1), (x, y)),
            ];
            borders.extend(sides.iter().filter(|(n, ..)| !is_black(n.0, n.1)).map(|(_, a, b)| (*a, *b)));
        }
    }
    let place = |(x, y): (i32, i32)| Point::new(corner.x + f64::from(x) * cell, corner.y + f64::from(y) * cell);
    let mut path = BezPath::new();
    while let Some((start, mut here)) = borders.pop() {
        path.move_to(place(start));
        let mut before = start;
        while here != start {
            path.line_to(place(here));
            // At a point where two cells touch, the turn to the right stays with the cell.
            let way = (here.0 - before.0, here.1 - before.1);
            let turn = |b: &(i32, i32)| way.0 * (b.1 - here.1) - way.1 * (b.0 - here.0);
            let next = borders
                .iter()
                .enumerate()
                .filter(|(_, (from, _))| *from == here)
                .max_by_key(|(_, (_, to))| turn(to))
                .map(|(i, _)| i);
            let Some(i) = next else { break };
            before = here;
            here = borders.swap_remove(i).1;
        }
        path.close_path();
    }
    path
}

/// A sheet ruled all over.
fn grid_sheet(options: &TargetOptions) -> Drawing {
    let Paper { width_mm, height_mm, .. } = options.paper;
    let pitch = options.grid.mm();
    let mut sheet = Drawing { width_mm, height_mm, ..Drawing::default() };
    let words = 8.0;
    let columns = ((width_mm - 2.0 * MARGIN_MM) / pitch).floor();
    let rows = ((height_mm - 2.0 * MARGIN_MM - words) / pitch).floor();
    let (x0, y0) = (0.5 * (width_mm - columns * pitch), MARGIN_MM + words);
    let mut rule = |k: usize, from: Point, to: Point| {
        let mut path = BezPath::new();
        path.move_to(from);
        path.line_to(to);
        sheet.stroke(Layer::Marks, path, if k.is_multiple_of(5) { BOLD_PEN } else { GRID_PEN });
    };
    for k in 0..=columns as usize {
        let x = x0 + k as f64 * pitch;
        rule(k, Point::new(x, y0), Point::new(x, y0 + rows * pitch));
    }
    for k in 0..=rows as usize {
        let y = y0 + k as f64 * pitch;
        rule(k, Point::new(x0, y), Point::new(x0 + columns * pitch, y));
    }
    let text = format!(
        "Grid {}: print at 100 %.  {} squares across should measure {:.1} mm; they measure ________ mm (--measured)",
        options.grid,
        columns as usize,
        columns * pitch
    );
    sheet.text(Layer::Words, Point::new(x0, MARGIN_MM + 4.0), 3.4, Anchor::Start, text);
    sheet
}

/// Pages as one drawing.
fn below_each_other(pages: &[Drawing]) -> Drawing {
    let mut out = Drawing::default();
    for page in pages {
        let down = kurbo::Vec2::new(0.0, out.height_mm);
        page.marks.iter().for_each(|d| out.push(d.layer, shifted(&d.mark, down)));
        out.height_mm += page.height_mm;
        out.width_mm = out.width_mm.max(page.width_mm);
    }
    out
}

fn shifted(mark: &Mark, by: kurbo::Vec2) -> Mark {
    let along = kurbo::Affine::translate(by);
    match mark.clone() {
        Mark::Stroke(path, pen) => Mark::Stroke(along * path, pen),
        Mark::Fill(path, rgb) => Mark::Fill(along * path, rgb),
        Mark::Text { at, along, size_mm, anchor, rgb, text } => {
            Mark::Text { at: at + by, along, size_mm, anchor, rgb, text }
        }
    }
}
