//! Places of one plate found again on another, by what lies round them.
//!
//! In: A's density, and B's density laid over it by a map that is right to a few pixels. Out: a [`Match`] for each place with enough
//! structure in both: where it lies in the laid B, how alike the two are, and the covariance of the placing. An
//! even sky places nothing and gives no match; leaves that moved give a match that disagrees with the rest.
//!
//! Normalised cross-correlation finds the whole pixel; Lucas & Kanade's least squares with gain and offset (B. D. Lucas, T. Kanade, IJCAI 1981)
//! the rest. Gain and offset stand for the two plates' different exposure and contrast, which are straight lines over
//! the small range of densities in one patch.

use super::plane::blur;
use crate::geometry::Point;
use crate::geometry::resample::linear;
use crate::image::Image;
use nalgebra::{Matrix4, Vector4};
use rayon::prelude::*;

/// Half the side of a patch: 21 × 21 pixels.
pub const HALF: isize = 10;
const SIDE: usize = 2 * HALF as usize + 1;
/// Least density structure of a patch, as standard deviation: below it grain and paper-thin differences decide.
pub const LEAST_STRUCTURE: f64 = 0.015;
/// Grain has no memory; a structure is still like itself three pixels on: least correlation of a patch with itself moved so far.
/// Grain blurred by one pixel reaches 0.1.
const LEAST_MEMORY: f64 = 0.3;
const MEMORY_PX: usize = 3;
/// Least likeness (correlation) of a match.
pub const LEAST_LIKENESS: f64 = 0.5;
/// A match placed worse than this along any direction, in pixels, is no match: an edge slides along itself.
const WORST_PLACING: f64 = 0.5;

#[derive(Debug, Clone, Copy)]
pub struct Match {
    /// In A, a pixel's centre.
    pub a: Point,
    /// From there to its like in the laid B.
    pub shift: Point,
    pub likeness: f64,
    /// Standard deviation of the placing, the wider axis, in pixels.
    pub sd: f64,
}

/// The most telling place of each cell of a grid of `across` cells along the longer side, among those that `allowed` lets through.
pub fn spots(a: &Image<f32>, across: usize, allowed: impl Fn(Point) -> bool + Sync) -> Vec<(usize, usize)> {
    let cornered = cornerness(a);
    let cell = (a.rows().max(a.columns()) / across).max(4);
    let cells: Vec<(usize, usize)> =
        (0..a.rows().div_ceil(cell)).flat_map(|r| (0..a.columns().div_ceil(cell)).map(move |c| (r, c))).collect();
    let best = |&(r, c): &(usize, usize)| {
        let mut found: Option<(f32, (usize, usize))> = None;
        for row in r * cell..((r + 1) * cell).min(a.rows()) {
            for column in c * cell..((c + 1) * cell).min(a.columns()) {
                let value = cornered.at(row, column);
                if found.is_none_or(|(most, _)| value > most) && allowed(centre(row, column)) {
                    found = Some((value, (row, column)));
                }
            }
        }
        found.filter(|(value, _)| *value > 0.0).map(|(_, place)| place)
    };
    cells.par_iter().filter_map(best).collect()
}

pub fn centre(row: usize, column: usize) -> Point {
    Point::new(column as f64 + 0.5, row as f64 + 0.5)
}

/// The smaller eigenvalue of the structure tensor (Shi & Tomasi, CVPR 1994): how firmly a place is held in every direction.
fn cornerness(image: &Image<f32>) -> Image<f32> {
    let soft = blur(image, 1.0);
    let product = |f: fn(f32, f32) -> f32| {
        let raw = Image::from_rows(image.size(), 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (r, c) = (row as isize, column as isize);
                let x = soft.at_clamped(r, c + 1) - soft.at_clamped(r, c - 1);
                let y = soft.at_clamped(r + 1, c) - soft.at_clamped(r - 1, c);
                *v = f(x, y);
            }
        });
        blur(&raw, 4.0)
    };
    let (xx, xy, yy) = (product(|x, _| x * x), product(|x, y| x * y), product(|_, y| y * y));
    Image::from_rows(image.size(), 0f32, |row, out| {
        for (column, v) in out.iter_mut().enumerate() {
            let (a, b, c) = (xx.at(row, column), xy.at(row, column), yy.at(row, column));
            *v = 0.5 * (a + c - ((a - c).powi(2) + 4.0 * b * b).sqrt());
        }
    })
}

