//! Where the pieces lie on paper: packed to save it, turned as they like (grain does not matter on paper), never mirrored.

use kurbo::{Affine, Point, Rect, Vec2};

use super::drawing::{self, Drawing, LabelSpot, Placement};
use super::tiles::{self, OVERLAP_MM, Paper, TilePlan, TileSheet};
use super::{key, room};
use crate::lay::nest::{Effort, Shape, Strip, Variant, nest};
use crate::pattern_file::Pattern;
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::{Label, Piece};
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
/// Places tried for a moved label are this far apart, mm, and its sizes these shares of its own.
const LABEL_GRID_MM: f64 = 8.0;
const LABEL_SCALES: [f64; 4] = [1.0, 0.8, 0.6, 0.45];

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
                // In from the drawing's own edges, so that no line lies half outside it.
                let packed = shifted(&packed.places, Vec2::new(GAP_MM, GAP_MM));
                let found = tiles::spread(&drawing::placed(pattern, &packed), paper, sheet.margin_mm);
                let fewer = match (&found, &best.0) {
                    (Ok(new), Ok(old)) => new.tiles.len() < old.tiles.len(),
                    (Ok(_), Err(_)) => true,
                    _ => false,
                };
                if fewer {
                    best = (found, packed);
                }
                if width > plain_drawing.width_mm {
                    break;
                }
            }
        }
    }
    let (plan, mut places) = best;
    let mut plan = plan?;
    clear_labels(pattern, &mut places, &plan);
    let drawing = drawing::placed(pattern, &places);
    tiles::find_names(&mut plan, &drawing);
    Ok((drawing, plan))
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
            let inside = pattern.pieces.iter().any(|p| !p.internal.is_empty());
            key::at(&mut drawing, Point::new(margin_mm, paper.height_mm - margin_mm - key::KEY_HIGH_MM), inside);
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
        let alone = Pattern { pieces: vec![piece.clone()], ..Pattern::default() };
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
        Placement { piece: *piece, page_from_piece: Affine::translate(shift) * turned, label: None, fold_words: 0.5 }
    });
    Some(Packed { places: placed.collect(), length_mm: found.nest.length_mm })
}

/// Moves labels that would fall across a join to the nearest place inside the piece and inside one sheet, turned or smaller
/// if need be; one that fits nowhere stays.
fn clear_labels(pattern: &Pattern, places: &mut [Placement], plan: &TilePlan) {
    for place in places {
        let Some(piece) = pattern.pieces.get(place.piece) else { continue };
        let own = drawing::label_spot(&piece.label, place.page_from_piece);
        if !rooms(plan, reach_of(&piece.label, own)).any(|r| r.contains(own.centre)) {
            place.label = nearest_spot(piece, place.page_from_piece, own, plan);
        }
        place.fold_words = clear_fold_words(piece, place, plan);
    }
}

/// Where along the fold its words are whole on one sheet, as near to the middle as may be; the middle if nowhere.
fn clear_fold_words(piece: &Piece, place: &Placement, plan: &TilePlan) -> f64 {
    const STEPS: i32 = 40;
    let Some(fold) = &piece.fold else { return place.fold_words };
    let mut steps = (0..=STEPS).flat_map(|k| [k, -k]).map(|k| 0.5 + 0.5 * f64::from(k) / f64::from(STEPS));
    let clear = |share: &f64| {
        drawing::fold_words(fold, &Placement { fold_words: *share, ..*place }).is_some_and(|words| {
            let reach = Vec2::new(
                words.along.x.abs() * words.half_mm + words.along.y.abs() * 0.5 * words.size_mm,
                words.along.y.abs() * words.half_mm + words.along.x.abs() * 0.5 * words.size_mm,
            );
            let on_bracket = (share - 0.5).abs() * words.bracket_mm + words.half_mm <= 0.5 * words.bracket_mm;
            on_bracket && rooms(plan, reach).any(|room| room.contains(words.centre))
        })
    };
    steps.find(clear).unwrap_or(place.fold_words)
}

/// Half the level box around a label.
fn reach_of(label: &Label, spot: LabelSpot) -> Vec2 {
    let (w, h) = drawing::label_half(label);
    let (x, y) = (spot.along.x.abs(), spot.along.y.abs());
    Vec2::new(x * w + y * h, y * w + x * h) * spot.scale
}

/// Where the middle of words may lie so that they are whole on one sheet, clear of its joins.
fn rooms(plan: &TilePlan, reach: Vec2) -> impl Iterator<Item = Rect> {
    plan.tiles.iter().map(move |tile| {
        let room = plan.free_of_joins(tile);
        Rect::new(room.x0 + reach.x, room.y0 + reach.y, room.x1 - reach.x, room.y1 - reach.y)
    })
}

fn nearest_spot(piece: &Piece, page_from_piece: Affine, own: LabelSpot, plan: &TilePlan) -> Option<LabelSpot> {
    let on_page = |p: &MatPoint| MatPoint::from(page_from_piece * Point::from(*p));
    let ring: Vec<MatPoint> = piece.stitching_line.iter().map(on_page).collect();
    let mut lines = Vec::new();
    let bracket = piece.fold.iter().map(|f| f.bracket.as_slice());
    let inside = piece.internal.iter().map(|l| l.line.as_slice());
    let closed: Vec<MatPoint> = piece.stitching_line.iter().chain(piece.stitching_line.first()).copied().collect();
    let stretch = piece.stretch.iter().map(|s| s.as_slice());
    for line in [closed.as_slice(), &piece.grainline].into_iter().chain(bracket).chain(stretch).chain(inside) {
        room::along(&drawing::open_path(line, page_from_piece), Affine::IDENTITY, &mut lines);
    }
    let half = drawing::label_half(&piece.label);
    let turns = [own.along, Vec2::new(1.0, 0.0), Vec2::new(0.0, -1.0)];
    LABEL_SCALES.into_iter().find_map(|scale| {
        let size = (half.0 * scale, half.1 * scale);
        turns.into_iter().find_map(|along| {
            let spot = LabelSpot { along, scale, ..own };
            let fits = |at: Point| {
                polygon::contains(&ring, MatPoint::new(at.x, at.y))
                    && room::is_clear(&lines, at, along, size, LABEL_CLEAR_MM)
            };
            let all = rooms(plan, reach_of(&piece.label, spot)).flat_map(grid);
            let near = all.map(|at| (at.distance(own.centre), at)).collect::<Vec<_>>();
            first_by_distance(near, fits).map(|centre| LabelSpot { centre, ..spot })
        })
    })
}

/// The nearest place that fits.
fn first_by_distance(mut places: Vec<(f64, Point)>, fits: impl Fn(Point) -> bool) -> Option<Point> {
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    places.into_iter().map(|(_, at)| at).find(|at| fits(*at))
}

/// Places over a rectangle, to its edges; none over one turned inside out.
fn grid(room: Rect) -> Vec<Point> {
    if room.x1 < room.x0 || room.y1 < room.y0 {
        return Vec::new();
    }
    let steps = |size: f64| (size / LABEL_GRID_MM).ceil().max(1.0) as usize;
    let (columns, rows) = (steps(room.width()), steps(room.height()));
    let at = |i: usize, k: usize| {
        Point::new(room.x0 + room.width() * i as f64 / columns as f64, room.y0 + room.height() * k as f64 / rows as f64)
    };
    (0..=rows).flat_map(|k| (0..=columns).map(move |i| at(i, k))).collect()
}
