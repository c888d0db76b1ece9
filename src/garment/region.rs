//! From what cells say to one closed region of cloth.

use rayon::prelude::*;

use super::Flat;
use super::cells::{CELL_PX, CellMap, Layout};
use super::colours::{Bins, Histogram, pixels};
use super::evidence::Evidence;
use super::labelling::{rough_label, smooth_label};
use super::presence::Presence;
use super::stripes;
use super::texture::Texture;
use super::{GarmentOptions, Hint};
use crate::flat::MatRect;
use crate::polygon;
use crate::refusal::{Refusal, RefusalKind, Warning};

/// Price of a cell side of boundary, in the units of the cells' votes; and the same where it is cheaper along steps of the
/// brightness.
const BOUNDARY_PRICE: f32 = 2.0;
const STEPPED_PRICE: f32 = 4.0;

/// Least area of a garment, mm2.
const MIN_AREA_MM2: f64 = 1500.0;

/// Share of the printed grid below which it is held to be hidden, and above which it shows.
const HIDDEN: f32 = 0.3;
const SHOWN: f32 = 0.7;

/// Own vote from which a cell is a seed of cloth, and the same if there is none on a surface without a grid.
const SEED: f32 = 1.2;
const FAINT_SEED: f32 = 0.5;

/// Length of contact with the photo's border that means the cloth goes on beyond it, mm.
const BORDER_CONTACT_MM: f64 = 8.0;

/// Share of the mat that must stay bare: less leaves nothing to tell cloth from.
const LEAST_BARE: f64 = 0.05;

/// Pieces that are looked at, on a mat and on a table, where they may be stripes of one.
const MOST_PIECES: usize = 4;
const MOST_STRIPES: usize = 24;

/// A second piece of this share of the first's weight is worth a word.
const SECOND_SHARE: f64 = 0.2;

/// The vote of a cell where a thing lies: that of a side of the grid that was seen and departs from nothing.
const THING_VOTE: f32 = -3.5;

/// The vote of a cell that a person painted: many times the most that a photo can say, colours included.
const HINT_VOTE: f32 = 60.0;

pub(crate) struct Found {
    pub label: CellMap,
    /// Cloth that was labelled as such (holes not filled).
    pub cells: Vec<bool>,
    pub warnings: Vec<Warning>,
}

/// `lines` is asked for the printed lines one by one where cloth and mat look alike; `evidence` then holds them.
pub(crate) fn find(
    flat: &Flat,
    layout: &Layout,
    evidence: &mut Evidence,
    lines: impl FnOnce() -> Option<Presence>,
    options: GarmentOptions<'_>,
) -> Result<Found, Refusal> {
    let may_leave = options.may_leave;
    let own = own_votes(layout, evidence, &options, Evidence::departure_vote, |_, _| 0.0);
    let (first, bins) = first_piece(flat, layout, evidence, &own, &options).ok_or_else(no_cloth)?;
    let bare: Vec<bool> = (0..layout.len()).map(|k| !first.cells[k] && layout.valid[k] && !evidence.thing[k]).collect();
    let (inside, outside) = rayon::join(|| eroded(layout, &first.cells, 2), || eroded(layout, &bare, 2));
    let texture = Texture::learn(layout, evidence, &inside, &outside);
    // Where colour and texture tell the cloth, the lines' ends would only cost time.
    if texture.is_needed()
        && let Some(lines) = lines()
    {
        evidence.take_lines(layout, &lines);
    }
    let evidence = &*evidence;
    let own = own_votes(layout, evidence, &options, |e, k| texture.vote(e, k), |e, k| texture.vote_beyond(e, k));
    let votes = with_colours(&bins, layout, evidence, &own, &inside, &outside);
    let label = smoothed(layout, &votes, evidence, texture.is_needed());
    let pieces = pieces(layout, &label, evidence);
    let Some(first) = pieces.first() else { return Err(no_cloth()) };
    let striped = if is_table(evidence) { stripes::joined(layout, &pieces) } else { None };
    let mut filled = filled((layout.columns, layout.rows), striped.as_ref().unwrap_or(&first.cells));
    check_size(layout, &filled, &evidence.depth)?;
    if may_leave {
        // What the photo does not show is for another photo to tell.
        filled.iter_mut().zip(&layout.valid).for_each(|(cell, valid)| *cell &= *valid);
    } else {
        check_border(layout, &filled)?;
    }
    Ok(Found {
        label: layout.map(softened(layout, &filled)),
        cells: striped.as_ref().unwrap_or(&first.cells).clone(),
        warnings: if striped.is_some() { vec![stripes::warning()] } else { second_piece(&pieces) },
    })
}

