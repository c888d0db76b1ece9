//! PDF at true size: one full-size page, or tiles for home-printer paper.
//!
//! Lengths are exact: the page matrix scales millimetres to points (1 pt = 1/72 in, ISO 32000-1, 8.3.2) and everything
//! is drawn in millimetres. Print scaling is switched off (ISO 32000-1, 12.2). The bytes depend on nothing but the
//! pattern: no dates, no random identifiers.

mod cover;
mod document;

use kurbo::{BezPath, Point, Rect, Shape, Vec2};

use super::drawing::{self, Anchor, BLACK, Drawing, Group, Layer, Mark, PALE, Pen};
use super::key;
use super::tiles::{self, NameSpot, OVERLAP_MM, PAPER_MARGIN_MM, Paper, Tile, TilePlan, TileSheet};
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind};
use document::{Page, Part};

/// Largest page side that viewers must accept, points (PDF Reference 1.6, appendix C); 5080 mm.
const LARGEST_PT: f64 = 14_400.0;
/// Points in a millimetre.
const PT_PER_MM: f64 = 72.0 / 25.4;

const JOIN_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[], rgb: BLACK };
const STRIP_PEN: Pen = Pen { width_mm: 0.25, dashes_mm: &[1.5, 1.5], rgb: BLACK };
const FRAME_PEN: Pen = Pen { width_mm: 0.2, dashes_mm: &[], rgb: PALE };

/// One page as large as the pattern.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a pattern without pieces, or larger than the 5.08 m a PDF page can be.
pub fn full_page(pattern: &Pattern) -> Result<Vec<u8>, Refusal> {
    if pattern.pieces.is_empty() {
        return Err(Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first"));
    }
    pages(&title(pattern), &[key::below(drawing::pieces(pattern))])
}

/// One page for every drawing, each as large as its drawing. All must have the same groups.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for no drawings, one without pieces, or one larger than the 5.08 m a PDF page can be.
pub fn pages<'a>(title: &str, drawings: &'a [Drawing]) -> Result<Vec<u8>, Refusal> {
    if drawings.is_empty() || drawings.iter().any(|d| d.marks.is_empty()) {
        return Err(Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first"));
    }
    let longest = drawings.iter().map(|d| d.width_mm.max(d.height_mm)).fold(0.0, f64::max);
    if longest * PT_PER_MM > LARGEST_PT {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("the sheet would be {longest:.0} mm long, and a PDF page is at most 5080 mm"),
            "print it in tiles",
        ));
    }
    let page = |drawing: &'a Drawing| Page {
        width_mm: drawing.width_mm,
        height_mm: drawing.height_mm,
        parts: vec![Part { drawing, shift: Vec2::ZERO, clip: None }],
    };
    let pages: Vec<Page<'a>> = drawings.iter().map(page).collect();
    Ok(document::write(title, &pages, groups_of(drawings)))
}

fn groups_of(drawings: &[Drawing]) -> &[Group] {
    drawings.first().map(|d| d.groups.as_slice()).unwrap_or_default()
}

/// Any drawings, a page each, at true size.
pub fn drawings(title: &str, drawings: &[&Drawing]) -> Vec<u8> {
    let pages: Vec<Page<'_>> = drawings
        .iter()
        .map(|&drawing| Page {
            width_mm: drawing.width_mm,
            height_mm: drawing.height_mm,
            parts: vec![Part { drawing, shift: Vec2::ZERO, clip: None }],
        })
        .collect();
    document::write(title, &pages, &[])
}

/// A cover with test squares, key and page map, then one page a sheet.
///
/// # Errors
/// Those of [`tiles::plan`].
pub fn tiled(pattern: &Pattern, paper: Paper) -> Result<Vec<u8>, Refusal> {
    let sheet = TileSheet { paper, margin_mm: PAPER_MARGIN_MM };
    let (drawing, plan) = super::arrange::tiled(pattern, &sheet)?;
    tiles(&title(pattern), &drawing, &plan, &sheet, None)
}

