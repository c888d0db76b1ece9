//! Random set-ups of cards, rulers and paper under random cameras: the error of lengths, and whether it lies inside the
//! doubt stated. `reference_simulation [COUNT [FOLDER]]` prints a table and writes it and a plot into FOLDER (calibration).
//!
//! What is drawn at random: height 0.6 to 1.5 m, tilt to 20 degrees any way, turn, lens 22 to 30 mm (35 mm equivalent)
//! of which EXIF knows within 2 % (one time in five nothing), k1 and k2 of phones, the lens's axis 0.5 % off the middle;
//! where the references lie around a garment of 400 x 600 mm; their own misprint, within what is believed of it; the
//! height of a ruler's face; noise of every place read. The references' finding in the photo is not part of it.

use std::fmt::Write as _;

use clothline::camera::{Camera, Lens};
use clothline::flat::MatRect;
use clothline::measure;
use clothline::reference::Axis;
use clothline::reference::body::{Body, BodyKind, BodySighting, Cut};
use clothline::units::{ImagePoint, MatPoint};
use nalgebra::{Matrix3, Rotation3, Vector2, Vector3};

const SIZE: (u32, u32) = (3024, 4032);
/// The garment's box, mm from the middle.
const HALF: (f64, f64) = (200.0, 300.0);
const KINDS: [&str; 7] =
    ["3 cards", "5 cards", "8 cards", "1 ruler", "2 rulers as an L", "A4 sheet", "ruler and ID-1 card"];

/// A small generator of numbers (xorshift64*, Vigna 2016): the same set-ups every time.
struct Chance(u64);

impl Chance {
    fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.share()
    }

    fn normal(&mut self, sigma: f64) -> f64 {
        let (u, v) = (self.share().max(1e-12), self.share());
        sigma * (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// A camera by focal length, turn, place and lens; planes at any height.
struct Truth {
    focal: f64,
    turn: Matrix3<f64>,
    at: Vector3<f64>,
    centre: ImagePoint,
    lens: Lens,
}

impl Truth {
    fn any(chance: &mut Chance) -> Self {
        let focal = chance.between(22.0, 30.0) * 5040.0 / 43.2666;
        let tilt = chance.between(0.0, 20f64.to_radians());
        let way = chance.between(0.0, std::f64::consts::TAU);
        let lean = Rotation3::new(Vector3::new(way.cos(), way.sin(), 0.0) * tilt).into_inner();
        let roll = Rotation3::new(Vector3::new(0.0, 0.0, chance.normal(0.1))).into_inner();
        let turn = roll * lean * Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0));
        let distance = chance.between(800.0, 1500.0);
        let middle = Vector3::new(chance.normal(20.0), chance.normal(20.0), 0.0);
        let axis: Vector3<f64> = turn.transpose() * Vector3::new(0.0, 0.0, 1.0);
        let at = middle - axis * distance;
        let off = |n: u32, c: &mut Chance| 0.5 * (f64::from(n) - 1.0) + c.normal(0.005 * focal);
        let centre = ImagePoint::new(off(SIZE.0, chance), off(SIZE.1, chance));
        let lens = Lens { centre, scale_px: focal, k1: chance.normal(0.025), k2: chance.normal(0.01) };
        Self { focal, turn, at, centre, lens }
    }

    /// The camera of the plane at a height.
    fn plane(&self, height: f64) -> Option<Camera> {
        let t = self.turn * (Vector3::new(0.0, 0.0, height) - self.at);
        let k = Matrix3::new(self.focal, 0.0, self.centre.x, 0.0, self.focal, self.centre.y, 0.0, 0.0, 1.0);
        Camera::new(k * Matrix3::from_columns(&[self.turn.column(0).into(), self.turn.column(1).into(), t]), self.lens)
    }
}

/// A thing lying on the table as it really is: place, turn, how much larger than typed along its x and y, how high.
struct Laid {
    at: MatPoint,
    turn: f64,
    gain: Vector2<f64>,
    camera: Camera,
    noise: f64,
}

impl Laid {
    fn image(&self, own: Vector2<f64>, chance: &mut Chance) -> ImagePoint {
        let (s, c) = self.turn.sin_cos();
        let own = own.component_mul(&self.gain);
        let mat = self.at + Vector2::new(c * own.x - s * own.y, s * own.x + c * own.y);
        self.camera.image_from_mat(mat) + Vector2::new(chance.normal(self.noise), chance.normal(self.noise))
    }
}

