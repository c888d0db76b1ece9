//! Pattern out: SVG, full-size PDF, tiled PDF.
//!
//! A pattern is first laid out as a [`drawing::Drawing`], in millimetres, y down, and every writer draws that very
//! list; writers do no geometry of their own.

pub mod drawing;
mod font;
mod key;
pub mod pdf;
pub mod svg;
pub mod tiles;
