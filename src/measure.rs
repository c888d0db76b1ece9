//! What of known size is in the photo, and the camera that follows from it: mat, cards, rulers, paper, alone or together.
//!
//! The most telling kind of reference gives the camera; every other one is then measured with that camera and must come
//! out as typed. Where the first does not pin the plane down alone (a ruler, one card, a sheet) and the others agree, all
//! are fitted together.

use image::GrayImage;
use nalgebra::{Matrix3, Vector2};
use serde::{Deserialize, Serialize};

use crate::camera::fit::CameraFit;
use crate::camera::joint::{self, BodyPose, JointFit};
use crate::camera::{Camera, Pose, SIGMAS_95};
use crate::flat::MatRect;
use crate::photo::Photo;
use crate::reference::body::{Body, BodyKind};
use crate::reference::grid::GridSighting;
use crate::reference::sheet::{self, Guide, Rectangle};
use crate::reference::{Axis, cards, ruler};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::sheets::tiles::Paper;
use crate::units::{ImagePoint, Length, MatPoint};

/// References further apart than this are said to disagree (share).
pub const DISAGREE: f64 = 0.003;

/// A rectangle that differs so much from the size of what it was taken for is something else (share): neither a mat's print nor
/// paper's cut is off by as much.
const SOMETHING_ELSE: f64 = 0.05;

/// Standard deviations that hold 95 % where few sightings are left over to tell how good they are (Student's t, 5 free).
const FEW_SIGHTINGS: f64 = 2.57;

/// What the lens's axis off the picture's middle and its higher terms add to lengths (share): the simulation's cameras
/// need it.
const LENS_SHARE: f64 = 0.001;

/// Cards, and rulers, that pin a plane down without help.
const ENOUGH_CARDS: usize = 3;
const ENOUGH_RULERS: usize = 2;

/// What the person says lies beside the garment, besides a mat.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct References {
    /// Side of the printed cards' black squares, mm.
    pub card_mm: Option<f64>,
    /// Lengths of the rulers, in the unit of their ticks; one serves for two like rulers.
    pub rulers: Vec<Length>,
    /// A sheet of standard paper.
    pub sheet: Option<Paper>,
    /// A bank or identity card.
    pub id_card: bool,
    /// How high the references' faces lie above the table, mm, where somebody measured.
    pub height_mm: Option<f64>,
}

impl References {
    /// Is anything named?
    pub fn any(&self) -> bool {
        self.card_mm.is_some() || !self.rulers.is_empty() || self.sheet.is_some() || self.id_card
    }
}

/// One reference as it was seen; goes into `outline.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReferenceReport {
    /// "grid", "card 3", "ruler 1", "sheet of paper", "bank card".
    pub name: String,
    /// Did the camera come from it?
    pub used: bool,
    /// Its size as measured with the camera over the size typed, less 1, per cent.
    pub off_percent: Option<f64>,
}

/// Two kinds of reference held against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReferenceCheck {
    /// What gave the camera.
    pub by: String,
    /// What was measured with it.
    pub of: String,
    /// By how much the second came out too large, per cent.
    pub apart_percent: f64,
    /// Half-width (95 %) of what both sizes and the way between them leave open, per cent.
    pub doubt_percent: f64,
    /// Over 0.3 %?
    pub disagree: bool,
    /// Does that doubt explain it (or is it below 0.3 %)?
    pub within_doubt: bool,
}

/// A reference's place in the picture, for drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// What it is; `None` for a mat.
    pub kind: Option<BodyKind>,
    /// Its outline on the mat.
    pub ring: Vec<MatPoint>,
    /// Short strokes where it was measured.
    pub ticks: Vec<[MatPoint; 2]>,
}