fn in_view(p: ImagePoint) -> bool {
    p.x > 20.0 && p.y > 20.0 && p.x < f64::from(SIZE.0) - 20.0 && p.y < f64::from(SIZE.1) - 20.0
}

fn corners(w: f64, h: f64) -> [Vector2<f64>; 4] {
    [(-w, h), (w, h), (w, -h), (-w, -h)].map(|(x, y)| Vector2::new(0.5 * x, 0.5 * y))
}

fn card(laid: &Laid, chance: &mut Chance, number: usize) -> Body {
    let anchors: Vec<_> = corners(80.0, 80.0).map(|o| (o, laid.image(o, chance))).to_vec();
    Body {
        kind: BodyKind::Card,
        name: format!("card {number}"),
        sightings: anchors.iter().flat_map(|(o, at)| Body::point(*at, *o, 0.07)).collect(),
        outline: corners(120.0, 120.0).to_vec(),
        anchors,
        size_mm: 80.0,
        size_doubt: 0.15 / 80.0,
        cut: None,
        height_mm: 0.1,
        height_doubt_mm: 0.1,
    }
}

fn ruler(laid: &Laid, chance: &mut Chance, length: f64, number: usize) -> Body {
    let half = 0.5 * length;
    let mut sightings = Vec::new();
    let mut tick = -half + 3.0;
    while tick < half {
        for along_mm in [-1.0, -2.5, -4.0] {
            let at = laid.image(Vector2::new(tick, along_mm), chance);
            sightings.push(BodySighting { at, axis: Axis::X, known_mm: tick, along_mm, sigma_px: 0.08 });
        }
        tick += 4.0;
    }
    for k in 0..41 {
        let along_mm = -half + length * (f64::from(k) + 0.5) / 41.0;
        let at = laid.image(Vector2::new(along_mm, 0.0), chance);
        sightings.push(BodySighting { at, axis: Axis::Y, known_mm: 0.0, along_mm, sigma_px: 0.3 });
    }
    let anchors = [-half, 0.0, half].map(|x| Vector2::new(x, 0.0)).map(|o| (o, laid.image(o, chance))).to_vec();
    Body {
        kind: BodyKind::Ruler,
        name: format!("ruler {number}"),
        sightings,
        anchors,
        outline: corners(length, 60.0).to_vec(),
        size_mm: length,
        size_doubt: 0.001,
        cut: None,
        height_mm: 1.0,
        height_doubt_mm: 1.0,
    }
}

fn rectangle(laid: &Laid, chance: &mut Chance, kind: BodyKind, (w, h): (f64, f64), cut: Cut, height: f64) -> Body {
    let own = corners(w, h);
    let mut sightings = Vec::new();
    for i in 0..4 {
        let (a, b) = (own[i], own[(i + 1) % 4]);
        // A side's places err together: one error a side, and a little more each.
        let shared = Vector2::new(chance.normal(0.15), chance.normal(0.15));
        for k in 0..39 {
            let place = a + (b - a) * (0.1 + 0.8 * f64::from(k) / 38.0);
            let at = laid.image(place, chance) + shared;
            let (axis, known_mm, along_mm) = if i % 2 == 0 { (Axis::Y, a.y, place.x) } else { (Axis::X, a.x, place.y) };
            sightings.push(BodySighting { at, axis, known_mm, along_mm, sigma_px: 0.5 });
        }
    }
    let anchors = own.map(|o| (o, laid.image(o, chance))).to_vec();
    Body {
        kind,
        name: kind.name().into(),
        sightings,
        anchors,
        outline: own.to_vec(),
        size_mm: w.max(h),
        size_doubt: cut.size_limit(),
        cut: Some(cut),
        height_mm: height,
        height_doubt_mm: 0.1,
    }
}

/// Places around the garment's box, in turn.
fn around(chance: &mut Chance, k: usize, of: usize, out: f64) -> MatPoint {
    let angle = std::f64::consts::TAU * (k as f64 + chance.between(-0.3, 0.3)) / of as f64 + 0.6;
    let (c, s) = (angle.cos(), angle.sin());
    let reach = ((HALF.0 + out) / c.abs().max(1e-6)).min((HALF.1 + out) / s.abs().max(1e-6));
    MatPoint::new(reach * c, reach * s)
}

