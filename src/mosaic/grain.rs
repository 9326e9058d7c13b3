//! Links by grain: a sky has no corners, and its grain and dust still differ from place to place.
//!
//! In: two reduced tiles as roots of transmittance, in which photon noise is even. Out: a [`Link`] as from corners, accepted or not.
//! Nothing here fails. Slower than corners by far: for tiles that corners leave apart.
//! Method: blocks of one tile, freed of what is coarse and brought to one strength, are correlated with all of the other (by Fourier
//! transforms); a block tells a place where the best peak stands far above the rest. Blocks that tell one turn and shift make the
//! link; chance does not make three agree. No shift at all is passed over: there lies what is fixed to the sensor, the blank's
//! own noise before all.

use super::links::{Link, Similarity};
use super::smooth::gaussian;
use super::store::{Level, Store};
use crate::geometry::Point;
use crate::image::{Image, Size};
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Pixels along a block's side: a turn of one degree moves its border by one pixel.
const SIDE: usize = 128;
/// Standard deviations, in pixels: what is coarser than this is no grain; and over what its strength is taken.
const COARSE: f64 = 4.0;
const STRENGTH: f64 = 12.0;
/// Grain stronger than this many standard deviations is an edge, and counts as so strong.
const MOST: f32 = 3.0;
/// Pixels about no shift that are passed over.
const STILL: isize = 3;
/// A peak's height over the root mean square: of a million places by chance one reaches five.
const TOLD: f32 = 7.0;
/// Blocks that must agree, within so many pixels of one similarity.
const LEAST: usize = 3;
const AGREES: f64 = 2.5;
/// Turn in radians and share of scale that tiles under one camera differ by at most.
const TURN: f64 = 0.06;
const SCALE: f64 = 0.03;

/// Transforms for tiles of one size.
pub struct Grains<'a> {
    store: &'a Store,
    /// Rows and columns of a transform: a tile and a block beside it.
    padded: Size,
    ways: [[Arc<dyn Fft<f32>>; 2]; 2],
}

/// One tile's grain and its spectrum.
pub struct Grain {
    tile: usize,
    flat: Image<f32>,
    spectrum: Vec<Complex<f32>>,
}

