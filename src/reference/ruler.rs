//! Straight rulers, found by their ticks: steel, white, wooden or see-through.
//!
//! Long straight lines are looked along at several distances for an even comb of ticks, whose phase is then followed
//! from end to end. Which ticks are longer (every 5th and 10th, or 2nd, 10th and 20th, or 2nd, 4th, 8th and 16th) tells
//! millimetres, their halves and parts of an inch apart; it must agree with what was typed. The size comes from the ticks,
//! never from the ruler's ends.
//! Ticks seen at both ends of their length tell how the ruler's sides run away from the camera across it.

mod comb;
mod division;
mod lines;
mod ticks;

use image::GrayImage;
use nalgebra::Vector2;
use rayon::prelude::*;

use self::comb::{Comb, Rough};
use self::division::Division;
use self::lines::PhotoLine;
use self::ticks::Ticks;
use super::Axis;
use super::body::{Body, BodyKind, BodySighting};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::{ImagePoint, Length};

/// Distances from a line at which ticks are looked for, px.
const BESIDE_PX: [f64; 8] = [-24.0, -15.0, -9.0, -4.0, 4.0, 9.0, 15.0, 24.0];
/// Two combs this near and this parallel are of one ruler, mm and radians.
const ONE_RULER_MM: f64 = 60.0;
const PARALLEL: f64 = 0.06;
/// More ticks than the typed length has (share) contradict it.
const TOO_LONG: f64 = 1.03;
/// Less of the ruler than this share does not tell how an inch is divided.
const NEARLY_ALL: f64 = 0.93;
/// Two edges of one ruler lie no further apart in scale, seen askew (natural logarithm).
const EDGES_APART: f64 = 0.12;
/// Less of the ruler than this share does not check the length typed.
const MOSTLY: f64 = 0.88;
/// One standard deviation of a place read from several ticks, px.
const TICK_PX: f64 = 0.08;
/// So many of the clearest combs are read.
const MOST_COMBS: usize = 16;
/// Rulers are so wide, mm; and their far side is a step of this share of the strongest.
const WIDTHS_MM: (f64, f64) = (15.0, 65.0);
const CLEAR_STEP: f64 = 0.3;
/// Two rulers may each be so wide that both of their edges count.
const MOST_EDGES: usize = 4;
/// More ticks than so many do not make a comb likelier.
const MANY_TICKS: f64 = 200.0;
/// Rulers' own doubt: class III of OIML R 35 allows about 0.1 % (half-width, share).
const RULER_DOUBT: f64 = 0.001;
/// The face of an ordinary ruler above the table, and the half-width of what is not known of it, mm.
const FACE_MM: f64 = 1.0;
const FACE_DOUBT_MM: f64 = 1.0;

/// The rulers and what was noticed.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// The rulers; a wide one's two edges are two of them.
    pub bodies: Vec<Body>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Finds rulers of the typed lengths; one length typed serves for two like rulers.
///
/// # Errors
/// No ruler; ticks that contradict the unit or the length typed.
pub fn find(luma: &GrayImage, typed: &[Length]) -> Result<Found, Refusal> {
    let combs = combs(luma);
    let mut read: Vec<(Comb, Ticks)> = combs
        .into_par_iter()
        .filter_map(|c| {
            let c = ticks::straightened(luma, &c)?;
            let t = ticks::read(luma, &c)?;
            Some((c, t))
        })
        .collect();
    read.sort_by(|a, b| b.0.ticks().total_cmp(&a.0.ticks()));
    let mut found = Found::default();
    let mut taken: Vec<(PhotoLine, f64)> = Vec::new();
    let mut contrary: Option<Refusal> = None;
    for (i, (comb, ticks)) in read.iter().enumerate() {
        if taken.iter().any(|(line, px_per_mm)| one_ruler(line, *px_per_mm, comb)) {
            continue;
        }
        let chosen = typed.iter().map(|length| unit(comb, ticks, *length, other_edge(&read, i)));
        let mut units: Vec<Unit> = Vec::new();
        for result in chosen {
            match result {
                Ok(chosen) => units.push(chosen),
                Err(refusal) => contrary = contrary.or(Some(refusal)),
            }
        }
        // Of several lengths typed, the one nearest to what is seen.
        let off = |u: &Unit| (comb.ticks() * u.mm / u.typed.mm() - 1.0).abs();
        let Some(unit) = units.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))) else { continue };
        let name = format!("ruler {}", found.bodies.len() + 1);
        let Some(body) = body(luma, comb, ticks, unit.mm, name) else { continue };
        found.warnings.extend(short(comb, &unit, &body.name).or_else(|| counted(comb, &unit, &body.name)));
        taken.push((comb.line, ticks.period_px / unit.mm));
        found.bodies.push(body);
        if found.bodies.len() == MOST_EDGES {
            break;
        }
    }
    if found.bodies.is_empty() { Err(contrary.unwrap_or_else(nothing)) } else { Ok(found) }
}

