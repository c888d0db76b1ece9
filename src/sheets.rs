//! Pattern out: SVG, full-size PDF, tiled PDF.
