//! The raw picture's samples, put together from its strips or tiles.
//!
//! In: the file and its layout. Out: one number a sample, row by row, of the active area alone. Strips and tiles are decoded on
//! all cores, a few at a time, so that no more of the file than these is held. Fails where one is damaged or cut short.

use super::layout::{Compression, Layout};
use super::ljpeg::Plane;
use super::{jxl, ljpeg, unpack};
use crate::error::Fault;
use crate::frame::ifd::Tiff;
use crate::frame::limits::damaged;
use crate::image::{Size, Window};
use rayon::prelude::*;
use std::io::{Read, Seek};

/// Strips or tiles that are read before they are decoded together.
const AT_ONCE: usize = 64;

/// Where one strip or tile lies in the picture, and what the file has of it.
struct Chunk {
    row: usize,
    column: usize,
    size: Size,
    bytes: Vec<u8>,
}

pub fn samples<R: Read + Seek>(tiff: &mut Tiff<R>, layout: &Layout) -> Result<Vec<u16>, Fault> {
    let row = layout.size.columns * layout.samples;
    let little = tiff.little();
    // Every place is checked before memory is taken for the picture.
    if let Some((at, length)) = layout.chunks.iter().find(|(at, length)| at.saturating_add(*length) > tiff.length()) {
        return Err(Fault::new(
            format!("it is cut short: raw data of {length} bytes at {at} lie beyond its end at {}", tiff.length()),
            "copy it from the camera again",
        ));
    }
    let mut picture = vec![0u16; row * layout.size.rows];
    let across = layout.size.columns.div_ceil(layout.chunk.columns);
    let mut first = 0;
    for places in layout.chunks.chunks(AT_ONCE) {
        let mut chunks = Vec::with_capacity(places.len());
        for (i, (at, length)) in places.iter().enumerate() {
            let (down, right) = ((first + i) / across, (first + i) % across);
            let (row, column) = (down * layout.chunk.rows, right * layout.chunk.columns);
            // The last strip ends with the picture; tiles are whole.
            let rows = if layout.tiled { layout.chunk.rows } else { layout.chunk.rows.min(layout.size.rows - row) };
            let bytes = tiff.bytes(*at, *length)?;
            chunks.push(Chunk { row, column, size: Size::new(rows, layout.chunk.columns), bytes });
        }
        first += places.len();
        let decoded: Vec<Vec<u16>> =
            chunks.par_iter().map(|chunk| decode(chunk, layout, little)).collect::<Result<_, _>>()?;
        for (chunk, samples) in chunks.iter().zip(decoded) {
            let columns = chunk.size.columns.min(layout.size.columns - chunk.column) * layout.samples;
            let lines = samples.chunks_exact(chunk.size.columns * layout.samples);
            for (line, to) in lines.zip(chunk.row..layout.size.rows) {
                picture[to * row + chunk.column * layout.samples..][..columns].copy_from_slice(&line[..columns]);
            }
        }
    }
    if layout.interleave != [1, 1] {
        picture = rejoined(&picture, layout);
    }
    Ok(cropped(picture, layout.size, layout.active, layout.samples))
}

/// One strip's or tile's samples, row by row.
fn decode(chunk: &Chunk, layout: &Layout, little: bool) -> Result<Vec<u16>, Fault> {
    let Chunk { size, bytes, .. } = chunk;
    let row = size.columns * layout.samples;
    let whole = |plane: Plane| {
        // Writers give the stream other rows than the tile has, so that its predictor meets like colours: the samples follow
        // each other all the same.
        let Plane { mut samples, .. } = plane;
        if samples.len() < row * size.rows {
            return Err(damaged(format!("{} samples where {} are needed", samples.len(), row * size.rows)));
        }
        samples.truncate(row * size.rows);
        Ok(samples)
    };
    match layout.compression {
        Compression::None => unpack::unpack(bytes, size.rows, row, layout.bits, little),
        Compression::LosslessJpeg => whole(ljpeg::decode(bytes, 2 * row * size.rows)?),
        Compression::JpegXl => whole(jxl::decode(bytes, row * size.rows)?),
        Compression::Deflate(pixels) => {
            let length = unpack::row_bytes(row, layout.bits) * size.rows;
            let mut inflated = Vec::with_capacity(length);
            let inflater = flate2::read::ZlibDecoder::new(&bytes[..]);
            inflater.take(length as u64).read_to_end(&mut inflated).map_err(damaged)?;
            let mut samples = unpack::unpack(&inflated, size.rows, row, layout.bits, little)?;
            if pixels > 0 {
                unpack::undo_differences(&mut samples, row, pixels * layout.samples, layout.bits);
            }
            Ok(samples)
        }
    }
}

/// Puts rows and columns that were stored by fields (all even ones, then all odd ones) where they belong.
fn rejoined(stored: &[u16], layout: &Layout) -> Vec<u16> {
    let place =
        |length: usize, by: usize| -> Vec<usize> { (0..by).flat_map(|field| (field..length).step_by(by)).collect() };
    let rows = place(layout.size.rows, layout.interleave[0]);
    let columns = place(layout.size.columns, layout.interleave[1]);
    let n = layout.samples;
    let width = layout.size.columns * n;
    let mut out = vec![0; stored.len()];
    for (line, row) in stored.chunks_exact(width).zip(rows) {
        let to = &mut out[row * width..][..width];
        for (pixel, column) in line.chunks_exact(n).zip(&columns) {
            to[column * n..][..n].copy_from_slice(pixel);
        }
    }
    out
}

/// Keeps a part of a picture, in its own memory.
pub fn cropped(mut picture: Vec<u16>, size: Size, part: Window, samples: usize) -> Vec<u16> {
    if part.size == size {
        return picture;
    }
    let (from, to) = (size.columns * samples, part.size.columns * samples);
    for row in 0..part.size.rows {
        let start = (part.row + row) * from + part.column * samples;
        picture.copy_within(start..start + to, row * to);
    }
    picture.truncate(to * part.size.rows);
    picture
}
