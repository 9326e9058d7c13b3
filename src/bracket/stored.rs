//! A finished plate read back for comparing: its negative and its record from the out folder.
//!
//! In: the out folder and the plate's id. Out: a [`Stored`] plate, density above base, reduced so that its longer side keeps at most
//! [`LONG`] pixels. Fails when the plate has not been digitized, or when its files are not those that were written.
//!
//! Strips are read one by one, and light, not density, is averaged: what a coarser copy of the plate would have seen.

use super::base::PlateBase;
use crate::archive::read::codes;
use crate::error::{Error, Fault};
use crate::image::{Image, Size};
use crate::record::PlateRecord;
use crate::units::{Density, NetDensity, Transmittance};
use std::path::{Path, PathBuf};

/// Longest side kept, in pixels: finer than any screen, and six plates fit into memory.
pub const LONG: usize = 6000;
/// Half a step of the file's code: what black is read as.
const FLOOR: Transmittance = Transmittance(0.5 / 65535.0);

pub struct Stored {
    pub record: PlateRecord,
    /// Above `base.counted`.
    pub density: Image<NetDensity>,
    pub base: PlateBase,
    /// Millimetres in one pixel of `density`.
    pub mm_per_px: f64,
    /// Pixels of the file in one of `density`.
    pub full_per_px: f64,
}

/// The plate's negative.
pub fn negative(out: &Path, id: &str) -> PathBuf {
    out.join(id).join(format!("{id}-negative.tif"))
}

/// What was recorded of the plate.
pub fn record(out: &Path, id: &str) -> Result<PlateRecord, Error> {
    let path = out.join(id).join(format!("{id}-record.json"));
    let again = || format!("digitize plate {id} first");
    let text = std::fs::read_to_string(&path).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => Error::new(&path, Fault::new("there is no such file", again())),
        _ => Error::new(&path, crate::error::io_fault(&e)),
    })?;
    serde_json::from_str(&text)
        .map_err(|e| Error::at_line(&path, e.line(), Fault::new(format!("is no plate's record: {e}"), again())))
}

pub fn load(out: &Path, id: &str) -> Result<Stored, Error> {
    let record = record(out, id)?;
    let file = negative(out, id);
    let (light, by) = light(&file, &record)?;
    let base = PlateBase::of(&record.base);
    let counted = Density(base.counted as f32);
    let density = light.map(|t| Transmittance(t).density(FLOOR).above(counted));
    Ok(Stored { mm_per_px: record.mm_per_px * by as f64, full_per_px: by as f64, record, density, base })
}

impl Stored {
    /// Density above `base.counted` from which on the capture no longer tells one from another.
    pub fn deepest(&self) -> Option<f64> {
        self.record.density.steps_told().map(|deepest| deepest + self.base.stands_on - self.base.counted)
    }
}

/// Mean transmittance over squares of the file's pixels, and their side.
fn light(path: &Path, record: &PlateRecord) -> Result<(Image<f32>, usize), Error> {
    let [columns, rows] = record.pixels;
    let by = columns.max(rows).div_ceil(LONG).max(1);
    let size = Size::new(rows / by, columns / by);
    let mut sums = Image::filled(size, 0f32);
    codes(path, record.pixels, |piece| {
        for (line, row) in piece.codes.chunks_exact(piece.wide).enumerate() {
            let at = (piece.top + line) / by;
            if at >= size.rows {
                continue;
            }
            let sums = sums.row_mut(at);
            for (i, code) in row.iter().enumerate() {
                if let Some(sum) = sums.get_mut((piece.left + i) / by) {
                    *sum += f32::from(*code);
                }
            }
        }
        Ok(())
    })?;
    let share = 1.0 / (65535.0 * (by * by) as f32);
    Ok((sums.map(|sum| sum * share), by))
}
