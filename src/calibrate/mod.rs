//! Making capture profiles: how a camera's codes stand for light, how its densities must be corrected, how its lens bends lines.
//!
//! In: frames of the bare panel at known exposures ([`exposures`], [`ladder`], [`response`]), of a step tablet ([`strip`], [`comb`], [`steps`],
//! [`tablet`], [`correction`]), or of a grid ([`grid`], [`lens`]). Out: what a [`crate::frame::CaptureProfile`] holds, with what was left over and how sure it is.

pub mod comb;
pub mod correction;
pub mod exposures;
pub mod grid;
pub mod ladder;
pub mod lens;
#[cfg(test)]
mod readings;
pub mod response;
#[cfg(test)]
mod simulate;
pub mod steps;
pub mod strip;
pub mod tablet;