/// The piece to learn from, and the colours it was told by: what departs from the bare mat, unless that hides little of
/// the printed grid and something else hides much of it, as cloth of the mat's own colour does beside a thing of another.
fn first_piece(
    flat: &Flat,
    layout: &Layout,
    evidence: &Evidence,
    own: &[f32],
    options: &GarmentOptions<'_>,
) -> Option<(Piece, Bins)> {
    let bins = Bins::new(flat, layout, None);
    let departing = departing_piece(&bins, layout, evidence, own);
    let hides = |k: usize| evidence.grid_shows.values[k] < HIDDEN && evidence.depth[k] > 0.0;
    let hidden: Vec<bool> = (0..layout.len()).map(hides).collect();
    let most = connected(layout, &hidden, evidence).into_iter().next();
    if let Some(most) = most.filter(|most| is_missed(layout, departing.as_ref(), &most.cells, &hidden)) {
        // Alike cloth is told by small differences, and those of the light are no smaller.
        let under_even_light = Bins::new(flat, layout, Some(&evidence.falloff));
        if let Some(piece) = hiding_piece(&under_even_light, layout, evidence, &most.cells, options) {
            return Some((piece, under_even_light));
        }
    }
    departing.map(|piece| (piece, bins))
}

/// Is the place where `most` of the grid is hidden large, and what departs from the mat somewhere else?
fn is_missed(layout: &Layout, departing: Option<&Piece>, most: &[bool], hidden: &[bool]) -> bool {
    let area = |cells: usize| cells as f64 * layout.cell_mm().powi(2);
    let of_most = area(most.iter().filter(|m| **m).count());
    let hides = |piece: &Piece| area(piece.cells.iter().zip(hidden).filter(|(a, b)| **a && **b).count());
    of_most >= MIN_AREA_MM2 && departing.map_or(0.0, hides) <= MIN_AREA_MM2.min(0.5 * of_most)
}

/// The piece of a first label learnt from cells that depart clearly from the bare mat.
fn departing_piece(bins: &Bins, layout: &Layout, evidence: &Evidence, own: &[f32]) -> Option<Piece> {
    let found = |least: f32| {
        let seeds = cloth_seeds(layout, evidence, own, least);
        main_piece(layout, &seeds, evidence).map(|main| (main, seeds))
    };
    // A table's own pattern may be nearly as unlike it as the cloth; on a mat the printed grid has its say.
    let (main, seeds) = found(SEED).or_else(|| is_table(evidence).then(|| found(FAINT_SEED))?)?;
    let not_cloth: Vec<bool> =
        (0..layout.len()).map(|k| layout.valid[k] && is_background_seed(evidence, own, &seeds, k)).collect();
    let votes = with_colours(bins, layout, evidence, own, &main.cells, &not_cloth);
    let label = rough_label(layout.columns, layout.rows, &votes, BOUNDARY_PRICE);
    let mut pieces = pieces(layout, &label, evidence);
    if is_table(evidence)
        && let Some(all) = stripes::joined(layout, &pieces)
    {
        let first = pieces.first_mut()?;
        first.cells = all.iter().zip(&label).map(|(within, u)| *within && *u > 0.5).collect();
    }
    pieces.into_iter().next()
}

