//! Several copy exposures of one view, merged: the short ones for what is clear, the long ones for what is dense.
//!
//! In: each exposure divided by the blank, and the light that its blank gave. Out: one transmittance. In linear light, each sample counts
//! by the inverse of its variance (shot noise and read noise, both less in T the longer the exposure) and not at all near full scale.
//! The ratio between exposures is fitted from what both see, since shutters do not keep what they say; a camera that moved between
//! them is brought back by the shift that the gradients of density tell (Lucas & Kanade 1981), and said.
//! Fails when sizes differ.

use super::Seen;
use crate::error::Fault;
use crate::geometry::Point;
use crate::geometry::resample::{Kernel, resample};
use crate::image::{Image, Size, reduced};
use crate::units::Transmittance;

/// Light, as a share of full scale, from which on a sample's say fades, and where it ends.
const FADES: f32 = 0.80;
const ENDS: f32 = 0.93;
/// Variance of shot noise at full scale: a full well of some 8000 electrons, a phone's (common practice).
const SHOT: f32 = 1.25e-4;
/// A shift below this many pixels is left: bringing it back would blur as much as it mends.
const STILL: f64 = 0.05;

/// One exposure of the view.
pub struct Exposed {
    pub seen: Seen,
    /// Light at T = 1 as a share of full scale, in the channel that fills first, over cells of `cell` pixels.
    pub light: Image<f32>,
    pub cell: usize,
    /// Standard deviation of read noise and of the codes' steps, as a share of full scale.
    pub read: f32,
}

/// What was found of an exposure against the shortest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    pub nominal: f64,
    pub fitted: f64,
    pub shift_px: Point,
}

/// Merges exposures into the first place of the list that is returned; the shortest leads.
pub fn merge(mut exposures: Vec<Exposed>) -> Result<(Seen, Vec<Fitted>), Fault> {
    exposures.sort_by(|a, b| a.seen.exposure_ratio.total_cmp(&b.seen.exposure_ratio));
    let size = exposures[0].seen.transmittance.size();
    if let Some(odd) = exposures.iter().find(|e| e.seen.transmittance.size() != size) {
        return Err(Fault::new(
            format!("copy exposures of one view differ in size: {size} and {} pixels", odd.seen.transmittance.size()),
            "copy all exposures of a view with one camera at one picture size",
        ));
    }
    let mut fitted = Vec::new();
    for k in 1..exposures.len() {
        let (before, rest) = exposures.split_at_mut(k);
        let (short, long) = (&before[k - 1], &mut rest[0]);
        let shift = shift(short, long);
        if shift.x.hypot(shift.y) > STILL {
            let kernel = Kernel::new(1.0);
            long.mend_full(short, shift, &kernel);
            long.seen.transmittance = resample(&long.seen.transmittance, size, &kernel, |p| p + shift);
        }
        let off = ratio(short, long);
        let nominal = long.seen.exposure_ratio / short.seen.exposure_ratio;
        long.seen.transmittance.pixels_mut().iter_mut().for_each(|t| t.0 /= off as f32);
        fitted.push(Fitted { nominal, fitted: nominal * off, shift_px: shift });
    }
    let merged = Image::from_rows(size, Transmittance(0.0), |row, out| {
        for (column, t) in out.iter_mut().enumerate() {
            let at = |e: &Exposed| e.seen.transmittance.at(row, column).0;
            // All variances are taken at one and the same T, the longest sound exposure's: weighed by its own luck, a sample that fell
            // low would count for more.
            let sure = |e: &&Exposed| at(e) * e.light_at(row, column) < FADES;
            let common = exposures.iter().rev().find(sure).map_or(1.0, at);
            let (mut sum, mut weights) = (0.0, 0.0);
            for e in &exposures {
                let weight = e.weight(at(e), common, row, column);
                sum += weight * at(e);
                weights += weight;
            }
            // Where all are full the shortest speaks: it is the nearest to what was there.
            t.0 = if weights > 0.0 { sum / weights } else { exposures[0].seen.transmittance.at(row, column).0 };
        }
    });
    let mut first = exposures.swap_remove(0).seen;
    first.transmittance = merged;
    Ok((first, fitted))
}

