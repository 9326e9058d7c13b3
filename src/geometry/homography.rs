//! Homographies: what a lens without distortion does to a plane.
//!
//! Estimated by the normalised direct linear transform (Hartley & Zisserman, *Multiple View Geometry*, algorithm 4.2): both
//! point sets are moved to centroid 0 and mean distance √2 first, which makes the least squares well conditioned.

use super::Point;
use crate::error::Fault;
use nalgebra::{DMatrix, Matrix3, Vector3};
use serde::{Deserialize, Serialize};

/// A 3 × 3 matrix up to scale, from one plane to another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 9]", into = "[f64; 9]")]
pub struct Homography(pub Matrix3<f64>);

impl Homography {
    pub fn identity() -> Self {
        Homography(Matrix3::identity())
    }

    /// Turn by `radians` (clockwise on screen, as y runs down), scale, then shift.
    pub fn similarity(scale: f64, radians: f64, shift: Point) -> Self {
        let (s, c) = radians.sin_cos();
        Homography(Matrix3::new(
            scale * c,
            -scale * s,
            shift.x, //
            scale * s,
            scale * c,
            shift.y, //
            0.0,
            0.0,
            1.0,
        ))
    }

    /// The least-squares homography that carries each `from` to its `to`. Needs four pairs or more, no three of the first four
    /// in line.
    pub fn fit(pairs: &[(Point, Point)]) -> Result<Self, Fault> {
        let degenerate = || Fault::new("the points do not span a plane", "give four corners, no three of them in line");
        if pairs.len() < 4 {
            return Err(degenerate());
        }
        let (from, to): (Vec<_>, Vec<_>) = pairs.iter().copied().unzip();
        let (norm_from, norm_to) = (normalise(&from).ok_or_else(degenerate)?, normalise(&to).ok_or_else(degenerate)?);
        // Nine rows at the least, so that the decomposition yields the null vector.
        let mut a = DMatrix::zeros((2 * pairs.len()).max(9), 9);
        for (i, (p, q)) in pairs.iter().enumerate() {
            let (p, q) = (norm_from.apply(*p), norm_to.apply(*q));
            let rows = [
                [-p.x, -p.y, -1.0, 0.0, 0.0, 0.0, q.x * p.x, q.x * p.y, q.x],
                [0.0, 0.0, 0.0, -p.x, -p.y, -1.0, q.y * p.x, q.y * p.y, q.y],
            ];
            for (r, row) in rows.iter().enumerate() {
                for (c, v) in row.iter().enumerate() {
                    a[(2 * i + r, c)] = *v;
                }
            }
        }
        let svd = a.svd(false, true);
        let v_t = svd.v_t.ok_or_else(degenerate)?;
        let least = svd.singular_values.imin();
        let h = Matrix3::from_row_iterator(v_t.row(least).iter().copied());
        let back = norm_to.0.try_inverse().ok_or_else(degenerate)?;
        let full = back * h * norm_from.0;
        let scale = full[(2, 2)];
        if !full.iter().all(|v| v.is_finite()) || full.determinant().abs() < 1e-300 || scale.abs() < 1e-300 {
            return Err(degenerate());
        }
        Ok(Homography(full / scale))
    }

    pub fn apply(&self, p: Point) -> Point {
        let v = self.0 * Vector3::new(p.x, p.y, 1.0);
        Point::new(v.x / v.z, v.y / v.z)
    }

    /// The way back. Panics on a singular matrix, which [`Homography::fit`] never returns.
    pub fn inverse(&self) -> Homography {
        let inverse = self.0.try_inverse().expect("a fitted homography can be inverted");
        Homography(inverse / inverse[(2, 2)])
    }

    /// First `first`, then this one.
    pub fn after(&self, first: &Homography) -> Homography {
        let product = self.0 * first.0;
        Homography(product / product[(2, 2)])
    }

    /// Area in the target that one unit of area at `p` becomes (absolute value of the Jacobian's determinant).
    pub fn area_scale(&self, p: Point) -> f64 {
        let w = self.0.row(2).dot(&Vector3::new(p.x, p.y, 1.0).transpose());
        (self.0.determinant() / w.powi(3)).abs()
    }
}

/// The similarity that moves points to centroid 0 and mean distance √2; none if they coincide.
fn normalise(points: &[Point]) -> Option<Homography> {
    let n = points.len() as f64;
    let centre = points.iter().fold(Point::default(), |a, p| a + *p) * (1.0 / n);
    let mean = points.iter().map(|p| p.distance(centre)).sum::<f64>() / n;
    if !mean.is_finite() || mean < 1e-12 {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / mean;
    Some(Homography::similarity(s, 0.0, centre * -s))
}

impl From<[f64; 9]> for Homography {
    fn from(rows: [f64; 9]) -> Self {
        Homography(Matrix3::from_row_slice(&rows))
    }
}

impl From<Homography> for [f64; 9] {
    fn from(h: Homography) -> Self {
        let m = h.0;
        [m[(0, 0)], m[(0, 1)], m[(0, 2)], m[(1, 0)], m[(1, 1)], m[(1, 2)], m[(2, 0)], m[(2, 1)], m[(2, 2)]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> Homography {
        Homography(Matrix3::new(1.1, 0.04, 30.0, -0.03, 0.95, -12.0, 2e-5, -1e-5, 1.0))
    }

    #[test]
    fn a_known_homography_is_found_again_from_four_and_from_many_points() {
        let grid: Vec<Point> = (0..25).map(|i| Point::new((i % 5) as f64 * 800.0, (i / 5) as f64 * 600.0)).collect();
        let corners = [grid[0], grid[4], grid[24], grid[20]];
        for set in [&grid[..], &corners[..]] {
            let pairs: Vec<_> = set.iter().map(|p| (*p, known().apply(*p))).collect();
            let found = Homography::fit(&pairs).unwrap();
            let worst = grid.iter().map(|p| found.apply(*p).distance(known().apply(*p))).fold(0.0, f64::max);
            assert!(worst < 1e-8, "off by {worst} px");
        }
    }

    #[test]
    fn there_and_back_is_where_it_began() {
        let p = Point::new(1234.5, 678.9);
        assert!(known().inverse().apply(known().apply(p)).distance(p) < 1e-9);
        assert!(known().after(&known().inverse()).apply(p).distance(p) < 1e-9);
    }

    #[test]
    fn area_scale_is_the_ratio_of_small_areas() {
        let (h, p, e) = (known(), Point::new(900.0, 400.0), 1e-3);
        let o = h.apply(p);
        let (a, b) = (h.apply(p + Point::new(e, 0.0)) - o, h.apply(p + Point::new(0.0, e)) - o);
        let area = (a.x * b.y - a.y * b.x).abs() / (e * e);
        assert!((h.area_scale(p) / area - 1.0).abs() < 1e-6);
    }

    #[test]
    fn coinciding_points_are_a_fault_and_not_a_panic() {
        let p = Point::new(1.0, 1.0);
        assert!(Homography::fit(&[(p, p); 4]).is_err());
        assert!(Homography::fit(&[(p, p); 2]).is_err());
    }
}
