//! Lossless JPEG: one strip or tile of a raw image.
//!
//! In: a stream (SOI to EOI) of one frame of 1 to 4 components at full resolution. Out: its samples, components interleaved,
//! row by row. Reads every predictor, restart intervals, the point transform, and depths of 2 to 16 bits. Fails on a stream
//! that ends before its samples do, on codes that are in no table, and on any other kind of JPEG.
//!
//! ITU-T T.81 (ISO/IEC 10918-1), annexes C (tables), F.2.2.3 (Huffman decoding) and H (lossless mode).

use crate::error::Fault;
use crate::frame::limits::damaged;

/// Samples of one stream.
pub struct Plane {
    pub samples: Vec<u16>,
}

/// Decodes a stream of at most `most` samples: what its strip or tile has room for.
pub fn decode(stream: &[u8], most: usize) -> Result<Plane, Fault> {
    let mut tables: [Option<Table>; 4] = [None, None, None, None];
    let (mut frame, mut restart) = (None, 0usize);
    let mut at = 2;
    if !stream.starts_with(&[0xff, 0xd8]) {
        return Err(damaged("a lossless JPEG that does not begin as one"));
    }
    loop {
        let Some(&[0xff, marker, high, low]) = stream.get(at..at + 4) else {
            return Err(damaged("a lossless JPEG is cut short"));
        };
        if marker == 0xff {
            at += 1;
            continue;
        }
        let length = usize::from(u16::from_be_bytes([high, low]));
        let body = stream.get(at + 4..at + 2 + length).ok_or_else(|| damaged("a lossless JPEG is cut short"))?;
        at += 2 + length;
        match marker {
            0xc3 => frame = Some(Header::read(body, most)?),
            0xc0..=0xc2 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf => {
                return Err(Fault::new(
                    "its raw data are lossy JPEG, which is not read",
                    "set the camera to lossless raw",
                ));
            }
            0xc4 => define(body, &mut tables)?,
            0xdd if body.len() >= 2 => restart = usize::from(u16::from_be_bytes([body[0], body[1]])),
            0xda => {
                let header = frame.ok_or_else(|| damaged("a scan before its frame"))?;
                return scan(&header, body, &tables, restart, &stream[at..]);
            }
            _ => {}
        }
    }
}

struct Header {
    bits: u32,
    rows: usize,
    columns: usize,
    /// Identifiers of the components, in order.
    components: Vec<u8>,
}

impl Header {
    fn read(body: &[u8], most: usize) -> Result<Header, Fault> {
        let &[bits, r1, r0, c1, c0, count, ref rest @ ..] = body else {
            return Err(damaged("a frame header is too short"));
        };
        let (rows, columns) = (usize::from(u16::from_be_bytes([r1, r0])), usize::from(u16::from_be_bytes([c1, c0])));
        let parts =
            rest.as_chunks::<3>().0.get(..usize::from(count)).ok_or_else(|| damaged("a frame header is too short"))?;
        if !(2..=16).contains(&bits) || !(1..=4).contains(&count) || rows == 0 || columns == 0 {
            return Err(damaged(format!(
                "a lossless JPEG of {columns}×{rows} samples of {bits} bits in {count} components"
            )));
        }
        if parts.iter().any(|part| part[1] != 0x11) && count > 1 {
            return Err(Fault::new(
                "its raw data are subsampled, which is not read",
                "set the camera to full-size raw",
            ));
        }
        if rows * columns * usize::from(count) > most {
            return Err(damaged(format!("{columns}×{rows}×{count} samples where there is room for {most}")));
        }
        Ok(Header { bits: bits.into(), rows, columns, components: parts.iter().map(|part| part[0]).collect() })
    }
}

/// Bits that one look into a table resolves; longer codes are rare.
const LOOK: u32 = 10;

/// A Huffman table for categories of differences.
struct Table {
    /// By the next LOOK bits: length × 256 + category, or 0 for longer codes.
    short: Vec<u16>,
    /// For each length: the first code beyond it, left-aligned in 16 bits, and what to add to reach its category.
    beyond: [u32; 17],
    offset: [i32; 17],
    categories: Vec<u8>,
}

