//! How each cell speaks: its departure from the bare mat, and whether the printed grid shows.

use rayon::prelude::*;

use super::Flat;
use super::appearance::{DARK_OFFSET, Departure, log_table, quantile};
use super::cells::{CELL_PX, CellMap, Layout, box_sum, median_of_nine};
use super::extent::{MatExtent, Seen, WIDE_PITCH_MM};
use super::mat_model::MatModel;
use super::presence::Presence;
use super::shade::Falloff;

/// Noise of a gamma value (sensor, JPEG), levels: the floor of the tolerance on dark mats.
const NOISE_LEVELS: f32 = 2.0;

/// Most a pixel's departure counts, in spreads.
pub(super) const CAP: f32 = 15.0;

/// How fast the colour tolerance opens as the mat darkens (the light of a shadow has another colour).
const SHADOW_TOLERANCE: f32 = 3.0;

/// A shadow darkens by at most this (log gamma units; 0.15 of the linear light).
const DEEPEST_SHADOW: f32 = 0.9;

/// Share of a darkening that counts as departure although a shadow would explain it.
const DARK_SHARE: f32 = 0.12;

/// Least and greatest departure that is held for usual on bare mat, in spreads; and where nothing is known of it.
const BARE_LEVEL: (f32, f32) = (1.6, 5.0);
const UNKNOWN_BARE_LEVEL: f32 = 3.0;

/// A grid coefficient with a larger standard error than this says nothing.
const GRID_ERROR: f32 = 0.12;

/// Largest window in which the grid is looked for, mm.
const LARGEST_WINDOW_MM: f64 = 36.0;

/// What the grid's absence counts for on cells wider than [`WIDE_PITCH_MM`]: a window then holds one line at most, and a worn
/// one is no sign of cloth.
const WIDE_CELLS_WEIGHT: f32 = 0.4;

/// Least mean step of the brightness from cell to cell, log units; half the width over which the mean is taken, cells: a
/// pattern's own steps are then usual ones.
const LEAST_STEP: f32 = 0.004;
const AROUND_STEP: usize = 6;

/// A step of so many times the mean halves the price of a boundary, which never falls below a share.
const CLEAR_STEP: f32 = 3.0;
const LEAST_SHARE: f32 = 0.15;

/// What the cells say.
pub(crate) struct Evidence {
    /// Mean departure of a cell's pixels from the bare mat, in spreads (0 to [`CAP`]).
    pub departure: Vec<f32>,
    /// Share of the printed grid that shows around a cell (1 bare, 0 hidden, NaN unknown).
    pub grid_shows: CellMap,
    /// Where printed lines were looked for one by one: the log likelihood ratio of hidden over bare; else NaN.
    pub line_hidden: Vec<f32>,
    /// What the mat's grain says by a photo of the bare mat: positive for cloth; 0 where nothing.
    pub grain: Vec<f32>,
    /// Half the window over which the grid's showing is read, cells.
    reach: usize,
    /// What the grid's showing or not counts for, 0 to 1.
    pub grid_weight: f32,
    /// Departure below which nearly all bare cells of a cell's kind lie: with a printed line in it, or without.
    pub bare_level: Vec<f32>,
    /// Does a printed line lie in the cell (on the bare mat, by the model)?
    pub lined: Vec<bool>,
    /// How uneven a cell and those around it are: root mean square of a cell's pixels' brightness about their mean,
    /// printed lines taken off, log units; the middle one of nine cells, so that the step at an edge does not count.
    pub unevenness: Vec<f32>,
    /// Mean brightness of a cell over the bare mat's, log units.
    brightness: Vec<f32>,
    /// How the light falls off over the mat.
    pub falloff: Falloff,
    /// On a side that was seen.
    pub on_side: Vec<bool>,
    /// Distance into the printed grid, mm (negative outside).
    pub depth: Vec<f32>,
    /// Neither cloth nor bare mat, but a thing that lies there: nothing is learnt from it.
    pub thing: Vec<bool>,
}

impl Evidence {
    /// Takes no more notice of cells where things lie that are no cloth: what they hide of the grid, and how they look, would
    /// pass for cloth, and for mat if they were learnt from.
    pub(crate) fn set_aside(&mut self, thing: Vec<bool>) {
        for k in (0..thing.len()).filter(|k| thing[*k]) {
            self.departure[k] = 0.0;
            self.grid_shows.values[k] = f32::NAN;
            self.line_hidden[k] = f32::NAN;
        }
        self.thing = thing;
    }

    /// Puts what the lines say one by one in the place of what the flat picture shows of them.
    pub(crate) fn take_lines(&mut self, layout: &Layout, presence: &Presence) {
        let around = presence.around(layout, self.reach);
        for (shows, around) in self.grid_shows.values.iter_mut().zip(around) {
            if around.is_finite() {
                *shows = around;
            }
        }
        self.line_hidden.clone_from(&presence.hidden);
        let thing = std::mem::take(&mut self.thing);
        self.set_aside(thing);
    }