/// Looks for each spot within `radius` whole pixels. The patches must have room in both images: see `allowed` of [`spots`].
/// Gives one entry for each spot: none where either patch has too little structure to say anything.
pub fn matches(a: &Image<f32>, b: &Image<f32>, spots: &[(usize, usize)], radius: isize) -> Vec<Option<Match>> {
    spots.par_iter().map(|&(row, column)| find(a, b, row as isize, column as isize, radius)).collect()
}

fn find(a: &Image<f32>, b: &Image<f32>, row: isize, column: isize, radius: isize) -> Option<Match> {
    let patch_a = Patch::cut(a, row, column);
    if !patch_a.structured() || !Patch::cut(b, row, column).structured() {
        return None;
    }
    let best = patch_a.likest(b, row, column, radius);
    let a_at = Point::new(column as f64 + 0.5, row as f64 + 0.5);
    let whole = Point::new(best.2 as f64, best.1 as f64);
    let poor = Match { a: a_at, shift: whole, likeness: best.0, sd: f64::INFINITY };
    if best.0 < LEAST_LIKENESS {
        return Some(poor);
    }
    Some(refine(&patch_a, b, a_at, whole).unwrap_or(poor))
}

/// Sub-pixel placing from a whole-pixel start; none where it runs away or nothing holds it.
fn refine(patch: &Patch, b: &Image<f32>, a: Point, start: Point) -> Option<Match> {
    let (mut shift, mut gain, mut offset) = (start, 1.0, 0.0);
    let count = patch.values.len() as f64;
    let mut result = None;
    for round in 0..12 {
        let mut normal = Matrix4::zeros();
        let mut right = Vector4::zeros();
        let mut left_over = 0.0;
        let (mut sum, mut square) = (0.0, 0.0);
        for (i, value) in patch.values.iter().enumerate() {
            let (dy, dx) = ((i / SIDE) as isize - HALF, (i % SIDE) as isize - HALF);
            let p = a + shift + Point::new(dx as f64, dy as f64);
            let seen = linear(b, p);
            let gx = 0.5 * (linear(b, p + Point::new(1.0, 0.0)) - linear(b, p - Point::new(1.0, 0.0)));
            let gy = 0.5 * (linear(b, p + Point::new(0.0, 1.0)) - linear(b, p - Point::new(0.0, 1.0)));
            let r = *value as f64 - gain * seen - offset;
            let j = Vector4::new(gain * gx, gain * gy, seen, 1.0);
            normal += j * j.transpose();
            right += j * r;
            left_over += r * r;
            sum += seen;
            square += seen * seen;
        }
        // The first rounds set gain and offset; their residual says nothing about the placing yet.
        let chol = normal.cholesky()?;
        let step = chol.solve(&right);
        shift = shift + Point::new(step[0], step[1]);
        gain += step[2];
        offset += step[3];
        if shift.distance(start) > 2.0 || gain <= 0.0 {
            return None;
        }
        if step[0].hypot(step[1]) < 2e-3 || round == 11 {
            let inverse = chol.inverse();
            let noise = left_over / (count - 4.0);
            let (xx, xy, yy) = (inverse[(0, 0)], inverse[(0, 1)], inverse[(1, 1)]);
            let widest = 0.5 * (xx + yy + ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt());
            let spread_b = (square / count - (sum / count).powi(2)).max(0.0).sqrt();
            let likeness = (1.0 - left_over / count / (patch.spread * patch.spread)).max(0.0).sqrt();
            let sd = (noise * widest).sqrt();
            if spread_b < LEAST_STRUCTURE || sd > WORST_PLACING || likeness < LEAST_LIKENESS {
                return None;
            }
            result = Some(Match { a, shift, likeness, sd });
            break;
        }
    }
    result
}

struct Patch {
    values: Vec<f32>,
    mean: f64,
    spread: f64,
}

impl Patch {
    fn cut(image: &Image<f32>, row: isize, column: isize) -> Patch {
        let mut values = Vec::with_capacity(SIDE * SIDE);
        let (top, left) = (row - HALF, column - HALF);
        let whole =
            top >= 0 && left >= 0 && row + HALF < image.rows() as isize && column + HALF < image.columns() as isize;
        for r in top..=row + HALF {
            if whole {
                values.extend_from_slice(&image.row(r as usize)[left as usize..][..SIDE]);
            } else {
                values.extend((left..=column + HALF).map(|c| image.at_clamped(r, c)));
            }
        }
        let count = values.len() as f64;
        let mean = values.iter().map(|v| *v as f64).sum::<f64>() / count;
        let variance = values.iter().map(|v| (*v as f64 - mean).powi(2)).sum::<f64>() / count;
        Patch { values, mean, spread: variance.sqrt() }
    }

