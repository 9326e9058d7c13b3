//! TIFF directories: tags and values to bytes, in the classic form and in BigTIFF's.
//!
//! In: tags with values, in any order, and the place in the file at which they will stand. Out: the directory followed by the
//! values that do not fit into it, little-endian, entries sorted by tag, every value at an even place, as TIFF 6.0 asks.
//! Pointers to other directories are LONG (LONG8 in BigTIFF): several readers lose what a pointer of type IFD points to.
//! Fails never: a place beyond 4 GiB in the classic form is a mistake in the caller.

/// Which of the two forms a file has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// TIFF 6.0: places are 32-bit, so files end below 4 GiB.
    Classic,
    /// BigTIFF (version 43): places are 64-bit.
    Big,
}

/// What a tag holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    Bytes(Vec<u8>),
    /// Text as UTF-8; its closing NUL is added. Readers show UTF-8 here, and TIFF 6.0 knows no other type for it.
    Text(String),
    Shorts(Vec<u16>),
    Longs(Vec<u32>),
    /// Numerator and denominator.
    Rationals(Vec<(u32, u32)>),
    /// Bytes whose meaning the tag gives.
    Opaque(Vec<u8>),
    /// Places and lengths in the file: LONG, or LONG8 in BigTIFF.
    Places(Vec<u64>),
}

/// Tags and values.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Directory {
    entries: Vec<(u16, Value)>,
}

impl Directory {
    pub fn new() -> Self {
        Directory::default()
    }

    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Adds a tag; a directory holds each tag once.
    pub fn set(&mut self, tag: u16, value: Value) {
        debug_assert!(self.get(tag).is_none(), "tag {tag} twice");
        self.entries.push((tag, value));
    }

    pub fn short(&mut self, tag: u16, value: u16) {
        self.set(tag, Value::Shorts(vec![value]));
    }

    pub fn long(&mut self, tag: u16, value: u32) {
        self.set(tag, Value::Longs(vec![value]));
    }

    pub fn rational(&mut self, tag: u16, value: (u32, u32)) {
        self.set(tag, Value::Rationals(vec![value]));
    }

    /// Adds text as one line: control characters, which would end or break the field for some reader, become spaces.
    pub fn text(&mut self, tag: u16, text: &str) {
        let line = one_line(text);
        if !line.is_empty() {
            self.set(tag, Value::Text(line));
        }
    }

    pub fn get(&self, tag: u16) -> Option<&Value> {
        self.entries.iter().find(|(t, _)| *t == tag).map(|(_, value)| value)
    }

    pub fn entries(&self) -> &[(u16, Value)] {
        &self.entries
    }

    /// The directory's bytes and its values', for a directory that will stand at `place` (even) and ends the chain.
    pub fn encode(&self, place: u64, form: Form) -> Vec<u8> {
        debug_assert!(place.is_multiple_of(2));
        let mut entries: Vec<&(u16, Value)> = self.entries.iter().collect();
        entries.sort_by_key(|(tag, _)| *tag);
        let (count_width, entry_width, word) = form.widths();
        let table = count_width + entry_width * entries.len() + word;
        let mut out = Vec::with_capacity(table);
        let mut values = Vec::new();
        form.push(&mut out, entries.len() as u64, count_width);
        for (tag, value) in entries {
            let (kind, count, mut bytes) = value.encode(form);
            out.extend(tag.to_le_bytes());
            out.extend(kind.to_le_bytes());
            form.push(&mut out, count, word);
            if bytes.len() <= word {
                bytes.resize(word, 0);
                out.append(&mut bytes);
            } else {
                form.push(&mut out, place + (table + values.len()) as u64, word);
                values.append(&mut bytes);
                values.resize(values.len().next_multiple_of(2), 0);
            }
        }
        form.push(&mut out, 0, word);
        out.append(&mut values);
        out
    }
}

impl Form {
    /// Bytes of a directory's count, of one entry, and of a place.
    fn widths(self) -> (usize, usize, usize) {
        match self {
            Form::Classic => (2, 12, 4),
            Form::Big => (8, 20, 8),
        }
    }

    /// The first bytes of a file: byte order, version, place of the first directory.
    pub fn header(self, first: u64) -> Vec<u8> {
        let mut out = b"II".to_vec();
        match self {
            Form::Classic => out.extend(42u16.to_le_bytes()),
            Form::Big => out.extend([43u16, 8, 0].iter().flat_map(|n| n.to_le_bytes())),
        }
        self.push(&mut out, first, self.widths().2);
        out
    }

    /// The low `width` bytes of a number, lowest first.
    fn push(self, out: &mut Vec<u8>, number: u64, width: usize) {
        let bytes = number.to_le_bytes();
        assert!(bytes[width..].iter().all(|byte| *byte == 0), "{number} does not fit into {self:?} TIFF");
        out.extend(&bytes[..width]);
    }
}

