//! Bridges spikes and bites of an edge that cannot be seen.
//!
//! Where cloth and mat look alike the path may run out to a fold of the light or in along a stripe, and come back a little
//! farther on. If the edge before and the edge after lie on one smooth curve, the way between is a detour: where nobody saw it,
//! where the photo shows an edge along the curve far more clearly, and where it is narrow and the curve about as clear as the
//! sides. Where the photo shows an edge along both, a shallow detour stays and its doubt reaches the curve.
//! A long way out and back is one only where most of it was not seen and the photo shows the curve over its mouth.

mod course;
mod edge;

use rayon::prelude::*;

use super::OutlinePoint;
use crate::units::MatPoint;

use course::Course;
use edge::Edge;

/// How much more the photo must show along the course than along the detour (a groove and a step as clear as any make 4.4).
const CLEARLY_MORE: f32 = 0.6;
/// So narrow a detour (its gap, mm) may run round a figure of the cloth that looks like what lies outside, and be as clear as any
/// edge. No garment ends along the course and beside it too, and along the foot of a tab or over the mouth of a notch there is
/// no edge at all: it is one if the photo shows an edge along the course at least so clearly, ...
const WIDEST_NARROW_MM: f64 = 45.0;
const CLEAR: f32 = 1.0;
/// ... hardly less than along the detour, and as clear as along the sides, beyond the detour's ends by so much and over so much,
/// mm (a side of fewer points is not asked). Tabs and notches are deep: of a shallower one (its depth as a share of its gap) less
/// is asked.
const OF_DEEP: LikeTheRest = LikeTheRest { less: 0.1, share: 0.9 };
const OF_SHALLOW: LikeTheRest = LikeTheRest { less: 0.4, share: 0.65 };
const SHALLOW: f64 = 0.3;
const BESIDE_ENDS_MM: (f64, f64) = (3.0, 15.0);
const LEAST_BESIDE: usize = 8;
/// Course and detour part where they lie so far apart, mm; of shorter stretches than so many points what lies beside them is
/// looked at too.
const PARTED_MM: f64 = 1.0;
const LEAST_PARTED: usize = 7;

/// The outline, closed, with its detours bridged; the tips of corners that were theirs are none.
///
/// `shown` tells how clearly the photo shows an edge along a way.
pub(super) fn bridged(
    points: &[OutlinePoint],
    corners: &[bool],
    shown: impl Fn(&[MatPoint]) -> f32,
) -> (Vec<OutlinePoint>, Vec<bool>) {
    let (mut points, mut corners) = (points.to_vec(), corners.to_vec());
    let mut found: Vec<Bridge> = {
        let edge = Edge::new(&points, &corners);
        (0..points.len()).into_par_iter().with_min_len(64).flat_map_iter(|from| edge.best_from(from)).collect()
    };
    // The long ones first, for shorter ones only smooth them; then those over what nobody saw: they need no other proof.
    found.sort_by(|a, b| (b.is_long, b.unseen).cmp(&(a.is_long, a.unseen)).then(b.worth().total_cmp(&a.worth())));
    let mut settled = vec![false; points.len()];
    // Where a long one was asked for in vain a shorter one may still be due.
    let mut in_vain = settled.clone();
    let traced: Vec<MatPoint> = points.iter().map(|p| p.at).collect();
    for bridge in found {
        let within: Vec<usize> = (0..=bridge.steps).map(|k| (bridge.from + k) % points.len()).collect();
        if within.iter().any(|i| settled[*i] || bridge.is_long && in_vain[*i]) {
            continue;
        }
        let way: Vec<MatPoint> = within.iter().map(|i| points[*i].at).collect();
        let verdict = if bridge.unseen { Verdict::Course } else { bridge.verdict(&way, &traced, &shown) };
        let is_proven = verdict == Verdict::Course;
        let (first, last) = if is_proven { (0, bridge.steps) } else { (bridge.steps / 3, bridge.steps * 2 / 3) };
        let told = if bridge.is_long && !is_proven { &mut in_vain } else { &mut settled };
        within[first..=last].iter().for_each(|i| told[*i] = true);
        match verdict {
            Verdict::Course => bridge.put(&within, &mut points, &mut corners),
            Verdict::Either => bridge.doubt(&within, &mut points),
            Verdict::Detour => {}
        }
    }
    (points, corners)
}

/// How clear a course must be: by so much less than the detour at most, and by such a share of its sides.
struct LikeTheRest {
    less: f32,
    share: f32,
}

/// Where the photo says the edge runs.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Verdict {
    Course,
    /// It shows one along both.
    Either,
    Detour,
}

