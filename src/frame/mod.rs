//! A capture as it lies in its file: codes, what they mean in linear light, and what its Exif says.
//!
//! Everything is in the sensor's own coordinates: Exif Orientation and a container's turn are undone or ignored, so that a
//! frame always falls on its blank.

pub mod settings;

pub use settings::Settings;

use crate::image::{Image, Size};
use crate::units::Linear;
use rayon::prelude::*;

/// One decoded capture. Samples stay in the depth they came in; [`Frame::linear_row`] turns them into light.
#[derive(Debug, Clone)]
pub struct Frame {
    pub size: Size,
    pub layout: Layout,
    pub samples: Samples,
    /// Code to linear light, one table a channel (for a mosaic: one for each of the four places of its 2 × 2 cell, row by row).
    /// A table has as many entries as codes can have (256 or 65536).
    pub tables: Vec<Vec<f32>>,
    /// Linear light from which on a sample counts as clipped, one for each table.
    pub saturation: Vec<f32>,
    /// How noise grows with light, where the file says so.
    pub noise: Option<NoiseModel>,
    pub settings: Settings,
    /// "JPEG 8 bit", "DNG 14 bit, lossless JPEG" ...: for the record.
    pub format: String,
}

/// How samples lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    Gray,
    /// Three samples a pixel, interleaved.
    Rgb,
    /// One sample a photosite under a 2 × 2 colour filter array; the colour of each place, row by row.
    Mosaic([Filter; 4]),
}

/// The colour filter over a photosite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Filter {
    Red,
    Green,
    Blue,
}

/// Codes as stored.
#[derive(Debug, Clone)]
pub enum Samples {
    U8(Vec<u8>),
    U16(Vec<u16>),
}

/// Variance of a sample in linear light: `shot` × light + `read`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    pub shot: f64,
    pub read: f64,
}

impl Frame {
    /// Samples a pixel: 3 for colour, 1 otherwise.
    pub fn channels(&self) -> usize {
        match self.layout {
            Layout::Rgb => 3,
            Layout::Gray | Layout::Mosaic(_) => 1,
        }
    }

    /// Which table a sample goes through.
    fn table(&self, row: usize, column: usize, channel: usize) -> usize {
        match self.layout {
            Layout::Gray => 0,
            Layout::Rgb => channel,
            Layout::Mosaic(_) => (row % 2) * 2 + column % 2,
        }
    }

    fn code(&self, index: usize) -> usize {
        match &self.samples {
            Samples::U8(v) => v[index] as usize,
            Samples::U16(v) => v[index] as usize,
        }
    }

    /// Linear light of one sample.
    pub fn linear(&self, row: usize, column: usize, channel: usize) -> Linear {
        let code = self.code((row * self.size.columns + column) * self.channels() + channel);
        Linear(self.tables[self.table(row, column, channel)][code])
    }

    /// Linear light of one row of one channel.
    pub fn linear_row(&self, row: usize, channel: usize, out: &mut [Linear]) {
        let channels = self.channels();
        let start = row * self.size.columns * channels;
        let (even, odd) = (&self.tables[self.table(row, 0, channel)], &self.tables[self.table(row, 1, channel)]);
        let table = |column: usize| if column.is_multiple_of(2) { even } else { odd };
        match &self.samples {
            Samples::U8(codes) => {
                let codes = codes[start..].iter().skip(channel).step_by(channels);
                for (column, (out, code)) in out.iter_mut().zip(codes).enumerate() {
                    *out = Linear(table(column)[*code as usize]);
                }
            }
            Samples::U16(codes) => {
                let codes = codes[start..].iter().skip(channel).step_by(channels);
                for (column, (out, code)) in out.iter_mut().zip(codes).enumerate() {
                    *out = Linear(table(column)[*code as usize]);
                }
            }
        }
    }

    /// Linear light of one channel.
    pub fn plane(&self, channel: usize) -> Image<Linear> {
        Image::from_rows(self.size, Linear(0.0), |row, out| self.linear_row(row, channel, out))
    }

    /// Share of a channel's samples at or above saturation.
    pub fn clipped_share(&self, channel: usize) -> f64 {
        let clipped: usize = (0..self.size.rows)
            .into_par_iter()
            .map_init(
                || vec![Linear(0.0); self.size.columns],
                |line, row| {
                    self.linear_row(row, channel, line);
                    let limit = |column: usize| self.saturation[self.table(row, column, channel)];
                    line.iter().enumerate().filter(|(column, light)| light.0 >= limit(*column)).count()
                },
            )
            .sum();
        clipped as f64 / self.size.area().max(1) as f64
    }
}
