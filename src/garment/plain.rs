//! Cloth on a surface without a known print: a table, a floor, a plain mat. What the surface looks like is learnt from
//! the photo's rim inwards, whatever its grain; things of known size lying about are no cloth.

use super::appearance::{log_table, quantile};
use super::cells::Layout;
use super::evidence::{self, Evidence};
use super::extent::{MatExtent, Seen, photo_frame};
use super::mat_model::MatModel;
use super::pattern::Pattern;
use super::things::{self, BARE};
use super::{CLOTH_COLOURS, Garment, GarmentOptions, Palette, assemble, colours, pictures, region};
use crate::camera::Camera;
use crate::flat::{self, MatRect};
use crate::photo::Photo;
use crate::refusal::{Refusal, RefusalKind};

/// Share of the photo's sides taken for its rim, where a garment seldom lies.
const RIM: f64 = 0.08;
/// Share of a side about each corner that cloth running on beyond the picture leaves free.
const CORNER: f64 = 0.2;
/// Least stray that counts as one, spreads.
const LEAST_LEVEL: f32 = 0.9;
/// What a soft shadow beside a garment darkens by at most (log gamma units; about half the linear light).
const SOFT_SHADOW: f32 = 0.32;
/// Floor of the surface's spread of brightness, log gamma units.
const LEAST_SPREAD: f32 = 0.04;
/// Rounds of learning the surface.
const ROUNDS: usize = 3;
/// Stands in for a pitch where other stages want one, mm.
const NO_PITCH_MM: f64 = 20.0;

/// Tells the garment from a surface without a known print.
///
/// # Errors
/// A refusal if no cloth can be told from the surface, or if it leaves the picture.
pub fn separate_plain(photo: &Photo, camera: &Camera, options: GarmentOptions) -> Result<Garment, Refusal> {
    let frame = photo_frame(photo, camera).ok_or_else(too_oblique)?;
    let rect = frame.rect;
    let extent = MatExtent { rect: rect.grown(1000.0), pitch_mm: NO_PITCH_MM, share_seen: 1.0 };
    let flat = flat::rectify(photo, camera, frame, 0.0);
    let layout = Layout::new(frame, photo, camera);
    let mut thing = things::covered(&layout, options.things);
    let mut bare = rim(&layout, photo, camera, &thing, options.may_leave);
    let pattern = Pattern::learn(&flat, &layout, &bare);
    let look = |bare: &[bool]| look(&flat, &layout, rect, &extent, bare, pattern.as_ref());
    let (mut mat, mut evidence) = look(&bare)?;
    for _ in 1..ROUNDS {
        things::take_in_their_own(&mut thing, options.things, &layout, &evidence);
        bare = spread_inwards(&layout, &evidence, &bare, &thing);
        (mat, evidence) = look(&bare)?;
    }
    things::take_in_cut_off(&mut thing, options.things, &layout, &evidence);
    for (k, thing) in thing.iter().enumerate().filter(|(_, t)| **t) {
        evidence.departure[k] = 0.0;
        evidence.on_side[k] = *thing;
    }
    let found = region::find(&flat, &layout, &mut evidence, || None, options)?;
    let mut garment = assemble(flat.frame, extent, mat, evidence.grid_shows.clone(), found.label);
    garment.warnings = found.warnings;
    garment.cloth = Palette::learn(&region::cloth_pixels(&flat, &layout, &found.cells), CLOTH_COLOURS);
    if options.pictures {
        garment.pictures = pictures::draw(&flat, &layout, &evidence, &garment);
    }
    Ok(garment)
}

fn too_oblique() -> Refusal {
    Refusal::new(
        RefusalKind::ContradictoryReference,
        "by what was found the photo looks along the table and not down on it",
        "retake from above, with the references flat on the table",
    )
}

/// The surface's model learnt from cells taken for bare, and what every cell says against it.
fn look(
    flat: &super::Flat,
    layout: &Layout,
    rect: MatRect,
    extent: &MatExtent,
    bare: &[bool],
    pattern: Option<&Pattern>,
) -> Result<(MatModel, Evidence), Refusal> {
    let seen = Seen { on: bare.to_vec(), near: bare.to_vec() };
    let mat = MatModel::learn_plain(flat, layout, rect, &seen)?;
    let mut evidence = evidence::gather(flat, layout, &mat, extent, &seen);
    // A surface is smoother than a printed mat: what nine tenths of it stray by is the measure, however little that is.
    let mut strays: Vec<f32> = evidence.departure.iter().zip(bare).filter(|(_, b)| **b).map(|(d, _)| *d).collect();
    let level = quantile(&mut strays, 0.9);
    let level = if level.is_finite() { level.clamp(LEAST_LEVEL, 5.0) } else { 3.0 };
    evidence.bare_level.fill(level);
    let table = log_table();
    for (k, stray) in evidence.departure.iter_mut().enumerate().filter(|(k, _)| layout.valid[*k]) {
        *stray += too_dark(flat, layout, &mat, &table, k);
        if let Some(pattern) = pattern {
            *stray = stray.max((level * pattern.in_levels(k)).min(evidence::CAP));
        }
    }
    evidence.on_side = vec![false; layout.len()];
    Ok((mat, evidence))
}

