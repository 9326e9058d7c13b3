//! The profile across one place of a side: surround, rim, rebate and picture under a blur.
//!
//! In: the numbers of [`Edges`](super::edges::Edges) for the side, and samples of transmittance. Out: what the best levels leave over of them.

use super::edges::LOCAL;
use nalgebra::{Matrix4, Vector4};

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

    /// Shares of surround, rebate and picture at a distance, and the picture's slope.
    fn parts(&self, x: f64) -> Vector4<f64> {
        let d = x - self.at;
        let glass = step(d, self.blur);
        let light = if self.passes < 1.0 {
            self.passes * glass + (1.0 - self.passes) * step(d - self.width, self.inner_blur)
        } else {
            glass
        };
        let behind = d - self.picture;
        let picture = light * step(behind, self.picture_blur);
        Vector4::new(1.0 - glass, light - picture, picture, picture * behind)
    }

    /// What the best levels leave over, sample by sample: model less profile. A picture that would pass more than its rebate is none.
    pub fn left(&self, profile: &[(f64, f64)]) -> Vec<f64> {
        let rows: Vec<Vector4<f64>> = profile.iter().map(|(x, _)| self.parts(*x)).collect();
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
fn step(distance: f64, blur: f64) -> f64 {
    const SAMPLING: f64 = 0.5;
    let z = distance / blur;
    let excess = -0.025 / blur.max(SAMPLING).powi(4);
    let bell = 0.398_942_280_4 * (-0.5 * z * z).exp();
    normal(z) - excess / 24.0 * (z * z * z - 3.0 * z) * bell
}

/// The normal distribution's integral, by the logistic approximation of Page, Applied Statistics 26, 75 (1977) (from memory): within 2e-4.
fn normal(z: f64) -> f64 {
    1.0 / (1.0 + (-2.0 * 0.797_884_560_8 * z * (1.0 + 0.044_715 * z * z)).exp())
}
