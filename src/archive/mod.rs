//! Files that can be kept: TIFFs that carry their plate's record, and packages that can be checked.
//!
//! Results go through [`atomic`], so that they appear whole or not at all. A plate's pictures are written by
//! [`write_plate_tiff`]: [`tiff_file`] puts down rows and tags, [`exif`], [`plate_xmp`] and [`icc`] say what they mean.
//! [`read_record`] has the record back from the file alone. [`bag`] makes packages for keeping, and checks them.

pub mod atomic;
pub mod bag;
pub mod describe;
pub mod digest;
pub mod directory;
pub mod exif;
pub mod hold;
pub mod icc;
pub mod plate_tiff;
pub mod plate_xmp;
pub mod read;
pub mod tiff_file;
pub mod xmp;

pub use plate_tiff::{Kind, plate_meta, write_plate_tiff};
pub use read::{Carried, Terms, read_record, read_terms};
pub use tiff_file::{Compression, TiffFile, TiffMeta, Written};
