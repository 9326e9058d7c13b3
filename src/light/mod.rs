//! From linear light to transmittance: dark frames, the blank, glare.
//!
//! In: [`crate::frame::Frame`]s of the bare panel and of a plate. Out: an image of [`crate::units::Transmittance`] in the
//! sensor's own coordinates, 1 where the panel is bare.

mod average;
pub mod blank;
pub mod calm;
pub mod divide;
pub mod exposures;
pub mod filters;
pub mod glare;
pub mod lateral;
mod level;
pub(crate) mod registration;
pub mod scene;
pub mod screen;
pub mod shaded;
pub mod shading;
pub mod steady;
pub mod tint;

pub use blank::FlatField;
pub use divide::{Seen, divide};
pub use glare::Veil;
