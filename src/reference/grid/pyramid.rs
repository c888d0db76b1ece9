//! Halvings of the photo and the ridge response in which thin lines stand out.
//!
//! The response of a pixel to a light line is min(I(x) - I(x-d), I(x) - I(x+d)), clipped at 0, the
//! larger of the horizontal and the vertical one (and with signs changed for dark lines). Unlike a
//! gradient it is zero on steps, so the edges of garment and mat do not speak. It is taken at full
//! size *before* reducing, because a printed line is often under one pixel wide; and again on
//! each halving, so that wide grout is found at its own size.

use image::GrayImage;
use rayon::prelude::*;

/// Distance of the two neighbours a pixel is compared with, px.
const ARM_PX: usize = 3;

/// No halving below this long side, px.
const SMALLEST_PX: u32 = 200;

/// The photo and its halvings (each pixel the mean of 2 x 2).
pub struct Pyramid<'a> {
    base: &'a GrayImage,
    halves: Vec<GrayImage>,
}

impl<'a> Pyramid<'a> {
    /// All halvings down to a long side of about 200 px.
    pub fn new(base: &'a GrayImage) -> Self {
        let mut halves: Vec<GrayImage> = Vec::new();
        loop {
            let last = halves.last().unwrap_or(base);
            if last.width().max(last.height()) / 2 < SMALLEST_PX || last.width().min(last.height()) < 64 {
                break;
            }
            let next = halved(last);
            halves.push(next);
        }
        Self { base, halves }
    }

    /// The photo halved so many times (0 is the photo itself).
    pub fn level(&self, level: usize) -> Option<&GrayImage> {
        if level == 0 { Some(self.base) } else { self.halves.get(level - 1) }
    }

    /// The photo itself.
    pub fn base(&self) -> &GrayImage {
        self.base
    }

    /// Number of levels, the photo included.
    pub fn levels(&self) -> usize {
        self.halves.len() + 1
    }
}

/// Ridge responses to light and to dark lines at one halving.
pub struct RidgeMaps {
    /// How often the photo was halved to get the maps' size.
    pub level: usize,
    /// Response to lines lighter than their ground.
    pub light: GrayImage,
    /// Response to lines darker than their ground.
    pub dark: GrayImage,
}

/// Ridge maps of levels 1, 2, ...; each the larger of its own response and the pooled finer one.
pub fn ridge_maps(pyramid: &Pyramid) -> Vec<RidgeMaps> {
    let mut maps: Vec<RidgeMaps> = Vec::new();
    for level in 1..pyramid.levels() {
        let Some(own) = pyramid.level(level) else { break };
        let (width, height) = own.dimensions();
        let (mut light, mut dark) = match maps.last() {
            None => pooled_response(pyramid.base(), width, height),
            Some(finer) => (pooled(&finer.light, width, height), pooled(&finer.dark, width, height)),
        };
        raise_to_response(own, &mut light, &mut dark);
        maps.push(RidgeMaps { level, light, dark });
    }
    maps
}

fn halved(image: &GrayImage) -> GrayImage {
    let (width, height) = (image.width() / 2, image.height() / 2);
    let stride = image.width() as usize;
    let mut out = GrayImage::new(width, height);
    out.par_chunks_mut(width as usize).zip(image.as_raw().par_chunks(2 * stride)).for_each(|(row, pair)| {
        let (top, low) = pair.split_at(stride);
        let (top, low) = (top.as_chunks::<2>().0, low.as_chunks::<2>().0);
        for ((to, t), l) in row.iter_mut().zip(top).zip(low) {
            *to = ((sum_of(*t) + sum_of(*l) + 2) >> 2) as u8;
        }
    });
    out
}

/// 2 x 2 means of a map.
fn pooled(map: &GrayImage, width: u32, height: u32) -> GrayImage {
    let half = halved(map);
    debug_assert_eq!(half.dimensions(), (width, height));
    half
}

