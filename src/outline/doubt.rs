//! How far each point may be off, and which stretches were not seen at all.

use super::OutlinePoint;
use super::crossing::Crossing;
use crate::units::MatPoint;

/// Doubt of a clear edge: a part of its own and a part of the cloth's thickness (its rounded rim, its shadow).
const CLEAR_MM: f64 = 0.10;
const OF_THICKNESS: f64 = 0.11;

/// Share of the edge's width (25 to 75 %) that is in doubt.
const OF_WIDTH: f64 = 0.3;

/// Share of a photo pixel that is in doubt.
const OF_PIXEL: f64 = 0.6;

/// Share of the gap between change-point and crossing beyond the usual.
const OF_GAP: f64 = 1.0;
const USUAL_GAP_MM: f64 = 0.35;

/// Doubt per scatter of the crossings beyond what they scatter about any edge: neighbours err together.
const OF_SCATTER: f64 = 3.0;
const STEADY_MM: f64 = 0.06;

/// Doubt where a printed line lies right outside, at full contrast, mm.
const LINE_MM: f64 = 0.3;

/// A path that leaves more than this open is ambiguous, mm; over at least [`STRETCH_POINTS`] it is not seen.
const OPEN_MM: f32 = 1.0;
const STRETCH_POINTS: usize = 11;

/// Longest seen island in an unseen stretch that is not believed, points (about 40 mm).
const ISLAND_POINTS: usize = 45;

/// Points on either side of an island that are looked at, and the share of unseen ones that discredits it.
const AMID_POINTS: usize = 100;
const AMID_SHARE: f64 = 0.4;

/// Arms over which an unseen corner's turn is read, points (about 15 mm).
const CORNER_POINTS: usize = 17;

/// Turns from which the doubt grows, and at which it has doubled, degrees.
const CORNER_DEG: (f64, f64) = (25.0, 60.0);

/// Doubt where the path is open: a part of the span that does nearly as well, and in long stretches a least, mm.
const OF_SPAN: f64 = 0.45;
const UNSEEN_MM: f64 = 0.8;

/// Share of the grid's pitch that the lines' absence leaves in doubt, and the most of it, mm.
const OF_PITCH: f64 = 0.35;
const LARGEST_OF_PITCH_MM: f64 = 4.0;

/// Mean log ratios by which cloth and mat differ little, so that the cloth's rounded rim may pass for mat, and clearly.
const ALIKE: (f32, f32) = (1.0, 2.5);

/// Doubt of a point without a crossing, mm.
const BRIDGED_MM: f64 = 0.6;

/// What is known of a point.
pub(crate) struct Clue {
    pub crossing: Option<Crossing>,
    pub change_mm: f64,
    pub span_mm: f32,
    pub apart: f32,
    /// How far the crossings about it scatter, mm.
    pub scatter_mm: f64,
}

/// The verdict on a point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Doubt {
    pub mm: f64,
    pub seen: bool,
}

/// Half-widths that hold the edge 95 % of the time, the camera being right.
///
/// `pixel_mm` is a photo pixel's size on the mat; `pitch_mm` is the grid's: where nothing but missing lines shows the
/// cloth, they show it no better.
pub(crate) fn doubts(clues: &[Clue], thickness_mm: f64, pixel_mm: f64, pitch_mm: f64) -> Vec<Doubt> {
    let least_unseen = (OF_PITCH * pitch_mm).min(LARGEST_OF_PITCH_MM);
    let spans: Vec<f32> = clues.iter().map(|c| c.span_mm).collect();
    let open = islands_joined(open_stretches(&spans));
    let local: Vec<f64> = clues.iter().map(|c| local(c, thickness_mm, pixel_mm)).collect();
    let n = clues.len();
    (0..n)
        .map(|i| {
            // Neighbours within the smoothing window share their errors.
            let around = (0..7).map(|k| local[(i + n + k - 3) % n]);
            let worst = around.fold(0.0, f64::max);
            let unseen = f64::from(open[i]) * (UNSEEN_MM + OF_SPAN * f64::from(spans[i])).max(least_unseen);
            Doubt { mm: (0.5 * (worst + local[i])).max(unseen), seen: open[i] < 0.5 }
        })
        .collect()
}

/// Seen islands amid what is not seen are chance finds as often as not: they share its doubt.
///
/// An island is at most [`ISLAND_POINTS`] long, and of the edge within [`AMID_POINTS`] of it, itself included, a
/// share of [`AMID_SHARE`] is not seen.
fn islands_joined(mut open: Vec<f32>) -> Vec<f32> {
    let n = open.len();
    let unseen: Vec<bool> = open.iter().map(|o| *o >= 0.5).collect();
    let Some(first) = unseen.iter().position(|u| *u) else { return open };
    let mut k = first;
    while k < first + n {
        let length = (0..n).take_while(|i| !unseen[(k + i) % n]).count();
        if (1..=ISLAND_POINTS).contains(&length) {
            let reach = (length + 2 * AMID_POINTS).min(n);
            let around = (0..reach).filter(|i| unseen[(k + n - AMID_POINTS.min(n) + i) % n]).count();
            if around as f64 > AMID_SHARE * reach as f64 {
                (k..k + length).for_each(|i| open[i % n] = 1.0);
            }
        }
        k += length.max(1);
    }
    open
}

