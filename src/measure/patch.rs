//! One patch: its density, how it scatters, and how sure the mean is.
//!
//! In: the light of a patch. Out: density of the mean light, as a densitometer with that aperture reads it; noise, with the patch's
//! own slope taken out; and the mean's uncertainty. Fails where a patch holds too few pixels to say how sure it is.
//!
//! Neighbouring pixels are not independent after lens and resampling, so the uncertainty is not σ/√n: it is taken from the scatter of
//! the means of sixteen parts of the patch (method of batch means), as an interval that holds the truth 19 times of 20. It covers
//! chance alone; what moves all pixels together (glare, blank, response) is not in it.

use crate::error::Fault;
use crate::image::{Image, Size, Window};
use crate::positive::lightness::lstar;
use serde::Serialize;

/// Parts each way.
const PARTS: usize = 4;
/// Student's t for 15 degrees of freedom, two-sided 95 % (any table).
const STUDENT: f64 = 2.131;
/// ln 10.
const LN10: f64 = std::f64::consts::LN_10;

/// What was found in a patch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Patch {
    /// Density of the mean light.
    pub density: f64,
    /// Half the width of the 95 % interval of `density`, from chance alone.
    #[serde(rename = "chance")]
    pub uncertainty: f64,
    /// Standard deviation of density over the pixels as they are.
    pub spread_density: f64,
    /// Standard deviation of density from pixel to pixel, slope taken out; grain is part of it.
    pub noise_density: f64,
    /// The same of lightness L*.
    pub noise_lstar: f64,
    /// Mean light, 0 to 1.
    pub light: f64,
    /// Lightness L* of the mean light.
    pub lstar: f64,
    pub pixels: usize,
    /// Share of pixels at the file's least or greatest code or below the floor: above a percent, the figures are doubtful.
    pub clipped: f64,
}

/// Measures a patch; `floor` is the least light that the file can state.
pub fn measure(light: &Image<f32>, floor: f32) -> Result<Patch, Fault> {
    let size = light.size();
    if size.rows < 2 * PARTS || size.columns < 2 * PARTS {
        return Err(Fault::new(
            format!("a patch of {size} pixels is too small to be measured"),
            format!("make it at least {0}×{0}", 2 * PARTS),
        ));
    }
    let mean = mean(light);
    let held = mean.max(floor as f64);
    let clipped = light.pixels().iter().filter(|l| **l <= floor || **l >= 1.0).count();
    let noise = |value: &(dyn Fn(f64) -> f64 + Sync)| scatter(&light.map(|l| value(l.max(floor) as f64) as f32));
    let error = batch_scatter(light) / (PARTS as f64);
    Ok(Patch {
        density: -held.log10(),
        uncertainty: STUDENT * error / (held * LN10),
        spread_density: spread(&light.map(|l| -l.max(floor).log10())),
        noise_density: noise(&|l| -l.log10()),
        noise_lstar: noise(&lstar),
        light: mean,
        lstar: lstar(mean),
        pixels: size.area(),
        clipped: clipped as f64 / size.area() as f64,
    })
}

fn mean(values: &Image<f32>) -> f64 {
    values.pixels().iter().map(|v| *v as f64).sum::<f64>() / values.size().area() as f64
}

/// Standard deviation.
fn spread(values: &Image<f32>) -> f64 {
    let mean = mean(values);
    let squares: f64 = values.pixels().iter().map(|v| (*v as f64 - mean).powi(2)).sum();
    (squares / (values.size().area() - 1) as f64).sqrt()
}

/// Standard deviation of the means of the patch's parts, the plane through them taken out so that a slope does not count as chance.
fn batch_scatter(light: &Image<f32>) -> f64 {
    let means = Image::from_rows(Size::new(PARTS, PARTS), 0.0f32, |part_row, out| {
        for (part_column, out) in out.iter_mut().enumerate() {
            let (top, bottom) = (light.rows() * part_row / PARTS, light.rows() * (part_row + 1) / PARTS);
            let (left, right) = (light.columns() * part_column / PARTS, light.columns() * (part_column + 1) / PARTS);
            let window = Window { row: top, column: left, size: Size::new(bottom - top, right - left) };
            *out = mean(&light.crop(window)) as f32;
        }
    });
    scatter(&means)
}