    /// Part of the price that a boundary pays between a cell and the next ones across and down: little along steps of the
    /// brightness, which cloth of the mat's own colour has at its edge too. Printed lines make none.
    pub(crate) fn boundary_share(&self, layout: &Layout) -> Vec<f32> {
        let (w, n) = (layout.columns, layout.len());
        let clear = |k: usize| layout.valid[k] && !self.lined[k];
        let step = |k: usize, next: Option<usize>| {
            next.filter(|next| clear(k) && clear(*next)).map_or(0.0, |next| self.brightness[k] - self.brightness[next])
        };
        let steps: Vec<f32> = (0..n)
            .map(|k| step(k, (k % w + 1 < w).then_some(k + 1)).hypot(step(k, (k + w < n).then_some(k + w))))
            .collect();
        let around = box_sum(w, layout.rows, &steps, AROUND_STEP);
        let count = (2 * AROUND_STEP + 1).pow(2) as f32;
        let share = |(step, sum): (&f32, &f32)| {
            let clear = CLEAR_STEP * (sum / count).max(LEAST_STEP);
            (1.0 / (1.0 + (step / clear).powi(2))).max(LEAST_SHARE)
        };
        steps.iter().zip(&around).map(share).collect()
    }

    /// What a cell's departure from the bare mat says while nothing is known of the cloth: positive for cloth.
    pub(crate) fn departure_vote(&self, k: usize) -> f32 {
        let t = self.bare_level[k];
        ((self.departure[k] - 1.7 * t) / (0.8 * t)).clamp(-1.5, 2.5)
    }
}

#[derive(Clone, Copy, Default)]
struct CellSums {
    departure: f32,
    p: f32,
    y: f32,
    pp: f32,
    py: f32,
    rest: f32,
    rest2: f32,
}

/// Pixels of a cell.
const PER_CELL: f32 = (CELL_PX * CELL_PX) as f32;

impl CellSums {
    fn add(&mut self, departure: f32, p: f32, rest: f32) {
        let y = (rest + p).clamp(-1.0, 1.0);
        self.departure += departure / PER_CELL;
        self.p += p;
        self.y += y;
        self.pp += p * p;
        self.py += p * y;
        self.rest += rest;
        self.rest2 += rest * rest;
    }

    fn unevenness(&self) -> f32 {
        ((self.rest2 - self.rest * self.rest / PER_CELL) / PER_CELL).max(0.0).sqrt()
    }
}

pub(crate) fn gather(flat: &Flat, layout: &Layout, mat: &MatModel, extent: &MatExtent, seen: &Seen) -> Evidence {
    let sums = cell_sums(flat, layout, mat, extent);
    let cells = || sums.par_iter().with_min_len(4096);
    let departure: Vec<f32> = cells().map(|s| s.departure).collect();
    let lined: Vec<bool> = cells().map(|s| s.pp > PER_CELL * mat.spread[0].powi(2)).collect();
    let brightness = cells().map(|s| s.rest / PER_CELL).collect();
    let unevenness: Vec<f32> = cells().map(CellSums::unevenness).collect();
    let unevenness = median_of_nine(layout.columns, layout.rows, &unevenness);
    let (bare_level, grid_shows) =
        rayon::join(|| bare_levels(&sums, &lined, seen), || layout.map(grid_coefficient(layout, &sums, mat, extent)));
    let centre = |k: usize| layout.centre(k % layout.columns, k / layout.columns);
    let cells = (0..layout.len()).into_par_iter().with_min_len(4096);
    let depth = cells.map(|k| extent.depth_mm(centre(k)) as f32).collect();
    let falloff = mat.shade.falloff();
    let grid_weight = if extent.pitch_mm > WIDE_PITCH_MM { WIDE_CELLS_WEIGHT } else { 1.0 };
    let on_side = seen.on.clone();
    let line_hidden = vec![f32::NAN; layout.len()];
    let reach = reach(layout, extent);
    Evidence {
        line_hidden,
        grain: vec![0.0; layout.len()],
        reach,
        departure,
        grid_shows,
        grid_weight,
        bare_level,
        lined,
        unevenness,
        brightness,
        falloff,
        on_side,
        depth,
        thing: vec![false; layout.len()],
    }
}

