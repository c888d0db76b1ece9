//! Bringing photos of one mat, or of one table with cards on it, together.
//!
//! Every photo numbers the mat's lines from a place of its own. [`register`] finds which crossing of one photo is
//! which of the other, by what does not repeat with the grid: numerals, wear, the mat's rim, the garment itself. Printed
//! cards that both photos show settle it at once, and need no mat ([`lay_by_cards`]). [`merged`] makes one outline of several.

mod correlate;
mod lattice;
pub mod merge;
pub mod register;
mod relief;
pub mod shared_cards;

pub use lattice::LatticeMotion;
pub use merge::{Mismatch, PartPoint, merged};
pub use register::{Registered, View, register, register_blank};
pub use shared_cards::{CardPlace, LaidByCards, lattice_by_cards, lay_by_cards};
