//! Straight stretches of thin line on a reduced photo: ridge points, a Hough transform whose votes are
//! kept near each point's own direction, and runs along its peaks.

use image::GrayImage;
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;

use crate::reference::Marking;

/// Distances at which a line must stand out from both sides, px: thin and wide grout.
const REACHES: [usize; 2] = [3, 6];
/// Rim of the picture left out, px.
const MARGIN: usize = REACHES[1] + 2;
/// Least ridge, grey levels.
const LEAST: u8 = 4;
/// The most ridge points worth sorting out, and how many of the strongest are looked at where those of a weave hide the joints.
pub(super) const MOST_POINTS: usize = 40_000;
pub(super) const STRONGEST_POINTS: usize = 8_000;
/// Directions of the Hough transform.
const ANGLES: usize = 180;
/// Votes go to directions within this many degrees of a point's own.
const FAN: i32 = 6;
/// A point belongs to a line if its own direction is within this many degrees of the line's.
const TURN: i32 = 10;
/// A point belongs to a line if it lies this near, px.
const NEAR: f64 = 2.5;
/// Longest gap in a run, px.
const GAP: f64 = 14.0;
/// The most segments looked for.
const MOST_SEGMENTS: usize = 120;

/// A straight stretch of line, in pixels of the reduced photo about its middle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Segment {
    /// One end.
    pub from: Vector2<f64>,
    /// The other.
    pub to: Vector2<f64>,
}

impl Segment {
    /// Length, px.
    pub(super) fn length(&self) -> f64 {
        (self.to - self.from).norm()
    }

    /// Unit direction.
    pub(super) fn direction(&self) -> Vector2<f64> {
        (self.to - self.from) / self.length()
    }

    /// Its middle.
    pub(super) fn middle(&self) -> Vector2<f64> {
        (self.from + self.to) * 0.5
    }
}

/// A ridge point with the direction of its line (unit vector), about the picture's middle.
#[derive(Debug, Clone, Copy)]
struct Point {
    at: Vector2<f64>,
    along: Vector2<f64>,
}

/// The segments of lines of one polarity, longest first, among so many of the strongest ridge points.
pub(super) fn segments(picture: &GrayImage, marking: Marking, most: usize) -> Vec<Segment> {
    let points = ridge_points(picture, marking, most);
    let long_side = f64::from(picture.width().max(picture.height()));
    let least = 0.04 * long_side;
    let mut hough = Hough::new(&points, f64::from(picture.width()).hypot(f64::from(picture.height())));
    let mut free = Free::new(&points);
    let mut found = Vec::new();
    for _ in 0..2 * MOST_SEGMENTS {
        let Some((angle, offset)) = hough.peak(0.6 * least) else { break };
        let runs = hough.runs(&mut free, angle, offset, least);
        found.extend(runs);
        if found.len() >= MOST_SEGMENTS {
            break;
        }
    }
    found.sort_by(|a: &Segment, b| b.length().total_cmp(&a.length()));
    found
}

fn ridge_points(picture: &GrayImage, marking: Marking, most: usize) -> Vec<Point> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    if width < 4 * MARGIN || height < 4 * MARGIN {
        return Vec::new();
    }
    let ridge = ridge_map(picture, marking);
    let rows: Vec<usize> = (MARGIN..height - MARGIN).collect();
    let mut peaks: Vec<(u8, usize)> = rows
        .par_iter()
        .flat_map_iter(|&y| {
            let ridge = &ridge;
            (MARGIN..width - MARGIN).filter_map(move |x| {
                let at = y * width + x;
                let here = ridge[at];
                let crest = |step: usize| here >= ridge[at - step] && here > ridge[at + step];
                (here >= LEAST && (crest(1) || crest(width))).then_some((here, at))
            })
        })
        .collect();
    if peaks.len() > most {
        peaks.select_nth_unstable_by_key(most, |p| std::cmp::Reverse(p.0));
        peaks.truncate(most);
    }
    let middle = Vector2::new(0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
    let place = |at: usize| Vector2::new((at % width) as f64, (at / width) as f64) - middle;
    let mut points: Vec<(usize, Point)> = peaks
        .par_iter()
        .filter_map(|&(_, at)| Some((at, Point { at: place(at), along: direction(picture.as_raw(), width, at)? })))
        .collect();
    points.sort_by_key(|p| p.0);
    points.into_iter().map(|p| p.1).collect()
}

