//! A 16-bit gray TIFF, written row by row.
//!
//! In: the size and what is to be said of the picture, then its rows in order, in bands of any height. Out: the file, under its
//! name only after it has been read back (by the `tiff` crate, which had no part in the writing) and found to hold the same
//! pixels, profile and XMP. Memory holds one batch of strips and their places, whatever the size.
//! Fails as the disk does, when rows are missing, and when what is read back differs.
//!
//! Form: TIFF 6.0 with BlackIsZero, strips, little-endian; BigTIFF where the file would pass 4 GiB. The directories stand after
//! the pixels, so that a compressed file's length is known before the form is chosen. 16 bits a gray sample are not in TIFF 6.0's
//! baseline but are read everywhere. Compression is deflate (8) with the horizontal predictor (2): the scheme of TIFF's
//! supplement 2 (2002) that is read most widely.

use super::atomic::Pending;
use super::digest;
use super::directory::{Directory, Form, Value, rational};
use crate::error::{Error, Fault, InFile};
use crate::image::Size;
use flate2::{Crc, write::ZlibEncoder};
use rayon::prelude::*;
use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufReader, Seek, SeekFrom, Write};
use std::path::Path;
use tiff::decoder::Decoder;
use tiff::tags::Tag;

/// How strips are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Compression {
    #[default]
    None,
    /// Lossless; about 0.7 of the size for a grainy picture.
    Deflate,
}

/// What a file says besides its pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct TiffMeta {
    /// Samples an inch on the plate, both ways alike.
    pub ppi: f64,
    /// An ICC profile's bytes.
    pub icc: Vec<u8>,
    /// An XMP packet.
    pub xmp: String,
    /// One readable line.
    pub description: String,
    /// Further tags of the first directory: Software, Artist, Copyright.
    pub tags: Directory,
    pub exif: Directory,
    pub gps: Directory,
    pub compression: Compression,
}

/// What has been written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Of the whole file.
    pub sha256: String,
    pub bytes: u64,
    pub form: Form,
}

/// Bytes of pixels in a strip: small enough to be read piecemeal, large enough to pack well.
const STRIP: usize = 256 << 10;
/// A strip's place costs 8 to 16 bytes in a directory that readers load at once, so huge files have larger strips.
const MOST_STRIPS: usize = 8192;
/// Strips that are packed at once, on all cores.
const BATCH: usize = 16;
/// zlib's default: with the predictor, higher levels gain nothing on grain and lower ones lose a third.
const DEFLATE_LEVEL: u32 = 6;
/// The last byte that a 32-bit place can name.
const CLASSIC_LIMIT: u64 = u32::MAX as u64;
/// Room for either form's header, which is written last.
const HEADER: u64 = 16;

/// A TIFF under way.
pub struct TiffFile<'a> {
    file: Pending,
    meta: &'a TiffMeta,
    size: Size,
    rows_per_strip: usize,
    rows_seen: usize,
    /// Pixels of strips that are not written yet.
    waiting: Vec<u16>,
    strips: Vec<Strip>,
    /// Where the next byte goes.
    end: u64,
    classic_limit: u64,
}

/// One strip as written.
struct Strip {
    place: u64,
    length: u64,
    /// CRC-32 of its pixels before packing.
    crc: u32,
}

impl<'a> TiffFile<'a> {
    /// Begins a file that will stand at `path`. Fails for an empty picture, one with more than 2³² − 1 rows or columns, and a
    /// sampling that is not a positive number.
    pub fn create(path: &Path, size: Size, meta: &'a TiffMeta) -> Result<Self, Error> {
        Self::with_classic_limit(path, size, meta, CLASSIC_LIMIT)
    }

    /// The same, turning BigTIFF where the file would pass another limit than 4 GiB: for trying readers of BigTIFF.
    pub fn with_classic_limit(path: &Path, size: Size, meta: &'a TiffMeta, limit: u64) -> Result<Self, Error> {
        let side = 1..=u32::MAX as usize;
        if !side.contains(&size.rows) || !side.contains(&size.columns) {
            return Err(Fault::new(format!("a picture of {size} pixels cannot be a TIFF"), "check the plate's edges"))
                .in_file(path);
        }
        if rational(meta.ppi).is_none_or(|(samples, _)| samples == 0) {
            let what = format!("{} samples an inch is no sampling", meta.ppi);
            return Err(Fault::new(what, "check the plate's size and `ppi`")).in_file(path);
        }
        let mut file = Pending::new(path)?;
        file.write_all(&[0; HEADER as usize]).in_file(path)?;
        let strip = STRIP.max(2 * size.area() / MOST_STRIPS);
        let rows_per_strip = (strip / (2 * size.columns)).clamp(1, size.rows);
        Ok(TiffFile {
            file,
            meta,
            size,
            rows_per_strip,
            rows_seen: 0,
            waiting: Vec::new(),
            strips: Vec::new(),
            end: HEADER,
            classic_limit: limit,
        })
    }