/// The camera and everything said about how it is known.
#[derive(Debug, Clone)]
pub struct Measured {
    /// The camera, of the plane the garment lies on.
    pub fit: CameraFit,
    /// "grid", "cards", "ruler", "rulers", "sheet", "bank card", or several joined by " and ".
    pub reference: String,
    /// The references one by one.
    pub reports: Vec<ReferenceReport>,
    /// The references against each other.
    pub checks: Vec<ReferenceCheck>,
    /// Where they lie.
    pub placed: Vec<Placed>,
    /// Half-width (95 %) of the doubt of the references' own size and height, as a share.
    pub size_doubt: f64,
    /// What the size may be off besides because paper and bank cards are cut so, as a share: a limit, not a likelihood.
    pub size_limit: f64,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Finds what is named, where there is no mat.
///
/// # Errors
/// Nothing of it was found, or not what the size was to come from.
pub fn find_bodies(photo: &Photo, references: &References) -> Result<(Vec<Body>, Vec<Warning>), Refusal> {
    Search { photo, luma: photo.luma(), references, mat: None }.run()
}

/// Finds what is named besides a mat, whose camera tells about how large it is in the photo.
///
/// A ruler or bank card that cannot be read is no reason to stop: it would only check the mat.
///
/// # Errors
/// Printed cards or a sheet of paper that were not found: they would be taken for cloth.
pub fn find_bodies_on_mat(
    photo: &Photo,
    references: &References,
    mat: &Camera,
) -> Result<(Vec<Body>, Vec<Warning>), Refusal> {
    Search { photo, luma: photo.luma(), references, mat: Some(mat) }.run()
}

/// How far the size of things elsewhere in the photo strays from that beside a ruler (natural logarithm): a table seen 25
/// degrees askew and half as wide as the camera is high.
const SIZE_STRAYS: f64 = 0.35;
/// A mat typed a tenth wrong is still known to be the one meant; one in inches typed in centimetres is not.
const SIZE_STRAYS_ON_MAT: f64 = 0.15;

/// Looks for what is named.
struct Search<'a> {
    photo: &'a Photo,
    luma: GrayImage,
    references: &'a References,
    mat: Option<&'a Camera>,
}

impl Search<'_> {
    fn run(&self) -> Result<(Vec<Body>, Vec<Warning>), Refusal> {
        let (mut bodies, mut warnings) = (Vec::new(), Vec::new());
        if let Some(side_mm) = self.references.card_mm {
            let found = cards::find(&self.luma);
            warnings.extend(found.warnings);
            if found.cards.is_empty() {
                return Err(nothing(
                    "card",
                    "print them with `clothline targets`, lay three or more flat around the garment",
                ));
            }
            bodies.extend(cards::bodies(&found.cards, side_mm));
        }
        if !self.references.rulers.is_empty() {
            match ruler::find(&self.luma, &self.references.rulers) {
                Ok(found) => {
                    warnings.extend(found.warnings);
                    bodies.extend(found.bodies);
                }
                Err(refusal) if self.mat.is_some() => warnings.push(checks_nothing("ruler", &refusal)),
                Err(refusal) => return Err(refusal),
            }
        }
        if let Some(paper) = self.references.sheet {
            bodies.push(self.rectangle(Rectangle::sheet(paper.width_mm, paper.height_mm), &bodies)?);
        }
        if self.references.id_card {
            match self.rectangle(Rectangle::id_card(), &bodies) {
                Ok(card) => bodies.push(card),
                Err(refusal) if self.mat.is_some() || !bodies.is_empty() => {
                    warnings.push(checks_nothing("bank card", &refusal));
                }
                Err(refusal) => return Err(refusal),
            }
        }
        if let Some(height_mm) = self.references.height_mm {
            for body in &mut bodies {
                body.height_mm = height_mm;
                body.height_doubt_mm = 0.2;
            }
        }
        Ok((bodies, warnings))
    }

    /// Finds a sheet or bank card; what is known of the size of things in the photo tells it from others of its shape.
    fn rectangle(&self, what: Rectangle, bodies: &[Body]) -> Result<Body, Refusal> {
        let find = |guide: Option<&Guide>| sheet::find(&self.photo.rgb, &self.luma, what, guide);
        if let Some(mat) = self.mat {
            let mm = |a, b| mat.mat_from_image(a).distance(mat.mat_from_image(b));
            return find(Some(&Guide { mm: &mm, within: SIZE_STRAYS_ON_MAT }));
        }
        let Some(px_per_mm) = px_per_mm(bodies) else { return find(None) };
        let mm = |a: ImagePoint, b: ImagePoint| a.distance(b) / px_per_mm;
        find(Some(&Guide { mm: &mm, within: SIZE_STRAYS }))
    }
}

