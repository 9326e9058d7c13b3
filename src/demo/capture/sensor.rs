//! Photosites: what a sensor makes of light.
//!
//! In: light (1 is the bare panel at its brightest), how much of full scale that is, a [`Sensor`]. Out: linear samples, 1 at
//! saturation, clipped there, black level 0. Never fails. Noise is the sum of light's own (variance = electrons), read noise and
//! each photosite's own response; what is fixed to the sensor (response, dust) is the same in every frame.

use super::super::noise::{hash, step};
use crate::image::Image;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Electrons at saturation.
    pub full_well: f64,
    /// Electrons, root mean square.
    pub read_noise: f64,
    /// Root mean square of the photosites' response, as a share.
    pub response: f64,
    /// Specks of dust on the cover glass.
    pub dust: usize,
    /// Share of the light that each colour gives: red, green, blue.
    pub colour: [f64; 3],
    pub seed: u64,
}

impl Default for Sensor {
    fn default() -> Self {
        // What a phone's frame holds that is merged from several.
        Sensor { full_well: 60_000.0, read_noise: 3.0, response: 0.006, dust: 14, colour: [0.955, 1.0, 0.93], seed: 77 }
    }
}

/// What is fixed to the sensor: each photosite's response, dust included.
pub fn response(sensor: &Sensor, light: &Image<f32>) -> Image<f32> {
    let mut fixed = Image::from_rows(light.size(), 0f32, |row, out| {
        let mut random = Pcg64Mcg::seed_from_u64(sensor.seed ^ (row as u64).wrapping_mul(0xd6e8_feb8_6659_fd93));
        for v in out {
            let own: f64 = StandardNormal.sample(&mut random);
            *v = (1.0 + sensor.response * own) as f32;
        }
    });
    let (w, h) = (light.columns() as f64, light.rows() as f64);
    for i in 0..sensor.dust as i32 {
        let own = |k: i32| hash(i, k, sensor.seed as u32);
        let (x, y, radius, deep) = (w * own(0), h * own(1), w / 4032.0 * (6.0 + 14.0 * own(2)), 0.03 + 0.12 * own(3));
        for row in (y - radius).max(0.0) as usize..((y + radius) as usize + 1).min(fixed.rows()) {
            for column in (x - radius).max(0.0) as usize..((x + radius) as usize + 1).min(fixed.columns()) {
                let d = (column as f64 + 0.5 - x).hypot(row as f64 + 0.5 - y);
                let value = fixed.at(row, column);
                fixed.set(row, column, value * (1.0 - deep * step(radius, radius * 0.4, d)) as f32);
            }
        }
    }
    fixed
}

/// One frame: `channels` samples a pixel, interleaved. `level`: share of full scale of light 1. `colour(row, column, channel)`
/// is the share of light that a sample gets. `frame` seeds what differs from frame to frame.
pub fn expose(
    sensor: &Sensor,
    light: &Image<f32>,
    fixed: &Image<f32>,
    level: f64,
    channels: usize,
    colour: impl Fn(usize, usize, usize) -> f64 + Sync,
    frame: usize,
) -> Vec<f32> {
    let columns = light.columns();
    let mut samples = vec![0f32; light.size().area() * channels];
    samples.par_chunks_mut(columns * channels).enumerate().for_each(|(row, out)| {
        let seed = sensor.seed.rotate_left(17) ^ ((frame as u64 + 1) << 32) ^ row as u64;
        let mut random = Pcg64Mcg::seed_from_u64(seed.wrapping_mul(0x2545_f491_4f6c_dd1d));
        let (light, fixed) = (light.row(row), fixed.row(row));
        for (column, pixel) in out.chunks_exact_mut(channels).enumerate() {
            for (channel, sample) in pixel.iter_mut().enumerate() {
                let share = level * colour(row, column, channel) * f64::from(light[column] * fixed[column]);
                let electrons = share * sensor.full_well;
                let spread = (electrons.max(0.0) + sensor.read_noise * sensor.read_noise).sqrt();
                let noise: f64 = StandardNormal.sample(&mut random);
                *sample = ((electrons + spread * noise) / sensor.full_well).min(1.0) as f32;
            }
        }
    });
    samples
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    /// Photon noise: variance in electrons is their mean (Poisson), read noise adds in squares.
    #[test]
    fn noise_grows_as_light_and_reading_say() {
        let sensor = Sensor { response: 0.0, dust: 0, ..Sensor::default() };
        let light = Image::filled(Size::new(200, 300), 0.5f32);
        let fixed = response(&sensor, &light);
        let samples = expose(&sensor, &light, &fixed, 0.8, 1, |_, _, _| 1.0, 0);
        let n = samples.len() as f64;
        let mean = samples.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
        let variance = samples.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>() / (n - 1.0);
        assert!((mean - 0.4).abs() < 5e-4, "mean {mean}");
        let expected = (0.4 * sensor.full_well + sensor.read_noise.powi(2)) / sensor.full_well.powi(2);
        // 60 000 samples: standard error of a variance is 0.6 %.
        assert!((variance / expected - 1.0).abs() < 0.03, "{variance:e} {expected:e}");
    }

    #[test]
    fn frames_differ_and_a_frame_made_twice_does_not() {
        let sensor = Sensor::default();
        let light = Image::filled(Size::new(20, 30), 0.5f32);
        let fixed = response(&sensor, &light);
        let make = |frame| expose(&sensor, &light, &fixed, 0.8, 3, |_, _, c| sensor.colour[c], frame);
        assert_eq!(make(1), make(1));
        assert_ne!(make(1), make(2));
    }
}
