//! Exif and TIFF structure for the demo's own captures: two directories and, in image files, one strip.
//!
//! In: entries. Out: bytes, little-endian (TIFF 6.0, section 2). Never fails; a made-up capture stays far under 4 GiB.

/// One value of a tag.
#[derive(Debug, Clone)]
pub enum Value {
    Bytes(Vec<u8>),
    Undefined(Vec<u8>),
    Text(String),
    Short(Vec<u16>),
    Long(Vec<u32>),
    Rational(Vec<(u32, u32)>),
    Signed(Vec<(i32, i32)>),
}

impl Value {
    /// TIFF's number of the type, count, and the bytes.
    fn encoded(&self) -> (u16, u32, Vec<u8>) {
        match self {
            Value::Bytes(v) => (1, v.len() as u32, v.clone()),
            Value::Undefined(v) => (7, v.len() as u32, v.clone()),
            Value::Text(s) => (2, s.len() as u32 + 1, [s.as_bytes(), &[0]].concat()),
            Value::Short(v) => (3, v.len() as u32, v.iter().flat_map(|n| n.to_le_bytes()).collect()),
            Value::Long(v) => (4, v.len() as u32, v.iter().flat_map(|n| n.to_le_bytes()).collect()),
            Value::Rational(v) => {
                (5, v.len() as u32, v.iter().flat_map(|(a, b)| pair(a.to_le_bytes(), b.to_le_bytes())).collect())
            }
            Value::Signed(v) => {
                (10, v.len() as u32, v.iter().flat_map(|(a, b)| pair(a.to_le_bytes(), b.to_le_bytes())).collect())
            }
        }
    }
}

fn pair(a: [u8; 4], b: [u8; 4]) -> Vec<u8> {
    [a, b].concat()
}

pub type Entry = (u16, Value);

const EXIF_POINTER: u16 = 34665;
const STRIP_OFFSETS: u16 = 273;

/// A whole TIFF: header, main directory, Exif directory unless it is empty, then the strip if there is one (tag 273 is filled in).
pub fn structure(mut main: Vec<Entry>, exif: Vec<Entry>, strip: Option<&[u8]>) -> Vec<u8> {
    if !exif.is_empty() {
        main.push((EXIF_POINTER, Value::Long(vec![0])));
    }
    if strip.is_some() {
        main.push((STRIP_OFFSETS, Value::Long(vec![0])));
    }
    let exif_at = 8 + length(&main);
    let strip_at = (exif_at + length(&exif)).next_multiple_of(16);
    for (tag, value) in &mut main {
        match *tag {
            EXIF_POINTER => *value = Value::Long(vec![exif_at as u32]),
            STRIP_OFFSETS => *value = Value::Long(vec![strip_at as u32]),
            _ => {}
        }
    }
    let mut out = b"II\x2a\x00\x08\x00\x00\x00".to_vec();
    directory(&mut out, main);
    if !exif.is_empty() {
        directory(&mut out, exif);
    }
    if let Some(strip) = strip {
        out.resize(strip_at, 0);
        out.extend_from_slice(strip);
    }
    out
}

/// Bytes that a directory takes, with the values that do not fit in it.
fn length(entries: &[Entry]) -> usize {
    let outside: usize = entries
        .iter()
        .map(|(_, value)| value.encoded().2.len())
        .filter(|bytes| *bytes > 4)
        .map(|bytes| bytes.next_multiple_of(2))
        .sum();
    6 + 12 * entries.len() + outside
}

fn directory(out: &mut Vec<u8>, mut entries: Vec<Entry>) {
    entries.sort_by_key(|(tag, _)| *tag);
    let mut outside_at = out.len() + 6 + 12 * entries.len();
    let mut outside = Vec::new();
    out.extend_from_slice(&(entries.len() as u16).to_le_bytes());
    for (tag, value) in &entries {
        let (kind, count, mut bytes) = value.encoded();
        out.extend_from_slice(&tag.to_le_bytes());
        out.extend_from_slice(&kind.to_le_bytes());
        out.extend_from_slice(&count.to_le_bytes());
        if bytes.len() <= 4 {
            bytes.resize(4, 0);
            out.extend_from_slice(&bytes);
        } else {
            out.extend_from_slice(&(outside_at as u32).to_le_bytes());
            bytes.resize(bytes.len().next_multiple_of(2), 0);
            outside_at += bytes.len();
            outside.extend_from_slice(&bytes);
        }
    }
    out.extend_from_slice(&[0; 4]);
    out.extend_from_slice(&outside);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read back by a library that knows Exif (kamadak-exif).
    #[test]
    fn a_reader_of_exif_finds_what_was_written() {
        let main = vec![(271, Value::Text("Salt Marsh Works".into())), (274, Value::Short(vec![6]))];
        let exif = vec![(33434, Value::Rational(vec![(1, 8)])), (34855, Value::Short(vec![50]))];
        let bytes = structure(main, exif, None);
        let read = exif::Reader::new().read_raw(bytes).unwrap();
        let field = |tag| read.get_field(tag, exif::In::PRIMARY).unwrap().display_value().to_string();
        assert_eq!(field(exif::Tag::Make), "\"Salt Marsh Works\"");
        assert_eq!(field(exif::Tag::ExposureTime), "1/8");
        assert_eq!(field(exif::Tag::PhotographicSensitivity), "50");
    }
}