fn nothing() -> Refusal {
    Refusal::new(
        RefusalKind::NoReference,
        "no ruler with ticks that can be told apart was found",
        "lay the ruler flat beside the garment, ticks up, out of glare, a see-through one on something plain; go nearer or use \
         a larger photo, and retake",
    )
}

/// Combs along all long lines, each ruler's side once.
fn combs(luma: &GrayImage) -> Vec<Comb> {
    let lines = lines::find(luma);
    let mut all: Vec<Rough> = lines
        .par_iter()
        .flat_map_iter(|line| {
            let normal = Vector2::new(-line.along.y, line.along.x);
            BESIDE_PX
                .iter()
                .filter_map(move |off| Rough::along(luma, PhotoLine { at: line.at + normal * *off, ..*line }))
        })
        .collect();
    // A weave makes long combs too, but no clear ones.
    let worth = |c: &Rough| c.ticks.min(MANY_TICKS) * c.strength * c.strength;
    all.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    let mut kept: Vec<Comb> = Vec::new();
    for rough in all {
        let is_known = |ends: (f64, f64)| kept.iter().any(|k| same_side(k, &rough.line, ends));
        if is_known(rough.ends) {
            continue;
        }
        let followed = rough.followed(luma).filter(|comb| comb.ends().is_some_and(|ends| !is_known(ends)));
        kept.extend(followed);
        if kept.len() == MOST_COMBS {
            break;
        }
    }
    kept
}

fn middle(comb: &Comb) -> Option<ImagePoint> {
    let (a, b) = comb.ends()?;
    Some(comb.line.at + comb.line.along * (0.5 * (a + b)))
}

/// Is what lies along a line between two places of it abreast of a comb, on the same side of its ruler?
fn same_side(a: &Comb, line: &PhotoLine, ends: (f64, f64)) -> bool {
    let way = line.at + line.along * (0.5 * (ends.0 + ends.1)) - a.line.at;
    let Some((first, last)) = a.ends() else { return false };
    let beyond = (first - way.dot(&a.line.along)).max(way.dot(&a.line.along) - last);
    a.line.along.perp(&line.along).abs() < 0.1 && a.line.along.perp(&way).abs() < 40.0 && beyond < 0.0
}

fn one_ruler(line: &PhotoLine, px_per_mm: f64, comb: &Comb) -> bool {
    let Some(at) = middle(comb) else { return true };
    let apart = line.along.perp(&(at - line.at)).abs();
    line.along.perp(&comb.line.along).abs() < PARALLEL && apart < ONE_RULER_MM * px_per_mm
}

/// What lies between two ticks, mm, of a ruler of the length typed.
struct Unit {
    mm: f64,
    typed: Length,
    /// Only the number of ticks told.
    by_count: bool,
}

/// What lies between two ticks: it must agree with what was typed and with the ruler's other edge.
fn unit(comb: &Comb, ticks: &Ticks, typed: Length, other_edge: Option<f64>) -> Result<Unit, Refusal> {
    let inches = typed.is_in_inches();
    // The phase is followed a little beyond the last tick.
    let share = |unit: &f64| (comb.ticks() - 6.0) * unit / typed.mm();
    let units = match ticks.division {
        // The count alone proves nothing: 92 ticks of millimetres are about as many as 6 in of sixteenths.
        None => return Err(untold(comb, typed)),
        Some(Division::Metric(_)) if inches => {
            return Err(other_unit(typed, "fives and tens: it is divided in millimetres or their halves"));
        }
        Some(Division::Inches { .. }) if !inches => {
            return Err(other_unit(typed, "halves of halves: it is divided in parts of an inch"));
        }
        Some(Division::Metric(unit)) => vec![unit],
        Some(Division::Inches { parts, sure: true }) => vec![25.4 / f64::from(parts)],
        // Too few inches to tell: only all of the ruler, or its other edge, tells.
        Some(Division::Inches { parts, sure: false }) => {
            let mut units: Vec<f64> = [1.0, 2.0, 4.0].iter().map(|k| 25.4 / f64::from(parts) / k).collect();
            units.retain(|u| other_edge.is_some() || share(u) > NEARLY_ALL);
            if units.is_empty() {
                return Err(untold(comb, typed));
            }
            units
        }
    };
    let agrees = |unit: &f64| other_edge.is_none_or(|px| (ticks.period_px / unit / px).ln().abs() < EDGES_APART);
    if !units.iter().any(agrees) {
        return Err(Refusal::new(
            RefusalKind::TooLittleReference,
            format!("the ruler's two edges, read for a length of {typed}, do not show one scale"),
            "lay the ruler flat, all of its ticks bare and out of glare, and check how it is divided",
        ));
    }
    let unit = units.into_iter().filter(agrees).find(|u| share(u) <= TOO_LONG);
    let by_count = other_edge.is_none() && matches!(ticks.division, Some(Division::Inches { sure: false, .. }));
    unit.map(|mm| Unit { mm, typed, by_count }).ok_or_else(|| {
        Refusal::new(
            RefusalKind::ContradictoryReference,
            format!("{:.0} ticks were counted along the ruler, more than {typed} can have", comb.ticks()),
            "check the length and its unit; or the ruler is divided otherwise than in millimetres or parts of an inch",
        )
    })
}