impl<'a> Grains<'a> {
    pub fn new(store: &'a Store) -> Grains<'a> {
        let size = store.size(Level::Reduced);
        let padded = Size::new(quickly_transformed(size.rows + SIDE), quickly_transformed(size.columns + SIDE));
        let mut planner = FftPlanner::new();
        let mut way = |n: usize| [planner.plan_fft_forward(n), planner.plan_fft_inverse(n)];
        Grains { store, padded, ways: [way(padded.columns), way(padded.rows)] }
    }

    pub fn of(&self, tile: usize) -> Grain {
        let flat = flattened(self.store.reduced(tile));
        let mut spectrum = vec![Complex::default(); self.padded.area()];
        for row in 0..flat.rows() {
            let line = &mut spectrum[row * self.padded.columns..];
            line.iter_mut().zip(flat.row(row)).for_each(|(s, v)| s.re = *v);
        }
        self.transform(&mut spectrum, flat.rows(), 0);
        Grain { tile, flat, spectrum }
    }

    /// Looks for blocks of the first tile in the second.
    pub fn link(&self, a: &Grain, b: &Grain) -> Link {
        let size = a.flat.size();
        let none = Similarity { a: 1.0, b: 0.0, shift: Point::default() };
        let mut link =
            Link { a: a.tile, b: b.tile, pairs: vec![], map: none, matches: 0, overlap: 0.0, accepted: false };
        if size.rows < SIDE || size.columns < SIDE {
            return link;
        }
        let blocks: Vec<(usize, usize)> =
            starts(size.rows).flat_map(|row| starts(size.columns).map(move |column| (row, column))).collect();
        let told: Vec<(Point, Point)> =
            blocks.par_chunks(2).flat_map_iter(|two| self.places(a, b, two)).flatten().collect();
        link.matches = told.len();
        if let Some((map, pairs)) = agreeing(&told) {
            let expected = blocks.iter().filter(|b| holds(size, map.apply(middle(**b)))).count();
            link.overlap = expected as f64 / blocks.len() as f64;
            link.accepted = 3 * pairs.len() >= expected;
            (link.map, link.pairs) = (map, pairs);
        }
        link
    }

    /// Where one or two blocks of `a`, by their first row and column, lie in `b`: two real correlations in one complex transform.
    fn places(&self, a: &Grain, b: &Grain, blocks: &[(usize, usize)]) -> Vec<Option<(Point, Point)>> {
        let Size { rows, columns } = self.padded;
        let mut values = vec![Complex::default(); self.padded.area()];
        for r in 0..SIDE {
            for (k, (row, column)) in blocks.iter().enumerate() {
                let line = &a.flat.row(row + r)[*column..column + SIDE];
                for (v, t) in values[r * columns..].iter_mut().zip(line) {
                    if k == 0 { v.re = *t } else { v.im = -*t }
                }
            }
        }
        self.transform(&mut values, SIDE, 0);
        values.iter_mut().zip(&b.spectrum).for_each(|(v, s)| *v = s * v.conj());
        self.transform(&mut values, columns, 1);
        let size = b.flat.size();
        let signed =
            |v: usize, size: usize, padded: usize| if v < size { v as isize } else { v as isize - padded as isize };
        let place = |k: usize, block: (usize, usize)| {
            let height = |v: &Complex<f32>| if k == 0 { v.re } else { v.im };
            let power: f32 = values.iter().map(|v| height(v).powi(2)).sum();
            let (mut best, mut at) = (0.0, None);
            for row in 0..rows {
                let y = signed(row, size.rows, rows) - block.0 as isize;
                for (column, v) in values[row * columns..(row + 1) * columns].iter().enumerate() {
                    if height(v) > best {
                        let x = signed(column, size.columns, columns) - block.1 as isize;
                        if x.abs() > STILL || y.abs() > STILL {
                            (best, at) = (height(v), Some(Point::new(x as f64, y as f64)));
                        }
                    }
                }
            }
            let told = best > TOLD * (power / values.len() as f32).sqrt();
            at.filter(|_| told).map(|shift| (middle(block), middle(block) + shift))
        };
        blocks.iter().enumerate().map(|(k, block)| place(k, *block)).collect()
    }

    /// Fourier transform along both axes, forward (0: rows first, of which only the first `filled` hold anything; it comes out on its
    /// side) or back (1: from its side, all of them).
    fn transform(&self, values: &mut Vec<Complex<f32>>, filled: usize, way: usize) {
        let [along_rows, along_columns] = &self.ways;
        let Size { rows, columns } = self.padded;
        if way == 0 {
            along_rows[0].process(&mut values[..filled * columns]);
            *values = turned(values, rows, columns);
            along_columns[0].process(values);
        } else {
            along_columns[1].process(values);
            *values = turned(values, columns, rows);
            along_rows[1].process(values);
        }
    }
}

/// Rows to columns, by squares that fit a processor's cache.
fn turned(values: &[Complex<f32>], rows: usize, columns: usize) -> Vec<Complex<f32>> {
    const SQUARE: usize = 16;
    let mut out = vec![Complex::default(); values.len()];
    for top in (0..rows).step_by(SQUARE) {
        for left in (0..columns).step_by(SQUARE) {
            for row in top..(top + SQUARE).min(rows) {
                for column in left..(left + SQUARE).min(columns) {
                    out[column * rows + row] = values[row * columns + column];
                }
            }
        }
    }
    out
}

/// Grain alone, of one strength everywhere.
fn flattened(image: &Image<f32>) -> Image<f32> {
    let coarse = gaussian(image, COARSE);
    let fine: Vec<f32> = image.pixels().iter().zip(coarse.pixels()).map(|(v, c)| v - c).collect();
    let power = Image::from_vec(image.size(), fine.iter().map(|v| v * v).collect());
    let strength = gaussian(&power, STRENGTH);
    let pixels = fine.iter().zip(strength.pixels()).map(|(v, p)| (v / p.max(1e-12).sqrt()).clamp(-MOST, MOST));
    Image::from_vec(image.size(), pixels.collect())
}

/// The least number of no prime factor over five that is not below `n`.
fn quickly_transformed(n: usize) -> usize {
    let only = |mut n: usize| {
        for p in [2usize, 3, 5] {
            while n.is_multiple_of(p) {
                n /= p;
            }
        }
        n == 1
    };
    (n..).find(|n| only(*n)).unwrap_or(n)
}

/// Where blocks begin along `length`: side by side, and a last one that ends with it.
fn starts(length: usize) -> impl Iterator<Item = usize> {
    let last = length - SIDE;
    (0..last).step_by(SIDE).chain([last])
}

fn middle((row, column): (usize, usize)) -> Point {
    Point::new((column + SIDE / 2) as f64, (row + SIDE / 2) as f64)
}

fn holds(size: Size, p: Point) -> bool {
    p.x > 0.0 && p.y > 0.0 && p.x < size.columns as f64 && p.y < size.rows as f64
}

/// The similarity that most blocks tell, and they; none where fewer than [`LEAST`] agree.
fn agreeing(told: &[(Point, Point)]) -> Option<(Similarity, Vec<(Point, Point)>)> {
    let shift = |p: &(Point, Point)| p.1 - p.0;
    let near = |seed: &(Point, Point)| -> Vec<(Point, Point)> {
        let close = |p: &&(Point, Point)| shift(p).distance(shift(seed)) < AGREES + TURN * p.0.distance(seed.0);
        told.iter().filter(close).copied().collect()
    };
    let mut pairs = told.iter().map(near).max_by_key(Vec::len)?;
    for _ in 0..4 {
        if pairs.len() < LEAST {
            return None;
        }
        let map = Similarity::fit(pairs.iter())?;
        if map.turn().abs() > TURN || (map.scale() - 1.0).abs() > SCALE {
            return None;
        }
        let kept: Vec<(Point, Point)> =
            told.iter().filter(|p| map.apply(p.0).distance(p.1) < AGREES).copied().collect();
        if kept == pairs {
            return Some((map, pairs));
        }
        pairs = kept;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::super::store::Tile;
    use super::*;
    use crate::units::Transmittance;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64Mcg;

    fn noise(size: Size, seed: u64) -> Image<f32> {
        let mut random = Pcg64Mcg::seed_from_u64(seed);
        Image::from_vec(size, (0..size.area()).map(|_| StandardNormal.sample(&mut random)).collect())
    }

    /// What a tile sees of a sky of density 2: grain half as strong as the light's own noise, and as much again fixed to the sensor.
    fn sky(grain: &Image<f32>, at: &Similarity, seed: u64) -> Image<Transmittance> {
        let size = Size::new(420, 560);
        let (own, fixed) = (noise(size, seed), noise(size, 7));
        Image::from_rows(size, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let p = at.apply(Point::new(column as f64 + 0.5, row as f64 + 0.5));
                let (x, y) = ((p.x - 0.5).max(0.0), (p.y - 0.5).max(0.0));
                let (c, r, u, v) = (x as usize, y as usize, x.fract() as f32, y.fract() as f32);
                let line = |r: usize| grain.at(r, c) * (1.0 - u) + grain.at(r, c + 1) * u;
                let grain = line(r) * (1.0 - v) + line(r + 1) * v;
                *t = Transmittance(
                    0.01 * (1.0 + 0.05 * grain + 0.05 * own.at(row, column) + 0.03 * fixed.at(row, column)),
                );
            }
        })
    }

