//! Stickers and pin heads of one strong colour on the cloth: where a hidden seam was felt.
//!
//! On the photo flattened at the height of the cloth's top, [`spots`] finds what differs from the cloth around it more than
//! the cloth itself does, [`patch`] looks whether it is round and where its middle is, and [`choice`] tells stickers from a
//! print. Then they are put in the order of the shortest path through them.

mod choice;
mod level;
mod patch;
mod spots;

use std::str::FromStr;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use self::choice::Choice;
use self::level::{Colour, Level};
use self::patch::{Patch, Seen};
use crate::camera::{Camera, SIGMAS_95};
use crate::flat::{self, FlatFrame, MatRect};
use crate::outline::Outline;
use crate::photo::Photo;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// Finest resolution looked at, px per mm, and most pixels of the flat photo.
const PX_PER_MM: f64 = 4.0;
const MOST_PX: f64 = 14.0e6;

/// Least strength of the colour in the middle of a mark, gamma levels of 255.
const LEAST_COLOUR: f32 = 40.0;

/// Levels of half the size each, and radii looked for on each, px: every diameter from 1.2 to 28 mm is near to one.
const LEVELS: usize = 5;
const RADII_PX: [f64; 2] = [2.5, 3.5];

/// Diameters of marks, mm: from the smallest coloured head of a pin, 2 mm, to a large sticker.
const DIAMETER_MM: (f64, f64) = (1.8, 26.0);

/// A patch up to this size may be a pin's head, which stands higher than the cloth by about so much, mm.
const PIN_HEAD_MM: f64 = 6.5;
const PIN_HEIGHT_MM: f64 = 2.0;

/// How far cloth lies above or below its own height, mm (wrinkles, padding).
const RELIEF_MM: f64 = 0.4;

/// Doubt (95 %) of a patch's middle itself, px.
const MIDDLE_PX: f64 = 0.35;

/// Patches that are not round are told of from this size on, mm.
const LEAST_ODD_MM: f64 = 2.0;

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
    fn strength(self, [r, g, b]: Colour) -> f32 {
        let (_, hue, half) = self.hue();
        let (x, y) = (r - 0.5 * (g + b), 0.866 * (g - b));
        let chroma = x.hypot(y);
        if chroma < 1.0 {
            return 0.0;
        }
        let off = (y.atan2(x).to_degrees() - hue + 540.0).rem_euclid(360.0) - 180.0;
        // Full inside half the width, nothing at one and a half times it.
        chroma * (1.5 - off.abs() / half).clamp(0.0, 1.0)
    }

    /// Would a person call it so?
    fn shown_by(self, colour: Colour) -> bool {
        self.strength(colour) > LEAST_COLOUR
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
    let rgb = flat::rectify(photo, camera, frame, cloth.top_mm).rgb;
    let inside = inside(frame, &ring);
    let levels = Level { rgb, inside, factor: 1.0 }.pyramid(LEVELS);
    let (patches, odd) = patches(&levels, frame, colour);
    let choice = choice::choose(patches, &odd);
    let warnings = warnings(&choice, &odd, &levels, frame, colour);
    let mut marks: Vec<Mark> = choice.marks.iter().map(|patch| mark(patch, frame, camera, &cloth)).collect();
    in_order(&mut marks, ring.first().copied());
    (marks, warnings)
}

/// Round patches of the colour, each once, and others of it.
fn patches(levels: &[Level], frame: FlatFrame, colour: MarkColour) -> (Vec<Patch>, Vec<Patch>) {
    let looks = levels.iter().flat_map(|level| RADII_PX.map(|radius| (level, radius)));
    let seen: Vec<Seen> = looks
        .flat_map(|(level, radius)| {
            let spots = spots::spots(level, radius, colour);
            spots.into_par_iter().map(|spot| patch::seen(level, &levels[0], &spot)).collect::<Vec<_>>()
        })
        .collect();
    let (mut round, mut odd) = (Vec::new(), Vec::new());
    for seen in seen {
        match seen {
            Seen::Round(patch) if !colour.shown_by(patch.colour) => {}
            Seen::Round(patch) if (DIAMETER_MM.0..DIAMETER_MM.1).contains(&(patch.diameter / frame.px_per_mm)) => {
                round.push(patch)
            }
            Seen::Round(patch) | Seen::Odd(patch) => odd.push(patch),
            Seen::Nothing => {}
        }
    }
    let round = each_once(round);
    odd.retain(|o| !round.iter().any(|r| o.overlaps(r)));
    (round, each_once(odd))
}

/// Of patches that overlap, the one that stands out most.
fn each_once(mut patches: Vec<Patch>) -> Vec<Patch> {
    patches.sort_by(|a, b| b.lead.total_cmp(&a.lead));
    let mut kept: Vec<Patch> = Vec::new();
    for patch in patches {
        if !kept.iter().any(|k| k.overlaps(&patch)) {
            kept.push(patch);
        }
    }
    kept
}

