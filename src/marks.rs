//! Stickers and pin heads of one strong colour on the cloth: where a hidden seam was felt.
//!
//! On the photo flattened at the height of the cloth's top, patches that stand out in one colour against the cloth
//! around them, and are round, are marks. Their middles are weighted by colour, so they are better than a pixel; then
//! they are put in the order of the shortest path through them.

use std::str::FromStr;

use image::RgbImage;
use serde::{Deserialize, Serialize};

use crate::camera::{Camera, SIGMAS_95};
use crate::flat::{self, FlatFrame, MatRect};
use crate::outline::Outline;
use crate::photo::Photo;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// Finest resolution looked at, px per mm, and most pixels of the flat photo.
const PX_PER_MM: f64 = 4.0;
const MOST_PX: f64 = 14.0e6;

/// Least strength of the colour in the middle of a mark, gamma levels of 255, and how far it must stand above the cloth.
const LEAST_COLOUR: f32 = 48.0;
const LEAST_LEAD: f32 = 30.0;

/// Diameters of marks, mm: from the head of a pin to a large sticker.
const DIAMETER_MM: (f64, f64) = (1.2, 26.0);

/// Longest over shortest spread of a round patch seen somewhat askew, and least share of its ellipse it fills.
const LONGEST: f64 = 1.5;
const LEAST_FILL: f64 = 0.75;

/// A patch up to this size may be a pin's head, which stands higher than the cloth by about so much, mm.
const PIN_HEAD_MM: f64 = 6.5;
const PIN_HEIGHT_MM: f64 = 2.0;

/// How far cloth lies above or below its own height, mm (wrinkles, padding).
const RELIEF_MM: f64 = 0.4;

/// Doubt (95 %) of a patch's middle itself, px.
const MIDDLE_PX: f64 = 0.35;

/// Share of the cloth in the colour asked for beyond which the cloth itself has it.
const CLOTH_SHARE: f64 = 0.08;

/// A colour that marks can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MarkColour {
    /// Red.
    Red,
    /// Orange.
    Orange,
    /// Yellow.
    Yellow,
    /// Green.
    Green,
    /// Blue.
    Blue,
    /// Purple.
    Purple,
    /// Pink.
    Pink,
}

/// Names, hues (degrees, red 0, green 120) and half-widths of hue.
const COLOURS: [(&str, MarkColour, f32, f32); 7] = [
    ("red", MarkColour::Red, 0.0, 28.0),
    ("orange", MarkColour::Orange, 28.0, 20.0),
    ("yellow", MarkColour::Yellow, 56.0, 20.0),
    ("green", MarkColour::Green, 125.0, 45.0),
    ("blue", MarkColour::Blue, 220.0, 40.0),
    ("purple", MarkColour::Purple, 280.0, 28.0),
    ("pink", MarkColour::Pink, 330.0, 28.0),
];

impl FromStr for MarkColour {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let found = COLOURS.iter().find(|(name, ..)| text.trim().eq_ignore_ascii_case(name));
        let names = || COLOURS.iter().map(|(name, ..)| *name).collect::<Vec<_>>().join(", ");
        found.map(|c| c.1).ok_or_else(|| format!("\"{text}\" is not a colour of marks: give one of {}", names()))
    }
}

impl std::fmt::Display for MarkColour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.hue().0)
    }
}

impl MarkColour {
    fn hue(self) -> (&'static str, f32, f32) {
        COLOURS.iter().find(|c| c.1 == self).map_or(("red", 0.0, 28.0), |c| (c.0, c.2, c.3))
    }

    /// How much of this colour a pixel shows, gamma levels: its chroma, less as its hue is further off.
    fn strength(self, [r, g, b]: [u8; 3]) -> f32 {
        let (_, hue, half) = self.hue();
        let (r, g, b) = (f32::from(r), f32::from(g), f32::from(b));
        let (x, y) = (r - 0.5 * (g + b), 0.866 * (g - b));
        let chroma = x.hypot(y);
        if chroma < 1.0 {
            return 0.0;
        }
        let off = (y.atan2(x).to_degrees() - hue + 540.0).rem_euclid(360.0) - 180.0;
        // Full inside half the width, nothing at one and a half times it.
        chroma * (1.5 - off.abs() / half).clamp(0.0, 1.0)
    }
}