/// What a cell's darkness adds: no soft shadow takes so much light, and no print is there to show through.
fn too_dark(flat: &super::Flat, layout: &Layout, mat: &MatModel, table: &[f32; 256], k: usize) -> f32 {
    let (column, row) = (k % layout.columns, k / layout.columns);
    let (sum, n) = colours::pixels(column, row).fold((0.0, 0.0), |(sum, n), (x, y)| {
        let rgb = flat.rgb.get_pixel(x, y).0;
        (sum + rgb.iter().map(|v| table[usize::from(*v)]).sum::<f32>() / 3.0, n + 1.0)
    });
    let base = mat.shade.at(layout.centre(column, row));
    let drop = (base[0] + base[1] + base[2]) / 3.0 - sum / n;
    (drop - SOFT_SHADOW).max(0.0) / mat.spread[0].max(LEAST_SPREAD)
}

/// Cells along the photo's border; only about its corners where the cloth may run on beyond the picture.
fn rim(layout: &Layout, photo: &Photo, camera: &Camera, thing: &[bool], may_leave: bool) -> Vec<bool> {
    let (w, h) = (f64::from(photo.width()), f64::from(photo.height()));
    let band = RIM * w.min(h);
    (0..layout.len())
        .map(|k| {
            let at = camera.image_from_mat(layout.centre(k % layout.columns, k / layout.columns));
            let from_border = at.x.min(w - at.x).min(at.y).min(h - at.y);
            let off_corner = (at.x.min(w - at.x) / w).max(at.y.min(h - at.y) / h);
            layout.valid[k] && !thing[k] && from_border < band && (!may_leave || off_corner < CORNER)
        })
        .collect()
}

/// The bare cells joined to those already taken for bare, by a flood over cells that look bare.
fn spread_inwards(layout: &Layout, evidence: &Evidence, from: &[bool], thing: &[bool]) -> Vec<bool> {
    let looks_bare = |k: usize| layout.valid[k] && !thing[k] && evidence.departure[k] < BARE * evidence.bare_level[k];
    let bare = (0..layout.len()).map(|k| from[k] && looks_bare(k)).collect();
    region::reached(layout.columns, layout.rows, bare, looks_bare)
}

#[cfg(test)]
mod tests {
    use image::{Rgb, RgbImage};
    use nalgebra::Vector2;

    use super::*;
    use crate::garment::tests::{Random, Scene};
    use crate::units::{ImagePoint, MatPoint};

    /// A table, and what lies on it, as the colour of every place, with noise of two levels.
    fn photo(colour: impl Fn(MatPoint) -> [f64; 3]) -> Photo {
        let (camera, mut random) = (Scene::camera(), Random(5));
        Photo::from_rgb(RgbImage::from_fn(841, 841, |x, y| {
            let at = camera.mat_from_image(ImagePoint::new(f64::from(x), f64::from(y)));
            Rgb(colour(at).map(|v| (v + 2.0 * random.normal()).round().clamp(0.0, 255.0) as u8))
        }))
    }

    /// Area, mm2, and middle of what is taken for cloth.
    fn found(photo: &Photo, things: &[Vec<MatPoint>]) -> (f64, MatPoint) {
        let garment =
            separate_plain(photo, &Scene::camera(), GarmentOptions { things, ..GarmentOptions::default() }).unwrap();
        let label = &garment.label;
        let inside: Vec<usize> = (0..label.values.len()).filter(|k| label.values[*k] > 0.5).collect();
        let sum = inside.iter().fold(Vector2::zeros(), |sum, k| {
            sum + (label.mat_at((k % label.columns) as f64, (k / label.columns) as f64) - MatPoint::default())
        });
        let count = inside.len() as f64;
        (count * label.cell_mm.powi(2), MatPoint::default() + sum / count)
    }

    const TABLE: [f64; 3] = [120.0, 118.0, 110.0];

