//! Pages and plots for people: nothing here measures, everything here shows.

pub mod axis;
pub mod plot;
pub mod svg;

pub use axis::Axis;
pub use plot::{Ink, Plot};