    fn link(a: &Image<Transmittance>, b: &Image<Transmittance>) -> Link {
        let loads: Vec<_> = [a, b].into_iter().map(|image| move || Ok(image.clone())).collect();
        let tiles: Vec<Tile> = loads.iter().map(|load| Tile { name: String::new(), exposure: None, load }).collect();
        let store = Store::gather(&tiles, 1 << 30, &std::env::temp_dir()).unwrap();
        let grains = Grains::new(&store);
        grains.link(&grains.of(0), &grains.of(1))
    }

    #[test]
    fn a_sky_is_placed_by_its_grain_and_another_sky_is_not() {
        let grain = noise(Size::new(1200, 1300), 1);
        let first = Similarity { a: 1.0, b: 0.0, shift: Point::new(60.0, 100.0) };
        let turn = 1.0f64.to_radians();
        let second = Similarity { a: turn.cos(), b: turn.sin(), shift: Point::new(390.0, 90.0) };
        let seen = sky(&grain, &first, 2);
        let found = link(&seen, &sky(&grain, &second, 3));
        assert!(found.accepted, "{} blocks told a place", found.matches);
        for at in [Point::new(350.0, 50.0), Point::new(540.0, 400.0)] {
            let truth = second.apply(found.map.apply(at)) - first.apply(at);
            assert!(truth.x.hypot(truth.y) < 2.0, "{truth:?} at {at:?}");
        }
        let other = noise(Size::new(1200, 1300), 4);
        assert!(!link(&seen, &sky(&other, &second, 3)).accepted);
    }
}
