//! DNG frames: raw samples at every photosite, exactly as they were stored.
//!
//! In: the file. Out: a [`Frame`] of the sensor's active area, a mosaic or linear colour, with tables that carry the file's
//! linearisation, black and white levels; its gain maps, read but not applied; its noise model. Fails with a sentence on kinds
//! that are not read, and on damage.
//!
//! [`layout`] finds the raw picture, [`samples`] decodes it through [`unpack`], [`ljpeg`] and [`jxl`], [`levels`] says what its
//! codes mean, [`opcodes`] reads gain maps. DNG 1.7.1.0 (2023).

mod jxl;
mod layout;
mod levels;
mod ljpeg;
mod opcodes;
pub(super) mod samples;
#[cfg(test)]
mod tests;
mod unpack;

use super::ifd::Tiff;
use super::{Frame, Layout, NoiseModel, RawNotes, Samples, exif};
use crate::error::{Fault, Warning};
use crate::image::Size;
use layout::{Compression, Kind};
use std::io::{Read, Seek};

const OPCODE_LIST_2: u16 = 51009;
const NOISE_PROFILE: u16 = 51041;

pub fn dimensions<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Size, Fault> {
    Ok(layout::layout(tiff)?.active.size)
}

pub fn read<R: Read + Seek>(tiff: &mut Tiff<R>) -> Result<Frame, Fault> {
    let main = tiff.main()?;
    let found = layout::layout(tiff)?;
    let mut codes = samples::samples(tiff, &found)?;
    let levels = levels::levels(tiff, &found, &mut codes)?;
    let opcodes = tiff.value(&found.directory, OPCODE_LIST_2)?.unwrap_or_default();
    let profile = match tiff.numbers(&found.directory, NOISE_PROFILE)? {
        Some(profile) => Some(profile),
        None => tiff.numbers(&main, NOISE_PROFILE)?,
    };
    let layout = match found.kind {
        Kind::Mosaic(filters) => Layout::Mosaic(filters),
        Kind::Linear if found.samples == 3 => Layout::Rgb,
        Kind::Linear => Layout::Gray,
    };
    let stored = match found.compression {
        Compression::None => "",
        Compression::LosslessJpeg => ", lossless JPEG",
        Compression::Deflate(_) => ", deflate",
        Compression::JpegXl => ", JPEG XL",
    };
    let processed = layout == Layout::Rgb;
    Ok(Frame {
        size: found.active.size,
        layout,
        samples: Samples::U16(codes),
        tables: levels.tables,
        saturation: levels.saturation,
        noise: profile.as_deref().and_then(noise),
        settings: exif::from_tiff(tiff, &main),
        format: format!("DNG {} bit{}{stored}", found.bits, if processed { ", linear" } else { "" }),
        raw: Some(RawNotes { crop: found.crop, gain_maps: opcodes::gain_maps(&opcodes) }),
        warnings: if processed { vec![already_processed()] } else { Vec::new() },
    })
}

/// Pairs of shot and read terms, one pair for all colours or one each; a plate's light is judged by green, the second of three.
fn noise(profile: &[f64]) -> Option<NoiseModel> {
    let pairs = profile.as_chunks::<2>().0;
    let [shot, read] = *pairs.get(1).or(pairs.first())?;
    let sound = shot.is_finite() && read.is_finite() && shot >= 0.0 && read >= 0.0;
    sound.then_some(NoiseModel { shot, read })
}

fn already_processed() -> Warning {
    Warning::new(
        "processed-raw",
        "its raw data hold three colours a pixel: the camera has merged or smoothed before writing, so fine detail and noise are \
         not the sensor's own; a plain Bayer raw measures better",
    )
}
