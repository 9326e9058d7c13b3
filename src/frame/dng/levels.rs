//! What a DNG's codes mean in light: its linearisation table, black levels and white level.
//!
//! In: the raw directory. Out: one table a channel, or for each place of a mosaic's 2 × 2 cell; where the file states a black
//! level of its own for every row or column, the samples are written anew so that one table serves. Fails where white is not
//! above black.
//!
//! DNG 1.7.1, chapter 5, "Mapping Raw Values to Linear Reference Values": table, less black, by the span from the highest black
//! to white. Values below black are kept below 0, and codes above white are kept, too: what is clipped is told by saturation.

use super::layout::{Kind, Layout};
use crate::error::Fault;
use crate::frame::ifd::Tiff;
use crate::frame::limits::damaged;
use rayon::prelude::*;
use std::io::{Read, Seek};

const LINEARIZATION_TABLE: u16 = 50712;
const BLACK_REPEAT: u16 = 50713;
const BLACK_LEVEL: u16 = 50714;
const BLACK_DELTA_H: u16 = 50715;
const BLACK_DELTA_V: u16 = 50716;
const WHITE_LEVEL: u16 = 50717;
const LINEAR_LIMIT: u16 = 50734;

/// Codes that stand for light 0 and 1 where samples are written anew. Room is left below for noise.
const NEW_BLACK: f64 = 4096.0;
const NEW_WHITE: f64 = 61440.0;

/// Code to light, and the light at which each channel or place is full.
pub struct Levels {
    pub tables: Vec<Vec<f32>>,
    pub saturation: Vec<f32>,
}

/// The levels as the file states them.
struct Stated {
    linear: Option<Vec<u64>>,
    /// Rows, columns, samples of the black pattern, which begins in the active area's corner.
    repeat: [usize; 3],
    black: Vec<f64>,
    /// Added to black: one for each column, and one for each row. Empty for none.
    by_column: Vec<f64>,
    by_row: Vec<f64>,
    /// One for each sample of a pixel.
    white: Vec<f64>,
    /// Share of white from which on the sensor bends.
    limit: f64,
    /// The highest code that the depth allows.
    top: u16,
}

/// Reads the levels; `samples`, those of the active area, are written anew where one table cannot serve.
pub fn levels<R: Read + Seek>(tiff: &mut Tiff<R>, layout: &Layout, samples: &mut [u16]) -> Result<Levels, Fault> {
    let stated = Stated::read(tiff, layout)?;
    let per_place = stated.by_column.is_empty()
        && stated.by_row.is_empty()
        && if layout.samples == 1 { stated.repeat[..2].iter().all(|n| *n <= 2) } else { stated.repeat[..2] == [1, 1] };
    if per_place { Ok(stated.tables(layout)) } else { Ok(stated.rewrite(layout, samples)) }
}

impl Stated {
    fn read<R: Read + Seek>(tiff: &mut Tiff<R>, layout: &Layout) -> Result<Stated, Fault> {
        let (d, samples) = (&layout.directory, layout.samples);
        let repeat = match tiff.integers(d, BLACK_REPEAT)?.as_deref() {
            Some(&[rows @ 1..=64, columns @ 1..=64]) => [rows as usize, columns as usize, samples],
            Some(other) => return Err(damaged(format!("a black level pattern of {other:?}"))),
            None => [1, 1, samples],
        };
        let top = (u32::from(u16::MAX) >> (16 - layout.bits)) as u16;
        let mut black = tiff.numbers(d, BLACK_LEVEL)?.filter(|b| !b.is_empty()).unwrap_or(vec![0.0]);
        // Some writers state one level for all.
        black.resize(repeat.iter().product(), black[0]);
        let mut white = tiff.numbers(d, WHITE_LEVEL)?.filter(|w| !w.is_empty()).unwrap_or(vec![f64::from(top)]);
        white.resize(samples, white[0]);
        let by_column = tiff.numbers(d, BLACK_DELTA_H)?.unwrap_or_default();
        let by_row = tiff.numbers(d, BLACK_DELTA_V)?.unwrap_or_default();
        let fits = |deltas: &[f64], length: usize| deltas.is_empty() || deltas.len() == length;
        if !fits(&by_column, layout.active.size.columns) || !fits(&by_row, layout.active.size.rows) {
            return Err(damaged("black levels by row or column that do not fit its active area"));
        }
        let linear = tiff.integers(d, LINEARIZATION_TABLE)?.filter(|table| !table.is_empty());
        let limit = tiff.numbers(d, LINEAR_LIMIT)?.and_then(|l| l.first().copied()).unwrap_or(1.0);
        let limit = if limit > 0.5 && limit <= 1.0 { limit } else { 1.0 };
        let stated = Stated { linear, repeat, black, by_column, by_row, white, limit, top };
        let all = [&stated.black, &stated.by_column, &stated.by_row, &stated.white].into_iter().flatten();
        if all.into_iter().any(|n| !n.is_finite()) {
            return Err(damaged("a black or white level that is no number"));
        }
        for sample in 0..samples {
            if stated.white[sample] <= stated.highest_black(sample) {
                return Err(damaged("a white level that is not above its black level"));
            }
        }
        Ok(stated)
    }

