//! hyaline: copies of glass negatives, made with a camera and a light panel, into positives that can be measured, compared
//! and kept.
//!
//! The way of a plate, each step a function between types that say what their numbers mean:
//!
//! 1. [`notes`]: session.toml into a [`notes::Session`]
//! 2. [`frame`]: a capture into a [`frame::Frame`] of [`units::Linear`] light
//! 3. [`light`]: divided by its blank into [`units::Transmittance`]
//! 4. [`plate`]: where the glass ends, and where light never fell; [`mosaic`]: many tiles into one
//! 5. [`geometry`]: one [`geometry::View`] from the plate's millimetres to the capture, and the one resampling
//! 6. [`density`]: base plus fog, and [`units::NetDensity`] above it
//! 7. [`positive`]: the print that a tone profile makes of it; [`bracket`]: plates compared
//! 8. [`archive`]: files that appear whole or not at all; [`report`]: pages for people; [`publish`]: tiles for viewers
//!
//! [`calibrate`] makes capture profiles from frames of the bare panel and of step tablets.
//!
//! [`measure`] judges a finished picture: densities of patches, evenness, noise, sharpness.
//!
//! [`demo`] is the forward model: a made-up place, its plates, and their captures with the truth beside them.

pub mod ahead;
pub mod alike;
pub mod archive;
pub mod batch;
pub mod bracket;
pub mod calibrate;
pub mod cli;
pub mod copy;
pub mod demo;
pub mod density;
pub mod error;
pub mod frame;
pub mod geometry;
pub mod image;
pub mod kept;
pub mod light;
pub mod measure;
pub mod median;
pub mod mosaic;
pub mod notes;
pub mod panel;
pub mod pipeline;
pub mod plate;
pub mod positive;
pub mod progress;
pub mod publish;
pub mod record;
pub mod report;
pub mod results;
pub mod spool;
pub mod tiles;
pub mod units;
