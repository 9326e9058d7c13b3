//! The plate's cover: which tiles see each cell of a coarse grid over the plate, and what they see there.
//!
//! In: the [`Store`] and the tiles' views. Out: a [`Grid`] and one [`Footprint`] for each placed tile, transmittance by cells;
//! from them the coarse plate. Nothing here fails. Gains, the outline, cuts and gaps are found on these.

use super::model::shown;
use super::store::{Level, Store};
use crate::geometry::resample::Kernel;
use crate::geometry::{Point, View};
use crate::image::{Image, Size};
use rayon::prelude::*;

/// Square cells over a part of the plate's plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Top-left corner, in the plate's units.
    pub origin: Point,
    /// Side of a cell, in the plate's units.
    pub step: f64,
    pub size: Size,
}

/// What one tile sees of a grid.
#[derive(Debug, Clone)]
pub struct Footprint {
    pub tile: usize,
    /// First row and column of the grid that `light` holds.
    pub row: usize,
    pub column: usize,
    /// Transmittance; not a number where the tile does not reach.
    pub light: Image<f32>,
    /// How far inside the tile a cell lies: 0 at its border, 1 from a tenth of its short side on.
    pub depth: Image<f32>,
}

impl Footprint {
    /// How deep a cell of the grid lies in the tile; none where the tile does not see it.
    pub fn depth_at(&self, row: usize, column: usize) -> Option<f32> {
        let (r, c) = (row.checked_sub(self.row)?, column.checked_sub(self.column)?);
        let inside = r < self.light.rows() && c < self.light.columns() && self.light.at(r, c).is_finite();
        inside.then(|| self.depth.at(r, c))
    }
}

/// The same on a grid of cells twice as wide: means of four; only cells all of which the tile sees.
pub fn halved(print: &Footprint) -> Footprint {
    let (row, column) = (print.row / 2, print.column / 2);
    let size = Size::new(
        (print.row + print.light.rows()).div_ceil(2) - row,
        (print.column + print.light.columns()).div_ceil(2) - column,
    );
    let four = |image: &Image<f32>, r: usize, c: usize| {
        let at = |r: usize, c: usize| {
            let (r, c) = (r.checked_sub(print.row)?, c.checked_sub(print.column)?);
            (r < image.rows() && c < image.columns()).then(|| image.at(r, c))
        };
        let (r, c) = (2 * (row + r), 2 * (column + c));
        let each = [at(r, c), at(r, c + 1), at(r + 1, c), at(r + 1, c + 1)];
        0.25 * each.into_iter().map(|v| v.unwrap_or(f32::NAN)).sum::<f32>()
    };
    let of = |image: &Image<f32>| {
        Image::from_rows(size, f32::NAN, |r, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| *v = four(image, r, c));
        })
    };
    Footprint { tile: print.tile, row, column, light: of(&print.light), depth: of(&print.depth) }
}

/// Most cells of a grid: a few thousand a side, whatever the plate.
pub const MOST_CELLS: f64 = 1.6e6;
/// How far a grid over everything goes on beyond it, as a share of its extent: what surrounds the plate then has a border there.
const BEYOND: f64 = 0.02;

impl Grid {
    /// Over everything that the tiles see and a little beyond, with so many cells at most, no finer than a reduced pixel.
    pub fn over(store: &Store, views: &[Option<View>], most_cells: f64) -> Grid {
        let size = store.size(Level::Full);
        let (w, h) = (size.columns as f64, size.rows as f64);
        let corners = views
            .iter()
            .flatten()
            .flat_map(|v| [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| v.to_plate(Point::new(x, y))));
        let (mut least, mut most) = (Point::new(f64::MAX, f64::MAX), Point::new(f64::MIN, f64::MIN));
        for p in corners {
            least = Point::new(least.x.min(p.x), least.y.min(p.y));
            most = Point::new(most.x.max(p.x), most.y.max(p.y));
        }
        let beyond = (most - least) * BEYOND;
        let (least, most) = (least - beyond, most + beyond);
        let sampling =
            views.iter().flatten().next().map_or(1.0, |v| v.sampling(v.to_plate(Point::new(w / 2.0, h / 2.0))));
        Grid::of(least, most, store.scale(Level::Reduced) / sampling, most_cells)
    }

    /// Over a rectangle, with cells of `step` or larger.
    pub fn covering(least: Point, most: Point, step: f64) -> Grid {
        Grid::of(least, most, step, MOST_CELLS)
    }

