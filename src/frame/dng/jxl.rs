//! JPEG XL: one strip or tile of a raw image, as recent phones write it.
//!
//! In: a codestream. Out: its samples in whole numbers, channels interleaved. Exact where it was coded without loss: the
//! decoder's numbers are multiples of 1 / (2^bits − 1). Fails on damage, on floating-point samples, and where it holds more
//! samples than its tile has room for.
//!
//! ISO/IEC 18181-1; decoding by `jxl-oxide`. Which codestreams a DNG may hold: DNG 1.7.1, "Compression".

use super::ljpeg::Plane;
use crate::error::Fault;
use crate::frame::limits::damaged;
use jxl_oxide::image::BitDepth;
use jxl_oxide::{AllocTracker, JxlImage};

/// Bytes that the decoder may take for one tile, beside eight for each sample.
const OVERHEAD: usize = 64 << 20;

/// Decodes a stream of at most `most` samples.
pub fn decode(stream: &[u8], most: usize) -> Result<Plane, Fault> {
    let limit = AllocTracker::with_limit(OVERHEAD + 64 * most);
    let image = JxlImage::builder().alloc_tracker(limit).read(stream).map_err(damaged)?;
    let (columns, rows) = (image.width() as usize, image.height() as usize);
    let BitDepth::IntegerSample { bits_per_sample: bits } = image.image_header().metadata.bit_depth else {
        return Err(Fault::new("its raw data are floating-point numbers, which are not read", "save it as integers"));
    };
    if columns.saturating_mul(rows) > most || !(1..=16).contains(&bits) {
        return Err(damaged(format!("a tile of {columns}×{rows} samples of {bits} bits")));
    }
    let render = image.render_frame(0).map_err(damaged)?;
    let mut stream = render.stream_no_alpha();
    let channels = stream.channels() as usize;
    if columns * rows * channels > most {
        return Err(damaged(format!("{columns}×{rows}×{channels} samples where there is room for {most}")));
    }
    let mut values = vec![0f32; columns * rows * channels];
    stream.write_to_buffer(&mut values);
    let full = ((1u32 << bits) - 1) as f32;
    let samples = values.iter().map(|v| (v.clamp(0.0, 1.0) * full).round() as u16).collect();
    Ok(Plane { samples })
}
