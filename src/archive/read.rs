//! What a TIFF says of its plate, read from the file alone.
//!
//! In: a classic or big TIFF, by us or changed since by other programs. Out: its plate's record, which of the plate's pictures it
//! is, and a warning for each field of Exif and XMP that no longer says what the record says; or, where another program has dropped the
//! record, the [`Terms`] that are left. Fails where the file is no TIFF, or carries nothing of ours. Decoding is bounded: see [`limits`].

use super::directory::{self, Directory};
use super::icc::Curve;
use super::plate_tiff::{Kind, plate_meta};
use super::tiff_file::Compression;
use super::xmp::namespace::{HYALINE, XMP, XMP_MM};
use super::xmp::{self, Packet, Property};
use super::{describe, plate_xmp};
use crate::error::{Error, Fault, InFile, Warning};
use crate::record::PlateRecord;
use exif::{Context, Tag as Named};
use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;
use tiff::TiffResult;
use tiff::decoder::ifd::Value;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::{IfdPointer, Tag};

const MEND: &str = "name a negative or positive that hyaline wrote";

/// Text of the first directory that tells of the plate: ImageDescription, DocumentName, Software, Artist, Copyright.
const TOLD: [u16; 5] = [270, 269, 305, 315, 33432];

/// What a TIFF says of its plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Carried {
    pub record: PlateRecord,
    /// "negative" or "positive".
    pub kind: String,
    /// Where Exif or XMP and the record differ: one of them was changed after the file was written.
    pub warnings: Vec<Warning>,
}

/// What is left where a record cannot be had back.
#[derive(Debug, Clone, PartialEq)]
pub struct Terms {
    /// Fields of the directories by their names in TIFF 6.0 and Exif 2.32, and what they say.
    pub exif: Vec<(String, String)>,
    pub xmp: Packet,
}

/// What decoding may take: strips as we write them at most (a row of 2²⁵ pixels), and XMP of a plate of very many tiles.
pub(super) fn limits() -> Limits {
    let mut limits = Limits::default();
    limits.ifd_value_size = 64 << 20;
    limits
}

/// Codes of a picture's part: the place of the first, and how many lie side by side.
pub struct Piece<'a> {
    pub top: usize,
    pub left: usize,
    pub wide: usize,
    pub codes: &'a [u16],
}

/// Gives the codes of a 16-bit gray picture of so many columns and rows, piece by piece from the top: strips of a few hundred kilobytes, as
/// we write them. Fails where the file is not such a picture.
pub fn codes(
    path: &Path,
    [columns, rows]: [usize; 2],
    mut take: impl FnMut(Piece) -> Result<(), Error>,
) -> Result<(), Error> {
    let damaged = |what: String| Error::new(path, Fault::new(what, "digitize the plate again"));
    let unread = |e: tiff::TiffError| damaged(format!("cannot be read: {e}"));
    let mut decoder = Decoder::new(BufReader::new(File::open(path).in_file(path)?)).map_err(unread)?;
    let (w, h) = decoder.dimensions().map_err(unread)?;
    if [w as usize, h as usize] != [columns, rows] {
        return Err(damaged(format!("has {w}×{h} pixels, and its record says {columns}×{rows}")));
    }
    // Nothing larger than a whole plate is met.
    decoder = decoder.with_limits(Limits::unlimited());
    let (chunk_w, chunk_h) = decoder.chunk_dimensions();
    let (chunk_w, chunk_h) = ((chunk_w as usize).max(1), (chunk_h as usize).max(1));
    let across = columns.div_ceil(chunk_w);
    for chunk in 0..across * rows.div_ceil(chunk_h) {
        let (wide, _) = decoder.chunk_data_dimensions(chunk as u32);
        let DecodingResult::U16(codes) = decoder.read_chunk(chunk as u32).map_err(unread)? else {
            return Err(damaged("is not the 16-bit gray picture that was written".into()));
        };
        let (top, left) = (chunk / across * chunk_h, chunk % across * chunk_w);
        take(Piece { top, left, wide: (wide as usize).max(1), codes: &codes })?;
    }
    Ok(())
}

/// The record in a file.
pub fn read_record(path: &Path) -> Result<Carried, Error> {
    File::open(path).in_file(path).and_then(|file| carried(BufReader::new(file)).in_file(path))
}

/// Whatever a file of ours still says, for where [`read_record`] fails.
pub fn read_terms(path: &Path) -> Result<Terms, Error> {
    File::open(path).in_file(path).and_then(|file| terms(BufReader::new(file)).in_file(path))
}

fn carried(file: impl Read + Seek) -> Result<Carried, Fault> {
    let mut decoder = open(file)?;
    let packet = packet(&mut decoder)?;
    let record = plate_xmp::record(&packet)?;
    let kind = packet.text(HYALINE, plate_xmp::KIND).unwrap_or_default().to_string();
    let warnings = match directories(&mut decoder) {
        Ok(said) => differences(&record, &kind, &said, &packet)?,
        Err(e) => vec![Warning::new(
            "exif-unread",
            format!("its Exif cannot be read ({e}); the record is from its XMP alone"),
        )],
    };
    Ok(Carried { record, kind, warnings })
}