/// Is there no printed grid to tell cloth by?
fn is_table(e: &Evidence) -> bool {
    e.grid_shows.values.iter().all(|g| g.is_nan())
}

/// The piece of a first label learnt from where the grid is hidden and where it shows alone.
fn hiding_piece(
    bins: &Bins,
    layout: &Layout,
    evidence: &Evidence,
    hidden: &[bool],
    options: &GarmentOptions<'_>,
) -> Option<Piece> {
    let shows: Vec<bool> = evidence.grid_shows.values.iter().map(|g| *g > SHOWN).collect();
    let texture = Texture::learn(layout, evidence, hidden, &shows);
    let own = own_votes(layout, evidence, options, |e, k| texture.vote(e, k), |_, _| 0.0);
    let votes = with_colours(bins, layout, evidence, &own, hidden, &shows);
    let label = rough_label(layout.columns, layout.rows, &votes, BOUNDARY_PRICE);
    pieces(layout, &label, evidence).into_iter().find(|piece| {
        let common = piece.cells.iter().zip(hidden).filter(|(a, b)| **a && **b).count();
        2 * common > hidden.iter().filter(|h| **h).count()
    })
}

fn no_cloth() -> Refusal {
    Refusal::new(
        RefusalKind::NoCloth,
        "no cloth can be told from the mat",
        "lay the garment on the mat; if it is there, use a mat or a sheet of another colour, or more light",
    )
}

/// The votes' label. Where cloth and mat look `alike`, its boundary is held to steps of the brightness.
fn smoothed(layout: &Layout, votes: &[f32], evidence: &Evidence, alike: bool) -> Vec<f32> {
    let (w, h) = (layout.columns, layout.rows);
    let plain = || smooth_label(w, h, votes, BOUNDARY_PRICE, &vec![1.0; w * h]);
    if !alike {
        return plain();
    }
    let along_steps = || smooth_label(w, h, votes, STEPPED_PRICE, &evidence.boundary_share(layout));
    let (plain, along_steps) = rayon::join(plain, along_steps);
    without_bulges(layout, plain, &along_steps)
}

/// The plain label, but for the bulges and bites that it has where nothing tells cloth from mat between the lines: there the
/// label whose boundary runs along steps of the brightness is taken.
///
/// Where they differ by less than two cells either way the edge's own search reaches from one to the other.
fn without_bulges(layout: &Layout, mut plain: Vec<f32>, along_steps: &[f32]) -> Vec<f32> {
    let (w, h) = (layout.columns, layout.rows);
    let differ: Vec<bool> = plain.iter().zip(along_steps).map(|(a, b)| (*a > 0.5) != (*b > 0.5)).collect();
    let is_wide =
        |k: usize| k % w + 1 < w && k + w < differ.len() && [k, k + 1, k + w, k + w + 1].iter().all(|n| differ[*n]);
    let taken = reached(w, h, (0..differ.len()).map(is_wide).collect(), |k| differ[k]);
    for k in (0..taken.len()).filter(|k| taken[*k]) {
        plain[k] = along_steps[k];
    }
    plain
}

/// What each cell says without colour histograms: positive for cloth.
fn own_votes(
    layout: &Layout,
    e: &Evidence,
    options: &GarmentOptions<'_>,
    unlike_mat: impl Fn(&Evidence, usize) -> f32 + Sync,
    beyond: impl Fn(&Evidence, usize) -> f32 + Sync,
) -> Vec<f32> {
    let mut votes: Vec<f32> = (0..layout.len())
        .into_par_iter()
        .with_min_len(4096)
        .map(|k| {
            if !layout.valid[k] {
                return -1.0;
            }
            if e.thing[k] {
                return THING_VOTE;
            }
            let mut vote = unlike_mat(e, k) + e.grain[k];
            let (g, line_hidden) = (e.grid_shows.values[k], e.line_hidden[k]);
            if line_hidden.is_finite() {
                vote += line_hidden;
            } else if g.is_finite() {
                vote += e.grid_weight * (6.0 * (0.5 - g)).clamp(-1.5, 3.0);
            }
            if e.depth[k] < 0.0 {
                // Beyond the printed grid other things than cloth differ from the mat.
                vote = vote.min(0.0) - 0.3 + beyond(e, k);
            }
            if e.on_side[k] && !line_hidden.is_finite() {
                vote -= 2.0;
            }
            vote
        })
        .collect();
    add_hints(layout, options.hints, &mut votes);
    votes
}

