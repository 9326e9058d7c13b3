//! Where the glass ends, and where light never fell.
//!
//! In: [`crate::units::Transmittance`] in the sensor's coordinates. Out: an [`Outline`] with the [`crate::geometry::View`] from the
//! plate's millimetres to the capture; from the rectified plate, the rebate's reading.
//!
//! Coarse to fine: [`region`] finds what is neither bare panel nor mask and gives it four sides to a few pixels; [`profile`] places
//! points along each side; [`outline`] fits four straight lines and the lens to them at once; `ground` finds where the glass begins
//! under a ground edge, to a few hundredths of a pixel; `card` tells a black card smaller than the view from the plate in
//! its window. From the outline follow how sharp the capture is ([`sharpness`])
//! and how far the camera leans ([`tilt`]).

mod card;
mod edge_spread;
pub(crate) mod ground;
pub mod outline;
pub mod profile;
pub mod rebate;
pub mod region;
pub mod sharpness;
pub mod strips;
pub mod tilt;

pub use outline::{CONFIDENT, Outline, find, find_in_cells, from_corners};
pub use sharpness::Sharpness;
pub use tilt::Tilt;
