//! The hunt for silent wrong scales: drawn photos in which a reference is bent, raised, doubled, of another size, hidden
//! in part, divided in another way, or typed wrongly. What comes out must be right (0.3 %), or inside the doubt stated, or
//! refused, or flagged. How rulers are divided is common practice (no source): see `Marks`.
//!
//! What no photo can show is not in the list: all cards misprinted alike, a lone ruler lying on a book, A3 taken for A4 (they
//! are of one shape; the camera's height is told).

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
const NAMING: [&str; 9] = [
    "reference-left-out",
    "references-disagree",
    "card-hidden",
    "card-twice",
    "few-cards",
    "ruler-partly-seen",
    "ruler-counted",
    "focal-disagrees",
    "strong-lens",
];

/// Which ticks are longer, mm: every so many, the longest first; and every how many have a figure.
type Marks = (&'static [(i64, f64)], i64);

const MM: Marks = (&[(10, 9.0), (5, 7.0), (1, 4.5)], 10);
const HALVES: Marks = (&[(20, 9.0), (10, 7.0), (2, 5.5), (1, 3.5)], 20);
const EIGHTHS: Marks = (&[(8, 11.0), (4, 8.5), (2, 7.0), (1, 5.5)], 8);
const SIXTEENTHS: Marks = (&[(16, 11.0), (8, 8.5), (4, 7.0), (2, 5.5), (1, 4.0)], 16);
const THIRTY_SECONDS: Marks = (&[(32, 11.0), (16, 8.5), (8, 7.0), (4, 5.5), (2, 4.0), (1, 2.8)], 32);
/// The inch's own tick no longer than its half's: only the figures tell.
const SIXTEENTHS_BY_FIGURES: Marks = (&[(8, 9.0), (4, 7.0), (2, 5.5), (1, 4.0)], 16);
const TWELFTHS: Marks = (&[(12, 10.0), (6, 8.0), (3, 6.0), (1, 4.0)], 12);
const ALIKE: Marks = (&[(1, 5.0)], i64::MAX);

/// Ticks, tick to tick in mm, and which are longer.
#[derive(Clone, Copy)]
struct Scale(u32, f64, Marks);

impl Scale {
    fn length(self) -> f64 {
        f64::from(self.0) * self.1
    }

    /// Is there ink at a place, `x` from the scale's middle and `deep` from the ruler's edge?
    fn ink(self, x: f64, deep: f64) -> bool {
        let Self(ticks, step, (levels, figures)) = self;
        let x = x + 0.5 * self.length();
        let k = (x / step).round();
        let long = levels.iter().find(|(every, _)| (k as i64).rem_euclid(*every) == 0).map_or(0.0, |l| l.1);
        let tick =
            (x - k * step).abs() < 0.13f64.min(0.22 * step) && deep < long && (0.0..=f64::from(ticks)).contains(&k);
        tick || figures < i64::MAX && figure(x, deep - 11.5, figures as f64 * step)
    }
}

/// Figures 3 mm high right of every major tick, in dots of 0.6 mm.
fn figure(x: f64, down: f64, every: f64) -> bool {
    const DIGITS: [u16; 10] =
        [0o75557, 0o26227, 0o71747, 0o71717, 0o55711, 0o74717, 0o74757, 0o71111, 0o75757, 0o75717];
    let number = (x / every).floor();
    let (column, row) = (((x - number * every - 0.6) / 0.6).floor(), (down / 0.6).floor());
    if !(number > 0.0 && (0.0..8.0).contains(&column) && (0.0..5.0).contains(&row)) {
        return false;
    }
    let text = format!("{number}");
    let Some(digit) = text.as_bytes().get(column as usize / 4).map(|c| DIGITS[usize::from(c - b'0')]) else {
        return false;
    };
    let column = column as usize % 4;
    column < 3 && digit >> (3 * (4 - row as usize) + 2 - column) & 1 == 1
}

#[derive(Clone, Copy, PartialEq)]
enum Made {
    White,
    /// Light ticks on black.
    Black,
    /// What lies below shows through.
    Clear,
}

#[derive(Clone, Copy)]
enum Thing {
    /// Number, and side in mm.
    Card(usize, f64),
    /// The scale along its upper edge, that along its lower, what it is made of, and its sagitta in mm.
    Ruler(Scale, Option<Scale>, Made, f64),
    /// A patch of cloth that hides what is below.
    Patch(f64, f64),
    /// White paper.
    Paper(f64, f64),
    /// Cloth with stripes across, and how far apart they are.
    Stripes(f64, f64, f64),
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

/// In place of a brightness: what lies below.
const SHINES_THROUGH: f64 = -1.0;

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
        Thing::Ruler(scale, other, made, sagitta) => {
            let half = 0.5 * scale.length();
            let y = y - sagitta * (1.0 - (x / half).powi(2));
            if x.abs() > half + 4.0 || !(-36.0..=0.0).contains(&y) {
                return None;
            }
            let ink = scale.ink(x, -y) || other.is_some_and(|o| o.ink(-x, 36.0 + y));
            Some(match (made, ink) {
                (Made::White, true) | (Made::Black, false) | (Made::Clear, true) => 0.12,
                (Made::White, false) | (Made::Black, true) => 0.9,
                (Made::Clear, false) => SHINES_THROUGH,
            })
        }
        Thing::Stripes(w, h, pitch) => {
            (x.abs() < w && y.abs() < h).then_some(if (x / pitch).rem_euclid(1.0) < 0.4 { 0.35 } else { 0.75 })
        }
        Thing::Paper(w, h) => (x.abs() < 0.5 * w && y.abs() < 0.5 * h).then_some(0.95),
        Thing::Patch(w, h) => (x.abs() < w && y.abs() < h).then_some(0.3),
    }
}

