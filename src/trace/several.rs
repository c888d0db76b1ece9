//! A garment longer than one photo: overlapping photos of it lying still, joined into one outline in the first's frame.

use image::RgbImage;
use nalgebra::{Matrix3, Vector2};

use super::{
    Joined, Part, Sized, Trace, TraceOptions, Watch, dedup, describe, find_marks, part, picture_frame, scale_warning,
    size_up,
};
use crate::across;
use crate::camera::{Camera, SIGMAS_95};
use crate::flat::{self, FlatPhoto};
use crate::join::register::allowed_turns;
use crate::join::shared_cards::moved_by;
use crate::join::{
    CardPlace, LaidByCards, LatticeMotion, Mismatch, PartPoint, Registered, View, lattice_by_cards, lay_by_cards,
    merged, register,
};
use crate::marks::{self, Mark};
use crate::measure::Placed as Reference;
use crate::outline::{Outline, OutlinePoint};
use crate::photo::Photo;
use crate::reference::body::{Body, BodyKind};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// Nearer than this to the border of its photo, or of what was looked at, an outline is where the cloth was cut off; trusted
/// fully so much further in.
const CUT_MM: f64 = 10.0;
const RAMP_MM: f64 = 60.0;

/// Mismatch that joined photos are held to, mm.
const MISMATCH_MM: f64 = 0.4;

/// Marks of two photos nearer than this are one, mm.
const SAME_MARK_MM: f64 = 4.0;

/// From overlapping photos of one garment, on one mat or among the same printed cards, to one outline in the mat frame of the
/// first.
///
/// # Errors
/// Those of [`trace`](super::trace()) for any photo; also if the photos cannot be laid on each other, or show a garment
/// that was moved.
pub fn trace_several(photos: &[Photo], options: &TraceOptions, watch: &mut dyn Watch) -> Result<Trace, Refusal> {
    if let [photo] = photos {
        return super::trace(photo, options, watch);
    }
    if options.bare.is_some() {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            "a photo of the bare mat goes with one photo of the garment, not with several",
            "leave --bare out, or give one photo of the garment",
        ));
    }
    let photo = |(k, photo)| size_up(photo, options, watch).map_err(|refusal| of_photo(k, refusal));
    let sized: Vec<Sized> = photos.iter().enumerate().map(photo).collect::<Result<_, _>>()?;
    watch.stage("laying the photos on each other");
    let placed = placed(photos, &sized)?;
    let beside = references(&sized, &placed);
    let part = |(k, sized)| {
        part(&photos[k], options, sized, Some(&things(&beside, &placed, k)), watch)
            .map_err(|refusal| of_photo(k, refusal))
    };
    let parts: Vec<Part> = sized.into_iter().enumerate().map(part).collect::<Result<_, _>>()?;
    let rings: Vec<Vec<PartPoint>> = placed.iter().map(|p| ring(&photos[p.index], &parts[p.index], p)).collect();
    let (outline, mismatch) = merged(&rings)?;
    let first = parts.first().ok_or_else(none_given)?;
    // What a part says of its own edge counts the places where it was cut off; the whole is spoken of below. A card that the
    // picture cuts off is another photo's.
    let of_the_cut = ["edge-not-seen", "beyond-the-mat", "card-hidden"];
    let of_the_whole = |w: &&Warning| !of_the_cut.contains(&w.code.as_str());
    let mut warnings: Vec<Warning> =
        parts.iter().flat_map(|p| p.warnings.iter().filter(of_the_whole).cloned()).collect();
    warnings.extend(unseen(&outline));
    warnings.extend(moved_cards(&placed));
    if mismatch.p95_mm > MISMATCH_MM {
        warnings.push(Warning::new(
            "photos-differ",
            format!(
                "where the photos overlap, their outlines differ by up to {:.1} mm (95 % of {:.0} mm of edge): was the \
                 garment or the mat moved a little between them?",
                mismatch.p95_mm, mismatch.overlap_mm
            ),
        ));
    }
    let marks = all_marks(photos, &parts, &placed, &outline, options, &mut warnings);
    watch.stage("flattening the photos");
    let flat = flattened(photos, &parts, &placed, &beside, &outline);
    warnings.extend(across::warnings(&flat, &outline));
    warnings.extend(across::references(&beside, &outline));
    let pitch = options.pitch.as_ref();
    let mut scale = describe(pitch, first, &outline);
    scale.doubt_percent = parts.iter().map(|p| describe(pitch, p, &outline).doubt_percent).fold(0.0, f64::max);
    scale.joined = Some(joined(&placed, mismatch));
    scale_warning(&scale, &mut warnings);
    dedup(&mut warnings);
    Ok(Trace { placed: beside, fit: first.fit().clone(), outline, scale, marks, flat, warnings })
}

