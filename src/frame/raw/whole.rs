//! Whether a maker's raw file is whole, and whether the decoder will come to the end of it.
//!
//! In: the file. Out: nothing, or a fault where samples lie beyond its end (the decoder would take zeros for them), and where its
//! directories lead in a circle: the decoder follows them ten deep, as often as they name each other, and keeps every one, so that
//! a file of a few hundred bytes could take all memory and all time.
//!
//! Directories are followed as `rawloader` 0.37 follows them, through repeated fields, pointers of odd types and maker notes, since
//! what is passed over here might be a circle there. Where it would give up, more may be followed here, never less.

use crate::error::Fault;
use crate::frame::ifd::tag;
use crate::frame::limits::damaged;

/// Directories of the richest raw file are a dozen or two.
const MAX_DIRECTORIES: usize = 256;

/// Directories within directories, as deep as the decoder goes.
const DEEPEST: u32 = 10;

/// Fields of the largest directory that the decoder reads.
const MAX_FIELDS: usize = 4000;

/// Zeros that the decoder sets behind the file, and takes for part of it.
const BEHIND: usize = 16;

/// Tags that lead to directories below: of any TIFF, of Exif, and of three makers.
const BELOW: [u16; 5] = [tag::SUB_IFDS, tag::EXIF_IFD, 0xf000, 0x8290, 0xfe00];
const MAKER_NOTE: u16 = 0x927c;
/// In Olympus's note: where a further directory lies, counted from the note.
const PROCESSING: u16 = 0x2040;

const STRIP_OFFSETS: u16 = 273;
const STRIP_BYTES: u16 = 279;

/// Checks the file.
pub fn check(bytes: &[u8]) -> Result<(), Fault> {
    let mut walk = Walk { came_to: 0, processing: Vec::new(), beyond: None, length: bytes.len() };
    if bytes.starts_with(b"\0MRM") {
        walk.directory(from(bytes, block(bytes)?), 8, 0, 0, false)?;
    } else if is_heap(bytes) {
        let start = number(bytes, 2, 4, true).unwrap_or(0);
        walk.heap(bytes, start, bytes.len(), 1)?;
    } else if bytes.starts_with(b"FUJIFILM") {
        let word = |at: usize| number(bytes, at, 4, false).unwrap_or(0);
        walk.root(from(bytes, on(word(84), 12)))?;
        walk.root(from(bytes, word(100)))?;
        [84, 92, 100].iter().for_each(|at| walk.part(word(*at), word(at + 4)));
    } else {
        walk.root(bytes)?;
    }
    match walk.beyond {
        Some((at, count)) => Err(Fault::new(
            format!("it is cut short: {count} bytes at {at} lie beyond its end at {}", bytes.len()),
            "copy it from the camera again",
        )),
        None => Ok(()),
    }
}

/// The part laid out like TIFF: the whole file, a block of it where the maker wraps it (MRW's TTW), or nothing.
pub fn tiff_part(bytes: &[u8]) -> &[u8] {
    if bytes.starts_with(b"\0MRM") {
        block(bytes).map_or(&[], |at| from(bytes, at))
    } else if is_heap(bytes) {
        &[]
    } else {
        bytes
    }
}

/// Where the block begins that is laid out like TIFF. The decoder takes the last of several, and the file where there is none.
fn block(bytes: &[u8]) -> Result<usize, Fault> {
    let end = on(number(bytes, 4, 4, false).unwrap_or(0), 8);
    let (mut at, mut found) = (8, 0);
    while at + 20 < end {
        let (Some(name), Some(length)) = (bytes.get(at..at + 4), number(bytes, at + 4, 4, false)) else { break };
        if name == b"\0TTW" {
            found = at + 8;
        }
        match on(length, 8) {
            0 => return Err(circle()),
            step => at += step,
        }
    }
    Ok(found)
}

