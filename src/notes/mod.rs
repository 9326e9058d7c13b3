//! The session notes: session.toml as types with units, and the arithmetic of what they say.
//!
//! [`load`] reads the notes and tells all that is wrong with them at once; [`check`] says what is missing or contradictory in
//! notes that could be read; [`to_toml`] writes them again, [`draft`] for the first time. [`sizes`] knows plates, [`exposure`] stops, [`darkroom`] dilutions.

#[cfg(test)]
mod bad_input;
mod check;
pub mod darkroom;
pub mod draft;
pub mod exposure;
pub mod field;
#[cfg(test)]
mod good_input;
mod keys;
mod load;
mod paths;
mod plates;
mod print;
pub mod session;
pub mod sizes;
mod tables;
mod times;
mod tree;
mod uses;

pub use check::{check, exposed_after_copy};
pub use load::{FILE_NAME, load};
pub use print::to_toml;
pub use session::*;
