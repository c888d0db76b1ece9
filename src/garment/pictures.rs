//! Pictures of the steps, for a person to see what went right or wrong.

use image::{Rgb, RgbImage};

use super::cells::Layout;
use super::evidence::Evidence;
use super::region::cell_colour;
use super::{Flat, Garment};

pub(crate) fn draw(flat: &Flat, layout: &Layout, evidence: &Evidence, garment: &Garment) -> Vec<(String, RgbImage)> {
    let grey = |f: &dyn Fn(usize) -> f32| {
        picture(layout, |k| {
            let v = f(k);
            if v.is_finite() { [(255.0 * v.clamp(0.0, 1.0)) as u8; 3] } else { [90, 0, 90] }
        })
    };
    let expected = picture(layout, |k| {
        let p = layout.centre(k % layout.columns, k / layout.columns);
        garment.mat.predict(p).map(|v| v.clamp(0.0, 255.0) as u8)
    });
    let outlined = picture(layout, |k| {
        let rgb = cell_colour(flat, k % layout.columns, k / layout.columns);
        if garment.label.values[k] > 0.5 { [rgb[0] / 2 + 127, rgb[1] / 2, rgb[2] / 2] } else { rgb }
    });
    let mut pictures = vec![
        ("garment-1-expected".into(), expected),
        ("garment-2-departure".into(), grey(&|k| evidence.departure[k] / (4.0 * evidence.bare_level[k]))),
        ("garment-3-grid-shows".into(), grey(&|k| evidence.grid_shows.values[k])),
        ("garment-4-label".into(), outlined),
    ];
    if evidence.grain.iter().any(|grain| *grain != 0.0) {
        // Half: the grain says nothing; black: bare mat.
        pictures.push(("garment-5-grain".into(), grey(&|k| 0.5 + evidence.grain[k] / 6.0)));
    }
    pictures
}

fn picture(layout: &Layout, colour: impl Fn(usize) -> [u8; 3]) -> RgbImage {
    RgbImage::from_fn(layout.columns as u32, layout.rows as u32, |c, r| {
        Rgb(colour(r as usize * layout.columns + c as usize))
    })
}
