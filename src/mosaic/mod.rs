//! Plates copied in tiles: found, tied, adjusted together and composed into one.

mod adjust;
mod beside;
mod compose;
mod cover;
mod cut;
mod features;
mod gains;
mod grain;
mod layout;
mod level;
mod likely;
mod links;
mod model;
pub mod optics;
mod overlaps;
mod place;
mod placement;
pub mod plan;
mod problem;
mod says;
mod seam_lines;
mod seams;
mod sides;
#[cfg(test)]
mod simulate;
mod smooth;
mod store;
#[cfg(test)]
mod tests;
pub(crate) mod ties;

pub(crate) use features::{Features, find};
pub(crate) use links::link;

pub use beside::{Beside, beside};
pub use compose::{Seams, Target, compose};
pub use overlaps::Overlap;
pub use place::{place, relit};
pub use placement::{Placed, Placement, Residual, SideFit, gap_in_words};
pub use store::{Level, Store, Tile};
