//! Which part of a drawing goes on which sheet of home-printer paper.
//!
//! Every sheet carries a *window* of the drawing, set in from the paper's edge by more than any printer clips. Windows
//! overlap by a glue strip. A sheet is left out when the part that only it carries has nothing of the piece.

use kurbo::{Point, Rect, Vec2};

use super::drawing::Drawing;
use super::room;
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Window to paper edge, mm. Printers clip up to 5 mm or so.
pub const PAPER_MARGIN_MM: f64 = 10.0;
/// What neighbouring windows share, mm: the glue strip.
pub const OVERLAP_MM: f64 = 15.0;
/// More sheets than this is a mistake in units.
const MOST_SHEETS: usize = 400;

/// Paper for tiles and what the printer leaves white.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TileSheet {
    /// The paper, upright.
    pub paper: Paper,
    /// Window to paper edge, mm: [`PAPER_MARGIN_MM`] unless the printer clips more.
    pub margin_mm: f64,
}

/// Paper for tiles, portrait.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paper {
    /// Its name.
    pub name: &'static str,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
}

impl Paper {
    /// Known sizes: ISO 216 A sizes, and US sizes in inches of 25.4 mm.
    pub const ALL: [Paper; 8] = [
        Paper { name: "A4", width_mm: 210.0, height_mm: 297.0 },
        Paper { name: "A3", width_mm: 297.0, height_mm: 420.0 },
        Paper { name: "A2", width_mm: 420.0, height_mm: 594.0 },
        Paper { name: "A1", width_mm: 594.0, height_mm: 841.0 },
        Paper { name: "A0", width_mm: 841.0, height_mm: 1189.0 },
        Paper { name: "Letter", width_mm: 215.9, height_mm: 279.4 },
        Paper { name: "Legal", width_mm: 215.9, height_mm: 355.6 },
        Paper { name: "Tabloid", width_mm: 279.4, height_mm: 431.8 },
    ];
    /// 210 x 297 mm.
    pub const A4: Paper = Self::ALL[0];
    /// 8.5 x 11 in.
    pub const LETTER: Paper = Self::ALL[5];

    pub(super) fn turned(self) -> Self {
        Self { name: self.name, width_mm: self.height_mm, height_mm: self.width_mm }
    }
}

impl std::str::FromStr for Paper {
    type Err = Refusal;

    /// By name, whatever the case.
    fn from_str(typed: &str) -> Result<Self, Refusal> {
        Self::ALL.into_iter().find(|p| p.name.eq_ignore_ascii_case(typed.trim())).ok_or_else(|| {
            let names: Vec<&str> = Self::ALL.iter().map(|p| p.name).collect();
            Refusal::new(
                RefusalKind::BadRequest,
                format!("there is no paper called \"{typed}\""),
                format!("choose one of {}", names.join(", ")),
            )
        })
    }
}

/// One sheet of paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tile {
    /// Row from the top, from 0.
    pub row: usize,
    /// Column from the left, from 0.
    pub column: usize,
    /// The part of the drawing it carries, drawing millimetres.
    pub window: Rect,
    /// Where its name stands.
    pub name: NameSpot,
}

/// Where a sheet's name stands, clear of the pattern's lines if there is room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NameSpot {
    /// Start of the name's baseline, from the window's top left corner.
    pub by: Vec2,
    /// Height of its letters' body, mm.
    pub size_mm: f64,
    /// Is there room for the pattern's title below?
    pub with_title: bool,
}

impl NameSpot {
    /// Where nothing is in the way: the largest letters and the title.
    const USUAL: NameSpot = NameSpot { by: Vec2::new(22.0, 24.0), size_mm: 14.0, with_title: true };
    /// From large to small; the last is used wherever there is room for nothing better.
    const SIZES: [(f64, bool); 3] = [(14.0, true), (14.0, false), (8.0, false)];
    /// Width of the widest title shown below a name, mm.
    pub const TITLE_MM: f64 = 80.0;

    /// Width and height of name and words.
    fn block((size_mm, with_title): (f64, bool)) -> (f64, f64) {
        (if with_title { Self::TITLE_MM } else { 2.0 * size_mm }, 0.8 * size_mm + 7.0)
    }
}

impl Tile {
    /// Row letter and column number: A1 is the top left.
    pub fn label(&self) -> String {
        label(self.row, self.column)
    }
}

