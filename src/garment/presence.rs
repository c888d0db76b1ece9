//! Where printed lines go under something: the contrast of each, cell by cell along it, in the photo itself.
//!
//! The flat picture is coarser than a printed line is wide and meets it by chance; where cloth has the mat's own colour
//! the line's end is all that tells them apart, so it is looked for at full size.

use rayon::prelude::*;

use super::appearance::{DARK_OFFSET, quantile};
use super::cells::{Layout, box_sum};
use super::extent::{MatExtent, Seen};
use crate::camera::Camera;
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::reference::{Axis, Marking};
use crate::units::MatPoint;

/// Rows read across the line in each cell.
const ROWS: usize = 4;

/// Least distance from a line's middle at which its ground is read, px.
const LEAST_ARM_PX: f64 = 3.0;

/// Cells of a kind of line, known to be bare, from which its contrast is learnt.
const ENOUGH_BARE: usize = 40;

/// Least spread of the contrast of bare lines, as a share of it: they are worn and unevenly lit.
const LEAST_SPREAD: f32 = 0.2;

/// A kind of line whose contrast strays more than this says nothing cell by cell.
const LARGEST_SPREAD: f32 = 1.2;

/// The most that a bare and a hidden line may say of one cell (nats).
const MOST: (f32, f32) = (-2.0, 3.0);

/// What the lines say, cell by cell.
pub(crate) struct Presence {
    /// Share of the line's contrast that is seen (1 bare, 0 hidden), NaN where no line passes.
    share: Vec<f32>,
    /// Log likelihood ratio of hidden over bare (positive where the line is hidden), NaN where no line passes.
    pub hidden: Vec<f32>,
}

/// A printed line: which coordinate it has, and its number.
#[derive(Clone, Copy)]
struct Line {
    axis: Axis,
    index: i32,
}

/// A place on a line: the cell, and the line's contrast there.
struct Place {
    cell: usize,
    contrast: f32,
}

impl Presence {
    /// Reads all lines of the grid; `None` for a chessboard, which has none.
    pub(crate) fn measure(
        photo: &Photo,
        camera: &Camera,
        grid: &GridSighting,
        layout: &Layout,
        extent: &MatExtent,
        seen: &Seen,
    ) -> Option<Self> {
        if grid.marking == Marking::Chequers {
            return None;
        }
        let probe = Probe { photo, camera, grid, layout, extent };
        let lines = probe.lines();
        let places: Vec<Vec<Place>> = lines.par_iter().map(|line| probe.along(*line)).collect();
        let mut presence = Self { share: vec![f32::NAN; layout.len()], hidden: vec![f32::NAN; layout.len()] };
        let kind = |line: &Line| {
            let period = grid.bold[line.axis as usize].map_or(1, |(every, _)| every.max(1) as i32);
            (line.axis as usize, line.index.rem_euclid(period))
        };
        let mut kinds: Vec<_> = lines.iter().map(kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        for own in kinds {
            let of_kind: Vec<&Vec<Place>> =
                lines.iter().zip(&places).filter(|(line, _)| kind(line) == own).map(|(_, p)| p).collect();
            presence.take_in(&of_kind, seen);
        }
        Some(presence)
    }

    fn take_in(&mut self, lines: &[&Vec<Place>], seen: &Seen) {
        let places = || lines.iter().flat_map(|places| places.iter());
        let mut bare: Vec<f32> = places().filter(|p| seen.on[p.cell]).map(|p| p.contrast).collect();
        if bare.len() < ENOUGH_BARE {
            return;
        }
        let usual = quantile(&mut bare, 0.5);
        let mut strays: Vec<f32> = bare.iter().map(|c| (c / usual - 1.0).abs()).collect();
        let spread = (1.4826 * quantile(&mut strays, 0.5)).max(LEAST_SPREAD);
        if !spread.is_finite() || spread > LARGEST_SPREAD {
            return;
        }
        for place in places() {
            let share = (place.contrast / usual).clamp(-0.5, 1.5);
            self.share[place.cell] = share;
            // Between two normal distributions of one spread, about 0 and about 1.
            self.hidden[place.cell] = ((0.5 - share) / (spread * spread)).clamp(MOST.0, MOST.1);
        }
    }

    /// The mean share over windows of `2 reach + 1` cells; NaN where no line passes.
    pub(crate) fn around(&self, layout: &Layout, reach: usize) -> Vec<f32> {
        let known: Vec<f32> = self.share.iter().map(|s| if s.is_finite() { 1.0 } else { 0.0 }).collect();
        let share: Vec<f32> = self.share.iter().map(|s| if s.is_finite() { *s } else { 0.0 }).collect();
        let (known, share) = rayon::join(
            || box_sum(layout.columns, layout.rows, &known, reach),
            || box_sum(layout.columns, layout.rows, &share, reach),
        );
        known.iter().zip(&share).map(|(n, s)| if *n > 2.5 { s / n } else { f32::NAN }).collect()
    }
}

/// What is needed to read a line in the photo.
struct Probe<'a> {
    photo: &'a Photo,
    camera: &'a Camera,
    grid: &'a GridSighting,
    layout: &'a Layout,
    extent: &'a MatExtent,
}