/// How large things are in the photo beside bodies, roughly; `None` of none.
fn px_per_mm(bodies: &[Body]) -> Option<f64> {
    let ends = bodies.iter().filter_map(|b| Some((b.anchors.first()?, b.anchors.last()?)));
    let (px, mm) = ends.fold((0.0, 0.0), |(px, mm), (a, b)| (px + a.1.distance(b.1), mm + (a.0 - b.0).norm()));
    (mm > 0.0).then(|| px / mm)
}

/// A reference that was to check another could not be read.
fn checks_nothing(what: &str, refusal: &Refusal) -> Warning {
    let (code, how) = match refusal.kind {
        RefusalKind::ContradictoryReference => ("reference-contradicts", "contradicts what was typed"),
        _ => ("reference-not-read", "could not be read"),
    };
    let Refusal { seen, advice, .. } = refusal;
    Warning::new(code, format!("the {what} {how}, so it does not check the size: {seen}; {advice}"))
}

fn nothing(what: &str, advice: &str) -> Refusal {
    Refusal::new(
        RefusalKind::NoReference,
        format!("no {what} was found in the photo"),
        format!("{advice}, and retake from above with all of them in view"),
    )
}

/// The camera from bodies alone, in a photo of `size` pixels; `focal_px` is what EXIF says, if anything.
///
/// # Errors
/// Bodies that contradict one another, or too little of them.
pub fn by_bodies(bodies: &[Body], size: (u32, u32), focal_px: Option<f64>) -> Result<Measured, Refusal> {
    let best = best_kind(bodies).ok_or_else(|| nothing("reference", "lay cards or rulers beside the garment"))?;
    let some: Vec<Body> = bodies.iter().filter(|b| b.kind == best).cloned().collect();
    let alone = joint::fit_bodies(&some, size, focal_px)?;
    let sure = enough(best, alone.poses.iter().flatten().count());
    let first = measured(alone, &some, bodies);
    if sure || some.len() == bodies.len() || first.checks.iter().any(|c| !c.within_doubt) {
        return Ok(first);
    }
    // What agrees is fitted together; the check stays that of the one kind by the other.
    let Ok(all) = joint::fit_bodies(bodies, size, focal_px) else { return Ok(first) };
    let mut together = measured(all, bodies, bodies);
    together.warnings.extend(disagreements(&first.checks));
    together.checks = first.checks;
    Ok(together)
}

impl Measured {
    /// Outlines of the references, mat frame: what lies about and is no cloth.
    pub fn outlines(&self) -> Vec<Vec<MatPoint>> {
        self.placed.iter().filter(|p| !p.ring.is_empty()).map(|p| p.ring.clone()).collect()
    }

    /// Half-width (95 %) of the doubt of lengths over a rectangle of the table, as a share: what the references are
    /// worth and how well the camera is known there.
    pub fn scale_doubt_over(&self, rect: MatRect) -> f64 {
        let likely = self.size_doubt.hypot(FEW_SIGHTINGS * self.fit.doubt.scale_sigma_over(rect)).hypot(LENS_SHARE);
        // A sheet at the limit of what its standard allows is no rarity (a whole packet is cut alike): chance comes on top.
        self.size_limit + likely
    }
}

/// The kind that says most.
fn best_kind(bodies: &[Body]) -> Option<BodyKind> {
    let count = |kind: BodyKind| bodies.iter().filter(|b| b.kind == kind).count();
    let worth = |kind: BodyKind| match kind {
        BodyKind::Card if count(kind) >= ENOUGH_CARDS => 6,
        BodyKind::Ruler if count(kind) >= ENOUGH_RULERS => 5,
        BodyKind::Ruler => 4,
        BodyKind::Card => 3,
        BodyKind::Sheet => 2,
        BodyKind::IdCard => 1,
    };
    bodies.iter().map(|b| b.kind).max_by_key(|k| worth(*k))
}

fn enough(kind: BodyKind, count: usize) -> bool {
    match kind {
        BodyKind::Card => count >= ENOUGH_CARDS,
        BodyKind::Ruler => count >= ENOUGH_RULERS,
        _ => false,
    }
}