    /// Adds the next rows, end to end. Panics if they are not whole rows or more than the picture has: a mistake in the caller.
    pub fn rows(&mut self, mut pixels: &[u16]) -> Result<(), Error> {
        assert!(pixels.len().is_multiple_of(self.size.columns), "{} pixels are not whole rows", pixels.len());
        self.rows_seen += pixels.len() / self.size.columns;
        assert!(self.rows_seen <= self.size.rows, "{} rows for a picture of {}", self.rows_seen, self.size);
        let batch = self.rows_per_strip * self.size.columns * BATCH;
        while !pixels.is_empty() {
            let (now, later) = pixels.split_at(pixels.len().min(batch - self.waiting.len()));
            self.waiting.extend_from_slice(now);
            pixels = later;
            if self.waiting.len() == batch {
                self.write_waiting()?;
            }
        }
        Ok(())
    }

    /// Packs and writes the strips that wait.
    fn write_waiting(&mut self) -> Result<(), Error> {
        let (columns, compression) = (self.size.columns, self.meta.compression);
        let packed: Vec<(Cow<'_, [u8]>, u32)> = self
            .waiting
            .par_chunks(self.rows_per_strip * columns)
            .map(|strip| (pack(strip, columns, compression), crc(&little_endian(strip))))
            .collect();
        for (bytes, crc) in packed {
            self.file.write_all(&bytes).in_file(self.file.target())?;
            self.strips.push(Strip { place: self.end, length: bytes.len() as u64, crc });
            self.end += bytes.len() as u64;
        }
        self.waiting.clear();
        Ok(())
    }

    /// Writes the directories, reads the file back and gives it its name.
    pub fn finish(mut self) -> Result<Written, Error> {
        let path = self.file.target().to_path_buf();
        if self.rows_seen != self.size.rows {
            let what = format!("only {} of {} rows were made", self.rows_seen, self.size.rows);
            return Err(Fault::new(what, "run it again")).in_file(&path);
        }
        self.write_waiting()?;
        let form = self.write_directories().in_file(&path)?;
        let (synced, (read_back, digest)) =
            rayon::join(|| self.file.sync(), || rayon::join(|| self.read_back(), || digest::sha256(self.file.path())));
        synced?;
        read_back.in_file(&path)?;
        let sha256 = digest.map_err(|e| Error { file: path, ..e })?;
        self.file.commit()?;
        Ok(Written { sha256, bytes: self.end, form })
    }

    /// Exif, GPS and the first directory after the pixels, and the header before them. Chooses the form.
    fn write_directories(&mut self) -> io::Result<Form> {
        let padding = self.end % 2;
        let start = self.end + padding;
        // Their length does not depend on their place; encoded at the true place, the classic form would not hold all that is
        // beyond its limit.
        let classic = self.end <= self.classic_limit
            && start + self.directories(0, Form::Classic).0.len() as u64 <= self.classic_limit;
        let form = if classic { Form::Classic } else { Form::Big };
        let (tail, first) = self.directories(start, form);
        self.file.write_all(&vec![0; padding as usize])?;
        self.file.write_all(&tail)?;
        self.end = start + tail.len() as u64;
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&form.header(first))?;
        Ok(form)
    }

    /// The directories' bytes where they stand at `start`, and the place of the first one.
    fn directories(&self, start: u64, form: Form) -> (Vec<u8>, u64) {
        let mut tail = Vec::new();
        let mut first = self.first_directory();
        for (tag, directory) in [(34665, &self.meta.exif), (34853, &self.meta.gps)] {
            if !directory.is_empty() {
                let place = start + tail.len() as u64;
                first.set(tag, Value::Places(vec![place]));
                tail.extend(directory.encode(place, form));
            }
        }
        let place = start + tail.len() as u64;
        tail.extend(first.encode(place, form));
        (tail, place)
    }