impl Probe<'_> {
    fn lines(&self) -> Vec<Line> {
        let rect = &self.extent.rect;
        let of = |axis: Axis, from: f64, to: f64, pitch: f64| {
            ((from / pitch).round() as i32..=(to / pitch).round() as i32).map(move |index| Line { axis, index })
        };
        let [px, py] = self.grid.pitch_mm;
        of(Axis::X, rect.min.x, rect.max.x, px).chain(of(Axis::Y, rect.min.y, rect.max.y, py)).collect()
    }

    /// Every cell along a line but those where another line crosses.
    fn along(&self, line: Line) -> Vec<Place> {
        let rect = &self.extent.rect;
        let [px, py] = self.grid.pitch_mm;
        let (fixed, from, to, pitch) = match line.axis {
            Axis::X => (f64::from(line.index) * px, rect.min.y, rect.max.y, py),
            Axis::Y => (f64::from(line.index) * py, rect.min.x, rect.max.x, px),
        };
        let step = self.layout.cell_mm();
        let count = ((to - from) / step).floor().max(0.0) as usize;
        let at = |t: f64| match line.axis {
            Axis::X => MatPoint::new(fixed, t),
            Axis::Y => MatPoint::new(t, fixed),
        };
        let clear = |t: f64| (t / pitch - (t / pitch).round()).abs() * pitch > 0.4 * step;
        (0..count)
            .map(|k| from + (k as f64 + 0.5) * step)
            .filter(|t| clear(*t))
            .filter_map(|t| {
                let (column, row) = self.layout.place(at(t));
                let (column, row) = (column.round(), row.round());
                let inside = column >= 0.0
                    && row >= 0.0
                    && (column as usize) < self.layout.columns
                    && (row as usize) < self.layout.rows;
                let cell = inside.then(|| row as usize * self.layout.columns + column as usize)?;
                let contrast = self.contrast([at(t - 0.5 * step), at(t + 0.5 * step)])?;
                Some(Place { cell, contrast })
            })
            .collect()
    }

    /// How much lighter or darker than its ground the line between two places is, as a share of the ground.
    fn contrast(&self, ends: [MatPoint; 2]) -> Option<f32> {
        let [a, b] = ends.map(|end| self.camera.image_from_mat(end));
        let way = b - a;
        let normal = nalgebra::Vector2::new(-way.y, way.x).try_normalize(1e-9)?;
        let arm = (1.5 * self.grid.line_width_px + 1.5).max(LEAST_ARM_PX);
        let (mut line, mut ground) = (0.0, 0.0);
        for row in 0..ROWS {
            let middle = a + way * ((row as f64 + 0.5) / ROWS as f64);
            for off in [-0.7, 0.0, 0.7] {
                line += self.photo.grey_at(middle + normal * off)? / 3.0;
            }
            for off in [-arm - 1.0, -arm, arm, arm + 1.0] {
                ground += self.photo.grey_at(middle + normal * off)? / 4.0;
            }
        }
        let rows = ROWS as f32;
        Some((line - ground) / (ground + rows * DARK_OFFSET))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::extent::MatExtent;
    use crate::garment::tests::{Scene, disc};

    /// Cloth of the mat's own colour, in noise of a tenth of the lines' contrast: nothing but the lines tells it.
    #[test]
    fn a_line_is_followed_to_where_it_goes_under_the_cloth() {
        let mut scene = Scene::new(disc(5.0, 5.0, 60.0));
        scene.cloth = scene.mat;
        scene.noise = 8.0;
        let (photo, camera, grid) = (scene.photo(), Scene::camera(), scene.sighting());
        let extent = MatExtent::from_sides(&grid).expect("a mat");
        let (frame, _) = extent.frames(&photo, &camera);
        let layout = Layout::new(frame, &photo, &camera);
        let seen = Seen::new(&layout, &grid);
        let presence = Presence::measure(&photo, &camera, &grid, &layout, &extent, &seen).expect("lines");
        let (mut told, mut wrong) = (0, 0);
        for (k, hidden) in presence.hidden.iter().enumerate().filter(|(_, h)| h.is_finite()) {
            let distance = (scene.distance_mm)(layout.centre(k % layout.columns, k / layout.columns));
            // A cell is 3 mm across, and its middle up to half of that off the line.
            if distance.abs() > 3.0 {
                told += 1;
                wrong += usize::from((*hidden > 0.0) != (distance < 0.0));
            }
        }
        assert!(told > 2000, "{told}");
        // At five spreads between hidden and bare one in two hundred strays over the middle.
        assert!(wrong * 100 < told, "{wrong} of {told}");
    }

    #[test]
    fn a_chessboard_has_no_lines() {
        let scene = Scene::new(disc(5.0, 5.0, 60.0));
        let (photo, camera) = (scene.photo(), Scene::camera());
        let grid = GridSighting { marking: Marking::Chequers, ..scene.sighting() };
        let extent = MatExtent::from_sides(&grid).expect("a mat");
        let layout = Layout::new(extent.frames(&photo, &camera).0, &photo, &camera);
        let seen = Seen::new(&layout, &grid);
        assert!(Presence::measure(&photo, &camera, &grid, &layout, &extent, &seen).is_none());
    }
}
