//! Long straight edges of a photo: where a ruler's side may run.

use image::GrayImage;
use nalgebra::Vector2;

use crate::reference::reduce;
use crate::units::ImagePoint;

/// The search runs on a photo of about this long side, px.
const SEARCH_LONG_SIDE: u32 = 1000;
/// Directions of the Hough transform over half a turn.
const ANGLES: usize = 360;
/// Votes go to directions this near to a point's own, steps.
const FAN: i32 = 4;
/// Least gradient, grey levels over two pixels.
const LEAST_GRADIENT: f64 = 10.0;
/// The most lines worth looking along: the strongest, which may all be stripes of cloth, and as many more of any direction.
const STRONGEST: usize = 80;
const OF_ANY_DIRECTION: usize = 80;
/// The most of those more that go in nearly one direction, and the steps that are nearly one.
const MOST_ALIKE: usize = 6;
const ALIKE: usize = 12;
/// What is one line's: steps of direction and px of offset either way.
const BESIDE: i32 = 4;

/// A line through the photo: a point and a unit direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PhotoLine {
    pub at: ImagePoint,
    pub along: Vector2<f64>,
}

/// The lines with most edge along them, strongest first.
pub(super) fn find(luma: &GrayImage) -> Vec<PhotoLine> {
    let factor = luma.width().max(luma.height()).div_ceil(SEARCH_LONG_SIDE).max(1);
    let small = reduce(luma, factor);
    let (w, h) = (small.width() as i32, small.height() as i32);
    if w < 8 || h < 8 {
        return Vec::new();
    }
    let reach = f64::from(w).hypot(f64::from(h));
    let bins = reach.ceil() as usize + 2;
    let mut votes = vec![0.0f32; ANGLES * bins];
    let centre = (0.5 * f64::from(w), 0.5 * f64::from(h));
    let normals: Vec<(f64, f64)> =
        (0..ANGLES).map(|a| (std::f64::consts::PI * a as f64 / ANGLES as f64).sin_cos()).map(|(s, c)| (c, s)).collect();
    let bin = |a: usize, x: f64, y: f64| {
        let rho = normals[a].0 * (x - centre.0) + normals[a].1 * (y - centre.1);
        ((rho + 0.5 * reach).max(0.0) as usize).min(bins - 1)
    };
    let value = |x: i32, y: i32| f64::from(small.as_raw()[(y * w + x) as usize]);
    for y in 1..h - 1 {
        for x in 1..w - 1 {
            let g = (value(x + 1, y) - value(x - 1, y), value(x, y + 1) - value(x, y - 1));
            let size = g.0.hypot(g.1);
            if size < LEAST_GRADIENT {
                continue;
            }
            let angle = g.1.atan2(g.0).rem_euclid(std::f64::consts::PI) / std::f64::consts::PI * ANGLES as f64;
            for d in -FAN..=FAN {
                let a = (angle.round() as i32 + d).rem_euclid(ANGLES as i32) as usize;
                votes[a * bins + bin(a, f64::from(x), f64::from(y))] += size.min(40.0) as f32;
            }
        }
    }
    peaks(&votes, bins)
        .into_iter()
        .map(|(a, b)| {
            let rho = b as f64 + 0.5 - 0.5 * reach;
            let (nx, ny) = normals[a];
            let f = f64::from(factor);
            let place = |v: f64| (v + 0.5) * f - 0.5;
            PhotoLine {
                at: ImagePoint::new(place(centre.0 + rho * nx), place(centre.1 + rho * ny)),
                along: Vector2::new(-ny, nx),
            }
        })
        .collect()
}

fn peaks(votes: &[f32], bins: usize) -> Vec<(usize, usize)> {
    let mut left: Vec<Direction> = votes.chunks(bins).map(|row| Direction::of(row.to_vec())).collect();
    let mut out = Vec::new();
    let mut alike = [0; ANGLES / ALIKE];
    while out.len() < STRONGEST + OF_ANY_DIRECTION {
        let Some((a, next)) = left.iter().enumerate().max_by(|a, b| a.1.most.total_cmp(&b.1.most)) else { break };
        if next.most <= 0.0 {
            break;
        }
        let b = next.at;
        out.push((a, b));
        let sector = a / ALIKE;
        alike[sector] += usize::from(out.len() > STRONGEST);
        if alike[sector] == MOST_ALIKE {
            left[sector * ALIKE..(sector + 1) * ALIKE].fill(Direction::of(Vec::new()));
        }
        for da in -BESIDE..=BESIDE {
            let turned = a as i32 + da;
            // Half a turn on, the same line has the opposite offset.
            let flip = turned < 0 || turned >= ANGLES as i32;
            let middle = if flip { bins as i32 - 2 - b as i32 } else { b as i32 };
            left[turned.rem_euclid(ANGLES as i32) as usize].strike(middle - BESIDE..=middle + BESIDE);
        }
    }
    out
}

/// The votes left for lines of one direction, and where most are.
#[derive(Clone)]
struct Direction {
    votes: Vec<f32>,
    at: usize,
    most: f32,
}

impl Direction {
    fn of(votes: Vec<f32>) -> Self {
        let best = votes.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
        let (at, most) = best.unwrap_or((0, 0.0));
        Self { votes, at, most }
    }

    /// Strikes out the votes of some offsets.
    fn strike(&mut self, offsets: std::ops::RangeInclusive<i32>) {
        let mut votes = std::mem::take(&mut self.votes);
        for offset in offsets {
            if let Some(votes) = usize::try_from(offset).ok().and_then(|offset| votes.get_mut(offset)) {
                *votes = 0.0;
            }
        }
        *self = Self::of(votes);
    }
}