    fn of(least: Point, most: Point, step: f64, most_cells: f64) -> Grid {
        let extent = most - least;
        let step = step.max((extent.x * extent.y / most_cells).sqrt());
        let size = Size::new((extent.y / step).ceil().max(1.0) as usize, (extent.x / step).ceil().max(1.0) as usize);
        Grid { origin: least, step, size }
    }

    /// The middle of a cell, in the plate's units.
    pub fn middle(&self, row: usize, column: usize) -> Point {
        self.origin + Point::new(column as f64 + 0.5, row as f64 + 0.5) * self.step
    }
}

/// What each placed tile sees of the grid.
pub fn footprints(store: &Store, views: &[Option<View>], grid: &Grid) -> Vec<Footprint> {
    let placed: Vec<(usize, &View)> = views.iter().enumerate().filter_map(|(k, v)| Some((k, v.as_ref()?))).collect();
    placed.par_iter().filter_map(|(tile, view)| footprint(store, *tile, view, grid)).collect()
}

fn footprint(store: &Store, tile: usize, view: &View, grid: &Grid) -> Option<Footprint> {
    let size = store.size(Level::Full);
    let (w, h) = (size.columns as f64, size.rows as f64);
    let scale = store.scale(Level::Reduced);
    let (mut least, mut most) = (Point::new(f64::MAX, f64::MAX), Point::new(f64::MIN, f64::MIN));
    // Sides may bulge under the lens: eight points along them.
    for k in 0..8 {
        let t = k as f64 / 8.0;
        for p in [(w * t, 0.0), (w, h * t), (w - w * t, h), (0.0, h - h * t)] {
            let q = (view.to_plate(Point::new(p.0, p.1)) - grid.origin) * (1.0 / grid.step);
            least = Point::new(least.x.min(q.x), least.y.min(q.y));
            most = Point::new(most.x.max(q.x), most.y.max(q.y));
        }
    }
    let from = |v: f64| (v.floor() - 1.0).max(0.0) as usize;
    let to = |v: f64, most: usize| (v.ceil() + 1.0).clamp(0.0, most as f64) as usize;
    let (row, column) = (from(least.y), from(least.x));
    let (bottom, right) = (to(most.y, grid.size.rows), to(most.x, grid.size.columns));
    if row >= bottom || column >= right {
        return None;
    }
    let reduced = store.reduced(tile).map(|r| r * r.abs());
    let middle = view.to_plate(Point::new(w / 2.0, h / 2.0));
    let kernel = Kernel::new(grid.step * view.sampling(middle) / scale);
    let short = w.min(h);
    let mut light = Image::filled(Size::new(bottom - row, right - column), f32::NAN);
    let mut depth = Image::filled(light.size(), 0f32);
    for r in 0..light.rows() {
        for c in 0..light.columns() {
            let Some(p) = shown(view, grid.middle(row + r, column + c), size) else { continue };
            let inside = p.x.min(p.y).min(w - p.x).min(h - p.y);
            // Whole reduced pixels only: the last ones may be cut off.
            if inside >= 0.5 * scale {
                light.set(r, c, kernel.sample(&reduced, p * (1.0 / scale)));
                depth.set(r, c, (inside / (0.1 * short)).min(1.0) as f32);
            }
        }
    }
    Some(Footprint { tile, row, column, light, depth })
}

/// The coarse plate: the mean of what tiles see of each cell, each multiplied by its gain and counting more the deeper the cell
/// lies in it; not a number where none reaches.
pub fn coarse(grid: &Grid, footprints: &[Footprint], gains: &[f64]) -> Image<f32> {
    Image::from_rows(grid.size, f32::NAN, |y, out| {
        let mut sums = vec![[0f32; 2]; out.len()];
        for f in footprints.iter().filter(|f| (f.row..f.row + f.light.rows()).contains(&y)) {
            let gain = gains[f.tile] as f32;
            let seen = f.light.row(y - f.row).iter().zip(f.depth.row(y - f.row));
            for ([sum, weight], (t, depth)) in sums[f.column..].iter_mut().zip(seen).filter(|(_, (t, _))| t.is_finite())
            {
                let w = depth + 1e-3;
                *sum += w * gain * t;
                *weight += w;
            }
        }
        for (out, [sum, weight]) in out.iter_mut().zip(sums).filter(|(_, [_, weight])| *weight > 0.0) {
            *out = sum / weight;
        }
    })
}

/// What is taken to lie where no tile sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beyond {
    /// What the nearest cell that a tile sees shows: whatever surrounds the plate, panel and mask, goes on as it was last seen, and a plate
    /// that runs out of the cover runs on.
    RunsOn,
    /// What most of the cover's rim shows: a plate that runs out of the cover here and there ends there.
    Even,
}