/// Where the photo's pixels lie on the table: exact every 8 px, straight between (off by some thousandths of a px).
struct Plan {
    nodes: Vec<MatPoint>,
    columns: usize,
}

impl Plan {
    const STEP: f64 = 8.0;

    fn of(camera: &Camera) -> Self {
        let (columns, rows) = (SIZE.0 as usize / 8 + 4, SIZE.1 as usize / 8 + 4);
        let place = |k: usize| (k as f64 - 1.0) * Self::STEP;
        let node = |k: usize| camera.mat_from_image(ImagePoint::new(place(k % columns), place(k / columns)));
        Self { nodes: (0..columns * rows).map(node).collect(), columns }
    }

    fn mat(&self, x: f64, y: f64) -> MatPoint {
        let (u, v) = (x / Self::STEP + 1.0, y / Self::STEP + 1.0);
        let (i, j) = (u.floor(), v.floor());
        let k = j as usize * self.columns + i as usize;
        let row = |k: usize| self.nodes[k].lerp(self.nodes[k + 1], u - i);
        row(k).lerp(row(k + self.columns), v - j)
    }
}

fn draw(things: &[Laid], camera: &Camera, eye: Vector3<f64>) -> Photo {
    let floor = |p: MatPoint| 0.52 + 0.05 * (noise((p.x / 3.0) as i64, (p.y / 40.0) as i64, 5) - 0.5);
    let plan = Plan::of(camera);
    let seen = |x: f64, y: f64| -> (f64, bool) {
        let p = plan.mat(x, y);
        let way = Vector3::new(p.x, p.y, 0.0) - eye;
        let mut clear = 1.0;
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
            match tone(laid.thing, at.x, at.y) {
                Some(SHINES_THROUGH) => clear *= 0.95,
                Some(tone) => return (clear * tone, true),
                None => {}
            }
        }
        (clear * floor(p), clear < 1.0)
    };
    let linear = |v: f64| v.powf(2.2);
    let grey = |x: u32, y: u32| {
        let (x, y) = (f64::from(x), f64::from(y));
        let (first, on) = seen(x, y);
        if !on && x % 8.0 != 0.0 {
            return first;
        }
        // A lens of some 0.6 px: nine places, weighted.
        let mut sum = (0.0, 0.0);
        for i in -2..=2 {
            for j in -2..=2 {
                let off = (0.35 * f64::from(i), 0.35 * f64::from(j));
                let w = (-0.5 * (off.0 * off.0 + off.1 * off.1) / 0.3).exp();
                sum = (sum.0 + w * linear(seen(x + off.0, y + off.1).0), sum.1 + w);
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

fn judge(things: &[Laid], references: &References, tilt: (f64, f64), height: f64) -> Verdict {
    let (truth, eye) = camera(tilt, height);
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
    lay(Thing::Ruler(Scale(450, 1.0, MM), None, Made::White, sagitta), (0.0, -200.0), 1.0)
}

fn ruler(scale: Scale) -> Laid {
    made(scale, None, Made::White)
}

fn made(scale: Scale, other: Option<Scale>, of: Made) -> Laid {
    raised(lay(Thing::Ruler(scale, other, of, 0.0), (0.0, -140.0), 1.5), 0.8)
}

/// Rulers as they are made, seen from 0.4 m: what lies there, and what is typed.
fn divisions() -> Vec<(&'static str, Vec<Laid>, &'static str)> {
    let inch = 25.4;
    let (mm, halves) = (Scale(300, 1.0, MM), Scale(600, 0.5, HALVES));
    let (eighths, sixteenths) = (Scale(96, inch / 8.0, EIGHTHS), Scale(192, inch / 16.0, SIXTEENTHS));
    let fine = Scale(384, inch / 32.0, THIRTY_SECONDS);
    let tenths = Scale(120, inch / 10.0, MM);
    let covered = |ruler: Laid, at: f64, half: f64| vec![ruler, lay(Thing::Patch(half, 40.0), (at, -150.0), 0.0)];
    let over = |below: Thing, ruler: Laid| vec![lay(below, (60.0, -150.0), 4.0), ruler];
    vec![
        ("half millimetres", vec![ruler(halves)], "300mm"),
        ("half millimetres typed in inches", vec![ruler(halves)], "12in"),
        ("half millimetres typed twice as long", vec![ruler(halves)], "600mm"),
        ("half millimetres typed half as long", vec![ruler(halves)], "150mm"),
        ("millimetres typed twice as long", vec![ruler(mm)], "600mm"),
        ("millimetres typed half as long", vec![ruler(mm)], "150mm"),
        ("half millimetres, half hidden", covered(ruler(halves), 80.0, 80.0), "300mm"),
        ("half millimetres, half hidden, typed in inches", covered(ruler(halves), 80.0, 80.0), "6in"),
        ("millimetres and inches, typed in mm", vec![made(mm, Some(sixteenths), Made::White)], "300mm"),
        ("millimetres and inches, typed in inches", vec![made(mm, Some(sixteenths), Made::White)], "12in"),
        ("inches and millimetres, typed in inches", vec![made(sixteenths, Some(mm), Made::White)], "12in"),
        ("millimetres and half millimetres", vec![made(mm, Some(halves), Made::White)], "300mm"),
        ("half millimetres and 1/32 in, typed in mm", vec![made(halves, Some(fine), Made::White)], "300mm"),
        ("half millimetres and 1/32 in, typed in inches", vec![made(halves, Some(fine), Made::White)], "12in"),
        ("1/32 in", vec![ruler(fine)], "12in"),
        ("1/32 in typed in mm", vec![ruler(fine)], "300mm"),
        ("1/32 in typed twice as long", vec![ruler(fine)], "24in"),
        ("1/32 in, half hidden", covered(ruler(fine), 80.0, 80.0), "12in"),
        ("1/32 in, but for two inches hidden", covered(ruler(fine), 50.0, 150.0), "12in"),
        ("1/16 in, but for three inches hidden", covered(ruler(sixteenths), 60.0, 140.0), "12in"),
        ("1/16 in, typed half as long", vec![ruler(sixteenths)], "6in"),
        ("1/16 in by figures only", vec![ruler(Scale(192, inch / 16.0, SIXTEENTHS_BY_FIGURES))], "12in"),
        (
            "1/16 in by figures only, half hidden",
            covered(ruler(Scale(192, inch / 16.0, SIXTEENTHS_BY_FIGURES)), 80.0, 80.0),
            "12in",
        ),
        ("1/8 in", vec![ruler(eighths)], "12in"),
        ("1/8 in typed in mm", vec![ruler(eighths)], "300mm"),
        ("1/8 in, half hidden", covered(ruler(eighths), 80.0, 80.0), "12in"),
        ("tenths of an inch", vec![ruler(tenths)], "12in"),
        ("tenths of an inch typed in mm", vec![ruler(tenths)], "300mm"),
        ("twelfths of an inch", vec![ruler(Scale(144, inch / 12.0, TWELFTHS))], "12in"),
        ("twelfths of an inch typed in mm", vec![ruler(Scale(144, inch / 12.0, TWELFTHS))], "300mm"),
        ("ticks all alike", vec![ruler(Scale(300, 1.0, ALIKE))], "300mm"),
        ("light ticks on black, millimetres", vec![made(mm, None, Made::Black)], "300mm"),
        ("light ticks on black, 1/16 in typed in mm", vec![made(sixteenths, None, Made::Black)], "300mm"),
        ("clear, millimetres", vec![made(mm, None, Made::Clear)], "300mm"),
        ("clear, millimetres typed in inches", vec![made(mm, None, Made::Clear)], "12in"),
        ("clear, 1/8 in", vec![made(eighths, None, Made::Clear)], "12in"),
        ("clear, half on striped cloth", over(Thing::Stripes(110.0, 60.0, 7.0), made(mm, None, Made::Clear)), "300mm"),
        (
            "clear, on stripes of 4 mm, typed in inches",
            over(Thing::Stripes(250.0, 60.0, 4.0), made(mm, None, Made::Clear)),
            "12in",
        ),
        (
            "clear, mm and 1/16 in, half on dark cloth",
            over(Thing::Patch(110.0, 60.0), made(mm, Some(sixteenths), Made::Clear)),
            "12in",
        ),
        ("20 mm of the middle hidden", covered(ruler(mm), 0.0, 10.0), "300mm"),
        ("70 mm of the middle hidden", covered(ruler(mm), 10.0, 35.0), "300mm"),
        ("25 mm of half millimetres hidden", covered(ruler(halves), -30.0, 12.5), "300mm"),
    ]
}

#[test]
fn no_wrong_scale_is_silent() {
    let card = || References { card_mm: Some(80.0), ..References::default() };
    let typed = |typed: &str| References { rulers: vec![typed.parse().expect("a length")], ..References::default() };
    let both = || References { card_mm: Some(80.0), ..typed("450mm") };
    let with = |mut all: Vec<Laid>, more: &[Laid]| {
        all.extend_from_slice(more);
        all
    };
    let sheet = |name: &str| References { sheet: Some(name.parse().expect("a paper")), ..References::default() };
    let paper = |w: f64, h: f64| lay(Thing::Paper(w, h), (40.0, 60.0), 7.0);
    let five = || cards(&[80.0; 5]);
    let lifted = |mut all: Vec<Laid>, which: &[usize], mm: f64| {
        for &k in which {
            all[k] = raised(all[k], mm);
        }
        all
    };
    let up = lay(Thing::Ruler(Scale(450, 1.0, MM), None, Made::White, 0.0), (-300.0, 10.0), 89.0);
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
        ("one good ruler", vec![mm_ruler(0.0)], typed("450mm")),
        ("two good rulers", vec![mm_ruler(0.0), up], typed("450mm")),
        ("a ruler bent by 3 mm", vec![mm_ruler(3.0)], typed("450mm")),
        ("a ruler bent by 12 mm", vec![mm_ruler(12.0)], typed("450mm")),
        ("a millimetre ruler typed in inches", vec![mm_ruler(0.0)], typed("18in")),
        (
            "an inch ruler typed in millimetres",
            vec![lay(Thing::Ruler(Scale(288, 1.5875, SIXTEENTHS), None, Made::White, 0.0), (0.0, -200.0), 1.0)],
            typed("450mm"),
        ),
        (
            "half the ruler hidden",
            vec![mm_ruler(0.0), lay(Thing::Patch(150.0, 40.0), (150.0, -210.0), 0.0)],
            typed("450mm"),
        ),
        (
            "a ruler of 2 % longer millimetres, and cards",
            with(five(), &[lay(Thing::Ruler(Scale(450, 1.02, MM), None, Made::White, 0.0), (0.0, -170.0), 1.0)]),
            both(),
        ),
        ("cards misprinted by 2 %, and a ruler", with(cards(&[78.4; 5]), &[mm_ruler(0.0)]), both()),
        ("a sheet of A4", vec![paper(297.0, 210.0)], sheet("a4")),
        ("A4 typed as Letter", vec![paper(297.0, 210.0)], sheet("letter")),
        ("Letter typed as A4", vec![paper(279.4, 215.9)], sheet("a4")),
        ("A4 typed as Legal", vec![paper(297.0, 210.0)], sheet("legal")),
        ("A4 cut 2 mm short one way, 1.5 mm long the other", vec![paper(295.0, 211.5)], sheet("a4")),
        ("A4 taken for an ID-1 card", vec![paper(297.0, 210.0)], References { id_card: true, ..References::default() }),
        (
            "A4 typed as Letter, and a ruler",
            vec![paper(297.0, 210.0), mm_ruler(0.0)],
            References { sheet: sheet("letter").sheet, ..typed("450mm") },
        ),
        ("no cards at all", vec![mm_ruler(0.0)], card()),
        ("no ruler at all", five(), typed("450mm")),
    ];
    let laid_out = cases.into_iter().map(|(name, things, references)| (name, things, references, 720.0));
    let close = divisions().into_iter().map(|(name, things, length)| (name, things, typed(length), 400.0));
    let cases: Vec<_> = laid_out.chain(close).collect();
    let mut silent = Vec::new();
    for (i, (name, things, references, height)) in cases.iter().enumerate() {
        let tilt = [(4.0, 3.0), (-8.0, 5.0), (2.0, -11.0)][i % 3];
        let said = match judge(things, references, tilt, *height) {
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
