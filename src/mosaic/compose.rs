//! Tiles into one plate: each pixel interpolated once from a tile's own pixels.
//!
//! In: the [`Store`], a [`Placement`], and a [`Target`]: the result's size, sampling, and how it lies on the plate. Out: bands of
//! rows of transmittance, top to bottom, handed to `sink` as they are done, and the [`Seams`]. Memory: one band, and the windows of
//! the tiles that it shows. Places that no tile sees come out as 0. Fails if a tile cannot be read back, or as `sink` does.
//!
//! The result does not depend on the number of threads: each pixel is worked out on its own.

use super::cover::{self, Footprint, Grid};
use super::level;
use super::placement::Placement;
use super::seams::{self, NOBODY};
use super::store::{Level, Store};
use crate::error::{Error, Fault, InFile};
use crate::geometry::resample::Kernel;
use crate::geometry::{Homography, Point, View};
use crate::image::{Image, Size, Window};
use crate::units::Transmittance;
use rayon::prelude::*;

/// What is to be made.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    pub size: Size,
    pub px_per_mm: f64,
    /// From millimetres of the result (after mirroring and turning) to millimetres of the plate as the captures see it.
    pub to_plate: Homography,
}

/// Where each part of the result came from.
#[derive(Debug, Clone)]
pub struct Seams {
    /// The tile of each cell, [`Seams::NOBODY`] where none reaches.
    pub tiles: Image<u16>,
    /// Result pixels along a cell's side.
    pub cell: usize,
}

impl Seams {
    pub const NOBODY: u16 = NOBODY;
}

/// Pixels along the side of a cell: cuts run between cells, and the change-over is one cell wide.
const CELL: usize = 16;
/// Cells to a band.
const BAND: usize = 12;
/// Source pixels that the kernel may reach beyond a band's window, at the widest reduction.
const REACH: f64 = 66.0;

/// Composes the plate.
pub fn compose(
    store: &Store,
    placement: &Placement,
    target: &Target,
    sink: &mut (dyn FnMut(Image<Transmittance>) -> Result<(), Error> + Send),
) -> Result<Seams, Error> {
    let scene = Scene::new(store, placement, target);
    let Size { rows, columns } = target.size;
    let height = |top: usize| (BAND * CELL).min(rows - top);
    let band = |top| scene.band(top, Size::new(height(top), columns)).in_file(store.folder());
    let (mut top, mut done) = (0, band(0)?);
    while top + height(top) < rows {
        top += height(top);
        let (sunk, next) = rayon::join(|| sink(done), || band(top));
        sunk?;
        done = next?;
    }
    sink(done)?;
    Ok(Seams { tiles: scene.labels, cell: CELL })
}

/// Everything that is worked out once.
struct Scene<'a> {
    store: &'a Store,
    /// From millimetres of the result to each tile's pixels.
    views: Vec<Option<View>>,
    gains: Vec<f64>,
    px_per_mm: f64,
    kernels: Vec<Option<Kernel>>,
    labels: Image<u16>,
    footprints: Vec<Footprint>,
    fields: Vec<Image<f32>>,
    /// Index of each tile's footprint.
    print_of: Vec<Option<usize>>,
}

/// A tile for each cell: cut on cells of twice the size, then every small cell whose tile does not reach it is given to the
/// tile that sees it deepest.
fn labels(grid: &Grid, footprints: &[Footprint], gains: &[f64], light: &[f64]) -> Image<u16> {
    let size = Size::new(grid.size.rows.div_ceil(2), grid.size.columns.div_ceil(2));
    let halved: Vec<Footprint> = footprints.par_iter().map(cover::halved).collect();
    let cut = seams::choose(size, &halved, gains, light);
    Image::from_rows(grid.size, NOBODY, |row, out| {
        for (column, label) in out.iter_mut().enumerate() {
            let depth = |f: &Footprint| f.depth_at(row, column);
            let cut = cut.at(row / 2, column / 2);
            let holds = footprints.iter().any(|f| f.tile as u16 == cut && depth(f).is_some());
            let deepest = || {
                let seen = footprints.iter().filter_map(|f| Some((depth(f)?, f.tile as u16)));
                seen.reduce(|best, one| if one.0 > best.0 { one } else { best }).map_or(NOBODY, |best| best.1)
            };
            *label = if holds { cut } else { deepest() };
        }
    })
}

