//! TIFF's directories: tags and their values, in both byte orders, classic and Big, without pixels.
//!
//! In: anything that can be read and sought. Out: a [`Directory`] of fields, and values on request as integers, numbers, text
//! or bytes. Nothing is believed: every value lies inside the file and below a limit before memory is taken, a field of a
//! type not known is as if it were absent, and chains of directories end. Fails where the file is cut short.
//!
//! TIFF 6.0 (1992), section 2; BigTIFF as libtiff documents it.

use crate::error::Fault;
use std::collections::BTreeMap;
use std::io::{Read, Seek, SeekFrom};

/// Bytes of the longest value that is read: tables of offsets and lists of opcodes are far shorter.
const MAX_VALUE: u64 = 32 << 20;
/// Fields of the largest directory.
const MAX_FIELDS: u64 = 4096;
/// Directories in one chain.
const MAX_CHAIN: usize = 64;

pub mod tag {
    pub const WIDTH: u16 = 256;
    pub const LENGTH: u16 = 257;
    pub const BITS: u16 = 258;
    pub const COMPRESSION: u16 = 259;
    pub const PHOTOMETRIC: u16 = 262;
    pub const SAMPLES: u16 = 277;
    pub const SUB_IFDS: u16 = 330;
    pub const EXIF_IFD: u16 = 34665;
    pub const DNG_VERSION: u16 = 50706;
}

/// A file laid out in directories.
pub struct Tiff<R> {
    source: R,
    length: u64,
    little: bool,
    big: bool,
    first: u64,
}

/// One directory: which tags it has, and where the next one lies (0 for none).
#[derive(Debug, Clone, Default)]
pub struct Directory {
    fields: BTreeMap<u16, Field>,
    next: u64,
}

/// Type code, number of values, and where they lie in the file.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    pub kind: u16,
    pub count: u64,
    at: u64,
}

impl Directory {
    pub fn has(&self, tag: u16) -> bool {
        self.fields.contains_key(&tag)
    }

    pub fn field(&self, tag: u16) -> Option<Field> {
        self.fields.get(&tag).copied()
    }
}

impl<R: Read + Seek> Tiff<R> {
    /// Reads the header. Fails where it is not TIFF's.
    pub fn open(mut source: R) -> Result<Tiff<R>, Fault> {
        let length = source.seek(SeekFrom::End(0)).map_err(|e| crate::error::io_fault(&e))?;
        let mut tiff = Tiff { source, length, little: true, big: false, first: 0 };
        let head = tiff.bytes(0, 8)?;
        tiff.little = match &head[..2] {
            b"II" => true,
            b"MM" => false,
            _ => return Err(Fault::new("it does not begin like a TIFF", "copy it from the camera again")),
        };
        tiff.big = tiff.unsigned(&head[2..4]) == 43;
        tiff.first = if tiff.big {
            let head = tiff.bytes(8, 8)?;
            tiff.unsigned(&head)
        } else {
            tiff.unsigned(&head[4..8])
        };
        Ok(tiff)
    }

    pub fn length(&self) -> u64 {
        self.length
    }

    /// Whether numbers of several bytes begin with the lowest.
    pub fn little(&self) -> bool {
        self.little
    }

    /// Bytes of the file. Fails, before memory is taken, where they would lie beyond its end.
    pub fn bytes(&mut self, at: u64, count: u64) -> Result<Vec<u8>, Fault> {
        if at.checked_add(count).is_none_or(|end| end > self.length) {
            return Err(Fault::new(
                format!("it is cut short: {count} bytes at {at} lie beyond its end at {}", self.length),
                "copy it from the camera again",
            ));
        }
        let mut bytes = vec![0; count as usize];
        let read = self.source.seek(SeekFrom::Start(at)).and_then(|_| self.source.read_exact(&mut bytes));
        read.map_err(|e| crate::error::io_fault(&e))?;
        Ok(bytes)
    }

    /// The first directory.
    pub fn main(&mut self) -> Result<Directory, Fault> {
        self.directory(self.first)
    }