/// A detour's ends and the course that the edge takes instead.
struct Bridge {
    from: usize,
    steps: usize,
    gap_mm: f64,
    course: Course,
    depth_mm: f64,
    rms_mm: f64,
    /// How many points beside either end are of the side that tells the course, the end's own included.
    side_points: [usize; 2],
    /// The way is longer than most detours are.
    is_long: bool,
    /// Nobody saw the way between, and it is so doubtful that its depth is no wonder.
    unseen: bool,
}

impl Bridge {
    /// Of two that overlap the one that takes off more and whose sides agree better.
    fn worth(&self) -> f64 {
        self.depth_mm - self.rms_mm / edge::ON_COURSE_MM * edge::DEEP_MM
    }

    /// Puts the course for the detour, whose points' numbers are `within`.
    fn put(&self, within: &[usize], points: &mut [OutlinePoint], corners: &mut [bool]) {
        let doubt_mm = within.iter().map(|i| points[*i].doubt_mm).fold(0.0, f64::max);
        let share = |k: usize| k as f64 / self.steps as f64;
        for (k, i) in within.iter().enumerate().take(self.steps).skip(1) {
            points[*i] = OutlinePoint { at: self.course.at(share(k)), doubt_mm, seen: false };
            corners[*i] = false;
        }
    }

    /// Lets the doubt of a detour, whose points' numbers are `within`, reach the course.
    fn doubt(&self, within: &[usize], points: &mut [OutlinePoint]) {
        for i in within {
            points[*i].doubt_mm = points[*i].doubt_mm.max(self.course.off(points[*i].at));
        }
    }

    /// Does the photo show the edge along the course or along the way?
    fn verdict(&self, way: &[MatPoint], traced: &[MatPoint], shown: impl Fn(&[MatPoint]) -> f32) -> Verdict {
        let (course, detour) = self.where_they_part(way);
        let (along, round) = (shown(&course), shown(&detour));
        if along > round + CLEARLY_MORE {
            return Verdict::Course;
        }
        if self.gap_mm > WIDEST_NARROW_MM || along < CLEAR {
            return Verdict::Detour;
        }
        let sides = self.beside(traced);
        let sides = sides.iter().filter(|s| s.len() >= LEAST_BESIDE).map(|s| shown(s));
        let is_shallow = self.depth_mm <= SHALLOW * self.gap_mm;
        let asked = if is_shallow { OF_SHALLOW } else { OF_DEEP };
        let is_as_clear = sides.reduce(f32::min).is_some_and(|beside| along > asked.share * beside);
        match is_as_clear && along > round - asked.less {
            true => Verdict::Course,
            // A strap with a seam along its foot is not to be doubted by its whole length.
            false if is_shallow => Verdict::Either,
            false => Verdict::Detour,
        }
    }

    /// What was traced beside the detour's two ends.
    fn beside(&self, traced: &[MatPoint]) -> [Vec<MatPoint>; 2] {
        let n = traced.len();
        let from = |end: usize, ahead: bool, count: usize| {
            let step = if ahead { 1 } else { n - 1 };
            let away = (0..count).map(|k| traced[(end + k * step) % n]);
            let start = traced[end % n];
            let (near, far) = BESIDE_ENDS_MM;
            away.skip_while(|p| p.distance(start) < near).take_while(|p| p.distance(start) < far).collect()
        };
        let [before, after] = self.side_points;
        [from(self.from, false, before), from(self.from + self.steps, true, after)]
    }