/// What a person should know of the marks found, or of why there are none.
fn warnings(choice: &Choice, odd: &[Patch], levels: &[Level], frame: FlatFrame, colour: MarkColour) -> Vec<Warning> {
    let mut said = Vec::new();
    if choice.printed > 0 && choice.marks.is_empty() {
        said.push(printed(colour, choice.printed, choice.printed_diameter / frame.px_per_mm));
    } else if choice.marks.is_empty() {
        let of_cloth = share_coloured(levels, colour) > CLOTH_SHARE;
        said.push(if of_cloth { cloth_itself(colour) } else { not_found(colour) });
    }
    // Specks of a print or of noise are not worth a word.
    let worth = |o: &&Patch| o.diameter > LEAST_ODD_MM * frame.px_per_mm && choice.could_be_mark(o);
    let left_out = odd.iter().filter(worth).count() + choice.doubtful;
    if left_out > 0 {
        said.push(left_out_warning(colour, left_out));
    }
    said
}

/// Share of the cloth that has the colour.
fn share_coloured(levels: &[Level], colour: MarkColour) -> f64 {
    let Some(level) = levels.last() else { return 0.0 };
    let on = level.rgb.pixels().zip(&level.inside).filter(|(_, on)| **on);
    let (all, coloured) = on
        .fold((0, 0), |(all, coloured), (p, _)| (all + 1, coloured + usize::from(colour.shown_by(p.0.map(f32::from)))));
    f64::from(all.max(1)).recip() * coloured as f64
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

fn printed(colour: MarkColour, count: usize, diameter_mm: f64) -> Warning {
    let name = colour.hue().0;
    Warning::new(
        "marks-colour-of-cloth",
        format!(
            "the cloth itself shows some {count} round {name} patches of about {diameter_mm:.0} mm, so {name} marks cannot be told \
             from them: use stickers of a colour that the cloth has not"
        ),
    )
}

fn left_out_warning(colour: MarkColour, count: usize) -> Warning {
    let name = colour.hue().0;
    Warning::new(
        "marks-left-out",
        format!(
            "{count} {name} patch(es) on the cloth are not round, too small or large, or unlike the other marks, and were not \
             taken for marks: compare the marks drawn on the overlay with the cloth"
        ),
    )
}

fn mark(patch: &Patch, frame: FlatFrame, camera: &Camera, cloth: &Cloth<'_>) -> Mark {
    let at = frame.mat_from_flat(patch.middle.0, patch.middle.1);
    let diameter_mm = patch.diameter / frame.px_per_mm;
    let pin = if diameter_mm < PIN_HEAD_MM { PIN_HEIGHT_MM } else { 0.0 };
    let own = (MIDDLE_PX / camera.px_per_mm(at).1.max(0.1)).hypot(patch.unsure / frame.px_per_mm);
    let (height, doubt) = (cloth.top_mm, cloth.top_doubt_mm.hypot(RELIEF_MM) + pin);
    let parallax = match camera.pose {
        Some(pose) => (at - pose.foot).norm() * doubt / pose.height_mm + SIGMAS_95 * camera.lower_sigma_mm(at, height),
        None => camera.lower_sigma_mm(at, height + doubt),
    };
    Mark { number: 0, at, doubt_mm: own.hypot(parallax), diameter_mm }
}

/// Which pixels of the flat photo lie within the ring.
fn inside(frame: FlatFrame, ring: &[MatPoint]) -> Vec<bool> {
    let (width, height) = (frame.width as usize, frame.height as usize);
    let mut inside = vec![false; width * height];
    for (row, pixels) in inside.chunks_mut(width).enumerate() {
        fill_row(pixels, frame, row, ring);
    }
    inside
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
    use image::{Rgb, RgbImage};
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
        photo_on(|_| [170.0; 3], discs, colour)
    }

    /// The same on cloth of another look, told for every place.
    fn photo_on(cloth: impl Fn(MatPoint) -> [f64; 3], discs: &[(f64, f64, f64)], colour: [f64; 3]) -> Photo {
        let mut noise = 7u32;
        Photo::from_rgb(RgbImage::from_fn(1600, 1200, |x, y| {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let stray = f64::from(noise >> 24) / 32.0 - 4.0;
            let middle = camera().mat_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
            let mut sum = [stray; 3];
            for k in 0..16 {
                let aside = |k: i32| (f64::from(k) / 4.0 - 0.375) / 4.0;
                let p = MatPoint::new(middle.x + aside(k % 4), middle.y - aside(k / 4));
                let on = discs.iter().any(|d| (p.x - d.0).hypot(p.y - d.1) < d.2 / 2.0);
                sum.iter_mut().zip(if on { colour } else { cloth(p) }).for_each(|(s, v)| *s += v / 16.0);
            }
            Rgb(sum.map(|v| v.clamp(0.0, 255.0) as u8))
        }))
    }

    /// An even number from 0 to 1 for a cell.
    fn lot(column: f64, row: f64) -> f64 {
        ((column.floor() * 12.9898 + row.floor() * 78.233).sin() * 43758.5453).rem_euclid(1.0)
    }

    /// Is a place on one of the dots of a print, so many mm wide, in rows 14 mm apart?
    fn on_dot(p: MatPoint, wide: f64) -> bool {
        let row = (p.y / 14.0).round();
        let x = p.x + 7.0 * row.rem_euclid(2.0);
        (x - 14.0 * (x / 14.0).round()).hypot(p.y - 14.0 * row) < wide / 2.0
    }

    fn worst_off(marks: &[Mark], discs: &[(f64, f64, f64)]) -> f64 {
        let near =
            |d: &(f64, f64, f64)| marks.iter().map(|m| m.at.distance(MatPoint::new(d.0, d.1))).fold(f64::MAX, f64::min);
        discs.iter().map(near).fold(0.0, f64::max)
    }

    const SEAM: [(f64, f64, f64); 5] =
        [(60.2, 60.7, 8.0), (121.3, 90.4, 8.0), (180.9, 122.6, 8.0), (241.7, 151.2, 8.0), (300.3, 175.1, 8.0)];

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

    #[test]
    fn stickers_on_flecked_cloth_of_their_own_hue_are_found_and_nothing_else() {
        let cloth = |p: MatPoint| {
            let fleck = 0.7 + 0.6 * lot(p.x / 9.0, p.y / 0.9);
            [191.0 * fleck, 20.0 * fleck, 72.0 * fleck]
        };
        let (marks, warnings) = found(&photo_on(cloth, &SEAM, [205.0, 80.0, 135.0]), MarkColour::Pink);
        assert_eq!(marks.len(), SEAM.len(), "{marks:?} {warnings:?}");
        assert!(worst_off(&marks, &SEAM) < 0.1, "{marks:?}");
        // The cloth alone has none, however strong its colour.
        let (marks, warnings) = found(&photo_on(cloth, &[], [0.0; 3]), MarkColour::Pink);
        assert!(marks.is_empty() && warnings.iter().any(|w| w.code == "marks-colour-of-cloth"), "{warnings:?}");
    }

    #[test]
    fn stickers_over_stripes_are_found_though_a_stripe_has_more_of_the_colour() {
        let cloth =
            |p: MatPoint| if (p.y / 9.0).rem_euclid(2.0) < 1.0 { [77.0, 124.0, 232.0] } else { [140.0, 130.0, 115.0] };
        let (marks, warnings) = found(&photo_on(cloth, &SEAM, [30.0, 72.0, 160.0]), MarkColour::Blue);
        assert_eq!(marks.len(), SEAM.len(), "{marks:?} {warnings:?}");
        assert!(warnings.is_empty() && worst_off(&marks, &SEAM) < 0.1, "{marks:?} {warnings:?}");
    }

    #[test]
    fn dots_of_a_print_are_no_marks_and_stickers_among_smaller_dots_are() {
        let red = [205.0, 30.0, 40.0];
        let dotted = |wide: f64| move |p: MatPoint| if on_dot(p, wide) { red } else { [170.0; 3] };
        // Stickers just like the dots: none rather than hundreds.
        for (wide, words) in [(8.0, "use another colour"), (2.4, "round red patches of about 2 mm")] {
            let alike = SEAM.map(|(x, y, _)| (x, y, wide));
            let (marks, warnings) = found(&photo_on(dotted(wide), &alike, red), MarkColour::Red);
            assert!(marks.is_empty(), "{}", marks.len());
            let told = |w: &Warning| w.code == "marks-colour-of-cloth" && w.text.contains(words);
            assert!(warnings.iter().any(told), "{warnings:?}");
        }
        let clear: Vec<_> =
            [(70.0, 77.0), (126.0, 105.0), (182.0, 133.0), (238.0, 161.0)].map(|(x, y)| (x, y, 6.5)).to_vec();
        let (marks, warnings) = found(&photo_on(dotted(2.4), &clear, red), MarkColour::Red);
        assert_eq!(marks.len(), clear.len(), "{marks:?} {warnings:?}");
        assert!(worst_off(&marks, &clear) < 0.1, "{marks:?}");
    }

    #[test]
    fn squares_are_no_marks_and_what_touches_a_sticker_hardly_draws_it() {
        let square = |p: MatPoint| (p.x - 200.0).abs().max((p.y - 150.0).abs()) < 5.0;
        let leaf = |p: MatPoint| (p.x - 126.6).hypot(p.y - 90.4) < 1.6;
        let red = [205.0, 30.0, 40.0];
        let cloth = |p: MatPoint| if square(p) || leaf(p) { red } else { [170.0; 3] };
        let (marks, warnings) = found(&photo_on(cloth, &SEAM[..2], red), MarkColour::Red);
        assert_eq!(marks.len(), 2, "{marks:?}");
        assert!(worst_off(&marks, &SEAM[..2]) < 0.15, "{marks:?}");
        assert!(warnings.iter().any(|w| w.code == "marks-left-out"), "{warnings:?}");
    }
}
