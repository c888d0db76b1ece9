//! The hunt for silent wrong scales: drawn photos in which a reference is bent, raised, doubled, of another size, hidden
//! in part, or typed wrongly. What comes out must be right (0.3 %), or inside the doubt stated, or refused, or flagged.
//!
//! What no photo can show is not in the list: all cards misprinted alike, or a lone ruler lying on a book.

use clothline::camera::{Camera, Lens};
use clothline::flat::MatRect;
use clothline::measure::{self, References};
use clothline::photo::{Photo, Taken};
use clothline::reference::cards::family;
use clothline::units::{ImagePoint, MatPoint};
use image::{Rgb, RgbImage};
use nalgebra::{Matrix3, Rotation3, Vector2, Vector3};

const SIZE: (u32, u32) = (3000, 2250);
const FOCAL: f64 = 2260.0;
const RIGHT: f64 = 0.003;
/// Warnings that name what is wrong; "lay a second ruler" is no such thing.
const NAMING: [&str; 8] = [
    "reference-left-out",
    "references-disagree",
    "card-hidden",
    "card-twice",
    "few-cards",
    "ruler-partly-seen",
    "focal-disagrees",
    "strong-lens",
];

#[derive(Clone, Copy)]
enum Thing {
    /// Number, and side in mm.
    Card(usize, f64),
    /// Ticks, tick to tick in mm, inches or millimetres by their longer ticks, sagitta in mm.
    Ruler(u32, f64, bool, f64),
    /// A patch of cloth that hides what is below.
    Patch(f64, f64),
}

#[derive(Clone, Copy)]
struct Laid {
    thing: Thing,
    at: (f64, f64),
    turn: f64,
    /// Height of its face, and how much its own right end is higher than its left, mm.
    lift: (f64, f64),
}

fn lay(thing: Thing, at: (f64, f64), turn: f64) -> Laid {
    Laid { thing, at, turn: turn.to_radians(), lift: (0.1, 0.0) }
}

fn raised(laid: Laid, mm: f64) -> Laid {
    Laid { lift: (mm, 0.0), ..laid }
}

fn camera(tilt: (f64, f64), height: f64) -> (Camera, Vector3<f64>) {
    let turn = Rotation3::from_euler_angles(tilt.0.to_radians(), tilt.1.to_radians(), 0.03).into_inner()
        * Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
    let t = Vector3::new(6.0, -9.0, height);
    let k = Matrix3::new(FOCAL, 0.0, 1499.5, 0.0, FOCAL, 1124.5, 0.0, 0.0, 1.0);
    let map = k * Matrix3::from_columns(&[turn.column(0).into(), turn.column(1).into(), t]);
    let lens = Lens { centre: ImagePoint::new(1499.5, 1124.5), scale_px: FOCAL, k1: -0.02, k2: 0.0 };
    (Camera::new(map, lens).expect("a camera"), -(turn.transpose() * t))
}

fn noise(x: i64, y: i64, salt: i64) -> f64 {
    let mut h = (x.wrapping_mul(0x9E37_79B1) ^ y.wrapping_mul(0x85EB_CA77) ^ salt.wrapping_mul(0xC2B2_AE3D)) as u64;
    h ^= h >> 15;
    h = h.wrapping_mul(0x2C1B_3C6D_2C1B_3C6D);
    h ^= h >> 29;
    (h & 0xFFFF) as f64 / 65535.0
}

/// Brightness (0 to 1, gamma) of a thing at its own place; `None` beside it.
fn tone(thing: Thing, x: f64, y: f64) -> Option<f64> {
    match thing {
        Thing::Card(number, side) => {
            let cell = side / 8.0;
            let (column, row) = ((x / cell + 4.0).floor() as i64, (4.0 - y / cell).floor() as i64);
            if x.abs().max(y.abs()) > 0.75 * side {
                return None;
            }
            let inside = |k: i64| (0..8).contains(&k);
            let white = match (inside(row), inside(column)) {
                (true, true) => family::is_white(number, row as usize, column as usize),
                (false, false) => ![-1, 8].contains(&row) || ![-1, 8].contains(&column),
                _ => true,
            };
            Some(if white { 0.93 } else { 0.12 })
        }
        Thing::Ruler(ticks, step, inches, sagitta) => {
            let half = 0.5 * f64::from(ticks) * step;
            let y = y - sagitta * (1.0 - (x / half).powi(2));
            if x.abs() > half + 4.0 || !(-28.0..=0.0).contains(&y) {
                return None;
            }
            let k = ((x + half) / step).round();
            let near = (x + half - k * step).abs();
            let levels: &[(i64, f64)] = if inches {
                &[(16, 11.0), (8, 8.5), (4, 7.0), (2, 5.5), (1, 4.0)]
            } else {
                &[(10, 9.0), (5, 7.0), (1, 4.5)]
            };
            let long = levels.iter().find(|(every, _)| (k as i64).rem_euclid(*every) == 0).map_or(4.0, |l| l.1);
            let tick = near < 0.13 && -y < long && (0.0..=f64::from(ticks)).contains(&k);
            Some(if tick { 0.12 } else { 0.9 })
        }
        Thing::Patch(w, h) => (x.abs() < w && y.abs() < h).then_some(0.3),
    }
}

