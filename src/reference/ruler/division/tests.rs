//! How rulers are divided is common practice (no source): millimetres with longer fives and tens; half millimetres with longer
//! whole ones, fives and tens; inches halved again and again, every halving's ticks shorter than the one before.

use image::{GrayImage, Luma};
use nalgebra::Vector2;
use proptest::prelude::*;

use super::*;
use crate::reference::ruler::lines::PhotoLine;
use crate::reference::ruler::ticks;
use crate::units::ImagePoint;

/// Which ticks are longer: every how many, and how long, the longest first; the last is every tick.
type Graduation = &'static [(i64, f64)];

const MILLIMETRES: Graduation = &[(10, 9.0), (5, 7.0), (1, 4.5)];
const HALF_MILLIMETRES: Graduation = &[(20, 9.0), (10, 7.0), (2, 5.5), (1, 3.5)];
const EIGHTHS: Graduation = &[(8, 11.0), (4, 8.5), (2, 7.0), (1, 5.5)];
const SIXTEENTHS: Graduation = &[(16, 11.0), (8, 8.5), (4, 7.0), (2, 5.5), (1, 4.0)];
const THIRTY_SECONDS: Graduation = &[(32, 11.0), (16, 8.5), (8, 7.0), (4, 5.5), (2, 4.0), (1, 2.8)];
const TWELFTHS: Graduation = &[(12, 10.0), (6, 8.0), (3, 6.0), (1, 4.0)];
const ALL_ALIKE: Graduation = &[(1, 5.0)];

/// Px of a drawing to a unit of length; px from tick to tick.
const PX: f64 = 3.0;
const PERIOD: f64 = 7.0;

fn long(graduation: Graduation, tick: i64) -> f64 {
    graduation.iter().find(|(every, _)| tick.rem_euclid(*every) == 0).map_or(0.0, |l| l.1)
}

/// Rows across the ticks as they are read: one across the shortest and what lies beyond them, every 1.5 px, with grain of a standard
/// deviation (as a share of a tick's darkness); `first` is the number of the first tick seen, of `count`.
fn rows_of(graduation: Graduation, first: i64, count: i64, grain: f64, salt: u64) -> Vec<Row> {
    let mut random = fastrand::Rng::with_seed(salt);
    let longest = graduation[0].1 * PX + 6.0;
    let shortest = graduation[graduation.len() - 1].1 * PX;
    let deep = (-1..).map(|k| shortest + ROW_PX * f64::from(k)).take_while(|d| *d < longest);
    deep.map(|deep| {
        let dark = |tick| if long(graduation, tick) * PX > deep { 0.9 } else { 0.0 };
        // The sum of twelve even numbers is all but normal, of variance 1.
        let mut normal = || (0..12).map(|_| random.f64()).sum::<f64>() - 6.0;
        (first..first + count).map(|tick| dark(tick) + grain * normal()).collect()
    })
    .collect()
}

/// The division that rows show, as `read` decides it.
fn told(rows: &[Row]) -> Option<Division> {
    let judged = Judgement::of(rows);
    match judged.believed()?.is? {
        Division::Inches { .. } => halvings(rows, judged.phase, PERIOD),
        metric => Some(metric),
    }
}

proptest! {
    #[test]
    fn every_graduation_is_told_from_any_of_its_ticks_on(first in 0i64..64, count in 200i64..400, grain in 0.0..0.15, salt in 0u64..1 << 40) {
        let told = |graduation| told(&rows_of(graduation, first, count, grain, salt));
        prop_assert_eq!(told(MILLIMETRES), Some(Division::Metric(1.0)));
        prop_assert_eq!(told(HALF_MILLIMETRES), Some(Division::Metric(0.5)));
        for (graduation, parts) in [(EIGHTHS, 8), (SIXTEENTHS, 16), (THIRTY_SECONDS, 32)] {
            let Some(Division::Inches { parts: read, sure }) = told(graduation) else { panic!("nothing told of {parts}") };
            // Not sure, it says: so many, or twice or four times as many.
            let right = read == parts || !sure && (parts == 2 * read || parts == 4 * read);
            prop_assert!(right, "{} ({}) for {}", read, if sure { "sure" } else { "not sure" }, parts);
        }
    }

    /// What is not read must not pass for what is.
    #[test]
    fn twelfths_and_ticks_all_alike_are_no_division(first in 0i64..64, count in 200i64..400, grain in 0.0..0.15, salt in 0u64..1 << 40) {
        prop_assert_eq!(told(&rows_of(TWELFTHS, first, count, grain, salt)), None);
        prop_assert_eq!(told(&rows_of(ALL_ALIKE, first, count, grain, salt)), None);
    }

    /// However little of a ruler is seen, it is never taken for one of another kind of unit.
    #[test]
    fn few_ticks_never_change_the_unit(first in 0i64..64, count in 24i64..120, grain in 0.0..0.25, salt in 0u64..1 << 40) {
        for graduation in [MILLIMETRES, HALF_MILLIMETRES] {
            let told = told(&rows_of(graduation, first, count, grain, salt));
            prop_assert!(!matches!(told, Some(Division::Inches { .. })), "{:?}", told);
        }
        for graduation in [EIGHTHS, SIXTEENTHS, THIRTY_SECONDS] {
            let told = told(&rows_of(graduation, first, count, grain, salt));
            prop_assert!(!matches!(told, Some(Division::Metric(_))), "{:?}", told);
        }
    }
}