fn measured(joint: JointFit, used: &[Body], all: &[Body]) -> Measured {
    let mut fit = joint.fit;
    let kept: Vec<&Body> = used.iter().zip(&joint.poses).filter(|(_, p)| p.is_some()).map(|(b, _)| b).collect();
    let mean = |f: &dyn Fn(&Body) -> f64| kept.iter().map(|b| f(b)).sum::<f64>() / kept.len().max(1) as f64;
    let height_mm = mean(&|b| b.height_mm);
    let height_doubt = mean(&|b| b.height_doubt_mm) / fit.camera.pose.map_or(600.0, |p| p.height_mm);
    // What several kinds leave open of each other's size is in the fit's own doubt.
    let alone = kinds(&kept).len() < 2;
    let own = |cut: bool| if alone { mean(&|b| if b.cut.is_some() == cut { b.size_doubt } else { 0.0 }) } else { 0.0 };
    let (size_limit, size_doubt) = (own(true), if alone { own(false).hypot(height_doubt) } else { 0.0 });
    fit.doubt.size_sigma = size_doubt / SIGMAS_95;
    let mut warnings = std::mem::take(&mut fit.warnings);
    if let Some(camera) = onto_table(&fit.camera, height_mm) {
        fit.camera = camera;
    }
    let names: Vec<&str> = kept.iter().map(|b| b.name.as_str()).collect();
    let reports = reports(&fit.camera, all, &names);
    let kinds = kinds(&kept);
    let by = kinds.join(" and ");
    let kinds_used: Vec<BodyKind> = used.iter().map(|b| b.kind).collect();
    let checks = checks(&by, &fit, size_limit + size_doubt, all, &kinds_used);
    warnings.extend(disagreements(&checks));
    warnings.extend(few(&kept, fit.camera.pose));
    Measured { placed: placed(&fit.camera, all), fit, reference: by, reports, checks, size_doubt, size_limit, warnings }
}

/// The camera of a plane so much lower than the one it was fitted to.
///
/// What is seen at a place of the upper plane lies H+h over H further from the camera's foot on the lower.
fn onto_table(camera: &Camera, height_mm: f64) -> Option<Camera> {
    let pose = camera.pose.filter(|_| height_mm != 0.0)?;
    let gain = (pose.height_mm + height_mm) / pose.height_mm;
    let (fx, fy) = (pose.foot.x, pose.foot.y);
    let upper_from_lower =
        Matrix3::new(1.0 / gain, 0.0, fx - fx / gain, 0.0, 1.0 / gain, fy - fy / gain, 0.0, 0.0, 1.0);
    let map = camera.undistorted_from_mat() * upper_from_lower;
    let lowered = Pose { height_mm: pose.height_mm + height_mm, ..pose };
    Camera::new(map / map[(2, 2)], camera.lens).map(|c| c.with_pose(Some(lowered)))
}

fn kinds(bodies: &[&Body]) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for kind in [BodyKind::Card, BodyKind::Ruler, BodyKind::Sheet, BodyKind::IdCard] {
        let count = bodies.iter().filter(|b| b.kind == kind).count();
        let name = match (kind, count) {
            (_, 0) => continue,
            (BodyKind::Card, 1) => "card",
            (BodyKind::Card, _) => "cards",
            (BodyKind::Ruler, 1) => "ruler",
            (BodyKind::Ruler, _) => "rulers",
            (BodyKind::Sheet, _) => "sheet",
            (BodyKind::IdCard, _) => "bank card",
        };
        out.push(name.to_string());
    }
    out
}

/// A body's size as this camera sees it over its true size: distances of its anchors, the long ones telling most.
pub fn seen_over_true(camera: &Camera, body: &Body) -> f64 {
    let lowered = |at| camera.mat_from_image_at(at, body.height_mm);
    let (mut seen, mut real) = (0.0, 0.0);
    for (i, (own, at)) in body.anchors.iter().enumerate() {
        for (other, there) in body.anchors.iter().skip(i + 1) {
            seen += lowered(*at).distance(lowered(*there));
            real += (other - own).norm();
        }
    }
    seen / real
}

fn reports(camera: &Camera, bodies: &[Body], used: &[&str]) -> Vec<ReferenceReport> {
    bodies
        .iter()
        .map(|b| ReferenceReport {
            name: b.name.clone(),
            used: used.contains(&b.name.as_str()),
            off_percent: Some(100.0 * (seen_over_true(camera, b) - 1.0)),
        })
        .collect()
}