fn define(mut body: &[u8], tables: &mut [Option<Table>; 4]) -> Result<(), Fault> {
    while let [which, rest @ ..] = body {
        let (counts, rest) = rest.split_at_checked(16).ok_or_else(|| damaged("a Huffman table is cut short"))?;
        let total: usize = counts.iter().map(|n| usize::from(*n)).sum();
        let (categories, rest) = rest.split_at_checked(total).ok_or_else(|| damaged("a Huffman table is cut short"))?;
        let slot = tables.get_mut(usize::from(*which)).ok_or_else(|| damaged(format!("Huffman table {which}")))?;
        *slot = Some(Table::new(counts, categories)?);
        body = rest;
    }
    Ok(())
}

impl Table {
    fn new(counts: &[u8], categories: &[u8]) -> Result<Table, Fault> {
        let mut table =
            Table { short: vec![0; 1 << LOOK], beyond: [0; 17], offset: [0; 17], categories: categories.to_vec() };
        if categories.iter().any(|c| *c > 16) {
            return Err(damaged("a Huffman table of categories beyond 16"));
        }
        let (mut code, mut first) = (0u32, 0usize);
        for length in 1..=16u32 {
            let count = usize::from(counts[length as usize - 1]);
            table.offset[length as usize] = first as i32 - code as i32;
            for category in &categories[first..first + count] {
                if code >> length != 0 {
                    return Err(damaged("a Huffman table of too many codes"));
                }
                if length <= LOOK {
                    let from = (code << (LOOK - length)) as usize;
                    table.short[from..from + (1 << (LOOK - length))].fill((length * 256 + u32::from(*category)) as u16);
                }
                code += 1;
            }
            first += count;
            table.beyond[length as usize] = code << (16 - length);
            code <<= 1;
        }
        Ok(table)
    }
}

/// The coded bits of one scan, stuffed bytes taken out. Past a marker or the end it gives zeros and counts them.
struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    buffer: u64,
    filled: u32,
    /// Bits in the buffer that the stream did not hold.
    made_up: u32,
}

impl Bits<'_> {
    fn fill(&mut self) {
        while self.filled <= 48 {
            let byte = match (self.bytes.get(self.at), self.bytes.get(self.at + 1)) {
                (Some(0xff), Some(0)) => {
                    self.at += 2;
                    0xff
                }
                (Some(0xff), _) | (None, _) => {
                    self.made_up += 8;
                    0
                }
                (Some(byte), _) => {
                    self.at += 1;
                    *byte
                }
            };
            self.buffer = self.buffer << 8 | u64::from(byte);
            self.filled += 8;
        }
    }

    fn peek(&self, count: u32) -> u32 {
        (self.buffer >> (self.filled - count)) as u32 & ((1 << count) - 1)
    }

    /// The next difference (T.81, H.1.2.2 and F.2.2.1).
    #[inline(always)]
    fn difference(&mut self, table: &Table) -> Result<i32, Fault> {
        if self.filled < 32 {
            self.fill();
        }
        let entry = u32::from(table.short[self.peek(LOOK) as usize]);
        let category = if entry != 0 {
            self.filled -= entry >> 8;
            entry & 0xff
        } else {
            let code = self.peek(16);
            let length = (LOOK as usize + 1..=16)
                .find(|l| code < table.beyond[*l])
                .ok_or_else(|| damaged("a code in no table"))?;
            self.filled -= length as u32;
            let index = (code >> (16 - length)) as i32 + table.offset[length];
            u32::from(*table.categories.get(index as usize).ok_or_else(|| damaged("a code in no table"))?)
        };
        match category {
            0 => Ok(0),
            16 => Ok(32768),
            _ => {
                let value = self.peek(category) as i32;
                self.filled -= category;
                Ok(if value >> (category - 1) == 0 { value - (1 << category) + 1 } else { value })
            }
        }
    }

    /// Passes the restart marker that must come here.
    fn restart(&mut self, number: usize) -> Result<(), Fault> {
        let rest = &self.bytes[self.at.min(self.bytes.len())..];
        match rest {
            [0xff, marker, ..] if *marker == 0xd0 + (number % 8) as u8 => {
                self.at += 2;
                (self.buffer, self.filled, self.made_up) = (0, 0, 0);
                Ok(())
            }
            _ => Err(damaged("a restart marker is missing")),
        }
    }
}

