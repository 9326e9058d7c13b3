//! For this module's tests alone: a made scene, plates exposed to it, and the truth about both.
//!
//! Luminance of a shore with a sky, hills, a kiln, trees and water, all from hashed noise; a characteristic curve with toe and shoulder;
//! grain that grows with density; rebate at the margins. Written apart from what it tests: nothing here is used by it.

use crate::geometry::{Homography, Point};
use crate::image::{Image, Size};
use crate::units::NetDensity;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// Density above base for log10 of exposure: softplus toe and shoulder, straight between.
#[derive(Debug, Clone, Copy)]
pub struct Curve {
    pub gamma: f64,
    /// log10 H where the straight line meets the base, and the width of the toe.
    pub toe: (f64, f64),
    /// Density that the shoulder comes to, and the width of the shoulder in density.
    pub top: (f64, f64),
}

impl Curve {
    pub const PLAIN: Curve = Curve { gamma: 0.85, toe: (0.0, 0.16), top: (2.6, 0.25) };

    pub fn density(&self, log_h: f64) -> f64 {
        let soft = |x: f64, w: f64| w * (x / w).max(-30.0).exp().ln_1p().min(1e9);
        let soft = |x: f64, w: f64| if x / w > 30.0 { x } else { soft(x, w) };
        let straight = self.gamma * soft(log_h - self.toe.0, self.toe.1);
        let shoulder = |d: f64| self.top.0 - soft(self.top.0 - d, self.top.1);
        shoulder(straight) - shoulder(0.0)
    }
}

/// One way to make a plate of the scene.
#[derive(Debug, Clone)]
pub struct Shot {
    pub size: Size,
    pub mm_per_px: f64,
    /// log10 of exposure added to the scene's log luminance.
    pub log_exposure: f64,
    pub curve: Curve,
    /// Scene to plate, both in millimetres of a plate of 127 × 102 mm.
    pub framing: Homography,
    /// How much further out than it should a lens draws the plate's corners, as a share of their distance from its middle; it grows
    /// with the cube of that (D. C. Brown 1966).
    pub lens: f64,
    /// Which scene.
    pub seed: u64,
    /// What trees, clouds and water look like: another number moves them.
    pub wind: u64,
    pub grain: f64,
    pub grain_seed: u64,
    pub rebate_mm: f64,
}

impl Default for Shot {
    fn default() -> Shot {
        Shot {
            size: Size::new(816, 1016),
            mm_per_px: 0.125,
            log_exposure: 1.0,
            curve: Curve::PLAIN,
            framing: Homography::identity(),
            lens: 0.0,
            seed: 1,
            wind: 0,
            grain: 0.02,
            grain_seed: 1,
            rebate_mm: 2.5,
        }
    }
}

impl Shot {
    /// Density without grain, nor rebate.
    pub fn truth(&self) -> Image<f32> {
        let back = self.framing.inverse();
        Image::from_rows(self.size, 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let p = Point::new(column as f64 + 0.5, row as f64 + 0.5) * self.mm_per_px;
                let log_h = luminance(back.apply(self.undistorted(p)), self.seed, self.wind) + self.log_exposure;
                *v = self.curve.density(log_h) as f32;
            }
        })
    }

    pub fn plate(&self) -> Image<NetDensity> {
        let truth = self.truth();
        let (w, h) = (self.size.columns as f64 * self.mm_per_px, self.size.rows as f64 * self.mm_per_px);
        Image::from_rows(self.size, NetDensity(0.0), |row, out| {
            let mut rng = Pcg64::seed_from_u64(self.grain_seed << 32 | row as u64);
            for (column, v) in out.iter_mut().enumerate() {
                let p = Point::new(column as f64 + 0.5, row as f64 + 0.5) * self.mm_per_px;
                let margin = p.x.min(p.y).min(w - p.x).min(h - p.y);
                let lit = (1.0 / (1.0 + (-(margin - self.rebate_mm) / 0.05).exp())) as f32;
                let d = truth.at(row, column) * lit;
                let noise: f32 = StandardNormal.sample(&mut rng);
                *v = NetDensity(d + noise * self.grain as f32 * (d.max(0.0) + 0.05).sqrt());
            }
        })
    }

    fn bent(&self, p: Point) -> Point {
        let middle = Point::new(self.size.columns as f64, self.size.rows as f64) * (0.5 * self.mm_per_px);
        let r = p.distance(middle) / middle.distance(Point::default());
        (p - middle) * (self.lens * r * r)
    }

    /// Where the scene would lie on a plate behind a lens without distortion, in millimetres.
    fn undistorted(&self, p: Point) -> Point {
        (0..50).fold(p, |straight, _| p - self.bent(straight))
    }

    /// Where a place of A lies in B, in pixels of the two.
    pub fn in_b(a: &Shot, b: &Shot, p: Point) -> Point {
        let scene = a.framing.inverse().apply(a.undistorted(p * a.mm_per_px));
        let straight = b.framing.apply(scene);
        (straight + b.bent(straight)) * (1.0 / b.mm_per_px)
    }
}

