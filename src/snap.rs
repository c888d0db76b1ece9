//! A path that finds its own way along an edge or a seam of the flat photo, between places a person gives.
//!
//! The cheapest path over the pixels, by Dijkstra's method, where steps along strong contrast are cheap: live-wire
//! (Mortensen & Barrett, *Intelligent scissors for image composition*, SIGGRAPH 1995). Their cost of a step weighs the
//! zero crossing of the Laplacian, the gradient's size and its direction; here the size (of an edge) or the darkness of
//! a valley (of a seam), and the direction. The path is then moved onto the crest between the pixels and smoothed.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use image::RgbImage;

use crate::flat::{FlatFrame, FlatPhoto, MatRect};
use crate::refusal::{Refusal, RefusalKind};
use crate::units::MatPoint;

/// What the path follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SnapTo {
    /// Where one colour ends and another begins: the cloth's edge.
    Edge,
    /// A thin line darker than what lies on both sides: the shadow of a seam.
    Seam,
}

/// The path may stray this far beyond the box of its ends, mm ...
const STRAY_MM: f64 = 25.0;
/// ... and by this share of the distance between them.
const STRAY_SHARE: f64 = 0.25;
/// Most pixels searched between two places: more would be felt as waiting.
const MOST_PIXELS: f64 = 500_000.0;
/// Price of a pixel that shows nothing; one on the strongest contrast costs 1.
const BLANK_PRICE: f32 = 24.0;
/// What it costs to run across the contrast instead of along it, as a share of [`BLANK_PRICE`].
const ACROSS_SHARE: f32 = 0.35;
/// Share of the pixels whose contrast counts as the strongest: a highlight must not make all else look blank.
const STRONGEST: f64 = 0.98;
/// The crest is sought this far to either side of the pixel path, px.
const CREST_PX: f64 = 2.0;
/// ... in so many steps each way.
const CREST_STEPS: i32 = 8;
/// Standard deviation of the smoothing along the path, px.
const SMOOTH_PX: f64 = 2.0;
/// Most places in one path.
const MOST_PLACES: usize = 64;

/// The path through `places` (two or more, mat frame) that follows the photo best; begins and ends exactly at the first
/// and last of them. Points are about a pixel of the search apart (0.5 mm and more).
///
/// # Errors
/// [`RefusalKind::BadRequest`] for too few or too many places, or places beyond the photo.
pub fn path(photo: &FlatPhoto, places: &[MatPoint], to: SnapTo) -> Result<Vec<MatPoint>, Refusal> {
    if places.len() < 2 || places.len() > MOST_PLACES || places.iter().any(|p| !p.is_finite()) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("a path was asked for through {} places", places.len()),
            "give two places or more, at most 64",
        ));
    }
    let mut out: Vec<MatPoint> = Vec::new();
    for pair in places.windows(2) {
        let part = between(photo, pair[0], pair[1], to)?;
        let skip = usize::from(!out.is_empty());
        out.extend(part.into_iter().skip(skip));
    }
    Ok(out)
}

fn between(photo: &FlatPhoto, from: MatPoint, until: MatPoint, to: SnapTo) -> Result<Vec<MatPoint>, Refusal> {
    let held = photo.frame.rect;
    let inside = |p: MatPoint| p.x >= held.min.x && p.x <= held.max.x && p.y >= held.min.y && p.y <= held.max.y;
    let area = MatRect::around([from, until]).map(|r| r.grown(STRAY_MM + STRAY_SHARE * from.distance(until)));
    let Some(area) = area.filter(|_| inside(from) && inside(until)) else {
        return Err(Refusal::new(RefusalKind::BadRequest, "a place lies beyond the photo", "stay on the photo"));
    };
    let window = Window::cut(photo, area, to);
    let (start, goal) = (window.pixel(from), window.pixel(until));
    let pixels = window.cheapest(start, goal);
    let mut points = window.refined(&pixels);
    if let [first, .., last] = points.as_mut_slice() {
        (*first, *last) = (from, until);
    } else {
        points = vec![from, until];
    }
    Ok(points)
}

/// The part of the photo searched, as contrast and its direction.
struct Window {
    frame: FlatFrame,
    /// Contrast; 1 is the strongest but for highlights.
    contrast: Vec<f32>,
    /// Unit direction across it.
    across: Vec<[f32; 2]>,
}