/// The references of all photos in the first's frame; what two of them show is there twice.
fn references(sized: &[Sized], placed: &[Placed]) -> Vec<Reference> {
    let moved = |p: &Placed, reference: &Reference| {
        let at = |q: &MatPoint| moved_by(&p.first_from_own, *q);
        Reference {
            kind: reference.kind,
            ring: reference.ring.iter().map(at).collect(),
            ticks: reference.ticks.iter().map(|t| [at(&t[0]), at(&t[1])]).collect(),
        }
    };
    placed.iter().flat_map(|p| sized[p.index].measured.placed.iter().map(move |r| moved(p, r))).collect()
}

/// The references' outlines in the frame of the photo `k`: what its border cuts off another photo may show whole.
fn things(beside: &[Reference], placed: &[Placed], k: usize) -> Vec<Vec<MatPoint>> {
    let own = placed.iter().filter(|p| p.index == k);
    own.flat_map(|p| {
        let rings = beside.iter().map(|r| r.ring.iter().map(|q| moved_by(&p.own_from_first, *q)).collect::<Vec<_>>());
        rings.filter(|ring| !ring.is_empty())
    })
    .collect()
}

/// What is told of the laying.
fn joined(placed: &[Placed], mismatch: Mismatch) -> Joined {
    let (mut likeness, mut cards) = (None::<f64>, None::<usize>);
    for laid in placed.iter().filter_map(|p| p.laid.as_ref()) {
        match laid {
            Laid::Grid(r) => likeness = Some(likeness.map_or(r.likeness, |l| l.min(r.likeness))),
            Laid::Cards(l) => cards = Some(cards.map_or(l.cards.len(), |c| c.min(l.cards.len()))),
            Laid::GridAndCards(_) => {}
        }
    }
    Joined { photos: placed.len(), mismatch, likeness, cards }
}

/// Shared cards that lie elsewhere in one photo than in another.
fn moved_cards(placed: &[Placed]) -> Option<Warning> {
    let moved = |p: &Placed| match &p.laid {
        Some(Laid::Cards(laid)) => laid.moved.clone(),
        _ => Vec::new(),
    };
    let mut names: Vec<String> = placed.iter().flat_map(moved).collect();
    names.sort_unstable();
    names.dedup();
    (!names.is_empty()).then(|| {
        let text = format!(
            "{} lies elsewhere in one photo than in the other and was left out: if it was moved, look whether the garment lay \
             still, or take the photos again",
            names.join(", ")
        );
        Warning::new("card-moved", text)
    })
}

/// Says how much of the edge no photo shows clearly.
fn unseen(outline: &Outline) -> Option<Warning> {
    let points = &outline.points;
    let next = |i: usize| points[(i + 1) % points.len()].at;
    let length: f64 = points.iter().enumerate().filter(|(_, p)| !p.seen).map(|(i, p)| p.at.distance(next(i))).sum();
    (length > 10.0).then(|| {
        Warning::new(
            "edge-not-seen",
            format!(
                "{length:.0} mm of the edge are shown clearly by none of the photos and are bridged: check them against \
                 the garment, or take photos that overlap more"
            ),
        )
    })
}

fn none_given() -> Refusal {
    Refusal::new(RefusalKind::BadRequest, "no photo was given", "give at least one photo")
}

fn nothing_shared() -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        "several photos are laid on each other by a mat's grid or by printed cards, and neither was named",
        "lay the garment on one gridded mat and give its grid, such as --grid 1cm, or among printed cards (`clothline \
         targets`) and give --card 80mm",
    )
}

fn of_photo(k: usize, refusal: Refusal) -> Refusal {
    Refusal { seen: format!("photo {}: {}", k + 1, refusal.seen), ..refusal }
}