/// A cover, then the tiles of a plan, or only those named.
///
/// # Errors
/// [`RefusalKind::BadRequest`] for a tile that is not in the plan.
pub fn tiles(
    title: &str,
    drawing: &Drawing,
    plan: &TilePlan,
    sheet: &TileSheet,
    only: Option<&[String]>,
) -> Result<Vec<u8>, Refusal> {
    let chosen = tiles::chosen(plan, only)?;
    let cover = cover::draw(title, sheet.paper, plan, drawing, chosen.len());
    let joins: Vec<Drawing> = chosen.iter().map(|tile| joining(title, plan, tile)).collect();
    let mut pages = vec![Page {
        width_mm: sheet.paper.width_mm,
        height_mm: sheet.paper.height_mm,
        parts: vec![Part { drawing: &cover, shift: Vec2::ZERO, clip: None }],
    }];
    for (tile, join) in chosen.iter().zip(&joins) {
        let frame = frame_of(plan);
        let shift = frame.origin() - tile.window.origin();
        pages.push(Page {
            width_mm: plan.paper.width_mm,
            height_mm: plan.paper.height_mm,
            parts: vec![
                Part { drawing: join, shift: Vec2::ZERO, clip: Some(frame.inset(FRAME_PEN.width_mm)) },
                Part { drawing, shift, clip: Some(frame) },
            ],
        });
    }
    Ok(document::write(title, &pages, &drawing.groups))
}

/// The pages of [`tiles`] as SVG documents, for looking at: cover first, each as it will come out of the printer.
///
/// # Errors
/// As [`tiles`].
pub fn tile_pictures(
    title: &str,
    drawing: &Drawing,
    plan: &TilePlan,
    sheet: &TileSheet,
) -> Result<Vec<String>, Refusal> {
    let chosen = tiles::chosen(plan, None)?;
    let cover = cover::draw(title, sheet.paper, plan, drawing, chosen.len());
    let mut pages = vec![super::svg::document_with_ids(&cover, title, "cover-")];
    for tile in &chosen {
        let join = joining(title, plan, tile);
        let frame = frame_of(plan);
        let shift = frame.origin() - tile.window.origin();
        pages.push(super::svg::window(&join, drawing, shift, frame, &tile.label()));
    }
    Ok(pages)
}

/// The pattern's name, else the names of its pieces, for titles.
pub fn title(pattern: &Pattern) -> String {
    if let Some(name) = &pattern.name {
        return name.clone();
    }
    pattern.pieces.iter().map(|p| p.name.as_str()).collect::<Vec<_>>().join(", ")
}

/// Where the window lies on the paper.
fn frame_of(plan: &TilePlan) -> Rect {
    let margin = plan.margin_mm;
    Rect::new(margin, margin, plan.paper.width_mm - margin, plan.paper.height_mm - margin)
}

/// The frame of one sheet, its joins and its name.
fn joining(title: &str, plan: &TilePlan, tile: &Tile) -> Drawing {
    let frame = frame_of(plan);
    let mut drawing = Drawing { width_mm: plan.paper.width_mm, height_mm: plan.paper.height_mm, ..Drawing::default() };
    drawing.stroke(Layer::Joining, frame.to_path(0.1), FRAME_PEN);
    let (row, column) = (tile.row, tile.column);
    let above = row > 0 && plan.has(row - 1, column);
    let left = column > 0 && plan.has(row, column - 1);
    let right = plan.has(row, column + 1);
    let below = plan.has(row + 1, column);
    let corner = |x, y| Point::new(x, y);
    if left {
        let join = (corner(frame.x0, frame.y0), corner(frame.x0, frame.y1));
        own_edge(&mut drawing, join);
    }
    if above {
        let join = (corner(frame.x0, frame.y0), corner(frame.x1, frame.y0));
        own_edge(&mut drawing, join);
    }
    if right {
        let x = frame.x1 - OVERLAP_MM;
        glue_strip(&mut drawing, (corner(x, frame.y0), corner(x, frame.y1)), &tiles::label(row, column + 1));
    }
    if below {
        let y = frame.y1 - OVERLAP_MM;
        glue_strip(&mut drawing, (corner(frame.x0, y), corner(frame.x1, y)), &tiles::label(row + 1, column));
    }
    name_sheet(&mut drawing, title, plan, tile, frame);
    drawing
}