fn draw(things: &[Laid], camera: &Camera, eye: Vector3<f64>) -> Photo {
    let floor = |p: MatPoint| 0.52 + 0.05 * (noise((p.x / 3.0) as i64, (p.y / 40.0) as i64, 5) - 0.5);
    let seen = |image: ImagePoint| -> (f64, bool) {
        let p = camera.mat_from_image(image);
        let way = Vector3::new(p.x, p.y, 0.0) - eye;
        // The last laid lies on top.
        for laid in things.iter().rev() {
            let (s, c) = laid.turn.sin_cos();
            let own = |h: f64| {
                let q = eye + way * ((eye.z - h) / eye.z);
                let d = Vector2::new(q.x - laid.at.0, q.y - laid.at.1);
                Vector2::new(c * d.x + s * d.y, -s * d.x + c * d.y)
            };
            let first = own(laid.lift.0);
            let at = own(laid.lift.0 + laid.lift.1 * (first.x / 80.0 + 0.5).clamp(0.0, 1.0).powi(2));
            if let Some(tone) = tone(laid.thing, at.x, at.y) {
                return (tone, true);
            }
        }
        (floor(p), false)
    };
    let linear = |v: f64| v.powf(2.2);
    let grey = |x: u32, y: u32| {
        let at = ImagePoint::new(f64::from(x), f64::from(y));
        let (first, on) = seen(at);
        if !on && !x.is_multiple_of(8) {
            return first;
        }
        // A lens of some 0.6 px: nine places, weighted.
        let mut sum = (0.0, 0.0);
        for i in -2..=2 {
            for j in -2..=2 {
                let off = Vector2::new(0.35 * f64::from(i), 0.35 * f64::from(j));
                let w = (-0.5 * off.norm_squared() / 0.3).exp();
                sum = (sum.0 + w * linear(seen(at + off).0), sum.1 + w);
            }
        }
        (sum.0 / sum.1).powf(1.0 / 2.2)
    };
    use rayon::prelude::*;
    let values: Vec<u8> = (0..SIZE.0 * SIZE.1)
        .into_par_iter()
        .map(|k| {
            let (x, y) = (k % SIZE.0, k / SIZE.0);
            let grain = 5.0 * (noise(i64::from(x), i64::from(y), 1) + noise(i64::from(x), i64::from(y), 2) - 1.0);
            (255.0 * grey(x, y) + grain).clamp(0.0, 255.0) as u8
        })
        .collect();
    let rgb = RgbImage::from_fn(SIZE.0, SIZE.1, |x, y| Rgb([values[(y * SIZE.0 + x) as usize]; 3]));
    let focal_35mm = Some(FOCAL * 43.266_6 / f64::from(SIZE.0).hypot(f64::from(SIZE.1)));
    Photo { rgb, taken: Taken { focal_35mm, ..Taken::default() } }
}

enum Verdict {
    Right(f64),
    WithinDoubt(f64, f64),
    Flagged(f64, String),
    Refused(String),
    Silent(f64, f64),
}

fn judge(things: &[Laid], references: &References, tilt: (f64, f64)) -> Verdict {
    let (truth, eye) = camera(tilt, 720.0);
    let photo = draw(things, &truth, eye);
    let found = measure::find_bodies(&photo, references).and_then(|(bodies, warnings)| {
        measure::by_bodies(&bodies, (photo.width(), photo.height()), photo.focal_px()).map(|m| (m, warnings))
    });
    let (measured, mut warnings) = match found {
        Ok(found) => found,
        Err(refusal) => return Verdict::Refused(refusal.seen),
    };
    warnings.extend(measured.warnings.iter().cloned());
    let at = |x: f64, y: f64| measured.fit.camera.mat_from_image(truth.image_from_mat(MatPoint::new(x, y)));
    let length = |a: (f64, f64), b: (f64, f64)| {
        at(a.0, a.1).distance(at(b.0, b.1)) / MatPoint::new(a.0, a.1).distance(MatPoint::new(b.0, b.1)) - 1.0
    };
    let error = length((-150.0, 0.0), (150.0, 0.0)).abs().max(length((0.0, -120.0), (0.0, 120.0)).abs());
    let rect =
        MatRect::around([(-150.0, -120.0), (150.0, -120.0), (150.0, 120.0), (-150.0, 120.0)].map(|(x, y)| at(x, y)));
    let stated = rect.map_or(0.0, |r| measured.scale_doubt_over(r));
    let named: Vec<&str> = warnings.iter().map(|w| w.code.as_str()).filter(|c| NAMING.contains(c)).collect();
    if error <= RIGHT {
        Verdict::Right(error)
    } else if !named.is_empty() {
        Verdict::Flagged(error, named.join(", "))
    } else if error <= stated {
        Verdict::WithinDoubt(error, stated)
    } else {
        Verdict::Silent(error, stated)
    }
}

