//! Where the mat's printed grid lies, from the cell sides that were seen.

use crate::camera::Camera;
use crate::flat::{FlatFrame, MatRect};
use crate::garment::cells::Layout;
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::reference::{Axis, LineSighting, Marking};
use crate::units::{ImagePoint, MatPoint};

/// Flat pixels per mm. No simple ratio to a pitch or a bold period in use (2, 5, 10, 50 and 100 mm, 1/8 to 6 in, ...), so
/// that the rows of pixels meet a line at evenly spread places across it.
const PX_PER_MM: f64 = 0.9884;

/// Most flat pixels; a larger place is seen more coarsely.
const MAX_FLAT_PX: f64 = 2.6e6;

/// Least and usual greatest margin about the grid, mm, and the margin's share of the grid's longer side.
const MARGIN_MM: (f64, f64) = (80.0, 160.0);
const MARGIN_SHARE: f64 = 0.35;

/// A line counts towards the extent when at least this many of its sides were seen.
const SIDES_OF_A_LINE: usize = 2;

/// Lines farther apart are few: joints of tiles, or the bold ones of a ruling too fine to be seen.
pub(super) const WIDE_PITCH_MM: f64 = 72.0;

/// Farthest from a line that was seen that the mat is taken to be bare, mm.
pub(super) const NEAR_LINE_MM: f64 = 14.0;

/// The rectangle of the mat that its printed grid covers, as far as seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatExtent {
    /// From the first to the last line seen, both ways; on a board as far as its squares reach.
    pub rect: MatRect,
    /// Larger pitch, mm.
    pub pitch_mm: f64,
    /// Share of the cell sides within it that were seen.
    pub share_seen: f64,
}

impl MatExtent {
    /// The rectangle of lines of which several sides were seen; `None` if there are none.
    pub fn from_sides(grid: &GridSighting) -> Option<Self> {
        let [px, py] = grid.pitch_mm;
        let x = line_range(grid, Axis::X)?;
        let y = line_range(grid, Axis::Y)?;
        let min = MatPoint::new(f64::from(x.0) * px, f64::from(y.0) * py);
        let max = MatPoint::new(f64::from(x.1) * px, f64::from(y.1) * py);
        let (across, up) = (f64::from(x.1 - x.0), f64::from(y.1 - y.0));
        let sides = 2.0 * across * up + across + up;
        let share_seen = grid.sides.len() as f64 / sides.max(1.0);
        let mut rect = MatRect { min, max };
        if grid.marking == Marking::Chequers {
            // Four squares meet at every corner seen, so there is one more beyond the last.
            rect.min = MatPoint::new(min.x - px, min.y - py);
            rect.max = MatPoint::new(max.x + px, max.y + py);
        }
        Some(Self { rect, pitch_mm: px.max(py), share_seen })
    }

    /// Distance of a point inside the rectangle from its border, mm (negative outside).
    pub fn depth_mm(&self, p: MatPoint) -> f64 {
        self.rect.depth_mm(p)
    }

    /// The flat frames to work in, the usual first: the grid with a margin, as far as the photo reaches. The second
    /// has a broader margin, for cloth that hangs far over the rim; `None` where it holds no more.
    pub(crate) fn frames(&self, photo: &Photo, camera: &Camera) -> (FlatFrame, Option<FlatFrame>) {
        let size = self.rect.width_mm().max(self.rect.height_mm());
        let (broad, footprint) = (MARGIN_MM.0.max(MARGIN_SHARE * size), footprint(photo, camera));
        let within = |margin: f64| {
            let wide = self.rect.grown(margin);
            let rect = match footprint {
                Some(f) => MatRect {
                    min: MatPoint::new(wide.min.x.max(f.min.x), wide.min.y.max(f.min.y)),
                    max: MatPoint::new(wide.max.x.min(f.max.x), wide.max.y.min(f.max.y)),
                },
                None => wide,
            };
            let area = (rect.width_mm() * rect.height_mm()).max(1.0);
            FlatFrame::new(rect, PX_PER_MM.min((MAX_FLAT_PX / area).sqrt()))
        };
        let (usual, wide) = (within(broad.min(MARGIN_MM.1)), within(broad));
        (usual, (wide.rect != usual.rect).then_some(wide))
    }
}

/// The flat frame that covers the whole photo; `None` where the photo looks past the horizon.
pub(crate) fn photo_frame(photo: &Photo, camera: &Camera) -> Option<FlatFrame> {
    /// A floor seen over more than this is seen at a glancing angle, mm.
    const WIDEST_MM: f64 = 6000.0;
    let rect = footprint(photo, camera)?;
    let usable = rect.width_mm() < WIDEST_MM && rect.height_mm() < WIDEST_MM;
    let area = (rect.width_mm() * rect.height_mm()).max(1.0);
    usable.then(|| FlatFrame::new(rect, PX_PER_MM.min((MAX_FLAT_PX / area).sqrt())))
}

