//! The four filter places of a colour filter array brought to one: base, and stain that grows with the silver, have a colour.
//!
//! In: transmittance photosite by photosite. Out: the same, each place multiplied by what the plate's own pixels say at their density, and
//! the [`Pattern`] that is left at the array's period. Silver is neutral over an even light; the mean of a cell's four densities stays
//! what it was. Method: at many cells of 2 × 2 the difference of each place from the mean about it, its median by density (edges of the
//! picture go either way and leave medians alone), straight between. Where more is left than [`LIMIT`], somewhere or at some density, places are
//! weighted into their neighbours instead, which knows no pattern at all and costs sharpness.

use crate::image::{Image, reduced};
use crate::units::Transmittance;
use rayon::prelude::*;
use std::borrow::Borrow;

/// Filter places that differ by less than this, in density, are neutral.
pub const LIMIT: f64 = 0.002;
/// Where a plate can be: neither bare nor black.
const DARKEST: f32 = 0.01;
const BAREST: f32 = 0.95;
/// Density over which one median is taken, and the least cells of one: noise of 0.1 in a place then moves it by 0.007, and most bins hold a
/// hundred times as many.
const BIN: f32 = 0.1;
const LEAST: usize = 300;
/// Opposite halves of a cell that differ by more than this share of its light are an edge's, as the glass's own: nearly straight and along the
/// array it moves places of some density all one way, for want of another side that goes the other.
const STEEP: f32 = 0.2;
/// Cells looked at in a frame, about.
const CELLS: f64 = 3e5;
/// Parts of the frame, each way, in which what is left is looked for.
const PARTS: usize = 8;

/// What the array's places showed of a plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// By density against bare light: what each place was multiplied by. One entry where the colour is the base's alone.
    pub balance: Vec<(f32, [f32; 4])>,
    /// The largest difference left between a place and the mean of all, in density, as far as noise leaves it sure.
    pub left: f64,
    /// Whether places were weighted into their neighbours.
    pub weighted: bool,
}

/// One cell; each place's logarithm over the mean of all places about it.
struct Cell {
    row: usize,
    column: usize,
    density: f32,
    off: [f32; 4],
}

/// Brings the places to one. None, and nothing is changed, where too little of a plate is seen.
pub fn balance(t: &mut Image<Transmittance>) -> Option<Pattern> {
    let seen = cells(t);
    if seen.len() < 100 {
        return None;
    }
    let curve = Curve::of(&seen);
    let left = if curve.is_neutral() {
        left(&seen, t)
    } else {
        curve.apply(t);
        left(&cells(t), t)
    };
    let weighted = left > LIMIT;
    if weighted {
        *t = weighted_in(t);
    }
    Some(Pattern { balance: curve.factors(), left, weighted })
}

fn cells(t: &Image<Transmittance>) -> Vec<Cell> {
    let step = ((t.size().area() / 4) as f64 / CELLS).sqrt().ceil().max(1.0) as usize;
    let (rows, columns) = ((t.rows() / 2).saturating_sub(1), (t.columns() / 2).saturating_sub(1));
    // Beside each cell another row and column of photosites is needed all round.
    let cell = |row: usize, column: usize| {
        let seen: [f32; 16] = std::array::from_fn(|i| t.at(row - 1 + i / 4, column - 1 + i % 4).0);
        let at = |r: usize, c: usize| seen[4 * r + c];
        let inner = at(1, 1) + at(1, 2) + at(2, 1) + at(2, 2);
        // By what lies round the cell: its own noise would put it among cells of another density, and the noisier a place the more.
        let round = (seen.iter().sum::<f32>() - inner) / 12.0;
        // Halves, since each holds all four places: their colour must not pass for an edge.
        let half = |is_in: fn(usize, usize) -> bool| {
            (0..16).filter(|i| is_in(i / 4, i % 4)).map(|i| seen[i]).sum::<f32>() / 8.0
        };
        let (top, left) = (half(|r, _| r < 2), half(|_, c| c < 2));
        let all = half(|_, _| true);
        let steep = (2.0 * top - all).abs().max((2.0 * left - all).abs());
        if !(DARKEST..BAREST).contains(&round) || steep > STEEP * round {
            return None;
        }
        let across = |r: usize, c: usize| (at(r, c - 1) + 2.0 * at(r, c) + at(r, c + 1)) / 4.0;
        // All four places count the same in it, and a slope of the picture not at all. Of light, whose mean noise leaves where it is.
        let about = |r: usize, c: usize| (across(r - 1, c) + 2.0 * across(r, c) + across(r + 1, c)) / 4.0;
        let log = |t: f32| t.max(1e-6).log10();
        let off = std::array::from_fn(|p| log(at(1 + p / 2, 1 + p % 2)) - log(about(1 + p / 2, 1 + p % 2)));
        Some(Cell { row, column, density: -log(round), off })
    };
    (1..rows)
        .into_par_iter()
        .step_by(step)
        .flat_map_iter(|row| (1..columns).step_by(step).filter_map(move |column| cell(2 * row, 2 * column)))
        .collect()
}