/// How far a pixel stands out from both sides, in the better of the two directions and reaches.
fn ridge_map(picture: &GrayImage, marking: Marking) -> Vec<u8> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let margin = REACHES[1];
    let mut map = vec![0u8; width * height];
    map.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        if y >= margin && y + margin < height {
            REACHES.iter().for_each(|&reach| raise_to_ridge(picture, y, reach, marking, row));
        }
    });
    map
}

/// Raises the row `y` of a ridge map to what stands out from both sides at one reach.
fn raise_to_ridge(picture: &GrayImage, y: usize, reach: usize, marking: Marking, row: &mut [u8]) {
    let (width, margin) = (picture.width() as usize, REACHES[1]);
    let line = |y: usize, by: usize| &picture.as_raw()[y * width + margin + by - reach..][..width - 2 * margin];
    let (here, left, right) = (line(y, reach), line(y, 0), line(y, 2 * reach));
    let (up, down) = (line(y - reach, reach), line(y + reach, reach));
    let row = &mut row[margin..width - margin];
    let (here, left, right) = (&here[..row.len()], &left[..row.len()], &right[..row.len()]);
    let (up, down) = (&up[..row.len()], &down[..row.len()]);
    let is_light = marking == Marking::LightLines;
    for i in 0..row.len() {
        let ridge = if is_light {
            here[i].saturating_sub(left[i].max(right[i]).min(up[i].max(down[i])))
        } else {
            left[i].min(right[i]).max(up[i].min(down[i])).saturating_sub(here[i])
        };
        row[i] = row[i].max(ridge);
    }
}

/// Direction of the line at a point: square to the gradients round it; `None` where they have no one direction.
///
/// The point lies [`MARGIN`] from the picture's rim.
fn direction(raw: &[u8], width: usize, at: usize) -> Option<Vector2<f64>> {
    let (mut xx, mut xy, mut yy) = (0i32, 0i32, 0i32);
    let row = |dy: usize| raw.get(at + dy * width - 4 * width - 4..)?.first_chunk::<9>();
    let mut rows = [row(0)?, row(1)?, row(2)?];
    for dy in 2..9 {
        rows = [rows[1], rows[2], row(dy)?];
        for x in 1..8 {
            let gx = i32::from(rows[1][x + 1]) - i32::from(rows[1][x - 1]);
            let gy = i32::from(rows[2][x]) - i32::from(rows[0][x]);
            (xx, xy, yy) = (xx + gx * gx, xy + gx * gy, yy + gy * gy);
        }
    }
    let (xx, xy, yy) = (f64::from(xx), f64::from(xy), f64::from(yy));
    let spread = ((xx - yy) * (xx - yy) + 4.0 * xy * xy).sqrt();
    if spread < 0.3 * (xx + yy) {
        return None;
    }
    let across = 0.5 * (2.0 * xy).atan2(xx - yy);
    Some(Vector2::new(-across.sin(), across.cos()))
}

/// Points not yet on a segment, by the direction of their normal in degrees.
struct Free {
    by_angle: Vec<Vec<Point>>,
}

impl Free {
    fn new(points: &[Point]) -> Self {
        let mut by_angle = vec![Vec::new(); ANGLES];
        points.iter().for_each(|p| by_angle[own_angle(p) as usize % ANGLES].push(*p));
        Self { by_angle }
    }

    /// Takes out the points on a line whose own directions are within ten degrees of it.
    fn take(&mut self, n: Vector2<f64>, offset: f64) -> Vec<Point> {
        let angle = n.y.atan2(n.x).to_degrees().round() as i32;
        let mut taken = Vec::new();
        for step in -TURN..=TURN {
            let bucket = &mut self.by_angle[(angle + step).rem_euclid(ANGLES as i32) as usize];
            let near = |p: &Point| (n.dot(&p.at) - offset).abs() < NEAR;
            taken.extend(bucket.iter().filter(|p| near(p)).copied());
            bucket.retain(|p| !near(p));
        }
        taken
    }
}

/// Direction of a point's normal, whole degrees, 0 to 179.
fn own_angle(p: &Point) -> i32 {
    (p.along.x.atan2(-p.along.y).to_degrees().round() as i32).rem_euclid(ANGLES as i32)
}

/// Votes over (angle of the normal, offset), in bins of a degree and two pixels.
struct Hough {
    votes: Vec<i32>,
    offsets: usize,
    half: f64,
    /// Unit normals of the directions.
    normals: [Vector2<f64>; ANGLES],
    /// Best bin of each angle, unless votes there changed since.
    best: Vec<Option<(i32, usize)>>,
}