    fn structured(&self) -> bool {
        if self.spread < LEAST_STRUCTURE {
            return false;
        }
        let mean = self.mean as f32;
        let (mut sum, mut count) = (0f32, 0f32);
        for (i, v) in self.values.iter().enumerate() {
            let mut with = |j: usize| {
                sum += (v - mean) * (self.values[j] - mean);
                count += 1.0;
            };
            if i % SIDE + MEMORY_PX < SIDE {
                with(i + MEMORY_PX);
            }
            if i / SIDE + MEMORY_PX < SIDE {
                with(i + MEMORY_PX * SIDE);
            }
        }
        f64::from(sum / count) >= LEAST_MEMORY * self.spread * self.spread
    }

    /// The likeness of the likest patch within `radius` of a place, and how far down and to the right it lies.
    fn likest(&self, image: &Image<f32>, row: isize, column: isize, radius: isize) -> (f64, isize, isize) {
        let (reach, wide) = (HALF + radius, SIDE + 2 * radius as usize);
        // Both counted from A's mean, so that sums of squares lose nothing.
        let from = self.mean as f32;
        let mut window = Vec::with_capacity(wide * wide);
        for r in row - reach..=row + reach {
            window.extend((column - reach..=column + reach).map(|c| image.at_clamped(r, c) - from));
        }
        let centred: Vec<f32> = self.values.iter().map(|v| v - from).collect();
        let count = centred.len() as f32;
        let mut best = (f64::NEG_INFINITY, 0, 0);
        for dy in 0..=2 * radius {
            for dx in 0..=2 * radius {
                // One sum for each column, so that columns can be summed side by side.
                let (mut sums, mut squares, mut products) = ([0f32; SIDE], [0f32; SIDE], [0f32; SIDE]);
                for (line, mine) in centred.chunks_exact(SIDE).enumerate() {
                    let other = &window[(dy as usize + line) * wide + dx as usize..][..SIDE];
                    for (i, (v, m)) in other.iter().zip(mine).enumerate() {
                        sums[i] += v;
                        squares[i] += v * v;
                        products[i] += v * m;
                    }
                }
                let [sum, square, product] = [sums, squares, products].map(|columns| columns.iter().sum::<f32>());
                let spread = (square / count - (sum / count).powi(2)).max(1e-12).sqrt();
                let likeness = f64::from(product / count / spread) / self.spread;
                if likeness > best.0 {
                    best = (likeness, dy - radius, dx - radius);
                }
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    fn scene(size: Size, shift: Point, curve: fn(f64) -> f64) -> Image<f32> {
        Image::from_rows(size, 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 + 0.5 - shift.x, row as f64 + 0.5 - shift.y);
                let wave = |k: f64, l: f64, p: f64| (k * x + l * y + p).sin();
                let d = wave(0.21, 0.13, 0.0) + wave(-0.11, 0.31, 1.0) + wave(0.33, -0.24, 2.0) + wave(0.05, 0.4, 4.0);
                *v = curve(0.6 + 0.12 * d) as f32;
            }
        })
    }

    /// A made pattern moved by a known part of a pixel, and developed to another contrast: found to a fiftieth of a pixel (bilinear
    /// interpolation of waves of 15 pixels is off by about 2 % of the step).
    #[test]
    fn a_known_shift_is_found_through_another_contrast() {
        let size = Size::new(160, 200);
        let truth = Point::new(-2.4, 1.32);
        let a = scene(size, Point::default(), |d| d);
        let b = scene(size, truth, |d| 0.1 + 0.6 * d + 0.1 * d * d);
        let inside = |p: Point| p.x > 20.0 && p.y > 20.0 && p.x < 180.0 && p.y < 140.0;
        let spots = spots(&a, 10, inside);
        assert!(spots.len() > 30, "{} spots", spots.len());
        for found in matches(&a, &b, &spots, 5) {
            let found = found.expect("every patch has structure");
            assert!(found.shift.distance(truth) < 0.06, "{found:?}");
            assert!(found.likeness > 0.97 && found.sd < 0.1);
        }
    }

    #[test]
    fn an_even_sky_places_nothing() {
        let flat = Image::filled(Size::new(100, 100), 1.4f32);
        assert!(matches(&flat, &flat, &[(50, 50), (40, 60)], 3).iter().all(Option::is_none));
    }
}
