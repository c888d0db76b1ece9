//! Pattern out: SVG, PDF (tiles, large sheets, rolls, projector), DXF for pattern programs and for cutters, PNG.
//!
//! A pattern is first laid out as a [`drawing::Drawing`], in millimetres, y down, and every writer draws that very
//! list; writers do no geometry of their own. [`arrange`] says where the pieces lie, [`dxf`] writes the pieces
//! themselves, for other programs.

pub mod arrange;
pub mod drawing;
pub mod dxf;
mod font;
mod key;
pub mod medium;
pub mod miniature;
pub mod pdf;
pub mod png;
pub mod projector;
mod room;
pub mod svg;
pub mod tiles;

pub(crate) use font::{width_mm, writable};
