//! Pattern out: SVG, full-size PDF, tiled PDF, DXF.
//!
//! A pattern is first laid out as a [`drawing::Drawing`], in millimetres, y down, and every writer draws that very
//! list; writers do no geometry of their own. [`dxf`] writes the pieces themselves, for other programs.

pub mod drawing;
pub mod dxf;
mod font;
mod key;
pub mod pdf;
pub mod svg;
pub mod tiles;
