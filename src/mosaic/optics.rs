//! What a lens and the light's wavelength leave of a sampling: diffraction and depth of field in copying.
//!
//! In: f-number, pixel pitch, wavelength, and the sampling on the plate. Out: [`Reach`]. Never fails; all figures must be above 0.
//!
//! A lens without aberrations and with a pupil magnification of 1, in incoherent light: textbook formulas (Goodman, "Introduction to
//! Fourier Optics"; from memory). Real lenses do worse, so these are bounds.

use serde::Serialize;
use std::f64::consts::PI;

/// First zero of the Bessel function J₁ over π: radius of the Airy disc in units of λN.
const AIRY: f64 = 1.219_67;
/// Green light, in the middle of what a sensor sees of a white panel.
pub const WAVELENGTH_NM: f64 = 550.0;

/// The lens at its stop, and the sensor behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stop {
    /// As engraved, for far objects.
    pub f_number: f64,
    pub pixel_um: f64,
    pub wavelength_nm: f64,
}

/// What they allow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reach {
    /// Size on the sensor over size on the plate.
    pub magnification: f64,
    /// N (1 + m): what counts at this distance.
    pub effective_f_number: f64,
    /// Frequency from which on nothing passes, cycles per millimetre of the plate and of the sensor.
    pub cutoff_per_mm: f64,
    pub cutoff_per_mm_on_sensor: f64,
    /// From the middle of a point's image to its first dark ring.
    pub airy_radius_um: f64,
    pub airy_radius_px: f64,
    /// Contrast that diffraction leaves of detail at half the sampling, 0 to 1.
    pub contrast_at_half_sampling: f64,
    /// Depth on the plate's side over which a point blurs by a pixel at most.
    pub depth_of_field_mm: f64,
}

/// Size on the sensor over size on the plate.
pub fn magnification(px_per_mm: f64, pixel_um: f64) -> f64 {
    px_per_mm * pixel_um / 1000.0
}

/// What the lens allows at a sampling on the plate.
pub fn reach(stop: &Stop, px_per_mm: f64) -> Reach {
    let m = magnification(px_per_mm, stop.pixel_um);
    let effective = stop.f_number * (1.0 + m);
    let wavelength_um = stop.wavelength_nm / 1000.0;
    let cutoff = 1000.0 / (wavelength_um * effective);
    let airy = AIRY * wavelength_um * effective;
    Reach {
        magnification: m,
        effective_f_number: effective,
        cutoff_per_mm: cutoff * m,
        cutoff_per_mm_on_sensor: cutoff,
        airy_radius_um: airy,
        airy_radius_px: airy / stop.pixel_um,
        contrast_at_half_sampling: contrast(px_per_mm / 2.0 / (cutoff * m)),
        depth_of_field_mm: 2.0 * stop.f_number * (stop.pixel_um / 1000.0) * (1.0 + m) / (m * m),
    }
}

/// Contrast that a round pupil leaves at a share of its cutoff.
fn contrast(share: f64) -> f64 {
    if share >= 1.0 { 0.0 } else { 2.0 / PI * (share.acos() - share * (1.0 - share * share).sqrt()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// J₁ by its integral, (1/π) ∫ cos(t − x sin t) dt over 0 to π (Abramowitz and Stegun 9.1.21). The trapezoidal rule is exact to
    /// rounding for it, so that J₁ crosses 0 within the last digit that is kept.
    #[test]
    fn the_airy_radius_is_the_first_zero_of_j1() {
        let j1 = |x: f64| {
            let n = 200;
            let f = |k: usize| (PI * k as f64 / n as f64 - x * (PI * k as f64 / n as f64).sin()).cos();
            ((1..n).map(f).sum::<f64>() + 0.5 * (f(0) + f(n))) / n as f64
        };
        assert!(j1(PI * (AIRY - 1e-5)) > 0.0 && j1(PI * (AIRY + 1e-5)) < 0.0);
    }

    /// A telescope of f/6 at 0.55 µm cuts off at 303 cycles/mm (an encyclopedia's worked example, "Spatial cutoff frequency", after
    /// Saleh and Teich, "Fundamentals of Photonics"). At f/8 the Airy disc is 5.4 µm in radius, and half the cutoff keeps 39 % of
    /// its contrast (textbook figures, from memory). Tolerances are half a unit of the last digit. A far object: a magnification of
    /// a millionth.
    #[test]
    fn far_objects_get_the_textbook_figures() {
        let far = |f_number| reach(&Stop { f_number, pixel_um: 1.0, wavelength_nm: 550.0 }, 1e-3);
        assert!((far(6.0).cutoff_per_mm_on_sensor - 303.0).abs() < 0.5, "{:?}", far(6.0));
        assert!((far(8.0).airy_radius_um - 5.4).abs() < 0.05, "{:?}", far(8.0));
        assert!((contrast(0.5) - 0.39).abs() < 0.005 && contrast(0.0) == 1.0 && contrast(1.0) == 0.0);
    }

    /// Worked by hand, life size at f/8 with 5 µm pixels: 200 px/mm, f/16 effective, 1 / (0.00055 mm × 16) = 113.64 cycles/mm on
    /// either side, Airy radius 1.2197 × 0.55 × 16 = 10.733 µm or 2.147 pixels, depth 2 × 8 × 0.005 × 2 / 1 = 0.16 mm. Half sampling
    /// is 100 cycles/mm, 0.88 of the cutoff: 2/π (0.49493 − 0.88 × 0.47497) = 0.0490.
    #[test]
    fn life_size_at_f_8_is_as_worked_by_hand() {
        let stop = Stop { f_number: 8.0, pixel_um: 5.0, wavelength_nm: 550.0 };
        let near = reach(&stop, 200.0);
        assert!((near.magnification - 1.0).abs() < 1e-12 && (near.effective_f_number - 16.0).abs() < 1e-12);
        assert!((near.cutoff_per_mm - 113.636).abs() < 1e-3 && (near.airy_radius_px - 2.1466).abs() < 1e-4);
        assert!((near.depth_of_field_mm - 0.16).abs() < 1e-12);
        assert!((near.contrast_at_half_sampling - 0.0490).abs() < 5e-5, "{near:?}");
    }
}