fn terms(file: impl Read + Seek) -> Result<Terms, Fault> {
    let mut decoder = open(file)?;
    let xmp = packet(&mut decoder).unwrap_or_default();
    let said = directories(&mut decoder).unwrap_or_default();
    let ours = xmp.properties.iter().any(|property| property.name.space == HYALINE)
        || said.iter().any(
            |(_, directory)| matches!(directory.get(305), Some(directory::Value::Text(by)) if describe::is_ours(by)),
        );
    if !ours {
        return Err(Fault::new("it says nothing of a plate", MEND));
    }
    let name = |context, (tag, value): &(u16, directory::Value)| (Named(context, *tag).to_string(), told(value));
    let exif = said.iter().flat_map(|(context, directory)| directory.entries().iter().map(move |e| name(*context, e)));
    Ok(Terms { exif: exif.collect(), xmp })
}

fn open<R: Read + Seek>(file: R) -> Result<Decoder<R>, Fault> {
    Ok(Decoder::new(file).map_err(unread)?.with_limits(limits()))
}

fn unread(e: tiff::TiffError) -> Fault {
    Fault::new(format!("it cannot be read as a TIFF: {e}"), MEND)
}

fn packet(decoder: &mut Decoder<impl Read + Seek>) -> Result<Packet, Fault> {
    let packet = match decoder.find_tag(Tag::Unknown(700)).map_err(unread)? {
        Some(bytes) => bytes.into_u8_vec().map_err(unread)?,
        None => return Err(Fault::new("it carries no XMP, and so no plate record", MEND)),
    };
    let text = String::from_utf8(packet).map_err(|_| Fault::new("its XMP is not UTF-8", MEND))?;
    // Some writers close the packet with a zero byte.
    xmp::read(text.trim_end_matches('\0'))
}

type Said = Vec<(Context, Directory)>;

/// What the file's directories say of the plate: the first one's text, Exif, GPS.
fn directories(decoder: &mut Decoder<impl Read + Seek>) -> TiffResult<Said> {
    let mut first = Directory::new();
    for tag in TOLD {
        if let Some(value) = decoder.find_tag(Tag::from_u16_exhaustive(tag))?.and_then(ours) {
            first.set(tag, value);
        }
    }
    let mut said = vec![(Context::Tiff, first)];
    for (context, pointer) in [(Context::Exif, Tag::ExifDirectory), (Context::Gps, Tag::GpsDirectory)] {
        let Some(pointer) = decoder.find_tag(pointer)? else { continue };
        let entries = decoder.read_directory(IfdPointer(pointer.into_u64()?))?;
        let names: Vec<Tag> = entries.iter().map(|(tag, _)| tag).collect();
        let mut tags = decoder.read_directory_tags(&entries);
        let mut directory = Directory::new();
        for tag in names {
            if let Some(value) = tags.find_tag(tag)?.and_then(ours) {
                directory.set(tag.to_u16(), value);
            }
        }
        said.push((context, directory));
    }
    Ok(said)
}

/// A value in our own terms; none for types that we never write.
fn ours(value: Value) -> Option<directory::Value> {
    use directory::Value::{Bytes, Longs, Rationals, Shorts, Text};
    let items = match value {
        Value::Ascii(text) => return Some(Text(text)),
        Value::List(items) => items,
        one => vec![one],
    };
    match items.first()? {
        Value::Byte(_) => {
            items.iter().map(|v| if let Value::Byte(n) = v { Some(*n) } else { None }).collect::<Option<_>>().map(Bytes)
        }
        Value::Short(_) => items
            .iter()
            .map(|v| if let Value::Short(n) = v { Some(*n) } else { None })
            .collect::<Option<_>>()
            .map(Shorts),
        Value::Unsigned(_) => items
            .iter()
            .map(|v| if let Value::Unsigned(n) = v { Some(*n) } else { None })
            .collect::<Option<_>>()
            .map(Longs),
        Value::Rational(..) => items
            .iter()
            .map(|v| if let Value::Rational(a, b) = v { Some((*a, *b)) } else { None })
            .collect::<Option<_>>()
            .map(Rationals),
        _ => None,
    }
}

/// A value as text.
fn told(value: &directory::Value) -> String {
    use directory::Value::{Bytes, Longs, Opaque, Places, Rationals, Shorts, Text};
    let joined = |items: Vec<String>| items.join(" ");
    match value {
        Text(text) => text.clone(),
        Bytes(bytes) | Opaque(bytes) => {
            let text = bytes.iter().all(|b| b.is_ascii_graphic() || b" \0".contains(b));
            let text = text.then(|| String::from_utf8_lossy(bytes).replace('\0', ""));
            text.filter(|text| !text.is_empty()).unwrap_or_else(|| joined(bytes.iter().map(u8::to_string).collect()))
        }
        Shorts(items) => joined(items.iter().map(u16::to_string).collect()),
        Longs(items) => joined(items.iter().map(u32::to_string).collect()),
        Places(items) => joined(items.iter().map(u64::to_string).collect()),
        Rationals(items) => {
            let one = |(a, b): &(u32, u32)| {
                if *b > 0 && a.is_multiple_of(*b) { (a / b).to_string() } else { format!("{a}/{b}") }
            };
            joined(items.iter().map(one).collect())
        }
    }
}