/// Px per mm by another edge of the same ruler, where that edge is divided in millimetres or their halves.
fn other_edge(read: &[(Comb, Ticks)], own: usize) -> Option<f64> {
    let (comb, ticks) = read.get(own)?;
    let metric = |t: &Ticks| match t.division {
        Some(Division::Metric(unit)) => Some(t.period_px / unit),
        _ => None,
    };
    let others = read.iter().enumerate().filter(|(i, _)| *i != own);
    others
        .filter_map(|(_, (c, t))| {
            let px_per_mm = metric(t)?;
            let overlap = middle(c).is_some_and(|at| comb.spans(at)) || middle(comb).is_some_and(|at| c.spans(at));
            (overlap && one_ruler(&comb.line, px_per_mm, c)).then_some(px_per_mm)
        })
        .find(|px_per_mm| px_per_mm.is_finite() && ticks.period_px > 0.0)
}

fn untold(comb: &Comb, typed: Length) -> Refusal {
    Refusal::new(
        RefusalKind::TooLittleReference,
        format!("{:.0} ticks of a ruler of {typed} were seen, but not which of them are longer", comb.ticks()),
        "show the whole ruler from end to end, its ticks bare and out of glare, a see-through one on something plain, or go \
         nearer: only the longer ticks tell millimetres and parts of an inch apart",
    )
}

fn other_unit(typed: Length, show: &str) -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        format!("{typed} was typed, but the ruler's longer ticks show {show}"),
        "lay the ruler with the typed unit's ticks towards the camera, or type its length in the unit that it shows",
    )
}

/// Most of the ruler not seen: the count cannot check what was typed.
fn short(comb: &Comb, unit: &Unit, name: &str) -> Option<Warning> {
    let typed = unit.typed;
    let share = comb.ticks() * unit.mm / typed.mm();
    (share < MOSTLY).then(|| {
        Warning::new(
            "ruler-partly-seen",
            format!(
                "{name}: ticks were followed over {:.0} mm of the {typed} typed ({:.0} %): if all of it is in view and \
                 bare, its division or its length is not what was typed",
                comb.ticks() * unit.mm,
                100.0 * share
            ),
        )
    })
}

/// The ticks' own lengths did not tell: half of a finer ruler looks like all of this one.
fn counted(comb: &Comb, unit: &Unit, name: &str) -> Option<Warning> {
    unit.by_count.then(|| {
        Warning::new(
            "ruler-counted",
            format!(
                "{name}: of so few inches their longer ticks do not tell how many an inch has; {:.0} ticks make {} of 1/{:.0} in, \
                 if all of the ruler is in view and bare: make sure that it is, or use a longer ruler",
                comb.ticks(),
                unit.typed,
                25.4 / unit.mm
            ),
        )
    })
}

/// How wide a ruler is, mm: up to the nearest clear step along it that is no tick's end; where none is seen, no wider than
/// rulers are (what departs from the table beside it will show).
fn width_mm(ticks: &Ticks, px_per_mm: f64) -> f64 {
    let usual = |(px, step): &(f64, f64)| {
        (WIDTHS_MM.0..WIDTHS_MM.1).contains(&(px / px_per_mm)).then_some((px / px_per_mm, *step))
    };
    let sides: Vec<(f64, f64)> = ticks.within.iter().filter_map(usual).collect();
    let most = sides.iter().map(|s| s.1).fold(0.0, f64::max);
    sides.iter().find(|s| s.1 > CLEAR_STEP * most).map_or(WIDTHS_MM.0, |s| s.0)
}

/// Every fourth tick where it is seen at a distance from the comb's line: its number and place.
fn row(luma: &GrayImage, comb: &Comb, ticks: &Ticks, off: f64) -> Vec<(f64, ImagePoint)> {
    let (Some(first), Some(last)) = (comb.track.first(), comb.track.last()) else { return Vec::new() };
    let count = ((last.1.floor() - first.1.ceil() - 6.0) / 4.0).floor();
    (0..=count.max(0.0) as usize)
        .map(|k| first.1.ceil() + 3.0 + 4.0 * k as f64)
        .filter_map(|tick| {
            let (at, strength) = comb::beside(luma, comb, off, tick)?;
            (strength > 0.45 * ticks.strength).then_some((tick, at))
        })
        .collect()
}

