//! Where the pieces lie on paper: packed to save it, turned as they like (grain does not matter on paper), never mirrored.

use kurbo::{Affine, Point, Rect, Vec2};
use nalgebra::Vector2;

use super::drawing::{self, Drawing, Placement};
use super::key;
use super::tiles::{self, OVERLAP_MM, Paper, TilePlan, TileSheet};
use crate::lay::nest::{Effort, Shape, Strip, Variant, nest};
use crate::pattern_file::Pattern;
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// Between cut lines on paper, mm: room for scissors, and for the line's own width.
const GAP_MM: f64 = 4.0;
/// Work for one try at a sheet, queries a piece: a fraction of a second, there are several tries.
const QUERIES_PER_PIECE: u64 = 350;
/// Columns of tiles tried.
const MOST_COLUMNS: usize = 8;
/// Room for test squares and key at the foot of a large sheet, mm.
const KEY_ROOM_MM: f64 = key::KEY_HIGH_MM + 8.0;
/// Least distance of a moved label to the piece's lines, mm.
const LABEL_CLEAR_MM: f64 = 3.0;

/// Pieces placed in a frame of a given width that grows downwards.
struct Packed {
    places: Vec<Placement>,
    length_mm: f64,
}

/// For the home printer: the arrangement that needs the fewest sheets of those tried.
///
/// # Errors
/// Those of [`tiles::plan`].
pub fn tiled(pattern: &Pattern, sheet: &TileSheet) -> Result<(Drawing, TilePlan), Refusal> {
    let plain = drawing::side_by_side(pattern);
    let plain_drawing = drawing::placed(pattern, &plain);
    let mut best = (tiles::plan(&plain_drawing, sheet), plain);
    if pattern.pieces.len() > 1 {
        for paper in [sheet.paper, sheet.paper.turned()] {
            let (wide, _) = tiles::window(paper, sheet.margin_mm)?;
            for columns in 1..=MOST_COLUMNS {
                // The bounds of the pieces are widened by 2 mm a side for their lines.
                let width = wide + (columns - 1) as f64 * (wide - OVERLAP_MM) - 4.5;
                let Some(packed) = pack(pattern, &all(pattern), width) else { continue };
                let found = tiles::spread(&drawing::placed(pattern, &packed.places), paper, sheet.margin_mm);
                let fewer = match (&found, &best.0) {
                    (Ok(new), Ok(old)) => new.tiles.len() < old.tiles.len(),
                    (Ok(_), Err(_)) => true,
                    _ => false,
                };
                if fewer {
                    best = (found, packed.places);
                }
                if width > plain_drawing.width_mm {
                    break;
                }
            }
        }
    }
    let (plan, mut places) = best;
    let plan = plan?;
    clear_labels(pattern, &mut places, &plan);
    Ok((drawing::placed(pattern, &places), plan))
}

/// For the copy shop: whole pieces on as few sheets as found, the first with test squares and key.
///
/// # Errors
/// [`RefusalKind::DoesNotFit`] for a piece larger than the sheet; [`RefusalKind::BadRequest`] for no pieces.
pub fn on_sheets(pattern: &Pattern, paper: Paper, margin_mm: f64) -> Result<Vec<Drawing>, Refusal> {
    let (wide, high) = tiles::window(paper, margin_mm)?;
    let mut order = all(pattern);
    let area = |i: &usize| pattern.pieces.get(*i).map_or(0.0, |p| polygon::signed_area(&p.cut_line).abs());
    order.sort_by(|a, b| area(b).total_cmp(&area(a)));
    let mut sheets: Vec<(Vec<usize>, Packed)> = Vec::new();
    for piece in order {
        let mut home = None;
        for (k, (on_it, _)) in sheets.iter().enumerate() {
            let room = high - if k == 0 { KEY_ROOM_MM } else { 0.0 };
            let together: Vec<usize> = on_it.iter().copied().chain([piece]).collect();
            if together.iter().map(area).sum::<f64>() > 0.95 * wide * room {
                continue;
            }
            if let Some(packed) = pack(pattern, &together, wide).filter(|p| p.length_mm <= room) {
                home = Some((k, together, packed));
                break;
            }
        }
        match home {
            Some((k, together, packed)) => {
                if let Some(sheet) = sheets.get_mut(k) {
                    *sheet = (together, packed);
                }
            }
            None => {
                let alone = pack(pattern, &[piece], wide);
                let fits = alone.filter(|p| p.length_mm <= high).ok_or_else(|| too_large(pattern, piece, paper))?;
                if sheets.is_empty() && fits.length_mm > high - KEY_ROOM_MM {
                    // The first sheet is for the squares and whatever fits beside them.
                    sheets.push((Vec::new(), Packed { places: Vec::new(), length_mm: 0.0 }));
                }
                sheets.push((vec![piece], fits));
            }
        }
    }
    if sheets.is_empty() {
        return Err(no_pieces());
    }
    let draw = |(k, (_, packed)): (usize, &(Vec<usize>, Packed))| {
        let mut drawing = drawing::placed(pattern, &shifted(&packed.places, Vec2::new(margin_mm, margin_mm)));
        (drawing.width_mm, drawing.height_mm) = (paper.width_mm, paper.height_mm);
        if k == 0 {
            key::at(&mut drawing, Point::new(margin_mm, paper.height_mm - margin_mm - key::KEY_HIGH_MM));
        }
        drawing
    };
    Ok(sheets.iter().enumerate().map(draw).collect())
}

