//! A garment longer than one photo: overlapping photos of it lying still, joined into one outline in the first's frame.

use image::RgbImage;
use nalgebra::Vector2;

use super::{
    Joined, Part, Trace, TraceOptions, Watch, dedup, describe, find_marks, part, picture_frame, scale_warning,
};
use crate::camera::Camera;
use crate::flat::{self, FlatPhoto};
use crate::join::{LatticeMotion, PartPoint, Registered, View, merged, register};
use crate::marks::{self, Mark};
use crate::outline::{Outline, OutlinePoint};
use crate::photo::Photo;
use crate::reference::grid::GridSighting;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::MatPoint;

/// Nearer to its photo's border than this an outline is where the cloth was cut off; trusted fully so much further in.
const CUT_MM: f64 = 10.0;
const RAMP_MM: f64 = 60.0;

/// Mismatch that joined photos are held to, mm.
const MISMATCH_MM: f64 = 0.4;

/// Marks of two photos nearer than this are one, mm.
const SAME_MARK_MM: f64 = 4.0;

/// From overlapping photos of one garment on one mat to one outline in the mat frame of the first.
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
    let parts: Vec<Part> = photos
        .iter()
        .enumerate()
        .map(|(k, photo)| part(photo, options, watch, true).map_err(|r| of_photo(k, r)))
        .collect::<Result<_, _>>()?;
    watch.stage("laying the photos on each other");
    let placed = placed(photos, &parts)?;
    let rings: Vec<Vec<PartPoint>> =
        placed.iter().map(|p| ring(&photos[p.index], &parts[p.index], &p.motion)).collect();
    let (outline, mismatch) = merged(&rings)?;
    let first = parts.first().ok_or_else(none_given)?;
    // What a part says of its own edge counts the places where it was cut off; the whole is spoken of below.
    let of_the_edge = |w: &&Warning| w.code != "edge-not-seen" && w.code != "beyond-the-mat";
    let mut warnings: Vec<Warning> =
        parts.iter().flat_map(|p| p.warnings.iter().filter(of_the_edge).cloned()).collect();
    warnings.extend(unseen(&outline));
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
    let flat = flattened(photos, &parts, &placed, &outline);
    warnings.extend(crate::across::warnings(&flat, &outline));
    let pitch = options.pitch.as_ref();
    let mut scale = describe(pitch, first, &outline);
    scale.doubt_percent = parts.iter().map(|p| describe(pitch, p, &outline).doubt_percent).fold(0.0, f64::max);
    scale.joined = Some(Joined {
        photos: photos.len(),
        mismatch,
        likeness: placed.iter().filter_map(|p| p.registered).map(|r| r.likeness).fold(1.0, f64::min),
    });
    scale_warning(&scale, &mut warnings);
    dedup(&mut warnings);
    let (lie, fit) = (first.sized.measured.placed.clone(), first.fit().clone());
    Ok(Trace { placed: lie, fit, outline, scale, marks, flat, warnings })
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

fn without_mat() -> Refusal {
    Refusal::new(
        RefusalKind::BadRequest,
        "several photos are laid on each other by a mat's grid, and none was named",
        "lay the garment on one gridded mat and give its grid, such as --grid 1cm",
    )
}

fn of_photo(k: usize, refusal: Refusal) -> Refusal {
    Refusal { seen: format!("photo {}: {}", k + 1, refusal.seen), ..refusal }
}

/// A photo whose mat frame is known in that of the first.
struct Placed {
    index: usize,
    motion: Motion,
    registered: Option<Registered>,
}

/// From a photo's mat frame to the first's, through any photos between.
struct Motion(Vec<LatticeMotion>);

impl Motion {
    fn apply(&self, p: MatPoint) -> MatPoint {
        self.0.iter().fold(p, |p, motion| motion.apply(p))
    }

    fn back(&self, p: MatPoint) -> MatPoint {
        self.0.iter().rev().fold(p, |p, motion| motion.inverse().apply(p))
    }

    /// The camera of a photo, from the first's mat frame.
    fn camera(&self, camera: &Camera) -> Option<Camera> {
        let back = self.0.iter().rev().fold(nalgebra::Matrix3::identity(), |m, motion| motion.inverse().matrix() * m);
        Camera::new(camera.undistorted_from_mat() * back, camera.lens)
    }
}

/// Lays every photo on one that is laid already, until all are; the order is that of laying.
fn placed(photos: &[Photo], parts: &[Part]) -> Result<Vec<Placed>, Refusal> {
    let grids: Vec<&GridSighting> =
        parts.iter().map(|p| p.sized.grid.as_ref()).collect::<Option<_>>().ok_or_else(without_mat)?;
    let view = |k: usize| View { photo: &photos[k], camera: &parts[k].fit().camera, grid: grids[k] };
    let mut done = vec![Placed { index: 0, motion: Motion(Vec::new()), registered: None }];
    let mut left: Vec<usize> = (1..parts.len()).collect();
    while !left.is_empty() {
        let mut trouble = None;
        let found = left.iter().enumerate().find_map(|(place, &k)| {
            done.iter().enumerate().find_map(|(d, on)| match register(view(on.index), view(k)) {
                Ok(registered) => Some((place, k, d, registered)),
                Err(refusal) => {
                    trouble = Some(of_photo(k, refusal));
                    None
                }
            })
        });
        let Some((place, k, d, registered)) = found else { return Err(trouble.unwrap_or_else(none_given)) };
        let mut steps = vec![registered.motion];
        steps.extend(done[d].motion.0.iter().copied());
        left.remove(place);
        done.push(Placed { index: k, motion: Motion(steps), registered: Some(registered) });
    }
    Ok(done)
}

/// A photo's outline in the first's frame, with the trust its place in the photo deserves.
fn ring(photo: &Photo, part: &Part, motion: &Motion) -> Vec<PartPoint> {
    let (w, h) = (f64::from(photo.width()) - 1.0, f64::from(photo.height()) - 1.0);
    let camera = &part.fit().camera;
    let trust = |p: MatPoint| {
        let at = camera.image_from_mat_at(p, 0.5 * part.thickness.mm);
        let border_px = at.x.min(at.y).min(w - at.x).min(h - at.y);
        let border_mm = border_px / camera.px_per_mm(p).0.max(1e-6);
        ((border_mm - CUT_MM) / RAMP_MM).clamp(0.0, 1.0)
    };
    let moved =
        |p: &OutlinePoint| PartPoint { point: OutlinePoint { at: motion.apply(p.at), ..*p }, trust: trust(p.at) };
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
        let points = outline.points.iter().map(|q| OutlinePoint { at: p.motion.back(q.at), ..*q }).collect();
        let own = Outline { points };
        let (found, said) = find_marks(&photos[p.index], &parts[p.index], &own, colour);
        warnings.extend(said.into_iter().filter(|w| w.code != "marks-not-found"));
        for mark in found {
            let mark = Mark { at: p.motion.apply(mark.at), ..mark };
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
fn flattened(photos: &[Photo], parts: &[Part], placed: &[Placed], outline: &Outline) -> FlatPhoto {
    let beside = parts.first().map_or(&[][..], |first| &first.sized.measured.placed);
    let frame = picture_frame(outline, beside);
    let mut rgb = RgbImage::new(frame.width, frame.height);
    let mut depth = vec![0f64; rgb.as_raw().len() / 3];
    for p in placed {
        let photo = &photos[p.index];
        let Some(camera) = p.motion.camera(&parts[p.index].fit().camera) else { continue };
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
