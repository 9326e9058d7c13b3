//! What each plate recorded of the scene that all of them show, and how two go together from zone to zone.
//!
//! In: densities of all plates on A's grid. Out: [`PlateFigures`] and [`Zone`]s. Nothing here fails.

use super::curve::{Recovered, SPEED_POINT};
use super::joint::Joint;
use super::outline::Outline;
use super::plane::blur;
use super::search::centre;
use crate::image::Image;
use rayon::prelude::*;
use serde::Serialize;

/// Blur before densities are counted, in pixels: grain would carry blank shadows over the speed point and back.
const SOFT: f32 = 0.5;
/// Width of a histogram's bin, in density.
const BIN: f64 = 0.02;
/// Half the side of the window in which local contrast is read, in pixels.
const WINDOW: usize = 8;

/// Densities of the common area, the same places in every plate.
pub struct Area {
    /// For each plate, in rising order.
    sorted: Vec<Vec<f32>>,
    /// For each plate, A's density and the plate's local contrast in windows.
    contrasts: Vec<Vec<(f32, f32)>>,
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
        Area { sorted, contrasts }
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
    fn contrast(&self, plate: usize, from: f64, to: f64) -> Option<f64> {
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

/// One plate, over the area that all plates share.
#[derive(Debug, Clone, Default, Serialize)]
pub struct PlateFigures {
    pub plate: String,
    /// 1st, 5th, 50th, 95th and 99th percentile of density above base.
    pub density: [f64; 5],
    /// From the 1st to the 99th percentile.
    pub density_range: f64,
    /// Share under 0.10 above base plus fog (ISO 6).
    pub below_speed_point: f64,
    /// Share where the curve is less than half as steep as at its steepest; only where the bracket gave a curve that comes so far.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_shoulder: Option<f64>,
    /// Median standard deviation of density within small windows, in the quarter of the scene with the least density on A, the middle half
    /// and the quarter with the most.
    pub local_contrast: [Option<f64>; 3],
}

pub fn figures(id: &str, area: &Area, plate: usize, curve: Option<&Recovered>) -> PlateFigures {
    let density = [0.01, 0.05, 0.50, 0.95, 0.99].map(|share| area.quantile(plate, share));
    let [low, high] = [0.25, 0.75].map(|share| area.quantile(0, share));
    PlateFigures {
        plate: id.into(),
        density,
        density_range: density[4] - density[0],
        below_speed_point: area.share_below(plate, SPEED_POINT),
        on_shoulder: curve.and_then(Recovered::shoulder).map(|d| 1.0 - area.share_below(plate, d)),
        local_contrast: [(f64::NEG_INFINITY, low), (low, high), (high, f64::INFINITY)]
            .map(|(from, to)| area.contrast(plate, from, to)),
    }
}

/// One range of A's densities, darkest parts of the scene first.
#[derive(Debug, Clone, Serialize)]
pub struct Zone {
    /// Percentiles of A's density that bound it.
    pub percentiles: [f64; 2],
    /// The same as density above base on A.
    pub density: [f64; 2],
    /// B minus A in its middle, and the standard error.
    pub gain_density: f64,
    pub gain_uncertainty: f64,
    /// Slope of D_B against D_A within it.
    pub relative_contrast: Option<f64>,
    pub relative_contrast_uncertainty: Option<f64>,
}

const ZONES: [[f64; 2]; 5] = [[1.0, 10.0], [10.0, 30.0], [30.0, 70.0], [70.0, 90.0], [90.0, 99.0]];

pub fn zones(area: &Area, joint: &Joint) -> Vec<Zone> {
    ZONES
        .iter()
        .map(|percentiles| {
            let [from, to] = percentiles.map(|p| area.quantile(0, p / 100.0));
            let middle = area.quantile(0, (percentiles[0] + percentiles[1]) / 200.0);
            let figure = joint.relation.figure(middle);
            // A zone of little range has no slope of its own.
            let slope = (to - from > 0.08).then(|| joint.slope(from, to)).flatten();
            Zone {
                percentiles: *percentiles,
                density: [from, to],
                gain_density: figure.value - middle,
                gain_uncertainty: figure.error,
                relative_contrast: slope.map(|s| s.value),
                relative_contrast_uncertainty: slope.map(|s| s.error),
            }
        })
        .collect()
}