/// A mark on the cloth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Number in order, from 1.
    pub number: usize,
    /// Plan position of its middle, mat frame.
    pub at: MatPoint,
    /// Half-width that holds the true place 95 % of the time, mm, the plane map being right.
    pub doubt_mm: f64,
    /// Its diameter, mm.
    pub diameter_mm: f64,
}

/// What the marks lie on.
#[derive(Debug, Clone, Copy)]
pub struct Cloth<'a> {
    /// The cloth's edge in plan.
    pub outline: &'a Outline,
    /// Height of the cloth's top above the mat, mm.
    pub top_mm: f64,
    /// Half-width (95 %) of that height's doubt, mm.
    pub top_doubt_mm: f64,
}

/// Finds the marks of a colour on the cloth, numbered along the shortest path through them.
pub fn find(photo: &Photo, camera: &Camera, cloth: Cloth<'_>, colour: MarkColour) -> (Vec<Mark>, Vec<Warning>) {
    let ring: Vec<MatPoint> = cloth.outline.points.iter().map(|p| p.at).collect();
    let Some(rect) = MatRect::around(ring.iter().copied()) else { return (Vec::new(), vec![not_found(colour)]) };
    let area = (rect.width_mm() * rect.height_mm()).max(1.0);
    let frame = FlatFrame::new(rect.grown(2.0), PX_PER_MM.min((MOST_PX / area).sqrt()));
    let flat = flat::rectify(photo, camera, frame, cloth.top_mm);
    let field = Field::new(&flat.rgb, frame, &ring, colour);
    if field.share_coloured() > CLOTH_SHARE {
        return (Vec::new(), vec![cloth_itself(colour)]);
    }
    let (patches, odd) = field.patches();
    let mut marks: Vec<Mark> = patches.iter().map(|patch| mark(patch, frame, camera, &cloth)).collect();
    in_order(&mut marks, ring.first().copied());
    let mut warnings = Vec::new();
    if marks.is_empty() {
        warnings.push(not_found(colour));
    }
    if odd > 0 {
        warnings.push(Warning::new(
            "marks-left-out",
            format!(
                "{odd} {} patch(es) on the cloth are not round, or too small or large, and were not taken for marks",
                colour.hue().0
            ),
        ));
    }
    (marks, warnings)
}

pub(crate) fn not_found(colour: MarkColour) -> Warning {
    let name = colour.hue().0;
    Warning::new(
        "marks-not-found",
        format!("no {name} marks were found on the cloth: use round {name} stickers of 5 to 15 mm, in even light"),
    )
}

fn cloth_itself(colour: MarkColour) -> Warning {
    let name = colour.hue().0;
    Warning::new(
        "marks-colour-of-cloth",
        format!("the cloth itself is {name} in places, so {name} marks cannot be told from it: use another colour"),
    )
}

fn mark(patch: &Patch, frame: FlatFrame, camera: &Camera, cloth: &Cloth<'_>) -> Mark {
    let at = frame.mat_from_flat(patch.middle.0, patch.middle.1);
    let diameter_mm = patch.diameter_px / frame.px_per_mm;
    let pin = if diameter_mm < PIN_HEAD_MM { PIN_HEIGHT_MM } else { 0.0 };
    let own = MIDDLE_PX / camera.px_per_mm(at).1.max(0.1);
    let (height, doubt) = (cloth.top_mm, cloth.top_doubt_mm.hypot(RELIEF_MM) + pin);
    let parallax = match camera.pose {
        Some(pose) => (at - pose.foot).norm() * doubt / pose.height_mm + SIGMAS_95 * camera.lower_sigma_mm(at, height),
        None => camera.lower_sigma_mm(at, height + doubt),
    };
    Mark { number: 0, at, doubt_mm: own.hypot(parallax), diameter_mm }
}

/// Strength of the colour on the cloth.
struct Field {
    width: usize,
    height: usize,
    px_per_mm: f64,
    strength: Vec<f32>,
    /// On the cloth.
    inside: Vec<bool>,
    /// The strength the cloth itself has: its middle and the level half of all cloth stays well below.
    cloth: f32,
}

/// A patch of the colour.
struct Patch {
    middle: (f64, f64),
    diameter_px: f64,
}