/// Twelve inches show that no further halving exists; three do not.
#[test]
fn few_inches_are_not_sure() {
    let sure = |count| match told(&rows_of(SIXTEENTHS, 0, count, 0.05, 7)) {
        Some(Division::Inches { parts, sure }) if parts == 16 || !sure => sure,
        other => panic!("{other:?}"),
    };
    assert!(sure(12 * 16));
    assert!(!sure(4 * 16));
}

/// Figures beside every inch tell it where its own tick is no longer than the half's.
#[test]
fn the_figure_tells_the_inch_where_its_tick_does_not() {
    let alike: Graduation = &[(8, 9.0), (4, 7.0), (2, 5.5), (1, 4.0)];
    let mut rows = rows_of(alike, 0, 192, 0.05, 3);
    let parts = |rows: &[Row]| match told(rows) {
        Some(Division::Inches { parts, .. }) => parts,
        other => panic!("{other:?}"),
    };
    assert_eq!(parts(&rows), 8);
    // A figure two ticks wide beside every sixteenth tick, as high as two periods.
    for row in rows.iter_mut().rev().take((2.0 * PERIOD / ROW_PX) as usize) {
        for inch in (16..190).step_by(16) {
            row[inch + 1] += 0.7;
            row[inch + 2] += 0.6;
        }
    }
    assert_eq!(parts(&rows), 16);
}

/// A white ruler drawn with black ticks, read as a photo is; its ticks run down from its upper side.
fn drawn(graduation: Graduation, count: i64, tilt: f64) -> (GrayImage, PhotoLine) {
    let width = (f64::from(count as i32) * PERIOD) as u32 + 80;
    let (left, top) = (40.0, 60.0);
    let picture = GrayImage::from_fn(width, 160, |x, y| {
        let mut dark = 0.0;
        // Nine places a pixel.
        for (i, j) in (0..9).map(|k| (f64::from(k % 3 - 1) / 3.0, f64::from(k / 3 - 1) / 3.0)) {
            let (x, y) = (f64::from(x) + i, f64::from(y) + j);
            let deep = y - top - tilt * (x - left);
            let tick = ((x - left) / PERIOD).round();
            let on = (x - left - tick * PERIOD).abs() < 1.1 && (0.0..=count as f64).contains(&tick);
            if on && deep > 0.0 && deep < PX * long(graduation, tick as i64) {
                dark += 1.0 / 9.0;
            }
        }
        Luma([(225.0 - 170.0 * dark) as u8])
    });
    let shortest = graduation[graduation.len() - 1].1 * PX;
    (picture, PhotoLine { at: ImagePoint::new(left, top + 0.5 * shortest), along: Vector2::new(1.0, tilt).normalize() })
}

fn read_along(picture: &GrayImage, line: PhotoLine) -> ticks::Ticks {
    let comb = ticks::straightened(picture, &comb::along(picture, line).expect("a comb")).expect("a straight comb");
    ticks::read(picture, &comb).expect("ticks")
}

fn read_drawn(graduation: Graduation, count: i64, tilt: f64) -> Option<Division> {
    let (picture, line) = drawn(graduation, count, tilt);
    read_along(&picture, line).division
}

/// The ruler's body, and so what is no cloth, lies where the longer ticks run, whether or not its side can be seen.
#[test]
fn a_ruler_lies_where_its_longer_ticks_run() {
    for (graduation, count) in [(MILLIMETRES, 300), (HALF_MILLIMETRES, 300), (SIXTEENTHS, 192)] {
        let (picture, line) = drawn(graduation, count, 0.002);
        // A line's normal, along turned a quarter, points down the photo.
        assert_eq!(read_along(&picture, line).inwards, 1.0);
        let upside_down = image::imageops::rotate180(&picture);
        let turned = |p: ImagePoint| {
            ImagePoint::new(f64::from(picture.width()) - 1.0 - p.x, f64::from(picture.height()) - 1.0 - p.y)
        };
        let line = PhotoLine { at: turned(line.at), ..line };
        assert_eq!(read_along(&upside_down, line).inwards, -1.0);
    }
}

#[test]
fn drawn_rulers_are_read() {
    assert_eq!(read_drawn(MILLIMETRES, 300, 0.004), Some(Division::Metric(1.0)));
    assert_eq!(read_drawn(HALF_MILLIMETRES, 300, -0.003), Some(Division::Metric(0.5)));
    assert_eq!(read_drawn(EIGHTHS, 96, 0.0), Some(Division::Inches { parts: 8, sure: true }));
    assert_eq!(read_drawn(SIXTEENTHS, 192, 0.003), Some(Division::Inches { parts: 16, sure: true }));
    assert_eq!(read_drawn(TWELFTHS, 144, 0.0), None);
    assert_eq!(read_drawn(ALL_ALIKE, 200, 0.0), None);
}
