//! What one number means. Each is a plain number in memory; the type keeps them from being mixed up.

use bytemuck::{Pod, Zeroable};
use serde::{Deserialize, Serialize};

/// Light that fell on a photosite, as a share of what saturates it (0 is none, 1 is full). Black level already taken off,
/// so noise may carry it a little below 0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Pod, Zeroable)]
#[repr(transparent)]
pub struct Linear(pub f32);

/// Share of the panel's light that passes; 1 is the bare panel. Noise may carry it a little above 1 or below 0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Pod, Zeroable)]
#[repr(transparent)]
pub struct Transmittance(pub f32);

impl Transmittance {
    /// What a full photosite is taken for, the bare panel: one step above 1, so that it is told from one that saw just as much.
    pub const FULL: Transmittance = Transmittance(1.0 + f32::EPSILON);
}

/// Optical density against bare light, −log10 T (ISO 5-1).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Pod, Zeroable)]
#[repr(transparent)]
pub struct Density(pub f32);

/// Optical density above base plus fog: what development gave in answer to light.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Pod, Zeroable)]
#[repr(transparent)]
pub struct NetDensity(pub f32);

/// Doublings of exposure; +1 is twice the light.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Stops(pub f64);

/// A length on the plate.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Millimetres(pub f64);

pub const MM_PER_INCH: f64 = 25.4;

/// Density that one stop of light makes: log10 2.
pub const DENSITY_PER_STOP: f64 = std::f64::consts::LOG10_2;

impl Transmittance {
    /// Density, with everything darker than `floor` told as the floor's density: a capture cannot tell it from black.
    pub fn density(self, floor: Transmittance) -> Density {
        Density(-self.0.max(floor.0).log10())
    }
}

impl Density {
    pub fn transmittance(self) -> Transmittance {
        Transmittance(10f32.powf(-self.0))
    }

    /// What is left when base plus fog is taken off.
    pub fn above(self, base: Density) -> NetDensity {
        NetDensity(self.0 - base.0)
    }
}

impl Stops {
    /// From a ratio of exposures.
    pub fn from_ratio(ratio: f64) -> Stops {
        Stops(ratio.log2())
    }

    pub fn ratio(self) -> f64 {
        self.0.exp2()
    }

    /// The same step as a difference of log10 exposure.
    pub fn log_exposure(self) -> f64 {
        self.0 * DENSITY_PER_STOP
    }
}

impl Millimetres {
    pub fn from_inches(inches: f64) -> Millimetres {
        Millimetres(inches * MM_PER_INCH)
    }

    pub fn inches(self) -> f64 {
        self.0 / MM_PER_INCH
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// D = −log10 T is ISO 5-1's definition; the figures follow from it.
    #[test]
    fn density_is_as_iso_5_1_defines_it() {
        let floor = Transmittance(1e-6);
        for (t, d) in [(0.1, 1.0), (0.01, 2.0), (0.001, 3.0), (0.5, std::f32::consts::LOG10_2)] {
            assert!((Transmittance(t).density(floor).0 - d).abs() < 5e-6, "T {t}");
        }
        assert!((Density(0.15).transmittance().0 - 0.707946).abs() < 5e-7);
    }

    /// Worked example: base plus fog passes a quarter of the blank, a pixel 0.0025 of it; net density is exactly 2.
    #[test]
    fn net_density_leaves_the_base_out() {
        let floor = Transmittance(1e-6);
        let net = Transmittance(0.0025).density(floor).above(Transmittance(0.25).density(floor));
        assert!((net.0 - 2.0).abs() < 1e-6);
    }

    #[test]
    fn stops_and_ratios_undo_each_other() {
        assert_eq!(Stops::from_ratio(8.0), Stops(3.0));
        assert!((10f64.powf(Stops(1.0).log_exposure()) - 2.0).abs() < 1e-12);
        assert_eq!(Millimetres::from_inches(10.0), Millimetres(254.0));
    }
}
