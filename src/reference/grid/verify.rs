//! Does a seed hold on the photo itself, and rigidly?
//!
//! Lines are looked for along the sides of the cells around the seed; only those count that lie on
//! evenly spaced straight lines, because a wide search finds *some* line for any spacing.

use image::GrayImage;

use super::grow::Place;
use super::model::{Freedom, LatticeModel, LocalLattice, OnLine};
use super::side::{Scratch, SideProbe, measure};
use crate::reference::Marking;

/// Sides may lie this share of the pitch off the even lattice.
const EVEN: f64 = 0.05;
/// Sides tried before a hopeless seed is left.
const FIRST_LOOK: usize = 20;
const FIRST_SHARE: f64 = 0.3;
/// Sides inside the photo needed for a verdict.
const LEAST_SIDES: usize = 24;

/// What [`verify`] saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verified {
    /// Share of the sides inside the photo that show a line in its even place.
    pub share: f64,
    /// Where the ground was read, px from the line's middle.
    pub arm_px: f64,
    /// Mean contrast of the sides found, grey levels.
    pub contrast: f64,
}

/// Looks for the seed's lines in the 5 x 5 cells around it, with several line widths; the best is returned.
pub fn verify(luma: &GrayImage, seed: &LocalLattice, marking: Marking) -> Verified {
    let pitch = seed.u.norm().min(seed.v.norm());
    let mut best = Verified { share: 0.0, arm_px: 3.0, contrast: 0.0 };
    let mut arm_px = 3.0_f64.min(0.25 * pitch);
    while arm_px <= 0.25 * pitch {
        if let Some(tried) = verify_width(luma, seed, marking, arm_px) {
            let clearer = tried.share > best.share - 0.02 && tried.contrast > 1.3 * best.contrast;
            if tried.share > best.share + 0.02 || clearer {
                best = tried;
            }
        }
        arm_px *= 2.0;
    }
    best
}

fn verify_width(luma: &GrayImage, seed: &LocalLattice, marking: Marking, arm_px: f64) -> Option<Verified> {
    let mut model = LatticeModel::from_local(seed, luma.width(), luma.height());
    let mut scratch = Scratch::default();
    let (mut seen, mut contrast) = (0usize, 0.0);
    let mut found: Vec<OnLine> = Vec::new();
    for place in places() {
        let pitch = if place.family == 0 { seed.u.norm() } else { seed.v.norm() };
        let probe = SideProbe {
            search_px: 0.15 * pitch,
            arm_px,
            step_px: (arm_px / 4.0).clamp(0.5, 4.0),
            ..place.probe(&model, marking)?
        };
        if !is_inside(luma, &probe) {
            continue;
        }
        seen += 1;
        if let Some(side) = measure(luma, &probe, &mut scratch) {
            let at = probe.ends[0].lerp(probe.ends[1], 0.5) + probe.normal * side.offset_px;
            found.push(OnLine { family: place.family, line: place.line, along: place.along + 0.5, at });
            contrast += side.contrast;
        }
        if seen == FIRST_LOOK && (found.len() as f64) < FIRST_SHARE * seen as f64 {
            return None;
        }
    }
    if seen < LEAST_SIDES || found.len() < 8 {
        return None;
    }
    let contrast = contrast / found.len() as f64;
    let pitch = seed.u.norm().min(seed.v.norm());
    model.fit(&found, Freedom::Affine, 0.03 * pitch)?;
    let limit = (EVEN * pitch).max(1.0);
    let even = found.iter().filter(|o| model.distance(o).abs() < limit).count();
    Some(Verified { share: even as f64 / seen as f64, arm_px, contrast })
}

/// The sides of the 5 x 5 cells around the crossing (0, 0), scattered so that the first few are a fair sample.
fn places() -> impl Iterator<Item = Place> {
    const SIDES: usize = 60;
    // 37 and 60 have no common factor, so every side comes once.
    (0..SIDES).map(|k| k * 37 % SIDES).map(|k| {
        let (family, line, along) = (k / 30, (k % 30) / 5, k % 5);
        Place { family, line: line as f64 - 2.0, along: along as f64 - 2.0 }
    })
}

fn is_inside(luma: &GrayImage, probe: &SideProbe) -> bool {
    let margin = probe.search_px + probe.arm_px + 3.0;
    let (w, h) = (f64::from(luma.width()) - margin, f64::from(luma.height()) - margin);
    probe.ends.iter().all(|p| p.x > margin && p.y > margin && p.x < w && p.y < h)
}