/// What a person painted outweighs whatever colours and grid can say; a later stroke outweighs an earlier one.
fn add_hints(layout: &Layout, hints: &[Hint], votes: &mut [f32]) {
    let reach = 0.5 * layout.cell_mm();
    for hint in hints {
        let Some(box_of) = MatRect::around(hint.stroke.iter().copied()) else { continue };
        let half = (0.5 * hint.width_mm).max(reach);
        let near = box_of.grown(half);
        let vote = if hint.cloth { HINT_VOTE } else { -HINT_VOTE };
        for (k, own) in votes.iter_mut().enumerate().filter(|(k, _)| layout.valid[*k]) {
            let at = layout.centre(k % layout.columns, k / layout.columns);
            let inside = at.x >= near.min.x && at.x <= near.max.x && at.y >= near.min.y && at.y <= near.max.y;
            if inside && polygon::distance_to_polyline(&hint.stroke, at) <= half {
                *own = vote;
            }
        }
    }
}

fn cloth_seeds(layout: &Layout, e: &Evidence, own: &[f32], least: f32) -> Vec<bool> {
    let strong: Vec<bool> = (0..layout.len()).map(|k| own[k] > least && e.depth[k] > 0.0 && !e.on_side[k]).collect();
    let core = eroded(layout, &strong, 1);
    dilated(layout, &core, 1)
}

fn is_background_seed(e: &Evidence, own: &[f32], seeds: &[bool], k: usize) -> bool {
    !seeds[k] && !e.thing[k] && (e.on_side[k] || own[k] < -0.5 || e.depth[k] < 0.0)
}

/// Adds what the colours say, learnt from cells taken for cloth and for background.
fn with_colours(
    bins: &Bins,
    layout: &Layout,
    e: &Evidence,
    own: &[f32],
    cloth: &[bool],
    background: &[bool],
) -> Vec<f32> {
    let weigh = |chosen: &[bool], k: usize| if chosen[k] { 1.0 } else { 0.0 };
    let learnt = |weight: &(dyn Fn(usize) -> f32 + Sync)| {
        let mut histogram = Histogram::of(bins, weight);
        histogram.smooth();
        histogram
    };
    let (inside, outside) = rayon::join(
        || learnt(&|k| weigh(cloth, k)),
        || learnt(&|k| weigh(background, k) * if e.depth[k] < 0.0 { 0.6 } else { 1.0 }),
    );
    let ratio = Histogram::log_ratio(&inside, &outside, bins);
    let vote = |(k, (own, ratio)): (usize, (&f32, &f32))| match k {
        k if !layout.valid[k] => -1.0,
        k if e.thing[k] => *own,
        _ => own + 0.8 * ratio,
    };
    own.iter().zip(&ratio).enumerate().map(vote).collect()
}

/// A connected piece of the label.
pub(crate) struct Piece {
    pub cells: Vec<bool>,
    weight: f64,
}

/// Pieces where the label says cloth, the weightiest (area times departure, on the mat) first.
fn pieces(layout: &Layout, label: &[f32], e: &Evidence) -> Vec<Piece> {
    let chosen: Vec<bool> = label.iter().map(|u| *u > 0.5).collect();
    connected(layout, &chosen, e)
}

