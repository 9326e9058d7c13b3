//! A positive's rows, band by band, from the file that was written.

use super::pyramid::TILE;
use crate::archive::digest;
use crate::error::{Error, Fault, InFile};
use crate::image::{Image, Size};
use crate::record::PlateRecord;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use tiff::decoder::{Decoder, DecodingResult, Limits};

fn file(out: &Path, id: &str) -> PathBuf {
    out.join(id).join(format!("{id}-positive.tif"))
}

/// Gives the codes of the positive of `record` to `take`, as bands of [`TILE`] rows and a last one of what is left. Memory holds one band.
pub fn read(
    out: &Path,
    record: &PlateRecord,
    take: &mut dyn FnMut(Image<u16>) -> Result<(), Error>,
) -> Result<(), Error> {
    let path = file(out, &record.plate);
    let damaged = |what: String| Error::new(&path, Fault::new(what, "digitize the plate again"));
    let unread = |e: tiff::TiffError| damaged(format!("cannot be read: {e}"));
    let mut decoder = Decoder::new(BufReader::new(File::open(&path).in_file(&path)?)).map_err(unread)?;
    let (w, h) = decoder.dimensions().map_err(unread)?;
    let (columns, rows) = (w as usize, h as usize);
    let (across, chunk_rows) = decoder.chunk_dimensions();
    let written = path.file_name().and_then(|name| record.outputs.iter().find(|o| name == o.file.as_str()));
    if written.is_some_and(|written| digest::sha256(&path).is_ok_and(|now| now != written.sha256)) {
        return Err(damaged("is no longer the file that was written".into()));
    }
    if [columns, rows] != record.pixels || across as usize != columns || chunk_rows == 0 {
        return Err(damaged("is not the positive that its record tells of".into()));
    }
    decoder = decoder.with_limits(Limits::unlimited());
    let mut waiting: Vec<u16> = Vec::new();
    for chunk in 0..rows.div_ceil(chunk_rows as usize) {
        let DecodingResult::U16(codes) = decoder.read_chunk(chunk as u32).map_err(unread)? else {
            return Err(damaged("is not the 16-bit gray positive that was written".into()));
        };
        waiting.extend(codes);
        while waiting.len() >= TILE * columns {
            let rest = waiting.split_off(TILE * columns);
            take(Image::from_vec(Size::new(TILE, columns), std::mem::replace(&mut waiting, rest)))?;
        }
    }
    if !waiting.is_empty() {
        take(Image::from_vec(Size::new(waiting.len() / columns, columns), waiting))?;
    }
    Ok(())
}