    /// The picture's own tags (TIFF 6.0), without the pointers to Exif and GPS.
    fn first_directory(&self) -> Directory {
        let m = self.meta;
        let mut tags = m.tags.clone();
        tags.long(254, 0); // NewSubfileType: the full picture
        tags.long(256, self.size.columns as u32);
        tags.long(257, self.size.rows as u32);
        tags.short(258, 16); // BitsPerSample
        tags.short(262, 1); // PhotometricInterpretation: BlackIsZero
        tags.text(270, &m.description);
        tags.set(273, Value::Places(self.strips.iter().map(|s| s.place).collect()));
        tags.short(274, 1); // Orientation: as it lies
        tags.short(277, 1); // SamplesPerPixel
        tags.long(278, self.rows_per_strip as u32);
        tags.set(279, Value::Places(self.strips.iter().map(|s| s.length).collect()));
        let sampling = rational(m.ppi).expect("checked when the file was begun");
        tags.rational(282, sampling);
        tags.rational(283, sampling);
        tags.short(284, 1); // PlanarConfiguration
        tags.short(296, 2); // ResolutionUnit: inch
        match m.compression {
            Compression::None => tags.short(259, 1),
            Compression::Deflate => {
                tags.short(259, 8);
                tags.short(317, 2); // Predictor: horizontal differences
            }
        }
        tags.short(339, 1); // SampleFormat: unsigned
        tags.set(700, Value::Bytes(m.xmp.as_bytes().to_vec()));
        tags.set(34675, Value::Opaque(m.icc.clone()));
        tags
    }

    /// Reads the file as a stranger would, and compares. The system may answer from memory rather than from the disk.
    fn read_back(&self) -> Result<(), Fault> {
        let wrong = |what: String| Fault::new(format!("what was written reads back wrong: {what}"), "check the drive");
        let unread = |e: tiff::TiffError| wrong(e.to_string());
        let file = File::open(self.file.path()).map_err(|e| wrong(e.to_string()))?;
        let mut decoder = Decoder::new(BufReader::new(file)).map_err(unread)?.with_limits(super::read::limits());
        let size = decoder.dimensions().map_err(unread)?;
        if (size.0 as usize, size.1 as usize) != (self.size.columns, self.size.rows) {
            return Err(wrong(format!("{} by {} pixels", size.0, size.1)));
        }
        for (tag, ours) in [(Tag::IccProfile, &self.meta.icc[..]), (Tag::Unknown(700), self.meta.xmp.as_bytes())] {
            if decoder.get_tag_u8_vec(tag).map_err(unread)? != ours {
                return Err(wrong(format!("tag {}", tag.to_u16())));
            }
        }
        let mut pixels = vec![0u16; self.rows_per_strip * self.size.columns];
        for (number, strip) in self.strips.iter().enumerate() {
            let (columns, rows) = decoder.chunk_data_dimensions(number as u32);
            let part = &mut pixels[..columns as usize * rows as usize];
            decoder.read_chunk_bytes(number as u32, bytemuck::cast_slice_mut(part)).map_err(unread)?;
            if crc(&little_endian(part)) != strip.crc {
                let row = number * self.rows_per_strip;
                return Err(wrong(format!("rows {row} to {}", row + rows as usize - 1)));
            }
        }
        Ok(())
    }
}

/// A strip's bytes as the file holds them.
fn pack(strip: &[u16], columns: usize, compression: Compression) -> Cow<'_, [u8]> {
    match compression {
        Compression::None => little_endian(strip),
        Compression::Deflate => {
            let mut steps = strip.to_vec();
            for row in steps.chunks_mut(columns) {
                for i in (1..row.len()).rev() {
                    row[i] = row[i].wrapping_sub(row[i - 1]);
                }
            }
            let mut packer =
                ZlibEncoder::new(Vec::with_capacity(strip.len() * 2), flate2::Compression::new(DEFLATE_LEVEL));
            packer.write_all(&little_endian(&steps)).expect("memory takes every write");
            Cow::Owned(packer.finish().expect("memory takes every write"))
        }
    }
}

/// Pixels as little-endian bytes.
fn little_endian(pixels: &[u16]) -> Cow<'_, [u8]> {
    if cfg!(target_endian = "little") {
        Cow::Borrowed(bytemuck::cast_slice(pixels))
    } else {
        Cow::Owned(pixels.iter().flat_map(|p| p.to_le_bytes()).collect())
    }
}

