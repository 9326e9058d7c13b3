//! The record that a TIFF carries, read from the file alone.
//!
//! In: a classic or big TIFF, by us or changed since by other programs. Out: its plate's record, which of the plate's pictures it
//! is, and a warning for each Exif field that no longer says what the record says. Fails where the file is no TIFF, or carries no
//! record that can be read. Decoding is bounded: see [`limits`].

use super::exif::{Moment, tag};
use super::{plate_xmp, xmp};
use crate::error::{Error, Fault, InFile, Warning};
use crate::record::PlateRecord;
use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;
use tiff::decoder::ifd::Value;
use tiff::decoder::{Decoder, Limits};
use tiff::tags::{IfdPointer, Tag};

/// What a TIFF says of its plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Carried {
    pub record: PlateRecord,
    /// "negative" or "positive".
    pub kind: String,
    /// Where Exif and the record differ: one of them was changed after the file was written.
    pub warnings: Vec<Warning>,
}

/// What decoding may take: strips as we write them at most (a row of 2²⁵ pixels), and XMP of a plate of very many tiles.
pub(super) fn limits() -> Limits {
    let mut limits = Limits::default();
    limits.ifd_value_size = 64 << 20;
    limits
}

/// The record in a file.
pub fn read_record(path: &Path) -> Result<Carried, Error> {
    File::open(path).in_file(path).and_then(|file| carried(BufReader::new(file)).in_file(path))
}

fn carried(file: impl Read + Seek) -> Result<Carried, Fault> {
    let mend = "name a negative or positive that hyaline wrote";
    let unread = |e: tiff::TiffError| Fault::new(format!("it cannot be read as a TIFF: {e}"), mend);
    let mut decoder = Decoder::new(file).map_err(unread)?.with_limits(limits());
    let packet = match decoder.find_tag(Tag::Unknown(700)).map_err(unread)? {
        Some(bytes) => bytes.into_u8_vec().map_err(unread)?,
        None => return Err(Fault::new("it carries no XMP, and so no plate record", mend)),
    };
    let text = String::from_utf8(packet).map_err(|_| Fault::new("its XMP is not UTF-8", mend))?;
    // Some writers close the packet with a zero byte.
    let packet = xmp::read(text.trim_end_matches('\0'))?;
    let record = plate_xmp::record(&packet)?;
    let kind = packet.text(xmp::namespace::HYALINE, plate_xmp::KIND).unwrap_or_default().to_string();
    let warnings = match exif_fields(&mut decoder) {
        Ok(fields) => differences(&record, &fields),
        Err(e) => vec![Warning::new(
            "exif-unread",
            format!("its Exif cannot be read ({e}); the record is from its XMP alone"),
        )],
    };
    Ok(Carried { record, kind, warnings })
}

/// Exif fields of the plate's exposure that the file holds.
fn exif_fields(decoder: &mut Decoder<impl Read + Seek>) -> tiff::TiffResult<Vec<(u16, Value)>> {
    let Some(pointer) = decoder.find_tag(Tag::ExifDirectory)? else { return Ok(Vec::new()) };
    let directory = decoder.read_directory(IfdPointer(pointer.into_u64()?))?;
    let mut tags = decoder.read_directory_tags(&directory);
    let wanted = [
        tag::EXPOSURE_TIME,
        tag::F_NUMBER,
        tag::FOCAL_LENGTH,
        tag::EXPOSURE_INDEX,
        tag::LENS_MODEL,
        tag::DATE_TIME_ORIGINAL,
    ];
    let mut fields = Vec::new();
    for tag in wanted {
        if let Some(value) = tags.find_tag(Tag::from_u16_exhaustive(tag))? {
            fields.push((tag, value));
        }
    }
    Ok(fields)
}

fn differences(record: &PlateRecord, fields: &[(u16, Value)]) -> Vec<Warning> {
    let exposure = &record.exposure;
    let number = |value: &Value| match value {
        Value::Rational(above, below) => Some(f64::from(*above) / f64::from(*below)),
        _ => None,
    };
    let check = |(tag, value): &(u16, Value)| {
        let (name, noted) = match *tag {
            tag::EXPOSURE_TIME => ("ExposureTime", exposure.shutter_s),
            tag::F_NUMBER => ("FNumber", exposure.aperture),
            tag::FOCAL_LENGTH => ("FocalLength", exposure.focal_length_mm),
            tag::EXPOSURE_INDEX => ("ExposureIndex", exposure.ei),
            tag => {
                let Value::Ascii(text) = value else { return None };
                let (name, noted) = if tag == tag::LENS_MODEL {
                    ("LensModel", exposure.lens.as_deref().map(super::directory::one_line))
                } else {
                    ("DateTimeOriginal", exposure.time.as_deref().and_then(Moment::parse).map(|m| m.local))
                };
                let noted = noted.unwrap_or_default();
                return (*text != noted).then(|| difference(name, text, &noted));
            }
        };
        let said = number(value)?;
        let noted = noted.unwrap_or(0.0);
        // Exif's fractions are within a billionth.
        ((said - noted).abs() > 1e-8 * noted.abs()).then(|| difference(name, &said.to_string(), &noted.to_string()))
    };
    fields.iter().filter_map(check).collect()
}

fn difference(field: &str, said: &str, noted: &str) -> Warning {
    let noted = if noted.is_empty() || noted == "0" { "nothing" } else { noted };
    Warning::new(
        "exif-differs",
        format!("Exif {field} says {said} where the plate's record says {noted}: one was changed later"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::plate_tiff::{Kind, plate_meta, tests::record};
    use crate::archive::tiff_file::{Compression, TiffFile};
    use crate::image::Size;
    use std::io::Cursor;

    fn file(limit: u64) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("K-01-negative.tif");
        let meta = plate_meta(Kind::Negative, &record(), Compression::None).unwrap();
        let mut file = TiffFile::with_classic_limit(&path, Size::new(5, 7), &meta, limit).unwrap();
        file.rows(&[300; 35]).unwrap();
        file.finish().unwrap();
        std::fs::read(path).unwrap()
    }

    #[test]
    fn the_record_comes_back_from_both_forms() {
        for limit in [u64::from(u32::MAX), 0] {
            let carried = carried(Cursor::new(file(limit))).unwrap();
            assert_eq!(carried, Carried { record: record(), kind: "negative".into(), warnings: vec![] });
        }
    }

    #[test]
    fn exif_that_was_changed_is_told() {
        let mut bytes = file(u64::from(u32::MAX));
        let at = bytes.windows(17).position(|w| w == b"rapid rectilinear").unwrap();
        bytes[at..at + 5].copy_from_slice(b"vapid");
        let carried = carried(Cursor::new(bytes)).unwrap();
        assert_eq!(carried.record, record());
        assert_eq!(carried.warnings.len(), 1);
        assert!(carried.warnings[0].message.contains("vapid rectilinear"), "{:?}", carried.warnings);
    }

    #[test]
    fn a_file_cut_short_or_changed_anywhere_never_panics() {
        let bytes = file(u64::from(u32::MAX));
        for length in (0..bytes.len()).step_by(7) {
            let _ = carried(Cursor::new(&bytes[..length]));
        }
        for place in (0..bytes.len()).step_by(5) {
            let mut changed = bytes.clone();
            changed[place] ^= 0x55;
            let _ = carried(Cursor::new(changed));
        }
    }

    #[test]
    fn a_file_without_a_record_says_so() {
        let e = carried(Cursor::new(b"not a tiff")).unwrap_err();
        assert!(e.what().contains("TIFF"), "{e}");
    }
}
