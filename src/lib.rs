//! Clothline: from one photo of a folded garment on a gridded mat to a true-size sewing pattern.
//!
//! The chain, one module a stage, plain data between:
//!
//! 1. [`photo`]: bytes to upright pixels, and what the camera said.
//! 2. [`reference`]: what is of known size; lines with mat indices.
//! 3. [`camera`]: plane map, lens terms, pose, residuals.
//! 4. [`flat`]: the photo as seen from straight above.
//! 5. [`garment`]: what is cloth.
//! 6. [`outline`]: its edge to a fraction of a pixel, in millimetres, with doubt.
//! 7. [`edges`]: corners, lines, curves, the fold.
//! 8. [`seams`]: allowances, notches, grainline, label.
//! 9. [`sheets`]: SVG, PDF, DXF, PNG; [`lay`]: the lay plan; [`makesheet`] and [`report`]: pages for people.
//!
//! [`measure`] is steps 2 and 3 for every kind of reference; [`targets`] draws cards to print.
//!
//! [`set`] makes a whole pattern set: shapes from many photos, named, changed, fitted to each other, then step 8.
//!
//! [`draft::draft_piece`] is steps 7 and 8 in one call, for outlines traced and outlines read by [`outline_file`] alike;
//! [`pattern_file`] keeps finished pieces.
//!
//! The library reads no files, opens no sockets and prints nothing.

pub mod across;
pub mod bare;
pub mod camera;
pub mod check;
pub mod cloths;
pub mod corrections;
pub mod desk;
pub mod draft;
pub mod edges;
pub mod fingerprint;
pub mod flat;
pub mod garment;
pub mod join;
mod json_fault;
pub mod lay;
pub mod makesheet;
pub mod marks;
pub mod mats;
pub mod measure;
pub mod outline;
pub mod outline_file;
pub mod overlay;
pub mod path;
pub mod pattern_file;
pub mod photo;
pub mod polygon;
pub mod reference;
pub mod refusal;
pub mod report;
pub mod seams;
pub mod set;
pub mod sheets;
pub mod snap;
pub mod targets;
pub mod trace;
pub mod units;

pub use refusal::{Refusal, RefusalKind, Warning};