impl Window {
    fn cut(photo: &FlatPhoto, area: MatRect, to: SnapTo) -> Self {
        let held = photo.frame.rect;
        let rect = MatRect {
            min: MatPoint::new(area.min.x.max(held.min.x), area.min.y.max(held.min.y)),
            max: MatPoint::new(area.max.x.min(held.max.x), area.max.y.min(held.max.y)),
        };
        let most = (MOST_PIXELS / (rect.width_mm() * rect.height_mm()).max(1.0)).sqrt();
        let frame = FlatFrame::new(rect, photo.frame.px_per_mm.min(2.0).min(most));
        let tones = tones(photo, frame);
        let (w, h) = (frame.width as usize, frame.height as usize);
        let mut contrast = vec![0f32; w * h];
        let mut across = vec![[1f32, 0.0]; w * h];
        for y in 1..h.saturating_sub(1) {
            for x in 1..w.saturating_sub(1) {
                let (size, direction) = match to {
                    SnapTo::Edge => steepest(&tones, w, x, y),
                    SnapTo::Seam => valley(&tones, w, x, y),
                };
                contrast[y * w + x] = size;
                across[y * w + x] = direction;
            }
        }
        let mut sorted = contrast.clone();
        let rank = ((sorted.len() as f64 * STRONGEST) as usize).min(sorted.len().saturating_sub(1));
        let strongest = *sorted.select_nth_unstable_by(rank, f32::total_cmp).1;
        contrast.iter_mut().for_each(|c| *c /= strongest.max(1.0));
        Self { frame, contrast, across }
    }

    fn pixel(&self, p: MatPoint) -> usize {
        let (c, r) = self.frame.flat_from_mat(p);
        let within = |v: f64, n: u32| v.round().clamp(0.0, f64::from(n) - 1.0) as usize;
        within(r, self.frame.height) * self.frame.width as usize + within(c, self.frame.width)
    }

    /// Dijkstra over eight neighbours.
    fn cheapest(&self, start: usize, goal: usize) -> Vec<usize> {
        let (w, h) = (self.frame.width as usize, self.frame.height as usize);
        let mut cost = vec![f32::INFINITY; w * h];
        let mut came = vec![u32::MAX; w * h];
        let mut heap = BinaryHeap::new();
        cost[start] = 0.0;
        // Costs are positive, so their bits sort as they do.
        heap.push(Reverse((0u32, start as u32)));
        while let Some(Reverse((bits, at))) = heap.pop() {
            let at = at as usize;
            if at == goal {
                break;
            }
            if f32::from_bits(bits) > cost[at] {
                continue;
            }
            let (x, y) = ((at % w) as i32, (at / w) as i32);
            for (dx, dy) in [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)] {
                let (nx, ny) = (x + dx, y + dy);
                if nx < 0 || ny < 0 || nx >= w as i32 || ny >= h as i32 {
                    continue;
                }
                let next = ny as usize * w + nx as usize;
                let through = cost[at] + self.price(at, next, dx as f32, dy as f32);
                if through < cost[next] {
                    cost[next] = through;
                    came[next] = at as u32;
                    heap.push(Reverse((through.to_bits(), next as u32)));
                }
            }
        }
        let mut back = vec![goal];
        let mut at = goal;
        while at != start && came[at] != u32::MAX {
            at = came[at] as usize;
            back.push(at);
        }
        back.reverse();
        back
    }

    fn price(&self, from: usize, to: usize, dx: f32, dy: f32) -> f32 {
        let length = dx.hypot(dy);
        let blank = 1.0 - self.contrast[to].min(1.0);
        let run_across = |k: usize| {
            let [ax, ay] = self.across[k];
            ((dx * ax + dy * ay) / length).abs() * self.contrast[k].min(1.0)
        };
        let turned = 0.5 * (run_across(from) + run_across(to));
        length * (1.0 + (BLANK_PRICE - 1.0) * (blank * blank + ACROSS_SHARE * turned))
    }

    /// The pixel path on the crest of the contrast, smoothed, in mm.
    fn refined(&self, pixels: &[usize]) -> Vec<MatPoint> {
        let w = self.frame.width as usize;
        let crest: Vec<[f64; 2]> = pixels
            .iter()
            .map(|k| {
                let (x, y) = ((k % w) as f64, (k / w) as f64);
                let [ax, ay] = self.across[*k].map(f64::from);
                let at = |t: f64| self.sampled(x + t * ax, y + t * ay);
                // The middle of what stands out from the sides: steadier than the highest place.
                let steps = (-CREST_STEPS..=CREST_STEPS).map(|i| CREST_PX * f64::from(i) / f64::from(CREST_STEPS));
                let seen: Vec<(f64, f64)> = steps.map(|t| (t, at(t))).collect();
                let least = seen.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
                let weight = |s: &(f64, f64)| (s.1 - least).powi(2);
                let total: f64 = seen.iter().map(weight).sum();
                let t = if total > 1e-6 { seen.iter().map(|s| s.0 * weight(s)).sum::<f64>() / total } else { 0.0 };
                [x + t * ax, y + t * ay]
            })
            .collect();
        let reach = (3.0 * SMOOTH_PX) as isize;
        (0..crest.len())
            .map(|k| {
                // Shorter towards the ends, and even on both sides, so that the ends stay.
                let reach = reach.min(k as isize).min((crest.len() - 1 - k) as isize);
                let (mut sum, mut weight) = ([0.0, 0.0], 0.0);
                for d in -reach..=reach {
                    let g = (-0.5 * (d as f64 / SMOOTH_PX).powi(2)).exp();
                    let [x, y] = crest[(k as isize + d) as usize];
                    sum = [sum[0] + g * x, sum[1] + g * y];
                    weight += g;
                }
                self.frame.mat_from_flat(sum[0] / weight, sum[1] / weight)
            })
            .collect()
    }

    fn sampled(&self, x: f64, y: f64) -> f64 {
        let (w, h) = (self.frame.width as usize, self.frame.height as usize);
        let (x, y) = (x.clamp(0.0, w as f64 - 1.001), y.clamp(0.0, h as f64 - 1.001));
        let (i, j) = (x as usize, y as usize);
        let (fx, fy) = (x - i as f64, y - j as f64);
        let at = |i: usize, j: usize| f64::from(self.contrast[j.min(h - 1) * w + i.min(w - 1)]);
        let (top, low) = (at(i, j) * (1.0 - fx) + at(i + 1, j) * fx, at(i, j + 1) * (1.0 - fx) + at(i + 1, j + 1) * fx);
        top * (1.0 - fy) + low * fy
    }
}