    /// Code to the number that the sensor counted.
    fn counted(&self, code: usize) -> f64 {
        match &self.linear {
            Some(table) => table[code.min(table.len() - 1)] as f64,
            None => code as f64,
        }
    }

    fn black(&self, row: usize, column: usize, sample: usize) -> f64 {
        let [rows, columns, samples] = self.repeat;
        self.black[((row % rows) * columns + column % columns) * samples + sample]
    }

    fn highest_black(&self, sample: usize) -> f64 {
        let highest = |values: &[f64]| values.iter().copied().reduce(f64::max).unwrap_or(0.0);
        let own: Vec<f64> = self.black.iter().skip(sample).step_by(self.repeat[2]).copied().collect();
        highest(&own) + highest(&self.by_column) + highest(&self.by_row)
    }

    /// Light of a counted number in a place.
    fn light(&self, counted: f64, black: f64, sample: usize) -> f64 {
        (counted - black) / (self.white[sample] - self.highest_black(sample))
    }

    fn full(&self, black: f64, sample: usize) -> f64 {
        let most = self.white[sample].min(self.counted(usize::from(self.top)));
        self.light(most, black, sample) * self.limit
    }

    fn tables(&self, layout: &Layout) -> Levels {
        let places: Vec<(usize, usize, usize)> = match layout.kind {
            Kind::Mosaic(_) => vec![(0, 0, 0), (0, 1, 0), (1, 0, 0), (1, 1, 0)],
            Kind::Linear => (0..layout.samples).map(|sample| (0, 0, sample)).collect(),
        };
        let (mut tables, mut saturation) = (Vec::new(), Vec::new());
        for (row, column, sample) in places {
            let black = self.black(row, column, sample);
            tables.push((0..=65535).map(|code| self.light(self.counted(code), black, sample) as f32).collect());
            saturation.push(self.full(black, sample) as f32);
        }
        Levels { tables, saturation }
    }

    /// Takes black off every sample by its own row and column, to the nearest of 57 344 steps.
    fn rewrite(&self, layout: &Layout, samples: &mut [u16]) -> Levels {
        let n = layout.samples;
        let counted: Vec<f64> = (0..=65535).map(|code| self.counted(code)).collect();
        let delta = |deltas: &[f64], at: usize| deltas.get(at).copied().unwrap_or(0.0);
        samples.par_chunks_mut(layout.active.size.columns * n).enumerate().for_each(|(row, line)| {
            for (at, code) in line.iter_mut().enumerate() {
                let (column, sample) = (at / n, at % n);
                let black = self.black(row, column, sample) + delta(&self.by_column, column) + delta(&self.by_row, row);
                let light = self.light(counted[usize::from(*code)], black, sample);
                *code = (NEW_BLACK + light * (NEW_WHITE - NEW_BLACK)).round().clamp(0.0, 65535.0) as u16;
            }
        });
        let table: Vec<f32> =
            (0..=65535).map(|code| ((f64::from(code) - NEW_BLACK) / (NEW_WHITE - NEW_BLACK)) as f32).collect();
        let count = if matches!(layout.kind, Kind::Mosaic(_)) { 4 } else { n };
        let full = (0..n).map(|sample| self.full(self.highest_black(sample), sample)).fold(1.0, f64::min);
        Levels { tables: vec![table; count], saturation: vec![full as f32; count] }
    }
}