impl Field {
    fn new(rgb: &RgbImage, frame: FlatFrame, ring: &[MatPoint], colour: MarkColour) -> Self {
        let (width, height) = (rgb.width() as usize, rgb.height() as usize);
        let strength: Vec<f32> = rgb.pixels().map(|p| colour.strength(p.0)).collect();
        let mut inside = vec![false; strength.len()];
        for row in 0..height {
            fill_row(&mut inside[row * width..(row + 1) * width], frame, row, ring);
        }
        let mut on: Vec<f32> = strength.iter().zip(&inside).step_by(7).filter(|(_, i)| **i).map(|(s, _)| *s).collect();
        let middle = on.len() / 2;
        let cloth = if on.is_empty() { 0.0 } else { *on.select_nth_unstable_by(middle, f32::total_cmp).1 };
        Self { width, height, px_per_mm: frame.px_per_mm, strength, inside, cloth }
    }

    fn least(&self) -> f32 {
        LEAST_COLOUR.max(self.cloth + LEAST_LEAD)
    }

    /// Share of the cloth that has the colour.
    fn share_coloured(&self) -> f64 {
        let least = self.least();
        let on = self.inside.iter().filter(|i| **i).count().max(1);
        let coloured = self.strength.iter().zip(&self.inside).filter(|(s, i)| **i && **s > least).count();
        coloured as f64 / on as f64
    }

    /// Round patches, and how many others there are.
    fn patches(&self) -> (Vec<Patch>, usize) {
        let mut taken = vec![false; self.strength.len()];
        let (mut round, mut odd) = (Vec::new(), 0);
        for start in 0..self.strength.len() {
            if taken[start] || !self.inside[start] || self.strength[start] <= self.least() {
                continue;
            }
            let core = self.grown(start, &mut taken, self.least());
            match self.patch(&core) {
                Some(patch) => round.push(patch),
                // Specks of a print or of noise are not worth a word.
                None if core.len() as f64 > 2.0 * self.px_per_mm * self.px_per_mm => odd += 1,
                None => {}
            }
        }
        (round, odd)
    }

    /// All pixels over a level that hang together with one.
    fn grown(&self, start: usize, taken: &mut [bool], level: f32) -> Vec<usize> {
        let mut stack = vec![start];
        let mut out = Vec::new();
        taken[start] = true;
        while let Some(k) = stack.pop() {
            out.push(k);
            let (c, r) = (k % self.width, k / self.width);
            let around = [
                (c > 0).then(|| k - 1),
                (c + 1 < self.width).then_some(k + 1),
                (r > 0).then(|| k - self.width),
                (r + 1 < self.height).then_some(k + self.width),
            ];
            for n in around.into_iter().flatten() {
                if !taken[n] && self.strength[n] > level {
                    taken[n] = true;
                    stack.push(n);
                }
            }
        }
        out
    }