/// Standard deviation about the plane that fits best; three degrees of freedom are the plane's.
fn scatter(values: &Image<f32>) -> f64 {
    let (rows, columns) = (values.rows() as f64, values.columns() as f64);
    let mean = mean(values);
    // Over a full grid the plane's slopes do not depend on one another.
    let centred = |k: usize, n: f64| k as f64 - (n - 1.0) / 2.0;
    let (mut by_x, mut by_y) = (0.0, 0.0);
    for row in 0..values.rows() {
        for (column, value) in values.row(row).iter().enumerate() {
            by_x += *value as f64 * centred(column, columns);
            by_y += *value as f64 * centred(row, rows);
        }
    }
    let squares = |n: f64| n * (n * n - 1.0) / 12.0;
    let slope_x = by_x / (squares(columns) * rows).max(f64::MIN_POSITIVE);
    let slope_y = by_y / (squares(rows) * columns).max(f64::MIN_POSITIVE);
    let mut sum = 0.0;
    for row in 0..values.rows() {
        for (column, value) in values.row(row).iter().enumerate() {
            let plane = mean + slope_x * centred(column, columns) + slope_y * centred(row, rows);
            sum += (*value as f64 - plane).powi(2);
        }
    }
    (sum / (rows * columns - 3.0).max(1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn noisy(seed: u64, size: Size, mean: f32, sigma: f32, slope: f32) -> Image<f32> {
        let mut rng = rand_pcg::Pcg32::seed_from_u64(seed);
        let normal = Normal::new(0.0, sigma).unwrap();
        let pixels = (0..size.area()).map(|k| {
            mean * (1.0 + slope * ((k % size.columns) as f32 / size.columns as f32 - 0.5)) + normal.sample(&mut rng)
        });
        Image::from_vec(size, pixels.collect())
    }

    /// σ_D = 0.4343 / SNR, to first order: a signal of 100 σ has a noise of 0.00434 D. With 2500 pixels σ is known to 1.4 %
    /// (1/√2n), so 6 % is four of those.
    #[test]
    fn noise_in_density_follows_from_the_signal_to_noise_ratio() {
        for slope in [0.0, 0.1] {
            let patch = measure(&noisy(1, Size::new(50, 50), 0.1, 0.001, slope), 1e-6).unwrap();
            assert!((patch.noise_density / 0.004343 - 1.0).abs() < 0.06, "{slope}: {}", patch.noise_density);
            assert!((patch.density - 1.0).abs() < 1e-3);
        }
    }

    /// dL*/dD = −(L* + 16) ln10 / 3 (derivative of the CIE's formula): 50.7 of L* a density at L* 50, which is light 0.184187.
    #[test]
    fn noise_in_lightness_follows_from_that_in_density() {
        let patch = measure(&noisy(2, Size::new(80, 80), 0.184187, 0.001, 0.0), 1e-6).unwrap();
        assert!(
            (patch.noise_lstar / patch.noise_density - 50.66).abs() < 0.3,
            "{}",
            patch.noise_lstar / patch.noise_density
        );
        assert!((patch.lstar - 50.0).abs() < 0.05);
    }

    /// A 95 % interval holds the truth 95 times of 100; of 400 trials 95 % ± 4 × 1.1 %, and the same for noise that neighbours share.
    #[test]
    fn intervals_hold_the_truth_as_often_as_they_say() {
        for blur in [false, true] {
            let held = (0..400).filter(|seed| {
                let mut light = noisy(*seed, Size::new(40, 40), 0.2, 0.01, 0.0);
                if blur {
                    let sharp = light.clone();
                    let average = |r: usize, c: usize| {
                        let around = (0..9).map(|k| sharp.at_clamped(r as isize + k / 3 - 1, c as isize + k % 3 - 1));
                        around.sum::<f32>() / 9.0
                    };
                    light = Image::from_rows(light.size(), 0.0, |row, out| {
                        out.iter_mut().enumerate().for_each(|(column, l)| *l = average(row, column));
                    });
                }
                let patch = measure(&light, 1e-6).unwrap();
                (patch.density + 0.2f64.log10()).abs() <= patch.uncertainty
            });
            let share = held.count() as f64 / 400.0;
            assert!((0.90..=0.995).contains(&share), "blurred: {blur}, {share}");
        }
    }

    #[test]
    fn small_and_black_patches_do_no_harm() {
        assert!(measure(&Image::filled(Size::new(7, 90), 0.5), 1e-6).unwrap_err().what().contains("too small"));
        let black = measure(&Image::filled(Size::new(9, 9), 0.0), 7.6e-6).unwrap();
        assert!((black.density - 5.119).abs() < 1e-3 && black.clipped == 1.0 && black.noise_density < 1e-6);
    }
}
