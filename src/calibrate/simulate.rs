//! Frames of a panel and of step tablets whose truth is known, for the tests: light through a response, with shot noise, in eight bits.

use crate::frame::{Frame, Layout, Samples, Settings};
use crate::image::{Image, Size};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

/// Code, 0 to 1, of light, 0 to 1.
pub type Encode = fn(f64) -> f64;

/// IEC 61966-2-1.
pub fn srgb(light: f64) -> f64 {
    crate::frame::transfer::linear_to_srgb(light)
}

pub fn gamma(light: f64) -> f64 {
    light.powf(1.0 / 2.2)
}

/// sRGB with an S-shaped curve over it, as phones lay it: darker shadows, brighter middle, a shoulder.
pub fn phone(light: f64) -> f64 {
    let v = srgb((1.25 * light / (1.0 + 0.25 * light)).min(1.0));
    0.55 * v + 0.45 * v * v * (3.0 - 2.0 * v)
}

/// A panel that falls off by `fall` from its brightest place to the far corner, brightest off centre.
pub fn panel(size: Size, fall: f64) -> Image<f32> {
    Image::from_rows(size, 0.0, |row, out| {
        for (column, v) in out.iter_mut().enumerate() {
            let (x, y) = (column as f64 / size.columns as f64 - 0.45, row as f64 / size.rows as f64 - 0.55);
            *v = (1.0 - fall * (x * x + y * y) / 0.605) as f32;
        }
    })
}

/// Eight-bit codes of light; noise: variance of light is `shot` × light + 1e-7.
pub fn frame(light: &Image<f32>, encode: [Encode; 3], shot: f64, seed: u64) -> Frame {
    let mut rng = rand_pcg::Pcg32::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut codes = Vec::with_capacity(light.size().area() * 3);
    for v in light.pixels() {
        for encode in encode {
            let v = *v as f64;
            let noisy = v + normal.sample(&mut rng) * (shot * v + if shot > 0.0 { 1e-7 } else { 0.0 }).sqrt();
            codes.push((255.0 * encode(noisy.clamp(0.0, 1.0))).round() as u8);
        }
    }
    eight_bits(light.size(), codes)
}

/// A colour frame of codes as they are.
pub fn eight_bits(size: Size, codes: Vec<u8>) -> Frame {
    let table: Vec<f32> = (0..256).map(|c| c as f32 / 255.0).collect();
    Frame {
        size,
        layout: Layout::Rgb,
        samples: Samples::U8(codes),
        saturation: vec![table[254]; 3],
        tables: vec![table; 3],
        noise: None,
        settings: Settings::default(),
        format: "made".into(),
        raw: None,
        warnings: Vec::new(),
    }
}

/// A step tablet on the panel.
#[derive(Debug, Clone, Copy)]
pub struct Tablet {
    pub count: usize,
    pub pitch: f64,
    /// Density of the clear step.
    pub clear: f64,
    /// Pixels: middle, length and width.
    pub middle: [f64; 2],
    pub length: f64,
    pub width: f64,
    /// Degrees from the rows to the direction in which density rises.
    pub turn: f64,
    /// Density of what lies round it: 0 for the bare panel.
    pub surround: f64,
    /// Standard deviation of the lens's blur, pixels.
    pub blur: f64,
    /// Share of the frame's mean light spread over it.
    pub glare: f64,
    /// How much of what a blur of two pixels takes away is added: unsharp masking.
    pub sharpened: f64,
}

impl Tablet {
    /// 21 × 0.15 or 31 × 0.10, 0.05 to 3.05, in the middle of a masked frame of 1200 × 800.
    pub fn new(count: usize, pitch: f64) -> Tablet {
        let (middle, length, width) = ([600.0, 400.0], 1000.0, 110.0);
        Tablet {
            count,
            pitch,
            clear: 0.05,
            middle,
            length,
            width,
            turn: 0.0,
            surround: 4.0,
            blur: 1.2,
            glare: 0.0,
            sharpened: 0.0,
        }
    }

    pub fn densities(&self) -> Vec<f64> {
        (0..self.count).map(|k| self.clear + self.pitch * k as f64).collect()
    }

    /// Share of the panel's light, blurred, glare added.
    pub fn seen(&self, size: Size) -> Image<f32> {
        let (s, c) = self.turn.to_radians().sin_cos();
        let sharp = Image::from_rows(size, 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 + 0.5 - self.middle[0], row as f64 + 0.5 - self.middle[1]);
                let (along, across) = (x * c + y * s, y * c - x * s);
                let step = ((along / self.length + 0.5) * self.count as f64).floor();
                let inside = across.abs() < self.width / 2.0 && step >= 0.0 && step < self.count as f64;
                let density = if inside { self.clear + self.pitch * step } else { self.surround };
                *v = 10f64.powf(-density) as f32;
            }
        });
        let blurred = blur(&blur(&sharp, self.blur).transposed(), self.blur).transposed();
        let blurred = if self.sharpened > 0.0 {
            let soft = blur(&blur(&blurred, 2.0).transposed(), 2.0).transposed();
            let both = blurred.pixels().iter().zip(soft.pixels());
            let sharper = both.map(|(v, s)| (v + self.sharpened as f32 * (v - s)).max(0.0)).collect();
            Image::from_vec(size, sharper)
        } else {
            blurred
        };
        let mean = blurred.pixels().iter().map(|v| *v as f64).sum::<f64>() / size.area() as f64;
        blurred.map(|v| v + (self.glare * mean) as f32)
    }
}

trait Transposed {
    fn transposed(&self) -> Self;
}

impl Transposed for Image<f32> {
    fn transposed(&self) -> Self {
        Image::from_rows(self.size().turned(), 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(column, v)| *v = self.at(column, row));
        })
    }
}

/// A Gaussian along rows.
fn blur(image: &Image<f32>, sigma: f64) -> Image<f32> {
    let reach = (4.0 * sigma).ceil() as isize;
    let weights: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma.max(1e-3)).powi(2)).exp()).collect();
    let sum: f64 = weights.iter().sum();
    Image::from_rows(image.size(), 0f32, |row, out| {
        for (column, v) in out.iter_mut().enumerate() {
            let at = |k: usize| image.at_clamped(row as isize, column as isize + k as isize - reach) as f64;
            *v = (weights.iter().enumerate().map(|(k, w)| w * at(k)).sum::<f64>() / sum) as f32;
        }
    })
}