fn main_piece(layout: &Layout, chosen: &[bool], e: &Evidence) -> Option<Piece> {
    let cell = layout.cell_mm();
    let first = connected(layout, chosen, e).into_iter().next()?;
    let area = first.cells.iter().filter(|c| **c).count() as f64 * cell * cell;
    (area >= 0.5 * MIN_AREA_MM2).then_some(first)
}

fn connected(layout: &Layout, chosen: &[bool], e: &Evidence) -> Vec<Piece> {
    let (w, h) = (layout.columns, layout.rows);
    let mut piece_of = vec![0u32; chosen.len()];
    let mut weights: Vec<f64> = vec![0.0];
    let mut stack = Vec::new();
    for start in 0..chosen.len() {
        if !chosen[start] || piece_of[start] != 0 {
            continue;
        }
        let id = weights.len() as u32;
        let mut weight = 0.0;
        piece_of[start] = id;
        stack.push(start);
        while let Some(k) = stack.pop() {
            let hidden_grid = e.grid_shows.values[k] < HIDDEN;
            let strength = e.departure[k].max(if hidden_grid { 6.0 } else { 0.0 });
            weight += if e.depth[k] > 0.0 { f64::from(strength) } else { 0.05 };
            for n in neighbours(w, h, k) {
                if chosen[n] && piece_of[n] == 0 {
                    piece_of[n] = id;
                    stack.push(n);
                }
            }
        }
        weights.push(weight);
    }
    let mut order: Vec<usize> = (1..weights.len()).collect();
    order.sort_by(|a, b| weights[*b].total_cmp(&weights[*a]).then(a.cmp(b)));
    order.truncate(if is_table(e) { MOST_STRIPES } else { MOST_PIECES });
    order
        .into_iter()
        .map(|id| Piece { cells: piece_of.iter().map(|p| *p as usize == id).collect(), weight: weights[id] })
        .collect()
}

pub(crate) fn neighbours(w: usize, h: usize, k: usize) -> impl Iterator<Item = usize> {
    let (c, r) = (k % w, k / w);
    [(c > 0).then(|| k - 1), (c + 1 < w).then_some(k + 1), (r > 0).then(|| k - w), (r + 1 < h).then_some(k + w)]
        .into_iter()
        .flatten()
}

/// The cells marked, and all that are reached from them over cells that may be entered.
pub(super) fn reached(w: usize, h: usize, from: Vec<bool>, may_enter: impl Fn(usize) -> bool) -> Vec<bool> {
    let mut reached = from;
    let mut stack: Vec<usize> = (0..reached.len()).filter(|k| reached[*k]).collect();
    while let Some(k) = stack.pop() {
        for n in neighbours(w, h, k).filter(|n| may_enter(*n)) {
            if !std::mem::replace(&mut reached[n], true) {
                stack.push(n);
            }
        }
    }
    reached
}

pub(super) fn eroded(layout: &Layout, chosen: &[bool], by: usize) -> Vec<bool> {
    shrink(layout, chosen, by, true)
}

pub(super) fn dilated(layout: &Layout, chosen: &[bool], by: usize) -> Vec<bool> {
    shrink(layout, chosen, by, false)
}

/// Erosion (`keep` true) or dilation by the 4-neighbourhood, repeated; beyond the frame nothing changes.
fn shrink(layout: &Layout, chosen: &[bool], by: usize, keep: bool) -> Vec<bool> {
    let (w, h) = (layout.columns, layout.rows);
    // Dilation is the erosion of what is not chosen.
    let mut now: Vec<bool> = chosen.iter().map(|c| *c == keep).collect();
    let mut next = vec![false; now.len()];
    for _ in 0..by {
        next.par_chunks_mut(w).with_min_len(64).enumerate().for_each(|(r, next)| {
            let row = |r: usize| &now[r * w..(r + 1) * w];
            let (above, here, below) = (row(r.saturating_sub(1)), row(r), row((r + 1).min(h - 1)));
            for c in 0..w {
                let sides = here[c.saturating_sub(1)] & here[(c + 1).min(w - 1)];
                next[c] = here[c] & sides & above[c] & below[c];
            }
        });
        std::mem::swap(&mut now, &mut next);
    }
    now.iter().map(|c| *c == keep).collect()
}

