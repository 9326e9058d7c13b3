//! The tiles' waiting room: each tile is loaded once, and waits as 16-bit numbers in memory or, beyond a budget, in a nameless
//! temporary file.
//!
//! In: [`Tile`]s, whose `load` gives a flat-fielded `Image<Transmittance>`. Out: a [`Store`], from which windows are read at
//! the tiles' full size or from reduced copies. Pixels come out as the *root* of transmittance (sign kept): photon noise is
//! the same at every level of it (Anscombe's transform without its offset), so correlation weighs all densities as they
//! deserve, and 16 bits of it are finer than the noise of any capture at any density.
//! Fails where a tile cannot be loaded, where the sizes differ (tiles share one lens), or where the temporary file does.
//!
//! A transmittance that is not a number (a photosite that the blank found dead) is replaced by its row's last good one and
//! counted in [`Store::blemished`].

use crate::error::{Error, Fault, InFile, io_fault};
use crate::image::{Image, Size, Window};
use crate::units::Transmittance;
use rayon::prelude::*;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// One capture of part of a plate, loaded when it is asked for.
pub struct Tile<'a> {
    /// For messages: the capture's name in the notes.
    pub name: String,
    /// Light that the capture gathered by its Exif (time ÷ f-number², of all its exposures, in any unit that all tiles share); none where
    /// that is not stated, and the level of its transmittance a guess.
    pub exposure: Option<f64>,
    /// Decodes the capture and divides it by its blank.
    pub load: &'a (dyn Fn() -> Result<Image<Transmittance>, Error> + Sync),
}

/// Which copy of a tile: full size, or reduced by [`Store::reduction`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    Reduced,
    Full,
}

/// Loaded tiles.
pub struct Store {
    size: Size,
    reduction: usize,
    tiles: Vec<Stored>,
    spool: Option<Mutex<File>>,
    folder: PathBuf,
}

struct Stored {
    name: String,
    exposure: Option<f64>,
    codes: Codes,
    reduced: Image<f32>,
    blemished: usize,
}

enum Codes {
    Memory(Vec<i16>),
    /// Bytes from the start of the temporary file.
    File(u64),
}

/// Long side of a reduced copy, in pixels: small enough that all pairs are matched in seconds, large enough that a picture's
/// corners are still corners.
const REDUCED_LONG_SIDE: f64 = 800.0;
/// Root of the highest transmittance that 16 bits hold; bare panel is 1, glints at glass edges may pass it.
const HIGHEST_ROOT: f32 = 1.6;
const CODE: f32 = 32766.0 / HIGHEST_ROOT;
/// The code of [`Transmittance::FULL`].
const FULL: i16 = i16::MAX;
/// Tiles that are read at once.
const AT_ONCE: usize = 2;

/// A tile as it was read.
struct Loaded {
    size: Size,
    reduction: usize,
    codes: Vec<i16>,
    blemished: usize,
    reduced: Image<f32>,
}

impl Loaded {
    fn of(tile: &Tile) -> Result<Loaded, Error> {
        let image = (tile.load)()?;
        let long = image.rows().max(image.columns()) as f64;
        let reduction = ((long / REDUCED_LONG_SIDE).round() as usize).max(1);
        let (codes, blemished) = encode(&image);
        let reduced = reduce(&codes, image.size(), reduction);
        Ok(Loaded { size: image.size(), reduction, codes, blemished, reduced })
    }
}

impl Store {
    /// Loads every tile once. `memory`: bytes that may be held at full size before the temporary file, in `folder`, is used.
    pub fn gather(tiles: &[Tile], memory: usize, folder: &Path) -> Result<Store, Error> {
        let folder = folder.to_path_buf();
        let mut store = Store { size: Size::new(0, 0), reduction: 1, tiles: Vec::new(), spool: None, folder };
        let (mut held, mut spooled) = (0, 0);
        // Some at a time: decoding keeps one core busy, and what is decoded takes memory.
        let loaded = tiles.chunks(AT_ONCE).flat_map(|some| some.par_iter().map(Loaded::of).collect::<Vec<_>>());
        for (tile, loaded) in tiles.iter().zip(loaded) {
            let Loaded { size, reduction, codes, blemished, reduced } = loaded?;
            if store.tiles.is_empty() {
                (store.size, store.reduction) = (size, reduction);
            } else if size != store.size {
                let what = format!("it is {size} pixels, but {} is {}", store.tiles[0].name, store.size);
                let mend = "tiles of a plate come from one camera at one setting: take the odd one out";
                return Err(Fault::new(what, mend)).in_file(tile.name.as_ref());
            }
            let bytes = codes.len() * 2;
            let codes = if held + bytes <= memory {
                held += bytes;
                Codes::Memory(codes)
            } else {
                let at = spooled;
                spooled += bytes as u64;
                store.append(&codes).in_file(&store.folder.clone())?;
                Codes::File(at)
            };
            let (name, exposure) = (tile.name.clone(), tile.exposure);
            store.tiles.push(Stored { name, exposure, codes, reduced, blemished });
        }
        Ok(store)
    }

