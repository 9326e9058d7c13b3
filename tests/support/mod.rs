//! Measuring what `hyaline digitize` wrote against the truth of made-up captures.

pub mod cases;
pub mod compare;
pub mod displacement;
pub mod patches;
pub mod pixels;
pub mod sharpness;
