//! Where a plate's pixels wait between composing and writing: a nameless file beside the results, so that the number of plates costs no
//! memory, and nothing is left behind whatever ends the program. Pixels that wait for another run are given a name.

use crate::archive::atomic::Pending;
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

    /// Opens what [`Spool::keep`] wrote.
    pub fn kept(path: &Path, columns: usize) -> Result<Spool, Error> {
        let file = File::open(path).in_file(path)?;
        let rows = file.metadata().in_file(path)?.len() as usize / 2 / columns.max(1);
        Ok(Spool { file, folder: path.to_path_buf(), columns, rows })
    }

    /// Writes all rows under a name, in this machine's order of bytes.
    pub fn keep(&mut self, path: &Path) -> Result<(), Error> {
        let mut kept = Pending::new(path)?;
        self.bands(|band| kept.write_all(bytemuck::cast_slice(band.pixels())).in_file(path))?;
        kept.commit()
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

        let path = folder.path().join("codes");
        spool.keep(&path).unwrap();
        let mut kept = Spool::kept(&path, 3).unwrap();
        let mut again = Vec::new();
        kept.bands(|band| {
            again.extend_from_slice(band.pixels());
            Ok(())
        })
        .unwrap();
        assert_eq!((again, kept.size()), (codes, Size::new(600, 3)));
    }
}