    fn append(&mut self, codes: &[i16]) -> std::io::Result<()> {
        if self.spool.is_none() {
            self.spool = Some(Mutex::new(tempfile::tempfile_in(&self.folder)?));
        }
        let file = self.spool.as_ref().expect("made above");
        file.lock().expect("no thread panics while it reads").write_all(bytemuck::cast_slice(codes))
    }

    /// Where the temporary file lies.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    pub fn len(&self) -> usize {
        self.tiles.len()
    }

    pub fn is_empty(&self) -> bool {
        self.tiles.is_empty()
    }

    pub fn name(&self, tile: usize) -> &str {
        &self.tiles[tile].name
    }

    /// Light gathered by Exif, where stated.
    pub fn exposure(&self, tile: usize) -> Option<f64> {
        self.tiles[tile].exposure
    }

    /// Pixels of a tile that its blank could not vouch for.
    pub fn blemished(&self, tile: usize) -> usize {
        self.tiles[tile].blemished
    }

    /// Full-size pixels along the side of one reduced pixel.
    pub fn reduction(&self) -> usize {
        self.reduction
    }

    /// Size of every tile.
    pub fn size(&self, level: Level) -> Size {
        match level {
            Level::Full => self.size,
            Level::Reduced => Size::new(self.size.rows / self.reduction, self.size.columns / self.reduction),
        }
    }

    /// Full-size pixels per pixel of the level.
    pub fn scale(&self, level: Level) -> f64 {
        match level {
            Level::Full => 1.0,
            Level::Reduced => self.reduction as f64,
        }
    }

    /// A whole reduced tile, roots of transmittance.
    pub fn reduced(&self, tile: usize) -> &Image<f32> {
        &self.tiles[tile].reduced
    }

    /// Part of a tile as roots of transmittance. Panics if the window leaves the tile.
    pub fn roots(&self, tile: usize, level: Level, window: Window) -> Result<Image<f32>, Fault> {
        match level {
            Level::Reduced => Ok(self.tiles[tile].reduced.crop(window)),
            Level::Full => self.decode(tile, window, root),
        }
    }

    /// Part of a full-size tile as transmittance. Panics if the window leaves the tile.
    pub fn light(&self, tile: usize, window: Window) -> Result<Image<f32>, Fault> {
        self.decode(tile, window, light)
    }

    fn decode(&self, tile: usize, window: Window, value: impl Fn(i16) -> f32 + Sync) -> Result<Image<f32>, Fault> {
        let Window { row, column, size } = window;
        match &self.tiles[tile].codes {
            Codes::Memory(codes) => {
                let mut pixels = Vec::with_capacity(size.area());
                for y in row..row + size.rows {
                    let line = &codes[y * self.size.columns + column..][..size.columns];
                    pixels.extend(line.iter().map(|c| value(*c)));
                }
                Ok(Image::from_vec(size, pixels))
            }
            Codes::File(start) => {
                // Whole rows in one read: windows are wide or small, and a seek costs more than the pixels beside them.
                let mut codes = vec![0i16; size.rows * self.size.columns];
                let at = start + (row * self.size.columns * 2) as u64;
                let mut file =
                    self.spool.as_ref().expect("written to").lock().expect("no thread panics while it reads");
                file.seek(SeekFrom::Start(at))
                    .and_then(|_| file.read_exact(bytemuck::cast_slice_mut(&mut codes)))
                    .map_err(|e| io_fault(&e))?;
                drop(file);
                let lines = codes.chunks_exact(self.size.columns).flat_map(|l| &l[column..column + size.columns]);
                Ok(Image::from_vec(size, lines.map(|c| value(*c)).collect()))
            }
        }
    }
}

/// Roots as 16-bit codes, and how many pixels were not numbers.
fn encode(image: &Image<Transmittance>) -> (Vec<i16>, usize) {
    let mut codes = vec![0i16; image.size().area()];
    let blemished = codes
        .par_chunks_mut(image.columns().max(1))
        .enumerate()
        .map(|(row, out)| {
            let line = image.row(row);
            out.iter_mut().zip(line).for_each(|(code, t)| *code = code_of(*t));
            let lost: usize = line.iter().map(|t| !t.0.is_finite() as usize).sum();
            if lost > 0 {
                let mut last = 0;
                for (code, t) in out.iter_mut().zip(line) {
                    last = if t.0.is_finite() { *code } else { last };
                    *code = last;
                }
            }
            lost
        })
        .sum();
    (codes, blemished)
}