    /// The first directory and those chained to it.
    pub fn chain(&mut self) -> Result<Vec<Directory>, Fault> {
        let mut chain = vec![self.main()?];
        while let Some(at) = chain.last().map(|d| d.next).filter(|at| *at != 0 && chain.len() < MAX_CHAIN) {
            match self.directory(at) {
                Ok(directory) => chain.push(directory),
                Err(_) => break,
            }
        }
        Ok(chain)
    }

    /// The directory at a place in the file.
    pub fn directory(&mut self, at: u64) -> Result<Directory, Fault> {
        let (count_size, field_size, offset_size) = if self.big { (8, 20, 8) } else { (2, 12, 4) };
        let count = self.bytes(at, count_size)?;
        let count = self.unsigned(&count);
        if count == 0 || count > MAX_FIELDS {
            return Err(Fault::new(
                format!("a directory of {count} fields at byte {at} cannot be right"),
                "copy it from the camera again",
            ));
        }
        let start = at + count_size;
        let entries = self.bytes(start, count * field_size)?;
        let mut directory = Directory::default();
        for (i, entry) in entries.chunks_exact(field_size as usize).enumerate() {
            let (tag, kind) = (self.unsigned(&entry[..2]) as u16, self.unsigned(&entry[2..4]) as u16);
            let count = self.unsigned(&entry[4..4 + offset_size]);
            let Some(size) = size_of(kind).and_then(|one| count.checked_mul(one)) else { continue };
            let value = 4 + offset_size;
            let at = if size <= offset_size as u64 {
                start + i as u64 * field_size + value as u64
            } else {
                self.unsigned(&entry[value..])
            };
            directory.fields.entry(tag).or_insert(Field { kind, count, at });
        }
        if let Ok(next) = self.bytes(start + count * field_size, offset_size as u64) {
            directory.next = self.unsigned(&next);
        }
        Ok(directory)
    }

    /// Where directories that a field points to lie.
    pub fn pointers(&mut self, directory: &Directory, tag: u16) -> Vec<u64> {
        let mut pointers = self.integers(directory, tag).ok().flatten().unwrap_or_default();
        pointers.truncate(MAX_CHAIN);
        pointers
    }

    /// A field's values as stored. None without the field.
    pub fn value(&mut self, directory: &Directory, tag: u16) -> Result<Option<Vec<u8>>, Fault> {
        let Some(field) = directory.field(tag) else { return Ok(None) };
        let size = size_of(field.kind).and_then(|one| one.checked_mul(field.count)).unwrap_or(u64::MAX);
        if size > MAX_VALUE {
            return Err(Fault::new(
                format!("tag {tag} declares {} values, which cannot be right", field.count),
                "copy it from the camera again",
            ));
        }
        self.bytes(field.at, size).map(Some)
    }

    /// A field of whole numbers from 0 up. None without the field, or where its type is another.
    pub fn integers(&mut self, directory: &Directory, tag: u16) -> Result<Option<Vec<u64>>, Fault> {
        let Some(field) = directory.field(tag).filter(|f| matches!(f.kind, 1 | 3 | 4 | 7 | 13 | 16 | 18)) else {
            return Ok(None);
        };
        let size = size_of(field.kind).unwrap_or(1) as usize;
        let bytes = self.value(directory, tag)?.unwrap_or_default();
        Ok(Some(bytes.chunks_exact(size).map(|b| self.unsigned(b)).collect()))
    }

    /// The first of a field's whole numbers.
    pub fn integer(&mut self, directory: &Directory, tag: u16) -> Result<Option<u64>, Fault> {
        Ok(self.integers(directory, tag)?.and_then(|v| v.first().copied()))
    }

    /// A field of numbers of any type. A rational with the denominator 0 is not a number.
    pub fn numbers(&mut self, directory: &Directory, tag: u16) -> Result<Option<Vec<f64>>, Fault> {
        let Some(field) = directory.field(tag).filter(|f| f.kind != 2) else { return Ok(None) };
        let size = size_of(field.kind).unwrap_or(1) as usize;
        let bytes = self.value(directory, tag)?.unwrap_or_default();
        Ok(Some(bytes.chunks_exact(size).map(|b| self.number(field.kind, b)).collect()))
    }

