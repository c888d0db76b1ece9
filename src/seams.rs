//! The one seam stage: allowances, corners, notches, grainline. It knows nothing of photos.