fn crc(bytes: &[u8]) -> u32 {
    let mut crc = Crc::new();
    crc.update(bytes);
    crc.sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::icc::{Curve, gray_profile};
    use crate::image::Image;
    use tiff::decoder::DecodingResult;

    fn meta(compression: Compression) -> TiffMeta {
        TiffMeta {
            ppi: 1203.37,
            icc: gray_profile(Curve::Linear),
            xmp: "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\"/>".into(),
            description: "plate".into(),
            tags: Directory::new(),
            exif: Directory::new(),
            gps: Directory::new(),
            compression,
        }
    }

    /// A ramp with a texture; `columns` odd so that nothing is aligned by chance.
    fn picture(size: Size) -> Image<u16> {
        Image::from_rows(size, 0, |row, out| {
            for (column, out) in out.iter_mut().enumerate() {
                *out = (row * 977 + column * 31 + (row * column) % 41) as u16;
            }
        })
    }

    fn decode(path: &Path) -> (Vec<u16>, Decoder<BufReader<File>>) {
        let mut decoder = Decoder::new(BufReader::new(File::open(path).unwrap())).unwrap();
        let DecodingResult::U16(pixels) = decoder.read_image().unwrap() else { panic!("not 16 bits") };
        (pixels, decoder)
    }

    #[test]
    fn rows_in_any_bands_make_the_same_file() {
        let folder = tempfile::tempdir().unwrap();
        let size = Size::new(3001, 701);
        let image = picture(size);
        for compression in [Compression::None, Compression::Deflate] {
            let meta = meta(compression);
            let mut digests = Vec::new();
            for band in [1, 17, 1024, 3001] {
                let path = folder.path().join(format!("{band}.tif"));
                let mut file = TiffFile::create(&path, size, &meta).unwrap();
                image.pixels().chunks(band * size.columns).for_each(|rows| file.rows(rows).unwrap());
                let written = file.finish().unwrap();
                assert_eq!(written.sha256, digest::sha256(&path).unwrap());
                assert_eq!(written.bytes, std::fs::metadata(&path).unwrap().len());
                assert_eq!(written.form, Form::Classic);
                assert!(decode(&path).0 == image.pixels());
                digests.push(written.sha256);
            }
            digests.dedup();
            assert_eq!(digests.len(), 1);
        }
    }

    #[test]
    fn a_file_turns_big_when_the_classic_form_is_full() {
        let folder = tempfile::tempdir().unwrap();
        let size = Size::new(300, 401);
        let image = picture(size);
        for compression in [Compression::None, Compression::Deflate] {
            let meta = meta(compression);
            let path = folder.path().join("big.tif");
            let mut file = TiffFile::with_classic_limit(&path, size, &meta, 1_000).unwrap();
            file.rows(image.pixels()).unwrap();
            assert_eq!(file.finish().unwrap().form, Form::Big);
            assert_eq!(&std::fs::read(&path).unwrap()[..4], b"II\x2b\0");
            assert!(decode(&path).0 == image.pixels());
        }
    }

    /// TIFF 6.0's resolution tags: the fraction is the sampling to a billionth, the unit the inch.
    #[test]
    fn sampling_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let meta = meta(Compression::None);
        let mut file = TiffFile::create(&path, Size::new(1, 1), &meta).unwrap();
        file.rows(&[7]).unwrap();
        file.finish().unwrap();
        let (pixels, mut decoder) = decode(&path);
        assert_eq!(pixels, [7]);
        let tiff::decoder::ifd::Value::Rational(a, b) = decoder.get_tag(Tag::XResolution).unwrap() else { panic!() };
        assert!((f64::from(a) / f64::from(b) / 1203.37 - 1.0).abs() < 1e-9);
        assert_eq!(decoder.get_tag_u32(Tag::ResolutionUnit).unwrap(), 2);
    }

    #[test]
    fn a_file_with_rows_missing_gets_no_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let meta = meta(Compression::None);
        let mut file = TiffFile::create(&path, Size::new(2, 2), &meta).unwrap();
        file.rows(&[1, 2]).unwrap();
        let e = file.finish().unwrap_err();
        assert!(e.to_string().contains("only 1 of 2 rows"), "{e}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn what_reads_back_wrong_gets_no_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let meta = meta(Compression::None);
        let size = Size::new(3000, 1000);
        let mut file = TiffFile::create(&path, size, &meta).unwrap();
        file.rows(picture(size).pixels()).unwrap();
        file.strips[1].crc ^= 1; // as if the disk had changed a bit
        let e = file.finish().unwrap_err();
        assert!(e.to_string().contains("rows 131 to 261"), "{e}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn no_picture_and_no_sampling_are_errors() {
        let path = Path::new("never.tif");
        let mut meta = meta(Compression::None);
        assert!(TiffFile::create(path, Size::new(0, 4), &meta).is_err());
        for ppi in [0.0, -1.0, f64::NAN, 1e-12] {
            meta.ppi = ppi;
            assert!(TiffFile::create(path, Size::new(4, 4), &meta).is_err(), "{ppi}");
        }
    }
}