    /// The patch about a core, weighted by its colour over the cloth's; `None` unless it is a round mark on the cloth.
    fn patch(&self, core: &[usize]) -> Option<Patch> {
        let mut peak: Vec<f32> = core.iter().map(|k| self.strength[*k]).collect();
        let high = (peak.len() as f32 * 0.8) as usize;
        let peak = *peak.select_nth_unstable_by(high.min(core.len() - 1), f32::total_cmp).1;
        let box_of = |f: fn(usize, usize) -> usize| core.iter().map(move |k| f(*k, self.width));
        let (c0, c1) = (box_of(|k, w| k % w).min()?, box_of(|k, w| k % w).max()?);
        let (r0, r1) = (box_of(|k, w| k / w).min()?, box_of(|k, w| k / w).max()?);
        let margin = (0.6 * self.px_per_mm).ceil() as usize;
        let (c0, r0) = (c0.saturating_sub(margin), r0.saturating_sub(margin));
        let (c1, r1) = ((c1 + margin).min(self.width - 1), (r1 + margin).min(self.height - 1));
        let mut sums = [0f64; 6];
        for r in r0..=r1 {
            for c in c0..=c1 {
                let s = (self.strength[r * self.width + c] - self.cloth) / (peak - self.cloth).max(1.0);
                // From a quarter to three quarters of the step: noise of the cloth has no weight.
                let w = f64::from(((s - 0.25) / 0.5).clamp(0.0, 1.0));
                let (x, y) = (c as f64, r as f64);
                for (sum, v) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                    *sum += w * v;
                }
            }
        }
        let [n, x, y, xx, xy, yy] = sums;
        if n <= 0.0 {
            return None;
        }
        let (x, y) = (x / n, y / n);
        let (xx, xy, yy) = (xx / n - x * x, xy / n - x * y, yy / n - y * y);
        let half = (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
        let (long, short) = (0.5 * (xx + yy) + half, (0.5 * (xx + yy) - half).max(1e-6));
        let diameter_px = 2.0 * (n / std::f64::consts::PI).sqrt();
        // A full ellipse of variances a and b has the area 4 pi sqrt(a b).
        let fill = n / (4.0 * std::f64::consts::PI * (long * short).sqrt());
        let mm = diameter_px / self.px_per_mm;
        let round = (long / short).sqrt() < LONGEST && fill > LEAST_FILL;
        let middle = y.round() as usize * self.width + x.round() as usize;
        let on_cloth = self.inside.get(middle).copied().unwrap_or(false);
        (round && on_cloth && (DIAMETER_MM.0..DIAMETER_MM.1).contains(&mm))
            .then_some(Patch { middle: (x, y), diameter_px })
    }
}

/// Marks a row's pixels that lie within the ring.
fn fill_row(row: &mut [bool], frame: FlatFrame, number: usize, ring: &[MatPoint]) {
    let y = frame.mat_from_flat(0.0, number as f64).y;
    let mut crossings: Vec<f64> = ring
        .iter()
        .zip(ring.iter().cycle().skip(1))
        .filter(|(a, b)| (a.y > y) != (b.y > y))
        .map(|(a, b)| frame.flat_from_mat(MatPoint::new(a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x), y)).0)
        .collect();
    crossings.sort_by(f64::total_cmp);
    for pair in crossings.chunks_exact(2) {
        let (from, to) = (pair[0].ceil().max(0.0) as usize, pair[1].floor().max(0.0) as usize);
        for inside in row.iter_mut().take(to + 1).skip(from) {
            *inside = true;
        }
    }
}

