//! Seams: which tile each cell of the result is taken from, with the cuts where tiles agree.
//!
//! In: the tiles' [`Footprint`]s on a grid over the result, their gains, how much light each gathered. Out: one tile for each cell,
//! none where no tile reaches. Never fails.
//! A cell prefers the tile that sees it with less noise and farther from its border; a cut between two cells costs what the two
//! tiles differ by there (Kwatra et al. 2003), and something for its length. Method: alpha expansion (Boykov, Veksler & Zabih
//! 2001), each tile in turn offered every cell that it sees, until nothing changes.

use super::cover::{self, Footprint};
use super::cut::Cut;
use crate::image::{Image, Size};
use rayon::prelude::*;

/// Cell without a tile.
pub const NOBODY: u16 = u16::MAX;
/// Cost of a cut per cell of its length, in the units of a difference of roots of transmittance (noise is about 0.002 there).
const LENGTH: f32 = 0.01;
/// Cost of a cell at the very border of its tile, and of one with twice the noise of the best.
const BORDER: f32 = 0.02;
const NOISE: f32 = 0.01;
const SWEEPS: usize = 3;
/// Most cells that are cut at once.
const AT_ONCE: usize = 8000;

/// What the cuts are made from.
struct Views<'a> {
    /// For each cell the footprints (by index) that see it, row by row.
    seen: Vec<Vec<u16>>,
    footprints: &'a [Footprint],
    gains: &'a [f64],
    /// Relative noise of each tile, 1 for the best, in octaves above it.
    noise: &'a [f32],
    columns: usize,
}

impl Views<'_> {
    /// Root of what a footprint sees of a cell, in all tiles' common light.
    fn root(&self, f: usize, row: usize, column: usize) -> f32 {
        let print = &self.footprints[f];
        let inside = row >= print.row
            && column >= print.column
            && row < print.row + print.light.rows()
            && column < print.column + print.light.columns();
        if !inside {
            return f32::NAN;
        }
        let t = print.light.at(row - print.row, column - print.column) * self.gains[print.tile] as f32;
        t.max(0.0).sqrt()
    }

    fn own(&self, f: usize, row: usize, column: usize) -> f32 {
        let print = &self.footprints[f];
        let depth = print.depth.at(row - print.row, column - print.column);
        BORDER * (1.0 - depth).powi(2) + NOISE * self.noise[print.tile]
    }

    /// What a cut between two neighbouring cells costs if they come from `a` and from `b`.
    fn differ(&self, a: usize, b: usize, p: (usize, usize), q: (usize, usize)) -> f32 {
        if a == b {
            return 0.0;
        }
        let at = |p: (usize, usize)| {
            let d = (self.root(a, p.0, p.1) - self.root(b, p.0, p.1)).abs();
            if d.is_finite() { d } else { 0.05 }
        };
        LENGTH + at(p) + at(q)
    }
}

/// Chooses a tile for every cell of a grid of `size`. `light[tile]`: how much light it gathered, relative.
pub fn choose(size: Size, footprints: &[Footprint], gains: &[f64], light: &[f64]) -> Image<u16> {
    let most = footprints.iter().map(|f| light[f.tile]).fold(f64::MIN_POSITIVE, f64::max);
    let noise: Vec<f32> = light.iter().map(|l| (most / l).max(1.0).log2() as f32).collect();
    let labels = cut(size, footprints, gains, &noise);
    labels.map(|f| if f == NOBODY { NOBODY } else { footprints[f as usize].tile as u16 })
}