/// What departure is still usual, cell by cell. Printed lines are worn and never quite where they are foreseen; between
/// them the mat is even, and far less of a departure tells cloth.
fn bare_levels(sums: &[CellSums], lined: &[bool], seen: &Seen) -> Vec<f32> {
    let level = |of: &dyn Fn(usize) -> bool, share: f32| {
        let mut bare: Vec<f32> = (0..sums.len()).filter(|k| of(*k)).map(|k| sums[k].departure).collect();
        let level = quantile(&mut bare, share);
        if level.is_finite() { level.clamp(BARE_LEVEL.0, BARE_LEVEL.1) } else { UNKNOWN_BARE_LEVEL }
    };
    let on_line = level(&|k| seen.on[k], 0.9);
    // Near a side that was seen cloth may begin: a fifth of those cells are not believed to be bare.
    let between = level(&|k| seen.near[k] && !seen.on[k] && !lined[k], 0.8).min(on_line);
    lined.iter().map(|lined| if *lined { on_line } else { between }).collect()
}

fn cell_sums(flat: &Flat, layout: &Layout, mat: &MatModel, extent: &MatExtent) -> Vec<CellSums> {
    let rows = Rows {
        flat,
        layout,
        mat,
        extent,
        table: log_table(),
        across: Channels::from_pixels((0..layout.columns * CELL_PX).map(|c| {
            let x = layout.frame.mat_from_flat(c as f64, 0.0).x;
            mat.lines.across_x(x)
        })),
        scale: Scale::new(mat.spread, NOISE_LEVELS),
    };
    let mut sums = vec![CellSums::default(); layout.len()];
    sums.par_chunks_mut(layout.columns)
        .enumerate()
        .for_each_init(|| Line::new(layout), |line, (row, cells)| rows.sum(row, cells, line));
    sums
}

/// Three channels, each a row of values.
#[derive(Clone)]
struct Channels([Vec<f32>; 3]);

impl Channels {
    fn zeros(len: usize) -> Self {
        Self(std::array::from_fn(|_| vec![0.0; len]))
    }

    fn from_pixels(pixels: impl ExactSizeIterator<Item = [f32; 3]>) -> Self {
        let mut channels = Self::zeros(pixels.len());
        for (i, pixel) in pixels.enumerate() {
            for (channel, value) in channels.0.iter_mut().zip(pixel) {
                channel[i] = value;
            }
        }
        channels
    }
}

/// One row of flat pixels at work: plain arrays, so that the arithmetic runs several pixels at a time.
struct Line {
    /// Log colour of the mat's ground.
    base: Channels,
    /// 1 where the grid is printed, 0 beyond it.
    printed: Vec<f32>,
    /// Log colour of the photo.
    log: Channels,
    /// What the printed lines add.
    lines: Channels,
    /// One over the spreads.
    inverse: Channels,
    departure: Vec<f32>,
    brightness: Vec<f32>,
}

impl Line {
    fn new(layout: &Layout) -> Self {
        let n = layout.columns * CELL_PX;
        let channels = || Channels::zeros(n);
        let (base, log, lines, inverse) = (channels(), channels(), channels(), channels());
        let values = || vec![0.0; n];
        Self { base, printed: values(), log, lines, inverse, departure: values(), brightness: values() }
    }
}

/// What every row is read against.
struct Rows<'a> {
    flat: &'a Flat,
    layout: &'a Layout,
    mat: &'a MatModel,
    extent: &'a MatExtent,
    table: [f32; 256],
    across: Channels,
    scale: Scale,
}