fn too_large(pattern: &Pattern, piece: usize, paper: Paper) -> Refusal {
    let name = pattern.pieces.get(piece).map_or("a piece", |p| p.name.as_str());
    Refusal::new(
        RefusalKind::DoesNotFit,
        format!("{name} does not fit on one sheet of {}", paper.name),
        "use a roll (--paper 36in), larger paper, or let it be tiled",
    )
}

fn no_pieces() -> Refusal {
    Refusal::new(RefusalKind::BadRequest, "the pattern has no pieces", "add a piece first")
}

/// For a plotter: everything on one length of a roll, with test squares and key at its end.
///
/// # Errors
/// [`RefusalKind::DoesNotFit`] when a piece is wider than the roll; [`RefusalKind::BadRequest`] for no pieces.
pub fn on_roll(pattern: &Pattern, width_mm: f64, margin_mm: f64) -> Result<Drawing, Refusal> {
    if pattern.pieces.is_empty() {
        return Err(no_pieces());
    }
    let inner = width_mm - 2.0 * margin_mm;
    let packed = (inner > 0.0).then(|| pack(pattern, &all(pattern), inner)).flatten().ok_or_else(|| {
        Refusal::new(
            RefusalKind::DoesNotFit,
            format!("a piece is wider than a roll of {width_mm:.0} mm with margins of {margin_mm} mm"),
            "take a wider roll, or print in tiles",
        )
    })?;
    let mut drawing = key::below(drawing::placed(pattern, &shifted(&packed.places, Vec2::new(margin_mm, margin_mm))));
    drawing.width_mm = width_mm;
    Ok(drawing)
}

/// One page a piece, each with test squares and key.
pub fn one_each(pattern: &Pattern) -> Vec<Drawing> {
    let single = |i: usize, piece: &crate::seams::Piece| {
        let alone = Pattern { pieces: vec![piece.clone()], warnings: Vec::new() };
        let places = drawing::side_by_side(&alone);
        let places: Vec<Placement> = places.into_iter().map(|p| Placement { piece: i, ..p }).collect();
        key::below(drawing::placed(pattern, &places))
    };
    pattern.pieces.iter().enumerate().map(|(i, p)| single(i, p)).collect()
}

fn all(pattern: &Pattern) -> Vec<usize> {
    (0..pattern.pieces.len()).collect()
}

fn shifted(places: &[Placement], by: Vec2) -> Vec<Placement> {
    let moved = |p: &Placement| Placement { page_from_piece: Affine::translate(by) * p.page_from_piece, ..*p };
    places.iter().map(moved).collect()
}