fn set_up(chance: &mut Chance, truth: &Truth, kind: usize) -> Option<Vec<Body>> {
    let noise = chance.between(0.03, 0.1);
    let cut = |at: MatPoint, turn: f64, gain: Vector2<f64>, height: f64, noise: f64| {
        truth.plane(height).map(|camera| Laid { at, turn, gain, camera, noise })
    };
    let lay = |at: MatPoint, turn: f64, misprint: f64, height: f64, noise: f64| {
        cut(at, turn, Vector2::repeat(1.0 + misprint), height, noise)
    };
    let cards = [3, 5, 8, 0, 0, 0, 0][kind];
    let rulers = [0, 0, 0, 1, 2, 0, 1][kind];
    let mut out = Vec::new();
    // All cards come from one printer and one reading.
    let misprint = chance.normal(0.15 / 80.0 / 2.0);
    for k in 0..cards {
        let at = around(chance, k, cards, 90.0);
        let turn = chance.between(0.0, std::f64::consts::TAU);
        let laid = lay(at, turn, misprint, 0.1, noise)?;
        out.push(card(&laid, chance, k));
    }
    for k in 0..rulers {
        let length = chance.between(300.0, 600.0).round();
        let (at, turn) = if k == 0 {
            (MatPoint::new(chance.normal(30.0), -HALF.1 - 50.0), chance.normal(0.05))
        } else {
            (MatPoint::new(-HALF.0 - 50.0, chance.normal(30.0)), std::f64::consts::FRAC_PI_2 + chance.normal(0.05))
        };
        let (misprint, height) = (chance.normal(0.0005), chance.between(0.2, 1.8));
        let laid = lay(at, turn, misprint, height, 0.08)?;
        out.push(ruler(&laid, chance, length, k));
    }
    if kind == 5 {
        // ISO 216: each side anywhere within 2 mm of its size.
        let (turn, off) = (chance.between(0.0, 3.0), Cut { x: 2.0 / 210.0, y: 2.0 / 297.0 });
        let gain = Vector2::new(1.0 + chance.between(-off.x, off.x), 1.0 + chance.between(-off.y, off.y));
        let laid = cut(MatPoint::new(HALF.0 + 170.0, chance.normal(100.0)), turn, gain, 0.1, 0.2)?;
        out.push(rectangle(&laid, chance, BodyKind::Sheet, (210.0, 297.0), off, 0.1));
    }
    if kind == 6 {
        // ISO/IEC 7810: 85.47 to 85.72 by 53.92 to 54.03 mm.
        let (turn, off) = (chance.between(0.0, 3.0), Cut { x: 0.13 / 85.6, y: 0.06 / 53.98 });
        let gain = Vector2::new(1.0 + chance.between(-off.x, off.x), 1.0 + chance.between(-off.y, off.y));
        let laid = cut(MatPoint::new(HALF.0 + 80.0, HALF.1 - 50.0), turn, gain, 0.76, 0.2)?;
        out.push(rectangle(&laid, chance, BodyKind::IdCard, (85.6, 53.98), off, 0.76));
    }
    let seen = out.iter().flat_map(|b| b.anchors.iter()).all(|(_, at)| in_view(*at));
    seen.then_some(out)
}

/// One outcome: the worst error of lengths across and up the garment's box, and the doubt stated; both shares.
struct Outcome {
    error: f64,
    stated: f64,
}

/// `None` where it was refused.
fn try_one(truth: &Truth, bodies: &[Body], exif: Option<f64>) -> Option<Outcome> {
    let measured = measure::by_bodies(bodies, SIZE, exif).ok()?;
    let table = truth.plane(0.0)?;
    let found = |x: f64, y: f64| measured.fit.camera.mat_from_image(table.image_from_mat(MatPoint::new(x, y)));
    let length = |a: (f64, f64), b: (f64, f64)| {
        let real = MatPoint::new(a.0, a.1).distance(MatPoint::new(b.0, b.1));
        (found(a.0, a.1).distance(found(b.0, b.1)) / real - 1.0).abs()
    };
    let error = length((-HALF.0, 0.0), (HALF.0, 0.0)).max(length((0.0, -HALF.1), (0.0, HALF.1)));
    let box_of = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(x, y)| found(x * HALF.0, y * HALF.1));
    let stated = measured.scale_doubt_over(MatRect::around(box_of)?);
    Some(Outcome { error, stated })
}

