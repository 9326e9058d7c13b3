//! Gain maps among a DNG's opcodes: the phone's own measure of its lens's shading.
//!
//! In: the bytes of OpcodeList2, which is big-endian in every file. Out: its gain maps. They are applied to neither blank nor
//! plate: alike they cancel, and unlike their difference is an error that must be said. Other opcodes are passed over.
//! A list that is cut short or cannot be right gives the maps before the damage.
//!
//! DNG 1.7.1, chapter 7, opcode 9.

use crate::frame::GainMap;
use crate::image::{Size, Window};

const GAIN_MAP: u32 = 9;
/// Maps in one list, and points of one map: phones write four maps of a few hundred points.
const MAX_MAPS: usize = 64;
const MAX_POINTS: usize = 1 << 20;

pub fn gain_maps(list: &[u8]) -> Vec<GainMap> {
    let mut rest = Words(list);
    let count = rest.word().unwrap_or(0) as usize;
    let mut maps = Vec::new();
    for _ in 0..count {
        let (Some(id), Some(_version), Some(_flags), Some(length)) =
            (rest.word(), rest.word(), rest.word(), rest.word())
        else {
            break;
        };
        let Some((body, after)) = rest.0.split_at_checked(length as usize) else { break };
        rest = Words(after);
        if id == GAIN_MAP && maps.len() < MAX_MAPS {
            match gain_map(Words(body)) {
                Some(map) => maps.push(map),
                None => break,
            }
        }
    }
    maps
}

fn gain_map(mut body: Words) -> Option<GainMap> {
    let [top, left, bottom, right, plane, planes, row_pitch, column_pitch, rows, columns] = body.words()?;
    let [row_step, column_step, first_row, first_column] =
        [body.double()?, body.double()?, body.double()?, body.double()?];
    let map_planes = body.word()? as usize;
    let area = Size::new(bottom.checked_sub(top)? as usize, right.checked_sub(left)? as usize);
    let points = Size::new(rows as usize, columns as usize);
    let count =
        points.rows.checked_mul(points.columns)?.checked_mul(map_planes).filter(|n| (1..=MAX_POINTS).contains(n))?;
    let gains = (0..count).map(|_| body.word().map(f32::from_bits)).collect::<Option<Vec<f32>>>()?;
    Some(GainMap {
        area: Window { row: top as usize, column: left as usize, size: area },
        pitch: [row_pitch as usize, column_pitch as usize],
        plane: plane as usize,
        planes: planes as usize,
        points,
        origin: [first_row, first_column],
        spacing: [row_step, column_step],
        map_planes,
        gains,
    })
}

/// Big-endian numbers from the front of some bytes.
struct Words<'a>(&'a [u8]);

impl Words<'_> {
    fn word(&mut self) -> Option<u32> {
        let (first, rest) = self.0.split_first_chunk::<4>()?;
        self.0 = rest;
        Some(u32::from_be_bytes(*first))
    }

    fn words<const N: usize>(&mut self) -> Option<[u32; N]> {
        let mut out = [0; N];
        for word in &mut out {
            *word = self.word()?;
        }
        Some(out)
    }

    fn double(&mut self) -> Option<f64> {
        let [high, low] = self.words()?;
        Some(f64::from_bits(u64::from(high) << 32 | u64::from(low)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list() -> Vec<u8> {
        let mut body: Vec<u8> = [0u32, 1, 100, 200, 0, 1, 2, 2, 2, 3].iter().flat_map(|w| w.to_be_bytes()).collect();
        body.extend([1.0f64, 0.5, 0.0, 0.0].iter().flat_map(|d| d.to_be_bytes()));
        body.extend(1u32.to_be_bytes());
        body.extend([2.0f32, 1.5, 2.0, 1.5, 1.0, 1.5].iter().flat_map(|g| g.to_be_bytes()));
        let other: Vec<u8> = [5u32, 0, 0, 4, 7].iter().flat_map(|w| w.to_be_bytes()).collect();
        let head: Vec<u8> = [9u32, 0x0103_0000, 1, body.len() as u32].iter().flat_map(|w| w.to_be_bytes()).collect();
        [2u32.to_be_bytes().to_vec(), other, head, body].concat()
    }

    #[test]
    fn a_gain_map_is_read_past_other_opcodes() {
        let maps = gain_maps(&list());
        assert_eq!(maps.len(), 1);
        assert_eq!(maps[0].area, Window { row: 0, column: 1, size: Size::new(100, 199) });
        assert_eq!((maps[0].points, maps[0].pitch, maps[0].spacing), (Size::new(2, 3), [2, 2], [1.0, 0.5]));
        assert_eq!(maps[0].gains, [2.0, 1.5, 2.0, 1.5, 1.0, 1.5]);
    }

    #[test]
    fn a_list_cut_anywhere_gives_nothing_that_is_not_whole() {
        let whole = list();
        for end in 0..whole.len() {
            assert!(gain_maps(&whole[..end]).is_empty(), "cut at {end}");
        }
    }
}