impl Exposed {
    /// Gives full samples what a shorter exposure saw there: left full, they would stand as cliffs from which the kernel rings into
    /// sound samples beside them. They have no say of their own, as what they now hold is over full scale.
    fn mend_full(&mut self, short: &Exposed, shift: Point, kernel: &Kernel) {
        let size = self.seen.transmittance.size();
        let values: &[f32] = bytemuck::cast_slice(short.seen.transmittance.pixels());
        let mended = Image::from_rows(size, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                *t = self.seen.transmittance.at(row, column);
                let full = 1.0 / self.light_at(row, column).max(1e-6);
                if t.0 >= ENDS * full {
                    let p = Point::new(column as f64 + 0.5, row as f64 + 0.5);
                    t.0 = kernel.sample_in(values, size, p - shift).max(ENDS * full);
                }
            }
        });
        self.seen.transmittance = mended;
    }

    fn light_at(&self, row: usize, column: usize) -> f32 {
        let (r, c) = ((row / self.cell).min(self.light.rows() - 1), (column / self.cell).min(self.light.columns() - 1));
        self.light.at(r, c)
    }

    /// Inverse variance of a sample where T is `common`, fading out as the sample itself nears full scale.
    fn weight(&self, own: f32, common: f32, row: usize, column: usize) -> f32 {
        let full = self.light_at(row, column);
        let say = ((ENDS - own * full) / (ENDS - FADES)).clamp(0.0, 1.0);
        say * full * full / (SHOT * (common * full).max(0.0) + self.read * self.read)
    }
}

/// By how much the long exposure's T stands over the short one's where both are sure: the ratio of their sums. Places are chosen by the
/// long exposure alone, which has the less noise: chosen by the short one's luck, its sum would be too high.
fn ratio(short: &Exposed, long: &Exposed) -> f64 {
    const LEAST: f32 = 0.03;
    let size = short.seen.transmittance.size();
    let mut pairs: Vec<(f32, f32)> = Vec::new();
    for row in (0..size.rows).step_by(3) {
        for column in (0..size.columns).step_by(3) {
            let (a, b) = (short.seen.transmittance.at(row, column).0, long.seen.transmittance.at(row, column).0);
            if b * short.light_at(row, column) > LEAST && b * long.light_at(row, column) < FADES {
                pairs.push((a, b));
            }
        }
    }
    if pairs.len() < 200 {
        return 1.0;
    }
    let mut ratios: Vec<f32> = pairs.iter().map(|(a, b)| a / b).collect();
    let middle = ratios.len() / 2;
    let median = *ratios.select_nth_unstable_by(middle, f32::total_cmp).1;
    // Dust that moved and edges that did not meet stand far off.
    let near = pairs.iter().filter(|(a, b)| (a / b / median - 1.0).abs() < 0.4);
    let (short_sum, long_sum) = near.fold((0.0, 0.0), |sum, (a, b)| (sum.0 + *a as f64, sum.1 + *b as f64));
    long_sum / short_sum
}

/// Where the short exposure's pixels lie in the long one's: from coarse to fine, at each scale a few steps.
fn shift(short: &Exposed, long: &Exposed) -> Point {
    let mut found = Point::default();
    for factor in [8, 4, 2, 1] {
        // Values between pixels are linear ones: what is finer than they can follow would pull the shift.
        let (a, b) = (softened(&logs(short, factor)), softened(&logs(long, factor)));
        if a.rows() < 40 || a.columns() < 40 {
            continue;
        }
        for _ in 0..6 {
            let Some(step) = step(&a, &b, found * (1.0 / factor as f64)) else { break };
            found = found + step * factor as f64;
            if step.x.hypot(step.y) < 1e-3 {
                break;
            }
        }
    }
    if found.x.hypot(found.y) < 40.0 { found } else { Point::default() }
}

/// Logarithms of T, reduced; not a number where the exposure is not sure.
fn logs(e: &Exposed, factor: usize) -> Image<f32> {
    let t = reduced(&e.seen.transmittance, factor);
    let least = 4.0 * e.read;
    Image::from_rows(t.size(), 0f32, |row, out| {
        for (column, value) in out.iter_mut().enumerate() {
            let t = t.at(row, column).0;
            let level = t * e.light_at(row * factor, column * factor);
            *value = if t > 0.0 && level > least && level < FADES { t.ln() } else { f32::NAN };
        }
    })
}

/// Binomial means over 3 × 3 pixels; not a number beside one that is not.
fn softened(image: &Image<f32>) -> Image<f32> {
    let three = |a: f32, b: f32, c: f32| 0.25 * a + 0.5 * b + 0.25 * c;
    let across = Image::from_rows(image.size(), 0f32, |row, out| {
        let line = image.row(row);
        let last = line.len() - 1;
        for (column, value) in out.iter_mut().enumerate() {
            *value = three(line[column.saturating_sub(1)], line[column], line[(column + 1).min(last)]);
        }
    });
    Image::from_rows(image.size(), 0f32, |row, out| {
        let (above, below) = (across.row(row.saturating_sub(1)), across.row((row + 1).min(image.rows() - 1)));
        for (column, value) in out.iter_mut().enumerate() {
            *value = three(above[column], across.at(row, column), below[column]);
        }
    })
}

