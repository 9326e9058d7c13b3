//! Base plus fog, what lies above it, what a step tablet corrects, and how sure all this is.

pub mod base;
pub mod correction;
pub mod histogram;
pub mod uncertainty;

pub use base::{Batch, Reading};
pub use correction::Correction;
pub use histogram::Histogram;
pub use uncertainty::Uncertainty;