/// Row `y` of the response, written to `light` and `dark`; zero within the arm of the border.
fn response_row(image: &GrayImage, y: usize, light: &mut [u8], dark: &mut [u8]) {
    let (width, height) = (image.width() as usize, image.height() as usize);
    if y < ARM_PX || y + ARM_PX >= height || width <= 2 * ARM_PX {
        light.fill(0);
        dark.fill(0);
        return;
    }
    let raw = image.as_raw();
    let row = |r: usize| &raw[r * width..(r + 1) * width];
    let inner = width - 2 * ARM_PX;
    let (mid, up, down) = (row(y), &row(y - ARM_PX)[ARM_PX..], &row(y + ARM_PX)[ARM_PX..]);
    let (left, here, right) = (&mid[..inner], &mid[ARM_PX..ARM_PX + inner], &mid[2 * ARM_PX..]);
    let (up, down) = (&up[..inner], &down[..inner]);
    light[..ARM_PX].fill(0);
    dark[..ARM_PX].fill(0);
    light[ARM_PX + inner..].fill(0);
    dark[ARM_PX + inner..].fill(0);
    let (light, dark) = (&mut light[ARM_PX..ARM_PX + inner], &mut dark[ARM_PX..ARM_PX + inner]);
    for i in 0..inner {
        let c = here[i];
        light[i] = c.saturating_sub(left[i].max(right[i]).min(up[i].max(down[i])));
        dark[i] = left[i].min(right[i]).max(up[i].min(down[i])).saturating_sub(c);
    }
}

/// The response at full size, pooled 2 x 2 at once so that no full-size map is held.
///
/// The SUM of four is kept (clipped at 255): faint lines of a few grey levels keep their steps.
fn pooled_response(image: &GrayImage, width: u32, height: u32) -> (GrayImage, GrayImage) {
    let mut light = GrayImage::new(width, height);
    let mut dark = GrayImage::new(width, height);
    let full = image.width() as usize;
    let rows = light.par_chunks_mut(width as usize).zip(dark.par_chunks_mut(width as usize)).enumerate();
    rows.for_each_init(
        || vec![0u8; 4 * full],
        |buffer, (y, (light, dark))| {
            let (first, second) = buffer.split_at_mut(2 * full);
            let (l0, d0) = first.split_at_mut(full);
            let (l1, d1) = second.split_at_mut(full);
            response_row(image, 2 * y, l0, d0);
            response_row(image, 2 * y + 1, l1, d1);
            sum_pairs(l0, l1, light);
            sum_pairs(d0, d1, dark);
        },
    );
    (light, dark)
}

/// Sums of 2 x 2, clipped at 255; `top` is used up.
fn sum_pairs(top: &mut [u8], low: &[u8], out: &mut [u8]) {
    top.iter_mut().zip(low).for_each(|(t, l)| *t = t.saturating_add(*l));
    out.iter_mut().zip(top.as_chunks::<2>().0).for_each(|(to, pair)| *to = sum_of(*pair).min(255) as u8);
}

/// As both halves of one number, so that the processor takes many pairs at a time.
fn sum_of(pair: [u8; 2]) -> u16 {
    let both = u16::from_le_bytes(pair);
    (both & 255) + (both >> 8)
}

fn raise_row(map: &mut [u8], response: &[u8]) {
    map.iter_mut().zip(response).for_each(|(to, from)| *to = (*to).max(from.saturating_mul(2)));
}

/// Raises the maps to twice this level's own response where that is larger.
fn raise_to_response(image: &GrayImage, light: &mut GrayImage, dark: &mut GrayImage) {
    let width = image.width() as usize;
    let rows = light.par_chunks_mut(width).zip(dark.par_chunks_mut(width)).enumerate();
    rows.for_each_init(
        || vec![0u8; 2 * width],
        |buffer, (y, (light, dark))| {
            let (l, d) = buffer.split_at_mut(width);
            response_row(image, y, l, d);
            raise_row(light, l);
            raise_row(dark, d);
        },
    );
}
