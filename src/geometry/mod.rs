//! Points, homographies, lenses and resampling. Nothing here knows light or files.
//!
//! Coordinates are (x, y) = (column, row) in pixels with centres at half-integers, or millimetres on the plate from its
//! top-left corner.

pub mod homography;
pub mod lens;
pub mod lie;
pub mod point;
pub mod resample;
pub mod view;

pub use homography::Homography;
pub use lens::Lens;
pub use lie::Lie;
pub use point::Point;
pub use view::View;