/// Row letter (A to Z, then AA, AB ...) and column number from 1.
pub fn label(row: usize, column: usize) -> String {
    let letter = |n: usize| char::from(b'A' + (n % 26) as u8);
    let letters: String =
        if row < 26 { letter(row).into() } else { [letter(row / 26 - 1), letter(row)].iter().collect() };
    format!("{letters}{}", column + 1)
}

/// How a drawing is spread over sheets.
#[derive(Debug, Clone, PartialEq)]
pub struct TilePlan {
    /// The paper as it lies: wider than high if turned.
    pub paper: Paper,
    /// Window to paper edge, mm.
    pub margin_mm: f64,
    /// Columns of the whole grid, blank sheets included.
    pub columns: usize,
    /// Rows of the whole grid, blank sheets included.
    pub rows: usize,
    /// Sheets to print, row by row.
    pub tiles: Vec<Tile>,
}

impl TilePlan {
    /// The part of a sheet's window that is not cut off, glued over or written on by its joins.
    pub fn free_of_joins(&self, tile: &Tile) -> Rect {
        // Own edges carry diamonds and words, up to 6 mm in; the strips are the next sheets', diamonds reach 3.5 mm out of them.
        const OWN_EDGE_MM: f64 = 7.0;
        const STRIP_MM: f64 = OVERLAP_MM + 4.0;
        let (row, column) = (tile.row, tile.column);
        let has = |r: Option<usize>, c: Option<usize>| r.zip(c).is_some_and(|(r, c)| self.has(r, c));
        let inset = |there: bool, mm: f64| if there { mm + 1.0 } else { 1.0 };
        let w = tile.window;
        Rect::new(
            w.x0 + inset(has(Some(row), column.checked_sub(1)), OWN_EDGE_MM),
            w.y0 + inset(has(row.checked_sub(1), Some(column)), OWN_EDGE_MM),
            w.x1 - inset(has(Some(row), Some(column + 1)), STRIP_MM),
            w.y1 - inset(has(Some(row + 1), Some(column)), STRIP_MM),
        )
    }

    /// Is there a sheet at this place of the grid?
    pub fn has(&self, row: usize, column: usize) -> bool {
        self.tiles.iter().any(|t| t.row == row && t.column == column)
    }
}

/// The tiles named by their labels, or all.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a label that no tile has.
pub fn chosen(plan: &TilePlan, only: Option<&[String]>) -> Result<Vec<Tile>, Refusal> {
    let Some(only) = only else { return Ok(plan.tiles.clone()) };
    if let Some(wrong) = only.iter().find(|w| !plan.tiles.iter().any(|t| t.label().eq_ignore_ascii_case(w.trim()))) {
        let labels: Vec<String> = plan.tiles.iter().map(Tile::label).collect();
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("there is no sheet {wrong}"),
            format!("the sheets are {}", labels.join(", ")),
        ));
    }
    let wanted = |t: &&Tile| only.iter().any(|w| t.label().eq_ignore_ascii_case(w.trim()));
    Ok(plan.tiles.iter().filter(wanted).copied().collect())
}

/// Spreads a drawing over sheets, upright or turned, whichever needs fewer.
///
/// # Errors
/// [`RefusalKind::BadRequest`] when there is nothing to spread, the margins leave no paper, or it would take more than
/// 400 sheets.
pub fn plan(drawing: &Drawing, sheet: &TileSheet) -> Result<TilePlan, Refusal> {
    let upright = spread(drawing, sheet.paper, sheet.margin_mm)?;
    let turned = spread(drawing, sheet.paper.turned(), sheet.margin_mm)?;
    Ok(if turned.tiles.len() < upright.tiles.len() { turned } else { upright })
}

/// Width and height of the window a sheet carries, mm.
///
/// # Errors
/// [`RefusalKind::BadRequest`] when the margins leave less than 5 cm beside the glue strip.
pub fn window(paper: Paper, margin_mm: f64) -> Result<(f64, f64), Refusal> {
    let (wide, high) = (paper.width_mm - 2.0 * margin_mm, paper.height_mm - 2.0 * margin_mm);
    if margin_mm >= 0.0 && wide.min(high) >= OVERLAP_MM + 50.0 {
        return Ok((wide, high));
    }
    Err(Refusal::new(
        RefusalKind::BadRequest,
        format!(
            "a printer margin of {margin_mm} mm leaves too little of {} ({} x {} mm)",
            paper.name, paper.width_mm, paper.height_mm
        ),
        "give the margin your printer really leaves white, such as 8mm, or larger paper",
    ))
}