/// Canon's older files: heaps within heaps in place of directories.
fn is_heap(bytes: &[u8]) -> bool {
    bytes.get(6..14) == Some(b"HEAPCCDR")
}

fn circle() -> Fault {
    damaged("its directories lead in a circle")
}

struct Walk {
    came_to: usize,
    processing: Vec<usize>,
    /// Samples that lie beyond the file's end: where, and how many bytes.
    beyond: Option<(usize, usize)>,
    length: usize,
}

impl Walk {
    fn came(&mut self) -> Result<(), Fault> {
        self.came_to += 1;
        if self.came_to > MAX_DIRECTORIES { Err(circle()) } else { Ok(()) }
    }

    /// All bits set stand for "elsewhere".
    fn part(&mut self, at: usize, count: usize) {
        if at != u32::MAX as usize && at.saturating_add(count) > self.length {
            self.beyond.get_or_insert((at, count));
        }
    }

    /// A TIFF and the chain of its directories.
    fn root(&mut self, tiff: &[u8]) -> Result<(), Fault> {
        let little = match tiff.get(..2) {
            Some(b"II") => true,
            Some(b"MM") => false,
            _ => return Ok(()),
        };
        let mut next = number(tiff, 4, 4, little);
        while let Some(at) = next {
            self.directory(tiff, at, 0, 0, little)?;
            let fields = number(tiff, at, 2, little).filter(|n| *n <= MAX_FIELDS);
            next = fields.and_then(|n| number(tiff, at + 2 + 12 * n, 4, little)).filter(|at| *at != 0);
        }
        Ok(())
    }

    /// A directory and those below it. Places in it are counted from `base` bytes before `tiff`.
    fn directory(&mut self, tiff: &[u8], at: usize, base: usize, depth: u32, little: bool) -> Result<(), Fault> {
        self.came()?;
        let Some(fields) = number(tiff, at, 2, little).filter(|n| *n <= MAX_FIELDS) else { return Ok(()) };
        let (mut places, mut lengths) = (None, None);
        for i in 0..fields {
            let Some(field) = Field::read(tiff, at + 2 + 12 * i, base, little) else { break };
            match field.tag {
                STRIP_OFFSETS => places = Some(field),
                STRIP_BYTES => lengths = Some(field),
                PROCESSING => self.processing.extend(field.values().next()),
                MAKER_NOTE if depth < DEEPEST => {
                    // What a note calls a place is its maker's affair.
                    let beyond = self.beyond;
                    self.maker_note(tiff, field.at, base, depth + 1, little)?;
                    self.beyond = beyond;
                }
                below if BELOW.contains(&below) && depth < DEEPEST => {
                    for at in field.values() {
                        self.directory(tiff, at, base, depth + 1, little)?;
                    }
                }
                _ => {}
            }
        }
        if let (Some(places), Some(lengths)) = (places, lengths) {
            places.values().zip(lengths.values()).for_each(|(at, count)| self.part(at, count));
        }
        Ok(())
    }

    /// A maker's note: a directory behind a name, at places counted from somewhere else in some.
    fn maker_note(&mut self, tiff: &[u8], at: usize, base: usize, depth: u32, little: bool) -> Result<(), Fault> {
        let note = from(tiff, at);
        let little_from = |at: usize| note.get(at..at + 2) == Some(b"II");
        if note.starts_with(b"OLYMP") {
            let named = note.starts_with(b"OLYMPUS");
            let before = self.processing.len();
            self.directory(tiff, at + if named { 12 } else { 8 }, base, depth, little)?;
            let further = self.processing[before..].to_vec();
            return further.iter().filter(|_| named).try_for_each(|further| {
                self.directory(from(tiff, at.saturating_add(*further)), 0, *further, depth, little)
            });
        }
        if note.starts_with(b"PENTAX") {
            return self.directory(note, 10, base, depth, little_from(8));
        }
        if note.starts_with(b"Nikon\0\x02") {
            return self.directory(from(note, 10), 8, base, depth, little_from(10));
        }
        let mut name = if note.starts_with(b"EPSON") { 8 } else { 4 * usize::from(note.starts_with(b"AOC\0")) };
        let mut order = little;
        for (mark, means) in [(b"II", true), (b"MM", false)] {
            if note.get(name..name + 2) == Some(mark) {
                (name, order) = (name + 2, means);
            }
        }
        self.directory(tiff, at + name, base, depth, order)
    }