/// How far a row's places scatter about an even course, px (one standard deviation): figures beside the ticks, or what lies
/// under a see-through ruler, are no ticks.
fn scatter_px(comb: &Comb, row: &[(f64, ImagePoint)]) -> f64 {
    let off = |(tick, at): &(f64, ImagePoint)| {
        comb.place_of(*tick).map_or(0.0, |place| comb.line.along.dot(&(*at - comb.line.at)) - place)
    };
    // What is left of three neighbours when an even course is taken off has six times the variance of one.
    let mut bends: Vec<f64> =
        row.windows(3).map(|t| (off(&t[0]) - 2.0 * off(&t[1]) + off(&t[2])).abs() / 6f64.sqrt()).collect();
    if bends.is_empty() { 0.0 } else { 1.4826 * crate::camera::median(&mut bends) }
}

fn body(luma: &GrayImage, comb: &Comb, ticks: &Ticks, unit_mm: f64, name: String) -> Option<Body> {
    let (first, last) = (comb.track.first()?.1.ceil(), comb.track.last()?.1.floor());
    let middle = (0.5 * (first + last)).round();
    let px_per_mm = ticks.period_px / unit_mm;
    // The frame's y axis runs up seen from above; the photo's normal (along turned a quarter, y down) runs down it.
    let y_of = |off: f64| -off / px_per_mm;
    let mut sightings = Vec::new();
    for &off in &ticks.rows {
        let row = row(luma, comb, ticks, off);
        let sigma_px = TICK_PX.max(scatter_px(comb, &row));
        sightings.extend(row.into_iter().map(|(tick, at)| {
            let known_mm = (tick - middle) * unit_mm;
            BodySighting { at, axis: Axis::X, known_mm, along_mm: y_of(off), sigma_px }
        }));
    }
    let edge_mm = y_of(ticks.edge_off);
    for &(tick, at) in &ticks.edge {
        let along_mm = (tick - middle) * unit_mm;
        sightings.push(BodySighting { at, axis: Axis::Y, known_mm: edge_mm, along_mm, sigma_px: ticks.edge_sigma });
    }
    let on_line = |tick: f64| comb.place_of(tick).map(|s| comb.line.at + comb.line.along * s);
    let own = |tick: f64| Vector2::new((tick - middle) * unit_mm, 0.0);
    let anchors: Option<Vec<_>> =
        [first + 1.0, middle, last - 1.0].iter().map(|&t| Some((own(t), on_line(t)?))).collect();
    let half = 0.5 * (last - first) * unit_mm + 8.0;
    let far = ticks.edge_off + ticks.inwards * width_mm(ticks, px_per_mm) * px_per_mm;
    let (y0, y1) = (y_of(ticks.edge_off.min(far)), y_of(ticks.edge_off.max(far)));
    Some(Body {
        kind: BodyKind::Ruler,
        name,
        sightings,
        anchors: anchors?,
        outline: [(-half, y0), (half, y0), (half, y1), (-half, y1)].map(|(x, y)| Vector2::new(x, y)).to_vec(),
        size_mm: (last - first) * unit_mm,
        size_doubt: RULER_DOUBT,
        cut: None,
        height_mm: FACE_MM,
        height_doubt_mm: FACE_DOUBT_MM,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::garment::tests::Random;

    /// Places that lean and bend evenly along a ruler scatter by no more than their noise.
    #[test]
    fn a_rows_scatter_is_its_noise() {
        let line = PhotoLine { at: ImagePoint::new(100.0, 200.0), along: Vector2::new(1.0, 0.0) };
        let comb = Comb { line, track: vec![(0.0, 0.0), (2000.0, 400.0)] };
        let mut random = Random(3);
        for noise_px in [0.02, 0.2, 1.0] {
            let row: Vec<(f64, ImagePoint)> = (0..90)
                .map(|k| {
                    let tick = 10.0 + 4.0 * f64::from(k);
                    let (lean, bend) = (2.0 + 0.004 * tick, 3e-5 * (tick - 200.0).powi(2));
                    let along = 5.0 * tick + lean + bend + noise_px * random.normal();
                    (tick, line.at + line.along * along)
                })
                .collect();
            let read = scatter_px(&comb, &row);
            assert!((0.6..1.5).contains(&(read / noise_px)), "{read} for {noise_px}");
        }
        assert_eq!(scatter_px(&comb, &[]), 0.0);
    }
}