/// A photo whose mat frame is known in that of the first.
struct Placed {
    index: usize,
    /// On homogeneous coordinates, through any photos between.
    first_from_own: Matrix3<f64>,
    own_from_first: Matrix3<f64>,
    /// What it was laid by on the one before; `None` for the first photo.
    laid: Option<Laid>,
    /// Standard deviations, mm, that the photos between and this one's laying add at a place of the first's frame.
    by_cards: Vec<(Matrix3<f64>, LaidByCards)>,
}

impl Placed {
    fn first() -> Self {
        let same = Matrix3::identity();
        Self { index: 0, first_from_own: same, own_from_first: same, laid: None, by_cards: Vec::new() }
    }

    /// The photo `k`, laid on this one.
    fn next(&self, k: usize, laid: Laid) -> Option<Self> {
        let first_from_own = self.first_from_own * laid.one_from_other();
        let mut by_cards = self.by_cards.clone();
        if let Laid::Cards(cards) = &laid {
            by_cards.push((self.own_from_first, cards.clone()));
        }
        let own_from_first = first_from_own.try_inverse()?;
        Some(Self { index: k, first_from_own, own_from_first, laid: Some(laid), by_cards })
    }

    /// The camera of the photo, from the first's mat frame.
    fn camera(&self, camera: &Camera) -> Option<Camera> {
        Camera::new(camera.undistorted_from_mat() * self.own_from_first, camera.lens)
    }

    /// One standard deviation, mm, that the laying adds at a place of the first's frame.
    fn laying_sigma_mm(&self, at: MatPoint) -> f64 {
        self.by_cards.iter().map(|(own, laid)| laid.sigma_mm(moved_by(own, at))).fold(0.0, f64::hypot)
    }
}

/// What one photo was laid on another by.
enum Laid {
    /// By what both show beside their grid.
    Grid(Registered),
    /// By the grid, cards telling which crossing is which.
    GridAndCards(LatticeMotion),
    /// By cards alone.
    Cards(LaidByCards),
}

impl Laid {
    fn one_from_other(&self) -> Matrix3<f64> {
        match self {
            Self::Grid(registered) => registered.motion.matrix(),
            Self::GridAndCards(motion) => motion.matrix(),
            Self::Cards(laid) => laid.one_from_other,
        }
    }
}

/// Lays every photo on one that is laid already, until all are; the order is that of laying.
fn placed(photos: &[Photo], sized: &[Sized]) -> Result<Vec<Placed>, Refusal> {
    let cards: Vec<Vec<CardPlace>> = sized.iter().map(card_places).collect();
    let mut done = vec![Placed::first()];
    let mut left: Vec<usize> = (1..sized.len()).collect();
    while !left.is_empty() {
        let mut trouble = None;
        let found = left.iter().enumerate().find_map(|(place, &k)| {
            done.iter().find_map(|on| {
                let laid =
                    lay((&photos[on.index], &sized[on.index], &cards[on.index]), (&photos[k], &sized[k], &cards[k]));
                match laid {
                    Ok(laid) => Some((place, on.next(k, laid)?)),
                    Err(refusal) => {
                        trouble = Some(of_photo(k, refusal));
                        None
                    }
                }
            })
        });
        let Some((place, next)) = found else { return Err(trouble.unwrap_or_else(none_given)) };
        left.remove(place);
        done.push(next);
    }
    Ok(done)
}

/// Lays one photo on another: by their grid where they have one, else by the cards both show.
fn lay(one: (&Photo, &Sized, &[CardPlace]), other: (&Photo, &Sized, &[CardPlace])) -> Result<Laid, Refusal> {
    let (Some(grid), Some(other_grid)) = (&one.1.grid, &other.1.grid) else {
        if one.1.bodies.iter().all(|b| b.kind != BodyKind::Card) {
            return Err(nothing_shared());
        }
        return lay_by_cards(one.2, other.2).map(Laid::Cards);
    };
    let pitches = (grid.pitch_mm, other_grid.pitch_mm);
    let turns = allowed_turns(pitches.0, pitches.1);
    if let Some(motion) = lattice_by_cards((one.2, pitches.0), (other.2, pitches.1), &turns) {
        return Ok(Laid::GridAndCards(motion));
    }
    let own = View { photo: one.0, camera: &one.1.measured.fit.camera, grid };
    let there = View { photo: other.0, camera: &other.1.measured.fit.camera, grid: other_grid };
    register(own, there).map(Laid::Grid)
}