    /// A heap and those in it: values, then a table of what they are, then the table's place.
    fn heap(&mut self, bytes: &[u8], start: usize, end: usize, depth: u32) -> Result<(), Fault> {
        self.came()?;
        let values = end.checked_sub(4).and_then(|at| number(bytes, at, 4, true));
        let Some(table) = values.map(|values| start + values) else { return Ok(()) };
        for i in 0..number(bytes, table, 2, true).unwrap_or(0) {
            let at = table + 2 + 10 * i;
            let [mark, size, place] = [(at, 2), (at + 2, 4), (at + 6, 4)].map(|(at, n)| number(bytes, at, n, true));
            let (Some(mark), Some(size), Some(place)) = (mark, size, place) else { break };
            let (size, place) = if mark & 0xc000 == 0 { (size, start + place) } else { (8, at + 2) };
            if matches!(mark & 0x3800, 0x2800 | 0x3000) && depth < DEEPEST {
                self.heap(bytes, place, place + size, depth + 1)?;
            }
        }
        Ok(())
    }
}

/// A field of a directory: its values lie at `at`.
struct Field<'a> {
    tiff: &'a [u8],
    little: bool,
    tag: u16,
    kind: usize,
    count: usize,
    at: usize,
}

impl<'a> Field<'a> {
    fn read(tiff: &'a [u8], at: usize, base: usize, little: bool) -> Option<Field<'a>> {
        let [tag, kind, count, place] =
            [(at, 2), (at + 2, 2), (at + 4, 4), (at + 8, 4)].map(|(at, n)| number(tiff, at, n, little));
        // A type that is not known is taken for bytes.
        let kind = kind.filter(|kind| (1..14).contains(kind)).unwrap_or(1);
        let size = [0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4][kind];
        let count = count?;
        let at = if count * size <= 4 { at + 8 } else { place?.wrapping_sub(base) };
        Some(Field { tiff, little, tag: tag? as u16, kind, count, at })
    }

    /// Whole numbers, as far as they lie in the file.
    fn values(&self) -> impl Iterator<Item = usize> {
        let size = match self.kind {
            1 => 1,
            3 | 8 => 2,
            4 | 7 | 9 | 13 => 4,
            _ => usize::MAX,
        };
        (0..self.count)
            .map_while(move |i| number(self.tiff, i.checked_mul(size)?.checked_add(self.at)?, size, self.little))
    }
}

/// A sum as the decoder makes it, in 32 bits.
fn on(number: usize, more: u32) -> usize {
    (number as u32).wrapping_add(more) as usize
}

/// What begins at a place: nothing beyond the end.
fn from(bytes: &[u8], at: usize) -> &[u8] {
    bytes.get(at..).unwrap_or_default()
}

/// A number of up to four bytes. None where it does not lie in the file, or just behind it.
fn number(bytes: &[u8], at: usize, count: usize, little: bool) -> Option<usize> {
    let end = at.checked_add(count).filter(|end| *end <= bytes.len() + BEHIND)?;
    let byte = |at: usize| usize::from(bytes.get(at).copied().unwrap_or(0));
    let fold = |n: usize, at: usize| n << 8 | byte(at);
    Some(if little { (at..end).rev().fold(0, fold) } else { (at..end).fold(0, fold) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A big-endian directory of fields: tag, type, number of values, and the value or its place.
    fn directory(fields: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        let field = |&(tag, kind, count, value): &(u16, u16, u32, u32)| {
            [&tag.to_be_bytes()[..], &kind.to_be_bytes(), &count.to_be_bytes(), &value.to_be_bytes()].concat()
        };
        let fields: Vec<u8> = fields.iter().flat_map(field).collect();
        [&(fields.len() as u16 / 12).to_be_bytes()[..], &fields, &[0; 4]].concat()
    }

    fn tiff(fields: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        [b"MM\0*\0\0\0\x08".to_vec(), directory(fields), vec![0; 64]].concat()
    }

    /// A file of Minolta's: its first block is `pad`, its second a TIFF that leads into itself.
    fn blocks(pad: &[u8], length: u32) -> Vec<u8> {
        let inner = tiff(&[(330, 4, 1, 8); 20]);
        let block = |name: &[u8], body: &[u8], length: u32| [name, &length.to_be_bytes(), body].concat();
        let body = [block(b"\0PAD", pad, length), block(b"\0TTW", &inner, inner.len() as u32), vec![0; 24]].concat();
        block(b"\0MRM", &body, body.len() as u32)
    }

    fn circles(file: &[u8]) -> bool {
        check(file).is_err_and(|fault| fault.what().contains("circle"))
    }

    /// Each of these kept the decoder busy, taking memory as it went, for as long as one would wait.
    #[test]
    fn circles_are_found_where_the_decoder_would_go_round() {
        assert!(circles(&tiff(&[(330, 4, 1, 8); 12])), "a field repeated");
        assert!(circles(&tiff(&[(MAKER_NOTE, 4, 3, 8); 12])), "maker notes");
        let pointers = [&tiff(&[(330, 0, 32, 26)])[..26], &[8; 96]].concat();
        assert!(circles(&pointers), "a type that is not known is taken for bytes");
        let further = [&[(PROCESSING, 4, 1, 12)][..], &[(330, 4, 1, 0); 12]].concat();
        let note = [b"OLYMPUS\0MM\0\0".to_vec(), directory(&further)].concat();
        assert!(circles(&[&tiff(&[(MAKER_NOTE, 7, 9, 26)])[..26], &note].concat()), "a note's further directory");
        assert!(circles(&blocks(b"\0TTW1234", 8)), "behind what only looks like a block's name");
        assert!(circles(&blocks(b"", u32::MAX - 7)), "a block that is followed by itself");
        let entry = [&0x300a_u16.to_le_bytes()[..], &166u32.to_le_bytes(), &[0; 4]].concat();
        let heap = [&16u16.to_le_bytes()[..], &entry.repeat(16), &[0; 4]].concat();
        assert!(circles(&[b"II\x1a\0\0\0HEAPCCDR".to_vec(), vec![0; 12], heap].concat()), "heaps");
    }

    #[test]
    fn what_leads_to_an_end_is_left_to_the_decoder() {
        for file in
            [&b""[..], b"II*\0", b"MM\0*\xff\xff\xff\xff", b"\0MRM", b"FUJIFILMCCD-RAW", b"II\x1a\0\0\0HEAPCCDR"]
        {
            assert_eq!(check(file), Ok(()), "{file:?}");
        }
        assert_eq!(check(&tiff(&[(330, 4, 2, 9000), (MAKER_NOTE, 7, 500, 40), (34665, 4, 1, 70)])), Ok(()));
        let note = directory(&[(STRIP_OFFSETS, 4, 1, 90), (STRIP_BYTES, 4, 1, 100)]);
        let noted = [&tiff(&[(MAKER_NOTE, 7, 30, 26)])[..26], &note].concat();
        assert_eq!(check(&noted), Ok(()), "a maker's own places");
        let cut = check(&tiff(&[(STRIP_OFFSETS, 4, 1, 90), (STRIP_BYTES, 4, 1, 100)])).unwrap_err();
        assert!(cut.what().contains("100 bytes at 90"), "{cut}");
    }
}