/// Where the file's fields are not those that are written with such a record.
fn differences(record: &PlateRecord, kind: &str, said: &Said, packet: &Packet) -> Result<Vec<Warning>, Fault> {
    let kind = if kind == "negative" { Kind::Negative } else { Kind::Positive(Curve::Linear) };
    let meta = plate_meta(kind, record, Compression::None)?;
    let mut first = meta.tags;
    first.text(270, &meta.description);
    let mut warnings = Vec::new();
    for (context, written) in [(Context::Tiff, first), (Context::Exif, meta.exif), (Context::Gps, meta.gps)] {
        let now = said.iter().find(|(of, _)| *of == context).map(|(_, directory)| directory);
        for (tag, noted) in written.entries() {
            let value = now.and_then(|directory| directory.get(*tag));
            if !value.is_some_and(|value| same(value, noted)) {
                let name = format!("Exif {}", Named(context, *tag));
                warnings.push(difference("exif-differs", &name, value.map(told), &told(noted)));
            }
        }
    }
    // What tells of the file itself changes with every program that writes it.
    let of_file = |property: &&Property| {
        [XMP, XMP_MM].contains(&&*property.name.space) || property.name == xmp::Name::new(HYALINE, plate_xmp::RECORD)
    };
    for noted in plate_xmp::packet(record, kind)?.properties.iter().filter(|property| !of_file(property)) {
        let value = packet.get(&noted.name.space, &noted.name.local);
        if value != Some(&noted.value) {
            warnings.push(difference(
                "xmp-differs",
                &format!("XMP {}", noted.name),
                value.map(|v| v.to_string()),
                &noted.value.to_string(),
            ));
        }
    }
    Ok(warnings)
}

/// Whether two values say the same: fractions by their quotients, all else by its text, whatever type a program has written it as.
fn same(a: &directory::Value, b: &directory::Value) -> bool {
    use directory::Value::Rationals;
    let equal =
        |((a, b), (c, d)): (&(u32, u32), &(u32, u32))| u64::from(*a) * u64::from(*d) == u64::from(*b) * u64::from(*c);
    match (a, b) {
        (Rationals(a), Rationals(b)) => a.len() == b.len() && a.iter().zip(b).all(equal),
        _ => told(a) == told(b),
    }
}

fn difference(code: &str, field: &str, said: Option<String>, noted: &str) -> Warning {
    let says = said.map_or("is gone".to_string(), |said| format!("says {said}"));
    Warning::new(code, format!("{field} {says} where the plate's record says {noted}: one was changed later"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::plate_tiff::tests::record;
    use crate::archive::tiff_file::TiffFile;
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

    /// Whatever of Exif and XMP was changed is told, and what is left is told where the record is gone.
    #[test]
    fn xmp_that_was_changed_or_lost_is_told() {
        let whole = file(u64::from(u32::MAX));
        let changed = |from: &[u8], to: &[u8]| {
            let mut bytes = whole.clone();
            let at: Vec<usize> = (0..bytes.len() - from.len()).filter(|at| bytes[*at..].starts_with(from)).collect();
            assert!(!at.is_empty());
            at.iter().for_each(|at| bytes[*at..*at + to.len()].copy_from_slice(to));
            bytes
        };
        let title = carried(Cursor::new(changed(b"<dc:identifier>K-01", b"<dc:identifier>K-09"))).unwrap();
        assert_eq!(title.warnings.len(), 1, "{:?}", title.warnings);
        assert!(title.warnings[0].message.contains("dc:identifier says K-09"), "{:?}", title.warnings);

        let lost = changed(b"hyaline:record", b"hyaline:reword");
        assert!(carried(Cursor::new(&lost)).is_err());
        let left = terms(Cursor::new(&lost)).unwrap();
        let exif = |name: &str| left.exif.iter().find(|(of, _)| of == name).map(|(_, said)| said.as_str());
        assert_eq!((exif("ExposureTime"), exif("LensModel")), (Some("3"), Some("rapid rectilinear")));
        assert_eq!(exif("GPSLatitude"), Some("54 6 0"));
        assert_eq!(left.xmp.text(xmp::namespace::DC, "identifier"), Some("K-01"));

        // A program that drops XMP as a whole: tag 700 (bytes 0xbc 0x02) becomes one that nobody knows.
        let none = changed(&[0xbc, 0x02, 1, 0], &[0xbb, 0x02, 1, 0]);
        let left = terms(Cursor::new(&none)).unwrap();
        assert!(left.xmp.properties.is_empty() && left.exif.iter().any(|(name, _)| name == "ExposureTime"), "{left:?}");
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
