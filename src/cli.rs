//! The thin command-line face of the library.

/// `println!` that a closed pipe does not upset.
macro_rules! say {
    ($($words:tt)*) => { $crate::cli::files::say(format_args!($($words)*)) };
}
pub(crate) use say;

pub mod args;
pub mod calibrate;
pub mod check;
pub mod files;
pub mod lay;
pub mod lenses;
pub mod make;
pub mod mats;
pub mod open;
pub mod products;
pub mod progress;
pub mod results;
pub mod seam;
pub mod sheets;
pub mod source;
pub mod targets;
pub mod trace;