/// [`choose`], by index of footprint. A large grid is first cut on cells twice as wide, and then only near those cuts: a cut takes longer than
/// its cells are many (banded cuts, Lombaert et al. 2005).
fn cut(size: Size, footprints: &[Footprint], gains: &[f64], noise: &[f32]) -> Image<u16> {
    let wider = (size.area() > AT_ONCE).then(|| {
        let halved: Vec<Footprint> = footprints.par_iter().map(cover::halved).collect();
        cut(Size::new(size.rows.div_ceil(2), size.columns.div_ceil(2)), &halved, gains, noise)
    });
    // What the wider cells about a cell took; where one of them has nothing, all may.
    let may = |f: u16, row: usize, column: usize| {
        wider.as_ref().is_none_or(|wider| {
            let near = |k: usize| wider.at_clamped((row / 2 + k / 3) as isize - 1, (column / 2 + k % 3) as isize - 1);
            (0..9).map(near).any(|n| n == f || n == NOBODY)
        })
    };
    let mut seen = vec![Vec::new(); size.area()];
    for (k, f) in footprints.iter().enumerate() {
        for r in 0..f.light.rows() {
            for c in 0..f.light.columns() {
                let (row, column) = (f.row + r, f.column + c);
                if f.light.at(r, c).is_finite() && may(k as u16, row, column) {
                    seen[row * size.columns + column].push(k as u16);
                }
            }
        }
    }
    let views = Views { seen, footprints, gains, noise, columns: size.columns };
    let best = |(at, who): (usize, &Vec<u16>)| {
        let (row, column) = (at / size.columns, at % size.columns);
        let before = wider.as_ref().map(|wider| wider.at(row / 2, column / 2)).filter(|f| who.contains(f));
        let cost = |f: &u16| views.own(*f as usize, row, column);
        before.or_else(|| who.iter().copied().min_by(|a, b| cost(a).total_cmp(&cost(b)))).unwrap_or(NOBODY)
    };
    let mut labels = Image::from_vec(size, views.seen.iter().enumerate().map(best).collect());
    for _ in 0..SWEEPS {
        let mut changed = 0;
        for f in 0..footprints.len() {
            changed += views.expand(f, &mut labels);
        }
        if changed * 1000 < size.area() {
            break;
        }
    }
    labels
}

impl Views<'_> {
    /// Offers every cell that `f` sees to it; gives how many took it.
    fn expand(&self, f: usize, labels: &mut Image<u16>) -> usize {
        let print = &self.footprints[f];
        let (rows, columns) = (print.light.rows(), print.light.columns());
        // Cells that have a choice and are not taken yet.
        let mut node = vec![usize::MAX; rows * columns];
        let mut cells = Vec::new();
        for r in 0..rows {
            for c in 0..columns {
                let (row, column) = (print.row + r, print.column + c);
                let free = self.seen[row * self.columns + column].len() > 1 && print.light.at(r, c).is_finite();
                if free && labels.at(row, column) != f as u16 {
                    node[r * columns + c] = cells.len();
                    cells.push((row, column));
                }
            }
        }
        let mut cut = Cut::new(cells.len());
        let mut costs: Vec<(f32, f32)> = cells
            .iter()
            .map(|&(row, column)| (self.own(labels.at(row, column) as usize, row, column), self.own(f, row, column)))
            .collect();
        for (k, &(row, column)) in cells.iter().enumerate() {
            let now = labels.at(row, column) as usize;
            let around =
                [(row.wrapping_sub(1), column), (row + 1, column), (row, column.wrapping_sub(1)), (row, column + 1)];
            for other in around {
                if other.0 >= labels.rows() || other.1 >= labels.columns() || labels.at(other.0, other.1) == NOBODY {
                    continue;
                }
                let there = labels.at(other.0, other.1) as usize;
                let with = match (other.0.checked_sub(print.row), other.1.checked_sub(print.column)) {
                    (Some(r), Some(c)) if r < rows && c < columns => node[r * columns + c],
                    _ => usize::MAX,
                };
                let differ = |a: usize, b: usize| self.differ(a, b, (row, column), other);
                if with == usize::MAX {
                    costs[k].0 += differ(now, there);
                    costs[k].1 += differ(f, there);
                } else if with > k {
                    // Costs of no/no, yes/no and no/yes (yes/yes is free), split into terms of one node each and one of both
                    // (Kolmogorov & Zabih 2004).
                    let (stay, first, second) = (differ(now, there), differ(f, there), differ(now, f));
                    costs[k].0 += stay;
                    costs[k].1 += first;
                    costs[with].0 += first;
                    cut.pair(k, with, 0.0, (first + second - stay).max(0.0));
                }
            }
        }
        costs.iter().enumerate().for_each(|(k, (no, yes))| cut.node(k, *no, *yes));
        let answers = cut.solve();
        let mut changed = 0;
        for (&(row, column), yes) in cells.iter().zip(answers) {
            if yes {
                labels.set(row, column, f as u16);
                changed += 1;
            }
        }
        changed
    }
}
