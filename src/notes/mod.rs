//! The session notes: session.toml as types with units, and the arithmetic of what they say.
//!
//! [`load`] reads the notes and tells all that is wrong with them at once; [`check`] says what is missing or contradictory in
//! notes that could be read; [`to_toml`] writes them again. [`sizes`] knows plates, [`exposure`] stops, [`darkroom`] dilutions.

#[cfg(test)]
mod bad_input;
pub mod darkroom;
pub mod exposure;
#[cfg(test)]
mod good_input;
mod keys;
mod load;
mod paths;
mod plates;
pub mod session;
pub mod sizes;
mod tables;
mod times;
mod tree;
mod uses;

pub use load::load;
pub use session::*;
