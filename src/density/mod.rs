//! Base plus fog, and what lies above it.

pub mod base;
pub mod histogram;

pub use base::{Batch, Reading};
pub use histogram::Histogram;
