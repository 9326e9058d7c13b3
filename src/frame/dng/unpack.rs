//! Samples as they lie in a decompressed strip or tile: bytes, words in the file's order, or bits packed without gaps.
//!
//! In: bytes, and how wide a row is. Out: one number a sample. Packed samples begin with the highest bit of the first byte,
//! in files of either byte order, and each row begins on a byte (TIFF 6.0, FillOrder 1; DNG 1.7, "BitsPerSample").
//! Fails where there are fewer bytes than samples.

use crate::error::Fault;
use crate::frame::limits::damaged;

/// Bytes of one row.
pub fn row_bytes(samples: usize, bits: u32) -> usize {
    (samples * bits as usize).div_ceil(8)
}

/// `rows` rows of `samples` samples of `bits` (1 to 16) bits.
pub fn unpack(bytes: &[u8], rows: usize, samples: usize, bits: u32, little: bool) -> Result<Vec<u16>, Fault> {
    let step = row_bytes(samples, bits);
    let Some(bytes) = bytes.get(..rows * step) else {
        return Err(damaged(format!("{} bytes where {} are needed", bytes.len(), rows * step)));
    };
    let mut out = Vec::with_capacity(rows * samples);
    match bits {
        8 => out.extend(bytes.iter().map(|b| u16::from(*b))),
        16 if little => out.extend(bytes.as_chunks::<2>().0.iter().map(|b| u16::from_le_bytes(*b))),
        16 => out.extend(bytes.as_chunks::<2>().0.iter().map(|b| u16::from_be_bytes(*b))),
        _ => bytes.chunks_exact(step.max(1)).for_each(|row| packed(row, samples, bits, &mut out)),
    }
    Ok(out)
}

fn packed(row: &[u8], samples: usize, bits: u32, out: &mut Vec<u16>) {
    let (mut buffer, mut filled, mut bytes) = (0u32, 0u32, row.iter());
    let mask = (1u32 << bits) - 1;
    for _ in 0..samples {
        while filled < bits {
            buffer = buffer << 8 | u32::from(bytes.next().copied().unwrap_or(0));
            filled += 8;
        }
        filled -= bits;
        out.push((buffer >> filled & mask) as u16);
    }
}

/// Undoes differences to the sample `apart` places before, row by row (TIFF 6.0, section 14).
pub fn undo_differences(samples: &mut [u16], row: usize, apart: usize, bits: u32) {
    let mask = (u32::from(u16::MAX) >> (16 - bits)) as u16;
    for row in samples.chunks_exact_mut(row) {
        for at in apart..row.len() {
            row[at] = row[at].wrapping_add(row[at - apart]) & mask;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0x123, 0x456, 0x789 in twelve bits are the bytes 12 34 56 78 9x: the highest bit first.
    #[test]
    fn packed_samples_begin_with_the_highest_bit() {
        let bytes = [0x12, 0x34, 0x56, 0x78, 0x90, 0xab, 0xcd, 0xef, 0x01, 0x20];
        assert_eq!(unpack(&bytes, 2, 3, 12, true).unwrap(), [0x123, 0x456, 0x789, 0xabc, 0xdef, 0x012]);
        assert_eq!(unpack(&[0b1111_1111, 0b1100_0000, 0b0001_0000], 1, 2, 10, false).unwrap(), [1023, 1]);
        assert!(unpack(&bytes[..9], 2, 3, 12, true).is_err());
    }

    #[test]
    fn words_follow_the_file() {
        assert_eq!(unpack(&[1, 2, 3, 4], 1, 2, 16, true).unwrap(), [0x0201, 0x0403]);
        assert_eq!(unpack(&[1, 2, 3, 4], 2, 1, 16, false).unwrap(), [0x0102, 0x0304]);
    }

    #[test]
    fn differences_add_up_within_a_row() {
        let mut samples = [10, 20, 1, 65535, 5, 6, 0, 1];
        undo_differences(&mut samples, 4, 2, 16);
        assert_eq!(samples, [10, 20, 11, 19, 5, 6, 5, 7]);
    }
}