/// The piece with its holes (whatever cannot reach the frame's border) filled.
fn filled((w, h): (usize, usize), cells: &[bool]) -> Vec<bool> {
    let mut rim = vec![false; w * h];
    for (r, row) in rim.chunks_mut(w.max(1)).enumerate() {
        let ends = if r == 0 || r + 1 == h { (0..w).step_by(1) } else { (0..w).step_by((w - 1).max(1)) };
        ends.for_each(|c| row[c] = !cells[r * w + c]);
    }
    reached(w, h, rim, |k| !cells[k]).into_iter().map(|open| !open).collect()
}

/// The region as a soft label whose 0.5 contour is smooth (binomial blur of 0 and 1).
fn softened(layout: &Layout, filled: &[bool]) -> Vec<f32> {
    let (w, h) = (layout.columns, layout.rows);
    let mut out = vec![0f32; filled.len()];
    out.par_chunks_mut(w).with_min_len(64).enumerate().for_each(|(r, out)| {
        let row = |r: usize| &filled[r * w..(r + 1) * w];
        let (above, here, below) = (row(r.saturating_sub(1)), row(r), row((r + 1).min(h - 1)));
        // Sixteenths: 1 2 1 down, then 1 2 1 across.
        let down = |c: usize| u8::from(above[c]) + 2 * u8::from(here[c]) + u8::from(below[c]);
        for (c, out) in out.iter_mut().enumerate() {
            let sixteenths = down(c.saturating_sub(1)) + 2 * down(c) + down((c + 1).min(w - 1));
            *out = f32::from(sixteenths) / 16.0;
        }
    });
    out
}

fn check_size(layout: &Layout, cells: &[bool], depth: &[f32]) -> Result<(), Refusal> {
    let cell_area = layout.cell_mm() * layout.cell_mm();
    let count = cells.iter().filter(|c| **c).count() as f64;
    if count * cell_area < MIN_AREA_MM2 {
        return Err(no_cloth());
    }
    let on_mat = || (0..cells.len()).filter(|&k| layout.valid[k] && depth[k] > 0.0);
    let mat = on_mat().count() as f64;
    let bare = on_mat().filter(|&k| !cells[k]).count() as f64;
    if bare < LEAST_BARE * mat {
        return Err(Refusal::new(
            RefusalKind::ClothOutOfView,
            format!("the cloth covers the mat all over ({:.0} % of it still shows)", 100.0 * bare / mat.max(1.0)),
            "use a larger mat, fold the garment once more, or take it in two photos",
        ));
    }
    Ok(())
}

/// Refuses cloth that runs on beyond the photo.
fn check_border(layout: &Layout, cells: &[bool]) -> Result<(), Refusal> {
    let (w, h) = (layout.columns, layout.rows);
    let contact = (0..cells.len())
        .filter(|&k| {
            let edge = k % w == 0 || k % w + 1 == w || k / w == 0 || k / w + 1 == h;
            cells[k] && (!layout.valid[k] || edge || neighbours(w, h, k).any(|n| !layout.valid[n]))
        })
        .count() as f64
        * layout.cell_mm();
    if contact > BORDER_CONTACT_MM {
        return Err(Refusal::new(
            RefusalKind::ClothOutOfView,
            format!("the cloth touches the border of the picture over {contact:.0} mm"),
            "retake with the whole garment in the picture and some mat or table around it",
        ));
    }
    Ok(())
}

