//! Where a plate's pixels wait between composing and writing: a nameless file beside the results, so that the number of plates costs no
//! memory, and nothing is left behind whatever ends the program.

use crate::error::{Error, InFile};
use crate::image::{Image, Size};
use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Rows of 16-bit codes, written once from the top, then read as often as wanted.
pub struct Spool {
    file: File,
    folder: PathBuf,
    columns: usize,
    rows: usize,
}

/// Rows handed over at a time.
pub const BAND: usize = 256;

impl Spool {
    /// Opens in `folder`, which must be there.
    pub fn new(folder: &Path, columns: usize) -> Result<Spool, Error> {
        let file = tempfile::tempfile_in(folder).in_file(folder)?;
        Ok(Spool { file, folder: folder.to_path_buf(), columns, rows: 0 })
    }

    /// Adds whole rows.
    pub fn push(&mut self, codes: &[u16]) -> Result<(), Error> {
        let mut out = BufWriter::with_capacity(1 << 20, &self.file);
        out.write_all(bytemuck::cast_slice(codes)).and_then(|_| out.flush()).in_file(&self.folder)?;
        self.rows += codes.len() / self.columns;
        Ok(())
    }

    pub fn size(&self) -> Size {
        Size::new(self.rows, self.columns)
    }

    /// Gives all rows again, a band at a time.
    pub fn bands(&mut self, mut take: impl FnMut(&Image<u16>) -> Result<(), Error>) -> Result<(), Error> {
        self.file.seek(SeekFrom::Start(0)).in_file(&self.folder)?;
        let mut row = 0;
        while row < self.rows {
            let size = Size::new(BAND.min(self.rows - row), self.columns);
            let mut band = Image::filled(size, 0u16);
            self.file.read_exact(bytemuck::cast_slice_mut(band.pixels_mut())).in_file(&self.folder)?;
            take(&band)?;
            row += size.rows;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_back_as_they_went_in() {
        let folder = tempfile::tempdir().unwrap();
        let mut spool = Spool::new(folder.path(), 3).unwrap();
        let codes: Vec<u16> = (0..3 * 600).map(|v| v as u16).collect();
        spool.push(&codes[..900]).unwrap();
        spool.push(&codes[900..]).unwrap();
        let mut back = Vec::new();
        spool
            .bands(|band| {
                back.extend_from_slice(band.pixels());
                Ok(())
            })
            .unwrap();
        assert_eq!(back, codes);
        assert_eq!(spool.size(), Size::new(600, 3));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