    /// The course and the way where they part, in as many points each.
    fn where_they_part(&self, way: &[MatPoint]) -> (Vec<MatPoint>, Vec<MatPoint>) {
        let parted = |p: &MatPoint| self.course.off(*p) > PARTED_MM;
        let first = way.iter().position(parted).unwrap_or(0);
        let end = way.iter().rposition(parted).map_or(0, |k| k + 1);
        let beside = LEAST_PARTED.saturating_sub(end - first).div_ceil(2);
        let (first, end) = (first.saturating_sub(beside), (end + beside).min(way.len()));
        let last = way.len().saturating_sub(1).max(1) as f64;
        (first..end).map(|k| (self.course.at(k as f64 / last), way[k])).unzip()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A closed outline through points a millimetre apart; `is_seen` tells of each place.
    fn outline(places: &[MatPoint], is_seen: impl Fn(MatPoint) -> bool) -> Vec<OutlinePoint> {
        places.iter().map(|at| OutlinePoint { at: *at, doubt_mm: 7.0, seen: is_seen(*at) }).collect()
    }

    /// A square of 200 mm whose lower side leaves the axis by `off`.
    fn square(off: impl Fn(f64) -> f64) -> Vec<MatPoint> {
        (0..800)
            .map(|i| {
                let s = f64::from(i % 200);
                match i / 200 {
                    0 => MatPoint::new(s, off(s)),
                    1 => MatPoint::new(200.0, s),
                    2 => MatPoint::new(200.0 - s, 200.0),
                    _ => MatPoint::new(0.0, 200.0 - s),
                }
            })
            .collect()
    }

    fn off_axis(points: &[OutlinePoint]) -> f64 {
        points[5..195].iter().map(|p| p.at.y.abs()).fold(0.0, f64::max)
    }

    fn no_corners(points: &[OutlinePoint]) -> Vec<bool> {
        (0..points.len()).map(|i| i % 200 == 0).collect()
    }

    /// Up and down again over 24 mm.
    fn spike(s: f64) -> f64 {
        (12.0 - (s - 100.0).abs()).max(0.0)
    }

    #[test]
    fn a_spike_that_nobody_saw_is_bridged() {
        let points = outline(&square(spike), |p| p.y > 20.0 || (p.x - 100.0).abs() > 13.0);
        let (bridged, corners) = bridged(&points, &no_corners(&points), |_| 0.0);
        assert!(off_axis(&bridged) < 0.3, "{}", off_axis(&bridged));
        assert_eq!((bridged.len(), corners), (points.len(), no_corners(&points)));
        assert!((95..105).all(|i| !bridged[i].seen));
    }

    #[test]
    fn what_was_seen_stays() {
        let points = outline(&square(spike), |_| true);
        assert_eq!(bridged(&points, &no_corners(&points), |_| 0.0).0, points);
        // A tip that was seen is no detour either.
        let points = outline(&square(spike), |p| p.y > 10.5 || (p.x - 100.0).abs() > 13.0);
        assert!(off_axis(&bridged(&points, &no_corners(&points), |_| 0.0).0) > 11.0);
    }

    #[test]
    fn what_was_seen_is_bridged_where_the_photo_shows_the_curve_far_more_clearly() {
        let points = outline(&square(spike), |_| true);
        let is_flat = |way: &[MatPoint]| way.iter().all(|p| p.y.abs() < 1.0);
        let clear = |flat: f32, spiked: f32| {
            let shown = |way: &[MatPoint]| if is_flat(way) { flat } else { spiked };
            off_axis(&bridged(&points, &no_corners(&points), shown).0)
        };
        assert!(clear(3.0, 1.0) < 0.3, "{}", clear(3.0, 1.0));
        // A little more is chance; and where the way is clearer it is a tab.
        assert!(clear(0.9, 0.7) > 11.0 && clear(1.0, 3.0) > 11.0);
    }

    /// A white check that meets a board's white square: the edge goes round it, as clear as along the curve.
    #[test]
    fn a_narrow_detour_is_bridged_where_the_curve_is_as_clear_as_its_sides() {
        let points = outline(&square(spike), |_| true);
        let bridged = |along: f32, round: f32, beside: f32| {
            let shown = |way: &[MatPoint]| {
                let is_flat = way.iter().all(|p| p.y.abs() < 1.0);
                let is_between = way.iter().any(|p| (p.x - 100.0).abs() < 9.0);
                if !is_flat {
                    round
                } else if is_between {
                    along
                } else {
                    beside
                }
            };
            off_axis(&super::bridged(&points, &no_corners(&points), shown).0)
        };
        assert!(bridged(2.0, 2.0, 2.0) < 0.3, "{}", bridged(2.0, 2.0, 2.0));
        // Less clear than the sides, than the detour, or hardly to be seen.
        assert!(bridged(3.0, 2.8, 4.0) > 11.0);
        assert!(bridged(1.5, 1.5, 2.0) > 11.0 && bridged(2.0, 2.3, 2.0) > 11.0 && bridged(0.5, 0.5, 0.5) > 11.0);
    }

    /// A flower of the mat's own colour, cut by the edge: 3 mm deep over 24.
    #[test]
    fn a_shallow_bite_is_bridged_where_the_curve_is_nearly_as_clear_and_doubted_where_it_is_clear_at_all() {
        let points: Vec<OutlinePoint> = outline(&square(|s| 0.25 * spike(s)), |_| true);
        let points: Vec<OutlinePoint> = points.into_iter().map(|p| OutlinePoint { doubt_mm: 0.3, ..p }).collect();
        let bridged = |along: f32, round: f32| {
            let shown = |way: &[MatPoint]| {
                let is_between = way.iter().any(|p| (p.x - 100.0).abs() < 6.0 && p.y.abs() < 25.0);
                let is_flat = way.iter().all(|p| p.y.abs() < 0.8);
                if !is_flat {
                    round
                } else if is_between {
                    along
                } else {
                    4.0
                }
            };
            let bridged = super::bridged(&points, &no_corners(&points), shown).0;
            (off_axis(&bridged), bridged[100].doubt_mm)
        };
        assert!(bridged(3.0, 3.2).0 < 0.3);
        // Hidden by what is far clearer, or hardly like the sides: it may still be the edge.
        for (off, doubt) in [bridged(3.0, 4.4), bridged(2.0, 2.0)] {
            assert!(off > 2.9 && (doubt - 3.0).abs() < 0.2, "{off} {doubt}");
        }
        // A shallow tab, with no edge along its foot.
        assert_eq!(bridged(0.5, 3.0), (3.0, 0.3));
    }

    /// A flower of the mat's own colour, nearer to a corner than a side is long that tells a course by itself.
    #[test]
    fn beside_a_corner_a_narrow_detour_is_bridged_only_where_the_photo_shows_it() {
        let near_corner = |s: f64| (4.0 - (s - 11.0).abs()).max(0.0);
        let seen = outline(&square(near_corner), |_| true);
        let unseen = outline(&square(near_corner), |_| false);
        let off = |points: &[OutlinePoint], along: f32| {
            let shown = |way: &[MatPoint]| if way.iter().all(|p| p.y.abs() < 1.0) { along } else { 2.0 };
            off_axis(&bridged(points, &no_corners(points), shown).0)
        };
        assert!(off(&seen, 2.0) < 0.5, "{}", off(&seen, 2.0));
        assert!(off(&seen, 1.0) > 3.5 && off(&unseen, 1.0) > 3.5);
    }

    /// Out round a patch of the floor in the cloth's own colour, and back: 150 mm deep over a mouth of 40 mm, which shows.
    #[test]
    fn a_long_way_that_nobody_saw_is_bridged_where_the_photo_shows_its_mouth() {
        let ramp = |s: f64| (7.5 * (20.0 - (s - 100.0).abs())).clamp(0.0, 150.0);
        let places = crate::outline::contour::resampled(&square(|s| -ramp(s)), 0.9);
        let outside = |p: &MatPoint| p.y < -0.5;
        let off = |unseen: bool, along: f32| {
            let points = outline(&places, |p| !unseen || !outside(&p));
            let shown = |way: &[MatPoint]| if way.iter().any(outside) { 0.5 } else { along };
            let bridged = bridged(&points, &vec![false; points.len()], shown).0;
            bridged.iter().map(|p| -p.at.y).fold(0.0, f64::max)
        };
        assert!(off(true, 2.0) < 1.0, "{}", off(true, 2.0));
        // A strap that was seen, or whose foot shows no edge.
        assert!(off(false, 2.0) > 145.0 && off(true, 0.6) > 145.0, "{} {}", off(false, 2.0), off(true, 0.6));
    }

    #[test]
    fn a_shallow_bulge_of_a_straight_edge_is_bridged() {
        let bulge = |s: f64| 6.0 * (1.0 - ((s - 100.0) / 30.0).powi(2)).max(0.0);
        let points = outline(&square(bulge), |p| p.y > 20.0 || (p.x - 100.0).abs() > 31.0);
        let bridged = bridged(&points, &no_corners(&points), |_| 0.0).0;
        assert!(off_axis(&bridged) < 0.3, "{}", off_axis(&bridged));
    }

    /// A waistband's end of 30 mm, where cloth and mat look alike and yet its edge is sure to a millimetre.
    #[test]
    fn a_tab_stays() {
        let tab = |s: f64| if (85.0..115.0).contains(&s) { 25.0 } else { 0.0 };
        let mut points = outline(&square(tab), |_| false);
        points.iter_mut().for_each(|p| p.doubt_mm = 1.0);
        assert!(off_axis(&bridged(&points, &no_corners(&points), |_| 0.0).0) > 24.9);
    }

    #[test]
    fn corners_that_nobody_saw_stay() {
        // Nobody told that they are corners.
        let places = square(|_| 0.0);
        let points = outline(&places, |_| false);
        let (bridged, _) = bridged(&points, &vec![false; points.len()], |_| 0.0);
        let moved = bridged.iter().zip(&points).map(|(a, b)| a.at.distance(b.at)).fold(0.0, f64::max);
        assert!(moved < 0.1, "{moved}");
    }

    #[test]
    fn a_bite_of_a_curved_edge_is_bridged_along_the_curve() {
        let at = |i: i32| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 628.0).sin_cos();
            let bite = if (300..330).contains(&i) { 8.0 * (1.0 - (f64::from(i) - 315.0).abs() / 15.0) } else { 0.0 };
            MatPoint::new((100.0 - bite) * cos, (100.0 - bite) * sin)
        };
        let places: Vec<MatPoint> = (0..628).map(at).collect();
        let points = outline(&places, |p| p.x > 0.0 || p.y.abs() > 18.0);
        let (bridged, _) = bridged(&points, &vec![false; points.len()], |_| 0.0);
        let off = bridged.iter().map(|p| (p.at.distance(MatPoint::default()) - 100.0).abs()).fold(0.0, f64::max);
        assert!(off < 0.4, "{off}");
    }
}
