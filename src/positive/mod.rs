//! The print: density above base into the tones of a positive.
//!
//! A [`Tone`] is one fixed mapping for a whole batch, so that two plates differ on the print exactly where they differ on glass.

pub mod lightness;
pub mod paper;
pub mod profile;
pub mod render;
pub mod tone;

pub use tone::Tone;