fn local(clue: &Clue, thickness_mm: f64, pixel_mm: f64) -> f64 {
    let mut square = (CLEAR_MM + OF_THICKNESS * thickness_mm).powi(2) + (OF_PIXEL * pixel_mm).powi(2);
    match &clue.crossing {
        Some(c) => {
            let width = if c.width_mm.is_finite() { f64::from(c.width_mm) } else { 1.0 };
            let gap = ((clue.change_mm - c.at_mm).abs() - USUAL_GAP_MM).max(0.0);
            let line = f64::from(c.line).min(1.0);
            square += (OF_WIDTH * width).powi(2) + (OF_GAP * gap).powi(2) + (LINE_MM * line).powi(2);
        }
        None => square += BRIDGED_MM.powi(2),
    }
    square += (OF_SCATTER * (clue.scatter_mm - STEADY_MM).max(0.0)).powi(2);
    // Half the thickness is as far as the rim is round.
    let alike = f64::from((ALIKE.1 - clue.apart) / (ALIKE.1 - ALIKE.0)).clamp(0.0, 1.0);
    square += (0.5 * thickness_mm * alike).powi(2);
    let open = f64::from((clue.span_mm - 0.5 * OPEN_MM).max(0.0));
    (square + (OF_SPAN * open).powi(2)).sqrt()
}

/// Wider doubts about corners that were not seen: what was seen of neither side says where they meet.
pub(crate) fn widened_at_corners(mut points: Vec<OutlinePoint>) -> Vec<OutlinePoint> {
    let at: Vec<MatPoint> = points.iter().map(|p| p.at).collect();
    let n = at.len();
    if n < 4 * CORNER_POINTS {
        return points;
    }
    let turn = |i: usize| {
        let (before, after) = (at[i] - at[(i + n - CORNER_POINTS) % n], at[(i + CORNER_POINTS) % n] - at[i]);
        (before.x * after.y - before.y * after.x).atan2(before.dot(&after)).abs().to_degrees()
    };
    for (i, point) in points.iter_mut().enumerate().filter(|(_, p)| !p.seen) {
        let sharp = ((turn(i) - CORNER_DEG.0) / (CORNER_DEG.1 - CORNER_DEG.0)).clamp(0.0, 1.0);
        point.doubt_mm *= 1.0 + sharp;
    }
    points
}

/// How far each point lies in a long ambiguous stretch, 0 to 1 (ramps at the ends).
pub(crate) fn open_stretches(span_mm: &[f32]) -> Vec<f32> {
    stretches(span_mm, OPEN_MM)
}

/// How far each point lies in a long stretch of values over a least one, 0 to 1 (ramps at the ends).
pub(crate) fn stretches(values: &[f32], least: f32) -> Vec<f32> {
    let n = values.len();
    let half = STRETCH_POINTS / 2;
    let wide: Vec<f32> = values.iter().map(|s| if *s > least { 1.0 } else { 0.0 }).collect();
    let share =
        |i: usize| (0..STRETCH_POINTS).map(|k| wide[(i + n + k - half) % n]).sum::<f32>() / STRETCH_POINTS as f32;
    (0..n).map(|i| ((share(i) - 0.3) / 0.4).clamp(0.0, 1.0)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_seen_island_shares_the_doubt_around_it_and_a_long_one_does_not() {
        // Unseen from 400 to 800 but for an island; seen elsewhere.
        let ring = |island: usize| -> Vec<f32> {
            let seen = |i: usize| (600..600 + island).contains(&i) || !(400..800).contains(&i);
            (0..1200).map(|i| if seen(i) { 0.0 } else { 1.0 }).collect()
        };
        let short = islands_joined(ring(30));
        assert!((400..800).all(|i| short[i] == 1.0), "the island is doubted");
        assert!((0..400).chain(800..1200).all(|i| short[i] == 0.0), "what is seen stays seen");
        assert_eq!(islands_joined(ring(60)), ring(60));
        assert_eq!(islands_joined(vec![0.0; 50]), vec![0.0; 50]);
    }

    #[test]
    fn one_short_unseen_stretch_discredits_nothing() {
        let ring: Vec<f32> = (0..600).map(|i| if (100..130).contains(&i) { 1.0 } else { 0.0 }).collect();
        assert_eq!(islands_joined(ring.clone()), ring);
    }
}
