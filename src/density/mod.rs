//! Base plus fog, what lies above it, and what a step tablet corrects.

pub mod base;
pub mod correction;
pub mod histogram;

pub use base::{Batch, Reading};
pub use correction::Correction;
pub use histogram::Histogram;