impl Value {
    /// Type number, count and bytes.
    fn encode(&self, form: Form) -> (u16, u64, Vec<u8>) {
        match self {
            Value::Bytes(v) => (1, v.len() as u64, v.clone()),
            Value::Text(text) => (2, text.len() as u64 + 1, [text.as_bytes(), &[0]].concat()),
            Value::Shorts(v) => (3, v.len() as u64, v.iter().flat_map(|n| n.to_le_bytes()).collect()),
            Value::Longs(v) => (4, v.len() as u64, v.iter().flat_map(|n| n.to_le_bytes()).collect()),
            Value::Rationals(v) => {
                (5, v.len() as u64, v.iter().flat_map(|(a, b)| [*a, *b]).flat_map(|n| n.to_le_bytes()).collect())
            }
            Value::Opaque(v) => (7, v.len() as u64, v.clone()),
            Value::Places(v) => {
                let (kind, width) = if form == Form::Classic { (4, 4) } else { (16, 8) };
                let mut bytes = Vec::with_capacity(v.len() * width);
                v.iter().for_each(|n| form.push(&mut bytes, *n, width));
                (kind, v.len() as u64, bytes)
            }
        }
    }
}

/// Text on one line: runs of spaces and control characters become one space.
pub fn one_line(text: &str) -> String {
    text.split(|c: char| c.is_whitespace() || c.is_control())
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

/// The simplest fraction within a billionth of a number, as Exif's RATIONAL holds it. None for what it cannot hold: negative
/// numbers, those above 2³² − 1, and those that are not finite. Method: convergents of the continued fraction.
pub fn rational(number: f64) -> Option<(u32, u32)> {
    if !(0.0..=f64::from(u32::MAX)).contains(&number) {
        return None;
    }
    let (mut before, mut now) = ((0u64, 1u64), (1u64, 0u64));
    let mut rest = number;
    loop {
        let whole = rest.floor();
        let next = (whole as u64 * now.0 + before.0, whole as u64 * now.1 + before.1);
        if next.0 > u64::from(u32::MAX) || next.1 > u64::from(u32::MAX) {
            break;
        }
        (before, now) = (now, next);
        let error = (now.0 as f64 / now.1 as f64 - number).abs();
        if error <= number * 1e-9 || rest - whole < 1e-12 {
            break;
        }
        rest = 1.0 / (rest - whole);
        if rest > f64::from(u32::MAX) {
            break;
        }
    }
    Some((now.0 as u32, now.1 as u32))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// TIFF 6.0 (1992), section 2: header, 12-byte entries sorted by tag, values of up to four bytes inside the entry,
    /// left-justified, longer ones at even places, and a closing 4-byte zero.
    #[test]
    fn a_classic_directory_lies_as_tiff_6_0_draws_it() {
        let mut directory = Directory::new();
        directory.text(305, "abcde");
        directory.short(256, 0x1234);
        let bytes = directory.encode(8, Form::Classic);
        #[rustfmt::skip]
        let expected = [
            2, 0,
            0, 1, 3, 0, 1, 0, 0, 0, 0x34, 0x12, 0, 0,
            0x31, 1, 2, 0, 6, 0, 0, 0, 38, 0, 0, 0,
            0, 0, 0, 0,
            b'a', b'b', b'c', b'd', b'e', 0,
        ];
        assert_eq!(bytes, expected);
        assert_eq!(Form::Classic.header(8), [b'I', b'I', 42, 0, 8, 0, 0, 0]);
    }

    /// BigTIFF: version 43, offset size 8, a zero, then 8-byte counts and places in 20-byte entries (from memory of the
    /// design as libtiff documents it).
    #[test]
    fn a_big_directory_has_wide_counts_and_places() {
        let mut directory = Directory::new();
        directory.set(273, Value::Places(vec![1 << 32]));
        let bytes = directory.encode(16, Form::Big);
        let expected = [
            1, 0, 0, 0, 0, 0, 0, 0, 0x11, 1, 16, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0,
            0, 0,
        ];
        assert_eq!(bytes, expected);
        assert_eq!(Form::Big.header(16), [b'I', b'I', 43, 0, 8, 0, 0, 0, 16, 0, 0, 0, 0, 0, 0, 0]);
    }

    #[test]
    fn fractions_are_the_ones_a_photographer_writes() {
        let cases =
            [(0.25, (1, 4)), (1.0 / 60.0, (1, 60)), (3.0, (3, 1)), (5.6, (28, 5)), (0.0, (0, 1)), (2.5, (5, 2))];
        for (number, fraction) in cases {
            assert_eq!(rational(number), Some(fraction), "{number}");
        }
        for number in [-1.0, f64::NAN, f64::INFINITY, 4294967296.0] {
            assert_eq!(rational(number), None, "{number}");
        }
    }

    #[test]
    fn any_fraction_is_near_its_number() {
        for number in [1e-9, 1e-5, 0.333, std::f64::consts::PI, 1_203.372_918, 65535.5, 4294967295.0] {
            let (a, b) = rational(number).unwrap();
            assert!(
                (f64::from(a) / f64::from(b) - number).abs() <= (number * 1e-9).max(0.5 / 4294967295.0),
                "{number} {a}/{b}"
            );
        }
    }

    #[test]
    fn text_stays_on_one_line() {
        assert_eq!(one_line(" a\r\n\tb\0c  d\u{85}e "), "a b c d e");
    }
}
