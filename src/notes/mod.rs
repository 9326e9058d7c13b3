//! The session notes: session.toml as types with units.

pub mod session;

pub use session::*;