/// One tile's pixels for one band.
struct Source {
    light: Image<f32>,
    offset: Point,
}

impl<'a> Scene<'a> {
    fn new(store: &'a Store, placement: &Placement, target: &Target) -> Scene<'a> {
        let views: Vec<Option<View>> = placement
            .views()
            .into_iter()
            .map(|v| v.map(|v| View { plane: v.plane.after(&target.to_plate), lens: v.lens }))
            .collect();
        let px_per_mm = target.px_per_mm;
        let size = Size::new(target.size.rows.div_ceil(CELL), target.size.columns.div_ceil(CELL));
        let grid = Grid { origin: Point::default(), step: CELL as f64 / px_per_mm, size };
        let footprints = cover::footprints(store, &views, &grid);
        let gains = placement.gains();
        let mut stated: Vec<f64> = (0..store.len()).filter_map(|k| store.exposure(k)).collect();
        stated.sort_by(f64::total_cmp);
        // What does not say is taken for one like the others.
        let usual = stated.get(stated.len() / 2).copied().unwrap_or(1.0);
        let light: Vec<f64> = (0..store.len()).map(|k| store.exposure(k).unwrap_or(usual) / gains[k]).collect();
        let (labels, fields) =
            rayon::join(|| labels(&grid, &footprints, &gains, &light), || level::fields(&footprints, &gains, &light));
        let full = store.size(Level::Full);
        let middle = Point::new(full.columns as f64 / 2.0, full.rows as f64 / 2.0);
        let kernel = |v: &View| Kernel::new(v.sampling(v.to_plate(middle)) / px_per_mm);
        let kernels = views.iter().map(|v| v.as_ref().map(kernel)).collect();
        let mut print_of = vec![None; store.len()];
        footprints.iter().enumerate().for_each(|(k, f)| print_of[f.tile] = Some(k));
        Scene { store, views, gains, px_per_mm, kernels, labels, footprints, fields, print_of }
    }

    fn band(&self, top: usize, size: Size) -> Result<Image<Transmittance>, Fault> {
        let sources = self.sources(top, size)?;
        let mut band = Image::filled(size, Transmittance(0.0));
        // One row of cells at a time, on all cores.
        band.pixels_mut().par_chunks_mut(CELL * size.columns).enumerate().for_each(|(k, out)| {
            for left in (0..size.columns).step_by(CELL) {
                self.cell(top + k * CELL, left, size.columns, out, &sources);
            }
        });
        Ok(band)
    }

    /// The windows of all tiles that a band may show.
    fn sources(&self, top: usize, size: Size) -> Result<Vec<Option<Source>>, Fault> {
        let full = self.store.size(Level::Full);
        let (first, last) = ((top / CELL).saturating_sub(1), (top + size.rows).div_ceil(CELL) + 1);
        let mut used = vec![false; self.store.len()];
        for row in first..last.min(self.labels.rows()) {
            self.labels.row(row).iter().filter(|l| **l != NOBODY).for_each(|l| used[*l as usize] = true);
        }
        let window = |view: &View| {
            let (mut least, mut most) = (Point::new(f64::MAX, f64::MAX), Point::new(f64::MIN, f64::MIN));
            for k in 0..=64 {
                for y in [top, top + size.rows] {
                    let p = Point::new(size.columns as f64 * k as f64 / 64.0, y as f64) * (1.0 / self.px_per_mm);
                    let q = view.to_capture(p);
                    // Parts of the band far outside the tile say nothing of what it needs.
                    let near = |v: f64, most: usize| v > -(most as f64) && v < 2.0 * most as f64;
                    if near(q.x, full.columns) && near(q.y, full.rows) {
                        least = Point::new(least.x.min(q.x), least.y.min(q.y));
                        most = Point::new(most.x.max(q.x), most.y.max(q.y));
                    }
                }
            }
            let low = |v: f64| (v - REACH).floor().max(0.0) as usize;
            let high = |v: f64, end: usize| (v + REACH).ceil().clamp(0.0, end as f64) as usize;
            let (row, column) = (low(least.y), low(least.x));
            let (bottom, right) = (high(most.y, full.rows), high(most.x, full.columns));
            (bottom > row && right > column).then(|| Window {
                row,
                column,
                size: Size::new(bottom - row, right - column),
            })
        };
        (0..self.store.len())
            .into_par_iter()
            .map(|tile| {
                let Some(window) = self.views[tile].as_ref().filter(|_| used[tile]).and_then(window) else {
                    return Ok(None);
                };
                let offset = Point::new(window.column as f64, window.row as f64);
                Ok(Some(Source { light: self.store.light(tile, window)?, offset }))
            })
            .collect()
    }

    /// One cell: mostly of one tile; near a cut of two or more, changing over from the middle of one cell to the next.
    fn cell(&self, top: usize, left: usize, columns: usize, out: &mut [Transmittance], sources: &[Option<Source>]) {
        let rows = out.len() / columns;
        let wide = CELL.min(columns - left);
        let (row, column) = (top / CELL, left / CELL);
        let near: [[u16; 3]; 3] = std::array::from_fn(|r| {
            std::array::from_fn(|c| self.labels.at_clamped((row + r) as isize - 1, (column + c) as isize - 1))
        });
        let mut tiles = near.as_flattened().to_vec();
        tiles.sort_unstable();
        tiles.dedup();
        let patches: Vec<(u16, Patch)> =
            tiles.iter().filter_map(|t| Some((*t, self.patch(*t, top, left, sources)?))).collect();
        let alone = patches.len() == 1;
        for y in 0..rows {
            let (mut sums, mut weights) = ([0.0; CELL], [0.0; CELL]);
            for (tile, patch) in &patches {
                let mut weight = [1.0; CELL];
                if !alone || !patch.whole {
                    let of = |x| if alone { 1.0 } else { share(*tile, [x, y], &near) };
                    let held = |x| if patch.holds(x, y) { of(x) } else { 0.0 };
                    weight.iter_mut().enumerate().for_each(|(x, weight)| *weight = held(x));
                }
                if weight.iter().all(|w| *w == 0.0) {
                    continue;
                }
                let light = patch.row(y);
                for x in 0..CELL {
                    sums[x] += weight[x] * light[x];
                    weights[x] += weight[x];
                }
            }
            let line = &mut out[y * columns + left..][..wide];
            for (out, (sum, weight)) in line.iter_mut().zip(sums.iter().zip(&weights)).filter(|(_, (_, w))| **w > 0.0) {
                *out = Transmittance((sum / weight) as f32);
            }
        }
    }

    /// What one tile gives to a cell.
    fn patch<'s>(&'s self, tile: u16, top: usize, left: usize, sources: &'s [Option<Source>]) -> Option<Patch<'s>> {
        if tile == NOBODY {
            return None;
        }
        let tile = tile as usize;
        let (view, source, kernel) = (self.views[tile]?, sources[tile].as_ref()?, self.kernels[tile].as_ref()?);
        let to = |x: f64, y: f64| view.to_capture(Point::new(left as f64 + x, top as f64 + y) * (1.0 / self.px_per_mm));
        let end = CELL as f64;
        let corners = [to(0.0, 0.0), to(end, 0.0), to(0.0, end), to(end, end)];
        let full = self.store.size(Level::Full);
        let whole = corners.iter().all(|p| inside(*p, full));
        let print = self.print_of[tile]?;
        let (row, column) = (top / CELL, left / CELL);
        let factor = |dr: isize, dc: isize| self.factor(print, row as isize + dr, column as isize + dc);
        // Factors at the cell's corners, each the mean of the four cells that meet there.
        let corner = |dr: isize, dc: isize| {
            0.25 * (factor(dr - 1, dc - 1) + factor(dr - 1, dc) + factor(dr, dc - 1) + factor(dr, dc))
        };
        let factors = [corner(0, 0), corner(0, 1), corner(1, 0), corner(1, 1)].map(|f| f * self.gains[tile]);
        Some(Patch { corners, factors, whole, full, source, kernel })
    }

    /// The level's factor of a cell, the nearest one's beyond the footprint.
    fn factor(&self, print: usize, row: isize, column: isize) -> f64 {
        let f = &self.footprints[print];
        self.fields[print].at_clamped(row - f.row as isize, column - f.column as isize) as f64
    }
}

/// A tile's part in a cell.
struct Patch<'a> {
    /// Where the cell's corners lie in the tile, and the factors there: top-left, top-right, bottom-left, bottom-right.
    corners: [Point; 4],
    factors: [f64; 4],
    /// Whether the tile holds all of the cell.
    whole: bool,
    full: Size,
    source: &'a Source,
    kernel: &'a Kernel,
}