/// Packs some pieces into a frame of a width; `None` when one is too wide.
fn pack(pattern: &Pattern, pieces: &[usize], width_mm: f64) -> Option<Packed> {
    // The strip runs down the page: a quarter turn takes page (x, y) to strip (y, -x), shifts make it positive.
    let quarter = Affine::new([0.0, -1.0, 1.0, 0.0, 0.0, 0.0]);
    let mut turns = Vec::new();
    let mut shapes = Vec::new();
    for &i in pieces {
        let piece = pattern.pieces.get(i)?;
        let upright = drawing::upright(piece);
        let ways: Vec<Affine> =
            (0..4).map(|k| Affine::rotate(f64::from(k) * std::f64::consts::FRAC_PI_2) * upright).collect();
        let variants = ways.iter().map(|page_from_piece| {
            let place = quarter * *page_from_piece;
            let ring = piece.cut_line.iter().map(|p| MatPoint::from(place * Point::from(*p))).collect();
            Variant { ring, on_edge: false }
        });
        shapes.push(Shape { variants: variants.collect() });
        turns.push(ways);
    }
    let strip = Strip { width_mm, gap_mm: GAP_MM };
    let effort = Effort { seed: 1, queries: QUERIES_PER_PIECE * pieces.len() as u64 };
    let found = nest(&shapes, &strip, &effort, &|_, _| true).ok()?;
    let placed = pieces.iter().zip(&turns).zip(&found.nest.spots).map(|((piece, ways), spot)| {
        let shift = Vec2::new(width_mm - spot.shift.y, spot.shift.x);
        let turned = ways.get(spot.variant).copied().unwrap_or_default();
        Placement { piece: *piece, page_from_piece: Affine::translate(shift) * turned, label_by: Vec2::ZERO }
    });
    Some(Packed { places: placed.collect(), length_mm: found.nest.length_mm })
}

/// Moves labels that would fall across a join to the nearest place inside the piece and inside one sheet.
fn clear_labels(pattern: &Pattern, places: &mut [Placement], plan: &TilePlan) {
    for place in places {
        let Some(piece) = pattern.pieces.get(place.piece) else { continue };
        let (centre, along, half_w, half_h) = drawing::label_box(&piece.label, place.page_from_piece);
        let reach =
            Vec2::new(along.x.abs() * half_w + along.y.abs() * half_h, along.y.abs() * half_w + along.x.abs() * half_h);
        // Joining words stand up to 12 mm in from a window's edges; the glue strip is the next sheet's.
        let inner: Vec<Rect> = plan
            .tiles
            .iter()
            .map(|t| t.window.inset((-OVERLAP_MM - reach.x - 1.0, -OVERLAP_MM - reach.y - 1.0)))
            .collect();
        let inner: Vec<Rect> = inner.into_iter().filter(|r| r.width() > 0.0 && r.height() > 0.0).collect();
        if inner.iter().any(|r| r.contains(centre)) {
            continue;
        }
        let on_page = |p: &MatPoint| MatPoint::from(place.page_from_piece * Point::from(*p));
        let ring: Vec<MatPoint> = piece.stitching_line.iter().map(on_page).collect();
        let mut lines: Vec<Vec<MatPoint>> = vec![piece.grainline.iter().map(on_page).collect()];
        lines.extend(piece.fold.as_ref().map(|f| f.bracket.iter().map(on_page).collect()));
        lines.extend(piece.stretch.map(|ends| ends.iter().map(on_page).collect()));
        let fits = |at: Point| box_is_clear(&ring, &lines, at, along, (half_w, half_h));
        let mut best: Option<(f64, Vec2)> = None;
        for rect in &inner {
            for i in 0..9 {
                for k in 0..9 {
                    let at = Point::new(
                        rect.x0 + rect.width() * f64::from(i) / 8.0,
                        rect.y0 + rect.height() * f64::from(k) / 8.0,
                    );
                    let far = at.distance(centre);
                    if best.is_none_or(|(least, _)| far < least) && fits(at) {
                        best = Some((far, at - centre));
                    }
                }
            }
        }
        place.label_by = best.map_or(Vec2::ZERO, |(_, by)| by);
    }
}

/// Does a box of words lie inside the ring, clear of it and of other lines?
fn box_is_clear(ring: &[MatPoint], lines: &[Vec<MatPoint>], at: Point, along: Vec2, (w, h): (f64, f64)) -> bool {
    let (u, v) = (Vector2::new(along.x, along.y), Vector2::new(-along.y, along.x));
    let at = MatPoint::new(at.x, at.y);
    let steps = [-1.0, -0.5, 0.0, 0.5, 1.0];
    steps.iter().all(|a| {
        steps.iter().all(|b| {
            let p = at + u * (w * a) + v * (h * b);
            polygon::contains(ring, p)
                && polygon::distance_to_ring(ring, p) > LABEL_CLEAR_MM
                && lines.iter().all(|l| polygon::distance_to_polyline(l, p) > 0.3 * w.min(h) + LABEL_CLEAR_MM)
        })
    })
}