/// Every kind that is not the camera's own, held against it.
fn checks(by: &str, fit: &CameraFit, own_doubt: f64, bodies: &[Body], own: &[BodyKind]) -> Vec<ReferenceCheck> {
    let mut out = Vec::new();
    for kind in [BodyKind::Card, BodyKind::Ruler, BodyKind::Sheet, BodyKind::IdCard] {
        let of: Vec<&Body> = bodies.iter().filter(|b| b.kind == kind && !own.contains(&kind)).collect();
        if of.is_empty() {
            continue;
        }
        let mean = |f: &dyn Fn(&Body) -> f64| of.iter().map(|b| f(b)).sum::<f64>() / of.len() as f64;
        let apart = mean(&|b| seen_over_true(&fit.camera, b)) - 1.0;
        let doubt = mean(&|b| b.size_doubt.hypot(SIGMAS_95 * carried_sigma(fit, b)).hypot(own_doubt));
        out.push(ReferenceCheck {
            by: by.to_string(),
            of: kind.name().to_string(),
            apart_percent: 100.0 * apart,
            doubt_percent: 100.0 * doubt,
            disagree: apart.abs() > DISAGREE,
            within_doubt: apart.abs() <= doubt.max(DISAGREE),
        });
    }
    out
}

/// One standard deviation of a body's size as the camera's fit carries it to where the body lies, as a share.
fn carried_sigma(fit: &CameraFit, body: &Body) -> f64 {
    let places: Vec<MatPoint> = body.anchors.iter().map(|(_, at)| fit.camera.mat_from_image(*at)).collect();
    let pairs = places.iter().enumerate().flat_map(|(i, a)| places.iter().skip(i + 1).map(move |b| (*a, *b)));
    pairs.filter(|(a, b)| a.distance(*b) > 0.0).map(|(a, b)| fit.doubt.length_sigma(a, b)).fold(0.0, f64::max)
}

fn disagreements(checks: &[ReferenceCheck]) -> Vec<Warning> {
    let wrong = checks.iter().filter(|c| c.disagree);
    wrong
        .map(|c| {
            Warning::new(
                "references-disagree",
                format!(
                    "measured by the {}, the {} comes out {:.2} % too {}, {:.0} mm in a metre ({:.2} % could be chance): one \
                     of them is not what was typed, or does not lie flat; measure both before you trust either",
                    c.by,
                    c.of,
                    c.apart_percent.abs(),
                    if c.apart_percent > 0.0 { "large" } else { "small" },
                    10.0 * c.apart_percent.abs(),
                    c.doubt_percent
                ),
            )
        })
        .collect()
}

/// What alone pins the plane down poorly.
fn few(kept: &[&Body], pose: Option<Pose>) -> Option<Warning> {
    let count = |kind: BodyKind| kept.iter().filter(|b| b.kind == kind).count();
    let all = kept.len();
    if count(BodyKind::Card) == all && all < ENOUGH_CARDS {
        let text = format!(
            "only {all} card{} could be used: how the camera is tilted is known poorly and nothing checks the size; lay \
             three or more, better five, around the garment",
            if all == 1 { "" } else { "s" }
        );
        return Some(Warning::new("few-cards", text));
    }
    if count(BodyKind::Ruler) == 1 && all == 1 {
        let text = "one ruler tells the size along it; how the table runs away across it is read from the ticks' own \
                    directions and the doubt is wider there: lay a second ruler as an L to do better";
        return Some(Warning::new("one-ruler", text));
    }
    if count(BodyKind::Sheet) + count(BodyKind::IdCard) == all {
        let mut text =
            "a sheet of paper or a small card is cut only roughly to size: every length carries that doubt; add a \
                        ruler or printed cards"
                .to_string();
        if let Some(pose) = pose {
            // A3, A4 and A5 are of one shape: only the size of things tells them apart.
            text += &format!(
                ". By it the camera was {:.0} cm above the table: if that cannot be, it is not of the size named",
                pose.height_mm / 10.0
            );
        }
        return Some(Warning::new("rough-reference", text));
    }
    None
}

fn placed(camera: &Camera, bodies: &[Body]) -> Vec<Placed> {
    bodies.iter().filter_map(|b| place(camera, b)).collect()
}

