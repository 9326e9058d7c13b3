//! Densities of small squares, as measured and in truth, and what is left of the light's unevenness.

use super::pixels::quantile;
use hyaline::image::Image;

/// Side of a square.
const SIDE_MM: f64 = 0.3;
/// Squares keep this far from the glass's edge: the arris and the lens's blur there are no densities of the plate.
const INSET_MM: f64 = 0.6;
/// Denser squares are left out of the density figures.
const DENSEST: f64 = 2.5;
/// Only thinner squares tell unevenness: noise and glare rule in the others.
const THIN: f64 = 1.5;
/// Zones across and down, of which unevenness is the largest difference.
const ZONES: (usize, usize) = (8, 6);

pub struct Densities {
    pub median: f64,
    pub p95: f64,
    /// Largest less smallest of the zones' median T ÷ ideal T.
    pub unevenness: f64,
}

/// `seen`: transmittance from the glass's edge to the glass's edge, upright; `ideal`: the same as a perfect copy shows it, through its own lens and
/// pixels, of a plate of width and height.
pub fn densities(seen: &Image<f32>, ideal: &Image<f32>, [w, h]: [f64; 2]) -> Densities {
    let (measured, ideal) = (Sums::of(seen), Sums::of(ideal));
    let (across, down) = (((w - 2.0 * INSET_MM) / SIDE_MM) as usize, ((h - 2.0 * INSET_MM) / SIDE_MM) as usize);
    let mut errors = Vec::new();
    let mut zones = vec![Vec::new(); ZONES.0 * ZONES.1];
    for j in 0..down {
        for i in 0..across {
            let (x, y) = (INSET_MM + i as f64 * SIDE_MM, INSET_MM + j as f64 * SIDE_MM);
            // Shares of the plate, so that both images cover it from edge to edge.
            let rect = [x / w, y / h, (x + SIDE_MM) / w, (y + SIDE_MM) / h];
            let (t, t_true) = (measured.mean(rect), ideal.mean(rect));
            let d_true = -t_true.log10();
            if d_true < DENSEST {
                errors.push((-t.max(1e-6).log10() - d_true).abs());
            }
            if d_true < THIN {
                zones[j * ZONES.1 / down * ZONES.0 + i * ZONES.0 / across].push(t / t_true);
            }
        }
    }
    // Of fewer than a tenth of a zone's squares most lie on the rebate's edge, where a part of a pixel's displacement is read as light.
    let enough = across * down / (ZONES.0 * ZONES.1) / 10;
    let mut levels: Vec<f64> = zones.iter_mut().filter(|z| z.len() >= enough).map(|z| quantile(z, 0.5)).collect();
    assert!(levels.len() > 1, "too few thin squares to tell unevenness");
    Densities {
        median: quantile(&mut errors, 0.5),
        p95: quantile(&mut errors, 0.95),
        unevenness: quantile(&mut levels, 1.0) - quantile(&mut levels, 0.0),
    }
}

/// Sums over all that lies above and to the left: means of any rectangle at once, parts of pixels counted as parts.
struct Sums {
    columns: usize,
    rows: usize,
    sums: Vec<f64>,
}

impl Sums {
    fn of(image: &Image<f32>) -> Sums {
        let (columns, rows) = (image.columns(), image.rows());
        let mut sums = vec![0.0; (columns + 1) * (rows + 1)];
        for r in 0..rows {
            let mut line = 0.0;
            for (c, v) in image.row(r).iter().enumerate() {
                line += f64::from(*v);
                sums[(r + 1) * (columns + 1) + c + 1] = sums[r * (columns + 1) + c + 1] + line;
            }
        }
        Sums { columns, rows, sums }
    }

    fn until(&self, x: f64, y: f64) -> f64 {
        let (i, j) = ((x as usize).min(self.columns - 1), (y as usize).min(self.rows - 1));
        let (a, b) = (x - i as f64, y - j as f64);
        let at = |i: usize, j: usize| self.sums[j * (self.columns + 1) + i];
        (at(i, j) * (1.0 - a) + at(i + 1, j) * a) * (1.0 - b) + (at(i, j + 1) * (1.0 - a) + at(i + 1, j + 1) * a) * b
    }

    /// Mean over [left, top, right, bottom], as shares of the image's sides.
    fn mean(&self, [left, top, right, bottom]: [f64; 4]) -> f64 {
        let (w, h) = (self.columns as f64, self.rows as f64);
        let (x0, y0, x1, y1) = (left * w, top * h, right * w, bottom * h);
        let sum = self.until(x1, y1) - self.until(x0, y1) - self.until(x1, y0) + self.until(x0, y0);
        sum / ((x1 - x0) * (y1 - y0))
    }
}