/// First and last line index of a family with enough sides.
fn line_range(grid: &GridSighting, axis: Axis) -> Option<(i32, i32)> {
    let mut indices: Vec<i32> = grid.sides.iter().filter(|s| s.axis == axis).map(|s| s.index).collect();
    indices.sort_unstable();
    let often: Vec<i32> =
        indices.chunk_by(|a, b| a == b).filter(|c| c.len() >= SIDES_OF_A_LINE).map(|c| c[0]).collect();
    let chosen = if often.len() >= 2 { often } else { indices };
    Some((*chosen.first()?, *chosen.last()?))
}

/// The mat rectangle around the photo's border.
fn footprint(photo: &Photo, camera: &Camera) -> Option<MatRect> {
    let (w, h) = (f64::from(photo.width()) - 1.0, f64::from(photo.height()) - 1.0);
    let steps = 16;
    let border = (0..steps).flat_map(|i| {
        let t = f64::from(i) / f64::from(steps);
        [(t * w, 0.0), (w, t * h), (w - t * w, h), (0.0, h - t * h)]
    });
    MatRect::around(border.map(|(x, y)| camera.mat_from_image(ImagePoint::new(x, y))).filter(|p| p.is_finite()))
}

/// Two ends of a seen side on the mat.
pub(crate) fn side_ends(side: &LineSighting, pitch_mm: [f64; 2]) -> (MatPoint, MatPoint) {
    let [px, py] = pitch_mm;
    let (i, a) = (f64::from(side.index), side.along);
    match side.axis {
        Axis::X => (MatPoint::new(i * px, (a - 0.5) * py), MatPoint::new(i * px, (a + 0.5) * py)),
        Axis::Y => (MatPoint::new((a - 0.5) * px, i * py), MatPoint::new((a + 0.5) * px, i * py)),
    }
}

/// Cells whose middle lies within about `reach_mm` across of a side that was seen, its ends left out.
fn cells_near(layout: &Layout, grid: &GridSighting, reach_mm: f64) -> Vec<bool> {
    let mut near = vec![false; layout.len()];
    let (columns, rows) = (layout.columns as f64, layout.rows as f64);
    for side in &grid.sides {
        let (from, to) = side_ends(side, grid.pitch_mm);
        let across = if side.axis == Axis::X { (reach_mm, 0.0) } else { (0.0, reach_mm) };
        let (a, b) = (from.lerp(to, 0.1), from.lerp(to, 0.9));
        let (left, low) = layout.place(MatPoint::new(a.x - across.0, a.y - across.1));
        let (right, high) = layout.place(MatPoint::new(b.x + across.0, b.y + across.1));
        // Rows count downwards.
        let (first, last) = (left.round().max(0.0), right.round().min(columns - 1.0));
        let (top, bottom) = (high.round().max(0.0), low.round().min(rows - 1.0));
        if !(first <= last && top <= bottom) {
            continue;
        }
        for row in top as usize..=bottom as usize {
            let at = row * layout.columns;
            let cells = at + first as usize..=at + last as usize;
            for (near, valid) in near[cells.clone()].iter_mut().zip(&layout.valid[cells]) {
                *near |= *valid;
            }
        }
    }
    near
}

/// What the sides seen say about cells.
#[derive(Debug, Clone)]
pub(crate) struct Seen {
    /// On a side that was seen: bare mat, almost surely.
    pub on: Vec<bool>,
    /// Within a third of the pitch of one: mostly bare mat, good to learn from.
    pub near: Vec<bool>,
}

impl Seen {
    pub(crate) fn new(layout: &Layout, grid: &GridSighting) -> Self {
        let cell = layout.cell_mm();
        let pitch = grid.pitch_mm[0].min(grid.pitch_mm[1]);
        let reach = (0.32 * pitch).clamp(cell, NEAR_LINE_MM);
        Self { on: cells_near(layout, grid, 0.4 * cell), near: cells_near(layout, grid, reach) }
    }

    /// Without the cells where a thing lies: its colours are none of the mat's.
    pub(crate) fn without(mut self, thing: &[bool]) -> Self {
        for cells in [&mut self.on, &mut self.near] {
            cells.iter_mut().zip(thing).for_each(|(seen, thing)| *seen &= !thing);
        }
        self
    }
}
