//! Made DNGs, written by a small writer of the tests' own and read back sample by sample. Comparisons with other readers are in
//! the tests from outside.

use super::*;
use crate::frame::Filter::{Blue, Green, Red};
use crate::units::Linear;
use std::io::{Cursor, Write};

/// Values of one tag.
#[derive(Clone)]
enum Values {
    Short(Vec<u16>),
    Long(Vec<u32>),
    Bytes(Vec<u8>),
    Ratio(Vec<(i32, u32)>),
    Double(Vec<f64>),
}

/// A DNG to be: what its raw directory says, beside what the writer adds.
#[derive(Clone)]
struct Made {
    little: bool,
    size: Size,
    chunk: Option<Size>,
    chunks: Vec<Vec<u8>>,
    tags: Vec<(u16, Values)>,
}

impl Made {
    fn new(columns: usize, rows: usize, bits: u16, compression: u16, chunks: Vec<Vec<u8>>) -> Made {
        let tags = vec![
            (258, Values::Short(vec![bits])),
            (259, Values::Short(vec![compression])),
            (262, Values::Short(vec![32803])),
            (277, Values::Short(vec![1])),
            (33421, Values::Short(vec![2, 2])),
            (33422, Values::Bytes(vec![0, 1, 1, 2])),
            (50706, Values::Bytes(vec![1, 4, 0, 0])),
        ];
        Made { little: true, size: Size::new(rows, columns), chunk: None, chunks, tags }
    }

    fn with(mut self, tag: u16, values: Values) -> Made {
        self.tags.retain(|(t, _)| *t != tag);
        self.tags.push((tag, values));
        self
    }

    fn linear(self) -> Made {
        self.with(262, Values::Short(vec![34892])).with(277, Values::Short(vec![3]))
    }

    fn file(&self) -> Vec<u8> {
        let two = |n: u16| if self.little { n.to_le_bytes() } else { n.to_be_bytes() };
        let four = |n: u32| if self.little { n.to_le_bytes() } else { n.to_be_bytes() };
        let eight = |n: f64| if self.little { n.to_le_bytes() } else { n.to_be_bytes() };
        let mut file = if self.little { b"II".to_vec() } else { b"MM".to_vec() };
        file.extend([&two(42)[..], &four(0)].concat());
        let mut places = Vec::new();
        for chunk in &self.chunks {
            places.push((file.len() as u32, chunk.len() as u32));
            file.extend(chunk);
            file.resize(file.len().next_multiple_of(2), 0);
        }
        let (at, lengths): (Vec<u32>, Vec<u32>) = places.into_iter().unzip();
        let mut made = self
            .clone()
            .with(256, Values::Long(vec![self.size.columns as u32]))
            .with(257, Values::Long(vec![self.size.rows as u32]));
        made = match self.chunk {
            Some(tile) => made
                .with(322, Values::Long(vec![tile.columns as u32]))
                .with(323, Values::Long(vec![tile.rows as u32]))
                .with(324, Values::Long(at))
                .with(325, Values::Long(lengths)),
            None => made
                .with(278, Values::Long(vec![self.size.rows.div_ceil(self.chunks.len()) as u32]))
                .with(273, Values::Long(at))
                .with(279, Values::Short(lengths.iter().map(|n| *n as u16).collect())),
        };
        made.tags.sort_by_key(|(tag, _)| *tag);
        let mut entries = Vec::new();
        for (tag, values) in &made.tags {
            let (kind, count, bytes): (u16, usize, Vec<u8>) = match values {
                Values::Short(v) => (3, v.len(), v.iter().flat_map(|n| two(*n)).collect()),
                Values::Long(v) => (4, v.len(), v.iter().flat_map(|n| four(*n)).collect()),
                Values::Bytes(v) => (1, v.len(), v.clone()),
                Values::Ratio(v) => {
                    (10, v.len(), v.iter().flat_map(|(a, b)| [four(*a as u32), four(*b)]).flatten().collect())
                }
                Values::Double(v) => (12, v.len(), v.iter().flat_map(|n| eight(*n)).collect()),
            };
            entries.extend([&two(*tag)[..], &two(kind), &four(count as u32)].concat());
            if bytes.len() <= 4 {
                entries.extend(&bytes);
                entries.resize(entries.len().next_multiple_of(4), 0);
            } else {
                entries.extend(four(file.len() as u32));
                file.extend(bytes);
                file.resize(file.len().next_multiple_of(2), 0);
            }
        }
        let directory = four(file.len() as u32);
        file[4..8].copy_from_slice(&directory);
        file.extend(two(made.tags.len() as u16));
        file.extend(entries);
        file.extend(four(0));
        file
    }

