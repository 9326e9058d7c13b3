//! Pages and plots for people: nothing here measures, everything here shows.

pub mod axis;
pub mod histogram;
pub mod input;
pub mod page;
pub mod picture;
pub mod plate;
pub mod plot;
pub mod preview;
pub mod seen;
pub mod summary;
pub mod svg;
pub mod template;
mod tiling;
pub mod words;

pub use axis::Axis;
pub use histogram::Histogram;
pub use input::*;
pub use page::page;
pub use plot::{Ink, Plot};
pub use preview::{Shrink, light_jpeg, preview_jpeg};
pub use summary::{Summary, summary};
