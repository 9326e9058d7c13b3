//! Measuring a finished picture: densities of patches, evenness, noise, sharpness, sampling.
//!
//! Everything is measured on the file's own light ([`picture::Picture`]): transmittance for a negative, luminance for a positive.

pub mod edge;
pub mod field;
pub mod findings;
pub mod levels;
pub mod page;
pub mod patch;
pub mod picture;
pub mod region;

pub use edge::Sharpness;
pub use field::Evenness;
pub use findings::{Findings, Length, Request, measure};
pub use patch::Patch;
pub use picture::Picture;
pub use region::Region;