/// The code nearest to a transmittance's root; any, where that is not a number.
fn code_of(t: Transmittance) -> i16 {
    // From here on floats lie 1 apart, so that the sum itself rounds: vectors know no quicker way.
    const WHOLE: f32 = 1.5 * (1u32 << 23) as f32;
    let root = (t.0.abs().sqrt().copysign(t.0) * CODE).clamp(1.0 - f32::from(FULL), f32::from(FULL - 1));
    let code = (root + WHOLE).to_bits().wrapping_sub(WHOLE.to_bits()) as i16;
    if t == Transmittance::FULL { FULL } else { code }
}

fn root(code: i16) -> f32 {
    if code == FULL { 1.0 } else { code as f32 / CODE }
}

fn light(code: i16) -> f32 {
    let root = root(code);
    if code == FULL { Transmittance::FULL.0 } else { root * root.abs() }
}

/// Means of transmittance over squares, as roots.
fn reduce(codes: &[i16], size: Size, factor: usize) -> Image<f32> {
    let small = Size::new(size.rows / factor, size.columns / factor);
    let pixels = (factor * factor) as f32;
    Image::from_rows(small, 0f32, |row, out| {
        // Down the columns first: that is what vectors are quick at.
        let mut sums = vec![0f32; size.columns];
        for y in row * factor..(row + 1) * factor {
            let line = &codes[y * size.columns..][..size.columns];
            sums.iter_mut().zip(line).for_each(|(sum, code)| *sum += light(*code));
        }
        for (out, square) in out.iter_mut().zip(sums.chunks_exact(factor)) {
            let sum: f32 = square.iter().sum();
            *out = (sum.abs() / pixels).sqrt().copysign(sum);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Image<Transmittance> {
        let size = Size::new(40, 60);
        Image::from_rows(size, Transmittance(0.0), |r, row| {
            row.iter_mut().enumerate().for_each(|(c, t)| *t = Transmittance(1e-3 * (1.0 + r as f32 * 20.0 + c as f32)))
        })
    }

    /// Half a step of the code is below a thousandth of the light at density 3, a tenth of what photon noise leaves there
    /// even with 10⁵ electrons at white.
    #[test]
    fn tiles_come_back_the_same_from_memory_and_from_the_file() {
        let load = || Ok(ramp());
        let tile = || Tile { name: "a".into(), exposure: Some(1.0), load: &load };
        let store = Store::gather(&[tile(), tile()], 40 * 60 * 2, &std::env::temp_dir()).unwrap();
        let window = Window { row: 3, column: 5, size: Size::new(20, 30) };
        let truth = ramp().crop(window);
        for i in 0..2 {
            let light = store.light(i, window).unwrap();
            let worst =
                light.pixels().iter().zip(truth.pixels()).map(|(a, b)| (a / b.0 - 1.0).abs()).fold(0.0, f32::max);
            assert!(worst < 1.6e-3, "tile {i} off by {worst}");
        }
        assert!(matches!(store.tiles[1].codes, Codes::File(0)));
    }

    #[test]
    fn full_photosites_are_told_from_bright_ones() {
        let seen = [Transmittance::FULL, Transmittance(1.0), Transmittance(9.0), Transmittance(-0.01)];
        let load = || Ok(Image::from_vec(Size::new(2, 2), seen.to_vec()));
        let tile = Tile { name: "a".into(), exposure: Some(1.0), load: &load };
        let store = Store::gather(&[tile], 1 << 20, &std::env::temp_dir()).unwrap();
        let light = store.light(0, Window { row: 0, column: 0, size: Size::new(2, 2) }).unwrap();
        let full: Vec<bool> = light.pixels().iter().map(|t| *t == Transmittance::FULL.0).collect();
        assert_eq!(full, [true, false, false, false], "{light:?}");
    }

    #[test]
    fn a_tile_of_another_size_is_named() {
        let (one, two) = (|| Ok(ramp()), || Ok(Image::filled(Size::new(9, 9), Transmittance(1.0))));
        let tiles = [
            Tile { name: "a.jpg".into(), exposure: Some(1.0), load: &one },
            Tile { name: "b.jpg".into(), exposure: Some(1.0), load: &two },
        ];
        let error = Store::gather(&tiles, 1 << 20, &std::env::temp_dir()).err().unwrap();
        assert!(error.to_string().starts_with("b.jpg: it is 9×9 pixels, but a.jpg is 60×40"), "{error}");
    }
}