/// The same with values in cells that no tile reaches.
pub fn extended(mut seen: Image<f32>, beyond: Beyond) -> Image<f32> {
    let Size { rows, columns } = seen.size();
    let beside = |row: usize, column: usize| {
        [(row.wrapping_sub(1), column), (row, column.wrapping_sub(1)), (row, column + 1), (row + 1, column)]
            .into_iter()
            .filter(move |&(r, c)| r < rows && c < columns)
    };
    let at_rim =
        |&(r, c): &(usize, usize)| seen.at(r, c).is_finite() && beside(r, c).any(|(r, c)| !seen.at(r, c).is_finite());
    let mut rim: Vec<(usize, usize)> =
        (0..rows).into_par_iter().flat_map_iter(|r| (0..columns).map(move |c| (r, c)).filter(at_rim)).collect();
    if beyond == Beyond::Even && !rim.is_empty() {
        let mut levels: Vec<f32> = rim.iter().map(|&(r, c)| seen.at(r, c)).collect();
        let middle = levels.len() / 2;
        let level = *levels.select_nth_unstable_by(middle, f32::total_cmp).1;
        return seen.map(|t| if t.is_finite() { t } else { level });
    }
    while !rim.is_empty() {
        let mut next = Vec::new();
        for (row, column) in rim {
            let value = seen.at(row, column);
            for (r, c) in beside(row, column) {
                if !seen.at(r, c).is_finite() {
                    seen.set(r, c, value);
                    next.push((r, c));
                }
            }
        }
        rim = next;
    }
    seen
}

/// Rectangles [x, y, width, height], in the plate's units, round the places of a width × height plate that no tile sees.
pub fn gaps(grid: &Grid, footprints: &[Footprint], width: f64, height: f64) -> Vec<[f64; 4]> {
    let Size { rows, columns } = grid.size;
    let mut open = vec![false; grid.size.area()];
    for row in 0..rows {
        for column in 0..columns {
            let p = grid.middle(row, column);
            open[row * columns + column] = p.x > 0.0 && p.y > 0.0 && p.x < width && p.y < height;
        }
    }
    for f in footprints {
        for r in 0..f.light.rows() {
            for c in 0..f.light.columns() {
                if f.light.at(r, c).is_finite() {
                    open[(f.row + r) * columns + f.column + c] = false;
                }
            }
        }
    }
    let mut gaps = Vec::new();
    // Flood each open place and keep the rectangle about it.
    for start in 0..open.len() {
        if !open[start] {
            continue;
        }
        let (mut top, mut bottom, mut left, mut right) = (rows, 0, columns, 0);
        let mut stack = vec![start];
        open[start] = false;
        let mut cells = 0;
        while let Some(at) = stack.pop() {
            let (r, c) = (at / columns, at % columns);
            cells += 1;
            (top, bottom, left, right) = (top.min(r), bottom.max(r), left.min(c), right.max(c));
            let next = [
                (r > 0).then(|| at - columns),
                (r + 1 < rows).then(|| at + columns),
                (c > 0).then(|| at - 1),
                (c + 1 < columns).then(|| at + 1),
            ];
            for to in next.into_iter().flatten().filter(|to| open[*to]).collect::<Vec<_>>() {
                open[to] = false;
                stack.push(to);
            }
        }
        // A lone cell at a border is the grid's rounding, not a gap.
        if cells > 3 {
            let corner = grid.origin + Point::new(left as f64, top as f64) * grid.step;
            let extent = Point::new((right + 1 - left) as f64, (bottom + 1 - top) as f64) * grid.step;
            gaps.push([corner.x.max(0.0), corner.y.max(0.0), extent.x, extent.y]);
        }
    }
    gaps
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Panel on three sides of a plate that runs out of the cover in the middle of its right side.
    #[test]
    fn what_lies_beyond_runs_on_or_is_as_most_of_the_rim() {
        let (nothing, panel, plate) = (f32::NAN, 1.0, 0.1);
        let seen = Image::from_rows(Size::new(9, 12), nothing, |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                *t = match (row, column) {
                    (0 | 8, _) | (_, 0 | 11) => nothing,
                    (4..=5, 3..=10) => plate,
                    _ => panel,
                };
            }
        });
        let right = |beyond| {
            let whole = extended(seen.clone(), beyond);
            assert_eq!((whole.at(0, 5), whole.at(8, 5), whole.at(4, 4)), (panel, panel, plate));
            whole.at(4, 11)
        };
        assert_eq!((right(Beyond::RunsOn), right(Beyond::Even)), (plate, panel));
    }
}
