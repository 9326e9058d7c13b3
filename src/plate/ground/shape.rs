//! The profile across one place of a side: surround, rim, rebate and picture under a blur.
//!
//! In: the numbers of [`Edges`](super::edges::Edges) for the side, and samples of transmittance. Out: what the best levels leave over of them.

use super::edges::LOCAL;
use nalgebra::{Matrix4, Vector4};
use wide::f64x4;

/// A profile but for its levels.
#[derive(Clone, Copy)]
pub struct Shape {
    pub at: f64,
    pub blur: f64,
    /// Where the rim's inner bound lies behind the edge, its blur, and the share of light that the rim passes.
    pub width: f64,
    pub inner_blur: f64,
    passes: f64,
    /// Where the picture begins behind the edge, and that bound's blur.
    picture: f64,
    picture_blur: f64,
}

impl Shape {
    pub fn new(numbers: &[f64; LOCAL], along: f64, has_rim: bool) -> Shape {
        let [blur, width, soft, passes, constant, linear, square, picture, picture_soft, picture_linear] = *numbers;
        let blur = blur.exp();
        Shape {
            at: constant + along * (linear + along * square),
            blur,
            width: width.exp(),
            inner_blur: blur.hypot(soft.exp()),
            passes: if has_rim { 1.0 / (1.0 + (-passes).exp()) } else { 1.0 },
            picture: (picture + along * picture_linear).max(0.0),
            picture_blur: blur.hypot(picture_soft.exp()),
        }
    }

    /// The same further inwards.
    pub fn moved(self, by: f64) -> Shape {
        Shape { at: self.at + by, ..self }
    }

    /// Shares of surround, rebate and picture at distances, and the picture's slope; four distances at a time.
    fn parts(&self, x: f64x4) -> [Vector4<f64>; 4] {
        let d = x - self.at;
        let glass = step(d, self.blur);
        let light = if self.passes < 1.0 {
            glass * self.passes + step(d - self.width, self.inner_blur) * (1.0 - self.passes)
        } else {
            glass
        };
        let behind = d - self.picture;
        let picture = light * step(behind, self.picture_blur);
        let parts = [f64x4::ONE - glass, light - picture, picture, picture * behind].map(f64x4::to_array);
        std::array::from_fn(|lane| Vector4::from_fn(|part, _| parts[part][lane]))
    }

    /// What the best levels leave over, sample by sample: model less profile. A picture that would pass more than its rebate is none.
    pub fn left(&self, profile: &[(f64, f64)]) -> Vec<f64> {
        let distances =
            |four: &[(f64, f64)]| f64x4::new(std::array::from_fn(|lane| four.get(lane).map_or(0.0, |(x, _)| *x)));
        let rows: Vec<Vector4<f64>> = profile.chunks(4).flat_map(|four| self.parts(distances(four))).collect();
        let solve = |fold: fn(&Vector4<f64>) -> Vector4<f64>| {
            let (mut normal, mut right) = (Matrix4::identity() * 1e-6, Vector4::zeros());
            for (row, (_, t)) in rows.iter().zip(profile) {
                let row = fold(row);
                normal += row * row.transpose();
                right += row * *t;
            }
            let levels = normal.cholesky().map_or_else(Vector4::zeros, |n| n.solve(&right));
            let left = rows.iter().zip(profile).map(|(row, (_, t))| fold(row).dot(&levels) - t).collect();
            (levels, left)
        };
        let (levels, left) = solve(|row| *row);
        if levels[2] <= levels[1] { left } else { solve(|row| Vector4::new(row[0], row[1] + row[2], 0.0, 0.0)).1 }
    }
}

/// A step under a blur of this standard deviation, at a distance from it. The blur is a lens's Gaussian and what sampling adds on the average
/// over a slanted side: the pixel's box and the tent of linear interpolation, together three boxes, whose fourth cumulant is -3/120. By
/// Edgeworth's series to that cumulant (Kendall & Stuart, *The Advanced Theory of Statistics* 1, § 6.18, from memory).
fn step(distance: f64x4, blur: f64) -> f64x4 {
    const SAMPLING: f64 = 0.5;
    let excess = -0.025 / blur.max(SAMPLING).powi(4);
    let z = distance * (1.0 / blur);
    let square = z * z;
    let bell = (square * -0.5).exp() * 0.398_942_280_4;
    normal(z, bell) - z * (square - 3.0) * bell * (excess / 24.0)
}

/// The normal distribution's integral, given its density at `z`: by Hastings' polynomial, within 8e-8 (Abramowitz & Stegun, *Handbook of
/// Mathematical Functions*, 26.2.17, from memory).
fn normal(z: f64x4, bell: f64x4) -> f64x4 {
    const TERMS: [f64; 5] = [1.330_274_429, -1.821_255_978, 1.781_477_937, -0.356_563_782, 0.319_381_530];
    let t = f64x4::ONE / (z.abs() * 0.231_641_9 + 1.0);
    let tail = bell * TERMS.iter().fold(f64x4::ZERO, |sum, term| (sum + *term) * t);
    z.simd_lt(f64x4::ZERO).select(tail, f64x4::ONE - tail)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz & Stegun, table 26.1 (from memory).
    #[test]
    fn the_normal_integral_is_the_tables() {
        let z = [-1.0, 0.0, 1.0, 1.96];
        let bell = z.map(|z: f64| 0.398_942_280_4 * (-0.5 * z * z).exp());
        let found = normal(f64x4::new(z), f64x4::new(bell)).to_array();
        for (found, told) in found.iter().zip([0.158_655_25, 0.5, 0.841_344_75, 0.975_002_10]) {
            assert!((found - told).abs() < 1e-7, "{found} for {told}");
        }
    }
}
