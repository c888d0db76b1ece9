//! Bringing photos of one mat together.
//!
//! Every photo numbers the mat's lines from a place of its own. [`register`] finds which crossing of one photo is
//! which of the other, by what does not repeat with the grid: numerals, wear, the mat's rim, the garment itself.

mod correlate;
mod lattice;
pub mod merge;
pub mod register;
mod relief;

pub use lattice::LatticeMotion;
pub use merge::{Mismatch, PartPoint, merged};
pub use register::{Registered, View, register, register_blank};