    fn number(&self, kind: u16, bytes: &[u8]) -> f64 {
        match kind {
            5 => self.unsigned(&bytes[..4]) as f64 / self.unsigned(&bytes[4..]) as f64,
            10 => self.signed(&bytes[..4]) as f64 / self.signed(&bytes[4..]) as f64,
            6 | 8 | 9 | 17 => self.signed(bytes) as f64,
            11 => f64::from(f32::from_bits(self.unsigned(bytes) as u32)),
            12 => f64::from_bits(self.unsigned(bytes)),
            _ => self.unsigned(bytes) as f64,
        }
    }

    /// A field as text up to its first NUL. None without the field, or where it holds none.
    pub fn text(&mut self, directory: &Directory, tag: u16) -> Option<String> {
        directory.field(tag).filter(|f| matches!(f.kind, 2 | 129))?;
        let bytes = self.value(directory, tag).ok().flatten()?;
        let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
        let text = String::from_utf8_lossy(&bytes[..end]).trim().to_string();
        (!text.is_empty()).then_some(text)
    }

    /// An unsigned number of up to eight bytes, in the file's order.
    pub fn unsigned(&self, bytes: &[u8]) -> u64 {
        let fold = |n: u64, b: &u8| n << 8 | u64::from(*b);
        if self.little { bytes.iter().rev().fold(0, fold) } else { bytes.iter().fold(0, fold) }
    }

    fn signed(&self, bytes: &[u8]) -> i64 {
        let spare = 64 - 8 * bytes.len() as u32;
        (self.unsigned(bytes) << spare) as i64 >> spare
    }
}

/// Bytes of one value of a type.
fn size_of(kind: u16) -> Option<u64> {
    match kind {
        1 | 2 | 6 | 7 | 129 => Some(1),
        3 | 8 => Some(2),
        4 | 9 | 11 | 13 => Some(4),
        5 | 10 | 12 | 16 | 17 | 18 => Some(8),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    /// Width 640 as SHORT, a rational 1/250 at the end, in either order: the layout is that of TIFF 6.0, section 2.
    fn small(little: bool) -> Vec<u8> {
        let two = |n: u16| if little { n.to_le_bytes() } else { n.to_be_bytes() };
        let four = |n: u32| if little { n.to_le_bytes() } else { n.to_be_bytes() };
        let mut file = if little { b"II".to_vec() } else { b"MM".to_vec() };
        file.extend([&two(42)[..], &four(8), &two(3)].concat());
        file.extend([&two(256)[..], &two(3), &four(1), &two(640), &two(0)].concat());
        file.extend([&two(271)[..], &two(2), &four(3), b"ab\0\0"].concat());
        file.extend([&two(33434)[..], &two(5), &four(1), &four(50), &four(0)].concat());
        file.extend([four(1), four(250)].concat());
        file
    }

    #[test]
    fn values_read_alike_in_both_orders() {
        for little in [true, false] {
            let mut tiff = Tiff::open(Cursor::new(small(little))).unwrap();
            let main = tiff.main().unwrap();
            assert_eq!(tiff.integer(&main, 256).unwrap(), Some(640));
            assert_eq!(tiff.text(&main, 271).unwrap(), "ab");
            assert_eq!(tiff.numbers(&main, 33434).unwrap(), Some(vec![0.004]));
            assert_eq!(tiff.integer(&main, 257).unwrap(), None);
        }
    }

    #[test]
    fn a_file_cut_anywhere_is_a_fault_or_lacks_a_value() {
        let whole = small(false);
        for end in 0..whole.len() {
            if let Ok(mut tiff) = Tiff::open(Cursor::new(whole[..end].to_vec()))
                && let Ok(main) = tiff.main()
            {
                assert!(tiff.numbers(&main, 33434).is_err(), "cut at {end}");
            }
        }
    }

    #[test]
    fn a_value_longer_than_the_file_takes_no_memory() {
        let mut file = small(true);
        file[8 + 2 + 24 + 4..][..4].copy_from_slice(&u32::MAX.to_le_bytes());
        let mut tiff = Tiff::open(Cursor::new(file)).unwrap();
        let main = tiff.main().unwrap();
        assert!(tiff.numbers(&main, 33434).is_err());
    }
}