/// log10 luminance, about 2.4 from the trees' shade to the sky; `p` in millimetres.
fn luminance(p: Point, seed: u64, wind: u64) -> f64 {
    let (x, y) = (p.x, p.y);
    let still = |k: f64, l: f64, n: u64| fractal(x * k, y * l, seed * 1000 + n, 5);
    let blown = |k: f64, l: f64, n: u64| fractal(x * k, y * l, seed * 1000 + n + 77 * wind, 5);
    let (s1, s2, s3) = (unit(seed, 1), unit(seed, 2), unit(seed, 3));
    let horizon = 38.0 + 12.0 * s1 + 2.0 * fractal(x * 0.05, 0.0, seed + 31, 3);
    let ridge = horizon - 6.0 - 9.0 * (fractal(x * 0.03, 5.0, seed + 47, 5) + 0.3);
    let shore = horizon + 18.0 + 8.0 * fractal(x * 0.04, 9.0, seed + 59, 4);
    let mut value = if y < ridge {
        // A sky with a few clouds; the clouds drift.
        let cloud = ((blown(0.05, 0.11, 1) - 0.2) / 0.15).clamp(0.0, 1.0);
        1.1 + 0.0015 * y + 0.15 * still(0.02, 0.02, 15) + 0.25 * cloud * cloud * (3.0 - 2.0 * cloud)
    } else if y < horizon {
        0.45 + 0.25 * still(0.25, 0.25, 2)
    } else if y < shore {
        0.5 + 0.35 * blown(0.12, 0.5, 3)
    } else {
        -0.05 + 0.5 * still(0.3, 0.3, 4) + 0.2 * still(1.3, 1.3, 5)
    };
    // A kiln with courses of stone and a dark door.
    let (kx, ky) = (25.0 + 60.0 * s2, horizon + 2.0);
    let (dx, dy) = (x - kx, y - ky);
    if dx.abs() < 11.0 - 0.1 * (20.0 + dy) && (-22.0..20.0).contains(&dy) {
        let joint = (dy / 2.3).fract().abs() < 0.15 || ((dx / 3.1 + (dy / 2.3).floor() * 0.5).fract()).abs() < 0.1;
        value = 0.25 + 0.3 * still(0.6, 0.6, 6) - if joint { 0.3 } else { 0.0 };
        if dx.hypot((dy - 12.0).min(0.0) * 0.8) < 3.5 && dy > 4.0 {
            value = -1.15 + 0.1 * still(0.8, 0.8, 7);
        }
    }
    // Trees.
    for (n, (tx, size)) in
        [(15.0 + 30.0 * s3, 16.0), (95.0 + 15.0 * s1, 20.0), (70.0 - 20.0 * s3, 9.0)].iter().enumerate()
    {
        let edge = 0.35 * blown(0.25, 0.25, 8 + n as u64);
        let away = ((x - tx) / size).hypot((y - shore + 0.55 * size) / (1.1 * size));
        if away + edge < 0.9 {
            value = -0.75 + 0.75 * blown(0.45, 0.45, 11 + n as u64) + 0.25 * blown(1.5, 1.5, 14);
        }
    }
    value
}

/// Fractal noise of `octaves`, about −0.6 to 0.6, mean 0.
fn fractal(x: f64, y: f64, seed: u64, octaves: u64) -> f64 {
    let mut sum = 0.0;
    for octave in 0..octaves {
        let k = (1u64 << octave) as f64;
        sum += smooth(x * k + octave as f64 * 17.3, y * k, seed * 31 + octave) * 0.6f64.powi(octave as i32);
    }
    sum * 0.7
}

/// Value noise with smooth steps, −1 to 1.
fn smooth(x: f64, y: f64, seed: u64) -> f64 {
    let (cx, cy) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (fx, fy) = (ease(x - cx), ease(y - cy));
    let node = |i: f64, j: f64| {
        2.0 * unit(seed ^ ((cx + i) as i64 as u64).wrapping_mul(0x9E37_79B9), ((cy + j) as i64) as u64) - 1.0
    };
    let upper = node(0.0, 0.0) * (1.0 - fx) + node(1.0, 0.0) * fx;
    let lower = node(0.0, 1.0) * (1.0 - fx) + node(1.0, 1.0) * fx;
    upper * (1.0 - fy) + lower * fy
}

/// A number from 0 to 1 for each pair (splitmix64's finish).
fn unit(a: u64, b: u64) -> f64 {
    let mut z = a.wrapping_mul(0xBF58_476D_1CE4_E5B9) ^ b.wrapping_mul(0x94D0_49BB_1331_11EB).rotate_left(29);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}
