//! The highest density that a capture can still tell from a denser one: where its codes, its noise or its glare reach [`STEP`].
//!
//! In: the light of bare panel, how codes and noise lie over light, the veil that was taken off and how sure it is. Out: a density for each
//! ([`Deepest`]), none where nothing is known of it. Never fails.
//!
//! Noise and codes hide a step; glare that was taken off wrongly moves a density and leaves its steps. What compares plates of one set-up
//! asks the first two alone.

use crate::frame::NoiseModel;
use serde::{Deserialize, Serialize};
use std::f64::consts::LN_10;

/// The step of density that must be told: half of a step of a 31-step tablet.
pub const STEP: f64 = 0.05;

/// Densities up to which each lets a capture be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Deepest {
    /// Where one step of the file's codes is [`STEP`].
    pub codes: Option<f64>,
    /// Where the noise of one pixel is [`STEP`], standard deviation.
    pub noise: Option<f64>,
    /// Where the standard uncertainty of the glare moves a density by [`STEP`].
    pub glare: Option<f64>,
}

impl Deepest {
    /// The least of all.
    pub fn least(&self) -> Option<f64> {
        least(self.steps(), self.glare)
    }

    /// By codes and noise alone.
    pub fn steps(&self) -> Option<f64> {
        least(self.codes, self.noise)
    }

    /// Of several exposures of one view the one that tells steps furthest.
    pub fn or_deeper(self, other: Deepest) -> Deepest {
        if other.steps() > self.steps() { other } else { self }
    }

    /// Of a plate that is made of several captures: of each the least.
    pub fn or_worse(self, other: Deepest) -> Deepest {
        Deepest {
            codes: least(self.codes, other.codes),
            noise: least(self.noise, other.noise),
            glare: least(self.glare, other.glare),
        }
    }

    /// Each density as `of` has it.
    pub fn map(&self, of: impl Fn(f64) -> f64) -> Deepest {
        Deepest { codes: self.codes.map(&of), noise: self.noise.map(&of), glare: self.glare.map(&of) }
    }
}

fn least(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.into_iter().chain(b).reduce(f64::min)
}

/// By codes: `light` of each code, `bare` light at density 0 over a veil of `veil`.
pub fn by_codes(light: &[f32], bare: f64, veil: f64) -> Option<f64> {
    let own = |code: usize| light[code] as f64 - veil;
    let fine =
        |code: &usize| own(*code) > 0.0 && own(code + 1) > own(*code) && (own(code + 1) / own(*code)).log10() <= STEP;
    let first = (1..light.len().saturating_sub(1)).find(fine)?;
    Some(-(own(first) / bare).log10())
}

/// By noise: the light L over a veil V at which √(shot (L + V) + read) ÷ (L ln 10) is [`STEP`], which is a quadratic equation in L.
pub fn by_noise(noise: &NoiseModel, bare: f64, veil: f64) -> Option<f64> {
    let share = (STEP * LN_10).powi(2);
    let own = (noise.shot + (noise.shot.powi(2) + 4.0 * share * (noise.shot * veil.max(0.0) + noise.read)).sqrt())
        / (2.0 * share);
    (own > 0.0).then(|| -(own / bare).log10())
}

/// By glare whose share of the mean light is uncertain by `sd`: by T = (seen − g m) ÷ (1 − g), as in [`super::Uncertainty`].
pub fn by_glare(sd: f64, mean_light: f64) -> Option<f64> {
    (sd > 0.0 && mean_light > 0.0).then(|| ((1.0 + STEP * LN_10 / sd) / mean_light).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand. Codes k/1000: the step from k to k + 1 is 0.05 in density at k = 1 ÷ (10^0.05 − 1) = 8.2, so that 9 is the first fine code. Read
    /// noise alone, σ: 0.05 ln 10 = σ ÷ L. Shot noise alone: L = shot ÷ (0.05 ln 10)². Glare: 0.115 = sd (m 10^D − 1).
    #[test]
    fn each_is_as_worked_out_by_hand() {
        let codes: Vec<f32> = (0..1001).map(|k| k as f32 / 1000.0).collect();
        assert!((by_codes(&codes, 1.0, 0.0).unwrap() + 0.009f64.log10()).abs() < 1e-6);
        let k = 0.05 * LN_10;
        let read = NoiseModel { shot: 0.0, read: 1e-8 };
        assert!((by_noise(&read, 0.8, 0.0).unwrap() + (1e-4 / k / 0.8).log10()).abs() < 1e-9);
        let shot = NoiseModel { shot: 1e-4, read: 0.0 };
        assert!((by_noise(&shot, 0.8, 0.0).unwrap() + (1e-4 / (k * k) / 0.8).log10()).abs() < 1e-9);
        assert!((by_glare(0.01, 0.3).unwrap() - ((k / 0.01 + 1.0) / 0.3).log10()).abs() < 1e-9);
    }

    /// At the density that is told, the standard deviation of density is the step: the noise model put in.
    #[test]
    fn noise_over_a_veil_is_the_step_there() {
        let (noise, bare, veil) = (NoiseModel { shot: 4e-5, read: 3e-8 }, 5.0, 0.02);
        let own = bare * 10f64.powf(-by_noise(&noise, bare, veil).unwrap());
        let sd = (noise.shot * (own + veil) + noise.read).sqrt() / own / LN_10;
        assert!((sd - STEP).abs() < 1e-9, "{sd}");
        assert!(by_noise(&noise, bare, veil) < by_noise(&noise, bare, 0.0));
    }

    #[test]
    fn the_least_counts_and_the_longest_exposure_reaches_deepest() {
        let short = Deepest { codes: Some(2.4), noise: Some(2.1), glare: None };
        let long = Deepest { codes: Some(3.3), noise: Some(2.7), glare: None };
        let view = Deepest { glare: Some(1.6), ..long.or_deeper(short) };
        assert_eq!((view.steps(), view.least()), (Some(2.7), Some(1.6)));
        assert_eq!(Deepest::default().least(), None);
    }
}
