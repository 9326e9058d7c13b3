//! A capture as it lies in its file: codes, what they mean in linear light, and what its Exif says.
//!
//! Everything is in the sensor's own coordinates: Exif Orientation and a container's turn are undone or ignored, so that a
//! frame always falls on its blank.

#[cfg(not(all(feature = "heic", feature = "raw", feature = "newer-raw")))]
mod absent;
mod dng;
mod exif;
mod fence;
#[cfg(feature = "heic")]
mod heic;
mod ifd;
mod jpeg;
mod kind;
mod limits;
#[cfg(feature = "newer-raw")]
pub mod newer;
mod png;
pub mod profile;
#[cfg(feature = "raw")]
mod raw;
mod read;
pub mod settings;
mod tiff;
pub mod transfer;

pub use kind::Kind;
pub use profile::CaptureProfile;
pub use read::{dimensions, in_colours, kind_of, read, settings};
pub use settings::Settings;

use crate::error::Warning;
use crate::image::{Image, Size, Window};
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
    /// What only raw files say.
    pub raw: Option<RawNotes>,
    /// What is risky about this file alone.
    pub warnings: Vec<Warning>,
}

/// What a raw file says beside its samples. None of it has been applied to them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RawNotes {
    /// The part that the maker means to be seen, in the frame's own pixels.
    pub crop: Option<Window>,
    /// Lens shading as the phone measured it, made anew for each picture: a blank's and a plate's must be alike to cancel.
    pub gain_maps: Vec<GainMap>,
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

impl Layout {
    /// In a word, for messages.
    pub fn words(self) -> &'static str {
        match self {
            Layout::Gray => "gray",
            Layout::Rgb => "colour",
            Layout::Mosaic(_) => "raw",
        }
    }
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

/// Gains over a rectangle of the frame, as DNG's GainMap opcode stores them.
#[derive(Debug, Clone, PartialEq)]
pub struct GainMap {
    /// The part of the frame it is for, and every how many rows and columns (a mosaic's map is for one of four places).
    pub area: Window,
    pub pitch: [usize; 2],
    /// Which planes of a colour frame it is for.
    pub plane: usize,
    pub planes: usize,
    /// Points of the map, rows × columns, and where they lie, in shares of the area: first point and step, [rows, columns].
    pub points: Size,
    pub origin: [f64; 2],
    pub spacing: [f64; 2],
    /// points.area() × map_planes gains, planes interleaved.
    pub map_planes: usize,
    pub gains: Vec<f32>,
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

    /// Whether luma was kept and what colour lies beside it blurred or rounded, as lossy kinds do.
    pub fn coarse_colour(&self) -> bool {
        self.layout == Layout::Rgb && (matches!(self.samples, Samples::U8(_)) || self.format.starts_with("HEIC"))
    }

    /// Whether it came in a kind of file that cameras write and messengers write anew.
    pub fn lossy(&self) -> bool {
        ["JPEG", "HEIC"].iter().any(|kind| self.format.starts_with(kind))
    }

    /// Light between the code that stands for `light` and the next.
    pub fn step(&self, channel: usize, light: f64) -> f64 {
        let table = &self.tables[self.table(0, 0, channel)];
        let code = table.partition_point(|l| (*l as f64) < light).clamp(1, table.len() - 1);
        (table[code] - table[code - 1]) as f64
    }

    /// Whether codes are taken to be in proportion to light.
    pub fn is_linear(&self) -> bool {
        let proportional = |table: &Vec<f32>| {
            let (middle, full) = (table[table.len() / 2], table[table.len() - 1]);
            (middle / full - 0.5).abs() < 0.05
        };
        self.raw.is_some() || self.tables.iter().all(proportional)
    }

    /// Which table a sample goes through.
    fn table(&self, row: usize, column: usize, channel: usize) -> usize {
        match self.layout {
            Layout::Gray => 0,
            Layout::Rgb => channel,
            Layout::Mosaic(_) => (row % 2) * 2 + column % 2,
        }
    }