/// The photo's channels in a frame, blurred a little (binomial), as floats.
fn tones(photo: &FlatPhoto, frame: FlatFrame) -> [Vec<f32>; 3] {
    let (w, h) = (frame.width as usize, frame.height as usize);
    let mut channels = [vec![0f32; w * h], vec![0f32; w * h], vec![0f32; w * h]];
    let ratio = photo.frame.px_per_mm / frame.px_per_mm;
    // Means over as many photo pixels as one of these covers.
    let reach = ((0.5 * ratio).round() as i64).max(0);
    for y in 0..h {
        for x in 0..w {
            let (c, r) = photo.frame.flat_from_mat(frame.mat_from_flat(x as f64, y as f64));
            let mean = mean_around(&photo.rgb, c.round() as i64, r.round() as i64, reach);
            for (channel, value) in channels.iter_mut().zip(mean) {
                channel[y * w + x] = value;
            }
        }
    }
    channels.map(|values| blurred(&values, w, h))
}

fn mean_around(rgb: &RgbImage, x: i64, y: i64, reach: i64) -> [f32; 3] {
    let mut sum = [0u32; 3];
    let mut n = 0u32;
    for j in y - reach..=y + reach {
        for i in x - reach..=x + reach {
            let at = (i.clamp(0, i64::from(rgb.width()) - 1) as u32, j.clamp(0, i64::from(rgb.height()) - 1) as u32);
            for (s, v) in sum.iter_mut().zip(rgb.get_pixel(at.0, at.1).0) {
                *s += u32::from(v);
            }
            n += 1;
        }
    }
    sum.map(|s| s as f32 / n.max(1) as f32)
}

/// 1 4 6 4 1 both ways.
fn blurred(values: &[f32], w: usize, h: usize) -> Vec<f32> {
    const KERNEL: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
    let pass = |from: &[f32], step: usize, at: &dyn Fn(usize) -> (usize, usize)| -> Vec<f32> {
        (0..from.len())
            .map(|k| {
                let (place, count) = at(k);
                KERNEL
                    .iter()
                    .enumerate()
                    .map(|(i, weight)| {
                        let there = (place + i).saturating_sub(2).min(count - 1);
                        weight * from[k + there * step - place * step]
                    })
                    .sum()
            })
            .collect()
    };
    let rows = pass(values, 1, &|k| (k % w, w));
    pass(&rows, w, &|k| (k / w, h))
}

