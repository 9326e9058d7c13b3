//! Densities of the part of the scene that all plates show, by their ranks.
//!
//! In: densities of all plates on A's grid, each with the outline of its scene. Out: an [`Area`]: quantiles, shares, histograms, local
//! contrast, and what a plate has over A at a rank. Nothing here fails.
//!
//! Ranks tell what place-by-place relations cannot: below the speed point one density of A, blank or nearly so, goes with many of B, and
//! only the order of the places holds them apart. They do not see what moved.

use super::joint::Figure;
use super::outline::Outline;
use super::plane::blur;
use super::search::centre;
use crate::image::Image;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64;
use rayon::prelude::*;

/// Blur before densities are counted, in pixels: grain would carry blank shadows over the speed point and back.
const SOFT: f32 = 0.5;
/// Width of a histogram's bin, in density.
const BIN: f64 = 0.02;
/// Half the side of the window in which local contrast is read, in pixels.
const WINDOW: usize = 8;

/// Side of the blocks of the scene that a bootstrap draws, in windows.
const BLOCK: usize = 8;
/// Draws of the bootstrap: the standard error itself is then known to 6 %.
const DRAWS: usize = 150;
/// How far ranks are trusted where all of the scene has moved, one standard deviation in density: what drifts in and out of the picture.
const DRIFT: f64 = 0.03;

/// Densities of the common area, the same places in every plate.
pub struct Area {
    /// For each plate, in rising order.
    sorted: Vec<Vec<f32>>,
    /// For each plate, A's density and the plate's local contrast in windows.
    contrasts: Vec<Vec<(f32, f32)>>,
    /// One place in each window: its block, and its density on each plate.
    spots: Vec<(usize, Vec<f32>)>,
}

impl Area {
    pub fn common(plates: &[(&Image<f32>, Outline)]) -> Area {
        let size = plates[0].0.size();
        let inside =
            |row: usize, column: usize| plates.iter().all(|(_, outline)| outline.contains(centre(row, column)));
        let places: Vec<(usize, usize)> = (0..size.rows)
            .into_par_iter()
            .flat_map_iter(|row| (0..size.columns).filter(move |c| inside(row, *c)).map(move |c| (row, c)))
            .collect();
        let soft: Vec<Image<f32>> = plates.iter().map(|(image, _)| blur(image, SOFT)).collect();
        let sorted = soft
            .iter()
            .map(|image| {
                let mut v: Vec<f32> = places.iter().map(|&(r, c)| image.at(r, c)).collect();
                v.par_sort_unstable_by(f32::total_cmp);
                v
            })
            .collect();
        let windows: Vec<(usize, usize)> = places
            .iter()
            .copied()
            .filter(|(r, c)| r % WINDOW == 0 && c % WINDOW == 0)
            .filter(|(r, c)| *r >= WINDOW && *c >= WINDOW && r + WINDOW < size.rows && c + WINDOW < size.columns)
            .collect();
        let contrasts = soft
            .iter()
            .map(|image| windows.iter().map(|&(r, c)| (soft[0].at(r, c), local_contrast(image, r, c))).collect())
            .collect();
        let across = size.columns.div_ceil(BLOCK * WINDOW);
        let block = |r: usize, c: usize| r / (BLOCK * WINDOW) * across + c / (BLOCK * WINDOW);
        let spots =
            windows.iter().map(|&(r, c)| (block(r, c), soft.iter().map(|image| image.at(r, c)).collect())).collect();
        Area { sorted, contrasts, spots }
    }

    /// Density under which a share of the area lies.
    pub fn quantile(&self, plate: usize, share: f64) -> f64 {
        let sorted = &self.sorted[plate];
        if sorted.is_empty() {
            return 0.0;
        }
        f64::from(sorted[((sorted.len() - 1) as f64 * share).round() as usize])
    }

    /// Density of `plate` under which as much of the area lies as on A under `density`.
    pub fn carried(&self, plate: usize, density: f64) -> f64 {
        self.quantile(plate, self.share_below(0, density))
    }

    /// What `plate` has over A by ranks at a density of A. `moved`: share of the scene that did not stay, which ranks cannot see. The
    /// standard error is that of drawing blocks of the scene again, with that of what moved.
    pub fn gain(&self, plate: usize, density: f64, moved: f64) -> Figure {
        let value = self.carried(plate, density) - density;
        let error = self.carried_error(plate, density);
        Figure { value, error: error.hypot(DRIFT * moved.clamp(0.0, 1.0)) }
    }