/// By what each place's logarithm must be moved, by density.
struct Curve {
    /// Density and offsets, by rising density; at least one.
    knots: Vec<(f32, [f32; 4])>,
    /// Of the offsets, per unit of density, beyond the outermost knots.
    slope: [f32; 4],
}

impl Curve {
    fn of(cells: &[Cell]) -> Curve {
        let everywhere = medians(cells).map(|(off, _)| -off);
        let bins = by_density(cells);
        let mut knots = Vec::new();
        let mut bends = false;
        for bin in bins.iter().filter(|bin| bin.len() >= LEAST) {
            // Their median, as of the differences: a sky piles up at one end of a bin.
            let mut densities: Vec<f32> = bin.iter().map(|cell| cell.density).collect();
            let density = *densities.select_nth_unstable_by(bin.len() / 2, f32::total_cmp).1;
            let medians = medians(bin);
            bends |= medians
                .iter()
                .zip(everywhere)
                .any(|((off, error), all)| f64::from((-off - all).abs() - 3.0 * error) > LIMIT / 2.0);
            knots.push((density, medians.map(|(off, _)| -off)));
        }
        if knots.len() < 2 || !bends {
            return Curve { knots: vec![(0.0, everywhere)], slope: [0.0; 4] };
        }
        let n = knots.len() as f32;
        let mean = knots.iter().map(|knot: &(f32, [f32; 4])| knot.0).sum::<f32>() / n;
        let square: f32 = knots.iter().map(|knot| (knot.0 - mean).powi(2)).sum();
        let slope = |place: usize| knots.iter().map(|knot| (knot.0 - mean) * knot.1[place]).sum::<f32>() / square;
        Curve { slope: std::array::from_fn(slope), knots }
    }

    fn is_neutral(&self) -> bool {
        self.knots.iter().flat_map(|knot| knot.1).all(|off| f64::from(off.abs()) < LIMIT / 10.0)
    }

    fn at(&self, density: f32) -> [f32; 4] {
        let after = self.knots.partition_point(|knot| knot.0 < density);
        let beyond = |knot: &(f32, [f32; 4])| std::array::from_fn(|p| knot.1[p] + self.slope[p] * (density - knot.0));
        match (after.checked_sub(1).map(|before| &self.knots[before]), self.knots.get(after)) {
            (Some(a), Some(b)) => {
                let share = (density - a.0) / (b.0 - a.0);
                std::array::from_fn(|p| a.1[p] + share * (b.1[p] - a.1[p]))
            }
            (Some(knot), None) | (None, Some(knot)) => beyond(knot),
            (None, None) => [0.0; 4],
        }
    }

    fn apply(&self, t: &mut Image<Transmittance>) {
        let columns = t.columns();
        let factors_of = |offs: [f32; 4]| offs.map(|off| 10f32.powf(off));
        let factors: Box<dyn Fn(usize, usize) -> [f32; 4] + Sync> = match self.knots[..] {
            [(_, offs)] => {
                let everywhere = factors_of(offs);
                Box::new(move |_, _| everywhere)
            }
            _ => {
                let light = reduced(t, 2);
                Box::new(move |row, column| factors_of(self.at(-calmed(&light, row, column).max(1e-6).log10())))
            }
        };
        t.pixels_mut().par_chunks_mut(2 * columns).enumerate().for_each(|(row, lines)| {
            for column in 0..columns.div_ceil(2) {
                for (place, factor) in factors(row, column).into_iter().enumerate() {
                    let (line, across) = (place / 2, 2 * column + place % 2);
                    if across < columns
                        && let Some(t) = lines.get_mut(line * columns + across)
                    {
                        t.0 *= factor;
                    }
                }
            }
        });
    }

    fn factors(&self) -> Vec<(f32, [f32; 4])> {
        self.knots.iter().map(|(density, offs)| (*density, offs.map(|off| 10f32.powf(off)))).collect()
    }
}