/// Numbers the marks along the shortest open path through them that local swaps find, from the end nearer to `start`.
pub(crate) fn in_order(marks: &mut [Mark], start: Option<MatPoint>) {
    let n = marks.len();
    if n == 0 {
        return;
    }
    let far = |a: usize, b: usize| marks[a].at.distance(marks[b].at);
    let length = |path: &[usize]| path.windows(2).map(|w| far(w[0], w[1])).sum::<f64>();
    let nearest_first = |from: usize| -> Vec<usize> {
        let mut path = vec![from];
        let mut left: Vec<usize> = (0..n).filter(|k| *k != from).collect();
        while let Some((place, _)) = left
            .iter()
            .enumerate()
            .min_by(|a, b| far(path[path.len() - 1], *a.1).total_cmp(&far(path[path.len() - 1], *b.1)))
        {
            path.push(left.swap_remove(place));
        }
        path
    };
    let mut best: Vec<usize> =
        (0..n.min(40)).map(nearest_first).min_by(|a, b| length(a).total_cmp(&length(b))).unwrap_or_default();
    // Turning round any stretch that makes the path shorter (2-opt).
    let mut better = true;
    while better {
        better = false;
        for i in 0..n {
            for j in i + 1..n {
                let mut turned = best.clone();
                turned[i..=j].reverse();
                if length(&turned) < length(&best) - 1e-9 {
                    best = turned;
                    better = true;
                }
            }
        }
    }
    if let (Some(start), Some(&first), Some(&last)) = (start, best.first(), best.last())
        && marks[last].at.distance(start) < marks[first].at.distance(start)
    {
        best.reverse();
    }
    let ordered: Vec<Mark> = best.iter().enumerate().map(|(k, from)| Mark { number: k + 1, ..marks[*from] }).collect();
    marks.copy_from_slice(&ordered);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::Lens;
    use crate::outline::OutlinePoint;
    use crate::units::ImagePoint;
    use image::Rgb;
    use nalgebra::Matrix3;

    /// A camera straight above that shows 4 px per mm.
    fn camera() -> Camera {
        let map = Matrix3::new(4.0, 0.0, 0.0, 0.0, -4.0, 1200.0, 0.0, 0.0, 1.0);
        Camera::new(map, Lens::ideal(ImagePoint::new(800.0, 600.0), 1600.0)).unwrap()
    }

    fn outline() -> Outline {
        let corners = [(20.0, 20.0), (380.0, 20.0), (380.0, 280.0), (20.0, 280.0)];
        let points = corners.map(|(x, y)| OutlinePoint { at: MatPoint::new(x, y), doubt_mm: 0.1, seen: true });
        Outline { points: points.to_vec() }
    }

    /// Discs of a colour, antialiased by four by four samples a pixel, on grey cloth with a little noise.
    fn photo(discs: &[(f64, f64, f64)], colour: [f64; 3]) -> Photo {
        let mut noise = 7u32;
        Photo::from_rgb(RgbImage::from_fn(1600, 1200, |x, y| {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let stray = f64::from(noise >> 24) / 32.0 - 4.0;
            let samples = (0..16).map(|k| {
                let p = camera().mat_from_image(ImagePoint::new(
                    f64::from(x) + f64::from(k % 4) / 4.0 - 0.375,
                    f64::from(y) + f64::from(k / 4) / 4.0 - 0.375,
                ));
                f64::from(u8::from(discs.iter().any(|d| (p.x - d.0).hypot(p.y - d.1) < d.2 / 2.0)))
            });
            let share = samples.sum::<f64>() / 16.0;
            Rgb(std::array::from_fn(|c| (170.0 + (colour[c] - 170.0) * share + stray).clamp(0.0, 255.0) as u8))
        }))
    }

    fn found(photo: &Photo, colour: MarkColour) -> (Vec<Mark>, Vec<Warning>) {
        let outline = outline();
        find(photo, &camera(), Cloth { outline: &outline, top_mm: 0.0, top_doubt_mm: 0.0 }, colour)
    }

    #[test]
    fn drawn_discs_are_found_within_a_twentieth_of_a_millimetre_and_in_order() {
        let discs = [(300.3, 210.1, 8.0), (60.2, 60.7, 8.0), (140.9, 100.4, 8.0), (220.05, 150.6, 3.0)];
        let (marks, warnings) = found(&photo(&discs, [205.0, 30.0, 40.0]), MarkColour::Red);
        assert!(warnings.is_empty(), "{warnings:?}");
        assert_eq!(marks.len(), 4);
        for (mark, disc) in marks.iter().zip([discs[1], discs[2], discs[3], discs[0]]) {
            let off = mark.at.distance(MatPoint::new(disc.0, disc.1));
            assert!(off < 0.05 && off < mark.doubt_mm, "{mark:?} for {disc:?}");
            assert!((mark.diameter_mm - disc.2).abs() < 0.3, "{mark:?}");
        }
    }

    #[test]
    fn another_colour_and_another_place_do_not_count() {
        let (marks, _) = found(&photo(&[(100.0, 100.0, 8.0)], [205.0, 30.0, 40.0]), MarkColour::Blue);
        assert!(marks.is_empty());
        // Off the cloth.
        let (marks, warnings) = found(&photo(&[(390.0, 100.0, 8.0)], [205.0, 30.0, 40.0]), MarkColour::Red);
        assert!(marks.is_empty() && warnings.iter().any(|w| w.code == "marks-not-found"));
    }

    #[test]
    fn a_bar_is_no_mark_and_red_cloth_is_said() {
        let bar: Vec<(f64, f64, f64)> = (0..40).map(|k| (100.0 + f64::from(k), 100.0, 6.0)).collect();
        let (marks, warnings) = found(&photo(&bar, [205.0, 30.0, 40.0]), MarkColour::Red);
        assert!(marks.is_empty() && warnings.iter().any(|w| w.code == "marks-left-out"), "{warnings:?}");
        let (marks, warnings) = found(&photo(&[(200.0, 150.0, 180.0)], [205.0, 30.0, 40.0]), MarkColour::Red);
        assert!(marks.is_empty() && warnings.iter().any(|w| w.code == "marks-colour-of-cloth"), "{warnings:?}");
    }
}