    /// Standard deviation of [`Area::carried`] over drawings of blocks.
    fn carried_error(&self, plate: usize, density: f64) -> f64 {
        let mut spots: Vec<(f32, bool, usize)> =
            self.spots.iter().map(|(block, d)| (d[plate], f64::from(d[0]) < density, *block)).collect();
        spots.sort_by(|p, q| p.0.total_cmp(&q.0));
        let blocks = spots.iter().map(|s| s.2 + 1).max().unwrap_or(0);
        let mut names: Vec<usize> = spots.iter().map(|s| s.2).collect();
        names.sort_unstable();
        names.dedup();
        let mut rng = Pcg64::seed_from_u64(0x51ed_270c);
        let drawn: Vec<f64> = (0..DRAWS)
            .filter_map(|_| {
                let mut times = vec![0u32; blocks];
                names.iter().for_each(|_| times[names[rng.random_range(0..names.len())]] += 1);
                let mut rank: u32 = spots.iter().filter(|s| s.1).map(|s| times[s.2]).sum();
                let reached = spots.iter().find(|s| {
                    rank = rank.saturating_sub(times[s.2]);
                    rank == 0
                });
                reached.map(|s| f64::from(s.0))
            })
            .collect();
        let mean = drawn.iter().sum::<f64>() / drawn.len().max(1) as f64;
        (drawn.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / drawn.len().max(1) as f64).sqrt()
    }

    /// Edges of bins of density, and for each plate the share of the area in each, in percent.
    pub fn histograms(&self) -> (Vec<f64>, Vec<Vec<f64>>) {
        let high = (0..self.sorted.len()).map(|i| self.quantile(i, 0.999)).fold(0.5, f64::max);
        let edges: Vec<f64> = (-4..=(high / BIN).ceil() as i32).map(|i| f64::from(i) * BIN).collect();
        let shares = (0..self.sorted.len())
            .map(|i| {
                edges.windows(2).map(|e| 100.0 * (self.share_below(i, e[1]) - self.share_below(i, e[0]))).collect()
            })
            .collect();
        (edges, shares)
    }

    pub fn share_below(&self, plate: usize, density: f64) -> f64 {
        let sorted = &self.sorted[plate];
        sorted.partition_point(|d| f64::from(*d) < density) as f64 / sorted.len().max(1) as f64
    }

    /// Median local contrast of a plate where A's density lies in a range.
    pub fn contrast(&self, plate: usize, from: f64, to: f64) -> Option<f64> {
        let mut found: Vec<f32> = self.contrasts[plate]
            .iter()
            .filter(|(d, _)| (from..to).contains(&f64::from(*d)))
            .map(|(_, contrast)| *contrast)
            .collect();
        if found.len() < 12 {
            return None;
        }
        let middle = found.len() / 2;
        Some(f64::from(*found.select_nth_unstable_by(middle, f32::total_cmp).1))
    }
}

/// Standard deviation of density in a window; half a pixel's blur has taken some of the grain.
fn local_contrast(image: &Image<f32>, row: usize, column: usize) -> f32 {
    let (mut sum, mut square, mut count) = (0f32, 0f32, 0f32);
    for r in row - WINDOW..=row + WINDOW {
        for v in &image.row(r)[column - WINDOW..=column + WINDOW] {
            sum += v;
            square += v * v;
            count += 1.0;
        }
    }
    let mean = sum / count;
    (square / count - mean * mean).max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point;
    use crate::image::Size;

    /// A ramp and the same raised by a known law: ranks carry it exactly, and a scene drawn again gives the same.
    #[test]
    fn ranks_carry_a_rising_law() {
        let size = Size::new(240, 320);
        let ramp = |law: fn(f32) -> f32| {
            Image::from_rows(size, 0f32, |row, out| {
                out.iter_mut().enumerate().for_each(|(c, v)| *v = law((row * 320 + c) as f32 / 76_800.0))
            })
        };
        let (a, b) = (ramp(|d| d), ramp(|d| 0.1 + 1.2 * d));
        let (w, h) = (320.0, 240.0);
        let corners = [Point::new(0.0, 0.0), Point::new(w, 0.0), Point::new(w, h), Point::new(0.0, h)];
        let outline = Outline { corners };
        let area = Area::common(&[(&a, outline), (&b, outline)]);
        let gain = area.gain(1, 0.05, 0.0);
        // A blur of half a pixel moves a quantile by no more than one step of the ramp along a row's end.
        assert!((gain.value - 0.11).abs() < 0.005, "{gain:?}");
        // A strictly rising law holds whatever is drawn; a spot's distance on the ramp is what is left.
        assert!(gain.error < 0.02, "{gain:?}");
        assert!(area.gain(1, 0.05, 0.5).error >= 0.5 * DRIFT);
    }
}