/// The edge of this sheet that is trimmed and laid on its neighbour's glue strip.
fn own_edge(drawing: &mut Drawing, (from, to): (Point, Point)) {
    drawing.stroke(Layer::Joining, line(from, to), JOIN_PEN);
    diamonds(drawing, from, to);
    let inward = inward_of(from, to);
    let at = from.lerp(to, 0.375) + inward * if from.x == to.x { 4.0 } else { 4.5 };
    small_text(drawing, at, from, to, "cut along this edge");
}

/// The strip that the neighbour is glued on, its line and diamonds where the neighbour's edge goes.
fn glue_strip(drawing: &mut Drawing, (from, to): (Point, Point), neighbour: &str) {
    drawing.stroke(Layer::Joining, line(from, to), STRIP_PEN);
    diamonds(drawing, from, to);
    let inward = inward_of(from, to);
    small_text(
        drawing,
        from.lerp(to, 0.375) + inward * 7.5,
        from,
        to,
        &format!("glue {neighbour} here, edge on the line"),
    );
}

fn line(from: Point, to: Point) -> BezPath {
    let mut path = BezPath::new();
    path.move_to(from);
    path.line_to(to);
    path
}

/// Right of a downward join, down from a level one: towards the overlap.
fn inward_of(from: Point, to: Point) -> Vec2 {
    if from.x == to.x { Vec2::new(1.0, 0.0) } else { Vec2::new(0.0, 1.0) }
}

/// Marks that sit across the join: halves on one sheet, whole on the other.
fn diamonds(drawing: &mut Drawing, from: Point, to: Point) {
    let along = (to - from).normalize();
    let across = Vec2::new(-along.y, along.x);
    for (i, share) in [0.25, 0.5, 0.75].into_iter().enumerate() {
        let at = from.lerp(to, share);
        // One, two, three diamonds: a sheet laid on the wrong way round shows.
        for k in 0..=i {
            let centre = at + along * (9.0 * (k as f64 - 0.5 * i as f64));
            let mut diamond = BezPath::new();
            diamond.move_to(centre + along * 3.5);
            diamond.line_to(centre + across * 3.5);
            diamond.line_to(centre - along * 3.5);
            diamond.line_to(centre - across * 3.5);
            diamond.close_path();
            drawing.stroke(Layer::Joining, diamond, JOIN_PEN);
        }
    }
}

fn small_text(drawing: &mut Drawing, at: Point, from: Point, to: Point, text: &str) {
    let along = if from.x == to.x { Vec2::new(0.0, -1.0) } else { Vec2::new(1.0, 0.0) };
    let text = text.to_string();
    drawing.push(Layer::Joining, Mark::Text { at, along, size_mm: 3.0, anchor: Anchor::Middle, rgb: BLACK, text });
}

fn name_sheet(drawing: &mut Drawing, title: &str, plan: &TilePlan, tile: &Tile, frame: Rect) {
    let number = plan.tiles.iter().position(|t| t == tile).unwrap_or(0) + 1;
    let spot = tile.name;
    let at = frame.origin() + spot.by;
    let (along, size_mm, text) = (Vec2::new(1.0, 0.0), spot.size_mm, tile.label());
    drawing.push(Layer::Joining, Mark::Text { at, along, size_mm, anchor: Anchor::Start, rgb: PALE, text });
    let count = format!("sheet {number} of {}", plan.tiles.len());
    let full = format!("{}: {count}", super::font::writable(title));
    let fits = spot.with_title && super::width_mm(&full, 3.0) <= NameSpot::TITLE_MM;
    let words = if fits { full } else { count };
    drawing.text(Layer::Joining, Point::new(at.x, at.y + 6.0), 3.0, Anchor::Start, words);
}
