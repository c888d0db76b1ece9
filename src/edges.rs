//! Corners, straight and curved runs, the fold.