/// One step of least squares for the shift of `b` against `a`, with a common offset of level; differences beyond a stop have no say.
/// A million places tell it as well as all.
fn step(a: &Image<f32>, b: &Image<f32>, at: Point) -> Option<Point> {
    let Size { rows, columns } = a.size();
    let (mut normal, mut right) = (nalgebra::Matrix3::<f64>::zeros(), nalgebra::Vector3::<f64>::zeros());
    let mut count = 0;
    let stride = (a.size().area() as f64 / 1e6).sqrt().ceil() as usize;
    for row in (2..rows - 2).step_by(stride) {
        for column in (2..columns - 2).step_by(stride) {
            let p = Point::new(column as f64 + at.x, row as f64 + at.y);
            let value = bilinear(b, p)?;
            let gx = (bilinear(b, p + Point::new(1.0, 0.0))? - bilinear(b, p - Point::new(1.0, 0.0))?) / 2.0;
            let gy = (bilinear(b, p + Point::new(0.0, 1.0))? - bilinear(b, p - Point::new(0.0, 1.0))?) / 2.0;
            let off = a.at(row, column) as f64 - value;
            if !(off + gx + gy).is_finite() || off.abs() > 0.7 {
                continue;
            }
            let row = nalgebra::Vector3::new(gx, gy, 1.0);
            normal += row * row.transpose();
            right += row * off;
            count += 1;
        }
    }
    let solved = (count > 500).then(|| normal.cholesky()).flatten()?.solve(&right);
    Some(Point::new(solved.x, solved.y))
}

/// Value between pixels (whole numbers are pixels here); not a number outside.
fn bilinear(image: &Image<f32>, p: Point) -> Option<f64> {
    let (c, r) = (p.x.floor(), p.y.floor());
    if c < 0.0 || r < 0.0 || c + 1.0 >= image.columns() as f64 || r + 1.0 >= image.rows() as f64 {
        return Some(f64::NAN);
    }
    let (fx, fy) = (p.x - c, p.y - r);
    let at = |dr: usize, dc: usize| image.at(r as usize + dr, c as usize + dc) as f64;
    Some((at(0, 0) * (1.0 - fx) + at(0, 1) * fx) * (1.0 - fy) + (at(1, 0) * (1.0 - fx) + at(1, 1) * fx) * fy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// A plate to density 3 with texture, moved by `shift` pixels, seen with full light `full` at T = 1.
    fn exposed(full: f32, ratio: f64, wrong: f32, shift: Point, seed: u64) -> Exposed {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(seed);
        let noise = Normal::new(0.0, 1.0f32).unwrap();
        let size = Size::new(320, 400);
        let mut t = Image::filled(size, Transmittance(0.0));
        for row in 0..size.rows {
            for column in 0..size.columns {
                let truth = truth(column as f64 - shift.x, row as f64 - shift.y);
                let level = (truth * full * wrong).min(1.0);
                let seen = level + noise.sample(&mut rng) * (SHOT * level + 1e-8).sqrt();
                t.set(row, column, Transmittance(if level >= 1.0 { 1.0 } else { seen / full }));
            }
        }
        let seen = Seen { transmittance: t, exposure_ratio: ratio, clipped: 0.0, balance: None, pattern_density: None };
        Exposed { seen, light: Image::filled(Size::new(40, 50), full), cell: 8, read: 1e-4 }
    }

    fn truth(x: f64, y: f64) -> f32 {
        let density = 0.2 + 2.8 * x / 400.0 + 0.25 * ((x * 0.21).sin() * (y * 0.17).cos() + (y * 0.05).sin());
        10f64.powf(-density.max(0.1)) as f32
    }

    /// Two exposures three stops apart, the second's shutter 4 % long and the camera moved: ratio, shift and density come back. Means
    /// are taken over 20 × 20 pixels.
    #[test]
    fn what_one_exposure_cannot_hold_two_can() {
        let shift = Point::new(1.3, -0.7);
        let short = exposed(0.8, 1.0, 1.0, Point::default(), 1);
        let long = exposed(6.4, 8.0, 1.04, shift, 2);
        let (merged, fitted) = merge(vec![long, short]).unwrap();
        assert!((fitted[0].fitted / 8.32 - 1.0).abs() < 0.002, "{fitted:?}");
        assert!(fitted[0].shift_px.distance(shift) < 0.05, "{fitted:?}");
        for column in [20, 120, 220, 320, 360] {
            let (mut seen, mut known) = (0.0, 0.0);
            for row in 100..120 {
                for c in column..column + 20 {
                    seen += merged.transmittance.at(row, c).0;
                    known += truth(c as f64, row as f64);
                }
            }
            let off = (seen / known).log10().abs();
            // Three standard deviations of shot noise in the long exposure's mean, and the ratio's own error.
            let level = known / 400.0 * 6.4;
            let limit = 0.001 + 3.0 * std::f32::consts::LOG10_E * (SHOT / level).sqrt() / 20.0;
            assert!(off < limit, "column {column}: {off} of density, noise allows {limit}");
        }
    }
}