fn cards(sizes: &[f64]) -> Vec<Laid> {
    let places = [(-340.0, 210.0), (330.0, 220.0), (-330.0, -220.0), (340.0, -210.0), (0.0, 260.0), (-20.0, -250.0)];
    let turns = [12.0, -30.0, 75.0, 5.0, 140.0, 200.0];
    sizes.iter().enumerate().map(|(i, s)| lay(Thing::Card(i, *s), places[i], turns[i])).collect()
}

fn mm_ruler(sagitta: f64) -> Laid {
    lay(Thing::Ruler(450, 1.0, false, sagitta), (0.0, -200.0), 1.0)
}

#[test]
fn no_wrong_scale_is_silent() {
    let card = || References { card_mm: Some(80.0), ..References::default() };
    let ruler = |typed: &str| References { rulers: vec![typed.parse().expect("a length")], ..References::default() };
    let both = || References { card_mm: Some(80.0), ..ruler("450mm") };
    let with = |mut all: Vec<Laid>, more: &[Laid]| {
        all.extend_from_slice(more);
        all
    };
    let five = || cards(&[80.0; 5]);
    let lifted = |mut all: Vec<Laid>, which: &[usize], mm: f64| {
        for &k in which {
            all[k] = raised(all[k], mm);
        }
        all
    };
    let up = lay(Thing::Ruler(450, 1.0, false, 0.0), (-300.0, 10.0), 89.0);
    let mut curled = five();
    curled[1].lift = (0.1, 9.0);
    let mut doubled = five();
    doubled[4].thing = Thing::Card(0, 80.0);
    let mut doubled_larger = five();
    doubled_larger[4].thing = Thing::Card(0, 92.0);
    let cases: Vec<(&str, Vec<Laid>, References)> = vec![
        ("five good cards", five(), card()),
        ("one card on a book of 15 mm", lifted(five(), &[2], 15.0), card()),
        ("one card raised by 4 mm", lifted(five(), &[0], 4.0), card()),
        ("two cards raised by 12 mm", lifted(cards(&[80.0; 6]), &[0, 3], 12.0), card()),
        ("three cards, one raised by 8 mm", lifted(cards(&[80.0; 3]), &[1], 8.0), card()),
        ("one card curled by 9 mm", curled, card()),
        ("one card of 84 mm", cards(&[80.0, 84.0, 80.0, 80.0, 80.0]), card()),
        ("cards of all sizes", cards(&[80.0, 84.0, 76.0, 80.0, 72.0]), card()),
        ("a number twice", doubled, card()),
        ("a number twice, one larger", doubled_larger, card()),
        ("a card half hidden", with(five(), &[lay(Thing::Patch(45.0, 40.0), (-300.0, 190.0), 0.0)]), card()),
        ("one card alone", cards(&[80.0]), card()),
        ("two cards", cards(&[80.0; 2]), card()),
        ("one good ruler", vec![mm_ruler(0.0)], ruler("450mm")),
        ("two good rulers", vec![mm_ruler(0.0), up], ruler("450mm")),
        ("a ruler bent by 3 mm", vec![mm_ruler(3.0)], ruler("450mm")),
        ("a ruler bent by 12 mm", vec![mm_ruler(12.0)], ruler("450mm")),
        ("a millimetre ruler typed in inches", vec![mm_ruler(0.0)], ruler("18in")),
        (
            "an inch ruler typed in millimetres",
            vec![lay(Thing::Ruler(288, 1.5875, true, 0.0), (0.0, -200.0), 1.0)],
            ruler("450mm"),
        ),
        (
            "half the ruler hidden",
            vec![mm_ruler(0.0), lay(Thing::Patch(150.0, 40.0), (150.0, -210.0), 0.0)],
            ruler("450mm"),
        ),
        (
            "a ruler of 2 % longer millimetres, and cards",
            with(five(), &[lay(Thing::Ruler(450, 1.02, false, 0.0), (0.0, -170.0), 1.0)]),
            both(),
        ),
        ("cards misprinted by 2 %, and a ruler", with(cards(&[78.4; 5]), &[mm_ruler(0.0)]), both()),
        ("no cards at all", vec![mm_ruler(0.0)], card()),
        ("no ruler at all", five(), ruler("450mm")),
    ];
    let mut silent = Vec::new();
    for (i, (name, things, references)) in cases.iter().enumerate() {
        let tilt = [(4.0, 3.0), (-8.0, 5.0), (2.0, -11.0)][i % 3];
        let said = match judge(things, references, tilt) {
            Verdict::Right(e) => format!("right ({:.2} %)", 100.0 * e),
            Verdict::WithinDoubt(e, d) => format!("{:.2} % off, doubt stated {:.2} %", 100.0 * e, 100.0 * d),
            Verdict::Flagged(e, what) => format!("flagged ({what}), {:.2} % off", 100.0 * e),
            Verdict::Refused(why) => format!("refused: {why}"),
            Verdict::Silent(e, d) => {
                silent.push(*name);
                format!("SILENT: {:.2} % off, doubt stated {:.2} %", 100.0 * e, 100.0 * d)
            }
        };
        println!("{name:48} {said}");
    }
    println!("silent wrong scales over 0.3 %: {} of {}", silent.len(), cases.len());
    assert!(silent.is_empty(), "{silent:?}");
}
