//! Gains: what each tile's light must be multiplied by so that all agree.
//!
//! In: the tiles' [`Footprint`]s and whether their exposures are stated. Out: one gain a tile, 1 for a tile whose light was as
//! stated. Never fails: a tile without neighbours keeps 1.
//! Method: least squares on the ratios seen in the overlaps, in linear light, with 1 as the prior (Brown & Lowe 2007), but with
//! absolute instead of squared deviation from the prior: one tile that was exposed differently is then found alone, and does not pull
//! the level of all others with it.

use super::cover::Footprint;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// The ratio that two tiles show of each other.
#[derive(Debug, Clone, Copy)]
struct Ratio {
    a: usize,
    b: usize,
    /// ln of (light in a) / (light in b).
    log: f64,
    sigma: f64,
}

/// Relative standard deviation of an exposure that Exif states: shutters and apertures repeat to about a hundredth.
const STATED: f64 = 0.01;
/// The same where nothing is stated.
const UNSTATED: f64 = 0.1;
/// Deviation from the prior above which its pull no longer grows: half of what flat-fielding leaves.
const ABSOLUTE: f64 = 0.001;
/// What flat-fielding leaves between two tiles at best.
const FLOOR: f64 = 0.002;
/// Light below which noise and glare rule.
const DARKEST: f32 = 0.004;
/// Cells that an overlap must have to say anything.
const LEAST_CELLS: usize = 30;
/// Most of an overlap's cells that are looked at: the median of so many is sure to a hundredth of their spread.
const MOST_CELLS: usize = 20_000;

/// Solves for the gains of `count` tiles.
pub fn solve(count: usize, footprints: &[Footprint], stated: impl Fn(usize) -> bool) -> Vec<f64> {
    let pairs: Vec<_> =
        footprints.iter().enumerate().flat_map(|(i, a)| footprints[i + 1..].iter().map(move |b| (a, b))).collect();
    let ratios: Vec<Ratio> = pairs.par_iter().filter_map(|(a, b)| ratio(a, b)).collect();
    let sigma = |tile: usize| if stated(tile) { STATED } else { UNSTATED };
    let mut logs = DVector::<f64>::zeros(count);
    // Absolute deviation by reweighting: twenty rounds bring a single odd tile out to a thousandth.
    for _ in 0..40 {
        let mut normal = DMatrix::<f64>::zeros(count, count);
        let mut right = DVector::<f64>::zeros(count);
        for r in &ratios {
            let weight = r.sigma.powi(-2);
            normal[(r.a, r.a)] += weight;
            normal[(r.b, r.b)] += weight;
            normal[(r.a, r.b)] -= weight;
            normal[(r.b, r.a)] -= weight;
            right[r.a] -= weight * r.log;
            right[r.b] += weight * r.log;
        }
        for tile in 0..count {
            let s = sigma(tile);
            normal[(tile, tile)] += 1.0 / (s * f64::max(ABSOLUTE, logs[tile].abs()));
        }
        let Some(factor) = normal.cholesky() else { break };
        logs = factor.solve(&right);
    }
    logs.iter().map(|l| l.exp()).collect()
}

/// The weighted median of the cells' ratios: bright cells count more, as their light is better known.
fn ratio(a: &Footprint, b: &Footprint) -> Option<Ratio> {
    let top = a.row.max(b.row);
    let bottom = (a.row + a.light.rows()).min(b.row + b.light.rows());
    let left = a.column.max(b.column);
    let right = (a.column + a.light.columns()).min(b.column + b.light.columns());
    let mut seen: Vec<(f32, f32)> = Vec::new();
    for row in top..bottom {
        for column in left..right {
            let (ta, tb) = (a.light.at(row - a.row, column - a.column), b.light.at(row - b.row, column - b.column));
            if ta > DARKEST && tb > DARKEST {
                seen.push((ta, tb));
            }
        }
    }
    let count = seen.len();
    if count < LEAST_CELLS {
        return None;
    }
    let some = seen.into_iter().step_by(count.div_ceil(MOST_CELLS));
    let mut cells: Vec<(f64, f64)> = some.map(|(a, b)| ((a as f64 / b as f64).ln(), a.min(b) as f64)).collect();
    let log = weighted_median(&mut cells);
    let mut off: Vec<(f64, f64)> = cells.iter().map(|(l, w)| ((l - log).abs(), *w)).collect();
    let spread = 1.4826 * weighted_median(&mut off);
    // Neighbouring cells share what is wrong with the field: a hundred of them count as one.
    let sigma = (FLOOR * FLOOR + spread * spread * 100.0 / count as f64).sqrt();
    Some(Ratio { a: a.tile, b: b.tile, log, sigma })
}

fn weighted_median(cells: &mut [(f64, f64)]) -> f64 {
    cells.sort_unstable_by(|p, q| p.0.total_cmp(&q.0));
    let half = cells.iter().map(|c| c.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    for (value, weight) in cells.iter() {
        sum += weight;
        if sum >= half {
            return *value;
        }
    }
    cells.last().map_or(0.0, |c| c.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::{Image, Size};

    /// Footprints of 40 × 40 cells, each seeing an even field through its own exposure; neighbours share 12 columns.
    fn row_of(exposures: &[f32]) -> Vec<Footprint> {
        let make = |(tile, e): (usize, &f32)| Footprint {
            tile,
            row: 0,
            column: 28 * tile,
            light: Image::filled(Size::new(40, 40), 0.4 * e),
            depth: Image::filled(Size::new(40, 40), 1.0),
        };
        exposures.iter().enumerate().map(make).collect()
    }

    /// Known truth: one tile had 0.8 of the light. Tolerance: what flat-fielding leaves between tiles, 0.002, and half as much.
    #[test]
    fn one_odd_tile_is_found_and_the_others_stay() {
        for stated in [true, false] {
            let gains = solve(4, &row_of(&[1.0, 0.8, 1.0, 1.0]), |_| stated);
            assert!((gains[1] * 0.8 - 1.0).abs() < 0.003, "{gains:?}");
            assert!([0, 2, 3].iter().all(|k| (gains[*k] - 1.0).abs() < 0.003), "{gains:?}");
        }
    }

    #[test]
    fn a_tile_with_nothing_stated_yields_to_one_that_is() {
        let gains = solve(2, &row_of(&[1.0, 0.8]), |tile| tile == 0);
        assert!((gains[0] - 1.0).abs() < 0.01 && (gains[1] - 1.25).abs() < 0.02, "{gains:?}");
    }
}
