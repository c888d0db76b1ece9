//! The thin command-line face of the library.

pub mod args;
pub mod files;
pub mod mats;
pub mod progress;
pub mod results;
pub mod seam;
pub mod targets;
pub mod trace;
