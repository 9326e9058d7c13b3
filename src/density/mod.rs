//! Base plus fog, what lies above it, what a step tablet corrects, how sure all this is and how deep it reaches.

pub mod base;
pub mod correction;
pub mod deepest;
pub mod histogram;
pub mod uncertainty;

pub use base::{Batch, Reading};
pub use correction::Correction;
pub use deepest::Deepest;
pub use histogram::Histogram;
pub use uncertainty::Uncertainty;