fn scan(
    header: &Header,
    body: &[u8],
    tables: &[Option<Table>; 4],
    restart: usize,
    coded: &[u8],
) -> Result<Plane, Fault> {
    let count = header.components.len();
    let short = || damaged("a scan header is too short");
    let (&parts, rest) = body.split_first().ok_or_else(short)?;
    if usize::from(parts) != count {
        return Err(Fault::new(
            "its raw data are JPEG planes one after the other, which is not read",
            "convert it anew",
        ));
    }
    let (selectors, rest) = rest.split_at_checked(2 * count).ok_or_else(short)?;
    let &[predictor, _, transform, ..] = rest else { return Err(short()) };
    let shift = u32::from(transform & 15);
    if !(1..=7).contains(&predictor) || shift >= header.bits {
        return Err(damaged(format!("predictor {predictor} with point transform {shift}")));
    }
    let mut table_of = Vec::with_capacity(count);
    for (id, selector) in header.components.iter().zip(selectors.as_chunks::<2>().0) {
        let table = tables.get(usize::from(selector[1] >> 4)).and_then(Option::as_ref);
        if selector[0] != *id {
            return Err(damaged("a scan of other components than its frame's"));
        }
        table_of.push(table.ok_or_else(|| damaged("a Huffman table is missing"))?);
    }
    if !restart.is_multiple_of(header.columns) {
        return Err(damaged("a restart interval that ends within a row"));
    }
    let (row, every) = (header.columns * count, restart / header.columns);
    let mut samples = vec![0u16; row * header.rows];
    let mut bits = Bits { bytes: coded, at: 0, buffer: 0, filled: 0, made_up: 0 };
    let start = 1i32 << (header.bits - shift - 1);
    for line in 0..header.rows {
        let fresh = line == 0 || every > 0 && line.is_multiple_of(every);
        if fresh && line > 0 {
            bits.restart(line / every - 1)?;
        }
        let (above, out) = samples[line.saturating_sub(1) * row..].split_at_mut(if line > 0 { row } else { 0 });
        let out = &mut out[..row];
        for (component, table) in table_of.iter().enumerate().take(count) {
            // The first sample of a line is predicted from above, that of a first line from half the range.
            let from = if fresh { start } else { i32::from(above[component]) };
            if count == 1 {
                out[0] = (from + bits.difference(table)?) as u16;
            } else {
                out[component] = (from + bits.difference(table)?) as u16;
            }
        }
        let kind = if fresh { 1 } else { predictor };
        macro_rules! line {
            (|$a:ident, $b:ident, $c:ident| $predict:expr) => {
                for at in count..row {
                    let $a = i32::from(out[at - count]);
                    let ($b, $c) = if fresh { (0, 0) } else { (i32::from(above[at]), i32::from(above[at - count])) };
                    let table = if count == 1 { table_of[0] } else { table_of[at % count] };
                    out[at] = ($predict + bits.difference(table)?) as u16;
                }
            };
        }
        match kind {
            1 => line!(|a, _b, _c| a),
            2 => line!(|_a, b, _c| b),
            3 => line!(|_a, _b, c| c),
            4 => line!(|a, b, c| a + b - c),
            5 => line!(|a, b, c| a + ((b - c) >> 1)),
            6 => line!(|a, b, c| b + ((a - c) >> 1)),
            _ => line!(|a, b, _c| (a + b) >> 1),
        }
        if bits.made_up > bits.filled {
            return Err(damaged(format!("a lossless JPEG ends in row {line} of {}", header.rows)));
        }
    }
    if shift > 0 {
        samples.iter_mut().for_each(|s| *s <<= shift);
    }
    Ok(Plane { samples })
}