impl Hough {
    fn new(points: &[Point], diagonal: f64) -> Self {
        let half = (0.25 * diagonal).ceil() + 2.0;
        let offsets = 2 * half as usize + 1;
        let (votes, best) = (vec![0; ANGLES * offsets], vec![None; ANGLES]);
        let mut hough = Self { votes, offsets, half, normals: std::array::from_fn(normal), best };
        points.iter().for_each(|p| hough.vote(p, 1));
        hough
    }

    fn vote(&mut self, p: &Point, weight: i32) {
        let own = own_angle(p);
        for step in -FAN..=FAN {
            let angle = (own + step).rem_euclid(ANGLES as i32) as usize;
            let at = angle * self.offsets + self.bin(self.normals[angle].dot(&p.at));
            self.votes[at] += weight;
            self.best[angle] = None;
        }
    }

    fn bin(&self, offset: f64) -> usize {
        ((offset / 2.0 + self.half).round().max(0.0) as usize).min(self.offsets - 1)
    }

    fn peak(&mut self, least: f64) -> Option<(usize, f64)> {
        for angle in 0..ANGLES {
            if self.best[angle].is_none() {
                let row = &self.votes[angle * self.offsets..(angle + 1) * self.offsets];
                self.best[angle] = row.iter().enumerate().max_by_key(|v| v.1).map(|(i, &v)| (v, i));
            }
        }
        let (angle, best) = self.best.iter().enumerate().max_by_key(|(_, b)| b.map_or(0, |b| b.0))?;
        let (votes, bin) = (*best)?;
        (f64::from(votes) >= least).then_some((angle, 2.0 * (bin as f64 - self.half)))
    }

    /// Takes the points of a peak out and returns its runs that are long enough.
    fn runs(&mut self, free: &mut Free, angle: usize, offset: f64, least: f64) -> Vec<Segment> {
        let n = self.normals[angle];
        let mut on = free.take(n, offset);
        let n = match line_through(&on) {
            Some((n, offset)) => {
                on.extend(free.take(n, offset));
                n
            }
            None => n,
        };
        on.iter().for_each(|p| self.vote(p, -1));
        if on.is_empty() {
            // Votes of points just outside: nothing may leave the same peak standing for ever.
            let at = angle * self.offsets + self.bin(offset);
            self.votes[at] = 0;
            self.best[angle] = None;
        }
        split(on, n, least)
    }
}

fn normal(angle: usize) -> Vector2<f64> {
    let (sin, cos) = (angle as f64).to_radians().sin_cos();
    Vector2::new(cos, sin)
}

/// Total least squares line: (unit normal, offset).
fn line_through(on: &[Point]) -> Option<(Vector2<f64>, f64)> {
    if on.len() < 8 {
        return None;
    }
    let n = on.len() as f64;
    let mean = on.iter().fold(Vector2::zeros(), |m, p| m + p.at / n);
    let scatter = on.iter().fold(Matrix2::zeros(), |s, p| {
        let d = p.at - mean;
        s + d * d.transpose()
    });
    let along = 0.5 * (2.0 * scatter[(0, 1)]).atan2(scatter[(0, 0)] - scatter[(1, 1)]);
    let normal = Vector2::new(-along.sin(), along.cos());
    Some((normal, normal.dot(&mean)))
}

/// Runs without long gaps, well filled, each with its own line.
fn split(mut on: Vec<Point>, n: Vector2<f64>, least: f64) -> Vec<Segment> {
    let t = Vector2::new(-n.y, n.x);
    on.sort_by(|a, b| t.dot(&a.at).total_cmp(&t.dot(&b.at)));
    let apart = |a: &Point, b: &Point| t.dot(&(b.at - a.at)) < GAP;
    on.chunk_by(apart).filter_map(|run| segment(run, least)).collect()
}

fn segment(run: &[Point], least: f64) -> Option<Segment> {
    let (n, offset) = line_through(run)?;
    let t = Vector2::new(-n.y, n.x);
    let (lo, hi) =
        run.iter().map(|p| t.dot(&p.at)).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let full = hi - lo >= least && run.len() as f64 >= 0.5 * (hi - lo);
    full.then(|| Segment { from: n * offset + t * lo, to: n * offset + t * hi })
}