pub(super) fn spread(drawing: &Drawing, paper: Paper, margin_mm: f64) -> Result<TilePlan, Refusal> {
    let (wide, high) = window(paper, margin_mm)?;
    let bounds = drawing.cut_rings.iter().flatten().fold(None, |rect: Option<Rect>, p| {
        let at = kurbo::Point::from(*p);
        Some(rect.map_or(Rect::from_points(at, at), |r| r.union_pt(at)))
    });
    let Some(bounds) = bounds.map(|b| b.inset(2.0)) else {
        return Err(Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first"));
    };
    let count = |size: f64, window: f64| ((size - OVERLAP_MM) / (window - OVERLAP_MM)).ceil().max(1.0) as usize;
    let (columns, rows) = (count(bounds.width(), wide), count(bounds.height(), high));
    if columns.saturating_mul(rows) > MOST_SHEETS {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("the pattern would take {columns} x {rows} sheets of {}", paper.name),
            "check its units, or choose larger paper",
        ));
    }
    let (step_x, step_y) = (wide - OVERLAP_MM, high - OVERLAP_MM);
    // The piece sits in the middle of the grid, so that no sheet carries a sliver.
    // On tenths of a millimetre, so that pictures of sheets at 10 px a mm fit each other pixel for pixel.
    let tenth = |mm: f64| (10.0 * mm).round() / 10.0;
    let left = tenth(bounds.x0 - 0.5 * (columns as f64 * step_x + OVERLAP_MM - bounds.width()));
    let top = tenth(bounds.y0 - 0.5 * (rows as f64 * step_y + OVERLAP_MM - bounds.height()));
    let mut tiles = Vec::new();
    for row in 0..rows {
        for column in 0..columns {
            let (x, y) = (left + column as f64 * step_x, top + row as f64 * step_y);
            // The glue strips at right and bottom are also carried by the next sheets.
            let own_wide = if column + 1 < columns { step_x } else { wide };
            let own_high = if row + 1 < rows { step_y } else { high };
            let own = Rect::new(x, y, x + own_wide, y + own_high).inset(0.5);
            if drawing.cut_rings.iter().any(|ring| meets(ring, own)) {
                tiles.push(Tile { row, column, window: Rect::new(x, y, x + wide, y + high), name: NameSpot::USUAL });
            }
        }
    }
    Ok(TilePlan { paper, margin_mm, columns, rows, tiles })
}

/// Finds every sheet's name a place clear of what is drawn.
pub(super) fn find_names(plan: &mut TilePlan, drawing: &Drawing) {
    /// Between a name and a line, mm.
    const CLEAR_MM: f64 = 2.0;
    let ink = room::ink(drawing);
    let rooms: Vec<Rect> = plan.tiles.iter().map(|t| plan.free_of_joins(t).inset(-3.0)).collect();
    for (tile, free) in plan.tiles.iter_mut().zip(rooms) {
        let own: Vec<Point> = ink.iter().filter(|p| tile.window.contains(**p)).copied().collect();
        let found = NameSpot::SIZES.into_iter().find_map(|size| {
            let (wide, high) = NameSpot::block(size);
            let at = room::first_clear(&own, free, (0.5 * wide, 0.5 * high), CLEAR_MM)?;
            // The baseline lies below the letters' height, the words below it.
            let start = Point::new(at.x - 0.5 * wide, at.y - 0.5 * high + 0.8 * size.0);
            Some(NameSpot { by: start - tile.window.origin(), size_mm: size.0, with_title: size.1 })
        });
        if let Some(found) = found {
            tile.name = found;
        }
    }
}

/// Do a filled ring and a rectangle have anything in common?
fn meets(ring: &[MatPoint], rect: Rect) -> bool {
    let corners = [
        MatPoint::new(rect.x0, rect.y0),
        MatPoint::new(rect.x1, rect.y0),
        MatPoint::new(rect.x1, rect.y1),
        MatPoint::new(rect.x0, rect.y1),
    ];
    ring.iter().any(|p| rect.contains(kurbo::Point::from(*p)))
        || corners.iter().any(|c| polygon::contains(ring, *c))
        || polygon::sides(ring).any(|side| polygon::sides(&corners).any(|wall| polygon::crossing(side, wall).is_some()))
}
