//! How much of the capture's own sharpness a result keeps.
//!
//! Transfer from the ideal capture (plate through lens and pixel, without noise) to the result, from cross-spectra of many
//! patches: Σ R·P* ÷ Σ |P|². Noise that is only in the result averages out of it; the patch's own displacement is taken out first,
//! since it is measured elsewhere.

use super::displacement::Displacements;
use hyaline::image::Image;
use rustfft::{FftPlanner, num_complex::Complex};
use std::f64::consts::TAU;

const SIDE: usize = 64;
/// Bands of spatial frequency, in cycles a pixel.
const BANDS: [(f64, f64); 4] = [(0.10, 0.15), (0.15, 0.20), (0.20, 0.25), (0.25, 0.30)];

/// Mean over the bands of the transfer; 1 is all of the capture's own.
pub fn kept(seen: &Image<f32>, ideal: &Image<f32>, displaced: &Displacements) -> f64 {
    let mut planner = FftPlanner::new();
    let fft = planner.plan_fft_forward(SIDE);
    let mut cross = [0.0; BANDS.len()];
    let mut power = [0.0; BANDS.len()];
    for place in &displaced.places {
        let (c, r) = (place.at[0] as usize, place.at[1] as usize);
        let half = SIDE / 2;
        if c < half + 2 || r < half + 2 || c + half + 2 > ideal.columns() || r + half + 2 > ideal.rows() {
            continue;
        }
        let spectrum = |image: &Image<f32>| {
            let mean =
                (0..SIDE * SIDE).map(|i| f64::from(image.at(r - half + i / SIDE, c - half + i % SIDE))).sum::<f64>()
                    / (SIDE * SIDE) as f64;
            let window = |i: usize| 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / SIDE as f64).cos();
            let mut data: Vec<Complex<f64>> = (0..SIDE * SIDE)
                .map(|i| {
                    let value = f64::from(image.at(r - half + i / SIDE, c - half + i % SIDE)) - mean;
                    Complex::new(value * window(i / SIDE) * window(i % SIDE), 0.0)
                })
                .collect();
            fft.process(&mut data);
            let mut turned: Vec<Complex<f64>> = (0..SIDE * SIDE).map(|i| data[i % SIDE * SIDE + i / SIDE]).collect();
            fft.process(&mut turned);
            turned
        };
        let (result, whole) = (spectrum(seen), spectrum(ideal));
        for i in 0..SIDE * SIDE {
            // Transposed: the slow index counts columns' frequencies.
            let frequency = |k: usize| if k <= half { k as f64 } else { k as f64 - SIDE as f64 } / SIDE as f64;
            let (fx, fy) = (frequency(i / SIDE), frequency(i % SIDE));
            let radius = fx.hypot(fy);
            if let Some(band) = BANDS.iter().position(|(low, high)| radius >= *low && radius < *high) {
                let back = Complex::from_polar(1.0, TAU * (fx * place.by[0] + fy * place.by[1]));
                cross[band] += (result[i] * back * whole[i].conj()).re;
                power[band] += whole[i].norm_sqr();
            }
        }
    }
    cross.iter().zip(power).map(|(c, p)| c / p).sum::<f64>() / BANDS.len() as f64
}