impl Patch<'_> {
    /// Where a pixel of the cell lies in the tile. Between the corners everything is linear: over 16 pixels a lens's bend is below a
    /// hundredth of a pixel.
    fn place(&self, x: usize, y: usize) -> Point {
        let [u, v] = across(x, y);
        let [a, b, c, d] = self.corners;
        (a * (1.0 - u) + b * u) * (1.0 - v) + (c * (1.0 - u) + d * u) * v
    }

    /// Whether the tile sees a pixel of the cell.
    fn holds(&self, x: usize, y: usize) -> bool {
        self.whole || inside(self.place(x, y), self.full)
    }

    /// Light along a row of the cell.
    fn row(&self, y: usize) -> [f64; CELL] {
        let Source { light, offset } = self.source;
        let mut read = [0f32; CELL];
        self.kernel.run::<CELL>(light.pixels(), light.size(), |x| self.place(x, y) - *offset, &mut read);
        let [a, b, c, d] = self.factors;
        let mut light = [0.0; CELL];
        for (x, (light, read)) in light.iter_mut().zip(read).enumerate() {
            let [u, v] = across(x, y);
            let factor = (a * (1.0 - u) + b * u) * (1.0 - v) + (c * (1.0 - u) + d * u) * v;
            *light = factor * f64::from(read);
        }
        light
    }
}

/// The middle of a cell's pixel as shares of the cell's sides.
fn across(x: usize, y: usize) -> [f64; 2] {
    [x, y].map(|k| (k as f64 + 0.5) / CELL as f64)
}

fn inside(p: Point, size: Size) -> bool {
    p.x > 0.0 && p.y > 0.0 && p.x < size.columns as f64 && p.y < size.rows as f64
}

/// A tile's share of a cell's pixel: of the cells there, `near` being those around, the tile's own count 1, others 0, linear between
/// cells' middles.
fn share(tile: u16, [x, y]: [usize; 2], near: &[[u16; 3]; 3]) -> f64 {
    // From the middle of the cell above and to the left.
    let [x, y] = across(x, y).map(|k| k + 0.5);
    let (c, r) = (x as usize, y as usize);
    let (u, v) = (x.fract(), y.fract());
    let mine = |dr: usize, dc: usize| if near[r + dr][c + dc] == tile { 1.0 } else { 0.0 };
    (mine(0, 0) * (1.0 - u) + mine(0, 1) * u) * (1.0 - v) + (mine(1, 0) * (1.0 - u) + mine(1, 1) * u) * v
}
