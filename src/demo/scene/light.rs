//! Sun and sky as a blue-sensitive plate sees them: the sky is a strong light of its own, so shadows are open.
//!
//! Luminances are in units in which a white, sunlit, square-on surface has 1/π × [`SUN`] + 1/π × [`SKY`].

use super::vector::Vector;
use crate::demo::noise::{fbm, mix, step};
use std::f64::consts::{FRAC_1_PI, PI};

/// Blue light of the sun on a surface square to it.
pub const SUN: f64 = 1.0;
/// Blue light of the whole sky on level ground.
pub const SKY: f64 = 0.42;
/// Towards the sun: left of the camera and behind it, an hour or two past noon.
pub const SUN_AT: Vector = Vector { x: -0.71, y: 0.52, z: -0.475 };
/// Metres in which haze takes 1/e of the light of what lies behind it; blue light is scattered most.
const HAZE_LENGTH: f64 = 1500.0;
/// What thick haze looks like.
const HAZE: f64 = 0.235;

/// Light that a matt surface sends on. `lit`: share of the sun that reaches it; `open`: share of the sky that it sees.
pub fn matt(albedo: f64, normal: Vector, lit: f64, open: f64) -> f64 {
    let sun = SUN * lit * normal.dot(SUN_AT).max(0.0);
    let sky = SKY * open * (0.62 + 0.38 * normal.y);
    // Light that the ground throws back up, mostly on what leans over it.
    let ground = 0.06 * open * (0.5 - 0.5 * normal.y);
    albedo * FRAC_1_PI * (sun + sky + ground)
}

/// What is seen through `distance` metres of air.
pub fn through_air(luminance: f64, distance: f64) -> f64 {
    mix(HAZE, luminance, (-distance / HAZE_LENGTH).exp())
}

/// The sky, and the far shore under it, in a direction of unit length. `moment` in seconds moves the clouds.
pub fn sky(toward: Vector, moment: f64, fine: f64) -> f64 {
    let up = toward.y.max(0.0);
    let near_sun = toward.dot(SUN_AT).max(0.0);
    let clear = 0.172 + 0.075 * (-up * 7.0).exp() + 0.05 * near_sun * near_sun;
    if up < 0.004 {
        return clear;
    }
    // Heaps of cloud, smaller and closer together towards the horizon; lengths in degrees high in the sky.
    let bearing = toward.x.atan2(toward.z) * 57.3 + 0.006 * moment;
    let pack = 0.35 / (up + 0.35);
    let (x, y) = (bearing * (0.7 + 0.6 * pack), 52.0 * (1.0 - pack) + 0.002 * moment);
    // Clouds have no edges sharper than this.
    let fine = (57.3 * fine).max(0.10);
    let heap = |x: f64, y: f64, fine: f64| {
        let drift = fbm(x, y, 301, 11.0, 2.0);
        fbm(x + 2.2 * drift, 1.9 * y - 1.6 * drift, 311, 13.0, fine) + 0.35 * fbm(x, 2.5 * y, 317, 40.0, 9.0)
    };
    let body = heap(x, y, fine);
    let towards_sun = heap(x - 0.9, y + 0.8, 0.5);
    let veil = fbm(x * 0.5, y * 2.2, 331, 22.0, 0.6);
    let thick = step(-0.06, 0.30, body) * (1.0 - (-up * 20.0).exp());
    // Brightest where less cloud lies on the sun's side, grey beneath where it is thick.
    let cloud = 0.302 + 0.16 * (body - towards_sun).clamp(-0.4, 0.4) - 0.055 * step(0.25, 0.8, body);
    let veiled = clear + 0.035 * step(-0.15, 0.5, veil);
    mix(veiled, cloud, 0.8 * thick)
}

/// The far side of the estuary: a band of water, a low shore, hills behind. `None` above the hills.
pub fn far_shore(toward: Vector, moment: f64, fine: f64) -> Option<f64> {
    let bearing = toward.x.atan2(toward.z) / PI * 180.0;
    let height = toward.y / toward.x.hypot(toward.z);
    // Tangent of the height that no hill reaches.
    const HIGHEST: f64 = 0.056;
    if height > HIGHEST {
        return None;
    }
    let fine = (fine * 180.0 / PI).max(0.002);
    let ridge = |seed: u32, wide: f64, base: f64, tall: f64| base + tall * fbm(bearing, 0.5, seed, wide, fine);
    // Nearest first: the shore with its bushes, the fields behind it, two lines of hills.
    let shore = 0.0022 + 0.0016 * fbm(bearing, 3.5, 411, 1.6, fine).max(-0.3);
    let layers = [
        (shore, 0.014, 1700.0),
        (ridge(421, 9.0, 0.0062, 0.006), 0.03, 2600.0),
        (ridge(431, 16.0, 0.0125, 0.016), 0.028, 4200.0),
        (ridge(441, 24.0, 0.0200, 0.034), 0.03, 7500.0),
    ];
    if height < -0.0008 {
        // Open water and wet sand: bright, in long streaks.
        let depth = (1.0 / (0.0009 - height)).min(1000.0);
        let streak = fbm(bearing * 0.6, 30.0 * depth.ln() + 0.01 * moment, 451, 3.0, 0.2);
        return Some(through_air(mix(0.10, 0.20, step(-0.25, 0.25, streak)), 500.0));
    }
    for (top, dark, away) in layers {
        if height < top {
            let patch = 1.0 + 0.55 * fbm(bearing * 2.0, height * 900.0, 461, 3.0, fine);
            return Some(through_air(dark * patch, away));
        }
    }
    None
}