    fn read(&self) -> Result<Frame, Fault> {
        super::read(&mut Tiff::open(Cursor::new(self.file()))?)
    }

    fn codes(&self) -> Vec<u16> {
        match self.read().unwrap().samples {
            Samples::U16(codes) => codes,
            Samples::U8(_) => panic!("raw is 16-bit"),
        }
    }

    fn fault(&self) -> String {
        self.read().unwrap_err().to_string()
    }
}

/// Samples that look like noise on a slope, below 2^bits.
fn scene(count: usize, bits: u32) -> Vec<u16> {
    let mut state = 12345u32;
    (0..count)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (state >> 20) & 63;
            ((i as u32 * 7 + noise) & ((1 << bits) - 1)) as u16
        })
        .collect()
}

/// Packs with the highest bit first, rows on whole bytes; 16 bits in the given order.
fn pack(samples: &[u16], row: usize, bits: u32, little: bool) -> Vec<u8> {
    let line = |line: &[u16]| -> Vec<u8> {
        if bits == 16 {
            return line.iter().flat_map(|s| if little { s.to_le_bytes() } else { s.to_be_bytes() }).collect();
        }
        let digits: String = line.iter().map(|s| format!("{s:016b}")[16 - bits as usize..].to_string()).collect();
        digits
            .as_bytes()
            .chunks(8)
            .map(|c| {
                let byte = u8::from_str_radix(std::str::from_utf8(c).unwrap(), 2).unwrap();
                byte << (8 - c.len())
            })
            .collect()
    };
    samples.chunks(row).flat_map(line).collect()
}

/// A lossless JPEG of samples below 2^bits: its codes run from 2 to 16 bits, so that short and long ones are met.
/// After T.81, annex H, written apart from the decoder.
fn ljpeg(samples: &[u16], columns: usize, components: usize, bits: u32, predictor: u8, restart_rows: usize) -> Vec<u8> {
    let row = columns * components;
    let rows = samples.len() / row;
    let mut out = vec![0xff, 0xd8, 0xff, 0xc3, 0, (8 + 3 * components) as u8, bits as u8];
    out.extend([(rows >> 8) as u8, rows as u8, (columns >> 8) as u8, columns as u8, components as u8]);
    (0..components).for_each(|c| out.extend([c as u8, 0x11, 0]));
    out.extend([0xff, 0xc4, 0, 2 + 17 + 17, 0]);
    out.extend([0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 3]);
    let order: [u8; 17] = [5, 4, 6, 3, 7, 2, 1, 0, 8, 9, 10, 11, 12, 13, 14, 15, 16];
    out.extend(order);
    if restart_rows > 0 {
        let interval = restart_rows * columns;
        out.extend([0xff, 0xdd, 0, 4, (interval >> 8) as u8, interval as u8]);
    }
    out.extend([0xff, 0xda, 0, (6 + 2 * components) as u8, components as u8]);
    (0..components).for_each(|c| out.extend([c as u8, 0]));
    out.extend([predictor, 0, 0]);

    let mut digits = String::new();
    let flush = |digits: &mut String, out: &mut Vec<u8>| {
        while !digits.len().is_multiple_of(8) {
            digits.push('1');
        }
        for c in digits.as_bytes().chunks(8) {
            let byte = u8::from_str_radix(std::str::from_utf8(c).unwrap(), 2).unwrap();
            out.push(byte);
            if byte == 0xff {
                out.push(0);
            }
        }
        digits.clear();
    };
    for (i, sample) in samples.iter().enumerate() {
        let (line, at) = (i / row, i % row);
        let fresh = line == 0 || restart_rows > 0 && line % restart_rows == 0;
        if fresh && line > 0 && at == 0 {
            flush(&mut digits, &mut out);
            out.extend([0xff, 0xd0 + ((line / restart_rows - 1) % 8) as u8]);
        }
        let of = |up: usize, left: usize| i32::from(samples[i - up * row - left * components]);
        let guess = match (fresh, at < components) {
            (true, true) => 1 << (bits - 1),
            (true, false) => of(0, 1),
            (false, true) => of(1, 0),
            (false, false) => match predictor {
                1 => of(0, 1),
                2 => of(1, 0),
                3 => of(1, 1),
                4 => of(0, 1) + of(1, 0) - of(1, 1),
                5 => of(0, 1) + ((of(1, 0) - of(1, 1)) >> 1),
                6 => of(1, 0) + ((of(0, 1) - of(1, 1)) >> 1),
                _ => (of(0, 1) + of(1, 0)) >> 1,
            },
        };
        let difference = match (i32::from(*sample) - guess) as i16 {
            i16::MIN => 32768,
            d => i32::from(d),
        };
        let category = (32 - difference.unsigned_abs().leading_zeros()) as usize;
        let rank = order.iter().position(|c| usize::from(*c) == category).unwrap();
        // Canonical codes of lengths 2, 3, ... 16, 16, 16.
        let length = (rank + 2).min(16);
        let code = (1u32 << (length - 1)) - 2 + if rank > 14 { rank as u32 - 14 } else { 0 };
        let code = if rank == 0 { 0 } else { code };
        digits += &format!("{code:0length$b}");
        if category > 0 && category < 16 {
            let value = if difference < 0 { difference + (1 << category) - 1 } else { difference };
            digits += &format!("{value:0category$b}");
        }
    }
    flush(&mut digits, &mut out);
    out.extend([0xff, 0xd9]);
    out
}