/// A cell's light, weighted 1, 6, 1 with its neighbours each way: with a third of a photosite's noise, and sharp enough for edges.
/// What is cut off a cell by the frame's border is as the last whole one.
fn calmed(light: &Image<Transmittance>, row: usize, column: usize) -> f32 {
    let near = |at: usize, end: usize| [at.saturating_sub(1), at, at + 1].map(|at| at.min(end - 1));
    let columns = near(column, light.columns());
    let lines = near(row, light.rows()).map(|r| {
        let [a, b, c] = columns.map(|c| light.at(r, c).0);
        (a + 6.0 * b + c) / 8.0
    });
    (lines[0] + 6.0 * lines[1] + lines[2]) / 8.0
}

/// The median of each place's difference, and its standard error.
fn medians(cells: &[impl Borrow<Cell>]) -> [(f32, f32); 4] {
    let medians: [(f32, f32); 4] = std::array::from_fn(|place| {
        let mut off: Vec<f32> = cells.iter().map(|cell| cell.borrow().off[place]).collect();
        let half = off.len() / 2;
        let middle = *off.select_nth_unstable_by(half, f32::total_cmp).1;
        off.iter_mut().for_each(|o| *o = (*o - middle).abs());
        let spread = 1.4826 * *off.select_nth_unstable_by(half, f32::total_cmp).1;
        // Of a median of normal values: √(π/2) times that of a mean.
        (middle, 1.2533 * spread / (cells.len() as f32).sqrt())
    });
    // Balanced, the places' densities keep their mean.
    let mean = medians.iter().map(|m| m.0).sum::<f32>() / 4.0;
    medians.map(|(middle, error)| (middle - mean, error))
}

fn by_density(cells: &[Cell]) -> Vec<Vec<&Cell>> {
    binned(cells, |cell| (cell.density / BIN) as usize, (2.0 / BIN) as usize + 1)
}

fn binned(cells: &[Cell], bin: impl Fn(&Cell) -> usize, bins: usize) -> Vec<Vec<&Cell>> {
    let mut all = vec![Vec::new(); bins];
    for cell in cells {
        if let Some(bin) = all.get_mut(bin(cell)) {
            bin.push(cell);
        }
    }
    all
}

/// The largest difference by density and by part of the frame, as far as it is surely there: by three standard errors.
fn left(cells: &[Cell], t: &Image<Transmittance>) -> f64 {
    let part = |cell: &Cell| cell.row * PARTS / t.rows() * PARTS + cell.column * PARTS / t.columns();
    let (by_density, by_place) = (by_density(cells), binned(cells, part, PARTS * PARTS));
    let bins = by_density.par_iter().chain(&by_place).filter(|bin| bin.len() >= LEAST);
    let differences = bins.flat_map_iter(|bin| medians(bin));
    differences.map(|(off, error)| f64::from(off.abs() - 3.0 * error)).reduce(|| 0.0, f64::max)
}