/// The cards of a photo that lie flat, as it places them.
fn card_places(sized: &Sized) -> Vec<CardPlace> {
    let measured = &sized.measured;
    let left_out = |b: &Body| sized.grid.is_none() && measured.reports.iter().any(|r| r.name == b.name && !r.used);
    let cards = sized.bodies.iter().filter(|b| b.kind == BodyKind::Card && !left_out(b));
    let place = |b: &Body| CardPlace {
        name: b.name.clone(),
        corners: b.anchors.iter().map(|(_, at)| measured.fit.camera.mat_from_image_at(*at, b.height_mm)).collect(),
    };
    cards.map(place).collect()
}

/// A photo's outline in the first's frame, with the trust its place in the photo deserves.
fn ring(photo: &Photo, part: &Part, placed: &Placed) -> Vec<PartPoint> {
    let (w, h) = (f64::from(photo.width()) - 1.0, f64::from(photo.height()) - 1.0);
    let camera = &part.fit().camera;
    let trust = |p: MatPoint| {
        let at = camera.image_from_mat_at(p, 0.5 * part.thickness.mm);
        let border_px = at.x.min(at.y).min(w - at.x).min(h - at.y);
        let border_mm = (border_px / camera.px_per_mm(p).0.max(1e-6)).min(part.looked_at.depth_mm(p));
        ((border_mm - CUT_MM) / RAMP_MM).clamp(0.0, 1.0)
    };
    let moved = |p: &OutlinePoint| {
        let at = moved_by(&placed.first_from_own, p.at);
        let doubt_mm = p.doubt_mm.hypot(SIGMAS_95 * placed.laying_sigma_mm(at));
        PartPoint { point: OutlinePoint { at, doubt_mm, ..*p }, trust: trust(p.at) }
    };
    part.outline.points.iter().map(moved).collect()
}

/// Marks of all photos in the first's frame; those seen twice are made one.
fn all_marks(
    photos: &[Photo],
    parts: &[Part],
    placed: &[Placed],
    outline: &Outline,
    options: &TraceOptions,
    warnings: &mut Vec<Warning>,
) -> Vec<Mark> {
    let Some(colour) = options.marks else { return Vec::new() };
    let mut all: Vec<Mark> = Vec::new();
    for p in placed {
        let points =
            outline.points.iter().map(|q| OutlinePoint { at: moved_by(&p.own_from_first, q.at), ..*q }).collect();
        let own = Outline { points };
        let (found, said) = find_marks(&photos[p.index], &parts[p.index], &own, colour);
        warnings.extend(said.into_iter().filter(|w| w.code != "marks-not-found"));
        for mark in found {
            let mark = Mark { at: moved_by(&p.first_from_own, mark.at), ..mark };
            match all.iter_mut().find(|other| other.at.distance(mark.at) < SAME_MARK_MM) {
                Some(other) if other.doubt_mm <= mark.doubt_mm => {}
                Some(other) => *other = mark,
                None => all.push(mark),
            }
        }
    }
    if all.is_empty() {
        warnings.push(marks::not_found(colour));
    }
    marks::in_order(&mut all, outline.points.first().map(|p| p.at));
    all
}

/// The flat photos laid over each other; of two, the one further inside its photo shows.
fn flattened(
    photos: &[Photo],
    parts: &[Part],
    placed: &[Placed],
    beside: &[Reference],
    outline: &Outline,
) -> FlatPhoto {
    let frame = picture_frame(outline, beside);
    let mut rgb = RgbImage::new(frame.width, frame.height);
    let mut depth = vec![0f64; rgb.as_raw().len() / 3];
    for p in placed {
        let photo = &photos[p.index];
        let Some(camera) = p.camera(&parts[p.index].fit().camera) else { continue };
        let flat = flat::rectify(photo, &camera, frame, 0.0);
        let (w, h) = (f64::from(photo.width()), f64::from(photo.height()));
        for (k, (to, from)) in rgb.pixels_mut().zip(flat.rgb.pixels()).enumerate() {
            let place = (k as u32 % frame.width, k as u32 / frame.width);
            let at = camera.image_from_mat(frame.mat_from_flat(f64::from(place.0), f64::from(place.1)));
            let inside = Vector2::new(at.x.min(w - at.x), at.y.min(h - at.y)).min();
            if inside > depth[k] {
                depth[k] = inside;
                *to = *from;
            }
        }
    }
    FlatPhoto { frame, rgb }
}