fn deflated(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn every_predictor_depth_and_number_of_components_comes_back() {
    for predictor in 1..=7 {
        for components in 1..=4 {
            for (bits, restart) in [(8, 0), (10, 2), (12, 0), (14, 3), (16, 0)] {
                let samples = scene(12 * components * 7, bits);
                let stream = ljpeg(&samples, 12, components, bits, predictor, restart);
                let plane = super::ljpeg::decode(&stream, samples.len()).unwrap();
                assert!(plane.samples == samples, "predictor {predictor}, {components} components, {bits} bits");
            }
        }
    }
}

/// T.81, H.1.2.2: differences are taken modulo 65536, and 32768 has a category of its own.
#[test]
fn sixteen_bit_differences_wrap() {
    let samples = [0u16, 65535, 0, 32768, 1, 65535, 32767, 65535, 0, 40000, 7232, 65534];
    let plane = super::ljpeg::decode(&ljpeg(&samples, 12, 1, 16, 1, 0), 12).unwrap();
    assert_eq!(plane.samples, samples);
}

#[test]
fn a_lossless_jpeg_cut_anywhere_is_a_fault() {
    let stream = ljpeg(&scene(600, 12), 30, 2, 12, 1, 0);
    for end in 0..stream.len() - 3 {
        assert!(super::ljpeg::decode(&stream[..end], 600).is_err(), "cut at {end} of {}", stream.len());
    }
}

#[test]
fn packed_depths_come_back_in_both_orders() {
    for bits in [8, 10, 12, 14, 16] {
        for little in [true, false] {
            let samples = scene(22 * 6, bits);
            // Two strips, of four rows and of the two that are left.
            let strips = samples.chunks(22 * 4).map(|s| pack(s, 22, bits, little)).collect();
            let mut made = Made::new(22, 6, bits as u16, 1, strips);
            made.little = little;
            // The writer shares rows evenly; this file does not.
            let made = Made { tags: made.tags.clone(), ..made };
            let mut file = made.file();
            let rows = file.windows(2).rposition(|w| w == if little { [0x16, 0x01] } else { [0x01, 0x16] }).unwrap();
            let four = if little { 4u32.to_le_bytes() } else { 4u32.to_be_bytes() };
            file[rows + 8..rows + 12].copy_from_slice(&four);
            let frame = super::read(&mut Tiff::open(Cursor::new(file)).unwrap()).unwrap();
            assert!(matches!(frame.samples, Samples::U16(codes) if codes == samples), "{bits} bits, little {little}");
        }
    }
}

/// A picture of 20 × 10 in tiles of 16 × 8: four tiles, of which three reach beyond it.
fn tiles(samples: &[u16], encode: impl Fn(&[u16]) -> Vec<u8>) -> Vec<Vec<u8>> {
    let tile = |down: usize, right: usize| -> Vec<u16> {
        (0..8 * 16)
            .map(|i| (down * 8 + i / 16, right * 16 + i % 16))
            .map(|(row, column)| if row < 10 && column < 20 { samples[row * 20 + column] } else { 77 })
            .collect()
    };
    [(0, 0), (0, 1), (1, 0), (1, 1)].iter().map(|(down, right)| encode(&tile(*down, *right))).collect()
}

#[test]
fn tiles_of_every_compression_come_together() {
    let samples = scene(200, 12);
    let in_tiles = |compression: u16, chunks: Vec<Vec<u8>>| Made {
        chunk: Some(Size::new(8, 16)),
        ..Made::new(20, 10, if compression == 1 { 12 } else { 16 }, compression, chunks)
    };
    assert_eq!(in_tiles(1, tiles(&samples, |t| pack(t, 16, 12, true))).codes(), samples);
    // One component of the tile's width, and two of half of it.
    for components in [1, 2] {
        let chunks = tiles(&samples, |t| ljpeg(t, 16 / components, components, 12, 1, 0));
        assert_eq!(in_tiles(7, chunks).codes(), samples, "{components} components");
    }
    // Rows of two tile rows each: the samples follow each other all the same.
    assert_eq!(in_tiles(7, tiles(&samples, |t| ljpeg(t, 16, 2, 12, 6, 0))).codes(), samples);
    assert_eq!(in_tiles(8, tiles(&samples, |t| deflated(&pack(t, 16, 16, true)))).codes(), samples);
    for (predictor, apart) in [(2, 1), (34892, 2), (34893, 4)] {
        let differences = |t: &[u16]| -> Vec<u16> {
            (0..t.len()).map(|i| if i % 16 < apart { t[i] } else { t[i].wrapping_sub(t[i - apart]) }).collect()
        };
        let chunks = tiles(&samples, |t| deflated(&pack(&differences(t), 16, 16, true)));
        assert_eq!(
            in_tiles(8, chunks).with(317, Values::Short(vec![predictor])).codes(),
            samples,
            "predictor {predictor}"
        );
    }
}

/// DNG 1.7.1, chapter 5: table, less black, by the span from the highest black to white. Worked by hand: code 2 counts 400;
/// over black 100 of white 1100 with a highest black of 100 it is 0.3, over black 60 it is 0.34.
#[test]
fn codes_mean_light_as_the_file_states_it() {
    let made = Made::new(2, 2, 16, 1, vec![pack(&[2, 2, 3, 9], 2, 16, true)])
        .with(50712, Values::Short(vec![0, 100, 400, 1100]))
        .with(50713, Values::Short(vec![2, 2]))
        .with(50714, Values::Ratio(vec![(100, 1), (120, 2), (100, 1), (90, 1)]))
        .with(50717, Values::Short(vec![1100]));
    let frame = made.read().unwrap();
    assert_eq!(frame.layout, Layout::Mosaic([Red, Green, Green, Blue]));
    let light: Vec<f32> = [(0, 0), (0, 1), (1, 0), (1, 1)].iter().map(|(r, c)| frame.linear(*r, *c, 0).0).collect();
    for (got, want) in light.iter().zip([0.3, 0.34, 1.0, 1.01]) {
        assert!((got - want).abs() < 1e-6, "{light:?}");
    }
    assert_eq!(frame.saturation[0], 1.0);
    assert_eq!(frame.clipped_share(0), 0.5, "code 3 is white, and codes beyond the table count as its last");
    let mut row = [Linear(0.0); 2];
    frame.linear_row(1, 0, &mut row);
    assert_eq!(row, [frame.linear(1, 0, 0), frame.linear(1, 1, 0)]);
}

#[test]
fn black_of_every_row_and_column_comes_off_each_sample() {
    let made = Made::new(4, 2, 16, 1, vec![pack(&[1000; 8], 4, 16, true)])
        .with(50714, Values::Short(vec![100]))
        .with(50715, Values::Ratio(vec![(0, 1), (10, 1), (20, 1), (-10, 1)]))
        .with(50716, Values::Ratio(vec![(0, 1), (5, 2)]))
        .with(50717, Values::Short(vec![10_000]));
    let frame = made.read().unwrap();
    // The span runs from the highest black, 100 + 20 + 2.5, to white; codes have 57 344 steps.
    for (row, column, black) in [(0, 0, 100.0), (0, 1, 110.0), (1, 2, 122.5), (1, 3, 92.5)] {
        let want = (1000.0 - black) / (10_000.0 - 122.5);
        assert!((f64::from(frame.linear(row, column, 0).0) - want).abs() < 0.5 / 57_344.0 + 1e-7, "{row} {column}");
    }
}

#[test]
fn the_active_area_is_kept_and_the_pattern_begins_in_its_corner() {
    let samples: Vec<u16> = (0..60).collect();
    let made = Made::new(10, 6, 16, 1, vec![pack(&samples, 10, 16, false)])
        .with(50829, Values::Short(vec![1, 3, 5, 9]))
        .with(50719, Values::Ratio(vec![(1, 1), (2, 1)]))
        .with(50720, Values::Short(vec![4, 2]))
        .with(51041, Values::Double(vec![1e-4, 1e-6, 2e-4, 2e-6, 3e-4, 3e-6]));
    let made = Made { little: false, ..made };
    let frame = made.read().unwrap();
    assert_eq!(frame.size, Size::new(4, 6));
    assert_eq!(made.codes()[..7], [13, 14, 15, 16, 17, 18, 23]);
    assert_eq!(frame.layout, Layout::Mosaic([Red, Green, Green, Blue]));
    assert_eq!(frame.noise, Some(NoiseModel { shot: 2e-4, read: 2e-6 }));
    let crop = frame.raw.unwrap().crop.unwrap();
    assert_eq!((crop.row, crop.column, crop.size), (2, 1, Size::new(2, 4)));
}

#[test]
fn linear_colour_has_levels_for_each_channel() {
    let samples = scene(5 * 4 * 3, 12);
    let made = Made::new(5, 4, 16, 7, vec![ljpeg(&samples, 5, 3, 12, 1, 0)]).linear();
    let made = made.with(50714, Values::Short(vec![10, 20, 30])).with(50717, Values::Short(vec![1010, 2020, 3030]));
    let frame = made.read().unwrap();
    assert_eq!((frame.layout, made.codes()), (Layout::Rgb, samples.clone()));
    for (channel, sample) in samples.iter().take(3).enumerate() {
        let black = 10.0 * (channel + 1) as f32;
        let want = (f32::from(*sample) - black) / (1000.0 * (channel + 1) as f32);
        assert!((frame.linear(0, 0, channel).0 - want).abs() < 1e-6);
    }
    assert_eq!(frame.warnings[0].code, "processed-raw");
}

/// Rows and columns stored by fields: all even ones, then all odd ones, of a picture of odd size.
#[test]
fn interleaved_fields_are_put_in_place() {
    let samples = scene(7 * 5, 16);
    let order = |n: usize| (0..n).step_by(2).chain((1..n).step_by(2)).collect::<Vec<_>>();
    let stored: Vec<u16> = order(5)
        .iter()
        .flat_map(|row| order(7).into_iter().map(move |column| row * 7 + column))
        .map(|i| samples[i])
        .collect();
    let made = Made::new(7, 5, 16, 1, vec![pack(&stored, 7, 16, true)]);
    let made = made.with(50975, Values::Long(vec![2])).with(52547, Values::Long(vec![2]));
    assert_eq!(made.codes(), samples);
}

#[test]
fn what_is_not_read_is_said() {
    let made = || Made::new(4, 4, 16, 1, vec![pack(&[5; 16], 4, 16, true)]);
    assert!(made().with(339, Values::Short(vec![3])).fault().contains("floating-point"));
    assert!(made().with(259, Values::Short(vec![34892])).fault().contains("lossy"));
    assert!(made().with(33421, Values::Short(vec![6, 6])).fault().contains("2×2"));
    assert!(made().with(33422, Values::Bytes(vec![0, 1, 3, 2])).fault().contains("not red, green and blue"));
    assert!(made().with(50717, Values::Short(vec![0])).fault().contains("white level"));
    assert!(made().with(50829, Values::Short(vec![0, 0, 9, 4])).fault().contains("active area"));
    assert!(made().with(258, Values::Short(vec![32])).fault().contains("32 bits"));
}

/// Every cut by tenths, and thousands of flipped bits: a frame or a fault, never a panic.
#[test]
fn damage_is_a_fault_or_a_frame() {
    let samples = scene(200, 12);
    let files = [
        Made::new(20, 10, 12, 1, vec![pack(&samples, 20, 12, true)]).file(),
        Made {
            chunk: Some(Size::new(8, 16)),
            ..Made::new(20, 10, 16, 7, tiles(&samples, |t| ljpeg(t, 8, 2, 12, 1, 0)))
        }
        .file(),
        Made::new(20, 10, 16, 8, vec![deflated(&pack(&samples, 20, 16, true))])
            .with(50712, Values::Short(vec![1; 50]))
            .file(),
    ];
    for file in files {
        for tenth in 0..10 {
            let cut = file[..file.len() * tenth / 10].to_vec();
            assert!(
                Tiff::open(Cursor::new(cut)).and_then(|mut t| super::read(&mut t)).is_err(),
                "cut at {tenth} tenths"
            );
        }
        let mut state = 99u64;
        for _ in 0..3000 {
            let mut bad = file.clone();
            for _ in 0..3 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let bit = (state >> 33) as usize % (bad.len() * 8);
                bad[bit / 8] ^= 1 << (bit % 8);
            }
            let _ = Tiff::open(Cursor::new(bad)).and_then(|mut t| super::read(&mut t));
        }
    }
}