/// Gradient of the channel in which it is steepest, per pixel, and its direction (central differences of Sobel).
fn steepest(tones: &[Vec<f32>; 3], w: usize, x: usize, y: usize) -> (f32, [f32; 2]) {
    let mut best = (0.0, [1.0, 0.0]);
    for tone in tones {
        let at = |dx: isize, dy: isize| tone[(y as isize + dy) as usize * w + (x as isize + dx) as usize];
        let gx = at(1, -1) + 2.0 * at(1, 0) + at(1, 1) - at(-1, -1) - 2.0 * at(-1, 0) - at(-1, 1);
        let gy = at(-1, 1) + 2.0 * at(0, 1) + at(1, 1) - at(-1, -1) - 2.0 * at(0, -1) - at(1, -1);
        let size = gx.hypot(gy) / 8.0;
        if size > best.0 {
            best = (size, [gx / (8.0 * size), gy / (8.0 * size)]);
        }
    }
    best
}

/// Depth of a dark valley (the larger second derivative of brightness, if positive) and the direction across it.
fn valley(tones: &[Vec<f32>; 3], w: usize, x: usize, y: usize) -> (f32, [f32; 2]) {
    let at = |dx: isize, dy: isize| {
        let k = (y as isize + dy) as usize * w + (x as isize + dx) as usize;
        0.3 * tones[0][k] + 0.6 * tones[1][k] + 0.1 * tones[2][k]
    };
    let xx = at(1, 0) + at(-1, 0) - 2.0 * at(0, 0);
    let yy = at(0, 1) + at(0, -1) - 2.0 * at(0, 0);
    let xy = 0.25 * (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1));
    let spread = (0.25 * (xx - yy) * (xx - yy) + xy * xy).sqrt();
    let larger = 0.5 * (xx + yy) + spread;
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    (larger.max(0.0), [angle.cos(), angle.sin()])
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    /// 200 x 100 mm at 2 px per mm; `tone(x, y)` in mm.
    fn drawn(tone: impl Fn(f64, f64) -> f64) -> FlatPhoto {
        let rect = MatRect { min: MatPoint::new(0.0, 0.0), max: MatPoint::new(200.0, 100.0) };
        let frame = FlatFrame::new(rect, 2.0);
        let rgb = RgbImage::from_fn(frame.width, frame.height, |c, r| {
            let p = frame.mat_from_flat(f64::from(c), f64::from(r));
            let value = tone(p.x, p.y).round().clamp(0.0, 255.0) as u8;
            Rgb([value, value / 2 + 40, 90])
        });
        FlatPhoto { frame, rgb }
    }

    fn wave(x: f64) -> f64 {
        50.0 + 12.0 * (x / 22.0).sin()
    }

    /// Half-width of a pixel step blurred over about a millimetre.
    fn soft(distance: f64) -> f64 {
        0.5 + 0.5 * (distance / 0.6).tanh()
    }

    #[test]
    fn follows_the_edge_of_a_wavy_cloth() {
        let photo = drawn(|x, y| 60.0 + 120.0 * soft(wave(x) - y));
        let ends = [MatPoint::new(10.0, wave(10.0)), MatPoint::new(190.0, wave(190.0))];
        let path = path(&photo, &ends, SnapTo::Edge).unwrap();
        // Distance across the wave: the slope is at most 12/22.
        let off = |p: &MatPoint| (p.y - wave(p.x)).abs();
        let worst = path.iter().map(off).fold(0.0, f64::max);
        assert!(worst < 0.5, "{worst}");
        assert_eq!((path[0], path[path.len() - 1]), (ends[0], ends[1]));
    }

    #[test]
    fn follows_a_dark_seam_and_not_the_brighter_step_beside_it() {
        let seam = |x: f64, y: f64| 45.0 * (-0.5 * ((y - wave(x)) / 0.7).powi(2)).exp();
        let photo = drawn(|x, y| 170.0 - seam(x, y) + 60.0 * soft(y - 85.0));
        let ends = [MatPoint::new(10.0, wave(10.0)), MatPoint::new(190.0, wave(190.0))];
        let path = path(&photo, &ends, SnapTo::Seam).unwrap();
        let worst = path.iter().map(|p| (p.y - wave(p.x)).abs()).fold(0.0, f64::max);
        assert!(worst < 0.7, "{worst}");
    }

    #[test]
    fn runs_straight_where_nothing_is_seen_and_refuses_what_lies_beyond() {
        let photo = drawn(|_, _| 120.0);
        let ends = [MatPoint::new(20.0, 50.0), MatPoint::new(180.0, 50.0)];
        let found = path(&photo, &ends, SnapTo::Edge).unwrap();
        assert!(found.iter().all(|p| (p.y - 50.0).abs() < 1.0));
        assert!(path(&photo, &ends[..1], SnapTo::Edge).is_err());
        assert!(path(&photo, &[ends[0], MatPoint::new(500.0, 0.0)], SnapTo::Edge).is_err());
    }
}