    /// A black ruler beside cloth not much lighter than the table; no more than its ticks is known of it.
    #[test]
    fn what_is_a_rulers_own_is_no_cloth() {
        let seen = photo(|p| match p {
            p if p.x.hypot(p.y - 30.0) < 40.0 => TABLE.map(|v| v + 30.0),
            p if p.x.abs() < 110.0 && p.y > -110.0 && p.y < -80.0 => [20.0, 20.0, 24.0],
            _ => TABLE,
        });
        for (below, above) in [(-110.0, -100.0), (-90.0, -80.0)] {
            let ring = [(-112.0, below), (112.0, below), (112.0, above), (-112.0, above)];
            let (area, middle) = found(&seen, &[ring.map(|(x, y)| MatPoint::new(x, y)).to_vec()]);
            let truth = std::f64::consts::PI * 1600.0;
            // Half a cell around the whole edge is 5.5 % of the area.
            assert!((area / truth - 1.0).abs() < 0.055, "{area} for {truth}");
            assert!(middle.distance(MatPoint::new(0.0, 30.0)) < 1.0, "{middle:?}");
        }
    }

    /// The stripes of the tablecloth stray from their mean by nearly half of what the cloth does.
    #[test]
    fn cloth_is_told_from_a_table_with_a_pattern_of_its_own() {
        let seen = photo(|p| match p {
            p if p.x.hypot(p.y) < 60.0 => [144.0, 106.0, 135.0],
            p if (p.x + p.y).rem_euclid(12.0) < 6.0 => [60.0, 160.0, 155.0],
            _ => [180.0, 140.0, 115.0],
        });
        let (area, middle) = found(&seen, &[]);
        let truth = std::f64::consts::PI * 3600.0;
        assert!((area / truth - 1.0).abs() < 0.03, "{area} for {truth}");
        assert!(middle.distance(MatPoint::default()) < 1.0, "{middle:?}");
    }

    /// Two thirds of one card more show, white beside cloth that is hardly lighter than the table.
    #[test]
    fn a_card_that_the_border_cuts_off_is_no_cloth() {
        let card = |x: f64, y: f64| [(x, y), (x + 60.0, y), (x + 60.0, y + 60.0), (x, y + 60.0)];
        let on = |ring: [(f64, f64); 4], p: MatPoint| {
            (ring[0].0..ring[2].0).contains(&p.x) && (ring[0].1..ring[2].1).contains(&p.y)
        };
        let (read, cut_off) = (card(-110.0, 45.0), card(80.0, 40.0));
        let seen = photo(|p| match p {
            p if p.x.hypot(p.y + 20.0) < 40.0 => TABLE.map(|v| v + 12.0),
            p if on(read, p) || on(cut_off, p) => [240.0, 240.0, 236.0],
            _ => TABLE,
        });
        let (area, middle) = found(&seen, &[read.map(|(x, y)| MatPoint::new(x, y)).to_vec()]);
        let truth = std::f64::consts::PI * 1600.0;
        assert!((area / truth - 1.0).abs() < 0.055, "{area} for {truth}");
        assert!(middle.distance(MatPoint::new(0.0, -20.0)) < 1.0, "{middle:?}");
    }

    /// Cloth nearer to the mean of the table's two colours than either of them, and it runs on beyond the picture: little of the
    /// rim is known to be bare.
    #[test]
    fn what_is_of_none_of_the_tables_colours_is_cloth() {
        let seen = photo(|p| match p {
            p if p.x > -40.0 && p.y.abs() < 50.0 => [118.0, 126.0, 118.0],
            p if (p.x + p.y).rem_euclid(24.0) < 12.0 => [70.0, 160.0, 90.0],
            _ => [165.0, 90.0, 150.0],
        });
        let options = GarmentOptions { may_leave: true, ..GarmentOptions::default() };
        let garment = separate_plain(&seen, &Scene::camera(), options).unwrap();
        let is_cloth = |x: f64, y: f64| garment.label.at(MatPoint::new(x, y)) > 0.5;
        let wrong = (0..40).flat_map(|i| (0..40).map(move |j| (f64::from(i) * 5.0 - 98.0, f64::from(j) * 5.0 - 98.0)));
        let wrong = wrong.filter(|(x, y)| is_cloth(*x, *y) != (*x > -40.0 && y.abs() < 50.0)).count();
        assert!(wrong < 30, "{wrong} of 1600 places");
    }

    /// Every second stripe of the cloth is of the table's own colour.
    #[test]
    fn stripes_of_one_cloth_are_one_piece() {
        let seen = photo(|p| match p {
            p if p.x.abs() < 66.0 && p.y.abs() < 50.0 && (p.x + 66.0).rem_euclid(24.0) < 12.0 => [40.0, 96.0, 52.0],
            _ => TABLE,
        });
        let (area, middle) = found(&seen, &[]);
        // Six green stripes and the five between them.
        let truth = 132.0 * 100.0;
        assert!((area / truth - 1.0).abs() < 0.03, "{area} for {truth}");
        // A cell is 3 mm: its half.
        assert!(middle.distance(MatPoint::default()) < 1.5, "{middle:?}");
    }
}