    /// Linear light of one sample.
    pub fn linear(&self, row: usize, column: usize, channel: usize) -> Linear {
        let index = (row * self.size.columns + column) * self.channels() + channel;
        let code = match &self.samples {
            Samples::U8(codes) => codes[index] as usize,
            Samples::U16(codes) => codes[index] as usize,
        };
        Linear(self.tables[self.table(row, column, channel)][code])
    }

    /// Linear light of one row of one channel. `out` is as long as the row.
    pub fn linear_row(&self, row: usize, channel: usize, out: &mut [Linear]) {
        let per_row = self.size.columns * self.channels();
        let tables = [0, 1].map(|column| self.tables[self.table(row, column, channel)].as_slice());
        match &self.samples {
            Samples::U8(codes) => {
                let tables = tables.map(|t| <&[f32; 256]>::try_from(t).expect("a table of 256 codes"));
                look_up(&codes[row * per_row..][..per_row], self.layout, channel, tables, out);
            }
            Samples::U16(codes) => {
                let tables = tables.map(|t| <&[f32; 65536]>::try_from(t).expect("a table of 65536 codes"));
                look_up(&codes[row * per_row..][..per_row], self.layout, channel, tables, out);
            }
        }
    }

    /// Linear light of one channel.
    pub fn plane(&self, channel: usize) -> Image<Linear> {
        Image::from_rows(self.size, Linear(0.0), |row, out| self.linear_row(row, channel, out))
    }

    /// Share of a channel's samples at or above saturation.
    pub fn clipped_share(&self, channel: usize) -> f64 {
        // Tables never fall: each is full from one code on.
        let full: Vec<usize> =
            self.tables.iter().zip(&self.saturation).map(|(t, full)| t.partition_point(|light| light < full)).collect();
        let per_row = self.size.columns * self.channels();
        let in_row = |row: usize| {
            let full = [0, 1].map(|column| full[self.table(row, column, channel)]);
            match &self.samples {
                Samples::U8(codes) => reaching(&codes[row * per_row..][..per_row], self.layout, channel, full),
                Samples::U16(codes) => reaching(&codes[row * per_row..][..per_row], self.layout, channel, full),
            }
        };
        let clipped: usize = (0..self.size.rows).into_par_iter().map(in_row).sum();
        clipped as f64 / self.size.area().max(1) as f64
    }
}

/// How many of a row's codes reach that of their column, even or odd.
fn reaching<C: Copy + Into<usize>>(codes: &[C], layout: Layout, channel: usize, [even, odd]: [usize; 2]) -> usize {
    let count = |step: usize, first: usize, full: usize| {
        codes.iter().skip(first).step_by(step).filter(|code| (**code).into() >= full).count()
    };
    match layout {
        Layout::Gray => codes.iter().filter(|code| (**code).into() >= even).count(),
        Layout::Rgb => count(3, channel, even),
        Layout::Mosaic(_) => count(2, 0, even) + count(2, 1, odd),
    }
}

/// One row of codes through the tables of its even and odd columns. Tables are arrays as long as codes can reach, so that the
/// loops need no check.
#[inline(always)]
fn look_up<C: Copy + Into<usize>, const N: usize>(
    codes: &[C],
    layout: Layout,
    channel: usize,
    [even, odd]: [&[f32; N]; 2],
    out: &mut [Linear],
) {
    match layout {
        Layout::Gray => {
            for (out, code) in out.iter_mut().zip(codes) {
                *out = Linear(even[(*code).into()]);
            }
        }
        Layout::Rgb => {
            for (out, pixel) in out.iter_mut().zip(codes.as_chunks::<3>().0) {
                *out = Linear(even[pixel[channel].into()]);
            }
        }
        Layout::Mosaic(_) => {
            for (out, pair) in out.chunks_mut(2).zip(codes.chunks(2)) {
                out[0] = Linear(even[pair[0].into()]);
                if let (Some(out), Some(code)) = (out.get_mut(1), pair.get(1)) {
                    *out = Linear(odd[(*code).into()]);
                }
            }
        }
    }
}