/// Each photosite as the mean of 3 × 3, weighted 1, 2, 1 each way: all four places count the same everywhere.
fn weighted_in(t: &Image<Transmittance>) -> Image<Transmittance> {
    let near = |at: usize, end: usize| {
        [at.saturating_sub(1).max(usize::from(at == 0)), at, if at + 1 < end { at + 1 } else { at - 1 }]
    };
    Image::from_rows(t.size(), Transmittance(0.0), |row, out| {
        let rows = near(row, t.rows());
        for (column, v) in out.iter_mut().enumerate() {
            let columns = near(column, t.columns());
            let line = |r: usize| {
                let [a, b, c] = columns.map(|c| t.at(r, c).0);
                (a + 2.0 * b + c) / 4.0
            };
            let [a, b, c] = rows.map(line);
            *v = Transmittance((a + 2.0 * b + c) / 4.0);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    const SIZE: Size = Size { rows: 801, columns: 1203 };

    /// Densities from 0.1 to 1.9, waves and hard edges; noise of a hundredth.
    fn density(row: usize, column: usize) -> f64 {
        let (x, y) = (column as f64, row as f64);
        let wave = 1.0 + 0.5 * (x * 0.011).sin() + 0.35 * (y * 0.017).cos();
        let edge = if (column / 37 + row / 29).is_multiple_of(2) { 0.05 } else { -0.05 };
        // Mixed as SplitMix64 mixes (Steele, Lea & Flood 2014, from memory).
        let mut h = ((row as u64) << 32 | column as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        h = (h ^ h >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        h = (h ^ h >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        let noise = ((h ^ h >> 31) >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
        wave + edge + 0.02 * noise
    }

    /// `stained`: what each place's density has beside, by density and column.
    fn seen(stained: impl Fn(f64, usize) -> [f64; 4] + Sync) -> Image<Transmittance> {
        Image::from_rows(SIZE, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let d = density(row, column);
                let place = row % 2 * 2 + column % 2;
                *t = Transmittance(10f64.powf(-d - stained(d, column)[place]) as f32);
            }
        })
    }

    /// By how much densities are off: where no edge crosses the cell (four fifths of all), and at most.
    fn off(t: &Image<Transmittance>) -> (f64, f64) {
        let place = |i: usize| density(i / SIZE.columns, i % SIZE.columns);
        let mut off: Vec<f64> =
            t.pixels().iter().enumerate().map(|(i, t)| (-f64::from(t.0).log10() - place(i)).abs()).collect();
        off.sort_by(f64::total_cmp);
        (off[off.len() * 8 / 10], off[off.len() - 1])
    }

    #[test]
    fn a_neutral_plate_is_left_alone() {
        let mut t = seen(|_, _| [0.0; 4]);
        let before = t.clone();
        let pattern = balance(&mut t).unwrap();
        assert!(pattern.left < LIMIT / 3.0 && !pattern.weighted, "{pattern:?}");
        assert!(t.pixels().iter().zip(before.pixels()).all(|(a, b)| (a.0 / b.0 - 1.0).abs() < 0.002));
    }

    /// Densities that nothing but the glass's edge has, and it lies along the array.
    #[test]
    fn the_edge_of_the_glass_is_no_pattern() {
        let mut t = seen(|_, _| [0.0; 4]);
        let columns = SIZE.columns;
        for (i, t) in t.pixels_mut().iter_mut().enumerate() {
            let (row, column) = ((i / columns) as f32, (i % columns) as f32);
            let glass = (0.25 * (column - 40.0 - 0.0003 * row)).clamp(0.0, 1.0);
            let clear = if column < 60.0 { 0.3 } else { t.0.min(0.3) };
            t.0 = glass * clear + 1.0 - glass;
        }
        let pattern = balance(&mut t).unwrap();
        assert!(pattern.left < LIMIT / 3.0 && !pattern.weighted, "{pattern:?}");
    }

    #[test]
    fn the_bases_colour_is_one_factor_for_each_place() {
        let mut t = seen(|_, _| [-0.03, 0.0, 0.01, 0.02]);
        let pattern = balance(&mut t).unwrap();
        assert_eq!(pattern.balance.len(), 1);
        assert!(off(&t).1 < 0.001 && pattern.left < LIMIT / 3.0, "{:?} {pattern:?}", off(&t));
    }

    /// Pyro's stain is nearly in proportion to the silver (common practice), and wears off where silver is dense.
    #[test]
    fn stain_that_grows_with_density_is_taken_off() {
        let places = [-0.06, -0.02, -0.02, 0.10];
        let mut t = seen(|d, _| places.map(|p| p * d));
        let pattern = balance(&mut t).unwrap();
        assert!(pattern.balance.len() > 3 && !pattern.weighted && pattern.left < LIMIT, "{pattern:?}");
        // A photosite is stained by its own density, and told by its cell's: these differ by a tenth at an edge.
        assert!(off(&t).0 < 0.002 && off(&t).1 < 0.012, "{:?}", off(&t));

        // So heavy a stain that neighbours differ as beside an edge.
        let mut t = seen(|d, _| places.map(|p| 1.7 * p * d));
        assert!(!balance(&mut t).unwrap().weighted);
        assert!(off(&t).0 < 0.003, "{:?}", off(&t));

        let mut t = seen(|d, _| places.map(|p| p * (1.0 - (-d).exp())));
        assert!(!balance(&mut t).unwrap().weighted);
        assert!(off(&t).0 < 0.003, "{:?}", off(&t));
    }

    /// Fog of another colour along one side: no curve of density tells it.
    #[test]
    fn stain_that_goes_by_place_falls_back_to_weighted_neighbours() {
        let mut t = seen(|_, column| [0.0, 0.0, 0.0, if column < 300 { 0.04 } else { 0.0 }]);
        let pattern = balance(&mut t).unwrap();
        assert!(pattern.weighted && pattern.left > LIMIT, "{pattern:?}");
        // A smooth stretch: neighbours agree.
        for row in [40, 300] {
            for column in 80..90 {
                let [a, b] = [0, 1].map(|along| -t.at(row, column + along).0.log10());
                assert!((a - b).abs() < 0.01, "{row} {column}: {a} {b}");
            }
        }
    }
}
