//! The one typeface of the sheets: Ubuntu Light, carried by the crate `epaint_default_fonts`.
//!
//! Licence: Ubuntu Font Licence 1.0, which allows bundling with a program and embedding in documents.

use ttf_parser::{Face, GlyphId};

/// The font file.
pub(super) const DATA: &[u8] = epaint_default_fonts::UBUNTU_LIGHT;
/// Its PostScript name.
pub(super) const NAME: &str = "Ubuntu-Light";

/// The parsed font; `None` cannot happen with the file carried, but is handled as "no words".
pub(super) fn face() -> Option<Face<'static>> {
    Face::parse(DATA, 0).ok()
}

/// Glyph of a character, the question mark's for one the font lacks.
pub(super) fn glyph(face: &Face<'_>, c: char) -> GlyphId {
    face.glyph_index(c).or_else(|| face.glyph_index('?')).unwrap_or_default()
}

/// The text with a question mark for what the font cannot write.
pub(crate) fn writable(text: &str) -> String {
    let Some(face) = face() else { return text.to_string() };
    text.chars().map(|c| if face.glyph_index(c).is_some() { c } else { '?' }).collect()
}

/// Width of a text at a font size, mm.
pub(crate) fn width_mm(text: &str, size_mm: f64) -> f64 {
    let Some(face) = face() else { return 0.0 };
    let units: u32 = text.chars().filter_map(|c| face.glyph_hor_advance(glyph(&face, c))).map(u32::from).sum();
    f64::from(units) / f64::from(face.units_per_em()) * size_mm
}