impl Rows<'_> {
    /// Adds up the pixels of a row of cells.
    fn sum(&self, row: usize, cells: &mut [CellSums], line: &mut Line) {
        let layout = self.layout;
        let shade = self.mat.shade.along(layout.centre(0, row).y);
        for column in 0..layout.columns {
            let centre = layout.centre(column, row);
            let printed = if self.extent.depth_mm(centre) > -1.0 { 1.0 } else { 0.0 };
            let base = shade.at(centre.x);
            let here = column * CELL_PX..(column + 1) * CELL_PX;
            line.printed[here.clone()].fill(printed);
            for (channel, value) in line.base.0.iter_mut().zip(base) {
                channel[here.clone()].fill(value);
            }
        }
        for j in 0..CELL_PX {
            self.read(row * CELL_PX + j, line);
            self.compare(line);
            let valid = &layout.valid[row * layout.columns..];
            for (column, cell) in cells.iter_mut().enumerate().filter(|(column, _)| valid[*column]) {
                for x in column * CELL_PX..(column + 1) * CELL_PX {
                    let p = (line.lines.0[0][x] + line.lines.0[1][x] + line.lines.0[2][x]) / 3.0;
                    cell.add(line.departure[x], p, line.brightness[x]);
                }
            }
        }
    }

    /// Takes in a row of pixels and what the lines add there.
    fn read(&self, y: usize, line: &mut Line) {
        let stride = 3 * self.flat.rgb.width() as usize;
        let n = line.printed.len();
        let pixels = &self.flat.rgb.as_raw()[y * stride..y * stride + 3 * n];
        let (log, inverse) = (&mut line.log.0, &mut line.inverse.0);
        for (x, rgb) in pixels.chunks_exact(3).enumerate() {
            let spreads = self.scale.inverse[usize::from(rgb[0].min(rgb[1]).min(rgb[2]))];
            for c in 0..3 {
                log[c][x] = self.table[usize::from(rgb[c])];
                inverse[c][x] = spreads[c];
            }
        }
        let down = self.mat.lines.across_y(self.layout.frame.mat_from_flat(0.0, y as f64).y);
        self.mat.lines.combine_row(&self.across.0, down, &mut line.lines.0);
        for channel in &mut line.lines.0 {
            channel.iter_mut().zip(&line.printed).for_each(|(value, printed)| *value *= printed);
        }
    }

    /// Departures of the row's pixels from the bare mat.
    fn compare(&self, line: &mut Line) {
        let [log0, log1, log2] = &line.log.0;
        let [base0, base1, base2] = &line.base.0;
        let [lines0, lines1, lines2] = &line.lines.0;
        let [inverse0, inverse1, inverse2] = &line.inverse.0;
        let n = line.departure.len();
        let rows = [log0, log1, log2, base0, base1, base2, lines0, lines1, lines2, inverse0, inverse1, inverse2];
        // Equal lengths, said once, spare a check at every pixel.
        let [log0, log1, log2, base0, base1, base2, lines0, lines1, lines2, inverse0, inverse1, inverse2] =
            rows.map(|row| &row[..n]);
        let (departure, brightness) = (&mut line.departure[..n], &mut line.brightness[..n]);
        for x in 0..n {
            let seen = [log0[x], log1[x], log2[x]];
            let expected = [base0[x] + lines0[x], base1[x] + lines1[x], base2[x] + lines2[x]];
            let d = Departure::between(seen, expected);
            departure[x] = in_spreads(d, [inverse0[x], inverse1[x], inverse2[x]]);
            brightness[x] = d.brightness;
        }
    }
}

/// The mat's spreads with the noise of dark pixels added, inverted, per gamma level.
pub(crate) struct Scale {
    inverse: Vec<[f32; 3]>,
}

impl Scale {
    pub(crate) fn new(spread: [f32; 3], noise_levels: f32) -> Self {
        let noise = |level: usize| noise_levels / (level as f32 + DARK_OFFSET);
        Self { inverse: (0..256).map(|level| spread.map(|s| 1.0 / s.hypot(noise(level)))).collect() }
    }
}

/// How far a pixel strays from the bare mat, in the mat's own spreads; darkening alone counts little.
fn in_spreads(d: Departure, inverse: [f32; 3]) -> f32 {
    let drop = (-d.brightness).max(0.0);
    let open = 1.0 / (1.0 + SHADOW_TOLERANCE * drop);
    let counted = d.brightness.max(0.0) + DARK_SHARE * drop + (drop - DEEPEST_SHADOW).max(0.0);
    let bright = counted * inverse[0];
    let (a, b) = (d.colour[0] * inverse[1] * open, d.colour[1] * inverse[2] * open);
    (a * a + b * b + bright * bright).sqrt().min(CAP)
}

/// Half a window in which the grid is looked for, a little wider than the pitch, in cells.
fn reach(layout: &Layout, extent: &MatExtent) -> usize {
    let window = (1.2 * extent.pitch_mm).clamp(8.0, LARGEST_WINDOW_MM);
    ((window / layout.cell_mm() - 1.0) / 2.0).round().max(1.0) as usize
}

/// Regression of the seen brightness on the predicted lines over a window a little wider than the pitch.
fn grid_coefficient(layout: &Layout, sums: &[CellSums], mat: &MatModel, extent: &MatExtent) -> Vec<f32> {
    let reach = reach(layout, extent);
    let within = |f: fn(&CellSums) -> f32| -> Vec<f32> {
        let values: Vec<f32> = sums.iter().map(f).collect();
        box_sum(layout.columns, layout.rows, &values, reach)
    };
    let count: Vec<f32> = layout.valid.iter().map(|v| if *v { PER_CELL } else { 0.0 }).collect();
    let ((count, p), ((y, pp), py)) = rayon::join(
        || (box_sum(layout.columns, layout.rows, &count, reach), within(|s| s.p)),
        || ((within(|s| s.y), within(|s| s.pp)), within(|s| s.py)),
    );
    (0..layout.len())
        .map(|k| {
            let n = count[k].max(1.0);
            let power = pp[k] - p[k] * p[k] / n;
            let error = mat.spread[0] / power.max(1e-9).sqrt();
            if error > GRID_ERROR { f32::NAN } else { (py[k] - p[k] * y[k] / n) / power }
        })
        .collect()
}