/// A body's outline from its anchors' extent, wider by what surrounds its marks.
fn place(camera: &Camera, body: &Body) -> Option<Placed> {
    let pose = pose_of(camera, body)?;
    let range = |f: fn(&Vector2<f64>) -> f64| {
        let all = body.anchors.iter().map(|(o, _)| f(o)).chain(body.outline.iter().map(f));
        all.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (range(|o| o.x), range(|o| o.y));
    let ring = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)];
    let ticks = body.sightings.iter().filter(|s| s.sigma_px.is_finite()).map(|s| {
        let half = (0.02 * body.size_mm).clamp(1.5, 5.0);
        let (a, b) = match s.axis {
            Axis::X => ((s.known_mm, s.along_mm - half), (s.known_mm, s.along_mm + half)),
            Axis::Y => ((s.along_mm - half, s.known_mm), (s.along_mm + half, s.known_mm)),
        };
        [pose.mat_from_body(Vector2::new(a.0, a.1)), pose.mat_from_body(Vector2::new(b.0, b.1))]
    });
    Some(Placed {
        kind: Some(body.kind),
        ring: ring.iter().map(|&(x, y)| pose.mat_from_body(Vector2::new(x, y))).collect(),
        ticks: ticks.collect(),
    })
}

/// Where a body lies by this camera.
fn pose_of(camera: &Camera, body: &Body) -> Option<BodyPose> {
    joint::place(body, |at| camera.mat_from_image(at))
}

/// Holds bodies against a camera that a mat gave.
pub fn by_grid(fit: CameraFit, grid: &GridSighting, print_doubt: f64, bodies: &[Body]) -> Measured {
    let used = ReferenceReport { name: "grid".to_string(), used: true, off_percent: None };
    let mut reports = reports(&fit.camera, bodies, &[]);
    let checks = checks("grid", &fit, print_doubt, bodies, &[]);
    reports.insert(0, used);
    let mut warnings = fit.warnings.clone();
    warnings.extend(disagreements(&checks));
    let likely: Vec<Body> = bodies.iter().filter(|b| !is_something_else(&fit.camera, b)).cloned().collect();
    let mut placed = placed(&fit.camera, &likely);
    placed.push(Placed { kind: None, ring: Vec::new(), ticks: grid_ticks(grid) });
    Measured {
        reference: "grid".to_string(),
        reports,
        checks,
        placed,
        size_doubt: print_doubt,
        size_limit: 0.0,
        warnings,
        fit,
    }
}

/// Is what was taken for a sheet or bank card so far off its size that it is some other rectangle, of a board's squares perhaps?
/// Cloth must not be cut out where it seems to lie.
fn is_something_else(camera: &Camera, body: &Body) -> bool {
    body.cut.is_some() && (seen_over_true(camera, body) - 1.0).abs() > SOMETHING_ELSE
}

fn grid_ticks(grid: &GridSighting) -> Vec<[MatPoint; 2]> {
    let [px, py] = grid.pitch_mm;
    let side = grid.sides.iter().map(|side| {
        let across = f64::from(side.index);
        [side.along - 0.3, side.along + 0.3].map(|along| match side.axis {
            Axis::X => MatPoint::new(across * px, along * py),
            Axis::Y => MatPoint::new(along * px, across * py),
        })
    });
    side.collect()
}

#[cfg(test)]
mod tests {
    use image::{Rgb, RgbImage};

    use super::*;
    use crate::garment::tests::Scene;

    /// On a mat a ruler and a bank card only check it; without one they are what the size comes from.
    #[test]
    fn what_only_checks_the_size_need_not_be_found() {
        let photo = Photo::from_rgb(RgbImage::from_pixel(841, 841, Rgb([120; 3])));
        let ruler = || vec![Length::from_mm(300.0)];
        let both = References { rulers: ruler(), id_card: true, ..References::default() };
        let (bodies, warnings) = find_bodies_on_mat(&photo, &both, &Scene::camera()).unwrap();
        assert!(bodies.is_empty());
        let codes: Vec<&str> = warnings.iter().map(|w| w.code.as_str()).collect();
        assert_eq!(codes, ["reference-not-read"; 2]);
        for alone in
            [References { rulers: ruler(), ..both.clone() }, References { id_card: true, ..References::default() }]
        {
            assert_eq!(find_bodies(&photo, &alone).unwrap_err().kind, RefusalKind::NoReference);
        }
        // A sheet that was not found would be taken for cloth.
        let sheet = References {
            sheet: Some(Paper { name: "A4", width_mm: 210.0, height_mm: 297.0 }),
            ..References::default()
        };
        assert!(find_bodies_on_mat(&photo, &sheet, &Scene::camera()).is_err());
    }
}