fn quantile(values: &mut [f64], q: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * q).round() as usize).copied().unwrap_or(f64::NAN)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let count: usize = args.next().map_or(Ok(700), |n| n.parse())?;
    let folder = args.next().unwrap_or_else(|| "calibration".into());
    let mut chance = Chance(20_261_125);
    let mut outcomes: Vec<Vec<Outcome>> = KINDS.iter().map(|_| Vec::new()).collect();
    let mut refused = [0usize; KINDS.len()];
    let mut done = 0;
    while done < count {
        let kind = done % KINDS.len();
        let truth = Truth::any(&mut chance);
        let Some(bodies) = set_up(&mut chance, &truth, kind) else { continue };
        let exif = (chance.share() > 0.2).then(|| truth.focal * (1.0 + chance.normal(0.01)));
        match try_one(&truth, &bodies, exif) {
            Some(outcome) => outcomes[kind].push(outcome),
            None => refused[kind] += 1,
        }
        done += 1;
    }
    let table = table(&outcomes, &refused, count);
    print!("{table}");
    std::fs::create_dir_all(&folder)?;
    std::fs::write(format!("{folder}/reference-simulation.md"), &table)?;
    std::fs::write(format!("{folder}/reference-simulation.svg"), plot(&outcomes))?;
    Ok(())
}

fn table(outcomes: &[Vec<Outcome>], refused: &[usize], count: usize) -> String {
    let mut out = format!(
        "# References: simulated error and stated doubt\n\n{count} random set-ups by `cargo run --example \
         reference_simulation` (what is random is told at its head). Per cent of length over a garment of 400 x 600 mm, \
         the worse of across and up; the references' own misprint is in the error.\n\n\
         | references | set-ups | refused | median error | 95 % | worst | median doubt stated | inside the doubt |\n\
         |---|---|---|---|---|---|---|---|\n"
    );
    for ((name, of), refused) in KINDS.iter().zip(outcomes).zip(refused) {
        let mut errors: Vec<f64> = of.iter().map(|o| 100.0 * o.error).collect();
        let mut stated: Vec<f64> = of.iter().map(|o| 100.0 * o.stated).collect();
        let inside = of.iter().filter(|o| o.error <= o.stated).count() as f64 / of.len().max(1) as f64;
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "| {name} | {} | {refused} | {:.3} | {:.3} | {:.3} | {:.3} | {:.0} % |",
            of.len() + refused,
            quantile(&mut errors, 0.5),
            quantile(&mut errors, 0.95),
            quantile(&mut errors, 1.0),
            quantile(&mut stated, 0.5),
            100.0 * inside
        );
    }
    out += "\n![Error against stated doubt](reference-simulation.svg)\n";
    out
}

/// Error against stated doubt, both logarithmic; below the diagonal the doubt holds.
fn plot(outcomes: &[Vec<Outcome>]) -> String {
    const COLOURS: [&str; 7] = ["#1b7837", "#5aae61", "#a6dba0", "#b2182b", "#ef8a62", "#2166ac", "#762a83"];
    let place = |v: f64| 60.0 + 400.0 * ((100.0 * v).clamp(0.003, 10.0).log10() + 2.5) / 3.5;
    let mut out = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 520\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"640\" height=\"520\" fill=\"#ffffff\"/>\n",
    );
    for v in [0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0] {
        let p = place(v / 100.0);
        let y = 520.0 - p;
        let _ = writeln!(
            out,
            "<path d=\"M{p:.1} 60V460M60 {y:.1}H460\" stroke=\"#dddddd\"/><text x=\"{p:.1}\" y=\"476\" \
             text-anchor=\"middle\">{v}</text><text x=\"54\" y=\"{:.1}\" text-anchor=\"end\">{v}</text>",
            y + 4.0
        );
    }
    out += "<path d=\"M60 460L460 60\" stroke=\"#000000\"/>\n\
            <text x=\"260\" y=\"500\" text-anchor=\"middle\">doubt stated, per cent of length</text>\n\
            <text transform=\"translate(20 260) rotate(-90)\" text-anchor=\"middle\">error, per cent of length</text>\n";
    for (i, of) in outcomes.iter().enumerate() {
        for o in of {
            let (x, y) = (place(o.stated), 520.0 - place(o.error));
            let _ = writeln!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2\" fill=\"{}\"/>", COLOURS[i]);
        }
        let y = 80.0 + 18.0 * i as f64;
        let _ = writeln!(
            out,
            "<circle cx=\"478\" cy=\"{:.1}\" r=\"4\" fill=\"{}\"/><text x=\"488\" y=\"{y:.1}\">{}</text>",
            y - 4.0,
            COLOURS[i],
            KINDS[i]
        );
    }
    out + "</svg>\n"
}
