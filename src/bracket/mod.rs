//! Plates of one scene, compared: laid on one another, their densities set against each other, and what follows for the next plates.
//!
//! [`compare`] does it all without files. From two to six [`BracketPlate`]s: [`plane`] reduces them, [`outline`] leaves the rebate out,
//! [`align`] lays each on the first, [`cells`] takes local means where they can be trusted, [`joint`] relates the densities,
//! [`recovery`] finds the characteristic curve ([`curve`]) where exposures differ and development does not, [`plates`] says what each
//! recorded by the [`area`] that all show, [`printing`] which paper fits, and [`advice`] what to try next. [`brackets`] does it for a session: [`stored`] plates in, [`files`] out.

pub mod advice;
pub mod align;
pub mod area;
pub mod base;
mod bend;
pub mod brackets;
pub mod came_up;
pub mod cells;
pub mod charts;
mod coarse;
pub mod compare;
pub mod curve;
pub mod development;
mod field;
pub mod files;
mod fit;
pub mod joint;
#[cfg(test)]
mod known_advice;
#[cfg(test)]
mod known_truth;
pub mod laying;
mod letters;
pub mod outline;
pub mod page;
pub mod plane;
pub mod plates;
pub mod printing;
pub mod push;
pub mod recovery;
#[cfg(test)]
mod scene;
mod search;
pub mod sheet;
pub mod stored;
pub mod words;

pub use compare::{BracketPlate, Comparison, compare};