fn second_piece(pieces: &[Piece]) -> Vec<Warning> {
    match pieces {
        [first, second, ..] if second.weight > SECOND_SHARE * first.weight => vec![Warning::new(
            "second-piece",
            "a second large thing lies there; only the largest was traced: photograph one garment at a time",
        )],
        _ => Vec::new(),
    }
}

/// Mean colour of a cell, for pictures.
pub(crate) fn cell_colour(flat: &Flat, column: usize, row: usize) -> [u8; 3] {
    let mut sum = [0u32; 3];
    for (x, y) in pixels(column, row) {
        for (s, v) in sum.iter_mut().zip(flat.rgb.get_pixel(x, y).0) {
            *s += u32::from(v);
        }
    }
    sum.map(|s| (s / (CELL_PX * CELL_PX) as u32) as u8)
}

/// Pixels of the cloth, a cell away from its edge, for learning its colours.
pub(crate) fn cloth_pixels(flat: &Flat, layout: &Layout, cells: &[bool]) -> Vec<[f32; 3]> {
    colours_of(flat, layout, &eroded(layout, cells, 1))
}

/// Colours of a few thousand pixels, spread over the cells chosen.
pub(super) fn colours_of(flat: &Flat, layout: &Layout, chosen: &[bool]) -> Vec<[f32; 3]> {
    let chosen: Vec<usize> = (0..chosen.len()).filter(|k| chosen[*k]).collect();
    let stride = (chosen.len() / 1500).max(1);
    let cells = chosen.iter().step_by(stride);
    let places = cells.flat_map(|k| pixels(k % layout.columns, k / layout.columns).step_by(2));
    places.map(|(x, y)| flat.rgb.get_pixel(x, y).0.map(f32::from)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    #[test]
    fn a_bulge_is_taken_off_and_a_strip_of_one_cell_stays() {
        let frame = crate::flat::FlatFrame::new(
            MatRect { min: crate::units::MatPoint::new(0.0, 0.0), max: crate::units::MatPoint::new(60.0, 60.0) },
            1.0,
        );
        let layout = Layout { frame, columns: 20, rows: 20, valid: vec![true; 400] };
        let label = |inside: &dyn Fn(usize, usize) -> bool| -> Vec<f32> {
            (0..400).map(|k| f32::from(u8::from(inside(k % 20, k / 20)))).collect()
        };
        let stepped = label(&|c, r| (5..15).contains(&c) && (5..15).contains(&r));
        // A row more above, and a bulge two cells high and a slim one below.
        let plain = label(&|c, r| {
            (5..15).contains(&c) && (4..15).contains(&r)
                || (7..11).contains(&c) && r < 17 && r > 9
                || c == 13 && r == 15
        });
        let wanted = label(&|c, r| (5..15).contains(&c) && (4..15).contains(&r) || c == 13 && r == 15);
        assert_eq!(without_bulges(&layout, plain, &stepped), wanted);
    }

    /// Free cells from which the border is reached, by depth-first search.
    fn by_search(w: usize, h: usize, cells: &[bool]) -> Vec<bool> {
        let mut filled = vec![true; w * h];
        let on_border = |k: usize| k.is_multiple_of(w) || k % w + 1 == w || k / w == 0 || k / w + 1 == h;
        let mut stack: Vec<usize> = (0..w * h).filter(|k| on_border(*k)).collect();
        while let Some(k) = stack.pop() {
            if !cells[k] && filled[k] {
                filled[k] = false;
                stack.extend(neighbours(w, h, k));
            }
        }
        filled
    }

    #[test]
    fn holes_are_filled_and_bays_are_not() {
        let mut random = Random(11);
        for round in 0..200 {
            // About the share at which mazes percolate.
            let (w, h) = (3 + round % 40, 3 + round % 23);
            let cells: Vec<bool> = (0..w * h).map(|_| random.unit() < 0.42).collect();
            assert_eq!(filled((w, h), &cells), by_search(w, h, &cells));
        }
    }
}
